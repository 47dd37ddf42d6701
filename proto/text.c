/*
 * text.c - UTF-8 and control characters. Nearly all texts are plain ASCII, so eight bytes are looked at together.
 */
#include "proto/text.h"

#include <string.h>

#define EACH(byte) (0x0101010101010101u * (byte))

static uint64_t load_eight(const uint8_t *bytes) {
    uint64_t word;
    memcpy(&word, bytes, sizeof word);
    return word;
}

static uint32_t load_four(const uint8_t *bytes) {
    uint32_t word;
    memcpy(&word, bytes, sizeof word);
    return word;
}

/* Length of the well-formed sequence of two or more bytes at `s`, of which `size` bytes are there; 0: ill-formed. */
static size_t sequence_size(const uint8_t *s, size_t size) {
    uint8_t lead = s[0], low = 0x80, high = 0xbf;
    size_t want;
    if (lead >= 0xc2 && lead <= 0xdf) {
        want = 2;
    } else if (lead >= 0xe0 && lead <= 0xef) {
        want = 3;
        low = lead == 0xe0 ? 0xa0 : 0x80;
        high = lead == 0xed ? 0x9f : 0xbf;
    } else if (lead >= 0xf0 && lead <= 0xf4) {
        want = 4;
        low = lead == 0xf0 ? 0x90 : 0x80;
        high = lead == 0xf4 ? 0x8f : 0xbf;
    } else {
        return 0;
    }
    if (size < want || s[1] < low || s[1] > high)
        return 0;
    for (size_t i = 2; i < want; i++)
        if ((s[i] & 0xc0) != 0x80)
            return 0;
    return want;
}

/* The high bits of all bytes together; what is left over at the end is loaded again with what stands before it. */
static bool is_ascii(const uint8_t *s, size_t size) {
    uint64_t all = 0;
    if (size < 4) {
        for (size_t i = 0; i < size; i++)
            all |= s[i];
        return (all & 0x80) == 0;
    }
    if (size < 8)
        return ((load_four(s) | load_four(s + size - 4)) & (uint32_t)EACH(0x80u)) == 0;
    for (size_t at = 0; at + 8 < size; at += 8)
        all |= load_eight(s + at);
    return ((all | load_eight(s + size - 8)) & EACH(0x80u)) == 0;
}

bool proto_text_is_utf8(const void *text, size_t size) {
    const uint8_t *s = text;
    if (is_ascii(s, size))
        return true;
    for (size_t at = 0; at < size;) {
        size_t step = s[at] < 0x80 ? 1 : sequence_size(s + at, size - at);
        if (step == 0)
            return false;
        at += step;
    }
    return true;
}

/* Whether all eight bytes are ASCII from space to '~': none below 0x20, none 0x7f, none with the high bit. */
static bool eight_are_printable(uint64_t word) {
    uint64_t below_space = (word - EACH(0x20u)) & ~word;
    uint64_t above_tilde = word + EACH(0x01u); /* 0x7f becomes 0x80 */
    return ((below_space | above_tilde | word) & EACH(0x80u)) == 0;
}

static bool is_printable(const uint8_t *s, size_t size) {
    if (size < 8)
        return false; /* the careful way is as fast */
    for (size_t at = 0; at + 8 < size; at += 8)
        if (!eight_are_printable(load_eight(s + at)))
            return false;
    return eight_are_printable(load_eight(s + size - 8));
}

bool proto_text_is_plain(const void *text, size_t size) {
    const uint8_t *s = text;
    if (is_printable(s, size))
        return true;
    for (size_t at = 0; at < size; at++) {
        bool is_c0 = s[at] < 0x20 && s[at] != '\n' && s[at] != '\t';
        bool is_c1 = s[at] == 0xc2 && at + 1 < size && s[at + 1] < 0xa0; /* U+0080 to U+009F */
        if (is_c0 || s[at] == 0x7f || is_c1)
            return false;
    }
    return true;
}
