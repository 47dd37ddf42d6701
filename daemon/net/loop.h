/*
 * loop.h - the daemon's event loop: listeners, connections, one sweep of deadlines, signals, a wake from other threads.
 *
 * A thin shell: all sense of the protocol is in the hub and its sessions.
 *
 * What always holds: everything but net_loop_wake runs on the thread of
 * net_loop_run; a connection is freed in one function, from its close
 * callback; answers given during one callback leave in one write for each peer.
 */
#ifndef NET_LOOP_H
#define NET_LOOP_H

#include "net/hub.h"

struct net_loop;

struct net_loop_options {
    struct net_hub *hub; /* outlives the loop */
    void *arg;
    void (*on_wake)(void *arg); /* after net_loop_wake, which may coalesce */
    void (*on_tick)(void *arg); /* some four times a second */
    void (*on_stop)(void *arg); /* once, when stopping begins: new calls are to be refused from here on */
};

/* Peers that the limit on descriptors allows, at most PROTO_CONNECTIONS_MAX; raises the soft limit to the hard one. */
uint32_t net_peers_max(void);

struct net_loop *net_loop_new(const struct net_loop_options *options, struct proto_fault *fault);
/* After net_loop_run has returned, or when it never ran, and when no thread wakes it any more. NULL is fine. */
void net_loop_free(struct net_loop *loop);

/* "127.0.0.1:7811", "[::1]:0", "localhost:7811". Only loopback addresses: NOT_ALLOWED with the reason for any other. */
enum proto_error net_loop_listen_tcp(struct net_loop *loop, const char *address,
                                     struct proto_fault *fault) PROTO_MUST_CHECK;
/* A Unix socket, mode 0600. A socket nobody listens on is replaced; IN_USE when somebody does. Removed at the end. */
enum proto_error net_loop_listen_socket(struct net_loop *loop, const char *path,
                                        struct proto_fault *fault) PROTO_MUST_CHECK;
/* The address really bound, "127.0.0.1:40123"; empty when there is no TCP listener. */
const char *net_loop_tcp_address(const struct net_loop *loop);

/* Returns when stopped and drained. SIGTERM and SIGINT stop it. */
void net_loop_run(struct net_loop *loop);
/* Any thread. */
void net_loop_wake(struct net_loop *loop);
/* Stops listening; calls in flight are answered and written, for at most ten seconds. */
void net_loop_stop(struct net_loop *loop);
/* ms of the loop's clock, which only goes forward: the `now` of hub and sessions. */
int64_t net_loop_now(const struct net_loop *loop);

#endif
