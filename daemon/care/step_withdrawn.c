/*
 * step_withdrawn.c - a voided event, as far as alerts could have rested on it, so that they end as "withdrawn" and do not just vanish.
 *
 * What always holds: kept are the alerts that the event could have opened by
 * what it says, and its own numbers beside the facts of that time. Which alerts
 * had been open is judged by policy when planning (alerts_withdrawn.c).
 */
#include "care/step.h"

#define ALERT_BIT(name) (1ull << (PROTO_ALERT_##name - 1))

static bool says(const struct proto_value *value, int64_t n) {
    return value->present && value->n == n;
}

static uint64_t alerts_of_site(const struct proto_event *e) {
    const struct proto_value *discharge = PROTO_BODY(e, site_checked, discharge);
    uint64_t set = 0;
    bool around = says(PROTO_BODY(e, site_checked, leak), PROTO_leak_around);
    bool pain = says(PROTO_BODY(e, site_checked, pain), PROTO_pain_severe) ||
                says(PROTO_BODY(e, site_checked, pain_on_feeding), 1);
    bool blood = says(PROTO_BODY(e, site_checked, bleeding), 1) || says(discharge, PROTO_discharge_blood);
    if (pain || blood)
        set |= ALERT_BIT(PAIN_OR_BLEEDING);
    if (pain || blood || around)
        set |= ALERT_BIT(EARLY_COMPLICATION);
    if (around)
        set |= ALERT_BIT(LEAK_AROUND);
    if (says(PROTO_BODY(e, site_checked, leak), PROTO_leak_through))
        set |= ALERT_BIT(VALVE_LEAK);
    if (says(PROTO_BODY(e, site_checked, redness), PROTO_redness_red) || says(PROTO_BODY(e, site_checked, warm), 1) ||
        says(PROTO_BODY(e, site_checked, pustule), 1) || says(PROTO_BODY(e, site_checked, odour), 1) ||
        says(PROTO_BODY(e, site_checked, spreading), 1) || says(discharge, PROTO_discharge_green) ||
        says(discharge, PROTO_discharge_yellow))
        set |= ALERT_BIT(INFECTION_SIGNS);
    if (says(PROTO_BODY(e, site_checked, overgranulation), 1))
        set |= ALERT_BIT(OVERGRANULATION);
    if (PROTO_BODY(e, site_checked, gap_mm)->present)
        set |= ALERT_BIT(FIT_TIGHT) | ALERT_BIT(FIT_LOOSE);
    if (PROTO_BODY(e, site_checked, outside_mm)->present)
        set |= ALERT_BIT(TUBE_DISPLACED);
    return set;
}

static uint64_t alerts_of_check(const struct proto_event *e) {
    uint64_t set = 0;
    bool empty = PROTO_BODY(e, balloon_checked, left_empty)->present;
    if (PROTO_BODY(e, balloon_checked, withdrawn_ml)->present)
        set |= ALERT_BIT(BALLOON_LOW) | ALERT_BIT(BALLOON_FAILING) | ALERT_BIT(BALLOON_EMPTY);
    if (PROTO_BODY(e, balloon_checked, withdrawn_ml)->present || empty)
        set |= ALERT_BIT(CHECKED_EARLY);
    if (PROTO_BODY(e, balloon_checked, filled_ml)->present || empty)
        set |= ALERT_BIT(UNDERFILLED) | ALERT_BIT(OVERFILLED) | ALERT_BIT(WRONG_FLUID);
    if (PROTO_BODY(e, balloon_checked, look)->present)
        set |= ALERT_BIT(BALLOON_UNCLEAR);
    if (says(PROTO_BODY(e, balloon_checked, stuck), 1))
        set |= ALERT_BIT(BALLOON_STUCK);
    return set;
}

/* Turning says one thing of a device in the stomach and another of one in the jejunum. */
static uint64_t alerts_of_care(const struct care_stoma *stoma, const struct proto_event *e) {
    const struct proto_value *items = PROTO_BODY(e, care_done, items);
    const struct proto_value *rotated = PROTO_BODY(e, care_done, rotated);
    bool turned = rotated->present || (items->present && (items->set & (1ull << (PROTO_care_item_rotate - 1))) != 0);
    if (stoma->device.tip == PROTO_tip_jejunum)
        return turned ? ALERT_BIT(ROTATED_JEJUNAL) : 0;
    return rotated->present && rotated->n != PROTO_rotated_free ? ALERT_BIT(WILL_NOT_ROTATE) : 0;
}

static uint64_t alerts_of_blocked(const struct proto_event *e) {
    const struct proto_value *others = PROTO_BODY(e, tube_blocked, other_tried);
    uint64_t set = says(PROTO_BODY(e, tube_blocked, cleared), 1) ? 0 : ALERT_BIT(BLOCKED);
    return others->present && others->n > 0 ? set | ALERT_BIT(UNSAFE_UNBLOCKING) : set;
}

static uint64_t alerts_of_out(const struct care_state *state, const struct proto_event *e) {
    return ALERT_BIT(TUBE_OUT) |
           (state->hospital.at >= e->at && care_fact_is(&state->hospital) ? ALERT_BIT(NO_DEVICE) : 0);
}

static uint64_t alerts_of(const struct care_state *state, const struct care_stoma *stoma, const struct proto_event *e) {
    switch (e->kind) {
    case PROTO_KIND_tube_out:
        return alerts_of_out(state, e);
    case PROTO_KIND_placement_failed: /* by itself only where nothing else had said that the device was out */
        if (care_fact_is(&stoma->out.first) && !care_fact_is(&stoma->out.ended))
            return 0;
        return ALERT_BIT(TUBE_OUT);
    case PROTO_KIND_device_removed:
        return says(PROTO_BODY(e, device_removed, for_good), 1) ? 0 : alerts_of_out(state, e);
    case PROTO_KIND_device_placed:
        if (says(PROTO_BODY(e, device_placed, purpose), PROTO_purpose_keep_open))
            return ALERT_BIT(NO_DEVICE) | ALERT_BIT(RECALLED_LOT);
        return ALERT_BIT(POSITION_UNSURE) | ALERT_BIT(PLACED_AGAINST_RULE) | ALERT_BIT(DEVICE_OVERDUE) |
               ALERT_BIT(RECALLED_LOT);
    case PROTO_KIND_device_put_back:
        return ALERT_BIT(POSITION_UNSURE) | ALERT_BIT(PLACED_AGAINST_RULE);
    case PROTO_KIND_position_confirmed:
        return ALERT_BIT(POSITION_UNSURE);
    case PROTO_KIND_tube_displaced:
        return ALERT_BIT(TUBE_DISPLACED);
    case PROTO_KIND_tube_blocked:
        return alerts_of_blocked(e);
    case PROTO_KIND_balloon_checked:
        return alerts_of_check(e);
    case PROTO_KIND_site_checked:
        return alerts_of_site(e);
    case PROTO_KIND_care_done:
        return alerts_of_care(stoma, e);
    case PROTO_KIND_contact_made:
        return says(PROTO_BODY(e, contact_made, outcome), PROTO_outcome_no_answer) ? ALERT_BIT(CALL_AGAIN) : 0;
    case PROTO_KIND_visit_missed:
        return ALERT_BIT(NO_WORD);
    default:
        return 0;
    }
}

static void keep_site(const struct care_stoma *stoma, const struct proto_event *e, struct care_withdrawn *row) {
    const struct proto_value *outside = PROTO_BODY(e, site_checked, outside_mm);
    row->after_seat_ms = care_step_after_seat(stoma, e->at);
    row->number = care_said(PROTO_BODY(e, site_checked, gap_mm), 0);
    if (outside->present && stoma->device.outside_given)
        row->far_mm = (int32_t)(outside->n > stoma->device.outside_mm ? outside->n - stoma->device.outside_mm
                                                                      : stoma->device.outside_mm - outside->n);
}

/* The numbers that the plan judges, by the kind of the voided event. */
static void keep_numbers(const struct care_state *state, const struct care_stoma *stoma, const struct proto_event *e,
                         struct care_withdrawn *row) {
    switch (e->kind) {
    case PROTO_KIND_balloon_checked:
        care_step_check_made(stoma, e, &row->check);
        break;
    case PROTO_KIND_site_checked:
        keep_site(stoma, e, row);
        break;
    case PROTO_KIND_device_placed:
        if (says(PROTO_BODY(e, device_placed, purpose), PROTO_purpose_keep_open)) {
            care_step_catheter(e, &row->device);
            break;
        }
        care_step_device_seated(state, e, &row->device);
        break;
    case PROTO_KIND_device_put_back:
        care_step_device_seated(state, e, &row->device);
        break;
    case PROTO_KIND_position_confirmed:
        row->device = stoma->device;
        row->device.position.fact = care_step_fact(e);
        row->device.position.method = care_said_choice(PROTO_BODY(e, position_confirmed, method));
        row->device.position.ph = (int32_t)care_said(PROTO_BODY(e, position_confirmed, ph), 0);
        break;
    case PROTO_KIND_contact_made:
        row->number =
            (int64_t)(PROTO_BODY(e, contact_made, about)->present ? PROTO_BODY(e, contact_made, about)->set : 0);
        break;
    case PROTO_KIND_visit_missed:
        row->number = state->missed_visits + 1;
        break;
    default:
        break;
    }
}

void care_step_withdrawn(struct care_state *state, const struct proto_event *by, const struct proto_event *target) {
    struct care_stoma *stoma = &state->stomas[proto_event_stoma(target) == PROTO_stoma_second ? 1 : 0];
    stoma->touched = true; /* what was a mistake does not make a stoma exist */
    uint64_t could = alerts_of(state, stoma, target);
    if (could == 0)
        return;
    if (state->withdrawn_count == PROTO_FINDINGS_MAX) { /* shown for days only: the oldest goes */
        memmove(&state->withdrawn[0], &state->withdrawn[1], sizeof state->withdrawn[0] * (PROTO_FINDINGS_MAX - 1));
        state->withdrawn_count--;
    }
    struct care_withdrawn *row = &state->withdrawn[state->withdrawn_count++];
    memset(row, 0, sizeof *row);
    row->kind = (uint8_t)target->kind;
    row->stoma = (uint8_t)proto_event_stoma(target);
    row->fact = care_step_fact(by);
    row->evidence = target->id;
    row->at = target->at;
    row->could = could;
    row->after_seat_ms = INT64_MAX;
    keep_numbers(state, stoma, target, row);
}
