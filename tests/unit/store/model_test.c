/*
 * model_test.c - thousands of random operations on a store, and the same on a model too simple to be wrong: sorted arrays.
 *
 * What always holds in the model: what a reader may see is what was committed, and nothing else.
 */
#include "help.h"

#include <fcntl.h>

#define ROUNDS 400
#define KEYS_MAX 4096
#define TABLES 3

static const enum store_table tables[TABLES] = {STORE_TASKS, STORE_HISTORY, STORE_LABELS};

struct model_row {
    size_t key_size, value_size;
    uint8_t key[24], value[300];
};

struct model_table {
    size_t count;
    struct model_row rows[KEYS_MAX];
};

struct model {
    uint64_t seq;
    struct model_table tables[TABLES];
};

struct run {
    char dir[64];
    bool memory;
    struct store *store;
    uint64_t random, log_seq;
    struct model committed, working;
};

static int compare(const void *a, size_t a_size, const void *b, size_t b_size) {
    int order = memcmp(a, b, a_size < b_size ? a_size : b_size);
    return order != 0 ? order : (a_size > b_size) - (a_size < b_size);
}

/* Index of the first row at or above the key. */
static size_t model_find(const struct model_table *table, const uint8_t *key, size_t key_size) {
    size_t at = 0;
    while (at < table->count && compare(table->rows[at].key, table->rows[at].key_size, key, key_size) < 0)
        at++;
    return at;
}

static bool model_has(const struct model_table *table, size_t at, const uint8_t *key, size_t key_size) {
    return at < table->count && compare(table->rows[at].key, table->rows[at].key_size, key, key_size) == 0;
}

static void model_put(struct model_table *table, const struct model_row *row) {
    size_t at = model_find(table, row->key, row->key_size);
    if (!model_has(table, at, row->key, row->key_size)) {
        assert_true(table->count < KEYS_MAX);
        memmove(&table->rows[at + 1], &table->rows[at], (table->count - at) * sizeof *row);
        table->count++;
    }
    table->rows[at] = *row;
}

static void model_delete(struct model_table *table, const struct model_row *row) {
    size_t at = model_find(table, row->key, row->key_size);
    if (!model_has(table, at, row->key, row->key_size))
        return;
    table->count--;
    memmove(&table->rows[at], &table->rows[at + 1], (table->count - at) * sizeof *row);
}

static uint64_t below(struct run *run, uint64_t n) {
    return help_random(&run->random) % n;
}

/* Short keys over few letters: many meet, many begin alike, ff among them. */
static void random_row(struct run *run, struct model_row *row) {
    static const uint8_t letters[] = {0x00, 0x01, 0x7f, 0xfe, 0xff};
    memset(row, 0, sizeof *row);
    row->key_size = 1 + below(run, 6);
    for (size_t i = 0; i < row->key_size; i++)
        row->key[i] = letters[below(run, sizeof letters)];
    row->value_size = below(run, 8) == 0 ? below(run, sizeof row->value) : below(run, 4);
    for (size_t i = 0; i < row->value_size; i++)
        row->value[i] = (uint8_t)below(run, 3);
}

static void check_row(struct store_bytes key, struct store_bytes value, const struct model_row *row) {
    assert_true(help_bytes_are(key, row->key, row->key_size));
    assert_true(help_bytes_are(value, row->value, row->value_size));
}

static bool begins_with(const struct model_row *row, const uint8_t *prefix, size_t size) {
    return row->key_size >= size && memcmp(row->key, prefix, size) == 0;
}

/* One scan with a random prefix, start and direction, against the model's own answer by looking at every row. */
static void check_scan(struct run *run, struct store_txn *txn, const struct model *model) {
    struct model_row from, prefix;
    struct store_scan *scan;
    struct store_bytes key, value;
    unsigned t = (unsigned)below(run, TABLES);
    const struct model_table *table = &model->tables[t];
    random_row(run, &from);
    random_row(run, &prefix);
    size_t prefix_size = below(run, 3), from_size = below(run, 2) ? from.key_size : 0;
    bool backwards = below(run, 2);
    assert_int_equal(store_scan_begin(txn, tables[t], prefix.key, prefix_size, from.key, from_size, backwards, &scan),
                     PROTO_OK);
    for (size_t i = 0; i < table->count; i++) {
        const struct model_row *row = &table->rows[backwards ? table->count - 1 - i : i];
        int order = from_size ? compare(row->key, row->key_size, from.key, from_size) : 0;
        if (!begins_with(row, prefix.key, prefix_size) || (from_size && (backwards ? order >= 0 : order < 0)))
            continue;
        assert_int_equal(store_scan_next(scan, &key, &value), PROTO_OK);
        check_row(key, value, row);
    }
    assert_int_equal(store_scan_next(scan, &key, &value), PROTO_NOT_FOUND);
    store_scan_end(scan);
}

static void check_against(struct run *run, struct store_txn *txn, const struct model *model) {
    struct store_bytes value;
    struct model_row row;
    for (int i = 0; i < 4; i++)
        check_scan(run, txn, model);
    for (int i = 0; i < 8; i++) {
        unsigned t = (unsigned)below(run, TABLES);
        random_row(run, &row);
        size_t at = model_find(&model->tables[t], row.key, row.key_size);
        bool there = model_has(&model->tables[t], at, row.key, row.key_size);
        assert_int_equal(store_get(txn, tables[t], row.key, row.key_size, &value), there ? PROTO_OK : PROTO_NOT_FOUND);
        if (there)
            check_row(store_bytes_of(row.key, row.key_size), value, &model->tables[t].rows[at]);
    }
}

static void check_readers(struct run *run) {
    struct store_txn *txn;
    struct store_event event;
    assert_int_equal(store_read_begin(run->store, &txn), PROTO_OK);
    assert_int_equal(store_txn_seq(txn), run->committed.seq);
    check_against(run, txn, &run->committed);
    if (run->committed.seq > 0)
        help_check_event(txn, 1 + below(run, run->committed.seq));
    assert_int_equal(store_read_event(txn, run->committed.seq + 1, &event), PROTO_NOT_FOUND);
    store_read_end(txn);
}

static void log_round(struct run *run) {
    uint64_t count = below(run, 4);
    struct store_log *log;
    assert_int_equal(store_log_begin(run->store, &log), PROTO_OK);
    for (uint64_t i = 1; i <= count; i++)
        assert_int_equal(help_append(log, run->log_seq + i), PROTO_OK);
    if (below(run, 4) == 0) {
        store_log_abort(log);
        return;
    }
    assert_int_equal(store_log_commit(log), PROTO_OK);
    run->log_seq += count;
}

static void view_round(struct run *run) {
    struct store_txn *txn;
    struct model_row row;
    assert_int_equal(store_view_begin(run->store, &txn), PROTO_OK);
    run->working = run->committed;
    uint64_t operations = below(run, 60);
    for (uint64_t i = 0; i < operations; i++) {
        unsigned t = (unsigned)below(run, TABLES);
        random_row(run, &row);
        if (below(run, 3) == 0) {
            assert_int_equal(store_delete(txn, tables[t], row.key, row.key_size), PROTO_OK);
            model_delete(&run->working.tables[t], &row);
        } else {
            assert_int_equal(store_put(txn, tables[t], row.key, row.key_size, row.value, row.value_size), PROTO_OK);
            model_put(&run->working.tables[t], &row);
        }
        if (below(run, 20) == 0)
            check_readers(run); /* who must not see any of this */
    }
    check_against(run, txn, &run->working);
    if (below(run, 4) == 0) {
        store_view_abort(txn);
        return;
    }
    run->working.seq = run->committed.seq + below(run, run->log_seq - run->committed.seq + 1);
    assert_int_equal(store_view_commit(txn, run->working.seq), PROTO_OK);
    run->committed = run->working;
}

/* Loads what is committed into a new view, in a random order of tables. */
static void rebuild_round(struct run *run) {
    struct store_rebuild *rebuild;
    assert_int_equal(store_rebuild_begin(run->store, &rebuild), PROTO_OK);
    for (unsigned i = 0; i < TABLES; i++) {
        unsigned t = (i + (unsigned)run->log_seq) % TABLES;
        const struct model_table *table = &run->committed.tables[t];
        for (size_t r = 0; r < table->count; r++) {
            const struct model_row *row = &table->rows[r % 2 ? table->count - 1 - r + (table->count % 2 ? 0 : 1) : r];
            assert_int_equal(
                store_rebuild_put(rebuild, tables[t], row->key, row->key_size, row->value, row->value_size), PROTO_OK);
        }
        for (size_t r = 0; r < table->count; r++) { /* whichever the order above left out */
            const struct model_row *row = &table->rows[r];
            assert_int_equal(
                store_rebuild_put(rebuild, tables[t], row->key, row->key_size, row->value, row->value_size), PROTO_OK);
        }
    }
    assert_int_equal(store_rebuild_finish(rebuild, run->committed.seq), PROTO_OK);
}

static void lose_view(struct run *run) {
    memset(&run->committed, 0, sizeof run->committed);
    assert_true(help_identity(run->store).view_lost);
}

/* A crash with transactions open in memory; a close and an open, now and then after a power cut, on disk. */
static void restart_round(struct run *run) {
    struct store_options options = help_options(run->memory ? NULL : run->dir);
    bool lose = below(run, 4) == 0;
    if (run->memory) {
        struct store_txn *txn;
        struct store_log *log;
        assert_int_equal(store_view_begin(run->store, &txn), PROTO_OK);
        assert_int_equal(store_put(txn, STORE_META, "x", 1, "y", 1), PROTO_OK);
        assert_int_equal(store_log_begin(run->store, &log), PROTO_OK);
        assert_int_equal(help_append(log, run->log_seq + 1), PROTO_OK);
        store_memory_crash(run->store, lose);
    } else {
        struct store_identity before = help_identity(run->store);
        store_close(run->store);
        help_check_pages(run->dir, &before);
        options.boot_id = HELP_BOOT;
        if (lose) /* as if a process of ours had given up */
            assert_int_equal(close(creat("distrust-view", 0600)), 0);
        run->store = help_open_with(&options);
    }
    if (lose)
        lose_view(run);
    struct store_identity identity = help_identity(run->store);
    assert_int_equal(identity.log_seq, run->log_seq);
    assert_int_equal(identity.view_seq, run->committed.seq);
}

static void run_all(bool memory, uint64_t seed) {
    struct run *run = calloc(1, sizeof *run);
    uint64_t bad_seq;
    struct proto_fault fault;
    assert_non_null(run);
    run->memory = memory;
    run->random = seed;
    if (!memory) {
        help_dir_make(run->dir);
        assert_int_equal(chdir(run->dir), 0);
    }
    run->store = help_open(memory ? NULL : run->dir);
    for (int i = 0; i < ROUNDS; i++) {
        log_round(run);
        view_round(run);
        check_readers(run);
        if (below(run, 20) == 0)
            rebuild_round(run);
        if (below(run, 20) == 0)
            restart_round(run);
        check_readers(run);
    }
    assert_int_equal(store_verify_chain(run->store, &bad_seq, &fault), PROTO_OK);
    assert_int_equal(help_identity(run->store).log_seq, run->log_seq);
    store_close(run->store);
    if (!memory) {
        assert_int_equal(chdir("/"), 0);
        help_dir_remove(run->dir);
    }
    free(run);
}

static void lmdb_is_like_the_model(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 3; seed++)
        run_all(false, seed * 0x9e3779b97f4a7c15u);
}

static void memory_is_like_the_model(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 6; seed++)
        run_all(true, seed * 0x9e3779b97f4a7c15u);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lmdb_is_like_the_model),
        cmocka_unit_test(memory_is_like_the_model),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
