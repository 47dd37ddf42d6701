/*
 * session.c - MessagePack-RPC over the socket: requests with numbers, responses found by them.
 *
 * What always holds: bytes are bounds-checked by proto's scan before they are decoded; a response to a number that is not
 * in flight and every notification is passed over; after any failure of the stream the connection is closed.
 */
#include "lib.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void betony_disconnect(struct betony *b) {
    if (b->fd >= 0)
        (void)close(b->fd);
    b->fd = -1;
    b->input_start = b->input_end = 0;
    memset(&b->scan, 0, sizeof b->scan);
    b->in_flight_count = 0;
    b->follows = false;
}

static enum betony_error drop(struct betony *b, enum betony_error error) {
    betony_disconnect(b);
    return error;
}

static enum betony_error garbled(struct betony *b, const char *how) {
    lib_fail(b, BETONY_GARBLED, "What answers at %.120s does not speak this protocol (%s).", b->where, how);
    return drop(b, BETONY_GARBLED);
}

/* --- sending ------------------------------------------------------------------------------------------------------ */

enum betony_error lib_session_send(struct betony *b, const char *method, const void *params, size_t size,
                                   int64_t deadline_ms, uint32_t *msgid_out) {
    assert(b->fd >= 0 && b->in_flight_count < BETONY_IN_FLIGHT_MAX);
    if (++b->next_msgid == 0) /* 0 is never a ticket */
        b->next_msgid = 1;
    uint8_t *bytes = malloc(size + 128);
    if (!bytes)
        return lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the call.");
    struct proto_writer writer;
    proto_writer_init(&writer, bytes, size + 128);
    proto_write_request(&writer, b->next_msgid, method);
    proto_write_raw(&writer, params, size);
    enum betony_error error = BETONY_OK;
    if (writer.error != PROTO_OK || writer.size > PROTO_MESSAGE_BYTES_MAX)
        error = lib_fail(b, BETONY_TOO_LARGE, "The call has more than the %u bytes that one message may have.",
                         PROTO_MESSAGE_BYTES_MAX);
    else if ((error = lib_socket_write(b, bytes, writer.size, deadline_ms)) != BETONY_OK)
        betony_disconnect(b); /* part of a message may be out */
    free(bytes);
    if (error != BETONY_OK)
        return error;
    b->in_flight[b->in_flight_count++] = b->next_msgid;
    *msgid_out = b->next_msgid;
    return BETONY_OK;
}

/* --- receiving ---------------------------------------------------------------------------------------------------- */

/* Ends every text of the answer with a NUL: the byte behind a text is the next value's header, which has been decoded. */
static void end_texts(struct betony_answer *answer, const msgpack_object *object) {
    if (object->type == MSGPACK_OBJECT_STR && object->via.str.size > 0) {
        size_t at = (size_t)((const uint8_t *)object->via.str.ptr - answer->bytes) + object->via.str.size;
        assert(at <= answer->size); /* one byte more was taken for the last text */
        answer->bytes[at] = 0;
    } else if (object->type == MSGPACK_OBJECT_ARRAY) {
        for (uint32_t i = 0; i < object->via.array.size; i++)
            end_texts(answer, &object->via.array.ptr[i]);
    } else if (object->type == MSGPACK_OBJECT_MAP) {
        for (uint32_t i = 0; i < object->via.map.size; i++) {
            end_texts(answer, &object->via.map.ptr[i].key);
            end_texts(answer, &object->via.map.ptr[i].val);
        }
    }
}

/* Takes `size` bytes at the front of the input as one message. NULL: the fault is set. */
static struct betony_answer *take_message(struct betony *b, size_t size) {
    struct betony_answer *answer = calloc(1, sizeof *answer);
    uint8_t *bytes = malloc(size + 1);
    struct proto_arena *arena = proto_arena_new();
    if (!answer || !bytes || !arena) {
        free(answer);
        free(bytes);
        proto_arena_free(arena);
        lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the server's answer.");
        betony_disconnect(b);
        return NULL;
    }
    memcpy(bytes, b->input + b->input_start, size);
    bytes[size] = 0;
    *answer = (struct betony_answer){.bytes = bytes, .size = size, .arena = arena};
    b->input_start += size;
    memset(&b->scan, 0, sizeof b->scan);
    bool has_msgid = false;
    struct proto_fault fault = {0};
    if (proto_message_decode(bytes, size, arena, &answer->message, &has_msgid, &fault) != PROTO_OK) {
        betony_answer_free(answer);
        (void)garbled(b, "not a message");
        return NULL;
    }
    return answer;
}

/* One whole message of any type, or the failure; the connection is closed with every failure. */
static enum betony_error next_message(struct betony *b, int64_t deadline_ms, struct betony_answer **out) {
    for (;;) {
        size_t size = 0, held = b->input_end - b->input_start;
        enum proto_error scanned =
            held ? proto_scan_value(&b->scan, b->input + b->input_start, held, PROTO_MESSAGE_BYTES_MAX, &size)
                 : PROTO_TRUNCATED;
        if (scanned == PROTO_OK) {
            *out = take_message(b, size);
            return *out ? BETONY_OK : b->fault.error;
        }
        if (scanned != PROTO_TRUNCATED)
            return garbled(b, proto_error_code(scanned));
        enum betony_error error = lib_socket_read(b, deadline_ms);
        if (error == BETONY_TIMED_OUT && b->follows)
            return error; /* nothing was to be answered, and what came so far is kept */
        if (error != BETONY_OK)
            return drop(b, error);
    }
}

/* Takes a number out of the list of those in flight; false when it is not there. */
static bool in_flight_take(struct betony *b, uint32_t msgid) {
    for (size_t i = 0; i < b->in_flight_count; i++) {
        if (b->in_flight[i] == msgid) {
            b->in_flight[i] = b->in_flight[--b->in_flight_count];
            return true;
        }
    }
    return false;
}

enum betony_error lib_session_receive(struct betony *b, int64_t deadline_ms, uint32_t *msgid_out,
                                      struct betony_answer **out) {
    assert(b->fd >= 0);
    *msgid_out = 0;
    for (;;) {
        struct betony_answer *answer = NULL;
        enum betony_error error = next_message(b, deadline_ms, &answer);
        if (error != BETONY_OK)
            return error;
        if (answer->message.type != PROTO_RESPONSE || !in_flight_take(b, answer->message.msgid)) {
            betony_answer_free(answer);
            continue;
        }
        *msgid_out = answer->message.msgid;
        if (!answer->message.error) {
            if (answer->message.result)
                end_texts(answer, answer->message.result);
            *out = answer;
            return BETONY_OK;
        }
        struct proto_fault fault = {0};
        proto_fault_read(answer->message.error, &fault);
        betony_answer_free(answer);
        return lib_fail_answer(b, &fault);
    }
}

enum betony_error lib_session_notified(struct betony *b, int64_t deadline_ms, struct betony_answer **out) {
    assert(b->fd >= 0 && b->follows);
    for (;;) {
        struct betony_answer *answer = NULL;
        enum betony_error error = next_message(b, deadline_ms, &answer);
        if (error != BETONY_OK)
            return error;
        if (answer->message.type == PROTO_NOTIFICATION) {
            answer->message.result = answer->message.params;
            if (answer->message.result)
                end_texts(answer, answer->message.result);
            *out = answer;
            return BETONY_OK;
        }
        betony_answer_free(answer);
    }
}

/* --- hello -------------------------------------------------------------------------------------------------------- */

static enum betony_error say_hello(struct betony *b, int64_t deadline_ms) {
    struct betony_map *params = betony_map_new();
    if (!params)
        return lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the call.");
    if (b->account)
        betony_map_text(params, "account", b->account);
    if (b->account && b->secret)
        betony_map_text(params, "secret", b->secret);
    betony_map_text(params, "agent", b->agent);
    struct betony_answer *answer = NULL;
    uint32_t msgid = 0;
    msgpack_sbuffer bytes;
    msgpack_packer packer;
    msgpack_sbuffer_init(&bytes);
    msgpack_packer_init(&packer, &bytes, msgpack_sbuffer_write);
    enum betony_error error = lib_map_error(params);
    if (error != BETONY_OK || lib_map_pack(params, &packer) != 0)
        error = lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the call.");
    else
        error = lib_session_send(b, "hello", bytes.data, bytes.size, deadline_ms, &msgid);
    if (error == BETONY_OK)
        error = lib_session_receive(b, deadline_ms, &msgid, &answer);
    msgpack_sbuffer_destroy(&bytes);
    betony_map_free(params);
    betony_answer_free(answer);
    return error;
}

enum betony_error lib_session_open(struct betony *b) {
    betony_disconnect(b);
    int64_t deadline_ms = lib_now_ms() + b->connect_ms;
    enum betony_error error = lib_socket_open(b, deadline_ms);
    if (error == BETONY_OK)
        error = say_hello(b, deadline_ms);
    if (error != BETONY_OK)
        betony_disconnect(b);
    return error;
}
