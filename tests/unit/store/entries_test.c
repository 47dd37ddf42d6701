/*
 * entries_test.c - what store.h promises to those who carry events between nodes: bodies that go, ids that come back, events
 * joined to a call, receipts, marks, another node id; on the LMDB store and on the one in memory alike.
 */
#include "help.h"

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>

struct fixture {
    char dir[64];
    bool memory;
    struct store *store;
};

static int setup(void **state, bool memory) {
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    f->memory = memory;
    if (!memory)
        help_dir_make(f->dir);
    f->store = help_open(memory ? NULL : f->dir);
    *state = f;
    return 0;
}

static int setup_lmdb(void **state) {
    return setup(state, false);
}

static int setup_memory(void **state) {
    return setup(state, true);
}

static int teardown(void **state) {
    struct fixture *f = *state;
    store_close(f->store);
    if (!f->memory)
        help_dir_remove(f->dir);
    free(f);
    return 0;
}

/* --- helpers ------------------------------------------------------------------------------ */

/* As after a crash of the process, in memory; closed and opened again, on disk. */
static struct store *restart(struct fixture *f) {
    if (f->memory) {
        store_memory_crash(f->store, false);
        return f->store;
    }
    store_close(f->store);
    return f->store = help_open(f->dir);
}

/* The event at seq n is event n of help_event, but for its body and nonce. */
static void check_removed(struct store_txn *txn, uint64_t n) {
    static const uint8_t none[STORE_NONCE_BYTES];
    char body[64];
    struct store_event found, wanted = help_event(n, body);
    assert_int_equal(store_read_event(txn, n, &found), PROTO_OK);
    assert_int_equal(found.body.size, 0);
    assert_memory_equal(found.nonce, none, sizeof none);
    assert_memory_equal(&found.id, &wanted.id, sizeof found.id);
    assert_memory_equal(&found.via, &wanted.via, sizeof found.via);
    assert_true(found.seq == n && found.received_at == wanted.received_at);
}

static void expect_seq(struct store_txn *txn, uint64_t n, uint64_t wanted) {
    struct proto_id id = help_id(n);
    uint64_t seq = 0;
    assert_int_equal(store_read_find(txn, &id, &seq), PROTO_OK);
    assert_int_equal(seq, wanted);
}

/* --- events ------------------------------------------------------------------------------- */

static void joined_events_stay_joined(void **state) {
    struct fixture *f = *state;
    struct store_event event;
    char body[64];
    struct store_log *log = help_log_begin(f->store);
    for (uint64_t n = 1; n <= 6; n++) {
        event = help_event(n, body);
        event.joined = n == 2 || n == 3 || n == 6;
        assert_int_equal(store_log_append(log, &event), PROTO_OK);
    }
    assert_int_equal(store_log_read(log, 3, &event), PROTO_OK);
    assert_true(event.joined && !event.supersedes);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_remove_body(f->store, 3);
    help_remove_body(f->store, 4);
    struct store_txn *txn = help_read_begin(restart(f));
    for (uint64_t n = 1; n <= 6; n++) {
        assert_int_equal(store_read_event(txn, n, &event), PROTO_OK);
        assert_int_equal(event.joined, n == 2 || n == 3 || n == 6);
        assert_int_equal(event.body.size == 0, n == 3 || n == 4);
    }
    store_read_end(txn);
    help_check_chain(f->store);
}

static void a_body_goes_and_the_rest_stays(void **state) {
    struct fixture *f = *state;
    struct store_event event;
    assert_int_equal(help_commit_events(f->store, 1, 5), PROTO_OK);
    struct store_identity before = help_identity(f->store);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(store_log_remove_body(log, 3), PROTO_OK);
    assert_int_equal(store_log_read(log, 3, &event), PROTO_OK);
    assert_int_equal(event.body.size, 0);
    assert_int_equal(help_append(log, 6), PROTO_OK);
    assert_int_equal(store_log_remove_body(log, 6), PROTO_OK); /* of this transaction */
    assert_int_equal(store_log_remove_body(log, 0), PROTO_NOT_FOUND);
    assert_int_equal(store_log_remove_body(log, 7), PROTO_NOT_FOUND);
    assert_int_equal(store_log_remove_body(log, 3), PROTO_OK); /* it has none any more */
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_remove_body(f->store, 3);
    help_check_chain(f->store);
    struct store_txn *txn = help_read_begin(restart(f));
    for (uint64_t n = 1; n <= 6; n++) {
        if (n == 3 || n == 6)
            check_removed(txn, n);
        else
            help_check_event(txn, n);
        expect_seq(txn, n, n);
    }
    uint8_t chain[PROTO_HASH_BYTES];
    assert_int_equal(store_read_chain(txn, 5, chain), PROTO_OK);
    assert_memory_equal(chain, before.chain, sizeof chain);
    store_read_end(txn);
    assert_int_equal(help_commit_events(f->store, 7, 8), PROTO_OK);
    help_check_chain(f->store);
}

static void an_aborted_removal_is_none(void **state) {
    struct fixture *f = *state;
    assert_int_equal(help_commit_events(f->store, 1, 3), PROTO_OK);
    struct store_txn *old = help_read_begin(f->store);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(store_log_remove_body(log, 2), PROTO_OK);
    help_check_event(old, 2);
    store_log_abort(log);
    store_read_end(old);
    struct store_txn *txn = help_read_begin(f->store);
    help_check_event(txn, 2);
    help_remove_body(f->store, 2);
    help_check_event(txn, 2); /* who reads already goes on reading what was there */
    store_read_end(txn);
    txn = help_read_begin(f->store);
    check_removed(txn, 2);
    store_read_end(txn);
}

static void an_id_comes_back_when_its_body_went(void **state) {
    struct fixture *f = *state;
    struct store_event event;
    uint64_t seq = 0;
    struct proto_id two = help_id(2);
    assert_int_equal(help_commit_events(f->store, 1, 4), PROTO_OK);
    help_remove_body(f->store, 2);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(help_append_other(log, 3, "other", false), PROTO_CONFLICT); /* that one has its body */
    assert_int_equal(store_log_end(log), 4);
    assert_int_equal(help_append_other(log, 2, "back again", false), PROTO_OK);
    assert_int_equal(store_log_end(log), 5);
    assert_int_equal(store_log_find(log, &two, &seq), PROTO_OK);
    assert_int_equal(seq, 5);
    assert_int_equal(help_append_other(log, 2, "once more", false), PROTO_CONFLICT);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_check_chain(f->store);
    help_remove_body(f->store, 5); /* and it goes and comes once more */
    log = help_log_begin(f->store);
    assert_int_equal(help_append_other(log, 2, "for the third time", false), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    struct store_txn *txn = help_read_begin(restart(f));
    check_removed(txn, 2);
    expect_seq(txn, 2, 6);
    assert_int_equal(store_read_event(txn, 6, &event), PROTO_OK);
    assert_true(help_bytes_are(event.body, "for the third time", 18));
    store_read_end(txn);
    help_check_chain(f->store);
}

static void an_event_supersedes_another(void **state) {
    struct fixture *f = *state;
    struct store_event event;
    assert_int_equal(help_commit_events(f->store, 1, 3), PROTO_OK);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(help_append_other(log, 2, "theirs", true), PROTO_OK);
    assert_int_equal(help_append_other(log, 9, "new", true), PROTO_OK); /* nothing to supersede */
    assert_int_equal(help_append_other(log, 9, "newer", true), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    struct store_txn *txn = help_read_begin(restart(f));
    help_check_event(txn, 2); /* stays where it is */
    expect_seq(txn, 2, 4);
    expect_seq(txn, 9, 6);
    assert_int_equal(store_read_event(txn, 4, &event), PROTO_OK);
    assert_true(help_bytes_are(event.body, "theirs", 6) && !event.supersedes);
    store_read_end(txn);
    help_check_chain(f->store);
}

static void a_body_may_wrap_an_event(void **state) {
    struct fixture *f = *state;
    static uint8_t body[STORE_BODY_BYTES_MAX];
    struct store_event event = {.id = help_id(1), .joined = true, .body = {body, sizeof body}}, back;
    memset(body, 0xc1, sizeof body);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(store_log_append(log, &event), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    struct store_txn *txn = help_read_begin(restart(f));
    assert_int_equal(store_read_event(txn, 1, &back), PROTO_OK);
    assert_true(back.joined && help_bytes_are(back.body, body, sizeof body));
    store_read_end(txn);
    help_remove_body(f->store, 1);
    help_check_chain(f->store);
}

/* --- marks, receipts, the node -------------------------------------------------------------- */

static void marks_are_read_and_deleted(void **state) {
    struct fixture *f = *state;
    struct store_bytes mark;
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(store_log_mark_read(log, "work.removing", &mark), PROTO_NOT_FOUND);
    assert_int_equal(store_log_mark_delete(log, "work.removing"), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "work.removing", "7", 1), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "work.stays", "8", 1), PROTO_OK);
    assert_int_equal(store_log_mark_read(log, "work.removing", &mark), PROTO_OK);
    assert_true(help_bytes_are(mark, "7", 1));
    assert_int_equal(store_log_commit(log), PROTO_OK);
    log = help_log_begin(f->store);
    assert_int_equal(store_log_mark_delete(log, "work.removing"), PROTO_OK);
    assert_int_equal(store_log_mark_read(log, "work.removing", &mark), PROTO_NOT_FOUND);
    store_log_abort(log);
    log = help_log_begin(f->store);
    assert_int_equal(store_log_mark_read(log, "work.removing", &mark), PROTO_OK);
    assert_int_equal(store_log_mark_delete(log, "work.removing"), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    struct store_txn *txn = help_read_begin(restart(f));
    assert_int_equal(store_read_mark(txn, "work.removing", &mark), PROTO_NOT_FOUND);
    assert_int_equal(store_read_mark(txn, "work.stays", &mark), PROTO_OK);
    store_read_end(txn);
}

struct names {
    char text[256];
    unsigned left;
};

static bool add_name(void *arg, const char *name, struct store_bytes value) {
    struct names *names = arg;
    strcat(names->text, name);
    strcat(names->text, "=");
    strncat(names->text, (const char *)value.data, value.size);
    strcat(names->text, " ");
    return --names->left > 0;
}

static void expect_marks(struct store_txn *txn, const char *prefix, unsigned most, const char *wanted) {
    struct names names = {.left = most};
    assert_int_equal(store_read_marks(txn, prefix, add_name, &names), PROTO_OK);
    assert_string_equal(names.text, wanted);
}

static void marks_of_one_kind(void **state) {
    struct fixture *f = *state;
    static const char *const names[] = {"node.b", "node.", "nodf", "node.a", "nod", "node.bb", "zz", "node"};
    struct store_log *log = help_log_begin(f->store);
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        char value = (char)('0' + i);
        assert_int_equal(store_log_mark_put(log, names[i], &value, 1), PROTO_OK);
    }
    assert_int_equal(store_log_commit(log), PROTO_OK);
    struct store_txn *txn = help_read_begin(f->store);
    expect_marks(txn, "node.", 99, "node.=1 node.a=3 node.b=0 node.bb=5 ");
    expect_marks(txn, "node.", 2, "node.=1 node.a=3 ");
    expect_marks(txn, "node.b", 99, "node.b=0 node.bb=5 ");
    expect_marks(txn, "node.c", 99, "");
    expect_marks(txn, "zz", 99, "zz=6 ");
    expect_marks(txn, "zzz", 99, "");
    store_read_end(txn);
}

static void expect_receipt(struct store_txn *txn, uint64_t n, int64_t received_at, uint8_t byte) {
    struct proto_id id = help_id(n);
    uint8_t receipt[STORE_RECEIPT_BYTES], wanted[STORE_RECEIPT_BYTES];
    int64_t moment = 0;
    memset(wanted, byte, sizeof wanted);
    assert_int_equal(store_read_receipt(txn, &id, &moment, receipt), PROTO_OK);
    assert_true(moment == received_at);
    assert_memory_equal(receipt, wanted, sizeof wanted);
}

static void receipts_are_kept(void **state) {
    struct fixture *f = *state;
    struct proto_id three = help_id(3);
    uint8_t receipt[STORE_RECEIPT_BYTES];
    int64_t moment;
    assert_int_equal(help_commit_events(f->store, 1, 3), PROTO_OK);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(help_put_receipt(log, 1, -5, 1), PROTO_OK);
    assert_int_equal(help_put_receipt(log, 2, INT64_MAX, 2), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    log = help_log_begin(f->store);
    assert_int_equal(help_put_receipt(log, 2, 8, 4), PROTO_OK); /* the upstream was restored and gave another */
    assert_int_equal(help_put_receipt(log, 3, 9, 9), PROTO_OK);
    store_log_abort(log);
    log = help_log_begin(f->store);
    assert_int_equal(help_put_receipt(log, 2, 8, 5), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_remove_body(f->store, 1); /* the word for it outlives it */
    struct store_txn *txn = help_read_begin(restart(f));
    expect_receipt(txn, 1, -5, 1);
    expect_receipt(txn, 2, 8, 5);
    assert_int_equal(store_read_receipt(txn, &three, &moment, receipt), PROTO_NOT_FOUND);
    store_read_end(txn);
    help_check_chain(f->store);
}

static void expect_node(const struct store *store, const struct proto_id *node) {
    struct store_identity identity = help_identity(store);
    assert_memory_equal(&identity.node, node, sizeof *node);
}

static void another_node_from_the_commit_on(void **state) {
    struct fixture *f = *state;
    struct proto_id first = help_id(0xf00001), second = help_id(0xabc);
    struct store_identity before = help_identity(f->store);
    struct store_log *log = help_log_begin(f->store);
    assert_int_equal(store_log_renew_node(log, &second), PROTO_OK);
    assert_int_equal(help_append(log, 1), PROTO_OK);
    expect_node(f->store, &first);
    store_log_abort(log);
    assert_int_equal(help_commit_events(f->store, 1, 1), PROTO_OK);
    expect_node(f->store, &first); /* that one is not ours to take over */
    log = help_log_begin(f->store);
    assert_int_equal(store_log_renew_node(log, &second), PROTO_OK);
    if (f->memory) { /* a crash before the commit */
        store_memory_crash(f->store, false);
        expect_node(f->store, &first);
        log = help_log_begin(f->store);
        assert_int_equal(store_log_renew_node(log, &second), PROTO_OK);
    }
    assert_int_equal(store_log_commit(log), PROTO_OK);
    for (int i = 0; i < 2; i++) {
        struct store_identity after = help_identity(f->store);
        assert_memory_equal(&after.node, &second, sizeof second);
        assert_memory_equal(&after.log, &before.log, sizeof after.log);
        assert_int_equal(after.log_seq, 1);
        (void)restart(f);
    }
}

/* --- all or nothing ------------------------------------------------------------------------- */

/* Everything of this file in one transaction. */
static enum proto_error change_all(struct store *store) {
    struct store_log *log;
    struct proto_id node = help_id(0xabc);
    enum proto_error error = store_log_begin(store, &log);
    if (error != PROTO_OK)
        return error;
    enum proto_error steps[7];
    bool failed = false;
    steps[0] = store_log_remove_body(log, 2);
    steps[1] = help_append_other(log, 2, "back", false);
    steps[2] = help_append_other(log, 3, "theirs", true);
    steps[3] = help_put_receipt(log, 2, 5, 5);
    steps[4] = store_log_mark_delete(log, "old");
    steps[5] = store_log_mark_put(log, "new", "1", 1);
    steps[6] = store_log_renew_node(log, &node);
    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++) {
        assert_true(!failed || steps[i] != PROTO_OK); /* the first failure is the answer of all that follow */
        failed = failed || steps[i] != PROTO_OK;
    }
    if (failed) {
        struct store_bytes mark;
        assert_int_not_equal(store_log_mark_read(log, "new", &mark), PROTO_OK);
    }
    error = store_log_commit(log);
    assert_true(!failed || error != PROTO_OK);
    return error;
}

static void expect_all_or_nothing(struct store *store, bool all) {
    struct store_bytes mark;
    struct proto_id two = help_id(2), node = help_id(all ? 0xabc : 0xf00001);
    uint8_t receipt[STORE_RECEIPT_BYTES];
    int64_t moment;
    struct store_identity identity = help_identity(store);
    assert_int_equal(identity.log_seq, all ? 5 : 3);
    assert_memory_equal(&identity.node, &node, sizeof node);
    struct store_txn *txn = help_read_begin(store);
    if (all)
        check_removed(txn, 2);
    else
        help_check_event(txn, 2);
    expect_seq(txn, 2, all ? 4 : 2);
    expect_seq(txn, 3, all ? 5 : 3);
    assert_int_equal(store_read_receipt(txn, &two, &moment, receipt), all ? PROTO_OK : PROTO_NOT_FOUND);
    assert_int_equal(store_read_mark(txn, "old", &mark), all ? PROTO_NOT_FOUND : PROTO_OK);
    assert_int_equal(store_read_mark(txn, "new", &mark), all ? PROTO_OK : PROTO_NOT_FOUND);
    store_read_end(txn);
    help_check_chain(store);
}

/* Fails at one call of the hook inside change_all, then opens again; false when nothing was left to fail. */
static bool fail_once(bool memory, uint64_t at, int number) {
    struct help_fault hook = {.number = number};
    struct fixture f = {.memory = memory};
    if (!memory)
        help_dir_make(f.dir);
    struct store_options options = help_options(memory ? NULL : f.dir);
    options.fault = help_fault;
    options.fault_arg = &hook;
    f.store = help_open_with(&options);
    assert_int_equal(help_commit_events(f.store, 1, 3), PROTO_OK);
    struct store_log *log = help_log_begin(f.store);
    assert_int_equal(store_log_mark_put(log, "old", "1", 1), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    hook.fail_at = hook.calls + at;
    enum proto_error error = change_all(f.store);
    bool failed = hook.failed, all = !failed || hook.point == STORE_POINT_LOG_COMMITTED;
    if (failed)
        assert_int_equal(error, number == ENOSPC && !all ? PROTO_FULL : PROTO_BROKEN);
    assert_int_equal(store_broken(f.store), error == PROTO_BROKEN);
    hook.fail_at = 0;
    struct store *store = restart(&f);
    expect_all_or_nothing(store, all);
    if (!all)
        assert_int_equal(change_all(store), PROTO_OK); /* and it can be done again */
    expect_all_or_nothing(store, true);
    store_close(store);
    if (!memory)
        help_dir_remove(f.dir);
    return failed;
}

static void all_or_nothing_at_every_point(void **state) {
    (void)state;
    for (int i = 0; i < 4; i++) {
        uint64_t at = 1;
        while (fail_once(i % 2 == 0, at, i < 2 ? ENOSPC : EIO))
            at++;
        assert_int_equal(at,
                         14); /* eleven puts (an id that gives way twice), the commit, its answer; then none is left */
    }
}

/* --- a reader beside a removal ---------------------------------------------------------------- */

static struct {
    struct store *store;
    const struct store_kv_ops *ops;
    struct store_kv_ops changed;
} between;

/* The row of event 1 goes out of the view, and then its body out of the log. */
static void clean_and_remove(struct store *store) {
    struct store_txn *txn;
    uint8_t key[8];
    store_seq_encode(1, key);
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_delete(txn, STORE_FEED, key, sizeof key), PROTO_OK);
    assert_int_equal(store_view_commit(txn, 1), PROTO_OK);
    help_remove_body(store, 1);
}

static enum proto_error renew_after_a_removal(struct store_kv_txn *txn) {
    between.store->log->ops = between.ops;
    clean_and_remove(between.store);
    return between.ops->read_renew(txn);
}

/* A reader that has the view from before and would have the log from after takes both again. */
static void a_removal_between_two_snapshots(void **state) {
    struct fixture *f = *state;
    struct store_txn *txn;
    struct store_bytes value;
    struct store_event event;
    uint8_t key[8];
    store_seq_encode(1, key);
    assert_int_equal(help_commit_events(f->store, 1, 1), PROTO_OK);
    txn = help_read_begin(f->store);
    assert_int_equal(store_get(txn, STORE_FEED, key, sizeof key, &value), PROTO_OK);
    store_read_end(txn); /* its handles are renewed by the next one */
    between.store = f->store;
    between.ops = f->store->log->ops;
    between.changed = *between.ops;
    between.changed.read_renew = renew_after_a_removal;
    f->store->log->ops = &between.changed;
    assert_int_equal(store_read_begin(f->store, &txn), PROTO_OK);
    assert_ptr_equal(f->store->log->ops, between.ops); /* it did happen in between */
    assert_int_equal(store_read_event(txn, 1, &event), PROTO_OK);
    assert_int_equal(event.body.size, 0);
    assert_int_equal(store_get(txn, STORE_FEED, key, sizeof key, &value), PROTO_NOT_FOUND);
    store_read_end(txn);
}

struct beside {
    struct store *store;
    atomic_bool done;
    _Atomic uint64_t seen, naked;
};

/* Every event that the view names has its body. */
static void *read_rows(void *arg) {
    struct beside *beside = arg;
    while (!atomic_load(&beside->done)) {
        struct store_txn *txn;
        struct store_scan *scan;
        struct store_bytes key, value;
        if (store_read_begin(beside->store, &txn) != PROTO_OK)
            abort();
        if (store_scan_begin(txn, STORE_FEED, NULL, 0, NULL, 0, false, &scan) != PROTO_OK)
            abort();
        while (store_scan_next(scan, &key, &value) == PROTO_OK) {
            struct store_event event;
            uint64_t seq;
            if (store_seq_decode(key, &seq) != PROTO_OK || store_read_event(txn, seq, &event) != PROTO_OK)
                abort();
            beside->seen++;
            beside->naked += event.body.size == 0;
        }
        store_scan_end(scan);
        store_read_end(txn);
    }
    return NULL;
}

static void no_view_names_an_event_without_a_body(void **state) {
    struct fixture *f = *state;
    struct beside beside = {.store = f->store};
    pthread_t readers[2];
    for (size_t i = 0; i < 2; i++)
        assert_int_equal(pthread_create(&readers[i], NULL, read_rows, &beside), 0);
    for (uint64_t n = 1; n <= 150; n++) {
        struct store_txn *txn;
        uint8_t key[8];
        assert_int_equal(help_commit_events(f->store, n, n), PROTO_OK);
        assert_int_equal(help_commit_view(f->store, n, n), PROTO_OK);
        assert_int_equal(store_view_begin(f->store, &txn), PROTO_OK);
        store_seq_encode(n, key);
        assert_int_equal(store_delete(txn, STORE_FEED, key, sizeof key), PROTO_OK);
        assert_int_equal(store_view_commit(txn, n), PROTO_OK);
        help_remove_body(f->store, n);
    }
    atomic_store(&beside.done, true);
    for (size_t i = 0; i < 2; i++)
        assert_int_equal(pthread_join(readers[i], NULL), 0);
    assert_true(beside.seen > 0);
    assert_int_equal(beside.naked, 0);
    help_check_chain(f->store);
}

#define BOTH(test)                                                                                                     \
    {"lmdb: " #test, test, setup_lmdb, teardown, NULL}, {                                                              \
        "memory: " #test, test, setup_memory, teardown, NULL                                                           \
    }

int main(void) {
    const struct CMUnitTest tests[] = {
        BOTH(joined_events_stay_joined),
        BOTH(a_body_goes_and_the_rest_stays),
        BOTH(an_aborted_removal_is_none),
        BOTH(an_id_comes_back_when_its_body_went),
        BOTH(an_event_supersedes_another),
        BOTH(a_body_may_wrap_an_event),
        BOTH(marks_are_read_and_deleted),
        BOTH(marks_of_one_kind),
        BOTH(receipts_are_kept),
        BOTH(another_node_from_the_commit_on),
        BOTH(a_removal_between_two_snapshots),
        cmocka_unit_test(all_or_nothing_at_every_point),
        cmocka_unit_test_setup_teardown(no_view_names_an_event_without_a_body, setup_lmdb, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
