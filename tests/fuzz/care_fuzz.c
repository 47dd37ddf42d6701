/*
 * care_fuzz.c - hostile bytes for the decoders of care states, schedules and alerts.
 *
 *     care_fuzz [--runs N] [--seed S]
 *
 * Each run mutates the encoding of a random history. Nothing may crash; what is
 * accepted must encode to the same bytes, and can be planned and viewed.
 */
#include "care/care.h"
#include "support/random_events.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t argument(int argc, char **argv, const char *name, uint64_t fallback) {
    for (int i = 1; i + 1 < argc; i++) {
        if (strcmp(argv[i], name) == 0)
            return strtoull(argv[i + 1], NULL, 10);
    }
    return fallback;
}

static void check(bool holds, const char *what, uint64_t run) {
    if (holds)
        return;
    (void)fprintf(stderr, "care_fuzz: %s in run %llu\n", what, (unsigned long long)run);
    abort();
}

static uint8_t bytes[PROTO_STATE_BYTES_MAX + 64], again[2 * PROTO_STATE_BYTES_MAX];
static struct care_state state;
static struct care_schedule schedule;
static struct care_policy policy;
static const struct care_zones zones = {.version = "none"};

static size_t mutate(struct random_source *source, size_t size) {
    uint32_t changes = 1 + random_below(source, 4);
    for (uint32_t i = 0; i < changes && size > 0; i++) {
        uint32_t at = random_below(source, (uint32_t)size);
        switch (random_below(source, 5)) {
        case 0:
            bytes[at] ^= (uint8_t)(1u << random_below(source, 8));
            break;
        case 1:
            bytes[at] = (uint8_t)random_next(source);
            break;
        case 2:
            size = at;
            break;
        case 3:
            memmove(bytes + at, bytes + at + 1, size - at - 1);
            size--;
            break;
        default:
            bytes[at] = 0xff;
            break;
        }
    }
    return size;
}

static void try_state(struct random_source *source, size_t size, uint64_t run) {
    struct care_context context = {.policy = &policy, .zones = &zones};
    struct care_view view;
    size_t same = 0;
    size = mutate(source, size);
    if (care_state_decode(bytes, size, &state) != PROTO_OK)
        return;
    check(care_state_encode(&state, again, sizeof again, &same) == PROTO_OK, "an accepted state does not encode", run);
    bool older = again[0] != bytes[0]; /* one of an older format is written in the newest */
    check(older || (same == size && memcmp(again, bytes, size) == 0), "an accepted state encodes to other bytes", run);
    care_plan(&state, &context, &schedule);
    care_view(&schedule, (int64_t)(random_next(source) % PROTO_TIME_MAX), &view);
    check(view.level >= PROTO_LEVEL_NOW && view.level <= PROTO_LEVEL_SETTLED, "no level", run);
}

static void try_schedule(struct random_source *source, size_t size, uint64_t run) {
    struct care_view view;
    size_t same = 0;
    size = mutate(source, size);
    if (care_schedule_decode(bytes, size, &schedule) != PROTO_OK)
        return;
    check(care_schedule_encode(&schedule, again, sizeof again, &same) == PROTO_OK && same == size &&
              memcmp(again, bytes, size) == 0,
          "an accepted schedule encodes to other bytes", run);
    int64_t now = (int64_t)random_next(source);
    care_view(&schedule, now, &view);
    check(care_next_crossing(&schedule, now) > now || now == INT64_MAX, "a crossing does not lie ahead", run);
}

static void run_once(struct random_source *source, struct random_history *h, uint64_t run) {
    struct care_context context = {.policy = &policy, .zones = &zones};
    uint32_t order[120];
    size_t size = 0;
    care_fold(&state, h->events, 1 + random_below(source, h->count), order, INT64_MAX);
    bool whole = random_chance(source, 50);
    if (!whole)
        care_plan(&state, &context, &schedule);
    enum proto_error error = whole ? care_state_encode(&state, bytes, sizeof bytes, &size)
                                   : care_schedule_encode(&schedule, bytes, sizeof bytes, &size);
    check(error == PROTO_OK, "a fold does not encode", run);
    if (whole)
        try_state(source, size, run);
    else
        try_schedule(source, size, run);
    size = random_below(source, 64); /* and bytes of no meaning */
    for (size_t i = 0; i < size; i++)
        bytes[i] = i == 0 ? 1 : (uint8_t)random_next(source);
    struct care_alert alert;
    (void)!care_alert_decode(bytes, size, &alert);
    (void)!care_state_decode(bytes, size, &state);
    (void)!care_schedule_decode(bytes, size, &schedule);
}

int main(int argc, char **argv) {
    uint64_t runs = argument(argc, argv, "--runs", 20000), seed = argument(argc, argv, "--seed", 1);
    struct random_source source = {seed};
    care_policy_init(&policy);
    for (uint64_t run = 0; run < runs;) {
        struct random_history h;
        random_history_init(&h, seed + run, 120, run % 3 ? RANDOM_PLAUSIBLE | RANDOM_VOIDS : RANDOM_VOIDS);
        for (int i = 0; i < 40 && run < runs; i++, run++)
            run_once(&source, &h, run);
        random_history_deinit(&h);
    }
    (void)printf("care_fuzz: %llu runs\n", (unsigned long long)runs);
    return 0;
}
