/*
 * The device comes out: the decision for every combination of what can hold, its steps in time, and what follows.
 */
#include "alerts_world.h"

/* Limits of 60 and 120 minutes: "1 to 2 h", common practice, no source; published limits go to 2 to 4 h (NHS Scotland Right Decisions) and 4 h
 * (KidsHealth). 30 minutes to try, and none nearer to the limit than 30: from memory of the trade. */
#define AIM_MIN 60
#define LIMIT_MIN 120
#define TRY_MIN 30
#define NEAR_MIN 30

static void decision_is_total(void **unused) {
    (void)unused;
    for (unsigned holds = 0; holds <= CARE_OUT_ALL; holds++) {
        enum care_next next = care_out_next(holds);
        assert_int_equal(care_next_alert(next), PROTO_ALERT_TUBE_OUT);
        assert_int_equal(next == CARE_NEXT_TUBE_OUT_REPLACE,
                         holds == 0); /* anything at all that holds means the hospital */
        assert_true(next != CARE_NEXT_TUBE_OUT_TRIED && next != CARE_NEXT_TUBE_OUT_NEAR &&
                    next != CARE_NEXT_TUBE_OUT_PAST);
        if (holds & CARE_OUT_NO_HOME_CHANGE)
            assert_int_equal(next, CARE_NEXT_TUBE_OUT_NO_HOME_CHANGE);
    }
    assert_int_equal(care_out_next(CARE_OUT_FAILED), CARE_NEXT_TUBE_OUT_FAILED);
    assert_int_equal(care_out_next(CARE_OUT_PAIN_OR_BLEEDING), CARE_NEXT_TUBE_OUT_PAIN_OR_BLEEDING);
    assert_int_equal(care_out_next(CARE_OUT_BALLOON_HURTS | CARE_OUT_PAIN_OR_BLEEDING),
                     CARE_NEXT_TUBE_OUT_BALLOON_HURTS);
    assert_int_equal(care_out_next(CARE_OUT_NOT_TRAINED), CARE_NEXT_TUBE_OUT_NOT_TRAINED);
    assert_int_equal(care_out_next(CARE_OUT_NO_SPARE), CARE_NEXT_TUBE_OUT_NO_SPARE);
    assert_int_equal(care_out_next(CARE_OUT_SPARE_UNFIT), CARE_NEXT_TUBE_OUT_SPARE_UNFIT);
}

static int next_at(const struct care_draft *draft, int64_t at) {
    int next = -1;
    for (uint8_t i = 0; i < draft->alert.step_count && draft->alert.steps[i].from <= at; i++)
        next = draft->alert.steps[i].wording;
    return next;
}

/* What the design says of a moment, written down a second time. */
static int expected(unsigned holds, int64_t since_report, int64_t left) {
    if (left <= 0)
        return CARE_NEXT_TUBE_OUT_PAST;
    if (holds != 0)
        return (int)care_out_next(holds);
    if (since_report >= TRY_MIN * EV_MIN || left < NEAR_MIN * EV_MIN)
        return -2; /* to hospital, because of the time */
    return CARE_NEXT_TUBE_OUT_REPLACE;
}

static void steps_follow_the_clock(void **unused) {
    (void)unused;
    const int64_t report = ev_time(2026, 3, 1);
    for (int64_t before = 0; before <= 150; before += 15) { /* minutes from out to report */
        for (unsigned holds = 0; holds <= CARE_OUT_ALL; holds += 1 + holds / 3) {
            struct care_draft draft = {.alert = {.alert = PROTO_ALERT_TUBE_OUT}};
            int64_t deadline = report - before * EV_MIN + LIMIT_MIN * EV_MIN;
            const struct care_out_clock clock = {report, deadline, TRY_MIN * EV_MIN, NEAR_MIN * EV_MIN};
            care_out_steps(&draft, holds, &clock);
            assert_int_equal(draft.alert.steps[0].from, report);
            for (int64_t at = report; at < report + 200 * EV_MIN; at += EV_MIN) {
                for (int64_t ms = -1; ms <= 1; ms++) {
                    if (at + ms < report)
                        continue;
                    int next = next_at(&draft, at + ms),
                        wanted = expected(holds, at + ms - report, deadline - (at + ms));
                    if (wanted == -2)
                        assert_true(next == CARE_NEXT_TUBE_OUT_TRIED || next == CARE_NEXT_TUBE_OUT_NEAR);
                    else
                        assert_int_equal(next, wanted);
                }
            }
        }
    }
}

static struct proto_event out(int64_t at, int trained, int spare) {
    return EV(tube_out, at, F(tube_out, trained_present, trained), F(tube_out, spare_present, spare));
}

static void replaced_at_home_within_the_time(void **unused) {
    (void)unused;
    struct world w;
    const struct care_alert_step *step = NULL;
    world_init(&w);
    world_add(&w, out(w.t, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t, &step);
    assert_non_null(alert);
    assert_int_equal(step->urgency, PROTO_URGENCY_NOW);
    assert_int_equal(step->wording, CARE_NEXT_TUBE_OUT_REPLACE);
    assert_true(step->home_change);
    assert_int_equal(alert->aim, w.t + AIM_MIN * EV_MIN);
    assert_int_equal(alert->deadline, w.t + LIMIT_MIN * EV_MIN);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 30 * EV_MIN - 1), CARE_NEXT_TUBE_OUT_REPLACE);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 30 * EV_MIN), CARE_NEXT_TUBE_OUT_TRIED);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 120 * EV_MIN - 1), CARE_NEXT_TUBE_OUT_TRIED);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 120 * EV_MIN), CARE_NEXT_TUBE_OUT_PAST);
}

static void clock_runs_from_last_seen(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w,
              EV(tube_out, w.t, F(tube_out, trained_present, PROTO_yes_no_unknown_yes),
                 F(tube_out, spare_present, PROTO_yes_no_unknown_yes), F(tube_out, last_seen_at, w.t - 90 * EV_MIN)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->deadline, w.t + 30 * EV_MIN);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t),
                     CARE_NEXT_TUBE_OUT_REPLACE); /* exactly 30 minutes left is not nearer than 30 */
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 1), CARE_NEXT_TUBE_OUT_NEAR);
    /* a later report of the same dislodgement that saw it last even earlier */
    world_add(&w, EV(tube_out, w.t + EV_MIN, F(tube_out, trained_present, PROTO_yes_no_unknown_yes),
                     F(tube_out, last_seen_at, w.t - 150 * EV_MIN)));
    alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t + EV_MIN, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->since, w.t);
    assert_int_equal(alert->evidence_count, 2);
    assert_int_equal(alert->deadline, w.t - 30 * EV_MIN);
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + EV_MIN), CARE_NEXT_TUBE_OUT_PAST);
}

static void last_seen_before_the_placement_is_the_placement(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_device(w.t - 10 * EV_MIN));
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, PROTO_yes_no_unknown_yes),
                     F(tube_out, last_seen_at, w.t - EV_DAY)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->deadline, w.t - 10 * EV_MIN + LIMIT_MIN * EV_MIN);
}

static void each_reason_leads_to_hospital(void **unused) {
    (void)unused;
    struct world w;
    int yes = PROTO_yes_no_unknown_yes, no = PROTO_yes_no_unknown_no, unknown = PROTO_yes_no_unknown_unknown;
    world_init(&w);
    world_add(&w, out(w.t, no, yes));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_NOT_TRAINED);
    world_init(&w);
    world_add(&w, out(w.t, unknown, yes)); /* not known is never trained */
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_NOT_TRAINED);
    world_init(&w);
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, yes))); /* nothing said of a spare */
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_NO_SPARE);
    world_init(&w);
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, yes), F(tube_out, spare_present, yes),
                     F(tube_out, bleeding, 1)));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_PAIN_OR_BLEEDING);
    world_init(&w);
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, yes), F(tube_out, spare_present, yes),
                     F(tube_out, pain, 1), F(tube_out, balloon, PROTO_out_balloon_filled)));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_BALLOON_HURTS);
    world_init(&w);
    world_add(&w, out(w.t, yes, yes));
    world_add(&w,
              EV(placement_failed, w.t + 5 * EV_MIN, F(placement_failed, attempts, 1),
                 F(placement_failed, placed_by, PROTO_placed_by_carer), F(placement_failed, place, PROTO_place_home)));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t + 5 * EV_MIN), CARE_NEXT_TUBE_OUT_FAILED);
}

static void unfit_spare_means_hospital(void **unused) {
    (void)unused;
    struct world w;
    for (int days = -1; days <= 0; days++) { /* out of date yesterday; today is its last day */
        world_init(&w);
        world_add(&w, EV(spare_counted, w.t - EV_DAY, F(spare_counted, place, PROTO_spare_place_home),
                         F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1),
                         F(spare_counted, expires, ev_day(2026, 3, 1) + days)));
        world_add(&w, out(w.t, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
        assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t),
                         days < 0 ? CARE_NEXT_TUBE_OUT_SPARE_UNFIT : CARE_NEXT_TUBE_OUT_REPLACE);
    }
    world_init(&w);
    world_add(&w, EV(spare_counted, w.t - EV_DAY, F(spare_counted, place, PROTO_spare_place_home),
                     F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1),
                     F(spare_counted, french_fr, 1600)));
    world_add(&w, out(w.t, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, w.t), CARE_NEXT_TUBE_OUT_SPARE_UNFIT);
}

/* 84 days: common practice, no source; published 2 to 12 weeks. Formed 1 Mar 2026: day 84 is 24 May 2026 (calculated). */
static void young_stoma_is_not_replaced_at_home(void **unused) {
    (void)unused;
    for (int day = 83; day <= 85; day++) {
        struct world w;
        world_init_bare(&w);
        world_add(&w, EV(stoma_formed, ev_time(2026, 3, 1), F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                         F(stoma_formed, how, PROTO_how_surgical)));
        world_add(&w, world_device(ev_time(2026, 3, 1) + EV_HOUR));
        int64_t at = ev_time(2026, 3, 1) + day * EV_DAY + 9 * EV_HOUR;
        if (day == 84)
            assert_int_equal(at / EV_DAY, ev_day(2026, 5, 24));
        world_add(&w, out(at, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
        assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_OUT, at),
                         day < 84 ? CARE_NEXT_TUBE_OUT_NO_HOME_CHANGE : CARE_NEXT_TUBE_OUT_REPLACE);
    }
}

static void settled_by_a_device_and_by_nothing_less(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, out(w.t, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
    world_add(&w, world_answered(w.t + EV_MIN, PROTO_ALERT_TUBE_OUT));
    const struct care_alert_step *step = NULL;
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t + 2 * EV_MIN, &step);
    assert_non_null(alert);
    assert_true(step->answered);
    assert_int_equal(step->urgency, PROTO_URGENCY_NOW); /* a running clock is never lowered */
    world_add(&w, world_device(w.t + 20 * EV_MIN));
    assert_false(world_open(&w, PROTO_ALERT_TUBE_OUT, w.t + 20 * EV_MIN));
    assert_int_equal(world_ended(&w, PROTO_ALERT_TUBE_OUT, w.t + 20 * EV_MIN), CARE_ENDED_SETTLED);
    assert_int_equal(world_ended(&w, PROTO_ALERT_TUBE_OUT, w.t + 20 * EV_MIN + 7 * EV_DAY - 1), CARE_ENDED_SETTLED);
    assert_int_equal(world_ended(&w, PROTO_ALERT_TUBE_OUT, w.t + 20 * EV_MIN + 7 * EV_DAY), CARE_ENDED_NOT);
}

static void hospital_stops_the_clock(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, out(w.t, PROTO_yes_no_unknown_no, PROTO_yes_no_unknown_no));
    world_add(&w, EV_BARE(hospital_reached, w.t + 50 * EV_MIN));
    assert_false(world_open(&w, PROTO_ALERT_TUBE_OUT, w.t + 50 * EV_MIN));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_NO_DEVICE, w.t + 50 * EV_MIN), PROTO_URGENCY_TODAY);
    world_add(&w, world_device(w.t + 90 * EV_MIN));
    assert_false(world_open(&w, PROTO_ALERT_NO_DEVICE, w.t + 90 * EV_MIN));
    assert_int_equal(world_ended(&w, PROTO_ALERT_NO_DEVICE, w.t + 90 * EV_MIN), CARE_ENDED_SETTLED);
}

static void catheter_keeps_it_open_and_is_not_fed(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, out(w.t, PROTO_yes_no_unknown_no, PROTO_yes_no_unknown_no));
    struct proto_event catheter = world_device(w.t + 40 * EV_MIN);
    catheter.body[PROTO_FIELD_device_placed_purpose] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_CHOICE, .n = PROTO_purpose_keep_open};
    world_add(&w, catheter);
    assert_false(world_open(&w, PROTO_ALERT_TUBE_OUT, w.t + 40 * EV_MIN));
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_DEVICE, w.t + 40 * EV_MIN), CARE_NEXT_NO_DEVICE_KEEP_OPEN);
}

static void removal_is_a_dislodgement_unless_for_good(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(device_removed, w.t, F_TEXT(device_removed, why, "leaking")));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_TUBE_OUT_REMOVED);
    world_init(&w);
    world_add(&w,
              EV(device_removed, w.t, F_TEXT(device_removed, why, "eats by mouth"), F(device_removed, for_good, 1)));
    assert_false(world_open(&w, PROTO_ALERT_TUBE_OUT, w.t));
}

static void risk_without_feed_stands_beside_the_clock(void **unused) {
    (void)unused;
    struct world w;
    char found[CARE_SENTENCE_BYTES];
    world_init(&w);
    world_add(&w, EV(patient_revised, w.t - EV_DAY, F(patient_revised, hours_without_feed_max, 4),
                     F_TEXT(patient_revised, critical_medicines, "antiepileptic at 8 and 20")));
    world_add(&w, out(w.t, PROTO_yes_no_unknown_yes, PROTO_yes_no_unknown_yes));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_OUT, w.t, NULL);
    assert_non_null(alert);
    care_alert_found(alert, found);
    assert_string_equal(found, "The device has come out of the stoma; the clock runs from 10:00 on 1 Mar 2026. The "
                               "child should not be without "
                               "feed for more than 4 h. Medicines that cannot wait: antiepileptic at 8 and 20.");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decision_is_total),
        cmocka_unit_test(steps_follow_the_clock),
        cmocka_unit_test(replaced_at_home_within_the_time),
        cmocka_unit_test(clock_runs_from_last_seen),
        cmocka_unit_test(last_seen_before_the_placement_is_the_placement),
        cmocka_unit_test(each_reason_leads_to_hospital),
        cmocka_unit_test(unfit_spare_means_hospital),
        cmocka_unit_test(young_stoma_is_not_replaced_at_home),
        cmocka_unit_test(settled_by_a_device_and_by_nothing_less),
        cmocka_unit_test(hospital_stops_the_clock),
        cmocka_unit_test(catheter_keeps_it_open_and_is_not_fed),
        cmocka_unit_test(removal_is_a_dislodgement_unless_for_good),
        cmocka_unit_test(risk_without_feed_stands_beside_the_clock),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
