/*
 * caller.c - see caller.h.
 */
#include "net/caller.h"

#include "proto/message.h"
#include "proto/pack.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

void net_caller_init(struct net_caller *caller, size_t message_bytes_max, uint32_t calls_max) {
    assert(calls_max > 0 && calls_max <= NET_CALLER_CALLS_MAX && message_bytes_max > 0);
    memset(caller, 0, sizeof *caller);
    caller->message_bytes_max = message_bytes_max;
    caller->calls_max = calls_max;
}

void net_caller_deinit(struct net_caller *caller) {
    net_buffer_free(&caller->input);
    net_buffer_free(&caller->output);
    free(caller->draft);
    caller->draft = NULL;
    caller->calls = 0;
    caller->taken = 0;
}

void net_caller_reset(struct net_caller *caller) {
    net_buffer_free(&caller->input);
    net_buffer_free(&caller->output);
    caller->calls = 0;
    caller->taken = 0;
    caller->scan = (struct proto_scan){0};
    caller->fault = (struct proto_fault){0};
}

/* ---- asking ---------------------------------------------------------------------------------------------------- */

static void fail_for_memory(struct net_caller *caller) {
    if (caller->fault.code == PROTO_OK)
        (void)proto_fault_set(&caller->fault, PROTO_BUSY, NULL, "There is no memory for this conversation.");
}

bool net_caller_has_room(const struct net_caller *caller) {
    return caller->fault.code == PROTO_OK && caller->calls < caller->calls_max;
}

static bool is_in_flight(const struct net_caller *caller, uint32_t msgid, uint32_t *at) {
    for (*at = 0; *at < caller->calls; ++*at)
        if (caller->in_flight[*at].msgid == msgid)
            return true;
    return false;
}

struct proto_writer *net_caller_begin(struct net_caller *caller, const char *method) {
    uint32_t at;
    assert(net_caller_has_room(caller));
    if (!caller->draft)
        caller->draft = malloc(caller->message_bytes_max);
    if (!caller->draft) {
        fail_for_memory(caller);
        return NULL;
    }
    do
        caller->last_msgid++;
    while (is_in_flight(caller, caller->last_msgid, &at));
    proto_writer_init(&caller->w, caller->draft, caller->message_bytes_max);
    proto_write_request(&caller->w, caller->last_msgid, method);
    return &caller->w;
}

enum proto_error net_caller_end(struct net_caller *caller, uint64_t tag) {
    if (caller->w.error != PROTO_OK)
        return PROTO_TOO_LARGE;
    if (!net_buffer_append(&caller->output, caller->draft, caller->w.size)) {
        fail_for_memory(caller);
        return PROTO_BUSY;
    }
    caller->in_flight[caller->calls].msgid = caller->last_msgid;
    caller->in_flight[caller->calls++].tag = tag;
    return PROTO_OK;
}

const uint8_t *net_caller_output(const struct net_caller *caller, size_t *size_out) {
    *size_out = net_buffer_size(&caller->output);
    return *size_out ? net_buffer_bytes(&caller->output) : NULL;
}

void net_caller_sent(struct net_caller *caller, size_t size) {
    net_buffer_consume(&caller->output, size);
}

/* ---- answers --------------------------------------------------------------------------------------------------- */

void net_caller_feed(struct net_caller *caller, const void *bytes, size_t size) {
    if (caller->fault.code != PROTO_OK || size == 0)
        return;
    if (!net_buffer_append(&caller->input, bytes, size))
        fail_for_memory(caller);
}

static bool fail(struct net_caller *caller, enum proto_error code, const char *why) {
    (void)proto_fault_set(&caller->fault, code, NULL, "The server's answer cannot be used: %s.", why);
    net_buffer_free(&caller->input);
    caller->taken = 0;
    return false;
}

static void drop(struct net_caller *caller, size_t size) {
    net_buffer_consume(&caller->input, size);
    caller->scan = (struct proto_scan){0};
}

/* One whole message; false: not all of it is here, or it is broken. */
static bool scan_front(struct net_caller *caller, size_t *size_out) {
    if (net_buffer_size(&caller->input) == 0)
        return false;
    enum proto_error error = proto_scan_value(&caller->scan, net_buffer_bytes(&caller->input),
                                              net_buffer_size(&caller->input), caller->message_bytes_max, size_out);
    if (error == PROTO_TRUNCATED)
        return false;
    if (error == PROTO_TOO_LARGE)
        return fail(caller, PROTO_TOO_LARGE, "it is larger than agreed");
    return error == PROTO_OK || fail(caller, PROTO_BAD_MESSAGE, "it is not MessagePack");
}

static bool read_answer(struct net_caller *caller, const msgpack_object *object, struct net_answer *out) {
    int64_t type, msgid;
    uint32_t at;
    if (object->type != MSGPACK_OBJECT_ARRAY || object->via.array.size != 4)
        return fail(caller, PROTO_BAD_MESSAGE, "it is no answer");
    const msgpack_object *parts = object->via.array.ptr;
    if (!proto_object_int(&parts[0], &type) || type != PROTO_RESPONSE)
        return fail(caller, PROTO_BAD_MESSAGE, "it is no answer");
    if (!proto_object_int(&parts[1], &msgid) || msgid < 0 || msgid > UINT32_MAX ||
        !is_in_flight(caller, (uint32_t)msgid, &at))
        return fail(caller, PROTO_BAD_MESSAGE, "nothing was asked that it answers");
    out->tag = caller->in_flight[at].tag;
    out->error = parts[2].type == MSGPACK_OBJECT_NIL ? NULL : &parts[2];
    out->result = out->error || parts[3].type == MSGPACK_OBJECT_NIL ? NULL : &parts[3];
    caller->in_flight[at] = caller->in_flight[--caller->calls];
    return true;
}

bool net_caller_next(struct net_caller *caller, struct proto_arena *arena, struct net_answer *out) {
    size_t size = 0, used;
    const msgpack_object *object = NULL;
    drop(caller, caller->taken);
    caller->taken = 0;
    while (caller->fault.code == PROTO_OK && scan_front(caller, &size)) {
        const uint8_t *bytes = net_buffer_bytes(&caller->input);
        if (size >= 2 && bytes[0] == 0x93 && bytes[1] == PROTO_NOTIFICATION) {
            drop(caller, size);
            continue;
        }
        proto_arena_clear(arena);
        enum proto_error error = proto_arena_unpack(arena, bytes, size, &used, &object);
        if (error == PROTO_BUSY)
            fail_for_memory(caller);
        if (error != PROTO_OK)
            return error != PROTO_BUSY && fail(caller, PROTO_BAD_MESSAGE, "it is not MessagePack");
        if (!read_answer(caller, object, out))
            return false;
        caller->taken = out->size = size;
        out->bytes = bytes;
        return true;
    }
    return false;
}

const struct proto_fault *net_caller_fault(const struct net_caller *caller) {
    return caller->fault.code == PROTO_OK ? NULL : &caller->fault;
}
