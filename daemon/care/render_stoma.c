/*
 * render_stoma.c - stomas and devices, forecasts and the trend on the page.
 */
#include "care/render.h"

#include <assert.h>

/* --- stomas ------------------------------------------------------------------------------------------ */

static const char *const device_states[] = {"none", "in", "out", "keep-open"};

static void render_position(const struct care_device *device, struct care_map *map) {
    if (!care_fact_is(&device->position.fact))
        return;
    struct care_map own = care_map_begin(care_map_key(map, "position"));
    care_map_choice(&own, "method", "method", device->position.method);
    care_map_amount(&own, "ph", device->position.ph);
    care_map_time(&own, "at", device->position.fact.at);
    care_map_end(&own);
}

static void render_device(const struct care_page *page, int index, struct care_map *map) {
    const struct care_stoma *s = &page->state->stomas[index];
    const struct care_device *device = &s->device;
    struct care_map own = care_map_begin(care_map_key(map, "device"));
    care_map_time(&own, "placed_at", device->placed.at);
    if (device->put_back)
        care_map_time(&own, "put_back_at", device->seated.at);
    care_map_choice(&own, "retention", "retention", device->retention);
    care_map_choice(&own, "profile", "profile", device->profile);
    care_map_choice(&own, "tip", "tip", device->tip);
    care_map_amount(&own, "french_fr", device->french_fr);
    care_map_amount(&own, "diameter_mm",
                    (device->french_fr * INT64_C(2) + 3) /
                        6); /* a third of a millimetre for each Fr, to the nearest hundredth */
    care_map_amount(&own, "length_mm", device->length_mm);
    care_map_amount(&own, "balloon_ml", s->prescribed_balloon_ml ? s->prescribed_balloon_ml : device->balloon_ml);
    if (device->outside_given)
        proto_write_amount(care_map_key(&own, "outside_mm"), device->outside_mm);
    care_map_text(&own, "gtin", device->gtin);
    care_map_text(&own, "lot", device->lot);
    care_map_text(&own, "serial", device->serial);
    care_map_day(&own, "expires", device->expires_day);
    care_map_choice(&own, "why", "placed_why", device->why);
    care_map_choice(&own, "place", "place", device->seated_place);
    care_map_choice(&own, "placed_by", "placed_by", device->seated_by);
    if (device->first_in_stoma)
        care_map_bool(&own, "first_in_stoma", true);
    render_position(device, &own);
    care_map_day(&own, "change_due_on", page->schedule->stomas[index].change_due_day);
    care_map_day(&own, "change_by_on", page->schedule->stomas[index].change_by_day);
    care_map_end(&own);
}

static void render_prescribed(const struct care_stoma *s, struct care_map *map) {
    if (!care_fact_is(&s->prescribed))
        return;
    struct care_map own = care_map_begin(care_map_key(map, "prescribed"));
    care_map_amount(&own, "balloon_ml", s->prescribed_balloon_ml);
    if (s->prescribed_change_months != 0)
        care_map_int(&own, "change_months", s->prescribed_change_months);
    care_map_amount(&own, "ph_limit", s->prescribed_ph);
    care_map_time(&own, "at", s->prescribed.at);
    care_map_end(&own);
}

static void render_stoma(const struct care_page *page, int index) {
    const struct care_stoma *s = &page->state->stomas[index];
    int32_t formed = page->schedule->stomas[index].age_known_day, mature = page->schedule->stomas[index].mature_day;
    uint8_t device_state = page->schedule->stomas[index].state;
    assert(device_state <= CARE_DEVICE_KEEP_OPEN);
    struct care_map map = care_map_begin(page->w);
    care_map_choice(&map, "stoma", "stoma", (uint32_t)index + 1);
    care_map_day(&map, "formed_on", formed);
    if (formed != INT32_MIN)
        care_map_int(&map, "age_days", page->today - formed);
    care_map_choice(&map, "how", "how", s->how);
    care_map_day(&map, "mature_on", mature);
    care_map_text(&map, "hospital", s->hospital);
    care_map_text(&map, "state", device_states[device_state]);
    care_render_home_change(&map, care_page_home_change(page, index + 1));
    if (care_fact_is(&s->device.placed) && (device_state == CARE_DEVICE_IN || device_state == CARE_DEVICE_OUT))
        render_device(page, index, &map);
    render_prescribed(s, &map);
    if (care_fact_is(&s->site_checked)) {
        care_map_time(&map, "site_checked_at", s->site_checked.at);
        care_map_choice(&map, "skin", "skin", s->signs[CARE_SIGN_SKIN].value);
    }
    care_map_end(&map);
}

void care_render_stomas(const struct care_page *page, struct care_map *map) {
    size_t mark = proto_write_array_begin(care_map_key(map, "stomas"));
    uint32_t count = 0;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        if (!page->schedule->stomas[i].exists)
            continue;
        render_stoma(page, i);
        count++;
    }
    proto_write_array_end(page->w, mark, count);
}

/* --- forecast and trend --------------------------------------------------------------------------------- */

static void render_balloon(const struct care_page *page, struct care_map *map) {
    int index = page->schedule->stomas[0].balloon.known ? 0 : 1;
    const struct care_forecast *forecast = &page->schedule->stomas[index].balloon;
    if (!forecast->known)
        return;
    struct care_map own = care_map_begin(care_map_key(map, "balloon"));
    care_map_choice(&own, "stoma", "stoma", (uint32_t)index + 1);
    proto_write_amount(care_map_key(&own, "loss_ml_week"), forecast->loss_ml_week);
    proto_write_amount(care_map_key(&own, "low"), forecast->low);
    proto_write_amount(care_map_key(&own, "high"), forecast->high);
    care_map_day(&own, "expected_low_on", forecast->expected_low_day);
    proto_write_amount(care_map_key(&own, "next_expected_ml"), forecast->next_expected_ml);
    care_map_int(&own, "fits", forecast->fits);
    care_map_end(&own);
}

static void render_supplies(const struct care_page *page, struct care_map *map) {
    const struct care_state *state = page->state;
    if (state->supply_count == 0)
        return;
    proto_write_array(care_map_key(map, "supplies"), state->supply_count);
    for (uint32_t i = 0; i < state->supply_count; i++) {
        const struct care_supply *supply = &state->supplies[i];
        struct care_map own = care_map_begin(map->w);
        care_map_text(&own, "item", supply->item);
        if (care_fact_is(&supply->counted)) {
            care_map_int(&own, "count", supply->count);
            care_map_time(&own, "counted_at", supply->counted.at);
            care_map_day(&own, "runs_out_on", care_supply_until(page->facts, supply));
        }
        care_map_time(&own, "ordered_at", supply->ordered.at);
        care_map_day(&own, "expected_on", supply->expected_day);
        care_map_end(&own);
    }
}

static void render_check(struct proto_writer *w, int index, const struct care_check *check) {
    struct care_map own = care_map_begin(w);
    care_map_choice(&own, "stoma", "stoma", (uint32_t)index + 1);
    care_map_time(&own, "at", check->fact.at);
    if (check->has_withdrawn)
        proto_write_amount(care_map_key(&own, "withdrawn_ml"), check->withdrawn_ml);
    if (check->has_filled)
        proto_write_amount(care_map_key(&own, "filled_ml"), check->filled_ml);
    if (check->stuck)
        care_map_bool(&own, "stuck", true);
    if (check->left_empty)
        care_map_bool(&own, "left_empty", true);
    care_map_amount(&own, "prescribed_ml", check->prescribed_ml);
    care_map_choice(&own, "look", "look", check->look);
    care_map_choice(&own, "fluid", "fluid", check->fluid);
    care_map_end(&own);
}

static void render_weight(struct care_map *map, const struct care_fact *fact, int32_t weight_kg) {
    struct care_map own = care_map_begin(map->w);
    care_map_time(&own, "at", fact->at);
    proto_write_amount(care_map_key(&own, "weight_kg"), weight_kg);
    care_map_end(&own);
}

static void render_weights(const struct care_state *state, struct care_map *map) {
    bool before = care_fact_is(&state->weight_before);
    if (!care_fact_is(&state->weight))
        return;
    proto_write_array(care_map_key(map, "weights"), before ? 2 : 1);
    if (before)
        render_weight(map, &state->weight_before, state->weight_before_kg);
    render_weight(map, &state->weight, state->weight_kg);
}

void care_render_trend(const struct care_page *page, struct care_map *map) {
    struct care_map forecast = care_map_begin(care_map_key(map, "forecast"));
    render_balloon(page, &forecast);
    render_supplies(page, &forecast);
    care_map_end(&forecast);
    struct care_map trend = care_map_begin(care_map_key(map, "trend"));
    size_t mark = proto_write_array_begin(care_map_key(&trend, "checks"));
    uint32_t count = 0;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        if (!page->schedule->stomas[i].exists)
            continue;
        for (uint32_t k = 0; k < page->state->stomas[i].check_count; k++) {
            render_check(page->w, i, &page->state->stomas[i].checks[k]);
            count++;
        }
    }
    proto_write_array_end(page->w, mark, count);
    render_weights(page->state, &trend);
    care_map_end(&trend);
}
