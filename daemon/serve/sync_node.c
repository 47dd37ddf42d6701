/*
 * sync_node.c - the nodes whose upstream this is: who they are, what is remembered of each, and `nodes`.
 *
 * What always holds: the memory of a node is one mark of the log, so it goes along with backup and restore; what a node says
 * of its place is only ever compared by the node itself, which alone can read its own chain.
 *
 * The mark "node.<id>":
 *   01 | u8 flags (1 all teams, 2 has a cursor) | t64 last contact | place | cursor | u8 size, agent | u8 count | each: u8 size, team
 *   a place or cursor: id log | u64 seq | 32 bytes chain
 */
#include "proto/ids.h"
#include "serve/sync.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARK_PREFIX "node."
#define MARK_BYTES_MAX 1024u
#define MARK_FORMAT 1
#define SAVE_MS 600000 /* contact alone is written down at most this often */
#define POSITION_BYTES (PROTO_ID_BYTES + 8 + PROTO_HASH_BYTES)

static_assert(2 + 8 + 2 * POSITION_BYTES + 1 + PROTO_TEXT_SHORT_MAX + 1 + PROTO_SCOPE_TEAMS_MAX * 44 <= MARK_BYTES_MAX,
              "what is remembered of a node fits a mark");

/* ---- the mark -------------------------------------------------------------------------------------------- */

static size_t put_position(uint8_t *bytes, size_t at, const struct proto_position *position) {
    at = serve_key_id(bytes, at, &position->log);
    at = serve_key_u32(bytes, at, (uint32_t)(position->seq >> 32));
    at = serve_key_u32(bytes, at, (uint32_t)position->seq);
    memcpy(bytes + at, position->chain, PROTO_HASH_BYTES);
    return at + PROTO_HASH_BYTES;
}

static size_t put_text(uint8_t *bytes, size_t at, const char *text) {
    size_t size = strlen(text);
    at = serve_key_u8(bytes, at, (uint8_t)size);
    memcpy(bytes + at, text, size); /* its size is before it. NOLINT(bugprone-not-null-terminated-result) */
    return at + size;
}

static size_t encode(const struct serve_node *node, uint8_t bytes[MARK_BYTES_MAX]) {
    size_t at = serve_key_u8(bytes, 0, MARK_FORMAT);
    at = serve_key_u8(bytes, at, (uint8_t)(node->scope.all_teams | node->has_cursor << 1));
    at = serve_key_t64(bytes, at, node->contact_at);
    at = put_position(bytes, at, &node->place);
    at = put_position(bytes, at, &node->cursor);
    at = put_text(bytes, at, node->agent);
    at = serve_key_u8(bytes, at, (uint8_t)node->scope.team_count);
    for (uint32_t i = 0; i < node->scope.team_count; i++)
        at = put_text(bytes, at, node->scope.teams[i]);
    return at;
}

static void get_position(const uint8_t *bytes, struct proto_position *position) {
    memcpy(position->log.bytes, bytes, PROTO_ID_BYTES);
    position->seq = (uint64_t)serve_key_get_u32(bytes + 16) << 32 | serve_key_get_u32(bytes + 20);
    memcpy(position->chain, bytes + 24, PROTO_HASH_BYTES);
}

/* A text and its size byte; false when it does not fit `cap` or what is left. */
static bool get_text(struct store_bytes value, size_t *at, char *out, size_t cap) {
    if (*at >= value.size || value.data[*at] >= cap || value.size - *at - 1 < value.data[*at])
        return false;
    size_t size = value.data[*at];
    memcpy(out, value.data + *at + 1, size);
    out[size] = '\0';
    *at += 1 + size;
    return true;
}

static bool decode(struct store_bytes value, struct serve_node *node) {
    size_t at = 2 + 8 + 2 * POSITION_BYTES;
    memset(node, 0, sizeof *node);
    if (value.size <= at || value.data[0] != MARK_FORMAT)
        return false;
    node->scope.all_teams = value.data[1] & 1;
    node->has_cursor = value.data[1] >> 1 & 1;
    node->contact_at = serve_key_get_t64(value.data + 2);
    get_position(value.data + 10, &node->place);
    get_position(value.data + 10 + POSITION_BYTES, &node->cursor);
    if (!get_text(value, &at, node->agent, sizeof node->agent) || at >= value.size)
        return false;
    uint32_t count = value.data[at++];
    if (count > PROTO_SCOPE_TEAMS_MAX)
        return false;
    for (; node->scope.team_count < count; node->scope.team_count++)
        if (!get_text(value, &at, node->scope.teams[node->scope.team_count], sizeof node->scope.teams[0]))
            return false;
    return at == value.size;
}

static void mark_name(const struct proto_id *id, char out[48]) {
    char text[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(id, text);
    (void)snprintf(out, 48, MARK_PREFIX "%s", text);
}

/* How far it has pulled, and that it is there, may be forgotten again; where its own log ends may not. */
static bool is_due(const struct serve_node *node, bool leaving) {
    if (!node->confirmed)
        return false;
    return node->changed || (node->moved && leaving) || node->contact_at >= node->saved_at + SAVE_MS;
}

static void leave(struct serve_node *node) {
    *node->link = node->next;
    if (node->next)
        node->next->link = node->link;
    free(node);
}

void serve_node_saved(struct serve_node *node, const struct work_call *call) {
    assert(node->saving > 0);
    node->saving--;
    if (work_call_fault(call)->code != PROTO_OK)
        node->changed = true; /* another time */
    if (!node->session && node->saving == 0)
        leave(node);
}

static void on_saved(void *arg, struct work_call *call) {
    serve_node_saved(arg, call);
    work_call_free(call);
}

static bool save(struct serve_node *node, struct work_call *call, bool leaving) {
    static const struct work_sync_from nobody;
    struct work *work = node->serve->options.work;
    uint8_t bytes[MARK_BYTES_MAX];
    char name[48];
    if (!is_due(node, leaving))
        return false;
    struct work_call *own = call ? NULL : work_sync_new(work, WORK_SYNC_PAGE, &nobody);
    if (!call && !own)
        return false; /* busy: another time */
    mark_name(&node->id, name);
    work_sync_mark(call ? call : own, name, bytes, encode(node, bytes));
    node->changed = node->moved = false;
    node->saved_at = node->contact_at;
    node->saving++;
    if (own)
        work_submit(work, own, on_saved, node);
    return own == NULL;
}

bool serve_node_save(struct serve_node *node, struct work_call *call) {
    return save(node, call, false);
}

/* ---- hello ------------------------------------------------------------------------------------------------ */

static bool is_team_name(struct proto_slice name) {
    for (uint32_t i = 0; i < name.size; i++) {
        char c = name.data[i];
        if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'))
            return false;
    }
    return name.size >= 1 && name.size <= 40;
}

static enum proto_error read_teams(struct serve_request *r, const struct proto_value *teams, struct work_scope *scope) {
    for (uint32_t i = 0; i < (uint64_t)teams->n; i++) {
        struct proto_slice name = proto_list_text(teams, i);
        if (!is_team_name(name))
            return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "teams",
                                   "teams, entry %u: a team's name has 1 to 40 lower-case letters, digits and hyphens.",
                                   i + 1);
        memcpy(scope->teams[i], name.data, name.size);
        scope->teams[i][name.size] = '\0';
    }
    scope->team_count = (uint32_t)teams->n;
    return PROTO_OK;
}

enum proto_error serve_scope_read(struct serve_request *r, const struct proto_value *teams,
                                  const struct proto_value *all_teams, struct work_scope *scope) {
    static_assert(sizeof scope->teams / sizeof scope->teams[0] == PROTO_SCOPE_TEAMS_MAX, "a scope holds as many teams");
    struct work_scope made = {.all_teams = all_teams->present};
    bool named = teams->present && teams->n > 0;
    if (named && all_teams->present)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "teams", "Either teams or all_teams is given, not both.");
    enum proto_error error = named ? read_teams(r, teams, &made) : PROTO_OK;
    if (error != PROTO_OK)
        return error;
    if (named || all_teams->present)
        *scope = made;
    else if (r->session->node)
        *scope = ((const struct serve_node *)r->session->node)->scope;
    else
        return proto_fault_set(&r->fault, PROTO_MISSING_FIELD, "teams",
                               "A node says whose children it holds: teams, or all_teams.");
    return PROTO_OK;
}

/* The latest that is known of a node, from a connection that stands or from the log. NOT_FOUND. */
static enum proto_error find_known(struct serve_request *r, const struct proto_id *id, struct serve_node *out) {
    const struct serve_node *latest = NULL;
    struct store_bytes value;
    char name[48];
    for (const struct serve_node *node = r->serve->nodes; node; node = node->next)
        if (node->confirmed && proto_id_compare(&node->id, id) == 0 &&
            (!latest || node->contact_at > latest->contact_at))
            latest = node;
    if (latest) {
        *out = *latest;
        return PROTO_OK;
    }
    mark_name(id, name);
    enum proto_error error = store_read_mark(r->txn, name, &value);
    if (error != PROTO_OK)
        return error;
    return decode(value, out) ? PROTO_OK : PROTO_CORRUPT;
}

static bool is_same_scope(const struct work_scope *a, const struct work_scope *b) {
    bool same = a->all_teams == b->all_teams && a->team_count == b->team_count;
    for (uint32_t i = 0; same && i < a->team_count; i++)
        same = strcmp(a->teams[i], b->teams[i]) == 0;
    return same;
}

static bool is_same(const struct serve_node *a, const struct serve_node *b) {
    return is_same_scope(&a->scope, &b->scope) && strcmp(a->agent, b->agent) == 0 &&
           proto_id_compare(&a->place.log, &b->place.log) == 0 && a->place.seq == b->place.seq &&
           memcmp(a->place.chain, b->place.chain, sizeof a->place.chain) == 0;
}

/* What the node is told of itself. To one that bears this server's own id, being a copy of this store, a place that no chain holds. */
static enum proto_error find_place(struct serve_request *r, struct serve_node *node, struct proto_position *known,
                                   bool *has_known) {
    static struct serve_node before; /* the loop's thread only */
    struct store_identity identity;
    store_identity_get(r->serve->options.store, &identity);
    *has_known = true;
    if (proto_id_compare(&node->id, &identity.node) == 0) {
        *known = node->place;
        memset(known->chain, 0, sizeof known->chain);
        return PROTO_OK;
    }
    enum proto_error error = find_known(r, &node->id, &before);
    *has_known = error == PROTO_OK;
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    *known = before.place;
    node->cursor = before.cursor;
    node->has_cursor = before.has_cursor;
    node->saved_at = before.contact_at;
    node->changed = !is_same(node, &before);
    return PROTO_OK;
}

static enum proto_error read_node(struct serve_request *r, struct serve_node *node) {
    const struct proto_value *agent = SERVE_VALUE(r, hello, agent), *place = SERVE_VALUE(r, hello, place);
    node->id = SERVE_VALUE(r, hello, node)->id;
    if (proto_id_is_zero(&node->id))
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "node", "node must not be all zeros.");
    if (!place->present)
        return proto_fault_set(&r->fault, PROTO_MISSING_FIELD, "place", "A node says where its own log ends: place.");
    node->place = proto_value_position(place);
    if (agent->present) /* one of 80 bytes fits */
        memcpy(node->agent, agent->text.data, agent->text.size);
    node->contact_at = r->now;
    node->changed = true;
    return serve_scope_read(r, SERVE_VALUE(r, hello, teams), SERVE_VALUE(r, hello, all_teams), &node->scope);
}

static void enter(struct serve *serve, struct serve_node *node) {
    node->next = serve->nodes;
    node->link = &serve->nodes;
    if (node->next)
        node->next->link = &node->next;
    serve->nodes = node;
    node->session->node = node;
}

/* The connection is no longer this node's. */
static void part(struct serve_node *node) {
    if (!node->serve->stopping)
        (void)save(node, NULL, true);
    node->session->node = NULL;
    node->session = NULL;
    if (node->saving == 0)
        leave(node);
}

enum proto_error serve_node_hello(struct serve_request *r, struct proto_position *known_out, bool *has_known) {
    *has_known = false;
    if (!r->session->trusted)
        return proto_fault_set(&r->fault, PROTO_NOT_ALLOWED, "node",
                               "A node is taken on this server's own machine, or through what its operator set up.");
    if (!r->txn)
        return PROTO_REBUILDING;
    struct serve_node *node = calloc(1, sizeof *node);
    if (!node)
        return PROTO_BUSY;
    if (r->session->node) /* said before, perhaps under another id */
        part(r->session->node);
    assert(!r->session->node);
    enum proto_error error = read_node(r, node);
    if (error == PROTO_OK)
        error = find_place(r, node, known_out, has_known);
    if (error != PROTO_OK) {
        free(node);
        return error;
    }
    node->session = r->session;
    node->serve = r->serve;
    enter(r->serve, node);
    return PROTO_OK;
}

enum proto_error serve_node_get(struct serve_request *r, struct serve_node **out) {
    struct serve_node *node = r->session->node;
    if (!node)
        return proto_fault_set(&r->fault, PROTO_NOT_SIGNED_IN, NULL,
                               "Only a node may ask this: say hello with node, place and teams first.");
    node->confirmed = true;
    node->contact_at = r->now;
    *out = node;
    return PROTO_OK;
}

void serve_node_told(struct proto_position *kept, bool *has, const struct proto_value *value, bool *changed) {
    if (!value->present)
        return;
    struct proto_position told = proto_value_position(value);
    if (*has && told.seq == kept->seq && proto_id_compare(&told.log, &kept->log) == 0 &&
        memcmp(told.chain, kept->chain, sizeof told.chain) == 0)
        return;
    *kept = told;
    *has = *changed = true;
}

void serve_node_gone(struct net_session *session) {
    part(session->node);
}

/* ---- nodes -------------------------------------------------------------------------------------------------- */

void serve_scope_write(struct proto_writer *w, const struct work_scope *scope) {
    proto_write_text(w, scope->all_teams ? "all_teams" : "teams");
    if (scope->all_teams) {
        proto_write_bool(w, true);
        return;
    }
    proto_write_array(w, scope->team_count);
    for (uint32_t i = 0; i < scope->team_count; i++)
        proto_write_text(w, scope->teams[i]);
}

static void write_row(struct serve_request *r, const struct serve_node *node, uint32_t connections) {
    struct proto_writer *w = r->w;
    proto_write_map(w, 5u + (node->agent[0] != '\0') + (node->has_cursor ? 2 : 0));
    proto_write_text(w, "node");
    proto_write_id(w, &node->id);
    if (node->agent[0]) {
        proto_write_text(w, "agent");
        proto_write_text(w, node->agent);
    }
    serve_scope_write(w, &node->scope);
    proto_write_text(w, "known"); /* how far its own log went when it last said so */
    proto_write_int(w, (int64_t)node->place.seq);
    if (node->has_cursor) {
        uint64_t end = work_log_seq(r->serve->options.work);
        proto_write_text(w, "seq");
        proto_write_int(w, (int64_t)node->cursor.seq);
        proto_write_text(w, "behind");
        proto_write_int(w, end > node->cursor.seq ? (int64_t)(end - node->cursor.seq) : 0);
    }
    proto_write_text(w, "last_contact");
    proto_write_int(w, node->contact_at);
    proto_write_text(w, "connections");
    proto_write_int(w, connections);
}

struct listing {
    struct serve_request *r;
    uint32_t rows;
    bool truncated;
    enum proto_error error;
};

/* The latest of the node's connections, and how many there are. */
static const struct serve_node *connected(const struct serve *serve, const struct proto_id *id, uint32_t *count) {
    const struct serve_node *latest = NULL;
    *count = 0;
    for (const struct serve_node *node = serve->nodes; node; node = node->next)
        if (node->session && node->confirmed && proto_id_compare(&node->id, id) == 0) {
            (*count)++;
            if (!latest || node->contact_at > latest->contact_at)
                latest = node;
        }
    return latest;
}

static bool has_room(struct listing *listing) {
    bool room = listing->rows < PROTO_ROWS_MAX && listing->r->w->size < SERVE_PAGE_BYTES;
    listing->truncated |= !room;
    return room;
}

static bool on_mark(void *arg, const char *name, struct store_bytes value) {
    static struct serve_node kept; /* the loop's thread only */
    struct listing *listing = arg;
    struct proto_slice text = {name + strlen(MARK_PREFIX), (uint32_t)(strlen(name) - strlen(MARK_PREFIX))};
    struct proto_id id;
    uint32_t connections;
    if (!has_room(listing))
        return false;
    if (proto_id_parse(text, &id) != PROTO_OK || !decode(value, &kept)) {
        listing->error = PROTO_CORRUPT;
        return false;
    }
    kept.id = id;
    const struct serve_node *live = connected(listing->r->serve, &id, &connections);
    write_row(listing->r, live ? live : &kept, connections);
    listing->rows++;
    return true;
}

/* Nodes that are connected and not yet written down. */
static void write_new(struct listing *listing) {
    for (const struct serve_node *node = listing->r->serve->nodes; node; node = node->next) {
        struct store_bytes value;
        char name[48];
        uint32_t connections;
        mark_name(&node->id, name);
        if (connected(listing->r->serve, &node->id, &connections) != node ||
            store_read_mark(listing->r->txn, name, &value) == PROTO_OK)
            continue;
        if (!has_room(listing))
            return;
        write_row(listing->r, node, connections);
        listing->rows++;
    }
}

enum proto_error serve_nodes(struct serve_request *r) {
    struct listing listing = {.r = r};
    size_t map = proto_write_map_begin(r->w);
    proto_write_text(r->w, "rows");
    size_t mark = proto_write_array_begin(r->w);
    enum proto_error error = store_read_marks(r->txn, MARK_PREFIX, on_mark, &listing);
    if (error == PROTO_OK)
        error = listing.error;
    if (error == PROTO_OK)
        write_new(&listing);
    proto_write_array_end(r->w, mark, listing.rows);
    if (listing.truncated) {
        proto_write_text(r->w, "truncated");
        proto_write_bool(r->w, true);
    }
    proto_write_map_end(r->w, map, 1u + listing.truncated);
    return error;
}
