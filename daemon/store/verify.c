/*
 * verify.c - the log walked from its first event to its last.
 *
 * What always holds: nothing that a record says is believed before it was worked out again from what came before it.
 */
#include "store/internal.h"

#include <assert.h>
#include <string.h>

struct walk {
    struct store *store;
    struct store_kv_txn *txn;
    uint64_t seq; /* the event that is looked at */
    uint64_t ids; /* events so far that their id leads to */
    uint8_t chain[PROTO_HASH_BYTES];
    struct proto_fault *fault;
};

static enum proto_error bad(const struct walk *walk, const char *what) {
    return proto_fault_set(walk->fault, PROTO_CORRUPT, NULL, "Event %llu of the log does not hold: %s.",
                           (unsigned long long)walk->seq, what);
}

/* The id leads to the event, or to a later one that took it over. */
static enum proto_error check_id(struct walk *walk, const struct proto_id *id) {
    struct store_event later;
    uint64_t seq = 0;
    enum proto_error error = store_log_get_seq(walk->txn, id, &seq);
    if (error == PROTO_OK && seq == walk->seq) {
        walk->ids++;
        return PROTO_OK;
    }
    if (error == PROTO_OK && seq > walk->seq)
        error = store_log_get_event(walk->txn, seq, &later);
    else if (error == PROTO_OK)
        error = PROTO_CORRUPT;
    if (error == PROTO_BROKEN)
        return error;
    return error != PROTO_OK || memcmp(&later.id, id, sizeof later.id) != 0 ? bad(walk, "its id does not lead to it")
                                                                            : PROTO_OK;
}

static enum proto_error check_event(struct walk *walk, struct store_bytes key, struct store_bytes value) {
    uint8_t commitment[PROTO_HASH_BYTES], worked_out[PROTO_HASH_BYTES], header[STORE_HEADER_BYTES];
    struct store_event event = {.seq = walk->seq};
    uint64_t seq = 0;
    if (store_seq_decode(key, &seq) != PROTO_OK || seq != walk->seq)
        return bad(walk, "it is missing");
    if (store_event_decode(value, &event, commitment) != PROTO_OK)
        return bad(walk, "its record cannot be read");
    event.seq = walk->seq;
    if (event.body.size > 0) {
        store_commit_to_body(event.nonce, event.body, worked_out);
        if (memcmp(worked_out, commitment, PROTO_HASH_BYTES) != 0)
            return bad(walk, "its body is not the one that was written");
    }
    store_header_encode(&event, commitment, header);
    store_chain_next(walk->chain, header, worked_out);
    if (memcmp(worked_out, event.chain, PROTO_HASH_BYTES) != 0)
        return bad(walk, "its header is not the one that was written, or one before it was changed");
    memcpy(walk->chain, worked_out, PROTO_HASH_BYTES);
    return check_id(walk, &event.id);
}

static enum proto_error walk_events(struct walk *walk, struct store_kv_cursor *cursor, uint64_t last) {
    struct store_bytes key, value;
    const struct store_kv_ops *ops = walk->store->log->ops;
    for (walk->seq = 1;; walk->seq++) {
        enum proto_error error = walk->seq == 1 ? ops->cursor_seek(cursor, NULL, false, &key, &value)
                                                : ops->cursor_step(cursor, false, &key, &value);
        if (error == PROTO_NOT_FOUND)
            break;
        error = error == PROTO_CORRUPT ? bad(walk, "it cannot be reached") : error;
        if (error == PROTO_OK)
            error = check_event(walk, key, value);
        if (error != PROTO_OK)
            return error;
    }
    if (walk->seq <= last)
        return bad(walk, "it is missing");
    return ops->count(walk->txn, STORE_LOG_IDS) != walk->ids ? bad(walk, "there are ids that lead to no event")
                                                             : PROTO_OK;
}

/* A receipt is of an event that is here, or was. */
static enum proto_error walk_receipts(struct walk *walk) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    uint8_t receipt[STORE_RECEIPT_BYTES];
    int64_t received_at;
    uint64_t seq;
    const struct store_kv_ops *ops = walk->store->log->ops;
    walk->seq = 0;
    enum proto_error error = ops->cursor_open(walk->txn, STORE_LOG_RECEIPTS, &cursor);
    if (error != PROTO_OK)
        return error;
    error = ops->cursor_seek(cursor, NULL, false, &key, &value);
    while (error == PROTO_OK) {
        struct proto_id id;
        bool sound = key.size == sizeof id.bytes && store_receipt_decode(value, &received_at, receipt) == PROTO_OK;
        if (sound) {
            memcpy(id.bytes, key.data, sizeof id.bytes);
            error = store_log_get_seq(walk->txn, &id, &seq);
        }
        if (!sound || error == PROTO_NOT_FOUND || error == PROTO_CORRUPT)
            error = proto_fault_set(walk->fault, PROTO_CORRUPT, NULL,
                                    "The log has a receipt that is of none of its events.");
        if (error == PROTO_OK)
            error = ops->cursor_step(cursor, false, &key, &value);
    }
    ops->cursor_close(cursor);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error store_verify_chain(struct store *store, uint64_t *bad_seq, struct proto_fault *fault) {
    struct walk walk = {.store = store, .fault = fault};
    struct store_identity identity;
    struct store_kv_cursor *cursor;
    const struct store_kv_ops *ops = store->log->ops;
    store_identity_get(store, &identity); /* before the snapshot: it may only grow */
    enum proto_error error = ops->read_begin(store->log, &walk.txn);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "The log cannot be read.");
    store_chain_start(&identity.log, walk.chain);
    error = ops->cursor_open(walk.txn, STORE_LOG_EVENTS, &cursor);
    if (error == PROTO_OK) {
        error = walk_events(&walk, cursor, identity.log_seq);
        ops->cursor_close(cursor);
    }
    if (error == PROTO_OK)
        error = walk_receipts(&walk);
    ops->abort(walk.txn);
    if (error == PROTO_CORRUPT)
        *bad_seq = walk.seq;
    else if (error != PROTO_OK) /* event 0: behind the last one */
        (void)proto_fault_set(fault, error, NULL, "The log cannot be read at event %llu.",
                              (unsigned long long)walk.seq);
    return error;
}
