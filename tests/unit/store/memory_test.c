/*
 * memory_test.c - the store in memory: crashes at every stage, a bound on its size, snapshots that outlive changes.
 */
#include "help.h"

static void crash_forgets_what_was_not_committed(void **state) {
    (void)state;
    struct store *store = help_open(NULL);
    struct store_log *log;
    struct store_txn *writer, *reader;
    struct store_scan *scan, *other;
    struct store_rebuild *rebuild;
    struct store_bytes key, value;
    assert_int_equal(help_commit_events(store, 1, 4), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 3), PROTO_OK);
    struct store_identity before = help_identity(store);
    /* Everything open that can be open. */
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    assert_int_equal(help_append(log, 5), PROTO_OK);
    assert_int_equal(store_view_begin(store, &writer), PROTO_OK);
    assert_int_equal(store_put(writer, STORE_META, "k", 1, "v", 1), PROTO_OK);
    assert_int_equal(store_scan_begin(writer, STORE_FEED, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    assert_int_equal(store_read_begin(store, &reader), PROTO_OK);
    assert_int_equal(store_scan_begin(reader, STORE_FEED, NULL, 0, NULL, 0, true, &other), PROTO_OK);
    assert_int_equal(store_scan_next(other, &key, &value), PROTO_OK);
    store_memory_crash(store, false);
    struct store_identity after = help_identity(store);
    assert_memory_equal(&before, &after, sizeof before);
    assert_int_equal(store_read_begin(store, &reader), PROTO_OK);
    assert_int_equal(store_get(reader, STORE_META, "k", 1, &value), PROTO_NOT_FOUND);
    help_check_event(reader, 3);
    store_read_end(reader);
    /* And in the middle of a rebuild. */
    assert_int_equal(store_rebuild_begin(store, &rebuild), PROTO_OK);
    assert_int_equal(store_rebuild_put(rebuild, STORE_META, "k", 1, "v", 1), PROTO_OK);
    store_memory_crash(store, false);
    after = help_identity(store);
    assert_memory_equal(&before, &after, sizeof before);
    assert_int_equal(help_commit_events(store, 5, 6), PROTO_OK);
    assert_int_equal(help_commit_view(store, 4, 6), PROTO_OK);
    store_close(store);
}

static void crash_that_loses_the_view(void **state) {
    (void)state;
    struct store *store = help_open(NULL);
    struct store_txn *txn;
    struct store_bytes value;
    assert_int_equal(help_commit_events(store, 1, 4), PROTO_OK);
    for (int i = 0; i < 3; i++) { /* also when it was lost before */
        struct store_identity before = help_identity(store);
        assert_int_equal(help_commit_view(store, 1, 4), PROTO_OK);
        assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
        store_read_end(txn);
        store_memory_crash(store, true);
        struct store_identity after = help_identity(store);
        assert_true(after.view_lost);
        assert_int_equal(after.view_seq, 0);
        assert_int_equal(after.log_seq, 4);
        assert_memory_equal(after.chain, before.chain, sizeof after.chain);
        assert_memory_not_equal(&after.view, &before.view, sizeof after.view);
        assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
        assert_int_equal(store_txn_seq(txn), 0);
        uint8_t key[8] = {0, 0, 0, 0, 0, 0, 0, 1};
        assert_int_equal(store_get(txn, STORE_FEED, key, 8, &value), PROTO_NOT_FOUND);
        store_read_end(txn);
        store_memory_crash(store, false); /* a view that was never rebuilt is still lost */
        assert_true(help_identity(store).view_lost);
    }
    store_close(store);
}

static void size_is_bounded(void **state) {
    (void)state;
    struct store_options options = help_options(NULL);
    options.log_map_bytes = 40000;
    options.view_map_bytes = 40000;
    struct store *store = help_open_with(&options);
    uint64_t seq = 0;
    enum proto_error error;
    while ((error = help_commit_events(store, seq + 1, seq + 10)) == PROTO_OK)
        seq += 10;
    assert_int_equal(error, PROTO_FULL);
    assert_true(seq > 20 && !store_broken(store));
    assert_int_equal(store_room_check(store, 4000), PROTO_FULL);
    assert_int_equal(help_identity(store).log_seq, seq);
    struct store_txn *txn;
    static uint8_t value[50000];
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_put(txn, STORE_STATES, "k", 1, value, sizeof value), PROTO_FULL);
    assert_int_equal(store_view_commit(txn, 1), PROTO_FULL);
    assert_int_equal(help_commit_view(store, 1, seq), PROTO_OK);
    store_close(store);
}

/* A reader's bytes stay as they are while what they stand under is written over and deleted. */
static void snapshots_outlive_changes(void **state) {
    (void)state;
    struct store *store = help_open(NULL);
    struct store_txn *txn, *readers[50];
    struct store_bytes values[50];
    for (uint8_t i = 0; i < 50; i++) {
        assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
        for (uint8_t k = 0; k < 20; k++) {
            uint8_t value[2] = {i, k};
            if (k == i % 20)
                assert_int_equal(store_delete(txn, STORE_BORN, &k, 1), PROTO_OK);
            else
                assert_int_equal(store_put(txn, STORE_BORN, &k, 1, value, 2), PROTO_OK);
        }
        assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
        uint8_t key = (uint8_t)((i + 1) % 20);
        assert_int_equal(store_read_begin(store, &readers[i]), PROTO_OK);
        assert_int_equal(store_get(readers[i], STORE_BORN, &key, 1, &values[i]), PROTO_OK);
    }
    for (uint8_t i = 0; i < 50; i++) {
        uint8_t wanted[2] = {i, (uint8_t)((i + 1) % 20)}, gone = (uint8_t)(i % 20);
        struct store_bytes value;
        assert_true(help_bytes_are(values[i], wanted, 2));
        assert_int_equal(store_get(readers[i], STORE_BORN, &gone, 1, &value), PROTO_NOT_FOUND);
        store_read_end(readers[i]);
    }
    store_close(store);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(crash_forgets_what_was_not_committed),
        cmocka_unit_test(crash_that_loses_the_view),
        cmocka_unit_test(size_is_bounded),
        cmocka_unit_test(snapshots_outlive_changes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
