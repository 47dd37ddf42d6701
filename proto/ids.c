/*
 * ids.c - UUIDs as RFC 9562 writes them, and version 7 ids that only grow.
 *
 * What always holds: one text for one id (canonical lower case); comparing bytes compares the time of version 7 ids.
 */
#include "proto/ids.h"

#include <assert.h>
#include <string.h>

#define COUNTER_MAX 0xfffu /* rand_a has 12 bits */

/* Where the two digits of each byte stand in the text. */
static const uint8_t place[PROTO_ID_BYTES] = {0, 2, 4, 6, 9, 11, 14, 16, 19, 21, 24, 26, 28, 30, 32, 34};

#define EACH(byte) (0x0101010101010101u * (byte))

/* Texts are loaded and bytes stored with the first one lowest, whatever the machine. */
static uint64_t first_lowest(uint64_t word) {
#if __BYTE_ORDER__ == __ORDER_BIG_ENDIAN__
    return __builtin_bswap64(word);
#else
    return word;
#endif
}

static uint64_t load_eight(const char *text) {
    uint64_t word;
    memcpy(&word, text, sizeof word);
    return first_lowest(word);
}

/* Two groups of four characters. */
static uint64_t load_four_twice(const char *a, const char *b) {
    char eight[8];
    memcpy(eight, a, 4);
    memcpy(eight + 4, b, 4);
    return load_eight(eight);
}

/* Eight lower-case hex digits to four bytes, the first lowest in both; *bad gets a bit for anything else. The low nibble of a
 * figure, and nine more for a letter, is its value; a letter's value lies from 10 to 15, a figure's from 0 to 9. */
static uint64_t four_bytes(uint64_t word, uint64_t *bad) {
    uint64_t letter = word >> 6 & EACH(0x01u);
    uint64_t value = (word & EACH(0x0fu)) + 9 * letter;
    *bad |= (word & EACH(0xf0u)) ^ (EACH(0x30u) + 0x30 * letter); /* '0' is 0x30, 'a' is 0x61 */
    *bad |= value & EACH(0xf0u);
    *bad |= ((value + EACH(0x06u)) >> 4 & EACH(0x01u)) ^ letter;
    uint64_t pairs = (value << 4 | value >> 8) & 0x00ff00ff00ff00ffu;
    pairs = (pairs | pairs >> 8) & 0x0000ffff0000ffffu;
    return (pairs | pairs >> 16) & 0xffffffffu;
}

enum proto_error proto_id_parse(struct proto_slice text, struct proto_id *out) {
    uint64_t bad = 0, halves[2];
    if (text.size != PROTO_ID_TEXT_BYTES)
        return PROTO_BAD_VALUE;
    const char *s = text.data; /* groups of 8, 4, 4, 4 and 12 digits */
    halves[0] = four_bytes(load_eight(s), &bad) | four_bytes(load_four_twice(s + 9, s + 14), &bad) << 32;
    halves[1] = four_bytes(load_four_twice(s + 19, s + 24), &bad) | four_bytes(load_eight(s + 28), &bad) << 32;
    if (bad || s[8] != '-' || s[13] != '-' || s[18] != '-' || s[23] != '-')
        return PROTO_BAD_VALUE;
    halves[0] = first_lowest(halves[0]);
    halves[1] = first_lowest(halves[1]);
    memcpy(out->bytes, halves, sizeof out->bytes);
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
