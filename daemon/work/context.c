/*
 * context.c - policy and recalls in force, made from their events.
 */
#include "work/context.h"

#include <assert.h>
#include <stdlib.h>

#include "proto/ids.h"

/* --- from events to values ----------------------------------------------------------------------- */

static void add_adoption(struct work_context *context, const struct proto_event *event) {
    WORK_ARRAY_ROOM(context->adoptions, context->adoption_count, context->adoption_cap);
    struct work_adoption *made = &context->adoptions[context->adoption_count++];
    *made = (struct work_adoption){.id = event->id, .at = event->at};
    struct proto_slice by = PROTO_BODY(event, policy_adopted, approved_by)->text;
    size_t size = by.size < sizeof made->approved_by ? by.size : sizeof made->approved_by - 1;
    if (size)
        memcpy(made->approved_by, by.data, size);
}

static struct work_team_policy *team_policy(struct work_context *context, struct proto_slice team) {
    for (uint32_t i = 0; i < context->team_count; i++)
        if (proto_slice_is(team, context->teams[i].team))
            return &context->teams[i];
    WORK_ARRAY_ROOM(context->teams, context->team_count, context->team_cap);
    struct work_team_policy *made = &context->teams[context->team_count++];
    *made = (struct work_team_policy){.policy = context->all};
    size_t size = team.size < sizeof made->team ? team.size : sizeof made->team - 1;
    memcpy(made->team, team.data, size);
    return made;
}

/* What is for all teams comes first: a team's own value beats it, whatever the dates. */
static void apply(struct work_context *context, const struct proto_event *event, bool own) {
    if (event->kind == PROTO_KIND_lot_recalled && !own) {
        WORK_ARRAY_ROOM(context->recalls, context->recall_count, context->recall_cap);
        care_recall_from_event(&context->recalls[context->recall_count++], event);
        return;
    }
    if (event->kind != PROTO_KIND_policy_adopted)
        return;
    const struct proto_value *team = PROTO_BODY(event, policy_adopted, team);
    if (team->present != own)
        return;
    care_policy_apply(own ? &team_policy(context, team->text)->policy : &context->all, event);
    add_adoption(context, event);
}

static enum proto_error apply_all(struct work_context *context, struct work_reading *reading, struct work_voids *voids,
                                  struct work_event **events, uint32_t count, bool own) {
    for (uint32_t i = 0; i < count; i++) {
        struct store_bytes bytes = {events[i]->bytes, events[i]->size};
        enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
        if (error != PROTO_OK)
            return error;
        if (work_voids_counts(voids, &reading->event, (struct care_target){0}))
            apply(context, &reading->event, own);
    }
    return PROTO_OK;
}

enum proto_error work_context_make(uint64_t seq, struct work_reading *reading, struct work_event **events,
                                   uint32_t count, struct work_context **out) {
    struct work_context *context = work_alloc(sizeof *context);
    struct work_voids voids = {0};
    enum proto_error error = PROTO_OK;
    atomic_init(&context->references, 1);
    context->seq = seq;
    care_policy_init(&context->all);
    work_events_sort(events, count);
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++) {
        if (!events[i]->has_replaces)
            continue;
        struct store_bytes bytes = {events[i]->bytes, events[i]->size};
        error = work_event_load(bytes, reading->arena, &reading->event, NULL);
        if (error == PROTO_OK)
            (void)work_voids_add(&voids, &reading->event);
    }
    if (error == PROTO_OK)
        error = apply_all(context, reading, &voids, events, count, false);
    if (error == PROTO_OK)
        error = apply_all(context, reading, &voids, events, count, true);
    work_voids_free(&voids);
    if (error == PROTO_OK)
        *out = context;
    else
        work_context_release(context);
    return error;
}

struct work_context *work_context_hold(struct work_context *context) {
    (void)atomic_fetch_add_explicit(&context->references, 1, memory_order_relaxed);
    return context;
}

void work_context_release(struct work_context *context) {
    if (!context || atomic_fetch_sub_explicit(&context->references, 1, memory_order_acq_rel) > 1)
        return;
    free(context->teams);
    free(context->recalls);
    free(context->adoptions);
    free(context);
}

void work_context_of(const struct work_context *context, const char *team, const struct care_zones *zones,
                     struct care_context *out) {
    *out = (struct care_context){
        .policy = &context->all, .recalls = context->recalls, .recall_count = context->recall_count, .zones = zones};
    for (uint32_t i = 0; i < context->team_count; i++)
        if (strcmp(context->teams[i].team, team) == 0)
            out->policy = &context->teams[i].policy;
}

/* --- from the view to events -------------------------------------------------------------------------- */

void work_context_events_add(struct work_context_events *events, const struct work_event *event) {
    WORK_ARRAY_ROOM(events->list, events->count, events->cap);
    struct work_event *copy = work_alloc(sizeof *copy);
    *copy = *event;
    events->list[events->count++] = copy;
}

void work_context_events_free(struct work_context_events *events) {
    for (uint32_t i = 0; i < events->count; i++)
        free(events->list[i]);
    free(events->list);
    *events = (struct work_context_events){0};
}

struct context_row {
    int64_t at;
    uint64_t seq, context_seq;
};

static enum proto_error read_row(struct store_bytes key, struct store_bytes value, struct context_row *row) {
    struct work_reader k = work_reader_of(key), v = work_reader_of(value);
    row->at = work_take_i64(&k);
    uint8_t format = work_take_u8(&v);
    row->seq = work_take_u64(&v);
    row->context_seq = work_take_u64(&v);
    return k.bad || v.bad || format != WORK_ROW_FORMAT || work_reader_left(&v) ? PROTO_CORRUPT : PROTO_OK;
}

static enum proto_error add_stored(struct store_txn *txn, struct work_reading *reading, uint64_t seq,
                                   struct work_context_events *out) {
    struct store_event stored;
    struct work_event event;
    enum proto_error error = store_read_event(txn, seq, &stored);
    if (error == PROTO_OK)
        error = work_event_load(stored.body, reading->arena, &reading->event, &event);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    event.seq = seq;
    event.received_at = stored.received_at;
    work_context_events_add(out, &event);
    return PROTO_OK;
}

static enum proto_error load_rows(struct store_txn *txn, struct work_reading *reading, bool waiting, uint64_t upto,
                                  int64_t now, struct work_context_events *out) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct context_row row;
    enum proto_error error = store_scan_begin(txn, STORE_CONTEXT, NULL, 0, NULL, 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = read_row(key, value, &row);
        if (error != PROTO_OK)
            break;
        if (row.context_seq > out->last_seq)
            out->last_seq = row.context_seq;
        bool wanted = waiting ? row.context_seq == 0 && row.at <= now : row.context_seq > 0 && row.context_seq <= upto;
        if (wanted)
            error = add_stored(txn, reading, row.seq, out);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_context_events_load(struct store_txn *txn, struct work_reading *reading, uint64_t upto,
                                          struct work_context_events *out) {
    return load_rows(txn, reading, false, upto, 0, out);
}

enum proto_error work_context_events_due(struct store_txn *txn, struct work_reading *reading, int64_t now,
                                         struct work_context_events *out) {
    return load_rows(txn, reading, true, 0, now, out);
}

void work_context_row(const struct work_event *event, uint64_t context_seq, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_CONTEXT);
    work_add_i64(b, event->at);
    work_add_id(b, &event->id);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_add_u64(b, event->seq);
    work_add_u64(b, context_seq);
    work_rows_end(rows);
}

enum proto_error work_context_load(struct store_txn *txn, struct work_reading *reading, uint64_t seq,
                                   struct work_context **out) {
    struct work_context_events events = {0};
    enum proto_error error = work_context_events_load(txn, reading, seq, &events);
    if (error == PROTO_OK)
        error = work_context_make(seq, reading, events.list, events.count, out);
    work_context_events_free(&events);
    return error;
}
