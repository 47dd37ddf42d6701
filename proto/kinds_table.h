/*
 * kinds_table.h - every kind of event, declared once.
 *
 * Validation, canonical encoding, the answer of `kinds`, the command line's
 * flags and help, the board's forms and the reference part of PROTOCOL.md are
 * all made from this table.
 *
 * What always holds: kinds and fields are only ever added at the end of their
 * list; ranks and choice numbers are part of the stored order and are not changed.
 *
 * K(ident, "wire.name", RANK, SCOPE, "help")
 *   RANK   place in the order of events at one instant (enum proto_rank)
 *   SCOPE  CHILD (patient needed), STOMA (patient needed, `stoma` means something), TEAM (no patient)
 * F(kind, field, TYPE, NEED, "unit", min, max, choices, "help")
 *   TYPE   BOOL INT AMOUNT (hundredths) DATE TIME ID TEXT CHOICE CHOICES (a set) TEXTS (a list)
 *          IDENTIFIERS CONTACTS USES PAUSES VALUES (lists or maps with a shape of their own)
 *   NEED   REQUIRED or OPTIONAL
 *   min, max: bounds of the number (AMOUNT in hundredths), or for texts the longest length in bytes as max
 */
#ifndef PROTO_KINDS_TABLE_H
#define PROTO_KINDS_TABLE_H

/* One row a line, columns kept by hand. */
/* clang-format off */

#include "proto/limits.h"

/* --- choices: C(list, ident, "wire-name"), numbered from 1 in order ---------------- */
#define PROTO_CHOICES_yes_no_unknown(C, l) C(l, yes, "yes") C(l, no, "no") C(l, unknown, "unknown")
#define PROTO_CHOICES_stoma(C, l) C(l, main, "main") C(l, second, "second")
#define PROTO_CHOICES_done_by(C, l) C(l, nurse, "nurse") C(l, carer, "carer") C(l, school, "school") C(l, hospital, "hospital") C(l, other, "other")
#define PROTO_CHOICES_source(C, l) C(l, seen, "seen") C(l, told, "told")
#define PROTO_CHOICES_feeding(C, l) C(l, bolus, "bolus") C(l, continuous, "continuous") C(l, both, "both") C(l, none, "none")
#define PROTO_CHOICES_closed_reason(C, l) \
    C(l, device_no_longer_needed, "device-no-longer-needed") C(l, moved_away, "moved-away") C(l, care_transferred, "care-transferred") \
    C(l, died, "died") C(l, other, "other")
#define PROTO_CHOICES_stay_where(C, l) C(l, hospital, "hospital") C(l, respite, "respite") C(l, other, "other")
#define PROTO_CHOICES_precision(C, l) C(l, day, "day") C(l, month, "month") C(l, year, "year") C(l, unknown, "unknown")
#define PROTO_CHOICES_how(C, l) C(l, surgical, "surgical") C(l, endoscopic, "endoscopic") C(l, radiological, "radiological") C(l, unknown, "unknown")
#define PROTO_CHOICES_retention(C, l) C(l, balloon, "balloon") C(l, bumper, "bumper") C(l, other, "other")
#define PROTO_CHOICES_profile(C, l) C(l, low, "low") C(l, long, "long")
#define PROTO_CHOICES_tip(C, l) C(l, stomach, "stomach") C(l, jejunum, "jejunum")
#define PROTO_CHOICES_purpose(C, l) C(l, feeding, "feeding") C(l, keep_open, "keep-open")
#define PROTO_CHOICES_placed_why(C, l) \
    C(l, first, "first") C(l, transfer_in, "transfer-in") C(l, scheduled, "scheduled") C(l, valve_worn, "valve-worn") \
    C(l, balloon_failed, "balloon-failed") C(l, blocked, "blocked") C(l, fell_out, "fell-out") C(l, resized, "resized") \
    C(l, recalled, "recalled") C(l, other, "other")
#define PROTO_CHOICES_place(C, l) C(l, home, "home") C(l, school, "school") C(l, clinic, "clinic") C(l, hospital, "hospital")
#define PROTO_CHOICES_placed_by(C, l) \
    C(l, surgeon, "surgeon") C(l, gastroenterologist, "gastroenterologist") C(l, nurse, "nurse") C(l, carer, "carer") C(l, other, "other")
#define PROTO_CHOICES_position(C, l) \
    C(l, aspirate_ph, "aspirate-ph") C(l, imaging, "imaging") C(l, theatre, "theatre") C(l, not_confirmed, "not-confirmed")
#define PROTO_CHOICES_method(C, l) C(l, aspirate_ph, "aspirate-ph") C(l, imaging, "imaging") C(l, theatre, "theatre") C(l, other, "other")
#define PROTO_CHOICES_out_balloon(C, l) C(l, filled, "filled") C(l, burst, "burst") C(l, unknown, "unknown")
#define PROTO_CHOICES_port(C, l) C(l, gastric, "gastric") C(l, jejunal, "jejunal")
#define PROTO_CHOICES_look(C, l) C(l, clear, "clear") C(l, cloudy, "cloudy") C(l, discoloured, "discoloured")
#define PROTO_CHOICES_fluid(C, l) \
    C(l, sterile_water, "sterile-water") C(l, bottled_water, "bottled-water") C(l, distilled_water, "distilled-water") \
    C(l, cooled_boiled_water, "cooled-boiled-water") C(l, tap_water, "tap-water") C(l, saline, "saline") C(l, air, "air") C(l, other, "other")
#define PROTO_CHOICES_redness(C, l) C(l, none, "none") C(l, pink, "pink") C(l, red, "red")
#define PROTO_CHOICES_discharge(C, l) \
    C(l, none, "none") C(l, clear, "clear") C(l, green, "green") C(l, yellow, "yellow") C(l, blood, "blood") C(l, feed, "feed")
#define PROTO_CHOICES_pain(C, l) C(l, none, "none") C(l, mild, "mild") C(l, severe, "severe")
#define PROTO_CHOICES_leak(C, l) C(l, none, "none") C(l, around, "around") C(l, through, "through")
#define PROTO_CHOICES_skin(C, l) C(l, whole, "whole") C(l, sore, "sore") C(l, broken, "broken")
#define PROTO_CHOICES_care_item(C, l) \
    C(l, site_care, "site-care") C(l, rotate, "rotate") C(l, advance, "advance") C(l, dressing, "dressing") \
    C(l, extension_change, "extension-change") C(l, extension_wash, "extension-wash") C(l, taping, "taping")
#define PROTO_CHOICES_rotated(C, l) C(l, free, "free") C(l, stiff, "stiff") C(l, will_not, "will-not")
#define PROTO_CHOICES_contact_to(C, l) \
    C(l, surgeon, "surgeon") C(l, gastroenterologist, "gastroenterologist") C(l, emergency, "emergency") C(l, gp, "gp") C(l, nurse, "nurse") \
    C(l, ward, "ward") C(l, radiology, "radiology") C(l, dietitian, "dietitian") C(l, supplier, "supplier") C(l, school, "school") \
    C(l, family, "family") C(l, other, "other")
#define PROTO_CHOICES_outcome(C, l) C(l, answered, "answered") C(l, no_answer, "no-answer")
#define PROTO_CHOICES_appointment_for(C, l) C(l, device_change, "device-change") C(l, review, "review") C(l, training, "training") C(l, other, "other")
#define PROTO_CHOICES_skill(C, l) \
    C(l, daily_care, "daily-care") C(l, balloon_check, "balloon-check") C(l, device_change, "device-change") C(l, emergency_steps, "emergency-steps")
#define PROTO_CHOICES_skill_level(C, l) C(l, shown, "shown") C(l, supervised, "supervised") C(l, signed_off, "signed-off")
#define PROTO_CHOICES_spare_place(C, l) C(l, home, "home") C(l, school, "school") C(l, bag, "bag")
#define PROTO_CHOICES_spare_what(C, l) C(l, same, "same") C(l, smaller, "smaller") C(l, keep_open, "keep-open")
#define PROTO_CHOICES_weekday(C, l) \
    C(l, mon, "mon") C(l, tue, "tue") C(l, wed, "wed") C(l, thu, "thu") C(l, fri, "fri") C(l, sat, "sat") C(l, sun, "sun")
/* The lists `task`, `alert`, `urgency` and `policy` are made from names_table.h and policy_table.h. */

#define PROTO_CHOICE_LISTS(L)                                                                                             \
    L(yes_no_unknown) L(stoma) L(done_by) L(source) L(feeding) L(closed_reason) L(stay_where) L(precision) L(how)         \
    L(retention) L(profile) L(tip) L(purpose) L(placed_why) L(place) L(placed_by) L(position) L(method) L(out_balloon)    \
    L(port) L(look) L(fluid) L(redness) L(discharge) L(pain) L(leak) L(skin) L(care_item) L(rotated) L(contact_to)        \
    L(outcome) L(appointment_for) L(skill) L(skill_level) L(spare_place) L(spare_what) L(weekday)

#define PROTO_CHOICE_ENUM_ENTRY(l, ident, wire) PROTO_##l##_##ident,
#define PROTO_CHOICE_ENUM(l) enum proto_choice_##l { PROTO_##l##_not_said, PROTO_CHOICES_##l(PROTO_CHOICE_ENUM_ENTRY, l) PROTO_##l##_count };
PROTO_CHOICE_LISTS(PROTO_CHOICE_ENUM)

/* --- ranks: the order of events at one instant --------------------------------------- */
enum proto_rank {
    PROTO_RANK_CONTEXT,      /* policy, recalls */
    PROTO_RANK_REGISTRATION, /* registration and moves */
    PROTO_RANK_STOMA,
    PROTO_RANK_OUT,          /* out and removed */
    PROTO_RANK_PLACED,       /* placed and put back */
    PROTO_RANK_PRESCRIBED,
    PROTO_RANK_POSITION,
    PROTO_RANK_CHECK,
    PROTO_RANK_CARE,
    PROTO_RANK_CONTACT,
    PROTO_RANK_REST
};

#define PROTO_KINDS(K)                                                                                                                   \
    K(patient_registered, "patient.registered", REGISTRATION, CHILD, "A child comes on to the caseload.")                                \
    K(patient_revised, "patient.revised", REGISTRATION, CHILD, "Something in the child's record is corrected or changed.")               \
    K(patient_moved, "patient.moved", REGISTRATION, CHILD, "The child moves to another team.")                                           \
    K(patient_closed, "patient.closed", REGISTRATION, CHILD, "The child leaves the caseload.")                                           \
    K(patient_reopened, "patient.reopened", REGISTRATION, CHILD, "The child comes back on to the caseload.")                             \
    K(patient_merged, "patient.merged", REGISTRATION, CHILD, "Two records are of one child; they are read as one from now on.")          \
    K(stay_started, "stay.started", REGISTRATION, CHILD, "The child goes to stay in hospital, respite or elsewhere.")                    \
    K(stay_ended, "stay.ended", REGISTRATION, CHILD, "The stay is over.")                                                                \
    K(stoma_formed, "stoma.formed", STOMA, STOMA, "A stoma was formed.")                                                                 \
    K(stoma_closed, "stoma.closed", STOMA, STOMA, "The stoma is closed.")                                                                \
    K(device_placed, "device.placed", PLACED, STOMA, "A device was placed in the stoma.")                                                \
    K(device_put_back, "device.put-back", PLACED, STOMA, "The same device was put back.")                                                \
    K(device_prescribed, "device.prescribed", PRESCRIBED, STOMA, "The prescriber set the balloon volume, change interval or pH limit.")  \
    K(device_removed, "device.removed", OUT, STOMA, "The device was taken out on purpose.")                                              \
    K(placement_failed, "placement.failed", OUT, STOMA, "An attempt to place a device failed.")                                          \
    K(position_confirmed, "position.confirmed", POSITION, STOMA, "The position of the device was confirmed.")                            \
    K(tube_out, "tube.out", OUT, STOMA, "The device has come out.")                                                                      \
    K(tube_displaced, "tube.displaced", POSITION, STOMA, "The device has moved from where it should be.")                                \
    K(tube_blocked, "tube.blocked", CHECK, STOMA, "The device is or was blocked.")                                                       \
    K(balloon_checked, "balloon.checked", CHECK, STOMA, "The balloon water was drawn, measured and put back.")                           \
    K(site_checked, "site.checked", CHECK, STOMA, "The site was looked at.")                                                             \
    K(finding_accepted, "finding.accepted", REST, STOMA, "The prescriber accepts a lasting finding, with a plan.")                       \
    K(care_done, "care.done", CARE, STOMA, "Routine care was done.")                                                                     \
    K(contact_made, "contact.made", CONTACT, CHILD, "Somebody was called.")                                                              \
    K(hospital_reached, "hospital.reached", CONTACT, STOMA, "The child has reached a hospital.")                                         \
    K(visit_planned, "visit.planned", REST, CHILD, "A visit is planned.")                                                                \
    K(visit_missed, "visit.missed", REST, CHILD, "A planned visit did not happen.")                                                      \
    K(appointment_booked, "appointment.booked", REST, STOMA, "An appointment is booked.")                                                \
    K(carer_trained, "carer.trained", REST, CHILD, "A carer was trained in a skill.")                                                    \
    K(carer_left, "carer.left", REST, CHILD, "A carer no longer cares for the child.")                                                   \
    K(emergency_plan_set, "emergency-plan.set", REST, STOMA, "The child's own emergency plan.")                                          \
    K(spare_counted, "spare.counted", REST, STOMA, "The spare devices in one place were counted.")                                       \
    K(supply_counted, "supply.counted", REST, CHILD, "Supplies were counted.")                                                           \
    K(supply_ordered, "supply.ordered", REST, CHILD, "Supplies were ordered.")                                                           \
    K(feed_prescribed, "feed.prescribed", REST, CHILD, "The feed was prescribed.")                                                       \
    K(weight_measured, "weight.measured", REST, CHILD, "The child was weighed.")                                                         \
    K(plan_set, "plan.set", REST, STOMA, "The child's own interval or limit replaces the general one.")                                  \
    K(task_added, "task.added", REST, STOMA, "The team adds a task of its own.")                                                         \
    K(task_done, "task.done", REST, STOMA, "A task that has no kind of its own was done.")                                               \
    K(task_deferred, "task.deferred", REST, STOMA, "One occurrence of a task is moved.")                                                 \
    K(task_given, "task.given", REST, STOMA, "A task is given to somebody.")                                                             \
    K(note_written, "note.written", REST, CHILD, "A note.")                                                                              \
    K(event_withdrawn, "event.withdrawn", REST, CHILD, "An event was a mistake and no longer counts.")                                   \
    K(withdrawal_confirmed, "withdrawal.confirmed", REST, CHILD, "A second person confirms a withdrawal.")                               \
    K(policy_adopted, "policy.adopted", CONTEXT, TEAM, "A team, or all of them, adopts policy values.")                                  \
    K(patient_erased, "patient.erased", REST, CHILD, "Everything about the child is removed for good.")                                  \
    K(lot_recalled, "lot.recalled", CONTEXT, TEAM, "A lot of devices is recalled.")

#define PROTO_FIELDS_patient_registered(F, k)                                                                                       \
    F(k, label, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "code or name the team uses for the child")                      \
    F(k, born, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date of birth")                                             \
    F(k, zone, TEXT, REQUIRED, "", 1, 64, NULL, "time zone of the home, as the time zone database names it")                        \
    F(k, team, TEXT, REQUIRED, "", 1, 40, NULL, "team that looks after the child: lower-case letters, digits and hyphens")          \
    PROTO_FIELDS_patient_common(F, k)

#define PROTO_FIELDS_patient_common(F, k)                                                                                           \
    F(k, identifiers, IDENTIFIERS, OPTIONAL, "", 0, PROTO_IDENTIFIERS_MAX, NULL, "numbers other systems know the child by")         \
    F(k, active, BOOL, OPTIONAL, "", 0, 1, NULL, "pulls at the device or is very active")                                           \
    F(k, feeding, CHOICE, OPTIONAL, "", 0, 0, "feeding", "how feed is given")                                                       \
    F(k, hours_without_feed_max, INT, OPTIONAL, "h", 0, 72, NULL, "longest the child can safely be without feed")                   \
    F(k, critical_medicines, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "medicines through the device that cannot wait")     \
    F(k, latex_allergy, BOOL, OPTIONAL, "", 0, 1, NULL, "allergic to latex")                                                        \
    F(k, anticoagulant, BOOL, OPTIONAL, "", 0, 1, NULL, "takes an anticoagulant")                                                   \
    F(k, immunosuppressed, BOOL, OPTIONAL, "", 0, 1, NULL, "immune system is suppressed")                                           \
    F(k, named_nurse, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "the child's named nurse")                                 \
    F(k, address, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "where the child lives")                                        \
    F(k, access, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "how to get in, what to mind")                                   \
    F(k, contacts, CONTACTS, OPTIONAL, "", 0, PROTO_PHONES_MAX, NULL, "whom to call, with number")                                  \
    F(k, use, USES, OPTIONAL, "", 0, PROTO_USES_MAX, NULL, "supplies the child uses each day")

#define PROTO_FIELDS_patient_revised(F, k)                                                                                          \
    F(k, label, TEXT, OPTIONAL, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "code or name the team uses for the child")                      \
    F(k, born, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date of birth")                                             \
    F(k, zone, TEXT, OPTIONAL, "", 1, 64, NULL, "time zone of the home, as the time zone database names it")                        \
    PROTO_FIELDS_patient_common(F, k)

#define PROTO_FIELDS_patient_moved(F, k) F(k, team, TEXT, REQUIRED, "", 1, 40, NULL, "the new team")
#define PROTO_FIELDS_patient_closed(F, k)                                                              \
    F(k, reason, CHOICE, REQUIRED, "", 0, 0, "closed_reason", "why the child leaves the caseload")     \
    F(k, handed_to, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "who looks after the child now")
#define PROTO_FIELDS_patient_reopened(F, k)                                                            \
    F(k, reason, CHOICE, OPTIONAL, "", 0, 0, "closed_reason", "the reason of the closing that is undone") \
    F(k, handed_to, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "who looks after the child now")
#define PROTO_FIELDS_patient_merged(F, k) F(k, into, ID, REQUIRED, "", 0, 0, NULL, "id of the record that goes on")
#define PROTO_FIELDS_stay_started(F, k)                                                                \
    F(k, where, CHOICE, REQUIRED, "", 0, 0, "stay_where", "where the child stays")                     \
    F(k, expected_back, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "when the child is expected home") \
    F(k, name, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "name of the place")
#define PROTO_FIELDS_stay_ended(F, k)                                                                  \
    F(k, where, CHOICE, OPTIONAL, "", 0, 0, "stay_where", "where the child stayed")                    \
    F(k, expected_back, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "when the child was expected home") \
    F(k, name, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "name of the place")
#define PROTO_FIELDS_stoma_formed(F, k)                                                                                    \
    F(k, formed_on, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date the stoma was formed")                   \
    F(k, precision, CHOICE, OPTIONAL, "", 0, 0, "precision", "how exactly the date is known; day when not said")           \
    F(k, mature_on, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date the specialist counts the stoma as mature") \
    F(k, how, CHOICE, REQUIRED, "", 0, 0, "how", "how it was formed")                                                      \
    F(k, stitches_out_on, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date the stitches come out")            \
    F(k, hospital, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "hospital that formed the stoma")
#define PROTO_FIELDS_stoma_closed(F, k)
#define PROTO_FIELDS_device_placed(F, k)                                                                                   \
    F(k, retention, CHOICE, REQUIRED, "", 0, 0, "retention", "what holds the device inside")                               \
    F(k, profile, CHOICE, REQUIRED, "", 0, 0, "profile", "low (level with the skin) or long")                              \
    F(k, tip, CHOICE, REQUIRED, "", 0, 0, "tip", "where the tip lies")                                                     \
    F(k, purpose, CHOICE, OPTIONAL, "", 0, 0, "purpose", "feeding, or only to keep the stoma open; feeding when not said") \
    F(k, french_fr, AMOUNT, REQUIRED, "Fr", 100, 4000, NULL, "outer diameter")                                             \
    F(k, length_mm, AMOUNT, OPTIONAL, "mm", 100, 100000, NULL, "length of the shaft")                                      \
    F(k, balloon_ml, AMOUNT, OPTIONAL, "mL", 50, 3000, NULL, "prescribed balloon volume; needed with a balloon")           \
    F(k, gtin, TEXT, OPTIONAL, "", 8, 14, NULL, "trade item number")                                                       \
    F(k, lot, TEXT, OPTIONAL, "", 1, 40, NULL, "lot")                                                                      \
    F(k, serial, TEXT, OPTIONAL, "", 1, 40, NULL, "serial number")                                                         \
    F(k, expires, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "use-by date on the packet")                     \
    F(k, udi, TEXT, OPTIONAL, "", 1, 200, NULL, "the whole device identifier as read")                                     \
    F(k, why, CHOICE, REQUIRED, "", 0, 0, "placed_why", "why it was placed")                                               \
    F(k, place, CHOICE, REQUIRED, "", 0, 0, "place", "where it was placed")                                                \
    F(k, placed_by, CHOICE, REQUIRED, "", 0, 0, "placed_by", "who placed it")                                              \
    F(k, first_in_stoma, BOOL, OPTIONAL, "", 0, 1, NULL, "the first device in this stoma")                                 \
    F(k, from_spare, BOOL, OPTIONAL, "", 0, 1, NULL, "the spare was used")                                                 \
    F(k, outside_mm, AMOUNT, OPTIONAL, "mm", 0, 50000, NULL, "length outside the skin")                                    \
    F(k, position, CHOICE, OPTIONAL, "", 0, 0, "position", "how the position was confirmed")                               \
    F(k, ph, AMOUNT, OPTIONAL, "", 0, 1400, NULL, "pH of the aspirate")
#define PROTO_FIELDS_device_put_back(F, k)                                                              \
    F(k, place, CHOICE, REQUIRED, "", 0, 0, "place", "where it was put back")                           \
    F(k, placed_by, CHOICE, REQUIRED, "", 0, 0, "placed_by", "who put it back")                         \
    F(k, position, CHOICE, OPTIONAL, "", 0, 0, "position", "how the position was confirmed")            \
    F(k, ph, AMOUNT, OPTIONAL, "", 0, 1400, NULL, "pH of the aspirate")
#define PROTO_FIELDS_device_prescribed(F, k)                                                            \
    F(k, balloon_ml, AMOUNT, OPTIONAL, "mL", 50, 3000, NULL, "balloon volume of the device in place")   \
    F(k, change_months, INT, OPTIONAL, "months", 1, 36, NULL, "change the device every so many months") \
    F(k, ph_limit, AMOUNT, OPTIONAL, "", 100, 700, NULL, "highest pH that confirms the position")       \
    F(k, prescriber, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who prescribed")
#define PROTO_FIELDS_device_removed(F, k)                                                               \
    F(k, why, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why it was taken out")                 \
    F(k, for_good, BOOL, OPTIONAL, "", 0, 1, NULL, "no device is to follow")
#define PROTO_FIELDS_placement_failed(F, k)                                                             \
    F(k, attempts, INT, REQUIRED, "", 1, 20, NULL, "how many attempts")                                 \
    F(k, placed_by, CHOICE, REQUIRED, "", 0, 0, "placed_by", "who tried")                               \
    F(k, place, CHOICE, REQUIRED, "", 0, 0, "place", "where")
#define PROTO_FIELDS_position_confirmed(F, k)                                                           \
    F(k, method, CHOICE, REQUIRED, "", 0, 0, "method", "how")                                           \
    F(k, ph, AMOUNT, OPTIONAL, "", 0, 1400, NULL, "pH of the aspirate")
#define PROTO_FIELDS_tube_out(F, k)                                                                     \
    F(k, last_seen_at, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "when the device was last seen in place") \
    F(k, trained_present, CHOICE, REQUIRED, "", 0, 0, "yes_no_unknown", "is somebody present who is trained to replace it") \
    F(k, spare_present, CHOICE, OPTIONAL, "", 0, 0, "yes_no_unknown", "is a spare device there")        \
    F(k, balloon, CHOICE, OPTIONAL, "", 0, 0, "out_balloon", "the balloon of the device that came out") \
    F(k, pain, BOOL, OPTIONAL, "", 0, 1, NULL, "the child is in pain")                                  \
    F(k, bleeding, BOOL, OPTIONAL, "", 0, 1, NULL, "the site bleeds")
#define PROTO_FIELDS_tube_displaced(F, k)                                                               \
    F(k, outside_mm, AMOUNT, OPTIONAL, "mm", 0, 50000, NULL, "length outside the skin now")             \
    F(k, feed_at_gastric_port, BOOL, OPTIONAL, "", 0, 1, NULL, "feed comes back at the gastric port")   \
    F(k, vomiting, BOOL, OPTIONAL, "", 0, 1, NULL, "the child vomits")
#define PROTO_FIELDS_tube_blocked(F, k)                                                                 \
    F(k, port, CHOICE, OPTIONAL, "", 0, 0, "port", "which port")                                        \
    F(k, water_ml, AMOUNT, REQUIRED, "mL", 0, 50000, NULL, "water used to try to clear it")             \
    F(k, warm, BOOL, REQUIRED, "", 0, 1, NULL, "the water was warm")                                    \
    F(k, pulsed, BOOL, OPTIONAL, "", 0, 1, NULL, "pushed and drawn gently in turn")                     \
    F(k, other_tried, TEXTS, OPTIONAL, "", 0, PROTO_LIST_MAX, NULL, "anything else that was tried")     \
    F(k, cleared, BOOL, REQUIRED, "", 0, 1, NULL, "it is clear again")
#define PROTO_FIELDS_balloon_checked(F, k)                                                              \
    F(k, withdrawn_ml, AMOUNT, OPTIONAL, "mL", 0, 5000, NULL, "water drawn out; this or stuck is needed") \
    F(k, stuck, BOOL, OPTIONAL, "", 1, 1, NULL, "nothing could be drawn")                               \
    F(k, filled_ml, AMOUNT, OPTIONAL, "mL", 0, 5000, NULL, "water put back; this or left_empty is needed with a volume") \
    F(k, left_empty, BOOL, OPTIONAL, "", 1, 1, NULL, "the balloon was left empty")                      \
    F(k, look, CHOICE, OPTIONAL, "", 0, 0, "look", "how the water looked")                              \
    F(k, fluid, CHOICE, OPTIONAL, "", 0, 0, "fluid", "what was put back")                               \
    F(k, syringe_ml, AMOUNT, OPTIONAL, "mL", 50, 6000, NULL, "size of the syringe")
#define PROTO_FIELDS_site_checked(F, k)                                                                 \
    F(k, redness, CHOICE, OPTIONAL, "", 0, 0, "redness", "pink is normal; red is more than pink, or darker than usual on dark skin") \
    F(k, spreading, BOOL, OPTIONAL, "", 0, 1, NULL, "the redness spreads")                              \
    F(k, warm, BOOL, OPTIONAL, "", 0, 1, NULL, "the skin is warm")                                      \
    F(k, pustule, BOOL, OPTIONAL, "", 0, 1, NULL, "a pustule")                                          \
    F(k, odour, BOOL, OPTIONAL, "", 0, 1, NULL, "an odour")                                             \
    F(k, overgranulation, BOOL, OPTIONAL, "", 0, 1, NULL, "overgranulation tissue")                     \
    F(k, bleeding, BOOL, OPTIONAL, "", 0, 1, NULL, "the site bleeds")                                   \
    F(k, discharge, CHOICE, OPTIONAL, "", 0, 0, "discharge", "discharge")                               \
    F(k, pain, CHOICE, OPTIONAL, "", 0, 0, "pain", "pain at the site")                                  \
    F(k, pain_on_feeding, BOOL, OPTIONAL, "", 0, 1, NULL, "pain when feed is given")                    \
    F(k, fever_c, AMOUNT, OPTIONAL, "Cel", 3000, 4500, NULL, "body temperature")                        \
    F(k, gap_mm, AMOUNT, OPTIONAL, "mm", 0, 10000, NULL, "gap between device and skin")                 \
    F(k, outside_mm, AMOUNT, OPTIONAL, "mm", 0, 50000, NULL, "length outside the skin")                 \
    F(k, leak, CHOICE, OPTIONAL, "", 0, 0, "leak", "leak around the device or through its valve")       \
    F(k, skin, CHOICE, OPTIONAL, "", 0, 0, "skin", "the skin around the stoma")                         \
    F(k, photo_ref, TEXT, OPTIONAL, "", 1, PROTO_TEXT_LINE_MAX, NULL, "where the photograph is kept")   \
    F(k, swab_ref, TEXT, OPTIONAL, "", 1, PROTO_TEXT_LINE_MAX, NULL, "where the swab's result is kept")
#define PROTO_FIELDS_finding_accepted(F, k)                                                             \
    F(k, alert, CHOICE, REQUIRED, "", 0, 0, "alert", "the alert that is accepted")                      \
    F(k, until, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "accepted until, inclusive")    \
    F(k, plan, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "what is done about it")               \
    F(k, prescriber, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who accepted it")
#define PROTO_FIELDS_care_done(F, k)                                                                    \
    F(k, items, CHOICES, REQUIRED, "", 1, 0, "care_item", "what was done")                              \
    F(k, rotated, CHOICE, OPTIONAL, "", 0, 0, "rotated", "how the device turned")                       \
    F(k, since, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "the carer's word that daily care was done from then until now")
#define PROTO_FIELDS_contact_made(F, k)                                                                 \
    F(k, to, CHOICE, REQUIRED, "", 0, 0, "contact_to", "who was called")                                \
    F(k, about, CHOICES, OPTIONAL, "", 0, 0, "alert", "alerts it was about")                            \
    F(k, outcome, CHOICE, REQUIRED, "", 0, 0, "outcome", "answered or not")                             \
    F(k, advice, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LONG_MAX, NULL, "what was advised")                  \
    F(k, recheck_by, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "look again by")
#define PROTO_FIELDS_hospital_reached(F, k)                                                             \
    F(k, formed_stoma_here, BOOL, OPTIONAL, "", 0, 1, NULL, "the hospital that formed the stoma")       \
    F(k, name, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "name of the hospital")
#define PROTO_FIELDS_visit_planned(F, k)                                                                \
    F(k, on, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date of the visit")               \
    F(k, who, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "who visits")
#define PROTO_FIELDS_visit_missed(F, k) F(k, reason, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why it did not happen")
#define PROTO_FIELDS_appointment_booked(F, k)                                                           \
    F(k, for, CHOICE, REQUIRED, "", 0, 0, "appointment_for", "what for")                                \
    F(k, on, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "date")                            \
    F(k, where, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "where")
#define PROTO_FIELDS_carer_trained(F, k)                                                                \
    F(k, carer, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who was trained")                   \
    F(k, skill, CHOICE, REQUIRED, "", 0, 0, "skill", "in what")                                         \
    F(k, level, CHOICE, REQUIRED, "", 0, 0, "skill_level", "how far")                                   \
    F(k, assessor, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "who assessed")                   \
    F(k, until, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "in date until, inclusive; else twelve months")
#define PROTO_FIELDS_carer_left(F, k) F(k, carer, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who left")
#define PROTO_FIELDS_emergency_plan_set(F, k)                                                           \
    F(k, steps, TEXT, REQUIRED, "", 1, PROTO_TEXT_LONG_MAX, NULL, "what to do, in order")               \
    F(k, when, TEXT, OPTIONAL, "", 0, PROTO_TEXT_LINE_MAX, NULL, "when the plan applies")               \
    F(k, keep_open, BOOL, OPTIONAL, "", 0, 1, NULL, "the plan asks for a catheter that keeps the stoma open") \
    F(k, home_change, BOOL, OPTIONAL, "", 0, 1, NULL, "the device may be changed at home")              \
    F(k, hospital, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "hospital to go to")              \
    F(k, phone, TEXT, OPTIONAL, "", 0, 40, NULL, "number to call")                                      \
    F(k, prescriber, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who prescribed it")            \
    F(k, review_by, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "review by")                \
    F(k, spares, CHOICES, OPTIONAL, "", 0, 0, "spare_what", "spares that must be at home")
#define PROTO_FIELDS_spare_counted(F, k)                                                                \
    F(k, place, CHOICE, REQUIRED, "", 0, 0, "spare_place", "where")                                     \
    F(k, what, CHOICE, REQUIRED, "", 0, 0, "spare_what", "which spare")                                 \
    F(k, retention, CHOICE, OPTIONAL, "", 0, 0, "retention", "what holds it inside")                    \
    F(k, profile, CHOICE, OPTIONAL, "", 0, 0, "profile", "low or long")                                 \
    F(k, french_fr, AMOUNT, OPTIONAL, "Fr", 100, 4000, NULL, "outer diameter")                          \
    F(k, length_mm, AMOUNT, OPTIONAL, "mm", 100, 100000, NULL, "length of the shaft")                   \
    F(k, count, INT, REQUIRED, "", 0, 1000, NULL, "how many")                                           \
    F(k, expires, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "earliest use-by date")       \
    F(k, lot, TEXT, OPTIONAL, "", 1, 40, NULL, "lot")
#define PROTO_FIELDS_supply_counted(F, k)                                                               \
    F(k, item, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "what")                               \
    F(k, count, INT, REQUIRED, "", 0, 100000, NULL, "how many")
#define PROTO_FIELDS_supply_ordered(F, k)                                                               \
    F(k, item, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "what")                               \
    F(k, count, INT, OPTIONAL, "", 0, 100000, NULL, "how many")                                         \
    F(k, expected, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "expected on")
#define PROTO_FIELDS_feed_prescribed(F, k)                                                              \
    F(k, mode, CHOICE, REQUIRED, "", 0, 0, "feeding", "how feed is given")                              \
    F(k, ml_day, AMOUNT, OPTIONAL, "mL", 0, 1000000, NULL, "feed a day")                                \
    F(k, flush_ml, AMOUNT, OPTIONAL, "mL", 0, 50000, NULL, "water to flush with")                       \
    F(k, prescriber, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who prescribed")
#define PROTO_FIELDS_weight_measured(F, k) F(k, weight_kg, AMOUNT, REQUIRED, "kg", 30, 30000, NULL, "body weight")
#define PROTO_FIELDS_plan_set(F, k)                                                                     \
    F(k, task, CHOICE, OPTIONAL, "", 0, 0, "task", "the task; exactly one of task and policy")          \
    F(k, policy, CHOICE, OPTIONAL, "", 0, 0, "policy", "the policy value")                              \
    F(k, every_days, INT, OPTIONAL, "days", 1, 1100, NULL, "interval for this child")                   \
    F(k, value, AMOUNT, OPTIONAL, "", 0, 100000000, NULL, "value for this child, in the policy value's unit") \
    F(k, off, BOOL, OPTIONAL, "", 1, 1, NULL, "not for this child; needs until")                        \
    F(k, weekdays, CHOICES, OPTIONAL, "", 0, 0, "weekday", "only on these days")                        \
    F(k, pauses, PAUSES, OPTIONAL, "", 0, PROTO_PAUSES_MAX, NULL, "not between these dates, inclusive") \
    F(k, until, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "in force until, inclusive")    \
    F(k, reason, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why")                               \
    F(k, prescriber, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who decided it")
#define PROTO_FIELDS_task_added(F, k)                                                                   \
    F(k, task, TEXT, REQUIRED, "", 1, 40, NULL, "short name of the task, the team's own")               \
    F(k, title, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "title people read")                 \
    F(k, due, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "first due on")                   \
    F(k, every_days, INT, OPTIONAL, "days", 1, 1100, NULL, "again every so many days")
#define PROTO_FIELDS_task_done(F, k) F(k, task, TEXT, REQUIRED, "", 1, 40, NULL, "name of the task")
#define PROTO_FIELDS_task_deferred(F, k)                                                                \
    F(k, task, TEXT, REQUIRED, "", 1, 40, NULL, "name of the task")                                     \
    F(k, until, DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "new due date")                 \
    F(k, reason, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why")
#define PROTO_FIELDS_task_given(F, k)                                                                   \
    F(k, task, TEXT, REQUIRED, "", 1, 40, NULL, "name of the task")                                     \
    F(k, to, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who does it")
#define PROTO_FIELDS_note_written(F, k) F(k, text, TEXT, REQUIRED, "", 1, PROTO_TEXT_LONG_MAX, NULL, "the note")
#define PROTO_FIELDS_event_withdrawn(F, k)                                                              \
    F(k, event, ID, REQUIRED, "", 0, 0, NULL, "id of the event that was a mistake")                     \
    F(k, reason, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why")
#define PROTO_FIELDS_withdrawal_confirmed(F, k) F(k, withdrawal, ID, REQUIRED, "", 0, 0, NULL, "id of the withdrawal that is confirmed")
#define PROTO_FIELDS_policy_adopted(F, k)                                                               \
    F(k, team, TEXT, OPTIONAL, "", 1, 40, NULL, "one team; all of them when not said")                  \
    F(k, values, VALUES, REQUIRED, "", 1, 64, "policy", "policy values by name, each in its own unit")  \
    F(k, approved_by, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who approved it")
#define PROTO_FIELDS_patient_erased(F, k)                                                               \
    F(k, reason, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "why")                               \
    F(k, approved_by, TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who approved it")
#define PROTO_FIELDS_lot_recalled(F, k)                                                                 \
    F(k, gtin, TEXT, OPTIONAL, "", 8, 14, NULL, "trade item number; this or lot is needed")             \
    F(k, lot, TEXT, OPTIONAL, "", 1, 40, NULL, "lot")                                                   \
    F(k, notice, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "the notice's number or title")      \
    F(k, urgency, CHOICE, REQUIRED, "", 0, 0, "urgency", "how soon to act")                             \
    F(k, action, TEXT, REQUIRED, "", 1, PROTO_TEXT_LINE_MAX, NULL, "what the notice asks for")

#define PROTO_KIND_ENUM(ident, wire, rank, scope, help) PROTO_KIND_##ident,
enum proto_kind { PROTO_KIND_UNKNOWN, PROTO_KINDS(PROTO_KIND_ENUM) PROTO_KIND_COUNT };

/* PROTO_FIELD_<kind>_<field>: place of the field in the kind's body; PROTO_FIELDS_END_<kind>: how many. */
#define PROTO_FIELD_ENUM_ENTRY(k, f, type, need, unit, min, max, choices, help) PROTO_FIELD_##k##_##f,
#define PROTO_FIELD_ENUM(ident, wire, rank, scope, help) \
    enum proto_fields_##ident { PROTO_FIELDS_##ident(PROTO_FIELD_ENUM_ENTRY, ident) PROTO_FIELDS_END_##ident };
PROTO_KINDS(PROTO_FIELD_ENUM)

/* clang-format on */
#endif
