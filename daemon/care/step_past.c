/*
 * step_past.c - what has just ended, as it was before: the device that was replaced, the silence that a word broke, first dates and plans.
 *
 * Alerts are planned from what is known now. One that ended because the facts
 * under it were replaced would be gone without a trace; these are the facts it
 * rested on. What always holds: no judgement, and nothing is kept longer than any policy would show it.
 */
#include "care/step.h"

/* A device is on record, or something was said about one that is not. */
static bool has_past(const struct care_stoma *stoma) {
    return care_fact_is(&stoma->device.placed) || stoma->check_count > 0 || stoma->gaps.count > 0 ||
           care_fact_is(&stoma->displaced) || care_fact_is(&stoma->blocked) || care_fact_is(&stoma->rotated_fact) ||
           care_fact_is(&stoma->rotated_jejunal) || care_fact_is(&stoma->valve_leak);
}

void care_step_past_device(struct care_stoma *stoma, const struct proto_event *placed) {
    struct care_past *past = &stoma->past;
    if (!has_past(stoma))
        return;
    bool gone = stoma->device_state != CARE_DEVICE_IN && care_fact_is(&stoma->device_gone);
    memset(past, 0, sizeof *past);
    past->gone = gone ? stoma->device_gone : care_step_fact(placed);
    past->device = stoma->device;
    past->check_count = stoma->check_count;
    memcpy(past->checks, stoma->checks, sizeof past->checks);
    past->displaced = stoma->displaced;
    past->displaced_first = stoma->displaced_first;
    past->displaced_settled = stoma->displaced_settled;
    past->outside_worst = stoma->outside_worst;
    past->displaced_outside_mm = stoma->displaced_outside_mm;
    past->displaced_said = stoma->displaced_said;
    past->gaps = stoma->gaps;
    past->blocked_first = stoma->blocked_first;
    past->blocked = stoma->blocked;
    past->blocked_settled = stoma->blocked_settled;
    past->rotated = stoma->rotated;
    past->rotated_fact = stoma->rotated_fact;
    past->rotated_bad_first = stoma->rotated_bad_first;
    past->rotated_settled = stoma->rotated_settled;
    past->rotated_jejunal = stoma->rotated_jejunal;
    past->rotated_jejunal_settled = stoma->rotated_jejunal_settled;
    past->valve_leak_first = stoma->valve_leak_first;
    past->valve_leak = stoma->valve_leak;
    past->against_contact = stoma->against_contact;
}

/* A silence worth keeping: at least as long as the shortest that a policy may ask about, or with a missed visit. A child in hospital is not silent. */
void care_step_past_word(struct care_state *state, const struct proto_event *word) {
    const struct care_fact *from = &state->registered;
    const struct care_fact *later[] = {&state->reopened, &state->stay.ended, &state->last_word};
    for (size_t i = 0; i < sizeof later / sizeof later[0]; i++) {
        if (care_fact_order(from, later[i]) < 0)
            from = later[i];
    }
    bool in_hospital = care_fact_is(&state->stay.started) && !care_fact_is(&state->stay.ended);
    int64_t least_ms = proto_policy_get(PROTO_POLICY_NO_WORD_DAYS)->min * (PROTO_DAY_MS / 100);
    if (in_hospital || !care_fact_is(from) || (word->at - from->at < least_ms && state->missed_visits == 0))
        return;
    state->silence.from = *from;
    state->silence.to = care_step_fact(word);
    state->silence.missed = state->missed_visits;
    state->silence.missed_last = state->missed_visits ? state->missed_last : CARE_NEVER;
}

static void note_date(struct care_stoma *stoma, const struct proto_event *event) {
    bool dated =
        care_fact_is(&stoma->formed) && stoma->formed_day != INT32_MIN && stoma->precision != PROTO_precision_unknown;
    if (!stoma->exists)
        return;
    if (!dated && !care_fact_is(&stoma->undated))
        stoma->undated = care_step_fact(event);
    if (dated && care_fact_is(&stoma->undated) && !care_fact_is(&stoma->dated))
        stoma->dated = care_step_fact(event);
}

void care_step_past_note(struct care_state *state, const struct proto_event *event) {
    int64_t longest_ms = proto_policy_get(PROTO_POLICY_ENDED_DAYS)->max * (PROTO_DAY_MS / 100);
    if (!care_fact_is(&state->plan_first))
        state->plan_first = state->plan;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        struct care_stoma *stoma = &state->stomas[i];
        note_date(stoma, event);
        const struct care_fact *next = &stoma->device.placed; /* what was said after it was gone ends with the next */
        int64_t ended_at = next->at > stoma->past.gone.at ? next->at : stoma->past.gone.at;
        if (care_fact_is(&stoma->past.gone) && event->at - ended_at >= longest_ms)
            memset(&stoma->past, 0, sizeof stoma->past);
        if (care_fact_is(&stoma->catheter_gone) && event->at - stoma->catheter_gone.at >= longest_ms) {
            memset(&stoma->catheter, 0, sizeof stoma->catheter);
            stoma->catheter_gone = CARE_NEVER;
        }
    }
}
