/*
 * link_test.c - a node and its upstream over a line that is slow, cut, or full of nonsense: what each holds in the end.
 */
#include "upstream.h"

#define HOUR_MS INT64_C(3600000)

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__) /* slow: fewer places to cut at */
#define CUT_STEP 7
#else
#define CUT_STEP 1
#endif

/* Children recorded elsewhere, as the upstream has them. */
static struct proto_id elsewhere(struct up *up, uint64_t seed, uint32_t children, uint32_t checks) {
    struct world world;
    struct proto_id child = {0};
    world_init(&world, seed);
    for (uint32_t i = 0; i < children; i++) {
        child = world_child(&world, "team-0");
        for (uint32_t k = 0; k < checks; k++)
            assert_int_equal(world_record(&world, balloon_check(&child, world.now - EV_DAY + k * EV_MIN, 480)),
                             PROTO_OK);
    }
    up_take(up, &world);
    world_deinit(&world);
    return child;
}

static struct proto_id record_here(struct node *node, struct proto_event event) {
    struct answer answer;
    struct proto_id id = world_id(&node->world);
    event.id = id;
    event.has_id = true;
    enum proto_error code = world_record_as(&node->world, &world_nurse, WORK_WANT_NONE, &event, 1, &answer);
    if (code != PROTO_OK)
        fail_msg("%s", answer.fault.message);
    answer_deinit(&answer);
    link_news(node->link);
    return id;
}

static struct proto_id check_here(struct node *node, const struct proto_id *child) {
    node->world.now += 61000;
    return record_here(node, balloon_check(child, node->world.now, 470));
}

static void settle(struct node *node) {
    if (!node_settle(node, 10 * 60000))
        fail_msg("not exchanged in ten minutes: state %d, %s", (int)node_status(node).state, node->fault_seen);
}

/* --- meeting ------------------------------------------------------------------------------------------------- */

static void test_greeting(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 1);
    node.delay_ms = 100;
    node.up.clock_skew = -90000;
    assert_int_equal(node_status(&node).state, LINK_WAITING);
    assert_int_equal(link_next_tick(node.link), node.steady);
    settle(&node);
    struct link_status status = node_status(&node);
    assert_int_equal(node.up.hellos, 1);
    assert_int_equal(proto_id_compare(&status.upstream, &node.up.node), 0);
    assert_int_equal(status.round_trip_ms, 200);
    assert_int_equal(status.clock_offset_ms, 90000); /* read in the middle of the way there and back */
    assert_true(status.last_contact > 0);
    assert_int_equal(status.fault[0], '\0');
    /* Kept: the next start knows how far off this clock is before any contact. */
    world_run(&node.world);
    node_unlink(&node);
    node_link(&node);
    assert_int_equal(node_status(&node).clock_offset_ms, 90000);
    node_deinit(&node);
}

static void test_first_fetch_in_pages_and_parts(void **state) {
    (void)state;
    for (uint32_t parts = 0; parts < 3; parts++) {
        struct node node;
        node_init(&node, 2 + parts);
        (void)elsewhere(&node.up, 50, 6, 4);
        node.up.page_events = 10;
        node.up.part_events = parts * 3;
        settle(&node);
        expect_same(&node);
        assert_int_equal(node.up.fetches, 1);
        assert_true(node.up.nexts >= 3);
        assert_int_equal(node.up.offers, 0); /* nothing of that is ours to push */
        assert_int_equal(node_status(&node).in_waiting, 0);
        /* Looking whether there is anything writes nothing. */
        struct store_counts before, after;
        world_run(&node.world);
        store_counts_get(node.world.store, &before);
        node_run(&node, node.steady + 60000);
        store_counts_get(node.world.store, &after);
        assert_int_equal(before.log_commits, after.log_commits);
        assert_true(node.up.fetches > 20);
        /* What comes later comes by itself. */
        (void)elsewhere(&node.up, 51, 1, 1);
        node_run(&node, node.steady + 5000);
        expect_same(&node);
        node_deinit(&node);
    }
}

/* --- pushing ------------------------------------------------------------------------------------------------- */

static void test_calls_go_out_whole_and_once(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 5);
    settle(&node);
    struct proto_id child = world_child(&node.world, "team-0"); /* three events of one call */
    (void)check_here(&node, &child);
    assert_int_equal(node_status(&node).out_waiting, 4);
    settle(&node);
    expect_same(&node);
    assert_int_equal(node.up.offered, 4);
    assert_false(node.up.events[0].joined);
    assert_true(node.up.events[1].joined && node.up.events[2].joined);
    assert_false(node.up.events[3].joined);
    assert_true(node.up.has_offered_cursor);
    /* A receipt for each, and no second offer after another start. */
    struct store_txn *txn;
    int64_t received_at;
    uint8_t receipt[STORE_RECEIPT_BYTES];
    assert_int_equal(store_read_begin(node.world.store, &txn), PROTO_OK);
    for (uint32_t i = 0; i < 4; i++) {
        assert_int_equal(store_read_receipt(txn, &node.up.events[i].id, &received_at, receipt), PROTO_OK);
        assert_int_equal(received_at, node.up.events[i].received_at);
        assert_int_equal(receipt[0], 0xaa);
    }
    store_read_end(txn);
    node_unlink(&node);
    world_crash(&node.world, false, 77);
    node_link(&node);
    settle(&node);
    assert_int_equal(node.up.hellos, 2);
    assert_int_equal(node.up.offered, 4);
    node_deinit(&node);
}

/* Many calls: offers stay under their size, and calls that stand across its edge are not split. */
static void test_offers_are_bounded(void **state) {
    static char text[1901];
    struct node node;
    (void)state;
    node_init(&node, 6);
    settle(&node);
    struct proto_id child = world_child(&node.world, "team-0");
    memset(text, 'n', sizeof text - 1);
    for (uint32_t i = 0; i < 16; i++) {
        struct proto_event events[97];
        struct answer answer;
        for (uint32_t k = 0; k < 97; k++)
            events[k] = of_child(&child, EV(note_written, node.world.now - EV_HOUR, F_TEXT(note_written, text, text)));
        assert_int_equal(world_record_as(&node.world, &world_nurse, WORK_WANT_NONE, events, 97, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
    link_news(node.link);
    settle(&node);
    expect_same(&node);
    assert_int_equal(node.up.offered, 3 + 16 * 97);
    assert_true(node.up.offers >= 3 && node.up.offers <= 5);
    for (uint32_t i = 3; i < node.up.count; i++)
        assert_int_equal(node.up.events[i].joined, (i - 3) % 97 != 0);
    node_deinit(&node);
}

/* Calls of ten long notes each. */
static void write_notes(struct node *node, const struct proto_id *child, uint32_t calls) {
    static char text[1901];
    struct proto_event events[10];
    memset(text, 'n', sizeof text - 1);
    for (uint32_t i = 0; i < calls; i++) {
        struct answer answer;
        for (uint32_t k = 0; k < 10; k++)
            events[k] = of_child(child, EV(note_written, node->world.now - EV_HOUR, F_TEXT(note_written, text, text)));
        assert_int_equal(world_record_as(&node->world, &world_nurse, WORK_WANT_NONE, events, 10, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
}

/* What link.pushed says was answered has its receipt. */
static void expect_answered(struct node *node, uint64_t *looked_at) {
    struct store_txn *txn;
    struct store_bytes mark;
    struct store_event event;
    int64_t received_at;
    uint8_t receipt[STORE_RECEIPT_BYTES];
    uint64_t pushed = 0;
    assert_int_equal(store_read_begin(node->world.store, &txn), PROTO_OK);
    if (store_read_mark(txn, "link.pushed", &mark) == PROTO_OK)
        for (size_t i = 0; i < mark.size; i++)
            pushed = pushed << 8 | mark.data[i];
    for (; *looked_at < pushed && *looked_at < store_txn_seq(txn); ++*looked_at) {
        assert_int_equal(store_read_event(txn, *looked_at + 1, &event), PROTO_OK);
        assert_int_equal(store_read_receipt(txn, &event.id, &received_at, receipt), PROTO_OK);
    }
    store_read_end(txn);
}

/* The upstream answers for the first events of an offer only; others are in flight behind it. */
static void test_shorter_results(void **state) {
    struct node node;
    uint64_t looked_at = 0;
    (void)state;
    node_init(&node, 7);
    settle(&node);
    struct proto_id child = world_child(&node.world, "team-0");
    write_notes(&node, &child, 150);
    node.up.results_max = 403; /* between two calls */
    node.delay_ms = 50;
    link_news(node.link);
    do {
        while (node_step(&node))
            expect_answered(&node, &looked_at);
    } while (!node_is_current(&node) && node_pass_time(&node, INT64_MAX));
    expect_same(&node);
    assert_int_equal(looked_at, 1503);
    assert_in_range(node.up.offers, 5, 12);
    node_deinit(&node);
}

static void test_refused(void **state) {
    (void)state;
    for (int erased = 0; erased < 2; erased++) {
        struct node node;
        node_init(&node, 8);
        settle(&node);
        struct proto_id child = world_child(&node.world, "team-0");
        struct proto_id wrong = check_here(&node, &child), right = check_here(&node, &child);
        node.up.refuse = wrong;
        node.up.refuse_erased = erased;
        settle(&node);
        expect_same(&node);
        assert_false(node_has(&node, &wrong, NULL));
        assert_true(node_has(&node, &right, NULL));
        assert_int_equal(node_status(&node).refused, erased ? 0 : 1);
        uint32_t offered = node.up.offered;
        node_run(&node, node.steady + HOUR_MS);
        assert_int_equal(node.up.offered, offered);
        node_deinit(&node);
    }
}

/* The upstream holds other bytes under the same id: its stay, ours goes on under another. */
static void test_other_content(void **state) {
    struct node node;
    struct world world;
    (void)state;
    node_init(&node, 9);
    settle(&node);
    struct proto_id child = world_child(&node.world, "team-0");
    settle(&node);
    struct proto_id id = check_here(&node, &child);
    world_init(&world, 99);
    struct proto_event events[] = {registration(&child, world.now - 40 * EV_DAY, "team-0"),
                                   balloon_check(&child, world.now, 123)};
    events[1].id = id;
    events[1].has_id = true;
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, events, 2, &answer), PROTO_OK);
    answer_deinit(&answer);
    struct store_txn *txn;
    struct store_event event;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_event(txn, 2, &event), PROTO_OK);
    up_add(&node.up, event.body.data, event.body.size, false);
    store_read_end(txn);
    world_deinit(&world);
    uint32_t before = node.up.count;
    settle(&node);
    expect_same(&node);
    assert_true(node_has(&node, &id, up_find(&node.up, &id)));
    assert_int_equal(node.up.count, before + 1); /* ours, again */
    node_deinit(&node);
}

/* --- pulling what leaves ------------------------------------------------------------------------------------------ */

static void test_unsent_events_go_before_the_child(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 10);
    struct proto_id child = elsewhere(&node.up, 52, 2, 2);
    settle(&node);
    node_unlink(&node); /* a day without signal */
    up_leave(&node.up, &child);
    (void)elsewhere(&node.up, 53, 1, 2);
    node.world.now += EV_DAY;
    node_link(&node);
    struct proto_id late = check_here(&node, &child);
    uint32_t fetches = node.up.fetches;
    settle(&node);
    assert_non_null(up_find(&node.up, &late));
    assert_false(node_has(&node, &late, NULL));
    expect_same(&node);
    assert_int_equal(node_status(&node).left, 1);
    assert_true(node.up.fetches > fetches);
    /* It comes back. */
    node.up.states[node.up.state_count++] = (struct up_state){child, WORK_RECORD_IN};
    uint32_t count = node.up.count;
    for (uint32_t i = 0; i < count; i++)
        if (node.up.events[i].bytes && proto_id_compare(&node.up.events[i].record, &child) == 0) {
            up_add(&node.up, node.up.events[i].bytes, node.up.events[i].size, false);
            free(node.up.events[i].bytes);
            node.up.events[i] = (struct up_event){.record = {{1}}};
        }
    node_run(&node, node.steady + 10000);
    settle(&node);
    assert_true(node_has(&node, &late, up_find(&node.up, &late)));
    node_deinit(&node);
}

/* --- cuts ------------------------------------------------------------------------------------------------------------ */

/* A line cut at every byte of a conversation that pushes one call, and pulls one page in parts. */
static void test_cut_at_every_byte(void **state) {
    struct node node;
    struct up pool = {0};
    uint32_t pool_at = 0;
    int64_t cut = 0;
    (void)state;
    node_init(&node, 11);
    struct proto_id child = elsewhere(&node.up, 54, 1, 1);
    settle(&node);
    (void)elsewhere(&pool, 68, 40, 200); /* what others record meanwhile */
    node.up.part_events = 1;
    bool was_cut = true;
    for (; was_cut; cut += CUT_STEP) {
        assert_true(pool_at + 2 <= pool.count);
        node_unlink(&node);
        node_link(&node);
        uint32_t drops = node.drops;
        (void)check_here(&node, &child);
        for (int i = 0; i < 2; i++, pool_at++)
            up_add(&node.up, pool.events[pool_at].bytes, pool.events[pool_at].size, false);
        node.cut_at = cut;
        settle(&node);
        was_cut = node.drops > drops;
        node.cut_at = -1;
        if (cut % 37 == 0) /* and the node falls over right after */
            world_crash(&node.world, cut % 2 == 0, (uint64_t)cut);
        if (cut % 16 == 0 || !was_cut)
            expect_same(&node);
    }
    assert_true(cut > 1500);
    print_message("%d cuts\n", (int)(cut / CUT_STEP));
    up_restore(&pool, 0);
    free(pool.events);
    node_deinit(&node);
}

/* --- comparing -------------------------------------------------------------------------------------------------------- */

/* Every way in which the two can differ at once: the upstream was put back, and went on. */
static void test_diverged(void **state) {
    (void)state;
    for (uint32_t page = 0; page < 6; page++) {
        struct node node;
        node_init(&node, 12 + page);
        node.up.digest_gaps = page > 3 ? page - 3 : 0;
        struct proto_id kept = elsewhere(&node.up, 55, 3, 2), out = elsewhere(&node.up, 56, 1, 2);
        uint32_t backup = node.up.count;
        struct proto_id lost = elsewhere(&node.up, 57, 1, 2);
        struct policy_event policy;
        policy_adopted(&node.world, &policy, node.world.now, NULL, "balloon-check-days", 700);
        (void)record_here(&node, policy.event);
        msgpack_unpacked_destroy(&policy.unpacked);
        settle(&node);
        struct proto_id one = check_here(&node, &kept), two = check_here(&node, &out);
        settle(&node);
        expect_same(&node);
        uint32_t digests = node.up.digests;
        uint32_t all = node.up.count;
        int64_t received_at = up_find(&node.up, &one)->received_at;
        up_restore(&node.up, backup);
        node_lose(&node);
        node.up.states[node.up.state_count++] = (struct up_state){out, WORK_RECORD_OUT};
        struct proto_id there = elsewhere(&node.up, 58, 2, 1);
        (void)elsewhere(&node.up, 55, 3, 3); /* the same children are known elsewhere with one check more */
        struct proto_id three = check_here(&node, &lost);
        node.up.page_events = page;
        node.up.clock_skew = 0;
        settle(&node);
        assert_true(node.up.digests > digests);
        expect_same(&node);
        assert_true(node_has(&node, &one, NULL) && node_has(&node, &three, NULL));
        assert_non_null(up_find(&node.up, &one));
        assert_non_null(up_find(&node.up, &two)); /* given back before it left */
        assert_non_null(up_find(&node.up, &three));
        assert_false(node_has(&node, &two, NULL));
        assert_int_equal(up_find(&node.up, &one)->received_at, received_at); /* by receipt, as it was */
        assert_int_equal(up_state(&node.up, &there), WORK_RECORD_IN);
        assert_true(node.up.count > all);
        assert_int_equal(node_status(&node).left, 1);
        assert_int_equal(node_status(&node).refused, 0);
        /* And then by the feed again. */
        digests = node.up.digests;
        (void)elsewhere(&node.up, 59, 1, 1);
        node_run(&node, node.steady + 5000);
        settle(&node);
        expect_same(&node);
        assert_int_equal(node.up.digests, digests);
        node_deinit(&node);
    }
}

/* It was put back to a state that still holds all that was pulled, and not what was pushed since. */
static void test_put_back_to_between(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 31);
    node.up.says_at = true;
    struct proto_id child = elsewhere(&node.up, 70, 1, 2);
    settle(&node);
    uint32_t backup = node.up.count;
    struct proto_id pushed = check_here(&node, &child);
    node_run(&node, node.steady + 100);
    assert_non_null(up_find(&node.up, &pushed));
    up_restore(&node.up, backup);
    node_lose(&node);
    settle(&node);
    assert_true(node.up.digests > 0);
    assert_non_null(up_find(&node.up, &pushed));
    expect_same(&node);
    uint32_t digests = node.up.digests;
    node_lose(&node);
    settle(&node);
    assert_int_equal(node.up.digests, digests);
    node_deinit(&node);
}

/* What came may be younger than the cursor it came with: it was put back to between the two. */
static void test_put_back_behind_the_cursor(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 32);
    node.up.says_at = true;
    node.delay_ms = 100;
    (void)elsewhere(&node.up, 71, 6, 2);
    node.up.page_events = 10;
    for (int i = 0; i < 60 && !node_status(&node).has_cursor; i++)
        node_run(&node, node.steady + 10);
    assert_int_equal(node_status(&node).cursor.seq, 10); /* the first page is in place, the second is on its way */
    assert_true(node.up.count > 14);
    up_restore(&node.up, 12);
    node_lose(&node);
    settle(&node);
    assert_true(node.up.digests > 0);
    expect_same(&node);
    node_deinit(&node);
}

/* A page in more parts than can be held is not waited for in silence. */
static void test_too_many_parts(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 33);
    (void)elsewhere(&node.up, 72, 10, 8);
    assert_true(node.up.count > 64);
    node.up.part_events = 1;
    node_run(&node, node.steady + 5000);
    struct link_status status = node_status(&node);
    assert_int_equal(status.state, LINK_WAITING);
    assert_non_null(strstr(status.fault, "parts"));
    assert_true(link_next_tick(node.link) > node.steady + 50000);
    node.up.part_events = 2;
    settle(&node);
    expect_same(&node);
    node_deinit(&node);
}

/* Comparing, with the line cut at one place after the other. */
static void test_diverged_and_cut(void **state) {
    int64_t cut = 0;
    bool was_cut = true;
    struct up before = {0}, after = {0};
    (void)state;
    (void)elsewhere(&before, 60, 2, 2);
    (void)elsewhere(&after, 69, 2, 2);
    for (; was_cut; cut += 23 * CUT_STEP) {
        struct node node;
        node_init(&node, 20);
        for (uint32_t i = 0; i < before.count; i++)
            up_add(&node.up, before.events[i].bytes, before.events[i].size, before.events[i].joined);
        settle(&node);
        struct proto_id child = world_child(&node.world, "team-0");
        (void)check_here(&node, &node.up.events[0].record);
        settle(&node);
        up_restore(&node.up, before.count - 3);
        for (uint32_t i = 0; i < after.count; i++)
            up_add(&node.up, after.events[i].bytes, after.events[i].size, after.events[i].joined);
        node_lose(&node);
        (void)check_here(&node, &child);
        uint32_t drops = node.drops;
        node.cut_at = cut;
        node.up.page_events = 2;
        settle(&node);
        was_cut = node.drops > drops;
        expect_same(&node);
        assert_true(node.up.digests >= 3 && node.up.wholes >= 2);
        node_deinit(&node);
    }
    assert_true(cut > 3000);
    print_message("%d cuts\n", (int)(cut / 23 / CUT_STEP));
    up_restore(&before, 0);
    up_restore(&after, 0);
    free(before.events);
    free(after.events);
}

/* Events were recorded here before there was an upstream; the other end has children too. */
static void test_not_empty_and_no_cursor(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 21);
    (void)world_child(&node.world, "team-0");
    (void)elsewhere(&node.up, 61, 2, 2);
    settle(&node);
    assert_true(node.up.digests > 0 && node.up.wholes >= 2);
    expect_same(&node);
    node_deinit(&node);
}

static void test_other_scope(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 22);
    node_unlink(&node);
    node.scope_teams = 2;
    node_link(&node);
    struct proto_id child = elsewhere(&node.up, 62, 2, 2);
    settle(&node);
    assert_int_equal(node.up.digests, 0);
    node_unlink(&node);
    node.scope_teams = 1;
    node.up.states[node.up.state_count++] = (struct up_state){child, WORK_RECORD_OUT};
    node_link(&node);
    uint32_t offered = node.up.offered;
    settle(&node);
    assert_true(node.up.digests > 0);
    assert_int_equal(node.up.offered, offered); /* they hold the same: nothing need go there */
    expect_same(&node);
    uint32_t digests = node.up.digests;
    node_unlink(&node);
    node_link(&node);
    settle(&node);
    assert_int_equal(node.up.digests, digests);
    node_deinit(&node);
}

static char first_of_teams(struct node *node) {
    struct store_txn *txn;
    struct store_bytes mark;
    assert_int_equal(store_read_begin(node->world.store, &txn), PROTO_OK);
    char first = store_read_mark(txn, "link.teams", &mark) == PROTO_OK && mark.size > 0 ? (char)mark.data[0] : 0;
    store_read_end(txn);
    return first;
}

/* Other teams, while something waits to go out: it goes as of the teams of before too, and from then until all was compared
 * the cursor is good for nobody, whatever the teams are next. */
static void test_other_scope_with_work_waiting(void **state) {
    (void)state;
    for (int back = 0; back < 2; back++) {
        struct node node;
        node_init(&node, 32);
        node_unlink(&node);
        node.scope_teams = 2;
        node_link(&node);
        struct proto_id child = elsewhere(&node.up, 71, 2, 2);
        settle(&node);
        node_unlink(&node);
        node.scope_teams = 1;
        node.up.teams_min = 2;
        node_link(&node);
        struct proto_id late = check_here(&node, &child);
        while (node.up.offers == 0)
            if (!node_step(&node))
                assert_true(node_pass_time(&node, INT64_MAX));
        assert_non_null(up_find(&node.up, &late));
        assert_int_equal(first_of_teams(&node), '?');
        if (back) {
            node_unlink(&node);
            node.scope_teams = 2;
            node_link(&node);
        }
        settle(&node);
        assert_true(node.up.digests > 0);
        assert_int_equal(first_of_teams(&node), 't');
        assert_int_equal(node.up.hello_teams, back ? 2 : 1);
        assert_int_equal(node_status(&node).refused, 0);
        expect_same(&node);
        node_deinit(&node);
    }
}

/* --- copies ------------------------------------------------------------------------------------------------------------- */

static void test_a_copy_takes_another_id(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 23);
    (void)world_child(&node.world, "team-0");
    settle(&node);
    struct proto_id first = work_node(node.world.work);
    /* What it saw last is on our chain: nothing happens. */
    struct store_txn *txn;
    assert_int_equal(store_read_begin(node.world.store, &txn), PROTO_OK);
    assert_int_equal(work_cursor_at(node.world.work, txn, 2, &node.up.known), PROTO_OK);
    store_read_end(txn);
    node.up.has_known = true;
    node_unlink(&node);
    node_link(&node);
    settle(&node);
    struct proto_id same = work_node(node.world.work);
    assert_int_equal(proto_id_compare(&first, &same), 0);
    /* A place beyond our end, and one that reads otherwise. An upstream that says so of every node is not believed. */
    for (int way = 0; way < 2; way++) {
        struct proto_id before = work_node(node.world.work);
        if (way == 0)
            node.up.known.seq = 1000;
        else {
            node.up.known.seq = 2;
            node.up.known.chain[3] ^= 1;
        }
        node_unlink(&node);
        node_link(&node);
        uint32_t hellos = node.up.hellos, connects = node.connects;
        node_run(&node, node.steady + 1000);
        struct proto_id after = work_node(node.world.work);
        assert_int_not_equal(proto_id_compare(&before, &after), 0);
        assert_int_equal(node.up.hellos, hellos + 2);
        assert_int_equal(node.connects, connects + 1);
        assert_int_equal(node_status(&node).state, LINK_WAITING);
        assert_true(link_next_tick(node.link) >= node.steady + 50000);
    }
    node.up.has_known = false;
    node_run(&node, node.steady + 90000);
    settle(&node);
    /* The upstream is a copy of this store, or it is this very one. */
    node.up.node = work_node(node.world.work);
    node_unlink(&node);
    node_link(&node);
    settle(&node);
    struct proto_id after = work_node(node.world.work);
    assert_int_not_equal(proto_id_compare(&after, &node.up.node), 0);
    node_deinit(&node);
}

/* --- what an upstream cannot do -------------------------------------------------------------------------------------- */

static void test_backoff(void **state) {
    struct node node;
    int64_t last = 0, wait_ms = 500, shortest = INT64_MAX, longest = 0;
    (void)state;
    node_init(&node, 24);
    node.refuse_connection = true;
    node_run(&node, node.steady);
    for (int i = 0; i < 40; i++) {
        last = link_next_tick(node.link) - node.steady;
        assert_in_range(last, wait_ms / 2, wait_ms);
        assert_true(strstr(node_status(&node).fault, "Nobody") != NULL);
        if (wait_ms == 60000) {
            shortest = last < shortest ? last : shortest;
            longest = last > longest ? last : longest;
        }
        wait_ms = wait_ms * 2 < 60000 ? wait_ms * 2 : 60000;
        uint32_t connects = node.connects;
        node_run(&node, node.steady + last);
        assert_int_equal(node.connects, connects + 1);
    }
    assert_true(longest - shortest > 10000); /* not all at once */
    node.refuse_connection = false;
    settle(&node);
    assert_int_equal(node_status(&node).fault[0], '\0');
    node_lose(&node);
    assert_in_range(link_next_tick(node.link) - node.steady, 250, 500); /* begins anew after a success */
    node_deinit(&node);
}

static void test_older_server(void **state) {
    static const enum proto_error codes[] = {PROTO_UNKNOWN_FIELD, PROTO_UNKNOWN_METHOD, PROTO_NOT_ALLOWED};
    static const char *const methods[] = {"hello", "fetch", "fetch"};
    (void)state;
    for (uint32_t i = 0; i < 3; i++) {
        struct node node;
        node_init(&node, 25);
        node.up.fail_method = methods[i];
        node.up.fail_code = codes[i];
        node.up.fail_times = 1000;
        int64_t begun = node.steady;
        node_run(&node, node.steady + HOUR_MS);
        assert_in_range(node.connects, 50, 61);
        assert_true(node.steady - begun == HOUR_MS);
        assert_non_null(strstr(node_status(&node).fault, proto_error_sentence(codes[i])));
        assert_int_equal(node.connects, node.closes + (node.connected ? 1 : 0));
        node.up.fail_times = 0;
        settle(&node);
        assert_int_equal(node_status(&node).fault[0], '\0');
        node_deinit(&node);
    }
}

static void test_not_now(void **state) {
    static const struct {
        enum proto_error code;
        int64_t least, most;
    } cases[] = {{PROTO_BUSY, 700, 1200},
                 {PROTO_REBUILDING, 2000, 2500},
                 {PROTO_FULL, 10000, 11000},
                 {PROTO_STOPPING, 250, 1500},
                 {PROTO_INTERNAL, 250, 1500},
                 {PROTO_OUTCOME_UNKNOWN, 250, 1500},
                 {PROTO_UNKNOWN_PATIENT, 2000, 2500}};
    static const char *const methods[] = {"fetch", "offer", "digest"};
    (void)state;
    for (uint32_t i = 0; i < sizeof cases / sizeof *cases; i++)
        for (uint32_t m = 0; m < 3; m++) {
            struct node node;
            node_init(&node, 26);
            (void)elsewhere(&node.up, 63, 1, 1);
            if (m < 2)
                settle(&node);
            struct proto_id child = world_child(&node.world, "team-0");
            node_unlink(&node);
            node_link(&node);
            node.up.fail_method = methods[m];
            node.up.fail_code = cases[i].code;
            node.up.fail_times = 1;
            node.up.fail_retry_ms = cases[i].code == PROTO_BUSY ? 700 : 0;
            int64_t begun = node.steady;
            node.fault_seen[0] = '\0';
            settle(&node);
            assert_int_equal(node.up.fail_times, 0);
            assert_in_range(node.steady - begun, cases[i].least, cases[i].most);
            assert_true(node.fault_seen[0] != '\0');
            assert_true(node_has(&node, &node.up.events[0].id, NULL));
            assert_int_equal(up_state(&node.up, &child), WORK_RECORD_IN);
            expect_same(&node);
            node_deinit(&node);
        }
}

/* An offer that fails takes with it what was said of those behind it: a child's events were refused only because its
 * registration was not there yet. */
static void test_order_of_answers(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 27);
    settle(&node);
    struct proto_id child = world_child(&node.world, "team-0");
    write_notes(&node, &child, 70);
    node.up.fail_method = "offer";
    node.up.fail_code = PROTO_BUSY;
    node.up.fail_times = 1;
    node.up.refuse = child;
    link_news(node.link);
    node_run(&node, node.steady); /* both offers are answered: busy, refused */
    node.up.refuse = (struct proto_id){{0}};
    assert_true(node.up.offers >= 1);
    settle(&node);
    expect_same(&node);
    assert_int_equal(node_status(&node).refused, 0);
    node_deinit(&node);
}

static void test_silence(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 28);
    node.delay_ms = 10 * 60000; /* nothing comes in time */
    int64_t begun = node.steady;
    node_run(&node, node.steady + 59999);
    assert_int_equal(node.closes, 0);
    node_run(&node, begun + 60000);
    assert_int_equal(node.closes, 1);
    assert_non_null(strstr(node_status(&node).fault, "does not answer"));
    node.delay_ms = 0;
    settle(&node);
    node_deinit(&node);
}

/* Nonsense closes the connection; it never stops this server, and never gets in. */
static void test_mutations(void **state) {
    uint32_t closes = 0;
    (void)state;
    for (uint64_t seed = 1; seed <= 150; seed++) {
        struct node node;
        node_init(&node, 100 + seed);
        struct proto_id child = elsewhere(&node.up, 64, 2, 1);
        if (seed % 2)
            settle(&node);
        if (seed % 4 == 1)
            up_restore(&node.up, node.up.count / 2);
        node_lose(&node);
        struct proto_id own = world_child(&node.world, "team-0");
        (void)child;
        (void)own;
        node.up.mutate = seed;
        node.up.page_events = 3;
        link_news(node.link);
        node_run(&node, node.steady + 20000);
        closes += node.closes;
        node_deinit(&node); /* and verify finds nothing wrong */
    }
    assert_true(closes > 100);
    print_message("%u connections closed\n", closes);
}

/* --- time ------------------------------------------------------------------------------------------------------------------ */

static void test_ticks_are_few(void **state) {
    struct node node;
    (void)state;
    node_init(&node, 29);
    (void)elsewhere(&node.up, 65, 2, 2);
    node.delay_ms = 50;
    settle(&node);
    uint32_t ticks = node.ticks, fetches = node.up.fetches, pings = node.up.pings;
    node_run(&node, node.steady + HOUR_MS);
    assert_in_range(node.ticks - ticks, 1500, 1850);
    assert_in_range(node.up.fetches - fetches, 1500, 1800);
    assert_in_range(node.up.pings - pings, 5, 7);
    node_deinit(&node);
}

/* A laptop with 2,000 events of its own and a server with 20,000 new ones, over round trips of 200 ms. */
static void test_catching_up(void **state) {
    struct node node;
    struct world world;
    (void)state;
    node_init(&node, 30);
    struct proto_id child = elsewhere(&node.up, 66, 1, 1);
    settle(&node);
    node_unlink(&node);
    world_init(&world, 67);
    struct proto_event events[1000];
    struct answer answer;
    for (uint32_t i = 0; i < 20; i++) {
        struct proto_id other = world_child(&world, "team-0");
        for (uint32_t k = 0; k < 1000; k++)
            events[k] = balloon_check(&other, world.now - 30 * EV_DAY + k * EV_MIN, 480);
        assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, events, 1000, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
    for (uint32_t i = 0; i < 40; i++) {
        for (uint32_t k = 0; k < 50; k++)
            events[k] = balloon_check(&child, node.world.now - 20 * EV_DAY + (i * 50 + k) * EV_MIN, 480);
        assert_int_equal(world_record_as(&node.world, &world_nurse, WORK_WANT_NONE, events, 50, &answer), PROTO_OK);
        answer_deinit(&answer);
    }
    struct store_txn *txn;
    struct store_event event;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &event) == PROTO_OK; seq++)
        up_add(&node.up, event.body.data, event.body.size, event.joined);
    store_read_end(txn);
    world_deinit(&world);
    node.up.page_events = 700; /* about 256 KiB */
    node.delay_ms = 100;
    node_link(&node);
    int64_t begun = node.steady;
    settle(&node);
    int64_t trips = (node.steady - begun) / 200;
    print_message("%d round trips, %u offers, %u pages\n", (int)trips, node.up.offers, node.up.fetches + node.up.nexts);
    assert_true(trips <= 10);
    assert_true(node.up.count >= 22000);
    struct up_event *last = &node.up.events[node.up.count - 1];
    assert_true(node_has(&node, &last->id, last));
    node_deinit(&node);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_greeting),
        cmocka_unit_test(test_first_fetch_in_pages_and_parts),
        cmocka_unit_test(test_calls_go_out_whole_and_once),
        cmocka_unit_test(test_offers_are_bounded),
        cmocka_unit_test(test_shorter_results),
        cmocka_unit_test(test_refused),
        cmocka_unit_test(test_other_content),
        cmocka_unit_test(test_unsent_events_go_before_the_child),
        cmocka_unit_test(test_cut_at_every_byte),
        cmocka_unit_test(test_diverged),
        cmocka_unit_test(test_put_back_to_between),
        cmocka_unit_test(test_put_back_behind_the_cursor),
        cmocka_unit_test(test_too_many_parts),
        cmocka_unit_test(test_diverged_and_cut),
        cmocka_unit_test(test_not_empty_and_no_cursor),
        cmocka_unit_test(test_other_scope),
        cmocka_unit_test(test_other_scope_with_work_waiting),
        cmocka_unit_test(test_a_copy_takes_another_id),
        cmocka_unit_test(test_backoff),
        cmocka_unit_test(test_older_server),
        cmocka_unit_test(test_not_now),
        cmocka_unit_test(test_order_of_answers),
        cmocka_unit_test(test_silence),
        cmocka_unit_test(test_mutations),
        cmocka_unit_test(test_ticks_are_few),
        cmocka_unit_test(test_catching_up),
    };
    up_arena = proto_arena_new();
    if (getenv("LINK_TEST"))
        cmocka_set_test_filter(getenv("LINK_TEST"));
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    proto_arena_free(up_arena);
    work_zones_free(world_zones);
    return failed;
}
