/*
 * inside.h - what the files of work/ share: the call, the batch on its way through the stages, and the daemon's one `struct work`.
 *
 * Who owns what:
 *  - a call belongs to its maker until submitted, then to the queue, the batch, the done list, and at on_done to its maker again;
 *  - a batch belongs to the stage that runs it; the log stage hands it over in work->slot, which holds one;
 *  - a hand (memory of one care worker) belongs to one thread while jobs run; the view stage reads its ops afterwards;
 *  - work->lock guards what stands below it. Stages never hold it while they work.
 */
#ifndef WORK_INSIDE_H
#define WORK_INSIDE_H

#include <pthread.h>
#include <stdatomic.h>

#include "proto/ids.h"
#include "work/class.h"
#include "work/context.h"
#include "work/feed.h"
#include "work/joined.h"
#include "work/map.h"
#include "work/meta.h"
#include "work/rows.h"
#include "work/system.h"
#include "work/work.h"

#define WORK_QUEUE_EVENTS_HIGH (UINT64_C(4) * PROTO_BATCH_EVENTS_MAX) /* work_has_room says no from here on */
#define WORK_QUEUE_BYTES_HIGH (UINT64_C(4) * PROTO_BATCH_BYTES_MAX)
#define WORK_HANDS_MAX 16

/* --- calls ------------------------------------------------------------------------------------- */

struct work_entry {
    struct work_event event; /* seq: given by the log stage; of a repeated one the seq it is held under */
    size_t offset;           /* in call->bytes: event.bytes is set when the call is submitted */
    uint32_t repeats;        /* 1 + place in the call of the event that this one repeats; 0: none in the call */
    bool repeated;
};

/* What a call that carries events between nodes has besides its entries (sync.c, judge_sync.c). */
struct work_sync_item { /* beside each entry */
    bool joined, malformed, has_receipt;
    int64_t received_at;
    uint8_t receipt[WORK_RECEIPT_BYTES];
    /* judged */
    enum work_sync_state state;
    enum proto_error code;
    char message[160];
    uint64_t old_seq;           /* HELD, OTHER: where the id is held */
    size_t theirs, theirs_size; /* OTHER: in `kept` */
    int64_t held_at;            /* when that was received here */
};
struct work_sync_refusal {
    uint64_t seq;
    enum proto_error code;
    char message[160];
    bool forget;
};
struct work_sync_settle {
    uint64_t seq;
    bool again;
};
struct work_sync_receipt {
    uint64_t seq;
    int64_t received_at;
    uint8_t receipt[WORK_RECEIPT_BYTES];
};
struct work_sync_name {
    char name[64];
    size_t at, size; /* in `marks` */
};
struct work_sync_system { /* an entry in the making */
    struct proto_id id;
    uint64_t seq;
    size_t at, size; /* in `systems` */
};
struct work_sync {
    enum work_sync_what what;
    struct work_sync_from from;
    struct work_sync_item *items;
    uint32_t item_cap;
    struct proto_id *leaves;
    uint32_t leave_count, leave_cap;
    struct work_sync_refusal *refusals;
    uint32_t refusal_count, refusal_cap;
    struct work_sync_settle *settles;
    uint32_t settle_count, settle_cap;
    struct work_sync_receipt *receipts;
    uint32_t receipt_count, receipt_cap;
    struct work_sync_name *names;
    uint32_t name_count, name_cap;
    struct work_buffer marks;
    struct work_reading reading; /* of the maker's thread */
    /* made by the judgement */
    struct work_buffer kept;
    struct work_entry *extra; /* recorded here again: re-issued, or sent again from the refused list */
    uint32_t extra_count, extra_cap;
    struct work_buffer extra_bytes;
    struct work_buffer systems;
    struct work_sync_system *system_list;
    uint32_t system_count, system_cap;
};
void work_sync_free(struct work_sync *sync);

struct work_call {
    struct work *work;
    struct work_sync *sync; /* NULL: a call that records */
    struct work_who who;
    enum work_want want;
    struct work_entry *entries;
    uint32_t count, cap;
    struct work_buffer bytes;
    work_done_fn on_done;
    void *arg;
    struct proto_fault fault;
    struct work_buffer result;
    struct work_call *next;           /* in the queue or the done list */
    uint32_t reply_first, reply_last; /* 1 + index into batch->replies; 0: none */
};

/* --- batches ------------------------------------------------------------------------------------ */

enum work_reply_what { WORK_REPLY_OPENED, WORK_REPLY_SETTLED, WORK_REPLY_ALIKE, WORK_REPLY_NOTE, WORK_REPLY_STATUS };
struct work_reply { /* one encoded value for one list of one call's answer, in a hand's `answers` */
    struct work_call *call;
    uint8_t what; /* enum work_reply_what */
    size_t at, size;
};

struct work_ref { /* an event that was held already, and who sent it again */
    struct work_call *call;
    struct proto_id event, patient;
};

enum work_job_kind {
    WORK_JOB_FOLD,    /* one class, from its stored state */
    WORK_JOB_REGROUP, /* a super class whose classes may change, whole */
    WORK_JOB_PLAN     /* one class, only planned anew */
};

struct work_job {
    enum work_job_kind kind;
    struct proto_id root, super; /* root: not for REGROUP */
    struct proto_id *supers;     /* REGROUP: all super classes that become one */
    uint32_t super_count, super_cap;
    uint32_t event_first, event_count; /* in batch->job_events, in order of seq */
    uint32_t ref_first, ref_count;     /* in batch->refs */
    /* what came of it */
    struct work_hand *hand;
    size_t ops_at, ops_end;
    uint32_t reply_at, reply_end; /* in hand->replies */
    int32_t children;             /* classes more than before */
    enum proto_error error;
};

struct work_system_entry { /* of a batch, in order of seq */
    uint64_t seq;
    size_t at, size; /* in batch->system_bytes */
};

enum work_batch_kind { WORK_BATCH_CALLS, WORK_BATCH_TICK, WORK_BATCH_SLICE, WORK_BATCH_CATCH_UP, WORK_BATCH_REBUILD };

struct work_batch {
    enum work_batch_kind kind;
    uint64_t number; /* of the log's batches; 0 for others */
    int64_t now;
    struct work_call *calls, *calls_last;
    struct work_entry **new_events; /* CALLS: appended, in order of seq */
    uint32_t new_count, new_cap;
    struct work_entry *owned; /* CATCH_UP: entries and bytes of its own */
    struct work_buffer owned_bytes;
    uint64_t seq_first, seq_last; /* what was appended; 0: nothing */
    struct work_system_entry *systems;
    uint32_t system_count, system_cap;
    struct work_buffer system_bytes;
    struct work_drops drops;   /* events that count no more, sorted */
    struct work_map erased;    /* records that are erased by it */
    struct work_drops removed; /* all whose bodies go once the view has the batch */
    struct work_ref *refs;
    uint32_t ref_count, ref_cap;
    /* prepared */
    struct work_job *jobs;
    uint32_t job_count, job_cap;
    struct work_event **job_events; /* grouped by job */
    struct work_context *context;
    bool context_changed;
    struct work_rows rows;  /* teams, context, waiting context events, meta */
    struct work_buffer ops; /* of the batch as a whole */
    struct work_settling settling;
    bool settling_changed;
    int64_t children;
    uint64_t refolds, folds, plans;
    bool passed; /* the view has its events already: it is only to be answered, without knowing */
    bool behind; /* the view does not have what came before it */
    enum proto_error error;
    uint32_t *order; /* single-threaded: order in which jobs run */
    atomic_uint next_job;
};

/* --- one care worker's memory ----------------------------------------------------------------------- */

#define WORK_FOUND_MAX (2 * PROTO_SCHEDULE_ALERTS_MAX)
struct work_found { /* alerts that one call opened and settled, for one child */
    uint32_t opened_count, settled_count;
    struct care_alert opened[WORK_FOUND_MAX], settled[WORK_FOUND_MAX];
};

struct work_hand {
    struct work_reading reading;
    struct work_voids voids;
    struct work_feed feed;
    struct care_state *state;
    struct care_schedule *stored, *before, *after; /* as stored; before and after an event */
    struct work_found *found;
    struct work_rows old_rows, new_rows;
    struct work_buffer ops, answers;
    struct work_reply *replies;
    uint32_t reply_count, reply_cap;
    uint32_t job_replies;      /* where those of the job in hand begin */
    struct work_drops removed; /* events of erased records that were found */
    uint64_t folds, refolds, plans;
};
bool work_hand_init(struct work_hand *hand);
void work_hand_deinit(struct work_hand *hand);
void work_hand_clear(struct work_hand *hand);

/* --- teams by number ---------------------------------------------------------------------------------- */

struct work_teams {
    char (*names)[44];
    uint32_t *numbers;
    uint32_t count, cap, next; /* next: number of the next new team */
};
/* False when it has no number yet. A child without a team (its registration was withdrawn) is under number 0, which has no row. */
bool work_teams_find(const struct work_teams *teams, const char *name, uint32_t *number);
uint32_t work_teams_add(struct work_teams *teams, const char *name);
enum proto_error work_teams_load(struct work_teams *teams, struct store_txn *txn) PROTO_MUST_CHECK;
void work_teams_free(struct work_teams *teams);
void work_team_row(const char *name, uint32_t number, struct work_rows *rows);

/* --- admission's memory of what is on its way --------------------------------------------------------- */

struct work_flight_row {
    struct proto_id patient;
    bool registered;
    char team[44]; /* as last named on the way; empty: as the view has it */
};
struct work_flight { /* of one batch */
    uint64_t number;
    struct work_map map;
    struct work_flight_row *rows;
    uint32_t count, cap;
    bool joins; /* a merge is in it: what the view says of classes may not hold */
};
#define WORK_FLIGHTS 3

struct work_log_side { /* of the log stage alone */
    struct work_hand *hand;
    struct work_flight flights[WORK_FLIGHTS];
    /* Of the call under judgement: events and patients, their place in it; what its merges join. */
    struct work_map in_call, registered_in_call;
    struct work_map
        left; /* records that left the teams of the node whose offer is judged, and it may not know; once `left_known` */
    bool left_known;
    struct work_joined joined;
    struct work_teams teams;
    uint64_t next_number;
};

/* --- the one ---------------------------------------------------------------------------------------------- */

enum work_phase {
    WORK_PHASE_CHECK, /* what must be done is not known yet */
    WORK_PHASE_REBUILD,
    WORK_PHASE_CATCH_UP, /* the view is behind the log */
    WORK_PHASE_READY,
    WORK_PHASE_BEHIND, /* a view commit found no room; to be tried again */
    WORK_PHASE_BROKEN
};

struct work_rebuilding;

struct work_hand_start {
    struct work *work;
    struct work_hand *hand;
};

struct work {
    struct work_options options;
    struct store *store;
    struct proto_id node;
    struct work_log_side log_side;
    /* the pipeline's own */
    struct work_hand *hands; /* [0] the pipeline's, then one for each worker */
    uint32_t hand_count;
    struct work_teams teams;
    struct work_settling settling;
    uint64_t children;
    bool rules_stored;          /* STORE_META says what the view was made with */
    int64_t rules_since;        /* when these rules and this zone data came into use here */
    struct work_batch *current; /* single-threaded: on its way through the stages */
    int stage;
    bool sliced; /* the last unit was a slice of replanning: calls come first now */
    struct work_rebuilding *rebuilding;
    struct work_map erased; /* every record that was erased */
    uint64_t random;        /* order of stages */
    atomic_bool retry;      /* BEHIND: try again now */
    /* shared */
    pthread_mutex_t lock;
    pthread_cond_t log_wake, pipe_wake, hand_wake, hand_done, sync_wake, renew_done; /* on the steady clock */
    struct work_call *queue, *queue_last;
    struct work_batch *slot; /* logged, not yet taken */
    struct work_call *done, *done_last;
    struct work_context *context; /* in force */
    bool stop, stop_hands, log_stopped, log_held;
    struct work_drops removals; /* bodies to be taken away by the log stage */
    bool removals_wait;         /* for room; tried again when a call comes */
    bool renewing;              /* another node id is asked for */
    enum proto_error renewed;
    struct work_batch *hand_batch; /* jobs of it may be taken */
    uint64_t hand_round;           /* grows with every batch that is given out */
    uint32_t hands_busy;
    bool tick_due;
    uint64_t view_number; /* number of the last log batch that is in the view */
    struct proto_fault broken;
    /* counters and marks, any thread */
    atomic_int phase; /* enum work_phase */
    atomic_bool full; /* the log last refused events for lack of room */
    atomic_size_t queue_events, queue_bytes;
    atomic_llong next_tick;
    atomic_ullong rebuild_done, rebuild_of, settling_done, settling_of;
    atomic_bool settling_on;
    atomic_ullong calls, events, repeated, refused, batches, folds, refolds, plans, replans, view_commits;
    atomic_llong batch_us_last;
    uint8_t site_key[32];      /* receipts are made with it */
    atomic_llong clock_offset; /* ms, own clock minus the upstream's */
    atomic_ullong log_seq;     /* last seq of the log */
    struct proto_id_maker ids; /* under id_lock, as is `node` */
    pthread_mutex_t id_lock;
    bool resumed; /* what was left undone at the last end is done */
    pthread_t log_thread, pipe_thread, sync_thread, hand_threads[WORK_HANDS_MAX];
    struct work_hand_start hand_starts[WORK_HANDS_MAX];
    bool log_started, pipe_started, sync_started;
    uint32_t hands_started;
};

/* --- stages ------------------------------------------------------------------------------------------------- */

/* Admission and log: takes what is queued, answers what is refused, hands over one batch in work->slot. False: nothing to do now. */
bool work_log_stage(struct work *work);
/* Judges one call against the view, what is on its way and itself. False: it must wait until what is on its way is in the view. A fault goes to call->fault. */
struct work_judging {
    struct work *work;
    struct work_call *call;
    struct work_batch *batch;
    struct store_log *log;
    struct store_txn *txn;
    struct work_context *context;
    uint64_t first_flight; /* flights before it are in the view */
};
bool work_judge_call(struct work_judging *judging);
/* The same for a call that carries events between nodes; what comes of each event is in call->sync. */
bool work_judge_sync(struct work_judging *judging);
/* What judgement knows of a record: NOT_FOUND when it is not registered; the team that has it, as last named on the way. */
enum proto_error work_judge_team(struct work_judging *judging, const struct proto_id *patient,
                                 const char **team) PROTO_MUST_CHECK;
bool work_judge_flies(const struct work_judging *judging, const struct proto_id *patient);
bool work_judge_merge_flies(const struct work_judging *judging);
bool work_flight_empty(const struct work_judging *judging);
/* Groups the batch's events by child and makes the context they are planned with. */
void work_prepare_stage(struct work *work, struct work_batch *batch);
/* Folds and plans one job. */
void work_job_run(struct work *work, struct work_batch *batch, struct work_job *job, struct work_hand *hand,
                  struct store_txn *txn);
/* The same for a REGROUP job. */
enum proto_error work_regroup_run(struct work *work, struct work_batch *batch, struct work_job *job,
                                  struct work_hand *hand, struct store_txn *txn) PROTO_MUST_CHECK;
/* The stored schedule of a class that has a state; CORRUPT when there is none. */
enum proto_error work_schedule_read(struct store_txn *txn, const struct proto_id *root, struct care_schedule *schedule,
                                    uint64_t *context_seq) PROTO_MUST_CHECK;
/* One view commit. */
void work_view_stage(struct work *work, struct work_batch *batch);
/* Sets next_tick from what waits. */
enum proto_error work_next_tick_read(struct work *work, struct store_txn *txn) PROTO_MUST_CHECK;
/* Gives every call of the batch its answer or its fault. */
void work_answer_stage(struct work *work, struct work_batch *batch);
void work_batch_free(struct work_batch *batch);
struct work_batch *work_batch_new(struct work *work, enum work_batch_kind kind);
/* What is next besides calls: a tick, a slice of replanning; NULL for nothing. */
struct work_batch *work_batch_tick(struct work *work);
struct work_batch *work_batch_slice(struct work *work, uint32_t children_max);
/* The next events that the log has and the view does not; NULL when there are none, or *error. */
struct work_batch *work_batch_catch_up(struct work *work, enum proto_error *error);

/* pipe.c: what comes next besides the log stage. One whole unit on the pipeline's thread; false: nothing to do. */
bool work_pipe_unit(struct work *work);
/* One stage at a time, order drawn from work->random; false: nothing is ready. */
bool work_pipe_step(struct work *work);
bool work_pipe_has_work(struct work *work);      /* under work->lock */
bool work_log_has_work(const struct work *work); /* under work->lock */
void *work_hand_main(void *start);               /* struct work_hand_start */
/* Runs the batch's jobs over all hands, the caller's thread among them. */
void work_fold_stage(struct work *work, struct work_batch *batch);
/* Decides what the view needs at start (phase), loading teams, context and jobs when it needs nothing. */
enum proto_error work_view_check(struct work *work, struct proto_fault *fault) PROTO_MUST_CHECK;
/* Notes in the log since when these rules and this zone data are in use here; before any thread starts. */
void work_rules_mark(struct work *work);
/* One portion of the rebuild; false when it is over, well or not (then the phase says). */
bool work_rebuild_portion(struct work *work);
void work_rebuild_begin(struct work *work); /* the phase becomes REBUILD */
void work_rebuild_free(struct work *work);

/* drop.c: events that count no more, and bodies that go. */
/* What the batch's own entries say: its drops, its rows of STORE_SYSTEM and of the feed. */
enum proto_error work_drop_prepare(struct work_batch *batch, struct store_txn *txn) PROTO_MUST_CHECK;
/* After the view has the batch: what was found goes to batch->removed, who was erased is remembered. */
void work_drop_take_over(struct work *work, struct work_batch *batch);
/* Then hands what is to be taken away to the log stage; under work->lock. */
void work_drop_hand_over(struct work *work, struct work_batch *batch);
/* A merge with an erased record joins nothing: it loses its target. */
void work_event_part_erased(struct work_event *event, const struct work_map *erased);
/* One commit of the log that takes bodies away and clears the mark; under no other log transaction. */
enum proto_error work_drop_bodies(struct work *work, const struct work_drops *removals) PROTO_MUST_CHECK;
/* There was no room for that: they wait for the next call, the next of them, or the next start. */
void work_drop_wait(struct work *work, const struct work_drops *removals);
/* What the log says was to be taken away up to seq `end` and may not have been yet; none when there is no mark. */
enum proto_error work_drop_pending(struct store_txn *txn, struct work_reading *reading, uint64_t end,
                                   struct work_drops *out) PROTO_MUST_CHECK;
/* At start: carries out what entries up to seq `end` left undone; the view has them, or is to be made anew. With no room for it: FULL,
 * or, when the view has them and `may_wait`, they wait as above. Under no log transaction. */
enum proto_error work_drop_resume(struct work *work, uint64_t end, bool may_wait) PROTO_MUST_CHECK;
/* Reads the key that receipts are made with, or makes one; before any thread starts. */
enum proto_error work_site_key_load(struct work *work) PROTO_MUST_CHECK;
/* Loads which records were erased. */
enum proto_error work_erased_load(struct work *work, struct store_txn *txn) PROTO_MUST_CHECK;

/* The log stage's part of work_renew_node. */
void work_node_renew_now(struct work *work);
/* A version 7 id of this node's making. Any thread. */
void work_make_id(struct work *work, int64_t now, struct proto_id *out);
/* Fault for the call, and on to the done list. */
void work_call_refuse(struct work *work, struct work_call *call, enum proto_error code, const char *sentence);
void work_call_done(struct work *work, struct work_call *call);
/* The view found no room: events are refused until a retry brought it up to the log. */
void work_fall_behind(struct work *work);
void work_break(struct work *work, enum proto_error error, const char *what);
struct work_context *work_context_current(struct work *work); /* a reference */
void work_context_publish(struct work *work, struct work_context *context);
bool work_event_scope(const struct work_who *who, const char *team);

/* replies.c */
struct work_shown;
void work_found_compare(struct work_found *found, const struct care_schedule *before, const struct care_schedule *after,
                        int64_t now);
bool work_alert_same(const struct care_alert *a, const struct care_alert *b);
void work_reply_alert(struct work_hand *hand, struct work_call *call, enum work_reply_what what,
                      const struct care_alert *alert, int64_t now, const struct work_shown *shown);
struct work_shown { /* what a rendered alert says about its child */
    const struct proto_id *patient;
    const char *label, *team;
};
void work_reply_found(struct work_hand *hand, struct work_call *call, const struct care_schedule *after, int64_t now,
                      const struct work_shown *shown);
void work_reply_resting(struct work_hand *hand, struct work_call *call, const struct proto_id *event,
                        const struct care_schedule *schedule, int64_t now, const struct work_shown *shown);
void work_reply_status(struct work_hand *hand, struct work_call *call, const struct proto_id *shown,
                       const struct care_state *state, const struct care_schedule *schedule,
                       const struct care_context *context, int64_t now);
enum proto_error work_reply_alike(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                  const struct work_event *event) PROTO_MUST_CHECK;
#define WORK_NOTE_BYTES 640 /* a sentence or two, with the terminating zero */
/* One note on one field of one event, told once. */
void work_reply_note(struct work_hand *hand, struct work_call *call, const struct proto_id *event, const char *field,
                     const char *message);
/* doubles_note.c: what the calls of a batch are told of others that look like their children, into the pipeline's own hand; the view has the batch.
 * After an error some were not told. */
enum proto_error work_reply_doubles(struct work *work, struct work_batch *batch) PROTO_MUST_CHECK;
/* What is to be said of one event, new or repeated, that counts; `schedule` is planned from the fold's state. */
enum proto_error work_reply_notes(struct work_hand *hand, struct work_call *call, struct work_fold *fold,
                                  const struct proto_id *event, const struct care_schedule *schedule,
                                  int64_t now) PROTO_MUST_CHECK;

#endif
