/*
 * upstream.h - a node's upstream on the daemon's loop: the link, which thinks, and the dial, which carries its bytes.
 *
 * What always holds: everything on the loop's thread; the link is told of every byte and of every moment it asked for.
 */
#ifndef BETONYD_UPSTREAM_H
#define BETONYD_UPSTREAM_H

#include "link/link.h"
#include "net/loop.h"

struct daemon_upstream;

/* Begins to connect as soon as the loop turns. loop, work and store outlive it. */
enum proto_error daemon_upstream_new(const char *address, const struct work_scope *scope, struct net_loop *loop,
                                     struct work *work, struct store *store, struct daemon_upstream **out,
                                     struct proto_fault *fault) PROTO_MUST_CHECK;
/* After work_deliver: the log may have grown, and calls of the link may have come back. NULL is fine in all of these. */
void daemon_upstream_news(struct daemon_upstream *upstream);
/* Nothing is sent any more; once. */
void daemon_upstream_stop(struct daemon_upstream *upstream);
/* After daemon_upstream_stop and work_close, before net_loop_free. */
void daemon_upstream_free(struct daemon_upstream *upstream);
/* False: there is no upstream. */
bool daemon_upstream_status(struct daemon_upstream *upstream, struct link_status *out);

#endif
