/*
 * tasks_world.h - one child in UTC and the dates of its tasks.
 *
 * What always holds: an event happens at noon of its day, so that dates are plain; each look folds and plans afresh.
 */
#ifndef TESTS_UNIT_CARE_TASKS_WORLD_H
#define TESTS_UNIT_CARE_TASKS_WORLD_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "care/care.h"
#include "support/care_build.h"

#define EVENTS_MAX 128
#define NOON(year, month, day) (ev_time(year, month, day) + 12 * EV_HOUR)
#define DAY(year, month, day) ev_day(year, month, day)

struct world {
    struct proto_event events[EVENTS_MAX];
    uint32_t count;
    struct care_policy policy;
    struct care_context context;
    struct care_state state;
    struct care_schedule schedule;
};

static const struct care_zones no_zones;

static inline void add(struct world *w, struct proto_event event) {
    assert_true(w->count < EVENTS_MAX);
    w->events[w->count++] = event;
}

/* A child born 2020-05-04, registered at noon. */
static inline struct world *begin(int64_t registered_at) {
    struct world *w = calloc(1, sizeof *w);
    assert_non_null(w);
    care_policy_init(&w->policy);
    w->context = (struct care_context){.policy = &w->policy, .zones = &no_zones};
    add(w, EV(patient_registered, registered_at, F_TEXT(patient_registered, label, "HM-0142"),
              F(patient_registered, born, DAY(2020, 5, 4)), F_TEXT(patient_registered, zone, "UTC"),
              F_TEXT(patient_registered, team, "north-shore")));
    return w;
}

static inline struct proto_event formed(int64_t at, int32_t day) {
    return EV(stoma_formed, at, F(stoma_formed, formed_on, day), F(stoma_formed, how, PROTO_how_endoscopic));
}

static inline struct proto_event placed(int64_t at, int retention, int profile, int tip) {
    struct proto_event event =
        EV(device_placed, at, F(device_placed, retention, retention), F(device_placed, profile, profile),
           F(device_placed, tip, tip), F(device_placed, french_fr, 1400),
           F(device_placed, why, PROTO_placed_why_scheduled), F(device_placed, place, PROTO_place_hospital),
           F(device_placed, placed_by, PROTO_placed_by_surgeon), F(device_placed, position, PROTO_position_imaging));
    if (retention == PROTO_retention_balloon)
        event.body[PROTO_FIELD_device_placed_balloon_ml] =
            (struct proto_value){.present = true, .type = PROTO_TYPE_AMOUNT, .n = 500};
    return event;
}

static inline struct proto_event button(int64_t at) {
    return placed(at, PROTO_retention_balloon, PROTO_profile_low, PROTO_tip_stomach);
}

static inline struct proto_event check(int64_t at, int withdrawn, int filled) {
    return EV(balloon_checked, at, F(balloon_checked, withdrawn_ml, withdrawn), F(balloon_checked, filled_ml, filled));
}

static inline struct proto_event did(int64_t at, int item) {
    return EV(care_done, at, F(care_done, items, EV_BIT(item)));
}

static inline struct proto_event plan_every(int64_t at, int task, int days) {
    return EV(plan_set, at, F(plan_set, task, task), F(plan_set, every_days, days), F_TEXT(plan_set, reason, "r"),
              F_TEXT(plan_set, prescriber, "p"));
}

static inline struct proto_event done(int64_t at, const char *task) {
    return EV(task_done, at, F_TEXT(task_done, task, task));
}

static inline struct proto_event deferred(int64_t at, const char *task, int32_t until) {
    return EV(task_deferred, at, F_TEXT(task_deferred, task, task), F(task_deferred, until, until),
              F_TEXT(task_deferred, reason, "r"));
}

static inline void look(struct world *w) {
    uint32_t order[EVENTS_MAX];
    care_fold(&w->state, w->events, w->count, order, INT64_MAX);
    care_plan(&w->state, &w->context, &w->schedule);
}

/* The row of a task, or NULL; planned afresh. */
static inline const struct care_task *find(struct world *w, int task, int stoma) {
    look(w);
    for (uint32_t i = 0; i < w->schedule.task_count; i++) {
        if (w->schedule.tasks[i].task == task && w->schedule.tasks[i].stoma == stoma)
            return &w->schedule.tasks[i];
    }
    return NULL;
}

#define expect(w, task, stoma, due, overdue) expect_dates(w, task, stoma, due, overdue, __FILE__, __LINE__)
static inline void expect_dates(struct world *w, int task, int stoma, int32_t due, int32_t overdue, const char *file,
                                int line) {
    const struct care_task *row = find(w, task, stoma);
    char want[11], have[11];
    if (!row) {
        print_error("%s is not there\n", proto_task_name((enum proto_task)task));
        _fail(file, line);
        return;
    }
    proto_date_format(due, want);
    proto_date_format(row->due_day, have);
    if (row->due_day != due) {
        print_error("%s is due %s, not %s\n", proto_task_name((enum proto_task)task), have, want);
        _fail(file, line);
    }
    _assert_int_equal((uint64_t)row->due_at, (uint64_t)(due * PROTO_DAY_MS), file, line);
    if (row->overdue_at != overdue * PROTO_DAY_MS) {
        proto_date_format((int32_t)(row->overdue_at / PROTO_DAY_MS), have);
        proto_date_format(overdue, want);
        print_error("%s is overdue %s, not %s\n", proto_task_name((enum proto_task)task), have, want);
        _fail(file, line);
    }
}

#define expect_none(w, task, stoma) assert_null(find(w, task, stoma))

static inline uint8_t state_at(struct world *w, int task, int stoma, int64_t now) {
    const struct care_task *row = find(w, task, stoma);
    struct care_view view;
    assert_non_null(row);
    care_view(&w->schedule, now, &view);
    return view.task_state[row - w->schedule.tasks];
}

#endif
