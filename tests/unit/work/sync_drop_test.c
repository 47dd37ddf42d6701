/*
 * sync_drop_test.c - own events that the upstream refused, and what becomes of them: out of the fold, in the list, recorded
 * again, forgotten; killed at every step on the way.
 */
#include "sync_world.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

/* A world with one child, all of it from above. */
static void begin(struct world *world, uint64_t seed, struct proto_id *id, struct made list[CHILD_EVENTS]) {
    world_init(world, seed);
    *id = world_id(world);
    make_child(world, id, NORTH, list);
    page_of(world, list, CHILD_EVENTS);
}

struct refused_row {
    struct proto_id event;
    uint32_t found;
    struct made made;
};
static bool keep_row(void *arg, const struct work_system_row *row) {
    struct refused_row *r = arg;
    if (!work_id_same(&row->event, &r->event))
        return true;
    r->found++;
    r->made = (struct made){made_keep(row->bytes.data, row->bytes.size), (uint32_t)row->bytes.size, row->event};
    return true;
}

/* It is in the list once, whole, with what was said of it. */
static uint64_t expect_listed(struct world *world, const struct made *event, const struct proto_id *record) {
    struct refused_row row = {.event = event->id};
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, keep_row, &row), PROTO_OK);
    store_read_end(txn);
    assert_int_equal(row.found, 1);
    assert_int_equal(row.made.size, event->size);
    assert_memory_equal(row.made.bytes, event->bytes, event->size);
    struct system_count list = systems_of(world, WORK_SYSTEM_REFUSED);
    assert_true(work_id_same(&list.last.record, record));
    assert_int_equal(list.last.code, PROTO_NOT_ALLOWED);
    assert_int_equal(list.last.at, world->now);
    assert_string_equal(list.message, "The child is not in your care.");
    return list.last.seq;
}

/* --- refused --------------------------------------------------------------------------------------------- */

enum { KINDS = 9 };
static struct proto_event refusable(struct world *world, const struct proto_id *id, const struct proto_id *other,
                                    const struct made *list, int kind) {
    int64_t at = world->now - EV_HOUR;
    struct proto_event event = balloon_check(id, at, 310);
    switch (kind) {
    case 1:
        return tube_out(id, at);
    case 2:
        return move(id, at, "fell-side");
    case 3:
        return withdrawal(id, at, &list[3].id);
    case 4:
        event.has_replaces = true;
        event.replaces = list[3].id;
        return event;
    case 5:
        return merge(id, at, other);
    case 6:
        return merge(other, at, id);
    case 7:
        return registration(other, at, MILL);
    case 8: /* waits a little */
        return balloon_check(id, world->now + EV_MIN, 200);
    default:
        return event;
    }
}

static void test_refused(void **state) {
    (void)state;
    static const struct proto_id nobody;
    for (int kind = 0; kind < KINDS; kind++) {
        struct world world;
        struct made list[2 * CHILD_EVENTS];
        struct proto_id ids[2];
        begin(&world, 1, &ids[0], list);
        ids[1] = world_id(&world);
        uint32_t count = CHILD_EVENTS;
        if (kind == 5 || kind == 6) {
            make_child(&world, &ids[1], MILL, list + CHILD_EVENTS);
            page_of(&world, list + CHILD_EVENTS, CHILD_EVENTS);
            count = 2 * CHILD_EVENTS;
        }
        struct proto_event said = refusable(&world, &ids[0], &ids[1], list, kind);
        struct made mine =
            make(&world, said); /* a merge is not recorded while an alert is open: it was before that opened */
        if (kind == 5 || kind == 6)
            page_of(&world, &mine, 1);
        else
            mine = own(&world, said);
        uint64_t seq = seq_of(&world, &mine.id);
        const char *with = picture_of(&world, ids, 2);
        struct paged page = {.refuse_seq = seq, .mark = "refused"};
        struct carried out;
        sync_send(&world, send_page, &page, ids, 2, &out);
        assert_int_equal(out.code, PROTO_OK);
        assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, count, ids, 2));
        uint64_t row = expect_listed(&world, &mine, kind >= 6 && kind <= 7 ? &ids[1] : &ids[0]);
        assert_int_equal(bodies_of(&world, &nobody), 0);
        assert_false(has_mark(&world, WORK_REMOVING_MARK));
        /* Said twice: it has gone. */
        out = paged(&world, page);
        assert_int_equal(out.code, PROTO_OK);
        assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 1);
        /* Recorded again, and all is as it was. */
        page = (struct paged){.settle_seq = row, .again = true};
        sync_send(&world, send_page, &page, ids, 2, &out);
        assert_int_equal(out.code, PROTO_OK);
        assert_string_equal(picture_of(&world, ids, 2), with);
        assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
        assert_true(seq_of(&world, &mine.id) > row); /* to be pushed again */
        struct made again = own_bytes(&world, &mine.id);
        assert_int_equal(again.size, mine.size);
        assert_memory_equal(again.bytes, mine.bytes, mine.size);
        /* Refused once more, and only taken off the list. */
        page = (struct paged){.refuse_seq = seq_of(&world, &mine.id)};
        sync_send(&world, send_page, &page, ids, 2, &out);
        row = expect_listed(&world, &mine, kind >= 6 && kind <= 7 ? &ids[1] : &ids[0]);
        page = (struct paged){.settle_seq = row};
        sync_send(&world, send_page, &page, ids, 2, &out);
        assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, list, count, ids, 2));
        assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
        world_deinit(&world);
    }
}

static void test_refused_policy(void **state) {
    (void)state;
    static const struct proto_id nobody;
    for (int ahead = 0; ahead < 2; ahead++) {
        struct world world;
        struct made list[CHILD_EVENTS + 1];
        struct proto_id id;
        struct policy_event policy;
        begin(&world, 2, &id, list);
        list[CHILD_EVENTS] = make_policy(&world, world.now - 3 * EV_DAY, "balloon-loss-ml", 70);
        page_of(&world, list + CHILD_EVENTS, 1);
        policy_adopted(&world, &policy, world.now + (ahead ? EV_MIN : -EV_DAY), NULL, "balloon-loss-ml", 300);
        struct made mine = own(&world, policy.event);
        msgpack_unpacked_destroy(&policy.unpacked);
        const char *with = picture_of(&world, &id, 1);
        struct paged page = {.refuse_seq = seq_of(&world, &mine.id)};
        struct carried out;
        sync_send(&world, send_page, &page, &id, 1, &out);
        assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS + 1, &id, 1));
        uint64_t row = expect_listed(&world, &mine, &nobody);
        page = (struct paged){.settle_seq = row, .again = true};
        sync_send(&world, send_page, &page, &id, 1, &out);
        assert_string_equal(picture_of(&world, &id, 1), with);
        world.now += 2 * EV_MIN;
        work_tick(world.work);
        world_run(&world);
        world_verify(&world);
        page = (struct paged){.refuse_seq = seq_of(&world, &mine.id)}; /* in force by now, whichever it was */
        sync_send(&world, send_page, &page, &id, 1, &out);
        assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS + 1, &id, 1));
        world_deinit(&world);
    }
}

static void test_forgotten(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id id;
    begin(&world, 3, &id, list);
    struct made mine = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
    struct paged page = {.refuse_seq = seq_of(&world, &mine.id), .forget = true};
    struct carried out;
    sync_send(&world, send_page, &page, &id, 1, &out);
    assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS, &id, 1));
    assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
    assert_int_equal(systems_of(&world, WORK_SYSTEM_LEFT).count, 0);
    assert_int_equal(bodies_of(&world, &id), CHILD_EVENTS);
    /* And a policy. */
    struct policy_event policy;
    policy_adopted(&world, &policy, world.now - EV_DAY, NULL, "balloon-loss-ml", 300);
    mine = own(&world, policy.event);
    msgpack_unpacked_destroy(&policy.unpacked);
    page = (struct paged){.refuse_seq = seq_of(&world, &mine.id), .forget = true};
    sync_send(&world, send_page, &page, &id, 1, &out);
    assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS, &id, 1));
    world_deinit(&world);
}

/* The registration is refused, the rest not yet: a child that nobody knows, until the rest is refused too. */
static void test_a_registration_refused(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id ids[2];
    struct carried out;
    begin(&world, 4, &ids[0], list);
    ids[1] = world_id(&world);
    struct made arrival = own(&world, registration(&ids[1], world.now - EV_DAY, MILL));
    struct made check = own(&world, balloon_check(&ids[1], world.now - EV_HOUR, 300));
    struct paged page = {.refuse_seq = seq_of(&world, &arrival.id)};
    sync_send(&world, send_page, &page, ids, 2, &out);
    struct work_scope all = {.all_teams = true};
    enum work_record_state record;
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_record_state_get(world.work, txn, &all, &ids[1], &record), PROTO_OK);
    store_read_end(txn);
    assert_int_equal(record, WORK_RECORD_UNKNOWN);
    assert_int_equal(world_record(&world, balloon_check(&ids[1], world.now, 300)), PROTO_UNKNOWN_PATIENT);
    page = (struct paged){.refuse_seq = seq_of(&world, &check.id)};
    sync_send(&world, send_page, &page, ids, 2, &out);
    expect_unknown(&world, &ids[1]);
    /* The check alone cannot be recorded again; behind the registration it can. */
    uint64_t check_row = expect_listed(&world, &check, &ids[1]);
    out = paged(&world, (struct paged){.settle_seq = check_row, .again = true});
    assert_int_equal(out.code, PROTO_UNKNOWN_PATIENT);
    assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 2);
    struct work_call *call = page_new(&world, 0);
    work_sync_settle(call, check_row - 1, true);
    out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    out = paged(&world, (struct paged){.settle_seq = check_row, .again = true});
    assert_int_equal(out.code, PROTO_OK);
    struct made all_of_it[CHILD_EVENTS + 2];
    memcpy(all_of_it, list, sizeof list);
    all_of_it[CHILD_EVENTS] = arrival;
    all_of_it[CHILD_EVENTS + 1] = check;
    assert_string_equal(picture_of(&world, ids, 2), fresh_picture(&world, all_of_it, CHILD_EVENTS + 2, ids, 2));
    world_verify(&world);
    world_deinit(&world);
}

/* Refused and settled call behind call, nothing awaited: once each. */
static void test_at_once(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        struct world world;
        struct made list[CHILD_EVENTS + 1];
        struct proto_id id;
        begin(&world, 5, &id, list);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct made mine = list[CHILD_EVENTS] = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
        uint64_t seq = seq_of(&world, &mine.id);
        struct paged pages[] = {{.refuse_seq = seq},
                                {.refuse_seq = seq},
                                {.settle_seq = seq + 1, .again = true},
                                {.settle_seq = seq + 1, .again = true},
                                {.settle_seq = seq + 1}};
        struct carried outs[5];
        uint64_t steps = seed;
        for (int i = 0; i < 5; i++) {
            send_page(&world, &outs[i], &pages[i]);
            for (uint64_t s = steps % 3; s > 0; s--)
                (void)work_run_one(world.work);
            steps /= 2;
        }
        world_run(&world);
        assert_int_equal(outs[0].code, PROTO_OK);
        assert_int_equal(outs[1].code, PROTO_OK);
        assert_int_equal(outs[2].code, PROTO_OK);
        assert_int_equal(outs[3].code, PROTO_BAD_VALUE);
        assert_int_equal(outs[4].code, PROTO_BAD_VALUE);
        assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
        assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS + 1, &id, 1));
        world_verify(&world);
        world_deinit(&world);
    }
}

/* The same twice in one call. */
static void test_twice_in_a_call(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS + 1];
    struct proto_id id;
    begin(&world, 6, &id, list);
    struct made mine = list[CHILD_EVENTS] = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
    struct work_call *call = page_new(&world, 0);
    work_sync_refuse(call, seq_of(&world, &mine.id), PROTO_NOT_ALLOWED, "The child is not in your care.", false);
    work_sync_refuse(call, seq_of(&world, &mine.id), PROTO_NOT_ALLOWED, "The child is not in your care.", false);
    struct carried out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    world_verify(&world);
    uint64_t row = expect_listed(&world, &mine, &id);
    call = page_new(&world, 0);
    work_sync_settle(call, row, true);
    work_sync_settle(call, row, true);
    out = carried(&world, call);
    world_verify(&world);
    if (out.code != PROTO_OK) {
        out = paged(&world, (struct paged){.settle_seq = row, .again = true});
        assert_int_equal(out.code, PROTO_OK);
    }
    assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS + 1, &id, 1));
    world_verify(&world);
    call = page_new(&world, log_seq(&world)); /* and a record that leaves twice */
    work_sync_leave(call, &id);
    work_sync_leave(call, &id);
    out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    expect_unknown(&world, &id);
    assert_int_equal(systems_of(&world, WORK_SYSTEM_LEFT).count, 1);
    world_verify(&world);
    world_deinit(&world);
}

static void test_what_is_not_in_the_list(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id id;
    begin(&world, 7, &id, list);
    struct carried out = paged(&world, (struct paged){.leaves = &id, .leave_count = 1});
    assert_int_equal(out.code, PROTO_OK);
    uint64_t end = log_seq(&world);
    uint64_t seqs[] = {1, CHILD_EVENTS, end, end + 1, UINT64_MAX};
    for (int i = 0; i < 5; i++)
        for (int again = 0; again < 2; again++) {
            out = paged(&world, (struct paged){.settle_seq = seqs[i], .again = again, .mark = "no"});
            assert_int_equal(out.code, PROTO_BAD_VALUE);
            assert_true(strlen(out.fault.message) > 10);
            assert_false(has_mark(&world, "link.cursor"));
            out = paged(&world, (struct paged){.refuse_seq = seqs[i]}); /* nothing to refuse: it has gone */
            assert_int_equal(out.code, PROTO_OK);
        }
    assert_int_equal(log_seq(&world), end);
    assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
    world_verify(&world);
    world_deinit(&world);
}

/* It stands in the list here and came from above all the same: recorded again it is here once. */
static void test_recorded_again_and_here_already(void **state) {
    (void)state;
    for (int other = 0; other < 2; other++) {
        struct world world;
        struct made list[CHILD_EVENTS + 2];
        struct proto_id id;
        struct carried out;
        begin(&world, 8, &id, list);
        struct made mine = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
        out = paged(&world, (struct paged){.refuse_seq = seq_of(&world, &mine.id)});
        assert_int_equal(out.code, PROTO_OK);
        uint64_t row = expect_listed(&world, &mine, &id);
        struct made came = other ? make_with_id(balloon_check(&id, world.now - EV_HOUR, 440), &mine.id) : mine;
        page_of(&world, &came, 1);
        list[CHILD_EVENTS] = came;
        world_verify(&world);
        expect_listed(&world, &mine, &id);
        struct paged page = {.settle_seq = row, .again = true};
        out = paged(&world, page);
        assert_int_equal(out.code, PROTO_OK);
        world_verify(&world);
        assert_int_equal(systems_of(&world, WORK_SYSTEM_REFUSED).count, 0);
        struct made now = own_bytes(&world, &mine.id); /* what came from above stays under the id */
        assert_int_equal(now.size, came.size);
        assert_memory_equal(now.bytes, came.bytes, came.size);
        assert_int_equal(bodies_of(&world, &id), CHILD_EVENTS + 1 + (uint32_t)other);
        if (!other)
            assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS + 1, &id, 1));
        world_crash(&world, true, 9);
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_settled_after_its_child_left(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id id;
    begin(&world, 9, &id, list);
    struct made mine = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
    struct carried out = paged(&world, (struct paged){.refuse_seq = seq_of(&world, &mine.id)});
    assert_int_equal(out.code, PROTO_OK);
    out = paged(&world, (struct paged){.leaves = &id, .leave_count = 1, .pushed_seq = log_seq(&world)});
    assert_int_equal(out.code, PROTO_OK);
    world_verify(&world);
    uint64_t row = expect_listed(&world, &mine, &id); /* what was refused is kept for a person to see */
    out = paged(&world, (struct paged){.settle_seq = row, .again = true});
    assert_int_equal(out.code, PROTO_UNKNOWN_PATIENT);
    expect_listed(&world, &mine, &id);
    expect_unknown(&world, &id);
    page_of(&world, list, CHILD_EVENTS);
    struct paged page = {.settle_seq = row, .again = true};
    sync_send(&world, send_page, &page, &id, 1, &out);
    assert_int_equal(out.code, PROTO_OK);
    struct made all[CHILD_EVENTS + 1];
    memcpy(all, list, sizeof list);
    all[CHILD_EVENTS] = mine;
    assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, all, CHILD_EVENTS + 1, &id, 1));
    world_deinit(&world);
}

/* The longest event there can be, and the longest sentence. */
static void test_the_longest(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id id;
    begin(&world, 10, &id, list);
    static char text[PROTO_EVENT_BYTES_MAX];
    static uint8_t bytes[PROTO_EVENT_BYTES_MAX + 600], kept[sizeof bytes];
    memset(text, 'x', sizeof text - 1);
    struct made longest = {0};
    for (uint32_t size = PROTO_EVENT_BYTES_MAX - 700; size < PROTO_EVENT_BYTES_MAX; size++) {
        struct proto_writer w;
        struct proto_id event_id = {{1, 2, 3, 4, 5, 6, 0x71, 7, 0x81, 8, 9, 10, 11, 12, 13, 14}};
        struct proto_event decoded;
        proto_writer_init(&w, bytes, sizeof bytes);
        proto_write_array(&w, 2);
        proto_write_map(&w, 5);
        proto_write_text(&w, "id");
        proto_write_id(&w, &event_id);
        proto_write_text(&w, "kind");
        proto_write_text(&w, "moon.seen");
        proto_write_text(&w, "patient");
        proto_write_id(&w, &id);
        proto_write_text(&w, "at");
        proto_write_int(&w, world.now - EV_HOUR);
        proto_write_text(&w, "body");
        proto_write_map(&w, 1);
        proto_write_text(&w, "phase");
        text[size] = '\0';
        proto_write_text(&w, text);
        text[size] = 'x';
        proto_write_map(&w, 3);
        proto_write_text(&w, "by");
        proto_write_text(&w, "anna");
        proto_write_text(&w, "node");
        proto_write_id(&w, &event_id);
        proto_write_text(&w, "written_at");
        proto_write_int(&w, world.now);
        struct proto_arena *arena = proto_arena_new();
        bool fits = w.size <= PROTO_EVENT_BYTES_MAX && proto_event_decode(bytes, w.size, arena, &decoded) == PROTO_OK;
        proto_arena_free(arena);
        if (!fits)
            break;
        memcpy(kept, bytes, w.size);
        longest = (struct made){kept, (uint32_t)w.size, event_id};
    }
    assert_int_equal(longest.size, PROTO_EVENT_BYTES_MAX);
    static char sentence[400];
    for (size_t i = 0; i + 3 < sizeof sentence; i += 3)
        memcpy(sentence + i, "\xe2\x82\xac", 3);
    page_of(&world, &longest, 1);
    struct work_call *call = page_new(&world, 0);
    work_sync_refuse(call, seq_of(&world, &longest.id), PROTO_UNKNOWN_PATIENT, sentence, false);
    struct carried out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    struct system_count list_of = systems_of(&world, WORK_SYSTEM_REFUSED);
    assert_int_equal(list_of.count, 1);
    assert_int_equal(list_of.last.code, PROTO_UNKNOWN_PATIENT);
    assert_true(strlen(list_of.message) >= 100 && strlen(list_of.message) % 3 == 0);
    assert_string_equal(picture_of(&world, &id, 1), fresh_picture(&world, list, CHILD_EVENTS, &id, 1));
    world_verify(&world);
    out = paged(&world, (struct paged){.settle_seq = list_of.last.seq, .again = true});
    assert_int_equal(out.code, PROTO_OK);
    struct made back = own_bytes(&world, &longest.id);
    assert_int_equal(back.size, longest.size);
    assert_memory_equal(back.bytes, longest.bytes, back.size);
    world_verify(&world);
    world_deinit(&world);
}

/* What the upstream gave for an own event, and that it stays when the event goes and comes. */
static void test_receipts(void **state) {
    (void)state;
    struct world world;
    struct made list[CHILD_EVENTS];
    struct proto_id id;
    begin(&world, 11, &id, list);
    struct made mine = own(&world, balloon_check(&id, world.now - EV_HOUR, 310));
    uint8_t receipt[WORK_RECEIPT_BYTES] = {1, 2, 3}, found[WORK_RECEIPT_BYTES];
    struct made came = make(&world, balloon_check(&id, world.now - EV_DAY, 310));
    struct work_call *call = page_new(&world, 0);
    work_sync_receipt(call, seq_of(&world, &mine.id), 12345, receipt);
    work_sync_receipt(call, 1000, 5, receipt); /* of nothing that is here */
    receipt[0] = 9;
    carry_as(call, &came, false, 777, receipt);
    struct carried out = carried(&world, call);
    expect_states(&out, "T");
    struct store_txn *txn;
    int64_t received_at = 0;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_receipt(txn, &mine.id, &received_at, found), PROTO_OK);
    assert_int_equal(received_at, 12345);
    assert_int_equal(found[0], 1);
    assert_int_equal(store_read_receipt(txn, &came.id, &received_at, found), PROTO_OK);
    assert_int_equal(received_at, 777);
    assert_int_equal(found[0], 9);
    store_read_end(txn);
    world_verify(&world);
    world_deinit(&world);
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_refused),
        TEST(test_refused_policy),
        TEST(test_forgotten),
        TEST(test_a_registration_refused),
        TEST(test_at_once),
        TEST(test_twice_in_a_call),
        TEST(test_what_is_not_in_the_list),
        TEST(test_recorded_again_and_here_already),
        TEST(test_settled_after_its_child_left),
        TEST(test_the_longest),
        TEST(test_receipts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
