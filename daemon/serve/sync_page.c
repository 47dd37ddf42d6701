/*
 * sync_page.c - pages of what is new for a node: from a place in the log on, the events of the records that are in its scope
 * now, who comes whole and who has left.
 *
 * What always holds:
 *  - whoever has applied every page up to a cursor holds every event up to it of each record that was in scope at the end of
 *    them all, and no record that was not: what changes its team between two pages is told by a later one;
 *  - a page ends behind a row by which records came in. Those that are in scope now come whole, in as many parts as that takes;
 *    every part bears the page's cursor;
 *  - a page over an erasure says so: with the record went its merges, and who came or left by those is in no feed any more;
 *  - looking is bounded: a page may be empty and still have moved the cursor on.
 */
#include "proto/ids.h"
#include "serve/feeds.h"
#include "serve/sync.h"
#include "work/system.h"

#include <string.h>

#define ROWS_MAX 4096u   /* rows of the feed that one page looks at */
#define LEFT_MAX 1000u   /* records that one page names as left, and what one more row may add */
#define STATES_KEPT 512u /* of records, while a page is made */

struct kept_state {
    bool known;
    struct proto_id record;
    enum work_record_state state;
};

struct page {
    struct serve_request *r;
    struct serve_pages *pages;
    uint64_t end;             /* last seq that may be read */
    struct serve_feeds feeds; /* of the scope's teams; not for all teams: then the log itself is read */
    struct serve_events events;
    uint32_t left_count;
    struct proto_id left[LEFT_MAX + SERVE_ARRIVALS_MAX];
    struct kept_state states[STATES_KEPT];
    struct store_event stored;
};

/* ---- records ------------------------------------------------------------------------------------------- */

static enum proto_error state_of(struct page *page, const struct proto_id *record, enum work_record_state *state) {
    const uint8_t *b = record->bytes + PROTO_ID_BYTES - 4; /* of a version 7 id these are random */
    uint32_t hash = (uint32_t)b[0] << 24 | (uint32_t)b[1] << 16 | (uint32_t)b[2] << 8 | b[3];
    struct kept_state *kept = &page->states[hash % STATES_KEPT];
    if (!kept->known || proto_id_compare(&kept->record, record) != 0) {
        struct serve_request *r = page->r;
        enum proto_error error =
            work_record_state_get(r->serve->options.work, r->txn, &page->pages->scope, record, state);
        if (error != PROTO_OK)
            return error;
        *kept = (struct kept_state){true, *record, *state};
    }
    *state = kept->state;
    return PROTO_OK;
}

static bool is_among(const struct proto_id *list, uint32_t count, const struct proto_id *id) {
    for (uint32_t i = 0; i < count; i++)
        if (proto_id_compare(&list[i], id) == 0)
            return true;
    return false;
}

static enum proto_error note_arrived(struct page *page, const struct proto_id *record) {
    struct serve_pages *pages = page->pages;
    enum work_record_state state;
    enum proto_error error = state_of(page, record, &state);
    if (error != PROTO_OK || state != WORK_RECORD_IN || is_among(pages->arrived, pages->arrived_count, record))
        return error;
    if (pages->arrived_count == SERVE_ARRIVALS_MAX)
        return PROTO_CORRUPT;
    pages->arrived[pages->arrived_count++] = *record;
    return PROTO_OK;
}

static enum proto_error note_left(struct page *page, const struct proto_id *record) {
    enum work_record_state state;
    enum proto_error error = state_of(page, record, &state);
    /* of one that was erased the erasure itself tells */
    if (error != PROTO_OK || state == WORK_RECORD_IN || state == WORK_RECORD_ERASED ||
        is_among(page->left, page->left_count, record))
        return error;
    if (page->left_count ==
        sizeof page->left / sizeof page->left[0]) /* rows stop at LEFT_MAX, and no row has so many */
        return PROTO_CORRUPT;
    page->left[page->left_count++] = *record;
    return PROTO_OK;
}

/* ---- the feed -------------------------------------------------------------------------------------------- */

static enum proto_error on_mark(void *arg, enum work_feed_what what, const struct proto_id *record) {
    return what == WORK_FEED_ARRIVED ? note_arrived(arg, record) : note_left(arg, record);
}

/* The next seq of the feeds; the page's place moves to it. NOT_FOUND at the end. */
static enum proto_error next_seq(struct page *page) {
    uint64_t seq = page->pages->at.seq + 1;
    enum proto_error error = seq > page->end ? PROTO_NOT_FOUND : PROTO_OK;
    if (!page->pages->scope.all_teams)
        error = serve_feeds_next(&page->feeds, &seq, on_mark, page);
    if (error != PROTO_OK)
        return error;
    error = store_read_event(page->r->txn, seq, &page->stored);
    if (error == PROTO_NOT_FOUND)
        return PROTO_CORRUPT;
    if (error != PROTO_OK)
        return error;
    page->pages->at.seq = seq;
    memcpy(page->pages->at.chain, page->stored.chain, sizeof page->pages->at.chain);
    return PROTO_OK;
}

/* A record that this node gave up itself is gone for those below it too. */
static enum proto_error take_system(struct page *page) {
    struct work_system_row row;
    uint64_t settles;
    bool shown;
    enum proto_error error = work_system_read(page->stored.body, &row, NULL, &shown, &settles);
    return error == PROTO_OK && row.type == WORK_SYSTEM_LEFT && shown ? note_left(page, &row.record) : error;
}

static enum proto_error take_event(struct page *page) {
    struct serve_pages *pages = page->pages;
    enum work_record_state state = WORK_RECORD_IN;
    struct proto_id record = {{0}};
    bool is_event;
    if (work_entry_is_system(page->stored.body))
        return take_system(page);
    enum proto_error error = serve_event_record(page->r, &page->stored, &is_event, &record);
    if (error != PROTO_OK || !is_event)
        return error;
    if (is_among(pages->arrived, pages->arrived_count, &record))
        return PROTO_OK; /* it comes with its record */
    error = state_of(page, &record, &state);
    if (error == PROTO_OK && state == WORK_RECORD_IN)
        serve_events_add(&page->events, &page->stored);
    return error;
}

/* Rows until the page is full, somebody arrived, or there are no more: then the place is the log's end. */
static enum proto_error take_feed(struct page *page) {
    struct serve_pages *pages = page->pages;
    enum proto_error error = PROTO_OK;
    uint32_t rows = 0;
    while (error == PROTO_OK && pages->arrived_count == 0 && rows++ < ROWS_MAX && page->left_count < LEFT_MAX &&
           !serve_events_full(&page->events)) {
        error = next_seq(page);
        if (error == PROTO_OK)
            error = take_event(page);
    }
    if (error != PROTO_NOT_FOUND)
        return error;
    pages->at.seq = page->end;
    return work_cursor_at(page->r->serve->options.work, page->r->txn, page->end, &pages->at);
}

/* ---- records that come whole --------------------------------------------------------------------------------- */

static bool on_record_event(void *arg, const struct store_event *event) {
    struct page *page = arg;
    if (event->body.size > 0 && !work_entry_is_system(event->body))
        serve_events_add(&page->events, event);
    return !serve_events_full(&page->events);
}

static enum proto_error take_arrived(struct page *page) {
    struct serve_pages *pages = page->pages;
    struct serve_request *r = page->r;
    static_assert(SERVE_SYNC_RECORD_PART_BYTES + PROTO_EVENT_BYTES_MAX + (LEFT_MAX + SERVE_ARRIVALS_MAX) * 40 + 4096 <
                      PROTO_MESSAGE_BYTES_MAX,
                  "a part fits the answer");
    page->events.bytes_max = SERVE_SYNC_RECORD_PART_BYTES;
    while (pages->arrived_next < pages->arrived_count && !serve_events_full(&page->events)) {
        enum proto_error error = work_record_events(
            r->serve->options.work, r->txn, &pages->arrived[pages->arrived_next], &pages->place, on_record_event, page);
        if (error != PROTO_OK)
            return error;
        if (serve_events_full(&page->events)) /* there may be more of it */
            break;
        pages->arrived_next++;
        pages->place = (struct work_record_place){0};
    }
    return PROTO_OK;
}

/* ---- erasures ------------------------------------------------------------------------------------------------ */

static enum proto_error find_erasure(struct store_txn *txn, uint64_t after, uint64_t end, bool *found) {
    static const uint8_t prefix[1] = {WORK_SYSTEM_ERASED};
    uint8_t from[WORK_SYSTEM_KEY_BYTES], last[WORK_SYSTEM_KEY_BYTES];
    struct store_scan *scan = NULL;
    struct store_bytes key = {0}, value;
    work_system_key(WORK_SYSTEM_ERASED, after + 1, from);
    work_system_key(WORK_SYSTEM_ERASED, end, last);
    enum proto_error error =
        store_scan_begin(txn, STORE_SYSTEM, prefix, sizeof prefix, from, sizeof from, false, &scan);
    if (error == PROTO_OK)
        error = store_scan_next(scan, &key, &value);
    *found = error == PROTO_OK && key.size == sizeof last && memcmp(key.data, last, sizeof last) <= 0;
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* ---- the answer ------------------------------------------------------------------------------------------- */

static enum proto_error write_rest(struct page *page, size_t map) {
    struct serve_pages *pages = page->pages;
    struct proto_writer *w = page->r->w;
    bool within = pages->arrived_next < pages->arrived_count;
    proto_write_text(w, "cursor");
    proto_write_position(w, &pages->at);
    proto_write_text(w, "left");
    proto_write_array(w, page->left_count);
    for (uint32_t i = 0; i < page->left_count; i++)
        proto_write_id(w, &page->left[i]);
    proto_write_text(w, "more");
    proto_write_bool(w, within || pages->at.seq < page->end);
    proto_write_text(w, "seq");
    proto_write_int(w, (int64_t)work_log_seq(page->r->serve->options.work));
    if (within) {
        proto_write_text(w, "within");
        proto_write_bool(w, true);
    }
    if (pages->reset) {
        proto_write_text(w, "reset");
        proto_write_bool(w, true);
    }
    enum proto_error error = serve_at_write(page->r);
    proto_write_map_end(w, map, 6u + within + pages->reset);
    return error == PROTO_OK ? w->error : error;
}

static enum proto_error take_all(struct page *page) {
    enum proto_error error = PROTO_OK;
    if (page->pages->arrived_next == page->pages->arrived_count) {
        page->pages->arrived_next = page->pages->arrived_count = 0;
        const struct work_scope *scope = &page->pages->scope;
        uint64_t after = page->pages->at.seq;
        if (!scope->all_teams)
            error = serve_feeds_open(&page->feeds, page->r->txn, scope->teams, scope->team_count, page->pages->at.seq);
        if (error == PROTO_OK)
            error = take_feed(page);
        serve_feeds_close(&page->feeds);
        page->pages->reset = false;
        if (error == PROTO_OK && !scope->all_teams && after > 0)
            error = find_erasure(page->r->txn, after, page->pages->at.seq, &page->pages->reset);
    }
    return error == PROTO_OK && page->pages->arrived_count > 0 ? take_arrived(page) : error;
}

enum proto_error serve_page_write(struct serve_request *r, struct serve_pages *pages) {
    static struct page page; /* the loop's thread only */
    static struct serve_pages next;
    next = *pages;
    memset(&page, 0, sizeof page);
    page.r = r;
    page.pages = &next;
    page.end = store_txn_seq(r->txn);
    size_t map = proto_write_map_begin(r->w);
    serve_events_begin(r, &page.events);
    enum proto_error error = take_all(&page);
    serve_events_end(&page.events);
    if (error == PROTO_OK)
        error = write_rest(&page, map);
    if (error != PROTO_OK)
        return error;
    next.begun = true;
    *pages = next;
    return PROTO_OK;
}
