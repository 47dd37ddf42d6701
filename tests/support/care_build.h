/*
 * care_build.h - events in one line each, for tests of the rules and of what carries them.
 *
 *     EV(balloon_checked, at, F(balloon_checked, withdrawn_ml, 400), F(balloon_checked, filled_ml, 500))
 *
 * What always holds: an event made here has an id of its own that grows with
 * the order in which events are made, and is seen by a nurse unless changed.
 * Amounts in hundredths, dates in days, times in ms, choices by number, sets as bits.
 */
#ifndef TESTS_SUPPORT_CARE_BUILD_H
#define TESTS_SUPPORT_CARE_BUILD_H

#include "proto/calendar.h"
#include "proto/event.h"
#include "proto/ids.h"

struct ev_field {
    int field;
    int64_t n;        /* number; for CHOICES the set */
    const char *text; /* TEXT, and the one entry of TEXTS */
};
#define F(kind, field, value) ((struct ev_field){PROTO_FIELD_##kind##_##field, (value), NULL})
#define F_TEXT(kind, field, value) ((struct ev_field){PROTO_FIELD_##kind##_##field, 1, (value)})
#define F_END ((struct ev_field){-1, 0, NULL})
#define EV(kind, at, ...) ev_make(PROTO_KIND_##kind, (at), (const struct ev_field[]){__VA_ARGS__, F_END})
#define EV_BARE(kind, at) ev_make(PROTO_KIND_##kind, (at), (const struct ev_field[]){F_END})

/* Bit of a choice in a set. */
#define EV_BIT(choice) (INT64_C(1) << ((choice)-1))

#define EV_MIN INT64_C(60000)
#define EV_HOUR INT64_C(3600000)
#define EV_DAY INT64_C(86400000)

/* An event of a kind with the given fields; texts are not copied. Aborts on a field that the kind does not have. */
struct proto_event ev_make(enum proto_kind kind, int64_t at, const struct ev_field *fields);
/* The same event, told instead of seen; about the second stoma; of another written_at. */
struct proto_event ev_told(struct proto_event event);
struct proto_event ev_second(struct proto_event event);
struct proto_event ev_written(struct proto_event event, int64_t written_at);
/* Midnight UTC of a date, in ms; and its day. */
int64_t ev_time(int year, int month, int day);
int32_t ev_day(int year, int month, int day);

#endif
