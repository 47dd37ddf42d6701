/*
 * event.c - an event read from a map or from its canonical bytes.
 *
 * What always holds: a caller's event is taken whole or refused with a sentence; a kept one is refused only when it is no
 * event at all, so that nothing stored can stop a fold. An event that fails leaves *event as it was.
 */
#include "proto/event.h"

#include "proto/cursor.h"
#include "proto/field.h"
#include "proto/ids.h"
#include "proto/rules.h"
#include "proto/scan.h"

#include <assert.h>
#include <openssl/sha.h>
#include <string.h>

/* The values of one event's maps, by key; NULL where not given. */
struct parts {
    const msgpack_object *value[PROTO_KEY_COUNT];
};

/* Where each field of the kind's body stands; NULL: not given. */
struct places {
    const msgpack_object *value[PROTO_BODY_FIELDS_MAX];
};

static const struct proto_field *key_field(uint32_t key) {
    return &proto_envelope_fields()[key];
}

/* Key of a pair, looking from `expected` on; PROTO_KEY_COUNT: none of ours. */
static uint32_t key_find(const msgpack_object *key, uint32_t expected) {
    if (!proto_object_is_text(key))
        return PROTO_KEY_COUNT;
    return proto_field_find(proto_envelope_fields(), PROTO_KEY_COUNT, expected, proto_object_text(key));
}

/* ---- finding the parts ------------------------------------------------------------------------------------ */

static enum proto_error refuse_key(const struct msgpack_object *key, uint32_t found, struct proto_fault *fault) {
    if (found < PROTO_KEY_COUNT)
        return proto_fault_set(fault, PROTO_UNKNOWN_FIELD, key_field(found)->name,
                               "%s is written by the server and cannot be sent.", key_field(found)->name);
    return proto_fault_unknown(fault, "An event", key, proto_envelope_fields(), PROTO_ENVELOPE_COUNT);
}

/* Sorts the pairs of a map into `parts`: keys from `first` up to `last`. */
static enum proto_error find_parts(const msgpack_object *map, uint32_t first, uint32_t last,
                                   enum proto_strictness strictness, struct parts *parts, struct proto_fault *fault) {
    uint32_t expected = first;
    if (map->type != MSGPACK_OBJECT_MAP)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "An event must be a map.");
    for (uint32_t i = 0; i < map->via.map.size; i++) {
        const msgpack_object_kv *pair = &map->via.map.ptr[i];
        uint32_t key = key_find(&pair->key, expected);
        if (key < first || key > last) {
            if (strictness == PROTO_STRICT_KEPT)
                continue; /* of a newer version */
            return refuse_key(&pair->key, key, fault);
        }
        if (parts->value[key])
            return proto_fault_twice(fault, key_field(key)->name);
        parts->value[key] = &pair->val;
        expected = key + 1;
    }
    return PROTO_OK;
}

/* ---- the envelope ------------------------------------------------------------------------------------------ */

/* Reads one part. A part that is absent leaves *value not present. A malformed one is an error in RECORD, and in KEPT where
 * an event without it is no event (`needed`). */
static enum proto_error read_part(const struct parts *parts, uint32_t key, enum proto_strictness strictness,
                                  bool needed, struct proto_value *value, struct proto_fault *fault) {
    value->present = false;
    if (!parts->value[key])
        return PROTO_OK;
    enum proto_error error = proto_field_read(key_field(key), parts->value[key], strictness, value, fault);
    return strictness == PROTO_STRICT_RECORD || needed ? error : PROTO_OK;
}

static enum proto_error read_kind(const struct parts *parts, enum proto_strictness strictness, struct proto_event *e,
                                  struct proto_fault *fault) {
    struct proto_value value;
    enum proto_error error = read_part(parts, PROTO_ENVELOPE_KIND, strictness, true, &value, fault);
    if (error != PROTO_OK)
        return error;
    if (!value.present)
        return proto_fault_missing(fault, "An event", key_field(PROTO_ENVELOPE_KIND));
    e->kind_name = value.text;
    e->kind = proto_kind_find(value.text);
    if (e->kind == PROTO_KIND_UNKNOWN && strictness == PROTO_STRICT_RECORD)
        return proto_fault_set(fault, PROTO_UNKNOWN_KIND, "kind",
                               "There is no kind of event named \"%.*s\"; the method kinds lists them.",
                               (int)value.text.size, value.text.data);
    return PROTO_OK;
}

static enum proto_error read_id_part(const struct parts *parts, uint32_t key, enum proto_strictness strictness,
                                     bool needed, struct proto_id *id, bool *has, struct proto_fault *fault) {
    struct proto_value value;
    enum proto_error error = read_part(parts, key, strictness, needed, &value, fault);
    if (error != PROTO_OK)
        return error;
    *has = value.present;
    *id = value.present ? value.id : (struct proto_id){{0}};
    return PROTO_OK;
}

static enum proto_error read_ids(const struct parts *parts, enum proto_strictness strictness, struct proto_event *e,
                                 struct proto_fault *fault) {
    enum proto_error error = read_id_part(parts, PROTO_ENVELOPE_ID, strictness, true, &e->id, &e->has_id, fault);
    if (error == PROTO_OK && e->has_id && !proto_id_is_v7(&e->id))
        error = proto_fault_set(fault, PROTO_BAD_VALUE, "id", "id must be a version 7 UUID.");
    if (error == PROTO_OK)
        error = read_id_part(parts, PROTO_ENVELOPE_PATIENT, strictness, true, &e->patient, &e->has_patient, fault);
    if (error == PROTO_OK)
        error = read_id_part(parts, PROTO_ENVELOPE_VISIT, strictness, false, &e->visit, &e->has_visit, fault);
    if (error == PROTO_OK)
        error = read_id_part(parts, PROTO_ENVELOPE_REPLACES, strictness, true, &e->replaces, &e->has_replaces, fault);
    if (error == PROTO_OK)
        error = read_id_part(parts, PROTO_ENVELOPE_SAME_AS, strictness, false, &e->same_as, &e->has_same_as, fault);
    return error;
}

static enum proto_error read_choice_part(const struct parts *parts, uint32_t key, enum proto_strictness strictness,
                                         uint8_t *choice, struct proto_fault *fault) {
    struct proto_value value;
    enum proto_error error = read_part(parts, key, strictness, false, &value, fault);
    if (error == PROTO_OK)
        *choice = value.present ? (uint8_t)value.n : 0;
    return error;
}

static enum proto_error check_scope(const struct proto_event *e, struct proto_fault *fault) {
    if (e->kind == PROTO_KIND_UNKNOWN)
        return PROTO_OK;
    const struct proto_kind_info *kind = proto_kind_get(e->kind);
    if (kind->scope == PROTO_SCOPE_TEAM && e->has_patient)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "patient", "%s is not about one child and takes no patient.",
                               kind->name);
    if (kind->scope != PROTO_SCOPE_TEAM && !e->has_patient)
        return proto_fault_set(fault, PROTO_MISSING_FIELD, "patient", "%s needs patient: the child it is about.",
                               kind->name);
    return PROTO_OK;
}

static enum proto_error read_envelope(const struct parts *parts, enum proto_strictness strictness,
                                      struct proto_event *e, struct proto_fault *fault) {
    struct proto_value at;
    enum proto_error error = read_kind(parts, strictness, e, fault);
    if (error == PROTO_OK)
        error = read_ids(parts, strictness, e, fault);
    if (error == PROTO_OK)
        error = read_part(parts, PROTO_ENVELOPE_AT, strictness, true, &at, fault);
    if (error != PROTO_OK)
        return error;
    if (!at.present)
        return proto_fault_missing(fault, "An event", key_field(PROTO_ENVELOPE_AT));
    e->at = at.n;
    error = read_choice_part(parts, PROTO_ENVELOPE_DONE_BY, strictness, &e->done_by, fault);
    if (error == PROTO_OK)
        error = read_choice_part(parts, PROTO_ENVELOPE_SOURCE, strictness, &e->source, fault);
    if (error == PROTO_OK)
        error = read_choice_part(parts, PROTO_ENVELOPE_STOMA, strictness, &e->stoma, fault);
    if (error == PROTO_OK)
        error = check_scope(e, fault);
    /* A stoma that this version does not know must not be taken for the main one: such an event is not folded. */
    if (error == PROTO_OK && parts->value[PROTO_ENVELOPE_STOMA] && e->stoma == 0)
        e->kind = PROTO_KIND_UNKNOWN;
    return error;
}

/* Stamps are needed in canonical bytes; beside an event in an answer they may be absent. */
static enum proto_error read_stamps(const struct parts *parts, bool needed, struct proto_event *e) {
    struct proto_value by, node, written_at, offset;
    enum proto_error error = read_part(parts, PROTO_KEY_BY, PROTO_STRICT_KEPT, needed, &by, NULL);
    if (error == PROTO_OK)
        error = read_part(parts, PROTO_KEY_NODE, PROTO_STRICT_KEPT, needed, &node, NULL);
    if (error == PROTO_OK)
        error = read_part(parts, PROTO_KEY_WRITTEN_AT, PROTO_STRICT_KEPT, needed, &written_at, NULL);
    if (error == PROTO_OK)
        error = read_part(parts, PROTO_KEY_CLOCK_OFFSET_MS, PROTO_STRICT_KEPT, false, &offset, NULL);
    if (error != PROTO_OK)
        return error;
    if (needed && (!by.present || !node.present || !written_at.present))
        return PROTO_MISSING_FIELD;
    e->by = by.present ? by.text : (struct proto_slice){0};
    e->node = node.present ? node.id : (struct proto_id){{0}};
    e->written_at = written_at.present ? written_at.n : 0;
    e->clock_offset_ms = offset.present ? offset.n : 0;
    return PROTO_OK;
}

/* ---- the body ---------------------------------------------------------------------------------------------- */

static enum proto_error find_places(const struct proto_kind_info *kind, const msgpack_object *body,
                                    enum proto_strictness strictness, struct places *places,
                                    struct proto_fault *fault) {
    uint32_t expected = 0;
    *places = (struct places){0};
    if (!body)
        return PROTO_OK;
    if (body->type != MSGPACK_OBJECT_MAP)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "body", "body must be a map.");
    for (uint32_t i = 0; i < body->via.map.size; i++) {
        const msgpack_object_kv *pair = &body->via.map.ptr[i];
        uint32_t place = kind->field_count;
        if (proto_object_is_text(&pair->key))
            place = proto_field_find(kind->fields, kind->field_count, expected, proto_object_text(&pair->key));
        if (place == kind->field_count) {
            if (strictness == PROTO_STRICT_KEPT)
                continue; /* of a newer version */
            return proto_fault_unknown(fault, kind->name, &pair->key, kind->fields, kind->field_count);
        }
        if (places->value[place])
            return proto_fault_twice(fault, kind->fields[place].name);
        places->value[place] = &pair->val;
        expected = place + 1;
    }
    return PROTO_OK;
}

/* Fills body[0..field_count) of a cleared body. KEPT never fails. */
static enum proto_error read_body(const struct proto_kind_info *kind, const struct places *places,
                                  enum proto_strictness strictness, struct proto_value *body,
                                  struct proto_fault *fault) {
    for (uint32_t i = 0; i < kind->field_count; i++) {
        const struct proto_field *field = &kind->fields[i];
        if (!places->value[i]) {
            if (field->required && strictness == PROTO_STRICT_RECORD)
                return proto_fault_missing(fault, kind->name, field);
            continue;
        }
        enum proto_error error = proto_field_read(field, places->value[i], strictness, &body[i], fault);
        if (error != PROTO_OK && strictness == PROTO_STRICT_RECORD)
            return error;
    }
    return PROTO_OK;
}

/* ---- from a map -------------------------------------------------------------------------------------------- */

static enum proto_error decode_record(const msgpack_object *object, struct proto_event *event,
                                      struct proto_fault *fault) {
    struct parts parts = {0};
    struct places places;
    struct proto_event made;
    memset(&made, 0, sizeof made);
    enum proto_error error = find_parts(object, PROTO_ENVELOPE_ID, PROTO_KEY_BODY, PROTO_STRICT_RECORD, &parts, fault);
    if (error == PROTO_OK)
        error = read_envelope(&parts, PROTO_STRICT_RECORD, &made, fault);
    if (error != PROTO_OK)
        return error;
    const struct proto_kind_info *kind = proto_kind_get(made.kind);
    error = find_places(kind, parts.value[PROTO_KEY_BODY], PROTO_STRICT_RECORD, &places, fault);
    if (error == PROTO_OK)
        error = read_body(kind, &places, PROTO_STRICT_RECORD, made.body, fault);
    if (error == PROTO_OK)
        error = proto_rules_check(&made, fault);
    if (error == PROTO_OK)
        *event = made;
    return error;
}

/* Fills *event with what was read of a kept event. It cannot fail any more. */
static void fill_kept(const struct proto_event *head, const struct places *places, struct proto_event *event) {
    memcpy(event, head, offsetof(struct proto_event, body));
    memset(event->body, 0, sizeof event->body);
    event->content = head->content;
    event->raw_body = head->raw_body;
    event->read_only = head->read_only;
    if (event->kind == PROTO_KIND_UNKNOWN)
        return;
    enum proto_error error = read_body(proto_kind_get(event->kind), places, PROTO_STRICT_KEPT, event->body, NULL);
    assert(error == PROTO_OK);
    (void)error;
}

enum proto_error proto_event_decode_map(const void *object, enum proto_strictness strictness, struct proto_event *event,
                                        struct proto_fault *fault) {
    if (strictness == PROTO_STRICT_RECORD)
        return decode_record(object, event, fault);
    struct parts parts = {0};
    struct places places;
    struct proto_event head; /* all but its body is filled */
    enum proto_error error = find_parts(object, PROTO_ENVELOPE_ID, PROTO_KEY_COUNT - 1, strictness, &parts, fault);
    if (error == PROTO_OK)
        error = read_envelope(&parts, strictness, &head, fault);
    if (error != PROTO_OK)
        return error;
    error = read_stamps(&parts, false, &head);
    assert(error == PROTO_OK); /* none is needed */
    if (head.kind != PROTO_KIND_UNKNOWN)
        error = find_places(proto_kind_get(head.kind), parts.value[PROTO_KEY_BODY], strictness, &places, fault);
    if (error != PROTO_OK)
        return error;
    head.content = head.raw_body = (struct proto_slice){0};
    head.read_only = true;
    fill_kept(&head, &places, event);
    return PROTO_OK;
}

/* ---- from canonical bytes ------------------------------------------------------------------------------------ */

/* Scans the two maps; *content_size is the length of the first. */
static enum proto_error scan_maps(const uint8_t *bytes, size_t size, size_t *content_size) {
    struct proto_scan content = {0}, stamps = {0};
    size_t stamps_size;
    if (size < 3 || size > PROTO_EVENT_BYTES_MAX || bytes[0] != 0x92)
        return PROTO_CORRUPT;
    if (proto_scan_value(&content, bytes + 1, size - 1, size - 1, content_size) != PROTO_OK)
        return PROTO_CORRUPT;
    size_t rest = size - 1 - *content_size;
    if (proto_scan_value(&stamps, bytes + 1 + *content_size, rest, rest, &stamps_size) != PROTO_OK ||
        stamps_size != rest)
        return PROTO_CORRUPT;
    return PROTO_OK;
}

/* Reads the value at the cursor into a slot that must be free. */
static enum proto_error take_value(struct proto_cursor *cursor, const msgpack_object **slot, msgpack_object *scratch) {
    if (*slot)
        return PROTO_CORRUPT; /* a key given twice */
    *slot = proto_cursor_value(cursor, scratch);
    return *slot ? PROTO_OK : PROTO_BUSY;
}

/* Notes where the body's bytes are and steps over them; in canonical order they are the last. */
static enum proto_error take_body(struct proto_cursor *cursor, bool is_last, struct proto_slice *raw_body) {
    const uint8_t *from = cursor->at;
    if (raw_body->size)
        return PROTO_CORRUPT;
    if (is_last)
        cursor->at = cursor->end;
    else
        proto_cursor_skip(cursor);
    *raw_body = (struct proto_slice){(const char *)from, (uint32_t)(cursor->at - from)};
    return PROTO_OK;
}

/* Reads a map's pairs whose keys lie from `first` to `last`; `scratch` has a place for each key. */
static enum proto_error take_parts(struct proto_cursor *cursor, uint32_t first, uint32_t last, struct parts *parts,
                                   msgpack_object *scratch, struct proto_slice *raw_body) {
    uint32_t pairs, expected = first;
    if (!proto_cursor_map(cursor, &pairs))
        return PROTO_CORRUPT;
    for (uint32_t i = 0; i < pairs; i++) {
        msgpack_object name;
        enum proto_error error = PROTO_OK;
        const msgpack_object *read = proto_cursor_value(cursor, &name);
        if (!read)
            return PROTO_BUSY;
        uint32_t key = key_find(read, expected);
        if (key < first || key > last)
            proto_cursor_skip(cursor); /* of a newer version */
        else if (key == PROTO_KEY_BODY)
            error = take_body(cursor, i + 1 == pairs, raw_body);
        else
            error = take_value(cursor, &parts->value[key], &scratch[key]);
        if (error != PROTO_OK)
            return error;
        expected = key + 1;
    }
    return PROTO_OK;
}

/* The same for the body of a known kind. */
static enum proto_error take_places(const struct proto_kind_info *kind, struct proto_slice raw_body,
                                    struct proto_arena *arena, struct places *places, msgpack_object *scratch) {
    uint32_t pairs = 0, expected = 0;
    *places = (struct places){0};
    if (raw_body.size == 0)
        return PROTO_OK;
    const uint8_t *from = (const uint8_t *)raw_body.data;
    struct proto_cursor cursor = {from, from + raw_body.size, arena};
    if (!proto_cursor_map(&cursor, &pairs))
        return PROTO_CORRUPT;
    for (uint32_t i = 0; i < pairs; i++) {
        msgpack_object name;
        uint32_t place = kind->field_count;
        const msgpack_object *read = proto_cursor_value(&cursor, &name);
        if (!read)
            return PROTO_BUSY;
        if (proto_object_is_text(read))
            place = proto_field_find(kind->fields, kind->field_count, expected, proto_object_text(read));
        if (place == kind->field_count) {
            proto_cursor_skip(&cursor); /* of a newer version */
            continue;
        }
        enum proto_error error = take_value(&cursor, &places->value[place], &scratch[place]);
        if (error != PROTO_OK)
            return error;
        expected = place + 1;
    }
    return PROTO_OK;
}

enum proto_error proto_event_decode(const uint8_t *bytes, size_t size, struct proto_arena *arena,
                                    struct proto_event *event) {
    struct parts parts = {0};
    struct places places;
    msgpack_object scratch[PROTO_KEY_COUNT], body_scratch[PROTO_BODY_FIELDS_MAX];
    struct proto_event head; /* all but its body is filled */
    struct proto_slice no_body = {0};
    size_t content_size;
    enum proto_error error = scan_maps(bytes, size, &content_size);
    if (error != PROTO_OK)
        return error;
    struct proto_cursor cursor = {bytes + 1, bytes + 1 + content_size, arena};
    head.content = (struct proto_slice){(const char *)bytes + 1, (uint32_t)content_size};
    head.raw_body = (struct proto_slice){0};
    head.read_only = false;
    error = take_parts(&cursor, PROTO_ENVELOPE_ID, PROTO_KEY_BODY, &parts, scratch, &head.raw_body);
    cursor.end = bytes + size;
    if (error == PROTO_OK)
        error = take_parts(&cursor, PROTO_KEY_BY, PROTO_KEY_COUNT - 1, &parts, scratch, &no_body);
    if (error != PROTO_OK)
        return error;
    if (read_envelope(&parts, PROTO_STRICT_KEPT, &head, NULL) != PROTO_OK || !head.has_id ||
        read_stamps(&parts, true, &head) != PROTO_OK)
        return PROTO_CORRUPT;
    if (head.kind != PROTO_KIND_UNKNOWN)
        error = take_places(proto_kind_get(head.kind), head.raw_body, arena, &places, body_scratch);
    if (error == PROTO_OK)
        fill_kept(&head, &places, event);
    return error;
}

/* ---- order and hash ------------------------------------------------------------------------------------------ */

enum proto_rank proto_event_rank(const struct proto_event *event) {
    return event->kind == PROTO_KIND_UNKNOWN ? PROTO_RANK_REST : proto_kind_get(event->kind)->rank;
}

int proto_event_order(const struct proto_event *a, const struct proto_event *b) {
    if (a->at != b->at)
        return a->at < b->at ? -1 : 1;
    enum proto_rank rank_a = proto_event_rank(a), rank_b = proto_event_rank(b);
    if (rank_a != rank_b)
        return rank_a < rank_b ? -1 : 1;
    return proto_id_compare(&a->id, &b->id);
}

void proto_hash(const void *bytes, size_t size, uint8_t out[PROTO_HASH_BYTES]) {
    static const uint8_t nothing[1];
    const uint8_t *made = SHA256(size ? bytes : nothing, size, out);
    assert(made == out); /* fails only where the library has no SHA-256 or no memory at all */
    (void)made;
}
