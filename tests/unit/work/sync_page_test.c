/*
 * sync_page_test.c - what a node's upstream sends it: events, marks, other bytes under an id that is held; and what is read of
 * it by record, place and cursor. Killed at every step on the way, and compared with a store that got only what stayed.
 */
#include "sync_world.h"

#include "proto/ids.h"

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
        TEST(test_reading_by_record_and_place),
        TEST(test_cursors),
        TEST(test_more_than_a_call_holds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
