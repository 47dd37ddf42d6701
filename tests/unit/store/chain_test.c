/*
 * chain_test.c - the chain over random events, reopened now and then; with "--dump DIR" the same store as text, which
 * check_chain.py works out again with another SHA-256.
 */
#include "help.h"

#define EVENTS 300

/* An event of random size, bytes, nonce, time and origin. */
static struct store_event random_event(uint64_t *random, uint64_t n, uint8_t body[PROTO_EVENT_BYTES_MAX]) {
    struct store_event event = {.id = help_id(help_random(random) << 20 | n)};
    event.received_at = (int64_t)help_random(random);
    size_t size = n % 50 == 0 ? PROTO_EVENT_BYTES_MAX : 1 + help_random(random) % 400;
    for (size_t i = 0; i < size; i++)
        body[i] = (uint8_t)help_random(random);
    for (size_t i = 0; i < sizeof event.nonce; i++)
        event.nonce[i] = (uint8_t)help_random(random);
    if (n % 4 == 0)
        event.via = help_id(help_random(random));
    event.body = store_bytes_of(body, size);
    return event;
}

static void write_store(const char *dir, uint8_t last[PROTO_HASH_BYTES]) {
    static uint8_t body[PROTO_EVENT_BYTES_MAX];
    uint64_t random = 0xc4a1;
    struct store *store = help_open(dir);
    struct store_log *log;
    struct store_txn *txn;
    for (uint64_t n = 1; n <= EVENTS;) {
        assert_int_equal(store_log_begin(store, &log), PROTO_OK);
        for (uint64_t batch = help_random(&random) % 8; batch > 0 && n <= EVENTS; batch--, n++) {
            struct store_event event = random_event(&random, n, body);
            assert_int_equal(store_log_append(log, &event), PROTO_OK);
            assert_int_equal(event.seq, n);
            memcpy(last, event.chain, sizeof event.chain);
        }
        assert_int_equal(store_log_commit(log), PROTO_OK);
        if (help_random(&random) % 8 == 0) {
            store_close(store);
            store = help_open(dir);
        }
    }
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_view_commit(txn, EVENTS), PROTO_OK);
    store_close(store);
}

static void print_hex(const char *name, const void *data, size_t size) {
    const uint8_t *bytes = data;
    printf(" %s=", name);
    for (size_t i = 0; i < size; i++)
        printf("%02x", bytes[i]);
}

static void dump_store(const char *dir) {
    struct store *store = help_open(dir);
    struct store_identity identity = help_identity(store);
    struct store_txn *txn;
    struct store_event event;
    printf("log");
    print_hex("identity", identity.log.bytes, PROTO_ID_BYTES);
    print_hex("chain", identity.chain, PROTO_HASH_BYTES);
    printf("\n");
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &event) == PROTO_OK; seq++) {
        printf("event seq=%llu received_at=%lld", (unsigned long long)event.seq, (long long)event.received_at);
        print_hex("id", event.id.bytes, PROTO_ID_BYTES);
        print_hex("via", event.via.bytes, PROTO_ID_BYTES);
        print_hex("nonce", event.nonce, sizeof event.nonce);
        print_hex("body", event.body.data, event.body.size);
        print_hex("chain", event.chain, PROTO_HASH_BYTES);
        printf("\n");
    }
    store_read_end(txn);
    store_close(store);
}

static void chain_verifies_and_ends_where_it_was_given(void **state) {
    (void)state;
    char dir[64];
    uint8_t last[PROTO_HASH_BYTES];
    uint64_t bad_seq;
    struct proto_fault fault;
    help_dir_make(dir);
    write_store(dir, last);
    struct store *store = help_open(dir);
    struct store_identity identity = help_identity(store);
    assert_int_equal(identity.log_seq, EVENTS);
    assert_memory_equal(identity.chain, last, sizeof last);
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
    store_close(store);
    help_dir_remove(dir);
}

/* Two logs that differ in one byte of one body part ways there and never meet again. */
static void one_byte_parts_two_chains(void **state) {
    (void)state;
    uint8_t chains[2][8][PROTO_HASH_BYTES];
    for (int i = 0; i < 2; i++) {
        struct store *store = help_open(NULL);
        struct store_log *log;
        assert_int_equal(store_log_begin(store, &log), PROTO_OK);
        for (uint64_t n = 1; n <= 8; n++) {
            char body[64];
            struct store_event event = help_event(n, body);
            body[0] = (char)(body[0] + (n == 5 && i == 1));
            assert_int_equal(store_log_append(log, &event), PROTO_OK);
            memcpy(chains[i][n - 1], event.chain, PROTO_HASH_BYTES);
        }
        assert_int_equal(store_log_commit(log), PROTO_OK);
        store_close(store);
    }
    for (int n = 1; n <= 8; n++)
        assert_int_equal(memcmp(chains[0][n - 1], chains[1][n - 1], PROTO_HASH_BYTES) == 0, n < 5);
}

int main(int argc, char **argv) {
    if (argc == 3 && strcmp(argv[1], "--dump") == 0) {
        uint8_t last[PROTO_HASH_BYTES];
        write_store(argv[2], last);
        dump_store(argv[2]);
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(chain_verifies_and_ends_where_it_was_given),
        cmocka_unit_test(one_byte_parts_two_chains),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
