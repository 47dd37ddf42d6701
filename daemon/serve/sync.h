/*
 * sync.h - what the files of serve/ that answer nodes share: a node's connection, and how far its pages have come.
 *
 * What always holds:
 *  - a connection is a node's from a `hello` with `node` on; what it may take and bring is bounded by the scope it named there;
 *  - of a page nothing is kept but where the next one begins: all else is read from the store when it is asked for;
 *  - what a node said of itself is written down with the first thing that it asks for, not at its hello: one that finds there
 *    that it is a copy says hello again under another id.
 */
#ifndef SERVE_SYNC_H
#define SERVE_SYNC_H

#include "serve/internal.h"
#include "work/sync.h"

#define SERVE_ARRIVALS_MAX 256u /* records that one seq can move: a super class holds fewer */

/* Where the next page, or the next part of one, begins. */
struct serve_pages {
    bool begun; /* there was one */
    bool reset; /* the last page was over an erasure */
    struct work_scope scope;
    struct proto_position at; /* the last page's cursor */
    uint32_t arrived_count,
        arrived_next; /* records that come whole with the last page, and the first that is not all sent */
    struct proto_id arrived[SERVE_ARRIVALS_MAX];
    struct work_record_place place; /* in that one */
};

struct serve_node {
    struct net_session *session; /* NULL: it has gone, and what is known of it is still on its way into the log */
    struct serve *serve;
    uint32_t saving; /* calls on their way that write it down */
    struct serve_node *next, **link;
    struct proto_id id;
    struct work_scope scope;
    struct proto_position place, cursor; /* the end of its log; how far it has pulled from here */
    bool has_cursor;
    int64_t contact_at, saved_at; /* wall ms; saved_at 0: never in this connection */
    bool confirmed;               /* it went on after hello */
    bool changed, moved;          /* since it was written down: what it is; how far it has pulled */
    char agent[PROTO_TEXT_SHORT_MAX + 4];
    struct serve_pages pages;
};

/* ---- sync_node.c --------------------------------------------------------------------------------------- */

/* The part of `hello` that concerns nodes. *known_out: what was known of the node; *has_known: that there is something. */
enum proto_error serve_node_hello(struct serve_request *r, struct proto_position *known_out,
                                  bool *has_known) PROTO_MUST_CHECK;
/* The caller's node, marked as in contact; NOT_SIGNED_IN with a sentence. */
enum proto_error serve_node_get(struct serve_request *r, struct serve_node **out) PROTO_MUST_CHECK;
/* Writes down what changed of the node, when it did: into `call`, or (NULL) with a call of its own. True: it went into `call`, whose
 * on_done owes a serve_node_saved. */
bool serve_node_save(struct serve_node *node, struct work_call *call);
/* The node may be gone afterwards. */
void serve_node_saved(struct serve_node *node, const struct work_call *call);
/* A place or cursor that the node told; *changed is set when it is another. */
void serve_node_told(struct proto_position *kept, bool *has, const struct proto_value *value, bool *changed);
void serve_node_gone(struct net_session *session);
/* The scope that `teams` and `all_teams` name, the node's own when neither is given. BAD_VALUE. */
enum proto_error serve_scope_read(struct serve_request *r, const struct proto_value *teams,
                                  const struct proto_value *all_teams, struct work_scope *scope) PROTO_MUST_CHECK;

/* The pair that names it: `teams`, or `all_teams`. */
void serve_scope_write(struct proto_writer *w, const struct work_scope *scope);

/* ---- sync_event.c: events into answers ------------------------------------------------------------------- */

/* An answer ends with the event that brings it here; one of a record that comes whole may be larger, so that a node need not
 * hold too many of them. What may stand beside the events still fits a message. */
#define SERVE_SYNC_PART_BYTES (256u << 10)
#define SERVE_SYNC_RECORD_PART_BYTES (896u << 10)

struct serve_events {
    struct serve_request *r;
    size_t mark, first; /* of the array; where its bytes begin */
    size_t bytes_max;
    uint32_t count;
    uint64_t last_seq; /* of the last event written */
};
void serve_events_begin(struct serve_request *r, struct serve_events *events);
void serve_events_add(struct serve_events *events, const struct store_event *event);
bool serve_events_full(const struct serve_events *events);
void serve_events_end(struct serve_events *events);
/* The pair `at`: the place up to which the log was looked at for this answer. What a node takes from it may be younger than its cursor. */
enum proto_error serve_at_write(struct serve_request *r) PROTO_MUST_CHECK;
/* The record that an entry of the log counts to: zero for what is nobody's. *is_event: false for an entry that is none for others: this
 * node's own, or one whose body went. CORRUPT. */
enum proto_error serve_event_record(struct serve_request *r, const struct store_event *event, bool *is_event,
                                    struct proto_id *record) PROTO_MUST_CHECK;

/* ---- sync_page.c --------------------------------------------------------------------------------------- */

/* Writes the next page or part as the one value of the result; *pages moves on when that is written whole. */
enum proto_error serve_page_write(struct serve_request *r, struct serve_pages *pages) PROTO_MUST_CHECK;

#endif
