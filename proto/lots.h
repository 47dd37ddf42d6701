/*
 * lots.h - lots and trade item numbers as people write them: when two are one.
 *
 * What always holds: a recall that is typed otherwise than the device finds the device. What can only be told apart by case, spaces or
 * hyphens is one lot.
 */
#ifndef PROTO_LOTS_H
#define PROTO_LOTS_H

#include "proto/limits.h"
#include "proto/value.h"

#define PROTO_LOT_FOLDED_BYTES (PROTO_TEXT_SHORT_MAX + 1)

/* The lot without spaces and hyphens, in small letters (A to Z only), ended by a NUL, cut at PROTO_TEXT_SHORT_MAX bytes; empty: nothing
 * is said of a lot. Any thread. */
void proto_lot_fold(struct proto_slice lot, char out[PROTO_LOT_FOLDED_BYTES]);
/* True when they are one lot: their folded texts are the same, and not empty. Any thread. */
bool proto_lot_same(struct proto_slice a, struct proto_slice b);
/* True when nothing is said of a lot: no text, or nothing but spaces and hyphens. Any thread. */
bool proto_lot_is_unsaid(struct proto_slice lot);
/* True when they are one trade item number, which is written in several lengths: compared without leading zeros. Any thread. */
bool proto_gtin_same(struct proto_slice a, struct proto_slice b);

static inline struct proto_slice proto_slice_of(const char *text) {
    return (struct proto_slice){text, (uint32_t)__builtin_strlen(text)};
}

#endif
