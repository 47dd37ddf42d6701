/*
 * load.c - `betony load`: a file of events, in batches on the wire at once.
 *
 * What always holds: a batch is recorded whole or not at all; every event has an id of its own, so a batch may be sent
 * again after a lost connection and a file loaded again after a stop: what is already held is recognised and counted.
 */
#define _GNU_SOURCE
#include "load.h"

#include <errno.h>
#include <inttypes.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#define BATCH_EVENTS 500
#define BATCH_BYTES (400u << 10) /* of lines; their MessagePack is smaller */
#define WINDOW 8                 /* batches on the wire */
#define LINE_BYTES_MAX (64u << 10)
#define PROGRESS_MS 100
#define PROGRESS_LINE_MS 5000

struct batch {
    struct betony_event *events[BATCH_EVENTS];
    uint64_t line_numbers[BATCH_EVENTS];
    char *lines[BATCH_EVENTS]; /* kept for the file of rejects; else NULL */
    size_t count, bytes;
    uint32_t ticket; /* 0: not on the wire */
};

struct load {
    struct cli *cli;
    struct cli_args *args;
    FILE *file;
    const char *name;
    FILE *rejects;
    char rejects_name[4200];
    bool keep_going;
    struct batch *window[WINDOW + 1]; /* oldest first; the one being filled is the last */
    size_t window_count;
    uint64_t lines, events, stored, repeated, rejected, bytes, size;
    int64_t began_ms, shown_ms;
    bool bar;
    int code;      /* exit code of what ended the load */
    bool bad_line; /* a line ended it that was never sent */
    struct load_names names;
};

static int64_t steady_ms(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* --- progress ---------------------------------------------------------------------------------------------------------------------- */

static void draw_bar(const struct load *load, int64_t now_ms) {
    char bar[31];
    int64_t ms = now_ms - load->began_ms > 0 ? now_ms - load->began_ms : 1;
    uint64_t done = load->stored + load->repeated;
    double share = load->size ? (double)load->bytes / (double)load->size : 0;
    int filled = (int)(share * 30 + 0.5);
    memset(bar, '.', 30);
    memset(bar, '=', (size_t)(filled > 30 ? 30 : filled));
    bar[30] = '\0';
    if (load->size)
        (void)fprintf(stderr, "\r[%s] %3.0f %%  %" PRIu64 " events, %" PRIu64 " a second\033[K", bar, share * 100, done,
                      done * 1000 / (uint64_t)ms);
    else
        (void)fprintf(stderr, "\r%" PRIu64 " events, %" PRIu64 " a second\033[K", done, done * 1000 / (uint64_t)ms);
    (void)fflush(stderr);
}

static void show_progress(struct load *load) {
    int64_t now_ms = steady_ms();
    if (now_ms - load->shown_ms < (load->bar ? PROGRESS_MS : PROGRESS_LINE_MS))
        return;
    load->shown_ms = now_ms;
    if (load->bar)
        draw_bar(load, now_ms);
    else
        (void)fprintf(stderr, "betony load: %" PRIu64 " events so far\n", load->stored + load->repeated);
}

static void clear_bar(const struct load *load) {
    if (load->bar)
        (void)fputs("\r\033[K", stderr);
}

/* --- batches ------------------------------------------------------------------------------------------------------------------------- */

static struct batch *batch_new(void) {
    struct batch *batch = calloc(1, sizeof *batch);
    if (!batch)
        abort();
    return batch;
}

static void batch_free(struct batch *batch) {
    for (size_t i = 0; i < batch->count; i++) {
        betony_event_free(batch->events[i]);
        free(batch->lines[i]);
    }
    free(batch);
}

static void batch_drop(struct batch *batch, size_t index) {
    betony_event_free(batch->events[index]);
    free(batch->lines[index]);
    batch->count--;
    for (size_t i = index; i < batch->count; i++) {
        batch->events[i] = batch->events[i + 1];
        batch->line_numbers[i] = batch->line_numbers[i + 1];
        batch->lines[i] = batch->lines[i + 1];
    }
}

/* Takes a batch out of the window. */
static void window_remove(struct load *load, size_t index) {
    batch_free(load->window[index]);
    load->window_count--;
    for (size_t i = index; i < load->window_count; i++)
        load->window[i] = load->window[i + 1];
}

static void count_answer(struct load *load, const struct batch *batch, const struct betony_answer *answer) {
    size_t repeated = betony_value_count(betony_value_get(betony_answer_result(answer), "repeated"));
    load->repeated += repeated;
    load->stored += batch->count > repeated ? batch->count - repeated : 0;
    show_progress(load);
}

/* --- what is refused -------------------------------------------------------------------------------------------------------------------- */

static void say_refused(const struct load *load, uint64_t line, const char *field, const char *message,
                        const char *code) {
    clear_bar(load);
    (void)fprintf(stderr, "%s:%" PRIu64 ": ", load->name, line);
    if (field[0]) {
        (void)fputs("field ", stderr);
        out_text(stderr, field);
        (void)fputs(": ", stderr);
    }
    out_text(stderr, message);
    (void)fprintf(stderr, " [%s]\n", code);
}

static void reject(struct load *load, const char *line) {
    (void)fprintf(load->rejects, "%s\n", line);
    load->rejected++;
}

/* Records one batch by itself; with --keep-going, without the lines that are refused. False: the load ends. */
static bool record_alone(struct load *load, struct batch *batch) {
    while (batch->count > 0) {
        struct betony_answer *answer = NULL;
        enum betony_error error = betony_record(load->cli->b, batch->events, batch->count, "none", &answer);
        if (error == BETONY_OK) {
            count_answer(load, batch, answer);
            betony_answer_free(answer);
            return true;
        }
        const struct betony_fault *fault = betony_last_fault(load->cli->b);
        bool of_event = fault->event_index >= 0 && (size_t)fault->event_index < batch->count;
        if (!of_event || cli_exit_of(error) != EX_DATAERR) {
            clear_bar(load);
            load->code = cli_fail(load->cli, error);
            return false;
        }
        size_t index = (size_t)fault->event_index;
        say_refused(load, batch->line_numbers[index], fault->field, fault->message, betony_error_code(error));
        load->code = EX_DATAERR;
        if (!load->keep_going)
            return false;
        reject(load, batch->lines[index]);
        batch_drop(batch, index);
    }
    return true;
}

/* --- the window -------------------------------------------------------------------------------------------------------------------------- */

/* The answer of one batch on the wire. False when it was refused or the connection was lost: then settle. */
static bool receive_one(struct load *load) {
    uint32_t ticket = 0;
    struct betony_answer *answer = NULL;
    enum betony_error error = betony_receive(load->cli->b, &ticket, &answer);
    for (size_t i = 0; i < load->window_count; i++) {
        struct batch *batch = load->window[i];
        if (ticket == 0 || batch->ticket != ticket)
            continue;
        batch->ticket = 0;
        if (error != BETONY_OK)
            return false;
        count_answer(load, batch, answer);
        betony_answer_free(answer);
        window_remove(load, i);
        return true;
    }
    betony_answer_free(answer);
    return false;
}

/* Waits for everything on the wire, then records what failed, oldest first and one at a time: a batch may have been
 * refused only because the one before it was. `keep`: batches at the end that were not sent yet. */
static bool settle(struct load *load, size_t keep) {
    while (betony_in_flight(load->cli->b) > 0)
        (void)receive_one(load);
    while (load->window_count > keep) {
        load->window[0]->ticket = 0;
        if (!record_alone(load, load->window[0]))
            return false;
        window_remove(load, 0);
    }
    return true;
}

/* Before a label is looked up: the wire has to be quiet. The batch being filled stays. */
static int on_quiet(void *arg) {
    struct load *load = arg;
    return settle(load, 1) ? EX_OK : load->code;
}

/* Sends the batch that was filled and begins another. */
static bool flush(struct load *load) {
    struct batch *batch = load->window[load->window_count - 1];
    if (batch->count == 0)
        return true;
    bool well = true;
    if (load->keep_going) { /* a refused batch must not take those after it with it */
        well = settle(load, 0);
    } else if (betony_send_record(load->cli->b, batch->events, batch->count, "none", &batch->ticket) != BETONY_OK) {
        well = settle(load, 0);
    } else if (load->window_count >= WINDOW) {
        well = receive_one(load) || settle(load, 0);
    }
    if (well)
        load->window[load->window_count++] = batch_new();
    return well;
}

/* --- lines -------------------------------------------------------------------------------------------------------------------------------- */

static bool add_line(struct load *load, char *line, size_t size) {
    struct load_error error = {.code = EX_DATAERR};
    struct betony_event *event = NULL;
    bool well = false;
    if (size > LINE_BYTES_MAX)
        (void)snprintf(error.message, sizeof error.message, "it has more than %u bytes", LINE_BYTES_MAX);
    else
        well = load_line_read(&load->names, line, size, &event, &error);
    if (!well) {
        if (load->code != EX_OK && error.code != EX_DATAERR)
            return false; /* said already */
        say_refused(load, load->lines, error.field, error.message, error.code == EX_DATAERR ? "bad-line" : "not-asked");
        load->code = error.code;
        load->bad_line = !load->keep_going || error.code != EX_DATAERR;
        if (load->bad_line)
            return false;
        reject(load, line);
        return true;
    }
    struct batch *batch = load->window[load->window_count - 1];
    batch->events[batch->count] = event;
    batch->line_numbers[batch->count] = load->lines;
    batch->lines[batch->count] = load->keep_going ? strdup(line) : NULL;
    batch->count++;
    batch->bytes += size;
    load->events++;
    return batch->count < BATCH_EVENTS && batch->bytes < BATCH_BYTES ? true : flush(load);
}

static bool is_blank(const char *line) {
    return line[strspn(line, " \t\r")] == '\0';
}

static bool read_lines(struct load *load) {
    char *line = NULL;
    size_t cap = 0;
    bool well = true;
    ssize_t got;
    while (well && (got = getline(&line, &cap, load->file)) >= 0) {
        size_t size = (size_t)got;
        load->lines++;
        load->bytes += size;
        while (size > 0 && (line[size - 1] == '\n' || line[size - 1] == '\r'))
            line[--size] = '\0';
        if (memchr(line, '\0', size)) {
            say_refused(load, load->lines, "", "it has a NUL byte in it", "bad-line");
            load->code = EX_DATAERR;
            if (load->keep_going) {
                (void)fwrite(line, 1, size, load->rejects);
                (void)fputc('\n', load->rejects);
                load->rejected++;
            }
            load->bad_line = !load->keep_going;
            well = load->keep_going;
        } else if (!is_blank(line)) {
            well = add_line(load, line, size);
        }
    }
    if (well && ferror(load->file)) {
        (void)fprintf(stderr, "betony load: %s cannot be read: %s\n", load->name, strerrordesc_np(errno));
        load->code = EX_IOERR;
        well = false;
    }
    free(line);
    return well;
}

/* --- the verb -------------------------------------------------------------------------------------------------------------------------------- */

static bool open_files(struct load *load, const char *path) {
    struct stat info;
    bool standard = strcmp(path, "-") == 0;
    load->name = standard ? "standard input" : path;
    load->file = standard ? stdin : fopen(path, "re");
    if (!load->file) {
        (void)fprintf(stderr, "betony load: %s cannot be opened: %s\n", path, strerrordesc_np(errno));
        return false;
    }
    if (fstat(fileno(load->file), &info) == 0 && S_ISREG(info.st_mode))
        load->size = (uint64_t)info.st_size;
    if (!load->keep_going)
        return true;
    const char *rejects = cli_args_text(load->args, "rejects");
    (void)snprintf(load->rejects_name, sizeof load->rejects_name, "%s%s", rejects ? rejects : path,
                   rejects ? "" : ".rejected");
    if (!rejects && standard)
        cli_usage(load->args, "--keep-going from standard input needs --rejects FILE");
    load->rejects = fopen(load->rejects_name, "we");
    if (!load->rejects)
        (void)fprintf(stderr, "betony load: %s cannot be written: %s\n", load->rejects_name, strerrordesc_np(errno));
    return load->rejects != NULL;
}

static void summarise(const struct load *load) {
    clear_bar(load);
    if (load->cli->format != CLI_FORMAT_PEOPLE) {
        (void)printf("{\"lines\":%" PRIu64 ",\"events\":%" PRIu64 ",\"stored\":%" PRIu64 ",\"repeated\":%" PRIu64
                     ",\"rejected\":%" PRIu64 "}\n",
                     load->lines, load->events, load->stored, load->repeated, load->rejected);
        return;
    }
    (void)printf("%" PRIu64 " event%s read from %s: %" PRIu64 " stored, %" PRIu64 " already on record", load->events,
                 load->events == 1 ? "" : "s", load->name, load->stored, load->repeated);
    if (load->rejected > 0)
        (void)printf(", %" PRIu64 " rejected and written to %s", load->rejected, load->rejects_name);
    (void)printf(" (%.1f s)\n", (double)(steady_ms() - load->began_ms) / 1000);
    if (load->code == EX_DATAERR && !load->keep_going)
        (void)puts("It stopped there. Put the line right, or leave such lines out with --keep-going. Loading the file "
                   "again goes on: what is on record is recognised.");
    else if (load->code != EX_OK && !load->keep_going)
        (void)puts("It stopped there. Loading the file again goes on: what is on record is recognised.");
}

static int finish(struct load *load) {
    summarise(load);
    while (load->window_count > 0)
        window_remove(load, load->window_count - 1);
    json_decref(load->names.ids);
    if (load->file != stdin)
        (void)fclose(load->file);
    if (load->rejects && fclose(load->rejects) != 0) {
        (void)fputs("betony load: the file of rejects could not be written\n", stderr);
        return EX_IOERR;
    }
    return load->code;
}

int verb_load(struct cli *cli, const struct cli_verb *verb, int argc, char **argv) {
    static struct cli_args args;
    args.verb = verb->name;
    args.words_max = 1;
    cli_args_add_own(&args, "keep-going", false,
                     "leave out lines that are refused and write them to a file of rejects");
    cli_args_add_own(&args, "rejects", true, "where --keep-going writes them; FILE.rejected when not given");
    cli_args_parse(cli, &args, argc, argv, verb->words, verb->help);
    if (args.word_count < 1)
        cli_usage(&args, "FILE is missing");
    static struct load load;
    load = (struct load){.cli = cli, .args = &args, .keep_going = cli_args_text(&args, "keep-going") != NULL};
    load.names = (struct load_names){.cli = cli, .ids = json_object(), .quiet = on_quiet, .arg = &load};
    load.bar = isatty(STDERR_FILENO) && cli->format == CLI_FORMAT_PEOPLE;
    load.began_ms = load.shown_ms = steady_ms();
    if (!open_files(&load, args.words[0]))
        return EX_NOINPUT;
    load.code = cli_connect(cli);
    if (load.code != EX_OK)
        return load.code;
    load.window[load.window_count++] = batch_new();
    bool well = read_lines(&load);
    if (well) {
        (void)(flush(&load) && settle(&load, 1));
    } else if (load.bad_line) {
        /* the batch of the bad line is not sent; those before it are waited for */
        int code = load.code;
        window_remove(&load, load.window_count - 1);
        (void)settle(&load, 0);
        load.code = code;
    }
    return finish(&load);
}
