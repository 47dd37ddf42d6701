/*
 * upstream.c - see upstream.h.
 */
#include "upstream.h"

#include "options.h"

#include "net/dial.h"

#include <stdlib.h>

struct daemon_upstream {
    struct net_loop *loop;
    struct net_dial *dial;
    struct link *link;
    bool stopped;
};

/* The link may want to be called at another moment after anything it was told. */
static void settle(struct daemon_upstream *upstream) {
    if (!upstream->stopped)
        net_dial_due(upstream->dial, link_next_tick(upstream->link));
}

/* ---- from the dial -------------------------------------------------------------------------------------- */

static void on_connected(void *arg) {
    struct daemon_upstream *upstream = arg;
    link_connected(upstream->link);
    settle(upstream);
}

static void on_lost(void *arg, const char *why) {
    struct daemon_upstream *upstream = arg;
    link_lost(upstream->link, why);
    settle(upstream);
}

static void on_bytes(void *arg, const uint8_t *bytes, size_t size) {
    struct daemon_upstream *upstream = arg;
    link_feed(upstream->link, bytes, size);
    settle(upstream);
}

static void on_due(void *arg) {
    struct daemon_upstream *upstream = arg;
    if (upstream->stopped)
        return;
    if (link_next_tick(upstream->link) <= net_loop_now(upstream->loop))
        link_tick(upstream->link);
    settle(upstream);
}

/* ---- from the link --------------------------------------------------------------------------------------- */

static int64_t steady_ms(void *arg) {
    struct daemon_upstream *upstream = arg;
    return net_loop_now(upstream->loop);
}

static void connect_to(void *arg) {
    struct daemon_upstream *upstream = arg;
    net_dial_connect(upstream->dial);
}

static void close_it(void *arg) {
    struct daemon_upstream *upstream = arg;
    net_dial_close(upstream->dial);
}

static void send_to(void *arg, const uint8_t *bytes, size_t size) {
    struct daemon_upstream *upstream = arg;
    net_dial_send(upstream->dial, bytes, size);
}

/* ---- up and down -------------------------------------------------------------------------------------------- */

enum proto_error daemon_upstream_new(const char *address, const struct work_scope *scope, struct net_loop *loop,
                                     struct work *work, struct store *store, struct daemon_upstream **out,
                                     struct proto_fault *fault) {
    struct daemon_upstream *upstream = calloc(1, sizeof *upstream);
    if (!upstream)
        return proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory for the upstream.");
    upstream->loop = loop;
    const struct net_dial_options dial = {.loop = loop,
                                          .address = address,
                                          .arg = upstream,
                                          .on_connected = on_connected,
                                          .on_lost = on_lost,
                                          .on_bytes = on_bytes,
                                          .on_due = on_due};
    enum proto_error error = net_dial_new(&dial, &upstream->dial, fault);
    if (error != PROTO_OK) {
        free(upstream);
        return error;
    }
    const struct link_options link = {.work = work,
                                      .store = store,
                                      .scope = *scope,
                                      .arg = upstream,
                                      .wall_ms = daemon_wall_ms,
                                      .steady_ms = steady_ms,
                                      .entropy = daemon_entropy,
                                      .connect = connect_to,
                                      .close = close_it,
                                      .send = send_to};
    upstream->link = link_new(&link);
    if (!upstream->link) {
        net_dial_free(upstream->dial);
        free(upstream);
        return proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory for the upstream.");
    }
    net_dial_due(upstream->dial, 0);
    *out = upstream;
    return PROTO_OK;
}

void daemon_upstream_news(struct daemon_upstream *upstream) {
    if (!upstream || upstream->stopped)
        return;
    link_news(upstream->link);
    settle(upstream);
}

void daemon_upstream_stop(struct daemon_upstream *upstream) {
    if (!upstream || upstream->stopped)
        return;
    upstream->stopped = true;
    link_stop(upstream->link);
    net_dial_close(upstream->dial); /* the loop waits for no connection of ours */
    net_dial_due(upstream->dial, INT64_MAX);
}

void daemon_upstream_free(struct daemon_upstream *upstream) {
    if (!upstream)
        return;
    daemon_upstream_stop(upstream);
    link_free(upstream->link);
    net_dial_free(upstream->dial);
    free(upstream);
}

bool daemon_upstream_status(struct daemon_upstream *upstream, struct link_status *out) {
    if (upstream)
        link_status_get(upstream->link, out);
    return upstream != NULL;
}
