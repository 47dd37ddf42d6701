/*
 * children.c - who is on the caseload, and how each child comes on to it.
 *
 * What always holds: a child that no scene touches has nothing open but routine that is not yet due.
 */
#include "demo.h"

#include <stdio.h>
#include <string.h>

static const char *const teams[] = {"north-shore", "mill-lane", "fell-side"};
static const char *const streets[] = {"Quay Row", "Orchard Bank", "Weir Street", "Beacon Lane", "Tannery Yard"};
static const char *const nurses[] = {"nurse A", "nurse B", "nurse C", "nurse D"};

int64_t day_ms(const struct demo *demo, int32_t days_ago, int hour, int minute) {
    return (demo->today - days_ago) * DAY_MS + hour * HOUR_MS + minute * MINUTE_MS;
}

bool child_has_balloon(const struct child *child) {
    return strcmp(child->retention, "balloon") == 0;
}

static void choose_device(struct demo *demo, struct child *child) {
    static const int32_t sizes[] = {1200, 1400, 1400, 1600};
    static const int32_t volumes[] = {400, 500, 500, 700};
    uint32_t size = dice_below(&demo->dice, 4);
    child->how = dice_below(&demo->dice, 3) ? "endoscopic" : "surgical";
    child->retention = "balloon";
    child->profile = dice_below(&demo->dice, 8) ? "low" : "long";
    child->tip = "stomach";
    child->french_fr = sizes[size];
    child->balloon_ml = volumes[size];
    child->length_mm = 100 * (int32_t)(12 + dice_below(&demo->dice, 20));
    (void)snprintf(child->lot, sizeof child->lot, "HL-%04u", 4400 + dice_below(&demo->dice, 40));
}

void child_init(struct demo *demo, struct child *child, uint32_t index) {
    static const char *const feedings[] = {"bolus", "continuous", "both"};
    memset(child, 0, sizeof *child);
    child->number = 101 + index;
    (void)snprintf(child->label, sizeof child->label, "HM-%04u", child->number);
    (void)snprintf(child->system_number, sizeof child->system_number, "H%06u", 700000 + 7 * child->number);
    child->team = teams[index % 3];
    child->registered_day = demo->today - 182 + (int32_t)(index % 5);
    child->registered_ms = child->registered_day * DAY_MS + 9 * HOUR_MS + (int64_t)(index % 40) * MINUTE_MS;
    demo_id(demo, child->registered_ms, child->id);
    child->formed_day = child->registered_day - 120 - (int32_t)dice_below(&demo->dice, 700);
    child->born_day = child->formed_day - 60 - (int32_t)dice_below(&demo->dice, 2500);
    child->feeding = dice_pick(&demo->dice, feedings, 3);
    choose_device(demo, child);
    child->device_age_days = 6 + (int32_t)dice_below(&demo->dice, 70);
    child->visit_age_days = 1 + (int32_t)(index % 6);
    child->spare_age_days = -1;
    child->has_plan = child->home_change = child->has_trained = child->has_spare = child->has_supplies = true;
    child->trained_until_day = DATE_UNKNOWN;
}

/* --- arrival -------------------------------------------------------------------------------------------------------- */

static void registered(struct demo *demo, const struct child *child, int64_t at_ms) {
    char json[400];
    line_begin(demo, child, "patient.registered", at_ms);
    line_text(demo, "label", child->label);
    line_date(demo, "born", child->born_day);
    line_text(demo, "zone", "Europe/London");
    line_text(demo, "team", child->team);
    (void)snprintf(json, sizeof json, "[{\"system\":\"harrowmere\",\"value\":\"%s\"}]", child->system_number);
    line_json(demo, "identifiers", json);
    line_bool(demo, "active", child->active);
    line_text(demo, "feeding", child->feeding);
    line_int(demo, "hours_without_feed_max", 4 + child->number % 9);
    if (child->number % 7 == 0)
        line_text(demo, "critical_medicines", "an evening medicine through the device, within 2 hours of its time");
    line_bool(demo, "latex_allergy", child->latex_allergy);
    line_text(demo, "named_nurse", nurses[child->number % 4]);
    (void)snprintf(json, sizeof json, "%u %s, Harrowmere", 1 + child->number % 60, streets[child->number % 5]);
    line_text(demo, "address", json);
    (void)snprintf(json, sizeof json,
                   "[{\"role\":\"family\",\"name\":\"mother\",\"phone\":\"01632 960%03u\"},"
                   "{\"role\":\"surgeon\",\"name\":\"surgeon on call\",\"phone\":\"01632 960950\"}]",
                   child->number % 900);
    line_json(demo, "contacts", json);
    if (child->has_supplies)
        line_json(demo, "use",
                  "[{\"item\":\"extension set\",\"per_day\":0.15},{\"item\":\"60 mL syringe\",\"per_day\":0.5}]");
    line_end(demo);
}

static void stoma_formed(struct demo *demo, const struct child *child, int64_t at_ms) {
    line_begin(demo, child, "stoma.formed", at_ms);
    if (child->formed_day == DATE_UNKNOWN) {
        line_text(demo, "precision", "unknown");
        line_text(demo, "how", "unknown");
        line_end(demo);
        return;
    }
    line_date(demo, "formed_on", child->formed_day);
    line_text(demo, "how", child->how);
    line_text(demo, "hospital", "Harrowmere children's hospital");
    line_end(demo);
}

void device_placed(struct demo *demo, const struct child *child, int64_t at_ms, const char *why, const char *place,
                   const char *placed_by, bool from_spare) {
    bool jejunal = strcmp(child->tip, "jejunum") == 0;
    bool theatre = strcmp(why, "first") == 0;
    line_begin(demo, child, "device.placed", at_ms);
    line_head(demo, "done_by", strcmp(placed_by, "carer") == 0 ? "carer" : "nurse");
    line_text(demo, "retention", child->retention);
    line_text(demo, "profile", child->profile);
    line_text(demo, "tip", child->tip);
    line_amount(demo, "french_fr", child->french_fr);
    line_amount(demo, "length_mm", child->length_mm);
    if (child_has_balloon(child))
        line_amount(demo, "balloon_ml", child->balloon_ml);
    line_text(demo, "lot", child->lot);
    line_date(demo, "expires", demo->today + 300 + (int32_t)(child->number % 200));
    line_text(demo, "why", why);
    line_text(demo, "place", place);
    line_text(demo, "placed_by", placed_by);
    if (theatre)
        line_bool(demo, "first_in_stoma", true);
    if (from_spare)
        line_bool(demo, "from_spare", true);
    line_amount(demo, "outside_mm", strcmp(child->profile, "long") == 0 ? 25000 : 300);
    line_text(demo, "position", theatre ? "theatre" : jejunal ? "imaging" : "aspirate-ph");
    if (!theatre && !jejunal)
        line_amount(demo, "ph", 350 + 10 * (int64_t)(child->number % 9));
    line_end(demo);
}

static void plan_set(struct demo *demo, const struct child *child, int64_t at_ms) {
    static const char *const spares[] = {"same", "smaller", NULL};
    line_begin(demo, child, "emergency-plan.set", at_ms);
    line_text(
        demo, "steps",
        child->home_change
            ? "Cover the site and keep calm. A trained carer replaces the device with the spare within 30 minutes. If "
              "it will not go in, do not push: come in with both spares."
            : "Cover the site. Put nothing into the stoma. Come in at once with the device that came out and both "
              "spares.");
    line_bool(demo, "home_change", child->home_change);
    line_text(demo, "hospital", "Harrowmere children's hospital");
    line_text(demo, "phone", "01632 960901");
    line_text(demo, "prescriber", "surgeon A");
    line_date(demo, "review_by", demo->today + 90 + (int32_t)(child->number % 60));
    line_list(demo, "spares", spares);
    line_end(demo);
}

static void trained(struct demo *demo, const struct child *child, int64_t at_ms) {
    static const char *const skills[] = {"daily-care", "balloon-check", "device-change", "emergency-steps"};
    for (int i = 0; i < 4; i++) {
        line_begin(demo, child, "carer.trained", at_ms + i * MINUTE_MS);
        line_text(demo, "carer", "mother");
        line_text(demo, "skill", skills[i]);
        line_text(demo, "level", "signed-off");
        line_text(demo, "assessor", nurses[child->number % 4]);
        if (child->trained_until_day != DATE_UNKNOWN)
            line_date(demo, "until", child->trained_until_day);
        line_end(demo);
    }
    line_begin(demo, child, "carer.trained", at_ms + 5 * MINUTE_MS);
    line_text(demo, "carer", "carer A");
    line_text(demo, "skill", "daily-care");
    line_text(demo, "level", "supervised");
    line_end(demo);
}

static void feed_prescribed(struct demo *demo, const struct child *child, int64_t at_ms) {
    line_begin(demo, child, "feed.prescribed", at_ms);
    line_text(demo, "mode", child->feeding);
    line_amount(demo, "ml_day", 60000 + 100 * (int64_t)(child->number % 400));
    line_amount(demo, "flush_ml", 1000);
    line_text(demo, "prescriber", "dietitian A");
    line_end(demo);
}

void child_arrive(struct demo *demo, const struct child *child) {
    int64_t at_ms = child->registered_ms;
    registered(demo, child, at_ms);
    stoma_formed(demo, child, at_ms + 2 * MINUTE_MS);
    device_placed(demo, child, at_ms + 4 * MINUTE_MS, child->first_device ? "first" : "transfer-in",
                  child->first_device ? "hospital" : "clinic", child->first_device ? "surgeon" : "nurse", false);
    if (child->has_plan)
        plan_set(demo, child, at_ms + 10 * MINUTE_MS);
    if (child->has_trained)
        trained(demo, child, at_ms + 20 * MINUTE_MS);
    feed_prescribed(demo, child, at_ms + 30 * MINUTE_MS);
    if (child->has_spare)
        spares_counted(demo, child, at_ms + 40 * MINUTE_MS, 1);
}
