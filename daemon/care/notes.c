/*
 * notes.c - like events, alerts that stand although somebody was called about them, weights that are hard to believe.
 */
#include "care/notes.h"

#include "care/text.h"

#include "proto/ids.h"

#include <assert.h>
#include <string.h>

/* --- like events ----------------------------------------------------------------------------------- */

/* What an event of the kind is about. Kinds that are not here are like every other of their kind and stoma. */
static const struct {
    uint8_t kind, field;
} named[] = {
#define NAMED(kind, field)                                                                                             \
    { PROTO_KIND_##kind, PROTO_FIELD_##kind##_##field }
    NAMED(patient_moved, team),
    NAMED(patient_merged, into),
    NAMED(stay_started, where),
    NAMED(position_confirmed, method),
    NAMED(tube_blocked, port),
    NAMED(tube_blocked, cleared),
    NAMED(finding_accepted, alert),
    NAMED(care_done, items),
    NAMED(contact_made, to),
    NAMED(contact_made, about),
    NAMED(contact_made, outcome),
    NAMED(visit_planned, on),
    NAMED(appointment_booked, for),
    NAMED(appointment_booked, on),
    NAMED(carer_trained, carer),
    NAMED(carer_trained, skill),
    NAMED(carer_left, carer),
    NAMED(spare_counted, place),
    NAMED(spare_counted, what),
    NAMED(supply_counted, item),
    NAMED(supply_ordered, item),
    NAMED(plan_set, task),
    NAMED(plan_set, policy),
    NAMED(task_added, task),
    NAMED(task_done, task),
    NAMED(task_deferred, task),
    NAMED(task_given, task),
    NAMED(note_written, text),
    NAMED(event_withdrawn, event),
    NAMED(withdrawal_confirmed, withdrawal),
#undef NAMED
};

/* Two lists are not compared entry by entry: they pass for different ones. */
static bool says_same(const struct proto_value *a, const struct proto_value *b) {
    switch ((enum proto_type)a->type) {
    case PROTO_TYPE_BOOL:
    case PROTO_TYPE_INT:
    case PROTO_TYPE_AMOUNT:
    case PROTO_TYPE_DATE:
    case PROTO_TYPE_TIME:
    case PROTO_TYPE_CHOICE:
        return a->n == b->n;
    case PROTO_TYPE_CHOICES:
        return a->set == b->set;
    case PROTO_TYPE_TEXT:
        return proto_slice_same(a->text, b->text);
    case PROTO_TYPE_ID:
        return proto_id_compare(&a->id, &b->id) == 0;
    default:
        return false;
    }
}

/* One thing is named by both; of a set one that both hold is enough, and a set that is not said may be any. */
static bool names_same(const struct proto_value *a, const struct proto_value *b) {
    if (!a->present || !b->present)
        return a->present == b->present || a->type == PROTO_TYPE_CHOICES || b->type == PROTO_TYPE_CHOICES;
    return a->type == PROTO_TYPE_CHOICES ? (a->set & b->set) != 0 : says_same(a, b);
}

/* Fields that both say: how many alike, how many otherwise. */
static void compare_bodies(const struct proto_event *a, const struct proto_event *b, uint32_t *same, uint32_t *other) {
    const struct proto_kind_info *kind = proto_kind_get(a->kind);
    *same = *other = 0;
    for (uint32_t f = 0; f < kind->field_count; f++) {
        if (!a->body[f].present || !b->body[f].present)
            continue;
        if (says_same(&a->body[f], &b->body[f]))
            ++*same;
        else
            ++*other;
    }
}

bool care_events_alike(const struct proto_event *a, const struct proto_event *b) {
    assert(a->kind == b->kind);
    if (a->kind == PROTO_KIND_UNKNOWN)
        return false;
    uint32_t same = 0, other = 0;
    if (a->kind == PROTO_KIND_site_checked || a->kind == PROTO_KIND_patient_revised) {
        compare_bodies(a, b, &same, &other);
        return other == 0 && (same > 0 || a->kind == PROTO_KIND_site_checked);
    }
    for (size_t i = 0; i < sizeof named / sizeof named[0]; i++)
        if (named[i].kind == a->kind && !names_same(&a->body[named[i].field], &b->body[named[i].field]))
            return false;
    return true;
}

/* --- alerts that stand ------------------------------------------------------------------------------ */

/* An open alert of that name which nobody's answer covers at the moment; its step into *step. */
static const struct care_alert *find_standing(const struct care_schedule *schedule, enum proto_alert name, int64_t now,
                                              const struct care_alert_step **step) {
    struct care_view view;
    care_view(schedule, now, &view);
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        const struct care_alert *alert = &schedule->alerts[i];
        if (alert->alert != name || !view.alert_step[i])
            continue;
        *step = &alert->steps[view.alert_step[i] - 1];
        if (!(*step)->answered)
            return alert;
    }
    return NULL;
}

static void add_answerers(struct care_text *text, enum proto_alert name, enum proto_urgency urgency) {
    bool first = true;
    for (int to = PROTO_contact_to_not_said + 1; to < PROTO_contact_to_count; to++) {
        if (!proto_alert_answered_by(name, urgency, to))
            continue;
        care_text_add(text, first ? "" : ", ");
        care_text_add(text, proto_choice_name("contact_to", (uint32_t)to));
        first = false;
    }
}

static bool note_standing(const struct care_schedule *schedule, const struct proto_event *event, enum proto_alert name,
                          int64_t now, struct care_note *out) {
    const struct care_alert_step *step = NULL;
    struct care_text text;
    int to = (int)PROTO_BODY(event, contact_made, to)->n;
    if (!find_standing(schedule, name, now, &step))
        return false;
    out->field = "about";
    care_text_init(&text, out->message, sizeof out->message);
    care_text_add(&text, proto_alert_name(name));
    care_text_add(&text, " still stands: ");
    if (name == PROTO_ALERT_CALL_AGAIN) {
        care_text_add(&text, "it ends when the alert that the call was about is answered; name that one.");
    } else if (proto_alert_answered_by(name, (enum proto_urgency)step->urgency, to)) {
        care_text_add(&text, "it was seen or grew worse after this contact, or the time to look again has come.");
    } else {
        care_text_add(&text, "a contact with \"");
        care_text_add(&text, proto_choice_name("contact_to", (uint32_t)to));
        care_text_add(&text, "\" does not answer it. These do: ");
        add_answerers(&text, name, (enum proto_urgency)step->urgency);
        care_text_add(&text, ".");
    }
    return true;
}

static bool next_standing(const struct care_schedule *schedule, const struct proto_event *event, int64_t now,
                          uint32_t *place, struct care_note *out) {
    const struct proto_value *about = PROTO_BODY(event, contact_made, about);
    if (!about->present || PROTO_BODY(event, contact_made, outcome)->n != PROTO_outcome_answered)
        return false; /* nobody answered: `call-again` says so */
    while (++*place < PROTO_ALERT_COUNT)
        if ((about->set & (UINT64_C(1) << (*place - 1))) != 0 &&
            note_standing(schedule, event, (enum proto_alert) * place, now, out))
            return true;
    return false;
}

/* --- weights ------------------------------------------------------------------------------------------ */

/* Common practice, no source: a child of the caseload is hardly ever heavier, and none gains or loses a third so soon. */
#define WEIGHT_LIKELY_MAX INT64_C(12000) /* hundredths of kg */
#define WEIGHT_COMPARED_DAYS 90

static bool is_far_from(const struct care_fact *fact, int32_t weight_kg, const struct proto_event *event) {
    int64_t apart_ms = event->at > fact->at ? event->at - fact->at : fact->at - event->at;
    int64_t difference = PROTO_BODY(event, weight_measured, weight_kg)->n - weight_kg;
    if (fact->at == 0 || proto_id_compare(&fact->id, &event->id) == 0)
        return false;
    return apart_ms <= WEIGHT_COMPARED_DAYS * PROTO_DAY_MS &&
           3 * (difference < 0 ? -difference : difference) > weight_kg;
}

static void note_difference(struct care_text *text, const struct care_fact *fact, int32_t weight_kg,
                            const struct proto_event *event) {
    int64_t days = (event->at - fact->at) / PROTO_DAY_MS;
    care_text_add(text, " kg differs by more than a third from the ");
    care_text_add_amount(text, weight_kg);
    care_text_add(text, " kg of ");
    care_text_add_int(text, days < 0 ? -days : days);
    care_text_add(text, days == 1 || days == -1 ? " day " : " days ");
    care_text_add(text, event->at < fact->at ? "later" : "before");
}

/* Against the weight before it, or the nearest that is kept where it was recorded late. */
static bool note_weight(const struct care_state *state, const struct proto_event *event, struct care_note *out) {
    const struct proto_value *weight = PROTO_BODY(event, weight_measured, weight_kg);
    struct care_text text;
    if (!weight->present)
        return false;
    out->field = "weight_kg";
    care_text_init(&text, out->message, sizeof out->message);
    care_text_add_amount(&text, weight->n);
    if (is_far_from(&state->weight_before, state->weight_before_kg, event))
        note_difference(&text, &state->weight_before, state->weight_before_kg, event);
    else if (is_far_from(&state->weight, state->weight_kg, event))
        note_difference(&text, &state->weight, state->weight_kg, event);
    else if (weight->n > WEIGHT_LIKELY_MAX)
        care_text_add(&text, " kg is more than children here weigh");
    else
        return false;
    care_text_add(&text,
                  " (common practice, no source). Look at the number and its unit again; if it is a slip, replace "
                  "the event.");
    return true;
}

bool care_note_kind(enum proto_kind kind) {
    return kind == PROTO_KIND_contact_made || kind == PROTO_KIND_weight_measured;
}

bool care_note_next(const struct care_state *state, const struct care_schedule *schedule,
                    const struct proto_event *event, int64_t now, uint32_t *place, struct care_note *out) {
    if (event->kind == PROTO_KIND_contact_made)
        return next_standing(schedule, event, now, place, out);
    return event->kind == PROTO_KIND_weight_measured && (*place)++ == 0 && note_weight(state, event, out);
}
