/*
 * event.h - what work/ needs of an event without decoding it again: ids, order, what it names.
 *
 * What always holds: it points into canonical bytes that somebody else keeps.
 */
#ifndef WORK_EVENT_H
#define WORK_EVENT_H

#include "proto/event.h"
#include "work/bytes.h"

#include <assert.h>

/* Place in a child's order: at | rank | id, as the keys of history and checkpoints have it. All zero: before everything. */
#define WORK_PLACE_BYTES 25
struct work_place {
    uint8_t bytes[WORK_PLACE_BYTES];
};
static inline int work_place_compare(const struct work_place *a, const struct work_place *b) {
    assert(a && b);
    return memcmp(a->bytes, b->bytes, WORK_PLACE_BYTES);
}
struct work_place work_place_of(int64_t at, uint8_t rank, const struct proto_id *id);
int64_t work_place_at(const struct work_place *place);
/* After every event at or before `at`. */
struct work_place work_place_after(int64_t at);

struct work_call;

struct work_event {
    uint64_t seq;
    int64_t received_at;
    struct proto_id id, patient, replaces, same_as;
    struct proto_id target; /* event.withdrawn: the event; withdrawal.confirmed: the withdrawal; patient.merged: into */
    int64_t at;
    struct work_place place;
    const uint8_t *bytes; /* canonical */
    uint32_t size;
    struct work_call *call; /* whom it came with; NULL: nobody waits */
    uint16_t kind;          /* enum proto_kind */
    uint8_t rank, stoma;
    bool has_patient, has_replaces, has_same_as, has_target;
    char team[44]; /* registered, moved: the team; else empty */
};

/* Reads what is needed of a decoded event; seq, received_at and bytes are the caller's to set. */
void work_event_from(struct work_event *out, const struct proto_event *event);
/* Decodes canonical bytes into *event (arena is cleared first) and reads it. CORRUPT. */
enum proto_error work_event_load(struct store_bytes bytes, struct proto_arena *arena, struct proto_event *event,
                                 struct work_event *out) PROTO_MUST_CHECK;
/* True for what can void, confirm or be an edge between records, whatever order it comes in. */
bool work_event_voids(const struct work_event *event);
/* Policy and recalls: what judges children and belongs to none. */
static inline bool work_event_is_context(const struct work_event *event) {
    return event->kind == PROTO_KIND_policy_adopted || event->kind == PROTO_KIND_lot_recalled;
}
/* Belongs to nobody's history and everybody's feed: context, an erasure, what names no child at all. */
static inline bool work_event_is_common(const struct work_event *event) {
    return !event->has_patient || work_event_is_context(event) || event->kind == PROTO_KIND_patient_erased;
}
/* The record that sync counts the event to; zero for a common one. */
static inline struct proto_id work_event_record(const struct work_event *event) {
    static const struct proto_id nobody;
    return work_event_is_common(event) ? nobody : event->patient;
}
/* Sorts pointers by place. */
void work_events_sort(struct work_event **list, uint32_t count);

#endif
