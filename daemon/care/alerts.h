/*
 * alerts.h - how alerts get into a schedule: drafts with raw steps, finished in one place for all of them.
 *
 * Internal to care/. A rule says what it found, its steps through time and the
 * evidence; what all alerts share is worked out once: the wording by
 * home_change (also when the stoma turns mature while the alert is open),
 * answered and looked at again, accepted findings, calls to make again, the end
 * with the device or the stoma, closed children.
 *
 * What always holds: no moment comes in. Steps ascend; at every moment at or
 * after the newest evidence exactly one holds. An alert is planned open or ended, never both.
 */
#ifndef CARE_ALERTS_H
#define CARE_ALERTS_H

#include "care/facts.h"
#include "care/text.h"

struct care_draft {
    struct care_alert alert;
    int64_t newest_at; /* newest evidence: an answer counts from then on */
    int64_t worse_at;  /* newest evidence that is worse than all before: a lasting finding is accepted from then on */
};

/* An alert with its first evidence, open since then. `stoma` 0: about the child as a whole. */
void care_draft_init(struct care_draft *draft, enum proto_alert alert, int stoma, const struct care_fact *since,
                     enum care_found found);
/* More evidence; when there is no room the newest stays. A fact that never was is passed over. */
void care_draft_evidence(struct care_draft *draft, const struct care_fact *fact);
/* From `from` on this urgency and wording. A step that does not come later than the one before takes its place; INT64_MAX adds nothing. */
void care_draft_step(struct care_draft *draft, int64_t from, enum proto_urgency urgency, enum care_next next);

/* Puts the draft into the schedule as open - or as ended, where its stoma has been closed. */
void care_alert_open(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft);
/* The same for what is about a device: open while the device is in place, ended where it has gone since, left out while it is out. What was
 * said after that is about a device whose placement nobody recorded, and open. */
void care_alert_open_device(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft);
/* Ended: settled by `end`. Shown among the ended for a while. */
void care_alert_end(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft,
                    const struct care_fact *end);

/* The same, and how it ended. */
void care_alert_end_as(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft,
                       const struct care_fact *end, enum care_ended how);
/* Index of the step that holds at `at`; the first one also before it. */
uint8_t care_alert_step_at(const struct care_alert *alert, int64_t at);

/* What a rule says of something that is not in the state: for withdrawn events. */
/* Whether the balloon alert rested on this check, had it counted among the stoma's others. */
bool care_balloon_rests_on(const struct care_facts *facts, int stoma, enum proto_alert alert,
                           const struct care_check *check);
/* Whether the device's position is confirmed as required. */
bool care_position_confirmed(const struct care_device *device, const struct care_position *position, int64_t ph_limit);
/* Whether the stoma's device was placed outside hospital where it should not have been. */
bool care_placed_against_rule(const struct care_stoma_facts *sf);
/* Whether a recall in force that was there by then is, or may be, about the device. */
bool care_device_recalled(const struct care_facts *facts, const struct care_device *device, int64_t by);

/* True when the newest count calls the spare unfit for the stoma's device: another kind or size, or out of date on `day`. No count is not unfit. */
bool care_spare_unfit(const struct care_facts *facts, int stoma, int what, int32_t day);

/* Last day on which a carer's skill is in date: the date given, else so many months after the training. */
int32_t care_skill_until(const struct care_facts *facts, const struct care_carer *carer, int skill);
/* Last day for which a counted supply lasts; INT32_MAX when the child's use of it is not known. */
int32_t care_supply_until(const struct care_facts *facts, const struct care_supply *supply);

/* --- families of rules, one file each ------------------------------------------------------ */

void care_alerts_out(const struct care_facts *facts, int stoma,
                     struct care_schedule *schedule); /* tube-out, no-device */
void care_alerts_position(
    const struct care_facts *facts, int stoma,
    struct care_schedule *schedule); /* displaced, unsure, against the rule, turned in the jejunum */
void care_alerts_balloon(const struct care_facts *facts, int stoma,
                         struct care_schedule *schedule); /* all that balloon checks say */
void care_alerts_device(const struct care_facts *facts, int stoma,
                        struct care_schedule *schedule); /* valve, blockage, turning, fit, overdue, recalls */
void care_alerts_site(const struct care_facts *facts, int stoma,
                      struct care_schedule *schedule); /* early, pain, infection, leak, overgranulation */
void care_alerts_stock(const struct care_facts *facts, struct care_schedule *schedule); /* spares, supplies */
void care_alerts_child(const struct care_facts *facts,
                       struct care_schedule *schedule); /* records, carers, contact, clocks */

/* What ended because the event it rested on was withdrawn; after all others. */
void care_alerts_withdrawn(const struct care_facts *facts, struct care_schedule *schedule);

/* --- the device-out decision: total over its inputs ------------------------------------------ */

enum care_out_holds { /* bits: what speaks against replacing the device where the child is */
                      CARE_OUT_NO_HOME_CHANGE = 1,
                      CARE_OUT_FAILED = 2,
                      CARE_OUT_BALLOON_HURTS = 4,
                      CARE_OUT_PAIN_OR_BLEEDING = 8,
                      CARE_OUT_NOT_TRAINED = 16,
                      CARE_OUT_NO_SPARE = 32,
                      CARE_OUT_SPARE_UNFIT = 64,
                      CARE_OUT_ALL = 127
};
/* The next step while there is time left: replace where nothing speaks against it, else the hospital with the first reason that holds. */
enum care_next care_out_next(unsigned holds);

struct care_out_clock {
    int64_t reported_at; /* first report: a trained person has try_ms from here */
    int64_t deadline;
    int64_t try_ms, near_ms;
};
/* The path as steps: what holds at first, when it becomes the hospital, when the limit has passed. 1..3 steps into the draft. */
void care_out_steps(struct care_draft *draft, unsigned holds, const struct care_out_clock *clock);

#endif
