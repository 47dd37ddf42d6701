/*
 * step.c - care_step: one event into the facts of a child, and the reference fold over a whole history.
 *
 * What always holds: every kind has its row, "nothing" included; the order of
 * events is the caller's (at, rank, id); an unknown kind changes nothing but the count.
 */
#include "care/step.h"
#include "care/void_source.h"

#include <assert.h>
#include <stdlib.h>

static void step_nothing(struct care_state *state, const struct proto_event *event) {
    (void)state;
    (void)event;
}

static const care_step_fn steps[] = {
    [PROTO_KIND_UNKNOWN] = step_nothing,
    [PROTO_KIND_patient_registered] = care_step_registered,
    [PROTO_KIND_patient_revised] = care_step_revised,
    [PROTO_KIND_patient_moved] = care_step_moved,
    [PROTO_KIND_patient_closed] = care_step_closed,
    [PROTO_KIND_patient_reopened] = care_step_reopened,
    [PROTO_KIND_patient_merged] = care_step_merged,
    [PROTO_KIND_stay_started] = care_step_stay_started,
    [PROTO_KIND_stay_ended] = care_step_stay_ended,
    [PROTO_KIND_stoma_formed] = care_step_stoma_formed,
    [PROTO_KIND_stoma_closed] = care_step_stoma_closed,
    [PROTO_KIND_device_placed] = care_step_placed,
    [PROTO_KIND_device_put_back] = care_step_put_back,
    [PROTO_KIND_device_prescribed] = care_step_prescribed,
    [PROTO_KIND_device_removed] = care_step_removed,
    [PROTO_KIND_placement_failed] = care_step_failed,
    [PROTO_KIND_position_confirmed] = care_step_position,
    [PROTO_KIND_tube_out] = care_step_out,
    [PROTO_KIND_tube_displaced] = care_step_displaced,
    [PROTO_KIND_tube_blocked] = care_step_blocked,
    [PROTO_KIND_balloon_checked] = care_step_balloon,
    [PROTO_KIND_site_checked] = care_step_site,
    [PROTO_KIND_finding_accepted] = care_step_finding,
    [PROTO_KIND_care_done] = care_step_care,
    [PROTO_KIND_contact_made] = care_step_contact,
    [PROTO_KIND_hospital_reached] = care_step_hospital,
    [PROTO_KIND_visit_planned] = care_step_visit_planned,
    [PROTO_KIND_visit_missed] = care_step_visit_missed,
    [PROTO_KIND_appointment_booked] = care_step_appointment,
    [PROTO_KIND_carer_trained] = care_step_trained,
    [PROTO_KIND_carer_left] = care_step_left,
    [PROTO_KIND_emergency_plan_set] = care_step_plan,
    [PROTO_KIND_spare_counted] = care_step_spare,
    [PROTO_KIND_supply_counted] = care_step_supply_counted,
    [PROTO_KIND_supply_ordered] = care_step_supply_ordered,
    [PROTO_KIND_feed_prescribed] = care_step_feed,
    [PROTO_KIND_weight_measured] = care_step_weight,
    [PROTO_KIND_plan_set] = care_step_plan_set,
    [PROTO_KIND_task_added] = care_step_task_added,
    [PROTO_KIND_task_done] = care_step_task_done,
    [PROTO_KIND_task_deferred] = care_step_task_deferred,
    [PROTO_KIND_task_given] = care_step_task_given,
    [PROTO_KIND_note_written] = step_nothing,         /* kept and shown, judged by people */
    [PROTO_KIND_event_withdrawn] = step_nothing,      /* its target is left out of the fold; see care_step_withdrawn */
    [PROTO_KIND_withdrawal_confirmed] = step_nothing, /* gives the withdrawal its effect; see voids.c */
    [PROTO_KIND_policy_adopted] = step_nothing,       /* context */
    [PROTO_KIND_patient_erased] = step_nothing,       /* the store removes the child */
    [PROTO_KIND_lot_recalled] = step_nothing,         /* context */
};
static_assert(sizeof steps / sizeof steps[0] == PROTO_KIND_COUNT, "every kind has its step, or an explicit nothing");

void care_state_init(struct care_state *state) {
    memset(state, 0, sizeof *state);
    state->hours_without_feed_max = -1;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        struct care_stoma *stoma = &state->stomas[i];
        stoma->formed_day = stoma->mature_day = stoma->stitches_out_day = INT32_MIN;
        for (int s = 0; s < CARE_SIGN_COUNT; s++)
            stoma->signs[s].after_seat_ms = INT64_MAX;
    }
}

/* Somebody saw or spoke with the child or its carer. */
static bool is_word(const struct proto_event *event) {
    switch (event->kind) {
    case PROTO_KIND_balloon_checked:
    case PROTO_KIND_site_checked:
        return true;
    case PROTO_KIND_contact_made:
        return care_said(PROTO_BODY(event, contact_made, outcome), 0) == PROTO_outcome_answered;
    case PROTO_KIND_care_done: /* the weekly contact */
        return event->has_visit || PROTO_BODY(event, care_done, since)->present;
    case PROTO_KIND_visit_planned:
    case PROTO_KIND_visit_missed:
        return false;
    default:
        return event->has_visit;
    }
}

/* The event with the clock that was farthest off is kept; one that is off by more than the usual limit always gives way to a newer. */
static void note_clock(struct care_state *state, const struct proto_event *event) {
    int64_t signed_off = event->clock_offset_ms < -PROTO_TIME_MAX  ? -PROTO_TIME_MAX
                         : event->clock_offset_ms > PROTO_TIME_MAX ? PROTO_TIME_MAX
                                                                   : event->clock_offset_ms;
    int64_t off = signed_off < 0 ? -signed_off : signed_off;
    int64_t least = proto_policy_get(PROTO_POLICY_CLOCK_DOUBT_MIN)->min * 600;
    int64_t usual = proto_policy_get(PROTO_POLICY_CLOCK_DOUBT_MIN)->fallback * 600;
    int64_t held = state->clock_offset_ms < 0 ? -state->clock_offset_ms : state->clock_offset_ms;
    if (off < least || (care_fact_is(&state->clock_doubt) && off < held && off <= usual))
        return;
    state->clock_doubt = care_step_fact(event);
    state->clock_offset_ms = signed_off;
}

void care_step(struct care_state *state, const struct proto_event *event, const struct proto_event *target) {
    assert(event->kind >= PROTO_KIND_UNKNOWN && event->kind < PROTO_KIND_COUNT);
    if (event->at < PROTO_TIME_MIN || event->at > PROTO_TIME_MAX)
        return; /* no such time can have been recorded */
    if (state->event_count < UINT32_MAX)
        state->event_count++;
    state->last_event = care_step_fact(event);
    note_clock(state, event);
    if (target)
        care_step_withdrawn(state, event, target);
    steps[event->kind](state, event);
    if (event->kind != PROTO_KIND_UNKNOWN)
        care_step_catheter_gone(&state->stomas[proto_event_stoma(event) == PROTO_stoma_second ? 1 : 0], event);
    if (is_word(event)) {
        care_step_past_word(state, event);
        state->last_word = care_step_fact(event);
        state->missed_visits = 0;
    }
    care_step_past_note(state, event);
}

void care_wait_clear(struct care_state *state) {
    state->waiting_count = 0;
    state->waiting = CARE_NEVER;
    state->waiting_written_at = 0;
}

void care_wait(struct care_state *state, const struct proto_event *event) {
    if (event->at < PROTO_TIME_MIN || event->at > PROTO_TIME_MAX)
        return;
    struct care_fact fact = care_step_fact(event);
    if (state->waiting_count == 0 || care_fact_order(&fact, &state->waiting) < 0) {
        bool sound = event->written_at >= PROTO_TIME_MIN && event->written_at <= PROTO_TIME_MAX;
        state->waiting = fact;
        state->waiting_written_at = sound ? event->written_at : event->at;
    }
    if (state->waiting_count < UINT32_MAX)
        state->waiting_count++;
}

static void order_swap(uint32_t *a, uint32_t *b) {
    uint32_t kept = *a;
    *a = *b;
    *b = kept;
}

/* Heap sort: qsort would need the events in a global, and may allocate. */
static void order_sift(const struct proto_event *events, uint32_t *order, uint32_t root, uint32_t count) {
    for (;;) {
        uint32_t child = 2 * root + 1;
        if (child >= count)
            return;
        if (child + 1 < count && proto_event_order(&events[order[child]], &events[order[child + 1]]) < 0)
            child++;
        if (proto_event_order(&events[order[root]], &events[order[child]]) >= 0)
            return;
        order_swap(&order[root], &order[child]);
        root = child;
    }
}

static void order_sort(const struct proto_event *events, uint32_t *order, uint32_t count) {
    for (uint32_t i = 0; i < count; i++)
        order[i] = i;
    for (uint32_t i = count / 2; i > 0; i--)
        order_sift(events, order, i - 1, count);
    for (uint32_t i = count; i > 1; i--) {
        order_swap(&order[0], &order[i - 1]);
        order_sift(events, order, 0, i - 1);
    }
}

static bool ids_same(const struct proto_id *a, const struct proto_id *b) {
    return memcmp(a->bytes, b->bytes, PROTO_ID_BYTES) == 0;
}

static struct care_target target_of(const struct care_void_source *source, const struct proto_event *event) {
    return event->has_replaces ? care_void_source_target(source, &event->replaces) : (struct care_target){0};
}

/* The event that this one voids, when it is held and void indeed. */
static const struct proto_event *fold_target(const struct care_void_source *source, const struct proto_event *event) {
    struct care_void v;
    if (!care_void_from_event(&v, event))
        return NULL;
    for (uint32_t i = 0; i < source->count; i++) {
        const struct proto_event *held = &source->events[i];
        if (ids_same(&held->id, &v.target) && (!v.replacement || held->kind == event->kind) &&
            !care_void_source_counts(source, held, target_of(source, held)))
            return held;
    }
    return NULL;
}

void care_fold(struct care_state *state, const struct proto_event *events, uint32_t count, uint32_t *order,
               int64_t folded_to) {
    struct care_void_source source = {.events = events, .count = count};
    struct care_void unused;
    bool voids = false;
    for (uint32_t i = 0; i < count && !voids; i++)
        voids = care_void_from_event(&unused, &events[i]);
    care_state_init(state);
    state->folded_to = folded_to;
    order_sort(events, order, count);
    for (uint32_t i = 0; i < count; i++) {
        const struct proto_event *event = &events[order[i]];
        if (i > 0 && ids_same(&event->id, &events[order[i - 1]].id))
            continue; /* the same event twice */
        if (voids && !care_void_source_counts(&source, event, target_of(&source, event)))
            continue;
        if (event->at > folded_to)
            care_wait(state, event);
        else
            care_step(state, event, voids ? fold_target(&source, event) : NULL);
    }
}
