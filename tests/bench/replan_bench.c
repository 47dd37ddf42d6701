/*
 * replan_bench.c - a policy change over many children: how long until all lists have settled, and how recording goes on.
 *
 *     replan_bench [--dir DIR] [--children N] [--callers N]
 *
 * Callers record one balloon check after the other, of children at random; the rate is taken before the change, while the
 * children are replanned, and afterwards. Then the same without callers, and a rebuild of everything derived. Figures hold
 * for one machine and one run.
 */
#define _GNU_SOURCE
#include "floor.h"

static void call_again(void *arg, struct work_call *call) {
    struct floor *floor = arg;
    floor_on_done(arg, call);
    if (floor->answered + floor->waiting < floor->until) {
        struct proto_event event = floor_check(floor);
        floor_submit(floor, &event, 1, WORK_WANT_OPENED, call_again);
    }
}

static void start_callers(struct floor *floor, uint32_t callers) {
    floor->until = UINT64_MAX;
    for (uint32_t i = 0; i < callers; i++) {
        struct proto_event event = floor_check(floor);
        floor_submit(floor, &event, 1, WORK_WANT_OPENED, call_again);
    }
}

static bool settling(struct floor *floor) {
    struct work_progress progress;
    work_progress_get(floor->work, &progress);
    return progress.settling;
}

/* Recording for so long, or while the children settle; answers a second. */
static double record_for(struct floor *floor, double seconds, bool while_settling, double *took) {
    uint64_t answered = floor->answered;
    double began = floor_seconds();
    do
        floor_deliver(floor);
    while (while_settling ? settling(floor) : floor_seconds() - began < seconds);
    *took = floor_seconds() - began;
    return (double)(floor->answered - answered) / *took;
}

/* A value for all teams, as a caller would send it. */
static void adopt(struct floor *floor, int64_t hundredths) {
    uint8_t bytes[256];
    struct proto_writer w;
    msgpack_unpacked unpacked;
    struct proto_event event;
    struct proto_fault fault = {0};
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_map(&w, 3);
    proto_write_text(&w, "kind");
    proto_write_text(&w, "policy.adopted");
    proto_write_text(&w, "at");
    proto_write_int(&w, floor_now(NULL));
    proto_write_text(&w, "body");
    proto_write_map(&w, 2);
    proto_write_text(&w, "values");
    proto_write_map(&w, 1);
    proto_write_text(&w, "balloon-check-days");
    proto_write_amount(&w, hundredths);
    proto_write_text(&w, "approved_by");
    proto_write_text(&w, "bench");
    msgpack_unpacked_init(&unpacked);
    floor_must(msgpack_unpack_next(&unpacked, (const char *)bytes, w.size, NULL) == MSGPACK_UNPACK_SUCCESS, "unpack");
    floor_must(proto_event_decode_map(&unpacked.data, PROTO_STRICT_RECORD, &event, &fault) == PROTO_OK, fault.message);
    uint64_t answered = floor->answered;
    floor->until = floor->waiting ? floor->until : 0;
    floor_submit(floor, &event, 1, WORK_WANT_NONE, floor_on_done);
    while (!settling(floor) && (floor->waiting > 1 || floor->answered == answered))
        floor_deliver(floor);
    msgpack_unpacked_destroy(&unpacked);
}

static double rebuild(struct floor *floor) {
    store_distrust_view(floor->store);
    floor_close(floor);
    double began = floor_seconds();
    floor_open(floor);
    return floor_seconds() - began;
}

static double resident_mb(void) {
    unsigned long all = 0, resident = 0;
    FILE *file = fopen("/proc/self/statm", "re");
    if (file) {
        if (fscanf(file, "%lu %lu", &all, &resident) != 2)
            resident = 0;
        (void)fclose(file);
    }
    return (double)resident * (double)sysconf(_SC_PAGESIZE) / 1e6;
}

static void run(struct floor *floor, uint32_t callers) {
    double took = 0;
    start_callers(floor, callers);
    double before = record_for(floor, 3, false, &took);
    adopt(floor, 600);
    double during = record_for(floor, 0, true, &took);
    (void)printf(
        "settled     %u children in %.1f s (%.0f a second) while %u callers recorded %.0f events/s; before: %.0f\n",
        floor->child_count, took, floor->child_count / took, callers, during, before);
    double after = record_for(floor, 3, false, &took);
    (void)printf("after       %.0f events/s\n", after);
    floor->until = 0;
    while (floor->waiting)
        floor_deliver(floor);
    double began = floor_seconds();
    adopt(floor, 500);
    while (settling(floor)) {
        struct timespec pause = {0, 1000000}; /* nobody is woken by the job's end: looked at each millisecond */
        (void)nanosleep(&pause, NULL);
    }
    took = floor_seconds() - began;
    (void)printf("settled     %u children in %.1f s (%.0f a second) with nobody recording\n", floor->child_count, took,
                 floor->child_count / took);
    struct store_identity identity;
    store_identity_get(floor->store, &identity);
    took = rebuild(floor);
    (void)printf("rebuilt     %llu events in %.1f s (%.0f events/s); %.0f MB resident\n",
                 (unsigned long long)identity.log_seq, took, (double)identity.log_seq / took, resident_mb());
}

static void check(struct floor *floor) {
    uint64_t children = 0, rows = 0;
    struct proto_fault fault = {0};
    double began = floor_seconds();
    work_close(floor->work);
    floor_must(work_verify(floor->store, floor->zones, &children, &rows, &fault) == PROTO_OK, fault.message);
    (void)printf("verified    %llu children, %llu rows in %.1f s\n", (unsigned long long)children,
                 (unsigned long long)rows, floor_seconds() - began);
    store_close(floor->store);
}

int main(int argc, char **argv) {
    const char *dir = "/tmp";
    uint32_t children = 100000, callers = 16;
    static struct floor floor;
    char base[300];
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--dir") == 0)
            dir = argv[i + 1];
        else if (strcmp(argv[i], "--children") == 0)
            children = (uint32_t)strtoul(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--callers") == 0)
            callers = (uint32_t)strtoul(argv[i + 1], NULL, 10);
        else
            floor_must(false, argv[i]);
    }
    (void)snprintf(base, sizeof base, "%s/betony-replan-XXXXXX", dir);
    floor_must(mkdtemp(base) != NULL && children > 0 && callers > 0, "setup");
    setvbuf(stdout, NULL, _IOLBF, 0);
    floor_init(&floor);
    floor.dir = base;
    floor.workers = 2;
    floor_open(&floor);
    floor_fill(&floor, children);
    run(&floor, callers);
    check(&floor);
    floor_remove(base);
    free(floor.children);
    work_zones_free(floor.zones);
    return 0;
}
