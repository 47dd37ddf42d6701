/*
 * scenario_text.h - from one line of a scenario to one event, along the shipped path.
 *
 * A line's words are laid into a MessagePack map by the kinds table, decoded
 * as `record` decodes a call (RECORD strictness), stamped, put into canonical
 * bytes and decoded again from those. What always holds: an event in a scenario
 * has passed everything that an event from a nurse's laptop passes.
 */
#ifndef TESTS_CARE_SCENARIO_TEXT_H
#define TESTS_CARE_SCENARIO_TEXT_H

#include <msgpack.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "proto/calendar.h"
#include "proto/event.h"
#include "proto/ids.h"
#include "proto/writer.h"

#define SCEN_WORDS_MAX 48
#define SCEN_EVENTS_MAX 256
#define SCEN_LINE_BYTES_MAX 4096

struct scen_word {
    const char *key; /* NULL: a bare word */
    const char *value;
};

struct scen_words {
    char text[SCEN_LINE_BYTES_MAX];
    struct scen_word list[SCEN_WORDS_MAX];
    uint32_t count;
};

struct scen_event {
    struct proto_event event;
    uint8_t *bytes; /* canonical; owned */
    char name[40];  /* "@low"; empty: not named */
    int line;
};

struct scen_events {
    struct scen_event list[SCEN_EVENTS_MAX];
    uint32_t count, made; /* made: for ids, also those of refused lines */
    struct proto_arena *arena;
};

static inline struct proto_slice scen_slice(const char *text) {
    return (struct proto_slice){.data = text, .size = (uint32_t)strlen(text)};
}

/* Splits at blanks; "quoted text" holds together; key=value becomes a pair. False: too many words or a quote left open. */
static bool scen_split(const char *line, struct scen_words *words) {
    char *out = words->text;
    const char *end = words->text + sizeof words->text - 2;
    words->count = 0;
    for (const char *p = line; *p;) {
        while (*p == ' ' || *p == '\t')
            p++;
        if (!*p)
            break;
        if (words->count == SCEN_WORDS_MAX)
            return false;
        struct scen_word *word = &words->list[words->count++];
        *word = (struct scen_word){.key = NULL, .value = out};
        bool quoted = false, was_quoted = false;
        for (; *p && (quoted || (*p != ' ' && *p != '\t')); p++) {
            if (out >= end)
                return false;
            if (*p == '"') {
                quoted = !quoted;
                was_quoted = true;
            } else if (*p == '=' && !quoted && !was_quoted && !word->key) {
                *out++ = '\0';
                word->key = word->value;
                word->value = out;
            } else {
                *out++ = *p;
            }
        }
        *out++ = '\0';
        if (quoted)
            return false;
    }
    return true;
}

/* RFC 3339, seconds may be left out: 2026-01-05T09:00Z. */
static bool scen_time(const char *text, int64_t *ms_out) {
    char full[48];
    size_t size = strlen(text);
    if (size == 17 && text[16] == 'Z') {
        (void)snprintf(full, sizeof full, "%.16s:00Z", text);
        text = full;
    }
    return proto_time_parse(scen_slice(text), ms_out) == PROTO_OK;
}

static bool scen_date(const char *text, int32_t *day_out) {
    return proto_date_parse(scen_slice(text), day_out) == PROTO_OK;
}

static const struct scen_event *scen_find(const struct scen_events *events, const char *name) {
    for (uint32_t i = 0; i < events->count; i++)
        if (strcmp(events->list[i].name, name) == 0)
            return &events->list[i];
    return NULL;
}

/* Ids grow with time and, at one instant, with the line: order of (at, id) is the order a reader sees. */
static void scen_id(int64_t at, uint32_t number, struct proto_id *out) {
    uint64_t ms = (uint64_t)at;
    memset(out, 0, sizeof *out);
    for (int i = 0; i < 6; i++)
        out->bytes[i] = (uint8_t)(ms >> (40 - 8 * i));
    out->bytes[6] = (uint8_t)(0x70u | ((number >> 8) & 0x0fu));
    out->bytes[7] = (uint8_t)number;
    out->bytes[8] = 0x80;
    out->bytes[15] = 0x01;
}

/* The id of a name: an event's (@low), or a child's (child-a: one id for each name). */
static bool scen_named_id(const struct scen_events *events, const char *value, struct proto_id *out) {
    if (value[0] == '@') {
        const struct scen_event *found = scen_find(events, value);
        if (found)
            *out = found->event.id;
        return found != NULL;
    }
    uint32_t sum = 5381;
    for (const char *p = value; *p; p++)
        sum = sum * 33u + (uint8_t)*p;
    scen_id(1500000000000LL, 1, out);
    for (int i = 0; i < 4; i++)
        out->bytes[12 + i] = (uint8_t)(sum >> (24 - 8 * i));
    return true;
}

/* Cuts the next part off a list at `mark`; NULL at the end. */
static const char *scen_part(char **rest, char mark) {
    char *start = *rest;
    if (!start || !*start)
        return NULL;
    char *cut = strchr(start, mark);
    if (cut)
        *cut = '\0';
    *rest = cut ? cut + 1 : NULL;
    return start;
}

static bool scen_write_number(struct proto_writer *w, const char *text) {
    int64_t hundredths = 0;
    if (proto_amount_parse(scen_slice(text), &hundredths) != PROTO_OK)
        return false;
    proto_write_amount(w, hundredths);
    return true;
}

/* name:phone and the like: `keys` name the parts of one entry; the last of a USES entry is a number. */
static bool scen_write_record(struct proto_writer *w, char *entry, const char *const keys[3], bool number_last) {
    uint32_t count = keys[2] ? 3 : 2;
    proto_write_map(w, count);
    for (uint32_t i = 0; i < count; i++) {
        const char *part = scen_part(&entry, ':');
        if (!part)
            return false;
        proto_write_text(w, keys[i]);
        if (number_last && i + 1 == count) {
            if (!scen_write_number(w, part))
                return false;
        } else {
            proto_write_text(w, part);
        }
    }
    return true;
}

static bool scen_write_pause(struct proto_writer *w, char *entry) {
    char *dots = strstr(entry, "..");
    if (!dots)
        return false;
    *dots = '\0';
    proto_write_array(w, 2);
    proto_write_text(w, entry);
    proto_write_text(w, dots + 2);
    return true;
}

static bool scen_write_list(struct proto_writer *w, enum proto_type type, const char *value) {
    static const char *const identifiers[3] = {"system", "value", NULL}, *const contacts[3] = {"role", "name", "phone"},
                             *const uses[3] = {"item", "per_day", NULL};
    char copy[SCEN_LINE_BYTES_MAX];
    (void)snprintf(copy, sizeof copy, "%s", value);
    char *rest = copy;
    bool map = type == PROTO_TYPE_VALUES, good = true;
    size_t mark = map ? proto_write_map_begin(w) : proto_write_array_begin(w);
    uint32_t count = 0;
    for (const char *part; good && (part = scen_part(&rest, ',')) != NULL; count++) {
        char *entry = copy + (part - copy);
        if (type == PROTO_TYPE_IDENTIFIERS)
            good = scen_write_record(w, entry, identifiers, false);
        else if (type == PROTO_TYPE_CONTACTS)
            good = scen_write_record(w, entry, contacts, false);
        else if (type == PROTO_TYPE_USES)
            good = scen_write_record(w, entry, uses, true);
        else if (type == PROTO_TYPE_PAUSES)
            good = scen_write_pause(w, entry);
        else if (map) {
            proto_write_text(w, scen_part(&entry, ':'));
            good = entry && scen_write_number(w, entry);
        } else
            proto_write_text(w, part);
    }
    if (map)
        proto_write_map_end(w, mark, count);
    else
        proto_write_array_end(w, mark, count);
    return good;
}

/* One value as its field's type has it. What the type cannot read is sent as text, for the decoder to refuse. */
static bool scen_write_value(struct proto_writer *w, const struct scen_events *events, const struct proto_field *field,
                             const char *value) {
    int64_t time = 0;
    struct proto_id id;
    switch (field->type) {
    case PROTO_TYPE_BOOL:
        if (strcmp(value, "yes") != 0 && strcmp(value, "no") != 0)
            return false;
        proto_write_bool(w, strcmp(value, "yes") == 0);
        return true;
    case PROTO_TYPE_INT:
    case PROTO_TYPE_AMOUNT:
        return scen_write_number(w, value);
    case PROTO_TYPE_TIME:
        if (!scen_time(value, &time))
            return false;
        proto_write_int(w, time);
        return true;
    case PROTO_TYPE_ID:
        if (!scen_named_id(events, value, &id))
            return false;
        proto_write_id(w, &id);
        return true;
    case PROTO_TYPE_DATE:
    case PROTO_TYPE_TEXT:
    case PROTO_TYPE_CHOICE:
        proto_write_text(w, value);
        return true;
    default:
        return scen_write_list(w, field->type, value);
    }
}

static const struct proto_field *scen_field(const struct proto_kind_info *kind, const char *name) {
    for (uint32_t i = 0; i < kind->field_count; i++)
        if (strcmp(kind->fields[i].name, name) == 0)
            return &kind->fields[i];
    return NULL;
}

/* What a line says besides its kind's own fields. */
struct scen_envelope {
    const char *child, *by, *stoma, *source, *done_by, *replaces, *same_as;
    int64_t written_at, clock_offset_ms;
    bool written;
};

static bool scen_envelope_word(struct scen_envelope *envelope, const struct scen_word *word, bool *known) {
    const struct {
        const char *key, **to;
    } texts[] = {{"child", &envelope->child},    {"by", &envelope->by},           {"stoma", &envelope->stoma},
                 {"source", &envelope->source},  {"done_by", &envelope->done_by}, {"replaces", &envelope->replaces},
                 {"same_as", &envelope->same_as}};
    *known = true;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        if (strcmp(texts[i].key, word->key) == 0) {
            *texts[i].to = word->value;
            return true;
        }
    if (strcmp(word->key, "written") == 0) {
        envelope->written = true;
        return scen_time(word->value, &envelope->written_at);
    }
    if (strcmp(word->key, "clock_ahead_min") == 0) {
        envelope->clock_offset_ms = strtoll(word->value, NULL, 10) * 60000;
        return true;
    }
    *known = false;
    return true;
}

static void scen_write_text_pair(struct proto_writer *w, uint32_t *pairs, const char *key, const char *value) {
    if (!value)
        return;
    proto_write_text(w, key);
    proto_write_text(w, value);
    ++*pairs;
}

static bool scen_write_id_pair(struct proto_writer *w, const struct scen_events *events, uint32_t *pairs,
                               const char *key, const char *name) {
    struct proto_id id;
    if (!name)
        return true;
    if (!scen_named_id(events, name, &id))
        return false;
    proto_write_text(w, key);
    proto_write_id(w, &id);
    ++*pairs;
    return true;
}

/* The map a caller would send. False and a sentence when the line cannot even be written down. */
static bool scen_write_event(struct proto_writer *w, const struct scen_events *events, const struct scen_words *words,
                             uint32_t first, const struct proto_id *id, struct scen_envelope *envelope, char why[256]) {
    int64_t at = 0;
    const char *kind_name = words->list[first + 1].value;
    enum proto_kind number = proto_kind_find(scen_slice(kind_name));
    if (!scen_time(words->list[first].value, &at) || number == PROTO_KIND_UNKNOWN) {
        (void)snprintf(why, 256, "not a time and a kind: %s %s", words->list[first].value, kind_name);
        return false;
    }
    const struct proto_kind_info *kind = proto_kind_get(number);
    *envelope = (struct scen_envelope){.child = "child-a", .by = "nurse-a", .written_at = at};
    for (uint32_t i = first + 2; i < words->count; i++) {
        bool known = false;
        const struct scen_word *word = &words->list[i];
        if (!word->key || !scen_envelope_word(envelope, word, &known) || (!known && !scen_field(kind, word->key))) {
            (void)snprintf(why, 256, "no such field in %s: %s", kind_name, word->key ? word->key : word->value);
            return false;
        }
    }
    uint32_t pairs = 0;
    size_t mark = proto_write_map_begin(w);
    scen_write_text_pair(w, &pairs, "kind", kind_name);
    proto_write_text(w, "id");
    proto_write_id(w, id);
    proto_write_text(w, "at");
    proto_write_int(w, at);
    pairs += 2;
    bool good = kind->scope == PROTO_SCOPE_TEAM || scen_write_id_pair(w, events, &pairs, "patient", envelope->child);
    scen_write_text_pair(w, &pairs, "stoma", envelope->stoma);
    scen_write_text_pair(w, &pairs, "source", envelope->source);
    scen_write_text_pair(w, &pairs, "done_by", envelope->done_by);
    good = good && scen_write_id_pair(w, events, &pairs, "replaces", envelope->replaces) &&
           scen_write_id_pair(w, events, &pairs, "same_as", envelope->same_as);
    proto_write_text(w, "body");
    pairs++;
    size_t body = proto_write_map_begin(w);
    uint32_t fields = 0;
    for (uint32_t i = first + 2; good && i < words->count; i++) {
        const struct proto_field *field = scen_field(kind, words->list[i].key);
        if (!field)
            continue;
        proto_write_text(w, field->name);
        good = scen_write_value(w, events, field, words->list[i].value);
        fields++;
        if (!good)
            (void)snprintf(why, 256, "cannot read %s=%s", field->name, words->list[i].value);
    }
    proto_write_map_end(w, body, fields);
    proto_write_map_end(w, mark, pairs);
    if (good && w->error != PROTO_OK)
        (void)snprintf(why, 256, "line too long");
    else if (!good && !why[0])
        (void)snprintf(why, 256, "a name that no line before has");
    return good && w->error == PROTO_OK;
}

/* Stamps as an origin daemon does, canonical bytes, and back. */
static bool scen_keep(struct scen_events *events, const struct scen_envelope *envelope, struct proto_event *event,
                      struct scen_event *kept, char why[256]) {
    static uint8_t bytes[PROTO_EVENT_BYTES_MAX], again[PROTO_EVENT_BYTES_MAX];
    size_t size = 0, again_size = 0;
    event->by = scen_slice(envelope->by);
    scen_id(1400000000000LL, 7, &event->node);
    event->written_at = envelope->written_at;
    event->clock_offset_ms = envelope->clock_offset_ms;
    enum proto_error error = proto_event_encode(event, bytes, sizeof bytes, &size);
    if (error != PROTO_OK) {
        (void)snprintf(why, 256, "encode: %s", proto_error_sentence(error));
        return false;
    }
    kept->bytes = malloc(size);
    if (!kept->bytes)
        abort();
    memcpy(kept->bytes, bytes, size);
    error = proto_event_decode(kept->bytes, size, events->arena, &kept->event);
    if (error == PROTO_OK)
        error = proto_event_encode(&kept->event, again, sizeof again, &again_size);
    if (error != PROTO_OK || again_size != size || memcmp(again, bytes, size) != 0) {
        (void)snprintf(why, 256, "canonical bytes do not survive decoding and encoding: %s",
                       proto_error_sentence(error));
        free(kept->bytes);
        return false;
    }
    return true;
}

/* The words from `first` on are TIME KIND fields. True: the event is in the list. False: `code` and `why` say what refused it
 * (code PROTO_OK: the line itself is not understood). */
static bool scen_add(struct scen_events *events, const struct scen_words *words, uint32_t first, const char *name,
                     int line, enum proto_error *code, char why[256]) {
    static uint8_t bytes[PROTO_EVENT_BYTES_MAX];
    struct proto_writer w;
    struct proto_id id;
    struct scen_envelope envelope;
    struct proto_fault fault = {0};
    struct proto_event event;
    int64_t at = 0;
    *code = PROTO_OK;
    why[0] = '\0';
    if (words->count < first + 2 || !scen_time(words->list[first].value, &at)) {
        (void)snprintf(why, 256, "a time and a kind are needed");
        return false;
    }
    if (events->count == SCEN_EVENTS_MAX || (name[0] && scen_find(events, name))) {
        (void)snprintf(why, 256, "too many events, or a name used twice");
        return false;
    }
    scen_id(at, ++events->made, &id);
    proto_writer_init(&w, bytes, sizeof bytes);
    if (!scen_write_event(&w, events, words, first, &id, &envelope, why))
        return false;
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    size_t offset = 0;
    bool good = msgpack_unpack_next(&unpacked, (const char *)bytes, w.size, &offset) == MSGPACK_UNPACK_SUCCESS;
    if (good) {
        *code = proto_event_decode_map(&unpacked.data, PROTO_STRICT_RECORD, &event, &fault);
        good = *code == PROTO_OK;
        if (!good)
            (void)snprintf(why, 256, "%s: %.180s (%s)", proto_error_code(*code), fault.message, fault.field);
    }
    struct scen_event *kept = &events->list[events->count];
    good = good && scen_keep(events, &envelope, &event, kept, why);
    msgpack_unpacked_destroy(&unpacked);
    if (!good)
        return false;
    (void)snprintf(kept->name, sizeof kept->name, "%s", name);
    kept->line = line;
    events->count++;
    return true;
}

static void scen_events_open(struct scen_events *events) {
    events->count = events->made = 0;
    events->arena = proto_arena_new();
    if (!events->arena)
        abort();
}

static void scen_events_close(struct scen_events *events) {
    for (uint32_t i = 0; i < events->count; i++)
        free(events->list[i].bytes);
    proto_arena_free(events->arena);
    events->count = 0;
    events->arena = NULL;
}

#endif
