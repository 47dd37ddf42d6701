/*
 * call.c - calls: made on the caller's thread, stamped, submitted, answered.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

struct work_call *work_call_new(struct work *work, const struct work_who *who, enum work_want want) {
    if (!work_has_room(work))
        return NULL;
    struct work_call *call = calloc(1, sizeof *call);
    if (!call)
        return NULL;
    call->work = work;
    call->who = *who;
    call->want = want;
    return call;
}

void work_call_free(struct work_call *call) {
    if (!call)
        return;
    work_sync_free(call->sync);
    free(call->entries);
    work_buffer_free(&call->bytes);
    work_buffer_free(&call->result);
    free(call);
}

const struct proto_fault *work_call_fault(const struct work_call *call) {
    return &call->fault;
}

struct store_bytes work_call_result(const struct work_call *call) {
    return (struct store_bytes){call->result.data, call->result.size};
}

void work_make_id(struct work *work, int64_t now, struct proto_id *out) {
    uint8_t entropy[10];
    work->options.seams.entropy(work->options.seams.arg, entropy, sizeof entropy);
    pthread_mutex_lock(&work->id_lock);
    proto_id_make(&work->ids, now, entropy, out);
    pthread_mutex_unlock(&work->id_lock);
}

static const struct proto_value *zone_of(const struct proto_event *event) {
    if (event->kind == PROTO_KIND_patient_registered)
        return PROTO_BODY(event, patient_registered, zone);
    if (event->kind == PROTO_KIND_patient_revised)
        return PROTO_BODY(event, patient_revised, zone);
    return NULL;
}

/* What can be said about one event by itself. */
static enum proto_error judge_alone(const struct work *work, const struct proto_event *event, int64_t now,
                                    struct proto_fault *fault) {
    if (event->at > now + PROTO_FUTURE_MS_MAX)
        return proto_fault_set(fault, PROTO_FUTURE_TIME, "at", "%s", proto_error_sentence(PROTO_FUTURE_TIME));
    const struct proto_value *zone = zone_of(event);
    if (zone && zone->present && !care_zone_find(work->options.zones, zone->text))
        return proto_fault_set(fault, PROTO_BAD_VALUE, "zone", "There is no time zone \"%.*s\" in the zone data.",
                               (int)zone->text.size, zone->text.data);
    if (event->kind == PROTO_KIND_task_done) {
        struct proto_slice name = PROTO_BODY(event, task_done, task)->text;
        enum proto_task task = proto_task_find(name);
        if (task != PROTO_TASK_NONE && proto_task_has_kind(task))
            return proto_fault_set(fault, PROTO_CONFLICT, "task",
                                   "The task %s is done by recording what was done, not by task.done.",
                                   proto_task_name(task));
    }
    return PROTO_OK;
}

static struct work_entry *entry_room(struct work_call *call) {
    if (call->count == call->cap) {
        uint32_t cap = call->cap ? call->cap * 2 : 4;
        struct work_entry *larger = realloc(call->entries, sizeof *larger * cap);
        if (!larger)
            return NULL;
        call->entries = larger;
        call->cap = cap;
    }
    return &call->entries[call->count];
}

static uint8_t *bytes_room(struct work_call *call) {
    size_t needed = call->bytes.size + PROTO_EVENT_BYTES_MAX;
    if (needed > call->bytes.cap) {
        size_t cap = needed + call->bytes.cap;
        uint8_t *larger = realloc(call->bytes.data, cap);
        if (!larger)
            return NULL;
        call->bytes.data = larger;
        call->bytes.cap = cap;
    }
    return call->bytes.data + call->bytes.size;
}

enum proto_error work_call_add(struct work_call *call, const struct proto_event *event, struct proto_fault *fault) {
    struct work *work = call->work;
    int64_t now = work->options.seams.now_ms(work->options.seams.arg);
    if (call->count >= PROTO_EVENTS_PER_CALL_MAX || call->bytes.size > PROTO_BATCH_BYTES_MAX - PROTO_EVENT_BYTES_MAX)
        return proto_fault_set(fault, PROTO_TOO_LARGE, "events", "A call holds at most %d events and %u bytes of them.",
                               PROTO_EVENTS_PER_CALL_MAX, PROTO_BATCH_BYTES_MAX);
    enum proto_error error = judge_alone(work, event, now, fault);
    if (error == PROTO_OK) {
        struct work_entry *entry = entry_room(call);
        uint8_t *out = bytes_room(call);
        if (!entry || !out)
            return proto_fault_set(fault, PROTO_BUSY, NULL, "%s", proto_error_sentence(PROTO_BUSY));
        struct proto_event stamped = *event;
        if (!stamped.has_id)
            work_make_id(work, now, &stamped.id);
        stamped.has_id = true;
        stamped.by = (struct proto_slice){call->who.account, (uint32_t)strlen(call->who.account)};
        stamped.node = work_node(work);
        stamped.written_at = now;
        stamped.clock_offset_ms = atomic_load(&work->clock_offset);
        size_t size = 0;
        error = proto_event_encode(&stamped, out, PROTO_EVENT_BYTES_MAX, &size);
        if (error == PROTO_OK) {
            *entry = (struct work_entry){.offset = call->bytes.size};
            work_event_from(&entry->event, &stamped);
            entry->event.size = (uint32_t)size;
            entry->event.call = call;
            call->bytes.size += size;
            call->count++;
            return PROTO_OK;
        }
        error = proto_fault_set(fault, error, NULL, "%s", proto_error_sentence(error));
    }
    fault->has_event = 1;
    fault->event_index = call->count;
    return error;
}

/* --- in and out --------------------------------------------------------------------------------- */

void work_call_done(struct work *work, struct work_call *call) {
    call->next = NULL;
    pthread_mutex_lock(&work->lock);
    if (work->done_last)
        work->done_last->next = call;
    else
        work->done = call;
    work->done_last = call;
    pthread_mutex_unlock(&work->lock);
    work->options.seams.wake(work->options.seams.arg);
}

void work_call_refuse(struct work *work, struct work_call *call, enum proto_error code, const char *sentence) {
    assert(code != PROTO_OK);
    (void)proto_fault_set(&call->fault, code, NULL, "%s", sentence ? sentence : proto_error_sentence(code));
    work_call_done(work, call);
}

/* What a call is told that cannot be taken in this phase; PROTO_OK: it can. */
static enum proto_error phase_refuses(struct work *work) {
    switch ((enum work_phase)atomic_load(&work->phase)) {
    case WORK_PHASE_READY:
        return PROTO_OK;
    case WORK_PHASE_BEHIND:
        atomic_store(&work->retry, true);
        return PROTO_FULL;
    case WORK_PHASE_BROKEN:
        return PROTO_STOPPING;
    case WORK_PHASE_CHECK:
    case WORK_PHASE_REBUILD:
    case WORK_PHASE_CATCH_UP:
        break;
    }
    return PROTO_REBUILDING;
}

void work_submit(struct work *work, struct work_call *call, work_done_fn on_done, void *arg) {
    assert(call->work == work && call->fault.code == PROTO_OK);
    call->on_done = on_done;
    call->arg = arg;
    call->next = NULL;
    for (uint32_t i = 0; i < call->count; i++)
        call->entries[i].event.bytes = call->bytes.data + call->entries[i].offset;
    atomic_fetch_add(&work->calls, 1);
    enum proto_error refusal = phase_refuses(work);
    pthread_mutex_lock(&work->lock);
    if (refusal == PROTO_OK && work->stop)
        refusal = PROTO_STOPPING;
    if (refusal == PROTO_OK) {
        if (work->queue_last)
            work->queue_last->next = call;
        else
            work->queue = call;
        work->queue_last = call;
        atomic_fetch_add(&work->queue_events, call->count);
        atomic_fetch_add(&work->queue_bytes, call->bytes.size);
        pthread_cond_signal(&work->log_wake);
    } else {
        pthread_cond_signal(&work->pipe_wake);
    }
    pthread_mutex_unlock(&work->lock);
    if (refusal != PROTO_OK)
        work_call_refuse(work, call, refusal, NULL);
}

void work_deliver(struct work *work) {
    pthread_mutex_lock(&work->lock);
    struct work_call *call = work->done;
    work->done = work->done_last = NULL;
    pthread_mutex_unlock(&work->lock);
    while (call) {
        struct work_call *next = call->next;
        call->next = NULL;
        call->on_done(call->arg, call);
        call = next;
    }
}

bool work_has_room(const struct work *work) {
    return atomic_load(&work->queue_events) < WORK_QUEUE_EVENTS_HIGH &&
           atomic_load(&work->queue_bytes) < WORK_QUEUE_BYTES_HIGH;
}
