/*
 * copy_test.c - a memory store copied, and restored: the same events, and nothing of one is seen in the other.
 */
#include "help.h"

static struct store *make(void) {
    struct store *store = help_open(NULL);
    assert_int_equal(help_commit_events(store, 1, 5), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 5), PROTO_OK);
    struct store_log *log = help_log_begin(store);
    assert_int_equal(store_log_mark_put(log, "m", "one", 3), PROTO_OK);
    assert_int_equal(help_put_receipt(log, 4, 777, 9), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_remove_body(store, 2);
    return store;
}

static void check(struct store *store) {
    uint8_t receipt[STORE_RECEIPT_BYTES];
    int64_t received_at = 0;
    struct proto_id id = help_id(4);
    struct store_event removed;
    struct store_bytes mark;
    help_check_chain(store);
    struct store_txn *txn = help_read_begin(store);
    help_check_event(txn, 1);
    help_check_event(txn, 5);
    assert_int_equal(store_read_event(txn, 2, &removed), PROTO_OK);
    assert_int_equal(removed.body.size, 0);
    assert_int_equal(store_read_mark(txn, "m", &mark), PROTO_OK);
    assert_true(help_bytes_are(mark, "one", 3));
    assert_int_equal(store_read_receipt(txn, &id, &received_at, receipt), PROTO_OK);
    assert_int_equal(received_at, 777);
    store_read_end(txn);
}

static void a_copy_is_the_store_and_then_its_own(void **state) {
    (void)state;
    struct store *store = make();
    struct store_options options = help_options(NULL);
    options.fresh_ids[2] = help_id(0xf00009);
    struct store_log *open = help_log_begin(store); /* what is not committed is not copied */
    assert_int_equal(help_append(open, 6), PROTO_OK);
    struct store *copy = store_memory_copy(store, &options);
    store_log_abort(open);
    struct store_identity was = help_identity(store), is = help_identity(copy);
    assert_memory_equal(&was, &is, sizeof was);
    check(copy);
    assert_int_equal(help_commit_events(copy, 7, 9), PROTO_OK);
    assert_int_equal(help_commit_view(copy, 6, 8), PROTO_OK);
    help_remove_body(copy, 1);
    check(store);
    assert_int_equal(help_identity(store).log_seq, 5);
    store_close(store);
    help_check_chain(copy);
    assert_int_equal(help_identity(copy).log_seq, 8);
    store_close(copy);
}

static void a_restored_one_has_another_log(void **state) {
    (void)state;
    struct store *store = make(), *restored = NULL;
    struct store_options options = help_options(NULL);
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = help_id(0xf00010 + (uint64_t)i);
    assert_int_equal(store_memory_restore(store, &options, 123, &restored), PROTO_OK);
    struct store_identity was = help_identity(store), is = help_identity(restored), from;
    assert_memory_equal(&is.node, &options.fresh_ids[0], sizeof is.node);
    assert_memory_equal(&is.log, &options.fresh_ids[1], sizeof is.log);
    assert_int_equal(is.log_seq, 5);
    assert_true(is.view_lost);
    assert_memory_not_equal(is.chain, was.chain, sizeof is.chain);
    check(restored);
    struct store_bytes mark;
    int64_t restored_at = 0;
    struct store_txn *txn = help_read_begin(restored);
    assert_int_equal(store_read_mark(txn, "restored-from", &mark), PROTO_OK);
    assert_int_equal(store_restored_decode(mark, 0, &from, &restored_at), PROTO_OK);
    assert_int_equal(restored_at, 123);
    assert_memory_equal(&from.log, &was.log, sizeof was.log);
    assert_memory_equal(from.chain, was.chain, sizeof was.chain);
    store_read_end(txn);
    check(store);
    store_close(store);
    store_close(restored);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_copy_is_the_store_and_then_its_own),
                                       cmocka_unit_test(a_restored_one_has_another_log)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
