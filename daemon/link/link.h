/*
 * link.h - a node's upstream: what is pushed, what is pulled, what is made even; as a pure core.
 *
 * No I/O and no clock in here: moments and bytes are handed in, bytes come out, so that the simulator runs what ships. One
 * thread (the loop's). Work's own completions come through work_deliver on the same thread.
 *
 * What always holds:
 *  - a cut at any byte, a crash, a call that fails: whatever was not applied whole is asked for, or offered, again;
 *  - push comes before pull, and a record is not let go while events of it wait to go out;
 *  - one connection at a time; in flight at most LINK_WINDOW calls and LINK_HELD_BYTES_MAX of answers not yet applied;
 *  - nothing here decides what a child needs.
 */
#ifndef LINK_LINK_H
#define LINK_LINK_H

#include "work/sync.h"

struct link;

#define LINK_WINDOW 8
#define LINK_HELD_BYTES_MAX (16u << 20)

struct link_options {
    struct work *work;
    struct store *store; /* both outlive the link */
    struct work_scope scope;
    uint32_t poll_ms; /* how often to ask when there is nothing to do; 0: 2,000 */
    void *arg;
    int64_t (*wall_ms)(void *arg);
    int64_t (*steady_ms)(void *arg);
    void (*entropy)(void *arg, uint8_t *out, size_t n); /* jitter */
    /* The transport. connect: begin to connect; link_connected or link_lost follows. close: drop it, link_lost does not follow. send: bytes are copied. */
    void (*connect)(void *arg);
    void (*close)(void *arg);
    void (*send)(void *arg, const uint8_t *bytes, size_t size);
};

struct link *link_new(const struct link_options *options);
/* After the last work_deliver: no call of it may be in work any more (link_stop, then work_close, then this). NULL is fine. */
void link_free(struct link *link);
/* Sends nothing more; closes the connection. */
void link_stop(struct link *link);

/* From the transport. `why`: a plain sentence, shown in sync-state. */
void link_connected(struct link *link);
void link_lost(struct link *link, const char *why);
void link_feed(struct link *link, const uint8_t *bytes, size_t size);
/* The log may have grown. */
void link_news(struct link *link);
/* When link_tick wants to be called next, steady ms; INT64_MAX: not before something comes. */
int64_t link_next_tick(const struct link *link);
void link_tick(struct link *link);

enum link_state {
    LINK_WAITING,
    LINK_CONNECTING,
    LINK_GREETING,
    LINK_PUSHING,
    LINK_PULLING,
    LINK_COMPARING,
    LINK_CURRENT,
    LINK_STOPPED
};
struct link_status {
    enum link_state state;
    int64_t last_contact;                   /* wall ms of the last answer; 0: never */
    int64_t clock_offset_ms, round_trip_ms; /* own clock minus the upstream's; valid once contact was made */
    uint64_t out_waiting;                   /* own events without an answer */
    uint64_t in_waiting; /* upstream's seq as last heard minus the cursor's: at most so many are to come */
    uint64_t refused, left;
    bool has_cursor;
    struct proto_position cursor;
    struct proto_id upstream; /* node id, zero before the first contact */
    char fault[256];          /* why there is no contact, or what the upstream would not do; empty */
};
void link_status_get(struct link *link, struct link_status *out);

#endif
