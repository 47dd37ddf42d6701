/*
 * rebuild.c - what the view needs at start, and the view made anew from the log, beside the old one, in portions.
 *
 * What always holds: nothing is appended to the log while it runs, so its end stands still; a rebuild that is cut short
 * leaves the old view as it was and begins again.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#include "work/gather.h"

#define SCAN_EVENTS 20000 /* of the log, in one portion */
#define COUNTS_HIGH (1u << 20)
#define COUNT_KEY_BYTES 10

struct tally_count {
    uint8_t key[COUNT_KEY_BYTES];
    int64_t number;
};

struct work_rebuilding {
    struct store_rebuild *store;
    struct work_gather gather;
    struct work_context *context;
    uint64_t seq_end, scanned;
    uint32_t next_super;
    uint64_t children;
    bool gathered;
    struct tally_count *counts;
    uint32_t count_count, count_cap;
};

/* --- what the view needs ----------------------------------------------------------------------------- */

#define MARK "work.rules"
#define MARK_FORMAT 1

/* The mark: 01 | i64 since when | u32 rules version | zone data version (length byte, text). */
static void put_mark(struct work *work, int64_t since) {
    struct work_buffer mark = {0};
    struct store_log *log = NULL;
    work_add_u8(&mark, MARK_FORMAT);
    work_add_i64(&mark, since);
    work_add_u32(&mark, CARE_RULES_VERSION);
    work_add_text(&mark, work->options.zones->version);
    enum proto_error error = store_log_begin(work->store, &log);
    if (error == PROTO_OK) {
        error = store_log_mark_put(log, MARK, mark.data, mark.size);
        if (error == PROTO_OK)
            error = store_log_commit(log);
        else
            store_log_abort(log);
    }
    work_buffer_free(&mark);
    if (error == PROTO_OK)
        work->rules_since = since; /* else the next start tries again: it only says since when */
}

static enum proto_error read_mark(struct work *work, struct store_txn *txn, bool *current, bool *any) {
    struct store_bytes bytes;
    *current = *any = false;
    enum proto_error error = store_read_mark(txn, MARK, &bytes);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    struct work_reader r = work_reader_of(bytes);
    uint8_t format = work_take_u8(&r);
    int64_t since = work_take_i64(&r);
    uint32_t rules = work_take_u32(&r);
    struct proto_slice zone_data = work_take_text(&r);
    if (r.bad || format != MARK_FORMAT)
        return PROTO_CORRUPT;
    *any = true;
    *current = rules == CARE_RULES_VERSION && proto_slice_is(zone_data, work->options.zones->version);
    if (*current)
        work->rules_since = since;
    return PROTO_OK;
}

void work_rules_mark(struct work *work) {
    struct store_txn *txn = NULL;
    bool current = true, any = true;
    if (store_read_begin(work->store, &txn) != PROTO_OK)
        return;
    enum proto_error error = read_mark(work, txn, &current, &any);
    store_read_end(txn);
    if (error == PROTO_OK && !current)
        put_mark(work, any ? work->options.seams.now_ms(work->options.seams.arg) : INT64_MIN);
}

/* Takes over what the view says about itself. */
static enum proto_error adopt(struct work *work, struct store_txn *txn, const struct work_meta *meta) {
    struct work_context *context = NULL;
    work->children = meta->children;
    work->settling = meta->settling;
    work->rules_stored = meta->known;
    atomic_store(&work->settling_done, meta->settling.done);
    atomic_store(&work->settling_of, meta->settling.of);
    atomic_store(&work->settling_on, meta->settling.active);
    enum proto_error error = work_teams_load(&work->teams, txn);
    if (error == PROTO_OK)
        error = work_erased_load(work, txn);
    if (error == PROTO_OK)
        error = work_next_tick_read(work, txn);
    if (error == PROTO_OK)
        error = work_context_load(txn, &work->hands[0].reading, meta->context_seq, &context);
    if (error != PROTO_OK)
        return error;
    work_context_publish(work, context);
    work_context_release(context);
    return PROTO_OK;
}

enum proto_error work_view_check(struct work *work, struct proto_fault *fault) {
    struct store_identity identity;
    struct store_txn *txn = NULL;
    struct work_meta meta;
    store_identity_get(work->store, &identity);
    enum proto_error error = store_read_begin(work->store, &txn);
    if (error == PROTO_OK) {
        uint64_t view_seq = store_txn_seq(txn);
        error = work_meta_read(txn, work->options.zones, &meta);
        bool fresh = identity.log_seq == 0;
        bool rebuild = !fresh && (identity.view_lost || view_seq == 0 || !meta.known || !meta.current);
        if (error == PROTO_CORRUPT)
            rebuild = true;
        if (error == PROTO_OK && !rebuild)
            error = adopt(work, txn, &meta);
        store_read_end(txn);
        atomic_store(&work->rebuild_of, identity.log_seq);
        atomic_store(&work->rebuild_done, rebuild ? 0 : view_seq);
        if (rebuild) {
            work_rebuild_begin(work);
            return PROTO_OK;
        }
        if (error == PROTO_OK && !work->resumed) { /* at the start alone: later the log stage sees to it */
            error = work_drop_resume(work, view_seq, true);
            work->resumed = true;
        }
        if (error == PROTO_OK) /* also with nothing to catch up: the phase ends by finding that */
            atomic_store(&work->phase,
                         view_seq == identity.log_seq && !work->pipe_started ? WORK_PHASE_READY : WORK_PHASE_CATCH_UP);
    }
    return error == PROTO_OK
               ? PROTO_OK
               : proto_fault_set(fault, error, NULL, "The view cannot be read: %s", proto_error_sentence(error));
}

/* --- scanning the log --------------------------------------------------------------------------------------- */

void work_rebuild_begin(struct work *work) {
    struct store_identity identity;
    store_identity_get(work->store, &identity);
    work_rebuild_free(work);
    work->rebuilding = work_alloc(sizeof *work->rebuilding);
    work->rebuilding->seq_end = identity.log_seq;
    atomic_store(&work->phase, WORK_PHASE_REBUILD);
}

void work_rebuild_free(struct work *work) {
    struct work_rebuilding *r = work->rebuilding;
    if (!r)
        return;
    if (r->store)
        store_rebuild_abort(r->store);
    work_gather_free(&r->gather);
    work_context_release(r->context);
    free(r->counts);
    free(r);
    work->rebuilding = NULL;
}

static enum proto_error scan(struct work *work, struct work_rebuilding *r) {
    struct store_log *log = NULL;
    struct store_event stored;
    enum proto_error error = r->scanned ? PROTO_OK : work_drop_resume(work, r->seq_end, false);
    if (error == PROTO_OK)
        error = store_log_begin(work->store, &log);
    if (error != PROTO_OK)
        return error;
    work->resumed = true;
    for (uint32_t i = 0; i < SCAN_EVENTS && r->scanned < r->seq_end && error == PROTO_OK; i++) {
        error = store_log_read(log, r->scanned + 1, &stored);
        if (error == PROTO_OK)
            error = work_gather_add(&r->gather, &work->hands[0].reading, &stored);
        r->scanned++;
    }
    store_log_abort(log);
    return error;
}

static enum proto_error put_rows(struct work_rebuilding *r, struct work_rows *rows) {
    enum proto_error error = PROTO_OK;
    work_rows_sort(rows);
    for (uint32_t i = 0; i < rows->count && error == PROTO_OK; i++) {
        struct store_bytes key = work_row_key(rows, &rows->list[i]), value = work_row_value(rows, &rows->list[i]);
        error = store_rebuild_put(r->store, (enum store_table)rows->list[i].table, key.data, key.size, value.data,
                                  value.size);
    }
    return error;
}

static void take_erased(struct work *work, const struct work_gather *g) {
    bool made = false;
    work_map_clear(&work->erased);
    for (uint32_t i = 0; i < g->erased.cap; i++)
        if (g->erased.slots[i].number != WORK_MAP_NONE)
            (void)work_map_add(&work->erased, &g->erased.slots[i].id, 0, &made);
}

/* The context first: every child is planned with it. */
static enum proto_error put_context(struct work *work, struct work_rebuilding *r) {
    static const struct proto_id nobody;
    struct work_gather *g = &r->gather;
    struct work_context_events effective = {0};
    struct work_rows rows = {0};
    int64_t now = work->options.seams.now_ms(work->options.seams.arg);
    for (uint32_t i = 0; i < g->context.count; i++) {
        const struct work_event *event = g->context.list[i];
        work_context_row(event, event->at <= now, &rows);
        if (event->at <= now)
            work_context_events_add(&effective, event);
        else
            work_waiting_row(&nobody, &event->id, event->at, event->seq, &rows);
    }
    enum proto_error error =
        work_context_make(effective.count > 0, &work->hands[0].reading, effective.list, effective.count, &r->context);
    work_context_events_free(&effective);
    for (uint64_t i = 0; i < g->loose_count; i++)
        work_feed_row(WORK_FEED_EVERYONE, g->loose[i], &rows);
    work_gather_system_rows(g, &rows);
    take_erased(work, g);
    work->teams.count = work->teams.next = 0;
    for (uint32_t i = 0; i < g->team_count; i++)
        work_team_row(g->teams[i], work_teams_add(&work->teams, g->teams[i]), &rows);
    if (error == PROTO_OK)
        error = put_rows(r, &rows);
    work_rows_free(&rows);
    return error;
}

static enum proto_error finish_scan(struct work *work, struct work_rebuilding *r) {
    work_gather_finish(&r->gather);
    r->gathered = true;
    enum proto_error error = store_rebuild_begin(work->store, &r->store);
    return error == PROTO_OK ? put_context(work, r) : error;
}

/* --- children -------------------------------------------------------------------------------------------------- */

/* A job for each super class, as many as a batch holds. */
static enum proto_error fill(struct work *work, struct work_rebuilding *r, struct work_batch *batch) {
    struct store_log *log = NULL;
    struct store_event stored;
    enum proto_error error = store_log_begin(work->store, &log);
    if (error != PROTO_OK)
        return error;
    uint32_t cap = 0;
    while (r->next_super < r->gather.super_count && error == PROTO_OK) {
        const struct work_gathered *super = &r->gather.supers[r->next_super];
        if (batch->job_count && (batch->new_count + super->count > PROTO_BATCH_EVENTS_MAX ||
                                 batch->owned_bytes.size > PROTO_BATCH_BYTES_MAX))
            break;
        r->next_super++;
        WORK_ARRAY_ROOM(batch->jobs, batch->job_count, batch->job_cap);
        batch->jobs[batch->job_count++] = (struct work_job){
            .kind = WORK_JOB_REGROUP, .event_first = batch->new_count, .event_count = (uint32_t)super->count};
        for (uint64_t i = 0; i < super->count && error == PROTO_OK; i++) {
            WORK_ARRAY_ROOM(batch->owned, batch->new_count, cap);
            struct work_entry *entry = &batch->owned[batch->new_count++];
            error = store_log_read(log, r->gather.seqs[super->first + i], &stored);
            *entry = (struct work_entry){.offset = batch->owned_bytes.size};
            entry->event.seq = stored.seq;
            entry->event.received_at = stored.received_at;
            entry->event.size = (uint32_t)stored.body.size;
            if (error == PROTO_OK)
                work_buffer_add(&batch->owned_bytes, stored.body.data, stored.body.size);
        }
    }
    store_log_abort(log);
    return error;
}

static enum proto_error read_events(const struct work *work, struct work_batch *batch, struct work_reading *reading) {
    batch->job_events = work_alloc(sizeof *batch->job_events * (batch->new_count + 1));
    for (uint32_t i = 0; i < batch->new_count; i++) {
        struct work_event *event = &batch->owned[i].event;
        uint64_t seq = event->seq;
        int64_t received_at = event->received_at;
        struct store_bytes bytes = {batch->owned_bytes.data + batch->owned[i].offset, event->size};
        enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, event);
        if (error != PROTO_OK)
            return error;
        event->seq = seq;
        event->received_at = received_at;
        work_event_part_erased(event, &work->erased);
        batch->job_events[i] = event;
    }
    return PROTO_OK;
}

static int by_key(const void *a, const void *b) {
    const struct tally_count *x = a, *y = b;
    return memcmp(x->key, y->key, COUNT_KEY_BYTES);
}

static void sum_counts(struct work_rebuilding *r) {
    if (r->count_count < 2)
        return;
    qsort(r->counts, r->count_count, sizeof *r->counts, by_key);
    uint32_t kept = 0;
    for (uint32_t i = 1; i < r->count_count; i++) {
        if (by_key(&r->counts[kept], &r->counts[i]) == 0)
            r->counts[kept].number += r->counts[i].number;
        else
            r->counts[++kept] = r->counts[i];
    }
    r->count_count = kept + 1;
}

static void note_count(struct work_rebuilding *r, const struct work_op *op) {
    if (r->count_count == r->count_cap && r->count_count >= COUNTS_HIGH)
        sum_counts(r);
    WORK_ARRAY_ROOM(r->counts, r->count_count, r->count_cap);
    struct tally_count *count = &r->counts[r->count_count++];
    memcpy(count->key, op->key.data, COUNT_KEY_BYTES);
    count->number = op->delta;
}

static enum proto_error put_jobs(struct work_rebuilding *r, struct work_batch *batch) {
    enum proto_error error = PROTO_OK;
    for (uint32_t j = 0; j < batch->job_count && error == PROTO_OK; j++) {
        const struct work_job *job = &batch->jobs[j];
        struct work_op op;
        size_t at = job->ops_at;
        error = job->error;
        r->children += (uint64_t)job->children;
        while (error == PROTO_OK && work_op_next(&job->hand->ops, &at, job->ops_end, &op)) {
            assert(op.what != WORK_OP_DELETE); /* there is nothing old */
            if (op.what == WORK_OP_COUNT)
                note_count(r, &op);
            else
                error = store_rebuild_put(r->store, op.table, op.key.data, op.key.size, op.value.data, op.value.size);
        }
    }
    return error;
}

static enum proto_error fold_some(struct work *work, struct work_rebuilding *r) {
    struct work_batch *batch = work_batch_new(work, WORK_BATCH_REBUILD);
    batch->context = work_context_hold(r->context);
    for (uint32_t h = 0; h < work->hand_count; h++)
        work_hand_clear(&work->hands[h]);
    enum proto_error error = fill(work, r, batch);
    if (error == PROTO_OK)
        error = read_events(work, batch, &work->hands[0].reading);
    if (error == PROTO_OK) {
        work_fold_stage(work, batch);
        error = put_jobs(r, batch);
    }
    atomic_fetch_add(&work->rebuild_done, batch->new_count);
    work_batch_free(batch);
    return error;
}

/* --- the end ------------------------------------------------------------------------------------------------------- */

static enum proto_error put_counts(struct work_rebuilding *r) {
    enum proto_error error = PROTO_OK;
    sum_counts(r);
    for (uint32_t i = 0; i < r->count_count && error == PROTO_OK; i++) {
        uint8_t value[9] = {WORK_ROW_FORMAT};
        assert(r->counts[i].number > 0);
        work_put_u64(value + 1, (uint64_t)r->counts[i].number);
        error = store_rebuild_put(r->store, STORE_TALLY, r->counts[i].key, COUNT_KEY_BYTES, value, sizeof value);
    }
    return error;
}

static enum proto_error finish(struct work *work, struct work_rebuilding *r) {
    struct work_rows rows = {0};
    enum proto_error error = put_counts(r);
    work_meta_rules_row(work->options.zones, &rows);
    if (r->context->seq)
        work_meta_number_row(WORK_META_CONTEXT, r->context->seq, &rows);
    if (r->children)
        work_meta_number_row(WORK_META_CHILDREN, r->children, &rows);
    if (error == PROTO_OK)
        error = put_rows(r, &rows);
    work_rows_free(&rows);
    if (error == PROTO_OK) {
        struct store_rebuild *done = r->store;
        r->store = NULL;
        error = store_rebuild_finish(done, r->seq_end);
    }
    return error;
}

bool work_rebuild_portion(struct work *work) {
    struct work_rebuilding *r = work->rebuilding;
    enum proto_error error;
    bool over = false;
    if (r->scanned < r->seq_end) {
        error = scan(work, r);
    } else if (!r->gathered) {
        error = finish_scan(work, r);
    } else if (r->next_super < r->gather.super_count) {
        error = fold_some(work, r);
    } else {
        error = finish(work, r);
        over = true;
    }
    if (error == PROTO_OK && !over)
        return true;
    work_rebuild_free(work);
    if (error == PROTO_FULL || error == PROTO_BUSY)
        work_fall_behind(work);
    else if (error != PROTO_OK)
        work_break(work, error, "the view");
    return false;
}
