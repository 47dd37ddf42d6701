/*
 * restore.c - a new store made from a backup: the same events, another log.
 *
 * A log is known by its identity, its seqs and its chain. Whoever followed the old log may know of events behind the backup;
 * a new identity tells them that this is not the log they know, before any seq could be mistaken.
 *
 * What always holds: nothing of an event changes but the chain hash beside it; a log in DIR is whole and was walked.
 */
#define _GNU_SOURCE
#include "store/internal.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <string.h>
#include <unistd.h>

#define OWN_MARKS "store."
/* Puts of one transaction; a transaction of LMDB slows down when it is larger. */
#define BATCH_EVENTS 2000
#define BATCH_BYTES (8u << 20)

struct restore {
    const struct store_options *options;
    struct proto_fault *fault;
    int64_t restored_at;
    char dir[STORE_PATH_BYTES], aside[STORE_PATH_BYTES]; /* DIR/restore.new */
    char filling[STORE_PATH_BYTES];   /* DIR/restore.new/log.new: a part of a log, which nothing takes for one */
    char aside_log[STORE_PATH_BYTES]; /* DIR/restore.new/log, once it is full */
    int lock_fd;
    bool made_dir, has_dir; /* made by us; empty, and locked by us */
    struct store *source;
    struct store_identity was;
    struct store_kv *log; /* the new one; NULL while it is not open */
    struct store_kv_txn *txn;
    uint64_t seq;
    size_t batch_events, batch_bytes;
    uint8_t chain[PROTO_HASH_BYTES];
    uint8_t record[STORE_EVENT_RECORD_BYTES_MAX];
};

static enum proto_error cannot(const struct restore *r, enum proto_error error, const char *path, const char *what) {
    return proto_fault_set(r->fault, error, NULL, "%s cannot be %s: %s.", path, what, strerror(errno));
}

/* --- where from, where to ------------------------------------------------------------------ */

static enum proto_error open_source(struct restore *r, const char *from) {
    struct store_options options = *r->options;
    uint64_t bad_seq = 0;
    options.dir = from;
    options.read_only = true;
    enum proto_error error = store_open(&options, &r->source, r->fault);
    if (error != PROTO_OK)
        return error;
    error = store_verify_chain(r->source, &bad_seq, r->fault);
    store_identity_get(r->source, &r->was);
    if (error == PROTO_OK && (memcmp(&r->was.log, &r->options->fresh_ids[1], sizeof r->was.log) == 0 ||
                              memcmp(&r->was.node, &r->options->fresh_ids[0], sizeof r->was.node) == 0))
        error = proto_fault_set(r->fault, PROTO_CONFLICT, NULL, "A restored store needs ids that the old one had not.");
    return error;
}

/* What a restore that was cut off has left counts as nothing. */
static bool is_ours(const char *name) {
    return strcmp(name, ".") == 0 || strcmp(name, "..") == 0 || strcmp(name, "lock") == 0 ||
           strcmp(name, STORE_RESTORE_ASIDE) == 0;
}

static enum proto_error check_empty(const struct restore *r) {
    DIR *dir = opendir(r->dir);
    if (!dir)
        return cannot(r, PROTO_BROKEN, r->dir, "read");
    bool empty = true;
    for (struct dirent *found; empty && (found = readdir(dir)) != NULL;)
        empty = is_ours(found->d_name);
    closedir(dir);
    return empty ? PROTO_OK
                 : proto_fault_set(r->fault, PROTO_CONFLICT, NULL,
                                   "%s is not empty; a restore goes to a directory of its own.", r->dir);
}

/* A directory that is there and not empty is refused before anything is put into it. */
static enum proto_error take_dir(struct restore *r) {
    enum proto_error error = store_path_take(r->dir, r->options->dir, r->fault);
    if (error != PROTO_OK)
        return error;
    store_path_join(r->aside, r->dir, STORE_RESTORE_ASIDE);
    store_path_join(r->filling, r->aside, "log.new");
    store_path_join(r->aside_log, r->aside, "log");
    r->made_dir = !store_path_exists(r->dir);
    error = store_dir_make(r->dir);
    if (error == PROTO_OK)
        error = store_parent_sync(r->dir);
    if (error != PROTO_OK)
        return cannot(r, error, r->dir, "made");
    error = check_empty(r);
    if (error == PROTO_OK)
        error = store_dir_lock(r->dir, false, &r->lock_fd, r->fault);
    if (error == PROTO_OK)
        error = check_empty(r); /* nobody else makes a store here from now on */
    r->has_dir = error == PROTO_OK;
    return error;
}

/* --- the new log ----------------------------------------------------------------------------- */

static enum proto_error make_log(struct restore *r) {
    store_dir_remove(r->filling);
    store_dir_remove(r->aside_log);
    enum proto_error error = store_dir_make(r->aside);
    if (error == PROTO_OK)
        error = store_dir_sync(r->dir);
    if (error == PROTO_OK)
        error = store_dir_make(r->filling);
    if (error != PROTO_OK)
        return cannot(r, error, r->filling, "made");
    struct store_kv_lmdb_options how = store_log_options(r->filling, r->options->log_map_bytes);
    how.create = true;
    how.nosync = true; /* it is synced as a whole, at its end */
    return store_kv_lmdb_open(&how, &r->log, r->fault);
}

static enum proto_error put(const struct restore *r, enum store_log_table table, struct store_bytes key,
                            struct store_bytes value, enum store_kv_how how) {
    return r->log->ops->put(r->txn, table, key, value, how);
}

static enum proto_error put_own_marks(const struct restore *r, struct store_bytes restored_before) {
    uint8_t restored[STORE_RESTORED_BYTES_MAX];
    size_t size = 0;
    enum proto_error error = store_restored_encode(&r->was, r->restored_at, restored_before, restored, &size);
    if (error == PROTO_OK)
        error = put(r, STORE_LOG_MARKS, store_bytes_of(STORE_RESTORED_MARK, sizeof STORE_RESTORED_MARK - 1),
                    store_bytes_of(restored, size), STORE_KV_PLAIN);
    if (error == PROTO_OK)
        error = put(r, STORE_LOG_MARKS, store_bytes_of("store.node", 10),
                    store_bytes_of(r->options->fresh_ids[0].bytes, PROTO_ID_BYTES), STORE_KV_NEW);
    if (error == PROTO_OK)
        error = put(r, STORE_LOG_MARKS, store_bytes_of("store.log", 9),
                    store_bytes_of(r->options->fresh_ids[1].bytes, PROTO_ID_BYTES), STORE_KV_NEW);
    return error;
}

static bool key_begins(struct store_bytes key, const char *text) {
    return key.size >= strlen(text) && memcmp(key.data, text, strlen(text)) == 0;
}

static enum proto_error put_marks(const struct restore *r, struct store_kv_txn *source) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value, restored_before = {0};
    const struct store_kv_ops *ops = source->kv->ops;
    enum proto_error error = ops->cursor_open(source, STORE_LOG_MARKS, &cursor);
    if (error != PROTO_OK)
        return error;
    error = ops->cursor_seek(cursor, NULL, false, &key, &value);
    while (error == PROTO_OK) {
        if (key.size == sizeof STORE_RESTORED_MARK - 1 && key_begins(key, STORE_RESTORED_MARK))
            restored_before = value;
        else if (!key_begins(key, OWN_MARKS))
            error = put(r, STORE_LOG_MARKS, key, value, STORE_KV_NEW);
        if (error == PROTO_OK)
            error = ops->cursor_step(cursor, false, &key, &value);
    }
    ops->cursor_close(cursor);
    return error == PROTO_NOT_FOUND ? put_own_marks(r, restored_before) : error;
}

static enum proto_error next_batch(struct restore *r) {
    struct store_kv_txn *ended = r->txn;
    r->txn = NULL;
    r->batch_events = r->batch_bytes = 0;
    enum proto_error error = r->log->ops->commit(ended);
    return error == PROTO_OK ? r->log->ops->write_begin(r->log, &r->txn) : error;
}

static enum proto_error put_event(struct restore *r, struct store_bytes key, struct store_bytes value) {
    uint8_t commitment[PROTO_HASH_BYTES], header[STORE_HEADER_BYTES];
    struct store_event event = {0};
    uint64_t seq = 0;
    enum proto_error error = store_seq_decode(key, &seq);
    if (error == PROTO_OK)
        error = store_event_decode(value, &event, commitment);
    if (error != PROTO_OK)
        return error;
    if (seq != r->seq + 1)
        return PROTO_CORRUPT;
    event.seq = r->seq = seq;
    store_header_encode(&event, commitment, header);
    store_chain_next(r->chain, header, r->chain);
    assert(value.size <= sizeof r->record); /* it decoded */
    memcpy(r->record, value.data, value.size);
    store_event_rechain(r->record, r->chain);
    error = put(r, STORE_LOG_EVENTS, key, store_bytes_of(r->record, value.size), STORE_KV_APPEND);
    if (error == PROTO_OK)
        error = put(r, STORE_LOG_IDS, store_bytes_of(event.id.bytes, PROTO_ID_BYTES), key, STORE_KV_PLAIN);
    if (error != PROTO_OK)
        return error;
    r->batch_bytes += value.size;
    return ++r->batch_events >= BATCH_EVENTS || r->batch_bytes >= BATCH_BYTES ? next_batch(r) : PROTO_OK;
}

static enum proto_error put_events(struct restore *r, struct store_kv_txn *source) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    const struct store_kv_ops *ops = source->kv->ops;
    enum proto_error error = ops->cursor_open(source, STORE_LOG_EVENTS, &cursor);
    if (error != PROTO_OK)
        return error;
    store_chain_start(&r->options->fresh_ids[1], r->chain);
    error = ops->cursor_seek(cursor, NULL, false, &key, &value);
    while (error == PROTO_OK) {
        error = put_event(r, key, value);
        if (error == PROTO_OK)
            error = ops->cursor_step(cursor, false, &key, &value);
    }
    ops->cursor_close(cursor);
    if (error == PROTO_NOT_FOUND)
        error = r->seq == r->was.log_seq ? PROTO_OK : PROTO_CORRUPT;
    return error;
}

static enum proto_error put_receipts(struct restore *r, struct store_kv_txn *source) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    const struct store_kv_ops *ops = source->kv->ops;
    enum proto_error error = ops->cursor_open(source, STORE_LOG_RECEIPTS, &cursor);
    if (error != PROTO_OK)
        return error;
    error = ops->cursor_seek(cursor, NULL, false, &key, &value);
    while (error == PROTO_OK) {
        error = put(r, STORE_LOG_RECEIPTS, key, value, STORE_KV_APPEND);
        if (error == PROTO_OK && ++r->batch_events >= BATCH_EVENTS)
            error = next_batch(r);
        if (error == PROTO_OK)
            error = ops->cursor_step(cursor, false, &key, &value);
    }
    ops->cursor_close(cursor);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error fill_log(struct restore *r) {
    struct store_kv *from = r->source->log;
    struct store_kv_txn *source;
    enum proto_error error = from->ops->read_begin(from, &source);
    if (error != PROTO_OK)
        return proto_fault_set(r->fault, error, NULL, "The backup cannot be read.");
    error = r->log->ops->write_begin(r->log, &r->txn);
    if (error == PROTO_OK)
        error = put_marks(r, source);
    if (error == PROTO_OK)
        error = put_events(r, source);
    if (error == PROTO_OK)
        error = put_receipts(r, source);
    if (r->txn) {
        struct store_kv_txn *ended = r->txn;
        r->txn = NULL;
        if (error == PROTO_OK)
            error = r->log->ops->commit(ended);
        else
            r->log->ops->abort(ended);
    }
    from->ops->abort(source);
    if (error == PROTO_OK)
        error = r->log->ops->sync(r->log);
    if (error == PROTO_FULL)
        return proto_fault_set(r->fault, error, NULL, "There is no room for the restored log in %s.", r->dir);
    return error == PROTO_OK
               ? error
               : proto_fault_set(r->fault, error, NULL, "The log cannot be restored into %s from event %llu on: %s",
                                 r->dir, (unsigned long long)r->seq, proto_error_sentence(error));
}

/* --- at its place ------------------------------------------------------------------------------ */

static enum proto_error end_filling(const struct restore *r) {
    char path[STORE_PATH_BYTES];
    store_path_join(path, r->filling, "lock.mdb");
    (void)unlink(path);
    store_path_join(path, r->filling, "data.mdb");
    enum proto_error error = store_file_sync(path);
    if (error == PROTO_OK)
        error = store_dir_sync(r->filling);
    if (error == PROTO_OK)
        error = store_path_rename(r->filling, r->aside_log);
    return error == PROTO_OK ? error : cannot(r, error, r->filling, "synced");
}

static enum proto_error verify_log(const struct restore *r, struct store_identity *out) {
    struct store_options options = *r->options;
    struct store *made;
    uint64_t bad_seq = 0;
    options.dir = r->aside;
    options.read_only = true;
    enum proto_error error = store_open(&options, &made, r->fault);
    if (error != PROTO_OK)
        return error;
    error = store_verify_chain(made, &bad_seq, r->fault);
    store_identity_get(made, out);
    store_close(made);
    if (error == PROTO_OK && (out->log_seq != r->was.log_seq || memcmp(out->chain, r->chain, sizeof r->chain) != 0))
        error =
            proto_fault_set(r->fault, PROTO_CORRUPT, NULL, "The log in %s is not the one that was written.", r->aside);
    return error;
}

static enum proto_error put_in_place(const struct restore *r) {
    char path[STORE_PATH_BYTES];
    store_path_join(path, r->dir, "log");
    enum proto_error error = store_path_rename(r->aside_log, path);
    if (error == PROTO_OK)
        error = store_dir_sync(r->dir);
    if (error != PROTO_OK)
        return cannot(r, error, path, "put in place");
    (void)rmdir(r->aside); /* where this fails, the first open does it */
    return PROTO_OK;
}

/* Leaves the directory as it was found. */
static void clear(const struct restore *r) {
    char path[STORE_PATH_BYTES];
    store_path_join(path, r->dir, "log"); /* where it was put in place and that could not be made to last */
    store_dir_remove(path);
    store_dir_remove(r->filling);
    store_dir_remove(r->aside_log);
    store_dir_remove(r->aside);
    store_path_join(path, r->dir, "lock");
    (void)unlink(path);
    if (r->made_dir)
        (void)rmdir(r->dir);
}

enum proto_error store_restore(const struct store_options *options, const char *from, int64_t restored_at,
                               struct store_identity *was, struct store_identity *out, struct proto_fault *fault) {
    static const struct store_identity nobody;
    struct store_identity made = nobody;
    struct restore r = {.options = options, .fault = fault, .restored_at = restored_at, .lock_fd = -1};
    enum proto_error error = open_source(&r, from);
    if (error == PROTO_OK)
        error = take_dir(&r);
    if (error == PROTO_OK)
        error = make_log(&r);
    if (error == PROTO_OK)
        error = fill_log(&r);
    if (r.log)
        r.log->ops->close(r.log);
    if (error == PROTO_OK)
        error = end_filling(&r);
    if (error == PROTO_OK)
        error = verify_log(&r, &made);
    if (error == PROTO_OK)
        error = put_in_place(&r);
    if (error != PROTO_OK && r.has_dir)
        clear(&r);
    if (r.lock_fd >= 0)
        close(r.lock_fd);
    store_close(r.source);
    if (error == PROTO_OK) {
        *was = r.was;
        *out = made;
    }
    return error;
}
