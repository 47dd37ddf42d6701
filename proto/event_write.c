/*
 * event_write.c - an event as canonical bytes, and as a map for an answer.
 *
 * What always holds: content that came as bytes goes out as the same bytes, unknown fields and kinds included; content that
 * came from a caller is written in the order of the tables, so the same event always makes the same bytes.
 */
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
    if (e->raw_body.size) {
        proto_write_raw(w, e->raw_body.data, e->raw_body.size);
        return;
    }
    if (e->body_object) {
        proto_write_object(w, e->body_object);
        return;
    }
    uint32_t count = 0, fields = 0;
    const struct proto_field *field = NULL;
    if (e->kind != PROTO_KIND_UNKNOWN) {
        field = proto_kind_get(e->kind)->fields;
        fields = proto_kind_get(e->kind)->field_count;
    }
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

static uint32_t content_pairs(const struct proto_event *e) {
    return 3u /* kind, at, body */ + e->has_id + e->has_patient + (e->done_by != 0) + (e->source != 0) + e->has_visit +
           (e->stoma != 0) + e->has_replaces + e->has_same_as;
}

static void write_content_pairs(struct proto_writer *w, const struct proto_event *e) {
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
    if (event->content.size) {
        proto_write_raw(&w, event->content.data, event->content.size);
    } else {
        proto_write_map(&w, content_pairs(event));
        write_content_pairs(&w, event);
    }
    bool offset = event->clock_offset_ms != 0; /* absent is left out */
    proto_write_map(&w, offset ? 4 : 3);
    write_stamp_pairs(&w, event, offset);
    if (w.error == PROTO_OK)
        *size_out = w.size;
    return w.error;
}

/* ---- for an answer ------------------------------------------------------------------------------------------ */

/* Reads a map's header; *size is its length in bytes. */
static uint32_t map_header(struct proto_slice map, uint32_t *size) {
    uint8_t head[5] = {0};
    memcpy(head, map.data, map.size < sizeof head ? map.size : sizeof head);
    *size = head[0] == 0xdf ? 5 : head[0] == 0xde ? 3 : 1;
    if (*size == 1)
        return head[0] & 0x0f;
    uint32_t count = (uint32_t)head[1] << 8 | head[2];
    return *size == 3 ? count : count << 16 | (uint32_t)head[3] << 8 | head[4];
}

void proto_write_event(struct proto_writer *w, const struct proto_event *event, uint32_t extra) {
    if (event->content.size) {
        uint32_t header;
        uint32_t pairs = map_header(event->content, &header);
        proto_write_map(w, pairs + 4 + extra);
        proto_write_raw(w, event->content.data + header, event->content.size - header);
    } else {
        proto_write_map(w, content_pairs(event) + 4 + extra);
        write_content_pairs(w, event);
    }
    write_stamp_pairs(w, event, true);
}
