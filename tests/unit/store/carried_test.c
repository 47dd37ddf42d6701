/*
 * carried_test.c - what carrying events between nodes leaves in a log, through backup and restore; and logs from before there
 * was a table of receipts.
 */
#define _GNU_SOURCE
#include "help.h"

#include <lmdb.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

#define MADE_AT 1700000000000

struct fixture {
    char dir[64], store[96], copy[96], other[96];
};

static int setup(void **state) {
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    help_dir_make(f->dir);
    (void)snprintf(f->store, sizeof f->store, "%s/store", f->dir);
    (void)snprintf(f->copy, sizeof f->copy, "%s/copy", f->dir);
    (void)snprintf(f->other, sizeof f->other, "%s/other", f->dir);
    *state = f;
    return 0;
}

static int teardown(void **state) {
    struct fixture *f = *state;
    help_dir_remove(f->dir);
    free(f);
    return 0;
}

static void make_store(const char *dir, uint64_t events) {
    struct store *store = help_open(dir);
    if (events > 0) {
        assert_int_equal(help_commit_events(store, 1, events), PROTO_OK);
        assert_int_equal(help_commit_view(store, 1, events), PROTO_OK);
    }
    store_close(store);
}

static enum proto_error backup(const char *from, const char *to, struct store_identity *out,
                               struct proto_fault *fault) {
    struct store_options options = help_options(from);
    *fault = (struct proto_fault){0};
    return store_backup(&options, to, MADE_AT, out, fault);
}

static enum proto_error restore(const char *from, const char *to, struct store_identity *was,
                                struct store_identity *out, struct proto_fault *fault) {
    struct store_options options = help_options(to);
    for (uint64_t i = 0; i < 3; i++)
        options.fresh_ids[i] = help_id(0xe00000 + i);
    *fault = (struct proto_fault){0};
    return store_restore(&options, from, MADE_AT + 1, was, out, fault);
}

static struct store *open_to_read(const char *dir) {
    struct store_options options = help_options(dir);
    options.read_only = true;
    return help_open_with(&options);
}

/* Every event of the log is event n of help_event at seq n, and none is behind the last. */
static void check_events(struct store *store, uint64_t last) {
    struct store_kv_txn *txn;
    struct store_event found;
    assert_int_equal(store->log->ops->read_begin(store->log, &txn), PROTO_OK);
    for (uint64_t n = 1; n <= last; n++) {
        char body[64];
        struct store_event wanted = help_event(n, body);
        assert_int_equal(store_log_get_event(txn, n, &found), PROTO_OK);
        assert_memory_equal(&found.id, &wanted.id, sizeof found.id);
        assert_memory_equal(&found.via, &wanted.via, sizeof found.via);
        assert_memory_equal(found.nonce, wanted.nonce, sizeof found.nonce);
        assert_true(found.received_at == wanted.received_at);
        assert_true(help_bytes_are(found.body, wanted.body.data, wanted.body.size));
    }
    assert_int_equal(store_log_get_event(txn, last + 1, &found), PROTO_NOT_FOUND);
    store->log->ops->abort(txn);
}

static enum proto_error get_mark(struct store *store, const char *name, uint8_t *out, size_t *size) {
    struct store_kv_txn *txn;
    struct store_bytes value = {0};
    assert_int_equal(store->log->ops->read_begin(store->log, &txn), PROTO_OK);
    enum proto_error error = store->log->ops->get(txn, STORE_LOG_MARKS, store_bytes_of(name, strlen(name)), &value);
    if (error == PROTO_OK) {
        assert_true(value.size <= STORE_MARK_BYTES_MAX);
        memcpy(out, value.data, value.size);
        *size = value.size;
    }
    store->log->ops->abort(txn);
    return error;
}

/* What carrying events between nodes left in a log goes along: bodies that went, ids that came back, joined events, receipts, marks. */
static void make_entries(const char *dir) {
    char body[64];
    make_store(dir, 9);
    struct store *store = help_open(dir);
    struct store_event joined = help_event(10, body);
    joined.joined = true;
    help_remove_body(store, 4);
    struct store_log *log = help_log_begin(store);
    assert_int_equal(store_log_append(log, &joined), PROTO_OK);
    assert_int_equal(help_append_other(log, 4, "back", false), PROTO_OK);
    assert_int_equal(help_append_other(log, 5, "theirs", true), PROTO_OK);
    for (uint64_t n = 1; n <= 9; n++)
        assert_int_equal(help_put_receipt(log, n, (int64_t)n, (uint8_t)n), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "work.site-key", "secret", 6), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "link.cursor", "here", 4), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    store_close(store);
}

static void check_entries(struct store *store) {
    struct store_kv_txn *txn;
    struct store_event event;
    struct store_bytes value;
    uint8_t mark[STORE_MARK_BYTES_MAX];
    uint64_t seq = 0;
    size_t size = 0;
    struct proto_id four = help_id(4), five = help_id(5);
    const struct store_kv_ops *ops = store->log->ops;
    help_check_chain(store);
    assert_int_equal(ops->read_begin(store->log, &txn), PROTO_OK);
    assert_int_equal(store_log_get_event(txn, 4, &event), PROTO_OK);
    assert_int_equal(event.body.size, 0);
    assert_int_equal(store_log_get_event(txn, 9, &event), PROTO_OK);
    assert_false(event.joined);
    assert_int_equal(store_log_get_event(txn, 10, &event), PROTO_OK);
    assert_true(event.joined);
    assert_int_equal(store_log_get_seq(txn, &four, &seq), PROTO_OK);
    assert_int_equal(seq, 11);
    assert_int_equal(store_log_get_seq(txn, &five, &seq), PROTO_OK);
    assert_int_equal(seq, 12);
    assert_int_equal(ops->count(txn, STORE_LOG_RECEIPTS), 9);
    assert_int_equal(ops->get(txn, STORE_LOG_RECEIPTS, store_bytes_of(four.bytes, 16), &value), PROTO_OK);
    assert_true(help_bytes_are(value, "\0\0\0\0\0\0\0\4\4\4\4\4\4\4\4\4\4\4\4\4\4\4\4\4", 24));
    ops->abort(txn);
    assert_int_equal(get_mark(store, "work.site-key", mark, &size), PROTO_OK);
    assert_memory_equal(mark, "secret", size);
    assert_int_equal(get_mark(store, "link.cursor", mark, &size), PROTO_OK);
    assert_memory_equal(mark, "here", size);
}

static void entries_go_along(void **state) {
    struct fixture *f = *state;
    struct store_identity was, made;
    struct proto_fault fault;
    make_entries(f->store);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    struct store *store = open_to_read(f->copy);
    check_entries(store);
    store_close(store);
    assert_int_equal(restore(f->copy, f->other, &was, &made, &fault), PROTO_OK);
    store = help_open(f->other);
    check_entries(store);
    store_close(store);
}

/* As a version without receipts left it. */
static void forget_receipts(const char *dir) {
    char log[128];
    MDB_env *env;
    MDB_txn *txn;
    MDB_dbi receipts;
    (void)snprintf(log, sizeof log, "%s/log", dir);
    assert_int_equal(mdb_env_create(&env), 0);
    assert_int_equal(mdb_env_set_maxdbs(env, 8), 0);
    assert_int_equal(mdb_env_set_mapsize(env, HELP_MAP_BYTES), 0);
    assert_int_equal(mdb_env_open(env, log, MDB_NOTLS, 0600), 0);
    assert_int_equal(mdb_txn_begin(env, NULL, 0, &txn), 0);
    assert_int_equal(mdb_dbi_open(txn, "receipts", 0, &receipts), 0);
    assert_int_equal(mdb_drop(txn, receipts, 1), 0);
    assert_int_equal(mdb_txn_commit(txn), 0);
    mdb_env_close(env);
}

static void expect_no_receipts(struct store *store) {
    struct store_kv_txn *txn;
    struct store_kv_cursor *cursor;
    struct store_bytes key, value;
    const struct store_kv_ops *ops = store->log->ops;
    assert_int_equal(ops->read_begin(store->log, &txn), PROTO_OK);
    assert_int_equal(ops->get(txn, STORE_LOG_RECEIPTS, store_bytes_of("k", 1), &value), PROTO_NOT_FOUND);
    assert_int_equal(ops->count(txn, STORE_LOG_RECEIPTS), 0);
    assert_int_equal(ops->cursor_open(txn, STORE_LOG_RECEIPTS, &cursor), PROTO_OK);
    assert_int_equal(ops->cursor_seek(cursor, NULL, false, &key, &value), PROTO_NOT_FOUND);
    assert_int_equal(ops->cursor_seek(cursor, NULL, true, &key, &value), PROTO_NOT_FOUND);
    ops->cursor_close(cursor);
    ops->abort(txn);
    help_check_chain(store);
}

/* A log from before there were receipts: read without them, backed up, restored, opened and given them. */
static void log_without_receipts(void **state) {
    struct fixture *f = *state;
    struct store_identity was, made;
    struct proto_fault fault;
    make_store(f->store, 9);
    forget_receipts(f->store);
    struct store *store = open_to_read(f->store);
    expect_no_receipts(store);
    assert_false(help_identity(store).view_lost);
    store_close(store);
    assert_int_equal(restore(f->store, f->other, &was, &made, &fault), PROTO_OK);
    store = help_open(f->other);
    expect_no_receipts(store);
    store_close(store);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    store = open_to_read(f->copy);
    expect_no_receipts(store);
    store_close(store);
    store = help_open(f->store);
    assert_false(help_identity(store).view_lost);
    check_events(store, 9);
    struct store_log *log = help_log_begin(store);
    assert_int_equal(help_put_receipt(log, 3, 3, 3), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_check_chain(store);
    store_close(store);
}

/* The same with no room for one more table: it opens and reads, has no room for a receipt, and is given the table later on. */
static int open_without_room(const char *dir) {
    struct rlimit room = {.rlim_cur = 4096, .rlim_max = RLIM_INFINITY};
    (void)signal(SIGXFSZ, SIG_IGN);
    if (setrlimit(RLIMIT_FSIZE, &room) != 0)
        return 2;
    struct store *store = help_open(dir);
    room.rlim_cur = RLIM_INFINITY;
    if (setrlimit(RLIMIT_FSIZE, &room) != 0)
        return 3;
    expect_no_receipts(store);
    struct store_log *log = help_log_begin(store);
    if (help_put_receipt(log, 3, 3, 3) != PROTO_FULL || store_log_commit(log) != PROTO_FULL || store_broken(store))
        return 4;
    if (help_commit_events(store, 10, 11) != PROTO_OK)
        return 5;
    store_close(store);
    store = help_open(dir);
    log = help_log_begin(store);
    if (help_put_receipt(log, 3, 3, 3) != PROTO_OK || store_log_commit(log) != PROTO_OK)
        return 6;
    help_check_chain(store);
    store_close(store);
    return 0;
}

static void log_without_receipts_or_room(void **state) {
    struct fixture *f = *state;
    make_store(f->store, 9);
    forget_receipts(f->store);
    (void)fflush(NULL);
    pid_t child = fork(); /* a limit is for life */
    assert_true(child >= 0);
    if (child == 0) {
        (void)alarm(120);
        _exit(open_without_room(f->store));
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(entries_go_along, setup, teardown),
        cmocka_unit_test_setup_teardown(log_without_receipts, setup, teardown),
        cmocka_unit_test_setup_teardown(log_without_receipts_or_room, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
