/*
 * policy_table.h - every number that the care rules use, declared once.
 *
 * Published guidance disagrees on many of these; defaults take the careful end
 * and the basis names the others, so that a clinic sees what it chooses. None
 * of them replaces the child's prescribed plan, local policy or licensed practice.
 *
 * P(NAME, "wire-name", "unit", min, max, default, "basis", "help"): numbers in
 * HUNDREDTHS of the unit, as amounts are everywhere. New values go at the end.
 */
#ifndef PROTO_POLICY_TABLE_H
#define PROTO_POLICY_TABLE_H

/* One row a line, columns kept by hand. */
/* clang-format off */

#define PROTO_CP "common practice, no source"
#define PROTO_MEM "from memory of the trade"

#define PROTO_POLICIES(P)                                                                                                                    \
    P(BALLOON_CHECK_DAYS, "balloon-check-days", "days", 100, 2800, 700,                                                                      \
      "weekly: common practice, no source; hospital leaflets agree", "days between two balloon water checks")                               \
    P(BALLOON_FIRST_CHECK_DAYS, "balloon-first-check-days", "days", 700, 4200, 1400,                                                         \
      "day 14: Newcastle Hospitals leaflet; day 28: Cambridge University Hospitals leaflet", "first water check in a new stoma, days after it was formed") \
    P(BALLOON_RECHECK_DAYS, "balloon-recheck-days", "days", 100, 700, 100, PROTO_MEM, "days from a low check to the recheck")                \
    P(BALLOON_LOSS_ML, "balloon-loss-ml", "mL", 10, 300, 50,                                                                                 \
      "more than 0.5 mL missing: SickKids Connected Care, changing balloon G tubes", "loss above this is low")                              \
    P(BALLOON_EMPTY_PERCENT, "balloon-empty-percent", "%", 500, 5000, 2000, PROTO_MEM, "withdrawn at most this share of the last fill is empty") \
    P(BALLOON_FILL_TOLERANCE_ML, "balloon-fill-tolerance-ml", "mL", 10, 300, 50, PROTO_CP, "fill may differ from the prescribed volume by this") \
    P(BALLOON_SAME_CHECK_MIN, "balloon-same-check-min", "min", 0, 24000, 6000, PROTO_MEM, "checks within so many minutes count once towards failing") \
    P(BALLOON_FAILING_CHECKS, "balloon-failing-checks", "checks", 200, 500, 200, PROTO_CP, "low checks running that mean the balloon fails") \
    P(BALLOON_STUCK_MIN, "balloon-stuck-min", "min", 1000, 144000, 6000, PROTO_CP, "minutes without a check that worked until a stuck balloon is for today") \
    P(EXTENSION_CHANGE_DAYS, "extension-change-days", "days", 100, 3000, 700, PROTO_CP, "days between two changes of the extension set")     \
    P(BALLOON_CHANGE_DUE_MONTHS, "balloon-change-due-months", "months", 100, 1200, 300,                                                      \
      "3 to 4 months: common practice, no source; hospitals give 2 to 8", "balloon device in the stomach: change due")                      \
    P(BALLOON_CHANGE_OVERDUE_MONTHS, "balloon-change-overdue-months", "months", 100, 1200, 400,                                              \
      "3 to 4 months: common practice, no source; hospitals give 2 to 8", "balloon device in the stomach: change overdue")                  \
    P(BUMPER_LONG_CHANGE_DUE_MONTHS, "bumper-long-change-due-months", "months", 600, 3600, 1800, "hospital guidelines", "long bumper device: change due") \
    P(BUMPER_LONG_CHANGE_OVERDUE_MONTHS, "bumper-long-change-overdue-months", "months", 600, 3600, 2400, "hospital guidelines", "long bumper device: change overdue") \
    P(BUMPER_LOW_CHANGE_DUE_MONTHS, "bumper-low-change-due-months", "months", 600, 3600, 1200, "hospital guidelines", "low bumper device: change due") \
    P(BUMPER_LOW_CHANGE_OVERDUE_MONTHS, "bumper-low-change-overdue-months", "months", 600, 3600, 2400, "hospital guidelines", "low bumper device: change overdue") \
    P(JEJUNAL_CHANGE_DUE_MONTHS, "jejunal-change-due-months", "months", 100, 1200, 300, "hospital guidelines", "tip in the jejunum: change due, in hospital only") \
    P(JEJUNAL_CHANGE_OVERDUE_MONTHS, "jejunal-change-overdue-months", "months", 100, 1200, 600, "hospital guidelines", "tip in the jejunum: change overdue") \
    P(PRESCRIBED_CHANGE_GRACE_MONTHS, "prescribed-change-grace-months", "months", 0, 600, 100, PROTO_MEM, "a prescribed change is overdue so long after its date") \
    P(WEEKLY_CONTACT_DAYS, "weekly-contact-days", "days", 100, 2800, 700,                                                                    \
      "weekly: from memory of the trade; daily care itself: NICE CG139, enteral feeding", "days between two talks with the carer about daily care") \
    P(WEEKLY_CONTACT_GRACE_DAYS, "weekly-contact-grace-days", "days", 0, 700, 100, PROTO_MEM, "grace of the weekly contact")                 \
    P(ROTATE_FROM_DAYS, "rotate-from-days", "days", 0, 4200, 1400, "day 14: Newcastle Hospitals leaflet", "turning starts so many days after the stoma was formed") \
    P(BUMPER_ROTATE_DAYS, "bumper-rotate-days", "days", 100, 2800, 700, "weekly with loosening and advancing: Great Ormond Street guidance, from memory", "days between two turnings of a bumper device") \
    P(TAPING_UNTIL_DAYS, "taping-until-days", "days", 0, 18000, 4200, PROTO_CP, "taping is asked for in a stoma younger than this")          \
    P(TAPING_DAYS, "taping-days", "days", 100, 2800, 700, PROTO_CP, "days between two questions about taping")                               \
    P(FOLLOW_UP_DAYS, "follow-up-days", "days", 100, 700, 100, PROTO_MEM, "first visit, return check and hospital follow-up: days after")    \
    P(TRAINING_MONTHS, "training-months", "months", 300, 3600, 1200, PROTO_MEM, "a skill without a date of its own is in date so long")      \
    P(TRAINING_GRACE_DAYS, "training-grace-days", "days", 0, 6000, 1400, PROTO_MEM, "grace of training")                                     \
    P(SPARE_CHECK_DAYS, "spare-check-days", "days", 700, 18000, 3000, "carers found without a spare: NPSA Signal, 28 Feb 2012; interval from memory of the trade", "days between two checks of the spare") \
    P(SPARE_CHECK_GRACE_DAYS, "spare-check-grace-days", "days", 0, 3000, 700, PROTO_MEM, "grace of the spare check")                         \
    P(WEIGHT_INFANT_DAYS, "weight-infant-days", "days", 100, 3000, 700, PROTO_MEM, "under 3 months of age: days between two weights")        \
    P(WEIGHT_TODDLER_MONTHS, "weight-toddler-months", "months", 100, 600, 100, PROTO_MEM, "under 2 years of age: months between two weights") \
    P(WEIGHT_CHILD_MONTHS, "weight-child-months", "months", 100, 1200, 300, PROTO_MEM, "from 2 years: months between two weights")           \
    P(WEIGHT_GRACE_DAYS, "weight-grace-days", "days", 0, 3000, 1400, PROTO_MEM, "grace of weighing")                                         \
    P(DONE_EARLY_DAYS, "done-early-days", "days", 0, 700, 200, PROTO_MEM, "a task with a fixed date counts as done so many days early")      \
    P(DEFER_DAYS_MAX, "defer-days-max", "days", 100, 1400, 700, PROTO_MEM, "balloon check, device change, spare check, training: longest deferral") \
    P(DEFER_TIMES_MAX, "defer-times-max", "times", 100, 500, 200, PROTO_MEM, "the same tasks: how often one occurrence may be deferred")     \
    P(STOMA_MATURE_DAYS, "stoma-mature-days", "days", 1400, 18200, 8400,                                                                     \
      "84 days: common practice, no source; 8 weeks SickKids, Kent Community Health; 2 to 3 weeks emergency-medicine reviews", "stoma counts as mature") \
    P(OUT_AIM_MIN, "out-aim-min", "min", 1500, 24000, 6000, "1 to 2 h: common practice, no source; 2 to 4 h NHS Scotland Right Decisions; 4 h KidsHealth", "device out: aim for a device or catheter in the stoma") \
    P(OUT_LIMIT_MIN, "out-limit-min", "min", 3000, 24000, 12000, "1 to 2 h: common practice, no source; 2 to 4 h NHS Scotland Right Decisions; 4 h KidsHealth", "device out: limit") \
    P(OUT_TRY_MIN, "out-try-min", "min", 500, 12000, 3000, PROTO_MEM, "minutes a trained person has before the path becomes the hospital") \
    P(OUT_LIMIT_NEAR_MIN, "out-limit-near-min", "min", 0, 12000, 3000, PROTO_MEM, "nearer to the limit than this nothing is tried at home")  \
    P(DISPLACED_MM, "displaced-mm", "mm", 500, 10000, 2000, PROTO_MEM, "outside length so far from where it was when placed is displaced")    \
    P(PH_LIMIT, "ph-limit", "pH", 300, 600, 500, "at most 5.0 Sydney Children's Hospitals Network 2018; 5.5 NPSA 2011; both nasogastric, by extension", "highest pH that confirms the position") \
    P(LEARNT_LATE_HOURS, "learnt-late-hours", "h", 100, 16800, 2400, PROTO_MEM, "an unconfirmed position learnt later than this asks how the child has been") \
    P(EARLY_HOURS, "early-hours", "h", 2400, 33600, 7200, "first 72 h: NPSA rapid response report on gastrostomy, March 2010 (BMJ 2010;340:c2160)", "early complication: hours after formation, placement or put-back") \
    P(FEVER_C, "fever-c", "Cel", 3700, 4000, 3800, PROTO_MEM, "fever from this temperature")                                                 \
    P(UNBLOCK_WATER_ML, "unblock-water-ml", "mL", 100, 6000, 1000, PROTO_CP, "warm water to clear a blockage, pulsed")                       \
    P(UNBLOCK_MIN, "unblock-min", "min", 500, 24000, 3000, "30 min NHS Scotland", "not cleared after so many minutes: call")                 \
    P(UNSAFE_UNBLOCKING_DAYS, "unsafe-unblocking-days", "days", 100, 3000, 700, PROTO_MEM, "the reminder about unsafe ways stays so long")   \
    P(GAP_TIGHT_MM, "gap-tight-mm", "mm", 0, 500, 100, "a coin's thickness, 1.35 mm (US Mint, dime); limits from memory of the trade", "a gap under this is tight") \
    P(GAP_LOOSE_MM, "gap-loose-mm", "mm", 200, 2000, 400, "a coin's thickness, 1.35 mm (US Mint, dime); limits from memory of the trade", "a gap over this is loose") \
    P(OVERGRANULATION_DAYS, "overgranulation-days", "days", 100, 4200, 700, "no better at 7 days: BC Children's", "call when overgranulation is no better after so many days") \
    P(SUPPLY_LOW_DAYS, "supply-low-days", "days", 100, 6000, 700, PROTO_MEM, "supplies that run out within so many days are low")            \
    P(NO_WORD_DAYS, "no-word-days", "days", 300, 9000, 1400, PROTO_MEM, "no visit, check or answered contact for so many days")              \
    P(NO_WORD_MISSED_VISITS, "no-word-missed-visits", "visits", 100, 1000, 200, PROTO_MEM, "missed visits running that make no-word a matter for today") \
    P(CALL_AGAIN_NOW_MIN, "call-again-now-min", "min", 500, 12000, 1000, PROTO_MEM, "nobody answered about an alert for now: call again after") \
    P(CALL_AGAIN_TODAY_MIN, "call-again-today-min", "min", 1500, 144000, 12000, PROTO_MEM, "nobody answered about an alert for today: call again after") \
    P(CLOCK_DOUBT_MIN, "clock-doubt-min", "min", 100, 144000, 1000, PROTO_MEM, "a clock that is off by more than this is doubted")           \
    P(CLOCK_DOUBT_DAYS, "clock-doubt-days", "days", 100, 9000, 1400, PROTO_MEM, "the doubt about a clock is shown so long")                  \
    P(ENDED_DAYS, "ended-days", "days", 100, 9000, 700, PROTO_MEM, "an ended alert stays in view so long")                                   \
    P(FLUIDS_ALLOWED, "fluids-allowed", "set", 100, 25500, 1500, "sterile, bottled, distilled, cooled boiled: hospital leaflets",            \
      "waters a balloon may be filled with: 1 sterile + 2 bottled + 4 distilled + 8 cooled boiled + 16 tap")

#define PROTO_POLICY_ENUM(name, ...) PROTO_POLICY_##name,
enum proto_policy { PROTO_POLICY_NONE, PROTO_POLICIES(PROTO_POLICY_ENUM) PROTO_POLICY_COUNT };

/* clang-format on */
#endif
