/*
 * betony.h - libbetony: a caseload server's methods as C calls.
 *
 * A connection is a `struct betony`. Calls are written with a small builder (betony_map_*, betony_event_*) and answers
 * are read with a cursor (betony_value_*); nothing else is needed to use the library, no MessagePack header either.
 *
 *     struct betony *b = betony_new();
 *     struct betony_answer *answer = NULL;
 *     if (b && betony_connect(b, "127.0.0.1:7811") == BETONY_OK && betony_due(b, NULL, &answer) == BETONY_OK) {
 *         const struct betony_value *rows = betony_value_get(betony_answer_result(answer), "rows");
 *         for (size_t i = 0; i < betony_value_count(rows); i++)
 *             puts(betony_value_text(betony_value_get(betony_value_at(rows, i), "label"), "?"));
 *     } else if (b) {
 *         fprintf(stderr, "%s\n", betony_last_fault(b)->message);
 *     }
 *     betony_answer_free(answer);
 *     betony_free(b);
 *
 * Times are milliseconds since 1970-01-01T00:00Z, dates are texts such as "2026-03-01", ids are lower-case UUIDs of 36
 * characters, amounts are hundredths of the unit that the field's name ends in. Texts are UTF-8.
 *
 * Threads. The library has no globals. One handle, and the maps, events and answers used with it, belong to one thread at
 * a time; different handles may be used by different threads at once. An answer stays valid after its handle is gone.
 *
 * Time limits. Every call ends within its time limit (betony_set_timeouts_ms), also when the server says nothing.
 *
 * Reconnecting. A call that finds its connection lost connects again and is sent again, within the same time limit and at
 * most `betony_set_retries` times, when that cannot do harm: every method that only reads, and betony_record, whose events
 * carry ids by which the server knows them. betony_call and betony_call_raw with the method `record` are never sent again.
 * A call answered with `busy` is sent again after the time the server asked for, within the same limit.
 *
 * Errors. Every call returns an enum betony_error; betony_last_fault has the sentence for the person who meets it. A call
 * that fails with any other error than BETONY_OUTCOME_UNKNOWN has changed nothing on the server.
 *
 * Security. This version speaks no TLS, so betony_connect refuses any host that is not this machine.
 *
 * What the server answers supports and does not replace clinical judgement; a program that shows a next step says so, and
 * defers to the child's own prescribed plan, local policy and licensed practice.
 */
#ifndef BETONY_H
#define BETONY_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#if defined(__GNUC__)
#define BETONY_API __attribute__((visibility("default")))
#define BETONY_MUST_CHECK __attribute__((warn_unused_result))
#else
#define BETONY_API
#define BETONY_MUST_CHECK
#endif

#define BETONY_ID_TEXT_SIZE 37   /* an id as text, with its NUL */
#define BETONY_IN_FLIGHT_MAX 256 /* calls of one connection sent and not yet answered */

/* --- errors ---------------------------------------------------------------------------------------------------- */

/* The first group are the server's own codes, by their wire names; the second arise on this side. */
#define BETONY_ERRORS(E)                                                                                               \
    E(BAD_MESSAGE, "bad-message")                                                                                      \
    E(UNKNOWN_METHOD, "unknown-method")                                                                                \
    E(BAD_PARAMS, "bad-params")                                                                                        \
    E(BAD_VALUE, "bad-value")                                                                                          \
    E(MISSING_FIELD, "missing-field")                                                                                  \
    E(UNKNOWN_KIND, "unknown-kind")                                                                                    \
    E(UNKNOWN_FIELD, "unknown-field")                                                                                  \
    E(UNKNOWN_PATIENT, "unknown-patient")                                                                              \
    E(CONFLICT, "conflict")                                                                                            \
    E(FUTURE_TIME, "future-time")                                                                                      \
    E(ID_REUSED, "id-reused")                                                                                          \
    E(NOT_ALLOWED, "not-allowed")                                                                                      \
    E(NOT_SIGNED_IN, "not-signed-in")                                                                                  \
    E(BUSY, "busy")                                                                                                    \
    E(FULL, "full")                                                                                                    \
    E(REBUILDING, "rebuilding")                                                                                        \
    E(DIVERGED, "diverged")                                                                                            \
    E(STOPPING, "stopping")                                                                                            \
    E(TOO_LARGE, "too-large")                                                                                          \
    E(INTERNAL, "internal")                                                                                            \
    E(OUTCOME_UNKNOWN, "outcome-unknown") /* stored or not: send the same ids again */                                 \
    E(UNREACHABLE, "unreachable")         /* no connection could be made */                                            \
    E(TIMED_OUT, "timed-out")             /* no answer within the time limit */                                        \
    E(LOST, "lost")                       /* the connection went before the answer came */                             \
    E(GARBLED, "garbled")                 /* what came is not an answer as the protocol has it */                      \
    E(NO_MEMORY, "no-memory")                                                                                          \
    E(MISUSE, "misuse") /* the call itself was wrong: see the function's contract */

#define BETONY_ERROR_ENTRY(name, code) BETONY_##name,
enum betony_error { BETONY_OK, BETONY_ERRORS(BETONY_ERROR_ENTRY) BETONY_ERROR_COUNT };

/* What went wrong, for a person. */
struct betony_fault {
    enum betony_error error;
    char message[256];   /* one plain sentence, NUL-terminated */
    char field[64];      /* the field it is about, or empty */
    int32_t event_index; /* place of the event in the call, or -1 */
    uint32_t retry_ms;   /* with BETONY_BUSY: ask again after so long; else 0 */
};

/* The code of an error as text ("bad-value"; "ok"); "unknown" for a number that is no error. Never NULL. Any thread. */
BETONY_API const char *betony_error_code(enum betony_error error);

/* --- a connection ---------------------------------------------------------------------------------------------- */

struct betony;

/* A handle, not yet connected; NULL without memory. Free with betony_free. */
BETONY_API struct betony *betony_new(void);
/* Closes and frees. NULL is allowed. Maps, events and answers live on by themselves. */
BETONY_API void betony_free(struct betony *b);

/* Signs in with this account at every connect; NULL account: none (the default). Texts are copied. NO_MEMORY. */
BETONY_API enum betony_error betony_set_account(struct betony *b, const char *account,
                                                const char *secret) BETONY_MUST_CHECK;
/* Name of the calling program as the server sees it, cut to 80 bytes; "libbetony" when never set. */
BETONY_API void betony_set_agent(struct betony *b, const char *agent);
/* Time limits in ms for making a connection (with its hello) and for one call; 1 to 3600000, others are brought into that
 * range. Defaults: 5000 and 30000. */
BETONY_API void betony_set_timeouts_ms(struct betony *b, int connect_ms, int call_ms);
/* How often a call may be sent again after a lost connection; 0 to 100. Default 3. */
BETONY_API void betony_set_retries(struct betony *b, int times);

/* Connects and says hello. `where`: "unix:PATH" or "HOST:PORT" ("[::1]:7811" for IPv6); a host other than this machine is
 * MISUSE (no TLS in this version). A connection that was open is closed first. UNREACHABLE, TIMED_OUT, MISUSE, or what
 * hello was answered with. After a failure the handle remembers `where`, and the next call tries to connect. */
BETONY_API enum betony_error betony_connect(struct betony *b, const char *where) BETONY_MUST_CHECK;
/* Closes the connection; calls in flight are forgotten. The next call connects again. */
BETONY_API void betony_disconnect(struct betony *b);
/* What the last failed call of this handle met; error BETONY_OK when none has failed. Valid until the next call. */
BETONY_API const struct betony_fault *betony_last_fault(const struct betony *b);

/* --- ids --------------------------------------------------------------------------------------------------------- */

/* A fresh UUIDv7 that is larger than all this handle made before. */
BETONY_API void betony_id_make(struct betony *b, char out[BETONY_ID_TEXT_SIZE]);
/* A UUIDv7 made from a time and bytes: the same input always gives the same id, so a repeated import is recognised. */
BETONY_API void betony_id_from_bytes(int64_t at_ms, const void *bytes, size_t size, char out[BETONY_ID_TEXT_SIZE]);

/* --- writing: maps ------------------------------------------------------------------------------------------------ */

/* A map that grows. Errors stick: after the first failure (no memory, a key or text over 64 KiB, more than 65,535 pairs)
 * nothing more is added, and the call that uses the map returns NO_MEMORY or TOO_LARGE. Keys are copied and written in the
 * order they come; the server refuses a key that stands twice. NULL maps and keys are MISUSE in the call that uses them. */
struct betony_map;

BETONY_API struct betony_map *betony_map_new(void); /* NULL without memory */
BETONY_API void betony_map_free(struct betony_map *map);
BETONY_API void betony_map_clear(struct betony_map *map); /* empty again, errors forgotten */
BETONY_API void betony_map_text(struct betony_map *map, const char *key, const char *text);
BETONY_API void betony_map_text_sized(struct betony_map *map, const char *key, const char *text, size_t size);
BETONY_API void betony_map_int(struct betony_map *map, const char *key, int64_t value);
BETONY_API void betony_map_bool(struct betony_map *map, const char *key, bool value);
/* An amount in hundredths: 350 is written as 3.5, 400 as the integer 4. */
BETONY_API void betony_map_amount(struct betony_map *map, const char *key, int64_t hundredths);
/* A list of texts. */
BETONY_API void betony_map_texts(struct betony_map *map, const char *key, const char *const *texts, size_t count);
/* A map inside the map, and a list of maps; what they hold is copied. */
BETONY_API void betony_map_map(struct betony_map *map, const char *key, const struct betony_map *inner);
BETONY_API void betony_map_maps(struct betony_map *map, const char *key, const struct betony_map *const *inner,
                                size_t count);
/* One value already encoded as MessagePack; it is checked to be exactly one value. */
BETONY_API void betony_map_raw(struct betony_map *map, const char *key, const void *bytes, size_t size);

/* --- writing: events ---------------------------------------------------------------------------------------------- */

/* One event: its head (kind, patient, at, ...) and its body, whose fields depend on the kind (`betony kinds`). */
struct betony_event;

/* An event of a kind that happened at `at_ms`. NULL without memory. */
BETONY_API struct betony_event *betony_event_new(const char *kind, int64_t at_ms);
BETONY_API void betony_event_free(struct betony_event *event);
/* The id: a UUIDv7. An event that has none when betony_record takes it is given one, and keeps it. MISUSE when `id` is not a
 * UUIDv7 in lower case. */
BETONY_API enum betony_error betony_event_set_id(struct betony_event *event, const char *id) BETONY_MUST_CHECK;
/* The id, or NULL as long as it has none. Valid as long as the event. */
BETONY_API const char *betony_event_id(const struct betony_event *event);
/* Another field of the head: patient, done_by, source, visit, stoma, replaces, same_as. */
BETONY_API void betony_event_set(struct betony_event *event, const char *field, const char *text);
/* The body: add fields with betony_map_*. Owned by the event. */
BETONY_API struct betony_map *betony_event_body(struct betony_event *event);

/* --- reading ------------------------------------------------------------------------------------------------------- */

/* An answer, and a value inside one. Values live as long as their answer. Every function takes a NULL value, so that
 * look-ups can be chained without checks: what is not there gives NULL, 0 or the fallback. */
struct betony_answer;
struct betony_value;

enum betony_type {
    BETONY_ABSENT, /* NULL was asked about */
    BETONY_NIL,
    BETONY_BOOL,
    BETONY_INT,
    BETONY_FLOAT,
    BETONY_TEXT,
    BETONY_BYTES,
    BETONY_LIST,
    BETONY_MAP
};

BETONY_API void betony_answer_free(struct betony_answer *answer); /* NULL is allowed */
/* The result of a call; never NULL for an answer that a call handed out. */
BETONY_API const struct betony_value *betony_answer_result(const struct betony_answer *answer);
BETONY_API enum betony_type betony_value_type(const struct betony_value *value);
/* Entries of a list, pairs of a map; 0 for everything else. */
BETONY_API size_t betony_value_count(const struct betony_value *value);
/* Entry of a list, value of a map's pair; NULL beyond the end. */
BETONY_API const struct betony_value *betony_value_at(const struct betony_value *value, size_t index);
/* Key of a map's pair; NULL beyond the end. */
BETONY_API const struct betony_value *betony_value_key_at(const struct betony_value *value, size_t index);
/* The value of a key of a map; NULL when it is not there. */
BETONY_API const struct betony_value *betony_value_get(const struct betony_value *value, const char *key);
/* An integer (a float that is whole counts), else the fallback. */
BETONY_API int64_t betony_value_int(const struct betony_value *value, int64_t fallback);
/* A number, else the fallback. */
BETONY_API double betony_value_number(const struct betony_value *value, double fallback);
/* A number as hundredths, rounded to the nearest, else the fallback; also when it is beyond +-9e15. */
BETONY_API int64_t betony_value_amount(const struct betony_value *value, int64_t fallback);
BETONY_API bool betony_value_bool(const struct betony_value *value, bool fallback);
/* A text, NUL-terminated, else the fallback. A NUL inside the text ends it early; betony_value_text_sized has all of it. */
BETONY_API const char *betony_value_text(const struct betony_value *value, const char *fallback);
/* A text or bytes with their size; NULL and size 0 for everything else. */
BETONY_API const char *betony_value_text_sized(const struct betony_value *value, size_t *size_out);

/* --- calls ---------------------------------------------------------------------------------------------------------- */

/* All calls: on BETONY_OK `*out` is a new answer, to be freed with betony_answer_free; otherwise it is not touched and
 * betony_last_fault says why. `out` may be NULL when the answer is of no interest. `params` may be NULL for none.
 * All return MISUSE while calls sent with betony_send wait for their answers. */

/* Any method. */
BETONY_API enum betony_error betony_call(struct betony *b, const char *method, const struct betony_map *params,
                                         struct betony_answer **out) BETONY_MUST_CHECK;
/* Any method, with its parameters as one encoded MessagePack map. */
BETONY_API enum betony_error betony_call_raw(struct betony *b, const char *method, const void *params, size_t size,
                                             struct betony_answer **out) BETONY_MUST_CHECK;
/* Who the server is, and who we are to it. */
BETONY_API enum betony_error betony_hello(struct betony *b, struct betony_answer **out) BETONY_MUST_CHECK;
BETONY_API enum betony_error betony_ping(struct betony *b, struct betony_answer **out) BETONY_MUST_CHECK;
/* Records 1 to 1,000 events, all or none. Events without an id get one first. `want`: "none", "opened" (what NULL means)
 * or "statuses". When it ends with OUTCOME_UNKNOWN, call it again with the same events. */
BETONY_API enum betony_error betony_record(struct betony *b, struct betony_event *const *events, size_t count,
                                           const char *want, struct betony_answer **out) BETONY_MUST_CHECK;
/* Tasks; parameters teams, tasks, states, before, limit, after. One page: the key `after` of the result goes into the next. */
BETONY_API enum betony_error betony_due(struct betony *b, const struct betony_map *params,
                                        struct betony_answer **out) BETONY_MUST_CHECK;
/* Open alerts; parameters teams, urgency, names, answered, limit, after. */
BETONY_API enum betony_error betony_alerts(struct betony *b, const struct betony_map *params,
                                           struct betony_answer **out) BETONY_MUST_CHECK;
/* One child's status. `at_ms`, `known_at_ms`: as it stood then, from what had been received then; NULL: now. */
BETONY_API enum betony_error betony_patient(struct betony *b, const char *patient_id, const int64_t *at_ms,
                                            const int64_t *known_at_ms, struct betony_answer **out) BETONY_MUST_CHECK;

/* --- many calls at once ------------------------------------------------------------------------------------------- */

/* Sends a call without waiting for its answer; `*ticket_out` (never 0) names it. At most BETONY_IN_FLIGHT_MAX may wait: then
 * MISUSE. Connects when not connected and nothing is in flight. On UNREACHABLE, LOST or TIMED_OUT every call in flight is
 * forgotten: those that record may or may not have happened, and are sent again with the same ids. */
BETONY_API enum betony_error betony_send(struct betony *b, const char *method, const struct betony_map *params,
                                         uint32_t *ticket_out) BETONY_MUST_CHECK;
/* The same for events as betony_record takes them. */
BETONY_API enum betony_error betony_send_record(struct betony *b, struct betony_event *const *events, size_t count,
                                                const char *want, uint32_t *ticket_out) BETONY_MUST_CHECK;
/* The next answer, of whichever call it is. With *ticket_out not 0 the return value is that call's own outcome; with
 * *ticket_out 0 the connection failed and every call in flight is forgotten. MISUSE when none is in flight. */
BETONY_API enum betony_error betony_receive(struct betony *b, uint32_t *ticket_out,
                                            struct betony_answer **out) BETONY_MUST_CHECK;
/* Calls sent and not yet answered. */
BETONY_API size_t betony_in_flight(const struct betony *b);

/* --- following ---------------------------------------------------------------------------------------------------- */

/* Begins to follow the log: parameters after, all, teams, what. The answer holds `cursor`: where it begins. From then on the
 * handle takes betony_change and betony_disconnect only; every other call is MISUSE. DIVERGED: `after` is no place of this
 * server's log. */
BETONY_API enum betony_error betony_follow(struct betony *b, const struct betony_map *params,
                                           struct betony_answer **out) BETONY_MUST_CHECK;
/* The next change, waiting at most `wait_ms`. TIMED_OUT: none came, and it goes on. LOST, GARBLED: it is over; follow again
 * after the last `cursor` that was seen, and nothing is missed or comes twice. */
BETONY_API enum betony_error betony_change(struct betony *b, int wait_ms, struct betony_answer **out) BETONY_MUST_CHECK;

/* --- version -------------------------------------------------------------------------------------------------------- */

/* "0.1.0". Never NULL. */
BETONY_API const char *betony_version(void);

#ifdef __cplusplus
}
#endif

#endif
