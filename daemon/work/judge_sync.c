/*
 * judge_sync.c - admission of calls that carry events between nodes: what is new, what is held, what may not come here, and
 * what of this node's own goes because of it.
 *
 * What always holds: rules do not judge here, only where a record is; joined events are taken or refused together; whatever
 * takes events out of the fold is judged only when the view has all that is on its way.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#include "work/feed.h"

#define LEFT_DAYS_MAX 30
#define DAY_MS INT64_C(86400000)

enum verdict { TAKE, FAIL, HOLD };

static enum verdict fail(struct work_judging *j, enum proto_error error, const char *sentence) {
    enum proto_error code = error == PROTO_BUSY || error == PROTO_FULL || sentence ? error : PROTO_INTERNAL;
    (void)proto_fault_set(&j->call->fault, code, NULL, "%s", sentence ? sentence : proto_error_sentence(code));
    return FAIL;
}

static void refuse(struct work_judging *j, uint32_t index, enum proto_error code, const char *sentence) {
    struct work_sync_item *item = &j->call->sync->items[index];
    item->state = WORK_SYNC_REFUSED;
    item->code = code;
    const char *message = sentence ? sentence : proto_error_sentence(code);
    size_t size = strlen(message);
    assert(size < sizeof item->message);
    memcpy(item->message, message, size + 1);
}

/* --- ids ----------------------------------------------------------------------------------------------- */

static struct store_bytes bytes_of(const struct work_entry *entry) {
    return (struct store_bytes){entry->event.bytes, entry->event.size};
}

static bool same_bytes(struct store_bytes a, struct store_bytes b) {
    return a.size == b.size && memcmp(a.data, b.data, a.size) == 0;
}

static bool may_come(const struct work_sync_item *item) {
    return item->state != WORK_SYNC_REFUSED;
}

/* The same id earlier in this call. */
static bool judge_again(struct work_judging *j, uint32_t index) {
    struct work_call *call = j->call;
    bool made = false;
    uint32_t first = work_map_add(&j->work->log_side.in_call, &call->entries[index].event.id, index, &made);
    if (made)
        return false;
    if (!same_bytes(bytes_of(&call->entries[first]), bytes_of(&call->entries[index]))) {
        refuse(j, index, PROTO_ID_REUSED, NULL);
        return true;
    }
    call->sync->items[index].state = WORK_SYNC_HELD; /* see judge_repeated */
    call->entries[index].repeats = first + 1;
    return true;
}

static void keep_theirs(struct work_sync *sync, struct work_sync_item *item, struct store_bytes bytes) {
    item->theirs = sync->kept.size;
    item->theirs_size = bytes.size;
    work_buffer_add(&sync->kept, bytes.data, bytes.size);
}

static enum proto_error judge_id(struct work_judging *j, uint32_t index) {
    struct work_sync *sync = j->call->sync;
    struct work_sync_item *item = &sync->items[index];
    struct store_event held;
    uint64_t seq = 0;
    item->state = WORK_SYNC_TAKEN;
    if (judge_again(j, index))
        return PROTO_OK;
    enum proto_error error = store_log_find(j->log, &j->call->entries[index].event.id, &seq);
    if (error == PROTO_OK)
        error = store_log_read(j->log, seq, &held);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    if (held.body.size == 0)
        return PROTO_OK; /* it was here and went: it may come again */
    item->old_seq = seq;
    item->held_at = held.received_at;
    if (same_bytes(held.body, bytes_of(&j->call->entries[index]))) {
        item->state = WORK_SYNC_HELD;
    } else if (work_is_system(held.body)) {
        refuse(j, index, PROTO_ID_REUSED, NULL);
    } else {
        item->state = WORK_SYNC_OTHER;
        keep_theirs(sync, item, held.body);
    }
    return PROTO_OK;
}

/* --- where a record is ------------------------------------------------------------------------------------- */

static bool in_teams(const struct work_scope *scope, const char *team) {
    bool in = scope->all_teams;
    for (uint32_t t = 0; t < scope->team_count && !in; t++)
        in = strcmp(scope->teams[t], team) == 0;
    return in;
}

#define HANDED_BACK_MAX 250 /* events in a row with an old receipt that are looked over */

static enum proto_error is_recent(struct work_judging *j, uint64_t seq, bool *recent) {
    struct store_event event;
    enum proto_error error = store_log_read(j->log, seq, &event);
    *recent = error == PROTO_OK && event.received_at >= j->batch->now - LEFT_DAYS_MAX * DAY_MS;
    return error;
}

/* Times rise along the log, but for what came back with a receipt: one old event says nothing, many around it do. */
static enum proto_error is_recent_about(struct work_judging *j, uint64_t seq, uint64_t end, bool *recent) {
    uint64_t first = seq > HANDED_BACK_MAX ? seq - HANDED_BACK_MAX : 1;
    enum proto_error error = PROTO_OK;
    *recent = false;
    for (uint64_t s = first; s < end && s < seq + HANDED_BACK_MAX && error == PROTO_OK && !*recent; s++)
        error = is_recent(j, s, recent);
    return error;
}

/* A place in the log before which nothing is of the last thirty days, as well as its times tell. */
static enum proto_error recent_seq(struct work_judging *j, uint64_t *out) {
    uint64_t end = store_txn_seq(j->txn) + 1, low = 1, high = end;
    enum proto_error error = PROTO_OK;
    while (low < high && error == PROTO_OK) {
        uint64_t middle = low + (high - low) / 2;
        bool recent = false;
        error = is_recent_about(j, middle, end, &recent);
        if (recent)
            high = middle;
        else
            low = middle + 1;
    }
    *out = low;
    return error;
}

static enum proto_error note_left(struct work_judging *j, uint32_t team, uint64_t first) {
    struct work_map *left = &j->work->log_side.left;
    uint8_t prefix[WORK_FEED_KEY_BYTES], from[WORK_FEED_KEY_BYTES];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    bool made = false, recent = false;
    work_feed_key(team, first, from);
    memcpy(prefix, from, 4);
    enum proto_error error = store_scan_begin(j->txn, STORE_FEED, prefix, 4, from, sizeof from, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct work_feed_mark mark;
        size_t at = 0;
        while ((error = work_feed_next_mark(value, &at, &mark)) == PROTO_OK)
            if (mark.what == WORK_FEED_LEFT) {
                error = is_recent(j, work_get_u64(key.data + 4), &recent);
                if (error != PROTO_OK)
                    break;
                if (recent)
                    (void)work_map_add(left, &mark.record, 0, &made);
            }
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Whether the record left the node's teams without the node knowing, and not too long ago. Who did is looked up once a call. */
static enum proto_error left_unseen(struct work_judging *j, const struct proto_id *record, bool *left) {
    struct work_log_side *side = &j->work->log_side;
    const struct work_sync_from *from = &j->call->sync->from;
    uint64_t first = 0;
    enum proto_error error = side->left_known ? PROTO_OK : recent_seq(j, &first);
    first = first > from->cursor_seq + 1 ? first : from->cursor_seq + 1;
    for (uint32_t t = 0; t < from->scope.team_count && error == PROTO_OK && !side->left_known; t++) {
        uint32_t number = 0;
        struct proto_slice name = {from->scope.teams[t], (uint32_t)strlen(from->scope.teams[t])};
        error = work_team_find(j->txn, name, &number);
        if (error == PROTO_OK)
            error = note_left(j, number, first);
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    side->left_known |= error == PROTO_OK;
    *left = work_map_find(&side->left, record) != WORK_MAP_NONE;
    return error;
}

/* The registration that this call brings for the record, when it is new and not refused itself. */
static bool registered_in_call(const struct work_judging *j, const struct proto_id *record, const char **team) {
    uint32_t own = work_map_find(&j->work->log_side.registered_in_call, record);
    if (own == WORK_MAP_NONE || j->call->sync->items[own].state != WORK_SYNC_TAKEN)
        return false;
    *team = j->call->entries[own].event.team;
    return true;
}

static enum verdict judge_known(struct work_judging *j, uint32_t index, const struct proto_id *record) {
    struct work_sync *sync = j->call->sync;
    enum work_record_state state = WORK_RECORD_UNKNOWN;
    bool left = false;
    enum proto_error error = work_record_state_get(j->work, j->txn, &sync->from.scope, record, &state);
    if (error == PROTO_OK && state == WORK_RECORD_OUT)
        error = left_unseen(j, record, &left);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    if (state == WORK_RECORD_ERASED)
        refuse(j, index, PROTO_ERASED, NULL);
    else if (state == WORK_RECORD_UNKNOWN)
        refuse(j, index, PROTO_UNKNOWN_PATIENT, NULL);
    else if (state == WORK_RECORD_OUT && !left)
        refuse(j, index, PROTO_NOT_ALLOWED, "The child is in the care of a team that this node does not serve.");
    return TAKE;
}

static enum verdict judge_place(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    const struct work_scope *scope = &j->call->sync->from.scope;
    const char *team = "";
    if (registered_in_call(j, &event->patient, &team) && event->kind != PROTO_KIND_patient_registered) {
        if (!in_teams(scope, team))
            refuse(j, index, PROTO_NOT_ALLOWED, "The child is in the care of a team that this node does not serve.");
        return TAKE;
    }
    if (work_judge_merge_flies(j))
        return HOLD;
    if (work_judge_flies(j, &event->patient)) {
        enum proto_error error = work_judge_team(j, &event->patient, &team);
        if (error == PROTO_OK && in_teams(scope, team))
            return TAKE;
        return HOLD; /* it may just have left: the view will say */
    }
    if (event->kind != PROTO_KIND_patient_registered)
        return judge_known(j, index, &event->patient);
    enum work_record_state state = WORK_RECORD_UNKNOWN;
    enum proto_error error = work_record_state_get(j->work, j->txn, scope, &event->patient, &state);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    if (state != WORK_RECORD_UNKNOWN)
        return judge_known(j, index, &event->patient);
    if (!in_teams(scope, event->team))
        refuse(j, index, PROTO_NOT_ALLOWED, "This node does not serve the team that the child is registered for.");
    return TAKE;
}

static enum proto_error super_of(struct work_judging *j, const struct proto_id *id, struct work_patient *super) {
    struct work_patient found;
    enum proto_error error = work_patient_find(j->txn, id, &found);
    if (error == PROTO_OK)
        error = work_patient_find(j->txn, &found.super, super);
    if (error == PROTO_NOT_FOUND) {
        *super = (struct work_patient){.root = *id, .shown = *id, .super = *id};
        error = PROTO_OK;
    }
    return error;
}

/* More records than can be one child are the one thing about a child that cannot be taken. */
static enum verdict judge_merge(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_joined *joined = &j->work->log_side.joined;
    struct work_patient a, b;
    if (event->kind != PROTO_KIND_patient_merged || !event->has_target)
        return TAKE;
    enum proto_error error = super_of(j, &event->patient, &a);
    if (error == PROTO_OK)
        error = super_of(j, &event->target, &b);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    uint32_t a_records = a.member_count ? a.member_count : 1, b_records = b.member_count ? b.member_count : 1;
    uint32_t a_joined = work_joined_records(joined, &a.super), b_joined = work_joined_records(joined, &b.super);
    uint32_t records = (a_joined ? a_joined : a_records) + (b_joined ? b_joined : b_records);
    if (records > WORK_MERGED_MAX && !work_joined_same(joined, &a.super, &b.super))
        refuse(j, index, PROTO_CONFLICT, "Too many records would be one child.");
    else
        work_joined_add(joined, &a.super, a_records, &b.super, b_records);
    return TAKE;
}

/* The id is held with other bytes, which go to nobody who does not serve the child they are about. */
static enum verdict judge_other(struct work_judging *j, uint32_t index) {
    const struct work_sync *sync = j->call->sync;
    const struct work_sync_item *item = &sync->items[index];
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct store_bytes bytes = {sync->kept.data + item->theirs, item->theirs_size};
    enum work_record_state state = WORK_RECORD_IN;
    struct work_event theirs;
    enum proto_error error = work_event_load(bytes, reading->target_arena, &reading->target, &theirs);
    if (error == PROTO_OK && theirs.has_patient && work_judge_flies(j, &theirs.patient))
        return HOLD;
    if (error == PROTO_OK && theirs.has_patient)
        error = work_record_state_get(j->work, j->txn, &sync->from.scope, &theirs.patient, &state);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    if (state != WORK_RECORD_IN)
        refuse(j, index, PROTO_ID_REUSED, "Its id is that of an event of a child that this node does not serve.");
    return TAKE;
}

static enum verdict judge_offered(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    bool made = false;
    if (event->kind == PROTO_KIND_patient_registered)
        (void)work_map_add(&j->work->log_side.registered_in_call, &event->patient, index, &made);
    if (j->call->sync->items[index].state == WORK_SYNC_OTHER)
        return judge_other(j, index);
    if (j->call->sync->items[index].state != WORK_SYNC_TAKEN || !event->has_patient)
        return TAKE;
    if (event->kind == PROTO_KIND_patient_erased)
        return work_flight_empty(j) ? TAKE : HOLD;
    enum verdict verdict = judge_place(j, index);
    if (verdict == TAKE && may_come(&j->call->sync->items[index]))
        verdict = judge_merge(j, index);
    return verdict;
}

/* What is joined is taken or refused together; what is held already stays, and an erasure is final. */
static void judge_group(struct work_judging *j, uint32_t first, uint32_t end) {
    const struct work_sync_item *items = j->call->sync->items;
    bool refused = false;
    for (uint32_t i = first; i < end; i++)
        refused |= items[i].state == WORK_SYNC_REFUSED;
    for (uint32_t i = first; refused && i < end; i++)
        if (items[i].state == WORK_SYNC_TAKEN && j->call->entries[i].event.kind != PROTO_KIND_patient_erased)
            refuse(j, i, PROTO_CONFLICT, "It was recorded in one call with an event that was refused.");
}

/* --- offers ----------------------------------------------------------------------------------------------------- */

static enum verdict judge_offer(struct work_judging *j) {
    struct work_call *call = j->call;
    enum verdict verdict = TAKE;
    uint32_t first = 0;
    for (uint32_t i = 0; i < call->count && verdict == TAKE; i++) {
        if (i > first && !call->sync->items[i].joined) {
            judge_group(j, first, i);
            first = i;
        }
        if (call->sync->items[i].malformed) {
            refuse(j, i, PROTO_BAD_MESSAGE, "It is not an event.");
            continue;
        }
        enum proto_error error = judge_id(j, i);
        verdict = error == PROTO_OK ? judge_offered(j, i) : fail(j, error, NULL);
    }
    if (verdict == TAKE)
        judge_group(j, first, call->count);
    return verdict;
}

/* --- pages -------------------------------------------------------------------------------------------------------- */

static bool leaves(const struct work_sync *sync, const struct proto_id *record) {
    for (uint32_t i = 0; i < sync->leave_count; i++)
        if (work_id_same(&sync->leaves[i], record))
            return true;
    return false;
}

static enum proto_error judge_came(struct work_judging *j, uint32_t index, bool *surgery) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_sync_item *item = &j->call->sync->items[index];
    struct work_patient patient;
    enum proto_error error = judge_id(j, index);
    if (error != PROTO_OK || item->state == WORK_SYNC_HELD || item->state == WORK_SYNC_REFUSED)
        return error;
    bool erasure = event->kind == PROTO_KIND_patient_erased;
    if (event->has_patient && !erasure) {
        error = work_patient_find(j->txn, &event->patient, &patient);
        bool erased = error == PROTO_OK && (patient.flags & WORK_PATIENT_ERASED);
        if (error != PROTO_OK && error != PROTO_NOT_FOUND)
            return error;
        if (erased || leaves(j->call->sync, &event->patient)) {
            refuse(j, index, PROTO_NOT_ALLOWED, "The record is not kept here.");
            return PROTO_OK;
        }
    }
    *surgery |= erasure || item->state == WORK_SYNC_OTHER;
    return PROTO_OK;
}

static void add_system(struct work_judging *j, size_t at) {
    struct work_sync *sync = j->call->sync;
    WORK_ARRAY_ROOM(sync->system_list, sync->system_count, sync->system_cap);
    struct work_sync_system *system = &sync->system_list[sync->system_count++];
    *system = (struct work_sync_system){.at = at, .size = sync->systems.size - at};
    work_make_id(j->work, j->batch->now, &system->id);
}

/* Recorded here anew, under this id. Bytes are copied. */
static enum proto_error add_extra(struct work_judging *j, struct store_bytes bytes, const struct proto_id *new_id) {
    struct work_sync *sync = j->call->sync;
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct work_event facts;
    enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, &facts);
    if (error != PROTO_OK)
        return error;
    WORK_ARRAY_ROOM(sync->extra, sync->extra_count, sync->extra_cap);
    struct work_entry *entry = &sync->extra[sync->extra_count];
    *entry = (struct work_entry){.event = facts, .offset = sync->extra_bytes.size};
    if (new_id) {
        size_t size = 0;
        uint8_t *out = work_buffer_reserve(&sync->extra_bytes, PROTO_EVENT_BYTES_MAX);
        reading->event.id = *new_id;
        error = proto_event_encode(&reading->event, out, PROTO_EVENT_BYTES_MAX, &size);
        sync->extra_bytes.size += size;
        work_event_from(&entry->event, &reading->event);
        entry->event.size = (uint32_t)size;
    } else {
        work_buffer_add(&sync->extra_bytes, bytes.data, bytes.size);
    }
    entry->event.call = j->call;
    sync->extra_count += error == PROTO_OK;
    return error;
}

/* Theirs stays under the id; what was here goes on under a new one when it says something else. */
static enum proto_error replace(struct work_judging *j, uint32_t index) {
    struct work_sync *sync = j->call->sync;
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct work_sync_item *item = &sync->items[index];
    struct proto_id new_id = {{0}};
    struct work_event old;
    struct store_bytes held = {sync->kept.data + item->theirs, item->theirs_size};
    enum proto_error error = work_event_load(held, reading->target_arena, &reading->target, &old);
    if (error == PROTO_OK)
        error = work_event_load(bytes_of(&j->call->entries[index]), reading->arena, &reading->event, NULL);
    if (error != PROTO_OK)
        return error;
    if (!proto_slice_same(reading->event.content, reading->target.content)) {
        work_make_id(j->work, j->batch->now, &new_id);
        error = add_extra(j, held, &new_id);
    }
    size_t at = sync->systems.size;
    work_system_replaced(&sync->systems, j->batch->now, &old.patient, item->old_seq, &old.id, &new_id);
    add_system(j, at);
    return error;
}

struct leaving_record {
    struct work_judging *j;
    const struct proto_id *record;
    uint64_t *seqs;
    uint32_t count, cap;
    bool unsent;
};

static bool note_leaving(void *arg, const struct store_event *event) {
    struct leaving_record *l = arg;
    const struct work_sync_from *from = &l->j->call->sync->from;
    WORK_ARRAY_ROOM(l->seqs, l->count, l->cap);
    l->seqs[l->count++] = event->seq;
    l->unsent |= event->seq > from->pushed_seq && !work_id_same(&event->via, &from->node);
    return true;
}

static enum verdict judge_leave(struct work_judging *j, const struct proto_id *record) {
    struct work_sync *sync = j->call->sync;
    struct leaving_record l = {.j = j, .record = record};
    struct work_record_place place = {0};
    enum proto_error error = work_record_events(j->work, j->txn, record, &place, note_leaving, &l);
    enum verdict verdict = TAKE;
    if (error != PROTO_OK)
        verdict = fail(j, error, NULL);
    else if (l.unsent)
        verdict = fail(j, PROTO_CONFLICT, "Events of a child that left wait to go out: they go first.");
    for (uint32_t first = 0; verdict == TAKE && first < l.count; first += WORK_LEFT_SEQS_MAX) {
        uint32_t left = l.count - first;
        size_t at = sync->systems.size;
        work_system_left(&sync->systems, j->batch->now, first ? 0 : l.count, record, l.seqs + first,
                         left < WORK_LEFT_SEQS_MAX ? left : WORK_LEFT_SEQS_MAX);
        add_system(j, at);
    }
    free(l.seqs);
    return verdict;
}

static enum proto_error judge_refusal(struct work_judging *j, const struct work_sync_refusal *refusal) {
    struct work_sync *sync = j->call->sync;
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct store_event held;
    struct work_event event;
    enum proto_error error = store_log_read(j->log, refusal->seq, &held);
    if (error != PROTO_OK || held.body.size == 0 || work_is_system(held.body))
        return error == PROTO_NOT_FOUND ? PROTO_OK : error; /* it has gone meanwhile */
    error = work_event_load(held.body, reading->arena, &reading->event, &event);
    if (error != PROTO_OK)
        return error;
    size_t at = sync->systems.size;
    bool final =
        event.kind == PROTO_KIND_patient_erased; /* it stands here: what it took away is not brought back by that */
    if (final && refusal->forget)
        return PROTO_OK;
    if (refusal->forget) {
        work_system_left(&sync->systems, j->batch->now, 0, &event.patient, &refusal->seq, 1);
    } else {
        struct work_system_row row = {.at = j->batch->now, .record = work_event_record(&event), .event = event.id};
        row.code = refusal->code;
        row.message = (struct proto_slice){refusal->message, (uint32_t)strlen(refusal->message)};
        row.bytes = held.body;
        work_system_refused(&sync->systems, &row, final ? 0 : refusal->seq);
    }
    add_system(j, at);
    return PROTO_OK;
}

/* It may have come from above meanwhile: then it is here; under its id something else may have: then it goes on under a new one. */
static enum proto_error record_again(struct work_judging *j, const struct work_system_row *row) {
    struct store_event held;
    struct proto_id new_id;
    uint64_t seq = 0;
    enum proto_error error = store_log_find(j->log, &row->event, &seq);
    if (error == PROTO_OK)
        error = store_log_read(j->log, seq, &held);
    if (error == PROTO_NOT_FOUND || (error == PROTO_OK && held.body.size == 0))
        return add_extra(j, row->bytes, NULL);
    if (error != PROTO_OK || same_bytes(held.body, row->bytes))
        return error;
    work_make_id(j->work, j->batch->now, &new_id);
    return add_extra(j, row->bytes, &new_id);
}

static enum verdict judge_settle(struct work_judging *j, const struct work_sync_settle *settle) {
    struct work_sync *sync = j->call->sync;
    struct store_event held;
    struct work_system_row row = {0};
    bool shown = false;
    uint64_t settles = 0;
    enum proto_error error = store_log_read(j->log, settle->seq, &held);
    if (error == PROTO_OK && work_is_system(held.body))
        error = work_system_read(held.body, &row, NULL, &shown, &settles);
    else if (error == PROTO_OK)
        error = PROTO_NOT_FOUND;
    if (error == PROTO_NOT_FOUND || (error == PROTO_OK && row.type != WORK_SYSTEM_REFUSED))
        return fail(j, PROTO_BAD_VALUE, "There is no such event in the refused list.");
    if (error == PROTO_OK && settle->again)
        error = record_again(j, &row);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    size_t at = sync->systems.size;
    work_system_settled(&sync->systems, j->batch->now, settle->seq, settle->again);
    add_system(j, at);
    return TAKE;
}

/* Whether a settled event of the refused list may be recorded again: its record must be here. */
static enum verdict judge_extras(struct work_judging *j) {
    const struct work_sync *sync = j->call->sync;
    for (uint32_t i = 0; i < sync->extra_count; i++) {
        const struct work_event *event = &sync->extra[i].event;
        struct work_patient patient;
        if (!event->has_patient || event->kind == PROTO_KIND_patient_registered || sync->settle_count == 0)
            continue;
        enum proto_error error = work_patient_find(j->txn, &event->patient, &patient);
        if (error == PROTO_NOT_FOUND || (error == PROTO_OK && !(patient.flags & WORK_PATIENT_REGISTERED)))
            return fail(j, PROTO_UNKNOWN_PATIENT,
                        "The child is not here any more: the event cannot be recorded again.");
        if (error != PROTO_OK)
            return fail(j, error, NULL);
    }
    return TAKE;
}

static enum verdict make_systems(struct work_judging *j) {
    struct work_sync *sync = j->call->sync;
    enum verdict verdict = TAKE;
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < j->call->count && error == PROTO_OK; i++)
        if (sync->items[i].state == WORK_SYNC_OTHER)
            error = replace(j, i);
    for (uint32_t i = 0; i < sync->refusal_count && error == PROTO_OK; i++)
        error = judge_refusal(j, &sync->refusals[i]);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    for (uint32_t i = 0; i < sync->leave_count && verdict == TAKE; i++)
        verdict = judge_leave(j, &sync->leaves[i]);
    for (uint32_t i = 0; i < sync->settle_count && verdict == TAKE; i++)
        verdict = judge_settle(j, &sync->settles[i]);
    return verdict == TAKE ? judge_extras(j) : verdict;
}

static enum verdict judge_page(struct work_judging *j) {
    struct work_sync *sync = j->call->sync;
    bool surgery = sync->leave_count || sync->refusal_count || sync->settle_count;
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < j->call->count && error == PROTO_OK; i++)
        error = judge_came(j, i, &surgery);
    if (error != PROTO_OK)
        return fail(j, error, NULL);
    if (!surgery)
        return TAKE;
    if (!work_flight_empty(j))
        return HOLD;
    return make_systems(j);
}

/* --- the call --------------------------------------------------------------------------------------------------------- */

/* What stood earlier in the call already is held as that is: not at all when that was refused. */
static void judge_repeated(struct work_judging *j) {
    struct work_sync_item *items = j->call->sync->items;
    for (uint32_t i = 0; i < j->call->count; i++) {
        uint32_t repeats = j->call->entries[i].repeats;
        if (!repeats || items[i].state != WORK_SYNC_HELD)
            continue;
        const struct work_sync_item *first = &items[repeats - 1];
        if (first->state == WORK_SYNC_REFUSED) {
            refuse(j, i, first->code, first->message);
            continue;
        }
        items[i].old_seq = first->old_seq;
        items[i].held_at = first->held_at;
        items[i].theirs = first->theirs;
        items[i].theirs_size = first->theirs_size;
        if (first->state == WORK_SYNC_OTHER && j->call->sync->what == WORK_SYNC_OFFER)
            items[i].state = WORK_SYNC_OTHER;
    }
}

static void begin(struct work_judging *j) {
    struct work_sync *sync = j->call->sync;
    work_map_clear(&j->work->log_side.in_call);
    work_map_clear(&j->work->log_side.registered_in_call);
    work_joined_clear(&j->work->log_side.joined);
    work_map_clear(&j->work->log_side.left);
    j->work->log_side.left_known = false;
    sync->kept.size = sync->extra_bytes.size = sync->systems.size = 0;
    sync->extra_count = sync->system_count = 0;
    for (uint32_t i = 0; i < j->call->count; i++) {
        struct work_sync_item *item = &sync->items[i];
        item->old_seq = 0;
        item->held_at = 0;
        item->code = PROTO_OK;
        item->message[0] = '\0';
        j->call->entries[i].repeats = 0;
    }
}

bool work_judge_sync(struct work_judging *j) {
    struct work_sync *sync = j->call->sync;
    begin(j);
    enum verdict verdict = sync->what == WORK_SYNC_OFFER ? judge_offer(j) : judge_page(j);
    judge_repeated(j);
    for (uint32_t i = 0; i < j->call->count; i++) {
        enum work_sync_state state = sync->items[i].state;
        j->call->entries[i].repeated =
            state != WORK_SYNC_TAKEN && !(state == WORK_SYNC_OTHER && sync->what == WORK_SYNC_PAGE);
    }
    for (uint32_t i = 0; i < sync->extra_count; i++)
        sync->extra[i].event.bytes = sync->extra_bytes.data + sync->extra[i].offset;
    assert((verdict == FAIL) == (j->call->fault.code != PROTO_OK));
    return verdict != HOLD;
}
