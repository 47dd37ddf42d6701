/*
 * detail.c - one plain line about a task: what is behind it, never how long it is until it.
 *
 * What always holds: free of time and of zones, so a stored row can carry it.
 */
#include "care/facts.h"
#include "care/text.h"

static const struct care_stoma *task_stoma(const struct care_state *state, const struct care_task *task) {
    return &state->stomas[task->stoma == PROTO_stoma_second ? 1 : 0];
}

static void detail_balloon(const struct care_stoma *s, struct care_text *text) {
    int32_t prescribed = s->prescribed_balloon_ml ? s->prescribed_balloon_ml : s->device.balloon_ml;
    const struct care_check *last = NULL;
    for (uint32_t i = 0; i < s->check_count; i++) {
        if (s->checks[i].has_withdrawn)
            last = &s->checks[i];
    }
    if (last) {
        care_text_add(text, "at the last check ");
        care_text_add_amount(text, last->withdrawn_ml);
        if (last->before_ml > 0) {
            care_text_add(text, " of ");
            care_text_add_amount(text, last->before_ml);
        }
        care_text_add(text, " mL came out");
    } else {
        care_text_add(text, "not checked since the device was placed");
    }
    if (prescribed > 0) {
        care_text_add(text, "; ");
        care_text_add_amount(text, prescribed);
        care_text_add(text, " mL prescribed");
    }
    if (s->check_count > 0 && s->checks[s->check_count - 1].stuck)
        care_text_add(text, "; nothing could be drawn the last time");
}

static void detail_device(const struct care_stoma *s, struct care_text *text) {
    const struct care_device *device = &s->device;
    const char *retention = device->retention ? proto_choice_name("retention", device->retention) : NULL;
    const char *profile = device->profile ? proto_choice_name("profile", device->profile) : NULL;
    if (retention)
        care_text_add(text, retention);
    if (profile) {
        care_text_add(text, text->size ? ", " : "");
        care_text_add(text, profile);
        care_text_add(text, " profile");
    }
    if (device->french_fr > 0) {
        care_text_add(text, text->size ? ", " : "");
        care_text_add_amount(text, device->french_fr);
        care_text_add(text, " Fr");
    }
    if (device->length_mm > 0) {
        care_text_add(text, ", ");
        care_text_add_amount(text, device->length_mm);
        care_text_add(text, " mm");
    }
    if (device->tip == PROTO_tip_jejunum)
        care_text_add(text, "; tip in the jejunum: in hospital only");
}

static void detail_spare(const struct care_state *state, const struct care_task *task, struct care_text *text) {
    int stoma = task->stoma ? task->stoma : PROTO_stoma_main;
    for (uint32_t i = 0; i < state->spare_count; i++) {
        const struct care_spare *spare = &state->spares[i];
        const char *what = spare->what ? proto_choice_name("spare_what", spare->what) : NULL;
        const char *place = spare->place ? proto_choice_name("spare_place", spare->place) : NULL;
        if (spare->stoma != stoma || !what || !place)
            continue;
        care_text_add(text, text->size ? "; " : "last counted: ");
        care_text_add_int(text, spare->count);
        care_text_add(text, " ");
        care_text_add(text, what);
        care_text_add(text, " (");
        care_text_add(text, place);
        if (spare->expires_day != 0) {
            care_text_add(text, ", use by ");
            care_text_add_day(text, spare->expires_day);
        }
        care_text_add(text, ")");
    }
    if (text->size == 0)
        care_text_add(text, "never counted");
}

static void detail_weight(const struct care_state *state, struct care_text *text) {
    if (!care_fact_is(&state->weight)) {
        care_text_add(text, "not weighed yet");
        return;
    }
    care_text_add(text, "last weight ");
    care_text_add_amount(text, state->weight_kg);
    care_text_add(text, " kg");
    if (care_fact_is(&state->weight_before)) {
        care_text_add(text, ", before that ");
        care_text_add_amount(text, state->weight_before_kg);
        care_text_add(text, " kg");
    }
}

static void detail_weekly(const struct care_stoma *s, struct care_text *text) {
    if (!care_fact_is(&s->weekly)) {
        care_text_add(text, "washing, turning where allowed, dressing, taping: not yet talked about");
        return;
    }
    care_text_add(text, "the last talk covered the days from ");
    care_text_add_day(text, s->weekly_since_day);
    care_text_add(text, " to the day of the talk");
}

void care_task_detail(const struct care_state *state, const struct care_task *task, char out[PROTO_TEXT_LINE_MAX + 1]) {
    struct care_text text;
    care_text_init(&text, out, PROTO_TEXT_LINE_MAX + 1);
    const struct care_stoma *s = task_stoma(state, task);
    switch (task->task) {
    case PROTO_TASK_BALLOON_CHECK:
    case PROTO_TASK_BALLOON_RECHECK:
        detail_balloon(s, &text);
        return;
    case PROTO_TASK_DEVICE_CHANGE:
        detail_device(s, &text);
        return;
    case PROTO_TASK_SPARE_CHECK:
        detail_spare(state, task, &text);
        return;
    case PROTO_TASK_WEIGHT:
        detail_weight(state, &text);
        return;
    case PROTO_TASK_WEEKLY_CONTACT:
        detail_weekly(s, &text);
        return;
    case PROTO_TASK_HOSPITAL_FOLLOW_UP:
        care_text_add(&text, state->hospital_formed_here ? "at the hospital that formed the stoma" : "");
        return;
    default:
        return;
    }
}
