/* step_test.c - raw facts, kind by kind, where the order of things or the absence of a word matters. */
#include "tasks_world.h"

#include "care/facts.h"
#include "support/random_events.h"

static struct care_stoma *fold(struct world *w) {
    look(w);
    return &w->state.stomas[0];
}

static struct proto_event out_at(int64_t at, int trained) {
    return EV(tube_out, at, F(tube_out, trained_present, trained));
}

static struct proto_event with(struct proto_event event, int field, int64_t n) {
    event.body[field] = (struct proto_value){.present = true, .n = n};
    return event;
}

static struct proto_event put_back(int64_t at) {
    return EV(device_put_back, at, F(device_put_back, place, PROTO_place_home),
              F(device_put_back, placed_by, PROTO_placed_by_carer));
}

/* All reports between two placements are one dislodgement; its clock runs from the earliest. */
static void test_reports_of_one_dislodgement_merge(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, button(t - EV_HOUR));
    add(w, with(out_at(t, PROTO_yes_no_unknown_no), PROTO_FIELD_tube_out_last_seen_at, t - 10 * EV_MIN));
    add(w, with(with(out_at(t + EV_MIN, PROTO_yes_no_unknown_yes), PROTO_FIELD_tube_out_last_seen_at, t - 2 * EV_HOUR),
                PROTO_FIELD_tube_out_pain, 1));
    add(w, out_at(t + 2 * EV_MIN, PROTO_yes_no_unknown_unknown));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->device_state, CARE_DEVICE_OUT);
    assert_int_equal(s->out.first.at, t);
    assert_int_equal(s->out.last.at, t + 2 * EV_MIN);
    assert_int_equal(s->out.out_from, t - EV_HOUR); /* seen before the placement: from the placement */
    assert_int_equal(s->out.trained_present, PROTO_yes_no_unknown_unknown); /* the newest word */
    assert_true(s->out.pain);
    add(w, put_back(t + EV_HOUR));
    s = fold(w);
    assert_int_equal(s->device_state, CARE_DEVICE_IN);
    assert_int_equal(s->out.ended.at, t + EV_HOUR);
    assert_int_equal(s->device.placed.at, t - EV_HOUR);
    assert_int_equal(s->device.seated.at, t + EV_HOUR);
    assert_false(s->device.position_said);
    add(w, out_at(t + 2 * EV_HOUR, PROTO_yes_no_unknown_no)); /* another one */
    s = fold(w);
    assert_int_equal(s->out.first.at, t + 2 * EV_HOUR);
    assert_false(s->out.pain);
    assert_false(care_fact_is(&s->out.ended));
    free(w);
}

static void test_removed_and_the_hospital(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, button(t));
    add(w, EV(device_removed, t + 1, F_TEXT(device_removed, why, "w")));
    add(w, EV_BARE(hospital_reached, t + 2));
    add(w, EV_BARE(hospital_reached, t + 3));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->device_state, CARE_DEVICE_OUT);
    assert_true(s->out.removed);
    assert_int_equal(s->out.hospital.at, t + 2); /* the clock stopped then */
    assert_int_equal(s->device_gone.at, t + 1);
    add(w, with(EV(device_removed, t + 4, F_TEXT(device_removed, why, "w")), PROTO_FIELD_device_removed_for_good, 1));
    s = fold(w);
    assert_int_equal(s->device_state, CARE_DEVICE_NONE);
    assert_int_equal(s->out.ended.at, t + 4);
    free(w);
}

static void test_keep_open_keeps_what_is_known_of_the_device(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, button(t));
    add(w, out_at(t + 1, PROTO_yes_no_unknown_no));
    add(w, with(button(t + 2), PROTO_FIELD_device_placed_purpose, PROTO_purpose_keep_open));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->device_state, CARE_DEVICE_KEEP_OPEN);
    assert_int_equal(s->device.placed.at, t);
    assert_true(s->out.ended_keep_open);
    add(w, out_at(t + 3, PROTO_yes_no_unknown_no)); /* the catheter comes out, too */
    s = fold(w);
    assert_int_equal(s->out.first.at, t + 3);
    assert_int_equal(s->device_state, CARE_DEVICE_OUT);
    free(w);
}

static void test_a_failed_attempt_before_the_report(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    struct proto_event failed =
        EV(placement_failed, t, F(placement_failed, attempts, 2), F(placement_failed, placed_by, PROTO_placed_by_carer),
           F(placement_failed, place, PROTO_place_home));
    add(w, button(t - EV_DAY));
    add(w, failed); /* made before the report of the same instant: smaller id */
    add(w, out_at(t, PROTO_yes_no_unknown_yes));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->out.failed.at, t);
    assert_int_equal(s->out.failed_attempts, 2);
    free(w);
}

static struct proto_event record_of(struct proto_event event, uint8_t child) {
    event.has_patient = true;
    memset(event.patient.bytes, child, sizeof event.patient.bytes);
    return event;
}

static struct proto_event merged_into(int64_t at, uint8_t from, uint8_t into) {
    struct proto_event event = record_of(EV_BARE(patient_merged, at), from);
    struct proto_value *value = &event.body[PROTO_FIELD_patient_merged_into];
    *value = (struct proto_value){.present = true, .type = PROTO_TYPE_ID};
    memset(value->id.bytes, into, sizeof value->id.bytes);
    return event;
}

/* A merged child is who the record says under which it is shown, whichever was registered first. */
static void test_merged_label(void **unused) {
    (void)unused;
    int64_t t = NOON(2026, 1, 1);
    for (uint8_t into = 1; into <= 2; into++) {
        struct proto_event events[] = {
            record_of(
                EV(patient_registered, t, F_TEXT(patient_registered, label, "first"), F(patient_registered, born, 100)),
                1),
            record_of(EV(patient_registered, t + 1, F_TEXT(patient_registered, label, "second"),
                         F(patient_registered, born, 200)),
                      2),
            merged_into(t + 2, (uint8_t)(3 - into), into),
            record_of(EV(patient_revised, t + 3, F_TEXT(patient_revised, label, "first again")), 1)};
        static struct care_state state;
        uint32_t order[4];
        care_fold(&state, events, 3, order, INT64_MAX);
        assert_string_equal(state.profile.label, into == 1 ? "first" : "second");
        assert_int_equal(state.born_day, into == 1 ? 100 : 200);
        care_fold(&state, events, 4, order, INT64_MAX);
        assert_string_equal(state.profile.label, into == 1 ? "first again" : "second");
    }
}

/* Absent is not free of: only an explicit no of somebody who saw it. */
static void test_signs(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, button(t - EV_DAY));
    add(w, EV(site_checked, t, F(site_checked, discharge, PROTO_discharge_green), F(site_checked, warm, 1),
              F(site_checked, bleeding, 1)));
    add(w, EV(site_checked, t + 1, F(site_checked, redness, PROTO_redness_none)));
    struct care_stoma *s = fold(w);
    assert_true(s->signs[CARE_SIGN_DISCHARGE].open);
    assert_false(s->signs[CARE_SIGN_REDNESS].open);
    assert_int_equal(s->signs[CARE_SIGN_BLEEDING].after_seat_ms, EV_DAY);
    assert_int_equal(s->signs[CARE_SIGN_BLEEDING].early_first.at, t);
    assert_int_equal(s->signs[CARE_SIGN_WARM].early_first.at, 0);
    add(w, ev_told(EV(site_checked, t + 2, F(site_checked, discharge, PROTO_discharge_none))));
    assert_true(fold(w)->signs[CARE_SIGN_DISCHARGE].open);
    add(w, EV(site_checked, t + 3, F(site_checked, discharge, PROTO_discharge_clear)));
    s = fold(w);
    assert_false(s->signs[CARE_SIGN_DISCHARGE].open);
    assert_int_equal(s->signs[CARE_SIGN_DISCHARGE].settled.at, t + 3);
    assert_int_equal(s->signs[CARE_SIGN_DISCHARGE].first.at, t);
    assert_true(s->signs[CARE_SIGN_WARM].open);
    add(w, button(t + 4)); /* what is about skin stays */
    assert_true(fold(w)->signs[CARE_SIGN_WARM].open);
    free(w);
}

static void test_what_goes_with_the_device(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, button(t));
    add(w, check(t + 1, 400, 500));
    add(w, EV(tube_blocked, t + 2, F(tube_blocked, water_ml, 1000), F(tube_blocked, warm, 1),
              F(tube_blocked, cleared, 0)));
    add(w, EV(device_prescribed, t + 3, F(device_prescribed, balloon_ml, 400), F(device_prescribed, change_months, 5)));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->check_count, 1);
    assert_false(s->checks[0].before_known);
    assert_int_equal(s->checks[0].before_ml, 500);
    assert_true(care_fact_is(&s->blocked_first));
    add(w, button(t + 4));
    s = fold(w);
    assert_int_equal(s->check_count, 0);
    assert_false(care_fact_is(&s->blocked_first));
    assert_int_equal(s->prescribed_balloon_ml, 0);
    assert_int_equal(s->prescribed_change_months, 5); /* lasts over devices */
    assert_true(s->device.before.had_device);
    assert_int_equal(s->device.before.retention, PROTO_retention_balloon);
    free(w);
}

static void test_lists_are_bounded(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    char names[PROTO_CARERS_MAX + 2][8];
    for (int i = 0; i < PROTO_CARERS_MAX + 2; i++) {
        (void)snprintf(names[i], sizeof names[i], "c%d", i);
        add(w, EV(carer_trained, NOON(2026, 2, 1) + i, F_TEXT(carer_trained, carer, names[i]),
                  F(carer_trained, skill, PROTO_skill_daily_care), F(carer_trained, level, PROTO_skill_level_shown)));
    }
    look(w);
    assert_int_equal(w->state.carer_count, PROTO_CARERS_MAX);
    assert_true(w->state.overflow);
    assert_string_equal(w->state.carers[PROTO_CARERS_MAX - 1].name, "c11"); /* the first that came */
    for (int i = 0; i < PROTO_CHECKS_KEPT + 3; i++)
        add(w, check(NOON(2026, 3, 1) + i, 500, 500));
    struct care_stoma *s = fold(w);
    assert_int_equal(s->check_count, PROTO_CHECKS_KEPT);
    assert_int_equal(s->checks[0].fact.at, NOON(2026, 3, 1) + 3); /* the last that came */
    free(w);
}

static void test_word_from_the_family(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    int64_t t = NOON(2026, 3, 1);
    add(w, EV(visit_missed, t, F_TEXT(visit_missed, reason, "r")));
    add(w, EV(visit_missed, t + 1, F_TEXT(visit_missed, reason, "r")));
    add(w, EV(contact_made, t + 2, F(contact_made, to, PROTO_contact_to_family),
              F(contact_made, outcome, PROTO_outcome_no_answer)));
    add(w, EV(weight_measured, t + 3, F(weight_measured, weight_kg, 900)));
    look(w);
    assert_int_equal(w->state.missed_visits, 2);
    assert_int_equal(w->state.last_word.at, 0);
    add(w, EV(contact_made, t + 4, F(contact_made, to, PROTO_contact_to_family),
              F(contact_made, outcome, PROTO_outcome_answered)));
    look(w);
    assert_int_equal(w->state.missed_visits, 0);
    assert_int_equal(w->state.last_word.at, t + 4);
    free(w);
}

/* Unknown kinds, and times that no event can have, change nothing that is judged. */
static void test_what_changes_nothing(void **unused) {
    (void)unused;
    static struct care_state before, after;
    struct proto_event event = EV_BARE(note_written, NOON(2026, 3, 1));
    care_state_init(&before);
    care_state_init(&after);
    event.at = PROTO_TIME_MAX + 1;
    care_step(&after, &event, NULL);
    assert_memory_equal(&before, &after, sizeof before);
    event.at = NOON(2026, 3, 1);
    event.kind = PROTO_KIND_UNKNOWN;
    care_step(&after, &event, NULL);
    assert_int_equal(after.event_count, 1);
    assert_false(after.stomas[0].touched);
}

/* The histories that other tests rest on hold every kind. */
static void test_random_histories_hold_every_kind(void **unused) {
    (void)unused;
    uint32_t seen[PROTO_KIND_COUNT] = {0};
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct random_history h;
        random_history_init(&h, seed, 200, RANDOM_VOIDS | RANDOM_CONTEXT);
        for (uint32_t i = 0; i < h.count; i++)
            seen[h.events[i].kind]++;
        random_history_deinit(&h);
    }
    for (int kind = 1; kind < PROTO_KIND_COUNT; kind++)
        assert_true(seen[kind] > 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_reports_of_one_dislodgement_merge),
        cmocka_unit_test(test_removed_and_the_hospital),
        cmocka_unit_test(test_keep_open_keeps_what_is_known_of_the_device),
        cmocka_unit_test(test_a_failed_attempt_before_the_report),
        cmocka_unit_test(test_merged_label),
        cmocka_unit_test(test_signs),
        cmocka_unit_test(test_what_goes_with_the_device),
        cmocka_unit_test(test_lists_are_bounded),
        cmocka_unit_test(test_word_from_the_family),
        cmocka_unit_test(test_what_changes_nothing),
        cmocka_unit_test(test_random_histories_hold_every_kind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
