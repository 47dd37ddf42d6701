/*
 * rows_test.c - rows in memory and their differences; stored rows read back, cut short, and counted.
 */
#include "world.h"

#include "work/map.h"
#include "work/rowset.h"
#include "work/subject.h"

static void add(struct work_rows *rows, enum store_table table, const char *key, const char *value) {
    work_rows_begin(rows, table);
    work_buffer_add(&rows->bytes, key, strlen(key));
    work_rows_value(rows);
    work_buffer_add(&rows->bytes, value, strlen(value));
    work_rows_end(rows);
}

static void test_differences(void **state) {
    (void)state;
    struct work_rows was = {0}, is = {0};
    struct work_buffer ops = {0};
    struct work_op op;
    size_t at = 0;
    add(&was, STORE_TASKS, "b", "same");
    add(&was, STORE_TASKS, "a", "gone");
    add(&was, STORE_TASKS, "c", "old");
    add(&was, STORE_TALLY, "1234567890", "");
    add(&was, STORE_TALLY, "1234567890", "");
    add(&is, STORE_TASKS, "c", "new");
    add(&is, STORE_TASKS, "b", "same");
    add(&is, STORE_TASKS, "b", "a second of that key");
    add(&is, STORE_ALERTS, "d", "more");
    add(&is, STORE_TALLY, "1234567890", "");
    add(&is, STORE_TALLY, "2234567890", "");
    work_rows_sort(&was);
    work_rows_sort(&is);
    work_rows_diff(&was, &is, &ops);
    static const struct {
        enum work_op_what what;
        enum store_table table;
        const char *key, *value;
        int32_t delta;
    } expected[] = {{WORK_OP_DELETE, STORE_TASKS, "a", "", 0},
                    {WORK_OP_PUT, STORE_TASKS, "c", "new", 0},
                    {WORK_OP_PUT, STORE_ALERTS, "d", "more", 0},
                    {WORK_OP_COUNT, STORE_TALLY, "1234567890", "", -1},
                    {WORK_OP_COUNT, STORE_TALLY, "2234567890", "", 1}};
    for (size_t i = 0; i < sizeof expected / sizeof *expected; i++) {
        assert_true(work_op_next(&ops, &at, ops.size, &op));
        assert_int_equal(op.what, expected[i].what);
        assert_int_equal(op.table, expected[i].table);
        assert_int_equal(op.key.size, strlen(expected[i].key));
        assert_memory_equal(op.key.data, expected[i].key, op.key.size);
        assert_int_equal(op.value.size, strlen(expected[i].value));
        assert_memory_equal(op.value.size ? op.value.data : (const uint8_t *)"", expected[i].value, op.value.size);
        assert_int_equal(op.delta, expected[i].delta);
    }
    assert_false(work_op_next(&ops, &at, ops.size, &op));
    work_rows_free(&was);
    work_rows_free(&is);
    work_buffer_free(&ops);
}

/* Byte order of stored numbers is their order. */
static void test_numbers_sort(void **state) {
    (void)state;
    static const int64_t numbers[] = {INT64_MIN, PROTO_TIME_MIN, -1, 0, 1, PROTO_TIME_MAX, INT64_MAX};
    for (size_t i = 1; i < sizeof numbers / sizeof *numbers; i++) {
        uint8_t a[8], b[8];
        work_put_i64(a, numbers[i - 1]);
        work_put_i64(b, numbers[i]);
        assert_true(memcmp(a, b, 8) < 0);
        assert_true(work_get_i64(b) == numbers[i]);
    }
    uint8_t a[4], b[4];
    work_put_i32(a, -5);
    work_put_i32(b, 5);
    assert_true(memcmp(a, b, 4) < 0);
    assert_int_equal(work_get_i32(a), -5);
}

static void test_map(void **state) {
    (void)state;
    struct work_map map = {0};
    struct proto_id id = {{0}};
    bool made;
    assert_int_equal(work_map_find(&map, &id), WORK_MAP_NONE);
    for (uint32_t round = 0; round < 2; round++) {
        for (uint32_t i = 0; i < 5000; i++) {
            work_put_u32(id.bytes + 12, i);
            assert_int_equal(work_map_add(&map, &id, i, &made), i);
            assert_true(made);
            assert_int_equal(work_map_add(&map, &id, 9999, &made), i);
            assert_false(made);
        }
        for (uint32_t i = 0; i < 5000; i += 7) {
            work_put_u32(id.bytes + 12, i);
            assert_int_equal(work_map_find(&map, &id), i);
        }
        work_map_clear(&map);
        assert_int_equal(work_map_find(&map, &id), WORK_MAP_NONE);
    }
    work_map_free(&map);
}

typedef enum proto_error (*read_fn)(struct store_bytes key, struct store_bytes value);
static enum proto_error read_task(struct store_bytes key, struct store_bytes value) {
    struct work_task_row row;
    return work_task_row_read(key, value, &row);
}
static enum proto_error read_alert(struct store_bytes key, struct store_bytes value) {
    static struct work_alert_row row;
    return work_alert_row_read(key, value, &row);
}
static enum proto_error read_device(struct store_bytes key, struct store_bytes value) {
    struct work_device_row row;
    return work_device_row_read(key, value, &row);
}
static enum proto_error read_lot(struct store_bytes key, struct store_bytes value) {
    struct work_device_row row;
    uint8_t what;
    return work_lot_row_read(key, value, &what, &row);
}
static enum proto_error read_history(struct store_bytes key, struct store_bytes value) {
    struct work_history_row row;
    return work_history_row_read(key, value, &row);
}
static enum proto_error read_level(struct store_bytes key, struct store_bytes value) {
    struct work_level_row row;
    return work_level_row_read(key, value, 0, &row);
}

/* Every stored row is read whole; cut short, or of another format, it is not one. */
static void test_rows_are_read_whole(void **state) {
    (void)state;
    static const struct {
        enum store_table table;
        read_fn read;
    } tables[] = {{STORE_TASKS, read_task}, {STORE_ALERTS, read_alert},    {STORE_DEVICES, read_device},
                  {STORE_LOTS, read_lot},   {STORE_HISTORY, read_history}, {STORE_LEVELS, read_level}};
    struct world world;
    world_init(&world, 1);
    struct proto_id child = world_child(&world, "north-shore");
    assert_int_equal(world_record(&world, balloon_check(&child, world.now, 300)), PROTO_OK);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (size_t t = 0; t < sizeof tables / sizeof *tables; t++) {
        struct store_scan *scan;
        struct store_bytes key, value;
        uint8_t bytes[STORE_VALUE_BYTES_MAX];
        uint32_t rows = 0;
        assert_int_equal(store_scan_begin(txn, tables[t].table, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
        for (; store_scan_next(scan, &key, &value) == PROTO_OK; rows++) {
            assert_int_equal(tables[t].read(key, value), PROTO_OK);
            for (size_t cut = 0; cut < value.size; cut++)
                assert_int_not_equal(tables[t].read(key, (struct store_bytes){value.data, cut}), PROTO_OK);
            assert_int_not_equal(tables[t].read((struct store_bytes){key.data, key.size - 1}, value), PROTO_OK);
            memcpy(bytes, value.data, value.size);
            bytes[0] = 2;
            assert_int_not_equal(tables[t].read(key, (struct store_bytes){bytes, value.size}), PROTO_OK);
        }
        store_scan_end(scan);
        assert_true(rows > 0);
    }
    store_read_end(txn);
    world_deinit(&world);
}

/* Counters, rows of tasks and the level say the same as the schedules at any moment. */
static void test_counters_agree_with_schedules(void **state) {
    (void)state;
    enum { CHILDREN = 30 };
    struct world world;
    struct proto_id ids[CHILDREN];
    world_init(&world, 2);
    for (int i = 0; i < CHILDREN; i++) {
        ids[i] = world_child(&world, i % 2 ? "north-shore" : "mill-lane");
        assert_int_equal(world_record(&world, balloon_check(&ids[i], world.now - i * EV_DAY, 300 + i * 7)), PROTO_OK);
        if (i % 5 == 0)
            assert_int_equal(world_record(&world, tube_out(&ids[i], world.now - EV_HOUR)), PROTO_OK);
    }
    struct store_txn *txn;
    struct work_child *child = work_child_new(world.work);
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (int day = -40; day < 200; day += 3) {
        int64_t now = world.now + day * EV_DAY + (day % 4) * 7 * EV_HOUR;
        uint64_t expected[2][PROTO_TASK_COUNT][3] = {{{0}}}, tasks[PROTO_TASK_COUNT][3];
        for (int i = 0; i < CHILDREN; i++) {
            struct care_view view;
            assert_int_equal(work_child_get(world.work, txn, &ids[i], world.now, child), PROTO_OK);
            care_view(&child->schedule, now, &view);
            for (uint32_t t = 0; t < child->schedule.task_count; t++) {
                assert_true(view.task_state[t] != CARE_TASK_HIDDEN);
                expected[i % 2][child->schedule.tasks[t].task][view.task_state[t] - CARE_TASK_UPCOMING]++;
            }
            uint32_t team = 0;
            uint8_t key[20];
            struct store_bytes value;
            struct work_level_row level;
            assert_int_equal(
                work_team_find(txn, (struct proto_slice){child->schedule.team, (uint32_t)strlen(child->schedule.team)},
                               &team),
                PROTO_OK);
            work_put_u32(key, team);
            memcpy(key + 4, child->root.bytes, 16);
            assert_int_equal(store_get(txn, STORE_LEVELS, key, sizeof key, &value), PROTO_OK);
            assert_int_equal(work_level_row_read((struct store_bytes){key, sizeof key}, value, now, &level), PROTO_OK);
            assert_int_equal(level.level, view.level);
        }
        for (int side = 0; side < 2; side++) {
            uint32_t team = 0;
            const char *name = side ? "north-shore" : "mill-lane";
            assert_int_equal(work_team_find(txn, (struct proto_slice){name, (uint32_t)strlen(name)}, &team), PROTO_OK);
            assert_int_equal(work_tally_read(txn, team, now, tasks), PROTO_OK);
            assert_memory_equal(tasks, expected[side], sizeof tasks);
        }
    }
    uint32_t team = 0;
    assert_int_equal(work_team_find(txn, (struct proto_slice){"nowhere", 7}, &team), PROTO_NOT_FOUND);
    store_read_end(txn);
    work_child_free(child);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_differences), cmocka_unit_test(test_numbers_sort),
                                       cmocka_unit_test(test_map), cmocka_unit_test(test_rows_are_read_whole),
                                       cmocka_unit_test(test_counters_agree_with_schedules)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
