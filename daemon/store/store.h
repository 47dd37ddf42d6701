/*
 * store.h - the log and the view behind one interface; LMDB and in-memory implementations.
 *
 * Two environments. The LOG (events, ids, marks) is the truth: every commit is
 * synced. The VIEW (everything derived) is written without sync, stamped at
 * each commit with (view uuid, log identity, seq, chain hash), and thrown away
 * whenever its stamp is not on the log's chain, or the log says that it was
 * left open under another boot id or after our own assert.
 *
 * What always holds:
 *  - seq starts at 1 and has no gaps. Each event's header {seq, id, received_at, via, commitment} is chained:
 *    chain[n] = SHA-256(chain[n-1] || header[n]), chain[0] = SHA-256("betony log" || log identity);
 *    commitment = SHA-256(nonce || body), the nonce kept with the body.
 *  - no reader sees an event that its view does not reflect: a read is bounded by the view's stamp.
 *  - an identical value is never written again.
 *  - after BROKEN nothing is acknowledged any more; the caller stops the process.
 *  - one log writer thread, one view writer thread, any number of readers.
 */
#ifndef STORE_STORE_H
#define STORE_STORE_H

#include "proto/errors.h"
#include "proto/value.h"

/* Tables of the view. Keys are fixed-width big-endian (see store/keys.md-like table in tables.h); values begin with a format byte. */
enum store_table {
    STORE_TEAMS,       /* team name -> number */
    STORE_PATIENTS,    /* patient id -> root of its class, and what the root is shown under */
    STORE_STATES,      /* root -> folded state */
    STORE_SCHEDULES,   /* root -> context sequence, schedule */
    STORE_TASKS,       /* team | task | overdue_at | root | stoma | name hash -> covering row */
    STORE_ALERTS,      /* team | deadline (none last) | urgency | since | root | alert | stoma -> covering row */
    STORE_HISTORY,     /* root | at | rank | id -> seq, kind */
    STORE_CHECKPOINTS, /* root | at | rank | id -> folded state up to and with that event */
    STORE_VOIDS,       /* root | target id | voiding id -> care_void */
    STORE_LABELS,      /* folded label | root -> team */
    STORE_IDENTIFIERS, /* system | value | root -> whether it is registered */
    STORE_BORN,        /* born day | label hash | root (double registrations) */
    STORE_LOTS,        /* what (device, spare) | lot | gtin | serial | root | stoma */
    STORE_DEVICES,     /* team | change due day | root | stoma -> covering row */
    STORE_CONTEXT,     /* at | id -> seq (policy, recalls) */
    STORE_TALLY,       /* team | task | what | quarter of an hour -> count */
    STORE_WAITING,     /* at | root | id: events dated after the fold */
    STORE_FEED,        /* team | seq */
    STORE_LEVELS,      /* team | root -> what a list of children shows */
    STORE_META,        /* name -> bytes: context sequence, replanning job, rules version, zone data version */
    STORE_DIGESTS,     /* record id (zero: of no child) -> count and sum over the events that name it */
    STORE_SYSTEM,      /* type | seq of a system entry that is still to be seen: who left, what was refused */
    STORE_TABLE_COUNT
};

#define STORE_KEY_BYTES_MAX 256
#define STORE_VALUE_BYTES_MAX 65536

struct store;
struct store_txn;  /* a read, or the view write transaction */
struct store_log;  /* the log write transaction */
struct store_scan; /* a cursor of a txn */

struct store_bytes {
    const uint8_t *data;
    size_t size;
};

/* Called at named points, for tests: returns 0 to go on, or an errno to fail with (ENOSPC: full; anything else: broken). */
enum store_point {
    STORE_POINT_LOG_PUT,
    STORE_POINT_LOG_COMMIT,
    STORE_POINT_VIEW_PUT,
    STORE_POINT_VIEW_COMMIT,
    STORE_POINT_VIEW_SYNC,
    STORE_POINT_LOG_COMMITTED /* after a commit of the log went through: an errno here loses the answer, not the events */
};
typedef int (*store_fault_fn)(void *arg, enum store_point point);

struct store_options {
    const char *dir; /* made when missing (mode 0700); ignored by the memory store */
    bool memory;     /* the in-memory implementation */
    bool read_only;  /* verify: nothing is written, a running daemon is refused (IN_USE) */
    uint64_t
        log_map_bytes; /* 0: default (1 TiB reserved address space for the log, 1 TiB for the view; less when the machine refuses) */
    uint64_t view_map_bytes;
    const char *boot_id; /* of this boot of the machine; a test may hand in another */
    struct proto_id
        fresh_ids[3]; /* node id, log identity, view uuid for a new store: version 7 ids from the caller's entropy */
    store_fault_fn fault; /* NULL in production */
    void *fault_arg;
};

/* Opens or creates. Errors: IN_USE (another process), NEWER (format of a newer version, nothing touched), CORRUPT, FULL, BROKEN; *fault has the sentence with the
 * path. First creation is done aside, synced with its directory, then renamed. */
enum proto_error store_open(const struct store_options *options, struct store **out,
                            struct proto_fault *fault) PROTO_MUST_CHECK;
/* Marks the log `clean` only after the view was synced (unless broken), and frees. NULL is fine. */
void store_close(struct store *store);
/* Crash of the memory store: all write transactions are gone, everything committed stays; with lose_view the view is emptied as after a power cut.
 * The same handle goes on as a fresh open. */
void store_memory_crash(struct store *store, bool lose_view);
/* A memory store with all that was committed to the memory store `from`, its identity too: as a directory that was copied and is opened
 * beside it. `options` as for store_open; the ids in it but the last are not used. */
struct store *store_memory_copy(const struct store *from, const struct store_options *options);
/* What store_restore makes of a backup of `from`, in memory. */
enum proto_error store_memory_restore(const struct store *from, const struct store_options *options,
                                      int64_t restored_at, struct store **out) PROTO_MUST_CHECK;

struct store_identity {
    struct proto_id node, log, view;
    uint64_t log_seq;                /* last event in the log */
    uint64_t view_seq;               /* stamp: last event the view reflects; 0 when it must be rebuilt */
    bool view_lost;                  /* the view was discarded at open, or never was */
    uint8_t chain[PROTO_HASH_BYTES]; /* at log_seq */
};
/* Leaves a note (the file DIR/distrust-view) by which the next open throws the view away. Safe in a signal handler: the daemon's for
 * SIGABRT calls it, since after an assert of ours nobody knows what the view was told. Nothing for a memory or read-only store. */
void store_distrust_view(const struct store *store);
void store_identity_get(const struct store *store, struct store_identity *out);
/* True once any commit failed in a way that is not FULL. Any thread. */
bool store_broken(const struct store *store);
/* Bytes used and free room, for stats and for refusing early: FULL when under a tenth of a map or the disk's reserve is left. Any thread. */
struct store_room {
    uint64_t log_used, log_map, view_used, view_map, disk_free;
};
void store_room_get(const struct store *store, struct store_room *out);
enum proto_error store_room_check(const struct store *store, uint64_t more_bytes) PROTO_MUST_CHECK;

/* --- the log: one writer thread ------------------------------------------------------- */

struct store_event {
    uint64_t seq;
    struct proto_id id;
    int64_t received_at;
    struct proto_id via;     /* node it came through; zero: recorded here */
    struct store_bytes body; /* canonical bytes; empty when removed */
    uint8_t nonce[16];
    uint8_t chain[PROTO_HASH_BYTES]; /* chain hash at this seq */
    bool joined;                     /* recorded in one call with the event before it */
    bool supersedes; /* append only, never stored: the id may be held already; from now on it names this one */
};
/* Longest body: an event, or a system entry that wraps one. */
#define STORE_BODY_BYTES_MAX (PROTO_EVENT_BYTES_MAX + 1024)

enum proto_error store_log_begin(struct store *store, struct store_log **out) PROTO_MUST_CHECK;
/* Appends; event->seq and chain are given here (out). ID must not be held: CONFLICT when it is, unless the event that has it
 * lost its body, or `supersedes` is set; the id then names the new seq, and the old event stays where it is. Bytes are copied. */
enum proto_error store_log_append(struct store_log *log, struct store_event *event) PROTO_MUST_CHECK;
/* Seq of an id, committed or appended in this transaction; NOT_FOUND. */
enum proto_error store_log_find(struct store_log *log, const struct proto_id *id, uint64_t *seq_out) PROTO_MUST_CHECK;
enum proto_error store_log_read(struct store_log *log, uint64_t seq, struct store_event *out) PROTO_MUST_CHECK;
/* Last seq, with what this transaction appended. */
uint64_t store_log_end(const struct store_log *log);
/* Takes the body and the nonce of an event away; header, commitment, chain and id stay. Nothing when it has none any more. NOT_FOUND. */
enum proto_error store_log_remove_body(struct store_log *log, uint64_t seq) PROTO_MUST_CHECK;
/* Small named values of the log environment (marks, jobs): at most 1,024 bytes. */
enum proto_error store_log_mark_put(struct store_log *log, const char *name, const void *bytes,
                                    size_t size) PROTO_MUST_CHECK;
/* NOT_FOUND. Bytes live until the transaction ends or writes. */
enum proto_error store_log_mark_read(struct store_log *log, const char *name, struct store_bytes *out) PROTO_MUST_CHECK;
/* Deleting what is not there is OK. */
enum proto_error store_log_mark_delete(struct store_log *log, const char *name) PROTO_MUST_CHECK;
/* Another node id (version 7) for this store, from the commit on. */
enum proto_error store_log_renew_node(struct store_log *log, const struct proto_id *node) PROTO_MUST_CHECK;
/* What the upstream gave for an event that this store holds or held: when it received it, and its word for that. */
#define STORE_RECEIPT_BYTES 16
enum proto_error store_log_receipt_put(struct store_log *log, const struct proto_id *id, int64_t received_at,
                                       const uint8_t receipt[STORE_RECEIPT_BYTES]) PROTO_MUST_CHECK;
/* Synced. OK: durable. FULL: nothing of it happened. BROKEN: outcome unknown, stop. The handle is gone either way. */
enum proto_error store_log_commit(struct store_log *log) PROTO_MUST_CHECK;
void store_log_abort(struct store_log *log);

/* --- reads: any thread; short; never held across a wait ------------------------------- */

/* Opens the view's snapshot first, then the log's, and bounds the log by the view's stamp. Pooled: begin/end cost well under a microsecond. */
enum proto_error store_read_begin(struct store *store, struct store_txn **out) PROTO_MUST_CHECK;
void store_read_end(struct store_txn *txn);
/* The stamp: last event this snapshot reflects. */
uint64_t store_txn_seq(const struct store_txn *txn);
/* NOT_FOUND beyond the stamp (for a view write transaction: beyond the log). Bytes live until the txn ends or writes. An event whose
 * body was removed in a commit after this view's is never seen without it: the two snapshots are taken on one side of such a commit. */
enum proto_error store_read_event(struct store_txn *txn, uint64_t seq, struct store_event *out) PROTO_MUST_CHECK;
/* Of an id that was appended again, the last seq: NOT_FOUND while that one lies beyond the stamp. */
enum proto_error store_read_find(struct store_txn *txn, const struct proto_id *id, uint64_t *seq_out) PROTO_MUST_CHECK;
/* The chain hash at a seq, 0 (before the first event) included. NOT_FOUND as above. */
enum proto_error store_read_chain(struct store_txn *txn, uint64_t seq, uint8_t out[PROTO_HASH_BYTES]) PROTO_MUST_CHECK;
enum proto_error store_read_mark(struct store_txn *txn, const char *name, struct store_bytes *out) PROTO_MUST_CHECK;
/* Calls `each` with every mark whose name begins so, ascending, until it returns false. */
enum proto_error store_read_marks(struct store_txn *txn, const char *prefix,
                                  bool (*each)(void *arg, const char *name, struct store_bytes value),
                                  void *arg) PROTO_MUST_CHECK;
/* NOT_FOUND when there is none. */
enum proto_error store_read_receipt(struct store_txn *txn, const struct proto_id *id, int64_t *received_at,
                                    uint8_t receipt[STORE_RECEIPT_BYTES]) PROTO_MUST_CHECK;
enum proto_error store_get(struct store_txn *txn, enum store_table table, const void *key, size_t key_size,
                           struct store_bytes *out) PROTO_MUST_CHECK;
/* Scans from the first key >= from (or, backwards, the last key < from) while keys begin with prefix. Several scans may be open in one txn; a scan in a view
 * write txn sees puts made before it began and must end before the next put or delete. */
enum proto_error store_scan_begin(struct store_txn *txn, enum store_table table, const void *prefix, size_t prefix_size,
                                  const void *from, size_t from_size, bool backwards,
                                  struct store_scan **out) PROTO_MUST_CHECK;
/* NOT_FOUND at the end. Key and value live until the next call on the scan, or the txn's end. */
enum proto_error store_scan_next(struct store_scan *scan, struct store_bytes *key,
                                 struct store_bytes *value) PROTO_MUST_CHECK;
void store_scan_end(struct store_scan *scan);

/* --- the view: one writer thread ------------------------------------------------------ */

enum proto_error store_view_begin(struct store *store, struct store_txn **out) PROTO_MUST_CHECK;
/* Not written when the stored bytes are the same already. Sticky: after a failure every later call and the commit fail alike. */
enum proto_error store_put(struct store_txn *txn, enum store_table table, const void *key, size_t key_size,
                           const void *value, size_t value_size) PROTO_MUST_CHECK;
/* Deleting what is not there is OK. */
enum proto_error store_delete(struct store_txn *txn, enum store_table table, const void *key,
                              size_t key_size) PROTO_MUST_CHECK;
/* Commits with the stamp `seq` and the log's chain hash there. The log is durably marked `open` with this boot id before the first commit.
 * FULL: nothing of it happened. BROKEN: stop. The handle is gone either way. */
enum proto_error store_view_commit(struct store_txn *txn, uint64_t seq) PROTO_MUST_CHECK;
void store_view_abort(struct store_txn *txn);
/* Forces the view to disk; off the writer's thread, now and then. An error marks the view lost at the next open. */
enum proto_error store_view_sync(struct store *store) PROTO_MUST_CHECK;

/* --- rebuild: a new view beside the old one, swapped in by a name in the log ----------- */

struct store_rebuild;
/* Only while no view transaction is open. */
enum proto_error store_rebuild_begin(struct store *store, struct store_rebuild **out) PROTO_MUST_CHECK;
/* Keys of one table in any order across calls; ascending ones are appended. Commits by itself every few thousand puts. */
enum proto_error store_rebuild_put(struct store_rebuild *rebuild, enum store_table table, const void *key,
                                   size_t key_size, const void *value, size_t value_size) PROTO_MUST_CHECK;
/* Stamps with `seq`, syncs, swaps by a durable name in the log, removes the old directory. Readers that began before keep the old one until they end. */
enum proto_error store_rebuild_finish(struct store_rebuild *rebuild, uint64_t seq) PROTO_MUST_CHECK;
void store_rebuild_abort(struct store_rebuild *rebuild);

/* --- verify ----------------------------------------------------------------------------- */

/* Walks the chain from 1 to the log's end: every header, commitment, id entry; then the receipts.
 * CORRUPT with a sentence; *bad_seq is the first event that does not hold, 0 where it is a receipt. */
enum proto_error store_verify_chain(struct store *store, uint64_t *bad_seq, struct proto_fault *fault) PROTO_MUST_CHECK;

/* --- backup and restore: from another process than the daemon's ------------------------- */

/* Copies the log of the store in options->dir, which a daemon may have open and be writing to, to the new directory `to`:
 * consistent, with every event that was acknowledged before the call, synced, and walked from its first event to its last
 * before it gets that name. Until then it is `to`.new, which a later call takes over. The store's lock is not touched; a
 * reader's place in the log is held while copying. The copy is refused by store_open unless read_only. made_at: ms, noted
 * in the copy. *out: whose log it is and how far it goes; the view of it is not set.
 * NOT_FOUND (no store there), CONFLICT (`to` is there and not an empty directory), IN_USE (another backup to `to`), NEWER,
 * CORRUPT (also: it did not verify), FULL, BROKEN, BAD_VALUE (a path); *fault has the sentence. Nothing is left but after a crash. */
enum proto_error store_backup(const struct store_options *options, const char *to, int64_t made_at,
                              struct store_identity *out, struct proto_fault *fault) PROTO_MUST_CHECK;
/* Makes a store in options->dir, which must be missing or empty, from the backup in `from` (or from a store that no process
 * has open): a new node and a new log identity, options->fresh_ids; every event with its id, received_at, via, nonce and
 * body as it was, and its commitment; the chain worked out again under the new identity; the receipts; the marks of others
 * (what work/ and link/ keep there goes along); and the mark restored-from with the identity and head of the old log,
 * restored_at (ms), and where that one was restored from. There is no view: the first open makes it. Both logs are walked. *was, *out: the old and the new log.
 * NOT_FOUND (nothing to restore there), CONFLICT (not empty; or an id of options->fresh_ids is the old one), IN_USE, NEWER,
 * CORRUPT, FULL, BROKEN, BAD_VALUE; on an error no store is left in options->dir, and after a crash it is refused by
 * store_open until this is run again. */
enum proto_error store_restore(const struct store_options *options, const char *from, int64_t restored_at,
                               struct store_identity *was, struct store_identity *out,
                               struct proto_fault *fault) PROTO_MUST_CHECK;

/* Counters for stats: puts done, puts skipped as unchanged, commits, syncs. Any thread. */
struct store_counts {
    uint64_t log_events, log_commits, view_puts, view_puts_unchanged, view_deletes, view_commits, view_syncs;
};
void store_counts_get(const struct store *store, struct store_counts *out);

#endif
