/*
 * page.c - one page of rows: its map, its bounds, the token it ends with. And the teams a list is about.
 */
#include "serve/internal.h"

#include <stdlib.h>
#include <string.h>

void serve_page_begin(struct serve_request *r, struct serve_page *page, const struct proto_value *limit) {
    page->limit = limit->present ? (uint32_t)limit->n : PROTO_ROWS_DEFAULT;
    page->rows = page->looked_at = 0;
    page->more = false;
    page->map_mark = proto_write_map_begin(r->w);
    proto_write_text(r->w, "rows");
    page->rows_mark = proto_write_array_begin(r->w);
}

bool serve_page_has_room(struct serve_request *r, struct serve_page *page) {
    if (page->rows < page->limit && page->looked_at < SERVE_ROWS_LOOKED_AT_MAX && r->w->size < SERVE_PAGE_BYTES)
        return true;
    page->more = true;
    return false;
}

void serve_page_look(struct serve_page *page, struct store_bytes key) {
    assert(key.size <= sizeof page->token.position);
    page->looked_at++;
    page->token.position_size = key.size;
    memcpy(page->token.position, key.data, key.size);
}

void serve_page_end(struct serve_request *r, struct serve_page *page) {
    struct work_progress progress;
    uint32_t pairs = 1;
    proto_write_array_end(r->w, page->rows_mark, page->rows);
    if (page->more) {
        pairs++;
        proto_write_text(r->w, "after");
        serve_token_write(r, &page->token);
    }
    if (serve_settling(r, &progress)) {
        pairs++;
        serve_write_settling(r->w, &progress);
    }
    proto_write_map_end(r->w, page->map_mark, pairs);
}

bool serve_settling(const struct serve_request *r, struct work_progress *progress) {
    work_progress_get(r->serve->options.work, progress);
    return progress->settling;
}

void serve_write_settling(struct proto_writer *w, const struct work_progress *progress) {
    proto_write_text(w, "settling");
    proto_write_map(w, 2);
    proto_write_text(w, "done");
    proto_write_int(w, (int64_t)progress->settling_done);
    proto_write_text(w, "of");
    proto_write_int(w, (int64_t)progress->settling_of);
}

/* ---- teams ------------------------------------------------------------------------------- */

static bool add_team(struct serve *serve, uint32_t number, struct proto_slice name) {
    if (serve->team_count == serve->team_cap) {
        uint32_t cap = serve->team_cap ? serve->team_cap * 2 : 64;
        struct serve_team *teams = realloc(serve->teams, cap * sizeof *teams);
        if (!teams)
            return false;
        serve->teams = teams;
        serve->team_cap = cap;
    }
    struct serve_team *team = &serve->teams[serve->team_count++];
    size_t size = name.size < sizeof team->name - 1 ? name.size : sizeof team->name - 1;
    team->number = number;
    if (size)
        memcpy(team->name, name.data, size);
    team->name[size] = '\0';
    team->size = (uint32_t)size;
    return true;
}

struct each {
    struct serve *serve;
    const struct work_who *who;
    bool failed;
};

static bool in_scope(const struct work_who *who, struct proto_slice team) {
    for (uint32_t i = 0; i < who->team_count; i++)
        if (proto_slice_is(team, who->teams[i]))
            return true;
    return who->all_teams;
}

static bool on_team(void *arg, uint32_t number, struct proto_slice name) {
    struct each *each = arg;
    if (in_scope(each->who, name) && !add_team(each->serve, number, name))
        each->failed = true;
    return !each->failed;
}

static int by_number(const void *a, const void *b) {
    const struct serve_team *x = a, *y = b;
    return (x->number > y->number) - (x->number < y->number);
}

enum proto_error serve_team_number(struct serve_request *r, struct proto_slice name, uint32_t *number_out) {
    struct work_who who;
    serve_who(r->session, &who);
    enum proto_error error = in_scope(&who, name) ? work_team_find(r->txn, name, number_out) : PROTO_NOT_FOUND;
    if (error == PROTO_NOT_FOUND)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "team",
                               "There is no team %.*s here: no child was ever in it.", (int)name.size, name.data);
    return error;
}

enum proto_error serve_teams_load(struct serve_request *r, const struct proto_value *names) {
    struct work_who who;
    serve_who(r->session, &who);
    r->serve->team_count = 0;
    enum proto_error error = PROTO_OK;
    if (names && names->present && names->n > 0) {
        for (uint32_t i = 0; i < (uint64_t)names->n && error == PROTO_OK; i++) {
            struct proto_slice name = proto_list_text(names, i);
            uint32_t number = 0;
            error = serve_team_number(r, name, &number);
            if (error == PROTO_OK && !add_team(r->serve, number, name))
                error = PROTO_BUSY;
        }
    } else {
        struct each each = {.serve = r->serve, .who = &who};
        /* children whose registration was withdrawn are in no team; they must not drop out of sight */
        if (who.all_teams && !add_team(r->serve, 0, (struct proto_slice){0}))
            return PROTO_BUSY;
        error = work_team_each(r->txn, on_team, &each);
        if (error == PROTO_OK && each.failed)
            error = PROTO_BUSY;
    }
    if (error != PROTO_OK || r->serve->team_count == 0)
        return error;
    struct serve_team *teams = r->serve->teams;
    uint32_t kept = 1;
    qsort(teams, r->serve->team_count, sizeof *teams, by_number);
    for (uint32_t i = 1; i < r->serve->team_count; i++) /* a team named twice counts once */
        if (teams[i].number != teams[kept - 1].number)
            teams[kept++] = teams[i];
    r->serve->team_count = kept;
    return PROTO_OK;
}

struct proto_slice serve_team_name(const struct serve *serve, uint32_t number) {
    struct serve_team wanted = {.number = number};
    if (serve->team_count == 0)
        return (struct proto_slice){0};
    const struct serve_team *found = bsearch(&wanted, serve->teams, serve->team_count, sizeof wanted, by_number);
    return found ? (struct proto_slice){found->name, found->size} : (struct proto_slice){0};
}

void serve_write_team(struct serve_request *r, uint32_t number) {
    proto_write_slice(r->w, serve_team_name(r->serve, number));
}
