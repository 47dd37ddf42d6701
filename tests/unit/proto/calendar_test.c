/*
 * calendar_test.c - dates, times and amounts: published values, every day of two centuries, and texts that are none.
 * Dates against a second implementation: tests/wire/check_calendar.py.
 */
#include "sample.h"

static int32_t day_of(const char *text) {
    int32_t day = 0;
    assert_int_equal(proto_date_parse(slice_of(text), &day), PROTO_OK);
    return day;
}

static void assert_shifted(const char *from, int32_t months, const char *to) {
    char text[11];
    proto_date_format(proto_day_add_months(day_of(from), months), text);
    assert_string_equal(text, to);
}

/* Calculated; dateutil.relativedelta agrees (tests/wire/check_calendar.py). */
static void months_clamp_to_the_end(void **state) {
    (void)state;
    assert_shifted("2025-11-30", 3, "2026-02-28");
    assert_shifted("2026-01-31", 3, "2026-04-30");
    assert_shifted("2024-02-29", 12, "2025-02-28");
    assert_shifted("2024-02-29", 48, "2028-02-29");
    assert_shifted("2026-03-31", -1, "2026-02-28");
    assert_shifted("2026-01-31", 0, "2026-01-31");
    assert_shifted("2025-12-15", 1, "2026-01-15");
    assert_shifted("2026-01-15", -1, "2025-12-15");
}

/* Calculated: a stoma formed on 1 March 2026 is 84 days old on 24 May. */
static void days_are_counted_by_date(void **state) {
    (void)state;
    assert_int_equal(day_of("2026-05-24") - day_of("2026-03-01"), 84);
    assert_int_equal(day_of("1970-01-01"), 0);
    assert_int_equal(day_of("1900-01-01"), PROTO_DAY_MIN);
    assert_int_equal(day_of("2100-01-01"), PROTO_DAY_MAX);
    assert_int_equal(proto_day_of_week(0), 4); /* 1970-01-01 was a Thursday: common knowledge */
    assert_int_equal(proto_day_of_week(-1), 3);
    assert_int_equal(proto_day_of_week(-7), 4);
}

/* Each day follows the day before by the calendar's own rules. */
static void every_day_of_two_centuries(void **state) {
    (void)state;
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    struct proto_date d = {1899, 12, 31};
    int32_t week_day = proto_day_of_week(PROTO_DAY_MIN - 1);
    for (int32_t day = PROTO_DAY_MIN; day <= PROTO_DAY_MAX; day++) {
        bool leap = (d.year % 4 == 0 && d.year % 100 != 0) || d.year % 400 == 0;
        if (++d.day > days[d.month - 1] + (d.month == 2 && leap)) {
            d.day = 1;
            d.month = d.month % 12 + 1;
            d.year += d.month == 1;
        }
        week_day = week_day % 7 + 1;
        struct proto_date made = proto_date_from_day(day);
        assert_int_equal(made.year, d.year);
        assert_int_equal(made.month, d.month);
        assert_int_equal(made.day, d.day);
        assert_true(proto_date_valid(made));
        assert_int_equal(proto_day_from_date(made), day);
        assert_int_equal(proto_day_of_week(day), week_day);
        char text[11];
        proto_date_format(day, text);
        assert_int_equal(day_of(text), day);
    }
}

static void what_is_no_date(void **state) {
    (void)state;
    static const char *const texts[] = {"",           "2026-3-01",  "2026-02-29",  "2100-02-29",
                                        "2026-13-01", "2026-00-10", "2026-01-00",  "2026-01-32",
                                        "2026/01/01", "20260101",   "2026-01-01 ", " 2026-01-01",
                                        "+026-01-01", "2026-01-0a", "2026-04-31",  "02026-01-01"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        int32_t day = 77;
        assert_int_equal(proto_date_parse(slice_of(texts[i]), &day), PROTO_BAD_VALUE);
        assert_int_equal(day, 77);
    }
    assert_int_equal(day_of("2000-02-29"), 11016); /* calculated: 30 years, 7 of them leap, then 31 and 28 days */
}

static int64_t time_of(const char *text) {
    int64_t ms = 0;
    assert_int_equal(proto_time_parse(slice_of(text), &ms), PROTO_OK);
    return ms;
}

/* RFC 3339, section 5.8, and the same moments calculated. */
static void times_of_the_rfc(void **state) {
    (void)state;
    assert_int_equal(time_of("1985-04-12T23:20:50.52Z"), 482196050520);
    assert_int_equal(time_of("1996-12-19T16:39:57-08:00"), 851042397000);
    assert_int_equal(time_of("1996-12-20T00:39:57Z"), 851042397000);
    assert_int_equal(time_of("1937-01-01T12:00:27.87+00:20"), -1041337172130);
    /* A leap second counts as the next second. */
    assert_int_equal(time_of("1990-12-31T23:59:60Z"), time_of("1991-01-01T00:00:00Z"));
    assert_int_equal(time_of("1990-12-31T15:59:60-08:00"), time_of("1991-01-01T00:00:00Z"));
}

static void times_are_read_and_written(void **state) {
    (void)state;
    static const struct {
        const char *read;
        int64_t ms;
        const char *written;
    } rows[] = {
        {"1970-01-01T00:00:00Z", 0, "1970-01-01T00:00:00Z"},
        {"1969-12-31t23:59:59.999z", -1, "1969-12-31T23:59:59.999Z"},
        {"1970-01-01 00:00:00.0019Z", 1, "1970-01-01T00:00:00.001Z"},
        {"1970-01-01T00:00:00.123456789+00:00", 123, "1970-01-01T00:00:00.123Z"},
        {"1970-01-01T00:00:00.5-00:00", 500, "1970-01-01T00:00:00.500Z"},
        {"1900-01-01T00:00:00Z", PROTO_TIME_MIN, "1900-01-01T00:00:00Z"},
        {"2100-01-01T00:00:00Z", PROTO_TIME_MAX, "2100-01-01T00:00:00Z"},
        {"2026-03-29T01:30:00+14:00", 1774697400000, "2026-03-28T11:30:00Z"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        char text[32];
        assert_int_equal(time_of(rows[i].read), rows[i].ms);
        proto_time_format(rows[i].ms, text);
        assert_string_equal(text, rows[i].written);
    }
}

static void what_is_no_time(void **state) {
    (void)state;
    static const char *const texts[] = {"",
                                        "2026-01-01",
                                        "2026-01-01T00:00Z",
                                        "2026-01-01T00:00:00",
                                        "2026-01-01T24:00:00Z",
                                        "2026-01-01T00:60:00Z",
                                        "2026-01-01T00:00:61Z",
                                        "2026-01-01T00:00:00.Z",
                                        "2026-01-01T00:00:00+24:00",
                                        "2026-01-01T00:00:00+0100",
                                        "2026-01-01T00:00:00+01:60",
                                        "2026-01-01T00:00:00Z ",
                                        "2026-02-30T00:00:00Z",
                                        "2026-01-01_00:00:00Z",
                                        "2026-01-01T00:00:00,5Z",
                                        "2026-01-01T00:00:0",
                                        "2026-01-01T00:00:00.5"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        int64_t ms = 77;
        assert_int_equal(proto_time_parse(slice_of(texts[i]), &ms), PROTO_BAD_VALUE);
        assert_int_equal(ms, 77);
    }
}

static void amounts_are_read_and_written(void **state) {
    (void)state;
    static const struct {
        const char *read;
        int64_t hundredths;
        const char *written;
    } rows[] = {
        {"4", 400, "4"},       {"3.5", 350, "3.5"},
        {"3.45", 345, "3.45"}, {"-0.25", -25, "-0.25"},
        {"0.05", 5, "0.05"},   {"0", 0, "0"},
        {"-0", 0, "0"},        {"007.10", 710, "7.1"},
        {"-12", -1200, "-12"}, {"4.00", 400, "4"},
        {"0.50", 50, "0.5"},   {"999999999999999.99", 99999999999999999, "999999999999999.99"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        int64_t hundredths = 77;
        char text[24];
        assert_int_equal(proto_amount_parse(slice_of(rows[i].read), &hundredths), PROTO_OK);
        assert_int_equal(hundredths, rows[i].hundredths);
        assert_int_equal(proto_amount_format(hundredths, text), strlen(rows[i].written));
        assert_string_equal(text, rows[i].written);
    }
    static const char *const none[] = {
        "", "-", ".5", "5.", "1.234", "+4", "4 ", " 4", "1e3", "4,5", "--4", "1.-5", "0x4", "1234567890123456", "NaN"};
    for (size_t i = 0; i < sizeof none / sizeof none[0]; i++) {
        int64_t hundredths = 77;
        assert_int_equal(proto_amount_parse(slice_of(none[i]), &hundredths), PROTO_BAD_VALUE);
        assert_int_equal(hundredths, 77);
    }
    char text[24];
    (void)proto_amount_format(INT64_MIN, text);
    assert_string_equal(text, "-92233720368547758.08");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(months_clamp_to_the_end),
        cmocka_unit_test(days_are_counted_by_date),
        cmocka_unit_test(every_day_of_two_centuries),
        cmocka_unit_test(what_is_no_date),
        cmocka_unit_test(times_of_the_rfc),
        cmocka_unit_test(times_are_read_and_written),
        cmocka_unit_test(what_is_no_time),
        cmocka_unit_test(amounts_are_read_and_written),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
