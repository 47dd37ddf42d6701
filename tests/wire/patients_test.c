/*
 * patients_test.c - children found by an identifier, page by page, and devices found by their trade item number: nobody with
 * that number is left out.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <cmocka.h>

#include "serve_world.h"

#define CHILDREN 6

static char child_ids[CHILDREN][PROTO_ID_TEXT_BYTES + 1];

static void new_id(struct world *world, char out[PROTO_ID_TEXT_BYTES + 1]) {
    static struct proto_id_maker maker;
    struct proto_id id;
    uint8_t entropy[10];
    world_entropy(world, entropy, sizeof entropy);
    proto_id_make(&maker, world->now, entropy, &id);
    proto_id_format(&id, out);
}

/* One event; its id is `id` when that is not NULL. */
static void record(struct world *world, const char *id, const char *kind, int child, const char *body) {
    char params[1024], own[PROTO_ID_TEXT_BYTES + 1];
    if (!id)
        new_id(world, own);
    (void)snprintf(params, sizeof params,
                   "{\"events\":[{\"id\":\"%s\",\"kind\":\"%s\",\"at\":%lld,\"patient\":\"%s\",\"body\":%s}]}",
                   id ? id : own, kind, (long long)world->now, child_ids[child], body);
    json_decref(world_result(world, "record", params));
    world->now += 1000;
}

static void register_child(struct world *world, int child, const char *id, const char *identifiers) {
    char body[512];
    (void)snprintf(
        body, sizeof body,
        "{\"label\":\"HM-000%d\",\"born\":\"2024-05-01\",\"zone\":\"Europe/London\",\"team\":\"north-shore\","
        "\"identifiers\":%s}",
        child, identifiers);
    new_id(world, child_ids[child]);
    record(world, id, "patient.registered", child, body);
}

/* Walks the pages of `patients identifier=`: how often each child came, in all how many. */
static int walk(struct world *world, const char *identifier, int limit, int times[CHILDREN]) {
    char params[1024], after[512] = "";
    int rows = 0;
    memset(times, 0, CHILDREN * sizeof times[0]);
    for (int page = 0; page < 50; page++) {
        (void)snprintf(params, sizeof params, "{\"identifier\":\"%s\",\"limit\":%d%s%s%s}", identifier, limit,
                       *after ? ",\"after\":\"" : "", after, *after ? "\"" : "");
        json_t *result = world_result(world, "patients", params), *row;
        const char *next = json_string_value(json_object_get(result, "after"));
        size_t i;
        json_array_foreach(json_object_get(result, "rows"), i, row) {
            for (int c = 0; c < CHILDREN; c++)
                times[c] += strcmp(json_string_value(json_object_get(row, "patient")), child_ids[c]) == 0;
            rows++;
        }
        (void)snprintf(after, sizeof after, "%s", next ? next : "");
        json_decref(result);
        if (!*after)
            return rows;
    }
    fail_msg("the pages do not end");
    return rows;
}

/* 9434765919: valid by modulus 11 (NHS Data Dictionary, as seen in the table of check values). */
static void test_identifier_page_by_page(void **state) {
    (void)state;
    struct world *world = world_new();
    char registration[PROTO_ID_TEXT_BYTES + 1], body[256];
    new_id(world, registration);
    register_child(world, 0, NULL, "[{\"system\":\"nhs\",\"value\":\"9434765919\"}]");
    register_child(world, 1, registration, "[]");
    record(world, NULL, "patient.revised", 1, "{\"identifiers\":[{\"system\":\"nhs\",\"value\":\"9434765919\"}]}");
    register_child(world, 2, NULL, "[{\"system\":\"nhs\",\"value\":\"9434765919\"}]");
    register_child(world, 3, NULL, "[{\"system\":\"ward\",\"value\":\"9434765919\"}]");
    register_child(world, 4, NULL, "[{\"system\":\"a\",\"value\":\"nhs:9434765919\"}]");
    register_child(world, 5, NULL, "[{\"system\":\"nhs\",\"value\":\"94347659190\"}]");
    int times[CHILDREN];
    for (int withdrawn = 0; withdrawn < 2; withdrawn++) {
        for (int limit = 1; limit <= 5; limit++) {
            static const int by_value[CHILDREN] = {1, 1, 1, 1, 0, 0}, by_both[CHILDREN] = {1, 1, 1, 0, 1, 0};
            assert_int_equal(walk(world, "9434765919", limit, times), 4);
            assert_memory_equal(times, by_value, sizeof by_value);
            assert_int_equal(walk(world, "nhs:9434765919", limit, times), 4);
            assert_memory_equal(times, by_both, sizeof by_both);
            assert_int_equal(walk(world, "nhs:", limit, times), 0);
        }
        /* A child in no team, since its registration was a slip: it is still somebody's record. */
        (void)snprintf(body, sizeof body, "{\"event\":\"%s\",\"reason\":\"a slip\"}", registration);
        if (!withdrawn)
            record(world, NULL, "event.withdrawn", 1, body);
    }
    world_free(world);
}

/* 6291041500213: GS1 check digit pages, 629104150021 -> 3; of fourteen digits with a zero before it. */
static void test_trade_item_numbers(void **state) {
    (void)state;
    struct world *world = world_new();
    static const char *const numbers[] = {"6291041500213", "06291041500213", "7300011000017"};
    for (int i = 0; i < 3; i++) {
        char body[512];
        (void)snprintf(body, sizeof body,
                       "{\"retention\":\"balloon\",\"profile\":\"low\",\"tip\":\"stomach\",\"french_fr\":14,"
                       "\"balloon_ml\":5,\"gtin\":\"%s\",\"why\":\"first\",\"place\":\"hospital\","
                       "\"placed_by\":\"surgeon\"}",
                       numbers[i]);
        register_child(world, i, NULL, "[]");
        record(world, NULL, "device.placed", i, body);
    }
    static const int found[] = {2, 2, 1};
    for (int i = 0; i < 3; i++) {
        char params[64];
        (void)snprintf(params, sizeof params, "{\"gtin\":\"%s\"}", numbers[i]);
        json_t *result = world_result(world, "devices", params);
        assert_int_equal(json_array_size(json_object_get(result, "rows")), found[i]);
        json_decref(result);
    }
    world_free(world);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_identifier_page_by_page),
                                       cmocka_unit_test(test_trade_item_numbers)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
