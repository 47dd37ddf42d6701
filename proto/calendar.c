/*
 * calendar.c - civil dates as day numbers, and the texts of dates, times and amounts.
 *
 * What always holds: integers only; the proleptic Gregorian calendar; nothing here knows a time zone.
 */
#include "proto/calendar.h"

#include <assert.h>
#include <stdio.h>

static bool is_leap(int32_t year) {
    return year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
}

static int32_t days_in_month(int32_t year, int32_t month) {
    static const int8_t days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    return month == 2 && is_leap(year) ? 29 : days[month - 1];
}

bool proto_date_valid(struct proto_date date) {
    return date.year >= 0 && date.year <= 9999 && date.month >= 1 && date.month <= 12 && date.day >= 1 &&
           date.day <= days_in_month(date.year, date.month);
}

/* Both ways count from 0000-03-01, so that the leap day is the last of its year and months follow a straight line of
 * 153 days in five months; an era is 400 years of 146,097 days. 719,468 days lie between that day and 1970-01-01. */
int32_t proto_day_from_date(struct proto_date date) {
    assert(proto_date_valid(date));
    int32_t year = date.month <= 2 ? date.year - 1 : date.year;
    int32_t era = (year >= 0 ? year : year - 399) / 400;
    int32_t year_of_era = year - era * 400;
    int32_t month = date.month > 2 ? date.month - 3 : date.month + 9;
    int32_t day_of_year = (153 * month + 2) / 5 + date.day - 1;
    int32_t day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    return era * 146097 + day_of_era - 719468;
}

struct proto_date proto_date_from_day(int32_t day) {
    int64_t shifted = (int64_t)day + 719468;
    int64_t era = (shifted >= 0 ? shifted : shifted - 146096) / 146097;
    int64_t day_of_era = shifted - era * 146097;
    int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 - day_of_era / 146096) / 365;
    int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    int64_t month = (5 * day_of_year + 2) / 153;
    struct proto_date date = {.day = (int32_t)(day_of_year - (153 * month + 2) / 5 + 1),
                              .month = (int32_t)(month < 10 ? month + 3 : month - 9)};
    date.year = (int32_t)(year_of_era + era * 400 + (date.month <= 2 ? 1 : 0));
    return date;
}

int32_t proto_day_add_months(int32_t day, int32_t months) {
    struct proto_date date = proto_date_from_day(day);
    int64_t month = (int64_t)date.year * 12 + date.month - 1 + months;
    date.year = (int32_t)(month / 12);
    date.month = (int32_t)(month % 12) + 1;
    assert(month >= 0 && date.year <= 9999);
    if (date.day > days_in_month(date.year, date.month))
        date.day = days_in_month(date.year, date.month);
    return proto_day_from_date(date);
}

int32_t proto_day_of_week(int32_t day) {
    int32_t from_thursday = day % 7; /* 1970-01-01 was a Thursday */
    return (from_thursday + 7 + 3) % 7 + 1;
}

/* ---- texts --------------------------------------------------------------------------------------------- */

/* Reads `count` digits at *at into *number; false when there are fewer. */
static bool read_digits(struct proto_slice text, uint32_t *at, uint32_t count, int32_t *number) {
    int32_t made = 0;
    if (text.size - *at < count)
        return false;
    for (uint32_t i = 0; i < count; i++) {
        char c = text.data[*at + i];
        if (c < '0' || c > '9')
            return false;
        made = made * 10 + (c - '0');
    }
    *at += count;
    *number = made;
    return true;
}

static bool read_one_of(struct proto_slice text, uint32_t *at, const char *characters) {
    if (*at >= text.size)
        return false;
    for (const char *c = characters; *c; c++)
        if (text.data[*at] == *c) {
            ++*at;
            return true;
        }
    return false;
}

static bool read_date(struct proto_slice text, uint32_t *at, int32_t *day) {
    struct proto_date date;
    if (!read_digits(text, at, 4, &date.year) || !read_one_of(text, at, "-") ||
        !read_digits(text, at, 2, &date.month) || !read_one_of(text, at, "-") || !read_digits(text, at, 2, &date.day) ||
        !proto_date_valid(date))
        return false;
    *day = proto_day_from_date(date);
    return true;
}

enum proto_error proto_date_parse(struct proto_slice text, int32_t *day_out) {
    uint32_t at = 0;
    int32_t day;
    if (text.size != 10 || !read_date(text, &at, &day))
        return PROTO_BAD_VALUE;
    *day_out = day;
    return PROTO_OK;
}

void proto_date_format(int32_t day, char out[11]) {
    struct proto_date date = proto_date_from_day(day);
    assert(date.year >= 0 && date.year <= 9999);
    int32_t year = date.year;
    for (int i = 3; i >= 0; i--, year /= 10)
        out[i] = (char)('0' + year % 10);
    out[4] = out[7] = '-';
    out[5] = (char)('0' + date.month / 10);
    out[6] = (char)('0' + date.month % 10);
    out[8] = (char)('0' + date.day / 10);
    out[9] = (char)('0' + date.day % 10);
    out[10] = '\0';
}

/* A fraction of a second as milliseconds; further digits are cut. */
static bool read_fraction(struct proto_slice text, uint32_t *at, int32_t *ms) {
    int32_t digit, weight = 100;
    *ms = 0;
    if (!read_one_of(text, at, "."))
        return true;
    if (!read_digits(text, at, 1, &digit))
        return false;
    do {
        *ms += digit * weight;
        weight /= 10;
    } while (read_digits(text, at, 1, &digit));
    return true;
}

static bool read_offset(struct proto_slice text, uint32_t *at, int32_t *minutes) {
    int32_t hour, minute;
    *minutes = 0;
    if (read_one_of(text, at, "Zz"))
        return true;
    bool west = *at < text.size && text.data[*at] == '-';
    if (!read_one_of(text, at, "+-") || !read_digits(text, at, 2, &hour) || !read_one_of(text, at, ":") ||
        !read_digits(text, at, 2, &minute) || hour > 23 || minute > 59)
        return false;
    *minutes = west ? -(hour * 60 + minute) : hour * 60 + minute;
    return true;
}

enum proto_error proto_time_parse(struct proto_slice text, int64_t *ms_out) {
    uint32_t at = 0;
    int32_t day, hour, minute, second, ms, offset_min;
    if (!read_date(text, &at, &day) || !read_one_of(text, &at, "Tt ") || !read_digits(text, &at, 2, &hour) ||
        !read_one_of(text, &at, ":") || !read_digits(text, &at, 2, &minute) || !read_one_of(text, &at, ":") ||
        !read_digits(text, &at, 2, &second) || !read_fraction(text, &at, &ms) || !read_offset(text, &at, &offset_min))
        return PROTO_BAD_VALUE;
    if (at != text.size || hour > 23 || minute > 59 || second > 60)
        return PROTO_BAD_VALUE;
    int64_t seconds = (int64_t)day * 86400 + (int64_t)hour * 3600 + ((int64_t)minute - offset_min) * 60 + second;
    *ms_out = seconds * 1000 + ms;
    return PROTO_OK;
}

void proto_time_format(int64_t ms, char out[32]) {
    int64_t day = ms / PROTO_DAY_MS, rest = ms % PROTO_DAY_MS;
    if (rest < 0) {
        rest += PROTO_DAY_MS;
        day--;
    }
    assert(day >= INT32_MIN && day <= INT32_MAX);
    char date[11];
    proto_date_format((int32_t)day, date);
    int seconds = (int)(rest / 1000), fraction = (int)(rest % 1000);
    int size = snprintf(out, 32, "%sT%02d:%02d:%02d", date, seconds / 3600, seconds / 60 % 60, seconds % 60);
    if (fraction)
        size += snprintf(out + size, (size_t)(32 - size), ".%03d", fraction);
    (void)snprintf(out + size, (size_t)(32 - size), "Z");
}

enum proto_error proto_amount_parse(struct proto_slice text, int64_t *hundredths_out) {
    uint32_t at = 0, digits = 0;
    int32_t digit;
    int64_t hundredths = 0;
    bool minus = read_one_of(text, &at, "-");
    while (read_digits(text, &at, 1, &digit)) {
        if (++digits > 15) /* so that hundredths stay far inside 64 bits */
            return PROTO_BAD_VALUE;
        hundredths = hundredths * 10 + digit;
    }
    if (digits == 0)
        return PROTO_BAD_VALUE;
    hundredths *= 100;
    if (read_one_of(text, &at, ".")) {
        if (!read_digits(text, &at, 1, &digit))
            return PROTO_BAD_VALUE;
        hundredths += 10 * (int64_t)digit;
        if (read_digits(text, &at, 1, &digit))
            hundredths += digit;
    }
    if (at != text.size)
        return PROTO_BAD_VALUE;
    *hundredths_out = minus ? -hundredths : hundredths;
    return PROTO_OK;
}

size_t proto_amount_format(int64_t hundredths, char out[24]) {
    uint64_t size = hundredths < 0 ? 0 - (uint64_t)hundredths : (uint64_t)hundredths;
    const char *sign = hundredths < 0 ? "-" : "";
    unsigned rest = (unsigned)(size % 100);
    int written;
    if (rest == 0)
        written = snprintf(out, 24, "%s%llu", sign, (unsigned long long)(size / 100));
    else if (rest % 10 == 0)
        written = snprintf(out, 24, "%s%llu.%u", sign, (unsigned long long)(size / 100), rest / 10);
    else
        written = snprintf(out, 24, "%s%llu.%02u", sign, (unsigned long long)(size / 100), rest);
    assert(written > 0 && written < 24);
    return (size_t)written;
}
