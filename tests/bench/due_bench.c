/*
 * due_bench.c - `due` of 100 rows over loopback TCP, against a bare loopback echo of as many bytes.
 *
 *   due_bench [--children N] [--calls N] [--teams N]
 *
 * One caller, one call at a time (closed loop), so both medians are the time of one call with nothing else going on; the echo is a thread of this
 * process that reads the request and writes back bytes of the size of the answer, the least that any server could do.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "proto/scan.h"
#include "support/wire.h"

#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define DAY_MS 86400000LL

static size_t children = 5000, calls = 5000, teams = 10;

struct echo {
    int listener;
    size_t request_bytes, answer_bytes;
};

static bool read_all(int fd, uint8_t *bytes, size_t size) {
    for (size_t at = 0; at < size;) {
        ssize_t n = recv(fd, bytes + at, size - at, 0);
        if (n <= 0)
            return false;
        at += (size_t)n;
    }
    return true;
}

static void *run_echo(void *arg) {
    struct echo *echo = arg;
    int on = 1;
    uint8_t *bytes = calloc(1, echo->answer_bytes + echo->request_bytes);
    int fd = accept4(echo->listener, NULL, NULL, SOCK_CLOEXEC);
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    while (bytes && read_all(fd, bytes, echo->request_bytes))
        if (send(fd, bytes, echo->answer_bytes, MSG_NOSIGNAL) < 0)
            break;
    (void)close(fd);
    free(bytes);
    return NULL;
}

static double now_us(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec * 1e6 + (double)t.tv_nsec / 1e3;
}

static int by_value(const void *a, const void *b) {
    const double *x = a, *y = b;
    return (*x > *y) - (*x < *y);
}

/* Sends the request and reads an answer of known size, again and again; prints and returns the median in us. */
static double measure(const char *what, int fd, const uint8_t *request, size_t request_bytes, size_t answer_bytes) {
    double *took = calloc(calls, sizeof *took);
    uint8_t *answer = malloc(answer_bytes);
    assert_true(took && answer);
    for (size_t i = 0; i < calls; i++) {
        double began = now_us();
        assert_int_equal(send(fd, request, request_bytes, MSG_NOSIGNAL), (ssize_t)request_bytes);
        assert_true(read_all(fd, answer, answer_bytes));
        took[i] = now_us() - began;
    }
    qsort(took, calls, sizeof *took, by_value);
    double median = took[calls / 2];
    print_message("%-26s median %8.1f us   p99 %8.1f us   (%zu calls, %zu bytes)\n", what, median,
                  took[calls * 99 / 100], calls, answer_bytes);
    free(took);
    free(answer);
    return median;
}

static void load(struct wire_peer *peer) {
    char *params = malloc(200 * 900);
    assert_non_null(params);
    json_decref(wire_call(peer, "hello", NULL));
    for (size_t done = 0; done < children;) {
        size_t size = (size_t)sprintf(params, "{\"want\":\"none\",\"events\":[");
        for (size_t i = 0; i < 100 && done < children; i++, done++) {
            char child[40];
            long long at = (long long)(wire_now_ms() - (20 + (int64_t)(done % 60)) * DAY_MS);
            size += (size_t)sprintf(
                params + size,
                "%s{\"kind\":\"patient.registered\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"label\":\"HM-%05zu\","
                "\"born\":"
                "\"2022-04-05\",\"zone\":\"Europe/"
                "London\",\"team\":\"team-%zu\"}},{\"kind\":\"stoma.formed\",\"patient\":\"%s\","
                "\"at\":%lld,\"body\":{\"formed_on\":\"2024-01-10\",\"how\":\"surgical\"}},{\"kind\":\"device.placed\","
                "\"patient\":\"%s\",\"at\":%lld,\"body\":{\"retention\":\"balloon\",\"profile\":\"low\",\"tip\":"
                "\"stomach\","
                "\"french_fr\":14,\"balloon_ml\":5,\"why\":\"scheduled\",\"place\":\"home\",\"placed_by\":\"nurse\","
                "\"position\":\"imaging\"}}",
                i ? "," : "", wire_id(child), at, done, done % teams, child, at, child, at);
        }
        (void)strcpy(params + size, "]}");
        json_decref(wire_call(peer, "record", params));
    }
    free(params);
}

static int connect_echo(struct echo *echo, pthread_t *thread) {
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof in;
    echo->listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(echo->listener, (struct sockaddr *)&in, sizeof in), 0);
    assert_int_equal(listen(echo->listener, 1), 0);
    assert_int_equal(getsockname(echo->listener, (struct sockaddr *)&in, &size), 0);
    assert_int_equal(pthread_create(thread, NULL, run_echo, echo), 0);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(connect(fd, (struct sockaddr *)&in, sizeof in), 0);
    int on = 1;
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    return fd;
}

static void compare(struct wire_peer *peer, const char *what, const char *params) {
    uint8_t request[512];
    pthread_t thread;
    size_t request_bytes = wire_request(request, sizeof request, 7, "due", params);
    /* how long the answer is; overdue rows do not change while this runs */
    wire_send(peer, request, request_bytes);
    json_t *answer = wire_receive(peer);
    assert_int_equal(json_array_size(json_object_get(json_array_get(answer, 3), "rows")), 100);
    json_decref(answer);
    uint8_t *bytes = malloc(PROTO_MESSAGE_BYTES_MAX);
    assert_non_null(bytes);
    wire_send(peer, request, request_bytes);
    size_t answer_bytes = 0;
    struct proto_scan scan = {0};
    size_t whole = 0;
    while (proto_scan_value(&scan, bytes, answer_bytes, PROTO_MESSAGE_BYTES_MAX, &whole) != PROTO_OK) {
        ssize_t n = recv(peer->fd, bytes + answer_bytes, PROTO_MESSAGE_BYTES_MAX - answer_bytes, 0);
        assert_true(n > 0);
        answer_bytes += (size_t)n;
    }
    free(bytes);
    assert_int_equal(whole, answer_bytes);
    struct echo echo = {.request_bytes = request_bytes, .answer_bytes = answer_bytes};
    int fd = connect_echo(&echo, &thread);
    double bare = measure("bare loopback echo", fd, request, request_bytes, answer_bytes);
    double due = measure(what, peer->fd, request, request_bytes, answer_bytes);
    print_message("%-26s ratio  %8.2f\n", what, due / bare);
    (void)close(fd);
    (void)pthread_join(thread, NULL);
    (void)close(echo.listener);
}

int main(int argc, char **argv) {
    struct wire_daemon daemon = {0};
    struct wire_peer peer;
    int on = 1;
    for (int i = 1; i + 1 < argc; i += 2) {
        size_t value = strtoul(argv[i + 1], NULL, 10);
        if (strcmp(argv[i], "--children") == 0)
            children = value;
        else if (strcmp(argv[i], "--calls") == 0)
            calls = value;
        else if (strcmp(argv[i], "--teams") == 0)
            teams = value ? value : 1;
    }
    wire_daemon_start(&daemon, NULL);
    wire_connect_tcp(&peer, daemon.port);
    (void)setsockopt(peer.fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    load(&peer);
    print_message("%zu children in %zu teams\n", children, teams);
    if (children / teams >= 100)
        compare(&peer, "due, one team, one task",
                "{\"teams\":[\"team-0\"],\"tasks\":[\"balloon-check\"],\"states\":[\"overdue\"],\"limit\":100}");
    compare(&peer, "due, all teams and tasks", "{\"states\":[\"overdue\"],\"limit\":100}");
    wire_close(&peer);
    int code = wire_daemon_stop(&daemon);
    wire_daemon_end(&daemon);
    return code;
}
