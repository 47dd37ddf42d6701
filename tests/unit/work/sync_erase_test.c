/*
 * sync_erase_test.c - a record is erased: from above, by an offer, by a call here; nothing of it is kept and no more is taken,
 * whatever order it comes in; killed at every step on the way.
 */
#include "sync_world.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

static enum work_record_state state_of(struct world *world, const struct proto_id *record) {
    struct work_scope none = {0};
    enum work_record_state state;
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_record_state_get(world->work, txn, &none, record, &state), PROTO_OK);
    store_read_end(txn);
    return state;
}

static void expect_erased(struct world *world, const struct proto_id *record) {
    struct store_txn *txn;
    struct work_digest digest;
    struct work_child *child = work_child_new(world->work);
    assert_int_equal(state_of(world, record), WORK_RECORD_ERASED);
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world->work, txn, record, world->now, child), PROTO_UNKNOWN_PATIENT);
    assert_int_equal(work_digest_get(txn, record, &digest), PROTO_OK);
    assert_int_equal(digest.count, 0);
    for (int t = 0; t < STORE_TABLE_COUNT; t++) {
        struct store_scan *scan;
        struct store_bytes key, value;
        assert_int_equal(store_scan_begin(txn, (enum store_table)t, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
        while (store_scan_next(scan, &key, &value) == PROTO_OK)
            if (t != STORE_PATIENTS && memmem(key.data, key.size, record->bytes, PROTO_ID_BYTES))
                fail_msg("table %d still has a row of it", t); /* others may say that they were merged into it */
            else if (t == STORE_PATIENTS && memcmp(key.data, record->bytes, PROTO_ID_BYTES) != 0 &&
                     memmem(value.data, value.size, record->bytes, PROTO_ID_BYTES))
                fail_msg("another record is still joined with it");
        store_scan_end(scan);
    }
    store_read_end(txn);
    work_child_free(child);
    assert_int_equal(bodies_of(world, record), 0);
}

enum way { BY_PAGE, BY_OFFER, BY_RECORD, WAYS };

struct erasing {
    enum way way;
    struct proto_event event;
    struct made made;
};

static void ignore_done(void *arg, struct work_call *call) {
    struct carried *out = arg;
    out->done = true;
    out->fault = *work_call_fault(call);
    out->code = out->fault.code;
    work_call_free(call);
}

static void send_erasure(struct world *world, struct carried *out, void *arg) {
    const struct erasing *e = arg;
    struct proto_fault fault = {0};
    struct work_call *call = NULL;
    *out = (struct carried){0};
    if (e->way == BY_RECORD) {
        call = work_call_new(world->work, &world_nurse, WORK_WANT_OPENED);
        assert_int_equal(work_call_add(call, &e->event, &fault), PROTO_OK);
        work_submit(world->work, call, ignore_done, out);
        return;
    }
    call = e->way == BY_PAGE ? page_new(world, 0) : offer_new(world, NORTH, 0);
    carry(call, e->made);
    carry_send(world, call, out);
}

static struct erasing erasing(struct world *world, enum way way, const struct proto_id *record) {
    struct erasing e = {.way = way, .event = erasure(record, world->now - EV_MIN)};
    e.event.has_id = true;
    e.event.id = world_id(world);
    e.made = make_with_id(e.event, &e.event.id);
    return e;
}

/* Nothing more is taken of it, by any way. */
static void expect_closed_to(struct world *world, const struct proto_id *record, const struct made *old,
                             uint32_t count) {
    uint64_t end = log_seq(world);
    struct made late = make(world, balloon_check(record, world->now - EV_HOUR, 333));
    struct made again = make(world, registration(record, world->now - EV_HOUR, NORTH));
    struct work_call *call = offer_new(world, NULL, 0);
    carry(call, late);
    carry(call, again);
    carry(call, late);
    for (uint32_t i = 0; i < count; i++)
        carry(call, old[i]);
    struct carried out = carried(world, call);
    assert_int_equal(out.code, PROTO_OK);
    for (uint32_t i = 0; i < out.count; i++) {
        assert_int_equal(out.results[i].state, WORK_SYNC_REFUSED);
        assert_int_equal(out.results[i].code, PROTO_ERASED);
    }
    call = page_new(world, 0);
    carry(call, late);
    carry(call, again);
    for (uint32_t i = 0; i < count; i++)
        carry(call, old[i]);
    out = carried(world, call);
    assert_int_equal(out.code, PROTO_OK);
    for (uint32_t i = 0; i < out.count; i++)
        assert_int_equal(out.results[i].state, WORK_SYNC_REFUSED);
    assert_int_not_equal(world_record(world, registration(record, world->now, NORTH)), PROTO_OK);
    assert_int_not_equal(world_record(world, balloon_check(record, world->now, 300)), PROTO_OK);
    assert_int_equal(log_seq(world), end);
    struct work_call *leave = page_new(world, 0);
    work_sync_leave(leave, record);
    out = carried(world, leave);
    assert_int_equal(out.code, PROTO_OK);
    expect_erased(world, record);
    world_verify(world);
}

static void test_a_record_alone(void **state) {
    (void)state;
    for (enum way way = 0; way < WAYS; way++)
        for (int waits = 0; waits < 2; waits++) {
            struct world world;
            world_init(&world, 1);
            struct proto_id ids[] = {world_id(&world), world_id(&world)};
            struct made list[2 * CHILD_EVENTS + 1];
            struct carried out;
            make_child(&world, &ids[0], NORTH, list);
            make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
            page_of(&world, list + !waits, 2 * CHILD_EVENTS - !waits);
            page_of(&world, list, 1);
            struct erasing e = erasing(&world, way, ids);
            sync_send(&world, send_erasure, &e, ids, 2, &out);
            assert_int_equal(out.code, PROTO_OK);
            expect_erased(&world, &ids[0]);
            assert_false(has_mark(&world, WORK_REMOVING_MARK));
            struct made erased = own_bytes(&world, &e.event.id);
            list[2 * CHILD_EVENTS] = erased;
            assert_string_equal(picture_of(&world, ids, 2),
                                fresh_picture(&world, list + CHILD_EVENTS, CHILD_EVENTS + 1, ids, 2));
            /* It came first, or in the middle: the same. */
            struct made mixed[2 * CHILD_EVENTS + 1];
            for (uint32_t i = 0; i < 2 * CHILD_EVENTS + 1; i++)
                mixed[i] = list[(i + 3) % (2 * CHILD_EVENTS + 1)];
            struct world other;
            world_init(&other, 2);
            struct work_call *call = page_new(&other, 0);
            for (uint32_t i = 0; i < 2 * CHILD_EVENTS + 1; i++)
                carry(call, mixed[i]);
            out = carried(&other, call);
            assert_int_equal(out.code, PROTO_OK);
            world_verify(&other);
            assert_string_equal(picture_of(&other, ids, 2), picture_of(&world, ids, 2));
            expect_erased(&other, &ids[0]);
            expect_closed_to(&other, &ids[0], list, CHILD_EVENTS);
            world_deinit(&other);
            /* The same erasure again, and another one. */
            sync_send(&world, send_erasure, &e, ids, 2, &out);
            assert_int_equal(out.code, PROTO_OK);
            for (enum way again = 0; again < BY_RECORD; again++) {
                struct erasing second = erasing(&world, again, ids);
                sync_send(&world, send_erasure, &second, ids, 2, &out);
                expect_states(&out, "T");
                expect_erased(&world, &ids[0]);
            }
            expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
            world_crash(&world, false, 3);
            expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
            world_crash(&world, true, 4);
            expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
            world_deinit(&world);
        }
}

static void test_who_was_never_here(void **state) {
    (void)state;
    for (enum way way = 0; way < BY_RECORD; way++)
        for (int first = 0; first < 2; first++) {
            struct world world;
            world_init(&world, 3);
            struct proto_id ids[] = {world_id(&world), world_id(&world)};
            struct made list[2 * CHILD_EVENTS];
            struct carried out;
            make_child(&world, &ids[0], NORTH, list);
            make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
            if (first)
                page_of(&world, list + CHILD_EVENTS, CHILD_EVENTS);
            struct erasing e = erasing(&world, way, ids);
            sync_send(&world, send_erasure, &e, ids, 2, &out);
            expect_states(&out, "T");
            expect_erased(&world, &ids[0]);
            expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
            page_of(&world, list + CHILD_EVENTS, CHILD_EVENTS);
            world_verify(&world);
            world_crash(&world, true, 4);
            world_verify(&world);
            world_deinit(&world);
        }
}

/* Three records, one child: each is erased in turn, the bridge too; the others stay and are what they are without it. */
static void test_of_a_class(void **state) {
    (void)state;
    for (enum way way = 0; way < BY_RECORD; way++)
        for (uint32_t who = 0; who < 3; who++)
            for (int shape = 0; shape < 3;
                 shape++) { /* 0-1-2 by merges of 0 and 2 into 1; of 1 into both; and a ring */
                struct world world;
                world_init(&world, 5);
                struct proto_id ids[4];
                struct made list[4 * CHILD_EVENTS + 5];
                struct carried out;
                uint32_t of[4 * CHILD_EVENTS + 5], count = 0;
                for (uint32_t i = 0; i < 4; i++) {
                    ids[i] = world_id(&world);
                    make_child(&world, &ids[i], i % 2 ? MILL : NORTH, list + i * CHILD_EVENTS);
                    for (uint32_t e = 0; e < CHILD_EVENTS; e++)
                        of[count++] = i;
                }
                static const uint8_t merges[3][3][2] = {
                    {{0, 1}, {2, 1}, {9, 9}}, {{1, 0}, {1, 2}, {9, 9}}, {{0, 1}, {1, 2}, {2, 0}}};
                for (int m = 0; m < 3 && merges[shape][m][0] < 9; m++) {
                    of[count] = merges[shape][m][0];
                    list[count++] = make(
                        &world, merge(&ids[merges[shape][m][0]], world.now - EV_HOUR + m, &ids[merges[shape][m][1]]));
                }
                /* Withdrawals from the other record of the class. */
                of[count] = 1;
                list[count++] = make(&world, withdrawal(&ids[1], world.now - EV_MIN, &list[3].id));
                page_of(&world, list, count);
                struct erasing e = erasing(&world, way, &ids[who]);
                sync_send(&world, send_erasure, &e, ids, 4, &out);
                expect_states(&out, "T");
                expect_erased(&world, &ids[who]);
                struct made kept[4 * CHILD_EVENTS + 6];
                uint32_t kept_count = 0;
                kept[kept_count++] = e.made;
                for (uint32_t i = 0; i < count; i++)
                    if (of[i] != who)
                        kept[kept_count++] = list[i];
                assert_string_equal(picture_of(&world, ids, 4), fresh_picture(&world, kept, kept_count, ids, 4));
                expect_closed_to(&world, &ids[who], list + who * CHILD_EVENTS, CHILD_EVENTS);
                /* A merge into it joins nothing, said before or after. */
                uint32_t other = (who + 1) % 3;
                const char *was = picture_of(&world, ids, 4);
                assert_int_not_equal(world_record(&world, merge(&ids[other], world.now, &ids[who])), PROTO_OK);
                assert_string_equal(picture_of(&world, ids, 4), was);
                struct made join = make(&world, merge(&ids[other], world.now - EV_MIN, &ids[who]));
                struct made join_too = make(&world, merge(&ids[3], world.now - EV_MIN, &ids[who]));
                page_of(&world, &join, 1);
                struct work_call *call = offer_new(&world, NULL, 0);
                carry(call, join_too);
                out = carried(&world, call);
                expect_states(&out, "T");
                world_verify(&world);
                struct store_txn *txn;
                struct work_patient a, b;
                assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
                assert_int_equal(work_patient_find(txn, &ids[other], &a), PROTO_OK);
                assert_int_equal(work_patient_find(txn, &ids[3], &b), PROTO_OK);
                assert_false(work_id_same(&a.super, &b.super));
                store_read_end(txn);
                kept[kept_count++] = join;
                kept[kept_count++] = join_too;
                assert_string_equal(picture_of(&world, ids, 4), fresh_picture(&world, kept, kept_count, ids, 4));
                world_crash(&world, true, 6);
                world_verify(&world);
                assert_string_equal(picture_of(&world, ids, 4), fresh_picture(&world, kept, kept_count, ids, 4));
                world_deinit(&world);
            }
}

/* What was refused of it is not kept either: listed before, or in the very call, or on its way. */
static void test_the_refused_list(void **state) {
    (void)state;
    for (int how = 0; how < 3; how++) {
        struct world world;
        world_init(&world, 7);
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        struct carried outs[2];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        page_of(&world, list, 2 * CHILD_EVENTS);
        struct made mine[] = {own(&world, balloon_check(&ids[0], world.now - EV_HOUR, 310)),
                              own(&world, balloon_check(&ids[1], world.now - EV_HOUR, 310))};
        struct erasing e = erasing(&world, BY_PAGE, ids);
        struct work_call *call = page_new(&world, 0);
        for (int i = 0; i < 2; i++)
            work_sync_refuse(call, seq_of(&world, &mine[i].id), PROTO_NOT_ALLOWED, "Not in your care.", false);
        if (how == 1)
            carry(call, e.made);
        carry_send(&world, call, &outs[0]);
        if (how == 0)
            sync_settle(&world, NULL, NULL);
        if (how != 1) {
            send_erasure(&world, &outs[1], &e);
        }
        sync_settle(&world, NULL, NULL);
        assert_int_equal(outs[0].code, PROTO_OK);
        struct system_count listed = systems_of(&world, WORK_SYSTEM_REFUSED);
        assert_int_equal(listed.count, 1);
        assert_true(work_id_same(&listed.last.record, &ids[1]));
        expect_erased(&world, &ids[0]);
        world_crash(&world, true, 8);
        world_verify(&world);
        listed = systems_of(&world, WORK_SYSTEM_REFUSED);
        assert_int_equal(listed.count, 1);
        expect_erased(&world, &ids[0]);
        world_deinit(&world);
    }
}

/* Call behind call, nothing awaited: what is said of it before, meanwhile and after. */
static void test_on_its_way(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 300; seed++) {
        struct world world;
        world_init(&world, 9);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS + 1];
        struct carried outs[5] = {{0}};
        struct answer answers[2];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], MILL, list + CHILD_EVENTS);
        page_of(&world, list, CHILD_EVENTS - 1);
        struct erasing e = erasing(&world, (enum way)(seed % 3), ids);
        struct made joins = list[2 * CHILD_EVENTS] = make(&world, merge(&ids[1], world.now - EV_HOUR, &ids[0]));
        struct proto_event checks[] = {balloon_check(&ids[0], world.now, 300),
                                       balloon_check(&ids[0], world.now + 1, 300)};
        struct paged pages[] = {{.list = list + CHILD_EVENTS, .count = CHILD_EVENTS},
                                {.list = &joins, .count = 1},
                                {.list = list, .count = CHILD_EVENTS}};
        uint64_t steps = seed / 3;
        bool record_after = e.way != BY_RECORD || seed % 2;
        for (int i = 0; i < 7; i++) {
            if (i == 0)
                send_page(&world, &outs[0], &pages[0]);
            else if (i == 1)
                world_send(&world, &world_nurse, WORK_WANT_OPENED, &checks[0], 1, &answers[0]);
            else if (i == 2 && record_after)
                send_page(&world, &outs[1], &pages[1]);
            else if (i == 3)
                send_erasure(&world, &outs[2], &e);
            else if (i == 4)
                world_send(&world, &world_nurse, WORK_WANT_OPENED, &checks[1], 1, &answers[1]);
            else if (i == 5)
                send_page(&world, &outs[3], &pages[2]);
            else if (i == 6)
                send_page(&world, &outs[4], &pages[1]);
            for (uint64_t s = steps % 4; s > 0; s--)
                (void)work_run_one(world.work);
            steps /= 2;
        }
        world_run(&world);
        assert_int_equal(answers[0].code, PROTO_OK);
        if (outs[2].code == PROTO_OK) {
            assert_int_not_equal(answers[1].code, PROTO_OK);
            struct made kept[CHILD_EVENTS + 2];
            memcpy(kept, list + CHILD_EVENTS, CHILD_EVENTS * sizeof *list);
            kept[CHILD_EVENTS] = joins;
            kept[CHILD_EVENTS + 1] = own_bytes(&world, &e.event.id);
            expect_erased(&world, &ids[0]);
            assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, kept, CHILD_EVENTS + 2, ids, 2));
        } else { /* two records are this child: not by halves */
            assert_int_equal(e.way, BY_RECORD);
            assert_int_equal(outs[2].code, PROTO_CONFLICT);
        }
        for (int i = 0; i < 2; i++)
            answer_deinit(&answers[i]);
        world_verify(&world);
        world_deinit(&world);
    }
}

/* An erasure dated ahead, one of a record of which only a merge speaks, and many events to be taken away. */
static void test_odd_ones(void **state) {
    (void)state;
    enum { MANY = PROTO_BATCH_EVENTS_MAX + 600 };
    struct world world;
    world_init(&world, 10);
    struct proto_id ids[] = {world_id(&world), world_id(&world), world_id(&world)};
    struct made list[CHILD_EVENTS + 2], *many = calloc(MANY, sizeof *many);
    struct carried out;
    assert_non_null(many);
    make_child(&world, &ids[0], NORTH, list);
    list[CHILD_EVENTS] = make(&world, merge(&ids[0], world.now - EV_HOUR, &ids[1])); /* nobody registered that one */
    list[CHILD_EVENTS + 1] = make(&world, move(&ids[0], world.now - EV_MIN, MILL));  /* both move */
    page_of(&world, list, CHILD_EVENTS + 2);
    struct erasing e = erasing(&world, BY_PAGE, &ids[1]);
    sync_send(&world, send_erasure, &e, ids, 2, &out);
    expect_erased(&world, &ids[1]);
    struct made all[CHILD_EVENTS + 3];
    memcpy(all, list, sizeof list);
    all[CHILD_EVENTS + 2] = e.made;
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, all, CHILD_EVENTS + 3, ids, 2));
    /* Dated ahead: an erasure does not wait. */
    e = (struct erasing){.way = BY_PAGE, .event = erasure(&ids[0], world.now + 100 * EV_DAY)};
    e.made = make(&world, e.event);
    sync_send(&world, send_erasure, &e, ids, 2, &out);
    expect_erased(&world, &ids[0]);
    expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
    /* Many. */
    many[0] = make(&world, registration(&ids[2], world.now - 300 * EV_DAY, NORTH));
    for (uint32_t i = 1; i < MANY; i++)
        many[i] = make(&world, balloon_check(&ids[2], world.now - 300 * EV_DAY + i * EV_HOUR, 400));
    page_of(&world, many, MANY);
    e = erasing(&world, BY_RECORD, &ids[2]);
    sync_send(&world, send_erasure, &e, ids, 3, &out);
    expect_erased(&world, &ids[2]);
    /* And with its erasure in one page that is worked in by parts, first or last. */
    for (int last = 0; last < 2; last++) {
        struct world other, copy;
        world_init(&other, 11);
        struct work_call *call = page_new(&other, 0);
        struct made end = make(&other, erasure(&ids[2], other.now));
        if (!last)
            carry(call, end);
        for (uint32_t i = 0; i < MANY; i++)
            carry(call, many[i]);
        if (last)
            carry(call, end);
        carry_send(&other, call, &out);
        while (log_seq(&other) == 0)
            assert_true(work_run_one(other.work));
        world_copy(&copy, &other, false, 6);
        expect_erased(&copy, &ids[2]);
        world_deinit(&copy);
        world_copy(&copy, &other, true, 7);
        expect_erased(&copy, &ids[2]);
        world_deinit(&copy);
        world_run(&other);
        expect_erased(&other, &ids[2]);
        world_verify(&other);
        world_deinit(&other);
    }
    free(many);
    world_deinit(&world);
}

/* The id of an erasure turns out to be that of something else, above; and the other way round. */
static void test_the_id_of_an_erasure(void **state) {
    (void)state;
    for (int how = 0; how < 3; how++) {
        struct world world;
        world_init(&world, 12);
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        page_of(&world, list, 2 * CHILD_EVENTS);
        struct made mine, theirs;
        if (how == 2) {
            mine = own(&world, balloon_check(&ids[1], world.now - EV_HOUR, 310));
            theirs = make_with_id(erasure(&ids[0], world.now - EV_HOUR), &mine.id);
        } else {
            mine = own(&world, erasure(&ids[0], world.now - EV_HOUR));
            theirs = how ? make_with_id(balloon_check(&ids[1], world.now - EV_HOUR, 310), &mine.id)
                         : make_with_id(erasure(&ids[0], world.now - EV_HOUR), &mine.id);
        }
        struct paged page = {.list = &theirs, .count = 1};
        struct carried out;
        send_page(&world, &out, &page);
        sync_settle(&world, NULL, NULL);
        expect_states(&out, "O");
        expect_erased(&world, &ids[0]); /* whoever said it, it was said */
        expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
        world_crash(&world, true, 2);
        world_verify(&world);
        expect_erased(&world, &ids[0]);
        world_crash(&world, false, 3);
        expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
        world_deinit(&world);
    }
}

/* An own erasure that the upstream does not take: it stands here, since what it took away does not come back by that; it is shown. */
static void test_an_erasure_refused(void **state) {
    (void)state;
    for (int how = 0; how < 2; how++) {
        struct world world;
        world_init(&world, 13);
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        struct made list[2 * CHILD_EVENTS];
        make_child(&world, &ids[0], NORTH, list);
        make_child(&world, &ids[1], NORTH, list + CHILD_EVENTS);
        page_of(&world, list, 2 * CHILD_EVENTS);
        struct made mine = own(&world, erasure(&ids[0], world.now - EV_HOUR));
        const char *was = picture_of(&world, ids, 2);
        struct paged page = {.refuse_seq = seq_of(&world, &mine.id), .forget = how == 1};
        struct carried out;
        send_page(&world, &out, &page);
        sync_settle(&world, NULL, NULL);
        assert_int_equal(out.code, PROTO_OK);
        struct system_count listed = systems_of(&world, WORK_SYSTEM_REFUSED);
        assert_int_equal(listed.count, how == 0);
        for (int lose = 0; lose < 3; lose++) {
            expect_erased(&world, &ids[0]);
            assert_string_equal(picture_of(&world, ids, 2), was);
            assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, how == 0);
            world_crash(&world, lose == 1, 3);
            world_verify(&world);
        }
        expect_closed_to(&world, &ids[0], list, CHILD_EVENTS);
        if (how == 0) {
            page = (struct paged){.settle_seq = listed.last.seq, .again = true};
            sync_send(&world, send_page, &page, ids, 2, &out);
            assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
            expect_erased(&world, &ids[0]);
        }
        world_deinit(&world);
    }
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_a_record_alone),       TEST(test_who_was_never_here), TEST(test_of_a_class),
        TEST(test_the_refused_list),     TEST(test_on_its_way),         TEST(test_odd_ones),
        TEST(test_the_id_of_an_erasure), TEST(test_an_erasure_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
