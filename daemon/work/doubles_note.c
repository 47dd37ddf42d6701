/*
 * doubles_note.c - whoever registers a child, or revises what it is known by, is told of others that look like it.
 *
 * What always holds: it looks at the view once it has the whole batch, so that two registrations of one child that came
 * together are both told; a call hears of the children of its own teams only.
 */
#include "work/inside.h"

#include <stdio.h>

#include "work/doubles.h"

#define NOTED_MAX 3 /* of one event; `patient` has all */

struct telling {
    struct work *work;
    struct work_hand *hand;
    struct work_call *call;
    struct store_txn *txn;
    struct work_doubles doubles;
    struct proto_id root; /* whose doubles these are; zero: nobody's yet */
};

static const char *team_name(const struct work *work, uint32_t team) {
    for (uint32_t i = 0; i < work->teams.count; i++)
        if (work->teams.numbers[i] == team)
            return work->teams.names[i];
    return "";
}

static bool call_sees(void *arg, uint32_t team) {
    const struct telling *t = arg;
    return work_event_scope(&t->call->who, team_name(t->work, team));
}

/* The field of the event that makes it look like another; NULL when this event does not say what is alike. */
static const char *field_alike(const struct proto_event *event, uint8_t why) {
    bool first = event->kind == PROTO_KIND_patient_registered;
    const struct proto_value *identifiers =
        first ? PROTO_BODY(event, patient_registered, identifiers) : PROTO_BODY(event, patient_revised, identifiers);
    const struct proto_value *label =
        first ? PROTO_BODY(event, patient_registered, label) : PROTO_BODY(event, patient_revised, label);
    const struct proto_value *born =
        first ? PROTO_BODY(event, patient_registered, born) : PROTO_BODY(event, patient_revised, born);
    if (why == WORK_DOUBLE_IDENTIFIER)
        return identifiers->present ? "identifiers" : NULL;
    return label->present ? "label" : born->present ? "born" : NULL;
}

static void tell(const struct telling *t, const struct proto_id *event, const char *field,
                 const struct work_double *other) {
    char id[PROTO_ID_TEXT_BYTES + 1], message[WORK_NOTE_BYTES];
    bool shares = other->why == WORK_DOUBLE_IDENTIFIER;
    proto_id_format(&other->shown, id);
    (void)snprintf(
        message, sizeof message,
        "%.*s of team %s (%s) may be the same child: %s%s%s%s. Check both records; when they are one child, join "
        "them with patient.merged.%s",
        (int)other->label.size, other->label.data ? other->label.data : "", team_name(t->work, other->team), id,
        shares ? "it has the same identifier, " : "it was born on the same day and has the same label",
        shares ? other->system : "", shares ? " " : "", shares ? other->value : "",
        other->closed ? " One of the two has left the caseload: record patient.reopened for it before they are joined."
                      : "");
    work_reply_note(t->hand, t->call, event, field, message);
}

/* The doubles of the child that the event is about: those found last, when it is the same. */
static enum proto_error find_doubles(struct telling *t, const struct proto_id *patient) {
    struct work_sight sight = {call_sees, t};
    struct work_patient found;
    enum proto_error error = work_patient_find(t->txn, patient, &found);
    if (error != PROTO_OK || work_id_same(&found.root, &t->root))
        return error;
    error = work_doubles_read(t->txn, &found.root, t->hand->state, &sight, &t->doubles);
    t->root = error == PROTO_OK ? found.root : (struct proto_id){{0}};
    return error;
}

static enum proto_error tell_of_event(struct telling *t, const struct work_event *event) {
    struct work_reading *reading = &t->hand->reading;
    uint32_t told = 0;
    enum proto_error error = find_doubles(t, &event->patient);
    if (error == PROTO_NOT_FOUND || (error == PROTO_OK && t->doubles.count == 0))
        return PROTO_OK;
    if (error == PROTO_OK)
        error = work_event_load((struct store_bytes){event->bytes, event->size}, reading->arena, &reading->event, NULL);
    for (uint32_t i = 0; error == PROTO_OK && i < t->doubles.count && told < NOTED_MAX; i++) {
        const char *field = field_alike(&reading->event, t->doubles.list[i].why);
        if (field) {
            tell(t, &event->id, field, &t->doubles.list[i]);
            told++;
        }
    }
    return error;
}

static bool names_child(const struct work_event *event) {
    return event->has_patient &&
           (event->kind == PROTO_KIND_patient_registered || event->kind == PROTO_KIND_patient_revised);
}

static enum proto_error tell_call(struct telling *t) {
    enum proto_error error = PROTO_OK;
    t->root = (struct proto_id){{0}}; /* another call may see other teams */
    for (uint32_t i = 0; i < t->call->count && error == PROTO_OK; i++)
        if (names_child(&t->call->entries[i].event))
            error = tell_of_event(t, &t->call->entries[i].event);
    return error;
}

static bool asks(const struct work_call *call) {
    if (call->sync || call->want == WORK_WANT_NONE)
        return false;
    for (uint32_t i = 0; i < call->count; i++)
        if (names_child(&call->entries[i].event))
            return true;
    return false;
}

enum proto_error work_reply_doubles(struct work *work, struct work_batch *batch) {
    struct telling t = {.work = work, .hand = &work->hands[0]};
    enum proto_error error = PROTO_OK;
    t.hand->job_replies = t.hand->reply_count;
    for (t.call = batch->calls; t.call && error == PROTO_OK; t.call = t.call->next) {
        if (!asks(t.call))
            continue;
        if (!t.txn)
            error = store_read_begin(work->store, &t.txn);
        if (error == PROTO_OK)
            error = tell_call(&t);
    }
    if (t.txn)
        store_read_end(t.txn);
    return error;
}
