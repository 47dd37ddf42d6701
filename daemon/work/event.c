/*
 * event.c - the few facts of an event that decide where it goes.
 */
#include "work/event.h"

#include <assert.h>
#include <stdlib.h>

struct work_place work_place_of(int64_t at, uint8_t rank, const struct proto_id *id) {
    struct work_place place;
    work_put_i64(place.bytes, at);
    place.bytes[8] = rank;
    memcpy(place.bytes + 9, id->bytes, PROTO_ID_BYTES);
    return place;
}

int64_t work_place_at(const struct work_place *place) {
    return work_get_i64(place->bytes);
}

struct work_place work_place_after(int64_t at) {
    struct work_place place;
    memset(place.bytes, 0xff, sizeof place.bytes);
    work_put_i64(place.bytes, at);
    return place;
}

static void copy_team(struct work_event *out, const struct proto_value *team) {
    if (team->present && team->text.size && team->text.size < sizeof out->team)
        memcpy(out->team, team->text.data, team->text.size);
}

static void read_named(struct work_event *out, const struct proto_event *e) {
    const struct proto_value *named = NULL;
    switch (e->kind) {
    case PROTO_KIND_event_withdrawn:
        named = PROTO_BODY(e, event_withdrawn, event);
        break;
    case PROTO_KIND_withdrawal_confirmed:
        named = PROTO_BODY(e, withdrawal_confirmed, withdrawal);
        break;
    case PROTO_KIND_patient_merged:
        named = PROTO_BODY(e, patient_merged, into);
        break;
    case PROTO_KIND_patient_registered:
        copy_team(out, PROTO_BODY(e, patient_registered, team));
        break;
    case PROTO_KIND_patient_moved:
        copy_team(out, PROTO_BODY(e, patient_moved, team));
        break;
    default:
        break;
    }
    if (named && named->present) {
        out->has_target = true;
        out->target = named->id;
    }
}

void work_event_from(struct work_event *out, const struct proto_event *e) {
    *out = (struct work_event){.id = e->id, .at = e->at, .kind = (uint16_t)e->kind};
    enum proto_rank rank = proto_event_rank(e);
    out->rank = (uint8_t)rank;
    int stoma = proto_event_stoma(e);
    out->stoma = (uint8_t)stoma;
    out->place = work_place_of(out->at, out->rank, &out->id);
    out->has_patient = e->has_patient;
    out->patient = e->patient;
    out->has_replaces = e->has_replaces;
    out->replaces = e->replaces;
    out->has_same_as = e->has_same_as;
    out->same_as = e->same_as;
    read_named(out, e);
}

enum proto_error work_event_load(struct store_bytes bytes, struct proto_arena *arena, struct proto_event *event,
                                 struct work_event *out) {
    proto_arena_clear(arena);
    enum proto_error error = proto_event_decode(bytes.data, bytes.size, arena, event);
    if (error != PROTO_OK)
        return error == PROTO_BUSY ? error : PROTO_CORRUPT;
    if (out) {
        work_event_from(out, event);
        out->bytes = bytes.data;
        out->size = (uint32_t)bytes.size;
    }
    return PROTO_OK;
}

bool work_event_voids(const struct work_event *event) {
    return event->has_replaces || event->kind == PROTO_KIND_event_withdrawn ||
           event->kind == PROTO_KIND_withdrawal_confirmed;
}

static int by_place(const void *a, const void *b) {
    const struct work_event *const *x = a, *const *y = b;
    return work_place_compare(&(*x)->place, &(*y)->place);
}

void work_events_sort(struct work_event **list, uint32_t count) {
    bool sorted = true;
    for (uint32_t i = 1; i < count && sorted; i++)
        sorted = work_place_compare(&list[i - 1]->place, &list[i]->place) <= 0;
    if (!sorted)
        qsort(list, count, sizeof *list, by_place);
}
