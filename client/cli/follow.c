/*
 * follow.c - `betony follow`: what is recorded, as it comes, until it is interrupted.
 *
 * What always holds: a connection that is lost is made again and goes on behind the last change that was printed; with
 * --ndjson every line is one change as it came, so that the file of an earlier run says where to go on.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define WAIT_MS 60000 /* the server says within half of this that it is still there */
#define PAUSE_MS_MAX 15000

struct place {
    bool known;
    char log[BETONY_ID_TEXT_SIZE], chain[65];
    int64_t seq;
};

/* --- where to go on ----------------------------------------------------------------------------------------------- */

static bool place_from_json(const json_t *cursor, struct place *place) {
    const char *log = json_string_value(json_object_get(cursor, "log"));
    const char *chain = json_string_value(json_object_get(cursor, "chain"));
    const json_t *seq = json_object_get(cursor, "seq");
    if (!log || !chain || !json_is_integer(seq) || strlen(log) >= sizeof place->log || strlen(chain) != 64)
        return false;
    (void)snprintf(place->log, sizeof place->log, "%s", log);
    (void)snprintf(place->chain, sizeof place->chain, "%s", chain);
    place->seq = json_integer_value(seq);
    return place->known = true;
}

/* A line that is a cursor, or a change that has one. */
static bool place_from_line(const char *line, struct place *place) {
    json_t *value = json_loads(line, JSON_REJECT_DUPLICATES, NULL);
    const json_t *cursor = json_object_get(value, "cursor");
    bool found = place_from_json(cursor ? cursor : value, place);
    json_decref(value);
    return found;
}

/* The last place that a file names: what `betony follow --ndjson` printed, or a cursor alone. */
static int place_from_file(const char *name, struct place *place) {
    FILE *file = fopen(name, "re");
    char *line = NULL;
    size_t size = 0;
    if (!file) {
        (void)fprintf(stderr, "betony: %s cannot be read (%s).\n", name, strerrordesc_np(errno));
        return EX_NOINPUT;
    }
    while (getline(&line, &size, file) > 0)
        (void)place_from_line(line, place);
    free(line);
    (void)fclose(file);
    if (place->known)
        return EX_OK;
    (void)fprintf(stderr, "betony: %s names no place to go on from: no line of it has a cursor.\n", name);
    return EX_DATAERR;
}

static void keep_place(const struct betony_value *cursor, struct place *place) {
    const char *log = betony_value_text(betony_value_get(cursor, "log"), NULL);
    const char *chain = betony_value_text(betony_value_get(cursor, "chain"), NULL);
    if (!log || !chain || strlen(log) >= sizeof place->log || strlen(chain) != 64)
        return;
    (void)snprintf(place->log, sizeof place->log, "%s", log);
    (void)snprintf(place->chain, sizeof place->chain, "%s", chain);
    place->seq = betony_value_int(betony_value_get(cursor, "seq"), 0);
    place->known = true;
}

/* --- printing ------------------------------------------------------------------------------------------------------ */

static void print_event(const struct betony_value *event) {
    char text[2000], at[32];
    words_time(betony_value_int(betony_value_get(event, "at"), 0), at);
    (void)printf("%lld  %s  ", (long long)betony_value_int(betony_value_get(event, "seq"), 0), at);
    out_text(stdout, betony_value_text(betony_value_get(event, "kind"), "?"));
    const char *patient = betony_value_text(betony_value_get(event, "patient"), NULL);
    if (patient) {
        (void)fputs("  ", stdout);
        out_text(stdout, patient);
    }
    words_map(betony_value_get(event, "body"), NULL, text, sizeof text);
    (void)fputs("  ", stdout);
    out_text(stdout, text);
    (void)fputc('\n', stdout);
}

static void print_mark(const char *mark, const struct betony_value *change) {
    const struct betony_value *patients = betony_value_get(change, "patients");
    out_text(stdout, mark);
    for (size_t i = 0; i < betony_value_count(patients); i++) {
        (void)fputs("  ", stdout);
        out_text(stdout, betony_value_text(betony_value_at(patients, i), "?"));
    }
    (void)fputc('\n', stdout);
}

static void print_status(const struct betony_value *status) {
    const char *const keys[] = {"label", "team", "level"};
    (void)fputs("status", stdout);
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        (void)fputs("  ", stdout);
        out_text(stdout, betony_value_text(betony_value_get(status, keys[i]), "?"));
    }
    (void)printf("  open alerts: %zu\n", betony_value_count(betony_value_get(status, "alerts")));
}

static void print_change(const struct cli *cli, const struct betony_value *change) {
    const struct betony_value *event = betony_value_get(change, "event"), *status = betony_value_get(change, "status");
    const char *mark = betony_value_text(betony_value_get(change, "mark"), NULL);
    if (cli->format != CLI_FORMAT_PEOPLE) {
        json_print_value(stdout, change);
        return;
    }
    if (event)
        print_event(event);
    else if (status)
        print_status(status);
    else if (mark && strcmp(mark, "scanned-to") != 0)
        print_mark(mark, change);
}

/* --- following ------------------------------------------------------------------------------------------------------ */

static void fill_params(const struct cli *cli, const struct cli_args *args, const struct place *place,
                        struct betony_map *params) {
    struct betony_map *after = betony_map_new();
    betony_map_clear(params);
    if (place->known) {
        betony_map_text(after, "log", place->log);
        betony_map_int(after, "seq", place->seq);
        betony_map_text(after, "chain", place->chain);
        betony_map_map(params, "after", after);
    }
    cli_args_fill(cli, args, CLI_PLACE_PARAM, params);
    betony_map_free(after);
}

/* Prints what comes until that ends: EX_OK when nobody reads it any more, else the library's error in *error. */
static int print_changes(const struct cli *cli, struct place *place, enum betony_error *error) {
    struct betony_answer *answer;
    while ((*error = betony_change(cli->b, WAIT_MS, &answer)) == BETONY_OK) {
        const struct betony_value *change = betony_answer_result(answer);
        const char *why = betony_value_text(betony_value_get(betony_value_get(change, "ended"), "message"), NULL);
        print_change(cli, change);
        keep_place(betony_value_get(change, "cursor"), place);
        bool unread = fflush(stdout) != 0 || ferror(stdout);
        if (why)
            (void)fprintf(stderr, "betony: the server ended it: %s\n", why);
        betony_answer_free(answer);
        if (unread || why)
            return unread ? EX_OK : EX_TEMPFAIL;
    }
    return EX_OK;
}

static bool passes(enum betony_error error) {
    return error == BETONY_LOST || error == BETONY_TIMED_OUT || error == BETONY_UNREACHABLE || error == BETONY_BUSY ||
           error == BETONY_STOPPING || error == BETONY_REBUILDING;
}

/* --all is for the first time only: afterwards there is a place. */
static void drop_all(struct cli_args *args) {
    size_t kept = 0;
    for (size_t i = 0; i < args->given_count; i++)
        if (strcmp(args->given[i].flag->name, "all") != 0)
            args->given[kept++] = args->given[i];
    args->given_count = kept;
}

static int follow_on(struct cli *cli, struct cli_args *args, struct place *place) {
    struct betony_map *params = betony_map_new();
    bool said = false;
    int pause_ms = 500;
    for (;;) {
        struct betony_answer *answer = NULL;
        fill_params(cli, args, place, params);
        enum betony_error error = betony_follow(cli->b, params, &answer);
        if (error == BETONY_OK) {
            said = false;
            pause_ms = 500;
            const struct betony_value *begun = betony_answer_result(answer);
            if (cli->format != CLI_FORMAT_PEOPLE &&
                !place->known) /* a file of this has a place from its first line on */
                print_change(cli, begun);
            (void)fflush(stdout);
            keep_place(betony_value_get(begun, "cursor"), place);
            betony_answer_free(answer);
            drop_all(args);
            int code = print_changes(cli, place, &error);
            if (error == BETONY_OK) {
                betony_map_free(params);
                return code;
            }
            betony_disconnect(cli->b);
        }
        if (!passes(error)) {
            betony_map_free(params);
            return cli_fail(cli, error);
        }
        if (!said)
            (void)fprintf(stderr, "betony: %s Trying again.\n", betony_last_fault(cli->b)->message);
        said = true;
        struct timespec pause = {pause_ms / 1000, (long)(pause_ms % 1000) * 1000000};
        (void)nanosleep(&pause, NULL);
        pause_ms = pause_ms * 2 < PAUSE_MS_MAX ? pause_ms * 2 : PAUSE_MS_MAX;
    }
}

int verb_follow(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    struct place place = {0};
    cli_verb_flags(verb, &args);
    cli_args_parse(cli, &args, argc, argv, NULL, verb->help);
    const char *after = cli_args_text(&args, "after");
    if (after && cli_args_text(&args, "all"))
        cli_usage(&args, "--after and --all say two things");
    int failed = EX_OK;
    if (after && *after == '{' && !place_from_line(after, &place))
        cli_usage(&args, "--after takes a file, or a cursor as JSON: {\"log\": ..., \"seq\": ..., \"chain\": ...}");
    if (after && *after != '{')
        failed = place_from_file(after, &place);
    if (!failed)
        failed = cli_connect(cli);
    return failed ? failed : follow_on(cli, &args, &place);
}
