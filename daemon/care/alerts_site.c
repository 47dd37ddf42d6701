/*
 * alerts_site.c - what was seen at the site: the first hours, pain and bleeding, infection, leak, overgranulation.
 *
 * What always holds: absent is not free of; a sign goes only by an explicit no of somebody who saw it.
 */
#include "care/alerts.h"

#include <assert.h>

/* A sign with the choices that matter (0: a yes or no). Not every value of a sign matters to every alert: mild pain is a sign and no alarm. */
struct look {
    enum care_sign_name sign;
    uint64_t values;
    const char *words;
};
#define BIT(list, name) (UINT64_C(1) << (PROTO_##list##_##name - 1))

static const struct look looks_pain[] = {
    {CARE_SIGN_PAIN_ON_FEEDING, 0, "pain on feeding"},
    {CARE_SIGN_PAIN, BIT(pain, severe), "severe pain"},
    {CARE_SIGN_BLEEDING, 0, "bleeding"},
    {CARE_SIGN_DISCHARGE, BIT(discharge, blood), "blood in the discharge"},
    {CARE_SIGN_LEAK, BIT(leak, around), "leak around"}, /* early complications only */
};
#define LOOKS_PAIN_ON_FEEDING 0
#define LOOKS_SEVERE 1
#define LOOKS_PAIN_COUNT 4 /* pain and bleeding without the leak */
#define LOOKS_EARLY_COUNT 5

static const struct look looks_infection[] = {
    {CARE_SIGN_REDNESS, BIT(redness, red), "red"},
    {CARE_SIGN_SPREADING, 0, "spreading redness"},
    {CARE_SIGN_WARM, 0, "warm skin"},
    {CARE_SIGN_PUSTULE, 0, "pustule"},
    {CARE_SIGN_ODOUR, 0, "odour"},
    {CARE_SIGN_DISCHARGE, BIT(discharge, green), "green discharge"},
    {CARE_SIGN_DISCHARGE, BIT(discharge, yellow), "yellow discharge"},
};
#define LOOKS_INFECTION_COUNT (sizeof looks_infection / sizeof looks_infection[0])

static bool sign_had(const struct care_sign *sign, const struct look *look) {
    return care_fact_is(&sign->first) && (look->values == 0 || (sign->seen_set & look->values) != 0);
}

static bool sign_open(const struct care_sign *sign, const struct look *look) {
    return sign->open && sign_had(sign, look);
}

#define SIGNS_EVIDENCE_MAX (2 * CARE_SIGN_COUNT) /* each look its first and its newest sighting */

/* Signs that belong together: when the first began, which one spoke last, their words; and what settled them. */
struct signs {
    bool any, open;
    struct care_fact since, settled;
    struct care_fact evidence[SIGNS_EVIDENCE_MAX];
    uint32_t evidence_count;
    char words[PROTO_TEXT_LINE_MAX + 4];
    struct care_text text;
};

static void signs_begin(struct signs *signs) {
    *signs = (struct signs){0};
    care_text_init(&signs->text, signs->words, sizeof signs->words);
}

static void signs_add_run(struct signs *signs, const struct care_fact *first, const struct care_fact *last,
                          const char *words) {
    if (!signs->any || care_fact_order(first, &signs->since) < 0)
        signs->since = *first;
    signs->any = true;
    care_text_add_listed(&signs->text, words);
    assert(signs->evidence_count + 2 <= SIGNS_EVIDENCE_MAX);
    signs->evidence[signs->evidence_count++] = *first;
    if (care_fact_order(last, first) != 0)
        signs->evidence[signs->evidence_count++] = *last;
}

static void signs_add(struct signs *signs, const struct care_sign *sign, const char *words) {
    signs_add_run(signs, &sign->first, &sign->last, words);
}

/* Oldest first and the newest for certain, whatever the order in which the signs are declared. */
static void signs_evidence(const struct signs *signs, struct care_draft *draft) {
    bool used[SIGNS_EVIDENCE_MAX] = {false};
    for (uint32_t n = 0; n < signs->evidence_count; n++) {
        uint32_t next = signs->evidence_count;
        for (uint32_t i = 0; i < signs->evidence_count; i++) {
            if (!used[i] &&
                (next == signs->evidence_count || care_fact_order(&signs->evidence[i], &signs->evidence[next]) < 0))
                next = i;
        }
        used[next] = true;
        care_draft_evidence(draft, &signs->evidence[next]);
    }
}

/* --- the first days ------------------------------------------------------------------------------------ */

/* A sighting counts as early when it came within the hours after the stoma was formed or the device placed or put back. */
static bool sign_early(const struct care_facts *facts, int stoma, const struct care_sign *sign) {
    return care_fact_is(&sign->early_first) && sign->after_seat_ms >= 0 &&
           sign->after_seat_ms <= care_facts_span_at_ms(facts, PROTO_POLICY_EARLY_HOURS, stoma, sign->early_first.at);
}

/* What settled a sign at or after the answered contact: the end of its run, else the newest explicit no. Zero: nothing has. */
static struct care_fact settled_since(const struct care_sign *sign, const struct care_fact *contact) {
    if (sign->open || !care_fact_is(contact))
        return (struct care_fact){0};
    if (care_fact_is(&sign->settled) && sign->settled.at >= contact->at)
        return sign->settled;
    if (care_fact_is(&sign->denied) && sign->denied.at >= contact->at)
        return sign->denied;
    return (struct care_fact){0};
}

static void plan_early(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    struct signs signs;
    signs_begin(&signs);
    bool settled = true, seen_open = false;
    struct care_fact end = {0};
    for (int i = 0; i < LOOKS_EARLY_COUNT; i++) {
        const struct care_sign *sign = &s->signs[looks_pain[i].sign];
        if (!sign_early(facts, stoma, sign))
            continue;
        signs_add_run(&signs, &sign->early_first, &sign->early_last, looks_pain[i].words);
        seen_open = seen_open || sign->open;
        struct care_fact no = settled_since(sign, &s->early_contact);
        settled = settled && care_fact_is(&no);
        if (care_fact_order(&end, &no) < 0)
            end = no;
    }
    if (!signs.any)
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_EARLY_COMPLICATION, stoma, &signs.since,
                    seen_open ? CARE_FOUND_EARLY_COMPLICATION_SIGNS : CARE_FOUND_EARLY_COMPLICATION_UNCONFIRMED);
    signs_evidence(&signs, &draft);
    draft.alert.args[0] = care_facts_span_at_ms(facts, PROTO_POLICY_EARLY_HOURS, stoma, signs.since.at) / 3600000;
    struct care_text text;
    care_text_init(&text, draft.alert.text, sizeof draft.alert.text);
    care_text_add(&text, signs.words);
    care_draft_step(&draft, signs.since.at, PROTO_URGENCY_NOW, CARE_NEXT_EARLY_COMPLICATION_STOP);
    if (settled)
        care_alert_end(facts, schedule, &draft, &end);
    else
        care_alert_open(facts, schedule, &draft);
}

/* --- signs that are settled by an explicit no to each ----------------------------------------------------- */

/* Gathers the open ones; when none is open, those of the run that was settled last. `skip`: signs that another alert has. */
static void gather(const struct care_stoma *s, const struct look *looks, size_t count, uint64_t skip,
                   struct signs *signs) {
    signs_begin(signs);
    for (size_t i = 0; i < count; i++) {
        const struct care_sign *sign = &s->signs[looks[i].sign];
        if (!(skip >> i & 1) && sign_open(sign, &looks[i]))
            signs_add(signs, sign, looks[i].words);
    }
    signs->open = signs->any;
    if (signs->open)
        return;
    for (size_t i = 0; i < count; i++) {
        const struct care_sign *sign = &s->signs[looks[i].sign];
        if ((skip >> i & 1) || !sign_had(sign, &looks[i]) || !care_fact_is(&sign->settled))
            continue;
        if (care_fact_order(&signs->settled, &sign->settled) < 0)
            signs->settled = sign->settled;
        signs_add(signs, sign, looks[i].words);
    }
}

static void plan_signs(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft,
                       const struct signs *signs) {
    struct care_text text;
    care_text_init(&text, draft->alert.text, sizeof draft->alert.text);
    care_text_add(&text, signs->words);
    signs_evidence(signs, draft);
    if (signs->open)
        care_alert_open(facts, schedule, draft);
    else
        care_alert_end(facts, schedule, draft, &signs->settled);
}

static void plan_pain(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    uint64_t early = 0;
    for (int i = 0; i < LOOKS_PAIN_COUNT; i++) {
        if (sign_early(facts, stoma, &s->signs[looks_pain[i].sign]))
            early |= UINT64_C(1) << i;
    }
    struct signs signs;
    gather(s, looks_pain, LOOKS_PAIN_COUNT, early, &signs);
    if (!signs.any)
        return;
    bool feeding = !(early >> LOOKS_PAIN_ON_FEEDING & 1) && s->signs[CARE_SIGN_PAIN_ON_FEEDING].open;
    bool severe = !(early >> LOOKS_SEVERE & 1) && sign_open(&s->signs[CARE_SIGN_PAIN], &looks_pain[LOOKS_SEVERE]);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_PAIN_OR_BLEEDING, stoma, &signs.since, CARE_FOUND_PAIN_OR_BLEEDING_SIGNS);
    care_draft_step(&draft, signs.since.at, feeding || severe ? PROTO_URGENCY_NOW : PROTO_URGENCY_TODAY,
                    feeding  ? CARE_NEXT_PAIN_OR_BLEEDING_STOP_FEED
                    : severe ? CARE_NEXT_PAIN_OR_BLEEDING_PAIN
                             : CARE_NEXT_PAIN_OR_BLEEDING_BLEEDING);
    plan_signs(facts, schedule, &draft, &signs);
}

static void plan_infection(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    struct signs signs;
    gather(s, looks_infection, LOOKS_INFECTION_COUNT, 0, &signs);
    if (!signs.any)
        return;
    const struct care_sign *temperature = &s->signs[CARE_SIGN_FEVER], *pain = &s->signs[CARE_SIGN_PAIN];
    /* A fever measured up to a day before the site was looked at goes with it (common practice, no source). */
    bool fever = care_fact_is(&temperature->last) && temperature->last.at >= signs.since.at - PROTO_DAY_MS &&
                 temperature->number >= care_facts_value_at(facts, PROTO_POLICY_FEVER_C, stoma, temperature->last.at);
    bool severe = sign_open(pain, &looks_pain[LOOKS_SEVERE]);
    bool urgent = signs.open && (fever || severe || s->signs[CARE_SIGN_SPREADING].open);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_INFECTION_SIGNS, stoma, &signs.since, CARE_FOUND_INFECTION_SIGNS_SIGNS);
    care_draft_step(&draft, signs.since.at, urgent ? PROTO_URGENCY_NOW : PROTO_URGENCY_TODAY,
                    urgent ? CARE_NEXT_INFECTION_SIGNS_URGENT : CARE_NEXT_INFECTION_SIGNS_CALL);
    if (signs.open && fever) {
        care_draft_evidence(&draft, &temperature->last);
        care_text_add(&signs.text, "; fever of ");
        care_text_add_amount(&signs.text, temperature->number);
        care_text_add(&signs.text, " \u00b0C");
    }
    if (signs.open && severe) {
        care_draft_evidence(&draft, &pain->last);
        care_text_add(&signs.text, "; severe pain");
    }
    plan_signs(facts, schedule, &draft, &signs);
}

/* --- leak around ------------------------------------------------------------------------------------------- */

/* First check at or after `from` that found the balloon in range, or NULL. */
static const struct care_fact *in_range_since(const struct care_facts *facts, int stoma, int64_t from) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    for (uint32_t i = 0; i < s->check_count; i++) {
        const struct care_check *check = &s->checks[i];
        if (check->fact.at >= from && check->has_withdrawn && check->before_ml > 0 &&
            check->before_ml - check->withdrawn_ml <=
                care_facts_value_at(facts, PROTO_POLICY_BALLOON_LOSS_ML, stoma, check->fact.at))
            return &check->fact;
    }
    return NULL;
}

static void plan_leak(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    const struct care_sign *leak = &sf->stoma->signs[CARE_SIGN_LEAK];
    const struct look around = {CARE_SIGN_LEAK, BIT(leak, around), ""};
    if (!sign_had(leak, &around))
        return;
    /* A leak that ended before this device was placed says nothing about its balloon. */
    bool balloon = sf->balloon && (leak->open || leak->settled.at >= sf->stoma->device.placed.at);
    const struct care_fact *in_range = balloon ? in_range_since(facts, stoma, leak->last.at) : NULL;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_LEAK_AROUND, stoma, &leak->first,
                    leak->open ? CARE_FOUND_LEAK_AROUND_AROUND : CARE_FOUND_LEAK_AROUND_UNCHECKED);
    care_draft_evidence(&draft, &leak->last);
    int64_t may_check = balloon ? care_facts_midnight(facts, sf->first_check_day) : INT64_MAX;
    if (may_check > leak->first.at)
        care_draft_step(&draft, leak->first.at, PROTO_URGENCY_SOON, CARE_NEXT_LEAK_AROUND_CALL);
    care_draft_step(&draft, may_check > leak->first.at ? may_check : leak->first.at, PROTO_URGENCY_SOON,
                    CARE_NEXT_LEAK_AROUND_CHECK_BALLOON);
    const struct care_fact *end = in_range && in_range->at > leak->settled.at ? in_range : &leak->settled;
    if (leak->open || (balloon && !in_range))
        care_alert_open(facts, schedule, &draft);
    else if (care_fact_is(end)) /* a stored state may say that it ended, and not by what */
        care_alert_end(facts, schedule, &draft, end);
}

/* --- overgranulation ----------------------------------------------------------------------------------------- */

static void plan_overgranulation(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_sign *sign = &care_facts_stoma(facts, stoma)->stoma->signs[CARE_SIGN_OVERGRANULATION];
    if (!care_fact_is(&sign->first))
        return;
    int32_t days = care_facts_whole_at(facts, PROTO_POLICY_OVERGRANULATION_DAYS, stoma, sign->first.at);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_OVERGRANULATION, stoma, &sign->first, CARE_FOUND_OVERGRANULATION_SEEN);
    care_draft_evidence(&draft, &sign->last);
    draft.alert.args[0] = days;
    care_draft_step(&draft, sign->first.at, PROTO_URGENCY_SOON, CARE_NEXT_OVERGRANULATION_WATCH);
    care_draft_step(&draft, care_facts_midnight(facts, care_facts_day(facts, sign->first.at) + days),
                    PROTO_URGENCY_SOON, CARE_NEXT_OVERGRANULATION_CALL);
    if (sign->open)
        care_alert_open(facts, schedule, &draft);
    else if (care_fact_is(&sign->settled))
        care_alert_end(facts, schedule, &draft, &sign->settled);
}

/* --- a way of unblocking that is not safe ------------------------------------------------------------- */

/* A reminder that fades after some days. */
static void plan_unsafe(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->unsafe))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_UNSAFE_UNBLOCKING, stoma, &s->unsafe, CARE_FOUND_UNSAFE_UNBLOCKING_TRIED);
    struct care_text text;
    care_text_init(&text, draft.alert.text, sizeof draft.alert.text);
    care_text_add(&text, s->unsafe_text);
    draft.alert.until =
        s->unsafe.at + care_facts_span_at_ms(facts, PROTO_POLICY_UNSAFE_UNBLOCKING_DAYS, stoma, s->unsafe.at);
    if (draft.alert.until <= facts->state->last_event.at)
        return; /* faded before the newest event */
    care_draft_step(&draft, s->unsafe.at, PROTO_URGENCY_NOTE, CARE_NEXT_UNSAFE_UNBLOCKING_EXPLAIN);
    care_alert_open(facts, schedule, &draft);
}

void care_alerts_site(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    plan_early(facts, stoma, schedule);
    plan_pain(facts, stoma, schedule);
    plan_infection(facts, stoma, schedule);
    plan_leak(facts, stoma, schedule);
    plan_overgranulation(facts, stoma, schedule);
    plan_unsafe(facts, stoma, schedule);
}
