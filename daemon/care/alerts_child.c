/*
 * alerts_child.c - what is missing around the child: records, trained carers, word, a sure clock.
 *
 * What always holds: what opens by time alone has its date in the step; during a hospital stay the routine ones are not planned.
 */
#include "care/alerts.h"

static const struct care_fact *later(const struct care_fact *a, const struct care_fact *b) {
    return care_fact_order(a, b) < 0 ? b : a;
}

/* --- records that are missing ------------------------------------------------------------------------ */

static void plan_stoma_date(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    if (sf->exists && sf->formed_day != INT32_MIN && care_fact_is(&sf->stoma->dated)) {
        struct care_draft draft;
        care_draft_init(&draft, PROTO_ALERT_STOMA_DATE_MISSING, stoma, &sf->stoma->undated,
                        CARE_FOUND_STOMA_DATE_MISSING_UNKNOWN);
        care_draft_step(&draft, sf->stoma->undated.at, PROTO_URGENCY_SOON, CARE_NEXT_STOMA_DATE_MISSING_ASK);
        care_alert_end(facts, schedule, &draft, &sf->stoma->dated);
    }
    if (!sf->exists || sf->formed_day != INT32_MIN)
        return;
    const struct care_fact *since = care_fact_is(&sf->stoma->formed) ? &sf->stoma->formed : &sf->stoma->device.placed;
    if (!care_fact_is(since))
        since = care_fact_is(&sf->stoma->out.first) ? &sf->stoma->out.first : &facts->state->registered;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_STOMA_DATE_MISSING, stoma, since, CARE_FOUND_STOMA_DATE_MISSING_UNKNOWN);
    care_draft_step(&draft, since->at, PROTO_URGENCY_SOON, CARE_NEXT_STOMA_DATE_MISSING_ASK);
    care_alert_open(facts, schedule, &draft);
}

static bool has_stoma(const struct care_facts *facts) {
    return facts->stomas[0].exists || facts->stomas[1].exists;
}

/* Since when the child has a stoma that a plan is needed for: the earliest event that anybody recorded about one. */
static struct care_fact stoma_since(const struct care_facts *facts) {
    struct care_fact since = {0};
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        const struct care_stoma *s = facts->stomas[i].stoma;
        const struct care_fact *known[] = {&s->formed, &s->device.placed, &s->past.device.placed, &s->out.first};
        for (size_t k = 0; facts->stomas[i].exists && k < sizeof known / sizeof known[0]; k++) {
            if (care_fact_is(known[k]) && (!care_fact_is(&since) || care_fact_order(known[k], &since) < 0))
                since = *known[k];
        }
    }
    return care_fact_order(&since, &facts->state->registered) < 0 ? facts->state->registered : since;
}

static void plan_emergency_plan(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (!has_stoma(facts))
        return;
    const struct care_fact since = stoma_since(facts);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_EMERGENCY_PLAN_MISSING, 0, &since, CARE_FOUND_EMERGENCY_PLAN_MISSING_NONE);
    care_draft_step(&draft, since.at, PROTO_URGENCY_SOON, CARE_NEXT_EMERGENCY_PLAN_MISSING_ASK);
    bool planned = care_fact_is(&state->plan) || (!facts->stomas[0].exists && care_fact_is(&state->second_plan.fact));
    if (!planned)
        care_alert_open(facts, schedule, &draft);
    else if (care_fact_is(&state->plan_first) && state->plan_first.at > since.at)
        care_alert_end(facts, schedule, &draft, &state->plan_first);
}

/* --- carers ------------------------------------------------------------------------------------------- */

static int32_t trained_until(const struct care_facts *facts, int64_t trained_at, int32_t until_day) {
    if (until_day != 0)
        return until_day;
    return proto_day_add_months(care_facts_day(facts, trained_at),
                                care_facts_whole_at(facts, PROTO_POLICY_TRAINING_MONTHS, 0, trained_at));
}

int32_t care_skill_until(const struct care_facts *facts, const struct care_carer *carer, int skill) {
    return trained_until(facts, carer->skills[skill].fact.at, carer->skills[skill].until_day);
}

/* Until when one carer's skill holds, as known before `known`: a training from then on is not known yet, the one before it may be. */
static int64_t skill_end(const struct care_facts *facts, const struct care_carer *carer, int skill, bool signed_off,
                         int64_t known) {
    bool newest = carer->skills[skill].fact.at < known;
    const struct care_fact *fact = newest ? &carer->skills[skill].fact : &carer->skills[skill].before;
    uint8_t level = newest ? carer->skills[skill].level : carer->skills[skill].before_level;
    if (!care_fact_is(fact) || fact->at >= known || (signed_off && level != PROTO_skill_level_signed_off))
        return INT64_MIN;
    int32_t until = newest ? carer->skills[skill].until_day : carer->skills[skill].before_until;
    int64_t end = care_facts_midnight(facts, trained_until(facts, fact->at, until) + 1);
    bool left = carer->left && carer->left_fact.at < known;
    return left && carer->left_fact.at < end ? carer->left_fact.at : end;
}

/* From when nobody has the skill in date: the latest end of any carer's, or since the child was registered. */
static int64_t nobody_from(const struct care_facts *facts, enum proto_choice_skill skill, bool signed_off,
                           int64_t known) {
    const struct care_state *state = facts->state;
    int64_t from = state->registered.at;
    for (uint32_t i = 0; i < state->carer_count; i++) {
        int64_t end = skill_end(facts, &state->carers[i], (int)skill, signed_off, known);
        if (end > from)
            from = end;
    }
    return from;
}

/* Somebody signed off for changing the device is needed where the device may be changed at home: from the first stoma
 * that turns mature. */
static int64_t home_change_from(const struct care_facts *facts) {
    int64_t from = INT64_MAX;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        const struct care_stoma_facts *sf = &facts->stomas[i];
        if (sf->has_device && sf->home_change_reasons == 0 && sf->mature_at < from)
            from = sf->mature_at;
    }
    return from;
}

static void draft_trained(const struct care_facts *facts, int64_t known, struct care_draft *draft) {
    int64_t steps = nobody_from(facts, PROTO_skill_emergency_steps, false, known), allowed = home_change_from(facts);
    int64_t change = nobody_from(facts, PROTO_skill_device_change, true, known);
    if (allowed > change)
        change = allowed;
    int64_t first = steps < change ? steps : change;
    const struct care_fact since = {.at = first, .id = facts->state->registered.id};
    care_draft_init(draft, PROTO_ALERT_NO_TRAINED_CARER, 0, &since, CARE_FOUND_NO_TRAINED_CARER_NOBODY);
    care_draft_step(draft, first, PROTO_URGENCY_SOON,
                    first == change ? CARE_NEXT_NO_TRAINED_CARER_CHANGE : CARE_NEXT_NO_TRAINED_CARER_EMERGENCY);
    care_draft_step(draft, steps < change ? change : steps, PROTO_URGENCY_SOON, CARE_NEXT_NO_TRAINED_CARER_BOTH);
}

/* The newest training that ended a time in which somebody was missing, or NULL. */
static const struct care_fact *trained_again(const struct care_facts *facts, struct care_draft *before) {
    const struct care_state *state = facts->state;
    const struct care_fact *found = NULL;
    for (uint32_t i = 0; i < state->carer_count; i++) {
        for (int skill = PROTO_skill_device_change; skill <= PROTO_skill_emergency_steps; skill++) {
            const struct care_fact *fact = &state->carers[i].skills[skill].fact;
            struct care_draft with, without;
            if (!care_fact_is(fact) || (found && care_fact_order(fact, found) < 0))
                continue;
            draft_trained(facts, fact->at, &without);
            draft_trained(facts, fact->at + 1, &with);
            if (without.alert.since > fact->at || with.alert.since <= fact->at)
                continue;
            found = fact;
            *before = without;
        }
    }
    return found;
}

static void plan_trained(const struct care_facts *facts, struct care_schedule *schedule) {
    if (facts->in_hospital || !has_stoma(facts))
        return;
    struct care_draft draft;
    draft_trained(facts, INT64_MAX, &draft);
    care_alert_open(facts, schedule, &draft);
    const struct care_fact *trained = trained_again(facts, &draft);
    if (trained)
        care_alert_end(facts, schedule, &draft, trained);
}

/* --- no word ---------------------------------------------------------------------------------------------- */

/* A silence since `word`: the days without one, or visits that were missed, whichever came first. */
struct silence {
    const struct care_fact *word, *missed_first, *missed_last;
    uint8_t missed;
    bool never;
};

static void draft_no_word(const struct care_facts *facts, const struct silence *silence, struct care_draft *draft) {
    int32_t word_day = care_facts_day(facts, silence->word->at);
    int32_t days = care_facts_whole(facts, PROTO_POLICY_NO_WORD_DAYS, 0, word_day);
    int64_t silent = care_facts_midnight(facts, word_day + days);
    bool missed = silence->missed >=
                      care_facts_whole_at(facts, PROTO_POLICY_NO_WORD_MISSED_VISITS, 0, silence->missed_last->at) &&
                  care_fact_order(silence->word, silence->missed_last) < 0;
    int64_t first = missed && silence->missed_last->at < silent ? silence->missed_last->at : silent;
    const struct care_fact since = {.at = first, .id = silence->word->id};
    care_draft_init(draft, PROTO_ALERT_NO_WORD, 0, &since,
                    missed           ? CARE_FOUND_NO_WORD_MISSED
                    : silence->never ? CARE_FOUND_NO_WORD_NEVER
                                     : CARE_FOUND_NO_WORD_SINCE);
    draft->alert.args[0] = word_day;
    draft->alert.args[1] = silence->missed;
    if (missed && silence->missed_first)
        care_draft_evidence(draft, silence->missed_first);
    if (missed)
        care_draft_evidence(draft, silence->missed_last);
    care_draft_step(draft, first, PROTO_URGENCY_SOON, CARE_NEXT_NO_WORD_CONTACT);
    if (missed)
        care_draft_step(draft, silence->missed_last->at, PROTO_URGENCY_TODAY, CARE_NEXT_NO_WORD_CONTACT_TODAY);
}

static void plan_no_word(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (facts->in_hospital || !care_fact_is(&state->registered))
        return;
    const struct care_fact *began = later(&state->registered, &state->reopened);
    const struct silence now = {.word = later(later(began, &state->stay.ended), &state->last_word),
                                .missed_first = &state->missed_first,
                                .missed_last = &state->missed_last,
                                .missed = state->missed_visits,
                                .never = !care_fact_is(&state->last_word)};
    struct care_draft draft;
    draft_no_word(facts, &now, &draft);
    care_alert_open(facts, schedule, &draft);
    if (!care_fact_is(&state->silence.to))
        return;
    const struct silence before = {
        .word = &state->silence.from, .missed_last = &state->silence.missed_last, .missed = state->silence.missed};
    draft_no_word(facts, &before, &draft);
    if (draft.alert.since <= state->silence.to.at)
        care_alert_end(facts, schedule, &draft, &state->silence.to);
}

/* --- clocks ------------------------------------------------------------------------------------------------ */

static void plan_clock(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    int64_t days_ms = care_facts_span_ms(facts, PROTO_POLICY_CLOCK_DOUBT_DAYS, 0, INT32_MIN);
    int64_t limit_ms = care_facts_span_ms(facts, PROTO_POLICY_CLOCK_DOUBT_MIN, 0, INT32_MIN);
    int64_t off_ms = state->clock_offset_ms < 0 ? -state->clock_offset_ms : state->clock_offset_ms;
    struct care_draft draft;
    if (care_fact_is(&state->waiting)) {
        const struct care_fact since = {.at = state->waiting_written_at < state->waiting.at ? state->waiting_written_at
                                                                                            : state->waiting.at,
                                        .id = state->waiting.id};
        care_draft_init(&draft, PROTO_ALERT_CLOCK_DOUBT, 0, &since, CARE_FOUND_CLOCK_DOUBT_WAITING);
        draft.alert.args[0] = state->waiting_count;
        draft.alert.args[1] = state->waiting.at + INT64_C(1000) * care_zone_offset_s(facts->zone, state->waiting.at);
        care_draft_step(&draft, since.at, PROTO_URGENCY_NOTE, CARE_NEXT_CLOCK_DOUBT_CONFIRM);
        care_alert_open(facts, schedule, &draft);
        return;
    }
    if (!care_fact_is(&state->clock_doubt) || state->clock_doubt.at + days_ms <= state->last_event.at)
        return;
    if (off_ms <= limit_ms)
        return;
    care_draft_init(&draft, PROTO_ALERT_CLOCK_DOUBT, 0, &state->clock_doubt, CARE_FOUND_CLOCK_DOUBT_OFFSET);
    draft.alert.args[0] = off_ms / 60000;
    draft.alert.until = state->clock_doubt.at + days_ms;
    care_draft_step(&draft, state->clock_doubt.at, PROTO_URGENCY_NOTE, CARE_NEXT_CLOCK_DOUBT_CONFIRM);
    care_alert_open(facts, schedule, &draft);
}

void care_alerts_child(const struct care_facts *facts, struct care_schedule *schedule) {
    for (int stoma = PROTO_stoma_main; stoma <= PROTO_stoma_second; stoma++)
        plan_stoma_date(facts, stoma, schedule);
    plan_emergency_plan(facts, schedule);
    plan_trained(facts, schedule);
    plan_no_word(facts, schedule);
    plan_clock(facts, schedule);
}
