/*
 * threads_test.c - the shipped arrangement: log writer, pipeline, workers and a reading thread, over LMDB.
 *
 * Meant to be run under ThreadSanitizer too.
 */
#define _GNU_SOURCE
#include "world.h"

#include <errno.h>
#include <ftw.h>
#include <pthread.h>
#include <stdatomic.h>
#include <unistd.h>

#define CHILDREN 24
#define CALLS 1500
#define IN_FLIGHT 32

struct floor {
    struct world world;
    struct proto_id children[CHILDREN];
    pthread_mutex_t lock;
    pthread_cond_t woken;
    bool wake;
    atomic_bool over;
    atomic_ullong draws;
    uint32_t sent, answered, refused, opened;
};

static int remove_one(const char *path, const struct stat *info, int type, struct FTW *ftw) {
    (void)info, (void)type, (void)ftw;
    return remove(path);
}

static void wake_floor(void *arg) {
    struct floor *floor = arg;
    pthread_mutex_lock(&floor->lock);
    floor->wake = true;
    pthread_cond_signal(&floor->woken);
    pthread_mutex_unlock(&floor->lock);
}

static int64_t floor_now(void *arg) {
    return ((struct floor *)arg)->world.now;
}
static void floor_entropy(void *arg, uint8_t *out, size_t n) {
    struct floor *floor = arg; /* asked from several threads; the world's own is the test's alone */
    uint64_t draw = atomic_fetch_add(&floor->draws, 1) * 0x9e3779b97f4a7c15ull;
    for (size_t i = 0; i < n; i++, draw = draw * 6364136223846793005ull + 1442695040888963407ull)
        out[i] = (uint8_t)(draw >> 56);
}

static void start(struct floor *floor) {
    struct proto_fault fault = {0};
    struct work_options options = {.store = floor->world.store,
                                   .seams = {floor, floor_now, floor_entropy, wake_floor},
                                   .zones = world_zones,
                                   .workers = 2,
                                   .view_sync_ms = 20};
    if (work_open(&options, &floor->world.work, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
}

static void deliver(struct floor *floor) {
    pthread_mutex_lock(&floor->lock);
    while (!floor->wake)
        pthread_cond_wait(&floor->woken, &floor->lock);
    floor->wake = false;
    pthread_mutex_unlock(&floor->lock);
    work_deliver(floor->world.work);
}

static void on_done(void *arg, struct work_call *call) {
    struct floor *floor = arg;
    floor->answered++;
    if (work_call_fault(call)->code != PROTO_OK)
        floor->refused++;
    work_call_free(call);
}

static void send_call(struct floor *floor, const struct proto_event *events, uint32_t count, enum work_want want) {
    struct proto_fault fault;
    struct work_call *call = work_call_new(floor->world.work, &world_nurse, want);
    assert_non_null(call);
    for (uint32_t i = 0; i < count; i++)
        assert_int_equal(work_call_add(call, &events[i], &fault), PROTO_OK);
    floor->sent++;
    work_submit(floor->world.work, call, on_done, floor);
    while (floor->sent - floor->answered >= IN_FLIGHT)
        deliver(floor);
}

static void settle(struct floor *floor) {
    while (floor->answered < floor->sent)
        deliver(floor);
}

static void *read_on(void *arg) {
    struct floor *floor = arg;
    struct work_child *child = work_child_new(floor->world.work);
    struct work_counts counts;
    struct work_progress progress;
    uint64_t seen = 0;
    for (uint32_t i = 0; !atomic_load(&floor->over); i++) {
        struct store_txn *txn;
        assert(store_read_begin(floor->world.store, &txn) == PROTO_OK);
        enum proto_error error =
            work_child_get(floor->world.work, txn, &floor->children[i % CHILDREN], floor->world.now, child);
        assert(error == PROTO_OK || error == PROTO_UNKNOWN_PATIENT);
        assert(store_txn_seq(txn) >= seen);
        seen = store_txn_seq(txn);
        store_read_end(txn);
        work_counts_get(floor->world.work, &counts);
        work_progress_get(floor->world.work, &progress);
    }
    work_child_free(child);
    return NULL;
}

static void record_all(struct floor *floor) {
    for (uint32_t c = 0; c < CHILDREN; c++) {
        floor->children[c] = world_id(&floor->world);
        struct proto_id *id = &floor->children[c];
        int64_t at = floor->world.now - 40 * EV_DAY;
        struct proto_event events[] = {registration(id, at, c % 2 ? "north-shore" : "fell-side"),
                                       stoma_formed(id, at + 1), placement(id, at + 2)};
        send_call(floor, events, 3, WORK_WANT_OPENED);
    }
    settle(floor);
    assert_int_equal(floor->refused, 0);
    pthread_t reader;
    assert_int_equal(pthread_create(&reader, NULL, read_on, floor), 0);
    for (uint32_t i = 0; i < CALLS; i++) {
        const struct proto_id *id = &floor->children[(i * 7) % CHILDREN];
        int64_t at = floor->world.now - (int64_t)((i * 7919) % (30 * 24)) * EV_HOUR; /* any order */
        struct proto_event event = i % 50 == 49 ? tube_out(id, at) : balloon_check(id, at, 300 + (int32_t)(i % 200));
        if (i % 300 == 150) {
            struct policy_event adopted;
            policy_adopted(&floor->world, &adopted, floor->world.now - 1000 + i, NULL, "balloon-loss-ml", 60);
            send_call(floor, &adopted.event, 1, WORK_WANT_NONE);
            msgpack_unpacked_destroy(&adopted.unpacked);
        }
        send_call(floor, &event, 1, (enum work_want)(i % 3));
    }
    settle(floor);
    atomic_store(&floor->over, true);
    (void)pthread_join(reader, NULL);
}

static void test_threads_agree(void **state) {
    (void)state;
    static struct floor floor;
    char dir[] = "work-threads-XXXXXX";
    assert_non_null(mkdtemp(dir));
    world_set(&floor.world, 3);
    floor.world.dir = dir;
    (void)pthread_mutex_init(&floor.lock, NULL);
    (void)pthread_cond_init(&floor.woken, NULL);
    world_open_store(&floor.world);
    start(&floor);
    record_all(&floor);
    assert_int_equal(floor.refused, 0);
    struct work_counts counts;
    work_counts_get(floor.world.work, &counts);
    assert_true(counts.batches < counts.calls); /* calls are gathered into batches */
    world_stop(&floor.world);
    world_verify(&floor.world);
    /* What was under way goes on after the next start, and everything is answered before the end. */
    start(&floor);
    for (uint32_t i = 0; i < 20; i++) {
        struct proto_event event = balloon_check(&floor.children[i], floor.world.now + 1, 450);
        send_call(&floor, &event, 1, WORK_WANT_OPENED);
    }
    world_stop(&floor.world);
    assert_int_equal(floor.answered, floor.sent);
    assert_int_equal(floor.refused, 0);
    world_verify(&floor.world);
    store_close(floor.world.store);
    assert_int_equal(nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS), 0);
}

/* --- no room, and everything derived lost --------------------------------------------------------- */

static atomic_int full_at; /* 1 + the point that finds no room; 0: none */

static int fault_at(void *arg, enum store_point point) {
    (void)arg;
    return atomic_load(&full_at) == 1 + (int)point ? ENOSPC : 0;
}

static void open_floor(struct floor *floor, const char *dir) {
    struct proto_fault fault = {0};
    struct store_options options = {.dir = dir, .boot_id = "boot", .fault = fault_at};
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = world_id(&floor->world);
    if (store_open(&options, &floor->world.store, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    start(floor);
}

struct told {
    struct floor *floor;
    enum proto_error code;
    bool done;
};

static void on_told(void *arg, struct work_call *call) {
    struct told *told = arg;
    told->code = work_call_fault(call)->code;
    told->done = true;
    work_call_free(call);
}

static enum proto_error tell(struct floor *floor, const struct proto_event *event) {
    struct proto_fault fault;
    struct told told = {.floor = floor};
    struct work_call *call = work_call_new(floor->world.work, &world_nurse, WORK_WANT_OPENED);
    assert_non_null(call);
    assert_int_equal(work_call_add(call, event, &fault), PROTO_OK);
    work_submit(floor->world.work, call, on_told, &told);
    while (!told.done)
        deliver(floor);
    return told.code;
}

/* Each refused try asks for the view to be tried again: as often as it takes, and it takes no luck. */
static void until_ok(struct floor *floor, const struct proto_event *event) {
    enum proto_error code;
    while ((code = tell(floor, event)) != PROTO_OK)
        assert_true(code == PROTO_FULL || code == PROTO_REBUILDING); /* either says that nothing was changed */
}

static void test_threads_heal(void **state) {
    (void)state;
    static struct floor floor;
    char dir[] = "work-threads-XXXXXX";
    assert_non_null(mkdtemp(dir));
    world_set(&floor.world, 4);
    (void)pthread_mutex_init(&floor.lock, NULL);
    (void)pthread_cond_init(&floor.woken, NULL);
    open_floor(&floor, dir);
    struct proto_id id = world_id(&floor.world);
    struct proto_event arrival = registration(&id, floor.world.now, "north-shore");
    assert_int_equal(tell(&floor, &arrival), PROTO_OK);
    struct proto_event checks[6];
    for (int i = 0; i < 6; i++)
        checks[i] = balloon_check(&id, floor.world.now - i * EV_HOUR, 450);
    atomic_store(&full_at, 1 + STORE_POINT_LOG_COMMIT);
    assert_int_equal(tell(&floor, &checks[0]), PROTO_FULL);
    atomic_store(&full_at, 1 + STORE_POINT_VIEW_COMMIT);
    assert_int_equal(tell(&floor, &checks[1]), PROTO_OUTCOME_UNKNOWN);
    assert_int_equal(tell(&floor, &checks[2]), PROTO_FULL);
    atomic_store(&full_at, 0);
    until_ok(&floor, &checks[2]);
    assert_int_equal(tell(&floor, &checks[1]), PROTO_OK);
    world_stop(&floor.world);
    world_verify(&floor.world);
    /* All that is derived is made anew; a call that comes meanwhile is told so. */
    store_distrust_view(floor.world.store);
    store_close(floor.world.store);
    open_floor(&floor, dir);
    until_ok(&floor, &checks[3]);
    world_stop(&floor.world);
    world_verify(&floor.world);
    /* Stopped in the middle of that, it begins again at the next start. */
    store_distrust_view(floor.world.store);
    store_close(floor.world.store);
    open_floor(&floor, dir);
    world_stop(&floor.world);
    start(&floor);
    until_ok(&floor, &checks[4]);
    struct proto_fault fault = {0};
    assert_false(work_broken(floor.world.work, &fault));
    atomic_store(&full_at, 0);
    world_stop(&floor.world);
    world_verify(&floor.world);
    store_close(floor.world.store);
    assert_int_equal(nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_threads_agree), cmocka_unit_test(test_threads_heal)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
