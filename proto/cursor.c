/*
 * cursor.c - the few forms that nearly every stored event is made of are read here; all others by msgpack-c.
 *
 * What always holds: the bytes were scanned, so that every value lies wholly before `end`.
 */
#include "proto/cursor.h"

#include "proto/scan.h"

#include <assert.h>
#include <string.h>

static uint64_t big_endian(const uint8_t *bytes, size_t size) {
    uint64_t n = 0;
    for (size_t i = 0; i < size; i++)
        n = n << 8 | bytes[i];
    return n;
}

bool proto_cursor_map(struct proto_cursor *cursor, uint32_t *pairs) {
    uint8_t first = *cursor->at;
    size_t wide = first == 0xde ? 2 : first == 0xdf ? 4 : 0;
    if (wide == 0 && (first & 0xf0) != 0x80)
        return false;
    *pairs = wide ? (uint32_t)big_endian(cursor->at + 1, wide) : first & 0x0fu;
    cursor->at += 1 + wide;
    return true;
}

static void step_text(struct proto_cursor *cursor, msgpack_object *out, size_t head, uint32_t size) {
    out->type = MSGPACK_OBJECT_STR;
    out->via.str.ptr = (const char *)cursor->at + head;
    out->via.str.size = size;
    cursor->at += head + size;
}

static void step_number(struct proto_cursor *cursor, msgpack_object *out, size_t size) {
    out->type = MSGPACK_OBJECT_POSITIVE_INTEGER;
    out->via.u64 = big_endian(cursor->at + 1, size);
    cursor->at += 1 + size;
}

static void step_float(struct proto_cursor *cursor, msgpack_object *out) {
    uint64_t bits = big_endian(cursor->at + 1, 8);
    out->type = MSGPACK_OBJECT_FLOAT64;
    memcpy(&out->via.f64, &bits, sizeof bits);
    cursor->at += 9;
}

static const msgpack_object *unpack(struct proto_cursor *cursor) {
    const msgpack_object *made;
    size_t size = (size_t)(cursor->end - cursor->at);
    if (proto_arena_unpack(cursor->arena, cursor->at, size, &size, &made) != PROTO_OK)
        return NULL;
    cursor->at += size;
    return made;
}

const msgpack_object *proto_cursor_value(struct proto_cursor *cursor, msgpack_object *scratch) {
    assert(cursor->at < cursor->end);
    uint8_t first = *cursor->at;
    if (first < 0x80) {
        scratch->type = MSGPACK_OBJECT_POSITIVE_INTEGER;
        scratch->via.u64 = first;
        cursor->at++;
    } else if (first >= 0xa0 && first < 0xc0) {
        step_text(cursor, scratch, 1, first & 0x1fu);
    } else if (first == 0xd9) {
        step_text(cursor, scratch, 2, cursor->at[1]);
    } else if (first >= 0xcc && first <= 0xcf) {
        step_number(cursor, scratch, (size_t)1 << (first - 0xcc));
    } else if (first == 0xcb) {
        step_float(cursor, scratch);
    } else if (first == 0xc2 || first == 0xc3) {
        scratch->type = MSGPACK_OBJECT_BOOLEAN;
        scratch->via.boolean = first == 0xc3;
        cursor->at++;
    } else {
        return unpack(cursor);
    }
    return scratch;
}

void proto_cursor_skip(struct proto_cursor *cursor) {
    struct proto_scan scan = {0};
    size_t size = (size_t)(cursor->end - cursor->at);
    enum proto_error error = proto_scan_value(&scan, cursor->at, size, size, &size);
    assert(error == PROTO_OK);
    (void)error;
    cursor->at += size;
}
