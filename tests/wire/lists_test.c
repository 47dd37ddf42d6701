/*
 * lists_test.c - the lists (due, alerts, tally, patients, devices, history) against the children's own statuses: the invented Harrowmere caseload is
 * recorded into a server in this process, every child's status is read, and each list must say the same, in its order, in one page or many, at
 * several moments.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "serve_world.h"

#include "proto/calendar.h"

#define DAY_MS 86400000LL

static struct world *world;
static size_t event_count, child_event_count, child_count;

static const char *text_of(const json_t *map, const char *key) {
    const char *text = json_string_value(json_object_get(map, key));
    return text ? text : "";
}

static int64_t number_of(const json_t *map, const char *key) {
    return json_integer_value(json_object_get(map, key));
}

/* ---- the caseload ------------------------------------------------------------------------------------------------ */

static void record(json_t *events) {
    json_t *params = json_pack("{s:o,s:s}", "events", events, "want", "none");
    char *text = json_dumps(params, JSON_COMPACT | JSON_REAL_PRECISION(15));
    json_decref(world_result(world, "record", text));
    free(text);
    json_decref(params);
}

/* The lines have times as people write them; the wire takes ms. */
static void times_to_ms(json_t *map) {
    const char *key;
    json_t *value;
    void *next;
    json_object_foreach_safe(map, next, key, value) {
        int64_t ms = 0;
        if (json_is_object(value))
            times_to_ms(value);
        const char *text = json_string_value(value);
        if (text && strlen(text) >= 20 && text[10] == 'T' &&
            proto_time_parse((struct proto_slice){text, (uint32_t)strlen(text)}, &ms) == PROTO_OK)
            (void)json_object_set_new(map, key, json_integer(ms));
    }
}

static int fill(void **state) {
    (void)state;
    char command[512], *line = NULL;
    size_t cap = 0;
    world = world_new();
    world->now = 1790000000000; /* 2026-09-21 */
    world_settle(world);
    json_decref(world_result(world, "hello", NULL));
    (void)snprintf(command, sizeof command, "%s/bin/harrowmere --now %lld", BETONY_BUILD_DIR, (long long)world->now);
    FILE *lines = popen(command, "re");
    assert_non_null(lines);
    json_t *events = json_array();
    while (getline(&line, &cap, lines) > 0) {
        json_t *event = json_loads(line, 0, NULL);
        assert_non_null(event);
        times_to_ms(event);
        event_count++;
        /* two records of one child are shown as one */
        child_count += strcmp(text_of(event, "kind"), "patient.registered") == 0;
        child_count -= strcmp(text_of(event, "kind"), "patient.merged") == 0;
        child_event_count += json_object_get(event, "patient") != NULL;
        (void)json_array_append_new(events, event);
        if (json_array_size(events) == 100) {
            record(events);
            events = json_array();
        }
    }
    record(events);
    free(line);
    assert_int_equal(pclose(lines), 0);
    assert_true(event_count > 1000 && child_count > 50);
    return 0;
}

static int empty(void **state) {
    (void)state;
    world_free(world);
    return 0;
}

/* ---- pages ----------------------------------------------------------------------------------------------------------- */

/* All rows of a list, page by page; `limit` 0: as many as a page has. `params` is the inside of a JSON object, or "". */
static json_t *all_rows(const char *method, const char *params, int limit) {
    json_t *rows = json_array();
    char *after = NULL;
    for (int page = 0;; page++) {
        char text[2048];
        assert_true(page < 5000);
        (void)snprintf(text, sizeof text, "{%s%s\"limit\":%d%s%s%s}", params, *params ? "," : "", limit ? limit : 1000,
                       after ? ",\"after\":\"" : "", after ? after : "", after ? "\"" : "");
        json_t *result = world_result(world, method, text);
        json_t *got = json_object_get(result, "rows");
        assert_true(json_array_size(got) <= (size_t)(limit ? limit : 1000));
        (void)json_array_extend(rows, got);
        free(after);
        after = json_object_get(result, "after") ? strdup(text_of(result, "after")) : NULL;
        json_decref(result);
        if (!after)
            return rows;
    }
}

/* The same rows whatever the page's length. */
static json_t *paged(const char *method, const char *params) {
    json_t *whole = all_rows(method, params, 0);
    const int limits[] = {1, 7, 100};
    for (size_t i = 0; i < sizeof limits / sizeof limits[0]; i++) {
        json_t *again = all_rows(method, params, limits[i]);
        if (!json_equal(whole, again))
            fail_msg("%s {%s} in pages of %d differs from the whole", method, params, limits[i]);
        json_decref(again);
    }
    return whole;
}

/* ---- what the statuses say ---------------------------------------------------------------------------------------------- */

static json_t *statuses(void) {
    json_t *patients = all_rows("patients", "", 0), *all = json_array();
    size_t i;
    json_t *row;
    json_array_foreach(patients, i, row) {
        char text[128];
        (void)snprintf(text, sizeof text, "{\"patient\":\"%s\"}", text_of(row, "patient"));
        json_t *status = world_result(world, "patient", text);
        assert_string_equal(text_of(status, "level"), text_of(row, "level"));
        assert_string_equal(text_of(status, "label"), text_of(row, "label"));
        assert_string_equal(text_of(status, "team"), text_of(row, "team"));
        (void)json_array_append_new(all, status);
    }
    json_decref(patients);
    return all;
}

static int by_text(const void *a, const void *b) {
    return strcmp(*(char *const *)a, *(char *const *)b);
}

/* A sorted set of lines, to compare two ways to the same rows. */
struct lines {
    char *list[4096];
    size_t count;
};

static void __attribute__((format(printf, 2, 3))) add_line(struct lines *lines, const char *format, ...) {
    va_list args;
    va_start(args, format);
    assert_true(lines->count < 4096);
    assert_true(vasprintf(&lines->list[lines->count++], format, args) >= 0);
    va_end(args);
}

static void expect_same(const char *what, struct lines *a, struct lines *b) {
    qsort(a->list, a->count, sizeof a->list[0], by_text);
    qsort(b->list, b->count, sizeof b->list[0], by_text);
    for (size_t i = 0; i < a->count || i < b->count; i++) {
        const char *x = i < a->count ? a->list[i] : "(nothing)", *y = i < b->count ? b->list[i] : "(nothing)";
        if (strcmp(x, y) != 0)
            fail_msg("%s, row %zu of %zu and %zu: the list says %s, the statuses say %s", what, i, a->count, b->count,
                     x, y);
    }
    for (size_t i = 0; i < a->count; i++) {
        free(a->list[i]);
        free(b->list[i]);
    }
    a->count = b->count = 0;
}

/* ---- the lists ------------------------------------------------------------------------------------------------------------ */

static void check_due(const json_t *all, const char *params, const char *states) {
    static struct lines listed, said;
    json_t *rows = paged("due", params), *row, *status, *task;
    size_t i, k;
    int64_t last = INT64_MIN;
    json_array_foreach(rows, i, row) {
        assert_true(number_of(row, "overdue_at") >= last);
        last = number_of(row, "overdue_at");
        add_line(&listed, "%s %s %s %s %s %s %lld", text_of(row, "label"), text_of(row, "stoma"), text_of(row, "task"),
                 text_of(row, "title"), text_of(row, "state"), text_of(row, "due_on"),
                 (long long)number_of(row, "due_at"));
    }
    json_array_foreach(all, i, status) json_array_foreach(json_object_get(status, "tasks"), k, task) {
        char word[16];
        (void)snprintf(word, sizeof word, " %s ", text_of(task, "state"));
        if (strstr(states, word))
            add_line(&said, "%s %s %s %s %s %s %lld", text_of(status, "label"), text_of(task, "stoma"),
                     text_of(task, "task"), text_of(task, "title"), text_of(task, "state"), text_of(task, "due_on"),
                     (long long)number_of(task, "due_at"));
    }
    expect_same(params, &listed, &said);
    json_decref(rows);
}

static int urgency_rank(const json_t *row) {
    return (int)proto_choice_find(
        "urgency", (struct proto_slice){text_of(row, "urgency"), (uint32_t)strlen(text_of(row, "urgency"))});
}

/* Nearest deadline first, those without last; those by urgency, then since. */
static void check_alert_order(const json_t *before, const json_t *row) {
    int64_t a = json_object_get(before, "deadline") ? number_of(before, "deadline") : INT64_MAX;
    int64_t b = json_object_get(row, "deadline") ? number_of(row, "deadline") : INT64_MAX;
    assert_true(a <= b);
    if (a != INT64_MAX || b != INT64_MAX)
        return;
    assert_true(urgency_rank(before) <= urgency_rank(row));
    if (urgency_rank(before) == urgency_rank(row))
        assert_true(number_of(before, "since") <= number_of(row, "since"));
}

static void check_alerts(const json_t *all, const char *params, const char *urgency, int answered) {
    static struct lines listed, said;
    json_t *rows = paged("alerts", params), *row, *status, *alert;
    size_t i, k;
    json_array_foreach(rows, i, row) {
        if (i)
            check_alert_order(json_array_get(rows, i - 1), row);
        add_line(&listed, "%s %s %s %s %lld %s", text_of(row, "label"), text_of(row, "stoma"), text_of(row, "name"),
                 text_of(row, "urgency"), (long long)number_of(row, "since"), text_of(row, "next_step"));
    }
    json_array_foreach(all, i, status) json_array_foreach(json_object_get(status, "alerts"), k, alert) {
        if (!strstr(urgency, text_of(alert, "urgency")))
            continue;
        if (answered >= 0 && answered != (json_object_get(alert, "answered_at") != NULL))
            continue;
        add_line(&said, "%s %s %s %s %lld %s", text_of(status, "label"), text_of(alert, "stoma"),
                 text_of(alert, "name"), text_of(alert, "urgency"), (long long)number_of(alert, "since"),
                 text_of(alert, "next_step"));
    }
    expect_same(params, &listed, &said);
    json_decref(rows);
}

static void check_tally(const json_t *all) {
    static struct lines listed, said;
    json_t *tally = world_result(world, "tally", NULL), *row, *status, *item, *counts;
    size_t i, k;
    const char *name, *state;
    json_array_foreach(json_object_get(tally, "rows"), i, row) {
        json_object_foreach(json_object_get(row, "tasks"), name, item) {
            json_t *number;
            json_object_foreach(item, state, number) for (json_int_t n = json_integer_value(number); n > 0; n--)
                add_line(&listed, "%s %s %s", text_of(row, "team"), name, state);
        }
        json_object_foreach(json_object_get(row, "alerts"), name,
                            counts) for (json_int_t n = json_integer_value(counts); n > 0; n--)
            add_line(&listed, "%s alert %s", text_of(row, "team"), name);
    }
    json_array_foreach(all, i, status) {
        json_array_foreach(json_object_get(status, "tasks"), k, item) {
            const char *task = text_of(item, "task");
            struct proto_slice slice = {task, (uint32_t)strlen(task)};
            add_line(&said, "%s %s %s", text_of(status, "team"), proto_task_find(slice) ? task : "added",
                     text_of(item, "state"));
        }
        json_array_foreach(json_object_get(status, "alerts"), k, item)
            add_line(&said, "%s alert %s", text_of(status, "team"), text_of(item, "urgency"));
    }
    expect_same("tally", &listed, &said);
    json_decref(tally);
}

static void check_levels(const json_t *all) {
    for (enum proto_level level = PROTO_LEVEL_NONE + 1; level < PROTO_LEVEL_COUNT; level++) {
        static struct lines listed, said;
        char params[64];
        json_t *row, *status;
        size_t i;
        (void)snprintf(params, sizeof params, "\"level\":\"%s\"", proto_level_name(level));
        json_t *rows = paged("patients", params);
        json_array_foreach(rows, i, row) add_line(&listed, "%s", text_of(row, "label"));
        json_array_foreach(all, i, status) {
            if (strcmp(text_of(status, "level"), proto_level_name(level)) == 0)
                add_line(&said, "%s", text_of(status, "label"));
        }
        expect_same(params, &listed, &said);
        json_decref(rows);
    }
}

static void check_all(void) {
    json_t *all = statuses();
    assert_int_equal(json_array_size(all), child_count);
    check_due(all, "", " due overdue ");
    check_due(all, "\"states\":[\"overdue\"]", " overdue ");
    check_due(all, "\"states\":[\"due\"]", " due ");
    check_due(all, "\"states\":[\"upcoming\"]", " upcoming ");
    check_due(all, "\"states\":[\"upcoming\",\"due\",\"overdue\"]", " upcoming due overdue ");
    check_alerts(all, "", "now today soon note", -1);
    check_alerts(all, "\"urgency\":[\"now\",\"today\"]", "now today", -1);
    check_alerts(all, "\"urgency\":[\"soon\"]", "soon", -1);
    check_tally(all);
    check_levels(all);
    json_decref(all);
}

static void test_now_and_later(void **state) {
    (void)state;
    static const int64_t steps[] = {0,      29 * 60000, 3600000,     7 * 3600000 + 13,
                                    DAY_MS, 9 * DAY_MS, 45 * DAY_MS, 400 * DAY_MS};
    int64_t began = world->now;
    for (size_t i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        world->now += steps[i];
        work_tick(world->work);
        world_settle(world);
        check_all();
    }
    world->now = began; /* a reader's moment: nothing stored has moved */
    check_all();
}

static void test_by_team(void **state) {
    (void)state;
    static const char *const teams[] = {"north-shore", "mill-lane", "fell-side"};
    json_t *whole = all_rows("due", "\"states\":[\"upcoming\",\"due\",\"overdue\"]", 0);
    size_t sum = 0, i;
    json_t *row;
    for (size_t t = 0; t < 3; t++) {
        char params[128];
        (void)snprintf(params, sizeof params, "\"teams\":[\"%s\"],\"states\":[\"upcoming\",\"due\",\"overdue\"]",
                       teams[t]);
        json_t *rows = paged("due", params);
        json_array_foreach(rows, i, row) assert_string_equal(text_of(row, "team"), teams[t]);
        sum += json_array_size(rows);
        json_decref(rows);
        (void)snprintf(params, sizeof params, "\"team\":\"%s\"", teams[t]);
        rows = paged("patients", params);
        json_array_foreach(rows, i, row) assert_string_equal(text_of(row, "team"), teams[t]);
        assert_true(json_array_size(rows) > 10);
        json_decref(rows);
    }
    assert_int_equal(sum, json_array_size(whole));
    json_decref(whole);
}

static void test_due_before(void **state) {
    (void)state;
    json_t *whole = all_rows("due", "\"states\":[\"upcoming\",\"due\",\"overdue\"]", 0), *row;
    for (int days = -20; days < 200; days += 11) {
        char params[128];
        size_t i, expected = 0;
        int64_t before = world->now + days * DAY_MS;
        (void)snprintf(params, sizeof params, "\"states\":[\"upcoming\",\"due\",\"overdue\"],\"before\":%lld",
                       (long long)before);
        json_t *rows = paged("due", params);
        json_array_foreach(rows, i, row) assert_true(number_of(row, "due_at") < before);
        json_array_foreach(whole, i, row) expected += number_of(row, "due_at") < before;
        assert_int_equal(json_array_size(rows), expected);
        json_decref(rows);
    }
    json_decref(whole);
}

static void test_find(void **state) {
    (void)state;
    json_t *all = paged("patients", ""), *row;
    size_t i;
    assert_int_equal(json_array_size(all), child_count);
    json_array_foreach(all, i, row) {
        char params[128];
        if (i)
            assert_true(strcmp(text_of(json_array_get(all, i - 1), "label"), text_of(row, "label")) <= 0);
        (void)snprintf(params, sizeof params, "\"find\":\"%s\"", text_of(row, "label"));
        json_t *rows = all_rows("patients", params, 0);
        assert_int_equal(json_array_size(rows), 1);
        assert_string_equal(text_of(json_array_get(rows, 0), "patient"), text_of(row, "patient"));
        json_decref(rows);
    }
    json_t *rows = paged("patients", "\"find\":\"hm-\"");
    assert_true(json_equal(rows, all));
    json_decref(rows);
    rows = paged("patients", "\"find\":\"nobody\"");
    assert_int_equal(json_array_size(rows), 0);
    json_decref(rows);
    json_decref(all);
}

/* Every event of every child is in one history, newest first. */
static void test_history(void **state) {
    (void)state;
    json_t *patients = all_rows("patients", "", 0), *row, *event;
    size_t i, k, seen = 0;
    json_array_foreach(patients, i, row) {
        char params[128];
        (void)snprintf(params, sizeof params, "\"patient\":\"%s\"", text_of(row, "patient"));
        json_t *rows = i < 5 ? paged("history", params) : all_rows("history", params, 50);
        json_array_foreach(rows, k, event) {
            if (k)
                assert_true(number_of(json_array_get(rows, k - 1), "at") >= number_of(event, "at"));
            assert_true(json_is_boolean(json_object_get(event, "withdrawn")));
            assert_true(number_of(event, "seq") > 0 && number_of(event, "received_at") > 0);
            assert_string_equal(text_of(event, "by"), "local");
        }
        seen += json_array_size(rows);
        json_decref(rows);
        (void)snprintf(params, sizeof params, "\"patient\":\"%s\",\"kinds\":[\"balloon.checked\"]",
                       text_of(row, "patient"));
        rows = paged("history", params);
        json_array_foreach(rows, k, event) assert_string_equal(text_of(event, "kind"), "balloon.checked");
        json_decref(rows);
    }
    assert_int_equal(seen, child_event_count);
    json_decref(patients);
}

static void test_devices(void **state) {
    (void)state;
    static struct lines listed, said;
    json_t *rows = paged("devices", ""), *all = statuses(), *row, *status, *stoma;
    size_t i, k;
    const char *last = "";
    json_array_foreach(rows, i, row) {
        add_line(&listed, "%s %s %s %s", text_of(row, "label"), text_of(row, "stoma"), text_of(row, "retention"),
                 text_of(row, "lot"));
        assert_true(strcmp(last, text_of(row, "change_due_on")) <= 0);
        last = text_of(row, "change_due_on");
    }
    json_array_foreach(all, i, status) json_array_foreach(json_object_get(status, "stomas"), k, stoma) {
        const json_t *device = json_object_get(stoma, "device");
        const char *is = text_of(stoma, "state");
        if (device && !json_object_get(status, "closed") && (strcmp(is, "in") == 0 || strcmp(is, "keep-open") == 0))
            add_line(&said, "%s %s %s %s", text_of(status, "label"), text_of(stoma, "stoma"),
                     text_of(device, "retention"), text_of(device, "lot"));
    }
    expect_same("devices", &listed, &said);
    json_array_foreach(rows, i, row) {
        char params[128];
        if (!json_object_get(row, "lot"))
            continue;
        (void)snprintf(params, sizeof params, "\"lot\":\"%s\"", text_of(row, "lot"));
        json_t *same = paged("devices", params), *one;
        bool found = false;
        json_array_foreach(same, k, one) {
            assert_string_equal(text_of(one, "lot"), text_of(row, "lot"));
            found = found || strcmp(text_of(one, "patient"), text_of(row, "patient")) == 0;
        }
        assert_true(found);
        json_decref(same);
    }
    json_decref(rows);
    rows = paged("devices", "\"retention\":\"bumper\"");
    json_array_foreach(rows, i, row) assert_string_equal(text_of(row, "retention"), "bumper");
    assert_true(json_array_size(rows) > 0);
    json_decref(rows);
    rows = paged("devices", "\"change_before\":\"2026-10-21\"");
    json_array_foreach(rows, i, row)
        assert_true(*text_of(row, "change_due_on") && strcmp(text_of(row, "change_due_on"), "2026-10-21") < 0);
    assert_true(json_array_size(rows) > 0);
    json_decref(rows);
    json_decref(all);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_now_and_later), cmocka_unit_test(test_by_team), cmocka_unit_test(test_due_before),
        cmocka_unit_test(test_find),          cmocka_unit_test(test_history), cmocka_unit_test(test_devices),
    };
    return cmocka_run_group_tests(tests, fill, empty);
}
