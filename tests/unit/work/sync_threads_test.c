/*
 * sync_threads_test.c - pages, offers and calls that record, all at once over the shipped threads and a store on disk, while
 * another thread reads and the node gets another id.
 *
 * Meant to be run under ThreadSanitizer too.
 */
#include "sync_world.h"

#include <errno.h>
#include <ftw.h>
#include <pthread.h>
#include <stdatomic.h>
#include <unistd.h>

enum { CHILDREN = 6, ROUNDS = 60, WAYS = 3 };

struct floor {
    struct world world;
    pthread_mutex_t lock;
    pthread_cond_t woken;
    bool wake;
    atomic_bool over;
    atomic_ullong draws;
    struct proto_id ids[CHILDREN];
    struct made list[CHILDREN][CHILD_EVENTS];
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
    struct floor *floor = arg;
    uint64_t draw = atomic_fetch_add(&floor->draws, 1) * 0x9e3779b97f4a7c15ull;
    for (size_t i = 0; i < n; i++, draw = draw * 6364136223846793005ull + 1442695040888963407ull)
        out[i] = (uint8_t)(draw >> 56);
}

static atomic_int broken_at; /* 1 + the point that fails with EIO; 0: none */

static int fault_at(void *arg, enum store_point point) {
    (void)arg;
    return atomic_load(&broken_at) == 1 + (int)point ? EIO : 0;
}

static void open_floor(struct floor *floor, const char *dir) {
    struct proto_fault fault = {0};
    struct store_options options = {.dir = dir, .boot_id = "boot", .fault = fault_at};
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = world_id(&floor->world);
    if (store_open(&options, &floor->world.store, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    struct work_options work = {.store = floor->world.store,
                                .seams = {floor, floor_now, floor_entropy, wake_floor},
                                .zones = world_zones,
                                .workers = 2,
                                .view_sync_ms = 20};
    if (work_open(&work, &floor->world.work, &fault) != PROTO_OK)
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

static bool look_at_event(void *arg, const struct store_event *event) {
    assert(event->body.size > 0); /* what the view names is there */
    (*(uint32_t *)arg)++;
    return true;
}

static bool look_at_row(void *arg, const struct work_system_row *row) {
    (void)row;
    (*(uint32_t *)arg)++;
    return true;
}

/* The events of a record and its digest are of one moment. */
static void *read_on(void *arg) {
    struct floor *floor = arg;
    struct work *work = floor->world.work;
    static const struct work_scope all = {.all_teams = true};
    for (uint32_t i = 0; !atomic_load(&floor->over); i++) {
        const struct proto_id *id = &floor->ids[i % CHILDREN];
        struct store_txn *txn;
        struct work_digest digest;
        struct work_record_place place = {0};
        enum work_record_state state;
        uint32_t events = 0, rows = 0;
        enum proto_error error = store_read_begin(floor->world.store, &txn);
        assert(error == PROTO_OK);
        error = work_record_state_get(work, txn, &all, id, &state);
        assert(error == PROTO_OK);
        error = work_digest_get(txn, id, &digest);
        assert(error == PROTO_OK);
        error = work_record_events(work, txn, id, &place, look_at_event, &events);
        assert(error == PROTO_OK && events == digest.count);
        assert((state == WORK_RECORD_IN) == (events > 0));
        error = work_system_each(txn, WORK_SYSTEM_LEFT, UINT64_MAX, look_at_row, &rows);
        assert(error == PROTO_OK);
        error = work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, look_at_row, &rows);
        assert(error == PROTO_OK);
        store_read_end(txn);
        (void)work_log_seq(work);
        work_set_clock_offset(work, (int64_t)i);
        struct proto_id node = work_node(work);
        assert(!proto_id_is_zero(&node));
    }
    return NULL;
}

static void start_floor(struct floor *floor, char *dir, uint64_t seed) {
    assert_non_null(mkdtemp(dir));
    memset(floor, 0, sizeof *floor);
    world_set(&floor->world, seed);
    (void)pthread_mutex_init(&floor->lock, NULL);
    (void)pthread_cond_init(&floor->woken, NULL);
    for (uint32_t c = 0; c < CHILDREN; c++) {
        floor->ids[c] = world_id(&floor->world);
        make_child(&floor->world, &floor->ids[c], c % 2 ? NORTH : MILL, floor->list[c]);
    }
    open_floor(floor, dir);
}

static void stop_floor(struct floor *floor, const char *dir) {
    world_stop(&floor->world);
    world_verify(&floor->world);
    store_close(floor->world.store);
    assert_int_equal(nftw(dir, remove_one, 8, FTW_DEPTH | FTW_PHYS), 0);
}

static void wait_for(struct floor *floor, const struct carried *out) {
    while (!out->done)
        deliver(floor);
}

/* Every child comes, goes, comes back and is spoken of, call behind call, nothing awaited but at the end of a round. */
static void test_all_at_once(void **state) {
    (void)state;
    static struct floor floor;
    char dir[] = "work-sync-threads-XXXXXX";
    start_floor(&floor, dir, 1);
    pthread_t reader;
    assert_int_equal(pthread_create(&reader, NULL, read_on, &floor), 0);
    struct proto_id node = work_node(floor.world.work);
    uint32_t lost = 0;
    for (uint32_t round = 0; round < ROUNDS; round++) {
        static struct carried outs[CHILDREN][WAYS];
        static struct answer answers[CHILDREN];
        for (uint32_t c = 0; c < CHILDREN; c++) {
            struct paged come = {.list = floor.list[c], .count = CHILD_EVENTS, .mark = "come"};
            struct paged leave = {.leaves = &floor.ids[c], .leave_count = 1, .pushed_seq = UINT64_MAX};
            send_page(&floor.world, &outs[c][0], &come);
            struct proto_event check = balloon_check(&floor.ids[c], floor.world.now - round * EV_MIN, 300);
            world_send(&floor.world, &world_nurse, WORK_WANT_OPENED, &check, 1, &answers[c]);
            send_page(&floor.world, &outs[c][1], &leave);
            send_page(&floor.world, &outs[c][2], &come);
        }
        if (round % 20 == 10) {
            assert_int_equal(work_renew_node(floor.world.work), PROTO_OK);
            struct proto_id now = work_node(floor.world.work);
            assert_false(work_id_same(&now, &node));
            node = now;
        }
        for (uint32_t c = 0; c < CHILDREN; c++) {
            for (int w = 0; w < WAYS; w++) {
                wait_for(&floor, &outs[c][w]);
                assert_int_equal(outs[c][w].code, PROTO_OK);
            }
            while (!answers[c].done)
                deliver(&floor);
            assert_int_equal(answers[c].code, PROTO_OK);
            answer_deinit(&answers[c]);
            for (uint32_t i = 0; i < CHILD_EVENTS; i++)
                lost += outs[c][2].results[i].state != WORK_SYNC_TAKEN; /* it had left: nothing of it is held */
        }
        assert_int_equal(lost, 0);
    }
    atomic_store(&floor.over, true);
    (void)pthread_join(reader, NULL);
    world_stop(&floor.world);
    for (uint32_t c = 0; c < CHILDREN; c++)
        assert_int_equal(bodies_of(&floor.world, &floor.ids[c]), CHILD_EVENTS);
    stop_floor(&floor, dir);
    made_forget();
}

/* A node id is asked for while the log breaks: whoever asks gets an answer. */
static void test_another_node_on_a_broken_log(void **state) {
    (void)state;
    static struct floor floor;
    for (int point = STORE_POINT_LOG_PUT; point <= STORE_POINT_LOG_COMMIT; point++) {
        char dir[] = "work-sync-threads-XXXXXX";
        struct carried out;
        struct proto_fault fault = {0};
        start_floor(&floor, dir, 2);
        struct paged come = {.list = floor.list[0], .count = CHILD_EVENTS};
        send_page(&floor.world, &out, &come);
        wait_for(&floor, &out);
        assert_int_equal(out.code, PROTO_OK);
        struct proto_id node = work_node(floor.world.work);
        atomic_store(&broken_at, 1 + point);
        assert_int_not_equal(work_renew_node(floor.world.work), PROTO_OK);
        assert_true(work_broken(floor.world.work, &fault));
        assert_int_not_equal(work_renew_node(floor.world.work), PROTO_OK);
        struct proto_id now = work_node(floor.world.work);
        assert_true(work_id_same(&now, &node));
        send_page(&floor.world, &out, &come);
        wait_for(&floor, &out);
        assert_int_equal(out.code, PROTO_STOPPING);
        world_stop(&floor.world);
        atomic_store(&broken_at, 0);
        store_close(floor.world.store);
        open_floor(&floor, dir);
        stop_floor(&floor, dir);
        made_forget();
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_all_at_once),
                                       cmocka_unit_test(test_another_node_on_a_broken_log)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
