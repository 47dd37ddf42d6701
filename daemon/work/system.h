/*
 * system.h - entries of the log that are this node's own and no events: what left, what was refused, what went on under
 * another id; and the events that count no more because of them.
 *
 * What always holds: such an entry begins with a byte that no event begins with; it never leaves this node; whatever it takes
 * away it names by seq, so that the view can be made again from what is left.
 *
 *   c1 01 | u8 type | i64 at | then
 *   LEFT      u32 events of the record in all (0: a further part, not shown) | id record | u32 count | count * u64 seq
 *   REFUSED   id record (zero: none) | id event | u64 seq | text code | text message | bytes of the event to the end
 *   REPLACED  id record | u64 seq | id event | id under which its content went on (zero: it was the same)
 *   SETTLED   u64 seq of the REFUSED entry | u8 1: recorded again
 */
#ifndef WORK_SYSTEM_H
#define WORK_SYSTEM_H

#include "work/bytes.h"
#include "work/rowset.h"
#include "work/sync.h"

#define WORK_SYSTEM_BYTE 0xc1u  /* MessagePack never uses it */
#define WORK_SYSTEM_ERASED 0x65 /* rows of STORE_SYSTEM alone: the seq of a patient.erased */
#define WORK_LEFT_SEQS_MAX 1500 /* of one LEFT entry */

static inline bool work_is_system(struct store_bytes body) {
    return body.size > 0 && body.data[0] == WORK_SYSTEM_BYTE;
}

/* Events that count no more, by seq. */
struct work_drop {
    uint64_t seq;
    struct proto_id record; /* zero: of no child */
};
struct work_drops {
    struct work_drop *list;
    uint32_t count, cap;
};
void work_drops_add(struct work_drops *drops, uint64_t seq, const struct proto_id *record);
void work_drops_sort(struct work_drops *drops);
/* The drops must be sorted. */
bool work_drops_have(const struct work_drops *drops, uint64_t seq);
void work_drops_free(struct work_drops *drops);

/* Entries; appended to the buffer. */
void work_system_left(struct work_buffer *out, int64_t at, uint32_t in_all, const struct proto_id *record,
                      const uint64_t *seqs, uint32_t count);
void work_system_refused(struct work_buffer *out, const struct work_system_row *row, uint64_t seq);
void work_system_replaced(struct work_buffer *out, int64_t at, const struct proto_id *record, uint64_t seq,
                          const struct proto_id *event, const struct proto_id *new_event);
void work_system_settled(struct work_buffer *out, int64_t at, uint64_t refused_seq, bool again);

/* Reads an entry; row->seq is the caller's to set. *drops (may be NULL) gets what it takes away; *shown says whether it has a row of
 * STORE_SYSTEM; of SETTLED row->event_count is 1 when it was recorded again, and *settles is the seq of the entry that loses its row
 * (0: none). CORRUPT. */
enum proto_error work_system_read(struct store_bytes body, struct work_system_row *row, struct work_drops *drops,
                                  bool *shown, uint64_t *settles) PROTO_MUST_CHECK;

#define WORK_SYSTEM_KEY_BYTES 9
void work_system_key(uint8_t type, uint64_t seq, uint8_t out[WORK_SYSTEM_KEY_BYTES]);
void work_system_seq_row(uint8_t type, uint64_t seq, struct work_rows *rows);

/* Mark of the log: u64 lowest seq of an entry whose taking away has not been carried out. */
#define WORK_REMOVING_MARK "work.removing"

#endif
