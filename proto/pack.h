/*
 * pack.h - msgpack-c inside proto/: the arena, objects as the rest of proto/ reads them, and packing one as it is.
 */
#ifndef PROTO_PACK_H
#define PROTO_PACK_H

#include <msgpack.h>

#include "proto/event.h"
#include "proto/writer.h"

/* Unpacks the first value of bytes that the scan has passed; *used is its length. The object and what hangs on it live in the arena and point into `bytes`.
 * PROTO_BUSY when there is no memory; anything else msgpack-c may say of scanned bytes is PROTO_BAD_MESSAGE. */
enum proto_error proto_arena_unpack(struct proto_arena *arena, const uint8_t *bytes, size_t size, size_t *used,
                                    const msgpack_object **object_out) PROTO_MUST_CHECK;

/* The object as it is, in shortest forms. */
void proto_write_object(struct proto_writer *w, const msgpack_object *object);

static inline struct proto_slice proto_object_text(const msgpack_object *object) {
    return (struct proto_slice){object->via.str.ptr, object->via.str.size};
}

static inline bool proto_object_is_text(const msgpack_object *object) {
    return object->type == MSGPACK_OBJECT_STR;
}

/* Value of a whole number that fits 64 bits with a sign; false for anything else. */
static inline bool proto_object_int(const msgpack_object *object, int64_t *n) {
    if (object->type == MSGPACK_OBJECT_POSITIVE_INTEGER && object->via.u64 <= INT64_MAX) {
        *n = (int64_t)object->via.u64;
        return true;
    }
    if (object->type == MSGPACK_OBJECT_NEGATIVE_INTEGER) {
        *n = object->via.i64;
        return true;
    }
    return false;
}

/* Value of the map's first pair with that key, or NULL. */
const msgpack_object *proto_object_find(const msgpack_object *map, const char *key);

#endif
