/*
 * session_test.c - one peer's conversation: pieces, pipelines, limits, broken messages, deadlines. No socket and no clock.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "net/hub.h"

#include <msgpack.h>

/* ---- a peer ------------------------------------------------------------------------------------- */

#define KEPT_MAX 2048

struct peer {
    struct net_hub *hub;
    struct net_session *session;
    struct net_ticket tickets[KEPT_MAX]; /* calls that were handed out and not answered */
    uint32_t ticket_count, calls_seen;
    bool answer_at_once, refuse;
    int64_t now, waited_ms;
    char last_method[64];
    uint32_t pushed, to_push, gone; /* notifications of 1,000 bytes */
    uint8_t out[1 << 20];
    size_t out_size;
};

static void answer(struct peer *peer, struct net_ticket ticket) {
    uint8_t bytes[64];
    struct proto_writer writer;
    proto_writer_init(&writer, bytes, sizeof bytes);
    proto_write_result_begin(&writer, ticket.msgid);
    proto_write_int(&writer, (int64_t)ticket.msgid * 2);
    net_hub_answer(peer->hub, ticket, bytes, writer.size, peer->now);
}

static bool on_call(void *arg, struct net_session *session, const struct proto_message *message,
                    struct net_ticket ticket, int64_t waited_ms) {
    struct peer *peer = arg;
    assert_ptr_equal(session, peer->session);
    peer->waited_ms = waited_ms;
    if (peer->refuse)
        return false;
    peer->calls_seen++;
    assert_true(message->method.size < sizeof peer->last_method);
    memcpy(peer->last_method, message->method.data, message->method.size);
    peer->last_method[message->method.size] = '\0';
    if (peer->answer_at_once) {
        answer(peer, ticket);
        return true;
    }
    assert_true(peer->ticket_count < KEPT_MAX);
    peer->tickets[peer->ticket_count++] = ticket;
    return true;
}

static bool on_push(void *arg, struct net_session *session) {
    struct peer *peer = arg;
    static const uint8_t bytes[1000] = {0x93, 0x02};
    assert_ptr_equal(session, peer->session);
    while (peer->pushed < peer->to_push && net_session_can_push(session)) {
        net_session_push(session, bytes, sizeof bytes, peer->now);
        peer->pushed++;
    }
    return peer->pushed < peer->to_push;
}

static void on_gone(void *arg, struct net_session *session) {
    struct peer *peer = arg;
    assert_ptr_equal(session->follows ? session->follower : session->node, peer);
    peer->gone++;
}

static struct peer *peer_new(const struct net_limits *limits) {
    struct peer *peer = calloc(1, sizeof *peer);
    assert_non_null(peer);
    struct net_hub_options options = {
        .peers_max = 4, .on_call = on_call, .on_push = on_push, .on_gone = on_gone, .arg = peer};
    if (limits)
        options.limits = *limits;
    else
        net_limits_init(&options.limits);
    peer->hub = net_hub_new(&options);
    assert_non_null(peer->hub);
    peer->now = 1000;
    peer->session = net_hub_open(peer->hub, peer, true, peer->now);
    assert_non_null(peer->session);
    peer->answer_at_once = true;
    return peer;
}

static void peer_free(struct peer *peer) {
    if (peer->session)
        net_hub_close(peer->hub, peer->session);
    net_hub_free(peer->hub);
    free(peer);
}

/* Turns until nothing moves; what is written goes to peer->out when there is a reader. */
static void settle(struct peer *peer, bool reads) {
    for (;;) {
        net_hub_run(peer->hub, peer->session, peer->now);
        const uint8_t *bytes = NULL;
        size_t size = reads ? net_session_output(peer->session, 1000, &bytes) : 0;
        if (size > 0) {
            assert_true(peer->out_size + size <= sizeof peer->out);
            memcpy(peer->out + peer->out_size, bytes, size);
            peer->out_size += size;
            net_hub_wrote(peer->hub, peer->session, size, peer->now);
        }
        bool turn = net_hub_turn(peer->hub) != NULL;
        if (size == 0 && !turn)
            return;
    }
}

static void say(struct peer *peer, const void *bytes, size_t size) {
    net_session_feed(peer->session, bytes, size, peer->now);
    settle(peer, true);
}

static size_t request(uint8_t *bytes, size_t cap, uint32_t msgid, const char *method) {
    struct proto_writer writer;
    proto_writer_init(&writer, bytes, cap);
    proto_write_request(&writer, msgid, method);
    proto_write_map(&writer, 0);
    assert_int_equal(writer.error, PROTO_OK);
    return writer.size;
}

/* Reads the next response of what was written; returns its msgid, *code the error's code or "" . */
static uint32_t response(const struct peer *peer, size_t *at, char code[32]) {
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    assert_int_equal(msgpack_unpack_next(&unpacked, (const char *)peer->out, peer->out_size, at),
                     MSGPACK_UNPACK_SUCCESS);
    msgpack_object o = unpacked.data;
    assert_int_equal(o.type, MSGPACK_OBJECT_ARRAY);
    assert_int_equal(o.via.array.size, 4);
    assert_int_equal(o.via.array.ptr[0].via.u64, 1);
    uint32_t msgid = (uint32_t)o.via.array.ptr[1].via.u64;
    code[0] = '\0';
    msgpack_object error = o.via.array.ptr[2];
    if (error.type != MSGPACK_OBJECT_NIL) {
        assert_int_equal(error.type, MSGPACK_OBJECT_MAP);
        assert_memory_equal(error.via.map.ptr[0].key.via.str.ptr, "code", 4);
        msgpack_object_str text = error.via.map.ptr[0].val.via.str;
        assert_true(text.size < 32);
        memcpy(code, text.ptr, text.size);
        code[text.size] = '\0';
    }
    msgpack_unpacked_destroy(&unpacked);
    return msgid;
}

static void expect_only(const struct peer *peer, uint32_t msgid, const char *code) {
    size_t at = 0;
    char got[32];
    assert_int_equal(response(peer, &at, got), msgid);
    assert_string_equal(got, code);
    assert_int_equal(at, peer->out_size);
}

/* ---- pieces and pipelines --------------------------------------------------------------------------- */

static void test_one_byte_at_a_time(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t bytes[64];
    size_t size = request(bytes, sizeof bytes, 70000, "ping");
    for (size_t i = 0; i < size; i++) {
        assert_int_equal(peer->calls_seen, 0);
        say(peer, bytes + i, 1);
    }
    assert_int_equal(peer->calls_seen, 1);
    assert_string_equal(peer->last_method, "ping");
    expect_only(peer, 70000, "");
    assert_false(net_session_done(peer->session));
    peer_free(peer);
}

static void test_pipeline_in_every_cut(void **state) {
    (void)state;
    uint8_t bytes[4096];
    size_t size = 0;
    for (uint32_t i = 0; i < 40; i++)
        size += request(bytes + size, sizeof bytes - size, i * 997, "due");
    for (size_t cut = 1; cut < size; cut += 7) {
        struct peer *peer = peer_new(NULL);
        for (size_t at = 0; at < size; at += cut)
            say(peer, bytes + at, size - at < cut ? size - at : cut);
        size_t at = 0;
        char code[32];
        for (uint32_t i = 0; i < 40; i++) {
            assert_int_equal(response(peer, &at, code), i * 997);
            assert_string_equal(code, "");
        }
        assert_int_equal(at, peer->out_size);
        peer_free(peer);
    }
}

static void test_answers_out_of_order(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    peer->answer_at_once = false;
    uint8_t bytes[64];
    for (uint32_t i = 1; i <= 3; i++)
        say(peer, bytes, request(bytes, sizeof bytes, i, "record"));
    assert_int_equal(peer->ticket_count, 3);
    for (uint32_t i = 3; i >= 1; i--)
        answer(peer, peer->tickets[i - 1]);
    settle(peer, true);
    size_t at = 0;
    char code[32];
    for (uint32_t i = 3; i >= 1; i--)
        assert_int_equal(response(peer, &at, code), i);
    peer_free(peer);
}

static void test_notifications_are_passed_over(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    static const uint8_t notification[] = {0x93, 0x02, 0xa1, 'x', 0x90};
    static const uint8_t odd[] = {0x93, 0x02, 0xc4, 0x01, 'x', 0x93,
                                  0x01, 0xc0, 0x81, 0x01, 0x02}; /* method in binary, three params */
    uint8_t bytes[64];
    say(peer, notification, sizeof notification);
    say(peer, odd, sizeof odd);
    say(peer, bytes, request(bytes, sizeof bytes, 5, "ping"));
    assert_int_equal(peer->calls_seen, 1);
    expect_only(peer, 5, "");
    peer_free(peer);
}

/* ---- limits -------------------------------------------------------------------------------------------- */

static void test_calls_in_flight_are_bounded(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    peer->answer_at_once = false;
    uint8_t bytes[64];
    for (uint32_t i = 0; i < 1000; i++)
        say(peer, bytes, request(bytes, sizeof bytes, i, "record"));
    assert_int_equal(peer->calls_seen, PROTO_CALLS_IN_FLIGHT_MAX);
    assert_false(net_session_wants_input(peer->session));
    for (uint32_t done = 0; done < 1000; done++) {
        assert_true(done < peer->ticket_count);
        answer(peer, peer->tickets[done]);
        settle(peer, true);
    }
    assert_int_equal(peer->calls_seen, 1000);
    assert_true(net_session_wants_input(peer->session));
    size_t at = 0;
    char code[32];
    for (uint32_t i = 0; i < 1000; i++)
        assert_int_equal(response(peer, &at, code), i);
    peer_free(peer);
}

static void test_a_reader_that_does_not_read(void **state) {
    (void)state;
    struct net_limits limits;
    net_limits_init(&limits);
    limits.output_high_bytes = 100;
    struct peer *peer = peer_new(&limits);
    uint8_t bytes[64];
    for (uint32_t i = 0; i < 200; i++) {
        net_session_feed(peer->session, bytes, request(bytes, sizeof bytes, i, "ping"), peer->now);
        settle(peer, false);
    }
    assert_true(peer->calls_seen < 30);
    assert_false(net_session_wants_input(peer->session));
    assert_null(net_session_expired(peer->session, peer->now + limits.write_ms));
    assert_non_null(net_session_expired(peer->session, peer->now + limits.write_ms + 1));
    settle(peer, true); /* it reads after all */
    assert_int_equal(peer->calls_seen, 200);
    assert_true(net_session_wants_input(peer->session));
    assert_null(net_session_expired(peer->session, peer->now + limits.write_ms + 1));
    peer_free(peer);
}

static void test_output_has_an_end(void **state) {
    (void)state;
    struct net_limits limits;
    net_limits_init(&limits);
    limits.output_high_bytes = limits.output_max_bytes = 64;
    struct peer *peer = peer_new(&limits);
    peer->answer_at_once = false;
    uint8_t bytes[64];
    for (uint32_t i = 0; i < 30; i++)
        net_session_feed(peer->session, bytes, request(bytes, sizeof bytes, i, "record"), peer->now);
    settle(peer, false);
    assert_int_equal(peer->ticket_count, 30);
    for (uint32_t i = 0; i < 30; i++)
        answer(peer, peer->tickets[i]);
    assert_int_equal(peer->session->state, NET_SESSION_DEAD);
    assert_true(net_session_done(peer->session));
    peer_free(peer);
}

static void test_put_off_and_again(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t bytes[64];
    peer->refuse = true;
    say(peer, bytes, request(bytes, sizeof bytes, 9, "record"));
    assert_false(net_session_wants_input(peer->session));
    assert_int_equal(peer->session->calls, 0);
    peer->now += 700;
    net_hub_release(peer->hub, peer->now);
    settle(peer, true); /* still no room */
    assert_int_equal(peer->waited_ms, 700);
    peer->refuse = false;
    peer->now += 50;
    net_hub_release(peer->hub, peer->now);
    settle(peer, true);
    assert_int_equal(peer->waited_ms, 750);
    expect_only(peer, 9, "");
    assert_true(net_session_wants_input(peer->session));
    peer_free(peer);
}

/* ---- broken conversations ----------------------------------------------------------------------------------- */

static void test_msgid_used_twice(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    peer->answer_at_once = false;
    uint8_t bytes[64];
    size_t size = request(bytes, sizeof bytes, 4, "record");
    say(peer, bytes, size);
    say(peer, bytes, size);
    assert_int_equal(peer->ticket_count, 1);
    assert_false(net_session_done(peer->session));
    assert_int_equal(peer->out_size, 0); /* nothing that could be taken for the first one's answer */
    answer(peer, peer->tickets[0]);
    settle(peer, true);
    size_t at = 0;
    char code[32];
    assert_int_equal(response(peer, &at, code), 4);
    assert_string_equal(code, "");
    assert_int_equal(response(peer, &at, code), 4);
    assert_string_equal(code, "bad-message");
    assert_true(net_session_done(peer->session));
    peer_free(peer);
}

static void test_msgid_is_free_after_its_answer(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t bytes[64];
    for (int i = 0; i < 5; i++)
        say(peer, bytes, request(bytes, sizeof bytes, 1, "ping"));
    assert_int_equal(peer->calls_seen, 5);
    assert_false(net_session_done(peer->session));
    peer_free(peer);
}

static void test_bad_params_keep_the_peer(void **state) {
    (void)state;
    static const uint8_t two_maps[] = {0x94, 0x00, 0x03, 0xa4, 'p', 'i', 'n', 'g', 0x92, 0x80, 0x80};
    struct peer *peer = peer_new(NULL);
    say(peer, two_maps, sizeof two_maps);
    expect_only(peer, 3, "bad-params");
    assert_int_equal(peer->calls_seen, 0);
    assert_false(net_session_done(peer->session));
    peer_free(peer);
}

struct broken {
    const char *what;
    uint8_t bytes[24];
    size_t size;
    int64_t msgid; /* -1: no answer can be addressed */
    const char *code;
};

static void test_broken_messages_end_it(void **state) {
    (void)state;
    static const struct broken all[] = {
        {"not an array", {0x01}, 1, -1, NULL},
        {"never used byte", {0xc1}, 1, -1, NULL},
        {"type 3", {0x94, 0x03, 0x01, 0xa1, 'x', 0x90}, 6, -1, NULL},
        {"three elements of a request", {0x93, 0x00, 0x01, 0xa1, 'x'}, 5, -1, NULL},
        {"a response nobody asked for", {0x94, 0x01, 0x01, 0xc0, 0xc0}, 5, -1, NULL},
        {"a negative msgid", {0x94, 0x00, 0xff, 0xa1, 'x', 0x90}, 6, -1, NULL},
        {"method is a number", {0x94, 0x00, 0x07, 0x05, 0x90}, 5, 7, "bad-message"},
        {"never used byte in params", {0x94, 0x00, 0x07, 0xa1, 'x', 0x91, 0xc1}, 7, 7, "bad-message"},
        {"text that is no UTF-8", {0x94, 0x00, 0x07, 0xa1, 0xff, 0x90}, 6, 7, "bad-message"},
        {"4 GiB of array", {0x94, 0x00, 0x07, 0xa1, 'x', 0xdd, 0xff, 0xff, 0xff, 0xff}, 10, 7, "too-large"},
        {"4 GiB of array alone", {0xdd, 0xff, 0xff, 0xff, 0xff}, 5, -1, NULL},
        {"4 GiB of text", {0x94, 0x00, 0xcd, 0x01, 0x00, 0xdb, 0xff, 0xff, 0xff, 0xff}, 10, 256, "too-large"},
        {"nested too deep",
         {0x94, 0x00, 0x07, 0xa1, 'x',  0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91,
          0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x91, 0x90},
         24,
         7,
         "too-large"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        struct peer *peer = peer_new(NULL);
        say(peer, all[i].bytes, all[i].size);
        if (!net_session_done(peer->session))
            fail_msg("%s does not end the conversation", all[i].what);
        assert_int_equal(peer->calls_seen, 0);
        if (all[i].msgid < 0)
            assert_int_equal(peer->out_size, 0);
        else
            expect_only(peer, (uint32_t)all[i].msgid, all[i].code);
        say(peer, "\x94\x00\x01\xa4ping\x90", 9); /* nothing is heard any more */
        assert_int_equal(peer->calls_seen, 0);
        peer_free(peer);
    }
}

static size_t request_with_text(uint8_t *bytes, size_t cap, size_t text_bytes) {
    struct proto_writer writer;
    char *text = malloc(text_bytes + 1);
    assert_non_null(text);
    memset(text, 'a', text_bytes);
    text[text_bytes] = '\0';
    proto_writer_init(&writer, bytes, cap);
    proto_write_request(&writer, 1, "ping");
    proto_write_map(&writer, 1);
    proto_write_text(&writer, "agent");
    proto_write_text(&writer, text);
    free(text);
    assert_int_equal(writer.error, PROTO_OK);
    return writer.size;
}

static void test_size_before_and_after_hello(void **state) {
    (void)state;
    size_t cap = PROTO_NODE_MESSAGE_BYTES_MAX + 1000;
    uint8_t *bytes = malloc(cap);
    assert_non_null(bytes);
    struct {
        size_t text_bytes;
        bool trusted, greeted, node, fits;
    } cases[] = {
        {PROTO_MESSAGE_BEFORE_SIGN_IN_MAX - 30, false, false, false, true},
        {PROTO_MESSAGE_BEFORE_SIGN_IN_MAX, false, false, false, false},
        {PROTO_MESSAGE_BEFORE_SIGN_IN_MAX, false, true, false, true},
        {PROTO_MESSAGE_BYTES_MAX - 30, false, true, false, true},
        {PROTO_MESSAGE_BYTES_MAX, false, true, false, false},
        {PROTO_MESSAGE_BEFORE_SIGN_IN_MAX, true, false, false,
         true}, /* who needs no sign-in need not say hello either */
        {PROTO_MESSAGE_BYTES_MAX - 30, true, false, false, true},
        {PROTO_MESSAGE_BYTES_MAX, true, false, false, false},
        /* nodes send each other more, once they have said who they are and are trusted */
        {PROTO_MESSAGE_BYTES_MAX, true, true, false, false},
        {PROTO_MESSAGE_BYTES_MAX, true, true, true, true},
        {PROTO_NODE_MESSAGE_BYTES_MAX - 30, true, true, true, true},
        {PROTO_NODE_MESSAGE_BYTES_MAX, true, true, true, false},
        {PROTO_MESSAGE_BYTES_MAX, false, true, true, false},
        {PROTO_MESSAGE_BYTES_MAX, true, false, true, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct peer *peer = peer_new(NULL);
        peer->session->trusted = cases[i].trusted;
        peer->session->greeted = cases[i].greeted;
        if (cases[i].node)
            peer->session->node = peer;
        say(peer, bytes, request_with_text(bytes, cap, cases[i].text_bytes));
        expect_only(peer, 1, cases[i].fits ? "" : "too-large");
        assert_int_equal(net_session_done(peer->session), !cases[i].fits);
        net_hub_close(peer->hub, peer->session);
        peer->session = NULL;
        assert_int_equal(peer->gone, cases[i].node); /* whoever carries something for a node is told */
        peer_free(peer);
    }
    free(bytes);
}

static void test_endless_message(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t first[64];
    say(peer, first, request(first, sizeof first, 1, "ping"));
    /* a text that claims just under the bound goes on and on in small pieces */
    uint8_t head[] = {0x94, 0x00, 0x08, 0xa1, 'x', 0x91, 0x81, 0xa1, 'a', 0xdb, 0x00, 0x00, 0xf0, 0x00};
    uint8_t filler[1000];
    memset(filler, 'z', sizeof filler);
    say(peer, head, sizeof head);
    for (int i = 0; i < 61; i++)
        say(peer, filler, sizeof filler);
    assert_false(net_session_done(peer->session));
    assert_null(net_session_expired(peer->session, peer->now + 30000));
    assert_non_null(net_session_expired(peer->session, peer->now + 30001));
    peer_free(peer);
}

/* ---- deadlines and ends ------------------------------------------------------------------------------------- */

static void test_idle_before_the_first_message(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    assert_null(net_session_expired(peer->session, 1000 + 10000));
    assert_non_null(net_session_expired(peer->session, 1000 + 10001));
    uint8_t bytes[64];
    say(peer, bytes, request(bytes, sizeof bytes, 1, "ping"));
    assert_null(net_session_expired(peer->session, 1000 + 10001));
    assert_null(net_session_expired(peer->session, 1000 + 900000));
    assert_non_null(net_session_expired(peer->session, 1000 + 900001));
    peer_free(peer);
}

static void test_a_trickle_is_one_message(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t bytes[64];
    say(peer, bytes, request(bytes, sizeof bytes, 1, "ping"));
    size_t size = request(bytes, sizeof bytes, 2, "ping");
    for (size_t i = 0; i + 1 < size; i++) { /* a byte every 5 s does not start the clock again */
        say(peer, bytes + i, 1);
        peer->now += 5000;
    }
    assert_non_null(net_session_expired(peer->session, peer->now));
    peer_free(peer);
}

static void test_the_peer_ends_its_side(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    peer->answer_at_once = false;
    uint8_t bytes[128];
    size_t size = request(bytes, sizeof bytes, 1, "record");
    size += request(bytes + size, sizeof bytes - size, 2, "record");
    net_session_feed(peer->session, bytes, size, peer->now);
    net_session_end_input(peer->session);
    settle(peer, true);
    assert_int_equal(peer->ticket_count, 2);
    assert_false(net_session_done(peer->session));
    answer(peer, peer->tickets[1]);
    answer(peer, peer->tickets[0]);
    settle(peer, true);
    assert_true(net_session_done(peer->session));
    size_t at = 0;
    char code[32];
    assert_int_equal(response(peer, &at, code), 2);
    assert_int_equal(response(peer, &at, code), 1);
    peer_free(peer);
}

static void test_an_answer_to_somebody_who_left(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    peer->answer_at_once = false;
    uint8_t bytes[64];
    say(peer, bytes, request(bytes, sizeof bytes, 1, "record"));
    net_hub_close(peer->hub, peer->session);
    peer->session = net_hub_open(peer->hub, peer, true, peer->now); /* the same slot, somebody else */
    assert_int_equal(peer->tickets[0].slot, 0);
    uint8_t out[16];
    struct proto_writer writer;
    proto_writer_init(&writer, out, sizeof out);
    proto_write_result_begin(&writer, 1);
    proto_write_nil(&writer);
    net_hub_answer(peer->hub, peer->tickets[0], out, writer.size, peer->now);
    settle(peer, true);
    assert_int_equal(peer->out_size, 0);
    peer_free(peer);
}

static void test_peers_are_bounded(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    struct net_session *others[3];
    for (int i = 0; i < 3; i++) {
        others[i] = net_hub_open(peer->hub, peer, true, 0);
        assert_non_null(others[i]);
    }
    assert_null(net_hub_open(peer->hub, peer, true, 0));
    net_hub_close(peer->hub, others[1]);
    others[1] = net_hub_open(peer->hub, peer, true, 0);
    assert_non_null(others[1]);
    struct net_counts counts;
    net_hub_counts(peer->hub, &counts);
    assert_int_equal(counts.turned_away, 1);
    assert_int_equal(counts.peers, 4);
    for (int i = 0; i < 3; i++)
        net_hub_close(peer->hub, others[i]);
    peer_free(peer);
}

static void test_one_peer_does_not_take_every_turn(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    uint8_t bytes[64];
    for (uint32_t i = 0; i < 100; i++)
        net_session_feed(peer->session, bytes, request(bytes, sizeof bytes, i, "ping"), peer->now);
    net_hub_run(peer->hub, peer->session, peer->now);
    assert_true(peer->calls_seen < 100);
    assert_int_equal(net_hub_turns(peer->hub), 1);
    settle(peer, true);
    assert_int_equal(peer->calls_seen, 100);
    peer_free(peer);
}

/* ---- who follows ------------------------------------------------------------------------------------ */

static void begin_to_follow(struct peer *peer, uint32_t to_push) {
    peer->session->follows = true;
    peer->session->follower = peer;
    peer->to_push = to_push;
    net_hub_ask(peer->hub, peer->session);
}

static void test_pushed_at_the_readers_pace(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    begin_to_follow(peer, 600);
    settle(peer, false);
    assert_int_equal(peer->pushed, 263); /* 256 KiB, and the one that goes over */
    settle(peer, false);
    assert_int_equal(peer->pushed, 263);
    assert_int_equal(net_hub_turns(peer->hub), 0); /* nobody spins for it */
    settle(peer, true);
    assert_int_equal(peer->pushed, 600);
    assert_int_equal(peer->out_size, 600000);
    peer->to_push++; /* nobody looks until somebody asks */
    settle(peer, true);
    assert_int_equal(peer->pushed, 601);
    peer_free(peer);
}

static void test_a_follower_may_be_silent_and_slow(void **state) {
    (void)state;
    struct net_limits limits;
    net_limits_init(&limits);
    struct peer *peer = peer_new(&limits);
    uint8_t bytes[64];
    say(peer, bytes, request(bytes, sizeof bytes, 1, "ping"));
    begin_to_follow(peer, 300);
    settle(peer, true);
    assert_int_equal(peer->pushed, 300);
    assert_null(net_session_expired(peer->session, peer->now + 4 * limits.idle_ms));
    peer->to_push += 300;
    settle(peer, false);
    assert_null(net_session_expired(peer->session, peer->now + limits.write_ms + 1));
    assert_non_null(net_session_expired(peer->session, peer->now + limits.idle_ms + 1)); /* and not for ever */
    assert_int_equal(peer->gone, 0);
    net_hub_close(peer->hub, peer->session);
    peer->session = NULL;
    assert_int_equal(peer->gone, 1);
    peer_free(peer);
}

static void test_nothing_is_pushed_after_the_end(void **state) {
    (void)state;
    struct peer *peer = peer_new(NULL);
    net_session_end_input(peer->session);
    begin_to_follow(peer, 10);
    settle(peer, true);
    assert_int_equal(peer->pushed, 0);
    assert_true(net_session_done(peer->session));
    peer_free(peer);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_byte_at_a_time),
        cmocka_unit_test(test_pipeline_in_every_cut),
        cmocka_unit_test(test_answers_out_of_order),
        cmocka_unit_test(test_notifications_are_passed_over),
        cmocka_unit_test(test_calls_in_flight_are_bounded),
        cmocka_unit_test(test_a_reader_that_does_not_read),
        cmocka_unit_test(test_output_has_an_end),
        cmocka_unit_test(test_put_off_and_again),
        cmocka_unit_test(test_msgid_used_twice),
        cmocka_unit_test(test_msgid_is_free_after_its_answer),
        cmocka_unit_test(test_bad_params_keep_the_peer),
        cmocka_unit_test(test_broken_messages_end_it),
        cmocka_unit_test(test_size_before_and_after_hello),
        cmocka_unit_test(test_endless_message),
        cmocka_unit_test(test_idle_before_the_first_message),
        cmocka_unit_test(test_a_trickle_is_one_message),
        cmocka_unit_test(test_the_peer_ends_its_side),
        cmocka_unit_test(test_an_answer_to_somebody_who_left),
        cmocka_unit_test(test_peers_are_bounded),
        cmocka_unit_test(test_one_peer_does_not_take_every_turn),
        cmocka_unit_test(test_pushed_at_the_readers_pace),
        cmocka_unit_test(test_a_follower_may_be_silent_and_slow),
        cmocka_unit_test(test_nothing_is_pushed_after_the_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
