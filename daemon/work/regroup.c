/*
 * regroup.c - a super class whose classes may change: merges, and withdrawals that may part what was merged.
 *
 * What always holds: everything the old classes had goes, everything the new ones have comes, and of that only what differs
 * is written. It reads whole histories; merges are rare.
 */
#include "work/inside.h"

#include "care/notes.h"

#include <assert.h>
#include <stdlib.h>

#include "work/digest.h"
#include "work/subject.h"

struct regroup {
    struct work *work;
    struct work_batch *batch;
    struct work_job *job;
    struct work_hand *hand;
    struct store_txn *txn;
    struct work_entry *entries; /* stored events */
    uint32_t entry_count, entry_cap;
    struct proto_id *roots; /* old classes */
    uint32_t root_count, root_cap;
    struct care_alert *open; /* open alerts before */
    bool *still;             /* and whether they are open after */
    uint32_t open_count, open_cap;
    struct work_classes classes;
    uint32_t classes_before;
    struct work_drops gone; /* stored events that count no more */
    bool parted;            /* a stored merge joins nothing any more: who it named is erased */
};

/* --- what was there -------------------------------------------------------------------------------- */

static void add_raw_row(struct regroup *g, enum store_table table, struct store_bytes key, struct store_bytes value) {
    struct work_rows *rows = &g->hand->old_rows;
    work_rows_begin(rows, table);
    work_buffer_add(&rows->bytes, key.data, key.size);
    work_rows_value(rows);
    work_buffer_add(&rows->bytes, value.data, value.size);
    work_rows_end(rows);
}

static enum proto_error add_raw_rows(struct regroup *g, enum store_table table, const struct proto_id *prefix) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error =
        store_scan_begin(g->txn, table, prefix->bytes, PROTO_ID_BYTES, prefix->bytes, PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        add_raw_row(g, table, key, value);
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error note_gone(struct regroup *g, uint64_t seq) {
    static const struct proto_id nobody;
    work_drops_add(&g->gone, seq, &nobody);
    return PROTO_OK;
}

/* Whether a stored event counts no more. */
static bool goes(struct regroup *g, const struct store_event *stored, const struct proto_id *record) {
    if (stored->body.size == 0 || work_drops_have(&g->batch->drops, stored->seq))
        return true;
    bool erased = work_map_find(&g->batch->erased, record) != WORK_MAP_NONE;
    if (erased)
        work_drops_add(&g->hand->removed, stored->seq, record);
    return erased;
}

static enum proto_error add_event(struct regroup *g, const struct work_history_row *row, int64_t last_at) {
    struct store_event stored;
    enum proto_error error = store_read_event(g->txn, row->seq, &stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (row->at > last_at)
        work_waiting_row(&row->root, &row->event, row->at, row->seq, &g->hand->old_rows);
    if (stored.body.size == 0)
        return note_gone(g, stored.seq);
    WORK_ARRAY_ROOM(g->entries, g->entry_count, g->entry_cap);
    struct work_event *event = &g->entries[g->entry_count].event;
    error = work_event_load(stored.body, g->hand->reading.arena, &g->hand->reading.event, event);
    if (error != PROTO_OK)
        return error;
    event->seq = row->seq;
    event->received_at = stored.received_at;
    if (!event->has_patient)
        return PROTO_CORRUPT;
    work_event_part_erased(event, &g->work->erased);
    bool joined = event->has_target;
    work_event_part_erased(event, &g->batch->erased);
    g->parted |= joined && !event->has_target;
    if (goes(g, &stored, &event->patient))
        return note_gone(g, stored.seq);
    g->entry_count++;
    return PROTO_OK;
}

static enum proto_error add_history(struct regroup *g, const struct proto_id *root, int64_t last_at) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error =
        store_scan_begin(g->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, root->bytes, PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        add_raw_row(g, STORE_HISTORY, key, value);
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK)
            error = add_event(g, &row, last_at);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static void note_open(struct regroup *g, const struct care_schedule *schedule) {
    struct care_view view;
    care_view(schedule, g->batch->now, &view);
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        if (!view.alert_step[i])
            continue;
        WORK_ARRAY_ROOM(g->open, g->open_count, g->open_cap);
        g->open[g->open_count++] = schedule->alerts[i];
    }
}

static enum proto_error add_old_class(struct regroup *g, const struct proto_id *root) {
    struct work_hand *hand = g->hand;
    struct work_state_head head;
    struct work_patient patient;
    uint64_t context_seq = 0;
    enum proto_error error = work_patient_find(g->txn, root, &patient);
    if (error == PROTO_OK)
        error = work_state_head_find(g->txn, root, &head);
    if (error == PROTO_OK)
        error = care_state_decode(head.state.data, head.state.size, hand->state);
    if (error == PROTO_OK)
        error = work_schedule_read(g->txn, root, hand->stored, &context_seq);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    struct work_subject was = {*root, patient.shown, patient.team, hand->state, hand->stored};
    work_subject_rows(&was, &hand->old_rows);
    note_open(g, hand->stored);
    g->classes_before++;
    error = add_history(g, root, work_place_at(&head.last));
    static const enum store_table by_root[] = {STORE_STATES, STORE_SCHEDULES, STORE_CHECKPOINTS};
    for (size_t i = 0; i < sizeof by_root / sizeof *by_root && error == PROTO_OK; i++)
        error = add_raw_rows(g, by_root[i], root);
    return error;
}

/* The row of one member, and its class when not seen yet. */
static enum proto_error add_old_member(struct regroup *g, const struct proto_id *id) {
    struct work_patient patient;
    struct work_digest digest;
    enum proto_error error = work_patient_find(g->txn, id, &patient);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    work_patient_row(id, &patient, &g->hand->old_rows);
    error = work_digest_get(g->txn, id, &digest);
    if (error != PROTO_OK)
        return error;
    work_digest_row(id, &digest, &g->hand->old_rows);
    for (uint32_t i = 0; i < g->root_count; i++)
        if (work_id_same(&g->roots[i], &patient.root))
            return PROTO_OK;
    WORK_ARRAY_ROOM(g->roots, g->root_count, g->root_cap);
    g->roots[g->root_count++] = patient.root;
    return add_old_class(g, &patient.root);
}

static enum proto_error add_old_super(struct regroup *g, const struct proto_id *super) {
    struct work_patient patient;
    enum proto_error error = work_patient_find(g->txn, super, &patient);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error; /* a new child */
    if (patient.member_count == 0)
        error = add_old_member(g, super);
    for (uint32_t i = 0; i < patient.member_count && error == PROTO_OK; i++) {
        struct proto_id id = work_patient_member(&patient, i);
        error = add_old_member(g, &id);
    }
    return error == PROTO_OK ? add_raw_rows(g, STORE_VOIDS, super) : error;
}

/* --- what is there now -------------------------------------------------------------------------------- */

/* The feed rows of one stored event, in whatever teams. */
static enum proto_error add_old_feed(struct regroup *g, uint64_t seq) {
    enum proto_error error = PROTO_OK;
    for (uint32_t t = 0; t <= g->work->teams.count && error == PROTO_OK; t++) {
        uint8_t key[WORK_FEED_KEY_BYTES];
        struct store_bytes value;
        work_feed_key(t ? g->work->teams.numbers[t - 1] : 0, seq, key);
        error = store_get(g->txn, STORE_FEED, key, sizeof key, &value);
        if (error == PROTO_OK)
            add_raw_row(g, STORE_FEED, (struct store_bytes){key, sizeof key}, value);
        error = error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    return error;
}

/* When events went, the feed says what the log says now: this node's own followers are told by a mark. */
static enum proto_error add_old_feeds(struct regroup *g) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < g->gone.count && error == PROTO_OK; i++)
        error = add_old_feed(g, g->gone.list[i].seq);
    for (uint32_t i = 0; i < g->entry_count && error == PROTO_OK; i++)
        error = add_old_feed(g, g->entries[i].event.seq);
    return error;
}

/* Whose feed every record was in, event by event; rows for what is new, or for all when events went. */
static enum proto_error make_feed(struct regroup *g, struct work_event **all, uint32_t count) {
    struct work_hand *hand = g->hand;
    uint64_t first = g->job->event_count ? g->batch->job_events[g->job->event_first]->seq : UINT64_MAX;
    if (g->gone.count || g->parted)
        first = 0;
    work_feed_free(&hand->feed);
    work_feed_init(&hand->feed, &g->work->teams, &g->classes.voids);
    return work_feed_all(&hand->feed, all, count, first, &hand->new_rows);
}

/* Each call of the job once. */
static struct work_call *call_at(const struct regroup *g, uint32_t index) {
    uint32_t events = g->job->event_count;
    struct work_call *call = index < events ? g->batch->job_events[g->job->event_first + index]->call
                                            : g->batch->refs[g->job->ref_first + index - events].call;
    if (!call || call->want == WORK_WANT_NONE)
        return NULL;
    for (uint32_t i = 0; i < index; i++) {
        const struct work_call *other = i < events ? g->batch->job_events[g->job->event_first + i]->call
                                                   : g->batch->refs[g->job->ref_first + i - events].call;
        if (other == call)
            return NULL;
    }
    return call;
}

static void reply_opened(struct regroup *g, const struct work_class *class, const struct care_schedule *schedule) {
    struct care_view view;
    struct work_shown shown = {&class->shown, schedule->label, schedule->team};
    care_view(schedule, g->batch->now, &view);
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        bool was_open = false;
        if (!view.alert_step[i])
            continue;
        for (uint32_t o = 0; o < g->open_count; o++)
            if (work_alert_same(&g->open[o], &schedule->alerts[i]))
                was_open = g->still[o] = true;
        for (uint32_t c = 0; !was_open && c < g->job->event_count + g->job->ref_count; c++) {
            struct work_call *call = call_at(g, c);
            if (call)
                work_reply_alert(g->hand, call, WORK_REPLY_OPENED, &schedule->alerts[i], g->batch->now, &shown);
        }
    }
}

/* Repeated events, notes and statuses. */
static enum proto_error reply_rest(struct regroup *g, const struct work_class *class, struct work_fold *fold,
                                   const struct care_schedule *schedule, const struct care_context *context) {
    struct work_shown shown = {&class->shown, schedule->label, schedule->team};
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < class->event_count && error == PROTO_OK; i++) {
        const struct work_event *event = class->events[i];
        if (event->call && event->call->want != WORK_WANT_NONE && care_note_kind((enum proto_kind)event->kind))
            error = work_reply_notes(g->hand, event->call, fold, &event->id, schedule, g->batch->now);
    }
    for (uint32_t i = 0; i < g->job->ref_count && error == PROTO_OK; i++) {
        const struct work_ref *ref = &g->batch->refs[g->job->ref_first + i];
        if (ref->call->want == WORK_WANT_NONE)
            continue;
        work_reply_resting(g->hand, ref->call, &ref->event, schedule, g->batch->now, &shown);
        error = work_reply_notes(g->hand, ref->call, fold, &ref->event, schedule, g->batch->now);
    }
    for (uint32_t c = 0; c < g->job->event_count + g->job->ref_count; c++) {
        struct work_call *call = call_at(g, c);
        if (call && call->want == WORK_WANT_STATUSES)
            work_reply_status(g->hand, call, &class->shown, g->hand->state, schedule, context, g->batch->now);
    }
    return error;
}

static void reply_settled(struct regroup *g) {
    struct work_shown shown = {&g->classes.list[0].shown, g->hand->after->label, g->hand->after->team};
    for (uint32_t o = 0; o < g->open_count; o++)
        for (uint32_t c = 0; !g->still[o] && c < g->job->event_count + g->job->ref_count; c++) {
            struct work_call *call = call_at(g, c);
            if (call)
                work_reply_alert(g->hand, call, WORK_REPLY_SETTLED, &g->open[o], g->batch->now, &shown);
        }
}

static enum proto_error reply_likes(struct regroup *g, struct work_fold *fold, const struct work_class *class) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < class->event_count && error == PROTO_OK; i++) {
        struct work_call *call = class->events[i]->call;
        if (call && call->want != WORK_WANT_NONE)
            error = work_reply_alike(g->hand, call, fold, class->events[i]);
    }
    return error;
}

static enum proto_error add_new_class(struct regroup *g, const struct work_class *class) {
    struct work_hand *hand = g->hand;
    struct care_context context;
    struct work_fold fold;
    enum proto_error error = work_class_fold(&g->classes, class, &hand->reading, hand->state, g->batch->now, &fold);
    if (error == PROTO_OK)
        error = reply_likes(g, &fold, class);
    if (error == PROTO_OK) {
        work_context_of(g->batch->context, hand->state->profile.team, g->work->options.zones, &context);
        care_plan(hand->state, &context, hand->after);
        hand->plans++;
        struct work_subject is = {class->root, class->shown, 0, hand->state, hand->after};
        if (!work_teams_find(&g->work->teams, hand->after->team, &is.team))
            error = PROTO_CORRUPT;
        work_feed_flag(&hand->feed, &g->classes, class, hand->after->team);
        work_class_rows(&g->classes, class, &fold, is.team, &hand->new_rows);
        work_subject_rows(&is, &hand->new_rows);
        work_schedule_row(&class->root, g->batch->context->seq, hand->after, &hand->new_rows);
        reply_opened(g, class, hand->after);
        if (error == PROTO_OK)
            error = reply_rest(g, class, &fold, hand->after, &context);
    }
    hand->folds += fold.steps;
    hand->refolds++;
    work_fold_free(&fold);
    return error;
}

/* One super class: its classes, its feed. */
static enum proto_error make_super(struct regroup *g, struct work_event **events, uint32_t count) {
    work_classes_free(&g->classes);
    enum proto_error error = work_classes_make(&g->classes, &g->hand->reading, events, count);
    if (error == PROTO_OK)
        error = make_feed(g, events, count);
    for (uint32_t c = 0; c < g->classes.count && error == PROTO_OK; c++)
        error = add_new_class(g, &g->classes.list[c]);
    g->job->children += (int32_t)g->classes.count;
    return error;
}

/* Records that no merge joins any more, since the one that did has gone, are several super classes. */
struct parts {
    struct work_map map;
    uint32_t *parents;
    uint32_t count, cap;
};

static uint32_t part_of(struct parts *parts, const struct proto_id *id) {
    bool made = false;
    uint32_t at = work_map_add(&parts->map, id, parts->count, &made);
    if (made) {
        WORK_ARRAY_ROOM(parts->parents, parts->count, parts->cap);
        parts->parents[parts->count] = parts->count;
        parts->count++;
    }
    while (parts->parents[at] != at)
        at = parts->parents[at] = parts->parents[parts->parents[at]];
    return at;
}

static void find_parts(struct parts *parts, struct work_event **all, uint32_t count) {
    for (uint32_t i = 0; i < count; i++) {
        uint32_t part = part_of(parts, &all[i]->patient);
        if (all[i]->kind == PROTO_KIND_patient_merged && all[i]->has_target) {
            uint32_t into = part_of(parts, &all[i]->target);
            parts->parents[into] = part;
        }
    }
}

static enum proto_error make_supers(struct regroup *g, struct work_event **all, uint32_t count) {
    struct parts parts = {0};
    struct work_event **events = work_alloc(sizeof *events * (count + 1));
    enum proto_error error = g->gone.count || g->parted ? add_old_feeds(g) : PROTO_OK;
    find_parts(&parts, all, count);
    for (uint32_t part = 0; part < parts.count && error == PROTO_OK; part++) {
        uint32_t own = 0;
        if (parts.parents[part] != part)
            continue;
        for (uint32_t i = 0; i < count; i++)
            if (part_of(&parts, &all[i]->patient) == part)
                events[own++] = all[i];
        error = make_super(g, events, own);
    }
    work_map_free(&parts.map);
    free(parts.parents);
    free(events);
    return error;
}

static enum proto_error regroup(struct regroup *g) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < g->job->super_count && error == PROTO_OK; i++)
        error = add_old_super(g, &g->job->supers[i]);
    uint32_t count = g->entry_count + g->job->event_count;
    struct work_event **all = work_alloc(sizeof *all * (count + 1));
    for (uint32_t i = 0; i < g->entry_count; i++)
        all[i] = &g->entries[i].event;
    for (uint32_t i = 0; i < g->job->event_count; i++)
        all[g->entry_count + i] = g->batch->job_events[g->job->event_first + i];
    g->still = work_alloc(g->open_count + 1);
    g->job->children = -(int32_t)g->classes_before;
    if (error == PROTO_OK)
        error = make_supers(g, all, count);
    free(all);
    if (error != PROTO_OK)
        return error;
    if (g->classes.count)
        reply_settled(g);
    work_rows_sort(&g->hand->old_rows);
    work_rows_sort(&g->hand->new_rows);
    work_rows_diff(&g->hand->old_rows, &g->hand->new_rows, &g->hand->ops);
    return PROTO_OK;
}

enum proto_error work_regroup_run(struct work *work, struct work_batch *batch, struct work_job *job,
                                  struct work_hand *hand, struct store_txn *txn) {
    struct regroup g = {.work = work, .batch = batch, .job = job, .hand = hand, .txn = txn};
    enum proto_error error = regroup(&g);
    work_classes_free(&g.classes);
    work_drops_free(&g.gone);
    free(g.entries);
    free(g.roots);
    free(g.open);
    free(g.still);
    return error;
}
