/*
 * sync_fetch.c - `fetch`: pages of what is new, events by id, and records whole.
 *
 * What always holds: nothing is handed out of a record that is not in the node's scope now; every answer is bounded and says
 * how to go on.
 */
#include "proto/ids.h"
#include "serve/sync.h"

#include <string.h>

/* ---- pages ---------------------------------------------------------------------------------------------------- */

/* Whether a place the node knows is of this log. */
static enum proto_error check_place(struct serve_request *r, const struct proto_position *at, const char *field) {
    struct store_identity identity;
    store_identity_get(r->serve->options.store, &identity);
    if (at->seq > store_txn_seq(r->txn) && at->seq <= identity.log_seq)
        return PROTO_REBUILDING; /* logged, and not yet worked in */
    enum proto_error error = work_cursor_check(r->serve->options.work, r->txn, at);
    if (error == PROTO_DIVERGED)
        return proto_fault_set(&r->fault, PROTO_DIVERGED, field, "%s", proto_error_sentence(PROTO_DIVERGED));
    return error;
}

/* Where a page begins that was asked for by a cursor, or by none. A log that was put back to before what the node offered may
 * still hold how far it pulled: so both are looked at. */
static enum proto_error begin_at(struct serve_request *r, struct serve_node *node, struct proto_position *at) {
    const struct proto_value *after = SERVE_VALUE(r, fetch, after);
    const struct proto_value *seen = SERVE_VALUE(r, fetch, seen);
    enum proto_error error = PROTO_OK;
    if (seen->present) {
        struct proto_position place = proto_value_position(seen);
        error = check_place(r, &place, "seen");
    }
    if (error != PROTO_OK)
        return error;
    if (!after->present)
        return work_cursor_at(r->serve->options.work, r->txn, 0, at);
    *at = proto_value_position(after);
    error = check_place(r, at, "after");
    if (error == PROTO_OK)
        serve_node_told(&node->cursor, &node->has_cursor, after, &node->moved);
    return error;
}

static enum proto_error fetch_page(struct serve_request *r, struct serve_node *node) {
    static struct serve_pages pages; /* the loop's thread only */
    memset(&pages, 0, sizeof pages);
    enum proto_error error =
        serve_scope_read(r, SERVE_VALUE(r, fetch, teams), SERVE_VALUE(r, fetch, all_teams), &pages.scope);
    if (error == PROTO_OK)
        error = begin_at(r, node, &pages.at);
    if (error == PROTO_OK)
        error = serve_page_write(r, &pages);
    if (error == PROTO_OK)
        node->pages = pages;
    return error;
}

static enum proto_error fetch_next(struct serve_request *r, struct serve_node *node) {
    if (!node->pages.begun)
        return proto_fault_set(&r->fault, PROTO_CONFLICT, "next",
                               "There was no page yet in this connection that another could follow.");
    return serve_page_write(r, &node->pages);
}

/* ---- events by id, records ------------------------------------------------------------------------------------ */

static enum proto_error may_have(struct serve_request *r, const struct serve_node *node, const struct proto_id *record,
                                 bool *out) {
    enum work_record_state state;
    enum proto_error error = work_record_state_get(r->serve->options.work, r->txn, &node->scope, record, &state);
    *out = error == PROTO_OK && state == WORK_RECORD_IN;
    return error;
}

static enum proto_error add_by_id(struct serve_request *r, const struct serve_node *node, const struct proto_id *id,
                                  struct serve_events *events) {
    struct store_event event;
    struct proto_id record;
    uint64_t seq;
    bool is_event = false;
    enum proto_error error = store_read_find(r->txn, id, &seq);
    if (error == PROTO_OK)
        error = store_read_event(r->txn, seq, &event);
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error == PROTO_OK)
        error = serve_event_record(r, &event, &is_event, &record);
    if (error == PROTO_OK && is_event)
        error = may_have(r, node, &record, &is_event);
    if (error == PROTO_OK && is_event)
        serve_events_add(events, &event);
    return error;
}

static enum proto_error fetch_ids(struct serve_request *r, const struct serve_node *node) {
    const struct proto_value *ids = SERVE_VALUE(r, fetch, ids);
    struct serve_events events;
    enum proto_error error = PROTO_OK;
    uint32_t looked_at = 0;
    proto_write_map(r->w, 3);
    serve_events_begin(r, &events);
    for (; error == PROTO_OK && looked_at < (uint64_t)ids->n && !serve_events_full(&events); looked_at++) {
        struct proto_id id = proto_list_id(ids, looked_at);
        error = add_by_id(r, node, &id, &events);
    }
    serve_events_end(&events);
    proto_write_text(r->w, "looked_at");
    proto_write_int(r->w, looked_at);
    return error == PROTO_OK ? serve_at_write(r) : error;
}

/* Of an erased record what is left is the erasure, which counts to nobody's record. */
struct erasure {
    struct serve_request *r;
    struct serve_events *events;
    const struct proto_id *record;
};

static bool on_erasure(void *arg, const struct store_event *stored) {
    static struct proto_event event; /* the loop's thread only */
    struct erasure *erasure = arg;
    struct proto_arena *arena = erasure->r->serve->arena;
    proto_arena_clear(arena);
    if (proto_event_decode(stored->body.data, stored->body.size, arena, &event) == PROTO_OK &&
        event.kind == PROTO_KIND_patient_erased && event.has_patient &&
        proto_id_compare(&event.patient, erasure->record) == 0)
        serve_events_add(erasure->events, stored);
    return !serve_events_full(erasure->events);
}

static enum proto_error add_erasure(struct serve_request *r, const struct proto_id *record,
                                    struct serve_events *events) {
    static const struct proto_id nobody;
    struct erasure erasure = {r, events, record};
    struct work_record_place place = {0};
    return work_record_events(r->serve->options.work, r->txn, &nobody, &place, on_erasure, &erasure);
}

static bool on_event(void *arg, const struct store_event *event) {
    struct serve_events *events = arg;
    if (event->body.size > 0 && !work_entry_is_system(event->body))
        serve_events_add(events, event);
    return !serve_events_full(events);
}

static enum proto_error read_from(struct serve_request *r, struct work_record_place *place) {
    struct serve_token token;
    bool has;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, fetch, from), &token, &has);
    if (error != PROTO_OK || !has)
        return error;
    if (token.position_size > sizeof place->bytes)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "from", "`from` is not a token that a part of this gave.");
    place->size = (uint8_t)token.position_size;
    memcpy(place->bytes, token.position, token.position_size);
    return PROTO_OK;
}

static void write_from(struct serve_request *r, const struct work_record_place *place) {
    struct serve_token token = {.now = r->now, .position_size = place->size};
    memcpy(token.position, place->bytes, place->size);
    proto_write_text(r->w, "from");
    serve_token_write(r, &token);
}

static enum proto_error fetch_record(struct serve_request *r, const struct serve_node *node) {
    const struct proto_id *record = &SERVE_VALUE(r, fetch, record)->id;
    struct work_record_place place = {0};
    struct serve_events events;
    enum work_record_state state = WORK_RECORD_UNKNOWN;
    enum proto_error error = read_from(r, &place);
    if (error == PROTO_OK)
        error = work_record_state_get(r->serve->options.work, r->txn, &node->scope, record, &state);
    if (error != PROTO_OK)
        return error;
    size_t map = proto_write_map_begin(r->w);
    serve_events_begin(r, &events);
    events.bytes_max = SERVE_SYNC_RECORD_PART_BYTES;
    if (state == WORK_RECORD_ERASED)
        error = add_erasure(r, record, &events);
    else if (state == WORK_RECORD_IN)
        error = work_record_events(r->serve->options.work, r->txn, record, &place, on_event, &events);
    serve_events_end(&events);
    bool more = serve_events_full(&events);
    if (more)
        write_from(r, &place);
    if (error == PROTO_OK)
        error = serve_at_write(r);
    proto_write_map_end(r->w, map, 2u + more);
    return error;
}

/* ---- the call --------------------------------------------------------------------------------------------------- */

/* The forms of the call do not mix. */
static enum proto_error check_form(struct serve_request *r) {
    bool page = SERVE_VALUE(r, fetch, after)->present || SERVE_VALUE(r, fetch, seen)->present ||
                SERVE_VALUE(r, fetch, teams)->present || SERVE_VALUE(r, fetch, all_teams)->present;
    int forms = page + SERVE_VALUE(r, fetch, next)->present + SERVE_VALUE(r, fetch, ids)->present +
                SERVE_VALUE(r, fetch, record)->present;
    if (forms > 1)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, NULL,
                               "fetch takes one of: a page (after, teams, all_teams), next, ids, or record.");
    if (SERVE_VALUE(r, fetch, from)->present && !SERVE_VALUE(r, fetch, record)->present)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "from", "`from` goes with `record`.");
    return PROTO_OK;
}

enum proto_error serve_fetch(struct serve_request *r) {
    struct serve_node *node;
    enum proto_error error = serve_node_get(r, &node);
    if (error == PROTO_OK)
        error = check_form(r);
    if (error != PROTO_OK)
        return error;
    if (SERVE_VALUE(r, fetch, next)->present)
        error = fetch_next(r, node);
    else if (SERVE_VALUE(r, fetch, ids)->present)
        error = fetch_ids(r, node);
    else if (SERVE_VALUE(r, fetch, record)->present)
        error = fetch_record(r, node);
    else
        error = fetch_page(r, node);
    (void)serve_node_save(node, NULL);
    return error;
}
