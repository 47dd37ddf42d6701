/*
 * record.c - encoders and decoders of the store's own records.
 *
 * What always holds: what is encoded decodes to the same value, and a changed layout gets a new format byte; records of
 * every past format stay readable and stay in tests/unit/store/golden.
 */
#include "store/record.h"

#include <assert.h>
#include <string.h>

#define EVENT_FORMAT 0x01
#define EVENT_REMOVED 0x01 /* flag: nonce and body are gone, commitment and chain stay */
#define EVENT_JOINED 0x02  /* flag: recorded in one call with the event before it */
#define EVENT_FLAGS_AT 0x01
#define STAMP_FORMAT 0x01
#define STATE_FORMAT 0x01
#define BACKUP_FORMAT 0x01
#define RESTORED_FORMAT 0x01
#define EVENT_CHAIN_AT 0x4a
#define STATE_OPEN 0x4f  /* 'O' */
#define STATE_CLEAN 0x43 /* 'C' */

static_assert(STORE_EVENT_FIXED_BYTES == 2 + PROTO_ID_BYTES + 8 + PROTO_ID_BYTES + 2 * PROTO_HASH_BYTES,
              "event record");
static_assert(STORE_HEADER_BYTES == 8 + PROTO_ID_BYTES + 8 + PROTO_ID_BYTES + PROTO_HASH_BYTES, "event header");
static_assert(STORE_RESTORED_ENTRY_BYTES == 2 * PROTO_ID_BYTES + 8 + PROTO_HASH_BYTES + 8, "entry of a restore");
static_assert(STORE_RESTORED_BYTES_MAX <= STORE_MARK_BYTES_MAX, "mark of restores");
static_assert(STORE_STAMP_BYTES == 1 + 2 * PROTO_ID_BYTES + 8 + PROTO_HASH_BYTES, "stamp");

static uint8_t *put_u64(uint8_t *at, uint64_t n) {
    for (int i = 0; i < 8; i++)
        at[i] = (uint8_t)(n >> (56 - 8 * i));
    return at + 8;
}

static uint8_t *put_bytes(uint8_t *at, const void *bytes, size_t size) {
    memcpy(at, bytes, size);
    return at + size;
}

static const uint8_t *take_u64(const uint8_t *at, uint64_t *n) {
    *n = 0;
    for (int i = 0; i < 8; i++)
        *n = *n << 8 | at[i];
    return at + 8;
}

static const uint8_t *take_bytes(const uint8_t *at, void *bytes, size_t size) {
    memcpy(bytes, at, size);
    return at + size;
}

void store_seq_encode(uint64_t seq, uint8_t out[8]) {
    put_u64(out, seq);
}

enum proto_error store_seq_decode(struct store_bytes bytes, uint64_t *out) {
    if (bytes.size != 8)
        return PROTO_CORRUPT;
    take_u64(bytes.data, out);
    return PROTO_OK;
}

/*
 * Header, 80 bytes, hashed and never stored as such. Event 42, received at 1,700,000,000,000 ms, recorded here:
 *   00  00 00 00 00 00 00 00 2a                            seq
 *   08  01 8b cf e5 68 00 70 00 80 00 00 00 00 00 00 2a    id
 *   18  00 00 01 8b cf e5 68 00                            received_at, ms, two's complement
 *   20  00 x 16                                            via: the node it came through, zero when recorded here
 *   30  .. x 32                                            commitment = SHA-256(nonce || body)
 */
void store_header_encode(const struct store_event *event, const uint8_t commitment[PROTO_HASH_BYTES],
                         uint8_t out[STORE_HEADER_BYTES]) {
    assert(event->seq > 0);
    uint8_t *at = put_u64(out, event->seq);
    at = put_bytes(at, event->id.bytes, PROTO_ID_BYTES);
    at = put_u64(at, (uint64_t)event->received_at);
    at = put_bytes(at, event->via.bytes, PROTO_ID_BYTES);
    at = put_bytes(at, commitment, PROTO_HASH_BYTES);
    assert(at == out + STORE_HEADER_BYTES);
}

/*
 * Event record, the value under its seq:
 *   00  01                                                 format
 *   01  00                                                 flags; 01: the body was removed, the record ends at 6a
 *                                                             02: recorded in one call with the event before it
 *   02  01 8b cf e5 68 00 70 00 80 00 00 00 00 00 00 2a    id
 *   12  00 00 01 8b cf e5 68 00                            received_at
 *   1a  00 x 16                                            via
 *   2a  .. x 32                                            commitment
 *   4a  .. x 32                                            chain hash at this seq
 *   6a  .. x 16                                            nonce
 *   7a  ..                                                 body to the end: canonical bytes of the event, or an entry
 *                                                             of this node's own (work/ tells them apart)
 */
size_t store_event_encode(const struct store_event *event, const uint8_t commitment[PROTO_HASH_BYTES],
                          uint8_t out[STORE_EVENT_RECORD_BYTES_MAX]) {
    assert(event->body.size > 0 && event->body.size <= STORE_BODY_BYTES_MAX);
    uint8_t *at = out;
    *at++ = EVENT_FORMAT;
    *at++ = event->joined ? EVENT_JOINED : 0;
    at = put_bytes(at, event->id.bytes, PROTO_ID_BYTES);
    at = put_u64(at, (uint64_t)event->received_at);
    at = put_bytes(at, event->via.bytes, PROTO_ID_BYTES);
    at = put_bytes(at, commitment, PROTO_HASH_BYTES);
    at = put_bytes(at, event->chain, PROTO_HASH_BYTES);
    assert(at == out + STORE_EVENT_FIXED_BYTES);
    at = put_bytes(at, event->nonce, STORE_NONCE_BYTES);
    at = put_bytes(at, event->body.data, event->body.size);
    return (size_t)(at - out);
}

enum proto_error store_event_decode(struct store_bytes bytes, struct store_event *out,
                                    uint8_t commitment[PROTO_HASH_BYTES]) {
    const uint8_t *at = bytes.data;
    if (bytes.size < STORE_EVENT_FIXED_BYTES || at[0] != EVENT_FORMAT || at[1] > (EVENT_REMOVED | EVENT_JOINED))
        return PROTO_CORRUPT;
    bool removed = (at[1] & EVENT_REMOVED) != 0;
    if (removed
            ? bytes.size != STORE_EVENT_FIXED_BYTES
            : bytes.size <= STORE_EVENT_FIXED_BYTES + STORE_NONCE_BYTES || bytes.size > STORE_EVENT_RECORD_BYTES_MAX)
        return PROTO_CORRUPT;
    uint64_t received_at;
    out->joined = (at[1] & EVENT_JOINED) != 0;
    out->supersedes = false;
    at = take_bytes(at + 2, out->id.bytes, PROTO_ID_BYTES);
    at = take_u64(at, &received_at);
    out->received_at = (int64_t)received_at;
    at = take_bytes(at, out->via.bytes, PROTO_ID_BYTES);
    at = take_bytes(at, commitment, PROTO_HASH_BYTES);
    at = take_bytes(at, out->chain, PROTO_HASH_BYTES);
    memset(out->nonce, 0, STORE_NONCE_BYTES);
    out->body = (struct store_bytes){0};
    if (removed)
        return PROTO_OK;
    at = take_bytes(at, out->nonce, STORE_NONCE_BYTES);
    out->body = (struct store_bytes){at, bytes.size - STORE_EVENT_FIXED_BYTES - STORE_NONCE_BYTES};
    return PROTO_OK;
}

void store_event_cut(const uint8_t *record, uint8_t out[STORE_EVENT_FIXED_BYTES]) {
    memmove(out, record, STORE_EVENT_FIXED_BYTES);
    out[EVENT_FLAGS_AT] |= EVENT_REMOVED;
}

void store_event_rechain(uint8_t *record, const uint8_t chain[PROTO_HASH_BYTES]) {
    memcpy(record + EVENT_CHAIN_AT, chain, PROTO_HASH_BYTES);
}

/*
 * Receipt, the value under the event's id; of one layout for good, as `ids` is:
 *   00  00 00 01 8b cf e5 68 00    received_at, by the upstream's clock, ms, two's complement
 *   08  .. x 16                    the upstream's word for that
 */
void store_receipt_encode(int64_t received_at, const uint8_t receipt[STORE_RECEIPT_BYTES],
                          uint8_t out[STORE_RECEIPT_RECORD_BYTES]) {
    put_bytes(put_u64(out, (uint64_t)received_at), receipt, STORE_RECEIPT_BYTES);
}

enum proto_error store_receipt_decode(struct store_bytes bytes, int64_t *received_at,
                                      uint8_t receipt[STORE_RECEIPT_BYTES]) {
    uint64_t moment;
    if (bytes.size != STORE_RECEIPT_RECORD_BYTES)
        return PROTO_CORRUPT;
    take_bytes(take_u64(bytes.data, &moment), receipt, STORE_RECEIPT_BYTES);
    *received_at = (int64_t)moment;
    return PROTO_OK;
}

/*
 * Stamp of a view, 73 bytes under the key "stamp" of its `about` table, rewritten in every commit:
 *   00  01          format
 *   01  .. x 16     this view's uuid, the same as in its directory's name
 *   11  .. x 16     identity of the log it was made from
 *   21  .. x 8      seq of the last event it reflects
 *   29  .. x 32     the log's chain hash at that seq
 */
void store_stamp_encode(const struct store_stamp *stamp, uint8_t out[STORE_STAMP_BYTES]) {
    uint8_t *at = out;
    *at++ = STAMP_FORMAT;
    at = put_bytes(at, stamp->view.bytes, PROTO_ID_BYTES);
    at = put_bytes(at, stamp->log.bytes, PROTO_ID_BYTES);
    at = put_u64(at, stamp->seq);
    at = put_bytes(at, stamp->chain, PROTO_HASH_BYTES);
    assert(at == out + STORE_STAMP_BYTES);
}

enum proto_error store_stamp_decode(struct store_bytes bytes, struct store_stamp *out) {
    if (bytes.size != STORE_STAMP_BYTES || bytes.data[0] != STAMP_FORMAT)
        return PROTO_CORRUPT;
    const uint8_t *at = take_bytes(bytes.data + 1, out->view.bytes, PROTO_ID_BYTES);
    at = take_bytes(at, out->log.bytes, PROTO_ID_BYTES);
    at = take_u64(at, &out->seq);
    take_bytes(at, out->chain, PROTO_HASH_BYTES);
    return PROTO_OK;
}

/*
 * Mark of the log that says how far the view can be trusted, under "store.state":
 *   00  01        format
 *   01  4f        'O': left open, under the boot id that follows; 43 'C': closed after the view was forced to disk
 *   02  ..        boot id of the machine, text, to the end
 */
size_t store_state_encode(const struct store_state_mark *mark, uint8_t out[STORE_STATE_BYTES_MAX]) {
    size_t size = strlen(mark->boot_id);
    assert(size <= STORE_BOOT_ID_BYTES_MAX);
    out[0] = STATE_FORMAT;
    out[1] = mark->open ? STATE_OPEN : STATE_CLEAN;
    memcpy(out + 2, mark->boot_id, size);
    return 2 + size;
}

enum proto_error store_state_decode(struct store_bytes bytes, struct store_state_mark *out) {
    if (bytes.size < 2 || bytes.size > STORE_STATE_BYTES_MAX || bytes.data[0] != STATE_FORMAT)
        return PROTO_CORRUPT;
    if (bytes.data[1] != STATE_OPEN && bytes.data[1] != STATE_CLEAN)
        return PROTO_CORRUPT;
    if (memchr(bytes.data + 2, 0, bytes.size - 2))
        return PROTO_CORRUPT;
    out->open = bytes.data[1] == STATE_OPEN;
    memcpy(out->boot_id, bytes.data + 2, bytes.size - 2);
    out->boot_id[bytes.size - 2] = '\0';
    return PROTO_OK;
}

/*
 * Mark of a log that is a backup, under "store.backup":
 *   00  01                         format
 *   01  00 00 01 8b cf e5 68 00    made at, ms, two's complement
 */
void store_backup_mark_encode(int64_t made_at, uint8_t out[STORE_BACKUP_MARK_BYTES]) {
    out[0] = BACKUP_FORMAT;
    put_u64(out + 1, (uint64_t)made_at);
}

/*
 * Mark of a log that was restored, under "restored-from"; one entry for each restore behind it, the last first, 12 at most:
 *   00  01          format
 *   01  .. x 16     identity of the log it was restored from
 *   11  .. x 16     node that log was on
 *   21  .. x 8      seq of that log's last event
 *   29  .. x 32     that log's chain hash there
 *   49  .. x 8      restored at, ms, two's complement
 *   51  ..          the next entry
 */
enum proto_error store_restored_encode(const struct store_identity *was, int64_t restored_at, struct store_bytes before,
                                       uint8_t out[STORE_RESTORED_BYTES_MAX], size_t *size_out) {
    size_t old = before.size > 0 ? before.size - 1 : 0;
    if (before.size > 0 && (before.data[0] != RESTORED_FORMAT || old % STORE_RESTORED_ENTRY_BYTES != 0))
        return PROTO_CORRUPT;
    if (old > STORE_RESTORED_BYTES_MAX - 1 - STORE_RESTORED_ENTRY_BYTES)
        old = STORE_RESTORED_BYTES_MAX - 1 - STORE_RESTORED_ENTRY_BYTES;
    uint8_t *at = out;
    *at++ = RESTORED_FORMAT;
    at = put_bytes(at, was->log.bytes, PROTO_ID_BYTES);
    at = put_bytes(at, was->node.bytes, PROTO_ID_BYTES);
    at = put_u64(at, was->log_seq);
    at = put_bytes(at, was->chain, PROTO_HASH_BYTES);
    at = put_u64(at, (uint64_t)restored_at);
    if (old > 0)
        at = put_bytes(at, before.data + 1, old);
    *size_out = (size_t)(at - out);
    return PROTO_OK;
}

enum proto_error store_restored_decode(struct store_bytes bytes, unsigned index, struct store_identity *was,
                                       int64_t *restored_at) {
    uint64_t moment;
    if (bytes.size < 1 || bytes.size > STORE_RESTORED_BYTES_MAX || bytes.data[0] != RESTORED_FORMAT ||
        (bytes.size - 1) % STORE_RESTORED_ENTRY_BYTES != 0)
        return PROTO_CORRUPT;
    if (index >= (bytes.size - 1) / STORE_RESTORED_ENTRY_BYTES)
        return PROTO_NOT_FOUND;
    const uint8_t *at = bytes.data + 1 + (size_t)index * STORE_RESTORED_ENTRY_BYTES;
    at = take_bytes(at, was->log.bytes, PROTO_ID_BYTES);
    at = take_bytes(at, was->node.bytes, PROTO_ID_BYTES);
    at = take_u64(at, &was->log_seq);
    at = take_bytes(at, was->chain, PROTO_HASH_BYTES);
    take_u64(at, &moment);
    *restored_at = (int64_t)moment;
    return PROTO_OK;
}
