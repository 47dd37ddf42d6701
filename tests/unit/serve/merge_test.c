/*
 * merge_test.c - ranges read as one: against a plain sort of the same keys, whole and page by page, over the memory store.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "serve/internal.h"

#define PREFIX 5u
#define SORT 8u
#define KEY 20u
#define TEAMS 7u
#define TASKS 5u
#define ROWS 600u

static uint8_t keys[ROWS][KEY]; /* as they must come out */
static uint32_t seed = 12345;

static uint32_t draw(uint32_t n) {
    seed = seed * 1664525u + 1013904223u;
    return (seed >> 8) % n;
}

static int in_order(const void *a, const void *b) {
    const uint8_t *x = a, *y = b;
    int order = memcmp(x + PREFIX, y + PREFIX, SORT);
    return order ? order : memcmp(x, y, KEY);
}

static struct store *filled(void) {
    struct store_options options = {.memory = true, .boot_id = "test"};
    struct proto_fault fault = {0};
    struct store *store = NULL;
    struct store_txn *txn = NULL;
    for (uint8_t i = 0; i < 3; i++)
        options.fresh_ids[i] = (struct proto_id){{i, 1, 2, 3, 4, 5, 0x70, 7, 0x80, 9}};
    assert_int_equal(store_open(&options, &store, &fault), PROTO_OK);
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
    for (uint32_t i = 0; i < ROWS; i++) {
        size_t n = serve_key_u8(keys[i], serve_key_u32(keys[i], 0, 1 + draw(TEAMS)), (uint8_t)(1 + draw(TASKS)));
        /* few distinct times, so that many rows tie; some before 1970 and one at the very end */
        int64_t at = draw(40) == 0 ? -1 : ((int64_t)draw(12) - 4) * 1000;
        n = serve_key_t64(keys[i], n, at);
        if (at == -1)
            memset(keys[i] + PREFIX, 0xff, SORT);
        (void)serve_key_u32(keys[i], n, i);
        memset(keys[i] + n + 4, (int)draw(256), KEY - n - 4);
        assert_int_equal(store_put(txn, STORE_TASKS, keys[i], KEY, "\1v", 2), PROTO_OK);
    }
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    qsort(keys, ROWS, KEY, in_order);
    return store;
}

static struct serve_merge *merged(struct store_txn *txn, const struct serve_token *position) {
    struct serve_merge *merge = NULL;
    assert_int_equal(serve_merge_new(txn, STORE_TASKS, PREFIX, SORT, TEAMS * TASKS + 1, &merge), PROTO_OK);
    for (uint32_t team = 1; team <= TEAMS; team++)
        for (uint8_t task = 1; task <= TASKS; task++) {
            uint8_t prefix[PREFIX];
            (void)serve_key_u8(prefix, serve_key_u32(prefix, 0, team), task);
            assert_int_equal(serve_merge_add(merge, prefix, position), PROTO_OK);
        }
    return merge;
}

static void test_one_order(void **state) {
    struct store_txn *txn = NULL;
    struct store_bytes key, value;
    assert_int_equal(store_read_begin(*state, &txn), PROTO_OK);
    struct serve_merge *merge = merged(txn, NULL);
    for (uint32_t i = 0; i < ROWS; i++) {
        assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_OK);
        assert_int_equal(key.size, KEY);
        assert_memory_equal(key.data, keys[i], KEY);
        assert_int_equal(value.size, 2);
    }
    assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_NOT_FOUND);
    assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_NOT_FOUND);
    serve_merge_free(merge);
    store_read_end(txn);
}

/* Ranges that nobody named, found by their clusters. */
static void test_ranges_found(void **state) {
    struct store_txn *txn = NULL;
    struct store_bytes key, value;
    struct serve_merge *merge = NULL;
    assert_int_equal(store_read_begin(*state, &txn), PROTO_OK);
    assert_int_equal(serve_merge_new(txn, STORE_TASKS, PREFIX, SORT, TEAMS * TASKS + 1, &merge), PROTO_OK);
    for (uint32_t team = 0; team <= TEAMS + 1; team++) { /* the first and the last have none */
        uint8_t cluster[4];
        (void)serve_key_u32(cluster, 0, team);
        assert_int_equal(serve_merge_add_all(merge, cluster, sizeof cluster), PROTO_OK);
    }
    for (uint32_t i = 0; i < ROWS; i++) {
        assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_OK);
        assert_memory_equal(key.data, keys[i], KEY);
    }
    assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_NOT_FOUND);
    serve_merge_free(merge);
    store_read_end(txn);
}

/* Behind every row as a position the next row is the next one: nothing twice, nothing left out. */
static void test_goes_on_behind_any_row(void **state) {
    struct store_txn *txn = NULL;
    struct store_bytes key, value;
    assert_int_equal(store_read_begin(*state, &txn), PROTO_OK);
    for (uint32_t i = 0; i < ROWS; i++) {
        struct serve_token position = {.position_size = KEY};
        memcpy(position.position, keys[i], KEY);
        struct serve_merge *merge = merged(txn, &position);
        for (uint32_t next = i + 1; next < ROWS && next < i + 4; next++) {
            assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_OK);
            assert_memory_equal(key.data, keys[next], KEY);
        }
        if (i + 1 == ROWS)
            assert_int_equal(serve_merge_next(merge, &key, &value), PROTO_NOT_FOUND);
        serve_merge_free(merge);
    }
    store_read_end(txn);
}

static void test_dropping_a_range(void **state) {
    struct store_txn *txn = NULL;
    struct store_bytes key, value;
    assert_int_equal(store_read_begin(*state, &txn), PROTO_OK);
    struct serve_merge *merge = merged(txn, NULL);
    bool gone[TEAMS + 1] = {false};
    uint32_t seen = 0, expected = 0;
    while (serve_merge_next(merge, &key, &value) == PROTO_OK) {
        uint32_t team = serve_key_get_u32(key.data);
        if (team == 3) {
            gone[team] = true;
            serve_merge_drop(merge);
            continue;
        }
        seen++;
    }
    assert_true(gone[3]);
    for (uint32_t i = 0; i < ROWS; i++)
        expected += serve_key_get_u32(keys[i]) != 3;
    assert_int_equal(seen, expected);
    serve_merge_free(merge);
    store_read_end(txn);
}

static void test_positions_that_cannot_be(void **state) {
    struct store_txn *txn = NULL;
    struct serve_merge *merge = NULL;
    uint8_t prefix[PREFIX] = {0, 0, 0, 1, 1};
    assert_int_equal(store_read_begin(*state, &txn), PROTO_OK);
    assert_int_equal(serve_merge_new(txn, STORE_TASKS, PREFIX, SORT, 4, &merge), PROTO_OK);
    const size_t sizes[] = {0, 1, PREFIX + SORT - 1, STORE_KEY_BYTES_MAX};
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct serve_token position = {.position_size = sizes[i]};
        assert_int_equal(serve_merge_add(merge, prefix, &position), PROTO_BAD_VALUE);
    }
    serve_merge_free(merge);
    store_read_end(txn);
}

static int setup(void **state) {
    *state = filled();
    return 0;
}

static int teardown(void **state) {
    store_close(*state);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_order),
        cmocka_unit_test(test_ranges_found),
        cmocka_unit_test(test_goes_on_behind_any_row),
        cmocka_unit_test(test_dropping_a_range),
        cmocka_unit_test(test_positions_that_cannot_be),
    };
    return cmocka_run_group_tests(tests, setup, teardown);
}
