/*
 * serve_world.h - the whole server in one process, on one thread, in virtual time: hub, serve and work over the memory store, with a peer that
 * speaks bytes. For tests that need what a real daemon cannot be made to do on time (a full disk, a failing sync, a rebuild, a full queue), and
 * for the fuzzer.
 */
#ifndef WIRE_SERVE_WORLD_H
#define WIRE_SERVE_WORLD_H

#include "serve/serve.h"
#include "support/wire.h"
#include "work/zones.h"
#include "proto/ids.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct world {
    struct store *store;
    struct work *work;
    struct care_zones *zones;
    struct net_hub *hub;
    struct serve *serve;
    struct net_session *session;
    int64_t now; /* wall and steady clock alike */
    uint64_t entropy;
    int fault_errno; /* what the store's fault point answers */
    enum store_point fault_point;
    bool frozen;                                                   /* work does not move */
    bool (*link_status)(void *arg, struct serve_link_status *out); /* NULL: no upstream; arg: the world */
    uint32_t msgid;
    uint8_t *said; /* what the server wrote */
    size_t said_size, said_cap;
};

static inline int64_t world_now(void *arg) {
    return ((struct world *)arg)->now;
}
static inline void world_entropy(void *arg, uint8_t *out, size_t size) {
    struct world *world = arg;
    for (size_t i = 0; i < size; i++) {
        world->entropy = world->entropy * 6364136223846793005u + 1442695040888963407u;
        out[i] = (uint8_t)(world->entropy >> 56);
    }
}
static inline void world_wake(void *arg) {
    (void)arg;
}
static inline int world_fault(void *arg, enum store_point point) {
    struct world *world = arg;
    return world->fault_errno && point == world->fault_point ? world->fault_errno : 0;
}

static inline void world_open_work(struct world *world) {
    struct proto_fault fault = {0};
    struct work_options options = {.store = world->store,
                                   .seams = {world, world_now, world_entropy, world_wake},
                                   .zones = world->zones,
                                   .order_seed = 7};
    enum proto_error error = work_open(&options, &world->work, &fault);
    if (error != PROTO_OK)
        fail_msg("work_open: %s", fault.message);
    struct serve_options serve = {.store = world->store,
                                  .work = world->work,
                                  .hub = world->hub,
                                  .zones = world->zones,
                                  .clock_arg = world,
                                  .wall_ms = world_now,
                                  .steady_ms = world_now,
                                  .link_arg = world,
                                  .link_status = world->link_status};
    world->serve = serve_new(&serve);
    assert_non_null(world->serve);
}

static inline void world_close_work(struct world *world) {
    serve_stop(world->serve);
    work_close(world->work);
    serve_free(world->serve);
}

static inline bool world_call_in(void *arg, struct net_session *session, const struct proto_message *message,
                                 struct net_ticket ticket, int64_t waited_ms) {
    struct world *world = arg;
    return serve_call(world->serve, session, message, ticket, waited_ms);
}

static inline bool world_push(void *arg, struct net_session *session) {
    struct world *world = arg;
    return serve_push(world->serve, session);
}

static inline void world_gone(void *arg, struct net_session *session) {
    struct world *world = arg;
    serve_gone(world->serve, session);
}

static inline struct world *world_new(void) {
    struct world *world = calloc(1, sizeof *world);
    struct proto_fault fault = {0};
    assert_non_null(world);
    world->now = 1772323200000; /* 2026-03-01T00:00Z */
    world->entropy = 42;
    world->zones = work_zones_load(&fault);
    if (!world->zones)
        fail_msg("zones: %s", fault.message);
    struct store_options options = {.memory = true, .boot_id = "test", .fault = world_fault, .fault_arg = world};
    struct proto_id_maker maker = {0};
    for (int i = 0; i < 3; i++) {
        uint8_t entropy[10];
        world_entropy(world, entropy, sizeof entropy);
        proto_id_make(&maker, world->now, entropy, &options.fresh_ids[i]);
    }
    if (store_open(&options, &world->store, &fault) != PROTO_OK)
        fail_msg("store: %s", fault.message);
    struct net_hub_options hub = {
        .peers_max = 4, .on_call = world_call_in, .on_push = world_push, .on_gone = world_gone, .arg = world};
    net_limits_init(&hub.limits);
    world->hub = net_hub_new(&hub);
    assert_non_null(world->hub);
    world_open_work(world);
    return world;
}

static inline void world_free(struct world *world) {
    if (world->session)
        net_hub_close(world->hub, world->session);
    world_close_work(world);
    net_hub_free(world->hub);
    store_close(world->store);
    work_zones_free(world->zones);
    free(world->said);
    free(world);
}

/* Gathers what the server writes; false when it writes nothing. */
static inline bool world_listen(struct world *world) {
    const uint8_t *bytes = NULL;
    size_t size, before = world->said_size;
    while ((size = net_session_output(world->session, 1u << 20, &bytes)) > 0) {
        if (world->said_size + size > world->said_cap) {
            world->said_cap = 2 * (world->said_size + size);
            world->said = realloc(world->said, world->said_cap);
            assert_non_null(world->said);
        }
        memcpy(world->said + world->said_size, bytes, size);
        world->said_size += size;
        net_hub_wrote(world->hub, world->session, size, world->now);
    }
    return world->said_size > before;
}

/* Runs everything until nothing moves; what the server writes is gathered. */
static inline void world_settle(struct world *world) {
    bool moved = true, worked = true;
    while (moved) {
        moved = false;
        if (worked)
            net_hub_release(world->hub, world->now);
        worked = false;
        for (uint32_t n = net_hub_turns(world->hub); n > 0; n--) {
            (void)net_hub_turn(world->hub);
            moved = true;
        }
        if (world->session)
            net_hub_run(world->hub, world->session, world->now);
        while (!world->frozen && work_run_one(world->work))
            moved = worked = true;
        work_deliver(world->work);
        if (world->session)
            moved = world_listen(world) || moved;
    }
}

static inline void world_feed(struct world *world, const void *bytes, size_t size) {
    if (!world->session)
        world->session = net_hub_open(world->hub, world, true, world->now);
    assert_non_null(world->session);
    net_session_feed(world->session, bytes, size, world->now);
    world_settle(world);
}

static inline void world_hang_up(struct world *world) {
    if (world->session)
        net_hub_close(world->hub, world->session);
    world->session = NULL;
    world->said_size = 0;
}

/* Sends a request; the answer is not waited for. */
static inline uint32_t world_ask(struct world *world, const char *method, const char *params) {
    size_t cap = 4096 + (params ? 2 * strlen(params) : 0);
    uint8_t *bytes = malloc(cap);
    assert_non_null(bytes);
    size_t size = wire_request(bytes, cap, ++world->msgid, method, params);
    world_feed(world, bytes, size);
    free(bytes);
    return world->msgid;
}

/* The answer of a msgid among what was said (which is then forgotten), as [1, msgid, error, result]; NULL when there is none. */
static inline json_t *world_answer(struct world *world, uint32_t msgid) {
    json_t *found = NULL;
    size_t at = 0;
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    while (at < world->said_size &&
           msgpack_unpack_next(&unpacked, (const char *)world->said, world->said_size, &at) == MSGPACK_UNPACK_SUCCESS) {
        json_t *message = wire_read_json(&unpacked.data);
        if (!found && json_integer_value(json_array_get(message, 1)) == msgid)
            found = message;
        else
            json_decref(message);
    }
    msgpack_unpacked_destroy(&unpacked);
    world->said_size = 0;
    return found;
}

/* The code of the answer to a call; "" for success. */
static inline const char *world_code(struct world *world, const char *method, const char *params, char code[32]) {
    json_t *answer = world_answer(world, world_ask(world, method, params));
    if (!answer)
        fail_msg("%s was not answered", method);
    const char *text = json_string_value(json_object_get(json_array_get(answer, 2), "code"));
    (void)snprintf(code, 32, "%s", text ? text : "");
    json_decref(answer);
    return code;
}

static inline json_t *world_result(struct world *world, const char *method, const char *params) {
    json_t *answer = world_answer(world, world_ask(world, method, params));
    if (!answer)
        fail_msg("%s was not answered", method);
    if (!json_is_null(json_array_get(answer, 2)))
        fail_msg("%s %s: %s", method, params ? params : "", json_dumps(json_array_get(answer, 2), 0));
    json_t *result = json_incref(json_array_get(answer, 3));
    json_decref(answer);
    return result;
}

#endif
