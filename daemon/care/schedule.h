/*
 * schedule.h - what follows from a child's facts, free of time: tasks with their dates, alerts with their steps.
 *
 * What always holds: nothing in here depends on when it was computed. A task
 * has no state and an alert no urgency until care_view looks at a moment.
 */
#ifndef CARE_SCHEDULE_H
#define CARE_SCHEDULE_H

#include "proto/value.h"

enum care_task_state { CARE_TASK_HIDDEN, CARE_TASK_UPCOMING, CARE_TASK_DUE, CARE_TASK_OVERDUE };

struct care_task {
    uint8_t task;  /* enum proto_task */
    uint8_t stoma; /* enum proto_choice_stoma; 0: about the child as a whole */
    char name[44]; /* PROTO_TASK_ADDED: the team's own name; training: carer and skill are in detail; else empty */
    char title[PROTO_TEXT_SHORT_MAX + 4]; /* only where it differs from the table's title */
    char given_to[PROTO_TEXT_SHORT_MAX + 4];
    int32_t due_day;
    int64_t due_at, overdue_at; /* ms; due_at <= overdue_at */
    int64_t last_done_at;       /* 0: never */
    int32_t deferred_until;     /* day; 0: not deferred */
    uint8_t why;                /* enum care_why: why this date, when it is not the plain interval */
    int64_t quiet_until;        /* until then upcoming at most (booked appointment); 0: none */
};

enum care_why {
    CARE_WHY_INTERVAL,
    CARE_WHY_FIRST,
    CARE_WHY_LOW_BEFORE, /* the forecast: low before the usual date */
    CARE_WHY_RETURN,
    CARE_WHY_DEFERRED,
    CARE_WHY_PLAN,
    CARE_WHY_PRESCRIBED,
    CARE_WHY_SPARE_USED,
    CARE_WHY_BOOKED,
    CARE_WHY_EXPIRES,
    CARE_WHY_COUNT
};

/* From `from` on (and until the next step's `from`) the alert has this urgency and this wording. */
struct care_alert_step {
    int64_t from;
    uint8_t urgency;  /* enum proto_urgency */
    uint8_t wording;  /* next step: number within the alert's wordings in text.c */
    bool home_change; /* the wording for a device that may be changed at home: a stoma can turn mature meanwhile */
    bool answered;    /* shown as answered while this step holds */
};

enum care_ended { CARE_ENDED_NOT, CARE_ENDED_SETTLED, CARE_ENDED_WITHDRAWN };

struct care_alert {
    uint8_t alert;      /* enum proto_alert */
    uint8_t stoma;      /* 0: about the child as a whole */
    uint8_t step_count; /* 1..PROTO_STEPS_MAX; ended ones keep at least one */
    uint8_t found;      /* wording of what was found */
    uint8_t about;      /* enum proto_alert the alert is about (call-again); 0 */
    uint8_t ended_how;  /* enum care_ended */
    uint8_t evidence_count;
    int64_t since;
    int64_t until;                   /* shown until then (a reminder that fades); 0: until settled */
    int64_t deadline, aim;           /* ms; 0: no clock */
    int64_t answered_at;             /* 0: not answered */
    int64_t ended_at;                /* with ended_how */
    int64_t quiet_from, quiet_until; /* accepted or booked: not shown in between; 0 none */
    int64_t args[6]; /* numbers of the sentences: amounts in hundredths, days, times, as the wording says */
    char text[PROTO_TEXT_LINE_MAX + 4]; /* a name in the sentences: lot and notice, carer, item; else empty */
    struct care_alert_step steps[PROTO_STEPS_MAX];
    struct proto_id evidence[PROTO_EVIDENCE_MAX];
};

struct care_forecast {
    bool known;
    int32_t fits;                    /* pairs behind it */
    int64_t loss_ml_week, low, high; /* hundredths of mL a week; low..high its interval */
    int32_t expected_low_day;        /* 0: not within the next check intervals */
    int64_t next_expected_ml;        /* hundredths: volume expected at the next check */
};

struct care_schedule {
    bool closed;   /* no tasks, no alerts but open `now` ones */
    char team[44]; /* the indexes are clustered by it */
    char label[PROTO_TEXT_SHORT_MAX + 4];
    uint32_t task_count, alert_count;
    bool overflow; /* more tasks or alerts than kept */
    struct {
        bool exists;
        uint8_t state; /* enum care_device_state */
        uint16_t
            home_change_reasons; /* bits 1 << enum care_reason, without YOUNG: home_change is allowed at now when none and day(now) >= mature_day */
        int32_t age_known_day;                 /* formed_on as taken (latest its precision allows); INT32_MIN unknown */
        int32_t mature_day;                    /* day from which the stoma is mature; INT32_MAX: never by itself */
        int32_t change_due_day, change_by_day; /* 0: not planned */
        struct care_forecast balloon;
    } stomas[PROTO_STOMAS_MAX];
    int64_t mature_at[PROTO_STOMAS_MAX]; /* local midnight of mature_day; INT64_MAX never */
    int64_t waiting_at;                  /* earliest event waiting outside the fold; INT64_MAX none */
    struct care_task tasks[PROTO_SCHEDULE_TASKS_MAX];
    struct care_alert alerts[PROTO_SCHEDULE_ALERTS_MAX];
};

enum care_device_state { CARE_DEVICE_NONE, CARE_DEVICE_IN, CARE_DEVICE_OUT, CARE_DEVICE_KEEP_OPEN };

/* Why home_change is no. YOUNG depends on the moment: the view adds it while now's date < mature_day. */
enum care_reason {
    CARE_REASON_YOUNG,
    CARE_REASON_AGE_UNKNOWN,
    CARE_REASON_FIRST_DEVICE,
    CARE_REASON_JEJUNAL,
    CARE_REASON_NO_BALLOON,
    CARE_REASON_PLAN_SAYS_NO,
    CARE_REASON_NO_DEVICE,
    CARE_REASON_KEEP_OPEN, /* a catheter that only kept the stoma open is, or was last, in it */
    CARE_REASON_COUNT
};

#endif
