/*
 * threads_test.c - one log writer, one view writer that also rebuilds, one that syncs, and readers, all at once: for the
 * thread sanitizer, and for the promise that no reader sees an event without what follows from it.
 *
 * cmocka's checks work on the test's own thread only, so the others count what went wrong.
 */
#include "help.h"

#include <pthread.h>
#include <stdatomic.h>

#define BATCHES 150
#define BATCH 4
#define READERS 3

struct shared {
    struct store *store;
    atomic_uint_fast64_t logged, wrong, reads;
    atomic_bool done;
};

static void expect(struct shared *shared, bool good) {
    if (!good)
        atomic_fetch_add(&shared->wrong, 1);
}

static void *write_log(void *arg) {
    struct shared *shared = arg;
    for (uint64_t batch = 0; batch < BATCHES; batch++) {
        expect(shared, help_commit_events(shared->store, batch * BATCH + 1, (batch + 1) * BATCH) == PROTO_OK);
        atomic_store(&shared->logged, (batch + 1) * BATCH);
    }
    return NULL;
}

static bool rebuild(struct store *store, uint64_t seq) {
    struct store_rebuild *made;
    if (store_rebuild_begin(store, &made) != PROTO_OK)
        return false;
    for (uint64_t n = 1; n <= seq; n++) {
        uint8_t key[8];
        store_seq_encode(n, key);
        if (store_rebuild_put(made, STORE_FEED, key, sizeof key, "\1seen", 5) != PROTO_OK)
            return false;
    }
    return store_rebuild_finish(made, seq) == PROTO_OK;
}

static void *write_view(void *arg) {
    struct shared *shared = arg;
    uint64_t seen = 0, commits = 0;
    while (seen < BATCHES * BATCH) {
        uint64_t logged = atomic_load(&shared->logged);
        if (logged == seen)
            continue;
        expect(shared, help_commit_view(shared->store, seen + 1, logged) == PROTO_OK);
        seen = logged;
        if (++commits % 20 == 0)
            expect(shared, rebuild(shared->store, seen));
    }
    atomic_store(&shared->done, true);
    return NULL;
}

static void *sync_view(void *arg) {
    struct shared *shared = arg;
    while (!atomic_load(&shared->done)) {
        struct store_room room;
        struct store_counts counts;
        expect(shared, store_view_sync(shared->store) == PROTO_OK);
        store_room_get(shared->store, &room);
        store_counts_get(shared->store, &counts);
        expect(shared, room.log_used > 0 && counts.view_syncs > 0 && !store_broken(shared->store));
    }
    return NULL;
}

/* The newest event that may be read has its row in the view; the one after it has neither. */
static void *read_all(void *arg) {
    struct shared *shared = arg;
    uint64_t before = 0;
    bool done;
    do {
        struct store_txn *txn;
        struct store_event event;
        struct store_bytes value;
        uint8_t key[8];
        done = atomic_load(&shared->done);
        if (store_read_begin(shared->store, &txn) != PROTO_OK) {
            expect(shared, false);
            break;
        }
        uint64_t seq = store_txn_seq(txn);
        expect(shared, seq >= before);
        before = seq;
        store_seq_encode(seq, key);
        if (seq > 0) {
            expect(shared, store_read_event(txn, seq, &event) == PROTO_OK && event.seq == seq);
            expect(shared, store_get(txn, STORE_FEED, key, sizeof key, &value) == PROTO_OK);
        }
        store_seq_encode(seq + 1, key);
        expect(shared, store_read_event(txn, seq + 1, &event) == PROTO_NOT_FOUND);
        expect(shared, store_get(txn, STORE_FEED, key, sizeof key, &value) == PROTO_NOT_FOUND);
        store_read_end(txn);
        atomic_fetch_add(&shared->reads, 1);
    } while (!done);
    expect(shared, before == BATCHES * BATCH);
    return NULL;
}

static void all_at_once(void **state) {
    (void)state;
    static struct shared shared;
    void *(*const work[])(void *) = {write_log, write_view, sync_view, read_all, read_all, read_all};
    pthread_t threads[3 + READERS];
    char dir[64];
    help_dir_make(dir);
    shared.store = help_open(dir);
    for (size_t i = 0; i < 3 + READERS; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, work[i], &shared), 0);
    for (size_t i = 0; i < 3 + READERS; i++)
        assert_int_equal(pthread_join(threads[i], NULL), 0);
    assert_int_equal(shared.wrong, 0);
    assert_true(shared.reads >= READERS);
    store_close(shared.store);
    struct store *store = help_open(dir);
    uint64_t bad_seq;
    struct proto_fault fault;
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
    assert_int_equal(help_identity(store).log_seq, BATCHES * BATCH);
    assert_int_equal(help_identity(store).view_seq, BATCHES * BATCH);
    store_close(store);
    help_dir_remove(dir);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(all_at_once)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
