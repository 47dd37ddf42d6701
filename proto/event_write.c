/*
 * event_write.c - an event as canonical bytes, and as a map for an answer.
 *
 * What always holds: content that came as bytes goes out as the same bytes, unknown fields and kinds included; content that
 * came from a caller is written in the order of the tables, so the same event always makes the same bytes.
 */
#include "proto/cursor.h"
#include "proto/ids.h"
#include "proto/message.h"
#include "proto/pack.h"
#include "proto/tables.h"

#include <assert.h>
#include <string.h>

/* ---- one value --------------------------------------------------------------------------------------------- */

static void write_record(struct proto_writer *w, enum proto_type type, struct proto_record record) {
    uint32_t count;
    const struct proto_field *fields = proto_record_fields(type, &count);
    if (type == PROTO_TYPE_PAUSES) {
        proto_write_array(w, 2);
        proto_write_date(w, record.from);
        proto_write_date(w, record.to);
        return;
    }
    const struct proto_slice texts[] = {record.a, record.b, record.c};
    assert(count <= sizeof texts / sizeof texts[0]);
    proto_write_map(w, count);
    for (uint32_t i = 0; i < count; i++) {
        proto_write_text(w, fields[i].name);
        if (fields[i].type == PROTO_TYPE_AMOUNT)
            proto_write_amount(w, record.n);
        else
            proto_write_slice(w, texts[i]);
    }
}

/* Policy values stand in the order of their table. */
static void write_values(struct proto_writer *w, const struct proto_value *value) {
    proto_write_map(w, (uint32_t)__builtin_popcountll(value->set));
    for (unsigned p = PROTO_POLICY_NONE + 1; p < PROTO_POLICY_COUNT; p++) {
        if (!(value->set >> p & 1))
            continue;
        for (uint32_t i = 0; i < value->n; i++) {
            enum proto_policy policy;
            int64_t hundredths = proto_list_policy(value, i, &policy);
            if (policy != (enum proto_policy)p)
                continue;
            proto_write_text(w, proto_policy_get(policy)->name);
            proto_write_amount(w, hundredths);
            break;
        }
    }
}

static void write_set(struct proto_writer *w, const struct proto_list *list, uint64_t set) {
    proto_write_array(w, (uint32_t)__builtin_popcountll(set));
    for (uint32_t i = 0; i < list->count; i++)
        if (set >> i & 1)
            proto_write_text(w, list->names[i].text);
}

static void write_list(struct proto_writer *w, const struct proto_value *value) {
    proto_write_array(w, (uint32_t)value->n);
    for (uint32_t i = 0; i < value->n; i++) {
        if (value->type == PROTO_TYPE_TEXTS)
            proto_write_slice(w, proto_list_text(value, i));
        else
            write_record(w, (enum proto_type)value->type, proto_list_record(value, i));
    }
}

static void write_value(struct proto_writer *w, const struct proto_field *field, const struct proto_value *value) {
    switch (field->type) {
    case PROTO_TYPE_BOOL:
        proto_write_bool(w, value->n != 0);
        return;
    case PROTO_TYPE_INT:
    case PROTO_TYPE_TIME:
        proto_write_int(w, value->n);
        return;
    case PROTO_TYPE_AMOUNT:
        proto_write_amount(w, value->n);
        return;
    case PROTO_TYPE_DATE:
        proto_write_date(w, (int32_t)value->n);
        return;
    case PROTO_TYPE_ID:
        proto_write_id(w, &value->id);
        return;
    case PROTO_TYPE_TEXT:
        proto_write_slice(w, value->text);
        return;
    case PROTO_TYPE_CHOICE:
        proto_write_text(w, proto_list_get(field->list)->names[value->n - 1].text);
        return;
    case PROTO_TYPE_CHOICES:
        write_set(w, proto_list_get(field->list), value->set);
        return;
    case PROTO_TYPE_VALUES:
        write_values(w, value);
        return;
    default:
        write_list(w, value);
    }
}

/* ---- the content map --------------------------------------------------------------------------------------- */

static void write_body(struct proto_writer *w, const struct proto_event *e) {
    const struct proto_field *field = proto_kind_get(e->kind)->fields;
    uint32_t count = 0, fields = proto_kind_get(e->kind)->field_count;
    for (uint32_t i = 0; i < fields; i++)
        count += e->body[i].present;
    proto_write_map(w, count);
    for (uint32_t i = 0; i < fields; i++)
        if (e->body[i].present) {
            proto_write_slice(w, (struct proto_slice){field[i].name, field[i].name_size});
            write_value(w, &field[i], &e->body[i]);
        }
}

static void write_id_pair(struct proto_writer *w, enum proto_envelope key, bool has, const struct proto_id *id) {
    if (!has)
        return;
    proto_write_text(w, proto_envelope_fields()[key].name);
    proto_write_id(w, id);
}

static void write_choice_pair(struct proto_writer *w, enum proto_envelope key, uint32_t number) {
    const struct proto_field *field = &proto_envelope_fields()[key];
    if (number == 0)
        return;
    proto_write_text(w, field->name);
    proto_write_text(w, proto_list_get(field->list)->names[number - 1].text);
}

static uint32_t value_pairs(const struct proto_event *e) {
    return 3u /* kind, at, body */ + e->has_id + e->has_patient + (e->done_by != 0) + (e->source != 0) + e->has_visit +
           (e->stoma != 0) + e->has_replaces + e->has_same_as;
}

static void write_value_pairs(struct proto_writer *w, const struct proto_event *e) {
    write_id_pair(w, PROTO_ENVELOPE_ID, e->has_id, &e->id);
    proto_write_text(w, "kind");
    proto_write_slice(w, e->kind_name);
    write_id_pair(w, PROTO_ENVELOPE_PATIENT, e->has_patient, &e->patient);
    proto_write_text(w, "at");
    proto_write_int(w, e->at);
    write_choice_pair(w, PROTO_ENVELOPE_DONE_BY, e->done_by);
    write_choice_pair(w, PROTO_ENVELOPE_SOURCE, e->source);
    write_id_pair(w, PROTO_ENVELOPE_VISIT, e->has_visit, &e->visit);
    write_choice_pair(w, PROTO_ENVELOPE_STOMA, e->stoma);
    write_id_pair(w, PROTO_ENVELOPE_REPLACES, e->has_replaces, &e->replaces);
    write_id_pair(w, PROTO_ENVELOPE_SAME_AS, e->has_same_as, &e->same_as);
    proto_write_text(w, "body");
    write_body(w, e);
}

/* ---- content that came as bytes ------------------------------------------------------------------------------- */

static size_t map_header_size(struct proto_slice map) {
    uint8_t first = (uint8_t)map.data[0];
    return first == 0xdf ? 5 : first == 0xde ? 3 : 1;
}

/* Whether the value at `at` is the text "id", in whatever form. The bytes were scanned. */
static bool is_id_key(const uint8_t *at, size_t size) {
    size_t head = (*at & 0xe0) == 0xa0 ? 1 : *at == 0xd9 ? 2 : *at == 0xda ? 3 : *at == 0xdb ? 5 : 0;
    return head && size == head + 2 && at[head] == 'i' && at[head + 1] == 'd';
}

/* Whether the id whose text ends at `end` is another; decoding has seen that it is one. */
static bool is_other_id(const uint8_t *end, const struct proto_id *id) {
    struct proto_id held;
    struct proto_slice text = {(const char *)end - PROTO_ID_TEXT_BYTES, PROTO_ID_TEXT_BYTES};
    return proto_id_parse(text, &held) != PROTO_OK || proto_id_compare(&held, id) != 0;
}

/* Whether the first pair, where canonical content has it, is the event's id: then nothing has to be changed. */
static bool begins_with_id(struct proto_slice content, const struct proto_id *id) {
    static const char head[] = "\xa2id\xd9\x24";
    size_t at = map_header_size(content), end = at + sizeof head - 1 + PROTO_ID_TEXT_BYTES;
    return content.size >= end && memcmp(content.data + at, head, sizeof head - 1) == 0 &&
           !is_other_id((const uint8_t *)content.data + end, id);
}

/* The pairs as they came; the id is the event's. */
static void write_kept_pairs(struct proto_writer *w, const struct proto_event *e) {
    uint32_t pairs;
    size_t header = map_header_size(e->content);
    if (begins_with_id(e->content, &e->id)) {
        proto_write_raw(w, e->content.data + header, e->content.size - header);
        return;
    }
    const uint8_t *from = (const uint8_t *)e->content.data;
    struct proto_cursor cursor = {from, from + e->content.size, NULL};
    bool is_map = proto_cursor_map(&cursor, &pairs);
    assert(is_map);
    (void)is_map;
    for (uint32_t i = 0; i < pairs; i++) {
        const uint8_t *key = cursor.at;
        proto_cursor_skip(&cursor);
        const uint8_t *value = cursor.at;
        proto_cursor_skip(&cursor);
        if (is_id_key(key, (size_t)(value - key)) && is_other_id(cursor.at, &e->id)) {
            proto_write_raw(w, key, (size_t)(value - key));
            proto_write_id(w, &e->id);
        } else {
            proto_write_raw(w, key, (size_t)(cursor.at - key));
        }
    }
}

static uint32_t content_pairs(const struct proto_event *e) {
    uint32_t pairs;
    if (e->content.size == 0)
        return value_pairs(e);
    const uint8_t *from = (const uint8_t *)e->content.data;
    struct proto_cursor cursor = {from, from + e->content.size, NULL};
    return proto_cursor_map(&cursor, &pairs) ? pairs : 0;
}

static void write_content_pairs(struct proto_writer *w, const struct proto_event *e) {
    assert(!e->read_only);
    if (e->content.size)
        write_kept_pairs(w, e);
    else
        write_value_pairs(w, e);
}

/* ---- whole events --------------------------------------------------------------------------------------------- */

static void write_stamp_pairs(struct proto_writer *w, const struct proto_event *e, bool with_offset) {
    proto_write_text(w, "by");
    proto_write_slice(w, e->by);
    proto_write_text(w, "node");
    proto_write_id(w, &e->node);
    proto_write_text(w, "written_at");
    proto_write_int(w, e->written_at);
    if (!with_offset)
        return;
    proto_write_text(w, "clock_offset_ms");
    proto_write_int(w, e->clock_offset_ms);
}

enum proto_error proto_event_encode(const struct proto_event *event, uint8_t *out, size_t cap, size_t *size_out) {
    struct proto_writer w;
    assert(event->has_id && event->by.size > 0);
    proto_writer_init(&w, out, cap < PROTO_EVENT_BYTES_MAX ? cap : PROTO_EVENT_BYTES_MAX);
    proto_write_array(&w, 2);
    if (event->content.size) /* its header as it came, too */
        proto_write_raw(&w, event->content.data, map_header_size(event->content));
    else
        proto_write_map(&w, content_pairs(event));
    write_content_pairs(&w, event);
    bool offset = event->clock_offset_ms != 0; /* absent is left out */
    proto_write_map(&w, offset ? 4 : 3);
    write_stamp_pairs(&w, event, offset);
    if (w.error == PROTO_OK)
        *size_out = w.size;
    return w.error;
}

void proto_write_event(struct proto_writer *w, const struct proto_event *event, uint32_t extra) {
    proto_write_map(w, content_pairs(event) + 4 + extra);
    write_content_pairs(w, event);
    write_stamp_pairs(w, event, true);
}
