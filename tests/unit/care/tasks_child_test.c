/* tasks_child_test.c - tasks about the child and its carers, and what moves any task: stays, deferrals, plans. */
#include "tasks_world.h"

static struct proto_event stay(int64_t at, int where) {
    return EV(stay_started, at, F(stay_started, where, where));
}

static struct proto_event weekly(int64_t at, int32_t since) {
    return EV(care_done, at, F(care_done, items, EV_BIT(PROTO_care_item_site_care)), F(care_done, since, since));
}

/* Weekly, one day of grace: from memory of the trade. */
static void test_weekly_contact(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    expect(w, PROTO_TASK_WEEKLY_CONTACT, 0, DAY(2026, 3, 8), DAY(2026, 3, 10));
    add(w, weekly(NOON(2026, 3, 7), DAY(2026, 3, 1)));
    expect(w, PROTO_TASK_WEEKLY_CONTACT, 0, DAY(2026, 3, 14), DAY(2026, 3, 16));
    add(w, did(NOON(2026, 3, 9), PROTO_care_item_site_care)); /* without the carer's word for the days between */
    expect(w, PROTO_TASK_WEEKLY_CONTACT, 0, DAY(2026, 3, 14), DAY(2026, 3, 16));
    free(w);
}

/* NPSA Signal, 28 Feb 2012: carers without a spare; 30 days and 7 of grace from memory of the trade. */
static void test_spare_check(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    expect_none(w, PROTO_TASK_SPARE_CHECK, 1); /* no stoma, no spare */
    add(w, button(NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_SPARE_CHECK, 1, DAY(2026, 3, 31), DAY(2026, 4, 8));
    struct proto_event count = EV(spare_counted, NOON(2026, 3, 10), F(spare_counted, place, PROTO_spare_place_home),
                                  F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1));
    add(w, count);
    expect(w, PROTO_TASK_SPARE_CHECK, 1, DAY(2026, 4, 9), DAY(2026, 4, 17));
    struct proto_event used = button(NOON(2026, 3, 12));
    used.body[PROTO_FIELD_device_placed_from_spare] = (struct proto_value){.present = true, .n = 1};
    add(w, used);
    expect(w, PROTO_TASK_SPARE_CHECK, 1, DAY(2026, 3, 12), DAY(2026, 3, 20)); /* at once */
    assert_int_equal(find(w, PROTO_TASK_SPARE_CHECK, 1)->why, CARE_WHY_SPARE_USED);
    count.at = NOON(2026, 3, 13);
    count.id.bytes[15] ^= 1;
    add(w, count);
    expect(w, PROTO_TASK_SPARE_CHECK, 1, DAY(2026, 4, 12), DAY(2026, 4, 20));
    free(w);
}

static struct proto_event weighed(int64_t at) {
    return EV(weight_measured, at, F(weight_measured, weight_kg, 900));
}

/* Under 3 months weekly, under 2 years monthly, else quarterly: from memory of the trade. */
static void test_weight_by_age(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    w->events[0].body[PROTO_FIELD_patient_registered_born].n = DAY(2026, 1, 15);
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2026, 3, 8), DAY(2026, 3, 23));
    add(w, weighed(NOON(2026, 4, 14))); /* the last day under 3 months */
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2026, 4, 21), DAY(2026, 5, 6));
    add(w, weighed(NOON(2026, 4, 15)));
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2026, 5, 15), DAY(2026, 5, 30));
    add(w, weighed(NOON(2028, 1, 14)));
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2028, 2, 14), DAY(2028, 2, 29));
    add(w, weighed(NOON(2028, 1, 15)));
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2028, 4, 15), DAY(2028, 4, 30));
    add(w, plan_every(NOON(2028, 1, 16), PROTO_TASK_WEIGHT, 14));
    expect(w, PROTO_TASK_WEIGHT, 0, DAY(2028, 1, 29), DAY(2028, 2, 13));
    free(w);
}

static struct proto_event trained(int64_t at, const char *carer, int skill) {
    return EV(carer_trained, at, F_TEXT(carer_trained, carer, carer), F(carer_trained, skill, skill),
              F(carer_trained, level, PROTO_skill_level_signed_off));
}

/* 12 months, 14 days of grace: from memory of the trade. */
static void test_training(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2024, 1, 1));
    add(w, trained(NOON(2024, 2, 29), "Ann", PROTO_skill_emergency_steps));
    expect(w, PROTO_TASK_TRAINING, 0, DAY(2025, 2, 28), DAY(2025, 3, 15));
    assert_string_equal(find(w, PROTO_TASK_TRAINING, 0)->title, "Renew training in emergency-steps: Ann");
    struct proto_event renewed = trained(NOON(2025, 2, 1), "Ann", PROTO_skill_emergency_steps);
    renewed.body[PROTO_FIELD_carer_trained_until] = (struct proto_value){.present = true, .n = DAY(2025, 8, 1)};
    add(w, renewed);
    expect(w, PROTO_TASK_TRAINING, 0, DAY(2025, 8, 1), DAY(2025, 8, 16));
    add(w, EV(carer_left, NOON(2025, 3, 1), F_TEXT(carer_left, carer, "Ann")));
    expect_none(w, PROTO_TASK_TRAINING, 0);
    free(w);
}

static void test_hospital_stay_hides_and_moves(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 3, 1)));
    add(w, stay(NOON(2026, 3, 5), PROTO_stay_where_respite)); /* does not pause */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    add(w, stay(NOON(2026, 3, 6), PROTO_stay_where_hospital));
    look(w);
    assert_int_equal(w->schedule.task_count, 0);
    add(w, EV(stay_ended, NOON(2026, 3, 20), F(stay_ended, where, PROTO_stay_where_hospital)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 20), DAY(2026, 3, 21)); /* the day of return */
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->why, CARE_WHY_RETURN);
    expect(w, PROTO_TASK_DEVICE_CHANGE, 1, DAY(2026, 6, 1), DAY(2026, 7, 2)); /* its old date is later */
    expect(w, PROTO_TASK_RETURN_CHECK, 0, DAY(2026, 3, 21), DAY(2026, 3, 22));
    expect_none(w, PROTO_TASK_FIRST_VISIT, 0);
    add(w, done(NOON(2026, 3, 20) - EV_HOUR, "return-check")); /* before the return: not this one */
    expect(w, PROTO_TASK_RETURN_CHECK, 0, DAY(2026, 3, 21), DAY(2026, 3, 22));
    add(w, done(NOON(2026, 3, 20) + EV_HOUR, "return-check"));
    expect_none(w, PROTO_TASK_RETURN_CHECK, 0);
    free(w);
}

static void test_first_visit_after_the_stoma_was_formed(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, stay(NOON(2026, 3, 1), PROTO_stay_where_hospital));
    add(w, formed(NOON(2026, 3, 2), DAY(2026, 3, 2)));
    add(w, button(NOON(2026, 3, 2)));
    add(w, EV_BARE(stay_ended, NOON(2026, 3, 9)));
    expect(w, PROTO_TASK_FIRST_VISIT, 0, DAY(2026, 3, 10), DAY(2026, 3, 11));
    expect_none(w, PROTO_TASK_RETURN_CHECK, 0);
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 16), DAY(2026, 3, 17)); /* still never before day 14 */
    add(w, done(NOON(2026, 3, 10), "first-visit"));
    expect_none(w, PROTO_TASK_FIRST_VISIT, 0);
    free(w);
}

static void test_hospital_follow_up(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 2, 1)));
    add(w, EV_BARE(hospital_reached, NOON(2026, 3, 1)));
    expect(w, PROTO_TASK_HOSPITAL_FOLLOW_UP, 0, DAY(2026, 3, 2), DAY(2026, 3, 3));
    add(w, done(NOON(2026, 3, 1) + 1, "hospital-follow-up"));
    expect_none(w, PROTO_TASK_HOSPITAL_FOLLOW_UP, 0);
    free(w);
}

/* A fixed date counts as done up to 2 days early: from memory of the trade. */
static void test_fixed_dates_done_early(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, EV(stoma_formed, NOON(2026, 2, 1), F(stoma_formed, formed_on, DAY(2026, 2, 1)),
              F(stoma_formed, how, PROTO_how_surgical), F(stoma_formed, stitches_out_on, DAY(2026, 2, 15))));
    add(w, done(NOON(2026, 2, 12), "stitches-out")); /* three days early */
    expect(w, PROTO_TASK_STITCHES_OUT, 1, DAY(2026, 2, 15), DAY(2026, 2, 16));
    add(w, done(NOON(2026, 2, 13), "stitches-out"));
    expect_none(w, PROTO_TASK_STITCHES_OUT, 1);
    free(w);
}

static void test_added_tasks(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    struct proto_event once = EV(task_added, NOON(2026, 3, 1), F_TEXT(task_added, task, "swim"),
                                 F_TEXT(task_added, title, "Ask about swimming"), F(task_added, due, DAY(2026, 3, 10)));
    add(w, once);
    expect(w, PROTO_TASK_ADDED, 0, DAY(2026, 3, 10), DAY(2026, 3, 11));
    assert_string_equal(find(w, PROTO_TASK_ADDED, 0)->title, "Ask about swimming");
    assert_string_equal(find(w, PROTO_TASK_ADDED, 0)->name, "swim");
    add(w, EV(task_given, NOON(2026, 3, 2), F_TEXT(task_given, task, "swim"), F_TEXT(task_given, to, "Sam")));
    assert_string_equal(find(w, PROTO_TASK_ADDED, 0)->given_to, "Sam");
    add(w, deferred(NOON(2026, 3, 2), "swim", DAY(2026, 6, 1))); /* free of limits */
    expect(w, PROTO_TASK_ADDED, 0, DAY(2026, 6, 1), DAY(2026, 6, 2));
    add(w, done(NOON(2026, 3, 7), "swim")); /* three days early: deferred no more, but not done */
    expect(w, PROTO_TASK_ADDED, 0, DAY(2026, 3, 10), DAY(2026, 3, 11));
    add(w, done(NOON(2026, 3, 8), "swim"));
    expect_none(w, PROTO_TASK_ADDED, 0);
    add(w, EV(task_added, NOON(2026, 3, 9), F_TEXT(task_added, task, "swim"), F_TEXT(task_added, title, "Swimming"),
              F(task_added, due, DAY(2026, 3, 12)), F(task_added, every_days, 30)));
    expect(w, PROTO_TASK_ADDED, 0, DAY(2026, 3, 12), DAY(2026, 3, 13));
    add(w, done(NOON(2026, 3, 9) + 1, "swim"));
    expect(w, PROTO_TASK_ADDED, 0, DAY(2026, 4, 8), DAY(2026, 4, 9)); /* an interval starts again at any completion */
    add(w, EV(task_added, NOON(2026, 3, 9), F_TEXT(task_added, task, "weight"), F_TEXT(task_added, title, "x"),
              F(task_added, due, DAY(2026, 3, 12))));
    look(w);
    assert_int_equal(w->state.added_count, 1); /* the names of the house cannot be taken */
    free(w);
}

/* At most 7 days and twice for balloon-check, device-change, spare-check, training: from memory of the trade. */
static void test_deferral_limits(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 3, 1)));                                      /* check due 8 March */
    add(w, deferred(NOON(2026, 3, 6), "balloon-check", DAY(2026, 3, 16))); /* 8 days: as if not written */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    add(w, deferred(NOON(2026, 3, 7), "balloon-check", DAY(2026, 3, 10)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 10), DAY(2026, 3, 11));
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->deferred_until, DAY(2026, 3, 10));
    struct proto_event second = deferred(NOON(2026, 3, 8), "balloon-check", DAY(2026, 3, 15));
    assert_true(care_defer_allowed(&w->state, &w->context, &second)); /* 7 days */
    second.body[PROTO_FIELD_task_deferred_until].n = DAY(2026, 3, 16);
    assert_false(care_defer_allowed(&w->state, &w->context, &second));
    second.body[PROTO_FIELD_task_deferred_until].n = DAY(2026, 3, 14);
    add(w, second);
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 14), DAY(2026, 3, 15));
    struct proto_event third = deferred(NOON(2026, 3, 9), "balloon-check", DAY(2026, 3, 15));
    assert_false(care_defer_allowed(&w->state, &w->context, &third)); /* a third time */
    add(w, third);
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 14), DAY(2026, 3, 15));
    struct proto_event never = deferred(NOON(2026, 3, 9), "balloon-recheck", DAY(2026, 3, 15));
    assert_false(care_defer_allowed(&w->state, &w->context, &never));
    struct proto_event always = deferred(NOON(2026, 3, 9), "weekly-contact", DAY(2026, 6, 15));
    assert_true(care_defer_allowed(&w->state, &w->context, &always));
    add(w, check(NOON(2026, 3, 14), 500, 500)); /* the occurrence is over, and with it its deferrals */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 21), DAY(2026, 3, 22));
    free(w);
}

static struct proto_event with(struct proto_event event, int field, int64_t n) {
    event.body[field] = (struct proto_value){.present = true, .n = n, .set = (uint64_t)n};
    return event;
}

static void test_plan_interval_and_its_end(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 3, 1)));
    struct proto_event plan = plan_every(NOON(2026, 3, 1), PROTO_TASK_BALLOON_CHECK, 14);
    add(w, plan);
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->why, CARE_WHY_PLAN);
    w->count--;
    add(w, with(plan, PROTO_FIELD_plan_set_until, DAY(2026, 3, 15))); /* in force until, inclusive */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    w->count--;
    add(w, with(plan, PROTO_FIELD_plan_set_until,
                DAY(2026, 3, 14))); /* ends first: then the usual rule, which asks at once */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 15), DAY(2026, 3, 16));
    w->count--;
    add(w, with(plan, PROTO_FIELD_plan_set_until, DAY(2026, 3, 4)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    free(w);
}

static void test_plan_off_pauses_weekdays(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 3, 1))); /* a Sunday; check due Sunday 8 March */
    struct proto_event plan = EV(plan_set, NOON(2026, 3, 1), F(plan_set, task, PROTO_TASK_BALLOON_CHECK));
    add(w, with(with(plan, PROTO_FIELD_plan_set_off, 1), PROTO_FIELD_plan_set_until, DAY(2026, 3, 31)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 4, 1), DAY(2026, 4, 2));
    w->count--;
    add(w, with(plan, PROTO_FIELD_plan_set_weekdays, EV_BIT(PROTO_weekday_sun)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 8), DAY(2026, 3, 9));
    w->count--;
    add(w, with(plan, PROTO_FIELD_plan_set_weekdays, EV_BIT(PROTO_weekday_sat)));
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 3, 14), DAY(2026, 3, 15));
    look(w);
    struct care_plan_entry *entry = &w->state.plans[0];
    entry->pause_count = 2; /* pauses that touch one another, not in order, and the weekday inside */
    entry->pauses[0].from = DAY(2026, 3, 15), entry->pauses[0].to = DAY(2026, 3, 20);
    entry->pauses[1].from = DAY(2026, 3, 10), entry->pauses[1].to = DAY(2026, 3, 14);
    care_plan(&w->state, &w->context, &w->schedule);
    assert_int_equal(w->schedule.tasks[0].due_day, DAY(2026, 3, 21));
    entry->until_day = DAY(2026, 3, 18); /* the plan ends inside the pause */
    care_plan(&w->state, &w->context, &w->schedule);
    assert_int_equal(w->schedule.tasks[0].due_day, DAY(2026, 3, 19));
    free(w);
}

static void test_closed_and_reopened(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 2, 1));
    add(w, button(NOON(2026, 2, 1)));
    add(w, EV(patient_closed, NOON(2026, 3, 1), F(patient_closed, reason, PROTO_closed_reason_moved_away)));
    look(w);
    assert_true(w->schedule.closed);
    assert_int_equal(w->schedule.task_count, 0);
    add(w, EV_BARE(patient_reopened, NOON(2026, 5, 1)));
    expect(w, PROTO_TASK_WEEKLY_CONTACT, 0, DAY(2026, 5, 8), DAY(2026, 5, 10)); /* from the reopening */
    free(w);
}

/* An event's date in the zone the child had then, midnights in the present one. */
static void test_dates_of_then_midnights_of_now(void **unused) {
    (void)unused;
    static const struct care_zone list[] = {{.name = "East", .offset_before_s = 12 * 3600},
                                            {.name = "West", .offset_before_s = -8 * 3600}};
    static const struct care_zones zones = {.version = "made", .count = 2, .list = list};
    struct world *w = begin(NOON(2026, 2, 1));
    w->context.zones = &zones;
    w->events[0].body[PROTO_FIELD_patient_registered_zone].text = (struct proto_slice){"East", 4};
    add(w, button(NOON(2026, 3, 1) + EV_HOUR)); /* 2 March there */
    const struct care_task *row = find(w, PROTO_TASK_BALLOON_CHECK, 1);
    assert_int_equal(row->due_day, DAY(2026, 3, 9));
    assert_int_equal(row->due_at, ev_time(2026, 3, 9) - 12 * EV_HOUR);
    add(w, EV(patient_revised, NOON(2026, 3, 3), F_TEXT(patient_revised, zone, "West")));
    row = find(w, PROTO_TASK_BALLOON_CHECK, 1);
    assert_int_equal(row->due_day, DAY(2026, 3, 9));
    assert_int_equal(row->due_at, ev_time(2026, 3, 9) + 8 * EV_HOUR);
    add(w, check(ev_time(2026, 3, 5) + EV_HOUR, 500, 500)); /* still 4 March there */
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->due_day, DAY(2026, 3, 11));
    free(w);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_weekly_contact),
        cmocka_unit_test(test_spare_check),
        cmocka_unit_test(test_weight_by_age),
        cmocka_unit_test(test_training),
        cmocka_unit_test(test_hospital_stay_hides_and_moves),
        cmocka_unit_test(test_first_visit_after_the_stoma_was_formed),
        cmocka_unit_test(test_hospital_follow_up),
        cmocka_unit_test(test_fixed_dates_done_early),
        cmocka_unit_test(test_added_tasks),
        cmocka_unit_test(test_deferral_limits),
        cmocka_unit_test(test_plan_interval_and_its_end),
        cmocka_unit_test(test_plan_off_pauses_weekdays),
        cmocka_unit_test(test_closed_and_reopened),
        cmocka_unit_test(test_dates_of_then_midnights_of_now),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
