/*
 * routine.c - the weekly visits of six months, and what goes with them: checks, care, counts, weights, changes of device.
 *
 * What always holds: the last visit was `visit_age_days` ago and the others a week apart before it; the device in place
 * is `device_age_days` old.
 */
#include "demo.h"

#include <stdio.h>
#include <string.h>

void balloon_checked(struct demo *demo, const struct child *child, int64_t at_ms, int32_t withdrawn_ml,
                     int32_t filled_ml, const char *look, const char *fluid) {
    line_begin(demo, child, "balloon.checked", at_ms);
    line_head(demo, "done_by", child->number % 3 ? "carer" : "nurse");
    line_head(demo, "source", child->number % 3 ? "told" : "seen");
    line_amount(demo, "withdrawn_ml", withdrawn_ml);
    line_amount(demo, "filled_ml", filled_ml);
    line_text(demo, "look", look);
    line_text(demo, "fluid", fluid);
    line_amount(demo, "syringe_ml", 1000);
    line_end(demo);
}

void site_checked_begin(struct demo *demo, const struct child *child, int64_t at_ms) {
    line_begin(demo, child, "site.checked", at_ms);
    line_head(demo, "done_by", "nurse");
    line_head(demo, "source", "seen");
}

void site_checked_well(struct demo *demo, const struct child *child, int64_t at_ms) {
    static const char *const nos[] = {"spreading",       "warm",     "pustule",        "odour",
                                      "overgranulation", "bleeding", "pain_on_feeding"};
    site_checked_begin(demo, child, at_ms);
    line_text(demo, "redness", dice_below(&demo->dice, 4) ? "none" : "pink");
    for (size_t i = 0; i < sizeof nos / sizeof nos[0]; i++)
        line_bool(demo, nos[i], false);
    line_text(demo, "discharge", dice_below(&demo->dice, 3) ? "none" : "clear");
    line_text(demo, "pain", "none");
    line_amount(demo, "gap_mm", 150 + 10 * (int64_t)dice_below(&demo->dice, 15));
    line_text(demo, "leak", "none");
    line_text(demo, "skin", "whole");
    line_end(demo);
}

void spares_counted(struct demo *demo, const struct child *child, int64_t at_ms, int count) {
    static const char *const which[] = {"same", "smaller"};
    for (int i = 0; i < 2; i++) {
        line_begin(demo, child, "spare.counted", at_ms + i * MINUTE_MS);
        line_text(demo, "place", "home");
        line_text(demo, "what", which[i]);
        line_text(demo, "retention", child->retention);
        line_text(demo, "profile", child->profile);
        line_amount(demo, "french_fr", child->french_fr - 200 * i);
        line_amount(demo, "length_mm", child->length_mm);
        line_int(demo, "count", count);
        line_date(demo, "expires", demo->today + 200 + (int32_t)(child->number % 300));
        line_text(demo, "lot", "HS-2209");
        line_end(demo);
    }
}

static void care_done(struct demo *demo, const struct child *child, int64_t at_ms) {
    static const char *const with_set[] = {"site-care", "extension-change", "taping", NULL};
    static const char *const without_set[] = {"site-care", "taping", NULL};
    line_begin(demo, child, "care.done", at_ms);
    line_head(demo, "done_by", "carer");
    line_head(demo, "source", "told");
    line_list(demo, "items", strcmp(child->profile, "low") == 0 ? with_set : without_set);
    line_date(demo, "since", (int32_t)(at_ms / DAY_MS) - 7);
    line_end(demo);
}

static void supplies_counted(struct demo *demo, const struct child *child, int64_t at_ms) {
    line_begin(demo, child, "supply.counted", at_ms);
    line_text(demo, "item", "extension set");
    line_int(demo, "count", 10 + dice_below(&demo->dice, 6));
    line_end(demo);
    line_begin(demo, child, "supply.counted", at_ms + MINUTE_MS);
    line_text(demo, "item", "60 mL syringe");
    line_int(demo, "count", 30 + dice_below(&demo->dice, 20));
    line_end(demo);
}

static void weighed(struct demo *demo, const struct child *child, int64_t at_ms) {
    int64_t age_days = at_ms / DAY_MS - child->born_day;
    /* roughly what a child of that age weighs; for the look of it only */
    int64_t kg = 350 + (age_days < 365 ? age_days * 600 / 365 : 600 + (age_days - 365) * 220 / 365);
    line_begin(demo, child, "weight.measured", at_ms);
    line_head(demo, "done_by", "nurse");
    line_amount(demo, "weight_kg", kg + (int64_t)dice_below(&demo->dice, 30));
    line_end(demo);
}

static void visited(struct demo *demo, const struct child *child, int64_t at_ms) {
    line_begin(demo, child, "contact.made", at_ms);
    line_head(demo, "done_by", "nurse");
    line_text(demo, "to", "family");
    line_text(demo, "outcome", "answered");
    line_text(demo, "advice", "talked through the week; nothing new");
    line_end(demo);
}

/* One weekly visit; `week` counts back from the last one, which is 0. */
static void visit(struct demo *demo, const struct child *child, int64_t at_ms, int32_t week) {
    static const char *const waters[] = {"sterile-water", "sterile-water", "bottled-water"};
    int32_t lost = 10 * (int32_t)dice_below(&demo->dice, 4);
    bool fourth = (week + (int32_t)child->number) % 4 == 0;
    int32_t balloon_first_day = child->formed_day == DATE_UNKNOWN ? DATE_UNKNOWN : child->formed_day + 14;
    if (child_has_balloon(child) && at_ms / DAY_MS >= balloon_first_day)
        balloon_checked(demo, child, at_ms, child->balloon_ml - lost, child->balloon_ml, "clear",
                        dice_pick(&demo->dice, waters, 3));
    care_done(demo, child, at_ms + 5 * MINUTE_MS);
    visited(demo, child, at_ms + 8 * MINUTE_MS);
    if (fourth)
        site_checked_well(demo, child, at_ms + 10 * MINUTE_MS);
    if (fourth && child->has_spare && child->spare_age_days < 0)
        spares_counted(demo, child, at_ms + 15 * MINUTE_MS, 1);
    if (fourth && child->has_supplies)
        supplies_counted(demo, child, at_ms + 20 * MINUTE_MS);
    if (fourth || at_ms / DAY_MS - child->born_day < 100)
        weighed(demo, child, at_ms + 25 * MINUTE_MS);
}

/* Changes of device, the last one device_age_days ago and the others 84 days apart before it. */
static void devices(struct demo *demo, const struct child *child) {
    int32_t arrived_days_ago = demo->today - child->registered_day;
    if (child->first_device)
        return;
    for (int32_t age = child->device_age_days; age < arrived_days_ago - 3; age += 84) {
        int64_t at_ms = day_ms(demo, age, 11, (int)(child->number % 50));
        bool jejunal = strcmp(child->tip, "jejunum") == 0;
        const char *place = child->home_change ? "home" : "hospital";
        device_placed(demo, child, at_ms, "scheduled", place, child->home_change ? "nurse" : "gastroenterologist",
                      child->has_spare && !jejunal);
        if (child->has_spare && !jejunal && child->spare_age_days < 0)
            spares_counted(demo, child, at_ms + HOUR_MS, 1);
        if (!child_has_balloon(child))
            return; /* these stay in for longer than the demo looks back */
    }
}

void child_routine(struct demo *demo, const struct child *child) {
    int32_t arrived_days_ago = demo->today - child->registered_day;
    devices(demo, child);
    for (int32_t week = 0; child->visit_age_days + 7 * week < arrived_days_ago; week++) {
        int32_t days_ago = child->visit_age_days + 7 * week;
        /* the last one is counted from now, so that it is never today at a time yet to come */
        int64_t at_ms = day_ms(demo, days_ago, 10 + (int)(child->number % 3), (int)(child->number * 7 % 25));
        visit(demo, child, at_ms, week);
    }
    if (child->has_spare && child->spare_age_days >= 0)
        spares_counted(demo, child, day_ms(demo, child->spare_age_days, 14, 0), 1);
}
