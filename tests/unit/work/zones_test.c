/*
 * zones_test.c - the system's zone data in plain tables, against published transitions and against the rules' own arithmetic.
 */
#include "world.h"

#include "work/zone_file.h"

#include <time.h>

static const struct care_zone *zone(const char *name) {
    const struct care_zone *found = care_zone_find(world_zones, (struct proto_slice){name, (uint32_t)strlen(name)});
    if (!found)
        fail_msg("no zone %s", name);
    return found;
}

static int load(void **state) {
    (void)state;
    struct proto_fault fault = {0};
    world_zones = work_zones_load(&fault);
    return world_zones ? 0 : -1;
}

static int unload(void **state) {
    (void)state;
    work_zones_free(world_zones);
    world_zones = NULL;
    return 0;
}

/* tzdata: Europe/London changes on 2026-03-29 and 2026-10-25 at 01:00Z. */
static void test_london(void **state) {
    (void)state;
    int64_t spring = ev_time(2026, 3, 29) + EV_HOUR, autumn = ev_time(2026, 10, 25) + EV_HOUR;
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), spring - 1), 0);
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), spring), 3600);
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), autumn - 1), 3600);
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), autumn), 0);
    /* and by its rule in the last year: last Sunday of March 2099, the 29th */
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), ev_time(2099, 3, 29) + EV_HOUR - 1), 0);
    assert_int_equal(care_zone_offset_s(zone("Europe/London"), ev_time(2099, 3, 29) + EV_HOUR), 3600);
}

/* tzdata: skipped midnights in Cairo (2026-04-23T22:00Z) and Beirut (2026-03-28T22:00Z); half an hour on Lord Howe; no
 * 2011-12-30 in Apia. */
static void test_odd_ones(void **state) {
    (void)state;
    int64_t cairo = ev_time(2026, 4, 23) + 22 * EV_HOUR, beirut = ev_time(2026, 3, 28) + 22 * EV_HOUR;
    assert_int_equal(care_zone_offset_s(zone("Africa/Cairo"), cairo - 1), 7200);
    assert_int_equal(care_zone_offset_s(zone("Africa/Cairo"), cairo), 10800);
    assert_int_equal(care_zone_midnight(zone("Africa/Cairo"), ev_day(2026, 4, 24)), cairo);
    assert_int_equal(care_zone_offset_s(zone("Asia/Beirut"), beirut), 10800);
    assert_int_equal(care_zone_offset_s(zone("Australia/Lord_Howe"), ev_time(2026, 1, 1)), 39600);
    assert_int_equal(care_zone_offset_s(zone("Australia/Lord_Howe"), ev_time(2026, 7, 1)), 37800);
    assert_int_equal(care_zone_day(zone("Pacific/Apia"), ev_time(2011, 12, 30) + 10 * EV_HOUR - 1),
                     ev_day(2011, 12, 29));
    assert_int_equal(care_zone_day(zone("Pacific/Apia"), ev_time(2011, 12, 30) + 10 * EV_HOUR), ev_day(2011, 12, 31));
    /* Europe/Dublin: winter is the changed time (tzdata), also where only the rule speaks. */
    for (int year = 2026; year < 2100; year += 7) {
        assert_int_equal(care_zone_offset_s(zone("Europe/Dublin"), ev_time(year, 1, 15)), 0);
        assert_int_equal(care_zone_offset_s(zone("Europe/Dublin"), ev_time(year, 7, 15)), 3600);
    }
}

static void test_every_zone_is_well_formed(void **state) {
    (void)state;
    assert_true(world_zones->count > 400);
    assert_true(strlen(world_zones->version) >= 5);
    for (uint32_t i = 0; i < world_zones->count; i++) {
        const struct care_zone *z = &world_zones->list[i];
        if (i)
            assert_true(strcmp(world_zones->list[i - 1].name, z->name) < 0);
        for (uint32_t t = 0; t < z->count; t++) {
            assert_in_range(z->offset_s[t] + 86400, 0, 2 * 86400);
            assert_true(z->at_ms[t] >= PROTO_TIME_MIN && z->at_ms[t] < PROTO_TIME_MAX);
            if (t)
                assert_true(z->at_ms[t] > z->at_ms[t - 1] && z->offset_s[t] != z->offset_s[t - 1]);
        }
    }
    /* Two names of one zone are one table. */
    assert_ptr_equal(zone("Europe/London")->at_ms, zone("Europe/Belfast")->at_ms);
    assert_null(care_zone_find(world_zones, (struct proto_slice){"../etc/passwd", 13}));
    assert_null(care_zone_find(world_zones, (struct proto_slice){"posix/Europe/London", 19}));
}

static void put_header(uint8_t *at, uint32_t times) {
    memcpy(at, "TZif2", 5);
    at[35] = (uint8_t)times; /* timecnt, big-endian */
    at[39] = 1;              /* typecnt */
    at[43] = 4;              /* charcnt */
}

/* The smallest file of version 2 with a rule at its end. */
static size_t file_with(const char *rule, uint8_t out[256]) {
    memset(out, 0, 256);
    put_header(out, 0);
    size_t at = 44 + 6 + 4;
    put_header(out + at, 1);
    at += 44;
    out[at + 7] = 99; /* one transition, 99 seconds after 1970 */
    at += 8 + 1 + 6 + 4;
    size_t size = strlen(rule);
    memcpy(out + at, rule, size);
    return at + size;
}

static void test_rules(void **state) {
    (void)state;
    uint8_t bytes[256];
    struct work_zone_rule rule;
    size_t size = file_with("\nGMT0BST,M3.5.0/1,M10.5.0\n", bytes);
    assert_true(work_zone_rule_read(bytes, size, &rule));
    assert_int_equal(rule.last_s, 99);
    assert_true(rule.changes);
    assert_int_equal(rule.summer_s, 3600);
    assert_int_equal(work_zone_change_at(&rule.to_summer, 2026, 0) * 1000, ev_time(2026, 3, 29) + EV_HOUR);
    assert_int_equal(work_zone_change_at(&rule.to_standard, 2026, 3600) * 1000, ev_time(2026, 10, 25) + EV_HOUR);
    for (size_t cut = 0; cut < size; cut++) /* no prefix of it is a file */
        assert_false(work_zone_rule_read(bytes, cut, &rule));
    static const char *const good[] = {"\n<+0330>-3:30\n", "\nIST-1GMT0,M10.5.0,M3.5.0/1\n",
                                       "\n<-02>2<-01>,M3.5.0/-1,M10.5.0/0\n", "\nEST5EDT,J60/2,300/2\n"};
    static const char *const bad[] = {"\n\n",
                                      "\nGMT\n",
                                      "\nGMT0BST\n",
                                      "\nGMT0BST,M13.5.0,M10.5.0\n",
                                      "\nGMT0BST,M3.6.0,M10.5.0\n",
                                      "\nGMT200\n",
                                      "\n<GMT0\n",
                                      "\nGMT0 \n",
                                      "GMT0\n",
                                      "\nGMT0BST,M3.5.7,M10.5.0\n"};
    for (size_t i = 0; i < sizeof good / sizeof *good; i++)
        assert_true(work_zone_rule_read(bytes, file_with(good[i], bytes), &rule));
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        assert_false(work_zone_rule_read(bytes, file_with(bad[i], bytes), &rule));
    /* J60 is 1 March in any year, 59 without J is it in a common year only (POSIX TZ). */
    struct work_zone_change julian = {.form = 'J', .day = 60}, plain = {.form = 'D', .day = 59};
    assert_int_equal(work_zone_change_at(&julian, 2028, 0) * 1000, ev_time(2028, 3, 1));
    assert_int_equal(work_zone_change_at(&plain, 2028, 0) * 1000, ev_time(2028, 2, 29));
    assert_int_equal(work_zone_change_at(&plain, 2027, 0) * 1000, ev_time(2027, 3, 1));
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_london), cmocka_unit_test(test_odd_ones),
                                       cmocka_unit_test(test_every_zone_is_well_formed), cmocka_unit_test(test_rules)};
    return cmocka_run_group_tests(tests, load, unload);
}
