/*
 * scenes_device.c - devices: out, moved, blocked, worn, recalled, two of them.
 *
 * What always holds: each scene leaves open exactly what its line says.
 */
#include "demo.h"

#include <stddef.h>

static void shape_recent(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 4;
}

static void tube_out(struct demo *demo, const struct child *child, int64_t at_ms, const char *trained,
                     const char *spare) {
    line_begin(demo, child, "tube.out", at_ms);
    line_head(demo, "done_by", "carer");
    line_time(demo, "last_seen_at", at_ms - 10 * MINUTE_MS);
    line_text(demo, "trained_present", trained);
    line_text(demo, "spare_present", spare);
    line_text(demo, "balloon", "burst");
    line_bool(demo, "pain", false);
    line_bool(demo, "bleeding", false);
    line_end(demo);
}

static void play_out(struct demo *demo, const struct child *child) {
    tube_out(demo, child, demo->now_ms - 20 * MINUTE_MS, "yes", "yes");
}

static void play_no_device(struct demo *demo, const struct child *child) {
    tube_out(demo, child, demo->now_ms - 30 * HOUR_MS, "no", "no");
    line_begin(demo, child, "hospital.reached", demo->now_ms - 29 * HOUR_MS);
    line_bool(demo, "formed_stoma_here", true);
    line_text(demo, "name", "Harrowmere children's hospital");
    line_end(demo);
}

static void shape_tip_in_jejunum(struct demo *demo, struct child *child) {
    (void)demo;
    shape_jejunal(child);
}

static void play_displaced(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "tube.displaced", demo->now_ms - 3 * HOUR_MS);
    line_head(demo, "source", "seen");
    line_amount(demo, "outside_mm", 28500);
    line_bool(demo, "feed_at_gastric_port", true);
    line_bool(demo, "vomiting", false);
    line_end(demo);
}

static void play_put_back_unsure(struct demo *demo, const struct child *child) {
    tube_out(demo, child, demo->now_ms - 150 * MINUTE_MS, "yes", "yes");
    line_begin(demo, child, "device.put-back", demo->now_ms - 135 * MINUTE_MS);
    line_head(demo, "done_by", "carer");
    line_text(demo, "place", "home");
    line_text(demo, "placed_by", "carer");
    line_text(demo, "position", "aspirate-ph");
    line_amount(demo, "ph", 580);
    line_end(demo);
}

static void shape_fifty_days(struct demo *demo, struct child *child) {
    shape_young(demo, child, 50);
}

static void play_against_rule(struct demo *demo, const struct child *child) {
    int64_t at_ms = demo->now_ms - 26 * HOUR_MS;
    tube_out(demo, child, at_ms, "yes", "yes");
    device_placed(demo, child, at_ms + 15 * MINUTE_MS, "fell-out", "home", "carer", true);
}

/* The stoma is 60 hours old now, so what is seen falls within the first 72. */
static void shape_two_days(struct demo *demo, struct child *child) {
    shape_young(demo, child, 2);
    child->registered_ms = demo->now_ms - 60 * HOUR_MS;
    child->registered_day = child->formed_day = (int32_t)(child->registered_ms / DAY_MS);
    child->visit_age_days = 7;
}

static void play_early_complication(struct demo *demo, const struct child *child) {
    site_checked_begin(demo, child, demo->now_ms - 4 * HOUR_MS);
    line_text(demo, "leak", "around");
    line_bool(demo, "pain_on_feeding", true);
    line_bool(demo, "bleeding", false);
    line_text(demo, "pain", "mild");
    line_end(demo);
}

static void blocked(struct demo *demo, const struct child *child, int64_t at_ms, bool cleared, const char *tried) {
    const char *const others[] = {tried, NULL};
    line_begin(demo, child, "tube.blocked", at_ms);
    line_head(demo, "done_by", "carer");
    line_amount(demo, "water_ml", 1000);
    line_bool(demo, "warm", true);
    line_bool(demo, "pulsed", true);
    if (tried)
        line_list(demo, "other_tried", others);
    line_bool(demo, "cleared", cleared);
    line_end(demo);
}

static void play_blocked(struct demo *demo, const struct child *child) {
    blocked(demo, child, demo->now_ms - 40 * MINUTE_MS, false, NULL);
}

static void play_unsafe(struct demo *demo, const struct child *child) {
    blocked(demo, child, day_ms(demo, 2, 12, 0), true, "a fizzy drink");
}

static void rotated(struct demo *demo, const struct child *child, const char *how) {
    static const char *const items[] = {"rotate", NULL};
    line_begin(demo, child, "care.done", day_ms(demo, 1, 15, 0));
    line_head(demo, "done_by", "carer");
    line_list(demo, "items", items);
    line_text(demo, "rotated", how);
    line_end(demo);
}

static void play_stiff(struct demo *demo, const struct child *child) {
    rotated(demo, child, "stiff");
}

static void play_rotated_jejunal(struct demo *demo, const struct child *child) {
    rotated(demo, child, "free");
}

static void shape_worn(struct demo *demo, struct child *child) {
    (void)demo;
    child->device_age_days = 140;
}

static void shape_due(struct demo *demo, struct child *child) {
    (void)demo;
    child->device_age_days = 100;
}

static void play_booked(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "appointment.booked", day_ms(demo, 2, 16, 0));
    line_text(demo, "for", "device-change");
    line_date(demo, "on", demo->today + 5);
    line_text(demo, "where", "clinic at Mill Lane");
    line_end(demo);
}

static void shape_recalled(struct demo *demo, struct child *child) {
    static const char lot[] = "HL-4471";
    (void)demo;
    for (size_t i = 0; i < sizeof lot; i++)
        child->lot[i] = lot[i];
}

static void shape_bumper(struct demo *demo, struct child *child) {
    (void)demo;
    child->retention = "bumper";
    child->profile = "long";
    child->how = "endoscopic";
    child->home_change = false;
    child->device_age_days = 150;
}

static void play_prescribed(struct demo *demo, const struct child *child) {
    line_begin(demo, child, "device.prescribed", day_ms(demo, 60, 10, 0));
    line_int(demo, "change_months", 18);
    line_text(demo, "prescriber", "gastroenterologist A");
    line_end(demo);
}

static void second_stoma_seen(struct demo *demo, const struct child *child) {
    static const char *const which[] = {"same", "smaller"};
    line_begin(demo, child, "balloon.checked", day_ms(demo, 3, 10, 0));
    line_head(demo, "stoma", "second");
    line_amount(demo, "withdrawn_ml", 290);
    line_amount(demo, "filled_ml", 300);
    line_text(demo, "fluid", "sterile-water");
    line_end(demo);
    for (int i = 0; i < 2; i++) {
        line_begin(demo, child, "spare.counted", day_ms(demo, 12, 10, 5 * i));
        line_head(demo, "stoma", "second");
        line_text(demo, "place", "home");
        line_text(demo, "what", which[i]);
        line_text(demo, "retention", "balloon");
        line_text(demo, "profile", "long");
        line_amount(demo, "french_fr", 1400 - 200 * i);
        line_int(demo, "count", 1);
        line_end(demo);
    }
}

/* A second stoma for feeds into the jejunum, 220 days old, with a device and a spare of its own. */
static void play_second_stoma(struct demo *demo, const struct child *child) {
    int64_t at_ms = child->registered_ms + 50 * MINUTE_MS;
    line_begin(demo, child, "stoma.formed", at_ms);
    line_head(demo, "stoma", "second");
    line_date(demo, "formed_on", demo->today - 220);
    line_text(demo, "how", "surgical");
    line_end(demo);
    line_begin(demo, child, "device.placed", day_ms(demo, 35, 10, 0));
    line_head(demo, "stoma", "second");
    line_text(demo, "retention", "balloon");
    line_text(demo, "profile", "long");
    line_text(demo, "tip", "jejunum");
    line_amount(demo, "french_fr", 1400);
    line_amount(demo, "balloon_ml", 300);
    line_text(demo, "lot", "HJ-1180");
    line_text(demo, "why", "scheduled");
    line_text(demo, "place", "hospital");
    line_text(demo, "placed_by", "gastroenterologist");
    line_text(demo, "position", "imaging");
    line_end(demo);
    second_stoma_seen(demo, child);
}

const struct scene device_scenes[] = {
    {113, "tube-out: twenty minutes ago, a trained carer and a spare are there", shape_recent, play_out},
    {114, "no-device, hospital-follow-up: out since yesterday, in hospital", shape_recent, play_no_device},
    {115, "tube-displaced: feed comes back at the gastric port", shape_tip_in_jejunum, play_displaced},
    {116, "position-unsure: put back at home, pH 5.8", shape_recent, play_put_back_unsure},
    {117, "placed-against-rule: replaced at home in a stoma of 50 days", shape_fifty_days, play_against_rule},
    {118, "early-complication: pain on feeding and a leak within 72 hours", shape_two_days, play_early_complication},
    {119, "blocked: not cleared after 40 minutes", shape_recent, play_blocked},
    {120, "unsafe-unblocking: a fizzy drink was tried", shape_recent, play_unsafe},
    {121, "will-not-rotate: stiff yesterday", shape_recent, play_stiff},
    {122, "rotated-jejunal: turned with the tip in the jejunum", shape_tip_in_jejunum, play_rotated_jejunal},
    {123, "device-overdue: in place for 140 days", shape_worn, NULL},
    {124, "device-change: in place for 100 days", shape_due, NULL},
    {125, "device-change booked inside its window", shape_due, play_booked},
    {126, "recalled-lot: the device is of the recalled lot", shape_recalled, NULL},
    {127, "two stomas", NULL, play_second_stoma},
    {128, "a bumper device with a prescribed interval", shape_bumper, play_prescribed},
    {129, "two stomas", NULL, play_second_stoma},
    {0, NULL, NULL, NULL}};
