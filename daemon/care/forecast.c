/*
 * forecast.c - the loss of one balloon's water over time.
 *
 * Every fill and the next draw give a loss over a stretch of time. Laid end to
 * end they give points of lost water over days in place; their Theil-Sen slope
 * is the rate, hardly moved by one bad measurement.
 */
#include "care/forecast.h"

#include <assert.h>
#include <string.h>

#define WEEK_MS (7 * PROTO_DAY_MS)
#define PAIRS_MAX (CARE_POINTS_MAX * (CARE_POINTS_MAX - 1) / 2)

static int64_t square_root(int64_t n) {
    int64_t root = 0;
    for (int64_t bit = 1LL << 31; bit > 0; bit >>= 1) {
        if ((root + bit) * (root + bit) <= n && root + bit <= 3037000499LL)
            root += bit;
    }
    return root;
}

static int64_t divide_nearest(int64_t n, int64_t by) {
    assert(by > 0);
    return n >= 0 ? (n + by / 2) / by : -((-n + by / 2) / by);
}

static void sort(int64_t *list, uint32_t count) {
    for (uint32_t i = 1; i < count; i++) {
        int64_t value = list[i];
        uint32_t j = i;
        for (; j > 0 && list[j - 1] > value; j--)
            list[j] = list[j - 1];
        list[j] = value;
    }
}

uint32_t care_theil_sen(const int64_t *x, const int64_t *y, uint32_t count, int64_t scale, struct care_slope *out) {
    int64_t slopes[PAIRS_MAX];
    uint32_t pairs = 0;
    assert(count <= CARE_POINTS_MAX);
    for (uint32_t i = 0; i < count; i++) {
        for (uint32_t j = i + 1; j < count; j++) {
            if (x[j] > x[i])
                slopes[pairs++] = divide_nearest((y[j] - y[i]) * scale, x[j] - x[i]);
            else if (x[j] < x[i])
                slopes[pairs++] = divide_nearest((y[i] - y[j]) * scale, x[i] - x[j]);
        }
    }
    if (pairs == 0)
        return 0;
    sort(slopes, pairs);
    int64_t n = count;
    /* 1.96 standard deviations of Kendall's S, in hundredths; ranks are half of the pairs, that far to either side */
    int64_t spread = square_root(n * (n - 1) * (2 * n + 5) * 10000 / 18) * 196 / 100;
    int64_t upper = divide_nearest(pairs * 100LL + spread, 200);
    int64_t lower = divide_nearest(pairs * 100LL - spread, 200) - 1;
    out->median = pairs % 2 ? slopes[pairs / 2] : divide_nearest(slopes[pairs / 2 - 1] + slopes[pairs / 2], 2);
    out->high = slopes[upper > (int64_t)pairs - 1 ? pairs - 1 : (uint32_t)upper];
    out->low = slopes[lower < 0 ? 0 : (uint32_t)lower];
    return pairs;
}

int64_t care_syringe_error_ul(int32_t syringe_ml, int32_t volume_ml) {
    static const int32_t usual_ml[] = {500, 1000, 2000, 5000};
    for (uint32_t i = 0; syringe_ml <= 0 && i < sizeof usual_ml / sizeof usual_ml[0]; i++) {
        if (volume_ml <= usual_ml[i])
            syringe_ml = usual_ml[i];
    }
    if (syringe_ml <= 0 || syringe_ml < volume_ml)
        syringe_ml = volume_ml; /* drawn in more than one go */
    bool small = syringe_ml < 500;
    if (2LL * volume_ml >= syringe_ml)
        return divide_nearest((int64_t)volume_ml * (small ? 50 : 40), 100);
    return divide_nearest((int64_t)syringe_ml * 15 + (int64_t)volume_ml * (small ? 20 : 10), 100);
}

struct series {
    uint32_t count;
    int64_t x[CARE_POINTS_MAX]; /* ms in place */
    int64_t y[CARE_POINTS_MAX]; /* hundredths of mL lost until then */
    int64_t error_square;       /* sum of squared measuring errors, square hundredths of mL */
};

static void collect(const struct care_stoma *stoma, struct series *s) {
    memset(s, 0, sizeof *s);
    s->count = 1; /* nothing lost at the start */
    for (uint32_t i = 0; i < stoma->check_count; i++) {
        const struct care_check *check = &stoma->checks[i];
        int64_t span = check->fact.at - check->before_at;
        if (!check->has_withdrawn || !check->before_known || check->before_ml <= 0 || span <= 0)
            continue;
        s->x[s->count] = s->x[s->count - 1] + span;
        s->y[s->count] = s->y[s->count - 1] + check->before_ml - check->withdrawn_ml;
        s->count++;
        int64_t fill = care_syringe_error_ul(check->syringe_ml, check->before_ml);
        int64_t draw = care_syringe_error_ul(check->syringe_ml, check->withdrawn_ml);
        s->error_square += (fill * fill + draw * draw) / 100;
    }
}

void care_forecast_balloon(const struct care_facts *facts, int stoma, struct care_forecast *forecast) {
    const struct care_stoma_facts *s = care_facts_stoma(facts, stoma);
    struct series series;
    struct care_slope slope;
    memset(forecast, 0, sizeof *forecast);
    if (!s->balloon)
        return;
    collect(s->stoma, &series);
    if (series.count < 3) /* one stretch says nothing about its own spread */
        return;
    /* in hundredths of mL a week */
    forecast->fits = (int32_t)care_theil_sen(series.x, series.y, series.count, WEEK_MS, &slope);
    int64_t error = square_root(series.error_square) * WEEK_MS / series.x[series.count - 1];
    forecast->known = true;
    forecast->loss_ml_week = slope.median;
    forecast->low = slope.median - error < slope.low ? slope.median - error : slope.low;
    forecast->high = slope.median + error > slope.high ? slope.median + error : slope.high;
    if (!s->stoma->last_fill_known || s->stoma->last_fill_ml <= 0)
        return;
    int64_t filled_at = s->stoma->last_fill_at;
    int64_t interval = care_facts_span_at_ms(facts, PROTO_POLICY_BALLOON_CHECK_DAYS, s->number, filled_at);
    int64_t expected = s->stoma->last_fill_ml - divide_nearest(slope.median * (interval / 1000), WEEK_MS / 1000);
    forecast->next_expected_ml = expected < 0 ? 0 : expected;
    if (slope.median <= 0)
        return;
    int64_t allowed = care_facts_value_at(facts, PROTO_POLICY_BALLOON_LOSS_ML, s->number, filled_at);
    int64_t low_after = (allowed + 1) * WEEK_MS / slope.median;
    if (low_after <= 4 * interval)
        forecast->expected_low_day = care_facts_day(facts, filled_at + low_after);
}
