/*
 * child.c - one child read: as the view has it, as it is now, or as it stood then from what was known then.
 *
 * What always holds: what is answered is the fold and the plan of one snapshot under one context; a stored schedule that the
 * replanning job has not reached yet is made anew here.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

struct reading_child {
    struct work_child face; /* first: the caller sees this */
    struct work *work;
    struct work_reading reading;
    struct work_voids voids;
};

static struct reading_child *own(struct work_child *child) {
    return (struct reading_child *)child;
}

struct work_child *work_child_new(struct work *work) {
    struct reading_child *child = calloc(1, sizeof *child);
    if (!child)
        return NULL;
    child->work = work;
    if (work_reading_init(&child->reading))
        return &child->face;
    free(child);
    return NULL;
}

static void let_go(struct work_child *child) {
    work_context_release(child->held);
    child->held = NULL;
}

void work_child_free(struct work_child *child) {
    if (!child)
        return;
    let_go(child);
    work_reading_deinit(&own(child)->reading);
    work_voids_free(&own(child)->voids);
    free(child);
}

static enum proto_error may_read(struct work *work) {
    enum work_phase phase = (enum work_phase)atomic_load(&work->phase);
    bool waits = phase == WORK_PHASE_CHECK || phase == WORK_PHASE_REBUILD || phase == WORK_PHASE_CATCH_UP;
    return waits ? PROTO_REBUILDING : PROTO_OK;
}

static enum proto_error find(struct store_txn *txn, const struct proto_id *patient, struct work_patient *out) {
    enum proto_error error = work_patient_find(txn, patient, out);
    if (error == PROTO_NOT_FOUND || (error == PROTO_OK && !(out->flags & WORK_PATIENT_REGISTERED)))
        return PROTO_UNKNOWN_PATIENT;
    return error;
}

static void hold(struct work_child *child, struct work *work, struct work_context *context) {
    child->held = context;
    child->context_seq = context->seq;
    work_context_of(context, child->state.profile.team, work->options.zones, &child->context);
}

/* --- now ------------------------------------------------------------------------------------------------ */

enum proto_error work_child_get(struct work *work, struct store_txn *txn, const struct proto_id *patient, int64_t now,
                                struct work_child *child) {
    struct work_patient found;
    struct work_fold fold = {0};
    struct work_settling settling;
    struct proto_id members[WORK_MERGED_MAX];
    uint64_t schedule_seq = 0;
    let_go(child);
    enum proto_error error = may_read(work);
    if (error == PROTO_OK)
        error = find(txn, patient, &found);
    if (error == PROTO_OK)
        error = work_settling_read(txn, &settling);
    if (error == PROTO_OK)
        error = work_fold_open(&fold, txn, &own(child)->reading, &child->state, &own(child)->voids, &found.root,
                               &found.super, now);
    if (error == PROTO_OK && fold.stored_waiting) {
        error = work_patient_members(txn, &found, members, WORK_MERGED_MAX, &fold.member_count);
        fold.members = members;
        if (error == PROTO_OK)
            error = work_fold_add(&fold, NULL, 0);
    }
    if (error == PROTO_OK)
        error = work_schedule_read(txn, &found.root, &child->schedule, &schedule_seq);
    bool arrived = fold.arrived_count > 0;
    work_fold_free(&fold);
    if (error != PROTO_OK)
        return error;
    child->root = found.root;
    child->shown = found.shown;
    child->other_rules = false;
    hold(child, work, work_context_current(work));
    child->replanned = settling.active && schedule_seq < child->context_seq;
    if (child->replanned || arrived)
        care_plan(&child->state, &child->context, &child->schedule);
    return PROTO_OK;
}

/* --- then ------------------------------------------------------------------------------------------------- */

struct past {
    struct work *work;
    struct store_txn *txn;
    struct reading_child *child;
    int64_t at, known_at;
    struct work_entry *entries;
    uint32_t count, cap;
    struct work_event **list;
    struct work_classes classes;
};

static enum proto_error add_event(struct past *past, uint64_t seq) {
    struct work_reading *reading = &past->child->reading;
    struct store_event stored;
    enum proto_error error = store_read_event(past->txn, seq, &stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (stored.body.size == 0 || stored.received_at > past->known_at)
        return PROTO_OK;
    WORK_ARRAY_ROOM(past->entries, past->count, past->cap);
    struct work_event *event = &past->entries[past->count].event;
    error = work_event_load(stored.body, reading->arena, &reading->event, event);
    if (error != PROTO_OK)
        return error;
    event->seq = seq;
    event->received_at = stored.received_at;
    past->count++;
    error = work_event_part_gone(past->txn, event);
    return error == PROTO_OK && !event->has_patient ? PROTO_CORRUPT : error;
}

static enum proto_error add_history(struct past *past, const struct proto_id *root) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error = store_scan_begin(past->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, root->bytes,
                                              PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK)
            error = add_event(past, row.seq);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Everything known then of the super class: a merge that came later had joined nothing yet. */
static enum proto_error collect(struct past *past, const struct work_patient *patient) {
    struct work_patient super, member;
    enum proto_error error = work_patient_find(past->txn, &patient->super, &super);
    if (error == PROTO_OK && super.member_count == 0)
        return add_history(past, &patient->root);
    for (uint32_t i = 0; error == PROTO_OK && i < super.member_count; i++) {
        struct proto_id id = work_patient_member(&super, i);
        error = work_patient_find(past->txn, &id, &member);
        if (error == PROTO_OK && work_id_same(&id, &member.root)) /* each class once: by its root */
            error = add_history(past, &member.root);
    }
    return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
}

static struct work_class *class_with(struct work_classes *classes, const struct proto_id *patient) {
    for (uint32_t c = 0; c < classes->count; c++)
        for (uint32_t m = 0; m < classes->list[c].member_count; m++)
            if (work_id_same(&classes->members[classes->list[c].first_member + m], patient))
                return &classes->list[c];
    return NULL;
}

/* Leaves out what happened later; what was known and dated ahead at the time stays, waiting. */
static void leave_out_later(const struct past *past, struct work_class *class) {
    uint32_t kept = 0;
    for (uint32_t i = 0; i < class->event_count; i++)
        if (class->events[i]->at <= past->at || class->events[i]->received_at <= past->at)
            class->events[kept++] = class->events[i];
    class->event_count = kept;
}

static enum proto_error context_then(struct past *past, struct work_context **out) {
    struct work_context_events all = {0};
    struct work_reading *reading = &past->child->reading;
    enum proto_error error = work_context_events_load(past->txn, reading, UINT64_MAX, &all);
    uint32_t kept = 0;
    for (uint32_t i = 0; i < all.count; i++) {
        struct work_event *event = all.list[i];
        if (event->at <= past->at && event->received_at <= past->known_at) {
            all.list[i] = all.list[kept];
            all.list[kept++] = event;
        }
    }
    if (error == PROTO_OK)
        error = work_context_make(0, reading, all.list, kept, out);
    work_context_events_free(&all);
    return error;
}

static enum proto_error fold_then(struct past *past, const struct proto_id *patient) {
    struct work_child *face = &past->child->face;
    struct work_context *context = NULL;
    past->list = work_alloc(sizeof *past->list * (past->count + 1));
    bool registered = false;
    for (uint32_t i = 0; i < past->count; i++) {
        past->list[i] = &past->entries[i].event;
        registered |= past->list[i]->kind == PROTO_KIND_patient_registered && past->list[i]->at <= past->at &&
                      work_id_same(&past->list[i]->patient, patient);
    }
    if (!registered)
        return PROTO_UNKNOWN_PATIENT; /* not yet, then */
    enum proto_error error = work_classes_make(&past->classes, &past->child->reading, past->list, past->count);
    if (error != PROTO_OK)
        return error;
    struct work_class *class = class_with(&past->classes, patient);
    struct work_fold fold;
    assert(class);
    leave_out_later(past, class);
    error = work_class_fold(&past->classes, class, &past->child->reading, &face->state, past->at, &fold);
    work_fold_free(&fold);
    if (error == PROTO_OK)
        error = context_then(past, &context);
    if (error != PROTO_OK)
        return error;
    face->root = class->root;
    face->shown = class->shown;
    hold(face, past->work, context);
    care_plan(&face->state, &face->context, &face->schedule);
    return PROTO_OK;
}

enum proto_error work_child_get_then(struct work *work, struct store_txn *txn, const struct proto_id *patient,
                                     int64_t at, int64_t known_at, int64_t now, struct work_child *child) {
    if (at == INT64_MAX && known_at == INT64_MAX)
        return work_child_get(work, txn, patient, now, child);
    struct past past = {.work = work, .txn = txn, .child = own(child)};
    past.at = at == INT64_MAX ? now : at;
    past.known_at = known_at == INT64_MAX ? now : known_at;
    struct work_patient found;
    let_go(child);
    enum proto_error error = may_read(work);
    if (error == PROTO_OK)
        error = find(txn, patient, &found);
    if (error == PROTO_OK)
        error = collect(&past, &found);
    if (error == PROTO_OK)
        error = fold_then(&past, patient);
    work_classes_free(&past.classes);
    free(past.list);
    free(past.entries);
    if (error != PROTO_OK)
        return error;
    child->replanned = true;
    child->other_rules = work->rules_since > (past.at < past.known_at ? past.at : past.known_at);
    return PROTO_OK;
}

/* --- policy --------------------------------------------------------------------------------------------------- */

enum proto_error work_policy_get(struct work *work, struct proto_slice team, struct care_policy *policy,
                                 int64_t adopted_at[PROTO_POLICY_COUNT],
                                 char approved_by[PROTO_POLICY_COUNT][PROTO_TEXT_SHORT_MAX + 4]) {
    char name[44] = {0};
    struct care_context context;
    enum proto_error error = may_read(work);
    if (error != PROTO_OK)
        return error;
    if (team.size && team.size < sizeof name)
        memcpy(name, team.data, team.size);
    struct work_context *held = work_context_current(work);
    work_context_of(held, name, work->options.zones, &context);
    *policy = *context.policy;
    for (int p = 0; p < PROTO_POLICY_COUNT; p++) {
        adopted_at[p] = 0;
        memset(approved_by[p], 0, sizeof approved_by[p]);
        for (uint32_t i = 0; i < held->adoption_count; i++) {
            if (proto_id_is_zero(&policy->adopted_by[p]) ||
                !work_id_same(&held->adoptions[i].id, &policy->adopted_by[p]))
                continue;
            adopted_at[p] = held->adoptions[i].at;
            memcpy(approved_by[p], held->adoptions[i].approved_by, sizeof approved_by[p]);
        }
    }
    work_context_release(held);
    return PROTO_OK;
}
