/*
 * main.c - betonyd: what was asked, and whoever does it.
 */
#include "options.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

int main(int argc, char **argv) {
    static struct daemon_options options; /* paths: too large for a stack */
    struct proto_fault fault = {0};
    enum proto_error error = daemon_options_read(argc, argv, &options, &fault);
    if (error != PROTO_OK) {
        (void)fprintf(stderr, "betonyd: %s\n", fault.message);
        return strcmp(fault.field, "config") == 0 ? EX_CONFIG : EX_USAGE;
    }
    switch (options.verb) {
    case DAEMON_RUN:
        return daemon_run(&options);
    case DAEMON_VERIFY:
        return daemon_verify(&options);
    case DAEMON_BACKUP:
        return daemon_backup(&options);
    case DAEMON_RESTORE:
        return daemon_restore(&options);
    case DAEMON_VERSION:
        (void)puts("betonyd " BETONY_VERSION);
        return EX_OK;
    case DAEMON_HELP:
        (void)fputs(daemon_options_help(), stdout);
        return EX_OK;
    }
    return EX_SOFTWARE;
}
