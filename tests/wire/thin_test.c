/*
 * thin_test.c - the thin thread through everything: a child is registered, gets a device, a balloon check is overdue, is recorded, and what follows
 * from it comes back; over the Unix socket and over loopback TCP, and again after a restart.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "care/care.h"
#include "support/wire.h"

#define DAY_MS 86400000LL

static const char *text_of(const json_t *map, const char *key) {
    const char *text = json_string_value(json_object_get(map, key));
    return text ? text : "";
}

static int64_t number_of(const json_t *map, const char *key) {
    return json_integer_value(json_object_get(map, key));
}

static const json_t *first_row(const json_t *result) {
    const json_t *row = json_array_get(json_object_get(result, "rows"), 0);
    assert_non_null(row);
    return row;
}

static size_t row_count(const json_t *result) {
    assert_true(json_is_array(json_object_get(result, "rows")));
    return json_array_size(json_object_get(result, "rows"));
}

static bool has_alert(const json_t *alerts, const char *name) {
    for (size_t i = 0; i < json_array_size(alerts); i++)
        if (strcmp(text_of(json_array_get(alerts, i), "name"), name) == 0)
            return true;
    return false;
}

static void register_child(struct wire_peer *peer, const char *child, const char *label, int64_t at) {
    json_decref(
        wire_callf(peer, "record",
                   "{\"events\":["
                   "{\"kind\":\"patient.registered\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"label\":\"%s\","
                   "\"born\":\"2022-04-05\","
                   "\"zone\":\"Europe/"
                   "London\",\"team\":\"mill-lane\",\"identifiers\":[{\"system\":\"local\",\"value\":\"%s-x\"}]}},"
                   "{\"kind\":\"stoma.formed\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"formed_on\":\"2024-01-10\","
                   "\"how\":\"surgical\"}},"
                   "{\"kind\":\"device.placed\",\"patient\":\"%s\",\"at\":%lld,\"body\":{\"retention\":\"balloon\","
                   "\"profile\":\"low\","
                   "\"tip\":\"stomach\",\"french_fr\":14,\"length_mm\":17,\"balloon_ml\":5,\"lot\":\"L77\",\"why\":"
                   "\"scheduled\",\"place\":\"home\","
                   "\"placed_by\":\"nurse\",\"position\":\"aspirate-ph\",\"ph\":4}}]}",
                   child, (long long)at, label, label, child, (long long)at, child, (long long)at));
}

/* Design of this test: at is 20 days back, so the weekly balloon check (weekly: common practice, no source) is overdue. */
static void thin_thread(struct wire_peer *peer, const char *label) {
    char child[40], check[40];
    int64_t now = wire_now_ms();
    (void)wire_id(child);
    json_t *hello = wire_call(peer, "hello", "{\"account\":\"nurse-a\",\"agent\":\"thin_test\"}");
    assert_int_equal(number_of(hello, "protocol"), 1);
    assert_true(llabs(number_of(hello, "now") - now) < 60000);
    assert_int_equal(strlen(text_of(hello, "node")), 36);
    json_decref(hello);
    register_child(peer, child, label, now - 20 * DAY_MS);

    json_t *due =
        wire_call(peer, "due", "{\"states\":[\"overdue\"],\"tasks\":[\"balloon-check\"],\"teams\":[\"mill-lane\"]}");
    bool found = false;
    for (size_t i = 0; i < row_count(due); i++) {
        const json_t *row = json_array_get(json_object_get(due, "rows"), i);
        if (strcmp(text_of(row, "patient"), child) != 0)
            continue;
        found = true;
        assert_string_equal(text_of(row, "label"), label);
        assert_string_equal(text_of(row, "team"), "mill-lane");
        assert_string_equal(text_of(row, "task"), "balloon-check");
        assert_string_equal(text_of(row, "state"), "overdue");
        assert_string_equal(text_of(row, "stoma"), "main");
        assert_true(number_of(row, "due_at") < number_of(row, "overdue_at"));
        assert_true(number_of(row, "overdue_at") <= now);
    }
    assert_true(found);
    json_decref(due);

    /* 4.0 of 5 mL came out: more than 0.5 mL is missing (SickKids Connected Care) */
    (void)wire_id(check);
    json_t *recorded = wire_callf(
        peer, "record",
        "{\"events\":[{\"id\":\"%s\",\"kind\":\"balloon.checked\",\"patient\":\"%s\",\"at\":%lld,\"source\":\"seen\","
        "\"body\":{\"withdrawn_ml\":4,\"filled_ml\":5,\"look\":\"clear\",\"fluid\":\"sterile-water\"}}]}",
        check, child, (long long)now);
    assert_int_equal(json_array_size(json_object_get(recorded, "seqs")), 1);
    assert_int_equal(json_array_size(json_object_get(recorded, "repeated")), 0);
    assert_true(has_alert(json_object_get(recorded, "opened"), "balloon-low"));
    json_decref(recorded);

    due = wire_callf(peer, "due", "{\"states\":[\"overdue\"],\"tasks\":[\"balloon-check\"]}");
    for (size_t i = 0; i < row_count(due); i++)
        assert_string_not_equal(text_of(json_array_get(json_object_get(due, "rows"), i), "patient"), child);
    json_decref(due);

    json_t *status = wire_callf(peer, "patient", "{\"patient\":\"%s\"}", child);
    assert_string_equal(text_of(status, "label"), label);
    assert_string_equal(text_of(status, "level"), "today");
    assert_true(has_alert(json_object_get(status, "alerts"), "balloon-low"));
    assert_true(number_of(status, "seq") >= 4);
    assert_int_equal(number_of(status, "rules_version"), CARE_RULES_VERSION);
    assert_true(strlen(text_of(status, "zone_data")) > 0);
    json_decref(status);
    /* as it stood a day ago */
    status = wire_callf(peer, "patient", "{\"patient\":\"%s\",\"at\":%lld}", child, (long long)(now - DAY_MS));
    assert_false(has_alert(json_object_get(status, "alerts"), "balloon-low"));
    assert_int_equal(number_of(status, "at"), now - DAY_MS);
    json_decref(status);

    json_t *history = wire_callf(peer, "history", "{\"patient\":\"%s\",\"limit\":2}", child);
    assert_int_equal(row_count(history), 2);
    const json_t *newest = first_row(history);
    assert_string_equal(text_of(newest, "id"), check);
    assert_string_equal(text_of(newest, "kind"), "balloon.checked");
    assert_string_equal(text_of(newest, "by"), "nurse-a");
    assert_true(json_is_false(json_object_get(newest, "withdrawn")));
    assert_true(llabs(number_of(newest, "received_at") - now) < 60000);
    char *after = strdup(text_of(history, "after"));
    assert_true(strlen(after) > 0);
    json_decref(history);
    history = wire_callf(peer, "history", "{\"patient\":\"%s\",\"limit\":20,\"after\":\"%s\"}", child, after);
    assert_int_equal(row_count(history), 2);
    assert_null(json_object_get(history, "after"));
    free(after);
    json_decref(history);

    json_t *found_rows = wire_callf(peer, "patients", "{\"find\":\"%s\"}", label);
    assert_int_equal(row_count(found_rows), 1);
    assert_string_equal(text_of(first_row(found_rows), "patient"), child);
    assert_string_equal(text_of(first_row(found_rows), "level"), "today");
    json_decref(found_rows);
    const char *shapes[] = {"%s-x", "local:%s-x"};
    for (int i = 0; i < 2; i++) {
        char identifier[100];
        (void)snprintf(identifier, sizeof identifier, i ? "local:%s-x" : "%s-x", label);
        found_rows = wire_callf(peer, "patients", "{\"identifier\":\"%s\"}", identifier);
        if (row_count(found_rows) != 1)
            fail_msg("%s finds %zu children", shapes[i], row_count(found_rows));
        json_decref(found_rows);
    }

    json_t *alerts =
        wire_call(peer, "alerts", "{\"names\":[\"balloon-low\"],\"urgency\":[\"today\"],\"answered\":false}");
    assert_true(row_count(alerts) >= 1);
    assert_true(strlen(text_of(first_row(alerts), "next_step")) > 10);
    json_decref(alerts);
    json_t *devices = wire_call(peer, "devices", "{\"lot\":\"L77\",\"retention\":\"balloon\"}");
    assert_true(row_count(devices) >= 1);
    assert_string_equal(text_of(first_row(devices), "lot"), "L77");
    json_decref(devices);
    json_t *tally = wire_call(peer, "tally", "{\"teams\":[\"mill-lane\"]}");
    assert_int_equal(row_count(tally), 1);
    assert_true(number_of(json_object_get(first_row(tally), "alerts"), "today") >= 1);
    json_decref(tally);
}

static void test_socket_tcp_and_restart(void **state) {
    (void)state;
    struct wire_daemon daemon = {0};
    struct wire_peer peer;
    wire_daemon_start(&daemon, NULL);
    assert_true(daemon.port != 0);
    wire_connect_socket(&peer, daemon.socket);
    thin_thread(&peer, "HM-0001");
    wire_close(&peer);
    wire_connect_tcp(&peer, daemon.port);
    thin_thread(&peer, "HM-0002");
    json_t *before = wire_call(&peer, "hello", NULL);
    wire_close(&peer);
    assert_int_equal(wire_daemon_stop(&daemon), 0);

    char out[512];
    const char *verify[] = {"verify", "--store", daemon.dir, NULL};
    assert_int_equal(wire_run(verify, out, sizeof out), 0);
    assert_non_null(strstr(out, "verified: 8 events, 2 children, "));

    wire_daemon_start(&daemon, NULL);
    wire_connect_socket(&peer, daemon.socket);
    json_t *after = wire_call(&peer, "hello", NULL);
    assert_int_equal(number_of(before, "seq"), 8);
    assert_int_equal(number_of(after, "seq"), 8);
    assert_string_equal(text_of(before, "node"), text_of(after, "node"));
    assert_string_equal(text_of(before, "log"), text_of(after, "log"));
    json_decref(before);
    json_decref(after);
    thin_thread(&peer, "HM-0003");
    wire_close(&peer);
    wire_daemon_end(&daemon);
}

static void test_about_the_server(void **state) {
    (void)state;
    struct wire_daemon daemon = {0};
    struct wire_peer peer;
    wire_daemon_start(&daemon, NULL);
    wire_connect_socket(&peer, daemon.socket);
    json_t *result = wire_call(&peer, "kinds", NULL);
    assert_true(json_object_size(result) > 0);
    json_decref(result);
    result = wire_call(&peer, "rules", NULL);
    assert_int_equal(row_count(result), PROTO_POLICY_COUNT - 1);
    for (size_t i = 0; i < row_count(result); i++) {
        const json_t *rule = json_array_get(json_object_get(result, "rows"), i);
        const char *needed[] = {"name", "value", "unit", "min", "max", "default", "basis", "help"};
        for (size_t k = 0; k < sizeof needed / sizeof needed[0]; k++)
            assert_non_null(json_object_get(rule, needed[k]));
        assert_true(json_number_value(json_object_get(rule, "value")) ==
                    json_number_value(json_object_get(rule, "default")));
        assert_null(json_object_get(rule, "adopted_at"));
    }
    json_decref(result);
    int64_t now = wire_now_ms();
    char child[40];
    register_child(&peer, wire_id(child), "HM-9", now - DAY_MS);
    json_decref(
        wire_callf(&peer, "record",
                   "{\"events\":[{\"kind\":\"policy.adopted\",\"at\":%lld,\"body\":{\"team\":\"mill-lane\",\"values\":"
                   "{\"balloon-loss-ml\":0.4},\"approved_by\":\"clinical lead\"}}]}",
                   (long long)now));
    result = wire_call(&peer, "rules", "{\"team\":\"mill-lane\"}");
    bool found = false;
    for (size_t i = 0; i < row_count(result); i++) {
        const json_t *rule = json_array_get(json_object_get(result, "rows"), i);
        if (strcmp(text_of(rule, "name"), "balloon-loss-ml") != 0)
            continue;
        found = true;
        assert_true(json_number_value(json_object_get(rule, "value")) == 0.4);
        assert_string_equal(text_of(rule, "approved_by"), "clinical lead");
        assert_int_equal(number_of(rule, "adopted_at"), now);
    }
    assert_true(found);
    json_decref(result);
    result = wire_call(&peer, "stats", NULL);
    assert_int_equal(number_of(json_object_get(result, "counters"), "events_recorded"), 4);
    assert_int_equal(number_of(json_object_get(result, "calls_by_method"), "rules"), 2);
    assert_int_equal(number_of(json_object_get(result, "gauges"), "peers"), 1);
    json_decref(result);
    wire_close(&peer);
    assert_int_equal(wire_daemon_stop(&daemon), 0);
    wire_daemon_end(&daemon);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_socket_tcp_and_restart),
        cmocka_unit_test(test_about_the_server),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
