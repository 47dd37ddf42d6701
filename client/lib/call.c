/*
 * call.c - the handle, and calls with their rules for being sent again.
 *
 * What always holds: a call ends within its time limit; what records is sent again only with ids in every event; the
 * fault of the last failed attempt is the one the caller sees.
 */
#define _GNU_SOURCE
#include "lib.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>

#define TIMEOUT_MS_MAX 3600000
#define RETRIES_MAX 100
#define PAUSE_MS_FIRST 20 /* before the second attempt; doubled for each further one */
#define PAUSE_MS_MAX 1000
#define BUSY_MS_DEFAULT 50

/* --- handle ------------------------------------------------------------------------------------------------------- */

struct betony *betony_new(void) {
    struct betony *b = calloc(1, sizeof *b);
    if (!b)
        return NULL;
    b->fd = -1;
    b->connect_ms = 5000;
    b->call_ms = 30000;
    b->retries = 3;
    b->fault.event_index = -1;
    betony_set_agent(b, "libbetony");
    return b;
}

void betony_free(struct betony *b) {
    if (!b)
        return;
    betony_disconnect(b);
    if (b->secret)
        explicit_bzero(b->secret, strlen(b->secret));
    free(b->where);
    free(b->account);
    free(b->secret);
    free(b->input);
    free(b);
}

enum betony_error betony_set_account(struct betony *b, const char *account, const char *secret) {
    char *new_account = account ? strdup(account) : NULL;
    char *new_secret = secret ? strdup(secret) : NULL;
    if ((account && !new_account) || (secret && !new_secret)) {
        free(new_account);
        free(new_secret);
        return lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the account.");
    }
    if (b->secret)
        explicit_bzero(b->secret, strlen(b->secret));
    free(b->account);
    free(b->secret);
    b->account = new_account;
    b->secret = new_secret;
    return BETONY_OK;
}

void betony_set_agent(struct betony *b, const char *agent) {
    (void)snprintf(b->agent, sizeof b->agent, "%s", agent ? agent : "libbetony");
}

static int within(int value, int low, int high) {
    return value < low ? low : value > high ? high : value;
}

void betony_set_timeouts_ms(struct betony *b, int connect_ms, int call_ms) {
    b->connect_ms = within(connect_ms, 1, TIMEOUT_MS_MAX);
    b->call_ms = within(call_ms, 1, TIMEOUT_MS_MAX);
}

void betony_set_retries(struct betony *b, int times) {
    b->retries = within(times, 0, RETRIES_MAX);
}

enum betony_error betony_connect(struct betony *b, const char *where) {
    if (!where)
        return lib_fail(b, BETONY_MISUSE, "No address to connect to was given.");
    char *copy = strdup(where);
    if (!copy)
        return lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the address.");
    free(b->where);
    b->where = copy;
    return lib_session_open(b);
}

size_t betony_in_flight(const struct betony *b) {
    return b->in_flight_count;
}

void betony_id_make(struct betony *b, char out[BETONY_ID_TEXT_SIZE]) {
    uint8_t entropy[10];
    while (getrandom(entropy, sizeof entropy, 0) != (ssize_t)sizeof entropy)
        continue; /* interrupted before the pool was ready */
    struct timespec now;
    (void)clock_gettime(CLOCK_REALTIME, &now);
    struct proto_id id;
    proto_id_make(&b->ids, (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000, entropy, &id);
    proto_id_format(&id, out);
}

void betony_id_from_bytes(int64_t at_ms, const void *bytes, size_t size, char out[BETONY_ID_TEXT_SIZE]) {
    uint8_t hash[PROTO_HASH_BYTES];
    proto_hash(bytes, size, hash);
    struct proto_id id;
    proto_id_from_hash(at_ms, hash, &id);
    proto_id_format(&id, out);
}

/* Encoded parameters. */
struct lib_bytes {
    const void *data;
    size_t size;
};

static struct lib_bytes bytes_of(const msgpack_sbuffer *buffer) {
    return (struct lib_bytes){buffer->data, buffer->size};
}

/* --- one call ----------------------------------------------------------------------------------------------------- */

/* One attempt: connects when need be, sends, waits. *sent says whether any of it may have reached the server. */
static enum betony_error attempt(struct betony *b, const char *method, struct lib_bytes params, int64_t deadline_ms,
                                 bool *sent, struct betony_answer **out) {
    if (b->fd < 0) {
        enum betony_error error = lib_session_open(b);
        if (error != BETONY_OK)
            return error;
    }
    uint32_t msgid = 0, answered = 0;
    *sent = true;
    enum betony_error error = lib_session_send(b, method, params.data, params.size, deadline_ms, &msgid);
    if (error == BETONY_OK)
        error = lib_session_receive(b, deadline_ms, &answered, out);
    if (error == BETONY_TIMED_OUT)
        betony_disconnect(b); /* a late answer must not meet a later call */
    return error;
}

/* How long to pause before another attempt; -1: there is to be none. */
static int64_t pause_before_again(const struct betony *b, enum betony_error error, int tried, enum lib_again again) {
    if (error == BETONY_BUSY)
        return b->fault.retry_ms ? (int64_t)b->fault.retry_ms : BUSY_MS_DEFAULT;
    bool transport = error == BETONY_LOST || error == BETONY_UNREACHABLE;
    if (!transport || again == LIB_ONCE || tried > b->retries)
        return -1;
    int64_t pause = (int64_t)PAUSE_MS_FIRST << within(tried - 1, 0, 10);
    return pause < PAUSE_MS_MAX ? pause : PAUSE_MS_MAX;
}

static bool leaves_doubt(enum betony_error error) {
    return error == BETONY_LOST || error == BETONY_TIMED_OUT || error == BETONY_GARBLED || error == BETONY_UNREACHABLE;
}

/* A record that went out and was not answered may be stored, whatever a later attempt was refused for. */
static enum betony_error doubt(struct betony *b) {
    char was[sizeof b->fault.message];
    memcpy(was, b->fault.message, sizeof was);
    return lib_fail(b, BETONY_OUTCOME_UNKNOWN,
                    "It is not known whether this was stored; send the same ids again. %.180s", was);
}

static enum betony_error fail_follows(struct betony *b) {
    return lib_fail(b, BETONY_MISUSE, "This handle follows the log; use another one, or disconnect it first.");
}

static enum betony_error call(struct betony *b, const char *method, struct lib_bytes params, enum lib_again again,
                              struct betony_answer **out) {
    if (!b->where)
        return lib_fail(b, BETONY_MISUSE, "The handle was never connected.");
    if (b->in_flight_count > 0)
        return lib_fail(b, BETONY_MISUSE, "Calls that were sent wait for their answers; receive them first.");
    if (b->follows)
        return fail_follows(b);
    int64_t deadline_ms = lib_now_ms() + b->call_ms;
    bool sent = false, unknown = false;
    struct betony_answer *answer = NULL;
    enum betony_error error;
    for (int tried = 1;; tried++) {
        error = attempt(b, method, params, deadline_ms, &sent, &answer);
        unknown = unknown || (sent && leaves_doubt(error));
        int64_t pause = error == BETONY_OK ? -1 : pause_before_again(b, error, tried, again);
        if (pause < 0 || lib_now_ms() + pause >= deadline_ms)
            break;
        lib_wait_ms(pause);
    }
    if (error == BETONY_OK) {
        if (out)
            *out = answer;
        else
            betony_answer_free(answer);
        return BETONY_OK;
    }
    return unknown && strcmp(method, "record") == 0 ? doubt(b) : error;
}

static enum lib_again again_of(const char *method) {
    return strcmp(method, "record") == 0 ? LIB_ONCE : LIB_AGAIN_READS;
}

/* --- parameters --------------------------------------------------------------------------------------------------- */

static enum betony_error fail_map(struct betony *b, enum betony_error error) {
    const char *sentence = error == BETONY_NO_MEMORY   ? "There is no memory for the call."
                           : error == BETONY_TOO_LARGE ? "A key or text of the call is too long."
                                                       : "The call was built from a missing key, text or map.";
    return lib_fail(b, error, "%s", sentence);
}

static void buffer_init(msgpack_sbuffer *bytes, msgpack_packer *packer) {
    msgpack_sbuffer_init(bytes);
    msgpack_packer_init(packer, bytes, msgpack_sbuffer_write);
}

/* The parameters as bytes; `bytes` is to be destroyed in any case. */
static enum betony_error params_pack(struct betony *b, const struct betony_map *params, msgpack_sbuffer *bytes) {
    msgpack_packer packer;
    buffer_init(bytes, &packer);
    enum betony_error error = params ? lib_map_error(params) : BETONY_OK;
    if (error == BETONY_OK && (params ? lib_map_pack(params, &packer) : msgpack_pack_map(&packer, 0)) != 0)
        error = BETONY_NO_MEMORY;
    return error == BETONY_OK ? BETONY_OK : fail_map(b, error);
}

static enum betony_error record_pack(struct betony *b, struct betony_event *const *events, size_t count,
                                     const char *want, msgpack_sbuffer *bytes) {
    msgpack_packer packer;
    buffer_init(bytes, &packer);
    if (count < 1 || count > PROTO_EVENTS_PER_CALL_MAX)
        return lib_fail(b, BETONY_MISUSE, "One call records 1 to %d events, not %zu.", PROTO_EVENTS_PER_CALL_MAX,
                        count);
    int failed = msgpack_pack_map(&packer, want ? 2 : 1);
    failed |= lib_pack_text(&packer, "events") | msgpack_pack_array(&packer, count);
    enum betony_error error = failed ? BETONY_NO_MEMORY : BETONY_OK;
    for (size_t i = 0; i < count && error == BETONY_OK; i++) {
        if (!events[i]->has_id) {
            betony_id_make(b, events[i]->id);
            events[i]->has_id = true;
        }
        error = lib_event_pack(events[i], &packer);
    }
    if (error == BETONY_OK && want && (lib_pack_text(&packer, "want") | lib_pack_text(&packer, want)))
        error = BETONY_NO_MEMORY;
    return error == BETONY_OK ? BETONY_OK : fail_map(b, error);
}

/* --- the public calls --------------------------------------------------------------------------------------------- */

enum betony_error betony_call(struct betony *b, const char *method, const struct betony_map *params,
                              struct betony_answer **out) {
    msgpack_sbuffer bytes;
    enum betony_error error = params_pack(b, params, &bytes);
    if (error == BETONY_OK)
        error = call(b, method, bytes_of(&bytes), again_of(method), out);
    msgpack_sbuffer_destroy(&bytes);
    return error;
}

enum betony_error betony_call_raw(struct betony *b, const char *method, const void *params, size_t size,
                                  struct betony_answer **out) {
    struct proto_scan scan = {0};
    size_t taken = 0;
    if (!params || proto_scan_value(&scan, params, size, PROTO_MESSAGE_BYTES_MAX, &taken) != PROTO_OK || taken != size)
        return lib_fail(b, BETONY_MISUSE, "The parameters are not exactly one MessagePack value within the bounds.");
    return call(b, method, (struct lib_bytes){params, size}, again_of(method), out);
}

enum betony_error betony_hello(struct betony *b, struct betony_answer **out) {
    if (b->in_flight_count > 0 || !b->where)
        return betony_call(b, "hello", NULL, out);
    struct betony_map *params = betony_map_new();
    if (!params)
        return fail_map(b, BETONY_NO_MEMORY);
    if (b->account)
        betony_map_text(params, "account", b->account);
    if (b->account && b->secret)
        betony_map_text(params, "secret", b->secret);
    betony_map_text(params, "agent", b->agent);
    enum betony_error error = betony_call(b, "hello", params, out);
    betony_map_free(params);
    return error;
}

enum betony_error betony_ping(struct betony *b, struct betony_answer **out) {
    return betony_call(b, "ping", NULL, out);
}

enum betony_error betony_record(struct betony *b, struct betony_event *const *events, size_t count, const char *want,
                                struct betony_answer **out) {
    msgpack_sbuffer bytes;
    enum betony_error error = record_pack(b, events, count, want, &bytes);
    if (error == BETONY_OK)
        error = call(b, "record", bytes_of(&bytes), LIB_AGAIN_RECORDS, out);
    msgpack_sbuffer_destroy(&bytes);
    return error;
}

enum betony_error betony_due(struct betony *b, const struct betony_map *params, struct betony_answer **out) {
    return betony_call(b, "due", params, out);
}

enum betony_error betony_alerts(struct betony *b, const struct betony_map *params, struct betony_answer **out) {
    return betony_call(b, "alerts", params, out);
}

enum betony_error betony_patient(struct betony *b, const char *patient_id, const int64_t *at_ms,
                                 const int64_t *known_at_ms, struct betony_answer **out) {
    struct betony_map *params = betony_map_new();
    if (!params)
        return fail_map(b, BETONY_NO_MEMORY);
    betony_map_text(params, "patient", patient_id);
    if (at_ms)
        betony_map_int(params, "at", *at_ms);
    if (known_at_ms)
        betony_map_int(params, "known_at", *known_at_ms);
    enum betony_error error = betony_call(b, "patient", params, out);
    betony_map_free(params);
    return error;
}

/* --- many at once ------------------------------------------------------------------------------------------------- */

static enum betony_error send_bytes(struct betony *b, const char *method, const msgpack_sbuffer *bytes,
                                    uint32_t *ticket_out) {
    if (!b->where)
        return lib_fail(b, BETONY_MISUSE, "The handle was never connected.");
    if (b->in_flight_count >= BETONY_IN_FLIGHT_MAX)
        return lib_fail(b, BETONY_MISUSE, "%d calls wait for their answers already.", BETONY_IN_FLIGHT_MAX);
    if (b->follows)
        return fail_follows(b);
    if (b->fd < 0) {
        enum betony_error error = lib_session_open(b);
        if (error != BETONY_OK)
            return error;
    }
    return lib_session_send(b, method, bytes->data, bytes->size, lib_now_ms() + b->call_ms, ticket_out);
}

enum betony_error betony_send(struct betony *b, const char *method, const struct betony_map *params,
                              uint32_t *ticket_out) {
    msgpack_sbuffer bytes;
    enum betony_error error = params_pack(b, params, &bytes);
    if (error == BETONY_OK)
        error = send_bytes(b, method, &bytes, ticket_out);
    msgpack_sbuffer_destroy(&bytes);
    return error;
}

enum betony_error betony_send_record(struct betony *b, struct betony_event *const *events, size_t count,
                                     const char *want, uint32_t *ticket_out) {
    msgpack_sbuffer bytes;
    enum betony_error error = record_pack(b, events, count, want, &bytes);
    if (error == BETONY_OK)
        error = send_bytes(b, "record", &bytes, ticket_out);
    msgpack_sbuffer_destroy(&bytes);
    return error;
}

enum betony_error betony_receive(struct betony *b, uint32_t *ticket_out, struct betony_answer **out) {
    *ticket_out = 0;
    if (b->in_flight_count == 0 || b->fd < 0)
        return lib_fail(b, BETONY_MISUSE, "No call waits for its answer.");
    struct betony_answer *answer = NULL;
    enum betony_error error = lib_session_receive(b, lib_now_ms() + b->call_ms, ticket_out, &answer);
    if (error == BETONY_OK && out)
        *out = answer;
    else
        betony_answer_free(answer);
    return error;
}
