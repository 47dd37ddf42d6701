/*
 * compare.c - two logs that share no place: record by record by digest, until both hold the same.
 *
 * The upstream was put back to an earlier state, or replaced; or this node's scope is another one; or it recorded before it
 * had an upstream. Its records in our scope come by id, page by page, and are walked along with our own. What differs is
 * made even (even.c), a few records at a time. A cut begins it anew: what was made even stays so.
 *
 * What always holds:
 *  - in memory there is one page of theirs, at most LINK_TODO records of it that differ (and what one step adds), and
 *    LINK_WINDOW records in the making;
 *  - the cursor becomes the one of the first answer, at the end, so that what happened meanwhile comes by the feed;
 *  - nothing is removed here but a record that the upstream says is not for us, after it has all that we hold of it.
 */
#include "link/internal.h"

static void free_page(struct link_compare *compare) {
    free(compare->theirs);
    compare->theirs = NULL;
    compare->theirs_count = compare->theirs_at = 0;
    compare->page_here = compare->here_ended = false;
}

void link_compare_reset(struct link *link) {
    struct link_compare *compare = &link->compare;
    for (uint32_t i = 0; i < LINK_WINDOW; i++)
        link_even_reset(&compare->evens[i]);
    free_page(compare);
    free(compare->todo);
    *compare = (struct link_compare){0};
}

void link_compare_begin(struct link *link) {
    link->generation++; /* what is in flight, or in work/, was begun for a feed that is no more */
    link_push_reset(link);
    link_pull_reset(link);
    link_compare_reset(link);
    link_check_reset(link);
    link->compare.on = true;
}

/* ---- their page ------------------------------------------------------------------------------------------------------- */

static void ask_page(struct link *link) {
    struct link_compare *compare = &link->compare;
    struct proto_writer *w = link_ask_begin(link, "digest");
    if (!w)
        return;
    proto_write_map(w, 1u + (compare->token[0] != '\0'));
    link_write_scope(&link->scope, w);
    if (compare->token[0]) {
        proto_write_text(w, "after");
        proto_write_text(w, compare->token);
    }
    compare->asked = link_ask_end(link, LINK_ASK_DIGEST, 0);
}

/* Rows with ids that grow, from behind the page before. */
static bool read_rows(struct link_compare *compare, const struct link_list *records) {
    for (uint32_t i = 0; i < records->count; i++) {
        struct link_digest_row *row = &compare->theirs[i];
        if (!link_read_digest_row(records, i, false, row))
            return false;
        if (i > 0 && proto_id_compare(&row->record, &compare->theirs[i - 1].record) <= 0)
            return false;
        if (i == 0 && compare->has_walked && proto_id_compare(&row->record, &compare->walked) <= 0)
            return false;
    }
    return true;
}

void link_compare_digest(struct link *link, const void *result) {
    struct link_compare *compare = &link->compare;
    struct link_digest_page page;
    if (!compare->on || !compare->asked)
        return;
    compare->asked = false;
    /* A page may be empty and still have moved on: so many records there are of other teams. */
    if (!link_read_digest(result, &page) || (!compare->has_cursor && !page.has_cursor) ||
        (page.token[0] && page.rows.count == 0 && strcmp(page.token, compare->token) == 0)) {
        link_malformed(link, "a page of digests has no cursor, or leads to itself");
        return;
    }
    compare->theirs = calloc(page.rows.count + 1u, sizeof *compare->theirs);
    if (!compare->theirs) {
        link_again(link, LINK_RETRY_MS, "There is no memory to compare with the upstream.");
        return;
    }
    if (!read_rows(compare, &page.rows)) {
        link_malformed(link, "a page of digests is not in order");
        return;
    }
    if (!compare->has_cursor)
        compare->cursor = page.cursor;
    compare->has_cursor = compare->page_here = true;
    compare->theirs_count = page.rows.count;
    compare->page_last = page.token[0] == '\0';
    memcpy(compare->token, page.token, sizeof compare->token);
}

/* ---- walking along ------------------------------------------------------------------------------------------------------ */

struct walking {
    struct link *link;
    struct store_txn *txn;
    enum proto_error error;
    bool stopped;
};

static void add_todo(struct walking *walking, const struct proto_id *record, enum link_differs differs) {
    struct link_compare *compare = &walking->link->compare;
    if (compare->todo_count == compare->todo_cap) {
        uint32_t cap = compare->todo_cap ? compare->todo_cap * 2 : LINK_TODO;
        struct link_todo *grown = realloc(compare->todo, cap * sizeof *grown);
        if (!grown) {
            walking->error = PROTO_BUSY;
            return;
        }
        compare->todo = grown;
        compare->todo_cap = cap;
    }
    compare->todo[compare->todo_count++] = (struct link_todo){.record = *record, .differs = (uint8_t)differs};
}

/* Rows of theirs before `record` (NULL: all of them) that are not here. False: enough for now. */
static bool take_theirs(struct walking *walking, const struct proto_id *record) {
    struct link_compare *compare = &walking->link->compare;
    while (compare->theirs_at < compare->theirs_count && walking->error == PROTO_OK) {
        const struct link_digest_row *row = &compare->theirs[compare->theirs_at];
        if (record && proto_id_compare(&row->record, record) >= 0)
            return true;
        if (compare->todo_count >= LINK_TODO)
            return false;
        if (row->count > 0)
            add_todo(walking, &row->record, LINK_DIFFERS_THERE);
        compare->walked = row->record;
        compare->has_walked = true;
        compare->theirs_at++;
    }
    return walking->error == PROTO_OK;
}

static bool walk_own(void *arg, const struct proto_id *record) {
    struct walking *walking = arg;
    struct link_compare *compare = &walking->link->compare;
    struct work_digest own;
    walking->stopped = true;
    if (!take_theirs(walking, record) || compare->todo_count >= LINK_TODO)
        return false;
    bool both = compare->theirs_at < compare->theirs_count &&
                proto_id_compare(&compare->theirs[compare->theirs_at].record, record) == 0;
    if (!both && compare->theirs_at == compare->theirs_count && !compare->page_last) {
        compare->here_ended = true; /* it belongs to the next page */
        return false;
    }
    walking->error = work_digest_get(walking->txn, record, &own);
    if (walking->error != PROTO_OK)
        return false;
    if (both) {
        const struct link_digest_row *row = &compare->theirs[compare->theirs_at++];
        if (row->count != own.count || memcmp(row->sum, own.sum, sizeof own.sum) != 0)
            add_todo(walking, record, own.count ? LINK_DIFFERS_BOTH : LINK_DIFFERS_THERE);
    } else if (own.count > 0) {
        add_todo(walking, record, LINK_DIFFERS_HERE);
    }
    compare->walked = *record;
    compare->has_walked = true;
    walking->stopped = walking->error != PROTO_OK;
    return !walking->stopped;
}

static void walk(struct link *link) {
    struct link_compare *compare = &link->compare;
    struct walking walking = {.link = link};
    if (store_read_begin(link->options.store, &walking.txn) != PROTO_OK) {
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
        return;
    }
    compare->todo_count = compare->todo_at = 0;
    struct proto_id after = compare->walked;
    enum proto_error error = work_records_each(walking.txn, compare->has_walked ? &after : NULL, walk_own, &walking);
    if (error == PROTO_OK)
        error = walking.error;
    if (error == PROTO_OK && !walking.stopped) { /* no more records here */
        compare->here_ended = take_theirs(&walking, NULL);
        error = walking.error;
    }
    store_read_end(walking.txn);
    if (error != PROTO_OK)
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
}

/* ---- what is only here -------------------------------------------------------------------------------------------------- */

static void ask_states(struct link *link) {
    struct link_compare *compare = &link->compare;
    uint32_t count = 0;
    for (uint32_t i = compare->todo_at; i < compare->todo_count && count < LINK_DIGEST_IDS; i++)
        if (compare->todo[i].differs == LINK_DIFFERS_HERE && !compare->todo[i].asked)
            compare->states[count++] = i;
    struct proto_writer *w = count && !compare->states_asked ? link_ask_begin(link, "digest") : NULL;
    if (!w)
        return;
    proto_write_map(w, 1);
    proto_write_text(w, "records");
    proto_write_array(w, count);
    for (uint32_t i = 0; i < count; i++)
        proto_write_id(w, &compare->todo[compare->states[i]].record);
    compare->states_count = count;
    compare->states_asked = link_ask_end(link, LINK_ASK_STATES, 0);
}

void link_compare_states(struct link *link, const void *result) {
    struct link_compare *compare = &link->compare;
    struct link_digest_page page;
    if (!compare->on || !compare->states_asked)
        return;
    compare->states_asked = false;
    bool well = link_read_digest(result, &page) && page.rows.count == compare->states_count;
    for (uint32_t i = 0; well && i < compare->states_count; i++) {
        struct link_digest_row row;
        struct link_todo *todo = &compare->todo[compare->states[i]];
        well = link_read_digest_row(&page.rows, i, true, &row) && proto_id_compare(&row.record, &todo->record) == 0;
        if (!well)
            break;
        todo->asked = true;
        todo->state = row.state;
        todo->digest.count = row.count;
        memcpy(todo->digest.sum, row.sum, sizeof todo->digest.sum);
    }
    if (!well)
        link_malformed(link, "it does not say how each record asked about stands");
}

/* ---- going on ------------------------------------------------------------------------------------------------------------ */

static bool evens_idle(const struct link_compare *compare) {
    for (uint32_t i = 0; i < LINK_WINDOW; i++)
        if (compare->evens[i].stage != LINK_STAGE_NONE)
            return false;
    return true;
}

static size_t evens_bytes(const struct link_compare *compare) {
    size_t bytes = 0;
    for (uint32_t i = 0; i < LINK_WINDOW; i++)
        bytes += compare->evens[i].got_bytes;
    return bytes;
}

static void begin_evens(struct link *link) {
    struct link_compare *compare = &link->compare;
    uint32_t generation = link->generation;
    for (uint32_t i = 0; i < LINK_WINDOW && generation == link->generation && compare->todo_at < compare->todo_count;
         i++) {
        const struct link_todo *todo = &compare->todo[compare->todo_at];
        if (todo->differs == LINK_DIFFERS_HERE && !todo->asked)
            return; /* its state is asked for */
        if (compare->evens[i].stage != LINK_STAGE_NONE)
            continue;
        if (evens_bytes(compare) + PROTO_NODE_MESSAGE_BYTES_MAX > LINK_HELD_BYTES_MAX && !evens_idle(compare))
            return;
        struct link_todo copy = *todo;
        compare->todo_at++;
        link_even_begin(link, &compare->evens[i], &copy);
    }
}

void link_compare_pump(struct link *link) {
    struct link_compare *compare = &link->compare;
    uint32_t generation = link->generation;
    bool worked_off = compare->todo_at == compare->todo_count && evens_idle(compare);
    bool page_done = compare->page_here && compare->here_ended && compare->theirs_at == compare->theirs_count;
    if (worked_off && page_done && !compare->page_last)
        free_page(compare);
    if (!compare->page_here) {
        if (!compare->asked)
            ask_page(link);
        return;
    }
    if (worked_off && !page_done)
        walk(link);
    if (generation != link->generation)
        return;
    ask_states(link);
    if (generation == link->generation)
        begin_evens(link);
    for (uint32_t i = 0; i < LINK_WINDOW && generation == link->generation; i++)
        link_even_pump(link, i);
}

void link_compare_apply(struct link *link) {
    struct link_compare *compare = &link->compare;
    for (uint32_t i = 0; i < LINK_WINDOW; i++)
        if (link_even_apply(link, i))
            return;
    if (!compare->on || !compare->page_here || !compare->page_last || !compare->here_ended ||
        compare->theirs_at < compare->theirs_count || compare->todo_at < compare->todo_count || !evens_idle(compare))
        return;
    struct work_call *call = link_apply_begin(link, LINK_APPLY_END, link->stored.pushed);
    if (!call)
        return;
    link->apply.has_cursor = true;
    link->apply.cursor = compare->cursor;
    link->apply.has_seen = true; /* of this log, and no more of one that is gone */
    link->apply.seen = compare->cursor;
    if (compare->has_seen)
        link_see(&link->apply.seen, &link->apply.has_seen, &compare->seen);
    link_apply_submit(link, call);
}

void link_compare_ended(struct link *link) {
    link_compare_reset(link);
    link_push_reset(link);
    link_pull_reset(link);
}
