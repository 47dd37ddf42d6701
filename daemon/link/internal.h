/*
 * internal.h - what the files of link/ share: the link's parts and how they call one another.
 *
 *   link.c     life, the transport's events, backoff, ticks, and the pump that keeps everything going
 *   ask.c      requests with their tags, answers to whom they belong, faults of the upstream
 *   greet.c    hello: who is there, the clocks, is this store a copy
 *   apply.c    the one call to work/ in flight, and what is stored
 *   push.c     the log from link.pushed on, offered; answers applied in the order sent
 *   pull.c     pages from the cursor on
 *   compare.c  two logs that share no place: records by digest, page by page
 *   even.c     one record that differs
 *   check.c    what was pushed, and is not for this node to keep
 *   read.c     answers as values; status.c: for people
 *
 * What always holds:
 *  - an answer belongs to the generation in which it was asked; after a failure the next generation begins from what is stored;
 *  - one call to work/ at a time, so that a page is never applied over one that failed;
 *  - while comparing nothing else is pushed or pulled: an event is not refused for want of what the upstream lost before it.
 */
#ifndef LINK_INTERNAL_H
#define LINK_INTERNAL_H

#include "link/link.h"
#include "link/read.h"
#include "net/caller.h"
#include "proto/ids.h"
#include "proto/message.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#define LINK_BACKOFF_FIRST_MS 500
#define LINK_BACKOFF_MAX_MS 60000
#define LINK_SLOW_MS 60000           /* the upstream will not do it: an older version, or no right to */
#define LINK_SILENCE_MS 60000        /* calls in flight and not a byte */
#define LINK_SILENCE_OFFER_MS 180000 /* our own megabytes may be on a slow way out */
#define LINK_CONNECT_MS 30000
#define LINK_RETRY_MS 1000
#define LINK_REBUILD_MS 2000
#define LINK_FULL_MS 10000
#define LINK_CLOCK_MS 600000 /* how often the clocks are compared on a standing connection */
#define LINK_CURSOR_MS 60000 /* a cursor that moved over nothing of ours is stored this often */
#define LINK_OFFER_BYTES (1u << 20)
#define LINK_OFFER_EVENTS PROTO_KEPT_MAX
#define LINK_OFFERS 4       /* in flight, of LINK_WINDOW */
#define LINK_SCAN_MAX 20000 /* entries of the log looked at in one turn */
#define LINK_PARTS 64       /* answers that wait to be applied; a power of two */
#define LINK_UPSTREAMS 60
#define LINK_TODO 256      /* records that differ, looked up at once */
#define LINK_FETCH_IDS 100 /* so many of the largest events fit an answer */
#define LINK_DIGEST_IDS 200

static_assert(LINK_WINDOW <= NET_CALLER_CALLS_MAX && LINK_OFFERS < LINK_WINDOW, "pulling goes on while pushing");
static_assert(LINK_HELD_BYTES_MAX / PROTO_NODE_MESSAGE_BYTES_MAX >= LINK_WINDOW, "the window fits what is held");
static_assert(LINK_FETCH_IDS * (PROTO_EVENT_BYTES_MAX + 64) < PROTO_NODE_MESSAGE_BYTES_MAX, "they fit");
static_assert(LINK_UPSTREAMS * PROTO_ID_BYTES <= 1024, "a mark holds them");
static_assert(LINK_OFFER_BYTES + PROTO_EVENT_BYTES_MAX < PROTO_NODE_MESSAGE_BYTES_MAX, "an offer fits a message");

enum link_conn { LINK_CONN_NONE, LINK_CONN_BEGUN, LINK_CONN_GREETING, LINK_CONN_UP, LINK_CONN_STOPPED };

/* What a call was asked for; its tag holds this, the generation and a number of the asker's. */
enum link_ask {
    LINK_ASK_HELLO,
    LINK_ASK_CLOCK,
    LINK_ASK_OFFER, /* number: of the offer */
    LINK_ASK_PAGE,  /* number: of the part */
    LINK_ASK_DIGEST,
    LINK_ASK_STATES,
    LINK_ASK_EVEN, /* number: place in compare.evens */
    LINK_ASK_CHECK
};

struct link_bytes { /* an answer kept until it is applied */
    uint8_t *data;
    size_t size;
};

/* --- push ---------------------------------------------------------------------------------------------------- */

struct link_offer {
    uint32_t number;
    uint64_t end; /* the log up to here is answered when this is */
    uint64_t *seqs;
    uint32_t count;
    bool answered, has_seen;
    struct proto_position seen; /* where the upstream holds them */
    struct link_bytes answer;
};

struct link_push {
    uint64_t scanned; /* up to here the log was looked at */
    uint32_t number;  /* of the next offer */
    uint32_t count;
    struct link_offer offers[LINK_OFFERS];
    bool more; /* the turn ended before the log did */
};

/* --- pull ---------------------------------------------------------------------------------------------------- */

struct link_part {
    bool answered, within, more, empty, has_seen;
    bool reset; /* who came and who left by it can only be told by comparing */
    uint64_t seq;
    struct proto_position cursor, seen;
    struct link_bytes answer;
};

struct link_pull {
    uint32_t head, tail; /* numbers of the parts that are held or asked for */
    uint32_t in_flight;
    size_t held_bytes;
    bool begun;         /* the first answer came: the upstream's log is the one we know */
    bool need_fetch;    /* ask from the cursor on, not for the next */
    bool first_pending; /* that is in flight */
    uint32_t ordered;   /* parts before this one were answered */
    bool ended;         /* and the last one in order said that there is no more */
    bool wait_push;     /* a page waits for events of ours to go out first */
    bool polling;       /* what is in flight only asks whether there is anything */
    int64_t poll_at, cursor_stored_at;
    struct link_part parts[LINK_PARTS];
};

/* --- compare ------------------------------------------------------------------------------------------------- */

enum link_differs { LINK_DIFFERS_BOTH, LINK_DIFFERS_THERE, LINK_DIFFERS_HERE };

struct link_todo {
    struct proto_id record;
    uint8_t differs; /* enum link_differs */
    uint8_t state;   /* enum work_record_state at the upstream, of what is only here; once `asked` */
    bool asked;
    struct work_digest digest; /* at the upstream, likewise */
};

enum link_stage {
    LINK_STAGE_NONE,
    LINK_STAGE_LIST,  /* their ids and hashes */
    LINK_STAGE_OFFER, /* what they lack */
    LINK_STAGE_FETCH, /* by id, what is missing here */
    LINK_STAGE_WHOLE, /* the record as they have it */
    LINK_STAGE_APPLY,
    LINK_STAGE_LEAVE
};

struct link_listed {
    struct proto_id id;
    uint8_t hash[PROTO_HASH_BYTES];
};

struct link_got { /* an answer of one record, until it is applied */
    struct link_bytes answer;
    uint32_t offer_first, offer_count; /* count 0: events */
};

struct link_even {
    uint8_t stage; /* enum link_stage */
    bool busy;     /* a call is in flight, or it is being applied */
    struct link_todo todo;
    uint64_t listed_seq;
    char token[LINK_TOKEN_BYTES];
    struct link_listed *theirs;
    uint32_t theirs_count, theirs_cap;
    uint64_t *offers;
    uint32_t offer_count, offer_at, offer_asked;
    struct proto_id *fetches;
    uint32_t fetch_count, fetch_at, fetch_asked;
    struct link_got *got;
    uint32_t got_count, got_cap;
    size_t got_bytes;
};

struct link_compare {
    bool on, asked, states_asked, has_cursor;
    bool page_here, page_last; /* `theirs` is a page that is being walked; there is none behind it */
    struct proto_position cursor;
    char token[LINK_TOKEN_BYTES];
    struct link_digest_row *theirs;
    uint32_t theirs_count, theirs_at;
    bool has_seen;
    struct proto_position seen;  /* by this place the upstream holds what was offered and fetched */
    bool has_walked, here_ended; /* own records up to `walked` were compared; or all that this page is about */
    struct proto_id walked;
    struct link_todo *todo;
    uint32_t todo_count, todo_at, todo_cap;
    uint32_t states[LINK_DIGEST_IDS], states_count; /* places in `todo` whose state is asked for */
    struct link_even evens[LINK_WINDOW];
};

/* --- check --------------------------------------------------------------------------------------------------- */

struct link_check {
    bool asked, answered;   /* answered: what `records` are now leaves */
    bool whole, has_walked; /* of all that is here: nothing comes behind `walked` */
    struct proto_id walked;
    uint64_t end, pushed;
    uint32_t count;
    struct proto_id records[LINK_DIGEST_IDS];
};

/* --- apply --------------------------------------------------------------------------------------------------- */

enum link_applying {
    LINK_APPLY_NONE,
    LINK_APPLY_MARKS,
    LINK_APPLY_OFFER,
    LINK_APPLY_PAGE,
    LINK_APPLY_EVEN,
    LINK_APPLY_CHECK,
    LINK_APPLY_END
};

struct link_apply {
    enum link_applying what;
    uint32_t generation, even;
    uint64_t pushed;
    bool has_cursor, has_seen, voids, resets;
    struct proto_position cursor, seen;
    struct work_scope scope;           /* what the cursor is good for */
    bool upstreams, offset, has_check; /* marks that go with it */
    uint64_t check_from;
    int64_t offset_ms;
    int64_t retry_at; /* work/ had no room */
};

struct link_stored {
    bool has_cursor, has_seen, teams_match;
    bool has_teams;  /* `teams` are those that the cursor was stored for */
    bool teams_void; /* and what is here may be more or less than they say: all is to be compared */
    struct work_scope teams;
    struct proto_position cursor;
    struct proto_position
        seen; /* by this place of its log the upstream held all that was answered, and all that came */
    uint64_t pushed;
    uint64_t check_from,
        check_saved; /* own events from here on were not asked about; 0: nor was anything that is here */
    struct proto_id upstreams[LINK_UPSTREAMS]; /* the newest last */
    uint32_t upstream_count;
    bool upstreams_dirty;
    int64_t offset_saved_ms;
    bool has_offset;
};

struct link {
    struct link_options options;
    struct work_scope scope; /* asked for now: today's, or that of before until what waits has gone out */
    bool not_before;         /* the upstream will not have that of before */
    struct net_caller caller;
    struct proto_arena *arena, *apply_arena, *event_arena;
    enum link_conn conn;
    uint32_t generation;
    bool renewed; /* this connection has been greeted under a new node id already */
    bool pumping, pump_again, started;
    uint32_t failures;
    int64_t connect_at, heard_at, asked_at, paused_until, clock_at;
    int64_t asked_wall, asked_steady; /* of the clock's question in flight */
    bool clock_asked;
    struct link_stored stored;
    struct link_apply apply;
    struct link_push push;
    struct link_pull pull;
    struct link_compare compare;
    struct link_check check;
    /* for people */
    int64_t last_contact, offset_ms, round_trip_ms;
    uint64_t upstream_seq;
    struct proto_id upstream;
    char fault[256];
    uint64_t counted_from, counted_to, counted, uncounted, rows_seq, refused, left;
};

/* link.c */
bool link_same_scope(const struct work_scope *a, const struct work_scope *b);
int64_t link_now(const struct link *link);
/* Whatever can be done now. Safe to call from anywhere but a transport's own call. */
void link_pump(struct link *link);
/* Ends the connection; the next one after the backoff, or after LINK_SLOW_MS. */
void link_drop(struct link *link, bool slow, const char *why);
/* Everything under way on this connection is forgotten and begun again from what is stored, after so long. */
void link_again(struct link *link, int64_t delay_ms, const char *why);
/* All is well: the next failure begins its backoff anew. */
void link_well(struct link *link);

/* ask.c: NULL when there is no room for a call, or no memory. */
struct proto_writer *link_ask_begin(struct link *link, const char *method);
/* False: it did not fit or there is no memory, and the connection ends. */
bool link_ask_end(struct link *link, enum link_ask ask, uint32_t number);
void link_write_scope(const struct work_scope *scope, struct proto_writer *w); /* one pair */
void link_ask_flush(struct link *link);
void link_answers(struct link *link);
/* What came is not what a betony server answers: the connection ends. */
void link_malformed(struct link *link, const char *what);
struct link_bytes link_keep(struct link *link, const struct net_answer *answer);
/* The result of a kept answer, in the apply arena, until the next; NULL when there is no memory. */
const void *link_kept_result(struct link *link, const struct link_bytes *bytes);
void link_bytes_free(struct link_bytes *bytes);
uint32_t link_calls(const struct link *link);

/* greet.c */
void link_greet(struct link *link);
void link_greeted(struct link *link, const void *result);
void link_ask_clock(struct link *link);
void link_clock_answered(struct link *link, const void *result);

/* apply.c */
enum proto_error link_load(struct link *link);
/* By this place the upstream holds what was heard of it; the later one of a log counts. */
void link_see(struct proto_position *seen, bool *has_seen, const struct proto_position *at);
/* A page call with the marks of the time; NULL when another is in flight or there is no room now. */
struct work_call *link_apply_begin(struct link *link, enum link_applying what, uint64_t pushed);
/* False: the connection has ended or is to begin again; the call is gone. */
bool link_apply_event(struct link *link, struct work_call *call, const struct proto_kept *kept);
bool link_apply_events(struct link *link, struct work_call *call, const struct link_list *events);
/* Applies the answer of an offer of these seqs. */
bool link_apply_results(struct link *link, struct work_call *call, const uint64_t *seqs, uint32_t count,
                        const struct link_bytes *answer);
void link_apply_submit(struct link *link, struct work_call *call);
void link_apply_give_up(struct link *link, struct work_call *call);
void link_apply_marks(struct link *link);
/* Before anything goes out for other teams than those of the mark: it is said there that the cursor is good for nobody until
 * all was compared. False: that is being stored, or has to wait. */
bool link_apply_void(struct link *link);

/* push.c */
void link_push_reset(struct link *link);
bool link_push_idle(const struct link *link); /* all of the log that is to be seen was answered */
void link_push_pump(struct link *link);
void link_push_apply(struct link *link);
void link_push_answered(struct link *link, uint32_t number, const struct net_answer *answer);
void link_push_applied(struct link *link);
/* An offer up to its events: the map with the place, and with `cursor` how far was pulled; then an array of fixed width
 * follows, to be ended with the mark. */
struct proto_writer *link_offer_begin(struct link *link, struct store_txn *txn, bool cursor, size_t *mark);
/* One event of the log as an entry of an offer. */
enum proto_error link_write_kept(struct store_txn *txn, struct proto_writer *w, const struct store_event *event,
                                 bool joined);
bool link_is_ours(const struct link *link, const struct store_event *event);
/* Whether any event of ours has not been answered. */
enum proto_error link_waits(struct link *link, bool *waits);

/* pull.c */
void link_pull_reset(struct link *link);
bool link_pull_idle(const struct link *link);
void link_pull_pump(struct link *link);
void link_pull_apply(struct link *link);
void link_pull_answered(struct link *link, uint32_t number, const struct net_answer *answer);
void link_pull_applied(struct link *link);
void link_pull_conflict(struct link *link);

/* compare.c */
void link_compare_begin(struct link *link);
void link_compare_reset(struct link *link);
void link_compare_pump(struct link *link);
void link_compare_apply(struct link *link);
void link_compare_digest(struct link *link, const void *result);
void link_compare_states(struct link *link, const void *result);
void link_compare_ended(struct link *link);

/* even.c */
void link_even_begin(struct link *link, struct link_even *even, const struct link_todo *todo);
void link_even_reset(struct link_even *even);
void link_even_pump(struct link *link, uint32_t number);
bool link_even_apply(struct link *link, uint32_t number); /* true: a call was begun */
void link_even_answered(struct link *link, uint32_t number, const struct net_answer *answer);
void link_even_applied(struct link *link, uint32_t number, bool conflict);

/* check.c */
void link_check_reset(struct link *link);
bool link_check_busy(const struct link *link); /* no page is asked for meanwhile */
/* When push and pull rest. */
void link_check_pump(struct link *link);
void link_check_answered(struct link *link, const void *result);
void link_check_apply(struct link *link);
void link_check_applied(struct link *link, bool conflict);

#endif
