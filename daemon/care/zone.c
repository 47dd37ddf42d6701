/*
 * zone.c - local dates and midnights from plain tables of transitions.
 *
 * What always holds: a local date need not grow with time (a clock set back over
 * midnight repeats a date), so a midnight is searched, never computed by one offset.
 */
#include "care/zone.h"

#include <assert.h>
#include <string.h>

/* No offset in use, past or present, is larger. */
#define OFFSET_REACH_MS (36 * 3600000LL)

const struct care_zone *care_zone_utc(void) {
    static const struct care_zone utc = {.name = "UTC"};
    return &utc;
}

static int name_order(const char *name, struct proto_slice wanted) {
    size_t size = strlen(name);
    size_t common = size < wanted.size ? size : wanted.size;
    int order = common > 0 ? memcmp(name, wanted.data, common) : 0;
    if (order != 0)
        return order;
    return size < wanted.size ? -1 : size > wanted.size;
}

const struct care_zone *care_zone_find(const struct care_zones *zones, struct proto_slice name) {
    uint32_t low = 0, high = zones ? zones->count : 0;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        int order = name_order(zones->list[middle].name, name);
        if (order == 0)
            return &zones->list[middle];
        if (order < 0)
            low = middle + 1;
        else
            high = middle;
    }
    return NULL;
}

/* How many transitions lie at or before an instant. */
static uint32_t transitions_until(const struct care_zone *zone, int64_t at_ms) {
    uint32_t low = 0, high = zone->count;
    while (low < high) {
        uint32_t middle = low + (high - low) / 2;
        if (zone->at_ms[middle] <= at_ms)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static int64_t offset_ms(const struct care_zone *zone, uint32_t transitions) {
    assert(transitions <= zone->count);
    return 1000LL * (transitions == 0 ? zone->offset_before_s : zone->offset_s[transitions - 1]);
}

int32_t care_zone_offset_s(const struct care_zone *zone, int64_t at_ms) {
    return (int32_t)(offset_ms(zone, transitions_until(zone, at_ms)) / 1000);
}

int32_t care_zone_day(const struct care_zone *zone, int64_t at_ms) {
    int64_t local = at_ms + offset_ms(zone, transitions_until(zone, at_ms));
    int64_t day = local / PROTO_DAY_MS;
    if (local % PROTO_DAY_MS < 0)
        day--;
    return (int32_t)day;
}

int64_t care_zone_midnight(const struct care_zone *zone, int32_t day) {
    int64_t local = (int64_t)day * PROTO_DAY_MS;
    /* The first stretch of one offset in which the local clock shows this date's 00:00 or anything later holds the answer. */
    for (uint32_t i = transitions_until(zone, local - OFFSET_REACH_MS);; i++) {
        int64_t at = local - offset_ms(zone, i);
        if (i > 0 && at < zone->at_ms[i - 1])
            at = zone->at_ms[i - 1];
        if (i == zone->count || at < zone->at_ms[i])
            return at;
    }
}
