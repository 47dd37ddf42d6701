/*
 * names.c - tasks, alerts, urgencies and levels as functions over names_table.h.
 */
#include "proto/value.h"

#include <assert.h>

struct task_row {
    const char *name, *title;
    bool has_kind, defers_freely;
};
struct alert_row {
    const char *name;
    bool ends_with_device;
    uint8_t answered_by;
};

#define TASK_ROW(name, wire, title, has_kind, freely) [PROTO_TASK_##name] = {wire, title, has_kind, freely},
#define ALERT_ROW(name, wire, with_device, answered) [PROTO_ALERT_##name] = {wire, with_device, answered},
#define URGENCY_ROW(name, wire, meaning) [PROTO_URGENCY_##name] = wire,
#define LEVEL_ROW(name, wire) [PROTO_LEVEL_##name] = wire,
static const struct task_row tasks[PROTO_TASK_COUNT] = {PROTO_TASKS(TASK_ROW)};
static const struct alert_row alerts[PROTO_ALERT_COUNT] = {PROTO_ALERTS(ALERT_ROW)};
static const char *const urgencies[PROTO_URGENCY_COUNT] = {PROTO_URGENCIES(URGENCY_ROW)};
static const char *const levels[PROTO_LEVEL_COUNT] = {PROTO_LEVELS(LEVEL_ROW)};

static const struct task_row *task_get(enum proto_task task) {
    assert(task > PROTO_TASK_NONE && task < PROTO_TASK_COUNT);
    return &tasks[task];
}

static const struct alert_row *alert_get(enum proto_alert alert) {
    assert(alert > PROTO_ALERT_NONE && alert < PROTO_ALERT_COUNT);
    return &alerts[alert];
}

const char *proto_task_name(enum proto_task task) {
    return task_get(task)->name;
}
const char *proto_task_title(enum proto_task task) {
    return task_get(task)->title;
}
bool proto_task_has_kind(enum proto_task task) {
    return task_get(task)->has_kind;
}
bool proto_task_defers_freely(enum proto_task task) {
    return task_get(task)->defers_freely;
}

enum proto_task proto_task_find(struct proto_slice name) {
    for (unsigned t = PROTO_TASK_NONE + 1; t < PROTO_TASK_COUNT; t++)
        if (proto_slice_is(name, tasks[t].name))
            return (enum proto_task)t;
    return PROTO_TASK_NONE;
}

const char *proto_alert_name(enum proto_alert alert) {
    return alert_get(alert)->name;
}
bool proto_alert_ends_with_device(enum proto_alert alert) {
    return alert_get(alert)->ends_with_device;
}

enum proto_alert proto_alert_find(struct proto_slice name) {
    for (unsigned a = PROTO_ALERT_NONE + 1; a < PROTO_ALERT_COUNT; a++)
        if (proto_slice_is(name, alerts[a].name))
            return (enum proto_alert)a;
    return PROTO_ALERT_NONE;
}

bool proto_alert_answered_by(enum proto_alert alert, enum proto_urgency urgency, int to) {
    enum { ANY_BUT_FAMILY, SENIOR, SENIOR_OR_GP, FAMILY_TOO };
    assert(urgency > PROTO_URGENCY_NONE && urgency < PROTO_URGENCY_COUNT);
    int rule = alert_get(alert)->answered_by;
    bool pressing = urgency == PROTO_URGENCY_NOW || urgency == PROTO_URGENCY_TODAY;
    if (!pressing && rule != FAMILY_TOO)
        rule = ANY_BUT_FAMILY;
    if (to <= PROTO_contact_to_not_said || to >= PROTO_contact_to_count || to == PROTO_contact_to_other)
        return false;
    bool senior = to == PROTO_contact_to_surgeon || to == PROTO_contact_to_gastroenterologist ||
                  to == PROTO_contact_to_emergency || to == PROTO_contact_to_ward || to == PROTO_contact_to_radiology;
    switch (rule) {
    case SENIOR:
        return senior;
    case SENIOR_OR_GP:
        return senior || to == PROTO_contact_to_gp;
    case FAMILY_TOO:
        return true;
    default:
        return to != PROTO_contact_to_family;
    }
}

const char *proto_urgency_name(enum proto_urgency urgency) {
    assert(urgency > PROTO_URGENCY_NONE && urgency < PROTO_URGENCY_COUNT);
    return urgencies[urgency];
}

const char *proto_level_name(enum proto_level level) {
    assert(level > PROTO_LEVEL_NONE && level < PROTO_LEVEL_COUNT);
    return levels[level];
}
