/*
 * ids.h - UUIDs (RFC 9562): text, parts, and version 7 ids that only grow. Entropy and clock are handed in.
 */
#ifndef PROTO_IDS_H
#define PROTO_IDS_H

#include "proto/value.h"

enum proto_error proto_id_parse(struct proto_slice text,
                                struct proto_id *out) PROTO_MUST_CHECK; /* canonical lower case only: BAD_VALUE */
void proto_id_format(const struct proto_id *id, char out[PROTO_ID_TEXT_BYTES + 1]);
int proto_id_compare(const struct proto_id *a, const struct proto_id *b);
bool proto_id_is_v7(const struct proto_id *id);
int64_t proto_id_time_ms(const struct proto_id *id); /* of a version 7 id */
bool proto_id_is_zero(const struct proto_id *id);

/* Makes version 7 ids that strictly grow for one maker, also when the clock stands or goes back (12-bit rand_a as counter, then the
 * millisecond is carried on). One thread. */
struct proto_id_maker {
    int64_t last_ms;
    uint16_t counter;
};
void proto_id_make(struct proto_id_maker *maker, int64_t now_ms, const uint8_t entropy[10], struct proto_id *out);
/* A version 7 id made from a time and a hash: the same line always gets the same id (`load`). */
void proto_id_from_hash(int64_t at_ms, const uint8_t hash[PROTO_HASH_BYTES], struct proto_id *out);

#endif
