/*
 * peers_test.c - peers that are eager, slow, idle, rude or gone, against a real daemon.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>
#include <cmocka.h>

#include "support/wire.h"

static struct wire_daemon daemon_of_all;

static void append(uint8_t **bytes, size_t *size, uint32_t msgid, const char *method, const char *params) {
    *bytes = realloc(*bytes, *size + 4096);
    assert_non_null(*bytes);
    *size += wire_request(*bytes + *size, 4096, msgid, method, params);
}

static void register_child(struct wire_peer *peer, const char *child) {
    json_decref(wire_callf(
        peer, "record",
        "{\"events\":[{\"kind\":\"patient.registered\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"label\":\"HM-1\","
        "\"born\":\"2022-04-05\",\"zone\":\"Europe/London\",\"team\":\"mill-lane\"}}]}",
        child, (long long)wire_now_ms() - 86400000));
}

/* 1,000 calls sent before the first answer is read; each is answered once. */
static void test_a_thousand_calls_at_once(void **state) {
    (void)state;
    struct wire_peer peer;
    char child[40], params[400];
    uint8_t *bytes = NULL;
    size_t size = 0;
    bool answered[1001] = {false};
    wire_connect_socket(&peer, daemon_of_all.socket);
    register_child(&peer, wire_id(child));
    for (uint32_t i = 1; i <= 1000; i++) {
        (void)snprintf(params, sizeof params,
                       "{\"events\":[{\"kind\":\"note.written\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"text\":\"%"
                       "u\"}}],\"want\":\"none\"}",
                       child, (long long)wire_now_ms() - 1000 + i, i);
        append(&bytes, &size, 10000 + i,
               i % 4 == 0   ? "record"
               : i % 4 == 1 ? "due"
               : i % 4 == 2 ? "ping"
                            : "tally",
               i % 4 == 0 ? params : NULL);
    }
    wire_send(&peer, bytes, size);
    free(bytes);
    for (uint32_t i = 0; i < 1000; i++) {
        json_t *message = wire_receive(&peer);
        assert_non_null(message);
        json_int_t msgid = json_integer_value(json_array_get(message, 1));
        assert_true(json_is_null(json_array_get(message, 2)));
        assert_true(msgid > 10000 && msgid <= 11000);
        assert_false(answered[msgid - 10000]);
        answered[msgid - 10000] = true;
        json_decref(message);
    }
    json_t *history =
        wire_callf(&peer, "history", "{\"patient\":\"%s\",\"kinds\":[\"note.written\"],\"limit\":1000}", child);
    assert_int_equal(json_array_size(json_object_get(history, "rows")), 250);
    json_decref(history);
    wire_close(&peer);
}

static void test_half_closed(void **state) {
    (void)state;
    struct wire_peer peer;
    uint8_t *bytes = NULL;
    size_t size = 0;
    wire_connect_tcp(&peer, daemon_of_all.port);
    for (uint32_t i = 0; i < 50; i++)
        append(&bytes, &size, i, i % 2 ? "due" : "kinds", NULL);
    wire_send(&peer, bytes, size);
    free(bytes);
    assert_int_equal(shutdown(peer.fd, SHUT_WR), 0);
    for (uint32_t i = 0; i < 50; i++) {
        json_t *message = wire_receive(&peer);
        assert_non_null(message);
        json_decref(message);
    }
    assert_true(wire_closes(&peer, 5000));
    wire_close(&peer);
}

static void test_garbage(void **state) {
    (void)state;
    static const char *const garbage[] = {"GET / HTTP/1.1\r\nHost: x\r\n\r\n", "\xc1", "{\"method\":\"ping\"}\n",
                                          "\x94\x01\x01\xc0\xc0", "\x16\x03\x01\x02"};
    for (size_t i = 0; i < sizeof garbage / sizeof garbage[0]; i++) {
        struct wire_peer peer;
        wire_connect_tcp(&peer, daemon_of_all.port);
        wire_send(&peer, garbage[i], strlen(garbage[i]));
        if (!wire_closes(&peer, 5000))
            fail_msg("garbage %zu keeps the connection", i);
        wire_close(&peer);
    }
}

/* A peer that asks and never reads stops being read; the others are served meanwhile. */
static void test_one_that_never_reads(void **state) {
    (void)state;
    struct wire_peer glutton, other;
    uint8_t bytes[64];
    wire_connect_socket(&glutton, daemon_of_all.socket);
    wire_connect_socket(&other, daemon_of_all.socket);
    size_t size = wire_request(bytes, sizeof bytes, 1, "kinds", NULL), sent = 0;
    for (uint32_t i = 0; i < 200000; i++) {
        ssize_t n = send(glutton.fd, bytes, size, MSG_DONTWAIT | MSG_NOSIGNAL);
        if (n < 0 && i > 1000)
            break;
        sent += n > 0 ? (size_t)n : 0;
        if (i % 500 == 0)
            json_decref(wire_call(&other, "ping", NULL));
    }
    assert_true(sent < (8u << 20)); /* it was stopped, not buffered without end */
    json_decref(wire_call(&other, "due", NULL));
    wire_close(&glutton);
    json_decref(wire_call(&other, "ping", NULL));
    wire_close(&other);
}

static void test_gone_before_the_answer(void **state) {
    (void)state;
    struct wire_peer peer, other;
    char child[40], params[400];
    wire_connect_socket(&other, daemon_of_all.socket);
    register_child(&other, wire_id(child));
    for (uint32_t i = 0; i < 100; i++) {
        uint8_t bytes[1024];
        (void)snprintf(
            params, sizeof params,
            "{\"events\":[{\"kind\":\"note.written\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"text\":\"%u\"}}]}",
            child, (long long)wire_now_ms() - 1000 + i, i);
        wire_connect_socket(&peer, daemon_of_all.socket);
        wire_send(&peer, bytes, wire_request(bytes, sizeof bytes, 1, "record", params));
        wire_close(&peer);
    }
    json_decref(wire_call(&other, "ping", NULL));
    wire_close(&other);
}

/* With its deadlines at a second: silent, slow and deaf peers are dropped, one that asks now and then stays. */
static void test_deadlines(void **state) {
    (void)state;
    struct wire_daemon hasty = {0};
    struct wire_peer silent, slow, deaf, idle;
    char path[] = "/tmp/betony-wire-conf-XXXXXX";
    static const char settings[] =
        "[betonyd]\nfirst-message-seconds=1\nmessage-seconds=1\nwrite-seconds=1\nidle-seconds=2\n";
    int fd = mkstemp(path);
    assert_true(fd >= 0);
    assert_int_equal(write(fd, settings, sizeof settings - 1), sizeof settings - 1);
    (void)close(fd);
    wire_daemon_start(&hasty, (const char *const[]){"--config", path, NULL});
    wire_connect_socket(&silent, hasty.socket);
    wire_connect_tcp(&slow, hasty.port);
    wire_connect_socket(&deaf, hasty.socket);
    wire_connect_socket(&idle, hasty.socket);
    json_decref(wire_call(&slow, "ping", NULL));
    json_decref(wire_call(&idle, "ping", NULL));
    wire_send(&slow, "\x94\x00\x01", 3); /* and no more */
    uint8_t bytes[64];
    size_t size = wire_request(bytes, sizeof bytes, 1, "kinds", NULL);
    for (uint32_t i = 0; i < 5000; i++)
        (void)send(deaf.fd, bytes, size, MSG_DONTWAIT | MSG_NOSIGNAL);
    assert_true(wire_closes(&silent, 5000));
    assert_true(wire_closes(&slow, 5000));
    assert_true(wire_closes(&idle, 8000));
    struct wire_peer judge;
    wire_connect_socket(&judge, hasty.socket);
    int64_t dropped = 0;
    for (int i = 0; i < 200 && dropped < 4;
         i++) { /* each call waits for the daemon's answer; the deaf one has a second */
        json_t *stats = wire_call(&judge, "stats", NULL);
        dropped = json_integer_value(json_object_get(json_object_get(stats, "counters"), "peers_dropped"));
        json_decref(stats);
        if (dropped < 4)
            (void)wire_closes(&judge, 50);
    }
    assert_int_equal(dropped, 4);
    wire_close(&silent);
    wire_close(&slow);
    wire_close(&deaf);
    wire_close(&idle);
    wire_close(&judge);
    assert_int_equal(wire_daemon_stop(&hasty), 0);
    wire_daemon_end(&hasty);
    (void)unlink(path);
}

static int start(void **state) {
    (void)state;
    wire_daemon_start(&daemon_of_all, NULL);
    return 0;
}

static int stop(void **state) {
    (void)state;
    int code = wire_daemon_stop(&daemon_of_all);
    wire_daemon_end(&daemon_of_all);
    return code;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_thousand_calls_at_once),
        cmocka_unit_test(test_half_closed),
        cmocka_unit_test(test_garbage),
        cmocka_unit_test(test_one_that_never_reads),
        cmocka_unit_test(test_gone_before_the_answer),
        cmocka_unit_test(test_deadlines),
    };
    return cmocka_run_group_tests(tests, start, stop);
}
