/*
 * record.c - `betony record KIND`: one event from flags.
 *
 * What always holds: the event has its id before it is sent, and when the outcome is not known everything that makes the
 * same line the same event is shown, so that repeating it cannot record twice; all that is still needed is named at once.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <stdlib.h>
#include <string.h>

#include "proto/calendar.h"

#define AHEAD_MAX_MS (5 * INT64_C(60000)) /* the server refuses what lies further ahead */

void record_flags(struct cli_args *args, enum proto_kind kind) {
    const struct proto_kind_info *info = proto_kind_get(kind);
    for (uint32_t i = 0; i < info->field_count; i++)
        cli_args_add_field(args, &info->fields[i], CLI_PLACE_BODY);
    const char *child = kind == PROTO_KIND_patient_registered ? "id of the child; one is made when not given"
                        : info->scope == PROTO_SCOPE_TEAM     ? "not for this kind"
                                                              : "the child: label, identifier or id";
    cli_args_add_own(args, "patient", true, child);
    for (size_t i = 0; i < cli_head_field_count; i++)
        if (info->scope == PROTO_SCOPE_STOMA || strcmp(cli_head_fields[i].name, "stoma") != 0)
            cli_args_add_field(args, &cli_head_fields[i], CLI_PLACE_HEAD);
    cli_args_add_own(args, "id", true, "id of the event, to repeat a call whose outcome is not known");
    cli_args_add_own(args, "want", true, "how much to answer: none, opened or statuses");
    if (kind == PROTO_KIND_patient_registered)
        cli_args_add_own(args, "another", false, "another child has the same label, and that is meant");
}

static bool needs_child(enum proto_kind kind) {
    return proto_kind_get(kind)->scope != PROTO_SCOPE_TEAM && kind != PROTO_KIND_patient_registered;
}

bool record_flag_is_needed(const struct cli_flag *flag, enum proto_kind kind) {
    if (flag->field)
        return flag->place == CLI_PLACE_BODY && flag->field->required && !flag->negated;
    return strcmp(flag->name, "patient") == 0 && needs_child(kind);
}

/* --- what was given --------------------------------------------------------------------------------------------------------------- */

static bool is_given(const struct cli_args *args, const struct cli_flag *flag) {
    for (size_t i = 0; i < args->given_count; i++)
        if (flag->field ? args->given[i].flag->field == flag->field : args->given[i].flag == flag)
            return true;
    return false;
}

/* Leaves the program when something needed is missing, naming all of it. */
static void check_needed(const struct cli_args *args, enum proto_kind kind) {
    bool missing = false;
    for (size_t i = 0; i < args->flag_count; i++) {
        const struct cli_flag *flag = &args->flags[i];
        if (!record_flag_is_needed(flag, kind) || is_given(args, flag))
            continue;
        bool sign = flag->field && flag->field->type == PROTO_TYPE_BOOL;
        (void)fprintf(stderr, "betony record %s: --%s%s%s is needed: %s\n", proto_kind_get(kind)->name, flag->name,
                      sign ? " or --no-" : "", sign ? flag->name : "", flag->help);
        missing = true;
    }
    if (!missing)
        return;
    (void)fprintf(stderr, "Try `betony record %s --help'.\n", proto_kind_get(kind)->name);
    exit(EX_USAGE);
}

/* The time of the event; leaves the program when it cannot be understood. */
static int64_t read_at(const struct cli *cli, const struct cli_args *args) {
    const char *at = cli_args_text(args, "at");
    char why[240], yesterday[32];
    int64_t at_ms = cli->now_ms;
    if (!at)
        return at_ms;
    if (!cli_input_moment(at, cli->now_ms, &at_ms, why))
        cli_usage(args, "--at: %s", why);
    if (strlen(at) == 5 && at_ms > cli->now_ms + AHEAD_MAX_MS) {
        words_day(cli->now_ms - PROTO_DAY_MS, yesterday);
        cli_usage(args, "--at: %s of today is still to come; for yesterday say \"%s %s\"", at, yesterday, at);
    }
    return at_ms;
}

/* Fields of the event outside its body; into the event when there is one, else they are only read. */
static void fill_head(const struct cli *cli, const struct cli_args *args, struct betony_event *event) {
    struct betony_map *head = betony_map_new();
    if (!head)
        abort();
    for (size_t i = 0; i < cli_head_field_count; i++) {
        char name[48], why[240];
        cli_flag_name(&cli_head_fields[i], name);
        const char *text = cli_args_text(args, name);
        if (!text || strcmp(name, "at") == 0)
            continue;
        if (!cli_input_write(&cli_head_fields[i], &text, 1, cli->now_ms, head, why))
            cli_usage(args, "--%s: %s", name, why);
        if (event)
            betony_event_set(event, cli_head_fields[i].name, text);
    }
    betony_map_free(head);
}

/* A body field that names another child, by whatever name. */
static bool names_child(const struct cli_given *given) {
    return given->flag->place == CLI_PLACE_BODY && strcmp(given->flag->name, "into") == 0;
}

/* The body, read as if every child named in it were known by its id already. */
static void check_body(const struct cli *cli, const struct cli_args *args) {
    static struct cli_args known;
    struct betony_map *body = betony_map_new();
    if (!body)
        abort();
    known = *args;
    for (size_t i = 0; i < known.given_count; i++)
        if (names_child(&known.given[i]))
            known.given[i].text = "00000000-0000-7000-8000-000000000000";
    cli_args_fill(cli, &known, CLI_PLACE_BODY, body);
    betony_map_free(body);
}

/* Everything that can be judged without the server, before it is asked anything. */
static void check_line(const struct cli *cli, const struct cli_args *args, enum proto_kind kind) {
    const char *want = cli_args_text(args, "want");
    if (want && !proto_choice_find("want", (struct proto_slice){want, (uint32_t)strlen(want)}))
        cli_usage(args, "--want: \"%s\" is not one of none, opened or statuses", want);
    if (proto_kind_get(kind)->scope == PROTO_SCOPE_TEAM && cli_args_text(args, "patient"))
        cli_usage(args, "--patient: this kind is about no single child");
    check_body(cli, args);
    fill_head(cli, args, NULL);
    (void)read_at(cli, args);
    check_needed(args, kind);
}

/* --- children --------------------------------------------------------------------------------------------------------------------- */

/* A registration under a label that a child has already is nearly always the same child. */
static int check_label(struct cli *cli, const struct cli_args *args) {
    const char *label = cli_args_text(args, "label");
    struct cli_child held;
    size_t count = 0;
    if (!label || cli_args_text(args, "another") || cli_args_text(args, "id"))
        return EX_OK;
    int failed = cli_look_up(cli, label, &held, &count);
    if (failed || count == 0 || held.label[0] == '\0')
        return failed;
    (void)fprintf(stderr, "betony: \"%s\" is on this caseload already (%s, id %s).\n", label, held.team, held.id);
    (void)fputs("For another child known so, say --another; to correct the record, `betony record patient.revised'.\n",
                stderr);
    return EX_DATAERR;
}

/* A registration makes an id when none is given. 0, or the exit code. */
static int choose_child(struct cli *cli, const struct cli_args *args, enum proto_kind kind, struct cli_child *child) {
    const char *name = cli_args_text(args, "patient");
    memset(child, 0, sizeof *child);
    if (!name && kind == PROTO_KIND_patient_registered)
        betony_id_make(cli->b, child->id);
    if (kind == PROTO_KIND_patient_registered) {
        int failed = check_label(cli, args);
        if (failed || !name)
            return failed;
    }
    if (!name)
        return EX_OK; /* a kind of the team */
    int failed = cli_find_child(cli, name, child);
    if (!failed && child->closed)
        (void)fprintf(stderr, "betony: note: the record of %s is closed.\n", name);
    return failed;
}

/* Body fields that name another child are given by name too. */
static int resolve_into(struct cli *cli, struct cli_args *args, struct cli_child *into) {
    for (size_t i = 0; i < args->given_count; i++) {
        struct cli_given *given = &args->given[i];
        if (!names_child(given))
            continue;
        int failed = cli_find_child(cli, given->text, into);
        if (failed)
            return failed;
        given->text = into->id;
    }
    return EX_OK;
}

/* A withdrawal or correction of an event that is not there changes nothing, which nobody would see. */
static void mind_target(struct cli *cli, const char *child, const char *target) {
    char after[402] = "";
    do {
        struct betony_map *params = betony_map_new();
        struct betony_answer *answer = NULL;
        if (!params)
            abort();
        betony_map_text(params, "patient", child);
        betony_map_int(params, "limit", 500);
        if (after[0])
            betony_map_text(params, "after", after);
        enum betony_error error = betony_call(cli->b, "history", params, &answer);
        betony_map_free(params);
        if (error != BETONY_OK)
            return; /* the event itself will say what is wrong */
        const struct betony_value *result = betony_answer_result(answer), *rows = betony_value_get(result, "rows");
        bool held = false;
        for (size_t i = 0; i < betony_value_count(rows); i++)
            held = held || strcmp(words_text(betony_value_at(rows, i), "id"), target) == 0;
        (void)snprintf(after, sizeof after, "%s", words_text(result, "after"));
        betony_answer_free(answer);
        if (held)
            return;
    } while (after[0]);
    (void)fprintf(stderr, "betony: note: no event %s of this child is on record here; is the id right?\n", target);
}

/* --- sending ---------------------------------------------------------------------------------------------------------------------- */

static struct betony_event *build(struct cli *cli, struct cli_args *args, enum proto_kind kind, const char *patient) {
    const char *id = cli_args_text(args, "id");
    struct betony_event *event = betony_event_new(proto_kind_get(kind)->name, read_at(cli, args));
    if (!event)
        abort();
    char fresh[BETONY_ID_TEXT_SIZE];
    betony_id_make(cli->b, fresh);
    if (betony_event_set_id(event, id ? id : fresh) != BETONY_OK)
        cli_usage(args, "--id: \"%s\" is not a version 7 UUID in lower case", id);
    if (patient[0])
        betony_event_set(event, "patient", patient);
    fill_head(cli, args, event);
    cli_args_fill(cli, args, CLI_PLACE_BODY, betony_event_body(event));
    return event;
}

/* What the server would not take, said with the flag's own words. */
static void explain(const struct cli *cli, const struct cli_args *args) {
    const struct betony_fault *fault = betony_last_fault(cli->b);
    for (size_t i = 0; i < args->flag_count; i++) {
        const struct cli_flag *flag = &args->flags[i];
        if (flag->field && !flag->negated && flag->place != CLI_PLACE_PARAM &&
            strcmp(flag->field->name, fault->field) == 0)
            (void)fprintf(stderr, "--%s: %s\n", flag->name, flag->help);
    }
}

/* The whole of what makes the same line the same event. */
static void say_how_to_repeat(const struct cli *cli, const struct cli_args *args, const struct betony_event *event,
                              enum proto_kind kind, const char *patient) {
    char at[32];
    proto_time_format(read_at(cli, args), at);
    (void)fprintf(stderr, "Repeat the same line with --id %s --at %s", betony_event_id(event), at);
    if (kind == PROTO_KIND_patient_registered)
        (void)fprintf(stderr, " --patient %s", patient);
    (void)fputs(": it is recorded once at most.\n", stderr);
}

static int send_event(struct cli *cli, const struct cli_args *args, enum proto_kind kind,
                      const struct cli_child *child) {
    const char *want = cli_args_text(args, "want");
    struct record_answer told = {
        .kind = kind, .child = child, .at_ms = read_at(cli, args), .quiet = want && strcmp(want, "none") == 0};
    struct betony_event *event = build(cli, (struct cli_args *)(uintptr_t)args, kind, child->id);
    struct betony_answer *answer = NULL;
    enum betony_error error = betony_record(cli->b, &event, 1, want, &answer);
    int code = EX_OK;
    if (error != BETONY_OK) {
        code = cli_fail(cli, error);
        if (error == BETONY_OUTCOME_UNKNOWN)
            say_how_to_repeat(cli, args, event, kind, child->id);
        else if (error == BETONY_MISSING_FIELD || error == BETONY_BAD_VALUE)
            explain(cli, args);
    } else if (!json_print_answer(cli, answer)) {
        told.id = betony_event_id(event);
        record_show_answer(cli, betony_answer_result(answer), &told);
    }
    betony_answer_free(answer);
    betony_event_free(event);
    return code;
}

_Noreturn void cli_usage_kind(const struct cli_args *args, const char *name) {
    struct cli_guess guess = {.text = name};
    for (int k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++)
        cli_guess_try(&guess, proto_kind_get((enum proto_kind)k)->name);
    cli_usage(args, "there is no kind of event \"%s\"%s%s%s; `betony kinds' lists them", name,
              guess.name ? " (did you mean " : "", guess.name ? guess.name : "", guess.name ? "?)" : "");
}

/* --- the verb --------------------------------------------------------------------------------------------------------------------- */

/* The kind stands first, because the flags depend on it. */
static enum proto_kind take_kind(struct cli *cli, const struct cli_verb *verb, struct cli_args *args, int argc,
                                 char **argv) {
    if (argc < 2 || argv[1][0] == '-') {
        cli_args_parse(cli, args, argc, argv, verb->words,
                       "Records one event. `betony record KIND --help' lists the flags of a kind, `betony kinds' lists "
                       "the kinds.");
        cli_usage(args, "the kind of event comes first, such as balloon.checked");
    }
    enum proto_kind kind = proto_kind_find((struct proto_slice){argv[1], (uint32_t)strlen(argv[1])});
    if (kind != PROTO_KIND_UNKNOWN)
        return kind;
    cli_usage_kind(args, argv[1]);
}

/* "--patient CHILD --steps TEXT": the least that the line has to say. */
static void needed_words(const struct cli_args *args, enum proto_kind kind, char *out, size_t size) {
    size_t at = 0;
    out[0] = '\0';
    for (size_t pass = 0; pass < 2; pass++) /* the child first */
        for (size_t i = 0; i < args->flag_count && at < size; i++) {
            const struct cli_flag *flag = &args->flags[i];
            const char *value = cli_flag_value(flag);
            if (record_flag_is_needed(flag, kind) && (flag->field == NULL) == (pass == 0))
                at += (size_t)snprintf(out + at, size - at, "%s--%s%s%s", at ? " " : "", flag->name, value ? " " : "",
                                       value ? value : "");
        }
}

int verb_record(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    args.verb = verb->name;
    enum proto_kind kind = take_kind(cli, verb, &args, argc, argv);
    char name[96], line[80];
    (void)snprintf(line, sizeof line, "record %s", proto_kind_get(kind)->name);
    args.verb = line;
    args.kind = kind;
    record_flags(&args, kind);
    (void)snprintf(name, sizeof name, "betony %s", line);
    argv[1] = name;
    char words[600];
    needed_words(&args, kind, words, sizeof words);
    cli_args_parse(cli, &args, argc - 1, argv + 1, words, proto_kind_get(kind)->help);
    check_line(cli, &args, kind);
    static struct cli_child into; /* args keeps a pointer to its id */
    struct cli_child child;
    int failed = cli_connect(cli);
    if (!failed)
        failed = choose_child(cli, &args, kind, &child);
    if (!failed)
        failed = resolve_into(cli, &args, &into);
    if (failed)
        return failed;
    const char *target = cli_args_text(&args, kind == PROTO_KIND_event_withdrawn ? "event" : "replaces");
    if (target && child.id[0])
        mind_target(cli, child.id, target);
    failed = send_event(cli, &args, kind, &child);
    if (!failed && kind == PROTO_KIND_patient_registered && cli->format == CLI_FORMAT_PEOPLE)
        (void)printf("the child's id: %s\n", child.id);
    return failed;
}
