/*
 * record.c - `record`: from a caller's events to work/, and the answer back to whoever is still there.
 */
#include "serve/internal.h"

#include "guard/rights.h"

#include <stdlib.h>
#include <string.h>

/* While the queue is full a caller is first left waiting, its connection read no further; then it is told. */
#define WAIT_FOR_ROOM_MS 2000
#define RETRY_MS 1000

struct pending {
    struct serve *serve;
    struct net_ticket ticket;
};

static void answer(struct serve *serve, struct net_ticket ticket, const struct work_call *call) {
    struct proto_writer w;
    struct store_bytes result = work_call_result(call);
    proto_writer_init(&w, serve->answer, PROTO_MESSAGE_BYTES_MAX);
    proto_write_result_begin(&w, ticket.msgid);
    proto_write_raw(&w, result.data, result.size);
    if (w.error == PROTO_OK) {
        net_hub_answer(serve->options.hub, ticket, w.bytes, w.size, serve->options.steady_ms(serve->options.clock_arg));
        return;
    }
    struct proto_fault fault = {0}; /* it was stored, so nothing may say that it was not */
    (void)proto_fault_set(&fault, PROTO_OUTCOME_UNKNOWN, NULL,
                          "The answer was too large; send the same ids again with want: none.");
    serve_send_fault(serve, ticket, &fault);
}

static void on_done(void *arg, struct work_call *call) {
    struct pending *pending = arg;
    const struct proto_fault *fault = work_call_fault(call);
    if (fault->code == PROTO_OK)
        answer(pending->serve, pending->ticket, call);
    else
        serve_send_fault(pending->serve, pending->ticket, fault);
    work_call_free(call);
    free(pending);
}

static enum proto_error add_event(struct serve_request *r, struct work_call *call, const void *object) {
    struct proto_event event;
    enum proto_error error = proto_event_decode_map(object, PROTO_STRICT_RECORD, &event, &r->fault);
    if (error != PROTO_OK)
        return error;
    if (!guard_may_record(serve_roles(r->session), event.kind))
        return proto_fault_set(&r->fault, PROTO_NOT_ALLOWED, "kind", "This account may not record %s.",
                               proto_kind_get(event.kind)->name);
    return work_call_add(call, &event, &r->fault);
}

static enum proto_error add_events(struct serve_request *r, struct work_call *call) {
    const struct proto_value *events = SERVE_VALUE(r, record, events);
    for (uint32_t i = 0; i < (uint64_t)events->n; i++) {
        enum proto_error error = add_event(r, call, proto_list_object(events, i));
        if (error != PROTO_OK) {
            if (r->fault.code == PROTO_OK)
                (void)proto_fault_set(&r->fault, error, NULL, "%s", proto_error_sentence(error));
            r->fault.has_event = 1;
            r->fault.event_index = i;
            return error;
        }
    }
    return PROTO_OK;
}

enum proto_error serve_busy(struct serve_request *r) {
    enum proto_error error = proto_fault_set(&r->fault, PROTO_BUSY, NULL, "%s", proto_error_sentence(PROTO_BUSY));
    r->fault.retry_ms = RETRY_MS;
    return error;
}

bool serve_has_room(struct serve_request *r, enum proto_error *error) {
    *error = PROTO_OK;
    if (work_has_room(r->serve->options.work))
        return true;
    if (r->waited_ms >= WAIT_FOR_ROOM_MS)
        *error = serve_busy(r);
    else
        r->put_off = true;
    return false;
}

enum proto_error serve_record(struct serve_request *r) {
    const struct proto_value *want = SERVE_VALUE(r, record, want);
    struct work *work = r->serve->options.work;
    struct work_who who;
    enum proto_error error;
    if (!serve_has_room(r, &error))
        return error;
    static_assert(WORK_WANT_NONE == 0 && WORK_WANT_STATUSES == 2, "`want` is numbered from 1 in the same order");
    serve_who(r->session, &who);
    struct work_call *call =
        work_call_new(work, &who, want->present ? (enum work_want)(want->n - 1) : WORK_WANT_OPENED);
    if (!call)
        return serve_busy(r);
    struct pending *pending = malloc(sizeof *pending);
    if (!pending) {
        work_call_free(call);
        return serve_busy(r);
    }
    error = add_events(r, call);
    if (error != PROTO_OK) {
        work_call_free(call);
        free(pending);
        return error;
    }
    *pending = (struct pending){r->serve, r->ticket};
    r->later = true;
    work_submit(work, call, on_done, pending);
    return PROTO_OK;
}
