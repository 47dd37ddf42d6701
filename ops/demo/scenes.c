/*
 * scenes.c - finds the scene of a child; shapes that several scenes share; what concerns the whole caseload.
 *
 * What always holds: a child has at most one scene, so what is open about it can be told from the scene's line.
 */
#include "demo.h"

#include <stddef.h>

static const struct scene *const tables[] = {device_scenes, balloon_scenes, site_scenes, home_scenes};

static const struct scene *scene_of(uint32_t number) {
    for (size_t t = 0; t < sizeof tables / sizeof tables[0]; t++)
        for (const struct scene *scene = tables[t]; scene->number; scene++)
            if (scene->number == number)
                return scene;
    return NULL;
}

void scenes_shape(struct demo *demo, struct child *child) {
    const struct scene *scene = scene_of(child->number);
    if (scene && scene->shape)
        scene->shape(demo, child);
}

void scenes_play(struct demo *demo, const struct child *child) {
    const struct scene *scene = scene_of(child->number);
    if (scene && scene->play)
        scene->play(demo, child);
}

void shape_young(struct demo *demo, struct child *child, int32_t stoma_age_days) {
    child->registered_day = demo->today - stoma_age_days;
    child->formed_day = child->registered_day;
    child->registered_ms = day_ms(demo, stoma_age_days, 9, 0);
    child->born_day = child->formed_day - 200 - (int32_t)(child->number % 300);
    child->first_device = true;
    child->home_change = false;
    child->profile = "long";
    child->how = "surgical";
}

void shape_jejunal(struct child *child) {
    child->tip = "jejunum";
    child->profile = "long";
    child->home_change = false;
    child->feeding = "continuous";
    child->device_age_days = 40;
}

void caseload_events(struct demo *demo, int64_t first_ms) {
    line_begin(demo, NULL, "policy.adopted", first_ms);
    line_json(demo, "values", "{\"balloon-loss-ml\":0.5,\"stoma-mature-days\":84}");
    line_text(demo, "approved_by", "clinical lead, Harrowmere");
    line_end(demo);
    line_begin(demo, NULL, "policy.adopted", day_ms(demo, 150, 9, 0));
    line_text(demo, "team", "mill-lane");
    line_json(demo, "values", "{\"spare-check-days\":28}");
    line_text(demo, "approved_by", "clinical lead, Harrowmere");
    line_end(demo);
    line_begin(demo, NULL, "lot.recalled", day_ms(demo, 3, 9, 0));
    line_text(demo, "lot", "HL-4471");
    line_text(demo, "notice", "HM notice 7: balloons that lose water");
    line_text(demo, "urgency", "soon");
    line_text(demo, "action", "check the balloon twice a week and plan a change within 14 days");
    line_end(demo);
}
