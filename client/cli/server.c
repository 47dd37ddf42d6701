/*
 * server.c - the command line's side of the connection: connecting, failing, paging, and finding a child by name.
 *
 * What always holds: a list is complete unless --limit ended it, and then it says so; a child's name that could mean two
 * children is refused with both named.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <stdlib.h>
#include <string.h>

#include "proto/ids.h"

#define PAGE_ROWS 500

/* --- errors -------------------------------------------------------------------------------------------------------------- */

int cli_exit_of(enum betony_error error) {
    switch (error) {
    case BETONY_OK:
        return EX_OK;
    case BETONY_UNREACHABLE:
        return EX_UNAVAILABLE;
    case BETONY_BUSY:
    case BETONY_FULL:
    case BETONY_REBUILDING:
    case BETONY_STOPPING:
    case BETONY_OUTCOME_UNKNOWN:
    case BETONY_TIMED_OUT:
    case BETONY_LOST:
        return EX_TEMPFAIL;
    case BETONY_NOT_ALLOWED:
    case BETONY_NOT_SIGNED_IN:
        return EX_NOPERM;
    case BETONY_BAD_MESSAGE:
    case BETONY_UNKNOWN_METHOD:
    case BETONY_GARBLED:
    case BETONY_DIVERGED:
        return EX_PROTOCOL;
    case BETONY_NO_MEMORY:
        return EX_OSERR;
    case BETONY_INTERNAL:
        return EX_SOFTWARE;
    case BETONY_MISUSE:
        return EX_USAGE;
    default:
        return EX_DATAERR;
    }
}

int cli_fail(const struct cli *cli, enum betony_error error) {
    const struct betony_fault *fault = betony_last_fault(cli->b);
    (void)fputs("betony: ", stderr);
    out_text(stderr, fault->message);
    if (fault->field[0] && !strstr(fault->message, fault->field)) {
        (void)fputs(" (field ", stderr);
        out_text(stderr, fault->field);
        (void)fputc(')', stderr);
    }
    (void)fprintf(stderr, " [%s]\n", betony_error_code(error));
    return cli_exit_of(error);
}

/* --- connecting ------------------------------------------------------------------------------------------------------------ */

/* The secret, from the file or the environment; NULL: none. False: the file cannot be read, and that was said. */
static bool read_secret(const struct cli *cli, char *line, int size, const char **secret_out) {
    *secret_out = getenv("BETONY_SECRET");
    if (!cli->secret_file)
        return true;
    FILE *file = fopen(cli->secret_file, "re");
    bool well = file && fgets(line, size, file);
    if (file)
        (void)fclose(file);
    if (!well) {
        (void)fprintf(stderr, "betony: the secret cannot be read from %s\n", cli->secret_file);
        return false;
    }
    line[strcspn(line, "\r\n")] = '\0';
    *secret_out = line;
    return true;
}

int cli_connect(struct cli *cli) {
    if (cli->b)
        return EX_OK;
    cli->b = betony_new();
    if (!cli->b) {
        (void)fputs("betony: there is no memory\n", stderr);
        return EX_OSERR;
    }
    betony_set_agent(cli->b, "betony " BETONY_VERSION);
    betony_set_timeouts_ms(cli->b, cli->timeout_ms < 5000 ? cli->timeout_ms : 5000, cli->timeout_ms);
    if (cli->account) {
        char line[300];
        const char *secret = NULL;
        if (!read_secret(cli, line, sizeof line, &secret))
            return EX_NOINPUT;
        enum betony_error set = betony_set_account(cli->b, cli->account, secret);
        if (set != BETONY_OK)
            return cli_fail(cli, set);
    }
    enum betony_error error = betony_connect(cli->b, cli->where);
    return error == BETONY_OK ? EX_OK : cli_fail(cli, error);
}

int cli_call(struct cli *cli, const char *method, const struct betony_map *params, struct betony_answer **out) {
    int failed = cli_connect(cli);
    if (failed)
        return failed;
    enum betony_error error = betony_call(cli->b, method, params, out);
    return error == BETONY_OK ? EX_OK : cli_fail(cli, error);
}

/* --- lists ----------------------------------------------------------------------------------------------------------------- */

static struct betony_map *list_params(const struct cli *cli, const struct cli_args *args, const char *patient,
                                      uint32_t page_rows, const char *after) {
    struct betony_map *all = betony_map_new();
    if (!all)
        abort();
    /* limit and after are written here; what else was given follows from the flags */
    struct cli_args rest = *args;
    size_t kept = 0;
    for (size_t i = 0; i < args->given_count; i++) {
        const char *name = args->given[i].flag->name;
        if (strcmp(name, "limit") != 0 && strcmp(name, "after") != 0)
            rest.given[kept++] = args->given[i];
    }
    rest.given_count = kept;
    for (size_t i = 0; i < kept; i++) /* flags are compared by place: those of the copy */
        rest.given[i].flag = &rest.flags[rest.given[i].flag - args->flags];
    cli_args_fill(cli, &rest, CLI_PLACE_PARAM, all);
    if (cli_args_text(args, "overdue")) {
        const char *const states[] = {"overdue"};
        betony_map_texts(all, "states", states, 1);
    }
    if (patient)
        betony_map_text(all, "patient", patient);
    betony_map_int(all, "limit", page_rows);
    if (after[0])
        betony_map_text(all, "after", after);
    return all;
}

static void keep_page(struct cli_rows *rows, struct betony_answer *answer, size_t count) {
    struct betony_answer **pages = realloc(rows->pages, (rows->page_count + 1) * sizeof(struct betony_answer *));
    if (!pages)
        abort();
    rows->pages = pages;
    rows->pages[rows->page_count++] = answer;
    rows->row_count += count;
}

static void print_ndjson(const struct betony_value *page) {
    for (size_t i = 0; i < betony_value_count(page); i++)
        json_print_value(stdout, betony_value_at(page, i));
}

int cli_list(struct cli *cli, const struct cli_args *args, const char *method, const char *patient,
             struct cli_rows *rows) {
    uint32_t limit = cli_args_number(args, "limit", 1000000000);
    const char *first = cli_args_text(args, "after");
    uint64_t taken = 0;
    memset(rows, 0, sizeof *rows);
    (void)snprintf(rows->after, sizeof rows->after, "%s", first ? first : "");
    do {
        uint32_t page_rows = PAGE_ROWS;
        if (limit && limit - taken < page_rows)
            page_rows = (uint32_t)(limit - taken);
        struct betony_map *params = list_params(cli, args, patient, page_rows, rows->after);
        struct betony_answer *answer = NULL;
        int failed = cli_call(cli, method, params, &answer);
        betony_map_free(params);
        if (failed) {
            cli_rows_free(rows);
            return failed;
        }
        const struct betony_value *result = betony_answer_result(answer);
        const struct betony_value *page = betony_value_get(result, "rows");
        (void)snprintf(rows->after, sizeof rows->after, "%s", words_text(result, "after"));
        taken += betony_value_count(page);
        if (cli->format == CLI_FORMAT_NDJSON) {
            print_ndjson(page);
            rows->row_count += betony_value_count(page);
            betony_answer_free(answer);
        } else {
            keep_page(rows, answer, betony_value_count(page));
        }
    } while (rows->after[0] && (!limit || taken < limit));
    return EX_OK;
}

void cli_rows_free(struct cli_rows *rows) {
    for (size_t i = 0; i < rows->page_count; i++)
        betony_answer_free(rows->pages[i]);
    free(rows->pages);
    memset(rows, 0, sizeof *rows);
}

const struct betony_value *cli_rows_at(const struct cli_rows *rows, size_t index) {
    for (size_t i = 0; i < rows->page_count; i++) {
        const struct betony_value *page = betony_value_get(betony_answer_result(rows->pages[i]), "rows");
        if (index < betony_value_count(page))
            return betony_value_at(page, index);
        index -= betony_value_count(page);
    }
    return NULL;
}

/* --- a child by name --------------------------------------------------------------------------------------------------------- */

static int search(struct cli *cli, const char *key, const char *text, struct betony_answer **out) {
    struct betony_map *params = betony_map_new();
    if (!params)
        abort();
    betony_map_text(params, key, text);
    betony_map_int(params, "limit", 50);
    int failed = cli_call(cli, "patients", params, out);
    betony_map_free(params);
    return failed;
}

static const char *row_text(const struct betony_value *row, const char *key) {
    return words_text(row, key);
}

/* How many rows have the label `name` (all rows when it is NULL); the last of them into *child. */
static size_t count_rows(const struct betony_value *rows, const char *name, struct cli_child *child) {
    size_t count = 0;
    for (size_t i = 0; i < betony_value_count(rows); i++) {
        const struct betony_value *row = betony_value_at(rows, i);
        if (name && strcmp(row_text(row, "label"), name) != 0)
            continue;
        (void)snprintf(child->id, sizeof child->id, "%s", row_text(row, "patient"));
        (void)snprintf(child->label, sizeof child->label, "%s", row_text(row, "label"));
        (void)snprintf(child->team, sizeof child->team, "%s", row_text(row, "team"));
        child->closed = betony_value_bool(betony_value_get(row, "closed"), false);
        count++;
    }
    return count;
}

/* The first rows, only those with the label `name` when it is given. */
static void list_candidates(const struct betony_value *rows, const char *name) {
    size_t told = 0;
    for (size_t i = 0; i < betony_value_count(rows); i++) {
        const struct betony_value *row = betony_value_at(rows, i);
        if (name && strcmp(row_text(row, "label"), name) != 0)
            continue;
        if (told++ == 10) {
            (void)fputs("  and more\n", stderr);
            return;
        }
        (void)fputs("  ", stderr);
        out_text(stderr, row_text(row, "label"));
        (void)fputs("  ", stderr);
        out_text(stderr, row_text(row, "team"));
        (void)fputs("  ", stderr);
        out_text(stderr, row_text(row, "patient"));
        (void)fputc('\n', stderr);
    }
}

/* By label first, then by identifier; the answers are the caller's to free, also after a failure. */
static int search_both(struct cli *cli, const char *name, struct cli_child *child, size_t *count_out,
                       struct betony_answer **by_label, struct betony_answer **by_identifier) {
    int failed = search(cli, "find", name, by_label);
    if (failed)
        return failed;
    *count_out = count_rows(betony_value_get(betony_answer_result(*by_label), "rows"), name, child);
    if (*count_out > 0)
        return EX_OK;
    failed = search(cli, "identifier", name, by_identifier);
    if (!failed)
        *count_out = count_rows(betony_value_get(betony_answer_result(*by_identifier), "rows"), NULL, child);
    return failed;
}

static bool is_child_id(const char *name, struct cli_child *child) {
    struct proto_id id;
    memset(child, 0, sizeof *child);
    if (proto_id_parse((struct proto_slice){name, (uint32_t)strlen(name)}, &id) != PROTO_OK)
        return false;
    (void)snprintf(child->id, sizeof child->id, "%s", name);
    return true;
}

int cli_look_up(struct cli *cli, const char *name, struct cli_child *child, size_t *count_out) {
    struct betony_answer *by_label = NULL, *by_identifier = NULL;
    *count_out = 1;
    if (is_child_id(name, child))
        return EX_OK;
    int failed = search_both(cli, name, child, count_out, &by_label, &by_identifier);
    betony_answer_free(by_label);
    betony_answer_free(by_identifier);
    return failed;
}

int cli_find_child(struct cli *cli, const char *name, struct cli_child *child) {
    struct betony_answer *by_label = NULL, *by_identifier = NULL;
    size_t count = 0;
    if (is_child_id(name, child))
        return EX_OK;
    int code = search_both(cli, name, child, &count, &by_label, &by_identifier);
    const struct betony_value *like = betony_value_get(betony_answer_result(by_label), "rows");
    if (code == EX_OK && count > 1) {
        (void)fprintf(stderr, "betony: \"%s\" is the name of more than one child; give the id:\n", name);
        if (by_identifier)
            list_candidates(betony_value_get(betony_answer_result(by_identifier), "rows"), NULL);
        else
            list_candidates(like, name);
        code = EX_DATAERR;
    } else if (code == EX_OK && count == 0) {
        (void)fprintf(stderr, "betony: no child on this caseload is known by \"%s\" [unknown-patient]\n", name);
        if (betony_value_count(like) > 0) {
            (void)fputs("Labels that begin so:\n", stderr);
            list_candidates(like, NULL);
        }
        code = EX_DATAERR;
    }
    betony_answer_free(by_label);
    betony_answer_free(by_identifier);
    return code;
}
