/*
 * step_check.c - what was seen and done: the balloon checked, the site looked at, routine care.
 *
 * What always holds: absent is not "free of": a sign that was seen goes only by
 * an explicit no of somebody who saw it.
 */
#include "care/step.h"

#include <assert.h>

static int32_t prescribed_now(const struct care_stoma *stoma) {
    return stoma->prescribed_balloon_ml ? stoma->prescribed_balloon_ml : stoma->device.balloon_ml;
}

static struct care_check *add_check(struct care_stoma *stoma) {
    care_step_make_room_for_check(stoma);
    struct care_check *check = &stoma->checks[stoma->check_count++];
    memset(check, 0, sizeof *check);
    return check;
}

static void keep_fill(struct care_stoma *stoma, const struct care_check *check) {
    if (check->stuck)
        return; /* nothing was drawn, nothing was put in */
    stoma->last_fill_known = check->has_filled || check->left_empty;
    stoma->last_fill_ml = check->has_filled ? check->filled_ml : 0;
    stoma->last_fill_at = check->fact.at;
}

/* What the event says, and what was prescribed then. */
static void describe_check(const struct care_stoma *stoma, const struct proto_event *event, struct care_check *check) {
    const struct proto_value *withdrawn = PROTO_BODY(event, balloon_checked, withdrawn_ml);
    const struct proto_value *filled = PROTO_BODY(event, balloon_checked, filled_ml);
    check->fact = care_step_fact(event);
    check->stuck = care_said_yes(PROTO_BODY(event, balloon_checked, stuck));
    check->left_empty = care_said_yes(PROTO_BODY(event, balloon_checked, left_empty));
    check->has_withdrawn = withdrawn->present;
    check->has_filled = filled->present;
    check->withdrawn_ml = (int32_t)care_said(withdrawn, 0);
    check->filled_ml = (int32_t)care_said(filled, 0);
    check->look = care_said_choice(PROTO_BODY(event, balloon_checked, look));
    check->fluid = care_said_choice(PROTO_BODY(event, balloon_checked, fluid));
    check->syringe_ml = (int32_t)care_said(PROTO_BODY(event, balloon_checked, syringe_ml), 0);
    check->prescribed_ml = prescribed_now(stoma);
}

void care_step_check_made(const struct care_stoma *stoma, const struct proto_event *event, struct care_check *out) {
    memset(out, 0, sizeof *out);
    describe_check(stoma, event, out);
    out->before_ml = out->prescribed_ml;
    out->before_at = event->at;
    for (uint32_t i = 0; i < stoma->check_count;
         i++) { /* oldest first: the last one before it that left a known volume */
        const struct care_check *check = &stoma->checks[i];
        if (check->stuck || check->fact.at > event->at || (!check->has_filled && !check->left_empty))
            continue;
        out->before_known = true;
        out->before_ml = check->has_filled ? check->filled_ml : 0;
        out->before_at = check->fact.at;
    }
}

void care_step_balloon(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    struct care_check *check = add_check(stoma);
    describe_check(stoma, event, check);
    check->before_known = stoma->last_fill_known;
    check->before_ml = stoma->last_fill_known ? stoma->last_fill_ml : check->prescribed_ml;
    check->before_at = stoma->last_fill_at;
    keep_fill(stoma, check);
    if (!check->has_withdrawn)
        return;
    care_step_completed(state, PROTO_TASK_BALLOON_RECHECK, proto_event_stoma(event), "");
    if (check->has_filled && check->filled_ml > 0) {
        stoma->last_good_check = check->fact;
        care_step_completed(state, PROTO_TASK_BALLOON_CHECK, proto_event_stoma(event), "");
    }
}

/* --- signs ------------------------------------------------------------------------------------------ */

struct sighting {
    struct care_fact fact;
    bool seen;                      /* source: seen */
    int64_t after_seat_ms;          /* since the newest formation, placement or put-back; INT64_MAX none */
    struct care_fact early_contact; /* of the stoma, before this sighting */
};

/* When the stoma was formed, as an instant; an event written long after the given date says nothing about hours. */
static int64_t formed_instant(const struct care_stoma *stoma) {
    if (!care_fact_is(&stoma->formed))
        return INT64_MIN;
    int64_t latest = stoma->formed.at;
    int32_t day = care_latest_day(stoma->formed_day, stoma->precision);
    if (day != INT32_MIN) {
        int64_t day_over = (day + 1) * PROTO_DAY_MS + 14 * 3600000LL; /* over in every zone */
        if (day_over < latest)
            latest = day_over;
    }
    return latest;
}

int64_t care_step_after_seat(const struct care_stoma *stoma, int64_t at) {
    int64_t newest = formed_instant(stoma);
    if (newest > at)
        newest = INT64_MIN;
    if (care_fact_is(&stoma->device.seated) && stoma->device.seated.at <= at && stoma->device.seated.at > newest)
        newest = stoma->device.seated.at;
    return newest == INT64_MIN ? INT64_MAX : at - newest;
}

/* An early complication settles only by an explicit no after an answered contact. One that did is over; any other goes on with the next
 * sighting, however late that comes and whatever was denied in between. */
static void early_over(struct care_sign *sign, const struct sighting *s) {
    if (!care_fact_is(&s->early_contact) || sign->denied.at < s->early_contact.at)
        return;
    sign->early_first = sign->early_last = CARE_NEVER;
    sign->after_seat_ms = INT64_MAX;
}

static void early_seen(struct care_sign *sign, const struct sighting *s) {
    int64_t longest_ms = proto_policy_get(PROTO_POLICY_EARLY_HOURS)->max * INT64_C(36000);
    if (!care_fact_is(&sign->early_first)) {
        if (s->after_seat_ms > longest_ms)
            return;
        sign->early_first = s->fact;
    }
    sign->early_last = s->fact;
    if (s->after_seat_ms < sign->after_seat_ms)
        sign->after_seat_ms = s->after_seat_ms;
}

static void sign_seen(struct care_sign *sign, const struct sighting *s, uint64_t bit, bool early) {
    if (!sign->open) {
        sign->open = true;
        sign->first = s->fact;
        sign->settled = CARE_NEVER;
        sign->seen_set = 0;
        early_over(sign, s);
    }
    sign->last = s->fact;
    sign->seen_set |= bit;
    if (early)
        early_seen(sign, s);
}

static void sign_not_seen(struct care_sign *sign, const struct sighting *s) {
    if (!s->seen)
        return;
    sign->denied = s->fact;
    if (!sign->open)
        return;
    sign->open = false;
    sign->settled = s->fact;
}

/* `early`: whether it can be an early complication. */
static void sign_bool(struct care_sign *sign, const struct proto_value *said, const struct sighting *s, bool early) {
    if (!said->present)
        return;
    sign->value = said->n ? 2 : 1;
    if (said->n)
        sign_seen(sign, s, 0, early);
    else
        sign_not_seen(sign, s);
}

/* Sets of choices: `fine` those that are an explicit no, `early` those that can be an early complication. */
static void sign_choice(struct care_sign *sign, const struct proto_value *said, const struct sighting *s, uint64_t fine,
                        uint64_t early) {
    if (!said->present || said->n < 1 || said->n > 63)
        return;
    uint64_t bit = 1ull << (said->n - 1);
    sign->value = (uint8_t)said->n;
    if (fine & bit)
        sign_not_seen(sign, s);
    else
        sign_seen(sign, s, bit, (early & bit) != 0);
}

/* A temperature: one that was only told does not undo a higher one. */
static void sign_fever(struct care_sign *sign, const struct proto_value *said, const struct sighting *s) {
    if (!said->present || (care_fact_is(&sign->last) && !s->seen && said->n < sign->number))
        return;
    sign->value = 2;
    sign->number = said->n;
    sign->first = sign->last = s->fact;
}

static void sign_length(struct care_sign *sign, const struct proto_value *said, const struct sighting *s) {
    if (!said->present)
        return;
    sign->value = 2;
    sign->number = said->n;
    sign->first = sign->last = s->fact;
}

static void keep_gap(struct care_measures *gaps, const struct proto_value *said, const struct sighting *s) {
    if (!said->present)
        return;
    care_step_make_room_for_gap(gaps);
    memset(&gaps->list[gaps->count], 0, sizeof gaps->list[0]);
    gaps->list[gaps->count].fact = s->fact;
    gaps->list[gaps->count].number = (int32_t)said->n;
    gaps->list[gaps->count].seen = s->seen;
    gaps->count++;
}

/* A sign of an early complication was seen: whoever was called before has not heard of it. */
static bool is_early_sign(const struct proto_event *event) {
    const struct proto_value *pain = PROTO_BODY(event, site_checked, pain);
    const struct proto_value *discharge = PROTO_BODY(event, site_checked, discharge);
    const struct proto_value *leak = PROTO_BODY(event, site_checked, leak);
    return care_said(pain, 0) == PROTO_pain_severe || care_said_yes(PROTO_BODY(event, site_checked, pain_on_feeding)) ||
           care_said_yes(PROTO_BODY(event, site_checked, bleeding)) ||
           care_said(discharge, 0) == PROTO_discharge_blood || care_said(leak, 0) == PROTO_leak_around;
}

static void note_valve_leak(struct care_stoma *stoma, const struct proto_value *leak, const struct care_fact *fact) {
    if (care_said(leak, 0) != PROTO_leak_through)
        return;
    if (!care_fact_is(&stoma->valve_leak_first))
        stoma->valve_leak_first = *fact;
    stoma->valve_leak = *fact;
}

#define CHOICE_BIT(list, name) (1ull << (PROTO_##list##_##name - 1))

void care_step_site(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    struct care_sign *signs = stoma->signs;
    struct sighting s = {care_step_fact(event), event->source == PROTO_source_seen,
                         care_step_after_seat(stoma, event->at), stoma->early_contact};
    stoma->site_checked = s.fact;
    sign_choice(&signs[CARE_SIGN_REDNESS], PROTO_BODY(event, site_checked, redness), &s,
                CHOICE_BIT(redness, none) | CHOICE_BIT(redness, pink), 0);
    sign_bool(&signs[CARE_SIGN_SPREADING], PROTO_BODY(event, site_checked, spreading), &s, false);
    sign_bool(&signs[CARE_SIGN_WARM], PROTO_BODY(event, site_checked, warm), &s, false);
    sign_bool(&signs[CARE_SIGN_PUSTULE], PROTO_BODY(event, site_checked, pustule), &s, false);
    sign_bool(&signs[CARE_SIGN_ODOUR], PROTO_BODY(event, site_checked, odour), &s, false);
    sign_bool(&signs[CARE_SIGN_OVERGRANULATION], PROTO_BODY(event, site_checked, overgranulation), &s, false);
    sign_bool(&signs[CARE_SIGN_BLEEDING], PROTO_BODY(event, site_checked, bleeding), &s, true);
    sign_choice(&signs[CARE_SIGN_DISCHARGE], PROTO_BODY(event, site_checked, discharge), &s,
                CHOICE_BIT(discharge, none) | CHOICE_BIT(discharge, clear), CHOICE_BIT(discharge, blood));
    sign_choice(&signs[CARE_SIGN_PAIN], PROTO_BODY(event, site_checked, pain), &s, CHOICE_BIT(pain, none),
                CHOICE_BIT(pain, severe));
    sign_bool(&signs[CARE_SIGN_PAIN_ON_FEEDING], PROTO_BODY(event, site_checked, pain_on_feeding), &s, true);
    sign_fever(&signs[CARE_SIGN_FEVER], PROTO_BODY(event, site_checked, fever_c), &s);
    sign_length(&signs[CARE_SIGN_GAP], PROTO_BODY(event, site_checked, gap_mm), &s);
    sign_length(&signs[CARE_SIGN_OUTSIDE], PROTO_BODY(event, site_checked, outside_mm), &s);
    sign_choice(&signs[CARE_SIGN_LEAK], PROTO_BODY(event, site_checked, leak), &s, CHOICE_BIT(leak, none),
                CHOICE_BIT(leak, around));
    sign_choice(&signs[CARE_SIGN_SKIN], PROTO_BODY(event, site_checked, skin), &s, CHOICE_BIT(skin, whole), 0);
    note_valve_leak(stoma, PROTO_BODY(event, site_checked, leak), &s.fact);
    if (is_early_sign(event))
        stoma->early_contact = CARE_NEVER;
    keep_gap(&stoma->gaps, PROTO_BODY(event, site_checked, gap_mm), &s);
    if (PROTO_BODY(event, site_checked, outside_mm)->present)
        care_step_outside(stoma, event, (int32_t)PROTO_BODY(event, site_checked, outside_mm)->n);
}

/* --- routine care ----------------------------------------------------------------------------------- */

static void note_rotation(struct care_stoma *stoma, const struct proto_event *event, uint8_t rotated) {
    struct care_fact fact = care_step_fact(event);
    if (stoma->device.tip == PROTO_tip_jejunum) { /* never counted; it may have moved the tip */
        if (!care_fact_is(&stoma->rotated_jejunal) || care_fact_is(&stoma->rotated_jejunal_settled))
            stoma->rotated_jejunal = fact;
        stoma->rotated_jejunal_settled = CARE_NEVER;
    }
    if (rotated == 0)
        return;
    bool open = care_fact_is(&stoma->rotated_bad_first) && !care_fact_is(&stoma->rotated_settled);
    stoma->rotated = rotated;
    stoma->rotated_fact = fact;
    if (rotated == PROTO_rotated_free) {
        if (open)
            stoma->rotated_settled = fact;
    } else if (!open) {
        stoma->rotated_bad_first = fact;
        stoma->rotated_settled = CARE_NEVER;
    }
}

static const uint8_t item_task[] = {
    [PROTO_care_item_not_said] = PROTO_TASK_NONE,
    [PROTO_care_item_site_care] = PROTO_TASK_SITE_CARE,
    [PROTO_care_item_rotate] = PROTO_TASK_ROTATE,
    [PROTO_care_item_advance] = PROTO_TASK_NONE,
    [PROTO_care_item_dressing] = PROTO_TASK_DRESSING,
    [PROTO_care_item_extension_change] = PROTO_TASK_EXTENSION_CHANGE,
    [PROTO_care_item_extension_wash] = PROTO_TASK_NONE,
    [PROTO_care_item_taping] = PROTO_TASK_TAPING,
};
static_assert(sizeof item_task == PROTO_care_item_count, "every item of care has its task, or none");

void care_step_care(struct care_state *state, const struct proto_event *event) {
    struct care_stoma *stoma = care_step_stoma(state, event);
    const struct proto_value *items = PROTO_BODY(event, care_done, items);
    const struct proto_value *since = PROTO_BODY(event, care_done, since);
    uint8_t rotated = care_said_choice(PROTO_BODY(event, care_done, rotated));
    uint64_t set = items->present ? items->set : 0;
    int number = proto_event_stoma(event);
    if (rotated || (set & CHOICE_BIT(care_item, rotate)))
        note_rotation(stoma, event, rotated);
    if (stoma->device.tip == PROTO_tip_jejunum)
        set &= ~CHOICE_BIT(care_item, rotate);
    for (int item = 1; item < PROTO_care_item_count; item++) {
        if (!(set & (1ull << (item - 1))))
            continue;
        stoma->care_done[item] = care_step_fact(event);
        if (item_task[item] != PROTO_TASK_NONE)
            care_step_completed(state, (enum proto_task)item_task[item], number, "");
    }
    if (since->present) {
        stoma->weekly = care_step_fact(event);
        stoma->weekly_since_day = (int32_t)since->n;
        care_step_completed(state, PROTO_TASK_WEEKLY_CONTACT, 0, "");
    }
}
