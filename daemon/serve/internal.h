/*
 * internal.h - what the files of serve/ share: one request, its answer, tokens, keys, merged ranges.
 */
#ifndef SERVE_INTERNAL_H
#define SERVE_INTERNAL_H

#include "serve/serve.h"
#include "work/rows.h"

/* Rows that one page looks at; what is left is continued by a token. Some 20 ms of the loop at most. */
#define SERVE_ROWS_LOOKED_AT_MAX 20000u
/* A page ends when its answer has grown to this: one more row and the envelope still fit. */
#define SERVE_PAGE_BYTES (PROTO_MESSAGE_BYTES_MAX - 65536u)
/* Ranges that one call merges: teams times tasks. */
#define SERVE_RANGES_MAX 32768u

struct serve_team {
    uint32_t number, size;
    char name[44];
};

struct serve {
    struct serve_options options;
    uint8_t *answer; /* PROTO_MESSAGE_BYTES_MAX: the answer in the making */
    uint8_t *status; /* PROTO_STATUS_BYTES_MAX */
    struct work_child *child;
    struct care_schedule *probe; /* one task or one alert, for care_view */
    struct care_view view;
    struct proto_arena *arena; /* events read back from the log */
    struct serve_team *teams;  /* of the call in hand */
    uint32_t team_count, team_cap;
    struct proto_slice state_names[4], stoma_names[PROTO_stoma_count]; /* looked up once */
    struct proto_slice task_names[PROTO_TASK_COUNT], task_titles[PROTO_TASK_COUNT];
    bool stopping;
    struct serve_follow *follows; /* a list */
    uint32_t follow_count;
    struct serve_node *nodes; /* a list: sessions of nodes */
    uint64_t pushed;
    uint64_t calls[PROTO_METHOD_COUNT], errors[PROTO_ERROR_COUNT];
};

/* One call while it is answered. */
struct serve_request {
    struct serve *serve;
    struct net_session *session;
    struct net_ticket ticket;
    enum proto_method method;
    struct proto_value values[PROTO_PARAMS_MAX];
    int64_t now;
    int64_t waited_ms;
    struct store_txn *txn;  /* open for methods that read the view */
    struct proto_writer *w; /* the one value of the result goes here */
    struct proto_fault fault;
    bool later;   /* out: answered by somebody else */
    bool put_off; /* out: nothing done, the call is to come again */
};

#define SERVE_VALUE(r, m, f) (&(r)->values[PROTO_PARAM_##m##_##f])

typedef enum proto_error (*serve_method_fn)(struct serve_request *r);
enum proto_error serve_hello(struct serve_request *r);
enum proto_error serve_ping(struct serve_request *r);
enum proto_error serve_kinds(struct serve_request *r);
enum proto_error serve_rules(struct serve_request *r);
enum proto_error serve_stats(struct serve_request *r);
enum proto_error serve_record(struct serve_request *r);
enum proto_error serve_due(struct serve_request *r);
enum proto_error serve_alerts(struct serve_request *r);
enum proto_error serve_tally(struct serve_request *r);
enum proto_error serve_patients(struct serve_request *r);
enum proto_error serve_patient(struct serve_request *r);
enum proto_error serve_history(struct serve_request *r);
enum proto_error serve_devices(struct serve_request *r);
enum proto_error serve_follow(struct serve_request *r);
enum proto_error serve_unfollow(struct serve_request *r);
enum proto_error serve_offer(struct serve_request *r);
enum proto_error serve_fetch(struct serve_request *r);
enum proto_error serve_digest(struct serve_request *r);
enum proto_error serve_sync_state(struct serve_request *r);
enum proto_error serve_refused(struct serve_request *r);
enum proto_error serve_nodes(struct serve_request *r);

/* Sends what was written for a ticket. */
void serve_send_fault(struct serve *serve, struct net_ticket ticket, const struct proto_fault *fault);
/* An error between rooms becomes one that travels; the sentence of the first is kept for the daemon's own log. */
void serve_translate(struct proto_fault *fault);
/* Who the caller is: account and scope. */
void serve_who(const struct net_session *session, struct work_who *who);
/* The caller's roles, as guard/rights.h counts them: all for a trusted peer, none for any other. */
uint32_t serve_roles(const struct net_session *session);

/* Whether work/ takes a call now. False: answer *error, or with PROTO_OK nothing yet (put_off is set: the call comes again). */
bool serve_has_room(struct serve_request *r, enum proto_error *error);
enum proto_error serve_busy(struct serve_request *r);

/* ---- page.c: the teams a call asks about ------------------------------------------------------ */

/* Fills serve->teams with the named teams, or all in scope when none is named. BAD_VALUE for a team no child was ever in: a misspelt
 * name must not look like a team with nothing to do. */
enum proto_error serve_teams_load(struct serve_request *r, const struct proto_value *names) PROTO_MUST_CHECK;
/* Number of one team in scope; BAD_VALUE as above. */
enum proto_error serve_team_number(struct serve_request *r, struct proto_slice name,
                                   uint32_t *number_out) PROTO_MUST_CHECK;
/* Name of a loaded team (empty for number 0, children in no team); data NULL for any other. */
struct proto_slice serve_team_name(const struct serve *serve, uint32_t number);
/* Writes the name of a loaded team as a value. */
void serve_write_team(struct serve_request *r, uint32_t number);
/* Writes the pair "settling" when it holds; `serve_settling` says whether. */
bool serve_settling(const struct serve_request *r, struct work_progress *progress);
void serve_write_settling(struct proto_writer *w, const struct work_progress *progress);

/* ---- token.c: page tokens -------------------------------------------------------------------------- */

struct serve_token {
    uint8_t phase;
    int64_t now; /* of the first page: states do not move between pages */
    size_t position_size;
    uint8_t position[STORE_KEY_BYTES_MAX]; /* key of the last row looked at */
};
#define SERVE_TOKEN_TEXT_MAX 400
/* Writes the token of a page: bound to the method and to the parameters (all but `limit` and `after`). */
void serve_token_write(struct serve_request *r, const struct serve_token *token);
/* Reads `after`; *has says whether there was one. BAD_VALUE for anything that serve_token_write did not make for this very query. */
enum proto_error serve_token_read(struct serve_request *r, const struct proto_value *after, struct serve_token *token,
                                  bool *has) PROTO_MUST_CHECK;

/* ---- keys.c: parts of keys (store/tables.h) --------------------------------------------------------- */

size_t serve_key_u8(uint8_t *key, size_t at, uint8_t value);
size_t serve_key_u32(uint8_t *key, size_t at, uint32_t value);
size_t serve_key_t64(uint8_t *key, size_t at, int64_t value);
size_t serve_key_id(uint8_t *key, size_t at, const struct proto_id *id);
/* A text and its end mark; a text with a zero byte in it is cut there. */
size_t serve_key_text(uint8_t *key, size_t at, struct proto_slice text);
int64_t serve_key_get_t64(const uint8_t *key);
uint32_t serve_key_get_u32(const uint8_t *key);

/* ---- merge.c: many ranges of one table read as one, in the order of a part of their keys ------------------ */

struct serve_merge;
/* Keys begin with a prefix of `sort_at` bytes, one for each range; rows come in the order of the `sort_size` bytes behind it, then of the
 * whole key. */
enum proto_error serve_merge_new(struct store_txn *txn, enum store_table table, size_t sort_at, size_t sort_size,
                                 uint32_t ranges_max, struct serve_merge **out) PROTO_MUST_CHECK;
/* Adds the range of a prefix, from the row behind `position` on (NULL: from its first). */
enum proto_error serve_merge_add(struct serve_merge *merge, const uint8_t *prefix,
                                 const struct serve_token *position) PROTO_MUST_CHECK;
/* Needs room for one range more than there are. Adds every range that has rows and whose prefix begins with `cluster`, from its first row. */
enum proto_error serve_merge_add_all(struct serve_merge *merge, const uint8_t *cluster,
                                     size_t cluster_size) PROTO_MUST_CHECK;
/* The next row. NOT_FOUND at the end. Key and value live until the next call. */
enum proto_error serve_merge_next(struct serve_merge *merge, struct store_bytes *key,
                                  struct store_bytes *value) PROTO_MUST_CHECK;
/* Gives up the range that the last row came from. */
void serve_merge_drop(struct serve_merge *merge);
void serve_merge_free(struct serve_merge *merge);

/* ---- page.c: rows of one page -------------------------------------------------------------------------------- */

struct serve_page {
    uint32_t limit, rows, looked_at;
    size_t map_mark, rows_mark;
    bool more; /* ends with a token */
    struct serve_token token;
};
/* Begins the map {rows, after?, settling?} and its array. The caller sets page->token (phase, now) first. */
void serve_page_begin(struct serve_request *r, struct serve_page *page, const struct proto_value *limit);
/* True when another row may be looked at; else the page ends and the token stands at the last row looked at. Asked only once there is
 * such a row, so that the last page has no token. */
bool serve_page_has_room(struct serve_request *r, struct serve_page *page);
/* Remembers the key of the row that is looked at now. */
void serve_page_look(struct serve_page *page, struct store_bytes key);
/* Ends the array and the map: after?, settling? */
void serve_page_end(struct serve_request *r, struct serve_page *page);

/* ---- follow.c, changes.c: those who follow the log ------------------------------------------------------------ */

struct serve_follow {
    struct net_session *session;
    struct serve_follow *next, **link;
    bool all;              /* every team: the log itself is read */
    bool events, statuses; /* what is wanted */
    uint32_t team_count;
    char (*teams)[44];
    struct proto_position at; /* all up to here was sent, or is none of theirs */
    uint64_t told_seq;        /* of the last cursor that was sent */
    int64_t told_at;          /* when anything was sent, steady ms */
    int64_t scanned_at;       /* when it was last told how far it is without anything of its own, steady ms; 0: never */
};
/* Sends a bounded number of changes and moves follow->at on. *more: there are others. Any error ends the following. */
enum proto_error serve_send_changes(struct serve *serve, struct serve_follow *follow, bool *more) PROTO_MUST_CHECK;

#endif
