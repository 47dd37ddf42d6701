/* tasks_device_test.c - tasks about the balloon, the device and the site: each date at both sides of its boundaries. */
#include "tasks_world.h"

/* Weekly: common practice, no source; hospital leaflets agree. */
static void test_balloon_check_weekly(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, formed(NOON(2025, 1, 10), DAY(2025, 1, 10)));
    add(w, button(NOON(2026, 3, 2)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 9), DAY(2026, 3, 10));
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->why, CARE_WHY_FIRST);
    add(w, check(NOON(2026, 3, 5), 500, 500));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 12), DAY(2026, 3, 13));
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->last_done_at, NOON(2026, 3, 5));
    assert_int_equal(state_at(w, PROTO_TASK_BALLOON_CHECK, 1, ev_time(2026, 3, 12) - 1), CARE_TASK_UPCOMING);
    assert_int_equal(state_at(w, PROTO_TASK_BALLOON_CHECK, 1, ev_time(2026, 3, 12)), CARE_TASK_DUE);
    assert_int_equal(state_at(w, PROTO_TASK_BALLOON_CHECK, 1, ev_time(2026, 3, 13) - 1), CARE_TASK_DUE);
    assert_int_equal(state_at(w, PROTO_TASK_BALLOON_CHECK, 1, ev_time(2026, 3, 13)), CARE_TASK_OVERDUE);
    /* stuck, or not filled again: not checked */
    add(w, EV(balloon_checked, NOON(2026, 3, 12), F(balloon_checked, stuck, 1)));
    add(w, EV(balloon_checked, NOON(2026, 3, 12) + 1, F(balloon_checked, withdrawn_ml, 500),
              F(balloon_checked, left_empty, 1)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 12), DAY(2026, 3, 13));
    /* any completion starts the interval again, early or late */
    add(w, check(NOON(2026, 3, 20), 500, 500));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 27), DAY(2026, 3, 28));
    /* a new device starts afresh */
    add(w, button(NOON(2026, 3, 22)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 29), DAY(2026, 3, 30));
    add(w, EV(tube_out, NOON(2026, 3, 23), F(tube_out, trained_present, PROTO_yes_no_unknown_no)));
    expect_none(w, PROTO_TASK_BALLOON_CHECK, 1);
    free(w);
}

/* Day 14: Newcastle Hospitals leaflet; day 28: Cambridge University Hospitals leaflet. */
static void test_first_check_of_a_new_stoma(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    w->policy.value[PROTO_POLICY_BALLOON_FIRST_CHECK_DAYS] = 2800;
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 29), DAY(2026, 3, 30));
    w->policy.value[PROTO_POLICY_BALLOON_FIRST_CHECK_DAYS] = 1400;
    /* drawn too early and low: the recheck, too, keeps to the day */
    add(w, check(NOON(2026, 3, 5), 400, 500));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    expect(w, PROTO_TASK_BALLOON_RECHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    add(w, check(NOON(2026, 3, 15), 500, 500));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 22), DAY(2026, 3, 23));
    free(w);
    /* registered long after: one interval from then */
    w = begin(NOON(2026, 3, 20));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 27), DAY(2026, 3, 28));
    free(w);
    /* a stoma of unknown age is mature here */
    w = begin(NOON(2026, 3, 1));
    add(w, EV(stoma_formed, NOON(2026, 3, 1), F(stoma_formed, precision, PROTO_precision_unknown),
              F(stoma_formed, how, PROTO_how_unknown)));
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    free(w);
}

/* More than 0.5 mL missing: SickKids Connected Care, changing balloon G tubes. 4.0 in, 3.5 out: no; 3.4 out: yes. */
static void test_recheck_after_a_low_check(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, formed(NOON(2025, 1, 10), DAY(2025, 1, 10)));
    add(w, button(NOON(2026, 3, 1)));
    add(w, check(NOON(2026, 3, 8), 500, 400));
    add(w, check(NOON(2026, 3, 9), 350, 400));
    expect_none(w, PROTO_TASK_BALLOON_RECHECK, 1);
    add(w, check(NOON(2026, 3, 10), 340, 400));
    expect(w, PROTO_TASK_BALLOON_RECHECK, 1, DAY(2026, 3, 11), DAY(2026, 3, 12));
    add(w, EV(balloon_checked, NOON(2026, 3, 11), F(balloon_checked, stuck, 1)));
    add(w, deferred(NOON(2026, 3, 11), "balloon-recheck", DAY(2026, 3, 13)));
    expect(w, PROTO_TASK_BALLOON_RECHECK, 1, DAY(2026, 3, 11), DAY(2026, 3, 12)); /* never deferred */
    add(w, check(NOON(2026, 3, 12), 400, 400));
    expect_none(w, PROTO_TASK_BALLOON_RECHECK, 1);
    /* the child's own limit */
    add(w, check(NOON(2026, 3, 13), 320, 400));
    expect(w, PROTO_TASK_BALLOON_RECHECK, 1, DAY(2026, 3, 14), DAY(2026, 3, 15));
    add(w, EV(plan_set, NOON(2026, 3, 13), F(plan_set, policy, PROTO_POLICY_BALLOON_LOSS_ML), F(plan_set, value, 80)));
    expect_none(w, PROTO_TASK_BALLOON_RECHECK, 1);
    free(w);
    /* no fill known: the prescribed volume, as it was then */
    w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2026, 3, 1)));
    add(w, check(NOON(2026, 3, 8), 450, 500));
    expect_none(w, PROTO_TASK_BALLOON_RECHECK, 1);
    w->count--;
    add(w, check(NOON(2026, 3, 8), 449, 500));
    expect(w, PROTO_TASK_BALLOON_RECHECK, 1, DAY(2026, 3, 9), DAY(2026, 3, 10));
    add(w, EV(device_prescribed, NOON(2026, 3, 7), F(device_prescribed, balloon_ml, 400)));
    expect_none(w, PROTO_TASK_BALLOON_RECHECK, 1);
    free(w);
}

/* Extension set weekly: common practice, no source. */
static void test_extension_change(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_EXTENSION_CHANGE, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    add(w, did(NOON(2026, 3, 4), PROTO_care_item_extension_change));
    expect(w, PROTO_TASK_EXTENSION_CHANGE, 1, DAY(2026, 3, 11), DAY(2026, 3, 12));
    add(w, did(NOON(2026, 3, 5), PROTO_care_item_extension_wash)); /* washing is not changing */
    expect(w, PROTO_TASK_EXTENSION_CHANGE, 1, DAY(2026, 3, 11), DAY(2026, 3, 12));
    add(w, placed(NOON(2026, 3, 6), PROTO_retention_balloon, PROTO_profile_long, PROTO_tip_stomach));
    expect_none(w, PROTO_TASK_EXTENSION_CHANGE, 1);
    free(w);
}

/* 3 to 4 months: common practice, no source; bumper and jejunum: hospital guidelines. Overdue from midnight after the date. */
static void test_device_change_windows(void **unused) {
    (void)unused;
    static const struct {
        int retention, profile, tip, due[3], by[3];
    } rows[] = {
        {PROTO_retention_balloon, PROTO_profile_low, PROTO_tip_stomach, {2026, 4, 30}, {2026, 5, 31}},
        {PROTO_retention_balloon, PROTO_profile_low, PROTO_tip_jejunum, {2026, 4, 30}, {2026, 7, 31}},
        {PROTO_retention_bumper, PROTO_profile_long, PROTO_tip_stomach, {2027, 7, 31}, {2028, 1, 31}},
        {PROTO_retention_bumper, PROTO_profile_low, PROTO_tip_stomach, {2027, 1, 31}, {2028, 1, 31}},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct world *w = begin(NOON(2025, 6, 1));
        add(w, placed(NOON(2026, 1, 31), rows[i].retention, rows[i].profile, rows[i].tip));
        expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(rows[i].due[0], rows[i].due[1], rows[i].due[2]),
               DAY(rows[i].by[0], rows[i].by[1], rows[i].by[2]) + 1);
        free(w);
    }
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, placed(NOON(2026, 1, 31), PROTO_retention_other, PROTO_profile_low, PROTO_tip_stomach));
    expect_none(w, PROTO_TASK_DEVICE_CHANGE, 1); /* only as prescribed */
    add(w, EV(device_prescribed, NOON(2026, 2, 1), F(device_prescribed, change_months, 6)));
    expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(2026, 7, 31), DAY(2026, 8, 31) + 1);
    assert_int_equal(find(w, PROTO_TASK_DEVICE_CHANGE, 1)->why, CARE_WHY_PRESCRIBED);
    add(w, plan_every(NOON(2026, 2, 2), PROTO_TASK_DEVICE_CHANGE, 30)); /* the prescription beats the plan */
    expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(2026, 7, 31), DAY(2026, 8, 31) + 1);
    free(w);
}

/* 30 Nov 2025 + 3 = 28 Feb 2026: calc, as dateutil's relativedelta has it. */
static void test_device_change_month_ends(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2025, 11, 30)));
    expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(2026, 2, 28), DAY(2026, 3, 30) + 1);
    free(w);
    w = begin(NOON(2025, 6, 1));
    add(w, placed(NOON(2024, 2, 29), PROTO_retention_bumper, PROTO_profile_low, PROTO_tip_stomach));
    expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(2025, 2, 28), DAY(2026, 2, 28) + 1);
    free(w);
}

static void test_device_change_booked(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2026, 1, 10)));
    add(w, EV(appointment_booked, NOON(2026, 3, 1), F(appointment_booked, for, PROTO_appointment_for_device_change),
              F(appointment_booked, on, DAY(2026, 5, 10)))); /* the last day of the window */
    assert_int_equal(state_at(w, PROTO_TASK_DEVICE_CHANGE, 1, NOON(2026, 4, 20)), CARE_TASK_UPCOMING);
    assert_int_equal(state_at(w, PROTO_TASK_DEVICE_CHANGE, 1, ev_time(2026, 5, 11) - 1), CARE_TASK_UPCOMING);
    assert_int_equal(state_at(w, PROTO_TASK_DEVICE_CHANGE, 1, ev_time(2026, 5, 11)), CARE_TASK_OVERDUE);
    add(w, EV(appointment_booked, NOON(2026, 3, 2), F(appointment_booked, for, PROTO_appointment_for_device_change),
              F(appointment_booked, on, DAY(2026, 5, 11)))); /* too late */
    assert_int_equal(state_at(w, PROTO_TASK_DEVICE_CHANGE, 1, NOON(2026, 4, 20)), CARE_TASK_DUE);
    free(w);
}

static void test_two_stomas(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, placed(NOON(2026, 3, 1), PROTO_retention_bumper, PROTO_profile_low, PROTO_tip_stomach));
    add(w, ev_second(button(NOON(2026, 3, 3))));
    expect_none(w, PROTO_TASK_BALLOON_CHECK, 1);
    expect(w, PROTO_TASK_BALLOON_CHECK, 2, DAY(2026, 3, 10), DAY(2026, 3, 11));
    add(w, ev_second(EV_BARE(stoma_closed, NOON(2026, 3, 5))));
    expect_none(w, PROTO_TASK_BALLOON_CHECK, 2);
    expect(w, PROTO_TASK_EXTENSION_CHANGE, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    free(w);
}

/* Only where the plan asks for it; turning from day 14: Newcastle Hospitals leaflet; never with the tip in the jejunum. */
static void test_rotate(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    add(w, button(NOON(2026, 3, 1)));
    expect_none(w, PROTO_TASK_ROTATE, 1);
    add(w, plan_every(NOON(2026, 3, 2), PROTO_TASK_ROTATE, 1));
    expect(w, PROTO_TASK_ROTATE, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    add(w, did(NOON(2026, 3, 15), PROTO_care_item_rotate));
    expect(w, PROTO_TASK_ROTATE, 1, DAY(2026, 3, 16), DAY(2026, 3, 17));
    add(w, placed(NOON(2026, 3, 16), PROTO_retention_balloon, PROTO_profile_low, PROTO_tip_jejunum));
    expect_none(w, PROTO_TASK_ROTATE, 1);
    add(w, did(NOON(2026, 3, 17), PROTO_care_item_rotate));
    look(w);
    assert_int_equal(w->state.stomas[0].care_done[PROTO_care_item_rotate].at, NOON(2026, 3, 15)); /* not counted */
    free(w);
    /* not while the stitches are in */
    w = begin(NOON(2026, 3, 1));
    add(w, EV(stoma_formed, NOON(2026, 3, 1), F(stoma_formed, formed_on, DAY(2026, 3, 1)),
              F(stoma_formed, how, PROTO_how_surgical), F(stoma_formed, stitches_out_on, DAY(2026, 3, 20))));
    add(w, button(NOON(2026, 3, 1)));
    add(w, plan_every(NOON(2026, 3, 2), PROTO_TASK_ROTATE, 1));
    expect_none(w, PROTO_TASK_ROTATE, 1);
    expect(w, PROTO_TASK_STITCHES_OUT, 1, DAY(2026, 3, 20), DAY(2026, 3, 21));
    add(w, done(NOON(2026, 3, 19), "stitches-out"));
    expect(w, PROTO_TASK_ROTATE, 1, DAY(2026, 3, 19), DAY(2026, 3, 20));
    expect_none(w, PROTO_TASK_STITCHES_OUT, 1);
    free(w);
}

static void test_dressing_only_while_it_leaks(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2026, 3, 1)));
    add(w, plan_every(NOON(2026, 3, 1), PROTO_TASK_DRESSING, 1));
    expect_none(w, PROTO_TASK_DRESSING, 1);
    add(w, EV(site_checked, NOON(2026, 3, 3), F(site_checked, leak, PROTO_leak_around)));
    expect(w, PROTO_TASK_DRESSING, 1, DAY(2026, 3, 4), DAY(2026, 3, 5));
    add(w, did(NOON(2026, 3, 4), PROTO_care_item_dressing));
    expect(w, PROTO_TASK_DRESSING, 1, DAY(2026, 3, 5), DAY(2026, 3, 6));
    add(w, ev_told(EV(site_checked, NOON(2026, 3, 5), F(site_checked, leak, PROTO_leak_none)))); /* told is not seen */
    expect(w, PROTO_TASK_DRESSING, 1, DAY(2026, 3, 5), DAY(2026, 3, 6));
    add(w, EV(site_checked, NOON(2026, 3, 6), F(site_checked, leak, PROTO_leak_none)));
    expect_none(w, PROTO_TASK_DRESSING, 1);
    free(w);
}

/* Stoma under 42 days, or a child that pulls at the device: common practice, no source. */
static void test_taping(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_TAPING, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    add(w, did(NOON(2026, 4, 4), PROTO_care_item_taping)); /* next on day 41 */
    expect(w, PROTO_TASK_TAPING, 1, DAY(2026, 4, 11), DAY(2026, 4, 12));
    add(w, did(NOON(2026, 4, 5), PROTO_care_item_taping)); /* next on day 42: no more */
    expect_none(w, PROTO_TASK_TAPING, 1);
    add(w, EV(patient_revised, NOON(2026, 4, 6), F(patient_revised, active, 1)));
    expect(w, PROTO_TASK_TAPING, 1, DAY(2026, 4, 12), DAY(2026, 4, 13));
    free(w);
}

static void test_site_care_as_planned(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, button(NOON(2026, 3, 1)));
    expect_none(w, PROTO_TASK_SITE_CARE, 1);
    struct proto_event plan = plan_every(NOON(2026, 3, 2), PROTO_TASK_SITE_CARE, 1);
    plan.body[PROTO_FIELD_plan_set_weekdays] = (struct proto_value){
        .present = true, .type = PROTO_TYPE_CHOICES, .set = EV_BIT(PROTO_weekday_mon) | EV_BIT(PROTO_weekday_thu)};
    plan.body[PROTO_FIELD_plan_set_until] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_DATE, .n = DAY(2026, 3, 12)};
    add(w, plan);
    expect(w, PROTO_TASK_SITE_CARE, 1, DAY(2026, 3, 5), DAY(2026, 3, 6)); /* 2026-03-02 was a Monday */
    add(w, did(NOON(2026, 3, 5), PROTO_care_item_site_care));
    expect(w, PROTO_TASK_SITE_CARE, 1, DAY(2026, 3, 9), DAY(2026, 3, 10));
    add(w, did(NOON(2026, 3, 11), PROTO_care_item_site_care));
    expect(w, PROTO_TASK_SITE_CARE, 1, DAY(2026, 3, 12), DAY(2026, 3, 13)); /* until, inclusive */
    add(w, did(NOON(2026, 3, 12), PROTO_care_item_site_care));
    expect_none(w, PROTO_TASK_SITE_CARE, 1);
    free(w);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_balloon_check_weekly),
        cmocka_unit_test(test_first_check_of_a_new_stoma),
        cmocka_unit_test(test_recheck_after_a_low_check),
        cmocka_unit_test(test_extension_change),
        cmocka_unit_test(test_device_change_windows),
        cmocka_unit_test(test_device_change_month_ends),
        cmocka_unit_test(test_device_change_booked),
        cmocka_unit_test(test_two_stomas),
        cmocka_unit_test(test_rotate),
        cmocka_unit_test(test_dressing_only_while_it_leaks),
        cmocka_unit_test(test_taping),
        cmocka_unit_test(test_site_care_as_planned),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
