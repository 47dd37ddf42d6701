/*
 * open.c - a store opened, made, closed and, in memory, crashed.
 *
 * What always holds:
 *  - one process has a store open, by a lock on DIR/lock that ends with the process;
 *  - a log exists whole or not at all: it is made aside and renamed;
 *  - a view is kept only when the log names it, its stamp is on the log's chain, and it was closed, or left open under the
 *    boot id of this boot: a process that was killed loses nothing of it, a machine that lost its power may. A view that a
 *    process of ours no longer believed in (the file DIR/distrust-view) is not kept either.
 */
#define _GNU_SOURCE
#include "store/internal.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static const char *const log_names[STORE_LOG_TABLES] = {[STORE_LOG_EVENTS] = "events",
                                                        [STORE_LOG_IDS] = "ids",
                                                        [STORE_LOG_MARKS] = "marks",
                                                        [STORE_LOG_RECEIPTS] = "receipts"};

/* --- directory and lock ------------------------------------------------------------------- */

static enum proto_error prepare_dir(struct store *store, const char *dir, struct proto_fault *fault) {
    enum proto_error error = store_path_take(store->dir, dir, fault);
    if (error != PROTO_OK)
        return error;
    store_path_join(store->distrust_path, store->dir, "distrust-view");
    if (store_path_exists(store->dir))
        return PROTO_OK;
    if (store->read_only)
        return proto_fault_set(fault, PROTO_NOT_FOUND, NULL, "There is no store at %s.", store->dir);
    error = store_dir_make(store->dir);
    if (error == PROTO_OK)
        error = store_parent_sync(store->dir);
    return error == PROTO_OK ? error
                             : proto_fault_set(fault, error, NULL, "The directory %s cannot be made: %s.", store->dir,
                                               strerror(errno));
}

static enum proto_error in_use(int fd, const char *dir, struct proto_fault *fault) {
    char pid[16] = {0};
    ssize_t size = pread(fd, pid, sizeof pid - 1, 0);
    pid[size > 0 ? strspn(pid, "0123456789") : 0] = '\0';
    return proto_fault_set(fault, PROTO_IN_USE, NULL, "Another process (pid %s) has the store %s open.",
                           pid[0] ? pid : "unknown", dir);
}

enum proto_error store_dir_lock(const char *dir, bool read_only, int *fd_out, struct proto_fault *fault) {
    char path[STORE_PATH_BYTES], pid[16];
    store_path_join(path, dir, "lock");
    int fd = open(path, read_only ? O_RDONLY | O_CLOEXEC : O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0 && errno == ENOENT && read_only)
        return PROTO_OK; /* a copy: whoever opens a store for writing makes this file first */
    if (fd < 0)
        return proto_fault_set(fault, errno == ENOSPC || errno == EDQUOT ? PROTO_FULL : PROTO_BROKEN, NULL,
                               "%s cannot be opened: %s.", path, strerror(errno));
    if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
        enum proto_error error =
            errno == EWOULDBLOCK
                ? in_use(fd, dir, fault)
                : proto_fault_set(fault, PROTO_BROKEN, NULL, "%s cannot be locked: %s.", path, strerror(errno));
        close(fd);
        return error;
    }
    *fd_out = fd;
    if (read_only)
        return PROTO_OK;
    /* The number only serves a sentence: on a full disk it is missing. */
    int size = snprintf(pid, sizeof pid, "%ld\n", (long)getpid());
    ssize_t written = ftruncate(fd, 0) == 0 ? pwrite(fd, pid, (size_t)size, 0) : 0;
    (void)written;
    return PROTO_OK;
}

/* Removes what an interrupted creation, rebuild or removal has left. Says whether any other view is there. */
static bool sweep(const struct store *store, const char *keep) {
    char path[STORE_PATH_BYTES];
    bool views = false;
    DIR *dir = opendir(store->dir);
    if (!dir)
        return false;
    for (struct dirent *found; (found = readdir(dir)) != NULL;) {
        const char *name = found->d_name;
        size_t size = strlen(name);
        bool half = size > 4 && strcmp(name + size - 4, ".new") == 0;
        bool view = strncmp(name, "view-", 5) == 0;
        if (size > 64 || !(view || strcmp(name, "log.new") == 0))
            continue;
        store_path_join(path, store->dir, name);
        if (half || (keep && view && strcmp(path, keep) != 0))
            store_dir_remove(path);
        else
            views = true;
    }
    closedir(dir);
    return views;
}

/* The log is in place: what is left of the restore that put it there is an empty directory. */
static void drop_restore_aside(const struct store *store) {
    char path[STORE_PATH_BYTES];
    store_path_join(path, store->dir, STORE_RESTORE_ASIDE);
    (void)rmdir(path);
}

/* --- the log ------------------------------------------------------------------------------ */

static enum proto_error put_first_marks(const struct store_options *options, struct store_kv *log) {
    const struct {
        const char *name;
        const struct proto_id *id;
    } marks[] = {{"store.node", &options->fresh_ids[0]}, {"store.log", &options->fresh_ids[1]}};
    struct store_kv_txn *txn;
    enum proto_error error = log->ops->write_begin(log, &txn);
    if (error != PROTO_OK)
        return error;
    for (size_t i = 0; error == PROTO_OK && i < 2; i++)
        error = log->ops->put(txn, STORE_LOG_MARKS, store_bytes_of(marks[i].name, strlen(marks[i].name)),
                              store_bytes_of(marks[i].id->bytes, PROTO_ID_BYTES), STORE_KV_PLAIN);
    if (error == PROTO_OK)
        return log->ops->commit(txn);
    log->ops->abort(txn);
    return error;
}

struct store_kv_lmdb_options store_log_options(const char *path, uint64_t map_bytes) {
    return (struct store_kv_lmdb_options){.path = path,
                                          .names = log_names,
                                          .table_count = STORE_LOG_TABLES,
                                          .later_count = STORE_LOG_TABLES_LATER,
                                          .format_table = STORE_LOG_MARKS,
                                          .format = STORE_LOG_FORMAT,
                                          .map_bytes = map_bytes};
}

static enum proto_error make_log_files(struct store *store, const struct store_options *options, const char *aside,
                                       struct proto_fault *fault) {
    char file[STORE_PATH_BYTES];
    struct store_kv *log;
    struct store_kv_lmdb_options how = store_log_options(aside, store->log_map_bytes);
    how.create = true;
    enum proto_error error = store_dir_make(aside);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "The directory %s cannot be made: %s.", aside, strerror(errno));
    error = store_kv_lmdb_open(&how, &log, fault);
    if (error != PROTO_OK)
        return error;
    error = put_first_marks(options, log);
    log->ops->close(log);
    store_path_join(file, aside, "data.mdb");
    if (error == PROTO_OK)
        error = store_file_sync(file);
    if (error == PROTO_OK)
        error = store_dir_sync(aside);
    return error == PROTO_OK ? error
                             : proto_fault_set(fault, error, NULL, "A new log cannot be written in %s: %s", aside,
                                               proto_error_sentence(error));
}

/* LMDB syncs neither its first pages nor the directory, so a log is made beside its place and moved there when it is safe. */
static enum proto_error make_log(struct store *store, const struct store_options *options, const char *path,
                                 struct proto_fault *fault) {
    char aside[STORE_PATH_BYTES];
    if (store->read_only)
        return proto_fault_set(fault, PROTO_NOT_FOUND, NULL, "There is no store at %s.", store->dir);
    store_path_join(aside, store->dir, STORE_RESTORE_ASIDE);
    if (store_path_exists(aside))
        return proto_fault_set(fault, PROTO_CORRUPT, NULL,
                               "A restore into %s was cut off before it was whole: run it again.", store->dir);
    if (sweep(store, NULL))
        return proto_fault_set(fault, PROTO_CORRUPT, NULL,
                               "%s holds a view but no log, and the log is the record: bring it back from a backup.",
                               store->dir);
    store_path_join(aside, store->dir, "log.new");
    enum proto_error error = make_log_files(store, options, aside, fault);
    if (error == PROTO_OK) {
        error = store_path_rename(aside, path);
        if (error == PROTO_OK)
            error = store_dir_sync(store->dir);
        if (error != PROTO_OK)
            (void)proto_fault_set(fault, error, NULL, "%s cannot be put in place: %s.", path, strerror(errno));
    }
    return error;
}

static enum proto_error open_log(struct store *store, const struct store_options *options, struct proto_fault *fault) {
    char path[STORE_PATH_BYTES];
    if (store->memory) {
        store->log = store_kv_memory_open(STORE_LOG_TABLES, store->log_map_bytes);
        enum proto_error error = put_first_marks(options, store->log);
        return error == PROTO_OK ? error : proto_fault_set(fault, error, NULL, "The log in memory is too small.");
    }
    store_path_join(path, store->dir, "log");
    if (!store_path_exists(path)) {
        enum proto_error error = make_log(store, options, path, fault);
        if (error != PROTO_OK)
            return error;
    }
    struct store_kv_lmdb_options how = store_log_options(path, store->log_map_bytes);
    how.read_only = store->read_only;
    return store_kv_lmdb_open(&how, &store->log, fault);
}

static enum proto_error get_id_mark(struct store_kv_txn *txn, const char *name, struct proto_id *out) {
    struct store_bytes value;
    enum proto_error error = txn->kv->ops->get(txn, STORE_LOG_MARKS, store_bytes_of(name, strlen(name)), &value);
    if (error != PROTO_OK)
        return error;
    if (value.size != PROTO_ID_BYTES)
        return PROTO_CORRUPT;
    memcpy(out->bytes, value.data, PROTO_ID_BYTES);
    return PROTO_OK;
}

static enum proto_error get_end(struct store *store, struct store_kv_txn *txn) {
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    struct store_identity *identity = &store->identity;
    enum proto_error error = txn->kv->ops->cursor_open(txn, STORE_LOG_EVENTS, &cursor);
    if (error != PROTO_OK)
        return error;
    identity->log_seq = 0;
    error = txn->kv->ops->cursor_seek(cursor, NULL, true, &key, &value);
    if (error == PROTO_OK)
        error = store_seq_decode(key, &identity->log_seq);
    txn->kv->ops->cursor_close(cursor);
    return error == PROTO_OK || error == PROTO_NOT_FOUND
               ? store_log_get_chain(store, txn, identity->log_seq, identity->chain)
               : error;
}

struct log_facts {
    bool has_view, has_state;
    struct proto_id view;
    struct store_state_mark state;
};

/* A mark that is not there is no error for these two: the store may have ended before it first had a view. */
static enum proto_error get_view_facts(struct store_kv_txn *txn, struct log_facts *facts) {
    struct store_bytes value;
    enum proto_error error = get_id_mark(txn, "store.view", &facts->view);
    facts->has_view = error == PROTO_OK;
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    error = txn->kv->ops->get(txn, STORE_LOG_MARKS, store_bytes_of("store.state", 11), &value);
    if (error == PROTO_OK)
        error = store_state_decode(value, &facts->state);
    facts->has_state = error == PROTO_OK;
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* A copy that went on under the identity of its original would be two logs of one name. */
static bool is_backup(struct store_kv_txn *txn) {
    struct store_bytes value;
    return txn->kv->ops->get(txn, STORE_LOG_MARKS, store_bytes_of(STORE_BACKUP_MARK, sizeof STORE_BACKUP_MARK - 1),
                             &value) == PROTO_OK;
}

static enum proto_error get_log_facts(struct store *store, struct log_facts *facts, struct proto_fault *fault) {
    struct store_kv_txn *txn;
    *facts = (struct log_facts){0};
    enum proto_error error = store->log->ops->read_begin(store->log, &txn);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "The log in %s cannot be read.", store->dir);
    error = get_id_mark(txn, "store.node", &store->identity.node);
    if (error == PROTO_OK)
        error = get_id_mark(txn, "store.log", &store->identity.log);
    if (error == PROTO_OK)
        error = get_end(store, txn);
    if (error == PROTO_OK)
        error = get_view_facts(txn, facts);
    bool backup = error == PROTO_OK && !store->read_only && is_backup(txn);
    store->log->ops->abort(txn);
    if (backup)
        return proto_fault_set(fault, PROTO_NOT_ALLOWED, NULL,
                               "%s is a backup and stays as it is: betonyd restore makes a store of it.", store->dir);
    if (error == PROTO_OK)
        return error;
    if (error == PROTO_NOT_FOUND)
        error = PROTO_CORRUPT;
    return proto_fault_set(fault, error, NULL, "The log in %s is damaged at its marks or at event %llu.", store->dir,
                           (unsigned long long)store->identity.log_seq);
}

/* --- the view ----------------------------------------------------------------------------- */

static bool state_is_trusted(const struct store *store, const struct log_facts *facts) {
    if (!facts->has_view || !facts->has_state || store_path_exists(store->distrust_path))
        return false;
    return !facts->state.open || strcmp(facts->state.boot_id, store->boot_id) == 0;
}

/* Whether the stamp says that this view was made from this log, up to an event that the log still has. */
static enum proto_error stamp_is_ours(struct store *store, struct store_view *view, bool *ours) {
    struct store_stamp stamp;
    struct store_kv_txn *txn, *log_txn;
    uint8_t chain[PROTO_HASH_BYTES];
    *ours = false;
    enum proto_error error = view->kv->ops->read_begin(view->kv, &txn);
    if (error != PROTO_OK)
        return error;
    error = store_view_get_stamp(txn, &stamp);
    view->kv->ops->abort(txn);
    if (error != PROTO_OK)
        return error == PROTO_CORRUPT ? PROTO_OK : error;
    if (memcmp(&stamp.view, &view->id, sizeof stamp.view) != 0 ||
        memcmp(&stamp.log, &store->identity.log, sizeof stamp.log) != 0 || stamp.seq > store->identity.log_seq)
        return PROTO_OK;
    error = store->log->ops->read_begin(store->log, &log_txn);
    if (error != PROTO_OK)
        return error;
    error = store_log_get_chain(store, log_txn, stamp.seq, chain);
    store->log->ops->abort(log_txn);
    *ours = error == PROTO_OK && memcmp(chain, stamp.chain, sizeof chain) == 0;
    store->identity.view_seq = *ours ? stamp.seq : 0;
    return error == PROTO_NOT_FOUND || error == PROTO_CORRUPT ? PROTO_OK : error;
}

/* Opens the view that the log names when it can be kept: *kept says so. NEWER, FULL, BROKEN. */
static enum proto_error open_kept_view(struct store *store, const struct log_facts *facts, bool *kept,
                                       struct proto_fault *fault) {
    struct store_view *view = calloc(1, sizeof *view);
    if (!view)
        return proto_fault_set(fault, PROTO_BROKEN, NULL, "There is no memory for the view.");
    *kept = false;
    view->id = facts->view;
    view->refs = 1;
    store_view_path(store, &view->id, "", view->path);
    struct store_kv_lmdb_options options = {.path = view->path,
                                            .names = store_view_names,
                                            .table_count = STORE_VIEW_TABLES,
                                            .format_table = STORE_ABOUT,
                                            .format = STORE_VIEW_FORMAT,
                                            .map_bytes = store->view_map_bytes,
                                            .nosync = true,
                                            .read_only = store->read_only};
    enum proto_error error =
        store_path_exists(view->path) ? store_kv_lmdb_open(&options, &view->kv, fault) : PROTO_CORRUPT;
    if (error == PROTO_OK) {
        error = stamp_is_ours(store, view, kept);
        if (error != PROTO_OK)
            (void)proto_fault_set(fault, error, NULL, "The view %s cannot be read.", view->path);
    }
    if (error == PROTO_OK && *kept) {
        store->view = view;
        store->identity.view = view->id;
        return PROTO_OK;
    }
    store_view_free(view);
    return error == PROTO_CORRUPT ? PROTO_OK : error;
}

static enum proto_error open_new_view(struct store *store, const struct log_facts *facts, struct proto_fault *fault) {
    struct store_view *view;
    store->identity.view = facts->view; /* so that the new one gets another id */
    store->identity.view_lost = true;
    if (store->read_only) /* an empty one in memory: nothing can be read before it is rebuilt */
        return store_view_make(store, true, &store->view, fault);
    enum proto_error error = store_view_make(store, store->memory, &view, fault);
    if (error != PROTO_OK)
        return error;
    error = store_view_adopt(store, view);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "A new view cannot be put in place in %s: %s", store->dir,
                               proto_error_sentence(error));
    if (unlink(store->distrust_path) == 0 && store_dir_sync(store->dir) != PROTO_OK)
        return proto_fault_set(fault, PROTO_BROKEN, NULL, "%s cannot be synced.", store->dir);
    return PROTO_OK;
}

static enum proto_error open_view(struct store *store, const struct log_facts *facts, struct proto_fault *fault) {
    bool kept = false;
    enum proto_error error = PROTO_OK;
    if (!store->memory && state_is_trusted(store, facts))
        error = open_kept_view(store, facts, &kept, fault);
    if (error != PROTO_OK)
        return error;
    if (!kept)
        error = open_new_view(store, facts, fault);
    if (error != PROTO_OK || store->read_only || store->memory)
        return error;
    (void)sweep(store, store->view->path);
    drop_restore_aside(store);
    if (facts->state.open && kept) {
        atomic_store(&store->marked_open, true);
        return PROTO_OK;
    }
    /* On a full disk the store still opens for reading; the mark is tried again before the view is first written. */
    error = store_mark_open(store);
    if (error == PROTO_OK || error == PROTO_FULL)
        return PROTO_OK;
    return proto_fault_set(fault, error, NULL, "The log in %s cannot be written.", store->dir);
}

/* --- the store ---------------------------------------------------------------------------- */

static void free_store(struct store *store) {
    if (store->rebuild)
        store_rebuild_abort(store->rebuild);
    store_txn_close_scans(&store->view_writer);
    store_view_abort(&store->view_writer);
    store_log_abort(&store->log_writer);
    if (store->view_writer.log_txn)
        store->log->ops->abort(store->view_writer.log_txn);
    store_read_free_all(store);
    if (store->view)
        store_view_free(store->view);
    if (store->log)
        store->log->ops->close(store->log);
    if (store->lock_fd >= 0)
        close(store->lock_fd);
    pthread_mutex_destroy(&store->mutex);
    free(store);
}

static struct store *new_store(const struct store_options *options) {
    struct store *store = calloc(1, sizeof *store);
    if (!store)
        return NULL;
    if (pthread_mutex_init(&store->mutex, NULL) != 0) {
        free(store);
        return NULL;
    }
    store->memory = options->memory;
    store->read_only = options->read_only;
    store->lock_fd = -1;
    store->log_map_bytes = options->log_map_bytes;
    store->view_map_bytes = options->view_map_bytes;
    store->fresh_view_id = options->fresh_ids[2];
    store->fault = options->fault;
    store->fault_arg = options->fault_arg;
    if (options->boot_id)
        memcpy(store->boot_id, options->boot_id, strlen(options->boot_id));
    return store;
}

enum proto_error store_open(const struct store_options *options, struct store **out, struct proto_fault *fault) {
    struct log_facts facts;
    assert(options->memory || (options->dir && options->boot_id));
    assert(!options->boot_id || strlen(options->boot_id) <= STORE_BOOT_ID_BYTES_MAX);
    assert(!(options->memory && options->read_only));
    struct store *store = new_store(options);
    if (!store)
        return proto_fault_set(fault, PROTO_BROKEN, NULL, "There is no memory to open a store.");
    enum proto_error error = PROTO_OK;
    if (!store->memory)
        error = prepare_dir(store, options->dir, fault);
    if (error == PROTO_OK && !store->memory)
        error = store_dir_lock(store->dir, store->read_only, &store->lock_fd, fault);
    if (error == PROTO_OK)
        error = open_log(store, options, fault);
    if (error == PROTO_OK)
        error = get_log_facts(store, &facts, fault);
    if (error == PROTO_OK)
        error = open_view(store, &facts, fault);
    if (error != PROTO_OK) {
        free_store(store);
        return error;
    }
    *out = store;
    return PROTO_OK;
}

void store_close(struct store *store) {
    if (!store)
        return;
    store_txn_close_scans(&store->view_writer);
    store_view_abort(&store->view_writer);
    store_log_abort(&store->log_writer);
    enum proto_error error = store->marked_open && !store_broken(store) ? store_view_sync(store) : PROTO_BROKEN;
    if (error == PROTO_OK)
        error = store_mark_clean(store);
    (void)error; /* without the mark the view is still good for this boot of the machine */
    free_store(store);
}

void store_memory_crash(struct store *store, bool lose_view) {
    assert(store->memory);
    if (store->rebuild)
        store_rebuild_abort(store->rebuild);
    while (store->view_writer.scans_open)
        store_scan_end(store->view_writer.scans_open);
    store_view_abort(&store->view_writer);
    store_log_abort(&store->log_writer);
    store_read_free_all(store);
    atomic_store(&store->broken, false);
    struct proto_fault fault;
    struct log_facts facts;
    enum proto_error error = get_log_facts(store, &facts, &fault);
    assert(error == PROTO_OK);
    bool kept = false;
    if (!lose_view)
        error = stamp_is_ours(store, store->view, &kept);
    assert(error == PROTO_OK);
    if (kept)
        return;
    /* The hook has failed what it wanted to fail: opening again is not to fail with it. */
    store_fault_fn hook = store->fault;
    store->fault = NULL;
    error = open_new_view(store, &facts, &fault);
    store->fault = hook;
    assert(error == PROTO_OK);
    (void)error;
}
