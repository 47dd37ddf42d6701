/*
 * scenario_trace.h - no alert vanishes without a trace: looked for after every single event of every scenario.
 *
 * Each scenario is played once more, event by event in the order of time. What
 * was open just before an event and is not open just after it, at the same
 * moment, must be among the ended, or planned for later or quieted, or excepted
 * with a reason (trace_exceptions.h).
 */
#ifndef TESTS_CARE_SCENARIO_TRACE_H
#define TESTS_CARE_SCENARIO_TRACE_H

#include "scenario_world.h"
#include "trace_exceptions.h"

static bool scen_traced(const struct scen_world *after, const struct care_alert *alert) {
    for (uint32_t i = 0; i < after->schedule.alert_count; i++) {
        const struct care_alert *row = &after->schedule.alerts[i];
        bool later = row->ended_how == CARE_ENDED_NOT; /* quiet, or its first step comes later */
        if (scen_same_matter(row, alert) && (after->view.alert_step[i] || after->view.alert_ended[i] || later))
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
                scen_excepted(event, (enum proto_alert)alert->alert))
                continue;
            (void)snprintf(why, 256, "%s vanishes without a trace by %s", proto_alert_name(alert->alert),
                           proto_kind_get(event->kind)->name);
            return false;
        }
    }
    return true;
}

#endif
