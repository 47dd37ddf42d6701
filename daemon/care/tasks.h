/*
 * tasks.h - how a task gets its dates: the one way from an old date to a row of the schedule.
 *
 * Internal to care/. What always holds: dates come from facts alone; a deferral
 * past its limits is as if it had not been written.
 */
#ifndef CARE_TASKS_H
#define CARE_TASKS_H

#include "care/facts.h"

/* A task on its way into the schedule. Days are local dates. */
struct care_task_draft {
    enum proto_task task;
    int stoma;        /* enum proto_choice_stoma; 0: of the child */
    const char *name; /* of an added task, else "" */
    int32_t due_day;
    int32_t grace_days;     /* overdue from midnight after due_day + grace_days */
    int32_t overdue_day;    /* not overdue before midnight of this day; INT32_MIN: no such bound */
    int32_t not_before_day; /* never due before; INT32_MIN: no such bound */
    bool stays_put;         /* not moved by the return from hospital */
    struct care_fact last;  /* last done */
    enum care_why why;
};

struct care_task_draft care_task_draft(enum proto_task task, int stoma);
/* From the draft's date to a row: return from hospital, the child's plan, deferral, midnights. NULL when the schedule is full. */
struct care_task *care_task_place(const struct care_facts *facts, struct care_schedule *schedule,
                                  const struct care_task_draft *draft);
/* Sets due_day and why by an interval: from the last time, or where there is none (or it lies a whole interval before `start_day`) from the start.
 * The child's plan beats `days`, for as long as it is in force. */
void care_task_by_interval(const struct care_facts *facts, struct care_task_draft *draft, int32_t start_day,
                           int32_t days);
/* True when a task with a fixed date counts as done: up to done-early-days before, and not before `after`. */
bool care_task_fixed_done(const struct care_facts *facts, const struct care_fact *done, const struct care_fact *after,
                          int32_t due_day, int stoma);
/* Newest task.done of a task without a kind of its own; stoma 0: of whatever stoma. */
struct care_fact care_task_newest_done(const struct care_state *state, enum proto_task task, int stoma);
/* First date from `day` on that the plan's weekdays and pauses leave; past `until` the plan says nothing. */
int32_t care_task_plan_shift(const struct care_plan_entry *plan, int32_t day);
/* Water lost at a check in hundredths of mL; INT32_MIN: not known. */
int32_t care_check_lost_ml(const struct care_check *check);

#endif
