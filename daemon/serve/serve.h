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
#include "work/sync.h"

struct serve;

/* How this node stands with its upstream, as its link says it. */
struct serve_link_status {
    const char *state;    /* a word: waiting, connecting, greeting, pushing, pulling, comparing, current, stopped */
    int64_t last_contact; /* wall ms of the last answer; 0: never */
    int64_t clock_offset_ms, round_trip_ms; /* own clock minus the upstream's; mean nothing before the first contact */
    uint64_t out_waiting;                   /* own events without an answer */
    uint64_t in_waiting;                    /* at most so many events are to come */
    bool has_cursor;
    struct proto_position cursor;
    struct proto_id upstream; /* zero before the first contact */
    struct work_scope scope;  /* whose events this node holds */
    char address[80];         /* as it is configured; may be empty */
    char fault[256];          /* why there is no contact; empty */
};

struct serve_options {
    struct store *store;
    struct work *work; /* both outlive serve */
    struct net_hub *hub;
    const struct care_zones *zones; /* for the version of the zone data */
    void *clock_arg;
    int64_t (*wall_ms)(void *arg);   /* what people call now */
    int64_t (*steady_ms)(void *arg); /* only goes forward: the clock of the hub */
    /* Fills *out, whose bytes are all zero before; false: this server has no upstream, as has NULL. On the loop's thread. */
    void *link_arg;
    bool (*link_status)(void *arg, struct serve_link_status *out);
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
