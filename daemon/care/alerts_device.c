/*
 * alerts_device.c - the device itself: valve, blockage, turning, fit, age, recalls.
 *
 * What always holds: all of it ends when the device is gone.
 */
#include "care/alerts.h"
#include "proto/lots.h"

#include <string.h>

/* --- valve ------------------------------------------------------------------------------------------ */

static void plan_valve(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->valve_leak_first))
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_VALVE_LEAK, stoma, &s->valve_leak_first, CARE_FOUND_VALVE_LEAK_THROUGH);
    care_draft_evidence(&draft, &s->valve_leak);
    care_draft_step(&draft, s->valve_leak_first.at, PROTO_URGENCY_SOON, CARE_NEXT_VALVE_LEAK_CHANGE);
    care_alert_open_device(facts, schedule, &draft);
}

/* --- blocked ----------------------------------------------------------------------------------------- */

/* Feed goes through the device unless somebody said that none does; the newest word counts. */
static bool fed_through(const struct care_state *state) {
    uint8_t mode = care_fact_is(&state->feed) && state->feed_mode != 0 ? state->feed_mode : state->feeding;
    return mode != PROTO_feeding_none;
}

static void plan_blocked(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->blocked_first))
        return;
    bool fed = fed_through(facts->state);
    enum proto_urgency urgency = fed ? PROTO_URGENCY_NOW : PROTO_URGENCY_TODAY;
    int64_t wait_ms = care_facts_span_at_ms(facts, PROTO_POLICY_UNBLOCK_MIN, stoma, s->blocked_first.at);
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_BLOCKED, stoma, &s->blocked_first,
                    fed ? CARE_FOUND_BLOCKED_FED : CARE_FOUND_BLOCKED_NOT_FED);
    care_draft_evidence(&draft, &s->blocked);
    draft.alert.args[0] = care_facts_value_at(facts, PROTO_POLICY_UNBLOCK_WATER_ML, stoma, s->blocked.at);
    draft.alert.args[1] = wait_ms / 60000;
    care_draft_step(&draft, s->blocked_first.at, urgency, CARE_NEXT_BLOCKED_FLUSH);
    care_draft_step(&draft, s->blocked_first.at + wait_ms, urgency, CARE_NEXT_BLOCKED_CALL);
    if (care_fact_is(&s->blocked_settled))
        care_alert_end(facts, schedule, &draft, &s->blocked_settled);
    else
        care_alert_open_device(facts, schedule, &draft);
}

/* --- turning ------------------------------------------------------------------------------------------ */

static void plan_will_not_rotate(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (!care_fact_is(&s->rotated_bad_first) ||
        s->device.tip == PROTO_tip_jejunum) /* rotated-jejunal says what matters there */
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_WILL_NOT_ROTATE, stoma, &s->rotated_bad_first,
                    s->rotated == PROTO_rotated_will_not ? CARE_FOUND_WILL_NOT_ROTATE_WILL_NOT
                                                         : CARE_FOUND_WILL_NOT_ROTATE_STIFF);
    care_draft_step(&draft, s->rotated_bad_first.at, PROTO_URGENCY_TODAY, CARE_NEXT_WILL_NOT_ROTATE_CALL);
    if (care_fact_is(&s->rotated_settled)) {
        care_alert_end(facts, schedule, &draft, &s->rotated_settled);
        return;
    }
    care_draft_evidence(&draft, &s->rotated_fact);
    care_alert_open_device(facts, schedule, &draft);
}

/* --- fit ----------------------------------------------------------------------------------------------- */

struct fit {
    enum proto_alert alert;
    enum care_found found;
    enum care_next next;
    bool tight;
    enum proto_policy limit;
};

static bool out_of_range(const struct care_facts *facts, int stoma, const struct fit *fit, int32_t gap, int64_t at) {
    int64_t limit = care_facts_value_at(facts, fit->limit, stoma, at);
    return fit->tight ? gap < limit : gap > limit;
}

static bool worse(const struct fit *fit, int32_t gap, int32_t than) {
    return fit->tight ? gap < than : gap > than;
}

/* The newest run of measurements beyond the limit. One in range that was only told does not settle it. */
static void plan_fit(const struct care_facts *facts, int stoma, const struct fit *fit, struct care_schedule *schedule) {
    const struct care_measures *gaps = &care_facts_stoma(facts, stoma)->stoma->gaps;
    struct care_draft draft;
    const struct care_fact *settled = NULL;
    bool any = false;
    int32_t worst = 0;
    for (uint32_t i = 0; i < gaps->count; i++) {
        const struct care_fact *fact = &gaps->list[i].fact;
        if (out_of_range(facts, stoma, fit, gaps->list[i].number, fact->at)) {
            if (!any || settled)
                care_draft_init(&draft, fit->alert, stoma, fact, fit->found);
            care_draft_evidence(&draft, fact);
            if (!any || settled || worse(fit, gaps->list[i].number, worst)) {
                worst = gaps->list[i].number;
                draft.worse_at = fact->at;
            }
            draft.alert.args[0] = gaps->list[i].number;
            any = true;
            settled = NULL;
        } else if (any && !settled && gaps->list[i].seen) {
            settled = fact;
        }
    }
    if (!any)
        return;
    care_draft_step(&draft, draft.alert.since, PROTO_URGENCY_SOON, fit->next);
    if (settled)
        care_alert_end(facts, schedule, &draft, settled);
    else
        care_alert_open_device(facts, schedule, &draft);
}

static void plan_fits(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct fit tight = {PROTO_ALERT_FIT_TIGHT, CARE_FOUND_FIT_TIGHT_TIGHT, CARE_NEXT_FIT_TIGHT_RESIZE, true,
                              PROTO_POLICY_GAP_TIGHT_MM};
    const struct fit loose = {PROTO_ALERT_FIT_LOOSE, CARE_FOUND_FIT_LOOSE_LOOSE, CARE_NEXT_FIT_LOOSE_RESIZE, false,
                              PROTO_POLICY_GAP_LOOSE_MM};
    plan_fit(facts, stoma, &tight, schedule);
    plan_fit(facts, stoma, &loose, schedule);
}

/* --- overdue ------------------------------------------------------------------------------------------- */

/* Newest appointment for a change of this device that lies inside the window, or NULL. */
static const struct care_appointment *booked_change(const struct care_facts *facts, const struct care_stoma_facts *sf) {
    const struct care_state *state = facts->state;
    const struct care_appointment *found = NULL;
    for (uint32_t i = 0; i < state->appointment_count; i++) {
        const struct care_appointment *a = &state->appointments[i];
        if (a->what != PROTO_appointment_for_device_change || a->stoma != sf->number || a->on_day > sf->change_by_day ||
            a->on_day < sf->placed_day)
            continue;
        if (!found || care_fact_order(&found->fact, &a->fact) < 0)
            found = a;
    }
    return found;
}

static void plan_overdue(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    const struct care_device *device = &sf->stoma->device;
    if (!care_fact_is(&device->placed) || facts->in_hospital)
        return;
    bool expired = device->expires_day != 0 && device->expires_day < sf->placed_day;
    if (!expired && sf->change_by_day == 0)
        return;
    int64_t from = expired ? device->placed.at : care_facts_midnight(facts, sf->change_by_day + 1);
    if (!sf->has_device && !(care_fact_is(&sf->stoma->device_gone) && sf->stoma->device_gone.at >= from))
        return; /* no time passes for a device that is not in place */
    const struct care_fact since = {.at = from, .id = device->placed.id};
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_DEVICE_OVERDUE, stoma, &since,
                    expired ? CARE_FOUND_DEVICE_OVERDUE_EXPIRED : CARE_FOUND_DEVICE_OVERDUE_WINDOW);
    draft.alert.args[0] = expired ? device->expires_day : sf->change_by_day;
    care_draft_step(&draft, from, PROTO_URGENCY_SOON, CARE_NEXT_DEVICE_OVERDUE_BOOK);
    const struct care_appointment *booked = booked_change(facts, sf);
    if (booked) {
        draft.alert.quiet_from = booked->fact.at;
        draft.alert.quiet_until = care_facts_midnight(facts, booked->on_day + 1);
    }
    care_alert_open_device(facts, schedule, &draft);
}

/* --- recalls --------------------------------------------------------------------------------------------- */

enum match { MATCH_NO, MATCH_UNSURE, MATCH_YES };

/* Whether something with this lot and item number is meant. What the notice names and nobody recorded leaves it unsure. */
static enum match match_recall(const struct care_recall *recall, const char *lot, const char *gtin) {
    enum match match = MATCH_YES;
    if (recall->lot[0]) {
        if (proto_lot_is_unsaid(proto_slice_of(lot)))
            match = MATCH_UNSURE;
        else if (!proto_lot_same(proto_slice_of(recall->lot), proto_slice_of(lot)))
            return MATCH_NO;
    }
    if (recall->gtin[0]) {
        if (!gtin[0])
            match = MATCH_UNSURE;
        else if (!proto_gtin_same(proto_slice_of(recall->gtin), proto_slice_of(gtin)))
            return MATCH_NO;
    }
    return match;
}

bool care_device_recalled(const struct care_facts *facts, const struct care_device *device, int64_t by) {
    for (uint32_t i = 0; i < facts->context->recall_count; i++) {
        const struct care_recall *recall = &facts->context->recalls[i];
        if (recall->at <= by && match_recall(recall, device->lot, device->gtin) != MATCH_NO)
            return true;
    }
    return false;
}

static bool still_shown(const struct care_state *state, int64_t ended_at) {
    int64_t longest_ms = proto_policy_get(PROTO_POLICY_ENDED_DAYS)->max * (PROTO_DAY_MS / 100);
    return ended_at + longest_ms > state->last_event.at;
}

static bool past_shown(const struct care_state *state, const struct care_stoma *stoma) {
    const struct care_fact *gone = &stoma->past.gone, *next = &stoma->device.placed;
    return care_fact_is(gone) && care_fact_is(&stoma->past.device.placed) &&
           still_shown(state, next->at > gone->at ? next->at : gone->at);
}

/* The catheter that is not in the stoma any more, while what it ended is shown. */
static bool catheter_shown(const struct care_state *state, const struct care_stoma *stoma) {
    return care_fact_is(&stoma->catheter_gone) && still_shown(state, stoma->catheter_gone.at);
}

bool care_old_device_next(const struct care_state *state, uint32_t *place, const struct care_device **device_out,
                          int *stoma_out) {
    static const uint32_t rows_at = 2 * PROTO_STOMAS_MAX; /* each stoma's device before, then its catheter */
    for (; *place < rows_at; ++*place) {
        const struct care_stoma *stoma = &state->stomas[*place / 2];
        bool catheter = *place % 2 == 1;
        if (catheter ? !catheter_shown(state, stoma) : !past_shown(state, stoma))
            continue;
        *device_out = catheter ? &stoma->catheter : &stoma->past.device;
        *stoma_out = PROTO_stoma_main + (int)((*place)++ / 2);
        return true;
    }
    for (; *place - rows_at < state->withdrawn_count; ++*place) {
        const struct care_withdrawn *row = &state->withdrawn[*place - rows_at];
        if (!(row->could >> (PROTO_ALERT_RECALLED_LOT - 1) & 1) || !still_shown(state, row->fact.at))
            continue;
        *device_out = &row->device;
        *stoma_out = row->stoma;
        ++*place;
        return true;
    }
    return false;
}

/* A spare carries its lot only: an item number in the notice cannot be compared, a lot that is not on record says nothing. */
static const struct care_spare *spare_recalled(const struct care_facts *facts, int stoma,
                                               const struct care_recall *recall) {
    const struct care_state *state = facts->state;
    for (uint32_t i = 0; i < state->spare_count; i++) {
        const struct care_spare *spare = &state->spares[i];
        if (spare->stoma == stoma && spare->count > 0 &&
            proto_lot_same(proto_slice_of(spare->lot), proto_slice_of(recall->lot)))
            return spare;
    }
    return NULL;
}

struct recalled {
    enum match device;
    const struct care_spare *spare;
    const struct care_recall *recall; /* the most urgent that is about this child */
};

static void plan_recalled(int stoma, const struct recalled *r, const struct care_device *device,
                          struct care_draft *draft) {
    bool sure = r->device == MATCH_YES;
    enum care_found found = sure && r->spare ? CARE_FOUND_RECALLED_LOT_BOTH
                            : sure           ? CARE_FOUND_RECALLED_LOT_DEVICE
                            : r->spare       ? CARE_FOUND_RECALLED_LOT_SPARE
                                             : CARE_FOUND_RECALLED_LOT_DEVICE_UNSURE;
    struct care_fact since = {.at = r->recall->at, .id = r->recall->id};
    int64_t placed_at = r->device != MATCH_NO ? device->placed.at : INT64_MAX;
    int64_t counted_at = r->spare ? r->spare->fact.at : INT64_MAX;
    int64_t had_at = placed_at < counted_at ? placed_at : counted_at;
    if (had_at > since.at)
        since.at = had_at;
    care_draft_init(draft, PROTO_ALERT_RECALLED_LOT, stoma, &since, found);
    if (r->device != MATCH_NO)
        care_draft_evidence(draft, &device->placed);
    if (r->spare)
        care_draft_evidence(draft, &r->spare->fact);
    struct care_text text;
    care_text_init(&text, draft->alert.text, sizeof draft->alert.text);
    care_text_add_listed(&text, r->recall->notice);
    care_text_add_listed(&text, r->recall->action);
    uint8_t urgency = r->recall->urgency;
    if (urgency <= PROTO_URGENCY_NONE || urgency >= PROTO_URGENCY_COUNT)
        urgency = PROTO_URGENCY_TODAY;
    care_draft_step(draft, since.at, (enum proto_urgency)urgency,
                    sure || r->spare ? CARE_NEXT_RECALLED_LOT_FOLLOW : CARE_NEXT_RECALLED_LOT_LOOK);
}

/* One device, in place or gone, and the spares beside it. */
struct recallable {
    const struct care_device *device;
    const struct care_fact *gone; /* never: nothing is known of its going */
    bool in_place, spares;
};

/* All recalls about one stoma are one alert: the surest and most urgent speaks, every notice is evidence. False when none is about it. */
static bool draft_recalls(const struct care_facts *facts, int stoma, const struct recallable *what,
                          struct recalled *best_out, struct care_draft *draft) {
    const struct care_device *device = what->device;
    struct recalled best = {0};
    struct care_fact notices[PROTO_EVIDENCE_MAX];
    uint32_t count = 0;
    for (uint32_t i = 0; i < facts->context->recall_count; i++) {
        const struct care_recall *recall = &facts->context->recalls[i];
        struct recalled r = {.recall = recall, .spare = what->spares ? spare_recalled(facts, stoma, recall) : NULL};
        if (what->in_place || (care_fact_is(&device->placed) && care_fact_is(what->gone) &&
                               what->gone->at >= recall->at && what->gone->at >= device->placed.at))
            r.device = match_recall(recall, device->lot, device->gtin);
        if (r.device == MATCH_NO && !r.spare)
            continue;
        bool sure = r.device == MATCH_YES || r.spare, best_sure = best.device == MATCH_YES || best.spare;
        if (!best.recall || (sure && !best_sure) || (sure == best_sure && recall->urgency < best.recall->urgency))
            best = r;
        if (count < PROTO_EVIDENCE_MAX)
            notices[count++] = (struct care_fact){.at = recall->at, .id = recall->id};
    }
    if (!best.recall)
        return false;
    plan_recalled(stoma, &best, device, draft);
    for (uint32_t i = 0; i < count; i++)
        care_draft_evidence(draft, &notices[i]);
    *best_out = best;
    return true;
}

/* The feeding device; its spares too, where nothing else is in the stoma that they are told with. */
static void plan_recalls_device(const struct care_facts *facts, int stoma, bool spares,
                                struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    const struct recallable what = {&sf->stoma->device, &sf->stoma->device_gone, sf->has_device, spares};
    struct recalled best;
    struct care_draft draft;
    if (!draft_recalls(facts, stoma, &what, &best, &draft))
        return;
    if (best.spare)
        care_alert_open(facts, schedule, &draft);
    else
        care_alert_open_device(facts, schedule, &draft);
}

/* The catheter that keeps the stoma open, or kept it. */
static void plan_recalls_catheter(const struct care_facts *facts, int stoma, bool in_place,
                                  struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    const struct recallable what = {&s->catheter, &s->catheter_gone, in_place, in_place};
    struct recalled best;
    struct care_draft draft;
    if (!draft_recalls(facts, stoma, &what, &best, &draft))
        return;
    if (in_place)
        care_alert_open(facts, schedule, &draft);
    else
        care_alert_end(facts, schedule, &draft, &s->catheter_gone);
}

static void plan_recalls(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma_facts *sf = care_facts_stoma(facts, stoma);
    bool catheter = !sf->past && care_fact_is(&sf->stoma->catheter.placed);
    bool kept_open = catheter && sf->exists && sf->stoma->device_state == CARE_DEVICE_KEEP_OPEN;
    if (kept_open)
        plan_recalls_catheter(facts, stoma, true, schedule);
    plan_recalls_device(facts, stoma, sf->exists && !kept_open, schedule);
    if (catheter && !kept_open && catheter_shown(facts->state, sf->stoma))
        plan_recalls_catheter(facts, stoma, false, schedule);
}

void care_alerts_device(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    plan_valve(facts, stoma, schedule);
    plan_blocked(facts, stoma, schedule);
    plan_will_not_rotate(facts, stoma, schedule);
    plan_fits(facts, stoma, schedule);
    plan_overdue(facts, stoma, schedule);
    plan_recalls(facts, stoma, schedule);
}
