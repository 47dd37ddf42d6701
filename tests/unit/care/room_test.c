/* room_test.c - a schedule with no room left: who gives way to whom, and that it is said. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "care/facts.h"

static struct care_schedule schedule;

static struct care_alert row(enum proto_alert name, enum proto_urgency urgency, int64_t mark) {
    struct care_alert alert = {.alert = (uint8_t)name, .since = mark, .step_count = 1};
    alert.steps[0] = (struct care_alert_step){.from = mark, .urgency = (uint8_t)urgency};
    return alert;
}

static struct care_alert ended(int64_t at) {
    struct care_alert alert = row(PROTO_ALERT_BLOCKED, PROTO_URGENCY_NOW, at);
    alert.ended_how = CARE_ENDED_SETTLED;
    alert.ended_at = at;
    return alert;
}

static void add(struct care_alert alert) {
    care_schedule_add_alert(&schedule, &alert);
}

static void fill(struct care_alert alert) {
    memset(&schedule, 0, sizeof schedule);
    for (int i = 0; i < PROTO_SCHEDULE_ALERTS_MAX; i++)
        add(alert);
    assert_false(schedule.overflow);
    assert_int_equal(schedule.alert_count, PROTO_SCHEDULE_ALERTS_MAX);
}

static int count(int64_t mark) {
    int found = 0;
    for (uint32_t i = 0; i < schedule.alert_count; i++)
        found += schedule.alerts[i].since == mark;
    return found;
}

static void test_open_takes_the_oldest_ended(void **unused) {
    (void)unused;
    fill(row(PROTO_ALERT_LEAK_AROUND, PROTO_URGENCY_SOON, 1));
    schedule.alerts[3] = ended(200);
    schedule.alerts[70] = ended(100);
    add(row(PROTO_ALERT_UNSAFE_UNBLOCKING, PROTO_URGENCY_NOTE, 7));
    assert_int_equal(count(100), 0);
    assert_int_equal(count(200), 1);
    assert_int_equal(count(7), 1);
    assert_true(schedule.overflow);
}

static void test_the_mildest_gives_way(void **unused) {
    (void)unused;
    static const int64_t gives_way[] = {4, 3, 2, 5}; /* note, soon, today, a call about a `now` that is open itself */
    fill(row(PROTO_ALERT_INFECTION_SIGNS, PROTO_URGENCY_NOW, 1));
    schedule.alerts[10] = row(PROTO_ALERT_NO_DEVICE, PROTO_URGENCY_TODAY, 2);
    schedule.alerts[11] = row(PROTO_ALERT_LEAK_AROUND, PROTO_URGENCY_SOON, 3);
    schedule.alerts[12] = row(PROTO_ALERT_CLOCK_DOUBT, PROTO_URGENCY_NOTE, 4);
    schedule.alerts[13] = row(PROTO_ALERT_CALL_AGAIN, PROTO_URGENCY_NOW, 5);
    for (int64_t mark = 50; mark < 54; mark++) {
        add(row(PROTO_ALERT_BLOCKED, PROTO_URGENCY_NOW, mark));
        assert_int_equal(count(mark), 1);
        assert_int_equal(count(gives_way[mark - 50]), 0);
        for (int64_t later = mark + 1; later < 54; later++)
            assert_int_equal(count(gives_way[later - 50]), 1);
    }
    add(row(PROTO_ALERT_BLOCKED, PROTO_URGENCY_NOW, 60)); /* all are open for now: none gives way */
    assert_int_equal(count(60), 0);
    assert_int_equal(count(1), PROTO_SCHEDULE_ALERTS_MAX - 4);
}

static void test_a_step_to_come_counts(void **unused) {
    (void)unused;
    struct care_alert worsens = row(PROTO_ALERT_BALLOON_STUCK, PROTO_URGENCY_NOTE, 1);
    worsens.step_count = 2;
    worsens.steps[1] = (struct care_alert_step){.from = 10, .urgency = PROTO_URGENCY_TODAY};
    fill(worsens);
    add(row(PROTO_ALERT_LEAK_AROUND, PROTO_URGENCY_SOON, 7));
    add(row(PROTO_ALERT_NO_DEVICE, PROTO_URGENCY_TODAY, 8));
    assert_int_equal(count(7), 0);
    assert_int_equal(count(8), 0); /* equals stay */
    add(row(PROTO_ALERT_BLOCKED, PROTO_URGENCY_NOW, 9));
    assert_int_equal(count(9), 1);
}

static void test_ended_and_calls_push_nobody_out(void **unused) {
    (void)unused;
    fill(ended(100));
    add(ended(300));
    add(row(PROTO_ALERT_CALL_AGAIN, PROTO_URGENCY_NOW, 7));
    assert_int_equal(count(100), PROTO_SCHEDULE_ALERTS_MAX);
    assert_true(schedule.overflow);
    fill(row(PROTO_ALERT_CLOCK_DOUBT, PROTO_URGENCY_NOTE, 1));
    add(row(PROTO_ALERT_CALL_AGAIN, PROTO_URGENCY_NOW, 7));
    assert_int_equal(count(1), PROTO_SCHEDULE_ALERTS_MAX);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_open_takes_the_oldest_ended),
        cmocka_unit_test(test_the_mildest_gives_way),
        cmocka_unit_test(test_a_step_to_come_counts),
        cmocka_unit_test(test_ended_and_calls_push_nobody_out),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
