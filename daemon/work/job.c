/*
 * job.c - one child's share of a batch: fold, plan, rows that changed, and what each call is told.
 *
 * What always holds: a job reads one snapshot and writes nothing; its ops turn the child's rows in that snapshot into what
 * they must be once the batch is in. One state and one schedule for each child and batch, whatever the number of events.
 */
#include "work/inside.h"

#include "care/notes.h"

#include <assert.h>
#include <stdlib.h>

#include "work/digest.h"
#include "work/rows.h"
#include "work/subject.h"

#define EACH_EVENT_MAX 32 /* a call with more events for one child is judged before its first and after its last */

struct run {
    struct work *work;
    struct work_batch *batch;
    struct work_job *job;
    struct work_hand *hand;
    struct store_txn *txn;
    struct work_fold fold;
    struct work_patient patient; /* as stored; root and super of a new child */
    bool known;                  /* a row of the patient was stored */
    bool planned;                /* hand->before is the plan of the state as it stands */
    bool schedule_stored;
    uint64_t schedule_seq;
    uint32_t voids_stored;
    struct proto_id members[WORK_MERGED_MAX];
};

static struct work_event **run_events(const struct run *run) {
    return run->batch->job_events ? run->batch->job_events + run->job->event_first : NULL;
}

enum proto_error work_schedule_read(struct store_txn *txn, const struct proto_id *root, struct care_schedule *schedule,
                                    uint64_t *context_seq) {
    struct store_bytes value;
    enum proto_error error = store_get(txn, STORE_SCHEDULES, root->bytes, PROTO_ID_BYTES, &value);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error; /* a state is never without one */
    struct work_reader v = work_reader_of(value);
    uint8_t format = work_take_u8(&v);
    *context_seq = work_take_u64(&v);
    if (v.bad || format != WORK_ROW_FORMAT)
        return PROTO_CORRUPT;
    return care_schedule_decode(v.at, work_reader_left(&v), schedule);
}

static void plan(struct run *run, struct care_schedule *schedule) {
    struct care_context context;
    work_context_of(run->batch->context, run->hand->state->profile.team, run->work->options.zones, &context);
    care_plan(run->hand->state, &context, schedule);
    run->hand->plans++;
}

/* --- opening ------------------------------------------------------------------------------------- */

static enum proto_error find_members(struct run *run) {
    run->fold.members = run->members;
    run->fold.member_count = 1;
    run->members[0] = run->job->root;
    enum proto_error error = work_patient_find(run->txn, &run->job->root, &run->patient);
    run->known = error == PROTO_OK;
    if (error == PROTO_NOT_FOUND) {
        run->patient = (struct work_patient){.root = run->job->root, .shown = run->job->root, .super = run->job->root};
        return PROTO_OK;
    }
    uint32_t count = 0;
    if (error == PROTO_OK)
        error = work_patient_members(run->txn, &run->patient, run->members, WORK_MERGED_MAX, &count);
    if (count)
        run->fold.member_count = count;
    return error;
}

static enum proto_error open_child(struct run *run) {
    struct work_hand *hand = run->hand;
    const struct proto_id *root = &run->job->root;
    enum proto_error error = work_fold_open(&run->fold, run->txn, &hand->reading, hand->state, &hand->voids, root,
                                            &run->job->super, run->batch->now);
    if (error == PROTO_OK)
        error = find_members(run);
    run->voids_stored = hand->voids.count;
    if (error != PROTO_OK || !run->fold.stored)
        return error;
    error = work_schedule_read(run->txn, root, hand->stored, &run->schedule_seq);
    if (error != PROTO_OK)
        return error;
    run->schedule_stored = true;
    struct work_subject was = {.root = *root,
                               .shown = run->patient.shown,
                               .team = run->patient.team,
                               .state = hand->state,
                               .schedule = hand->stored};
    work_subject_rows(&was, &hand->old_rows);
    return PROTO_OK;
}

/* --- events, call by call ------------------------------------------------------------------------- */

static struct work_shown shown_of(const struct run *run, const struct care_schedule *schedule) {
    return (struct work_shown){&run->patient.shown, schedule->label, schedule->team};
}

static void plan_before(struct run *run) {
    if (!run->planned)
        plan(run, run->hand->before);
    run->planned = true;
}

static enum proto_error add_and_compare(struct run *run, struct work_event **events, uint32_t count) {
    struct work_hand *hand = run->hand;
    enum proto_error error = work_fold_add(&run->fold, events, count);
    if (error != PROTO_OK)
        return error;
    plan(run, hand->after);
    work_found_compare(hand->found, hand->before, hand->after, run->batch->now);
    struct care_schedule *swap = hand->before;
    hand->before = hand->after;
    hand->after = swap;
    return PROTO_OK;
}

/* The events that one call brought for this child. */
static enum proto_error add_group(struct run *run, struct work_event **events, uint32_t count) {
    struct work_call *call = events[0]->call;
    struct work_hand *hand = run->hand;
    enum proto_error error = PROTO_OK;
    if (!call || call->want == WORK_WANT_NONE) {
        run->planned = false;
        return work_fold_add(&run->fold, events, count);
    }
    plan_before(run);
    hand->found->opened_count = hand->found->settled_count = 0;
    if (count > EACH_EVENT_MAX)
        error = add_and_compare(run, events, count);
    else
        for (uint32_t i = 0; i < count && error == PROTO_OK; i++)
            error = add_and_compare(run, &events[i], 1);
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++)
        error = work_reply_alike(hand, call, &run->fold, events[i]);
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++)
        if (care_note_kind((enum proto_kind)events[i]->kind))
            error = work_reply_notes(hand, call, &run->fold, &events[i]->id, hand->before, run->batch->now);
    struct work_shown shown = shown_of(run, hand->before);
    if (error == PROTO_OK)
        work_reply_found(hand, call, hand->before, run->batch->now, &shown);
    return error;
}

static enum proto_error add_events(struct run *run) {
    struct work_event **events = run_events(run);
    uint32_t count = run->job->event_count;
    for (uint32_t first = 0, end; first < count; first = end) {
        bool quiet = !events[first]->call || events[first]->call->want == WORK_WANT_NONE;
        for (end = first + 1; end < count; end++) {
            bool also_quiet = !events[end]->call || events[end]->call->want == WORK_WANT_NONE;
            if (quiet ? !also_quiet : events[end]->call != events[first]->call)
                break;
        }
        enum proto_error error = add_group(run, events + first, end - first);
        if (error != PROTO_OK)
            return error;
    }
    return PROTO_OK;
}

/* --- what repeated events and whole statuses are told ------------------------------------------------ */

static enum proto_error reply_refs(struct run *run, const struct care_schedule *schedule) {
    struct work_shown shown = shown_of(run, schedule);
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < run->job->ref_count && error == PROTO_OK; i++) {
        const struct work_ref *ref = &run->batch->refs[run->job->ref_first + i];
        if (ref->call->want == WORK_WANT_NONE)
            continue;
        work_reply_resting(run->hand, ref->call, &ref->event, schedule, run->batch->now, &shown);
        error = work_reply_notes(run->hand, ref->call, &run->fold, &ref->event, schedule, run->batch->now);
    }
    return error;
}

static bool told_before(const struct run *run, const struct work_call *call, uint32_t events, uint32_t refs) {
    for (uint32_t i = 0; i < events; i++)
        if (run_events(run)[i]->call == call)
            return true;
    for (uint32_t i = 0; i < refs; i++)
        if (run->batch->refs[run->job->ref_first + i].call == call)
            return true;
    return false;
}

static void reply_status(struct run *run, struct work_call *call, const struct care_schedule *schedule) {
    struct care_context context;
    work_context_of(run->batch->context, run->hand->state->profile.team, run->work->options.zones, &context);
    work_reply_status(run->hand, call, &run->patient.shown, run->hand->state, schedule, &context, run->batch->now);
}

static bool wants_status(const struct work_call *call) {
    return call && call->want == WORK_WANT_STATUSES;
}

static void reply_statuses(struct run *run, const struct care_schedule *schedule) {
    for (uint32_t i = 0; i < run->job->event_count; i++) {
        struct work_call *call = run_events(run)[i]->call;
        if (wants_status(call) && !told_before(run, call, i, 0))
            reply_status(run, call, schedule);
    }
    for (uint32_t i = 0; i < run->job->ref_count; i++) {
        struct work_call *call = run->batch->refs[run->job->ref_first + i].call;
        if (wants_status(call) && !told_before(run, call, run->job->event_count, i))
            reply_status(run, call, schedule);
    }
}

/* --- rows ------------------------------------------------------------------------------------------------ */

static enum proto_error add_old_checkpoints(struct run *run) {
    if (!run->fold.cut || !run->fold.stored)
        return PROTO_OK;
    struct work_rows *rows = &run->hand->old_rows;
    uint8_t from[PROTO_ID_BYTES + WORK_PLACE_BYTES];
    memcpy(from, run->job->root.bytes, PROTO_ID_BYTES);
    memcpy(from + PROTO_ID_BYTES, run->fold.cut_at.bytes, WORK_PLACE_BYTES);
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error =
        store_scan_begin(run->txn, STORE_CHECKPOINTS, from, PROTO_ID_BYTES, from, sizeof from, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        work_rows_begin(rows, STORE_CHECKPOINTS);
        work_buffer_add(&rows->bytes, key.data, key.size);
        work_rows_value(rows);
        work_buffer_add(&rows->bytes, value.data, value.size);
        work_rows_end(rows);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static void add_fold_rows(struct run *run) {
    struct work_fold *fold = &run->fold;
    struct work_rows *rows = &run->hand->new_rows;
    for (uint32_t i = 0; i < fold->fresh_count; i++) {
        const struct work_event *event = fold->fresh[i];
        work_history_row(&fold->root, event, rows);
        if (event->at > fold->limit)
            work_waiting_row(&fold->root, &event->id, event->at, event->seq, rows);
    }
    for (uint32_t i = 0; i < fold->arrived_count; i++) {
        struct proto_id event;
        memcpy(event.bytes, fold->arrived[i].bytes + 9, PROTO_ID_BYTES);
        work_waiting_row(&fold->root, &event, work_place_at(&fold->arrived[i]), 0, &run->hand->old_rows);
    }
    for (uint32_t i = 0; i < fold->checkpoint_count; i++)
        work_checkpoint_row(fold, &fold->checkpoints[i], rows);
    for (uint32_t i = run->voids_stored; i < fold->voids->count; i++)
        work_void_row(&fold->super, &fold->voids->list[i], rows);
    work_state_row(fold, rows);
}

/* --- whose feed ------------------------------------------------------------------------------------------- */

static enum proto_error know_fact(struct run *run, const struct work_history_row *row) {
    struct work_reading *reading = &run->hand->reading;
    struct store_event stored;
    struct work_event event;
    enum proto_error error = store_read_event(run->txn, row->seq, &stored);
    if (error == PROTO_OK)
        error = work_event_load(stored.body, reading->arena, &reading->event, &event);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    event.seq = row->seq;
    event.received_at = stored.received_at;
    work_feed_know(&run->hand->feed, &event);
    return PROTO_OK;
}

/* Registrations and moves that are stored, and what was taken back. */
static enum proto_error know_stored(struct run *run) {
    struct work_feed *feed = &run->hand->feed;
    const struct proto_id *root = &run->job->root;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    if (!run->known)
        return PROTO_OK;
    work_feed_know_members(feed, run->members, run->fold.member_count);
    for (uint32_t i = 0; i < run->voids_stored; i++)
        work_feed_know_void(feed, &run->hand->voids.list[i]);
    enum proto_error error = store_scan_begin(run->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, root->bytes,
                                              PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK && (row.kind == PROTO_KIND_patient_registered || row.kind == PROTO_KIND_patient_moved))
            error = know_fact(run, &row);
    }
    store_scan_end(scan);
    work_feed_settle(feed);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Nothing in this batch can move the child, and it is in the feed of the team it is shown in: no need to look back. */
static bool stays(const struct run *run) {
    if (!run->known || (run->patient.flags & WORK_PATIENT_APART) || run->fold.arrived_count)
        return false;
    for (uint32_t i = 0; i < run->job->event_count; i++)
        if (work_feed_concerns(run_events(run)[i]))
            return false;
    return true;
}

static enum proto_error add_feed_rows(struct run *run, const char *team, bool *apart) {
    struct work_hand *hand = run->hand;
    enum proto_error error = PROTO_OK;
    *apart = false;
    if (stays(run)) {
        for (uint32_t i = 0; i < run->job->event_count; i++)
            work_feed_row(run->patient.team, run_events(run)[i]->seq, &hand->new_rows);
        return PROTO_OK;
    }
    work_feed_free(&hand->feed);
    work_feed_init(&hand->feed, &run->work->teams, &hand->voids);
    error = know_stored(run);
    if (error == PROTO_OK && run->job->event_count)
        error = work_feed_all(&hand->feed, run_events(run), run->job->event_count, 0, &hand->new_rows);
    *apart = !work_feed_only(&hand->feed, &run->job->root, team);
    return error;
}

/* Rows of the class's ids: new registrations, another team. */
static enum proto_error add_patient_rows(struct run *run, uint32_t team, bool apart) {
    bool closed = run->hand->state->closed.at != 0;
    for (uint32_t m = 0; m < run->fold.member_count; m++) {
        struct work_patient patient = run->patient;
        const struct proto_id *id = &run->members[m];
        if (run->known) {
            enum proto_error error = work_patient_find(run->txn, id, &patient);
            if (error != PROTO_OK)
                return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
            work_patient_row(id, &patient, &run->hand->old_rows);
        }
        for (uint32_t i = 0; i < run->fold.fresh_count; i++)
            if (run->fold.fresh[i]->kind == PROTO_KIND_patient_registered &&
                work_id_same(&run->fold.fresh[i]->patient, id))
                patient.flags |= WORK_PATIENT_REGISTERED;
        patient.team = team;
        patient.flags = (uint8_t)((patient.flags & WORK_PATIENT_REGISTERED) | (closed ? WORK_PATIENT_CLOSED : 0) |
                                  (apart ? WORK_PATIENT_APART : 0));
        work_patient_row(id, &patient, &run->hand->new_rows);
    }
    return PROTO_OK;
}

static enum proto_error add_rows(struct run *run, const struct care_schedule *schedule) {
    struct work_hand *hand = run->hand;
    struct work_subject is = {
        .root = run->job->root, .shown = run->patient.shown, .state = hand->state, .schedule = schedule};
    if (!work_teams_find(&run->work->teams, schedule->team, &is.team))
        return PROTO_CORRUPT; /* every team an event names has a number */
    work_subject_rows(&is, &hand->new_rows);
    work_schedule_row(&is.root, run->batch->context->seq, schedule, &hand->new_rows);
    if (run->job->kind == WORK_JOB_PLAN && run->fold.arrived_count == 0)
        return PROTO_OK; /* only planned anew */
    add_fold_rows(run);
    bool apart = false;
    enum proto_error error = add_feed_rows(run, schedule->team, &apart);
    if (error == PROTO_OK)
        error = work_digest_more(run->txn, run->members, run->fold.member_count, run_events(run), run->job->event_count,
                                 &hand->old_rows, &hand->new_rows);
    if (error == PROTO_OK)
        error = add_patient_rows(run, is.team, apart);
    return error == PROTO_OK ? add_old_checkpoints(run) : error;
}

static void write_ops(struct work_hand *hand) {
    work_rows_sort(&hand->old_rows);
    work_rows_sort(&hand->new_rows);
    work_rows_diff(&hand->old_rows, &hand->new_rows, &hand->ops);
}

/* --- one class --------------------------------------------------------------------------------------------- */

static enum proto_error run_one_class(struct run *run) {
    struct work_hand *hand = run->hand;
    const struct work_job *job = run->job;
    enum proto_error error = open_child(run);
    if (error != PROTO_OK)
        return error;
    if (run->fold.stored_waiting)
        error = work_fold_add(&run->fold, NULL, 0);
    bool arrived = run->fold.arrived_count > 0;
    run->planned = run->schedule_stored && !arrived && run->schedule_seq == run->batch->context->seq;
    if (run->planned) { /* its rows are made: the schedule itself may be written over */
        struct care_schedule *swap = hand->before;
        hand->before = hand->stored;
        hand->stored = swap;
    }
    if (error == PROTO_OK)
        error = add_events(run);
    bool changed = job->event_count > 0 || arrived || (job->kind == WORK_JOB_PLAN && !run->planned);
    if (error != PROTO_OK || (!changed && job->ref_count == 0))
        return error;
    plan_before(run);
    error = reply_refs(run, hand->before);
    reply_statuses(run, hand->before);
    if (error != PROTO_OK || !changed)
        return error;
    run->job->children = run->fold.stored ? 0 : 1;
    error = add_rows(run, hand->before);
    if (error == PROTO_OK)
        write_ops(hand);
    return error;
}

void work_job_run(struct work *work, struct work_batch *batch, struct work_job *job, struct work_hand *hand,
                  struct store_txn *txn) {
    struct run *run = work_alloc(sizeof *run);
    *run = (struct run){.work = work, .batch = batch, .job = job, .hand = hand, .txn = txn};
    job->hand = hand;
    job->ops_at = hand->ops.size;
    job->reply_at = hand->job_replies = hand->reply_count;
    work_rows_clear(&hand->old_rows);
    work_rows_clear(&hand->new_rows);
    if (job->kind == WORK_JOB_REGROUP)
        job->error = work_regroup_run(work, batch, job, hand, txn);
    else
        job->error = run_one_class(run);
    hand->folds += run->fold.steps;
    hand->refolds += run->fold.refolds;
    work_fold_free(&run->fold);
    free(run);
    job->ops_end = hand->ops.size;
    job->reply_end = hand->reply_count;
}
