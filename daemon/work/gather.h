/*
 * gather.h - the whole log sorted by child, in memory bounded by the number of events: for a rebuild and for verify.
 *
 * An event without a body, one that an entry of the log takes away and one of an erased record count no more: they are passed over.
 *
 * What always holds: it holds twelve bytes for each event and some sixty for each record, never an event's content; super
 * classes come in the order of their ids, the events of each in order of seq.
 */
#ifndef WORK_GATHER_H
#define WORK_GATHER_H

#include "work/context.h"
#include "work/digest.h"
#include "work/map.h"
#include "work/system.h"

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
    struct work_drops
        dropped; /* the caller's, before the first event: what counts no more though its body is there; sorted */
    struct work_map erased; /* records */
    struct work_gathered_system {
        uint64_t seq;
        uint8_t type; /* a row of STORE_SYSTEM */
    } * systems;
    uint32_t system_count, system_cap;
    struct work_gathered_edge {
        uint32_t a, b;
    } * edges; /* merges, places in ids */
    uint32_t edge_count, edge_cap;
    uint64_t gone;             /* events that count no more */
    struct work_digest common; /* of events of no child */
    /* finished */
    uint64_t *loose; /* seqs of what is in everybody's feed: events of no child, erasures, the log's own entries */
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
/* The log's own entries that are still to be seen, erased records, and the digest of the events of no child. */
void work_gather_system_rows(const struct work_gather *gather, struct work_rows *rows);
void work_gather_free(struct work_gather *gather);

#endif
