/* view_test.c - what a schedule says at a moment: levels in their order, steps, quiet spells, the ended, and where it all changes. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "care/care.h"

static struct care_schedule *empty(void) {
    static struct care_schedule schedule;
    memset(&schedule, 0, sizeof schedule);
    schedule.mature_at[0] = schedule.mature_at[1] = schedule.waiting_at = INT64_MAX;
    return &schedule;
}

static struct care_task *task(struct care_schedule *s, int64_t due, int64_t overdue) {
    struct care_task *row = &s->tasks[s->task_count++];
    *row = (struct care_task){.task = PROTO_TASK_WEIGHT, .due_at = due, .overdue_at = overdue};
    return row;
}

static struct care_alert *alert(struct care_schedule *s, int64_t from, uint8_t urgency) {
    struct care_alert *row = &s->alerts[s->alert_count++];
    *row = (struct care_alert){.alert = PROTO_ALERT_TUBE_OUT, .since = from, .step_count = 1};
    row->steps[0] = (struct care_alert_step){.from = from, .urgency = urgency};
    return row;
}

static uint8_t level(const struct care_schedule *s, int64_t now) {
    struct care_view view;
    care_view(s, now, &view);
    return view.level;
}

static void test_levels_in_their_order(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    assert_int_equal(level(s, 0), PROTO_LEVEL_SETTLED);
    alert(s, 100, PROTO_URGENCY_NOTE);
    assert_int_equal(level(s, 99), PROTO_LEVEL_SETTLED);
    assert_int_equal(level(s, 100), PROTO_LEVEL_NOTE);
    task(s, 200, 400);
    assert_int_equal(level(s, 199), PROTO_LEVEL_NOTE);
    assert_int_equal(level(s, 200), PROTO_LEVEL_DUE);
    alert(s, 300, PROTO_URGENCY_SOON);
    assert_int_equal(level(s, 300), PROTO_LEVEL_SOON);
    assert_int_equal(level(s, 399), PROTO_LEVEL_SOON);
    assert_int_equal(level(s, 400), PROTO_LEVEL_OVERDUE);
    alert(s, 500, PROTO_URGENCY_TODAY);
    assert_int_equal(level(s, 500), PROTO_LEVEL_TODAY);
    alert(s, 600, PROTO_URGENCY_NOW);
    assert_int_equal(level(s, 600), PROTO_LEVEL_NOW);
}

static void test_a_booked_task_is_quiet(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    struct care_view view;
    task(s, 100, 200)->quiet_until = 300;
    care_view(s, 299, &view);
    assert_int_equal(view.task_state[0], CARE_TASK_UPCOMING);
    care_view(s, 300, &view);
    assert_int_equal(view.task_state[0], CARE_TASK_OVERDUE);
    assert_int_equal(care_next_crossing(s, 0), 300);
    assert_int_equal(care_next_crossing(s, 300), INT64_MAX);
}

static uint8_t step(const struct care_schedule *s, int64_t now) {
    struct care_view view;
    care_view(s, now, &view);
    return view.alert_step[0];
}

static void test_steps_and_the_end_of_a_reminder(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    struct care_alert *row = alert(s, 100, PROTO_URGENCY_NOTE);
    row->step_count = 2;
    row->steps[1] = (struct care_alert_step){.from = 200, .urgency = PROTO_URGENCY_TODAY};
    row->until = 300;
    assert_int_equal(step(s, 99), 0);
    assert_int_equal(step(s, 100), 1);
    assert_int_equal(step(s, 199), 1);
    assert_int_equal(step(s, 200), 2);
    assert_int_equal(step(s, 299), 2);
    assert_int_equal(step(s, 300), 0);
    assert_int_equal(care_next_crossing(s, 50), 100);
    assert_int_equal(care_next_crossing(s, 100), 200);
    assert_int_equal(care_next_crossing(s, 200), 300);
}

static void test_quiet_never_hides_a_now(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    struct care_alert *row = alert(s, 100, PROTO_URGENCY_SOON);
    row->step_count = 2;
    row->steps[1] = (struct care_alert_step){.from = 300, .urgency = PROTO_URGENCY_NOW};
    row->quiet_from = 150;
    row->quiet_until = 400;
    assert_int_equal(step(s, 149), 1);
    assert_int_equal(step(s, 150), 0);
    assert_int_equal(step(s, 299), 0);
    assert_int_equal(step(s, 300), 2);
    assert_int_equal(level(s, 300), PROTO_LEVEL_NOW);
}

static void test_ended_for_a_while(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    struct care_view view;
    struct care_alert *row = alert(s, 100, PROTO_URGENCY_NOW);
    row->ended_how = CARE_ENDED_SETTLED;
    row->ended_at = 200;
    row->until = 900;
    care_view(s, 199, &view);
    assert_int_equal(view.alert_ended[0], 0);
    assert_int_equal(view.alert_step[0], 0);
    care_view(s, 200, &view);
    assert_int_equal(view.alert_ended[0], 1);
    assert_int_equal(view.level, PROTO_LEVEL_SETTLED);
    care_view(s, 899, &view);
    assert_int_equal(view.alert_ended[0], 1);
    care_view(s, 900, &view);
    assert_int_equal(view.alert_ended[0], 0);
    assert_int_equal(care_next_crossing(s, 0), 200);
    assert_int_equal(care_next_crossing(s, 200), 900);
}

static void test_other_crossings(void **unused) {
    (void)unused;
    struct care_schedule *s = empty();
    assert_int_equal(care_next_crossing(s, 0), INT64_MAX);
    s->mature_at[1] = 500;
    s->waiting_at = 400;
    assert_int_equal(care_next_crossing(s, 0), 400);
    assert_int_equal(care_next_crossing(s, 400), 500);
    assert_int_equal(care_next_crossing(s, 500), INT64_MAX);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_levels_in_their_order),
        cmocka_unit_test(test_a_booked_task_is_quiet),
        cmocka_unit_test(test_steps_and_the_end_of_a_reminder),
        cmocka_unit_test(test_quiet_never_hides_a_now),
        cmocka_unit_test(test_ended_for_a_while),
        cmocka_unit_test(test_other_crossings),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
