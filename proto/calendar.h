/*
 * calendar.h - dates, RFC 3339 times and amounts: civil arithmetic and text. Pure, any thread. Zones are care/'s.
 */
#ifndef PROTO_CALENDAR_H
#define PROTO_CALENDAR_H

#include "proto/value.h"

#define PROTO_DAY_MS 86400000LL

struct proto_date {
    int32_t year;
    int32_t month;
    int32_t day;
}; /* month 1..12, day 1..31, proleptic Gregorian */

int32_t proto_day_from_date(struct proto_date date); /* days since 1970-01-01 */
struct proto_date proto_date_from_day(int32_t day);
bool proto_date_valid(struct proto_date date);
int32_t proto_day_add_months(int32_t day, int32_t months); /* clamps to the month's end */
int32_t proto_day_of_week(int32_t day);                    /* 1 Monday .. 7 Sunday */

enum proto_error proto_date_parse(struct proto_slice text, int32_t *day_out) PROTO_MUST_CHECK; /* "2026-03-01" only */
void proto_date_format(int32_t day, char out[11]);
enum proto_error proto_time_parse(struct proto_slice text, int64_t *ms_out)
    PROTO_MUST_CHECK; /* RFC 3339; fractions beyond ms are cut; :60 counts as the next second */
void proto_time_format(int64_t ms, char out[32]); /* "2026-03-01T14:00:00Z", ms shown only when not 0 */
enum proto_error proto_amount_parse(struct proto_slice text, int64_t *hundredths_out)
    PROTO_MUST_CHECK;                                         /* "4", "3.5", "-0.25"; at most two decimals */
size_t proto_amount_format(int64_t hundredths, char out[24]); /* shortest: "4", "3.5", "3.45" */

#endif
