/*
 * caller_test.c - the asking end: every split of the input, answers in any order, and whatever a server must not send.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "net/caller.h"
#include "proto/message.h"
#include "proto/pack.h"

#define BYTES_MAX 4096u
#define CALLS_MAX 4u

static struct proto_arena *arena;

struct sent { /* what the server sees */
    uint32_t count, msgids[16];
};

static void read_requests(struct net_caller *caller, struct sent *sent) {
    size_t size;
    const uint8_t *bytes = net_caller_output(caller, &size);
    size_t at = 0, used;
    sent->count = 0;
    while (at < size) {
        struct proto_scan scan = {0};
        struct proto_message message;
        struct proto_fault fault;
        bool has_msgid;
        assert_int_equal(proto_scan_value(&scan, bytes + at, size - at, BYTES_MAX, &used), PROTO_OK);
        proto_arena_clear(arena);
        assert_int_equal(proto_message_decode(bytes + at, used, arena, &message, &has_msgid, &fault), PROTO_OK);
        assert_int_equal(message.type, PROTO_REQUEST);
        assert_true(proto_slice_is(message.method, "ping"));
        sent->msgids[sent->count++] = message.msgid;
        at += used;
    }
    net_caller_sent(caller, size);
}

static void ask(struct net_caller *caller, uint64_t tag) {
    struct proto_writer *w = net_caller_begin(caller, "ping");
    assert_non_null(w);
    proto_write_map(w, 0);
    assert_int_equal(net_caller_end(caller, tag), PROTO_OK);
}

static void write_number(struct proto_writer *w, uint32_t msgid, int64_t n) {
    proto_write_result_begin(w, msgid);
    proto_write_int(w, n);
}

static int64_t number_of(const struct net_answer *answer) {
    int64_t n = -1;
    assert_non_null(answer->result);
    assert_true(proto_object_int(answer->result, &n));
    return n;
}

static void expect_fault(struct net_caller *caller, enum proto_error code) {
    struct net_answer answer;
    assert_false(net_caller_next(caller, arena, &answer));
    assert_non_null(net_caller_fault(caller));
    assert_int_equal(net_caller_fault(caller)->code, code);
    assert_true(net_caller_fault(caller)->message[0] != '\0');
    assert_false(net_caller_has_room(caller));
    net_caller_feed(caller, "\x94", 1); /* and nothing more is looked at */
    assert_int_equal(net_buffer_size(&caller->input), 0);
}

/* ---- what is asked ----------------------------------------------------------------------------------------------- */

static void test_bounds_of_asking(void **state) {
    struct net_caller caller;
    struct sent sent;
    (void)state;
    net_caller_init(&caller, BYTES_MAX, CALLS_MAX);
    for (uint64_t i = 0; i < CALLS_MAX; i++) {
        assert_true(net_caller_has_room(&caller));
        ask(&caller, i);
    }
    assert_false(net_caller_has_room(&caller));
    read_requests(&caller, &sent);
    assert_int_equal(sent.count, CALLS_MAX);
    for (uint32_t i = 0; i < CALLS_MAX; i++)
        for (uint32_t k = 0; k < i; k++)
            assert_int_not_equal(sent.msgids[i], sent.msgids[k]);
    net_caller_reset(&caller);
    assert_true(net_caller_has_room(&caller));

    uint8_t large[BYTES_MAX] = {0};
    struct proto_writer *w = net_caller_begin(&caller, "ping");
    proto_write_bin(w, large, sizeof large);
    assert_int_equal(net_caller_end(&caller, 9), PROTO_TOO_LARGE);
    size_t size;
    assert_null(net_caller_output(&caller, &size));
    assert_int_equal(caller.calls, 0);
    assert_null(net_caller_fault(&caller));
    net_caller_deinit(&caller);
    net_caller_deinit(&caller);
}

/* A msgid comes round again after 2^32 calls: one in flight is passed over. */
static void test_msgids_come_round(void **state) {
    struct net_caller caller;
    struct sent sent;
    (void)state;
    net_caller_init(&caller, BYTES_MAX, CALLS_MAX);
    ask(&caller, 1); /* msgid 1 stays in flight */
    caller.last_msgid = UINT32_MAX;
    ask(&caller, 2);
    ask(&caller, 3);
    read_requests(&caller, &sent);
    assert_int_equal(sent.msgids[0], 1);
    assert_int_equal(sent.msgids[1], 0);
    assert_int_equal(sent.msgids[2], 2);
    net_caller_deinit(&caller);
}

/* ---- what is answered -------------------------------------------------------------------------------------------- */

static void test_every_split_out_of_order(void **state) {
    static const uint32_t order[] = {2, 0, 3, 1};
    uint8_t bytes[1024], text[300];
    struct proto_fault refused = {0};
    size_t size = 1;
    (void)state;
    memset(text, 'a', sizeof text);
    (void)proto_fault_set(&refused, PROTO_BUSY, NULL, "Not now.");
    refused.retry_ms = 40;
    for (size_t split = 0; split <= size; split++) {
        struct net_caller caller;
        struct sent sent;
        struct proto_writer w;
        net_caller_init(&caller, BYTES_MAX, CALLS_MAX);
        for (uint64_t i = 0; i < CALLS_MAX; i++)
            ask(&caller, 100 + i);
        read_requests(&caller, &sent);
        proto_writer_init(&w, bytes, sizeof bytes);
        write_number(&w, sent.msgids[2], 12);
        proto_write_notification(&w, "change"); /* passed over, whatever it holds */
        proto_write_bin(&w, text, sizeof text);
        write_number(&w, sent.msgids[0], 10);
        proto_write_fault(&w, sent.msgids[3], &refused);
        write_number(&w, sent.msgids[1], 11);
        assert_int_equal(w.error, PROTO_OK);
        size = w.size;
        struct net_answer answer;
        uint32_t got = 0;
        for (int half = 0; half < 2; half++) {
            net_caller_feed(&caller, bytes + (half ? split : 0), half ? size - split : split);
            while (net_caller_next(&caller, arena, &answer)) {
                assert_true(got < CALLS_MAX);
                assert_int_equal(answer.tag, 100 + order[got]);
                if (order[got] == 3) {
                    struct proto_fault read;
                    assert_null(answer.result);
                    proto_fault_read(answer.error, &read);
                    assert_int_equal(read.code, PROTO_BUSY);
                    assert_int_equal(read.retry_ms, 40);
                } else {
                    assert_null(answer.error);
                    assert_int_equal(number_of(&answer), 10 + order[got]);
                }
                got++;
            }
            assert_null(net_caller_fault(&caller));
        }
        assert_int_equal(got, CALLS_MAX);
        assert_int_equal(caller.calls, 0);
        net_caller_deinit(&caller);
    }
    assert_true(size > 300);
}

static void begin_one(struct net_caller *caller, struct sent *sent) {
    net_caller_init(caller, BYTES_MAX, CALLS_MAX);
    ask(caller, 7);
    read_requests(caller, sent);
}

static void test_unknown_and_repeated_answers(void **state) {
    struct net_caller caller;
    struct sent sent;
    struct proto_writer w;
    struct net_answer answer;
    uint8_t bytes[64];
    (void)state;
    begin_one(&caller, &sent);
    proto_writer_init(&w, bytes, sizeof bytes);
    write_number(&w, sent.msgids[0] + 1, 1);
    net_caller_feed(&caller, bytes, w.size);
    expect_fault(&caller, PROTO_BAD_MESSAGE);
    net_caller_deinit(&caller);

    begin_one(&caller, &sent);
    proto_writer_init(&w, bytes, sizeof bytes);
    write_number(&w, sent.msgids[0], 1);
    write_number(&w, sent.msgids[0], 2);
    net_caller_feed(&caller, bytes, w.size);
    assert_true(net_caller_next(&caller, arena, &answer));
    assert_int_equal(number_of(&answer), 1);
    expect_fault(&caller, PROTO_BAD_MESSAGE);
    net_caller_deinit(&caller);
}

static void test_what_is_no_answer(void **state) {
    static const struct {
        const char *bytes;
        size_t size;
        enum proto_error code;
    } wrong[] = {
        {"\xc1", 1, PROTO_BAD_MESSAGE},                                                  /* never MessagePack */
        {"\x01", 1, PROTO_BAD_MESSAGE},                                                  /* a number */
        {"\x80", 1, PROTO_BAD_MESSAGE},                                                  /* a map */
        {"\x90", 1, PROTO_BAD_MESSAGE},                                                  /* an empty array */
        {"\x93\x01\x01\xc0", 4, PROTO_BAD_MESSAGE},                                      /* too short */
        {"\x94\x00\x01\xa4ping\x90", 9, PROTO_BAD_MESSAGE},                              /* a request */
        {"\x94\x01\xff\xc0\xc0", 5, PROTO_BAD_MESSAGE},                                  /* a msgid below zero */
        {"\x94\xa1x\x01\xc0\xc0", 6, PROTO_BAD_MESSAGE},                                 /* a type that is a text */
        {"\x94\x01\xcf\x00\x00\x00\x01\x00\x00\x00\x01\xc0\xc0", 13, PROTO_BAD_MESSAGE}, /* a msgid of 33 bits */
        {"\x94\x01\x01\xc0\xdb\x7f\xff\xff\xff", 9, PROTO_TOO_LARGE}, /* a text of 2 GB, said in nine bytes */
        {"\xdd\xff\xff\xff\xff", 5, PROTO_TOO_LARGE},
    };
    (void)state;
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct net_caller caller;
        struct sent sent;
        begin_one(&caller, &sent);
        net_caller_feed(&caller, wrong[i].bytes, wrong[i].size);
        expect_fault(&caller, wrong[i].code);
        net_caller_reset(&caller);
        assert_null(net_caller_fault(&caller));
        assert_true(net_caller_has_room(&caller));
        net_caller_deinit(&caller);
    }
}

static void test_as_large_as_agreed(void **state) {
    static uint8_t bytes[BYTES_MAX + 64], text[BYTES_MAX];
    (void)state;
    for (uint32_t over = 0; over < 2; over++) {
        struct net_caller caller;
        struct sent sent;
        struct proto_writer w;
        struct net_answer answer;
        begin_one(&caller, &sent);
        proto_writer_init(&w, bytes, sizeof bytes);
        proto_write_result_begin(&w, sent.msgids[0]);
        size_t head = w.size + 3; /* of a bin of 16 bits of length */
        proto_write_bin(&w, text, BYTES_MAX - head + over);
        assert_int_equal(w.size, BYTES_MAX + over);
        net_caller_feed(&caller, bytes, w.size);
        if (over) {
            expect_fault(&caller, PROTO_TOO_LARGE);
        } else {
            assert_true(net_caller_next(&caller, arena, &answer));
            assert_int_equal(answer.size, BYTES_MAX);
        }
        net_caller_deinit(&caller);
    }
}

/* Random and mutated bytes end in an answer to what was asked or in a fault. */
static void test_mutations(void **state) {
    uint64_t random = 12345;
    uint32_t faults = 0, answers = 0;
    (void)state;
    for (uint32_t round = 0; round < 20000; round++) {
        struct net_caller caller;
        struct sent sent;
        struct proto_writer w;
        struct net_answer answer;
        uint8_t bytes[256];
        begin_one(&caller, &sent);
        ask(&caller, 8);
        read_requests(&caller, &sent);
        proto_writer_init(&w, bytes, sizeof bytes);
        write_number(&w, 1, 1);
        proto_write_notification(&w, "change");
        proto_write_map(&w, 0);
        write_number(&w, 2, 2);
        for (uint32_t i = 0; i <= round % 3; i++) {
            random = random * 6364136223846793005ull + 1442695040888963407ull;
            bytes[(random >> 33) % w.size] = (uint8_t)(random >> 56);
        }
        net_caller_feed(&caller, bytes, w.size);
        while (net_caller_next(&caller, arena, &answer)) {
            assert_true(answer.tag == 7 || answer.tag == 8);
            answers++;
        }
        faults += net_caller_fault(&caller) != NULL;
        net_caller_deinit(&caller);
    }
    assert_true(faults > 1000 && answers > 1000);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bounds_of_asking),
        cmocka_unit_test(test_msgids_come_round),
        cmocka_unit_test(test_every_split_out_of_order),
        cmocka_unit_test(test_unknown_and_repeated_answers),
        cmocka_unit_test(test_what_is_no_answer),
        cmocka_unit_test(test_as_large_as_agreed),
        cmocka_unit_test(test_mutations),
    };
    arena = proto_arena_new();
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    proto_arena_free(arena);
    return failed;
}
