/*
 * scenario_trace.h - no alert vanishes without a trace: looked for after every single event of every scenario.
 *
 * Each scenario is played once more, event by event in the order of time. What
 * was open just before an event and is not open just after it, at the same
 * moment, must be among the ended, or planned for later or quieted. What always
 * holds: the exceptions stand in one table, each with its reason.
 */
#ifndef TESTS_CARE_SCENARIO_TRACE_H
#define TESTS_CARE_SCENARIO_TRACE_H

#include "scenario_world.h"

struct scen_exception {
    enum proto_kind kind;
    enum proto_alert alert; /* NONE: any */
    const char *why;
};

static const struct scen_exception scen_exceptions[] = {
    {PROTO_KIND_stoma_closed, PROTO_ALERT_NONE, "without a stoma nothing is asked about it"},
    {PROTO_KIND_patient_closed, PROTO_ALERT_NONE, "the child has left the caseload"},
    {PROTO_KIND_policy_adopted, PROTO_ALERT_NONE, "policy in force now judges all facts: it had not been open"},
    {PROTO_KIND_plan_set, PROTO_ALERT_NONE, "the child's own limit judges as policy does"},
    {PROTO_KIND_patient_moved, PROTO_ALERT_NONE, "the new team's policy judges"},
    {PROTO_KIND_stay_started, PROTO_ALERT_DEVICE_OVERDUE, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_SPARE_MISSING, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_SUPPLY_LOW, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_NO_WORD, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_NO_TRAINED_CARER, "hidden while the child is in hospital"},
    {PROTO_KIND_tube_out, PROTO_ALERT_SPARE_MISSING, "the device-out decision speaks of the spare"},
    {PROTO_KIND_tube_out, PROTO_ALERT_NO_DEVICE, "out again: tube-out speaks, with a clock"},
    {PROTO_KIND_device_removed, PROTO_ALERT_NO_DEVICE, "out again: tube-out speaks, with a clock"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_STOMA_DATE_MISSING, "the stoma was a mistake"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_NO_TRAINED_CARER, "the stoma was a mistake"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_EMERGENCY_PLAN_MISSING, "the stoma was a mistake"},
    {PROTO_KIND_balloon_checked, PROTO_ALERT_CLOCK_DOUBT, "stated again under a clock that is trusted"},
    {PROTO_KIND_spare_counted, PROTO_ALERT_RECALLED_LOT,
     "the spare of that lot is gone; only the newest count is kept"},
    {PROTO_KIND_device_put_back, PROTO_ALERT_PLACED_AGAINST_RULE, "seated anew: judged by the newest seating"},
};

/* While the device is out what is about it waits: put back, it is there again. */
static bool scen_waits(enum proto_kind kind, enum proto_alert alert) {
    return (kind == PROTO_KIND_tube_out || kind == PROTO_KIND_device_removed) && proto_alert_ends_with_device(alert);
}

static bool scen_excepted(enum proto_kind kind, enum proto_alert alert) {
    for (size_t i = 0; i < sizeof scen_exceptions / sizeof scen_exceptions[0]; i++)
        if (scen_exceptions[i].kind == kind &&
            (scen_exceptions[i].alert == PROTO_ALERT_NONE || scen_exceptions[i].alert == alert))
            return true;
    return scen_waits(kind, alert);
}

static bool scen_traced(const struct scen_world *after, const struct care_alert *alert) {
    for (uint32_t i = 0; i < after->schedule.alert_count; i++) {
        const struct care_alert *row = &after->schedule.alerts[i];
        bool later = row->ended_how == CARE_ENDED_NOT; /* quiet, or its first step comes later */
        if (row->alert == alert->alert && row->stoma == alert->stoma && row->about == alert->about &&
            (after->view.alert_step[i] || after->view.alert_ended[i] || later))
            return true;
    }
    return false;
}

static int scen_by_order(const void *a, const void *b) {
    const struct scen_event *const *left = a, *const *right = b;
    return proto_event_order(&(*left)->event, &(*right)->event);
}

/* Plays the events again. True: all is well; else `why` says which alert went without a trace, by the event of `*line_out`. */
static bool scen_trace(const struct scen_events *events, char why[256], int *line_out) {
    static struct scen_events part;
    static struct scen_world before, after;
    const struct scen_event *list[SCEN_EVENTS_MAX];
    for (uint32_t i = 0; i < events->count; i++)
        list[i] = &events->list[i];
    qsort(list, events->count, sizeof list[0], scen_by_order);
    part.count = 0;
    for (uint32_t k = 0; k < events->count; k++) {
        const struct proto_event *event = &list[k]->event;
        scen_world_look(&before, &part, event->at);
        part.list[part.count++] = *list[k];
        scen_world_look(&after, &part, event->at);
        *line_out = list[k]->line;
        if (after.wrong[0]) {
            (void)snprintf(why, 256, "%s", after.wrong);
            return false;
        }
        for (uint32_t i = 0; i < before.schedule.alert_count; i++) {
            const struct care_alert *alert = &before.schedule.alerts[i];
            if (!before.view.alert_step[i] || alert->alert == PROTO_ALERT_CALL_AGAIN || scen_traced(&after, alert) ||
                scen_excepted(event->kind, alert->alert))
                continue;
            (void)snprintf(why, 256, "%s vanishes without a trace by %s", proto_alert_name(alert->alert),
                           proto_kind_get(event->kind)->name);
            return false;
        }
    }
    return true;
}

#endif
