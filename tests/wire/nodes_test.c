/*
 * nodes_test.c - what people and followers see of a node's own entries: who left, what was refused, what went on under another
 * id; the upstream's state; and the memory of nodes. One process, virtual time; the pages that its upstream would send are made
 * by hand.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <cmocka.h>

#include "serve_world.h"

#define A "017f22e2-79b0-7cc3-98c4-dc0c0c073990"
#define B "017f22e2-79b0-7cc3-98c4-dc0c0c073991"
#define NODE "017f22e2-79b0-7cc3-98c4-dc0c0c0739a0"
#define AT "1772323100000"
#define REGISTERED(id, label, team)                                                                                    \
    "{\"kind\":\"patient.registered\",\"patient\":\"" id "\",\"at\":" AT ",\"body\":{\"label\":\"" label               \
    "\",\"born\":\"2020-01-05\",\"zone\":\"Europe/London\",\"team\":\"" team "\"}}"
#define NOTE(event, child, text)                                                                                       \
    "{\"id\":\"017f22e2-79b0-7cc3-98c4-dc0c0c0700" event "\",\"kind\":\"note.written\",\"patient\":\"" child           \
    "\",\"at\":" AT ",\"body\":{\"text\":\"" text "\"}}"
#define EVENT_ID(event) "017f22e2-79b0-7cc3-98c4-dc0c0c0700" event

static struct proto_id id_of(const char *text) {
    struct proto_id id;
    assert_int_equal(proto_id_parse((struct proto_slice){text, (uint32_t)strlen(text)}, &id), PROTO_OK);
    return id;
}

static void record(struct world *world, const char *events) {
    char *params = malloc(strlen(events) + 64);
    assert_non_null(params);
    (void)sprintf(params, "{\"events\":[%s],\"want\":\"none\"}", events);
    json_decref(world_result(world, "record", params));
    free(params);
}

/* seq 1: A of north, 2: B of south, 3: a note on A, 4 and 5: two on B, 6: one on A */
static struct world *two_children(void) {
    struct world *world = world_new();
    record(world, REGISTERED(A, "N-1", "north") "," REGISTERED(B, "N-2", "south"));
    record(world, NOTE("03", A, "three") "," NOTE("04", B, "four") "," NOTE("05", B, "five") "," NOTE("06", A, "six"));
    return world;
}

/* ---- what an upstream's page does --------------------------------------------------------------------------- */

static void on_page(void *arg, struct work_call *call) {
    enum proto_error *code = arg;
    *code = work_call_fault(call)->code;
    work_call_free(call);
}

static struct work_call *page_new(struct world *world) {
    struct work_sync_from from = {.pushed_seq = UINT64_MAX >> 1};
    struct work_call *call = work_sync_new(world->work, WORK_SYNC_PAGE, &from);
    assert_non_null(call);
    return call;
}

static void page_apply(struct world *world, struct work_call *call) {
    enum proto_error code = PROTO_INTERNAL;
    work_submit(world->work, call, on_page, &code);
    world_settle(world);
    assert_int_equal(code, PROTO_OK);
}

static void leave(struct world *world, const char *record_id) {
    struct work_call *call = page_new(world);
    struct proto_id id = id_of(record_id);
    work_sync_leave(call, &id);
    page_apply(world, call);
}

static void refuse(struct world *world, uint64_t seq, const char *message) {
    struct work_call *call = page_new(world);
    work_sync_refuse(call, seq, PROTO_NOT_ALLOWED, message, false);
    page_apply(world, call);
}

/* ---- followers ------------------------------------------------------------------------------------------------- */

/* What was notified since, as one word for each change: the text of an event, or a mark and the last digits of its records. */
static void changes(struct world *world, char out[256]) {
    size_t at = 0, size = 0;
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    out[0] = '\0';
    while (at < world->said_size &&
           msgpack_unpack_next(&unpacked, (const char *)world->said, world->said_size, &at) == MSGPACK_UNPACK_SUCCESS) {
        json_t *message = wire_read_json(&unpacked.data), *change = json_array_get(json_array_get(message, 2), 0);
        const char *mark = json_string_value(json_object_get(change, "mark"));
        const json_t *event = json_object_get(change, "event"), *body = json_object_get(event, "body");
        const char *text = json_string_value(json_object_get(body, "text"));
        if (json_integer_value(json_array_get(message, 0)) == 2 && (mark || event))
            size += (size_t)snprintf(out + size, 256 - size, "%s%s", size ? " " : "", mark ? mark : text ? text : "-");
        size_t i;
        json_t *id;
        json_array_foreach(json_object_get(change, "patients"), i, id) {
            size += (size_t)snprintf(out + size, 256 - size, ":%s", json_string_value(id) + 34);
        }
        assert_true(json_object_get(change, "ended") == NULL);
        json_decref(message);
    }
    msgpack_unpacked_destroy(&unpacked);
    world->said_size = 0;
}

static void expect_changes(struct world *world, const char *expected) {
    char got[256];
    world_settle(world);
    changes(world, got);
    assert_string_equal(got, expected);
}

static void news(struct world *world) {
    serve_news(world->serve);
    world_settle(world);
}

static void test_followers_of_all(void **state) {
    (void)state;
    struct world *world = two_children();
    leave(world, B);
    record(world, NOTE("07", A, "seven"));
    (void)world_ask(world, "follow", "{\"all\":true}");
    expect_changes(world, "- three six left:91 seven"); /* nothing of the child that left, but that it did */
    refuse(world, 6, "Not here.");
    (void)world_ask(world, "record", "{\"events\":[" NOTE("08", A, "eight") "]}");
    news(world);
    expect_changes(world, "scanned-to eight"); /* this node's own entry is no event */
    leave(world, A);
    news(world);
    expect_changes(world, "left:90");
    json_decref(world_result(world, "unfollow", NULL));
    (void)world_ask(world, "follow", "{\"all\":true,\"what\":[\"events\",\"statuses\"]}");
    expect_changes(world, "left:91 left:90");
    world_free(world);
}

static void test_followers_of_a_team(void **state) {
    (void)state;
    struct world *world = two_children();
    (void)world_ask(world, "follow", "{\"teams\":[\"south\"],\"all\":true}");
    expect_changes(world, "- four five scanned-to");
    leave(world, B);
    world->now += 2000;
    news(world);
    expect_changes(world, "left:91");
    (void)world_ask(world, "record", "{\"events\":[" NOTE("07", A, "seven") "]}");
    world->now += 2000;
    news(world);
    expect_changes(world, "scanned-to");
    world_free(world);
}

/* ---- pages of those below --------------------------------------------------------------------------------------- */

#define HELLO(scope)                                                                                                   \
    "{\"node\":\"" NODE "\",\"agent\":\"below\"," scope ",\"place\":{\"log\":\"" NODE                                  \
    "\",\"seq\":7,\"chain\":\"00000000000000000000000000000000000000000000000000000000000000ff\"}}"

/* The page after `after` (NULL: from the beginning): how many events, the ids of `left`, and its cursor as text. */
static json_t *fetch(struct world *world, json_t *after, size_t events, const char *left) {
    char *cursor = after ? json_dumps(after, 0) : NULL;
    char params[400];
    (void)snprintf(params, sizeof params, cursor ? "{\"after\":%s}" : "{}", cursor);
    json_t *page = world_result(world, "fetch", params);
    assert_int_equal(json_array_size(json_object_get(page, "events")), events);
    json_t *gone = json_object_get(page, "left");
    assert_int_equal(json_array_size(gone), left ? 1 : 0);
    if (left)
        assert_string_equal(json_string_value(json_array_get(gone, 0)), left);
    json_t *place = json_incref(json_object_get(page, "cursor"));
    json_decref(page);
    json_decref(after);
    free(cursor);
    return place;
}

/* What this node let go, those that have it as their upstream let go as well; its refusals are nobody else's business. */
static void test_pages_of_a_node_in_between(void **state) {
    (void)state;
    static const char *const scopes[] = {HELLO("\"all_teams\":true"), HELLO("\"teams\":[\"north\",\"south\"]")};
    for (size_t i = 0; i < 2; i++) {
        struct world *world = two_children();
        json_decref(world_result(world, "hello", scopes[i]));
        json_t *cursor = fetch(world, NULL, 6, NULL);
        refuse(world, 6, "Not here.");
        leave(world, B);
        cursor = fetch(world, cursor, 0, B);
        json_decref(fetch(world, cursor, 0, NULL));
        cursor = fetch(world, NULL, 2, B); /* from the beginning: without what is not here any more */
        json_decref(cursor);
        world_free(world);
    }
}

static void test_memory_of_nodes(void **state) {
    (void)state;
    struct world *world = two_children();
    json_t *result = world_result(world, "hello", HELLO("\"teams\":[\"south\"]"));
    assert_null(json_object_get(result, "known"));
    json_decref(result);
    result = world_result(world, "nodes", NULL); /* said hello, and asked nothing yet */
    assert_int_equal(json_array_size(json_object_get(result, "rows")), 0);
    json_decref(result);
    json_decref(fetch(world, fetch(world, NULL, 3, NULL), 0, NULL));
    world->now += 1000;
    for (int turn = 0; turn < 3; turn++) { /* connected, gone, and after another start of the server */
        result = world_result(world, "nodes", NULL);
        const json_t *row = json_array_get(json_object_get(result, "rows"), 0);
        assert_int_equal(json_array_size(json_object_get(result, "rows")), 1);
        assert_string_equal(json_string_value(json_object_get(row, "node")), NODE);
        assert_string_equal(json_string_value(json_object_get(row, "agent")), "below");
        assert_int_equal(json_integer_value(json_object_get(row, "known")), 7);
        assert_int_equal(json_integer_value(json_object_get(row, "connections")), turn == 0);
        assert_int_equal(json_integer_value(json_object_get(row, "last_contact")), world->now - 1000);
        assert_int_equal(json_integer_value(json_object_get(row, "seq")), 6);
        assert_int_equal(json_integer_value(json_object_get(row, "behind")), 0);
        json_decref(result);
        world_hang_up(world);
        world_settle(world);
        if (turn == 1) {
            world_close_work(world);
            world_open_work(world);
        }
    }
    result = world_result(world, "hello", HELLO("\"teams\":[\"south\"]"));
    assert_int_equal(json_integer_value(json_object_get(json_object_get(result, "known"), "seq")), 7);
    json_decref(result);
    world_free(world);
}

/* A node that comes and goes, and only pulls, is written down once; the log does not grow by its polling. */
static void test_polling_writes_nothing(void **state) {
    (void)state;
    struct world *world = two_children();
    struct store_counts before, after;
    json_decref(world_result(world, "hello", HELLO("\"teams\":[\"north\"]")));
    json_t *cursor = fetch(world, NULL, 3, NULL);
    store_counts_get(world->store, &before);
    for (int i = 0; i < 50; i++) {
        world->now += 2000;
        cursor = fetch(world, cursor, 0, NULL);
    }
    store_counts_get(world->store, &after);
    assert_int_equal(after.log_commits, before.log_commits);
    world->now += 600000; /* that it was there is worth writing down now and then */
    cursor = fetch(world, cursor, 0, NULL);
    store_counts_get(world->store, &after);
    assert_int_equal(after.log_commits, before.log_commits + 1);
    json_decref(cursor);
    world_free(world);
}

/* ---- refused ------------------------------------------------------------------------------------------------------ */

static json_t *row_of(json_t *result, size_t index) {
    return json_array_get(json_object_get(result, "rows"), index);
}

static const char *text_of(const json_t *map, const char *key) {
    const char *text = json_string_value(json_object_get(map, key));
    return text ? text : "";
}

static void expect_refused(struct world *world, size_t count) {
    json_t *result = world_result(world, "refused", NULL);
    assert_int_equal(json_array_size(json_object_get(result, "rows")), count);
    json_decref(result);
    result = world_result(world, "sync-state", NULL);
    assert_int_equal(json_integer_value(json_object_get(result, "refused")), count);
    json_decref(result);
}

static void test_refused(void **state) {
    (void)state;
    struct world *world = two_children();
    char params[512], code[32];
    expect_refused(world, 0);
    refuse(world, 4, "The child is in the care of another team.");
    world->now += 1000;
    refuse(world, 3, "No.");
    expect_refused(world, 2);
    json_t *page = world_result(world, "refused", "{\"limit\":1}");
    json_t *row = row_of(page, 0);
    assert_string_equal(text_of(row, "event"), EVENT_ID("03")); /* newest first */
    assert_string_equal(text_of(row, "patient"), A);
    assert_string_equal(text_of(row, "kind"), "note.written");
    assert_string_equal(text_of(json_object_get(row, "body"), "text"), "three");
    assert_string_equal(text_of(row, "code"), "not-allowed");
    assert_string_equal(text_of(row, "message"), "No.");
    assert_string_equal(text_of(row, "by"), "local");
    assert_int_equal(json_integer_value(json_object_get(row, "refused_at")), world->now);
    (void)snprintf(params, sizeof params, "{\"limit\":1,\"after\":\"%s\"}", text_of(page, "after"));
    json_decref(page);
    page = world_result(world, "refused", params);
    assert_string_equal(text_of(row_of(page, 0), "event"), EVENT_ID("04"));
    assert_null(json_object_get(page, "after"));
    json_decref(page);
    assert_string_equal(world_code(world, "refused", "{\"drop\":\"" B "\"}", code), "bad-value");
    page = world_result(world, "refused", "{\"drop\":\"" EVENT_ID("03") "\"}");
    assert_string_equal(text_of(page, "event"), EVENT_ID("03"));
    json_decref(page);
    expect_refused(world, 1);
    assert_string_equal(world_code(world, "refused", "{\"drop\":\"" EVENT_ID("03") "\"}", code), "bad-value");
    json_decref(world_result(world, "refused", "{\"again\":\"" EVENT_ID("04") "\"}"));
    expect_refused(world, 0);
    page = world_result(world, "history", "{\"patient\":\"" B "\",\"kinds\":[\"note.written\"]}");
    assert_int_equal(json_array_size(json_object_get(page, "rows")), 2); /* it counts again */
    json_decref(page);
    world_free(world);
}

/* ---- sync-state ---------------------------------------------------------------------------------------------------- */

static bool in_contact(void *arg, struct serve_link_status *out) {
    struct world *world = arg;
    out->state = "pulling";
    out->last_contact = world->now - 5;
    out->clock_offset_ms = -700;
    out->round_trip_ms = 12;
    out->out_waiting = 3;
    out->in_waiting = 4;
    out->upstream = id_of(NODE);
    out->scope.team_count = 1;
    (void)snprintf(out->scope.teams[0], sizeof out->scope.teams[0], "north");
    (void)snprintf(out->address, sizeof out->address, "127.0.0.1:7811");
    return true;
}

static bool never_reached(void *arg, struct serve_link_status *out) {
    (void)arg;
    out->state = "waiting";
    out->scope.all_teams = true;
    (void)snprintf(out->fault, sizeof out->fault, "Nobody is there.");
    return true;
}

static json_t *state_of(struct world *world, bool (*status)(void *arg, struct serve_link_status *out)) {
    world_hang_up(world);
    world_close_work(world);
    world->link_status = status;
    world_open_work(world);
    return world_result(world, "sync-state", NULL);
}

static void test_sync_state(void **state) {
    (void)state;
    struct world *world = two_children();
    leave(world, B);
    json_t *result = state_of(world, NULL);
    assert_null(json_object_get(result, "upstream"));
    assert_int_equal(json_integer_value(json_object_get(result, "seq")), 7);
    const json_t *left = json_array_get(json_object_get(result, "left"), 0);
    assert_string_equal(text_of(left, "patient"), B);
    assert_int_equal(json_integer_value(json_object_get(left, "events")), 3);
    json_decref(result);
    result = state_of(world, in_contact);
    const json_t *upstream = json_object_get(result, "upstream");
    assert_string_equal(text_of(upstream, "state"), "pulling");
    assert_string_equal(text_of(upstream, "node"), NODE);
    assert_string_equal(text_of(upstream, "address"), "127.0.0.1:7811");
    assert_int_equal(json_integer_value(json_object_get(upstream, "out")), 3);
    assert_int_equal(json_integer_value(json_object_get(upstream, "in")), 4);
    assert_int_equal(json_integer_value(json_object_get(upstream, "clock_offset_ms")), -700);
    assert_null(json_object_get(upstream, "fault"));
    assert_string_equal(json_string_value(json_array_get(json_object_get(result, "teams"), 0)), "north");
    json_decref(result);
    result = state_of(world, never_reached);
    upstream = json_object_get(result, "upstream");
    assert_string_equal(text_of(upstream, "fault"), "Nobody is there.");
    assert_null(json_object_get(upstream, "last_contact"));
    assert_null(json_object_get(upstream, "clock_offset_ms"));
    assert_true(json_is_true(json_object_get(result, "all_teams")));
    json_decref(result);
    world_free(world);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_followers_of_all),
        cmocka_unit_test(test_followers_of_a_team),
        cmocka_unit_test(test_pages_of_a_node_in_between),
        cmocka_unit_test(test_memory_of_nodes),
        cmocka_unit_test(test_polling_writes_nothing),
        cmocka_unit_test(test_refused),
        cmocka_unit_test(test_sync_state),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
