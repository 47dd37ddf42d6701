/*
 * step_anew.c - a stoma is formed where one was closed: the old one's device and dates go, what was said since the closing stays.
 *
 * Whatever was seen after the closing was seen at what is there now. What always
 * holds: a fact folded after the closing survives the forming, and so does a
 * sign of the skin that nobody has denied.
 */
#include "care/step.h"

#include <string.h>

static bool since(const struct care_fact *fact, const struct care_fact *closed) {
    return care_fact_is(fact) && care_fact_order(fact, closed) > 0;
}

static void keep(struct care_fact *to, const struct care_fact *from, const struct care_fact *closed) {
    if (since(from, closed))
        *to = *from;
}

/* The beginning of a run: its first fact since the closing. */
static void keep_run(struct care_fact *first, struct care_fact *newest, const struct care_fact *old_first,
                     const struct care_fact *old_newest, const struct care_fact *closed) {
    if (!since(old_newest, closed))
        return;
    *newest = *old_newest;
    *first = since(old_first, closed) ? *old_first : *old_newest;
}

/* A sign that nobody has denied is still there, whatever the stoma it was seen at. */
static void keep_signs(struct care_stoma *stoma, const struct care_stoma *old) {
    for (int i = 0; i < CARE_SIGN_COUNT; i++) {
        const struct care_sign *sign = &old->signs[i];
        if (sign->open || care_fact_is(&sign->early_first) || since(&sign->last, &old->closed) ||
            since(&sign->denied, &old->closed))
            stoma->signs[i] = *sign;
    }
    keep(&stoma->site_checked, &old->site_checked, &old->closed);
    stoma->early_contact = old->early_contact;
}

static void keep_checks(struct care_stoma *stoma, const struct care_stoma *old) {
    for (uint32_t i = 0; i < old->check_count; i++) {
        if (since(&old->checks[i].fact, &old->closed))
            stoma->checks[stoma->check_count++] = old->checks[i];
    }
    for (uint32_t i = 0; i < old->gaps.count; i++) {
        if (since(&old->gaps.list[i].fact, &old->closed))
            stoma->gaps.list[stoma->gaps.count++] = old->gaps.list[i];
    }
    if (stoma->check_count == 0)
        return;
    keep(&stoma->last_good_check, &old->last_good_check, &old->closed);
    stoma->last_fill_ml = old->last_fill_ml;
    stoma->last_fill_at = old->last_fill_at;
    stoma->last_fill_known = old->last_fill_known;
}

static void keep_device_facts(struct care_stoma *stoma, const struct care_stoma *old) {
    const struct care_fact *closed = &old->closed;
    if (since(&old->displaced, closed) || since(&old->outside_worst, closed)) {
        keep_run(&stoma->displaced_first, &stoma->displaced, &old->displaced_first, &old->displaced, closed);
        keep(&stoma->outside_worst, &old->outside_worst, closed);
        keep(&stoma->outside_newest, &old->outside_newest, closed);
        keep(&stoma->displaced_settled, &old->displaced_settled, closed);
        stoma->displaced_outside_mm = old->displaced_outside_mm;
        stoma->displaced_said = old->displaced_said;
        stoma->displaced_feed = old->displaced_feed;
        stoma->displaced_vomiting = old->displaced_vomiting;
    }
    keep_run(&stoma->blocked_first, &stoma->blocked, &old->blocked_first, &old->blocked, closed);
    keep(&stoma->blocked_settled, &old->blocked_settled, closed);
    stoma->blocked_ports = since(&old->blocked, closed) ? old->blocked_ports : 0;
    if (since(&old->rotated_fact, closed)) {
        stoma->rotated = old->rotated;
        stoma->rotated_fact = old->rotated_fact;
        if (care_fact_is(&old->rotated_bad_first))
            stoma->rotated_bad_first =
                since(&old->rotated_bad_first, closed) ? old->rotated_bad_first : old->rotated_fact;
        keep(&stoma->rotated_settled, &old->rotated_settled, closed);
    }
    keep(&stoma->rotated_jejunal, &old->rotated_jejunal, closed);
    keep(&stoma->rotated_jejunal_settled, &old->rotated_jejunal_settled, closed);
    keep_run(&stoma->valve_leak_first, &stoma->valve_leak, &old->valve_leak_first, &old->valve_leak, closed);
    if (since(&old->unsafe, closed)) {
        stoma->unsafe = old->unsafe;
        memcpy(stoma->unsafe_text, old->unsafe_text, sizeof stoma->unsafe_text);
    }
}

void care_step_stoma_anew(struct care_stoma *stoma) {
    struct care_stoma old = *stoma;
    memset(stoma, 0, sizeof *stoma);
    stoma->touched = true;
    for (int i = 0; i < CARE_SIGN_COUNT; i++)
        stoma->signs[i].after_seat_ms = INT64_MAX;
    keep_signs(stoma, &old);
    keep_checks(stoma, &old);
    keep_device_facts(stoma, &old);
    for (size_t i = 0; i < sizeof stoma->care_done / sizeof stoma->care_done[0]; i++)
        keep(&stoma->care_done[i], &old.care_done[i], &old.closed);
    if (since(&old.weekly, &old.closed)) {
        stoma->weekly = old.weekly;
        stoma->weekly_since_day = old.weekly_since_day;
    }
}
