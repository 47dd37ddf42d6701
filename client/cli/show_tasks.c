/*
 * show_tasks.c - tasks for people: in lists of many children and on one child's page.
 *
 * What always holds: what is overdue stands before what is due, and that before what is to come; how long a task has been
 * overdue is said; only training that lies more than a month ahead is told in one row together.
 */
#include "cli.h"

#include <stdlib.h>
#include <string.h>

#include "proto/calendar.h"

#define TRAINING_AHEAD_MS (30 * PROTO_DAY_MS)

static int64_t time_of(const struct betony_value *map, const char *key) {
    return betony_value_int(betony_value_get(map, key), 0);
}

/* --- cells ------------------------------------------------------------------------------------------------------------------ */

/* "overdue 3 days": the day on which it became overdue is the first. */
static void state_words(const struct cli *cli, const struct betony_value *task, char *out, size_t size) {
    int64_t from = time_of(task, "overdue_at");
    bool counted = strcmp(words_text(task, "state"), "overdue") == 0 && from != 0 && from <= cli->now_ms;
    long long days = counted ? (long long)((cli->now_ms - from) / PROTO_DAY_MS) + 1 : 0;
    if (counted)
        (void)snprintf(out, size, "overdue %lld day%s", days, days == 1 ? "" : "s");
    else
        (void)snprintf(out, size, "%s", words_text(task, "state"));
}

static void title_words(const struct betony_value *task, char *out, size_t size) {
    const char *title = words_text(task, "title")[0] ? words_text(task, "title") : words_text(task, "task");
    if (strcmp(words_text(task, "stoma"), "second") == 0)
        (void)snprintf(out, size, "%s, second stoma", title);
    else
        (void)snprintf(out, size, "%s", title);
}

/* When it was done last, why it is due then, by whom, last findings: what of it is there. */
static void detail_words(const struct betony_value *task, char *out, size_t size) {
    static const struct {
        const char *key, *before;
    } parts[] = {{"why", ""}, {"deferred_until", "until "}, {"given_to", "given to "}, {"detail", ""}};
    char last[32] = "";
    if (time_of(task, "last_done_at"))
        words_day(time_of(task, "last_done_at"), last);
    int put = snprintf(out, size, "%s%s", last[0] ? "last done " : "", last);
    size_t at = put > 0 && (size_t)put < size ? (size_t)put : 0;
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        const char *text = words_text(task, parts[i].key);
        if (!text[0])
            continue;
        put = snprintf(out + at, size - at, "%s%s%s", at ? "; " : "", parts[i].before, text);
        if (put < 0 || (size_t)put >= size - at)
            return;
        at += (size_t)put;
    }
}

bool show_task_cell(const struct cli *cli, const struct betony_value *row, const char *key, char *out, size_t size) {
    char date[32];
    if (strcmp(key, "due_at") == 0) { /* tasks are dated: a due time is the midnight that the date begins with */
        words_date(time_of(row, key), date);
        (void)snprintf(out, size, "%s", date);
    } else if (strcmp(key, "state") == 0) {
        state_words(cli, row, out, size);
    } else if (strcmp(key, "title") == 0) {
        title_words(row, out, size);
    } else if (strcmp(key, "detail") == 0) {
        detail_words(row, out, size);
    } else {
        return false;
    }
    return true;
}

/* --- one child's tasks ----------------------------------------------------------------------------------------------------- */

static int rank_of(const struct betony_value *task) {
    const char *state = words_text(task, "state");
    return strcmp(state, "overdue") == 0 ? 0 : strcmp(state, "due") == 0 ? 1 : 2;
}

static int compare(const void *a, const void *b) {
    const struct betony_value *const one = *(const struct betony_value *const *)a,
                                     *const two = *(const struct betony_value *const *)b;
    if (rank_of(one) != rank_of(two))
        return rank_of(one) < rank_of(two) ? -1 : 1;
    const char *key = rank_of(one) == 0 ? "overdue_at" : "due_at";
    if (time_of(one, key) != time_of(two, key))
        return time_of(one, key) < time_of(two, key) ? -1 : 1;
    return strcmp(words_text(one, "title"), words_text(two, "title"));
}

static bool is_far_training(const struct cli *cli, const struct betony_value *task) {
    return rank_of(task) == 2 && strcmp(words_text(task, "task"), "training") == 0 &&
           time_of(task, "due_at") > cli->now_ms + TRAINING_AHEAD_MS;
}

static void add_task(const struct cli *cli, struct table *table, const struct betony_value *task, size_t trainings) {
    static const char *const keys[] = {"state", "due_on", "title", "detail"};
    char text[1200];
    for (size_t c = 0; c < sizeof keys / sizeof keys[0]; c++) {
        if (!show_task_cell(cli, task, keys[c], text, sizeof text))
            (void)snprintf(text, sizeof text, "%s", words_text(task, keys[c]));
        if (trainings > 1 && c == 2)
            (void)snprintf(text, sizeof text, "Renew training: %zu skills", trainings);
        if (trainings > 1 && c == 3)
            (void)snprintf(text, sizeof text, "the first is due then; all of them stand under CARERS");
        table_cell(table, text);
    }
    if (rank_of(task) == 0)
        table_strong(table);
}

void show_tasks(const struct cli *cli, FILE *out, const struct betony_value *tasks) {
    static const struct table_column columns[] = {
        {"state", false, false}, {"due on", false, false}, {"task", false, true}, {"detail", false, true}};
    size_t count = betony_value_count(tasks), trainings = 0;
    if (count == 0)
        return;
    const struct betony_value **sorted = calloc(count, sizeof(const struct betony_value *));
    if (!sorted)
        abort();
    for (size_t i = 0; i < count; i++) {
        sorted[i] = betony_value_at(tasks, i);
        trainings += is_far_training(cli, sorted[i]) ? 1 : 0;
    }
    qsort(sorted, count, sizeof(const struct betony_value *), compare);
    out_heading(cli, out, "TASKS");
    struct table *table = table_new(columns, sizeof columns / sizeof columns[0]);
    bool told = false;
    for (size_t i = 0; i < count; i++) {
        bool far = is_far_training(cli, sorted[i]);
        if (!far || !told)
            add_task(cli, table, sorted[i], far ? trainings : 0);
        told = told || far;
    }
    table_print(cli, out, table, 2);
    table_free(table);
    free(sorted);
}
