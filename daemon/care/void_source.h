/*
 * void_source.h - the voids of a child from either of two places: a list that the caller keeps, or its whole history.
 *
 * Internal to care/. One rule reads both, so that a refold and an incremental fold cannot disagree.
 */
#ifndef CARE_VOID_SOURCE_H
#define CARE_VOID_SOURCE_H

#include "care/care.h"

struct care_void_source {
    const struct care_void *voids;    /* or NULL */
    const struct proto_event *events; /* or NULL: the whole history */
    uint32_t count;
};

/* True when the event counts in the fold. With the whole history at hand the target is looked for there. */
bool care_void_source_counts(const struct care_void_source *source, const struct proto_event *event,
                             struct care_target target);
/* What is held of the event with that id in the source's whole history. */
struct care_target care_void_source_target(const struct care_void_source *source, const struct proto_id *id);

#endif
