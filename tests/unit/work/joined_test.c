/*
 * joined_test.c - merges that are on their way, or in the very call: what is closed or merged away is judged as it will be.
 */
#include "world.h"

static struct proto_event closing(const struct proto_id *child, int64_t at) {
    return of_child(child, EV(patient_closed, at, F(patient_closed, reason, 1)));
}

static void refused_at(struct world *world, const struct proto_event *events, uint32_t count, uint32_t index) {
    struct answer answer;
    if (world_record_as(world, &world_nurse, WORK_WANT_OPENED, events, count, &answer) == PROTO_OK)
        fail_msg("the call was taken");
    assert_int_equal(answer.code, PROTO_CONFLICT);
    assert_true(answer.fault.has_event);
    assert_int_equal(answer.fault.event_index, index);
    answer_deinit(&answer);
}

static void taken(struct world *world, const struct proto_event *events, uint32_t count) {
    struct answer answer;
    if (world_record_as(world, &world_nurse, WORK_WANT_OPENED, events, count, &answer) != PROTO_OK)
        fail_msg("%s", answer.fault.message);
    answer_deinit(&answer);
}

/* One call behind the other, nothing awaited in between: a merge, a tube out of one record, the closing of the other. */
static void test_merge_on_its_way(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct world world;
        world_init(&world, seed);
        struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
        bool turned = seed % 2; /* the record that is closed is the target of the merge, or is merged away itself */
        struct proto_event events[] = {turned ? merge(&b, world.now, &a) : merge(&a, world.now, &b),
                                       tube_out(&a, world.now - EV_MIN), closing(&b, world.now)};
        struct answer answers[3];
        for (int i = 0; i < 3; i++)
            world_send(&world, &world_nurse, WORK_WANT_OPENED, &events[i], 1, &answers[i]);
        world_run(&world);
        assert_int_equal(answers[0].code, PROTO_OK);
        assert_int_equal(answers[1].code, PROTO_OK);
        assert_true(answer_has(&answers[1], "opened", "name", "tube-out"));
        assert_int_equal(answers[2].code, PROTO_CONFLICT);
        for (int i = 0; i < 3; i++)
            answer_deinit(&answers[i]);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* Withdrawing from the other record is of the same child once the merge that is on its way has arrived. */
static void test_withdrawal_behind_a_merge(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 10; seed++) {
        struct world world;
        world_init(&world, seed);
        struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
        struct proto_event check = balloon_check(&a, world.now, 300);
        taken(&world, &check, 1);
        struct proto_event join = merge(&a, world.now, &b), slip = withdrawal(&b, world.now, &check.id);
        struct answer answers[2];
        refused_at(&world, &slip, 1, 0);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &join, 1, &answers[0]);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &slip, 1, &answers[1]);
        world_run(&world);
        assert_int_equal(answers[0].code, PROTO_OK);
        assert_int_equal(answers[1].code, PROTO_OK);
        answer_deinit(&answers[0]);
        answer_deinit(&answers[1]);
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_merge_and_closing_in_one_call(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 3);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "north-shore"),
                    c = world_child(&world, "north-shore");
    /* The tube of the one is out, the other is merged into it and closed. */
    struct proto_event out = tube_out(&a, world.now - EV_MIN);
    struct proto_event together[] = {merge(&b, world.now, &a), out, closing(&b, world.now)};
    refused_at(&world, together, 3, 2);
    taken(&world, &out, 1);
    struct proto_event after[] = {closing(&b, world.now), merge(&b, world.now, &a)};
    refused_at(&world, after, 2, 0);
    struct proto_event chain[] = {merge(&b, world.now, &c), merge(&c, world.now, &a), closing(&b, world.now)};
    refused_at(&world, chain, 3, 2);
    /* Nothing is open once the tube is back: the same call is taken, and what it says of all three holds. */
    struct proto_event back =
        of_child(&a, EV(device_put_back, world.now, F(device_put_back, place, PROTO_place_hospital),
                        F(device_put_back, placed_by, PROTO_placed_by_surgeon),
                        F(device_put_back, position, PROTO_position_imaging)));
    taken(&world, &back, 1);
    chain[2].at = world.now + 1;
    taken(&world, chain, 3);
    world_verify(&world);
    struct work_child *child = work_child_new(world.work);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world.work, txn, &a, world.now + 1, child), PROTO_OK);
    assert_true(child->schedule.closed);
    store_read_end(txn);
    work_child_free(child);
    world_deinit(&world);
}

/* The merge was what settled an alert: parted again and closed in one call, the alert would be hidden. */
static void test_parting_and_closing_in_one_call(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "north-shore");
    struct proto_event join = merge(&a, world.now - 3 * EV_MIN, &b);
    struct proto_event back =
        of_child(&a, EV(device_put_back, world.now - EV_MIN, F(device_put_back, place, PROTO_place_hospital),
                        F(device_put_back, placed_by, PROTO_placed_by_surgeon),
                        F(device_put_back, position, PROTO_position_imaging)));
    struct proto_event events[] = {join, tube_out(&b, world.now - 2 * EV_MIN), back};
    for (int i = 0; i < 3; i++)
        taken(&world, &events[i], 1);
    struct proto_event parting[] = {withdrawal(&a, world.now, &join.id), closing(&b, world.now)};
    refused_at(&world, parting, 2, 1);
    parting[1] = closing(&a, world.now); /* nothing is open for this one */
    taken(&world, parting, 2);
    world_verify(&world);
    world_deinit(&world);
}

static void test_records_of_one_child_have_an_end(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 5);
    static struct proto_event events[66];
    static struct proto_id ids[66];
    for (int i = 0; i < 66; i++) {
        ids[i] = world_id(&world);
        events[i] = registration(&ids[i], world.now, "north-shore");
    }
    taken(&world, events, 66);
    for (int i = 0; i < 64; i++)
        events[i] = merge(&ids[i + 1], world.now, &ids[i]);
    refused_at(&world, events, 64, 0); /* 65 records */
    taken(&world, events, 63);
    refused_at(&world, &events[63], 1, 0);
    struct proto_event again = merge(&ids[9], world.now, &ids[40]); /* joined already: no record more */
    taken(&world, &again, 1);
    world_verify(&world);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_merge_on_its_way), cmocka_unit_test(test_withdrawal_behind_a_merge),
        cmocka_unit_test(test_merge_and_closing_in_one_call), cmocka_unit_test(test_parting_and_closing_in_one_call),
        cmocka_unit_test(test_records_of_one_child_have_an_end)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
