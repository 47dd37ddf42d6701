/*
 * doubles_test.c - two nurses wrote about one child: who looks like a child registered twice is told by `record`, by `patient`
 * and as a list, page by page; and of two edits of one field the history marks the one that lost.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <cmocka.h>

#include "serve_world.h"

#define CHILDREN 12
#define MINUTE_MS 60000

static char child_ids[CHILDREN][PROTO_ID_TEXT_BYTES + 1], registration_id[PROTO_ID_TEXT_BYTES + 1];

static void new_id(struct world *world, char out[PROTO_ID_TEXT_BYTES + 1]) {
    static struct proto_id_maker maker;
    struct proto_id id;
    uint8_t entropy[10];
    world_entropy(world, entropy, sizeof entropy);
    proto_id_make(&maker, world->now, entropy, &id);
    proto_id_format(&id, out);
}

static const char *text_of(const json_t *map, const char *key) {
    const char *text = json_string_value(json_object_get(map, key));
    return text ? text : "";
}

/* One event a minute later, or at `at`; `more` is the rest of the envelope. The answer is the caller's; the event's id in `id`. */
static json_t *record_at(struct world *world, int64_t at, const char *kind, int child, const char *body,
                         const char *more, char id[PROTO_ID_TEXT_BYTES + 1]) {
    char params[2048];
    world->now += MINUTE_MS;
    new_id(world, id);
    (void)snprintf(params, sizeof params,
                   "{\"events\":[{\"id\":\"%s\",\"kind\":\"%s\",\"at\":%lld,\"patient\":\"%s\"%s,\"body\":%s}]}", id,
                   kind, (long long)(at ? at : world->now), child_ids[child], more ? more : "", body);
    return world_result(world, "record", params);
}

static void record(struct world *world, const char *kind, int child, const char *body,
                   char id[PROTO_ID_TEXT_BYTES + 1]) {
    char own[PROTO_ID_TEXT_BYTES + 1];
    json_decref(record_at(world, 0, kind, child, body, NULL, id ? id : own));
}

/* A child of a team; `nhs`: its number there, or NULL. Gives how many notes came back. */
static size_t register_child(struct world *world, int child, const char *label, const char *born, const char *team,
                             const char *nhs) {
    char body[512], identifiers[128] = "";
    if (nhs)
        (void)snprintf(identifiers, sizeof identifiers, ",\"identifiers\":[{\"system\":\"nhs\",\"value\":\"%s\"}]",
                       nhs);
    (void)snprintf(body, sizeof body, "{\"label\":\"%s\",\"born\":\"%s\",\"zone\":\"Europe/London\",\"team\":\"%s\"%s}",
                   label, born, team, identifiers);
    new_id(world, child_ids[child]);
    json_t *answer = record_at(world, 0, "patient.registered", child, body, NULL, registration_id);
    size_t notes = json_array_size(json_object_get(answer, "notes"));
    json_decref(answer);
    return notes;
}

static json_t *page_of(struct world *world, int child, const char *more) {
    char params[768];
    (void)snprintf(params, sizeof params, "{\"patient\":\"%s\"%s}", child_ids[child], more);
    return world_result(world, "patient", params);
}

/* Why `child` is told of `other`; "" when it is not. */
static const char *why(struct world *world, int child, int other, char out[32]) {
    json_t *page = page_of(world, child, ""), *one;
    size_t i;
    out[0] = '\0';
    assert_true(json_is_array(json_object_get(page, "doubles")));
    json_array_foreach(json_object_get(page, "doubles"), i, one) {
        if (strcmp(text_of(one, "patient"), child_ids[other]) == 0)
            (void)snprintf(out, 32, "%s", text_of(one, "why"));
    }
    json_decref(page);
    return out;
}

/* ---- the list ---------------------------------------------------------------------------------------------------------------- */

/* All rows of `patients doubles=true`, `more` given too. */
static json_t *walk(struct world *world, const char *more, int limit) {
    char params[1024], after[512] = "";
    json_t *rows = json_array();
    for (int page = 0; page < 100; page++) {
        (void)snprintf(params, sizeof params, "{\"doubles\":true,\"limit\":%d%s%s%s%s}", limit, more,
                       *after ? ",\"after\":\"" : "", after, *after ? "\"" : "");
        json_t *result = world_result(world, "patients", params);
        assert_true(json_array_size(json_object_get(result, "rows")) <= (size_t)limit);
        (void)json_array_extend(rows, json_object_get(result, "rows"));
        (void)snprintf(after, sizeof after, "%s", text_of(result, "after"));
        json_decref(result);
        if (!*after)
            return rows;
    }
    fail_msg("the pages do not end");
    return rows;
}

/* The list names these children (by bit) and no other, each once, whatever the length of a page; its rows say what `patient` says. */
static void expect_list(struct world *world, const char *more, unsigned wanted) {
    json_t *whole = walk(world, more, 1000), *row;
    unsigned seen = 0;
    size_t i;
    json_array_foreach(whole, i, row) {
        int c = 0;
        while (c < CHILDREN && strcmp(text_of(row, "patient"), child_ids[c]) != 0)
            c++;
        assert_true(c < CHILDREN);
        assert_int_equal(seen >> c & 1, 0);
        seen |= 1u << c;
        json_t *page = page_of(world, c, "");
        assert_true(json_equal(json_object_get(page, "doubles"), json_object_get(row, "doubles")));
        assert_true(json_array_size(json_object_get(row, "doubles")) > 0);
        assert_string_equal(text_of(page, "label"), text_of(row, "label"));
        json_decref(page);
    }
    assert_int_equal(seen, wanted);
    for (int limit = 1; limit <= 4; limit++) {
        json_t *again = walk(world, more, limit);
        assert_true(json_equal(whole, again));
        json_decref(again);
    }
    json_decref(whole);
}

/* 9434765919: valid by modulus 11 (NHS Data Dictionary, as seen in the table of check values). */
static void test_doubles(void **state) {
    (void)state;
    struct world *world = world_new();
    char text[32], merge[PROTO_ID_TEXT_BYTES + 1], body[256];
    expect_list(world, "", 0);
    assert_int_equal(register_child(world, 0, "HM-0142", "2024-05-01", "north-shore", "9434765919"), 0);
    assert_int_equal(register_child(world, 1, "HM-0900", "2024-05-02", "mill-lane", "9434765919"), 1);
    assert_int_equal(register_child(world, 2, "hm-0142", "2024-05-01", "mill-lane", NULL), 1);
    assert_int_equal(register_child(world, 3, "HM-0142", "2024-05-02", "mill-lane", NULL), 0);
    assert_int_equal(register_child(world, 4, "HM-0500", "2024-05-01", "mill-lane", NULL), 0);
    assert_int_equal(register_child(world, 5, "HM 0500", "2024-05-01", "fell-side", NULL), 0);
    assert_int_equal(register_child(world, 6, "HM- 0500", "2024-05-01", "fell-side", "1"), 1);
    assert_int_equal(register_child(world, 7, "HM-0501", "2024-05-01", "fell-side", "94347659190"), 0);
    assert_string_equal(why(world, 0, 1, text), "identifier");
    assert_string_equal(why(world, 1, 0, text), "identifier");
    assert_string_equal(why(world, 0, 2, text), "born-and-label");
    assert_string_equal(why(world, 2, 0, text), "born-and-label");
    assert_string_equal(why(world, 2, 1, text), "");
    assert_string_equal(why(world, 4, 6, text), "born-and-label");
    expect_list(world, "", 0x57); /* 0, 1, 2, 4, 6 */
    expect_list(world, ",\"team\":\"mill-lane\"", 0x16);
    expect_list(world, ",\"find\":\"Hm-01\"", 0x05);
    expect_list(world, ",\"identifier\":\"9434765919\"", 0x03);
    expect_list(world, ",\"identifier\":\"nhs:9434765919\"", 0x03);
    expect_list(world, ",\"identifier\":\"nhs:1\"", 0x40);
    expect_list(world, ",\"identifier\":\"nhs:\"", 0);
    expect_list(world, ",\"level\":\"settled\"", 0x57);
    expect_list(world, ",\"level\":\"now\"", 0);
    /* Merged they are one; parted again they are two. */
    (void)snprintf(body, sizeof body, "{\"into\":\"%s\"}", child_ids[0]);
    record(world, "patient.merged", 1, body, merge);
    expect_list(world, "", 0x55);
    assert_string_equal(why(world, 0, 1, text), "");
    assert_string_equal(why(world, 1, 2, text), "born-and-label"); /* the two that are one now */
    (void)snprintf(body, sizeof body, "{\"event\":\"%s\",\"reason\":\"they are cousins\"}", merge);
    record(world, "event.withdrawn", 1, body, NULL);
    assert_string_equal(why(world, 0, 1, text), "identifier");
    /* A closed record is told, and that it is. */
    record(world, "patient.closed", 4, "{\"reason\":\"moved-away\"}", NULL);
    json_t *page = page_of(world, 6, "");
    json_t *one = json_array_get(json_object_get(page, "doubles"), 0);
    assert_string_equal(text_of(one, "label"), "HM-0500");
    assert_string_equal(text_of(one, "team"), "mill-lane");
    assert_true(json_is_true(json_object_get(one, "closed")));
    json_decref(page);
    expect_list(world, "", 0x57);
    /* How it stood then says nothing of what is like it now. */
    page = page_of(world, 0, ",\"at\":1772323500000");
    assert_null(json_object_get(page, "doubles"));
    json_decref(page);
    record(world, "patient.erased", 0, "{\"reason\":\"asked for\",\"approved_by\":\"Lead nurse\"}", NULL);
    expect_list(world, "", 0x50);
    world_free(world);
}

/* A child with several likenesses comes once, where the first stands; one number shared by many ends no page early. */
static void test_a_child_comes_once(void **state) {
    (void)state;
    struct world *world = world_new();
    for (int c = 0; c < 8; c++) {
        char label[16];
        (void)snprintf(label, sizeof label, "HM-%d", c / 2);
        (void)register_child(world, c, label, "2024-05-01", "north-shore", c < 6 ? "unknown" : NULL);
        if (c < 6)
            record(world, "patient.revised", c,
                   "{\"identifiers\":[{\"system\":\"a\",\"value\":\"1\"},{\"system\":\"nhs\",\"value\":\"unknown\"},"
                   "{\"system\":\"nhs\",\"value\":\"unknown\"}]}",
                   NULL);
    }
    expect_list(world, "", 0xff);
    json_t *page = page_of(world, 0, "");
    assert_int_equal(json_array_size(json_object_get(page, "doubles")), 5);
    json_decref(page);
    world_free(world);
}

/* Many who share one number: a page ends when enough was looked at, though its limit is not reached, and the next goes on. */
static void test_bounded_pages(void **state) {
    (void)state;
    enum { MANY = 300 };
    struct world *world = world_new();
    char params[1024], after[512] = "";
    size_t rows = 0, pages = 0, i;
    for (int c = 0; c < MANY; c++) {
        char label[16];
        (void)snprintf(label, sizeof label, "HM-%d", c);
        (void)register_child(world, 0, label, "2024-05-01", c % 2 ? "north-shore" : "mill-lane", "unknown");
    }
    do {
        (void)snprintf(params, sizeof params, "{\"doubles\":true,\"team\":\"mill-lane\",\"limit\":1000%s%s%s}",
                       *after ? ",\"after\":\"" : "", after, *after ? "\"" : "");
        json_t *result = world_result(world, "patients", params), *row;
        json_array_foreach(json_object_get(result, "rows"), i, row) {
            assert_string_equal(text_of(row, "team"), "mill-lane");
            assert_int_equal(json_array_size(json_object_get(row, "doubles")), 16);
        }
        rows += json_array_size(json_object_get(result, "rows"));
        (void)snprintf(after, sizeof after, "%s", text_of(result, "after"));
        json_decref(result);
        pages++;
    } while (*after);
    assert_int_equal(rows, MANY / 2);
    assert_true(pages > 1 && pages < 10);
    world_free(world);
}

static void test_tokens(void **state) {
    (void)state;
    struct world *world = world_new();
    char params[1024], code[32];
    (void)register_child(world, 0, "HM-1", "2024-05-01", "north-shore", "1");
    (void)register_child(world, 1, "HM-1", "2024-05-01", "north-shore", "1");
    json_t *result = world_result(world, "patients", "{\"doubles\":true,\"limit\":1}");
    assert_true(*text_of(result, "after"));
    (void)snprintf(params, sizeof params, "{\"limit\":1,\"after\":\"%s\"}", text_of(result, "after"));
    assert_string_equal(world_code(world, "patients", params, code), "bad-value"); /* of another list */
    assert_string_equal(world_code(world, "patients", "{\"doubles\":false}", code), "bad-value");
    json_decref(result);
    world_free(world);
}

/* ---- two edits of one field ------------------------------------------------------------------------------------------------------- */

/* The names in `outdone` of an event in the history, with blanks between; NULL when the event is not among the rows. */
static const char *outdone(const json_t *rows, const char *id, char out[256]) {
    size_t i, k, at = 0;
    json_t *row, *name;
    json_array_foreach(rows, i, row) {
        if (strcmp(text_of(row, "id"), id) != 0)
            continue;
        out[0] = '\0';
        json_array_foreach(json_object_get(row, "outdone"), k, name) {
            at += (size_t)snprintf(out + at, 256 - at, "%s%s", at ? " " : "", json_string_value(name));
        }
        assert_true((json_object_get(row, "outdone") != NULL) == (at > 0));
        return out;
    }
    return NULL;
}

static json_t *history(struct world *world, int child, const char *more, int limit) {
    char params[1024], after[512] = "";
    json_t *rows = json_array();
    for (int page = 0; page < 100; page++) {
        (void)snprintf(params, sizeof params, "{\"patient\":\"%s\",\"limit\":%d%s%s%s%s}", child_ids[child], limit,
                       more, *after ? ",\"after\":\"" : "", after, *after ? "\"" : "");
        json_t *result = world_result(world, "history", params);
        (void)json_array_extend(rows, json_object_get(result, "rows"));
        (void)snprintf(after, sizeof after, "%s", text_of(result, "after"));
        json_decref(result);
        if (!*after)
            return rows;
    }
    fail_msg("the pages do not end");
    return rows;
}

/* What an event is marked with, the same on pages of every length and among edits only. */
static void expect_outdone(struct world *world, int child, const char *id, const char *names) {
    static const char *const mores[] = {"", ",\"kinds\":[\"patient.registered\",\"patient.revised\"]",
                                        ",\"kinds\":[\"patient.revised\"]", ",\"kinds\":[\"patient.registered\"]"};
    bool found = false;
    for (size_t m = 0; m < sizeof mores / sizeof mores[0]; m++)
        for (int limit = 1; limit <= 6; limit++) {
            char text[256];
            json_t *rows = history(world, child, mores[m], limit);
            const char *got = outdone(rows, id, text);
            if (got && strcmp(got, names) != 0)
                fail_msg("pages of %d%s: outdone is \"%s\", not \"%s\"", limit, mores[m], got, names);
            found |= got != NULL;
            json_decref(rows);
        }
    assert_true(found);
}

static void test_edits(void **state) {
    (void)state;
    struct world *world = world_new();
    char first[PROTO_ID_TEXT_BYTES + 1], second[PROTO_ID_TEXT_BYTES + 1], third[PROTO_ID_TEXT_BYTES + 1],
        late[PROTO_ID_TEXT_BYTES + 1], slip[PROTO_ID_TEXT_BYTES + 1], body[256], more[128];
    (void)register_child(world, 0, "HM-1", "2024-05-01", "north-shore", NULL);
    record(world, "patient.revised", 0,
           "{\"address\":\"1 Quay "
           "Road\",\"active\":true,\"contacts\":[{\"role\":\"mother\",\"name\":\"A\",\"phone\":\"0\"}]}",
           first);
    int64_t between = world->now + 1;
    record(world, "patient.revised", 0, "{\"address\":\"2 Quay Road\",\"active\":true,\"access\":\"the back door\"}",
           second);
    expect_outdone(world, 0, first, "address");
    expect_outdone(world, 0, second, "");
    (void)snprintf(more, sizeof more, ",\"before\":%lld", (long long)between); /* the list begins below the later one */
    json_t *rows = history(world, 0, more, 1);
    assert_string_equal(outdone(rows, first, body), "address");
    assert_null(outdone(rows, second, body));
    json_decref(rows);
    /* Learnt late, of a moment between the two: it is outdone as soon as it is recorded, and outdoes the first. */
    json_decref(
        record_at(world, between, "patient.revised", 0,
                  "{\"address\":\"3 Quay Road\",\"contacts\":[{\"role\":\"mother\",\"name\":\"B\",\"phone\":\"0\"}]}",
                  NULL, late));
    expect_outdone(world, 0, late, "address");
    expect_outdone(world, 0, first, "address contacts");
    /* The same said again takes nothing away from who said it before. */
    record(world, "patient.revised", 0, "{\"address\":\"2 Quay Road\"}", third);
    expect_outdone(world, 0, third, "");
    expect_outdone(world, 0, second, "");
    expect_outdone(world, 0, late, "address");
    /* A slip that was withdrawn outdoes nothing and is not outdone. */
    record(world, "patient.revised", 0, "{\"access\":\"the window\"}", slip);
    expect_outdone(world, 0, second, "access");
    (void)snprintf(body, sizeof body, "{\"event\":\"%s\",\"reason\":\"a slip\"}", slip);
    record(world, "event.withdrawn", 0, body, NULL);
    expect_outdone(world, 0, second, "");
    expect_outdone(world, 0, slip, "");
    /* What was replaced does not count: its replacement does. */
    (void)snprintf(more, sizeof more, ",\"replaces\":\"%s\"", third);
    json_decref(record_at(world, 0, "patient.revised", 0, "{\"address\":\"1 Quay Road\"}", more, slip));
    expect_outdone(world, 0, third, "");
    expect_outdone(world, 0, second, "address");
    expect_outdone(world, 0, slip, "");
    /* The same once more and then another: both that said it are outdone. */
    record(world, "patient.revised", 0, "{\"address\":\"1 Quay Road\"}", late);
    expect_outdone(world, 0, slip, "");
    record(world, "patient.revised", 0, "{\"address\":\"4 Quay Road\"}", third);
    expect_outdone(world, 0, late, "address");
    expect_outdone(world, 0, slip, "address");
    expect_outdone(world, 0, first, "address contacts");
    world_free(world);
}

/* Up to five minutes ahead of the clock an event is taken; it outdoes nothing before its time. */
static void test_edits_that_wait(void **state) {
    (void)state;
    struct world *world = world_new();
    char now[PROTO_ID_TEXT_BYTES + 1], ahead[PROTO_ID_TEXT_BYTES + 1];
    (void)register_child(world, 0, "HM-1", "2024-05-01", "north-shore", NULL);
    record(world, "patient.revised", 0, "{\"address\":\"1 Quay Road\"}", now);
    json_decref(record_at(world, world->now + 3 * MINUTE_MS, "patient.revised", 0, "{\"address\":\"2 Quay Road\"}",
                          NULL, ahead));
    expect_outdone(world, 0, now, "");
    world->now += 3 * MINUTE_MS;
    work_tick(world->work);
    world_settle(world);
    expect_outdone(world, 0, now, "address");
    expect_outdone(world, 0, ahead, "");
    world_free(world);
}

/* Records of one child have each field once; but each keeps its own label and birth, and the child bears those of one of them. */
static void test_edits_of_merged_records(void **state) {
    (void)state;
    struct world *world = world_new();
    char one[PROTO_ID_TEXT_BYTES + 1], other[PROTO_ID_TEXT_BYTES + 1], label[PROTO_ID_TEXT_BYTES + 1], body[128],
        merge[PROTO_ID_TEXT_BYTES + 1], registered[PROTO_ID_TEXT_BYTES + 1];
    (void)register_child(world, 0, "HM-1", "2024-05-01", "north-shore", NULL);
    (void)snprintf(registered, sizeof registered, "%s", registration_id);
    record(world, "patient.revised", 0, "{\"address\":\"1 Quay Road\",\"label\":\"HM-10\"}", one);
    (void)register_child(world, 1, "HM-2", "2024-05-02", "north-shore", NULL);
    record(world, "patient.revised", 1, "{\"address\":\"2 Quay Road\",\"label\":\"HM-20\"}", other);
    expect_outdone(world, 0, one, "");
    expect_outdone(world, 0, registered, "label");
    (void)snprintf(body, sizeof body, "{\"into\":\"%s\"}", child_ids[0]);
    record(world, "patient.merged", 1, body, merge);
    expect_outdone(world, 0, one, "address");
    expect_outdone(world, 1, one, "address");
    expect_outdone(world, 1, other, "");
    json_t *page = page_of(world, 1, "");
    assert_string_equal(text_of(page, "label"), "HM-10"); /* so it was not outdone */
    assert_string_equal(text_of(json_object_get(page, "record"), "address"), "2 Quay Road");
    json_decref(page);
    record(world, "patient.revised", 0, "{\"label\":\"HM-11\"}", label);
    expect_outdone(world, 0, one, "label address");
    expect_outdone(world, 0, other, "");
    (void)snprintf(body, sizeof body, "{\"event\":\"%s\",\"reason\":\"they are cousins\"}", merge);
    record(world, "event.withdrawn", 1, body, NULL);
    expect_outdone(world, 0, one, "label");
    expect_outdone(world, 1, other, "");
    world_free(world);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_doubles),
                                       cmocka_unit_test(test_a_child_comes_once),
                                       cmocka_unit_test(test_bounded_pages),
                                       cmocka_unit_test(test_tokens),
                                       cmocka_unit_test(test_edits),
                                       cmocka_unit_test(test_edits_that_wait),
                                       cmocka_unit_test(test_edits_of_merged_records)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
