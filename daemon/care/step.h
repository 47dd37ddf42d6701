/*
 * step.h - how one event changes a child's facts: the parts of care_step, by the kinds they fold.
 *
 * Internal to care/. What always holds: a part reads the event and the state it
 * is handed, nothing else; a field that is not present changes nothing.
 */
#ifndef CARE_STEP_H
#define CARE_STEP_H

#include "care/care.h"
#include "care/chars.h"
#include "care/facts.h"

typedef void (*care_step_fn)(struct care_state *state, const struct proto_event *event);

/* step_patient.c */
void care_step_registered(struct care_state *state, const struct proto_event *event);
void care_step_revised(struct care_state *state, const struct proto_event *event);
void care_step_moved(struct care_state *state, const struct proto_event *event);
void care_step_closed(struct care_state *state, const struct proto_event *event);
void care_step_reopened(struct care_state *state, const struct proto_event *event);
void care_step_merged(struct care_state *state, const struct proto_event *event);
void care_step_stay_started(struct care_state *state, const struct proto_event *event);
void care_step_stay_ended(struct care_state *state, const struct proto_event *event);
void care_step_visit_planned(struct care_state *state, const struct proto_event *event);
void care_step_visit_missed(struct care_state *state, const struct proto_event *event);
void care_step_feed(struct care_state *state, const struct proto_event *event);
void care_step_weight(struct care_state *state, const struct proto_event *event);
/* step_device.c */
void care_step_stoma_formed(struct care_state *state, const struct proto_event *event);
void care_step_stoma_closed(struct care_state *state, const struct proto_event *event);
void care_step_placed(struct care_state *state, const struct proto_event *event);
void care_step_put_back(struct care_state *state, const struct proto_event *event);
void care_step_prescribed(struct care_state *state, const struct proto_event *event);
void care_step_removed(struct care_state *state, const struct proto_event *event);
void care_step_position(struct care_state *state, const struct proto_event *event);
/* step_out.c */
void care_step_failed(struct care_state *state, const struct proto_event *event);
void care_step_out(struct care_state *state, const struct proto_event *event);
void care_step_displaced(struct care_state *state, const struct proto_event *event);
void care_step_blocked(struct care_state *state, const struct proto_event *event);
void care_step_hospital(struct care_state *state, const struct proto_event *event);
/* step_check.c */
void care_step_balloon(struct care_state *state, const struct proto_event *event);
void care_step_site(struct care_state *state, const struct proto_event *event);
void care_step_care(struct care_state *state, const struct proto_event *event);
/* step_people.c */
void care_step_finding(struct care_state *state, const struct proto_event *event);
void care_step_contact(struct care_state *state, const struct proto_event *event);
void care_step_appointment(struct care_state *state, const struct proto_event *event);
void care_step_trained(struct care_state *state, const struct proto_event *event);
void care_step_left(struct care_state *state, const struct proto_event *event);
void care_step_plan(struct care_state *state, const struct proto_event *event);
void care_step_spare(struct care_state *state, const struct proto_event *event);
void care_step_supply_counted(struct care_state *state, const struct proto_event *event);
void care_step_supply_ordered(struct care_state *state, const struct proto_event *event);
/* step_plan.c */
void care_step_plan_set(struct care_state *state, const struct proto_event *event);
void care_step_task_added(struct care_state *state, const struct proto_event *event);
void care_step_task_done(struct care_state *state, const struct proto_event *event);
void care_step_task_deferred(struct care_state *state, const struct proto_event *event);
void care_step_task_given(struct care_state *state, const struct proto_event *event);
/* step_withdrawn.c: the alerts that a voided event could have opened, remembered so that they end visibly. */
void care_step_withdrawn(struct care_state *state, const struct proto_event *by, const struct proto_event *target);

/* An occurrence of a task is over: its deferrals go. `name`: of an added task, else empty. stoma 0: whatever stoma. */
void care_step_completed(struct care_state *state, enum proto_task task, int stoma, const char *name);
/* The outside length was measured: kept when it is farther from where the device was placed than any before. */
void care_step_outside(struct care_stoma *stoma, const struct proto_event *event, int32_t outside_mm);
/* step_anew.c: a stoma formed where one was closed; what was said since the closing stays. */
void care_step_stoma_anew(struct care_stoma *stoma);
/* step_rolling.c: room for one more in a full list of the last few; a row on which an alert may still rest does not give way. */
void care_step_make_room_for_check(struct care_stoma *stoma);
void care_step_make_room_for_gap(struct care_measures *gaps);
void care_step_make_room_for_contact(struct care_state *state);
/* step_past.c: what has just ended, as it was before. */
/* The device in place, or the last one, gives way to the one that the event places. */
void care_step_past_device(struct care_stoma *stoma, const struct proto_event *placed);
/* A word from the family, before it is noted: was there a silence? */
void care_step_past_word(struct care_state *state, const struct proto_event *word);
/* After each event: first dates and plans; what nobody would be shown any more is let go. */
void care_step_past_note(struct care_state *state, const struct proto_event *event);
/* The device as it would lie in the stoma after device.placed or device.put-back; the state stays as it is. */
void care_step_device_seated(const struct care_state *state, const struct proto_event *event, struct care_device *out);
/* A keep-open catheter as its device.placed describes it; *out is zeroed by the caller. */
void care_step_catheter(const struct proto_event *event, struct care_device *out);
/* After each event: notes when the catheter that kept the stoma open went with it. */
void care_step_catheter_gone(struct care_stoma *stoma, const struct proto_event *event);
/* A balloon check as it would be kept: with what was prescribed, and what was in the balloon before it. */
void care_step_check_made(const struct care_stoma *stoma, const struct proto_event *event, struct care_check *out);
/* Time from the newest formation, placement or put-back before `at`; INT64_MAX: none known. */
int64_t care_step_after_seat(const struct care_stoma *stoma, int64_t at);
/* A dislodgement begins, or is reported again. True when it begins. */
bool care_step_dislodged(struct care_stoma *stoma, const struct proto_event *event, int64_t out_from);

static inline struct care_fact care_step_fact(const struct proto_event *event) {
    return (struct care_fact){event->at, event->id};
}
/* The stoma that the event is about. Whatever is said about a stoma, there is one - unless it was closed before. */
static inline struct care_stoma *care_step_stoma(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = &state->stomas[proto_event_stoma(event) == PROTO_stoma_second ? 1 : 0];
    stoma->touched = true;
    stoma->exists = !care_fact_is(&stoma->closed);
    return stoma;
}
/* A device is in the stoma, or has come out of it: closed it is not, or not any more. */
static inline void care_step_reopen(struct care_stoma *stoma) {
    stoma->exists = true;
    stoma->closed = (struct care_fact){0};
}
static inline int64_t care_said(const struct proto_value *value, int64_t otherwise) {
    return value->present ? value->n : otherwise;
}
static inline uint8_t care_said_choice(const struct proto_value *value) {
    return value->present ? (uint8_t)value->n : 0;
}
/* 0 not said, 1 no, 2 yes */
static inline uint8_t care_said_bool(const struct proto_value *value) {
    return value->present ? (uint8_t)(value->n ? 2 : 1) : 0;
}
static inline bool care_said_yes(const struct proto_value *value) {
    return value->present && value->n != 0;
}
#define CARE_NEVER ((struct care_fact){0})

#endif
