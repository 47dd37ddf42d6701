/*
 * What was seen at the site: early complications, pain and bleeding, infection, leak, overgranulation.
 */
#include "alerts_world.h"

#define SITE(at, ...) EV(site_checked, at, __VA_ARGS__)
#define S(field, value) F(site_checked, field, value)

/* --- the first 72 hours ---------------------------------------------------------------------------------- */

/* First 72 h, inclusive: NPSA rapid response report on gastrostomy, March 2010 (BMJ 2010;340:c2160): 72:00:00 in, 72:00:01 out. */
static void early_within_seventy_two_hours_of_a_placement(void **unused) {
    (void)unused;
    for (int64_t late = 0; late <= 1000; late += 1) {
        struct world w;
        world_init(&w);
        world_add(&w, world_device(w.t));
        int64_t at = w.t + 72 * EV_HOUR + late;
        world_add(&w, SITE(at, S(pain_on_feeding, 1)));
        assert_int_equal(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, at), late == 0);
        assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, at), late == 0 ? 0 : PROTO_URGENCY_NOW);
        if (late == 1)
            late = 999;
    }
}

static void each_early_sign_and_no_other(void **unused) {
    (void)unused;
    const struct {
        struct ev_field field;
        bool early;
    } signs[] = {
        {S(pain_on_feeding, 1), true},
        {S(pain, PROTO_pain_severe), true},
        {S(pain, PROTO_pain_mild), false},
        {S(bleeding, 1), true},
        {S(discharge, PROTO_discharge_blood), true},
        {S(discharge, PROTO_discharge_green), false},
        {S(leak, PROTO_leak_around), true},
        {S(leak, PROTO_leak_through), false},
        {S(redness, PROTO_redness_red), false},
    };
    for (size_t i = 0; i < sizeof signs / sizeof signs[0]; i++) {
        struct world w;
        world_init(&w);
        world_add(&w, world_device(w.t));
        world_add(&w, EV(site_checked, w.t + EV_HOUR, signs[i].field));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + EV_HOUR),
                         signs[i].early ? PROTO_URGENCY_NOW : 0);
    }
}

static void early_counts_from_put_back_and_from_the_stoma(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, PROTO_yes_no_unknown_yes)));
    world_add(&w, EV(device_put_back, w.t + EV_MIN, F(device_put_back, place, PROTO_place_hospital),
                     F(device_put_back, placed_by, PROTO_placed_by_nurse),
                     F(device_put_back, position, PROTO_position_imaging)));
    world_add(&w, SITE(w.t + 2 * EV_DAY, S(bleeding, 1)));
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 2 * EV_DAY));
    world_init_bare(&w);
    world_add(&w, EV(stoma_formed, w.t, F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                     F(stoma_formed, how, PROTO_how_surgical)));
    world_add(&w, SITE(w.t + 2 * EV_DAY, S(bleeding, 1)));
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 2 * EV_DAY));
}

static void early_settles_by_an_explicit_no_after_an_answered_contact(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_device(w.t));
    world_add(&w, SITE(w.t + EV_HOUR, S(bleeding, 1), S(pain, PROTO_pain_severe)));
    world_add(&w,
              SITE(w.t + 2 * EV_HOUR, S(bleeding, 0), S(pain, PROTO_pain_none))); /* nobody senior has answered yet */
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 2 * EV_HOUR));
    world_add(&w, world_answered(w.t + 3 * EV_HOUR, PROTO_ALERT_EARLY_COMPLICATION));
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 3 * EV_HOUR));
    world_add(&w, SITE(w.t + 4 * EV_HOUR, S(bleeding, 0))); /* pain not said */
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 4 * EV_HOUR));
    world_add(&w, ev_told(SITE(w.t + 5 * EV_HOUR, S(pain, PROTO_pain_none)))); /* told, not seen */
    assert_true(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 5 * EV_HOUR));
    world_add(&w, SITE(w.t + 6 * EV_HOUR, S(bleeding, 0), S(pain, PROTO_pain_none)));
    assert_false(world_open(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 6 * EV_HOUR));
    assert_int_equal(world_ended(&w, PROTO_ALERT_EARLY_COMPLICATION, w.t + 6 * EV_HOUR), CARE_ENDED_SETTLED);
}

/* --- pain, bleeding, infection --------------------------------------------------------------------------------- */

static void pain_is_for_now_and_bleeding_for_today(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(bleeding, 1)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t), PROTO_URGENCY_TODAY);
    world_add(&w, SITE(w.t + EV_HOUR, S(pain_on_feeding, 1)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + EV_HOUR), PROTO_URGENCY_NOW);
    assert_int_equal(world_next(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + EV_HOUR), CARE_NEXT_PAIN_OR_BLEEDING_STOP_FEED);
    world_add(&w, SITE(w.t + 2 * EV_HOUR, S(pain_on_feeding, 0)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 2 * EV_HOUR), PROTO_URGENCY_TODAY);
    world_add(&w,
              SITE(w.t + 3 * EV_HOUR, S(redness, PROTO_redness_none))); /* bleeding not said: absent is not free of */
    assert_true(world_open(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 3 * EV_HOUR));
    world_add(&w, SITE(w.t + 4 * EV_HOUR, S(bleeding, 0)));
    assert_false(world_open(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 4 * EV_HOUR));
    world_init(&w);
    world_add(&w, SITE(w.t, S(pain, PROTO_pain_mild)));
    assert_false(world_open(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t));
}

/* Pink alone is normal: common practice, no source. */
static void infection_signs_each_opens_and_pink_does_not(void **unused) {
    (void)unused;
    const struct {
        struct ev_field field;
        int urgency;
    } signs[] = {
        {S(redness, PROTO_redness_pink), 0},
        {S(redness, PROTO_redness_red), PROTO_URGENCY_TODAY},
        {S(warm, 1), PROTO_URGENCY_TODAY},
        {S(pustule, 1), PROTO_URGENCY_TODAY},
        {S(odour, 1), PROTO_URGENCY_TODAY},
        {S(discharge, PROTO_discharge_green), PROTO_URGENCY_TODAY},
        {S(discharge, PROTO_discharge_yellow), PROTO_URGENCY_TODAY},
        {S(discharge, PROTO_discharge_clear), 0},
        {S(spreading, 1), PROTO_URGENCY_NOW},
    };
    for (size_t i = 0; i < sizeof signs / sizeof signs[0]; i++) {
        struct world w;
        world_init(&w);
        world_add(&w, EV(site_checked, w.t, signs[i].field));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_INFECTION_SIGNS, w.t), signs[i].urgency);
    }
}

/* Fever from 38.0: from memory of the trade. */
static void infection_with_fever_or_severe_pain_is_for_now(void **unused) {
    (void)unused;
    for (int64_t fever = 3790; fever <= 3800; fever += 10) {
        struct world w;
        world_init(&w);
        world_add(&w, SITE(w.t, S(redness, PROTO_redness_red), S(fever_c, fever)));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_INFECTION_SIGNS, w.t),
                         fever < 3800 ? PROTO_URGENCY_TODAY : PROTO_URGENCY_NOW);
        world_add(&w, SITE(w.t + EV_HOUR, S(fever_c, 3700)));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + EV_HOUR), PROTO_URGENCY_TODAY);
    }
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(pustule, 1), S(pain, PROTO_pain_severe)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_INFECTION_SIGNS, w.t), PROTO_URGENCY_NOW);
    world_init(&w);
    world_add(&w, SITE(w.t, S(fever_c, 3950))); /* fever alone is no sign at the site */
    assert_false(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t));
}

static void infection_settles_by_a_no_to_each_sign_that_was_seen(void **unused) {
    (void)unused;
    struct world w;
    char found[CARE_SENTENCE_BYTES];
    world_init(&w);
    world_add(&w, SITE(w.t, S(redness, PROTO_redness_red), S(odour, 1)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_INFECTION_SIGNS, w.t, NULL);
    assert_non_null(alert);
    care_alert_found(alert, found);
    assert_string_equal(found, "Signs of infection at the site: red, odour.");
    world_add(&w, SITE(w.t + EV_DAY, S(redness, PROTO_redness_none), S(warm, 0)));
    assert_true(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + EV_DAY));
    world_add(&w, ev_told(SITE(w.t + 2 * EV_DAY, S(odour, 0))));
    assert_true(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + 2 * EV_DAY));
    world_add(&w, SITE(w.t + 3 * EV_DAY, S(odour, 0)));
    assert_false(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + 3 * EV_DAY));
    assert_int_equal(world_ended(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + 3 * EV_DAY), CARE_ENDED_SETTLED);
}

static void infection_stays_when_the_device_goes(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(warm, 1)));
    world_add(&w, world_device(w.t + EV_DAY));
    assert_true(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + EV_DAY));
}

/* --- leak ---------------------------------------------------------------------------------------------------------- */

static void leak_around_needs_a_no_and_a_balloon_in_range(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(leak, PROTO_leak_around)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_LEAK_AROUND, w.t), PROTO_URGENCY_SOON);
    assert_int_equal(world_next(&w, PROTO_ALERT_LEAK_AROUND, w.t), CARE_NEXT_LEAK_AROUND_CHECK_BALLOON);
    world_add(&w, SITE(w.t + EV_DAY, S(leak, PROTO_leak_none)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_LEAK_AROUND, w.t + EV_DAY, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_LEAK_AROUND_UNCHECKED);
    world_add(&w, world_check(w.t + 2 * EV_DAY, 440, 500)); /* low */
    assert_true(world_open(&w, PROTO_ALERT_LEAK_AROUND, w.t + 2 * EV_DAY));
    world_add(&w, world_check(w.t + 3 * EV_DAY, 500, 500));
    assert_false(world_open(&w, PROTO_ALERT_LEAK_AROUND, w.t + 3 * EV_DAY));
}

static void leak_around_in_a_new_stoma_leaves_the_balloon_until_its_day(void **unused) {
    (void)unused;
    struct world w;
    world_init_bare(&w);
    int64_t formed = ev_time(2026, 3, 1);
    world_add(&w, EV(stoma_formed, formed, F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                     F(stoma_formed, how, PROTO_how_surgical)));
    world_add(&w, world_device(formed));
    world_add(&w, SITE(formed + 5 * EV_DAY, S(leak, PROTO_leak_around)));
    assert_int_equal(world_next(&w, PROTO_ALERT_LEAK_AROUND, formed + 14 * EV_DAY - 1), CARE_NEXT_LEAK_AROUND_CALL);
    assert_int_equal(world_next(&w, PROTO_ALERT_LEAK_AROUND, formed + 14 * EV_DAY),
                     CARE_NEXT_LEAK_AROUND_CHECK_BALLOON);
}

static void leak_through_is_the_valve_until_the_device_goes(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(leak, PROTO_leak_through)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_VALVE_LEAK, w.t), PROTO_URGENCY_SOON);
    assert_false(world_open(&w, PROTO_ALERT_LEAK_AROUND, w.t));
    world_add(&w, SITE(w.t + EV_DAY, S(leak, PROTO_leak_none)));
    assert_true(world_open(&w, PROTO_ALERT_VALVE_LEAK, w.t + EV_DAY));
    world_add(&w, world_device(w.t + 2 * EV_DAY));
    assert_false(world_open(&w, PROTO_ALERT_VALVE_LEAK, w.t + 2 * EV_DAY));
}

/* --- overgranulation ------------------------------------------------------------------------------------------------- */

/* No better at 7 days: BC Children's. */
static void overgranulation_is_called_about_after_seven_days(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, SITE(w.t, S(overgranulation, 1)));
    int64_t day = ev_time(2026, 3, 8);
    assert_int_equal(world_next(&w, PROTO_ALERT_OVERGRANULATION, day - 1), CARE_NEXT_OVERGRANULATION_WATCH);
    assert_int_equal(world_next(&w, PROTO_ALERT_OVERGRANULATION, day), CARE_NEXT_OVERGRANULATION_CALL);
    assert_int_equal(world_urgency(&w, PROTO_ALERT_OVERGRANULATION, day), PROTO_URGENCY_SOON);
    world_add(&w, SITE(day, S(overgranulation, 0)));
    assert_false(world_open(&w, PROTO_ALERT_OVERGRANULATION, day));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(early_within_seventy_two_hours_of_a_placement),
        cmocka_unit_test(each_early_sign_and_no_other),
        cmocka_unit_test(early_counts_from_put_back_and_from_the_stoma),
        cmocka_unit_test(early_settles_by_an_explicit_no_after_an_answered_contact),
        cmocka_unit_test(pain_is_for_now_and_bleeding_for_today),
        cmocka_unit_test(infection_signs_each_opens_and_pink_does_not),
        cmocka_unit_test(infection_with_fever_or_severe_pain_is_for_now),
        cmocka_unit_test(infection_settles_by_a_no_to_each_sign_that_was_seen),
        cmocka_unit_test(infection_stays_when_the_device_goes),
        cmocka_unit_test(leak_around_needs_a_no_and_a_balloon_in_range),
        cmocka_unit_test(leak_around_in_a_new_stoma_leaves_the_balloon_until_its_day),
        cmocka_unit_test(leak_through_is_the_valve_until_the_device_goes),
        cmocka_unit_test(overgranulation_is_called_about_after_seven_days),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
