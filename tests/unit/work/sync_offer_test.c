/*
 * sync_offer_test.c - events that a node offers: what is taken, held, refused or other, and that nobody is told what is not so.
 */
#include "sync_world.h"

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

static void expect_refused(const struct carried *out, uint32_t index, enum proto_error code) {
    assert_int_equal(out->results[index].state, WORK_SYNC_REFUSED);
    assert_int_equal(out->results[index].code, code);
    assert_true(strlen(out->results[index].message) > 10);
}

static void check_receipt(struct world *world, const struct made *made, const struct work_sync_result *result) {
    uint8_t receipt[WORK_RECEIPT_BYTES];
    struct store_txn *txn;
    struct store_event stored;
    uint64_t seq = 0;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, &made->id, &seq), PROTO_OK);
    assert_int_equal(store_read_event(txn, seq, &stored), PROTO_OK);
    assert_int_equal(result->seq, seq);
    assert_int_equal(result->received_at, stored.received_at);
    assert_int_equal(stored.body.size, made->size);
    assert_memory_equal(stored.body.data, made->bytes, made->size);
    work_receipt_make(world->work, &made->id, (struct store_bytes){made->bytes, made->size}, stored.received_at,
                      receipt);
    assert_memory_equal(receipt, result->receipt, sizeof receipt);
    store_read_end(txn);
}

static bool stored_joined(struct world *world, const struct proto_id *id, uint64_t *seq_out) {
    struct store_txn *txn;
    struct store_event stored;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, id, seq_out), PROTO_OK);
    assert_int_equal(store_read_event(txn, *seq_out, &stored), PROTO_OK);
    bool joined = stored.joined;
    assert_true(work_id_same(&stored.via, &laptop_node));
    store_read_end(txn);
    return joined;
}

struct offered {
    const char *team;
    struct made list[8];
    bool joined[8];
    uint32_t count;
};

static void send_offer(struct world *world, struct carried *out, void *arg) {
    const struct offered *offered = arg;
    struct work_call *call = offer_new(world, offered->team, 0);
    for (uint32_t i = 0; i < offered->count; i++)
        carry_as(call, &offered->list[i], offered->joined[i], 0, NULL);
    carry_send(world, call, out);
}

static void test_taken_and_held(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id a = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct offered offered = {NORTH,
                              {make(&world, registration(&a, at, NORTH)), make(&world, stoma_formed(&a, at + 1)),
                               make(&world, placement(&a, at + 2)), make(&world, balloon_check(&a, at + 3, 300))},
                              {false, true, true, false},
                              4};
    struct carried out;
    sync_send(&world, send_offer, &offered, &a, 1, &out);
    expect_states(&out, "TTTT");
    uint64_t seq = 0, next = 0;
    for (uint32_t i = 0; i < 4; i++) {
        check_receipt(&world, &offered.list[i], &out.results[i]);
        assert_int_equal(stored_joined(&world, &offered.list[i].id, &next), offered.joined[i]);
        assert_int_equal(next, seq + 1);
        seq = next;
    }
    /* Once more: the same words for it, and later in time the same moment of receipt. */
    world.now += EV_HOUR;
    struct carried again;
    send_offer(&world, &again, &offered);
    world_run(&world);
    expect_states(&again, "HHHH");
    for (uint32_t i = 0; i < 4; i++) {
        check_receipt(&world, &offered.list[i], &again.results[i]);
        assert_memory_equal(again.results[i].receipt, out.results[i].receipt, WORK_RECEIPT_BYTES);
    }
    assert_int_equal(log_seq(&world), 4);
    world_verify(&world);
    world_deinit(&world);
}

static void test_an_id_twice_in_a_call(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 2);
    struct proto_id a = world_id(&world), b = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made known = make(&world, registration(&a, at, NORTH)), check = make(&world, balloon_check(&a, at + 1, 300));
    page_of(&world, &known, 1);
    struct made changed = make_with_id(balloon_check(&a, at + 1, 310), &check.id);
    world.now += EV_MIN;
    /* New, again, again with other words, what was held before, and that again. */
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry(call, check);
    carry(call, check);
    carry(call, changed);
    carry(call, known);
    carry(call, known);
    struct carried out = carried(&world, call);
    expect_states(&out, "THRHH");
    check_receipt(&world, &check, &out.results[0]);
    check_receipt(&world, &check, &out.results[1]);
    check_receipt(&world, &known, &out.results[3]);
    check_receipt(&world, &known, &out.results[4]);
    expect_refused(&out, 2, PROTO_ID_REUSED);
    world_verify(&world);
    /* What is refused is not held because it was said twice. */
    struct made unknown = make(&world, balloon_check(&b, at, 300));
    call = offer_new(&world, NORTH, 0);
    carry(call, unknown);
    carry(call, unknown);
    out = carried(&world, call);
    expect_states(&out, "RR");
    expect_refused(&out, 1, PROTO_UNKNOWN_PATIENT);
    /* Nor when its group is refused because of another one, before it or after. */
    struct made fine = make(&world, balloon_check(&a, at + 9, 300));
    call = offer_new(&world, NORTH, 0);
    carry(call, fine);
    carry_joined(call, fine);
    carry_joined(call, unknown);
    carry(call, fine);
    out = carried(&world, call);
    if (out.results[3].state == WORK_SYNC_TAKEN) /* by itself it may be taken */
        expect_states(&out, "RRRT");
    else
        expect_states(&out, "RRRR");
    world_verify(&world);
    world_deinit(&world);
}

static void test_by_scope(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 3);
    struct proto_id a = world_id(&world), b = world_id(&world), c = world_id(&world), d = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made known[] = {make(&world, registration(&a, at, NORTH)), make(&world, registration(&b, at, MILL))};
    page_of(&world, known, 2);
    struct made list[] = {make(&world, balloon_check(&a, at + 1, 300)),  make(&world, balloon_check(&b, at + 1, 300)),
                          make(&world, registration(&c, at, NORTH)),     make(&world, registration(&d, at, MILL)),
                          make(&world, balloon_check(&c, at + 1, 300)),  make(&world, balloon_check(&d, at + 1, 300)),
                          make_policy(&world, at, "balloon-loss-ml", 60)};
    struct work_call *call = offer_new(&world, NORTH, log_seq(&world));
    for (uint32_t i = 0; i < 7; i++)
        carry(call, list[i]);
    struct carried out = carried(&world, call);
    expect_states(&out, "TRTRTRT");
    expect_refused(&out, 1, PROTO_NOT_ALLOWED);
    expect_refused(&out, 3, PROTO_NOT_ALLOWED);
    expect_refused(&out, 5, PROTO_UNKNOWN_PATIENT);
    world_verify(&world);
    call = offer_new(&world, NULL, 0);
    for (uint32_t i = 0; i < 7; i++)
        carry(call, list[i]);
    out = carried(&world, call);
    expect_states(&out, "HTHTHTH");
    world_verify(&world);
    /* A scope of a team that nobody named yet, and of none. */
    call = offer_new(&world, "fell-side", 0);
    carry(call, make(&world, balloon_check(&a, at + 2, 300)));
    out = carried(&world, call);
    expect_states(&out, "R");
    struct work_sync_from none = {.node = laptop_node};
    call = work_sync_new(world.work, WORK_SYNC_OFFER, &none);
    carry(call, make(&world, balloon_check(&a, at + 2, 300)));
    out = carried(&world, call);
    expect_states(&out, "R");
    world_verify(&world);
    world_deinit(&world);
}

static void test_groups_are_whole(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id a = world_id(&world), b = world_id(&world), c = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made known = make(&world, registration(&a, at, NORTH)), held = make(&world, balloon_check(&a, at + 1, 300));
    page_of(&world, (struct made[]){known, held}, 2);
    struct made one = make(&world, balloon_check(&a, at + 2, 300)),
                stray = make(&world, balloon_check(&b, at + 3, 300));
    struct made two = make(&world, balloon_check(&a, at + 4, 300)),
                three = make(&world, balloon_check(&a, at + 5, 300));
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry(call, one); /* a group with a stray one in its middle, and a held one that stays */
    carry_joined(call, held);
    carry_joined(call, stray);
    carry_joined(call, two);
    carry(call, three); /* by itself */
    struct carried out = carried(&world, call);
    expect_states(&out, "RHRRT");
    expect_refused(&out, 0, PROTO_CONFLICT);
    expect_refused(&out, 2, PROTO_UNKNOWN_PATIENT);
    expect_refused(&out, 3, PROTO_CONFLICT);
    uint64_t seq;
    assert_false(stored_joined(&world, &three.id, &seq));
    /* A child registered in a group that is refused is not known behind it. */
    struct made arrival = make(&world, registration(&c, at, NORTH)),
                of_it = make(&world, balloon_check(&c, at + 1, 300));
    call = offer_new(&world, NORTH, 0);
    carry(call, arrival);
    carry_joined(call, stray);
    carry(call, of_it);
    out = carried(&world, call);
    expect_states(&out, "RRR");
    expect_refused(&out, 2, PROTO_UNKNOWN_PATIENT);
    world_verify(&world);
    world_deinit(&world);
}

/* An event is joined to the one that stands before it in the log, or to none: never to one of another call. */
static void test_joined_to_its_own(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 5);
    struct proto_id a = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made known = make(&world, registration(&a, at, NORTH)), held = make(&world, balloon_check(&a, at + 1, 300));
    page_of(&world, (struct made[]){known, held}, 2);
    struct made other = make(&world, balloon_check(&a, at + 2, 300)),
                first = make(&world, balloon_check(&a, at + 3, 300));
    struct made second = make(&world, balloon_check(&a, at + 4, 300));
    struct carried outs[2];
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry(call, other);
    carry_send(&world, call, &outs[0]);
    call = offer_new(&world, NORTH, 0);
    carry(call, held);
    carry_joined(call, first);
    carry_joined(call, second);
    carry_send(&world, call, &outs[1]);
    world_run(&world);
    expect_states(&outs[0], "T");
    expect_states(&outs[1], "HTT");
    uint64_t seqs[3];
    assert_false(stored_joined(&world, &other.id, &seqs[0]));
    assert_false(stored_joined(&world, &first.id, &seqs[1]));
    assert_true(stored_joined(&world, &second.id, &seqs[2]));
    assert_int_equal(seqs[2], seqs[1] + 1);
    /* The same within a call: the group before it is another. */
    struct made third = make(&world, balloon_check(&a, at + 5, 300)),
                fourth = make(&world, balloon_check(&a, at + 6, 300));
    call = offer_new(&world, NORTH, 0);
    carry(call, third);
    carry(call, held);
    carry_joined(call, fourth);
    outs[0] = carried(&world, call);
    expect_states(&outs[0], "THT");
    assert_false(stored_joined(&world, &fourth.id, &seqs[0]));
    /* And in a page. */
    struct made fifth = make(&world, balloon_check(&a, at + 7, 300)),
                sixth = make(&world, balloon_check(&a, at + 8, 300));
    call = page_new(&world, 0);
    carry(call, held);
    carry_joined(call, fifth);
    carry_joined(call, sixth);
    outs[0] = carried(&world, call);
    expect_states(&outs[0], "HTT");
    struct store_txn *txn;
    struct store_event stored;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_event(txn, outs[0].results[1].seq, &stored), PROTO_OK);
    assert_false(stored.joined);
    assert_int_equal(store_read_event(txn, outs[0].results[2].seq, &stored), PROTO_OK);
    assert_true(stored.joined);
    store_read_end(txn);
    world_verify(&world);
    world_deinit(&world);
}

static void test_what_is_no_event(void **state) {
    (void)state;
    static const uint8_t broken[] = {0x93, 1, 2, 3}, system[] = {0xc1, 1, 1, 0, 0}, nothing[] = {0xc0};
    struct world world;
    world_init(&world, 6);
    struct proto_id a = world_id(&world);
    struct made arrival = make(&world, registration(&a, world.now - EV_DAY, NORTH)), check, cut;
    check = cut = make(&world, balloon_check(&a, world.now - EV_HOUR, 300));
    cut.size--;
    struct made strange[] = {{(uint8_t *)(uintptr_t)broken, sizeof broken, {{0}}},
                             {(uint8_t *)(uintptr_t)system, sizeof system, {{0}}},
                             {(uint8_t *)(uintptr_t)nothing, sizeof nothing, {{0}}},
                             {(uint8_t *)(uintptr_t)nothing, 0, {{0}}},
                             cut};
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry(call, arrival);
    for (uint32_t i = 0; i < 5; i++)
        carry(call, strange[i]);
    carry(call, check);
    struct carried out = carried(&world, call);
    expect_states(&out, "TRRRRRT");
    for (uint32_t i = 1; i < 6; i++)
        expect_refused(&out, i, PROTO_BAD_MESSAGE);
    assert_int_equal(log_seq(&world), 2);
    /* One of a group, and first of all. */
    struct made more = make(&world, balloon_check(&a, world.now - EV_MIN, 300));
    call = offer_new(&world, NORTH, 0);
    carry(call, strange[0]);
    carry_joined(call, more);
    out = carried(&world, call);
    expect_states(&out, "RR");
    /* From above it is not believed, and the call can be freed. */
    for (uint32_t i = 0; i < 5; i++) {
        struct proto_fault fault = {0};
        struct work_sync_event event = {.bytes = {(const char *)strange[i].bytes, strange[i].size}};
        call = page_new(&world, 0);
        carry(call, more);
        assert_int_equal(work_sync_add(call, &event, &fault), PROTO_CORRUPT);
        assert_true(strlen(fault.message) > 10);
        work_call_free(call);
    }
    world_verify(&world);
    world_deinit(&world);
}

static void test_what_a_record_left_behind(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 7);
    struct proto_id a = world_id(&world);
    int64_t at = world.now - 60 * EV_DAY;
    struct made events[] = {make(&world, registration(&a, at, NORTH)), make(&world, balloon_check(&a, at + 1, 300))};
    page_of(&world, events, 2);
    uint64_t before = log_seq(&world);
    struct made moved = make(&world, move(&a, world.now - EV_HOUR, MILL));
    page_of(&world, &moved, 1);
    uint64_t after = log_seq(&world);
    struct made first = make(&world, balloon_check(&a, world.now - EV_DAY, 300));
    struct made second = make(&world, balloon_check(&a, world.now - EV_DAY + 1, 300));
    struct carried out;
    struct work_call *call = offer_new(&world, NORTH, after); /* the node knows that it left */
    carry(call, first);
    out = carried(&world, call);
    expect_states(&out, "R");
    expect_refused(&out, 0, PROTO_NOT_ALLOWED);
    call = offer_new(&world, NORTH, before); /* it does not */
    carry(call, first);
    out = carried(&world, call);
    expect_states(&out, "T");
    call = offer_new(&world, NORTH, 0); /* nor does one that has pulled nothing */
    carry(call, second);
    out = carried(&world, call);
    expect_states(&out, "T");
    world_verify(&world);
    /* A team that it never was in. */
    call = offer_new(&world, "fell-side", 0);
    carry(call, make(&world, balloon_check(&a, world.now, 300)));
    out = carried(&world, call);
    expect_states(&out, "R");
    /* 30 days, and a moment more. */
    world.now += 30 * EV_DAY;
    call = offer_new(&world, NORTH, before);
    carry(call, make(&world, balloon_check(&a, world.now - 31 * EV_DAY, 300)));
    out = carried(&world, call);
    expect_states(&out, "T");
    world.now += 1;
    call = offer_new(&world, NORTH, before);
    carry(call, make(&world, balloon_check(&a, world.now - 31 * EV_DAY, 310)));
    out = carried(&world, call);
    expect_states(&out, "R");
    world_verify(&world);
    world_deinit(&world);
}

/* What nodes handed back to a server that was put back was received long ago, and stands at the end of its log. */
static void test_left_before_what_was_handed_back(void **state) {
    (void)state;
    for (uint32_t many = 1; many < 150; many += 37) {
        struct world world;
        world_init(&world, 15);
        struct proto_id a = world_id(&world), b = world_id(&world);
        int64_t at = world.now - 200 * EV_DAY;
        struct made events[] = {make(&world, registration(&a, at, NORTH)), make(&world, registration(&b, at, MILL))};
        page_of(&world, events, 2);
        for (uint32_t i = 0; i < many / 4; i++) {
            struct made check = make(&world, balloon_check(&b, at + i * EV_HOUR, 300));
            page_of(&world, &check, 1);
        }
        world.now += 60 * EV_DAY;
        struct made moved = make(&world, move(&a, world.now - EV_HOUR, MILL));
        page_of(&world, &moved, 1);
        struct work_call *call = offer_new(&world, MILL, 0);
        for (uint32_t i = 0; i < many; i++) {
            struct made check = make(&world, balloon_check(&b, at + i * EV_MIN, 310));
            uint8_t receipt[WORK_RECEIPT_BYTES];
            work_receipt_make(world.work, &check.id, (struct store_bytes){check.bytes, check.size}, at + i * EV_HOUR,
                              receipt);
            carry_as(call, &check, false, at + i * EV_HOUR, receipt);
        }
        struct carried out = carried(&world, call);
        assert_int_equal(out.code, PROTO_OK);
        assert_int_equal(out.results[0].received_at, at);
        call = offer_new(&world, NORTH, 0);
        carry(call, make(&world, balloon_check(&a, world.now - EV_DAY, 300)));
        out = carried(&world, call);
        expect_states(&out, "T");
        world_verify(&world);
        world_deinit(&world);
    }
}

/* The node's events of a child that is about to leave by what is still on its way: judged one way or the other, never lost. */
static void test_leaving_on_its_way(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        struct world world;
        world_init(&world, seed);
        struct proto_id a = world_id(&world), b = world_id(&world);
        int64_t at = world.now - 10 * EV_DAY;
        struct made events[] = {make(&world, registration(&a, at, NORTH)), make(&world, registration(&b, at, MILL))};
        page_of(&world, events, 2);
        uint64_t cursor = log_seq(&world);
        struct carried outs[3];
        struct work_call *call = page_new(&world, 0);
        carry(call, seed % 2 ? make(&world, move(&a, world.now - EV_HOUR, MILL))
                             : make(&world, merge(&a, world.now - EV_HOUR, &b)));
        carry_send(&world, call, &outs[0]);
        for (uint64_t i = 0; i < seed % 7; i++)
            (void)work_run_one(world.work);
        call = offer_new(&world, NORTH, cursor);
        carry(call, make(&world, balloon_check(&a, at + 1, 300)));
        carry_send(&world, call, &outs[1]);
        call = offer_new(&world, NORTH, cursor + 1);
        carry(call, make(&world, balloon_check(&a, at + 2, 300)));
        carry_send(&world, call, &outs[2]);
        world_run(&world);
        expect_states(&outs[0], "T");
        expect_states(&outs[1], "T");
        if (seed % 2) /* with a merge, what stands is by the order of the two registrations */
            expect_states(&outs[2], "R");
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_receipts(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 8);
    struct proto_id a = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made list[] = {make(&world, registration(&a, at, NORTH)), make(&world, balloon_check(&a, at + 1, 300)),
                          make(&world, balloon_check(&a, at + 2, 310)), make(&world, balloon_check(&a, at + 3, 320)),
                          make(&world, balloon_check(&a, at + 4, 330))};
    uint8_t receipts[5][WORK_RECEIPT_BYTES];
    int64_t first = world.now - 3 * EV_HOUR;
    for (int i = 0; i < 5; i++)
        work_receipt_make(world.work, &list[i].id, (struct store_bytes){list[i].bytes, list[i].size}, first + i,
                          receipts[i]);
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry_as(call, &list[0], false, first, receipts[0]);
    carry_as(call, &list[1], true, first + 1, receipts[1]);
    carry_as(call, &list[2], false, first + 9, receipts[2]); /* another moment than it says */
    carry_as(call, &list[3], false, first + 4, receipts[4]); /* of another event */
    receipts[4][15] ^= 1;
    carry_as(call, &list[4], false, first + 4, receipts[4]); /* not ours */
    struct carried out = carried(&world, call);
    expect_states(&out, "TTTTT");
    for (uint32_t i = 0; i < 5; i++) {
        assert_int_equal(out.results[i].received_at, i < 2 ? first + i : world.now);
        check_receipt(&world, &list[i], &out.results[i]);
    }
    world_verify(&world);
    /* What was received then was known then. */
    struct work_child *child = work_child_new(world.work);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_child_get_then(world.work, txn, &a, INT64_MAX, first - 1, world.now, child),
                     PROTO_UNKNOWN_PATIENT);
    assert_int_equal(work_child_get_then(world.work, txn, &a, INT64_MAX, first + 1, world.now, child), PROTO_OK);
    store_read_end(txn);
    work_child_free(child);
    world_deinit(&world);
}

static void test_what_this_version_does_not_know(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 9);
    struct proto_id a = world_id(&world), far = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made list[] = {make(&world, registration(&a, at, NORTH)),
                          make_strange(&world, "moon.seen", &a, at + 1, "phase", "waning"),
                          make_strange(&world, "balloon.checked", &a, at + 2, "taste", "plain"),
                          make_strange(&world, "comet.seen", NULL, at + 3, "tail", "long"),
                          make_strange(&world, "moon.seen", &far, at + 4, "phase", "full"),
                          make(&world, balloon_check(&a, world.now + 900 * EV_DAY, 300))};
    struct work_call *call = offer_new(&world, NORTH, 0);
    for (uint32_t i = 0; i < 6; i++)
        carry(call, list[i]);
    struct carried out = carried(&world, call);
    expect_states(&out, "TTTTRT");
    for (uint32_t i = 0; i < 6; i++)
        if (i != 4)
            check_receipt(&world, &list[i], &out.results[i]);
    assert_int_equal(work_next_tick(world.work), world.now + 900 * EV_DAY);
    world_verify(&world);
    world_crash(&world, true, 3);
    world_verify(&world);
    assert_int_equal(work_next_tick(world.work), world.now + 900 * EV_DAY);
    world_deinit(&world);
}

static void test_other(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 10);
    struct proto_id a = world_id(&world), b = world_id(&world);
    int64_t at = world.now - EV_DAY;
    struct made ours[] = {make(&world, registration(&a, at, NORTH)), make(&world, balloon_check(&a, at + 1, 300)),
                          make(&world, registration(&b, at, MILL)), make(&world, balloon_check(&b, at + 1, 300))};
    page_of(&world, ours, 4);
    int64_t received = world.now;
    world.now += EV_HOUR;
    struct made other = make_with_id(balloon_check(&a, at + 1, 490), &ours[1].id);
    struct made joined = make(&world, balloon_check(&a, at + 2, 300));
    struct made foreign = make_with_id(balloon_check(&a, at + 3, 300), &ours[3].id);
    struct work_call *call = offer_new(&world, NORTH, 0);
    carry(call, other);
    carry_joined(call, joined);
    carry(call, foreign); /* the id is that of an event of a child of another team: its bytes are not given away */
    struct carried out = carried(&world, call);
    expect_states(&out, "OTR");
    assert_int_equal(out.results[0].received_at, received);
    assert_int_equal(out.results[0].theirs.size, ours[1].size);
    assert_memory_equal(out.results[0].theirs.data, ours[1].bytes, ours[1].size);
    check_receipt(&world, &ours[1], &out.results[0]);
    expect_refused(&out, 2, PROTO_ID_REUSED);
    uint64_t seq;
    assert_false(stored_joined(&world, &joined.id, &seq));
    assert_int_equal(log_seq(&world), 5);
    world_verify(&world);
    world_deinit(&world);
}

/* A merge is judged by how many records would be one, whatever was refused before it. */
static void test_too_many_records(void **state) {
    (void)state;
    enum { HALF = WORK_MERGED_MAX / 2 };
    struct world world;
    world_init(&world, 11);
    static struct proto_id ids[2 * HALF + 3];
    int64_t at = world.now - EV_DAY;
    uint32_t count = 2 * HALF + 3;
    struct work_call *call = page_new(&world, 0);
    for (uint32_t i = 0; i < count; i++) {
        ids[i] = world_id(&world);
        carry(call, make(&world, registration(&ids[i], at + i, NORTH)));
    }
    for (uint32_t i = 1; i < 2 * HALF; i++) /* two classes of 32 */
        if (i != HALF)
            carry(call, make(&world, merge(&ids[i], at + 100 + i, &ids[i < HALF ? 0 : HALF])));
    struct carried out = carried(&world, call);
    assert_int_equal(out.code, PROTO_OK);
    world_verify(&world);
    const struct proto_id *one = &ids[0], *two = &ids[HALF], *x = &ids[2 * HALF], *y = &ids[2 * HALF + 1];
    /* 33 and 32 are too many; 32 and 1 are not, nor are 1 and 1. */
    call = offer_new(&world, NORTH, 0);
    carry(call, make(&world, merge(x, at + 300, one)));
    carry(call, make(&world, merge(two, at + 301, one)));
    carry(call, make(&world, merge(two, at + 302, y)));
    carry(call, make(&world, merge(&ids[2 * HALF + 2], at + 303, one)));
    out = carried(&world, call);
    expect_states(&out, "TRTT");
    expect_refused(&out, 1, PROTO_CONFLICT);
    world_verify(&world);
    world_crash(&world, true, 5);
    world_verify(&world);
    /* In one call after the other, nothing awaited. */
    struct carried outs[3];
    call = offer_new(&world, NORTH, 0);
    carry(call, make(&world, merge(two, at + 400, one)));
    carry_send(&world, call, &outs[0]);
    world_run(&world);
    expect_states(&outs[0], "R");
    world_verify(&world);
    world_deinit(&world);
}

static void test_a_registered_one_is_merged_in_the_call(void **state) {
    (void)state;
    enum { MOST = WORK_MERGED_MAX };
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct world world;
        world_init(&world, seed);
        static struct proto_id ids[MOST], fresh;
        int64_t at = world.now - EV_DAY;
        struct work_call *call = page_new(&world, 0);
        for (uint32_t i = 0; i < MOST; i++) {
            ids[i] = world_id(&world);
            carry(call, make(&world, registration(&ids[i], at + i, NORTH)));
            if (i && i < MOST - 1)
                carry(call, make(&world, merge(&ids[i], at + 100 + i, &ids[0])));
        }
        struct carried out = carried(&world, call), outs[2];
        assert_int_equal(out.code, PROTO_OK);
        fresh = world_id(&world);
        call = offer_new(&world, NORTH, 0); /* the 64th */
        carry(call, make(&world, merge(&ids[MOST - 1], at + 500, &ids[0])));
        carry_send(&world, call, &outs[0]);
        for (uint64_t i = 0; i < seed % 5; i++)
            (void)work_run_one(world.work);
        call = offer_new(&world, NORTH, 0); /* and one that is new in the very call */
        carry(call, make(&world, registration(&fresh, at + 600, NORTH)));
        carry(call, make(&world, merge(&fresh, at + 601, &ids[0])));
        carry_send(&world, call, &outs[1]);
        world_run(&world);
        expect_states(&outs[0], "T");
        expect_states(&outs[1], "TR");
        world_verify(&world);
        world_deinit(&world);
    }
}

/* Own calls and offers between each other: what came before is known. */
static void test_between_calls_that_record(void **state) {
    (void)state;
    const char *first = NULL;
    for (uint64_t seed = 1; seed <= 300; seed++) {
        struct world world;
        world_init(&world, 12);
        world.work->random = seed * 0x9e3779b97f4a7c15ull | 1;
        struct proto_id ids[] = {world_id(&world), world_id(&world)};
        int64_t at = world.now - EV_DAY;
        struct answer answers[3];
        struct carried outs[3];
        struct proto_event own[] = {registration(&ids[0], at, NORTH), balloon_check(&ids[0], at + 1, 300),
                                    balloon_check(&ids[1], at + 2, 300)};
        for (int i = 0; i < 3; i++) {
            own[i].has_id = true;
            own[i].id = world_id(&world);
        }
        struct made theirs[] = {make(&world, balloon_check(&ids[0], at + 4, 310)),
                                make(&world, registration(&ids[1], at + 5, NORTH)),
                                make(&world, balloon_check(&ids[1], at + 6, 310))};
        uint64_t steps = seed;
        for (int i = 0; i < 3; i++) {
            world_send(&world, &world_nurse, WORK_WANT_OPENED, &own[i], 1, &answers[i]);
            for (; steps % 3; steps--)
                (void)work_run_one(world.work);
            struct work_call *call = offer_new(&world, NORTH, 0);
            carry(call, theirs[i]);
            carry_send(&world, call, &outs[i]);
            steps = seed / (3u * (unsigned)(i + 1));
        }
        world_run(&world);
        for (int i = 0; i < 3; i++) {
            expect_states(&outs[i], "T");
            assert_int_equal(answers[i].code, PROTO_OK);
            answer_deinit(&answers[i]);
        }
        const char *found = picture_of(&world, ids, 2);
        if (first)
            assert_string_equal(found, first);
        first = found;
        world_verify(&world);
        world_deinit(&world);
    }
}

#define TEST(name) cmocka_unit_test_teardown(name, forget)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(test_taken_and_held),
        TEST(test_an_id_twice_in_a_call),
        TEST(test_by_scope),
        TEST(test_groups_are_whole),
        TEST(test_joined_to_its_own),
        TEST(test_what_is_no_event),
        TEST(test_what_a_record_left_behind),
        TEST(test_left_before_what_was_handed_back),
        TEST(test_leaving_on_its_way),
        TEST(test_receipts),
        TEST(test_what_this_version_does_not_know),
        TEST(test_other),
        TEST(test_too_many_records),
        TEST(test_a_registered_one_is_merged_in_the_call),
        TEST(test_between_calls_that_record),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
