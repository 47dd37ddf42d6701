/*
 * names_table.h - task, alert, urgency and level names, declared once.
 *
 * What always holds: the order is part of the stored format (task and alert
 * numbers stand in keys and schedules), so new names go at the end.
 */
#ifndef PROTO_NAMES_TABLE_H
#define PROTO_NAMES_TABLE_H

/* One row a line, columns kept by hand. */
/* clang-format off */

/* T(NAME, "wire-name", "title shown to people", done by its own kind of event?, may be deferred without limit?) */
#define PROTO_TASKS(T)                                                            \
    T(BALLOON_CHECK, "balloon-check", "Check the balloon water", 1, 0)            \
    T(BALLOON_RECHECK, "balloon-recheck", "Recheck the balloon water", 1, 0)      \
    T(EXTENSION_CHANGE, "extension-change", "Change the extension set", 1, 1)     \
    T(DEVICE_CHANGE, "device-change", "Change the device", 1, 0)                  \
    T(WEEKLY_CONTACT, "weekly-contact", "Ask the carer about daily care", 1, 1)   \
    T(SITE_CARE, "site-care", "Clean the site", 1, 1)                             \
    T(ROTATE, "rotate", "Turn the device", 1, 1)                                  \
    T(DRESSING, "dressing", "Change the dressing", 1, 1)                          \
    T(TAPING, "taping", "Check that the device is taped down", 1, 1)              \
    T(STITCHES_OUT, "stitches-out", "Stitches out", 0, 1)                         \
    T(FIRST_VISIT, "first-visit", "First visit after the stoma was formed", 0, 1) \
    T(RETURN_CHECK, "return-check", "Check after the return home", 0, 1)          \
    T(TRAINING, "training", "Renew a carer's training", 1, 0)                     \
    T(SPARE_CHECK, "spare-check", "Check the spare device", 1, 0)                 \
    T(WEIGHT, "weight", "Weigh the child", 1, 1)                                  \
    T(HOSPITAL_FOLLOW_UP, "hospital-follow-up", "Follow up with the hospital", 0, 1) \
    T(ADDED, "added", "A task the team added", 0, 1)

/* A(NAME, "wire-name", about the device or its balloon: ends with the device?, answered by: 0 any but family and other, 1 senior (surgeon,
 * gastroenterologist, emergency, ward, radiology), 2 senior and gp, 3 any but other) - the last is the rule for urgencies now and today. */
#define PROTO_ALERTS(A)                                            \
    A(TUBE_OUT, "tube-out", 0, 1)                                  \
    A(NO_DEVICE, "no-device", 0, 1)                                \
    A(TUBE_DISPLACED, "tube-displaced", 1, 1)                      \
    A(POSITION_UNSURE, "position-unsure", 1, 1)                    \
    A(PLACED_AGAINST_RULE, "placed-against-rule", 1, 1)            \
    A(EARLY_COMPLICATION, "early-complication", 0, 1)              \
    A(PAIN_OR_BLEEDING, "pain-or-bleeding", 0, 1)                  \
    A(INFECTION_SIGNS, "infection-signs", 0, 2)                    \
    A(BALLOON_LOW, "balloon-low", 1, 1)                            \
    A(BALLOON_FAILING, "balloon-failing", 1, 1)                    \
    A(BALLOON_EMPTY, "balloon-empty", 1, 1)                        \
    A(UNDERFILLED, "underfilled", 1, 1)                            \
    A(OVERFILLED, "overfilled", 1, 1)                              \
    A(BALLOON_UNCLEAR, "balloon-unclear", 1, 1)                    \
    A(BALLOON_STUCK, "balloon-stuck", 1, 1)                        \
    A(WRONG_FLUID, "wrong-fluid", 1, 1)                            \
    A(CHECKED_EARLY, "checked-early", 1, 1)                        \
    A(VALVE_LEAK, "valve-leak", 1, 1)                              \
    A(LEAK_AROUND, "leak-around", 0, 2)                            \
    A(BLOCKED, "blocked", 1, 1)                                    \
    A(UNSAFE_UNBLOCKING, "unsafe-unblocking", 0, 1)                \
    A(WILL_NOT_ROTATE, "will-not-rotate", 1, 1)                    \
    A(ROTATED_JEJUNAL, "rotated-jejunal", 1, 1)                    \
    A(FIT_TIGHT, "fit-tight", 1, 1)                                \
    A(FIT_LOOSE, "fit-loose", 1, 1)                                \
    A(OVERGRANULATION, "overgranulation", 0, 2)                    \
    A(DEVICE_OVERDUE, "device-overdue", 1, 1)                      \
    A(STOMA_DATE_MISSING, "stoma-date-missing", 0, 1)              \
    A(EMERGENCY_PLAN_MISSING, "emergency-plan-missing", 0, 1)      \
    A(NO_TRAINED_CARER, "no-trained-carer", 0, 1)                  \
    A(SPARE_MISSING, "spare-missing", 0, 1)                        \
    A(RECALLED_LOT, "recalled-lot", 1, 1)                          \
    A(SUPPLY_LOW, "supply-low", 0, 1)                              \
    A(NO_WORD, "no-word", 0, 3)                                    \
    A(CALL_AGAIN, "call-again", 0, 1)                              \
    A(CLOCK_DOUBT, "clock-doubt", 0, 1)

/* U(NAME, "wire-name", "what it means"): most urgent first. */
#define PROTO_URGENCIES(U)                                 \
    U(NOW, "now", "minutes to hours")                      \
    U(TODAY, "today", "call the same day")                 \
    U(SOON, "soon", "within the week or at the next visit") \
    U(NOTE, "note", "know it; nothing to do yet")

/* L(NAME, "wire-name"): the first that holds is the child's level. */
#define PROTO_LEVELS(L) \
    L(NOW, "now") L(TODAY, "today") L(OVERDUE, "overdue") L(SOON, "soon") L(DUE, "due") L(NOTE, "note") L(SETTLED, "settled")

#define PROTO_TASK_ENUM(name, ...) PROTO_TASK_##name,
#define PROTO_ALERT_ENUM(name, ...) PROTO_ALERT_##name,
#define PROTO_URGENCY_ENUM(name, ...) PROTO_URGENCY_##name,
#define PROTO_LEVEL_ENUM(name, ...) PROTO_LEVEL_##name,

/* Numbers start at 1: 0 means "none" everywhere. */
enum proto_task { PROTO_TASK_NONE, PROTO_TASKS(PROTO_TASK_ENUM) PROTO_TASK_COUNT };
enum proto_alert { PROTO_ALERT_NONE, PROTO_ALERTS(PROTO_ALERT_ENUM) PROTO_ALERT_COUNT };
enum proto_urgency { PROTO_URGENCY_NONE, PROTO_URGENCIES(PROTO_URGENCY_ENUM) PROTO_URGENCY_COUNT };
enum proto_level { PROTO_LEVEL_NONE, PROTO_LEVELS(PROTO_LEVEL_ENUM) PROTO_LEVEL_COUNT };

_Static_assert(PROTO_ALERT_COUNT <= 64, "alert sets are 64-bit masks");
_Static_assert(PROTO_TASK_COUNT <= 32, "task sets are 32-bit masks");

/* clang-format on */
#endif
