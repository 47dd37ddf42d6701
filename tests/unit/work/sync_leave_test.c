/*
 * sync_leave_test.c - records that leave a node and come back, one by one and as a class, while others speak of them; killed at
 * every step on the way, and compared with a store that never held what went.
 */
#include "sync_world.h"

#include "support/random_events.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

static const char *mark_of(struct world *world) {
    struct store_txn *txn;
    struct store_bytes value;
    const char *found = "";
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    if (store_read_mark(txn, "link.cursor", &value) == PROTO_OK)
        found = made_keep(value.data, value.size);
    store_read_end(txn);
    return found;
}

/* --- leaving ------------------------------------------------------------------------------------------------ */

static void test_a_record_leaves_and_comes_back(void **state) {
    (void)state;
    for (uint64_t seed = 10; seed < 13; seed++) {
        struct world world;
        world_init(&world, seed);
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        page_of(&world, list, 2 * CHILD_EVENTS);
        struct paged page = {.leaves = ids, .leave_count = 1, .mark = "gone", .list = list, .count = 2};
        struct carried out;
        sync_send(&world, send_page, &page, ids, 2, &out); /* its events of the very call are passed over */
        expect_states(&out, "HH");
        expect_unknown(&world, &ids[0]);
        assert_int_equal(bodies_of(&world, &ids[0]), 0);
        assert_false(has_mark(&world, WORK_REMOVING_MARK));
        struct system_count left = systems_of(&world, WORK_SYSTEM_LEFT);
        assert_int_equal(left.count, 1);
        assert_true(work_id_same(&left.last.record, &ids[0]));
        assert_int_equal(left.last.event_count, CHILD_EVENTS);
        assert_int_equal(left.last.at, world.now);
        const char *without = fresh_picture(&world, list + CHILD_EVENTS, CHILD_EVENTS, ids, 2);
        assert_string_equal(picture_of(&world, ids, 2), without);
        /* Once more: it is not here. */
        page = (struct paged){.leaves = ids, .leave_count = 1};
        sync_send(&world, send_page, &page, ids, 2, &out);
        assert_int_equal(out.code, PROTO_OK);
        assert_int_equal(systems_of(&world, WORK_SYSTEM_LEFT).count, 1);
        /* Nothing can be said of it here. */
        assert_int_equal(world_record(&world, balloon_check(&ids[0], world.now, 300)), PROTO_UNKNOWN_PATIENT);
        /* It comes back whole, in another order, and is what it was. */
        struct made back[CHILD_EVENTS];
        for (uint32_t i = 0; i < CHILD_EVENTS; i++)
            back[i] = list[(i * 3 + 2) % CHILD_EVENTS];
        page = (struct paged){.list = back, .count = CHILD_EVENTS, .mark = "back"};
        sync_send(&world, send_page, &page, ids, 2, &out);
        expect_states(&out, "TTTTTTT");
        assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, 2 * CHILD_EVENTS, ids, 2));
        assert_int_equal(bodies_of(&world, &ids[0]), CHILD_EVENTS);
        world_deinit(&world);
    }
}

/* Away and back again at once, call behind call, nothing awaited: whoever is told that it is here has it. */
static void test_away_and_back_at_once(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 300; seed++) {
        struct world world;
        world_init(&world, 13);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        struct carried outs[6];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        struct paged come = {.list = list, .count = CHILD_EVENTS}, leave = {.leaves = ids, .leave_count = 1};
        struct paged other = {.list = list + CHILD_EVENTS, .count = CHILD_EVENTS};
        uint64_t steps = seed;
        for (int i = 0; i < 6; i++) {
            send_page(&world, &outs[i], i == 1 || i == 3 ? &leave : i == 4 ? &other : &come);
            for (uint64_t s = steps % 4; s > 0; s--)
                (void)work_run_one(world.work);
            steps /= 2;
        }
        world_run(&world);
        for (int i = 0; i < 6; i++) {
            assert_true(outs[i].done);
            assert_int_equal(outs[i].code, PROTO_OK);
        }
        expect_states(&outs[2], "TTTTTTT");
        expect_states(&outs[5], "TTTTTTT");
        assert_int_equal(bodies_of(&world, &ids[0]), CHILD_EVENTS);
        assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, 2 * CHILD_EVENTS, ids, 2));
        world_verify(&world);
        world_deinit(&world);
    }
}

/* What is recorded of a child while it leaves is either refused or holds the page up: never an event of nobody. */
static void test_recorded_while_it_leaves(void **state) {
    (void)state;
    uint32_t held_up = 0, refused = 0;
    for (uint64_t seed = 1; seed <= 300; seed++) {
        struct world world;
        world_init(&world, 14);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct proto_id a = world_id(&world);
        struct made list[CHILD_EVENTS];
        make_child(&world, &a, NORTH, list);
        page_of(&world, list, CHILD_EVENTS);
        struct paged leave = {.leaves = &a, .leave_count = 1, .pushed_seq = log_seq(&world)};
        struct proto_event check = balloon_check(&a, world.now, 300);
        struct answer answer;
        struct carried out;
        if (seed % 2)
            send_page(&world, &out, &leave);
        for (uint64_t s = (seed / 2) % 5; seed % 2 && s > 0; s--)
            (void)work_run_one(world.work);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &check, 1, &answer);
        for (uint64_t s = (seed / 2) % 5; seed % 2 == 0 && s > 0; s--)
            (void)work_run_one(world.work);
        if (seed % 2 == 0)
            send_page(&world, &out, &leave);
        world_run(&world);
        assert_true(out.done && answer.done);
        if (answer.code == PROTO_OK) {
            assert_int_equal(out.code, PROTO_CONFLICT);
            assert_int_equal(systems_of(&world, WORK_SYSTEM_LEFT).count, 0);
            held_up++;
        } else {
            assert_int_equal(answer.code, PROTO_UNKNOWN_PATIENT);
            assert_int_equal(out.code, PROTO_OK);
            expect_unknown(&world, &a);
            refused++;
        }
        answer_deinit(&answer);
        world_verify(&world);
        world_deinit(&world);
    }
    assert_true(held_up && refused);
}

static void test_own_events_go_first(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 15);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS];
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
    page_of(&world, list, 2 * CHILD_EVENTS - 1);
    struct made mine = own(&world, balloon_check(&ids[0], world.now, 310));
    const char *was = picture_of(&world, ids, 2);
    uint64_t end = log_seq(&world);
    struct paged page = {.leaves = ids,
                         .leave_count = 2,
                         .pushed_seq = end - 1,
                         .mark = "gone",
                         .list = list + 2 * CHILD_EVENTS - 1,
                         .count = 1};
    struct carried out;
    send_page(&world, &out, &page);
    sync_settle(&world, NULL, NULL);
    assert_int_equal(out.code, PROTO_CONFLICT);
    assert_true(strlen(out.fault.message) > 10);
    assert_string_equal(picture_of(&world, ids, 2), was);
    assert_int_equal(log_seq(&world), end);
    assert_string_equal(mark_of(&world), "");
    /* Pushed: it goes. */
    page.pushed_seq = seq_of(&world, &mine.id);
    sync_send(&world, send_page, &page, ids, 2, &out);
    expect_states(&out, "R");
    expect_unknown(&world, &ids[0]);
    expect_unknown(&world, &ids[1]);
    assert_int_equal(systems_of(&world, WORK_SYSTEM_LEFT).count, 2);
    assert_int_equal(bodies_of(&world, &ids[0]) + bodies_of(&world, &ids[1]), 0);
    world_deinit(&world);
}

/* Three records that are one child leave one by one, and all at once, in every order. */
static void test_a_class_leaves(void **state) {
    (void)state;
    static const uint8_t orders[6][3] = {{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}};
    for (int o = 0; o < 7; o++) {
        struct world world;
        world_init(&world, 16);
        struct proto_id ids[4];
        struct made list[4 * CHILD_EVENTS + 3];
        for (int i = 0; i < 4; i++) {
            ids[i] = world_id(&world);
            make_child(&world, &ids[i], i % 2 ? MILL : NORTH, list + i * CHILD_EVENTS);
        }
        uint32_t count = 4 * CHILD_EVENTS;
        list[count++] = make(&world, merge(&ids[0], world.now - EV_HOUR, &ids[1]));
        list[count++] = make(&world, merge(&ids[2], world.now - EV_HOUR + 1, &ids[1]));
        list[count++] = make(&world, withdrawal(&ids[1], world.now - EV_MIN, &list[3].id));
        page_of(&world, list, count);
        const char *whole = picture_of(&world, ids, 4);
        assert_string_equal(whole, fresh_picture(&world, list, count, ids, 4));
        struct carried out;
        bool gone[4] = {false};
        for (int step = 0; step < (o < 6 ? 3 : 1); step++) {
            struct paged page = {.leaves = ids, .leave_count = 3};
            if (o < 6) {
                page = (struct paged){.leaves = &ids[orders[o][step]], .leave_count = 1};
                gone[orders[o][step]] = true;
            } else {
                gone[0] = gone[1] = gone[2] = true;
            }
            sync_send(&world, send_page, &page, ids, 4, &out);
            struct made kept[4 * CHILD_EVENTS + 3];
            uint32_t kept_count = 0;
            for (uint32_t i = 0; i < count; i++) {
                uint32_t of = i < 4 * CHILD_EVENTS ? i / CHILD_EVENTS : i == count - 3 ? 0 : i == count - 2 ? 2 : 1;
                if (!gone[of])
                    kept[kept_count++] = list[i];
            }
            assert_string_equal(picture_of(&world, ids, 4), fresh_picture(&world, kept, kept_count, ids, 4));
        }
        for (int i = 0; i < 3; i++)
            expect_unknown(&world, &ids[i]);
        struct made of_these[4 * CHILD_EVENTS + 3];
        uint32_t back = 0;
        for (uint32_t i = count; i-- > 0;)
            if (i / CHILD_EVENTS != 3 || i >= 4 * CHILD_EVENTS)
                of_these[back++] = list[i];
        struct paged page = {.list = of_these, .count = back};
        sync_send(&world, send_page, &page, ids, 4, &out);
        assert_string_equal(picture_of(&world, ids, 4), whole);
        world_deinit(&world);
    }
}

static void test_thousands_of_events_leave(void **state) {
    (void)state;
    enum { MANY = 2 * WORK_LEFT_SEQS_MAX + 200 };
    struct world world;
    world_init(&world, 17);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made *list = calloc(MANY, sizeof *list), stays[CHILD_EVENTS];
    assert_non_null(list);
    make_child(&world, &ids[1], NORTH, stays);
    list[0] = make(&world, registration(&ids[0], world.now - 900 * EV_DAY, NORTH));
    for (uint32_t i = 1; i < MANY; i++)
        list[i] = make(&world, balloon_check(&ids[0], world.now - 900 * EV_DAY + i * EV_HOUR, 400));
    page_of(&world, list, MANY);
    page_of(&world, stays, CHILD_EVENTS);
    struct paged page = {.leaves = ids, .leave_count = 1};
    struct carried out;
    sync_send(&world, send_page, &page, ids, 2, &out);
    expect_unknown(&world, &ids[0]);
    assert_int_equal(bodies_of(&world, &ids[0]), 0);
    struct system_count left = systems_of(&world, WORK_SYSTEM_LEFT);
    assert_int_equal(left.count, 1);
    assert_int_equal(left.last.event_count, MANY);
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, stays, CHILD_EVENTS, ids, 2));
    page_of(&world, list, MANY);
    world_verify(&world);
    assert_int_equal(bodies_of(&world, &ids[0]), MANY);
    free(list);
    world_deinit(&world);
}

static void test_a_page_of_twenty_thousand(void **state) {
    (void)state;
    enum { MANY = 20000, CHILDREN = 40 };
    struct world world, copy;
    world_init(&world, 18);
    static struct proto_id ids[CHILDREN];
    struct made *list = calloc(MANY, sizeof *list);
    assert_non_null(list);
    for (uint32_t i = 0; i < CHILDREN; i++) {
        ids[i] = world_id(&world);
        list[i] = make(&world, registration(&ids[i], world.now - 400 * EV_DAY, i % 2 ? NORTH : MILL));
    }
    for (uint32_t i = CHILDREN; i < MANY; i++)
        list[i] = make(&world, balloon_check(&ids[(i * 7) % CHILDREN],
                                             world.now - 390 * EV_DAY + (int64_t)((i * 7919) % MANY) * EV_MIN, 400));
    page_of(&world, list, CHILDREN);
    struct paged page = {.list = list, .count = MANY, .mark = "all"};
    struct carried out;
    struct proto_event check = balloon_check(&ids[3], world.now, 300);
    struct answer answer;
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &check, 1, &answer);
    send_page(&world, &out, &page);
    assert_false(work_has_room(world.work)); /* whoever records now is asked to wait */
    while (log_seq(&world) < MANY)
        assert_true(work_run_one(world.work));
    world_copy(&copy, &world, false, 3);
    assert_string_equal(mark_of(&copy), "all");
    world_run(&world);
    assert_int_equal(out.code, PROTO_OK);
    assert_int_equal(answer.code, PROTO_OK);
    answer_deinit(&answer);
    world_verify(&world);
    struct proto_id some[] = {ids[0], ids[1], ids[2]};
    assert_string_equal(picture_of(&world, some, 3), picture_of(&copy, some, 3));
    world_deinit(&copy);
    struct paged leave = {.leaves = some, .leave_count = 3};
    send_page(&world, &out, &leave);
    world_run(&world);
    assert_int_equal(out.code, PROTO_OK);
    for (int i = 0; i < 3; i++)
        expect_unknown(&world, &some[i]);
    world_verify(&world);
    free(list);
    world_deinit(&world);
}

/* --- odd company ------------------------------------------------------------------------------------------- */

/* Above, more records were made one child than would be admitted here: they are taken, and it goes on. */
static void test_more_records_than_are_admitted(void **state) {
    (void)state;
    enum { MANY = WORK_MERGED_MAX + 9 };
    struct world world;
    world_init(&world, 19);
    static struct proto_id ids[MANY];
    static struct made list[2 * MANY];
    uint32_t count = 0;
    for (uint32_t i = 0; i < MANY; i++) {
        ids[i] = world_id(&world);
        list[count++] = make(&world, registration(&ids[i], world.now - 9 * EV_DAY + i, NORTH));
        if (i)
            list[count++] = make(&world, merge(&ids[i], world.now - 8 * EV_DAY + i, &ids[i - 1]));
    }
    page_of(&world, list, count);
    world_verify(&world);
    assert_int_equal(world_record(&world, balloon_check(&ids[3], world.now, 300)), PROTO_OK);
    assert_int_equal(world_record(&world, tube_out(&ids[MANY - 1], world.now)), PROTO_OK);
    assert_int_not_equal(world_record(&world, erasure(&ids[5], world.now)), PROTO_OK); /* not by halves */
    world_verify(&world);
    struct carried out = paged(&world, (struct paged){.leaves = &ids[MANY / 2], .leave_count = 1});
    assert_int_equal(out.code, PROTO_OK);
    world_verify(&world);
    world_crash(&world, true, 3);
    world_verify(&world);
    world_deinit(&world);
}

/* What left, was refused and is held otherwise, all in one page about one record. */
static void test_all_of_one_record_in_a_page(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 20);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS];
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
    page_of(&world, list, 2 * CHILD_EVENTS);
    struct made mine = own(&world, balloon_check(&ids[0], world.now - EV_HOUR, 310));
    struct made second = own(&world, balloon_check(&ids[0], world.now - EV_HOUR + 1, 310));
    struct made theirs = make_with_id(balloon_check(&ids[0], world.now - EV_HOUR, 400), &second.id);
    struct paged page = {.leaves = ids,
                         .leave_count = 1,
                         .refuse_seq = seq_of(&world, &mine.id),
                         .list = &theirs,
                         .count = 1,
                         .pushed_seq = log_seq(&world)};
    struct carried out;
    sync_send(&world, send_page, &page, ids, 2, &out);
    expect_states(&out, "R");
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list + CHILD_EVENTS, CHILD_EVENTS, ids, 2));
    assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 1);
    assert_int_equal(bodies_of(&world, &ids[0]), 1);
    /* The same of another event that is refused and held otherwise. */
    mine = own(&world, balloon_check(&ids[1], world.now - EV_HOUR, 310));
    theirs = make_with_id(balloon_check(&ids[1], world.now - EV_HOUR, 400), &mine.id);
    page = (struct paged){.refuse_seq = seq_of(&world, &mine.id), .list = &theirs, .count = 1};
    send_page(&world, &out, &page);
    sync_settle(&world, NULL, NULL);
    expect_states(&out, "O");
    world_deinit(&world);
}

/* Whoever sends an event once more is answered, while its child leaves in the same breath. */
static void test_asked_again_while_it_leaves(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 60; seed++) {
        struct world world;
        world_init(&world, 21);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        page_of(&world, list, 2 * CHILD_EVENTS);
        if (seed % 2) {
            struct made join = make(&world, merge(&ids[0], world.now - EV_HOUR, &ids[1]));
            page_of(&world, &join, 1);
        }
        struct proto_event check = balloon_check(&ids[0], world.now - EV_HOUR, 300);
        check.has_id = true;
        check.id = world_id(&world);
        assert_int_equal(world_record(&world, check), PROTO_OK);
        struct paged leave = {.leaves = ids, .leave_count = 1 + (seed / 2) % 2, .pushed_seq = log_seq(&world)};
        struct carried out;
        struct answer answers[2];
        world_send(&world, &world_nurse, WORK_WANT_STATUSES, &check, 1, &answers[0]);
        send_page(&world, &out, &leave);
        world_send(&world, &world_nurse, WORK_WANT_STATUSES, &check, 1, &answers[1]);
        for (uint64_t s = seed % 5; s > 0; s--)
            (void)work_run_one(world.work);
        world_run(&world);
        assert_int_equal(out.code, PROTO_OK);
        assert_int_equal(answers[0].code, PROTO_OK);
        assert_int_equal(answer_count(&answers[0], "repeated"), 1);
        assert_int_equal(answers[1].code, PROTO_UNKNOWN_PATIENT);
        answer_deinit(&answers[0]);
        answer_deinit(&answers[1]);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* Children leave, come, and are erased while a policy is being worked in, and that policy is refused on the way. */
static void test_while_a_policy_settles(void **state) {
    (void)state;
    enum { MANY = 700 };
    for (uint64_t seed = 1; seed <= 6; seed++) {
        struct world world;
        world_init(&world, 22);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        static struct proto_id ids[MANY];
        static struct made list[3 * MANY];
        struct random_source random = {seed};
        for (uint32_t i = 0; i < MANY; i++) {
            int64_t at = world.now - 40 * EV_DAY;
            ids[i] = world_id(&world);
            list[3 * i] = make(&world, registration(&ids[i], at, i % 3 ? NORTH : MILL));
            list[3 * i + 1] = make(&world, stoma_formed(&ids[i], at + 1));
            list[3 * i + 2] = make(&world, placement(&ids[i], at + 2));
        }
        page_of(&world, list, 3 * MANY);
        struct policy_event policy;
        policy_adopted(&world, &policy, world.now - EV_HOUR, seed % 2 ? NULL : NORTH, "balloon-loss-ml", 300);
        struct made mine = own(&world, policy.event);
        msgpack_unpacked_destroy(&policy.unpacked);
        struct carried outs[12];
        static bool gone[MANY];
        memset(gone, 0, sizeof gone);
        for (int c = 0; c < 12; c++) {
            uint32_t one = random_below(&random, MANY - 20);
            struct proto_id leaves[20];
            struct paged page = {.leave_count = 0};
            struct made end = make(&world, erasure(&ids[one], world.now));
            if (c == 6) {
                page.refuse_seq = seq_of(&world, &mine.id);
            } else if (c % 4 == 3) {
                page.list = &end;
                page.count = 1;
                gone[one] = true;
            } else {
                for (uint32_t i = 0; i < 20; i++) {
                    leaves[i] = ids[one + i];
                    gone[one + i] = true;
                }
                page.leaves = leaves;
                page.leave_count = 20;
            }
            send_page(&world, &outs[c], &page);
            for (uint32_t s = random_below(&random, 400); s > 0; s--)
                (void)work_run_one(world.work);
            world_verify(&world);
        }
        world_run(&world);
        for (int c = 0; c < 12; c++)
            assert_int_equal(outs[c].code, PROTO_OK);
        world_verify(&world);
        struct work_progress progress;
        work_progress_get(world.work, &progress);
        assert_false(progress.settling);
        struct proto_id some[30];
        struct made kept[90];
        uint32_t count = 0;
        for (uint32_t i = 0; i < MANY && count < 30; i++)
            if (!gone[i]) {
                memcpy(kept + 3 * count, list + 3 * i, 3 * sizeof *kept);
                some[count++] = ids[i];
            }
        /* The erasures are of no child: only the children are compared. */
        const char *found = strchr(picture_of(&world, some, count), '\n'),
                   *fresh = strchr(fresh_picture(&world, kept, 3 * count, some, count), '\n');
        assert_string_equal(found, fresh);
        world_crash(&world, true, 4);
        world_verify(&world);
        world_deinit(&world);
    }
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_a_record_leaves_and_comes_back),
        TEST(test_away_and_back_at_once),
        TEST(test_recorded_while_it_leaves),
        TEST(test_own_events_go_first),
        TEST(test_a_class_leaves),
        TEST(test_thousands_of_events_leave),
        TEST(test_a_page_of_twenty_thousand),
        TEST(test_more_records_than_are_admitted),
        TEST(test_all_of_one_record_in_a_page),
        TEST(test_asked_again_while_it_leaves),
        TEST(test_while_a_policy_settles),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
