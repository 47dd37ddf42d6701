/*
 * settle.c - batches that no call brought about: children whose events' time has come, children to be replanned under a new
 * context, events that the log has and the view does not.
 *
 * What always holds: the replanning job moves its cursor in the same commit as the children it passed, so that it goes on
 * after a kill where it stood; a child it has passed carries the present context's sequence.
 */
#include "work/inside.h"
#include "proto/lots.h"

#include <assert.h>
#include <stdlib.h>

struct work_batch *work_batch_new(struct work *work, enum work_batch_kind kind) {
    struct work_batch *batch = work_alloc(sizeof *batch);
    batch->kind = kind;
    batch->now = work->options.seams.now_ms(work->options.seams.arg);
    return batch;
}

void work_batch_free(struct work_batch *batch) {
    if (!batch)
        return;
    assert(!batch->calls);
    for (uint32_t j = 0; j < batch->job_count; j++)
        free(batch->jobs[j].supers);
    free(batch->new_events);
    free(batch->owned);
    work_buffer_free(&batch->owned_bytes);
    free(batch->refs);
    free(batch->jobs);
    free(batch->job_events);
    free(batch->order);
    work_context_release(batch->context);
    work_rows_free(&batch->rows);
    work_buffer_free(&batch->ops);
    free(batch->systems);
    work_buffer_free(&batch->system_bytes);
    work_drops_free(&batch->drops);
    work_drops_free(&batch->removed);
    work_map_free(&batch->erased);
    free(batch);
}

struct work_batch *work_batch_tick(struct work *work) {
    return work_batch_new(work, WORK_BATCH_TICK);
}

/* --- replanning ------------------------------------------------------------------------------------ */

#define LOT_ROWS_AT_ONCE 20000

struct slice {
    struct work_batch *batch;
    struct work_context *context;
    struct store_txn *txn;
    struct work_map roots;
    uint32_t children_max, rows;
};

/* A recall may concern a device or spare of this lot and trade item: either may be unrecorded. */
static bool may_be_recalled(const struct work_context *context, struct proto_slice lot, struct proto_slice gtin) {
    for (uint32_t i = 0; i < context->recall_count; i++) {
        const struct care_recall *recall = &context->recalls[i];
        bool lot_fits = !recall->lot[0] || proto_lot_is_unsaid(lot) || proto_lot_same(lot, proto_slice_of(recall->lot));
        bool gtin_fits = !recall->gtin[0] || gtin.size == 0 || proto_gtin_same(gtin, proto_slice_of(recall->gtin));
        if (lot_fits && gtin_fits)
            return true;
    }
    return false;
}

static bool row_concerned(const struct slice *s, struct store_bytes key, struct store_bytes value,
                          struct proto_id *root) {
    struct work_reader k = work_reader_of(key);
    struct work_device_row row;
    uint8_t what;
    if (s->batch->settling.scope != WORK_SETTLE_RECALL) {
        (void)work_take_u32(&k);
        *root = work_take_id(&k);
        return true;
    }
    if (work_lot_row_read(key, value, &what, &row) != PROTO_OK)
        return false;
    *root = row.root;
    return may_be_recalled(s->context, row.lot, row.gtin);
}

static enum proto_error add_child(struct slice *s, const struct proto_id *root) {
    struct work_batch *batch = s->batch;
    struct work_patient patient;
    bool made = false;
    (void)work_map_add(&s->roots, root, batch->job_count, &made);
    if (!made)
        return PROTO_OK;
    enum proto_error error = work_patient_find(s->txn, root, &patient);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    WORK_ARRAY_ROOM(batch->jobs, batch->job_count, batch->job_cap);
    batch->jobs[batch->job_count++] = (struct work_job){.kind = WORK_JOB_PLAN, .root = *root, .super = patient.super};
    batch->settling.done++;
    return PROTO_OK;
}

static enum proto_error scan_slice(struct slice *s, const uint8_t *prefix, size_t prefix_size) {
    struct work_settling *job = &s->batch->settling;
    enum store_table table = job->scope == WORK_SETTLE_RECALL ? STORE_LOTS : STORE_LEVELS;
    uint8_t from[STORE_KEY_BYTES_MAX + 1] = {0};
    size_t from_size = job->cursor_size ? (size_t)job->cursor_size + 1 : prefix_size;
    memcpy(from, job->cursor_size ? job->cursor : prefix, job->cursor_size ? job->cursor_size : prefix_size);
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error = store_scan_begin(s->txn, table, prefix, prefix_size, from, from_size, false, &scan);
    while (error == PROTO_OK && s->batch->job_count < s->children_max && s->rows < LOT_ROWS_AT_ONCE &&
           (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct proto_id root;
        s->rows++;
        assert(key.size <= UINT8_MAX);
        job->cursor_size = (uint8_t)key.size;
        memcpy(job->cursor, key.data, key.size);
        if (row_concerned(s, key, value, &root))
            error = add_child(s, &root);
    }
    store_scan_end(scan);
    return error;
}

struct work_batch *work_batch_slice(struct work *work, uint32_t children_max) {
    assert(work->settling.active);
    struct slice s = {.batch = work_batch_new(work, WORK_BATCH_SLICE), .children_max = children_max};
    uint8_t prefix[4] = {0};
    size_t prefix_size = 0;
    uint32_t team = 0;
    bool nobody = false;
    s.context = work_context_current(work);
    s.batch->settling = work->settling;
    s.batch->settling_changed = true;
    if (work->settling.scope == WORK_SETTLE_TEAM) {
        nobody = !work_teams_find(&work->teams, work->settling.team, &team);
        work_put_u32(prefix, team);
        prefix_size = 4;
    }
    enum proto_error error = nobody ? PROTO_NOT_FOUND : store_read_begin(work->store, &s.txn);
    if (error == PROTO_OK) {
        error = scan_slice(&s, prefix, prefix_size);
        store_read_end(s.txn);
    }
    if (error == PROTO_NOT_FOUND) {
        s.batch->settling.active = false;
        error = PROTO_OK;
    }
    s.batch->error = error;
    work_map_free(&s.roots);
    work_context_release(s.context);
    return s.batch;
}

/* --- catching up -------------------------------------------------------------------------------------------- */

static void keep_system(struct work_batch *batch, const struct store_event *stored) {
    WORK_ARRAY_ROOM(batch->systems, batch->system_count, batch->system_cap);
    batch->systems[batch->system_count++] =
        (struct work_system_entry){stored->seq, batch->system_bytes.size, stored->body.size};
    work_buffer_add(&batch->system_bytes, stored->body.data, stored->body.size);
}

/* Copies what the log has behind the view's stamp, as much as one batch holds. */
static enum proto_error copy_missing(struct work_batch *batch, struct store_txn *txn) {
    struct store_event stored;
    enum proto_error error = PROTO_OK;
    uint64_t seq = store_txn_seq(txn) + 1;
    batch->owned = work_alloc(sizeof *batch->owned * PROTO_BATCH_EVENTS_MAX);
    for (; batch->new_count < PROTO_BATCH_EVENTS_MAX && batch->owned_bytes.size < PROTO_BATCH_BYTES_MAX; seq++) {
        error = store_read_event(txn, seq, &stored);
        if (error != PROTO_OK)
            break;
        batch->seq_first = batch->seq_first ? batch->seq_first : seq;
        batch->seq_last = seq;
        if (stored.body.size == 0)
            continue;
        if (work_is_system(stored.body)) {
            keep_system(batch, &stored);
            continue;
        }
        struct work_entry *entry = &batch->owned[batch->new_count++];
        entry->offset = batch->owned_bytes.size;
        entry->event.size = (uint32_t)stored.body.size;
        entry->event.seq = seq;
        entry->event.received_at = stored.received_at;
        work_buffer_add(&batch->owned_bytes, stored.body.data, stored.body.size);
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error read_copies(struct work_batch *batch, struct work_reading *reading) {
    batch->new_events = work_alloc(sizeof *batch->new_events * (batch->new_count + 1));
    for (uint32_t i = 0; i < batch->new_count; i++) {
        struct work_entry *entry = &batch->owned[i];
        uint64_t seq = entry->event.seq;
        int64_t received_at = entry->event.received_at;
        struct store_bytes bytes = {batch->owned_bytes.data + entry->offset, entry->event.size};
        enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, &entry->event);
        if (error != PROTO_OK)
            return error;
        entry->event.seq = seq;
        entry->event.received_at = received_at;
        batch->new_events[i] = entry;
    }
    return PROTO_OK;
}

struct work_batch *work_batch_catch_up(struct work *work, enum proto_error *error) {
    struct work_batch *batch = work_batch_new(work, WORK_BATCH_CATCH_UP);
    struct store_txn *txn = NULL;
    *error = store_view_begin(work->store, &txn);
    if (*error == PROTO_OK) {
        *error = copy_missing(batch, txn);
        store_view_abort(txn);
    }
    if (*error == PROTO_OK)
        *error = read_copies(batch, &work->hands[0].reading);
    if (*error == PROTO_OK && batch->seq_last)
        return batch;
    work_batch_free(batch);
    return NULL;
}
