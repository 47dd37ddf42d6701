/*
 * verbs.c - the table of verbs, and those that only ask and show.
 *
 * What always holds: a verb that is named after a method takes that method's parameters as flags; --json gives the answer
 * as it came.
 */
#include "cli.h"

#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

void cli_verb_flags(const struct cli_verb *verb, struct cli_args *args) {
    args->verb = verb->name;
    if (verb->method == PROTO_METHOD_hello || verb->method == PROTO_METHOD_record)
        return; /* hello's are those of every verb; record's depend on the kind */
    if (verb->method != PROTO_METHOD_UNKNOWN)
        cli_args_add_params(args, verb->method);
    if (verb->method == PROTO_METHOD_due)
        cli_args_add_own(args, "overdue", false, "the same as --state overdue");
    if (verb->method == PROTO_METHOD_follow)
        cli_args_add_own(args, "after", true, "go on behind this cursor, or behind the last one in this file");
}

/* Flags and words of a verb; at least `words_min` words. */
static void parse(struct cli *cli, const struct cli_verb *verb, int argc, char **argv, size_t words_min,
                  size_t words_max, struct cli_args *args) {
    cli_verb_flags(verb, args);
    args->words_max = words_max;
    cli_args_parse(cli, args, argc, argv, verb->words, verb->help);
    if (args->word_count < words_min)
        cli_usage(args, "%s is missing", verb->words);
    if (cli_args_text(args, "overdue") && cli_args_text(args, "state"))
        cli_usage(args, "--overdue and --state say two things");
}

/* A method with no list: the answer as it is. */
static int verb_plain(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 0, 0, &args);
    struct betony_map *params = betony_map_new();
    cli_args_fill(cli, &args, CLI_PLACE_PARAM, params);
    struct betony_answer *answer = NULL;
    int failed = cli_connect(cli);
    if (!failed && verb->method == PROTO_METHOD_hello) {
        enum betony_error error = betony_hello(cli->b, &answer);
        failed = error == BETONY_OK ? EX_OK : cli_fail(cli, error);
    } else if (!failed) {
        failed = cli_call(cli, verb->name, params, &answer);
    }
    betony_map_free(params);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer))
        show_value(cli, stdout, betony_answer_result(answer), 0);
    betony_answer_free(answer);
    return EX_OK;
}

/* --- tally ---------------------------------------------------------------------------------------------------------- */

static void number_cell(struct table *table, const struct betony_value *map, const char *key) {
    char text[32];
    (void)snprintf(text, sizeof text, "%lld", (long long)betony_value_int(betony_value_get(map, key), 0));
    table_cell(table, text);
}

static void show_task_counts(const struct cli *cli, const struct betony_value *rows) {
    static const struct table_column columns[] = {{"team", false, false},
                                                  {"task", false, false},
                                                  {"overdue", true, false},
                                                  {"due", true, false},
                                                  {"upcoming", true, false}};
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t r = 0; r < betony_value_count(rows); r++) {
        const struct betony_value *row = betony_value_at(rows, r), *tasks = betony_value_get(row, "tasks");
        for (size_t t = 0; t < betony_value_count(tasks); t++) {
            table_cell(table, betony_value_text(betony_value_get(row, "team"), "?"));
            table_cell(table, betony_value_text(betony_value_key_at(tasks, t), "?"));
            for (size_t c = 2; c < COUNT(columns); c++)
                number_cell(table, betony_value_at(tasks, t), columns[c].title);
        }
    }
    table_print(cli, stdout, table, 0);
    table_free(table);
}

static void show_alert_counts(const struct cli *cli, const struct betony_value *rows) {
    static const struct table_column columns[] = {{"team", false, false},
                                                  {"now", true, false},
                                                  {"today", true, false},
                                                  {"soon", true, false},
                                                  {"note", true, false}};
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t r = 0; r < betony_value_count(rows); r++) {
        const struct betony_value *row = betony_value_at(rows, r);
        table_cell(table, betony_value_text(betony_value_get(row, "team"), "?"));
        for (size_t c = 1; c < COUNT(columns); c++)
            number_cell(table, betony_value_get(row, "alerts"), columns[c].title);
    }
    table_print(cli, stdout, table, 0);
    table_free(table);
}

static int verb_tally(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 0, 0, &args);
    struct betony_map *params = betony_map_new();
    cli_args_fill(cli, &args, CLI_PLACE_PARAM, params);
    struct betony_answer *answer = NULL;
    int failed = cli_call(cli, "tally", params, &answer);
    betony_map_free(params);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer)) {
        const struct betony_value *rows = betony_value_get(betony_answer_result(answer), "rows");
        out_strong(cli, stdout, "Open alerts by urgency");
        (void)fputc('\n', stdout);
        show_alert_counts(cli, rows);
        out_heading(cli, stdout, "Tasks");
        show_task_counts(cli, rows);
        if (betony_value_bool(betony_value_get(betony_answer_result(answer), "truncated"), false))
            (void)puts("\nThere are more alerts than were counted.");
    }
    betony_answer_free(answer);
    return EX_OK;
}

/* --- kinds, rules ------------------------------------------------------------------------------------------------------------------ */

static void show_kind(const struct cli *cli, enum proto_kind kind) {
    static const struct table_column columns[] = {{"flag", false, false}, {"what it says", false, true}};
    static struct cli_args args;
    const struct proto_kind_info *info = proto_kind_get(kind);
    memset(&args, 0, sizeof args);
    for (uint32_t i = 0; i < info->field_count; i++)
        cli_args_add_field(&args, &info->fields[i], CLI_PLACE_BODY);
    (void)printf("%s\n\n", info->help);
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t i = 0; i < args.flag_count; i++) {
        char name[56];
        if (args.flags[i].negated)
            continue;
        (void)snprintf(name, sizeof name, "--%s", args.flags[i].name);
        table_cell(table, name);
        table_cell(table, args.flags[i].help);
    }
    if (args.flag_count > 0)
        table_print(cli, stdout, table, 0);
    table_free(table);
}

static int verb_kinds(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 0, 1, &args);
    if (cli->format != CLI_FORMAT_PEOPLE) { /* as the server has them */
        struct betony_answer *answer = NULL;
        int failed = cli_call(cli, "kinds", NULL, &answer);
        if (!failed)
            (void)json_print_answer(cli, answer);
        betony_answer_free(answer);
        return failed;
    }
    if (args.word_count == 1) {
        enum proto_kind kind = proto_kind_find((struct proto_slice){args.words[0], (uint32_t)strlen(args.words[0])});
        if (kind == PROTO_KIND_UNKNOWN)
            cli_usage_kind(&args, args.words[0]);
        show_kind(cli, kind);
        return EX_OK;
    }
    static const struct table_column columns[] = {{"kind", false, false}, {"what happened", false, true}};
    struct table *table = table_new(columns, COUNT(columns));
    for (int k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        table_cell(table, proto_kind_get((enum proto_kind)k)->name);
        table_cell(table, proto_kind_get((enum proto_kind)k)->help);
    }
    table_print(cli, stdout, table, 0);
    table_free(table);
    return EX_OK;
}

static const struct show_column rules_columns[] = {
    {"name", {"name", false, false}},  {"value", {"value", true, false}}, {"unit", {"unit", false, false}},
    {"min", {"min", true, false}},     {"max", {"max", true, false}},     {"default", {"default", true, false}},
    {"basis", {"basis", false, true}},
};

/* The list of values inside the answer, whatever it is called there. */
static const struct betony_value *first_list(const struct betony_value *result) {
    for (size_t i = 0; i < betony_value_count(result); i++)
        if (betony_value_type(betony_value_at(result, i)) == BETONY_LIST)
            return betony_value_at(result, i);
    return result;
}

/* "sterile-water, bottled-water": the waters of a set, which has bit (number - 1) for each choice. */
static void fluid_words(int64_t set, char *out, size_t size) {
    size_t at = 0;
    out[0] = '\0';
    for (uint32_t i = 1; i <= proto_choice_count("fluid") && at < size; i++)
        if (((uint64_t)set >> (i - 1)) & 1)
            at += (size_t)snprintf(out + at, size - at, "%s%s", at ? ", " : "", proto_choice_name("fluid", i));
}

/* Who adopted the value and when, what a set of waters means, and what the value rests on. */
static void basis_words(const struct betony_value *rule, char *out, size_t size) {
    char fluids[300] = "", day[32] = "";
    const char *by = words_text(rule, "approved_by");
    if (strcmp(words_text(rule, "unit"), "set") == 0)
        fluid_words(betony_value_int(betony_value_get(rule, "value"), 0), fluids, sizeof fluids);
    if (by[0])
        words_day(betony_value_int(betony_value_get(rule, "adopted_at"), 0), day);
    (void)snprintf(out, size, "%s%s%s%s%s%s%s%s", by[0] ? "ADOPTED by " : "", by, by[0] ? ", " : "", day,
                   by[0] ? "; " : "", fluids, fluids[0] ? "; " : "", words_text(rule, "basis"));
}

static void rule_cell(const struct betony_value *rule, const char *key, char *out, size_t size) {
    if (strcmp(key, "unit") == 0)
        (void)snprintf(out, size, "%s", words_unit(words_text(rule, "unit")));
    else if (strcmp(key, "basis") == 0)
        basis_words(rule, out, size);
    else
        words_value(key, betony_value_get(rule, key), out, size);
}

static int verb_rules(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 0, 0, &args);
    struct betony_map *params = betony_map_new();
    cli_args_fill(cli, &args, CLI_PLACE_PARAM, params);
    struct betony_answer *answer = NULL;
    int failed = cli_call(cli, "rules", params, &answer);
    betony_map_free(params);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer)) {
        const struct betony_value *values = first_list(betony_answer_result(answer));
        struct table_column heads[COUNT(rules_columns)];
        for (size_t c = 0; c < COUNT(rules_columns); c++)
            heads[c] = rules_columns[c].column;
        struct table *table = table_new(heads, COUNT(rules_columns));
        for (size_t r = 0; r < betony_value_count(values); r++)
            for (size_t c = 0; c < COUNT(rules_columns); c++) {
                char text[900];
                rule_cell(betony_value_at(values, r), rules_columns[c].key, text, sizeof text);
                table_cell(table, text);
            }
        table_print(cli, stdout, table, 0);
        table_free(table);
        out_caution(cli, stdout);
    }
    betony_answer_free(answer);
    return EX_OK;
}

/* --- lists ------------------------------------------------------------------------------------------------------------------------- */

static const struct show_column due_columns[] = {
    {"state", {"state", false, false}}, {"due_at", {"due", false, false}}, {"label", {"child", false, false}},
    {"team", {"team", false, false}},   {"title", {"task", false, true}},  {"detail", {"detail", false, true}},
};
static const struct show_column patients_columns[] = {
    {"label", {"child", false, false}}, {"team", {"team", false, false}},  {"level", {"level", false, false}},
    {"born", {"born", false, false}},   {"patient", {"id", false, false}}, {"doubles", {"looks like", false, true}},
};
static const struct show_column devices_columns[] = {
    {"label", {"child", false, false}},
    {"team", {"team", false, false}},
    {"stoma", {"stoma", false, false}},
    {"change_due_on", {"change due", false, false}},
    {"change_by_on", {"at the latest", false, false}},
    {"lot", {"lot", false, false}},
    {"device", {"device", false, true}},
};

static int show_list(struct cli *cli, const struct cli_args *args, const char *method,
                     const struct show_column *columns, size_t count, const char *const noun[2],
                     size_t *row_count_out) {
    struct cli_rows rows;
    int failed = cli_list(cli, args, method, NULL, &rows);
    if (failed)
        return failed;
    if (!cli_rows_print_json(cli, &rows)) {
        show_rows(cli, stdout, &rows, columns, count);
        show_count(cli, stdout, &rows, noun[0], noun[1], columns == devices_columns);
    }
    *row_count_out = rows.row_count;
    cli_rows_free(&rows);
    return EX_OK;
}

static int verb_due(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static const char *const noun[] = {"task", "tasks"};
    static struct cli_args args;
    size_t row_count = 0;
    parse(cli, verb, argc, argv, 0, 0, &args);
    int failed = show_list(cli, &args, "due", due_columns, COUNT(due_columns), noun, &row_count);
    if (!failed && row_count > 0 && cli->format == CLI_FORMAT_PEOPLE)
        out_caution(cli, stdout);
    return failed;
}

/* Lists that are asked like a question: none found is exit code 1. */
static int verb_find(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static const char *const nouns[2][2] = {{"child", "children"}, {"device", "devices"}};
    static struct cli_args args;
    size_t row_count = 0;
    parse(cli, verb, argc, argv, 0, 0, &args);
    bool devices = verb->method == PROTO_METHOD_devices;
    int failed = show_list(cli, &args, verb->name, devices ? devices_columns : patients_columns,
                           devices ? COUNT(devices_columns) : COUNT(patients_columns), nouns[devices], &row_count);
    return failed ? failed : row_count == 0 ? CLI_EXIT_NONE : EX_OK;
}

static int verb_alerts(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 0, 0, &args);
    struct cli_rows rows;
    int failed = cli_list(cli, &args, "alerts", NULL, &rows);
    if (failed)
        return failed;
    if (!cli_rows_print_json(cli, &rows)) {
        for (size_t i = 0; i < rows.row_count; i++)
            show_alert(cli, stdout, cli_rows_at(&rows, i), true, false);
        show_count(cli, stdout, &rows, "open alert", "open alerts", true);
        if (rows.row_count > 0) {
            out_folded(
                cli, stdout, 0,
                "`betony patient CHILD' shows the child's own plan, who to call, and the rule behind each alert; "
                "`betony record contact.made' puts a call on record.");
            out_caution(cli, stdout);
        }
    }
    cli_rows_free(&rows);
    return EX_OK;
}

/* --- one child ----------------------------------------------------------------------------------------------------------------------- */

static int verb_patient(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    parse(cli, verb, argc, argv, 1, 1, &args);
    struct cli_child child;
    int failed = cli_connect(cli);
    if (!failed)
        failed = cli_find_child(cli, args.words[0], &child);
    if (failed)
        return failed;
    struct betony_map *params = betony_map_new();
    betony_map_text(params, "patient", child.id);
    cli_args_fill(cli, &args, CLI_PLACE_PARAM, params);
    struct betony_answer *answer = NULL;
    failed = cli_call(cli, "patient", params, &answer);
    betony_map_free(params);
    if (failed)
        return failed;
    if (!json_print_answer(cli, answer))
        show_patient(cli, stdout, betony_answer_result(answer));
    betony_answer_free(answer);
    return EX_OK;
}

/* " (address, access: a later edit holds)"; empty when all that the event said of the record was said last. */
static void outdone_words(const struct betony_value *row, char *out, size_t size) {
    const struct betony_value *outdone = betony_value_get(row, "outdone");
    size_t at = 0;
    out[0] = '\0';
    for (size_t i = 0; i < betony_value_count(outdone) && at < size; i++) {
        char field[64];
        words_key(betony_value_text(betony_value_at(outdone, i), "?"), field);
        at += (size_t)snprintf(out + at, size - at, "%s%s", at ? ", " : " (", field);
    }
    if (at > 0 && at < size)
        (void)snprintf(out + at, size - at, ": a later edit holds)");
}

/* "withdrawn 4 mL, look clear [event id]", after what became of the event. */
static void history_what(const struct betony_value *row, char *out, size_t size) {
    const struct betony_value *body = betony_value_get(row, "body"), *withdrawn = betony_value_get(row, "withdrawn");
    const char *kind = words_text(row, "kind");
    const char *stoma = words_text(row, "stoma");
    char text[2200], outdone[660];
    outdone_words(row, outdone, sizeof outdone);
    if (strcmp(kind, "note.written") == 0)
        (void)snprintf(text, sizeof text, "%s", words_text(body, "text"));
    else
        words_map(body, NULL, text, sizeof text);
    bool waits = betony_value_bool(betony_value_get(row, "waits"), false);
    bool against = betony_value_get(row, "withdrawal_waits") != NULL;
    bool gone = withdrawn && betony_value_bool(withdrawn, true);
    (void)snprintf(out, size, "%s%s%s%s[%s]%s",
                   waits     ? "DOES NOT COUNT YET, WAITS FOR A SECOND PERSON: "
                   : against ? "WITHDRAWAL WAITS FOR A SECOND PERSON: "
                   : gone    ? "WITHDRAWN: "
                             : "",
                   strcmp(stoma, "second") == 0 ? "second stoma: " : "", text, text[0] ? " " : "",
                   words_text(row, "id"), outdone);
}

static void history_row(struct table *table, const struct betony_value *row) {
    static const char *const people[] = {"by", "done_by", "source"};
    char text[3300];
    size_t at = 0;
    words_value("at", betony_value_get(row, "at"), text, sizeof text);
    table_cell(table, text);
    table_cell(table, words_text(row, "kind"));
    for (size_t i = 0; i < COUNT(people); i++) {
        const char *name = words_text(row, people[i]);
        if (name[0])
            at += (size_t)snprintf(text + at, sizeof text - at, "%s%.80s", at ? ", " : "", name);
    }
    text[at] = '\0';
    table_cell(table, text);
    words_value("received_at", betony_value_get(row, "received_at"), text, sizeof text);
    table_cell(table, text);
    history_what(row, text, sizeof text);
    table_cell(table, text);
}

static int verb_history(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static const struct table_column columns[] = {{"happened", false, false},
                                                  {"kind", false, false},
                                                  {"by", false, true},
                                                  {"received", false, false},
                                                  {"what, and the event's id", false, true}};
    static struct cli_args args;
    parse(cli, verb, argc, argv, 1, 1, &args);
    struct cli_child child;
    struct cli_rows rows;
    int failed = cli_connect(cli);
    if (!failed)
        failed = cli_find_child(cli, args.words[0], &child);
    if (!failed)
        failed = cli_list(cli, &args, "history", child.id, &rows);
    if (failed)
        return failed;
    if (!cli_rows_print_json(cli, &rows)) {
        struct table *table = table_new(columns, COUNT(columns));
        for (size_t i = 0; i < rows.row_count; i++)
            history_row(table, cli_rows_at(&rows, i));
        if (rows.row_count > 0)
            table_print(cli, stdout, table, 0);
        table_free(table);
        show_count(cli, stdout, &rows, "event", "events", true);
    }
    cli_rows_free(&rows);
    return EX_OK;
}

/* --- the table ----------------------------------------------------------------------------------------------------------------------- */

#define METHOD(ident) PROTO_METHOD_##ident
const struct cli_verb cli_verbs[] = {
    {"hello", NULL, "Who the server is, and who you are to it.", METHOD(hello), verb_plain},
    {"ping", NULL, "Is the server there, and what time is it.", METHOD(ping), verb_plain},
    {"kinds", "[KIND]", "The kinds of event, or the flags of one.", METHOD(kinds), verb_kinds},
    {"rules", NULL, "The policy values in force, with bounds, default and basis.", METHOD(rules), verb_rules},
    {"record", "KIND", "Record one event; shows what follows from it.", METHOD(record), verb_record},
    {"due", NULL, "Tasks that are due or overdue.", METHOD(due), verb_due},
    {"alerts", NULL, "Open alerts with their clocks, nearest deadline first.", METHOD(alerts), verb_alerts},
    {"tally", NULL, "Counts of tasks and alerts by team.", METHOD(tally), verb_tally},
    {"patients", NULL, "Find children; exit code 1 when there is none.", METHOD(patients), verb_find},
    {"patient", "CHILD", "One child's page, now or as it stood then.", METHOD(patient), verb_patient},
    {"history", "CHILD", "One child's events, newest first.", METHOD(history), verb_history},
    {"devices", NULL, "Devices in use; exit code 1 when there is none.", METHOD(devices), verb_find},
    {"follow", NULL, "What is recorded, as it comes, until it is interrupted.", METHOD(follow), verb_follow},
    {"sync", NULL, "How this laptop stands with its server; exit code 1 when something waits.", METHOD(sync_state),
     verb_sync},
    {"refused", NULL, "What was recorded here and the server would not take, and why.", METHOD(refused), verb_refused},
    {"nodes", NULL, "The laptops and standbys that sync with this server.", METHOD(nodes), verb_nodes},
    {"stats", NULL, "Counters and gauges of the server.", METHOD(stats), verb_plain},
    {"load", "FILE", "Record the events of an NDJSON file (- is standard input).", PROTO_METHOD_UNKNOWN, verb_load},
    {"completion", "SHELL", "Print a completion script; SHELL is bash.", PROTO_METHOD_UNKNOWN, verb_completion},
};
const size_t cli_verb_count = COUNT(cli_verbs);

const struct cli_verb *cli_verb_find(const char *name) {
    for (size_t i = 0; i < cli_verb_count; i++)
        if (strcmp(cli_verbs[i].name, name) == 0)
            return &cli_verbs[i];
    return NULL;
}
