/*
 * context_test.c - policy and recalls: settling in the background, right at once for one child, resumed after a kill; and
 * events whose time has not come.
 */
#include "world.h"

#define CHILDREN 700

static void adopt(struct world *world, int64_t at, const char *team, const char *name, int64_t value, bool run) {
    struct policy_event adopted;
    struct answer answer;
    policy_adopted(world, &adopted, at, team, name, value);
    world_send(world, &world_nurse, WORK_WANT_NONE, &adopted.event, 1, &answer);
    while (!answer.done)
        assert_true(work_run_one(world->work));
    assert_int_equal(answer.code, PROTO_OK);
    answer_deinit(&answer);
    msgpack_unpacked_destroy(&adopted.unpacked);
    if (run)
        world_run(world);
}

static void get(struct world *world, struct work_child *child, const struct proto_id *id, int64_t now) {
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world->work, txn, id, now, child), PROTO_OK);
    store_read_end(txn);
}

static int32_t check_due(const struct work_child *child) {
    for (uint32_t i = 0; i < child->schedule.task_count; i++)
        if (child->schedule.tasks[i].task == PROTO_TASK_BALLOON_CHECK)
            return child->schedule.tasks[i].due_day;
    fail_msg("no balloon check is planned");
    return 0;
}

static bool has_alert(const struct work_child *child, enum proto_alert alert) {
    for (uint32_t i = 0; i < child->schedule.alert_count; i++)
        if (child->schedule.alerts[i].alert == alert && child->schedule.alerts[i].ended_how == CARE_ENDED_NOT)
            return true;
    return false;
}

static struct work_progress progress(const struct world *world) {
    struct work_progress made;
    work_progress_get(world->work, &made);
    return made;
}

static void test_a_policy_settles(void **state) {
    (void)state;
    struct world world;
    static struct proto_id ids[CHILDREN];
    world_init(&world, 1);
    for (int i = 0; i < CHILDREN; i++) {
        ids[i] = world_child(&world, i % 2 ? "north-shore" : "mill-lane");
        assert_int_equal(world_record(&world, balloon_check(&ids[i], world.now, 480)), PROTO_OK);
    }
    struct work_child *child = work_child_new(world.work);
    get(&world, child, &ids[CHILDREN - 1], world.now);
    int32_t due = check_due(child);
    assert_false(child->replanned);
    adopt(&world, world.now, NULL, "balloon-check-days", 500, false);
    assert_true(progress(&world).settling);
    assert_int_equal(progress(&world).settling_of, CHILDREN);
    get(&world, child, &ids[CHILDREN - 1], world.now); /* right at once, though its turn has not come */
    assert_true(child->replanned);
    assert_int_equal(check_due(child), due - 2);
    /* Recording goes on in between. */
    assert_int_equal(progress(&world).settling, true);
    struct answer answer;
    struct proto_event event = balloon_check(&ids[3], world.now + 1, 450);
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer);
    while (!answer.done)
        assert_true(work_run_one(world.work));
    assert_int_equal(answer.code, PROTO_OK);
    answer_deinit(&answer);
    assert_true(progress(&world).settling);
    world_verify(&world); /* in the middle, too */
    /* Killed in the middle: it goes on where it stood. */
    uint64_t done = progress(&world).settling_done;
    assert_true(done > 0);
    work_close(world.work);
    store_memory_crash(world.store, false);
    world_start(&world, 5);
    assert_int_equal(progress(&world).settling_done, done);
    assert_true(progress(&world).settling);
    world_run(&world);
    assert_false(progress(&world).settling);
    world_verify(&world);
    work_child_free(child);
    child = work_child_new(world.work);
    for (int i = 0; i < CHILDREN; i += 50) {
        get(&world, child, &ids[i], world.now);
        assert_false(child->replanned);
        assert_int_equal(check_due(child), due - 2);
    }
    /* One team's own value beats that for all, whatever the dates; the other team's children are not touched. */
    struct work_counts before, after;
    work_counts_get(world.work, &before);
    adopt(&world, world.now - EV_DAY, "mill-lane", "balloon-check-days", 300, true);
    work_counts_get(world.work, &after);
    assert_int_equal(after.replans - before.replans, CHILDREN / 2);
    get(&world, child, &ids[0], world.now);
    assert_int_equal(check_due(child), due - 4);
    get(&world, child, &ids[1], world.now);
    assert_int_equal(check_due(child), due - 2);
    world_verify(&world);
    struct care_policy policy;
    static int64_t adopted_at[PROTO_POLICY_COUNT];
    static char approved_by[PROTO_POLICY_COUNT][PROTO_TEXT_SHORT_MAX + 4];
    assert_int_equal(
        work_policy_get(world.work, (struct proto_slice){"mill-lane", 9}, &policy, adopted_at, approved_by), PROTO_OK);
    assert_int_equal(policy.value[PROTO_POLICY_BALLOON_CHECK_DAYS], 300);
    assert_int_equal(adopted_at[PROTO_POLICY_BALLOON_CHECK_DAYS], world.now - EV_DAY);
    assert_string_equal(approved_by[PROTO_POLICY_BALLOON_CHECK_DAYS], "Lead nurse");
    assert_int_equal(adopted_at[PROTO_POLICY_FEVER_C], 0);
    work_child_free(child);
    world_deinit(&world);
}

static void test_a_recall_finds_its_devices(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 2);
    struct proto_id ids[60];
    for (int i = 0; i < 60; i++) {
        ids[i] = world_id(&world);
        int64_t at = world.now - 40 * EV_DAY;
        struct proto_event placed = placement(&ids[i], at + 2);
        if (i % 3) { /* every third lot is unrecorded */
            /* one lot, however it is written */
            const char *lot = i % 3 == 1 ? "a-1" : "B2 ";
            placed.body[PROTO_FIELD_device_placed_lot] =
                (struct proto_value){.present = true, .type = PROTO_TYPE_TEXT, .text = {lot, 3}};
        }
        struct proto_event events[] = {registration(&ids[i], at, "north-shore"), stoma_formed(&ids[i], at + 1), placed};
        struct answer answer;
        assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, events, 3, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
    struct work_counts before, after;
    work_counts_get(world.work, &before);
    struct proto_event recall =
        EV(lot_recalled, world.now, F_TEXT(lot_recalled, lot, "A1"), F_TEXT(lot_recalled, notice, "N-7"),
           F(lot_recalled, urgency, PROTO_URGENCY_TODAY), F_TEXT(lot_recalled, action, "change it"));
    assert_int_equal(world_record(&world, recall), PROTO_OK);
    work_counts_get(world.work, &after);
    assert_int_equal(after.replans - before.replans, 40); /* that lot, and those unrecorded */
    struct work_child *child = work_child_new(world.work);
    for (int i = 0; i < 60; i++) {
        get(&world, child, &ids[i], world.now);
        assert_int_equal(has_alert(child, PROTO_ALERT_RECALLED_LOT), i % 3 != 2);
    }
    world_verify(&world);
    world_crash(&world, true, 3);
    world_verify(&world);
    work_child_free(child);
    world_deinit(&world);
}

/* Rows of the devices in use with this lot. */
static uint32_t in_use(struct world *world, const char *lot) {
    struct store_txn *txn;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_device_row row;
    uint32_t count = 0;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    enum proto_error error = store_scan_begin(txn, STORE_DEVICES, NULL, 0, NULL, 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        assert_int_equal(work_device_row_read(key, value, &row), PROTO_OK);
        count += proto_slice_is(row.lot, lot);
    }
    assert_int_equal(error, PROTO_NOT_FOUND);
    store_scan_end(scan);
    store_read_end(txn);
    return count;
}

static uint32_t ended_recalls(const struct work_child *child) {
    uint32_t count = 0;
    for (uint32_t i = 0; i < child->schedule.alert_count; i++)
        count += child->schedule.alerts[i].alert == PROTO_ALERT_RECALLED_LOT &&
                 child->schedule.alerts[i].ended_how != CARE_ENDED_NOT;
    return count;
}

static struct proto_event placement_of(const struct proto_id *patient, int64_t at, const char *lot) {
    struct proto_event placed = placement(patient, at);
    placed.body[PROTO_FIELD_device_placed_lot] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_TEXT, .text = {lot, (uint32_t)strlen(lot)}};
    return placed;
}

static struct proto_event recall_of(int64_t at, const char *lot) {
    return EV(lot_recalled, at, F_TEXT(lot_recalled, lot, lot), F_TEXT(lot_recalled, notice, "N-8"),
              F(lot_recalled, urgency, PROTO_URGENCY_TODAY), F_TEXT(lot_recalled, action, "change it"));
}

/* A catheter that keeps the stoma open is a device in use, in place of the one that came out; gone, it is found by a notice of its time. */
static void test_a_recall_finds_catheters(void **state) {
    (void)state;
    enum { KEPT, GONE, OTHER, COUNT };
    struct world world;
    struct proto_id ids[COUNT];
    struct work_child *child;
    world_init(&world, 8);
    child = work_child_new(world.work);
    for (int i = 0; i < COUNT; i++) {
        ids[i] = world_id(&world);
        int64_t at = world.now - 9 * EV_DAY;
        assert_int_equal(world_record(&world, registration(&ids[i], at, "north-shore")), PROTO_OK);
        assert_int_equal(world_record(&world, stoma_formed(&ids[i], at + 1)), PROTO_OK);
        assert_int_equal(world_record(&world, placement_of(&ids[i], at + 2, "Z9")), PROTO_OK);
        assert_int_equal(world_record(&world, tube_out(&ids[i], world.now - 4 * EV_DAY)), PROTO_OK);
        struct proto_event catheter = placement_of(&ids[i], world.now - 3 * EV_DAY, i == OTHER ? "C-8" : "C-7");
        catheter.body[PROTO_FIELD_device_placed_purpose] =
            (struct proto_value){.present = true, .type = PROTO_TYPE_CHOICE, .n = PROTO_purpose_keep_open};
        assert_int_equal(world_record(&world, catheter), PROTO_OK);
    }
    assert_int_equal(in_use(&world, "Z9"), 0);
    assert_int_equal(in_use(&world, "C-7"), 2);
    assert_int_equal(in_use(&world, "C-8"), 1);
    assert_int_equal(world_record(&world, placement_of(&ids[GONE], world.now - EV_DAY, "Z1")), PROTO_OK);
    assert_int_equal(in_use(&world, "C-7"), 1);
    world_verify(&world);
    struct work_counts before, after;
    work_counts_get(world.work, &before);
    assert_int_equal(world_record(&world, recall_of(world.now - 2 * EV_DAY, "c7")), PROTO_OK);
    work_counts_get(world.work, &after);
    assert_int_equal(after.replans - before.replans, 2);
    for (int i = 0; i < COUNT; i++) {
        get(&world, child, &ids[i], world.now);
        assert_int_equal(has_alert(child, PROTO_ALERT_RECALLED_LOT), i == KEPT);
        assert_int_equal(ended_recalls(child), i == GONE);
    }
    world_verify(&world);
    world_crash(&world, true, 3);
    world_verify(&world);
    work_child_free(child);
    world_deinit(&world);
}

/* A notice learnt late was in force while a device was in place that is gone by now, or that had been written down by mistake: that this
 * ended is shown, and no device on record bears the lot any more. */
static void test_a_recall_finds_what_ended(void **state) {
    (void)state;
    enum { REPLACED, VOIDED, OTHER, COUNT };
    struct world world;
    struct proto_id ids[COUNT];
    world_init(&world, 6);
    for (int i = 0; i < COUNT; i++) {
        ids[i] = world_id(&world);
        int64_t at = world.now - 9 * EV_DAY;
        assert_int_equal(world_record(&world, registration(&ids[i], at, "north-shore")), PROTO_OK);
        assert_int_equal(world_record(&world, stoma_formed(&ids[i], at + 1)), PROTO_OK);
        assert_int_equal(world_record(&world, placement_of(&ids[i], at + 2, i == REPLACED ? "a-1" : "Z9")), PROTO_OK);
    }
    assert_int_equal(world_record(&world, placement_of(&ids[REPLACED], world.now - EV_DAY, "Z9")), PROTO_OK);
    struct proto_event mistake = placement_of(&ids[VOIDED], world.now - 8 * EV_DAY, "a 1");
    assert_int_equal(world_record(&world, mistake), PROTO_OK);
    assert_int_equal(world_record(&world, withdrawal(&ids[VOIDED], world.now - EV_DAY, &mistake.id)), PROTO_OK);
    struct work_counts before, after;
    struct work_child *child = work_child_new(world.work);
    /* On the day it is given out there is nobody left to whom it says anything; the next one was there before. */
    static const int64_t ages[] = {0, 3 * EV_DAY};
    for (int n = 0; n < 2; n++) {
        work_counts_get(world.work, &before);
        assert_int_equal(world_record(&world, recall_of(world.now - ages[n], "A1")), PROTO_OK);
        work_counts_get(world.work, &after);
        assert_int_equal(after.replans - before.replans, 2);
        for (int i = 0; i < COUNT; i++) {
            get(&world, child, &ids[i], world.now);
            assert_false(has_alert(child, PROTO_ALERT_RECALLED_LOT));
            assert_int_equal(ended_recalls(child), n == 1 && i != OTHER);
        }
        world_verify(&world);
    }
    work_child_free(child);
    world_deinit(&world);
}

static void test_what_is_dated_ahead_waits(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 3);
    struct proto_id id = world_child(&world, "north-shore");
    struct work_child *child = work_child_new(world.work);
    assert_true(work_next_tick(world.work) == INT64_MAX);
    int64_t at = world.now + 3 * EV_MIN;
    struct answer answer;
    struct proto_event event = balloon_check(&id, at, 300);
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer), PROTO_OK);
    assert_false(answer_has(&answer, "opened", "name", "balloon-low"));
    answer_deinit(&answer);
    assert_true(work_next_tick(world.work) == at);
    world_verify(&world);
    get(&world, child, &id, world.now);
    assert_int_equal(child->state.stomas[0].check_count, 0);
    assert_int_equal(child->state.waiting_count, 1);
    get(&world, child, &id, at); /* a read whose time has come folds it in itself */
    assert_int_equal(child->state.stomas[0].check_count, 1);
    assert_int_equal(child->state.waiting_count, 0);
    assert_true(has_alert(child, PROTO_ALERT_BALLOON_LOW));
    work_tick(world.work); /* too early: nothing happens */
    world_run(&world);
    assert_true(work_next_tick(world.work) == at);
    world_crash(&world, false, 4);
    assert_true(work_next_tick(world.work) == at);
    world.now = at;
    work_tick(world.work);
    world_run(&world);
    assert_true(work_next_tick(world.work) == INT64_MAX);
    world_verify(&world);
    work_child_free(child);
    child = work_child_new(world.work);
    get(&world, child, &id, world.now);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    /* A policy waits as well, and takes effect at its time. */
    adopt(&world, world.now + EV_MIN, NULL, "balloon-check-days", 300, true);
    assert_false(progress(&world).settling);
    assert_true(work_next_tick(world.work) == world.now + EV_MIN);
    get(&world, child, &id, world.now);
    int32_t due = check_due(child);
    world_verify(&world);
    world.now += EV_MIN;
    /* Another child's event after that time brings it about, too. */
    struct proto_id other = world_child(&world, "north-shore");
    world_run(&world);
    get(&world, child, &id, world.now);
    assert_int_equal(check_due(child), due - 4);
    assert_false(child->replanned);
    (void)other;
    world_verify(&world);
    world_crash(&world, true, 9);
    world_verify(&world);
    work_child_free(child);
    world_deinit(&world);
}

static void test_as_it_stood_then(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id id = world_child(&world, "north-shore");
    int64_t start = world.now;
    assert_int_equal(world_record(&world, balloon_check(&id, start, 480)), PROTO_OK);
    world.now = start + 2 * EV_DAY;
    assert_int_equal(world_record(&world, balloon_check(&id, start + EV_DAY, 300)), PROTO_OK); /* learnt a day late */
    adopt(&world, world.now, NULL, "balloon-check-days", 300, true);
    world.now = start + 3 * EV_DAY;
    struct work_child *child = work_child_new(world.work);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    /* At that time, from all that is known now. */
    assert_int_equal(work_child_get_then(world.work, txn, &id, start + EV_DAY, INT64_MAX, world.now, child), PROTO_OK);
    assert_int_equal(child->state.stomas[0].check_count, 2);
    assert_int_equal(child->context.policy->value[PROTO_POLICY_BALLOON_CHECK_DAYS], 700);
    assert_false(child->other_rules);
    /* From what was known then: the late one was not. */
    assert_int_equal(work_child_get_then(world.work, txn, &id, start + EV_DAY, start + EV_DAY, world.now, child),
                     PROTO_OK);
    assert_int_equal(child->state.stomas[0].check_count, 1);
    assert_false(has_alert(child, PROTO_ALERT_BALLOON_LOW));
    assert_int_equal(work_child_get_then(world.work, txn, &id, INT64_MAX, start + 2 * EV_DAY, world.now, child),
                     PROTO_OK);
    assert_int_equal(child->state.stomas[0].check_count, 2);
    assert_int_equal(child->context.policy->value[PROTO_POLICY_BALLOON_CHECK_DAYS], 300);
    assert_int_equal(work_child_get_then(world.work, txn, &id, start - 41 * EV_DAY, INT64_MAX, world.now, child),
                     PROTO_UNKNOWN_PATIENT);
    assert_int_equal(work_child_get_then(world.work, txn, &id, INT64_MAX, INT64_MAX, world.now, child), PROTO_OK);
    assert_int_equal(child->state.stomas[0].check_count, 2);
    struct proto_id nobody = world_id(&world);
    assert_int_equal(work_child_get(world.work, txn, &nobody, world.now, child), PROTO_UNKNOWN_PATIENT);
    store_read_end(txn);
    work_child_free(child);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_policy_settles),          cmocka_unit_test(test_a_recall_finds_its_devices),
        cmocka_unit_test(test_a_recall_finds_catheters),  cmocka_unit_test(test_a_recall_finds_what_ended),
        cmocka_unit_test(test_what_is_dated_ahead_waits), cmocka_unit_test(test_as_it_stood_then)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
