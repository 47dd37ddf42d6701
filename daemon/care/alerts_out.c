/*
 * alerts_out.c - when the device comes out: what is to be done, by a total decision, and from when; and what follows at the hospital.
 *
 * What always holds: whatever speaks against replacing the device where the child is leads to the hospital; so does time.
 */
#include "care/alerts.h"

#include <assert.h>

/* --- the decision ------------------------------------------------------------------------------ */

/* First row whose bit holds; the last row holds always, so the decision is total. Order: what a person must hear first. */
static const struct {
    unsigned bit;
    enum care_next next;
} out_rows[] = {
    {CARE_OUT_NO_HOME_CHANGE, CARE_NEXT_TUBE_OUT_NO_HOME_CHANGE},
    {CARE_OUT_FAILED, CARE_NEXT_TUBE_OUT_FAILED},
    {CARE_OUT_BALLOON_HURTS, CARE_NEXT_TUBE_OUT_BALLOON_HURTS},
    {CARE_OUT_PAIN_OR_BLEEDING, CARE_NEXT_TUBE_OUT_PAIN_OR_BLEEDING},
    {CARE_OUT_NOT_TRAINED, CARE_NEXT_TUBE_OUT_NOT_TRAINED},
    {CARE_OUT_NO_SPARE, CARE_NEXT_TUBE_OUT_NO_SPARE},
    {CARE_OUT_SPARE_UNFIT, CARE_NEXT_TUBE_OUT_SPARE_UNFIT},
    {0, CARE_NEXT_TUBE_OUT_REPLACE},
};

enum care_next care_out_next(unsigned holds) {
    assert((holds & ~(unsigned)CARE_OUT_ALL) == 0);
    unsigned row = 0;
    while (out_rows[row].bit != 0 && (holds & out_rows[row].bit) == 0)
        row++;
    return out_rows[row].next;
}

/* "Nearer than near_ms" is strict: with exactly so much time left a trained person may still try. The limit has passed once it is reached. */
void care_out_steps(struct care_draft *draft, unsigned holds, const struct care_out_clock *clock) {
    enum care_next first = care_out_next(holds);
    care_draft_step(draft, clock->reported_at, PROTO_URGENCY_NOW, first);
    if (first == CARE_NEXT_TUBE_OUT_REPLACE) {
        draft->alert.steps[0].home_change = true;
        int64_t tried = clock->reported_at + clock->try_ms, near = clock->deadline - clock->near_ms + 1;
        if (near <= tried)
            care_draft_step(draft, near < clock->reported_at ? clock->reported_at : near, PROTO_URGENCY_NOW,
                            CARE_NEXT_TUBE_OUT_NEAR);
        else
            care_draft_step(draft, tried, PROTO_URGENCY_NOW, CARE_NEXT_TUBE_OUT_TRIED);
    }
    int64_t past = clock->deadline < clock->reported_at ? clock->reported_at : clock->deadline;
    care_draft_step(draft, past, PROTO_URGENCY_NOW, CARE_NEXT_TUBE_OUT_PAST);
}

/* --- what holds -------------------------------------------------------------------------------- */

static unsigned out_holds(const struct care_facts *facts, int stoma) {
    const struct care_out *out = &care_facts_stoma(facts, stoma)->stoma->out;
    unsigned holds = 0;
    if (out->unrecorded || care_facts_home_change(facts, stoma, out->first.at) != 0)
        holds |= CARE_OUT_NO_HOME_CHANGE;
    if (care_fact_is(&out->failed))
        holds |= CARE_OUT_FAILED;
    if (out->pain && out->balloon == PROTO_out_balloon_filled)
        holds |= CARE_OUT_BALLOON_HURTS;
    if (out->pain || out->bleeding)
        holds |= CARE_OUT_PAIN_OR_BLEEDING;
    if (out->trained_present != PROTO_yes_no_unknown_yes)
        holds |= CARE_OUT_NOT_TRAINED;
    if (out->spare_present != PROTO_yes_no_unknown_yes)
        holds |= CARE_OUT_NO_SPARE;
    if (care_spare_unfit(facts, stoma, PROTO_spare_what_same, care_facts_day(facts, out->first.at)))
        holds |= CARE_OUT_SPARE_UNFIT;
    return holds;
}

/* The wording of what was found, with the child's risk without feed beside the clock. */
static enum care_found out_found(const struct care_state *state, const struct care_out *out) {
    bool hours = state->hours_without_feed_max >= 0, medicines = state->profile.critical_medicines[0] != '\0';
    static const uint8_t found[2][2][2] = {
        {{CARE_FOUND_TUBE_OUT_OUT, CARE_FOUND_TUBE_OUT_OUT_MEDICINES},
         {CARE_FOUND_TUBE_OUT_OUT_HOURS, CARE_FOUND_TUBE_OUT_OUT_BOTH}},
        {{CARE_FOUND_TUBE_OUT_REMOVED, CARE_FOUND_TUBE_OUT_REMOVED_MEDICINES},
         {CARE_FOUND_TUBE_OUT_REMOVED_HOURS, CARE_FOUND_TUBE_OUT_REMOVED_BOTH}},
    };
    return (enum care_found)found[out->removed][hours][medicines];
}

static void plan_tube_out(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_state *state = facts->state;
    const struct care_out *out = &care_facts_stoma(facts, stoma)->stoma->out;
    const struct care_fact own_plan = care_state_emergency(state, stoma).fact;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_TUBE_OUT, stoma, &out->first, out_found(state, out));
    care_draft_evidence(&draft, &out->last);
    care_draft_evidence(&draft, &out->failed);
    struct care_alert *alert = &draft.alert;
    struct care_text medicines;
    care_text_init(&medicines, alert->text, sizeof alert->text);
    care_text_add(&medicines, state->profile.critical_medicines);
    int64_t try_ms = care_facts_span_at_ms(facts, PROTO_POLICY_OUT_TRY_MIN, stoma, out->first.at);
    alert->aim = out->out_from + care_facts_span_at_ms(facts, PROTO_POLICY_OUT_AIM_MIN, stoma, out->first.at);
    alert->deadline = out->out_from + care_facts_span_at_ms(facts, PROTO_POLICY_OUT_LIMIT_MIN, stoma, out->first.at);
    alert->args[0] = out->out_from + INT64_C(1000) * care_zone_offset_s(facts->zone, out->out_from);
    alert->args[1] = state->hours_without_feed_max;
    alert->args[2] = try_ms / 60000;
    alert->args[5] = care_fact_is(&own_plan);
    const struct care_out_clock clock = {
        .reported_at = out->first.at,
        .deadline = alert->deadline,
        .try_ms = try_ms,
        .near_ms = care_facts_span_at_ms(facts, PROTO_POLICY_OUT_LIMIT_NEAR_MIN, stoma, out->first.at)};
    care_out_steps(&draft, out_holds(facts, stoma), &clock);
    const struct care_fact *end = care_fact_is(&out->hospital) ? &out->hospital : &out->ended;
    if (care_fact_is(end))
        care_alert_end(facts, schedule, &draft, end);
    else
        care_alert_open(facts, schedule, &draft);
}

/* Since when a catheter keeps the stoma open; zero when none does. */
static struct care_fact keep_open_since(const struct care_stoma *s) {
    if (s->device_state != CARE_DEVICE_KEEP_OPEN)
        return (struct care_fact){0};
    if (care_fact_is(&s->keep_open))
        return s->keep_open;
    return care_fact_is(&s->out.ended) ? s->out.ended : s->formed;
}

/* A catheter kept the stoma open until a feeding device was seated: ended. */
static void plan_kept_open_before(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    const struct care_fact *seated = &s->device.seated;
    if (s->device_state != CARE_DEVICE_IN || !care_fact_is(&s->keep_open) || care_fact_order(&s->keep_open, seated) > 0)
        return;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_NO_DEVICE, stoma, &s->keep_open, CARE_FOUND_NO_DEVICE_KEEP_OPEN);
    care_draft_step(&draft, s->keep_open.at, PROTO_URGENCY_TODAY, CARE_NEXT_NO_DEVICE_KEEP_OPEN);
    care_alert_end(facts, schedule, &draft, seated);
}

/* Out with the clock stopped by a hospital, or an unfed catheter in the stoma: nothing to feed through. */
static void plan_no_device(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    const struct care_fact keep_open = keep_open_since(s), *hospital = &s->out.hospital;
    if (!care_fact_is(hospital) && !care_fact_is(&keep_open)) {
        plan_kept_open_before(facts, stoma, schedule);
        return;
    }
    bool kept = care_fact_is(&keep_open);
    const struct care_fact *since = care_fact_is(hospital) ? hospital : &keep_open;
    struct care_draft draft;
    care_draft_init(&draft, PROTO_ALERT_NO_DEVICE, stoma, since,
                    kept ? CARE_FOUND_NO_DEVICE_KEEP_OPEN : CARE_FOUND_NO_DEVICE_HOSPITAL);
    care_draft_evidence(&draft, &keep_open);
    care_draft_step(&draft, since->at, PROTO_URGENCY_TODAY,
                    kept ? CARE_NEXT_NO_DEVICE_KEEP_OPEN : CARE_NEXT_NO_DEVICE_FOLLOW_UP);
    if (kept || s->device_state == CARE_DEVICE_OUT || !care_fact_is(&s->out.ended))
        care_alert_open(facts, schedule, &draft);
    else
        care_alert_end(facts, schedule, &draft,
                       care_fact_order(&s->device.seated, &s->out.ended) > 0 ? &s->device.seated : &s->out.ended);
}

void care_alerts_out(const struct care_facts *facts, int stoma, struct care_schedule *schedule) {
    const struct care_stoma *s = care_facts_stoma(facts, stoma)->stoma;
    if (care_fact_is(&s->out.first))
        plan_tube_out(facts, stoma, schedule);
    plan_no_device(facts, stoma, schedule);
}
