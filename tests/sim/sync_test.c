/*
 * sync_test.c - worlds of a server and its laptops, one for each seed: cuts, crashes, restores, clones, moves, merges, and at the
 * end everybody holds the same and nothing is missing.
 *
 * BETONY_SEED=n and BETONY_WORLDS=m try the seeds from n on; --trace tells what happens in each; a failure names its seed and the
 * command that brings it back. The canary is this program with faults planted (--plant=NAME), and is good when it is caught.
 */
#define _GNU_SOURCE
#include "sync_world.h"

#include "work/zones.h"

#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

static const char *program;
static volatile uint64_t seed_now;

void sim_say(const struct sim *sim, const char *format, ...) {
    if (!sim->trace)
        return;
    va_list list;
    va_start(list, format);
    (void)printf("%10.3f  ", (double)sim->now / 1000);
    (void)vprintf(format, list);
    (void)printf("\n");
    va_end(list);
}

void sim_fail(struct sim *sim, const char *format, ...) {
    va_list list;
    va_start(list, format);
    (void)vsnprintf(sim->failure, sizeof sim->failure, format, list);
    va_end(list);
    sim->failed = true;
    longjmp(sim->out, 1);
}

/* An assert of the shipped code speaks for itself; here is how to see it again. */
static void on_abort(int number) {
    char text[256];
    int size = snprintf(text, sizeof text, "seed %llu died: BETONY_SEED=%llu BETONY_WORLDS=1 %s --trace\n",
                        (unsigned long long)seed_now, (unsigned long long)seed_now, program);
    ssize_t written = write(STDERR_FILENO, text, size > 0 ? (size_t)size : 0);
    (void)written;
    (void)signal(number, SIG_DFL);
    (void)raise(number);
}

static void take_down(struct sim *sim) {
    if (!sim->failed)
        for (uint32_t p = 0; p < sim->process_count; p++) {
            if (sim->processes[p].up)
                sim_process_stop(&sim->processes[p]);
            store_close(sim->processes[p].store);
        }
    for (uint32_t b = 0; !sim->failed && b < SIM_BACKUPS_MAX; b++)
        store_close(sim->backups[b].store);
    sim_users_deinit(sim); /* a failed world is left as it is found: nobody knows what state it is in */
    sim_conns_free(sim);
}

/* False: it failed, and said so. */
static bool play(uint64_t seed, bool trace, const struct care_zones *zones, struct sim_totals *totals) {
    static struct sim sim;
    memset(&sim, 0, sizeof sim);
    sim.seed = seed_now = seed;
    sim.random.state = seed * 0x9e3779b97f4a7c15u + 11;
    sim.trace = trace;
    sim.zones = zones;
    sim.totals = totals;
    if (setjmp(sim.out) == 0)
        sim_play(&sim);
    totals->worlds++;
    bool failed = sim.failed;
    if (failed)
        (void)printf("seed %llu: %s\n    BETONY_SEED=%llu BETONY_WORLDS=1 %s --trace\n", (unsigned long long)seed,
                     sim.failure, (unsigned long long)seed, program);
    (void)fflush(stdout);
    take_down(&sim);
    return !failed;
}

static uint64_t number_from(const char *name, uint64_t fallback) {
    const char *text = getenv(name);
    return text ? strtoull(text, NULL, 10) : fallback;
}

static void say_totals(const struct sim_totals *t, double seconds) {
    (void)printf(
        "%llu worlds in %.1f s: %llu events acknowledged, %llu of them at laptops, %llu lost with the last store "
        "that held them; %llu connections, %llu cut, %llu crashes, %llu MB\n",
        (unsigned long long)t->worlds, seconds, (unsigned long long)t->events_acked,
        (unsigned long long)t->acked_at_nodes, (unsigned long long)t->events_lost, (unsigned long long)t->connects,
        (unsigned long long)t->cuts, (unsigned long long)t->crashes, (unsigned long long)(t->bytes >> 20));
    (void)printf("%llu records and %llu statuses compared; %llu refused, %llu replaced, %llu left, %llu erased, %llu "
                 "handed back to the server; settled after "
                 "%.1f s, at most %.1f s\n",
                 (unsigned long long)t->records, (unsigned long long)t->statuses, (unsigned long long)t->refused,
                 (unsigned long long)t->replaced, (unsigned long long)t->left, (unsigned long long)t->erased,
                 (unsigned long long)t->received_again,
                 t->worlds ? (double)t->settle_ms / 1000 / (double)t->worlds : 0.0, (double)t->settle_ms_max / 1000);
}

/* Worlds in which nothing happens show nothing. */
static bool enough_happened(const struct sim_totals *t) {
    return t->events_acked > t->worlds * 20 && t->acked_at_nodes > t->worlds * 5 && t->cuts > t->worlds &&
           t->crashes > t->worlds / 2 && t->statuses > t->worlds * 4 && t->left > t->worlds / 10 && t->replaced > 0 &&
           t->received_again > 0 && t->refused < t->events_acked / 50;
}

int main(int argc, char **argv) {
    bool trace = false, canary = false, keep_going = getenv("BETONY_KEEP_GOING") != NULL;
    struct sim_totals totals = {0};
    struct proto_fault fault = {0};
    struct timespec began, ended;
    program = argv[0];
    for (int i = 1; i < argc; i++) {
        trace |= strcmp(argv[i], "--trace") == 0;
        if (sim_plant && strncmp(argv[i], "--plant=", 8) == 0)
            canary |= sim_plant(argv[i] + 8);
    }
    uint64_t usual = getenv("BETONY_TEST_SHORT") ? 120 : 2000;
    uint64_t first = number_from("BETONY_SEED", 1), worlds = number_from("BETONY_WORLDS", canary ? 500 : usual);
    struct care_zones *zones = work_zones_load(&fault);
    if (!zones) {
        (void)printf("%s\n", fault.message);
        return 1;
    }
    (void)setvbuf(stdout, NULL, _IOLBF, 0); /* what was said stays said when an assert ends it */
    (void)signal(SIGABRT, on_abort);
    (void)signal(SIGSEGV, on_abort);
    (void)clock_gettime(CLOCK_MONOTONIC, &began);
    bool good = true;
    for (uint64_t seed = first; seed < first + worlds && (good || keep_going); seed++)
        good &= play(seed, trace, zones, &totals);
    (void)clock_gettime(CLOCK_MONOTONIC, &ended);
    say_totals(&totals, (double)(ended.tv_sec - began.tv_sec) + (double)(ended.tv_nsec - began.tv_nsec) / 1e9);
    if (good && !canary && totals.worlds >= 500 && !enough_happened(&totals)) {
        (void)printf("Too little happened for this to mean anything.\n");
        good = false;
    }
    work_zones_free(zones);
    if (canary)
        (void)printf(good ? "The planted fault was not caught.\n" : "The planted fault was caught in world %llu.\n",
                     (unsigned long long)totals.worlds);
    return good == canary;
}
