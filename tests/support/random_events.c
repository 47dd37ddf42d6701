/*
 * random_events.c - events made from the table of kinds itself, so that a new kind or field is tried the day it is declared.
 */
#include "support/random_events.h"

#include "proto/calendar.h"
#include "proto/ids.h"
#include "proto/writer.h"

#include <msgpack.h>

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FIRST_DAY 20454 /* 2026-01-01 */

uint64_t random_next(struct random_source *source) { /* splitmix64 */
    uint64_t z = (source->state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

uint32_t random_below(struct random_source *source, uint32_t limit) {
    assert(limit > 0);
    return (uint32_t)(random_next(source) % limit);
}

bool random_chance(struct random_source *source, uint32_t percent) {
    return random_below(source, 100) < percent;
}

struct proto_id random_id(struct random_source *source, int64_t at_ms) {
    struct proto_id id;
    uint64_t a = random_next(source), b = random_next(source);
    for (int i = 0; i < 6; i++)
        id.bytes[i] = (uint8_t)(at_ms >> (40 - 8 * i));
    memcpy(id.bytes + 6, &a, 2);
    memcpy(id.bytes + 8, &b, 8);
    id.bytes[6] = (uint8_t)(0x70u | (id.bytes[6] & 0x0fu));
    id.bytes[8] = (uint8_t)(0x80u | (id.bytes[8] & 0x3fu));
    return id;
}

void random_shuffle(struct random_source *source, uint32_t *order, uint32_t count) {
    for (uint32_t i = count; i > 1; i--) {
        uint32_t j = random_below(source, i);
        uint32_t kept = order[i - 1];
        order[i - 1] = order[j];
        order[j] = kept;
    }
}

/* --- one value ---------------------------------------------------------------------------------------------- */

struct making {
    struct random_source *source;
    const struct random_history *history;
    uint32_t made;
    enum proto_kind kind;
    int64_t at;
    struct proto_writer w;
};

static const char *const words[] = {"ann", "ben", "cal", "dee", "gloves", "syringes", "walk", "lift"};
static const char *const zones[] = {"Europe/London", "Australia/Lord_Howe", "Africa/Cairo", "America/St_Johns"};
static const char *const teams[] = {"north-shore", "mill-lane", "fell-side"};
static const char *const gtins[] = {"6291041500213", "7300011000017", "8904000210037"}; /* GS1 check digit pages */
static const char *const own_tasks[] = {
    "walk",     "lift",         "swim",         "balloon-check", "device-change",      "spare-check",
    "training", "stitches-out", "return-check", "first-visit",   "hospital-follow-up", "weight"};

#define PICK(m, list) (list)[random_below((m)->source, (uint32_t)(sizeof(list) / sizeof((list)[0])))]

static void make_text(struct making *m, const struct proto_field *field) {
    const char *text = PICK(m, words);
    if (strcmp(field->name, "zone") == 0)
        text = PICK(m, zones);
    else if (strcmp(field->name, "team") == 0)
        text = PICK(m, teams);
    else if (strcmp(field->name, "gtin") == 0)
        text = PICK(m, gtins);
    else if (strcmp(field->name, "task") == 0)
        text = m->kind == PROTO_KIND_task_added ? own_tasks[random_below(m->source, 3)] : PICK(m, own_tasks);
    proto_write_text(&m->w, text);
}

static int64_t between(struct making *m, int64_t low, int64_t high) {
    assert(high >= low);
    return low + (int64_t)(random_next(m->source) % (uint64_t)(high - low + 1));
}

/* Numbers near the limits of the rules, so that both sides of them come up. */
static int64_t make_number(struct making *m, const struct proto_field *field) {
    int64_t high = field->max < field->min + 1200 ? field->max : field->min + 1200;
    if (strcmp(field->name, "fever_c") == 0)
        return between(m, 3700, 3900);
    if (strcmp(field->name, "ph") == 0)
        return between(m, 300, 700);
    if (strstr(field->name, "_ml") && field->max >= 600)
        return between(m, field->min > 300 ? field->min : 300, 600);
    return between(m, field->min, high);
}

static int32_t make_day(struct making *m, const struct proto_field *field) {
    int32_t today = (int32_t)(m->at / PROTO_DAY_MS);
    bool past =
        strcmp(field->name, "born") == 0 || strcmp(field->name, "formed_on") == 0 || strcmp(field->name, "since") == 0;
    int32_t span = strcmp(field->name, "born") == 0 ? 2000 : 120;
    return past ? today - (int32_t)random_below(m->source, (uint32_t)span)
                : today - 20 + (int32_t)random_below(m->source, (uint32_t)span);
}

static struct proto_id some_event(struct making *m, enum proto_kind kind) {
    for (int tries = 0; tries < 40 && m->made > 0; tries++) {
        const struct proto_event *event = &m->history->events[random_below(m->source, m->made)];
        if (kind == PROTO_KIND_UNKNOWN || event->kind == kind)
            return event->id;
    }
    return random_id(m->source, m->at);
}

static void make_list(struct making *m, const struct proto_field *field, const char *const *keys, uint32_t key_count,
                      bool number_last) {
    uint32_t count = random_below(m->source, (uint32_t)(field->max < 3 ? field->max : 3) + 1);
    proto_write_array(&m->w, count);
    for (uint32_t i = 0; i < count; i++) {
        proto_write_map(&m->w, key_count);
        for (uint32_t k = 0; k < key_count; k++) {
            proto_write_text(&m->w, keys[k]);
            if (number_last && k + 1 == key_count)
                proto_write_amount(&m->w, between(m, 0, 500));
            else
                proto_write_text(&m->w, words[(i + k) % 8]);
        }
    }
}

static void make_pauses(struct making *m) {
    uint32_t count = 1 + random_below(m->source, PROTO_PAUSES_MAX);
    int32_t day = (int32_t)(m->at / PROTO_DAY_MS);
    proto_write_array(&m->w, count);
    for (uint32_t i = 0; i < count; i++) {
        int32_t from = day + (int32_t)random_below(m->source, 40);
        proto_write_array(&m->w, 2);
        proto_write_date(&m->w, from);
        proto_write_date(&m->w, from + (int32_t)random_below(m->source, 10));
    }
}

static void make_policies(struct making *m) {
    uint32_t count = 1 + random_below(m->source, 3);
    uint32_t first = 1 + random_below(m->source, PROTO_POLICY_COUNT - 4);
    proto_write_map(&m->w, count);
    for (uint32_t i = 0; i < count; i++) {
        const struct proto_policy_info *info = proto_policy_get((enum proto_policy)(first + i));
        proto_write_text(&m->w, info->name);
        proto_write_amount(&m->w,
                           between(m, info->min / 100, info->max / 100) * 100 < info->min ? info->min : info->fallback);
    }
}

static void make_choice(struct making *m, const struct proto_field *field) {
    uint32_t count = proto_choice_count(field->choices);
    proto_write_text(&m->w, proto_choice_name(field->choices, 1 + random_below(m->source, count)));
}

static void make_choices(struct making *m, const struct proto_field *field) {
    uint32_t count = proto_choice_count(field->choices);
    uint32_t first = 1 + random_below(m->source, count), second = 1 + random_below(m->source, count);
    proto_write_array(&m->w, first == second ? 1 : 2);
    proto_write_text(&m->w, proto_choice_name(field->choices, first));
    if (first != second)
        proto_write_text(&m->w, proto_choice_name(field->choices, second));
}

static void make_scalar(struct making *m, const struct proto_field *field) {
    switch (field->type) {
    case PROTO_TYPE_BOOL:
        proto_write_bool(&m->w, field->min == 1 || random_chance(m->source, 50));
        break;
    case PROTO_TYPE_INT:
        proto_write_int(&m->w, between(m, field->min, field->max < field->min + 40 ? field->max : field->min + 40));
        break;
    case PROTO_TYPE_AMOUNT:
        proto_write_amount(&m->w, make_number(m, field));
        break;
    case PROTO_TYPE_DATE:
        proto_write_date(&m->w, make_day(m, field));
        break;
    case PROTO_TYPE_TIME:
        proto_write_int(&m->w, strcmp(field->name, "last_seen_at") == 0 ? m->at - between(m, 0, 4 * 3600000)
                                                                        : m->at + between(m, 0, 4 * 86400000));
        break;
    case PROTO_TYPE_ID: {
        bool confirm = m->kind == PROTO_KIND_withdrawal_confirmed;
        struct proto_id id = m->kind == PROTO_KIND_patient_merged
                                 ? random_id(m->source, m->at)
                                 : some_event(m, confirm ? PROTO_KIND_event_withdrawn : PROTO_KIND_UNKNOWN);
        proto_write_id(&m->w, &id);
        break;
    }
    case PROTO_TYPE_CHOICE:
        make_choice(m, field);
        break;
    case PROTO_TYPE_CHOICES:
        make_choices(m, field);
        break;
    default:
        make_text(m, field);
        break;
    }
}

static void make_value(struct making *m, const struct proto_field *field) {
    static const char *const identifier[] = {"system", "value"};
    static const char *const contact[] = {"role", "name", "phone"};
    static const char *const use[] = {"item", "per_day"};
    switch (field->type) {
    case PROTO_TYPE_TEXTS:
        proto_write_array(&m->w, 1);
        proto_write_text(&m->w, PICK(m, words));
        break;
    case PROTO_TYPE_IDENTIFIERS:
        make_list(m, field, identifier, 2, false);
        break;
    case PROTO_TYPE_CONTACTS:
        make_list(m, field, contact, 3, false);
        break;
    case PROTO_TYPE_USES:
        make_list(m, field, use, 2, true);
        break;
    case PROTO_TYPE_PAUSES:
        make_pauses(m);
        break;
    case PROTO_TYPE_VALUES:
        make_policies(m);
        break;
    default:
        make_scalar(m, field);
        break;
    }
}

/* --- one event ------------------------------------------------------------------------------------------------ */

/* What goes together in one body, where chance alone would seldom find it. */
static void settle_fields(struct making *m, bool present[PROTO_BODY_FIELDS_MAX]) {
    bool coin = random_chance(m->source, 50);
    if (m->kind == PROTO_KIND_balloon_checked) {
        bool stuck = random_chance(m->source, 15), empty = random_chance(m->source, 10);
        present[PROTO_FIELD_balloon_checked_stuck] = stuck;
        present[PROTO_FIELD_balloon_checked_withdrawn_ml] = !stuck;
        present[PROTO_FIELD_balloon_checked_filled_ml] = !stuck && !empty;
        present[PROTO_FIELD_balloon_checked_left_empty] = !stuck && empty;
    } else if (m->kind == PROTO_KIND_plan_set) {
        bool off = random_chance(m->source, 20);
        present[PROTO_FIELD_plan_set_task] = true;
        present[PROTO_FIELD_plan_set_policy] = present[PROTO_FIELD_plan_set_value] = false;
        present[PROTO_FIELD_plan_set_off] = off;
        present[PROTO_FIELD_plan_set_every_days] = !off;
        if (off) {
            present[PROTO_FIELD_plan_set_until] = true;
            present[PROTO_FIELD_plan_set_weekdays] = present[PROTO_FIELD_plan_set_pauses] = false;
        }
    } else if (m->kind == PROTO_KIND_lot_recalled) {
        present[PROTO_FIELD_lot_recalled_lot] = coin;
        present[PROTO_FIELD_lot_recalled_gtin] = !coin;
    } else if (m->kind == PROTO_KIND_stoma_formed) {
        present[PROTO_FIELD_stoma_formed_mature_on] = random_chance(m->source, 10);
    } else if (m->kind == PROTO_KIND_device_prescribed) {
        present[PROTO_FIELD_device_prescribed_balloon_ml] = true;
    } else if (m->kind == PROTO_KIND_patient_revised) {
        present[PROTO_FIELD_patient_revised_named_nurse] = true;
        present[PROTO_FIELD_patient_revised_zone] = random_chance(m->source, 20);
    }
}

static void make_body(struct making *m) {
    const struct proto_kind_info *kind = proto_kind_get(m->kind);
    bool present[PROTO_BODY_FIELDS_MAX] = {false};
    uint32_t count = 0;
    for (uint32_t i = 0; i < kind->field_count; i++)
        present[i] = kind->fields[i].required || random_chance(m->source, 40);
    settle_fields(m, present);
    for (uint32_t i = 0; i < kind->field_count; i++)
        count += present[i];
    proto_write_map(&m->w, count);
    for (uint32_t i = 0; i < kind->field_count; i++) {
        if (!present[i])
            continue;
        proto_write_text(&m->w, kind->fields[i].name);
        make_value(m, &kind->fields[i]);
    }
}

/* The map as a caller sends it. */
static void make_map(struct making *m, const struct proto_id *id, const struct proto_id *replaces) {
    bool child = proto_kind_get(m->kind)->scope != PROTO_SCOPE_TEAM;
    bool second = proto_kind_get(m->kind)->scope == PROTO_SCOPE_STOMA && random_chance(m->source, 12);
    bool visit = child && random_chance(m->source, 20);
    bool seen = random_chance(m->source, 70);
    proto_write_map(&m->w, 4u + child + second + visit + seen + (replaces != NULL));
    proto_write_text(&m->w, "id");
    proto_write_id(&m->w, id);
    proto_write_text(&m->w, "kind");
    proto_write_text(&m->w, proto_kind_get(m->kind)->name);
    if (child) {
        proto_write_text(&m->w, "patient");
        proto_write_id(&m->w, &m->history->patient);
    }
    proto_write_text(&m->w, "at");
    proto_write_int(&m->w, m->at);
    if (seen) {
        proto_write_text(&m->w, "source");
        proto_write_text(&m->w, "seen");
    }
    if (visit) {
        struct proto_id visit_id = random_id(m->source, m->at);
        proto_write_text(&m->w, "visit");
        proto_write_id(&m->w, &visit_id);
    }
    if (second) {
        proto_write_text(&m->w, "stoma");
        proto_write_text(&m->w, "second");
    }
    if (replaces) {
        proto_write_text(&m->w, "replaces");
        proto_write_id(&m->w, replaces);
    }
    proto_write_text(&m->w, "body");
    make_body(m);
}

static void fail_with(const struct making *m, const char *message) {
    (void)fprintf(stderr, "random_events: %s refused: %s\n", proto_kind_get(m->kind)->name, message);
    abort();
}

/* Stamped, encoded, decoded: the event as a store hands it out. */
static void keep_event(struct making *m, struct random_history *history, struct proto_event *event) {
    uint8_t buffer[PROTO_EVENT_BYTES_MAX];
    struct random_event *sent = &history->sent[history->count];
    static const char *const accounts[] = {"nurse.a", "nurse.b", "local"};
    const char *by = PICK(m, accounts);
    event->by = (struct proto_slice){by, (uint32_t)strlen(by)};
    event->node = random_id(m->source, m->at);
    event->written_at = m->at + between(m, 0, 3 * 86400000);
    event->clock_offset_ms = random_chance(m->source, 5) ? between(m, -1800000, 1800000) : 0;
    if (proto_event_encode(event, buffer, sizeof buffer, &sent->size) != PROTO_OK)
        fail_with(m, "does not encode");
    sent->bytes = malloc(sent->size);
    if (!sent->bytes)
        abort();
    memcpy(sent->bytes, buffer, sent->size);
    if (proto_event_decode(sent->bytes, sent->size, history->arena, &history->events[history->count]) != PROTO_OK)
        fail_with(m, "does not decode again");
    history->count++;
}

static bool make_event(struct making *m, struct random_history *history, enum proto_kind kind,
                       const struct proto_id *replaces) {
    uint8_t buffer[PROTO_EVENT_BYTES_MAX];
    struct proto_fault fault = {0};
    for (int tries = 0; tries < 60; tries++) {
        struct proto_id id = random_id(m->source, m->at);
        struct proto_event event;
        msgpack_unpacked unpacked;
        size_t used = 0;
        m->kind = kind;
        m->made = history->count;
        proto_writer_init(&m->w, buffer, sizeof buffer);
        make_map(m, &id, replaces);
        if (m->w.error != PROTO_OK)
            fail_with(m, "too large");
        msgpack_unpacked_init(&unpacked);
        if (msgpack_unpack_next(&unpacked, (const char *)buffer, m->w.size, &used) != MSGPACK_UNPACK_SUCCESS)
            fail_with(m, "is not MessagePack");
        enum proto_error error = proto_event_decode_map(&unpacked.data, PROTO_STRICT_RECORD, &event, &fault);
        if (error == PROTO_OK)
            keep_event(m, history, &event);
        msgpack_unpacked_destroy(&unpacked);
        if (error == PROTO_OK)
            return true;
    }
    fail_with(m, fault.message);
    return false;
}

/* --- one history ------------------------------------------------------------------------------------------------ */

static const enum proto_kind routine[] = {
    PROTO_KIND_balloon_checked, PROTO_KIND_balloon_checked, PROTO_KIND_balloon_checked, PROTO_KIND_site_checked,
    PROTO_KIND_site_checked,    PROTO_KIND_care_done,       PROTO_KIND_care_done,       PROTO_KIND_contact_made,
    PROTO_KIND_spare_counted,   PROTO_KIND_weight_measured, PROTO_KIND_note_written,    PROTO_KIND_supply_counted,
};

static bool is_context(enum proto_kind kind) {
    return proto_kind_get(kind)->scope == PROTO_SCOPE_TEAM;
}

static bool is_void_kind(enum proto_kind kind) {
    return kind == PROTO_KIND_event_withdrawn || kind == PROTO_KIND_withdrawal_confirmed;
}

static enum proto_kind pick_kind(struct making *m, const struct random_history *history, unsigned flavour) {
    static const enum proto_kind opening[] = {PROTO_KIND_patient_registered, PROTO_KIND_stoma_formed,
                                              PROTO_KIND_device_placed};
    if ((flavour & RANDOM_PLAUSIBLE) && history->count < 3)
        return opening[history->count];
    if ((flavour & RANDOM_PLAUSIBLE) && random_chance(m->source, flavour & RANDOM_ROUTINE ? 97 : 60))
        return PICK(m, routine);
    if ((flavour & RANDOM_VOIDS) && random_chance(m->source, 6))
        return random_chance(m->source, 65) ? PROTO_KIND_event_withdrawn : PROTO_KIND_withdrawal_confirmed;
    for (;;) {
        enum proto_kind kind = (enum proto_kind)(1 + random_below(m->source, PROTO_KIND_COUNT - 1));
        bool allowed = (flavour & RANDOM_CONTEXT) || !is_context(kind);
        if (allowed && ((flavour & RANDOM_VOIDS) || !is_void_kind(kind)))
            return kind;
    }
}

static int64_t step_time(struct making *m) {
    uint32_t dice = random_below(m->source, 10);
    if (dice < 2)
        return m->at; /* the same instant: rank and id decide */
    if (dice < 5)
        return m->at + between(m, 1, 3600000);
    return m->at + between(m, 3600000, 3 * 86400000);
}

void random_history_init(struct random_history *history, uint64_t seed, uint32_t count, unsigned flavour) {
    struct random_source source = {seed * 0x2545f4914f6cdd1du + 1};
    struct making m = {.source = &source, .history = history};
    memset(history, 0, sizeof *history);
    history->events = calloc(count ? count : 1, sizeof *history->events);
    history->sent = calloc(count ? count : 1, sizeof *history->sent);
    history->arena = proto_arena_new();
    if (!history->events || !history->sent || !history->arena)
        abort();
    m.at = FIRST_DAY * PROTO_DAY_MS + between(&m, 0, 60 * PROTO_DAY_MS);
    history->first_at = m.at;
    history->patient = random_id(&source, m.at);
    while (history->count < count) {
        enum proto_kind kind = pick_kind(&m, history, flavour);
        const struct proto_id *replaces = NULL;
        struct proto_id target;
        if ((flavour & RANDOM_VOIDS) && history->count > 3 && random_chance(&source, 5)) {
            const struct proto_event *old = &history->events[random_below(&source, history->count)];
            if (!is_void_kind(old->kind) && !is_context(old->kind)) {
                kind = old->kind;
                target = old->id;
                replaces = &target;
            }
        }
        (void)make_event(&m, history, kind, replaces);
        m.at = step_time(&m);
    }
    history->last_at = m.at;
}

void random_history_deinit(struct random_history *history) {
    for (uint32_t i = 0; i < history->count; i++)
        free(history->sent[i].bytes);
    free(history->events);
    free(history->sent);
    proto_arena_free(history->arena);
    memset(history, 0, sizeof *history);
}
