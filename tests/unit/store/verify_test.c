/*
 * verify_test.c - what the walk over the log lets pass and what it does not: ids that came back or were taken over, bodies that
 * went, receipts; written wrong behind the store's back, on the LMDB store and on the one in memory alike.
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

static void expect_bad(struct store *store, uint64_t wanted, const char *words) {
    uint64_t bad_seq = 77;
    struct proto_fault fault = {0};
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_CORRUPT);
    assert_int_equal(bad_seq, wanted);
    if (!strstr(fault.message, words))
        fail_msg("\"%s\" is not in: %s", words, fault.message);
}

static void put_raw(struct store *store, enum store_log_table table, const void *key, size_t key_size,
                    const void *value, size_t size) {
    struct store_kv_txn *txn;
    assert_int_equal(store->log->ops->write_begin(store->log, &txn), PROTO_OK);
    struct store_bytes key_bytes = store_bytes_of(key, key_size);
    if (value)
        assert_int_equal(store->log->ops->put(txn, table, key_bytes, store_bytes_of(value, size), STORE_KV_PLAIN),
                         PROTO_OK);
    else
        assert_int_equal(store->log->ops->del(txn, table, key_bytes), PROTO_OK);
    assert_int_equal(store->log->ops->commit(txn), PROTO_OK);
}

static void put_id(struct store *store, uint64_t n, uint64_t seq) {
    struct proto_id id = help_id(n);
    uint8_t bytes[8];
    store_seq_encode(seq, bytes);
    put_raw(store, STORE_LOG_IDS, id.bytes, sizeof id.bytes, bytes, sizeof bytes);
}

/* Events 1 to 6, where 2 came back as 7 and once more as 9, 4 was superseded by 8, and 5 has no body. */
static void make_entries(struct store *store) {
    assert_int_equal(help_commit_events(store, 1, 6), PROTO_OK);
    help_remove_body(store, 2);
    struct store_log *log = help_log_begin(store);
    assert_int_equal(help_append_other(log, 2, "back", false), PROTO_OK);
    assert_int_equal(help_append_other(log, 4, "theirs", true), PROTO_OK);
    assert_int_equal(store_log_remove_body(log, 7), PROTO_OK);
    assert_int_equal(help_append_other(log, 2, "back again", false), PROTO_OK);
    assert_int_equal(store_log_remove_body(log, 5), PROTO_OK);
    assert_int_equal(help_put_receipt(log, 4, 4, 4), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    help_check_chain(store);
}

static void verify_notices_a_wrong_id(void **state) {
    struct store *store = ((struct fixture *)*state)->store;
    struct proto_id stray = help_id(99), four = help_id(4);
    make_entries(store);
    static const struct {
        uint64_t id, wrong, right, bad;
    } cases[] = {
        {1, 2, 1, 1},  /* later, of another id */
        {6, 1, 6, 6},  /* before it */
        {6, 10, 6, 6}, /* behind the end */
        {4, 4, 8, 8},  /* back to the one that was superseded */
        {2, 7, 9, 9},  /* not the last of the three */
        {2, 2, 9, 7},  /* the first of them */
        {5, 6, 5, 5},  /* of an event that lost its body */
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        put_id(store, cases[i].id, cases[i].wrong);
        expect_bad(store, cases[i].bad, "its id does not lead to it");
        put_id(store, cases[i].id, cases[i].right);
        help_check_chain(store);
    }
    put_id(store, 99, 3);
    expect_bad(store, 10, "ids that lead to no event");
    put_raw(store, STORE_LOG_IDS, stray.bytes, sizeof stray.bytes, NULL, 0);
    put_raw(store, STORE_LOG_IDS, four.bytes, sizeof four.bytes, NULL, 0);
    expect_bad(store, 4, "its id does not lead to it");
}

/* A record cut or put back by somebody else: the commitment holds, or it does not. */
static void verify_notices_another_body(void **state) {
    struct store *store = ((struct fixture *)*state)->store;
    uint8_t key[8], record[STORE_EVENT_RECORD_BYTES_MAX], commitment[PROTO_HASH_BYTES];
    struct store_event event;
    char body[64];
    make_entries(store);
    struct store_txn *txn = help_read_begin(store);
    assert_int_equal(store_read_event(txn, 5, &event), PROTO_OK);
    store_seq_encode(5, key);
    for (int i = 0; i < 2; i++) {
        struct store_event forged = help_event(5, body);
        store_commit_to_body(forged.nonce, forged.body, commitment); /* the one that was written */
        forged.seq = 5;
        forged.joined = i; /* not of the header */
        memcpy(forged.chain, event.chain, sizeof forged.chain);
        body[0] = (char)(body[0] + i);
        size_t size = store_event_encode(&forged, commitment, record);
        put_raw(store, STORE_LOG_EVENTS, key, sizeof key, record, size);
        if (i == 0)
            help_check_chain(store); /* its own body is no forgery */
        else
            expect_bad(store, 5, "its body is not the one that was written");
    }
    store_read_end(txn);
}

static void verify_notices_a_wrong_receipt(void **state) {
    struct store *store = ((struct fixture *)*state)->store;
    static const uint8_t receipt[STORE_RECEIPT_RECORD_BYTES + 1];
    struct proto_id five = help_id(5), stray = help_id(99);
    make_entries(store);
    put_raw(store, STORE_LOG_RECEIPTS, five.bytes, 16, receipt, STORE_RECEIPT_RECORD_BYTES); /* held without a body */
    help_check_chain(store);
    put_raw(store, STORE_LOG_RECEIPTS, stray.bytes, 16, receipt, STORE_RECEIPT_RECORD_BYTES);
    expect_bad(store, 0, "receipt");
    put_raw(store, STORE_LOG_RECEIPTS, stray.bytes, 16, NULL, 0);
    help_check_chain(store);
    for (size_t i = 0; i < 2; i++) {
        put_raw(store, STORE_LOG_RECEIPTS, five.bytes, 16, receipt, STORE_RECEIPT_RECORD_BYTES - 1 + 2 * i);
        expect_bad(store, 0, "receipt");
        struct store_txn *txn = help_read_begin(store);
        uint8_t word[STORE_RECEIPT_BYTES];
        int64_t moment;
        assert_int_equal(store_read_receipt(txn, &five, &moment, word), PROTO_CORRUPT);
        store_read_end(txn);
    }
    put_raw(store, STORE_LOG_RECEIPTS, five.bytes, 16, NULL, 0);
    put_raw(store, STORE_LOG_RECEIPTS, five.bytes, 15, receipt, STORE_RECEIPT_RECORD_BYTES);
    expect_bad(store, 0, "receipt");
}

#define BOTH(test)                                                                                                     \
    {"lmdb: " #test, test, setup_lmdb, teardown, NULL}, {                                                              \
        "memory: " #test, test, setup_memory, teardown, NULL                                                           \
    }

int main(void) {
    const struct CMUnitTest tests[] = {
        BOTH(verify_notices_a_wrong_id),
        BOTH(verify_notices_another_body),
        BOTH(verify_notices_a_wrong_receipt),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
