/*
 * voids.c - which events count: withdrawals, replacements, and what needs a second person.
 *
 * What always holds: the answer depends on the set of events, never on the order
 * in which they came; what is void stays void; nobody alone takes away what a
 * `now` can rest on, neither by a withdrawal nor by saying it again without that.
 */
#include "care/care.h"
#include "care/void_source.h"

#include "proto/ids.h"

#include <assert.h>
#include <string.h>

static bool same_id(const struct proto_id *a, const struct proto_id *b) {
    return memcmp(a->bytes, b->bytes, PROTO_ID_BYTES) == 0;
}

bool care_void_from_event(struct care_void *out, const struct proto_event *event) {
    assert(out && event);
    const struct proto_value *withdrawn =
        event->kind == PROTO_KIND_event_withdrawn ? PROTO_BODY(event, event_withdrawn, event) : NULL;
    bool withdraws = withdrawn && withdrawn->present;
    if (!withdraws && !event->has_replaces)
        return false;
    *out = (struct care_void){.target = withdraws ? withdrawn->id : event->replaces,
                              .by_event = event->id,
                              .at = event->at,
                              .rank = (uint8_t)proto_event_rank(event),
                              .kind = (uint8_t)event->kind,
                              .replacement = !withdraws,
                              .grave = care_event_grave(event)};
    return true;
}

static bool confirmed_by_another(const struct care_void_source *source, const struct proto_event *withdrawal) {
    for (uint32_t i = 0; i < source->count; i++) {
        const struct proto_event *event = &source->events[i];
        if (event->kind != PROTO_KIND_withdrawal_confirmed)
            continue;
        const struct proto_value *named = PROTO_BODY(event, withdrawal_confirmed, withdrawal);
        if (named->present && same_id(&named->id, &withdrawal->id) && !proto_slice_same(event->by, withdrawal->by))
            return true;
    }
    return false;
}

static bool source_get(const struct care_void_source *source, uint32_t index, struct care_void *out) {
    if (source->voids) {
        *out = source->voids[index];
        return true;
    }
    return care_void_from_event(out, &source->events[index]);
}

static bool is_confirmed(const struct care_void_source *source, uint32_t index, const struct care_void *v) {
    return v->confirmed || (source->events && confirmed_by_another(source, &source->events[index]));
}

/* The void that the event with this id makes as a replacement. */
static bool find_own(const struct care_void_source *source, const struct proto_id *id, uint32_t *index,
                     struct care_void *out) {
    for (uint32_t i = 0; i < source->count; i++) {
        if (source_get(source, i, out) && out->replacement && same_id(&out->by_event, id)) {
            *index = i;
            return true;
        }
    }
    return false;
}

/* A replacement takes the place of an event of its kind only, and of what is grave only when it says it again or a second person agrees. */
static bool takes_place(const struct care_void_source *source, uint32_t index, const struct care_void *v,
                        struct care_target of) {
    return v->kind == of.kind && ((of.grave & ~v->grave) == 0 || is_confirmed(source, index, v));
}

static int void_order(const struct care_void *a, const struct care_void *b) {
    if (a->at != b->at)
        return a->at < b->at ? -1 : 1;
    return a->rank != b->rank ? (int)a->rank - (int)b->rank : proto_id_compare(&a->by_event, &b->by_event);
}

/* Nobody corrects one event more often than this; a longer ring can only be made on purpose. */
#define RING_MAX 64

/* True when the event is the last in order of a ring of replacements, each of which takes the place of the next. */
static bool is_last_of_ring(const struct care_void_source *source, const struct proto_id *id) {
    struct care_void own, v, next;
    uint32_t index = 0, next_index = 0;
    if (!find_own(source, id, &index, &own))
        return false;
    v = own;
    for (int hops = 0; hops < RING_MAX; hops++) {
        if (!find_own(source, &v.target, &next_index, &next))
            return false;
        struct care_target of = {.kind = next.kind, .grave = next.grave};
        if (!takes_place(source, index, &v, of) || void_order(&next, &own) > 0)
            return false;
        if (same_id(&next.by_event, id))
            return true;
        v = next;
        index = next_index;
    }
    return false;
}

/* True when some withdrawal that has effect names the id. */
static bool is_withdrawn(const struct care_void_source *source, const struct proto_id *id, uint8_t grave) {
    for (uint32_t i = 0; i < source->count; i++) {
        struct care_void v;
        if (source_get(source, i, &v) && !v.replacement && same_id(&v.target, id) && !same_id(&v.by_event, id) &&
            (!grave || is_confirmed(source, i, &v)))
            return true;
    }
    return false;
}

/* True when some void that has effect names the id. */
static bool is_void(const struct care_void_source *source, const struct proto_id *id, struct care_target of) {
    for (uint32_t i = 0; i < source->count; i++) {
        struct care_void v;
        if (source_get(source, i, &v) && v.replacement && same_id(&v.target, id) && !same_id(&v.by_event, id) &&
            takes_place(source, i, &v, of) && !is_last_of_ring(source, id))
            return true;
    }
    return is_withdrawn(source, id, of.grave);
}

static bool comes_after(const struct care_void *v, const struct proto_event *event) {
    if (v->at != event->at)
        return v->at > event->at;
    int rank = (int)proto_event_rank(event);
    return v->rank != rank ? v->rank > rank : proto_id_compare(&v->by_event, &event->id) > 0;
}

/* True when another replacement of the same target stands, comes later, and may take the place of this one. */
static bool is_outdone(const struct care_void_source *source, const struct proto_event *event) {
    struct care_target of = care_target_of(event);
    for (uint32_t i = 0; i < source->count; i++) {
        struct care_void v;
        if (!source_get(source, i, &v) || !v.replacement || !same_id(&v.target, &event->replaces))
            continue;
        struct care_target itself = {.kind = v.kind, .grave = v.grave};
        if (!same_id(&v.by_event, &event->id) && comes_after(&v, event) && takes_place(source, i, &v, of) &&
            !is_void(source, &v.by_event, itself))
            return true;
    }
    return false;
}

static bool waits(const struct care_void_source *source, const struct proto_event *event, struct care_target target) {
    struct care_void own;
    uint32_t index = 0;
    return event->has_replaces && target.kind == event->kind && target.grave != 0 &&
           find_own(source, &event->id, &index, &own) && !takes_place(source, index, &own, target) &&
           !is_withdrawn(source, &event->replaces, target.grave);
}

struct care_target care_target_of(const struct proto_event *event) {
    static_assert(PROTO_KIND_COUNT <= UINT8_MAX, "a kind is a byte");
    return (struct care_target){.kind = (uint8_t)event->kind, .grave = care_event_grave(event)};
}

struct care_target care_void_source_target(const struct care_void_source *source, const struct proto_id *id) {
    for (uint32_t i = 0; source->events && i < source->count; i++) {
        if (same_id(&source->events[i].id, id))
            return care_target_of(&source->events[i]);
    }
    return (struct care_target){0};
}

bool care_void_source_counts(const struct care_void_source *source, const struct proto_event *event,
                             struct care_target target) {
    /* A withdrawal and its confirmation are what voiding rests on: they stand whatever names them. */
    if (event->kind == PROTO_KIND_event_withdrawn || event->kind == PROTO_KIND_withdrawal_confirmed)
        return true;
    if (is_void(source, &event->id, care_target_of(event)))
        return false;
    return !event->has_replaces || (!waits(source, event, target) && !is_outdone(source, event));
}

bool care_event_counts(const struct proto_event *event, struct care_target target, const struct care_void *voids,
                       uint32_t count) {
    if (count == 0)
        return true;
    assert(voids);
    struct care_void_source source = {.voids = voids, .count = count};
    return care_void_source_counts(&source, event, target);
}

bool care_event_waits(const struct proto_event *event, struct care_target target, const struct care_void *voids,
                      uint32_t count) {
    struct care_void_source source = {.voids = voids, .count = count};
    return waits(&source, event, target) && !is_void(&source, &event->id, care_target_of(event));
}

static bool says(const struct proto_value *value, int64_t n) {
    return value->present && value->n == n;
}

static bool position_grave(const struct proto_value *method, const struct proto_value *ph, bool said_method) {
    if (!said_method)
        return true;
    if (method->n == PROTO_method_aspirate_ph)
        return !ph->present || ph->n > proto_policy_get(PROTO_POLICY_PH_LIMIT)->min;
    return method->n != PROTO_method_imaging && method->n != PROTO_method_theatre;
}

static uint8_t site_grave(const struct proto_event *e) {
    const struct proto_value *fever = PROTO_BODY(e, site_checked, fever_c);
    const struct proto_value *discharge = PROTO_BODY(e, site_checked, discharge);
    uint8_t set = 0;
    if (says(PROTO_BODY(e, site_checked, pain_on_feeding), 1) ||
        says(PROTO_BODY(e, site_checked, pain), PROTO_pain_severe))
        set |= CARE_GRAVE_PAIN;
    if (says(PROTO_BODY(e, site_checked, bleeding), 1) || says(discharge, PROTO_discharge_blood))
        set |= CARE_GRAVE_BLOOD;
    if (says(PROTO_BODY(e, site_checked, leak), PROTO_leak_around))
        set |= CARE_GRAVE_LEAK;
    if (says(PROTO_BODY(e, site_checked, redness), PROTO_redness_red) || says(PROTO_BODY(e, site_checked, warm), 1) ||
        says(PROTO_BODY(e, site_checked, pustule), 1) || says(PROTO_BODY(e, site_checked, odour), 1) ||
        says(discharge, PROTO_discharge_green) || says(discharge, PROTO_discharge_yellow))
        set |= CARE_GRAVE_SKIN; /* for now with a fever that another event gives */
    if (fever->present && fever->n >= proto_policy_get(PROTO_POLICY_FEVER_C)->min)
        set |= CARE_GRAVE_FEVER;
    if (says(PROTO_BODY(e, site_checked, spreading), 1))
        set |= CARE_GRAVE_SPREADING;
    return set;
}

/* Nearly empty: compared with what was in before, which the check does not say. It says what was put back; a balloon
 * holds 5 mL as a rule (common practice, no source), and the larger of the two is the careful end. */
#define USUAL_BALLOON_ML 500
static bool check_grave(const struct proto_event *e) {
    const struct proto_value *withdrawn = PROTO_BODY(e, balloon_checked, withdrawn_ml);
    const struct proto_value *filled = PROTO_BODY(e, balloon_checked, filled_ml);
    if (!withdrawn->present)
        return false;
    return !filled->present || withdrawn->n * 10000 <= (filled->n > USUAL_BALLOON_ML ? filled->n : USUAL_BALLOON_ML) *
                                                           proto_policy_get(PROTO_POLICY_BALLOON_EMPTY_PERCENT)->max;
}

static bool kind_grave(const struct proto_event *event) {
    switch (event->kind) {
    case PROTO_KIND_tube_out:
    case PROTO_KIND_placement_failed:
        return true;
    case PROTO_KIND_device_removed:
        return !says(PROTO_BODY(event, device_removed, for_good), 1);
    case PROTO_KIND_device_placed: /* outside hospital it may be against the rule */
        return !says(PROTO_BODY(event, device_placed, place), PROTO_place_hospital);
    case PROTO_KIND_device_put_back:
        return !says(PROTO_BODY(event, device_put_back, place), PROTO_place_hospital);
    case PROTO_KIND_position_confirmed: {
        const struct proto_value *method = PROTO_BODY(event, position_confirmed, method);
        return position_grave(method, PROTO_BODY(event, position_confirmed, ph), method->present);
    }
    case PROTO_KIND_tube_blocked:
        return !says(PROTO_BODY(event, tube_blocked, cleared), 1);
    case PROTO_KIND_balloon_checked:
        return check_grave(event);
    default:
        return false;
    }
}

uint8_t care_event_grave(const struct proto_event *event) {
    if (event->kind == PROTO_KIND_site_checked)
        return site_grave(event);
    return kind_grave(event) ? CARE_GRAVE_KIND : 0;
}
