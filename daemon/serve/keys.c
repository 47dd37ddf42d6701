/*
 * keys.c - parts of the view's keys, as store/tables.h lays them out: big-endian, signed numbers with the sign bit turned.
 */
#include "serve/internal.h"

#include <string.h>

static size_t put(uint8_t *key, size_t at, uint64_t value, size_t bytes) {
    for (size_t i = 0; i < bytes; i++)
        key[at + i] = (uint8_t)(value >> 8 * (bytes - 1 - i));
    return at + bytes;
}

size_t serve_key_u8(uint8_t *key, size_t at, uint8_t value) {
    return put(key, at, value, 1);
}

size_t serve_key_u32(uint8_t *key, size_t at, uint32_t value) {
    return put(key, at, value, 4);
}

size_t serve_key_t64(uint8_t *key, size_t at, int64_t value) {
    return put(key, at, (uint64_t)value ^ 0x8000000000000000u, 8);
}

size_t serve_key_id(uint8_t *key, size_t at, const struct proto_id *id) {
    memcpy(key + at, id->bytes, PROTO_ID_BYTES);
    return at + PROTO_ID_BYTES;
}

size_t serve_key_text(uint8_t *key, size_t at, struct proto_slice text) {
    for (uint32_t i = 0; i < text.size && text.data[i] != '\0'; i++)
        key[at++] = (uint8_t)text.data[i];
    key[at++] = 0;
    return at;
}

int64_t serve_key_get_t64(const uint8_t *key) {
    uint64_t value = 0;
    for (size_t i = 0; i < 8; i++)
        value = value << 8 | key[i];
    return (int64_t)(value ^ 0x8000000000000000u);
}

uint32_t serve_key_get_u32(const uint8_t *key) {
    return (uint32_t)key[0] << 24 | (uint32_t)key[1] << 16 | (uint32_t)key[2] << 8 | key[3];
}
