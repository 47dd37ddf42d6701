/*
 * fold.c - one child's fold: forward by one step where nothing earlier changed, else again from a checkpoint before it.
 */
#include "work/fold.h"
#include "work/system.h"

#include <assert.h>
#include <stdlib.h>

#include "work/rows.h"

bool work_reading_init(struct work_reading *reading) {
    *reading = (struct work_reading){.arena = proto_arena_new(), .target_arena = proto_arena_new()};
    reading->encoded = malloc(PROTO_STATE_BYTES_MAX);
    if (reading->arena && reading->target_arena && reading->encoded)
        return true;
    work_reading_deinit(reading);
    return false;
}

void work_reading_deinit(struct work_reading *reading) {
    proto_arena_free(reading->arena);
    proto_arena_free(reading->target_arena);
    free(reading->encoded);
    reading->arena = reading->target_arena = NULL;
    reading->encoded = NULL;
}

/* --- stored places --------------------------------------------------------------------------- */

static void place_key(const struct work_fold *fold, const struct work_place *place,
                      uint8_t out[PROTO_ID_BYTES + WORK_PLACE_BYTES]) {
    memcpy(out, fold->root.bytes, PROTO_ID_BYTES);
    memcpy(out + PROTO_ID_BYTES, place->bytes, WORK_PLACE_BYTES);
}

enum proto_error work_state_head_find(struct store_txn *txn, const struct proto_id *root, struct work_state_head *out) {
    struct store_bytes value;
    enum proto_error error = store_get(txn, STORE_STATES, root->bytes, PROTO_ID_BYTES, &value);
    if (error != PROTO_OK)
        return error;
    struct work_reader v = work_reader_of(value);
    uint8_t format = work_take_u8(&v);
    const uint8_t *last = work_take(&v, WORK_PLACE_BYTES);
    out->ordinal = work_take_u32(&v);
    out->voids = work_take_u32(&v);
    out->waiting = work_take_u32(&v);
    if (v.bad || format != WORK_ROW_FORMAT)
        return PROTO_CORRUPT;
    memcpy(out->last.bytes, last, WORK_PLACE_BYTES);
    out->state = (struct store_bytes){v.at, work_reader_left(&v)};
    return PROTO_OK;
}

/* --- a walk over stored and added events in their order ---------------------------------------- */

struct walk {
    struct work_fold *fold;
    struct store_scan *scan; /* NULL: nothing more is stored */
    struct work_history_row row;
    uint32_t fresh;
    bool stored; /* the event last given is a stored one */
};

static enum proto_error walk_peek(struct walk *walk) {
    struct store_bytes key, value;
    enum proto_error error = store_scan_next(walk->scan, &key, &value);
    if (error == PROTO_OK)
        return work_history_row_read(key, value, &walk->row);
    store_scan_end(walk->scan);
    walk->scan = NULL;
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static uint32_t fresh_after(const struct work_fold *fold, const struct work_place *place) {
    uint32_t low = 0, high = fold->fresh_count;
    while (low < high) {
        uint32_t middle = (low + high) / 2;
        if (work_place_compare(&fold->fresh[middle]->place, place) <= 0)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

static enum proto_error walk_begin(struct walk *walk, struct work_fold *fold, const struct work_place *after,
                                   bool stored) {
    *walk = (struct walk){.fold = fold, .fresh = fresh_after(fold, after)};
    if (!stored || !fold->txn)
        return PROTO_OK;
    uint8_t from[PROTO_ID_BYTES + WORK_PLACE_BYTES + 1] = {0}; /* the zero byte: behind the place, not at it */
    place_key(fold, after, from);
    enum proto_error error = store_scan_begin(fold->txn, STORE_HISTORY, fold->root.bytes, PROTO_ID_BYTES, from,
                                              sizeof from, false, &walk->scan);
    return error == PROTO_OK ? walk_peek(walk) : error;
}

static void walk_end(struct walk *walk) {
    if (walk->scan)
        store_scan_end(walk->scan);
    walk->scan = NULL;
}

/* NOT_FOUND when its body has gone. */
static enum proto_error read_stored(struct store_txn *txn, uint64_t seq, struct proto_arena *arena,
                                    struct proto_event *event, struct work_event *facts) {
    struct store_event stored;
    enum proto_error error = store_read_event(txn, seq, &stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (stored.body.size == 0 || work_is_system(stored.body))
        return PROTO_NOT_FOUND; /* it counts no more, or is no event */
    error = work_event_load(stored.body, arena, event, facts);
    facts->seq = seq;
    facts->received_at = stored.received_at;
    return error;
}

/* The next event up to `until`, decoded into the reading; NOT_FOUND when there is none. */
static enum proto_error walk_next(struct walk *walk, int64_t until, struct work_place *place) {
    struct work_fold *fold = walk->fold;
    struct work_reading *reading = fold->reading;
    const struct work_event *fresh = walk->fresh < fold->fresh_count ? fold->fresh[walk->fresh] : NULL;
    struct work_place stored;
    if (walk->scan)
        stored = work_place_of(walk->row.at, walk->row.rank, &walk->row.event);
    if (walk->scan && (!fresh || work_place_compare(&stored, &fresh->place) < 0)) {
        if (walk->row.at > until)
            return PROTO_NOT_FOUND;
        struct work_event facts;
        *place = stored;
        walk->stored = true;
        enum proto_error error = read_stored(fold->txn, walk->row.seq, reading->arena, &reading->event, &facts);
        if (error == PROTO_NOT_FOUND) { /* a reader whose view is older than what left the log since */
            error = walk_peek(walk);
            return error == PROTO_OK ? walk_next(walk, until, place) : error;
        }
        return error == PROTO_OK ? walk_peek(walk) : error;
    }
    if (!fresh || fresh->at > until)
        return PROTO_NOT_FOUND;
    walk->fresh++;
    walk->stored = false;
    *place = fresh->place;
    return work_event_load((struct store_bytes){fresh->bytes, fresh->size}, reading->arena, &reading->event, NULL);
}

/* --- steps ----------------------------------------------------------------------------------- */

static bool of_class(const struct work_fold *fold, const struct work_event *event) {
    if (!event->has_patient)
        return false;
    for (uint32_t i = 0; i < fold->member_count; i++)
        if (work_id_same(&fold->members[i], &event->patient))
            return true;
    return work_id_same(&fold->root, &event->patient);
}

enum proto_error work_fold_find(struct work_fold *fold, const struct proto_id *id, const struct proto_event **event,
                                struct work_event *facts) {
    struct work_reading *reading = fold->reading;
    *event = &reading->target;
    for (uint32_t i = 0; i < fold->fresh_count; i++)
        if (work_id_same(&fold->fresh[i]->id, id)) {
            *facts = *fold->fresh[i];
            return work_event_load((struct store_bytes){facts->bytes, facts->size}, reading->target_arena,
                                   &reading->target, NULL);
        }
    uint64_t seq = 0;
    if (!fold->txn)
        return PROTO_NOT_FOUND;
    enum proto_error error = store_read_find(fold->txn, id, &seq);
    if (error == PROTO_OK && seq > store_txn_seq(fold->txn))
        error = PROTO_NOT_FOUND;
    if (error == PROTO_OK)
        error = read_stored(fold->txn, seq, reading->target_arena, &reading->target, facts);
    return error == PROTO_OK && !of_class(fold, facts) ? PROTO_NOT_FOUND : error;
}

/* What is held of the event that this one replaces. */
static enum proto_error replaced_by(struct work_fold *fold, bool has, struct proto_id id, struct care_target *out) {
    struct work_event facts;
    const struct proto_event *found;
    *out = (struct care_target){0};
    if (!has || fold->voids->count == 0)
        return PROTO_OK;
    enum proto_error error = work_fold_find(fold, &id, &found, &facts);
    if (error == PROTO_OK)
        *out = care_target_of(found);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Whether the event that was just read counts. */
static enum proto_error counts(struct work_fold *fold, bool *out) {
    const struct proto_event *event = &fold->reading->event;
    struct care_target target;
    enum proto_error error = replaced_by(fold, event->has_replaces, event->replaces, &target);
    *out = error == PROTO_OK && work_voids_counts(fold->voids, event, target);
    return error;
}

enum proto_error work_fold_find_counted(struct work_fold *fold, const struct proto_id *id,
                                        const struct proto_event **event, struct work_event *facts, bool *out) {
    struct care_target target = {0};
    enum proto_error error = work_fold_find(fold, id, event, facts);
    if (error == PROTO_OK && (*event)->has_replaces) {
        error = replaced_by(fold, true, (*event)->replaces, &target);
        if (error == PROTO_OK) /* the place in memory is that of the event it replaces now */
            error = work_fold_find(fold, id, event, facts);
    }
    *out = error == PROTO_OK && work_voids_counts(fold->voids, *event, target);
    return error;
}

/* The event that this one voids, when it is held and void indeed. */
static enum proto_error find_target(struct work_fold *fold, const struct proto_event *event,
                                    const struct proto_event **target) {
    struct care_void made;
    *target = NULL;
    if (!care_void_from_event(&made, event))
        return PROTO_OK;
    struct work_event facts;
    const struct proto_event *found = NULL;
    bool counted = false;
    enum proto_error error = work_fold_find_counted(fold, &made.target, &found, &facts, &counted);
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error == PROTO_OK && !counted && (!made.replacement || found->kind == event->kind))
        *target = found;
    return error;
}

static void add_checkpoint(struct work_fold *fold) {
    WORK_ARRAY_ROOM(fold->checkpoints, fold->checkpoint_count, fold->checkpoint_cap);
    struct work_checkpoint *made = &fold->checkpoints[fold->checkpoint_count++];
    *made = (struct work_checkpoint){.place = fold->last, .ordinal = fold->ordinal};
    uint8_t *out = work_buffer_reserve(&fold->checkpoint_bytes, PROTO_STATE_BYTES_MAX);
    enum proto_error error = care_state_encode(fold->state, out, PROTO_STATE_BYTES_MAX, &made->size);
    assert(error == PROTO_OK); /* the limit is the encoding's worst case */
    (void)error;
    made->bytes = fold->checkpoint_bytes.size;
    fold->checkpoint_bytes.size += made->size;
}

static enum proto_error step(struct work_fold *fold, const struct work_place *place) {
    const struct proto_event *event = &fold->reading->event, *target = NULL;
    assert(work_place_compare(&fold->last, place) < 0);
    fold->last = *place;
    fold->ordinal++;
    fold->steps++;
    fold->state->folded_to = work_place_at(place);
    bool counted = false;
    enum proto_error error = counts(fold, &counted);
    if (error == PROTO_OK && counted)
        error = find_target(fold, event, &target);
    if (error != PROTO_OK)
        return error;
    if (counted)
        care_step(fold->state, event, target);
    if (fold->ordinal % PROTO_CHECKPOINT_EVERY == 0)
        add_checkpoint(fold);
    return PROTO_OK;
}

static void note_arrival(struct work_fold *fold, const struct work_place *place) {
    WORK_ARRAY_ROOM(fold->arrived, fold->arrived_count, fold->arrived_cap);
    fold->arrived[fold->arrived_count++] = *place;
}

static enum proto_error forward(struct work_fold *fold, bool stored) {
    struct walk walk;
    struct work_place place;
    enum proto_error error = walk_begin(&walk, fold, &fold->last, stored);
    while (error == PROTO_OK && (error = walk_next(&walk, fold->limit, &place)) == PROTO_OK) {
        if (walk.stored && work_place_compare(&place, &fold->stored_last) > 0)
            note_arrival(fold, &place);
        error = step(fold, &place);
    }
    walk_end(&walk);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* What is dated behind the limit waits, visibly. */
static enum proto_error wait_rest(struct work_fold *fold) {
    bool stored = fold->stored_waiting > 0;
    fold->waiting = 0;
    if (!stored && (fold->fresh_count == 0 || fold->fresh[fold->fresh_count - 1]->at <= fold->limit))
        return PROTO_OK;
    struct walk walk;
    struct work_place place, after = work_place_after(fold->limit);
    enum proto_error error = walk_begin(&walk, fold, &after, stored);
    while (error == PROTO_OK && (error = walk_next(&walk, INT64_MAX, &place)) == PROTO_OK) {
        bool counted = false;
        fold->waiting++;
        if ((error = counts(fold, &counted)) != PROTO_OK)
            break;
        if (counted)
            care_wait(fold->state, &fold->reading->event);
    }
    walk_end(&walk);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* --- going back ------------------------------------------------------------------------------- */

static void start_over(struct work_fold *fold) {
    care_state_init(fold->state);
    fold->state->folded_to = 0;
    fold->last = (struct work_place){{0}};
    fold->ordinal = 0;
}

static enum proto_error take_checkpoint(struct work_fold *fold, const uint8_t *bytes, size_t size, uint32_t ordinal,
                                        const struct work_place *place) {
    fold->last = *place;
    fold->ordinal = ordinal;
    return care_state_decode(bytes, size, fold->state);
}

/* The last stored checkpoint before `place`; NOT_FOUND. */
static enum proto_error stored_checkpoint(struct work_fold *fold, const struct work_place *place) {
    uint8_t from[PROTO_ID_BYTES + WORK_PLACE_BYTES];
    place_key(fold, place, from);
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error = store_scan_begin(fold->txn, STORE_CHECKPOINTS, fold->root.bytes, PROTO_ID_BYTES, from,
                                              sizeof from, true, &scan);
    if (error == PROTO_OK)
        error = store_scan_next(scan, &key, &value);
    if (error == PROTO_OK) {
        struct work_reader v = work_reader_of(value);
        uint8_t format = work_take_u8(&v);
        uint32_t ordinal = work_take_u32(&v);
        struct work_place at;
        if (v.bad || format != WORK_ROW_FORMAT || key.size != sizeof from) {
            error = PROTO_CORRUPT;
        } else {
            memcpy(at.bytes, key.data + PROTO_ID_BYTES, WORK_PLACE_BYTES);
            error = take_checkpoint(fold, v.at, work_reader_left(&v), ordinal, &at);
        }
    }
    store_scan_end(scan);
    return error;
}

/* Back to the nearest checkpoint before `place`; those from there on no longer hold. */
static enum proto_error rewind_to(struct work_fold *fold, const struct work_place *place) {
    fold->refolds++;
    if (!fold->cut || work_place_compare(place, &fold->cut_at) < 0)
        fold->cut_at = *place;
    fold->cut = true;
    while (fold->checkpoint_count &&
           work_place_compare(&fold->checkpoints[fold->checkpoint_count - 1].place, place) >= 0)
        fold->checkpoint_bytes.size = fold->checkpoints[--fold->checkpoint_count].bytes;
    if (fold->checkpoint_count) {
        const struct work_checkpoint *c = &fold->checkpoints[fold->checkpoint_count - 1];
        return take_checkpoint(fold, fold->checkpoint_bytes.data + c->bytes, c->size, c->ordinal, &c->place);
    }
    enum proto_error error = fold->txn ? stored_checkpoint(fold, &fold->cut_at) : PROTO_NOT_FOUND;
    if (error != PROTO_NOT_FOUND)
        return error;
    start_over(fold);
    return PROTO_OK;
}

/* --- adding ----------------------------------------------------------------------------------- */

/* Ids whose standing may have changed, closed over everything that names one of them. */
struct touched {
    struct proto_id *list;
    uint32_t count, cap;
};

static bool touch(struct touched *touched, const struct proto_id *id) {
    for (uint32_t i = 0; i < touched->count; i++)
        if (work_id_same(&touched->list[i], id))
            return false;
    WORK_ARRAY_ROOM(touched->list, touched->count, touched->cap);
    touched->list[touched->count++] = *id;
    return true;
}

static bool is_touched(const struct touched *touched, const struct proto_id *id) {
    for (uint32_t i = 0; i < touched->count; i++)
        if (work_id_same(&touched->list[i], id))
            return true;
    return false;
}

static void close_touched(const struct work_fold *fold, struct touched *touched) {
    for (bool grew = true; grew;) {
        grew = false;
        for (uint32_t i = 0; i < fold->voids->count; i++) {
            const struct work_void *v = &fold->voids->list[i];
            if (!is_touched(touched, &v->target) && !is_touched(touched, &v->by_event))
                continue;
            grew |= touch(touched, &v->target);
            grew |= touch(touched, &v->by_event);
        }
    }
}

static enum proto_error earliest_touched(struct work_fold *fold, const struct touched *touched,
                                         struct work_place *earliest) {
    for (uint32_t i = 0; i < touched->count; i++) {
        struct work_event facts;
        const struct proto_event *event;
        enum proto_error error = work_fold_find(fold, &touched->list[i], &event, &facts);
        if (error == PROTO_NOT_FOUND)
            continue;
        if (error != PROTO_OK)
            return error;
        if (work_place_compare(&facts.place, earliest) < 0)
            *earliest = facts.place;
    }
    return PROTO_OK;
}

static enum proto_error add_voids(struct work_fold *fold, struct work_event **list, uint32_t count,
                                  struct touched *touched) {
    for (uint32_t i = 0; i < count; i++) {
        if (!work_event_voids(list[i]))
            continue;
        enum proto_error error = work_event_load((struct store_bytes){list[i]->bytes, list[i]->size},
                                                 fold->reading->arena, &fold->reading->event, NULL);
        if (error != PROTO_OK)
            return error;
        if (work_voids_add(fold->voids, &fold->reading->event))
            touch(touched, &list[i]->id);
    }
    for (uint32_t i = 0; i < count && fold->voids->count; i++)
        if (work_voids_name(fold->voids, &list[i]->id))
            touch(touched, &list[i]->id);
    return PROTO_OK;
}

static void add_fresh(struct work_fold *fold, struct work_event **list, uint32_t count) {
    for (uint32_t i = 0; i < count; i++) {
        WORK_ARRAY_ROOM(fold->fresh, fold->fresh_count, fold->fresh_cap);
        fold->fresh[fold->fresh_count++] = list[i];
    }
    work_events_sort(fold->fresh, fold->fresh_count);
}

enum proto_error work_fold_add(struct work_fold *fold, struct work_event **list, uint32_t count) {
    struct touched touched = {0};
    struct work_place earliest = fold->last;
    enum proto_error error = PROTO_OK;
    work_events_sort(list, count);
    add_fresh(fold, list, count);
    if (fold->txn)
        error = add_voids(fold, list, count, &touched);
    close_touched(fold, &touched);
    if (error == PROTO_OK)
        error = earliest_touched(fold, &touched, &earliest);
    free(touched.list);
    if (count && work_place_compare(&list[0]->place, &earliest) < 0)
        earliest = list[0]->place;
    care_wait_clear(fold->state);
    bool back = work_place_compare(&earliest, &fold->last) < 0;
    /* An event that stands where the fold stands can have been touched: its own step is the last one. */
    back |= touched.count && fold->ordinal && work_place_compare(&earliest, &fold->last) == 0;
    if (error == PROTO_OK && back)
        error = rewind_to(fold, &earliest);
    if (error == PROTO_OK)
        error = forward(fold, back || fold->stored_waiting > 0);
    return error == PROTO_OK ? wait_rest(fold) : error;
}

void work_fold_begin(struct work_fold *fold, struct work_reading *reading, struct care_state *state,
                     struct work_voids *voids, int64_t now) {
    *fold = (struct work_fold){.reading = reading, .state = state, .voids = voids, .limit = now};
    start_over(fold);
}

enum proto_error work_fold_open(struct work_fold *fold, struct store_txn *txn, struct work_reading *reading,
                                struct care_state *state, struct work_voids *voids, const struct proto_id *root,
                                const struct proto_id *super, int64_t now) {
    work_fold_begin(fold, reading, state, voids, now);
    fold->txn = txn;
    fold->root = *root;
    fold->super = *super;
    work_voids_clear(voids);
    struct work_state_head head;
    enum proto_error error = work_state_head_find(txn, root, &head);
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error == PROTO_OK)
        error = care_state_decode(head.state.data, head.state.size, state);
    if (error == PROTO_OK && head.voids)
        error = work_voids_load(voids, txn, super);
    if (error != PROTO_OK)
        return error;
    fold->stored = true;
    fold->last = fold->stored_last = head.last;
    fold->ordinal = head.ordinal;
    fold->stored_waiting = fold->waiting = head.waiting;
    if (work_place_at(&head.last) > fold->limit)
        fold->limit = work_place_at(&head.last);
    return PROTO_OK;
}

void work_fold_free(struct work_fold *fold) {
    free(fold->fresh);
    free(fold->checkpoints);
    free(fold->arrived);
    work_buffer_free(&fold->checkpoint_bytes);
    *fold = (struct work_fold){0};
}

/* --- rows --------------------------------------------------------------------------------------- */

void work_state_row(const struct work_fold *fold, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_STATES);
    work_add_id(b, &fold->root);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_buffer_add(b, fold->last.bytes, WORK_PLACE_BYTES);
    work_add_u32(b, fold->ordinal);
    work_add_u32(b, fold->voids->count);
    work_add_u32(b, fold->waiting);
    size_t size = 0;
    enum proto_error error =
        care_state_encode(fold->state, work_buffer_reserve(b, PROTO_STATE_BYTES_MAX), PROTO_STATE_BYTES_MAX, &size);
    assert(error == PROTO_OK);
    (void)error;
    b->size += size;
    work_rows_end(rows);
}

void work_schedule_row(const struct proto_id *root, uint64_t context_seq, const struct care_schedule *schedule,
                       struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_SCHEDULES);
    work_add_id(b, root);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_add_u64(b, context_seq);
    size_t size = 0;
    enum proto_error error = care_schedule_encode(schedule, work_buffer_reserve(b, PROTO_SCHEDULE_BYTES_MAX),
                                                  PROTO_SCHEDULE_BYTES_MAX, &size);
    assert(error == PROTO_OK);
    (void)error;
    b->size += size;
    work_rows_end(rows);
}

void work_history_row(const struct proto_id *root, const struct work_event *event, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_HISTORY);
    work_add_id(b, root);
    work_buffer_add(b, event->place.bytes, WORK_PLACE_BYTES);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_add_u64(b, event->seq);
    work_add_u16(b, event->kind);
    work_add_u8(b, event->stoma);
    work_rows_end(rows);
}

void work_waiting_row(const struct proto_id *root, const struct proto_id *event, int64_t at, uint64_t seq,
                      struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_WAITING);
    work_add_i64(b, at);
    work_add_id(b, root);
    work_add_id(b, event);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_add_u64(b, seq);
    work_rows_end(rows);
}

void work_checkpoint_row(const struct work_fold *fold, const struct work_checkpoint *checkpoint,
                         struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_CHECKPOINTS);
    work_add_id(b, &fold->root);
    work_buffer_add(b, checkpoint->place.bytes, WORK_PLACE_BYTES);
    work_rows_value(rows);
    work_add_u8(b, WORK_ROW_FORMAT);
    work_add_u32(b, checkpoint->ordinal);
    work_buffer_add(b, fold->checkpoint_bytes.data + checkpoint->bytes, checkpoint->size);
    work_rows_end(rows);
}
