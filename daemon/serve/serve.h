/*
 * serve.h - the methods of the protocol: from a decoded call to its answer.
 *
 * What always holds:
 *  - every call gets exactly one answer; a call that is refused has changed nothing, save where the answer says `outcome-unknown`;
 *  - reads run on the loop's thread in one short read transaction each and look at a bounded number of rows; what does not fit a page
 *    is continued by a token;
 *  - no pointer to a peer outlives its call: what waits holds a ticket.
 */
#ifndef SERVE_SERVE_H
#define SERVE_SERVE_H

#include "net/hub.h"
#include "work/work.h"

struct serve;

struct serve_options {
    struct store *store;
    struct work *work; /* both outlive serve */
    struct net_hub *hub;
    const struct care_zones *zones; /* for the version of the zone data */
    void *clock_arg;
    int64_t (*wall_ms)(void *arg);   /* what people call now */
    int64_t (*steady_ms)(void *arg); /* only goes forward: the clock of the hub */
};

/* NULL: no memory. */
struct serve *serve_new(const struct serve_options *options);
/* After serve_stop and work_close, in this order: work answers its last calls through serve. NULL is fine. */
void serve_free(struct serve *serve);

/* A net_call_fn; `arg` is the struct serve. */
bool serve_call(void *arg, struct net_session *session, const struct proto_message *message, struct net_ticket ticket,
                int64_t waited_ms);
/* A net_push_fn and a net_gone_fn; `arg` is the struct serve. */
bool serve_push(void *arg, struct net_session *session);
void serve_gone(void *arg, struct net_session *session);
/* Those who follow are looked after: call it when events may have come, and now and then. */
void serve_news(struct serve *serve);
/* New calls are answered `stopping` from now on; calls in flight are still answered. Once. */
void serve_stop(struct serve *serve);

#endif
