/*
 * alerts_withdrawn.c - alerts that ended because the event they rested on was withdrawn.
 *
 * What always holds: only what had been open is called withdrawn, by the same
 * rules that would have opened it; an alert that still stands on something else stands.
 */
#include "care/alerts.h"

static int64_t value_at(const struct care_facts *facts, const struct care_withdrawn *row, enum proto_policy policy) {
    return care_facts_value_at(facts, policy, row->stoma, row->at);
}

/* Before the withdrawal the call had been unanswered for long enough, about something that is still open. */
static bool had_to_call_again(const struct care_facts *facts, const struct care_schedule *schedule,
                              const struct care_withdrawn *row) {
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        const struct care_alert *alert = &schedule->alerts[i];
        if (alert->ended_how != CARE_ENDED_NOT || !((uint64_t)row->number >> (alert->alert - 1) & 1) ||
            alert->steps[0].from > row->at)
            continue;
        uint8_t urgency = alert->steps[care_alert_step_at(alert, row->at)].urgency;
        enum proto_policy wait =
            urgency == PROTO_URGENCY_NOW ? PROTO_POLICY_CALL_AGAIN_NOW_MIN : PROTO_POLICY_CALL_AGAIN_TODAY_MIN;
        if (urgency <= PROTO_URGENCY_TODAY &&
            row->fact.at >= row->at + care_facts_span_at_ms(facts, wait, alert->stoma, row->at))
            return true;
    }
    return false;
}

/* The stoma with the device that the voided event had put there. */
static bool placed_against_rule(const struct care_facts *facts, const struct care_withdrawn *row) {
    struct care_stoma with = *care_facts_stoma(facts, row->stoma)->stoma;
    struct care_stoma_facts sf = *care_facts_stoma(facts, row->stoma);
    with.device = row->device;
    sf.stoma = &with;
    return care_placed_against_rule(&sf);
}

static bool was_early(const struct care_facts *facts, const struct care_withdrawn *row) {
    return row->after_seat_ms <= care_facts_span_at_ms(facts, PROTO_POLICY_EARLY_HOURS, row->stoma, row->at);
}

/* True when the alert had been open because of the voided event. */
static bool had_opened(const struct care_facts *facts, const struct care_schedule *schedule,
                       const struct care_withdrawn *row, enum proto_alert alert) {
    const struct care_device *device = &row->device;
    if (row->kind == PROTO_KIND_balloon_checked)
        return care_balloon_rests_on(facts, row->stoma, alert, &row->check);
    switch (alert) {
    case PROTO_ALERT_POSITION_UNSURE:
        return !care_position_confirmed(device, &device->position, value_at(facts, row, PROTO_POLICY_PH_LIMIT));
    case PROTO_ALERT_PLACED_AGAINST_RULE:
        return placed_against_rule(facts, row);
    case PROTO_ALERT_DEVICE_OVERDUE:
        return device->expires_day != 0 && device->expires_day < care_facts_day(facts, row->at);
    case PROTO_ALERT_RECALLED_LOT:
        return care_device_recalled(facts, device, row->fact.at);
    case PROTO_ALERT_TUBE_DISPLACED:
        return row->kind == PROTO_KIND_tube_displaced || row->far_mm >= value_at(facts, row, PROTO_POLICY_DISPLACED_MM);
    case PROTO_ALERT_EARLY_COMPLICATION:
        return was_early(facts, row);
    case PROTO_ALERT_PAIN_OR_BLEEDING:
        return !was_early(facts, row);
    case PROTO_ALERT_FIT_TIGHT:
        return row->number < value_at(facts, row, PROTO_POLICY_GAP_TIGHT_MM);
    case PROTO_ALERT_FIT_LOOSE:
        return row->number > value_at(facts, row, PROTO_POLICY_GAP_LOOSE_MM);
    case PROTO_ALERT_NO_WORD:
        return row->number * 100 >= value_at(facts, row, PROTO_POLICY_NO_WORD_MISSED_VISITS);
    case PROTO_ALERT_CALL_AGAIN:
        return had_to_call_again(facts, schedule, row);
    default:
        return true; /* what the event says is enough */
    }
}

/* First declared wordings of an alert: a withdrawn one is shown by name, and still has to be whole. */
static void first_wordings(enum proto_alert alert, enum care_found *found, enum care_next *next) {
    unsigned f = 0, n = 0;
    while (care_found_alert((enum care_found)f) != alert)
        f++;
    while (care_next_alert((enum care_next)n) != alert)
        n++;
    *found = (enum care_found)f;
    *next = (enum care_next)n;
}

static void plan_row(const struct care_facts *facts, struct care_schedule *schedule, const struct care_withdrawn *row,
                     enum proto_alert alert) {
    enum care_found found;
    enum care_next next;
    struct care_draft draft;
    first_wordings(alert, &found, &next);
    const struct care_fact evidence = {.at = row->fact.at, .id = row->evidence};
    bool of_child = alert == PROTO_ALERT_NO_WORD;
    care_draft_init(&draft, alert, of_child ? 0 : row->stoma, &evidence, found);
    care_draft_step(&draft, row->fact.at, PROTO_URGENCY_NOTE, next);
    care_alert_end_as(facts, schedule, &draft, &row->fact, CARE_ENDED_WITHDRAWN);
}

void care_alerts_withdrawn(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    for (uint32_t i = state->withdrawn_count; i-- > 0;) { /* newest first: one row for each alert */
        const struct care_withdrawn *row = &state->withdrawn[i];
        for (int alert = PROTO_ALERT_NONE + 1; alert < PROTO_ALERT_COUNT; alert++) {
            if ((row->could >> (alert - 1) & 1) && had_opened(facts, schedule, row, (enum proto_alert)alert))
                plan_row(facts, schedule, row, (enum proto_alert)alert);
        }
    }
}
