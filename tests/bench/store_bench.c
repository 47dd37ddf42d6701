/*
 * store_bench.c - what the store costs, and what the same puts cost without it.
 *
 *     store_bench [--dir DIR] [--children N] [--seconds S]
 *
 * Appends: events of 150 bytes to the log, synced at each commit. Derived: for each event of a random child one state and one
 * schedule (800 bytes each), one task row moved, one history and one feed row, in the unsynced view, after the log's commit.
 * Bare: LMDB alone, two environments with the same flags, tables, keys, values and batches, without chain, marks or stamps
 * of ours. Figures hold for one machine and one run; the directory's disk decides most of them.
 */
#define _GNU_SOURCE
#include <lmdb.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

#include "store/store.h"

#define BODY_BYTES 150
#define ROW_BYTES 800
#define TASK_BYTES 120

struct bench {
    char dir[256];
    uint32_t children;
    double seconds;
    uint64_t random, events; /* events: given out so far, for ids */
    struct store *store;
    uint64_t *task_at;       /* by child: where its task row stands, in the store that is written to */
    uint64_t *task_at_of[2]; /* ours, bare */
};

static double now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return (double)at.tv_sec + (double)at.tv_nsec * 1e-9;
}

static void must(bool good, const char *what) {
    if (good)
        return;
    (void)fprintf(stderr, "store_bench: %s failed\n", what);
    exit(1);
}

static uint64_t random_next(struct bench *b) {
    b->random ^= b->random << 13;
    b->random ^= b->random >> 7;
    b->random ^= b->random << 17;
    return b->random;
}

static void put_be(uint8_t *at, uint64_t n, int size) {
    for (int i = 0; i < size; i++)
        at[i] = (uint8_t)(n >> (8 * (size - 1 - i)));
}

/* Version 7 ids in the order of their making, as a daemon makes them. */
static struct proto_id next_id(struct bench *b) {
    struct proto_id id;
    put_be(id.bytes, 1700000000000u + ++b->events, 6);
    put_be(id.bytes + 6, random_next(b), 8);
    put_be(id.bytes + 14, b->events, 2);
    id.bytes[6] = (uint8_t)(0x70u | (id.bytes[6] & 0x0fu));
    id.bytes[8] = (uint8_t)(0x80u | (id.bytes[8] & 0x3fu));
    return id;
}

/* --- the puts of one event, to whichever store ---------------------------------------------- */

typedef void (*put_fn)(void *arg, enum store_table table, const void *key, size_t key_size, const void *value,
                       size_t size);
typedef void (*delete_fn)(void *arg, enum store_table table, const void *key, size_t key_size);

static size_t task_key(uint8_t key[33], uint32_t child, uint64_t at) {
    put_be(key, child % 500, 4);
    key[4] = (uint8_t)(child % 7);
    put_be(key + 5, at, 8);
    put_be(key + 13, child, 16);
    put_be(key + 29, 0, 4);
    return 33;
}

static void put_derived(struct bench *b, uint64_t seq, uint32_t child, void *arg, put_fn put, delete_fn del) {
    uint8_t key[64], value[ROW_BYTES];
    memset(value, (int)(seq & 0xff), sizeof value);
    memset(key, 0, sizeof key);
    value[0] = 1;
    put_be(value + 1, seq, 8); /* never the same bytes again */
    put_be(key, child, 16);
    put(arg, STORE_STATES, key, 16, value, ROW_BYTES);
    put(arg, STORE_SCHEDULES, key, 16, value, ROW_BYTES);
    put_be(key + 16, seq, 8);
    put_be(key + 24, seq, 17);
    put(arg, STORE_HISTORY, key, 41, value, 11);
    if (b->task_at[child])
        del(arg, STORE_TASKS, key, task_key(key, child, b->task_at[child]));
    b->task_at[child] = 1700000000000u + seq;
    put(arg, STORE_TASKS, key, task_key(key, child, b->task_at[child]), value, TASK_BYTES);
    put_be(key, child % 500, 4);
    put_be(key + 4, seq, 8);
    put(arg, STORE_FEED, key, 12, value, 2);
}

/* --- our store --------------------------------------------------------------------------------- */

static void open_store(struct bench *b, const char *name, bool read_only) {
    char dir[300];
    struct proto_fault fault;
    (void)snprintf(dir, sizeof dir, "%s/%s", b->dir, name);
    struct store_options options = {.dir = dir, .boot_id = "bench", .read_only = read_only};
    for (uint8_t i = 0; i < 3; i++)
        options.fresh_ids[i].bytes[15] = (uint8_t)(i + 1);
    if (store_open(&options, &b->store, &fault) != PROTO_OK)
        (void)fprintf(stderr, "%s\n", fault.message), exit(1);
}

static uint64_t append_batch(struct bench *b, uint32_t batch) {
    uint8_t body[BODY_BYTES];
    struct store_log *log;
    struct store_event event = {.received_at = 1700000000000, .body = {body, sizeof body}};
    memset(body, 0x92, sizeof body);
    must(store_log_begin(b->store, &log) == PROTO_OK, "log begin");
    for (uint32_t i = 0; i < batch; i++) {
        event.id = next_id(b);
        put_be(event.nonce, random_next(b), 8);
        must(store_log_append(log, &event) == PROTO_OK, "append");
    }
    must(store_log_commit(log) == PROTO_OK, "log commit");
    return event.seq;
}

static void store_put_one(void *arg, enum store_table table, const void *key, size_t key_size, const void *value,
                          size_t size) {
    must(store_put(arg, table, key, key_size, value, size) == PROTO_OK, "put");
}

static void store_delete_one(void *arg, enum store_table table, const void *key, size_t key_size) {
    must(store_delete(arg, table, key, key_size) == PROTO_OK, "delete");
}

static void derive_batch(struct bench *b, uint32_t batch, uint64_t last) {
    struct store_txn *txn;
    must(store_view_begin(b->store, &txn) == PROTO_OK, "view begin");
    for (uint32_t i = 0; i < batch; i++)
        put_derived(b, last - batch + 1 + i, (uint32_t)(random_next(b) % b->children), txn, store_put_one,
                    store_delete_one);
    must(store_view_commit(txn, last) == PROTO_OK, "view commit");
}

static void run_store(struct bench *b, uint32_t batch, bool derived) {
    b->task_at = b->task_at_of[0];
    double start = now(), end = start + b->seconds, at;
    uint64_t events = 0;
    do {
        uint64_t last = append_batch(b, batch);
        if (derived)
            derive_batch(b, batch, last);
        events += batch;
        at = now();
    } while (at < end);
    printf("store  %-8s batch %4u: %9.0f events/s, %8.0f commits/s\n", derived ? "derived" : "append", batch,
           (double)events / (at - start), (double)events / batch / (at - start));
}

/* --- LMDB alone -------------------------------------------------------------------------------- */

struct bare {
    MDB_env *log, *view;
    MDB_dbi events, ids, tables[STORE_TABLE_COUNT];
    MDB_txn *txn;
    uint64_t seq;
};

static MDB_env *bare_open(struct bench *b, const char *name, unsigned flags) {
    char path[300];
    MDB_env *env = NULL;
    (void)snprintf(path, sizeof path, "%s/%s", b->dir, name);
    must(mkdir(path, 0700) == 0 && mdb_env_create(&env) == 0 && mdb_env_set_maxdbs(env, 32) == 0 &&
             mdb_env_set_mapsize(env, 1ull << 38) == 0 && mdb_env_open(env, path, MDB_NOTLS | flags, 0600) == 0,
         "bare open");
    return env;
}

static void bare_init(struct bench *b, struct bare *bare) {
    char name[16];
    bare->log = bare_open(b, "bare-log", 0);
    bare->view = bare_open(b, "bare-view", MDB_NOSYNC);
    must(mdb_txn_begin(bare->log, NULL, 0, &bare->txn) == 0 &&
             mdb_dbi_open(bare->txn, "events", MDB_CREATE, &bare->events) == 0 &&
             mdb_dbi_open(bare->txn, "ids", MDB_CREATE, &bare->ids) == 0 && mdb_txn_commit(bare->txn) == 0,
         "bare log");
    must(mdb_txn_begin(bare->view, NULL, 0, &bare->txn) == 0, "bare view");
    for (int i = 0; i < STORE_TABLE_COUNT; i++) {
        (void)snprintf(name, sizeof name, "t%d", i);
        must(mdb_dbi_open(bare->txn, name, MDB_CREATE, &bare->tables[i]) == 0, "bare table");
    }
    must(mdb_txn_commit(bare->txn) == 0, "bare view");
}

static void *plain(const void *bytes) {
    union {
        const void *in;
        void *out;
    } data = {.in = bytes};
    return data.out;
}

static void bare_append(struct bench *b, struct bare *bare, uint32_t batch) {
    uint8_t record[122 + BODY_BYTES], key[8];
    memset(record, 0x92, sizeof record);
    must(mdb_txn_begin(bare->log, NULL, 0, &bare->txn) == 0, "bare begin");
    for (uint32_t i = 0; i < batch; i++) {
        struct proto_id id = next_id(b);
        put_be(key, ++bare->seq, 8);
        MDB_val seq = {8, key}, id_key = {16, id.bytes}, value = {sizeof record, record};
        must(mdb_put(bare->txn, bare->ids, &id_key, &seq, MDB_NOOVERWRITE) == 0, "bare put");
        must(mdb_put(bare->txn, bare->events, &seq, &value, MDB_APPEND) == 0, "bare put");
    }
    must(mdb_txn_commit(bare->txn) == 0, "bare commit");
}

static void bare_put(void *arg, enum store_table table, const void *key, size_t key_size, const void *value,
                     size_t size) {
    struct bare *bare = arg;
    MDB_val key_val = {key_size, plain(key)}, value_val = {size, plain(value)};
    must(mdb_put(bare->txn, bare->tables[table], &key_val, &value_val, 0) == 0, "bare put");
}

static void bare_delete(void *arg, enum store_table table, const void *key, size_t key_size) {
    struct bare *bare = arg;
    MDB_val key_val = {key_size, plain(key)};
    must(mdb_del(bare->txn, bare->tables[table], &key_val, NULL) == 0, "bare delete");
}

static void bare_derive(struct bench *b, struct bare *bare, uint32_t batch) {
    must(mdb_txn_begin(bare->view, NULL, 0, &bare->txn) == 0, "bare begin");
    for (uint32_t i = 0; i < batch; i++)
        put_derived(b, bare->seq - batch + 1 + i, (uint32_t)(random_next(b) % b->children), bare, bare_put,
                    bare_delete);
    must(mdb_txn_commit(bare->txn) == 0, "bare commit");
}

static void run_bare(struct bench *b, struct bare *bare, uint32_t batch, bool derived) {
    b->task_at = b->task_at_of[1];
    double start = now(), end = start + b->seconds, at;
    uint64_t events = 0;
    do {
        bare_append(b, bare, batch);
        if (derived)
            bare_derive(b, bare, batch);
        events += batch;
        at = now();
    } while (at < end);
    printf("bare   %-8s batch %4u: %9.0f events/s, %8.0f commits/s\n", derived ? "derived" : "append", batch,
           (double)events / (at - start), (double)events / batch / (at - start));
}

/* --- filling and reading -------------------------------------------------------------------------- */

/* Every child gets its rows, so that what follows meets a full tree. */
static void fill_store(struct bench *b) {
    b->task_at = b->task_at_of[0];
    double start = now();
    for (uint32_t child = 0; child < b->children;) {
        uint32_t batch = b->children - child < 2000 ? b->children - child : 2000;
        struct store_txn *txn;
        uint64_t last = append_batch(b, batch);
        must(store_view_begin(b->store, &txn) == PROTO_OK, "view begin");
        for (uint32_t i = 0; i < batch; i++)
            put_derived(b, last - batch + 1 + i, child++, txn, store_put_one, store_delete_one);
        must(store_view_commit(txn, last) == PROTO_OK, "view commit");
    }
    printf("store  fill %u children in order: %.0f events/s\n", b->children, b->children / (now() - start));
}

static void fill_bare(struct bench *b, struct bare *bare) {
    b->task_at = b->task_at_of[1];
    for (uint32_t child = 0; child < b->children;) {
        uint32_t batch = b->children - child < 2000 ? b->children - child : 2000;
        bare_append(b, bare, batch);
        must(mdb_txn_begin(bare->view, NULL, 0, &bare->txn) == 0, "bare begin");
        for (uint32_t i = 0; i < batch; i++)
            put_derived(b, bare->seq - batch + 1 + i, child++, bare, bare_put, bare_delete);
        must(mdb_txn_commit(bare->txn) == 0, "bare commit");
    }
}

static void run_reads(struct bench *b) {
    enum { ROUNDS = 200000 };
    struct store_txn *txn;
    struct store_bytes key_found, value;
    uint8_t key[16];
    uint64_t sum = 0;
    double start = now();
    for (int i = 0; i < ROUNDS; i++) {
        must(store_read_begin(b->store, &txn) == PROTO_OK, "read begin");
        sum += store_txn_seq(txn);
        store_read_end(txn);
    }
    printf("store  read begin and end:  %8.0f ns\n", (now() - start) / ROUNDS * 1e9);
    must(store_read_begin(b->store, &txn) == PROTO_OK, "read begin");
    start = now();
    for (int i = 0; i < ROUNDS; i++) {
        put_be(key, random_next(b) % b->children, 16);
        must(store_get(txn, STORE_STATES, key, 16, &value) == PROTO_OK, "get");
        sum += value.data[1];
    }
    printf("store  get a random state:  %8.0f ns\n", (now() - start) / ROUNDS * 1e9);
    start = now();
    for (int i = 0; i < ROUNDS / 20; i++) {
        struct store_scan *scan;
        put_be(key, random_next(b) % 500, 4);
        must(store_scan_begin(txn, STORE_TASKS, key, 4, NULL, 0, false, &scan) == PROTO_OK, "scan");
        for (int row = 0; row < 50 && store_scan_next(scan, &key_found, &value) == PROTO_OK; row++)
            sum += value.data[0];
        store_scan_end(scan);
    }
    printf("store  scan 50 covering rows: %6.0f ns  (%llx)\n", (now() - start) / (ROUNDS / 20) * 1e9,
           (unsigned long long)sum);
    store_read_end(txn);
}

static void run_rebuild(struct bench *b) {
    struct store_rebuild *rebuild;
    uint8_t key[16], value[ROW_BYTES] = {1};
    struct store_identity identity;
    store_identity_get(b->store, &identity);
    double start = now();
    must(store_rebuild_begin(b->store, &rebuild) == PROTO_OK, "rebuild begin");
    for (uint32_t table = 0; table < 2; table++)
        for (uint32_t child = 0; child < b->children; child++) {
            put_be(key, child, 16);
            must(store_rebuild_put(rebuild, table ? STORE_SCHEDULES : STORE_STATES, key, 16, value, ROW_BYTES) ==
                     PROTO_OK,
                 "rebuild put");
        }
    must(store_rebuild_finish(rebuild, identity.log_seq) == PROTO_OK, "rebuild finish");
    printf("store  rebuild, ascending:  %8.0f puts/s\n", 2.0 * b->children / (now() - start));
}

static void run_verify(struct bench *b) {
    struct store_identity identity;
    struct proto_fault fault;
    uint64_t bad_seq;
    store_identity_get(b->store, &identity);
    double start = now();
    must(store_verify_chain(b->store, &bad_seq, &fault) == PROTO_OK, "verify");
    printf("store  verify the chain:    %8.0f events/s\n", (double)identity.log_seq / (now() - start));
}

/* What `verify` does before it trusts LMDB with a file. */
static void run_check(struct bench *b) {
    struct store_room room;
    double start = now();
    open_store(b, "derived", true);
    double took = now() - start;
    store_room_get(b->store, &room);
    printf("store  check every page:    %8.0f MB/s\n", (double)(room.log_used + room.view_used) / took * 1e-6);
    store_close(b->store);
}

int main(int argc, char **argv) {
    static const uint32_t batches[] = {1, 16, 64, 1000};
    struct bench b = {.children = 100000, .seconds = 2, .random = 0x2545f4914f6cdd1d};
    const char *base = "/tmp";
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--children") == 0)
            b.children = (uint32_t)strtoul(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--seconds") == 0)
            b.seconds = strtod(argv[i + 1], NULL);
        else if (strcmp(argv[i], "--dir") == 0)
            base = argv[i + 1];
        else
            must(false, argv[i]);
    }
    must(b.children >= 500 && (size_t)snprintf(b.dir, sizeof b.dir, "%s/betony-bench-XXXXXX", base) < sizeof b.dir &&
             mkdtemp(b.dir) && (b.task_at_of[0] = calloc(b.children, 8)) && (b.task_at_of[1] = calloc(b.children, 8)),
         "setup");
    setvbuf(stdout, NULL, _IOLBF, 0);
    struct bare bare = {0};
    bare_init(&b, &bare);
    open_store(&b, "append", false);
    for (size_t i = 0; i < 8; i++) /* turn and turn about: what else the machine does meets both */
        i % 2 ? run_bare(&b, &bare, batches[i / 2], false) : run_store(&b, batches[i / 2], false);
    run_verify(&b);
    store_close(b.store);
    open_store(&b, "derived", false);
    fill_store(&b);
    fill_bare(&b, &bare);
    for (size_t i = 0; i < 8; i++)
        i % 2 ? run_bare(&b, &bare, batches[i / 2], true) : run_store(&b, batches[i / 2], true);
    run_reads(&b);
    run_rebuild(&b);
    store_close(b.store);
    run_check(&b);
    mdb_env_close(bare.log);
    mdb_env_close(bare.view);
    free(b.task_at_of[0]), free(b.task_at_of[1]);
    char command[300];
    (void)snprintf(command, sizeof command, "rm -rf '%s'", b.dir);
    return system(command) == 0 ? 0 : 1;
}
