/*
 * erase_crash_test.c - an erasure in the middle of what a node is sent: killed at any step, nothing of the child stays in the log;
 * and what is of no child stays whatever an upstream says.
 */
#include "sync_world.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

/* Once the erasure is in the log, whoever comes up takes the bodies away. */
static void expect_none(struct world *copy, void *arg) {
    static const struct work_scope all = {.all_teams = true};
    const struct proto_id *child = arg;
    enum work_record_state state;
    struct store_txn *txn;
    assert_int_equal(store_read_begin(copy->store, &txn), PROTO_OK);
    assert_int_equal(work_record_state_get(copy->work, txn, &all, child, &state), PROTO_OK);
    store_read_end(txn);
    assert_true(state == WORK_RECORD_IN || state == WORK_RECORD_ERASED);
    assert_int_equal(bodies_of(copy, child), state == WORK_RECORD_IN ? CHILD_EVENTS : 0);
    assert_false(has_mark(copy, WORK_REMOVING_MARK));
}

static void erase_amid(bool offered) {
    struct world world;
    world_init(&world, 40 + offered);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS];
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
    page_of(&world, list, 2 * CHILD_EVENTS);
    struct work_call *call = offered ? offer_new(&world, NORTH, 0) : page_new(&world, 0);
    carry(call, make(&world, balloon_check(&ids[1], world.now - EV_DAY, 470)));
    carry(call, make(&world, erasure(&ids[0], world.now)));
    for (int i = 0; i < 3; i++) /* behind it, in the same call */
        carry(call, make(&world, balloon_check(&ids[1], world.now - i * EV_MIN, 460)));
    struct carried out;
    carry_send(&world, call, &out);
    sync_settle(&world, expect_none, &ids[0]);
    assert_true(out.done);
    expect_states(&out, "TTTTT");
    assert_int_equal(bodies_of(&world, &ids[0]), 0);
    assert_false(has_mark(&world, WORK_REMOVING_MARK));
    world_deinit(&world);
}

static void test_in_a_page(void **state) {
    (void)state;
    erase_amid(false);
}

static void test_in_an_offer(void **state) {
    (void)state;
    erase_amid(true);
}

/* An upstream that says that the events of no child have left takes no policy and no erasure away. */
static void test_the_zero_record_stays(void **state) {
    static const struct proto_id nobody;
    (void)state;
    struct world world;
    world_init(&world, 44);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[CHILD_EVENTS + 2];
    make_child(&world, &ids[0], NORTH, list);
    list[CHILD_EVENTS] = make_policy(&world, world.now - EV_DAY, "balloon-loss-ml", 60);
    list[CHILD_EVENTS + 1] = make(&world, erasure(&ids[1], world.now));
    page_of(&world, list, CHILD_EVENTS + 2);
    const char *before = picture_whole(&world, ids, 2);
    struct paged page = {.leaves = &nobody, .leave_count = 1};
    struct carried out = paged(&world, page);
    assert_int_equal(out.code, PROTO_OK);
    assert_string_equal(picture_whole(&world, ids, 2), before);
    world_crash(&world, false, 3);
    assert_string_equal(picture_whole(&world, ids, 2), before);
    world_verify(&world);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(test_in_a_page, forget),
        cmocka_unit_test_teardown(test_in_an_offer, forget),
        cmocka_unit_test_teardown(test_the_zero_record_stays, forget),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
