/*
 * sync.c - calls that carry events between nodes, as work/sync.h has them: made, and asked what came of them.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

/* As much of a text as fits, cut between characters. */
static void cut_text(char *out, size_t cap, const char *text) {
    size_t size = strlen(text);
    if (size >= cap)
        for (size = cap - 1; size > 0 && ((uint8_t)text[size] & 0xc0u) == 0x80u; size--) {}
    memcpy(out, text, size);
    out[size] = '\0';
}

struct work_call *work_sync_new(struct work *work, enum work_sync_what what, const struct work_sync_from *from) {
    static const struct work_who nobody = {.all_teams = true};
    struct work_call *call = work_call_new(work, &nobody, WORK_WANT_NONE);
    if (!call)
        return NULL;
    call->sync = calloc(1, sizeof *call->sync);
    if (!call->sync) {
        work_call_free(call);
        return NULL;
    }
    call->sync->what = what;
    call->sync->from = *from;
    return call;
}

void work_sync_free(struct work_sync *sync) {
    if (!sync)
        return;
    free(sync->items);
    free(sync->leaves);
    free(sync->refusals);
    free(sync->settles);
    free(sync->receipts);
    free(sync->names);
    work_buffer_free(&sync->marks);
    work_buffer_free(&sync->kept);
    free(sync->extra);
    work_buffer_free(&sync->extra_bytes);
    work_buffer_free(&sync->systems);
    free(sync->system_list);
    work_reading_deinit(&sync->reading);
    free(sync);
}

/* --- making ------------------------------------------------------------------------------------------ */

static enum proto_error add_room(struct work_call *call, size_t size, struct proto_fault *fault) {
    struct work_sync *sync = call->sync;
    if (call->count >= WORK_SYNC_EVENTS_MAX || call->bytes.size + size > WORK_SYNC_BYTES_MAX)
        return proto_fault_set(fault, PROTO_TOO_LARGE, "events", "More events came at once than are taken at once.");
    if (call->count == call->cap) {
        call->cap = call->cap ? call->cap * 2 : 64;
        call->entries = work_grow(call->entries, sizeof *call->entries * call->cap);
    }
    if (call->count == sync->item_cap) {
        sync->item_cap = sync->item_cap ? sync->item_cap * 2 : 64;
        sync->items = work_grow(sync->items, sizeof *sync->items * sync->item_cap);
    }
    return PROTO_OK;
}

enum proto_error work_sync_add(struct work_call *call, const struct work_sync_event *event, struct proto_fault *fault) {
    struct work_reading *reading = &call->sync->reading;
    enum proto_error error = add_room(call, event->bytes.size, fault);
    if (error != PROTO_OK)
        return error;
    if (!reading->arena && !work_reading_init(reading))
        return proto_fault_set(fault, PROTO_BUSY, NULL, "%s", proto_error_sentence(PROTO_BUSY));
    struct work_entry *entry = &call->entries[call->count];
    struct work_sync_item *item = &call->sync->items[call->count];
    *entry = (struct work_entry){.offset = call->bytes.size};
    *item = (struct work_sync_item){
        .joined = event->joined, .has_receipt = event->has_receipt, .received_at = event->received_at};
    memcpy(item->receipt, event->receipt, sizeof item->receipt);
    struct store_bytes bytes = {(const uint8_t *)event->bytes.data, event->bytes.size};
    error = bytes.size == 0 || bytes.size > PROTO_EVENT_BYTES_MAX || work_is_system(bytes)
                ? PROTO_CORRUPT
                : work_event_load(bytes, reading->arena, &reading->event, &entry->event);
    if (error == PROTO_BUSY)
        return proto_fault_set(fault, error, NULL, "%s", proto_error_sentence(error));
    item->malformed = error != PROTO_OK;
    if (item->malformed && call->sync->what == WORK_SYNC_PAGE)
        return proto_fault_set(fault, PROTO_CORRUPT, NULL, "What came from the upstream is not an event.");
    entry->event.size = (uint32_t)bytes.size;
    entry->event.call = call;
    work_buffer_add(&call->bytes, bytes.data, bytes.size);
    call->count++;
    return PROTO_OK;
}

void work_sync_leave(struct work_call *call, const struct proto_id *record) {
    struct work_sync *sync = call->sync;
    if (proto_id_is_zero(record)) /* what is of no child is everybody's */
        return;
    for (uint32_t i = 0; i < sync->leave_count; i++)
        if (work_id_same(&sync->leaves[i], record))
            return;
    WORK_ARRAY_ROOM(sync->leaves, sync->leave_count, sync->leave_cap);
    sync->leaves[sync->leave_count++] = *record;
}

void work_sync_refuse(struct work_call *call, uint64_t seq, enum proto_error code, const char *message, bool forget) {
    struct work_sync *sync = call->sync;
    for (uint32_t i = 0; i < sync->refusal_count; i++)
        if (sync->refusals[i].seq == seq)
            return; /* once is enough */
    WORK_ARRAY_ROOM(sync->refusals, sync->refusal_count, sync->refusal_cap);
    struct work_sync_refusal *refusal = &sync->refusals[sync->refusal_count++];
    *refusal = (struct work_sync_refusal){.seq = seq, .code = code, .forget = forget};
    cut_text(refusal->message, sizeof refusal->message, message);
}

void work_sync_receipt(struct work_call *call, uint64_t seq, int64_t received_at,
                       const uint8_t receipt[WORK_RECEIPT_BYTES]) {
    struct work_sync *sync = call->sync;
    WORK_ARRAY_ROOM(sync->receipts, sync->receipt_count, sync->receipt_cap);
    struct work_sync_receipt *given = &sync->receipts[sync->receipt_count++];
    *given = (struct work_sync_receipt){.seq = seq, .received_at = received_at};
    memcpy(given->receipt, receipt, sizeof given->receipt);
}

void work_sync_settle(struct work_call *call, uint64_t refused_seq, bool again) {
    struct work_sync *sync = call->sync;
    for (uint32_t i = 0; i < sync->settle_count; i++)
        if (sync->settles[i].seq == refused_seq)
            return;
    WORK_ARRAY_ROOM(sync->settles, sync->settle_count, sync->settle_cap);
    sync->settles[sync->settle_count++] = (struct work_sync_settle){refused_seq, again};
}

void work_sync_mark(struct work_call *call, const char *name, const void *bytes, size_t size) {
    struct work_sync *sync = call->sync;
    WORK_ARRAY_ROOM(sync->names, sync->name_count, sync->name_cap);
    struct work_sync_name *mark = &sync->names[sync->name_count++];
    *mark = (struct work_sync_name){.at = sync->marks.size, .size = size};
    assert(strlen(name) < sizeof mark->name);
    memcpy(mark->name, name, strlen(name));
    work_buffer_add(&sync->marks, bytes, size);
}

/* --- what came of it ------------------------------------------------------------------------------------ */

uint32_t work_sync_count(const struct work_call *call) {
    return call->count;
}

void work_sync_result_get(const struct work_call *call, uint32_t index, struct work_sync_result *out) {
    assert(index < call->count);
    const struct work_sync_item *item = &call->sync->items[index];
    *out = (struct work_sync_result){.state = item->state,
                                     .seq = item->old_seq,
                                     .received_at = item->held_at,
                                     .code = item->code,
                                     .message = item->message};
    uint32_t repeats = call->entries[index].repeats;
    const struct work_event *taken = repeats ? &call->entries[repeats - 1].event : &call->entries[index].event;
    if (item->state == WORK_SYNC_TAKEN ||
        (item->state == WORK_SYNC_HELD && repeats && call->sync->items[repeats - 1].state == WORK_SYNC_TAKEN)) {
        out->seq = taken->seq;
        out->received_at = taken->received_at;
    }
    if (item->state == WORK_SYNC_OTHER)
        out->theirs = (struct store_bytes){call->sync->kept.data + item->theirs, item->theirs_size};
    struct store_bytes bytes = {call->bytes.data + call->entries[index].offset, call->entries[index].event.size};
    if (call->sync->what == WORK_SYNC_OFFER && item->state != WORK_SYNC_REFUSED)
        work_receipt_make(call->work, &call->entries[index].event.id,
                          item->state == WORK_SYNC_OTHER ? out->theirs : bytes, out->received_at, out->receipt);
}
