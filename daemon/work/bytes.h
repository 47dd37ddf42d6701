/*
 * bytes.h - growing buffers, and the fixed-width fields that keys and stored values of work/ are made of.
 *
 * What always holds: fields are big-endian; signed ones have the sign bit turned, so that byte order is number order; a
 * reader never reads beyond what it was given and its first error sticks. Without memory the process ends with a sentence:
 * by then the log has the event, and the next start brings the view up to it.
 */
#ifndef WORK_BYTES_H
#define WORK_BYTES_H

#include "proto/value.h"
#include "store/store.h"

#include <string.h>

/* Never NULL. */
void *work_alloc(size_t size);           /* zeroed */
void *work_grow(void *old, size_t size); /* as realloc */

struct work_buffer {
    uint8_t *data;
    size_t size, cap;
};
/* Room for `size` more bytes at the end, which the caller fills and then counts by buffer->size. */
uint8_t *work_buffer_reserve(struct work_buffer *buffer, size_t size);
void work_buffer_add(struct work_buffer *buffer, const void *bytes, size_t size);
void work_buffer_free(struct work_buffer *buffer);

/* Grows an array of `count` used entries so that one more fits. */
#define WORK_ARRAY_ROOM(list, count, cap)                                                                              \
    do {                                                                                                               \
        if ((count) == (cap)) {                                                                                        \
            (cap) = (cap) ? (cap)*2 : 16;                                                                              \
            (list) = work_grow((list), sizeof *(list) * (cap));                                                        \
        }                                                                                                              \
    } while (0)

static inline void work_put_u16(uint8_t *out, uint16_t v) {
    out[0] = (uint8_t)(v >> 8);
    out[1] = (uint8_t)v;
}
static inline void work_put_u32(uint8_t *out, uint32_t v) {
    for (int i = 3; i >= 0; i--, v >>= 8)
        out[i] = (uint8_t)v;
}
static inline void work_put_u64(uint8_t *out, uint64_t v) {
    for (int i = 7; i >= 0; i--, v >>= 8)
        out[i] = (uint8_t)v;
}
static inline void work_put_i32(uint8_t *out, int32_t v) {
    work_put_u32(out, (uint32_t)v ^ 0x80000000u);
}
static inline void work_put_i64(uint8_t *out, int64_t v) {
    work_put_u64(out, (uint64_t)v ^ (1ull << 63));
}
static inline uint16_t work_get_u16(const uint8_t *in) {
    return (uint16_t)(in[0] << 8 | in[1]);
}
static inline uint32_t work_get_u32(const uint8_t *in) {
    uint32_t v = 0;
    for (int i = 0; i < 4; i++)
        v = v << 8 | in[i];
    return v;
}
static inline uint64_t work_get_u64(const uint8_t *in) {
    uint64_t v = 0;
    for (int i = 0; i < 8; i++)
        v = v << 8 | in[i];
    return v;
}
static inline int32_t work_get_i32(const uint8_t *in) {
    return (int32_t)(work_get_u32(in) ^ 0x80000000u);
}
static inline int64_t work_get_i64(const uint8_t *in) {
    return (int64_t)(work_get_u64(in) ^ (1ull << 63));
}

/* --- fields at the end of a buffer --- */
static inline void work_add_u8(struct work_buffer *b, uint8_t v) {
    work_buffer_add(b, &v, 1);
}
void work_add_u16(struct work_buffer *b, uint16_t v);
void work_add_u32(struct work_buffer *b, uint32_t v);
void work_add_u64(struct work_buffer *b, uint64_t v);
void work_add_i32(struct work_buffer *b, int32_t v);
void work_add_i64(struct work_buffer *b, int64_t v);
static inline void work_add_id(struct work_buffer *b, const struct proto_id *id) {
    work_buffer_add(b, id->bytes, PROTO_ID_BYTES);
}
/* A length byte and the text; longer ones are our own mistake. */
void work_add_text(struct work_buffer *b, const char *text);
/* The text and a zero byte, as keys have it; zero bytes inside are left out. */
void work_add_key_text(struct work_buffer *b, const char *text);
void work_add_hash8(struct work_buffer *b, const char *text);

/* --- reading stored fields --- */
struct work_reader {
    const uint8_t *at, *end;
    bool bad;
};
static inline struct work_reader work_reader_of(struct store_bytes bytes) {
    return (struct work_reader){bytes.data, bytes.data + bytes.size, false};
}
/* Up to the zero byte, which is taken too. */
struct proto_slice work_take_key_text(struct work_reader *reader);
static inline size_t work_reader_left(const struct work_reader *reader) {
    return (size_t)(reader->end - reader->at);
}

/* NULL once the bytes did not reach. Readers stand here, since a list is some thousand of them. */
static inline const uint8_t *work_take(struct work_reader *reader, size_t size) {
    if (reader->bad || work_reader_left(reader) < size) {
        reader->bad = true;
        return NULL;
    }
    const uint8_t *at = reader->at;
    reader->at += size;
    return at;
}

static inline uint8_t work_take_u8(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 1);
    return at ? *at : 0;
}

static inline uint16_t work_take_u16(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 2);
    return at ? work_get_u16(at) : 0;
}

static inline uint32_t work_take_u32(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 4);
    return at ? work_get_u32(at) : 0;
}

static inline uint64_t work_take_u64(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 8);
    return at ? work_get_u64(at) : 0;
}

static inline int32_t work_take_i32(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 4);
    return at ? work_get_i32(at) : 0;
}

static inline int64_t work_take_i64(struct work_reader *reader) {
    const uint8_t *at = work_take(reader, 8);
    return at ? work_get_i64(at) : 0;
}

static inline struct proto_id work_take_id(struct work_reader *reader) {
    struct proto_id id = {{0}};
    const uint8_t *at = work_take(reader, PROTO_ID_BYTES);
    if (at)
        memcpy(id.bytes, at, PROTO_ID_BYTES);
    return id;
}

static inline struct proto_slice work_take_text(struct work_reader *reader) {
    uint8_t size = work_take_u8(reader);
    const uint8_t *at = work_take(reader, size);
    if (!at || size == 0)
        return (struct proto_slice){NULL, 0};
    return (struct proto_slice){(const char *)at, size};
}

static inline bool work_id_same(const struct proto_id *a, const struct proto_id *b) {
    return memcmp(a->bytes, b->bytes, PROTO_ID_BYTES) == 0;
}

#endif
