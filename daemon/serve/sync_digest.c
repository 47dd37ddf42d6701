/*
 * sync_digest.c - `digest`: what is held here of each record, as a count and a sum over its events, and the events of one record
 * as hashes, so that two nodes find what differs without sending it.
 *
 * What always holds: looking is bounded, and a token goes on behind the last record or event looked at.
 */
#include "proto/ids.h"
#include "serve/sync.h"

#include <string.h>

#define RECORDS_MAX 4000u /* of one page */
#define EVENTS_MAX 4000u

struct listing {
    struct serve_request *r;
    const struct work_scope *scope;
    uint32_t count, looked_at;
    struct proto_id last; /* record looked at */
    bool full;
    enum proto_error error;
};

static void write_record(struct proto_writer *w, const struct proto_id *record, const struct work_digest *digest,
                         const char *state) {
    proto_write_array(w, state ? 4 : 3);
    proto_write_id(w, record);
    proto_write_int(w, digest->count);
    proto_write_bin(w, digest->sum, sizeof digest->sum);
    if (state)
        proto_write_text(w, state);
}

/* ---- all records of a scope ----------------------------------------------------------------------------------- */

static bool on_record(void *arg, const struct proto_id *record) {
    struct listing *listing = arg;
    struct serve_request *r = listing->r;
    enum work_record_state state;
    struct work_digest digest;
    listing->full = listing->count == RECORDS_MAX || listing->looked_at == SERVE_ROWS_LOOKED_AT_MAX;
    if (listing->full)
        return false;
    listing->last = *record;
    listing->looked_at++;
    listing->error = work_record_state_get(r->serve->options.work, r->txn, listing->scope, record, &state);
    if (listing->error == PROTO_OK && state == WORK_RECORD_IN)
        listing->error = work_digest_get(r->txn, record, &digest);
    else
        return listing->error == PROTO_OK;
    if (listing->error == PROTO_OK && digest.count > 0) {
        write_record(r->w, record, &digest, NULL);
        listing->count++;
    }
    return listing->error == PROTO_OK;
}

static enum proto_error read_after_record(struct serve_request *r, struct proto_id *after, bool *has) {
    struct serve_token token;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, digest, after), &token, has);
    if (error != PROTO_OK || !*has)
        return error;
    if (token.position_size != PROTO_ID_BYTES)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` is not a token that a page of this list gave.");
    memcpy(after->bytes, token.position, PROTO_ID_BYTES);
    return PROTO_OK;
}

static enum proto_error digest_scope(struct serve_request *r) {
    struct work_scope scope;
    struct proto_position cursor;
    struct proto_id after;
    bool has_after = false;
    enum proto_error error =
        serve_scope_read(r, SERVE_VALUE(r, digest, teams), SERVE_VALUE(r, digest, all_teams), &scope);
    if (error == PROTO_OK)
        error = read_after_record(r, &after, &has_after);
    if (error == PROTO_OK)
        error = work_cursor_at(r->serve->options.work, r->txn, store_txn_seq(r->txn), &cursor);
    if (error != PROTO_OK)
        return error;
    struct listing listing = {.r = r, .scope = &scope};
    size_t map = proto_write_map_begin(r->w);
    proto_write_text(r->w, "cursor");
    proto_write_position(r->w, &cursor);
    proto_write_text(r->w, "records");
    size_t mark = proto_write_array_begin(r->w);
    error = work_records_each(r->txn, has_after ? &after : NULL, on_record, &listing);
    proto_write_array_end(r->w, mark, listing.count);
    if (listing.full) {
        struct serve_token token = {.now = r->now, .position_size = PROTO_ID_BYTES};
        memcpy(token.position, listing.last.bytes, PROTO_ID_BYTES);
        proto_write_text(r->w, "after");
        serve_token_write(r, &token);
    }
    proto_write_map_end(r->w, map, 2u + listing.full);
    return error == PROTO_OK ? listing.error : error;
}

/* ---- named records --------------------------------------------------------------------------------------------- */

static enum proto_error digest_records(struct serve_request *r, const struct serve_node *node) {
    static const char *const states[] = {[WORK_RECORD_UNKNOWN] = "unknown",
                                         [WORK_RECORD_IN] = "in",
                                         [WORK_RECORD_OUT] = "out",
                                         [WORK_RECORD_ERASED] = "erased"};
    const struct proto_value *records = SERVE_VALUE(r, digest, records);
    proto_write_map(r->w, 1);
    proto_write_text(r->w, "records");
    proto_write_array(r->w, (uint32_t)records->n);
    for (uint32_t i = 0; i < (uint64_t)records->n; i++) {
        struct proto_id record = proto_list_id(records, i);
        enum work_record_state state;
        struct work_digest digest;
        enum proto_error error = work_record_state_get(r->serve->options.work, r->txn, &node->scope, &record, &state);
        if (error == PROTO_OK)
            error = work_digest_get(r->txn, &record, &digest);
        if (error != PROTO_OK)
            return error;
        write_record(r->w, &record, &digest, states[state]);
    }
    return PROTO_OK;
}

/* ---- the events of one record ------------------------------------------------------------------------------------ */

struct hashes {
    struct serve_request *r;
    uint32_t count;
};

static bool on_event(void *arg, const struct store_event *event) {
    struct hashes *hashes = arg;
    uint8_t hash[PROTO_HASH_BYTES];
    if (event->body.size == 0 || work_entry_is_system(event->body))
        return true;
    work_event_hash(event->body, hash);
    proto_write_array(hashes->r->w, 2);
    proto_write_id(hashes->r->w, &event->id);
    proto_write_bin(hashes->r->w, hash, sizeof hash);
    return ++hashes->count < EVENTS_MAX;
}

static enum proto_error digest_record(struct serve_request *r) {
    struct work_record_place place = {0};
    struct hashes hashes = {.r = r};
    struct serve_token token;
    bool has;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, digest, after), &token, &has);
    if (error == PROTO_OK && has && token.position_size > sizeof place.bytes)
        error = proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                                "`after` is not a token that a page of this list gave.");
    if (error != PROTO_OK)
        return error;
    if (has) {
        place.size = (uint8_t)token.position_size;
        memcpy(place.bytes, token.position, token.position_size);
    }
    size_t map = proto_write_map_begin(r->w);
    proto_write_text(r->w, "events");
    size_t mark = proto_write_array_begin(r->w);
    error = work_record_events(r->serve->options.work, r->txn, &SERVE_VALUE(r, digest, record)->id, &place, on_event,
                               &hashes);
    proto_write_array_end(r->w, mark, hashes.count);
    bool more = hashes.count == EVENTS_MAX;
    if (more) {
        token = (struct serve_token){.now = r->now, .position_size = place.size};
        memcpy(token.position, place.bytes, place.size);
        proto_write_text(r->w, "after");
        serve_token_write(r, &token);
    }
    proto_write_map_end(r->w, map, 1u + more);
    return error;
}

/* ---- the call ------------------------------------------------------------------------------------------------------ */

enum proto_error serve_digest(struct serve_request *r) {
    struct serve_node *node;
    bool records = SERVE_VALUE(r, digest, records)->present, record = SERVE_VALUE(r, digest, record)->present;
    bool scope = SERVE_VALUE(r, digest, teams)->present || SERVE_VALUE(r, digest, all_teams)->present;
    enum proto_error error = serve_node_get(r, &node);
    if (error != PROTO_OK)
        return error;
    if (scope + records + record > 1 || (records && SERVE_VALUE(r, digest, after)->present))
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, NULL,
                               "digest takes one of: teams or all_teams, records, or record; records has no pages.");
    if (records)
        return digest_records(r, node);
    return record ? digest_record(r) : digest_scope(r);
}
