/*
 * record.c - `betony record KIND`: one event from flags, and what follows from it.
 *
 * What always holds: the event has its id before it is sent, and the id is shown when the outcome is not known, so that
 * the same line with --id can be repeated without recording twice.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <stdlib.h>
#include <string.h>

void record_flags(struct cli_args *args, enum proto_kind kind) {
    const struct proto_kind_info *info = proto_kind_get(kind);
    for (uint32_t i = 0; i < info->field_count; i++)
        cli_args_add_field(args, &info->fields[i], CLI_PLACE_BODY);
    cli_args_add_own(args, "patient", true,
                     info->scope == PROTO_SCOPE_TEAM ? "not for this kind"
                                                     : "the child: label, identifier or id; needed");
    for (size_t i = 0; i < cli_head_field_count; i++)
        if (info->scope == PROTO_SCOPE_STOMA || strcmp(cli_head_fields[i].name, "stoma") != 0)
            cli_args_add_field(args, &cli_head_fields[i], CLI_PLACE_HEAD);
    cli_args_add_own(args, "id", true, "id of the event, to repeat a call whose outcome is not known");
    cli_args_add_own(args, "want", true, "how much to answer: none, opened or statuses");
}

/* The child's id into `id`; a registration makes one when none is given. 0, or the exit code. */
static int choose_child(struct cli *cli, const struct cli_args *args, enum proto_kind kind,
                        char id[BETONY_ID_TEXT_SIZE]) {
    const char *name = cli_args_text(args, "patient");
    id[0] = '\0';
    if (kind == PROTO_KIND_patient_registered && !name) {
        betony_id_make(cli->b, id);
        return EX_OK;
    }
    if (proto_kind_get(kind)->scope == PROTO_SCOPE_TEAM) {
        if (name)
            cli_usage(args, "--patient: this kind is about no single child");
        return EX_OK;
    }
    if (!name)
        cli_usage(args, "--patient is needed");
    return cli_find_child(cli, name, id);
}

/* Body fields that name another child are given by name too. */
static int resolve_into(struct cli *cli, struct cli_args *args, char id[BETONY_ID_TEXT_SIZE]) {
    for (size_t i = 0; i < args->given_count; i++) {
        struct cli_given *given = &args->given[i];
        if (given->flag->place != CLI_PLACE_BODY || strcmp(given->flag->name, "into") != 0)
            continue;
        int failed = cli_find_child(cli, given->text, id);
        if (failed)
            return failed;
        given->text = id;
    }
    return EX_OK;
}

static int build(struct cli *cli, struct cli_args *args, enum proto_kind kind, const char *patient,
                 struct betony_event **out) {
    int64_t at_ms = cli->now_ms;
    const char *at = cli_args_text(args, "at"), *id = cli_args_text(args, "id");
    if (at && !cli_input_time(at, cli->now_ms, &at_ms))
        cli_usage(args, "--at: \"%s\" is neither now nor a time such as 2026-03-01T14:00:00+01:00", at);
    struct betony_event *event = betony_event_new(proto_kind_get(kind)->name, at_ms);
    struct betony_map *head = betony_map_new();
    if (!event || !head)
        abort();
    char fresh[BETONY_ID_TEXT_SIZE];
    betony_id_make(cli->b, fresh);
    if (betony_event_set_id(event, id ? id : fresh) != BETONY_OK)
        cli_usage(args, "--id: \"%s\" is not a version 7 UUID in lower case", id);
    if (patient[0])
        betony_event_set(event, "patient", patient);
    for (size_t i = 0; i < cli_head_field_count; i++) {
        char name[48], why[240];
        cli_flag_name(&cli_head_fields[i], name);
        const char *text = cli_args_text(args, name);
        if (!text || strcmp(name, "at") == 0)
            continue;
        if (!cli_input_write(&cli_head_fields[i], &text, 1, cli->now_ms, head, why))
            cli_usage(args, "--%s: %s", name, why);
        betony_event_set(event, cli_head_fields[i].name, text);
    }
    cli_args_fill(cli, args, CLI_PLACE_BODY, betony_event_body(event));
    betony_map_free(head);
    *out = event;
    return EX_OK;
}

/* --- the answer ------------------------------------------------------------------------------------------------------------------ */

static void show_settled(const struct betony_value *settled) {
    for (size_t i = 0; i < betony_value_count(settled); i++) {
        const struct betony_value *alert = betony_value_at(settled, i);
        (void)fputs("settled: ", stdout);
        out_text(stdout, betony_value_text(alert, betony_value_text(betony_value_get(alert, "name"), "?")));
        (void)fputc('\n', stdout);
    }
}

static void show_alike(const struct betony_value *alike) {
    for (size_t i = 0; i < betony_value_count(alike); i++) {
        const struct betony_value *one = betony_value_at(alike, i);
        char text[600];
        words_value("alike", one, text, sizeof text);
        (void)fputs("alike: a like event of this child within the hour (", stdout);
        out_text(stdout, text);
        (void)fputs("); if it is the same happening, record with --same-as\n", stdout);
    }
}

static void show_answer(const struct cli *cli, const struct betony_value *result, const char *kind, const char *id) {
    const struct betony_value *opened = betony_value_get(result, "opened");
    bool repeated = betony_value_count(betony_value_get(result, "repeated")) > 0;
    (void)printf("%s %s, event %s\n", repeated ? "already on record:" : "recorded:", kind, id);
    show_settled(betony_value_get(result, "settled"));
    show_alike(betony_value_get(result, "alike"));
    if (betony_value_count(opened) > 0) {
        (void)fputs(repeated ? "\nOpen alerts that rest on it:\n" : "\nWhat follows from it:\n", stdout);
        for (size_t i = 0; i < betony_value_count(opened); i++)
            show_alert(cli, stdout, betony_value_at(opened, i), true, true);
        out_caution(cli, stdout);
    }
    if (betony_value_bool(betony_value_get(result, "truncated"), false))
        (void)puts("The answer is not complete; see `betony patient'.");
    const struct betony_value *statuses = betony_value_get(result, "statuses");
    for (size_t i = 0; i < betony_value_count(statuses); i++) {
        (void)fputc('\n', stdout);
        show_patient(cli, stdout, betony_value_at(statuses, i));
    }
}

static int send_event(struct cli *cli, const struct cli_args *args, struct betony_event *event, const char *kind) {
    const char *want = cli_args_text(args, "want");
    struct betony_answer *answer = NULL;
    enum betony_error error = betony_record(cli->b, &event, 1, want, &answer);
    if (error != BETONY_OK) {
        int code = cli_fail(cli, error);
        if (error == BETONY_OUTCOME_UNKNOWN)
            (void)fprintf(stderr, "Repeat the same line with --id %s: it is recorded once at most.\n",
                          betony_event_id(event));
        return code;
    }
    if (!json_print_answer(cli, answer))
        show_answer(cli, betony_answer_result(answer), kind, betony_event_id(event));
    betony_answer_free(answer);
    return EX_OK;
}

static enum proto_kind kind_of(const char *name) {
    return proto_kind_find((struct proto_slice){name, (uint32_t)strlen(name)});
}

/* The kind stands first, because the flags depend on it. */
static enum proto_kind take_kind(struct cli *cli, const struct cli_verb *verb, struct cli_args *args, int argc,
                                 char **argv) {
    if (argc < 2 || argv[1][0] == '-') {
        cli_args_parse(cli, args, argc, argv, verb->words,
                       "Records one event. `betony record KIND --help' lists the flags of a kind, `betony kinds' lists "
                       "the kinds.");
        cli_usage(args, "the kind of event comes first, such as balloon.checked");
    }
    enum proto_kind kind = kind_of(argv[1]);
    if (kind == PROTO_KIND_UNKNOWN)
        cli_usage(args, "there is no kind of event \"%s\"; `betony kinds' lists them", argv[1]);
    return kind;
}

int verb_record(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    args.verb = verb->name;
    enum proto_kind kind = take_kind(cli, verb, &args, argc, argv);
    const struct proto_kind_info *info = proto_kind_get(kind);
    record_flags(&args, kind);
    char name[80];
    (void)snprintf(name, sizeof name, "betony record %s", info->name);
    argv[1] = name;
    cli_args_parse(cli, &args, argc - 1, argv + 1, NULL, info->help);
    const char *want = cli_args_text(&args, "want");
    if (want && !proto_choice_find("want", (struct proto_slice){want, (uint32_t)strlen(want)}))
        cli_usage(&args, "--want: \"%s\" is not one of none, opened or statuses", want);
    int failed = cli_connect(cli);
    static char into[BETONY_ID_TEXT_SIZE]; /* args keeps a pointer to it */
    char patient[BETONY_ID_TEXT_SIZE];
    if (!failed)
        failed = choose_child(cli, &args, kind, patient);
    if (!failed)
        failed = resolve_into(cli, &args, into);
    if (failed)
        return failed;
    struct betony_event *event = NULL;
    failed = build(cli, &args, kind, patient, &event);
    if (!failed)
        failed = send_event(cli, &args, event, info->name);
    if (!failed && kind == PROTO_KIND_patient_registered && cli->format == CLI_FORMAT_PEOPLE)
        (void)printf("the child's id: %s\n", patient);
    betony_event_free(event);
    return failed;
}
