/*
 * greet.c - hello: who is there, how the clocks stand, and whether this store is a copy of one that the upstream knows.
 *
 * A laptop's store can be copied, or put back from a backup. Then two stores would speak as one node, or one node would
 * forget what it said. The upstream remembers the end of the log that it saw last under a node's id; a store that does not
 * hold that place takes another id before it says anything else.
 *
 * Its teams can be other ones than last time. Then it speaks for the old and the new ones, and asks for the old ones, as long
 * as events of its own wait to go out.
 */
#include "link/internal.h"

static void begin_clock(struct link *link) {
    link->asked_wall = link->options.wall_ms(link->options.arg);
    link->asked_steady = link_now(link);
}

/* The upstream's clock was read somewhere in the round trip: the middle is at most half of it off. */
static void set_clock(struct link *link, int64_t theirs) {
    int64_t trip = link_now(link) - link->asked_steady;
    link->round_trip_ms = trip > 0 ? trip : 0;
    link->offset_ms = link->asked_wall + link->round_trip_ms / 2 - theirs;
    link->clock_at = link_now(link) + LINK_CLOCK_MS;
    work_set_clock_offset(link->options.work, link->offset_ms);
}

void link_ask_clock(struct link *link) {
    link->clock_at = link_now(link) + LINK_CLOCK_MS;
    struct proto_writer *w = link->clock_asked ? NULL : link_ask_begin(link, "ping");
    if (!w)
        return;
    proto_write_map(w, 0);
    begin_clock(link);
    link->clock_asked = link_ask_end(link, LINK_ASK_CLOCK, 0);
}

void link_clock_answered(struct link *link, const void *result) {
    int64_t now;
    link->clock_asked = false;
    if (!link_read_now(result, &now))
        link_malformed(link, "ping gave no time");
    else
        set_clock(link, now);
}

/* The end of our own log as far as it is worked in. */
static enum proto_error find_place(struct link *link, struct proto_position *place) {
    struct store_txn *txn;
    enum proto_error error = store_read_begin(link->options.store, &txn);
    if (error != PROTO_OK)
        return error;
    error = work_cursor_at(link->options.work, txn, store_txn_seq(txn), place);
    store_read_end(txn);
    return error;
}

/* What waits to go out may be of children of the teams that this node had: it goes while the node still speaks for those. */
static enum proto_error choose_scope(struct link *link) {
    bool waits = false;
    link->scope = link->options.scope;
    enum proto_error error = link_load(link);
    if (error == PROTO_OK && link->stored.has_cursor && link->stored.has_teams && !link->not_before &&
        !link_same_scope(&link->stored.teams, &link->scope))
        error = link_waits(link, &waits);
    if (error == PROTO_OK && waits)
        link->scope = link->stored.teams;
    return error;
}

/* The old teams and the new ones; the old ones alone when they are too many together. */
static struct work_scope spoken_for(const struct link *link) {
    struct work_scope both = link->scope;
    const struct work_scope *now = &link->options.scope;
    if (both.all_teams || now->all_teams)
        return (struct work_scope){.all_teams = true};
    for (uint32_t i = 0; i < now->team_count; i++) {
        bool has = false;
        for (uint32_t k = 0; k < both.team_count; k++)
            has |= strcmp(both.teams[k], now->teams[i]) == 0;
        if (has)
            continue;
        if (both.team_count == sizeof both.teams / sizeof both.teams[0])
            return link->scope;
        memcpy(both.teams[both.team_count++], now->teams[i], sizeof both.teams[0]);
    }
    return both;
}

void link_greet(struct link *link) {
    struct proto_position place;
    struct proto_id node = work_node(link->options.work);
    if (find_place(link, &place) != PROTO_OK || choose_scope(link) != PROTO_OK) {
        link_drop(link, false, "The own log cannot be read just now.");
        return;
    }
    struct proto_writer *w = link_ask_begin(link, "hello");
    if (!w)
        return;
    proto_write_map(w, 4);
    proto_write_text(w, "agent");
    proto_write_text(w, "betonyd " BETONY_VERSION);
    proto_write_text(w, "node");
    proto_write_id(w, &node);
    proto_write_text(w, "place");
    proto_write_position(w, &place);
    const struct work_scope both = spoken_for(link);
    link_write_scope(&both, w);
    begin_clock(link);
    (void)link_ask_end(link, LINK_ASK_HELLO, 0);
}

/* OK: this store goes on from what the upstream saw last. DIVERGED: it does not. Anything else: not to be told now. */
static enum proto_error check_known(struct link *link, const struct proto_position *known) {
    struct store_txn *txn;
    enum proto_error error = store_read_begin(link->options.store, &txn);
    if (error != PROTO_OK)
        return error;
    if (known->seq > store_txn_seq(txn))
        error = known->seq > work_log_seq(link->options.work) ? PROTO_DIVERGED : PROTO_REBUILDING;
    else
        error = work_cursor_check(link->options.work, txn, known);
    store_read_end(txn);
    return error == PROTO_NOT_FOUND ? PROTO_DIVERGED : error;
}

static void renew(struct link *link) {
    if (link->renewed) {
        link_drop(link, true, "The upstream is this server itself, or takes it for another one.");
        return;
    }
    link->renewed = true;
    if (work_renew_node(link->options.work) != PROTO_OK)
        link_drop(link, false, "This store is a copy and needs a node id of its own, which could not be written.");
    else
        link_greet(link);
}

static void know_upstream(struct link *link, const struct proto_id *node) {
    struct link_stored *stored = &link->stored;
    link->upstream = *node;
    for (uint32_t i = 0; i < stored->upstream_count; i++)
        if (proto_id_compare(&stored->upstreams[i], node) == 0)
            return;
    if (stored->upstream_count == LINK_UPSTREAMS) { /* events through the oldest would be offered again: held */
        memmove(stored->upstreams, stored->upstreams + 1, sizeof stored->upstreams - sizeof *stored->upstreams);
        stored->upstream_count--;
    }
    stored->upstreams[stored->upstream_count++] = *node;
    stored->upstreams_dirty = true;
}

void link_greeted(struct link *link, const void *result) {
    struct link_hello hello;
    struct proto_id own = work_node(link->options.work);
    if (!link_read_hello(result, &hello)) {
        link_malformed(link, "hello does not say who is there and what time it is");
        return;
    }
    set_clock(link, hello.now);
    enum proto_error error = hello.has_known ? check_known(link, &hello.known) : PROTO_OK;
    if (proto_id_compare(&hello.node, &own) == 0)
        error = PROTO_DIVERGED;
    if (error == PROTO_DIVERGED) {
        renew(link);
        return;
    }
    if (error == PROTO_OK)
        error = link_load(link);
    if (error != PROTO_OK) {
        link_drop(link, false, "The own log cannot be read just now.");
        return;
    }
    know_upstream(link, &hello.node);
    link->upstream_seq = hello.seq;
    link->conn = LINK_CONN_UP;
    link->started = false;
    link->paused_until = 0;
    link->fault[0] = '\0';
}
