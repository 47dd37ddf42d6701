/*
 * scenario_zones.h - the zones of the scenarios, by their published rules and by hand: no zone data of the machine is read.
 *
 * Source of the rules: tzdata (clocks in Europe/London change on the last Sunday
 * of March and October at 01:00 UTC; Africa/Cairo on the last Friday of April at
 * 00:00 and the last Thursday of October at 24:00 local; New York on the second
 * Sunday of March and the first of November at 02:00 local; Kathmandu stays at
 * +05:45). Years 2018 to 2030 (Cairo from 2023, as its law has it).
 */
#ifndef TESTS_CARE_SCENARIO_ZONES_H
#define TESTS_CARE_SCENARIO_ZONES_H

#include "care/care.h"
#include "proto/calendar.h"

#define SCEN_YEAR_FIRST 2018
#define SCEN_YEAR_LAST 2030
#define SCEN_YEARS (SCEN_YEAR_LAST - SCEN_YEAR_FIRST + 1)

/* The nth (1..), or with n 0 the last, `weekday` (1 Monday) of a month. */
static int32_t scen_weekday_of_month(int32_t year, int32_t month, int32_t weekday, int32_t n) {
    int32_t first = proto_day_from_date((struct proto_date){year, month, 1});
    int32_t next = proto_day_add_months(first, 1);
    int32_t day = first + (weekday - proto_day_of_week(first) + 7) % 7 + 7 * (n > 0 ? n - 1 : 3);
    while (n == 0 && day + 7 < next)
        day += 7;
    return day;
}

struct scen_zone_times {
    int64_t at_ms[2 * SCEN_YEARS];
    int32_t offset_s[2 * SCEN_YEARS];
    uint32_t count;
};

static void scen_zone_add(struct scen_zone_times *times, int32_t day, int64_t utc_ms, int32_t offset_s) {
    times->at_ms[times->count] = day * PROTO_DAY_MS + utc_ms;
    times->offset_s[times->count++] = offset_s;
}

static const struct care_zones *scen_zones(void) {
    enum { HOUR_MS = 3600000 };
    static struct scen_zone_times cairo, london, new_york;
    static struct care_zone list[] = {{.name = "Africa/Cairo", .offset_before_s = 7200},
                                      {.name = "America/New_York", .offset_before_s = -18000},
                                      {.name = "Asia/Kathmandu", .offset_before_s = 20700},
                                      {.name = "Europe/London", .offset_before_s = 0},
                                      {.name = "UTC", .offset_before_s = 0}};
    static const struct care_zones zones = {.version = "by-hand", .count = sizeof list / sizeof list[0], .list = list};
    if (london.count)
        return &zones;
    for (int32_t year = SCEN_YEAR_FIRST; year <= SCEN_YEAR_LAST; year++) {
        scen_zone_add(&london, scen_weekday_of_month(year, 3, 7, 0), HOUR_MS, 3600);
        scen_zone_add(&london, scen_weekday_of_month(year, 10, 7, 0), HOUR_MS, 0);
        scen_zone_add(&new_york, scen_weekday_of_month(year, 3, 7, 2), 7 * HOUR_MS, -14400);
        scen_zone_add(&new_york, scen_weekday_of_month(year, 11, 7, 1), 6 * HOUR_MS, -18000);
        if (year >= 2023) {
            scen_zone_add(&cairo, scen_weekday_of_month(year, 4, 5, 0), -2 * HOUR_MS, 10800);
            scen_zone_add(&cairo, scen_weekday_of_month(year, 10, 4, 0), 21 * HOUR_MS, 7200);
        }
    }
    const struct scen_zone_times *times[] = {&cairo, &new_york, NULL, &london, NULL};
    for (size_t i = 0; i < sizeof list / sizeof list[0]; i++) {
        if (!times[i])
            continue;
        list[i].count = times[i]->count;
        list[i].at_ms = times[i]->at_ms;
        list[i].offset_s = times[i]->offset_s;
    }
    return &zones;
}

#endif
