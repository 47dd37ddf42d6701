/*
 * world.h - work/ over the memory store with a clock that tests move: calls in a line, answers decoded.
 *
 * What always holds: one thread; the order of stages is drawn from the world's seed, so a failure comes back with its seed.
 */
#ifndef TESTS_WORK_WORLD_H
#define TESTS_WORK_WORLD_H

#include <assert.h>
#include <msgpack.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "proto/ids.h"
#include "proto/message.h"
#include "store/store.h"
#include "support/care_build.h"
#include "work/rows.h"
#include "work/work.h"
#include "work/zones.h"

#define UNUSED __attribute__((unused))

struct world {
    struct store *store;
    struct work *work;
    int64_t now;
    uint64_t random;
    const char *dir; /* NULL: the memory store */
    uint32_t workers;
    int fail_point, fail_errno, fail_after; /* the store fails with fail_errno at fail_point, after so many times */
    uint32_t wakes;
};

static struct care_zones *world_zones;

static int64_t world_now(void *arg) {
    return ((struct world *)arg)->now;
}
static void world_entropy(void *arg, uint8_t *out, size_t n) {
    struct world *world = arg;
    for (size_t i = 0; i < n; i++) {
        world->random = world->random * 6364136223846793005ull + 1442695040888963407ull;
        out[i] = (uint8_t)(world->random >> 56);
    }
}
static void world_wake(void *arg) {
    ((struct world *)arg)->wakes++;
}

static int world_fault(void *arg, enum store_point point) {
    struct world *world = arg;
    if (!world->fail_errno || (int)point != world->fail_point || world->fail_after-- > 0)
        return 0;
    world->fail_after = 0;
    return world->fail_errno;
}

static UNUSED struct proto_id world_id(struct world *world) {
    struct proto_id id;
    uint8_t hash[PROTO_HASH_BYTES];
    world_entropy(world, hash, sizeof hash);
    proto_id_from_hash(world->now, hash, &id);
    return id;
}

static void world_start(struct world *world, uint64_t seed) {
    struct proto_fault fault = {0};
    struct work_options options = {.store = world->store,
                                   .seams = {world, world_now, world_entropy, world_wake},
                                   .zones = world_zones,
                                   .workers = world->workers,
                                   .order_seed = seed};
    enum proto_error error = work_open(&options, &world->work, &fault);
    if (error != PROTO_OK)
        fail_msg("work_open: %s", fault.message);
}

static UNUSED void world_run(struct world *world) {
    while (work_run_one(world->work)) {}
}

static UNUSED void world_open_store(struct world *world) {
    struct proto_fault fault = {0};
    struct store_options options = {
        .memory = !world->dir, .dir = world->dir, .boot_id = "boot", .fault = world_fault, .fault_arg = world};
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = world_id(world);
    if (store_open(&options, &world->store, &fault) != PROTO_OK)
        fail_msg("store_open: %s", fault.message);
}

static UNUSED void world_set(struct world *world, uint64_t seed) {
    struct proto_fault fault = {0};
    if (!world_zones)
        world_zones = work_zones_load(&fault);
    assert_non_null(world_zones);
    *world = (struct world){.now = ev_time(2026, 3, 2) + 10 * EV_HOUR, .random = seed * 77 + 5};
}

static UNUSED void world_init(struct world *world, uint64_t seed) {
    world_set(world, seed);
    world_open_store(world);
    world_start(world, seed);
    world_run(world);
}

static UNUSED void world_stop(struct world *world) {
    work_close(world->work);
    world->work = NULL;
}

static UNUSED void world_deinit(struct world *world) {
    work_close(world->work);
    store_close(world->store);
}

/* As after kill -9: what was not committed is gone, with lose_view all that is derived too. */
static UNUSED void world_crash(struct world *world, bool lose_view, uint64_t seed) {
    work_close(world->work);
    store_memory_crash(world->store, lose_view);
    world_start(world, seed);
    world_run(world);
}

static UNUSED void world_verify(struct world *world) {
    uint64_t children = 0, rows = 0;
    struct proto_fault fault = {0};
    if (work_verify(world->store, world_zones, &children, &rows, &fault) != PROTO_OK)
        fail_msg("verify: %s", fault.message);
}

/* --- calls --------------------------------------------------------------------------------- */

struct answer {
    enum proto_error code;
    struct proto_fault fault;
    msgpack_unpacked unpacked;
    uint8_t *bytes; /* what was unpacked points into them */
    bool done;
};

static void world_on_done(void *arg, struct work_call *call) {
    struct answer *answer = arg;
    answer->done = true;
    answer->fault = *work_call_fault(call);
    answer->code = answer->fault.code;
    msgpack_unpacked_init(&answer->unpacked);
    struct store_bytes result = work_call_result(call);
    if (answer->code == PROTO_OK) {
        answer->bytes = malloc(result.size);
        memcpy(answer->bytes, result.data, result.size);
        assert_int_equal(msgpack_unpack_next(&answer->unpacked, (const char *)answer->bytes, result.size, NULL),
                         MSGPACK_UNPACK_SUCCESS);
    }
    work_call_free(call);
}

static UNUSED void answer_deinit(struct answer *answer) {
    msgpack_unpacked_destroy(&answer->unpacked);
    free(answer->bytes);
    answer->bytes = NULL;
}

static const struct work_who world_nurse = {.account = "nurse", .all_teams = true};

/* Not run yet: the answer comes with world_run. */
static UNUSED void world_send(struct world *world, const struct work_who *who, enum work_want want,
                              const struct proto_event *events, uint32_t count, struct answer *answer) {
    struct proto_fault fault = {0};
    memset(answer, 0, sizeof *answer);
    struct work_call *call = work_call_new(world->work, who, want);
    assert_non_null(call);
    for (uint32_t i = 0; i < count; i++) {
        enum proto_error error = work_call_add(call, &events[i], &fault);
        if (error == PROTO_OK)
            continue;
        work_call_free(call);
        *answer = (struct answer){.code = error, .fault = fault, .done = true};
        return;
    }
    work_submit(world->work, call, world_on_done, answer);
}

static UNUSED enum proto_error world_record_as(struct world *world, const struct work_who *who, enum work_want want,
                                               const struct proto_event *events, uint32_t count,
                                               struct answer *answer) {
    world_send(world, who, want, events, count, answer);
    world_run(world);
    assert_true(answer->done);
    return answer->code;
}

/* One event; only its code. */
static UNUSED enum proto_error world_record(struct world *world, struct proto_event event) {
    struct answer answer;
    enum proto_error code = world_record_as(world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer);
    answer_deinit(&answer);
    return code;
}

static UNUSED const msgpack_object *object_field(const msgpack_object *map, const char *name) {
    assert_int_equal(map->type, MSGPACK_OBJECT_MAP);
    for (uint32_t i = 0; i < map->via.map.size; i++) {
        const msgpack_object *key = &map->via.map.ptr[i].key;
        if (key->via.str.size == strlen(name) && memcmp(key->via.str.ptr, name, strlen(name)) == 0)
            return &map->via.map.ptr[i].val;
    }
    return NULL;
}

static UNUSED uint32_t answer_count(const struct answer *answer, const char *list) {
    const msgpack_object *array = object_field(&answer->unpacked.data, list);
    return array ? array->via.array.size : 0;
}

/* True when the list holds a map whose field is the text. */
static UNUSED bool answer_has(const struct answer *answer, const char *list, const char *field, const char *text) {
    const msgpack_object *array = object_field(&answer->unpacked.data, list);
    for (uint32_t i = 0; array && i < array->via.array.size; i++) {
        const msgpack_object *value = object_field(&array->via.array.ptr[i], field);
        if (value && value->via.str.size == strlen(text) && memcmp(value->via.str.ptr, text, strlen(text)) == 0)
            return true;
    }
    return false;
}

/* --- events ------------------------------------------------------------------------------------ */

static UNUSED struct proto_event of_child(const struct proto_id *patient, struct proto_event event) {
    event.has_patient = true;
    event.patient = *patient;
    return event;
}

static UNUSED struct proto_event registration(const struct proto_id *patient, int64_t at, const char *team) {
    return of_child(patient,
                    EV(patient_registered, at, F_TEXT(patient_registered, label, "HM-0001"),
                       F(patient_registered, born, ev_day(2024, 5, 1)),
                       F_TEXT(patient_registered, zone, "Europe/London"), F_TEXT(patient_registered, team, team)));
}

static UNUSED struct proto_event placement(const struct proto_id *patient, int64_t at) {
    return of_child(patient, EV(device_placed, at, F(device_placed, retention, PROTO_retention_balloon),
                                F(device_placed, profile, PROTO_profile_low), F(device_placed, tip, PROTO_tip_stomach),
                                F(device_placed, french_fr, 1400), F(device_placed, length_mm, 1700),
                                F(device_placed, balloon_ml, 500), F(device_placed, why, PROTO_placed_why_scheduled),
                                F(device_placed, place, PROTO_place_hospital),
                                F(device_placed, placed_by, PROTO_placed_by_surgeon),
                                F(device_placed, position, PROTO_position_imaging)));
}

static UNUSED struct proto_event stoma_formed(const struct proto_id *patient, int64_t at) {
    return of_child(patient, EV(stoma_formed, at, F(stoma_formed, formed_on, ev_day(2025, 1, 10)),
                                F(stoma_formed, how, PROTO_how_surgical)));
}

static UNUSED struct proto_event balloon_check(const struct proto_id *patient, int64_t at, int32_t out_ml) {
    return of_child(
        patient, EV(balloon_checked, at, F(balloon_checked, withdrawn_ml, out_ml), F(balloon_checked, filled_ml, 500)));
}

static UNUSED struct proto_event tube_out(const struct proto_id *patient, int64_t at) {
    return of_child(patient, EV(tube_out, at, F(tube_out, trained_present, PROTO_yes_no_unknown_yes)));
}

static UNUSED struct proto_event with_id_value(struct proto_event event, int field, const struct proto_id *id) {
    event.body[field] = (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = *id};
    return event;
}

static UNUSED struct proto_event withdrawal(const struct proto_id *patient, int64_t at, const struct proto_id *target) {
    struct proto_event event = of_child(patient, EV(event_withdrawn, at, F_TEXT(event_withdrawn, reason, "a slip")));
    return with_id_value(event, PROTO_FIELD_event_withdrawn_event, target);
}

static UNUSED struct proto_event confirmation(const struct proto_id *patient, int64_t at, const struct proto_id *of) {
    struct proto_event event = of_child(patient, EV_BARE(withdrawal_confirmed, at));
    return with_id_value(event, PROTO_FIELD_withdrawal_confirmed_withdrawal, of);
}

static UNUSED struct proto_event merge(const struct proto_id *patient, int64_t at, const struct proto_id *into) {
    struct proto_event event = of_child(patient, EV_BARE(patient_merged, at));
    return with_id_value(event, PROTO_FIELD_patient_merged_into, into);
}

/* policy.adopted has a list of a shape of its own: made as a caller would send it. */
struct policy_event {
    struct proto_event event;
    msgpack_unpacked unpacked;
    uint8_t bytes[512];
};

static UNUSED void policy_adopted(struct world *world, struct policy_event *out, int64_t at, const char *team,
                                  const char *name, int64_t hundredths) {
    struct proto_writer w;
    struct proto_fault fault = {0};
    struct proto_id id = world_id(world);
    proto_writer_init(&w, out->bytes, sizeof out->bytes);
    proto_write_map(&w, 4);
    proto_write_text(&w, "id");
    proto_write_id(&w, &id);
    proto_write_text(&w, "kind");
    proto_write_text(&w, "policy.adopted");
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    proto_write_text(&w, "body");
    proto_write_map(&w, team ? 3 : 2);
    if (team) {
        proto_write_text(&w, "team");
        proto_write_text(&w, team);
    }
    proto_write_text(&w, "values");
    proto_write_map(&w, 1);
    proto_write_text(&w, name);
    proto_write_amount(&w, hundredths);
    proto_write_text(&w, "approved_by");
    proto_write_text(&w, "Lead nurse");
    msgpack_unpacked_init(&out->unpacked);
    assert_int_equal(msgpack_unpack_next(&out->unpacked, (const char *)out->bytes, w.size, NULL),
                     MSGPACK_UNPACK_SUCCESS);
    if (proto_event_decode_map(&out->unpacked.data, PROTO_STRICT_RECORD, &out->event, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
}

/* A registered child with a stoma a year old and a device a month old. */
static UNUSED struct proto_id world_child(struct world *world, const char *team) {
    struct proto_id id = world_id(world);
    int64_t at = world->now - 40 * EV_DAY;
    struct proto_event events[] = {registration(&id, at, team), stoma_formed(&id, at + 1), placement(&id, at + 2)};
    struct answer answer;
    enum proto_error code = world_record_as(world, &world_nurse, WORK_WANT_NONE, events, 3, &answer);
    if (code != PROTO_OK)
        fail_msg("a child: %s", answer.fault.message);
    answer_deinit(&answer);
    return id;
}

#endif
