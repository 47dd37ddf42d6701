/*
 * main.c - `betony`: finds the verb, gives it the rest of the line, and ends with its exit code.
 *
 * What always holds: a page that could not be written in full is not success.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <errno.h>
#include <locale.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <time.h>
#include <unistd.h>

const char *argp_program_version = "betony " BETONY_VERSION;

struct start {
    struct cli *cli;
    const struct cli_verb *verb;
    int verb_index;
};

static void refuse_verb(const struct argp_state *state, const char *text) {
    struct cli_guess guess = {.text = text};
    for (size_t i = 0; i < cli_verb_count; i++)
        cli_guess_try(&guess, cli_verbs[i].name);
    argp_error(state, "there is no verb \"%s\"%s%s%s", text, guess.name ? " (did you mean " : "",
               guess.name ? guess.name : "", guess.name ? "?)" : "");
}

static error_t parse_start(int key, char *text, struct argp_state *state) {
    struct start *start = state->input;
    switch (key) {
    case ARGP_KEY_INIT:
        state->child_inputs[0] = start->cli;
        return 0;
    case ARGP_KEY_ARG:
        start->verb = cli_verb_find(text);
        if (!start->verb)
            refuse_verb(state, text);
        start->verb_index = state->next - 1;
        state->next = state->argc; /* the rest is the verb's */
        return 0;
    case ARGP_KEY_NO_ARGS:
        argp_usage(state);
        return EINVAL;
    default:
        return ARGP_ERR_UNKNOWN;
    }
}

/* The verbs, for the end of --help. */
static char *help_of_verbs(int key, const char *text, void *input) {
    (void)input;
    if (key != ARGP_KEY_HELP_POST_DOC)
        return (char *)(uintptr_t)text;
    char *help = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&help, &size);
    if (!out)
        return NULL;
    (void)fputs("Verbs:\n", out);
    for (size_t i = 0; i < cli_verb_count; i++)
        (void)fprintf(out, "  %-12s %s\n", cli_verbs[i].name, cli_verbs[i].help);
    (void)fputs(
        "\n`betony VERB --help' lists the flags of a verb, `betony record KIND --help' those of a kind of event.\n"
        "Exit codes: 0 done, 1 none found, 64 wrong use, 65 refused data, 69 no server, 70 error inside the "
        "server, 74 output failed, 75 try again, 76 not this protocol, 77 not allowed.\n"
        "It supports and does not replace clinical judgement.",
        out);
    (void)fclose(out);
    return help;
}

static const struct argp_child start_children[] = {{&cli_globals, 0, NULL, 0}, {0}};
static const struct argp start_argp = {
    .parser = parse_start,
    .args_doc = "VERB [FLAG...]",
    .doc = "Asks and tells a betony caseload server.\v ",
    .children = start_children,
    .help_filter = help_of_verbs,
};

static int64_t wall_ms(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static int terminal_width(void) {
    struct winsize size = {0};
    if (!isatty(STDOUT_FILENO))
        return 0;
    if (ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col >= 20)
        return size.ws_col;
    return 80;
}

static void init(struct cli *cli) {
    const char *connect = getenv("BETONY_CONNECT"), *no_color = getenv("NO_COLOR"), *term = getenv("TERM");
    *cli = (struct cli){.where = connect && *connect ? connect : CLI_CONNECT_DEFAULT,
                        .timeout_ms = 30000,
                        .now_ms = wall_ms(),
                        .width = terminal_width()};
    cli->bold = cli->width > 0 && !(no_color && *no_color) && term && strcmp(term, "dumb") != 0;
}

int main(int argc, char **argv) {
    (void)setlocale(LC_CTYPE, "");
    tzset();
    argp_err_exit_status = EX_USAGE;
    struct cli cli;
    init(&cli);
    struct start start = {.cli = &cli};
    (void)argp_parse(&start_argp, argc, argv, ARGP_IN_ORDER, NULL, &start);
    if (!start.verb)
        return EX_USAGE;
    char name[64];
    (void)snprintf(name, sizeof name, "betony %s", start.verb->name);
    argv[start.verb_index] = name;
    int code = start.verb->run(&cli, start.verb, argc - start.verb_index, argv + start.verb_index);
    betony_free(cli.b);
    if (fflush(stdout) != 0 || ferror(stdout)) {
        (void)fprintf(stderr, "betony: the output could not be written: %s\n", strerror(errno));
        return EX_IOERR;
    }
    return code;
}
