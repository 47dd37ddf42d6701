/*
 * session.h - one peer's conversation in MessagePack-RPC, as a pure core: bytes in, calls out; answers in, bytes out.
 *
 * The transports, the fuzzer and the simulator all come through this door. No
 * I/O and no clock in here: moments are handed in, in ms of any clock that
 * only goes forward.
 *
 * What always holds:
 *  - every call that was handed out is answered once, or the peer is gone;
 *  - what a peer can make us hold is bounded: one message and one read of input, calls_max calls, output_max_bytes of output;
 *  - at a limit of calls or output the session asks for no more input until there is room again;
 *  - a peer that breaks the protocol gets the answers of its calls in flight, then one error where a msgid is known, then the
 *    end. The error comes last so that it can never be taken for the answer of an earlier call with the same msgid.
 */
#ifndef NET_SESSION_H
#define NET_SESSION_H

#include "net/buffer.h"
#include "proto/message.h"
#include "proto/scan.h"

struct net_limits {
    uint32_t message_bytes_max;              /* after hello; of a trusted peer from the start */
    uint32_t message_before_hello_bytes_max; /* until then */
    uint32_t node_message_bytes_max;         /* of a trusted peer that said hello as a node */
    uint32_t calls_max;                      /* in flight; at most PROTO_CALLS_IN_FLIGHT_MAX */
    uint32_t output_high_bytes;              /* no further call is taken while so much waits to be written */
    uint32_t output_max_bytes;               /* a peer that lets more pile up is dropped */
    int64_t first_ms;                        /* from the opening to the first whole message */
    int64_t message_ms;                      /* from a message's first byte to its last */
    int64_t write_ms;                        /* without any progress of our writing */
    int64_t idle_ms;                         /* without any call */
};
/* Bounds of limits.h; 10 s for the first message, 30 s for each one, 30 s of standing output, 15 min of silence. */
void net_limits_init(struct net_limits *limits);

enum net_session_state {
    NET_SESSION_OPEN,
    NET_SESSION_CLOSING, /* no more input; what is in flight is answered and written */
    NET_SESSION_DEAD     /* nothing can be said any more: close at once */
};

struct net_session {
    const struct net_limits *limits;
    enum net_session_state state;
    bool greeted;      /* hello has succeeded: the larger message bound holds */
    bool trusted;      /* loopback or the owner's Unix socket: needs no sign-in, has its bounds */
    bool held;         /* a call waits for room in the ingest queue */
    bool input_ended;  /* the peer sends no more */
    bool starved;      /* a limit kept the last look for a call from being made */
    bool follows;      /* is sent notifications: its silence means nothing, and it may take its time to read */
    bool push_starved; /* there was more to push than room */
    void *follower;    /* of whoever pushes; the session only carries it */
    void *node;        /* not NULL: the peer is a node; of whoever serves it, the session only carries it */
    char account[PROTO_TEXT_SHORT_MAX + 4]; /* as stated in hello; empty before. Whoever serves sets it */
    struct net_buffer input, output, sending;
    struct proto_scan scan;
    int64_t opened_at, message_since, write_since, active_at,
        held_since; /* message_since, write_since: -1 when nothing stands */
    bool had_message;
    uint32_t calls; /* in flight */
    uint32_t msgids[PROTO_CALLS_IN_FLIGHT_MAX];
    bool has_last_words;
    uint32_t last_msgid;
    struct proto_fault last_words;
};

/* `limits` outlives the session. */
void net_session_init(struct net_session *session, const struct net_limits *limits, bool trusted, int64_t now);
void net_session_deinit(struct net_session *session);

/* Takes bytes that came from the peer (copied). What comes after the session began to close is thrown away. */
void net_session_feed(struct net_session *session, const void *bytes, size_t size, int64_t now);
/* The peer will send no more: what it has asked is still answered. */
void net_session_end_input(struct net_session *session);
/* A held session hands out no call until it is let go; held_since is kept until a call is taken. */
void net_session_hold(struct net_session *session, bool held, int64_t now);
/* True when a limit stopped the session and holds no more: look for calls again. */
bool net_session_can_go_on(const struct net_session *session);
/* True while more input is welcome. */
bool net_session_wants_input(const struct net_session *session);

/* The next call in the input, decoded into the arena (cleared first); false when there is none for now: more bytes are needed, a limit
 * holds, or the session is closing. Notifications are passed over; broken params are answered here. The call stays at the front of the
 * input: begin_call puts it in flight, then drop_call forgets its `size` bytes, or undo_call takes it back and it comes again. *message
 * lives until the first answer or drop. */
bool net_session_next(struct net_session *session, struct proto_arena *arena, struct proto_message *message,
                      size_t *size_out, int64_t now);
void net_session_begin_call(struct net_session *session, uint32_t msgid);
void net_session_drop_call(struct net_session *session, size_t size, int64_t now);
void net_session_undo_call(struct net_session *session, uint32_t msgid);
/* Answers a call in flight: one whole encoded response. Ignored by a dead session. */
void net_session_answer(struct net_session *session, uint32_t msgid, const void *bytes, size_t size, int64_t now);

/* True while a notification may be pushed: a peer that reads slowly is not written to faster. */
bool net_session_can_push(const struct net_session *session);
/* One encoded notification (copied). */
void net_session_push(struct net_session *session, const void *bytes, size_t size, int64_t now);

/* The next bytes to write, at most `max`; 0 when there are none. They stay in place until net_session_wrote. */
size_t net_session_output(struct net_session *session, size_t max, const uint8_t **bytes_out);
void net_session_wrote(struct net_session *session, size_t size, int64_t now);
/* True when the connection is to be closed: all said, or dead. */
bool net_session_done(const struct net_session *session);
/* The deadline that has passed, as a plain sentence; NULL when none has. */
const char *net_session_expired(const struct net_session *session, int64_t now);

#endif
