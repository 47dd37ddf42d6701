/*
 * sync_page_test.c - what a node's upstream sends it: events under other bytes, records that leave, refusals, marks; killed at
 * every step on the way, and compared with a store that never held what went.
 */
#include "sync_world.h"

#include "proto/ids.h"
#include "support/random_events.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

/* --- pages ---------------------------------------------------------------------------------------- */

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

static void test_events_come(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS + 1];
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], MILL, list + CHILD_EVENTS);
    list[2 * CHILD_EVENTS] = make_policy(&world, world.now - EV_DAY, "balloon-loss-ml", 60);
    struct paged page = {.list = list, .count = 2 * CHILD_EVENTS + 1, .mark = "one"};
    struct carried out;
    sync_send(&world, send_page, &page, ids, 2, &out);
    expect_states(&out, "TTTTTTTTTTTTTTT");
    assert_string_equal(mark_of(&world), "one");
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, page.count, ids, 2));
    /* In another order, with others in between, nothing comes twice. */
    struct work_call *call = page_new(&world, 0);
    for (uint32_t i = 0; i < page.count; i++)
        carry(call, list[(i * 4) % page.count]);
    out = carried(&world, call);
    expect_states(&out, "HHHHHHHHHHHHHHH");
    assert_int_equal(log_seq(&world), page.count);
    world_verify(&world);
    world_deinit(&world);
}

/* --- marks ------------------------------------------------------------------------------------------ */

static void mark_or_not(struct world *copy, void *arg) {
    const char *mark = mark_of(copy);
    bool has = strcmp(mark, "two") == 0;
    assert_true(has || strcmp(mark, "one") == 0);
    assert_int_equal(work_log_seq(copy->work), has ? *(const uint64_t *)arg : *(const uint64_t *)arg - 1);
}

static void test_marks_are_of_the_same_commit(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 2);
    struct proto_id a = world_id(&world);
    struct made list[] = {make(&world, registration(&a, world.now - EV_DAY, NORTH)),
                          make(&world, balloon_check(&a, world.now - EV_HOUR, 300))};
    struct paged page = {.mark = "one"}; /* a mark alone */
    struct carried out;
    send_page(&world, &out, &page);
    world_run(&world);
    assert_true(out.done);
    assert_int_equal(out.code, PROTO_OK);
    assert_string_equal(mark_of(&world), "one");
    assert_int_equal(log_seq(&world), 0);
    page_of(&world, list, 1);
    page = (struct paged){.list = list + 1, .count = 1, .mark = "two"};
    uint64_t with_it = 2;
    send_page(&world, &out, &page);
    sync_settle(&world, mark_or_not, &with_it);
    assert_string_equal(mark_of(&world), "two");
    /* Also of a call that brings nothing new, and of one that is refused not at all. */
    page.mark = "three";
    send_page(&world, &out, &page);
    world_run(&world);
    expect_states(&out, "H");
    assert_string_equal(mark_of(&world), "three");
    struct made mine = own(&world, balloon_check(&a, world.now, 310));
    page = (struct paged){.leaves = &a, .leave_count = 1, .pushed_seq = seq_of(&world, &mine.id) - 1, .mark = "four"};
    send_page(&world, &out, &page);
    world_run(&world);
    assert_int_equal(out.code, PROTO_CONFLICT);
    assert_string_equal(mark_of(&world), "three");
    /* An empty value, and the longest. */
    struct work_call *call = page_new(&world, 0);
    static const uint8_t longest[1024];
    work_sync_mark(call, "link.cursor", "", 0);
    work_sync_mark(call, "link.teams", longest, sizeof longest);
    out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    assert_string_equal(mark_of(&world), "");
    world_verify(&world);
    world_deinit(&world);
}

/* --- other bytes under an id that is held -------------------------------------------------------------- */

struct other {
    struct proto_id record, id;
    struct made theirs;
    const struct made *base; /* all that stays, theirs among it */
    uint32_t base_count;
    struct made reissued; /* its content but for the id */
    bool differs;
    uint32_t before, after;
};

/* The event that is not among those that both stores hold. */
static struct made find_reissued(struct world *world, const struct other *o) {
    struct store_log *log;
    struct store_event stored;
    struct made found = {0};
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    for (uint64_t seq = 1; store_log_read(log, seq, &stored) == PROTO_OK; seq++) {
        bool known = stored.body.size == 0 || work_entry_is_system(stored.body);
        for (uint32_t i = 0; i < o->base_count && !known; i++)
            known = work_id_same(&stored.id, &o->base[i].id);
        if (known)
            continue;
        assert_null(found.bytes);
        static const struct proto_id nobody;
        assert_true(work_id_same(&stored.via, &nobody));
        assert_false(stored.joined);
        found = (struct made){made_keep(stored.body.data, stored.body.size), (uint32_t)stored.body.size, stored.id};
    }
    store_log_abort(log);
    return found;
}

static void check_other(struct world *copy, void *arg) {
    struct other *o = arg;
    if (systems_of(copy, WORK_SYSTEM_REPLACED).count == 0) {
        o->before++;
        struct paged page = {.list = &o->theirs, .count = 1};
        struct carried out;
        send_page(copy, &out, &page);
        world_run(copy);
        expect_states(&out, "O");
        world_verify(copy);
    } else {
        o->after++;
    }
    struct system_count replaced = systems_of(copy, WORK_SYSTEM_REPLACED);
    struct made now = own_bytes(copy, &o->id), again = find_reissued(copy, o);
    assert_int_equal(replaced.count, 1);
    assert_true(work_id_same(&replaced.last.event, &o->id));
    assert_int_equal(now.size, o->theirs.size);
    assert_memory_equal(now.bytes, o->theirs.bytes, now.size);
    assert_true(work_id_same(&again.id, &replaced.last.new_event));
    if (o->differs) {
        struct proto_id zero = {{0}};
        assert_non_null(again.bytes);
        assert_true(!work_id_same(&again.id, &zero));
        assert_int_equal(again.size, o->reissued.size);
        assert_true(seq_of(copy, &again.id) > replaced.last.seq); /* what goes is said first */
    } else {
        assert_null(again.bytes);
    }
    struct made all[40];
    memcpy(all, o->base, o->base_count * sizeof *all);
    if (o->differs)
        all[o->base_count] = again;
    assert_string_equal(picture_of(copy, &o->record, 1),
                        fresh_picture(copy, all, o->base_count + o->differs, &o->record, 1));
    assert_false(has_mark(copy, WORK_REMOVING_MARK));
}

static void run_other(struct world *world, struct other *o) {
    struct paged page = {.list = &o->theirs, .count = 1};
    struct carried out;
    send_page(world, &out, &page);
    sync_settle(world, check_other, o);
    expect_states(&out, "O");
    check_other(world, o);
    assert_true(o->before && o->after);
}

static void test_the_id_of_an_own_event_of_a_child(void **state) {
    (void)state;
    for (int how = 0; how < 5; how++) {
        struct world world;
        world_init(&world, 3);
        struct proto_id a = world_id(&world);
        struct made list[CHILD_EVENTS + 1];
        make_child(&world, &a, NORTH, list);
        page_of(&world, list, CHILD_EVENTS);
        struct proto_event event = how == 4   ? move(&a, world.now - EV_HOUR, MILL)
                                   : how == 3 ? tube_out(&a, world.now - EV_HOUR)
                                              : balloon_check(&a, world.now - EV_HOUR, 310);
        struct other o = {.record = a, .base = list, .base_count = CHILD_EVENTS + 1, .differs = how > 0};
        o.reissued = own(&world, event);
        o.id = o.reissued.id;
        if (how == 0) /* the same content, written elsewhere */
            o.theirs = make_with_id(event, &o.id);
        else if (how == 1) /* other content at the same moment */
            o.theirs = make_with_id(balloon_check(&a, world.now - EV_HOUR, 470), &o.id);
        else if (how == 2) /* at another one */
            o.theirs = make_with_id(balloon_check(&a, world.now - 9 * EV_DAY, 470), &o.id);
        else /* another kind */
            o.theirs = make_with_id(balloon_check(&a, world.now - EV_HOUR, 470), &o.id);
        list[CHILD_EVENTS] = o.theirs;
        run_other(&world, &o);
        world_deinit(&world);
    }
}

/* Of another child: one loses it, the other gets theirs, and what was said here goes on. */
static void test_the_id_of_an_event_of_another_child(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id ids[] = {world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS + 2];
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], MILL, list + CHILD_EVENTS);
    page_of(&world, list, 2 * CHILD_EVENTS);
    struct made mine = own(&world, balloon_check(&ids[0], world.now - EV_HOUR, 310));
    struct made theirs = make_with_id(balloon_check(&ids[1], world.now - EV_HOUR, 200), &mine.id);
    struct paged page = {.list = &theirs, .count = 1};
    struct carried out;
    send_page(&world, &out, &page);
    sync_settle(&world, NULL, NULL);
    expect_states(&out, "O");
    list[2 * CHILD_EVENTS] = theirs;
    struct other o = {.base = list, .base_count = 2 * CHILD_EVENTS + 1};
    list[2 * CHILD_EVENTS + 1] = find_reissued(&world, &o);
    assert_int_equal(list[2 * CHILD_EVENTS + 1].size, mine.size);
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, 2 * CHILD_EVENTS + 2, ids, 2));
    world_deinit(&world);
}

static void test_the_id_of_an_own_policy(void **state) {
    (void)state;
    for (int how = 0; how < 4;
         how++) { /* the same, another, one that waits for one in force, one in force for one that waits */
        struct world world;
        world_init(&world, 5);
        struct proto_id a = world_id(&world);
        struct made list[CHILD_EVENTS + 2];
        make_child(&world, &a, NORTH, list);
        list[CHILD_EVENTS] = make_policy(&world, world.now - 2 * EV_DAY, "balloon-loss-ml", 80);
        page_of(&world, list, CHILD_EVENTS + 1);
        struct policy_event mine, other;
        int64_t ahead = EV_MIN;
        policy_adopted(&world, &mine, how == 2 ? world.now + ahead : world.now - EV_DAY, NULL, "balloon-loss-ml", 200);
        policy_adopted(&world, &other, how == 3 ? world.now + ahead : world.now - EV_DAY, NULL, "balloon-loss-ml", 10);
        struct other o = {.record = a, .base = list, .base_count = CHILD_EVENTS + 2, .differs = how > 0};
        o.reissued = own(&world, mine.event);
        o.id = o.reissued.id;
        o.theirs = make_with_id(how == 0 ? mine.event : other.event, &o.id);
        list[CHILD_EVENTS + 1] = o.theirs;
        run_other(&world, &o);
        msgpack_unpacked_destroy(&mine.unpacked);
        msgpack_unpacked_destroy(&other.unpacked);
        world.now += EV_HOUR; /* what waits comes into force */
        work_tick(world.work);
        world_run(&world);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* A policy's id turns out to be that of a child's event, and the other way round. */
static void test_the_id_changes_sides(void **state) {
    (void)state;
    for (int how = 0; how < 2; how++) {
        struct world world;
        world_init(&world, 6);
        struct proto_id a = world_id(&world);
        struct made list[CHILD_EVENTS + 1];
        struct policy_event policy;
        make_child(&world, &a, NORTH, list);
        page_of(&world, list, CHILD_EVENTS);
        policy_adopted(&world, &policy, world.now - EV_DAY, NULL, "balloon-loss-ml", 200);
        struct proto_event check = balloon_check(&a, world.now - EV_HOUR, 310);
        struct other o = {.record = a, .base = list, .base_count = CHILD_EVENTS + 1, .differs = true};
        o.reissued = own(&world, how ? policy.event : check);
        o.id = o.reissued.id;
        o.theirs = make_with_id(how ? check : policy.event, &o.id);
        list[CHILD_EVENTS] = o.theirs;
        run_other(&world, &o);
        msgpack_unpacked_destroy(&policy.unpacked);
        world_deinit(&world);
    }
}

/* What this version does not know goes on byte for byte under its new id. */
static void test_strange_content_goes_on(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 7);
    struct proto_id a = world_id(&world);
    struct made list[] = {make(&world, registration(&a, world.now - EV_DAY, NORTH)),
                          make_strange(&world, "moon.seen", &a, world.now - EV_HOUR, "phase", "waning"),
                          {0}};
    page_of(&world, list, 2);
    struct other o = {.base = list, .base_count = 2};
    o.theirs = make_with_id(balloon_check(&a, world.now - EV_MIN, 470), &list[1].id);
    struct paged page = {.list = &o.theirs, .count = 1};
    struct carried out;
    struct made was = list[1];
    send_page(&world, &out, &page);
    sync_settle(&world, NULL, NULL);
    expect_states(&out, "O");
    struct made again = find_reissued(&world, &o);
    assert_int_equal(again.size, was.size);
    uint32_t differ = 0;
    for (uint32_t i = 0; i < was.size; i++)
        differ += again.bytes[i] != was.bytes[i];
    assert_in_range(differ, 1, 32); /* the id alone, as text */
    world_deinit(&world);
}

/* An old body in a large page, killed before the view has it: it is worked in by parts. */
static void test_other_in_a_large_page(void **state) {
    (void)state;
    enum { MANY = 2 * PROTO_BATCH_EVENTS_MAX + 50 };
    for (int where = 0; where < 3; where++) {
        struct world world, copy;
        world_init(&world, 8);
        struct proto_id a = world_id(&world), b = world_id(&world);
        struct made *list = calloc(MANY + 3, sizeof *list);
        assert_non_null(list);
        list[0] = make(&world, registration(&a, world.now - 90 * EV_DAY, NORTH));
        list[1] = make(&world, registration(&b, world.now - 90 * EV_DAY, NORTH));
        page_of(&world, list, 2);
        struct made mine = own(&world, balloon_check(&a, world.now - EV_HOUR, 310));
        uint32_t place = where == 0 ? 2 : where == 1 ? MANY / 2 : MANY + 1;
        for (uint32_t i = 0; i < MANY; i++)
            list[i + 2] = i + 2 == place ? make_with_id(balloon_check(&a, world.now - EV_HOUR, 470), &mine.id)
                                         : make(&world, balloon_check(&b, world.now - 80 * EV_DAY + i * EV_MIN, 400));
        struct paged page = {.list = list + 2, .count = MANY};
        struct carried out;
        send_page(&world, &out, &page);
        while (log_seq(&world) < 4)
            assert_true(work_run_one(world.work));
        world_copy(&copy, &world, false, 5); /* the log has it, the view not yet */
        assert_int_equal(systems_of(&copy, WORK_SYSTEM_REPLACED).count, 1);
        struct other o = {.base = list, .base_count = MANY + 2};
        list[MANY + 2] = find_reissued(&copy, &o);
        struct proto_id ids[] = {a, b};
        const char *fresh = fresh_picture(&world, list, MANY + 3, ids, 2);
        assert_string_equal(picture_of(&copy, ids, 2), fresh);
        world_deinit(&copy);
        world_run(&world);
        assert_int_equal(out.code, PROTO_OK);
        world_verify(&world);
        o.base_count = MANY + 2;
        list[MANY + 2] = find_reissued(&world, &o);
        assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, MANY + 3, ids, 2));
        world_deinit(&world);
        free(list);
    }
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

/* --- reading -------------------------------------------------------------------------------------------------- */

struct reading {
    struct proto_id ids[200];
    uint32_t count, stop;
};
static bool read_event(void *arg, const struct store_event *event) {
    struct reading *r = arg;
    r->ids[r->count++] = event->id;
    return r->count < r->stop;
}
static bool read_record(void *arg, const struct proto_id *record) {
    struct reading *r = arg;
    r->ids[r->count++] = *record;
    return r->count < r->stop;
}

static void test_reading_by_record_and_place(void **state) {
    (void)state;
    static const struct proto_id nobody;
    struct world world;
    world_init(&world, 23);
    struct proto_id ids[] = {world_id(&world), world_id(&world), world_id(&world)};
    struct made list[2 * CHILD_EVENTS + 4];
    uint32_t count = 2 * CHILD_EVENTS;
    make_child(&world, &ids[0], NORTH, list);
    make_child(&world, &ids[1], MILL, list + CHILD_EVENTS);
    list[count++] = make(&world, merge(&ids[0], world.now - EV_HOUR, &ids[1]));
    list[count++] = make_policy(&world, world.now - EV_DAY, "balloon-loss-ml", 60);
    list[count++] = make_strange(&world, "comet.seen", NULL, world.now, "tail", "long");
    list[count++] = make(&world, erasure(&ids[2], world.now));
    page_of(&world, list, count);
    struct made mine = own(&world, balloon_check(&ids[0], world.now, 300));
    struct carried out =
        paged(&world, (struct paged){.refuse_seq = seq_of(&world, &mine.id)}); /* an entry of its own */
    assert_int_equal(out.code, PROTO_OK);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    const struct proto_id *records[] = {&ids[0], &ids[1], &ids[2], &nobody};
    static const uint32_t counts[] = {CHILD_EVENTS + 1, CHILD_EVENTS, 0, 3};
    for (int r = 0; r < 4; r++)
        for (uint32_t step = 1; step < 12; step++) {
            struct reading whole = {.stop = 1000}, parts = {.stop = 0};
            struct work_record_place place = {0};
            struct work_digest digest;
            assert_int_equal(work_record_events(world.work, txn, records[r], &place, read_event, &whole), PROTO_OK);
            assert_int_equal(work_digest_get(txn, records[r], &digest), PROTO_OK);
            assert_int_equal(whole.count, counts[r]);
            assert_int_equal(digest.count, counts[r]);
            memset(&place, 0, sizeof place);
            do {
                parts.stop = parts.count + step;
                assert_int_equal(work_record_events(world.work, txn, records[r], &place, read_event, &parts), PROTO_OK);
            } while (parts.count == parts.stop);
            assert_int_equal(parts.count, whole.count);
            assert_memory_equal(parts.ids, whole.ids, whole.count * sizeof *whole.ids);
        }
    struct reading all = {.stop = 1000}, some = {.stop = 2};
    assert_int_equal(work_records_each(txn, NULL, read_record, &all), PROTO_OK);
    assert_int_equal(all.count, 4);
    assert_true(proto_id_is_zero(&all.ids[0]));
    for (uint32_t i = 1; i + 1 < all.count; i++)
        assert_true(proto_id_compare(&all.ids[i], &all.ids[i + 1]) < 0);
    assert_int_equal(work_records_each(txn, NULL, read_record, &some), PROTO_OK);
    some.stop = 1000;
    assert_int_equal(work_records_each(txn, &some.ids[some.count - 1], read_record, &some), PROTO_OK);
    assert_int_equal(some.count, all.count);
    assert_memory_equal(some.ids, all.ids, all.count * sizeof *all.ids);
    store_read_end(txn);
    world_deinit(&world);
}

static void test_cursors(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 24);
    struct proto_id id = world_id(&world);
    struct made list[CHILD_EVENTS];
    struct proto_position at[CHILD_EVENTS + 2], other;
    struct store_txn *txn;
    make_child(&world, &id, NORTH, list);
    page_of(&world, list, CHILD_EVENTS);
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (uint64_t seq = 0; seq <= CHILD_EVENTS; seq++) {
        assert_int_equal(work_cursor_at(world.work, txn, seq, &at[seq]), PROTO_OK);
        assert_int_equal(work_cursor_check(world.work, txn, &at[seq]), PROTO_OK);
        other = at[seq];
        other.chain[31] ^= 1;
        assert_int_equal(work_cursor_check(world.work, txn, &other), PROTO_DIVERGED);
        other = at[seq];
        other.log.bytes[3] ^= 1;
        assert_int_equal(work_cursor_check(world.work, txn, &other), PROTO_DIVERGED);
        other = at[seq];
        other.seq++;
        assert_int_equal(work_cursor_check(world.work, txn, &other), PROTO_DIVERGED);
    }
    assert_int_equal(work_cursor_at(world.work, txn, CHILD_EVENTS + 1, &other), PROTO_NOT_FOUND);
    assert_int_equal(work_cursor_at(world.work, txn, UINT64_MAX, &other), PROTO_NOT_FOUND);
    store_read_end(txn);
    struct carried out = paged(&world, (struct paged){.leaves = &id, .leave_count = 1}); /* what went stays a place */
    assert_int_equal(out.code, PROTO_OK);
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (uint64_t seq = 0; seq <= CHILD_EVENTS; seq++)
        assert_int_equal(work_cursor_check(world.work, txn, &at[seq]), PROTO_OK);
    store_read_end(txn);
    world_deinit(&world);
}

static void test_more_than_a_call_holds(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 25);
    struct proto_id id = world_id(&world);
    struct made made = make(&world, registration(&id, world.now, NORTH));
    struct work_call *call = page_new(&world, 0);
    struct proto_fault fault = {0};
    struct work_sync_event event = {.bytes = {(const char *)made.bytes, made.size}};
    enum proto_error error = PROTO_OK;
    uint32_t count = 0;
    while ((error = work_sync_add(call, &event, &fault)) == PROTO_OK)
        count++;
    assert_int_equal(error, PROTO_TOO_LARGE);
    assert_true(count == WORK_SYNC_EVENTS_MAX || (count + 1) * (uint64_t)made.size > WORK_SYNC_BYTES_MAX);
    struct carried out = carried(&world, call); /* what was added is carried all the same: one event, many times */
    assert_int_equal(out.code, PROTO_OK);
    assert_int_equal(out.results[0].state, WORK_SYNC_TAKEN);
    assert_int_equal(out.results[count - 1].state, WORK_SYNC_HELD);
    assert_int_equal(log_seq(&world), 1);
    world_verify(&world);
    world_deinit(&world);
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_events_come),
        TEST(test_marks_are_of_the_same_commit),
        TEST(test_the_id_of_an_own_event_of_a_child),
        TEST(test_the_id_of_an_event_of_another_child),
        TEST(test_the_id_of_an_own_policy),
        TEST(test_the_id_changes_sides),
        TEST(test_strange_content_goes_on),
        TEST(test_other_in_a_large_page),
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
        TEST(test_reading_by_record_and_place),
        TEST(test_cursors),
        TEST(test_more_than_a_call_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
