/*
 * contract_test.c - what store.h promises, checked on the LMDB store and on the one in memory alike.
 */
#include "help.h"

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

static struct store *store_of(void **state) {
    return ((struct fixture *)*state)->store;
}

static void new_store_is_empty(void **state) {
    struct store *store = store_of(state);
    struct store_identity identity = help_identity(store);
    struct proto_id node = help_id(0xf00001), log = help_id(0xf00002), view = help_id(0xf00003);
    uint8_t start[PROTO_HASH_BYTES];
    store_chain_start(&log, start);
    assert_memory_equal(&identity.node, &node, sizeof node);
    assert_memory_equal(&identity.log, &log, sizeof log);
    assert_memory_equal(&identity.view, &view, sizeof view);
    assert_int_equal(identity.log_seq, 0);
    assert_int_equal(identity.view_seq, 0);
    assert_true(identity.view_lost); /* there never was one */
    assert_memory_equal(identity.chain, start, sizeof start);
    assert_false(store_broken(store));
    struct store_txn *txn;
    struct store_event event;
    uint64_t seq;
    struct proto_id id = help_id(1);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), 0);
    assert_int_equal(store_read_event(txn, 1, &event), PROTO_NOT_FOUND);
    assert_int_equal(store_read_event(txn, 0, &event), PROTO_NOT_FOUND);
    assert_int_equal(store_read_find(txn, &id, &seq), PROTO_NOT_FOUND);
    store_read_end(txn);
}

static void events_get_seqs_and_are_read_back(void **state) {
    struct store *store = store_of(state);
    struct store_log *log;
    char body[64];
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    for (uint64_t n = 1; n <= 20; n++) {
        struct store_event event = help_event(n, body);
        assert_int_equal(store_log_append(log, &event), PROTO_OK);
        assert_int_equal(event.seq, n);
    }
    struct proto_id seven = help_id(7), none = help_id(77);
    uint64_t seq = 0;
    struct store_event event;
    assert_int_equal(store_log_find(log, &seven, &seq), PROTO_OK);
    assert_int_equal(seq, 7);
    assert_int_equal(store_log_find(log, &none, &seq), PROTO_NOT_FOUND);
    assert_int_equal(store_log_read(log, 20, &event), PROTO_OK);
    assert_true(help_bytes_are(event.body, "body of event 20", 16));
    assert_int_equal(store_log_read(log, 21, &event), PROTO_NOT_FOUND);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    assert_int_equal(help_identity(store).log_seq, 20);
    assert_int_equal(help_commit_view(store, 1, 20), PROTO_OK);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), 20);
    for (uint64_t n = 1; n <= 20; n++)
        help_check_event(txn, n);
    assert_int_equal(store_read_find(txn, &seven, &seq), PROTO_OK);
    assert_int_equal(seq, 7);
    store_read_end(txn);
    assert_int_equal(help_identity(store).view_seq, 20);
    assert_false(help_identity(store).view_lost);
}

static void chain_goes_on_over_commits(void **state) {
    struct store *store = store_of(state);
    uint8_t chain[PROTO_HASH_BYTES], commitment[PROTO_HASH_BYTES], header[STORE_HEADER_BYTES];
    struct proto_id log_id = help_id(0xf00002);
    char body[64];
    store_chain_start(&log_id, chain);
    for (uint64_t n = 1; n <= 6; n++) {
        assert_int_equal(help_commit_events(store, n, n), PROTO_OK);
        struct store_event event = help_event(n, body);
        event.seq = n;
        store_commit_to_body(event.nonce, event.body, commitment);
        store_header_encode(&event, commitment, header);
        store_chain_next(chain, header, chain);
        assert_memory_equal(help_identity(store).chain, chain, sizeof chain);
    }
    uint64_t bad_seq;
    struct proto_fault fault;
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
}

static void held_id_is_a_conflict_and_no_harm(void **state) {
    struct store *store = store_of(state);
    struct store_log *log;
    assert_int_equal(help_commit_events(store, 1, 3), PROTO_OK);
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    assert_int_equal(help_append(log, 2), PROTO_CONFLICT); /* committed */
    assert_int_equal(help_append(log, 4), PROTO_OK);
    assert_int_equal(help_append(log, 4), PROTO_CONFLICT); /* of this transaction */
    assert_int_equal(help_append(log, 5), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    assert_int_equal(help_identity(store).log_seq, 5);
    uint64_t bad_seq;
    struct proto_fault fault;
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
}

static void aborted_events_leave_nothing(void **state) {
    struct store *store = store_of(state);
    struct store_log *log;
    assert_int_equal(help_commit_events(store, 1, 2), PROTO_OK);
    struct store_identity before = help_identity(store);
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    assert_int_equal(help_append(log, 3), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "job", "x", 1), PROTO_OK);
    store_log_abort(log);
    struct store_identity after = help_identity(store);
    assert_int_equal(after.log_seq, 2);
    assert_memory_equal(after.chain, before.chain, sizeof after.chain);
    assert_int_equal(help_commit_events(store, 3, 3), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 3), PROTO_OK);
    struct store_txn *txn;
    struct store_bytes mark;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    help_check_event(txn, 3);
    assert_int_equal(store_read_mark(txn, "job", &mark), PROTO_NOT_FOUND);
    store_read_end(txn);
}

static void marks_are_kept_and_written_over(void **state) {
    struct store *store = store_of(state);
    static uint8_t large[STORE_MARK_BYTES_MAX];
    struct store_log *log;
    struct store_txn *txn;
    struct store_bytes mark;
    memset(large, 7, sizeof large);
    for (int round = 0; round < 2; round++) {
        assert_int_equal(store_log_begin(store, &log), PROTO_OK);
        assert_int_equal(store_log_mark_put(log, "job", round ? "second" : "first!", 6), PROTO_OK);
        assert_int_equal(store_log_mark_put(log, "large", large, sizeof large), PROTO_OK);
        assert_int_equal(store_log_mark_put(log, "empty", NULL, 0), PROTO_OK);
        assert_int_equal(store_log_commit(log), PROTO_OK);
    }
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_read_mark(txn, "job", &mark), PROTO_OK);
    assert_true(help_bytes_are(mark, "second", 6));
    assert_int_equal(store_read_mark(txn, "large", &mark), PROTO_OK);
    assert_true(help_bytes_are(mark, large, sizeof large));
    assert_int_equal(store_read_mark(txn, "empty", &mark), PROTO_OK);
    assert_int_equal(mark.size, 0);
    store_read_end(txn);
}

static void reads_stop_at_the_stamp(void **state) {
    struct store *store = store_of(state);
    struct store_txn *txn, *writer;
    struct store_event event;
    struct proto_id four = help_id(4);
    uint64_t seq;
    assert_int_equal(help_commit_events(store, 1, 5), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 3), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), 3);
    help_check_event(txn, 3);
    assert_int_equal(store_read_event(txn, 4, &event), PROTO_NOT_FOUND);
    assert_int_equal(store_read_find(txn, &four, &seq), PROTO_NOT_FOUND);
    store_read_end(txn);
    /* The view writer sees what it has to work in. */
    assert_int_equal(store_view_begin(store, &writer), PROTO_OK);
    assert_int_equal(store_txn_seq(writer), 3);
    help_check_event(writer, 5);
    assert_int_equal(store_read_event(writer, 6, &event), PROTO_NOT_FOUND);
    assert_int_equal(store_read_find(writer, &four, &seq), PROTO_OK);
    /* And may stamp with what came into the log since it began. */
    assert_int_equal(help_commit_events(store, 6, 7), PROTO_OK);
    assert_int_equal(store_view_commit(writer, 6), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    help_check_event(txn, 6);
    assert_int_equal(store_read_event(txn, 7, &event), PROTO_NOT_FOUND);
    store_read_end(txn);
}

static void readers_see_one_state(void **state) {
    struct store *store = store_of(state);
    struct store_txn *before, *writer, *after;
    struct store_bytes value;
    assert_int_equal(store_read_begin(store, &before), PROTO_OK);
    assert_int_equal(store_view_begin(store, &writer), PROTO_OK);
    assert_int_equal(store_put(writer, STORE_META, "a", 1, "1", 1), PROTO_OK);
    assert_int_equal(store_get(writer, STORE_META, "a", 1, &value), PROTO_OK);
    assert_int_equal(store_get(before, STORE_META, "a", 1, &value), PROTO_NOT_FOUND);
    assert_int_equal(store_read_begin(store, &after), PROTO_OK);
    assert_int_equal(store_get(after, STORE_META, "a", 1, &value), PROTO_NOT_FOUND);
    store_read_end(after);
    assert_int_equal(store_view_commit(writer, 0), PROTO_OK);
    assert_int_equal(store_get(before, STORE_META, "a", 1, &value), PROTO_NOT_FOUND);
    assert_int_equal(store_read_begin(store, &after), PROTO_OK);
    assert_int_equal(store_get(after, STORE_META, "a", 1, &value), PROTO_OK);
    assert_true(help_bytes_are(value, "1", 1));
    store_read_end(before);
    store_read_end(after);
}

static void put(struct store_txn *txn, const char *key, const char *value) {
    assert_int_equal(store_put(txn, STORE_META, key, strlen(key), value, strlen(value)), PROTO_OK);
}

static void unchanged_values_are_not_written(void **state) {
    struct store *store = store_of(state);
    struct store_txn *txn;
    struct store_counts before, after;
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    put(txn, "a", "1");
    put(txn, "b", "2");
    put(txn, "empty", "");
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    store_counts_get(store, &before);
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    put(txn, "a", "1");
    put(txn, "empty", "");
    put(txn, "b", "3");
    put(txn, "b", "3");
    put(txn, "c", "4");
    assert_int_equal(store_delete(txn, STORE_META, "c", 1), PROTO_OK);
    assert_int_equal(store_delete(txn, STORE_META, "never", 5), PROTO_OK);
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    store_counts_get(store, &after);
    assert_int_equal(after.view_puts - before.view_puts, 2);
    assert_int_equal(after.view_puts_unchanged - before.view_puts_unchanged, 3);
    assert_int_equal(after.view_deletes - before.view_deletes, 1);
    assert_int_equal(after.view_commits - before.view_commits, 1);
}

static void aborted_puts_leave_nothing(void **state) {
    struct store *store = store_of(state);
    struct store_txn *txn;
    struct store_bytes value;
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    put(txn, "kept", "1");
    put(txn, "gone", "1");
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    put(txn, "new", "1");
    put(txn, "kept", "changed");
    assert_int_equal(store_delete(txn, STORE_META, "gone", 4), PROTO_OK);
    store_view_abort(txn);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_META, "new", 3, &value), PROTO_NOT_FOUND);
    assert_int_equal(store_get(txn, STORE_META, "gone", 4, &value), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_META, "kept", 4, &value), PROTO_OK);
    assert_true(help_bytes_are(value, "1", 1));
    store_read_end(txn);
}

/* Scans and compares with the keys that are wanted, in that order. */
static void check_scan(struct store_txn *txn, const char *prefix, const char *from, bool backwards,
                       const char *wanted) {
    struct store_scan *scan;
    struct store_bytes key, value;
    char found[256] = {0};
    assert_int_equal(
        store_scan_begin(txn, STORE_LABELS, prefix, strlen(prefix), from, from ? strlen(from) : 0, backwards, &scan),
        PROTO_OK);
    enum proto_error error;
    while ((error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        assert_true(help_bytes_are(value, "v", 1));
        strncat(found, (const char *)key.data, key.size);
        strcat(found, " ");
    }
    assert_int_equal(error, PROTO_NOT_FOUND);
    assert_int_equal(store_scan_next(scan, &key, &value), PROTO_NOT_FOUND); /* and stays so */
    store_scan_end(scan);
    assert_string_equal(found, wanted);
}

static void check_all_scans(struct store_txn *txn) {
    check_scan(txn, "", NULL, false, "a b ba bb bba bc c cz \xff \xff\xff ");
    check_scan(txn, "", NULL, true, "\xff\xff \xff cz c bc bba bb ba b a ");
    check_scan(txn, "b", NULL, false, "b ba bb bba bc ");
    check_scan(txn, "b", NULL, true, "bc bba bb ba b ");
    check_scan(txn, "bb", NULL, false, "bb bba ");
    check_scan(txn, "b", "bb", false, "bb bba bc ");
    check_scan(txn, "b", "bb", true, "ba b ");
    check_scan(txn, "b", "bbz", false, "bc ");
    check_scan(txn, "b", "bbz", true, "bba bb ba b ");
    check_scan(txn, "b", "a", false, "b ba bb bba bc "); /* below the prefix: from its start */
    check_scan(txn, "b", "a", true, "");
    check_scan(txn, "b", "c", false, "");
    check_scan(txn, "b", "cc", true, "bc bba bb ba b "); /* above the prefix: from its end */
    check_scan(txn, "", "bc", true, "bba bb ba b a ");
    check_scan(txn, "", "zz", false, "\xff \xff\xff ");
    check_scan(txn, "\xff", NULL, true, "\xff\xff \xff "); /* a prefix that nothing lies above */
    check_scan(txn, "\xff", NULL, false, "\xff \xff\xff ");
    check_scan(txn, "bd", NULL, false, "");
    check_scan(txn, "bd", NULL, true, "");
    check_scan(txn, "A", NULL, true, "");
}

static void scans_go_both_ways(void **state) {
    struct store *store = store_of(state);
    static const char *const keys[] = {"cz", "b", "\xff", "bba", "a", "bc", "c", "ba", "\xff\xff", "bb"};
    struct store_txn *txn;
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    for (size_t i = 0; i < sizeof keys / sizeof *keys; i++)
        assert_int_equal(store_put(txn, STORE_LABELS, keys[i], strlen(keys[i]), "v", 1), PROTO_OK);
    check_all_scans(txn); /* a write transaction sees its own puts */
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    check_all_scans(txn);
    store_read_end(txn);
}

static void several_scans_at_once(void **state) {
    struct store *store = store_of(state);
    struct store_txn *txn;
    struct store_scan *up, *down, *other;
    struct store_bytes key, value;
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    for (char c = 'a'; c <= 'e'; c++)
        assert_int_equal(store_put(txn, STORE_LABELS, &c, 1, "v", 1), PROTO_OK);
    assert_int_equal(store_put(txn, STORE_BORN, "x", 1, "w", 1), PROTO_OK);
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, STORE_LABELS, NULL, 0, NULL, 0, false, &up), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, STORE_LABELS, NULL, 0, NULL, 0, true, &down), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, STORE_BORN, NULL, 0, NULL, 0, false, &other), PROTO_OK);
    for (int i = 0; i < 5; i++) {
        assert_int_equal(store_scan_next(up, &key, &value), PROTO_OK);
        assert_int_equal(key.data[0], 'a' + i);
        assert_int_equal(store_scan_next(down, &key, &value), PROTO_OK);
        assert_int_equal(key.data[0], 'e' - i);
    }
    assert_int_equal(store_scan_next(other, &key, &value), PROTO_OK);
    assert_true(help_bytes_are(key, "x", 1) && help_bytes_are(value, "w", 1));
    store_scan_end(down);
    assert_int_equal(store_scan_next(up, &key, &value), PROTO_NOT_FOUND);
    store_scan_end(up);
    store_scan_end(other);
    store_read_end(txn);
}

static void sizes_up_to_the_limits(void **state) {
    struct store *store = store_of(state);
    static uint8_t key[STORE_KEY_BYTES_MAX], value[STORE_VALUE_BYTES_MAX], body[PROTO_EVENT_BYTES_MAX];
    struct store_txn *txn;
    struct store_log *log;
    struct store_bytes found;
    memset(key, 1, sizeof key);
    memset(value, 2, sizeof value);
    memset(body, 3, sizeof body);
    struct store_event event = {.id = help_id(1), .received_at = INT64_MIN, .body = {body, sizeof body}}, back;
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    assert_int_equal(store_log_append(log, &event), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_put(txn, STORE_STATES, key, sizeof key, value, sizeof value), PROTO_OK);
    assert_int_equal(store_view_commit(txn, 1), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_STATES, key, sizeof key, &found), PROTO_OK);
    assert_true(help_bytes_are(found, value, sizeof value));
    assert_int_equal(store_get(txn, STORE_STATES, key, sizeof key - 1, &found), PROTO_NOT_FOUND);
    assert_int_equal(store_read_event(txn, 1, &back), PROTO_OK);
    assert_true(help_bytes_are(back.body, body, sizeof body));
    assert_true(back.received_at == INT64_MIN);
    store_read_end(txn);
}

static void many_readers_at_once(void **state) {
    struct store *store = store_of(state);
    struct store_txn *readers[100];
    assert_int_equal(help_commit_events(store, 1, 1), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 1), PROTO_OK);
    for (int round = 0; round < 3; round++) {
        for (int i = 0; i < 100; i++)
            assert_int_equal(store_read_begin(store, &readers[i]), PROTO_OK);
        for (int i = 0; i < 100; i++)
            help_check_event(readers[i], 1);
        for (int i = 0; i < 100; i++)
            store_read_end(readers[(i * 7) % 100]);
    }
    store_read_end(NULL);
}

/* A failing put sticks: nothing after it is told that it went well. */
static void failures_stick(void **state) {
    struct fixture *f = *state;
    store_close(f->store);
    static struct help_fault hook; /* the store is closed after this function has ended */
    hook = (struct help_fault){0};
    struct store_options options = help_options(f->memory ? NULL : f->dir);
    options.fault = help_fault;
    options.fault_arg = &hook;
    f->store = help_open_with(&options);
    struct store_txn *txn;
    struct store_bytes value;
    struct store_scan *scan;
    assert_int_equal(store_view_begin(f->store, &txn), PROTO_OK);
    put(txn, "a", "1");
    hook.fail_at = hook.calls + 1;
    hook.number = 28; /* ENOSPC */
    assert_int_equal(store_put(txn, STORE_META, "b", 1, "2", 1), PROTO_FULL);
    assert_int_equal(store_put(txn, STORE_META, "c", 1, "3", 1), PROTO_FULL);
    assert_int_equal(store_delete(txn, STORE_META, "a", 1), PROTO_FULL);
    assert_int_equal(store_get(txn, STORE_META, "a", 1, &value), PROTO_FULL);
    assert_int_equal(store_scan_begin(txn, STORE_META, NULL, 0, NULL, 0, false, &scan), PROTO_FULL);
    assert_int_equal(store_view_commit(txn, 0), PROTO_FULL);
    assert_false(store_broken(f->store));
    assert_int_equal(store_view_begin(f->store, &txn), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_META, "a", 1, &value), PROTO_NOT_FOUND);
    store_view_abort(txn);
    struct store_log *log;
    assert_int_equal(store_log_begin(f->store, &log), PROTO_OK);
    hook.fail_at = hook.calls + 2;
    assert_int_equal(help_append(log, 1), PROTO_FULL);
    assert_int_equal(help_append(log, 2), PROTO_FULL);
    assert_int_equal(store_log_mark_put(log, "m", "x", 1), PROTO_FULL);
    assert_int_equal(store_log_commit(log), PROTO_FULL);
    assert_int_equal(help_commit_events(f->store, 1, 1), PROTO_OK); /* heals by itself */
    assert_int_equal(help_commit_view(f->store, 1, 1), PROTO_OK);
}

static void broken_acknowledges_nothing_more(void **state) {
    struct fixture *f = *state;
    store_close(f->store);
    static struct help_fault hook; /* the store is closed after this function has ended */
    hook = (struct help_fault){0};
    struct store_options options = help_options(f->memory ? NULL : f->dir);
    options.fault = help_fault;
    options.fault_arg = &hook;
    f->store = help_open_with(&options);
    assert_int_equal(help_commit_events(f->store, 1, 1), PROTO_OK);
    assert_int_equal(help_commit_view(f->store, 1, 1), PROTO_OK);
    struct store_log *log;
    struct store_txn *txn;
    struct store_rebuild *rebuild;
    assert_int_equal(store_log_begin(f->store, &log), PROTO_OK);
    assert_int_equal(help_append(log, 2), PROTO_OK);
    hook.fail_at = hook.calls + 1;
    hook.number = 5; /* EIO */
    assert_int_equal(store_log_commit(log), PROTO_BROKEN);
    assert_true(store_broken(f->store));
    assert_int_equal(store_log_begin(f->store, &log), PROTO_BROKEN);
    assert_int_equal(store_view_begin(f->store, &txn), PROTO_BROKEN);
    assert_int_equal(store_rebuild_begin(f->store, &rebuild), PROTO_BROKEN);
    assert_int_equal(store_read_begin(f->store, &txn), PROTO_OK); /* what is known is known */
    help_check_event(txn, 1);
    store_read_end(txn);
}

static void rebuild_swaps_the_view(void **state) {
    struct store *store = store_of(state);
    struct store_txn *old, *txn;
    struct store_rebuild *rebuild;
    struct store_bytes value;
    assert_int_equal(help_commit_events(store, 1, 8), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 4), PROTO_OK);
    struct store_identity before = help_identity(store);
    assert_int_equal(store_read_begin(store, &old), PROTO_OK);
    assert_int_equal(store_rebuild_begin(store, &rebuild), PROTO_OK);
    for (uint32_t i = 0; i < 10000; i++) { /* up, then into the gaps */
        uint32_t n = i < 5000 ? i * 2 : (i - 5000) * 2 + 1;
        uint8_t key[4] = {(uint8_t)(n >> 24), (uint8_t)(n >> 16), (uint8_t)(n >> 8), (uint8_t)n};
        assert_int_equal(store_rebuild_put(rebuild, STORE_LEVELS, key, 4, key, 4), PROTO_OK);
    }
    assert_int_equal(store_rebuild_put(rebuild, STORE_META, "k", 1, "old", 3), PROTO_OK);
    assert_int_equal(store_rebuild_put(rebuild, STORE_META, "k", 1, "new", 3), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_META, "k", 1, &value), PROTO_NOT_FOUND);
    store_read_end(txn);
    assert_int_equal(store_rebuild_finish(rebuild, 7), PROTO_OK);
    struct store_identity after = help_identity(store);
    assert_memory_not_equal(&before.view, &after.view, sizeof after.view);
    assert_int_equal(after.view_seq, 7);
    assert_int_equal(store_txn_seq(old), 4);
    help_check_event(old, 4);
    assert_int_equal(store_get(old, STORE_META, "k", 1, &value), PROTO_NOT_FOUND);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), 7);
    assert_int_equal(store_get(txn, STORE_META, "k", 1, &value), PROTO_OK);
    assert_true(help_bytes_are(value, "new", 3));
    struct store_scan *scan;
    struct store_bytes key;
    uint32_t count = 0;
    assert_int_equal(store_scan_begin(txn, STORE_LEVELS, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    for (; store_scan_next(scan, &key, &value) == PROTO_OK; count++)
        assert_int_equal((uint32_t)key.data[2] << 8 | key.data[3], count);
    assert_int_equal(count, 10000);
    store_scan_end(scan);
    store_read_end(old);
    store_read_end(txn);
    assert_int_equal(help_commit_view(store, 8, 8), PROTO_OK); /* and goes on from there */
}

static void rebuild_can_be_given_up(void **state) {
    struct store *store = store_of(state);
    struct store_rebuild *rebuild;
    assert_int_equal(help_commit_events(store, 1, 2), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 2), PROTO_OK);
    struct store_identity before = help_identity(store);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(store_rebuild_begin(store, &rebuild), PROTO_OK);
        assert_int_equal(store_rebuild_put(rebuild, STORE_META, "k", 1, "v", 1), PROTO_OK);
        store_rebuild_abort(rebuild);
    }
    struct store_identity after = help_identity(store);
    assert_memory_equal(&before, &after, sizeof after);
    struct store_txn *txn;
    struct store_bytes value;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_get(txn, STORE_META, "k", 1, &value), PROTO_NOT_FOUND);
    store_read_end(txn);
}

static void room_is_counted(void **state) {
    struct store *store = store_of(state);
    struct store_room room;
    store_room_get(store, &room);
    assert_int_equal(room.log_map, HELP_MAP_BYTES);
    assert_int_equal(room.view_map, HELP_MAP_BYTES);
    assert_true(room.log_used > 0 && room.log_used < HELP_MAP_BYTES / 10);
    assert_true(room.disk_free > 0);
    assert_int_equal(store_room_check(store, 1000), PROTO_OK);
    assert_int_equal(store_room_check(store, HELP_MAP_BYTES), PROTO_FULL);
    assert_int_equal(store_room_check(store, HELP_MAP_BYTES / 4),
                     PROTO_FULL); /* the view takes several times as much */
    assert_int_equal(store_room_check(store, UINT64_MAX / 8), PROTO_FULL);
    struct store_counts counts;
    assert_int_equal(help_commit_events(store, 1, 5), PROTO_OK);
    assert_int_equal(store_view_sync(store), PROTO_OK);
    store_counts_get(store, &counts);
    assert_int_equal(counts.log_events, 5);
    assert_int_equal(counts.log_commits, 1);
    assert_true(counts.view_syncs >= 1);
}

#define BOTH(test)                                                                                                     \
    {"lmdb: " #test, test, setup_lmdb, teardown, NULL}, {                                                              \
        "memory: " #test, test, setup_memory, teardown, NULL                                                           \
    }

int main(void) {
    const struct CMUnitTest tests[] = {
        BOTH(new_store_is_empty),
        BOTH(events_get_seqs_and_are_read_back),
        BOTH(chain_goes_on_over_commits),
        BOTH(held_id_is_a_conflict_and_no_harm),
        BOTH(aborted_events_leave_nothing),
        BOTH(marks_are_kept_and_written_over),
        BOTH(reads_stop_at_the_stamp),
        BOTH(readers_see_one_state),
        BOTH(unchanged_values_are_not_written),
        BOTH(aborted_puts_leave_nothing),
        BOTH(scans_go_both_ways),
        BOTH(several_scans_at_once),
        BOTH(sizes_up_to_the_limits),
        BOTH(many_readers_at_once),
        BOTH(failures_stick),
        BOTH(broken_acknowledges_nothing_more),
        BOTH(rebuild_swaps_the_view),
        BOTH(rebuild_can_be_given_up),
        BOTH(room_is_counted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
