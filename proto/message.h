/*
 * message.h - the MessagePack-RPC envelope, both ways, and parameters of methods by their table.
 */
#ifndef PROTO_MESSAGE_H
#define PROTO_MESSAGE_H

#include "proto/event.h"
#include "proto/methods_table.h"
#include "proto/writer.h"

#define PROTO_VERSION 1
#define PROTO_PARAMS_MAX 16

enum proto_message_type { PROTO_REQUEST = 0, PROTO_RESPONSE = 1, PROTO_NOTIFICATION = 2 };

struct proto_message {
    enum proto_message_type type;
    uint32_t msgid;            /* request, response */
    struct proto_slice method; /* request, notification */
    const void *params;        /* const msgpack_object *: the one map; NULL: an empty array or map was sent */
    const void *error;         /* response: NULL when nil */
    const void *result;
};

/* Decodes one scanned message; a tighter bound than PROTO_NODE_MESSAGE_BYTES_MAX is the business of whoever framed it. Fault BAD_MESSAGE, or BAD_PARAMS when params are not an array of at most one map; *has_msgid says whether
 * an answer can be addressed: then message->msgid is set also when there is an error, and only it. Objects live in the arena. */
enum proto_error proto_message_decode(const uint8_t *bytes, size_t size, struct proto_arena *arena,
                                      struct proto_message *message, bool *has_msgid,
                                      struct proto_fault *fault) PROTO_MUST_CHECK;

/* The msgid at the head of a request whose rest is over a bound or broken, so that it can still be answered. */
bool proto_message_peek_msgid(const uint8_t *bytes, size_t size, uint32_t *msgid);

struct proto_method_info {
    const char *name;
    bool waits; /* answers `rebuilding` while the view is rebuilt */
    const char *help;
    const struct proto_field *params;
    uint32_t param_count;
};
const struct proto_method_info *proto_method_get(enum proto_method method);
enum proto_method proto_method_find(struct proto_slice name);

/* Reads a method's parameters by its table into values[PROTO_PARAMS_MAX] (by PROTO_PARAM_<method>_<name>). */
enum proto_error proto_params_decode(enum proto_method method, const void *params, struct proto_value *values,
                                     struct proto_fault *fault) PROTO_MUST_CHECK;
/* Entries of an EVENTS value: a const msgpack_object * for proto_event_decode_map. */
const void *proto_list_object(const struct proto_value *value, uint32_t index);

/* Envelopes. The result or params follow the begin call and are written by the caller. */
void proto_write_request(struct proto_writer *w, uint32_t msgid,
                         const char *method);                              /* then exactly one map of params */
void proto_write_notification(struct proto_writer *w, const char *method); /* then exactly one map of params */
void proto_write_result_begin(struct proto_writer *w, uint32_t msgid);     /* then exactly one value */
void proto_write_fault(struct proto_writer *w, uint32_t msgid, const struct proto_fault *fault);
void proto_write_fault_map(struct proto_writer *w, const struct proto_fault *fault);
/* Reads an error map of a response into *fault; an unreadable one becomes INTERNAL. */
void proto_fault_read(const void *error, struct proto_fault *fault);
/* The whole answer of `kinds`: kinds, fields, types, units, choices, bounds, help; also tasks, alerts, urgencies, levels and methods. */
void proto_write_kinds(struct proto_writer *w);
/* Content map of a decoded event as one map, stamps beside it (by, node, written_at, clock_offset_ms), for `history`: `extra` more pairs follow. */
void proto_write_event(struct proto_writer *w, const struct proto_event *event, uint32_t extra);

#endif
