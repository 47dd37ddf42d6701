/*
 * voids.c - which events count: withdrawals, replacements, and what needs a second person.
 *
 * What always holds: the answer depends on the set of voids, never on the order
 * in which they came; what is void stays void.
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
    const struct proto_value *withdrawn =
        event->kind == PROTO_KIND_event_withdrawn ? PROTO_BODY(event, event_withdrawn, event) : NULL;
    bool withdraws = withdrawn && withdrawn->present;
    if (!withdraws && !event->has_replaces)
        return false;
    *out = (struct care_void){.target = withdraws ? withdrawn->id : event->replaces,
                              .by_event = event->id,
                              .at = event->at,
                              .rank = (uint8_t)proto_event_rank(event),
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

/* True when some void that has effect names the id. */
static bool is_void(const struct care_void_source *source, const struct proto_id *id, bool grave) {
    for (uint32_t i = 0; i < source->count; i++) {
        struct care_void v;
        if (!source_get(source, i, &v) || !same_id(&v.target, id) || same_id(&v.by_event, id))
            continue;
        if (v.replacement || !grave || is_confirmed(source, i, &v))
            return true;
    }
    return false;
}

static bool comes_after(const struct care_void *v, const struct proto_event *event) {
    if (v->at != event->at)
        return v->at > event->at;
    int rank = (int)proto_event_rank(event);
    return v->rank != rank ? v->rank > rank : proto_id_compare(&v->by_event, &event->id) > 0;
}

/* True when another replacement of the same target stands, and comes later. */
static bool is_outdone(const struct care_void_source *source, const struct proto_event *event) {
    for (uint32_t i = 0; i < source->count; i++) {
        struct care_void v;
        if (!source_get(source, i, &v) || !v.replacement || !same_id(&v.target, &event->replaces))
            continue;
        if (!same_id(&v.by_event, &event->id) && comes_after(&v, event) && !is_void(source, &v.by_event, v.grave))
            return true;
    }
    return false;
}

bool care_void_source_counts(const struct care_void_source *source, const struct proto_event *event) {
    /* A withdrawal and its confirmation are what voiding rests on: they stand whatever names them. */
    if (event->kind == PROTO_KIND_event_withdrawn || event->kind == PROTO_KIND_withdrawal_confirmed)
        return true;
    if (is_void(source, &event->id, care_event_grave(event)))
        return false;
    return !event->has_replaces || !is_outdone(source, event);
}

bool care_event_counts(const struct proto_event *event, const struct care_void *voids, uint32_t count) {
    if (count == 0)
        return true;
    assert(voids);
    struct care_void_source source = {.voids = voids, .count = count};
    return care_void_source_counts(&source, event);
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

static bool site_grave(const struct proto_event *e) {
    const struct proto_value *fever = PROTO_BODY(e, site_checked, fever_c);
    return says(PROTO_BODY(e, site_checked, pain_on_feeding), 1) || says(PROTO_BODY(e, site_checked, bleeding), 1) ||
           says(PROTO_BODY(e, site_checked, spreading), 1) ||
           says(PROTO_BODY(e, site_checked, pain), PROTO_pain_severe) ||
           says(PROTO_BODY(e, site_checked, discharge), PROTO_discharge_blood) ||
           says(PROTO_BODY(e, site_checked, leak), PROTO_leak_around) ||
           (fever->present && fever->n >= proto_policy_get(PROTO_POLICY_FEVER_C)->min);
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

bool care_event_grave(const struct proto_event *event) {
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
    case PROTO_KIND_site_checked:
        return site_grave(event);
    default:
        return false;
    }
}
