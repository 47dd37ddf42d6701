/*
 * fake_server.h - a server of the test's own on a Unix socket, that answers as badly as the test wants.
 *
 * What always holds: one thread, one connection at a time; fake_stop ends it and every descriptor is closed.
 */
#ifndef TESTS_UNIT_CLIENT_FAKE_SERVER_H
#define TESTS_UNIT_CLIENT_FAKE_SERVER_H

#include <assert.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "proto/ids.h"
#include "proto/message.h"
#include "proto/scan.h"

struct fake;
/* Answers one request that is not hello; false: the connection is to be closed. */
typedef bool (*fake_on_request)(struct fake *fake, const struct proto_message *request);

struct fake {
    char directory[64], path[96], where[112];
    int listener, connection;
    int stop_read, stop_write; /* a pipe: closed at the end */
    pthread_t thread;
    fake_on_request on_request;
    atomic_int connections, requests;
    void *arg;
};

static inline void fake_send(struct fake *fake, const void *bytes, size_t size) {
    const uint8_t *next = bytes;
    while (size > 0) {
        ssize_t sent = send(fake->connection, next, size, MSG_NOSIGNAL);
        if (sent <= 0)
            return;
        next += sent;
        size -= (size_t)sent;
    }
}

/* The response {"name": text} to a request. */
static inline void fake_answer(struct fake *fake, uint32_t msgid, const char *name, const char *text) {
    uint8_t bytes[4096];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_result_begin(&w, msgid);
    proto_write_map(&w, 1);
    proto_write_text(&w, name);
    proto_write_text(&w, text);
    assert(w.error == PROTO_OK);
    fake_send(fake, bytes, w.size);
}

static inline void fake_answer_fault(struct fake *fake, uint32_t msgid, const struct proto_fault *fault) {
    uint8_t bytes[1024];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_fault(&w, msgid, fault);
    assert(w.error == PROTO_OK);
    fake_send(fake, bytes, w.size);
}

/* Waits for bytes of the client, or the end of the test (false). */
static inline bool fake_readable(struct fake *fake, int fd) {
    struct pollfd fds[2] = {{.fd = fd, .events = POLLIN}, {.fd = fake->stop_read, .events = POLLIN}};
    return poll(fds, 2, 20000) > 0 && !fds[1].revents && fds[0].revents;
}

static inline bool fake_serve(struct fake *fake, const uint8_t *bytes, size_t size) {
    struct proto_arena *arena = proto_arena_new();
    struct proto_message request;
    struct proto_fault fault = {0};
    bool has_msgid = false, goes_on = false;
    if (proto_message_decode(bytes, size, arena, &request, &has_msgid, &fault) == PROTO_OK) {
        if (proto_slice_is(request.method, "hello")) {
            fake_answer(fake, request.msgid, "node", "fake");
            goes_on = true;
        } else {
            fake->requests++;
            goes_on = fake->on_request(fake, &request);
        }
    }
    proto_arena_free(arena);
    return goes_on;
}

static inline void fake_talk(struct fake *fake) {
    static uint8_t bytes[2u << 20];
    size_t held = 0;
    while (fake_readable(fake, fake->connection)) {
        ssize_t got = recv(fake->connection, bytes + held, sizeof bytes - held, 0);
        if (got <= 0)
            return;
        held += (size_t)got;
        size_t size = 0;
        struct proto_scan scan = {0};
        while (held > 0 && proto_scan_value(&scan, bytes, held, sizeof bytes, &size) == PROTO_OK) {
            bool goes_on = fake_serve(fake, bytes, size);
            memmove(bytes, bytes + size, held - size);
            held -= size;
            memset(&scan, 0, sizeof scan);
            if (!goes_on)
                return;
        }
    }
}

static inline void *fake_run(void *arg) {
    struct fake *fake = arg;
    while (fake_readable(fake, fake->listener)) {
        fake->connection = accept(fake->listener, NULL, NULL);
        if (fake->connection < 0)
            break;
        fake->connections++;
        fake_talk(fake);
        close(fake->connection);
    }
    return NULL;
}

static inline void fake_start(struct fake *fake, fake_on_request on_request, void *arg) {
    memset(fake, 0, sizeof *fake);
    fake->on_request = on_request;
    fake->arg = arg;
    strcpy(fake->directory, "/tmp/betony-fake.XXXXXX");
    char *made = mkdtemp(fake->directory);
    assert(made);
    (void)made;
    snprintf(fake->path, sizeof fake->path, "%s/s", fake->directory);
    snprintf(fake->where, sizeof fake->where, "unix:%s", fake->path);
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    memcpy(address.sun_path, fake->path, strlen(fake->path) + 1);
    fake->listener = socket(AF_UNIX, SOCK_STREAM, 0);
    int bound = bind(fake->listener, (const struct sockaddr *)(const void *)&address, sizeof address);
    assert(bound == 0);
    int listening = listen(fake->listener, 8);
    assert(listening == 0);
    int ends[2];
    int piped = pipe(ends);
    assert(piped == 0);
    (void)bound, (void)listening, (void)piped;
    fake->stop_read = ends[0];
    fake->stop_write = ends[1];
    int started = pthread_create(&fake->thread, NULL, fake_run, fake);
    assert(started == 0);
    (void)started;
}

static inline void fake_stop(struct fake *fake) {
    close(fake->stop_write);
    pthread_join(fake->thread, NULL);
    close(fake->stop_read);
    close(fake->listener);
    unlink(fake->path);
    rmdir(fake->directory);
}

#endif
