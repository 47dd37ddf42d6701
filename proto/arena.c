/*
 * arena.c - reusable memory for decoded objects, over msgpack-c's zone.
 *
 * What always holds: clearing keeps the first chunk, so decoding events one after another asks malloc for nothing.
 */
#include "proto/pack.h"

#include <stdlib.h>

#define CHUNK_BYTES 32768 /* an ordinary event's objects take about 2 KiB */

struct proto_arena {
    msgpack_zone zone;
};

struct proto_arena *proto_arena_new(void) {
    struct proto_arena *arena = malloc(sizeof *arena);
    if (!arena)
        return NULL;
    if (!msgpack_zone_init(&arena->zone, CHUNK_BYTES)) {
        free(arena);
        return NULL;
    }
    return arena;
}

void proto_arena_clear(struct proto_arena *arena) {
    msgpack_zone_clear(&arena->zone);
}

void proto_arena_free(struct proto_arena *arena) {
    if (!arena)
        return;
    msgpack_zone_destroy(&arena->zone);
    free(arena);
}

enum proto_error proto_arena_unpack(struct proto_arena *arena, const uint8_t *bytes, size_t size, size_t *used,
                                    const msgpack_object **object_out) {
    size_t end = 0;
    msgpack_object *object = msgpack_zone_malloc(&arena->zone, sizeof *object);
    if (!object)
        return PROTO_BUSY;
    switch (msgpack_unpack((const char *)bytes, size, &end, &arena->zone, object)) {
    case MSGPACK_UNPACK_SUCCESS:
    case MSGPACK_UNPACK_EXTRA_BYTES:
        *object_out = object;
        *used = end;
        return PROTO_OK;
    case MSGPACK_UNPACK_NOMEM_ERROR:
        return PROTO_BUSY;
    default:
        return PROTO_BAD_MESSAGE;
    }
}

const msgpack_object *proto_object_find(const msgpack_object *map, const char *key) {
    if (map->type != MSGPACK_OBJECT_MAP)
        return NULL;
    for (uint32_t i = 0; i < map->via.map.size; i++)
        if (proto_object_is_text(&map->via.map.ptr[i].key) &&
            proto_slice_is(proto_object_text(&map->via.map.ptr[i].key), key))
            return &map->via.map.ptr[i].val;
    return NULL;
}
