/*
 * memory.c - copies of a memory store: a directory copied or put back, and a backup restored, as the simulator has them.
 *
 * What always holds: a copy holds what was committed, and nothing done to it is seen in the store it was made from.
 */
#include "store/internal.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define OWN_MARKS "store."

struct store *store_memory_copy(const struct store *from, const struct store_options *options) {
    struct store *store = NULL;
    struct proto_fault fault = {0};
    assert(from->memory && options->memory);
    enum proto_error error = store_open(options, &store, &fault);
    if (error != PROTO_OK)
        abort(); /* a new store in memory has nothing that could be wrong */
    store->log->ops->close(store->log);
    store->log = store_kv_memory_copy(from->log);
    store->view->kv->ops->close(store->view->kv);
    store->view->kv = store_kv_memory_copy(from->view->kv);
    store->view->id = from->view->id;
    store->identity = from->identity;
    store_memory_crash(store, false); /* so that it knows of itself what stands in it */
    return store;
}

/* --- restored ------------------------------------------------------------------------------ */

struct refill {
    struct store_kv_txn *from, *to;
    struct store_identity was;
    int64_t restored_at;
    struct store_bytes restored_before;
    uint8_t chain[PROTO_HASH_BYTES];
    uint8_t record[STORE_EVENT_RECORD_BYTES_MAX];
};

static bool begins(struct store_bytes key, const char *text) {
    return key.size >= strlen(text) && memcmp(key.data, text, strlen(text)) == 0;
}

static enum proto_error put(struct refill *r, unsigned table, struct store_bytes key, struct store_bytes value) {
    return r->to->kv->ops->put(r->to, table, key, value, STORE_KV_PLAIN);
}

/* The same record, behind another chain. */
static enum proto_error put_event(struct refill *r, struct store_bytes key, struct store_bytes value) {
    uint8_t commitment[PROTO_HASH_BYTES], header[STORE_HEADER_BYTES];
    struct store_event event = {0};
    enum proto_error error = store_seq_decode(key, &event.seq);
    if (error == PROTO_OK)
        error = store_event_decode(value, &event, commitment);
    if (error != PROTO_OK)
        return error;
    store_header_encode(&event, commitment, header);
    store_chain_next(r->chain, header, r->chain);
    assert(value.size <= sizeof r->record);
    memcpy(r->record, value.data, value.size);
    store_event_rechain(r->record, r->chain);
    return put(r, STORE_LOG_EVENTS, key, store_bytes_of(r->record, value.size));
}

static enum proto_error put_mark(struct refill *r, struct store_bytes key, struct store_bytes value) {
    if (key.size == sizeof STORE_RESTORED_MARK - 1 && begins(key, STORE_RESTORED_MARK)) {
        r->restored_before = value;
        return PROTO_OK;
    }
    return begins(key, OWN_MARKS) ? PROTO_OK : put(r, STORE_LOG_MARKS, key, value);
}

static enum proto_error put_table(struct refill *r, unsigned table) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    const struct store_kv_ops *ops = r->from->kv->ops;
    enum proto_error error = ops->cursor_open(r->from, table, &cursor);
    if (error != PROTO_OK)
        return error;
    error = ops->cursor_seek(cursor, NULL, false, &key, &value);
    while (error == PROTO_OK) {
        if (table == STORE_LOG_EVENTS)
            error = put_event(r, key, value);
        else
            error = table == STORE_LOG_MARKS ? put_mark(r, key, value) : put(r, table, key, value);
        if (error == PROTO_OK)
            error = ops->cursor_step(cursor, false, &key, &value);
    }
    ops->cursor_close(cursor);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error fill(struct refill *r) {
    uint8_t restored[STORE_RESTORED_BYTES_MAX];
    size_t size = 0;
    enum proto_error error = PROTO_OK;
    for (unsigned table = 0; error == PROTO_OK && table < STORE_LOG_TABLES; table++)
        error = put_table(r, table);
    if (error == PROTO_OK)
        error = store_restored_encode(&r->was, r->restored_at, r->restored_before, restored, &size);
    if (error == PROTO_OK)
        error = put(r, STORE_LOG_MARKS, store_bytes_of(STORE_RESTORED_MARK, sizeof STORE_RESTORED_MARK - 1),
                    store_bytes_of(restored, size));
    return error;
}

enum proto_error store_memory_restore(const struct store *from, const struct store_options *options,
                                      int64_t restored_at, struct store **out) {
    struct refill *r = calloc(1, sizeof *r);
    struct store *store = NULL;
    struct proto_fault fault = {0};
    assert(from->memory && options->memory);
    if (!r)
        abort();
    enum proto_error error = store_open(options, &store, &fault);
    if (error != PROTO_OK)
        abort();
    *r = (struct refill){.was = from->identity, .restored_at = restored_at};
    store_chain_start(&options->fresh_ids[1], r->chain);
    error = from->log->ops->read_begin(from->log, &r->from);
    if (error == PROTO_OK)
        error = store->log->ops->write_begin(store->log, &r->to);
    if (error != PROTO_OK)
        abort();
    error = fill(r);
    if (error == PROTO_OK)
        error = store->log->ops->commit(r->to);
    else
        store->log->ops->abort(r->to);
    from->log->ops->abort(r->from);
    free(r);
    if (error == PROTO_OK) {
        store_memory_crash(store, true);
        *out = store;
    } else {
        store_close(store);
    }
    return error;
}
