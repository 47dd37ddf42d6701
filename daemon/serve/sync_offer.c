/*
 * sync_offer.c - `offer`: what a node recorded comes in, and each event is answered for itself.
 *
 * What always holds: the events of an offer are judged by work/ alone and are one transaction of the log; an answer that would
 * not fit is cut between two calls of the node, and what it leaves out is in place all the same.
 */
#include "serve/sync.h"

#include <stdlib.h>
#include <string.h>

struct pending {
    struct serve *serve;
    struct net_ticket ticket;
    struct serve_node *node; /* written down with it; NULL: not */
    uint32_t count;
    bool *joined; /* of each event: the answer is not cut before it */
};

static void pending_free(struct pending *pending) {
    if (pending)
        free(pending->joined);
    free(pending);
}

/* ---- the answer --------------------------------------------------------------------------------------------- */

static void write_receipt(struct proto_writer *w, const struct work_sync_result *result) {
    proto_write_int(w, result->received_at);
    proto_write_bin(w, result->receipt, sizeof result->receipt);
}

static void write_result(struct proto_writer *w, const struct work_sync_result *result) {
    switch (result->state) {
    case WORK_SYNC_TAKEN:
    case WORK_SYNC_HELD:
        proto_write_array(w, 3);
        proto_write_int(w, result->state);
        write_receipt(w, result);
        return;
    case WORK_SYNC_REFUSED:
        proto_write_array(w, 3);
        proto_write_int(w, result->state);
        proto_write_text(w, proto_error_code(result->code));
        proto_write_text(w, result->message);
        return;
    case WORK_SYNC_OTHER:
        proto_write_array(w, 4);
        proto_write_int(w, result->state);
        proto_write_bin(w, result->theirs.data, result->theirs.size);
        write_receipt(w, result);
        return;
    }
    abort();
}

#define TAIL_BYTES 256 /* what stands behind the results */

/* Results of whole calls, as many as fit; 0: not even the first. */
static uint32_t write_results(struct proto_writer *w, const struct pending *pending, const struct work_call *call) {
    size_t mark = proto_write_array_begin(w);
    struct proto_writer whole = *w; /* behind the last result before which the answer may be cut */
    uint32_t written = 0;
    w->cap -= TAIL_BYTES;
    for (uint32_t i = 0; i < pending->count && w->error == PROTO_OK; i++) {
        struct work_sync_result result;
        if (!pending->joined[i]) {
            written = i;
            whole.size = w->size;
        }
        work_sync_result_get(call, i, &result);
        write_result(w, &result);
    }
    if (w->error == PROTO_OK)
        written = pending->count;
    else
        w->size = whole.size;
    w->error = PROTO_OK;
    w->cap += TAIL_BYTES;
    proto_write_array_end(w, mark, written);
    return written;
}

/* A place of this log by which all of the offer is worked in. */
static bool get_place(const struct serve *serve, struct proto_position *at) {
    struct store_txn *txn;
    if (store_read_begin(serve->options.store, &txn) != PROTO_OK)
        return false;
    enum proto_error error = work_cursor_at(serve->options.work, txn, store_txn_seq(txn), at);
    store_read_end(txn);
    return error == PROTO_OK;
}

static void answer(const struct pending *pending, const struct work_call *call) {
    struct serve *serve = pending->serve;
    struct proto_writer w;
    struct proto_fault fault = {0};
    uint8_t *bytes = malloc(PROTO_NODE_MESSAGE_BYTES_MAX);
    proto_writer_init(&w, bytes, bytes ? PROTO_NODE_MESSAGE_BYTES_MAX : 0);
    struct proto_position at;
    bool fits = false, has_place = get_place(serve, &at);
    if (bytes) {
        proto_write_result_begin(&w, pending->ticket.msgid);
        proto_write_map(&w, 2u + has_place);
        proto_write_text(&w, "results");
        fits = write_results(&w, pending, call) > 0;
        proto_write_text(&w, "seq");
        proto_write_int(&w, (int64_t)work_log_seq(serve->options.work));
        if (has_place) {
            proto_write_text(&w, "at");
            proto_write_position(&w, &at);
        }
    }
    if (fits && w.error == PROTO_OK) {
        net_hub_answer(serve->options.hub, pending->ticket, w.bytes, w.size,
                       serve->options.steady_ms(serve->options.clock_arg));
    } else { /* it was judged, so nothing may say that it was not */
        (void)proto_fault_set(&fault, PROTO_OUTCOME_UNKNOWN, NULL, "%s", proto_error_sentence(PROTO_OUTCOME_UNKNOWN));
        serve_send_fault(serve, pending->ticket, &fault);
    }
    free(bytes);
}

static void on_done(void *arg, struct work_call *call) {
    struct pending *pending = arg;
    const struct proto_fault *fault = work_call_fault(call);
    if (fault->code == PROTO_OK)
        answer(pending, call);
    else
        serve_send_fault(pending->serve, pending->ticket, fault);
    if (pending->node)
        serve_node_saved(pending->node, call);
    work_call_free(call);
    pending_free(pending);
}

/* ---- the call ------------------------------------------------------------------------------------------------- */

/* How far the node has pulled, as it says now; 0 when its cursor is none of this log's. */
static enum proto_error read_cursor(struct serve_request *r, struct serve_node *node, uint64_t *seq) {
    const struct proto_value *value = SERVE_VALUE(r, offer, cursor);
    *seq = 0;
    if (!value->present)
        return PROTO_OK;
    struct proto_position cursor = proto_value_position(value);
    enum proto_error error = work_cursor_check(r->serve->options.work, r->txn, &cursor);
    if (error == PROTO_DIVERGED)
        return PROTO_OK;
    if (error == PROTO_OK) {
        *seq = cursor.seq;
        serve_node_told(&node->cursor, &node->has_cursor, value, &node->moved);
    }
    return error;
}

static enum proto_error add_events(struct serve_request *r, struct work_call *call, struct pending *pending) {
    const struct proto_value *events = SERVE_VALUE(r, offer, events);
    pending->count = (uint32_t)events->n;
    for (uint32_t i = 0; i < pending->count; i++) {
        struct proto_kept kept = proto_list_kept(events, i);
        struct work_sync_event event = {.bytes = kept.bytes,
                                        .joined = kept.joined,
                                        .has_receipt = kept.has_receipt,
                                        .received_at = kept.received_at};
        memcpy(event.receipt, kept.receipt, sizeof event.receipt);
        pending->joined[i] = kept.joined;
        enum proto_error error = work_sync_add(call, &event, &r->fault);
        if (error != PROTO_OK)
            return error;
    }
    return PROTO_OK;
}

static struct pending *pending_new(struct serve_request *r) {
    struct pending *pending = malloc(sizeof *pending);
    if (!pending)
        return NULL;
    *pending = (struct pending){.serve = r->serve, .ticket = r->ticket};
    pending->joined = calloc((size_t)SERVE_VALUE(r, offer, events)->n, sizeof *pending->joined);
    if (pending->joined)
        return pending;
    free(pending);
    return NULL;
}

static enum proto_error submit(struct serve_request *r, struct serve_node *node, const struct work_sync_from *from) {
    struct work *work = r->serve->options.work;
    struct pending *pending = pending_new(r);
    struct work_call *call = pending ? work_sync_new(work, WORK_SYNC_OFFER, from) : NULL;
    if (!call) {
        pending_free(pending);
        return serve_busy(r);
    }
    enum proto_error error = add_events(r, call, pending);
    if (error != PROTO_OK) {
        work_call_free(call);
        pending_free(pending);
        return error;
    }
    if (serve_node_save(node, call))
        pending->node = node;
    r->later = true;
    work_submit(work, call, on_done, pending);
    return PROTO_OK;
}

enum proto_error serve_offer(struct serve_request *r) {
    struct serve_node *node;
    enum proto_error error = serve_node_get(r, &node);
    if (error != PROTO_OK || !serve_has_room(r, &error))
        return error;
    if (proto_list_kept(SERVE_VALUE(r, offer, events), 0).joined)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "events",
                               "An offer holds whole calls: its first event must not be joined to one before it.");
    struct work_sync_from from = {.node = node->id, .scope = node->scope};
    bool has_place = true;
    error = read_cursor(r, node, &from.cursor_seq);
    if (error != PROTO_OK)
        return error;
    serve_node_told(&node->place, &has_place, SERVE_VALUE(r, offer, place), &node->changed);
    return submit(r, node, &from);
}
