/*
 * step_plan.c - the child's own plan and the team's own tasks: events into facts.
 *
 * What always holds: limits on deferrals are policy and so are judged when
 * planning; here each wish for one occurrence is kept in order. Lists keep the
 * first that came; a row that no longer says anything makes room.
 */
#include "care/step.h"

#include <assert.h>

static int32_t sound_day(int32_t day) {
    return day < PROTO_DAY_MIN ? PROTO_DAY_MIN : day > PROTO_DAY_MAX ? PROTO_DAY_MAX : day;
}

static void set_pauses(struct care_plan_entry *plan, const struct proto_value *pauses) {
    uint32_t count = pauses->present && pauses->n > 0 ? (uint32_t)pauses->n : 0;
    if (count > PROTO_PAUSES_MAX)
        count = PROTO_PAUSES_MAX;
    plan->pause_count = (uint8_t)count;
    for (uint32_t i = 0; i < count; i++) {
        struct proto_record record = proto_list_record(pauses, i);
        plan->pauses[i].from = sound_day(record.from);
        plan->pauses[i].to = sound_day(record.to);
    }
}

void care_step_plan_set(struct care_state *state, const struct proto_event *event) {
    uint8_t task = care_said_choice(PROTO_BODY(event, plan_set, task));
    uint8_t policy = care_said_choice(PROTO_BODY(event, plan_set, policy));
    uint8_t stoma = (uint8_t)proto_event_stoma(event);
    uint32_t i = 0;
    if (task == 0 && policy == 0)
        return;
    while (i < state->plan_count &&
           (state->plans[i].task != task || state->plans[i].policy != policy || state->plans[i].stoma != stoma))
        i++;
    if (i == PROTO_PLANS_MAX) {
        state->overflow = true;
        return;
    }
    if (i == state->plan_count)
        state->plan_count++;
    struct care_plan_entry *plan = &state->plans[i];
    const struct proto_value *weekdays = PROTO_BODY(event, plan_set, weekdays);
    const struct proto_value *value = PROTO_BODY(event, plan_set, value);
    memset(plan, 0, sizeof *plan);
    plan->fact = care_step_fact(event);
    plan->task = task;
    plan->policy = policy;
    plan->stoma = stoma;
    plan->weekdays = weekdays->present ? (uint8_t)(weekdays->set & 0x7fu) : 0;
    plan->off = care_said_yes(PROTO_BODY(event, plan_set, off));
    plan->has_value = value->present;
    plan->value = care_said(value, 0);
    plan->every_days = (int32_t)care_said(PROTO_BODY(event, plan_set, every_days), 0);
    plan->until_day = (int32_t)care_said(PROTO_BODY(event, plan_set, until), 0);
    set_pauses(plan, PROTO_BODY(event, plan_set, pauses));
}

static struct care_added_task *find_added(struct care_state *state, struct proto_slice name) {
    for (uint32_t i = 0; i < state->added_count; i++) {
        if (care_text_is(state->added[i].name, sizeof state->added[i].name, name))
            return &state->added[i];
    }
    return NULL;
}

/* Room for one more: a new row, or that of a task which was done once and for all. */
static struct care_added_task *room_for_added(struct care_state *state) {
    if (state->added_count < PROTO_ADDED_TASKS_MAX)
        return &state->added[state->added_count++];
    for (uint32_t i = 0; i < state->added_count; i++) {
        if (state->added[i].every_days == 0 && care_fact_is(&state->added[i].done))
            return &state->added[i];
    }
    state->overflow = true;
    return NULL;
}

void care_step_task_added(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, task_added, task);
    if (!name->present || proto_task_find(name->text) != PROTO_TASK_NONE)
        return; /* the names of the house cannot be taken */
    struct care_added_task *added = find_added(state, name->text);
    if (!added)
        added = room_for_added(state);
    if (!added)
        return;
    memset(added, 0, sizeof *added);
    care_text_copy(added->name, sizeof added->name, name->text);
    care_text_copy(added->title, sizeof added->title, PROTO_BODY(event, task_added, title)->text);
    added->fact = care_step_fact(event);
    added->due_day = (int32_t)care_said(PROTO_BODY(event, task_added, due), 0);
    added->every_days = (int32_t)care_said(PROTO_BODY(event, task_added, every_days), 0);
    added->stoma = (uint8_t)proto_event_stoma(event);
    care_step_completed(state, PROTO_TASK_ADDED, 0, added->name);
}

static void note_done(struct care_state *state, enum proto_task task, const struct proto_event *event) {
    uint8_t stoma = (uint8_t)proto_event_stoma(event);
    uint32_t i = 0;
    while (i < state->done_count && (state->done[i].task != task || state->done[i].stoma != stoma))
        i++;
    if (i == PROTO_ADDED_TASKS_MAX) {
        state->overflow = true;
        return;
    }
    if (i == state->done_count)
        state->done_count++;
    state->done[i].task = (uint8_t)task;
    state->done[i].stoma = stoma;
    state->done[i].fact = care_step_fact(event);
    care_step_completed(state, task, stoma, "");
}

void care_step_task_done(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, task_done, task);
    if (!name->present)
        return;
    enum proto_task task = proto_task_find(name->text);
    if (task != PROTO_TASK_NONE && task != PROTO_TASK_ADDED) {
        if (!proto_task_has_kind(task)) /* the others are done by what was really done */
            note_done(state, task, event);
        return;
    }
    struct care_added_task *added = find_added(state, name->text);
    if (!added)
        return;
    added->done = care_step_fact(event);
    care_step_completed(state, PROTO_TASK_ADDED, 0, added->name);
}

/* The task that a deferral or a giving is about. Tasks about the child have no stoma. */
static uint8_t named_task(struct proto_slice name, char out[44], const struct proto_event *event, uint8_t *stoma) {
    enum proto_task task = proto_task_find(name);
    *stoma = (uint8_t)proto_event_stoma(event);
    memset(out, 0, 44);
    if (task == PROTO_TASK_NONE || task == PROTO_TASK_ADDED) {
        care_text_copy(out, 44, name);
        *stoma = 0;
        return PROTO_TASK_ADDED;
    }
    switch (task) {
    case PROTO_TASK_WEEKLY_CONTACT:
    case PROTO_TASK_FIRST_VISIT:
    case PROTO_TASK_RETURN_CHECK:
    case PROTO_TASK_TRAINING:
    case PROTO_TASK_WEIGHT:
    case PROTO_TASK_HOSPITAL_FOLLOW_UP:
        *stoma = 0;
        break;
    default:
        break;
    }
    return (uint8_t)task;
}

void care_step_task_deferred(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, task_deferred, task);
    const struct proto_value *until = PROTO_BODY(event, task_deferred, until);
    if (!name->present || !until->present)
        return;
    char own[44];
    uint8_t stoma = 0;
    uint8_t task = named_task(name->text, own, event, &stoma);
    uint32_t i = 0;
    while (i < state->deferral_count && (state->deferrals[i].task != task || state->deferrals[i].stoma != stoma ||
                                         strcmp(state->deferrals[i].name, own) != 0))
        i++;
    if (i == PROTO_ADDED_TASKS_MAX) {
        state->overflow = true;
        return;
    }
    struct care_deferral *deferral = &state->deferrals[i];
    if (i == state->deferral_count) {
        state->deferral_count++;
        memset(deferral, 0, sizeof *deferral);
        deferral->task = task;
        deferral->stoma = stoma;
        memcpy(deferral->name, own, sizeof deferral->name);
    }
    deferral->fact = care_step_fact(event);
    deferral->until_day = (int32_t)until->n;
    if (deferral->times < CARE_DEFERRALS_KEPT)
        deferral->untils[deferral->times] = (int32_t)until->n;
    if (deferral->times < UINT8_MAX)
        deferral->times++;
}

void care_step_task_given(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, task_given, task);
    if (!name->present)
        return;
    char own[44];
    uint8_t stoma = 0;
    uint8_t task = named_task(name->text, own, event, &stoma);
    uint32_t i = 0;
    while (i < state->giving_count && (state->givings[i].task != task || state->givings[i].stoma != stoma ||
                                       strcmp(state->givings[i].name, own) != 0))
        i++;
    if (i == PROTO_ADDED_TASKS_MAX) {
        state->overflow = true;
        return;
    }
    struct care_giving *giving = &state->givings[i];
    if (i == state->giving_count)
        state->giving_count++;
    memset(giving, 0, sizeof *giving);
    giving->task = task;
    giving->stoma = stoma;
    memcpy(giving->name, own, sizeof giving->name);
    giving->fact = care_step_fact(event);
    care_text_copy(giving->to, sizeof giving->to, PROTO_BODY(event, task_given, to)->text);
}

void care_step_completed(struct care_state *state, enum proto_task task, int stoma, const char *name) {
    assert(task > PROTO_TASK_NONE && task < PROTO_TASK_COUNT);
    for (uint32_t i = 0; i < state->deferral_count; i++) {
        struct care_deferral *deferral = &state->deferrals[i];
        bool same_stoma = stoma == 0 || deferral->stoma == 0 || deferral->stoma == stoma;
        if (deferral->task != task || !same_stoma || strcmp(deferral->name, name) != 0)
            continue;
        uint32_t after = state->deferral_count - i - 1;
        memmove(deferral, deferral + 1, after * sizeof *deferral);
        state->deferral_count--;
        memset(&state->deferrals[state->deferral_count], 0, sizeof *deferral);
        i--;
    }
}
