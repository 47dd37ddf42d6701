/*
 * errors_table.h - every error a person or a program can meet, declared once.
 * E(NAME, "wire-code", "plain sentence when nothing more exact is known")
 * What always holds: a call that gets any error but outcome-unknown has changed nothing.
 */
#ifndef PROTO_ERRORS_TABLE_H
#define PROTO_ERRORS_TABLE_H

/* One row a line, columns kept by hand. */
/* clang-format off */

#define PROTO_ERRORS(E)                                                                                         \
    E(BAD_MESSAGE, "bad-message", "The message is not MessagePack-RPC as this server reads it.")                \
    E(UNKNOWN_METHOD, "unknown-method", "There is no method of that name.")                                     \
    E(BAD_PARAMS, "bad-params", "The parameters must be an array that holds one map.")                          \
    E(BAD_VALUE, "bad-value", "A value is not one that this field takes.")                                      \
    E(MISSING_FIELD, "missing-field", "A field that must be given is missing.")                                 \
    E(UNKNOWN_KIND, "unknown-kind", "There is no kind of event of that name.")                                  \
    E(UNKNOWN_FIELD, "unknown-field", "There is no field of that name here.")                                   \
    E(UNKNOWN_PATIENT, "unknown-patient", "No child on this caseload is known by that.")                        \
    E(CONFLICT, "conflict", "That does not go together with what is already on record.")                        \
    E(FUTURE_TIME, "future-time", "The time lies more than five minutes ahead of this server's clock.")         \
    E(ID_REUSED, "id-reused", "An event with this id is already on record with other content.")                 \
    E(NOT_ALLOWED, "not-allowed", "This account may not do that.")                                              \
    E(NOT_SIGNED_IN, "not-signed-in", "Say hello with an account first.")                                       \
    E(BUSY, "busy", "The server has more work than it can take just now; try again shortly.")                   \
    E(FULL, "full", "There is no room left for new events; what is on record can still be read.")               \
    E(REBUILDING, "rebuilding", "The server is rebuilding its working data from the log; try again later.")     \
    E(DIVERGED, "diverged", "The two logs do not share this place; compare them by digest.")                    \
    E(STOPPING, "stopping", "The server is stopping.")                                                          \
    E(TOO_LARGE, "too-large", "That is larger than one message or field may be.")                               \
    E(INTERNAL, "internal", "Something went wrong inside the server; nothing was changed.")                     \
    E(OUTCOME_UNKNOWN, "outcome-unknown", "It is not known whether this was stored; send the same ids again.")  \
    /* No call ends with this one: it stands in what nodes are told of single events. */                        \
    E(ERASED, "erased", "This child's record was erased; nothing about it is kept any more.")                   \
    /* The codes below never travel; they stand between the rooms. */                                           \
    E(NOT_FOUND, "not-found", "There is nothing of that key.")                                                  \
    E(BROKEN, "broken", "The store can no longer be trusted; the server stops.")                                \
    E(TRUNCATED, "truncated", "The bytes end before the value does.")                                           \
    E(CORRUPT, "corrupt", "Stored bytes are not what was written.")                                             \
    E(NEWER, "newer", "The store was written by a newer version.")                                              \
    E(IN_USE, "in-use", "Another process has this store open.")

/* clang-format on */
#endif
