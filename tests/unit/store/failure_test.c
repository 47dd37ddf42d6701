/*
 * failure_test.c - full disks, full maps, a failure at every single point, processes killed at random moments.
 *
 * What is checked each time: opened again, the store holds exactly the events that were acknowledged, no batch in part, and
 * its chain verifies.
 */
#define _GNU_SOURCE
#include "help.h"

#include <errno.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

#define BATCH 5

struct fixture {
    char dir[64];
};

static int setup(void **state) {
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    help_dir_make(f->dir);
    *state = f;
    return 0;
}

static int teardown(void **state) {
    struct fixture *f = *state;
    help_dir_remove(f->dir);
    free(f);
    return 0;
}

/* The view of help_commit_view holds a row for each event up to its stamp, and none beyond. */
static void check_view(struct store *store) {
    struct store_txn *txn;
    struct store_scan *scan;
    struct store_bytes key, value;
    uint64_t count = 0, seq;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_scan_begin(txn, STORE_FEED, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
    while (store_scan_next(scan, &key, &value) == PROTO_OK) {
        assert_int_equal(store_seq_decode(key, &seq), PROTO_OK);
        assert_int_equal(seq, ++count);
        assert_true(help_bytes_are(value, "\1seen", 5));
    }
    store_scan_end(scan);
    assert_int_equal(count, store_txn_seq(txn));
    store_read_end(txn);
}

/* Opens, lets the view catch up, reads every event; returns the end of the log. */
static uint64_t check_store(const char *dir) {
    struct store *store = help_open(dir);
    struct proto_fault fault;
    uint64_t bad_seq;
    if (store_verify_chain(store, &bad_seq, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    struct store_identity identity = help_identity(store);
    assert_true(identity.view_seq <= identity.log_seq);
    check_view(store);
    if (identity.view_seq < identity.log_seq)
        assert_int_equal(help_commit_view(store, identity.view_seq + 1, identity.log_seq), PROTO_OK);
    check_view(store);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), identity.log_seq);
    for (uint64_t n = 1; n <= identity.log_seq; n++)
        help_check_event(txn, n);
    store_read_end(txn);
    store_close(store);
    help_check_pages(dir, &identity);
    return identity.log_seq;
}

/* --- no room ------------------------------------------------------------------------------ */

/* Batches of `step` until one is refused; returns the last event that was acknowledged. */
static uint64_t fill_log(struct store *store, uint64_t from, uint64_t step) {
    uint64_t seq = from;
    enum proto_error error = PROTO_OK;
    while (error == PROTO_OK && seq < 100000) {
        error = help_commit_events(store, seq + 1, seq + step);
        if (error == PROTO_OK)
            seq += step;
    }
    assert_int_equal(error, PROTO_FULL);
    return seq;
}

static void set_file_limit(rlim_t bytes) {
    struct rlimit limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &limit), 0);
    limit.rlim_cur = bytes;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
}

/* A limit on the size of files is a full disk that needs no disk of its own: writes fall short, then fail. */
static void full_disk_under_the_log(void **state) {
    struct fixture *f = *state;
    (void)signal(SIGXFSZ, SIG_IGN);
    struct store *store = help_open(f->dir);
    assert_int_equal(help_commit_events(store, 1, 500), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 500), PROTO_OK);
    set_file_limit(1 << 20);
    uint64_t seq = fill_log(store, 500, 500);
    assert_true(seq > 1000);
    assert_false(store_broken(store));
    for (int i = 0; i < 3; i++) /* it stays refused, and stays readable */
        assert_int_equal(help_commit_events(store, seq + 1, seq + 500), PROTO_FULL);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    for (uint64_t n = 1; n <= 500; n++)
        help_check_event(txn, n);
    store_read_end(txn);
    assert_int_equal(help_identity(store).log_seq, seq);
    set_file_limit(RLIM_INFINITY);
    assert_int_equal(help_commit_events(store, seq + 1, seq + 500), PROTO_OK); /* heals by itself */
    store_close(store);
    assert_int_equal(check_store(f->dir), seq + 500);
}

static void full_disk_under_the_view(void **state) {
    struct fixture *f = *state;
    static uint8_t value[1500];
    (void)signal(SIGXFSZ, SIG_IGN);
    struct store *store = help_open(f->dir);
    assert_int_equal(help_commit_events(store, 1, 10), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 10), PROTO_OK);
    set_file_limit(1 << 20);
    enum proto_error error = PROTO_OK;
    for (uint32_t n = 0; error == PROTO_OK && n < 100000; n++) {
        struct store_txn *txn;
        assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
        for (uint32_t i = 0; error == PROTO_OK && i < 50; i++) {
            uint32_t key = n * 50 + i;
            error = store_put(txn, STORE_STATES, &key, sizeof key, value, sizeof value);
        }
        error = store_view_commit(txn, 10);
    }
    assert_int_equal(error, PROTO_FULL);
    assert_false(store_broken(store));
    assert_int_equal(help_commit_events(store, 11, 12), PROTO_OK); /* the log has room left */
    set_file_limit(RLIM_INFINITY);
    assert_int_equal(help_commit_view(store, 11, 12), PROTO_OK);
    store_close(store);
    assert_int_equal(check_store(f->dir), 12);
}

/* At the very start: nothing half-made is left in the way. */
static void full_disk_at_creation(void **state) {
    struct fixture *f = *state;
    (void)signal(SIGXFSZ, SIG_IGN);
    struct store_options options = help_options(f->dir);
    int refused = 0;
    for (rlim_t bytes = 0; bytes < 100000; bytes += 2048) {
        struct store *store;
        struct proto_fault fault = {0};
        set_file_limit(bytes);
        enum proto_error error = store_open(&options, &store, &fault);
        set_file_limit(RLIM_INFINITY);
        if (error == PROTO_OK) {
            store_close(store);
            break;
        }
        refused++;
        assert_true(error == PROTO_FULL || error == PROTO_BROKEN); /* LMDB's lock file cannot say which */
        assert_true(strlen(fault.message) > 20);
    }
    assert_true(refused > 5);
    assert_int_equal(check_store(f->dir), 0);
}

static void full_map(void **state) {
    struct fixture *f = *state;
    struct store_options options = help_options(f->dir);
    options.log_map_bytes = options.view_map_bytes = 1 << 20;
    struct store *store = help_open_with(&options);
    uint64_t seq = fill_log(store, 0, 10);
    assert_true(seq >= 200);
    assert_false(store_broken(store));
    assert_int_equal(store_room_check(store, 1), PROTO_FULL); /* long before, in fact */
    enum proto_error error = PROTO_OK;
    for (uint64_t n = 0; error == PROTO_OK && n < 500; n++) {
        struct store_txn *txn;
        uint8_t value[1500] = {0};
        error = store_view_begin(store, &txn);
        for (uint64_t i = 0; error == PROTO_OK && i < 20; i++) {
            uint64_t key = n * 20 + i;
            error = store_put(txn, STORE_STATES, &key, sizeof key, value, sizeof value);
        }
        error = store_view_commit(txn, 0);
    }
    assert_int_equal(error, PROTO_FULL);
    assert_false(store_broken(store));
    store_close(store);
    assert_int_equal(check_store(f->dir), seq); /* with a larger map */
}

/* Freed pages inside the file count as room again. */
static void view_map_heals_after_deletes(void **state) {
    struct fixture *f = *state;
    struct store_options options = help_options(f->dir);
    options.view_map_bytes = 1 << 20;
    struct store *store = help_open_with(&options);
    uint8_t value[1500] = {0};
    struct store_txn *txn;
    uint32_t keys = 0;
    while (store_room_check(store, 1000) == PROTO_OK) {
        assert_true(keys < 10000);
        assert_int_equal(store_view_begin(store, &txn), PROTO_OK);
        for (int i = 0; i < 10; i++, keys++)
            assert_int_equal(store_put(txn, STORE_STATES, &keys, sizeof keys, value, sizeof value), PROTO_OK);
        assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    }
    assert_int_equal(store_view_begin(store, &txn), PROTO_OK); /* what was kept free is enough to delete with */
    for (uint32_t n = 0; n < keys; n++)
        assert_int_equal(store_delete(txn, STORE_STATES, &n, sizeof n), PROTO_OK);
    assert_int_equal(store_view_commit(txn, 0), PROTO_OK);
    assert_int_equal(store_room_check(store, 1000), PROTO_OK);
    store_close(store);
}

/* --- a failure at every point ---------------------------------------------------------------- */

struct outcome {
    uint64_t acknowledged; /* last event whose commit said OK */
    uint64_t perhaps;      /* last event of a commit whose outcome is not known */
    enum proto_error error;
};

static enum proto_error scenario_rebuild(struct store *store, uint64_t seq) {
    struct store_rebuild *rebuild;
    enum proto_error error = store_rebuild_begin(store, &rebuild);
    if (error != PROTO_OK)
        return error;
    for (uint64_t n = 1; n <= seq; n++) {
        uint8_t key[8];
        store_seq_encode(n, key);
        error = store_rebuild_put(rebuild, STORE_FEED, key, sizeof key, "\1seen", 5);
        if (error != PROTO_OK) {
            store_rebuild_abort(rebuild);
            return error;
        }
    }
    return store_rebuild_finish(rebuild, seq);
}

/* Opening, four batches with their views, a rebuild, a sync, closing. Stops at the first failure, as a daemon does. */
static struct outcome scenario(const char *dir, struct help_fault *hook) {
    struct outcome outcome = {0};
    struct store_options options = help_options(dir);
    struct store *store;
    struct proto_fault fault = {0};
    options.fault = help_fault;
    options.fault_arg = hook;
    outcome.error = store_open(&options, &store, &fault);
    if (outcome.error != PROTO_OK) {
        assert_true(strlen(fault.message) > 20);
        return outcome;
    }
    uint64_t seq = help_identity(store).log_seq;
    outcome.acknowledged = outcome.perhaps = seq;
    for (int batch = 0; outcome.error == PROTO_OK && batch < 4; batch++, seq += BATCH) {
        outcome.perhaps = seq + BATCH;
        outcome.error = help_commit_events(store, seq + 1, seq + BATCH);
        if (outcome.error != PROTO_OK)
            break;
        outcome.acknowledged = seq + BATCH;
        outcome.error = help_commit_view(store, help_identity(store).view_seq + 1, seq + BATCH);
        if (outcome.error == PROTO_OK && batch == 1)
            outcome.error = scenario_rebuild(store, seq + BATCH);
        if (outcome.error == PROTO_OK && batch == 2)
            outcome.error = store_view_sync(store);
    }
    assert_int_equal(store_broken(store), outcome.error == PROTO_BROKEN);
    store_close(store);
    return outcome;
}

static void fail_every_point(int number) {
    uint64_t points[STORE_POINT_LOG_COMMITTED + 1] = {0}, at;
    for (at = 1;; at++) {
        char dir[64];
        struct help_fault hook = {.fail_at = at, .number = number};
        help_dir_make(dir);
        struct outcome outcome = scenario(dir, &hook);
        if (hook.failed) {
            points[hook.point]++;
            /* A failing mark at open or close need not fail anything; where an error came out, it is the right one. */
            bool unsure = hook.point == STORE_POINT_VIEW_SYNC || hook.point == STORE_POINT_LOG_COMMITTED;
            if (outcome.error != PROTO_OK)
                assert_int_equal(outcome.error, number == ENOSPC && !unsure ? PROTO_FULL : PROTO_BROKEN);
        }
        uint64_t found = check_store(dir);
        assert_int_equal(found % BATCH, 0);
        if (hook.failed && hook.point == STORE_POINT_LOG_COMMITTED)
            assert_int_equal(found, outcome.perhaps); /* it was stored, and nobody was told */
        else
            assert_int_equal(found, outcome.acknowledged);
        struct help_fault none = {0};
        assert_int_equal(scenario(dir, &none).acknowledged, found + 4 * BATCH); /* and life goes on */
        help_dir_remove(dir);
        if (!hook.failed)
            break;
    }
    assert_true(at > 60);
    for (size_t i = 0; i < sizeof points / sizeof *points; i++)
        assert_true(points[i] > 0);
}

static void no_room_at_every_point(void **state) {
    (void)state;
    fail_every_point(ENOSPC);
}

static void broken_at_every_point(void **state) {
    (void)state;
    fail_every_point(EIO);
}

/* The same in memory: every failure, then a crash. */
static void memory_at_every_point(void **state) {
    (void)state;
    uint64_t at;
    for (at = 1;; at++) {
        struct help_fault hook = {.fail_at = at, .number = at % 2 ? EIO : ENOSPC};
        struct store_options options = help_options(NULL);
        struct store *store;
        struct proto_fault fault;
        options.fault = help_fault;
        options.fault_arg = &hook;
        if (store_open(&options, &store, &fault) != PROTO_OK)
            continue;
        uint64_t seq = 0;
        enum proto_error error = PROTO_OK;
        while (error == PROTO_OK && seq < 4 * BATCH) {
            error = help_commit_events(store, seq + 1, seq + BATCH);
            if (error == PROTO_OK || hook.point == STORE_POINT_LOG_COMMITTED)
                seq += BATCH;
            if (error == PROTO_OK)
                error = help_commit_view(store, help_identity(store).view_seq + 1, seq);
            if (error == PROTO_OK)
                error = scenario_rebuild(store, seq);
        }
        bool failed = hook.failed;
        store_memory_crash(store, at % 3 == 0);
        assert_false(store_broken(store));
        assert_int_equal(help_identity(store).log_seq, seq);
        check_view(store);
        hook.fail_at = 0;
        assert_int_equal(help_commit_events(store, seq + 1, seq + BATCH), PROTO_OK);
        assert_int_equal(help_commit_view(store, help_identity(store).view_seq + 1, seq + BATCH), PROTO_OK);
        check_view(store);
        store_close(store);
        if (!failed)
            break;
    }
    assert_true(at > 60);
}

/* --- killed ----------------------------------------------------------------------------------- */

/* Writes without end and says so after each acknowledged batch. */
static void write_until_killed(const char *dir, int out) {
    struct store *store = help_open(dir);
    uint64_t seq = help_identity(store).log_seq;
    for (;;) {
        uint64_t view_seq = help_identity(store).view_seq;
        if (view_seq < seq && help_commit_view(store, view_seq + 1, seq) != PROTO_OK)
            _exit(1);
        if (seq % (BATCH * 16) == 0 && scenario_rebuild(store, seq) != PROTO_OK)
            _exit(2);
        if (help_commit_events(store, seq + 1, seq + BATCH) != PROTO_OK)
            _exit(3);
        seq += BATCH;
        if (write(out, &seq, sizeof seq) != sizeof seq)
            _exit(4);
    }
}

static void killed_at_random_moments(void **state) {
    struct fixture *f = *state;
    uint64_t random = 0x5eed5eed, before = 0;
    for (int i = 0; i < 20; i++) {
        int ends[2];
        uint64_t acknowledged = before, seq;
        assert_int_equal(pipe(ends), 0);
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            close(ends[0]);
            write_until_killed(f->dir, ends[1]);
        }
        close(ends[1]);
        for (uint64_t batches = help_random(&random) % 12; batches > 0; batches--) {
            assert_int_equal(read(ends[0], &seq, sizeof seq), sizeof seq);
            acknowledged = seq;
        }
        for (uint64_t spins = help_random(&random) % 300000; spins > 0; spins--) /* anywhere between two answers */
            __asm__ volatile("");
        assert_int_equal(kill(child, SIGKILL), 0);
        int status;
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFSIGNALED(status));
        while (read(ends[0], &seq, sizeof seq) == sizeof seq)
            acknowledged = seq;
        close(ends[0]);
        before = check_store(f->dir);
        assert_true(before == acknowledged ||
                    before == acknowledged + BATCH); /* stored, the answer lost with the process */
    }
    assert_true(before > 20 * BATCH);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(full_disk_under_the_log, setup, teardown),
        cmocka_unit_test_setup_teardown(full_disk_under_the_view, setup, teardown),
        cmocka_unit_test_setup_teardown(full_disk_at_creation, setup, teardown),
        cmocka_unit_test_setup_teardown(full_map, setup, teardown),
        cmocka_unit_test_setup_teardown(view_map_heals_after_deletes, setup, teardown),
        cmocka_unit_test_setup_teardown(killed_at_random_moments, setup, teardown),
        cmocka_unit_test(no_room_at_every_point),
        cmocka_unit_test(broken_at_every_point),
        cmocka_unit_test(memory_at_every_point),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
