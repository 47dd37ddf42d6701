/*
 * dial.c - see dial.h. A `line` is one try with all its handles. It is let go of (line->dial = NULL) and lives on until libuv has
 * called back for the last of them, so that closing while a name is looked up or a connection is made is like any other closing.
 */
#define _GNU_SOURCE
#include "net/dial.h"

#include "net/address.h"
#include "net/transport.h"

#include <assert.h>
#include <netinet/tcp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WHERE_MAX 4          /* addresses of one name that are tried */
#define KEEPALIVE_SECONDS 30 /* of silence, then the system asks whether the other end is still there */

struct line {
    struct net_dial *dial; /* NULL: let go of */
    uv_getaddrinfo_t resolve;
    uv_connect_t connect;
    uv_tcp_t tcp;
    uv_timer_t timer; /* the time limit of connecting; then the report of what went wrong */
    bool has_tcp, resolving, closing, connected;
    uint32_t open; /* callbacks still to come before this memory may go */
    struct sockaddr_storage where[WHERE_MAX];
    uint32_t where_count, where_next;
    char why[256]; /* set: the end, reported by the timer */
};

struct net_dial {
    struct net_dial_options options;
    char text[NET_HOST_SIZE + 16];
    struct net_address address;
    uv_timer_t due;
    struct line *line;
    bool without_line; /* there was no memory for one: told at the next turn */
    char read_buffer[65536];
};

struct outgoing {
    uv_write_t request;
    struct line *line;
    uint8_t bytes[];
};

static uv_loop_t *uv_of(struct net_dial *dial) {
    return &dial->options.loop->uv;
}

/* ---- the end of a line --------------------------------------------------------------------------------------- */

static void line_callback_done(struct line *line) {
    assert(line->open > 0);
    if (--line->open == 0)
        free(line);
}

static void on_line_handle_closed(uv_handle_t *handle) {
    line_callback_done(handle->data);
}

static void close_tcp(struct line *line, uv_close_cb then) {
    line->has_tcp = false;
    uv_close((uv_handle_t *)&line->tcp, then);
}

/* Whatever is under way ends; nobody hears of it. */
static void line_let_go(struct line *line) {
    assert(!line->closing);
    line->closing = true;
    if (line->dial)
        line->dial->line = NULL;
    line->dial = NULL;
    if (line->resolving)
        (void)uv_cancel((uv_req_t *)&line->resolve); /* it calls back in any case */
    if (line->has_tcp)
        close_tcp(line, on_line_handle_closed);
    uv_close((uv_handle_t *)&line->timer, on_line_handle_closed);
}

static void on_report(uv_timer_t *timer) {
    struct line *line = timer->data;
    struct net_dial *dial = line->dial;
    char why[sizeof line->why];
    if (line->closing)
        return;
    if (line->why[0] == '\0')
        (void)snprintf(line->why, sizeof line->why, "%.200s did not answer within %u seconds.", dial->text,
                       (dial->options.connect_ms + 999) / 1000);
    memcpy(why, line->why, sizeof why);
    line_let_go(line);
    dial->options.on_lost(dial->options.arg, why);
}

/* The first reason counts. It is told from the loop, so that whoever sends or connects is not called back from inside. */
static void line_fail(struct line *line, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void line_fail(struct line *line, const char *format, ...) {
    if (line->why[0] != '\0')
        return;
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(line->why, sizeof line->why, format, arguments);
    va_end(arguments);
    if (line->has_tcp)
        (void)uv_read_stop((uv_stream_t *)&line->tcp);
    (void)uv_timer_start(&line->timer, on_report, 0, 0);
}

/* ---- connected ------------------------------------------------------------------------------------------------ */

static void on_alloc(uv_handle_t *handle, size_t suggested, uv_buf_t *buffer) {
    struct line *line = handle->data;
    (void)suggested;
    *buffer = line->dial ? uv_buf_init(line->dial->read_buffer, sizeof line->dial->read_buffer) : uv_buf_init(NULL, 0);
}

static void on_read(uv_stream_t *stream, ssize_t size, const uv_buf_t *buffer) {
    struct line *line = stream->data;
    if (size == 0 || line->closing || !line->dial)
        return;
    if (size == UV_EOF)
        line_fail(line, "%.200s closed the connection.", line->dial->text);
    else if (size < 0)
        line_fail(line, "The connection to %.150s was lost: %s.", line->dial->text, uv_strerror((int)size));
    else
        line->dial->options.on_bytes(line->dial->options.arg, (const uint8_t *)buffer->base, (size_t)size);
}

static void on_connected(struct line *line) {
    struct net_dial *dial = line->dial;
    (void)uv_timer_stop(&line->timer);
    (void)uv_tcp_nodelay(&line->tcp, 1);
    (void)uv_tcp_keepalive(&line->tcp, 1, KEEPALIVE_SECONDS);
    int code = uv_read_start((uv_stream_t *)&line->tcp, on_alloc, on_read);
    if (code != 0) {
        line_fail(line, "The connection to %.150s cannot be read: %s.", dial->text, uv_strerror(code));
        return;
    }
    line->connected = true;
    dial->options.on_connected(dial->options.arg);
}

/* ---- connecting --------------------------------------------------------------------------------------------------- */

static void try_next(struct line *line, int last_code);

static void on_tried_closed(uv_handle_t *handle) {
    struct line *line = handle->data;
    int code = (int)(intptr_t)line->connect.data;
    if (!line->closing)
        try_next(line, code);
    line_callback_done(line);
}

static void on_connect(uv_connect_t *request, int status) {
    struct line *line = request->handle->data;
    if (line->closing || line->why[0] != '\0')
        return;
    if (status == 0) {
        on_connected(line);
        return;
    }
    line->connect.data = (void *)(intptr_t)status; /* for on_tried_closed: a socket that failed is not used again */
    close_tcp(line, on_tried_closed);
}

static void try_next(struct line *line, int last_code) {
    struct net_dial *dial = line->dial;
    if (line->where_next == line->where_count) {
        line_fail(line, "There is no connection to %.150s: %s.", dial->text, uv_strerror(last_code));
        return;
    }
    const struct sockaddr *where = (const struct sockaddr *)&line->where[line->where_next++];
    int code = uv_tcp_init(uv_of(dial), &line->tcp);
    if (code == 0) {
        line->tcp.data = line;
        line->has_tcp = true;
        line->open++;
        code = uv_tcp_connect(&line->connect, &line->tcp, where, on_connect);
    }
    if (code != 0)
        line_fail(line, "There is no connection to %.150s: %s.", dial->text, uv_strerror(code));
}

/* Of what the name stands for, what may be used. */
static void take_addresses(struct line *line, const struct addrinfo *found) {
    uint32_t others = 0;
    for (; found; found = found->ai_next) {
        struct sockaddr_storage storage = {0};
        if (found->ai_addrlen > sizeof storage)
            continue;
        memcpy(&storage, found->ai_addr, found->ai_addrlen);
        if (!net_address_is_loopback(&storage))
            others++;
        else if (line->where_count < WHERE_MAX)
            line->where[line->where_count++] = storage;
    }
    if (line->where_count == 0)
        line_fail(line,
                  "%.100s is %s. What goes over a network must be encrypted, which this version does not offer; the "
                  "upstream must be reached at 127.0.0.1 or ::1.",
                  line->dial->address.host, others ? "not this machine" : "the name of nothing that can be reached");
}

static void on_resolved(uv_getaddrinfo_t *request, int status, struct addrinfo *found) {
    struct line *line = request->data;
    line->resolving = false;
    if (!line->closing && line->why[0] == '\0') {
        if (status != 0)
            line_fail(line, "The address of %.150s cannot be found: %s.", line->dial->address.host,
                      uv_strerror(status));
        else
            take_addresses(line, found);
        if (line->why[0] == '\0')
            try_next(line, UV_EADDRNOTAVAIL);
    }
    uv_freeaddrinfo(found);
    line_callback_done(line);
}

static void resolve(struct line *line) {
    struct net_dial *dial = line->dial;
    const struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM};
    char port[8];
    (void)snprintf(port, sizeof port, "%u", dial->address.port);
    line->resolve.data = line;
    int code = uv_getaddrinfo(uv_of(dial), &line->resolve, on_resolved, dial->address.host, port, &hints);
    if (code != 0) {
        line_fail(line, "The address of %.150s cannot be looked up: %s.", dial->address.host, uv_strerror(code));
        return;
    }
    line->resolving = true;
    line->open++;
}

static struct line *line_new(struct net_dial *dial) {
    struct line *line = calloc(1, sizeof *line);
    if (!line)
        return NULL;
    line->dial = dial;
    line->open = 1;
    (void)uv_timer_init(uv_of(dial), &line->timer);
    line->timer.data = line;
    uv_update_time(uv_of(dial));
    (void)uv_timer_start(&line->timer, on_report, dial->options.connect_ms, 0);
    return line;
}

/* ---- the dial --------------------------------------------------------------------------------------------------------- */

static void on_due(uv_timer_t *timer) {
    struct net_dial *dial = timer->data;
    if (dial->without_line) {
        dial->without_line = false;
        dial->options.on_lost(dial->options.arg, "There is no memory for a connection.");
    }
    dial->options.on_due(dial->options.arg);
}

enum proto_error net_dial_new(const struct net_dial_options *options, struct net_dial **out,
                              struct proto_fault *fault) {
    struct net_address address;
    struct sockaddr_storage storage;
    if (strlen(options->address) > NET_HOST_SIZE + 8 || !net_address_split(options->address, &address) ||
        address.port == 0)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "upstream", "%.200s is not an address of the form host:port.",
                               options->address);
    if (net_address_numeric(&address, &storage) && !net_address_is_loopback(&storage))
        return proto_fault_set(
            fault, PROTO_NOT_ALLOWED, "upstream",
            "%s is not a loopback address. What goes over a network must be encrypted, which this version does not "
            "offer; the upstream must be reached at 127.0.0.1 or ::1.",
            address.host);
    struct net_dial *dial = calloc(1, sizeof *dial);
    if (!dial)
        return proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory for the connection to the upstream.");
    dial->options = *options;
    if (dial->options.connect_ms == 0)
        dial->options.connect_ms = NET_DIAL_CONNECT_MS;
    dial->address = address;
    memcpy(dial->text, options->address, strlen(options->address) + 1);
    dial->options.address = dial->text;
    (void)uv_timer_init(uv_of(dial), &dial->due);
    dial->due.data = dial;
    uv_unref((uv_handle_t *)&dial->due); /* it keeps no loop alive that has ended */
    *out = dial;
    return PROTO_OK;
}

static void on_dial_closed(uv_handle_t *handle) {
    free(handle->data);
}

void net_dial_free(struct net_dial *dial) {
    if (!dial)
        return;
    net_dial_close(dial);
    uv_close((uv_handle_t *)&dial->due, on_dial_closed);
}

void net_dial_connect(struct net_dial *dial) {
    net_dial_close(dial);
    dial->line = line_new(dial);
    if (!dial->line) {
        dial->without_line = true;
        net_dial_due(dial, 0);
        return;
    }
    if (net_address_numeric(&dial->address, &dial->line->where[0])) {
        dial->line->where_count = 1;
        try_next(dial->line, UV_EADDRNOTAVAIL);
    } else {
        resolve(dial->line);
    }
}

void net_dial_close(struct net_dial *dial) {
    dial->without_line = false;
    if (dial->line)
        line_let_go(dial->line);
}

static void on_written(uv_write_t *request, int status) {
    struct outgoing *outgoing = (struct outgoing *)request->data;
    struct line *line = outgoing->line;
    if (status != 0 && !line->closing && line->dial)
        line_fail(line, "The connection to %.150s was lost: %s.", line->dial->text, uv_strerror(status));
    line_callback_done(line);
    free(outgoing);
}

void net_dial_send(struct net_dial *dial, const uint8_t *bytes, size_t size) {
    struct line *line = dial->line;
    if (!line || !line->connected || line->why[0] != '\0' || size == 0)
        return;
    uv_stream_t *stream = (uv_stream_t *)&line->tcp;
    uv_buf_t buffer = uv_buf_init((char *)(uintptr_t)bytes, (unsigned)size);
    int written = uv_try_write(stream, &buffer, 1); /* takes nothing while earlier ones are queued */
    if (written == (int)size)
        return;
    size_t done = written > 0 ? (size_t)written : 0;
    struct outgoing *outgoing = malloc(sizeof *outgoing + size - done);
    if (!outgoing) {
        line_fail(line, "There is no memory to send anything to %.150s.", dial->text);
        return;
    }
    memcpy(outgoing->bytes, bytes + done, size - done);
    outgoing->line = line;
    outgoing->request.data = outgoing;
    buffer = uv_buf_init((char *)outgoing->bytes, (unsigned)(size - done));
    int code = uv_write(&outgoing->request, stream, &buffer, 1, on_written);
    if (code != 0) {
        free(outgoing);
        line_fail(line, "The connection to %.150s was lost: %s.", dial->text, uv_strerror(code));
        return;
    }
    line->open++;
}

void net_dial_due(struct net_dial *dial, int64_t steady_ms) {
    if (dial->without_line)
        steady_ms = 0;
    if (steady_ms == INT64_MAX) {
        (void)uv_timer_stop(&dial->due);
        return;
    }
    int64_t now = net_loop_now(dial->options.loop);
    uv_update_time(uv_of(dial)); /* timers count from the loop's own idea of now, which may be old */
    (void)uv_timer_start(&dial->due, on_due, steady_ms > now ? (uint64_t)(steady_ms - now) : 0, 0);
}
