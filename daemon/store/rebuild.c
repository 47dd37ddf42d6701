/*
 * rebuild.c - a new view loaded beside the current one and swapped in.
 *
 * What always holds: until the log names the new view nothing has changed, and whatever is left of it is removed at the next
 * open; one thread begins, puts and finishes.
 */
#include "store/internal.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

/* Large transactions slow LMDB down (its list of dirty pages is sorted), small ones write inner pages again and again. */
#define PUTS_PER_COMMIT 4000u
#define BYTES_PER_COMMIT (8u << 20)

struct last_key {
    size_t size; /* 0: the table is empty */
    uint8_t bytes[STORE_KEY_BYTES_MAX];
};

struct store_rebuild {
    struct store *store;
    struct store_view *view;
    struct store_kv_txn *txn; /* NULL between commits */
    size_t puts, bytes;       /* in the open transaction */
    enum proto_error error;   /* sticky */
    struct last_key last[STORE_TABLE_COUNT];
};

enum proto_error store_rebuild_begin(struct store *store, struct store_rebuild **out) {
    struct proto_fault fault;
    assert(!store->read_only && !store->rebuild && !store->view_writer.in_use);
    if (store_broken(store))
        return PROTO_BROKEN;
    struct store_rebuild *rebuild = calloc(1, sizeof *rebuild);
    if (!rebuild)
        return PROTO_BUSY;
    rebuild->store = store;
    enum proto_error error = store_view_make(store, store->memory, &rebuild->view, &fault);
    if (error != PROTO_OK) {
        free(rebuild);
        return store_note(store, error);
    }
    store->rebuild = rebuild;
    *out = rebuild;
    return PROTO_OK;
}

static enum proto_error commit_part(struct store_rebuild *rebuild) {
    struct store_kv_txn *txn = rebuild->txn;
    if (!txn)
        return PROTO_OK;
    rebuild->txn = NULL;
    rebuild->puts = rebuild->bytes = 0;
    enum proto_error error = store_fault_at(rebuild->store, STORE_POINT_VIEW_COMMIT);
    if (error != PROTO_OK) {
        txn->kv->ops->abort(txn);
        return error;
    }
    rebuild->store->tally.view_commits++;
    return txn->kv->ops->commit(txn);
}

static int compare(const struct last_key *last, const void *key, size_t size) {
    size_t common = last->size < size ? last->size : size;
    int order = memcmp(last->bytes, key, common);
    return order != 0 ? order : (last->size > size) - (last->size < size);
}

static enum proto_error put(struct store_rebuild *rebuild, enum store_table table, struct store_bytes key,
                            struct store_bytes value) {
    struct last_key *last = &rebuild->last[table];
    struct store_kv *kv = rebuild->view->kv;
    bool above = last->size == 0 || compare(last, key.data, key.size) < 0;
    enum proto_error error = rebuild->txn ? PROTO_OK : kv->ops->write_begin(kv, &rebuild->txn);
    if (error == PROTO_OK)
        error = store_fault_at(rebuild->store, STORE_POINT_VIEW_PUT);
    if (error == PROTO_OK)
        error = kv->ops->put(rebuild->txn, table, key, value, above ? STORE_KV_APPEND : STORE_KV_PLAIN);
    if (error != PROTO_OK)
        return error;
    if (above) {
        memcpy(last->bytes, key.data, key.size);
        last->size = key.size;
    }
    rebuild->store->tally.view_puts++;
    rebuild->bytes += key.size + value.size;
    if (++rebuild->puts >= PUTS_PER_COMMIT || rebuild->bytes >= BYTES_PER_COMMIT)
        error = commit_part(rebuild);
    return error;
}

enum proto_error store_rebuild_put(struct store_rebuild *rebuild, enum store_table table, const void *key,
                                   size_t key_size, const void *value, size_t value_size) {
    assert((unsigned)table < STORE_TABLE_COUNT && key_size > 0 && key_size <= STORE_KEY_BYTES_MAX);
    assert(value_size <= STORE_VALUE_BYTES_MAX);
    if (rebuild->error == PROTO_OK)
        rebuild->error = store_note(
            rebuild->store, put(rebuild, table, store_bytes_of(key, key_size), store_bytes_of(value, value_size)));
    return rebuild->error;
}

static enum proto_error stamp_at(struct store_rebuild *rebuild, uint64_t seq) {
    struct store *store = rebuild->store;
    struct store_kv *kv = rebuild->view->kv;
    struct store_stamp stamp = {.view = rebuild->view->id, .log = store->identity.log, .seq = seq};
    struct store_kv_txn *log_txn;
    enum proto_error error = store->log->ops->read_begin(store->log, &log_txn);
    if (error != PROTO_OK)
        return error;
    error = store_log_get_chain(store, log_txn, seq, stamp.chain);
    store->log->ops->abort(log_txn);
    assert(error != PROTO_NOT_FOUND); /* the caller has read that event */
    if (error == PROTO_OK && !rebuild->txn)
        error = kv->ops->write_begin(kv, &rebuild->txn);
    if (error == PROTO_OK)
        error = store_view_put_stamp(rebuild->txn, &stamp);
    return error == PROTO_OK ? commit_part(rebuild) : error;
}

enum proto_error store_rebuild_finish(struct store_rebuild *rebuild, uint64_t seq) {
    struct store *store = rebuild->store;
    enum proto_error error = rebuild->error == PROTO_OK ? stamp_at(rebuild, seq) : rebuild->error;
    if (error != PROTO_OK) {
        store_rebuild_abort(rebuild);
        return store_note(store, error);
    }
    error = store_view_adopt(store, rebuild->view); /* takes the view over */
    store->rebuild = NULL;
    free(rebuild);
    if (error != PROTO_OK)
        return error;
    pthread_mutex_lock(&store->mutex);
    store->identity.view_lost = false;
    pthread_mutex_unlock(&store->mutex);
    return PROTO_OK;
}

void store_rebuild_abort(struct store_rebuild *rebuild) {
    if (!rebuild)
        return;
    if (rebuild->txn)
        rebuild->txn->kv->ops->abort(rebuild->txn);
    store_view_free(rebuild->view);
    rebuild->store->rebuild = NULL;
    free(rebuild);
}
