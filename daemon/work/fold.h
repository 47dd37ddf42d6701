/*
 * fold.h - a child's events folded in their order, from where the stored state stands or from a checkpoint before.
 *
 * What always holds: after every call the state is the fold, in order, of all events added so far and all stored ones that
 * are dated up to `limit` and count; later ones wait, and the state says so. folded_to is the date of the last event folded,
 * never a clock's. Checkpoints stand behind every PROTO_CHECKPOINT_EVERY-th event in order, voided ones counted.
 *
 * Stored:
 *   states       01 | place of the last event folded | u32 events folded | u32 voids | u32 waiting | care state
 *   schedules    01 | u64 context sequence | care schedule
 *   history      01 | u64 seq | u16 kind | u8 stoma
 *   checkpoints  01 | u32 events folded | care state
 *   waiting      01 | u64 seq
 */
#ifndef WORK_FOLD_H
#define WORK_FOLD_H

#include "care/care.h"
#include "work/voids.h"

#define WORK_ROW_FORMAT 1

/* Memory for reading events; of one thread. */
struct work_reading {
    struct proto_arena *arena, *target_arena;
    struct proto_event event, target;
    uint8_t *encoded; /* PROTO_STATE_BYTES_MAX */
};
bool work_reading_init(struct work_reading *reading);
void work_reading_deinit(struct work_reading *reading);

struct work_checkpoint {
    struct work_place place;
    uint32_t ordinal;
    size_t bytes, size; /* in checkpoint_bytes */
};

struct work_fold {
    struct store_txn *txn; /* NULL: nothing is stored, all events are added */
    struct work_reading *reading;
    struct proto_id root, super;
    const struct proto_id *members; /* of the class */
    uint32_t member_count;
    struct work_voids *voids;
    struct care_state *state;
    bool stored; /* a state was stored */
    struct work_place last;
    uint32_t ordinal;
    int64_t limit;
    struct work_event **fresh; /* added, in order */
    uint32_t fresh_count, fresh_cap;
    uint32_t stored_waiting, waiting; /* stored events behind stored_last; all that wait now */
    struct work_place stored_last;
    bool cut; /* stored checkpoints from cut_at on no longer hold */
    struct work_place cut_at;
    struct work_checkpoint *checkpoints; /* made, in order */
    uint32_t checkpoint_count, checkpoint_cap;
    struct work_buffer checkpoint_bytes;
    struct work_place *arrived; /* stored events that waited and were folded; may name one twice */
    uint32_t arrived_count, arrived_cap;
    uint32_t steps, refolds;
};

/* Begins with nothing stored: events of a class all come by work_fold_add. */
void work_fold_begin(struct work_fold *fold, struct work_reading *reading, struct care_state *state,
                     struct work_voids *voids, int64_t now);
/* Begins from the stored state of `root`. While fold->stored_waiting is not 0, work_fold_add with no events folds in what waited and whose time has
 * come. A root without a state is a new child. */
enum proto_error work_fold_open(struct work_fold *fold, struct store_txn *txn, struct work_reading *reading,
                                struct care_state *state, struct work_voids *voids, const struct proto_id *root,
                                const struct proto_id *super, int64_t now) PROTO_MUST_CHECK;
/* Adds events that are not stored. `list` is put in order. When voids are not shared (work_fold_open) they are added too. */
enum proto_error work_fold_add(struct work_fold *fold, struct work_event **list, uint32_t count) PROTO_MUST_CHECK;
void work_fold_free(struct work_fold *fold);

/* An event of the class, stored or added, by id. NOT_FOUND; *event lives until the next call. */
enum proto_error work_fold_find(struct work_fold *fold, const struct proto_id *id, const struct proto_event **event,
                                struct work_event *facts) PROTO_MUST_CHECK;
/* The same, and whether it counts. */
enum proto_error work_fold_find_counted(struct work_fold *fold, const struct proto_id *id,
                                        const struct proto_event **event, struct work_event *facts,
                                        bool *out) PROTO_MUST_CHECK;
/* The stored state's head. NOT_FOUND. */
struct work_state_head {
    struct work_place last;
    uint32_t ordinal, voids, waiting;
    struct store_bytes state;
};
enum proto_error work_state_head_find(struct store_txn *txn, const struct proto_id *root,
                                      struct work_state_head *out) PROTO_MUST_CHECK;

/* Rows of what was folded. */
void work_state_row(const struct work_fold *fold, struct work_rows *rows);
void work_schedule_row(const struct proto_id *root, uint64_t context_seq, const struct care_schedule *schedule,
                       struct work_rows *rows);
void work_history_row(const struct proto_id *root, const struct work_event *event, struct work_rows *rows);
void work_waiting_row(const struct proto_id *root, const struct proto_id *event, int64_t at, uint64_t seq,
                      struct work_rows *rows);
void work_checkpoint_row(const struct work_fold *fold, const struct work_checkpoint *checkpoint,
                         struct work_rows *rows);

#endif
