/*
 * state_codec_stoma.c - one stoma of a stored care state: the stoma, its device, checks and signs.
 *
 * What always holds: fields are written in the order of the lines below; new
 * ones need a new format, or a place where old bytes have a zero bit.
 */
#include "care/state_codec.h"

#include <assert.h>

static void code_position(struct care_coder *c, struct care_position *position) {
    care_code_fact(c, &position->fact);
    care_code_u8(c, &position->method, PROTO_method_count - 1);
    care_code_i32(c, &position->ph);
}

static void code_device_as_placed(struct care_coder *c, struct care_device *device) {
    care_code_u8(c, &device->retention, PROTO_retention_count - 1);
    care_code_u8(c, &device->profile, PROTO_profile_count - 1);
    care_code_u8(c, &device->tip, PROTO_tip_count - 1);
    care_code_u8(c, &device->purpose, PROTO_purpose_count - 1);
    care_code_u8(c, &device->why, PROTO_placed_why_count - 1);
    care_code_u8(c, &device->place, PROTO_place_count - 1);
    care_code_u8(c, &device->placed_by, PROTO_placed_by_count - 1);
    care_code_bool(c, &device->first_in_stoma);
    care_code_bool(c, &device->from_spare);
    care_code_i32(c, &device->french_fr);
    care_code_i32(c, &device->length_mm);
    care_code_i32(c, &device->balloon_ml);
    care_code_i32(c, &device->outside_mm);
    care_code_bool(c, &device->outside_given);
    care_code_day(c, &device->expires_day);
    care_code_text(c, device->gtin, sizeof device->gtin);
    care_code_text(c, device->lot, sizeof device->lot);
    care_code_text(c, device->serial, sizeof device->serial);
}

void care_code_device(struct care_coder *c, struct care_device *device) {
    struct care_before *before = &device->before;
    care_code_fact(c, &device->placed);
    care_code_fact(c, &device->seated);
    care_code_time(c, &device->seated_written_at);
    code_device_as_placed(c, device);
    care_code_u8(c, &device->seated_place, PROTO_place_count - 1);
    care_code_u8(c, &device->seated_by, PROTO_placed_by_count - 1);
    care_code_bool(c, &device->put_back);
    code_position(c, &device->position);
    care_code_bool(c, &device->position_said);
    code_position(c, &device->seated_position);
    care_code_fact(c, &device->imaging);
    care_code_bool(c, &before->had_device);
    care_code_u8(c, &before->retention, PROTO_retention_count - 1);
    care_code_u8(c, &before->tip, PROTO_tip_count - 1);
    care_code_u8(c, &before->why, PROTO_placed_why_count - 1);
    care_code_u8(c, &before->plan_home_change, 2);
    care_code_bool(c, &before->first_in_stoma);
    care_code_bool(c, &before->keep_open);
}

static void code_out(struct care_coder *c, struct care_out *out) {
    if (!care_code_present(c, care_fact_is(&out->first) || care_fact_is(&out->failed)))
        return;
    care_code_fact(c, &out->first);
    care_code_fact(c, &out->last);
    care_code_time(c, &out->out_from);
    care_code_u8(c, &out->trained_present, PROTO_yes_no_unknown_count - 1);
    care_code_u8(c, &out->spare_present, PROTO_yes_no_unknown_count - 1);
    care_code_u8(c, &out->balloon, PROTO_out_balloon_count - 1);
    care_code_bool(c, &out->pain);
    care_code_bool(c, &out->bleeding);
    care_code_bool(c, &out->removed);
    care_code_fact(c, &out->failed);
    care_code_u8(c, &out->failed_attempts, UINT8_MAX);
    care_code_fact(c, &out->hospital);
    care_code_fact(c, &out->ended);
    care_code_bool(c, &out->ended_keep_open);
    care_code_bool(c, &out->unrecorded);
    if (!care_fact_is(&out->first) && !care_fact_is(&out->failed) && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT;
}

/* A number as its distance from the one that is expected there: mostly nothing. */
static void code_expected(struct care_coder *c, int32_t *value, int32_t expected) {
    int64_t apart = (int64_t)*value - expected;
    care_code_i64(c, &apart);
    if (c->writing)
        return;
    bool sound = c->error == PROTO_OK && apart >= INT64_C(2) * INT32_MIN && apart <= INT64_C(2) * INT32_MAX &&
                 expected + apart >= INT32_MIN && expected + apart <= INT32_MAX;
    if (!sound && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT;
    *value = sound ? (int32_t)(expected + apart) : 0;
}

static void code_expected_time(struct care_coder *c, int64_t *at, int64_t expected) {
    int64_t apart = *at - expected;
    care_code_i64(c, &apart);
    if (c->writing)
        return;
    bool sound = c->error == PROTO_OK && apart >= -8 * PROTO_TIME_MAX && apart <= 8 * PROTO_TIME_MAX;
    if (!sound && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT;
    *at = sound ? expected + apart : 0;
}

/* `last`: the check before, or NULL. What was put in then is what is expected to have been in now. */
void care_code_check(struct care_coder *c, struct care_check *check, const struct care_check *last) {
    care_code_row_fact(c, &check->fact);
    care_code_bool(c, &check->gap_after);
    care_code_bool(c, &check->stuck);
    care_code_bool(c, &check->left_empty);
    care_code_bool(c, &check->has_withdrawn);
    care_code_bool(c, &check->has_filled);
    care_code_u8(c, &check->look, PROTO_look_count - 1);
    care_code_u8(c, &check->fluid, PROTO_fluid_count - 1);
    code_expected(c, &check->prescribed_ml, last ? last->prescribed_ml : 0);
    code_expected(c, &check->withdrawn_ml, check->has_withdrawn ? check->prescribed_ml : 0);
    code_expected(c, &check->filled_ml, check->has_filled ? check->prescribed_ml : 0);
    care_code_i32(c, &check->syringe_ml);
    code_expected(c, &check->before_ml, last && last->has_filled ? last->filled_ml : check->prescribed_ml);
    code_expected_time(c, &check->before_at, last ? last->fact.at : check->fact.at);
    care_code_bool(c, &check->before_known);
}

static void code_sign(struct care_coder *c, struct care_sign *sign) {
    if (!care_code_present(c, sign->value != 0))
        return;
    care_code_u8(c, &sign->value, 63);
    care_code_bool(c, &sign->open);
    care_code_fact(c, &sign->first);
    care_code_fact(c, &sign->last);
    care_code_fact(c, &sign->settled);
    care_code_fact(c, &sign->denied);
    care_code_i64(c, &sign->number);
    care_code_set(c, &sign->seen_set);
    care_code_fact(c, &sign->early_first);
    care_code_fact(c, &sign->early_last);
    care_code_i64_or(c, &sign->after_seat_ms, INT64_MAX);
    if (sign->value == 0 && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT; /* a sign that was never said is left out */
}

static void code_gaps(struct care_coder *c, struct care_measures *gaps) {
    care_code_u32(c, &gaps->count, CARE_MEASURES_KEPT);
    for (uint32_t i = 0; c->error == PROTO_OK && i < gaps->count; i++) {
        care_code_row_fact(c, &gaps->list[i].fact);
        care_code_i32(c, &gaps->list[i].number);
        care_code_bool(c, &gaps->list[i].seen);
    }
}

static void code_checks(struct care_coder *c, uint32_t *count, struct care_check *checks) {
    care_code_u32(c, count, PROTO_CHECKS_KEPT);
    for (uint32_t i = 0; c->error == PROTO_OK && i < *count; i++)
        care_code_check(c, &checks[i], i > 0 ? &checks[i - 1] : NULL);
}

static void code_past(struct care_coder *c, struct care_past *past) {
    if (!care_code_present(c, care_fact_is(&past->gone)))
        return;
    care_code_fact(c, &past->gone);
    care_code_device(c, &past->device);
    code_checks(c, &past->check_count, past->checks);
    care_code_fact(c, &past->displaced);
    care_code_fact(c, &past->displaced_first);
    care_code_fact(c, &past->displaced_settled);
    care_code_fact(c, &past->outside_worst);
    care_code_i32(c, &past->displaced_outside_mm);
    care_code_bool(c, &past->displaced_said);
    code_gaps(c, &past->gaps);
    care_code_fact(c, &past->blocked_first);
    care_code_fact(c, &past->blocked);
    care_code_fact(c, &past->blocked_settled);
    care_code_u8(c, &past->rotated, PROTO_rotated_count - 1);
    care_code_fact(c, &past->rotated_fact);
    care_code_fact(c, &past->rotated_bad_first);
    care_code_fact(c, &past->rotated_settled);
    care_code_fact(c, &past->rotated_jejunal);
    care_code_fact(c, &past->rotated_jejunal_settled);
    care_code_fact(c, &past->valve_leak_first);
    care_code_fact(c, &past->valve_leak);
    care_code_fact(c, &past->against_contact);
    if (!care_fact_is(&past->gone) && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT; /* a device that is not gone is left out */
}

static void code_balloon(struct care_coder *c, struct care_stoma *stoma) {
    code_checks(c, &stoma->check_count, stoma->checks);
    care_code_fact(c, &stoma->last_good_check);
    care_code_i32(c, &stoma->last_fill_ml);
    care_code_time(c, &stoma->last_fill_at);
    care_code_bool(c, &stoma->last_fill_known);
}

static void code_displaced(struct care_coder *c, struct care_stoma *stoma) {
    care_code_fact(c, &stoma->displaced);
    care_code_fact(c, &stoma->displaced_first);
    care_code_i32(c, &stoma->displaced_outside_mm);
    care_code_fact(c, &stoma->outside_worst);
    care_code_fact(c, &stoma->outside_newest);
    care_code_bool(c, &stoma->displaced_said);
    care_code_bool(c, &stoma->displaced_feed);
    care_code_bool(c, &stoma->displaced_vomiting);
    care_code_fact(c, &stoma->displaced_settled);
}

/* Since format 2. */
static void code_catheter(struct care_coder *c, struct care_stoma *stoma) {
    if (c->format < 2 || !care_code_present(c, care_fact_is(&stoma->catheter.placed)))
        return;
    care_code_device(c, &stoma->catheter);
    care_code_fact(c, &stoma->catheter_gone);
    if (!care_fact_is(&stoma->catheter.placed) && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT; /* a catheter that was never placed is left out */
}

static void code_rest(struct care_coder *c, struct care_stoma *stoma) {
    care_code_fact(c, &stoma->site_checked);
    care_code_fact(c, &stoma->blocked_first);
    care_code_fact(c, &stoma->blocked);
    care_code_fact(c, &stoma->blocked_settled);
    static_assert(PROTO_port_count <= 8, "a port is a bit");
    care_code_u8(c, &stoma->blocked_ports, (1u << PROTO_port_count) - 1);
    care_code_fact(c, &stoma->unsafe);
    care_code_text(c, stoma->unsafe_text, sizeof stoma->unsafe_text);
    care_code_u8(c, &stoma->rotated, PROTO_rotated_count - 1);
    care_code_fact(c, &stoma->rotated_fact);
    care_code_fact(c, &stoma->rotated_bad_first);
    care_code_fact(c, &stoma->rotated_settled);
    care_code_fact(c, &stoma->rotated_jejunal);
    care_code_fact(c, &stoma->rotated_jejunal_settled);
    for (int i = 0; i < PROTO_care_item_count; i++)
        care_code_fact(c, &stoma->care_done[i]);
    care_code_fact(c, &stoma->weekly);
    care_code_day(c, &stoma->weekly_since_day);
    care_code_bool(c, &stoma->imaging_since_displaced);
    care_code_fact(c, &stoma->spare_used);
    care_code_fact(c, &stoma->valve_leak_first);
    care_code_fact(c, &stoma->valve_leak);
    care_code_fact(c, &stoma->early_contact);
    care_code_fact(c, &stoma->keep_open);
    care_code_u8(c, &stoma->keep_open_place, PROTO_place_count - 1);
    care_code_fact(c, &stoma->against_contact);
    care_code_fact(c, &stoma->undated);
    care_code_fact(c, &stoma->dated);
    code_past(c, &stoma->past);
    code_catheter(c, stoma);
}

void care_code_stoma(struct care_coder *c, struct care_stoma *stoma) {
    static_assert(sizeof stoma->care_done / sizeof stoma->care_done[0] == PROTO_care_item_count,
                  "one fact for each item");
    care_code_bool(c, &stoma->touched);
    if (!stoma->touched)
        return;
    care_code_bool(c, &stoma->exists);
    care_code_fact(c, &stoma->formed);
    care_code_day_or(c, &stoma->formed_day, INT32_MIN);
    care_code_u8(c, &stoma->precision, PROTO_precision_count - 1);
    care_code_u8(c, &stoma->how, PROTO_how_count - 1);
    care_code_day_or(c, &stoma->mature_day, INT32_MIN);
    care_code_day_or(c, &stoma->stitches_out_day, INT32_MIN);
    care_code_fact(c, &stoma->closed);
    care_code_text(c, stoma->hospital, sizeof stoma->hospital);
    care_code_u8(c, &stoma->device_state, CARE_DEVICE_KEEP_OPEN);
    care_code_fact(c, &stoma->device_gone);
    care_code_device(c, &stoma->device);
    care_code_i32(c, &stoma->prescribed_balloon_ml);
    care_code_day(c, &stoma->prescribed_change_months);
    care_code_i32(c, &stoma->prescribed_ph);
    care_code_fact(c, &stoma->prescribed);
    code_out(c, &stoma->out);
    code_displaced(c, stoma);
    code_gaps(c, &stoma->gaps);
    code_balloon(c, stoma);
    for (int i = 0; i < CARE_SIGN_COUNT; i++)
        code_sign(c, &stoma->signs[i]);
    code_rest(c, stoma);
}
