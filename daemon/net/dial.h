/*
 * dial.h - one outgoing connection at a time, to the upstream: bytes out, bytes in, and the moment at which its user wants to be
 * called. It knows nothing of what is said.
 *
 * What always holds:
 *  - everything runs on the loop's thread; every callback comes from the loop, never from inside a call made here;
 *  - for each net_dial_connect there is on_connected or on_lost, and on_lost once for each on_connected, unless net_dial_close
 *    came first: after it nothing of that connection is heard of;
 *  - only loopback addresses are connected to: there is no encryption between machines yet.
 */
#ifndef NET_DIAL_H
#define NET_DIAL_H

#include "net/loop.h"

struct net_dial;

#define NET_DIAL_CONNECT_MS 10000

struct net_dial_options {
    struct net_loop *loop; /* outlives the dial */
    const char *address;   /* HOST:PORT, copied; HOST a loopback address or a name of one */
    uint32_t connect_ms;   /* for the name and the connection together; 0: NET_DIAL_CONNECT_MS */
    void *arg;
    void (*on_connected)(void *arg);
    /* The connection could not be made, or it ended: `why` is a plain sentence, it lives during the call. */
    void (*on_lost)(void *arg, const char *why);
    void (*on_bytes)(void *arg, const uint8_t *bytes, size_t size);
    void (*on_due)(void *arg); /* the moment of net_dial_due, or a little before it */
};

/* BAD_VALUE: not HOST:PORT; NOT_ALLOWED: a numeric address that is not loopback; both name the field "upstream". Nothing is connected yet. */
enum proto_error net_dial_new(const struct net_dial_options *options, struct net_dial **out,
                              struct proto_fault *fault) PROTO_MUST_CHECK;
/* Closes. The memory goes when the loop next turns, at the latest in net_loop_free. NULL is fine. */
void net_dial_free(struct net_dial *dial);

/* Begins to connect; a connection that is there or under way is closed first. */
void net_dial_connect(struct net_dial *dial);
/* Drops the connection, and what was not yet sent. Nothing when there is none. */
void net_dial_close(struct net_dial *dial);
/* Copied and sent in order. Nothing when there is no connection. A failure, of memory too, ends the connection (on_lost). */
void net_dial_send(struct net_dial *dial, const uint8_t *bytes, size_t size);

/* Calls on_due once at this moment of net_loop_now, soon when it has passed; replaces the one before. INT64_MAX: not at all. */
void net_dial_due(struct net_dial *dial, int64_t steady_ms);

#endif
