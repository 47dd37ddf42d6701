/*
 * work.h - where events become consequences: admission, log writer, care workers, view writer, context, crossings.
 *
 * The path of one call: admission (against the view snapshot and what is in
 * flight) -> append and sync -> fold and plan, children in parallel -> one view
 * commit -> answered. The log is at most one batch ahead of the view.
 *
 * What always holds:
 *  - a call is answered after its view commit, or with an error that says whether anything changed;
 *  - no reader sees an event without its consequences;
 *  - each schedule carries the context sequence it was planned with; a child read with an older one is planned on the fly;
 *  - with workers == 0 everything runs inside work_run_one on the caller's thread, in an order drawn from order_seed: the
 *    same code as shipped, one thread, virtual time.
 */
#ifndef WORK_WORK_H
#define WORK_WORK_H

#include "care/care.h"
#include "store/store.h"

struct work;
struct work_call;

struct work_seams {
    void *arg;
    int64_t (*now_ms)(void *arg);                       /* wall clock */
    void (*entropy)(void *arg, uint8_t *out, size_t n); /* ids, nonces */
    void (*wake)(void *arg); /* any thread: completions wait for work_deliver; may coalesce */
};

struct work_options {
    struct store *store; /* opened; stays the caller's, outlives work */
    struct work_seams seams;
    const struct care_zones *zones; /* outlives work */
    uint32_t workers;               /* care workers; 0: single-threaded, stepped by work_run_one */
    uint64_t order_seed;            /* workers == 0: order of ready stages */
    uint32_t view_sync_ms;          /* view synced to disk this often; 0: never on its own */
};

/* Starts. When the view must be rebuilt or caught up, that runs as a job inside (work_progress shows it); calls and reads meanwhile get REBUILDING. */
enum proto_error work_open(const struct work_options *options, struct work **out,
                           struct proto_fault *fault) PROTO_MUST_CHECK;
/* Finishes what is in flight (every call is answered), joins threads, frees. */
void work_close(struct work *work);

/* --- recording ------------------------------------------------------------------------- */

/* NONE: opened, settled, alike and notes stay empty and are not worked out (bulk loads). */
enum work_want { WORK_WANT_NONE, WORK_WANT_OPENED, WORK_WANT_STATUSES };

struct work_who {
    char account[84]; /* stamped as `by` */
    bool all_teams;
    uint32_t team_count;
    char teams[16][44]; /* scope, when not all_teams */
};

/* A call in the making: one thread until submitted. NULL when there is no memory or the queue is at its limit (answer BUSY). */
struct work_call *work_call_new(struct work *work, const struct work_who *who, enum work_want want);
/* Stamps (id if none, by, node, written_at) and keeps a canonical copy. FUTURE_TIME, TOO_LARGE, BAD_VALUE (a zone that the zone data does not have) and the like
 * come back here, with the event's place in *fault; the call is then to be freed. */
enum proto_error work_call_add(struct work_call *call, const struct proto_event *event,
                               struct proto_fault *fault) PROTO_MUST_CHECK;
typedef void (*work_done_fn)(void *arg, struct work_call *call);
/* Owned by work until on_done, which runs inside work_deliver (or work_run_one) and then owns it again. */
void work_submit(struct work *work, struct work_call *call, work_done_fn on_done, void *arg);
/* After on_done: the fault (code PROTO_OK: recorded), else the answer: one encoded MessagePack map {seqs, repeated, opened, settled, alike, notes, statuses?, truncated?}. */
const struct proto_fault *work_call_fault(const struct work_call *call);
struct store_bytes work_call_result(const struct work_call *call);
void work_call_free(struct work_call *call);

/* Runs on_done of what is finished. Loop thread. */
void work_deliver(struct work *work);
/* workers == 0 only: runs one ready stage; false when nothing is ready. */
bool work_run_one(struct work *work);
/* Moment of the next thing that time alone brings about (a waiting event's turn), INT64_MAX for none; work_tick does what is due. Loop thread. */
int64_t work_next_tick(struct work *work);
void work_tick(struct work *work);
/* True once nothing can be recorded any more (store broken); the caller stops the process. False with the fault's code PROTO_FULL: there was no room for the
 * last events, reads go on; the next that is recorded ends it. */
bool work_broken(const struct work *work, struct proto_fault *fault);
/* False: answer BUSY or stop reading, the queue is at its high-water mark. */
bool work_has_room(const struct work *work);

/* --- reading (loop thread or any other; each with its own txn) --------------------------- */

/* One child, planned by the context in force. Large: allocate once and reuse (work_child_new). */
struct work_child {
    struct proto_id root, shown; /* class root; id the child is shown under (latest `into`) */
    struct care_state state;
    struct care_schedule schedule;
    struct care_context context; /* points into *work's context snapshot held by this child */
    uint64_t context_seq;
    bool replanned;   /* the stored schedule was older than the context */
    bool other_rules; /* at/known_at: today's rules or zone data differ from those in use then */
    void *held;       /* context snapshot; released by work_child_free or the next get */
};
struct work_child *work_child_new(struct work *work);
void work_child_free(struct work_child *child);
/* The child as it is at `now` (events whose time has come are folded in), with the present policy. UNKNOWN_PATIENT, REBUILDING. */
enum proto_error work_child_get(struct work *work, struct store_txn *txn, const struct proto_id *patient, int64_t now,
                                struct work_child *child) PROTO_MUST_CHECK;
/* As it stood at `at` (inclusive) from what had been received at `known_at` (inclusive), under the policy known then; INT64_MAX for either means now. */
enum proto_error work_child_get_then(struct work *work, struct store_txn *txn, const struct proto_id *patient,
                                     int64_t at, int64_t known_at, int64_t now,
                                     struct work_child *child) PROTO_MUST_CHECK;
/* Policy of a team (empty: all teams), and who adopted each value when: adopted_at[] 0 for defaults. */
enum proto_error work_policy_get(struct work *work, struct proto_slice team, struct care_policy *policy,
                                 int64_t adopted_at[PROTO_POLICY_COUNT],
                                 char approved_by[PROTO_POLICY_COUNT][PROTO_TEXT_SHORT_MAX + 4]) PROTO_MUST_CHECK;

struct work_progress {
    bool rebuilding;
    uint64_t rebuild_done, rebuild_of; /* events or children */
    bool settling;
    uint64_t settling_done, settling_of; /* children still planned with an older context */
};
void work_progress_get(const struct work *work, struct work_progress *out);

struct work_counts {
    uint64_t calls, events, repeated, refused, batches, folds, refolds, plans, replans, queue_events, view_commits;
    int64_t batch_us_last;
};
void work_counts_get(const struct work *work, struct work_counts *out);

/* --- verify ------------------------------------------------------------------------------- */

/* Walks the chain, refolds every child to its own folded_to (no clock), compares every derived row in every table; the first difference in *fault. */
enum proto_error work_verify(struct store *store, const struct care_zones *zones, uint64_t *children_out,
                             uint64_t *rows_out, struct proto_fault *fault) PROTO_MUST_CHECK;

#endif
