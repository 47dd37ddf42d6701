/*
 * sync_event.c - events as nodes are given them: their bytes, when they were received here, and our word for that.
 *
 * What always holds: an entry of the log that is this node's own, or whose body was taken away, never gets into an answer.
 */
#include "serve/sync.h"
#include "work/event.h"

#include <string.h>

void serve_events_begin(struct serve_request *r, struct serve_events *events) {
    proto_write_text(r->w, "events");
    *events = (struct serve_events){.r = r, .mark = proto_write_array_begin(r->w), .bytes_max = SERVE_SYNC_PART_BYTES};
    events->first = r->w->size;
}

void serve_events_add(struct serve_events *events, const struct store_event *event) {
    struct serve_request *r = events->r;
    struct proto_kept kept = {
        .bytes = {(const char *)event->body.data, (uint32_t)event->body.size},
        /* to the event before it in the list, which must be the one before it in the log */
        .joined = event->joined && events->count > 0 && events->last_seq + 1 == event->seq,
        .has_receipt = true,
        .received_at = event->received_at,
    };
    assert(event->body.size > 0);
    static_assert(sizeof kept.receipt == WORK_RECEIPT_BYTES, "a receipt is a receipt");
    work_receipt_make(r->serve->options.work, &event->id, event->body, event->received_at, kept.receipt);
    proto_write_kept(r->w, &kept);
    events->last_seq = event->seq;
    events->count++;
}

bool serve_events_full(const struct serve_events *events) {
    return events->count >= PROTO_KEPT_MAX || events->r->w->size - events->first >= events->bytes_max;
}

void serve_events_end(struct serve_events *events) {
    proto_write_array_end(events->r->w, events->mark, events->count);
}

enum proto_error serve_at_write(struct serve_request *r) {
    struct proto_position at;
    enum proto_error error = work_cursor_at(r->serve->options.work, r->txn, store_txn_seq(r->txn), &at);
    if (error != PROTO_OK)
        return error;
    proto_write_text(r->w, "at");
    proto_write_position(r->w, &at);
    return PROTO_OK;
}

enum proto_error serve_event_record(struct serve_request *r, const struct store_event *event, bool *is_event,
                                    struct proto_id *record) {
    static struct proto_event decoded; /* the loop's thread only */
    struct work_event read;
    *is_event = event->body.size > 0 && !work_entry_is_system(event->body);
    if (!*is_event)
        return PROTO_OK;
    enum proto_error error = work_event_load(event->body, r->serve->arena, &decoded, &read);
    if (error == PROTO_OK)
        *record = work_event_record(&read);
    return error;
}
