/*
 * help.h - what the tests of the store share: a directory of their own, ids from numbers, events, a fault hook that counts.
 */
#ifndef TESTS_UNIT_STORE_HELP_H
#define TESTS_UNIT_STORE_HELP_H

#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "proto/ids.h"
#include "store/internal.h"
#include "store/lmdb_check.h"

#define HELP_BOOT "boot-of-the-tests"
/* Reserved address space is no matter here, and many small stores are opened. */
#define HELP_MAP_BYTES (64ull << 20)

/* xorshift64*: the same numbers for the same seed everywhere. */
static inline uint64_t help_random(uint64_t *state) {
    *state ^= *state >> 12;
    *state ^= *state << 25;
    *state ^= *state >> 27;
    return *state * 0x2545f4914f6cdd1du;
}

static inline struct proto_id help_id(uint64_t n) {
    struct proto_id id = {{0x01, 0x8b, 0xcf, 0xe5, 0x68, 0, 0x70, 0, 0x80}};
    for (int i = 0; i < 7; i++)
        id.bytes[15 - i] = (uint8_t)(n >> (8 * i));
    return id;
}

static inline void help_dir_make(char out[64]) {
    (void)snprintf(out, 64, "/tmp/betony-store-XXXXXX");
    assert_non_null(mkdtemp(out));
}

static inline void help_dir_remove(const char *dir) {
    char command[128];
    assert_true(strncmp(dir, "/tmp/betony-store-", 18) == 0);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", dir);
    assert_int_equal(system(command), 0); /* NOLINT: a fixed command on a path made here */
}

static inline struct store_options help_options(const char *dir) {
    return (struct store_options){.dir = dir,
                                  .memory = dir == NULL,
                                  .boot_id = HELP_BOOT,
                                  .log_map_bytes = HELP_MAP_BYTES,
                                  .view_map_bytes = HELP_MAP_BYTES,
                                  .fresh_ids = {help_id(0xf00001), help_id(0xf00002), help_id(0xf00003)}};
}

static inline struct store *help_open_with(const struct store_options *options) {
    struct store *store = NULL;
    struct proto_fault fault = {0};
    enum proto_error error = store_open(options, &store, &fault);
    if (error != PROTO_OK)
        fail_msg("store_open: %s: %s", proto_error_code(error), fault.message);
    return store;
}

static inline struct store *help_open(const char *dir) {
    struct store_options options = help_options(dir);
    return help_open_with(&options);
}

/* Event n: its id, times and body all follow from n, so that any reader can tell whether it is the right one. */
static inline struct store_event help_event(uint64_t n, char body[64]) {
    struct store_event event = {.id = help_id(n), .received_at = (int64_t)n * 1000 - 5000};
    int size = snprintf(body, 64, "body of event %llu", (unsigned long long)n);
    event.body = store_bytes_of(body, (size_t)size);
    memset(event.nonce, (int)(n & 0xff), sizeof event.nonce);
    if (n % 3 == 0)
        event.via = help_id(n + 0x1000000);
    return event;
}

static inline enum proto_error help_append(struct store_log *log, uint64_t n) {
    char body[64];
    struct store_event event = help_event(n, body);
    return store_log_append(log, &event);
}

/* Commits events first..last in one transaction. */
static inline enum proto_error help_commit_events(struct store *store, uint64_t first, uint64_t last) {
    struct store_log *log;
    enum proto_error error = store_log_begin(store, &log);
    if (error != PROTO_OK)
        return error;
    for (uint64_t n = first; n <= last; n++) {
        error = help_append(log, n);
        if (error != PROTO_OK) {
            store_log_abort(log);
            return error;
        }
    }
    return store_log_commit(log);
}

/* One view commit that notes each event first..last in a table, and stamps with `last`. */
static inline enum proto_error help_commit_view(struct store *store, uint64_t first, uint64_t last) {
    struct store_txn *txn;
    enum proto_error error = store_view_begin(store, &txn);
    if (error != PROTO_OK)
        return error;
    for (uint64_t n = first; n <= last; n++) {
        uint8_t key[8];
        store_seq_encode(n, key);
        error = store_put(txn, STORE_FEED, key, sizeof key, "\1seen", 5);
        if (error != PROTO_OK) {
            store_view_abort(txn);
            return error;
        }
    }
    return store_view_commit(txn, last);
}

static inline struct store_identity help_identity(const struct store *store) {
    struct store_identity identity;
    store_identity_get(store, &identity);
    return identity;
}

static inline bool help_bytes_are(struct store_bytes bytes, const void *data, size_t size) {
    return bytes.size == size && (size == 0 || memcmp(bytes.data, data, size) == 0);
}

/* The event at seq n in this snapshot is event n of help_event, with the given body. */
static inline void help_check_event(struct store_txn *txn, uint64_t n) {
    char body[64];
    struct store_event found, wanted = help_event(n, body);
    assert_int_equal(store_read_event(txn, n, &found), PROTO_OK);
    assert_int_equal(found.seq, n);
    assert_memory_equal(&found.id, &wanted.id, sizeof found.id);
    assert_memory_equal(&found.via, &wanted.via, sizeof found.via);
    assert_memory_equal(found.nonce, wanted.nonce, sizeof found.nonce);
    assert_int_equal(found.received_at, wanted.received_at);
    assert_true(help_bytes_are(found.body, wanted.body.data, wanted.body.size));
}

static inline void help_check_chain(struct store *store) {
    uint64_t bad_seq = 0;
    struct proto_fault fault = {0};
    if (store_verify_chain(store, &bad_seq, &fault) != PROTO_OK)
        fail_msg("event %llu: %s", (unsigned long long)bad_seq, fault.message);
}

static inline struct store_log *help_log_begin(struct store *store) {
    struct store_log *log;
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    return log;
}

static inline void help_remove_body(struct store *store, uint64_t seq) {
    struct store_log *log = help_log_begin(store);
    assert_int_equal(store_log_remove_body(log, seq), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
}

/* Event n again, with another body, under the seq that comes next. */
static inline enum proto_error help_append_other(struct store_log *log, uint64_t n, const char *body, bool supersedes) {
    char unused[64];
    struct store_event event = help_event(n, unused);
    event.body = store_bytes_of(body, strlen(body));
    event.supersedes = supersedes;
    return store_log_append(log, &event);
}

/* The events of the log have been taken up by a view. */
static inline struct store_txn *help_read_begin(struct store *store) {
    struct store_txn *txn;
    struct store_identity identity = help_identity(store);
    if (identity.view_seq < identity.log_seq)
        assert_int_equal(help_commit_view(store, identity.view_seq + 1, identity.log_seq), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    return txn;
}

static inline enum proto_error help_put_receipt(struct store_log *log, uint64_t n, int64_t received_at, uint8_t byte) {
    struct proto_id id = help_id(n);
    uint8_t receipt[STORE_RECEIPT_BYTES];
    memset(receipt, byte, sizeof receipt);
    return store_log_receipt_put(log, &id, received_at, receipt);
}

/* Both files of a closed store are sound in every page: the check has nothing against what LMDB writes. */
static inline void help_check_pages(const char *dir, const struct store_identity *identity) {
    char path[256], text[PROTO_ID_TEXT_BYTES + 1];
    struct proto_fault fault;
    (void)snprintf(path, sizeof path, "%s/log", dir);
    if (store_lmdb_check_pages(path, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    proto_id_format(&identity->view, text);
    (void)snprintf(path, sizeof path, "%s/view-%s", dir, text);
    if (store_lmdb_check_pages(path, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
}

/* Fails the Nth call of the hook with a number, once. */
struct help_fault {
    uint64_t calls, fail_at; /* fail_at 0: never */
    int number;
    bool failed;
    enum store_point point; /* where it failed */
};

static inline int help_fault(void *arg, enum store_point point) {
    struct help_fault *fault = arg;
    if (++fault->calls != fault->fail_at)
        return 0;
    fault->failed = true;
    fault->point = point;
    return fault->number;
}

#endif
