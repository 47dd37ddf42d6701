/*
 * zone_file.h - what a compiled zone file says about the years behind its last transition.
 */
#ifndef WORK_ZONE_FILE_H
#define WORK_ZONE_FILE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* When clocks change, as the rule at a zone file's end (POSIX TZ, as RFC 8536 has it) says. */
struct work_zone_change {
    uint8_t form; /* 'M' month.week.day, 'J' day of the year without 29 February, 'D' with it, from 0 */
    int32_t month, week, day;
    int32_t seconds; /* local time of the change */
};
struct work_zone_rule {
    int64_t last_s;     /* last transition that the file lists; INT64_MIN: none */
    int32_t standard_s; /* offset from UTC */
    bool changes;       /* to `summer_s` and back, every year */
    int32_t summer_s;
    struct work_zone_change to_summer, to_standard;
};

/* False when the bytes are no zone file of version 2 or later, or its rule is not one. Never reads beyond size. */
bool work_zone_rule_read(const uint8_t *bytes, size_t size, struct work_zone_rule *out);
/* Moment of a change in a year, seconds since 1970; offset_s holds just before it. */
int64_t work_zone_change_at(const struct work_zone_change *change, int32_t year, int32_t offset_s);

#endif
