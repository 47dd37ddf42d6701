/*
 * codes_test.c - every error code, provoked on the wire. The last test walks the table of errors and fails for a code that nothing here provoked.
 *
 * Most come from a real daemon over its socket. What needs a disk that fails, a queue that stands or a rebuild on time comes from the same server
 * in this process, through the same bytes.
 */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <cmocka.h>

#include "serve_world.h"

#include "proto/errors.h"

#define CHILD "0195500d-e400-7000-8000-000000000001"
#define EVENT "0195500d-e400-7000-8000-0000000000e1"

static bool provoked[PROTO_ERROR_COUNT];

static void note(const char *code) {
    provoked[proto_error_find(code)] = true;
}

/* ---- a real daemon ------------------------------------------------------------------------------------------ */

static struct wire_daemon server;

static void expect(struct wire_peer *peer, const char *method, const char *params, const char *code) {
    wire_expect(peer, method, params, code);
    note(code);
}

/* Bytes that are answered with a code. */
static void expect_bytes(const void *bytes, size_t size, const char *code, bool closes) {
    struct wire_peer peer;
    wire_connect_socket(&peer, server.socket);
    wire_send(&peer, bytes, size);
    json_t *message = wire_receive(&peer);
    assert_non_null(message);
    assert_string_equal(json_string_value(json_object_get(json_array_get(message, 2), "code")), code);
    json_decref(message);
    if (closes)
        assert_true(wire_closes(&peer, 5000));
    else
        json_decref(wire_call(&peer, "ping", NULL));
    wire_close(&peer);
    note(code);
}

static void test_envelope(void **state) {
    (void)state;
    expect_bytes("\x94\x00\x07\x05\x90", 5, "bad-message", true);
    expect_bytes("\x94\x00\x07\xa4ping\x91\x01", 10, "bad-params", false);
    expect_bytes("\x94\x00\x07\xa4ping\x80", 9, "bad-params", false);
    expect_bytes("\x94\x00\x07\xa4ping\x91\xdf\xff\xff\xff\xff", 14, "too-large", true);
    struct wire_peer peer;
    wire_connect_socket(&peer, server.socket);
    expect(&peer, "walk", NULL, "unknown-method");
    expect(&peer, "", NULL, "unknown-method");
    wire_close(&peer);
}

/* The owner's socket needs no sign-in, and has the bound of one who has signed in from the first message on. */
static void test_size_without_hello(void **state) {
    (void)state;
    size_t size = PROTO_MESSAGE_BYTES_MAX;
    char *params = malloc(size + 200);
    uint8_t *bytes = malloc(size + 400);
    assert_true(params && bytes);
    (void)strcpy(params, "{\"agent\":\"");
    memset(params + 10, 'a', size);
    (void)strcpy(params + 10 + size, "\"}");
    size_t n = wire_request(bytes, size + 400, 3, "hello", params);
    expect_bytes(bytes, n, "too-large", true);
    /* what is under it is read, and judged by its field */
    (void)strcpy(params + size - 200, "\"}");
    struct wire_peer peer;
    wire_connect_socket(&peer, server.socket);
    json_t *error = wire_refused(&peer, "hello", params);
    note(json_string_value(json_object_get(error, "code")));
    json_decref(error);
    json_decref(wire_call(&peer, "ping", NULL));
    wire_close(&peer);
    free(bytes);
    free(params);
}

static void test_parameters(void **state) {
    (void)state;
    struct wire_peer peer;
    wire_connect_socket(&peer, server.socket);
    expect(&peer, "due", "{\"limit\":0}", "bad-value");
    expect(&peer, "due", "{\"limit\":\"many\"}", "bad-value");
    expect(&peer, "due", "{\"states\":[\"late\"]}", "bad-value");
    expect(&peer, "due", "{\"after\":\"AAAA\"}", "bad-value");
    expect(&peer, "due", "{\"teams\":[\"no-such-team\"]}", "bad-value");
    expect(&peer, "tally", "{\"teams\":[\"no-such-team\"]}", "bad-value");
    expect(&peer, "rules", "{\"team\":\"no-such-team\"}", "bad-value");
    expect(&peer, "patients", "{\"team\":\"no-such-team\"}", "bad-value");
    expect(&peer, "alerts", "{\"after\":\"%%%\"}", "bad-value");
    expect(&peer, "devices", "{\"after\":\"x\"}", "bad-value");
    expect(&peer, "due", "{\"colour\":1}", "unknown-field");
    expect(&peer, "patient", "{}", "missing-field");
    expect(&peer, "patient", "{\"patient\":\"HM-1\"}", "bad-value");
    expect(&peer, "patient", "{\"patient\":\"" CHILD "\"}", "unknown-patient");
    expect(&peer, "history", "{\"patient\":\"" CHILD "\"}", "unknown-patient");
    expect(&peer, "hello", "{\"account\":\"a\",\"secret\":\"s\"}", "not-allowed");
    wire_close(&peer);
}

#define REGISTER                                                                                                       \
    "{\"kind\":\"patient.registered\",\"patient\":\"" CHILD "\",\"at\":1772000000000,\"body\":{\"label\":\"HM-1\","    \
    "\"born\":\"2023-05-06\",\"zone\":\"Europe/London\",\"team\":\"mill-lane\"}}"
#define NOTE(id, text)                                                                                                 \
    "{" id "\"kind\":\"note.written\",\"patient\":\"" CHILD "\",\"at\":1772000000000,\"body\":{\"text\":\"" text "\"}" \
    "}"

static void test_events(void **state) {
    (void)state;
    struct wire_peer peer;
    char params[512];
    wire_connect_socket(&peer, server.socket);
    expect(&peer, "record", "{}", "missing-field");
    expect(&peer, "record", "{\"events\":[" NOTE("", "x") "]}", "unknown-patient");
    json_decref(wire_call(&peer, "record", "{\"events\":[" REGISTER "]}"));
    expect(&peer, "record", "{\"events\":[" REGISTER "]}", "conflict");
    expect(&peer, "record", "{\"events\":[{\"kind\":\"moon.landed\",\"at\":1772000000000,\"body\":{}}]}",
           "unknown-kind");
    expect(&peer, "record",
           "{\"events\":[{\"kind\":\"note.written\",\"patient\":\"" CHILD
           "\",\"at\":1772000000000,\"body\":{\"txt\":\"x\"}}]}",
           "unknown-field");
    expect(&peer, "record",
           "{\"events\":[{\"kind\":\"note.written\",\"patient\":\"" CHILD "\",\"body\":{\"text\":\"x\"}}]}",
           "missing-field");
    json_decref(wire_call(&peer, "record", "{\"events\":[" NOTE("\"id\":\"" EVENT "\",", "one") "]}"));
    expect(&peer, "record", "{\"events\":[" NOTE("\"id\":\"" EVENT "\",", "another") "]}", "id-reused");
    (void)snprintf(params, sizeof params,
                   "{\"events\":[{\"kind\":\"note.written\",\"patient\":\"" CHILD
                   "\",\"at\":%lld,\"body\":{\"text\":\"x\"}}]}",
                   (long long)wire_now_ms() + 10 * 60000);
    expect(&peer, "record", params, "future-time");
    /* the second of three events is the one that is refused, and nothing of the call is kept */
    json_t *error = wire_refused(
        &peer, "record",
        "{\"events\":[" NOTE("", "a") ",{\"kind\":\"weight.measured\",\"patient\":\"" CHILD
                                      "\",\"at\":1772000000000,\"body\":{\"weight_kg\":0.01}}," NOTE("", "b") "]}");
    assert_string_equal(json_string_value(json_object_get(error, "code")), "bad-value");
    assert_int_equal(json_integer_value(json_object_get(error, "event")), 1);
    assert_string_equal(json_string_value(json_object_get(error, "field")), "weight_kg");
    json_decref(error);
    json_t *history = wire_call(&peer, "history", "{\"patient\":\"" CHILD "\"}");
    assert_int_equal(json_array_size(json_object_get(history, "rows")), 2);
    json_decref(history);
    wire_close(&peer);
}

/* A real daemon whose files may not grow beyond a few MiB: it refuses with `full`, goes on reading, and nothing of a refused call is there. */
static void test_full_for_real(void **state) {
    (void)state;
    struct wire_daemon small = {0};
    struct wire_peer peer;
    struct rlimit before, limit;
    size_t taken = 0, refused = 0;
    char line[512], *params = malloc(100000);
    assert_non_null(params);
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    limit = before;
    limit.rlim_cur = 4u << 20;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
    wire_daemon_start(&small, NULL);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    wire_connect_socket(&peer, small.socket);
    json_decref(wire_call(&peer, "record", "{\"events\":[" REGISTER "]}"));
    size_t size = (size_t)sprintf(params, "{\"want\":\"none\",\"events\":[");
    for (int i = 0; i < 20; i++)
        size += (size_t)sprintf(params + size, "%s" NOTE("", "%01500d"), i ? "," : "", i);
    (void)strcpy(params + size, "]}");
    for (int i = 0; i < 400 && refused < 3; i++) {
        uint8_t *bytes = malloc(120000);
        assert_non_null(bytes);
        wire_send(&peer, bytes, wire_request(bytes, 120000, ++peer.msgid, "record", params));
        free(bytes);
        json_t *message = wire_receive(&peer);
        assert_non_null(message);
        const json_t *error = json_array_get(message, 2);
        if (json_is_null(error)) {
            taken++;
        } else {
            assert_string_equal(json_string_value(json_object_get(error, "code")), "full");
            refused++;
        }
        json_decref(message);
    }
    assert_int_equal(refused, 3);
    assert_true(taken > 10);
    uint64_t seen = 0;
    char *after = NULL;
    do {
        json_t *page =
            after ? wire_callf(&peer, "history", "{\"patient\":\"" CHILD "\",\"limit\":1000,\"after\":\"%s\"}", after)
                  : wire_call(&peer, "history", "{\"patient\":\"" CHILD "\",\"limit\":1000}");
        seen += json_array_size(json_object_get(page, "rows"));
        free(after);
        after = json_object_get(page, "after") ? strdup(json_string_value(json_object_get(page, "after"))) : NULL;
        json_decref(page);
    } while (after);
    assert_int_equal(seen, 1 + 20 * taken);
    /* The journal hears of it once, and once more when there is room. */
    assert_true(wire_daemon_says(&small, line, sizeof line));
    assert_non_null(strstr(line, "no room left for new events"));
    assert_int_equal(prlimit(small.pid, RLIMIT_FSIZE, &before, NULL), 0);
    json_decref(wire_call(&peer, "record", "{\"events\":[" NOTE("", "there is room") "]}"));
    assert_true(wire_daemon_says(&small, line, sizeof line));
    assert_non_null(strstr(line, "There is room again"));
    wire_close(&peer);
    assert_int_equal(wire_daemon_stop(&small), 0);
    char out[512];
    int code = wire_run((const char *const[]){"verify", "--store", small.dir, NULL}, out, sizeof out);
    if (code != 0)
        fail_msg("verify: %s", out);
    wire_daemon_end(&small);
    free(params);
}

/* ---- the same server in this process ---------------------------------------------------------------------------- */

static struct world *child_known(void) {
    struct world *world = world_new();
    world_settle(world);
    json_decref(world_result(world, "record", "{\"events\":[" REGISTER "]}"));
    return world;
}

static void expect_code(struct world *world, const char *method, const char *params, const char *code) {
    char got[32];
    assert_string_equal(world_code(world, method, params, got), code);
    note(code);
}

static uint64_t log_seq(const struct world *world) {
    struct store_identity identity;
    store_identity_get(world->store, &identity);
    return identity.log_seq;
}

static void test_full(void **state) {
    (void)state;
    struct world *world = child_known();
    world->fault_point = STORE_POINT_LOG_COMMIT;
    world->fault_errno = ENOSPC;
    expect_code(world, "record", "{\"events\":[" NOTE("", "x") "]}", "full");
    expect_code(world, "patient", "{\"patient\":\"" CHILD "\"}", ""); /* reads go on */
    assert_int_equal(log_seq(world), 1);
    world->fault_errno = 0; /* it heals by itself */
    expect_code(world, "record", "{\"events\":[" NOTE("", "x") "]}", "");
    assert_int_equal(log_seq(world), 2);
    world_free(world);
}

static void test_outcome_unknown(void **state) {
    (void)state;
    struct world *world = child_known();
    world->fault_point = STORE_POINT_LOG_COMMIT;
    world->fault_errno = EIO;
    expect_code(world, "record", "{\"events\":[" NOTE("", "x") "]}", "outcome-unknown");
    struct proto_fault fault = {0};
    assert_true(work_broken(world->work, &fault)); /* the daemon stops on this */
    world_free(world);
}

static void test_rebuilding(void **state) {
    (void)state;
    struct world *world = child_known();
    world_close_work(world);
    store_memory_crash(world->store, true);
    world->frozen = true;
    world_open_work(world);
    static const char *const waiting[] = {"due", "alerts", "tally", "patients", "devices", "rules"};
    for (size_t i = 0; i < sizeof waiting / sizeof waiting[0]; i++)
        expect_code(world, waiting[i], NULL, "rebuilding");
    expect_code(world, "patient", "{\"patient\":\"" CHILD "\"}", "rebuilding");
    expect_code(world, "record", "{\"events\":[" NOTE("", "x") "]}", "rebuilding");
    json_t *hello = world_result(world, "hello", NULL);
    const json_t *rebuild = json_object_get(hello, "rebuild");
    assert_true(json_is_object(rebuild));
    assert_int_equal(json_array_size(json_object_get(rebuild, "waiting")), 15);
    json_decref(hello);
    expect_code(world, "hello",
                "{\"node\":\"" CHILD "\",\"all_teams\":true,\"place\":{\"log\":\"" CHILD "\",\"seq\":1,\"chain\":"
                "\"00000000000000000000000000000000000000000000000000000000000000ff\"}}",
                "rebuilding");
    expect_code(world, "sync-state", NULL, "");
    expect_code(world, "ping", NULL, "");
    world->frozen = false;
    world_settle(world);
    expect_code(world, "patient", "{\"patient\":\"" CHILD "\"}", "");
    hello = world_result(world, "hello", NULL);
    assert_null(json_object_get(hello, "rebuild"));
    json_decref(hello);
    world_free(world);
}

static void test_stopping(void **state) {
    (void)state;
    char code[32];
    struct world *world = child_known();
    world->frozen = true;
    uint32_t in_flight = world_ask(world, "record", "{\"events\":[" NOTE("", "x") "]}");
    serve_stop(world->serve);
    expect_code(world, "ping", NULL, "stopping");
    expect_code(world, "record", "{\"events\":[" NOTE("", "y") "]}", "stopping");
    world->frozen = false;
    world_settle(world);
    json_t *answer = world_answer(world, in_flight); /* what was in flight is done and answered */
    assert_non_null(answer);
    assert_true(json_is_null(json_array_get(answer, 2)));
    json_decref(answer);
    assert_int_equal(log_seq(world), 2);
    assert_string_equal(world_code(world, "hello", NULL, code), "stopping");
    net_hub_close(world->hub, world->session);
    work_close(world->work);
    serve_free(world->serve);
    net_hub_free(world->hub);
    store_close(world->store);
    work_zones_free(world->zones);
    free(world->said);
    free(world);
}

/* The queue stands: a caller is first kept waiting, then told; afterwards all that was taken is there. */
static void test_busy(void **state) {
    (void)state;
    struct world *world = child_known();
    char *params = malloc(400000);
    assert_non_null(params);
    size_t size = (size_t)sprintf(params, "{\"want\":\"none\",\"events\":[");
    for (int i = 0; i < 500; i++)
        size += (size_t)sprintf(params + size, "%s" NOTE("", "n%d"), i ? "," : "", i);
    (void)strcpy(params + size, "]}");
    json_decref(world_result(world, "hello", NULL));
    world->frozen = true;
    uint32_t taken = 0, last = 0;
    while (taken < 255) {
        last = world_ask(world, "record", params);
        if (world->session->held)
            break;
        taken++;
    }
    assert_true(world->session->held);
    assert_null(world_answer(world, last));
    world->now += 1000;
    world_settle(world);
    assert_true(world->session->held);
    world->now += 2000;
    world_settle(world);
    json_t *answer = world_answer(world, last);
    assert_non_null(answer);
    assert_string_equal(json_string_value(json_object_get(json_array_get(answer, 2), "code")), "busy");
    assert_true(json_integer_value(json_object_get(json_array_get(answer, 2), "retry_ms")) > 0);
    json_decref(answer);
    note("busy");
    world->frozen = false;
    world_settle(world);
    assert_int_equal(log_seq(world), 1 + 500ull * taken);
    free(params);
    world_free(world);
}

static void test_not_signed_in(void **state) {
    (void)state;
    struct world *world = child_known();
    world_hang_up(world);
    world->session = net_hub_open(world->hub, world, false, world->now); /* a peer of another user */
    for (enum proto_method method = PROTO_METHOD_UNKNOWN + 1; method < PROTO_METHOD_COUNT; method++)
        expect_code(world, proto_method_get(method)->name, NULL,
                    method == PROTO_METHOD_hello || method == PROTO_METHOD_ping ? "" : "not-signed-in");
    world_free(world);
}

/* A row of the view that is not what was written. */
static void test_internal(void **state) {
    (void)state;
    struct world *world = child_known();
    struct store_txn *txn = NULL;
    uint8_t key[] = {0, 0, 0, 1, 1, 0x80, 0, 0, 0, 0, 0, 0, 1};
    assert_int_equal(store_view_begin(world->store, &txn), PROTO_OK);
    for (uint8_t team = 0; team < 8; team++) {
        key[3] = team;
        assert_int_equal(store_put(txn, STORE_TASKS, key, sizeof key, "\1?", 2), PROTO_OK);
    }
    assert_int_equal(store_view_commit(txn, 1), PROTO_OK);
    expect_code(world, "due", NULL, "internal");
    expect_code(world, "ping", NULL, "");
    world_free(world);
}

/* A place that this log never had at that number. */
static void test_diverged(void **state) {
    (void)state;
    struct world *world = child_known();
    expect_code(world, "follow",
                "{\"after\":{\"log\":\"" CHILD "\",\"seq\":1,\"chain\":"
                "\"00000000000000000000000000000000000000000000000000000000000000ff\"}}",
                "diverged");
    expect_code(world, "follow", NULL, "");
    expect_code(world, "follow", NULL, "conflict");
    expect_code(world, "unfollow", NULL, "");
    world_free(world);
}

/* ---- the table ------------------------------------------------------------------------------------------------------- */

static void test_every_code(void **state) {
    (void)state;
    for (enum proto_error error = PROTO_OK + 1; error <= PROTO_OUTCOME_UNKNOWN; error++)
        if (!provoked[error])
            fail_msg("nothing here provokes %s", proto_error_code(error));
}

static int start(void **state) {
    (void)state;
    wire_daemon_start(&server, NULL);
    return 0;
}

static int stop(void **state) {
    (void)state;
    int code = wire_daemon_stop(&server);
    wire_daemon_end(&server);
    return code;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_envelope),        cmocka_unit_test(test_size_without_hello),
        cmocka_unit_test(test_parameters),      cmocka_unit_test(test_events),
        cmocka_unit_test(test_full_for_real),   cmocka_unit_test(test_full),
        cmocka_unit_test(test_outcome_unknown), cmocka_unit_test(test_rebuilding),
        cmocka_unit_test(test_stopping),        cmocka_unit_test(test_busy),
        cmocka_unit_test(test_not_signed_in),   cmocka_unit_test(test_internal),
        cmocka_unit_test(test_diverged),        cmocka_unit_test(test_every_code),
    };
    return cmocka_run_group_tests(tests, start, stop);
}
