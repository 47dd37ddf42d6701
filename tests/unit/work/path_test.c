/*
 * path_test.c - the path of one call: registered, placed, checked, and the due row is there.
 */
#include "world.h"

static uint64_t rows_in(struct world *world, enum store_table table) {
    struct store_txn *txn;
    struct store_scan *scan;
    struct store_bytes key, value;
    uint64_t count = 0;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, table, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    while (store_scan_next(scan, &key, &value) == PROTO_OK)
        count++;
    store_scan_end(scan);
    store_read_end(txn);
    return count;
}

static void test_a_check_moves_the_due_row(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id child = world_child(&world, "north-shore");
    assert_true(rows_in(&world, STORE_TASKS) > 3);
    world_verify(&world);
    assert_int_equal(world_record(&world, balloon_check(&child, world.now, 480)), PROTO_OK);
    struct store_txn *txn;
    struct store_scan *scan;
    struct store_bytes key, value;
    struct work_task_row row;
    bool found = false;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, STORE_TASKS, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    while (store_scan_next(scan, &key, &value) == PROTO_OK) {
        assert_int_equal(work_task_row_read(key, value, &row), PROTO_OK);
        if (row.task != PROTO_TASK_BALLOON_CHECK)
            continue;
        found = true;
        assert_true(proto_slice_is(row.label, "HM-0001"));
        assert_int_equal(row.last_done_at, world.now);
        assert_int_equal(row.due_at, ev_time(2026, 3, 9)); /* weekly: common practice, no source */
    }
    store_scan_end(scan);
    store_read_end(txn);
    assert_true(found);
    world_verify(&world);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_a_check_moves_the_due_row)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
