/*
 * care.h - the rules: events -> state -> schedule -> status at a moment. The room's public face.
 *
 * Three pure functions. care_step folds one event into a bounded state of raw
 * facts (no policy, no zones). care_plan judges all facts by the policy and
 * recalls in force and gives a schedule free of time. care_view says what holds
 * at a moment. The same events in the same order give the same bytes, on every node.
 *
 * What always holds: no I/O, no clock, no allocation, no globals but constants;
 * every list is bounded (proto/limits.h), the first N in order are kept and an
 * overflow is marked. Amounts in hundredths, times in ms, dates in days, as proto/ has them.
 * Supports and does not replace clinical judgement: every text defers to the
 * child's prescribed plan, local policy and licensed practice.
 */
#ifndef CARE_CARE_H
#define CARE_CARE_H

#include "care/schedule.h"
#include "care/state.h"
#include "care/zone.h"
#include "proto/writer.h"

#define CARE_RULES_VERSION                                                                                             \
    3 /* raised whenever the same events may give another state or schedule: stores are then refolded */

/* --- context: what judges the facts ------------------------------------------------------ */

/* Policy values in force for one team. value[] in hundredths, by enum proto_policy; who[] says which adoption each came from (zero id: default). */
struct care_policy {
    int64_t value[PROTO_POLICY_COUNT];
    struct proto_id adopted_by[PROTO_POLICY_COUNT];
};
void care_policy_init(struct care_policy *policy);
/* Lays one policy.adopted event over a team's values; apply in order (at, id), all-team events before the team's own (a team's value beats one for
 * all teams, whatever their dates). Values out of the table's bounds and unknown names are passed over. */
void care_policy_apply(struct care_policy *policy, const struct proto_event *adopted);

struct care_recall {
    struct proto_id id;
    int64_t at;
    char gtin[16], lot[44], notice[64],
        action[PROTO_TEXT_LINE_MAX + 4]; /* NUL-terminated, cut at a character; empty: not given */
    uint8_t urgency;                     /* enum proto_urgency */
};
void care_recall_from_event(struct care_recall *recall, const struct proto_event *recalled);

struct care_context {
    const struct care_policy *policy;  /* of the child's team */
    const struct care_recall *recalls; /* in force, in order (at, id) */
    uint32_t recall_count;
    const struct care_zones *zones;
};

/* --- which events count ------------------------------------------------------------------ */

/* What voids an event: an event.withdrawn, or an event of the same kind whose `replaces` names it. Monotone: what is voided stays voided; a
 * withdrawal cannot itself be withdrawn. Of competing replacements of one target that are not voided themselves the last in order counts; of
 * replacements that name each other in a ring the last in order stands. A withdrawal whose target is grave (care_event_grave), and a replacement
 * that leaves out something grave, wait, without effect, until a withdrawal.confirmed by another account names them. */
struct care_void {
    struct proto_id target, by_event;
    int64_t at;   /* of the voiding event */
    uint8_t rank; /* enum proto_rank of the voiding event */
    uint8_t kind; /* enum proto_kind of the voiding event */
    bool replacement;
    bool confirmed; /* a withdrawal.confirmed by a second account is held */
    uint8_t grave;  /* care_event_grave of the voiding event (a replacement can be a target itself) */
};
/* What must be known of the event that a replacement names; all zero: it is not held. */
struct care_target {
    uint8_t kind;  /* enum proto_kind */
    uint8_t grave; /* care_event_grave */
};
struct care_target care_target_of(const struct proto_event *event);
/* The void that an event makes: false when it voids nothing. `confirmed` is the caller's to set. */
bool care_void_from_event(struct care_void *out, const struct proto_event *event);
/* True when the event counts in the fold, given all voids of its child (any order). `target`: of the event that it replaces, where that is held and of
 * the same child; all zero otherwise. */
bool care_event_counts(const struct proto_event *event, struct care_target target, const struct care_void *voids,
                       uint32_t count);
/* True when the replacement waits for a second person: it does not count, and what it names does. */
bool care_event_waits(const struct proto_event *event, struct care_target target, const struct care_void *voids,
                      uint32_t count);
/* What the event says on which a `now` alert can rest (independent of policy: the careful end of every bound), as a set of enum care_grave; 0: nothing. */
enum care_grave {
    CARE_GRAVE_KIND = 1, /* what makes events of its kind grave, for kinds with one such thing */
    CARE_GRAVE_PAIN = 2,
    CARE_GRAVE_BLOOD = 4,
    CARE_GRAVE_LEAK = 8,
    CARE_GRAVE_SKIN = 16, /* signs of infection */
    CARE_GRAVE_FEVER = 32,
    CARE_GRAVE_SPREADING = 64
};
uint8_t care_event_grave(const struct proto_event *event);

/* --- step, plan, view -------------------------------------------------------------------- */

void care_state_init(struct care_state *state);
/* Folds one event that counts, in the order (at, rank, id). `target`: for event.withdrawn and replacements the event that they void, when it is held
 * and void indeed (a withdrawal that still waits for its second person voids nothing), else NULL; it feeds `ended: withdrawn`. Unknown kinds change nothing. The caller folds only events with at <= folded_to. */
void care_step(struct care_state *state, const struct proto_event *event, const struct proto_event *target);
/* An event dated after folded_to waits outside the fold, visibly. Once folded_to has moved the caller calls care_wait_clear and then care_wait for
 * each that still waits. */
void care_wait_clear(struct care_state *state);
void care_wait(struct care_state *state, const struct proto_event *event);
/* Reference fold over a whole history (any order; sorts an index array of the caller's: order[count]). For tests, verify and small refolds. */
void care_fold(struct care_state *state, const struct proto_event *events, uint32_t count, uint32_t *order,
               int64_t folded_to);

void care_plan(const struct care_state *state, const struct care_context *context, struct care_schedule *schedule);
/* Devices that a recall can still be about, in what is shown as ended, though they are not those on record in the stomas: the one before, the catheter
 * that kept the stoma open until then, and those whose placement was voided. *place begins at 0; false at the end. The device stays the state's; stoma_out is an enum proto_choice_stoma. No
 * policy can make care_plan compare a recall with a device that is neither among these nor on record, nor with anything else but the spares. */
bool care_old_device_next(const struct care_state *state, uint32_t *place, const struct care_device **device_out,
                          int *stoma_out);
/* False when a task.deferred goes past the limits of its task in this state (it is then refused in `record`, and ignored in the fold). */
bool care_defer_allowed(const struct care_state *state, const struct care_context *context,
                        const struct proto_event *deferred);

/* What holds at `now`: level, and for each task and alert of the schedule its state then. */
struct care_view {
    uint8_t level;                                  /* enum proto_level */
    uint8_t task_state[PROTO_SCHEDULE_TASKS_MAX];   /* enum care_task_state; NONE: hidden */
    uint8_t alert_step[PROTO_SCHEDULE_ALERTS_MAX];  /* 1 + index of the step that holds; 0: not open now */
    uint8_t alert_ended[PROTO_SCHEDULE_ALERTS_MAX]; /* 1: in `ended` now */
};
void care_view(const struct care_schedule *schedule, int64_t now, struct care_view *view);
/* The next moment after `after` at which any answer of care_view changes, or INT64_MAX. */
int64_t care_next_crossing(const struct care_schedule *schedule, int64_t after);

/* --- bytes: versioned, big-endian, documented in hex beside the codec, golden files in tests ------ */

enum proto_error care_state_encode(const struct care_state *state, uint8_t *out, size_t cap,
                                   size_t *size_out) PROTO_MUST_CHECK;
enum proto_error care_state_decode(const uint8_t *bytes, size_t size,
                                   struct care_state *state) PROTO_MUST_CHECK; /* CORRUPT, NEWER */
enum proto_error care_schedule_encode(const struct care_schedule *schedule, uint8_t *out, size_t cap,
                                      size_t *size_out) PROTO_MUST_CHECK;
enum proto_error care_schedule_decode(const uint8_t *bytes, size_t size,
                                      struct care_schedule *schedule) PROTO_MUST_CHECK;
/* One alert by itself, for the covering index of alerts. */
enum proto_error care_alert_encode(const struct care_alert *alert, uint8_t *out, size_t cap,
                                   size_t *size_out) PROTO_MUST_CHECK;
enum proto_error care_alert_decode(const uint8_t *bytes, size_t size, struct care_alert *alert) PROTO_MUST_CHECK;

/* --- text and maps ------------------------------------------------------------------------ */

/* The status map of design 3 for one child. `patient`: the id the child is shown under. */
void care_render_status(struct proto_writer *w, const struct proto_id *patient, const struct care_state *state,
                        const struct care_schedule *schedule, const struct care_context *context, int64_t now);
/* One alert map {name, stoma, urgency, since, deadline?, aim?, found, next_step, call?, rule, basis, evidence, answered_at?}, at the step that holds at
 * `now`; `extra` more pairs follow from the caller (patient, label, team). Needs nothing but the alert. */
void care_render_alert(struct proto_writer *w, const struct care_alert *alert, int64_t now, uint32_t extra);
/* One plain line about a task ("last check 7 Mar, 4.5 of 5 mL came out"), free of time. NUL-terminated. */
void care_task_detail(const struct care_state *state, const struct care_task *task, char out[PROTO_TEXT_LINE_MAX + 1]);
/* The standing caution every page with a next step shows. */
const char *care_caution(void);

#endif
