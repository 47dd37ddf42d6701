/*
 * follow.c - `follow` and `unfollow`: who follows the log from where, from the first call to the end of the connection.
 *
 * What always holds: for a follower the server keeps a place in the log and the names of teams, and nothing of what is still
 * to be sent: that is read from the store when there is room in the connection, so one that stops reading costs what its
 * output buffer holds and no more.
 */
#include "serve/sync.h"

#include "proto/ids.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WHAT_EVENTS 1u /* bits of `what`, in the order of its choices */
#define WHAT_STATUSES 2u

static void end(struct serve *serve, struct serve_follow *follow) {
    follow->session->follows = false;
    follow->session->follower = NULL;
    *follow->link = follow->next;
    if (follow->next)
        follow->next->link = follow->link;
    serve->follow_count--;
    free(follow->teams);
    free(follow);
}

void serve_gone(void *arg, struct net_session *session) {
    if (session->follows)
        end(arg, session->follower);
    if (session->node)
        serve_node_gone(session);
}

/* ---- beginning ----------------------------------------------------------------------------------- */

/* The place after which all is new: named by the caller, or the log's beginning or end. */
static enum proto_error find_place(struct serve_request *r, struct proto_position *at) {
    const struct proto_value *after = SERVE_VALUE(r, follow, after);
    struct store_identity identity;
    uint8_t chain[PROTO_HASH_BYTES];
    store_identity_get(r->serve->options.store, &identity);
    if (!after->present) {
        at->log = identity.log;
        at->seq = SERVE_VALUE(r, follow, all)->present ? 0 : store_txn_seq(r->txn);
        return store_read_chain(r->txn, at->seq, at->chain);
    }
    if (SERVE_VALUE(r, follow, all)->present)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "all", "`all` and `after` do not go together.");
    *at = proto_value_position(after);
    enum proto_error error = store_read_chain(r->txn, at->seq, chain);
    if (error == PROTO_NOT_FOUND && at->seq <= identity.log_seq)
        return PROTO_REBUILDING; /* logged, and not yet worked in */
    if (error != PROTO_OK && error != PROTO_NOT_FOUND)
        return error;
    if (error == PROTO_NOT_FOUND || proto_id_compare(&at->log, &identity.log) != 0 ||
        memcmp(chain, at->chain, sizeof chain) != 0)
        return proto_fault_set(&r->fault, PROTO_DIVERGED, "after", "%s", proto_error_sentence(PROTO_DIVERGED));
    return PROTO_OK;
}

static enum proto_error keep_teams(struct serve_request *r, struct serve_follow *follow) {
    const struct proto_value *names = SERVE_VALUE(r, follow, teams);
    struct work_who who;
    serve_who(r->session, &who);
    bool named = names->present && names->n > 0;
    follow->all = !named && who.all_teams;
    if (follow->all)
        return PROTO_OK;
    uint32_t count = named ? (uint32_t)names->n : who.team_count;
    follow->teams = calloc(count + 1, sizeof *follow->teams);
    if (!follow->teams)
        return PROTO_BUSY;
    for (uint32_t i = 0; i < count; i++) {
        struct proto_slice name =
            named ? proto_list_text(names, i) : (struct proto_slice){who.teams[i], (uint32_t)strlen(who.teams[i])};
        uint32_t number = 0;
        enum proto_error error = named ? serve_team_number(r, name, &number) : PROTO_OK;
        if (error != PROTO_OK)
            return error;
        assert(name.size < sizeof *follow->teams); /* a team's name is no longer */
        memcpy(follow->teams[follow->team_count++], name.data, name.size);
    }
    return PROTO_OK;
}

static enum proto_error begin(struct serve_request *r, struct serve_follow *follow) {
    const struct proto_value *what = SERVE_VALUE(r, follow, what);
    uint64_t wanted = what->present && what->set ? what->set : WHAT_EVENTS;
    follow->session = r->session;
    follow->events = (wanted & WHAT_EVENTS) != 0;
    follow->statuses = (wanted & WHAT_STATUSES) != 0;
    follow->told_at = r->serve->options.steady_ms(r->serve->options.clock_arg);
    enum proto_error error = find_place(r, &follow->at);
    if (error == PROTO_OK)
        error = keep_teams(r, follow);
    follow->told_seq = follow->at.seq;
    return error;
}

enum proto_error serve_follow(struct serve_request *r) {
    struct serve *serve = r->serve;
    if (r->session->follows)
        return proto_fault_set(&r->fault, PROTO_CONFLICT, NULL,
                               "This connection follows already: `unfollow` first, or use another connection.");
    struct serve_follow *follow = calloc(1, sizeof *follow);
    enum proto_error error = follow ? begin(r, follow) : PROTO_BUSY;
    if (error != PROTO_OK) {
        if (follow)
            free(follow->teams);
        free(follow);
        return error;
    }
    follow->next = serve->follows;
    follow->link = &serve->follows;
    if (follow->next)
        follow->next->link = &follow->next;
    serve->follows = follow;
    serve->follow_count++;
    r->session->follows = true;
    r->session->follower = follow;
    proto_write_map(r->w, 1);
    proto_write_text(r->w, "cursor");
    proto_write_position(r->w, &follow->at);
    return PROTO_OK;
}

enum proto_error serve_unfollow(struct serve_request *r) {
    bool followed = r->session->follows;
    proto_write_map(r->w, followed);
    if (followed) {
        struct serve_follow *follow = r->session->follower;
        proto_write_text(r->w, "cursor");
        proto_write_position(r->w, &follow->at);
        end(r->serve, follow);
    }
    return PROTO_OK;
}

/* ---- going on -------------------------------------------------------------------------------------- */

/* The last word: why nothing more will come. */
static void say_end(struct serve *serve, const struct serve_follow *follow, enum proto_error error) {
    struct proto_fault fault = {0};
    struct proto_writer w;
    (void)proto_fault_set(&fault, error, NULL, "%s", proto_error_sentence(error));
    serve_translate(&fault);
    proto_writer_init(&w, serve->answer, PROTO_MESSAGE_BYTES_MAX);
    proto_write_notification(&w, "change");
    proto_write_map(&w, 1);
    proto_write_text(&w, "ended");
    proto_write_fault_map(&w, &fault);
    net_session_push(follow->session, w.bytes, w.size, serve->options.steady_ms(serve->options.clock_arg));
}

bool serve_push(void *arg, struct net_session *session) {
    struct serve *serve = arg;
    struct serve_follow *follow = session->follower;
    struct work_progress progress;
    bool more = false;
    if (serve->stopping)
        return false;
    work_progress_get(serve->options.work, &progress);
    if (progress.rebuilding)
        return false;
    enum proto_error error = serve_send_changes(serve, follow, &more);
    if (error == PROTO_OK || error == PROTO_BUSY)
        return more;
    say_end(serve, follow, error);
    end(serve, follow);
    return false;
}

void serve_news(struct serve *serve) {
    for (struct serve_follow *follow = serve->follows; follow; follow = follow->next)
        if (net_session_can_push(follow->session))
            net_hub_ask(serve->options.hub, follow->session);
}
