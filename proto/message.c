/*
 * message.c - the MessagePack-RPC envelope, parameters by their table, and errors as maps.
 *
 * What always holds: the scan has passed the bytes before msgpack-c unpacks them.
 */
#include "proto/message.h"

#include "proto/field.h"
#include "proto/scan.h"

#include <assert.h>
#include <string.h>

/* ---- reading ------------------------------------------------------------------------------------------------ */

bool proto_message_peek_msgid(const uint8_t *bytes, size_t size, uint32_t *msgid) {
    if (size < 3 || bytes[0] != 0x94 || bytes[1] != PROTO_REQUEST)
        return false;
    if (bytes[2] < 0x80) {
        *msgid = bytes[2];
        return true;
    }
    size_t wide = bytes[2] == 0xcc ? 1 : bytes[2] == 0xcd ? 2 : bytes[2] == 0xce ? 4 : 0;
    if (wide == 0 || size < 3 + wide)
        return false;
    *msgid = 0;
    for (size_t i = 0; i < wide; i++)
        *msgid = *msgid << 8 | bytes[3 + i];
    return true;
}

/* The one map of params: NULL when an empty array or map was sent. */
static enum proto_error read_params(const msgpack_object *object, const void **params, struct proto_fault *fault) {
    if (object->type != MSGPACK_OBJECT_ARRAY || object->via.array.size > 1)
        return proto_fault_set(fault, PROTO_BAD_PARAMS, NULL, "%s", proto_error_sentence(PROTO_BAD_PARAMS));
    *params = NULL;
    if (object->via.array.size == 0)
        return PROTO_OK;
    const msgpack_object *map = object->via.array.ptr;
    if (map->type != MSGPACK_OBJECT_MAP)
        return proto_fault_set(fault, PROTO_BAD_PARAMS, NULL, "%s", proto_error_sentence(PROTO_BAD_PARAMS));
    if (map->via.map.size)
        *params = map;
    return PROTO_OK;
}

static enum proto_error refuse_message(struct proto_fault *fault, const char *why) {
    return proto_fault_set(fault, PROTO_BAD_MESSAGE, NULL, "The message is not MessagePack-RPC: %s.", why);
}

static enum proto_error read_method(const msgpack_object *object, struct proto_slice *method,
                                    struct proto_fault *fault) {
    if (!proto_object_is_text(object) || object->via.str.size > PROTO_METHOD_BYTES_MAX)
        return refuse_message(fault, "the method's name must be a short text");
    *method = proto_object_text(object);
    return PROTO_OK;
}

/* Reads the elements of the envelope; `made` has its type already. */
static enum proto_error read_elements(const msgpack_object *elements, uint32_t count, struct proto_message *made,
                                      bool *has_msgid, struct proto_fault *fault) {
    int64_t msgid;
    if (count != (made->type == PROTO_NOTIFICATION ? 3u : 4u))
        return refuse_message(fault, "the array has the wrong length for its type");
    if (made->type == PROTO_NOTIFICATION) {
        enum proto_error error = read_method(&elements[1], &made->method, fault);
        return error == PROTO_OK ? read_params(&elements[2], &made->params, fault) : error;
    }
    if (!proto_object_int(&elements[1], &msgid) || msgid < 0 || msgid > UINT32_MAX)
        return refuse_message(fault, "msgid must be a number of 32 bits");
    made->msgid = (uint32_t)msgid;
    *has_msgid = true;
    if (made->type == PROTO_RESPONSE) {
        made->error = elements[2].type == MSGPACK_OBJECT_NIL ? NULL : &elements[2];
        made->result = elements[3].type == MSGPACK_OBJECT_NIL ? NULL : &elements[3];
        return PROTO_OK;
    }
    enum proto_error error = read_method(&elements[2], &made->method, fault);
    return error == PROTO_OK ? read_params(&elements[3], &made->params, fault) : error;
}

static enum proto_error scan_and_unpack(const uint8_t *bytes, size_t size, struct proto_arena *arena,
                                        const msgpack_object **object, struct proto_fault *fault) {
    struct proto_scan scan = {0};
    size_t scanned;
    enum proto_error error = proto_scan_value(&scan, bytes, size, PROTO_NODE_MESSAGE_BYTES_MAX, &scanned);
    if (error == PROTO_OK && scanned != size)
        return refuse_message(fault, "there is something behind it");
    if (error == PROTO_TRUNCATED)
        return refuse_message(fault, "it ends too early");
    if (error == PROTO_OK)
        error = proto_arena_unpack(arena, bytes, size, &scanned, object);
    if (error != PROTO_OK)
        return proto_fault_set(fault, error, NULL, "%s", proto_error_sentence(error));
    return PROTO_OK;
}

enum proto_error proto_message_decode(const uint8_t *bytes, size_t size, struct proto_arena *arena,
                                      struct proto_message *message, bool *has_msgid, struct proto_fault *fault) {
    const msgpack_object *object = NULL;
    struct proto_message made = {0};
    int64_t type;
    *has_msgid = false;
    enum proto_error error = scan_and_unpack(bytes, size, arena, &object, fault);
    if (error != PROTO_OK) {
        *has_msgid = proto_message_peek_msgid(bytes, size, &message->msgid);
        return error;
    }
    assert(object);
    if (object->type != MSGPACK_OBJECT_ARRAY || object->via.array.size == 0)
        return refuse_message(fault, "it must be an array");
    if (!proto_object_int(&object->via.array.ptr[0], &type) || type < PROTO_REQUEST || type > PROTO_NOTIFICATION)
        return refuse_message(fault, "the type must be 0, 1 or 2");
    made.type = (enum proto_message_type)type;
    error = read_elements(object->via.array.ptr, object->via.array.size, &made, has_msgid, fault);
    if (error == PROTO_OK) {
        *message = made;
    } else if (made.type != PROTO_REQUEST) {
        *has_msgid = false; /* only a request is answered */
    } else if (*has_msgid) {
        message->msgid = made.msgid;
    }
    return error;
}

enum proto_error proto_params_decode(enum proto_method method, const void *params, struct proto_value *values,
                                     struct proto_fault *fault) {
    const struct proto_method_info *info = proto_method_get(method);
    const msgpack_object *map = params;
    struct proto_value made[PROTO_PARAMS_MAX];
    memset(made, 0, sizeof made);
    assert(!map || map->type == MSGPACK_OBJECT_MAP);
    for (uint32_t i = 0; map && i < map->via.map.size; i++) {
        const msgpack_object_kv *pair = &map->via.map.ptr[i];
        uint32_t place = info->param_count;
        if (proto_object_is_text(&pair->key))
            place = proto_field_find(info->params, info->param_count, i, proto_object_text(&pair->key));
        if (place == info->param_count)
            return proto_fault_unknown(fault, info->name, &pair->key, info->params, info->param_count);
        if (made[place].present)
            return proto_fault_twice(fault, info->params[place].name);
        enum proto_error error =
            proto_field_read(&info->params[place], &pair->val, PROTO_STRICT_RECORD, &made[place], fault);
        if (error != PROTO_OK)
            return error;
    }
    for (uint32_t i = 0; i < info->param_count; i++)
        if (info->params[i].required && !made[i].present)
            return proto_fault_missing(fault, info->name, &info->params[i]);
    memcpy(values, made, sizeof made);
    return PROTO_OK;
}

/* ---- writing ------------------------------------------------------------------------------------------------ */

void proto_write_request(struct proto_writer *w, uint32_t msgid, const char *method) {
    proto_write_array(w, 4);
    proto_write_int(w, PROTO_REQUEST);
    proto_write_int(w, msgid);
    proto_write_text(w, method);
    proto_write_array(w, 1);
}

void proto_write_notification(struct proto_writer *w, const char *method) {
    proto_write_array(w, 3);
    proto_write_int(w, PROTO_NOTIFICATION);
    proto_write_text(w, method);
    proto_write_array(w, 1);
}

void proto_write_result_begin(struct proto_writer *w, uint32_t msgid) {
    proto_write_array(w, 4);
    proto_write_int(w, PROTO_RESPONSE);
    proto_write_int(w, msgid);
    proto_write_nil(w);
}

void proto_write_fault(struct proto_writer *w, uint32_t msgid, const struct proto_fault *fault) {
    proto_write_array(w, 4);
    proto_write_int(w, PROTO_RESPONSE);
    proto_write_int(w, msgid);
    proto_write_fault_map(w, fault);
    proto_write_nil(w);
}

void proto_write_fault_map(struct proto_writer *w, const struct proto_fault *fault) {
    assert(fault->code != PROTO_OK);
    proto_write_map(w, 2u + (fault->field[0] != '\0') + (fault->has_event != 0) + (fault->retry_ms != 0));
    proto_write_text(w, "code");
    proto_write_text(w, proto_error_code(fault->code));
    proto_write_text(w, "message");
    proto_write_text(w, fault->message[0] ? fault->message : proto_error_sentence(fault->code));
    if (fault->field[0]) {
        proto_write_text(w, "field");
        proto_write_text(w, fault->field);
    }
    if (fault->has_event) {
        proto_write_text(w, "event");
        proto_write_int(w, fault->event_index);
    }
    if (fault->retry_ms) {
        proto_write_text(w, "retry_ms");
        proto_write_int(w, fault->retry_ms);
    }
}

/* A text of an error map, cut to fit; empty when it is not one. */
static void copy_text(const msgpack_object *map, const char *key, char *out, size_t cap) {
    const msgpack_object *found = proto_object_find(map, key);
    out[0] = '\0';
    if (!found || !proto_object_is_text(found))
        return;
    size_t size = found->via.str.size < cap - 1 ? found->via.str.size : cap - 1;
    while (size > 0 && size < found->via.str.size && ((unsigned char)found->via.str.ptr[size] & 0xc0u) == 0x80)
        size--; /* between characters */
    memcpy(out, found->via.str.ptr, size);
    out[size] = '\0';
}

static uint32_t small_number(const msgpack_object *map, const char *key, bool *found) {
    const msgpack_object *object = proto_object_find(map, key);
    int64_t n;
    *found = object && proto_object_int(object, &n) && n >= 0 && n <= UINT32_MAX;
    return *found ? (uint32_t)n : 0;
}

void proto_fault_read(const void *error, struct proto_fault *fault) {
    const msgpack_object *map = error;
    struct proto_fault made = {.code = PROTO_INTERNAL};
    char code[32];
    bool has_event, has_retry;
    if (map && map->type == MSGPACK_OBJECT_MAP) {
        copy_text(map, "code", code, sizeof code);
        made.code = proto_error_find(code);
        if (made.code == PROTO_OK)
            made.code = PROTO_INTERNAL;
        copy_text(map, "message", made.message, sizeof made.message);
        copy_text(map, "field", made.field, sizeof made.field);
        made.event_index = small_number(map, "event", &has_event);
        made.has_event = has_event;
        made.retry_ms = small_number(map, "retry_ms", &has_retry);
    }
    if (!made.message[0])
        (void)proto_fault_set(&made, made.code, NULL, "%s", proto_error_sentence(made.code));
    *fault = made;
}
