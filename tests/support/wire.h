/*
 * wire.h - for tests that speak to a real daemon: messages written as JSON text, a blocking peer, a betonyd on a directory of its own.
 *
 * What always holds: every wait has an end (WIRE_WAIT_MS), after which the test fails with what it was waiting for; only processes that were
 * started here are ended. One thread.
 */
#ifndef SUPPORT_WIRE_H
#define SUPPORT_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

#include <jansson.h>
#include <msgpack.h>

#include "proto/writer.h"

#define WIRE_WAIT_MS 20000

/* JSON as MessagePack, into the writer; MessagePack as JSON (binary becomes a text of its length). The caller owns what is returned. */
void wire_write_json(struct proto_writer *w, const json_t *json);
json_t *wire_read_json(const msgpack_object *object);
/* One request; `params` is the text of a JSON object, NULL for none. `cap` bytes are enough or the test fails. Returns the size. */
size_t wire_request(uint8_t *bytes, size_t cap, uint32_t msgid, const char *method, const char *params);

/* --- a peer ------------------------------------------------------------------------------------ */

struct wire_peer {
    int fd;
    uint32_t msgid;
    msgpack_unpacker unpacker;
};
/* Connects; the test fails when that is not possible. */
void wire_connect_socket(struct wire_peer *peer, const char *path);
void wire_connect_tcp(struct wire_peer *peer, uint16_t port);
void wire_close(struct wire_peer *peer);
void wire_send(struct wire_peer *peer, const void *bytes, size_t size);
/* The next response: [1, msgid, error, result] as a JSON array; NULL when the daemon has closed. */
json_t *wire_receive(struct wire_peer *peer);
/* True when the daemon closes within `ms` without saying anything more. */
bool wire_closes(struct wire_peer *peer, int ms);
/* A whole call. `params` as in wire_request. The answer's result; fails the test on an error. The caller owns it. */
json_t *wire_call(struct wire_peer *peer, const char *method, const char *params);
/* The same with a printf-like text. */
json_t *wire_callf(struct wire_peer *peer, const char *method, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
/* The error map of a call that must fail. */
json_t *wire_refused(struct wire_peer *peer, const char *method, const char *params);
/* The call must fail with this code. */
void wire_expect(struct wire_peer *peer, const char *method, const char *params, const char *code);

/* --- a daemon ------------------------------------------------------------------------------------ */

struct wire_daemon {
    pid_t pid;
    int said;     /* its standard error */
    char dir[64]; /* made here, removed by wire_daemon_end */
    char socket[96];
    uint16_t port;
    char ready[512]; /* the line that said so */
};
/* Starts betonyd on a fresh directory (or on the one it has, when dir is set) with a socket and TCP on any free port; further arguments end
 * with NULL and may be NULL. Returns when it is ready. */
void wire_daemon_start(struct wire_daemon *daemon, const char *const *arguments);
/* Its next line of standard error; false when it ends without one. */
bool wire_daemon_says(struct wire_daemon *daemon, char *line, size_t cap);
/* SIGTERM; its exit code. */
int wire_daemon_stop(struct wire_daemon *daemon);
void wire_daemon_kill(struct wire_daemon *daemon);
/* Stops it when it runs, and removes the directory. */
void wire_daemon_end(struct wire_daemon *daemon);
/* Runs betonyd to its end; the exit code. Both outputs into `out`, cut to fit. */
int wire_run(const char *const *arguments, char *out, size_t cap);

/* ms since 1970, now; and a version 7 id made of it and a counter, as text. */
int64_t wire_now_ms(void);
const char *wire_id(char out[40]);

#endif
