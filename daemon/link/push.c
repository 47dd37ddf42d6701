/*
 * push.c - our own log, offered to the upstream from link.pushed on, call by call.
 *
 * What always holds:
 *  - events of one recorded call go out in one offer;
 *  - answers are applied in the order in which the offers were sent, and link.pushed moves with them, never over an event
 *    without an answer: when one offer fails, what was said of those behind it is forgotten with it;
 *  - what came from above, has no body any more, or is an entry of this log's own is passed over.
 */
#include "link/internal.h"

static void free_offer(struct link_offer *offer) {
    free(offer->seqs);
    link_bytes_free(&offer->answer);
    *offer = (struct link_offer){0};
}

/* Numbers go on, so that what is still in flight finds nobody. */
static void drop_from(struct link_push *push, uint32_t first) {
    while (push->count > first)
        free_offer(&push->offers[--push->count]);
}

void link_push_reset(struct link *link) {
    struct link_push *push = &link->push;
    drop_from(push, 0);
    push->more = false;
    push->scanned = link->stored.pushed;
}

bool link_push_idle(const struct link *link) {
    return link->push.count == 0 && link->push.scanned >= work_log_seq(link->options.work);
}

bool link_is_ours(const struct link *link, const struct store_event *event) {
    if (event->body.size == 0 || work_entry_is_system(event->body))
        return false;
    if (proto_id_is_zero(&event->via))
        return true;
    for (uint32_t i = 0; i < link->stored.upstream_count; i++)
        if (proto_id_compare(&event->via, &link->stored.upstreams[i]) == 0)
            return false;
    return true;
}

enum proto_error link_waits(struct link *link, bool *waits) {
    struct store_txn *txn;
    enum proto_error error = store_read_begin(link->options.store, &txn);
    *waits = false;
    if (error != PROTO_OK)
        return error;
    uint64_t first = link->stored.pushed + 1, end = store_txn_seq(txn);
    for (uint64_t seq = first; seq <= end && error == PROTO_OK && !*waits; seq++) {
        struct store_event event;
        error = store_read_event(txn, seq, &event);
        *waits = error == PROTO_OK && (link_is_ours(link, &event) || seq - first >= LINK_SCAN_MAX);
    }
    store_read_end(txn);
    return error;
}

/* ---- an offer --------------------------------------------------------------------------------------------------------- */

struct proto_writer *link_offer_begin(struct link *link, struct store_txn *txn, bool cursor, size_t *mark) {
    struct proto_position place;
    bool has_place = work_cursor_at(link->options.work, txn, store_txn_seq(txn), &place) == PROTO_OK;
    cursor = cursor && link->stored.has_cursor;
    struct proto_writer *w = link_ask_begin(link, "offer");
    if (!w)
        return NULL;
    proto_write_map(w, 1u + has_place + cursor);
    if (has_place) {
        proto_write_text(w, "place");
        proto_write_position(w, &place);
    }
    if (cursor) {
        proto_write_text(w, "cursor");
        proto_write_position(w, &link->stored.cursor);
    }
    proto_write_text(w, "events");
    *mark = proto_write_array_begin(w);
    return w;
}

enum proto_error link_write_kept(struct store_txn *txn, struct proto_writer *w, const struct store_event *event,
                                 bool joined) {
    struct proto_kept kept = {.bytes = {(const char *)event->body.data, (uint32_t)event->body.size}, .joined = joined};
    enum proto_error error = store_read_receipt(txn, &event->id, &kept.received_at, kept.receipt);
    kept.has_receipt = error == PROTO_OK;
    if (error != PROTO_OK && error != PROTO_NOT_FOUND)
        return error;
    proto_write_kept(w, &kept);
    return PROTO_OK;
}

struct building {
    struct link *link;
    struct store_txn *txn;
    struct proto_writer *w;
    struct link_offer *offer;
    uint64_t call_seq; /* first entry of the call that is being written, */
    size_t call_size;  /* and where the offer stood before it */
    uint32_t call_count;
};

static void take_back(struct building *b, uint32_t count, size_t size, uint64_t end) {
    b->offer->count = count;
    b->offer->end = end;
    b->w->size = size;
    b->w->error = PROTO_OK;
}

/* Writes one event of ours; false: the offer ends before it, or before its call. */
static bool add_event(struct building *b, const struct store_event *event, enum proto_error *error) {
    size_t size = b->w->size;
    uint32_t count = b->offer->count;
    *error = count < LINK_OFFER_EVENTS ? link_write_kept(b->txn, b->w, event, count > b->call_count) : PROTO_OK;
    if (*error != PROTO_OK)
        return false;
    bool over = b->w->error != PROTO_OK || count == LINK_OFFER_EVENTS;
    if (b->call_count > 0 && (over || b->w->size > LINK_OFFER_BYTES)) {
        take_back(b, b->call_count, b->call_size, b->call_seq - 1);
        return false;
    }
    if (over) { /* no recorded call is so large; if one ever is, it goes out in parts */
        take_back(b, count, size, event->seq - 1);
        return false;
    }
    b->offer->seqs[b->offer->count++] = event->seq;
    return true;
}

/* Looks at entries from behind push->scanned on, at whole calls and no more than fit. */
static enum proto_error fill(struct building *b, uint64_t from, uint64_t end) {
    enum proto_error error = PROTO_OK;
    b->offer->end = from;
    for (uint64_t seq = from + 1; seq <= end; seq++) {
        struct store_event event;
        error = store_read_event(b->txn, seq, &event);
        if (error != PROTO_OK)
            break;
        if (!event.joined || seq == from + 1) {
            if (seq - from > LINK_SCAN_MAX || b->w->size >= LINK_OFFER_BYTES)
                break;
            b->call_seq = seq;
            b->call_size = b->w->size;
            b->call_count = b->offer->count;
        }
        if (link_is_ours(b->link, &event) && !add_event(b, &event, &error))
            break;
        b->offer->end = seq;
    }
    return error;
}

/* Builds the next offer, or passes over what is not ours. False: nothing more can be done now. */
static bool send_next(struct link *link, struct store_txn *txn, uint64_t end) {
    struct link_push *push = &link->push;
    struct link_offer *offer = &push->offers[push->count];
    size_t mark;
    struct building b = {.link = link, .txn = txn, .offer = offer, .w = link_offer_begin(link, txn, true, &mark)};
    if (!b.w)
        return false;
    *offer = (struct link_offer){.number = push->number, .seqs = malloc(LINK_OFFER_EVENTS * sizeof *offer->seqs)};
    if (!offer->seqs)
        return false;
    enum proto_error error = fill(&b, push->scanned, end);
    if (error != PROTO_OK) {
        free_offer(offer);
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
        return false;
    }
    push->scanned = offer->end;
    if (offer->count == 0) {
        free_offer(offer);
        return true;
    }
    proto_write_array_end(b.w, mark, offer->count);
    if (!link_ask_end(link, LINK_ASK_OFFER, push->number++)) {
        free_offer(offer);
        return false;
    }
    push->count++;
    return true;
}

void link_push_pump(struct link *link) {
    struct link_push *push = &link->push;
    struct store_txn *txn;
    uint64_t looked = push->scanned;
    push->more = false;
    if (push->count == LINK_OFFERS || push->scanned >= work_log_seq(link->options.work) || !link_apply_void(link) ||
        store_read_begin(link->options.store, &txn) != PROTO_OK)
        return;
    uint64_t end = store_txn_seq(txn);
    uint32_t generation = link->generation;
    while (push->count < LINK_OFFERS && push->scanned < end && push->scanned - looked < LINK_SCAN_MAX)
        if (!send_next(link, txn, end))
            break;
    store_read_end(txn);
    if (generation != link->generation)
        return;
    push->more = push->count < LINK_OFFERS && push->scanned < end && net_caller_has_room(&link->caller);
    if (push->count == 0 && push->scanned > link->stored.pushed)
        link->stored.pushed = push->scanned; /* nothing of ours up to there; stored with the next page */
}

/* ---- answers ------------------------------------------------------------------------------------------------------------ */

/* Not all of it was answered: the rest is offered again, and what was sent behind it too, so that answers stay in order. */
static void cut_short(struct link_push *push, uint32_t at, uint32_t count) {
    struct link_offer *offer = &push->offers[at];
    drop_from(push, at + 1);
    offer->count = count;
    offer->end = push->scanned = offer->seqs[count] - 1;
}

void link_push_answered(struct link *link, uint32_t number, const struct net_answer *answer) {
    struct link_push *push = &link->push;
    struct link_list results;
    uint64_t seq;
    uint32_t at = 0;
    while (at < push->count && push->offers[at].number != number)
        at++;
    if (at == push->count)
        return;
    struct link_offer *offer = &push->offers[at];
    if (!link_read_results(answer->result, &results, &seq) || results.count == 0 || results.count > offer->count) {
        link_malformed(link, "it does not say what came of each event offered");
        return;
    }
    if (seq > link->upstream_seq)
        link->upstream_seq = seq;
    struct link_bytes kept = link_keep(link, answer);
    if (kept.data) {
        offer->has_seen = link_read_at(answer->result, &offer->seen);
        offer->answer = kept;
        offer->answered = true;
        if (results.count < offer->count)
            cut_short(push, at, results.count);
    }
}

void link_push_apply(struct link *link) {
    struct link_push *push = &link->push;
    if (push->count == 0 || !push->offers[0].answered)
        return;
    struct link_offer *offer = &push->offers[0];
    struct work_call *call = link_apply_begin(link, LINK_APPLY_OFFER, link->stored.pushed);
    if (!call || !link_apply_results(link, call, offer->seqs, offer->count, &offer->answer))
        return;
    link->apply.pushed = offer->end;
    link->apply.has_seen = offer->has_seen;
    link->apply.seen = offer->seen;
    link_apply_submit(link, call);
}

void link_push_applied(struct link *link) {
    struct link_push *push = &link->push;
    assert(push->count > 0 && push->offers[0].answered);
    free_offer(&push->offers[0]);
    memmove(push->offers, push->offers + 1, (LINK_OFFERS - 1) * sizeof *push->offers);
    push->offers[LINK_OFFERS - 1] = (struct link_offer){0};
    push->count--;
    if (push->count == 0 && push->scanned > link->stored.pushed)
        link->stored.pushed = push->scanned;
}
