/*
 * rules.c - what must hold between the fields of one event as a caller sends it.
 *
 * What always holds: only this one event is looked at; what depends on the child's record is admission's.
 */
#include "proto/rules.h"

#include "proto/calendar.h"
#include "proto/ids.h"

#define HAS(e, k, f) (PROTO_BODY(e, k, f)->present)
#define NUMBER(e, k, f) (PROTO_BODY(e, k, f)->n)
#define BAD(field, ...) proto_fault_set(fault, PROTO_BAD_VALUE, field, __VA_ARGS__)
#define LACK(field, ...) proto_fault_set(fault, PROTO_MISSING_FIELD, field, __VA_ARGS__)

/* The latest calendar date that it can be anywhere at the event's moment: zones reach 14 hours ahead. */
static int64_t latest_day(const struct proto_event *e) {
    int64_t ms = e->at + 14 * 3600000LL;
    return ms >= 0 ? ms / PROTO_DAY_MS : (ms + 1) / PROTO_DAY_MS - 1;
}

static enum proto_error check_registered(const struct proto_event *e, struct proto_fault *fault) {
    if (!proto_id_is_v7(&e->patient))
        return BAD("patient", "patient must be a version 7 UUID that the caller made for the child.");
    if (NUMBER(e, patient_registered, born) > latest_day(e))
        return BAD("born", "born must not lie after the registration.");
    return PROTO_OK;
}

static enum proto_error check_revised(const struct proto_event *e, struct proto_fault *fault) {
    bool any = false;
    for (uint32_t i = 0; i < PROTO_FIELDS_END_patient_revised; i++)
        any |= e->body[i].present;
    if (!any)
        return LACK(NULL, "patient.revised needs at least one field that changes.");
    if (HAS(e, patient_revised, born) && NUMBER(e, patient_revised, born) > latest_day(e))
        return BAD("born", "born must not lie after the revision.");
    return PROTO_OK;
}

static enum proto_error check_merged(const struct proto_event *e, struct proto_fault *fault) {
    if (proto_id_compare(&PROTO_BODY(e, patient_merged, into)->id, &e->patient) == 0)
        return BAD("into", "into must be another record than the patient's own.");
    return PROTO_OK;
}

static enum proto_error check_stoma(const struct proto_event *e, struct proto_fault *fault) {
    int64_t precision = HAS(e, stoma_formed, precision) ? NUMBER(e, stoma_formed, precision) : PROTO_precision_not_said;
    bool dated = HAS(e, stoma_formed, formed_on);
    if (!dated && precision != PROTO_precision_not_said && precision != PROTO_precision_unknown)
        return LACK("formed_on", "stoma.formed needs formed_on when its precision is %s.",
                    proto_choice_name("precision", (uint32_t)precision));
    if (dated && NUMBER(e, stoma_formed, formed_on) > latest_day(e))
        return BAD("formed_on", "formed_on must not lie after the event's own time.");
    bool exact = dated && (precision == PROTO_precision_not_said || precision == PROTO_precision_day);
    if (exact && HAS(e, stoma_formed, mature_on) &&
        NUMBER(e, stoma_formed, mature_on) < NUMBER(e, stoma_formed, formed_on))
        return BAD("mature_on", "mature_on must not lie before formed_on.");
    if (exact && HAS(e, stoma_formed, stitches_out_on) &&
        NUMBER(e, stoma_formed, stitches_out_on) < NUMBER(e, stoma_formed, formed_on))
        return BAD("stitches_out_on", "stitches_out_on must not lie before formed_on.");
    return PROTO_OK;
}

static enum proto_error check_placed(const struct proto_event *e, struct proto_fault *fault) {
    bool balloon = NUMBER(e, device_placed, retention) == PROTO_retention_balloon;
    if (balloon && !HAS(e, device_placed, balloon_ml))
        return LACK("balloon_ml", "device.placed needs balloon_ml when a balloon holds the device.");
    if (!balloon && HAS(e, device_placed, balloon_ml))
        return BAD("balloon_ml", "balloon_ml goes with a balloon only.");
    return PROTO_OK;
}

static enum proto_error check_prescribed(const struct proto_event *e, struct proto_fault *fault) {
    if (!HAS(e, device_prescribed, balloon_ml) && !HAS(e, device_prescribed, change_months) &&
        !HAS(e, device_prescribed, ph_limit))
        return LACK(NULL, "device.prescribed needs balloon_ml, change_months or ph_limit.");
    return PROTO_OK;
}

static enum proto_error check_out(const struct proto_event *e, struct proto_fault *fault) {
    if (HAS(e, tube_out, last_seen_at) && NUMBER(e, tube_out, last_seen_at) > e->at)
        return BAD("last_seen_at", "last_seen_at must not lie after at.");
    return PROTO_OK;
}

static enum proto_error check_balloon(const struct proto_event *e, struct proto_fault *fault) {
    bool volume = HAS(e, balloon_checked, withdrawn_ml), stuck = HAS(e, balloon_checked, stuck);
    bool filled = HAS(e, balloon_checked, filled_ml), empty = HAS(e, balloon_checked, left_empty);
    if (!volume && !stuck)
        return LACK("withdrawn_ml", "balloon.checked needs withdrawn_ml, or stuck when nothing could be drawn.");
    if (volume && stuck)
        return BAD("stuck", "balloon.checked takes one of withdrawn_ml and stuck, not both.");
    if (filled && empty)
        return BAD("left_empty", "balloon.checked takes one of filled_ml and left_empty, not both.");
    if (volume && !filled && !empty)
        return LACK("filled_ml", "balloon.checked needs filled_ml, or left_empty when no water was put back.");
    if (stuck && (filled || empty))
        return BAD(filled ? "filled_ml" : "left_empty", "%s goes with withdrawn_ml only, not with stuck.",
                   filled ? "filled_ml" : "left_empty");
    return PROTO_OK;
}

/* A look that says nothing would count as a look: it would quiet what asks for one. */
static enum proto_error check_site(const struct proto_event *e, struct proto_fault *fault) {
    for (uint32_t i = 0; i < PROTO_FIELDS_END_site_checked; i++) {
        if (e->body[i].present)
            return PROTO_OK;
    }
    return LACK(NULL, "site.checked needs at least one finding: what was seen or measured, or what was not there.");
}

static enum proto_error check_care(const struct proto_event *e, struct proto_fault *fault) {
    if (HAS(e, care_done, since) && NUMBER(e, care_done, since) > latest_day(e))
        return BAD("since", "since must not lie after the event's own time.");
    return PROTO_OK;
}

static enum proto_error check_contact(const struct proto_event *e, struct proto_fault *fault) {
    if (HAS(e, contact_made, recheck_by) && NUMBER(e, contact_made, recheck_by) < e->at)
        return BAD("recheck_by", "recheck_by must not lie before the call.");
    if (HAS(e, contact_made, recheck_by) && NUMBER(e, contact_made, recheck_by) - e->at > PROTO_RECHECK_MS)
        return BAD("recheck_by",
                   "recheck_by must lie at most 7 days after the call: look again by then at the latest.");
    return PROTO_OK;
}

static enum proto_error check_plan_for_policy(const struct proto_event *e, struct proto_fault *fault) {
    const struct proto_policy_info *info = proto_policy_get((enum proto_policy)NUMBER(e, plan_set, policy));
    const char *stray = HAS(e, plan_set, every_days) ? "every_days"
                        : HAS(e, plan_set, off)      ? "off"
                        : HAS(e, plan_set, weekdays) ? "weekdays"
                        : HAS(e, plan_set, pauses)   ? "pauses"
                                                     : NULL;
    if (stray)
        return BAD(stray, "%s goes with task, not with policy.", stray);
    if (!HAS(e, plan_set, value))
        return LACK("value", "plan.set needs value when it names a policy value.");
    int64_t value = NUMBER(e, plan_set, value);
    if (value < info->min || value > info->max) {
        char low[24], high[24];
        (void)proto_amount_format(info->min, low);
        (void)proto_amount_format(info->max, high);
        return BAD("value", "value must lie between %s and %s (%s) for %s.", low, high, info->unit, info->name);
    }
    return PROTO_OK;
}

static enum proto_error check_plan(const struct proto_event *e, struct proto_fault *fault) {
    bool task = HAS(e, plan_set, task), policy = HAS(e, plan_set, policy), off = HAS(e, plan_set, off);
    if (task && policy)
        return BAD("policy", "plan.set takes one of task and policy, not both.");
    if (!task && !policy)
        return LACK("task", "plan.set needs task or policy.");
    if (policy)
        return check_plan_for_policy(e, fault);
    if (HAS(e, plan_set, value))
        return BAD("value", "value goes with policy, not with task.");
    if (off && !HAS(e, plan_set, until))
        return LACK("until", "plan.set needs until when it turns a task off.");
    if (off && (HAS(e, plan_set, every_days) || HAS(e, plan_set, weekdays) || HAS(e, plan_set, pauses)))
        return BAD("off", "off cannot go with every_days, weekdays or pauses.");
    if (!off && !HAS(e, plan_set, every_days) && !HAS(e, plan_set, weekdays) && !HAS(e, plan_set, pauses))
        return LACK("every_days", "plan.set needs every_days, weekdays, pauses or off for a task.");
    return PROTO_OK;
}

static enum proto_error check_added(const struct proto_event *e, struct proto_fault *fault) {
    if (proto_task_find(PROTO_BODY(e, task_added, task)->text) != PROTO_TASK_NONE)
        return BAD("task", "task is the name of a routine task; a team's own task needs another.");
    return PROTO_OK;
}

static enum proto_error check_recalled(const struct proto_event *e, struct proto_fault *fault) {
    if (!HAS(e, lot_recalled, gtin) && !HAS(e, lot_recalled, lot))
        return LACK("lot", "lot.recalled needs lot or gtin.");
    return PROTO_OK;
}

static enum proto_error check_other_event(const struct proto_event *e, const char *field, const struct proto_id *other,
                                          struct proto_fault *fault) {
    if (e->has_id && proto_id_compare(other, &e->id) == 0)
        return BAD(field, "%s must be the id of another event.", field);
    return PROTO_OK;
}

static enum proto_error check_envelope(const struct proto_event *e, struct proto_fault *fault) {
    enum proto_error error = PROTO_OK;
    if (e->has_replaces)
        error = check_other_event(e, "replaces", &e->replaces, fault);
    if (error == PROTO_OK && e->has_same_as)
        error = check_other_event(e, "same_as", &e->same_as, fault);
    return error;
}

enum proto_error proto_rules_check(const struct proto_event *e, struct proto_fault *fault) {
    enum proto_error error = check_envelope(e, fault);
    if (error != PROTO_OK)
        return error;
    switch (e->kind) {
    case PROTO_KIND_patient_registered:
        return check_registered(e, fault);
    case PROTO_KIND_patient_revised:
        return check_revised(e, fault);
    case PROTO_KIND_patient_merged:
        return check_merged(e, fault);
    case PROTO_KIND_stoma_formed:
        return check_stoma(e, fault);
    case PROTO_KIND_device_placed:
        return check_placed(e, fault);
    case PROTO_KIND_device_prescribed:
        return check_prescribed(e, fault);
    case PROTO_KIND_tube_out:
        return check_out(e, fault);
    case PROTO_KIND_balloon_checked:
        return check_balloon(e, fault);
    case PROTO_KIND_site_checked:
        return check_site(e, fault);
    case PROTO_KIND_care_done:
        return check_care(e, fault);
    case PROTO_KIND_contact_made:
        return check_contact(e, fault);
    case PROTO_KIND_plan_set:
        return check_plan(e, fault);
    case PROTO_KIND_task_added:
        return check_added(e, fault);
    case PROTO_KIND_event_withdrawn:
        return check_other_event(e, "event", &PROTO_BODY(e, event_withdrawn, event)->id, fault);
    case PROTO_KIND_withdrawal_confirmed:
        return check_other_event(e, "withdrawal", &PROTO_BODY(e, withdrawal_confirmed, withdrawal)->id, fault);
    case PROTO_KIND_lot_recalled:
        return check_recalled(e, fault);
    default:
        return PROTO_OK; /* the fields of the other kinds do not depend on one another */
    }
}
