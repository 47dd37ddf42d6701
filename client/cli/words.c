/*
 * words.c - times, spans, amounts and maps as people read them.
 *
 * What always holds: a key's last part is its unit, so a value never stands without it; times are local, and the page
 * says which offset that is.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "proto/calendar.h"

#define MINUTE_MS INT64_C(60000)
#define HOUR_MS (60 * MINUTE_MS)
#define DAY_MS (24 * HOUR_MS)

static struct tm local(int64_t ms) {
    time_t seconds = (time_t)(ms >= 0 ? ms / 1000 : -((999 - ms) / 1000));
    struct tm parts = {0};
    (void)localtime_r(&seconds, &parts);
    return parts;
}

void words_time(int64_t ms, char out[32]) {
    struct tm parts = local(ms);
    if (strftime(out, 32, "%Y-%m-%d %H:%M", &parts) == 0)
        (void)snprintf(out, 32, "?");
}

void words_day(int64_t ms, char out[32]) {
    struct tm parts = local(ms);
    if (strftime(out, 32, "%Y-%m-%d", &parts) == 0)
        (void)snprintf(out, 32, "?");
}

void words_clock(int64_t ms, int64_t now_ms, char out[32]) {
    struct tm parts = local(ms), now = local(now_ms);
    bool today = parts.tm_year == now.tm_year && parts.tm_yday == now.tm_yday;
    if (strftime(out, 32, today ? "%H:%M" : "%Y-%m-%d %H:%M", &parts) == 0)
        (void)snprintf(out, 32, "?");
}

void words_zone(int64_t now_ms, char out[48]) {
    struct tm parts = local(now_ms);
    long minutes = parts.tm_gmtoff / 60;
    (void)snprintf(out, 48, "UTC%c%02ld:%02ld", minutes < 0 ? '-' : '+', labs(minutes) / 60, labs(minutes) % 60);
}

void words_date(int64_t midnight_ms, char out[32]) {
    words_day(midnight_ms + 12 * HOUR_MS, out);
}

void words_span(int64_t ms, char out[48]) {
    int64_t minutes = ms / MINUTE_MS;
    if (minutes < 1)
        (void)snprintf(out, 48, "less than a minute");
    else if (minutes < 60)
        (void)snprintf(out, 48, "%" PRId64 " min", minutes);
    else if (minutes < INT64_C(48) * 60 && minutes % 60 == 0)
        (void)snprintf(out, 48, "%" PRId64 " h", minutes / 60);
    else if (minutes < INT64_C(48) * 60)
        (void)snprintf(out, 48, "%" PRId64 " h %" PRId64 " min", minutes / 60, minutes % 60);
    else
        (void)snprintf(out, 48, "%" PRId64 " days", ms / DAY_MS);
}

void words_since(int64_t ms, int64_t now_ms, char out[96]) {
    char at[32], span[48];
    words_time(ms, at);
    words_span(now_ms >= ms ? now_ms - ms : ms - now_ms, span);
    (void)snprintf(out, 96, now_ms >= ms ? "%s, %s ago" : "%s, in %s", at, span);
}

/* --- values ------------------------------------------------------------------------------------------------------------------ */

static bool ends_with(const char *text, const char *end) {
    size_t size = strlen(text), end_size = strlen(end);
    return size >= end_size && strcmp(text + size - end_size, end) == 0;
}

/* Longer endings first. */
static const struct {
    const char *end, *unit;
} units[] = {{"_ml_week", "mL a week"},
             {"ml_day", "mL a day"},
             {"_ml", "mL"},
             {"_mm", "mm"},
             {"_fr", "Fr"},
             {"_kg", "kg"},
             {"_c", "\302\260C"},
             {"_days", "days"},
             {"_min", "min"},
             {"_months", "months"},
             {"_ms", "ms"}};

static size_t unit_of(const char *key) {
    size_t i = 0;
    while (i < sizeof units / sizeof units[0] && !ends_with(key, units[i].end))
        i++;
    return i;
}

static const char *unit_text(const char *key) {
    size_t i = unit_of(key);
    return i < sizeof units / sizeof units[0] ? units[i].unit : "";
}

const char *words_unit(const char *code) {
    return strcmp(code, "Cel") == 0 ? "\302\260C" : code;
}

static bool is_time(const char *key, int64_t number) {
    static const char *const keys[] = {"at", "since", "deadline", "aim", "now", "recheck_by", "before"};
    if (number < -DAY_MS * 36500 || (number > -DAY_MS && number < DAY_MS * 365))
        return false;
    if (ends_with(key, "_at"))
        return true;
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        if (strcmp(key, keys[i]) == 0)
            return true;
    return false;
}

static void words_number(const char *key, const struct betony_value *value, char *out, size_t size) {
    int64_t number = betony_value_int(value, INT64_MIN);
    const char *unit = unit_text(key);
    char text[32];
    if (number != INT64_MIN && is_time(key, number))
        words_time(number, text);
    else if (number != INT64_MIN)
        (void)snprintf(text, sizeof text, "%" PRId64, number);
    else
        (void)snprintf(text, sizeof text, "%.15g", betony_value_number(value, 0));
    (void)snprintf(out, size, "%s%s%s", text, *unit ? " " : "", unit);
}

static void words_list(const char *key, const struct betony_value *value, char *out, size_t size) {
    size_t at = 0;
    out[0] = '\0';
    for (size_t i = 0; i < betony_value_count(value); i++) {
        const struct betony_value *entry = betony_value_at(value, i);
        char text[400];
        words_value(key, entry, text, sizeof text);
        const char *glue = i == 0 ? "" : betony_value_type(entry) == BETONY_MAP ? "; " : ", ";
        int put = snprintf(out + at, size - at, "%s%s", glue, text);
        if (put < 0 || (size_t)put >= size - at)
            return;
        at += (size_t)put;
    }
}

const char *words_text(const struct betony_value *map, const char *key) {
    return betony_value_text(betony_value_get(map, key), "");
}

void words_field(const struct betony_value *map, const char *key, char *out, size_t size) {
    words_value(key, betony_value_get(map, key), out, size);
}

void words_value(const char *key, const struct betony_value *value, char *out, size_t size) {
    switch (betony_value_type(value)) {
    case BETONY_BOOL:
        (void)snprintf(out, size, "%s", betony_value_bool(value, false) ? "yes" : "no");
        return;
    case BETONY_INT:
    case BETONY_FLOAT:
        words_number(key, value, out, size);
        return;
    case BETONY_TEXT:
        (void)snprintf(out, size, "%s", betony_value_text(value, ""));
        return;
    case BETONY_LIST:
        words_list(key, value, out, size);
        return;
    case BETONY_MAP:
        words_map(value, NULL, out, size);
        return;
    case BETONY_BYTES:
    case BETONY_NIL:
    case BETONY_ABSENT:
    default:
        out[0] = '\0';
        return;
    }
}

void words_key(const char *key, char out[64]) {
    size_t unit = unit_of(key);
    size_t size = strlen(key) - (unit < sizeof units / sizeof units[0] ? strlen(units[unit].end) : 0);
    (void)snprintf(out, 64, "%.*s", (int)(size ? size : strlen(key)), key);
    for (char *c = out; *c; c++)
        if (*c == '_')
            *c = ' ';
}

static bool is_skipped(const char *key, const char *const *skip) {
    for (; skip && *skip; skip++)
        if (strcmp(key, *skip) == 0)
            return true;
    return false;
}

void words_map(const struct betony_value *map, const char *const *skip, char *out, size_t size) {
    size_t at = 0;
    out[0] = '\0';
    for (size_t i = 0; i < betony_value_count(map); i++) {
        const char *key = betony_value_text(betony_value_key_at(map, i), "");
        if (is_skipped(key, skip))
            continue;
        char name[64], text[1000];
        words_key(key, name);
        words_value(key, betony_value_at(map, i), text, sizeof text);
        if (!text[0])
            continue;
        int put = snprintf(out + at, size - at, "%s%s %s", at ? ", " : "", name, text);
        if (put < 0 || (size_t)put >= size - at)
            return;
        at += (size_t)put;
    }
}
