/*
 * load.h - what the two files of `betony load` share: from a line of NDJSON to an event.
 */
#ifndef CLIENT_LOAD_H
#define CLIENT_LOAD_H

#include "cli.h"

#include <jansson.h>

struct load_names {
    struct cli *cli;
    json_t *ids; /* label: id, of children registered in the file or looked up */
    /* Called before the server is asked about a label: calls in flight must be answered first. 0, or the exit code. */
    int (*quiet)(void *arg);
    void *arg;
};

struct load_error {
    char field[64], message[300];
    int code; /* EX_DATAERR for a bad line; another exit code when the server could not be asked */
};

/* One line (without its line break) as an event. False: `error` says why. */
bool load_line_read(struct load_names *names, const char *line, size_t size, struct betony_event **out,
                    struct load_error *error);

#endif
