/*
 * value.c - reading answers.
 *
 * What always holds: a `struct betony_value` is a decoded msgpack object inside its answer's arena; its texts have been
 * NUL-terminated in the answer's own copy of the bytes (session.c). Nothing here allocates or fails.
 */
#include "lib.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WHOLE_MAX 9e15 /* up to here every whole double is exact */

static const msgpack_object *object_of(const struct betony_value *value) {
    return (const msgpack_object *)(const void *)value;
}

static const struct betony_value *value_of(const msgpack_object *object) {
    return (const struct betony_value *)(const void *)object;
}

void betony_answer_free(struct betony_answer *answer) {
    if (!answer)
        return;
    proto_arena_free(answer->arena);
    free(answer->bytes);
    free(answer);
}

static const msgpack_object nil_object = {.type = MSGPACK_OBJECT_NIL};

const struct betony_value *betony_answer_result(const struct betony_answer *answer) {
    if (!answer)
        return NULL;
    return answer->message.result ? answer->message.result : value_of(&nil_object);
}

enum betony_type betony_value_type(const struct betony_value *value) {
    if (!value)
        return BETONY_ABSENT;
    switch (object_of(value)->type) {
    case MSGPACK_OBJECT_BOOLEAN:
        return BETONY_BOOL;
    case MSGPACK_OBJECT_POSITIVE_INTEGER:
    case MSGPACK_OBJECT_NEGATIVE_INTEGER:
        return BETONY_INT;
    case MSGPACK_OBJECT_FLOAT32:
    case MSGPACK_OBJECT_FLOAT64:
        return BETONY_FLOAT;
    case MSGPACK_OBJECT_STR:
        return BETONY_TEXT;
    case MSGPACK_OBJECT_BIN:
        return BETONY_BYTES;
    case MSGPACK_OBJECT_ARRAY:
        return BETONY_LIST;
    case MSGPACK_OBJECT_MAP:
        return BETONY_MAP;
    case MSGPACK_OBJECT_NIL:
    case MSGPACK_OBJECT_EXT:
    default:
        return BETONY_NIL;
    }
}

size_t betony_value_count(const struct betony_value *value) {
    enum betony_type type = betony_value_type(value);
    if (type == BETONY_LIST)
        return object_of(value)->via.array.size;
    return type == BETONY_MAP ? object_of(value)->via.map.size : 0;
}

const struct betony_value *betony_value_at(const struct betony_value *value, size_t index) {
    if (index >= betony_value_count(value))
        return NULL;
    const msgpack_object *object = object_of(value);
    return value_of(object->type == MSGPACK_OBJECT_ARRAY ? &object->via.array.ptr[index]
                                                         : &object->via.map.ptr[index].val);
}

const struct betony_value *betony_value_key_at(const struct betony_value *value, size_t index) {
    if (betony_value_type(value) != BETONY_MAP || index >= object_of(value)->via.map.size)
        return NULL;
    return value_of(&object_of(value)->via.map.ptr[index].key);
}

const struct betony_value *betony_value_get(const struct betony_value *value, const char *key) {
    if (betony_value_type(value) != BETONY_MAP)
        return NULL;
    const msgpack_object_map *map = &object_of(value)->via.map;
    size_t size = strlen(key);
    for (uint32_t i = 0; i < map->size; i++) {
        const msgpack_object *k = &map->ptr[i].key;
        if (k->type == MSGPACK_OBJECT_STR && k->via.str.size == size && memcmp(k->via.str.ptr, key, size) == 0)
            return value_of(&map->ptr[i].val);
    }
    return NULL;
}

int64_t betony_value_int(const struct betony_value *value, int64_t fallback) {
    enum betony_type type = betony_value_type(value);
    if (type == BETONY_INT) {
        const msgpack_object *object = object_of(value);
        if (object->type == MSGPACK_OBJECT_NEGATIVE_INTEGER)
            return object->via.i64;
        return object->via.u64 <= INT64_MAX ? (int64_t)object->via.u64 : fallback;
    }
    if (type == BETONY_FLOAT) {
        double number = object_of(value)->via.f64;
        if (fabs(number) <= WHOLE_MAX && trunc(number) == number)
            return (int64_t)number;
    }
    return fallback;
}

double betony_value_number(const struct betony_value *value, double fallback) {
    enum betony_type type = betony_value_type(value);
    if (type == BETONY_FLOAT)
        return object_of(value)->via.f64;
    if (type != BETONY_INT)
        return fallback;
    const msgpack_object *object = object_of(value);
    return object->type == MSGPACK_OBJECT_NEGATIVE_INTEGER ? (double)object->via.i64 : (double)object->via.u64;
}

int64_t betony_value_amount(const struct betony_value *value, int64_t fallback) {
    double number = betony_value_number(value, (double)NAN) * 100.0;
    return fabs(number) <= WHOLE_MAX ? (int64_t)llround(number) : fallback;
}

bool betony_value_bool(const struct betony_value *value, bool fallback) {
    return betony_value_type(value) == BETONY_BOOL ? object_of(value)->via.boolean : fallback;
}

const char *betony_value_text(const struct betony_value *value, const char *fallback) {
    if (betony_value_type(value) != BETONY_TEXT)
        return fallback;
    return object_of(value)->via.str.size ? object_of(value)->via.str.ptr : "";
}

const char *betony_value_text_sized(const struct betony_value *value, size_t *size_out) {
    enum betony_type type = betony_value_type(value);
    *size_out = 0;
    if (type == BETONY_TEXT && object_of(value)->via.str.size) {
        *size_out = object_of(value)->via.str.size;
        return object_of(value)->via.str.ptr;
    }
    if (type == BETONY_BYTES && object_of(value)->via.bin.size) {
        *size_out = object_of(value)->via.bin.size;
        return object_of(value)->via.bin.ptr;
    }
    return type == BETONY_TEXT || type == BETONY_BYTES ? "" : NULL;
}
