/*
 * log.c - the log writer, and reading the log inside a transaction.
 *
 * What always holds: a seq is given inside the write transaction and kept only when it commits; the id of an event leads
 * to the last one that has it; nothing of a header ever changes; the end of the log in memory moves after the commit and
 * never before.
 */
#include "store/internal.h"

#include <assert.h>
#include <string.h>

#define OWN_MARKS "store."

enum proto_error store_log_get_event(struct store_kv_txn *txn, uint64_t seq, struct store_event *out) {
    uint8_t key[8], commitment[PROTO_HASH_BYTES];
    struct store_bytes value;
    store_seq_encode(seq, key);
    enum proto_error error = txn->kv->ops->get(txn, STORE_LOG_EVENTS, store_bytes_of(key, sizeof key), &value);
    if (error != PROTO_OK)
        return error;
    struct store_event event = {.seq = seq};
    error = store_event_decode(value, &event, commitment);
    if (error == PROTO_OK)
        *out = event;
    return error;
}

enum proto_error store_log_get_seq(struct store_kv_txn *txn, const struct proto_id *id, uint64_t *seq_out) {
    struct store_bytes value;
    enum proto_error error = txn->kv->ops->get(txn, STORE_LOG_IDS, store_bytes_of(id->bytes, sizeof id->bytes), &value);
    return error == PROTO_OK ? store_seq_decode(value, seq_out) : error;
}

enum proto_error store_log_get_chain(const struct store *store, struct store_kv_txn *txn, uint64_t seq,
                                     uint8_t out[PROTO_HASH_BYTES]) {
    struct store_event event;
    if (seq == 0) {
        store_chain_start(&store->identity.log, out);
        return PROTO_OK;
    }
    enum proto_error error = store_log_get_event(txn, seq, &event);
    if (error == PROTO_OK)
        memcpy(out, event.chain, PROTO_HASH_BYTES);
    return error;
}

enum proto_error store_log_begin(struct store *store, struct store_log **out) {
    struct store_log *log = &store->log_writer;
    assert(!store->read_only && !log->txn);
    if (store_broken(store))
        return PROTO_BROKEN;
    enum proto_error error = store->log->ops->write_begin(store->log, &log->txn);
    if (error != PROTO_OK)
        return store_note(store, error);
    log->store = store;
    log->error = PROTO_OK;
    log->appended = 0;
    log->removes = log->renews = false;
    pthread_mutex_lock(&store->mutex);
    log->seq = store->identity.log_seq;
    memcpy(log->chain, store->identity.chain, PROTO_HASH_BYTES);
    pthread_mutex_unlock(&store->mutex);
    *out = log;
    return PROTO_OK;
}

/* A failed write leaves the transaction good for abort alone. */
static enum proto_error log_put(struct store_log *log, enum store_log_table table, struct store_bytes key,
                                struct store_bytes value, enum store_kv_how how) {
    enum proto_error error = store_fault_at(log->store, STORE_POINT_LOG_PUT);
    if (error == PROTO_OK)
        error = log->txn->kv->ops->put(log->txn, table, key, value, how);
    if (error != PROTO_OK && !(error == PROTO_CONFLICT && how == STORE_KV_NEW))
        log->error = error;
    return store_note(log->store, error);
}

/* Whether the event that has the id now gives way to another one. */
static enum proto_error give_way(struct store_log *log, const struct store_event *event) {
    struct store_event held;
    uint64_t seq;
    if (event->supersedes)
        return PROTO_OK;
    enum proto_error error = store_log_get_seq(log->txn, &event->id, &seq);
    if (error == PROTO_OK)
        error = store_log_get_event(log->txn, seq, &held);
    if (error == PROTO_OK)
        return held.body.size > 0 ? PROTO_CONFLICT : PROTO_OK;
    return log->error = store_note(log->store, error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error);
}

static enum proto_error put_id(struct store_log *log, const struct store_event *event, struct store_bytes seq) {
    struct store_bytes id = store_bytes_of(event->id.bytes, PROTO_ID_BYTES);
    enum proto_error error = log_put(log, STORE_LOG_IDS, id, seq, STORE_KV_NEW);
    if (error != PROTO_CONFLICT)
        return error;
    error = give_way(log, event);
    return error == PROTO_OK ? log_put(log, STORE_LOG_IDS, id, seq, STORE_KV_PLAIN) : error;
}

enum proto_error store_log_append(struct store_log *log, struct store_event *event) {
    uint8_t commitment[PROTO_HASH_BYTES], header[STORE_HEADER_BYTES], key[8];
    assert(log->txn);
    if (log->error != PROTO_OK)
        return log->error;
    struct store_event made = *event;
    made.seq = log->seq + 1;
    store_seq_encode(made.seq, key);
    enum proto_error error = put_id(log, &made, store_bytes_of(key, 8));
    if (error != PROTO_OK)
        return error;
    store_commit_to_body(made.nonce, made.body, commitment);
    store_header_encode(&made, commitment, header);
    store_chain_next(log->chain, header, made.chain);
    size_t size = store_event_encode(&made, commitment, log->record);
    error = log_put(log, STORE_LOG_EVENTS, store_bytes_of(key, 8), store_bytes_of(log->record, size), STORE_KV_APPEND);
    if (error != PROTO_OK)
        return error == PROTO_CONFLICT ? (log->error = store_note(log->store, PROTO_BROKEN))
                                       : error; /* an event above the end of the log */
    log->seq = made.seq;
    memcpy(log->chain, made.chain, PROTO_HASH_BYTES);
    log->appended++;
    event->seq = made.seq;
    memcpy(event->chain, made.chain, PROTO_HASH_BYTES);
    return PROTO_OK;
}

enum proto_error store_log_find(struct store_log *log, const struct proto_id *id, uint64_t *seq_out) {
    assert(log->txn);
    return log->error != PROTO_OK ? log->error : store_log_get_seq(log->txn, id, seq_out);
}

enum proto_error store_log_read(struct store_log *log, uint64_t seq, struct store_event *out) {
    assert(log->txn);
    return log->error != PROTO_OK ? log->error : store_log_get_event(log->txn, seq, out);
}

uint64_t store_log_end(const struct store_log *log) {
    assert(log->txn);
    return log->seq;
}

enum proto_error store_log_remove_body(struct store_log *log, uint64_t seq) {
    uint8_t key[8], commitment[PROTO_HASH_BYTES], cut[STORE_EVENT_FIXED_BYTES];
    struct store_event event = {0};
    struct store_bytes value;
    assert(log->txn);
    if (log->error != PROTO_OK)
        return log->error;
    store_seq_encode(seq, key);
    enum proto_error error =
        log->txn->kv->ops->get(log->txn, STORE_LOG_EVENTS, store_bytes_of(key, sizeof key), &value);
    if (error == PROTO_OK)
        error = store_event_decode(value, &event, commitment);
    if (error != PROTO_OK || event.body.size == 0)
        return error;
    store_event_cut(value.data, cut);
    log->removes = true;
    return log_put(log, STORE_LOG_EVENTS, store_bytes_of(key, sizeof key), store_bytes_of(cut, sizeof cut),
                   STORE_KV_PLAIN);
}

/* Not written when the same is there. */
static enum proto_error put_changed(struct store_log *log, enum store_log_table table, struct store_bytes key,
                                    struct store_bytes value) {
    struct store_bytes held;
    if (log->error != PROTO_OK)
        return log->error;
    enum proto_error error = log->txn->kv->ops->get(log->txn, table, key, &held);
    if (error == PROTO_OK && held.size == value.size &&
        (value.size == 0 || memcmp(held.data, value.data, value.size) == 0))
        return PROTO_OK;
    return log_put(log, table, key, value, STORE_KV_PLAIN);
}

static struct store_bytes mark_key(const char *name) {
    size_t size = strlen(name);
    assert(size > 0 && size <= STORE_KEY_BYTES_MAX);
    return store_bytes_of(name, size);
}

static bool is_own_mark(const char *name) {
    return strncmp(name, OWN_MARKS, sizeof OWN_MARKS - 1) == 0;
}

enum proto_error store_log_mark_put(struct store_log *log, const char *name, const void *bytes, size_t size) {
    assert(log->txn && size <= STORE_MARK_BYTES_MAX && !is_own_mark(name));
    return put_changed(log, STORE_LOG_MARKS, mark_key(name), store_bytes_of(bytes, size));
}

enum proto_error store_log_mark_read(struct store_log *log, const char *name, struct store_bytes *out) {
    assert(log->txn);
    return log->error != PROTO_OK ? log->error : log->txn->kv->ops->get(log->txn, STORE_LOG_MARKS, mark_key(name), out);
}

enum proto_error store_log_mark_delete(struct store_log *log, const char *name) {
    assert(log->txn && !is_own_mark(name));
    if (log->error != PROTO_OK)
        return log->error;
    enum proto_error error = store_fault_at(log->store, STORE_POINT_LOG_PUT);
    if (error == PROTO_OK)
        error = log->txn->kv->ops->del(log->txn, STORE_LOG_MARKS, mark_key(name));
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error != PROTO_OK)
        log->error = error;
    return store_note(log->store, error);
}

enum proto_error store_log_renew_node(struct store_log *log, const struct proto_id *node) {
    assert(log->txn);
    enum proto_error error =
        put_changed(log, STORE_LOG_MARKS, mark_key("store.node"), store_bytes_of(node->bytes, PROTO_ID_BYTES));
    if (error == PROTO_OK) {
        log->renews = true;
        log->node = *node;
    }
    return error;
}

enum proto_error store_log_receipt_put(struct store_log *log, const struct proto_id *id, int64_t received_at,
                                       const uint8_t receipt[STORE_RECEIPT_BYTES]) {
    uint8_t record[STORE_RECEIPT_RECORD_BYTES];
    assert(log->txn);
    store_receipt_encode(received_at, receipt, record);
    return put_changed(log, STORE_LOG_RECEIPTS, store_bytes_of(id->bytes, PROTO_ID_BYTES),
                       store_bytes_of(record, sizeof record));
}

void store_log_abort(struct store_log *log) {
    if (!log || !log->txn)
        return;
    struct store_kv_txn *txn = log->txn;
    log->txn = NULL;
    txn->kv->ops->abort(txn);
}

enum proto_error store_log_commit(struct store_log *log) {
    struct store *store = log->store;
    assert(log->txn);
    enum proto_error error = log->error;
    if (error == PROTO_OK)
        error = store_fault_at(store, STORE_POINT_LOG_COMMIT);
    if (error != PROTO_OK) {
        store_log_abort(log);
        return store_note(store, error);
    }
    struct store_kv_txn *txn = log->txn;
    log->txn = NULL;
    if (log->removes)
        store->removals++;
    error = txn->kv->ops->commit(txn);
    if (error == PROTO_OK && store_fault_at(store, STORE_POINT_LOG_COMMITTED) != PROTO_OK)
        error = PROTO_BROKEN;
    if (error != PROTO_OK)
        return store_note(store, error);
    pthread_mutex_lock(&store->mutex);
    store->identity.log_seq = log->seq;
    memcpy(store->identity.chain, log->chain, PROTO_HASH_BYTES);
    if (log->renews)
        store->identity.node = log->node;
    pthread_mutex_unlock(&store->mutex);
    store->tally.log_events += log->appended;
    store->tally.log_commits++;
    return PROTO_OK;
}
