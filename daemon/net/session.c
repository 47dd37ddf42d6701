/*
 * session.c - see session.h.
 */
#include "net/session.h"

#include <assert.h>
#include <string.h>

#define NEVER (-1)

void net_limits_init(struct net_limits *limits) {
    *limits = (struct net_limits){
        .message_bytes_max = PROTO_MESSAGE_BYTES_MAX,
        .message_before_hello_bytes_max = PROTO_MESSAGE_BEFORE_SIGN_IN_MAX,
        .node_message_bytes_max = PROTO_NODE_MESSAGE_BYTES_MAX,
        .calls_max = PROTO_CALLS_IN_FLIGHT_MAX,
        .output_high_bytes = 256u << 10,
        .output_max_bytes = 16u << 20,
        .first_ms = 10000,
        .message_ms = 30000,
        .write_ms = 30000,
        .idle_ms = 900000,
    };
}

void net_session_init(struct net_session *session, const struct net_limits *limits, bool trusted, int64_t now) {
    assert(limits->calls_max > 0 && limits->calls_max <= PROTO_CALLS_IN_FLIGHT_MAX);
    assert(limits->output_max_bytes >= limits->output_high_bytes);
    assert(limits->node_message_bytes_max <= PROTO_NODE_MESSAGE_BYTES_MAX);
    memset(session, 0, sizeof *session);
    session->limits = limits;
    session->trusted = trusted;
    session->opened_at = session->active_at = now;
    session->message_since = session->write_since = NEVER;
}

void net_session_deinit(struct net_session *session) {
    net_buffer_free(&session->input);
    net_buffer_free(&session->output);
    net_buffer_free(&session->sending);
    session->state = NET_SESSION_DEAD;
    session->calls = 0;
}

static size_t output_size(const struct net_session *session) {
    return net_buffer_size(&session->output) + net_buffer_size(&session->sending);
}

static bool at_limit(const struct net_session *session) {
    return session->held || session->calls >= session->limits->calls_max ||
           output_size(session) >= session->limits->output_high_bytes;
}

/* What is being sent stays where it is: the transport may still be reading it. */
static void die(struct net_session *session) {
    net_buffer_free(&session->input);
    net_buffer_free(&session->output);
    session->state = NET_SESSION_DEAD;
}

static void put_output(struct net_session *session, const void *bytes, size_t size, int64_t now) {
    if (session->state == NET_SESSION_DEAD)
        return;
    if (output_size(session) + size > session->limits->output_max_bytes ||
        !net_buffer_append(&session->output, bytes, size)) {
        die(session);
        return;
    }
    if (session->write_since == NEVER)
        session->write_since = now;
}

/* The error of a broken conversation is said once nothing is in flight any more. */
static void speak_last(struct net_session *session, int64_t now) {
    if (session->state != NET_SESSION_CLOSING || !session->has_last_words || session->calls > 0)
        return;
    uint8_t bytes[1024];
    struct proto_writer writer;
    proto_writer_init(&writer, bytes, sizeof bytes);
    proto_write_fault(&writer, session->last_msgid, &session->last_words);
    session->has_last_words = false;
    if (writer.error == PROTO_OK)
        put_output(session, bytes, writer.size, now);
}

static void begin_closing(struct net_session *session, int64_t now) {
    assert(session->state == NET_SESSION_OPEN);
    session->state = NET_SESSION_CLOSING;
    session->message_since = NEVER;
    if (session->write_since == NEVER)
        session->write_since = now; /* answers in flight are not waited for without end */
    net_buffer_free(&session->input);
    speak_last(session, now);
}

static void break_off(struct net_session *session, bool has_msgid, uint32_t msgid, const struct proto_fault *fault,
                      int64_t now) {
    session->has_last_words = has_msgid;
    session->last_msgid = msgid;
    session->last_words = *fault;
    begin_closing(session, now);
}

void net_session_feed(struct net_session *session, const void *bytes, size_t size, int64_t now) {
    if (session->state != NET_SESSION_OPEN || size == 0)
        return;
    if (!net_buffer_append(&session->input, bytes, size)) {
        die(session);
        return;
    }
    if (session->message_since == NEVER)
        session->message_since = now;
}

void net_session_end_input(struct net_session *session) {
    session->input_ended = true;
}

void net_session_hold(struct net_session *session, bool held, int64_t now) {
    if (held && !session->held_since)
        session->held_since = now;
    session->held = held;
    if (!held && session->message_since != NEVER)
        session->message_since = now;
}

bool net_session_can_go_on(const struct net_session *session) {
    return session->state == NET_SESSION_OPEN && session->starved && !at_limit(session);
}

bool net_session_wants_input(const struct net_session *session) {
    return session->state == NET_SESSION_OPEN && !session->input_ended && !at_limit(session);
}

static void drop_message(struct net_session *session, size_t size, int64_t now) {
    if (session->state == NET_SESSION_DEAD)
        return;
    net_buffer_consume(&session->input, size);
    session->scan = (struct proto_scan){0};
    session->had_message = true;
    session->active_at = now;
    session->message_since = net_buffer_size(&session->input) ? now : NEVER;
}

static bool msgid_in_flight(const struct net_session *session, uint32_t msgid) {
    for (uint32_t i = 0; i < session->calls; i++)
        if (session->msgids[i] == msgid)
            return true;
    return false;
}

static size_t message_bytes_max(const struct net_session *session) {
    const struct net_limits *limits = session->limits;
    if (session->trusted && session->greeted && session->node)
        return limits->node_message_bytes_max;
    return session->greeted || session->trusted ? limits->message_bytes_max : limits->message_before_hello_bytes_max;
}

/* Scans the message at the front of the input; false when it is not whole, or broken (the session is then closing). */
static bool scan_front(struct net_session *session, size_t *size_out, int64_t now) {
    const uint8_t *bytes = net_buffer_bytes(&session->input);
    size_t size = net_buffer_size(&session->input);
    bool signed_in = session->greeted || session->trusted;
    size_t bytes_max = message_bytes_max(session);
    enum proto_error error = proto_scan_value(&session->scan, bytes, size, bytes_max, size_out);
    if (error == PROTO_OK)
        return true;
    if (error != PROTO_TRUNCATED) {
        struct proto_fault fault = {0};
        uint32_t msgid = 0;
        bool has_msgid = proto_message_peek_msgid(bytes, size, &msgid);
        if (error == PROTO_TOO_LARGE)
            (void)proto_fault_set(&fault, error, NULL, "The message is larger than this server takes (%zu bytes%s).",
                                  bytes_max, signed_in ? "" : " before hello");
        else
            (void)proto_fault_set(&fault, PROTO_BAD_MESSAGE, NULL, "%s", proto_error_sentence(PROTO_BAD_MESSAGE));
        break_off(session, has_msgid, msgid, &fault, now);
    }
    return false;
}

/* What a whole message is: a call to hand out, one that was answered here, or the end of the conversation. */
enum verdict { VERDICT_CALL, VERDICT_PASSED, VERDICT_ENDED };

/* Some clients introduce themselves unasked, with a method in binary and params of any shape: whatever a notification holds, it is passed over. */
static bool is_notification(const uint8_t *bytes, size_t size) {
    return size >= 2 && bytes[0] == 0x93 && bytes[1] == PROTO_NOTIFICATION;
}

static enum verdict judge(struct net_session *session, struct proto_arena *arena, struct proto_message *message,
                          size_t size, int64_t now) {
    struct proto_fault fault = {0};
    bool has_msgid = false;
    *message = (struct proto_message){0};
    if (is_notification(net_buffer_bytes(&session->input), size)) {
        drop_message(session, size, now);
        return VERDICT_PASSED;
    }
    enum proto_error error =
        proto_message_decode(net_buffer_bytes(&session->input), size, arena, message, &has_msgid, &fault);
    uint32_t msgid = message->msgid;
    if (error == PROTO_OK && message->type != PROTO_REQUEST)
        has_msgid = false; /* only a call is answered */
    if (has_msgid && msgid_in_flight(session, msgid)) {
        (void)proto_fault_set(&fault, PROTO_BAD_MESSAGE, NULL, "The msgid %u is still in flight.", msgid);
        break_off(session, true, msgid, &fault, now);
        return VERDICT_ENDED;
    }
    if (error == PROTO_BAD_PARAMS && has_msgid) {
        uint8_t bytes[1024];
        struct proto_writer writer;
        proto_writer_init(&writer, bytes, sizeof bytes);
        proto_write_fault(&writer, msgid, &fault);
        drop_message(session, size, now);
        put_output(session, bytes, writer.size, now);
        return session->state == NET_SESSION_OPEN ? VERDICT_PASSED : VERDICT_ENDED;
    }
    if (error == PROTO_OK && message->type == PROTO_REQUEST)
        return VERDICT_CALL;
    if (error == PROTO_OK)
        (void)proto_fault_set(&fault, PROTO_BAD_MESSAGE, NULL, "This server asked nothing that could be answered.");
    break_off(session, has_msgid, msgid, &fault, now);
    return VERDICT_ENDED;
}

bool net_session_next(struct net_session *session, struct proto_arena *arena, struct proto_message *message,
                      size_t *size_out, int64_t now) {
    while (session->state == NET_SESSION_OPEN) {
        size_t size = 0;
        session->starved = at_limit(session);
        if (session->starved)
            return false;
        if (net_buffer_size(&session->input) == 0 || !scan_front(session, &size, now)) {
            if (session->state == NET_SESSION_OPEN && session->input_ended)
                begin_closing(session, now);
            return false;
        }
        proto_arena_clear(arena);
        switch (judge(session, arena, message, size, now)) {
        case VERDICT_CALL:
            *size_out = size;
            return true;
        case VERDICT_PASSED:
            break;
        case VERDICT_ENDED:
            return false;
        }
    }
    return false;
}

void net_session_begin_call(struct net_session *session, uint32_t msgid) {
    assert(session->state == NET_SESSION_OPEN);
    assert(session->calls < session->limits->calls_max && !msgid_in_flight(session, msgid));
    session->msgids[session->calls++] = msgid;
}

void net_session_drop_call(struct net_session *session, size_t size, int64_t now) {
    session->held_since = 0;
    drop_message(session, size, now);
}

void net_session_undo_call(struct net_session *session, uint32_t msgid) {
    assert(session->calls > 0 && session->msgids[session->calls - 1] == msgid);
    session->calls--;
}

void net_session_answer(struct net_session *session, uint32_t msgid, const void *bytes, size_t size, int64_t now) {
    if (session->state == NET_SESSION_DEAD)
        return;
    bool was_full = at_limit(session);
    uint32_t at = 0;
    while (at < session->calls && session->msgids[at] != msgid)
        at++;
    assert(at < session->calls); /* a call is answered once */
    session->msgids[at] = session->msgids[--session->calls];
    session->active_at = now;
    put_output(session, bytes, size, now);
    speak_last(session, now);
    if (was_full && session->message_since != NEVER)
        session->message_since = now; /* the peer could not go on while we did not read */
}

bool net_session_can_push(const struct net_session *session) {
    return session->state == NET_SESSION_OPEN && output_size(session) < session->limits->output_high_bytes;
}

void net_session_push(struct net_session *session, const void *bytes, size_t size, int64_t now) {
    if (session->state == NET_SESSION_OPEN)
        put_output(session, bytes, size, now);
}

size_t net_session_output(struct net_session *session, size_t max, const uint8_t **bytes_out) {
    if (net_buffer_size(&session->sending) == 0) {
        struct net_buffer empty = session->sending;
        session->sending = session->output;
        session->output = empty;
    }
    size_t size = net_buffer_size(&session->sending);
    *bytes_out = size ? net_buffer_bytes(&session->sending) : NULL;
    return size < max ? size : max;
}

void net_session_wrote(struct net_session *session, size_t size, int64_t now) {
    if (session->state == NET_SESSION_DEAD)
        return;
    bool was_full = at_limit(session);
    net_buffer_consume(&session->sending, size);
    session->active_at = now;
    session->write_since = output_size(session) || session->state == NET_SESSION_CLOSING ? now : NEVER;
    if (was_full && session->message_since != NEVER)
        session->message_since = now;
}

bool net_session_done(const struct net_session *session) {
    if (session->state == NET_SESSION_DEAD)
        return true;
    return session->state == NET_SESSION_CLOSING && session->calls == 0 && output_size(session) == 0;
}

const char *net_session_expired(const struct net_session *session, int64_t now) {
    const struct net_limits *limits = session->limits;
    int64_t write_ms = session->follows && limits->idle_ms > limits->write_ms ? limits->idle_ms : limits->write_ms;
    if (session->write_since != NEVER && now - session->write_since > write_ms)
        return "the peer does not read its answers";
    if (session->state != NET_SESSION_OPEN || at_limit(session))
        return NULL;
    if (!session->had_message && now - session->opened_at > limits->first_ms)
        return "no message came";
    if (session->message_since != NEVER && now - session->message_since > limits->message_ms)
        return "a message was begun and not finished";
    if (session->calls == 0 && session->write_since == NEVER && !session->follows &&
        now - session->active_at > limits->idle_ms)
        return "nothing was asked for a long time";
    return NULL;
}
