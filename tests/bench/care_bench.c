/*
 * care_bench.c - how fast one core folds, plans and looks.
 *
 *     care_bench [--events N] [--children N] [--routine 1]
 *
 * A synthetic mixed history of each child (plausible: mostly routine care) is
 * decoded from canonical bytes and folded in order; then every child is
 * encoded, decoded, planned and viewed. One line for each, and the sizes.
 */
#include "care/care.h"
#include "support/random_events.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define EVENTS_OF_A_CHILD 200

static double seconds(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec / 1e9;
}

static uint64_t argument(int argc, char **argv, const char *name, uint64_t fallback) {
    for (int i = 1; i + 1 < argc; i++) {
        if (strcmp(argv[i], name) == 0)
            return strtoull(argv[i + 1], NULL, 10);
    }
    return fallback;
}

static void report(const char *what, double count, double time, const char *unit) {
    (void)printf("%-28s %12.0f %s a second   (%.2f us each)\n", what, count / time, unit, time * 1e6 / count);
}

static void must(enum proto_error error) {
    if (error != PROTO_OK) {
        (void)fprintf(stderr, "care_bench: %s\n", proto_error_sentence(error));
        exit(1);
    }
}

struct world {
    struct random_history *histories;
    struct care_state *states;
    uint32_t children;
};

static void bench_decode(const struct world *world, uint64_t rounds) {
    struct proto_arena *arena = proto_arena_new();
    struct proto_event event;
    uint64_t events = 0;
    double begin = seconds();
    for (uint64_t round = 0; round < rounds; round++) {
        for (uint32_t i = 0; i < world->children; i++) {
            const struct random_history *h = &world->histories[i];
            for (uint32_t e = 0; e < h->count; e++, events++)
                must(proto_event_decode(h->sent[e].bytes, h->sent[e].size, arena, &event));
            proto_arena_clear(arena);
        }
    }
    report("decode", (double)events, seconds() - begin, "events");
    proto_arena_free(arena);
}

static void bench_fold(const struct world *world, uint64_t rounds) {
    struct proto_arena *arena = proto_arena_new();
    struct proto_event event;
    uint64_t events = 0;
    double begin = seconds();
    for (uint64_t round = 0; round < rounds; round++) {
        for (uint32_t i = 0; i < world->children; i++) {
            const struct random_history *h = &world->histories[i];
            care_state_init(&world->states[i]);
            world->states[i].folded_to = h->last_at;
            for (uint32_t e = 0; e < h->count; e++, events++) {
                must(proto_event_decode(h->sent[e].bytes, h->sent[e].size, arena, &event));
                care_step(&world->states[i], &event, NULL);
            }
            proto_arena_clear(arena);
        }
    }
    report("decode and fold", (double)events, seconds() - begin, "events");
    proto_arena_free(arena);
}

static int by_size(const void *a, const void *b) {
    size_t x = *(const size_t *)a, y = *(const size_t *)b;
    return x < y ? -1 : x > y;
}

static void report_sizes(const char *what, size_t *sizes, uint32_t count) {
    qsort(sizes, count, sizeof *sizes, by_size);
    (void)printf("%-28s %12zu bytes median, %zu at 90 %%, %zu at most\n", what, sizes[count / 2], sizes[count * 9 / 10],
                 sizes[count - 1]);
}

static void bench_encode(const struct world *world) {
    static uint8_t bytes[PROTO_STATE_BYTES_MAX];
    size_t size;
    double begin = seconds();
    for (uint32_t i = 0; i < world->children; i++)
        must(care_state_encode(&world->states[i], bytes, sizeof bytes, &size));
    report("encode a state", world->children, seconds() - begin, "children");
}

static void bench_bytes(const struct world *world) {
    static uint8_t bytes[PROTO_STATE_BYTES_MAX];
    static struct care_state state;
    size_t *sizes = calloc(world->children, sizeof *sizes), *cores = calloc(world->children, sizeof *cores);
    if (!sizes || !cores)
        abort();
    double begin = seconds();
    for (uint32_t i = 0; i < world->children; i++) {
        must(care_state_encode(&world->states[i], bytes, sizeof bytes, &sizes[i]));
        cores[i] = (size_t)bytes[1] << 8 | bytes[2];
        must(care_state_decode(bytes, sizes[i], &state));
    }
    report("encode and decode a state", world->children, seconds() - begin, "children");
    report_sizes("  state", sizes, world->children);
    report_sizes("  its core", cores, world->children);
    free(sizes);
    free(cores);
}

static void bench_plan(const struct world *world) {
    static uint8_t bytes[PROTO_SCHEDULE_BYTES_MAX];
    static struct care_schedule schedule;
    struct care_policy policy;
    struct care_zones zones = {.version = "none"};
    struct care_context context = {.policy = &policy, .zones = &zones};
    struct care_view view;
    size_t *sizes = calloc(world->children, sizeof *sizes);
    double planning = 0, viewing = 0, encoding = 0;
    if (!sizes)
        abort();
    care_policy_init(&policy);
    for (uint32_t i = 0; i < world->children; i++) {
        double start = seconds();
        care_plan(&world->states[i], &context, &schedule);
        double planned = seconds();
        care_view(&schedule, world->histories[i].last_at, &view);
        double viewed = seconds();
        must(care_schedule_encode(&schedule, bytes, sizeof bytes, &sizes[i]));
        encoding += seconds() - viewed;
        viewing += viewed - planned;
        planning += planned - start;
    }
    report("plan", world->children, planning, "children");
    report("view", world->children, viewing, "children");
    report("encode a schedule", world->children, encoding, "children");
    report_sizes("  schedule", sizes, world->children);
    free(sizes);
}

int main(int argc, char **argv) {
    unsigned flavour = RANDOM_PLAUSIBLE | (argument(argc, argv, "--routine", 0) ? RANDOM_ROUTINE : 0);
    uint64_t events = argument(argc, argv, "--events", 1000000);
    struct world world = {.children = (uint32_t)argument(argc, argv, "--children", 500)};
    uint64_t rounds = events / ((uint64_t)world.children * EVENTS_OF_A_CHILD);
    if (world.children == 0 || world.children > 100000) {
        (void)fprintf(stderr, "care_bench: --children takes 1 to 100000\n");
        return 64;
    }
    world.histories = calloc(world.children, sizeof *world.histories);
    world.states = calloc(world.children, sizeof *world.states);
    if (!world.histories || !world.states)
        abort();
    for (uint32_t i = 0; i < world.children; i++)
        random_history_init(&world.histories[i], i + 1, EVENTS_OF_A_CHILD, flavour);
    bench_decode(&world, rounds ? rounds : 1);
    bench_fold(&world, rounds ? rounds : 1);
    bench_encode(&world);
    bench_bytes(&world);
    bench_plan(&world);
    for (uint32_t i = 0; i < world.children; i++)
        random_history_deinit(&world.histories[i]);
    free(world.histories);
    free(world.states);
    return 0;
}
