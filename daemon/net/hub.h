/*
 * hub.h - all peers of one daemon: who is there, whose turn it is, whom an answer belongs to.
 *
 * Workers and waiting calls hold a ticket (slot, generation, msgid) and never a
 * session, so an answer to a peer that has gone in the meantime finds nobody
 * and harms nobody.
 *
 * What always holds: one thread; no I/O; a slot's generation changes when its
 * peer goes; a session whose output or input needs work is in the queue of turns.
 */
#ifndef NET_HUB_H
#define NET_HUB_H

#include "net/session.h"

struct net_hub;

struct net_ticket {
    uint32_t slot, generation, msgid;
};

/* One call. True: it is answered now or later through net_hub_answer, exactly once. False: not now; the peer is read no further and the
 * same call comes again after net_hub_release. `waited_ms`: how long it has been put off. `message` lives only during the call. */
typedef bool (*net_call_fn)(void *arg, struct net_session *session, const struct proto_message *message,
                            struct net_ticket ticket, int64_t waited_ms);

/* For a session that follows: pushes what there is to say, until there is no more or net_session_can_push says no. True: there is more.
 * NULL options: nobody follows. */
typedef bool (*net_push_fn)(void *arg, struct net_session *session);
/* A session that follows, or a node's, goes: whatever was kept for it is to be let go. */
typedef void (*net_gone_fn)(void *arg, struct net_session *session);

struct net_hub_options {
    struct net_limits limits;
    uint32_t peers_max;
    net_call_fn on_call;
    net_push_fn on_push;
    net_gone_fn on_gone;
    void *arg;
};

/* NULL: no memory. */
struct net_hub *net_hub_new(const struct net_hub_options *options);
/* Every peer must have been closed. NULL is fine. */
void net_hub_free(struct net_hub *hub);

/* A new peer; NULL at peers_max or without memory. `transport` is the caller's own and comes back from net_hub_turn. */
struct net_session *net_hub_open(struct net_hub *hub, void *transport, bool trusted, int64_t now);
/* Forgets the peer and frees its session. */
void net_hub_close(struct net_hub *hub, struct net_session *session);
/* Hands out what the peer asked, a bounded number of calls; asks for another turn when more is there. Whoever calls this writes the session's
 * output next. */
void net_hub_run(struct net_hub *hub, struct net_session *session, int64_t now);
/* One encoded response; copied. Nothing happens when the peer has gone. */
void net_hub_answer(struct net_hub *hub, struct net_ticket ticket, const void *bytes, size_t size, int64_t now);
/* Asks a turn for a session that follows: there may be something to push. */
void net_hub_ask(struct net_hub *hub, struct net_session *session);
/* Peers whose call was put off may try again. */
void net_hub_release(struct net_hub *hub, int64_t now);
/* The transport of the next session that needs a turn (net_hub_run, then writing), NULL when there is none. A round is bounded by the
 * count at its beginning, so that other work comes in between. */
void *net_hub_turn(struct net_hub *hub);
uint32_t net_hub_turns(const struct net_hub *hub);
/* So many bytes of the session's output were written; asks for a turn when that gave it room to go on. */
void net_hub_wrote(struct net_hub *hub, struct net_session *session, size_t size, int64_t now);

struct net_counts {
    uint64_t opened, closed, turned_away, dropped, calls, answers, bytes_in, bytes_out;
    uint32_t peers, calls_in_flight;
};
void net_hub_counts(const struct net_hub *hub, struct net_counts *out);
/* Whoever does the I/O counts here what the hub cannot see. */
struct net_counts *net_hub_counter(struct net_hub *hub);

#endif
