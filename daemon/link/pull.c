/*
 * pull.c - pages of what is new at the upstream, from the stored cursor on, asked for ahead and applied one by one.
 *
 * What always holds:
 *  - a page is applied whole, in one call with the cursor behind it, and only after the page before it was;
 *  - a page that lets a record go while events of it wait to go out is not applied: those go first, then all is asked for
 *    again from the stored cursor;
 *  - so much is held as LINK_HELD_BYTES_MAX, save for one page in parts that is larger by itself.
 */
#include "link/internal.h"

static struct link_part *part_of(struct link *link, uint32_t number) {
    return &link->pull.parts[number % LINK_PARTS];
}

static void drop_parts(struct link *link, uint32_t count) {
    struct link_pull *pull = &link->pull;
    for (; count > 0; count--) {
        struct link_part *part = part_of(link, pull->head++);
        pull->held_bytes -= part->answer.size;
        link_bytes_free(&part->answer);
        *part = (struct link_part){0};
    }
}

/* Numbers go on, so that what is still in flight finds nobody. */
static void restart(struct link_pull *pull) {
    pull->ordered = pull->head = pull->tail;
    pull->in_flight = 0;
    pull->need_fetch = true;
    pull->first_pending = pull->ended = pull->polling = false;
    pull->poll_at = 0;
}

void link_pull_reset(struct link *link) {
    drop_parts(link, link->pull.tail - link->pull.head);
    restart(&link->pull);
    link->pull.begun = link->pull.wait_push = false;
}

void link_pull_conflict(struct link *link) {
    if (link_push_idle(link)) { /* for no reason that is known here: not at once again */
        link_again(link, LINK_RETRY_MS, "What the upstream says has left could not go just now.");
        return;
    }
    drop_parts(link, link->pull.tail - link->pull.head);
    restart(&link->pull);
    link->pull.wait_push = true;
}

bool link_pull_idle(const struct link *link) {
    const struct link_pull *pull = &link->pull;
    bool only_asking = pull->polling && pull->first_pending;
    return pull->begun && !pull->wait_push && link->apply.what != LINK_APPLY_PAGE &&
           (only_asking || (pull->ended && pull->head == pull->tail));
}

/* ---- asking ---------------------------------------------------------------------------------------------------------- */

static void asked(struct link *link) {
    link->pull.tail++;
    link->pull.in_flight++;
}

static bool fetch(struct link *link) {
    struct link_pull *pull = &link->pull;
    const struct link_stored *stored = &link->stored;
    struct proto_writer *w = link_ask_begin(link, "fetch");
    if (!w)
        return false;
    /* Once the cursor has passed it on the same log, the cursor says as much. */
    bool seen = stored->has_seen && !(stored->has_cursor && stored->seen.seq <= stored->cursor.seq &&
                                      proto_id_compare(&stored->seen.log, &stored->cursor.log) == 0);
    proto_write_map(w, 1u + stored->has_cursor + seen);
    if (seen) {
        proto_write_text(w, "seen");
        proto_write_position(w, &stored->seen);
    }
    if (stored->has_cursor) {
        proto_write_text(w, "after");
        proto_write_position(w, &stored->cursor);
    }
    link_write_scope(&link->scope, w);
    if (!link_ask_end(link, LINK_ASK_PAGE, pull->tail))
        return false;
    asked(link);
    pull->need_fetch = false;
    pull->first_pending = true;
    pull->ended = false;
    return true;
}

static bool fetch_next(struct link *link) {
    struct proto_writer *w = link_ask_begin(link, "fetch");
    if (!w)
        return false;
    proto_write_map(w, 1);
    proto_write_text(w, "next");
    proto_write_bool(w, true);
    if (!link_ask_end(link, LINK_ASK_PAGE, link->pull.tail))
        return false;
    asked(link);
    return true;
}

/* The page at the head is not whole, so that nothing can be applied until more of it came. */
static bool head_waits(struct link *link) {
    struct link_pull *pull = &link->pull;
    for (uint32_t i = pull->head; i != pull->ordered; i++)
        if (!part_of(link, i)->within)
            return false;
    return true;
}

static bool may_ask_next(struct link *link) {
    struct link_pull *pull = &link->pull;
    size_t more = (size_t)(pull->in_flight + 1) * PROTO_NODE_MESSAGE_BYTES_MAX;
    if (pull->first_pending || pull->ended || pull->need_fetch || link_calls(link) >= LINK_WINDOW ||
        pull->tail - pull->head >= LINK_PARTS)
        return false;
    return pull->held_bytes + more <= LINK_HELD_BYTES_MAX || (pull->in_flight == 0 && head_waits(link));
}

void link_pull_pump(struct link *link) {
    struct link_pull *pull = &link->pull;
    if (pull->wait_push && link_push_idle(link))
        pull->wait_push = false;
    if (pull->wait_push)
        return;
    bool rests = pull->ended && pull->head == pull->tail && link->apply.what != LINK_APPLY_PAGE;
    if (rests && pull->poll_at == 0) {
        link_well(link);
        pull->poll_at = link_now(link) + link->options.poll_ms;
    }
    if (link_check_busy(link))
        return;
    if (pull->need_fetch || (rests && link_now(link) >= pull->poll_at)) {
        pull->polling = rests;
        if (fetch(link))
            pull->poll_at = 0;
        return;
    }
    while (may_ask_next(link))
        if (!fetch_next(link))
            return;
}

/* ---- answers ---------------------------------------------------------------------------------------------------------- */

static void order(struct link *link) {
    struct link_pull *pull = &link->pull;
    while (pull->ordered != pull->tail && part_of(link, pull->ordered)->answered) {
        const struct link_part *part = part_of(link, pull->ordered++);
        pull->ended = !part->within && !part->more;
        if (pull->ended)
            link->upstream_seq = part->seq;
    }
}

void link_pull_answered(struct link *link, uint32_t number, const struct net_answer *answer) {
    struct link_pull *pull = &link->pull;
    struct link_page page;
    if (number - pull->head >= pull->tail - pull->head || part_of(link, number)->answered)
        return;
    if (!link_read_page(answer->result, &page)) {
        link_malformed(link, "a page has no cursor or no events");
        return;
    }
    struct link_part *part = part_of(link, number);
    struct link_part made = {.answered = true,
                             .within = page.within,
                             .more = page.more,
                             .empty = page.events.count == 0 && page.left.count == 0 && !page.reset,
                             .reset = page.reset,
                             .has_seen = page.has_at,
                             .seq = page.seq,
                             .cursor = page.cursor,
                             .seen = page.at};
    if (!made.empty) {
        made.answer = link_keep(link, answer);
        if (!made.answer.data)
            return;
    }
    *part = made;
    pull->held_bytes += made.answer.size;
    pull->in_flight--;
    pull->begun = true;
    if (pull->first_pending)
        pull->first_pending = false;
    order(link);
    if (pull->tail - pull->head == LINK_PARTS && pull->ordered == pull->tail && head_waits(link))
        link_drop(link, true, "One page of the upstream comes in more parts than can be held.");
}

/* ---- applying ---------------------------------------------------------------------------------------------------------- */

/* Parts of the page at the head; 0 when it is not whole yet. */
static uint32_t whole_page(struct link *link, bool *empty) {
    struct link_pull *pull = &link->pull;
    *empty = true;
    for (uint32_t i = pull->head; i != pull->ordered; i++) {
        *empty = *empty && part_of(link, i)->empty;
        if (!part_of(link, i)->within)
            return i - pull->head + 1;
    }
    return 0;
}

static bool add_part(struct link *link, struct work_call *call, const struct link_part *part) {
    struct link_page page;
    const void *result = link_kept_result(link, &part->answer);
    if (!result || !link_read_page(result, &page)) {
        link_apply_give_up(link, call);
        link_again(link, LINK_RETRY_MS, "There is no memory for what the upstream answered.");
        return false;
    }
    if (!link_apply_events(link, call, &page.events))
        return false;
    for (uint32_t i = 0; i < page.left.count; i++) {
        struct proto_id record;
        if (!link_read_id(&page.left, i, &record)) {
            link_apply_give_up(link, call);
            link_malformed(link, "what left is not named by ids");
            return false;
        }
        work_sync_leave(call, &record);
    }
    return true;
}

static bool same_place(const struct proto_position *a, const struct proto_position *b) {
    return a->seq == b->seq && proto_id_compare(&a->log, &b->log) == 0 &&
           memcmp(a->chain, b->chain, sizeof a->chain) == 0;
}

/* A cursor that moved over nothing of ours need not be stored each time. */
static bool pass_over(struct link *link, const struct proto_position *cursor) {
    struct link_stored *stored = &link->stored;
    if (!stored->has_cursor || !stored->teams_match)
        return false;
    if (!same_place(&stored->cursor, cursor) && link_now(link) - link->pull.cursor_stored_at >= LINK_CURSOR_MS)
        return false;
    stored->cursor = *cursor;
    return true;
}

void link_pull_apply(struct link *link) {
    struct link_pull *pull = &link->pull;
    uint32_t count;
    bool empty;
    while (!pull->wait_push && (count = whole_page(link, &empty)) > 0) {
        const struct proto_position cursor = part_of(link, pull->head + count - 1)->cursor;
        if (empty && link->apply.what != LINK_APPLY_PAGE && pass_over(link, &cursor)) {
            drop_parts(link, count);
            continue;
        }
        struct work_call *call = link_apply_begin(link, LINK_APPLY_PAGE, link->stored.pushed);
        if (!call)
            return;
        for (uint32_t i = 0; i < count; i++)
            if (part_of(link, pull->head + i)->has_seen)
                link_see(&link->apply.seen, &link->apply.has_seen, &part_of(link, pull->head + i)->seen);
        for (uint32_t i = 0; i < count; i++)
            if (!part_of(link, pull->head + i)->empty && !add_part(link, call, part_of(link, pull->head + i)))
                return;
        link->apply.resets = part_of(link, pull->head + count - 1)->reset;
        drop_parts(link, count);
        link->apply.has_cursor = true;
        link->apply.cursor = cursor;
        link_apply_submit(link, call);
    }
}
