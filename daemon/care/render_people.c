/*
 * render_people.c - spares, carers and the child's own plan on the page.
 */
#include "care/render.h"

#include <assert.h>

/* --- spare ------------------------------------------------------------------------------------------- */

static void render_counted(const struct care_page *page, const struct care_spare *spare) {
    struct care_map own = care_map_begin(page->w);
    care_map_choice(&own, "stoma", "stoma", spare->stoma);
    care_map_choice(&own, "place", "spare_place", spare->place);
    care_map_choice(&own, "what", "spare_what", spare->what);
    care_map_int(&own, "count", spare->count);
    care_map_time(&own, "counted_at", spare->fact.at);
    care_map_choice(&own, "retention", "retention", spare->retention);
    care_map_choice(&own, "profile", "profile", spare->profile);
    care_map_amount(&own, "french_fr", spare->french_fr);
    care_map_amount(&own, "length_mm", spare->length_mm);
    care_map_day(&own, "expires", spare->expires_day);
    care_map_text(&own, "lot", spare->lot);
    if (spare->expires_day != 0)
        care_map_bool(&own, "in_date", spare->expires_day >= page->today);
    care_map_end(&own);
}

static void render_spare(const struct care_page *page, struct care_map *map) {
    const struct care_state *state = page->state;
    struct care_map own = care_map_begin(care_map_key(map, "spare"));
    uint8_t planned = 0;
    for (int stoma = PROTO_stoma_main; stoma < PROTO_stoma_count; stoma++)
        planned |= page->schedule->stomas[stoma - 1].exists ? care_state_emergency(state, stoma).spares : 0;
    size_t mark = proto_write_array_begin(care_map_key(&own, "required"));
    uint32_t count = 0;
    for (uint32_t what = PROTO_spare_what_same; what < PROTO_spare_what_count; what++) {
        if (what == PROTO_spare_what_same || (planned >> (what - 1) & 1)) {
            proto_write_text(page->w, proto_choice_name("spare_what", what));
            count++;
        }
    }
    proto_write_array_end(page->w, mark, count);
    proto_write_array(care_map_key(&own, "counted"), state->spare_count);
    for (uint32_t i = 0; i < state->spare_count; i++)
        render_counted(page, &state->spares[i]);
    care_map_end(&own);
}

/* --- carers ------------------------------------------------------------------------------------------- */

static void render_carer(const struct care_page *page, const struct care_carer *carer) {
    struct care_map own = care_map_begin(page->w);
    care_map_text(&own, "carer", carer->name);
    if (carer->left)
        care_map_bool(&own, "left", true);
    size_t mark = proto_write_array_begin(care_map_key(&own, "skills"));
    uint32_t count = 0;
    for (int skill = 1; skill < PROTO_skill_count; skill++) {
        if (!care_fact_is(&carer->skills[skill].fact))
            continue;
        int32_t until = care_skill_until(page->facts, carer, skill);
        struct care_map one = care_map_begin(page->w);
        care_map_choice(&one, "skill", "skill", (uint32_t)skill);
        care_map_choice(&one, "level", "skill_level", carer->skills[skill].level);
        care_map_time(&one, "trained_at", carer->skills[skill].fact.at);
        care_map_day(&one, "until", until);
        care_map_bool(&one, "in_date", until >= page->today);
        care_map_end(&one);
        count++;
    }
    proto_write_array_end(page->w, mark, count);
    care_map_end(&own);
}

/* --- plan ----------------------------------------------------------------------------------------------- */

static void render_weekdays(const struct care_plan_entry *plan, struct care_map *map) {
    if (plan->weekdays == 0)
        return;
    size_t mark = proto_write_array_begin(care_map_key(map, "weekdays"));
    uint32_t count = 0;
    for (uint32_t day = 1; day < PROTO_weekday_count; day++) {
        if (plan->weekdays >> (day - 1) & 1) {
            proto_write_text(map->w, proto_choice_name("weekday", day));
            count++;
        }
    }
    proto_write_array_end(map->w, mark, count);
}

static void render_pauses(const struct care_plan_entry *plan, struct care_map *map) {
    if (plan->pause_count == 0)
        return;
    proto_write_array(care_map_key(map, "pauses"), plan->pause_count);
    for (uint8_t i = 0; i < plan->pause_count; i++) {
        proto_write_array(map->w, 2);
        proto_write_date(map->w, plan->pauses[i].from);
        proto_write_date(map->w, plan->pauses[i].to);
    }
}

static void render_plan_entry(const struct care_page *page, const struct care_plan_entry *plan) {
    struct care_map own = care_map_begin(page->w);
    if (plan->task != PROTO_TASK_NONE && plan->task < PROTO_TASK_COUNT)
        care_map_text(&own, "task", proto_task_name((enum proto_task)plan->task));
    if (plan->policy != PROTO_POLICY_NONE && plan->policy < PROTO_POLICY_COUNT)
        care_map_text(&own, "policy", proto_policy_get((enum proto_policy)plan->policy)->name);
    care_map_choice(&own, "stoma", "stoma", plan->stoma);
    if (plan->every_days != 0)
        care_map_int(&own, "every_days", plan->every_days);
    if (plan->has_value)
        proto_write_amount(care_map_key(&own, "value"), plan->value);
    if (plan->off)
        care_map_bool(&own, "off", true);
    render_weekdays(plan, &own);
    render_pauses(plan, &own);
    care_map_day(&own, "until", plan->until_day);
    care_map_time(&own, "set_at", plan->fact.at);
    care_map_end(&own);
}

static void render_accepted(const struct care_page *page, const struct care_finding *finding) {
    struct care_map own = care_map_begin(page->w);
    if (finding->alert != PROTO_ALERT_NONE && finding->alert < PROTO_ALERT_COUNT)
        care_map_text(&own, "accepted", proto_alert_name((enum proto_alert)finding->alert));
    care_map_choice(&own, "stoma", "stoma", finding->stoma);
    care_map_text(&own, "plan", finding->plan);
    care_map_day(&own, "until", finding->until_day);
    care_map_time(&own, "set_at", finding->fact.at);
    care_map_end(&own);
}

void care_render_people(const struct care_page *page, struct care_map *map) {
    const struct care_state *state = page->state;
    render_spare(page, map);
    proto_write_array(care_map_key(map, "carers"), state->carer_count);
    for (uint32_t i = 0; i < state->carer_count; i++)
        render_carer(page, &state->carers[i]);
    proto_write_array(care_map_key(map, "plan"), state->plan_count + state->finding_count);
    for (uint32_t i = 0; i < state->plan_count; i++)
        render_plan_entry(page, &state->plans[i]);
    for (uint32_t i = 0; i < state->finding_count; i++)
        render_accepted(page, &state->findings[i]);
}
