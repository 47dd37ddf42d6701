/*
 * plan.c - care_plan: facts judged by what is in force now, free of time.
 */
#include "care/facts.h"

#include <assert.h>
#include <string.h>

static void plan_stoma(const struct care_facts *facts, int index, struct care_schedule *schedule) {
    const struct care_stoma_facts *s = &facts->stomas[index];
    schedule->stomas[index].exists = s->exists;
    schedule->stomas[index].state = s->exists ? s->stoma->device_state : CARE_DEVICE_NONE;
    schedule->stomas[index].home_change_reasons = s->exists ? s->home_change_reasons : 0;
    schedule->stomas[index].age_known_day = s->formed_day;
    schedule->stomas[index].mature_day = s->mature_day;
    schedule->stomas[index].change_due_day = s->change_due_day;
    schedule->stomas[index].change_by_day = s->change_by_day;
    schedule->mature_at[index] = s->mature_at;
    care_forecast_balloon(facts, s->number, &schedule->stomas[index].balloon);
}

void care_plan(const struct care_state *state, const struct care_context *context, struct care_schedule *schedule) {
    struct care_facts facts;
    assert(context->policy && (context->recalls || context->recall_count == 0));
    memset(schedule, 0, sizeof *schedule);
    care_facts_init(&facts, state, context);
    schedule->closed = facts.closed;
    memcpy(schedule->team, state->profile.team, sizeof schedule->team);
    memcpy(schedule->label, state->profile.label, sizeof schedule->label);
    schedule->waiting_at = state->waiting_count > 0 ? state->waiting.at : INT64_MAX;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++)
        plan_stoma(&facts, i, schedule);
    care_plan_tasks(&facts, schedule);
    care_plan_alerts(&facts, schedule);
}
