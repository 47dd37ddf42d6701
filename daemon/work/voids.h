/*
 * voids.h - withdrawals, replacements and confirmations of a child, as stored and as care/ asks for them.
 *
 * What always holds: rows are only ever added; what counts is decided by care_event_counts over all of them, so their order
 * of arrival does not matter.
 *
 * A row of STORE_VOIDS: 02 | u8 type | i64 at | u8 rank | u8 kind | u8 grave | by (length byte, text)
 */
#ifndef WORK_VOIDS_H
#define WORK_VOIDS_H

#include "care/care.h"
#include "work/event.h"
#include "work/rowset.h"

enum work_void_type { WORK_VOID_WITHDRAWAL, WORK_VOID_REPLACEMENT, WORK_VOID_CONFIRMATION };

struct work_void {
    struct proto_id target, by_event;
    int64_t at;
    uint8_t rank, type;  /* enum work_void_type */
    uint8_t kind, grave; /* enum proto_kind, set of enum care_grave */
    char by[256];
};

struct work_voids {
    struct work_void *list;
    uint32_t count, cap;
    struct care_void *care; /* made by work_voids_counts when something was added */
    uint32_t care_count, care_cap;
    bool stale;
};

void work_voids_clear(struct work_voids *voids);
void work_voids_free(struct work_voids *voids);
/* Adds what the event voids or confirms; nothing for other events. True when something was added. */
bool work_voids_add(struct work_voids *voids, const struct proto_event *event);
enum proto_error work_voids_load(struct work_voids *voids, struct store_txn *txn,
                                 const struct proto_id *super) PROTO_MUST_CHECK;
/* True when some row names the id. */
bool work_voids_name(const struct work_voids *voids, const struct proto_id *id);
/* care_event_counts over all rows. `target`: of the event that it replaces; all zero where that is not held, or nothing of its kind is grave. */
bool work_voids_counts(struct work_voids *voids, const struct proto_event *event, struct care_target target);
void work_voids_settle(struct work_voids *voids);
void work_void_row(const struct proto_id *super, const struct work_void *row, struct work_rows *rows);

#endif
