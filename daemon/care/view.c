/*
 * view.c - what holds at a moment, read off a schedule; the only place where a "now" meets the rules.
 *
 * What always holds: nothing is computed that the schedule does not say; a `now` alert is never quieted.
 */
#include "care/care.h"

#include <assert.h>

static enum care_task_state task_state_at(const struct care_task *task, int64_t now) {
    if (now < task->due_at || (task->quiet_until != 0 && now < task->quiet_until))
        return CARE_TASK_UPCOMING;
    return now < task->overdue_at ? CARE_TASK_DUE : CARE_TASK_OVERDUE;
}

/* 1 + index of the step that holds, or 0. */
static uint8_t alert_step_at(const struct care_alert *alert, int64_t now) {
    if (alert->ended_how != CARE_ENDED_NOT || (alert->until != 0 && now >= alert->until))
        return 0;
    uint8_t step = 0;
    while (step < alert->step_count && alert->steps[step].from <= now)
        step++;
    bool quiet = alert->quiet_until != 0 && now >= alert->quiet_from && now < alert->quiet_until;
    if (step > 0 && quiet && alert->steps[step - 1].urgency != PROTO_URGENCY_NOW)
        return 0;
    return step;
}

static bool alert_ended_at(const struct care_alert *alert, int64_t now) {
    return alert->ended_how != CARE_ENDED_NOT && now >= alert->ended_at && (alert->until == 0 || now < alert->until);
}

static enum proto_level urgency_level(uint8_t urgency) {
    switch (urgency) {
    case PROTO_URGENCY_NOW:
        return PROTO_LEVEL_NOW;
    case PROTO_URGENCY_TODAY:
        return PROTO_LEVEL_TODAY;
    case PROTO_URGENCY_SOON:
        return PROTO_LEVEL_SOON;
    default:
        return PROTO_LEVEL_NOTE;
    }
}

static enum proto_level task_level(uint8_t state) {
    if (state == CARE_TASK_OVERDUE)
        return PROTO_LEVEL_OVERDUE;
    return state == CARE_TASK_DUE ? PROTO_LEVEL_DUE : PROTO_LEVEL_SETTLED;
}

void care_view(const struct care_schedule *schedule, int64_t now, struct care_view *view) {
    *view = (struct care_view){.level = PROTO_LEVEL_SETTLED};
    assert(schedule->task_count <= PROTO_SCHEDULE_TASKS_MAX && schedule->alert_count <= PROTO_SCHEDULE_ALERTS_MAX);
    for (uint32_t i = 0; i < schedule->task_count; i++) {
        view->task_state[i] = (uint8_t)task_state_at(&schedule->tasks[i], now);
        enum proto_level level = task_level(view->task_state[i]);
        if (level < view->level)
            view->level = (uint8_t)level;
    }
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        const struct care_alert *alert = &schedule->alerts[i];
        view->alert_step[i] = alert_step_at(alert, now);
        view->alert_ended[i] = alert_ended_at(alert, now);
        if (view->alert_step[i] == 0)
            continue;
        enum proto_level level = urgency_level(alert->steps[view->alert_step[i] - 1].urgency);
        if (level < view->level)
            view->level = (uint8_t)level;
    }
}

static void nearer(int64_t *next, int64_t at, int64_t after) {
    if (at > after && at < *next)
        *next = at;
}

static void alert_crossings(const struct care_alert *alert, int64_t after, int64_t *next) {
    if (alert->ended_how != CARE_ENDED_NOT)
        nearer(next, alert->ended_at, after);
    if (alert->until != 0)
        nearer(next, alert->until, after);
    if (alert->ended_how != CARE_ENDED_NOT)
        return;
    for (uint32_t i = 0; i < alert->step_count; i++)
        nearer(next, alert->steps[i].from, after);
    if (alert->quiet_until != 0) {
        nearer(next, alert->quiet_from, after);
        nearer(next, alert->quiet_until, after);
    }
}

int64_t care_next_crossing(const struct care_schedule *schedule, int64_t after) {
    int64_t next = INT64_MAX;
    for (uint32_t i = 0; i < schedule->task_count; i++) {
        const struct care_task *task = &schedule->tasks[i];
        int64_t due = task->quiet_until > task->due_at ? task->quiet_until : task->due_at;
        nearer(&next, due, after);
        nearer(&next, task->overdue_at > due ? task->overdue_at : due, after);
    }
    for (uint32_t i = 0; i < schedule->alert_count; i++)
        alert_crossings(&schedule->alerts[i], after, &next);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++)
        nearer(&next, schedule->mature_at[i], after); /* home change may be allowed from then on */
    nearer(&next, schedule->waiting_at, after);       /* an event's time comes */
    return next;
}
