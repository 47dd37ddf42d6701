/*
 * caller.h - the asking end of a MessagePack-RPC conversation, as a pure core: requests out, answers in.
 *
 * A node's link to its upstream is one of these over whatever transport there is; the fuzzer and the simulator come through
 * the same door. No I/O and no clock in here.
 *
 * What always holds:
 *  - every answer handed out belongs to a call in flight, and to one only; answers come in whatever order the server gives them;
 *  - what the server can make us hold is bounded: one message and one read of input;
 *  - whatever is not an answer to a call in flight ends the conversation with a plain sentence; notifications are passed over.
 */
#ifndef NET_CALLER_H
#define NET_CALLER_H

#include "net/buffer.h"
#include "proto/event.h"
#include "proto/scan.h"
#include "proto/writer.h"

#define NET_CALLER_CALLS_MAX 32

struct net_caller {
    size_t message_bytes_max; /* either way */
    uint32_t calls_max, calls, last_msgid;
    struct {
        uint32_t msgid;
        uint64_t tag;
    } in_flight[NET_CALLER_CALLS_MAX];
    struct net_buffer input, output;
    struct proto_scan scan;
    size_t taken;   /* the answer handed out last, still at the front of the input */
    uint8_t *draft; /* the request that is being written */
    struct proto_writer w;
    struct proto_fault fault; /* code OK: none */
};

struct net_answer {
    uint64_t tag;         /* of the call */
    const void *result;   /* const msgpack_object *; NULL: nil was sent, or an error */
    const void *error;    /* likewise, for proto_fault_read; NULL: none */
    const uint8_t *bytes; /* the whole message */
    size_t size;
};

/* calls_max: at most NET_CALLER_CALLS_MAX. */
void net_caller_init(struct net_caller *caller, size_t message_bytes_max, uint32_t calls_max);
/* Back to as it was after init: another connection, nothing in flight, no fault. */
void net_caller_reset(struct net_caller *caller);
/* Harmless on {0} and when done twice. */
void net_caller_deinit(struct net_caller *caller);

/* Begins a call: the caller writes exactly one map of params to the writer, then ends it. There must be room for it
 * (net_caller_has_room). NULL when there is no memory: the conversation has a fault then. */
bool net_caller_has_room(const struct net_caller *caller);
struct proto_writer *net_caller_begin(struct net_caller *caller, const char *method);
/* TOO_LARGE: it is over the bound, and nothing was sent. BUSY: there is no memory, the conversation has a fault. */
enum proto_error net_caller_end(struct net_caller *caller, uint64_t tag) PROTO_MUST_CHECK;

/* Takes bytes that came (copied). After a fault they are thrown away. */
void net_caller_feed(struct net_caller *caller, const void *bytes, size_t size);
/* The next answer, decoded into the arena (cleared first); false when there is none for now, or there is a fault. It lives
 * until the next call of this, of feed, reset or deinit. */
bool net_caller_next(struct net_caller *caller, struct proto_arena *arena, struct net_answer *out);
/* The fault that ended the conversation; NULL: none. */
const struct proto_fault *net_caller_fault(const struct net_caller *caller);

/* Bytes to send: all that is waiting, NULL when nothing is; they stay in place until net_caller_sent. */
const uint8_t *net_caller_output(const struct net_caller *caller, size_t *size_out);
void net_caller_sent(struct net_caller *caller, size_t size);

#endif
