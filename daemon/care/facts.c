/*
 * facts.c - dates, ages and values in force, worked out once for tasks and alerts alike.
 *
 * What always holds: an event's date is taken in the zone the child had then,
 * a midnight in the present one; a stoma of unknown age is young for
 * reinsertion and home change and mature for everything else.
 */
#include "care/facts.h"
#include "care/chars.h"

#include <assert.h>

#define DAY_FIRST                                                                                                      \
    (PROTO_DAY_MIN - 40000) /* beyond any date that an event can name, and within what an instant can hold */
#define DAY_LAST (PROTO_DAY_MAX + 40000)

int care_fact_order(const struct care_fact *a, const struct care_fact *b) {
    bool is_a = care_fact_is(a), is_b = care_fact_is(b);
    if (!is_a || !is_b)
        return (int)is_a - (int)is_b;
    if (a->at != b->at)
        return a->at < b->at ? -1 : 1;
    return proto_id_compare(&a->id, &b->id);
}

static const struct care_zone *find_zone(const struct care_facts *facts, const char *name) {
    struct proto_slice slice = {name, (uint32_t)strlen(name)};
    const struct care_zone *zone = care_zone_find(facts->context->zones, slice);
    return zone ? zone : care_zone_utc();
}

int32_t care_facts_day(const struct care_facts *facts, int64_t at) {
    const struct care_state *state = facts->state;
    if (at < PROTO_TIME_MIN)
        at = PROTO_TIME_MIN;
    if (at > PROTO_TIME_MAX)
        at = PROTO_TIME_MAX;
    uint32_t i = state->zone_count;
    while (i > 1 && state->zones[i - 1].from > at)
        i--;
    if (i == state->zone_count) /* the present one */
        return care_zone_day(facts->zone, at);
    return care_zone_day(find_zone(facts, state->zones[i - 1].name), at);
}

int64_t care_facts_midnight(const struct care_facts *facts, int32_t day) {
    if (day == INT32_MAX)
        return INT64_MAX;
    if (day == INT32_MIN)
        return INT64_MIN;
    day = day < DAY_FIRST ? DAY_FIRST : day > DAY_LAST ? DAY_LAST : day;
    return care_zone_midnight(facts->zone, day);
}

/* --- values in force ---------------------------------------------------------------------------------- */

static const struct care_plan_entry *find_plan(const struct care_state *state, int task, int policy, int stoma) {
    const struct care_plan_entry *found = NULL;
    for (uint32_t i = 0; i < state->plan_count; i++) {
        const struct care_plan_entry *plan = &state->plans[i];
        if (plan->task != task || plan->policy != policy || (stoma != 0 && plan->stoma != stoma))
            continue;
        if (!found || care_fact_order(&plan->fact, &found->fact) > 0)
            found = plan;
    }
    return found;
}

const struct care_plan_entry *care_facts_plan(const struct care_facts *facts, enum proto_task task, int stoma) {
    return find_plan(facts->state, (int)task, PROTO_POLICY_NONE, stoma);
}

/* What the prescriber set for the device, in hundredths; 0: nothing. */
static int64_t prescribed_value(const struct care_facts *facts, enum proto_policy policy, int stoma) {
    if (stoma == 0)
        return 0;
    const struct care_stoma *s = &facts->state->stomas[stoma == PROTO_stoma_second ? 1 : 0];
    switch (policy) {
    case PROTO_POLICY_PH_LIMIT:
        return s->prescribed_ph;
    case PROTO_POLICY_BALLOON_CHANGE_DUE_MONTHS:
    case PROTO_POLICY_BUMPER_LONG_CHANGE_DUE_MONTHS:
    case PROTO_POLICY_BUMPER_LOW_CHANGE_DUE_MONTHS:
    case PROTO_POLICY_JEJUNAL_CHANGE_DUE_MONTHS:
        return s->prescribed_change_months * 100LL;
    case PROTO_POLICY_BALLOON_CHANGE_OVERDUE_MONTHS:
    case PROTO_POLICY_BUMPER_LONG_CHANGE_OVERDUE_MONTHS:
    case PROTO_POLICY_BUMPER_LOW_CHANGE_OVERDUE_MONTHS:
    case PROTO_POLICY_JEJUNAL_CHANGE_OVERDUE_MONTHS:
        if (s->prescribed_change_months == 0)
            return 0;
        return s->prescribed_change_months * 100LL +
               care_facts_value(facts, PROTO_POLICY_PRESCRIBED_CHANGE_GRACE_MONTHS, stoma, INT32_MIN);
    default:
        return 0;
    }
}

int64_t care_facts_value(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day) {
    assert(policy > PROTO_POLICY_NONE && policy < PROTO_POLICY_COUNT);
    int64_t prescribed = prescribed_value(facts, policy, stoma);
    if (prescribed > 0)
        return prescribed;
    const struct care_plan_entry *plan =
        facts->state->plan_count > 0 ? find_plan(facts->state, PROTO_TASK_NONE, (int)policy, stoma) : NULL;
    if (plan && plan->has_value && (plan->until_day == 0 || day == INT32_MIN || day <= plan->until_day)) {
        const struct proto_policy_info *info = proto_policy_get(policy);
        if (plan->value >= info->min && plan->value <= info->max)
            return plan->value;
    }
    return facts->context->policy->value[policy];
}

int32_t care_facts_whole(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day) {
    return (int32_t)(care_facts_value(facts, policy, stoma, day) / 100);
}

static bool unit_is(const char *unit, const char *name) {
    return strcmp(unit, name) == 0;
}

int64_t care_facts_span_ms(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day) {
    const char *unit = proto_policy_get(policy)->unit;
    int64_t value = care_facts_value(facts, policy, stoma, day);
    if (unit_is(unit, "min"))
        return value * 600;
    if (unit_is(unit, "h"))
        return value * 36000;
    assert(unit_is(unit, "days"));
    return value * (PROTO_DAY_MS / 100);
}

/* The local day only matters where the child has a plan: most have none. */
static int32_t plan_day(const struct care_facts *facts, int64_t at) {
    return facts->state->plan_count > 0 ? care_facts_day(facts, at) : INT32_MIN;
}

int64_t care_facts_value_at(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at) {
    return care_facts_value(facts, policy, stoma, plan_day(facts, at));
}

int32_t care_facts_whole_at(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at) {
    return care_facts_whole(facts, policy, stoma, plan_day(facts, at));
}

int64_t care_facts_span_at_ms(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at) {
    return care_facts_span_ms(facts, policy, stoma, plan_day(facts, at));
}

/* --- one stoma ------------------------------------------------------------------------------------------- */

int32_t care_latest_day(int32_t day, uint8_t precision) {
    if (day == INT32_MIN || precision == PROTO_precision_unknown)
        return INT32_MIN;
    struct proto_date date = proto_date_from_day(day);
    if (precision == PROTO_precision_year)
        return proto_day_from_date((struct proto_date){date.year, 12, 31});
    if (precision != PROTO_precision_month)
        return day;
    int32_t first = proto_day_from_date((struct proto_date){date.year, date.month, 1});
    return proto_day_add_months(first, 1) - 1;
}

struct care_emergency care_state_emergency(const struct care_state *state, int stoma) {
    if (stoma == PROTO_stoma_second && care_fact_is(&state->second_plan.fact))
        return state->second_plan;
    return (struct care_emergency){.fact = state->plan,
                                   .keep_open = state->plan_keep_open,
                                   .home_change = state->plan_home_change,
                                   .spares = state->plan_spares,
                                   .review_day = state->plan_review_day};
}

bool care_state_kept_open(const struct care_stoma *stoma) {
    return care_fact_is(&stoma->keep_open) && care_fact_order(&stoma->keep_open, &stoma->device.seated) > 0;
}

static void work_out_age(const struct care_facts *facts, struct care_stoma_facts *s) {
    const struct care_stoma *stoma = s->stoma;
    s->formed_day = care_fact_is(&stoma->formed) ? care_latest_day(stoma->formed_day, stoma->precision) : INT32_MIN;
    s->mature_day = INT32_MAX;
    if (stoma->mature_day != INT32_MIN)
        s->mature_day = stoma->mature_day;
    else if (s->formed_day != INT32_MIN)
        s->mature_day = s->formed_day + care_facts_whole(facts, PROTO_POLICY_STOMA_MATURE_DAYS, s->number, INT32_MIN);
    s->mature_at = care_facts_midnight(facts, s->mature_day);
}

static void work_out_home_change(const struct care_facts *facts, struct care_stoma_facts *s) {
    const struct care_device *device = &s->stoma->device;
    uint16_t reasons = 0;
    if (s->mature_day == INT32_MAX)
        reasons |= 1u << CARE_REASON_AGE_UNKNOWN;
    if (!care_fact_is(&device->placed)) {
        reasons |= 1u << CARE_REASON_NO_DEVICE;
    } else {
        if (device->why == PROTO_placed_why_first || device->first_in_stoma)
            reasons |= 1u << CARE_REASON_FIRST_DEVICE;
        if (device->tip != PROTO_tip_stomach)
            reasons |= 1u << CARE_REASON_JEJUNAL;
        if (device->retention != PROTO_retention_balloon)
            reasons |= 1u << CARE_REASON_NO_BALLOON;
    }
    if (care_state_kept_open(s->stoma))
        reasons |= 1u << CARE_REASON_KEEP_OPEN;
    if (care_state_emergency(facts->state, s->number).home_change == 1)
        reasons |= 1u << CARE_REASON_PLAN_SAYS_NO;
    s->home_change_reasons = reasons;
}

/* Due and overdue months of the device in place; 0: only as prescribed. */
static void change_policies(const struct care_device *device, enum proto_policy *due, enum proto_policy *overdue) {
    *due = *overdue = PROTO_POLICY_NONE;
    if (device->tip == PROTO_tip_jejunum) {
        *due = PROTO_POLICY_JEJUNAL_CHANGE_DUE_MONTHS;
        *overdue = PROTO_POLICY_JEJUNAL_CHANGE_OVERDUE_MONTHS;
    } else if (device->retention == PROTO_retention_balloon) {
        *due = PROTO_POLICY_BALLOON_CHANGE_DUE_MONTHS;
        *overdue = PROTO_POLICY_BALLOON_CHANGE_OVERDUE_MONTHS;
    } else if (device->retention == PROTO_retention_bumper && device->profile == PROTO_profile_low) {
        *due = PROTO_POLICY_BUMPER_LOW_CHANGE_DUE_MONTHS;
        *overdue = PROTO_POLICY_BUMPER_LOW_CHANGE_OVERDUE_MONTHS;
    } else if (device->retention == PROTO_retention_bumper) {
        *due = PROTO_POLICY_BUMPER_LONG_CHANGE_DUE_MONTHS;
        *overdue = PROTO_POLICY_BUMPER_LONG_CHANGE_OVERDUE_MONTHS;
    }
}

static void work_out_change(const struct care_facts *facts, struct care_stoma_facts *s) {
    enum proto_policy due = PROTO_POLICY_NONE, overdue = PROTO_POLICY_NONE;
    if (s->placed_day == INT32_MIN)
        return;
    change_policies(&s->stoma->device, &due, &overdue);
    int32_t prescribed = s->stoma->prescribed_change_months;
    int32_t grace = care_facts_whole(facts, PROTO_POLICY_PRESCRIBED_CHANGE_GRACE_MONTHS, s->number, INT32_MIN);
    const struct care_plan_entry *plan = care_facts_plan(facts, PROTO_TASK_DEVICE_CHANGE, s->number);
    if (prescribed > 0) {
        s->change_due_day = proto_day_add_months(s->placed_day, prescribed);
        s->change_by_day = proto_day_add_months(s->placed_day, prescribed + grace);
    } else if (plan && !plan->off && plan->every_days > 0 &&
               (plan->until_day == 0 || s->placed_day <= plan->until_day)) {
        s->change_due_day = s->placed_day + plan->every_days;
        s->change_by_day = proto_day_add_months(s->change_due_day, grace);
    } else if (due != PROTO_POLICY_NONE) {
        int32_t months = care_facts_whole(facts, due, s->number, s->placed_day);
        int32_t most = care_facts_whole(facts, overdue, s->number, s->placed_day);
        s->change_due_day = proto_day_add_months(s->placed_day, months);
        s->change_by_day = proto_day_add_months(s->placed_day, most < months ? months : most);
    }
}

static void work_out_device(const struct care_facts *facts, struct care_stoma_facts *s) {
    const struct care_stoma *stoma = s->stoma;
    const struct care_device *device = &stoma->device;
    s->placed_day = care_fact_is(&device->placed) ? care_facts_day(facts, device->placed.at) : INT32_MIN;
    s->first_check_day = INT32_MIN;
    if (s->formed_day != INT32_MIN)
        s->first_check_day =
            s->formed_day + care_facts_whole(facts, PROTO_POLICY_BALLOON_FIRST_CHECK_DAYS, s->number, INT32_MIN);
    if (!s->has_device)
        return;
    s->balloon = device->retention == PROTO_retention_balloon;
    s->jejunal = device->tip == PROTO_tip_jejunum;
    s->low = device->profile == PROTO_profile_low;
    if (s->balloon)
        s->prescribed_ml = stoma->prescribed_balloon_ml ? stoma->prescribed_balloon_ml : device->balloon_ml;
    work_out_change(facts, s);
}

void care_facts_of_gone(const struct care_facts *facts, const struct care_stoma *stoma, int number,
                        struct care_stoma_facts *out) {
    *out = (struct care_stoma_facts){.stoma = stoma, .number = (uint8_t)number, .has_device = true};
    out->exists = stoma->exists && !care_fact_is(&stoma->closed);
    work_out_age(facts, out);
    work_out_home_change(facts, out);
    work_out_device(facts, out);
    out->has_device = false;
}

void care_facts_init(struct care_facts *facts, const struct care_state *state, const struct care_context *context) {
    assert(context->policy);
    memset(facts, 0, sizeof *facts);
    facts->state = state;
    facts->context = context;
    facts->zone = find_zone(facts, state->profile.zone);
    facts->closed = care_fact_is(&state->closed);
    facts->in_hospital = care_fact_is(&state->stay.started) && !care_fact_is(&state->stay.ended);
    facts->return_day = care_fact_is(&state->stay.ended) ? care_facts_day(facts, state->stay.ended.at) : INT32_MIN;
    const struct care_fact *began =
        care_fact_order(&state->reopened, &state->registered) > 0 ? &state->reopened : &state->registered;
    facts->registered_day = care_fact_is(began) ? care_facts_day(facts, began->at) : INT32_MIN;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        struct care_stoma_facts *s = &facts->stomas[i];
        s->stoma = &state->stomas[i];
        s->number = (uint8_t)(i + 1);
        s->exists = s->stoma->exists && !care_fact_is(&s->stoma->closed);
        s->has_device = s->exists && s->stoma->device_state == CARE_DEVICE_IN;
        work_out_age(facts, s);
        work_out_home_change(facts, s);
        work_out_device(facts, s);
    }
}

uint16_t care_facts_home_change(const struct care_facts *facts, int stoma, int64_t at) {
    const struct care_stoma_facts *s = care_facts_stoma(facts, stoma);
    uint16_t reasons = s->home_change_reasons;
    if (at < s->mature_at && s->mature_day != INT32_MAX)
        reasons |= 1u << CARE_REASON_YOUNG;
    return reasons;
}
