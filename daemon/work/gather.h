/*
 * gather.h - the whole log sorted by child, in memory bounded by the number of events: for a rebuild and for verify.
 *
 * What always holds: it holds twelve bytes for each event and some sixty for each record, never an event's content; super
 * classes come in the order of their ids, the events of each in order of seq.
 */
#ifndef WORK_GATHER_H
#define WORK_GATHER_H

#include "work/context.h"
#include "work/map.h"

struct work_gather {
    struct work_map map;
    struct proto_id *ids; /* every patient id that an event is about or merges into */
    uint32_t *parents;
    uint32_t id_count, id_cap;
    uint32_t *event_ids; /* by seq - 1: place in ids, or WORK_MAP_NONE */
    uint64_t event_count, event_cap;
    struct work_context_events context; /* their bytes in context_bytes once finished */
    struct work_buffer context_bytes;
    char (*teams)[44]; /* named by events, in order of seq */
    uint32_t team_count, team_cap;
    /* finished */
    uint64_t *loose; /* seqs of events of no child, policy and recalls among them */
    uint64_t loose_count;
    struct work_gathered {
        struct proto_id super;
        uint64_t first, count; /* in seqs */
    } * supers;
    uint32_t super_count;
    uint64_t *seqs;
};

/* Events of the log one after the other from seq 1. CORRUPT when one is not an event. */
enum proto_error work_gather_add(struct work_gather *gather, struct work_reading *reading,
                                 const struct store_event *stored) PROTO_MUST_CHECK;
void work_gather_finish(struct work_gather *gather);
void work_gather_free(struct work_gather *gather);

#endif
