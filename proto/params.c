/*
 * params.c - values that only parameters of methods have: events to record, places in a log, events between nodes, lists of ids.
 *
 * What always holds: as in field.c, a value that is returned lies within its field's bounds and nothing is copied out of the
 * message; a refused one leaves the value untouched.
 */
#include "proto/field.h"
#include "proto/ids.h"
#include "proto/message.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define REFUSE(field, fault, code, ...) proto_fault_set(fault, code, (field)->name, __VA_ARGS__)

static enum proto_error check_array(const struct proto_field *field, const msgpack_object *object,
                                    struct proto_fault *fault) {
    if (object->type != MSGPACK_OBJECT_ARRAY)
        return REFUSE(field, fault, PROTO_BAD_VALUE, "%s must be a list.", field->name);
    if (object->via.array.size < field->min)
        return REFUSE(field, fault, PROTO_BAD_VALUE, "%s must name at least one.", field->name);
    if (object->via.array.size > field->max)
        return REFUSE(field, fault, PROTO_TOO_LARGE, "%s may hold at most %lld entries.", field->name,
                      (long long)field->max);
    return PROTO_OK;
}

/* Says in which event the fault is. */
static enum proto_error at_event(struct proto_fault *fault, uint32_t index, enum proto_error error) {
    if (fault) {
        fault->has_event = 1;
        fault->event_index = index;
    }
    return error;
}

static enum proto_error read_events(const struct proto_field *field, const msgpack_object *list,
                                    struct proto_fault *fault) {
    for (uint32_t i = 0; i < list->via.array.size; i++)
        if (list->via.array.ptr[i].type != MSGPACK_OBJECT_MAP)
            return at_event(fault, i, REFUSE(field, fault, PROTO_BAD_VALUE, "Each of the events must be a map."));
    return PROTO_OK;
}

/* ---- places in a log ---------------------------------------------------------------------------------------- */

static bool is_hash(const msgpack_object *object) {
    if (!proto_object_is_text(object) || object->via.str.size != 2 * PROTO_HASH_BYTES)
        return false;
    for (uint32_t i = 0; i < object->via.str.size; i++) {
        char c = object->via.str.ptr[i];
        if (!(c >= '0' && c <= '9') && !(c >= 'a' && c <= 'f'))
            return false;
    }
    return true;
}

static enum proto_error read_cursor(const struct proto_field *field, const msgpack_object *map,
                                    struct proto_value *value, struct proto_fault *fault) {
    struct proto_id id;
    int64_t n;
    if (map->type != MSGPACK_OBJECT_MAP || map->via.map.size != 3)
        return REFUSE(field, fault, PROTO_BAD_VALUE, "%s must be a map of log, seq and chain, as the server gave it.",
                      field->name);
    const msgpack_object *log = proto_object_find(map, "log"), *seq = proto_object_find(map, "seq"),
                         *chain = proto_object_find(map, "chain");
    if (!log || !seq || !chain || !proto_object_is_text(log) || !is_hash(chain) ||
        proto_id_parse(proto_object_text(log), &id) != PROTO_OK || !proto_object_int(seq, &n) || n < 0)
        return REFUSE(field, fault, PROTO_BAD_VALUE,
                      "%s must hold log (an id), seq (a number) and chain (64 hex digits).", field->name);
    value->id = id;
    value->n = n;
    value->text = proto_object_text(chain);
    return PROTO_OK;
}

static uint8_t nibble(char c) {
    return (uint8_t)(c <= '9' ? c - '0' : c - 'a' + 10);
}

struct proto_position proto_value_position(const struct proto_value *value) {
    struct proto_position position = {.log = value->id, .seq = (uint64_t)value->n};
    assert(value->present && value->type == PROTO_TYPE_CURSOR && value->text.size == 2 * PROTO_HASH_BYTES);
    for (size_t i = 0; i < PROTO_HASH_BYTES; i++)
        position.chain[i] = (uint8_t)(nibble(value->text.data[2 * i]) << 4 | nibble(value->text.data[2 * i + 1]));
    return position;
}

/* ---- events between nodes ---------------------------------------------------------------------------------- */

static const char *read_receipt(const msgpack_object *entries, struct proto_kept *kept) {
    if (!proto_object_int(&entries[2], &kept->received_at) || kept->received_at < PROTO_TIME_MIN ||
        kept->received_at > PROTO_TIME_MAX)
        return "received_at must be a time";
    if (entries[3].type != MSGPACK_OBJECT_BIN || entries[3].via.bin.size != PROTO_RECEIPT_BYTES)
        return "the receipt must be 16 bytes of binary";
    kept->has_receipt = true;
    memcpy(kept->receipt, entries[3].via.bin.ptr, PROTO_RECEIPT_BYTES);
    return NULL;
}

const char *proto_kept_read(const msgpack_object *object, struct proto_kept *kept) {
    struct proto_kept made = {0};
    int64_t flags;
    const char *wrong = NULL;
    if (object->type != MSGPACK_OBJECT_ARRAY || (object->via.array.size != 2 && object->via.array.size != 4))
        return "it must be a list of flags and bytes, and when there is a receipt, of received_at and receipt";
    const msgpack_object *entries = object->via.array.ptr;
    if (!proto_object_int(&entries[0], &flags) || flags < 0 || flags > 1)
        return "flags must be 0, or 1 for an event recorded in one call with the one before it";
    if (entries[1].type != MSGPACK_OBJECT_BIN || entries[1].via.bin.size == 0)
        return "its bytes must be binary, and not empty";
    /* More bytes than an event can have make it no event: that is judged of each by itself, and the others are not in its way. */
    made.joined = flags == 1;
    made.bytes = (struct proto_slice){entries[1].via.bin.ptr, entries[1].via.bin.size};
    if (object->via.array.size == 4)
        wrong = read_receipt(entries, &made);
    if (!wrong)
        *kept = made;
    return wrong;
}

static enum proto_error read_kept(const struct proto_field *field, const msgpack_object *list,
                                  struct proto_fault *fault) {
    struct proto_kept ignored;
    for (uint32_t i = 0; i < list->via.array.size; i++) {
        const char *wrong = proto_kept_read(&list->via.array.ptr[i], &ignored);
        if (wrong)
            return at_event(fault, i,
                            REFUSE(field, fault, PROTO_BAD_VALUE, "%s, entry %u: %s.", field->name, i + 1, wrong));
    }
    return PROTO_OK;
}

/* ---- ids -------------------------------------------------------------------------------------------------------- */

static bool read_id(const msgpack_object *object, struct proto_id *id) {
    return proto_object_is_text(object) && proto_id_parse(proto_object_text(object), id) == PROTO_OK;
}

static enum proto_error read_ids(const struct proto_field *field, const msgpack_object *list,
                                 struct proto_fault *fault) {
    struct proto_id ignored;
    for (uint32_t i = 0; i < list->via.array.size; i++)
        if (!read_id(&list->via.array.ptr[i], &ignored))
            return REFUSE(field, fault, PROTO_BAD_VALUE, "%s, entry %u: it must be a UUID in lower case.", field->name,
                          i + 1);
    return PROTO_OK;
}

/* ---- any of them ------------------------------------------------------------------------------------------------ */

enum proto_error proto_param_read(const struct proto_field *field, const msgpack_object *object,
                                  struct proto_value *value, struct proto_fault *fault) {
    if (field->type == PROTO_TYPE_CURSOR)
        return read_cursor(field, object, value, fault);
    enum proto_error error = check_array(field, object, fault);
    if (error != PROTO_OK)
        return error;
    if (field->type == PROTO_TYPE_EVENTS)
        error = read_events(field, object, fault);
    else if (field->type == PROTO_TYPE_KEPT)
        error = read_kept(field, object, fault);
    else if (field->type == PROTO_TYPE_IDS)
        error = read_ids(field, object, fault);
    else
        abort();
    if (error != PROTO_OK)
        return error;
    value->n = object->via.array.size;
    value->object = object;
    return PROTO_OK;
}

static const msgpack_object *entry_of(const struct proto_value *value, enum proto_type type, uint32_t index) {
    const msgpack_object *list = value->object;
    assert(value->present && value->type == type && list && list->type == MSGPACK_OBJECT_ARRAY && index < value->n);
    return &list->via.array.ptr[index];
}

/* Entries were read once before, when the list was decoded, so they are well formed. */
struct proto_kept proto_list_kept(const struct proto_value *value, uint32_t index) {
    struct proto_kept kept;
    const char *wrong = proto_kept_read(entry_of(value, PROTO_TYPE_KEPT, index), &kept);
    assert(!wrong);
    (void)wrong;
    return kept;
}

struct proto_id proto_list_id(const struct proto_value *value, uint32_t index) {
    struct proto_id id;
    bool read = read_id(entry_of(value, PROTO_TYPE_IDS, index), &id);
    assert(read);
    (void)read;
    return id;
}

const void *proto_list_object(const struct proto_value *value, uint32_t index) {
    return entry_of(value, PROTO_TYPE_EVENTS, index);
}
