/*
 * log.c - the log stage: takes what is queued, judges it call by call, appends what is taken, and syncs once.
 *
 * What always holds: seqs are given inside the log's transaction; a batch is handed over only after its commit; when the
 * commit found no room nothing of the batch happened, after any other failure nobody knows and the callers are told so.
 */
#include "work/inside.h"

#include <assert.h>

struct logging {
    struct work_judging judging;
    struct work_batch *batch;
    struct work_flight *flight;
    size_t bytes;
    bool room, held;
};

/* --- what is on its way ------------------------------------------------------------------------------- */

static struct work_flight *begin_flight(struct work *work, uint64_t number, uint64_t view_number) {
    struct work_log_side *side = &work->log_side;
    struct work_flight *free_one = NULL;
    for (int f = 0; f < WORK_FLIGHTS; f++)
        if (side->flights[f].number <= view_number)
            free_one = &side->flights[f];
    assert(free_one); /* one batch is folded, one is made here: a third would be too many */
    free_one->number = number;
    free_one->count = 0;
    free_one->joins = false;
    work_map_clear(&free_one->map);
    return free_one;
}

static void fly(struct work_flight *flight, const struct work_event *event) {
    bool made = false;
    uint32_t row = work_map_add(&flight->map, &event->patient, flight->count, &made);
    if (made) {
        WORK_ARRAY_ROOM(flight->rows, flight->count, flight->cap);
        flight->rows[flight->count++] = (struct work_flight_row){.patient = event->patient};
    }
    if (event->team[0])
        memcpy(flight->rows[row].team, event->team, sizeof event->team);
    flight->joins |= event->kind == PROTO_KIND_patient_merged;
    flight->rows[row].registered |= event->kind == PROTO_KIND_patient_registered;
}

/* --- appending ------------------------------------------------------------------------------------------ */

static enum proto_error append(struct logging *l, struct work_entry *entry) {
    struct work *work = l->judging.work;
    struct store_event stored = {
        .id = entry->event.id, .received_at = l->batch->now, .body = {entry->event.bytes, entry->event.size}};
    work->options.seams.entropy(work->options.seams.arg, stored.nonce, sizeof stored.nonce);
    enum proto_error error = store_log_append(l->judging.log, &stored);
    if (error != PROTO_OK)
        return error;
    entry->event.seq = stored.seq;
    entry->event.received_at = stored.received_at;
    l->batch->seq_last = stored.seq;
    WORK_ARRAY_ROOM(l->batch->new_events, l->batch->new_count, l->batch->new_cap);
    l->batch->new_events[l->batch->new_count++] = entry;
    if (entry->event.has_patient)
        fly(l->flight, &entry->event);
    return PROTO_OK;
}

static enum proto_error append_call(struct logging *l, struct work_call *call) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < call->count && error == PROTO_OK; i++) {
        struct work_entry *entry = &call->entries[i];
        if (!entry->repeated) {
            error = append(l, entry);
            continue;
        }
        if (entry->repeats)
            entry->event.seq = call->entries[entry->repeats - 1].event.seq;
        atomic_fetch_add(&l->judging.work->repeated, 1);
        if (!entry->event.has_patient || entry->repeats) /* what is new in the call is answered as that, once */
            continue;
        WORK_ARRAY_ROOM(l->batch->refs, l->batch->ref_count, l->batch->ref_cap);
        l->batch->refs[l->batch->ref_count++] =
            (struct work_ref){.call = call, .event = entry->event.id, .patient = entry->event.patient};
    }
    return error;
}

static void keep_call(struct work_batch *batch, struct work_call *call) {
    call->next = NULL;
    if (batch->calls_last)
        batch->calls_last->next = call;
    else
        batch->calls = call;
    batch->calls_last = call;
}

/* --- the queue --------------------------------------------------------------------------------------------- */

static struct work_call *take_call(struct work *work, const struct logging *l) {
    pthread_mutex_lock(&work->lock);
    struct work_call *call = work->queue;
    bool fits = call && (l->batch->new_count + call->count <= PROTO_BATCH_EVENTS_MAX &&
                         l->bytes + call->bytes.size <= PROTO_BATCH_BYTES_MAX);
    if (fits) {
        work->queue = call->next;
        if (!work->queue)
            work->queue_last = NULL;
        call->next = NULL;
    }
    pthread_mutex_unlock(&work->lock);
    return fits ? call : NULL;
}

static void put_back(struct work *work, struct work_call *call) {
    pthread_mutex_lock(&work->lock);
    call->next = work->queue;
    work->queue = call;
    if (!work->queue_last)
        work->queue_last = call;
    pthread_mutex_unlock(&work->lock);
}

static void leave_queue(struct work *work, const struct work_call *call) {
    atomic_fetch_sub(&work->queue_events, call->count);
    atomic_fetch_sub(&work->queue_bytes, call->bytes.size);
}

static void refuse_queue(struct work *work, enum proto_error code) {
    pthread_mutex_lock(&work->lock);
    struct work_call *call = work->queue;
    work->queue = work->queue_last = NULL;
    pthread_mutex_unlock(&work->lock);
    while (call) {
        struct work_call *next = call->next;
        leave_queue(work, call);
        work_call_refuse(work, call, code, NULL);
        call = next;
    }
}

static bool has_news(const struct work_call *call) {
    for (uint32_t i = 0; i < call->count; i++)
        if (!call->entries[i].repeated)
            return true;
    return false;
}

/* Judges and appends calls until the queue is empty, the batch full, or one has to wait. */
static enum proto_error take_calls(struct logging *l) {
    struct work *work = l->judging.work;
    struct work_call *call;
    enum proto_error error = PROTO_OK;
    while (error == PROTO_OK && (call = take_call(work, l)) != NULL) {
        l->judging.call = call;
        if (!work_judge_call(&l->judging)) {
            l->held = true;
            put_back(work, call);
            return PROTO_OK;
        }
        leave_queue(work, call);
        if (call->fault.code == PROTO_OK && !l->room && has_news(call)) {
            (void)proto_fault_set(&call->fault, PROTO_FULL, NULL, "%s", proto_error_sentence(PROTO_FULL));
            atomic_store(&work->full, true);
        }
        if (call->fault.code != PROTO_OK) {
            atomic_fetch_add(&work->refused, 1);
            work_call_done(work, call);
            continue;
        }
        keep_call(l->batch, call);
        l->bytes += call->bytes.size;
        error = append_call(l, call);
    }
    return error;
}

/* --- the stage ------------------------------------------------------------------------------------------------ */

bool work_log_has_work(const struct work *work) {
    if (!work->queue)
        return false;
    if (atomic_load(&work->phase) != WORK_PHASE_READY)
        return true; /* to be refused */
    bool flushed = work->view_number + 1 == work->log_side.next_number;
    return !work->slot && (!work->log_held || flushed);
}

static void fail_batch(struct work *work, struct work_batch *batch, enum proto_error error) {
    if (error == PROTO_FULL)
        atomic_store(&work->full, true);
    for (struct work_call *call = batch->calls, *next; call; call = next) {
        next = call->next;
        work_call_refuse(work, call, error == PROTO_FULL ? PROTO_FULL : PROTO_OUTCOME_UNKNOWN, NULL);
    }
    batch->calls = batch->calls_last = NULL;
    work_batch_free(batch);
    if (error != PROTO_FULL)
        work_break(work, error, "the log");
}

static enum proto_error log_batch(struct logging *l) {
    struct work_judging *j = &l->judging;
    enum proto_error error = store_log_begin(j->work->store, &j->log);
    if (error != PROTO_OK)
        return error;
    error = store_read_begin(j->work->store, &j->txn);
    if (error == PROTO_OK) {
        error = take_calls(l);
        store_read_end(j->txn);
    }
    if (error != PROTO_OK || l->batch->new_count == 0) {
        store_log_abort(j->log);
        return error;
    }
    return store_log_commit(j->log);
}

static void hand_over(struct work *work, struct work_batch *batch, bool held) {
    pthread_mutex_lock(&work->lock);
    assert(!work->slot);
    work->log_held = held;
    if (batch) {
        work->slot = batch;
        pthread_cond_signal(&work->pipe_wake);
    }
    pthread_mutex_unlock(&work->lock);
}

bool work_log_stage(struct work *work) {
    enum work_phase phase = (enum work_phase)atomic_load(&work->phase);
    if (phase != WORK_PHASE_READY) {
        refuse_queue(work, phase == WORK_PHASE_BEHIND   ? PROTO_FULL
                           : phase == WORK_PHASE_BROKEN ? PROTO_STOPPING
                                                        : PROTO_REBUILDING);
        return false;
    }
    pthread_mutex_lock(&work->lock);
    uint64_t view_number = work->view_number;
    bool ready = work_log_has_work(work);
    pthread_mutex_unlock(&work->lock);
    if (!ready)
        return false;
    struct logging l = {.batch = work_batch_new(work, WORK_BATCH_CALLS)};
    l.batch->number = work->log_side.next_number;
    l.judging = (struct work_judging){.work = work, .batch = l.batch, .first_flight = view_number + 1};
    l.judging.context = work_context_current(work);
    l.room = store_room_check(work->store, atomic_load(&work->queue_bytes)) == PROTO_OK;
    l.flight = begin_flight(work, l.batch->number, view_number);
    enum proto_error error = log_batch(&l);
    work_context_release(l.judging.context);
    if (error != PROTO_OK || !l.batch->calls) {
        l.flight->number = 0;
        l.flight->count = 0;
        hand_over(work, NULL, l.held);
        if (error != PROTO_OK)
            fail_batch(work, l.batch, error);
        else
            work_batch_free(l.batch);
        return true;
    }
    pthread_mutex_lock(&work->lock); /* work_log_ready reads it from other threads */
    work->log_side.next_number++;
    pthread_mutex_unlock(&work->lock);
    atomic_fetch_add(&work->batches, 1);
    atomic_fetch_add(&work->events, l.batch->new_count);
    if (l.batch->new_count)
        atomic_store(&work->full, false);
    hand_over(work, l.batch, l.held);
    return true;
}
