/*
 * bytes.c - growing buffers and fixed-width fields.
 */
#include "work/bytes.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>

#include "proto/event.h"

static void *must_have(void *memory) {
    if (!memory) {
        (void)fputs("betonyd: there is no memory left; what is recorded is in the log, start again.\n", stderr);
        abort();
    }
    return memory;
}

void *work_alloc(size_t size) {
    return must_have(calloc(1, size ? size : 1));
}

void *work_grow(void *old, size_t size) {
    return must_have(realloc(old, size ? size : 1));
}

uint8_t *work_buffer_reserve(struct work_buffer *buffer, size_t size) {
    if (buffer->cap - buffer->size < size) {
        size_t cap = buffer->cap ? buffer->cap : 1024;
        while (cap - buffer->size < size)
            cap *= 2;
        buffer->data = work_grow(buffer->data, cap);
        buffer->cap = cap;
    }
    return buffer->data + buffer->size;
}

void work_buffer_add(struct work_buffer *buffer, const void *bytes, size_t size) {
    if (size == 0)
        return;
    memcpy(work_buffer_reserve(buffer, size), bytes, size);
    buffer->size += size;
}

void work_buffer_free(struct work_buffer *buffer) {
    free(buffer->data);
    *buffer = (struct work_buffer){0};
}

void work_add_u16(struct work_buffer *b, uint16_t v) {
    work_put_u16(work_buffer_reserve(b, 2), v);
    b->size += 2;
}

void work_add_u32(struct work_buffer *b, uint32_t v) {
    work_put_u32(work_buffer_reserve(b, 4), v);
    b->size += 4;
}

void work_add_u64(struct work_buffer *b, uint64_t v) {
    work_put_u64(work_buffer_reserve(b, 8), v);
    b->size += 8;
}

void work_add_i32(struct work_buffer *b, int32_t v) {
    work_put_i32(work_buffer_reserve(b, 4), v);
    b->size += 4;
}

void work_add_i64(struct work_buffer *b, int64_t v) {
    work_put_i64(work_buffer_reserve(b, 8), v);
    b->size += 8;
}

void work_add_text(struct work_buffer *b, const char *text) {
    size_t size = strlen(text);
    assert(size <= UINT8_MAX);
    work_add_u8(b, (uint8_t)size);
    work_buffer_add(b, text, size);
}

void work_add_key_text(struct work_buffer *b, const char *text) {
    work_buffer_add(b, text, strlen(text) + 1);
}

void work_add_hash8(struct work_buffer *b, const char *text) {
    uint8_t hash[PROTO_HASH_BYTES] = {0};
    if (*text) /* most rows have no name, and all zeros are as good as a hash then */
        proto_hash(text, strlen(text), hash);
    work_buffer_add(b, hash, 8);
}

struct proto_slice work_take_key_text(struct work_reader *reader) {
    const uint8_t *end = reader->bad ? NULL : memchr(reader->at, 0, work_reader_left(reader));
    if (!end) {
        reader->bad = true;
        return (struct proto_slice){NULL, 0};
    }
    struct proto_slice text = {(const char *)reader->at, (uint32_t)(end - reader->at)};
    reader->at = end + 1;
    return text;
}
