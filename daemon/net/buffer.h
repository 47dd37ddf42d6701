/*
 * buffer.h - bytes that grow at the end and are consumed at the front.
 *
 * What always holds: {0} is a valid empty buffer; a large one that runs empty gives its memory back, so that
 * thousands of idle peers cost little. One thread.
 */
#ifndef NET_BUFFER_H
#define NET_BUFFER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct net_buffer {
    uint8_t *memory;
    size_t begin, end, cap; /* memory[begin..end) is held */
};

static inline const uint8_t *net_buffer_bytes(const struct net_buffer *buffer) {
    return buffer->memory + buffer->begin;
}
static inline size_t net_buffer_size(const struct net_buffer *buffer) {
    return buffer->end - buffer->begin;
}
/* Appends a copy; false (nothing appended) when there is no memory. */
bool net_buffer_append(struct net_buffer *buffer, const void *bytes, size_t size);
/* Drops `size` bytes at the front; at most what is held. */
void net_buffer_consume(struct net_buffer *buffer, size_t size);
/* Back to {0}. Freeing twice is harmless. */
void net_buffer_free(struct net_buffer *buffer);

#endif
