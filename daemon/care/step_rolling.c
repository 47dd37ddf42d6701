/*
 * step_rolling.c - which row of a full list gives way to a new one: never one on which an alert may still rest.
 *
 * A list of the last K forgets. A balloon filled with air in January is still
 * filled with air in May when nobody has filled it rightly since, whatever was
 * written in between. What always holds: judged by what the rows say, not by
 * policy; of the rows that may go the oldest goes; the newest always stays.
 */
#include "care/step.h"

#include <assert.h>
#include <string.h>

#define NONE PROTO_CHECKS_KEPT

static_assert(PROTO_CHECKS_KEPT <= 32, "pins are bits of 32");
static_assert(PROTO_CHECKS_KEPT > 12, "at most eleven checks are pinned: one can always go");

static uint32_t pin(uint32_t index) {
    return index < NONE ? 1u << index : 0;
}

/* What a check says about one thing; 0: nothing. */
typedef uint32_t (*check_word)(const struct care_check *check);

static uint32_t word_look(const struct care_check *check) {
    return check->look == 0 ? 0 : check->look == PROTO_look_clear ? 1 : 2;
}

static uint32_t word_fluid(const struct care_check *check) {
    return check->has_filled ? check->fluid : 0;
}

static uint32_t word_volume(const struct care_check *check) {
    return check->has_withdrawn ? 1 : 0;
}

/* A fill that can be judged: left empty, or against what was prescribed. */
static uint32_t word_fill(const struct care_check *check) {
    return check->left_empty ? 1 : check->has_filled && check->prescribed_ml != 0 ? 2 : 0;
}

/* The newest check that says something, and the first of those that said the same ever since. */
static uint32_t pin_word(const struct care_stoma *stoma, check_word word) {
    uint32_t newest = NONE, first = NONE;
    for (uint32_t i = 0; i < stoma->check_count; i++) {
        uint32_t said = word(&stoma->checks[i]);
        if (said == 0)
            continue;
        if (newest == NONE || said != word(&stoma->checks[newest]))
            first = i;
        newest = i;
    }
    return pin(newest) | pin(first);
}

/* The volume last drawn; after it, the first two attempts that drew nothing. */
static uint32_t pin_volume(const struct care_stoma *stoma) {
    uint32_t newest = NONE, stuck = 0, pins = 0;
    for (uint32_t i = 0; i < stoma->check_count; i++) {
        const struct care_check *check = &stoma->checks[i];
        if (word_volume(check) != 0) {
            newest = i;
            stuck = 0;
            pins = 0;
        } else if (check->stuck && stuck < 2) {
            pins |= pin(i);
            stuck++;
        }
    }
    return pin(newest) | pins;
}

static int32_t lost_ml(const struct care_check *check) {
    return check->has_withdrawn && check->before_ml > 0 ? check->before_ml - check->withdrawn_ml : INT32_MIN;
}

/* Whether two checks running can mean that the balloon fails: the first refilled, and not the same visit. */
static bool can_fail(const struct care_check *a, const struct care_check *b) {
    int64_t same_ms = proto_policy_get(PROTO_POLICY_BALLOON_SAME_CHECK_MIN)->fallback * INT64_C(600);
    return a->has_filled && a->filled_ml > 0 && b->fact.at - a->fact.at > same_ms;
}

/* The two checks running that lost most, by the one of them that lost less: a failing balloon fails until the device is gone. */
static uint32_t pin_failing(const struct care_stoma *stoma) {
    uint32_t before = NONE, pins = 0;
    int32_t most = (int32_t)proto_policy_get(PROTO_POLICY_BALLOON_LOSS_ML)->min;
    for (uint32_t i = 0; i < stoma->check_count; i++) {
        const struct care_check *check = &stoma->checks[i];
        int32_t lost = lost_ml(check);
        if (lost != INT32_MIN && before != NONE && can_fail(&stoma->checks[before], check)) {
            int32_t less = lost < lost_ml(&stoma->checks[before]) ? lost : lost_ml(&stoma->checks[before]);
            if (less > most) {
                most = less;
                pins = pin(before) | pin(i);
            }
        }
        if (lost != INT32_MIN)
            before = i;
        if (check->gap_after)
            before = NONE;
    }
    return pins;
}

void care_step_make_room_for_check(struct care_stoma *stoma) {
    if (stoma->check_count < PROTO_CHECKS_KEPT)
        return;
    uint32_t pins = pin_word(stoma, word_look) | pin_word(stoma, word_fluid) | pin_word(stoma, word_fill) |
                    pin_volume(stoma) | pin_failing(stoma);
    uint32_t goes = 0;
    while (goes < stoma->check_count - 1 && pins >> goes & 1)
        goes++;
    /* A volume between two others is missing from here on: they are no longer running. */
    if (goes > 0 && (stoma->checks[goes].has_withdrawn || stoma->checks[goes].gap_after))
        stoma->checks[goes - 1].gap_after = true;
    uint32_t behind = stoma->check_count - goes - 1;
    memmove(&stoma->checks[goes], &stoma->checks[goes + 1], sizeof stoma->checks[0] * behind);
    stoma->check_count--;
}

/* Whether a reading that was only told lies between two others that were: it opens nothing that they do not. */
static bool told_between(const struct care_measures *gaps, uint32_t index) {
    bool less = false, more = false;
    for (uint32_t i = 0; i < gaps->count; i++) {
        less = less || (i != index && !gaps->list[i].seen && gaps->list[i].number <= gaps->list[index].number);
        more = more || (i != index && !gaps->list[i].seen && gaps->list[i].number >= gaps->list[index].number);
    }
    return !gaps->list[index].seen && less && more;
}

/* The newest that was seen decides for all before it. What was told since can open and never settles: the tightest and the loosest stay. */
void care_step_make_room_for_gap(struct care_measures *gaps) {
    if (gaps->count < CARE_MEASURES_KEPT)
        return;
    uint32_t newest_seen = 0, goes = 0;
    for (uint32_t i = 0; i < gaps->count; i++)
        newest_seen = gaps->list[i].seen ? i : newest_seen;
    while (goes < newest_seen && gaps->list[goes].seen)
        goes++;
    if (goes == newest_seen) /* nothing was told before it */
        for (goes = newest_seen; goes < gaps->count && !told_between(gaps, goes);)
            goes++;
    if (goes == gaps->count)
        goes = 0; /* one that was seen, and another since */
    memmove(&gaps->list[goes], &gaps->list[goes + 1], sizeof gaps->list[0] * (gaps->count - goes - 1));
    gaps->count--;
}

/* A call that was about an alert stays before one that was about none. */
void care_step_make_room_for_contact(struct care_state *state) {
    if (state->contact_count < PROTO_CONTACTS_KEPT)
        return;
    uint32_t goes = 0;
    while (goes < state->contact_count - 1 && state->contacts[goes].about != 0)
        goes++;
    if (state->contacts[goes].about != 0)
        goes = 0;
    memmove(&state->contacts[goes], &state->contacts[goes + 1],
            sizeof state->contacts[0] * (state->contact_count - goes - 1));
    state->contact_count--;
}
