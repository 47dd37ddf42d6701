/*
 * methods_table.h - every method of the protocol, declared once. Dispatch, help,
 * `unknown-method`, the rights table and PROTOCOL.md are made from it.
 *
 * M(ident, "wire-name", WAITS (answers `rebuilding` while the view is rebuilt), "help")
 * Parameters: R(method, field, TYPE, NEED, "unit", min, max, choices, "help"), types as in kinds_table.h;
 * EVENTS is the list of events of `record`, NAMES a list of choices (or free names when choices is NULL), CURSOR a map {log, seq, chain},
 * KEPT a list of events as nodes send them to each other, IDS a list of ids.
 */
#ifndef PROTO_METHODS_TABLE_H
#define PROTO_METHODS_TABLE_H

/* One row a line, columns kept by hand. */
/* clang-format off */

#include "proto/limits.h"

#define PROTO_METHODS(M)                                                                                       \
    M(hello, "hello", 0, "Who this server is, and who the caller is.")                                         \
    M(ping, "ping", 0, "Is the server there, and what time is it.")                                            \
    M(kinds, "kinds", 0, "Every kind of event with its fields, types, units, choices, bounds and help.")       \
    M(rules, "rules", 1, "Every policy value in force, with its bounds, default and basis.")                   \
    M(record, "record", 1, "Record events, all or nothing; answers what follows from them.")                   \
    M(due, "due", 1, "Tasks that are due, overdue or coming up.")                                              \
    M(alerts, "alerts", 1, "Open alerts, nearest deadline first.")                                             \
    M(tally, "tally", 1, "Counts of tasks and alerts by team.")                                                \
    M(patients, "patients", 1, "Find children by label, identifier, team or level.")                           \
    M(patient, "patient", 1, "One child's whole status, now or as it stood then.")                             \
    M(history, "history", 1, "One child's events, newest first.")                                              \
    M(devices, "devices", 1, "Devices in use and who has them.")                                               \
    M(follow, "follow", 1, "What is recorded from here on, as it comes: notifications `change`, resumable.")     \
    M(unfollow, "unfollow", 0, "No more of it.")                                                              \
    M(offer, "offer", 1, "Between nodes: events that a node recorded, each answered for itself.")              \
    M(fetch, "fetch", 1, "Between nodes: the next page of what is new in the node's scope, or named events.")  \
    M(digest, "digest", 1, "Between nodes: what is held of each record, as counts and sums, to compare.")      \
    M(sync_state, "sync-state", 0, "How this server stands with its upstream.")                                \
    M(refused, "refused", 1, "Events recorded here that the upstream would not take, and why.")                \
    M(nodes, "nodes", 1, "The nodes that have this server as their upstream.")                                 \
    M(stats, "stats", 0, "Counters and gauges of the server, without personal data.")

#define PROTO_PARAMS_hello(R, m)                                                                    \
    R(m, account, TEXT, OPTIONAL, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "account that signs in")       \
    R(m, secret, TEXT, OPTIONAL, "", 1, PROTO_TEXT_LINE_MAX, NULL, "its token or passphrase")       \
    R(m, agent, TEXT, OPTIONAL, "", 0, PROTO_TEXT_SHORT_MAX, NULL, "name of the calling program")   \
    R(m, node, ID, OPTIONAL, "", 0, 0, NULL, "the caller is a node, and this is its id")            \
    R(m, place, CURSOR, OPTIONAL, "", 0, 0, NULL, "a node: the end of its own log")                 \
    R(m, teams, NAMES, OPTIONAL, "", 0, PROTO_SCOPE_TEAMS_MAX, NULL, "a node: the teams whose children it holds") \
    R(m, all_teams, BOOL, OPTIONAL, "", 1, 1, NULL, "a node: it holds the children of every team")
#define PROTO_PARAMS_ping(R, m)
#define PROTO_PARAMS_kinds(R, m)
#define PROTO_PARAMS_rules(R, m) R(m, team, TEXT, OPTIONAL, "", 1, 40, NULL, "as this team has them")
#define PROTO_PARAMS_record(R, m)                                                                   \
    R(m, events, EVENTS, REQUIRED, "", 1, PROTO_EVENTS_PER_CALL_MAX, NULL, "the events")            \
    R(m, want, CHOICE, OPTIONAL, "", 0, 0, "want", "how much to answer; opened when not said")
#define PROTO_PARAMS_due(R, m)                                                                      \
    R(m, teams, NAMES, OPTIONAL, "", 0, 64, NULL, "only these teams")                               \
    R(m, tasks, NAMES, OPTIONAL, "", 0, 32, "task", "only these tasks")                             \
    R(m, states, NAMES, OPTIONAL, "", 0, 3, "task_state", "due and overdue when not said")          \
    R(m, before, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "due before this time")  \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_alerts(R, m)                                                                   \
    R(m, teams, NAMES, OPTIONAL, "", 0, 64, NULL, "only these teams")                               \
    R(m, urgency, NAMES, OPTIONAL, "", 0, 4, "urgency", "only these urgencies")                     \
    R(m, names, NAMES, OPTIONAL, "", 0, 64, "alert", "only these alerts")                           \
    R(m, answered, BOOL, OPTIONAL, "", 0, 1, NULL, "only answered, or only unanswered ones")        \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_tally(R, m) R(m, teams, NAMES, OPTIONAL, "", 0, 64, NULL, "only these teams")
#define PROTO_PARAMS_patients(R, m)                                                                 \
    R(m, find, TEXT, OPTIONAL, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "beginning of the label")         \
    R(m, identifier, TEXT, OPTIONAL, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "an identifier's value, or system:value") \
    R(m, team, TEXT, OPTIONAL, "", 1, 40, NULL, "only this team")                                   \
    R(m, level, CHOICE, OPTIONAL, "", 0, 0, "level", "only children at this level now")             \
    R(m, doubles, BOOL, OPTIONAL, "", 1, 1, NULL, "only children that look like another, who may be registered twice") \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_patient(R, m)                                                                  \
    R(m, patient, ID, REQUIRED, "", 0, 0, NULL, "the child")                                        \
    R(m, at, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "as it stood then, inclusive") \
    R(m, known_at, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "from what had been received then, inclusive")
#define PROTO_PARAMS_history(R, m)                                                                  \
    R(m, patient, ID, REQUIRED, "", 0, 0, NULL, "the child")                                        \
    R(m, before, TIME, OPTIONAL, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL, "happened before this time") \
    R(m, kinds, NAMES, OPTIONAL, "", 0, 64, "kind", "only these kinds")                             \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_devices(R, m)                                                                  \
    R(m, lot, TEXT, OPTIONAL, "", 1, 40, NULL, "only this lot")                                     \
    R(m, gtin, TEXT, OPTIONAL, "", 8, 14, NULL, "only this trade item number")                      \
    R(m, serial, TEXT, OPTIONAL, "", 1, 40, NULL, "only this serial number")                        \
    R(m, retention, CHOICE, OPTIONAL, "", 0, 0, "retention", "only devices held so")                \
    R(m, tip, CHOICE, OPTIONAL, "", 0, 0, "tip", "only devices whose tip lies there")               \
    R(m, change_before, DATE, OPTIONAL, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "change due before this date") \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_follow(R, m)                                                                   \
    R(m, after, CURSOR, OPTIONAL, "", 0, 0, NULL, "the place up to which all is known; the log's end when not said") \
    R(m, all, BOOL, OPTIONAL, "", 1, 1, NULL, "from the first event on, without `after`")           \
    R(m, teams, NAMES, OPTIONAL, "", 0, 64, NULL, "only these teams")                               \
    R(m, what, NAMES, OPTIONAL, "", 0, 2, "follow_what", "events when not said")
#define PROTO_PARAMS_unfollow(R, m)
#define PROTO_PARAMS_offer(R, m)                                                                    \
    R(m, events, KEPT, REQUIRED, "", 1, PROTO_KEPT_MAX, NULL, "the events, whole calls of them")    \
    R(m, cursor, CURSOR, OPTIONAL, "", 0, 0, NULL, "how far the node has pulled")                   \
    R(m, place, CURSOR, OPTIONAL, "", 0, 0, NULL, "the end of the node's own log")
#define PROTO_PARAMS_fetch(R, m)                                                                    \
    R(m, after, CURSOR, OPTIONAL, "", 0, 0, NULL, "the place up to which all is known; the beginning when not said") \
    R(m, seen, CURSOR, OPTIONAL, "", 0, 0, NULL, "the place that was last answered to an offer of the node's") \
    R(m, teams, NAMES, OPTIONAL, "", 0, PROTO_SCOPE_TEAMS_MAX, NULL, "a page of what is new for these teams") \
    R(m, all_teams, BOOL, OPTIONAL, "", 1, 1, NULL, "a page of all that is new")                    \
    R(m, next, BOOL, OPTIONAL, "", 1, 1, NULL, "the page after the last one that this connection was answered") \
    R(m, ids, IDS, OPTIONAL, "", 1, PROTO_IDS_MAX, NULL, "these events")                            \
    R(m, record, ID, OPTIONAL, "", 0, 0, NULL, "all events of this record")                         \
    R(m, from, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the part of the record before")
#define PROTO_PARAMS_digest(R, m)                                                                   \
    R(m, teams, NAMES, OPTIONAL, "", 0, PROTO_SCOPE_TEAMS_MAX, NULL, "the records of these teams")  \
    R(m, all_teams, BOOL, OPTIONAL, "", 1, 1, NULL, "all records")                                  \
    R(m, records, IDS, OPTIONAL, "", 1, PROTO_IDS_MAX, NULL, "these records")                       \
    R(m, record, ID, OPTIONAL, "", 0, 0, NULL, "the events of this record")                         \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")
#define PROTO_PARAMS_sync_state(R, m)
#define PROTO_PARAMS_refused(R, m)                                                                  \
    R(m, limit, INT, OPTIONAL, "", 1, PROTO_ROWS_MAX, NULL, "rows of one page")                     \
    R(m, after, TEXT, OPTIONAL, "", 1, 400, NULL, "token of the page before")                       \
    R(m, again, ID, OPTIONAL, "", 0, 0, NULL, "record this event again, so that it is offered again") \
    R(m, drop, ID, OPTIONAL, "", 0, 0, NULL, "take this event off the list")
#define PROTO_PARAMS_nodes(R, m)
#define PROTO_PARAMS_stats(R, m)

#define PROTO_METHOD_ENUM(ident, wire, waits, help) PROTO_METHOD_##ident,
enum proto_method { PROTO_METHOD_UNKNOWN, PROTO_METHODS(PROTO_METHOD_ENUM) PROTO_METHOD_COUNT };

#define PROTO_PARAM_ENUM_ENTRY(m, f, type, need, unit, min, max, choices, help) PROTO_PARAM_##m##_##f,
#define PROTO_PARAM_ENUM(ident, wire, waits, help) \
    enum proto_params_##ident { PROTO_PARAMS_##ident(PROTO_PARAM_ENUM_ENTRY, ident) PROTO_PARAMS_END_##ident };
PROTO_METHODS(PROTO_PARAM_ENUM)

/* clang-format on */
#endif
