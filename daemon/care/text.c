/*
 * text.c - the wordings by number, and their placeholders filled from an alert.
 *
 * What always holds: tables are made from wordings_table.h alone; a number out of range is our own mistake and aborts.
 */
#include "care/text.h"

#include <assert.h>
#include <string.h>

/* --- bounded text ------------------------------------------------------------------------ */

void care_text_init(struct care_text *text, char *out, size_t cap) {
    assert(cap > 0);
    *text = (struct care_text){.out = out, .cap = cap};
    out[0] = '\0';
}

/* Longest beginning of `part` of at most `room` bytes that ends at a UTF-8 character. */
static size_t text_whole_characters(const char *part, size_t size, size_t room) {
    if (size <= room)
        return size;
    size_t n = room;
    while (n > 0 && ((unsigned char)part[n] & 0xC0u) == 0x80u)
        n--;
    return n;
}

static void text_add_bytes(struct care_text *text, const char *part, size_t size) {
    assert(text->size < text->cap);
    if (text->cut)
        return;
    size_t room = text->cap - 1 - text->size, n = text_whole_characters(part, size, room);
    memcpy(text->out + text->size, part, n);
    text->size += n;
    text->out[text->size] = '\0';
    text->cut = n < size;
}

void care_text_add(struct care_text *text, const char *part) {
    text_add_bytes(text, part, strlen(part));
}

void care_text_add_int(struct care_text *text, int64_t number) {
    char digits[24];
    size_t at = sizeof digits;
    uint64_t rest = number < 0 ? 0u - (uint64_t)number : (uint64_t)number;
    do
        digits[--at] = (char)('0' + rest % 10);
    while ((rest /= 10) != 0);
    if (number < 0)
        digits[--at] = '-';
    text_add_bytes(text, digits + at, sizeof digits - at);
}

void care_text_add_amount(struct care_text *text, int64_t hundredths) {
    char number[24];
    text_add_bytes(text, number, proto_amount_format(hundredths, number));
}

void care_text_add_day(struct care_text *text, int32_t day) {
    static const char months[12][4] = {"Jan", "Feb", "Mar", "Apr", "May", "Jun",
                                       "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"};
    struct proto_date date = proto_date_from_day(day);
    assert(date.month >= 1 && date.month <= 12);
    care_text_add_int(text, date.day);
    care_text_add(text, " ");
    care_text_add(text, months[date.month - 1]);
    care_text_add(text, " ");
    care_text_add_int(text, date.year);
}

void care_text_add_local(struct care_text *text, int64_t local_ms) {
    int64_t day = local_ms >= 0 ? local_ms / PROTO_DAY_MS : -((-local_ms + PROTO_DAY_MS - 1) / PROTO_DAY_MS);
    int64_t minute = (local_ms - day * PROTO_DAY_MS) / 60000;
    char clock[6] = {(char)('0' + minute / 600),     (char)('0' + minute / 60 % 10), ':',
                     (char)('0' + minute % 60 / 10), (char)('0' + minute % 10),      '\0'};
    care_text_add(text, clock);
    care_text_add(text, " on ");
    care_text_add_day(text, (int32_t)day);
}

void care_text_add_listed(struct care_text *text, const char *part) {
    if (text->size > 0)
        care_text_add(text, ", ");
    care_text_add(text, part);
}

/* --- the declared parts ------------------------------------------------------------------ */

struct text_rule {
    const char *rule, *basis;
};
static const struct text_rule text_rules[PROTO_ALERT_COUNT] = {
#define TEXT_RULE(alert, rule, basis) [PROTO_ALERT_##alert] = {rule, basis},
    CARE_RULES(TEXT_RULE)};

struct text_found {
    uint8_t alert;
    const char *text;
};
static const struct text_found text_founds[CARE_FOUND_COUNT] = {
#define TEXT_FOUND(alert, wording, text) [CARE_FOUND_##alert##_##wording] = {PROTO_ALERT_##alert, text},
    CARE_FOUNDS(TEXT_FOUND)};

struct text_next {
    uint8_t alert;
    const char *call, *home, *other;
};
static const struct text_next text_nexts[CARE_NEXT_COUNT] = {
#define TEXT_NEXT(alert, wording, ...) [CARE_NEXT_##alert##_##wording] = {PROTO_ALERT_##alert, __VA_ARGS__},
    CARE_NEXTS(TEXT_NEXT)};

const char *care_alert_rule(enum proto_alert alert) {
    assert(alert > PROTO_ALERT_NONE && alert < PROTO_ALERT_COUNT);
    return text_rules[alert].rule;
}

const char *care_alert_basis(enum proto_alert alert) {
    assert(alert > PROTO_ALERT_NONE && alert < PROTO_ALERT_COUNT);
    return text_rules[alert].basis;
}

static const struct text_found *text_found_get(enum care_found found) {
    assert((unsigned)found < CARE_FOUND_COUNT);
    return &text_founds[found];
}

static const struct text_next *text_next_get(enum care_next next) {
    assert((unsigned)next < CARE_NEXT_COUNT);
    return &text_nexts[next];
}

enum proto_alert care_found_alert(enum care_found found) {
    return (enum proto_alert)text_found_get(found)->alert;
}
enum proto_alert care_next_alert(enum care_next next) {
    return (enum proto_alert)text_next_get(next)->alert;
}
const char *care_found_text(enum care_found found) {
    return text_found_get(found)->text;
}
const char *care_next_call(enum care_next next) {
    return text_next_get(next)->call;
}

const char *care_next_text(enum care_next next, bool home_change) {
    const struct text_next *entry = text_next_get(next);
    return home_change ? entry->home : entry->other;
}

bool care_next_depends_on_home(enum care_next next) {
    const struct text_next *entry = text_next_get(next);
    return strcmp(entry->home, entry->other) != 0;
}

/* --- placeholders ------------------------------------------------------------------------- */

static void text_add_arg(struct care_text *text, int64_t arg, char form) {
    switch (form) {
    case 'a':
        care_text_add_amount(text, arg);
        return;
    case 'n':
        care_text_add_int(text, arg);
        return;
    case 'd':
        care_text_add_day(text, (int32_t)arg);
        return;
    case 't':
        care_text_add_local(text, arg);
        return;
    case 'c': {
        const char *name = arg > 0 ? proto_choice_name("contact_to", (uint32_t)arg) : NULL;
        care_text_add(text, name ? name : "other");
        return;
    }
    default:
        assert(false && "a wording names a placeholder that is not declared");
    }
}

/* The placeholder at `at` ("{0a}", "{s}", "{b}"); returns the byte after it. */
static const char *text_fill(struct care_text *text, const char *at, const struct care_alert *alert) {
    assert(at[0] == '{');
    if (at[1] == 's')
        care_text_add(text, alert->text);
    else if (at[1] == 'b')
        care_text_add(text, alert->about ? proto_alert_name((enum proto_alert)alert->about) : "an alert");
    else {
        unsigned index = (unsigned)(at[1] - '0');
        assert(index < sizeof alert->args / sizeof alert->args[0]);
        text_add_arg(text, alert->args[index], at[2]);
        at++;
    }
    assert(at[2] == '}');
    return at + 3;
}

static void text_expand(struct care_text *text, const char *wording, const struct care_alert *alert) {
    const char *at = wording;
    while (*at) {
        if (*at == '{') {
            at = text_fill(text, at, alert);
            continue;
        }
        size_t plain = 0;
        while (at[plain] && at[plain] != '{')
            plain++;
        text_add_bytes(text, at, plain);
        at += plain;
    }
}

void care_alert_found(const struct care_alert *alert, char out[CARE_SENTENCE_BYTES]) {
    struct care_text text;
    care_text_init(&text, out, CARE_SENTENCE_BYTES);
    text_expand(&text, care_found_text((enum care_found)alert->found), alert);
}

void care_alert_next(const struct care_alert *alert, const struct care_alert_step *step,
                     char out[CARE_SENTENCE_BYTES]) {
    struct care_text text;
    care_text_init(&text, out, CARE_SENTENCE_BYTES);
    /* args[5] of a dislodgement: the child has an emergency plan of their own, and it comes first. */
    if (alert->alert == PROTO_ALERT_TUBE_OUT && alert->args[5] != 0)
        care_text_add(&text, "First the child's own emergency plan. If the plan does not say otherwise: ");
    text_expand(&text, care_next_text((enum care_next)step->wording, step->home_change), alert);
}
