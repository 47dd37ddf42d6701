/*
 * joined.h - which super classes the merges of one call make one, and all events stored of them: admission must judge a
 * child as it is after the whole call.
 *
 * What always holds: it knows super classes as the view has them; whether a merge counts is judged elsewhere.
 */
#ifndef WORK_JOINED_H
#define WORK_JOINED_H

#include "work/fold.h"
#include "work/map.h"

struct work_joined_node {
    struct proto_id super;
    uint32_t parent, records; /* records: of all that are joined, in the root */
};
struct work_joined {
    struct work_map map;
    struct work_joined_node *nodes;
    uint32_t count, cap;
};

void work_joined_clear(struct work_joined *joined);
void work_joined_free(struct work_joined *joined);
/* Joins two super classes of so many records each; the same one twice is noted too. */
void work_joined_add(struct work_joined *joined, const struct proto_id *a, uint32_t a_records, const struct proto_id *b,
                     uint32_t b_records);
/* Records that become one super class with this one; 0 when no merge of the call is about it. */
uint32_t work_joined_records(struct work_joined *joined, const struct proto_id *super);
bool work_joined_same(struct work_joined *joined, const struct proto_id *a, const struct proto_id *b);
/* Every stored event of the super class and of those joined with it, in no order. *list is the caller's to free, also after an error; it points into
 * the transaction. */
enum proto_error work_joined_events(struct work_joined *joined, struct store_txn *txn, struct work_reading *reading,
                                    const struct proto_id *super, struct work_event **list,
                                    uint32_t *count) PROTO_MUST_CHECK;

#endif
