/*
 * sync_failure_test.c - a full disk, a broken one and a new node id while records leave and events are refused: nothing is
 * lost, what was begun goes on later, and what is to go is never taken for what is here.
 */
#include "sync_world.h"

#include <errno.h>
#include <ftw.h>
#include <unistd.h>

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

struct ground {
    struct world world;
    struct proto_id ids[2];
    struct made list[2 * CHILD_EVENTS];
};

static void begin(struct ground *g, uint64_t seed) {
    world_init(&g->world, seed);
    for (int i = 0; i < 2; i++) {
        g->ids[i] = world_id(&g->world);
        make_child(&g->world, &g->ids[i], NORTH, g->list + i * CHILD_EVENTS);
    }
    page_of(&g->world, g->list, 2 * CHILD_EVENTS);
}

static const char *picture(struct ground *g) {
    return picture_of(&g->world, g->ids, 2);
}

static void fail_at(struct world *world, int point, int number, int after) {
    world->fail_point = point;
    world->fail_errno = number;
    world->fail_after = after;
}

/* --- no room at the append ---------------------------------------------------------------------------- */

static void test_no_room_to_append(void **state) {
    (void)state;
    for (int point = STORE_POINT_LOG_PUT; point <= STORE_POINT_LOG_COMMIT; point++)
        for (int n = 0, failed = 1; failed; n++) {
            struct ground g;
            begin(&g, 1);
            struct made mine = own(&g.world, balloon_check(&g.ids[1], g.world.now, 310));
            const char *was = picture(&g);
            uint64_t end = log_seq(&g.world);
            struct made other = make_with_id(balloon_check(&g.ids[1], g.world.now, 410), &g.list[CHILD_EVENTS + 3].id);
            struct made fresh = make(&g.world, balloon_check(&g.ids[1], g.world.now - 1, 420));
            struct made both[] = {other, fresh};
            struct paged page = {.list = both,
                                 .count = 2,
                                 .leaves = g.ids,
                                 .leave_count = 1,
                                 .pushed_seq = end,
                                 .refuse_seq = seq_of(&g.world, &mine.id),
                                 .mark = "next"};
            struct carried out;
            fail_at(&g.world, point, ENOSPC, n);
            send_page(&g.world, &out, &page);
            while (!out.done)
                assert_true(work_run_one(g.world.work));
            failed = out.code != PROTO_OK;
            g.world.fail_errno = 0;
            world_run(&g.world);
            if (failed) {
                assert_int_equal(out.code, PROTO_FULL);
                assert_string_equal(picture(&g), was);
                assert_int_equal(log_seq(&g.world), end);
                assert_false(has_mark(&g.world, "link.cursor"));
                world_verify(&g.world);
                out = paged(&g.world, page);
            }
            expect_states(&out, "OT");
            expect_unknown(&g.world, &g.ids[0]);
            assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
            assert_int_equal(systems_of(&g.world, WORK_SYSTEM_REFUSED).count, 1);
            world_verify(&g.world);
            world_deinit(&g.world);
            assert_true(n < 100);
        }
}

/* --- no room in the view ---------------------------------------------------------------------------------- */

static void test_no_room_in_the_view(void **state) {
    (void)state;
    for (int point = STORE_POINT_VIEW_PUT; point <= STORE_POINT_VIEW_COMMIT; point++)
        for (int n = 0, failed = 1; failed; n += n < 12 ? 1 : 9) {
            struct ground g;
            begin(&g, 2);
            struct paged page = {.leaves = g.ids, .leave_count = 1, .mark = "next"};
            struct carried out;
            fail_at(&g.world, point, ENOSPC, n);
            send_page(&g.world, &out, &page);
            world_run(&g.world);
            assert_true(out.done);
            failed = out.code != PROTO_OK;
            if (failed) {
                assert_int_equal(out.code, PROTO_OUTCOME_UNKNOWN);
                assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS); /* the view needs them still */
            }
            if (!failed)
                g.world.fail_errno = 0;
            /* It comes back at once: not held, since it goes. */
            struct carried back;
            struct paged again = {.list = g.list, .count = CHILD_EVENTS};
            send_page(&g.world, &back, &again);
            world_run(&g.world);
            g.world.fail_errno = 0;
            work_tick(g.world.work);
            world_run(&g.world);
            world_verify(&g.world);
            if (failed) {
                assert_int_equal(back.code, PROTO_FULL);
                expect_unknown(&g.world, &g.ids[0]);
                assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
                back = paged(&g.world, again);
            }
            expect_states(&back, "TTTTTTT");
            assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
            world_verify(&g.world);
            world_deinit(&g.world);
            assert_true(n < 1000);
        }
}

/* --- no room to take bodies away ------------------------------------------------------------------------------ */

/* Until the view has it and the log is about to take the bodies away. */
static void until_removal(struct ground *g, struct carried *out) {
    while (!out->done)
        assert_true(work_run_one(g->world.work));
    assert_int_equal(out->code, PROTO_OK);
    assert_true(has_mark(&g->world, WORK_REMOVING_MARK));
}

static void test_no_room_to_remove(void **state) {
    (void)state;
    enum { WAYS = 7 };
    for (int point = STORE_POINT_LOG_PUT; point <= STORE_POINT_LOG_COMMIT; point++)
        for (int how = 0; how < WAYS; how++)
            for (int n = 0; n < (point == STORE_POINT_LOG_PUT ? 3 : 1); n++) {
                struct ground g;
                struct proto_fault fault = {0};
                begin(&g, 3);
                struct paged page = {.leaves = g.ids, .leave_count = 1, .mark = "next"};
                struct carried out, back;
                send_page(&g.world, &out, &page);
                until_removal(&g, &out);
                uint64_t end = log_seq(&g.world);
                fail_at(&g.world, point, ENOSPC, n);
                world_run(&g.world);
                assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS);
                assert_false(work_broken(g.world.work, &fault));
                expect_unknown(&g.world, &g.ids[0]); /* reads go on, and it is gone for them */
                world_verify(&g.world);
                assert_true(has_mark(&g.world, WORK_REMOVING_MARK));
                /* Nothing is taken while there is no room. */
                struct paged again = {.list = g.list, .count = CHILD_EVENTS};
                send_page(&g.world, &back, &again);
                world_run(&g.world);
                assert_int_equal(back.code, PROTO_FULL);
                assert_int_equal(world_record(&g.world, balloon_check(&g.ids[1], g.world.now, 300)), PROTO_FULL);
                assert_int_equal(log_seq(&g.world), end);
                world_verify(&g.world);
                if (how < 4)
                    g.world.fail_errno = 0;
                if (how == 1)
                    world_crash(&g.world, false, 5);
                if (how == 2)
                    world_crash(&g.world, true, 6);
                if (how == 3) { /* the next that leaves */
                    struct paged next = {.leaves = g.ids + 1, .leave_count = 1};
                    out = paged(&g.world, next);
                    assert_int_equal(out.code, PROTO_OK);
                    assert_int_equal(bodies_of(&g.world, &g.ids[1]), 0);
                    assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
                    page_of(&g.world, g.list + CHILD_EVENTS, CHILD_EVENTS);
                }
                if (how == 4) { /* started again with the disk still full: reads go on */
                    world_crash(&g.world, false, 7);
                    expect_unknown(&g.world, &g.ids[0]);
                    assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS);
                    send_page(&g.world, &back, &again);
                    world_run(&g.world);
                    assert_int_equal(back.code, PROTO_FULL);
                    world_verify(&g.world);
                    g.world.fail_errno = 0;
                }
                if (how == 5) { /* and with nothing derived either: that waits for room */
                    world_crash(&g.world, true, 8);
                    g.world.fail_errno = 0;
                    work_tick(g.world.work);
                    world_run(&g.world);
                }
                if (how == 6) { /* the world stops and starts in order */
                    world_stop(&g.world);
                    g.world.fail_errno = 0;
                    world_start(&g.world, 9);
                    world_run(&g.world);
                }
                /* It comes back. */
                send_page(&g.world, &back, &again);
                world_run(&g.world);
                expect_states(&back, "TTTTTTT");
                assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
                assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS);
                assert_false(has_mark(&g.world, WORK_REMOVING_MARK));
                world_verify(&g.world);
                world_crash(&g.world, true, 10);
                assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS);
                assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
                world_deinit(&g.world);
            }
}

/* Everything derived was lost as well, and room comes back somewhere on the way of making it anew. */
static void test_no_room_to_remove_while_made_anew(void **state) {
    (void)state;
    for (int point = STORE_POINT_LOG_PUT; point <= STORE_POINT_LOG_COMMIT; point++)
        for (int steps = 0; steps < 8; steps++) {
            struct ground g;
            begin(&g, 11);
            struct paged page = {.leaves = g.ids, .leave_count = 1};
            struct carried out;
            send_page(&g.world, &out, &page);
            until_removal(&g, &out);
            fail_at(&g.world, point, ENOSPC, 0);
            world_stop(&g.world);
            store_memory_crash(g.world.store, true);
            world_start(&g.world, 3);
            for (int i = 0; i < steps; i++)
                (void)work_run_one(g.world.work);
            g.world.fail_errno = 0;
            world_run(&g.world);
            work_tick(g.world.work);
            world_run(&g.world);
            world_verify(&g.world);
            expect_unknown(&g.world, &g.ids[0]);
            assert_int_equal(world_record(&g.world, balloon_check(&g.ids[1], g.world.now, 300)), PROTO_OK);
            assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
            world_verify(&g.world);
            world_deinit(&g.world);
        }
}

/* The same of an event that was refused, and of one that goes on under another id. */
static void test_no_room_to_remove_one(void **state) {
    (void)state;
    for (int how = 0; how < 3; how++) {
        struct ground g;
        begin(&g, 4);
        struct made mine = own(&g.world, balloon_check(&g.ids[0], g.world.now - EV_HOUR, 310));
        struct made theirs = make_with_id(balloon_check(&g.ids[0], g.world.now - EV_HOUR, 420), &mine.id);
        struct carried out;
        uint64_t seq = seq_of(&g.world, &mine.id);
        struct paged refuse = {.refuse_seq = seq}, other = {.list = &theirs, .count = 1};
        struct proto_event same = balloon_check(&g.ids[0], g.world.now - EV_HOUR, 310);
        same.has_id = true;
        same.id = mine.id;
        send_page(&g.world, &out, how == 2 ? &other : &refuse);
        until_removal(&g, &out);
        fail_at(&g.world, STORE_POINT_LOG_COMMIT, ENOSPC, 0);
        world_run(&g.world);
        world_verify(&g.world);
        assert_int_equal(world_record(&g.world, same), PROTO_FULL);
        g.world.fail_errno = 0;
        if (how == 0) {
            out = paged(&g.world, refuse); /* said again: once is enough */
            assert_int_equal(out.code, PROTO_OK);
            assert_int_equal(systems_of(&g.world, WORK_SYSTEM_REFUSED).count, 1);
        } else if (how == 1) { /* recorded again by whoever never had an answer */
            assert_int_equal(world_record(&g.world, same), PROTO_OK);
            assert_true(seq_of(&g.world, &mine.id) > seq);
        } else {
            struct made now = own_bytes(&g.world, &mine.id);
            assert_memory_equal(now.bytes, theirs.bytes, theirs.size);
            assert_int_equal(world_record(&g.world, balloon_check(&g.ids[1], g.world.now, 300)), PROTO_OK);
        }
        assert_false(has_mark(&g.world, WORK_REMOVING_MARK));
        world_verify(&g.world);
        world_crash(&g.world, true, 3);
        world_verify(&g.world);
        world_deinit(&g.world);
    }
}

static void test_no_room_to_remove_an_erased_one(void **state) {
    (void)state;
    for (int crash = 0; crash < 3; crash++) {
        struct ground g;
        begin(&g, 5);
        struct made mine = own(&g.world, balloon_check(&g.ids[0], g.world.now - EV_HOUR, 310));
        struct carried out = paged(&g.world, (struct paged){.refuse_seq = seq_of(&g.world, &mine.id)});
        struct made end = make(&g.world, erasure(&g.ids[0], g.world.now));
        struct paged page = {.list = &end, .count = 1};
        send_page(&g.world, &out, &page);
        until_removal(&g, &out);
        fail_at(&g.world, STORE_POINT_LOG_PUT, ENOSPC, 2);
        world_run(&g.world);
        assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS + 1);
        world_verify(&g.world);
        if (crash)
            world_crash(&g.world, crash == 2, 3);
        g.world.fail_errno = 0;
        work_tick(g.world.work);
        world_run(&g.world);
        assert_int_equal(world_record(&g.world, balloon_check(&g.ids[1], g.world.now, 300)), PROTO_OK);
        assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
        assert_int_equal(systems_of(&g.world, WORK_SYSTEM_REFUSED).count, 0);
        world_verify(&g.world);
        world_deinit(&g.world);
    }
}

/* --- broken --------------------------------------------------------------------------------------------------------- */

static void test_broken(void **state) {
    (void)state;
    static const int points[] = {STORE_POINT_LOG_PUT, STORE_POINT_LOG_COMMIT, STORE_POINT_LOG_COMMITTED,
                                 STORE_POINT_VIEW_PUT, STORE_POINT_VIEW_COMMIT};
    for (int p = 0; p < 5; p++)
        for (int removal = 0; removal < (p < 3 ? 2 : 1); removal++) {
            struct ground g;
            struct proto_fault fault = {0};
            struct carried out;
            begin(&g, 6);
            struct paged page = {.leaves = g.ids, .leave_count = 1, .mark = "next"};
            if (!removal)
                fail_at(&g.world, points[p], EIO, 0);
            send_page(&g.world, &out, &page);
            if (removal) {
                until_removal(&g, &out);
                fail_at(&g.world, points[p], EIO, 0);
            }
            world_run(&g.world);
            assert_int_equal(out.code, removal ? PROTO_OK : PROTO_OUTCOME_UNKNOWN);
            assert_true(work_broken(g.world.work, &fault));
            assert_true(strlen(fault.message) > 10);
            struct carried next;
            struct paged again = {.list = g.list, .count = CHILD_EVENTS};
            send_page(&g.world, &next, &again);
            world_run(&g.world);
            assert_int_equal(next.code, PROTO_STOPPING);
            assert_int_equal(work_renew_node(g.world.work), PROTO_REBUILDING);
            g.world.fail_errno = 0;
            world_crash(&g.world, p % 2, 4);
            world_verify(&g.world);
            out = paged(&g.world, page);
            assert_int_equal(out.code, PROTO_OK);
            expect_unknown(&g.world, &g.ids[0]);
            assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
            out = paged(&g.world, again);
            expect_states(&out, "TTTTTTT");
            assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
            world_verify(&g.world);
            world_deinit(&g.world);
        }
}

/* --- another node id -------------------------------------------------------------------------------------------------- */

static struct proto_id stamped_node(struct world *world, const struct made *made) {
    struct proto_arena *arena = proto_arena_new();
    struct proto_event event;
    (void)world;
    assert_int_equal(proto_event_decode(made->bytes, made->size, arena, &event), PROTO_OK);
    struct proto_id node = event.node;
    proto_arena_free(arena);
    return node;
}

static void test_another_node(void **state) {
    (void)state;
    struct ground g;
    struct store_identity identity;
    begin(&g, 7);
    struct proto_id first = work_node(g.world.work);
    struct made before = own(&g.world, balloon_check(&g.ids[0], g.world.now, 300));
    struct proto_id by = stamped_node(&g.world, &before);
    assert_true(work_id_same(&first, &by));
    assert_int_equal(work_renew_node(g.world.work), PROTO_OK);
    struct proto_id second = work_node(g.world.work);
    assert_false(work_id_same(&first, &second));
    struct world copy; /* durable on return */
    world_copy(&copy, &g.world, true, 3);
    struct proto_id found = work_node(copy.work);
    assert_true(work_id_same(&found, &second));
    world_deinit(&copy);
    struct made after = own(&g.world, balloon_check(&g.ids[0], g.world.now + 1, 300));
    by = stamped_node(&g.world, &after);
    assert_true(work_id_same(&second, &by));
    store_identity_get(g.world.store, &identity);
    assert_true(work_id_same(&identity.node, &second));
    world_verify(&g.world);
    world_crash(&g.world, false, 4);
    found = work_node(g.world.work);
    assert_true(work_id_same(&found, &second));
    /* No room: it keeps what it has; broken: it stops. */
    fail_at(&g.world, STORE_POINT_LOG_COMMIT, ENOSPC, 0);
    assert_int_equal(work_renew_node(g.world.work), PROTO_FULL);
    struct proto_fault fault = {0};
    assert_false(work_broken(g.world.work, &fault));
    found = work_node(g.world.work);
    assert_true(work_id_same(&found, &second));
    g.world.fail_errno = 0;
    assert_int_equal(world_record(&g.world, balloon_check(&g.ids[0], g.world.now + 2, 300)), PROTO_OK);
    fail_at(&g.world, STORE_POINT_LOG_COMMIT, EIO, 0);
    assert_int_not_equal(work_renew_node(g.world.work), PROTO_OK);
    found = work_node(g.world.work);
    assert_true(work_id_same(&found, &second));
    assert_true(work_broken(g.world.work, &fault));
    g.world.fail_errno = 0;
    world_crash(&g.world, false, 5);
    world_verify(&g.world);
    assert_int_equal(work_renew_node(g.world.work), PROTO_OK);
    world_deinit(&g.world);
}

/* --- on a disk ----------------------------------------------------------------------------------------------------------- */

static int remove_one(const char *path, const struct stat *info, int type, struct FTW *ftw) {
    (void)info, (void)type, (void)ftw;
    return remove(path);
}

static void reopen(struct world *world, bool lose_view, uint64_t seed) {
    world_stop(world);
    if (lose_view)
        store_distrust_view(world->store);
    store_close(world->store);
    world_open_store(world);
    world_start(world, seed);
    world_run(world);
    world_verify(world);
}

/* The whole round over LMDB: it leaves, comes back, is refused, goes on under another id, is erased; opened anew in between. */
static void test_on_a_disk(void **state) {
    (void)state;
    struct ground g;
    char dir[] = "work-sync-XXXXXX";
    assert_non_null(mkdtemp(dir));
    world_set(&g.world, 8);
    g.world.dir = dir;
    world_open_store(&g.world);
    world_start(&g.world, 8);
    world_run(&g.world);
    for (int i = 0; i < 2; i++) {
        g.ids[i] = world_id(&g.world);
        make_child(&g.world, &g.ids[i], NORTH, g.list + i * CHILD_EVENTS);
    }
    page_of(&g.world, g.list, 2 * CHILD_EVENTS);
    for (uint64_t seed = 1; seed <= 2; seed++) {
        struct carried out;
        struct paged leave = {.leaves = g.ids, .leave_count = 1, .mark = "next", .pushed_seq = log_seq(&g.world)};
        send_page(&g.world, &out, &leave);
        until_removal(&g, &out); /* stopped before the bodies are taken away */
        assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS + (seed == 2) * 2);
        reopen(&g.world, seed == 2, seed);
        assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
        expect_unknown(&g.world, &g.ids[0]);
        page_of(&g.world, g.list, CHILD_EVENTS);
        reopen(&g.world, seed == 1, seed);
        assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
        struct made mine = own(&g.world, balloon_check(&g.ids[0], g.world.now - EV_HOUR, 310));
        out = paged(&g.world, (struct paged){.refuse_seq = seq_of(&g.world, &mine.id)});
        assert_int_equal(out.code, PROTO_OK);
        reopen(&g.world, seed == 2, seed);
        assert_string_equal(picture(&g), fresh_picture(&g.world, g.list, 2 * CHILD_EVENTS, g.ids, 2));
        uint64_t row = systems_of(&g.world, WORK_SYSTEM_REFUSED).last.seq;
        out = paged(&g.world, (struct paged){.settle_seq = row, .again = true});
        assert_int_equal(out.code, PROTO_OK);
        struct made theirs = make_with_id(balloon_check(&g.ids[0], g.world.now - EV_HOUR, 420), &mine.id);
        page_of(&g.world, &theirs, 1);
        reopen(&g.world, seed == 1, seed);
        assert_int_equal(bodies_of(&g.world, &g.ids[0]), CHILD_EVENTS + 2);
    }
    assert_int_equal(world_record(&g.world, erasure(&g.ids[0], g.world.now)), PROTO_OK);
    reopen(&g.world, false, 5);
    reopen(&g.world, true, 6);
    assert_int_equal(bodies_of(&g.world, &g.ids[0]), 0);
    world_deinit(&g.world);
    assert_int_equal(nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS), 0);
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_no_room_to_append),
        TEST(test_no_room_in_the_view),
        TEST(test_no_room_to_remove),
        TEST(test_no_room_to_remove_while_made_anew),
        TEST(test_no_room_to_remove_one),
        TEST(test_no_room_to_remove_an_erased_one),
        TEST(test_broken),
        TEST(test_another_node),
        TEST(test_on_a_disk),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
