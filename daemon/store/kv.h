/*
 * kv.h - what the log and the view need of an ordered store of bytes; implemented over LMDB and in memory.
 *
 * What always holds:
 *  - keys are compared as bytes, shorter first where one begins with the other;
 *  - a read transaction sees one committed state from its begin or renew to its end;
 *  - after any failed write call the transaction is only good for abort; commit ends it whatever it answers;
 *  - the errors that come out are OK, NOT_FOUND, CONFLICT (STORE_KV_NEW), FULL, BUSY (no reader left), TOO_LARGE (more in one
 *    transaction than it can hold), CORRUPT and BROKEN. FULL means: nothing happened, and nothing else is wrong.
 */
#ifndef STORE_KV_H
#define STORE_KV_H

#include "store/store.h"

struct store_kv;

struct store_kv_txn {
    struct store_kv *kv;
};

struct store_kv_cursor {
    struct store_kv_txn *txn;
};

enum store_kv_how {
    STORE_KV_PLAIN,  /* writes over */
    STORE_KV_APPEND, /* the caller says that the key is above all of the table; CONFLICT when it is not */
    STORE_KV_NEW     /* CONFLICT when the key is there */
};

struct store_kv_usage {
    uint64_t used, map, disk_free;
};

struct store_kv_ops {
    enum proto_error (*read_begin)(struct store_kv *kv, struct store_kv_txn **out);
    void (*read_reset)(struct store_kv_txn *txn);             /* gives the snapshot up, keeps the handle */
    enum proto_error (*read_renew)(struct store_kv_txn *txn); /* a new snapshot in a handle that was reset */
    enum proto_error (*write_begin)(struct store_kv *kv, struct store_kv_txn **out);
    enum proto_error (*commit)(struct store_kv_txn *txn);
    void (*abort)(struct store_kv_txn *txn); /* read transactions too; never fails */
    enum proto_error (*get)(struct store_kv_txn *txn, unsigned table, struct store_bytes key,
                            struct store_bytes *value);
    enum proto_error (*put)(struct store_kv_txn *txn, unsigned table, struct store_bytes key, struct store_bytes value,
                            enum store_kv_how how);
    enum proto_error (*del)(struct store_kv_txn *txn, unsigned table, struct store_bytes key);
    enum proto_error (*cursor_open)(struct store_kv_txn *txn, unsigned table, struct store_kv_cursor **out);
    /* Onto the first key >= bound, or backwards the last key < bound (with no bound: the last of all). */
    enum proto_error (*cursor_seek)(struct store_kv_cursor *cursor, const struct store_bytes *bound, bool backwards,
                                    struct store_bytes *key, struct store_bytes *value);
    enum proto_error (*cursor_step)(struct store_kv_cursor *cursor, bool backwards, struct store_bytes *key,
                                    struct store_bytes *value);
    void (*cursor_close)(struct store_kv_cursor *cursor);
    uint64_t (*count)(struct store_kv_txn *txn, unsigned table);    /* keys in the table */
    enum proto_error (*sync)(struct store_kv *kv);                  /* any error is BROKEN */
    void (*usage)(struct store_kv *kv, struct store_kv_usage *out); /* any thread */
    void (*close)(struct store_kv *kv);
};

struct store_kv {
    const struct store_kv_ops *ops;
};

/* --- LMDB ------------------------------------------------------------------------------ */

struct store_kv_lmdb_options {
    const char *path;         /* an existing directory */
    const char *const *names; /* of the tables */
    unsigned table_count;
    /* So many of the last tables came later: where one is missing it is made, or, when nothing can be written (read_only, no
     * room), read as if it were empty; a put into it is then FULL. */
    unsigned later_count;
    unsigned format_table; /* holds the format of the whole environment under the key "store.format" */
    uint32_t format;       /* written by create; a higher one is NEWER and nothing is touched, a lower one CORRUPT */
    uint64_t map_bytes;    /* 0: the default with its fallbacks */
    bool create;           /* make the tables; otherwise a missing one is CORRUPT */
    bool nosync;           /* the view: commits are not forced to disk */
    bool
        read_only; /* every page is checked first, then nothing is written, not even a lock file: the caller holds the store's lock */
};
#define STORE_FORMAT_KEY "store.format"
enum proto_error store_kv_lmdb_open(const struct store_kv_lmdb_options *options, struct store_kv **out,
                                    struct proto_fault *fault) PROTO_MUST_CHECK;

/* --- memory: one thread ---------------------------------------------------------------- */

/* A map_bytes of 0 is without bound. A failed allocation ends the process: this one serves tests and the simulator. */
struct store_kv *store_kv_memory_open(unsigned table_count, uint64_t map_bytes);
/* Another one that holds what was committed to `from`, and shares it with it as long as neither changes it. */
struct store_kv *store_kv_memory_copy(struct store_kv *from);

#endif
