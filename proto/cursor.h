/*
 * cursor.h - walking over MessagePack bytes that the scan has passed, without building the whole tree. For proto/ itself:
 * it is what makes a stored event quick to read. Any thread; a cursor belongs to one.
 */
#ifndef PROTO_CURSOR_H
#define PROTO_CURSOR_H

#include "proto/pack.h"

struct proto_cursor {
    const uint8_t *at, *end; /* between two values; `end` bounds what was scanned */
    struct proto_arena *arena;
};

/* Steps into the map at the cursor: *pairs, or false when the value there is no map. */
bool proto_cursor_map(struct proto_cursor *cursor, uint32_t *pairs);
/* Reads the value at the cursor and steps over it. A plain value is put into *scratch, an array or map into the arena; NULL when
 * there is no memory. */
const msgpack_object *proto_cursor_value(struct proto_cursor *cursor, msgpack_object *scratch);
/* Steps over the value at the cursor. */
void proto_cursor_skip(struct proto_cursor *cursor);

#endif
