/*
 * trace_exceptions.h - alerts that may go without being among the ended: each with the event that ends them and the reason.
 *
 * What always holds: what is not in here and not among the ended is a lost alert.
 */
#ifndef TESTS_CARE_TRACE_EXCEPTIONS_H
#define TESTS_CARE_TRACE_EXCEPTIONS_H

#include "care/care.h"

struct scen_exception {
    enum proto_kind kind;
    enum proto_alert alert; /* NONE: any */
    const char *why;
};

static const struct scen_exception scen_exceptions[] = {
    {PROTO_KIND_stoma_closed, PROTO_ALERT_NONE, "without a stoma nothing is asked about it"},
    {PROTO_KIND_patient_closed, PROTO_ALERT_NONE, "the child has left the caseload"},
    {PROTO_KIND_policy_adopted, PROTO_ALERT_NONE, "policy in force now judges all facts: it had not been open"},
    {PROTO_KIND_plan_set, PROTO_ALERT_NONE, "the child's own limit judges as policy does"},
    {PROTO_KIND_patient_moved, PROTO_ALERT_NONE, "the new team's policy judges"},
    {PROTO_KIND_stay_started, PROTO_ALERT_DEVICE_OVERDUE, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_SPARE_MISSING, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_SUPPLY_LOW, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_NO_WORD, "hidden while the child is in hospital"},
    {PROTO_KIND_stay_started, PROTO_ALERT_NO_TRAINED_CARER, "hidden while the child is in hospital"},
    {PROTO_KIND_tube_out, PROTO_ALERT_SPARE_MISSING, "the device-out decision speaks of the spare"},
    {PROTO_KIND_tube_out, PROTO_ALERT_NO_DEVICE, "out again: tube-out speaks, with a clock"},
    {PROTO_KIND_placement_failed, PROTO_ALERT_SPARE_MISSING, "the device-out decision speaks of the spare"},
    {PROTO_KIND_placement_failed, PROTO_ALERT_NO_DEVICE, "out again: tube-out speaks, with a clock"},
    {PROTO_KIND_device_removed, PROTO_ALERT_SPARE_MISSING, "the device-out decision speaks of the spare"},
    {PROTO_KIND_device_removed, PROTO_ALERT_NO_DEVICE, "out again: tube-out speaks, with a clock"},
    {PROTO_KIND_patient_registered, PROTO_ALERT_SUPPLY_LOW, "what the child uses has changed"},
    {PROTO_KIND_patient_revised, PROTO_ALERT_SUPPLY_LOW, "what the child uses has changed"},
    {PROTO_KIND_emergency_plan_set, PROTO_ALERT_PLACED_AGAINST_RULE, "the child's plan now asks for the catheter"},
    {PROTO_KIND_emergency_plan_set, PROTO_ALERT_SPARE_MISSING, "the child's plan now asks for other spares"},
    {PROTO_KIND_emergency_plan_set, PROTO_ALERT_EMERGENCY_PLAN_MISSING, "given in the same instant"},
    {PROTO_KIND_device_placed, PROTO_ALERT_PLACED_AGAINST_RULE, "the catheter that was against the rule is out again"},
    {PROTO_KIND_site_checked, PROTO_ALERT_FIT_LOOSE, "told of a device that is out, and denied"},
    {PROTO_KIND_tube_out, PROTO_ALERT_LEAK_AROUND, "without a balloon in place no check of it is waited for"},
    {PROTO_KIND_site_checked, PROTO_ALERT_LEAK_AROUND, "a leak through the valve speaks instead"},
    {PROTO_KIND_device_placed, PROTO_ALERT_SPARE_MISSING, "the spare is judged by the new device"},
    {PROTO_KIND_position_confirmed, PROTO_ALERT_POSITION_UNSURE, "of a device that nobody wrote down"},
    {PROTO_KIND_stoma_formed, PROTO_ALERT_STOMA_DATE_MISSING, "another stoma"},
    {PROTO_KIND_stoma_formed, PROTO_ALERT_POSITION_UNSURE, "another stoma, another device"},
    {PROTO_KIND_stoma_formed, PROTO_ALERT_PLACED_AGAINST_RULE, "another stoma, or by its right date it was old enough"},
    {PROTO_KIND_stoma_formed, PROTO_ALERT_CHECKED_EARLY, "by its right date the stoma was old enough"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_STOMA_DATE_MISSING, "the stoma was a mistake"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_NO_TRAINED_CARER, "the stoma was a mistake"},
    {PROTO_KIND_event_withdrawn, PROTO_ALERT_EMERGENCY_PLAN_MISSING, "the stoma was a mistake"},
    {PROTO_KIND_balloon_checked, PROTO_ALERT_CLOCK_DOUBT, "stated again under a clock that is trusted"},
    {PROTO_KIND_spare_counted, PROTO_ALERT_RECALLED_LOT,
     "the spare of that lot is gone; only the newest count is kept"},
    {PROTO_KIND_device_put_back, PROTO_ALERT_PLACED_AGAINST_RULE, "seated anew: judged by the newest seating"},
    {PROTO_KIND_device_put_back, PROTO_ALERT_POSITION_UNSURE, "seated anew: judged by the newest seating"},
};

/* While the device is out what is about it waits: put back, it is there again. */
static bool scen_waits(enum proto_kind kind, enum proto_alert alert) {
    bool out = kind == PROTO_KIND_tube_out || kind == PROTO_KIND_device_removed || kind == PROTO_KIND_placement_failed;
    return out && proto_alert_ends_with_device(alert);
}

static bool scen_excepted(const struct proto_event *event, enum proto_alert alert) {
    enum proto_kind kind = event->kind;
    const struct proto_value *purpose = PROTO_BODY(event, device_placed, purpose);
    if (kind == PROTO_KIND_device_placed && purpose->present && purpose->n == PROTO_purpose_keep_open)
        return proto_alert_ends_with_device(alert) || alert == PROTO_ALERT_SPARE_MISSING; /* as while it is out */
    for (size_t i = 0; i < sizeof scen_exceptions / sizeof scen_exceptions[0]; i++)
        if (scen_exceptions[i].kind == kind &&
            (scen_exceptions[i].alert == PROTO_ALERT_NONE || scen_exceptions[i].alert == alert))
            return true;
    return scen_waits(kind, alert);
}

/* Pain or bleeding within the first 72 hours is another alert: the one gives way to the other. */
static bool scen_same_matter(const struct care_alert *row, const struct care_alert *alert) {
    bool pain = alert->alert == PROTO_ALERT_PAIN_OR_BLEEDING || alert->alert == PROTO_ALERT_EARLY_COMPLICATION;
    bool also = row->alert == PROTO_ALERT_PAIN_OR_BLEEDING || row->alert == PROTO_ALERT_EARLY_COMPLICATION;
    return (row->alert == alert->alert || (pain && also)) && row->stoma == alert->stoma && row->about == alert->about;
}

#endif
