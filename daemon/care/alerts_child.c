/*
 * alerts_child.c - what is missing around the child: records, trained carers, spares, supplies, word, a sure clock.
 *
 * What always holds: what opens by time alone has its date in the step; during a hospital stay the routine ones are not planned.
 */
#include "care/alerts.h"

#include <string.h>

static const struct care_fact *later(const struct care_fact *a, const struct care_fact *b) {
    return care_fact_order(a, b) < 0 ? b : a;
}

/* --- records that are missing ------------------------------------------------------------------------ */

static void plan_stoma_date(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
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

static void plan_emergency_plan(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (care_fact_is(&state->plan) || !has_stoma(facts))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_EMERGENCY_PLAN_MISSING, 0, &state->registered,
                    CARE_FOUND_EMERGENCY_PLAN_MISSING_NONE);
    care_draft_step(&draft, state->registered.at, PROTO_URGENCY_SOON, CARE_NEXT_EMERGENCY_PLAN_MISSING_ASK);
    care_alert_open(facts, schedule, &draft);
}

/* --- carers ------------------------------------------------------------------------------------------- */

int32_t care_skill_until(const struct care_facts *facts, const struct care_carer *carer, int skill) {
    int32_t until = carer->skills[skill].until_day;
    if (until != 0)
        return until;
    return proto_day_add_months(care_facts_day(facts, carer->skills[skill].fact.at),
                                care_facts_whole(facts, PROTO_POLICY_TRAINING_MONTHS, 0, INT32_MIN));
}

/* From when nobody has the skill in date: the latest end of any carer's, or since the child was registered (or the last one left). */
static int64_t nobody_from(const struct care_facts *facts, enum proto_choice_skill skill, bool signed_off) {
    const struct care_state *state = facts->state;
    int64_t from = state->registered.at;
    for (uint32_t i = 0; i < state->carer_count; i++) {
        const struct care_carer *carer = &state->carers[i];
        if (!care_fact_is(&carer->skills[skill].fact) ||
            (signed_off && carer->skills[skill].level != PROTO_skill_level_signed_off))
            continue;
        int64_t end = care_facts_midnight(facts, care_skill_until(facts, carer, (int)skill) + 1);
        if (carer->left && carer->left_fact.at < end)
            end = carer->left_fact.at;
        if (end > from)
            from = end;
    }
    return from;
}

/* Somebody signed off for changing the device is needed where the device may be changed at home: from the first stoma that turns mature. */
static int64_t home_change_from(const struct care_facts *facts) {
    int64_t from = INT64_MAX;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        const struct care_stoma_facts *sf = &facts->stomas[i];
        if (sf->has_device && sf->home_change_reasons == 0 && sf->mature_at < from)
            from = sf->mature_at;
    }
    return from;
}

static void plan_trained(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (facts->in_hospital || !has_stoma(facts))
        return;
    int64_t steps = nobody_from(facts, PROTO_skill_emergency_steps, false), allowed = home_change_from(facts);
    int64_t change = nobody_from(facts, PROTO_skill_device_change, true);
    if (allowed > change)
        change = allowed;
    int64_t first = steps < change ? steps : change;
    const struct care_fact since = {.at = first, .id = state->registered.id};
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_NO_TRAINED_CARER, 0, &since, CARE_FOUND_NO_TRAINED_CARER_NOBODY);
    care_draft_step(&draft, first, PROTO_URGENCY_SOON,
                    first == change ? CARE_NEXT_NO_TRAINED_CARER_CHANGE : CARE_NEXT_NO_TRAINED_CARER_EMERGENCY);
    care_draft_step(&draft, steps < change ? change : steps, PROTO_URGENCY_SOON, CARE_NEXT_NO_TRAINED_CARER_BOTH);
    care_alert_open(facts, schedule, &draft);
}

/* --- spares ------------------------------------------------------------------------------------------- */

/* Newest count of one kind of spare at home. */
static const struct care_spare *find_spare(const struct care_state *state, int stoma, int what) {
    const struct care_spare *found = NULL;
    for (uint32_t i = 0; i < state->spare_count; i++) {
        const struct care_spare *spare = &state->spares[i];
        if (spare->stoma == stoma && spare->what == what && spare->place == PROTO_spare_place_home &&
            (!found || care_fact_order(&found->fact, &spare->fact) < 0))
            found = spare;
    }
    return found;
}

struct missing {
    int64_t from;
    struct care_fact fact;
    enum care_found found;
    int32_t day;
};

/* From when the spare has to be counted as missing: INT64_MAX while a good count holds for good. */
static struct missing missing_spare(const struct care_facts *facts, const struct care_stoma_facts *sf, int what) {
    const struct care_stoma *s = sf->stoma;
    const struct care_spare *spare = find_spare(facts->state, sf->number, what);
    int32_t grace = care_facts_whole(facts, PROTO_POLICY_SPARE_CHECK_GRACE_DAYS, sf->number, INT32_MIN);
    bool used = care_fact_is(&s->spare_used) && what == PROTO_spare_what_same &&
                (!spare || care_fact_order(&spare->fact, &s->spare_used) < 0);
    if (used)
        return (struct missing){care_facts_midnight(facts, care_facts_day(facts, s->spare_used.at) + grace + 1),
                                s->spare_used, CARE_FOUND_SPARE_MISSING_USED, 0};
    if (!spare) {
        int32_t began = sf->placed_day > facts->registered_day ? sf->placed_day : facts->registered_day;
        int32_t every = care_facts_whole(facts, PROTO_POLICY_SPARE_CHECK_DAYS, sf->number, INT32_MIN);
        return (struct missing){care_facts_midnight(facts, began + every + grace + 1), s->device.placed,
                                CARE_FOUND_SPARE_MISSING_NEVER, 0};
    }
    int64_t known = spare->fact.at > s->device.placed.at ? spare->fact.at : s->device.placed.at;
    if (spare->count == 0)
        return (struct missing){spare->fact.at, spare->fact, CARE_FOUND_SPARE_MISSING_NONE, 0};
    if (care_spare_unfit(facts, sf->number, what, INT32_MIN))
        return (struct missing){known, spare->fact, CARE_FOUND_SPARE_MISSING_UNFIT, 0};
    if (spare->expires_day == 0)
        return (struct missing){.from = INT64_MAX};
    int64_t out = care_facts_midnight(facts, spare->expires_day + 1);
    return (struct missing){out > spare->fact.at ? out : spare->fact.at, spare->fact, CARE_FOUND_SPARE_MISSING_EXPIRES,
                            spare->expires_day};
}

/* Quiet through the date on which what was ordered after the count is expected. `item`: its name, or the beginning of it. */
static void quiet_while_ordered(const struct care_facts *facts, const char *item, bool whole,
                                const struct care_fact *count, struct care_alert *alert) {
    const struct care_state *state = facts->state;
    for (uint32_t i = 0; i < state->supply_count; i++) {
        const struct care_supply *supply = &state->supplies[i];
        bool named = whole ? strcmp(supply->item, item) == 0 : strncmp(supply->item, item, strlen(item)) == 0;
        if (!named || !care_fact_is(&supply->ordered) || supply->expected_day == 0 ||
            care_fact_order(&supply->ordered, count) < 0)
            continue;
        int64_t until = care_facts_midnight(facts, supply->expected_day + 1);
        if (until > alert->quiet_until) {
            alert->quiet_from = supply->ordered.at;
            alert->quiet_until = until;
        }
    }
}

static const char *const spare_words[PROTO_spare_what_count] = {
    [PROTO_spare_what_same] = "spare of the same kind and size",
    [PROTO_spare_what_smaller] = "smaller spare",
    [PROTO_spare_what_keep_open] = "catheter to keep the stoma open",
};

/* The required set: the same device always, the others where the child's plan asks. The one that is missing first speaks. */
static void plan_spare(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    if (!sf->has_device || facts->in_hospital)
        return;
    struct missing first = {.from = INT64_MAX};
    int which = 0;
    for (int what = PROTO_spare_what_same; what < PROTO_spare_what_count; what++) {
        if (what != PROTO_spare_what_same && !(facts->state->plan_spares >> (what - 1) & 1))
            continue;
        struct missing missing = missing_spare(facts, sf, what);
        if (missing.from < first.from) {
            first = missing;
            which = what;
        }
    }
    if (first.from == INT64_MAX)
        return;
    const struct care_fact since = {.at = first.from, .id = first.fact.id};
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_SPARE_MISSING, stoma, &since, first.found);
    draft.alert.args[0] = first.day;
    struct care_text text;
    care_text_init(&text, draft.alert.text, sizeof draft.alert.text);
    care_text_add(&text, spare_words[which]);
    care_draft_step(&draft, first.from, PROTO_URGENCY_SOON, CARE_NEXT_SPARE_MISSING_SUPPLY);
    quiet_while_ordered(facts, "spare", false, &first.fact, &draft.alert);
    care_alert_open(facts, schedule, &draft);
}

/* --- supplies ------------------------------------------------------------------------------------------- */

int32_t care_supply_until(const struct care_facts *facts, const struct care_supply *supply) {
    const struct care_profile *profile = &facts->state->profile;
    for (uint32_t i = 0; i < profile->use_count; i++) {
        if (profile->uses[i].per_day > 0 && strcmp(profile->uses[i].item, supply->item) == 0) {
            int64_t days = supply->count * INT64_C(100) / profile->uses[i].per_day;
            return care_facts_day(facts, supply->counted.at) + (int32_t)(days > 36500 ? 36500 : days);
        }
    }
    return INT32_MAX;
}

/* The supply that asks for an order first, or NULL. One that is ordered waits for the day after it is expected: another may come before it. */
static const struct care_supply *first_low(const struct care_facts *facts, int32_t before) {
    const struct care_state *state = facts->state;
    const struct care_supply *found = NULL;
    int32_t first = INT32_MAX;
    for (uint32_t i = 0; i < state->supply_count; i++) {
        const struct care_supply *supply = &state->supplies[i];
        int32_t asks = care_fact_is(&supply->counted) ? care_supply_until(facts, supply) : INT32_MAX;
        if (asks == INT32_MAX)
            continue;
        asks -= before;
        bool ordered = supply->expected_day != 0 && care_fact_order(&supply->counted, &supply->ordered) < 0;
        if (ordered && supply->expected_day >= asks)
            asks = supply->expected_day + 1;
        if (asks < first) {
            first = asks;
            found = supply;
        }
    }
    return found;
}

/* One alert for all supplies: it names every one that runs out by then. */
static void plan_supplies(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    int32_t before = care_facts_whole(facts, PROTO_POLICY_SUPPLY_LOW_DAYS, 0, INT32_MIN);
    const struct care_supply *supply = facts->in_hospital ? NULL : first_low(facts, before);
    if (!supply)
        return;
    int32_t day = care_supply_until(facts, supply);
    int64_t from = care_facts_midnight(facts, day - before);
    const struct care_fact since = {.at = from > supply->counted.at ? from : supply->counted.at,
                                    .id = supply->counted.id};
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_SUPPLY_LOW, 0, &since, CARE_FOUND_SUPPLY_LOW_RUNS_OUT);
    draft.alert.args[0] = day;
    struct care_text text;
    care_text_init(&text, draft.alert.text, sizeof draft.alert.text);
    for (uint32_t i = 0; i < state->supply_count; i++) {
        if (care_fact_is(&state->supplies[i].counted) && care_supply_until(facts, &state->supplies[i]) <= day)
            care_text_add_listed(&text, state->supplies[i].item);
    }
    care_draft_step(&draft, since.at, PROTO_URGENCY_SOON, CARE_NEXT_SUPPLY_LOW_ORDER);
    quiet_while_ordered(facts, supply->item, true, &supply->counted, &draft.alert);
    care_alert_open(facts, schedule, &draft);
}

/* --- no word ---------------------------------------------------------------------------------------------- */

static void plan_no_word(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (facts->in_hospital || !care_fact_is(&state->registered))
        return;
    const struct care_fact *began = later(&state->registered, &state->reopened);
    const struct care_fact *word = later(later(began, &state->stay.ended), &state->last_word);
    bool never = !care_fact_is(&state->last_word);
    int32_t word_day = care_facts_day(facts, word->at);
    int64_t silent =
        care_facts_midnight(facts, word_day + care_facts_whole(facts, PROTO_POLICY_NO_WORD_DAYS, 0, INT32_MIN));
    bool missed = state->missed_visits >= care_facts_whole(facts, PROTO_POLICY_NO_WORD_MISSED_VISITS, 0, INT32_MIN) &&
                  care_fact_order(word, &state->missed_last) < 0;
    int64_t first = missed && state->missed_last.at < silent ? state->missed_last.at : silent;
    const struct care_fact since = {.at = first, .id = word->id};
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_NO_WORD, 0, &since,
                    missed  ? CARE_FOUND_NO_WORD_MISSED
                    : never ? CARE_FOUND_NO_WORD_NEVER
                            : CARE_FOUND_NO_WORD_SINCE);
    draft.alert.args[0] = word_day;
    draft.alert.args[1] = state->missed_visits;
    if (missed) {
        care_draft_evidence(&draft, &state->missed_first);
        care_draft_evidence(&draft, &state->missed_last);
    }
    care_draft_step(&draft, first, PROTO_URGENCY_SOON, CARE_NEXT_NO_WORD_CONTACT);
    if (missed)
        care_draft_step(&draft, state->missed_last.at, PROTO_URGENCY_TODAY, CARE_NEXT_NO_WORD_CONTACT_TODAY);
    care_alert_open(facts, schedule, &draft);
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
    for (int stoma = PROTO_stoma_main; stoma <= PROTO_stoma_second; stoma++) {
        plan_stoma_date(facts, stoma, schedule);
        plan_spare(facts, stoma, schedule);
    }
    plan_emergency_plan(facts, schedule);
    plan_trained(facts, schedule);
    plan_supplies(facts, schedule);
    plan_no_word(facts, schedule);
    plan_clock(facts, schedule);
}
