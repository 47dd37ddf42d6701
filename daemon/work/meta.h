/*
 * meta.h - what the view knows about itself, in STORE_META: versions it was made with, the context it stands at, how many
 * children it holds, and the replanning job that is under way.
 *
 *   rules     01 | u32 rules version | zone data version (length byte, text) | u32 layout of the view's rows
 *   context   01 | u64 context sequence
 *   children  01 | u64 classes
 *   settling  01 | u8 scope | team (length byte, text) | u64 done | u64 of | u8 cursor size | cursor (key of a row)
 */
#ifndef WORK_META_H
#define WORK_META_H

#include "care/zone.h"
#include "work/rowset.h"

enum work_settle_scope { WORK_SETTLE_ALL, WORK_SETTLE_TEAM, WORK_SETTLE_RECALL };

/* Children of the scope whose schedule was planned with an older context wait for their turn behind the cursor. */
struct work_settling {
    bool active;
    uint8_t scope; /* enum work_settle_scope */
    char team[44]; /* TEAM */
    uint64_t done, of;
    uint8_t cursor_size;                 /* at most 255: keys of both tables are shorter */
    uint8_t cursor[STORE_KEY_BYTES_MAX]; /* of STORE_LEVELS, or for a recall of STORE_LOTS; empty: at the beginning */
};

struct work_meta {
    bool known;   /* there is a meta table at all */
    bool current; /* made by these rules and this zone data */
    uint64_t context_seq, children;
    struct work_settling settling;
};
enum proto_error work_meta_read(struct store_txn *txn, const struct care_zones *zones,
                                struct work_meta *out) PROTO_MUST_CHECK;
void work_meta_rules_row(const struct care_zones *zones, struct work_rows *rows);
void work_meta_number_row(const char *name, uint64_t number, struct work_rows *rows);
void work_meta_settling_row(const struct work_settling *settling, struct work_rows *rows);
/* The job in a transaction; inactive when there is none. */
enum proto_error work_settling_read(struct store_txn *txn, struct work_settling *out) PROTO_MUST_CHECK;
#define WORK_META_CONTEXT "context"
#define WORK_META_CHILDREN "children"
#define WORK_META_SETTLING "settling"
#define WORK_META_RULES "rules"

#endif
