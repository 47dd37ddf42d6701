/*
 * answers_test.c - what a call is told: opened and settled, its own and nobody else's; like events; statuses; truncation.
 */
#include "world.h"

static void record(struct world *world, enum work_want want, const struct proto_event *events, uint32_t count,
                   struct answer *answer) {
    if (world_record_as(world, &world_nurse, want, events, count, answer) != PROTO_OK)
        fail_msg("%s", answer->fault.message);
}

static void test_opened_and_settled(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 1);
    struct proto_id child = world_child(&world, "north-shore");
    struct proto_event low = balloon_check(&child, world.now, 300);
    record(&world, WORK_WANT_OPENED, &low, 1, &answer);
    assert_int_equal(answer_count(&answer, "opened"), 1);
    assert_true(answer_has(&answer, "opened", "name", "balloon-low"));
    assert_true(answer_has(&answer, "opened", "label", "HM-0001"));
    assert_true(answer_has(&answer, "opened", "team", "north-shore"));
    assert_true(answer_has(&answer, "settled", "name", "no-word"));
    answer_deinit(&answer);
    world.now += EV_DAY;
    struct proto_event good = balloon_check(&child, world.now, 480);
    record(&world, WORK_WANT_OPENED, &good, 1, &answer);
    assert_int_equal(answer_count(&answer, "opened"), 0);
    assert_true(answer_has(&answer, "settled", "name", "balloon-low"));
    answer_deinit(&answer);
    /* In one call: what it opens and settles again is settled, not open. */
    world.now += EV_DAY;
    struct proto_event both[] = {balloon_check(&child, world.now - EV_HOUR * 2, 300),
                                 balloon_check(&child, world.now, 490)};
    record(&world, WORK_WANT_OPENED, both, 2, &answer);
    assert_false(answer_has(&answer, "opened", "name", "balloon-low"));
    assert_true(answer_has(&answer, "settled", "name", "balloon-low"));
    answer_deinit(&answer);
    struct proto_event note = of_child(&child, EV(note_written, world.now, F_TEXT(note_written, text, "quiet")));
    record(&world, WORK_WANT_NONE, &note, 1, &answer);
    assert_int_equal(answer_count(&answer, "opened") + answer_count(&answer, "settled"), 0);
    assert_null(object_field(&answer.unpacked.data, "statuses"));
    assert_null(object_field(&answer.unpacked.data, "truncated"));
    answer_deinit(&answer);
    world_verify(&world);
    world_deinit(&world);
}

/* Two calls about one child in one batch: each is told what its own events did. */
static void test_each_call_its_own(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct world world;
        struct answer answers[3];
        world_init(&world, seed);
        struct proto_id child = world_child(&world, "north-shore");
        struct proto_event low = balloon_check(&child, world.now - 2 * EV_MIN, 300),
                           out = tube_out(&child, world.now - EV_MIN);
        struct proto_event plan =
            of_child(&child, EV(emergency_plan_set, world.now, F_TEXT(emergency_plan_set, steps, "call"),
                                F_TEXT(emergency_plan_set, prescriber, "Dr A")));
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &low, 1, &answers[0]);
        world_send(&world, &world_nurse, WORK_WANT_NONE, &plan, 1, &answers[1]);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &out, 1, &answers[2]);
        world_run(&world);
        struct work_counts counts;
        work_counts_get(world.work, &counts);
        assert_int_equal(counts.batches, 2); /* the child's own making, and these three */
        assert_true(answer_has(&answers[0], "opened", "name", "balloon-low"));
        assert_false(answer_has(&answers[0], "opened", "name", "tube-out"));
        assert_false(answer_has(&answers[0], "settled", "name", "emergency-plan-missing"));
        assert_true(answer_has(&answers[2], "opened", "name", "tube-out"));
        assert_false(answer_has(&answers[2], "opened", "name", "balloon-low"));
        for (int i = 0; i < 3; i++)
            answer_deinit(&answers[i]);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* How often an alert of that name was opened. */
static uint32_t times_opened(const struct answer *answer, const char *name) {
    const msgpack_object *opened = object_field(&answer->unpacked.data, "opened");
    uint32_t times = 0;
    for (uint32_t i = 0; i < opened->via.array.size; i++) {
        const msgpack_object *value = object_field(&opened->via.array.ptr[i], "name");
        times += value->via.str.size == strlen(name) && memcmp(value->via.str.ptr, name, strlen(name)) == 0;
    }
    return times;
}

/* An alert is said once in a call, whether it opens, rests on an event sent again, or both. */
static void test_each_alert_once(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 12);
    struct proto_id child = world_child(&world, "north-shore");
    struct proto_event low = balloon_check(&child, world.now, 300);
    struct proto_event twice[] = {low, low};
    record(&world, WORK_WANT_OPENED, twice, 2, &answer);
    assert_int_equal(times_opened(&answer, "balloon-low"), 1);
    assert_int_equal(answer_count(&answer, "repeated"), 1);
    answer_deinit(&answer);
    record(&world, WORK_WANT_OPENED, twice, 2, &answer);
    assert_int_equal(times_opened(&answer, "balloon-low"), 1);
    assert_int_equal(answer_count(&answer, "repeated"), 2);
    answer_deinit(&answer);
    /* Two events behind one alert, sent again together with a third that is new. */
    struct proto_event three[] = {low, balloon_check(&child, world.now + 1, 310),
                                  balloon_check(&child, world.now + 2, 290)};
    record(&world, WORK_WANT_OPENED, &three[1], 1, &answer);
    answer_deinit(&answer);
    record(&world, WORK_WANT_OPENED, three, 3, &answer);
    assert_int_equal(times_opened(&answer, "balloon-low"), 1);
    answer_deinit(&answer);
    world_verify(&world);
    world_deinit(&world);
}

static void test_alike(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 3);
    struct proto_id child = world_child(&world, "north-shore");
    struct proto_event first = tube_out(&child, world.now - EV_HOUR), second = tube_out(&child, world.now);
    struct proto_event third = tube_out(&child, world.now - EV_HOUR - 1), fourth = tube_out(&child, world.now - EV_MIN);
    char id[PROTO_ID_TEXT_BYTES + 1];
    record(&world, WORK_WANT_OPENED, &first, 1, &answer);
    assert_int_equal(answer_count(&answer, "alike"), 0);
    answer_deinit(&answer);
    record(&world, WORK_WANT_OPENED, &second, 1, &answer); /* exactly 60 minutes apart */
    assert_int_equal(answer_count(&answer, "alike"), 1);
    proto_id_format(&first.id, id);
    assert_true(answer_has(&answer, "alike", "like", id));
    proto_id_format(&second.id, id);
    assert_true(answer_has(&answer, "alike", "event", id));
    answer_deinit(&answer);
    record(&world, WORK_WANT_OPENED, &third, 1, &answer); /* a millisecond more than 60 minutes from the second */
    assert_int_equal(answer_count(&answer, "alike"), 1);
    proto_id_format(&first.id, id);
    assert_true(answer_has(&answer, "alike", "like", id));
    answer_deinit(&answer);
    fourth.has_same_as = true; /* one happening, as it says itself: only the others are pointed out */
    fourth.same_as = second.id;
    record(&world, WORK_WANT_OPENED, &fourth, 1, &answer);
    assert_int_equal(answer_count(&answer, "alike"), 2);
    proto_id_format(&second.id, id);
    assert_false(answer_has(&answer, "alike", "like", id));
    answer_deinit(&answer);
    world_deinit(&world);
}

/* What an event names makes it another one; of two looks at the site the second may clear what the first found. */
static void test_not_alike(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 7);
    struct proto_id child = world_child(&world, "north-shore");
#define DEFERRED(name)                                                                                                 \
    of_child(&child, EV(task_deferred, world.now, F_TEXT(task_deferred, task, name),                                   \
                        F(task_deferred, until, ev_day(2026, 3, 5)), F_TEXT(task_deferred, reason, "away")))
#define LOOKED(redness_seen) of_child(&child, EV(site_checked, world.now, F(site_checked, redness, redness_seen)))
    struct proto_event first[] = {DEFERRED("site-care"), DEFERRED("weight"), LOOKED(PROTO_redness_red),
                                  LOOKED(PROTO_redness_none)};
    record(&world, WORK_WANT_OPENED, first, 4, &answer);
    assert_int_equal(answer_count(&answer, "alike"), 0);
    answer_deinit(&answer);
    struct proto_event again[] = {DEFERRED("weight"), LOOKED(PROTO_redness_red)};
    record(&world, WORK_WANT_OPENED, again, 2, &answer);
    assert_int_equal(answer_count(&answer, "alike"), 2);
    char id[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(&first[1].id, id);
    assert_true(answer_has(&answer, "alike", "like", id));
    proto_id_format(&first[2].id, id);
    assert_true(answer_has(&answer, "alike", "like", id));
    answer_deinit(&answer);
    world_deinit(&world);
}

static void expect_note(const struct answer *answer, const struct proto_event *event, const char *field) {
    char id[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(&event->id, id);
    assert_int_equal(answer_count(answer, "notes"), 1);
    assert_true(answer_has(answer, "notes", "event", id));
    assert_true(answer_has(answer, "notes", "field", field));
}

/* A call about an alert that it does not answer, and a weight that is hardly a child's: recorded, and said. */
static void test_notes(void **state) {
    (void)state;
    for (int merged = 0; merged < 2; merged++) {
        struct world world;
        struct answer answer;
        world_init(&world, 8);
        struct proto_id child = world_child(&world, "north-shore"), other = world_child(&world, "north-shore");
        assert_int_equal(world_record(&world, balloon_check(&child, world.now - EV_HOUR, 300)), PROTO_OK);
        struct proto_event about =
            of_child(&child, EV(contact_made, world.now, F(contact_made, to, PROTO_contact_to_family),
                                F(contact_made, about, EV_BIT(PROTO_ALERT_BALLOON_LOW)),
                                F(contact_made, outcome, PROTO_outcome_answered)));
        struct proto_event calls[] = {about, merge(&other, world.now, &child)};
        record(&world, WORK_WANT_OPENED, calls, merged ? 2 : 1, &answer);
        expect_note(&answer, &about, "about");
        answer_deinit(&answer);
        record(&world, WORK_WANT_OPENED, calls, merged ? 2 : 1, &answer); /* the answer was lost: it is said again */
        assert_int_equal(answer_count(&answer, "repeated"), merged ? 2 : 1);
        expect_note(&answer, &about, "about");
        answer_deinit(&answer);
        record(&world, WORK_WANT_NONE, calls, 1, &answer);
        assert_int_equal(answer_count(&answer, "notes"), 0);
        answer_deinit(&answer);
        struct proto_event heavy =
            of_child(&child, EV(weight_measured, world.now, F(weight_measured, weight_kg, 24500)));
        record(&world, WORK_WANT_OPENED, &heavy, 1, &answer);
        expect_note(&answer, &heavy, "weight_kg");
        answer_deinit(&answer);
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_statuses(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 4);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    struct proto_event events[] = {balloon_check(&a, world.now, 450), balloon_check(&b, world.now, 460),
                                   balloon_check(&a, world.now + 1, 470)};
    record(&world, WORK_WANT_STATUSES, events, 3, &answer);
    assert_int_equal(answer_count(&answer, "statuses"), 2);
    char id[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(&a, id);
    assert_true(answer_has(&answer, "statuses", "patient", id));
    proto_id_format(&b, id);
    assert_true(answer_has(&answer, "statuses", "patient", id));
    answer_deinit(&answer);
    /* A repeated event brings the status as it is now. */
    record(&world, WORK_WANT_STATUSES, events, 1, &answer);
    assert_int_equal(answer_count(&answer, "statuses"), 1);
    answer_deinit(&answer);
    world_deinit(&world);
}

static void test_a_long_answer_is_cut(void **state) {
    (void)state;
    enum { MANY = 500 };
    struct world world;
    struct answer answer;
    static struct proto_event events[MANY];
    static struct proto_id children[MANY];
    world_init(&world, 5);
    for (int i = 0; i < MANY; i++)
        children[i] = world_child(&world, "north-shore");
    for (int i = 0; i < MANY; i++)
        events[i] = balloon_check(&children[i], world.now, 300);
    struct proto_fault fault;
    struct work_call *call = work_call_new(world.work, &world_nurse, WORK_WANT_STATUSES);
    for (int i = 0; i < MANY; i++)
        assert_int_equal(work_call_add(call, &events[i], &fault), PROTO_OK);
    memset(&answer, 0, sizeof answer);
    work_submit(world.work, call, world_on_done, &answer);
    world_run(&world);
    assert_int_equal(answer.code, PROTO_OK);
    assert_true(object_field(&answer.unpacked.data, "truncated")->via.boolean);
    assert_int_equal(answer_count(&answer, "seqs"), MANY);
    assert_int_equal(answer_count(&answer, "opened"), MANY); /* what opened comes first */
    assert_true(answer_count(&answer, "statuses") < MANY);
    answer_deinit(&answer);
    world_deinit(&world);
}

/* Any mix of the wants gives the same stored rows as none at all. */
static void test_wanting_changes_nothing(void **state) {
    (void)state;
    struct world asked, silent;
    world_init(&asked, 6);
    world_init(&silent, 6);
    struct proto_id child = world_child(&asked, "north-shore");
    struct proto_id other = world_child(&silent, "north-shore");
    assert_memory_equal(&child, &other, sizeof child); /* same seed, same ids */
    for (int i = 0; i < 60; i++) {
        int64_t at = asked.now - (i * 37 % 60) * EV_HOUR;
        struct proto_event event = i % 9 == 8 ? tube_out(&child, at) : balloon_check(&child, at, 300 + i % 5 * 45);
        struct answer answer;
        assert_int_equal(world_record_as(&asked, &world_nurse, (enum work_want)(i % 3), &event, 1, &answer), PROTO_OK);
        answer_deinit(&answer);
        assert_int_equal(world_record_as(&silent, &world_nurse, WORK_WANT_NONE, &event, 1, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
    struct store_txn *x, *y;
    struct store_bytes a, b;
    assert_int_equal(store_read_begin(asked.store, &x), PROTO_OK);
    assert_int_equal(store_read_begin(silent.store, &y), PROTO_OK);
    assert_int_equal(store_get(x, STORE_SCHEDULES, child.bytes, 16, &a), PROTO_OK);
    assert_int_equal(store_get(y, STORE_SCHEDULES, child.bytes, 16, &b), PROTO_OK);
    assert_int_equal(a.size, b.size);
    /* The registrations differ by the ids of their events; the schedule holds those of the evidence. */
    store_read_end(x);
    store_read_end(y);
    world_verify(&asked);
    world_verify(&silent);
    world_deinit(&asked);
    world_deinit(&silent);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_opened_and_settled),
                                       cmocka_unit_test(test_each_call_its_own),
                                       cmocka_unit_test(test_each_alert_once),
                                       cmocka_unit_test(test_alike),
                                       cmocka_unit_test(test_not_alike),
                                       cmocka_unit_test(test_notes),
                                       cmocka_unit_test(test_statuses),
                                       cmocka_unit_test(test_a_long_answer_is_cut),
                                       cmocka_unit_test(test_wanting_changes_nothing)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
