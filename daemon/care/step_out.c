/*
 * step_out.c - when the device is not where it should be: out, displaced, blocked, at the hospital.
 *
 * What always holds: all reports between two placements are one dislodgement,
 * an attempt to place that failed is such a report, and the clock runs from the
 * earliest of them. A hospital reached stops the
 * clock of what was out then: what comes out later is another dislodgement, even
 * if nobody wrote down what the hospital had placed.
 */
#include "care/step.h"

static bool out_open(const struct care_stoma *stoma) {
    return care_fact_is(&stoma->out.first) && !care_fact_is(&stoma->out.ended);
}

/* Out, and the child is not known to have reached a hospital since. */
static bool out_running(const struct care_stoma *stoma) {
    return out_open(stoma) && !care_fact_is(&stoma->out.hospital);
}

bool care_step_dislodged(struct care_stoma *stoma, const struct proto_event *event, int64_t out_from) {
    bool begins = !out_running(stoma);
    care_step_reopen(stoma);
    if (begins) {
        struct care_out out = {.first = care_step_fact(event), .out_from = out_from};
        out.unrecorded = out_open(stoma);
        if (care_fact_is(&stoma->out.failed) && stoma->out.failed.at >= out_from) { /* tried before the report */
            out.failed = stoma->out.failed;
            out.failed_attempts = stoma->out.failed_attempts;
        }
        stoma->out = out;
    }
    stoma->out.last = care_step_fact(event);
    if (out_from < stoma->out.out_from)
        stoma->out.out_from = out_from;
    stoma->device_state = CARE_DEVICE_OUT;
    return begins;
}

void care_step_out(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    int64_t from = care_said(PROTO_BODY(event, tube_out, last_seen_at), event->at);
    if (care_fact_is(&stoma->device.seated) && from < stoma->device.seated.at)
        from = stoma->device.seated.at;
    if (out_open(stoma) && care_fact_is(&stoma->out.hospital) && from < stoma->out.hospital.at)
        from = stoma->out.hospital.at; /* it was still out then */
    if (from > event->at)
        from = event->at;
    (void)care_step_dislodged(stoma, event, from);
    struct care_out *out = &stoma->out;
    const struct proto_value *trained = PROTO_BODY(event, tube_out, trained_present);
    const struct proto_value *spare = PROTO_BODY(event, tube_out, spare_present);
    const struct proto_value *balloon = PROTO_BODY(event, tube_out, balloon);
    if (trained->present)
        out->trained_present = (uint8_t)trained->n;
    if (spare->present)
        out->spare_present = (uint8_t)spare->n;
    if (balloon->present)
        out->balloon = (uint8_t)balloon->n;
    if (care_said_yes(PROTO_BODY(event, tube_out, pain)))
        out->pain = true;
    if (care_said_yes(PROTO_BODY(event, tube_out, bleeding)))
        out->bleeding = true;
}

void care_step_failed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    if (!out_open(stoma)) { /* nothing else says that the device is out, and it is: a change that went wrong */
        (void)care_step_dislodged(stoma, event, event->at);
        stoma->out.removed = true;
        stoma->out.failed_attempts = 0;
    }
    stoma->out.failed = care_step_fact(event);
    int64_t attempts = stoma->out.failed_attempts + care_said(PROTO_BODY(event, placement_failed, attempts), 1);
    stoma->out.failed_attempts = (uint8_t)(attempts > UINT8_MAX ? UINT8_MAX : attempts);
}

/* What imaging has settled by the length alone is kept to be shown, until there is something new. */
static void forget_settled(struct care_stoma *stoma) {
    if (stoma->displaced_said || !care_fact_is(&stoma->displaced_settled))
        return;
    stoma->displaced_settled = stoma->outside_worst = stoma->outside_newest = CARE_NEVER;
    stoma->displaced_outside_mm = 0;
}

void care_step_outside(struct care_stoma *stoma, const struct proto_event *event, int32_t outside_mm) {
    const struct care_device *device = &stoma->device;
    if (!device->outside_given)
        return; /* nothing to compare with */
    int32_t far = outside_mm > device->outside_mm ? outside_mm - device->outside_mm : device->outside_mm - outside_mm;
    if (far < proto_policy_get(PROTO_POLICY_DISPLACED_MM)->min)
        return; /* no limit could mind it */
    forget_settled(stoma);
    stoma->outside_newest = care_step_fact(event);
    int32_t held = stoma->displaced_outside_mm > device->outside_mm ? stoma->displaced_outside_mm - device->outside_mm
                                                                    : device->outside_mm - stoma->displaced_outside_mm;
    if (care_fact_is(&stoma->outside_worst) && far <= held)
        return;
    stoma->outside_worst = care_step_fact(event);
    stoma->displaced_outside_mm = outside_mm;
}

void care_step_displaced(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    const struct proto_value *outside = PROTO_BODY(event, tube_displaced, outside_mm);
    if (!stoma->displaced_said) {
        forget_settled(stoma);
        stoma->displaced_first = care_step_fact(event);
        stoma->displaced_settled = CARE_NEVER;
    }
    stoma->displaced = care_step_fact(event);
    stoma->displaced_said = true;
    if (care_said_yes(PROTO_BODY(event, tube_displaced, feed_at_gastric_port)))
        stoma->displaced_feed = true;
    if (care_said_yes(PROTO_BODY(event, tube_displaced, vomiting)))
        stoma->displaced_vomiting = true;
    if (outside->present)
        care_step_outside(stoma, event, (int32_t)outside->n);
}

/* The ports that are clear again. A port that was not named may be any of two where the tip lies in the jejunum: it waits for a word that names
 * none, either. */
static uint8_t cleared_ports(const struct care_stoma *stoma, uint8_t port) {
    if (port == 0)
        return UINT8_MAX;
    return (uint8_t)(1u << port | (stoma->device.tip == PROTO_tip_jejunum ? 0u : 1u));
}

void care_step_blocked(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    const struct proto_value *others = PROTO_BODY(event, tube_blocked, other_tried);
    bool open = care_fact_is(&stoma->blocked_first) && !care_fact_is(&stoma->blocked_settled);
    uint8_t port = care_said_choice(PROTO_BODY(event, tube_blocked, port));
    if (care_said_yes(PROTO_BODY(event, tube_blocked, cleared))) {
        stoma->blocked_ports &= (uint8_t)~cleared_ports(stoma, port);
        if (open && stoma->blocked_ports == 0)
            stoma->blocked_settled = care_step_fact(event);
    } else {
        if (!open)
            stoma->blocked_first = care_step_fact(event);
        stoma->blocked = care_step_fact(event);
        stoma->blocked_settled = CARE_NEVER;
        stoma->blocked_ports |= (uint8_t)(1u << port);
    }
    if (others->present && others->n > 0) {
        stoma->unsafe = care_step_fact(event);
        care_text_copy(stoma->unsafe_text, sizeof stoma->unsafe_text, proto_list_text(others, 0));
    }
}

void care_step_hospital(struct care_state *state, const struct proto_event *event) {
    state->hospital = care_step_fact(event);
    care_step_completed(state, PROTO_TASK_HOSPITAL_FOLLOW_UP, 0, ""); /* this one has a follow-up of its own */
    state->hospital_formed_here = care_said_yes(PROTO_BODY(event, hospital_reached, formed_stoma_here));
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) { /* the child is there with whatever came out */
        struct care_stoma *stoma = &state->stomas[i];
        if (out_open(stoma) && !care_fact_is(&stoma->out.hospital))
            stoma->out.hospital = care_step_fact(event);
    }
}
