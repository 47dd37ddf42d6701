/*
 * lots.c - lots and trade item numbers compared as a person would who holds both in her hands.
 *
 * What always holds: one walk over the text serves the comparison and the key of an index, so that they never differ.
 */
#include "proto/lots.h"

#include <string.h>

/* Bytes of a space or hyphen at the beginning of the text; 0: neither. Printed notices have others than those of a keyboard. */
static uint32_t skipped(struct proto_slice s) {
    static const char *const wider[] = {"\xc2\xa0", "\xe2\x80\x90", "\xe2\x80\x91", "\xe2\x80\x92", "\xe2\x80\x93"};
    if (*s.data == ' ' || *s.data == '-')
        return 1;
    for (size_t i = 0; i < sizeof wider / sizeof wider[0]; i++) {
        uint32_t size = (uint32_t)strlen(wider[i]);
        if (s.size >= size && memcmp(s.data, wider[i], size) == 0)
            return size;
    }
    return 0;
}

/* Takes the next byte that counts; -1 at the end. */
static int take(struct proto_slice *s) {
    uint32_t over = 0;
    while (s->size > 0 && (over = skipped(*s)) > 0) {
        s->data += over;
        s->size -= over;
    }
    if (s->size == 0)
        return -1;
    unsigned char c = (unsigned char)*s->data++;
    s->size--;
    return c >= 'A' && c <= 'Z' ? c - 'A' + 'a' : c;
}

void proto_lot_fold(struct proto_slice lot, char out[PROTO_LOT_FOLDED_BYTES]) {
    size_t size = 0;
    for (int c = take(&lot); c > 0 && size + 1 < PROTO_LOT_FOLDED_BYTES; c = take(&lot))
        out[size++] = (char)c;
    out[size] = '\0';
}

bool proto_lot_is_unsaid(struct proto_slice lot) {
    return take(&lot) < 0;
}

bool proto_lot_same(struct proto_slice a, struct proto_slice b) {
    int left = take(&a), right = take(&b);
    if (left < 0)
        return false;
    while (left == right && left >= 0) {
        left = take(&a);
        right = take(&b);
    }
    return left == right;
}

static struct proto_slice without_zeros(struct proto_slice gtin) {
    while (gtin.size > 0 && *gtin.data == '0') {
        gtin.data++;
        gtin.size--;
    }
    return gtin;
}

bool proto_gtin_same(struct proto_slice a, struct proto_slice b) {
    return proto_slice_same(without_zeros(a), without_zeros(b));
}
