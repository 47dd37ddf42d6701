/*
 * kv_lmdb.c - the ordered store over LMDB, and the only translator of LMDB's errors.
 *
 * What always holds:
 *  - no MDB_WRITEMAP (a full disk would be a signal), no duplicate keys; MDB_NOTLS always, MDB_NOSYNC for the view alone;
 *  - the map is reserved once, at open, and never resized;
 *  - FULL is answered only when the map or the file system confirms that there is no room and the environment has no
 *    fatal error behind it; any doubt is BROKEN.
 */
#define _GNU_SOURCE
#include "store/kv.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <lmdb.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/statvfs.h>

#include "store/lmdb_check.h"

#define READERS_MAX 512
/* Write transactions between two looks for readers that died: until then their pages are not used again. */
#define READER_CHECK_EVERY 64
#define TABLES_MAX (STORE_TABLE_COUNT + 4)
#define NO_TABLE 0 /* LMDB's own for its list of free pages */
/* A failed write counts as a lack of room when less than this is left: LMDB writes at most a few hundred KiB at once. */
#define NO_ROOM_BYTES (4u << 20)

/* Address space is free, but some machines refuse a terabyte of it (limits on address space, tools that shadow it). */
static const uint64_t map_bytes_tried[] = {1ull << 40, 64ull << 30, 16ull << 30, 4ull << 30};

struct lmdb_kv {
    struct store_kv base;
    MDB_env *env;
    uint64_t map_bytes;
    size_t page_bytes;
    unsigned table_count;
    atomic_uint writes;
    MDB_dbi tables[TABLES_MAX]; /* NO_TABLE: it came later and could not be made */
};

struct lmdb_txn {
    struct store_kv_txn base;
    MDB_txn *txn;
};

struct lmdb_cursor {
    struct store_kv_cursor base;
    MDB_cursor *cursor;
};

static struct lmdb_kv *kv_of(struct store_kv *kv) {
    return (struct lmdb_kv *)(void *)kv;
}

static struct lmdb_txn *txn_of(struct store_kv_txn *txn) {
    return (struct lmdb_txn *)(void *)txn;
}

static struct lmdb_cursor *cursor_of(struct store_kv_cursor *cursor) {
    return (struct lmdb_cursor *)(void *)cursor;
}

/* LMDB takes keys and values without const and does not write to them. */
static MDB_val val_of(struct store_bytes bytes) {
    union {
        const uint8_t *in;
        void *out;
    } data = {.in = bytes.data};
    return (MDB_val){bytes.size, data.out};
}

static struct store_bytes bytes_of(MDB_val val) {
    return (struct store_bytes){(const uint8_t *)val.mv_data, val.mv_size};
}

/* --- errors ------------------------------------------------------------------------------ */

/* Whether a failed write of the meta page has left LMDB unwilling to go on. */
static bool env_is_fatal(struct lmdb_kv *kv) {
    MDB_txn *probe = NULL;
    int rc = mdb_txn_begin(kv->env, NULL, MDB_RDONLY, &probe);
    if (rc == 0)
        mdb_txn_abort(probe);
    return rc == MDB_PANIC;
}

static uint64_t map_used(const struct lmdb_kv *kv) {
    MDB_envinfo info;
    if (mdb_env_info(kv->env, &info) != 0)
        return kv->map_bytes;
    return ((uint64_t)info.me_last_pgno + 1) * kv->page_bytes;
}

static uint64_t disk_free(const struct lmdb_kv *kv) {
    mdb_filehandle_t fd;
    struct statvfs fs;
    if (mdb_env_get_fd(kv->env, &fd) != 0 || fstatvfs(fd, &fs) != 0)
        return 0;
    return (uint64_t)fs.f_bavail * fs.f_frsize;
}

static bool no_room_left(const struct lmdb_kv *kv) {
    mdb_filehandle_t fd;
    struct stat file;
    struct rlimit limit;
    if (disk_free(kv) < NO_ROOM_BYTES)
        return true;
    if (mdb_env_get_fd(kv->env, &fd) != 0 || fstat(fd, &file) != 0 || getrlimit(RLIMIT_FSIZE, &limit) != 0)
        return false;
    return limit.rlim_cur != RLIM_INFINITY && (uint64_t)file.st_size + NO_ROOM_BYTES > limit.rlim_cur;
}

static enum proto_error write_error(struct lmdb_kv *kv, int rc) {
    switch (rc) {
    case 0:
        return PROTO_OK;
    case MDB_NOTFOUND:
        return PROTO_NOT_FOUND;
    case MDB_KEYEXIST:
        return PROTO_CONFLICT;
    case MDB_TXN_FULL:
        return PROTO_TOO_LARGE;
    case MDB_MAP_FULL:
    case EDQUOT:
    case EFBIG:
        return env_is_fatal(kv) ? PROTO_BROKEN : PROTO_FULL;
    case ENOSPC:
    case EIO: /* a short write on a full disk looks like this */
        return no_room_left(kv) && !env_is_fatal(kv) ? PROTO_FULL : PROTO_BROKEN;
    default:
        return PROTO_BROKEN;
    }
}

static enum proto_error read_error(int rc) {
    switch (rc) {
    case 0:
        return PROTO_OK;
    case MDB_NOTFOUND:
        return PROTO_NOT_FOUND;
    case MDB_READERS_FULL:
        return PROTO_BUSY;
    case MDB_CORRUPTED:
    case MDB_PAGE_NOTFOUND:
    case MDB_INVALID:
        return PROTO_CORRUPT;
    default:
        return PROTO_BROKEN;
    }
}

/* --- transactions ------------------------------------------------------------------------ */

static enum proto_error txn_begin(struct lmdb_kv *kv, unsigned flags, struct store_kv_txn **out) {
    struct lmdb_txn *txn = calloc(1, sizeof *txn);
    if (!txn)
        return PROTO_BROKEN;
    txn->base.kv = &kv->base;
    int rc = mdb_txn_begin(kv->env, NULL, flags, &txn->txn);
    if (rc == MDB_READERS_FULL) { /* slots of processes that died */
        int dead = 0;
        (void)mdb_reader_check(kv->env, &dead);
        rc = mdb_txn_begin(kv->env, NULL, flags, &txn->txn);
    }
    if (rc != 0) {
        free(txn);
        return flags ? read_error(rc) : write_error(kv, rc);
    }
    *out = &txn->base;
    return PROTO_OK;
}

static enum proto_error lmdb_read_begin(struct store_kv *kv, struct store_kv_txn **out) {
    return txn_begin(kv_of(kv), MDB_RDONLY, out);
}

static void lmdb_read_reset(struct store_kv_txn *txn) {
    mdb_txn_reset(txn_of(txn)->txn);
}

static enum proto_error lmdb_read_renew(struct store_kv_txn *txn) {
    return read_error(mdb_txn_renew(txn_of(txn)->txn));
}

static enum proto_error lmdb_write_begin(struct store_kv *kv, struct store_kv_txn **out) {
    int dead = 0;
    if (atomic_fetch_add(&kv_of(kv)->writes, 1) % READER_CHECK_EVERY == 0) /* a backup that was killed */
        (void)mdb_reader_check(kv_of(kv)->env, &dead);
    return txn_begin(kv_of(kv), 0, out);
}

static enum proto_error lmdb_commit(struct store_kv_txn *txn) {
    struct lmdb_kv *kv = kv_of(txn->kv);
    MDB_txn *ended = txn_of(txn)->txn;
    free(txn); /* LMDB frees its handle whatever it answers, so ours goes first */
    return write_error(kv, mdb_txn_commit(ended));
}

static void lmdb_abort(struct store_kv_txn *txn) {
    mdb_txn_abort(txn_of(txn)->txn);
    free(txn);
}

/* --- values ------------------------------------------------------------------------------ */

static MDB_dbi table_of(const struct store_kv_txn *txn, unsigned table) {
    const struct lmdb_kv *kv = kv_of(txn->kv);
    assert(table < kv->table_count);
    return kv->tables[table];
}

static enum proto_error lmdb_get(struct store_kv_txn *txn, unsigned table, struct store_bytes key,
                                 struct store_bytes *value) {
    MDB_val key_val = val_of(key), value_val;
    MDB_dbi dbi = table_of(txn, table);
    int rc = dbi == NO_TABLE ? MDB_NOTFOUND : mdb_get(txn_of(txn)->txn, dbi, &key_val, &value_val);
    if (rc == 0)
        *value = bytes_of(value_val);
    return read_error(rc);
}

static enum proto_error lmdb_put(struct store_kv_txn *txn, unsigned table, struct store_bytes key,
                                 struct store_bytes value, enum store_kv_how how) {
    unsigned flags = how == STORE_KV_APPEND ? MDB_APPEND : how == STORE_KV_NEW ? MDB_NOOVERWRITE : 0;
    MDB_val key_val = val_of(key), value_val = val_of(value);
    MDB_dbi dbi = table_of(txn, table);
    assert(key.size > 0 && key.size <= STORE_KEY_BYTES_MAX);
    if (dbi == NO_TABLE)
        return PROTO_FULL;
    return write_error(kv_of(txn->kv), mdb_put(txn_of(txn)->txn, dbi, &key_val, &value_val, flags));
}

static enum proto_error lmdb_del(struct store_kv_txn *txn, unsigned table, struct store_bytes key) {
    MDB_val key_val = val_of(key);
    MDB_dbi dbi = table_of(txn, table);
    return dbi == NO_TABLE ? PROTO_NOT_FOUND
                           : write_error(kv_of(txn->kv), mdb_del(txn_of(txn)->txn, dbi, &key_val, NULL));
}

static uint64_t lmdb_count(struct store_kv_txn *txn, unsigned table) {
    MDB_stat stat;
    MDB_dbi dbi = table_of(txn, table);
    return dbi != NO_TABLE && mdb_stat(txn_of(txn)->txn, dbi, &stat) == 0 ? stat.ms_entries : 0;
}

/* --- cursors ----------------------------------------------------------------------------- */

static enum proto_error lmdb_cursor_open(struct store_kv_txn *txn, unsigned table, struct store_kv_cursor **out) {
    struct lmdb_cursor *cursor = calloc(1, sizeof *cursor);
    if (!cursor)
        return PROTO_BROKEN;
    cursor->base.txn = txn;
    MDB_dbi dbi = table_of(txn, table);
    int rc = dbi == NO_TABLE ? 0 : mdb_cursor_open(txn_of(txn)->txn, dbi, &cursor->cursor);
    if (rc != 0) {
        free(cursor);
        return read_error(rc);
    }
    *out = &cursor->base;
    return PROTO_OK;
}

static enum proto_error cursor_get(struct store_kv_cursor *cursor, MDB_val *key_val, MDB_cursor_op op,
                                   struct store_bytes *key, struct store_bytes *value) {
    MDB_val value_val;
    MDB_cursor *at = cursor_of(cursor)->cursor;
    int rc = at ? mdb_cursor_get(at, key_val, &value_val, op) : MDB_NOTFOUND;
    if (rc != 0)
        return read_error(rc);
    *key = bytes_of(*key_val);
    *value = bytes_of(value_val);
    return PROTO_OK;
}

static enum proto_error lmdb_cursor_seek(struct store_kv_cursor *cursor, const struct store_bytes *bound,
                                         bool backwards, struct store_bytes *key, struct store_bytes *value) {
    MDB_val key_val = {0};
    if (!bound || bound->size == 0) /* LMDB takes no empty key; nothing lies before one */
        return backwards && bound ? PROTO_NOT_FOUND
                                  : cursor_get(cursor, &key_val, backwards ? MDB_LAST : MDB_FIRST, key, value);
    key_val = val_of(*bound);
    enum proto_error error = cursor_get(cursor, &key_val, MDB_SET_RANGE, key, value);
    if (!backwards)
        return error;
    if (error != PROTO_OK && error != PROTO_NOT_FOUND)
        return error;
    return cursor_get(cursor, &key_val, error == PROTO_OK ? MDB_PREV : MDB_LAST, key, value);
}

static enum proto_error lmdb_cursor_step(struct store_kv_cursor *cursor, bool backwards, struct store_bytes *key,
                                         struct store_bytes *value) {
    MDB_val key_val;
    return cursor_get(cursor, &key_val, backwards ? MDB_PREV : MDB_NEXT, key, value);
}

static void lmdb_cursor_close(struct store_kv_cursor *cursor) {
    if (cursor_of(cursor)->cursor)
        mdb_cursor_close(cursor_of(cursor)->cursor);
    free(cursor);
}

/* --- the environment --------------------------------------------------------------------- */

static enum proto_error lmdb_sync(struct store_kv *kv) {
    return mdb_env_sync(kv_of(kv)->env, 1) == 0 ? PROTO_OK : PROTO_BROKEN;
}

/* Pages inside the file that deletes and rewrites have freed. Walks the free list, so only asked when room looks short. */
static uint64_t pages_free_inside(const struct lmdb_kv *kv) {
    MDB_txn *txn;
    MDB_cursor *cursor;
    uint64_t pages = 0;
    if (mdb_txn_begin(kv->env, NULL, MDB_RDONLY, &txn) != 0)
        return 0;
    if (mdb_cursor_open(txn, 0, &cursor) == 0) { /* 0 is the free list: txnid -> count and page numbers */
        MDB_val key, value;
        while (mdb_cursor_get(cursor, &key, &value, MDB_NEXT) == 0) {
            size_t count;
            memcpy(&count, value.mv_data, sizeof count);
            pages += count;
        }
        mdb_cursor_close(cursor);
    }
    mdb_txn_abort(txn);
    return pages;
}

static void lmdb_usage(struct store_kv *base, struct store_kv_usage *out) {
    struct lmdb_kv *kv = kv_of(base);
    out->map = kv->map_bytes;
    out->used = map_used(kv);
    out->disk_free = disk_free(kv);
    if (out->used > kv->map_bytes / 2) {
        uint64_t inside = pages_free_inside(kv) * kv->page_bytes;
        out->used -= inside < out->used ? inside : out->used;
    }
}

static void lmdb_close(struct store_kv *kv) {
    mdb_env_close(kv_of(kv)->env);
    free(kv);
}

static const struct store_kv_ops lmdb_ops = {
    .read_begin = lmdb_read_begin,
    .read_reset = lmdb_read_reset,
    .read_renew = lmdb_read_renew,
    .write_begin = lmdb_write_begin,
    .commit = lmdb_commit,
    .abort = lmdb_abort,
    .get = lmdb_get,
    .put = lmdb_put,
    .del = lmdb_del,
    .cursor_open = lmdb_cursor_open,
    .cursor_seek = lmdb_cursor_seek,
    .cursor_step = lmdb_cursor_step,
    .cursor_close = lmdb_cursor_close,
    .count = lmdb_count,
    .sync = lmdb_sync,
    .usage = lmdb_usage,
    .close = lmdb_close,
};

static int env_open(const struct store_kv_lmdb_options *options, uint64_t map_bytes, MDB_env **out) {
    unsigned flags =
        MDB_NOTLS | (options->nosync ? MDB_NOSYNC : 0) | (options->read_only ? MDB_RDONLY | MDB_NOLOCK : 0);
    MDB_env *env;
    int rc = mdb_env_create(&env);
    if (rc != 0)
        return rc;
    rc = mdb_env_set_maxreaders(env, READERS_MAX);
    if (rc == 0)
        rc = mdb_env_set_maxdbs(env, TABLES_MAX);
    if (rc == 0)
        rc = mdb_env_set_mapsize(env, map_bytes);
    if (rc == 0)
        rc = mdb_env_open(env, options->path, flags, 0600);
    if (rc != 0) {
        mdb_env_close(env); /* required after a failed open too */
        return rc;
    }
    *out = env;
    return 0;
}

/* With no size given, smaller ones are tried when the machine refuses the address space. */
static int env_open_with_fallback(const struct store_kv_lmdb_options *options, MDB_env **out) {
    if (options->map_bytes)
        return env_open(options, options->map_bytes, out);
    int rc = ENOMEM;
    for (size_t i = 0; rc == ENOMEM && i < sizeof map_bytes_tried / sizeof *map_bytes_tried; i++)
        rc = env_open(options, map_bytes_tried[i], out);
    return rc;
}

/* The format is looked at before any other table, so that a newer one is known by its number whatever else changed. */
static int format_check(struct lmdb_kv *kv, const struct store_kv_lmdb_options *options, MDB_txn *txn,
                        uint32_t *found) {
    uint8_t ours[4] = {(uint8_t)(options->format >> 24), (uint8_t)(options->format >> 16),
                       (uint8_t)(options->format >> 8), (uint8_t)options->format};
    MDB_val key = val_of((struct store_bytes){(const uint8_t *)STORE_FORMAT_KEY, sizeof STORE_FORMAT_KEY - 1});
    MDB_val value = val_of((struct store_bytes){ours, sizeof ours});
    MDB_dbi *table = &kv->tables[options->format_table];
    int rc = mdb_dbi_open(txn, options->names[options->format_table], options->create ? MDB_CREATE : 0, table);
    if (rc == 0)
        rc = options->create ? mdb_put(txn, *table, &key, &value, 0) : mdb_get(txn, *table, &key, &value);
    if (rc != 0)
        return rc;
    if (value.mv_size != sizeof ours)
        return MDB_INVALID;
    const uint8_t *at = value.mv_data;
    *found = (uint32_t)at[0] << 24 | (uint32_t)at[1] << 16 | (uint32_t)at[2] << 8 | at[3];
    return *found < options->format ? MDB_INVALID : *found > options->format ? MDB_VERSION_MISMATCH : 0;
}

static int tables_open(struct lmdb_kv *kv, const struct store_kv_lmdb_options *options, uint32_t *format) {
    MDB_txn *txn;
    int rc = mdb_txn_begin(kv->env, NULL, options->create ? 0 : MDB_RDONLY, &txn);
    if (rc != 0)
        return rc;
    rc = format_check(kv, options, txn, format);
    for (unsigned i = 0; rc == 0 && i < options->table_count; i++) {
        rc = mdb_dbi_open(txn, options->names[i], options->create ? MDB_CREATE : 0, &kv->tables[i]);
        if (rc == MDB_NOTFOUND && i + options->later_count >= options->table_count)
            rc = 0; /* the handle stays NO_TABLE */
    }
    if (rc != 0) {
        mdb_txn_abort(txn);
        return rc;
    }
    return mdb_txn_commit(txn); /* a read transaction's commit keeps the table handles */
}

/* Makes one table of an environment that is older than it. On a full disk the environment still opens, for reading. */
static int later_table_make(struct lmdb_kv *kv, const char *name, MDB_dbi *table) {
    MDB_txn *txn;
    MDB_dbi made;
    int rc = mdb_txn_begin(kv->env, NULL, 0, &txn);
    if (rc == 0) {
        rc = mdb_dbi_open(txn, name, MDB_CREATE, &made);
        if (rc == 0)
            rc = mdb_txn_commit(txn);
        else
            mdb_txn_abort(txn);
    }
    if (rc == 0)
        *table = made;
    return rc != 0 && write_error(kv, rc) == PROTO_FULL ? 0 : rc;
}

static int later_tables_make(struct lmdb_kv *kv, const struct store_kv_lmdb_options *options) {
    int rc = 0;
    for (unsigned i = options->table_count - options->later_count; rc == 0 && i < options->table_count; i++)
        if (kv->tables[i] == NO_TABLE)
            rc = later_table_make(kv, options->names[i], &kv->tables[i]);
    return rc;
}

static enum proto_error open_fault(struct proto_fault *fault, const struct store_kv_lmdb_options *options,
                                   uint32_t format, int rc) {
    const char *path = options->path;
    if (format > options->format)
        return proto_fault_set(fault, PROTO_NEWER, NULL,
                               "%s was written by a newer version: its format is %u and this version reads up to %u. "
                               "Nothing was changed.",
                               path, (unsigned)format, (unsigned)options->format);
    bool corrupt = rc == MDB_INVALID || rc == MDB_CORRUPTED || rc == MDB_NOTFOUND || rc == MDB_PAGE_NOTFOUND ||
                   rc == MDB_INCOMPATIBLE || rc == MDB_VERSION_MISMATCH || rc == MDB_BAD_TXN;
    if (corrupt)
        return proto_fault_set(fault, PROTO_CORRUPT, NULL, "%s is not a store of this program, or it was damaged: %s.",
                               path, mdb_strerror(rc));
    if (rc == ENOSPC || rc == EDQUOT || rc == EFBIG || rc == MDB_MAP_FULL)
        return proto_fault_set(fault, PROTO_FULL, NULL, "There is no room to open %s: %s.", path, mdb_strerror(rc));
    return proto_fault_set(fault, PROTO_BROKEN, NULL, "%s cannot be opened: %s.", path, mdb_strerror(rc));
}

static int facts_get(struct lmdb_kv *kv) {
    MDB_envinfo info;
    MDB_stat stat;
    mdb_filehandle_t fd;
    int rc = mdb_env_info(kv->env, &info);
    if (rc == 0)
        rc = mdb_env_stat(kv->env, &stat);
    if (rc == 0)
        rc = mdb_env_get_fd(kv->env, &fd);
    if (rc != 0)
        return rc;
    kv->map_bytes = info.me_mapsize;
    kv->page_bytes = stat.ms_psize;
    return fcntl(fd, F_SETFD, FD_CLOEXEC) == 0 ? 0 : errno; /* LMDB leaves this one to be inherited */
}

enum proto_error store_kv_lmdb_open(const struct store_kv_lmdb_options *options, struct store_kv **out,
                                    struct proto_fault *fault) {
    assert(options->table_count <= TABLES_MAX && options->later_count < options->table_count);
    if (!options->create) {
        enum proto_error error = options->read_only ? store_lmdb_check_pages(options->path, fault)
                                                    : store_lmdb_check_size(options->path, fault);
        if (error != PROTO_OK)
            return error;
    }
    uint32_t format = 0;
    struct lmdb_kv *kv = calloc(1, sizeof *kv);
    int rc = kv ? env_open_with_fallback(options, &kv->env) : ENOMEM;
    if (rc != 0)
        goto no_env;
    int dead = 0;
    if (!options->read_only)
        (void)mdb_reader_check(kv->env, &dead);
    rc = tables_open(kv, options, &format);
    if (rc == 0)
        rc = facts_get(kv);
    if (rc == 0 && !options->read_only)
        rc = later_tables_make(kv, options);
    if (rc != 0)
        goto no_tables;
    kv->base.ops = &lmdb_ops;
    kv->table_count = options->table_count;
    *out = &kv->base;
    return PROTO_OK;
no_tables:
    mdb_env_close(kv->env);
no_env:
    free(kv);
    return open_fault(fault, options, format, rc);
}
