/*
 * state_codec.c - a care state as bytes.
 *
 *     02              format; 01 is read as well: it has no catheters (state_codec_stoma.c)
 *     xx xx           bytes of the core, big-endian
 *     core            fields of the child, its stomas and lists, in the order of the functions below
 *     profile         texts of the record, a stream of its own: unchanged texts are unchanged bytes
 *
 * Both parts are streams of fields as coder.h has them. A child of whom nothing
 * but one note is folded, written at 2026-03-01T14:00:00Z, to that moment:
 *
 *     02 00 22                 format, 34 bytes of core
 *     d0                       presence 1101 0000: folded_to, event_count, not registered, last_event, ...
 *     e7 95 9b 97 9c 00        folded_to, signed: 3544747200000 is 1772373600000 folded
 *     01                       event_count
 *     00                       last_event: fact number 0, new, so its id follows
 *     01 9c a9 b2 e7 00 70 00 80 00 00 00 00 00 00 01
 *     00                       and its time: 0 ms from the id's own
 *     00 00 00 00 00 00 00 00  presence of all else in the core: nothing
 *     00 00                    presence of the texts: none
 *
 * What always holds: encode(decode(bytes)) is the same bytes, of the newest format; anything else than
 * what the encode of that format made is refused, never guessed at.
 */
#include "care/state_codec.h"

#include <assert.h>
#include <string.h>

#define FORMAT 2
#define HEAD_BYTES 3

static void code_stay(struct care_coder *c, struct care_stay *stay) {
    if (!care_code_present(c, care_fact_is(&stay->started) || care_fact_is(&stay->ended)))
        return;
    care_code_fact(c, &stay->started);
    care_code_fact(c, &stay->ended);
    care_code_u8(c, &stay->where, PROTO_stay_where_count - 1);
    care_code_day(c, &stay->expected_back_day);
    care_code_text(c, stay->name, sizeof stay->name);
    care_code_bool(c, &stay->stoma_formed);
    if (!care_fact_is(&stay->started) && !care_fact_is(&stay->ended) && c->error == PROTO_OK)
        c->error = PROTO_CORRUPT; /* a stay that never was is left out */
}

static void code_zones(struct care_coder *c, struct care_state *state) {
    care_code_u32(c, &state->zone_count, PROTO_ZONES_KEPT);
    for (uint32_t i = 0; c->error == PROTO_OK && i < state->zone_count; i++) {
        care_code_time(c, &state->zones[i].from);
        care_code_text(c, state->zones[i].name, sizeof state->zones[i].name);
    }
}

static void code_child(struct care_coder *c, struct care_state *state) {
    care_code_i64(c, &state->folded_to);
    care_code_u32(c, &state->event_count, UINT32_MAX);
    care_code_fact(c, &state->registered);
    care_code_fact(c, &state->last_event);
    care_code_bool(c, &state->overflow);
    care_code_day(c, &state->born_day);
    care_code_u8(c, &state->active, 2);
    care_code_u8(c, &state->feeding, PROTO_feeding_count - 1);
    care_code_u8(c, &state->latex_allergy, 2);
    care_code_u8(c, &state->anticoagulant, 2);
    care_code_u8(c, &state->immunosuppressed, 2);
    care_code_day_or(c, &state->hours_without_feed_max, -1);
    care_code_fact(c, &state->moved);
    care_code_fact(c, &state->reopened);
    care_code_fact(c, &state->closed);
    care_code_u8(c, &state->closed_reason, PROTO_closed_reason_count - 1);
    care_code_fact(c, &state->merged);
    care_code_id(c, &state->merged_into);
    code_zones(c, state);
    code_stay(c, &state->stay);
    code_stay(c, &state->away);
    care_code_fact(c, &state->hospital);
    care_code_bool(c, &state->hospital_formed_here);
}

static void code_contact(struct care_coder *c, struct care_state *state) {
    care_code_fact(c, &state->last_word);
    care_code_fact(c, &state->silence.from);
    care_code_fact(c, &state->silence.to);
    care_code_fact(c, &state->silence.missed_last);
    care_code_u8(c, &state->silence.missed, UINT8_MAX);
    care_code_u8(c, &state->missed_visits, UINT8_MAX);
    care_code_fact(c, &state->missed_first);
    care_code_fact(c, &state->missed_last);
    care_code_fact(c, &state->visit_planned);
    care_code_day(c, &state->visit_planned_day);
    care_code_fact(c, &state->plan_first);
    care_code_fact(c, &state->plan);
    care_code_u8(c, &state->plan_keep_open, 2);
    care_code_u8(c, &state->plan_home_change, 2);
    care_code_u8(c, &state->plan_stoma, PROTO_stoma_count - 1);
    care_code_u8(c, &state->plan_spares, UINT8_MAX);
    care_code_day(c, &state->plan_review_day);
    care_code_fact(c, &state->second_plan.fact);
    care_code_u8(c, &state->second_plan.keep_open, 2);
    care_code_u8(c, &state->second_plan.home_change, 2);
    care_code_u8(c, &state->second_plan.spares, UINT8_MAX);
    care_code_day(c, &state->second_plan.review_day);
    care_code_fact(c, &state->feed);
    care_code_u8(c, &state->feed_mode, PROTO_feeding_count - 1);
    care_code_i32(c, &state->feed_ml_day);
    care_code_i32(c, &state->feed_flush_ml);
    care_code_fact(c, &state->weight);
    care_code_i32(c, &state->weight_kg);
    care_code_fact(c, &state->weight_before);
    care_code_i32(c, &state->weight_before_kg);
    care_code_fact(c, &state->clock_doubt);
    care_code_time(c, &state->clock_offset_ms);
    care_code_fact(c, &state->waiting);
    care_code_u32(c, &state->waiting_count, UINT32_MAX);
    care_code_time(c, &state->waiting_written_at);
    care_code_fact(c, &state->grave_withdrawal);
}

static void code_core(struct care_coder *c, struct care_state *state) {
    code_child(c, state);
    code_contact(c, state);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++)
        care_code_stoma(c, &state->stomas[i]);
    care_code_lists(c, state);
    care_coder_flush(c);
}

enum proto_error care_state_encode(const struct care_state *state, uint8_t *out, size_t cap, size_t *size_out) {
    struct care_coder c;
    struct care_state *fields = (struct care_state *)(uintptr_t)state; /* writing leaves them as they are */
    if (cap < HEAD_BYTES)
        return PROTO_TOO_LARGE;
    care_coder_write(&c, out, cap);
    c.at = HEAD_BYTES;
    c.format = FORMAT;
    code_core(&c, fields);
    size_t core = c.at - HEAD_BYTES;
    care_code_profile(&c, &fields->profile);
    care_coder_flush(&c);
    if (c.error != PROTO_OK)
        return c.error;
    if (core > UINT16_MAX)
        return PROTO_TOO_LARGE;
    out[0] = FORMAT;
    out[1] = (uint8_t)(core >> 8);
    out[2] = (uint8_t)(core & 0xff);
    *size_out = c.at;
    return PROTO_OK;
}

enum proto_error care_state_decode(const uint8_t *bytes, size_t size, struct care_state *state) {
    struct care_coder c;
    if (size < HEAD_BYTES || bytes[0] == 0)
        return PROTO_CORRUPT;
    if (bytes[0] > FORMAT)
        return PROTO_NEWER;
    care_state_init(state);
    care_coder_read(&c, bytes, size);
    c.at = HEAD_BYTES;
    c.format = bytes[0];
    code_core(&c, state);
    if (c.error == PROTO_OK && c.at - HEAD_BYTES != ((size_t)bytes[1] << 8 | bytes[2]))
        c.error = PROTO_CORRUPT;
    care_code_profile(&c, &state->profile);
    care_coder_flush(&c);
    if (c.error == PROTO_OK && c.at != size)
        c.error = PROTO_CORRUPT;
    if (c.error != PROTO_OK)
        care_state_init(state);
    return c.error;
}
