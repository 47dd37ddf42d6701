/*
 * tasks.c - from a date by the rules to a row of the schedule: plans, returns from hospital, deferrals, midnights.
 */
#include "care/tasks.h"
#include "care/chars.h"
#include "care/step.h"

#include <assert.h>

struct care_task_draft care_task_draft(enum proto_task task, int stoma) {
    return (struct care_task_draft){.task = task,
                                    .stoma = stoma,
                                    .name = "",
                                    .due_day = INT32_MIN,
                                    .overdue_day = INT32_MIN,
                                    .not_before_day = INT32_MIN,
                                    .why = CARE_WHY_INTERVAL};
}

struct care_task *care_schedule_add_task(struct care_schedule *schedule, enum proto_task task, int stoma) {
    if (schedule->task_count == PROTO_SCHEDULE_TASKS_MAX) {
        schedule->overflow = true;
        return NULL;
    }
    struct care_task *row = &schedule->tasks[schedule->task_count++];
    memset(row, 0, sizeof *row);
    row->task = (uint8_t)task;
    row->stoma = (uint8_t)stoma;
    return row;
}

struct care_fact care_task_newest_done(const struct care_state *state, enum proto_task task, int stoma) {
    struct care_fact newest = {0};
    for (uint32_t i = 0; i < state->done_count; i++) {
        const struct care_task_done *done = &state->done[i];
        if (done->task == task && (stoma == 0 || done->stoma == stoma) && care_fact_order(&done->fact, &newest) > 0)
            newest = done->fact;
    }
    return newest;
}

bool care_task_fixed_done(const struct care_facts *facts, const struct care_fact *done, const struct care_fact *after,
                          int32_t due_day, int stoma) {
    if (!care_fact_is(done) || done->at < after->at)
        return false;
    int32_t early = care_facts_whole(facts, PROTO_POLICY_DONE_EARLY_DAYS, stoma, INT32_MIN);
    return care_facts_day(facts, done->at) >= due_day - early;
}

/* --- intervals and the child's plan -------------------------------------------------------------------- */

static int32_t add_interval(const struct care_plan_entry *plan, int32_t from, int32_t days, enum care_why *why) {
    int32_t general = from + days;
    if (!plan || plan->off || plan->every_days <= 0)
        return general;
    int32_t planned = from + plan->every_days;
    if (plan->until_day == 0 || planned <= plan->until_day) {
        *why = CARE_WHY_PLAN;
        return planned;
    }
    return general > plan->until_day ? general : plan->until_day + 1; /* the plan ends first */
}

void care_task_by_interval(const struct care_facts *facts, struct care_task_draft *draft, int32_t start_day,
                           int32_t days) {
    const struct care_plan_entry *plan = care_facts_plan(facts, draft->task, draft->stoma);
    if (care_fact_is(&draft->last)) {
        int32_t last_day = care_facts_day(facts, draft->last.at);
        draft->due_day = add_interval(plan, last_day, days, &draft->why);
        if (last_day >= start_day || draft->due_day >= start_day)
            return;
    }
    draft->why = CARE_WHY_FIRST;
    draft->due_day = add_interval(plan, start_day, days, &draft->why);
}

/* Past the pause that holds on a day, or to the next weekday; the same day when the plan leaves it. */
static int32_t plan_step(const struct care_plan_entry *plan, int32_t day) {
    for (uint32_t i = 0; i < plan->pause_count; i++) {
        if (day >= plan->pauses[i].from && day <= plan->pauses[i].to)
            return plan->pauses[i].to + 1;
    }
    if (plan->weekdays != 0 && !(plan->weekdays & (1u << (proto_day_of_week(day) - 1))))
        return day + 1;
    return day;
}

int32_t care_task_plan_shift(const struct care_plan_entry *plan, int32_t day) {
    if (!plan)
        return day;
    if (plan->off)
        return plan->until_day != 0 && day <= plan->until_day ? plan->until_day + 1 : day;
    /* Each pause is left at most once and a weekday comes within seven days of each: the bound is never met. */
    for (int i = 0; i < (PROTO_PAUSES_MAX + 1) * 8; i++) {
        if (plan->until_day != 0 && day > plan->until_day)
            return day;
        int32_t next = plan_step(plan, day);
        if (next == day)
            return day;
        day = plan->until_day != 0 && next > plan->until_day ? plan->until_day + 1 : next;
    }
    return day;
}

/* --- deferrals ------------------------------------------------------------------------------------------- */

static const struct care_deferral *find_deferral(const struct care_state *state, const struct care_task_draft *draft) {
    for (uint32_t i = 0; i < state->deferral_count; i++) {
        const struct care_deferral *deferral = &state->deferrals[i];
        bool same = draft->stoma == 0 || deferral->stoma == 0 || deferral->stoma == draft->stoma;
        if (deferral->task == draft->task && same && strcmp(deferral->name, draft->name) == 0)
            return deferral;
    }
    return NULL;
}

/* The date that the wishes within the limits move an occurrence to; due_day when none does. */
static int32_t deferred_day(const struct care_facts *facts, const struct care_task_draft *draft, int32_t due_day) {
    const struct care_deferral *deferral = find_deferral(facts->state, draft);
    if (!deferral || draft->task == PROTO_TASK_BALLOON_RECHECK)
        return due_day;
    if (proto_task_defers_freely(draft->task))
        return deferral->until_day > due_day ? deferral->until_day : due_day;
    int32_t days = care_facts_whole(facts, PROTO_POLICY_DEFER_DAYS_MAX, draft->stoma, INT32_MIN);
    int32_t times = care_facts_whole(facts, PROTO_POLICY_DEFER_TIMES_MAX, draft->stoma, INT32_MIN);
    int32_t day = due_day;
    for (uint32_t i = 0; times > 0 && i < deferral->times && i < CARE_DEFERRALS_KEPT; i++) {
        int32_t until = deferral->untils[i];
        if (until <= day || until - due_day > days)
            continue;
        day = until;
        times--;
    }
    return day;
}

static void copy_giving(const struct care_state *state, const struct care_task_draft *draft, struct care_task *row) {
    for (uint32_t i = 0; i < state->giving_count; i++) {
        const struct care_giving *giving = &state->givings[i];
        bool same = draft->stoma == 0 || giving->stoma == 0 || giving->stoma == draft->stoma;
        if (giving->task == draft->task && same && strcmp(giving->name, draft->name) == 0)
            memcpy(row->given_to, giving->to, sizeof row->given_to);
    }
}

struct care_task *care_task_place(const struct care_facts *facts, struct care_schedule *schedule,
                                  const struct care_task_draft *draft) {
    assert(draft->due_day != INT32_MIN && draft->grace_days >= 0);
    enum care_why why = draft->why;
    int32_t day = draft->due_day;
    if (facts->return_day > day && !draft->stays_put) {
        day = facts->return_day;
        why = CARE_WHY_RETURN;
    }
    if (day < draft->not_before_day)
        day = draft->not_before_day;
    int32_t shifted = care_task_plan_shift(care_facts_plan(facts, draft->task, draft->stoma), day);
    if (shifted != day)
        why = CARE_WHY_PLAN;
    int32_t deferred = deferred_day(facts, draft, shifted);
    if (deferred != shifted)
        why = CARE_WHY_DEFERRED;
    struct care_task *row = care_schedule_add_task(schedule, draft->task, draft->stoma);
    if (!row)
        return NULL;
    int32_t overdue_day = deferred + draft->grace_days + 1;
    if (overdue_day < draft->overdue_day)
        overdue_day = draft->overdue_day;
    memcpy(row->name, draft->name, strlen(draft->name) + 1);
    row->due_day = deferred;
    row->due_at = care_facts_midnight(facts, deferred);
    row->overdue_at = care_facts_midnight(facts, overdue_day);
    row->last_done_at = draft->last.at;
    row->deferred_until = deferred != shifted ? deferred : 0;
    row->why = (uint8_t)why;
    copy_giving(facts->state, draft, row);
    assert(row->due_at <= row->overdue_at);
    return row;
}

/* --- asked before an event is taken ---------------------------------------------------------------------- */

bool care_defer_allowed(const struct care_state *state, const struct care_context *context,
                        const struct proto_event *deferred) {
    assert(deferred->kind == PROTO_KIND_task_deferred);
    const struct proto_value *name = PROTO_BODY(deferred, task_deferred, task);
    const struct proto_value *until = PROTO_BODY(deferred, task_deferred, until);
    enum proto_task task = name->present ? proto_task_find(name->text) : PROTO_TASK_NONE;
    if (task == PROTO_TASK_BALLOON_RECHECK)
        return false;
    if (task == PROTO_TASK_NONE || task == PROTO_TASK_ADDED || proto_task_defers_freely(task) || !until->present)
        return true;
    struct care_state after = *state;
    struct care_schedule schedule = {0};
    struct care_facts facts;
    care_step_task_deferred(&after, deferred);
    care_facts_init(&facts, &after, context);
    care_plan_tasks(&facts, &schedule);
    bool any = false;
    for (uint32_t i = 0; i < schedule.task_count; i++) {
        const struct care_task *row = &schedule.tasks[i];
        if (row->task != task || (row->stoma != 0 && row->stoma != proto_event_stoma(deferred)))
            continue;
        if (row->deferred_until == (int32_t)until->n || row->due_day >= (int32_t)until->n)
            return true;
        any = true;
    }
    return !any; /* with no such task there is nothing that it could move too far */
}
