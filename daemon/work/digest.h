/*
 * digest.h - what is held of each record in 36 bytes: how many events, and a sum over them that does not depend on their order.
 *
 * Two nodes that hold the same events of a record have the same row, and an event that only one of them has shows. The sum is
 * no secret and no proof against whoever makes up events on purpose; it finds what was lost.
 *
 * What always holds: a row counts the events of the record that count at all: with a body, no entry of the node's own, not
 * taken away; no row where there are none. Derived from the log: a job writes it, a rebuild makes it, verify compares it.
 *
 * A row of STORE_DIGESTS, under the id of the record (zero: events of no child): 01 | u32 count | 32 bytes, the sum modulo 2^256,
 * big-endian, of SHA-256(id || SHA-256(canonical bytes)) over the events.
 */
#ifndef WORK_DIGEST_H
#define WORK_DIGEST_H

#include "work/event.h"
#include "work/fold.h"
#include "work/rowset.h"
#include "work/sync.h"

/* Counts one event; its bytes are hashed here. */
void work_digest_add(struct work_digest *digest, const struct work_event *event);
/* The record's row; none when it counts nothing. */
void work_digest_row(const struct proto_id *record, const struct work_digest *digest, struct work_rows *rows);
/* Rows of records from all events that are held of them; the events of other records are passed over. */
void work_digest_rows(const struct proto_id *records, uint32_t record_count, struct work_event **events, uint32_t count,
                      struct work_rows *rows);
/* The same where these events come to what is stored: what was there goes to old_rows. CORRUPT. */
enum proto_error work_digest_more(struct store_txn *txn, const struct proto_id *records, uint32_t record_count,
                                  struct work_event **events, uint32_t count, struct work_rows *old_rows,
                                  struct work_rows *new_rows) PROTO_MUST_CHECK;

struct work_batch;
/* The row of events of no child, as a batch changes it, and what it drops of them goes out of everybody's feed. The batch's drops are
 * known and sorted; `txn` is the view's before the batch. */
enum proto_error work_digest_common(struct work_batch *batch, struct store_txn *txn,
                                    struct work_reading *reading) PROTO_MUST_CHECK;

#endif
