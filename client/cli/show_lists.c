/*
 * show_lists.c - the parts of a child's page that are measured or counted: checks, forecast, spares, carers.
 *
 * What always holds: a forecast is shown with its interval, and as what is expected, never as what is so.
 */
#include "cli.h"

#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

static void line(const struct cli *cli, FILE *out, const char *text) {
    (void)fputs("  ", out);
    out_folded(cli, out, 2, text);
}

/* --- forecast ---------------------------------------------------------------------------------------------------------------- */

/* The interval comes from measured volumes, so its low end may lie below nothing. */
static void show_loss(const struct cli *cli, FILE *out, const struct betony_value *balloon) {
    char text[500], loss[32], low[32], high[32], next[32];
    if (!balloon)
        return;
    words_field(balloon, "loss_ml_week", loss, sizeof loss);
    words_value("", betony_value_get(balloon, "low"), low, sizeof low);
    words_field(balloon, "high", high, sizeof high);
    words_field(balloon, "next_expected_ml", next, sizeof next);
    bool some = betony_value_number(betony_value_get(balloon, "low"), 0) > 0;
    const char *date = words_text(balloon, "expected_low_on");
    const char *which = strcmp(words_text(balloon, "stoma"), "second") == 0 ? " of the second stoma" : "";
    (void)snprintf(text, sizeof text,
                   "By its last fills the balloon%s is expected to lose %s (95 %% interval: %s to %s mL), and to hold "
                   "about %s at the next check%s%s.",
                   which, loss, some ? low : "no loss", high, next, date[0] ? "; it would be low from about " : "",
                   date);
    line(cli, out, text);
}

void show_forecast(const struct cli *cli, FILE *out, const struct betony_value *forecast) {
    static const struct show_column columns[] = {
        {"item", {"supply", false, true}},
        {"count", {"counted", true, false}},
        {"counted_at", {"on", false, false}},
        {"runs_out_on", {"expected to last until", false, false}},
        {"expected_on", {"ordered for", false, false}},
    };
    if (betony_value_count(forecast) == 0)
        return;
    out_heading(cli, out, "FORECAST");
    show_loss(cli, out, betony_value_get(forecast, "balloon"));
    show_table(cli, out, betony_value_get(forecast, "supplies"), columns, COUNT(columns));
}

/* --- spares and carers ------------------------------------------------------------------------------------------------------- */

/* Columns of one count: what, where, how many, size, use by, in date, and the rest in the last one. */
static void add_spare(struct table *table, const struct betony_value *spare) {
    char size[80], length[32], french[32], count[32], rest[500], counted[32] = "";
    static const char *const told[] = {"what",      "place",   "stoma",   "count",      "french_fr",
                                       "length_mm", "expires", "in_date", "counted_at", NULL};
    bool second = strcmp(words_text(spare, "stoma"), "second") == 0;
    int64_t at = betony_value_int(betony_value_get(spare, "counted_at"), 0);
    words_field(spare, "french_fr", french, sizeof french);
    words_field(spare, "length_mm", length, sizeof length);
    words_field(spare, "count", count, sizeof count);
    (void)snprintf(size, sizeof size, "%s%s%s", french, french[0] && length[0] ? ", " : "", length);
    if (at)
        words_day(at, counted);
    table_cell(table, words_text(spare, "what"));
    table_cell(table, words_text(spare, "place"));
    table_cell(table, count);
    table_cell(table, size);
    table_cell(table, words_text(spare, "expires"));
    table_cell(table, !betony_value_get(spare, "in_date")                            ? "not said"
                      : betony_value_bool(betony_value_get(spare, "in_date"), false) ? "yes"
                                                                                     : "NO");
    words_map(spare, told, rest, sizeof rest);
    char text[600];
    (void)snprintf(text, sizeof text, "%scounted %s%s%s", second ? "for the second stoma, " : "", counted,
                   rest[0] ? ", " : "", rest);
    table_cell(table, text);
}

void show_spares(const struct cli *cli, FILE *out, const struct betony_value *spare) {
    static const struct table_column columns[] = {
        {"spare", false, false},  {"place", false, false},   {"count", true, false}, {"size", false, false},
        {"use by", false, false}, {"in date", false, false}, {"detail", false, true}};
    const struct betony_value *counted = betony_value_get(spare, "counted");
    char required[200], text[240];
    if (betony_value_count(spare) == 0)
        return;
    out_heading(cli, out, "SPARES");
    words_field(spare, "required", required, sizeof required);
    (void)snprintf(text, sizeof text, "needed at home: %s", required);
    line(cli, out, text);
    if (betony_value_count(counted) == 0) {
        line(cli, out, "NONE COUNTED");
        return;
    }
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t i = 0; i < betony_value_count(counted); i++)
        add_spare(table, betony_value_at(counted, i));
    table_print(cli, out, table, 2);
    table_free(table);
}

static void add_skills(struct table *table, const struct betony_value *carer) {
    const struct betony_value *skills = betony_value_get(carer, "skills");
    bool left = betony_value_bool(betony_value_get(carer, "left"), false);
    for (size_t k = 0; k < betony_value_count(skills); k++) {
        const struct betony_value *skill = betony_value_at(skills, k);
        bool in_date = betony_value_bool(betony_value_get(skill, "in_date"), false);
        char trained[32] = "";
        int64_t at = betony_value_int(betony_value_get(skill, "trained_at"), 0);
        if (at)
            words_day(at, trained);
        table_cell(table, words_text(carer, "carer"));
        table_cell(table, words_text(skill, "skill"));
        table_cell(table, words_text(skill, "level"));
        table_cell(table, trained);
        table_cell(table, words_text(skill, "until"));
        table_cell(table, left ? "no longer a carer" : in_date ? "yes" : "NO");
    }
}

void show_carers(const struct cli *cli, FILE *out, const struct betony_value *carers) {
    static const struct table_column columns[] = {{"carer", false, true},  {"skill", false, false},
                                                  {"level", false, false}, {"trained", false, false},
                                                  {"until", false, false}, {"in date", false, false}};
    out_heading(cli, out, "CARERS");
    if (betony_value_count(carers) == 0) {
        line(cli, out, "NOBODY is on record as trained");
        return;
    }
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t i = 0; i < betony_value_count(carers); i++)
        add_skills(table, betony_value_at(carers, i));
    table_print(cli, out, table, 2);
    table_free(table);
}

/* --- last measurements ------------------------------------------------------------------------------------------------------- */

static void add_check(struct table *table, const struct betony_value *check) {
    char text[64];
    words_field(check, "at", text, sizeof text);
    table_cell(table, text);
    if (betony_value_bool(betony_value_get(check, "stuck"), false))
        (void)snprintf(text, sizeof text, "nothing");
    else
        words_field(check, "withdrawn_ml", text, sizeof text);
    table_cell(table, text);
    if (betony_value_bool(betony_value_get(check, "left_empty"), false))
        (void)snprintf(text, sizeof text, "left empty");
    else
        words_field(check, "filled_ml", text, sizeof text);
    table_cell(table, text);
    words_field(check, "prescribed_ml", text, sizeof text);
    table_cell(table, text);
    table_cell(table, words_text(check, "look"));
    table_cell(table, words_text(check, "fluid"));
    table_cell(table, strcmp(words_text(check, "stoma"), "second") == 0 ? "second stoma" : "");
}

void show_trend(const struct cli *cli, FILE *out, const struct betony_value *trend) {
    static const struct table_column columns[] = {{"balloon checked", false, false},
                                                  {"came out", true, false},
                                                  {"put back", true, false},
                                                  {"prescribed", true, false},
                                                  {"look", false, false},
                                                  {"with", false, false},
                                                  {"", false, true}};
    static const struct show_column weights[] = {{"at", {"weighed", false, false}},
                                                 {"weight_kg", {"weight", true, false}}};
    const struct betony_value *checks = betony_value_get(trend, "checks");
    if (betony_value_count(checks) + betony_value_count(betony_value_get(trend, "weights")) == 0)
        return;
    out_heading(cli, out, "LAST MEASUREMENTS");
    if (betony_value_count(checks) > 0) {
        struct table *table = table_new(columns, COUNT(columns));
        for (size_t i = 0; i < betony_value_count(checks); i++)
            add_check(table, betony_value_at(checks, i));
        table_print(cli, out, table, 2);
        table_free(table);
    }
    show_table(cli, out, betony_value_get(trend, "weights"), weights, COUNT(weights));
}
