/*
 * changes.c - what a follower is sent: the log, or the feeds of its teams, from its place on, a window at a time.
 *
 * What always holds:
 *  - every event behind the place is sent once, in the order of seq, and the cursor of a change never runs ahead of what was
 *    sent: a change that belongs to a seq and is not the last of it carries none;
 *  - statuses are those of the moment, sent before the cursor that covers what they follow from, so that nobody misses one by
 *    losing the connection in between;
 *  - a status or an event goes only to who follows a team that the child is in, or just left.
 */
#include "proto/ids.h"
#include "serve/feeds.h"
#include "work/system.h"

#include <string.h>

#define WINDOW_SEQS 256u    /* read in one turn */
#define WINDOW_CHILDREN 16u /* whose statuses are sent in one turn */
#define SCANNED_MS 1000     /* a filtered feed without news tells at most this often how far it is, */
#define SILENCE_MS 30000    /* and any at least this often that it is still there */
#define RECORDS_MAX 256u    /* records that one seq can move: a super class holds fewer */

/* One seq of the feed, of all followed teams together. */
struct seq_news {
    uint64_t seq;
    uint32_t arrived_count, left_count;
    struct proto_id arrived[RECORDS_MAX], left[RECORDS_MAX];
};

struct window {
    struct serve *serve;
    struct serve_follow *follow;
    struct store_txn *txn;
    uint64_t end;                              /* last seq that may be read */
    struct serve_feeds feeds;                  /* of the followed teams */
    struct proto_id children[WINDOW_CHILDREN]; /* whose statuses are wanted */
    uint32_t child_count;
    bool reset;    /* a policy or a recall: any status may have changed */
    uint64_t last; /* the window ends here */
    bool is_event; /* the entry in hand: not this node's own, and its body is still there */
    struct proto_event event;
    struct store_event stored;
    struct seq_news news;
};

/* ---- reading the feeds ------------------------------------------------------------------------------ */

static enum proto_error note_record(struct proto_id *list, uint32_t *count, const struct proto_id *id) {
    for (uint32_t i = 0; i < *count; i++)
        if (proto_id_compare(&list[i], id) == 0)
            return PROTO_OK;
    if (*count == RECORDS_MAX)
        return PROTO_CORRUPT;
    list[(*count)++] = *id;
    return PROTO_OK;
}

static enum proto_error on_mark(void *arg, enum work_feed_what what, const struct proto_id *record) {
    struct window *w = arg;
    return what == WORK_FEED_ARRIVED ? note_record(w->news.arrived, &w->news.arrived_count, record)
                                     : note_record(w->news.left, &w->news.left_count, record);
}

/* A record that this node gave up itself, as one that it does not serve any more, is gone for whoever follows it too. */
static enum proto_error read_own(struct window *w) {
    struct work_system_row row;
    uint64_t settles;
    bool shown;
    enum proto_error error = work_system_read(w->stored.body, &row, NULL, &shown, &settles);
    if (error == PROTO_OK && row.type == WORK_SYSTEM_LEFT && shown) /* of several parts, the first */
        error = note_record(w->news.left, &w->news.left_count, &row.record);
    return error;
}

static enum proto_error read_entry(struct window *w) {
    enum proto_error error = store_read_event(w->txn, w->news.seq, &w->stored);
    w->is_event = false;
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (work_entry_is_system(w->stored.body))
        return read_own(w);
    if (w->stored.body.size == 0)
        return PROTO_OK;
    w->is_event = true;
    proto_arena_clear(w->serve->arena);
    return proto_event_decode(w->stored.body.data, w->stored.body.size, w->serve->arena, &w->event);
}

/* The next seq that is theirs, with its event. NOT_FOUND at the end. */
static enum proto_error next_seq(struct window *w, uint64_t before) {
    enum proto_error error = PROTO_OK;
    w->news.arrived_count = w->news.left_count = 0;
    if (w->follow->all) {
        w->news.seq = before + 1;
        error = before >= w->end ? PROTO_NOT_FOUND : PROTO_OK;
    } else {
        error = serve_feeds_next(&w->feeds, &w->news.seq, on_mark, w);
    }
    return error == PROTO_OK ? read_entry(w) : error;
}

/* ---- sending ------------------------------------------------------------------------------------------ */

static void begin_change(struct window *w, struct proto_writer *out, uint32_t pairs) {
    proto_writer_init(out, w->serve->answer, PROTO_MESSAGE_BYTES_MAX);
    proto_write_notification(out, "change");
    proto_write_map(out, pairs);
}

static void send(struct window *w, const struct proto_writer *out) {
    struct serve *serve = w->serve;
    int64_t now = serve->options.steady_ms(serve->options.clock_arg);
    assert(out->error == PROTO_OK); /* an event, a status and a list of records all fit a message */
    net_session_push(w->follow->session, out->bytes, out->size, now);
    w->follow->told_at = now;
    serve->pushed++;
}

static void write_cursor(struct window *w, struct proto_writer *out) {
    proto_write_text(out, "cursor");
    proto_write_position(out, &w->follow->at);
    w->follow->told_seq = w->follow->at.seq;
}

static void send_mark(struct window *w, const char *mark, const struct proto_id *records, uint32_t count, bool last) {
    struct proto_writer out;
    begin_change(w, &out, 1u + (records != NULL) + last);
    proto_write_text(&out, "mark");
    proto_write_text(&out, mark);
    if (records) {
        proto_write_text(&out, "patients");
        proto_write_array(&out, count);
        for (uint32_t i = 0; i < count; i++)
            proto_write_id(&out, &records[i]);
    }
    if (last)
        write_cursor(w, &out);
    send(w, &out);
}

static void send_event(struct window *w, bool last) {
    struct proto_writer out;
    bool came_through = !proto_id_is_zero(&w->stored.via);
    begin_change(w, &out, 1u + last);
    proto_write_text(&out, "event");
    proto_write_event(&out, &w->event, 2u + came_through);
    proto_write_text(&out, "seq");
    proto_write_int(&out, (int64_t)w->stored.seq);
    proto_write_text(&out, "received_at");
    proto_write_int(&out, w->stored.received_at);
    if (came_through) {
        proto_write_text(&out, "via");
        proto_write_id(&out, &w->stored.via);
    }
    if (last)
        write_cursor(w, &out);
    send(w, &out);
}

/* Who arrives, the event, who leaves; the last of them carries the cursor. */
static void send_news(struct window *w) {
    const struct seq_news *news = &w->news;
    struct serve_follow *follow = w->follow;
    follow->at.seq = news->seq;
    memcpy(follow->at.chain, w->stored.chain, sizeof follow->at.chain);
    bool sends_event = follow->events && w->is_event;
    if (news->arrived_count)
        send_mark(w, "arrived", news->arrived, news->arrived_count, !sends_event && !news->left_count);
    if (sends_event)
        send_event(w, !news->left_count);
    if (news->left_count)
        send_mark(w, "left", news->left, news->left_count, true);
}

static bool may_see(const struct window *w, const char *team) {
    for (uint32_t i = 0; i < w->follow->team_count; i++)
        if (strcmp(w->follow->teams[i], team) == 0)
            return true;
    return w->follow->all;
}

static enum proto_error send_status(struct window *w, const struct proto_id *patient) {
    struct serve *serve = w->serve;
    struct proto_writer out, status;
    int64_t now = serve->options.wall_ms(serve->options.clock_arg);
    enum proto_error error = work_child_get(serve->options.work, w->txn, patient, now, serve->child);
    if (error == PROTO_UNKNOWN_PATIENT) /* known by its events, and not registered */
        return PROTO_OK;
    if (error != PROTO_OK || !may_see(w, serve->child->schedule.team))
        return error;
    proto_writer_init(&status, serve->status, PROTO_STATUS_BYTES_MAX);
    care_render_status(&status, &serve->child->shown, &serve->child->state, &serve->child->schedule,
                       &serve->child->context, now);
    if (status.error != PROTO_OK)
        return status.error;
    begin_change(w, &out, 1);
    proto_write_text(&out, "status");
    proto_write_raw(&out, status.bytes, status.size);
    send(w, &out);
    return PROTO_OK;
}

/* ---- windows --------------------------------------------------------------------------------------------- */

/* Notes whose statuses the window touches. False: there is no room for one more, the window ends before it. */
static bool note_child(struct window *w) {
    if (!w->is_event)
        return true;
    if (!w->event.has_patient) {
        w->reset |= w->event.kind == PROTO_KIND_policy_adopted || w->event.kind == PROTO_KIND_lot_recalled;
        return true;
    }
    for (uint32_t i = 0; i < w->child_count; i++)
        if (proto_id_compare(&w->children[i], &w->event.patient) == 0)
            return true;
    if (w->child_count == WINDOW_CHILDREN)
        return false;
    w->children[w->child_count++] = w->event.patient;
    return true;
}

/* How far the window goes, when statuses are wanted: they come before its events. */
static enum proto_error measure(struct window *w) {
    uint64_t seq = w->follow->at.seq;
    enum proto_error error = PROTO_OK;
    w->last = UINT64_MAX;
    for (uint32_t i = 0; w->follow->statuses && i < WINDOW_SEQS && error == PROTO_OK; i++) {
        error = next_seq(w, seq);
        if (error == PROTO_OK && !note_child(w)) {
            w->last = seq;
            break;
        }
        seq = w->news.seq;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error send_statuses(struct window *w) {
    enum proto_error error = PROTO_OK;
    if (w->reset)
        send_mark(w, "reset", NULL, 0, false);
    for (uint32_t i = 0; i < w->child_count && error == PROTO_OK; i++)
        error = send_status(w, &w->children[i]);
    return error;
}

/* Tells how far it is when that is news: nothing of theirs came for a while, or nothing at all. */
static void tell_scanned(struct window *w) {
    struct serve *serve = w->serve;
    int64_t now = serve->options.steady_ms(serve->options.clock_arg);
    bool behind = w->follow->told_seq != w->follow->at.seq;
    if (!(behind && now >= w->follow->scanned_at + SCANNED_MS) && now < w->follow->told_at + SILENCE_MS)
        return;
    send_mark(w, "scanned-to", NULL, 0, true);
    w->follow->scanned_at = now;
}

/* At least one seq, so that statuses that fill the room are not sent again and again without getting on. */
static enum proto_error send_some(struct window *w) {
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < WINDOW_SEQS && error == PROTO_OK; i++) {
        bool stop = w->follow->at.seq >= w->last || (i > 0 && !net_session_can_push(w->follow->session));
        if (stop) /* what is behind `last` has statuses that were not sent yet */
            break;
        error = next_seq(w, w->follow->at.seq);
        if (error == PROTO_OK)
            send_news(w);
    }
    return error;
}

static enum proto_error send_window(struct window *w, bool *more) {
    enum proto_error error = send_some(w);
    *more = error == PROTO_OK;
    if (error == PROTO_NOT_FOUND) {
        error = store_read_chain(w->txn, w->end, w->follow->at.chain);
        w->follow->at.seq = w->end;
    }
    if (error != PROTO_OK)
        return error;
    if (w->child_count && !w->follow->events && w->follow->told_seq != w->follow->at.seq)
        send_mark(w, "scanned-to", NULL, 0, true); /* the statuses that were sent are covered */
    else if (!*more)
        tell_scanned(w);
    return PROTO_OK;
}

static enum proto_error open_window(struct window *w) {
    const struct serve_follow *follow = w->follow;
    if (follow->all)
        return PROTO_OK;
    return serve_feeds_open(&w->feeds, w->txn, (const char(*)[44])follow->teams, follow->team_count, follow->at.seq);
}

static void close_window(struct window *w) {
    serve_feeds_close(&w->feeds);
}

static enum proto_error run_window(struct window *w, bool *more) {
    enum proto_error error = PROTO_OK;
    if (w->follow->statuses) {
        error = open_window(w);
        if (error == PROTO_OK)
            error = measure(w);
        if (error == PROTO_OK)
            error = send_statuses(w);
        close_window(w);
    } else {
        w->last = UINT64_MAX;
    }
    if (error == PROTO_OK)
        error = open_window(w);
    if (error == PROTO_OK)
        error = send_window(w, more);
    close_window(w);
    return error;
}

enum proto_error serve_send_changes(struct serve *serve, struct serve_follow *follow, bool *more) {
    static struct window w; /* the loop's thread only */
    w = (struct window){.serve = serve, .follow = follow};
    enum proto_error error = store_read_begin(serve->options.store, &w.txn);
    if (error != PROTO_OK)
        return error;
    w.end = store_txn_seq(w.txn);
    if (follow->at.seq < w.end)
        error = run_window(&w, more);
    else if (follow->at.seq == w.end)
        tell_scanned(&w);
    store_read_end(w.txn);
    return error;
}
