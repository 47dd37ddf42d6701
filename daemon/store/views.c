/*
 * views.c - views as things: made aside, named by the log, counted while in use, removed when another took their place.
 *
 * What always holds: a directory "view-<uuid>" was whole and durable before the log named it; one that the log does not
 * name is of no value and may be removed at any time.
 */
#include "store/internal.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "proto/event.h"
#include "proto/ids.h"

#define STAMP_KEY "stamp"

#define TABLE_NAME(table, name, key, value) [STORE_##table] = name,
const char *const store_view_names[STORE_VIEW_TABLES] = {STORE_TABLES(TABLE_NAME)[STORE_ABOUT] = STORE_ABOUT_NAME};

void store_view_path(const struct store *store, const struct proto_id *id, const char *suffix,
                     char out[STORE_PATH_BYTES]) {
    char text[PROTO_ID_TEXT_BYTES + 1], name[PROTO_ID_TEXT_BYTES + 16];
    proto_id_format(id, text);
    int size = snprintf(name, sizeof name, "view-%s%s", text, suffix);
    assert(size > 0 && size < (int)sizeof name);
    store_path_join(out, store->dir, name);
}

/* The caller's id once; after that ids of our own making, which differ from every one before. */
static struct proto_id next_view_id(struct store *store) {
    struct proto_id id = store->fresh_view_id;
    if (store->views_made == 0 && memcmp(&id, &store->identity.view, sizeof id) != 0) {
        store->views_made++;
        return id;
    }
    struct {
        struct proto_id log, current, fresh;
        uint8_t count[8];
    } seed = {.log = store->identity.log, .current = store->identity.view, .fresh = store->fresh_view_id};
    uint8_t hash[PROTO_HASH_BYTES];
    static_assert(sizeof seed == 3 * PROTO_ID_BYTES + 8, "bytes only, no padding to hash");
    store_seq_encode(++store->views_made, seed.count);
    proto_hash(&seed, sizeof seed, hash);
    memcpy(id.bytes, hash, PROTO_ID_BYTES);
    id.bytes[6] = (uint8_t)((id.bytes[6] & 0x0fu) | 0x80u); /* version 8: of our own making */
    id.bytes[8] = (uint8_t)((id.bytes[8] & 0x3fu) | 0x80u);
    return id;
}

enum proto_error store_view_put_stamp(struct store_kv_txn *txn, const struct store_stamp *stamp) {
    uint8_t bytes[STORE_STAMP_BYTES];
    struct store_bytes key = store_bytes_of(STAMP_KEY, sizeof STAMP_KEY - 1), held;
    store_stamp_encode(stamp, bytes);
    enum proto_error error = txn->kv->ops->get(txn, STORE_ABOUT, key, &held);
    if (error == PROTO_OK && held.size == sizeof bytes && memcmp(held.data, bytes, sizeof bytes) == 0)
        return PROTO_OK;
    return txn->kv->ops->put(txn, STORE_ABOUT, key, store_bytes_of(bytes, sizeof bytes), STORE_KV_PLAIN);
}

enum proto_error store_view_get_stamp(struct store_kv_txn *txn, struct store_stamp *out) {
    struct store_bytes value;
    enum proto_error error =
        txn->kv->ops->get(txn, STORE_ABOUT, store_bytes_of(STAMP_KEY, sizeof STAMP_KEY - 1), &value);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    return store_stamp_decode(value, out);
}

/* The stamp of a view that reflects nothing yet. */
static enum proto_error stamp_empty(const struct store *store, struct store_view *view) {
    struct store_stamp stamp = {.view = view->id, .log = store->identity.log};
    struct store_kv_txn *txn;
    store_chain_start(&stamp.log, stamp.chain);
    enum proto_error error = view->kv->ops->write_begin(view->kv, &txn);
    if (error != PROTO_OK)
        return error;
    error = store_fault_at(store, STORE_POINT_VIEW_PUT);
    if (error == PROTO_OK)
        error = store_view_put_stamp(txn, &stamp);
    if (error == PROTO_OK)
        error = store_fault_at(store, STORE_POINT_VIEW_COMMIT);
    if (error == PROTO_OK)
        return view->kv->ops->commit(txn);
    view->kv->ops->abort(txn);
    return error;
}

static enum proto_error make_files(struct store *store, struct store_view *view, struct proto_fault *fault) {
    assert(memcmp(&view->id, &store->identity.view, sizeof view->id) != 0);
    store_view_path(store, &view->id, "", view->path); /* of an adoption that failed before the log named it */
    store_dir_remove(view->path);
    store_view_path(store, &view->id, ".new", view->path);
    store_dir_remove(view->path);
    enum proto_error error = store_dir_make(view->path);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "The directory %s cannot be made.", view->path);
    struct store_kv_lmdb_options options = {.path = view->path,
                                            .names = store_view_names,
                                            .table_count = STORE_VIEW_TABLES,
                                            .format_table = STORE_ABOUT,
                                            .format = STORE_VIEW_FORMAT,
                                            .map_bytes = store->view_map_bytes,
                                            .create = true,
                                            .nosync = true};
    return store_kv_lmdb_open(&options, &view->kv, fault);
}

void store_view_free(struct store_view *view) {
    if (view->kv)
        view->kv->ops->close(view->kv);
    if (view->retired && view->path[0])
        store_dir_remove(view->path);
    free(view);
}

enum proto_error store_view_make(struct store *store, bool in_memory, struct store_view **out,
                                 struct proto_fault *fault) {
    struct store_view *view = calloc(1, sizeof *view);
    if (!view)
        return proto_fault_set(fault, PROTO_BROKEN, NULL, "There is no memory for a new view.");
    view->id = next_view_id(store);
    view->refs = 1;
    view->retired = true; /* until it is adopted nobody will miss it */
    enum proto_error error = PROTO_OK;
    if (in_memory)
        view->kv = store_kv_memory_open(STORE_VIEW_TABLES, store->view_map_bytes);
    else
        error = make_files(store, view, fault);
    if (error == PROTO_OK) {
        error = stamp_empty(store, view);
        if (error != PROTO_OK)
            (void)proto_fault_set(fault, error, NULL, "A new view cannot be written in %s: %s", store->dir,
                                  proto_error_sentence(error));
    }
    if (error != PROTO_OK) {
        store_view_free(view);
        return error;
    }
    *out = view;
    return PROTO_OK;
}

static enum proto_error make_durable(struct store *store, struct store_view *view) {
    char path[STORE_PATH_BYTES];
    if (store_fault_at(store, STORE_POINT_VIEW_SYNC) != PROTO_OK)
        return PROTO_BROKEN;
    enum proto_error error = view->kv->ops->sync(view->kv);
    store->tally.view_syncs++;
    if (error != PROTO_OK || store->memory)
        return error;
    store_view_path(store, &view->id, "", path);
    error = store_dir_sync(view->path);
    if (error == PROTO_OK)
        error = store_path_rename(view->path, path);
    if (error != PROTO_OK)
        return error;
    memcpy(view->path, path, sizeof path);
    return store_dir_sync(store->dir);
}

enum proto_error store_view_adopt(struct store *store, struct store_view *view) {
    struct store_stamp stamp;
    struct store_kv_txn *txn;
    enum proto_error error = view->kv->ops->read_begin(view->kv, &txn);
    if (error == PROTO_OK) {
        error = store_view_get_stamp(txn, &stamp);
        view->kv->ops->abort(txn);
    }
    if (error == PROTO_OK)
        error = make_durable(store, view);
    if (error == PROTO_OK)
        error = store_mark_view(store, &view->id);
    if (error != PROTO_OK) {
        view->retired = error != PROTO_BROKEN; /* the log may name it already */
        store_view_free(view);
        return store_note(store, error);
    }
    view->retired = false;
    pthread_mutex_lock(&store->mutex);
    struct store_view *old = store->view;
    store->view = view;
    store->identity.view = view->id;
    store->identity.view_seq = stamp.seq;
    bool last = false;
    if (old) {
        old->retired = true;
        old->refs -= store_read_drop_idle(store, old) + 1;
        last = old->refs == 0;
    }
    pthread_mutex_unlock(&store->mutex);
    if (last)
        store_view_free(old);
    return PROTO_OK;
}

struct store_view *store_view_hold(struct store *store) {
    pthread_mutex_lock(&store->mutex);
    struct store_view *view = store->view;
    view->refs++;
    pthread_mutex_unlock(&store->mutex);
    return view;
}

void store_view_release(struct store *store, struct store_view *view) {
    pthread_mutex_lock(&store->mutex);
    assert(view->refs > 0);
    bool last = --view->refs == 0;
    pthread_mutex_unlock(&store->mutex);
    if (last)
        store_view_free(view);
}
