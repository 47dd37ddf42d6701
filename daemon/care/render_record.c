/*
 * render_record.c - the child's record, and what to do now if the device comes out.
 *
 * What always holds: the child's own emergency plan comes first; nothing is said of who reads.
 */
#include "care/render.h"

#include <assert.h>

/* --- record -------------------------------------------------------------------------------------------- */

static void render_identifiers(const struct care_profile *profile, struct care_map *map) {
    if (profile->identifier_count == 0)
        return;
    proto_write_array(care_map_key(map, "identifiers"), profile->identifier_count);
    for (uint32_t i = 0; i < profile->identifier_count; i++) {
        proto_write_map(map->w, 2);
        proto_write_text(map->w, "system");
        proto_write_text(map->w, profile->identifiers[i].system);
        proto_write_text(map->w, "value");
        proto_write_text(map->w, profile->identifiers[i].value);
    }
}

static void render_contacts(const struct care_profile *profile, struct care_map *map) {
    if (profile->contact_count == 0)
        return;
    proto_write_array(care_map_key(map, "contacts"), profile->contact_count);
    for (uint32_t i = 0; i < profile->contact_count; i++) {
        struct care_map own = care_map_begin(map->w);
        care_map_text(&own, "role", profile->contacts[i].role);
        care_map_text(&own, "name", profile->contacts[i].name);
        care_map_text(&own, "phone", profile->contacts[i].phone);
        care_map_end(&own);
    }
}

static void render_uses(const struct care_profile *profile, struct care_map *map) {
    if (profile->use_count == 0)
        return;
    proto_write_array(care_map_key(map, "use"), profile->use_count);
    for (uint32_t i = 0; i < profile->use_count; i++) {
        proto_write_map(map->w, 2);
        proto_write_text(map->w, "item");
        proto_write_text(map->w, profile->uses[i].item);
        proto_write_text(map->w, "per_day");
        proto_write_amount(map->w, profile->uses[i].per_day);
    }
}

static void render_feed(const struct care_state *state, struct care_map *map) {
    care_map_choice(map, "feeding", "feeding", state->feeding);
    if (!care_fact_is(&state->feed))
        return;
    struct care_map own = care_map_begin(care_map_key(map, "feed"));
    care_map_choice(&own, "mode", "feeding", state->feed_mode);
    care_map_amount(&own, "ml_day", state->feed_ml_day);
    care_map_amount(&own, "flush_ml", state->feed_flush_ml);
    care_map_time(&own, "prescribed_at", state->feed.at);
    care_map_end(&own);
}

static void render_stay(const struct care_stay *stay, const char *key, struct care_map *map) {
    if (!care_fact_is(&stay->started))
        return;
    struct care_map own = care_map_begin(care_map_key(map, key));
    care_map_choice(&own, "where", "stay_where", stay->where);
    care_map_text(&own, "name", stay->name);
    care_map_time(&own, "started_at", stay->started.at);
    care_map_time(&own, "ended_at", stay->ended.at);
    care_map_day(&own, "expected_back", stay->expected_back_day);
    care_map_end(&own);
}

static void render_appointments(const struct care_state *state, struct care_map *map) {
    if (state->appointment_count == 0)
        return;
    proto_write_array(care_map_key(map, "appointments"), state->appointment_count);
    for (uint32_t i = 0; i < state->appointment_count; i++) {
        struct care_map own = care_map_begin(map->w);
        care_map_choice(&own, "for", "appointment_for", state->appointments[i].what);
        care_map_choice(&own, "stoma", "stoma", state->appointments[i].stoma);
        care_map_day(&own, "on", state->appointments[i].on_day);
        care_map_time(&own, "booked_at", state->appointments[i].fact.at);
        care_map_end(&own);
    }
}

void care_render_record(const struct care_page *page, struct care_map *map) {
    const struct care_state *state = page->state;
    const struct care_profile *profile = &state->profile;
    struct care_map own = care_map_begin(care_map_key(map, "record"));
    care_map_time(&own, "registered_at", state->registered.at);
    if (care_fact_is(&state->registered))
        proto_write_date(care_map_key(&own, "born"), state->born_day);
    render_identifiers(profile, &own);
    care_map_text(&own, "named_nurse", profile->named_nurse);
    care_map_text(&own, "address", profile->address);
    care_map_text(&own, "access", profile->access);
    render_contacts(profile, &own);
    render_feed(state, &own);
    if (state->hours_without_feed_max >= 0 && care_fact_is(&state->registered))
        care_map_int(&own, "hours_without_feed_max", state->hours_without_feed_max);
    care_map_text(&own, "critical_medicines", profile->critical_medicines);
    care_map_said(&own, "active", state->active);
    care_map_said(&own, "latex_allergy", state->latex_allergy);
    care_map_said(&own, "anticoagulant", state->anticoagulant);
    care_map_said(&own, "immunosuppressed", state->immunosuppressed);
    render_uses(profile, &own);
    render_stay(&state->stay, "stay", &own);
    render_stay(&state->away, "away", &own);
    care_map_day(&own, "visit_planned_on", care_fact_is(&state->visit_planned) ? state->visit_planned_day : 0);
    render_appointments(state, &own);
    care_map_time(&own, "last_word_at", state->last_word.at);
    if (care_fact_is(&state->merged))
        proto_write_id(care_map_key(&own, "merged_into"), &state->merged_into);
    if (state->overflow || page->schedule->overflow)
        care_map_bool(&own, "overflow", true); /* some list was full: not everything is shown */
    care_map_end(&own);
}

/* --- what to do now if the device comes out ---------------------------------------------------------------- */

struct plan_texts {
    const char *steps, *when, *hospital, *phone, *prescriber;
};

static struct plan_texts plan_texts_of(const struct care_state *state, int stoma) {
    const struct care_profile *profile = &state->profile;
    if (stoma == PROTO_stoma_second && care_fact_is(&state->second_plan.fact))
        return (struct plan_texts){profile->second_plan.steps, profile->second_plan.when, profile->second_plan.hospital,
                                   profile->second_plan.phone, profile->second_plan.prescriber};
    return (struct plan_texts){profile->plan_steps, profile->plan_when, profile->plan_hospital, profile->plan_phone,
                               profile->plan_prescriber};
}

static void render_plan(const struct care_state *state, int stoma, const char *key, struct care_map *map) {
    const struct care_emergency plan = care_state_emergency(state, stoma);
    const struct plan_texts texts = plan_texts_of(state, stoma);
    if (!care_fact_is(&plan.fact))
        return;
    struct care_map own = care_map_begin(care_map_key(map, key));
    care_map_text(&own, "steps", texts.steps);
    care_map_text(&own, "when", texts.when);
    care_map_said(&own, "keep_open", plan.keep_open);
    care_map_said(&own, "home_change", plan.home_change);
    care_map_text(&own, "hospital", texts.hospital);
    care_map_text(&own, "phone", texts.phone);
    care_map_text(&own, "prescriber", texts.prescriber);
    care_map_time(&own, "set_at", plan.fact.at);
    care_map_day(&own, "review_by", plan.review_day);
    if (plan.spares != 0) {
        size_t mark = proto_write_array_begin(care_map_key(&own, "spares"));
        uint32_t count = 0;
        for (uint32_t what = 1; what < PROTO_spare_what_count; what++) {
            if (plan.spares >> (what - 1) & 1) {
                proto_write_text(map->w, proto_choice_name("spare_what", what));
                count++;
            }
        }
        proto_write_array_end(map->w, mark, count);
    }
    care_map_end(&own);
}

static bool carer_signed_off(const struct care_page *page) {
    for (uint32_t i = 0; i < page->state->carer_count; i++) {
        const struct care_carer *carer = &page->state->carers[i];
        if (carer->left || !care_fact_is(&carer->skills[PROTO_skill_device_change].fact) ||
            carer->skills[PROTO_skill_device_change].level != PROTO_skill_level_signed_off)
            continue;
        if (care_skill_until(page->facts, carer, PROTO_skill_device_change) >= page->today)
            return true;
    }
    return false;
}

static bool spare_at_home(const struct care_page *page, int stoma) {
    for (uint32_t i = 0; i < page->state->spare_count; i++) {
        const struct care_spare *spare = &page->state->spares[i];
        if (spare->stoma == stoma && spare->what == PROTO_spare_what_same && spare->place == PROTO_spare_place_home &&
            spare->count > 0)
            return !care_spare_unfit(page->facts, stoma, PROTO_spare_what_same, page->today);
    }
    return false;
}

struct steps {
    struct proto_writer *w;
    uint32_t count;
};

static void step_say(struct steps *steps, const char *sentence) {
    proto_write_text(steps->w, sentence);
    steps->count++;
}

/* A sentence with one number or name in it. */
static void step_fill(struct steps *steps, const char *before, const char *name, const char *after) {
    char out[CARE_SENTENCE_BYTES];
    struct care_text text;
    care_text_init(&text, out, sizeof out);
    care_text_add(&text, before);
    care_text_add(&text, name);
    care_text_add(&text, after);
    step_say(steps, out);
}

static void steps_clock(const struct care_page *page, int stoma, struct steps *steps) {
    char out[CARE_SENTENCE_BYTES];
    struct care_text text;
    care_text_init(&text, out, sizeof out);
    care_text_add(&text, "Note when the device was last seen in place: aim for help within ");
    care_text_add_int(&text, care_facts_whole(page->facts, PROTO_POLICY_OUT_AIM_MIN, stoma, INT32_MIN));
    care_text_add(&text, " minutes of that, the limit is ");
    care_text_add_int(&text, care_facts_whole(page->facts, PROTO_POLICY_OUT_LIMIT_MIN, stoma, INT32_MIN));
    care_text_add(&text, " minutes. The stoma can close within hours.");
    step_say(steps, out);
}

static void steps_home(const struct care_page *page, int stoma, bool planned, struct steps *steps) {
    char minutes[24];
    struct care_text text;
    care_text_init(&text, minutes, sizeof minutes);
    care_text_add_int(&text, care_facts_whole(page->facts, PROTO_POLICY_OUT_TRY_MIN, stoma, INT32_MIN));
    if (!carer_signed_off(page))
        step_say(steps, "No carer is on record as signed off, in date, for changing the device.");
    if (!spare_at_home(page, stoma))
        step_say(steps, "No fitting spare, in date, is on record at home.");
    step_fill(steps,
              "Only where somebody trained and the right spare are there, and there is no pain and no bleeding: that "
              "person replaces the "
              "device now. Stop if it does not go in easily, or after ",
              minutes, " minutes.");
    step_say(steps, "No feed or medicine through it until the position is confirmed.");
    step_say(steps, planned
                        ? "In every other case, if the plan does not say otherwise: put nothing into the stoma and go "
                          "to the emergency department now."
                        : "In every other case: put nothing into the stoma and go to the emergency department now.");
}

static void steps_hospital(const struct care_page *page, int stoma, struct steps *steps) {
    const char *planned = plan_texts_of(page->state, stoma).hospital;
    const char *formed = care_facts_stoma(page->facts, stoma)->stoma->hospital;
    const char *named = planned[0] ? planned : formed;
    step_fill(steps, "To ", named[0] ? named : "the hospital that formed the stoma",
              " if it can be reached inside the limit, else to the nearest. Take the spare, and call the specialist on "
              "arrival.");
}

static void steps_risk(const struct care_state *state, struct steps *steps) {
    char hours[24];
    struct care_text text;
    care_text_init(&text, hours, sizeof hours);
    if (state->hours_without_feed_max >= 0 && care_fact_is(&state->registered)) {
        care_text_add_int(&text, state->hours_without_feed_max);
        step_fill(steps, "The child should not be without feed for more than ", hours, " h.");
    }
    if (state->profile.critical_medicines[0])
        step_fill(steps, "Medicines that cannot wait: ", state->profile.critical_medicines, ".");
}

void care_render_emergency(const struct care_page *page, struct care_map *map) {
    const struct care_state *state = page->state;
    int stoma =
        page->schedule->stomas[0].exists || !page->schedule->stomas[1].exists ? PROTO_stoma_main : PROTO_stoma_second;
    struct care_map own = care_map_begin(care_map_key(map, "emergency"));
    const struct care_emergency plan = care_state_emergency(state, stoma);
    render_plan(state, stoma, "plan", &own);
    if (stoma == PROTO_stoma_main && page->schedule->stomas[1].exists && care_fact_is(&state->second_plan.fact))
        render_plan(state, PROTO_stoma_second, "second_plan", &own);
    size_t mark = proto_write_array_begin(care_map_key(&own, "steps"));
    struct steps steps = {.w = page->w};
    bool planned = care_fact_is(&plan.fact);
    if (planned)
        step_say(&steps, "First the child's own emergency plan.");
    steps_clock(page, stoma, &steps);
    if (care_page_home_change(page, 0) == 0)
        steps_home(page, stoma, planned, &steps);
    else if (planned)
        step_say(&steps, "If the plan does not say otherwise: put nothing into the stoma; this child's device is not "
                         "changed at home. Go to the emergency department now.");
    else
        step_say(&steps, "Put nothing into the stoma; this child's device is not changed at home. Go to the emergency "
                         "department now.");
    if (plan.keep_open == 2)
        step_say(&steps, "The child's plan asks for a catheter that keeps the stoma open: somebody trained in it puts "
                         "it in, and nothing is given through it.");
    steps_hospital(page, stoma, &steps);
    steps_risk(state, &steps);
    step_say(&steps, care_caution());
    proto_write_array_end(page->w, mark, steps.count);
    care_map_end(&own);
}
