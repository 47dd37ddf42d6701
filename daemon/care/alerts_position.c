/*
 * alerts_position.c - whether the device lies where it should: displaced, not confirmed, placed against the rule, turned in the jejunum.
 *
 * What always holds: only what the rule asks for confirms a position; imaging always does.
 */
#include "care/alerts.h"

static bool placed_outside_hospital(uint8_t place) {
    return place == PROTO_place_home || place == PROTO_place_school || place == PROTO_place_clinic;
}

/* Imaging at or after `from`, whatever event gave it. */
static const struct care_fact *imaging_since(const struct care_device *device, int64_t from) {
    return care_fact_is(&device->imaging) && device->imaging.at >= from ? &device->imaging : NULL;
}

static int32_t apart_mm(int32_t a, int32_t b) {
    return a > b ? a - b : b - a;
}

/* --- displaced ------------------------------------------------------------------------------------ */

static enum care_found displaced_found(const struct care_stoma *s, bool far) {
    if (s->displaced_feed)
        return CARE_FOUND_TUBE_DISPLACED_FEED;
    if (s->displaced_vomiting)
        return CARE_FOUND_TUBE_DISPLACED_VOMITING;
    return far ? CARE_FOUND_TUBE_DISPLACED_OUTSIDE : CARE_FOUND_TUBE_DISPLACED_SAID;
}

/* Settled, and no report since: shown among the ended. */
static void plan_displaced_ended(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->displaced_first) || !care_fact_is(&s->displaced_settled))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_TUBE_DISPLACED, stoma, &s->displaced_first, CARE_FOUND_TUBE_DISPLACED_SAID);
    care_draft_evidence(&draft, &s->displaced);
    care_draft_step(&draft, s->displaced_first.at, PROTO_URGENCY_TODAY, CARE_NEXT_TUBE_DISPLACED_STOMACH);
    care_alert_end(facts, schedule, &draft, &s->displaced_settled);
}

static void plan_displaced(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    const struct care_device *device = &s->device;
    bool said = s->displaced_said;
    bool far = care_fact_is(&s->outside_worst) && device->outside_given &&
               apart_mm(s->displaced_outside_mm, device->outside_mm) >=
                   care_facts_value_at(facts, PROTO_POLICY_DISPLACED_MM, stoma, s->outside_worst.at);
    if (!said && !far) {
        plan_displaced_ended(facts, stoma, schedule);
        return;
    }
    const struct care_fact *since =
        said && !(far && s->outside_worst.at < s->displaced_first.at) ? &s->displaced_first : &s->outside_worst;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_TUBE_DISPLACED, stoma, since, displaced_found(s, far));
    if (said)
        care_draft_evidence(&draft, &s->displaced);
    if (far) {
        care_draft_evidence(&draft, &s->outside_worst);
        care_draft_evidence(&draft, &s->outside_newest); /* seen again after an answer: the answer was about less */
    }
    draft.alert.args[0] = s->displaced_outside_mm;
    draft.alert.args[1] = device->outside_mm;
    care_draft_step(&draft, since->at, PROTO_URGENCY_TODAY,
                    device->tip == PROTO_tip_jejunum ? CARE_NEXT_TUBE_DISPLACED_JEJUNAL
                                                     : CARE_NEXT_TUBE_DISPLACED_STOMACH);
    const struct care_fact *imaging =
        !said && care_fact_is(&s->displaced_settled) ? &s->displaced_settled : imaging_since(device, draft.newest_at);
    if (imaging)
        care_alert_end(facts, schedule, &draft, imaging);
    else
        care_alert_open_device(facts, schedule, &draft);
}

/* --- position -------------------------------------------------------------------------------------- */

enum position {
    POSITION_CONFIRMED,
    POSITION_NONE,
    POSITION_PH_HIGH,
    POSITION_PH_MISSING,
    POSITION_JEJUNAL,
    POSITION_OTHER
};

/* Confirmed as required: imaging always; theatre and an aspirate within the limit with the tip in the stomach only. */
static enum position judge_position(const struct care_device *device, const struct care_position *position,
                                    int64_t ph_limit) {
    bool given = care_fact_is(&position->fact);
    if (given && position->method == PROTO_method_imaging)
        return POSITION_CONFIRMED;
    if (device->tip == PROTO_tip_jejunum)
        return POSITION_JEJUNAL;
    if (!given)
        return POSITION_NONE;
    switch (position->method) {
    case PROTO_method_theatre:
        return POSITION_CONFIRMED;
    case PROTO_method_aspirate_ph:
        if (position->ph == 0)
            return POSITION_PH_MISSING;
        return position->ph <= ph_limit ? POSITION_CONFIRMED : POSITION_PH_HIGH;
    default:
        return POSITION_OTHER;
    }
}

/* What confirms the last word; NULL: nothing. In the stomach a newer word counts; an aspirate says nothing about a tip in the jejunum. */
static const struct care_fact *confirmed_by(const struct care_device *device, const struct care_position *position,
                                            int64_t ph_limit) {
    if (judge_position(device, position, ph_limit) == POSITION_CONFIRMED)
        return &position->fact;
    return device->tip == PROTO_tip_jejunum && care_fact_is(&device->imaging) ? &device->imaging : NULL;
}

bool care_position_confirmed(const struct care_device *device, const struct care_position *position, int64_t ph_limit) {
    return confirmed_by(device, position, ph_limit) != NULL;
}

static const struct {
    enum care_found found;
    enum care_next next; /* placed at home, school or clinic */
} position_words[] = {
    [POSITION_NONE] = {CARE_FOUND_POSITION_UNSURE_NONE, CARE_NEXT_POSITION_UNSURE_CONFIRM},
    [POSITION_PH_HIGH] = {CARE_FOUND_POSITION_UNSURE_PH_HIGH, CARE_NEXT_POSITION_UNSURE_PH_AGAIN},
    [POSITION_PH_MISSING] = {CARE_FOUND_POSITION_UNSURE_PH_MISSING, CARE_NEXT_POSITION_UNSURE_CONFIRM},
    [POSITION_JEJUNAL] = {CARE_FOUND_POSITION_UNSURE_JEJUNAL, CARE_NEXT_POSITION_UNSURE_IMAGING},
    [POSITION_OTHER] = {CARE_FOUND_POSITION_UNSURE_OTHER, CARE_NEXT_POSITION_UNSURE_CONFIRM},
};

static void plan_position(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    const struct care_device *device = &s->device;
    if (!care_fact_is(&device->seated))
        return;
    int64_t limit = care_facts_value(facts, PROTO_POLICY_PH_LIMIT, stoma, care_facts_day(facts, device->seated.at));
    enum position first = judge_position(device, &device->seated_position, limit);
    const struct care_fact *confirmed = confirmed_by(device, &device->position, limit);
    enum position shown = confirmed ? first : judge_position(device, &device->position, limit);
    if (shown == POSITION_CONFIRMED)
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_POSITION_UNSURE, stoma, &device->seated, position_words[shown].found);
    draft.alert.args[0] = device->position.ph;
    draft.alert.args[1] = limit;
    bool late = device->seated_written_at - device->seated.at >
                care_facts_span_at_ms(facts, PROTO_POLICY_LEARNT_LATE_HOURS, stoma, device->seated.at);
    bool away = placed_outside_hospital(device->seated_place);
    enum care_next next = late ? CARE_NEXT_POSITION_UNSURE_LATE : position_words[shown].next;
    if (!away)
        next = late ? CARE_NEXT_POSITION_UNSURE_LATE_HOSPITAL : CARE_NEXT_POSITION_UNSURE_ASK_HOSPITAL;
    care_draft_step(&draft, device->seated.at, away ? PROTO_URGENCY_NOW : PROTO_URGENCY_TODAY, next);
    if (confirmed) {
        care_alert_end(facts, schedule, &draft, confirmed);
        return;
    }
    care_draft_evidence(&draft, &device->position.fact);
    care_alert_open_device(facts, schedule, &draft);
}

/* --- against the rule -------------------------------------------------------------------------------- */

/* Why the device should not have been placed outside hospital: by what was in the stoma before, what was put in, the child's plan and the age
 * of the stoma then. CARE_REASON_COUNT: no reason. */
static enum care_reason against_reason(const struct care_stoma_facts *sf) {
    const struct care_device *device = &sf->stoma->device;
    const struct care_before *before = &device->before;
    if (before->plan_home_change == 1)
        return CARE_REASON_PLAN_SAYS_NO;
    if (before->keep_open)
        return CARE_REASON_KEEP_OPEN;
    if (device->tip == PROTO_tip_jejunum || (before->had_device && before->tip == PROTO_tip_jejunum))
        return CARE_REASON_JEJUNAL;
    if (sf->formed_day == INT32_MIN && sf->mature_day == INT32_MAX)
        return CARE_REASON_AGE_UNKNOWN;
    if (device->seated.at < sf->mature_at)
        return CARE_REASON_YOUNG;
    if (before->had_device ? before->why == PROTO_placed_why_first || before->first_in_stoma
                           : device->why == PROTO_placed_why_first || device->first_in_stoma)
        return CARE_REASON_FIRST_DEVICE;
    bool balloon = device->retention == PROTO_retention_balloon;
    if (before->had_device)
        balloon = balloon && before->retention == PROTO_retention_balloon;
    return balloon ? CARE_REASON_COUNT : CARE_REASON_NO_BALLOON;
}

static enum care_found against_found(enum care_reason reason) {
    switch (reason) {
    case CARE_REASON_AGE_UNKNOWN:
        return CARE_FOUND_PLACED_AGAINST_RULE_AGE;
    case CARE_REASON_FIRST_DEVICE:
        return CARE_FOUND_PLACED_AGAINST_RULE_FIRST;
    case CARE_REASON_JEJUNAL:
        return CARE_FOUND_PLACED_AGAINST_RULE_JEJUNAL;
    case CARE_REASON_NO_BALLOON:
        return CARE_FOUND_PLACED_AGAINST_RULE_NO_BALLOON;
    case CARE_REASON_PLAN_SAYS_NO:
        return CARE_FOUND_PLACED_AGAINST_RULE_PLAN;
    case CARE_REASON_KEEP_OPEN:
        return CARE_FOUND_PLACED_AGAINST_RULE_AFTER_KEEP_OPEN;
    default:
        return CARE_FOUND_PLACED_AGAINST_RULE_YOUNG;
    }
}

bool care_placed_against_rule(const struct care_stoma_facts *sf) {
    return placed_outside_hospital(sf->stoma->device.seated_place) && against_reason(sf) != CARE_REASON_COUNT;
}

static void plan_against_rule(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    const struct care_device *device = &sf->stoma->device;
    if (!care_fact_is(&device->seated) || !placed_outside_hospital(device->seated_place))
        return;
    enum care_reason reason = against_reason(sf);
    if (reason == CARE_REASON_COUNT)
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_PLACED_AGAINST_RULE, stoma, &device->seated, against_found(reason));
    care_draft_step(&draft, device->seated.at, PROTO_URGENCY_NOW, CARE_NEXT_PLACED_AGAINST_RULE_STOP);
    const struct care_fact *imaging = imaging_since(device, device->seated.at), *contact = &sf->stoma->against_contact;
    if (device->seated_position.method == PROTO_method_imaging)
        return; /* imaging was part of the placement: nothing was ever open */
    if (care_fact_is(contact) && (!imaging || contact->at < imaging->at))
        care_alert_end(facts, schedule, &draft, contact);
    else if (imaging)
        care_alert_end(facts, schedule, &draft, imaging);
    else
        care_alert_open_device(facts, schedule, &draft);
}

/* A catheter that only keeps the stoma open, placed outside hospital: right where the child's plan asks for it. */
static void plan_keep_open_against_rule(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (s->device_state != CARE_DEVICE_KEEP_OPEN || !care_fact_is(&s->keep_open) ||
        !placed_outside_hospital(s->keep_open_place))
        return;
    uint16_t before = care_facts_home_change(facts, stoma, s->keep_open.at) & (uint16_t) ~(1u << CARE_REASON_KEEP_OPEN);
    if (care_state_emergency(facts->state, stoma).keep_open == 2 || before == 0)
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_PLACED_AGAINST_RULE, stoma, &s->keep_open,
                    CARE_FOUND_PLACED_AGAINST_RULE_KEEP_OPEN);
    care_draft_step(&draft, s->keep_open.at, PROTO_URGENCY_NOW, CARE_NEXT_PLACED_AGAINST_RULE_STOP);
    const struct care_fact *contact = &s->against_contact;
    if (care_fact_is(contact) && contact->at >= s->keep_open.at)
        care_alert_end(facts, schedule, &draft, contact);
    else
        care_alert_open(facts, schedule, &draft);
}

/* --- turned in the jejunum ----------------------------------------------------------------------------- */

static void plan_rotated_jejunal(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->rotated_jejunal))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_ROTATED_JEJUNAL, stoma, &s->rotated_jejunal, CARE_FOUND_ROTATED_JEJUNAL_TURNED);
    care_draft_step(&draft, s->rotated_jejunal.at, PROTO_URGENCY_TODAY, CARE_NEXT_ROTATED_JEJUNAL_CALL);
    const struct care_fact *imaging = imaging_since(&s->device, s->rotated_jejunal.at);
    if (care_fact_is(&s->rotated_jejunal_settled))
        care_alert_end(facts, schedule, &draft, &s->rotated_jejunal_settled);
    else if (imaging)
        care_alert_end(facts, schedule, &draft, imaging);
    else
        care_alert_open_device(facts, schedule, &draft);
}

void care_alerts_position(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    plan_displaced(facts, stoma, schedule);
    plan_position(facts, stoma, schedule);
    plan_against_rule(facts, stoma, schedule);
    plan_keep_open_against_rule(facts, stoma, schedule);
    plan_rotated_jejunal(facts, stoma, schedule);
}
