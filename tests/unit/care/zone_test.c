/* zone_test.c - dates and midnights by hand-made tables, where clocks do what they do. The whole of the zone data has an oracle of its own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "care/zone.h"
#include "support/care_build.h"

#define HOUR 3600

/* Europe/London in 2026: 29 March 01:00Z, 25 October 01:00Z (tzdata). */
static const int64_t london_at[] = {1774746000000, 1792890000000};
static const int32_t london_offset[] = {HOUR, 0};
static const struct care_zone london = {"Europe/London", 0, 2, london_at, london_offset};

static void test_days_about_a_change_of_clocks(void **unused) {
    (void)unused;
    assert_int_equal(care_zone_day(&london, ev_time(2026, 3, 29)), ev_day(2026, 3, 29));
    assert_int_equal(care_zone_day(&london, ev_time(2026, 3, 30) - EV_HOUR - 1), ev_day(2026, 3, 29));
    assert_int_equal(care_zone_day(&london, ev_time(2026, 3, 30) - EV_HOUR), ev_day(2026, 3, 30));
    assert_int_equal(care_zone_midnight(&london, ev_day(2026, 3, 29)), ev_time(2026, 3, 29));
    assert_int_equal(care_zone_midnight(&london, ev_day(2026, 3, 30)), ev_time(2026, 3, 30) - EV_HOUR);
    assert_int_equal(care_zone_midnight(&london, ev_day(2026, 10, 25)), ev_time(2026, 10, 25) - EV_HOUR);
    assert_int_equal(care_zone_midnight(&london, ev_day(2026, 10, 26)), ev_time(2026, 10, 26));
    assert_int_equal(care_zone_offset_s(&london, london_at[0] - 1), 0);
    assert_int_equal(care_zone_offset_s(&london, london_at[0]), HOUR);
}

/* Africa/Cairo skips local midnight: 2026-04-23T22:00Z (tzdata). The day begins at its first instant, 01:00. */
static void test_a_midnight_that_is_skipped(void **unused) {
    (void)unused;
    const int64_t at = ev_time(2026, 4, 23) + 22 * EV_HOUR;
    const int32_t offset = 3 * HOUR;
    const struct care_zone cairo = {"Africa/Cairo", 2 * HOUR, 1, &at, &offset};
    assert_int_equal(care_zone_midnight(&cairo, ev_day(2026, 4, 24)), at);
    assert_int_equal(care_zone_day(&cairo, at), ev_day(2026, 4, 24));
    assert_int_equal(care_zone_day(&cairo, at - 1), ev_day(2026, 4, 23));
}

/* Pacific/Apia has no 2011-12-30: from -10 h to +14 h at 2011-12-30T10:00Z (tzdata). */
static void test_a_date_that_does_not_exist(void **unused) {
    (void)unused;
    const int64_t at = ev_time(2011, 12, 30) + 10 * EV_HOUR;
    const int32_t offset = 14 * HOUR;
    const struct care_zone apia = {"Pacific/Apia", -10 * HOUR, 1, &at, &offset};
    assert_int_equal(care_zone_day(&apia, at - 1), ev_day(2011, 12, 29));
    assert_int_equal(care_zone_day(&apia, at), ev_day(2011, 12, 31));
    assert_int_equal(care_zone_midnight(&apia, ev_day(2011, 12, 30)), at);
    assert_int_equal(care_zone_midnight(&apia, ev_day(2011, 12, 31)), at);
}

/* America/St_Johns set its clocks back at 00:01 local, so midnight came twice: 2010-11-07T02:31Z (tzdata). */
static void test_a_midnight_that_comes_twice(void **unused) {
    (void)unused;
    const int64_t at = ev_time(2010, 11, 7) + 2 * EV_HOUR + 31 * EV_MIN;
    const int32_t offset = -(3 * HOUR + 1800);
    const struct care_zone johns = {"America/St_Johns", -(2 * HOUR + 1800), 1, &at, &offset};
    assert_int_equal(care_zone_midnight(&johns, ev_day(2010, 11, 7)), at - EV_MIN); /* the earlier */
    assert_int_equal(care_zone_day(&johns, at - 1), ev_day(2010, 11, 7));
    assert_int_equal(care_zone_day(&johns, at), ev_day(2010, 11, 6)); /* the date goes back for an hour */
}

/* Australia/Lord_Howe moves by half an hour: 2026-04-04T15:00Z from +11 to +10:30 (tzdata). */
static void test_half_an_hour(void **unused) {
    (void)unused;
    const int64_t at = ev_time(2026, 4, 4) + 15 * EV_HOUR;
    const int32_t offset = 10 * HOUR + 1800;
    const struct care_zone howe = {"Australia/Lord_Howe", 11 * HOUR, 1, &at, &offset};
    assert_int_equal(care_zone_midnight(&howe, ev_day(2026, 4, 5)), ev_time(2026, 4, 4) + 13 * EV_HOUR);
    assert_int_equal(care_zone_midnight(&howe, ev_day(2026, 4, 6)), ev_time(2026, 4, 5) + 13 * EV_HOUR + 30 * EV_MIN);
}

static void test_names(void **unused) {
    (void)unused;
    static const struct care_zone list[] = {{.name = "A"}, {.name = "AB"}, {.name = "B"}};
    const struct care_zones zones = {"made", 3, list};
    for (uint32_t i = 0; i < 3; i++) {
        struct proto_slice name = {list[i].name, (uint32_t)strlen(list[i].name)};
        assert_ptr_equal(care_zone_find(&zones, name), &list[i]);
    }
    assert_null(care_zone_find(&zones, (struct proto_slice){"AA", 2}));
    assert_null(care_zone_find(&zones, (struct proto_slice){"C", 1}));
    assert_null(care_zone_find(&zones, (struct proto_slice){NULL, 0}));
    assert_null(care_zone_find(NULL, (struct proto_slice){"A", 1}));
    assert_int_equal(care_zone_midnight(care_zone_utc(), -1), -EV_DAY);
    assert_int_equal(care_zone_day(care_zone_utc(), -1), -1);
}

/* Whatever the table: no instant before a midnight shows that date or a later one, and the midnight does. */
static void test_midnight_is_the_first_instant(void **unused) {
    (void)unused;
    int64_t at[12];
    int32_t offset[12];
    uint64_t seed = 1;
    for (int round = 0; round < 300; round++) {
        for (int i = 0; i < 12; i++) {
            seed = seed * 6364136223846793005u + 1442695040888963407u;
            at[i] = (i ? at[i - 1] : 0) + EV_DAY / 2 + (int64_t)((seed >> 33) % (uint64_t)(3 * EV_DAY)) / 60000 * 60000;
            offset[i] = ((int32_t)((seed >> 20) % 57) - 28) * 1800;
        }
        struct care_zone zone = {"made", 0, 12, at, offset};
        for (int32_t day = 0; day < 30; day++) {
            int64_t midnight = care_zone_midnight(&zone, day);
            assert_true(care_zone_day(&zone, midnight) >= day);
            for (int64_t before = midnight - 2 * EV_DAY; before < midnight; before += 30 * EV_MIN)
                assert_true(care_zone_day(&zone, before) < day);
            assert_true(care_zone_day(&zone, midnight - 1) < day);
        }
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_days_about_a_change_of_clocks),
        cmocka_unit_test(test_a_midnight_that_is_skipped),
        cmocka_unit_test(test_a_date_that_does_not_exist),
        cmocka_unit_test(test_a_midnight_that_comes_twice),
        cmocka_unit_test(test_half_an_hour),
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_midnight_is_the_first_instant),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
