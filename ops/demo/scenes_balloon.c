/*
 * scenes_balloon.c - the balloon's water: late, low, wrong, stuck, too early.
 *
 * What always holds: each scene leaves open exactly what its line says. HM-0142 is the child that the first tour shows.
 */
#include "demo.h"

#include <stddef.h>

static void shape_late_9(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 9;
}

static void shape_late_10(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 10;
}

static void shape_late_12(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 12;
}

static void shape_five_ml(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 5;
    child->balloon_ml = 500;
    child->device_age_days = 47;
}

static void play_low(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 2, 10, 20), 420, 500, "clear", "sterile-water");
    line_begin(demo, child, "note.written", day_ms(demo, 2, 10, 40));
    line_text(demo, "text",
              "The mother says that the device sits more loosely than last week. She tapes it down for the night.");
    line_end(demo);
}

static void play_failing(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 3, 10, 0), 430, 500, "clear", "sterile-water");
    balloon_checked(demo, child, day_ms(demo, 1, 10, 0), 410, 500, "clear", "sterile-water");
}

static void play_empty(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, demo->now_ms - 3 * HOUR_MS, 50, 500, "clear", "sterile-water");
}

static void play_underfilled(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 1, 11, 0), 480, 400, "clear", "sterile-water");
}

static void play_overfilled(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 1, 12, 0), 490, 600, "clear", "sterile-water");
}

static void play_unclear(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 1, 13, 0), 490, 500, "cloudy", "sterile-water");
}

static void play_stuck(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "balloon.checked", day_ms(demo, 1, 9, 30));
    line_head(demo, "done_by", "carer");
    line_bool(demo, "stuck", true);
    line_end(demo);
}

static void play_saline(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 1, 14, 0), 490, 500, "clear", "saline");
}

static void shape_eight_days(struct demo *demo, struct child *child) {
    shape_young(demo, child, 8);
    child->balloon_ml = 500;
    child->visit_age_days = 1;
}

static void play_early(struct demo *demo, const struct child *child) {
    balloon_checked(demo, child, day_ms(demo, 2, 11, 0), 490, 500, "clear", "sterile-water");
}

const struct scene balloon_scenes[] = {
    {101, "balloon-check overdue in north-shore", shape_late_9, NULL},
    {102, "balloon-check overdue in mill-lane", shape_late_10, NULL},
    {103, "balloon-check overdue in fell-side", shape_late_12, NULL},
    {142, "balloon-low, balloon-recheck overdue: 4.2 of 5 mL two days ago", shape_five_ml, play_low},
    {105, "balloon-failing: two low checks running", shape_five_ml, play_failing},
    {106, "balloon-empty: 0.5 of 5 mL three hours ago", shape_five_ml, play_empty},
    {107, "underfilled: 4 of 5 mL put back", shape_five_ml, play_underfilled},
    {108, "overfilled: 6 of 5 mL put back", shape_five_ml, play_overfilled},
    {109, "balloon-unclear: cloudy water", shape_five_ml, play_unclear},
    {110, "balloon-stuck: nothing could be drawn yesterday", shape_five_ml, play_stuck},
    {111, "wrong-fluid: saline", shape_five_ml, play_saline},
    {112, "checked-early: drawn on the sixth day of the stoma", shape_eight_days, play_early},
    {0, NULL, NULL, NULL}};
