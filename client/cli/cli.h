/*
 * cli.h - what the files of the command line share: the run, its flags, and printing.
 *
 * What always holds: a verb returns an exit code after sysexits and leaves one sentence on standard error when that is
 * not 0; what is printed from the server's texts goes through out_text, so that no record can drive a terminal.
 */
#ifndef CLIENT_CLI_H
#define CLIENT_CLI_H

#include <argp.h>
#include <stdio.h>
#include <sysexits.h>

#include <betony.h>

#include "proto/message.h"

#define CLI_CONNECT_DEFAULT "127.0.0.1:7811"
#define CLI_EXIT_NONE 1 /* the answer is "none" */

enum cli_format { CLI_FORMAT_PEOPLE, CLI_FORMAT_JSON, CLI_FORMAT_NDJSON };

struct cli {
    struct betony *b;
    const char *where, *account, *secret_file;
    enum cli_format format;
    int timeout_ms;
    int64_t now_ms; /* of this machine, at the start */
    int width;      /* columns of the terminal; 0: not a terminal, nothing is folded */
    bool bold;      /* weight may be used: a terminal, and NO_COLOR is not set */
};

/* --- flags, made from the tables (flags.c) -------------------------------------------------------------------------- */

#define CLI_FLAGS_MAX 64
#define CLI_GIVEN_MAX 256
#define CLI_WORDS_MAX 4

/* Where a flag's value goes. */
enum cli_place { CLI_PLACE_PARAM, CLI_PLACE_HEAD, CLI_PLACE_BODY, CLI_PLACE_OWN };

struct cli_flag {
    char name[48];
    const struct proto_field *field; /* NULL: a word of the command line's own that takes text, or nothing */
    enum cli_place place;
    bool takes_text;
    bool negated; /* --no-x of a BOOL */
    char help[1000];
};

struct cli_given {
    const struct cli_flag *flag;
    const char *text;
};

struct cli_args {
    const char *verb;     /* as it is named in sentences: "due", "record tube.out" */
    enum proto_kind kind; /* of `record`, else UNKNOWN */
    struct cli_flag flags[CLI_FLAGS_MAX * 2];
    size_t flag_count;
    struct cli_given given[CLI_GIVEN_MAX];
    size_t given_count;
    const char *words[CLI_WORDS_MAX];
    size_t word_count, words_max;
};

/* The command-line name of a table's field: hyphens for underscores; lists of names lose their s ("teams": --team). */
void cli_flag_name(const struct proto_field *field, char out[48]);
/* What stands for its value in help: NUMBER, CHILD; NULL when it takes none. */
const char *cli_flag_value(const struct cli_flag *flag);
void cli_args_add_field(struct cli_args *args, const struct proto_field *field, enum cli_place place);
void cli_args_add_own(struct cli_args *args, const char *name, bool takes_text, const char *help);
/* Flags of a method's parameters that are not given as words. */
void cli_args_add_params(struct cli_args *args, enum proto_method method);
/* Parses the rest of the line; leaves the program with EX_USAGE when it cannot. argv[0] is "betony VERB". */
void cli_args_parse(struct cli *cli, struct cli_args *args, int argc, char **argv, const char *words_doc,
                    const char *doc);
/* Last text given for a flag, "" for one without text; NULL when not given. */
const char *cli_args_text(const struct cli_args *args, const char *name);
/* A number of 1 to max from a flag; 0 when not given; leaves the program with EX_USAGE when it is none. */
uint32_t cli_args_number(const struct cli_args *args, const char *name, uint32_t max);
/* Everything given for one place into a map; leaves the program with EX_USAGE and a sentence when a value does not parse. */
void cli_args_fill(const struct cli *cli, const struct cli_args *args, enum cli_place place, struct betony_map *map);
/* Leaves the program with EX_USAGE. */
_Noreturn void cli_usage(const struct cli_args *args, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* The same, for a kind that there is not. */
_Noreturn void cli_usage_kind(const struct cli_args *args, const char *name);
extern const struct argp cli_globals; /* --connect and the others that every verb takes; its input is the struct cli */

/* --- values (input.c) ------------------------------------------------------------------------------------------------ */

/* Writes texts into map[field->name] by the field's type. False: `why` says what is wrong. */
bool cli_input_write(const struct proto_field *field, const char *const *texts, size_t count, int64_t now_ms,
                     struct betony_map *map, char why[240]);
bool cli_input_time(const char *text, int64_t now_ms, int64_t *ms_out); /* RFC 3339, or "now" */
/* The same, and what people type: 14:00 (today), "2026-03-01 14:00", both by this machine's zone (moment.c). */
bool cli_input_moment(const char *text, int64_t now_ms, int64_t *ms_out, char why[240]);
/* The fields of an event outside its body that are flags: at, done_by, source, visit, stoma, replaces, same_as. */
extern const struct proto_field cli_head_fields[];
extern const size_t cli_head_field_count;

/* The nearest of the names that were tried to `text`; `name` stays NULL when none is near (guess.c). */
struct cli_guess {
    const char *text, *name;
    size_t distance;
};
void cli_guess_try(struct cli_guess *guess, const char *name);

/* --- the server (server.c) --------------------------------------------------------------------------------------------- */

/* Connects when that has not happened; 0, or the exit code after a sentence on standard error. */
int cli_connect(struct cli *cli);
int cli_exit_of(enum betony_error error);
/* Prints the last fault and gives its exit code. */
int cli_fail(const struct cli *cli, enum betony_error error);
/* One call with one answer; 0, or the exit code. */
int cli_call(struct cli *cli, const char *method, const struct betony_map *params, struct betony_answer **out);
/* A child as it was found; label and team are empty when it was named by its id. */
struct cli_child {
    char id[BETONY_ID_TEXT_SIZE], label[132], team[132];
    bool closed;
};
/* Children known by label, identifier or id: how many into *count_out, the child when it is one. 0, or the exit code. */
int cli_look_up(struct cli *cli, const char *name, struct cli_child *child, size_t *count_out);
/* The one child known so. 0, or the exit code after a sentence that lists what it could be. */
int cli_find_child(struct cli *cli, const char *name, struct cli_child *child);

/* Rows of a paged method. */
struct cli_rows {
    struct betony_answer **pages;
    size_t page_count, row_count;
    char after[402]; /* the token of the next page when `limit` ended the list, else empty */
};
/* All pages of a list, at most --limit rows; with --ndjson each row is printed as its page comes and the pages are not
 * kept. `extra`: more parameters (the child of `history`), or NULL. 0, or the exit code. */
int cli_list(struct cli *cli, const struct cli_args *args, const char *method, const char *patient,
             struct cli_rows *rows);
void cli_rows_free(struct cli_rows *rows);
const struct betony_value *cli_rows_at(const struct cli_rows *rows, size_t index);
/* With --json or --ndjson: prints and gives true. */
bool cli_rows_print_json(const struct cli *cli, const struct cli_rows *rows);

/* --- JSON (json.c) ------------------------------------------------------------------------------------------------------ */

void json_print_value(FILE *out, const struct betony_value *value); /* one line */
/* Prints the answer's result when --json or --ndjson was asked for, and gives true. */
bool json_print_answer(const struct cli *cli, const struct betony_answer *answer);

/* --- printing for people (out.c, words.c, table.c) ----------------------------------------------------------------------- */

/* Text from outside with control characters made harmless; line breaks become blanks. */
void out_text(FILE *out, const char *text);
/* The same, folded to the width with a hanging indent; the cursor stands at column `indent`. */
void out_folded(const struct cli *cli, FILE *out, int indent, const char *text);
void out_strong(const struct cli *cli, FILE *out, const char *text);
/* A heading: strong, in capitals as given. */
void out_heading(const struct cli *cli, FILE *out, const char *text);
size_t out_columns(const char *text); /* characters of a UTF-8 text */
/* What must stand under everything that gives a next step. */
void out_caution(const struct cli *cli, FILE *out);

void words_time(int64_t ms, char out[32]);                  /* 2026-03-01 14:20, local */
void words_day(int64_t ms, char out[32]);                   /* 2026-03-01, local */
void words_clock(int64_t ms, int64_t now_ms, char out[32]); /* 14:20 today, else with its date */
void words_span(int64_t ms, char out[48]);                  /* 1 h 40 min; 3 days */
void words_since(int64_t ms, int64_t now_ms, char out[96]); /* 2026-03-01 14:00, 20 min ago */
void words_zone(int64_t now_ms, char out[48]);              /* UTC+01:00 */
/* The date that begins at a midnight of another zone: that of the nearest midnight here. */
void words_date(int64_t midnight_ms, char out[32]);
/* A key without its unit, in words: "withdrawn" for "withdrawn_ml", "due on" for "due_on". */
void words_key(const char *key, char out[64]);
/* Text of one key of a map; "" when it has none. */
const char *words_text(const struct betony_value *map, const char *key);
/* One key of a map by words_value. */
void words_field(const struct betony_value *map, const char *key, char *out, size_t size);
/* A unit of the tables as people write it. */
const char *words_unit(const char *code);
/* A value as people read it, by its key's unit and form: amounts with units, times, lists. */
void words_value(const char *key, const struct betony_value *value, char *out, size_t size);
/* A map in one line: "withdrawn 4 mL, look clear". Keys in `skip` (NULL-terminated) are left out. */
void words_map(const struct betony_value *map, const char *const *skip, char *out, size_t size);

struct table;
struct table_column {
    const char *title;
    bool right; /* numbers */
    bool folds; /* may be folded over lines when the terminal is narrow */
};
struct table *table_new(const struct table_column *columns, size_t count); /* leaves the program without memory */
void table_cell(struct table *table, const char *text); /* row by row; control characters are made harmless */
void table_strong(struct table *table);                 /* the row begun last is strong */
void table_print(const struct cli *cli, FILE *out, const struct table *table, int indent);
void table_free(struct table *table);

/* Columns of a list of maps: key, title, and how the value is shown. A column in which no row says anything is left out. */
struct show_column {
    const char *key;
    struct table_column column;
};
void show_rows(const struct cli *cli, FILE *out, const struct cli_rows *rows, const struct show_column *columns,
               size_t count);
/* Under a list: "3 alerts; times are UTC+01:00" (`times`: it has some), and what of it is not there yet. */
void show_count(const struct cli *cli, FILE *out, const struct cli_rows *rows, const char *one, const char *many,
                bool times);
void show_value(const struct cli *cli, FILE *out, const struct betony_value *value, int indent);
/* A list of maps as an indented table; `count` columns. */
void show_table(const struct cli *cli, FILE *out, const struct betony_value *list, const struct show_column *columns,
                size_t count);
/* Cells of a task that are more than their value: state, title, due_at, detail. False: `key` is none of them. */
bool show_task_cell(const struct cli *cli, const struct betony_value *row, const char *key, char *out, size_t size);
/* A row of `devices` in words: what it is, its size, its marks but the lot, when it was placed. */
void show_device_cell(const struct betony_value *row, char *out, size_t size);
/* Others that look like the child of a row, or of a page (show_doubles.c). */
void show_doubles_cell(const struct betony_value *row, char *out, size_t size);
void show_doubles(const struct cli *cli, FILE *out, const struct betony_value *page);
/* One alert as a block, with or without its child and its rule. */
void show_alert(const struct cli *cli, FILE *out, const struct betony_value *alert, bool with_child, bool with_rule);

/* --- one child's page; cli->now_ms is the page's moment (show_patient.c, and where named) -------------------------------- */

void show_patient(const struct cli *cli, FILE *out, const struct betony_value *status);
void show_label(const struct cli *cli, FILE *out, const char *label,
                const char *text);                                                     /* one line; none without text */
void show_own_plan(const struct cli *cli, FILE *out, const struct betony_value *plan); /* the child's emergency plan */
void show_tasks(const struct cli *cli, FILE *out, const struct betony_value *tasks);   /* show_tasks.c */
/* A stoma; `alone`: there is no second one (show_stoma.c). */
void show_stoma(const struct cli *cli, FILE *out, const struct betony_value *stoma, bool alone);
void show_home_change(const struct cli *cli, FILE *out, const struct betony_value *home);
void show_forecast(const struct cli *cli, FILE *out, const struct betony_value *forecast); /* show_lists.c */
void show_spares(const struct cli *cli, FILE *out, const struct betony_value *spare);
void show_carers(const struct cli *cli, FILE *out, const struct betony_value *carers);
void show_trend(const struct cli *cli, FILE *out, const struct betony_value *trend);
void show_contacts(const struct cli *cli, FILE *out, const struct betony_value *contacts); /* show_record.c */
void show_plan(const struct cli *cli, FILE *out, const struct betony_value *plan);
void show_stay(const struct cli *cli, FILE *out, const char *label, const struct betony_value *stay);
void show_record(const struct cli *cli, FILE *out, const struct betony_value *record);
void show_ended(const struct cli *cli, FILE *out, const struct betony_value *ended);

/* --- verbs (verbs.c) ------------------------------------------------------------------------------------------------------- */

struct cli_verb {
    const char *name, *words, *help;
    enum proto_method method; /* whose parameters are its flags; UNKNOWN: none */
    int (*run)(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
};
extern const struct cli_verb cli_verbs[];
extern const size_t cli_verb_count;
const struct cli_verb *cli_verb_find(const char *name);
/* Flags of a verb as its table has them (not of `record`, which depend on the kind). */
void cli_verb_flags(const struct cli_verb *verb, struct cli_args *args);

int verb_record(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
int verb_follow(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
int verb_sync(struct cli *cli, const struct cli_verb *verb, int argc, char **argv); /* sync.c: these three */
int verb_refused(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
int verb_nodes(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
int verb_load(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
int verb_completion(struct cli *cli, const struct cli_verb *verb, int argc, char **argv);
void record_flags(struct cli_args *args, enum proto_kind kind);
bool record_flag_is_needed(const struct cli_flag *flag, enum proto_kind kind);

/* What was recorded, for the answer (record_answer.c). */
struct record_answer {
    enum proto_kind kind;
    const char *id;
    const struct cli_child *child;
    int64_t at_ms;
    bool quiet; /* only what was recorded: --want none, or the whole status follows */
};
void record_show_answer(struct cli *cli, const struct betony_value *result, const struct record_answer *told);

#endif
