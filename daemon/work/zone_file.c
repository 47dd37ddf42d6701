/*
 * zone_file.c - the rule at the end of a compiled zone file (RFC 8536, section 3.3; POSIX TZ strings).
 *
 * Why it is read at all: GLib lists what the file lists and works out later years itself, but takes a zone whose winter time
 * is the changed one (Europe/Dublin) an hour too far from 2038 on.
 */
#include "work/zone_file.h"

#include <string.h>

#include "proto/calendar.h"
#include "work/bytes.h"

#define HEADER_BYTES 44

struct counts {
    uint32_t utc, standard, leap, time, type, chars;
};

static bool read_header(struct work_reader *r, struct counts *c) {
    const uint8_t *at = work_take(r, HEADER_BYTES);
    if (!at || memcmp(at, "TZif", 4) != 0 || at[4] < '2')
        return false;
    uint32_t *all[] = {&c->utc, &c->standard, &c->leap, &c->time, &c->type, &c->chars};
    for (size_t i = 0; i < sizeof all / sizeof *all; i++)
        *all[i] = work_get_u32(at + 20 + 4 * i);
    return true;
}

static size_t block_size(const struct counts *c, size_t time_bytes) {
    return c->time * (time_bytes + 1) + (size_t)c->type * 6 + c->chars + c->leap * (time_bytes + 4) + c->standard +
           c->utc;
}

/* --- the rule ------------------------------------------------------------------------------------ */

struct text {
    const char *at, *end;
    bool bad;
};

static bool eat(struct text *t, char c) {
    if (t->bad || t->at == t->end || *t->at != c)
        return false;
    t->at++;
    return true;
}

static int32_t number(struct text *t, int32_t max) {
    int32_t n = 0;
    const char *from = t->at;
    while (!t->bad && t->at < t->end && *t->at >= '0' && *t->at <= '9' && n <= max)
        n = n * 10 + (*t->at++ - '0');
    if (t->at == from || n > max)
        t->bad = true;
    return n;
}

static void name(struct text *t) {
    bool quoted = eat(t, '<');
    const char *from = t->at;
    while (t->at < t->end &&
           (quoted ? *t->at != '>' : (*t->at >= 'A' && *t->at <= 'Z') || (*t->at >= 'a' && *t->at <= 'z')))
        t->at++;
    if (t->at == from || (quoted && !eat(t, '>')))
        t->bad = true;
}

/* [+-]hh[:mm[:ss]], up to 167 hours. */
static int32_t clock_seconds(struct text *t) {
    int32_t sign = eat(t, '-') ? -1 : 1;
    if (sign > 0)
        (void)eat(t, '+');
    int32_t s = number(t, 167) * 3600;
    if (eat(t, ':'))
        s += number(t, 59) * 60;
    if (eat(t, ':'))
        s += number(t, 59);
    return sign * s;
}

static struct work_zone_change change(struct text *t) {
    struct work_zone_change c = {.form = 'D', .seconds = 7200};
    if (eat(t, 'M')) {
        c.form = 'M';
        c.month = number(t, 12);
        t->bad |= !eat(t, '.') || c.month < 1;
        c.week = number(t, 5);
        t->bad |= !eat(t, '.') || c.week < 1;
        c.day = number(t, 6);
    } else {
        c.form = eat(t, 'J') ? 'J' : 'D';
        c.day = number(t, 365);
    }
    if (eat(t, '/'))
        c.seconds = clock_seconds(t);
    return c;
}

static bool read_rule(const uint8_t *bytes, size_t size, struct work_zone_rule *out) {
    struct text t = {(const char *)bytes, (const char *)bytes + size, false};
    t.bad = !eat(&t, '\n');
    name(&t);
    out->standard_s = -clock_seconds(&t);
    out->changes = !t.bad && t.at < t.end && *t.at != '\n';
    if (out->changes) {
        name(&t);
        out->summer_s = t.at < t.end && *t.at != ',' ? -clock_seconds(&t) : out->standard_s + 3600;
        t.bad |= !eat(&t, ',');
        out->to_summer = change(&t);
        t.bad |= !eat(&t, ',');
        out->to_standard = change(&t);
    }
    return !t.bad && eat(&t, '\n') && t.at == t.end;
}

bool work_zone_rule_read(const uint8_t *bytes, size_t size, struct work_zone_rule *out) {
    struct work_reader r = work_reader_of((struct store_bytes){bytes, size});
    struct counts first, second;
    *out = (struct work_zone_rule){.last_s = INT64_MIN};
    if (!read_header(&r, &first) || !work_take(&r, block_size(&first, 4)) || !read_header(&r, &second))
        return false;
    const uint8_t *block = work_take(&r, block_size(&second, 8));
    if (!block)
        return false;
    if (second.time)
        out->last_s = (int64_t)work_get_u64(block + 8 * ((size_t)second.time - 1));
    return read_rule(r.at, work_reader_left(&r), out);
}

static int32_t day_of_change(const struct work_zone_change *c, int32_t year) {
    int32_t first = proto_day_from_date((struct proto_date){year, 1, 1});
    if (c->form == 'D')
        return first + c->day;
    if (c->form == 'J') {
        bool leap = proto_date_valid((struct proto_date){year, 2, 29});
        return first + c->day - 1 + (leap && c->day >= 60);
    }
    int32_t month = proto_day_from_date((struct proto_date){year, c->month, 1});
    int32_t day = month + (c->day - proto_day_of_week(month) % 7 + 7) % 7 + 7 * (c->week - 1); /* Sunday is 0 here */
    int32_t next = proto_day_add_months(month, 1);
    return day >= next ? day - 7 : day;
}

int64_t work_zone_change_at(const struct work_zone_change *c, int32_t year, int32_t offset_s) {
    return (int64_t)day_of_change(c, year) * 86400 + c->seconds - offset_s;
}
