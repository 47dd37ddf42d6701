/*
 * wire_fuzz.c - random and mutated messages against the whole server in one process, over the memory store.
 *
 * After each message: what the server wrote is whole MessagePack-RPC responses; a message that was not answered with a success has left the log
 * as it was, seq and chain. The process neither crashes nor leaks (run it under a sanitizer for that).
 *
 *   wire_fuzz [--runs N] [--seed S]
 */
#define _GNU_SOURCE /* memmem */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "proto/ids.h"
#include "proto/message.h"
#include "proto/scan.h"
#include "../wire/serve_world.h"

#define BYTES_MAX 8192u

static uint64_t random_state;

static uint32_t draw(uint32_t n) {
    random_state ^= random_state << 13;
    random_state ^= random_state >> 7;
    random_state ^= random_state << 17;
    return (uint32_t)((random_state * 0x2545F4914F6CDD1Du >> 32) % n);
}

/* ---- valid messages to begin with -------------------------------------------------------------------- */

#define CHILD "0195500d-e400-7000-8000-000000000001"

#define PLACE                                                                                                          \
    "{\"log\":\"" CHILD "\",\"seq\":3,\"chain\":"                                                                      \
    "\"00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff\"}"
#define NODE_HELLO(scope)                                                                                              \
    "{\"node\":\"0195500d-e400-7000-8000-0000000000b1\",\"agent\":\"fuzz\",\"place\":" PLACE "," scope "}"

static const struct {
    const char *method, *params;
} seeds[] = {
    {"hello", "{\"agent\":\"fuzz\",\"account\":\"nurse-7\"}"},
    {"hello", "{\"account\":\"a\",\"secret\":\"b\"}"},
    {"ping", "{}"},
    {"kinds", "{}"},
    {"rules", "{\"team\":\"mill-lane\"}"},
    {"stats", "{}"},
    {"due", "{\"teams\":[\"mill-lane\"],\"tasks\":[\"balloon-check\",\"device-change\"],\"states\":[\"due\","
            "\"overdue\",\"upcoming\"],\"limit\":5}"},
    {"due", "{\"before\":1772323200000,\"limit\":1,\"states\":[\"upcoming\"]}"},
    {"alerts",
     "{\"urgency\":[\"now\",\"soon\"],\"names\":[\"tube-out\",\"spare-missing\"],\"answered\":false,\"limit\":2}"},
    {"tally", "{\"teams\":[]}"},
    {"patients", "{\"find\":\"hm\",\"level\":\"soon\",\"limit\":3}"},
    {"patients", "{\"identifier\":\"local:77\"}"},
    {"patients", "{\"team\":\"mill-lane\"}"},
    {"patient", "{\"patient\":\"" CHILD "\"}"},
    {"patient", "{\"patient\":\"" CHILD "\",\"at\":1772300000000,\"known_at\":1772323200000}"},
    {"history", "{\"patient\":\"" CHILD
                "\",\"kinds\":[\"balloon.checked\",\"stoma.formed\"],\"before\":1800000000000,\"limit\":2}"},
    {"devices", "{\"lot\":\"L1\",\"retention\":\"balloon\",\"tip\":\"stomach\",\"change_before\":\"2026-12-31\"}"},
    {"devices", "{\"limit\":1}"},
    {"record", "{\"events\":[{\"kind\":\"patient.registered\",\"patient\":\"0195500d-e400-7000-8000-000000000002\","
               "\"at\":1772323100000,"
               "\"body\":{\"label\":\"HM-2\",\"born\":\"2024-01-01\",\"zone\":\"Europe/London\",\"team\":\"fell-side\","
               "\"identifiers\":[{\"system\":\"local\",\"value\":\"78\"}],\"contacts\":[{\"role\":\"mother\",\"name\":"
               "\"A\",\"phone\":\"1\"}]}}],"
               "\"want\":\"statuses\"}"},
    {"record",
     "{\"events\":[{\"id\":\"0195500d-e400-7000-8000-0000000000aa\",\"kind\":\"balloon.checked\",\"patient\":\"" CHILD
     "\","
     "\"at\":1772323150000,\"source\":\"seen\",\"body\":{\"withdrawn_ml\":3.5,\"filled_ml\":5,\"look\":\"clear\"}}]}"},
    {"record", "{\"events\":[{\"kind\":\"tube.out\",\"patient\":\"" CHILD
               "\",\"at\":1772323150000,\"body\":{\"trained_present\":\"yes\","
               "\"spare_present\":\"no\"}},{\"kind\":\"note.written\",\"patient\":\"" CHILD
               "\",\"at\":1772323150001,\"body\":{\"text\":\"x\"}}],"
               "\"want\":\"none\"}"},
    {"record",
     "{\"events\":[{\"kind\":\"policy.adopted\",\"at\":1772323150000,\"body\":{\"values\":{\"balloon-check-days\":6},"
     "\"approved_by\":\"lead\"}},{\"kind\":\"lot.recalled\",\"at\":1772323150000,\"body\":{\"lot\":\"L1\",\"notice\":"
     "\"n\","
     "\"urgency\":\"today\",\"action\":\"change\"}}]}"},
    /* nodes: hello comes often, so that the others are answered */
    {"hello", NODE_HELLO("\"all_teams\":true")},
    {"hello", NODE_HELLO("\"all_teams\":true")},
    {"hello", NODE_HELLO("\"teams\":[\"mill-lane\",\"fell-side\"]")},
    {"hello", NODE_HELLO("\"teams\":[\"fell-side\"]")},
    {"fetch", "{}"},
    {"fetch", "{\"next\":true}"},
    {"fetch", "{\"teams\":[\"mill-lane\"],\"after\":" PLACE "}"},
    {"fetch", "{\"ids\":[\"" CHILD "\",\"0195500d-e400-7000-8000-0000000000aa\"]}"},
    {"fetch", "{\"record\":\"" CHILD "\"}"},
    {"fetch", "{\"record\":\"" CHILD "\",\"from\":\"ARIAAAAAAAAAAAAAAAAA\"}"},
    {"digest", "{}"},
    {"digest", "{\"teams\":[\"mill-lane\"],\"after\":\"ARIAAAAAAAAAAAAAAAAA\"}"},
    {"digest", "{\"records\":[\"" CHILD "\",\"00000000-0000-0000-0000-000000000000\"]}"},
    {"digest", "{\"record\":\"" CHILD "\"}"},
    {"nodes", "{}"},
    {"sync-state", "{}"},
    {"refused", "{\"limit\":1}"},
    {"refused", "{\"again\":\"0195500d-e400-7000-8000-0000000000aa\"}"},
};
#define SEEDS (sizeof seeds / sizeof seeds[0])

static const char first_events[] =
    "{\"events\":[{\"kind\":\"patient.registered\",\"patient\":\"" CHILD
    "\",\"at\":1772000000000,\"body\":{\"label\":\"HM-1\","
    "\"born\":\"2023-05-06\",\"zone\":\"Europe/"
    "London\",\"team\":\"mill-lane\",\"identifiers\":[{\"system\":\"local\",\"value\":\"77\"}]}},"
    "{\"kind\":\"stoma.formed\",\"patient\":\"" CHILD
    "\",\"at\":1772000001000,\"body\":{\"formed_on\":\"2025-06-01\",\"how\":\"surgical\"}},"
    "{\"kind\":\"device.placed\",\"patient\":\"" CHILD
    "\",\"at\":1772000002000,\"body\":{\"retention\":\"balloon\",\"profile\":\"low\","
    "\"tip\":\"stomach\",\"french_fr\":14,\"balloon_ml\":5,\"lot\":\"L1\",\"why\":\"scheduled\",\"place\":\"home\","
    "\"placed_by\":\"nurse\","
    "\"position\":\"aspirate-ph\",\"ph\":4}}]}";

/* ---- mutations --------------------------------------------------------------------------------------------- */

static const uint8_t interesting[] = {0x00, 0x7f, 0x80, 0x8f, 0x90, 0x9f, 0xa0, 0xbf, 0xc0, 0xc1, 0xc2,
                                      0xc4, 0xc7, 0xca, 0xcb, 0xcc, 0xcd, 0xce, 0xcf, 0xd0, 0xd3, 0xd4,
                                      0xd8, 0xd9, 0xda, 0xdb, 0xdc, 0xdd, 0xde, 0xdf, 0xe0, 0xff};

static size_t mutate(uint8_t *bytes, size_t size) {
    for (uint32_t n = 1 + draw(4); n > 0 && size > 0; n--) {
        size_t at = draw((uint32_t)size);
        size_t span = 1 + draw(8);
        switch (draw(7)) {
        case 0:
            bytes[at] ^= (uint8_t)(1u << draw(8));
            break;
        case 1:
            bytes[at] = interesting[draw(sizeof interesting)];
            break;
        case 2: /* cut out */
            span = span > size - at ? size - at : span;
            memmove(bytes + at, bytes + at + span, size - at - span);
            size -= span;
            break;
        case 3: /* say again */
            if (span > size - at || size + span > BYTES_MAX)
                break;
            memmove(bytes + at + span, bytes + at, size - at);
            size += span;
            break;
        case 4:
            bytes[at] = (uint8_t)draw(256);
            break;
        case 5: /* end early */
            size = at;
            break;
        default: { /* change one letter of a text into another: values, not shape */
            if (bytes[at] >= '0' && bytes[at] <= 'z')
                bytes[at] = (uint8_t)('0' + draw('z' - '0'));
        }
        }
    }
    return size;
}

/* Random MessagePack of any shape, or bytes of no shape at all. */
static size_t random_value(uint8_t *bytes, size_t cap, uint32_t depth) {
    struct proto_writer w;
    proto_writer_init(&w, bytes, cap);
    uint32_t left = 1;
    for (uint32_t written = 0; left > 0 && written < 40; written++, left--) {
        uint32_t count = draw(4);
        switch (depth > 6 ? 2 + draw(5) : draw(7)) {
        case 0:
            proto_write_array(&w, count);
            left += count;
            break;
        case 1:
            proto_write_map(&w, count);
            left += 2 * count;
            break;
        case 2: {
            bool positive = draw(2);
            int64_t number = draw(UINT32_MAX);
            if (!positive)
                number *= -(int64_t)draw(1000);
            proto_write_int(&w, number);
            break;
        }
        case 3:
            proto_write_text(&w, seeds[draw(SEEDS)].method);
            break;
        case 4:
            proto_write_float(&w, draw(2) ? 1e300 * draw(100) : 0.1 * draw(100));
            break;
        case 5:
            proto_write_bin(&w, "\xff\x00z", draw(4));
            break;
        default:
            proto_write_nil(&w);
        }
    }
    return w.size;
}

/* An offer of events of the log: as they are, under another id, or not events any more. */
static size_t make_offer(struct world *world, uint8_t *bytes, uint32_t msgid) {
    struct proto_writer w;
    struct store_txn *txn = NULL;
    struct store_event event;
    uint8_t body[PROTO_EVENT_BYTES_MAX];
    uint32_t count = 1 + draw(4);
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    proto_writer_init(&w, bytes, BYTES_MAX / 2);
    proto_write_request(&w, msgid, "offer");
    proto_write_map(&w, 1);
    proto_write_text(&w, "events");
    proto_write_array(&w, count);
    for (uint32_t i = 0; i < count; i++) {
        uint64_t seq = 1 + draw((uint32_t)store_txn_seq(txn));
        assert_int_equal(store_read_event(txn, seq, &event), PROTO_OK);
        size_t size = event.body.size < 900 ? event.body.size : 900;
        memcpy(body, event.body.data, size);
        if (size == 0)
            body[size++] = 0x92;
        uint8_t *id = memmem(body, size, "0195500d-e400-7000-", 19);
        if (id && draw(2))
            id[19 + draw(4)] = (uint8_t) "0123456789abcdef"[draw(16)];
        else if (draw(4) == 0)
            body[draw((uint32_t)size)] = (uint8_t)draw(256);
        struct proto_kept kept = {.bytes = {(const char *)body, (uint32_t)size},
                                  .joined = i > 0 && draw(2),
                                  .has_receipt = draw(2),
                                  .received_at = world->now - draw(100000)};
        proto_write_kept(&w, &kept);
    }
    store_read_end(txn);
    assert_int_equal(w.error, PROTO_OK);
    size_t size = draw(3) ? w.size : mutate(bytes, w.size);
    return size ? size : 1;
}

static size_t make_message(struct world *world, uint8_t *bytes, uint32_t msgid) {
    uint32_t what = draw(11);
    if (what == 10)
        return make_offer(world, bytes, msgid);
    if (what == 0) {
        size_t size = 1 + draw(64);
        for (size_t i = 0; i < size; i++)
            bytes[i] = (uint8_t)draw(256);
        return size;
    }
    if (what == 1) {
        struct proto_writer w;
        proto_writer_init(&w, bytes, BYTES_MAX);
        proto_write_array(&w, 4);
        proto_write_int(&w, PROTO_REQUEST);
        proto_write_int(&w, msgid);
        proto_write_text(&w, seeds[draw(SEEDS)].method);
        proto_write_array(&w, 1);
        return w.size + random_value(bytes + w.size, BYTES_MAX - w.size, 0);
    }
    size_t seed = draw(SEEDS);
    size_t size = wire_request(bytes, BYTES_MAX / 2, msgid, seeds[seed].method, seeds[seed].params);
    if (what != 2)
        size = mutate(bytes, size);
    return size ? size : 1;
}

/* ---- what must hold ---------------------------------------------------------------------------------------- */

/* Every byte that was said belongs to a whole response. Says whether one of them is a success. */
static bool check_said(const struct world *world) {
    bool success = false;
    for (size_t at = 0; at < world->said_size;) {
        struct proto_scan scan = {0};
        size_t size = 0;
        assert_int_equal(
            proto_scan_value(&scan, world->said + at, world->said_size - at, PROTO_MESSAGE_BYTES_MAX, &size), PROTO_OK);
        struct proto_arena *arena = proto_arena_new();
        struct proto_message message = {0};
        struct proto_fault fault = {0};
        bool has_msgid = false;
        assert_non_null(arena);
        assert_int_equal(proto_message_decode(world->said + at, size, arena, &message, &has_msgid, &fault), PROTO_OK);
        assert_int_equal(message.type, PROTO_RESPONSE);
        if (message.error) {
            proto_fault_read(message.error, &fault);
            assert_true(fault.code > PROTO_OK && fault.code <= PROTO_OUTCOME_UNKNOWN);
            if (fault.code == PROTO_INTERNAL)
                fail_msg("internal: %s", fault.message);
        } else {
            success = true;
        }
        proto_arena_free(arena);
        at += size;
    }
    return success;
}

static void run(struct world *world, uint64_t number) {
    uint8_t bytes[BYTES_MAX + 64];
    struct store_identity before, after;
    store_identity_get(world->store, &before);
    world->now += draw(2000);
    size_t size = make_message(world, bytes, (uint32_t)number);
    for (size_t at = 0; at < size;) { /* in pieces */
        size_t piece = draw(3) ? size - at : 1 + draw((uint32_t)(size - at));
        world_feed(world, bytes + at, piece);
        at += piece;
    }
    bool success = check_said(world);
    world->said_size = 0;
    store_identity_get(world->store, &after);
    if (!success) {
        assert_int_equal(before.log_seq, after.log_seq);
        assert_memory_equal(before.chain, after.chain, sizeof before.chain);
    }
    /* an unfinished message leaves with its peer */
    if (net_session_done(world->session) || net_buffer_size(&world->session->input) > 0 || draw(50) == 0)
        world_hang_up(world);
}

static uint64_t runs = 100000, seed = 1;

static void test_messages(void **state) {
    (void)state;
    random_state = seed * 0x9E3779B97F4A7C15u + 1;
    struct world *world = world_new();
    world_settle(world);
    json_decref(world_result(world, "record", first_events));
    for (uint64_t i = 1; i <= runs; i++)
        run(world, i);
    char code[32];
    assert_string_equal(world_code(world, "patient", "{\"patient\":\"" CHILD "\"}", code), "");
    struct store_identity identity;
    store_identity_get(world->store, &identity);
    struct net_counts counts;
    net_hub_counts(world->hub, &counts);
    print_message("%llu messages, %llu calls, %llu peers, log seq %llu\n", (unsigned long long)runs,
                  (unsigned long long)counts.calls, (unsigned long long)counts.opened,
                  (unsigned long long)identity.log_seq);
    world_free(world);
}

int main(int argc, char **argv) {
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--runs") == 0)
            runs = strtoull(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--seed") == 0)
            seed = strtoull(argv[i + 1], NULL, 10);
    }
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_messages)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
