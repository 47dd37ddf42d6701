/*
 * scenarios_test.c - reads the care scenarios and says which of their expectations hold.
 *
 * A scenario is text that a nurse can check: what happened, when one looks, what
 * must be there. Lines (indented lines go on with the line before):
 *
 *   # a remark; sources of values stand in remarks beside the check
 *   include NAME                          the lines of common/NAME.txt
 *   scenario TITLE                        begins anew with the lines that stand before the first scenario
 *   given|when [@name] TIME KIND field=value ... [source= stoma= done_by= by= written= replaces=@name child=]
 *   refused CODE TIME KIND field=value    must be refused with this error, and changes nothing
 *   at TIME                               look at the child at this moment, with all that stands above
 *   expect ...                            scenario_expect.h
 *
 * What always holds: every file reports as one test; a line that is not
 * understood is a failure; the scenarios in canary/ are wrong on purpose and each of
 * their expectations must fail, or the runner itself is broken. Beside what they
 * expect, all scenarios are searched for alerts that vanish (scenario_trace.h).
 *
 *   scenarios_test [FILE...]   without a file: all of tests/care/scenarios
 */
#define _GNU_SOURCE
#include <dirent.h>

#include "scenario_expect.h"
#include "scenario_trace.h"

struct runner {
    struct scen_events events;
    struct scen_world world;
    bool looked; /* the world is of what stands above */
    int64_t now; /* of the last `at`; INT64_MIN before one */
    const char *path;
    char title[160];
    uint32_t scenarios, expectations, failures;
    uint32_t missed; /* expectations that did not hold or were not understood */
    bool quiet;
};

struct scen_file {
    char *bytes;
    char **lines; /* continuation lines joined; NULL for those that were joined to one before */
    uint32_t count;
};

static char *file_read(const char *path) {
    FILE *file = fopen(path, "rb");
    if (!file)
        return NULL;
    size_t cap = 1u << 20;
    char *bytes = calloc(1, cap);
    size_t size = bytes ? fread(bytes, 1, cap - 1, file) : 0;
    (void)fclose(file);
    if (size == cap - 1) { /* longer than any scenario file should be */
        free(bytes);
        return NULL;
    }
    return bytes;
}

/* Lines, with indented ones joined to the line before. False: no such file. */
static bool file_lines(const char *path, struct scen_file *file) {
    *file = (struct scen_file){.bytes = file_read(path)};
    if (!file->bytes)
        return false;
    uint32_t cap = 1;
    for (const char *p = file->bytes; *p; p++)
        cap += *p == '\n' ? 1 : 0;
    file->lines = calloc(cap, sizeof *file->lines);
    if (!file->lines)
        abort();
    char *end_of_last = NULL;
    for (char *p = file->bytes; p && *p;) {
        char *next = strchr(p, '\n');
        if (next)
            *next++ = '\0';
        if (end_of_last && (*p == ' ' || *p == '\t') && p[strspn(p, " \t")] != '\0') {
            for (char *gap = end_of_last; gap < p; gap++)
                *gap = ' ';
            file->lines[file->count++] = NULL;
            end_of_last = p + strlen(p);
        } else {
            file->lines[file->count++] = p;
            end_of_last = *p && *p != '#' ? p + strlen(p) : NULL;
        }
        p = next;
    }
    return true;
}

static void file_close(struct scen_file *file) {
    free(file->lines);
    free(file->bytes);
    *file = (struct scen_file){0};
}

static void fail(struct runner *r, int line, const char *text, const char *why) {
    r->failures++;
    if (r->quiet)
        return;
    printf("FAIL  %s:%d  (%s)\n      %s\n      %s\n", r->path, line, r->title, text, why);
}

static void run_event(struct runner *r, const struct scen_words *words, uint32_t first, int line, const char *text,
                      const char *refused) {
    char why[256];
    enum proto_error code = PROTO_OK;
    const char *name = "";
    if (words->count > first && words->list[first].value[0] == '@')
        name = words->list[first++].value;
    bool added = scen_add(&r->events, words, first, name, line, &code, why);
    r->looked = false;
    if (refused) {
        r->expectations++;
        bool as_said = !added && strcmp(proto_error_code(code), refused) == 0;
        r->missed += as_said ? 0 : 1;
        if (!as_said)
            fail(r, line, text, added ? "it was accepted" : why);
    } else if (!added) {
        fail(r, line, text, why);
    }
}

static void run_expect(struct runner *r, const struct scen_words *words, int line, const char *text) {
    r->expectations++;
    if (r->now == INT64_MIN) {
        r->missed++;
        fail(r, line, text, "there is no `at` before it");
        return;
    }
    if (!r->looked) {
        scen_world_look(&r->world, &r->events, r->now);
        r->looked = true;
        if (r->world.wrong[0])
            fail(r, line, text, r->world.wrong);
    }
    enum scen_answer answer = scen_expect(&r->world, &r->events, words);
    if (answer == SCEN_YES)
        return;
    r->missed++;
    fail(r, line, text, answer == SCEN_BAD ? "this expectation is not understood" : "it does not hold");
    if (!r->quiet && answer == SCEN_NO)
        scen_show(&r->world, &r->events);
}

static void run_lines(struct runner *r, const struct scen_file *file, uint32_t from, uint32_t to, int depth);

static void run_include(struct runner *r, const char *name, int line, const char *text, int depth) {
    char path[512];
    struct scen_file file;
    const char *slash = strrchr(r->path, '/');
    const char *up = strstr(r->path, "/canary/") || strstr(r->path, "/common/") ? "/.." : "";
    (void)snprintf(path, sizeof path, "%.*s%s/common/%s.txt", slash ? (int)(slash - r->path) : 1, slash ? r->path : ".",
                   up, name);
    if (depth > 2 || !file_lines(path, &file)) {
        fail(r, line, text, "cannot be included");
        return;
    }
    run_lines(r, &file, 0, file.count, depth + 1);
    /* the events were copied to their own bytes: nothing points into the file any more */
    file_close(&file);
}

static void run_line(struct runner *r, const char *text, int line, int depth) {
    static struct scen_words words;
    int64_t at = 0;
    if (!scen_split(text, &words)) {
        fail(r, line, text, "too many words, or a quote left open");
        return;
    }
    if (words.count == 0)
        return;
    const char *verb = words.list[0].value;
    if ((strcmp(verb, "given") == 0 || strcmp(verb, "when") == 0) && words.count > 2) {
        run_event(r, &words, 1, line, text, NULL);
    } else if (strcmp(verb, "refused") == 0 && words.count > 3) {
        run_event(r, &words, 2, line, text, words.list[1].value);
    } else if (strcmp(verb, "at") == 0 && words.count == 2 && scen_time(words.list[1].value, &at)) {
        r->now = at;
        r->looked = false;
    } else if (strcmp(verb, "expect") == 0) {
        run_expect(r, &words, line, text);
    } else if (strcmp(verb, "include") == 0 && words.count == 2) {
        run_include(r, words.list[1].value, line, text, depth);
    } else {
        fail(r, line, text, "this line is not understood");
    }
}

static void run_lines(struct runner *r, const struct scen_file *file, uint32_t from, uint32_t to, int depth) {
    for (uint32_t i = from; i < to; i++)
        if (file->lines[i] && file->lines[i][0] != '#')
            run_line(r, file->lines[i], (int)i + 1, depth);
}

/* The events once more, one by one: nothing that was open may go without a trace. */
static void run_trace(struct runner *r) {
    char why[256];
    int line = 0;
    if (!r->quiet && !scen_trace(&r->events, why, &line))
        fail(r, line, "(looked for after each event)", why);
}

static bool is_scenario(const char *line) {
    return line && strncmp(line, "scenario ", 9) == 0;
}

/* One file; lines before its first scenario belong to each of them. */
static bool run_file(struct runner *r, const char *path) {
    struct scen_file file;
    if (!file_lines(path, &file))
        return false;
    r->path = path;
    uint32_t common = 0;
    while (common < file.count && !is_scenario(file.lines[common]))
        common++;
    for (uint32_t i = common; i < file.count;) {
        uint32_t end = i + 1;
        while (end < file.count && !is_scenario(file.lines[end]))
            end++;
        (void)snprintf(r->title, sizeof r->title, "%s", file.lines[i] + 9);
        scen_events_open(&r->events);
        r->now = INT64_MIN;
        r->looked = false;
        r->scenarios++;
        run_lines(r, &file, 0, common, 0);
        run_lines(r, &file, i + 1, end, 0);
        run_trace(r);
        scen_events_close(&r->events);
        i = end;
    }
    file_close(&file);
    return true;
}

static int is_text(const struct dirent *entry) {
    size_t size = strlen(entry->d_name);
    return size > 4 && strcmp(entry->d_name + size - 4, ".txt") == 0;
}

/* Every file of a directory, by name. Canaries must fail in each of their expectations. */
static int run_directory(const char *directory, bool canary, struct runner *total) {
    static struct runner r;
    struct dirent **list = NULL;
    int count = scandir(directory, &list, is_text, alphasort), bad = 0;
    for (int i = 0; i < count; i++) {
        char path[512];
        (void)snprintf(path, sizeof path, "%s/%s", directory, list[i]->d_name);
        r.scenarios = r.expectations = r.failures = r.missed = 0;
        r.quiet = canary;
        bool good = run_file(&r, path) && r.expectations > 0 && (canary ? r.missed == r.expectations : r.failures == 0);
        printf("%s %s%s: %u scenarios, %u expectations%s%u failed\n", good ? "ok    " : "not ok",
               canary ? "canary/" : "", list[i]->d_name, r.scenarios, r.expectations,
               canary ? ", wrong on purpose, " : ", ", canary ? r.missed : r.failures);
        bad += good ? 0 : 1;
        if (!canary) {
            total->scenarios += r.scenarios;
            total->expectations += r.expectations;
            total->failures += r.failures;
        }
        free(list[i]);
    }
    free(list);
    return count <= 0 ? bad + 1 : bad;
}

int main(int argc, char **argv) {
    static struct runner total;
    int bad = 0;
    (void)setvbuf(stdout, NULL, _IOLBF, 0);
    for (int i = 1; i < argc; i++) {
        if (!run_file(&total, argv[i])) {
            printf("cannot read %s\n", argv[i]);
            bad++;
        }
    }
    if (argc == 1) {
        bad += run_directory(BETONY_SOURCE_DIR "/tests/care/scenarios", false, &total);
        bad += run_directory(BETONY_SOURCE_DIR "/tests/care/scenarios/canary", true, &total);
    }
    printf("%u scenarios, %u expectations, %u failures\n", total.scenarios, total.expectations, total.failures);
    return bad || total.failures ? 1 : 0;
}
