/*
 * options.c - the command line.
 */
#include "options.h"

#include <assert.h>
#include <getopt.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *daemon_options_help(void) {
    return "usage: betonyd run --store DIR [--listen HOST:PORT] [--socket PATH] [--upstream HOST:PORT --teams "
           "TEAM,...]\n"
           "                   [--config FILE] [--workers N]\n"
           "       betonyd verify --store DIR\n"
           "       betonyd backup --store DIR --to DIR2\n"
           "       betonyd restore --from DIR2 --store DIR\n"
           "       betonyd --version | --help\n"
           "\n"
           "run      keeps the caseload in DIR (made when missing) and answers on a Unix socket and on loopback TCP,\n"
           "         until SIGTERM or SIGINT\n"
           "verify   walks the log's chain, works every child out again and compares every derived row;\n"
           "         exit 0 when all holds, 1 when something does not. The daemon must not run meanwhile.\n"
           "backup   copies the log to the new directory DIR2 and walks the copy's chain; the daemon may run and "
           "write\n"
           "restore  makes a store in DIR, missing or empty, from a backup: the same events, a new log identity and "
           "node\n"
           "\n"
           "  --store DIR         where the caseload is kept\n"
           "  --to, --from DIR2   the backup\n"
           "  --listen HOST:PORT  loopback address for TCP, or none (127.0.0.1:7811)\n"
           "  --socket PATH       Unix socket, or none (DIR/betonyd.sock)\n"
           "  --upstream HOST:PORT\n"
           "                      of a laptop or a standby: the server that it syncs with; loopback only, or none "
           "(none)\n"
           "  --teams TEAM,...    whose children it holds, with an upstream; * is all of them\n"
           "  --config FILE       settings, see betonyd(8); the command line is stronger\n"
           "  --workers N         threads that work out what follows from events (processors less one)\n"
           "\n"
           "betonyd supports and does not replace clinical judgement.\n";
}

static enum proto_error copy(char *out, size_t cap, const char *text, const char *what, struct proto_fault *fault) {
    size_t size = strlen(text);
    if (size == 0 || size >= cap)
        return proto_fault_set(fault, PROTO_BAD_VALUE, what, "--%s needs a value of 1 to %zu bytes.", what, cap - 1);
    memcpy(out, text, size + 1);
    return PROTO_OK;
}

static enum proto_error read_workers(const char *text, uint32_t *out, struct proto_fault *fault) {
    char *end = NULL;
    long number = strtol(text, &end, 10);
    if (*text == '\0' || *end != '\0' || number < 1 || number > 64)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "workers", "--workers takes a number from 1 to 64, not \"%s\".",
                               text);
    *out = (uint32_t)number;
    return PROTO_OK;
}

/* Options of the command line that take a value; NULL: not given. */
enum { STORE, LISTEN, SOCKET, UPSTREAM, TEAMS, CONFIG, WORKERS, TO, FROM, GIVEN_COUNT };
struct given {
    const char *text[GIVEN_COUNT];
};

/* Those that are kept as they are. */
static const struct {
    int given;
    const char *name;
    size_t at, cap;
} texts[] = {
#define TEXT(given, name)                                                                                              \
    { given, #name, offsetof(struct daemon_options, name), sizeof(((struct daemon_options *)0)->name) }
    TEXT(STORE, store), TEXT(LISTEN, listen), TEXT(SOCKET, socket), TEXT(UPSTREAM, upstream), TEXT(TEAMS, teams),
#undef TEXT
};

static enum proto_error read_verb(const char *word, enum daemon_verb *verb, struct proto_fault *fault) {
    static const struct {
        const char *word;
        enum daemon_verb verb;
    } verbs[] = {
        {"run", DAEMON_RUN}, {"verify", DAEMON_VERIFY}, {"backup", DAEMON_BACKUP}, {"restore", DAEMON_RESTORE}};
    for (size_t i = 0; i < sizeof verbs / sizeof verbs[0]; i++)
        if (strcmp(word, verbs[i].word) == 0) {
            *verb = verbs[i].verb;
            return PROTO_OK;
        }
    return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "There is no \"%s\"; betonyd --help says what there is.",
                           word);
}

static enum proto_error read_flags(int argc, char **argv, struct daemon_options *options, struct given *given,
                                   struct proto_fault *fault) {
    static const struct option flags[] = {
        {"store", required_argument, NULL, STORE},
        {"listen", required_argument, NULL, LISTEN},
        {"socket", required_argument, NULL, SOCKET},
        {"upstream", required_argument, NULL, UPSTREAM},
        {"teams", required_argument, NULL, TEAMS},
        {"config", required_argument, NULL, CONFIG},
        {"workers", required_argument, NULL, WORKERS},
        {"to", required_argument, NULL, TO},
        {"from", required_argument, NULL, FROM},
        {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},
        {NULL, 0, NULL, 0},
    };
    int flag;
    opterr = 0;
    while ((flag = getopt_long(argc, argv, "+:", flags, NULL)) != -1) {
        switch (flag) {
        case 'V':
            options->verb = DAEMON_VERSION;
            return PROTO_OK;
        case 'h':
            options->verb = DAEMON_HELP;
            return PROTO_OK;
        case ':':
            return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "%s needs a value.", argv[optind - 1]);
        case '?':
            return proto_fault_set(fault, PROTO_BAD_VALUE, NULL,
                                   "There is no option %s; betonyd --help says what there is.", argv[optind - 1]);
        default:
            assert(flag >= 0 && flag < GIVEN_COUNT);
            given->text[flag] = optarg;
        }
    }
    if (optind < argc)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "\"%s\" is one word too many.", argv[optind]);
    return PROTO_OK;
}

/* The backup's place is named by the command line alone, and by the verb that knows it. */
static enum proto_error apply_place(const struct given *given, struct daemon_options *options,
                                    struct proto_fault *fault) {
    const char *to = given->text[TO], *from = given->text[FROM];
    bool backup = options->verb == DAEMON_BACKUP, restore = options->verb == DAEMON_RESTORE;
    if ((to && !backup) || (from && !restore))
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "--%s is for betonyd %s.", to && !backup ? "to" : "from",
                               to && !backup ? "backup" : "restore");
    if (backup && !to)
        return proto_fault_set(fault, PROTO_MISSING_FIELD, "to", "Say where the backup goes: --to DIR.");
    if (restore && !from)
        return proto_fault_set(fault, PROTO_MISSING_FIELD, "from", "Say where the backup is: --from DIR.");
    if (backup)
        return copy(options->place, sizeof options->place, to, "to", fault);
    return restore ? copy(options->place, sizeof options->place, from, "from", fault) : PROTO_OK;
}

/* With an upstream there are teams, and teams alone mean nothing: who writes them believes that they hold. */
static enum proto_error apply_upstream(struct daemon_options *options, struct proto_fault *fault) {
    bool named = options->upstream[0] != '\0', has_teams = options->teams[0] != '\0';
    if (strcmp(options->upstream, "none") == 0)
        options->upstream[0] = '\0';
    if (has_teams && !named)
        return proto_fault_set(
            fault, PROTO_MISSING_FIELD, "upstream",
            "teams says whose children a laptop holds, and there is no upstream to hold them from; a "
            "server holds all. Name the upstream, or leave teams out.");
    if (options->upstream[0] && !has_teams)
        return proto_fault_set(fault, PROTO_MISSING_FIELD, "teams",
                               "Say whose children are held here: teams, by name, or * for all of them.");
    return has_teams ? daemon_teams_read(options->teams, &options->scope, fault) : PROTO_OK;
}

static enum proto_error apply(const struct given *given, struct daemon_options *options, struct proto_fault *fault) {
    enum proto_error error = PROTO_OK;
    const char *config = given->text[CONFIG], *workers = given->text[WORKERS];
    if (config)
        error = copy(options->config, sizeof options->config, config, "config", fault);
    if (error == PROTO_OK && config)
        error = daemon_config_read(config, options, fault);
    for (size_t i = 0; i < sizeof texts / sizeof texts[0] && error == PROTO_OK; i++)
        if (given->text[texts[i].given])
            error =
                copy((char *)options + texts[i].at, texts[i].cap, given->text[texts[i].given], texts[i].name, fault);
    if (error == PROTO_OK && workers)
        error = read_workers(workers, &options->workers, fault);
    if (error == PROTO_OK)
        error = apply_place(given, options, fault);
    if (error != PROTO_OK)
        return error;
    error = apply_upstream(options, fault);
    if (error != PROTO_OK && config && !given->text[UPSTREAM] && !given->text[TEAMS])
        memcpy(fault->field, "config", sizeof "config"); /* where the fault is */
    return error;
}

enum proto_error daemon_options_read(int argc, char **argv, struct daemon_options *options, struct proto_fault *fault) {
    struct given given = {0};
    memset(options, 0, sizeof *options);
    net_limits_init(&options->limits);
    memcpy(options->listen, "127.0.0.1:7811", sizeof "127.0.0.1:7811");
    if (argc < 2)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "Say what to do: betonyd run, verify, backup or restore.");
    bool has_verb = argv[1][0] != '-';
    enum proto_error error = has_verb ? read_verb(argv[1], &options->verb, fault) : PROTO_OK;
    if (error == PROTO_OK)
        error = read_flags(argc - has_verb, argv + has_verb, options, &given, fault);
    if (error != PROTO_OK || options->verb == DAEMON_VERSION || options->verb == DAEMON_HELP)
        return error;
    if (!has_verb)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL,
                               "Say what to do first: betonyd run, verify, backup or restore.");
    error = apply(&given, options, fault);
    if (error == PROTO_OK && options->store[0] == '\0')
        error = proto_fault_set(fault, PROTO_MISSING_FIELD, "store", "Say where the caseload is kept: --store DIR.");
    if (error == PROTO_OK && options->socket[0] == '\0') {
        int size = snprintf(options->socket, sizeof options->socket, "%s/betonyd.sock", options->store);
        if (size < 0 || (size_t)size >= sizeof options->socket)
            error = proto_fault_set(fault, PROTO_BAD_VALUE, "socket",
                                    "The path of the store is too long for a socket in it.");
    }
    return error;
}
