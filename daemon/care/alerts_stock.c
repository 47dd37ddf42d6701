/*
 * alerts_stock.c - spares and supplies: missing, unfit, out of date, running out; quiet while ordered.
 *
 * What always holds: a count is judged as it was known then, so that the count
 * which ends an alert is found; no count is not a bad count.
 */
#include "care/alerts.h"

#include <string.h>

/* --- spares ------------------------------------------------------------------------------------------- */

static bool differs(int32_t a, int32_t b) {
    return a != 0 && b != 0 && a != b;
}

/* What was counted is not for this device: another kind or size, or out of date on the day. What was not said is no difference. */
static bool spare_bad(const struct care_device *device, const struct care_spare *spare, int32_t day) {
    if (spare->expires_day != 0 && spare->expires_day < day)
        return true;
    if (spare->what == PROTO_spare_what_same)
        return differs(spare->retention, device->retention) || differs(spare->profile, device->profile) ||
               differs(spare->length_mm, device->length_mm) || differs(spare->french_fr, device->french_fr);
    bool sized = spare->french_fr != 0 && device->french_fr != 0;
    return spare->what == PROTO_spare_what_smaller && sized && spare->french_fr >= device->french_fr;
}

/* The row as it was known before `known`: a count from then on is not known yet, the one before it may be. */
static bool known_before(const struct care_spare *row, int64_t known, struct care_spare *out) {
    const struct care_spare_before *before = &row->before;
    *out = *row;
    if (row->fact.at < known)
        return true;
    out->fact = before->fact;
    out->retention = before->retention;
    out->profile = before->profile;
    out->french_fr = before->french_fr;
    out->length_mm = before->length_mm;
    out->count = before->count;
    out->expires_day = before->expires_day;
    return care_fact_is(&before->fact) && before->fact.at < known;
}

static bool is_spare(const struct care_spare *row, int stoma, int what) {
    return row->stoma == stoma && row->what == what && row->place == PROTO_spare_place_home;
}

/* The count of one kind of spare at home, as known before `known`. */
static bool find_spare(const struct care_state *state, int stoma, int what, int64_t known, struct care_spare *out) {
    for (uint32_t i = 0; i < state->spare_count; i++) {
        if (is_spare(&state->spares[i], stoma, what))
            return known_before(&state->spares[i], known, out);
    }
    return false;
}

bool care_spare_unfit(const struct care_facts *facts, int stoma, int what, int32_t day) {
    struct care_spare spare;
    return find_spare(facts->state, stoma, what, INT64_MAX, &spare) &&
           spare_bad(&care_facts_stoma(facts, stoma)->stoma->device, &spare, day);
}

struct missing {
    int64_t from; /* INT64_MAX while a good count holds for good */
    struct care_fact fact;
    enum care_found found;
    int32_t day;
};

static struct missing never_counted(const struct care_facts *facts, const struct care_stoma_facts *sf) {
    int32_t began = sf->placed_day > facts->registered_day ? sf->placed_day : facts->registered_day;
    int32_t every = care_facts_whole(facts, PROTO_POLICY_SPARE_CHECK_DAYS, sf->number, began);
    int32_t grace = care_facts_whole(facts, PROTO_POLICY_SPARE_CHECK_GRACE_DAYS, sf->number, began);
    return (struct missing){care_facts_midnight(facts, began + every + grace + 1), sf->stoma->device.placed,
                            CARE_FOUND_SPARE_MISSING_NEVER, 0};
}

static struct missing used_up(const struct care_facts *facts, const struct care_stoma_facts *sf) {
    const struct care_fact *used = &sf->stoma->spare_used;
    int32_t grace = care_facts_whole_at(facts, PROTO_POLICY_SPARE_CHECK_GRACE_DAYS, sf->number, used->at);
    return (struct missing){care_facts_midnight(facts, care_facts_day(facts, used->at) + grace + 1), *used,
                            CARE_FOUND_SPARE_MISSING_USED, 0};
}

/* From when one kind of spare has to be taken as missing, by the counts known before `known`. */
static struct missing missing_spare(const struct care_facts *facts, const struct care_stoma_facts *sf, int what,
                                    int64_t known) {
    const struct care_stoma *s = sf->stoma;
    struct care_spare spare;
    bool counted = find_spare(facts->state, sf->number, what, known, &spare);
    bool used = care_fact_is(&s->spare_used) && s->spare_used.at < known && what == PROTO_spare_what_same;
    if (used && (!counted || care_fact_order(&spare.fact, &s->spare_used) < 0))
        return used_up(facts, sf);
    if (!counted)
        return never_counted(facts, sf);
    if (spare.count == 0)
        return (struct missing){spare.fact.at, spare.fact, CARE_FOUND_SPARE_MISSING_NONE, 0};
    if (spare_bad(&s->device, &spare, INT32_MIN)) {
        int64_t from = spare.fact.at > s->device.placed.at ? spare.fact.at : s->device.placed.at;
        return (struct missing){from, spare.fact, CARE_FOUND_SPARE_MISSING_UNFIT, 0};
    }
    if (spare.expires_day == 0)
        return (struct missing){.from = INT64_MAX};
    int64_t out = care_facts_midnight(facts, spare.expires_day + 1);
    return (struct missing){out > spare.fact.at ? out : spare.fact.at, spare.fact, CARE_FOUND_SPARE_MISSING_EXPIRES,
                            spare.expires_day};
}

static const char *const spare_words[PROTO_spare_what_count] = {
    [PROTO_spare_what_same] = "spare of the same kind and size",
    [PROTO_spare_what_smaller] = "smaller spare",
    [PROTO_spare_what_keep_open] = "catheter to keep the stoma open",
};

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

/* The required set: the same device always, the others where the child's plan asks. The one that is missing first
 * speaks. False when none ever is. */
static bool draft_spare(const struct care_facts *facts, int stoma, int64_t known, struct care_draft *draft) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    struct missing first = {.from = INT64_MAX};
    uint8_t spares = care_state_emergency(facts->state, stoma).spares;
    int which = 0;
    for (int what = PROTO_spare_what_same; what < PROTO_spare_what_count; what++) {
        if (what != PROTO_spare_what_same && !(spares >> (what - 1) & 1))
            continue;
        struct missing missing = missing_spare(facts, sf, what, known);
        if (missing.from < first.from) {
            first = missing;
            which = what;
        }
    }
    if (first.from == INT64_MAX)
        return false;
    const struct care_fact since = {.at = first.from, .id = first.fact.id};
    care_draft_init(draft, PROTO_ALERT_SPARE_MISSING, stoma, &since, first.found);
    draft->alert.args[0] = first.day;
    struct care_text text;
    care_text_init(&text, draft->alert.text, sizeof draft->alert.text);
    care_text_add(&text, spare_words[which]);
    care_draft_step(draft, first.from, PROTO_URGENCY_SOON, CARE_NEXT_SPARE_MISSING_SUPPLY);
    quiet_while_ordered(facts, "spare", false, &first.fact, &draft->alert);
    return true;
}

/* The newest count that ended a time without, or NULL. */
static const struct care_fact *counted_again(const struct care_facts *facts, int stoma, struct care_draft *before) {
    const struct care_state *state = facts->state;
    const struct care_fact *found = NULL;
    for (uint32_t i = 0; i < state->spare_count; i++) {
        const struct care_fact *fact = &state->spares[i].fact;
        struct care_draft without, with;
        if (!is_spare(&state->spares[i], stoma, state->spares[i].what) || (found && care_fact_order(fact, found) < 0))
            continue;
        if (!draft_spare(facts, stoma, fact->at, &without) || without.alert.since > fact->at)
            continue;
        if (draft_spare(facts, stoma, fact->at + 1, &with) && with.alert.since <= fact->at)
            continue;
        found = fact;
        *before = without;
    }
    return found;
}

static void plan_spare(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    if (!care_facts_stoma(facts, stoma)->has_device || facts->in_hospital)
        return;
    struct care_draft draft;
    if (draft_spare(facts, stoma, INT64_MAX, &draft))
        care_alert_open(facts, schedule, &draft);
    const struct care_fact *counted = counted_again(facts, stoma, &draft);
    if (counted)
        care_alert_end(facts, schedule, &draft, counted);
}

/* --- supplies ------------------------------------------------------------------------------------------- */

/* Last day for which so many last from a day on; INT32_MAX when the child's use of it is not known. */
static int32_t lasts_until(const struct care_facts *facts, const char *item, int64_t counted_at, int32_t count) {
    const struct care_profile *profile = &facts->state->profile;
    for (uint32_t i = 0; i < profile->use_count; i++) {
        if (profile->uses[i].per_day > 0 && strcmp(profile->uses[i].item, item) == 0) {
            int64_t days = count * INT64_C(100) / profile->uses[i].per_day;
            return care_facts_day(facts, counted_at) + (int32_t)(days > 36500 ? 36500 : days);
        }
    }
    return INT32_MAX;
}

int32_t care_supply_until(const struct care_facts *facts, const struct care_supply *supply) {
    return lasts_until(facts, supply->item, supply->counted.at, supply->count);
}

/* From when a count is low. */
static int64_t low_from(const struct care_facts *facts, int32_t until, int64_t counted_at) {
    if (until == INT32_MAX)
        return INT64_MAX;
    int64_t from =
        care_facts_midnight(facts, until - care_facts_whole_at(facts, PROTO_POLICY_SUPPLY_LOW_DAYS, 0, counted_at));
    return from > counted_at ? from : counted_at;
}

/* The supply that asks for an order first, or NULL. One that is ordered waits for the day after it is expected: another
 * may come before it. */
static const struct care_supply *first_low(const struct care_facts *facts) {
    const struct care_state *state = facts->state;
    const struct care_supply *found = NULL;
    int64_t first = INT64_MAX;
    for (uint32_t i = 0; i < state->supply_count; i++) {
        const struct care_supply *supply = &state->supplies[i];
        if (!care_fact_is(&supply->counted))
            continue;
        int64_t asks = low_from(facts, care_supply_until(facts, supply), supply->counted.at);
        bool ordered = supply->expected_day != 0 && care_fact_order(&supply->counted, &supply->ordered) < 0;
        if (asks != INT64_MAX && ordered && care_facts_midnight(facts, supply->expected_day + 1) > asks)
            asks = care_facts_midnight(facts, supply->expected_day + 1);
        if (asks < first) {
            first = asks;
            found = supply;
        }
    }
    return found;
}

static void draft_supply(const struct care_facts *facts, const struct care_supply *supply,
                         const struct care_fact *counted, int32_t until, struct care_draft *draft) {
    const struct care_fact since = {.at = low_from(facts, until, counted->at), .id = counted->id};
    care_draft_init(draft, PROTO_ALERT_SUPPLY_LOW, 0, &since, CARE_FOUND_SUPPLY_LOW_RUNS_OUT);
    draft->alert.args[0] = until;
    struct care_text text;
    care_text_init(&text, draft->alert.text, sizeof draft->alert.text);
    care_text_add(&text, supply->item);
    care_draft_step(draft, since.at, PROTO_URGENCY_SOON, CARE_NEXT_SUPPLY_LOW_ORDER);
    quiet_while_ordered(facts, supply->item, true, counted, &draft->alert);
}

/* One alert for all supplies: it names every one that runs out by then. */
static void plan_low(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    const struct care_supply *supply = first_low(facts);
    if (!supply)
        return;
    int32_t until = care_supply_until(facts, supply);
    struct care_draft draft;
    draft_supply(facts, supply, &supply->counted, until, &draft);
    struct care_text text;
    care_text_init(&text, draft.alert.text, sizeof draft.alert.text);
    for (uint32_t i = 0; i < state->supply_count; i++) {
        if (care_fact_is(&state->supplies[i].counted) && care_supply_until(facts, &state->supplies[i]) <= until)
            care_text_add_listed(&text, state->supplies[i].item);
    }
    care_alert_open(facts, schedule, &draft);
}

/* The newest count that found enough of what was low. */
static void plan_low_ended(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    const struct care_supply *found = NULL;
    for (uint32_t i = 0; i < state->supply_count; i++) {
        const struct care_supply *supply = &state->supplies[i];
        if (!care_fact_is(&supply->counted_before) || (found && care_fact_order(&supply->counted, &found->counted) < 0))
            continue;
        int32_t before = lasts_until(facts, supply->item, supply->counted_before.at, supply->count_before);
        bool was_low = low_from(facts, before, supply->counted_before.at) <= supply->counted.at;
        if (was_low && low_from(facts, care_supply_until(facts, supply), supply->counted.at) > supply->counted.at)
            found = supply;
    }
    if (!found)
        return;
    struct care_draft draft;
    draft_supply(facts, found, &found->counted_before,
                 lasts_until(facts, found->item, found->counted_before.at, found->count_before), &draft);
    care_alert_end(facts, schedule, &draft, &found->counted);
}

void care_alerts_stock(const struct care_facts *facts, struct care_schedule *schedule) {
    for (int stoma = PROTO_stoma_main; stoma <= PROTO_stoma_second; stoma++)
        plan_spare(facts, stoma, schedule);
    if (facts->in_hospital)
        return;
    plan_low(facts, schedule);
    plan_low_ended(facts, schedule);
}
