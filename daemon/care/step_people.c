/*
 * step_people.c - calls, carers, plans for an emergency, appointments, spares and supplies: events into facts.
 *
 * What always holds: lists of named things keep the first that came and mark an
 * overflow; a thing named again is the same row.
 */
#include "care/step.h"

void care_step_finding(struct care_state *state, const struct proto_event *event) {
    uint8_t alert = care_said_choice(PROTO_BODY(event, finding_accepted, alert));
    uint8_t stoma = (uint8_t)proto_event_stoma(event);
    uint32_t i = 0;
    while (i < state->finding_count && (state->findings[i].alert != alert || state->findings[i].stoma != stoma))
        i++;
    if (alert == 0 || i == PROTO_FINDINGS_MAX) {
        state->overflow = state->overflow || i == PROTO_FINDINGS_MAX;
        return;
    }
    if (i == state->finding_count)
        state->finding_count++;
    struct care_finding *finding = &state->findings[i];
    finding->alert = alert;
    finding->stoma = stoma;
    finding->fact = care_step_fact(event);
    finding->until_day = (int32_t)care_said(PROTO_BODY(event, finding_accepted, until), 0);
    care_text_copy(finding->plan, sizeof finding->plan, PROTO_BODY(event, finding_accepted, plan)->text);
}

/* The first answer that lets an alert settle is kept by itself: the list of contacts forgets. */
static void note_answer(struct care_state *state, const struct care_contact *contact) {
    bool early = contact->about & (1ull << (PROTO_ALERT_EARLY_COMPLICATION - 1)) &&
                 proto_alert_answered_by(PROTO_ALERT_EARLY_COMPLICATION, PROTO_URGENCY_NOW, contact->to);
    bool against = contact->about & (1ull << (PROTO_ALERT_PLACED_AGAINST_RULE - 1)) &&
                   (contact->to == PROTO_contact_to_surgeon || contact->to == PROTO_contact_to_gastroenterologist);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        struct care_stoma *stoma = &state->stomas[i];
        if (!stoma->touched)
            continue;
        if (early && !care_fact_is(&stoma->early_contact))
            stoma->early_contact = contact->fact;
        if (against && !care_fact_is(&stoma->against_contact))
            stoma->against_contact = contact->fact;
    }
}

void care_step_contact(struct care_state *state, const struct proto_event *event) {
    care_step_make_room_for_contact(state);
    struct care_contact *contact = &state->contacts[state->contact_count++];
    memset(contact, 0, sizeof *contact);
    contact->fact = care_step_fact(event);
    contact->to = care_said_choice(PROTO_BODY(event, contact_made, to));
    contact->outcome = care_said_choice(PROTO_BODY(event, contact_made, outcome));
    const struct proto_value *about = PROTO_BODY(event, contact_made, about);
    contact->about = about->present ? about->set : 0;
    contact->recheck_by = care_said(PROTO_BODY(event, contact_made, recheck_by), 0);
    if (contact->outcome == PROTO_outcome_answered)
        note_answer(state, contact);
}

void care_step_appointment(struct care_state *state, const struct proto_event *event) {
    uint8_t what = care_said_choice(PROTO_BODY(event, appointment_booked, for));
    uint8_t stoma = (uint8_t)proto_event_stoma(event);
    uint32_t i = 0;
    while (i < state->appointment_count &&
           (state->appointments[i].what != what || state->appointments[i].stoma != stoma))
        i++;
    if (i == PROTO_APPOINTMENTS_MAX) {
        state->overflow = true;
        return;
    }
    if (i == state->appointment_count)
        state->appointment_count++;
    state->appointments[i].what = what;
    state->appointments[i].stoma = stoma;
    state->appointments[i].fact = care_step_fact(event);
    state->appointments[i].on_day = (int32_t)care_said(PROTO_BODY(event, appointment_booked, on), 0);
}

static struct care_carer *find_carer(struct care_state *state, struct proto_slice name, bool make) {
    for (uint32_t i = 0; i < state->carer_count; i++) {
        if (care_text_is(state->carers[i].name, sizeof state->carers[i].name, name))
            return &state->carers[i];
    }
    if (!make)
        return NULL;
    uint32_t i = 0;
    if (state->carer_count < PROTO_CARERS_MAX) {
        i = state->carer_count++;
    } else { /* the place of one who has left */
        while (i < PROTO_CARERS_MAX && !state->carers[i].left)
            i++;
        if (i == PROTO_CARERS_MAX) {
            state->overflow = true;
            return NULL;
        }
    }
    memset(&state->carers[i], 0, sizeof state->carers[i]);
    care_text_copy(state->carers[i].name, sizeof state->carers[i].name, name);
    return &state->carers[i];
}

void care_step_trained(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, carer_trained, carer);
    const struct proto_value *skill = PROTO_BODY(event, carer_trained, skill);
    if (!name->present || !skill->present || skill->n < 1 || skill->n >= PROTO_skill_count)
        return;
    struct care_carer *carer = find_carer(state, name->text, true);
    if (!carer)
        return;
    carer->left = false;
    carer->left_fact = CARE_NEVER;
    carer->skills[skill->n].before = carer->skills[skill->n].fact;
    carer->skills[skill->n].before_level = carer->skills[skill->n].level;
    carer->skills[skill->n].before_until = carer->skills[skill->n].until_day;
    carer->skills[skill->n].fact = care_step_fact(event);
    carer->skills[skill->n].level = care_said_choice(PROTO_BODY(event, carer_trained, level));
    carer->skills[skill->n].until_day = (int32_t)care_said(PROTO_BODY(event, carer_trained, until), 0);
    care_step_completed(state, PROTO_TASK_TRAINING, 0, "");
}

void care_step_left(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *name = PROTO_BODY(event, carer_left, carer);
    struct care_carer *carer = name->present ? find_carer(state, name->text, false) : NULL;
    if (!carer)
        return;
    carer->left = true;
    carer->left_fact = care_step_fact(event);
}

static void keep_second_plan(struct care_state *state, const struct proto_event *event) {
    struct care_profile *profile = &state->profile;
    const struct proto_value *spares = PROTO_BODY(event, emergency_plan_set, spares);
    state->second_plan =
        (struct care_emergency){.fact = care_step_fact(event),
                                .keep_open = care_said_bool(PROTO_BODY(event, emergency_plan_set, keep_open)),
                                .home_change = care_said_bool(PROTO_BODY(event, emergency_plan_set, home_change)),
                                .spares = spares->present ? (uint8_t)spares->set : 0,
                                .review_day = (int32_t)care_said(PROTO_BODY(event, emergency_plan_set, review_by), 0)};
    care_text_copy(profile->second_plan.steps, sizeof profile->second_plan.steps,
                   PROTO_BODY(event, emergency_plan_set, steps)->text);
    care_text_copy(profile->second_plan.when, sizeof profile->second_plan.when,
                   PROTO_BODY(event, emergency_plan_set, when)->text);
    care_text_copy(profile->second_plan.hospital, sizeof profile->second_plan.hospital,
                   PROTO_BODY(event, emergency_plan_set, hospital)->text);
    care_text_copy(profile->second_plan.phone, sizeof profile->second_plan.phone,
                   PROTO_BODY(event, emergency_plan_set, phone)->text);
    care_text_copy(profile->second_plan.prescriber, sizeof profile->second_plan.prescriber,
                   PROTO_BODY(event, emergency_plan_set, prescriber)->text);
}

void care_step_plan(struct care_state *state, const struct proto_event *event) {
    struct care_profile *profile = &state->profile;
    if (proto_event_stoma(event) == PROTO_stoma_second) {
        keep_second_plan(state, event);
        return;
    }
    state->plan = care_step_fact(event);
    state->plan_stoma = (uint8_t)proto_event_stoma(event);
    state->plan_keep_open = care_said_bool(PROTO_BODY(event, emergency_plan_set, keep_open));
    state->plan_home_change = care_said_bool(PROTO_BODY(event, emergency_plan_set, home_change));
    const struct proto_value *spares = PROTO_BODY(event, emergency_plan_set, spares);
    state->plan_spares = spares->present ? (uint8_t)spares->set : 0;
    state->plan_review_day = (int32_t)care_said(PROTO_BODY(event, emergency_plan_set, review_by), 0);
    care_text_copy(profile->plan_steps, sizeof profile->plan_steps, PROTO_BODY(event, emergency_plan_set, steps)->text);
    care_text_copy(profile->plan_when, sizeof profile->plan_when, PROTO_BODY(event, emergency_plan_set, when)->text);
    care_text_copy(profile->plan_hospital, sizeof profile->plan_hospital,
                   PROTO_BODY(event, emergency_plan_set, hospital)->text);
    care_text_copy(profile->plan_phone, sizeof profile->plan_phone, PROTO_BODY(event, emergency_plan_set, phone)->text);
    care_text_copy(profile->plan_prescriber, sizeof profile->plan_prescriber,
                   PROTO_BODY(event, emergency_plan_set, prescriber)->text);
}

void care_step_spare(struct care_state *state, const struct proto_event *event) {
    uint8_t place = care_said_choice(PROTO_BODY(event, spare_counted, place));
    uint8_t what = care_said_choice(PROTO_BODY(event, spare_counted, what));
    uint8_t stoma = (uint8_t)proto_event_stoma(event);
    uint32_t i = 0;
    while (i < state->spare_count &&
           (state->spares[i].place != place || state->spares[i].what != what || state->spares[i].stoma != stoma))
        i++;
    if (i == PROTO_SPARES_MAX) {
        state->overflow = true;
        return;
    }
    if (i == state->spare_count)
        state->spare_count++;
    struct care_spare *spare = &state->spares[i];
    const struct care_spare_before before = {spare->fact,      spare->retention, spare->profile,    spare->french_fr,
                                             spare->length_mm, spare->count,     spare->expires_day};
    memset(spare, 0, sizeof *spare);
    spare->before = before;
    spare->fact = care_step_fact(event);
    spare->place = place;
    spare->what = what;
    spare->stoma = stoma;
    spare->retention = care_said_choice(PROTO_BODY(event, spare_counted, retention));
    spare->profile = care_said_choice(PROTO_BODY(event, spare_counted, profile));
    spare->french_fr = (int32_t)care_said(PROTO_BODY(event, spare_counted, french_fr), 0);
    spare->length_mm = (int32_t)care_said(PROTO_BODY(event, spare_counted, length_mm), 0);
    spare->count = (int32_t)care_said(PROTO_BODY(event, spare_counted, count), 0);
    spare->expires_day = (int32_t)care_said(PROTO_BODY(event, spare_counted, expires), 0);
    care_text_copy(spare->lot, sizeof spare->lot, PROTO_BODY(event, spare_counted, lot)->text);
    care_step_completed(state, PROTO_TASK_SPARE_CHECK, stoma, "");
}

static struct care_supply *find_supply(struct care_state *state, const struct proto_value *item) {
    if (!item->present)
        return NULL;
    for (uint32_t i = 0; i < state->supply_count; i++) {
        if (care_text_is(state->supplies[i].item, sizeof state->supplies[i].item, item->text))
            return &state->supplies[i];
    }
    if (state->supply_count == PROTO_SUPPLIES_MAX) {
        state->overflow = true;
        return NULL;
    }
    struct care_supply *supply = &state->supplies[state->supply_count++];
    memset(supply, 0, sizeof *supply);
    care_text_copy(supply->item, sizeof supply->item, item->text);
    return supply;
}

void care_step_supply_counted(struct care_state *state, const struct proto_event *event) {
    struct care_supply *supply = find_supply(state, PROTO_BODY(event, supply_counted, item));
    if (!supply)
        return;
    supply->counted_before = supply->counted;
    supply->count_before = supply->count;
    supply->counted = care_step_fact(event);
    supply->count = (int32_t)care_said(PROTO_BODY(event, supply_counted, count), 0);
}

void care_step_supply_ordered(struct care_state *state, const struct proto_event *event) {
    struct care_supply *supply = find_supply(state, PROTO_BODY(event, supply_ordered, item));
    if (!supply)
        return;
    supply->ordered = care_step_fact(event);
    supply->ordered_count = (int32_t)care_said(PROTO_BODY(event, supply_ordered, count), 0);
    supply->expected_day = (int32_t)care_said(PROTO_BODY(event, supply_ordered, expected), 0);
}
