/*
 * read.c - pooled read transactions, single reads, scans.
 *
 * What always holds: the view's snapshot is opened before the log's, so every event the view reflects is in the log's; reads
 * of the log stop at the view's stamp. A read transaction that ended keeps its two LMDB handles for the next one.
 */
#include "store/internal.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

/* --- the pool ---------------------------------------------------------------------------- */

static struct store_txn *take_slot(struct store *store) {
    pthread_mutex_lock(&store->mutex);
    struct store_txn *txn = store->idle;
    if (txn)
        store->idle = txn->next_idle;
    pthread_mutex_unlock(&store->mutex);
    if (!txn && !(txn = calloc(1, sizeof *txn)))
        return NULL;
    pthread_mutex_lock(&store->mutex);
    if (!txn->store) {
        txn->store = store;
        txn->next_all = store->all;
        store->all = txn;
    }
    /* A view may have been swapped since: then the idle slot let go of the old one. */
    if (!txn->view) {
        txn->view = store->view;
        txn->view->refs++;
    }
    txn->in_use = true;
    pthread_mutex_unlock(&store->mutex);
    return txn;
}

static void give_slot(struct store_txn *txn) {
    struct store *store = txn->store;
    struct store_view *freed = NULL;
    pthread_mutex_lock(&store->mutex);
    txn->in_use = false;
    if (txn->view->retired || !txn->view_txn) {
        if (txn->view_txn)
            txn->view->kv->ops->abort(txn->view_txn);
        txn->view_txn = NULL;
        freed = --txn->view->refs == 0 ? txn->view : NULL;
        txn->view = NULL;
    }
    txn->next_idle = store->idle;
    store->idle = txn;
    pthread_mutex_unlock(&store->mutex);
    if (freed)
        store_view_free(freed);
}

uint32_t store_read_drop_idle(struct store *store, const struct store_view *view) {
    uint32_t dropped = 0;
    for (struct store_txn *txn = store->all; txn; txn = txn->next_all) {
        if (txn->in_use || txn->view != view)
            continue;
        view->kv->ops->abort(txn->view_txn);
        txn->view_txn = NULL;
        txn->view = NULL;
        dropped++;
    }
    return dropped;
}

void store_read_free_all(struct store *store) {
    while (store->all) {
        struct store_txn *txn = store->all;
        store->all = txn->next_all;
        store_txn_close_scans(txn);
        if (txn->view_txn)
            txn->view->kv->ops->abort(txn->view_txn);
        if (txn->log_txn)
            store->log->ops->abort(txn->log_txn);
        if (txn->view)
            store_view_release(store, txn->view);
        free(txn);
    }
    store->idle = NULL;
}

/* Opens or renews; a handle that could not be renewed is ended. */
static enum proto_error snapshot(struct store_kv *kv, struct store_kv_txn **txn) {
    if (!*txn)
        return kv->ops->read_begin(kv, txn);
    enum proto_error error = kv->ops->read_renew(*txn);
    if (error != PROTO_OK) {
        kv->ops->abort(*txn);
        *txn = NULL;
    }
    return error;
}

static enum proto_error read_begin_once(struct store *store, struct store_txn **out) {
    struct store_stamp stamp;
    struct store_txn *txn = take_slot(store);
    if (!txn)
        return PROTO_BUSY;
    enum proto_error error = snapshot(txn->view->kv, &txn->view_txn);
    if (error != PROTO_OK) {
        give_slot(txn);
        return store_note(store, error);
    }
    error = store_view_get_stamp(txn->view_txn, &stamp);
    if (error == PROTO_OK)
        error = snapshot(store->log, &txn->log_txn);
    if (error != PROTO_OK) {
        txn->view->kv->ops->read_reset(txn->view_txn);
        give_slot(txn);
        return store_note(store, error);
    }
    txn->seq = txn->bound = stamp.seq;
    *out = txn;
    return PROTO_OK;
}

enum proto_error store_read_begin(struct store *store, struct store_txn **out) {
    for (;;) {
        uint64_t removals = atomic_load(&store->removals);
        enum proto_error error = read_begin_once(store, out);
        if (error != PROTO_OK || atomic_load(&store->removals) == removals)
            return error;
        store_read_end(*out);
    }
}

void store_read_end(struct store_txn *txn) {
    if (!txn)
        return;
    assert(txn->in_use && !txn->writing && !txn->scans_open);
    txn->view->kv->ops->read_reset(txn->view_txn);
    txn->store->log->ops->read_reset(txn->log_txn);
    give_slot(txn);
}

/* --- single reads ------------------------------------------------------------------------ */

uint64_t store_txn_seq(const struct store_txn *txn) {
    assert(txn->in_use);
    return txn->seq;
}

enum proto_error store_read_event(struct store_txn *txn, uint64_t seq, struct store_event *out) {
    assert(txn->in_use);
    return seq == 0 || seq > txn->bound ? PROTO_NOT_FOUND : store_log_get_event(txn->log_txn, seq, out);
}

enum proto_error store_read_find(struct store_txn *txn, const struct proto_id *id, uint64_t *seq_out) {
    uint64_t seq;
    assert(txn->in_use);
    enum proto_error error = store_log_get_seq(txn->log_txn, id, &seq);
    if (error != PROTO_OK)
        return error;
    if (seq > txn->bound)
        return PROTO_NOT_FOUND;
    *seq_out = seq;
    return PROTO_OK;
}

enum proto_error store_read_chain(struct store_txn *txn, uint64_t seq, uint8_t out[PROTO_HASH_BYTES]) {
    assert(txn->in_use);
    return seq > txn->bound ? PROTO_NOT_FOUND : store_log_get_chain(txn->store, txn->log_txn, seq, out);
}

enum proto_error store_read_mark(struct store_txn *txn, const char *name, struct store_bytes *out) {
    assert(txn->in_use);
    return txn->log_txn->kv->ops->get(txn->log_txn, STORE_LOG_MARKS, store_bytes_of(name, strlen(name)), out);
}

/* Until the marks end, another prefix begins, or the caller has enough. */
static enum proto_error walk_marks(struct store_kv_cursor *cursor, struct store_bytes prefix,
                                   bool (*each)(void *arg, const char *name, struct store_bytes value), void *arg) {
    const struct store_kv_ops *ops = cursor->txn->kv->ops;
    char name[STORE_KEY_BYTES_MAX + 1];
    struct store_bytes key, value;
    enum proto_error error = ops->cursor_seek(cursor, &prefix, false, &key, &value);
    while (error == PROTO_OK) {
        if (key.size > STORE_KEY_BYTES_MAX)
            return PROTO_CORRUPT;
        if (key.size < prefix.size || (prefix.size > 0 && memcmp(key.data, prefix.data, prefix.size) != 0))
            return PROTO_OK;
        memcpy(name, key.data, key.size);
        name[key.size] = '\0';
        if (!each(arg, name, value))
            return PROTO_OK;
        error = ops->cursor_step(cursor, false, &key, &value);
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error store_read_marks(struct store_txn *txn, const char *prefix,
                                  bool (*each)(void *arg, const char *name, struct store_bytes value), void *arg) {
    struct store_kv_cursor *cursor;
    assert(txn->in_use && strlen(prefix) <= STORE_KEY_BYTES_MAX);
    const struct store_kv_ops *ops = txn->log_txn->kv->ops;
    enum proto_error error = ops->cursor_open(txn->log_txn, STORE_LOG_MARKS, &cursor);
    if (error == PROTO_OK) {
        error = walk_marks(cursor, store_bytes_of(prefix, strlen(prefix)), each, arg);
        ops->cursor_close(cursor);
    }
    return store_note(txn->store, error);
}

enum proto_error store_read_receipt(struct store_txn *txn, const struct proto_id *id, int64_t *received_at,
                                    uint8_t receipt[STORE_RECEIPT_BYTES]) {
    struct store_bytes value;
    assert(txn->in_use);
    enum proto_error error = txn->log_txn->kv->ops->get(txn->log_txn, STORE_LOG_RECEIPTS,
                                                        store_bytes_of(id->bytes, sizeof id->bytes), &value);
    return error == PROTO_OK ? store_receipt_decode(value, received_at, receipt) : error;
}

enum proto_error store_get(struct store_txn *txn, enum store_table table, const void *key, size_t key_size,
                           struct store_bytes *out) {
    assert(txn->in_use && (unsigned)table < STORE_TABLE_COUNT && key_size > 0 && key_size <= STORE_KEY_BYTES_MAX);
    if (txn->error != PROTO_OK)
        return txn->error;
    return txn->view_txn->kv->ops->get(txn->view_txn, table, store_bytes_of(key, key_size), out);
}

/* --- scans ------------------------------------------------------------------------------- */

static int compare(const void *a, size_t a_size, const void *b, size_t b_size) {
    size_t common = a_size < b_size ? a_size : b_size;
    int order = common > 0 ? memcmp(a, b, common) : 0;
    return order != 0 ? order : (a_size > b_size) - (a_size < b_size);
}

/* The first key above everything that begins with the prefix; without one (empty, or all ff) the scan has no upper bound. */
static void bound_above_prefix(struct store_scan *scan) {
    size_t size = scan->prefix_size;
    memcpy(scan->bound, scan->prefix, size);
    while (size > 0 && scan->bound[size - 1] == 0xff)
        size--;
    if (size > 0)
        scan->bound[size - 1]++;
    scan->bound_size = size;
    scan->bounded = size > 0;
}

static void set_bound(struct store_scan *scan, const void *from, size_t from_size) {
    if (scan->backwards) {
        bound_above_prefix(scan);
        if (from_size == 0 || (scan->bounded && compare(from, from_size, scan->bound, scan->bound_size) >= 0))
            return;
    } else if (from_size == 0 || compare(from, from_size, scan->prefix, scan->prefix_size) <= 0) {
        from = scan->prefix;
        from_size = scan->prefix_size;
    }
    if (from_size > 0)
        memcpy(scan->bound, from, from_size);
    scan->bound_size = from_size;
    scan->bounded = from_size > 0;
}

static struct store_scan *take_scan(struct store_txn *txn) {
    struct store_scan *scan = txn->scans_idle;
    if (scan)
        txn->scans_idle = scan->next;
    else if (!(scan = malloc(sizeof *scan)))
        return NULL;
    scan->txn = txn;
    scan->cursor = NULL;
    scan->moved = scan->done = scan->bounded = false;
    scan->prefix_size = scan->bound_size = 0;
    return scan;
}

enum proto_error store_scan_begin(struct store_txn *txn, enum store_table table, const void *prefix, size_t prefix_size,
                                  const void *from, size_t from_size, bool backwards, struct store_scan **out) {
    assert(txn->in_use && (unsigned)table < STORE_TABLE_COUNT);
    assert(prefix_size <= STORE_KEY_BYTES_MAX && from_size <= STORE_KEY_BYTES_MAX);
    if (txn->error != PROTO_OK)
        return txn->error;
    struct store_scan *scan = take_scan(txn);
    if (!scan)
        return PROTO_BUSY;
    enum proto_error error = txn->view_txn->kv->ops->cursor_open(txn->view_txn, table, &scan->cursor);
    if (error != PROTO_OK) {
        scan->next = txn->scans_idle;
        txn->scans_idle = scan;
        return store_note(txn->store, error);
    }
    scan->backwards = backwards;
    scan->prefix_size = prefix_size;
    if (prefix_size > 0)
        memcpy(scan->prefix, prefix, prefix_size);
    set_bound(scan, from, from_size);
    scan->next = txn->scans_open;
    scan->link = &txn->scans_open;
    if (scan->next)
        scan->next->link = &scan->next;
    txn->scans_open = scan;
    *out = scan;
    return PROTO_OK;
}

enum proto_error store_scan_next(struct store_scan *scan, struct store_bytes *key, struct store_bytes *value) {
    const struct store_kv_ops *ops = scan->txn->view_txn->kv->ops;
    struct store_bytes found_key, found_value, bound = store_bytes_of(scan->bound, scan->bound_size);
    if (scan->done)
        return PROTO_NOT_FOUND;
    enum proto_error error = scan->moved ? ops->cursor_step(scan->cursor, scan->backwards, &found_key, &found_value)
                                         : ops->cursor_seek(scan->cursor, scan->bounded ? &bound : NULL,
                                                            scan->backwards, &found_key, &found_value);
    scan->moved = true;
    if (error == PROTO_OK && (found_key.size < scan->prefix_size ||
                              (scan->prefix_size > 0 && memcmp(found_key.data, scan->prefix, scan->prefix_size) != 0)))
        error = PROTO_NOT_FOUND;
    if (error != PROTO_OK) {
        scan->done = true;
        return store_note(scan->txn->store, error);
    }
    *key = found_key;
    *value = found_value;
    return PROTO_OK;
}

void store_scan_end(struct store_scan *scan) {
    if (!scan)
        return;
    struct store_txn *txn = scan->txn;
    assert(scan->cursor && *scan->link == scan); /* a scan ends once, and before its transaction */
    *scan->link = scan->next;
    if (scan->next)
        scan->next->link = scan->link;
    scan->cursor->txn->kv->ops->cursor_close(scan->cursor);
    scan->cursor = NULL;
    scan->next = txn->scans_idle;
    txn->scans_idle = scan;
}

void store_txn_close_scans(struct store_txn *txn) {
    while (txn->scans_open)
        store_scan_end(txn->scans_open);
    while (txn->scans_idle) {
        struct store_scan *scan = txn->scans_idle;
        txn->scans_idle = scan->next;
        free(scan);
    }
}
