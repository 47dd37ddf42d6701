/*
 * floor.h - a store in a directory, work/ with its threads over it, and one thread that calls: for benches of work/.
 */
#ifndef BENCH_FLOOR_H
#define BENCH_FLOOR_H

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>
#include <unistd.h>

#include <msgpack.h>

#include "proto/ids.h"
#include "proto/message.h"
#include "support/care_build.h"
#include "work/inside.h"
#include "work/work.h"
#include "work/zones.h"

#define FLOOR_UNUSED __attribute__((unused))
#define FLOOR_TEAMS 50
#define FLOOR_FILL_CALL 300

struct floor {
    const char *dir;
    struct store *store;
    struct work *work;
    struct care_zones *zones;
    uint32_t workers;
    uint64_t random;
    struct proto_id *children;
    uint32_t child_count;
    pthread_mutex_t lock;
    pthread_cond_t woken;
    bool wake;
    uint32_t waiting; /* calls without an answer */
    uint64_t answered;
    uint64_t until; /* answers after which no new call is sent */
};

static double floor_seconds(void) {
    struct timespec at;
    (void)clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + (double)at.tv_nsec * 1e-9;
}

static void floor_must(bool good, const char *what) {
    if (good)
        return;
    (void)fprintf(stderr, "%s failed\n", what);
    exit(1);
}

static int64_t floor_now(void *arg) {
    (void)arg;
    struct timespec at;
    (void)clock_gettime(CLOCK_REALTIME, &at);
    return (int64_t)at.tv_sec * 1000 + at.tv_nsec / 1000000;
}

static void floor_entropy(void *arg, uint8_t *out, size_t n) {
    (void)arg;
    floor_must(getrandom(out, n, 0) == (ssize_t)n, "entropy");
}

static void floor_wake(void *arg) {
    struct floor *floor = arg;
    pthread_mutex_lock(&floor->lock);
    floor->wake = true;
    pthread_cond_signal(&floor->woken);
    pthread_mutex_unlock(&floor->lock);
}

static FLOOR_UNUSED void floor_deliver(struct floor *floor) {
    pthread_mutex_lock(&floor->lock);
    while (!floor->wake)
        pthread_cond_wait(&floor->woken, &floor->lock);
    floor->wake = false;
    pthread_mutex_unlock(&floor->lock);
    work_deliver(floor->work);
}

static uint64_t floor_random(struct floor *floor) {
    floor->random ^= floor->random << 13;
    floor->random ^= floor->random >> 7;
    floor->random ^= floor->random << 17;
    return floor->random;
}

static void floor_id(struct floor *floor, struct proto_id *out) {
    uint8_t hash[PROTO_HASH_BYTES];
    for (size_t i = 0; i < sizeof hash; i++)
        hash[i] = (uint8_t)(floor_random(floor) >> 24);
    proto_id_from_hash(floor_now(NULL), hash, out);
}

static void floor_open(struct floor *floor) {
    struct proto_fault fault = {0};
    struct store_options options = {.dir = floor->dir, .boot_id = "bench"};
    if (!floor->zones)
        floor->zones = work_zones_load(&fault);
    floor_must(floor->zones != NULL, fault.message);
    for (int i = 0; i < 3; i++)
        floor_id(floor, &options.fresh_ids[i]);
    floor_must(store_open(&options, &floor->store, &fault) == PROTO_OK, fault.message);
    struct work_options with = {.store = floor->store,
                                .seams = {floor, floor_now, floor_entropy, floor_wake},
                                .zones = floor->zones,
                                .workers = floor->workers,
                                .view_sync_ms = floor->workers ? 60000 : 0};
    floor_must(work_open(&with, &floor->work, &fault) == PROTO_OK, fault.message);
    while (!floor->workers && work_run_one(floor->work)) {}
    struct work_progress progress = {0};
    for (work_progress_get(floor->work, &progress); progress.rebuilding; work_progress_get(floor->work, &progress)) {
        struct timespec pause = {0, 1000000}; /* nobody is woken by its end: looked at each millisecond */
        (void)nanosleep(&pause, NULL);
    }
}

static void floor_close(struct floor *floor) {
    work_close(floor->work);
    store_close(floor->store);
    floor->work = NULL;
    floor->store = NULL;
}

static void floor_init(struct floor *floor) {
    (void)pthread_mutex_init(&floor->lock, NULL);
    (void)pthread_cond_init(&floor->woken, NULL);
    floor->random = 0x2545f4914f6cdd1dull;
}

static void floor_on_done(void *arg, struct work_call *call) {
    struct floor *floor = arg;
    const struct proto_fault *fault = work_call_fault(call);
    floor_must(fault->code == PROTO_OK, fault->message);
    work_call_free(call);
    floor->waiting--;
    floor->answered++;
}

static void floor_submit(struct floor *floor, const struct proto_event *events, uint32_t count, enum work_want want,
                         work_done_fn on_done) {
    static const struct work_who who = {.account = "bench", .all_teams = true};
    struct proto_fault fault = {0};
    struct work_call *call;
    while (!(call = work_call_new(floor->work, &who, want)))
        floor_deliver(floor);
    for (uint32_t i = 0; i < count; i++)
        floor_must(work_call_add(call, &events[i], &fault) == PROTO_OK, fault.message);
    floor->waiting++;
    work_submit(floor->work, call, on_done, floor);
}

static struct proto_event floor_of(const struct proto_id *child, struct proto_event event) {
    event.has_patient = true;
    event.patient = *child;
    event.has_id = false; /* the daemon's own: they grow */
    return event;
}

/* A check of a random child's balloon, now: what a caseload sees most. */
static struct proto_event floor_check(struct floor *floor) {
    const struct proto_id *child = &floor->children[floor_random(floor) % floor->child_count];
    int32_t out = 450 + (int32_t)(floor_random(floor) % 50);
    return floor_of(child, EV(balloon_checked, floor_now(NULL), F(balloon_checked, withdrawn_ml, out),
                              F(balloon_checked, filled_ml, 500), F(balloon_checked, look, PROTO_look_clear),
                              F(balloon_checked, fluid, PROTO_fluid_sterile_water)));
}

static void floor_fill_child(struct floor *floor, uint32_t index, struct proto_event *out) {
    static char labels[FLOOR_FILL_CALL][16], teams[FLOOR_TEAMS][16];
    char *label = labels[index % FLOOR_FILL_CALL], *team = teams[index % FLOOR_TEAMS];
    struct proto_id *id = &floor->children[index];
    int64_t at = floor_now(NULL) - (20 + (int64_t)(floor_random(floor) % 60)) * EV_DAY;
    floor_id(floor, id);
    (void)snprintf(label, sizeof labels[0], "HM-%06u", index);
    (void)snprintf(team, sizeof teams[0], "team-%02u", index % FLOOR_TEAMS);
    out[0] =
        floor_of(id, EV(patient_registered, at, F_TEXT(patient_registered, label, label),
                        F(patient_registered, born, ev_day(2023, 1 + (int)(index % 12), 1)),
                        F_TEXT(patient_registered, zone, "Europe/London"), F_TEXT(patient_registered, team, team)));
    out[1] = floor_of(id, EV(stoma_formed, at + 1, F(stoma_formed, formed_on, ev_day(2025, 1, 10)),
                             F(stoma_formed, how, PROTO_how_surgical)));
    out[2] = floor_of(id, EV(device_placed, at + 2, F(device_placed, retention, PROTO_retention_balloon),
                             F(device_placed, profile, PROTO_profile_low), F(device_placed, tip, PROTO_tip_stomach),
                             F(device_placed, french_fr, 1400), F(device_placed, length_mm, 1700),
                             F(device_placed, balloon_ml, 500), F(device_placed, why, PROTO_placed_why_scheduled),
                             F(device_placed, place, PROTO_place_hospital),
                             F(device_placed, placed_by, PROTO_placed_by_surgeon),
                             F(device_placed, position, PROTO_position_imaging)));
}

/* Children with a stoma and a device each. */
static void floor_fill(struct floor *floor, uint32_t count) {
    static struct proto_event events[FLOOR_FILL_CALL];
    floor->children = calloc(count, sizeof *floor->children);
    floor_must(floor->children != NULL, "memory");
    double began = floor_seconds();
    for (floor->child_count = 0; floor->child_count < count;) {
        uint32_t events_made = 0;
        while (events_made + 3 <= FLOOR_FILL_CALL && floor->child_count < count) {
            floor_fill_child(floor, floor->child_count++, events + events_made);
            events_made += 3;
        }
        floor_submit(floor, events, events_made, WORK_WANT_NONE, floor_on_done);
    }
    while (floor->waiting)
        floor_deliver(floor);
    double took = floor_seconds() - began;
    (void)printf("filled      %u children, %.0f events/s in calls of %d\n", count, 3 * count / took, FLOOR_FILL_CALL);
}

static void floor_shell(const char *what, const char *a, const char *b) {
    char command[1200];
    (void)snprintf(command, sizeof command, "%s '%s' '%s'", what, a, b);
    floor_must(system(command) == 0, command);
}

static FLOOR_UNUSED void floor_copy(const char *from, const char *to) {
    floor_shell("cp -r --sparse=always", from, to);
}
static FLOOR_UNUSED void floor_remove(const char *path) {
    floor_shell("rm -rf", path, path);
}

#endif
