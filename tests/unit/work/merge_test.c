/*
 * merge_test.c - records that turn out to be one child, and merges that turn out to be wrong; withdrawals in any order.
 */
#include "world.h"

static void taken_as(struct world *world, const char *account, struct proto_event event) {
    struct work_who who = {.all_teams = true};
    (void)snprintf(who.account, sizeof who.account, "%s", account);
    struct answer answer;
    if (world_record_as(world, &who, WORK_WANT_OPENED, &event, 1, &answer) != PROTO_OK)
        fail_msg("%s", answer.fault.message);
    answer_deinit(&answer);
}

static void taken(struct world *world, struct proto_event event) {
    taken_as(world, "nurse", event);
}

static void get(struct world *world, struct work_child *child, const struct proto_id *id) {
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world->work, txn, id, world->now, child), PROTO_OK);
    store_read_end(txn);
}

static bool open_alert(const struct work_child *child, int64_t now, enum proto_alert alert) {
    struct care_view view;
    care_view(&child->schedule, now, &view);
    for (uint32_t i = 0; i < child->schedule.alert_count; i++)
        if (child->schedule.alerts[i].alert == alert && view.alert_step[i])
            return true;
    return false;
}

static void test_two_records_are_one_child(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    struct work_child *child = work_child_new(world.work);
    struct proto_event join = merge(&a, world.now, &b);
    taken(&world, join);
    get(&world, child, &a);
    assert_memory_equal(&child->root, proto_id_compare(&a, &b) < 0 ? &a : &b, sizeof a);
    assert_memory_equal(&child->shown, &b, sizeof b);
    world_verify(&world);
    /* Late events to either id land in the class. */
    taken(&world, balloon_check(&a, world.now, 300));
    get(&world, child, &b);
    assert_true(open_alert(child, world.now, PROTO_ALERT_BALLOON_LOW));
    taken(&world, balloon_check(&b, world.now + 1000, 480));
    world.now += 2000;
    get(&world, child, &a);
    assert_false(open_alert(child, world.now, PROTO_ALERT_BALLOON_LOW));
    world_verify(&world);
    /* A third joins, and the latest `into` is what it is shown under. */
    struct proto_id c = world_child(&world, "mill-lane");
    taken(&world, merge(&c, world.now, &a));
    get(&world, child, &b);
    assert_memory_equal(&child->shown, &a, sizeof a);
    world_verify(&world);
    /* Parted again: the first merge was wrong; what was recorded about each stays with it. */
    taken(&world, withdrawal(&b, world.now, &join.id));
    get(&world, child, &b);
    assert_memory_equal(&child->root, &b, sizeof b);
    assert_memory_equal(&child->shown, &b, sizeof b);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    get(&world, child, &c);
    assert_memory_equal(&child->shown, &a, sizeof a);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    world_verify(&world);
    world_crash(&world, true, 7);
    work_child_free(child);
    child = work_child_new(world.work);
    get(&world, child, &b);
    assert_memory_equal(&child->root, &b, sizeof b);
    world_verify(&world);
    work_child_free(child);
    world_deinit(&world);
}

/* A withdrawal, its confirmation and its target in every order, and a replacement among them. */
static void test_withdrawals_in_any_order(void **state) {
    (void)state;
    static const uint8_t orders[6][3] = {{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}};
    struct store_bytes first = {0};
    uint8_t kept[PROTO_STATE_BYTES_MAX];
    for (int o = 0; o < 6; o++) {
        struct world world;
        world_init(&world, 9);
        struct proto_id child_id = world_child(&world, "north-shore");
        struct proto_event events[3];
        events[0] = tube_out(&child_id, world.now - EV_HOUR); /* grave: a second person must confirm its withdrawal */
        struct proto_id ids[3];
        for (int i = 0; i < 3; i++)
            ids[i] = world_id(&world);
        events[1] = withdrawal(&child_id, world.now - EV_MIN, &ids[0]);
        events[2] = confirmation(&child_id, world.now, &ids[1]);
        for (int i = 0; i < 3; i++)
            events[i].id = ids[i];
        struct work_child *child = work_child_new(world.work);
        for (int i = 0; i < 3; i++) {
            uint8_t at = orders[o][i];
            taken_as(&world, at == 2 ? "second" : "nurse", events[at]);
            world_verify(&world);
            get(&world, child, &child_id);
            bool target = at == 0 || orders[o][0] == 0 || (i > 1 && orders[o][1] == 0);
            assert_int_equal(open_alert(child, world.now, PROTO_ALERT_TUBE_OUT), target && i < 2);
        }
        struct store_txn *txn;
        struct store_bytes value;
        assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
        assert_int_equal(store_get(txn, STORE_STATES, child->root.bytes, 16, &value), PROTO_OK);
        if (o == 0) {
            memcpy(kept, value.data, value.size);
            first = (struct store_bytes){kept, value.size};
        }
        assert_int_equal(value.size, first.size);
        store_read_end(txn);
        work_child_free(child);
        world_deinit(&world);
    }
}

static void test_replacements(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 10);
    struct proto_id id = world_child(&world, "north-shore");
    struct work_child *child = work_child_new(world.work);
    struct proto_event wrong = balloon_check(&id, world.now - EV_HOUR, 300);
    taken(&world, wrong);
    struct proto_event right = balloon_check(&id, world.now - EV_HOUR, 480);
    right.has_replaces = true;
    right.replaces = wrong.id;
    taken(&world, right);
    get(&world, child, &id);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    assert_int_equal(child->state.stomas[0].checks[0].withdrawn_ml, 480);
    /* Of two that compete the last in order counts, whichever came first. */
    struct proto_event rival = balloon_check(&id, world.now - EV_HOUR - 1, 410);
    rival.has_replaces = true;
    rival.replaces = wrong.id;
    taken(&world, rival);
    get(&world, child, &id);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    assert_int_equal(child->state.stomas[0].checks[0].withdrawn_ml, 480);
    taken(&world, withdrawal(&id, world.now, &right.id));
    get(&world, child, &id);
    assert_int_equal(child->state.stomas[0].checks[0].withdrawn_ml, 410);
    world_verify(&world);
    struct care_void voids[8];
    uint32_t count = 0;
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_voids_read(txn, &id, voids, 8, &count), PROTO_OK);
    store_read_end(txn);
    assert_int_equal(count, 3);
    work_child_free(child);
    world_deinit(&world);
}

/* Long histories with late events in the middle: checkpoints are moved along. */
static void test_late_events_and_checkpoints(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 11);
    struct proto_id id = world_child(&world, "north-shore");
    static struct proto_event events[400];
    for (int i = 0; i < 400; i++)
        events[i] = balloon_check(&id, world.now - (400 - i) * EV_HOUR, 440 + i % 50);
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, events, 400, &answer), PROTO_OK);
    answer_deinit(&answer);
    world_verify(&world);
    struct work_counts before, after;
    work_counts_get(world.work, &before);
    taken(&world, balloon_check(&id, world.now, 450));
    work_counts_get(world.work, &after);
    assert_int_equal(after.folds - before.folds, 1); /* later than all: one step */
    before = after;
    taken(&world, balloon_check(&id, world.now - 20 * EV_HOUR - 1, 450));
    work_counts_get(world.work, &after);
    assert_in_range(after.folds - before.folds, 20, 22 + PROTO_CHECKPOINT_EVERY);
    world_verify(&world);
    taken(&world, balloon_check(&id, world.now - 399 * EV_HOUR - 1, 450)); /* before every checkpoint */
    taken(&world, withdrawal(&id, world.now, &events[200].id));
    world_verify(&world);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_two_records_are_one_child), cmocka_unit_test(test_withdrawals_in_any_order),
        cmocka_unit_test(test_replacements), cmocka_unit_test(test_late_events_and_checkpoints)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
