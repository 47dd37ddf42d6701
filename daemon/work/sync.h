/*
 * sync.h - what link/ and serve/ need of work/ to carry events between nodes: calls that bring events as bytes, records that
 * leave, refusals; and readings by record, digest and cursor.
 *
 * A call made here goes the path of every call (work_submit, on_done, work_call_free); work_call_fault says whether it was
 * carried out. Its events keep their bytes, stamps included.
 *
 * What always holds:
 *  - all of one call is one transaction of the log, its marks included: a page and its cursor, an answer and what it answered;
 *  - events of one offered call that are joined are taken or refused together;
 *  - whatever an event says, it is taken when its record may be here: rules judge what a person records, not what happened.
 */
#ifndef WORK_SYNC_H
#define WORK_SYNC_H

#include "work/work.h"

#define WORK_RECEIPT_BYTES STORE_RECEIPT_BYTES

/* Whose events a node holds. */
struct work_scope {
    bool all_teams;
    uint32_t team_count;
    char teams[16][44];
};

enum work_sync_what {
    WORK_SYNC_OFFER, /* here is the upstream: events that a node offers, each judged by the node's scope */
    WORK_SYNC_PAGE /* here is the node: what came from its upstream, or what it made of the answers; not judged by scope */
};

struct work_sync_from {
    struct proto_id node;    /* the other end: becomes `via` of what it brings */
    struct work_scope scope; /* OFFER: the node's */
    uint64_t cursor_seq;     /* OFFER: how far it has pulled; a record that left its scope after that may still come */
    uint64_t pushed_seq;     /* PAGE: own events beyond it, not of that `via`, wait to go out */
};

struct work_sync_event {
    struct proto_slice bytes; /* canonical; copied */
    bool joined;              /* to the one before it in the call */
    bool has_receipt;
    int64_t received_at;
    uint8_t receipt[WORK_RECEIPT_BYTES];
};

/* NULL: no memory, or no room in the queue (BUSY). One thread until submitted. */
struct work_call *work_sync_new(struct work *work, enum work_sync_what what, const struct work_sync_from *from);
/* The next event. Bytes that are no event are kept as such and refused by themselves (OFFER), or CORRUPT (PAGE: an upstream that
 * sends such is not to be believed). TOO_LARGE: more than a call holds (WORK_SYNC_EVENTS_MAX, WORK_SYNC_BYTES_MAX). */
#define WORK_SYNC_EVENTS_MAX 100000
#define WORK_SYNC_BYTES_MAX (64u << 20)
enum proto_error work_sync_add(struct work_call *call, const struct work_sync_event *event,
                               struct proto_fault *fault) PROTO_MUST_CHECK;
/* PAGE: the record leaves; its events of this call are passed over. The call fails with CONFLICT and changes nothing when events
 * of the record wait to go out (pushed_seq). Nothing when it is not here, or is the zero record. */
void work_sync_leave(struct work_call *call, const struct proto_id *record);
/* PAGE: the upstream refused the own event at this seq. It goes out of the fold and the digest into the refused list; with
 * `forget` nothing of it is kept (its child was erased). */
void work_sync_refuse(struct work_call *call, uint64_t seq, enum proto_error code, const char *message, bool forget);
/* PAGE: the upstream gave this receipt for the own event at this seq. */
void work_sync_receipt(struct work_call *call, uint64_t seq, int64_t received_at,
                       const uint8_t receipt[WORK_RECEIPT_BYTES]);
/* PAGE: the refused event of this REFUSED entry is recorded again as it was (it will be offered again), or only taken off the list. */
void work_sync_settle(struct work_call *call, uint64_t refused_seq, bool again);
/* A mark of the log, at most 1,024 bytes, in the same transaction. Copied. */
void work_sync_mark(struct work_call *call, const char *name, const void *bytes, size_t size);

/* After on_done, when work_call_fault says OK. */
enum work_sync_state {
    WORK_SYNC_TAKEN = 1, /* new here */
    WORK_SYNC_HELD,      /* the same bytes are here already */
    WORK_SYNC_REFUSED,   /* OFFER: `code` and `message` say why */
    WORK_SYNC_OTHER /* the id is held with other bytes. OFFER: they stay, `theirs` are they. PAGE: the event's bytes were taken; what was
                            here went on under a new id when its content differed */
};
struct work_sync_result {
    enum work_sync_state state;
    uint64_t seq;
    int64_t received_at;
    uint8_t receipt[WORK_RECEIPT_BYTES]; /* OFFER: ours, for what is held or taken, and for `theirs` */
    enum proto_error code;
    const char *message;       /* lives with the call */
    struct store_bytes theirs; /* likewise */
};
uint32_t work_sync_count(const struct work_call *call);
void work_sync_result_get(const struct work_call *call, uint32_t index, struct work_sync_result *out);

/* --- reading -------------------------------------------------------------------------------------------------------------- */

enum work_record_state { WORK_RECORD_UNKNOWN, WORK_RECORD_IN, WORK_RECORD_OUT, WORK_RECORD_ERASED };
/* Where a record is, seen from a scope. The zero id (events of no child) is always in. */
enum proto_error work_record_state_get(struct work *work, struct store_txn *txn, const struct work_scope *scope,
                                       const struct proto_id *record, enum work_record_state *out) PROTO_MUST_CHECK;

struct work_digest {
    uint32_t count;
    uint8_t sum[PROTO_HASH_BYTES];
};
/* Zero when nothing of the record is held. */
enum proto_error work_digest_get(struct store_txn *txn, const struct proto_id *record,
                                 struct work_digest *out) PROTO_MUST_CHECK;
/* The hash that stands for one event's bytes in `digest`. */
void work_event_hash(struct store_bytes bytes, uint8_t out[PROTO_HASH_BYTES]);

/* Records behind `after` (NULL: from the first) by id, the zero record first, whatever their scope, until `each` returns false. */
enum proto_error work_records_each(struct store_txn *txn, const struct proto_id *after,
                                   bool (*each)(void *arg, const struct proto_id *record), void *arg) PROTO_MUST_CHECK;

/* The events of one record in a fixed order, from behind *place on (size 0: from the first; set to that of the last event given),
 * until `each` returns false. */
struct work_record_place {
    uint8_t size, bytes[32];
};
enum proto_error work_record_events(struct work *work, struct store_txn *txn, const struct proto_id *record,
                                    struct work_record_place *place,
                                    bool (*each)(void *arg, const struct store_event *event),
                                    void *arg) PROTO_MUST_CHECK;

/* The cursor at a seq (0: before the first event); NOT_FOUND beyond the end. */
enum proto_error work_cursor_at(struct work *work, struct store_txn *txn, uint64_t seq,
                                struct proto_position *out) PROTO_MUST_CHECK;
/* Whether a cursor is of this very log: DIVERGED when not. */
enum proto_error work_cursor_check(struct work *work, struct store_txn *txn,
                                   const struct proto_position *cursor) PROTO_MUST_CHECK;
/* Whether an entry of the log is one of this node's own, no event. */
bool work_entry_is_system(struct store_bytes body);

/* Our word for when we received an event. */
void work_receipt_make(struct work *work, const struct proto_id *id, struct store_bytes bytes, int64_t received_at,
                       uint8_t out[WORK_RECEIPT_BYTES]);

/* The refused list and who left, newest first. */
enum work_system_type { WORK_SYSTEM_LEFT = 1, WORK_SYSTEM_REFUSED, WORK_SYSTEM_REPLACED, WORK_SYSTEM_SETTLED };
struct work_system_row {
    uint64_t seq; /* of the entry */
    int64_t at;   /* when, by this node's clock */
    enum work_system_type type;
    struct proto_id record;           /* LEFT (one entry for each record), REFUSED, REPLACED */
    struct proto_id event, new_event; /* REFUSED, REPLACED: the event's id; REPLACED: under which it went on, or zero */
    uint32_t event_count;             /* LEFT: events that went */
    enum proto_error code;            /* REFUSED */
    struct proto_slice message;       /* REFUSED */
    struct store_bytes bytes;         /* REFUSED: the event, canonical */
};
/* Rows of one type with entry seq below `before` (UINT64_MAX: all), descending, until `each` returns false. */
enum proto_error work_system_each(struct store_txn *txn, enum work_system_type type, uint64_t before,
                                  bool (*each)(void *arg, const struct work_system_row *row),
                                  void *arg) PROTO_MUST_CHECK;

/* --- this node ---------------------------------------------------------------------------------------------------------------- */

struct proto_id work_node(const struct work *work);
/* This store was copied or put back: from now on another node id, made from the entropy seam. Durable on return. */
enum proto_error work_renew_node(struct work *work) PROTO_MUST_CHECK;
/* Own clock minus the upstream's, as last measured: stamped into what is recorded from now on. Any thread. */
void work_set_clock_offset(struct work *work, int64_t offset_ms);
/* Last seq of the log, whether the view has it or not. Any thread. */
uint64_t work_log_seq(const struct work *work);

#endif
