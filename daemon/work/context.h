/*
 * context.h - what judges every child: policy of each team and recalls in force, as one unchanging object.
 *
 * What always holds: a context is a function of the context events in effect, taken in the order (at, id); it never changes
 * once made and is freed with its last reference. Its sequence number counts the changes this view has seen; each row of
 * STORE_CONTEXT says from which sequence on its event is in effect (0: it waits for its time).
 *
 * A row of STORE_CONTEXT: 01 | u64 seq of the event | u64 context sequence
 */
#ifndef WORK_CONTEXT_H
#define WORK_CONTEXT_H

#include <stdatomic.h>

#include "care/care.h"
#include "work/fold.h"

struct work_adoption {
    struct proto_id id;
    int64_t at;
    char approved_by[PROTO_TEXT_SHORT_MAX + 4];
};

struct work_team_policy {
    char team[44];
    struct care_policy policy;
};

struct work_context {
    atomic_uint references;
    uint64_t seq;
    struct care_policy all;
    struct work_team_policy *teams;
    uint32_t team_count, team_cap;
    struct care_recall *recalls;
    uint32_t recall_count, recall_cap;
    struct work_adoption *adoptions;
    uint32_t adoption_count, adoption_cap;
};

/* From events in effect, in any order. The caller has the first reference. */
enum proto_error work_context_make(uint64_t seq, struct work_reading *reading, struct work_event **events,
                                   uint32_t count, struct work_context **out) PROTO_MUST_CHECK;
struct work_context *work_context_hold(struct work_context *context);
void work_context_release(struct work_context *context); /* NULL is fine */

/* The context of a child of the team. Points into `context`. */
void work_context_of(const struct work_context *context, const char *team, const struct care_zones *zones,
                     struct care_context *out);

/* Context events that the view holds: those in effect at sequence 1..upto, or with `waiting` those that wait and are dated
 * up to `now`. Appended to the list; each is allocated, and its bytes live as long as the txn. */
struct work_context_events {
    struct work_event **list;
    uint32_t count, cap;
    uint64_t last_seq; /* highest context sequence seen */
};
enum proto_error work_context_events_load(struct store_txn *txn, struct work_reading *reading, uint64_t upto,
                                          struct work_context_events *out) PROTO_MUST_CHECK;
enum proto_error work_context_events_due(struct store_txn *txn, struct work_reading *reading, int64_t now,
                                         struct work_context_events *out) PROTO_MUST_CHECK;
void work_context_events_add(struct work_context_events *events, const struct work_event *event);
void work_context_events_free(struct work_context_events *events);
void work_context_row(const struct work_event *event, uint64_t context_seq, struct work_rows *rows);

/* The context the view stands at: what STORE_META says. */
enum proto_error work_context_load(struct store_txn *txn, struct work_reading *reading, uint64_t seq,
                                   struct work_context **out) PROTO_MUST_CHECK;

#endif
