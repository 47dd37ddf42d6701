/*
 * step_device.c - the stoma and the device in it: formed, placed, put back, prescribed, removed, position.
 *
 * What always holds: what is known of a device goes with the device; what is
 * about the skin stays. A keep-open catheter does not replace what is known of the feeding device:
 * what is known of it is kept beside that, for recalls.
 */
#include "care/step.h"

/* Formed on the day of the closing or later: another stoma. An earlier or unknown date is that of the one that was closed by mistake. */
static bool formed_after(const struct proto_event *event, int64_t closed_at) {
    int64_t formed_day = care_said(PROTO_BODY(event, stoma_formed, formed_on), INT32_MIN);
    return formed_day * PROTO_DAY_MS > closed_at - PROTO_DAY_MS;
}

void care_step_stoma_formed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    if (care_fact_is(&stoma->closed) && formed_after(event, stoma->closed.at))
        care_step_stoma_anew(stoma);
    care_step_reopen(stoma);
    stoma->formed = care_step_fact(event);
    const struct proto_value *precision = PROTO_BODY(event, stoma_formed, precision);
    stoma->precision = precision->present ? (uint8_t)precision->n : PROTO_precision_day;
    stoma->how = care_said_choice(PROTO_BODY(event, stoma_formed, how));
    stoma->formed_day = (int32_t)care_said(PROTO_BODY(event, stoma_formed, formed_on), INT32_MIN);
    stoma->mature_day = (int32_t)care_said(PROTO_BODY(event, stoma_formed, mature_on), INT32_MIN);
    stoma->stitches_out_day = (int32_t)care_said(PROTO_BODY(event, stoma_formed, stitches_out_on), INT32_MIN);
    care_step_completed(state, PROTO_TASK_STITCHES_OUT, proto_event_stoma(event), ""); /* other stitches, other date */
    care_text_copy(stoma->hospital, sizeof stoma->hospital, PROTO_BODY(event, stoma_formed, hospital)->text);
    if (care_fact_is(&state->stay.started) && !care_fact_is(&state->stay.ended))
        state->stay.stoma_formed = true;
}

static void end_out(struct care_stoma *stoma, const struct proto_event *event, bool keep_open) {
    if (!care_fact_is(&stoma->out.first) || care_fact_is(&stoma->out.ended))
        return;
    stoma->out.ended = care_step_fact(event);
    stoma->out.ended_keep_open = keep_open;
}

void care_step_stoma_closed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    end_out(stoma, event, false);
    if (stoma->device_state != CARE_DEVICE_NONE && !care_fact_is(&stoma->device_gone))
        stoma->device_gone = care_step_fact(event);
    stoma->device_state = CARE_DEVICE_NONE;
    stoma->exists = false;
    stoma->closed = care_step_fact(event);
}

/* What was about the device before, or its balloon, goes with it. */
static void forget_device(struct care_stoma *stoma) {
    memset(&stoma->device, 0, sizeof stoma->device);
    stoma->prescribed_balloon_ml = 0;
    stoma->check_count = 0;
    memset(stoma->checks, 0, sizeof stoma->checks);
    stoma->last_good_check = CARE_NEVER;
    stoma->displaced = stoma->displaced_first = stoma->displaced_settled = CARE_NEVER;
    stoma->outside_worst = stoma->outside_newest = CARE_NEVER;
    stoma->valve_leak_first = stoma->valve_leak = CARE_NEVER;
    stoma->displaced_outside_mm = 0;
    stoma->displaced_said = stoma->displaced_feed = stoma->displaced_vomiting = false;
    stoma->blocked_first = stoma->blocked = stoma->blocked_settled = CARE_NEVER;
    stoma->blocked_ports = 0;
    stoma->rotated = 0;
    stoma->rotated_fact = stoma->rotated_bad_first = stoma->rotated_settled = CARE_NEVER;
    stoma->rotated_jejunal = stoma->rotated_jejunal_settled = CARE_NEVER;
    memset(&stoma->gaps, 0, sizeof stoma->gaps);
    struct care_sign *leak = &stoma->signs[CARE_SIGN_LEAK];
    leak->seen_set &= ~(1ull << (PROTO_leak_through - 1));
    if (leak->open && leak->seen_set == 0)
        leak->open = false;
}

static struct care_before before_seating(const struct care_state *state, const struct care_stoma *stoma) {
    const struct care_device *device = &stoma->device;
    return (struct care_before){.had_device = care_fact_is(&device->placed),
                                .retention = device->retention,
                                .tip = device->tip,
                                .why = device->why,
                                .plan_home_change =
                                    care_state_emergency(state, stoma == &state->stomas[1] ? 2 : 1).home_change,
                                .first_in_stoma = device->first_in_stoma,
                                .keep_open = care_state_kept_open(stoma)};
}

static void seat(struct care_stoma *stoma, const struct proto_event *event, const struct proto_value *position,
                 const struct proto_value *ph) {
    struct care_device *device = &stoma->device;
    device->seated = care_step_fact(event);
    bool sound = event->written_at >= PROTO_TIME_MIN && event->written_at <= PROTO_TIME_MAX;
    device->seated_written_at = sound ? event->written_at : event->at;
    device->position = (struct care_position){0};
    device->position_said = position->present;
    if (position->present && position->n != PROTO_position_not_confirmed) { /* the numbers are those of `method` */
        device->position.fact = device->seated;
        device->position.method = (uint8_t)position->n;
        device->position.ph = (int32_t)care_said(ph, 0);
    }
    device->seated_position = device->position;
    device->imaging = device->position.method == PROTO_method_imaging ? device->seated : CARE_NEVER;
    stoma->against_contact = CARE_NEVER;
    stoma->device_state = CARE_DEVICE_IN;
    stoma->device_gone = CARE_NEVER;
    end_out(stoma, event, false);
}

static void describe_device(struct care_device *device, const struct proto_event *event) {
    device->retention = care_said_choice(PROTO_BODY(event, device_placed, retention));
    device->profile = care_said_choice(PROTO_BODY(event, device_placed, profile));
    device->tip = care_said_choice(PROTO_BODY(event, device_placed, tip));
    device->purpose = PROTO_purpose_feeding;
    device->why = care_said_choice(PROTO_BODY(event, device_placed, why));
    device->place = device->seated_place = care_said_choice(PROTO_BODY(event, device_placed, place));
    device->placed_by = device->seated_by = care_said_choice(PROTO_BODY(event, device_placed, placed_by));
    device->first_in_stoma = care_said_yes(PROTO_BODY(event, device_placed, first_in_stoma));
    device->from_spare = care_said_yes(PROTO_BODY(event, device_placed, from_spare));
    device->french_fr = (int32_t)care_said(PROTO_BODY(event, device_placed, french_fr), 0);
    device->length_mm = (int32_t)care_said(PROTO_BODY(event, device_placed, length_mm), 0);
    device->balloon_ml = (int32_t)care_said(PROTO_BODY(event, device_placed, balloon_ml), 0);
    device->outside_mm = (int32_t)care_said(PROTO_BODY(event, device_placed, outside_mm), 0);
    device->outside_given = PROTO_BODY(event, device_placed, outside_mm)->present;
    device->expires_day = (int32_t)care_said(PROTO_BODY(event, device_placed, expires), 0);
    care_text_copy(device->gtin, sizeof device->gtin, PROTO_BODY(event, device_placed, gtin)->text);
    care_text_copy(device->lot, sizeof device->lot, PROTO_BODY(event, device_placed, lot)->text);
    care_text_copy(device->serial, sizeof device->serial, PROTO_BODY(event, device_placed, serial)->text);
}

void care_step_catheter(const struct proto_event *event, struct care_device *out) {
    describe_device(out, event);
    out->purpose = PROTO_purpose_keep_open;
    out->placed = out->seated = care_step_fact(event);
}

void care_step_catheter_gone(struct care_stoma *stoma, const struct proto_event *event) {
    bool in = care_fact_is(&stoma->catheter.placed) && !care_fact_is(&stoma->catheter_gone);
    if (in && stoma->device_state != CARE_DEVICE_KEEP_OPEN)
        stoma->catheter_gone = care_step_fact(event);
}

static void place(struct care_stoma *stoma, struct care_before before, const struct proto_event *event) {
    stoma->device.placed = care_step_fact(event);
    stoma->device.before = before;
    describe_device(&stoma->device, event);
    seat(stoma, event, PROTO_BODY(event, device_placed, position), PROTO_BODY(event, device_placed, ph));
}

static void put_back(struct care_stoma *stoma, struct care_before before, const struct proto_event *event) {
    if (!care_fact_is(&stoma->device.placed)) /* a device that nobody recorded before: kind unknown */
        stoma->device.placed = care_step_fact(event);
    stoma->device.before = before;
    stoma->device.put_back = true;
    stoma->device.seated_place = care_said_choice(PROTO_BODY(event, device_put_back, place));
    stoma->device.seated_by = care_said_choice(PROTO_BODY(event, device_put_back, placed_by));
    seat(stoma, event, PROTO_BODY(event, device_put_back, position), PROTO_BODY(event, device_put_back, ph));
}

void care_step_device_seated(const struct care_state *state, const struct proto_event *event, struct care_device *out) {
    struct care_stoma stoma = state->stomas[proto_event_stoma(event) == PROTO_stoma_second ? 1 : 0];
    struct care_before before = before_seating(state, &stoma);
    if (event->kind == PROTO_KIND_device_put_back) {
        put_back(&stoma, before, event);
    } else {
        memset(&stoma.device, 0, sizeof stoma.device);
        place(&stoma, before, event);
    }
    *out = stoma.device;
}

void care_step_placed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    care_step_reopen(stoma);
    if (care_said_yes(PROTO_BODY(event, device_placed, from_spare)))
        stoma->spare_used = care_step_fact(event);
    if (care_said(PROTO_BODY(event, device_placed, purpose), 0) == PROTO_purpose_keep_open) {
        if (stoma->device_state == CARE_DEVICE_IN)
            stoma->device_gone = care_step_fact(event);
        stoma->device_state = CARE_DEVICE_KEEP_OPEN;
        stoma->keep_open = care_step_fact(event);
        stoma->keep_open_place = care_said_choice(PROTO_BODY(event, device_placed, place));
        memset(&stoma->catheter, 0, sizeof stoma->catheter);
        care_step_catheter(event, &stoma->catheter);
        stoma->catheter_gone = CARE_NEVER;
        end_out(stoma, event, true);
        return;
    }
    struct care_before before = before_seating(state, stoma);
    care_step_past_device(stoma, event);
    forget_device(stoma);
    place(stoma, before, event);
    stoma->last_fill_ml = stoma->device.balloon_ml;
    stoma->last_fill_at = event->at;
    stoma->last_fill_known = false;
    int number = proto_event_stoma(event);
    care_step_completed(state, PROTO_TASK_DEVICE_CHANGE, number, "");
    care_step_completed(state, PROTO_TASK_BALLOON_CHECK, number, "");
    care_step_completed(state, PROTO_TASK_BALLOON_RECHECK, number, "");
}

void care_step_put_back(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    struct care_before before = before_seating(state, stoma);
    care_step_reopen(stoma);
    put_back(stoma, before, event);
    /* Its balloon was emptied to pass and filled again, with an amount that nobody wrote down. */
    stoma->last_fill_ml = 0;
    stoma->last_fill_at = event->at;
    stoma->last_fill_known = false;
}

void care_step_prescribed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    stoma->prescribed = care_step_fact(event);
    const struct proto_value *balloon = PROTO_BODY(event, device_prescribed, balloon_ml);
    const struct proto_value *months = PROTO_BODY(event, device_prescribed, change_months);
    const struct proto_value *limit = PROTO_BODY(event, device_prescribed, ph_limit);
    if (balloon->present)
        stoma->prescribed_balloon_ml = (int32_t)balloon->n;
    if (months->present)
        stoma->prescribed_change_months = (int32_t)months->n;
    if (limit->present)
        stoma->prescribed_ph = (int32_t)limit->n;
}

void care_step_removed(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    stoma->device_gone = care_step_fact(event);
    bool closing = care_fact_is(&stoma->closed) && stoma->closed.at == event->at; /* taken out as it was closed */
    if (closing || care_said_yes(PROTO_BODY(event, device_removed, for_good))) {
        end_out(stoma, event, false);
        stoma->device_state = CARE_DEVICE_NONE;
        return;
    }
    if (care_step_dislodged(stoma, event, event->at))
        stoma->out.removed = true;
}

void care_step_position(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    struct care_device *device = &stoma->device;
    device->position_said = true;
    device->position.fact = care_step_fact(event);
    device->position.method = care_said_choice(PROTO_BODY(event, position_confirmed, method));
    device->position.ph = (int32_t)care_said(PROTO_BODY(event, position_confirmed, ph), 0);
    if (device->position.method != PROTO_method_imaging)
        return;
    device->imaging = device->position.fact;
    if (stoma->displaced_said) {
        stoma->displaced_said = stoma->displaced_feed = stoma->displaced_vomiting = false;
        stoma->outside_worst = stoma->outside_newest = CARE_NEVER;
        stoma->displaced_outside_mm = 0;
        stoma->displaced_settled = device->position.fact;
    } else if (care_fact_is(&stoma->outside_worst) && !care_fact_is(&stoma->displaced_settled)) {
        stoma->displaced_settled = device->position.fact; /* the length is kept: the plan says whether it was too far */
    }
    if (care_fact_is(&stoma->rotated_jejunal) && !care_fact_is(&stoma->rotated_jejunal_settled))
        stoma->rotated_jejunal_settled = device->position.fact;
}
