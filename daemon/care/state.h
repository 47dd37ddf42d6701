/*
 * state.h - what is remembered of one child: raw facts in a bounded, versioned structure. No policy, no zones, no judgement.
 *
 * What always holds: a function of the events that count, in order, and of
 * folded_to. Every list is bounded; lists of named things (carers, spares,
 * supplies, plans) keep the first N in order and set `overflow`; rows of the
 * last K (checks, contacts, weights) drop the oldest. Plain values only: a
 * state may be copied, compared by its encoding, and has nothing to free.
 * Texts are NUL-terminated and cut to fit at a character boundary.
 * In every fact `at` 0 with a zero id means "never".
 */
#ifndef CARE_STATE_H
#define CARE_STATE_H

#include "proto/event.h"

#define CARE_TEXT_SHORT (PROTO_TEXT_SHORT_MAX + 4)
#define CARE_TEXT_LINE (PROTO_TEXT_LINE_MAX + 4)

struct care_fact { /* an event that says something */
    int64_t at;
    struct proto_id id;
};

/* A sign that can be seen, settled only by an explicit no seen by somebody (source: seen). */
struct care_sign {
    uint8_t value;          /* last said: 0 never; bools: 1 no 2 yes; choices: their number; see enum care_sign_name */
    bool open;              /* seen and not settled since */
    struct care_fact first; /* first event of the open run */
    struct care_fact last;  /* newest that saw it */
    struct care_fact settled; /* what settled the last run */
    int64_t number;           /* amounts (fever, gap, outside): last value, hundredths */
    uint64_t seen_set;        /* choices: bit (choice - 1) of each value seen in the open run */
    /* Of a sign that can be an early complication: its sightings since one that came soon after a formation, placement or put-back, until they
     * are settled as an early complication; and the shortest such time, INT64_MAX: none. */
    struct care_fact early_first, early_last;
    int64_t after_seat_ms;
    struct care_fact denied; /* newest explicit no with source: seen, whether or not a run was open */
};
/* A measurement that is judged by limits of policy: the last few, newest last. */
#define CARE_MEASURES_KEPT 4
struct care_measures {
    uint32_t count;
    struct {
        struct care_fact fact;
        int32_t number;
        bool seen; /* source: seen */
    } list[CARE_MEASURES_KEPT];
};
enum care_sign_name {
    CARE_SIGN_REDNESS,
    CARE_SIGN_SPREADING,
    CARE_SIGN_WARM,
    CARE_SIGN_PUSTULE,
    CARE_SIGN_ODOUR,
    CARE_SIGN_OVERGRANULATION,
    CARE_SIGN_BLEEDING,
    CARE_SIGN_DISCHARGE,
    CARE_SIGN_PAIN,
    CARE_SIGN_PAIN_ON_FEEDING,
    CARE_SIGN_FEVER,
    CARE_SIGN_GAP,
    CARE_SIGN_OUTSIDE,
    CARE_SIGN_LEAK,
    CARE_SIGN_SKIN,
    CARE_SIGN_COUNT
};

struct care_check { /* one balloon check */
    struct care_fact fact;
    bool gap_after; /* a check with a volume that came next has given way: this one and the next are not running */
    bool stuck, left_empty, has_withdrawn, has_filled;
    uint8_t look, fluid;                         /* 0 not said */
    int32_t withdrawn_ml, filled_ml, syringe_ml; /* hundredths */
    int32_t prescribed_ml;                       /* in force at this check; 0 unknown */
    /* volume last put in before this check (fill of a check, or prescribed at placement when not known); 0 unknown */
    int32_t before_ml;
    int64_t before_at; /* when; 0 unknown */
    bool before_known; /* before_ml is a recorded fill of THIS device */
};

struct care_position {
    struct care_fact fact; /* zero: not confirmed */
    uint8_t method;        /* enum proto_choice_method */
    int32_t ph;            /* hundredths; 0 not given */
};

/* What home_change rested on just before a device was seated: the device that was there, and the child's plan then. */
struct care_before {
    bool had_device;
    uint8_t retention, tip, why, plan_home_change;
    bool first_in_stoma;
    bool keep_open; /* a catheter had come after that device */
};

struct care_device {
    struct care_fact placed;   /* device.placed */
    struct care_fact seated;   /* the later of placed and the last put-back: what position and the 72 h count from */
    int64_t seated_written_at; /* for "learnt late" */
    uint8_t retention, profile, tip, purpose, why, place, placed_by; /* as placed; 0 not said */
    uint8_t seated_place, seated_by;
    bool first_in_stoma, from_spare, put_back;
    int32_t french_fr, length_mm, balloon_ml,
        outside_mm; /* hundredths; 0 not given; outside_given says whether 0 is 0 */
    bool outside_given;
    int32_t expires_day; /* 0 not given */
    char gtin[16], lot[44], serial[44];
    /* since seated: the last word, confirmed or not (ph over the limit is judged in plan) */
    struct care_position position;
    bool position_said;                   /* a position was given at all since seated */
    struct care_position seated_position; /* as the placement or put-back itself gave it; zero fact: it gave none */
    struct care_fact imaging;             /* newest imaging since seated, whatever else was said after it */
    struct care_before before;
};

struct care_out {                 /* one dislodgement, or a removal without for_good */
    struct care_fact first, last; /* earliest tube.out (or removal), newest report */
    int64_t out_from;             /* last_seen_at (not before the placement) or at, earliest over the reports */
    uint8_t trained_present, spare_present, balloon; /* newest said wins; 0 not said */
    bool pain, bleeding;                             /* any report */
    bool removed;                                    /* began as device.removed */
    struct care_fact failed;                         /* placement.failed since */
    uint8_t failed_attempts;
    struct care_fact hospital; /* hospital.reached since: the clock stops */
    struct care_fact ended;    /* placed, put back, keep-open or closed */
    bool ended_keep_open;
    bool unrecorded; /* what came out is not on record: a hospital had been reached since the device before came out */
};

/* The device before: what was known of it when it went, so that what ended with it ends visibly. */
struct care_past {
    struct care_fact gone; /* removed, or replaced; zero: none, or so long ago that nobody would be shown it */
    struct care_device device;
    uint32_t check_count;
    struct care_check checks[PROTO_CHECKS_KEPT];
    struct care_fact displaced, displaced_first, displaced_settled, outside_worst;
    int32_t displaced_outside_mm;
    bool displaced_said;
    struct care_measures gaps;
    struct care_fact blocked_first, blocked, blocked_settled;
    uint8_t rotated;
    struct care_fact rotated_fact, rotated_bad_first, rotated_settled, rotated_jejunal, rotated_jejunal_settled;
    struct care_fact valve_leak_first, valve_leak, against_contact;
};

struct care_stoma {
    bool touched; /* some event was about it: an untouched one holds nothing */
    bool exists;
    struct care_fact formed; /* stoma.formed */
    int32_t formed_day;      /* as given; INT32_MIN not given */
    uint8_t precision, how;
    int32_t mature_day;       /* mature_on; INT32_MIN not given */
    int32_t stitches_out_day; /* INT32_MIN not given */
    struct care_fact closed;
    char hospital[CARE_TEXT_SHORT];
    uint8_t device_state;          /* enum care_device_state */
    struct care_fact device_gone;  /* when the last device went (removed, replaced, out is not gone) */
    struct care_device device;     /* in place, or the last one while out */
    int32_t prescribed_balloon_ml; /* of the device in place; 0: as placed */
    int32_t prescribed_change_months, prescribed_ph; /* last over devices; 0 none */
    struct care_fact prescribed;
    struct care_out out;                         /* the last dislodgement */
    struct care_fact displaced, displaced_first; /* tube.displaced or outside_mm given, open until imaging */
    /* outside length farthest from where it was when placed, since then or since imaging */
    int32_t displaced_outside_mm;
    struct care_fact outside_worst; /* the event that gave it */
    /* newest that was off by what any limit could mind: news where the worst is over the limit */
    struct care_fact outside_newest;
    struct care_measures gaps; /* site.checked gap_mm, of this device */
    bool displaced_said, displaced_feed, displaced_vomiting;
    struct care_fact displaced_settled;
    uint32_t check_count;
    /* oldest first; of this device only: emptied when a device is placed, kept by put-back */
    struct care_check checks[PROTO_CHECKS_KEPT];
    struct care_fact last_good_check; /* gave a volume and was filled again: this device */
    int32_t last_fill_ml;
    int64_t last_fill_at;
    bool last_fill_known;
    struct care_sign signs[CARE_SIGN_COUNT];
    struct care_fact site_checked;                            /* newest */
    struct care_fact blocked_first, blocked, blocked_settled; /* open while not cleared */
    uint8_t blocked_ports;   /* not yet clear: bit 0 a port that was not named, bit n by enum proto_choice_port */
    struct care_fact unsafe; /* newest with other_tried */
    char unsafe_text[CARE_TEXT_SHORT];
    uint8_t rotated; /* last: free stiff will-not; 0 */
    struct care_fact rotated_fact, rotated_bad_first, rotated_settled, rotated_jejunal, rotated_jejunal_settled;
    struct care_fact care_done[8]; /* by enum proto_choice_care_item (1..7): newest */
    struct care_fact weekly;       /* newest care.done with `since` */
    int32_t weekly_since_day;
    bool imaging_since_displaced; /* reserved, 0 */
    struct care_fact spare_used;  /* newest placement from_spare */
    /* leak through, seen since device.placed: ends only with the device */
    struct care_fact valve_leak_first, valve_leak;
    /* first answered contact about early-complication by one it allows, since the newest sighting of its signs */
    struct care_fact early_contact;
    struct care_fact keep_open; /* newest device.placed to keep the stoma open; and where, as a choice of place */
    uint8_t keep_open_place;
    /* what was placed then, as it was described; in the stoma while the state is keep-open, and when it went */
    struct care_device catheter;
    struct care_fact catheter_gone;
    struct care_past past;
    struct care_fact undated, dated; /* first event that left the stoma without a date; first after it that gave one */
    /* first answered contact about placed-against-rule with surgeon or gastroenterologist since seated */
    struct care_fact against_contact;
};

struct care_contact {
    struct care_fact fact;
    uint8_t to, outcome;
    uint64_t about;     /* bit (alert - 1) */
    int64_t recheck_by; /* 0 not given */
};
struct care_carer {
    char name[CARE_TEXT_SHORT];
    bool left;
    struct care_fact left_fact;
    struct {
        struct care_fact fact;
        uint8_t level;
        int32_t until_day; /* 0 not given */
        struct care_fact before;
        uint8_t before_level;
        int32_t before_until; /* the training before */
    } skills[5];              /* 1..4 */
};
struct care_spare_before {
    struct care_fact fact;
    uint8_t retention, profile;
    int32_t french_fr, length_mm, count, expires_day;
};
struct care_spare {
    struct care_fact fact;
    uint8_t place, what, retention, profile, stoma;
    int32_t french_fr, length_mm, count, expires_day;
    char lot[44];
    struct care_spare_before before; /* the count before */
};
struct care_supply {
    char item[CARE_TEXT_SHORT];
    struct care_fact counted, ordered;
    int32_t count, ordered_count, expected_day;
    struct care_fact counted_before;
    int32_t count_before;
};
struct care_appointment {
    struct care_fact fact;
    uint8_t what, stoma;
    int32_t on_day;
};
struct care_plan_entry { /* plan.set: the newest for one task or policy and stoma */
    struct care_fact fact;
    uint8_t task, policy, stoma, weekdays; /* weekdays: bit (weekday - 1); 0 all */
    bool off, has_value;
    int32_t every_days, until_day; /* 0 not given */
    int64_t value;
    uint8_t pause_count;
    struct {
        int32_t from, to;
    } pauses[PROTO_PAUSES_MAX];
};
struct care_added_task {
    char name[44], title[CARE_TEXT_SHORT];
    struct care_fact fact, done;
    int32_t due_day, every_days;
    uint8_t stoma;
};
#define CARE_DEFERRALS_KEPT 6
struct care_deferral { /* since the task was last done: each wish in order; limits of policy are judged in plan */
    uint8_t task, stoma;
    char name[44];
    struct care_fact fact;
    int32_t until_day;
    uint8_t times;
    int32_t untils[CARE_DEFERRALS_KEPT];
};
struct care_giving {
    uint8_t task, stoma;
    char name[44], to[CARE_TEXT_SHORT];
    struct care_fact fact;
};
struct care_task_done {
    uint8_t task, stoma;
    struct care_fact fact;
}; /* task.done of tasks without a kind: newest */
struct care_finding {
    uint8_t alert, stoma;
    struct care_fact fact;
    int32_t until_day;
    char plan[CARE_TEXT_SHORT];
};
/* A voided event, as far as alerts could have rested on it: which of them had is judged when planning. */
struct care_withdrawn {
    uint8_t kind, stoma;      /* enum proto_kind, enum proto_choice_stoma */
    struct care_fact fact;    /* what voided it */
    struct proto_id evidence; /* the voided event, and when it says it happened */
    int64_t at;
    uint64_t could;            /* alerts it could have opened by what it says: bit (alert - 1) */
    int64_t after_seat_ms;     /* site.checked: since the stoma was formed or the device seated; INT64_MAX: not known */
    int64_t number;            /* gap; missed visits running; set of alerts a call was about */
    int32_t far_mm;            /* outside length: so far from where it was when placed */
    struct care_check check;   /* balloon.checked */
    struct care_device device; /* placed, put back, position confirmed: the device as it would lie there */
};
struct care_stay {
    struct care_fact started, ended;
    uint8_t where;
    int32_t expected_back_day;
    char name[CARE_TEXT_SHORT];
    bool stoma_formed;
};

/* Of a child that was registered more than once: what each record says of who it is. A merged child bears the label of the record it is shown under. */
#define CARE_MEMBERS_KEPT 5
struct care_member {
    struct proto_id id; /* zero: the record that was registered first */
    char label[CARE_TEXT_SHORT];
    int32_t born_day;
};

struct care_profile { /* texts: stored beside the core, rewritten only when they change */
    char label[CARE_TEXT_SHORT], zone[64], team[44], named_nurse[CARE_TEXT_SHORT];
    char critical_medicines[CARE_TEXT_LINE], address[CARE_TEXT_LINE], access[CARE_TEXT_LINE];
    uint32_t identifier_count;
    struct {
        char system[CARE_TEXT_SHORT], value[CARE_TEXT_SHORT];
    } identifiers[PROTO_IDENTIFIERS_MAX];
    uint32_t contact_count;
    struct {
        char role[44], name[CARE_TEXT_SHORT], phone[44];
    } contacts[PROTO_PHONES_MAX];
    uint32_t use_count;
    struct {
        char item[CARE_TEXT_SHORT];
        int32_t per_day; /* hundredths */
    } uses[PROTO_USES_MAX];
    char plan_steps[PROTO_TEXT_LONG_MAX + 4], plan_when[CARE_TEXT_LINE], plan_hospital[CARE_TEXT_SHORT], plan_phone[44],
        plan_prescriber[CARE_TEXT_SHORT];
    struct { /* the second stoma's own plan */
        char steps[PROTO_TEXT_LONG_MAX + 4], when[CARE_TEXT_LINE], hospital[CARE_TEXT_SHORT], phone[44],
            prescriber[CARE_TEXT_SHORT];
    } second_plan;
};

struct care_emergency { /* what an emergency-plan.set says beside its texts */
    struct care_fact fact;
    uint8_t keep_open, home_change; /* 0 not said 1 no 2 yes */
    uint8_t spares;                 /* bit (choice - 1) */
    int32_t review_day;             /* 0 not given */
};

struct care_state {
    int64_t folded_to;    /* events dated later wait; set by the caller */
    uint32_t event_count; /* folded */
    bool overflow;        /* some list was full */
    struct care_fact registered, last_event;
    int32_t born_day;
    uint8_t active, feeding, latex_allergy, anticoagulant, immunosuppressed; /* bools: 0 not said 1 no 2 yes */
    int32_t hours_without_feed_max;                                          /* -1 not given */
    struct care_fact moved, reopened;
    struct care_fact closed;
    uint8_t closed_reason; /* closed.at 0: open */
    struct care_fact merged;
    struct proto_id merged_into;
    uint32_t zone_count;
    struct {
        int64_t from;
        char name[64];
    } zones[PROTO_ZONES_KEPT]; /* the first applies to all before; "date in the zone the child had then" */
    struct care_stay stay;     /* the last hospital stay (or the one under way) */
    struct care_stay away;     /* the last respite or other stay */
    struct care_fact hospital;
    bool hospital_formed_here;  /* newest hospital.reached */
    struct care_fact last_word; /* newest visit, check or answered contact */
    /* The last time that nobody heard from the family for some days, or visits were missed, and the word that ended it. */
    struct {
        struct care_fact from, to, missed_last;
        uint8_t missed;
    } silence;
    uint8_t missed_visits;
    struct care_fact missed_first, missed_last; /* running, since the last word */
    struct care_fact visit_planned;
    int32_t visit_planned_day;
    struct care_fact plan_first; /* the first emergency plan */
    struct care_fact plan;
    uint8_t plan_keep_open, plan_home_change, plan_stoma;
    uint8_t plan_spares;
    int32_t plan_review_day; /* emergency-plan.set of the main stoma; spares bit (choice - 1) */
    /* of the second stoma; while it has none, the main one's is the plan for both */
    struct care_emergency second_plan;
    struct care_fact feed;
    uint8_t feed_mode;
    int32_t feed_ml_day, feed_flush_ml;
    struct care_fact weight;
    int32_t weight_kg;
    struct care_fact weight_before;
    int32_t weight_before_kg;
    struct care_fact clock_doubt;
    int64_t clock_offset_ms;
    struct care_fact waiting;
    uint32_t waiting_count;                     /* events outside the fold: the earliest */
    int64_t waiting_written_at;                 /* of that one */
    struct care_fact grave_withdrawal;          /* reserved: newest withdrawal that waits for a second person */
    struct care_stoma stomas[PROTO_STOMAS_MAX]; /* [0] main, [1] second */
    uint32_t contact_count;
    struct care_contact contacts[PROTO_CONTACTS_KEPT]; /* oldest first */
    uint32_t carer_count;
    struct care_carer carers[PROTO_CARERS_MAX];
    uint32_t spare_count;
    struct care_spare spares[PROTO_SPARES_MAX];
    uint32_t supply_count;
    struct care_supply supplies[PROTO_SUPPLIES_MAX];
    uint32_t appointment_count;
    struct care_appointment appointments[PROTO_APPOINTMENTS_MAX];
    uint32_t plan_count;
    struct care_plan_entry plans[PROTO_PLANS_MAX];
    uint32_t added_count;
    struct care_added_task added[PROTO_ADDED_TASKS_MAX];
    uint32_t deferral_count;
    struct care_deferral deferrals[PROTO_ADDED_TASKS_MAX];
    uint32_t giving_count;
    struct care_giving givings[PROTO_ADDED_TASKS_MAX];
    uint32_t done_count;
    struct care_task_done done[PROTO_ADDED_TASKS_MAX];
    uint32_t finding_count;
    struct care_finding findings[PROTO_FINDINGS_MAX];
    uint32_t member_count; /* 0: registered once */
    struct care_member members[CARE_MEMBERS_KEPT];
    uint32_t withdrawn_count;
    struct care_withdrawn withdrawn[PROTO_FINDINGS_MAX];
    struct care_profile profile;
};

#endif
