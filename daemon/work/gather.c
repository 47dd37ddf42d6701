/*
 * gather.c - the log sorted by child.
 */
#include "work/gather.h"
#include "work/patient.h"

#include <assert.h>
#include <stdlib.h>

#include "proto/ids.h"

/* Instead of a place in ids. */
#define LOOSE WORK_MAP_NONE
#define GONE (WORK_MAP_NONE - 1)

static uint32_t number_of(struct work_gather *g, const struct proto_id *id) {
    bool made = false;
    uint32_t number = work_map_add(&g->map, id, g->id_count, &made);
    if (!made)
        return number;
    if (g->id_count == g->id_cap) {
        g->id_cap = g->id_cap ? g->id_cap * 2 : 1024;
        g->ids = work_grow(g->ids, sizeof *g->ids * g->id_cap);
        g->parents = work_grow(g->parents, sizeof *g->parents * g->id_cap);
    }
    g->ids[g->id_count] = *id;
    g->parents[g->id_count] = g->id_count;
    return g->id_count++;
}

static uint32_t root_of(struct work_gather *g, uint32_t at) {
    while (g->parents[at] != at)
        at = g->parents[at] = g->parents[g->parents[at]];
    return at;
}

/* Whether a merge counts is judged later; its records are of one super class either way. */
static void join(struct work_gather *g, uint32_t a, uint32_t b) {
    a = root_of(g, a);
    b = root_of(g, b);
    if (proto_id_compare(&g->ids[a], &g->ids[b]) <= 0)
        g->parents[b] = a;
    else
        g->parents[a] = b;
}

static void note_team(struct work_gather *g, const char *team) {
    for (uint32_t i = 0; i < g->team_count; i++)
        if (strcmp(g->teams[i], team) == 0)
            return;
    if (g->team_count == g->team_cap) {
        g->team_cap = g->team_cap ? g->team_cap * 2 : 16;
        g->teams = work_grow(g->teams, sizeof *g->teams * g->team_cap);
    }
    memcpy(g->teams[g->team_count++], team, sizeof *g->teams);
}

static void note_context(struct work_gather *g, const struct work_event *event) {
    work_context_events_add(&g->context, event);
    /* The buffer may still move: until it is finished `bytes` holds the place in it. */
    g->context.list[g->context.count - 1]->bytes = (const uint8_t *)(uintptr_t)g->context_bytes.size;
    work_buffer_add(&g->context_bytes, event->bytes, event->size);
}

static void note_system(struct work_gather *g, uint64_t seq, uint8_t type) {
    WORK_ARRAY_ROOM(g->systems, g->system_count, g->system_cap);
    g->systems[g->system_count++] = (struct work_gathered_system){seq, type};
}

/* A refused event that was settled is not to be seen any more. */
static void settle_system(struct work_gather *g, uint64_t seq) {
    for (uint32_t i = 0; i < g->system_count; i++)
        if (g->systems[i].seq == seq && g->systems[i].type == WORK_SYSTEM_REFUSED)
            g->systems[i] = g->systems[--g->system_count];
}

static enum proto_error add_system(struct work_gather *g, const struct store_event *stored) {
    struct work_system_row row;
    bool shown = false;
    uint64_t settles = 0;
    enum proto_error error = work_system_read(stored->body, &row, NULL, &shown, &settles);
    if (error != PROTO_OK)
        return error;
    if (shown)
        note_system(g, stored->seq, (uint8_t)row.type);
    if (settles)
        settle_system(g, settles);
    return PROTO_OK;
}

static uint32_t add_event(struct work_gather *g, const struct work_event *event) {
    bool made = false;
    uint32_t id = LOOSE;
    if (work_event_is_context(event))
        note_context(g, event);
    if (work_event_is_common(event))
        work_digest_add(&g->common, event);
    else
        id = number_of(g, &event->patient);
    if (event->kind == PROTO_KIND_patient_erased && event->has_patient) {
        (void)work_map_add(&g->erased, &event->patient, 0, &made);
        note_system(g, event->seq, WORK_SYSTEM_ERASED);
    }
    if (event->kind == PROTO_KIND_patient_merged && event->has_target && id != LOOSE) {
        WORK_ARRAY_ROOM(g->edges, g->edge_count, g->edge_cap);
        g->edges[g->edge_count++] = (struct work_gathered_edge){id, number_of(g, &event->target)};
    }
    if (event->team[0])
        note_team(g, event->team);
    return id;
}

enum proto_error work_gather_add(struct work_gather *g, struct work_reading *reading,
                                 const struct store_event *stored) {
    struct work_event event;
    enum proto_error error = PROTO_OK;
    uint32_t id = GONE;
    assert(stored->seq == g->event_count + 1);
    if (g->event_count == g->event_cap) {
        g->event_cap = g->event_cap ? g->event_cap * 2 : 4096;
        g->event_ids = work_grow(g->event_ids, sizeof *g->event_ids * g->event_cap);
    }
    if (stored->body.size == 0 || work_drops_have(&g->dropped, stored->seq)) {
        g->gone++;
    } else if (work_is_system(stored->body)) {
        error = add_system(g, stored);
        id = LOOSE;
    } else {
        error = work_event_load(stored->body, reading->arena, &reading->event, &event);
        event.seq = stored->seq;
        event.received_at = stored->received_at;
        if (error == PROTO_OK)
            id = add_event(g, &event);
    }
    g->event_ids[g->event_count++] = id;
    return error;
}

static int by_super(const void *a, const void *b) {
    const struct work_gathered *x = a, *y = b;
    return proto_id_compare(&x->super, &y->super);
}

static void gather_loose(struct work_gather *g) {
    uint64_t cap = 0;
    for (uint64_t e = 0; e < g->event_count; e++) {
        if (g->event_ids[e] != LOOSE)
            continue;
        WORK_ARRAY_ROOM(g->loose, g->loose_count, cap);
        g->loose[g->loose_count++] = e + 1;
    }
}

static bool is_erased(const struct work_gather *g, uint32_t id) {
    return g->erased.count > 0 && work_map_find(&g->erased, &g->ids[id]) != WORK_MAP_NONE;
}

/* A merge with a record that is erased joins nothing; events of such a record are gone. */
static void settle_erased(struct work_gather *g) {
    for (uint32_t i = 0; i < g->edge_count; i++)
        if (!is_erased(g, g->edges[i].a) && !is_erased(g, g->edges[i].b))
            join(g, g->edges[i].a, g->edges[i].b);
    for (uint64_t e = 0; g->erased.count > 0 && e < g->event_count; e++)
        if (g->event_ids[e] != LOOSE && g->event_ids[e] != GONE && is_erased(g, g->event_ids[e])) {
            g->event_ids[e] = GONE;
            g->gone++;
        }
}

static bool counts(const struct work_gather *g, uint64_t e) {
    return g->event_ids[e] != LOOSE && g->event_ids[e] != GONE;
}

/* Only super classes that have an event: an erased one has none. */
static void drop_empty(struct work_gather *g) {
    uint32_t kept = 0;
    for (uint32_t s = 0; s < g->super_count; s++)
        if (g->supers[s].count)
            g->supers[kept++] = g->supers[s];
    g->super_count = kept;
}

/* Counting sort of the events by super class. */
void work_gather_finish(struct work_gather *g) {
    settle_erased(g);
    uint32_t *place = work_alloc(sizeof *place * (g->id_count + 1));
    g->supers = work_alloc(sizeof *g->supers * (g->id_count + 1));
    for (uint32_t i = 0; i < g->id_count; i++)
        if (root_of(g, i) == i)
            g->supers[g->super_count++] = (struct work_gathered){.super = g->ids[i]};
    if (g->super_count)
        qsort(g->supers, g->super_count, sizeof *g->supers, by_super);
    for (uint32_t s = 0; s < g->super_count; s++)
        place[work_map_find(&g->map, &g->supers[s].super)] = s;
    for (uint64_t e = 0; e < g->event_count; e++)
        if (counts(g, e))
            g->supers[place[root_of(g, g->event_ids[e])]].count++;
    uint64_t at = 0;
    for (uint32_t s = 0; s < g->super_count; s++) {
        g->supers[s].first = at;
        at += g->supers[s].count;
        g->supers[s].count = 0;
    }
    g->seqs = work_alloc(sizeof *g->seqs * (at + 1));
    for (uint64_t e = 0; e < g->event_count; e++) {
        if (!counts(g, e))
            continue;
        struct work_gathered *super = &g->supers[place[root_of(g, g->event_ids[e])]];
        g->seqs[super->first + super->count++] = e + 1;
    }
    free(place);
    drop_empty(g);
    gather_loose(g);
    free(g->event_ids);
    g->event_ids = NULL;
    for (uint32_t i = 0; i < g->context.count; i++)
        g->context.list[i]->bytes = g->context_bytes.data + (uintptr_t)g->context.list[i]->bytes;
}

void work_gather_system_rows(const struct work_gather *g, struct work_rows *rows) {
    static const struct proto_id nobody;
    work_digest_row(&nobody, &g->common, rows);
    for (uint32_t i = 0; i < g->system_count; i++)
        work_system_seq_row(g->systems[i].type, g->systems[i].seq, rows);
    for (uint32_t i = 0; i < g->erased.cap; i++)
        if (g->erased.slots[i].number != WORK_MAP_NONE)
            work_erased_rows(&g->erased.slots[i].id, rows);
}

void work_gather_free(struct work_gather *g) {
    work_map_free(&g->map);
    free(g->ids);
    free(g->parents);
    free(g->event_ids);
    work_context_events_free(&g->context);
    work_buffer_free(&g->context_bytes);
    free(g->teams);
    free(g->supers);
    free(g->seqs);
    free(g->loose);
    work_drops_free(&g->dropped);
    work_map_free(&g->erased);
    free(g->systems);
    free(g->edges);
    *g = (struct work_gather){0};
}
