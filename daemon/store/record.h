/*
 * record.h - the bytes of what the store itself keeps: event records, the chain's headers, the view's stamp, the open mark.
 *
 * What always holds: integers are big-endian and of fixed width, every stored record begins with a format byte, a decoder
 * answers CORRUPT for anything that is not exactly a record, and never reads beyond the bytes it was given.
 * The layouts stand in hex beside the encoders in record.c and as golden files in tests/unit/store/golden.
 */
#ifndef STORE_RECORD_H
#define STORE_RECORD_H

#include "proto/limits.h"
#include "store/store.h"

/* Versions of the whole layout (tables, keys, records) of each environment, kept in it. */
#define STORE_LOG_FORMAT 1
#define STORE_VIEW_FORMAT 1

#define STORE_HEADER_BYTES 80
#define STORE_NONCE_BYTES 16
#define STORE_EVENT_FIXED_BYTES 106 /* all of an event record but nonce and body */
#define STORE_EVENT_RECORD_BYTES_MAX (STORE_EVENT_FIXED_BYTES + STORE_NONCE_BYTES + STORE_BODY_BYTES_MAX)
#define STORE_RECEIPT_RECORD_BYTES (8 + STORE_RECEIPT_BYTES)
#define STORE_STAMP_BYTES 73
#define STORE_BOOT_ID_BYTES_MAX 64
#define STORE_STATE_BYTES_MAX (2 + STORE_BOOT_ID_BYTES_MAX)
#define STORE_MARK_BYTES_MAX 1024
#define STORE_BACKUP_MARK "store.backup" /* the log is a copy that is not to be written to */
#define STORE_BACKUP_MARK_BYTES 9
#define STORE_RESTORED_MARK "restored-from" /* the logs that this one was restored from, the last first */
#define STORE_RESTORED_ENTRY_BYTES 80
#define STORE_RESTORED_ENTRIES_MAX 12
#define STORE_RESTORED_BYTES_MAX (1 + STORE_RESTORED_ENTRY_BYTES * STORE_RESTORED_ENTRIES_MAX)
/* Directory in DIR in which a restore works until its log is whole. */
#define STORE_RESTORE_ASIDE "restore.new"

struct store_stamp {
    struct proto_id view, log;
    uint64_t seq;
    uint8_t chain[PROTO_HASH_BYTES];
};

struct store_state_mark {
    bool open; /* else clean */
    char boot_id[STORE_BOOT_ID_BYTES_MAX + 1];
};

void store_seq_encode(uint64_t seq, uint8_t out[8]);
/* CORRUPT unless exactly 8 bytes. */
enum proto_error store_seq_decode(struct store_bytes bytes, uint64_t *out) PROTO_MUST_CHECK;

/* What the chain runs over: seq, id, received_at, via of the event, and the commitment to its body. */
void store_header_encode(const struct store_event *event, const uint8_t commitment[PROTO_HASH_BYTES],
                         uint8_t out[STORE_HEADER_BYTES]);

/* Returns the size. The body must be 1 to STORE_BODY_BYTES_MAX bytes; event->chain is stored as it stands. */
size_t store_event_encode(const struct store_event *event, const uint8_t commitment[PROTO_HASH_BYTES],
                          uint8_t out[STORE_EVENT_RECORD_BYTES_MAX]);
/* The body points into `bytes`; out->seq is not touched. CORRUPT. */
enum proto_error store_event_decode(struct store_bytes bytes, struct store_event *out,
                                    uint8_t commitment[PROTO_HASH_BYTES]) PROTO_MUST_CHECK;

/* The record of the same event without nonce and body, from a record that decodes; `out` may be `record`. */
void store_event_cut(const uint8_t *record, uint8_t out[STORE_EVENT_FIXED_BYTES]);

/* Writes another chain hash into an event record that decodes; the rest of it stays as it is. */
void store_event_rechain(uint8_t *record, const uint8_t chain[PROTO_HASH_BYTES]);

void store_receipt_encode(int64_t received_at, const uint8_t receipt[STORE_RECEIPT_BYTES],
                          uint8_t out[STORE_RECEIPT_RECORD_BYTES]);
/* CORRUPT unless exactly of that size. */
enum proto_error store_receipt_decode(struct store_bytes bytes, int64_t *received_at,
                                      uint8_t receipt[STORE_RECEIPT_BYTES]) PROTO_MUST_CHECK;

void store_stamp_encode(const struct store_stamp *stamp, uint8_t out[STORE_STAMP_BYTES]);
enum proto_error store_stamp_decode(struct store_bytes bytes, struct store_stamp *out) PROTO_MUST_CHECK;

size_t store_state_encode(const struct store_state_mark *mark, uint8_t out[STORE_STATE_BYTES_MAX]);
enum proto_error store_state_decode(struct store_bytes bytes, struct store_state_mark *out) PROTO_MUST_CHECK;

void store_backup_mark_encode(int64_t made_at, uint8_t out[STORE_BACKUP_MARK_BYTES]);

/* The mark of a log that is restored at `restored_at` from one with identity `was` and the mark `before` (empty: it had none);
 * the oldest entries fall out. CORRUPT when `before` is no such mark: *out is then not to be used. */
enum proto_error store_restored_encode(const struct store_identity *was, int64_t restored_at, struct store_bytes before,
                                       uint8_t out[STORE_RESTORED_BYTES_MAX], size_t *size_out) PROTO_MUST_CHECK;
/* Entry `index`, 0 is the last restore: node, log, log_seq and chain of *was are set. NOT_FOUND beyond the last, CORRUPT. */
enum proto_error store_restored_decode(struct store_bytes bytes, unsigned index, struct store_identity *was,
                                       int64_t *restored_at) PROTO_MUST_CHECK;

#endif
