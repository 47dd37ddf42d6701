/*
 * options.c - the command line.
 */
#include "options.h"

#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *daemon_options_help(void) {
    return "usage: betonyd run --store DIR [--listen HOST:PORT] [--socket PATH] [--config FILE] [--workers N]\n"
           "       betonyd verify --store DIR\n"
           "       betonyd --version | --help\n"
           "\n"
           "run      keeps the caseload in DIR (made when missing) and answers on a Unix socket and on loopback TCP,\n"
           "         until SIGTERM or SIGINT\n"
           "verify   walks the log's chain, works every child out again and compares every derived row;\n"
           "         exit 0 when all holds, 1 when something does not. The daemon must not run meanwhile.\n"
           "\n"
           "  --store DIR         where the caseload is kept\n"
           "  --listen HOST:PORT  loopback address for TCP, or none (127.0.0.1:7811)\n"
           "  --socket PATH       Unix socket, or none (DIR/betonyd.sock)\n"
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

/* Options of the command line; only those that were given are set. */
struct given {
    const char *store, *listen, *socket, *config, *workers;
};

static enum proto_error read_verb(const char *word, enum daemon_verb *verb, struct proto_fault *fault) {
    if (strcmp(word, "run") == 0)
        *verb = DAEMON_RUN;
    else if (strcmp(word, "verify") == 0)
        *verb = DAEMON_VERIFY;
    else
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "There is no \"%s\"; betonyd --help says what there is.",
                               word);
    return PROTO_OK;
}

static enum proto_error read_flags(int argc, char **argv, struct daemon_options *options, struct given *given,
                                   struct proto_fault *fault) {
    static const struct option flags[] = {
        {"store", required_argument, NULL, 's'},   {"listen", required_argument, NULL, 'l'},
        {"socket", required_argument, NULL, 'u'},  {"config", required_argument, NULL, 'c'},
        {"workers", required_argument, NULL, 'w'}, {"version", no_argument, NULL, 'V'},
        {"help", no_argument, NULL, 'h'},          {NULL, 0, NULL, 0},
    };
    int flag;
    opterr = 0;
    while ((flag = getopt_long(argc, argv, "+:", flags, NULL)) != -1) {
        switch (flag) {
        case 's':
            given->store = optarg;
            break;
        case 'l':
            given->listen = optarg;
            break;
        case 'u':
            given->socket = optarg;
            break;
        case 'c':
            given->config = optarg;
            break;
        case 'w':
            given->workers = optarg;
            break;
        case 'V':
            options->verb = DAEMON_VERSION;
            return PROTO_OK;
        case 'h':
            options->verb = DAEMON_HELP;
            return PROTO_OK;
        case ':':
            return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "%s needs a value.", argv[optind - 1]);
        default:
            return proto_fault_set(fault, PROTO_BAD_VALUE, NULL,
                                   "There is no option %s; betonyd --help says what there is.", argv[optind - 1]);
        }
    }
    if (optind < argc)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "\"%s\" is one word too many.", argv[optind]);
    return PROTO_OK;
}

static enum proto_error apply(const struct given *given, struct daemon_options *options, struct proto_fault *fault) {
    enum proto_error error = PROTO_OK;
    if (given->config)
        error = copy(options->config, sizeof options->config, given->config, "config", fault);
    if (error == PROTO_OK && given->config)
        error = daemon_config_read(given->config, options, fault);
    if (error == PROTO_OK && given->store)
        error = copy(options->store, sizeof options->store, given->store, "store", fault);
    if (error == PROTO_OK && given->listen)
        error = copy(options->listen, sizeof options->listen, given->listen, "listen", fault);
    if (error == PROTO_OK && given->socket)
        error = copy(options->socket, sizeof options->socket, given->socket, "socket", fault);
    if (error == PROTO_OK && given->workers)
        error = read_workers(given->workers, &options->workers, fault);
    return error;
}

enum proto_error daemon_options_read(int argc, char **argv, struct daemon_options *options, struct proto_fault *fault) {
    struct given given = {0};
    memset(options, 0, sizeof *options);
    net_limits_init(&options->limits);
    memcpy(options->listen, "127.0.0.1:7811", sizeof "127.0.0.1:7811");
    if (argc < 2)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "Say what to do: betonyd run, or betonyd verify.");
    bool has_verb = argv[1][0] != '-';
    enum proto_error error = has_verb ? read_verb(argv[1], &options->verb, fault) : PROTO_OK;
    if (error == PROTO_OK)
        error = read_flags(argc - has_verb, argv + has_verb, options, &given, fault);
    if (error != PROTO_OK || options->verb == DAEMON_VERSION || options->verb == DAEMON_HELP)
        return error;
    if (!has_verb)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "Say what to do first: betonyd run, or betonyd verify.");
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
