/*
 * alerts_world.h - one child with a mature stoma and a balloon device, to which a test adds what happens.
 *
 * What always holds: the child lives in UTC, so dates and midnights are plain;
 * nothing is wrong at the start but what time alone brings. A look folds and
 * plans afresh; what it finds is read off the schedule at a moment, as everybody reads it.
 */
#ifndef TESTS_UNIT_CARE_ALERTS_WORLD_H
#define TESTS_UNIT_CARE_ALERTS_WORLD_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>

#include "care/alerts.h"
#include "support/care_build.h"

#define WORLD_EVENTS_MAX 96

struct world {
    struct proto_event events[WORLD_EVENTS_MAX];
    uint32_t count;
    int64_t t; /* where the story begins: after everything in the start */
    struct care_policy policy;
    struct care_recall recalls[4];
    struct care_context context;
    struct care_state state;
    struct care_schedule schedule;
};

static const struct care_zones world_zones;

static inline struct proto_event *world_add(struct world *w, struct proto_event event) {
    assert_true(w->count < WORLD_EVENTS_MAX);
    w->events[w->count] = event;
    return &w->events[w->count++];
}

/* Only a registered child: no stoma, no device. */
static inline void world_init_bare(struct world *w) {
    memset(w, 0, sizeof *w);
    w->t = ev_time(2026, 3, 1) + 10 * EV_HOUR;
    care_policy_init(&w->policy);
    w->context = (struct care_context){.policy = &w->policy, .recalls = w->recalls, .zones = &world_zones};
    world_add(w, EV(patient_registered, w->t - 300 * EV_DAY, F_TEXT(patient_registered, label, "HM-0142"),
                    F(patient_registered, born, ev_day(2023, 5, 4)), F_TEXT(patient_registered, zone, "UTC"),
                    F_TEXT(patient_registered, team, "north-shore")));
}

static inline struct proto_event world_device(int64_t at) {
    return EV(device_placed, at, F(device_placed, retention, PROTO_retention_balloon),
              F(device_placed, profile, PROTO_profile_low), F(device_placed, tip, PROTO_tip_stomach),
              F(device_placed, french_fr, 1400), F(device_placed, length_mm, 2000), F(device_placed, balloon_ml, 500),
              F(device_placed, why, PROTO_placed_why_scheduled), F(device_placed, place, PROTO_place_hospital),
              F(device_placed, placed_by, PROTO_placed_by_surgeon), F(device_placed, position, PROTO_position_imaging));
}

/* The stoma 200 days old, a device placed 20 days before t in a hospital with imaging. */
static inline void world_init(struct world *w) {
    world_init_bare(w);
    world_add(w, EV(stoma_formed, w->t - 200 * EV_DAY, F(stoma_formed, formed_on, ev_day(2026, 3, 1) - 200),
                    F(stoma_formed, how, PROTO_how_surgical)));
    world_add(w, world_device(w->t - 20 * EV_DAY));
}

static inline void world_look(struct world *w) {
    uint32_t order[WORLD_EVENTS_MAX];
    care_fold(&w->state, w->events, w->count, order, INT64_MAX - 1);
    care_plan(&w->state, &w->context, &w->schedule);
    assert_false(w->schedule.overflow);
}

/* The open alert of that name at `now`, and in *step the step that holds; NULL when it is not open then. */
static inline const struct care_alert *world_alert(struct world *w, enum proto_alert name, int64_t now,
                                                   const struct care_alert_step **step) {
    struct care_view view;
    const struct care_alert *found = NULL;
    world_look(w);
    care_view(&w->schedule, now, &view);
    for (uint32_t i = 0; i < w->schedule.alert_count; i++) {
        if (w->schedule.alerts[i].alert != name || view.alert_step[i] == 0)
            continue;
        assert_null(found); /* one open row at most for each name of one stoma */
        found = &w->schedule.alerts[i];
        if (step)
            *step = &found->steps[view.alert_step[i] - 1];
    }
    return found;
}

static inline bool world_open(struct world *w, enum proto_alert name, int64_t now) {
    return world_alert(w, name, now, NULL) != NULL;
}

/* Urgency at `now`; PROTO_URGENCY_NONE when not open. */
static inline int world_urgency(struct world *w, enum proto_alert name, int64_t now) {
    const struct care_alert_step *step = NULL;
    return world_alert(w, name, now, &step) ? step->urgency : PROTO_URGENCY_NONE;
}

/* Next step's wording at `now`; -1 when not open. */
static inline int world_next(struct world *w, enum proto_alert name, int64_t now) {
    const struct care_alert_step *step = NULL;
    return world_alert(w, name, now, &step) ? step->wording : -1;
}

/* How the alert is among the ended at `now`: enum care_ended. */
static inline int world_ended(struct world *w, enum proto_alert name, int64_t now) {
    struct care_view view;
    world_look(w);
    care_view(&w->schedule, now, &view);
    for (uint32_t i = 0; i < w->schedule.alert_count; i++) {
        if (w->schedule.alerts[i].alert == name && view.alert_ended[i])
            return w->schedule.alerts[i].ended_how;
    }
    return CARE_ENDED_NOT;
}

static inline struct proto_event world_check(int64_t at, int64_t withdrawn, int64_t filled) {
    return EV(balloon_checked, at, F(balloon_checked, withdrawn_ml, withdrawn), F(balloon_checked, filled_ml, filled));
}

static inline struct proto_event world_call(int64_t at, int to, int outcome, int about) {
    return EV(contact_made, at, F(contact_made, to, to), F(contact_made, outcome, outcome),
              F(contact_made, about, EV_BIT(about)));
}

static inline struct proto_event world_answered(int64_t at, int about) {
    return world_call(at, PROTO_contact_to_surgeon, PROTO_outcome_answered, about);
}

#endif
