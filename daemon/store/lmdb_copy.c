/*
 * lmdb_copy.c - an environment copied while another process writes to it.
 *
 * What always holds: LMDB's own lock file is used, so that the writer does not reuse a page that is still to be copied;
 * where that file has to be made, it belongs to whom the data belongs.
 */
#define _GNU_SOURCE
#include "store/lmdb_copy.h"

#include <errno.h>
#include <lmdb.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include "store/files.h"

#define MIB(bytes) ((unsigned long long)((bytes) + (1u << 20) - 1) >> 20)

static enum proto_error copy_fault(struct proto_fault *fault, const char *path, int rc) {
    switch (rc) {
    case ENOSPC:
    case EDQUOT:
    case EFBIG:
        return proto_fault_set(fault, PROTO_FULL, NULL, "There is no room for the copy of %s: %s.", path, strerror(rc));
    case MDB_INVALID:
    case MDB_CORRUPTED:
    case MDB_PAGE_NOTFOUND:
    case MDB_VERSION_MISMATCH:
    case MDB_INCOMPATIBLE: /* pages that no table and no list holds */
        return proto_fault_set(fault, PROTO_CORRUPT, NULL, "%s is not a store of this program, or it was damaged: %s.",
                               path, mdb_strerror(rc));
    default:
        return proto_fault_set(fault, PROTO_BROKEN, NULL, "%s cannot be copied: %s.", path, mdb_strerror(rc));
    }
}

/* What a compact copy will take: all pages but those on the free list. */
static int live_bytes(MDB_env *env, uint64_t *out) {
    MDB_envinfo info;
    MDB_stat stat;
    MDB_txn *txn;
    MDB_cursor *cursor;
    MDB_val key, value;
    uint64_t pages_free = 0;
    int rc = mdb_env_info(env, &info);
    if (rc == 0)
        rc = mdb_env_stat(env, &stat);
    if (rc == 0)
        rc = mdb_txn_begin(env, NULL, MDB_RDONLY, &txn);
    if (rc != 0)
        return rc;
    rc = mdb_cursor_open(txn, 0, &cursor); /* 0 is the free list: txnid -> count and page numbers */
    if (rc == 0) {
        while (mdb_cursor_get(cursor, &key, &value, MDB_NEXT) == 0) {
            size_t count;
            memcpy(&count, value.mv_data, sizeof count);
            pages_free += count;
        }
        mdb_cursor_close(cursor);
    }
    mdb_txn_abort(txn);
    uint64_t pages = (uint64_t)info.me_last_pgno + 1;
    *out = (pages - (pages_free < pages ? pages_free : pages)) * stat.ms_psize;
    return rc;
}

/* A copy on the disk of the store must not bring the store to `full`. */
static enum proto_error check_room(MDB_env *env, const char *path, int fd, struct proto_fault *fault) {
    struct stat from = {0}, to = {0};
    struct statvfs fs = {0};
    mdb_filehandle_t data;
    uint64_t needed = 0;
    int rc = live_bytes(env, &needed);
    if (rc == 0)
        rc = mdb_env_get_fd(env, &data);
    if (rc == 0 && (fstat(data, &from) != 0 || fstat(fd, &to) != 0 || fstatvfs(fd, &fs) != 0))
        rc = errno ? errno : EIO;
    if (rc != 0)
        return copy_fault(fault, path, rc);
    uint64_t room = (uint64_t)fs.f_bavail * fs.f_frsize;
    if (from.st_dev == to.st_dev)
        needed += STORE_DISK_RESERVE_BYTES;
    if (room >= needed)
        return PROTO_OK;
    return proto_fault_set(fault, PROTO_FULL, NULL,
                           "There is no room for the copy of %s: %llu MiB are needed and %llu MiB are free.", path,
                           MIB(needed), MIB(room));
}

/* Run by root on a store that was never opened, LMDB would make a lock file that the store's owner cannot open. */
static void give_lock_to_owner(const char *path) {
    char file[STORE_PATH_BYTES];
    struct stat data;
    store_path_join(file, path, "data.mdb");
    if (geteuid() != 0 || stat(file, &data) != 0)
        return;
    store_path_join(file, path, "lock.mdb");
    int rc = lchown(file, data.st_uid, data.st_gid);
    (void)rc; /* then the owner is told by name which file it cannot open */
}

/* The map is as large as the writer has it, so that what it adds meanwhile lies inside. */
static int open_beside(const char *path, MDB_env **out) {
    MDB_env *env;
    int rc = mdb_env_create(&env);
    if (rc != 0)
        return rc;
    rc = mdb_env_open(env, path, MDB_RDONLY | MDB_NOTLS, 0600);
    if (rc == 0)
        *out = env;
    else
        mdb_env_close(env); /* required after a failed open too */
    return rc;
}

enum proto_error store_lmdb_copy(const char *path, int fd, struct proto_fault *fault) {
    MDB_env *env = NULL;
    int dead = 0;
    int rc = open_beside(path, &env);
    if (rc != 0)
        return copy_fault(fault, path, rc);
    give_lock_to_owner(path);
    (void)mdb_reader_check(env, &dead);
    enum proto_error error = check_room(env, path, fd, fault);
    if (error == PROTO_OK) {
        rc = mdb_env_copyfd2(env, fd, MDB_CP_COMPACT);
        if (rc != 0)
            error = copy_fault(fault, path, rc);
    }
    mdb_env_close(env);
    return error;
}
