/*
 * replies.c - what one call is told about one child: alerts opened and settled, alerts that rest on a repeated event, like
 * events, notes, the status.
 *
 * What always holds: opened alerts are open after the call's last event for the child, settled ones are not; each is one
 * encoded map in the hand's memory, and a call is told it once, however many repeated events it rests on.
 */
#include "work/inside.h"

#include "care/notes.h"

#include <assert.h>

bool work_alert_same(const struct care_alert *a, const struct care_alert *b) {
    return a->alert == b->alert && a->stoma == b->stoma && a->about == b->about && strcmp(a->text, b->text) == 0;
}

static const struct care_alert *find_open(const struct care_schedule *schedule, const struct care_view *view,
                                          const struct care_alert *like) {
    for (uint32_t i = 0; i < schedule->alert_count; i++)
        if (view->alert_step[i] && work_alert_same(&schedule->alerts[i], like))
            return &schedule->alerts[i];
    return NULL;
}

static void note(struct care_alert *list, uint32_t *count, const struct care_alert *alert) {
    for (uint32_t i = 0; i < *count; i++)
        if (work_alert_same(&list[i], alert))
            return;
    if (*count < WORK_FOUND_MAX)
        list[(*count)++] = *alert;
}

void work_found_compare(struct work_found *found, const struct care_schedule *before, const struct care_schedule *after,
                        int64_t now) {
    struct care_view was, is;
    care_view(before, now, &was);
    care_view(after, now, &is);
    for (uint32_t i = 0; i < after->alert_count; i++)
        if (is.alert_step[i] && !find_open(before, &was, &after->alerts[i]))
            note(found->opened, &found->opened_count, &after->alerts[i]);
    for (uint32_t i = 0; i < before->alert_count; i++)
        if (was.alert_step[i] && !find_open(after, &is, &before->alerts[i]))
            note(found->settled, &found->settled_count, &before->alerts[i]);
}

/* --- encoded values ------------------------------------------------------------------------------ */

static void writer_begin(struct work_hand *hand, struct proto_writer *w, size_t cap) {
    proto_writer_init(w, work_buffer_reserve(&hand->answers, cap), cap);
}

static void writer_end(struct work_hand *hand, const struct proto_writer *w, struct work_call *call,
                       enum work_reply_what what) {
    assert(w->error == PROTO_OK && w->size > 0);
    WORK_ARRAY_ROOM(hand->replies, hand->reply_count, hand->reply_cap);
    hand->replies[hand->reply_count++] =
        (struct work_reply){.call = call, .what = (uint8_t)what, .at = hand->answers.size, .size = w->size};
    hand->answers.size += w->size;
}

#define ALERT_MAP_BYTES_MAX 16384

void work_reply_alert(struct work_hand *hand, struct work_call *call, enum work_reply_what what,
                      const struct care_alert *alert, int64_t now, const struct work_shown *shown) {
    struct proto_writer w;
    writer_begin(hand, &w, ALERT_MAP_BYTES_MAX);
    care_render_alert(&w, alert, now, 3);
    proto_write_text(&w, "patient");
    proto_write_id(&w, shown->patient);
    proto_write_text(&w, "label");
    proto_write_text(&w, shown->label);
    proto_write_text(&w, "team");
    proto_write_text(&w, shown->team);
    writer_end(hand, &w, call, what);
}

void work_reply_found(struct work_hand *hand, struct work_call *call, const struct care_schedule *after, int64_t now,
                      const struct work_shown *shown) {
    const struct work_found *found = hand->found;
    struct care_view view;
    care_view(after, now, &view);
    for (uint32_t i = 0; i < found->opened_count; i++) {
        const struct care_alert *open = find_open(after, &view, &found->opened[i]);
        if (open)
            work_reply_alert(hand, call, WORK_REPLY_OPENED, open, now, shown);
    }
    for (uint32_t i = 0; i < found->settled_count; i++)
        if (!find_open(after, &view, &found->settled[i]))
            work_reply_alert(hand, call, WORK_REPLY_SETTLED, &found->settled[i], now, shown);
}

/* Takes the last reply back when the call has been told the very same about this child. */
static void say_once(struct work_hand *hand) {
    const struct work_reply *last = &hand->replies[hand->reply_count - 1];
    const uint8_t *answers = hand->answers.data;
    for (const struct work_reply *r = hand->replies + hand->job_replies; r < last; r++)
        if (r->call == last->call && r->what == last->what && r->size == last->size &&
            memcmp(answers + r->at, answers + last->at, last->size) == 0) {
            hand->answers.size = last->at;
            hand->reply_count--;
            return;
        }
}

void work_reply_resting(struct work_hand *hand, struct work_call *call, const struct proto_id *event,
                        const struct care_schedule *schedule, int64_t now, const struct work_shown *shown) {
    struct care_view view;
    care_view(schedule, now, &view);
    for (uint32_t i = 0; i < schedule->alert_count; i++) {
        const struct care_alert *alert = &schedule->alerts[i];
        bool rests = false;
        for (uint8_t e = 0; e < alert->evidence_count; e++)
            rests |= work_id_same(&alert->evidence[e], event);
        if (!rests || !view.alert_step[i])
            continue;
        work_reply_alert(hand, call, WORK_REPLY_OPENED, alert, now, shown);
        say_once(hand);
    }
}

void work_reply_status(struct work_hand *hand, struct work_call *call, const struct proto_id *shown,
                       const struct care_state *state, const struct care_schedule *schedule,
                       const struct care_context *context, int64_t now) {
    struct proto_writer w;
    writer_begin(hand, &w, PROTO_STATUS_BYTES_MAX);
    care_render_status(&w, shown, state, schedule, context, now);
    writer_end(hand, &w, call, WORK_REPLY_STATUS);
}

/* --- like events --------------------------------------------------------------------------------------- */

static void reply_like(struct work_hand *hand, struct work_call *call, const struct proto_id *event,
                       const struct proto_id *like, int64_t at) {
    struct proto_writer w;
    writer_begin(hand, &w, 256);
    proto_write_map(&w, 3);
    proto_write_text(&w, "event");
    proto_write_id(&w, event);
    proto_write_text(&w, "like");
    proto_write_id(&w, like);
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    writer_end(hand, &w, call, WORK_REPLY_ALIKE);
}

/* Two events that say of themselves that they are one happening, or that one stands for the other, need no pointing out. */
static bool paired(const struct work_event *a, const struct work_event *b) {
    return (a->has_same_as && work_id_same(&a->same_as, &b->id)) ||
           (b->has_same_as && work_id_same(&b->same_as, &a->id)) ||
           (a->has_replaces && work_id_same(&a->replaces, &b->id)) ||
           (b->has_replaces && work_id_same(&b->replaces, &a->id));
}

static bool near(const struct work_event *event, int64_t at) {
    return at >= event->at - PROTO_ALIKE_MS && at <= event->at + PROTO_ALIKE_MS;
}

static enum proto_error judge_like(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                   const struct work_event *event, const struct proto_id *other) {
    struct work_event facts;
    const struct proto_event *held;
    bool counted = false;
    enum proto_error error = work_fold_find_counted(fold, other, &held, &facts, &counted);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    if (!counted || paired(event, &facts))
        return PROTO_OK;
    struct work_reading *reading = fold->reading;
    error = work_event_load((struct store_bytes){event->bytes, event->size}, reading->arena, &reading->event, NULL);
    if (error == PROTO_OK && care_events_alike(&reading->event, held))
        reply_like(hand, call, &event->id, &facts.id, facts.at);
    return error;
}

static enum proto_error stored_alike(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                     const struct work_event *event) {
    uint8_t from[64];
    size_t from_size = work_history_key(&fold->root, event->at - PROTO_ALIKE_MS, from);
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error =
        store_scan_begin(fold->txn, STORE_HISTORY, fold->root.bytes, PROTO_ID_BYTES, from, from_size, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error != PROTO_OK || !near(event, row.at))
            break;
        if (row.kind == event->kind && row.stoma == event->stoma)
            error = judge_like(hand, call, fold, event, &row.event);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_reply_alike(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                  const struct work_event *event) {
    enum proto_error error = PROTO_OK;
    if (event->kind == PROTO_KIND_UNKNOWN)
        return PROTO_OK;
    for (uint32_t i = 0; i < fold->fresh_count && error == PROTO_OK; i++) {
        const struct work_event *other = fold->fresh[i];
        if (other->seq < event->seq && other->kind == event->kind && other->stoma == event->stoma &&
            near(event, other->at))
            error = judge_like(hand, call, fold, event, &other->id);
    }
    return error == PROTO_OK && fold->stored ? stored_alike(hand, call, fold, event) : error;
}

/* --- notes ----------------------------------------------------------------------------------------------- */

void work_reply_note(struct work_hand *hand, struct work_call *call, const struct proto_id *event, const char *field,
                     const char *message) {
    static_assert(CARE_NOTE_BYTES <= WORK_NOTE_BYTES, "a note fits");
    struct proto_writer w;
    writer_begin(hand, &w, 128 + WORK_NOTE_BYTES);
    proto_write_map(&w, 3);
    proto_write_text(&w, "event");
    proto_write_id(&w, event);
    proto_write_text(&w, "field");
    proto_write_text(&w, field);
    proto_write_text(&w, "message");
    proto_write_text(&w, message);
    writer_end(hand, &w, call, WORK_REPLY_NOTE);
    say_once(hand);
}

enum proto_error work_reply_notes(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                  const struct proto_id *event, const struct care_schedule *schedule, int64_t now) {
    struct work_event facts;
    const struct proto_event *held;
    struct care_note note;
    bool counted = false;
    uint32_t place = 0;
    enum proto_error error = work_fold_find_counted(fold, event, &held, &facts, &counted);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    while (counted && care_note_next(fold->state, schedule, held, now, &place, &note))
        work_reply_note(hand, call, event, note.field, note.message);
    return PROTO_OK;
}
