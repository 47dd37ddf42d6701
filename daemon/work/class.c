/*
 * class.c - which records are one child, and that child's events folded from the first.
 */
#include "work/class.h"

#include <assert.h>
#include <stdlib.h>

#include "proto/ids.h"
#include "work/digest.h"

/* --- members of the super class ------------------------------------------------------------------- */

struct node {
    struct proto_id id, into;
    struct work_place into_place; /* of the latest merge that counts, in the root's node */
    uint32_t parent;
    uint8_t flags;
};

struct graph {
    struct node *nodes;
    uint32_t count, cap;
};

static uint32_t node_of(struct graph *graph, const struct proto_id *id) {
    for (uint32_t i = graph->count; i > 0; i--) /* most classes have one record, most questions are about the last */
        if (work_id_same(&graph->nodes[i - 1].id, id))
            return i - 1;
    WORK_ARRAY_ROOM(graph->nodes, graph->count, graph->cap);
    graph->nodes[graph->count] = (struct node){.id = *id, .parent = graph->count};
    return graph->count++;
}

static uint32_t root_of(struct graph *graph, uint32_t at) {
    while (graph->nodes[at].parent != at)
        at = graph->nodes[at].parent = graph->nodes[graph->nodes[at].parent].parent;
    return at;
}

/* The smaller id is the root, and keeps the later `into`. */
static void join(struct graph *graph, uint32_t a, uint32_t b, const struct work_event *merge) {
    a = root_of(graph, a);
    b = root_of(graph, b);
    if (proto_id_compare(&graph->nodes[b].id, &graph->nodes[a].id) < 0) {
        uint32_t swap = a;
        a = b;
        b = swap;
    }
    struct node *root = &graph->nodes[a], *other = &graph->nodes[b];
    other->parent = a;
    if (work_place_compare(&other->into_place, &root->into_place) > 0) {
        root->into_place = other->into_place;
        root->into = other->into;
    }
    struct work_place place = work_place_of(merge->at, 0, &merge->id);
    if (work_place_compare(&place, &root->into_place) > 0) {
        root->into_place = place;
        root->into = merge->target;
    }
}

static bool is_merge(const struct work_event *event) {
    return event->kind == PROTO_KIND_patient_merged && event->has_target &&
           !work_id_same(&event->target, &event->patient);
}

/* --- making ----------------------------------------------------------------------------------------- */

static enum proto_error load_voids(struct work_classes *classes, struct work_reading *reading,
                                   struct work_event **events, uint32_t count) {
    for (uint32_t i = 0; i < count; i++) {
        if (!work_event_voids(events[i]))
            continue;
        struct store_bytes bytes = {events[i]->bytes, events[i]->size};
        enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
        if (error != PROTO_OK)
            return error;
        (void)work_voids_add(&classes->voids, &reading->event);
    }
    return PROTO_OK;
}

static enum proto_error find_nodes(struct work_classes *classes, struct work_reading *reading,
                                   struct work_event **events, uint32_t count, struct graph *graph) {
    for (uint32_t i = 0; i < count; i++) {
        assert(events[i]->has_patient);
        uint32_t node = node_of(graph, &events[i]->patient);
        if (events[i]->kind == PROTO_KIND_patient_registered)
            graph->nodes[node].flags |= WORK_PATIENT_REGISTERED;
        if (!is_merge(events[i]))
            continue;
        uint32_t into = node_of(graph, &events[i]->target);
        struct store_bytes bytes = {events[i]->bytes, events[i]->size};
        enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
        if (error != PROTO_OK)
            return error;
        if (work_voids_counts(&classes->voids, &reading->event, (struct care_target){0}))
            join(graph, node, into, events[i]);
    }
    return PROTO_OK;
}

struct ordered_node {
    struct proto_id root, id;
    uint32_t node;
};

static int by_root_and_id(const void *a, const void *b) {
    const struct ordered_node *x = a, *y = b;
    int order = proto_id_compare(&x->root, &y->root);
    return order ? order : proto_id_compare(&x->id, &y->id);
}

static void lay_out(struct work_classes *classes, struct graph *graph) {
    uint32_t count = graph->count;
    struct ordered_node *order = work_alloc(sizeof *order * count);
    for (uint32_t i = 0; i < count; i++)
        order[i] = (struct ordered_node){graph->nodes[root_of(graph, i)].id, graph->nodes[i].id, i};
    qsort(order, count, sizeof *order, by_root_and_id);
    classes->super = order[0].root;
    classes->member_count = count;
    classes->members = work_alloc(sizeof *classes->members * count);
    classes->flags = work_alloc(count);
    classes->list = work_alloc(sizeof *classes->list * count);
    for (uint32_t i = 0; i < count; i++) {
        classes->members[i] = order[i].id;
        classes->flags[i] = graph->nodes[order[i].node].flags;
        if (i == 0 || !work_id_same(&order[i].root, &order[i - 1].root)) {
            const struct node *root = &graph->nodes[order[i].node];
            assert(work_id_same(&order[i].root, &order[i].id)); /* the smallest id of a class is its root */
            classes->list[classes->count++] =
                (struct work_class){.root = order[i].id,
                                    .shown = proto_id_is_zero(&root->into) ? order[i].id : root->into,
                                    .first_member = i};
        }
        classes->list[classes->count - 1].member_count++;
    }
    free(order);
}

static struct work_class *class_of(struct work_classes *classes, const struct proto_id *patient) {
    for (uint32_t c = 0; c < classes->count; c++) {
        struct work_class *class = &classes->list[c];
        for (uint32_t m = 0; m < class->member_count; m++)
            if (work_id_same(&classes->members[class->first_member + m], patient))
                return class;
    }
    assert(false); /* every patient of an event is a member */
    return NULL;
}

/* One array holds the events of all classes, one class behind the other. */
static void share_out(struct work_classes *classes, struct work_event **events, uint32_t count) {
    classes->sorted = work_alloc(sizeof *classes->sorted * (count ? count : 1));
    for (uint32_t i = 0; i < count; i++)
        class_of(classes, &events[i]->patient)->event_count++;
    uint32_t at = 0;
    for (uint32_t c = 0; c < classes->count; c++) {
        classes->list[c].events = classes->sorted + at;
        at += classes->list[c].event_count;
        classes->list[c].event_count = 0;
    }
    for (uint32_t i = 0; i < count; i++) {
        struct work_class *class = class_of(classes, &events[i]->patient);
        class->events[class->event_count++] = events[i];
    }
    for (uint32_t c = 0; c < classes->count; c++)
        work_events_sort(classes->list[c].events, classes->list[c].event_count);
}

enum proto_error work_classes_make(struct work_classes *classes, struct work_reading *reading,
                                   struct work_event **events, uint32_t count) {
    assert(count > 0);
    *classes = (struct work_classes){0};
    struct graph graph = {0};
    enum proto_error error = load_voids(classes, reading, events, count);
    if (error == PROTO_OK)
        error = find_nodes(classes, reading, events, count, &graph);
    if (error == PROTO_OK) {
        lay_out(classes, &graph);
        share_out(classes, events, count);
    } else {
        work_classes_free(classes);
    }
    free(graph.nodes);
    return error;
}

void work_classes_free(struct work_classes *classes) {
    free(classes->members);
    free(classes->flags);
    free(classes->list);
    free(classes->sorted);
    work_voids_free(&classes->voids);
    *classes = (struct work_classes){0};
}

enum proto_error work_class_fold(struct work_classes *classes, const struct work_class *class,
                                 struct work_reading *reading, struct care_state *state, int64_t now,
                                 struct work_fold *fold) {
    work_fold_begin(fold, reading, state, &classes->voids, now);
    fold->root = class->root;
    fold->super = classes->super;
    fold->members = classes->members + class->first_member;
    fold->member_count = class->member_count;
    return work_fold_add(fold, class->events, class->event_count);
}

static void patient_rows(const struct work_classes *classes, const struct work_class *class, bool closed, uint32_t team,
                         struct work_rows *rows) {
    for (uint32_t m = 0; m < class->member_count; m++) {
        uint32_t at = class->first_member + m;
        const struct proto_id *id = &classes->members[at];
        struct work_patient patient = {
            .root = class->root, .shown = class->shown, .super = classes->super, .team = team};
        patient.flags = (uint8_t)(classes->flags[at] | (closed ? WORK_PATIENT_CLOSED : 0));
        if (classes->member_count > 1 && work_id_same(id, &classes->super)) {
            assert(classes->member_count <= UINT16_MAX);
            patient.member_count = (uint16_t)classes->member_count;
            patient.members = classes->members->bytes;
        }
        work_patient_row(id, &patient, rows);
    }
}

void work_class_rows(const struct work_classes *classes, const struct work_class *class, const struct work_fold *fold,
                     uint32_t team, struct work_rows *rows) {
    patient_rows(classes, class, fold->state->closed.at != 0, team, rows);
    work_state_row(fold, rows);
    for (uint32_t i = 0; i < class->event_count; i++) {
        const struct work_event *event = class->events[i];
        work_history_row(&class->root, event, rows);
        if (event->at > fold->limit)
            work_waiting_row(&class->root, &event->id, event->at, event->seq, rows);
    }
    work_digest_rows(classes->members + class->first_member, class->member_count, class->events, class->event_count,
                     rows);
    for (uint32_t i = 0; i < fold->checkpoint_count; i++)
        work_checkpoint_row(fold, &fold->checkpoints[i], rows);
    if (class == classes->list) /* the voids are the super class's: once */
        for (uint32_t i = 0; i < classes->voids.count; i++)
            work_void_row(&classes->super, &classes->voids.list[i], rows);
}

_Static_assert(sizeof(struct proto_id) == PROTO_ID_BYTES, "members are stored as they lie in memory");
