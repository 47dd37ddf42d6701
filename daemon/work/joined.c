/*
 * joined.c - see joined.h. A union-find over super classes; histories are read whole, as merges are rare.
 */
#include "work/joined.h"

#include <stdlib.h>

#include "work/patient.h"
#include "work/rows.h"

void work_joined_clear(struct work_joined *joined) {
    if (joined->count)
        work_map_clear(&joined->map);
    joined->count = 0;
}

void work_joined_free(struct work_joined *joined) {
    work_map_free(&joined->map);
    free(joined->nodes);
    *joined = (struct work_joined){0};
}

static uint32_t node_of(struct work_joined *joined, const struct proto_id *super, uint32_t records) {
    bool made = false;
    uint32_t node = work_map_add(&joined->map, super, joined->count, &made);
    if (made) {
        WORK_ARRAY_ROOM(joined->nodes, joined->count, joined->cap);
        joined->nodes[joined->count] = (struct work_joined_node){*super, joined->count, records};
        joined->count++;
    }
    return node;
}

static uint32_t root_of(struct work_joined *joined, uint32_t at) {
    struct work_joined_node *nodes = joined->nodes;
    while (nodes[at].parent != at)
        at = nodes[at].parent = nodes[nodes[at].parent].parent;
    return at;
}

void work_joined_add(struct work_joined *joined, const struct proto_id *a, uint32_t a_records, const struct proto_id *b,
                     uint32_t b_records) {
    uint32_t x = root_of(joined, node_of(joined, a, a_records));
    uint32_t y = root_of(joined, node_of(joined, b, b_records));
    if (x == y)
        return;
    joined->nodes[y].parent = x;
    joined->nodes[x].records += joined->nodes[y].records;
}

uint32_t work_joined_records(struct work_joined *joined, const struct proto_id *super) {
    uint32_t node = joined->count ? work_map_find(&joined->map, super) : WORK_MAP_NONE;
    return node == WORK_MAP_NONE ? 0 : joined->nodes[root_of(joined, node)].records;
}

bool work_joined_same(struct work_joined *joined, const struct proto_id *a, const struct proto_id *b) {
    if (work_id_same(a, b))
        return true;
    uint32_t x = joined->count ? work_map_find(&joined->map, a) : WORK_MAP_NONE;
    uint32_t y = joined->count ? work_map_find(&joined->map, b) : WORK_MAP_NONE;
    return x != WORK_MAP_NONE && y != WORK_MAP_NONE && root_of(joined, x) == root_of(joined, y);
}

/* --- events ------------------------------------------------------------------------------------------ */

struct listing {
    struct store_txn *txn;
    struct work_reading *reading;
    struct work_event *list;
    uint32_t count, cap;
};

static enum proto_error add_event(struct listing *l, const struct work_history_row *row) {
    struct store_event stored;
    enum proto_error error = store_read_event(l->txn, row->seq, &stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (stored.body.size == 0)
        return PROTO_OK;
    WORK_ARRAY_ROOM(l->list, l->count, l->cap);
    struct work_event *event = &l->list[l->count];
    error = work_event_load(stored.body, l->reading->arena, &l->reading->event, event);
    if (error != PROTO_OK)
        return error;
    event->seq = row->seq;
    event->received_at = stored.received_at;
    l->count++;
    error = work_event_part_gone(l->txn, event);
    return error == PROTO_OK && !event->has_patient ? PROTO_CORRUPT : error;
}

static enum proto_error add_class(struct listing *l, const struct proto_id *root) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error =
        store_scan_begin(l->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, root->bytes, PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK)
            error = add_event(l, &row);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Every class lies under the smallest of its own records: those that are their class's root name each class once. */
static enum proto_error add_super(struct listing *l, const struct proto_id *super) {
    struct work_patient whole, member;
    enum proto_error error = work_patient_find(l->txn, super, &whole);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error; /* a new child */
    if (whole.member_count == 0)
        return add_class(l, super);
    for (uint32_t i = 0; i < whole.member_count && error == PROTO_OK; i++) {
        struct proto_id id = work_patient_member(&whole, i);
        error = work_patient_find(l->txn, &id, &member);
        if (error == PROTO_NOT_FOUND)
            error = PROTO_CORRUPT;
        if (error == PROTO_OK && work_id_same(&member.root, &id))
            error = add_class(l, &id);
    }
    return error;
}

enum proto_error work_joined_events(struct work_joined *joined, struct store_txn *txn, struct work_reading *reading,
                                    const struct proto_id *super, struct work_event **list, uint32_t *count) {
    struct listing l = {.txn = txn, .reading = reading};
    enum proto_error error = PROTO_OK;
    if (work_joined_records(joined, super) == 0)
        error = add_super(&l, super);
    else
        for (uint32_t i = 0; i < joined->count && error == PROTO_OK; i++)
            if (work_joined_same(joined, super, &joined->nodes[i].super))
                error = add_super(&l, &joined->nodes[i].super);
    *list = l.list;
    *count = l.count;
    return error;
}
