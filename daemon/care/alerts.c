/*
 * alerts.c - what all alerts share: evidence, steps, home change, answers, accepted findings, calls to make again, ends.
 *
 * What always holds: every row of the schedule comes through here, open or ended, with steps that ascend and at least one of them.
 */
#include "care/alerts.h"

#include <assert.h>
#include <string.h>

/* --- drafts -------------------------------------------------------------------------------- */

void care_draft_init(struct care_draft *draft, enum proto_alert alert, int stoma, const struct care_fact *since,
                     enum care_found found) {
    assert(care_found_alert(found) == alert);
    memset(draft, 0, sizeof *draft);
    draft->alert.alert = (uint8_t)alert;
    draft->alert.stoma = (uint8_t)stoma;
    draft->alert.found = (uint8_t)found;
    draft->alert.since = since->at;
    draft->newest_at = draft->worse_at = since->at;
    care_draft_evidence(draft, since);
}

void care_draft_evidence(struct care_draft *draft, const struct care_fact *fact) {
    struct care_alert *alert = &draft->alert;
    if (!care_fact_is(fact))
        return;
    if (fact->at > draft->newest_at)
        draft->newest_at = fact->at;
    if (proto_id_is_zero(&fact->id))
        return;
    for (uint8_t i = 0; i < alert->evidence_count; i++) {
        if (proto_id_compare(&alert->evidence[i], &fact->id) == 0)
            return;
    }
    uint8_t place = alert->evidence_count < PROTO_EVIDENCE_MAX ? alert->evidence_count++ : PROTO_EVIDENCE_MAX - 1;
    alert->evidence[place] = fact->id;
}

void care_draft_step(struct care_draft *draft, int64_t from, enum proto_urgency urgency, enum care_next next) {
    struct care_alert *alert = &draft->alert;
    assert(care_next_alert(next) == (enum proto_alert)alert->alert);
    if (from == INT64_MAX)
        return;
    while (alert->step_count > 0 && alert->steps[alert->step_count - 1].from >= from)
        alert->step_count--;
    assert(alert->step_count < PROTO_STEPS_MAX);
    alert->steps[alert->step_count++] =
        (struct care_alert_step){.from = from, .urgency = (uint8_t)urgency, .wording = (uint8_t)next};
}

uint8_t care_alert_step_at(const struct care_alert *alert, int64_t at) {
    uint8_t k = 0;
    while (k + 1 < alert->step_count && alert->steps[k + 1].from <= at)
        k++;
    return k;
}

/* --- home change ---------------------------------------------------------------------------- */

/* A step whose wording depends on home_change is split where the stoma turns mature. */
static void finish_home_change(const struct care_facts *facts, struct care_draft *draft) {
    struct care_alert *alert = &draft->alert;
    if (alert->stoma == 0 ||
        alert->alert == PROTO_ALERT_TUBE_OUT) /* a dislodgement is judged by the moment it was reported */
        return;
    const struct care_stoma_facts *stoma = care_facts_stoma(facts, alert->stoma);
    if (stoma->home_change_reasons != 0)
        return;
    struct care_alert_step raw[PROTO_STEPS_MAX];
    uint8_t count = alert->step_count;
    memcpy(raw, alert->steps, sizeof raw);
    alert->step_count = 0;
    for (uint8_t i = 0; i < count; i++) {
        int64_t end = i + 1 < count ? raw[i + 1].from : INT64_MAX;
        bool depends = care_next_depends_on_home((enum care_next)raw[i].wording);
        bool splits = depends && raw[i].from < stoma->mature_at && stoma->mature_at < end;
        raw[i].home_change = raw[i].from >= stoma->mature_at;
        if (alert->step_count < PROTO_STEPS_MAX)
            alert->steps[alert->step_count++] = raw[i];
        if (splits && alert->step_count < PROTO_STEPS_MAX) {
            raw[i].home_change = true;
            raw[i].from = stoma->mature_at;
            alert->steps[alert->step_count++] = raw[i];
        }
    }
}

/* --- answers --------------------------------------------------------------------------------- */

static bool contact_about(const struct care_contact *contact, enum proto_alert alert) {
    return (contact->about & (UINT64_C(1) << (alert - 1))) != 0;
}

static bool contact_answers(const struct care_contact *contact, enum proto_alert alert, enum proto_urgency urgency) {
    return contact->outcome == PROTO_outcome_answered && contact_about(contact, alert) &&
           proto_alert_answered_by(alert, urgency, contact->to);
}

/* Until when the answer lets the alert rest; INT64_MAX: no time was named. Nobody can put a child off for longer than the limit. */
static int64_t rests_until(const struct care_contact *answer) {
    if (answer->recheck_by <= answer->fact.at)
        return INT64_MAX;
    int64_t latest = answer->fact.at + PROTO_RECHECK_MS;
    return answer->recheck_by < latest ? answer->recheck_by : latest;
}

static enum proto_urgency urgency_at(const struct care_alert *alert, int64_t at) {
    return (enum proto_urgency)alert->steps[care_alert_step_at(alert, at)].urgency;
}

/* Newest contact that answers the alert at the urgency it had then. */
static const struct care_contact *find_answer(const struct care_state *state, const struct care_draft *draft) {
    enum proto_alert name = (enum proto_alert)draft->alert.alert;
    for (uint32_t i = state->contact_count; i-- > 0;) {
        const struct care_contact *contact = &state->contacts[i];
        if (contact->fact.at >= draft->newest_at &&
            contact_answers(contact, name, urgency_at(&draft->alert, contact->fact.at)))
            return contact;
    }
    return NULL;
}

/* Steps before the answer are over whoever looks; what comes later is answered where the same person may answer it. With recheck_by the
 * alert is `soon` until then and comes back; a running clock (deadline) is never lowered. */
static void finish_answer(const struct care_facts *facts, struct care_draft *draft) {
    struct care_alert *alert = &draft->alert;
    const struct care_contact *answer = find_answer(facts->state, draft);
    if (!answer)
        return;
    alert->answered_at = answer->fact.at;
    struct care_alert_step raw[PROTO_STEPS_MAX];
    uint8_t count = alert->step_count, first = care_alert_step_at(alert, answer->fact.at);
    memcpy(raw, alert->steps, sizeof raw);
    int64_t until = rests_until(answer);
    bool again = until != INT64_MAX;
    alert->step_count = 0;
    for (uint8_t i = first; i < count; i++) {
        struct care_alert_step step = raw[i];
        int64_t end = i + 1 < count ? raw[i + 1].from : INT64_MAX;
        if (i == first)
            step.from = raw[0].from;
        if (step.from < until && alert->step_count < PROTO_STEPS_MAX) {
            struct care_alert_step held = step;
            held.answered =
                proto_alert_answered_by((enum proto_alert)alert->alert, (enum proto_urgency)step.urgency, answer->to);
            if (again && alert->deadline == 0 && held.answered && held.urgency < PROTO_URGENCY_SOON)
                held.urgency = PROTO_URGENCY_SOON;
            alert->steps[alert->step_count++] = held;
        }
        if (end > until && alert->step_count < PROTO_STEPS_MAX) {
            if (step.from < until)
                step.from = until;
            alert->steps[alert->step_count++] = step;
        }
    }
    assert(alert->step_count > 0);
}

/* --- accepted findings ------------------------------------------------------------------------ */

/* Findings that last: seen again they are the same finding, and only what is worse is news. Of all others every new sighting is. */
static bool lasts(uint8_t alert) {
    return alert == PROTO_ALERT_OVERGRANULATION || alert == PROTO_ALERT_LEAK_AROUND || alert == PROTO_ALERT_FIT_TIGHT ||
           alert == PROTO_ALERT_FIT_LOOSE;
}

/* A prescriber accepted the finding, as it was then, until a date: not shown till then or till there is news, but never where it is for now.
 * What began later nobody accepted. */
static void finish_accepted(const struct care_facts *facts, struct care_draft *draft) {
    struct care_alert *alert = &draft->alert;
    int64_t news_at = lasts(alert->alert) ? draft->worse_at : draft->newest_at;
    const struct care_state *state = facts->state;
    for (uint32_t i = 0; i < state->finding_count; i++) {
        const struct care_finding *finding = &state->findings[i];
        if (finding->alert != alert->alert || (alert->stoma != 0 && finding->stoma != alert->stoma))
            continue;
        if (alert->since > finding->fact.at || news_at > finding->fact.at)
            continue;
        int64_t from = finding->fact.at, until = care_facts_midnight(facts, finding->until_day + 1);
        for (uint8_t k = 0; k < alert->step_count; k++) {
            int64_t end = k + 1 < alert->step_count ? alert->steps[k + 1].from : INT64_MAX;
            if (alert->steps[k].urgency == PROTO_URGENCY_NOW && end > from && alert->steps[k].from < until)
                until = alert->steps[k].from;
        }
        if (until > from && until > alert->quiet_until) {
            alert->quiet_from = from;
            alert->quiet_until = until;
        }
    }
}

/* --- calls to make again ----------------------------------------------------------------------- */

static void plan_call_again(const struct care_facts *facts, struct care_schedule *schedule,
                            const struct care_draft *about) {
    const struct care_state *state = facts->state;
    const struct care_alert *alert = &about->alert;
    const struct care_contact *call = NULL, *answer = NULL;
    int64_t rests = INT64_MIN; /* answered until then: a call that nobody takes changes nothing */
    for (uint32_t i = 0; i < state->contact_count; i++) {
        const struct care_contact *contact = &state->contacts[i];
        enum proto_alert name = (enum proto_alert)alert->alert;
        if (contact->fact.at < about->newest_at || !contact_about(contact, name))
            continue;
        if (contact->outcome == PROTO_outcome_no_answer && contact->fact.at >= rests) {
            call = contact;
            answer = NULL;
        } else if (contact_answers(contact, name, urgency_at(alert, contact->fact.at))) {
            answer = call && !answer ? contact : answer;
            rests = rests_until(contact);
        }
    }
    if (!call)
        return;
    enum proto_urgency urgency = urgency_at(alert, call->fact.at);
    if (urgency != PROTO_URGENCY_NOW && urgency != PROTO_URGENCY_TODAY)
        return;
    enum proto_policy wait =
        urgency == PROTO_URGENCY_NOW ? PROTO_POLICY_CALL_AGAIN_NOW_MIN : PROTO_POLICY_CALL_AGAIN_TODAY_MIN;
    int64_t from = call->fact.at + care_facts_span_at_ms(facts, wait, alert->stoma, call->fact.at);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_CALL_AGAIN, alert->stoma, &call->fact, CARE_FOUND_CALL_AGAIN_NO_ANSWER);
    draft.alert.about = alert->alert;
    draft.alert.args[0] = call->to;
    draft.alert.until = alert->until;
    draft.alert.quiet_from = alert->quiet_from;
    draft.alert.quiet_until = alert->quiet_until;
    care_draft_step(&draft, from, urgency, CARE_NEXT_CALL_AGAIN_CALL);
    if (!answer)
        care_alert_open(facts, schedule, &draft);
    else if (answer->fact.at >= from)
        care_alert_end(facts, schedule, &draft, &answer->fact);
}

/* --- into the schedule --------------------------------------------------------------------------- */

static bool ever_now(const struct care_alert *alert) {
    for (uint8_t k = 0; k < alert->step_count; k++) {
        if (alert->steps[k].urgency == PROTO_URGENCY_NOW)
            return true;
    }
    return false;
}

/* What is about the skin or the child's pain stays when the stoma is closed: only somebody who looked can end it. */
static bool outlives_stoma(enum proto_alert alert) {
    return alert == PROTO_ALERT_EARLY_COMPLICATION || alert == PROTO_ALERT_PAIN_OR_BLEEDING ||
           alert == PROTO_ALERT_INFECTION_SIGNS || alert == PROTO_ALERT_LEAK_AROUND ||
           alert == PROTO_ALERT_OVERGRANULATION;
}

void care_alert_open(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft) {
    struct care_alert *alert = &draft->alert;
    assert(alert->step_count > 0);
    if (alert->stoma != 0 && !outlives_stoma((enum proto_alert)alert->alert)) {
        const struct care_stoma_facts *stoma = care_facts_stoma(facts, alert->stoma);
        const struct care_fact *closed = &stoma->stoma->closed;
        if (!stoma->exists && care_fact_is(closed) && closed->at >= draft->newest_at) {
            care_alert_end(facts, schedule, draft, closed);
            return;
        }
    }
    if (facts->closed && !ever_now(alert))
        return; /* the child has left the caseload: only what is for now is still said */
    struct care_draft raw = *draft;
    finish_home_change(facts, draft);
    finish_accepted(facts, draft);
    raw.alert.quiet_from = alert->quiet_from;
    raw.alert.quiet_until = alert->quiet_until;
    if (alert->alert != PROTO_ALERT_CALL_AGAIN)
        finish_answer(facts, draft);
    care_schedule_add_alert(schedule, alert);
    if (alert->alert != PROTO_ALERT_CALL_AGAIN)
        plan_call_again(facts, schedule, &raw);
}

/* The last moment at which no feeding device is known to have been in the stoma; INT64_MIN: nobody ever said so. */
static int64_t absent_at(const struct care_stoma *s) {
    int64_t at = care_fact_is(&s->device_gone) ? s->device_gone.at : INT64_MIN;
    if (s->device_state == CARE_DEVICE_OUT && s->out.last.at > at)
        at = s->out.last.at;
    if (s->device_state == CARE_DEVICE_KEEP_OPEN && s->keep_open.at > at)
        at = s->keep_open.at;
    return at;
}

/* Nobody can say something about a device that is not there: where none is on record, or none since the last one went, a placement was not
 * written down, and the alert stands until it is. */
void care_alert_open_device(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft) {
    const struct care_stoma_facts *stoma = care_facts_stoma(facts, draft->alert.stoma);
    const struct care_fact *gone = &stoma->stoma->device_gone;
    assert(proto_alert_ends_with_device((enum proto_alert)draft->alert.alert));
    if (stoma->has_device)
        care_alert_open(facts, schedule, draft);
    else if (care_fact_is(gone) && gone->at >= draft->newest_at)
        care_alert_end(facts, schedule, draft, gone);
    else if (stoma->past) /* said of one that was never written down: the device now in place has ended it */
        care_alert_end(facts, schedule, draft, &facts->state->stomas[stoma->number - 1].device.placed);
    else if (draft->newest_at > absent_at(stoma->stoma))
        care_alert_open(facts, schedule, draft);
}

/* The same alert is among the ended already, or has been open since before `at`: another end of it would only confuse. */
static bool stands(const struct care_schedule *schedule, enum proto_alert alert, int stoma, int about, int64_t at) {
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        const struct care_alert *row = &schedule->alerts[i];
        if (row->alert == alert && row->about == about && (row->stoma == stoma || row->stoma == 0) &&
            (row->ended_how != CARE_ENDED_NOT || row->steps[0].from <= at))
            return true;
    }
    return false;
}

void care_alert_end_as(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft,
                       const struct care_fact *end, enum care_ended how) {
    struct care_alert *alert = &draft->alert;
    assert(alert->step_count > 0 && care_fact_is(end));
    alert->step_count = 1;
    alert->ended_how = (uint8_t)how;
    alert->ended_at = end->at;
    alert->until = end->at + care_facts_span_at_ms(facts, PROTO_POLICY_ENDED_DAYS, alert->stoma, end->at);
    if (alert->until <= facts->state->last_event.at)
        return; /* nobody looks from before the newest event, so nobody would see it */
    if (stands(schedule, (enum proto_alert)alert->alert, alert->stoma, alert->about, alert->ended_at))
        return;
    memset(alert->args, 0, sizeof alert->args); /* an ended alert is shown by name and evidence */
    memset(alert->text, 0, sizeof alert->text);
    alert->deadline = alert->aim = alert->quiet_from = alert->quiet_until = 0;
    care_schedule_add_alert(schedule, alert);
}

void care_alert_end(const struct care_facts *facts, struct care_schedule *schedule, struct care_draft *draft,
                    const struct care_fact *end) {
    care_alert_end_as(facts, schedule, draft, end, CARE_ENDED_SETTLED);
}

/* --- the device that is gone ---------------------------------------------------------------------- */

/* A stoma as it was with the device before. */
static void with_past(const struct care_stoma *now, struct care_stoma *old) {
    const struct care_past *past = &now->past;
    *old = *now;
    old->device_state = CARE_DEVICE_NONE;
    old->device_gone = past->gone;
    old->device = past->device;
    old->check_count = past->check_count;
    memcpy(old->checks, past->checks, sizeof old->checks);
    old->displaced = past->displaced;
    old->displaced_first = past->displaced_first;
    old->displaced_settled = past->displaced_settled;
    old->outside_worst = old->outside_newest = past->outside_worst;
    old->displaced_outside_mm = past->displaced_outside_mm;
    old->displaced_said = past->displaced_said;
    old->gaps = past->gaps;
    old->blocked_first = past->blocked_first;
    old->blocked = past->blocked;
    old->blocked_settled = past->blocked_settled;
    old->rotated = past->rotated;
    old->rotated_fact = past->rotated_fact;
    old->rotated_bad_first = past->rotated_bad_first;
    old->rotated_settled = past->rotated_settled;
    old->rotated_jejunal = past->rotated_jejunal;
    old->rotated_jejunal_settled = past->rotated_jejunal_settled;
    old->valve_leak_first = past->valve_leak_first;
    old->valve_leak = past->valve_leak;
    old->against_contact = past->against_contact;
}

static void plan_device(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    care_alerts_position(facts, stoma, schedule);
    care_alerts_balloon(facts, stoma, schedule);
    care_alerts_device(facts, stoma, schedule);
}

/* Whatever was open about a device ends when it goes: the rules see the stoma as it was with that device, and that it is gone. */
static void plan_devices(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    int index = stoma == PROTO_stoma_second ? 1 : 0;
    const struct care_stoma *now = facts->stomas[index].stoma;
    struct care_facts then = *facts;
    if (!facts->stomas[index].has_device && care_fact_is(&now->device_gone))
        care_facts_of_gone(facts, now, stoma, &then.stomas[index]);
    plan_device(&then, stoma, schedule);
    int64_t ended_at = now->device.placed.at > now->past.gone.at ? now->device.placed.at : now->past.gone.at;
    int64_t shown_ms = care_facts_span_at_ms(facts, PROTO_POLICY_ENDED_DAYS, stoma, ended_at);
    if (!care_fact_is(&now->past.gone) || ended_at + shown_ms <= facts->state->last_event.at)
        return;
    struct care_stoma old;
    with_past(now, &old);
    care_facts_of_gone(facts, &old, stoma, &then.stomas[index]);
    then.stomas[index].exists = false; /* what is there now has had its turn */
    then.stomas[index].past = true;
    plan_device(&then, stoma, schedule);
}

void care_plan_alerts(const struct care_facts *facts, struct care_schedule *schedule) {
    for (int stoma = PROTO_stoma_main; stoma <= PROTO_stoma_second; stoma++) {
        const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
        if (!s->exists && !care_fact_is(&s->closed))
            continue;
        care_alerts_out(facts, stoma, schedule);
        plan_devices(facts, stoma, schedule);
        care_alerts_site(facts, stoma, schedule);
    }
    care_alerts_child(facts, schedule);
    care_alerts_stock(facts, schedule);
    care_alerts_withdrawn(facts, schedule);
}
