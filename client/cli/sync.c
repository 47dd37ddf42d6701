/*
 * sync.c - `betony sync`, `refused`, `nodes`: how a laptop and its server stand with each other, in words.
 *
 * What always holds: what was recorded here and has not reached the server, or was not taken by it, is told first and
 * makes exit code 1, so that nobody closes a laptop in the belief that all is across.
 */
#include "cli.h"

#include <inttypes.h>
#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])
#define CLOCK_TOLD_MS 1000 /* less of an offset is no news */

static const char *text_of(const struct betony_value *map, const char *key) {
    return betony_value_text(betony_value_get(map, key), "");
}

static int64_t number_of(const struct betony_value *map, const char *key) {
    return betony_value_int(betony_value_get(map, key), 0);
}

static void line(const struct cli *cli, const char *label, const char *text) {
    (void)printf("%-14s", label);
    out_folded(cli, stdout, 14, text);
}

/* --- sync ------------------------------------------------------------------------------------------------------------- */

/* The states in contact stand last. */
#define STATES_WITHOUT 4
static const char *state_words(const char *state, bool *in_contact) {
    static const char *const words[][2] = {
        {"waiting", "no contact; it is tried again by itself"},
        {"connecting", "connecting"},
        {"greeting", "connected, saying hello"},
        {"stopped", "stopping"},
        {"pushing", "in contact, sending"},
        {"pulling", "in contact, fetching"},
        {"comparing", "in contact, comparing what both hold: one of the two was put back or was away for long"},
        {"current", "in contact"},
    };
    *in_contact = false;
    for (size_t i = 0; i < COUNT(words); i++)
        if (strcmp(state, words[i][0]) == 0) {
            *in_contact = i >= STATES_WITHOUT;
            return words[i][1];
        }
    return state;
}

/* "14 min fast", of this machine against the upstream. */
static void clock_words(int64_t offset_ms, char out[160]) {
    int64_t size_ms = offset_ms < 0 ? -offset_ms : offset_ms;
    char span[48];
    if (size_ms < CLOCK_TOLD_MS) {
        (void)snprintf(out, 160, "as the upstream's, within a second");
        return;
    }
    if (size_ms < 60000)
        (void)snprintf(span, sizeof span, "%" PRId64 " s", size_ms / 1000);
    else
        words_span(size_ms, span);
    (void)snprintf(out, 160, "%s %s the upstream's", span, offset_ms < 0 ? "behind" : "ahead of");
}

static void count_line(const struct cli *cli, const char *label, int64_t count, const char *one, const char *many,
                       const char *more) {
    char text[240];
    if (count == 0)
        (void)snprintf(text, sizeof text, "nothing");
    else
        (void)snprintf(text, sizeof text, "%" PRId64 " %s%s", count, count == 1 ? one : many, more);
    line(cli, label, text);
}

static void scope_line(const struct cli *cli, const struct betony_value *result) {
    char text[900];
    words_value("", betony_value_get(result, "teams"), text, sizeof text);
    if (betony_value_bool(betony_value_get(result, "all_teams"), false))
        line(cli, "teams", "all");
    else if (text[0])
        line(cli, "teams", text);
}

static void show_upstream(const struct cli *cli, const struct betony_value *upstream) {
    char text[400], when[96] = "never";
    int64_t contact = number_of(upstream, "last_contact");
    if (contact)
        words_since(contact, cli->now_ms, when);
    (void)snprintf(text, sizeof text, "%.300s%s%.60s", text_of(upstream, "address"),
                   text_of(upstream, "address")[0] && text_of(upstream, "node")[0] ? ", node " : "",
                   text_of(upstream, "node"));
    if (text[0])
        line(cli, "upstream", text);
    bool in_contact = false;
    line(cli, "state", state_words(text_of(upstream, "state"), &in_contact));
    if (text_of(upstream, "fault")[0])
        line(cli, "", text_of(upstream, "fault"));
    line(cli, "last contact", when);
    if (betony_value_get(upstream, "clock_offset_ms")) {
        clock_words(number_of(upstream, "clock_offset_ms"), text);
        line(cli, "clock here", text);
    }
    count_line(cli, "to go out", number_of(upstream, "out"), "event", "events",
               " recorded here, kept until it is there");
    if (in_contact)
        count_line(cli, "to come in", number_of(upstream, "in"), "event", "events",
                   " at most; those of other teams do not come");
    else
        line(cli, "to come in", "not known without contact");
}

static void show_lists(const struct cli *cli, const struct betony_value *result) {
    static const struct show_column left[] = {{"at", {"when", false, false}},
                                              {"label", {"child", false, false}},
                                              {"patient", {"id", false, false}},
                                              {"events", {"events", true, false}}};
    static const struct show_column replaced[] = {{"at", {"when", false, false}},
                                                  {"patient", {"child's id", false, false}},
                                                  {"event", {"event", false, false}},
                                                  {"new_event", {"goes on as", false, false}}};
    const struct betony_value *rows = betony_value_get(result, "left");
    if (betony_value_count(rows) > 0) {
        out_heading(cli, stdout, "LEFT THIS CASELOAD (no longer kept here)");
        show_table(cli, stdout, rows, left, COUNT(left));
    }
    rows = betony_value_get(result, "replaced");
    if (betony_value_count(rows) > 0) {
        out_heading(cli, stdout, "KEPT UNDER ANOTHER ID (the server held another event under the same one)");
        show_table(cli, stdout, rows, replaced, COUNT(replaced));
    }
}

/* Something is not where it should be, or a person has to look. */
static bool is_waiting(const struct betony_value *result) {
    const struct betony_value *upstream = betony_value_get(result, "upstream");
    return !upstream || strcmp(text_of(upstream, "state"), "current") != 0 || number_of(upstream, "out") > 0 ||
           number_of(upstream, "in") > 0 || number_of(result, "refused") > 0;
}

int verb_sync(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    cli_verb_flags(verb, &args);
    cli_args_parse(cli, &args, argc, argv, verb->words, verb->help);
    struct betony_answer *answer = NULL;
    int failed = cli_call(cli, "sync-state", NULL, &answer);
    if (failed)
        return failed;
    const struct betony_value *result = betony_answer_result(answer);
    int code = is_waiting(result) ? CLI_EXIT_NONE : EX_OK;
    if (!json_print_answer(cli, answer)) {
        const struct betony_value *upstream = betony_value_get(result, "upstream");
        if (!upstream)
            (void)puts("This is a server: it has no upstream. `betony nodes' lists the laptops that sync with it.");
        else
            show_upstream(cli, upstream);
        scope_line(cli, result);
        if (upstream || number_of(result, "refused") > 0)
            count_line(cli, "refused", number_of(result, "refused"), "event", "events",
                       "; `betony refused' says which and why");
        show_lists(cli, result);
    }
    betony_answer_free(answer);
    return code;
}

/* --- refused ---------------------------------------------------------------------------------------------------------- */

static void show_refused(const struct cli *cli, const struct betony_value *row) {
    char at[32] = "", text[2400];
    const char *child = text_of(row, "patient"), *kind = text_of(row, "kind");
    if (number_of(row, "at"))
        words_time(number_of(row, "at"), at);
    (void)snprintf(text, sizeof text, "%s%s%s%s%s", kind[0] ? kind : "an event that this version cannot read",
                   child[0] ? " of " : "", child, at[0] ? ", " : "", at);
    out_strong(cli, stdout, text);
    (void)fputc('\n', stdout);
    words_map(betony_value_get(row, "body"), NULL, text, sizeof text);
    if (text[0]) {
        (void)fputs("  said     ", stdout);
        out_folded(cli, stdout, 11, text);
    }
    words_since(number_of(row, "refused_at"), cli->now_ms, text);
    (void)printf("  refused  %s\n  why      ", text);
    (void)snprintf(text, sizeof text, "%.1000s [%.60s]", text_of(row, "message"), text_of(row, "code"));
    out_folded(cli, stdout, 11, text);
    (void)fputs("  event    ", stdout);
    out_text(stdout, text_of(row, "event"));
    (void)fputs("\n", stdout);
}

static int list_refused(struct cli *cli, const struct cli_args *args) {
    struct cli_rows rows;
    int failed = cli_list(cli, args, "refused", NULL, &rows);
    if (failed)
        return failed;
    if (!cli_rows_print_json(cli, &rows)) {
        for (size_t i = 0; i < rows.row_count; i++)
            show_refused(cli, cli_rows_at(&rows, i));
        show_count(cli, stdout, &rows, "refused event", "refused events", true);
        if (rows.row_count > 0)
            out_folded(
                cli, stdout, 0,
                "They count for nothing, here as there. Record it rightly with `betony record', then `betony "
                "refused --drop EVENT' takes it off this list; when the reason is gone, --again EVENT records it "
                "as it was.");
    }
    cli_rows_free(&rows);
    return EX_OK;
}

int verb_refused(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    cli_verb_flags(verb, &args);
    cli_args_parse(cli, &args, argc, argv, verb->words, verb->help);
    const char *again = cli_args_text(&args, "again"), *drop = cli_args_text(&args, "drop");
    if (again && drop)
        cli_usage(&args, "--again and --drop say two things");
    if (!again && !drop)
        return list_refused(cli, &args);
    struct betony_map *params = betony_map_new();
    cli_args_fill(cli, &args, CLI_PLACE_PARAM, params);
    struct betony_answer *answer = NULL;
    int failed = cli_call(cli, "refused", params, &answer);
    betony_map_free(params);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer)) {
        (void)puts(again ? "It is recorded again, and offered to the upstream again; `betony sync' tells how that goes."
                         : "It is off the list. The log keeps that it was there.");
    }
    betony_answer_free(answer);
    return EX_OK;
}

/* --- nodes ------------------------------------------------------------------------------------------------------------ */

static void node_row(const struct cli *cli, struct table *table, const struct betony_value *row) {
    char text[900];
    int64_t contact = number_of(row, "last_contact");
    table_cell(table, text_of(row, "node"));
    words_value("", betony_value_get(row, "teams"), text, sizeof text);
    table_cell(table, betony_value_bool(betony_value_get(row, "all_teams"), false) ? "all" : text);
    if (contact)
        words_since(contact, cli->now_ms, text);
    table_cell(table, contact ? text : "never");
    table_cell(table, number_of(row, "connections") > 0 ? "yes" : "no");
    (void)snprintf(text, sizeof text, "%" PRId64, number_of(row, "behind"));
    table_cell(table, betony_value_get(row, "behind") ? text : "");
    table_cell(table, text_of(row, "agent"));
}

int verb_nodes(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static const struct table_column columns[] = {{"node", false, false},         {"teams", false, true},
                                                  {"last contact", false, false}, {"connected", false, false},
                                                  {"behind", true, false},        {"program", false, true}};
    static struct cli_args args;
    cli_verb_flags(verb, &args);
    cli_args_parse(cli, &args, argc, argv, verb->words, verb->help);
    struct betony_answer *answer = NULL;
    int failed = cli_call(cli, "nodes", NULL, &answer);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer)) {
        const struct betony_value *rows = betony_value_get(betony_answer_result(answer), "rows");
        struct table *table = table_new(columns, COUNT(columns));
        for (size_t i = 0; i < betony_value_count(rows); i++)
            node_row(cli, table, betony_value_at(rows, i));
        if (betony_value_count(rows) > 0)
            table_print(cli, stdout, table, 0);
        else
            (void)puts("No node syncs with this server.");
        table_free(table);
        if (betony_value_bool(betony_value_get(betony_answer_result(answer), "truncated"), false))
            (void)puts("There are more than are listed.");
    }
    betony_answer_free(answer);
    return EX_OK;
}
