/*
 * tasks_list.c - every routine task: when it applies, from when it runs, how often, with what grace.
 *
 * What always holds: a task about a device is there only while a feeding device
 * is in place; nothing is ever offered that must not be done (turning with the
 * tip in the jejunum, drawing a balloon before its first check day).
 */
#include "care/chars.h"
#include "care/tasks.h"

#include <assert.h>

static int32_t later(int32_t a, int32_t b) {
    return a > b ? a : b;
}

int32_t care_check_lost_ml(const struct care_check *check) {
    if (!check->has_withdrawn || (check->before_ml == 0 && !check->before_known))
        return INT32_MIN;
    return check->before_ml - check->withdrawn_ml;
}

/* The interval in force for one occurrence: a plan of the child's own that is over before the date does not reach it. */
static int32_t interval_days(const struct care_facts *facts, const struct care_task_draft *draft, int32_t start_day,
                             enum proto_policy policy) {
    int32_t from = care_fact_is(&draft->last) ? care_facts_day(facts, draft->last.at) : start_day;
    int32_t days = care_facts_whole(facts, policy, draft->stoma, from);
    return from == INT32_MIN ? days : care_facts_whole(facts, policy, draft->stoma, from + days);
}

/* --- the balloon ------------------------------------------------------------------------------------------ */

static void plan_balloon_check(const struct care_facts *facts, const struct care_stoma_facts *s,
                               struct care_schedule *schedule) {
    if (!s->balloon)
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_BALLOON_CHECK, s->number);
    int32_t start = later(facts->registered_day, s->placed_day);
    draft.last = s->stoma->last_good_check;
    draft.not_before_day = s->first_check_day;
    care_task_by_interval(facts, &draft, start, interval_days(facts, &draft, start, PROTO_POLICY_BALLOON_CHECK_DAYS));
    if (!care_fact_is(&draft.last) &&
        start <= s->first_check_day) { /* a new stoma: the first day on which it may be done */
        draft.due_day = s->first_check_day;
        draft.why = CARE_WHY_FIRST;
    }
    const struct care_forecast *forecast = &schedule->stomas[s->number - 1].balloon;
    if (forecast->known && forecast->expected_low_day != 0 && forecast->expected_low_day < draft.due_day &&
        forecast->expected_low_day > s->first_check_day) {
        draft.due_day = forecast->expected_low_day;
        draft.why = CARE_WHY_LOW_BEFORE;
    }
    (void)care_task_place(facts, schedule, &draft);
}

static void plan_balloon_recheck(const struct care_facts *facts, const struct care_stoma_facts *s,
                                 struct care_schedule *schedule) {
    const struct care_stoma *stoma = s->stoma;
    uint32_t i = stoma->check_count;
    while (i > 0 && !stoma->checks[i - 1].has_withdrawn)
        i--;
    if (!s->balloon || i == 0)
        return;
    const struct care_check *check = &stoma->checks[i - 1];
    int32_t day = care_facts_day(facts, check->fact.at);
    int32_t lost = care_check_lost_ml(check);
    if (lost == INT32_MIN || lost <= care_facts_value(facts, PROTO_POLICY_BALLOON_LOSS_ML, s->number, day))
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_BALLOON_RECHECK, s->number);
    draft.due_day = day + care_facts_whole(facts, PROTO_POLICY_BALLOON_RECHECK_DAYS, s->number, day);
    draft.not_before_day = s->first_check_day;
    draft.last = check->fact;
    (void)care_task_place(facts, schedule, &draft);
}

/* --- the device ------------------------------------------------------------------------------------------- */

static void plan_extension_change(const struct care_facts *facts, const struct care_stoma_facts *s,
                                  struct care_schedule *schedule) {
    if (!s->low)
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_EXTENSION_CHANGE, s->number);
    draft.last = s->stoma->care_done[PROTO_care_item_extension_change];
    int32_t start = later(facts->registered_day, s->placed_day);
    care_task_by_interval(facts, &draft, start,
                          interval_days(facts, &draft, start, PROTO_POLICY_EXTENSION_CHANGE_DAYS));
    (void)care_task_place(facts, schedule, &draft);
}

/* The last day on which a booked change still lies inside the window, or INT32_MIN. */
static int32_t booked_day(const struct care_facts *facts, const struct care_stoma_facts *s) {
    const struct care_state *state = facts->state;
    for (uint32_t i = 0; i < state->appointment_count; i++) {
        const struct care_appointment *booked = &state->appointments[i];
        if (booked->what == PROTO_appointment_for_device_change && booked->stoma == s->number &&
            booked->on_day >= s->placed_day && booked->on_day <= s->change_by_day)
            return booked->on_day;
    }
    return INT32_MIN;
}

static void plan_device_change(const struct care_facts *facts, const struct care_stoma_facts *s,
                               struct care_schedule *schedule) {
    if (!s->has_device || s->change_due_day == 0)
        return;
    const struct care_plan_entry *plan = care_facts_plan(facts, PROTO_TASK_DEVICE_CHANGE, s->number);
    struct care_task_draft draft = care_task_draft(PROTO_TASK_DEVICE_CHANGE, s->number);
    draft.due_day = s->change_due_day;
    draft.overdue_day = s->change_by_day + 1;
    draft.last = s->stoma->device.placed;
    if (s->stoma->prescribed_change_months > 0)
        draft.why = CARE_WHY_PRESCRIBED;
    else if (plan && !plan->off && plan->every_days > 0)
        draft.why = CARE_WHY_PLAN;
    struct care_task *row = care_task_place(facts, schedule, &draft);
    int32_t booked = booked_day(facts, s);
    if (row && booked != INT32_MIN) {
        row->quiet_until = care_facts_midnight(facts, booked + 1);
        row->why = CARE_WHY_BOOKED;
    }
}

static void plan_taping(const struct care_facts *facts, const struct care_stoma_facts *s,
                        struct care_schedule *schedule) {
    if (!s->has_device)
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_TAPING, s->number);
    draft.last = s->stoma->care_done[PROTO_care_item_taping];
    int32_t start = later(facts->registered_day, s->placed_day);
    care_task_by_interval(facts, &draft, start, interval_days(facts, &draft, start, PROTO_POLICY_TAPING_DAYS));
    bool always = facts->state->active == 2;
    int32_t young = care_facts_whole(facts, PROTO_POLICY_TAPING_UNTIL_DAYS, s->number, draft.due_day);
    bool while_young = s->formed_day != INT32_MIN && draft.due_day < s->formed_day + young;
    if (always || while_young)
        (void)care_task_place(facts, schedule, &draft);
}

/* --- day by day, only where the child's plan asks for it --------------------------------------------------- */

/* Places a task that only the plan asks for, unless the plan ends before its date. */
static void place_planned(const struct care_facts *facts, struct care_schedule *schedule, struct care_task_draft *draft,
                          int32_t start_day, int32_t days) {
    const struct care_plan_entry *plan = care_facts_plan(facts, draft->task, draft->stoma);
    assert(plan);
    int32_t from = care_facts_day(facts, plan->fact.at);
    int32_t every = plan->every_days > 0 ? plan->every_days : days;
    int32_t start = later(start_day, from);
    int32_t last = care_fact_is(&draft->last) ? care_facts_day(facts, draft->last.at) : INT32_MIN;
    draft->due_day = later(start, last == INT32_MIN ? INT32_MIN : last) + every;
    if (last != INT32_MIN && last < start && last + every >= start)
        draft->due_day = last + every;
    draft->due_day = later(draft->due_day, draft->not_before_day);
    draft->why = CARE_WHY_PLAN;
    if (plan->until_day != 0 && care_task_plan_shift(plan, draft->due_day) > plan->until_day)
        return;
    (void)care_task_place(facts, schedule, draft);
}

static bool is_planned(const struct care_facts *facts, enum proto_task task, int stoma) {
    const struct care_plan_entry *plan = care_facts_plan(facts, task, stoma);
    return plan && !plan->off;
}

static void plan_site_care(const struct care_facts *facts, const struct care_stoma_facts *s,
                           struct care_schedule *schedule) {
    if (!is_planned(facts, PROTO_TASK_SITE_CARE, s->number))
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_SITE_CARE, s->number);
    draft.last = s->stoma->care_done[PROTO_care_item_site_care];
    place_planned(facts, schedule, &draft, facts->registered_day, 1);
}

/* The day the stitches were taken out; INT32_MIN: there are none to wait for; INT32_MAX: they are still in. */
static int32_t stitches_out_day(const struct care_facts *facts, const struct care_stoma_facts *s) {
    if (s->stoma->stitches_out_day == INT32_MIN)
        return INT32_MIN;
    struct care_fact done = care_task_newest_done(facts->state, PROTO_TASK_STITCHES_OUT, s->number);
    if (!care_fact_is(&done) || done.at < s->stoma->formed.at)
        return INT32_MAX;
    return care_facts_day(facts, done.at);
}

static void plan_rotate(const struct care_facts *facts, const struct care_stoma_facts *s,
                        struct care_schedule *schedule) {
    if (!s->has_device || s->stoma->device.tip != PROTO_tip_stomach || !is_planned(facts, PROTO_TASK_ROTATE, s->number))
        return;
    int32_t stitches = stitches_out_day(facts, s);
    if (stitches == INT32_MAX)
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_ROTATE, s->number);
    draft.last = s->stoma->care_done[PROTO_care_item_rotate];
    draft.not_before_day = stitches;
    if (s->formed_day != INT32_MIN)
        draft.not_before_day = later(
            stitches, s->formed_day + care_facts_whole(facts, PROTO_POLICY_ROTATE_FROM_DAYS, s->number, INT32_MIN));
    bool bumper = s->stoma->device.retention == PROTO_retention_bumper;
    int32_t days = bumper ? care_facts_whole(facts, PROTO_POLICY_BUMPER_ROTATE_DAYS, s->number, INT32_MIN) : 1;
    place_planned(facts, schedule, &draft, later(facts->registered_day, s->placed_day), days);
}

static void plan_dressing(const struct care_facts *facts, const struct care_stoma_facts *s,
                          struct care_schedule *schedule) {
    const struct care_sign *leak = &s->stoma->signs[CARE_SIGN_LEAK];
    if (!leak->open || !is_planned(facts, PROTO_TASK_DRESSING, s->number))
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_DRESSING, s->number);
    draft.last = s->stoma->care_done[PROTO_care_item_dressing];
    place_planned(facts, schedule, &draft, later(facts->registered_day, care_facts_day(facts, leak->first.at)), 1);
}

/* --- dates ------------------------------------------------------------------------------------------------- */

static void plan_stitches_out(const struct care_facts *facts, const struct care_stoma_facts *s,
                              struct care_schedule *schedule) {
    int32_t day = s->stoma->stitches_out_day;
    if (day == INT32_MIN)
        return;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_STITCHES_OUT, s->number);
    struct care_fact done = care_task_newest_done(facts->state, PROTO_TASK_STITCHES_OUT, s->number);
    if (care_task_fixed_done(facts, &done, &s->stoma->formed, day, s->number))
        return;
    draft.due_day = day;
    draft.why = CARE_WHY_PRESCRIBED;
    (void)care_task_place(facts, schedule, &draft);
}

/* True when a stoma was formed during the last hospital stay. */
static bool stay_formed_stoma(const struct care_facts *facts) {
    const struct care_stay *stay = &facts->state->stay;
    if (stay->stoma_formed || !care_fact_is(&stay->started))
        return stay->stoma_formed;
    int32_t first = care_facts_day(facts, stay->started.at);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        const struct care_stoma_facts *s = &facts->stomas[i];
        if (s->exists && s->formed_day >= first && s->formed_day <= facts->return_day)
            return true;
    }
    return false;
}

static void plan_day_after(const struct care_facts *facts, struct care_schedule *schedule, enum proto_task task,
                           const struct care_fact *since, bool stays_put) {
    struct care_task_draft draft = care_task_draft(task, 0);
    draft.due_day =
        care_facts_day(facts, since->at) + care_facts_whole_at(facts, PROTO_POLICY_FOLLOW_UP_DAYS, 0, since->at);
    struct care_fact done = care_task_newest_done(facts->state, task, 0);
    if (care_task_fixed_done(facts, &done, since, draft.due_day, 0))
        return;
    draft.why = stays_put ? CARE_WHY_RETURN : CARE_WHY_INTERVAL;
    draft.stays_put = stays_put;
    (void)care_task_place(facts, schedule, &draft);
}

static void plan_after_stay(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (care_fact_is(&state->stay.ended))
        plan_day_after(facts, schedule, stay_formed_stoma(facts) ? PROTO_TASK_FIRST_VISIT : PROTO_TASK_RETURN_CHECK,
                       &state->stay.ended, true);
    if (care_fact_is(&state->hospital))
        plan_day_after(facts, schedule, PROTO_TASK_HOSPITAL_FOLLOW_UP, &state->hospital, false);
}

/* --- the child --------------------------------------------------------------------------------------------- */

static void plan_weekly_contact(const struct care_facts *facts, struct care_schedule *schedule) {
    struct care_task_draft draft = care_task_draft(PROTO_TASK_WEEKLY_CONTACT, 0);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        if (care_fact_order(&facts->state->stomas[i].weekly, &draft.last) > 0)
            draft.last = facts->state->stomas[i].weekly;
    }
    care_task_by_interval(facts, &draft, facts->registered_day,
                          interval_days(facts, &draft, facts->registered_day, PROTO_POLICY_WEEKLY_CONTACT_DAYS));
    draft.grace_days = care_facts_whole(facts, PROTO_POLICY_WEEKLY_CONTACT_GRACE_DAYS, 0, draft.due_day);
    (void)care_task_place(facts, schedule, &draft);
}

static void append(char *out, size_t cap, const char *text) {
    size_t used = strlen(out);
    assert(used < cap);
    care_text_copy(out + used, cap - used, (struct proto_slice){text, (uint32_t)strlen(text)});
}

static void plan_training(const struct care_facts *facts, struct care_schedule *schedule,
                          const struct care_carer *carer, int skill) {
    struct care_task_draft draft = care_task_draft(PROTO_TASK_TRAINING, 0);
    draft.last = carer->skills[skill].fact;
    if (carer->left || !care_fact_is(&draft.last))
        return;
    draft.due_day = carer->skills[skill].until_day;
    if (draft.due_day == 0)
        draft.due_day =
            proto_day_add_months(care_facts_day(facts, draft.last.at),
                                 care_facts_whole_at(facts, PROTO_POLICY_TRAINING_MONTHS, 0, draft.last.at));
    draft.grace_days = care_facts_whole(facts, PROTO_POLICY_TRAINING_GRACE_DAYS, 0, draft.due_day);
    draft.why = CARE_WHY_EXPIRES;
    struct care_task *row = care_task_place(facts, schedule, &draft);
    if (!row)
        return;
    append(row->title, sizeof row->title, "Renew training in ");
    append(row->title, sizeof row->title, proto_choice_name("skill", (uint32_t)skill));
    append(row->title, sizeof row->title, ": ");
    append(row->title, sizeof row->title, carer->name);
}

static void plan_trainings(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    for (uint32_t i = 0; i < state->carer_count; i++) {
        for (int skill = 1; skill < PROTO_skill_count; skill++)
            plan_training(facts, schedule, &state->carers[i], skill);
    }
}

static void plan_spare_check(const struct care_facts *facts, const struct care_stoma_facts *s,
                             struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_SPARE_CHECK, s->number);
    for (uint32_t i = 0; i < state->spare_count; i++) {
        if (state->spares[i].stoma == s->number && care_fact_order(&state->spares[i].fact, &draft.last) > 0)
            draft.last = state->spares[i].fact;
    }
    care_task_by_interval(facts, &draft, facts->registered_day,
                          interval_days(facts, &draft, facts->registered_day, PROTO_POLICY_SPARE_CHECK_DAYS));
    draft.grace_days = care_facts_whole(facts, PROTO_POLICY_SPARE_CHECK_GRACE_DAYS, s->number, draft.due_day);
    if (care_fact_is(&s->stoma->spare_used) && s->stoma->spare_used.at >= draft.last.at) {
        int32_t used_day = care_facts_day(facts, s->stoma->spare_used.at);
        if (used_day < draft.due_day) {
            draft.due_day = used_day;
            draft.why = CARE_WHY_SPARE_USED;
        }
    }
    (void)care_task_place(facts, schedule, &draft);
}

static void plan_weight(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    struct care_task_draft draft = care_task_draft(PROTO_TASK_WEIGHT, 0);
    draft.last = state->weight;
    int32_t from = care_fact_is(&draft.last) ? care_facts_day(facts, draft.last.at) : facts->registered_day;
    int32_t due;
    if (from < proto_day_add_months(state->born_day, 3))
        due = from + care_facts_whole(facts, PROTO_POLICY_WEIGHT_INFANT_DAYS, 0, from);
    else if (from < proto_day_add_months(state->born_day, 24))
        due = proto_day_add_months(from, care_facts_whole(facts, PROTO_POLICY_WEIGHT_TODDLER_MONTHS, 0, from));
    else
        due = proto_day_add_months(from, care_facts_whole(facts, PROTO_POLICY_WEIGHT_CHILD_MONTHS, 0, from));
    care_task_by_interval(facts, &draft, from, due - from);
    draft.grace_days = care_facts_whole(facts, PROTO_POLICY_WEIGHT_GRACE_DAYS, 0, draft.due_day);
    (void)care_task_place(facts, schedule, &draft);
}

static void plan_added(const struct care_facts *facts, struct care_schedule *schedule,
                       const struct care_added_task *added) {
    struct care_task_draft draft = care_task_draft(PROTO_TASK_ADDED, added->stoma == PROTO_stoma_second ? 2 : 0);
    draft.name = added->name;
    draft.last = added->done;
    draft.due_day = added->due_day;
    if (care_fact_is(&added->done)) {
        if (added->every_days > 0)
            draft.due_day = care_facts_day(facts, added->done.at) + added->every_days;
        else if (care_task_fixed_done(facts, &added->done, &added->fact, added->due_day, 0))
            return;
    }
    struct care_task *row = care_task_place(facts, schedule, &draft);
    if (row)
        memcpy(row->title, added->title, sizeof row->title);
}

static void plan_stoma(const struct care_facts *facts, const struct care_stoma_facts *s,
                       struct care_schedule *schedule) {
    plan_balloon_check(facts, s, schedule);
    plan_balloon_recheck(facts, s, schedule);
    plan_extension_change(facts, s, schedule);
    plan_device_change(facts, s, schedule);
    plan_site_care(facts, s, schedule);
    plan_rotate(facts, s, schedule);
    plan_dressing(facts, s, schedule);
    plan_taping(facts, s, schedule);
    plan_stitches_out(facts, s, schedule);
    plan_spare_check(facts, s, schedule);
}

void care_plan_tasks(const struct care_facts *facts, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    if (facts->closed || facts->in_hospital || !care_fact_is(&state->registered))
        return;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        if (facts->stomas[i].exists)
            plan_stoma(facts, &facts->stomas[i], schedule);
    }
    plan_weekly_contact(facts, schedule);
    plan_after_stay(facts, schedule);
    plan_weight(facts, schedule);
    for (uint32_t i = 0; i < state->added_count; i++)
        plan_added(facts, schedule, &state->added[i]);
    plan_trainings(facts, schedule); /* the longest list comes last */
}
