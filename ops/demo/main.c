/*
 * main.c - `harrowmere --now MS [--children N]`: writes the demo caseload as NDJSON, oldest event first.
 *
 * It supports trying the server out and nothing else: no line of it is about a real child.
 */
#include "demo.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define CHILDREN_DEFAULT 60
#define CHILDREN_MAX 100000

static _Noreturn void usage(void) {
    (void)fputs(
        "usage: harrowmere --now MILLISECONDS [--children 1..100000]\n"
        "Writes an invented caseload as NDJSON for `betony load'. Under 60 children some scenes are left out.\n",
        stderr);
    exit(EX_USAGE);
}

static int64_t number(const char *text, int64_t low, int64_t high) {
    char *end = NULL;
    errno = 0;
    long long value = strtoll(text, &end, 10);
    if (errno != 0 || end == text || *end != '\0' || value < low || value > high)
        usage();
    return value;
}

static int compare_lines(const void *a, const void *b) {
    const struct line *x = a, *y = b;
    if (x->at_ms != y->at_ms)
        return x->at_ms < y->at_ms ? -1 : 1;
    return x->order < y->order ? -1 : 1;
}

static void write_child(struct demo *demo, uint32_t index) {
    struct child child;
    child_init(demo, &child, index);
    scenes_shape(demo, &child);
    child_arrive(demo, &child);
    child_routine(demo, &child);
    scenes_play(demo, &child);
}

int main(int argc, char **argv) {
    int64_t now_ms = 0, children = CHILDREN_DEFAULT;
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--now") == 0)
            now_ms = number(argv[i + 1], 400 * DAY_MS, PROTO_TIME_MAX - 400 * DAY_MS);
        else if (strcmp(argv[i], "--children") == 0)
            children = number(argv[i + 1], 1, CHILDREN_MAX);
        else
            usage();
    }
    if (argc % 2 == 0 || now_ms == 0)
        usage();
    struct demo demo = {.now_ms = now_ms, .today = (int32_t)(now_ms / DAY_MS), .dice = {UINT64_C(0x48617272)}};
    caseload_events(&demo, day_ms(&demo, 185, 8, 0));
    for (uint32_t i = 0; i < (uint32_t)children; i++)
        write_child(&demo, i);
    qsort(demo.lines, demo.line_count, sizeof *demo.lines, compare_lines);
    for (uint32_t i = 0; i < demo.line_count; i++) {
        (void)puts(demo.lines[i].text);
        free(demo.lines[i].text);
    }
    free(demo.lines);
    free(demo.text);
    if (fflush(stdout) != 0 || ferror(stdout)) {
        (void)fputs("harrowmere: the output could not be written\n", stderr);
        return EX_IOERR;
    }
    return EX_OK;
}
