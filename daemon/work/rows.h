/*
 * rows.h - the derived rows of one child: keys and covering values of every index, made from state and schedule, and read back.
 *
 * What always holds: rows are a pure function of (root, shown, state, schedule, team numbers), so the view writer
 * moves only what changed and verify can make them again.
 */
#ifndef WORK_ROWS_H
#define WORK_ROWS_H

#include "care/care.h"
#include "store/store.h"

/* A row of STORE_TASKS, as `due` shows it; texts point into the stored value. */
struct work_task_row {
    uint32_t team;
    uint8_t task, stoma;
    int32_t due_day; /* in the child's zone */
    int64_t due_at, overdue_at, last_done_at, quiet_until;
    struct proto_id root, shown;
    struct proto_slice label, name, title, detail, given_to;
};
enum proto_error work_task_row_read(struct store_bytes key, struct store_bytes value,
                                    struct work_task_row *out) PROTO_MUST_CHECK;

/* A row of STORE_ALERTS. */
struct work_alert_row {
    uint32_t team;
    struct proto_id root, shown;
    struct proto_slice label;
    struct care_alert alert;
};
enum proto_error work_alert_row_read(struct store_bytes key, struct store_bytes value,
                                     struct work_alert_row *out) PROTO_MUST_CHECK;

/* A row of STORE_DEVICES. */
struct work_device_row {
    uint32_t team;
    struct proto_id root, shown;
    uint8_t stoma, retention, profile, tip;
    int32_t french_fr, length_mm, balloon_ml, change_due_day, change_by_day;
    int64_t placed_at;
    struct proto_slice label, gtin, lot, serial;
};
enum proto_error work_device_row_read(struct store_bytes key, struct store_bytes value,
                                      struct work_device_row *out) PROTO_MUST_CHECK;

/* A row of STORE_LOTS: devices in a child or just come out (what 1), spares (what 2: french_fr, length_mm, lot and placed_at, when it was counted,
 * are known), and those that a recall may still speak of (what 3): the last device of a stoma that has none any more or of a child that left, the device before,
 * one whose placement was voided. Every child whose schedule a recall can change has a row here that its lot and trade item fit. */
enum work_lot_what { WORK_LOT_DEVICE = 1, WORK_LOT_SPARE, WORK_LOT_GONE };
enum proto_error work_lot_row_read(struct store_bytes key, struct store_bytes value, uint8_t *what,
                                   struct work_device_row *out) PROTO_MUST_CHECK;

/* A row of STORE_HISTORY: one event of a child, newest last in key order; the key is root | at | rank | id. Events that wait for their time are in it. */
struct work_history_row {
    struct proto_id root, event;
    int64_t at;
    uint64_t seq;  /* for store_read_event */
    uint16_t kind; /* enum proto_kind; UNKNOWN for one of a newer version */
    uint8_t rank, stoma;
};
enum proto_error work_history_row_read(struct store_bytes key, struct store_bytes value,
                                       struct work_history_row *out) PROTO_MUST_CHECK;
/* The key from which a backwards scan with prefix `root` gives the events before `at` (INT64_MAX: all). Returns its size, at most 41. */
size_t work_history_key(const struct proto_id *root, int64_t at, uint8_t out[64]);

/* The root of the class that a patient belongs to. NOT_FOUND. */
enum proto_error work_root_find(struct store_txn *txn, const struct proto_id *patient,
                                struct proto_id *root_out) PROTO_MUST_CHECK;
/* All voids of a child's class (care_event_counts reads them): count_out may be larger than cap, then nothing but the first cap were written. */
enum proto_error work_voids_read(struct store_txn *txn, const struct proto_id *patient, struct care_void *out,
                                 uint32_t cap, uint32_t *count_out) PROTO_MUST_CHECK;

/* Label as STORE_LABELS has it: ASCII letters in lower case, the rest as it is. NUL-terminated. */
void work_label_fold(struct proto_slice label, char out[PROTO_TEXT_SHORT_MAX + 4]);
/* The same without its spaces, as births are found by it: labels that differ in no more are alike. */
void work_label_bare(struct proto_slice label, char out[PROTO_TEXT_SHORT_MAX + 4]);

/* A row of STORE_LEVELS: what a list of children shows, and the moments at which the level changes (ascending), so that the level at `now` needs no schedule. */
struct work_level_row {
    uint32_t team;
    struct proto_id root, shown;
    bool closed;
    struct proto_slice label;
    int32_t born_day;
    uint8_t level; /* at the moment asked for */
};
enum proto_error work_level_row_read(struct store_bytes key, struct store_bytes value, int64_t now,
                                     struct work_level_row *out) PROTO_MUST_CHECK;

/* Team numbers of this view. NOT_FOUND for a team no child was ever in. */
enum proto_error work_team_find(struct store_txn *txn, struct proto_slice team, uint32_t *number_out) PROTO_MUST_CHECK;
/* Names of all teams, ascending by number: calls `each` with every one until it returns false. */
enum proto_error work_team_each(struct store_txn *txn,
                                bool (*each)(void *arg, uint32_t number, struct proto_slice name),
                                void *arg) PROTO_MUST_CHECK;

/* Counts of one team at `now` from the quarter-hour counters (tasks turn at local midnights, which lie on quarters of an hour): tasks[task][0 upcoming, 1 due, 2 overdue]; alerts by urgency are counted from STORE_ALERTS by the caller. */
enum proto_error work_tally_read(struct store_txn *txn, uint32_t team, int64_t now,
                                 uint64_t tasks[PROTO_TASK_COUNT][3]) PROTO_MUST_CHECK;

#endif
