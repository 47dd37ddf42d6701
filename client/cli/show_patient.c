/*
 * show_patient.c - one child's page: what to do if the device comes out first, then what is open, then the rest.
 *
 * What always holds: the child's own emergency plan stands before everything the rules say.
 */
#include "cli.h"

#include <string.h>

static const char *text_of(const struct betony_value *map, const char *key) {
    return betony_value_text(betony_value_get(map, key), "");
}

/* "  label    text", folded. */
static void pair(const struct cli *cli, FILE *out, const char *label, const char *text) {
    if (!text[0])
        return;
    (void)fprintf(out, "  %-13s", label);
    out_folded(cli, out, 15, text);
}

static void pair_value(const struct cli *cli, FILE *out, const char *label, const struct betony_value *map,
                       const char *key) {
    char text[2100];
    words_value(key, betony_value_get(map, key), text, sizeof text);
    pair(cli, out, label, text);
}

static void show_head(const struct cli *cli, FILE *out, const struct betony_value *status) {
    char at[32], zone[48], line[300];
    words_time(betony_value_int(betony_value_get(status, "at"), cli->now_ms), at);
    words_zone(cli->now_ms, zone);
    (void)snprintf(line, sizeof line, "%s  %s  level %s%s", text_of(status, "label"), text_of(status, "team"),
                   text_of(status, "level"), betony_value_get(status, "closed") ? "  CLOSED" : "");
    out_strong(cli, out, line);
    (void)fprintf(out, "\nas of %s %s, record ", at, zone);
    out_text(out, text_of(status, "patient"));
    (void)fputc('\n', out);
}

/* Texts of a list, numbered. */
static void show_steps(const struct cli *cli, FILE *out, const struct betony_value *steps) {
    for (size_t i = 0; i < betony_value_count(steps); i++) {
        char number[24];
        (void)snprintf(number, sizeof number, "%zu.", i + 1);
        pair(cli, out, number, betony_value_text(betony_value_at(steps, i), ""));
    }
    if (betony_value_type(steps) == BETONY_TEXT)
        pair(cli, out, "steps", betony_value_text(steps, ""));
}

static void show_emergency(const struct cli *cli, FILE *out, const struct betony_value *status) {
    const struct betony_value *emergency = betony_value_get(status, "emergency");
    const struct betony_value *plan = betony_value_get(emergency, "plan");
    const struct betony_value *home = betony_value_get(status, "home_change");
    out_heading(cli, out, "IF THE DEVICE COMES OUT");
    if (betony_value_type(plan) == BETONY_MAP) {
        pair_value(cli, out, "own plan", plan, "steps");
        pair_value(cli, out, "applies", plan, "when");
        pair_value(cli, out, "hospital", plan, "hospital");
        pair_value(cli, out, "phone", plan, "phone");
        pair_value(cli, out, "prescriber", plan, "prescriber");
        pair_value(cli, out, "review by", plan, "review_by");
    } else if (betony_value_type(plan) == BETONY_TEXT) {
        pair(cli, out, "own plan", betony_value_text(plan, ""));
    } else {
        pair(cli, out, "own plan", "none on record");
    }
    show_steps(cli, out, betony_value_get(emergency, "steps"));
    char reasons[600], text[640];
    words_value("reasons", betony_value_get(home, "reasons"), reasons, sizeof reasons);
    bool allowed = betony_value_bool(betony_value_get(home, "allowed"), false);
    (void)snprintf(text, sizeof text, "%s%s%s", allowed ? "allowed" : "not allowed", reasons[0] ? ": " : "", reasons);
    pair(cli, out, "home change", text);
}

/* --- stomas -------------------------------------------------------------------------------------------------------------------- */

static void show_device(const struct cli *cli, FILE *out, const struct betony_value *device) {
    static const char *const told[] = {"retention", "profile", "tip", "change_due_on", "change_by_on", NULL};
    char text[1000], kind[200];
    (void)snprintf(kind, sizeof kind, "%s, %s profile, tip in the %s", text_of(device, "retention"),
                   text_of(device, "profile"), text_of(device, "tip"));
    pair(cli, out, "device", kind);
    words_map(device, told, text, sizeof text);
    pair(cli, out, "", text);
    if (text_of(device, "change_due_on")[0]) {
        (void)snprintf(text, sizeof text, "due %s, at the latest %s", text_of(device, "change_due_on"),
                       text_of(device, "change_by_on"));
        pair(cli, out, "change", text);
    }
}

static const char *device_words(const char *state) {
    static const char *const words[][2] = {{"in", "device in place"},
                                           {"out", "DEVICE OUT"},
                                           {"none", "no device"},
                                           {"keep-open", "kept open, not for feeding"}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(state, words[i][0]) == 0)
            return words[i][1];
    return state;
}

static void show_stoma(const struct cli *cli, FILE *out, const struct betony_value *stoma) {
    static const char *const told[] = {"stoma", "device", "state", NULL};
    char text[600], head[64];
    (void)snprintf(head, sizeof head, "STOMA %s: %s", text_of(stoma, "stoma"), device_words(text_of(stoma, "state")));
    out_heading(cli, out, head);
    words_map(stoma, told, text, sizeof text);
    pair(cli, out, "stoma", text);
    if (betony_value_get(stoma, "device"))
        show_device(cli, out, betony_value_get(stoma, "device"));
}

/* --- lists ---------------------------------------------------------------------------------------------------------------------- */

/* "why; until when; by whom; last findings": what of it is there. */
static void task_detail(const struct betony_value *task, char *out, size_t size) {
    static const struct {
        const char *key, *before;
    } parts[] = {{"why", ""}, {"deferred_until", "until "}, {"given_to", "given to "}, {"detail", ""}};
    size_t at = 0;
    out[0] = '\0';
    for (size_t i = 0; i < sizeof parts / sizeof parts[0]; i++) {
        const char *text = text_of(task, parts[i].key);
        if (!text[0])
            continue;
        int put = snprintf(out + at, size - at, "%s%s%s", at ? "; " : "", parts[i].before, text);
        if (put < 0 || (size_t)put >= size - at)
            return;
        at += (size_t)put;
    }
}

static void show_tasks(const struct cli *cli, FILE *out, const struct betony_value *tasks) {
    static const struct table_column columns[] = {{"state", false, false},     {"due on", false, false},
                                                  {"task", false, true},       {"stoma", false, false},
                                                  {"last done", false, false}, {"detail", false, true}};
    if (betony_value_count(tasks) == 0)
        return;
    out_heading(cli, out, "TASKS");
    struct table *table = table_new(columns, sizeof columns / sizeof columns[0]);
    for (size_t i = 0; i < betony_value_count(tasks); i++) {
        const struct betony_value *task = betony_value_at(tasks, i);
        char last[32] = "", rest[900];
        int64_t done = betony_value_int(betony_value_get(task, "last_done_at"), 0);
        if (done)
            words_time(done, last);
        task_detail(task, rest, sizeof rest);
        table_cell(table, text_of(task, "state"));
        table_cell(table, text_of(task, "due_on"));
        table_cell(table, text_of(task, "title")[0] ? text_of(task, "title") : text_of(task, "task"));
        table_cell(table, text_of(task, "stoma"));
        table_cell(table, last);
        table_cell(table, rest);
        if (strcmp(text_of(task, "state"), "overdue") == 0)
            table_strong(table);
    }
    table_print(cli, out, table, 2);
    table_free(table);
}

static void show_alerts(const struct cli *cli, FILE *out, const struct betony_value *alerts, int64_t now_ms) {
    char head[40];
    size_t count = betony_value_count(alerts);
    (void)snprintf(head, sizeof head, count ? "OPEN ALERTS (%zu)" : "NO OPEN ALERTS", count);
    out_heading(cli, out, head);
    for (size_t i = 0; i < count; i++)
        show_alert(cli, out, betony_value_at(alerts, i), now_ms, false);
}

/* What has no layout of its own: a line for each entry. */
static void show_section(const struct cli *cli, FILE *out, const char *heading, const struct betony_value *section) {
    if (betony_value_count(section) == 0)
        return;
    out_heading(cli, out, heading);
    show_value(cli, out, section, 2);
}

void show_patient(const struct cli *cli, FILE *out, const struct betony_value *status) {
    static const struct {
        const char *key, *heading;
    } sections[] = {{"plan", "THE CHILD'S PLAN"}, {"record", "RECORD"}, {"ended", "ENDED IN THE LAST DAYS"}};
    int64_t now_ms = betony_value_int(betony_value_get(status, "at"), cli->now_ms);
    show_head(cli, out, status);
    show_emergency(cli, out, status);
    show_alerts(cli, out, betony_value_get(status, "alerts"), now_ms);
    const struct betony_value *stomas = betony_value_get(status, "stomas");
    for (size_t i = 0; i < betony_value_count(stomas); i++)
        show_stoma(cli, out, betony_value_at(stomas, i));
    show_tasks(cli, out, betony_value_get(status, "tasks"));
    show_forecast(cli, out, betony_value_get(status, "forecast"));
    show_spares(cli, out, betony_value_get(status, "spare"));
    show_carers(cli, out, betony_value_get(status, "carers"));
    show_trend(cli, out, betony_value_get(status, "trend"));
    for (size_t i = 0; i < sizeof sections / sizeof sections[0]; i++)
        show_section(cli, out, sections[i].heading, betony_value_get(status, sections[i].key));
    out_caution(cli, out);
}
