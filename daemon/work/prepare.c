/*
 * prepare.c - a batch's events grouped into jobs, one for each child, and the context that all of them are planned with.
 *
 * What always holds: it runs between the view commits of two batches, so the snapshot it reads is the one the jobs read; a
 * context event in the batch comes first, and every child of the batch is planned with what it makes; teams have their
 * numbers before any row needs one.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#include "work/digest.h"

struct group { /* of one super class */
    uint32_t parent;
    bool regroup, several;
    uint32_t job; /* REGROUP: 1 + its job; 0 not made yet */
};

struct node { /* of one patient id */
    struct proto_id id, root, super;
    uint32_t group;
};

struct preparing {
    struct work *work;
    struct work_batch *batch;
    struct work_reading *reading;
    struct store_txn *txn;
    struct work_map nodes_by_id, groups_by_super, jobs_by_root;
    struct node *nodes;
    uint32_t node_count, node_cap;
    struct group *groups;
    uint32_t group_count, group_cap;
    struct work_event **events; /* to be grouped */
    uint32_t *event_jobs;
    uint32_t event_count;
};

/* --- context ---------------------------------------------------------------------------------------- */

static void settle_scope(struct work_settling *settling, const struct work_event *event, const char *team) {
    /* The lot index names every child that a recall can say something about: by what is in place, at home, or ended and still shown. */
    uint8_t scope = event->kind == PROTO_KIND_lot_recalled ? WORK_SETTLE_RECALL
                    : *team                                ? WORK_SETTLE_TEAM
                                                           : WORK_SETTLE_ALL;
    if (event->has_replaces) /* what is taken back may have concerned others */
        scope = WORK_SETTLE_ALL;
    bool same = settling->scope == scope && (scope != WORK_SETTLE_TEAM || strcmp(settling->team, team) == 0);
    if (settling->active && !same)
        scope = WORK_SETTLE_ALL;
    *settling = (struct work_settling){.active = true, .scope = scope};
    if (scope == WORK_SETTLE_TEAM)
        memcpy(settling->team, team, strlen(team));
}

/* The team a policy is for; empty: all of them. */
static enum proto_error team_of(struct preparing *p, const struct work_event *event, char out[44]) {
    memset(out, 0, 44);
    struct store_bytes bytes = {event->bytes, event->size};
    enum proto_error error = work_event_load(bytes, p->reading->arena, &p->reading->event, NULL);
    if (error != PROTO_OK || event->kind != PROTO_KIND_policy_adopted)
        return error;
    struct proto_slice team = PROTO_BODY(&p->reading->event, policy_adopted, team)->text;
    if (team.size && team.size < 44)
        memcpy(out, team.data, team.size);
    return PROTO_OK;
}

static enum proto_error take_effect(struct preparing *p, struct work_context_events *effective,
                                    const struct work_event *event, uint64_t context_seq) {
    char team[44];
    enum proto_error error = team_of(p, event, team);
    if (error != PROTO_OK)
        return error;
    work_context_events_add(effective, event);
    work_context_row(event, context_seq, &p->batch->rows);
    settle_scope(&p->batch->settling, event, team);
    p->batch->settling_changed = true;
    return PROTO_OK;
}

static void wait_turn(struct preparing *p, const struct work_event *event) {
    static const struct proto_id nobody;
    work_context_row(event, 0, &p->batch->rows);
    work_waiting_row(&nobody, &event->id, event->at, event->seq, &p->batch->rows);
}

/* Waiting ones whose time has come: whatever brought this batch about, they come first. */
static enum proto_error take_due(struct preparing *p, struct work_context_events *effective, uint64_t context_seq) {
    static const struct proto_id nobody;
    struct work_context_events due = {0};
    struct work_rows gone = {0};
    enum proto_error error = work_context_events_due(p->txn, p->reading, p->batch->now, &due);
    for (uint32_t i = 0; i < due.count && error == PROTO_OK; i++) {
        error = take_effect(p, effective, due.list[i], context_seq);
        work_waiting_row(&nobody, &due.list[i]->id, due.list[i]->at, 0, &gone);
        work_op_delete(&p->batch->ops, STORE_WAITING, work_row_key(&gone, &gone.list[gone.count - 1]));
    }
    work_rows_free(&gone);
    work_context_events_free(&due);
    return error;
}

/* How many children the job is about, counted once at its beginning. */
static enum proto_error count_scope(struct preparing *p, struct work_settling *settling) {
    uint8_t prefix[4];
    uint32_t team = 0;
    settling->of = p->work->children;
    if (settling->scope != WORK_SETTLE_TEAM)
        return PROTO_OK; /* a recall finds fewer: `of` is put right when it ends */
    settling->of = 0;
    if (!work_teams_find(&p->work->teams, settling->team, &team))
        return PROTO_OK;
    work_put_u32(prefix, team);
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error = store_scan_begin(p->txn, STORE_LEVELS, prefix, 4, prefix, 4, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        settling->of++;
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Context events that count no more: their rows go, and what is in effect is made without them. */
static enum proto_error drop_context(struct preparing *p, bool *any) {
    static const struct proto_id nobody;
    struct work_batch *batch = p->batch;
    struct work_rows gone = {0};
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    *any = false;
    if (batch->drops.count == 0)
        return PROTO_OK;
    enum proto_error error = store_scan_begin(p->txn, STORE_CONTEXT, NULL, 0, NULL, 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct work_reader k = work_reader_of(key), v = work_reader_of(value);
        (void)work_take_u8(&v);
        uint64_t seq = work_take_u64(&v), in_effect = work_take_u64(&v);
        int64_t at = work_take_i64(&k);
        struct proto_id id = work_take_id(&k);
        if (k.bad || v.bad) {
            error = PROTO_CORRUPT;
        } else if (work_drops_have(&batch->drops, seq)) {
            work_op_delete(&batch->ops, STORE_CONTEXT, key);
            work_waiting_row(&nobody, &id, at, 0, &gone);
            if (!in_effect)
                work_op_delete(&batch->ops, STORE_WAITING, work_row_key(&gone, &gone.list[gone.count - 1]));
            *any |= in_effect != 0;
        }
    }
    store_scan_end(scan);
    work_rows_free(&gone);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static void leave_out_dropped(const struct work_batch *batch, struct work_context_events *effective) {
    uint32_t kept = 0;
    for (uint32_t i = 0; i < effective->count; i++) {
        if (work_drops_have(&batch->drops, effective->list[i]->seq))
            free(effective->list[i]);
        else
            effective->list[kept++] = effective->list[i];
    }
    effective->count = kept;
}

static enum proto_error prepare_context(struct preparing *p) {
    struct work_batch *batch = p->batch;
    struct work_context *current = work_context_current(p->work);
    struct work_context_events effective = {0};
    bool news = false, dropped = false;
    enum proto_error error = drop_context(p, &dropped);
    for (uint32_t i = 0; i < batch->new_count; i++)
        news |= work_event_is_context(&batch->new_events[i]->event);
    int64_t next = atomic_load(&p->work->next_tick);
    if (error != PROTO_OK || (!news && !dropped && next > batch->now)) { /* nothing waits that could be due */
        batch->context = current;
        return error;
    }
    if (batch->kind != WORK_BATCH_SLICE) /* a slice has moved the job's place already */
        batch->settling = p->work->settling;
    error = take_due(p, &effective, current->seq + 1);
    for (uint32_t i = 0; i < batch->new_count && error == PROTO_OK; i++) {
        struct work_event *event = &batch->new_events[i]->event;
        if (!work_event_is_context(event) || work_drops_have(&batch->drops, event->seq))
            continue;
        if (event->at > batch->now)
            wait_turn(p, event);
        else
            error = take_effect(p, &effective, event, current->seq + 1);
    }
    if (dropped) {
        batch->settling = (struct work_settling){.active = true, .scope = WORK_SETTLE_ALL};
        batch->settling_changed = true;
    }
    batch->context = work_context_hold(current);
    if (error == PROTO_OK && (effective.count || dropped)) {
        error = work_context_events_load(p->txn, p->reading, current->seq, &effective);
        leave_out_dropped(batch, &effective);
        work_context_release(batch->context);
        batch->context = NULL;
        if (error == PROTO_OK)
            error = work_context_make(current->seq + 1, p->reading, effective.list, effective.count, &batch->context);
        if (error == PROTO_OK)
            error = count_scope(p, &batch->settling);
        batch->context_changed = true;
    }
    work_context_events_free(&effective);
    work_context_release(current);
    return error;
}

/* --- groups ---------------------------------------------------------------------------------------------- */

static uint32_t group_root(struct preparing *p, uint32_t at) {
    while (p->groups[at].parent != at)
        at = p->groups[at].parent = p->groups[p->groups[at].parent].parent;
    return at;
}

static uint32_t group_of(struct preparing *p, const struct proto_id *super) {
    bool made = false;
    uint32_t number = work_map_add(&p->groups_by_super, super, p->group_count, &made);
    if (made) {
        WORK_ARRAY_ROOM(p->groups, p->group_count, p->group_cap);
        p->groups[p->group_count] = (struct group){.parent = p->group_count};
        p->group_count++;
    }
    return number;
}

static enum proto_error node_of(struct preparing *p, const struct proto_id *id, uint32_t *out) {
    bool made = false;
    *out = work_map_add(&p->nodes_by_id, id, p->node_count, &made);
    if (!made)
        return PROTO_OK;
    struct work_patient patient, super;
    enum proto_error error = work_patient_find(p->txn, id, &patient);
    bool several = false,
         whole = false; /* more records than are admitted come from other nodes alone: only regroup takes them */
    if (error == PROTO_OK) {
        error = work_patient_find(p->txn, &patient.super, &super);
        several = error == PROTO_OK && super.member_count > 0;
        whole = error == PROTO_OK && super.member_count > WORK_MERGED_MAX;
    } else if (error == PROTO_NOT_FOUND) {
        patient = (struct work_patient){.root = *id, .super = *id};
        error = PROTO_OK;
    }
    WORK_ARRAY_ROOM(p->nodes, p->node_count, p->node_cap);
    struct node *node = &p->nodes[p->node_count++];
    *node = (struct node){.id = *id, .root = patient.root, .super = patient.super};
    node->group = group_of(p, &patient.super);
    p->groups[node->group].several |= several;
    p->groups[node->group].regroup |= whole;
    return error;
}

static enum proto_error group_event(struct preparing *p, const struct work_event *event) {
    uint32_t node = 0, into = 0;
    enum proto_error error = node_of(p, &event->patient, &node);
    if (error != PROTO_OK)
        return error;
    uint32_t group = group_root(p, p->nodes[node].group);
    if (event->kind == PROTO_KIND_patient_merged && event->has_target) {
        error = node_of(p, &event->target, &into);
        if (error != PROTO_OK)
            return error;
        uint32_t other = group_root(p, p->nodes[into].group);
        p->groups[other].parent = group;
        p->groups[group].several |= p->groups[other].several;
        p->groups[group].regroup = true;
    }
    if (work_event_voids(event) && p->groups[group].several)
        p->groups[group].regroup = true;
    return PROTO_OK;
}

static enum proto_error group_whole(struct preparing *p, const struct proto_id *record) {
    uint32_t node = 0;
    struct work_patient known;
    enum proto_error error = work_patient_find(p->txn, record, &known);
    if (error == PROTO_OK && !(known.flags & WORK_PATIENT_ERASED)) {
        error = node_of(p, record, &node);
        if (error == PROTO_OK)
            p->groups[group_root(p, p->nodes[node].group)].regroup = true;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Children that lose events are made anew from what is left. */
static enum proto_error group_drops(struct preparing *p) {
    static const struct proto_id nobody;
    const struct work_batch *batch = p->batch;
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < batch->drops.count && error == PROTO_OK; i++)
        if (!work_id_same(&batch->drops.list[i].record, &nobody) &&
            (i == 0 || !work_id_same(&batch->drops.list[i].record, &batch->drops.list[i - 1].record)))
            error = group_whole(p, &batch->drops.list[i].record);
    for (uint32_t i = 0; i < batch->erased.cap && error == PROTO_OK; i++)
        if (batch->erased.slots[i].number != WORK_MAP_NONE)
            error = group_whole(p, &batch->erased.slots[i].id);
    return error;
}

/* --- jobs --------------------------------------------------------------------------------------------------- */

static uint32_t new_job(struct preparing *p, enum work_job_kind kind) {
    struct work_batch *batch = p->batch;
    WORK_ARRAY_ROOM(batch->jobs, batch->job_count, batch->job_cap);
    memset(&batch->jobs[batch->job_count], 0, sizeof *batch->jobs);
    batch->jobs[batch->job_count].kind = kind;
    return batch->job_count++;
}

static void add_super(struct work_job *job, const struct proto_id *super) {
    for (uint32_t i = 0; i < job->super_count; i++)
        if (work_id_same(&job->supers[i], super))
            return;
    WORK_ARRAY_ROOM(job->supers, job->super_count, job->super_cap);
    job->supers[job->super_count++] = *super;
}

/* The job of a patient; made when it is the first of its child. */
static enum proto_error job_of(struct preparing *p, const struct proto_id *patient, uint32_t *out) {
    uint32_t number = 0;
    enum proto_error error = node_of(p, patient, &number);
    if (error != PROTO_OK)
        return error;
    struct node *node = &p->nodes[number];
    struct group *group = &p->groups[group_root(p, node->group)];
    if (group->regroup) {
        if (!group->job)
            group->job = 1 + new_job(p, WORK_JOB_REGROUP);
        *out = group->job - 1;
        add_super(&p->batch->jobs[*out], &node->super);
        return PROTO_OK;
    }
    bool made = false;
    *out = work_map_add(&p->jobs_by_root, &node->root, p->batch->job_count, &made);
    if (made) {
        uint32_t fresh = new_job(p, WORK_JOB_FOLD); /* may move the array */
        struct work_job *job = &p->batch->jobs[fresh];
        job->root = node->root;
        job->super = node->super;
    }
    return PROTO_OK;
}

/* Every super class that a merge joins is the job's, also one without an event in this batch. */
static enum proto_error give_jobs(struct preparing *p) {
    enum proto_error error = PROTO_OK;
    for (uint32_t n = 0; n < p->node_count && error == PROTO_OK; n++) {
        uint32_t job;
        struct proto_id id = p->nodes[n].id;
        if (p->groups[group_root(p, p->nodes[n].group)].regroup)
            error = job_of(p, &id, &job);
    }
    for (uint32_t i = 0; i < p->event_count && error == PROTO_OK; i++) {
        error = job_of(p, &p->events[i]->patient, &p->event_jobs[i]);
        if (error == PROTO_OK)
            p->batch->jobs[p->event_jobs[i]].event_count++;
    }
    return error;
}

static void lay_out_events(struct preparing *p) {
    struct work_batch *batch = p->batch;
    uint32_t at = 0;
    batch->job_events = work_alloc(sizeof *batch->job_events * (p->event_count + 1));
    for (uint32_t j = 0; j < batch->job_count; j++) {
        batch->jobs[j].event_first = at;
        at += batch->jobs[j].event_count;
        batch->jobs[j].event_count = 0;
    }
    for (uint32_t i = 0; i < p->event_count; i++) {
        struct work_job *job = &batch->jobs[p->event_jobs[i]];
        batch->job_events[job->event_first + job->event_count++] = p->events[i];
    }
}

/* Repeated events: their callers are told about the child as it is after this batch. */
static enum proto_error give_refs(struct preparing *p) {
    struct work_batch *batch = p->batch;
    uint32_t count = batch->ref_count;
    if (count == 0)
        return PROTO_OK;
    uint32_t *jobs = work_alloc(sizeof *jobs * count);
    struct work_ref *grouped = work_alloc(sizeof *grouped * count);
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++) {
        error = job_of(p, &batch->refs[i].patient, &jobs[i]);
        if (error == PROTO_OK)
            batch->jobs[jobs[i]].ref_count++;
    }
    uint32_t at = 0;
    for (uint32_t j = 0; j < batch->job_count; j++) {
        batch->jobs[j].ref_first = at;
        at += batch->jobs[j].ref_count;
        batch->jobs[j].ref_count = 0;
    }
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++) {
        struct work_job *job = &batch->jobs[jobs[i]];
        grouped[job->ref_first + job->ref_count++] = batch->refs[i];
    }
    free(jobs);
    free(batch->refs);
    batch->refs = grouped;
    return error;
}

/* --- children whose time has come ------------------------------------------------------------------------------ */

#define TICK_CHILDREN_MAX 1000

static enum proto_error give_due(struct preparing *p) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    uint32_t job = 0;
    enum proto_error error = store_scan_begin(p->txn, STORE_WAITING, NULL, 0, NULL, 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        static const struct proto_id nobody;
        struct work_reader k = work_reader_of(key);
        int64_t at = work_take_i64(&k);
        struct proto_id root = work_take_id(&k);
        if (k.bad)
            error = PROTO_CORRUPT;
        else if (at > p->batch->now || p->batch->job_count >= TICK_CHILDREN_MAX)
            break;
        else if (!work_id_same(&root, &nobody))
            error = job_of(p, &root, &job);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* --- the stage ---------------------------------------------------------------------------------------------------- */

static bool is_erased(const struct preparing *p, const struct proto_id *record) {
    return work_map_find(&p->work->erased, record) != WORK_MAP_NONE ||
           work_map_find(&p->batch->erased, record) != WORK_MAP_NONE;
}

static enum proto_error prepare_children(struct preparing *p) {
    struct work_batch *batch = p->batch;
    p->events = work_alloc(sizeof *p->events * (batch->new_count + 1));
    p->event_jobs = work_alloc(sizeof *p->event_jobs * (batch->new_count + 1));
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < batch->new_count && error == PROTO_OK; i++) {
        struct work_event *event = &batch->new_events[i]->event;
        if (work_drops_have(&batch->drops, event->seq)) /* came and went in one batch */
            continue;
        if (work_event_is_common(event)) {
            work_feed_row(WORK_FEED_EVERYONE, event->seq, &batch->rows);
        } else if (is_erased(p, &event->patient)) { /* admission lets none through; a log may still hold one */
            work_drops_add(&batch->removed, event->seq, &event->patient);
        } else {
            work_event_part_erased(event, &p->work->erased);
            work_event_part_erased(event, &batch->erased);
            p->events[p->event_count++] = event;
            error = group_event(p, event);
        }
    }
    if (error == PROTO_OK)
        error = work_digest_common(batch, p->txn, p->reading);
    if (error == PROTO_OK)
        error = group_drops(p);
    if (error == PROTO_OK)
        error = give_jobs(p);
    if (error == PROTO_OK && batch->kind == WORK_BATCH_TICK)
        error = give_due(p);
    if (error == PROTO_OK)
        error = give_refs(p);
    if (error == PROTO_OK)
        lay_out_events(p);
    return error;
}

static void name_teams(struct work *work, struct work_batch *batch) {
    for (uint32_t i = 0; i < batch->new_count; i++) {
        const struct work_event *event = &batch->new_events[i]->event;
        uint32_t number = 0;
        if (event->team[0] && !work_teams_find(&work->teams, event->team, &number))
            work_team_row(event->team, work_teams_add(&work->teams, event->team), &batch->rows);
    }
}

void work_prepare_stage(struct work *work, struct work_batch *batch) {
    struct preparing p = {.work = work, .batch = batch, .reading = &work->hands[0].reading};
    if (batch->error != PROTO_OK)
        return;
    batch->error = store_read_begin(work->store, &p.txn);
    if (batch->error == PROTO_OK && batch->seq_last && batch->seq_first != store_txn_seq(p.txn) + 1) {
        /* The view was brought up to the log, or fell behind it, while this batch was being made. */
        batch->behind = batch->seq_first > store_txn_seq(p.txn);
        batch->passed = !batch->behind;
        batch->error = PROTO_FULL;
        store_read_end(p.txn);
        return;
    }
    if (batch->error == PROTO_OK) {
        name_teams(work, batch);
        batch->error = work_drop_prepare(batch, p.txn);
        if (batch->error == PROTO_OK)
            batch->error = prepare_context(&p);
        if (batch->error == PROTO_OK && batch->kind != WORK_BATCH_SLICE)
            batch->error = prepare_children(&p);
        store_read_end(p.txn);
    }
    work_map_free(&p.nodes_by_id);
    work_map_free(&p.groups_by_super);
    work_map_free(&p.jobs_by_root);
    free(p.nodes);
    free(p.groups);
    free(p.events);
    free(p.event_jobs);
}
