/*
 * event.h - one event: decoded, validated, and as canonical bytes.
 *
 * Canonical bytes are made once, by the daemon where the event was written, and
 * travel as opaque bytes from then on:
 *
 *     92                       array of two
 *        8x  content map       what the caller sent, keys in this order, shortest forms, absent left out:
 *                              id kind patient at done_by source visit stoma replaces same_as body
 *        8x  stamps map        by node written_at clock_offset_ms
 *
 * Body keys stand in the order of the kind's table; unknown keys of a newer
 * version follow in the order they came. Amounts: an int when whole, else the
 * nearest float 64 of the decimal. `clock_offset_ms` is left out when it is 0. Two events are the same when their content maps are the same bytes.
 */
#ifndef PROTO_EVENT_H
#define PROTO_EVENT_H

#include "proto/value.h"

struct proto_arena; /* reusable decoding memory, below */

struct proto_event {
    struct proto_id id;
    bool has_id;
    enum proto_kind kind; /* UNKNOWN: of a newer version; body is then empty */
    struct proto_slice kind_name;
    bool has_patient;
    struct proto_id patient;
    int64_t at;              /* ms */
    uint8_t done_by, source; /* enum proto_choice_done_by, _source; 0 not said (source: told is meant) */
    uint8_t stoma;           /* enum proto_choice_stoma; 0 not said (main is meant) */
    bool has_visit, has_replaces, has_same_as;
    struct proto_id visit, replaces, same_as;
    /* stamps; `by` empty when not stamped yet */
    struct proto_slice by;
    struct proto_id node;
    int64_t written_at;                             /* ms, the origin's clock */
    int64_t clock_offset_ms;                        /* origin's clock minus its upstream's, as last measured */
    struct proto_value body[PROTO_BODY_FIELDS_MAX]; /* by PROTO_FIELD_<kind>_<field> */
    struct proto_slice content;                     /* decoded from canonical bytes only: the content map's bytes */
    struct proto_slice raw_body;                    /* of `content`, the body as it came; empty without one */
    bool read_only; /* read from a kept map: encoding it would lose what this version does not know */
};

#define PROTO_BODY(event, k, f) (&(event)->body[PROTO_FIELD_##k##_##f])

/* Stoma an event is about: PROTO_stoma_main when not said. */
static inline int proto_event_stoma(const struct proto_event *e) {
    return e->stoma ? e->stoma : PROTO_stoma_main;
}
/* Place of the event among those at the same instant; unknown kinds are PROTO_RANK_REST. */
enum proto_rank proto_event_rank(const struct proto_event *event);

/* Reusable memory for decoding; not shared between threads. new/free; NULL on no memory. Values decoded with an arena
 * live until the next proto_arena_clear or free, and until the input bytes go. */
struct proto_arena *proto_arena_new(void);
void proto_arena_clear(struct proto_arena *arena);
void proto_arena_free(struct proto_arena *arena);

/* How strict a decode is. RECORD: what a caller may send: every field known, bounded and complete, no stamps.
 * KEPT: what is stored or comes by sync: unknown fields and kinds pass; known fields are read when they are
 * well-formed and ignored (left not present) when not, so that nothing stored can stop a fold; of a list of choices the known
 * ones are read. Of a stoma that this version does not know the kind is UNKNOWN, so that it is not taken for the main one.
 * Refused even then, as no event: no kind, no `at`, ids that are none, a patient against the kind's scope, a known key twice. */
enum proto_strictness { PROTO_STRICT_RECORD, PROTO_STRICT_KEPT };

/* One event as a caller sends it (a msgpack map, `object` is a const msgpack_object *). On success *event is filled; on error it is
 * untouched and *fault says what, with the field's name. Checks: kind, fields, types, bounds, choices, valid UTF-8, no duplicate key,
 * ids canonical, id is a version 7 UUID, patient given where the kind needs it and absent where not, cross-field rules of the kind
 * (balloon.checked: one of withdrawn_ml/stuck, with a volume one of filled_ml/left_empty; device.placed: balloon_ml iff a balloon;
 * plan.set: exactly one of task/policy and off needs until; lot.recalled: gtin or lot; device.prescribed: something prescribed; ...). */
enum proto_error proto_event_decode_map(const void *object, enum proto_strictness strictness, struct proto_event *event,
                                        struct proto_fault *fault) PROTO_MUST_CHECK;

/* Canonical bytes of a stamped event (has_id, by) into out[0..cap): size on success; PROTO_TOO_LARGE when it does not fit. Content
 * that was decoded from canonical bytes is written as the same bytes, but for its id, which is event->id. An event that was read from
 * a map as KEPT must not come here (read_only). */
enum proto_error proto_event_encode(const struct proto_event *event, uint8_t *out, size_t cap,
                                    size_t *size_out) PROTO_MUST_CHECK;

/* Decodes canonical bytes (bounds are checked first). PROTO_CORRUPT when they are not an event at all. */
enum proto_error proto_event_decode(const uint8_t *bytes, size_t size, struct proto_arena *arena,
                                    struct proto_event *event) PROTO_MUST_CHECK;

/* SHA-256 of bytes. */
void proto_hash(const void *bytes, size_t size, uint8_t out[PROTO_HASH_BYTES]);

/* Order of two events of a child: (at, rank, id). <0, 0, >0. */
int proto_event_order(const struct proto_event *a, const struct proto_event *b);

#endif
