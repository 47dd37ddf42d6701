/*
 * wire.c - see wire.h.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "support/wire.h"

#include "proto/ids.h"
#include "proto/message.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/* ---- JSON and MessagePack ------------------------------------------------------------------------ */

void wire_write_json(struct proto_writer *w, const json_t *json) {
    size_t i;
    const char *key;
    json_t *value;
    switch (json_typeof(json)) {
    case JSON_OBJECT:
        proto_write_map(w, (uint32_t)json_object_size(json));
        for (void *at = json_object_iter((json_t *)(uintptr_t)json); at;
             at = json_object_iter_next((json_t *)(uintptr_t)json, at)) {
            key = json_object_iter_key(at);
            proto_write_text(w, key);
            wire_write_json(w, json_object_iter_value(at));
        }
        return;
    case JSON_ARRAY:
        proto_write_array(w, (uint32_t)json_array_size(json));
        json_array_foreach(json, i, value) wire_write_json(w, value);
        return;
    case JSON_STRING:
        proto_write_slice(w, (struct proto_slice){json_string_value(json), (uint32_t)json_string_length(json)});
        return;
    case JSON_INTEGER:
        proto_write_int(w, json_integer_value(json));
        return;
    case JSON_REAL:
        proto_write_float(w, json_real_value(json));
        return;
    case JSON_NULL:
        proto_write_nil(w);
        return;
    default:
        proto_write_bool(w, json_is_true(json));
    }
}

static json_t *read_map(const msgpack_object *object) {
    json_t *map = json_object();
    for (uint32_t i = 0; i < object->via.map.size; i++) {
        const msgpack_object_kv *pair = &object->via.map.ptr[i];
        char *key = strndup(pair->key.via.str.ptr, pair->key.via.str.size);
        assert_int_equal(pair->key.type, MSGPACK_OBJECT_STR);
        assert_null(json_object_get(map, key)); /* no key twice */
        (void)json_object_set_new(map, key, wire_read_json(&pair->val));
        free(key);
    }
    return map;
}

json_t *wire_read_json(const msgpack_object *object) {
    json_t *array;
    switch (object->type) {
    case MSGPACK_OBJECT_MAP:
        return read_map(object);
    case MSGPACK_OBJECT_ARRAY:
        array = json_array();
        for (uint32_t i = 0; i < object->via.array.size; i++)
            (void)json_array_append_new(array, wire_read_json(&object->via.array.ptr[i]));
        return array;
    case MSGPACK_OBJECT_STR:
        return json_stringn(object->via.str.ptr, object->via.str.size);
    case MSGPACK_OBJECT_POSITIVE_INTEGER:
        return json_integer((json_int_t)object->via.u64);
    case MSGPACK_OBJECT_NEGATIVE_INTEGER:
        return json_integer(object->via.i64);
    case MSGPACK_OBJECT_FLOAT32:
    case MSGPACK_OBJECT_FLOAT64:
        return json_real(object->via.f64);
    case MSGPACK_OBJECT_BOOLEAN:
        return json_boolean(object->via.boolean);
    case MSGPACK_OBJECT_BIN:
        return json_sprintf("binary of %u bytes", object->via.bin.size);
    default:
        return json_null();
    }
}

size_t wire_request(uint8_t *bytes, size_t cap, uint32_t msgid, const char *method, const char *params) {
    struct proto_writer w;
    json_error_t wrong;
    json_t *map = json_loads(params ? params : "{}", 0, &wrong);
    if (!map)
        fail_msg("the test's JSON is broken: %s in %s", wrong.text, params);
    proto_writer_init(&w, bytes, cap);
    proto_write_request(&w, msgid, method);
    wire_write_json(&w, map);
    json_decref(map);
    assert_int_equal(w.error, PROTO_OK);
    return w.size;
}

/* ---- a peer ------------------------------------------------------------------------------------------ */

static void peer_init(struct wire_peer *peer, int domain) {
    peer->fd = socket(domain, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(peer->fd >= 0);
    peer->msgid = 0;
    assert_true(msgpack_unpacker_init(&peer->unpacker, 1u << 16));
}

void wire_connect_socket(struct wire_peer *peer, const char *path) {
    struct sockaddr_un un = {.sun_family = AF_UNIX};
    assert_true(strlen(path) < sizeof un.sun_path);
    peer_init(peer, AF_UNIX);
    memcpy(un.sun_path, path, strlen(path) + 1);
    if (connect(peer->fd, (struct sockaddr *)&un, sizeof un) != 0)
        fail_msg("cannot connect to %s: %s", path, strerror(errno));
}

void wire_connect_tcp(struct wire_peer *peer, uint16_t port) {
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_port = htons(port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    peer_init(peer, AF_INET);
    if (connect(peer->fd, (struct sockaddr *)&in, sizeof in) != 0)
        fail_msg("cannot connect to port %u: %s", port, strerror(errno));
}

void wire_close(struct wire_peer *peer) {
    (void)close(peer->fd);
    peer->fd = -1;
    msgpack_unpacker_destroy(&peer->unpacker);
}

void wire_send(struct wire_peer *peer, const void *bytes, size_t size) {
    for (size_t at = 0; at < size;) {
        ssize_t n = send(peer->fd, (const char *)bytes + at, size - at, MSG_NOSIGNAL);
        if (n < 0)
            fail_msg("cannot send: %s", strerror(errno));
        at += (size_t)n;
    }
}

/* Waits for bytes: how many came, 0 when the daemon has closed, -1 when `ms` have passed. */
static ssize_t more(struct wire_peer *peer, int ms) {
    struct pollfd waiting = {.fd = peer->fd, .events = POLLIN};
    int ready = poll(&waiting, 1, ms);
    if (ready == 0)
        return -1;
    assert_true(msgpack_unpacker_reserve_buffer(&peer->unpacker, 1u << 16));
    ssize_t n = recv(peer->fd, msgpack_unpacker_buffer(&peer->unpacker), 1u << 16, 0);
    if (n <= 0)
        return 0;
    msgpack_unpacker_buffer_consumed(&peer->unpacker, (size_t)n);
    return n;
}

static json_t *next(struct wire_peer *peer) {
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    msgpack_unpack_return result = msgpack_unpacker_next(&peer->unpacker, &unpacked);
    assert_true(result == MSGPACK_UNPACK_SUCCESS || result == MSGPACK_UNPACK_CONTINUE);
    json_t *json = result == MSGPACK_UNPACK_SUCCESS ? wire_read_json(&unpacked.data) : NULL;
    msgpack_unpacked_destroy(&unpacked);
    return json;
}

json_t *wire_receive(struct wire_peer *peer) {
    json_t *message;
    while (!(message = next(peer))) {
        ssize_t n = more(peer, WIRE_WAIT_MS);
        if (n < 0)
            fail_msg("the daemon said nothing for %d ms", WIRE_WAIT_MS);
        if (n == 0)
            return NULL;
    }
    assert_int_equal(json_array_size(message), 4);
    assert_int_equal(json_integer_value(json_array_get(message, 0)), PROTO_RESPONSE);
    return message;
}

bool wire_closes(struct wire_peer *peer, int ms) {
    json_t *message = next(peer);
    if (message) {
        json_decref(message);
        return false;
    }
    return more(peer, ms) == 0;
}

static json_t *call(struct wire_peer *peer, const char *method, const char *params) {
    size_t cap = 4096 + (params ? 2 * strlen(params) : 0);
    uint8_t *bytes = malloc(cap);
    assert_non_null(bytes);
    wire_send(peer, bytes, wire_request(bytes, cap, ++peer->msgid, method, params));
    free(bytes);
    json_t *message = wire_receive(peer);
    if (!message)
        fail_msg("the daemon closed instead of answering %s", method);
    assert_int_equal(json_integer_value(json_array_get(message, 1)), peer->msgid);
    return message;
}

json_t *wire_call(struct wire_peer *peer, const char *method, const char *params) {
    json_t *message = call(peer, method, params);
    if (!json_is_null(json_array_get(message, 2))) {
        char *text = json_dumps(json_array_get(message, 2), 0);
        fail_msg("%s %s: %s", method, params ? params : "", text);
    }
    json_t *result = json_incref(json_array_get(message, 3));
    json_decref(message);
    return result;
}

json_t *wire_callf(struct wire_peer *peer, const char *method, const char *format, ...) {
    char *text = NULL;
    va_list args;
    va_start(args, format);
    assert_true(vasprintf(&text, format, args) >= 0);
    va_end(args);
    json_t *result = wire_call(peer, method, text);
    free(text);
    return result;
}

json_t *wire_refused(struct wire_peer *peer, const char *method, const char *params) {
    json_t *message = call(peer, method, params);
    json_t *error = json_incref(json_array_get(message, 2));
    if (!json_is_object(error))
        fail_msg("%s %s was not refused", method, params ? params : "");
    const char *sentence = json_string_value(json_object_get(error, "message"));
    assert_non_null(sentence);
    assert_true(strlen(sentence) > 10);
    json_decref(message);
    return error;
}

void wire_expect(struct wire_peer *peer, const char *method, const char *params, const char *code) {
    json_t *error = wire_refused(peer, method, params);
    const char *got = json_string_value(json_object_get(error, "code"));
    if (!got || strcmp(got, code) != 0) {
        char *text = json_dumps(error, 0);
        fail_msg("%s %s: not %s but %s", method, params ? params : "", code, text);
    }
    json_decref(error);
}

/* ---- a daemon -------------------------------------------------------------------------------------------- */

#define BETONYD BETONY_BUILD_DIR "/bin/betonyd"
#define ARGUMENTS_MAX 32

static pid_t spawn(const char *const *arguments, int *out, bool both) {
    int ends[2];
    assert_int_equal(pipe2(ends, O_CLOEXEC), 0);
    pid_t pid = fork();
    assert_true(pid >= 0);
    if (pid == 0) {
        (void)dup2(ends[1], STDERR_FILENO);
        if (both)
            (void)dup2(ends[1], STDOUT_FILENO);
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL); /* a test that fails leaves nothing behind */
        execv(arguments[0], (char *const *)(uintptr_t)arguments);
        _exit(127);
    }
    (void)close(ends[1]);
    *out = ends[0];
    return pid;
}

/* The daemon's next line of standard error; false when it ends without one. */
static bool read_line(int fd, char *line, size_t cap) {
    size_t size = 0;
    for (;;) {
        struct pollfd waiting = {.fd = fd, .events = POLLIN};
        if (poll(&waiting, 1, WIRE_WAIT_MS) == 0)
            fail_msg("the daemon said nothing in %d ms", WIRE_WAIT_MS);
        char c;
        if (read(fd, &c, 1) != 1)
            return false;
        if (c == '\n' || size + 1 == cap) {
            line[size] = '\0';
            return true;
        }
        line[size++] = c;
    }
}

static void make_dir(struct wire_daemon *daemon) {
    const char *base = getenv("TMPDIR");
    int n =
        snprintf(daemon->dir, sizeof daemon->dir, "%s/betony-wire-XXXXXX", base && strlen(base) < 30 ? base : "/tmp");
    assert_true(n > 0 && (size_t)n < sizeof daemon->dir);
    assert_non_null(mkdtemp(daemon->dir));
}

void wire_daemon_start(struct wire_daemon *daemon, const char *const *arguments) {
    const char *all[ARGUMENTS_MAX] = {BETONYD,    "run",         "--store",  daemon->dir,
                                      "--listen", "127.0.0.1:0", "--socket", daemon->socket};
    size_t count = 8;
    if (daemon->dir[0] == '\0')
        make_dir(daemon);
    (void)snprintf(daemon->socket, sizeof daemon->socket, "%s/s", daemon->dir);
    for (size_t i = 0; arguments && arguments[i]; i++) {
        assert_true(count + 1 < ARGUMENTS_MAX);
        all[count++] = arguments[i];
    }
    daemon->pid = spawn(all, &daemon->said, false);
    do
        if (!read_line(daemon->said, daemon->ready, sizeof daemon->ready))
            fail_msg("the daemon ended before it was ready: %s", daemon->ready);
    while (!strstr(daemon->ready, "ready"));
    const char *port = strstr(daemon->ready, "127.0.0.1:");
    daemon->port = port ? (uint16_t)strtoul(port + 10, NULL, 10) : 0;
}

bool wire_daemon_says(struct wire_daemon *daemon, char *line, size_t cap) {
    return read_line(daemon->said, line, cap);
}

/* Waits for the end of a process without waiting for ever: its pipe closes when it ends. */
static int reap(struct wire_daemon *daemon) {
    int status = 0;
    char rest[512];
    for (;;) {
        struct pollfd waiting = {.fd = daemon->said, .events = POLLIN};
        if (poll(&waiting, 1, WIRE_WAIT_MS) == 0) {
            (void)kill(daemon->pid, SIGKILL);
            (void)waitpid(daemon->pid, &status, 0);
            daemon->pid = 0;
            fail_msg("the daemon did not stop in %d ms", WIRE_WAIT_MS);
        }
        ssize_t n = read(daemon->said, rest, sizeof rest - 1);
        if (n <= 0)
            break;
        rest[n] = '\0';
        print_message("%s", rest);
    }
    (void)close(daemon->said);
    assert_int_equal(waitpid(daemon->pid, &status, 0), daemon->pid);
    daemon->pid = 0;
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

int wire_daemon_stop(struct wire_daemon *daemon) {
    assert_int_equal(kill(daemon->pid, SIGTERM), 0);
    return reap(daemon);
}

void wire_daemon_kill(struct wire_daemon *daemon) {
    assert_int_equal(kill(daemon->pid, SIGKILL), 0);
    (void)reap(daemon);
}

void wire_daemon_end(struct wire_daemon *daemon) {
    if (daemon->pid > 0)
        wire_daemon_kill(daemon);
    if (daemon->dir[0]) {
        const char *all[] = {"/bin/rm", "-rf", "--", daemon->dir, NULL};
        int out = -1;
        pid_t pid = spawn(all, &out, true);
        (void)waitpid(pid, NULL, 0);
        (void)close(out);
        daemon->dir[0] = '\0';
    }
}

int wire_run(const char *const *arguments, char *out, size_t cap) {
    const char *all[ARGUMENTS_MAX] = {BETONYD};
    size_t count = 1, size = 0;
    struct wire_daemon process = {0};
    for (size_t i = 0; arguments[i]; i++) {
        assert_true(count + 1 < ARGUMENTS_MAX);
        all[count++] = arguments[i];
    }
    process.pid = spawn(all, &process.said, true);
    for (;;) {
        struct pollfd waiting = {.fd = process.said, .events = POLLIN};
        if (poll(&waiting, 1, WIRE_WAIT_MS) == 0)
            break;
        ssize_t n = read(process.said, out + size, cap - 1 - size);
        if (n <= 0)
            break;
        size += (size_t)n;
    }
    out[size] = '\0';
    return reap(&process);
}

int64_t wire_now_ms(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

const char *wire_id(char out[40]) {
    static struct proto_id_maker maker;
    static uint64_t counter;
    uint8_t entropy[10] = {0};
    struct proto_id id;
    counter++;
    memcpy(entropy + 2, &counter, sizeof counter);
    proto_id_make(&maker, wire_now_ms(), entropy, &id);
    proto_id_format(&id, out);
    return out;
}
