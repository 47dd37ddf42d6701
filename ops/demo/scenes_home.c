/*
 * scenes_home.c - records, homes, carers, spares, supplies, stays, and the team's own tasks.
 *
 * What always holds: each scene leaves open exactly what its line says.
 */
#include "demo.h"

#include <stddef.h>
#include <string.h>

static void shape_no_date(struct demo *demo, struct child *child) {
    (void)demo;
    child->formed_day = DATE_UNKNOWN;
    child->home_change = false;
}

static void shape_no_plan(struct demo *demo, struct child *child) {
    (void)demo;
    child->has_plan = false;
}

static void shape_untrained(struct demo *demo, struct child *child) {
    (void)demo;
    child->has_trained = false;
}

static void shape_silent(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 18;
}

static void shape_missed(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 9;
}

static void shape_training(struct demo *demo, struct child *child) {
    child->trained_until_day = demo->today - 3;
}

static void shape_spare_check(struct demo *demo, struct child *child) {
    (void)demo;
    child->spare_age_days = 33;
    child->device_age_days = 60;
}

static void shape_spare_counted(struct demo *demo, struct child *child) {
    (void)demo;
    child->spare_age_days = 30;
    child->device_age_days = 60;
}

static void play_no_spare(struct demo *demo, const struct child *child) {
    spares_counted(demo, child, day_ms(demo, 2, 14, 0), 0);
}

static void shape_active(struct demo *demo, struct child *child) {
    (void)demo;
    child->active = true;
    child->visit_age_days = 7;
}

static void play_few_left(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "supply.counted", day_ms(demo, 1, 10, 0));
    line_text(demo, "item", "60 mL syringe");
    line_int(demo, "count", 2);
    line_end(demo);
}

static void play_missed(struct demo *demo, const struct child *child) {
    for (int32_t days_ago = 5; days_ago >= 2; days_ago -= 3) {
        line_begin(demo, child, "visit.planned", day_ms(demo, days_ago + 1, 9, 0));
        line_date(demo, "on", demo->today - days_ago);
        line_text(demo, "who", "nurse C");
        line_end(demo);
        line_begin(demo, child, "visit.missed", day_ms(demo, days_ago, 15, 0));
        line_text(demo, "reason", "nobody at home");
        line_end(demo);
    }
}

/* Less than the five minutes that are refused: it waits, and is shown. */
static void play_fast_clock(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "note.written", demo->now_ms + 4 * MINUTE_MS);
    line_text(demo, "text", "Written on a laptop whose clock is fast.");
    line_end(demo);
}

static void plan_daily(struct demo *demo, const struct child *child, const char *task, int minute) {
    line_begin(demo, child, "plan.set", day_ms(demo, 20, 9, minute));
    line_text(demo, "task", task);
    line_int(demo, "every_days", 1);
    line_text(demo, "reason", "day by day while the skin settles");
    line_text(demo, "prescriber", "nurse B");
    line_end(demo);
}

static void play_daily_care(struct demo *demo, const struct child *child) {
    static const char *const items[] = {"site-care", "rotate", NULL};
    plan_daily(demo, child, "site-care", 0);
    plan_daily(demo, child, "rotate", 5);
    for (int32_t days_ago = 19; days_ago >= 1; days_ago--) {
        line_begin(demo, child, "care.done", day_ms(demo, days_ago, 8, 0));
        line_head(demo, "done_by", "carer");
        line_list(demo, "items", items);
        line_text(demo, "rotated", "free");
        line_end(demo);
    }
}

/* --- young stomas and stays ---------------------------------------------------------------------------------------- */

static void shape_stitches(struct demo *demo, struct child *child) {
    shape_young(demo, child, 21);
    child->born_day = child->formed_day - 30;
    child->visit_age_days = 7;
}

static void play_stitches(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "stoma.formed", child->registered_ms + 3 * MINUTE_MS);
    line_date(demo, "formed_on", child->formed_day);
    line_text(demo, "how", "surgical");
    line_date(demo, "stitches_out_on", demo->today);
    line_end(demo);
}

static void stay(struct demo *demo, const struct child *child, const char *kind, int64_t at_ms) {
    line_begin(demo, child, kind, at_ms);
    line_text(demo, "where", "hospital");
    if (strcmp(kind, "stay.started") == 0)
        line_date(demo, "expected_back", demo->today + 4);
    line_text(demo, "name", "Harrowmere children's hospital");
    line_end(demo);
}

static void shape_new_from_hospital(struct demo *demo, struct child *child) {
    shape_young(demo, child, 6);
    child->visit_age_days = 7;
}

static void play_first_visit(struct demo *demo, const struct child *child) {
    stay(demo, child, "stay.started", child->registered_ms + MINUTE_MS);
    stay(demo, child, "stay.ended", day_ms(demo, 1, 14, 0));
}

static void shape_away(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 8;
}

static void play_back_home(struct demo *demo, const struct child *child) {
    stay(demo, child, "stay.started", day_ms(demo, 6, 9, 0));
    stay(demo, child, "stay.ended", day_ms(demo, 1, 16, 0));
}

static void play_in_hospital(struct demo *demo, const struct child *child) {
    stay(demo, child, "stay.started", day_ms(demo, 3, 9, 0));
}

/* --- the team's own ---------------------------------------------------------------------------------------------------- */

static void play_added(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "task.added", day_ms(demo, 9, 9, 0));
    line_text(demo, "task", "school-talk");
    line_text(demo, "title", "Talk to the school about the spare");
    line_date(demo, "due", demo->today - 1);
    line_end(demo);
    line_begin(demo, child, "task.given", day_ms(demo, 8, 9, 0));
    line_text(demo, "task", "school-talk");
    line_text(demo, "to", "nurse B");
    line_end(demo);
}

static void shape_week_ago(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 7;
}

/* A check of the site that belonged to another child, and a task that may wait. */
static void play_withdrawn(struct demo *demo, const struct child *child) {
    char mistake[ID_TEXT];
    site_checked_begin(demo, child, day_ms(demo, 1, 10, 0));
    line_amount(demo, "gap_mm", 450); /* redness would need a second person to withdraw it */
    line_end(demo);
    memcpy(mistake, demo->last_id, sizeof mistake);
    line_begin(demo, child, "event.withdrawn", day_ms(demo, 1, 11, 0));
    line_text(demo, "event", mistake);
    line_text(demo, "reason", "it was another child's");
    line_end(demo);
    line_begin(demo, child, "task.deferred", day_ms(demo, 1, 12, 0));
    line_text(demo, "task", "extension-change");
    line_date(demo, "until", demo->today + 3);
    line_text(demo, "reason", "the new sets come on Monday");
    line_end(demo);
    line_begin(demo, child, "supply.ordered", day_ms(demo, 2, 12, 0));
    line_text(demo, "item", "extension set");
    line_int(demo, "count", 10);
    line_date(demo, "expected", demo->today + 2);
    line_end(demo);
}

/* One child in two records: what both say of it is the same. */
static void shape_same_child(struct demo *demo, struct child *child) {
    child->born_day = demo->today - 2000;
    child->formed_day = demo->today - 900;
    child->how = "endoscopic";
    child->profile = "low";
    child->french_fr = 1400;
    child->length_mm = 2000;
    child->balloon_ml = 500;
    child->device_age_days = 30;
}

static void play_kept(struct demo *demo, const struct child *child) {
    memcpy(demo->kept_id, child->id, sizeof demo->kept_id);
}

/* Registered a second time three weeks ago, by mistake. */
static void shape_double(struct demo *demo, struct child *child) {
    shape_same_child(demo, child);
    child->registered_day = demo->today - 21;
    child->registered_ms = day_ms(demo, 21, 9, 0);
}

static void play_merged(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "patient.merged", day_ms(demo, 2, 9, 0));
    line_text(demo, "into", demo->kept_id);
    line_end(demo);
    line_begin(demo, child, "patient.revised", day_ms(demo, 2, 9, 5));
    line_text(demo, "label", "HM-0158");
    line_end(demo);
}

static void shape_gone(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 45;
}

static void play_closed(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "device.removed", day_ms(demo, 42, 10, 0));
    line_text(demo, "why", "eats and drinks well");
    line_bool(demo, "for_good", true);
    line_end(demo);
    line_begin(demo, child, "stoma.closed", day_ms(demo, 40, 10, 0));
    line_end(demo);
    line_begin(demo, child, "patient.closed", day_ms(demo, 38, 10, 0));
    line_text(demo, "reason", "device-no-longer-needed");
    line_end(demo);
}

static void play_moved(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "patient.moved", day_ms(demo, 60, 9, 0));
    line_text(demo, "team", "mill-lane");
    line_end(demo);
    line_begin(demo, child, "patient.revised", day_ms(demo, 59, 9, 0));
    line_text(demo, "address", "8 Orchard Bank, Harrowmere");
    line_text(demo, "access", "ring twice; the dog is friendly");
    line_end(demo);
}

const struct scene home_scenes[] = {
    {104, "moved from another team", NULL, play_moved},
    {139, "stoma-date-missing", shape_no_date, NULL},
    {140, "emergency-plan-missing", shape_no_plan, NULL},
    {141, "no-trained-carer", shape_untrained, NULL},
    {143, "spare-missing: none left at home", shape_spare_counted, play_no_spare},
    {144, "supply-low: two syringes left", NULL, play_few_left},
    {145, "no-word: for 18 days", shape_silent, NULL},
    {146, "no-word: two missed visits", shape_missed, play_missed},
    {147, "clock-doubt: a note from a fast clock", NULL, play_fast_clock},
    {148, "training: out of date for three days", shape_training, NULL},
    {149, "spare-check: counted 33 days ago", shape_spare_check, NULL},
    {150, "site-care, rotate: planned day by day", NULL, play_daily_care},
    {151, "taping, weekly-contact: an active child, a week since the visit", shape_active, NULL},
    {152, "stitches-out, weight: a stoma of three weeks in an infant", shape_stitches, play_stitches},
    {153, "first-visit: home since yesterday with a new stoma", shape_new_from_hospital, play_first_visit},
    {154, "return-check: home since yesterday", shape_away, play_back_home},
    {155, "in hospital: routine is hidden", NULL, play_in_hospital},
    {156, "added: a task of the team's own, given to a nurse", NULL, play_added},
    {157, "a withdrawn event, a deferred task, an order", shape_week_ago, play_withdrawn},
    {158, "the record that goes on of a pair", shape_same_child, play_kept},
    {159, "registered twice and merged", shape_double, play_merged},
    {160, "closed: the device is no longer needed", shape_gone, play_closed},
    {0, NULL, NULL, NULL}};
