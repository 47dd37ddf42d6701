/*
 * dial_test.c - the outgoing connection against a real server on loopback: order and completeness of bytes, every way to lose it,
 * closing at every stage. The server is a thread of this test; the dial runs on the daemon's own loop.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <arpa/inet.h>
#include <pthread.h>
#include <sys/socket.h>
#include <unistd.h>
#include <cmocka.h>

#include "net/address.h"
#include "net/dial.h"

#define DEADLINE_MS 20000

/* ---- a server --------------------------------------------------------------------------------------------------- */

enum manner { ECHO, CUT, RESET }; /* CUT, RESET: after the first bytes */

struct server {
    int fd;
    enum manner manner;
    uint32_t peers; /* that it serves, one after another, then it ends */
    pthread_t thread;
    char address[32];
};

static void serve_one(const struct server *server, int peer) {
    static char bytes[100000];
    ssize_t size;
    while ((size = read(peer, bytes, sizeof bytes)) > 0) {
        if (server->manner != ECHO)
            break;
        for (ssize_t at = 0, put; at < size; at += put)
            if ((put = write(peer, bytes + at, (size_t)(size - at))) <= 0)
                return;
    }
    if (server->manner == RESET) {
        struct linger linger = {1, 0};
        (void)setsockopt(peer, SOL_SOCKET, SO_LINGER, &linger, sizeof linger);
    }
}

static void *serve(void *arg) {
    struct server *server = arg;
    for (uint32_t i = 0; i < server->peers; i++) {
        int peer = accept(server->fd, NULL, NULL);
        if (peer < 0)
            break;
        serve_one(server, peer);
        (void)close(peer);
    }
    return NULL;
}

static void server_listen(struct server *server, int backlog) {
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof in;
    server->fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(server->fd >= 0);
    assert_int_equal(bind(server->fd, (struct sockaddr *)&in, sizeof in), 0);
    assert_int_equal(listen(server->fd, backlog), 0);
    assert_int_equal(getsockname(server->fd, (struct sockaddr *)&in, &size), 0);
    (void)snprintf(server->address, sizeof server->address, "127.0.0.1:%u", ntohs(in.sin_port));
}

static void server_start(struct server *server, enum manner manner, uint32_t peers) {
    *server = (struct server){.manner = manner, .peers = peers};
    server_listen(server, 16);
    assert_int_equal(pthread_create(&server->thread, NULL, serve, server), 0);
}

static void server_end(struct server *server) {
    (void)shutdown(server->fd, SHUT_RDWR);
    assert_int_equal(pthread_join(server->thread, NULL), 0);
    (void)close(server->fd);
}

/* ---- a user of the dial ------------------------------------------------------------------------------------------ */

struct user {
    struct net_hub *hub;
    struct net_loop *loop;
    struct net_dial *dial;
    uint32_t connected, lost, due, connects_left;
    size_t to_send, received;
    bool wrong_bytes, stop_at_due, out_of_time, inside;
    int64_t began, due_at;
    char why[256];
};

static uint8_t byte_at(size_t at) {
    return (uint8_t)(at * 31 + at / 251);
}

static void send_all(struct user *user) {
    uint8_t bytes[7777];
    user->inside = true;
    for (size_t at = 0; at < user->to_send;) {
        size_t size = user->to_send - at < sizeof bytes ? user->to_send - at : sizeof bytes;
        for (size_t i = 0; i < size; i++)
            bytes[i] = byte_at(at + i);
        net_dial_send(user->dial, bytes, size);
        memset(bytes, 0xee, sizeof bytes); /* they were copied */
        at += size;
    }
    user->inside = false;
}

static void on_connected(void *arg) {
    struct user *user = arg;
    assert_false(user->inside);
    user->connected++;
    user->received = 0;
    send_all(user);
}

static void on_lost(void *arg, const char *why) {
    struct user *user = arg;
    assert_false(user->inside);
    user->lost++;
    (void)snprintf(user->why, sizeof user->why, "%s", why);
    if (user->connects_left > 0) {
        user->connects_left--;
        user->inside = true;
        net_dial_connect(user->dial);
        user->inside = false;
    } else {
        net_loop_stop(user->loop);
    }
}

static void on_bytes(void *arg, const uint8_t *bytes, size_t size) {
    struct user *user = arg;
    for (size_t i = 0; i < size; i++)
        user->wrong_bytes = user->wrong_bytes || bytes[i] != byte_at(user->received + i);
    user->received += size;
    if (user->received >= user->to_send && user->connects_left == 0) {
        net_dial_close(user->dial);
        net_loop_stop(user->loop);
    }
}

static void on_due(void *arg) {
    struct user *user = arg;
    user->due++;
    user->due_at = net_loop_now(user->loop);
    if (user->stop_at_due) {
        net_dial_close(user->dial);
        net_loop_stop(user->loop);
    }
}

static void on_nothing(void *arg) {
    (void)arg;
}

static void on_tick(void *arg) {
    struct user *user = arg;
    if (net_loop_now(user->loop) - user->began > DEADLINE_MS && !user->out_of_time) {
        user->out_of_time = true;
        net_dial_close(user->dial);
        net_loop_stop(user->loop);
    }
}

static bool on_call(void *arg, struct net_session *session, const struct proto_message *message,
                    struct net_ticket ticket, int64_t waited_ms) {
    (void)arg, (void)session, (void)message, (void)ticket, (void)waited_ms;
    return false;
}

static enum proto_error user_init(struct user *user, const char *address, uint32_t connect_ms,
                                  struct proto_fault *fault) {
    struct net_hub_options hub = {.peers_max = 4, .on_call = on_call};
    net_limits_init(&hub.limits);
    *user = (struct user){.hub = net_hub_new(&hub)};
    assert_non_null(user->hub);
    struct net_loop_options loop = {
        .hub = user->hub, .arg = user, .on_wake = on_nothing, .on_tick = on_tick, .on_stop = on_nothing};
    user->loop = net_loop_new(&loop, fault);
    assert_non_null(user->loop);
    user->began = net_loop_now(user->loop);
    struct net_dial_options dial = {.loop = user->loop,
                                    .address = address,
                                    .connect_ms = connect_ms,
                                    .arg = user,
                                    .on_connected = on_connected,
                                    .on_lost = on_lost,
                                    .on_bytes = on_bytes,
                                    .on_due = on_due};
    return net_dial_new(&dial, &user->dial, fault);
}

static void user_start(struct user *user, const char *address) {
    struct proto_fault fault = {0};
    assert_int_equal(user_init(user, address, 300, &fault), PROTO_OK);
}

static void user_end(struct user *user) {
    net_dial_free(user->dial);
    net_loop_free(user->loop);
    net_hub_free(user->hub);
    assert_false(user->out_of_time);
    assert_false(user->wrong_bytes);
}

/* ---- cases ------------------------------------------------------------------------------------------------------------ */

static void test_addresses(void **state) {
    (void)state;
    static const struct {
        const char *address;
        enum proto_error error;
        const char *says;
    } all[] = {
        {"7811", PROTO_BAD_VALUE, "host:port"},
        {":7811", PROTO_BAD_VALUE, "host:port"},
        {"here:", PROTO_BAD_VALUE, "host:port"},
        {"here:7811x", PROTO_BAD_VALUE, "host:port"},
        {"here:70000", PROTO_BAD_VALUE, "host:port"},
        {"127.0.0.1:0", PROTO_BAD_VALUE, "host:port"},
        {"10.0.0.1:7811", PROTO_NOT_ALLOWED, "not a loopback address"},
        {"[2001:db8::1]:7811", PROTO_NOT_ALLOWED, "not a loopback address"},
        {"0.0.0.0:7811", PROTO_NOT_ALLOWED, "encrypted"},
        {"127.0.0.1:7811", PROTO_OK, ""},
        {"[::1]:7811", PROTO_OK, ""},
        {"server.example:7811", PROTO_OK, ""},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        struct user user;
        struct proto_fault fault = {0};
        assert_int_equal(user_init(&user, all[i].address, 0, &fault), all[i].error);
        if (!strstr(fault.message, all[i].says) || (all[i].error && strcmp(fault.field, "upstream") != 0))
            fail_msg("%s: %s (%s)", all[i].address, fault.message, fault.field);
        user_end(&user);
    }
}

static void test_every_byte_in_order(void **state) {
    (void)state;
    struct server server;
    struct user user;
    server_start(&server, ECHO, 1);
    user_start(&user, server.address);
    user.to_send = 5000003; /* more than any socket buffer takes at once */
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.received, user.to_send);
    assert_int_equal(user.connected, 1);
    assert_int_equal(user.lost, 0);
    user_end(&user);
    server_end(&server);
}

static void test_lost_and_made_again(void **state) {
    (void)state;
    static const struct {
        enum manner manner;
        const char *says;
    } all[] = {{CUT, "closed the connection"}, {RESET, "was lost: connection reset"}};
    for (size_t i = 0; i < 2; i++) {
        struct server server;
        struct user user;
        server_start(&server, all[i].manner, 4);
        user_start(&user, server.address);
        user.to_send = 10;
        user.connects_left = 3;
        net_dial_connect(user.dial);
        net_loop_run(user.loop);
        assert_int_equal(user.connected, 4);
        assert_int_equal(user.lost, 4);
        assert_non_null(strstr(user.why, all[i].says));
        user_end(&user);
        server_end(&server);
    }
}

/* What waits to be written when the other end goes is let go, once. */
static void test_lost_while_writing(void **state) {
    (void)state;
    struct server server;
    struct user user;
    server_start(&server, RESET, 1);
    user_start(&user, server.address);
    user.to_send = 20000000;
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.lost, 1);
    assert_non_null(strstr(user.why, "was lost"));
    user_end(&user);
    server_end(&server);
}

static void test_nobody_there(void **state) {
    (void)state;
    struct server server = {0};
    struct user user;
    server_listen(&server, 1);
    (void)close(server.fd); /* an address where nobody listens */
    user_start(&user, server.address);
    user.connects_left = 2;
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.connected, 0);
    assert_int_equal(user.lost, 3);
    assert_non_null(strstr(user.why, "no connection to 127.0.0.1:"));
    assert_non_null(strstr(user.why, "refused"));
    user_end(&user);
}

/* The system itself writes short forms of addresses out, as it would look up a name. */
static void test_names(void **state) {
    (void)state;
    struct server server;
    struct user user;
    char text[32];
    server_start(&server, ECHO, 1);
    (void)snprintf(text, sizeof text, "127.1%s", strrchr(server.address, ':'));
    user_start(&user, text);
    user.to_send = 1000;
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.received, 1000);
    user_end(&user);
    server_end(&server);
    user_start(&user, "10.1:7811"); /* 10.0.0.1 */
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.lost, 1);
    assert_non_null(strstr(user.why, "not this machine"));
    user_end(&user);
}

/* A server that takes no more connections: the system leaves ours waiting. */
static void fill(struct server *server, int fds[4]) {
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    in.sin_port = htons((uint16_t)strtoul(strrchr(server->address, ':') + 1, NULL, 10));
    for (size_t i = 0; i < 4; i++) {
        fds[i] = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
        assert_true(fds[i] >= 0);
        (void)connect(fds[i], (struct sockaddr *)&in, sizeof in);
    }
}

static void test_no_answer(void **state) {
    (void)state;
    struct server server = {0};
    struct user user;
    int fds[4];
    server_listen(&server, 0);
    fill(&server, fds);
    user_start(&user, server.address);
    net_dial_connect(user.dial);
    net_loop_run(user.loop);
    assert_int_equal(user.connected, 0);
    assert_int_equal(user.lost, 1);
    assert_non_null(strstr(user.why, "did not answer within 1 seconds"));
    user_end(&user);
    /* let go while it still tries */
    user_start(&user, server.address);
    user.stop_at_due = true;
    net_dial_connect(user.dial);
    net_dial_due(user.dial, net_loop_now(user.loop) + 50);
    net_loop_run(user.loop);
    assert_int_equal(user.connected + user.lost, 0);
    user_end(&user);
    for (size_t i = 0; i < 4; i++)
        (void)close(fds[i]);
    (void)close(server.fd);
}

/* Closed at once, replaced at once, freed at once: nothing is heard of what was closed, whatever stage it was in. */
static void test_closed_at_any_stage(void **state) {
    (void)state;
    for (uint32_t stage = 0; stage < 4; stage++) {
        struct server server;
        struct user user;
        char text[32];
        server_start(&server, ECHO, 8);
        (void)snprintf(text, sizeof text, "%s%s", stage % 2 ? "127.1" : "127.0.0.1", strrchr(server.address, ':'));
        user_start(&user, text);
        user.to_send = 100000;
        net_dial_connect(user.dial);
        if (stage < 2) {
            for (int i = 0; i < 5; i++)
                net_dial_connect(user.dial);
            net_loop_run(user.loop);
            assert_int_equal(user.connected, 1);
            assert_int_equal(user.received, user.to_send);
        } else {
            net_dial_close(user.dial);
            net_dial_close(user.dial);
            net_dial_send(user.dial, (const uint8_t *)"x", 1); /* nowhere, and harmless */
            user.stop_at_due = true;
            net_dial_due(user.dial, net_loop_now(user.loop) + 100);
            net_loop_run(user.loop);
            assert_int_equal(user.connected, 0);
        }
        assert_int_equal(user.lost, 0);
        user_end(&user);
        server_end(&server);
        user_start(&user, text);
        net_dial_connect(user.dial);
        user_end(&user); /* freed before the loop ever ran */
    }
}

static void test_due(void **state) {
    (void)state;
    struct user user;
    user_start(&user, "127.0.0.1:7811");
    user.stop_at_due = true;
    int64_t now = net_loop_now(user.loop);
    net_dial_due(user.dial, now);
    net_dial_due(user.dial, INT64_MAX);
    net_dial_due(user.dial, now + 120);
    net_loop_run(user.loop);
    assert_int_equal(user.due, 1);
    assert_true(user.due_at - now >= 115);
    assert_true(user.due_at - now < 5000);
    user_end(&user);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_addresses),
        cmocka_unit_test(test_every_byte_in_order),
        cmocka_unit_test(test_lost_and_made_again),
        cmocka_unit_test(test_lost_while_writing),
        cmocka_unit_test(test_nobody_there),
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_no_answer),
        cmocka_unit_test(test_closed_at_any_stage),
        cmocka_unit_test(test_due),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
