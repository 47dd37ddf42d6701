/*
 * view.c - one commit of the view: every job's changes, the counters, the context, the replanning job's place.
 *
 * What always holds: nothing in memory changes before the commit went through, but for the context, which readers may have a
 * moment early; a batch that changes no row commits nothing.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#define COUNT_KEY_BYTES 10
struct count {
    uint8_t key[COUNT_KEY_BYTES];
    int32_t delta;
};

struct viewing {
    struct work *work;
    struct work_batch *batch;
    struct store_txn *txn;
    struct count *counts;
    uint32_t count_count, count_cap;
};

static void note_count(struct viewing *v, const struct work_op *op) {
    assert(op->key.size == COUNT_KEY_BYTES);
    WORK_ARRAY_ROOM(v->counts, v->count_count, v->count_cap);
    struct count *count = &v->counts[v->count_count++];
    memcpy(count->key, op->key.data, COUNT_KEY_BYTES);
    count->delta = op->delta;
}

static enum proto_error apply_ops(struct viewing *v, const struct work_buffer *ops, size_t at, size_t end) {
    struct work_op op;
    enum proto_error error = PROTO_OK;
    while (error == PROTO_OK && work_op_next(ops, &at, end, &op)) {
        if (op.what == WORK_OP_PUT)
            error = store_put(v->txn, op.table, op.key.data, op.key.size, op.value.data, op.value.size);
        else if (op.what == WORK_OP_DELETE)
            error = store_delete(v->txn, op.table, op.key.data, op.key.size);
        else
            note_count(v, &op);
    }
    return error;
}

static int by_key(const void *a, const void *b) {
    const struct count *x = a, *y = b;
    return memcmp(x->key, y->key, COUNT_KEY_BYTES);
}

static enum proto_error apply_count(struct viewing *v, const struct count *count) {
    struct store_bytes value;
    uint8_t bytes[9] = {WORK_ROW_FORMAT};
    int64_t number = count->delta;
    enum proto_error error = store_get(v->txn, STORE_TALLY, count->key, COUNT_KEY_BYTES, &value);
    if (error == PROTO_OK) {
        struct work_reader r = work_reader_of(value);
        uint8_t format = work_take_u8(&r);
        number += (int64_t)work_take_u64(&r);
        if (r.bad || format != WORK_ROW_FORMAT)
            return PROTO_CORRUPT;
    } else if (error != PROTO_NOT_FOUND) {
        return error;
    }
    if (number < 0)
        return PROTO_CORRUPT;
    if (number == 0)
        return store_delete(v->txn, STORE_TALLY, count->key, COUNT_KEY_BYTES);
    work_put_u64(bytes + 1, (uint64_t)number);
    return store_put(v->txn, STORE_TALLY, count->key, COUNT_KEY_BYTES, bytes, sizeof bytes);
}

static enum proto_error apply_counts(struct viewing *v) {
    enum proto_error error = PROTO_OK;
    if (v->count_count > 1)
        qsort(v->counts, v->count_count, sizeof *v->counts, by_key);
    for (uint32_t i = 0, next; i < v->count_count && error == PROTO_OK; i = next) {
        for (next = i + 1; next < v->count_count && by_key(&v->counts[i], &v->counts[next]) == 0; next++)
            v->counts[i].delta += v->counts[next].delta;
        if (v->counts[i].delta)
            error = apply_count(v, &v->counts[i]);
    }
    return error;
}

static enum proto_error apply_rows(struct viewing *v, const struct work_rows *rows) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < rows->count && error == PROTO_OK; i++) {
        struct store_bytes key = work_row_key(rows, &rows->list[i]), value = work_row_value(rows, &rows->list[i]);
        error = store_put(v->txn, (enum store_table)rows->list[i].table, key.data, key.size, value.data, value.size);
    }
    return error;
}

static void add_meta_rows(struct work *work, struct work_batch *batch) {
    if (!work->rules_stored && batch->seq_last)
        work_meta_rules_row(work->options.zones, &batch->rows);
    if (batch->context_changed)
        work_meta_number_row(WORK_META_CONTEXT, batch->context->seq, &batch->rows);
    if (batch->children && work->children + (uint64_t)batch->children > 0)
        work_meta_number_row(WORK_META_CHILDREN, work->children + (uint64_t)batch->children, &batch->rows);
    if (batch->settling_changed && batch->settling.active)
        work_meta_settling_row(&batch->settling, &batch->rows);
}

/* When the first waiting event's time comes. */
static enum proto_error first_waiting(struct store_txn *txn, int64_t *at) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    *at = INT64_MAX;
    enum proto_error error = store_scan_begin(txn, STORE_WAITING, NULL, 0, NULL, 0, false, &scan);
    if (error == PROTO_OK)
        error = store_scan_next(scan, &key, &value);
    if (error == PROTO_OK) {
        struct work_reader k = work_reader_of(key);
        *at = work_take_i64(&k);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_next_tick_read(struct work *work, struct store_txn *txn) {
    int64_t at;
    enum proto_error error = first_waiting(txn, &at);
    if (error == PROTO_OK)
        atomic_store(&work->next_tick, at);
    return error;
}

static enum proto_error write_all(struct viewing *v, int64_t *next_tick) {
    struct work_batch *batch = v->batch;
    enum proto_error error = apply_ops(v, &batch->ops, 0, batch->ops.size);
    for (uint32_t j = 0; j < batch->job_count && error == PROTO_OK; j++)
        error = apply_ops(v, &batch->jobs[j].hand->ops, batch->jobs[j].ops_at, batch->jobs[j].ops_end);
    if (error == PROTO_OK)
        error = apply_counts(v);
    if (error == PROTO_OK)
        error = apply_rows(v, &batch->rows);
    if (error == PROTO_OK && batch->settling_changed && !batch->settling.active)
        error = store_delete(v->txn, STORE_META, WORK_META_SETTLING, strlen(WORK_META_SETTLING));
    if (error == PROTO_OK && batch->children && v->work->children + (uint64_t)batch->children == 0) /* all have left */
        error = store_delete(v->txn, STORE_META, WORK_META_CHILDREN, strlen(WORK_META_CHILDREN));
    return error == PROTO_OK ? first_waiting(v->txn, next_tick) : error;
}

static bool changes_nothing(const struct work_batch *batch) {
    if (batch->seq_last || batch->ops.size || batch->rows.count || batch->settling_changed)
        return false;
    for (uint32_t j = 0; j < batch->job_count; j++)
        if (batch->jobs[j].ops_end != batch->jobs[j].ops_at)
            return false;
    return true;
}

/* What is so once the view has it. */
static void take_over(struct work *work, struct work_batch *batch, int64_t next_tick) {
    work->children += (uint64_t)batch->children;
    work->rules_stored |= batch->seq_last > 0;
    if (batch->settling_changed) {
        work->settling = batch->settling;
        atomic_store(&work->settling_done, batch->settling.done);
        atomic_store(&work->settling_of, batch->settling.of);
        atomic_store(&work->settling_on, batch->settling.active);
    }
    atomic_store(&work->next_tick, next_tick);
    atomic_fetch_add(&work->view_commits, 1);
}

static enum proto_error commit(struct work *work, struct work_batch *batch) {
    struct viewing v = {.work = work, .batch = batch};
    int64_t next_tick = INT64_MAX;
    enum proto_error error = store_view_begin(work->store, &v.txn);
    if (error != PROTO_OK)
        return error;
    uint64_t seq = batch->seq_last ? batch->seq_last : store_txn_seq(v.txn);
    error = write_all(&v, &next_tick);
    free(v.counts);
    if (error != PROTO_OK) {
        store_view_abort(v.txn);
        return error;
    }
    if (batch->context_changed) /* a reader must not find a new context in the view and an old one here */
        work_context_publish(work, batch->context);
    error = store_view_commit(v.txn, seq);
    if (error == PROTO_OK)
        take_over(work, batch, next_tick);
    return error;
}

void work_view_stage(struct work *work, struct work_batch *batch) {
    for (uint32_t j = 0; j < batch->job_count && batch->error == PROTO_OK; j++) {
        batch->error = batch->jobs[j].error;
        batch->children += batch->jobs[j].children;
    }
    for (uint32_t h = 0; h < work->hand_count; h++) {
        batch->folds += work->hands[h].folds;
        batch->refolds += work->hands[h].refolds;
        batch->plans += work->hands[h].plans;
    }
    if (batch->error == PROTO_OK) {
        add_meta_rows(work, batch);
        if (!changes_nothing(batch))
            batch->error = commit(work, batch);
        if (batch->error == PROTO_OK)
            work_drop_take_over(work, batch);
    }
    atomic_fetch_add(&work->folds, batch->folds);
    atomic_fetch_add(&work->refolds, batch->refolds);
    atomic_fetch_add(&work->plans, batch->plans);
    if (batch->kind == WORK_BATCH_SLICE)
        atomic_fetch_add(&work->replans, batch->plans);
}
