/*
 * judge.c - admission of one call: ids, existence, scope, and what may not be together, against the view, what is on its way
 * into it, and the call itself.
 *
 * What always holds: a call is judged whole before anything of it is appended; an id out of scope is answered like one that
 * does not exist; what needs a child's exact state is judged only when nothing of that child is on its way, and no merge
 * at all; what the call itself joins or parts is counted in.
 */
#include "work/inside.h"

#include "work/own_task.h"

#include <assert.h>
#include <stdlib.h>

enum verdict { TAKE, REFUSE, HOLD };

static enum verdict refuse(struct work_judging *j, uint32_t index, enum proto_error code, const char *field,
                           const char *sentence) {
    (void)proto_fault_set(&j->call->fault, code, field, "%s", sentence ? sentence : proto_error_sentence(code));
    j->call->fault.has_event = 1;
    j->call->fault.event_index = index;
    return REFUSE;
}

/* Nothing has been changed by the time one of these comes up. */
static enum verdict fail(struct work_judging *j, uint32_t index, enum proto_error error) {
    enum proto_error code = error == PROTO_BUSY || error == PROTO_FULL ? error : PROTO_INTERNAL;
    return refuse(j, index, code, NULL, NULL);
}

/* --- who is known ---------------------------------------------------------------------------------- */

bool work_event_scope(const struct work_who *who, const char *team) {
    if (who->all_teams)
        return true;
    for (uint32_t i = 0; i < who->team_count; i++)
        if (strcmp(who->teams[i], team) == 0)
            return true;
    return false;
}

static const struct work_flight_row *in_flight(const struct work_judging *j, const struct proto_id *patient,
                                               bool named_team) {
    const struct work_flight_row *found = NULL;
    uint64_t newest = 0;
    for (int f = 0; f < WORK_FLIGHTS; f++) {
        const struct work_flight *flight = &j->work->log_side.flights[f];
        uint32_t row = flight->number >= j->first_flight ? work_map_find(&flight->map, patient) : WORK_MAP_NONE;
        if (row == WORK_MAP_NONE || flight->number < newest || (named_team && !flight->rows[row].team[0]))
            continue;
        newest = flight->number;
        found = &flight->rows[row];
    }
    return found;
}

bool work_flight_empty(const struct work_judging *j) {
    for (int f = 0; f < WORK_FLIGHTS; f++)
        if (j->work->log_side.flights[f].number >= j->first_flight && j->work->log_side.flights[f].count)
            return false;
    return true;
}

static bool merge_in_flight(const struct work_judging *j) {
    for (int f = 0; f < WORK_FLIGHTS; f++)
        if (j->work->log_side.flights[f].number >= j->first_flight && j->work->log_side.flights[f].joins)
            return true;
    return false;
}

static enum proto_error team_name(struct work_judging *j, uint32_t number, const char **name) {
    struct work_teams *teams = &j->work->log_side.teams;
    *name = "";
    for (int tries = 0; number && tries < 2; tries++) {
        for (uint32_t i = 0; i < teams->count; i++)
            if (teams->numbers[i] == number) {
                *name = teams->names[i];
                return PROTO_OK;
            }
        enum proto_error error = work_teams_load(teams, j->txn);
        if (error != PROTO_OK)
            return error;
    }
    return number ? PROTO_CORRUPT : PROTO_OK;
}

/* The team that has the patient, or NOT_FOUND; the call's own registrations come first. */
static enum proto_error find_team(struct work_judging *j, const struct proto_id *patient, const char **team) {
    uint32_t own = work_map_find(&j->work->log_side.registered_in_call, patient);
    if (own != WORK_MAP_NONE) {
        *team = j->call->entries[own].event.team;
        return PROTO_OK;
    }
    const struct work_flight_row *row = in_flight(j, patient, true);
    if (row) {
        *team = row->team;
        return PROTO_OK;
    }
    struct work_patient found;
    enum proto_error error = work_patient_find(j->txn, patient, &found);
    if (error == PROTO_OK && !(found.flags & WORK_PATIENT_REGISTERED))
        error = PROTO_NOT_FOUND;
    return error == PROTO_OK ? team_name(j, found.team, team) : error;
}

enum proto_error work_judge_team(struct work_judging *j, const struct proto_id *patient, const char **team) {
    return find_team(j, patient, team);
}

bool work_judge_flies(const struct work_judging *j, const struct proto_id *patient) {
    return in_flight(j, patient, false) != NULL;
}

bool work_judge_merge_flies(const struct work_judging *j) {
    return merge_in_flight(j);
}

static enum verdict must_know(struct work_judging *j, uint32_t index, const struct proto_id *patient,
                              const char *field) {
    const char *team = "";
    enum proto_error error = find_team(j, patient, &team);
    if (error == PROTO_NOT_FOUND || (error == PROTO_OK && !work_event_scope(&j->call->who, team)))
        return refuse(j, index, PROTO_UNKNOWN_PATIENT, field, NULL);
    return error == PROTO_OK ? TAKE : fail(j, index, error);
}

/* The class of a patient as the view has it; itself when the view does not know it. */
static enum proto_error class_of(struct work_judging *j, const struct proto_id *patient, struct work_patient *out) {
    enum proto_error error = work_patient_find(j->txn, patient, out);
    if (error != PROTO_NOT_FOUND)
        return error;
    *out = (struct work_patient){.root = *patient, .shown = *patient, .super = *patient};
    return PROTO_OK;
}

/* The super class's own row: it alone says how many records there are. */
static enum proto_error super_of(struct work_judging *j, const struct proto_id *patient, struct work_patient *super) {
    struct work_patient found;
    enum proto_error error = class_of(j, patient, &found);
    return error == PROTO_OK ? class_of(j, &found.super, super) : error;
}

static enum proto_error same_child(struct work_judging *j, const struct work_event *a, const struct work_event *b,
                                   bool *same) {
    struct work_patient x, y;
    *same = a->has_patient == b->has_patient;
    if (!*same || !a->has_patient || work_id_same(&a->patient, &b->patient))
        return PROTO_OK;
    enum proto_error error = class_of(j, &a->patient, &x);
    if (error == PROTO_OK)
        error = class_of(j, &b->patient, &y);
    *same = error == PROTO_OK && work_id_same(&x.root, &y.root);
    return error;
}

/* Two records that the view has as two may become one by what is on its way. */
static enum verdict refuse_other_child(struct work_judging *j, uint32_t index, const char *field,
                                       const char *sentence) {
    return merge_in_flight(j) ? HOLD : refuse(j, index, PROTO_CONFLICT, field, sentence);
}

/* --- ids --------------------------------------------------------------------------------------------- */

/* Decodes a held event, or one of the call, into the hand's target. NOT_FOUND. */
static enum proto_error find_held(struct work_judging *j, const struct proto_id *id, struct work_event *out) {
    struct work_reading *reading = &j->work->log_side.hand->reading;
    uint32_t own = work_map_find(&j->work->log_side.in_call, id);
    uint64_t seq = 0;
    struct store_event stored;
    struct store_bytes bytes;
    if (own != WORK_MAP_NONE) {
        bytes = (struct store_bytes){j->call->entries[own].event.bytes, j->call->entries[own].event.size};
    } else {
        enum proto_error error = store_log_find(j->log, id, &seq);
        if (error == PROTO_OK)
            error = store_log_read(j->log, seq, &stored);
        if (error != PROTO_OK)
            return error;
        if (stored.body.size == 0)
            return PROTO_NOT_FOUND; /* it was here and went */
        bytes = stored.body;
    }
    enum proto_error error = work_event_load(bytes, reading->target_arena, &reading->target, out);
    out->seq = seq;
    return error;
}

/* The event is the held one again when the caller sent the same content. */
static enum verdict judge_again(struct work_judging *j, uint32_t index, const struct work_event *held) {
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct work_entry *entry = &j->call->entries[index];
    struct store_bytes bytes = {entry->event.bytes, entry->event.size};
    enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
    if (error != PROTO_OK)
        return fail(j, index, error);
    if (!proto_slice_same(reading->event.content, reading->target.content))
        return refuse(j, index, PROTO_ID_REUSED, "id", NULL);
    entry->repeated = true;
    entry->event.seq = held->seq;
    return TAKE;
}

static enum verdict judge_id(struct work_judging *j, uint32_t index) {
    struct work_log_side *side = &j->work->log_side;
    struct work_entry *entry = &j->call->entries[index];
    struct work_event held;
    enum proto_error error = find_held(j, &entry->event.id, &held);
    if (error == PROTO_OK) {
        enum verdict verdict = judge_again(j, index, &held);
        uint32_t own = work_map_find(&side->in_call, &entry->event.id);
        if (verdict == TAKE && own != WORK_MAP_NONE)
            entry->repeats = own + 1;
        return verdict;
    }
    if (error != PROTO_NOT_FOUND)
        return fail(j, index, error);
    bool made = false;
    (void)work_map_add(&side->in_call, &entry->event.id, index, &made);
    if (entry->event.kind != PROTO_KIND_patient_registered)
        return TAKE;
    const char *team = "";
    struct work_patient known;
    error = work_patient_find(j->txn, &entry->event.patient, &known);
    if (error == PROTO_OK && (known.flags & WORK_PATIENT_ERASED))
        return refuse(j, index, PROTO_CONFLICT, "patient",
                      "A record of this id was erased, which is final. Register the child under a new id.");
    error = find_team(j, &entry->event.patient, &team);
    if (error == PROTO_OK && !work_event_scope(&j->call->who, team))
        return refuse(j, index, PROTO_NOT_ALLOWED, "patient", "This child cannot be registered by this account.");
    if (error == PROTO_OK)
        return refuse(j, index, PROTO_CONFLICT, "patient", "This child is registered already.");
    if (error != PROTO_NOT_FOUND)
        return fail(j, index, error);
    if (!work_event_scope(&j->call->who, entry->event.team))
        return refuse(j, index, PROTO_NOT_ALLOWED, "team", "This account may not register children for that team.");
    (void)work_map_add(&side->registered_in_call, &entry->event.patient, index, &made);
    return TAKE;
}

/* --- what one event names ---------------------------------------------------------------------------------- */

static bool is_standing(uint16_t kind) {
    return kind == PROTO_KIND_event_withdrawn || kind == PROTO_KIND_withdrawal_confirmed;
}

/* The event that this one names, and whether it is of the same child. False with TAKE when it is not held: it may still come, in any order. */
static bool find_named(struct work_judging *j, uint32_t index, const struct proto_id *id, struct work_event *held,
                       bool *same, enum verdict *verdict) {
    *verdict = TAKE;
    enum proto_error error = find_held(j, id, held);
    if (error == PROTO_NOT_FOUND)
        return false;
    if (error == PROTO_OK)
        error = same_child(j, &j->call->entries[index].event, held, same);
    if (error != PROTO_OK)
        *verdict = fail(j, index, error);
    return error == PROTO_OK;
}

static enum verdict judge_replaces(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_event held;
    enum verdict verdict;
    bool same = false;
    if (!find_named(j, index, &event->replaces, &held, &same, &verdict))
        return verdict;
    if (held.kind != event->kind)
        return refuse(j, index, PROTO_CONFLICT, "replaces", "An event replaces one of the same child and kind.");
    if (!same)
        return refuse_other_child(j, index, "replaces", "An event replaces one of the same child and kind.");
    if (is_standing(held.kind))
        return refuse(j, index, PROTO_CONFLICT, "replaces", "A withdrawal cannot be replaced.");
    return TAKE;
}

static enum verdict judge_withdrawal(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_event held;
    enum verdict verdict = TAKE;
    bool same = false;
    if (!event->has_target || !find_named(j, index, &event->target, &held, &same, &verdict))
        return verdict;
    if (!same)
        return refuse_other_child(j, index, "event", "An event is withdrawn by one of the same child.");
    if (is_standing(held.kind))
        return refuse(j, index, PROTO_CONFLICT, "event",
                      "A withdrawal cannot itself be withdrawn; record the event again.");
    return TAKE;
}

static enum verdict judge_confirmation(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_event held;
    enum verdict verdict = TAKE;
    bool same = false;
    if (!event->has_target || !find_named(j, index, &event->target, &held, &same, &verdict))
        return verdict;
    if (held.kind != PROTO_KIND_event_withdrawn && !held.has_replaces)
        return refuse(j, index, PROTO_CONFLICT, "withdrawal",
                      "What is confirmed is a withdrawal of the same child, or an event that replaces another.");
    if (!same)
        return refuse_other_child(j, index, "withdrawal", "What is confirmed is a withdrawal of the same child.");
    if (proto_slice_is(j->work->log_side.hand->reading.target.by, j->call->who.account))
        return refuse(j, index, PROTO_CONFLICT, "withdrawal",
                      "A withdrawal is confirmed by another account than the one that made it.");
    return TAKE;
}

/* Whether a child has left the caseload, by the view and by what the call says before `index`. */
static enum proto_error has_left(struct work_judging *j, uint32_t index, const struct proto_id *id, bool *left) {
    struct work_patient child, other;
    enum proto_error error = class_of(j, id, &child);
    *left = error == PROTO_OK && (child.flags & WORK_PATIENT_CLOSED);
    for (uint32_t i = 0; i < index && error == PROTO_OK; i++) {
        const struct work_entry *entry = &j->call->entries[i];
        bool closes = entry->event.kind == PROTO_KIND_patient_closed;
        if (entry->repeated || (!closes && entry->event.kind != PROTO_KIND_patient_reopened))
            continue;
        error = class_of(j, &entry->event.patient, &other);
        if (error == PROTO_OK && work_id_same(&other.root, &child.root))
            *left = closes;
    }
    return error;
}

/* Joined, the two are one child, and one child has left the caseload or has not: nobody may lose a child's tasks by joining it to a
 * record that was closed. */
static enum verdict judge_caseload(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    bool one = false, other = false;
    if (in_flight(j, &event->patient, false) || in_flight(j, &event->target, false) || merge_in_flight(j))
        return HOLD;
    enum proto_error error = has_left(j, index, &event->patient, &one);
    if (error == PROTO_OK)
        error = has_left(j, index, &event->target, &other);
    if (error != PROTO_OK)
        return fail(j, index, error);
    if (one == other)
        return TAKE;
    return refuse(j, index, PROTO_CONFLICT, "into",
                  "One of the two records has left the caseload, and the child would leave it with its tasks: record "
                  "patient.reopened for that one first.");
}

static enum verdict judge_merge(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_patient patient;
    if (work_id_same(&event->patient, &event->target))
        return refuse(j, index, PROTO_CONFLICT, "into", "A record is merged into another one, not into itself.");
    enum verdict verdict = must_know(j, index, &event->target, "into");
    if (verdict != TAKE)
        return verdict;
    enum proto_error error = class_of(j, &event->patient, &patient);
    if (error != PROTO_OK)
        return fail(j, index, error);
    if (work_joined_records(&j->work->log_side.joined, &patient.super) > WORK_MERGED_MAX)
        return refuse(j, index, PROTO_CONFLICT, "into", "Too many records would be one child.");
    return judge_caseload(j, index);
}

/* What the call's merges make one. */
static enum proto_error note_joins(struct work_judging *j, uint32_t index) {
    const struct work_entry *entry = &j->call->entries[index];
    struct work_patient a, b;
    if (entry->repeated || entry->event.kind != PROTO_KIND_patient_merged || !entry->event.has_target)
        return PROTO_OK;
    enum proto_error error = super_of(j, &entry->event.patient, &a);
    if (error == PROTO_OK)
        error = super_of(j, &entry->event.target, &b);
    if (error == PROTO_OK)
        work_joined_add(&j->work->log_side.joined, &a.super, a.member_count ? a.member_count : 1, &b.super,
                        b.member_count ? b.member_count : 1);
    return error;
}

/* --- what needs the child's state ----------------------------------------------------------------------------- */

static bool names_task(const struct work_event *event) {
    return event->kind == PROTO_KIND_task_done || event->kind == PROTO_KIND_task_deferred ||
           event->kind == PROTO_KIND_task_given;
}

static bool is_limited_deferral(const struct proto_event *event) {
    enum proto_task task = proto_task_find(PROTO_BODY(event, task_deferred, task)->text);
    return task != PROTO_TASK_NONE && !proto_task_defers_freely(task);
}

/* Decodes the entry into the hand's event when it is one that its child's state decides on. */
static enum proto_error decides_on_state(struct work_judging *j, uint32_t index, bool *decides) {
    struct work_reading *reading = &j->work->log_side.hand->reading;
    const struct work_event *event = &j->call->entries[index].event;
    struct work_event held;
    *decides = event->kind == PROTO_KIND_patient_closed || event->kind == PROTO_KIND_patient_merged;
    if (event->kind == PROTO_KIND_event_withdrawn && event->has_target) {
        enum proto_error error = find_held(j, &event->target, &held);
        *decides = error == PROTO_OK && held.kind == PROTO_KIND_patient_registered;
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    }
    bool deferral = event->kind == PROTO_KIND_task_deferred;
    if (!names_task(event))
        return PROTO_OK;
    struct store_bytes bytes = {event->bytes, event->size};
    enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
    *decides = error == PROTO_OK &&
               (work_own_task_of(&reading->event).size || (deferral && is_limited_deferral(&reading->event)));
    return error;
}

/* The child's state with the call's other events in it: for a deferral those before it, else all that do not close. */
static enum proto_error fold_with_call(struct work_judging *j, uint32_t index, const struct work_patient *patient,
                                       struct proto_id members[WORK_MERGED_MAX], struct work_fold *fold) {
    struct work_hand *hand = j->work->log_side.hand;
    const struct work_event *event = &j->call->entries[index].event;
    bool deferral = event->kind == PROTO_KIND_task_deferred;
    struct work_event **others = work_alloc(sizeof *others * (j->call->count + 1));
    uint32_t count = 0, end = deferral ? index : j->call->count;
    enum proto_error error = work_fold_open(fold, j->txn, &hand->reading, hand->state, &hand->voids, &patient->root,
                                            &patient->super, j->batch->now);
    if (error == PROTO_OK && fold->stored)
        error = work_patient_members(j->txn, patient, members, WORK_MERGED_MAX, &fold->member_count);
    fold->members = members;
    for (uint32_t i = 0; i < end && error == PROTO_OK; i++) {
        struct work_entry *entry = &j->call->entries[i];
        bool same = false;
        bool closes = entry->event.kind == PROTO_KIND_patient_closed || entry->event.kind == PROTO_KIND_patient_merged;
        if (entry->repeated || i == index || (closes && !deferral) || work_event_is_context(&entry->event))
            continue;
        error = same_child(j, event, &entry->event, &same);
        if (same)
            others[count++] = &entry->event;
    }
    if (error == PROTO_OK)
        error = work_fold_add(fold, others, count);
    free(others);
    return error;
}

/* True when the call may change which records are one child. */
static bool regroups(struct work_judging *j, const struct work_patient *super) {
    if (work_joined_records(&j->work->log_side.joined, &super->super))
        return true;
    for (uint32_t i = 0; super->member_count && i < j->call->count; i++)
        if (!j->call->entries[i].repeated && work_event_voids(&j->call->entries[i].event))
            return true;
    return false;
}

/* The call's events that count in judging this one: those of the records that are or become its child. */
static enum proto_error call_events(struct work_judging *j, uint32_t index, const struct proto_id *super,
                                    struct work_event **out, uint32_t *count) {
    bool deferral = j->call->entries[index].event.kind == PROTO_KIND_task_deferred;
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < (deferral ? index : j->call->count) && error == PROTO_OK; i++) {
        struct work_entry *entry = &j->call->entries[i];
        struct work_patient patient;
        bool closes = entry->event.kind == PROTO_KIND_patient_closed && !deferral;
        if (entry->repeated || i == index || closes || !entry->event.has_patient ||
            work_event_is_context(&entry->event))
            continue;
        error = class_of(j, &entry->event.patient, &patient);
        if (error == PROTO_OK && work_joined_same(&j->work->log_side.joined, super, &patient.super))
            out[(*count)++] = &entry->event;
    }
    return error;
}

static const struct work_class *class_with(const struct work_classes *classes, const struct proto_id *patient) {
    for (uint32_t c = 0; c < classes->count; c++)
        for (uint32_t m = 0; m < classes->list[c].member_count; m++)
            if (work_id_same(&classes->members[classes->list[c].first_member + m], patient))
                return &classes->list[c];
    return NULL;
}

/* The child's state when the call itself joins or parts records: its classes made anew from all events. The fold must be
 * freed before the classes, those before *stored. NOT_FOUND when nothing is known of the child before the event. */
static enum proto_error fold_regrouped(struct work_judging *j, uint32_t index, const struct proto_id *super,
                                       struct work_classes *classes, struct work_event **stored,
                                       struct work_fold *fold) {
    struct work_hand *hand = j->work->log_side.hand;
    uint32_t count = 0, stored_count = 0;
    enum proto_error error =
        work_joined_events(&j->work->log_side.joined, j->txn, &hand->reading, super, stored, &stored_count);
    struct work_event **all = work_alloc(sizeof *all * (stored_count + j->call->count));
    for (; count < stored_count; count++)
        all[count] = *stored + count;
    if (error == PROTO_OK)
        error = call_events(j, index, super, all, &count);
    if (error == PROTO_OK)
        error = count ? work_classes_make(classes, &hand->reading, all, count) : PROTO_NOT_FOUND;
    free(all);
    if (error != PROTO_OK)
        return error;
    const struct work_class *class = class_with(classes, &j->call->entries[index].event.patient);
    return class ? work_class_fold(classes, class, &hand->reading, hand->state, j->batch->now, fold) : PROTO_NOT_FOUND;
}

/* For now at its step; or answered and resting, and for now when the answer no longer counts: it is not settled. */
static bool step_for_now(const struct care_alert *alert, uint32_t step) {
    bool now = alert->steps[step].urgency == PROTO_URGENCY_NOW;
    for (uint32_t i = step + 1; i < alert->step_count && alert->steps[step].answered && !now; i++)
        now = alert->steps[i].urgency == PROTO_URGENCY_NOW;
    return now;
}

static bool open_now(const struct care_schedule *schedule, int64_t now) {
    struct care_view view;
    care_view(schedule, now, &view);
    for (uint32_t i = 0; i < schedule->alert_count; i++)
        if (view.alert_step[i] && step_for_now(&schedule->alerts[i], view.alert_step[i] - 1u))
            return true;
    return false;
}

/* What the child's state has against the event. */
struct objection {
    enum proto_error code; /* PROTO_OK: nothing */
    const char *field, *sentence;
};

static enum proto_error judge_task(struct work_judging *j, const struct work_event *event, struct work_fold *fold,
                                   const struct care_context *context, struct objection *objection) {
    static const struct objection unknown = {
        PROTO_BAD_VALUE, "task",
        "No task of that name was added for this child by task.added, and no routine task is called so."};
    static const struct objection too_late = {
        PROTO_CONFLICT, "until",
        "The task cannot be deferred so far or so often; see the rules defer-days-max and defer-times-max."};
    struct work_reading *reading = &j->work->log_side.hand->reading;
    struct store_bytes bytes = {event->bytes, event->size};
    enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
    if (error != PROTO_OK)
        return error;
    struct proto_slice own = work_own_task_of(&reading->event);
    if (own.size == 0) {
        if (!care_defer_allowed(fold->state, context, &reading->event))
            *objection = too_late;
        return PROTO_OK;
    }
    bool known = false;
    error = work_own_task_known(fold, own, &known);
    if (!known)
        *objection = unknown;
    return error;
}

/* Whether the child, folded, allows the event. */
static enum proto_error judge_folded(struct work_judging *j, const struct work_event *event, struct work_fold *fold,
                                     struct objection *objection) {
    static const struct objection open = {
        PROTO_CONFLICT, NULL,
        "An alert for now is open for this child; it must be settled before the record is closed or merged away."};
    struct work_hand *hand = j->work->log_side.hand;
    struct care_context context;
    work_context_of(j->context, hand->state->profile.team, j->work->options.zones, &context);
    if (names_task(event))
        return judge_task(j, event, fold, &context, objection);
    care_plan(hand->state, &context, hand->after);
    if (open_now(hand->after, j->batch->now))
        *objection = open;
    return PROTO_OK;
}

static enum verdict judge_state(struct work_judging *j, uint32_t index, const struct work_patient *patient,
                                const struct work_patient *super) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_fold fold = {0};
    struct work_classes classes = {0};
    struct work_event *stored = NULL;
    struct proto_id members[WORK_MERGED_MAX];
    struct objection objection = {0};
    enum proto_error error = PROTO_NOT_FOUND;
    /* A record merged away is judged as it stands by itself: those joined to it are judged by their own merges. */
    if (event->kind != PROTO_KIND_patient_merged && regroups(j, super))
        error = fold_regrouped(j, index, &super->super, &classes, &stored, &fold);
    if (error == PROTO_NOT_FOUND)
        error = fold_with_call(j, index, patient, members, &fold);
    if (error == PROTO_OK)
        error = judge_folded(j, event, &fold, &objection);
    work_fold_free(&fold);
    work_classes_free(&classes);
    free(stored);
    if (error != PROTO_OK)
        return fail(j, index, error);
    return objection.code == PROTO_OK ? TAKE : refuse(j, index, objection.code, objection.field, objection.sentence);
}

static enum verdict judge_by_state(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct work_patient patient, super;
    bool decides = false;
    enum proto_error error = decides_on_state(j, index, &decides);
    if (error == PROTO_OK && !decides)
        return TAKE;
    if (error == PROTO_OK)
        error = class_of(j, &event->patient, &patient);
    if (error == PROTO_OK)
        error = class_of(j, &patient.super, &super);
    if (error != PROTO_OK)
        return fail(j, index, error);
    bool several = super.member_count > 0 || work_joined_records(&j->work->log_side.joined, &patient.super) > 0;
    if (in_flight(j, &event->patient, false) || merge_in_flight(j) || (several && !work_flight_empty(j)))
        return HOLD;
    return judge_state(j, index, &patient, &super);
}

/* --- the call ----------------------------------------------------------------------------------------------------- */

static enum verdict judge_team_event(struct work_judging *j, uint32_t index) {
    struct work_reading *reading = &j->work->log_side.hand->reading;
    const struct work_event *event = &j->call->entries[index].event;
    struct store_bytes bytes = {event->bytes, event->size};
    if (j->call->who.all_teams)
        return TAKE;
    enum proto_error error = work_event_load(bytes, reading->arena, &reading->event, NULL);
    if (error != PROTO_OK)
        return fail(j, index, error);
    char team[44] = {0};
    struct proto_slice named = {NULL, 0};
    if (event->kind == PROTO_KIND_policy_adopted)
        named = PROTO_BODY(&reading->event, policy_adopted, team)->text;
    if (named.size && named.size < sizeof team)
        memcpy(team, named.data, named.size);
    if (named.size && work_event_scope(&j->call->who, team))
        return TAKE;
    return refuse(j, index, PROTO_NOT_ALLOWED, "team", "This account may not decide for those teams.");
}

static bool erased_in_call(const struct work_judging *j, const struct proto_id *record) {
    for (uint32_t i = 0; i < j->call->count; i++)
        if (j->call->entries[i].event.kind == PROTO_KIND_patient_erased &&
            work_id_same(&j->call->entries[i].event.patient, record))
            return true;
    return false;
}

/* Whoever erases means the child: all records that are this child, and nothing else about it in the same call. */
static enum verdict judge_whole_child(struct work_judging *j, uint32_t index) {
    const struct work_event *event = &j->call->entries[index].event;
    struct proto_id members[WORK_MERGED_MAX];
    struct work_patient patient;
    uint32_t count = 0;
    enum proto_error error = class_of(j, &event->patient, &patient);
    if (error == PROTO_OK)
        error = work_patient_members(j->txn, &patient, members, WORK_MERGED_MAX, &count);
    if (error != PROTO_OK)
        return fail(j, index, error);
    for (uint32_t i = 0; i < count; i++)
        if (!erased_in_call(j, &members[i]))
            return refuse(j, index, PROTO_CONFLICT, "patient",
                          "Several records are this child, joined by patient.merged: erase all of them in one call.");
    for (uint32_t i = 0; i < j->call->count; i++)
        if (j->call->entries[i].event.kind != PROTO_KIND_patient_erased &&
            work_id_same(&j->call->entries[i].event.patient, &event->patient))
            return refuse(j, index, PROTO_CONFLICT, "patient",
                          "A record is erased in a call that says nothing else of it.");
    return TAKE;
}

static enum verdict judge_erasure(struct work_judging *j, uint32_t index) {
    struct work_entry *entry = &j->call->entries[index];
    if (entry->repeated)
        return TAKE; /* the child is not known any more, and that is what was asked for */
    enum verdict verdict = must_know(j, index, &entry->event.patient, "patient");
    if (verdict != TAKE)
        return verdict;
    if (entry->event.has_replaces)
        return refuse(j, index, PROTO_CONFLICT, "replaces", "An erasure is final: it is not stated again.");
    return work_flight_empty(j) ? judge_whole_child(j, index) : HOLD;
}

static enum verdict judge_event(struct work_judging *j, uint32_t index) {
    struct work_entry *entry = &j->call->entries[index];
    enum verdict verdict = TAKE;
    if (entry->event.kind == PROTO_KIND_patient_erased)
        return judge_erasure(j, index);
    if (work_event_is_context(&entry->event) || !entry->event.has_patient)
        verdict = judge_team_event(j, index);
    else
        verdict = must_know(j, index, &entry->event.patient, "patient");
    if (verdict != TAKE || entry->repeated)
        return verdict;
    if (entry->event.has_replaces)
        verdict = judge_replaces(j, index);
    if (verdict == TAKE && entry->event.kind == PROTO_KIND_event_withdrawn)
        verdict = judge_withdrawal(j, index);
    if (verdict == TAKE && entry->event.kind == PROTO_KIND_withdrawal_confirmed)
        verdict = judge_confirmation(j, index);
    if (verdict == TAKE && entry->event.kind == PROTO_KIND_patient_merged)
        verdict = judge_merge(j, index);
    return verdict == TAKE ? judge_by_state(j, index) : verdict;
}

bool work_judge_call(struct work_judging *j) {
    struct work_log_side *side = &j->work->log_side;
    struct work_call *call = j->call;
    enum verdict verdict = TAKE;
    if (call->sync)
        return work_judge_sync(j);
    work_map_clear(&side->in_call);
    work_map_clear(&side->registered_in_call);
    work_joined_clear(&side->joined);
    for (uint32_t i = 0; i < call->count; i++)
        call->entries[i].repeated = false, call->entries[i].repeats = 0;
    for (uint32_t i = 0; i < call->count && verdict == TAKE; i++)
        verdict = judge_id(j, i);
    for (uint32_t i = 0; i < call->count && verdict == TAKE; i++) {
        enum proto_error error = note_joins(j, i);
        verdict = error == PROTO_OK ? TAKE : fail(j, i, error);
    }
    for (uint32_t i = 0; i < call->count && verdict == TAKE; i++)
        verdict = judge_event(j, i);
    assert((verdict == REFUSE) == (call->fault.code != PROTO_OK));
    return verdict != HOLD;
}
