/*
 * alerts_balloon.c - what the balloon checks of one device say, walked in order.
 *
 * What always holds: each alert has a judge; a check opens it, settles it, or says nothing about it. Volumes are compared in whole hundredths.
 */
#include "care/alerts.h"

enum verdict { SILENT, OPENS, SETTLES };

struct judge {
    const struct care_facts *facts;
    const struct care_stoma_facts *sf;
    int stoma;
};

/* The value in force when the check was made, hundredths. */
static int64_t value_at(const struct judge *j, enum proto_policy policy, const struct care_check *check) {
    return care_facts_value_at(j->facts, policy, j->stoma, check->fact.at);
}

/* A run of checks that opened an alert, the newest one of this device. */
struct run {
    bool open;
    bool cut; /* checks are missing: the next one that opens begins anew */
    uint8_t count;
    struct care_fact first, settled;
    const struct care_check *check; /* newest that opened */
    struct care_fact evidence[PROTO_EVIDENCE_MAX];
};

static void run_add(struct run *run, const struct care_check *check) {
    if (!run->open || run->cut)
        *run = (struct run){.open = true, .first = check->fact};
    if (run->count < PROTO_EVIDENCE_MAX)
        run->evidence[run->count] = check->fact;
    else
        run->evidence[PROTO_EVIDENCE_MAX - 1] = check->fact;
    if (run->count < UINT8_MAX)
        run->count++;
    run->check = check;
}

static void run_settle(struct run *run, const struct care_check *check) {
    if (!run->open)
        return;
    run->open = false;
    run->settled = check->fact;
}

/* --- judges ---------------------------------------------------------------------------------------- */

/* What was in the balloon before the check; 0: nothing to judge by. */
static int32_t in_before(const struct care_check *check) {
    return check->has_withdrawn ? check->before_ml : 0;
}

static enum verdict judge_low(const struct judge *j, const struct care_check *check) {
    int32_t before = in_before(check);
    if (before == 0)
        return SILENT;
    return before - check->withdrawn_ml > value_at(j, PROTO_POLICY_BALLOON_LOSS_ML, check) ? OPENS : SETTLES;
}

static enum verdict judge_empty(const struct judge *j, const struct care_check *check) {
    int64_t before = in_before(check);
    if (before == 0) /* nothing came out: empty, however much should have been in it */
        return check->has_withdrawn && check->withdrawn_ml == 0 && !check->before_known ? OPENS : SILENT;
    if (check->withdrawn_ml * INT64_C(10000) <= before * value_at(j, PROTO_POLICY_BALLOON_EMPTY_PERCENT, check))
        return OPENS;
    return before - check->withdrawn_ml > value_at(j, PROTO_POLICY_BALLOON_LOSS_ML, check)
               ? SILENT
               : SETTLES; /* low, and not as good as empty: not yet in range */
}

static enum verdict judge_under(const struct judge *j, const struct care_check *check) {
    if (check->left_empty)
        return OPENS;
    if (!check->has_filled || check->prescribed_ml == 0)
        return SILENT;
    return check->filled_ml + value_at(j, PROTO_POLICY_BALLOON_FILL_TOLERANCE_ML, check) < check->prescribed_ml
               ? OPENS
               : SETTLES;
}

static enum verdict judge_over(const struct judge *j, const struct care_check *check) {
    if (!check->has_filled || check->prescribed_ml == 0)
        return SILENT;
    return check->filled_ml > check->prescribed_ml + value_at(j, PROTO_POLICY_BALLOON_FILL_TOLERANCE_ML, check)
               ? OPENS
               : SETTLES;
}

static enum verdict judge_look(const struct judge *j, const struct care_check *check) {
    (void)j;
    if (check->look == 0)
        return SILENT;
    return check->look == PROTO_look_clear ? SETTLES : OPENS;
}

static enum verdict judge_stuck(const struct judge *j, const struct care_check *check) {
    (void)j;
    if (check->stuck)
        return OPENS;
    return check->has_withdrawn ? SETTLES : SILENT;
}

static enum verdict judge_fluid(const struct judge *j, const struct care_check *check) {
    if (!check->has_filled || check->fluid == 0)
        return SILENT;
    bool water = check->fluid >= PROTO_fluid_sterile_water && check->fluid <= PROTO_fluid_tap_water;
    bool allowed = water && ((value_at(j, PROTO_POLICY_FLUIDS_ALLOWED, check) / 100) >> (check->fluid - 1) & 1) != 0;
    return allowed ? SETTLES : OPENS;
}

static enum verdict judge_early(const struct judge *j, const struct care_check *check) {
    bool emptied = check->has_withdrawn || check->left_empty;
    return emptied && care_facts_day(j->facts, check->fact.at) < j->sf->first_check_day ? OPENS : SILENT;
}

/* --- words and steps -------------------------------------------------------------------------------- */

static void draft_run(const struct judge *j, struct care_draft *draft, enum proto_alert alert, const struct run *run,
                      enum care_found found) {
    care_draft_init(draft, alert, j->stoma, &run->first, found);
    for (uint8_t i = 0; i < run->count && i < PROTO_EVIDENCE_MAX; i++)
        care_draft_evidence(draft, &run->evidence[i]);
}

static void word_low(const struct judge *j, const struct run *run, struct care_draft *draft) {
    const struct care_check *check = run->check;
    draft_run(j, draft, PROTO_ALERT_BALLOON_LOW, run,
              check->before_known ? CARE_FOUND_BALLOON_LOW_LOST : CARE_FOUND_BALLOON_LOW_LOST_PRESCRIBED);
    draft->alert.args[0] = check->withdrawn_ml;
    draft->alert.args[1] = check->before_ml;
    draft->alert.args[2] = check->before_ml - check->withdrawn_ml;
    draft->alert.args[3] = check->prescribed_ml;
    enum care_next next = check->prescribed_ml == 0 ? CARE_NEXT_BALLOON_LOW_FILL_UNKNOWN : CARE_NEXT_BALLOON_LOW_FILL;
    if (check->prescribed_ml != 0 && care_facts_day(j->facts, check->fact.at) + 1 < j->sf->first_check_day)
        next = CARE_NEXT_BALLOON_LOW_FILL_EARLY;
    care_draft_step(draft, run->first.at, PROTO_URGENCY_TODAY, next);
}

static void word_empty(const struct judge *j, const struct run *run, struct care_draft *draft) {
    draft_run(j, draft, PROTO_ALERT_BALLOON_EMPTY, run, CARE_FOUND_BALLOON_EMPTY_EMPTY);
    draft->alert.args[0] = run->check->withdrawn_ml;
    draft->alert.args[1] = run->check->before_ml;
    care_draft_step(draft, run->first.at, PROTO_URGENCY_NOW, CARE_NEXT_BALLOON_EMPTY_HOLD);
}

static void word_under(const struct judge *j, const struct run *run, struct care_draft *draft) {
    draft_run(j, draft, PROTO_ALERT_UNDERFILLED, run,
              run->check->left_empty ? CARE_FOUND_UNDERFILLED_LEFT_EMPTY : CARE_FOUND_UNDERFILLED_LESS);
    draft->alert.args[0] = run->check->filled_ml;
    draft->alert.args[1] = run->check->prescribed_ml;
    care_draft_step(draft, run->first.at, PROTO_URGENCY_TODAY, CARE_NEXT_UNDERFILLED_FILL);
}

static void word_over(const struct judge *j, const struct run *run, struct care_draft *draft) {
    draft_run(j, draft, PROTO_ALERT_OVERFILLED, run, CARE_FOUND_OVERFILLED_MORE);
    draft->alert.args[0] = run->check->filled_ml;
    draft->alert.args[1] = run->check->prescribed_ml;
    care_draft_step(draft, run->first.at, PROTO_URGENCY_TODAY, CARE_NEXT_OVERFILLED_DRAW);
}

static void word_look(const struct judge *j, const struct run *run, struct care_draft *draft) {
    draft_run(j, draft, PROTO_ALERT_BALLOON_UNCLEAR, run,
              run->check->look == PROTO_look_cloudy ? CARE_FOUND_BALLOON_UNCLEAR_CLOUDY
                                                    : CARE_FOUND_BALLOON_UNCLEAR_DISCOLOURED);
    care_draft_step(draft, run->first.at, PROTO_URGENCY_TODAY, CARE_NEXT_BALLOON_UNCLEAR_RENEW);
}

/* Once: a note, for today when no check has worked an hour later. Again: for today at once. */
static void word_stuck(const struct judge *j, const struct run *run, struct care_draft *draft) {
    draft_run(j, draft, PROTO_ALERT_BALLOON_STUCK, run,
              run->count > 1 ? CARE_FOUND_BALLOON_STUCK_AGAIN : CARE_FOUND_BALLOON_STUCK_ONCE);
    draft->alert.args[0] = run->count;
    int64_t waited =
        run->first.at + care_facts_span_at_ms(j->facts, PROTO_POLICY_BALLOON_STUCK_MIN, j->stoma, run->first.at);
    int64_t again = run->count > 1 ? run->evidence[1].at : INT64_MAX;
    care_draft_step(draft, run->first.at, PROTO_URGENCY_NOTE, CARE_NEXT_BALLOON_STUCK_TRY_AGAIN);
    care_draft_step(draft, again < waited ? again : waited, PROTO_URGENCY_TODAY, CARE_NEXT_BALLOON_STUCK_CALL);
}

static void word_fluid(const struct judge *j, const struct run *run, struct care_draft *draft) {
    uint8_t fluid = run->check->fluid;
    bool air = fluid == PROTO_fluid_air, saline = fluid == PROTO_fluid_saline;
    draft_run(j, draft, PROTO_ALERT_WRONG_FLUID, run,
              air      ? CARE_FOUND_WRONG_FLUID_AIR
              : saline ? CARE_FOUND_WRONG_FLUID_SALINE
                       : CARE_FOUND_WRONG_FLUID_WATER);
    const char *name = proto_choice_name("fluid", fluid);
    struct care_text text;
    care_text_init(&text, draft->alert.text, sizeof draft->alert.text);
    care_text_add(&text, name ? name : "other");
    care_draft_step(draft, run->first.at, air || saline ? PROTO_URGENCY_TODAY : PROTO_URGENCY_NOTE,
                    air || saline ? CARE_NEXT_WRONG_FLUID_REFILL : CARE_NEXT_WRONG_FLUID_REFILL_NEXT);
}

/* Over by itself on the first check day, which stands in `until`. */
static void word_early(const struct judge *j, const struct run *run, struct care_draft *draft) {
    int32_t formed = j->sf->formed_day;
    draft_run(j, draft, PROTO_ALERT_CHECKED_EARLY, run, CARE_FOUND_CHECKED_EARLY_EARLY);
    draft->alert.args[0] = formed == INT32_MIN ? 0 : care_facts_day(j->facts, run->check->fact.at) - formed;
    draft->alert.args[1] = formed == INT32_MIN ? 0 : j->sf->first_check_day - formed;
    draft->alert.args[2] = j->sf->first_check_day;
    draft->alert.until = care_facts_midnight(j->facts, j->sf->first_check_day);
    care_draft_step(draft, run->first.at, PROTO_URGENCY_TODAY, CARE_NEXT_CHECKED_EARLY_LEAVE);
}

static const struct {
    enum proto_alert alert;
    enum verdict (*judge)(const struct judge *j, const struct care_check *check);
    void (*word)(const struct judge *j, const struct run *run, struct care_draft *draft);
    bool by_volume; /* settled by volumes: a gap among them ends the run */
} balloon_rules[] = {
    {PROTO_ALERT_BALLOON_LOW, judge_low, word_low, true},
    {PROTO_ALERT_BALLOON_EMPTY, judge_empty, word_empty, true},
    {PROTO_ALERT_UNDERFILLED, judge_under, word_under, true},
    {PROTO_ALERT_OVERFILLED, judge_over, word_over, true},
    {PROTO_ALERT_BALLOON_UNCLEAR, judge_look, word_look, false},
    {PROTO_ALERT_BALLOON_STUCK, judge_stuck, word_stuck, true},
    {PROTO_ALERT_WRONG_FLUID, judge_fluid, word_fluid, false},
    {PROTO_ALERT_CHECKED_EARLY, judge_early, word_early, false},
};
#define BALLOON_RULES (sizeof balloon_rules / sizeof balloon_rules[0])

static void plan_rule(const struct judge *j, size_t rule, struct care_schedule *schedule) {
    const struct care_stoma *s = j->sf->stoma;
    struct run run = {0};
    for (uint32_t i = 0; i < s->check_count; i++) {
        enum verdict verdict = balloon_rules[rule].judge(j, &s->checks[i]);
        if (verdict == OPENS)
            run_add(&run, &s->checks[i]);
        else if (verdict == SETTLES)
            run_settle(&run, &s->checks[i]);
        run.cut = (run.cut && verdict == SILENT) || (s->checks[i].gap_after && balloon_rules[rule].by_volume);
    }
    if (run.count == 0)
        return;
    struct care_draft draft;
    balloon_rules[rule].word(j, &run, &draft);
    if (run.open)
        care_alert_open_device(j->facts, schedule, &draft);
    else
        care_alert_end(j->facts, schedule, &draft, &run.settled);
}

/* --- failing ------------------------------------------------------------------------------------------- */

/* Low checks running of one device, each but the last refilled; those near each other count once, a check in range begins anew. Once failing,
 * the device stays failing until it is gone. */
static bool find_failing(const struct judge *j, struct run *run) {
    const struct care_stoma *s = j->sf->stoma;
    bool refilled = false;
    int32_t counted = 0;
    int64_t counted_at = 0;
    for (uint32_t i = 0; i < s->check_count; i++) {
        const struct care_check *check = &s->checks[i];
        enum verdict verdict = judge_low(j, check);
        if (i > 0 && s->checks[i - 1].gap_after) {
            *run = (struct run){0};
            counted = 0;
        }
        if (verdict == SILENT)
            continue;
        int64_t same_ms =
            care_facts_span_at_ms(j->facts, PROTO_POLICY_BALLOON_SAME_CHECK_MIN, j->stoma, check->fact.at);
        bool fills = check->has_filled && check->filled_ml > 0;
        if (verdict == SETTLES) {
            *run = (struct run){0};
            counted = 0;
            continue;
        }
        if (counted > 0 && check->fact.at - counted_at <= same_ms) {
            refilled = refilled || fills;
            continue;
        }
        if (counted > 0 && !refilled) { /* low because nothing was put back: it says nothing new about the balloon */
            *run = (struct run){0};
            counted = 0;
        }
        run_add(run, check);
        counted++;
        counted_at = check->fact.at;
        refilled = fills;
        if (counted >= care_facts_whole_at(j->facts, PROTO_POLICY_BALLOON_FAILING_CHECKS, j->stoma, check->fact.at))
            return true;
    }
    return false;
}

static void plan_failing(const struct judge *j, struct care_schedule *schedule) {
    struct run run = {0};
    if (!find_failing(j, &run))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_BALLOON_FAILING, j->stoma, &run.check->fact, CARE_FOUND_BALLOON_FAILING_CHECKS);
    for (uint8_t i = 0; i < run.count && i < PROTO_EVIDENCE_MAX; i++)
        care_draft_evidence(&draft, &run.evidence[i]);
    draft.alert.args[0] = run.count;
    care_draft_step(&draft, run.check->fact.at, PROTO_URGENCY_TODAY, CARE_NEXT_BALLOON_FAILING_CHANGE);
    care_alert_open_device(j->facts, schedule, &draft);
}

/* --- a check that no longer counts ---------------------------------------------------------------------- */

/* The checks with one more among them, in order; of a full list the oldest gives way. */
static void insert_check(struct care_stoma *stoma, const struct care_check *check) {
    uint32_t place = 0;
    while (place < stoma->check_count && stoma->checks[place].fact.at <= check->fact.at)
        place++;
    if (stoma->check_count == PROTO_CHECKS_KEPT) {
        if (place == 0)
            return;
        for (uint32_t i = 1; i < place; i++)
            stoma->checks[i - 1] = stoma->checks[i];
        stoma->checks[place - 1] = *check;
        return;
    }
    for (uint32_t i = stoma->check_count++; i > place; i--)
        stoma->checks[i] = stoma->checks[i - 1];
    stoma->checks[place] = *check;
}

static bool failing_rests_on(const struct care_facts *facts, int stoma, const struct care_check *check) {
    struct care_stoma with = *care_facts_stoma(facts, stoma)->stoma;
    struct care_stoma_facts sf = *care_facts_stoma(facts, stoma);
    const struct judge j = {.facts = facts, .sf = &sf, .stoma = stoma};
    struct run run = {0};
    insert_check(&with, check);
    sf.stoma = &with;
    bool rests = false;
    if (find_failing(&j, &run)) {
        for (uint8_t i = 0; i < run.count && i < PROTO_EVIDENCE_MAX; i++)
            rests = rests || care_fact_order(&run.evidence[i], &check->fact) == 0;
    }
    return rests;
}

bool care_balloon_rests_on(const struct care_facts *facts, int stoma, enum proto_alert alert,
                           const struct care_check *check) {
    const struct judge j = {.facts = facts, .sf = care_facts_stoma(facts, stoma), .stoma = stoma};
    if (alert == PROTO_ALERT_BALLOON_FAILING)
        return failing_rests_on(facts, stoma, check);
    for (size_t rule = 0; rule < BALLOON_RULES; rule++) {
        if (balloon_rules[rule].alert == alert)
            return balloon_rules[rule].judge(&j, check) == OPENS;
    }
    return false;
}

void care_alerts_balloon(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    if (sf->stoma->check_count == 0)
        return;
    const struct judge j = {.facts = facts, .sf = sf, .stoma = stoma};
    for (size_t rule = 0; rule < BALLOON_RULES; rule++)
        plan_rule(&j, rule, schedule);
    plan_failing(&j, schedule);
}
