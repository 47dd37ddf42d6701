/*
 * ids.c - UUIDs as RFC 9562 writes them, and version 7 ids that only grow.
 *
 * What always holds: one text for one id (canonical lower case); comparing bytes compares the time of version 7 ids.
 */
#include "proto/ids.h"

#include <assert.h>
#include <string.h>

#define COUNTER_MAX 0xfffu /* rand_a has 12 bits */

/* Value of a lower-case hex digit plus one; 0 for every other byte. */
static const uint8_t hex_value[256] = {
    ['0'] = 1, ['1'] = 2,  ['2'] = 3,  ['3'] = 4,  ['4'] = 5,  ['5'] = 6,  ['6'] = 7,  ['7'] = 8,
    ['8'] = 9, ['9'] = 10, ['a'] = 11, ['b'] = 12, ['c'] = 13, ['d'] = 14, ['e'] = 15, ['f'] = 16,
};
/* Where the two digits of each byte stand in the text. */
static const uint8_t place[PROTO_ID_BYTES] = {0, 2, 4, 6, 9, 11, 14, 16, 19, 21, 24, 26, 28, 30, 32, 34};

enum proto_error proto_id_parse(struct proto_slice text, struct proto_id *out) {
    struct proto_id made;
    unsigned bad = 0;
    if (text.size != PROTO_ID_TEXT_BYTES)
        return PROTO_BAD_VALUE;
    for (size_t i = 0; i < PROTO_ID_BYTES; i++) {
        unsigned high = hex_value[(unsigned char)text.data[place[i]]];
        unsigned low = hex_value[(unsigned char)text.data[place[i] + 1]];
        bad |= (unsigned)(high == 0) | (unsigned)(low == 0);
        made.bytes[i] = (uint8_t)(((high - 1) << 4 | (low - 1)) & 0xff);
    }
    if (bad || text.data[8] != '-' || text.data[13] != '-' || text.data[18] != '-' || text.data[23] != '-')
        return PROTO_BAD_VALUE;
    *out = made;
    return PROTO_OK;
}

void proto_id_format(const struct proto_id *id, char out[PROTO_ID_TEXT_BYTES + 1]) {
    static const char digits[] = "0123456789abcdef";
    for (size_t i = 0; i < PROTO_ID_BYTES; i++) {
        out[place[i]] = digits[id->bytes[i] >> 4];
        out[place[i] + 1] = digits[id->bytes[i] & 15];
    }
    out[8] = out[13] = out[18] = out[23] = '-';
    out[PROTO_ID_TEXT_BYTES] = '\0';
}

int proto_id_compare(const struct proto_id *a, const struct proto_id *b) {
    return memcmp(a->bytes, b->bytes, PROTO_ID_BYTES);
}

bool proto_id_is_v7(const struct proto_id *id) {
    return id->bytes[6] >> 4 == 7 && id->bytes[8] >> 6 == 2;
}

int64_t proto_id_time_ms(const struct proto_id *id) {
    int64_t ms = 0;
    for (size_t i = 0; i < 6; i++)
        ms = ms << 8 | id->bytes[i];
    return ms;
}

bool proto_id_is_zero(const struct proto_id *id) {
    static const struct proto_id zero;
    return memcmp(id->bytes, zero.bytes, PROTO_ID_BYTES) == 0;
}

/* The parts of a version 7 id (RFC 9562, 5.7): 48 bits of time, version, 12 bits rand_a, variant, 62 bits rand_b. */
static void put_parts(int64_t ms, unsigned rand_a, const uint8_t rand_b[8], struct proto_id *out) {
    assert(ms >= 0 && ms < (int64_t)1 << 48 && rand_a <= COUNTER_MAX);
    for (size_t i = 0; i < 6; i++)
        out->bytes[i] = (uint8_t)(ms >> (40 - 8 * i) & 0xff);
    out->bytes[6] = (uint8_t)(0x70 | rand_a >> 8);
    out->bytes[7] = (uint8_t)(rand_a & 0xff);
    memcpy(out->bytes + 8, rand_b, 8);
    out->bytes[8] = (uint8_t)(0x80 | (rand_b[0] & 0x3f));
}

void proto_id_make(struct proto_id_maker *maker, int64_t now_ms, const uint8_t entropy[10], struct proto_id *out) {
    /* A fresh millisecond starts in the lower half of the counter, which leaves 2,048 ids before time is carried on. */
    uint16_t fresh = (uint16_t)(((unsigned)entropy[0] << 8 | entropy[1]) & (COUNTER_MAX >> 1));
    if (now_ms > maker->last_ms) {
        maker->last_ms = now_ms;
        maker->counter = fresh;
    } else if (maker->counter < COUNTER_MAX) {
        maker->counter++;
    } else {
        maker->last_ms++;
        maker->counter = fresh;
    }
    put_parts(maker->last_ms, maker->counter, entropy + 2, out);
}

void proto_id_from_hash(int64_t at_ms, const uint8_t hash[PROTO_HASH_BYTES], struct proto_id *out) {
    int64_t ms = at_ms < 0 ? 0 : at_ms; /* version 7 counts from 1970 */
    put_parts(ms, ((unsigned)hash[0] << 8 | hash[1]) & COUNTER_MAX, hash + 2, out);
}
