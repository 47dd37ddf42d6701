/*
 * chain.c - the hash chain over the headers of events, and the commitment that ties a body to its header.
 *
 * What always holds: chain[0] = SHA-256("betony log" || log identity); chain[n] = SHA-256(chain[n-1] || header[n]);
 * commitment = SHA-256(nonce || body). A body can be taken away with its nonce and the chain still verifies.
 */
#include "store/internal.h"

#include <assert.h>
#include <string.h>

#include "proto/event.h"

#define START_TEXT "betony log"

void store_chain_start(const struct proto_id *log, uint8_t out[PROTO_HASH_BYTES]) {
    uint8_t bytes[sizeof START_TEXT - 1 + PROTO_ID_BYTES];
    memcpy(bytes, START_TEXT, sizeof START_TEXT - 1);
    memcpy(bytes + sizeof START_TEXT - 1, log->bytes, PROTO_ID_BYTES);
    proto_hash(bytes, sizeof bytes, out);
}

void store_chain_next(const uint8_t before[PROTO_HASH_BYTES], const uint8_t header[STORE_HEADER_BYTES],
                      uint8_t out[PROTO_HASH_BYTES]) {
    uint8_t bytes[PROTO_HASH_BYTES + STORE_HEADER_BYTES];
    memcpy(bytes, before, PROTO_HASH_BYTES);
    memcpy(bytes + PROTO_HASH_BYTES, header, STORE_HEADER_BYTES);
    proto_hash(bytes, sizeof bytes, out);
}

void store_commit_to_body(const uint8_t nonce[STORE_NONCE_BYTES], struct store_bytes body,
                          uint8_t out[PROTO_HASH_BYTES]) {
    uint8_t bytes[STORE_NONCE_BYTES + STORE_BODY_BYTES_MAX];
    assert(body.size > 0 && body.size <= STORE_BODY_BYTES_MAX);
    memcpy(bytes, nonce, STORE_NONCE_BYTES);
    memcpy(bytes + STORE_NONCE_BYTES, body.data, body.size);
    proto_hash(bytes, STORE_NONCE_BYTES + body.size, out);
}
