/* forecast_test.c - the loss of a balloon against published examples, and what it does to the next check. */
#include "tasks_world.h"

#include "care/forecast.h"

/* Sen, JASA 1968;63:1379-1389, as SciPy reproduces it: slope 4; 93 % limits 26/7 and 35/8 (at n = 7 the 95 % ranks are the same). */
static void test_theil_sen_published_example(void **unused) {
    (void)unused;
    const int64_t x[] = {1, 2, 3, 4, 10, 12, 18}, y[] = {9, 15, 19, 20, 45, 55, 78};
    struct care_slope slope;
    assert_int_equal(care_theil_sen(x, y, 7, 56, &slope), 21);
    assert_int_equal(slope.median, 4 * 56);
    assert_int_equal(slope.low, 26 * 8);
    assert_int_equal(slope.high, 35 * 7);
}

static void test_theil_sen_edges(void **unused) {
    (void)unused;
    const int64_t same[] = {5, 5, 5}, y[] = {1, 2, 3}, x[] = {0, 10, 20}, down[] = {9, 4, -1};
    struct care_slope slope = {1, 1, 1};
    assert_int_equal(care_theil_sen(same, y, 3, 1, &slope), 0);
    assert_int_equal(care_theil_sen(x, y, 1, 1, &slope), 0);
    assert_int_equal(care_theil_sen(x, down, 3, 10, &slope), 3);
    assert_int_equal(slope.median, -5);
    assert_int_equal(slope.low, -5);
    assert_int_equal(slope.high, -5);
    assert_int_equal(care_theil_sen(x, y, 2, 100, &slope), 1);
    assert_int_equal(slope.low, 10);
    assert_int_equal(slope.high, 10);
}

/* ISO 7886-1 by the Surgical Materials Testing Laboratory (NHS Wales), 2016; the 5 mL row from memory. */
static void test_syringe_tolerance(void **unused) {
    (void)unused;
    assert_int_equal(care_syringe_error_ul(1000, 400), 190);
    assert_int_equal(care_syringe_error_ul(100, 40), 23);
    assert_int_equal(care_syringe_error_ul(100, 50), 25);
    assert_int_equal(care_syringe_error_ul(500, 250), 100); /* from half up: 4 % of what is given */
    assert_int_equal(care_syringe_error_ul(500, 249), 100); /* below: 1.5 % of 5 mL + 1 % of 2.49 mL */
    assert_int_equal(care_syringe_error_ul(0, 400), 160);   /* size not said: 5 mL holds it */
    assert_int_equal(care_syringe_error_ul(0, 501), 200);   /* 10 mL: from half up */
    assert_int_equal(care_syringe_error_ul(200, 400), 200); /* drawn in two goes: 5 % */
    assert_int_equal(care_syringe_error_ul(1000, 0), 150);
}

static struct world *leaking(int lost_a_week, int checks) {
    struct world *w = begin(NOON(2025, 6, 1));
    add(w, formed(NOON(2025, 1, 10), DAY(2025, 1, 10)));
    add(w, button(NOON(2026, 1, 1)));
    for (int i = 0; i < checks; i++)
        add(w, check(NOON(2026, 1, 8) + i * 7 * EV_DAY, i == 0 ? 500 : 500 - lost_a_week, 500));
    return w;
}

static void test_rate_and_expected_volume(void **unused) {
    (void)unused;
    struct world *w = leaking(20, 2); /* the fill at placement was never measured: one stretch only */
    look(w);
    assert_false(w->schedule.stomas[0].balloon.known);
    free(w);
    w = leaking(20, 5);
    look(w);
    const struct care_forecast *forecast = &w->schedule.stomas[0].balloon;
    assert_true(forecast->known);
    assert_int_equal(forecast->loss_ml_week, 20);
    assert_int_equal(forecast->fits, 10);
    assert_int_equal(forecast->next_expected_ml, 480);
    assert_true(forecast->low < 20 && forecast->high > 20); /* what a syringe cannot tell */
    assert_int_equal(forecast->expected_low_day,
                     DAY(2026, 2, 5) + 18); /* 0.51 mL at 0.2 mL a week: 17.85 days after noon */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 2, 12), DAY(2026, 2, 13)); /* the usual date comes first */
    free(w);
}

static void test_low_before_the_usual_date(void **unused) {
    (void)unused;
    struct world *w = leaking(50, 5); /* 0.5 mL a week: each check still in range */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 2, 12), DAY(2026, 2, 13));
    free(w);
    w = leaking(60, 5); /* 0.51 mL after 5.95 days */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 2, 11), DAY(2026, 2, 12));
    assert_int_equal(find(w, PROTO_TASK_BALLOON_CHECK, 1)->why, CARE_WHY_LOW_BEFORE);
    add(w, button(NOON(2026, 2, 6))); /* another device, another balloon */
    expect(w, PROTO_TASK_BALLOON_CHECK, 1, DAY(2026, 2, 13), DAY(2026, 2, 14));
    free(w);
}

static void test_no_loss_is_no_date(void **unused) {
    (void)unused;
    struct world *w = leaking(0, 6);
    look(w);
    assert_true(w->schedule.stomas[0].balloon.known);
    assert_int_equal(w->schedule.stomas[0].balloon.loss_ml_week, 0);
    assert_int_equal(w->schedule.stomas[0].balloon.expected_low_day, 0);
    free(w);
    w = leaking(-10, 6); /* more comes out than went in: water was measured badly */
    look(w);
    assert_int_equal(w->schedule.stomas[0].balloon.loss_ml_week, -10);
    assert_int_equal(w->schedule.stomas[0].balloon.expected_low_day, 0);
    free(w);
}

/* One bad measurement among eight hardly moves the rate. */
static void test_one_bad_measurement(void **unused) {
    (void)unused;
    struct world *w = leaking(10, 9);
    w->events[7].body[PROTO_FIELD_balloon_checked_withdrawn_ml].n = 200;
    look(w);
    int64_t rate = w->schedule.stomas[0].balloon.loss_ml_week;
    assert_true(rate >= 10 && rate <= 85);
    assert_true(w->schedule.stomas[0].balloon.low <= 10);
    free(w);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_theil_sen_published_example), cmocka_unit_test(test_theil_sen_edges),
        cmocka_unit_test(test_syringe_tolerance),           cmocka_unit_test(test_rate_and_expected_volume),
        cmocka_unit_test(test_low_before_the_usual_date),   cmocka_unit_test(test_no_loss_is_no_date),
        cmocka_unit_test(test_one_bad_measurement),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
