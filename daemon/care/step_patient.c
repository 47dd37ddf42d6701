/*
 * step_patient.c - the child's record, stays, visits, feed and weight: events into facts.
 *
 * What always holds: each field of the record stands on its own; the latest that says it wins.
 */
#include "care/step.h"

static void set_text(char *out, size_t cap, const struct proto_value *value) {
    if (value->present)
        care_text_copy(out, cap, value->text);
}

static void set_flag(uint8_t *out, const struct proto_value *value) {
    if (value->present)
        *out = care_said_bool(value);
}

static void set_zone(struct care_state *state, const struct proto_value *value, int64_t at) {
    if (!value->present)
        return;
    set_text(state->profile.zone, sizeof state->profile.zone, value);
    uint32_t count = state->zone_count;
    if (count > 0 && care_text_is(state->zones[count - 1].name, sizeof state->zones[0].name, value->text))
        return;
    if (count == PROTO_ZONES_KEPT) { /* the next oldest then stands for all before */
        memmove(&state->zones[0], &state->zones[1], sizeof state->zones[0] * (PROTO_ZONES_KEPT - 1));
        count--;
    }
    memset(&state->zones[count], 0, sizeof state->zones[count]);
    state->zones[count].from = at;
    care_text_copy(state->zones[count].name, sizeof state->zones[count].name, value->text);
    state->zone_count = count + 1;
}

static uint32_t bounded(const struct proto_value *value, uint32_t most, bool *overflow) {
    if (value->n > (int64_t)most) {
        *overflow = true;
        return most;
    }
    return value->n < 0 ? 0 : (uint32_t)value->n;
}

static void set_identifiers(struct care_state *state, const struct proto_value *value) {
    if (!value->present)
        return;
    struct care_profile *profile = &state->profile;
    memset(profile->identifiers, 0, sizeof profile->identifiers);
    profile->identifier_count = bounded(value, PROTO_IDENTIFIERS_MAX, &state->overflow);
    for (uint32_t i = 0; i < profile->identifier_count; i++) {
        struct proto_record record = proto_list_record(value, i);
        care_text_copy(profile->identifiers[i].system, sizeof profile->identifiers[i].system, record.a);
        care_text_copy(profile->identifiers[i].value, sizeof profile->identifiers[i].value, record.b);
    }
}

static void set_contacts(struct care_state *state, const struct proto_value *value) {
    if (!value->present)
        return;
    struct care_profile *profile = &state->profile;
    memset(profile->contacts, 0, sizeof profile->contacts);
    profile->contact_count = bounded(value, PROTO_PHONES_MAX, &state->overflow);
    for (uint32_t i = 0; i < profile->contact_count; i++) {
        struct proto_record record = proto_list_record(value, i);
        care_text_copy(profile->contacts[i].role, sizeof profile->contacts[i].role, record.a);
        care_text_copy(profile->contacts[i].name, sizeof profile->contacts[i].name, record.b);
        care_text_copy(profile->contacts[i].phone, sizeof profile->contacts[i].phone, record.c);
    }
}

static void set_uses(struct care_state *state, const struct proto_value *value) {
    if (!value->present)
        return;
    struct care_profile *profile = &state->profile;
    memset(profile->uses, 0, sizeof profile->uses);
    profile->use_count = bounded(value, PROTO_USES_MAX, &state->overflow);
    for (uint32_t i = 0; i < profile->use_count; i++) {
        struct proto_record record = proto_list_record(value, i);
        care_text_copy(profile->uses[i].item, sizeof profile->uses[i].item, record.a);
        int64_t most = 100000000;
        profile->uses[i].per_day = (int32_t)(record.n < 0 ? 0 : record.n > most ? most : record.n);
    }
}

/* The fields that registration and revision share. */
#define SET_COMMON(kind)                                                                                               \
    do {                                                                                                               \
        set_text(profile->label, sizeof profile->label, PROTO_BODY(event, kind, label));                               \
        if (PROTO_BODY(event, kind, born)->present)                                                                    \
            state->born_day = (int32_t)PROTO_BODY(event, kind, born)->n;                                               \
        set_zone(state, PROTO_BODY(event, kind, zone), event->at);                                                     \
        set_identifiers(state, PROTO_BODY(event, kind, identifiers));                                                  \
        set_flag(&state->active, PROTO_BODY(event, kind, active));                                                     \
        if (PROTO_BODY(event, kind, feeding)->present)                                                                 \
            state->feeding = care_said_choice(PROTO_BODY(event, kind, feeding));                                       \
        if (PROTO_BODY(event, kind, hours_without_feed_max)->present)                                                  \
            state->hours_without_feed_max = (int32_t)PROTO_BODY(event, kind, hours_without_feed_max)->n;               \
        set_text(profile->critical_medicines, sizeof profile->critical_medicines,                                      \
                 PROTO_BODY(event, kind, critical_medicines));                                                         \
        set_flag(&state->latex_allergy, PROTO_BODY(event, kind, latex_allergy));                                       \
        set_flag(&state->anticoagulant, PROTO_BODY(event, kind, anticoagulant));                                       \
        set_flag(&state->immunosuppressed, PROTO_BODY(event, kind, immunosuppressed));                                 \
        set_text(profile->named_nurse, sizeof profile->named_nurse, PROTO_BODY(event, kind, named_nurse));             \
        set_text(profile->address, sizeof profile->address, PROTO_BODY(event, kind, address));                         \
        set_text(profile->access, sizeof profile->access, PROTO_BODY(event, kind, access));                            \
        set_contacts(state, PROTO_BODY(event, kind, contacts));                                                        \
        set_uses(state, PROTO_BODY(event, kind, use));                                                                 \
    } while (0)

static struct care_member *find_member(struct care_state *state, const struct proto_id *id) {
    for (uint32_t i = 1; i < state->member_count; i++) {
        if (proto_id_compare(&state->members[i].id, id) == 0)
            return &state->members[i];
    }
    return &state->members[0];
}

/* Another record of the same child: from here on each record keeps its own label and date of birth. */
static void add_member(struct care_state *state, const struct proto_id *id) {
    if (state->member_count == 0) {
        memcpy(state->members[0].label, state->profile.label, sizeof state->members[0].label);
        state->members[0].born_day = state->born_day;
        state->member_count = 1;
    }
    if (find_member(state, id) != &state->members[0])
        return;
    if (state->member_count == CARE_MEMBERS_KEPT) {
        state->overflow = true;
        return;
    }
    state->members[state->member_count++].id = *id;
}

/* Once merged, the child bears the label of the record that it was merged into last. */
static void show_member(struct care_state *state) {
    if (state->member_count == 0 || !care_fact_is(&state->merged))
        return;
    const struct care_member *shown = find_member(state, &state->merged_into);
    memcpy(state->profile.label, shown->label, sizeof state->profile.label);
    state->born_day = shown->born_day;
}

static void set_member(struct care_state *state, const struct proto_event *event, const struct proto_value *label,
                       const struct proto_value *born) {
    if (state->member_count == 0)
        return;
    struct care_member *member = find_member(state, &event->patient);
    set_text(member->label, sizeof member->label, label);
    if (born->present)
        member->born_day = (int32_t)born->n;
    show_member(state);
}

void care_step_registered(struct care_state *state, const struct proto_event *event) {
    struct care_profile *profile = &state->profile;
    if (care_fact_is(&state->registered))
        add_member(state, &event->patient);
    else
        state->registered = care_step_fact(event);
    SET_COMMON(patient_registered);
    set_text(profile->team, sizeof profile->team, PROTO_BODY(event, patient_registered, team));
    set_member(state, event, PROTO_BODY(event, patient_registered, label), PROTO_BODY(event, patient_registered, born));
}

void care_step_revised(struct care_state *state, const struct proto_event *event) {
    struct care_profile *profile = &state->profile;
    SET_COMMON(patient_revised);
    set_member(state, event, PROTO_BODY(event, patient_revised, label), PROTO_BODY(event, patient_revised, born));
}

void care_step_moved(struct care_state *state, const struct proto_event *event) {
    state->moved = care_step_fact(event);
    set_text(state->profile.team, sizeof state->profile.team, PROTO_BODY(event, patient_moved, team));
}

void care_step_closed(struct care_state *state, const struct proto_event *event) {
    state->closed = care_step_fact(event);
    state->closed_reason = care_said_choice(PROTO_BODY(event, patient_closed, reason));
}

void care_step_reopened(struct care_state *state, const struct proto_event *event) {
    state->closed = CARE_NEVER;
    state->closed_reason = 0;
    state->reopened = care_step_fact(event);
}

void care_step_merged(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *into = PROTO_BODY(event, patient_merged, into);
    if (!into->present)
        return;
    state->merged = care_step_fact(event);
    state->merged_into = into->id;
    show_member(state);
}

static bool stay_under_way(const struct care_stay *stay) {
    return care_fact_is(&stay->started) && !care_fact_is(&stay->ended);
}

void care_step_stay_started(struct care_state *state, const struct proto_event *event) {
    uint8_t where = care_said_choice(PROTO_BODY(event, stay_started, where));
    struct care_stay *stay = where == PROTO_stay_where_hospital ? &state->stay : &state->away;
    if (!stay_under_way(stay)) { /* said again of a stay under way, it goes on */
        memset(stay, 0, sizeof *stay);
        stay->started = care_step_fact(event);
    }
    stay->where = where;
    const struct proto_value *back = PROTO_BODY(event, stay_started, expected_back);
    if (back->present)
        stay->expected_back_day = (int32_t)back->n;
    set_text(stay->name, sizeof stay->name, PROTO_BODY(event, stay_started, name));
}

void care_step_stay_ended(struct care_state *state, const struct proto_event *event) {
    uint8_t where = care_said_choice(PROTO_BODY(event, stay_ended, where));
    bool hospital = where == PROTO_stay_where_hospital;
    const struct care_stay *said = hospital ? &state->stay : &state->away;
    if (where == 0 ||
        !stay_under_way(said)) /* not said, or a slip of the list: the one that is under way, hospital first */
        hospital = stay_under_way(&state->stay) || (!stay_under_way(&state->away) && (where == 0 || hospital));
    struct care_stay *stay = hospital ? &state->stay : &state->away;
    if (!stay_under_way(stay)) { /* its beginning was never recorded */
        memset(stay, 0, sizeof *stay);
        stay->where = hospital ? PROTO_stay_where_hospital : where;
    }
    stay->ended = care_step_fact(event);
    set_text(stay->name, sizeof stay->name, PROTO_BODY(event, stay_ended, name));
    if (hospital) { /* the checks after this stay are occurrences of their own: what an earlier one was put off to is over */
        care_step_completed(state, PROTO_TASK_FIRST_VISIT, 0, "");
        care_step_completed(state, PROTO_TASK_RETURN_CHECK, 0, "");
    }
}

void care_step_visit_planned(struct care_state *state, const struct proto_event *event) {
    state->visit_planned = care_step_fact(event);
    state->visit_planned_day = (int32_t)care_said(PROTO_BODY(event, visit_planned, on), 0);
}

void care_step_visit_missed(struct care_state *state, const struct proto_event *event) {
    if (state->missed_visits == 0)
        state->missed_first = care_step_fact(event);
    state->missed_last = care_step_fact(event);
    if (state->missed_visits < UINT8_MAX)
        state->missed_visits++;
}

void care_step_feed(struct care_state *state, const struct proto_event *event) {
    state->feed = care_step_fact(event);
    state->feed_mode = care_said_choice(PROTO_BODY(event, feed_prescribed, mode));
    state->feed_ml_day = (int32_t)care_said(PROTO_BODY(event, feed_prescribed, ml_day), 0);
    state->feed_flush_ml = (int32_t)care_said(PROTO_BODY(event, feed_prescribed, flush_ml), 0);
}

void care_step_weight(struct care_state *state, const struct proto_event *event) {
    const struct proto_value *weight = PROTO_BODY(event, weight_measured, weight_kg);
    if (!weight->present)
        return;
    state->weight_before = state->weight;
    state->weight_before_kg = state->weight_kg;
    state->weight = care_step_fact(event);
    state->weight_kg = (int32_t)weight->n;
    care_step_completed(state, PROTO_TASK_WEIGHT, 0, "");
}
