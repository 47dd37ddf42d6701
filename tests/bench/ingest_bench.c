/*
 * ingest_bench.c - durable events a second through work/ and the store, against LMDB alone doing the same puts.
 *
 *     ingest_bench [--dir DIR] [--children N] [--events N]
 *
 * Calls of one balloon check each, of children at random, `want: opened`, with 1, 16 and 64 callers, each of whom calls again
 * when answered. Bare: what the batches of such a run put and delete, written down once, is played against copies of the
 * same files through two LMDB environments with the same flags, the log synced and the view not, in batches of the size that
 * ours had on average; no admission, no chain, no fold, no answers. Figures hold for one machine and one run.
 */
#define _GNU_SOURCE
#include <dirent.h>
#include <lmdb.h>

#include "floor.h"
#include "store/tables.h"

#define NAME(table, name, key, value) [STORE_##table] = name,
static const char *const view_names[STORE_TABLE_COUNT] = {STORE_TABLES(NAME)};

/* --- what a run puts ------------------------------------------------------------------------------- */

struct trace_batch {
    uint32_t first_event, event_count;
    size_t ops_at, ops_end;
};

struct trace {
    struct work_buffer bytes; /* of events */
    struct trace_event {
        struct proto_id id;
        size_t at, size;
    } * events;
    uint32_t event_count;
    struct work_buffer ops;
    struct trace_batch *batches;
    uint32_t batch_count;
};

static void copy_ops(struct trace *trace, const struct work_buffer *ops, size_t at, size_t end) {
    work_buffer_add(&trace->ops, ops->data + at, end - at);
}

/* The batch stands between fold and view: everything that it will write is there. */
static void note_batch(struct trace *trace, struct work_batch *batch) {
    struct trace_batch *made = &trace->batches[trace->batch_count++];
    *made = (struct trace_batch){
        .first_event = trace->event_count, .event_count = batch->new_count, .ops_at = trace->ops.size};
    for (uint32_t i = 0; i < batch->new_count; i++) {
        const struct work_event *event = &batch->new_events[i]->event;
        trace->events[trace->event_count++] = (struct trace_event){event->id, trace->bytes.size, event->size};
        work_buffer_add(&trace->bytes, event->bytes, event->size);
    }
    for (uint32_t j = 0; j < batch->job_count; j++)
        copy_ops(trace, &batch->jobs[j].hand->ops, batch->jobs[j].ops_at, batch->jobs[j].ops_end);
    for (uint32_t i = 0; i < batch->rows.count; i++)
        work_op_put(&trace->ops, (enum store_table)batch->rows.list[i].table,
                    work_row_key(&batch->rows, &batch->rows.list[i]),
                    work_row_value(&batch->rows, &batch->rows.list[i]));
    made->ops_end = trace->ops.size;
}

static void trace_run(struct floor *floor, struct trace *trace, uint32_t events, uint32_t batch_events) {
    *trace = (struct trace){.events = calloc(events, sizeof *trace->events),
                            .batches = calloc(events, sizeof *trace->batches)};
    floor_must(trace->events && trace->batches, "memory");
    floor->workers = 0;
    floor_open(floor);
    const struct work_batch *noted = NULL;
    while (trace->event_count + batch_events <= events) {
        for (uint32_t i = 0; i < batch_events; i++) {
            struct proto_event event = floor_check(floor);
            floor_submit(floor, &event, 1, WORK_WANT_OPENED, floor_on_done);
        }
        while (floor->waiting) {
            (void)work_run_one(floor->work);
            struct work_batch *current = floor->work->current;
            if (current && current != noted && atomic_load(&current->next_job) > current->job_count) {
                note_batch(trace, current);
                noted = current;
            } else if (!current) {
                noted = NULL;
            }
        }
    }
    floor_close(floor);
}

static void trace_free(struct trace *trace) {
    work_buffer_free(&trace->bytes);
    work_buffer_free(&trace->ops);
    free(trace->events);
    free(trace->batches);
}

/* --- the bare writer --------------------------------------------------------------------------------- */

struct bare {
    MDB_env *log, *view;
    MDB_dbi events, ids, tables[STORE_TABLE_COUNT];
    uint64_t seq;
};

static void lmdb(int rc, const char *what) {
    if (rc == 0)
        return;
    (void)fprintf(stderr, "%s: %s\n", what, mdb_strerror(rc));
    exit(1);
}

static MDB_env *bare_env(const char *dir, const char *name, unsigned flags) {
    char path[512];
    MDB_env *env;
    (void)snprintf(path, sizeof path, "%s/%s", dir, name);
    lmdb(mdb_env_create(&env), "create");
    lmdb(mdb_env_set_maxdbs(env, 40), "maxdbs");
    lmdb(mdb_env_set_mapsize(env, (size_t)1 << 40), "mapsize");
    lmdb(mdb_env_open(env, path, MDB_NOTLS | flags, 0600), path);
    return env;
}

static void find_view(const char *dir, char *name, size_t cap) {
    DIR *all = opendir(dir);
    floor_must(all != NULL, dir);
    for (struct dirent *one; (one = readdir(all));)
        if (strncmp(one->d_name, "view-", 5) == 0)
            (void)snprintf(name, cap, "%s", one->d_name);
    closedir(all);
}

static void bare_open(struct bare *bare, const char *dir) {
    char view[300] = "";
    MDB_txn *txn;
    find_view(dir, view, sizeof view);
    bare->log = bare_env(dir, "log", 0);
    bare->view = bare_env(dir, view, MDB_NOSYNC);
    lmdb(mdb_txn_begin(bare->log, NULL, 0, &txn), "begin");
    lmdb(mdb_dbi_open(txn, "events", 0, &bare->events), "events");
    lmdb(mdb_dbi_open(txn, "ids", 0, &bare->ids), "ids");
    MDB_stat stat;
    lmdb(mdb_stat(txn, bare->events, &stat), "stat");
    bare->seq = stat.ms_entries;
    lmdb(mdb_txn_commit(txn), "commit");
    lmdb(mdb_txn_begin(bare->view, NULL, 0, &txn), "begin");
    for (int t = 0; t < STORE_TABLE_COUNT; t++)
        lmdb(mdb_dbi_open(txn, view_names[t], 0, &bare->tables[t]), view_names[t]);
    lmdb(mdb_txn_commit(txn), "commit");
}

static void bare_log(struct bare *bare, const struct trace *trace, const struct trace_batch *batch) {
    MDB_txn *txn;
    lmdb(mdb_txn_begin(bare->log, NULL, 0, &txn), "begin");
    for (uint32_t i = 0; i < batch->event_count; i++) {
        const struct trace_event *event = &trace->events[batch->first_event + i];
        uint8_t seq[8];
        work_put_u64(seq, ++bare->seq);
        MDB_val key = {8, seq}, id = {16, (void *)(uintptr_t)event->id.bytes}, at = {8, seq};
        MDB_val body = {event->size, trace->bytes.data + event->at};
        lmdb(mdb_put(txn, bare->ids, &id, &at, 0), "put");
        lmdb(mdb_put(txn, bare->events, &key, &body, MDB_APPEND), "put");
    }
    lmdb(mdb_txn_commit(txn), "commit");
}

static void bare_count(MDB_txn *txn, MDB_dbi table, MDB_val *key, int32_t delta) {
    MDB_val value;
    uint8_t bytes[9] = {1};
    int64_t number = delta;
    if (mdb_get(txn, table, key, &value) == 0)
        number += (int64_t)work_get_u64((const uint8_t *)value.mv_data + 1);
    work_put_u64(bytes + 1, (uint64_t)number);
    value = (MDB_val){9, bytes};
    lmdb(mdb_put(txn, table, key, &value, 0), "put");
}

static void bare_view(struct bare *bare, const struct trace *trace, const struct trace_batch *batch) {
    MDB_txn *txn;
    struct work_op op;
    size_t at = batch->ops_at;
    lmdb(mdb_txn_begin(bare->view, NULL, 0, &txn), "begin");
    while (work_op_next(&trace->ops, &at, batch->ops_end, &op)) {
        MDB_val key = {op.key.size, (void *)(uintptr_t)op.key.data};
        MDB_val value = {op.value.size, (void *)(uintptr_t)op.value.data};
        MDB_dbi table = bare->tables[op.table];
        if (op.what == WORK_OP_PUT) {
            lmdb(mdb_put(txn, table, &key, &value, 0), "put");
        } else if (op.what == WORK_OP_COUNT) {
            bare_count(txn, table, &key, op.delta);
        } else {
            int rc = mdb_del(txn, table, &key, NULL);
            lmdb(rc == MDB_NOTFOUND ? 0 : rc, "delete");
        }
    }
    lmdb(mdb_txn_commit(txn), "commit");
}

static double bare_run(const char *dir, const struct trace *trace) {
    struct bare bare = {0};
    bare_open(&bare, dir);
    double began = floor_seconds();
    for (uint32_t b = 0; b < trace->batch_count; b++) {
        bare_log(&bare, trace, &trace->batches[b]);
        bare_view(&bare, trace, &trace->batches[b]);
    }
    double rate = trace->event_count / (floor_seconds() - began);
    mdb_env_close(bare.log);
    mdb_env_close(bare.view);
    return rate;
}

/* --- ours ----------------------------------------------------------------------------------------------- */

static void call_again(void *arg, struct work_call *call) {
    struct floor *floor = arg;
    floor_on_done(arg, call);
    if (floor->answered + floor->waiting < floor->until) {
        struct proto_event event = floor_check(floor);
        floor_submit(floor, &event, 1, WORK_WANT_OPENED, call_again);
    }
}

static double ours_run(struct floor *floor, uint32_t callers, uint32_t events, double *batch_events) {
    struct work_counts before, after;
    floor->workers = 2;
    floor_open(floor);
    work_counts_get(floor->work, &before);
    floor->answered = 0;
    floor->until = events;
    double began = floor_seconds();
    for (uint32_t i = 0; i < callers; i++) {
        struct proto_event event = floor_check(floor);
        floor_submit(floor, &event, 1, WORK_WANT_OPENED, call_again);
    }
    while (floor->waiting)
        floor_deliver(floor);
    double rate = events / (floor_seconds() - began);
    work_counts_get(floor->work, &after);
    *batch_events = (double)(after.events - before.events) / (double)(after.batches - before.batches);
    floor_close(floor);
    return rate;
}

static void compare(struct floor *floor, const char *base, uint32_t callers, uint32_t events) {
    char full[512], copy[512];
    double batch_events = 1;
    struct trace trace;
    (void)snprintf(full, sizeof full, "%s/full", base);
    (void)snprintf(copy, sizeof copy, "%s/copy", base);
    floor->dir = copy;
    floor_copy(full, copy);
    double ours = ours_run(floor, callers, events, &batch_events);
    floor_remove(copy);
    floor_copy(full, copy);
    uint32_t whole = (uint32_t)(batch_events + 0.5);
    trace_run(floor, &trace, events, whole ? whole : 1);
    floor_remove(copy);
    floor_copy(full, copy);
    double bare = bare_run(copy, &trace);
    floor_remove(copy);
    (void)printf("%3u callers  %8.0f events/s in batches of %5.1f; bare writer %8.0f in batches of %u; %.0f %%; "
                 "%.0f bytes put for an event\n",
                 callers, ours, batch_events, bare, whole, 100 * ours / bare,
                 (double)trace.ops.size / trace.event_count);
    trace_free(&trace);
}

int main(int argc, char **argv) {
    const char *dir = "/tmp";
    uint32_t children = 20000, events = 20000;
    static struct floor floor;
    char base[300], full[512];
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--dir") == 0)
            dir = argv[i + 1];
        else if (strcmp(argv[i], "--children") == 0)
            children = (uint32_t)strtoul(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--events") == 0)
            events = (uint32_t)strtoul(argv[i + 1], NULL, 10);
        else
            floor_must(false, argv[i]);
    }
    (void)snprintf(base, sizeof base, "%s/betony-ingest-XXXXXX", dir);
    floor_must(mkdtemp(base) != NULL && children > 0 && events > 100, "setup");
    setvbuf(stdout, NULL, _IOLBF, 0);
    (void)snprintf(full, sizeof full, "%s/full", base);
    floor_init(&floor);
    floor.dir = full;
    floor.workers = 2;
    floor_open(&floor);
    floor_fill(&floor, children);
    floor_close(&floor);
    compare(&floor, base, 1, events / 10);
    compare(&floor, base, 16, events / 2);
    compare(&floor, base, 64, events);
    floor_remove(base);
    free(floor.children);
    work_zones_free(floor.zones);
    return 0;
}
