/*
 * sync_state.c - `sync-state` and `refused`: for the people at a node, how it stands with its upstream, and what the upstream
 * would not take.
 *
 * What always holds: a refusal stays on the list, with the whole event, until a person has sent it again or taken it off.
 */
#include "proto/ids.h"
#include "serve/sync.h"

#include "guard/rights.h"

#include <stdlib.h>
#include <string.h>

/* ---- sync-state ------------------------------------------------------------------------------------------------- */

#define ROWS_SHOWN 20u        /* of who left, and of what was replaced */
#define REFUSED_COUNTED 1000u /* so many refusals are counted, and no more */

static void write_number(struct proto_writer *w, const char *name, int64_t value) {
    proto_write_text(w, name);
    proto_write_int(w, value);
}

static void write_text(struct proto_writer *w, const char *name, const char *text) {
    proto_write_text(w, name);
    proto_write_text(w, text);
}

static void write_id(struct proto_writer *w, const char *name, const struct proto_id *id) {
    proto_write_text(w, name);
    proto_write_id(w, id);
}

static uint32_t write_contact(struct proto_writer *w, const struct serve_link_status *status) {
    uint32_t pairs = 0;
    if (status->last_contact) { /* before it the two others mean nothing */
        write_number(w, "last_contact", status->last_contact);
        write_number(w, "clock_offset_ms", status->clock_offset_ms);
        write_number(w, "round_trip_ms", status->round_trip_ms);
        pairs += 3;
    }
    if (!proto_id_is_zero(&status->upstream)) {
        write_id(w, "node", &status->upstream);
        pairs++;
    }
    if (status->has_cursor) {
        proto_write_text(w, "cursor");
        proto_write_position(w, &status->cursor);
        pairs++;
    }
    return pairs;
}

static void write_link(struct proto_writer *w, const struct serve_link_status *status) {
    uint32_t pairs = 3;
    proto_write_text(w, "upstream");
    size_t map = proto_write_map_begin(w);
    write_text(w, "state", status->state);
    write_number(w, "out", (int64_t)status->out_waiting);
    write_number(w, "in", (int64_t)status->in_waiting);
    pairs += write_contact(w, status);
    if (status->address[0]) {
        write_text(w, "address", status->address);
        pairs++;
    }
    if (status->fault[0]) {
        write_text(w, "fault", status->fault);
        pairs++;
    }
    proto_write_map_end(w, map, pairs);
    serve_scope_write(w, &status->scope);
}

struct rows {
    struct proto_writer *w;
    uint32_t count;
};

static bool on_counted(void *arg, const struct work_system_row *row) {
    struct rows *rows = arg;
    (void)row;
    return ++rows->count < REFUSED_COUNTED;
}

static bool on_left(void *arg, const struct work_system_row *row) {
    struct rows *rows = arg;
    proto_write_map(rows->w, 3);
    write_id(rows->w, "patient", &row->record);
    write_number(rows->w, "at", row->at);
    write_number(rows->w, "events", row->event_count);
    return ++rows->count < ROWS_SHOWN;
}

static bool on_replaced(void *arg, const struct work_system_row *row) {
    struct rows *rows = arg;
    bool has_record = !proto_id_is_zero(&row->record), has_new = !proto_id_is_zero(&row->new_event);
    proto_write_map(rows->w, 2u + has_record + has_new);
    write_number(rows->w, "at", row->at);
    write_id(rows->w, "event", &row->event);
    if (has_record)
        write_id(rows->w, "patient", &row->record);
    if (has_new)
        write_id(rows->w, "new_event", &row->new_event);
    return ++rows->count < ROWS_SHOWN;
}

static enum proto_error write_rows(struct serve_request *r, const char *name, enum work_system_type type,
                                   bool (*each)(void *arg, const struct work_system_row *row)) {
    struct rows rows = {.w = r->w};
    proto_write_text(r->w, name);
    size_t mark = proto_write_array_begin(r->w);
    enum proto_error error = work_system_each(r->txn, type, UINT64_MAX, each, &rows);
    proto_write_array_end(r->w, mark, rows.count);
    return error;
}

/* What this node's own entries say. While the view is rebuilt it is not known. */
static enum proto_error write_own(struct serve_request *r, uint32_t *pairs) {
    struct rows refused = {.w = r->w};
    enum proto_error error = store_read_begin(r->serve->options.store, &r->txn); /* ended by whoever called */
    if (error == PROTO_OK)
        error = work_system_each(r->txn, WORK_SYSTEM_REFUSED, UINT64_MAX, on_counted, &refused);
    if (error != PROTO_OK)
        return error;
    write_number(r->w, "refused", refused.count);
    error = write_rows(r, "left", WORK_SYSTEM_LEFT, on_left);
    if (error == PROTO_OK)
        error = write_rows(r, "replaced", WORK_SYSTEM_REPLACED, on_replaced);
    *pairs += 3;
    return error;
}

enum proto_error serve_sync_state(struct serve_request *r) {
    const struct serve_options *options = &r->serve->options;
    struct serve_link_status status = {0};
    struct work_progress progress;
    uint32_t pairs = 2;
    size_t map = proto_write_map_begin(r->w);
    struct proto_id node = work_node(options->work);
    write_id(r->w, "node", &node);
    write_number(r->w, "seq", (int64_t)work_log_seq(options->work));
    if (options->link_status && options->link_status(options->link_arg, &status)) {
        write_link(r->w, &status);
        pairs += 2;
    }
    work_progress_get(options->work, &progress);
    enum proto_error error = progress.rebuilding ? PROTO_OK : write_own(r, &pairs);
    proto_write_map_end(r->w, map, pairs);
    return error;
}

/* ---- refused ------------------------------------------------------------------------------------------------------ */

struct listing {
    struct serve_request *r;
    struct serve_page page;
    bool begun;
    enum proto_error error;
};

/* The event as people read it; false when it is none that can be read. */
static bool decode(struct serve_request *r, struct store_bytes bytes, struct proto_event *event) {
    proto_arena_clear(r->serve->arena);
    return proto_event_decode(bytes.data, bytes.size, r->serve->arena, event) == PROTO_OK;
}

static bool on_refused(void *arg, const struct work_system_row *row) {
    static struct proto_event event; /* the loop's thread only */
    struct listing *listing = arg;
    struct serve_request *r = listing->r;
    struct proto_writer *w = r->w;
    uint8_t key[8];
    if (listing->begun && !serve_page_has_room(r, &listing->page))
        return false;
    listing->begun = true;
    (void)serve_key_u32(key, serve_key_u32(key, 0, (uint32_t)(row->seq >> 32)), (uint32_t)row->seq);
    serve_page_look(&listing->page, (struct store_bytes){key, sizeof key});
    bool has_record = !proto_id_is_zero(&row->record);
    if (decode(r, row->bytes, &event)) { /* as history shows it, and why */
        proto_write_event(w, &event, 4);
    } else {
        proto_write_map(w, 4u + has_record);
        if (has_record)
            write_id(w, "patient", &row->record);
    }
    write_id(w, "event", &row->event);
    write_number(w, "refused_at", row->at);
    write_text(w, "code", proto_error_code(row->code));
    proto_write_text(w, "message");
    proto_write_slice(w, row->message);
    listing->page.rows++;
    return w->error == PROTO_OK;
}

static enum proto_error list_refused(struct serve_request *r) {
    struct listing listing = {.r = r};
    uint64_t before = UINT64_MAX;
    bool has;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, refused, after), &listing.page.token, &has);
    if (error != PROTO_OK)
        return error;
    if (has && listing.page.token.position_size != 8)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` is not a token that a page of this list gave.");
    if (has)
        before = (uint64_t)serve_key_get_u32(listing.page.token.position) << 32 |
                 serve_key_get_u32(listing.page.token.position + 4);
    else
        listing.page.token = (struct serve_token){.now = r->now};
    serve_page_begin(r, &listing.page, SERVE_VALUE(r, refused, limit));
    error = work_system_each(r->txn, WORK_SYSTEM_REFUSED, before, on_refused, &listing);
    serve_page_end(r, &listing.page);
    return error;
}

/* ---- again, drop ----------------------------------------------------------------------------------------------------- */

struct search {
    const struct proto_id *event;
    uint64_t seq; /* of its entry; 0: not found */
};

static bool on_search(void *arg, const struct work_system_row *row) {
    struct search *search = arg;
    if (proto_id_compare(&row->event, search->event) == 0)
        search->seq = row->seq;
    return search->seq == 0;
}

struct pending {
    struct serve *serve;
    struct net_ticket ticket;
    struct proto_id event;
};

static void on_done(void *arg, struct work_call *call) {
    struct pending *pending = arg;
    struct serve *serve = pending->serve;
    const struct proto_fault *fault = work_call_fault(call);
    struct proto_writer w;
    if (fault->code != PROTO_OK) {
        serve_send_fault(serve, pending->ticket, fault);
    } else {
        proto_writer_init(&w, serve->answer, PROTO_MESSAGE_BYTES_MAX);
        proto_write_result_begin(&w, pending->ticket.msgid);
        proto_write_map(&w, 1);
        write_id(&w, "event", &pending->event);
        net_hub_answer(serve->options.hub, pending->ticket, w.bytes, w.size,
                       serve->options.steady_ms(serve->options.clock_arg));
    }
    work_call_free(call);
    free(pending);
}

static enum proto_error settle(struct serve_request *r, const struct proto_value *id, bool again) {
    static const struct work_sync_from nobody;
    struct search search = {.event = &id->id};
    enum proto_error error;
    if (!guard_may_call(serve_roles(r->session), PROTO_METHOD_record))
        return proto_fault_set(&r->fault, PROTO_NOT_ALLOWED, NULL, "%s", proto_error_sentence(PROTO_NOT_ALLOWED));
    if (!serve_has_room(r, &error))
        return error;
    error = work_system_each(r->txn, WORK_SYSTEM_REFUSED, UINT64_MAX, on_search, &search);
    if (error != PROTO_OK)
        return error;
    if (search.seq == 0)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, again ? "again" : "drop",
                               "No event of that id is on the refused list.");
    struct pending *pending = malloc(sizeof *pending);
    struct work_call *call = pending ? work_sync_new(r->serve->options.work, WORK_SYNC_PAGE, &nobody) : NULL;
    if (!call) {
        free(pending);
        return serve_busy(r);
    }
    work_sync_settle(call, search.seq, again);
    *pending = (struct pending){r->serve, r->ticket, id->id};
    r->later = true;
    work_submit(r->serve->options.work, call, on_done, pending);
    return PROTO_OK;
}

enum proto_error serve_refused(struct serve_request *r) {
    const struct proto_value *again = SERVE_VALUE(r, refused, again), *drop = SERVE_VALUE(r, refused, drop);
    bool list = SERVE_VALUE(r, refused, limit)->present || SERVE_VALUE(r, refused, after)->present;
    if (again->present + drop->present + list > 1)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, NULL,
                               "refused takes a page, or again, or drop, not several.");
    if (again->present || drop->present)
        return settle(r, again->present ? again : drop, again->present);
    return list_refused(r);
}
