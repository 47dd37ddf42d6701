/*
 * show_lists.c - the parts of a child's page that are lists: forecasts, spares, carers, the last checks.
 *
 * What always holds: a forecast is shown with its interval, and as what is expected, never as what is so.
 */
#include "cli.h"

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static void line(const struct cli *cli, FILE *out, const char *text) {
    (void)fputs("  ", out);
    out_folded(cli, out, 2, text);
}

static const char *text_of(const struct betony_value *map, const char *key) {
    return betony_value_text(betony_value_get(map, key), "");
}

static void show_loss(const struct cli *cli, FILE *out, const struct betony_value *balloon) {
    char text[400], loss[32], low[32], high[32], next[32];
    if (!balloon)
        return;
    words_value("", betony_value_get(balloon, "loss_ml_week"), loss, sizeof loss);
    words_value("", betony_value_get(balloon, "low"), low, sizeof low);
    words_value("", betony_value_get(balloon, "high"), high, sizeof high);
    words_value("", betony_value_get(balloon, "next_expected_ml"), next, sizeof next);
    const char *date = text_of(balloon, "expected_low_on");
    (void)snprintf(text, sizeof text,
                   "The balloon of the %s stoma is expected to lose %s mL a week (%s to %s); about %s mL at the next "
                   "check%s%s.",
                   text_of(balloon, "stoma"), loss, low, high, next, date[0] ? "; low from about " : "", date);
    line(cli, out, text);
}

void show_forecast(const struct cli *cli, FILE *out, const struct betony_value *forecast) {
    const struct betony_value *supplies = betony_value_get(forecast, "supplies");
    if (betony_value_count(forecast) == 0)
        return;
    out_heading(cli, out, "FORECAST");
    show_loss(cli, out, betony_value_get(forecast, "balloon"));
    static const struct show_column columns[] = {
        {"item", {"supply", false, true}},
        {"count", {"counted", true, false}},
        {"counted_at", {"on", false, false}},
        {"runs_out_on", {"expected to last until", false, false}},
        {"expected_on", {"ordered for", false, false}},
    };
    show_table(cli, out, supplies, columns, COUNT(columns));
}

void show_spares(const struct cli *cli, FILE *out, const struct betony_value *spare) {
    static const struct show_column columns[] = {
        {"what", {"spare", false, false}},     {"place", {"place", false, false}},
        {"stoma", {"stoma", false, false}},    {"count", {"count", true, false}},
        {"french_fr", {"size", true, false}},  {"length_mm", {"length", true, false}},
        {"expires", {"use by", false, false}}, {"in_date", {"in date", false, false}},
        {"lot", {"lot", false, false}},        {"counted_at", {"counted", false, false}},
    };
    char required[200], text[240];
    if (betony_value_count(spare) == 0)
        return;
    out_heading(cli, out, "SPARES");
    words_value("required", betony_value_get(spare, "required"), required, sizeof required);
    (void)snprintf(text, sizeof text, "needed at home: %s", required);
    line(cli, out, text);
    show_table(cli, out, betony_value_get(spare, "counted"), columns, COUNT(columns));
}

void show_carers(const struct cli *cli, FILE *out, const struct betony_value *carers) {
    static const struct table_column columns[] = {{"carer", false, false},
                                                  {"skill", false, false},
                                                  {"level", false, false},
                                                  {"until", false, false},
                                                  {"in date", false, false}};
    if (betony_value_count(carers) == 0)
        return;
    out_heading(cli, out, "CARERS");
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t i = 0; i < betony_value_count(carers); i++) {
        const struct betony_value *carer = betony_value_at(carers, i), *skills = betony_value_get(carer, "skills");
        bool left = betony_value_bool(betony_value_get(carer, "left"), false);
        for (size_t k = 0; k < betony_value_count(skills); k++) {
            const struct betony_value *skill = betony_value_at(skills, k);
            bool in_date = betony_value_bool(betony_value_get(skill, "in_date"), false);
            table_cell(table, text_of(carer, "carer"));
            table_cell(table, text_of(skill, "skill"));
            table_cell(table, text_of(skill, "level"));
            table_cell(table, text_of(skill, "until"));
            table_cell(table, left ? "left" : in_date ? "yes" : "NO");
        }
    }
    table_print(cli, out, table, 2);
    table_free(table);
}

void show_trend(const struct cli *cli, FILE *out, const struct betony_value *trend) {
    static const struct show_column checks[] = {
        {"at", {"balloon checked", false, false}},
        {"stoma", {"stoma", false, false}},
        {"withdrawn_ml", {"came out", true, false}},
        {"filled_ml", {"put back", true, false}},
        {"prescribed_ml", {"prescribed", true, false}},
        {"look", {"look", false, false}},
        {"fluid", {"fluid", false, false}},
        {"stuck", {"stuck", false, false}},
    };
    static const struct show_column weights[] = {{"at", {"weighed", false, false}},
                                                 {"weight_kg", {"weight", true, false}}};
    if (betony_value_count(betony_value_get(trend, "checks")) +
            betony_value_count(betony_value_get(trend, "weights")) ==
        0)
        return;
    out_heading(cli, out, "LAST MEASUREMENTS");
    show_table(cli, out, betony_value_get(trend, "checks"), checks, COUNT(checks));
    show_table(cli, out, betony_value_get(trend, "weights"), weights, COUNT(weights));
}
