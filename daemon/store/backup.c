/*
 * backup.c - the log copied while it is written to.
 *
 * What always holds: what has the name that was asked for is whole, synced and was walked to its end; it is marked, so that
 * nothing ever goes on under the identity of its original.
 */
#define _GNU_SOURCE
#include "store/internal.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store/lmdb_copy.h"

struct backup {
    const struct store_options *options;
    struct proto_fault *fault;
    char from_log[STORE_PATH_BYTES], to[STORE_PATH_BYTES];
    char aside[STORE_PATH_BYTES];                       /* to.new */
    char log[STORE_PATH_BYTES], data[STORE_PATH_BYTES]; /* to.new/log.new and its file, until it is marked */
    char marked_log[STORE_PATH_BYTES];                  /* to.new/log: nothing takes the rest for a log */
    int lock_fd;                                        /* of to.new; -1: none */
};

static enum proto_error cannot(const struct backup *b, enum proto_error error, const char *path, const char *what) {
    return proto_fault_set(b->fault, error, NULL, "%s cannot be %s: %s.", path, what, strerror(errno));
}

static enum proto_error take_paths(struct backup *b, const char *to) {
    char dir[STORE_PATH_BYTES];
    enum proto_error error = store_path_take(dir, b->options->dir, b->fault);
    if (error == PROTO_OK)
        error = store_path_take(b->to, to, b->fault);
    if (error != PROTO_OK)
        return error;
    store_path_join(b->from_log, dir, "log");
    store_path_join(b->data, b->from_log, "data.mdb");
    if (!store_path_exists(b->data))
        return errno == EACCES ? cannot(b, PROTO_BROKEN, b->data, "read")
                               : proto_fault_set(b->fault, PROTO_NOT_FOUND, NULL, "There is no store at %s.", dir);
    int size = snprintf(b->aside, sizeof b->aside, "%s.new", b->to); /* STORE_DIR_BYTES_MAX leaves room for it */
    if (size < 0)
        return cannot(b, PROTO_BROKEN, b->to, "named");
    store_path_join(b->log, b->aside, "log.new");
    store_path_join(b->marked_log, b->aside, "log");
    store_path_join(b->data, b->log, "data.mdb");
    return PROTO_OK;
}

/* An empty directory may be there: a rename takes its place. */
static enum proto_error check_target(const struct backup *b) {
    DIR *dir = opendir(b->to);
    if (!dir && errno == ENOENT)
        return PROTO_OK;
    bool empty = dir != NULL;
    for (struct dirent *found; empty && (found = readdir(dir)) != NULL;)
        empty = strcmp(found->d_name, ".") == 0 || strcmp(found->d_name, "..") == 0;
    if (dir)
        closedir(dir);
    return empty ? PROTO_OK
                 : proto_fault_set(b->fault, PROTO_CONFLICT, NULL,
                                   "%s is there already; a backup goes to a directory of its own.", b->to);
}

static void clear_logs(const struct backup *b) {
    store_dir_remove(b->log);
    store_dir_remove(b->marked_log);
}

static void clear_aside(const struct backup *b) {
    clear_logs(b);
    store_dir_remove(b->aside);
}

/* Holds to.new for this process: whoever finds it locked leaves it alone, whoever finds it unlocked may clear it. */
static enum proto_error take_aside(struct backup *b) {
    struct stat ours, named;
    enum proto_error error = store_dir_make(b->aside);
    if (error != PROTO_OK)
        return cannot(b, error, b->aside, "made");
    int fd = open(b->aside, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return cannot(b, PROTO_BROKEN, b->aside, "opened");
    if (flock(fd, LOCK_EX | LOCK_NB) != 0 || fstat(fd, &ours) != 0 || stat(b->aside, &named) != 0 ||
        ours.st_ino != named.st_ino || ours.st_dev != named.st_dev) {
        close(fd);
        return proto_fault_set(b->fault, PROTO_IN_USE, NULL, "Another process is making a backup in %s.", b->to);
    }
    b->lock_fd = fd;
    clear_logs(b);
    error = store_dir_make(b->log);
    return error == PROTO_OK ? error : cannot(b, error, b->log, "made");
}

/* What is read back afterwards is to come from the disk, as far as the system can be asked for that. */
static enum proto_error copy_log(const struct backup *b) {
    int fd = open(b->data, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600);
    if (fd < 0)
        return cannot(b, errno == ENOSPC || errno == EDQUOT ? PROTO_FULL : PROTO_BROKEN, b->data, "made");
    enum proto_error error = store_lmdb_copy(b->from_log, fd, b->fault);
    if (error == PROTO_OK && fsync(fd) != 0)
        error = cannot(b, PROTO_BROKEN, b->data, "synced");
    if (error == PROTO_OK)
        (void)posix_fadvise(fd, 0, 0, POSIX_FADV_DONTNEED);
    close(fd);
    return error;
}

static enum proto_error put_mark(struct store_kv *log, int64_t made_at) {
    static const char *const gone[] = {"store.state", "store.view"}; /* they speak of a view that stays behind */
    uint8_t mark[STORE_BACKUP_MARK_BYTES];
    struct store_kv_txn *txn;
    enum proto_error error = log->ops->write_begin(log, &txn);
    if (error != PROTO_OK)
        return error;
    store_backup_mark_encode(made_at, mark);
    error = log->ops->put(txn, STORE_LOG_MARKS, store_bytes_of(STORE_BACKUP_MARK, sizeof STORE_BACKUP_MARK - 1),
                          store_bytes_of(mark, sizeof mark), STORE_KV_PLAIN);
    for (size_t i = 0; error == PROTO_OK && i < sizeof gone / sizeof gone[0]; i++) {
        error = log->ops->del(txn, STORE_LOG_MARKS, store_bytes_of(gone[i], strlen(gone[i])));
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    if (error == PROTO_OK)
        return log->ops->commit(txn);
    log->ops->abort(txn);
    return error;
}

static enum proto_error mark_copy(const struct backup *b, int64_t made_at) {
    char lock[STORE_PATH_BYTES];
    struct store_kv *log;
    struct store_kv_lmdb_options how = store_log_options(b->log, b->options->log_map_bytes);
    enum proto_error error = store_kv_lmdb_open(&how, &log, b->fault);
    if (error != PROTO_OK)
        return error;
    error = put_mark(log, made_at);
    log->ops->close(log);
    if (error != PROTO_OK)
        return proto_fault_set(b->fault, error, NULL, "The copy in %s cannot be marked as a backup: %s", b->aside,
                               proto_error_sentence(error));
    store_path_join(lock, b->log, "lock.mdb");
    if (unlink(lock) != 0 && errno != ENOENT)
        return cannot(b, PROTO_BROKEN, lock, "removed");
    error = store_dir_sync(b->log);
    if (error == PROTO_OK)
        error = store_path_rename(b->log, b->marked_log);
    return error == PROTO_OK ? error : cannot(b, error, b->marked_log, "put in place");
}

static enum proto_error verify_copy(const struct backup *b, struct store_identity *out) {
    struct store_options options = *b->options;
    struct store *copy;
    uint64_t bad_seq = 0;
    options.dir = b->aside;
    options.read_only = true;
    enum proto_error error = store_open(&options, &copy, b->fault);
    if (error != PROTO_OK)
        return error;
    error = store_verify_chain(copy, &bad_seq, b->fault);
    store_identity_get(copy, out);
    store_close(copy);
    return error;
}

static enum proto_error put_in_place(const struct backup *b) {
    enum proto_error error = store_dir_sync(b->aside);
    if (error != PROTO_OK)
        return cannot(b, error, b->aside, "synced");
    error = store_path_rename(b->aside, b->to);
    if (error != PROTO_OK)
        return cannot(b, error, b->to, "put in place");
    error = store_parent_sync(b->to);
    return error == PROTO_OK ? error : cannot(b, error, b->to, "synced");
}

enum proto_error store_backup(const struct store_options *options, const char *to, int64_t made_at,
                              struct store_identity *out, struct proto_fault *fault) {
    static const struct store_identity nobody;
    struct store_identity found = nobody;
    struct backup b = {.options = options, .fault = fault, .lock_fd = -1};
    enum proto_error error = take_paths(&b, to);
    if (error == PROTO_OK)
        error = check_target(&b);
    if (error == PROTO_OK)
        error = take_aside(&b);
    if (error == PROTO_OK)
        error = copy_log(&b);
    if (error == PROTO_OK)
        error = mark_copy(&b, made_at);
    if (error == PROTO_OK)
        error = verify_copy(&b, &found);
    if (error == PROTO_OK)
        error = put_in_place(&b);
    if (error != PROTO_OK && b.lock_fd >= 0)
        clear_aside(&b);
    if (b.lock_fd >= 0)
        close(b.lock_fd);
    if (error == PROTO_OK)
        *out = found;
    return error;
}
