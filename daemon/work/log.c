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
    bool wrote;  /* there is something to commit */
    bool erases; /* what comes next is judged when the view knows */
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

/* The mark that something is to be taken away stands until it has been. */
static enum proto_error mark_removing(struct logging *l, uint64_t seq) {
    struct store_bytes held;
    uint8_t bytes[8];
    enum proto_error error = store_log_mark_read(l->judging.log, WORK_REMOVING_MARK, &held);
    if (error != PROTO_NOT_FOUND)
        return error;
    work_put_u64(bytes, seq);
    return store_log_mark_put(l->judging.log, WORK_REMOVING_MARK, bytes, sizeof bytes);
}

static enum proto_error append_event(struct logging *l, struct work_entry *entry, struct store_event *stored) {
    struct work *work = l->judging.work;
    stored->id = entry->event.id;
    stored->body = (struct store_bytes){entry->event.bytes, entry->event.size};
    work->options.seams.entropy(work->options.seams.arg, stored->nonce, sizeof stored->nonce);
    enum proto_error error = store_log_append(l->judging.log, stored);
    if (error != PROTO_OK)
        return error;
    entry->event.seq = stored->seq;
    entry->event.received_at = stored->received_at;
    l->batch->seq_last = stored->seq;
    l->batch->seq_first = l->batch->seq_first ? l->batch->seq_first : stored->seq;
    WORK_ARRAY_ROOM(l->batch->new_events, l->batch->new_count, l->batch->new_cap);
    l->batch->new_events[l->batch->new_count++] = entry;
    if (entry->event.has_patient)
        fly(l->flight, &entry->event);
    l->wrote = true;
    if (entry->event.kind != PROTO_KIND_patient_erased)
        return PROTO_OK;
    l->erases = true;
    return mark_removing(l, stored->seq);
}

static enum proto_error append(struct logging *l, struct work_entry *entry, bool joined) {
    struct store_event stored = {.received_at = l->batch->now, .joined = joined};
    return append_event(l, entry, &stored);
}

static enum proto_error append_call(struct logging *l, struct work_call *call) {
    enum proto_error error = PROTO_OK;
    bool joined = false;
    for (uint32_t i = 0; i < call->count && error == PROTO_OK; i++) {
        struct work_entry *entry = &call->entries[i];
        if (!entry->repeated) {
            error = append(l, entry, joined);
            joined = true;
            continue;
        }
        if (entry->repeats)
            entry->event.seq = call->entries[entry->repeats - 1].event.seq;
        atomic_fetch_add(&l->judging.work->repeated, 1);
        if (!entry->event.has_patient || entry->repeats ||
            entry->event.kind == PROTO_KIND_patient_erased) /* what is new in the call is answered as that, once */
            continue;
        WORK_ARRAY_ROOM(l->batch->refs, l->batch->ref_count, l->batch->ref_cap);
        l->batch->refs[l->batch->ref_count++] =
            (struct work_ref){.call = call, .event = entry->event.id, .patient = entry->event.patient};
    }
    return error;
}

/* --- appending what came from another node ---------------------------------------------------------------- */

static enum proto_error put_receipt(struct logging *l, const struct proto_id *id, int64_t received_at,
                                    const uint8_t receipt[WORK_RECEIPT_BYTES]) {
    l->wrote = true;
    return store_log_receipt_put(l->judging.log, id, received_at, receipt);
}

/* When it was received first: by our own word for it, if the node can show that. */
static int64_t first_received(const struct logging *l, const struct work_entry *entry,
                              const struct work_sync_item *item) {
    uint8_t ours[WORK_RECEIPT_BYTES];
    if (!item->has_receipt)
        return l->batch->now;
    work_receipt_make(l->judging.work, &entry->event.id, (struct store_bytes){entry->event.bytes, entry->event.size},
                      item->received_at, ours);
    return memcmp(ours, item->receipt, sizeof ours) == 0 ? item->received_at : l->batch->now;
}

/* An event is joined to one that is appended just before it, not to whatever stands there: that one may be held already. */
static enum proto_error append_sync_event(struct logging *l, struct work_call *call, uint32_t index, bool *group) {
    struct work_entry *entry = &call->entries[index];
    struct work_sync *sync = call->sync;
    struct work_sync_item *item = &sync->items[index];
    bool offered = sync->what == WORK_SYNC_OFFER;
    struct store_event stored = {.via = sync->from.node, .received_at = l->batch->now};
    enum proto_error error = PROTO_OK;
    *group &= item->joined;
    if (entry->repeated)
        return PROTO_OK;
    stored.joined = *group;
    *group = true;
    if (offered)
        stored.received_at = first_received(l, entry, item);
    stored.supersedes = item->state == WORK_SYNC_OTHER;
    error = append_event(l, entry, &stored);
    if (error == PROTO_OK && !offered && item->has_receipt)
        error = put_receipt(l, &entry->event.id, item->received_at, item->receipt);
    return error;
}

static enum proto_error append_system(struct logging *l, struct work_call *call, struct work_sync_system *system) {
    struct work *work = l->judging.work;
    struct work_batch *batch = l->batch;
    const uint8_t *bytes = call->sync->systems.data + system->at;
    struct store_event stored = {.id = system->id, .received_at = batch->now, .body = {bytes, system->size}};
    work->options.seams.entropy(work->options.seams.arg, stored.nonce, sizeof stored.nonce);
    enum proto_error error = store_log_append(l->judging.log, &stored);
    if (error != PROTO_OK)
        return error;
    l->wrote = true;
    batch->seq_last = stored.seq;
    batch->seq_first = batch->seq_first ? batch->seq_first : stored.seq;
    WORK_ARRAY_ROOM(batch->systems, batch->system_count, batch->system_cap);
    batch->systems[batch->system_count++] =
        (struct work_system_entry){stored.seq, batch->system_bytes.size, system->size};
    work_buffer_add(&batch->system_bytes, bytes, system->size);
    return mark_removing(l, stored.seq);
}

static enum proto_error append_receipts(struct logging *l, const struct work_sync *sync) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < sync->receipt_count && error == PROTO_OK; i++) {
        const struct work_sync_receipt *given = &sync->receipts[i];
        struct store_event held;
        error = store_log_read(l->judging.log, given->seq, &held);
        if (error == PROTO_OK) {
            struct proto_id id = held.id;
            error = put_receipt(l, &id, given->received_at, given->receipt);
        }
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    return error;
}

static enum proto_error append_sync(struct logging *l, struct work_call *call) {
    struct work_sync *sync = call->sync;
    enum proto_error error = PROTO_OK;
    bool group = false;
    /* What goes first: a view that catches up with a large call does so in parts, and never has an id twice. */
    for (uint32_t i = 0; i < sync->system_count && error == PROTO_OK; i++)
        error = append_system(l, call, &sync->system_list[i]);
    for (uint32_t i = 0; i < sync->extra_count && error == PROTO_OK; i++) {
        struct store_event stored = {.received_at = l->batch->now, .supersedes = true};
        error = append_event(l, &sync->extra[i], &stored);
    }
    for (uint32_t i = 0; i < call->count && error == PROTO_OK; i++)
        error = append_sync_event(l, call, i, &group);
    if (error == PROTO_OK)
        error = append_receipts(l, sync);
    for (uint32_t i = 0; i < sync->name_count && error == PROTO_OK; i++) {
        const struct work_sync_name *mark = &sync->names[i];
        l->wrote = true;
        error = store_log_mark_put(l->judging.log, mark->name, sync->marks.data + mark->at, mark->size);
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
    bool fits = call && (!l->batch->calls || (l->batch->new_count + call->count <= PROTO_BATCH_EVENTS_MAX &&
                                              l->bytes + call->bytes.size <= PROTO_BATCH_BYTES_MAX));
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
    if (call->sync)
        return true; /* marks and receipts at least */
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
        error = call->sync ? append_sync(l, call) : append_call(l, call);
        if (l->erases || (call->sync && call->sync->system_count)) { /* what goes is in the view still */
            l->held = true;
            break;
        }
    }
    return error;
}

/* --- the stage ------------------------------------------------------------------------------------------------ */

bool work_log_has_work(const struct work *work) {
    bool ready = atomic_load(&work->phase) == WORK_PHASE_READY;
    if (work->renewing || (ready && work->removals.count && !work->removals_wait))
        return true;
    if (!work->queue)
        return false;
    if (!ready)
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
    if (error != PROTO_OK || !l->wrote) {
        store_log_abort(j->log);
        return error;
    }
    error = store_log_commit(j->log);
    if (error == PROTO_OK && l->batch->seq_last)
        atomic_store(&j->work->log_seq, l->batch->seq_last);
    return error;
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

/* Bodies that may go now, and another node id: each by its own commit. With no room for that nothing is taken either: whatever is
 * judged must not find an event that counts no more. */
static bool carry_out(struct work *work) {
    struct work_drops removals = {0};
    pthread_mutex_lock(&work->lock);
    bool renews = work->renewing;
    if (!work->removals_wait || work->queue) {
        removals = work->removals;
        work->removals = (struct work_drops){0};
    }
    pthread_mutex_unlock(&work->lock);
    if (renews)
        work_node_renew_now(work);
    if (removals.count == 0) {
        work_drops_free(&removals);
        return renews;
    }
    enum proto_error error = work_drop_bodies(work, &removals);
    if (error == PROTO_FULL) {
        work_drop_wait(work, &removals);
        atomic_store(&work->full, true);
        refuse_queue(work, PROTO_FULL);
    } else if (error != PROTO_OK) {
        work_break(work, error, "the log");
    } else {
        pthread_mutex_lock(&work->lock);
        work->removals_wait = false;
        pthread_mutex_unlock(&work->lock);
    }
    work_drops_free(&removals);
    return true;
}

/* Whoever waits for another node id waits no longer than for the answer that it is not to be had now. */
static void refuse_renewing(struct work *work) {
    pthread_mutex_lock(&work->lock);
    if (work->renewing) {
        work->renewing = false;
        work->renewed = PROTO_REBUILDING;
        pthread_cond_signal(&work->renew_done);
    }
    pthread_mutex_unlock(&work->lock);
}

bool work_log_stage(struct work *work) {
    enum work_phase phase = (enum work_phase)atomic_load(&work->phase);
    if (phase == WORK_PHASE_READY && carry_out(work))
        return true;
    if (phase != WORK_PHASE_READY) {
        refuse_renewing(work);
        refuse_queue(work, phase == WORK_PHASE_BEHIND   ? PROTO_FULL
                           : phase == WORK_PHASE_BROKEN ? PROTO_STOPPING
                                                        : PROTO_REBUILDING);
        return false;
    }
    pthread_mutex_lock(&work->lock);
    uint64_t view_number = work->view_number;
    bool ready = work_log_has_work(work);
    bool removes = work->removals.count && !work->removals_wait;
    pthread_mutex_unlock(&work->lock);
    if (!ready || removes) /* they came this moment: they go before anything is judged */
        return ready;
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
