/*
 * edits.h - two edits of one field: the later holds, the earlier stays in the history and is marked as outdone.
 *
 * Edits are registrations and revisions. Each field stands on its own; a child whose records were merged has each field once, save label and
 * date of birth, which each record keeps for itself.
 *
 * What always holds: events are added from the newest to the oldest, and judged before they are added; only those that count are added.
 */
#ifndef SERVE_EDITS_H
#define SERVE_EDITS_H

#include "proto/event.h"
#include "work/patient.h"

struct serve_edit_field { /* what later edits set a field to */
    uint64_t value;       /* a hash */
    bool set, mixed;      /* mixed: to more than one value */
};

struct serve_edits {
    struct serve_edit_field fields[PROTO_BODY_FIELDS_MAX]; /* by PROTO_FIELD_patient_registered_<field> */
    struct {
        struct proto_id id;
        struct serve_edit_field label, born;
    } records[WORK_MERGED_MAX];
    uint32_t record_count;
    bool begun; /* the caller's: all that is newer than the page was added */
};

bool serve_edit_is(uint16_t kind);
/* Fields of the event's own kind, bit by bit, that a later edit set to another value. */
uint32_t serve_edits_judge(const struct serve_edits *edits, const struct proto_event *event);
void serve_edits_add(struct serve_edits *edits, const struct proto_event *event);

#endif
