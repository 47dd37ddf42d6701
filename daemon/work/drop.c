/*
 * drop.c - events that count no more: what the log's own entries and erasures take away, from the view and then from the log.
 *
 * What always holds: the entry, or the erasure, is in the log with a mark before anything goes; bodies go only when the view
 * needs them no more; a crash in between is made good at the next start; doing it twice does no harm.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#include "work/feed.h"

/* --- a batch -------------------------------------------------------------------------------------------- */

static void forget_row(struct work_batch *batch, uint8_t type, uint64_t seq) {
    uint8_t key[WORK_SYSTEM_KEY_BYTES];
    work_system_key(type, seq, key);
    work_op_delete(&batch->ops, STORE_SYSTEM, (struct store_bytes){key, sizeof key});
}

static enum proto_error prepare_entry(struct work_batch *batch, const struct work_system_entry *entry) {
    struct work_system_row row;
    bool shown = false;
    uint64_t settles = 0;
    struct store_bytes body = {batch->system_bytes.data + entry->at, entry->size};
    enum proto_error error = work_system_read(body, &row, &batch->drops, &shown, &settles);
    if (error != PROTO_OK)
        return error;
    if (row.type == WORK_SYSTEM_REFUSED && work_map_find(&batch->erased, &row.record) != WORK_MAP_NONE) {
        work_drops_add(&batch->removed, entry->seq, &row.record); /* came and went in one batch */
        return PROTO_OK;
    }
    if (shown)
        work_system_seq_row((uint8_t)row.type, entry->seq, &batch->rows);
    if (settles)
        forget_row(batch, WORK_SYSTEM_REFUSED, settles);
    work_feed_row(WORK_FEED_EVERYONE, entry->seq, &batch->rows);
    return PROTO_OK;
}

/* Refused events of an erased record are kept nowhere either. */
struct forgetting {
    struct work_batch *batch;
    const struct proto_id *record;
};

static bool forget_refused(void *arg, const struct work_system_row *row) {
    static const struct proto_id nobody;
    struct forgetting *f = arg;
    if (!work_id_same(&row->record, f->record))
        return true;
    forget_row(f->batch, WORK_SYSTEM_REFUSED, row->seq);
    work_drops_add(&f->batch->removed, row->seq, &nobody);
    return true;
}

void work_erased_rows(const struct proto_id *record, struct work_rows *rows) {
    struct work_patient patient = {.root = *record, .shown = *record, .super = *record, .flags = WORK_PATIENT_ERASED};
    work_patient_row(record, &patient, rows);
}

void work_event_part_erased(struct work_event *event, const struct work_map *erased) {
    if (event->kind == PROTO_KIND_patient_merged && event->has_target && erased->count &&
        work_map_find(erased, &event->target) != WORK_MAP_NONE)
        event->has_target = false;
}

enum proto_error work_event_part_gone(struct store_txn *txn, struct work_event *event) {
    struct work_patient target;
    if (event->kind != PROTO_KIND_patient_merged || !event->has_target)
        return PROTO_OK;
    enum proto_error error = work_patient_find(txn, &event->target, &target);
    if (error == PROTO_OK && (target.flags & WORK_PATIENT_ERASED))
        event->has_target = false;
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* The word of an erasure that goes on under another seq is the other's. */
static enum proto_error forget_erasures(struct work_batch *batch, struct store_txn *txn) {
    static const uint8_t prefix[1] = {WORK_SYSTEM_ERASED};
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    if (batch->drops.count == 0)
        return PROTO_OK;
    enum proto_error error = store_scan_begin(txn, STORE_SYSTEM, prefix, 1, prefix, 1, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        if (work_drops_have(&batch->drops, work_get_u64(key.data + 1)))
            work_op_delete(&batch->ops, STORE_SYSTEM, key);
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static bool is_erasure(const struct work_event *event) {
    return event->kind == PROTO_KIND_patient_erased && event->has_patient;
}

static enum proto_error prepare_erasure(struct work_batch *batch, struct store_txn *txn,
                                        const struct work_event *event) {
    struct forgetting forgetting = {batch, &event->patient};
    work_erased_rows(&event->patient, &batch->rows);
    work_system_seq_row(WORK_SYSTEM_ERASED, event->seq, &batch->rows);
    return work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, forget_refused, &forgetting);
}

enum proto_error work_drop_prepare(struct work_batch *batch, struct store_txn *txn) {
    enum proto_error error = PROTO_OK;
    bool made = false;
    for (uint32_t i = 0; i < batch->new_count; i++)
        if (is_erasure(&batch->new_events[i]->event))
            (void)work_map_add(&batch->erased, &batch->new_events[i]->event.patient, 0, &made);
    for (uint32_t i = 0; i < batch->system_count && error == PROTO_OK; i++)
        error = prepare_entry(batch, &batch->systems[i]);
    work_drops_sort(&batch->drops);
    for (uint32_t i = 0; i < batch->drops.count; i++)
        work_drops_add(&batch->removed, batch->drops.list[i].seq, &batch->drops.list[i].record);
    if (error == PROTO_OK)
        error = forget_erasures(batch, txn);
    for (uint32_t i = 0; i < batch->new_count && error == PROTO_OK; i++)
        if (is_erasure(&batch->new_events[i]->event))
            error = prepare_erasure(batch, txn, &batch->new_events[i]->event);
    return error;
}

static void add_erased(struct work *work, const struct work_map *erased) {
    bool made = false;
    for (uint32_t i = 0; i < erased->cap; i++)
        if (erased->slots[i].number != WORK_MAP_NONE)
            (void)work_map_add(&work->erased, &erased->slots[i].id, 0, &made);
}

void work_drop_take_over(struct work *work, struct work_batch *batch) {
    add_erased(work, &batch->erased);
    for (uint32_t h = 0; h < work->hand_count; h++) {
        struct work_drops *found = &work->hands[h].removed;
        for (uint32_t i = 0; i < found->count; i++)
            work_drops_add(&batch->removed, found->list[i].seq, &found->list[i].record);
        found->count = 0;
    }
}

void work_drop_hand_over(struct work *work, struct work_batch *batch) {
    for (uint32_t i = 0; i < batch->removed.count; i++)
        work_drops_add(&work->removals, batch->removed.list[i].seq, &batch->removed.list[i].record);
    if (batch->removed.count)
        work->removals_wait = false;
}

/* --- bodies ------------------------------------------------------------------------------------------------ */

static enum proto_error remove_bodies(struct store_log *log, const struct work_drops *removals) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < removals->count && error == PROTO_OK; i++) {
        error = store_log_remove_body(log, removals->list[i].seq);
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    return error;
}

static enum proto_error remove_and_commit(struct work *work, const struct work_drops *removals, bool last) {
    struct store_log *log = NULL;
    enum proto_error error = store_log_begin(work->store, &log);
    if (error != PROTO_OK)
        return error;
    error = remove_bodies(log, removals);
    if (error == PROTO_OK && last)
        error = store_log_mark_delete(log, WORK_REMOVING_MARK);
    if (error == PROTO_OK)
        return store_log_commit(log);
    store_log_abort(log);
    return error;
}

void work_drop_wait(struct work *work, const struct work_drops *removals) {
    pthread_mutex_lock(&work->lock);
    for (uint32_t i = 0; i < removals->count; i++)
        work_drops_add(&work->removals, removals->list[i].seq, &removals->list[i].record);
    work->removals_wait = true;
    pthread_mutex_unlock(&work->lock);
}

enum proto_error work_drop_bodies(struct work *work, const struct work_drops *removals) {
    pthread_mutex_lock(&work->lock);
    bool last = work->view_number + 1 == work->log_side.next_number && work->removals.count == 0;
    pthread_mutex_unlock(&work->lock);
    return remove_and_commit(work, removals, last);
}

/* --- what was left undone ------------------------------------------------------------------------------------- */

/* Entries are read through a writer of the log, or through a reader that is bounded by the view. */
struct looking {
    struct store_log *log;
    struct store_txn *txn;
    struct work_reading *reading;
    struct work_drops *out;
    struct work_map erased;
};

static enum proto_error look_at(const struct looking *l, uint64_t seq, struct store_event *event) {
    return l->log ? store_log_read(l->log, seq, event) : store_read_event(l->txn, seq, event);
}

static enum proto_error look_for_causes(struct looking *l, const struct store_event *stored) {
    struct work_system_row row;
    struct work_event event;
    bool shown = false, made = false;
    uint64_t settles = 0;
    if (stored->body.size == 0)
        return PROTO_OK;
    if (work_is_system(stored->body))
        return work_system_read(stored->body, &row, l->out, &shown, &settles);
    enum proto_error error = work_event_load(stored->body, l->reading->arena, &l->reading->event, &event);
    if (error == PROTO_OK && event.kind == PROTO_KIND_patient_erased && event.has_patient)
        (void)work_map_add(&l->erased, &event.patient, 0, &made);
    return error;
}

/* Everything of an erased record, wherever in the log. */
static enum proto_error look_for_erased(struct looking *l, const struct store_event *stored) {
    struct work_system_row row;
    struct work_event event;
    bool shown = false;
    uint64_t settles = 0;
    enum proto_error error;
    struct proto_id record = {{0}};
    if (stored->body.size == 0)
        return PROTO_OK;
    if (work_is_system(stored->body)) {
        error = work_system_read(stored->body, &row, NULL, &shown, &settles);
        if (error != PROTO_OK || row.type != WORK_SYSTEM_REFUSED)
            return error;
        record = row.record;
    } else {
        error = work_event_load(stored->body, l->reading->arena, &l->reading->event, &event);
        if (error != PROTO_OK || !event.has_patient || event.kind == PROTO_KIND_patient_erased)
            return error;
        record = event.patient;
    }
    if (work_map_find(&l->erased, &record) != WORK_MAP_NONE)
        work_drops_add(l->out, stored->seq, &record);
    return PROTO_OK;
}

static enum proto_error look(struct looking *l, struct store_bytes mark, uint64_t end) {
    struct work_reader r = work_reader_of(mark);
    uint64_t first = work_take_u64(&r);
    struct store_event stored;
    enum proto_error error = r.bad ? PROTO_CORRUPT : PROTO_OK;
    for (uint64_t seq = first; seq <= end && error == PROTO_OK; seq++) {
        error = look_at(l, seq, &stored);
        if (error == PROTO_OK)
            error = look_for_causes(l, &stored);
    }
    for (uint64_t seq = 1; l->erased.count && seq <= end && error == PROTO_OK; seq++) {
        error = look_at(l, seq, &stored);
        if (error == PROTO_OK)
            error = look_for_erased(l, &stored);
    }
    work_drops_sort(l->out);
    work_map_free(&l->erased);
    return error;
}

enum proto_error work_drop_pending(struct store_txn *txn, struct work_reading *reading, uint64_t end,
                                   struct work_drops *out) {
    struct looking l = {.txn = txn, .reading = reading, .out = out};
    struct store_bytes mark;
    enum proto_error error = store_read_mark(txn, WORK_REMOVING_MARK, &mark);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    return look(&l, mark, end);
}

enum proto_error work_drop_resume(struct work *work, uint64_t end, bool may_wait) {
    struct work_drops removals = {0};
    struct store_bytes mark;
    struct looking l = {.reading = &work->hands[0].reading, .out = &removals};
    enum proto_error error = store_log_begin(work->store, &l.log);
    if (error != PROTO_OK)
        return error;
    uint64_t log_end = store_log_end(l.log);
    error = store_log_mark_read(l.log, WORK_REMOVING_MARK, &mark);
    bool any = error == PROTO_OK;
    if (any)
        error = look(&l, mark, end);
    store_log_abort(l.log);
    if (any && error == PROTO_OK)
        error = remove_and_commit(work, &removals, end == log_end);
    if (error == PROTO_FULL && may_wait) { /* a full disk is no reason not to start: reads go on */
        work_drop_wait(work, &removals);
        error = PROTO_OK;
    }
    work_drops_free(&removals);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* --- who was erased ------------------------------------------------------------------------------------------------ */

enum proto_error work_erased_load(struct work *work, struct store_txn *txn) {
    static const uint8_t prefix[1] = {WORK_SYSTEM_ERASED};
    struct work_reading *reading = &work->hands[0].reading;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct store_event stored;
    struct work_event event;
    bool made = false;
    work_map_clear(&work->erased);
    enum proto_error error = store_scan_begin(txn, STORE_SYSTEM, prefix, 1, prefix, 1, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = store_read_event(txn, work_get_u64(key.data + 1), &stored);
        if (error == PROTO_OK)
            error = work_event_load(stored.body, reading->arena, &reading->event, &event);
        if (error == PROTO_OK)
            (void)work_map_add(&work->erased, &event.patient, 0, &made);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}
