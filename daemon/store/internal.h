/*
 * internal.h - what the files of the store share. Nobody outside daemon/store includes it.
 *
 * What always holds:
 *  - `mutex` guards identity, the current view, the reference counts of views and the list of read transactions, and is
 *    never held across a disk write;
 *  - a view is freed, and its directory removed once it is retired, when the last transaction has let go of it.
 */
#ifndef STORE_INTERNAL_H
#define STORE_INTERNAL_H

#include <pthread.h>
#include <stdatomic.h>

#include "store/files.h"
#include "store/kv.h"
#include "store/record.h"
#include "store/tables.h"

struct store_view {
    struct store_kv *kv;
    struct proto_id id;
    uint32_t refs;
    bool retired;                /* another one took its place: remove the directory with the last reference */
    char path[STORE_PATH_BYTES]; /* empty in memory */
};

struct store_scan {
    struct store_txn *txn;
    struct store_scan *next;  /* in the txn's list of open or of idle ones */
    struct store_scan **link; /* what points at it while it is open: a list of thousands is left in one step */
    struct store_kv_cursor *cursor;
    bool backwards, moved, done, bounded;
    size_t prefix_size, bound_size;
    uint8_t prefix[STORE_KEY_BYTES_MAX], bound[STORE_KEY_BYTES_MAX];
};

struct store_txn {
    struct store *store;
    struct store_txn *next_all, *next_idle;
    struct store_view *view; /* holds a reference while there is a transaction on it, reset or not */
    struct store_kv_txn *view_txn, *log_txn;
    uint64_t seq, bound; /* stamp; last event that may be read */
    struct store_scan *scans_open, *scans_idle;
    bool in_use, writing;
    enum proto_error error; /* of a write transaction, sticky */
};

struct store_log {
    struct store *store;
    struct store_kv_txn *txn; /* NULL while no transaction is open */
    uint64_t seq;             /* of the last event, appended ones included */
    uint8_t chain[PROTO_HASH_BYTES];
    uint64_t appended;
    bool removes, renews;   /* bodies; the node's id */
    struct proto_id node;   /* the new one */
    enum proto_error error; /* sticky */
    uint8_t record[STORE_EVENT_RECORD_BYTES_MAX];
};

struct store_tally {
    _Atomic uint64_t log_events, log_commits, view_puts, view_puts_unchanged, view_deletes, view_commits, view_syncs;
};

struct store {
    bool memory, read_only;
    char dir[STORE_PATH_BYTES], distrust_path[STORE_PATH_BYTES];
    char boot_id[STORE_BOOT_ID_BYTES_MAX + 1];
    int lock_fd; /* -1: none */
    uint64_t log_map_bytes, view_map_bytes;
    struct proto_id fresh_view_id;
    uint64_t views_made;
    store_fault_fn fault;
    void *fault_arg;

    struct store_kv *log;
    atomic_bool broken;
    atomic_bool marked_open; /* the log says durably: open, with our boot id */
    /* Commits that took bodies away, counted before they are made: a reader whose two snapshots may lie on both sides of one
     * takes them again, since the view it has may name an event that has no body in the log it has. */
    _Atomic uint64_t removals;
    struct store_tally tally;

    pthread_mutex_t mutex;
    struct store_identity identity;
    struct store_view *view;
    struct store_txn *all, *idle; /* read transactions */

    struct store_log log_writer;
    struct store_txn view_writer;
    struct store_rebuild *rebuild; /* NULL: none going on */
};

static inline struct store_bytes store_bytes_of(const void *data, size_t size) {
    return (struct store_bytes){(const uint8_t *)data, size};
}

/* Asks the fault hook: OK, FULL or BROKEN. */
enum proto_error store_fault_at(const struct store *store, enum store_point point) PROTO_MUST_CHECK;
/* Passes `error` on; remembers BROKEN. */
enum proto_error store_note(struct store *store, enum proto_error error);

/* chain.c */
void store_chain_start(const struct proto_id *log, uint8_t out[PROTO_HASH_BYTES]);
void store_chain_next(const uint8_t before[PROTO_HASH_BYTES], const uint8_t header[STORE_HEADER_BYTES],
                      uint8_t out[PROTO_HASH_BYTES]);
void store_commit_to_body(const uint8_t nonce[STORE_NONCE_BYTES], struct store_bytes body,
                          uint8_t out[PROTO_HASH_BYTES]);

/* log.c: reading the log inside any of its transactions. NOT_FOUND, CORRUPT, BROKEN. */
enum proto_error store_log_get_event(struct store_kv_txn *txn, uint64_t seq, struct store_event *out) PROTO_MUST_CHECK;
enum proto_error store_log_get_seq(struct store_kv_txn *txn, const struct proto_id *id,
                                   uint64_t *seq_out) PROTO_MUST_CHECK;
/* The chain hash at a seq, 0 included. */
enum proto_error store_log_get_chain(const struct store *store, struct store_kv_txn *txn, uint64_t seq,
                                     uint8_t out[PROTO_HASH_BYTES]) PROTO_MUST_CHECK;

/* open.c */
/* Takes DIR/lock and notes the own pid in it. With read_only nothing is written, and without the file no lock is needed:
 * *fd_out is then left. IN_USE, FULL, BROKEN with a sentence. */
enum proto_error store_dir_lock(const char *dir, bool read_only, int *fd_out,
                                struct proto_fault *fault) PROTO_MUST_CHECK;
/* How a log in directory `path` is opened; `path` is not copied. */
struct store_kv_lmdb_options store_log_options(const char *path, uint64_t map_bytes);

/* marks.c: the store's own marks. Both commit and sync a log transaction of their own and wait for the log writer. */
enum proto_error store_mark_open(struct store *store) PROTO_MUST_CHECK;
enum proto_error store_mark_clean(struct store *store) PROTO_MUST_CHECK;
/* Names the view, and marks the log open, in one commit. */
enum proto_error store_mark_view(struct store *store, const struct proto_id *view) PROTO_MUST_CHECK;

/* views.c */
extern const char *const store_view_names[STORE_VIEW_TABLES];
void store_view_path(const struct store *store, const struct proto_id *id, const char *suffix,
                     char out[STORE_PATH_BYTES]);
/* A new empty view with a fresh id, beside the current one and not yet named by the log. */
enum proto_error store_view_make(struct store *store, bool in_memory, struct store_view **out,
                                 struct proto_fault *fault) PROTO_MUST_CHECK;
/* Makes a view that was made durable the current one: renames, names it in the log, lets go of the old one. Takes `view`
 * over, also when it fails. */
enum proto_error store_view_adopt(struct store *store, struct store_view *view) PROTO_MUST_CHECK;
enum proto_error store_view_put_stamp(struct store_kv_txn *txn, const struct store_stamp *stamp) PROTO_MUST_CHECK;
enum proto_error store_view_get_stamp(struct store_kv_txn *txn, struct store_stamp *out) PROTO_MUST_CHECK;
struct store_view *store_view_hold(struct store *store);
void store_view_release(struct store *store, struct store_view *view);
/* Without the lock and whatever the count: closes; removes the directory of a retired one. */
void store_view_free(struct store_view *view);

/* read.c */
void store_txn_close_scans(struct store_txn *txn); /* all of them, also open ones; frees */
/* With the mutex held: idle read transactions let go of the view; returns the references they held. */
uint32_t store_read_drop_idle(struct store *store, const struct store_view *view);
/* Ends and frees every read transaction. */
void store_read_free_all(struct store *store);

#endif
