/*
 * scenario_world.h - a scenario's child at one moment: folded, planned, viewed, rendered, and checked against itself.
 *
 * What always holds: whatever a scenario expects is looked up in a schedule
 * that went through its bytes, and every moment is also computed from the same
 * events in other orders; a difference is a failure of that moment.
 */
#ifndef TESTS_CARE_SCENARIO_WORLD_H
#define TESTS_CARE_SCENARIO_WORLD_H

#include "care/care.h"
#include "scenario_text.h"
#include "scenario_zones.h"

struct scen_world {
    int64_t now;
    struct care_state state;
    struct care_policy policy;
    struct care_recall recalls[16];
    struct care_context context;
    struct care_schedule schedule;
    struct care_view view;
    uint8_t status[PROTO_STATUS_BYTES_MAX];
    size_t status_size;
    char wrong[256]; /* what does not hold of itself; empty: nothing */
};

static bool scen_is_context(const struct proto_event *event) {
    return proto_kind_get(event->kind)->scope == PROTO_SCOPE_TEAM;
}

static void scen_world_policy(struct scen_world *world, const struct scen_events *events, const uint32_t *sorted,
                              uint32_t count) {
    care_policy_init(&world->policy);
    world->context = (struct care_context){.policy = &world->policy, .recalls = world->recalls, .zones = scen_zones()};
    for (int team = 0; team < 2; team++) /* all teams first, then the child's own */
        for (uint32_t i = 0; i < count; i++) {
            const struct proto_event *event = &events->list[sorted[i]].event;
            if (event->kind == PROTO_KIND_lot_recalled && team == 0 && world->context.recall_count < 16)
                care_recall_from_event(&world->recalls[world->context.recall_count++], event);
            if (event->kind != PROTO_KIND_policy_adopted)
                continue;
            const struct proto_value *of = PROTO_BODY(event, policy_adopted, team);
            if (of->present ? team == 1 && proto_slice_is(of->text, world->state.profile.team) : team == 0)
                care_policy_apply(&world->policy, event);
        }
}

/* The events of the child known at `now`, in one of several orders, folded up to `to`. */
static void scen_fold(struct care_state *state, const struct scen_events *events, uint32_t order, int64_t to) {
    static struct proto_event list[SCEN_EVENTS_MAX];
    static uint32_t sorted[SCEN_EVENTS_MAX];
    uint32_t count = 0;
    for (uint32_t i = 0; i < events->count; i++)
        if (!scen_is_context(&events->list[i].event))
            list[count++] = events->list[i].event;
    uint32_t seed = 2654435761u * order;
    for (uint32_t i = count; order && i > 1; i--) { /* order 0: as written */
        seed = seed * 1664525u + 1013904223u;
        uint32_t j = (seed >> 8) % i;
        struct proto_event held = list[i - 1];
        list[i - 1] = list[j];
        list[j] = held;
    }
    care_fold(state, list, count, sorted, to);
}

static void scen_world_context(struct scen_world *world, const struct scen_events *events) {
    uint32_t sorted[SCEN_EVENTS_MAX], count = 0;
    for (uint32_t i = 0; i < events->count; i++) {
        const struct proto_event *event = &events->list[i].event;
        if (!scen_is_context(event) || event->at > world->now)
            continue;
        uint32_t place = count++;
        for (; place > 0 && proto_event_order(&events->list[sorted[place - 1]].event, event) > 0; place--)
            sorted[place] = sorted[place - 1];
        sorted[place] = i;
    }
    scen_world_policy(world, events, sorted, count);
}

static void scen_wrong(struct scen_world *world, const char *what) {
    if (!world->wrong[0])
        (void)snprintf(world->wrong, sizeof world->wrong, "%s", what);
}

static bool scen_same_schedule(const struct care_schedule *a, const struct care_schedule *b) {
    static uint8_t left[PROTO_SCHEDULE_BYTES_MAX], right[PROTO_SCHEDULE_BYTES_MAX];
    size_t left_size = 0, right_size = 0;
    return care_schedule_encode(a, left, sizeof left, &left_size) == PROTO_OK &&
           care_schedule_encode(b, right, sizeof right, &right_size) == PROTO_OK && left_size == right_size &&
           memcmp(left, right, left_size) == 0;
}

/* Other orders of arrival, the state's bytes, the schedule's bytes: all give the same. */
static void scen_world_check_bytes(struct scen_world *world, const struct scen_events *events) {
    static uint8_t bytes[PROTO_STATE_BYTES_MAX], other[PROTO_STATE_BYTES_MAX], plan[PROTO_SCHEDULE_BYTES_MAX];
    static struct care_state state;
    static struct care_schedule schedule;
    size_t size = 0, other_size = 0;
    if (care_state_encode(&world->state, bytes, sizeof bytes, &size) != PROTO_OK) {
        scen_wrong(world, "the state cannot be encoded");
        return;
    }
    for (uint32_t order = 1; order <= 5; order++) {
        scen_fold(&state, events, order, world->now);
        if (care_state_encode(&state, other, sizeof other, &other_size) != PROTO_OK || other_size != size ||
            memcmp(bytes, other, size) != 0)
            scen_wrong(world, "another order of arrival gives another state");
    }
    if (care_state_decode(bytes, size, &state) != PROTO_OK)
        scen_wrong(world, "the state's bytes cannot be decoded");
    else {
        care_plan(&state, &world->context, &schedule);
        if (!scen_same_schedule(&schedule, &world->schedule))
            scen_wrong(world, "a state from its bytes gives another schedule");
    }
    size = 0;
    if (care_schedule_encode(&world->schedule, plan, sizeof plan, &size) != PROTO_OK ||
        care_schedule_decode(plan, size, &schedule) != PROTO_OK || !scen_same_schedule(&schedule, &world->schedule))
        scen_wrong(world, "the schedule does not survive its bytes");
    else
        world->schedule = schedule;
}

/* A schedule is free of time: folded to a later moment, with no event in between, it is the same. */
static void scen_world_check_free_of_time(struct scen_world *world, const struct scen_events *events) {
    static struct care_state state;
    static struct care_schedule schedule;
    int64_t later = world->now + 400 * PROTO_DAY_MS;
    for (uint32_t i = 0; i < events->count; i++)
        if (events->list[i].event.at > world->now)
            return;
    scen_fold(&state, events, 0, later);
    care_plan(&state, &world->context, &schedule);
    if (!scen_same_schedule(&schedule, &world->schedule))
        scen_wrong(world, "the schedule depends on when it was made");
}

/* Nothing changes between this moment and the next crossing. */
static void scen_world_check_crossing(struct scen_world *world) {
    static struct care_view view;
    int64_t next = care_next_crossing(&world->schedule, world->now);
    if (next <= world->now)
        scen_wrong(world, "the next crossing is not after the moment");
    else if (next != INT64_MAX) {
        care_view(&world->schedule, next - 1, &view);
        if (view.level != world->view.level ||
            memcmp(view.task_state, world->view.task_state, world->schedule.task_count) != 0 ||
            memcmp(view.alert_step, world->view.alert_step, world->schedule.alert_count) != 0 ||
            memcmp(view.alert_ended, world->view.alert_ended, world->schedule.alert_count) != 0)
            scen_wrong(world, "something changes before the next crossing");
    }
}

static void scen_world_look(struct scen_world *world, const struct scen_events *events, int64_t now) {
    struct proto_writer w;
    struct proto_id child;
    memset(world, 0, sizeof *world);
    world->now = now;
    scen_fold(&world->state, events, 0, now);
    scen_world_context(world, events);
    care_plan(&world->state, &world->context, &world->schedule);
    scen_world_check_bytes(world, events);
    scen_world_check_free_of_time(world, events);
    care_view(&world->schedule, now, &world->view);
    scen_world_check_crossing(world);
    (void)scen_named_id(events, "child-a", &child);
    proto_writer_init(&w, world->status, sizeof world->status);
    care_render_status(&w, &child, &world->state, &world->schedule, &world->context, now);
    if (w.error != PROTO_OK)
        scen_wrong(world, "the status does not fit");
    world->status_size = w.size;
}

#endif
