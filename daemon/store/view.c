/*
 * view.c - the view writer: puts that change nothing are not made, and every commit carries its stamp.
 *
 * What always holds: the first failure of a transaction is the answer of every later call on it; a commit's stamp names an
 * event that is in the log already.
 */
#include "store/internal.h"

#include <assert.h>
#include <string.h>

/* Drops what a write transaction holds, except the log handle that the next one renews. */
static void let_go(struct store_txn *txn) {
    assert(!txn->scans_open);
    txn->store->log->ops->read_reset(txn->log_txn);
    txn->view_txn = NULL;
    txn->in_use = false;
    struct store_view *view = txn->view;
    txn->view = NULL;
    store_view_release(txn->store, view);
}

static enum proto_error begin_on(struct store_txn *txn, struct store_view *view) {
    struct store_kv *log = txn->store->log;
    struct store_stamp stamp;
    enum proto_error error = view->kv->ops->write_begin(view->kv, &txn->view_txn);
    if (error != PROTO_OK)
        return error;
    error = store_view_get_stamp(txn->view_txn, &stamp);
    if (error == PROTO_OK)
        error = txn->log_txn ? log->ops->read_renew(txn->log_txn) : log->ops->read_begin(log, &txn->log_txn);
    if (error != PROTO_OK) {
        view->kv->ops->abort(txn->view_txn);
        txn->view_txn = NULL;
        return error;
    }
    txn->seq = stamp.seq;
    return PROTO_OK;
}

enum proto_error store_view_begin(struct store *store, struct store_txn **out) {
    struct store_txn *txn = &store->view_writer;
    assert(!store->read_only && !txn->in_use && !store->rebuild);
    if (store_broken(store))
        return PROTO_BROKEN;
    struct store_view *view = store_view_hold(store);
    txn->store = store;
    enum proto_error error = begin_on(txn, view);
    if (error != PROTO_OK) {
        store_view_release(store, view);
        return store_note(store, error);
    }
    txn->view = view;
    txn->in_use = txn->writing = true;
    txn->bound = UINT64_MAX; /* the log's own snapshot is the bound */
    txn->error = PROTO_OK;
    *out = txn;
    return PROTO_OK;
}

static enum proto_error stick(struct store_txn *txn, enum proto_error error) {
    txn->error = error;
    return store_note(txn->store, error);
}

enum proto_error store_put(struct store_txn *txn, enum store_table table, const void *key, size_t key_size,
                           const void *value, size_t value_size) {
    assert(txn->in_use && txn->writing && !txn->scans_open && (unsigned)table < STORE_TABLE_COUNT);
    assert(key_size > 0 && key_size <= STORE_KEY_BYTES_MAX && value_size <= STORE_VALUE_BYTES_MAX);
    if (txn->error != PROTO_OK)
        return txn->error;
    const struct store_kv_ops *ops = txn->view_txn->kv->ops;
    struct store_bytes held, key_bytes = store_bytes_of(key, key_size);
    enum proto_error error = ops->get(txn->view_txn, table, key_bytes, &held);
    if (error != PROTO_OK && error != PROTO_NOT_FOUND)
        return stick(txn, error);
    if (error == PROTO_OK && held.size == value_size &&
        (value_size == 0 || memcmp(held.data, value, value_size) == 0)) {
        txn->store->tally.view_puts_unchanged++;
        return PROTO_OK;
    }
    error = store_fault_at(txn->store, STORE_POINT_VIEW_PUT);
    if (error == PROTO_OK)
        error = ops->put(txn->view_txn, table, key_bytes, store_bytes_of(value, value_size), STORE_KV_PLAIN);
    if (error != PROTO_OK)
        return stick(txn, error);
    txn->store->tally.view_puts++;
    return PROTO_OK;
}

enum proto_error store_delete(struct store_txn *txn, enum store_table table, const void *key, size_t key_size) {
    assert(txn->in_use && txn->writing && !txn->scans_open && (unsigned)table < STORE_TABLE_COUNT);
    assert(key_size > 0 && key_size <= STORE_KEY_BYTES_MAX);
    if (txn->error != PROTO_OK)
        return txn->error;
    enum proto_error error = store_fault_at(txn->store, STORE_POINT_VIEW_PUT);
    if (error == PROTO_OK)
        error = txn->view_txn->kv->ops->del(txn->view_txn, table, store_bytes_of(key, key_size));
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error != PROTO_OK)
        return stick(txn, error);
    txn->store->tally.view_deletes++;
    return PROTO_OK;
}

/* The chain hash at a seq that the log holds, also when it was committed after this transaction began. */
static enum proto_error chain_at(struct store_txn *txn, uint64_t seq, uint8_t out[PROTO_HASH_BYTES]) {
    struct store *store = txn->store;
    pthread_mutex_lock(&store->mutex);
    uint64_t last = store->identity.log_seq;
    memcpy(out, store->identity.chain, PROTO_HASH_BYTES);
    pthread_mutex_unlock(&store->mutex);
    assert(seq <= last);
    if (seq == last)
        return PROTO_OK;
    enum proto_error error = store_log_get_chain(store, txn->log_txn, seq, out);
    if (error != PROTO_NOT_FOUND)
        return error;
    store->log->ops->read_reset(txn->log_txn);
    error = store->log->ops->read_renew(txn->log_txn);
    return error != PROTO_OK ? error : store_log_get_chain(store, txn->log_txn, seq, out);
}

static enum proto_error put_stamp(struct store_txn *txn, uint64_t seq) {
    struct store_stamp stamp = {.view = txn->view->id, .log = txn->store->identity.log, .seq = seq};
    enum proto_error error = chain_at(txn, seq, stamp.chain);
    if (error == PROTO_OK)
        error = store_fault_at(txn->store, STORE_POINT_VIEW_PUT);
    return error != PROTO_OK ? error : store_view_put_stamp(txn->view_txn, &stamp);
}

enum proto_error store_view_commit(struct store_txn *txn, uint64_t seq) {
    struct store *store = txn->store;
    assert(txn->in_use && txn->writing && !txn->scans_open && seq >= txn->seq);
    enum proto_error error = txn->error;
    if (error == PROTO_OK)
        error = store_mark_open(store);
    if (error == PROTO_OK)
        error = put_stamp(txn, seq);
    if (error == PROTO_OK)
        error = store_fault_at(store, STORE_POINT_VIEW_COMMIT);
    if (error != PROTO_OK)
        txn->view_txn->kv->ops->abort(txn->view_txn);
    else
        error = txn->view_txn->kv->ops->commit(txn->view_txn);
    let_go(txn);
    if (error != PROTO_OK)
        return store_note(store, error);
    pthread_mutex_lock(&store->mutex);
    store->identity.view_seq = seq;
    store->identity.view_lost = false;
    pthread_mutex_unlock(&store->mutex);
    store->tally.view_commits++;
    return PROTO_OK;
}

void store_view_abort(struct store_txn *txn) {
    if (!txn || !txn->in_use)
        return;
    assert(txn->writing);
    txn->view_txn->kv->ops->abort(txn->view_txn);
    let_go(txn);
}

enum proto_error store_view_sync(struct store *store) {
    if (store->read_only)
        return PROTO_OK;
    struct store_view *view = store_view_hold(store);
    enum proto_error error = store_fault_at(store, STORE_POINT_VIEW_SYNC);
    if (error == PROTO_OK)
        error = view->kv->ops->sync(view->kv);
    store_view_release(store, view);
    if (error != PROTO_OK) { /* pages may be gone that were never written: never mind which error it was */
        store_distrust_view(store);
        return store_note(store, PROTO_BROKEN);
    }
    store->tally.view_syncs++;
    return PROTO_OK;
}
