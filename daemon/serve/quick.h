/*
 * quick.h - the few values that rows of long lists are made of, written in place: a list is some thousand small writes, and a call for each costs
 * more than the rows themselves.
 *
 * What always holds: the bytes are those that proto/writer.h would write; whatever is unusual (no room, a long text, a small number) goes there.
 */
#ifndef SERVE_QUICK_H
#define SERVE_QUICK_H

#include "proto/writer.h"

#include <string.h>

static inline void quick_bytes(struct proto_writer *w, const void *bytes, size_t size) {
    if (w->error != PROTO_OK || size > w->cap - w->size) {
        proto_write_raw(w, bytes, size);
        return;
    }
    memcpy(w->bytes + w->size, bytes, size);
    w->size += size;
}

/* A key of a map, given as a literal of at most 31 bytes. */
#define QUICK_KEY(w, name)                                                                                             \
    do {                                                                                                               \
        static const struct {                                                                                          \
            uint8_t head;                                                                                              \
            char text[sizeof(name)];                                                                                   \
        } quick_key = {0xa0 | (sizeof(name) - 1), name};                                                               \
        static_assert(sizeof(name) <= 32, "the header of a short string is one byte");                                 \
        quick_bytes(w, &quick_key, sizeof(name));                                                                      \
    } while (0)

static inline void quick_slice(struct proto_writer *w, struct proto_slice text) {
    if (text.size >= 32 || w->error != PROTO_OK || text.size >= w->cap - w->size) {
        proto_write_slice(w, text);
        return;
    }
    w->bytes[w->size++] = (uint8_t)(0xa0 | text.size);
    if (text.size)
        memcpy(w->bytes + w->size, text.data, text.size);
    w->size += text.size;
}

/* A moment, or any number: those beyond 32 bits have one form. */
static inline void quick_time(struct proto_writer *w, int64_t ms) {
    uint64_t turned = __builtin_bswap64((uint64_t)ms);
    uint8_t bytes[9] = {0xcf};
    if (ms <= UINT32_MAX) {
        proto_write_int(w, ms);
        return;
    }
    static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "the bytes are turned");
    memcpy(bytes + 1, &turned, sizeof turned);
    quick_bytes(w, bytes, sizeof bytes);
}

#endif
