/*
 * tables.h - the one table of all tables: name in the file, layout of the key, what the value is.
 *
 * What always holds: a key is made of fixed-width fields in the order given here, so that its byte order is the order of
 * its fields. u8, u16, u32, u64: unsigned, big-endian. t64: a time in ms, i32/i64: signed; stored big-endian with the sign
 * bit turned, so that earlier sorts first; a deadline that does not exist is all ones and sorts last. id: 16 bytes of a
 * UUID. hash8: first 8 bytes of a SHA-256. text: UTF-8, its end marked by a zero byte when a field follows.
 * Team numbers are u32 and come from the first table. Values begin with a format byte unless the row says otherwise.
 * The state before the first field of a key is the cluster: everything of one team, or of one child, lies together.
 */
#ifndef STORE_TABLES_H
#define STORE_TABLES_H

/* T(table, "name in the view", "key", "value") in the order of enum store_table. */
#define STORE_TABLES(T)                                                                                                \
    T(TEAMS, "teams", "text team", "number u32")                                                                       \
    T(PATIENTS, "patients", "id patient", "root id of its class, and what the root is shown under")                    \
    T(STATES, "states", "id root", "folded care state")                                                                \
    T(SCHEDULES, "schedules", "id root", "context sequence, schedule")                                                 \
    T(TASKS, "tasks", "u32 team | u8 task | t64 overdue_at | id root | u8 stoma | hash8 name", "covering row of due")  \
    T(ALERTS, "alerts",                                                                                                \
      "u32 team | t64 deadline | u8 urgency | t64 since | id root | u8 alert | u8 stoma | u8 about | hash8 text",      \
      "covering row of alerts")                                                                                        \
    T(HISTORY, "history", "id root | t64 at | u8 rank | id event", "seq, kind")                                        \
    T(CHECKPOINTS, "checkpoints", "id root | t64 at | u8 rank | id event", "folded state up to and with that event")   \
    T(VOIDS, "voids", "id root | id target | id voiding", "what the withdrawal says")                                  \
    T(LABELS, "labels", "text folded label | id root", "team")                                                         \
    T(IDENTIFIERS, "identifiers", "text system | text value | id root", "u8 registered")                               \
    T(BORN, "born", "i32 day born | hash8 bare label | id root", "nothing but the format byte")                        \
    T(LOTS, "lots", "u8 what | text lot | text gtin | text serial | id root | u8 stoma", "covering row of devices")    \
    T(DEVICES, "devices", "u32 team | i32 change due day | id root | u8 stoma", "covering row of devices")             \
    T(CONTEXT, "context", "t64 at | id event", "seq: policy and recalls")                                              \
    T(TALLY, "tally", "u32 team | u8 task | u8 what | u32 quarter of an hour", "count")                                \
    T(WAITING, "waiting", "t64 at | id root | id event", "seq: events dated after the fold")                           \
    T(FEED, "feed", "u32 team | u64 seq", "who arrived, who left")                                                     \
    T(LEVELS, "levels", "u32 team | id root", "what a list of children shows")                                         \
    T(META, "meta", "text name", "context sequence, replanning job, rules version, zone data version")                 \
    T(DIGESTS, "digests", "id record", "u32 count | 32 bytes: sum over the events that name the record")               \
    T(SYSTEM, "system", "u8 type | u64 seq", "nothing but the format byte: system entries that are still to be seen")

/* The store's own table in every view: "store.format" -> u32, "stamp" -> stamp (record.c). */
#define STORE_ABOUT STORE_TABLE_COUNT
#define STORE_ABOUT_NAME "about"
#define STORE_VIEW_TABLES (STORE_TABLE_COUNT + 1)

/* Tables of the log environment, in this order:
 *   events  u64 seq      -> event record (record.c)
 *   ids     id           -> u64 seq of the last event with that id, without a format byte: the layout of an index this plain is the log's format itself
 *   marks   text name    -> bytes of whoever wrote the mark; "store.*" is the store's own:
 *     store.format u32; store.node, store.log, store.view: ids; store.state, store.backup: marks (record.c)
 *   receipts  id         -> receipt (record.c); a log that was made before there was this table is given it
 *   restored-from: the store's as well (record.c); like the marks of others it goes along through backup and restore. */
enum store_log_table { STORE_LOG_EVENTS, STORE_LOG_IDS, STORE_LOG_MARKS, STORE_LOG_RECEIPTS, STORE_LOG_TABLES };
#define STORE_LOG_TABLES_LATER 1 /* how many at the end came after the first format of the log */

#endif
