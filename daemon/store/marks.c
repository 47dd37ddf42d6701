/*
 * marks.c - the store's own marks in the log: which view belongs to it, and whether that view can be trusted.
 *
 * What always holds: "open, under this boot id" is on disk before anything of the view is written, "clean" only after the
 * view was forced to disk.
 */
#include "store/internal.h"

#include <assert.h>
#include <string.h>

struct own_mark {
    const char *name;
    struct store_bytes value;
};

static enum proto_error put_marks(struct store *store, const struct own_mark *marks, size_t count) {
    struct store_kv *log = store->log;
    struct store_kv_txn *txn;
    enum proto_error error = log->ops->write_begin(log, &txn);
    if (error != PROTO_OK)
        return store_note(store, error);
    for (size_t i = 0; error == PROTO_OK && i < count; i++) {
        error = store_fault_at(store, STORE_POINT_LOG_PUT);
        if (error == PROTO_OK)
            error = log->ops->put(txn, STORE_LOG_MARKS, store_bytes_of(marks[i].name, strlen(marks[i].name)),
                                  marks[i].value, STORE_KV_PLAIN);
    }
    if (error == PROTO_OK)
        error = store_fault_at(store, STORE_POINT_LOG_COMMIT);
    if (error != PROTO_OK) {
        log->ops->abort(txn);
        return store_note(store, error);
    }
    return store_note(store, log->ops->commit(txn));
}

static struct own_mark state_mark(const struct store *store, bool open, uint8_t bytes[STORE_STATE_BYTES_MAX]) {
    struct store_state_mark state = {.open = open};
    memcpy(state.boot_id, store->boot_id, sizeof state.boot_id);
    return (struct own_mark){"store.state", store_bytes_of(bytes, store_state_encode(&state, bytes))};
}

enum proto_error store_mark_open(struct store *store) {
    uint8_t bytes[STORE_STATE_BYTES_MAX];
    if (store->marked_open)
        return PROTO_OK;
    struct own_mark mark = state_mark(store, true, bytes);
    enum proto_error error = put_marks(store, &mark, 1);
    if (error == PROTO_OK)
        store->marked_open = true;
    return error;
}

enum proto_error store_mark_clean(struct store *store) {
    uint8_t bytes[STORE_STATE_BYTES_MAX];
    struct own_mark mark = state_mark(store, false, bytes);
    enum proto_error error = put_marks(store, &mark, 1);
    if (error == PROTO_OK)
        store->marked_open = false;
    return error;
}

enum proto_error store_mark_view(struct store *store, const struct proto_id *view) {
    uint8_t bytes[STORE_STATE_BYTES_MAX];
    struct own_mark marks[] = {{"store.view", store_bytes_of(view->bytes, PROTO_ID_BYTES)},
                               state_mark(store, true, bytes)};
    enum proto_error error = put_marks(store, marks, 2);
    if (error == PROTO_OK)
        store->marked_open = true;
    return error;
}
