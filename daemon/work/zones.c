/*
 * zones.c - every zone of the system's zone data as plain tables, read once at start.
 *
 * What always holds: only names that tzdata itself lists are ever opened; tables are ascending, run from 1900 through 2100,
 * and never change; names for one zone share one table.
 */
#include "work/zones.h"

#include <assert.h>
#include <errno.h>
#include <glib.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "work/bytes.h"
#include "work/zone_file.h"

#define ZONES_DIR "/usr/share/zoneinfo"
#define LIST_FILE ZONES_DIR "/tzdata.zi"
#define FIRST_S (PROTO_TIME_MIN / 1000)
#define LAST_S (PROTO_TIME_MAX / 1000)
#define RULES_FROM_S 2145916800LL /* 2038-01-01: compiled files list what comes before */
#define RULES_FROM_YEAR 2037      /* its last change is looked at too, in case it is not listed */
#define RULES_TO_YEAR 2100

/* Owns everything that its zones point to. */
struct zones {
    struct care_zones face; /* first: the caller sees this */
    struct care_zone *list;
    char (*targets)[64]; /* of a name that is another's; empty: a zone of its own */
    uint32_t cap;
};

static struct care_zone *add_name(struct zones *zones, const char *name, const char *target) {
    if (strlen(name) >= sizeof zones->list->name || strlen(target) >= sizeof *zones->targets)
        return NULL; /* no field holds it */
    if (zones->face.count == zones->cap) {
        zones->cap = zones->cap ? zones->cap * 2 : 1024;
        zones->list = work_grow(zones->list, sizeof *zones->list * zones->cap);
        zones->targets = work_grow(zones->targets, sizeof *zones->targets * zones->cap);
    }
    struct care_zone *zone = &zones->list[zones->face.count];
    memset(zone, 0, sizeof *zone);
    (void)snprintf(zone->name, sizeof zone->name, "%s", name);
    (void)snprintf(zones->targets[zones->face.count], sizeof *zones->targets, "%s", target);
    zones->face.count++;
    return zone;
}

/* --- names -------------------------------------------------------------------------------------------- */

/* "# version 2026a", "Z Name ...", "L Target Name". */
static void read_list_line(struct zones *zones, char *line) {
    char *rest = NULL;
    const char *first = strtok_r(line, " \n", &rest), *second = strtok_r(NULL, " \n", &rest);
    const char *third = strtok_r(NULL, " \n", &rest);
    if (!first || !second)
        return;
    if (strcmp(first, "#") == 0 && strcmp(second, "version") == 0 && third && !zones->face.version[0])
        (void)snprintf(zones->face.version, sizeof zones->face.version, "%s", third);
    else if (strcmp(first, "Z") == 0)
        (void)add_name(zones, second, "");
    else if (strcmp(first, "L") == 0 && third)
        (void)add_name(zones, third, second);
}

static bool read_list(struct zones *zones, struct proto_fault *fault) {
    char line[1024];
    FILE *file = fopen(LIST_FILE, "re");
    if (!file) {
        (void)proto_fault_set(fault, PROTO_INTERNAL, NULL,
                              "The zone data cannot be read (%s): install the package tzdata.", LIST_FILE);
        return false;
    }
    while (fgets(line, sizeof line, file))
        read_list_line(zones, line);
    (void)fclose(file);
    if (zones->face.version[0] && zones->face.count)
        return true;
    (void)proto_fault_set(fault, PROTO_INTERNAL, NULL, "%s lists no zones: install the package tzdata.", LIST_FILE);
    return false;
}

/* --- transitions ------------------------------------------------------------------------------------------ */

struct table {
    int64_t *at_ms;
    int32_t *offset_s;
    uint32_t count, cap;
};

static void add_transition(struct table *table, int64_t at_s, int32_t offset_s, int32_t before_s) {
    int32_t last = table->count ? table->offset_s[table->count - 1] : before_s;
    if (offset_s == last) /* another name or summer mark, the same clocks */
        return;
    assert(!table->count || at_s * 1000 > table->at_ms[table->count - 1]);
    if (table->count == table->cap) {
        table->cap = table->cap ? table->cap * 2 : 256;
        table->at_ms = work_grow(table->at_ms, sizeof *table->at_ms * table->cap);
        table->offset_s = work_grow(table->offset_s, sizeof *table->offset_s * table->cap);
    }
    table->at_ms[table->count] = at_s * 1000;
    table->offset_s[table->count++] = offset_s;
}

/* First second at which GLib is in a later interval than `interval`, which it is in at `from`; `end` when there is none. */
static int64_t interval_end(GTimeZone *zone, int interval, int64_t from, int64_t end) {
    int64_t step = INT64_C(86400) * 32, low = from, high = from;
    while (high < end) { /* most intervals are half a year */
        high = high + step < end ? high + step : end;
        if (g_time_zone_find_interval(zone, G_TIME_TYPE_UNIVERSAL, high) > interval)
            break;
        low = high;
        step *= 2;
    }
    if (low == high)
        return end;
    while (high - low > 1) {
        int64_t middle = low + (high - low) / 2;
        if (g_time_zone_find_interval(zone, G_TIME_TYPE_UNIVERSAL, middle) > interval)
            high = middle;
        else
            low = middle;
    }
    return high;
}

static void add_listed(GTimeZone *zone, int64_t end, int32_t before_s, struct table *table) {
    int64_t at = FIRST_S;
    while ((at = interval_end(zone, g_time_zone_find_interval(zone, G_TIME_TYPE_UNIVERSAL, at), at, end)) < end) {
        int interval = g_time_zone_find_interval(zone, G_TIME_TYPE_UNIVERSAL, at);
        add_transition(table, at, g_time_zone_get_offset(zone, interval), before_s);
    }
}

static void add_ruled(const struct work_zone_rule *rule, int64_t from, int32_t before_s, struct table *table) {
    for (int32_t year = RULES_FROM_YEAR; rule->changes && year <= RULES_TO_YEAR; year++) {
        struct {
            int64_t at;
            int32_t offset;
        } both[2] = {{work_zone_change_at(&rule->to_summer, year, rule->standard_s), rule->summer_s},
                     {work_zone_change_at(&rule->to_standard, year, rule->summer_s), rule->standard_s}};
        int first = both[0].at <= both[1].at ? 0 : 1;
        for (int i = 0; i < 2; i++) {
            int64_t at = both[i ? 1 - first : first].at;
            if (at >= from && at < LAST_S)
                add_transition(table, at, both[i ? 1 - first : first].offset, before_s);
        }
    }
}

static bool read_rule(const char *name, struct work_zone_rule *rule) {
    char path[128];
    gchar *bytes = NULL;
    gsize size = 0;
    (void)snprintf(path, sizeof path, "%s/%s", ZONES_DIR, name);
    if (strstr(name, "..") || !g_file_get_contents(path, &bytes, &size, NULL))
        return false;
    bool read = work_zone_rule_read((const uint8_t *)bytes, size, rule);
    g_free(bytes);
    return read;
}

/* False when the zone data lists a name that it does not have. */
static bool fill_zone(struct care_zone *zone) {
    struct work_zone_rule rule;
    struct table table = {0};
    GTimeZone *glib = g_time_zone_new_identifier(zone->name);
    if (!glib || !read_rule(zone->name, &rule)) {
        if (glib)
            g_time_zone_unref(glib);
        return false;
    }
    zone->offset_before_s =
        g_time_zone_get_offset(glib, g_time_zone_find_interval(glib, G_TIME_TYPE_UNIVERSAL, FIRST_S));
    int64_t listed = rule.last_s >= RULES_FROM_S ? rule.last_s + 1 : RULES_FROM_S;
    add_listed(glib, listed < LAST_S ? listed : LAST_S, zone->offset_before_s, &table);
    add_ruled(&rule, listed, zone->offset_before_s, &table);
    g_time_zone_unref(glib);
    zone->count = table.count;
    zone->at_ms = table.at_ms;
    zone->offset_s = table.offset_s;
    return true;
}

/* --- all ---------------------------------------------------------------------------------------------------- */

static int by_name(const void *a, const void *b) {
    const struct care_zone *x = a, *y = b;
    return strcmp(x->name, y->name);
}

static const struct care_zone *filled(const struct zones *zones, const char *name) {
    for (uint32_t i = 0; i < zones->face.count; i++)
        if (strcmp(zones->list[i].name, name) == 0)
            return zones->targets[i][0] ? NULL : &zones->list[i];
    return NULL;
}

/* Another name for a zone takes over its table; the one that is no other's frees it. */
static bool fill_all(struct zones *zones) {
    for (uint32_t i = 0; i < zones->face.count; i++)
        if (!zones->targets[i][0] && !fill_zone(&zones->list[i]))
            return false;
    for (uint32_t i = 0; i < zones->face.count; i++) {
        const struct care_zone *target = zones->targets[i][0] ? filled(zones, zones->targets[i]) : NULL;
        struct care_zone *zone = &zones->list[i];
        if (!zones->targets[i][0])
            continue;
        if (!target) /* a link to a link: read by itself */
            zones->targets[i][0] = '\0';
        if (!target && !fill_zone(zone))
            return false;
        if (target) {
            zone->offset_before_s = target->offset_before_s;
            zone->count = target->count;
            zone->at_ms = target->at_ms;
            zone->offset_s = target->offset_s;
        }
    }
    return true;
}

struct care_zones *work_zones_load(struct proto_fault *fault) {
    struct zones *zones = work_alloc(sizeof *zones);
    if (!read_list(zones, fault)) {
        work_zones_free(&zones->face);
        return NULL;
    }
    if (!fill_all(zones)) {
        (void)proto_fault_set(fault, PROTO_INTERNAL, NULL,
                              "The zone data under %s is not whole: install the package tzdata again.", ZONES_DIR);
        work_zones_free(&zones->face);
        return NULL;
    }
    /* The names are sorted last: until here places in the two lists belong together. */
    struct care_zone *sorted = work_alloc(sizeof *sorted * zones->face.count);
    memcpy(sorted, zones->list, sizeof *sorted * zones->face.count);
    qsort(sorted, zones->face.count, sizeof *sorted, by_name);
    zones->face.list = sorted;
    return &zones->face;
}

void work_zones_free(struct care_zones *face) {
    struct zones *zones = (struct zones *)face;
    if (!zones)
        return;
    for (uint32_t i = 0; i < zones->face.count; i++)
        if (!zones->targets[i][0]) {
            free((void *)(uintptr_t)zones->list[i].at_ms);
            free((void *)(uintptr_t)zones->list[i].offset_s);
        }
    free((void *)(uintptr_t)zones->face.list);
    free(zones->list);
    free(zones->targets);
    free(zones);
}
