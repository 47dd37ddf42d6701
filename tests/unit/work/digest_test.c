/*
 * digest_test.c - the rows of STORE_DIGESTS: what they are of, that no way of getting there makes a difference, and that a wrong
 * one is noticed. With "--dump": the events of a store and its rows as text, which check_digest.py works out again.
 */
#include "world.h"

#include "support/random_events.h"
#include "work/inside.h"
#include "work/digest.h"

/* --- what is there --------------------------------------------------------------------------------- */

/* Another adder than the one that is tested: eight digits of 32 bits. */
static void add_number(uint8_t sum[PROTO_HASH_BYTES], const uint8_t term[PROTO_HASH_BYTES]) {
    uint64_t carry = 0;
    for (int digit = 7; digit >= 0; digit--) {
        uint64_t total = carry + work_get_u32(sum + 4 * digit) + work_get_u32(term + 4 * digit);
        work_put_u32(sum + 4 * digit, (uint32_t)total);
        carry = total >> 32;
    }
}

static void term_of(const struct store_event *event, uint8_t out[PROTO_HASH_BYTES]) {
    uint8_t bytes[PROTO_ID_BYTES + PROTO_HASH_BYTES];
    memcpy(bytes, event->id.bytes, PROTO_ID_BYTES);
    work_event_hash(event->body, bytes + PROTO_ID_BYTES);
    proto_hash(bytes, sizeof bytes, out);
}

struct tally {
    struct proto_id records[64];
    struct work_digest digests[64];
    uint32_t count;
};

static struct work_digest *tally_of(struct tally *tally, const struct proto_id *record) {
    for (uint32_t i = 0; i < tally->count; i++)
        if (work_id_same(&tally->records[i], record))
            return &tally->digests[i];
    assert_true(tally->count < 64);
    tally->records[tally->count] = *record;
    return &tally->digests[tally->count++];
}

/* From the log, event by event; of an erased record nothing but that it was. */
static void count_log(struct world *world, struct tally *tally) {
    static struct work_reading reading;
    struct store_txn *txn;
    struct store_event stored;
    struct proto_id erased[16];
    uint32_t erased_count = 0;
    memset(tally, 0, sizeof *tally);
    assert_true(reading.arena || work_reading_init(&reading));
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &stored) == PROTO_OK; seq++) {
        struct work_event event;
        uint8_t term[PROTO_HASH_BYTES];
        if (stored.body.size == 0 || stored.body.data[0] == 0xc1)
            continue;
        assert_int_equal(work_event_load(stored.body, reading.arena, &reading.event, &event), PROTO_OK);
        struct proto_id record = {{0}};
        if (event.kind == PROTO_KIND_patient_erased)
            erased[erased_count++] = event.patient;
        else if (event.has_patient)
            record = event.patient;
        struct work_digest *digest = tally_of(tally, &record);
        term_of(&stored, term);
        add_number(digest->sum, term);
        digest->count++;
    }
    for (uint32_t e = 0; e < erased_count; e++)
        *tally_of(tally, &erased[e]) = (struct work_digest){0};
    store_read_end(txn);
}

static uint32_t stored_rows(struct store_txn *txn) {
    struct store_scan *scan;
    struct store_bytes key, value;
    uint32_t rows = 0;
    assert_int_equal(store_scan_begin(txn, STORE_DIGESTS, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    while (store_scan_next(scan, &key, &value) == PROTO_OK)
        rows++;
    store_scan_end(scan);
    return rows;
}

/* Every row is what the log says, and there is no other. */
static void check_rows(struct world *world) {
    static struct tally tally;
    struct store_txn *txn;
    uint32_t rows = 0;
    count_log(world, &tally);
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    for (uint32_t i = 0; i < tally.count; i++) {
        struct work_digest found;
        assert_int_equal(work_digest_get(txn, &tally.records[i], &found), PROTO_OK);
        assert_int_equal(found.count, tally.digests[i].count);
        assert_memory_equal(found.sum, tally.digests[i].sum, sizeof found.sum);
        rows += found.count > 0;
    }
    assert_int_equal(stored_rows(txn), rows);
    store_read_end(txn);
    world_verify(world);
}

static uint32_t count_of(struct world *world, const struct proto_id *record) {
    struct store_txn *txn;
    struct work_digest digest;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_digest_get(txn, record, &digest), PROTO_OK);
    store_read_end(txn);
    return digest.count;
}

static void taken(struct world *world, struct proto_event event) {
    assert_int_equal(world_record(world, event), PROTO_OK);
}

static const struct proto_id nobody;

/* --- sums ----------------------------------------------------------------------------------------------- */

static void test_a_sum_wraps(void **state) {
    (void)state;
    static const uint8_t body[] = {0x81, 0xa1, 'k', 0x01};
    struct work_event event = {.bytes = body, .size = sizeof body};
    struct work_digest one = {0}, wrapped = {0};
    for (size_t i = 0; i < PROTO_ID_BYTES; i++)
        event.id.bytes[i] = (uint8_t)i;
    work_digest_add(&one, &event);
    assert_int_equal(one.count, 1);
    memset(wrapped.sum, 0xff, sizeof wrapped.sum); /* minus one */
    work_digest_add(&wrapped, &event);
    wrapped.sum[PROTO_HASH_BYTES - 1]++; /* no carry: its last byte is not ff */
    assert_memory_equal(wrapped.sum, one.sum, sizeof one.sum);
    /* In any order, and with each event once. */
    struct work_digest there = {0}, back = {0};
    for (uint8_t i = 0; i < 200; i++) {
        event.id.bytes[3] = i;
        work_digest_add(&there, &event);
        event.id.bytes[3] = (uint8_t)(199 - i);
        work_digest_add(&back, &event);
        assert_int_equal(memcmp(there.sum, back.sum, sizeof there.sum) == 0, i == 199);
    }
}

static void test_the_id_and_every_byte_matter(void **state) {
    (void)state;
    uint8_t body[] = {0x81, 0xa1, 'k', 0x01};
    struct work_event event = {.bytes = body, .size = sizeof body};
    struct work_digest before = {0};
    work_digest_add(&before, &event);
    for (size_t i = 0; i < sizeof body + PROTO_ID_BYTES; i++) {
        uint8_t *byte = i < sizeof body ? &body[i] : &event.id.bytes[i - sizeof body];
        struct work_digest after = {0};
        *byte ^= 0x40;
        work_digest_add(&after, &event);
        *byte ^= 0x40;
        assert_memory_not_equal(before.sum, after.sum, sizeof after.sum);
    }
}

/* --- rows of children ------------------------------------------------------------------------------------ */

static void test_each_record_has_its_own(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 3);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(stored_rows(txn), 0);
    store_read_end(txn);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    assert_int_equal(count_of(&world, &a), 3);
    struct proto_event check = balloon_check(&a, world.now, 480);
    taken(&world, check);
    taken(&world, check); /* doubled */
    assert_int_equal(count_of(&world, &a), 4);
    assert_int_equal(count_of(&world, &b), 3);
    assert_int_equal(count_of(&world, &nobody), 0);
    check_rows(&world);
    taken(&world, withdrawal(&a, world.now, &check.id)); /* taken back, and held all the same */
    assert_int_equal(count_of(&world, &a), 5);
    check_rows(&world);
    world_deinit(&world);
}

static void test_merged_records_keep_their_own(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    struct proto_id c = world_child(&world, "mill-lane");
    struct proto_event join = merge(&a, world.now, &b);
    taken(&world, join);
    check_rows(&world);
    struct proto_event both[] = {balloon_check(&a, world.now, 490), balloon_check(&b, world.now + 1, 480),
                                 balloon_check(&c, world.now + 2, 470)};
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_STATUSES, both, 3, &answer), PROTO_OK);
    answer_deinit(&answer);
    assert_int_equal(count_of(&world, &a), 5);
    assert_int_equal(count_of(&world, &b), 4);
    check_rows(&world);
    taken(&world, merge(&c, world.now, &a));
    check_rows(&world);
    taken(&world, withdrawal(&b, world.now, &join.id)); /* parted again */
    check_rows(&world);
    world_crash(&world, false, 11);
    check_rows(&world);
    world_crash(&world, true, 12); /* and made anew */
    assert_int_equal(count_of(&world, &a), 5);
    assert_int_equal(count_of(&world, &b), 5);
    check_rows(&world);
    world_deinit(&world);
}

static void adopt_policy(struct world *world, int64_t at) {
    struct policy_event policy;
    policy_adopted(world, &policy, at, NULL, "balloon-loss-ml", 60);
    struct answer answer;
    if (world_record_as(world, &world_nurse, WORK_WANT_NONE, &policy.event, 1, &answer) != PROTO_OK)
        fail_msg("%s", answer.fault.message);
    answer_deinit(&answer);
    msgpack_unpacked_destroy(&policy.unpacked);
}

static void test_events_of_no_child(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 5);
    (void)world_child(&world, "north-shore");
    adopt_policy(&world, world.now - EV_DAY);
    adopt_policy(&world, world.now);
    assert_int_equal(count_of(&world, &nobody), 2);
    check_rows(&world);
    adopt_policy(&world, world.now + 5 * EV_MIN); /* that waits counts as well, once */
    assert_int_equal(count_of(&world, &nobody), 3);
    check_rows(&world);
    world.now += EV_HOUR;
    work_tick(world.work);
    world_run(&world);
    assert_int_equal(count_of(&world, &nobody), 3);
    check_rows(&world);
    world_crash(&world, true, 2);
    check_rows(&world);
    world_deinit(&world);
}

static void page_done(void *arg, struct work_call *call) {
    if (work_call_fault(call)->code != PROTO_OK)
        fail_msg("%s", work_call_fault(call)->message);
    *(bool *)arg = true;
    work_call_free(call);
}

static struct work_call *page_new(struct world *world) {
    struct work_sync_from from = {.node = world_id(world), .pushed_seq = work_log_seq(world->work)};
    struct work_call *call = work_sync_new(world->work, WORK_SYNC_PAGE, &from);
    assert_non_null(call);
    return call;
}

static void page_run(struct world *world, struct work_call *call) {
    bool done = false;
    work_submit(world->work, call, page_done, &done);
    world_run(world);
    assert_true(done);
    check_rows(world);
}

/* A child leaves; an event of a child and one of no child are refused: rows shrink, and go with the last event. */
static void test_what_goes_is_not_counted(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 7);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane"); /* seq 1 to 6 */
    adopt_policy(&world, world.now - EV_DAY);                                                     /* 7 */
    adopt_policy(&world, world.now);                                                              /* 8 */
    taken(&world, balloon_check(&b, world.now, 480));                                             /* 9 */
    struct work_call *page = page_new(&world);
    work_sync_refuse(page, 8, PROTO_NOT_ALLOWED, "Not for this team.", false);
    page_run(&world, page);
    assert_int_equal(count_of(&world, &nobody), 1);
    page = page_new(&world);
    work_sync_refuse(page, 7, PROTO_NOT_ALLOWED, "Not for this team.", true);
    work_sync_refuse(page, 9, PROTO_NOT_ALLOWED, "Not for this team.", false);
    work_sync_leave(page, &a);
    page_run(&world, page);
    assert_int_equal(count_of(&world, &nobody), 0);
    assert_int_equal(count_of(&world, &a), 0);
    assert_int_equal(count_of(&world, &b), 3);
    world_crash(&world, true, 13);
    check_rows(&world);
    page = page_new(&world);
    work_sync_settle(page, 10, true); /* the first refusal: recorded again */
    page_run(&world, page);
    assert_int_equal(count_of(&world, &nobody), 1);
    world_crash(&world, true, 14);
    check_rows(&world);
    world_deinit(&world);
}

/* --- in any order ------------------------------------------------------------------------------------------ */

#define HISTORIES 5

static void append(struct world *world, const struct random_history *histories, const uint32_t *order, uint32_t count) {
    struct store_log *log;
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    for (uint32_t i = 0; i < count; i++) {
        const struct random_history *h = &histories[order[i] % HISTORIES];
        uint32_t at = order[i] / HISTORIES;
        if (at >= h->count)
            continue;
        struct store_event stored = {
            .id = h->events[at].id, .received_at = world->now, .body = {h->sent[at].bytes, h->sent[at].size}};
        enum proto_error error = store_log_append(log, &stored);
        assert_true(error == PROTO_OK || error == PROTO_CONFLICT);
    }
    assert_int_equal(store_log_commit(log), PROTO_OK);
}

/* The log as it comes from others, in batches of any size, the view behind it, lost, or made anew. */
static void go(struct world *world, const struct random_history *histories, uint32_t most, uint64_t seed) {
    struct random_source random = {seed};
    uint32_t count = most * HISTORIES, *order = calloc(count, sizeof *order);
    assert_non_null(order);
    for (uint32_t i = 0; i < count; i++)
        order[i] = i;
    random_shuffle(&random, order, count);
    world_init(world, seed);
    for (uint32_t done = 0, size; done < count; done += size) {
        size = 1 + random_below(&random, random_chance(&random, 50) ? 4 : 100);
        size = size < count - done ? size : count - done;
        world_stop(world);
        append(world, histories, order + done, size);
        if (random_chance(&random, 20))
            append(world, histories, order + done, size);
        if (random_chance(&random, 20))
            store_memory_crash(world->store, random_chance(&random, 30));
        world_start(world, random_next(&random));
        world_run(world);
        check_rows(world);
    }
    free(order);
}

static void test_any_order_gives_the_same(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 12; seed++) {
        struct random_history histories[HISTORIES];
        static struct tally first, second;
        struct world world;
        uint32_t most = 0;
        for (uint32_t h = 0; h < HISTORIES; h++) {
            random_history_init(&histories[h], seed * 100 + h, 30,
                                RANDOM_PLAUSIBLE | RANDOM_VOIDS | (h == 0 ? RANDOM_CONTEXT : 0));
            most = most > histories[h].count ? most : histories[h].count;
        }
        for (uint32_t way = 0; way < 2; way++) {
            go(&world, histories, most, seed * 10 + way);
            count_log(&world, way ? &second : &first);
            world_deinit(&world);
        }
        assert_int_equal(first.count, second.count);
        for (uint32_t i = 0; i < first.count; i++) {
            const struct work_digest *other = tally_of(&second, &first.records[i]);
            assert_int_equal(other->count, first.digests[i].count);
            assert_memory_equal(other->sum, first.digests[i].sum, sizeof other->sum);
        }
        for (uint32_t h = 0; h < HISTORIES; h++)
            random_history_deinit(&histories[h]);
    }
}

/* --- verify ------------------------------------------------------------------------------------------------- */

static void write_row(struct world *world, const struct proto_id *record, const uint8_t *value, size_t size) {
    struct store_txn *txn;
    assert_int_equal(store_view_begin(world->store, &txn), PROTO_OK);
    uint64_t seq = store_txn_seq(txn);
    if (value)
        assert_int_equal(store_put(txn, STORE_DIGESTS, record->bytes, PROTO_ID_BYTES, value, size), PROTO_OK);
    else
        assert_int_equal(store_delete(txn, STORE_DIGESTS, record->bytes, PROTO_ID_BYTES), PROTO_OK);
    assert_int_equal(store_view_commit(txn, seq), PROTO_OK);
}

static void expect_noticed(struct world *world) {
    uint64_t children = 0, rows = 0;
    struct proto_fault fault = {0};
    assert_int_equal(work_verify(world->store, world_zones, &children, &rows, &fault), PROTO_CORRUPT);
    assert_non_null(strstr(fault.message, "digests"));
}

static void test_verify_notices_a_wrong_row(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 6);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    adopt_policy(&world, world.now);
    taken(&world, merge(&a, world.now, &b));
    world_verify(&world);
    const struct proto_id *records[] = {&a, &b, &nobody};
    for (size_t i = 0; i < 3; i++) {
        uint8_t row[37];
        struct store_txn *txn;
        struct store_bytes held;
        assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
        assert_int_equal(store_get(txn, STORE_DIGESTS, records[i]->bytes, PROTO_ID_BYTES, &held), PROTO_OK);
        assert_int_equal(held.size, sizeof row);
        memcpy(row, held.data, sizeof row);
        store_read_end(txn);
        for (size_t at = 0; at < sizeof row; at++) {
            row[at] ^= 1;
            write_row(&world, records[i], row, sizeof row);
            expect_noticed(&world);
            row[at] ^= 1;
        }
        write_row(&world, records[i], NULL, 0);
        expect_noticed(&world);
        write_row(&world, records[i], row, sizeof row);
        world_verify(&world);
    }
    struct proto_id stray = world_id(&world);
    uint8_t none[37] = {1};
    write_row(&world, &stray, none, sizeof none);
    expect_noticed(&world);
    write_row(&world, &stray, none, 36);
    struct store_txn *txn;
    struct work_digest digest;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_digest_get(txn, &stray, &digest), PROTO_CORRUPT);
    store_read_end(txn);
    world_deinit(&world);
}

/* --- for another program -------------------------------------------------------------------------------------- */

static void print_hex(const char *name, const void *data, size_t size) {
    const uint8_t *bytes = data;
    printf(" %s=", name);
    for (size_t i = 0; i < size; i++)
        printf("%02x", bytes[i]);
}

static void dump(void) {
    struct world world;
    struct store_txn *txn;
    struct store_scan *scan;
    struct store_bytes key, value;
    struct store_event event;
    world_init(&world, 8);
    struct proto_id a = world_child(&world, "north-shore"), b = world_child(&world, "mill-lane");
    adopt_policy(&world, world.now);
    for (int32_t i = 0; i < 60; i++)
        taken(&world, balloon_check(i % 3 ? &a : &b, world.now - i * EV_HOUR, 500 - i));
    taken(&world, merge(&b, world.now, &a));
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &event) == PROTO_OK; seq++) {
        printf("event");
        print_hex("id", event.id.bytes, PROTO_ID_BYTES);
        print_hex("body", event.body.data, event.body.size);
        printf("\n");
    }
    assert_int_equal(store_scan_begin(txn, STORE_DIGESTS, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    while (store_scan_next(scan, &key, &value) == PROTO_OK) {
        printf("row");
        print_hex("record", key.data, key.size);
        print_hex("value", value.data, value.size);
        printf("\n");
    }
    store_scan_end(scan);
    store_read_end(txn);
    world_deinit(&world);
}

int main(int argc, char **argv) {
    if (argc == 2 && strcmp(argv[1], "--dump") == 0) {
        dump();
        return 0;
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_sum_wraps),
        cmocka_unit_test(test_the_id_and_every_byte_matter),
        cmocka_unit_test(test_each_record_has_its_own),
        cmocka_unit_test(test_merged_records_keep_their_own),
        cmocka_unit_test(test_events_of_no_child),
        cmocka_unit_test(test_what_goes_is_not_counted),
        cmocka_unit_test(test_any_order_gives_the_same),
        cmocka_unit_test(test_verify_notices_a_wrong_row),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
