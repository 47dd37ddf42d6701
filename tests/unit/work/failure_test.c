/*
 * failure_test.c - a full disk, a broken one, and a view that is lost: what callers are told, and that it heals.
 */
#include "world.h"

#include <errno.h>

static enum proto_error record(struct world *world, const struct proto_event *event) {
    struct answer answer;
    enum proto_error code = world_record_as(world, &world_nurse, WORK_WANT_OPENED, event, 1, &answer);
    answer_deinit(&answer);
    return code;
}

static uint64_t log_end(struct world *world) {
    struct store_identity identity;
    store_identity_get(world->store, &identity);
    return identity.log_seq;
}

static void test_a_full_log_changes_nothing(void **state) {
    (void)state;
    static const int points[] = {STORE_POINT_LOG_PUT, STORE_POINT_LOG_COMMIT};
    for (int p = 0; p < 2; p++) {
        struct world world;
        struct proto_fault fault = {0};
        world_init(&world, 1);
        struct proto_id child = world_child(&world, "north-shore");
        struct proto_event event = balloon_check(&child, world.now, 300);
        uint64_t end = log_end(&world);
        world.fail_point = points[p];
        world.fail_errno = ENOSPC;
        assert_int_equal(record(&world, &event), PROTO_FULL);
        assert_int_equal(log_end(&world), end);
        assert_false(work_broken(world.work, &fault));
        assert_int_equal(fault.code, PROTO_FULL);
        world.fail_errno = 0;
        world_verify(&world);
        assert_int_equal(record(&world, &event), PROTO_OK);
        fault = (struct proto_fault){0};
        assert_false(work_broken(world.work, &fault));
        assert_int_equal(fault.code, PROTO_OK);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* The log has it and the view found no room: never "nothing changed"; it is worked in before anything new is taken. */
static void test_a_full_view_is_made_good(void **state) {
    (void)state;
    static const int points[] = {STORE_POINT_VIEW_PUT, STORE_POINT_VIEW_COMMIT};
    for (int p = 0; p < 2; p++) {
        struct world world;
        struct proto_fault fault = {0};
        struct answer answer;
        world_init(&world, 2);
        struct proto_id child = world_child(&world, "north-shore"), fresh = world_id(&world);
        struct proto_event event = balloon_check(&child, world.now, 300);
        struct proto_event arrival = registration(&fresh, world.now, "a-new-team");
        world.fail_point = points[p];
        world.fail_errno = ENOSPC;
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &arrival, 1, &answer);
        assert_int_equal(record(&world, &event), PROTO_OUTCOME_UNKNOWN);
        assert_int_equal(answer.code, PROTO_OUTCOME_UNKNOWN);
        assert_false(work_broken(world.work, &fault));
        assert_int_equal(fault.code, PROTO_FULL);
        /* Still no room: refused, and nothing of it is stored. */
        uint64_t end = log_end(&world);
        struct proto_event next = balloon_check(&child, world.now + 1, 310);
        assert_int_equal(record(&world, &next), PROTO_FULL);
        assert_int_equal(log_end(&world), end);
        world.fail_errno = 0;
        work_tick(world.work);
        world_run(&world);
        world_verify(&world);
        /* The retry finds it held, and still warns. */
        assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer), PROTO_OK);
        assert_int_equal(answer_count(&answer, "repeated"), 1);
        assert_true(answer_has(&answer, "opened", "name", "balloon-low"));
        answer_deinit(&answer);
        assert_int_equal(record(&world, &arrival), PROTO_OK);
        assert_int_equal(record(&world, &next), PROTO_OK);
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_a_broken_store_ends_it(void **state) {
    (void)state;
    static const int points[] = {STORE_POINT_LOG_PUT, STORE_POINT_LOG_COMMIT, STORE_POINT_VIEW_PUT,
                                 STORE_POINT_VIEW_COMMIT};
    for (int p = 0; p < 4; p++) {
        struct world world;
        struct proto_fault fault = {0};
        world_init(&world, 3);
        struct proto_id child = world_child(&world, "north-shore");
        struct proto_event event = balloon_check(&child, world.now, 300);
        world.fail_point = points[p];
        world.fail_errno = EIO;
        assert_int_equal(record(&world, &event), PROTO_OUTCOME_UNKNOWN);
        assert_true(work_broken(world.work, &fault));
        assert_true(strlen(fault.message) > 10);
        world.fail_errno = 0;
        struct proto_event next = balloon_check(&child, world.now, 310);
        assert_int_equal(record(&world, &next), PROTO_STOPPING);
        /* The next start has every event that the log has. */
        world_crash(&world, p % 2 == 0, 4);
        world_verify(&world);
        assert_int_equal(record(&world, &event), PROTO_OK);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* The view fails at its Nth put, for all N that a batch makes, with room again afterwards. */
static void test_no_room_at_every_put(void **state) {
    (void)state;
    for (int n = 0, failed = 1; failed; n++) {
        struct world world;
        world_init(&world, 5);
        struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
        struct proto_event events[] = {merge(&a, world.now, &b), balloon_check(&a, world.now, 300),
                                       tube_out(&b, world.now - EV_MIN)};
        struct answer answer;
        world.fail_point = STORE_POINT_VIEW_PUT;
        world.fail_errno = ENOSPC;
        world.fail_after = n;
        enum proto_error code = world_record_as(&world, &world_nurse, WORK_WANT_STATUSES, events, 2, &answer);
        failed = code != PROTO_OK;
        if (failed)
            assert_int_equal(code, PROTO_OUTCOME_UNKNOWN);
        answer_deinit(&answer);
        world.fail_errno = 0;
        work_tick(world.work);
        world_run(&world);
        world_verify(&world);
        assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_STATUSES, events, 3, &answer), PROTO_OK);
        assert_int_equal(answer_count(&answer, "repeated"), 2);
        answer_deinit(&answer);
        world_verify(&world);
        world_deinit(&world);
        assert_true(n < 500);
    }
}

/* A rebuild that finds no room leaves what there is and is begun again; reads and calls wait meanwhile. */
static void test_a_rebuild_begins_again(void **state) {
    (void)state;
    struct world world;
    struct work_progress progress;
    struct proto_fault fault;
    world_init(&world, 6);
    struct proto_id child = world_child(&world, "north-shore");
    for (int i = 0; i < 30; i++)
        assert_int_equal(world_record(&world, balloon_check(&child, world.now - i * EV_HOUR, 450)), PROTO_OK);
    work_close(world.work);
    store_memory_crash(world.store, true);
    world.fail_point = STORE_POINT_VIEW_PUT;
    world.fail_errno = ENOSPC;
    world.fail_after = 20;
    world_start(&world, 2);
    work_progress_get(world.work, &progress);
    assert_true(progress.rebuilding);
    assert_int_equal(progress.rebuild_of, 33);
    struct store_txn *txn;
    struct work_child *reader = work_child_new(world.work);
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world.work, txn, &child, world.now, reader), PROTO_REBUILDING);
    store_read_end(txn);
    work_child_free(reader);
    struct proto_event event = balloon_check(&child, world.now, 300);
    assert_int_equal(record(&world, &event), PROTO_REBUILDING);
    assert_false(work_broken(world.work, &fault));
    assert_int_equal(fault.code, PROTO_FULL);
    world.fail_errno = 0;
    work_tick(world.work);
    world_run(&world);
    work_progress_get(world.work, &progress);
    assert_false(progress.rebuilding);
    assert_int_equal(record(&world, &event), PROTO_OK);
    world_verify(&world);
    world_deinit(&world);
}

/* verify finds what is not as the log says: one row of each table is spoilt, taken away, or added. */
static void test_verify_sees_every_table(void **state) {
    (void)state;
    for (int t = 0; t < STORE_TABLE_COUNT; t++)
        for (int how = 0; how < 3; how++) {
            struct world world;
            struct proto_fault fault = {0};
            uint64_t children, rows;
            world_init(&world, 7);
            struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "north-shore");
            static struct proto_event events[140];
            struct answer answer;
            struct policy_event adopted;
            for (int i = 0; i < 140; i++)
                events[i] = balloon_check(&a, world.now - i * EV_HOUR, 300);
            assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, events, 140, &answer), PROTO_OK);
            answer_deinit(&answer);
            struct proto_event arrival = registration(&b, world.now, "north-shore");
            struct proto_id fresh = world_id(&world);
            arrival = registration(&fresh, world.now, "north-shore");
            assert_int_equal(record(&world, &arrival), PROTO_OK);
            assert_int_equal(world_record(&world, withdrawal(&a, world.now, &events[3].id)), PROTO_OK);
            assert_int_equal(world_record(&world, balloon_check(&a, world.now + EV_MIN, 300)), PROTO_OK);
            policy_adopted(&world, &adopted, world.now, NULL, "balloon-loss-ml", 60);
            assert_int_equal(world_record(&world, adopted.event), PROTO_OK);
            msgpack_unpacked_destroy(&adopted.unpacked);
            world_verify(&world);
            struct store_txn *txn;
            struct store_scan *scan;
            struct store_bytes key, value;
            uint8_t kept[STORE_KEY_BYTES_MAX + 1], bytes[STORE_VALUE_BYTES_MAX];
            assert_int_equal(store_view_begin(world.store, &txn), PROTO_OK);
            assert_int_equal(store_scan_begin(txn, (enum store_table)t, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
            enum proto_error error = store_scan_next(scan, &key, &value);
            bool any = error == PROTO_OK;
            if (any) {
                memcpy(kept, key.data, key.size);
                memcpy(bytes, value.data, value.size);
            } else { /* identifiers and the feed are empty here: only an added row can be wrong */
                key.size = value.size = 1;
                kept[0] = bytes[0] = 1;
            }
            store_scan_end(scan);
            bytes[value.size - 1] ^= 1;
            if (how == 0 && any)
                error = store_put(txn, (enum store_table)t, kept, key.size, bytes, value.size);
            else if (how == 1 && any)
                error = store_delete(txn, (enum store_table)t, kept, key.size);
            else {
                kept[key.size] = 7;
                error = store_put(txn, (enum store_table)t, kept, key.size + 1, bytes, value.size);
            }
            assert_int_equal(error, PROTO_OK);
            assert_int_equal(store_view_commit(txn, log_end(&world)), PROTO_OK);
            error = work_verify(world.store, world_zones, &children, &rows, &fault);
            bool noticed = error == PROTO_CORRUPT && fault.code == PROTO_CORRUPT && strlen(fault.message) > 10;
            if (t == STORE_META && how < 2)
                noticed = true; /* the versions themselves: then the next start makes all anew */
            if (!noticed)
                fail_msg("table %d, way %d: %s", t, how, fault.message);
            world_deinit(&world);
        }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_full_log_changes_nothing), cmocka_unit_test(test_a_full_view_is_made_good),
        cmocka_unit_test(test_a_broken_store_ends_it),     cmocka_unit_test(test_no_room_at_every_put),
        cmocka_unit_test(test_a_rebuild_begins_again),     cmocka_unit_test(test_verify_sees_every_table)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
