/*
 * flags.c - the command line's flags, made from the tables of kinds and methods, and their parsing with argp.
 *
 * What always holds: a flag that a table gains is a flag here without a line of code; anything that cannot be understood
 * leaves the program with EX_USAGE and a sentence.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "proto/calendar.h"

#define CHOICES_TOLD_MAX 45

enum { GROUP_FIRST = 1, GROUP_BODY, GROUP_HEAD, GROUP_GLOBALS };

#define KEY_FIRST 0x1000 /* above every character, so that no flag has a short form */

/* --- flags of every verb ----------------------------------------------------------------------------------------------- */

enum { KEY_CONNECT = 0x800, KEY_ACCOUNT, KEY_SECRET_FILE, KEY_JSON, KEY_NDJSON, KEY_TIMEOUT };

static const struct argp_option global_options[] = {
    {NULL, 0, NULL, 0, "For every verb:", -2},
    {"connect", KEY_CONNECT, "ADDRESS", 0, "unix:PATH or HOST:PORT; else BETONY_CONNECT, else " CLI_CONNECT_DEFAULT, 0},
    {"account", KEY_ACCOUNT, "NAME", 0,
     "sign in with this account; its secret is read from BETONY_SECRET or "
     "--secret-file",
     0},
    {"secret-file", KEY_SECRET_FILE, "FILE", 0, "file whose first line is the account's secret", 0},
    {"json", KEY_JSON, NULL, 0, "print one JSON value", 0},
    {"ndjson", KEY_NDJSON, NULL, 0, "print one JSON value a line: the rows of a list", 0},
    {"timeout", KEY_TIMEOUT, "SECONDS", 0, "longest wait for an answer; 30 when not given", 0},
    {0}};

static error_t parse_global(int key, char *text, struct argp_state *state) {
    struct cli *cli = state->input;
    char *end = NULL;
    switch (key) {
    case KEY_CONNECT:
        cli->where = text;
        return 0;
    case KEY_ACCOUNT:
        cli->account = text;
        return 0;
    case KEY_SECRET_FILE:
        cli->secret_file = text;
        return 0;
    case KEY_JSON:
        cli->format = CLI_FORMAT_JSON;
        return 0;
    case KEY_NDJSON:
        cli->format = CLI_FORMAT_NDJSON;
        return 0;
    case KEY_TIMEOUT: {
        double seconds = strtod(text, &end);
        if (end == text || *end != '\0' || !(seconds >= 0.001 && seconds <= 3600))
            argp_error(state, "--timeout: \"%s\" is not a number of seconds from 0.001 to 3600", text);
        cli->timeout_ms = (int)(seconds * 1000);
        return 0;
    }
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

const struct argp cli_globals = {global_options, parse_global, NULL, NULL, NULL, NULL, NULL};

/* --- flags from tables --------------------------------------------------------------------------------------------------- */

void cli_flag_name(const struct proto_field *field, char out[48]) {
    (void)snprintf(out, 48, "%s", field->name);
    size_t size = strlen(out);
    if (field->type == PROTO_TYPE_NAMES && size > 1 && out[size - 1] == 's')
        out[size - 1] = '\0';
    for (char *c = out; *c; c++)
        if (*c == '_')
            *c = '-';
}

/* What may follow the flag, for the help: choices, or bounds with the unit. */
static void describe_values(const struct proto_field *field, char *out, size_t size) {
    out[0] = '\0';
    uint32_t count = field->choices ? proto_choice_count(field->choices) : 0;
    if (count > CHOICES_TOLD_MAX) { /* the policy values */
        (void)snprintf(out, size, "; `betony rules' lists them");
        return;
    }
    if (count > 0) {
        size_t at = 0;
        for (uint32_t i = 1; i <= count && at < size; i++)
            at += (size_t)snprintf(out + at, size - at, "%s%s", i == 1 ? "; one of " : ", ",
                                   proto_choice_name(field->choices, i));
        return;
    }
    if (field->type == PROTO_TYPE_AMOUNT) {
        char low[24], high[24];
        (void)proto_amount_format(field->min, low);
        (void)proto_amount_format(field->max, high);
        (void)snprintf(out, size, "; %s to %s%s%s", low, high, *field->unit ? " " : "", words_unit(field->unit));
    } else if (field->type == PROTO_TYPE_INT && field->max > field->min) {
        (void)snprintf(out, size, "; %lld to %lld%s%s", (long long)field->min, (long long)field->max,
                       *field->unit ? " " : "", field->unit);
    }
}

static struct cli_flag *add_flag(struct cli_args *args) {
    if (args->flag_count >= sizeof args->flags / sizeof args->flags[0])
        abort(); /* a kind has at most PROTO_BODY_FIELDS_MAX fields */
    struct cli_flag *flag = &args->flags[args->flag_count++];
    memset(flag, 0, sizeof *flag);
    return flag;
}

void cli_args_add_field(struct cli_args *args, const struct proto_field *field, enum cli_place place) {
    struct cli_flag *flag = add_flag(args);
    flag->field = field;
    flag->place = place;
    flag->takes_text = field->type != PROTO_TYPE_BOOL;
    cli_flag_name(field, flag->name);
    if (strcmp(field->name, "limit") == 0) { /* pages are this program's business */
        (void)snprintf(flag->help, sizeof flag->help, "at most so many rows; all when not said");
        return;
    }
    char values[800];
    describe_values(field, values, sizeof values);
    (void)snprintf(flag->help, sizeof flag->help, "%.150s%s", field->help, values);
    for (char *c = flag->help; *c; c++) /* fields that are named in it are flags here */
        if (*c == '_')
            *c = '-';
    if (field->type != PROTO_TYPE_BOOL || field->min == 1) /* some signs can only be said, not denied */
        return;
    struct cli_flag *no = add_flag(args);
    *no = *flag;
    no->negated = true;
    char name[48];
    cli_flag_name(field, name);
    (void)snprintf(no->name, sizeof no->name, "no-%.44s", name);
    (void)snprintf(no->help, sizeof no->help, "%s%.150s",
                   place == CLI_PLACE_BODY ? "not so: " : "the opposite of: ", field->help);
}

void cli_args_add_own(struct cli_args *args, const char *name, bool takes_text, const char *help) {
    struct cli_flag *flag = add_flag(args);
    flag->place = CLI_PLACE_OWN;
    flag->takes_text = takes_text;
    (void)snprintf(flag->name, sizeof flag->name, "%s", name);
    (void)snprintf(flag->help, sizeof flag->help, "%s", help);
}

void cli_args_add_params(struct cli_args *args, enum proto_method method) {
    const struct proto_method_info *info = proto_method_get(method);
    for (uint32_t i = 0; i < info->param_count; i++) {
        const struct proto_field *field = &info->params[i];
        bool word = field->required && field->type == PROTO_TYPE_ID;
        bool for_programs = field->type == PROTO_TYPE_EVENTS || field->type == PROTO_TYPE_CURSOR ||
                            field->type == PROTO_TYPE_KEPT || field->type == PROTO_TYPE_IDS;
        if (!word && !for_programs)
            cli_args_add_field(args, field, CLI_PLACE_PARAM);
    }
}

/* --- parsing --------------------------------------------------------------------------------------------------------------- */

struct parse {
    struct cli *cli;
    struct cli_args *args;
};

static error_t parse_flag(int key, char *text, struct argp_state *state) {
    struct parse *parse = state->input;
    struct cli_args *args = parse->args;
    if (key == ARGP_KEY_INIT) {
        state->child_inputs[0] = parse->cli;
        return 0;
    }
    if (key == ARGP_KEY_ARG) {
        if (args->word_count >= args->words_max)
            argp_error(state, "\"%s\" is one word too many", text);
        args->words[args->word_count++] = text;
        return 0;
    }
    if (key < KEY_FIRST || (size_t)(key - KEY_FIRST) >= args->flag_count)
        return ARGP_ERR_UNKNOWN;
    if (args->given_count >= CLI_GIVEN_MAX)
        argp_error(state, "more than %d flags", CLI_GIVEN_MAX);
    args->given[args->given_count++] =
        (struct cli_given){.flag = &args->flags[key - KEY_FIRST], .text = text ? text : ""};
    return 0;
}

const char *cli_flag_value(const struct cli_flag *flag) {
    static const char *const own[][2] = {
        {"patient", "CHILD"}, {"id", "ID"}, {"want", "CHOICE"}, {"rejects", "FILE"}, {"after", "PLACE"}};
    if (!flag->takes_text)
        return NULL;
    for (size_t i = 0; !flag->field && i < sizeof own / sizeof own[0]; i++)
        if (strcmp(flag->name, own[i][0]) == 0)
            return own[i][1];
    if (!flag->field)
        return "VALUE";
    switch (flag->field->type) {
    case PROTO_TYPE_DATE:
        return "DATE";
    case PROTO_TYPE_TIME:
        return "TIME";
    case PROTO_TYPE_ID:
        return "ID";
    case PROTO_TYPE_AMOUNT:
    case PROTO_TYPE_INT:
        return "NUMBER";
    case PROTO_TYPE_IDENTIFIERS:
        return "SYSTEM:VALUE";
    case PROTO_TYPE_CONTACTS:
        return "ROLE,NAME,PHONE";
    case PROTO_TYPE_USES:
        return "ITEM=PER-DAY";
    case PROTO_TYPE_PAUSES:
        return "FROM..TO";
    case PROTO_TYPE_VALUES:
        return "NAME=VALUE";
    case PROTO_TYPE_CHOICE:
    case PROTO_TYPE_CHOICES:
        return "CHOICE";
    case PROTO_TYPE_NAMES:
        return "NAME";
    default:
        return "TEXT";
    }
}

/* Where a flag stands in help. */
static int group_of(const struct cli_args *args, const struct cli_flag *flag) {
    if (args->kind == PROTO_KIND_UNKNOWN)
        return GROUP_FIRST;
    if (record_flag_is_needed(flag, args->kind))
        return GROUP_FIRST;
    return flag->place == CLI_PLACE_BODY ? GROUP_BODY : GROUP_HEAD;
}

static size_t add_headings(const struct cli_args *args, struct argp_option *options) {
    static const struct argp_option headings[] = {{.doc = "Needed:", .group = GROUP_FIRST},
                                                  {.doc = "What else can be said of it:", .group = GROUP_BODY},
                                                  {.doc = "As of every event:", .group = GROUP_HEAD}};
    size_t used = 0;
    for (size_t h = 0; args->kind != PROTO_KIND_UNKNOWN && h < sizeof headings / sizeof headings[0]; h++)
        for (size_t i = 0; i < args->flag_count; i++)
            if (group_of(args, &args->flags[i]) == headings[h].group) {
                options[used++] = headings[h];
                break;
            }
    return used;
}

void cli_args_parse(struct cli *cli, struct cli_args *args, int argc, char **argv, const char *words_doc,
                    const char *doc) {
    struct argp_option options[CLI_FLAGS_MAX * 2 + 4];
    memset(options, 0, sizeof options);
    size_t used = add_headings(args, options);
    for (size_t i = 0; i < args->flag_count; i++)
        options[used++] = (struct argp_option){.name = args->flags[i].name,
                                               .key = KEY_FIRST + (int)i,
                                               .arg = cli_flag_value(&args->flags[i]),
                                               .doc = args->flags[i].help,
                                               .group = group_of(args, &args->flags[i])};
    const struct argp_child children[] = {{&cli_globals, 0, NULL, GROUP_GLOBALS}, {0}};
    const struct argp argp = {
        .options = options, .parser = parse_flag, .args_doc = words_doc, .doc = doc, .children = children};
    struct parse parse = {cli, args};
    (void)argp_parse(&argp, argc, argv, 0, NULL, &parse);
}

_Noreturn void cli_usage(const struct cli_args *args, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    (void)fprintf(stderr, "betony %s: ", args->verb);
    (void)vfprintf(stderr, format, arguments);
    (void)fprintf(stderr, "\nTry `betony %s --help'.\n", args->verb);
    va_end(arguments);
    exit(EX_USAGE);
}

/* --- what was given ---------------------------------------------------------------------------------------------------------- */

const char *cli_args_text(const struct cli_args *args, const char *name) {
    for (size_t i = args->given_count; i > 0; i--)
        if (strcmp(args->given[i - 1].flag->name, name) == 0)
            return args->given[i - 1].text;
    return NULL;
}

uint32_t cli_args_number(const struct cli_args *args, const char *name, uint32_t max) {
    const char *text = cli_args_text(args, name);
    if (!text)
        return 0;
    char *end = NULL;
    errno = 0;
    unsigned long number = strtoul(text, &end, 10);
    if (errno != 0 || text[0] < '0' || text[0] > '9' || *end != '\0' || number < 1 || number > max)
        cli_usage(args, "--%s: \"%s\" is not a number from 1 to %u", name, text, max);
    return (uint32_t)number;
}

/* Texts of all flags of one field; the BOOL flags have their own rule. */
static size_t gather(const struct cli_args *args, const struct proto_field *field, enum cli_place place,
                     const char **texts, bool *yes, bool *no) {
    size_t count = 0;
    for (size_t i = 0; i < args->given_count; i++) {
        const struct cli_flag *flag = args->given[i].flag;
        if (flag->field != field || flag->place != place)
            continue;
        texts[count++] = args->given[i].text;
        *yes = *yes || !flag->negated;
        *no = *no || flag->negated;
    }
    return count;
}

void cli_args_fill(const struct cli *cli, const struct cli_args *args, enum cli_place place, struct betony_map *map) {
    for (size_t i = 0; i < args->flag_count; i++) {
        const struct cli_flag *flag = &args->flags[i];
        if (!flag->field || flag->place != place || flag->negated)
            continue;
        const char *texts[CLI_GIVEN_MAX];
        char why[240];
        bool yes = false, no = false;
        size_t count = gather(args, flag->field, place, texts, &yes, &no);
        if (count == 0)
            continue;
        if (flag->field->type == PROTO_TYPE_BOOL) {
            if (yes && no)
                cli_usage(args, "--%s and --no-%s say opposite things", flag->name, flag->name);
            betony_map_bool(map, flag->field->name, yes);
        } else if (!cli_input_write(flag->field, texts, count, cli->now_ms, map, why)) {
            cli_usage(args, "--%s: %s", flag->name, why);
        }
    }
}
