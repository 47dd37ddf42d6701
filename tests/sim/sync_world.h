/*
 * sync_world.h - a small region in one thread: a server and its laptops as shipped, on virtual time and a virtual network.
 *
 * A process is what `betonyd` is made of: a store in memory, work/, serve/ behind a hub, and for a laptop link/. Between them
 * run pipes of bytes that may be cut at any byte; users record at any of them. One source of chance drives all of it, so a
 * world is its seed and nothing else.
 *
 * What always holds: no clock, no thread, no file; whatever is torn down is made anew on the same store; an event counts as
 * acknowledged only when its user has seen the answer.
 */
#ifndef TESTS_SIM_SYNC_WORLD_H
#define TESTS_SIM_SYNC_WORLD_H

#include "link/link.h"
#include "net/hub.h"
#include "serve/serve.h"
#include "store/store.h"
#include "support/random_events.h"
#include "work/sync.h"

#include <setjmp.h>

#define SIM_PROCESSES_MAX 14 /* the server is the first */
#define SIM_CONNS_MAX 48
#define SIM_CHILDREN_MAX 12
#define SIM_CALL_ITEMS_MAX 6
#define SIM_BACKUPS_MAX 6
#define SIM_NEVER INT64_MAX

struct sim;

/* --- sync_net.c -------------------------------------------------------------------------------------- */

struct sim_segment {
    int64_t at; /* when it comes out */
    size_t size;
};

struct sim_pipe { /* one direction */
    uint8_t *bytes;
    size_t begin, end, cap;
    struct sim_segment *segments;
    uint32_t first, count, segment_cap;
    uint64_t written, break_after; /* with so many bytes written the connection breaks */
    int64_t last_at;
    int64_t end_at; /* the reader sees the end then; SIM_NEVER: it is open */
    bool closed;    /* takes no more */
};

struct sim_conn {
    bool used;
    uint32_t number;
    struct sim_process *client; /* NULL: this end is closed */
    struct sim_process *server;
    struct net_session *session; /* NULL likewise */
    struct sim_pipe up, down;
    int64_t delay_ms, jitter_ms;
    size_t window_bytes;
};

/* --- sync_process.c ---------------------------------------------------------------------------------- */

struct sim_process {
    struct sim *sim;
    uint32_t index;
    char name[20];
    bool exists, up, dying, is_clone;
    struct store *store;
    struct work *work;
    struct net_hub *hub;
    struct serve *serve;
    struct link *link; /* not of the server */
    struct work_scope scope;
    bool scope_changed; /* once, at least */
    int64_t skew_ms;
    uint32_t poll_ms;
    int64_t start_at;      /* while down: when it comes up */
    int64_t busy_until;    /* it is slow for so long */
    int64_t offline_until; /* the network does not reach it */
    bool woken;
    bool connecting;
    int64_t connect_at;
    int connect_how; /* what comes of it */
    struct sim_conn *conn;
    uint64_t log_seq_seen;
    enum link_state link_state; /* as last told */
};

struct sim_backup {
    struct store *store;
    uint32_t process;
    int64_t at;
};

/* --- sync_users.c -------------------------------------------------------------------------------------- */

struct sim_item { /* an event that some user has, or will have */
    uint8_t *bytes;
    size_t size;
    struct proto_id id, patient;
    bool has_patient;
    enum proto_kind kind;
    uint32_t child; /* UINT32_MAX: none */
    bool acked;     /* a user saw that it is recorded */
    bool lost;      /* and the last store that held it was put back or is gone */
    bool shares_id; /* with another item of other content */
    char mark[24];  /* text that no other event has; empty: none */
    uint32_t acked_by;
    bool has_received_at; /* all who held it when the server lost it had its word for when it came first */
    int64_t received_at;
};

struct sim_call {
    bool used;
    struct sim_process *process;
    uint32_t items[SIM_CALL_ITEMS_MAX], count;
};

struct sim_child {
    struct random_history history;
    uint32_t next; /* of the history */
    char team[44]; /* it is first registered for; empty: the history begins otherwise */
    uint32_t first_item;
    bool moves; /* an event that may take it to another team was sent, or a merge */
    bool erased, registered_twice;
};

/* --- all of it ----------------------------------------------------------------------------------------- */

enum sim_action {
    SIM_RECORD,
    SIM_REGISTER,
    SIM_AGAIN,
    SIM_SHARE_ID,
    SIM_MOVE,
    SIM_MERGE,
    SIM_UNMERGE,
    SIM_POLICY,
    SIM_RECALL,
    SIM_FUTURE,
    SIM_ERASE,
    SIM_NEWER,
    SIM_REFUSED,
    SIM_CUT,
    SIM_OFFLINE,
    SIM_STALL,
    SIM_CRASH_SERVER,
    SIM_CRASH_NODE,
    SIM_STOP,
    SIM_BACKUP,
    SIM_RESTORE_ANNOUNCED,
    SIM_RESTORE_SERVER,
    SIM_RESTORE_NODE,
    SIM_CLONE,
    SIM_LOSE_NODE,
    SIM_PROMOTE,
    SIM_SCOPE,
    SIM_SKIP,
    SIM_SKEW,
    SIM_ACTIONS
};

struct sim_totals { /* over all worlds: a simulator in which nothing happens shows nothing */
    uint64_t worlds, events_acked, acked_at_nodes, events_lost, refused, connects, cuts, crashes, bytes, statuses,
        records, replaced, left, erased, received_again, actions[SIM_ACTIONS];
    int64_t settle_ms_max, settle_ms;
};

struct sim {
    uint64_t seed;
    struct random_source random;
    bool trace, failed, healing;
    char failure[1024];
    jmp_buf out;
    const struct care_zones *zones;
    struct sim_totals *totals;
    int64_t now, wall_base; /* steady ms; wall = base + now + a process's skew */
    struct sim_process processes[SIM_PROCESSES_MAX];
    uint32_t process_count;
    struct sim_conn conns[SIM_CONNS_MAX];
    uint32_t conns_made;
    struct sim_backup backups[SIM_BACKUPS_MAX];
    struct sim_child children[SIM_CHILDREN_MAX];
    uint32_t child_count;
    struct sim_item *items;
    uint32_t item_count, item_cap, marks_made;
    struct sim_call calls[64];
    struct proto_arena *arena;
    uint32_t weights[SIM_ACTIONS];
    uint32_t cut_percent, slow_percent, stall_percent;
    int64_t delay_ms_max, pace_ms;
    uint32_t steps_here; /* without time going on */
};

extern const char *const sim_teams[3];
#define SIM_TEAMS 3

void sim_say(const struct sim *sim, const char *format, ...) __attribute__((format(printf, 2, 3)));
/* Notes why, and leaves the world. */
_Noreturn void sim_fail(struct sim *sim, const char *format, ...) __attribute__((format(printf, 2, 3)));
static inline uint32_t sim_below(struct sim *sim, uint32_t limit) {
    return random_below(&sim->random, limit);
}
static inline bool sim_chance(struct sim *sim, uint32_t percent) {
    return random_chance(&sim->random, percent);
}
/* 1 to `most`, small ones far more often. */
int64_t sim_some_ms(struct sim *sim, int64_t most);
int64_t sim_wall(const struct sim_process *process);
void sim_text_of_id(const struct proto_id *id, char out[40]);

/* Network. */
void sim_conn_open(struct sim_process *client, struct sim_process *server);
void sim_conn_send(struct sim_conn *conn, const uint8_t *bytes, size_t size);
void sim_conn_cut(struct sim *sim, struct sim_conn *conn);
/* Not a byte more, and both ends know. */
void sim_conn_drop(struct sim *sim, struct sim_conn *conn);
void sim_conn_client_close(struct sim_conn *conn);
/* The server's end, orderly or with its process. */
void sim_conn_server_close(struct sim_conn *conn, bool orderly);
void sim_conn_turn(struct sim_conn *conn);
bool sim_conn_step(struct sim *sim, struct sim_conn *conn);
int64_t sim_conn_next(const struct sim *sim, const struct sim_conn *conn);
void sim_conns_free(struct sim *sim);

/* Processes. */
struct sim_process *sim_process_new(struct sim *sim, const char *what);
void sim_store_new(struct sim_process *process);
struct store_options sim_store_options(struct sim *sim);
void sim_process_start(struct sim_process *process);
void sim_process_stop(struct sim_process *process);
void sim_process_crash(struct sim_process *process, bool lose_view);
/* Its store is closed and another takes its place; the process must be down. */
void sim_process_put_store(struct sim_process *process, struct store *store);
bool sim_process_step(struct sim_process *process);
int64_t sim_process_next(const struct sim_process *process);
const char *sim_link_state_name(enum link_state state);
bool sim_scope_has(const struct work_scope *scope, const char *team);

extern bool sim_taking_apart; /* a process is on its way down: nothing that is done now is done any more */

/* The canary's (sync_canary.c): plants a fault by name. */
bool sim_plant(const char *name) __attribute__((weak));

/* Users. */
void sim_users_init(struct sim *sim);
void sim_users_deinit(struct sim *sim);
void sim_user_act(struct sim *sim, enum sim_action action);
const char *sim_item_name(const struct sim_item *item);
/* After a store is gone: what nobody holds any more is lost, and nobody's fault. */
void sim_note_losses(struct sim *sim);
void sim_note_receipts(struct sim *sim, struct store *before, struct store *after);
void sim_forget_calls(struct sim_process *process);

/* sync_plot.c */
void sim_play(struct sim *sim);
void sim_run_for(struct sim *sim, int64_t ms);

/* sync_oracle.c */
void sim_judge(struct sim *sim);

#endif
