/*
 * trace_test.c - no alert vanishes without a trace, in random histories of every kind.
 *
 * What is open just before an event and not open just after it, at the same
 * moment, is among the ended, planned for later, or excepted with a reason
 * (trace_exceptions.h). Histories are seeded: a failure names its seed and event.
 *
 *   trace_test [FIRST LAST EVENTS]   default 1 600 120
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "scenario_zones.h"
#include "support/random_events.h"
#include "trace_exceptions.h"

struct tracer {
    struct care_state state;
    struct care_policy policy;
    struct care_context context;
    struct care_schedule before, after;
    struct care_view was, is;
    uint64_t seed;
    unsigned checked, lost;
};

static int by_order(const void *a, const void *b) {
    return proto_event_order(a, b);
}

static bool traced(const struct tracer *t, const struct care_alert *alert) {
    for (uint32_t i = 0; i < t->after.alert_count; i++) {
        const struct care_alert *row = &t->after.alerts[i];
        bool later = row->ended_how == CARE_ENDED_NOT;
        if (scen_same_matter(row, alert) && (t->is.alert_step[i] || t->is.alert_ended[i] || later))
            return true;
    }
    return false;
}

static void compare(struct tracer *t, const struct proto_event *event, uint32_t number) {
    for (uint32_t i = 0; i < t->before.alert_count; i++) {
        const struct care_alert *alert = &t->before.alerts[i];
        enum proto_alert name = (enum proto_alert)alert->alert;
        if (!t->was.alert_step[i] || name == PROTO_ALERT_CALL_AGAIN)
            continue;
        t->checked++;
        if (traced(t, alert) || scen_excepted(event, name))
            continue;
        t->lost++;
        printf("%s of stoma %d vanishes by %s: seed %llu, event %u\n", proto_alert_name(name), alert->stoma,
               proto_kind_get(event->kind)->name, (unsigned long long)t->seed, number);
    }
}

static void trace(struct tracer *t, uint64_t seed, uint32_t count) {
    struct random_history history;
    random_history_init(&history, seed, count, RANDOM_PLAUSIBLE);
    struct proto_event *events = malloc(history.count * sizeof *events);
    if (!events)
        abort();
    memcpy(events, history.events, history.count * sizeof *events);
    qsort(events, history.count, sizeof *events, by_order);
    t->seed = seed;
    care_state_init(&t->state);
    for (uint32_t i = 0; i < history.count; i++) {
        t->state.folded_to = events[i].at;
        care_plan(&t->state, &t->context, &t->before);
        care_view(&t->before, events[i].at, &t->was);
        care_step(&t->state, &events[i], NULL);
        care_plan(&t->state, &t->context, &t->after);
        care_view(&t->after, events[i].at, &t->is);
        if (!t->after.closed && !t->after.overflow) /* a child that has left is not told what ended */
            compare(t, &events[i], i);
    }
    free(events);
    random_history_deinit(&history);
}

int main(int argc, char **argv) {
    static struct tracer t;
    uint64_t first = argc > 3 ? strtoull(argv[1], NULL, 10) : 1, last = argc > 3 ? strtoull(argv[2], NULL, 10) : 600;
    uint32_t count = argc > 3 ? (uint32_t)strtoul(argv[3], NULL, 10) : 120;
    care_policy_init(&t.policy);
    t.context = (struct care_context){.policy = &t.policy, .zones = scen_zones()};
    for (uint64_t seed = first; seed <= last; seed++)
        trace(&t, seed, count);
    printf("%u open alerts looked at, %u lost\n", t.checked, t.lost);
    return t.lost || t.checked == 0 ? 1 : 0;
}
