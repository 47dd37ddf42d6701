/*
 * answer.c - see answer.h. Thin: the bounds scan has passed the bytes, msgpack-c has made the tree.
 */
#include "proto/answer.h"

#include "proto/field.h"
#include "proto/ids.h"

#include <assert.h>

const void *proto_answer_get(const void *map, const char *key) {
    const msgpack_object *object = map;
    return object && object->type == MSGPACK_OBJECT_MAP ? proto_object_find(object, key) : NULL;
}

bool proto_answer_array(const void *object, uint32_t count_min, uint32_t count_max, uint32_t *count) {
    const msgpack_object *array = object;
    if (!array || array->type != MSGPACK_OBJECT_ARRAY || array->via.array.size < count_min ||
        array->via.array.size > count_max)
        return false;
    *count = array->via.array.size;
    return true;
}

const void *proto_answer_entry(const void *array, uint32_t index) {
    const msgpack_object *object = array;
    assert(object && object->type == MSGPACK_OBJECT_ARRAY && index < object->via.array.size);
    return &object->via.array.ptr[index];
}

bool proto_answer_int(const void *object, int64_t min, int64_t max, int64_t *out) {
    int64_t n;
    if (!object || !proto_object_int(object, &n) || n < min || n > max)
        return false;
    *out = n;
    return true;
}

bool proto_answer_bool(const void *object, bool *out) {
    const msgpack_object *value = object;
    if (!value || value->type != MSGPACK_OBJECT_BOOLEAN)
        return false;
    *out = value->via.boolean;
    return true;
}

bool proto_answer_is_true(const void *object) {
    bool value;
    return proto_answer_bool(object, &value) && value;
}

bool proto_answer_text(const void *object, uint32_t bytes_max, struct proto_slice *out) {
    const msgpack_object *value = object;
    if (!value || !proto_object_is_text(value) || value->via.str.size > bytes_max)
        return false;
    *out = proto_object_text(value);
    return true;
}

bool proto_answer_bin(const void *object, uint32_t bytes_min, uint32_t bytes_max, struct proto_slice *out) {
    const msgpack_object *value = object;
    if (!value || value->type != MSGPACK_OBJECT_BIN || value->via.bin.size < bytes_min ||
        value->via.bin.size > bytes_max)
        return false;
    *out = (struct proto_slice){value->via.bin.ptr, value->via.bin.size};
    return true;
}

bool proto_answer_id(const void *object, struct proto_id *out) {
    struct proto_slice text;
    return proto_answer_text(object, PROTO_ID_TEXT_BYTES, &text) && proto_id_parse(text, out) == PROTO_OK;
}

static bool hex_digit(char c, uint8_t *out) {
    if (!(c >= '0' && c <= '9') && !(c >= 'a' && c <= 'f'))
        return false;
    *out = (uint8_t)(c <= '9' ? c - '0' : c - 'a' + 10);
    return true;
}

bool proto_answer_position(const void *object, struct proto_position *out) {
    struct proto_position made;
    struct proto_slice chain;
    int64_t seq;
    if (!proto_answer_id(proto_answer_get(object, "log"), &made.log) ||
        !proto_answer_int(proto_answer_get(object, "seq"), 0, INT64_MAX, &seq) ||
        !proto_answer_text(proto_answer_get(object, "chain"), 2 * PROTO_HASH_BYTES, &chain) ||
        chain.size != 2 * PROTO_HASH_BYTES)
        return false;
    for (size_t i = 0; i < PROTO_HASH_BYTES; i++) {
        uint8_t high, low;
        if (!hex_digit(chain.data[2 * i], &high) || !hex_digit(chain.data[2 * i + 1], &low))
            return false;
        made.chain[i] = (uint8_t)(high << 4 | low);
    }
    made.seq = (uint64_t)seq;
    *out = made;
    return true;
}

bool proto_answer_kept(const void *object, struct proto_kept *out) {
    return object && proto_kept_read(object, out) == NULL;
}
