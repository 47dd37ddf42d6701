/*
 * zone.h - time zones as plain tables: local dates of instants, first instants of local dates.
 *
 * What always holds: pure, no I/O; whoever builds the tables (work/, from the
 * system's zone data) keeps them unchanged while care/ can see them.
 */
#ifndef CARE_ZONE_H
#define CARE_ZONE_H

#include "proto/calendar.h"

struct care_zone {
    char name[64];           /* as the time zone database names it, NUL-terminated */
    int32_t offset_before_s; /* offset from UTC before the first transition */
    uint32_t count;          /* transitions, ascending, through 2100 */
    const int64_t *at_ms;    /* instant of each */
    const int32_t *offset_s; /* offset from UTC from then on */
};

struct care_zones {
    char version[32]; /* of the zone data, "2026a"; shown and stored */
    uint32_t count;
    const struct care_zone *list; /* ascending by name */
};

/* The zone of a name, or NULL. A child whose zone is unknown here is planned in UTC (`zone` shows it). */
const struct care_zone *care_zone_find(const struct care_zones *zones, struct proto_slice name);
/* UTC, no transitions. */
const struct care_zone *care_zone_utc(void);
int32_t care_zone_offset_s(const struct care_zone *zone, int64_t at_ms);
/* Local date of an instant, as days since 1970-01-01. */
int32_t care_zone_day(const struct care_zone *zone, int64_t at_ms);
/* First instant of a local date (its midnight; where midnight is skipped or the date does not exist at all, the first instant after; where
 * midnight happens twice, the earlier). */
int64_t care_zone_midnight(const struct care_zone *zone, int32_t day);

#endif
