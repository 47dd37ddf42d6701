/*
 * status.c - how the link stands, for people: what sync-state shows.
 *
 * What always holds: it is true with no connection too; counting is taken up where it stopped, so that asking often costs
 * little.
 */
#include "link/internal.h"

static enum link_state state_of(const struct link *link) {
    switch (link->conn) {
    case LINK_CONN_NONE:
        return LINK_WAITING;
    case LINK_CONN_BEGUN:
        return LINK_CONNECTING;
    case LINK_CONN_GREETING:
        return LINK_GREETING;
    case LINK_CONN_STOPPED:
        return LINK_STOPPED;
    case LINK_CONN_UP:
        break;
    }
    if (link->compare.on)
        return LINK_COMPARING;
    if (link->pull.begun && link->counted + link->uncounted > 0)
        return LINK_PUSHING;
    return link->started && link_pull_idle(link) ? LINK_CURRENT : LINK_PULLING;
}

/* Events of ours behind link.pushed. */
static void count_waiting(struct link *link, struct store_txn *txn) {
    uint64_t from = link->stored.pushed, end = store_txn_seq(txn);
    if (link->counted_from != from || link->counted_to < from) {
        link->counted_from = link->counted_to = from;
        link->counted = 0;
    }
    link->uncounted = 0;
    if (end <= link->counted_to)
        return;
    uint64_t last = end;
    if (end > link->counted_to + LINK_SCAN_MAX)
        end = link->counted_to + LINK_SCAN_MAX;
    link->uncounted = last - link->counted_to;
    for (uint64_t seq = link->counted_to + 1; seq <= end; seq++) {
        struct store_event event;
        if (store_read_event(txn, seq, &event) != PROTO_OK)
            return;
        link->counted += link_is_ours(link, &event);
        link->counted_to = seq;
        link->uncounted--;
    }
}

static bool count_row(void *arg, const struct work_system_row *row) {
    (void)row;
    ++*(uint64_t *)arg;
    return true;
}

static void count_rows(struct link *link, struct store_txn *txn) {
    uint64_t refused = 0, left = 0;
    if (link->rows_seq == store_txn_seq(txn) ||
        work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, count_row, &refused) != PROTO_OK ||
        work_system_each(txn, WORK_SYSTEM_LEFT, UINT64_MAX, count_row, &left) != PROTO_OK)
        return;
    link->rows_seq = store_txn_seq(txn);
    link->refused = refused;
    link->left = left;
}

void link_status_get(struct link *link, struct link_status *out) {
    const struct link_stored *stored = &link->stored;
    struct store_txn *txn;
    if (store_read_begin(link->options.store, &txn) == PROTO_OK) {
        count_waiting(link, txn);
        count_rows(link, txn);
        store_read_end(txn);
    }
    *out = (struct link_status){.state = state_of(link),
                                .last_contact = link->last_contact,
                                .clock_offset_ms = link->offset_ms,
                                .round_trip_ms = link->round_trip_ms,
                                .out_waiting = link->counted + link->uncounted, /* rather too many than too few */
                                .refused = link->refused,
                                .left = link->left,
                                .has_cursor = stored->has_cursor,
                                .cursor = stored->cursor,
                                .upstream = link->upstream};
    uint64_t pulled = stored->has_cursor ? stored->cursor.seq : 0;
    out->in_waiting = link->upstream_seq > pulled ? link->upstream_seq - pulled : 0;
    memcpy(out->fault, link->fault, sizeof out->fault);
}
