/*
 * facts.h - what is worked out first, for tasks and alerts alike: dates in the child's zones, ages of stomas, values in force.
 *
 * Internal to care/. What always holds: facts are read from one state under one
 * context and hold no moment; "now" is nowhere in here. Everything points into
 * the state and context it was made from and owns nothing.
 */
#ifndef CARE_FACTS_H
#define CARE_FACTS_H

#include "care/care.h"
#include "proto/calendar.h"
#include "proto/ids.h"

/* Facts of one stoma. Days are local dates; INT32_MIN: not known, INT32_MAX: never. */
struct care_stoma_facts {
    const struct care_stoma *stoma;
    uint8_t number;  /* enum proto_choice_stoma */
    bool exists;     /* there is a stoma and it is not closed */
    bool has_device; /* device_state IN: a feeding device is in place */
    bool past;       /* a copy with an older device: whatever is about that one is over */
    bool balloon, jejunal,
        low; /* of the device in place (false without one): balloon holds it, tip in the jejunum, profile low */
    int32_t formed_day; /* as taken: the latest day its precision allows; INT32_MIN unknown */
    int32_t mature_day; /* mature_on, else formed_day + stoma-mature-days; INT32_MAX unknown: never by itself */
    int64_t mature_at;  /* local midnight of mature_day; INT64_MAX never */
    uint16_t home_change_reasons; /* bits 1 << enum care_reason without YOUNG: allowed from mature_at on when 0 */
    int32_t placed_day;           /* local date of device.placed; INT32_MIN without a device */
    int32_t prescribed_ml;   /* balloon volume in force for the device in place, hundredths; 0 unknown or no balloon */
    int32_t first_check_day; /* earliest day on which the balloon may be drawn; INT32_MIN: no such bound known */
    int32_t change_due_day,
        change_by_day; /* device change: due, overdue from midnight AFTER change_by_day; 0: not planned */
};

struct care_facts {
    const struct care_state *state;
    const struct care_context *context;
    const struct care_zone *zone; /* the present zone; UTC when its name is not known here */
    bool closed;                  /* the child has left the caseload */
    bool in_hospital;             /* a hospital stay is under way: routine tasks and their alerts are hidden */
    int32_t return_day;           /* local date of the end of the last hospital stay; INT32_MIN: none */
    int32_t registered_day;       /* local date of registration (or the last reopening) */
    struct care_stoma_facts stomas[PROTO_STOMAS_MAX];
};

/* Facts of a stoma whose device is gone, worked out as while it was there; has_device is false. `stoma` may be a copy with an older device. */
void care_facts_of_gone(const struct care_facts *facts, const struct care_stoma *stoma, int number,
                        struct care_stoma_facts *out);
void care_facts_init(struct care_facts *facts, const struct care_state *state, const struct care_context *context);
/* The latest day that a date of that precision (enum proto_choice_precision) can mean; INT32_MIN: not known. */
int32_t care_latest_day(int32_t day, uint8_t precision);
/* Local date of an instant, in the zone the child had then. */
int32_t care_facts_day(const struct care_facts *facts, int64_t at);
/* First instant of a date in the present zone; INT64_MAX for INT32_MAX, INT64_MIN for INT32_MIN. */
int64_t care_facts_midnight(const struct care_facts *facts, int32_t day);
/* Policy value in hundredths in force for this child on a day (INT32_MIN: whatever day): device.prescribed, then plan.set, then the team's policy.
 * `stoma`: enum proto_choice_stoma, 0 for what is about the child. A plan's value holds for every day up to its `until`. */
int64_t care_facts_value(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day);
/* The same in whole units (days, months, checks): hundredths cut off. */
int32_t care_facts_whole(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day);
/* The same as a span in ms: for values in minutes, hours and days. */
int64_t care_facts_span_ms(const struct care_facts *facts, enum proto_policy policy, int stoma, int32_t day);
/* The same for what is judged at an instant, or counted from it: the child's plan holds on its local day or not. */
int64_t care_facts_value_at(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at);
int32_t care_facts_whole_at(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at);
int64_t care_facts_span_at_ms(const struct care_facts *facts, enum proto_policy policy, int stoma, int64_t at);
/* The plan for a task of a stoma (0: of the child), or NULL. */
const struct care_plan_entry *care_facts_plan(const struct care_facts *facts, enum proto_task task, int stoma);
/* Home change at an instant: the reasons against, YOUNG included (0: allowed). */
uint16_t care_facts_home_change(const struct care_facts *facts, int stoma, int64_t at);

/* The emergency plan that holds for a stoma: its own; the main one's for a second stoma that has none. */
struct care_emergency care_state_emergency(const struct care_state *state, int stoma);
/* A catheter that only keeps the stoma open is in it, or was the last thing that was. */
bool care_state_kept_open(const struct care_stoma *stoma);

static inline const struct care_stoma_facts *care_facts_stoma(const struct care_facts *facts, int stoma) {
    return &facts->stomas[stoma == PROTO_stoma_second ? 1 : 0];
}
static inline bool care_fact_is(const struct care_fact *fact) {
    return fact->at != 0 || !proto_id_is_zero(&fact->id);
}
/* Order of two facts by (at, id); a fact that never was is before all. */
int care_fact_order(const struct care_fact *a, const struct care_fact *b);

/* Both only add to the schedule that care_plan has set up. */
void care_plan_tasks(const struct care_facts *facts, struct care_schedule *schedule);
void care_plan_alerts(const struct care_facts *facts, struct care_schedule *schedule);
/* A zeroed row, number and stoma set; NULL (and overflow set) when the schedule is full. */
struct care_task *care_schedule_add_task(struct care_schedule *schedule, enum proto_task task, int stoma);
/* The row is copied. In a full schedule (overflow set) an open row takes the place of the oldest ended one, else of the mildest open one that
 * is milder than itself, calls to make again first among equals; an ended row and a call to make again take nobody's place. */
void care_schedule_add_alert(struct care_schedule *schedule, const struct care_alert *alert);
/* The balloon's loss: facts of one stoma to a forecast. */
void care_forecast_balloon(const struct care_facts *facts, int stoma, struct care_forecast *forecast);

#endif
