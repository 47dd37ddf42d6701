/*
 * wordings_table.h - every sentence an alert can say, declared once: rule and basis, what was found, what comes next.
 *
 * What always holds: plain, short, no brand, no product; each sentence ends
 * with a full stop; each next step yields to the child's own plan, local policy
 * and licensed practice (care_caution stands beside them). The numbers made from
 * these lists stand in stored schedules: a change of order raises CARE_RULES_VERSION.
 *
 * In the sentences: {0a} amount, {0n} whole number, {0d} date, {0t} local time, {0c} whom a contact was with - of args[0] and so on;
 * {s} the alert's text, {b} the name of the alert it is about.
 */
#ifndef CARE_WORDINGS_TABLE_H
#define CARE_WORDINGS_TABLE_H

#include "proto/policy_table.h"

#define CARE_CALL_SPECIALIST "the child's surgeon or gastroenterologist"
#define CARE_CALL_SENIOR "the child's surgeon or gastroenterologist; out of hours the ward or the emergency department"
#define CARE_CALL_SKIN "the child's surgeon or gastroenterologist, or the general practitioner"
#define CARE_CALL_HOSPITAL "the hospital that looks after the device"
#define CARE_CALL_RADIOLOGY                                                                                            \
    "the child's surgeon or gastroenterologist, and radiology; out of hours the ward or the emergency department"

/* R(ALERT, "rule", "basis") */
#define CARE_RULES(R)                                                                                                  \
    R(TUBE_OUT, "device out: aim out-aim-min, limit out-limit-min",                                                    \
      "1 to 2 h: common practice, no source; 2 to 4 h NHS Scotland Right Decisions; 4 h KidsHealth")                   \
    R(NO_DEVICE, "no device to feed through", PROTO_MEM)                                                               \
    R(TUBE_DISPLACED, "moved, or displaced-mm or more from where it was when placed", PROTO_MEM)                       \
    R(POSITION_UNSURE, "position not confirmed: aspirate pH up to ph-limit, or imaging",                               \
      "at most 5.0 Sydney Children's Hospitals Network 2018; 5.5 NPSA 2011; both nasogastric, by extension")           \
    R(PLACED_AGAINST_RULE, "placed outside hospital where home change is not allowed", PROTO_MEM)                      \
    R(EARLY_COMPLICATION, "pain, bleeding or leak around within early-hours",                                          \
      "first 72 h: NPSA rapid response report on gastrostomy, March 2010 (BMJ 2010;340:c2160)")                        \
    R(PAIN_OR_BLEEDING, "pain on feeding, severe pain, bleeding or blood", PROTO_MEM)                                  \
    R(INFECTION_SIGNS, "red, warm, pustule, odour, green or yellow discharge; fever from fever-c",                     \
      "common practice, no source; fever from memory of the trade")                                                    \
    R(BALLOON_LOW, "more than balloon-loss-ml missing since the last fill",                                            \
      "more than 0.5 mL missing: SickKids Connected Care, changing balloon G tubes; call: common practice, no source") \
    R(BALLOON_FAILING, "balloon-failing-checks low checks running of one device", PROTO_CP)                            \
    R(BALLOON_EMPTY, "at most balloon-empty-percent of the last fill came out", PROTO_MEM)                             \
    R(UNDERFILLED, "filled under the prescribed volume by more than balloon-fill-tolerance-ml, or left empty", PROTO_CP) \
    R(OVERFILLED, "filled over the prescribed volume by more than balloon-fill-tolerance-ml", PROTO_MEM)               \
    R(BALLOON_UNCLEAR, "balloon water cloudy or discoloured", PROTO_CP)                                                \
    R(BALLOON_STUCK, "nothing drawn again, or balloon-stuck-min without a check that worked", PROTO_CP)                \
    R(WRONG_FLUID, "filled with air or saline, or with water not in fluids-allowed",                                   \
      "common practice, no source; list of waters: hospital leaflets")                                                 \
    R(CHECKED_EARLY, "balloon emptied before balloon-first-check-days",                                                \
      "day 14: Newcastle Hospitals leaflet; day 28: Cambridge University Hospitals leaflet")                           \
    R(VALVE_LEAK, "leak through the device", PROTO_CP)                                                                 \
    R(LEAK_AROUND, "leak around the device", PROTO_MEM)                                                                \
    R(BLOCKED, "blocked and not cleared; call after unblock-min",                                                      \
      "warm water: common practice, no source; 30 min NHS Scotland")                                                   \
    R(UNSAFE_UNBLOCKING, "something other than warm water was tried", PROTO_CP)                                        \
    R(WILL_NOT_ROTATE, "turns stiffly or not at all",                                                                  \
      "a buried bumper can be early: BMJ 2010 letter; from memory of the trade")                                       \
    R(ROTATED_JEJUNAL, "turned with the tip in the jejunum", PROTO_MEM)                                                \
    R(FIT_TIGHT, "gap under gap-tight-mm", "common practice, no source; limits from memory of the trade")              \
    R(FIT_LOOSE, "gap over gap-loose-mm", "common practice, no source; limits from memory of the trade")               \
    R(OVERGRANULATION, "overgranulation; call when no better after overgranulation-days",                              \
      "no better at 7 days: BC Children's")                                                                            \
    R(DEVICE_OVERDUE, "past the end of the change window, or out of date when placed",                                 \
      "3 to 4 months: common practice, no source; hospitals give 2 to 8; bumper, jejunum: hospital guidelines")        \
    R(STOMA_DATE_MISSING, "date the stoma was formed is not known", PROTO_MEM)                                         \
    R(EMERGENCY_PLAN_MISSING, "no emergency plan on record", PROTO_MEM)                                                \
    R(NO_TRAINED_CARER, "nobody trained in date in what this child needs", PROTO_MEM)                                  \
    R(SPARE_MISSING, "required spare not at home, unfit or out of date", "carers without a spare device: NPSA Signal, 28 Feb 2012") \
    R(RECALLED_LOT, "device or spare of a recalled lot or item", PROTO_MEM)                                            \
    R(SUPPLY_LOW, "runs out within supply-low-days", PROTO_MEM)                                                        \
    R(NO_WORD, "no visit, check or answered contact for no-word-days; no-word-missed-visits missed visits", PROTO_MEM) \
    R(CALL_AGAIN, "no answer: again after call-again-now-min or call-again-today-min", PROTO_MEM)                      \
    R(CLOCK_DOUBT, "dated ahead, or written on a clock off by more than clock-doubt-min", PROTO_MEM)

/* F(ALERT, WORDING, "what was found") */
#define CARE_OUT_FOUND "The device has come out of the stoma; the clock runs from {0t}."
#define CARE_REMOVED_FOUND "The device was taken out and none is in the stoma; the clock runs from {0t}."
#define CARE_OUT_HOURS " The child should not be without feed for more than {1n} h."
#define CARE_OUT_MEDICINES " Medicines that cannot wait: {s}."
#define CARE_FOUNDS(F)                                                                                                 \
    F(TUBE_OUT, OUT, CARE_OUT_FOUND)                                                                                   \
    F(TUBE_OUT, OUT_HOURS, CARE_OUT_FOUND CARE_OUT_HOURS)                                                              \
    F(TUBE_OUT, OUT_MEDICINES, CARE_OUT_FOUND CARE_OUT_MEDICINES)                                                      \
    F(TUBE_OUT, OUT_BOTH, CARE_OUT_FOUND CARE_OUT_HOURS CARE_OUT_MEDICINES)                                            \
    F(TUBE_OUT, REMOVED, CARE_REMOVED_FOUND)                                                                           \
    F(TUBE_OUT, REMOVED_HOURS, CARE_REMOVED_FOUND CARE_OUT_HOURS)                                                      \
    F(TUBE_OUT, REMOVED_MEDICINES, CARE_REMOVED_FOUND CARE_OUT_MEDICINES)                                              \
    F(TUBE_OUT, REMOVED_BOTH, CARE_REMOVED_FOUND CARE_OUT_HOURS CARE_OUT_MEDICINES)                                    \
    F(NO_DEVICE, HOSPITAL, "The child has reached a hospital with no device in the stoma; there is nothing to feed through.") \
    F(NO_DEVICE, KEEP_OPEN, "A catheter keeps the stoma open; it is not for feeding, so there is nothing to feed through.") \
    F(TUBE_DISPLACED, SAID, "The device is reported to have moved from where it should be.")                           \
    F(TUBE_DISPLACED, FEED, "Feed came back at the gastric port: the tip may have moved out of the jejunum.")          \
    F(TUBE_DISPLACED, VOMITING, "The device is reported to have moved, and the child vomits.")                         \
    F(TUBE_DISPLACED, OUTSIDE, "The length outside was {0a} mm; it was {1a} mm when the device was placed.")           \
    F(POSITION_UNSURE, NONE, "The position has not been confirmed since the device was placed or put back.")           \
    F(POSITION_UNSURE, PH_HIGH, "The pH of the aspirate was {0a}, above the limit of {1a}: the position is not confirmed.") \
    F(POSITION_UNSURE, PH_MISSING, "The aspirate was tested but no pH is on record: the position is not confirmed.")   \
    F(POSITION_UNSURE, JEJUNAL, "The tip lies in the jejunum, and its position has not been confirmed by imaging.")    \
    F(POSITION_UNSURE, OTHER, "The position was checked in a way that does not confirm it.")                           \
    F(PLACED_AGAINST_RULE, YOUNG, "A device was placed outside hospital although the stoma is too young for it.")      \
    F(PLACED_AGAINST_RULE, AGE, "A device was placed outside hospital although the age of the stoma is not known.")    \
    F(PLACED_AGAINST_RULE, FIRST, "A device was placed outside hospital although the one before was the first in this stoma.") \
    F(PLACED_AGAINST_RULE, JEJUNAL, "A device was placed outside hospital although its tip lies in the jejunum.")      \
    F(PLACED_AGAINST_RULE, NO_BALLOON, "A device was placed outside hospital although no balloon holds it.")           \
    F(PLACED_AGAINST_RULE, PLAN, "A device was placed outside hospital although the child's plan says no to it.")      \
    F(PLACED_AGAINST_RULE, AFTER_KEEP_OPEN, "A device was placed outside hospital although only a catheter had kept the stoma open.") \
    F(PLACED_AGAINST_RULE, KEEP_OPEN, "A catheter was placed outside hospital, and the child's plan does not ask for one.") \
    F(EARLY_COMPLICATION, SIGNS, "Within {0n} h of the stoma being formed or the device being placed: {s}.")           \
    F(EARLY_COMPLICATION, UNCONFIRMED, "Seen within {0n} h of the stoma being formed or the device being placed: {s}. No senior advice is on record.") \
    F(PAIN_OR_BLEEDING, SIGNS, "Seen at the site: {s}.")                                                               \
    F(INFECTION_SIGNS, SIGNS, "Signs of infection at the site: {s}.")                                                  \
    F(BALLOON_LOW, LOST, "{0a} mL came out where {1a} mL had gone in: {2a} mL is missing.")                           \
    F(BALLOON_LOW, LOST_PRESCRIBED, "{0a} mL came out of a prescribed {1a} mL: {2a} mL is missing.")                  \
    F(BALLOON_FAILING, CHECKS, "{0n} checks running found water missing: the balloon does not hold it.")               \
    F(BALLOON_EMPTY, EMPTY, "{0a} mL came out of {1a} mL: the balloon hardly holds the device in place.")              \
    F(UNDERFILLED, LESS, "{0a} mL were put into the balloon; {1a} mL are prescribed.")                                 \
    F(UNDERFILLED, LEFT_EMPTY, "The balloon was left empty; nothing holds the device in place.")                       \
    F(OVERFILLED, MORE, "{0a} mL were put into the balloon; {1a} mL are prescribed.")                                  \
    F(BALLOON_UNCLEAR, CLOUDY, "The water from the balloon was cloudy.")                                               \
    F(BALLOON_UNCLEAR, DISCOLOURED, "The water from the balloon was discoloured.")                                     \
    F(BALLOON_STUCK, ONCE, "Nothing could be drawn from the balloon.")                                                 \
    F(BALLOON_STUCK, AGAIN, "Nothing could be drawn from the balloon, {0n} times running.")                            \
    F(WRONG_FLUID, AIR, "The balloon was filled with air.")                                                            \
    F(WRONG_FLUID, SALINE, "The balloon was filled with saline.")                                                      \
    F(WRONG_FLUID, WATER, "The balloon was filled with {s}, which is not on the list of waters in use.")               \
    F(CHECKED_EARLY, EARLY, "The balloon was emptied when the stoma was {0n} days old; its first check is due at {1n} days.") \
    F(VALVE_LEAK, THROUGH, "The device leaks through its valve.")                                                      \
    F(LEAK_AROUND, AROUND, "There is a leak around the device.")                                                       \
    F(LEAK_AROUND, UNCHECKED, "A leak around the device has stopped, and the balloon has not been found in range since.") \
    F(BLOCKED, FED, "The device is blocked and has not been cleared.")                                                 \
    F(BLOCKED, NOT_FED, "The device, which is not fed through, is blocked and has not been cleared.")                  \
    F(UNSAFE_UNBLOCKING, TRIED, "To clear a blockage something other than warm water was tried: {s}.")                 \
    F(WILL_NOT_ROTATE, STIFF, "The device turns stiffly.")                                                             \
    F(WILL_NOT_ROTATE, WILL_NOT, "The device does not turn.")                                                          \
    F(ROTATED_JEJUNAL, TURNED, "A device with its tip in the jejunum was turned.")                                     \
    F(FIT_TIGHT, TIGHT, "The gap between device and skin was {0a} mm: too tight.")                                     \
    F(FIT_LOOSE, LOOSE, "The gap between device and skin was {0a} mm: too loose.")                                     \
    F(OVERGRANULATION, SEEN, "Overgranulation tissue was seen at the site.")                                           \
    F(DEVICE_OVERDUE, WINDOW, "The device was to be changed by {0d}.")                                                 \
    F(DEVICE_OVERDUE, EXPIRED, "The device was out of date when it was placed: use by {0d}.")                          \
    F(STOMA_DATE_MISSING, UNKNOWN, "It is not known when the stoma was formed, so for changes at home it counts as young.") \
    F(EMERGENCY_PLAN_MISSING, NONE, "No emergency plan of the child's own is on record.")                              \
    F(NO_TRAINED_CARER, NOBODY, "No carer is on record as trained, in date, in what this child needs.")                \
    F(SPARE_MISSING, NEVER, "No count of the {s} is on record.")                                                       \
    F(SPARE_MISSING, USED, "The {s} was used and has not been counted since.")                                         \
    F(SPARE_MISSING, NONE, "The last count found no {s} at home.")                                                     \
    F(SPARE_MISSING, UNFIT, "What was counted as the {s} is of another kind or size than this child needs.")           \
    F(SPARE_MISSING, EXPIRES, "The {s} is in date until {0d}.")                                                        \
    F(RECALLED_LOT, DEVICE, "The device in place is of a recalled lot or item.")                                       \
    F(RECALLED_LOT, DEVICE_UNSURE, "A recall may be about the device in place; its lot or item number is not on record.") \
    F(RECALLED_LOT, SPARE, "A spare of this child is of a recalled lot.")                                              \
    F(RECALLED_LOT, BOTH, "The device in place and a spare of this child are of a recalled lot or item.")              \
    F(SUPPLY_LOW, RUNS_OUT, "By the last count these run out by {0d}: {s}.")                                           \
    F(NO_WORD, SINCE, "The last visit, check or answered contact was on {0d}.")                                        \
    F(NO_WORD, NEVER, "There has been no visit, check or answered contact since the child came on to the caseload on {0d}.") \
    F(NO_WORD, MISSED, "{1n} visits running were missed; the last word is of {0d}.")                                   \
    F(CALL_AGAIN, NO_ANSWER, "Nobody answered the call ({0c}) about {b}.")                                        \
    F(CLOCK_DOUBT, OFFSET, "An event was written on a clock that was {0n} minutes off.")                               \
    F(CLOCK_DOUBT, WAITING, "Dated ahead and waiting for its time: {0n} in all, the first of them {1t}.")

/* N(ALERT, WORDING, "call" or NULL, "next step where the device may be changed at home", "next step where not") */
#define CARE_HOSPITAL                                                                                                  \
    "Put nothing into the stoma. To the emergency department now: where it was formed if inside the limit, else the "  \
    "nearest. Take the spare, note the time, call the specialist. It can close within hours."
#define CARE_CHANGE_HOME "A trained person can change it at home with the spare, and confirms the position before any feed."
#define CARE_CHANGE_HOSPITAL "It is not changed at home: the hospital arranges the change. Keep it taped down until then."
#define CARE_SAME(call, text) call, text, text
#define CARE_NEXTS(N)                                                                                                  \
    N(TUBE_OUT, REPLACE, CARE_CALL_SENIOR,                                                                             \
      "A trained person puts in the spare now. Stop if it does not go in easily, hurts or bleeds, or after {2n} minutes: then to hospital. No feed or medicine until the position is confirmed.", \
      CARE_HOSPITAL)                                                                                                   \
    N(TUBE_OUT, NO_HOME_CHANGE, CARE_SAME(CARE_CALL_SENIOR, "No change at home. " CARE_HOSPITAL))                      \
    N(TUBE_OUT, NOT_TRAINED, CARE_SAME(CARE_CALL_SENIOR, "No trained person there. " CARE_HOSPITAL))                   \
    N(TUBE_OUT, NO_SPARE, CARE_SAME(CARE_CALL_SENIOR, "No spare known there. " CARE_HOSPITAL))                         \
    N(TUBE_OUT, SPARE_UNFIT, CARE_SAME(CARE_CALL_SENIOR, "The spare is unfit. " CARE_HOSPITAL))                        \
    N(TUBE_OUT, FAILED, CARE_SAME(CARE_CALL_SENIOR, "An attempt failed. " CARE_HOSPITAL))                              \
    N(TUBE_OUT, BALLOON_HURTS, CARE_SAME(CARE_CALL_SENIOR, "The balloon was full; it hurts. " CARE_HOSPITAL))          \
    N(TUBE_OUT, PAIN_OR_BLEEDING, CARE_SAME(CARE_CALL_SENIOR, "There is pain or bleeding. " CARE_HOSPITAL))            \
    N(TUBE_OUT, TRIED, CARE_SAME(CARE_CALL_SENIOR, "{2n} minutes without it. " CARE_HOSPITAL))                         \
    N(TUBE_OUT, NEAR, CARE_SAME(CARE_CALL_SENIOR, "The limit is near. " CARE_HOSPITAL))                                \
    N(TUBE_OUT, PAST, CARE_SAME(CARE_CALL_SENIOR, "The limit has passed. " CARE_HOSPITAL))                             \
    N(NO_DEVICE, FOLLOW_UP, CARE_SAME(CARE_CALL_HOSPITAL,                                                              \
      "Follow up with the hospital: when is a device placed, and how are feed, fluid and medicines given until then.")) \
    N(NO_DEVICE, KEEP_OPEN, CARE_SAME(CARE_CALL_HOSPITAL,                                                              \
      "Give nothing through the catheter. Ask the hospital when a feeding device is placed, and how feed, fluid and medicines are given until then.")) \
    N(TUBE_DISPLACED, JEJUNAL, CARE_SAME(CARE_CALL_RADIOLOGY,                                                          \
      "Stop feeds and medicines into the jejunum now. Secure the device as it is, do not push it back, and call. Imaging shows where the tip lies before it is used again.")) \
    N(TUBE_DISPLACED, STOMACH, CARE_SAME(CARE_CALL_RADIOLOGY,                                                          \
      "Give nothing through the device. Secure it as it is, do not push it back, and call. Imaging shows where the tip lies before it is used again.")) \
    N(POSITION_UNSURE, CONFIRM, CARE_SAME(CARE_CALL_RADIOLOGY,                                                         \
      "No feed, water or medicine through the device until the position is confirmed: test the pH of the aspirate. If that cannot be done, call; imaging confirms it.")) \
    N(POSITION_UNSURE, PH_AGAIN, CARE_SAME(CARE_CALL_RADIOLOGY,                                                        \
      "No feed, water or medicine through the device. Wait 1 h and test the pH again; still above the limit: call, imaging confirms the position.")) \
    N(POSITION_UNSURE, IMAGING, CARE_SAME(CARE_CALL_RADIOLOGY,                                                         \
      "No feed, water or medicine through the device until imaging has confirmed the position. Call now.")) \
    N(POSITION_UNSURE, ASK_HOSPITAL, CARE_SAME(CARE_CALL_HOSPITAL,                                                     \
      "Ask the hospital today how the position was confirmed, and put it on record. In doubt give nothing through the device.")) \
    N(POSITION_UNSURE, LATE, CARE_SAME(CARE_CALL_SENIOR,                                                               \
      "Ask the carer now whether the child has been fed or given medicine through the device, and is in pain or unwell. Give nothing more until the position is confirmed.")) \
    N(POSITION_UNSURE, LATE_HOSPITAL, CARE_SAME(CARE_CALL_HOSPITAL,                                                    \
      "Ask whether the child has been fed through the device and is in pain. Ask the hospital today how the position was confirmed, and put it on record.")) \
    N(PLACED_AGAINST_RULE, STOP, CARE_SAME(CARE_CALL_RADIOLOGY,                                                        \
      "Stop feeds and medicines through the device and call the specialist now. Leave the device where it is; imaging confirms the position.")) \
    N(EARLY_COMPLICATION, STOP, CARE_SAME(CARE_CALL_SENIOR,                                                            \
      "Stop feed and medicines through the device now and get urgent senior advice. If the child is seriously unwell, call the emergency number.")) \
    N(PAIN_OR_BLEEDING, STOP_FEED, CARE_SAME(CARE_CALL_SENIOR,                                                         \
      "Stop the feed and call now. Give nothing through the device until you are told to go on.")) \
    N(PAIN_OR_BLEEDING, PAIN, CARE_SAME(CARE_CALL_SENIOR,                                                              \
      "Call now. Do not move the device; if feeding makes the pain worse, stop the feed.")) \
    N(PAIN_OR_BLEEDING, BLEEDING, CARE_SAME(CARE_CALL_SENIOR,                                                          \
      "Look at how much it bleeds and from where, keep the device still, and call today. Heavy bleeding, or bleeding that does not stop: call the emergency number.")) \
    N(INFECTION_SIGNS, URGENT, CARE_SAME(CARE_CALL_SENIOR,                                                             \
      "Call the surgeon or gastroenterologist now: with fever, severe pain or spreading redness the child is to be seen.")) \
    N(INFECTION_SIGNS, CALL, CARE_SAME(CARE_CALL_SKIN,                                                                 \
      "Call the surgeon or gastroenterologist today. Go on washing and drying the site, and take the temperature.")) \
    N(BALLOON_LOW, FILL, CARE_SAME(CARE_CALL_SPECIALIST,                                                               \
      "Fill the balloon to the prescribed {3a} mL with sterile or bottled water, check the taping, recheck tomorrow, and call today.")) \
    N(BALLOON_LOW, FILL_UNKNOWN, CARE_SAME(CARE_CALL_SPECIALIST,                                                       \
      "Find out the prescribed volume, fill the balloon to it with sterile or bottled water, check the taping, recheck tomorrow, and call today.")) \
    N(BALLOON_LOW, FILL_EARLY, CARE_SAME(CARE_CALL_SPECIALIST,                                                         \
      "Fill the balloon to the prescribed {3a} mL with sterile or bottled water, check the taping, do not draw it again before its first check day, and call today.")) \
    N(BALLOON_FAILING, CHANGE, CARE_CALL_SPECIALIST,                                                                   \
      "The device is to be changed; call today. " CARE_CHANGE_HOME,                                                    \
      "The device is to be changed; call today. " CARE_CHANGE_HOSPITAL)                                                \
    N(BALLOON_EMPTY, HOLD, CARE_CALL_SENIOR,                                                                           \
      "Hold the device in place and tape it. Fill the balloon to the prescribed volume; if it does not hold, a trained person changes the device with the spare. Call now.", \
      "Hold the device in place and tape it. Fill the balloon to the prescribed volume; if it does not hold, keep the device taped in place and go to hospital. Call now.") \
    N(UNDERFILLED, FILL, CARE_SAME(CARE_CALL_SPECIALIST,                                                               \
      "Bring the balloon to the prescribed volume with sterile or bottled water, check the taping, and call today.")) \
    N(OVERFILLED, DRAW, CARE_SAME(CARE_CALL_SPECIALIST,                                                                \
      "Draw water until the prescribed volume is in, put it on record, and call today.")) \
    N(BALLOON_UNCLEAR, RENEW, CARE_SAME(CARE_CALL_SPECIALIST,                                                          \
      "Draw the water, fill the balloon to the prescribed volume with new sterile or bottled water, and call today.")) \
    N(BALLOON_STUCK, TRY_AGAIN, CARE_SAME(CARE_CALL_SPECIALIST,                                                        \
      "Look for a clog in the port, see that the syringe sits well, and try again within the hour. It does not count as checked.")) \
    N(BALLOON_STUCK, CALL, CARE_SAME(CARE_CALL_SPECIALIST,                                                             \
      "Call today. Do not force it and put no more water in; it does not count as checked.")) \
    N(WRONG_FLUID, REFILL, CARE_SAME(CARE_CALL_SPECIALIST,                                                             \
      "Empty the balloon, fill it to the prescribed volume with sterile or bottled water, and call today.")) \
    N(WRONG_FLUID, REFILL_NEXT, CARE_SAME(CARE_CALL_SPECIALIST,                                                        \
      "Empty the balloon at the next visit, fill it with sterile or bottled water, call if in doubt, and tell the carer which waters are used.")) \
    N(CHECKED_EARLY, LEAVE, CARE_SAME(CARE_CALL_SPECIALIST,                                                            \
      "Do not draw the balloon again before {2d}. Check the taping, and call today.")) \
    N(VALVE_LEAK, CHANGE, CARE_CALL_SPECIALIST,                                                                        \
      "Keep the cap closed and plan a change of the device. " CARE_CHANGE_HOME,                                        \
      "Keep the cap closed and plan a change of the device. " CARE_CHANGE_HOSPITAL)                                    \
    N(LEAK_AROUND, CHECK_BALLOON, CARE_SAME(CARE_CALL_SKIN,                                                            \
      "Check the balloon water now. Check the fit and the taping, and protect the skin; call if it goes on.")) \
    N(LEAK_AROUND, CALL, CARE_SAME(CARE_CALL_SKIN,                                                                     \
      "Call. Do not draw a balloon before its first check day. Check the fit and the taping, and protect the skin.")) \
    N(BLOCKED, FLUSH, CARE_SAME(CARE_CALL_SPECIALIST,                                                                  \
      "{0a} mL of warm water, pushed and drawn gently in turn. Never force it, use no object, no fizzy drink and no juice. Not cleared after {1n} minutes: call.")) \
    N(BLOCKED, CALL, CARE_CALL_SENIOR,                                                                                 \
      "{1n} minutes have passed: call. Never force it, use no object, no fizzy drink and no juice. " CARE_CHANGE_HOME, \
      "{1n} minutes have passed: call. Never force it, use no object, no fizzy drink and no juice. " CARE_CHANGE_HOSPITAL) \
    N(UNSAFE_UNBLOCKING, EXPLAIN, CARE_SAME(NULL,                                                                      \
      "Tell the carer why only warm water is used: force, objects, fizzy drinks and juice can damage the device or clot the feed.")) \
    N(WILL_NOT_ROTATE, CALL, CARE_SAME(CARE_CALL_SPECIALIST,                                                           \
      "Do not force it. Call today: what holds the device inside may be growing into the stomach wall, and that can be early.")) \
    N(ROTATED_JEJUNAL, CALL, CARE_SAME(CARE_CALL_RADIOLOGY,                                                            \
      "Do not turn it again. The tip may have moved: unless the child's plan says otherwise, stop feeds and medicines into the jejunum until imaging has confirmed its position. Call today, and ask how they are given until then.")) \
    N(FIT_TIGHT, RESIZE, CARE_CALL_SPECIALIST,                                                                         \
      "Look for pressure injury under the device, measure the stoma, and plan another size. " CARE_CHANGE_HOME,        \
      "Look for pressure injury under the device, measure the stoma, and plan another size. " CARE_CHANGE_HOSPITAL)    \
    N(FIT_LOOSE, RESIZE, CARE_CALL_SPECIALIST,                                                                         \
      "Check the balloon and the taping, measure the stoma, and plan another size. " CARE_CHANGE_HOME,                 \
      "Check the taping, measure the stoma, and plan another size. " CARE_CHANGE_HOSPITAL)                             \
    N(OVERGRANULATION, WATCH, CARE_SAME(CARE_CALL_SKIN,                                                                \
      "Keep the site clean and dry and the device still. Look again within {0n} days; call if it is no better by then.")) \
    N(OVERGRANULATION, CALL, CARE_SAME(CARE_CALL_SKIN,                                                                 \
      "{0n} days have passed: if it is no better, call and ask for a plan.")) \
    N(DEVICE_OVERDUE, BOOK, CARE_CALL_SPECIALIST, "Book the change. " CARE_CHANGE_HOME, "Book the change. " CARE_CHANGE_HOSPITAL) \
    N(STOMA_DATE_MISSING, ASK, CARE_SAME(CARE_CALL_HOSPITAL, "Ask the hospital that formed the stoma for the date and put it on record.")) \
    N(EMERGENCY_PLAN_MISSING, ASK, CARE_SAME(CARE_CALL_SPECIALIST, "Ask the specialist for the child's own emergency plan and put it on record.")) \
    N(NO_TRAINED_CARER, EMERGENCY, CARE_SAME(NULL, "Train a carer in the emergency steps.")) \
    N(NO_TRAINED_CARER, CHANGE, CARE_SAME(NULL, "Train a carer in changing the device until signed off; until then a device that comes out means hospital.")) \
    N(NO_TRAINED_CARER, BOTH, CARE_SAME(NULL, "Train a carer in the emergency steps, and in changing the device until signed off.")) \
    N(SPARE_MISSING, SUPPLY, CARE_SAME("the supplier", "See that the right spare, in date, is at home, and count it.")) \
    N(RECALLED_LOT, FOLLOW, CARE_CALL_HOSPITAL,                                                                        \
      "Follow the notice: {s}. Where it asks for a change: " CARE_CHANGE_HOME,                                         \
      "Follow the notice: {s}. Where it asks for a change: " CARE_CHANGE_HOSPITAL)                                     \
    N(RECALLED_LOT, LOOK, CARE_SAME(CARE_CALL_HOSPITAL, "Find the lot on the packet or in the hospital's notes and put it on record; then follow the notice: {s}.")) \
    N(SUPPLY_LOW, ORDER, CARE_SAME("the supplier", "Order now, and put the order on record.")) \
    N(NO_WORD, CONTACT, CARE_SAME("the family", "Make contact with the family this week.")) \
    N(NO_WORD, CONTACT_TODAY, CARE_SAME("the family", "Make contact with the family today; if nobody can be reached, tell the coordinator.")) \
    N(CALL_AGAIN, CALL, CARE_SAME("the same number, or the next on the list", "Call again, or call the next number.")) \
    N(CLOCK_DOUBT, CONFIRM, CARE_SAME(NULL, "Ask who wrote it when it happened; if the time is wrong, put the event right."))

#define CARE_FOUND_ENUM(alert, wording, text) CARE_FOUND_##alert##_##wording,
#define CARE_NEXT_ENUM(alert, wording, ...) CARE_NEXT_##alert##_##wording,
enum care_found { CARE_FOUNDS(CARE_FOUND_ENUM) CARE_FOUND_COUNT };
enum care_next { CARE_NEXTS(CARE_NEXT_ENUM) CARE_NEXT_COUNT };

_Static_assert(CARE_FOUND_COUNT < 256 && CARE_NEXT_COUNT < 256, "wordings are one byte in a stored schedule");

#endif
