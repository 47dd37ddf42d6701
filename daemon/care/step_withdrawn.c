/*
 * step_withdrawn.c - what a voided event could have opened, so that an alert which rested on it ends as "withdrawn" and does not just vanish.
 *
 * What always holds: judged by what the event says and by the careful end of
 * every bound; whether the alert still stands on something else is judged when planning.
 */
#include "care/step.h"

#define ALERT_BIT(name) (1ull << (PROTO_ALERT_##name - 1))

static bool says(const struct proto_value *value, int64_t n) {
    return value->present && value->n == n;
}

static uint64_t alerts_of_site(const struct proto_event *e) {
    const struct proto_value *gap = PROTO_BODY(e, site_checked, gap_mm);
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
        says(discharge, PROTO_discharge_green) || says(discharge, PROTO_discharge_yellow))
        set |= ALERT_BIT(INFECTION_SIGNS);
    if (says(PROTO_BODY(e, site_checked, overgranulation), 1))
        set |= ALERT_BIT(OVERGRANULATION);
    if (gap->present && gap->n < proto_policy_get(PROTO_POLICY_GAP_TIGHT_MM)->fallback)
        set |= ALERT_BIT(FIT_TIGHT);
    if (gap->present && gap->n > proto_policy_get(PROTO_POLICY_GAP_LOOSE_MM)->fallback)
        set |= ALERT_BIT(FIT_LOOSE);
    if (PROTO_BODY(e, site_checked, outside_mm)->present)
        set |= ALERT_BIT(TUBE_DISPLACED);
    return set;
}

static uint64_t alerts_of_check(const struct proto_event *e) {
    const struct proto_value *withdrawn = PROTO_BODY(e, balloon_checked, withdrawn_ml);
    const struct proto_value *filled = PROTO_BODY(e, balloon_checked, filled_ml);
    const struct proto_value *fluid = PROTO_BODY(e, balloon_checked, fluid);
    uint64_t set = 0;
    if (withdrawn->present && (!filled->present || withdrawn->n < filled->n))
        set |= ALERT_BIT(BALLOON_LOW) | ALERT_BIT(BALLOON_FAILING) | ALERT_BIT(BALLOON_EMPTY);
    if (withdrawn->present)
        set |= ALERT_BIT(UNDERFILLED) | ALERT_BIT(OVERFILLED) | ALERT_BIT(CHECKED_EARLY);
    if (PROTO_BODY(e, balloon_checked, look)->present && !says(PROTO_BODY(e, balloon_checked, look), PROTO_look_clear))
        set |= ALERT_BIT(BALLOON_UNCLEAR);
    if (says(PROTO_BODY(e, balloon_checked, stuck), 1))
        set |= ALERT_BIT(BALLOON_STUCK);
    if (fluid->present && fluid->n > PROTO_fluid_cooled_boiled_water)
        set |= ALERT_BIT(WRONG_FLUID);
    return set;
}

static uint64_t alerts_of_care(const struct proto_event *e) {
    const struct proto_value *items = PROTO_BODY(e, care_done, items);
    const struct proto_value *rotated = PROTO_BODY(e, care_done, rotated);
    uint64_t set = 0;
    if (rotated->present && rotated->n != PROTO_rotated_free)
        set |= ALERT_BIT(WILL_NOT_ROTATE);
    if (rotated->present || (items->present && (items->set & (1ull << (PROTO_care_item_rotate - 1)))))
        set |= ALERT_BIT(ROTATED_JEJUNAL);
    return set;
}

static uint64_t alerts_of(const struct proto_event *e) {
    switch (e->kind) {
    case PROTO_KIND_tube_out:
        return ALERT_BIT(TUBE_OUT) | ALERT_BIT(NO_DEVICE);
    case PROTO_KIND_device_removed:
        return says(PROTO_BODY(e, device_removed, for_good), 1) ? 0 : ALERT_BIT(TUBE_OUT) | ALERT_BIT(NO_DEVICE);
    case PROTO_KIND_device_placed:
        return ALERT_BIT(POSITION_UNSURE) | ALERT_BIT(PLACED_AGAINST_RULE) | ALERT_BIT(DEVICE_OVERDUE) |
               ALERT_BIT(RECALLED_LOT);
    case PROTO_KIND_device_put_back:
        return ALERT_BIT(POSITION_UNSURE) | ALERT_BIT(PLACED_AGAINST_RULE);
    case PROTO_KIND_position_confirmed:
        return ALERT_BIT(POSITION_UNSURE);
    case PROTO_KIND_tube_displaced:
        return ALERT_BIT(TUBE_DISPLACED);
    case PROTO_KIND_tube_blocked: {
        const struct proto_value *others = PROTO_BODY(e, tube_blocked, other_tried);
        uint64_t set = says(PROTO_BODY(e, tube_blocked, cleared), 1) ? 0 : ALERT_BIT(BLOCKED);
        return others->present && others->n > 0 ? set | ALERT_BIT(UNSAFE_UNBLOCKING) : set;
    }
    case PROTO_KIND_balloon_checked:
        return alerts_of_check(e);
    case PROTO_KIND_site_checked:
        return alerts_of_site(e);
    case PROTO_KIND_care_done:
        return alerts_of_care(e);
    case PROTO_KIND_contact_made:
        return says(PROTO_BODY(e, contact_made, outcome), PROTO_outcome_no_answer) ? ALERT_BIT(CALL_AGAIN) : 0;
    case PROTO_KIND_visit_missed:
        return ALERT_BIT(NO_WORD);
    default:
        return 0;
    }
}

void care_step_withdrawn(struct care_state *state, const struct proto_event *by, const struct proto_event *target) {
    uint64_t set = alerts_of(target);
    for (int alert = 1; alert < PROTO_ALERT_COUNT; alert++) {
        if (!(set & (1ull << (alert - 1))))
            continue;
        if (state->withdrawn_count == PROTO_FINDINGS_MAX) { /* shown for days only: the oldest goes */
            memmove(&state->withdrawn[0], &state->withdrawn[1], sizeof state->withdrawn[0] * (PROTO_FINDINGS_MAX - 1));
            state->withdrawn_count--;
        }
        struct care_withdrawn *row = &state->withdrawn[state->withdrawn_count++];
        memset(row, 0, sizeof *row);
        row->alert = (uint8_t)alert;
        row->stoma = (uint8_t)proto_event_stoma(target);
        row->fact = care_step_fact(by);
        row->evidence = target->id;
    }
}
