/*
 * moment.c - times as people type them: now, 14:00, "2026-03-01 14:00", and RFC 3339.
 *
 * What always holds: a time without an offset is one of this machine's zone, as every page shows them; one that the
 * clocks skipped or showed twice is refused and never guessed.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <string.h>
#include <time.h>

#define HOUR_S 3600

static bool is_same_wall(const struct tm *a, const struct tm *b) {
    return a->tm_year == b->tm_year && a->tm_mon == b->tm_mon && a->tm_mday == b->tm_mday && a->tm_hour == b->tm_hour &&
           a->tm_min == b->tm_min && a->tm_sec == b->tm_sec;
}

static bool shows(time_t at, const struct tm *wall) {
    struct tm shown = {0};
    return localtime_r(&at, &shown) && is_same_wall(&shown, wall);
}

/* The moment at which this machine's clocks show `wall`. */
static bool from_wall(const char *text, const struct tm *wall, int64_t *ms_out, char why[240]) {
    struct tm parts = *wall;
    parts.tm_isdst = -1;
    time_t at = mktime(&parts);
    if (!shows(at, wall)) {
        (void)snprintf(why, 240, "\"%.60s\" is not on the clock: it was skipped here, or there is no such day", text);
        return false;
    }
    for (time_t apart = HOUR_S / 2; apart <= (time_t)2 * HOUR_S; apart += HOUR_S / 2)
        if (shows(at - apart, wall) || shows(at + apart, wall)) {
            (void)snprintf(why, 240,
                           "\"%.60s\" came twice that night, as the clocks went back; say it with its offset, such as "
                           "2026-03-01T14:00:00+01:00",
                           text);
            return false;
        }
    *ms_out = (int64_t)at * 1000;
    return true;
}

/* "14:00" of today, or "2026-03-01 14:00". */
static bool read_wall(const char *text, int64_t now_ms, struct tm *wall) {
    time_t now = (time_t)(now_ms / 1000);
    if (!localtime_r(&now, wall))
        return false;
    int year = wall->tm_year + 1900, month = wall->tm_mon + 1, day = wall->tm_mday, hour = 0, minute = 0, end = 0;
    /* NOLINTBEGIN(cert-err34-c): at most four digits each, so no number can be out of range */
    bool short_form = strlen(text) == 5 && sscanf(text, "%2d:%2d%n", &hour, &minute, &end) == 2 && end == 5;
    bool long_form = !short_form && strlen(text) == 16 &&
                     sscanf(text, "%4d-%2d-%2d%*1[ T]%2d:%2d%n", &year, &month, &day, &hour, &minute, &end) == 5 &&
                     end == 16;
    /* NOLINTEND(cert-err34-c) */
    if (!(short_form || long_form) || strspn(text, "0123456789-: T") != strlen(text) || hour > 23 || minute > 59)
        return false;
    *wall = (struct tm){
        .tm_year = year - 1900, .tm_mon = month - 1, .tm_mday = day, .tm_hour = hour, .tm_min = minute, .tm_isdst = -1};
    return true;
}

bool cli_input_moment(const char *text, int64_t now_ms, int64_t *ms_out, char why[240]) {
    struct tm wall = {0};
    if (cli_input_time(text, now_ms, ms_out))
        return true;
    if (read_wall(text, now_ms, &wall))
        return from_wall(text, &wall, ms_out, why);
    (void)snprintf(why, 240,
                   "\"%.60s\" is neither now nor a time such as 14:00, \"2026-03-01 14:00\" or "
                   "2026-03-01T14:00:00+01:00",
                   text);
    return false;
}
