/*
 * subject.h - one child's share of the indexes: tasks, alerts, labels, identifiers, births, lots, devices, levels, counters.
 *
 * What always holds: a pure function of what is handed in; the keys are those of store/tables.h.
 */
#ifndef WORK_SUBJECT_H
#define WORK_SUBJECT_H

#include "care/care.h"
#include "work/rowset.h"

struct work_subject {
    struct proto_id root, shown;
    uint32_t team; /* number of schedule->team */
    const struct care_state *state;
    const struct care_schedule *schedule;
};

void work_subject_rows(const struct work_subject *subject, struct work_rows *rows);

#endif
