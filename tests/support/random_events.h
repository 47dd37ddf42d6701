/*
 * random_events.h - seeded histories of one child: every kind, valid as `record` takes them, with what makes order and withdrawal hard.
 *
 * Events are built as a caller would send them, decoded strictly, stamped,
 * encoded and decoded again, so that a test folds what a store would hand it.
 */
#ifndef SUPPORT_RANDOM_EVENTS_H
#define SUPPORT_RANDOM_EVENTS_H

#include "proto/event.h"

struct random_source {
    uint64_t state;
};
uint64_t random_next(struct random_source *source);
uint32_t random_below(struct random_source *source, uint32_t limit); /* 0..limit-1 */
bool random_chance(struct random_source *source, uint32_t percent);
/* A version 7 id of a time. */
struct proto_id random_id(struct random_source *source, int64_t at_ms);

struct random_event {
    uint8_t *bytes; /* canonical */
    size_t size;
};

struct random_history {
    struct proto_event *events; /* decoded from `sent`, in the order they were made */
    struct random_event *sent;
    uint32_t count;
    struct proto_arena *arena;
    struct proto_id patient;
    int64_t first_at, last_at;
};

enum random_flavour {
    RANDOM_PLAUSIBLE = 1, /* begins with a registration, a stoma and a device, and is mostly routine care */
    RANDOM_CONTEXT = 2,   /* policy.adopted and lot.recalled too */
    RANDOM_VOIDS = 4,     /* withdrawals, confirmations, replacements */
    RANDOM_ROUTINE = 8    /* with PLAUSIBLE: almost nothing but routine care, as most children have it */
};

/* Makes `count` events; aborts when memory runs out or the contract refuses what it should take. Free with random_history_deinit. */
void random_history_init(struct random_history *history, uint64_t seed, uint32_t count, unsigned flavour);
void random_history_deinit(struct random_history *history);
/* An order of count things, shuffled. */
void random_shuffle(struct random_source *source, uint32_t *order, uint32_t count);

#endif
