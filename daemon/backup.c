/*
 * backup.c - `betonyd backup` and `betonyd restore`: the log copied beside a daemon that runs, and a store made of such a copy.
 *
 * What always holds: what these two say on standard output was verified before it was said, and it is one line.
 */
#include "options.h"

#include "proto/ids.h"
#include "store/store.h"

#include <signal.h>
#include <stdio.h>
#include <sysexits.h>

#define DAMAGED 1

static int exit_code_of(enum proto_error error) {
    switch (error) {
    case PROTO_NOT_FOUND:
        return EX_NOINPUT;
    case PROTO_CONFLICT:
        return EX_CANTCREAT;
    case PROTO_IN_USE:
        return EX_TEMPFAIL;
    case PROTO_CORRUPT:
        return DAMAGED;
    case PROTO_BAD_VALUE:
        return EX_USAGE;
    default:
        return EX_IOERR;
    }
}

static int fail(enum proto_error error, const struct proto_fault *fault) {
    (void)fprintf(stderr, "betonyd: %s\n", fault->message[0] ? fault->message : proto_error_sentence(error));
    return exit_code_of(error);
}

/* Said, and really taken by whoever listens: a script must not read half a line as a success. */
static int said(int printed) {
    return printed > 0 && fflush(stdout) == 0 ? EX_OK : EX_IOERR;
}

static void hex(const uint8_t *bytes, char out[2 * PROTO_HASH_BYTES + 1]) {
    for (size_t i = 0; i < PROTO_HASH_BYTES; i++)
        (void)snprintf(out + 2 * i, 3, "%02x", bytes[i]);
}

int daemon_backup(const struct daemon_options *options) {
    char boot_id[64], log[PROTO_ID_TEXT_BYTES + 1], chain[2 * PROTO_HASH_BYTES + 1];
    struct store_options store_options;
    struct store_identity made;
    struct proto_fault fault = {0};
    (void)signal(SIGXFSZ, SIG_IGN); /* a file at its limit is an error of that write, not the end */
    daemon_boot_id(boot_id);
    daemon_store_options(options, boot_id, &store_options);
    enum proto_error error = store_backup(&store_options, options->place, daemon_wall_ms(NULL), &made, &fault);
    if (error != PROTO_OK)
        return fail(error, &fault);
    proto_id_format(&made.log, log);
    hex(made.chain, chain);
    return said(printf("backup of %llu events, log %s, chain %s verified in %s\n", (unsigned long long)made.log_seq,
                       log, chain, options->place));
}

int daemon_restore(const struct daemon_options *options) {
    char boot_id[64], old_log[PROTO_ID_TEXT_BYTES + 1], log[PROTO_ID_TEXT_BYTES + 1], node[PROTO_ID_TEXT_BYTES + 1];
    char chain[2 * PROTO_HASH_BYTES + 1];
    struct store_options store_options;
    struct store_identity was, made;
    struct proto_fault fault = {0};
    (void)signal(SIGXFSZ, SIG_IGN);
    daemon_boot_id(boot_id);
    daemon_store_options(options, boot_id, &store_options);
    enum proto_error error = store_restore(&store_options, options->place, daemon_wall_ms(NULL), &was, &made, &fault);
    if (error != PROTO_OK)
        return fail(error, &fault);
    proto_id_format(&was.log, old_log);
    proto_id_format(&made.log, log);
    proto_id_format(&made.node, node);
    hex(made.chain, chain);
    return said(printf("restored %llu events of log %s as log %s, node %s, chain %s verified in %s\n",
                       (unsigned long long)made.log_seq, old_log, log, node, chain, options->store));
}
