/*
 * buffer.c - see buffer.h. Consumed room at the front is reused before the memory grows.
 */
#include "net/buffer.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define BUFFER_FIRST_BYTES 512u
#define BUFFER_KEPT_BYTES 16384u /* an empty buffer larger than this is given back */

static bool reserve(struct net_buffer *buffer, size_t size) {
    size_t held = buffer->end - buffer->begin;
    if (buffer->cap - buffer->end >= size)
        return true;
    if (buffer->cap - held >= size && held <= buffer->cap / 2) {
        memmove(buffer->memory, buffer->memory + buffer->begin, held);
        buffer->begin = 0;
        buffer->end = held;
        return true;
    }
    size_t cap = buffer->cap < BUFFER_FIRST_BYTES ? BUFFER_FIRST_BYTES : buffer->cap;
    while (cap - held < size) {
        if (cap > SIZE_MAX / 2)
            return false;
        cap *= 2;
    }
    uint8_t *memory = malloc(cap);
    if (!memory)
        return false;
    if (held)
        memcpy(memory, buffer->memory + buffer->begin, held);
    free(buffer->memory);
    *buffer = (struct net_buffer){.memory = memory, .end = held, .cap = cap};
    return true;
}

bool net_buffer_append(struct net_buffer *buffer, const void *bytes, size_t size) {
    assert(buffer->begin <= buffer->end && buffer->end <= buffer->cap);
    if (size == 0)
        return true;
    if (!reserve(buffer, size))
        return false;
    memcpy(buffer->memory + buffer->end, bytes, size);
    buffer->end += size;
    return true;
}

void net_buffer_consume(struct net_buffer *buffer, size_t size) {
    assert(size <= buffer->end - buffer->begin);
    buffer->begin += size;
    if (buffer->begin < buffer->end)
        return;
    buffer->begin = buffer->end = 0;
    if (buffer->cap > BUFFER_KEPT_BYTES)
        net_buffer_free(buffer);
}

void net_buffer_free(struct net_buffer *buffer) {
    free(buffer->memory);
    *buffer = (struct net_buffer){0};
}
