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
    int64_t due_at, overdue_at, last_done_at, quiet_until;
    struct proto_id root, shown;
    struct proto_slice label, name, title, detail, given_to;
};
enum proto_error work_task_row_read(struct store_bytes key, struct store_bytes value, struct work_task_row *out) PROTO_MUST_CHECK;

/* A row of STORE_ALERTS. */
struct work_alert_row {
    uint32_t team;
    struct proto_id root, shown;
    struct proto_slice label;
    struct care_alert alert;
};
enum proto_error work_alert_row_read(struct store_bytes key, struct store_bytes value, struct work_alert_row *out) PROTO_MUST_CHECK;

/* A row of STORE_DEVICES. */
struct work_device_row {
    uint32_t team;
    struct proto_id root, shown;
    uint8_t stoma, retention, profile, tip;
    int32_t french_fr, length_mm, balloon_ml, change_due_day, change_by_day;
    int64_t placed_at;
    struct proto_slice label, gtin, lot, serial;
};
enum proto_error work_device_row_read(struct store_bytes key, struct store_bytes value, struct work_device_row *out) PROTO_MUST_CHECK;

/* A row of STORE_LEVELS: what a list of children shows, and the moments at which the level changes (ascending), so that the level at `now` needs no schedule. */
struct work_level_row {
    uint32_t team;
    struct proto_id root, shown;
    bool closed;
    struct proto_slice label;
    int32_t born_day;
    uint8_t level; /* at the moment asked for */
};
enum proto_error work_level_row_read(struct store_bytes key, struct store_bytes value, int64_t now, struct work_level_row *out) PROTO_MUST_CHECK;

/* Team numbers of this view. NOT_FOUND for a team no child was ever in. */
enum proto_error work_team_find(struct store_txn *txn, struct proto_slice team, uint32_t *number_out) PROTO_MUST_CHECK;
/* Names of all teams, ascending by number: calls `each` with every one until it returns false. */
enum proto_error work_team_each(struct store_txn *txn, bool (*each)(void *arg, uint32_t number, struct proto_slice name), void *arg) PROTO_MUST_CHECK;

/* Counts of one team at `now` from the quarter-hour counters: tasks[task][0 upcoming, 1 due, 2 overdue]; alerts by urgency are counted from STORE_ALERTS by the caller. */
enum proto_error work_tally_read(struct store_txn *txn, uint32_t team, int64_t now, uint64_t tasks[PROTO_TASK_COUNT][3]) PROTO_MUST_CHECK;

#endif
