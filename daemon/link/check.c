/*
 * check.c - what was pushed, and is not for this node to keep.
 *
 * A record that is new at the upstream may land in the care of another team at once: it is one child with a record there, by a
 * merge that was known before it. It was never in the feed of our teams, so nothing there says that it left. So when all has
 * gone out, and all has come, the upstream is asked where the records stand that we pushed for; after two logs were
 * compared, where all stand that are here. What is out leaves.
 *
 * What always holds: no page is asked for between the question and its answer's end, so that a record that comes back comes
 * after it has left; link.checked moves over a record only when that was answered for it.
 */
#include "link/internal.h"

void link_check_reset(struct link *link) {
    link->check = (struct link_check){0};
}

bool link_check_busy(const struct link *link) {
    return link->check.asked || link->check.answered;
}

/* ---- which ---------------------------------------------------------------------------------------------------------- */

static bool add_record(struct link_check *check, const struct proto_id *record) {
    if (proto_id_is_zero(record))
        return true;
    for (uint32_t i = 0; i < check->count; i++)
        if (proto_id_compare(&check->records[i], record) == 0)
            return true;
    if (check->count == LINK_DIGEST_IDS)
        return false;
    check->records[check->count++] = *record;
    return true;
}

static bool walk_record(void *arg, const struct proto_id *record) {
    struct link_check *check = arg;
    check->whole = add_record(check, record);
    if (check->whole) {
        check->walked = *record;
        check->has_walked = true;
    }
    return check->whole;
}

static enum proto_error gather_all(struct link *link, struct store_txn *txn) {
    struct link_check *check = &link->check;
    struct proto_id after = check->walked;
    check->whole = true;
    return work_records_each(txn, check->has_walked ? &after : NULL, walk_record, check);
}

/* Records of our own events from check_from on; check->end is behind the last one looked at. */
static enum proto_error gather_pushed(struct link *link, struct store_txn *txn) {
    struct link_check *check = &link->check;
    uint64_t first = link->stored.check_from;
    for (check->end = first; check->end <= link->stored.pushed && check->end - first < LINK_SCAN_MAX; check->end++) {
        struct store_event event;
        struct proto_event read;
        enum proto_error error = store_read_event(txn, check->end, &event);
        if (error != PROTO_OK)
            return error;
        proto_arena_clear(link->event_arena);
        if (!link_is_ours(link, &event) ||
            proto_event_decode(event.body.data, event.body.size, link->event_arena, &read) != PROTO_OK ||
            !read.has_patient)
            continue;
        if (!add_record(check, &read.patient))
            break;
    }
    return PROTO_OK;
}

/* What this part of the check was about is done. */
static void go_on(struct link *link) {
    struct link_check *check = &link->check;
    struct proto_id walked = check->walked;
    bool all = link->stored.check_from == 0, more = all && !check->whole;
    if (!more)
        link->stored.check_from = all ? check->pushed + 1 : check->end;
    uint64_t pushed = check->pushed;
    link_check_reset(link);
    if (more) {
        link->check.walked = walked;
        link->check.has_walked = true;
        link->check.pushed = pushed;
    }
}

/* ---- asking ------------------------------------------------------------------------------------------------------------ */

static void ask(struct link *link) {
    struct link_check *check = &link->check;
    struct proto_writer *w = link_ask_begin(link, "digest");
    if (!w)
        return;
    proto_write_map(w, 1);
    proto_write_text(w, "records");
    proto_write_array(w, check->count);
    for (uint32_t i = 0; i < check->count; i++)
        proto_write_id(w, &check->records[i]);
    check->asked = link_ask_end(link, LINK_ASK_CHECK, 0);
}

void link_check_pump(struct link *link) {
    struct link_check *check = &link->check;
    struct store_txn *txn;
    if (link_check_busy(link) || link->stored.check_from > link->stored.pushed ||
        !link_same_scope(&link->scope, &link->options.scope))
        return;
    if (link->scope.all_teams) {
        link->stored.check_from = link->stored.pushed + 1;
        return;
    }
    if (store_read_begin(link->options.store, &txn) != PROTO_OK)
        return;
    check->count = 0;
    if (!check->has_walked)
        check->pushed = link->stored.pushed;
    enum proto_error error = link->stored.check_from == 0 ? gather_all(link, txn) : gather_pushed(link, txn);
    store_read_end(txn);
    if (error != PROTO_OK && error != PROTO_NOT_FOUND) /* what is logged comes into the view: the next time, then */
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
    else if (error == PROTO_OK && check->count == 0)
        go_on(link);
    else if (error == PROTO_OK)
        ask(link);
}

/* ---- answers ------------------------------------------------------------------------------------------------------------ */

void link_check_answered(struct link *link, const void *result) {
    struct link_check *check = &link->check;
    struct link_digest_page page;
    uint32_t out = 0;
    if (!check->asked)
        return;
    check->asked = false;
    bool well = link_read_digest(result, &page) && page.rows.count == check->count;
    for (uint32_t i = 0; well && i < check->count; i++) {
        struct link_digest_row row;
        well =
            link_read_digest_row(&page.rows, i, true, &row) && proto_id_compare(&row.record, &check->records[i]) == 0;
        if (well && row.state == WORK_RECORD_OUT)
            check->records[out++] = row.record;
    }
    if (!well) {
        link_malformed(link, "it does not say how each record asked about stands");
        return;
    }
    check->count = out;
    check->answered = out > 0;
    if (!check->answered)
        go_on(link);
}

void link_check_apply(struct link *link) {
    struct link_check *check = &link->check;
    if (!check->answered)
        return;
    struct work_call *call = link_apply_begin(link, LINK_APPLY_CHECK, link->stored.pushed);
    if (!call)
        return;
    for (uint32_t i = 0; i < check->count; i++)
        work_sync_leave(call, &check->records[i]);
    link_apply_submit(link, call);
}

/* With a conflict, something was recorded meanwhile: it goes out first, and then all is asked again. */
void link_check_applied(struct link *link, bool conflict) {
    if (conflict)
        link_check_reset(link);
    else
        go_on(link);
}
