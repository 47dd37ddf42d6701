/*
 * load_line.c - a line of NDJSON as an event: times from RFC 3339, children by label, ids from the line itself.
 *
 * What always holds: the same line always gives the same event with the same id, so a file can be loaded again and again;
 * what a value means is the server's to judge, only its form is read here.
 */
#define _GNU_SOURCE
#include "load.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "proto/ids.h"
#include "proto/writer.h"

#define VALUE_BYTES_MAX PROTO_EVENT_BYTES_MAX
#define DEPTH_MAX 8

static bool bad(struct load_error *error, const char *field, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
static bool bad(struct load_error *error, const char *field, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(error->message, sizeof error->message, format, arguments);
    va_end(arguments);
    (void)snprintf(error->field, sizeof error->field, "%s", field);
    error->code = EX_DATAERR;
    return false;
}

/* --- values -------------------------------------------------------------------------------------------------------------------- */

static void write_json(struct proto_writer *w, const json_t *value, int depth) {
    const char *key;
    json_t *inner;
    size_t index;
    if (depth > DEPTH_MAX) {
        w->error = PROTO_TOO_LARGE;
        return;
    }
    switch (json_typeof(value)) {
    case JSON_OBJECT:
        proto_write_map(w, (uint32_t)json_object_size(value));
        json_object_foreach((json_t *)(uintptr_t)value, key, inner) {
            proto_write_text(w, key);
            write_json(w, inner, depth + 1);
        }
        return;
    case JSON_ARRAY:
        proto_write_array(w, (uint32_t)json_array_size(value));
        json_array_foreach((json_t *)(uintptr_t)value, index, inner) write_json(w, inner, depth + 1);
        return;
    case JSON_STRING:
        proto_write_slice(w, (struct proto_slice){json_string_value(value), (uint32_t)json_string_length(value)});
        return;
    case JSON_INTEGER:
        proto_write_int(w, json_integer_value(value));
        return;
    case JSON_REAL:
        proto_write_float(w, json_real_value(value));
        return;
    case JSON_TRUE:
    case JSON_FALSE:
        proto_write_bool(w, json_is_true(value));
        return;
    case JSON_NULL:
    default:
        proto_write_nil(w);
        return;
    }
}

static bool read_time(const json_t *value, int64_t *ms_out) {
    if (json_is_integer(value)) {
        *ms_out = json_integer_value(value);
        return true;
    }
    const char *text = json_string_value(value);
    return text && strcmp(text, "now") != 0 && cli_input_time(text, 0, ms_out);
}

static bool put_value(struct betony_map *map, const struct proto_field *field, const json_t *value,
                      struct load_error *error) {
    int64_t ms;
    if (field->type == PROTO_TYPE_TIME) {
        if (!read_time(value, &ms))
            return bad(error, field->name, "it is neither a time such as 2026-03-01T14:00:00+01:00 nor milliseconds");
        betony_map_int(map, field->name, ms);
        return true;
    }
    uint8_t bytes[VALUE_BYTES_MAX];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    write_json(&w, value, 0);
    if (w.error != PROTO_OK)
        return bad(error, field->name, "it is too large for one event");
    betony_map_raw(map, field->name, bytes, w.size);
    return true;
}

/* --- children ------------------------------------------------------------------------------------------------------------------- */

static bool is_id(const char *text) {
    struct proto_id id;
    return proto_id_parse((struct proto_slice){text, (uint32_t)strlen(text)}, &id) == PROTO_OK;
}

/* The id of a child named by id or label. */
static bool find_child(struct load_names *names, const char *field, const char *name, char id[BETONY_ID_TEXT_SIZE],
                       struct load_error *error) {
    const char *known = is_id(name) ? name : json_string_value(json_object_get(names->ids, name));
    if (known) {
        (void)snprintf(id, BETONY_ID_TEXT_SIZE, "%s", known);
        return true;
    }
    struct cli_child child;
    size_t count = 0;
    int failed = names->quiet(names->arg);
    if (!failed)
        failed = cli_look_up(names->cli, name, &child, &count);
    if (failed) {
        (void)bad(error, field, "the child \"%.80s\" could not be looked up", name);
        error->code = failed;
        return false;
    }
    if (count == 0)
        return bad(error, field, "no child is known by \"%.80s\", here or further up in the file", name);
    if (count > 1)
        return bad(error, field, "\"%.80s\" is the name of more than one child; give the id", name);
    (void)snprintf(id, BETONY_ID_TEXT_SIZE, "%s", child.id);
    (void)json_object_set_new(names->ids, name, json_string(id));
    return true;
}

/* --- one event ------------------------------------------------------------------------------------------------------------------- */

struct reading {
    struct load_names *names;
    struct load_error *error;
    const char *line;
    size_t size;
    const json_t *json;
    enum proto_kind kind;
    int64_t at_ms;
    struct betony_event *event;
};

static const struct proto_field *field_find(enum proto_kind kind, const char *name) {
    const struct proto_kind_info *info = proto_kind_get(kind);
    for (uint32_t i = 0; i < info->field_count; i++)
        if (strcmp(info->fields[i].name, name) == 0)
            return &info->fields[i];
    return NULL;
}

static bool read_kind_and_time(struct reading *r) {
    const char *kind = json_string_value(json_object_get(r->json, "kind"));
    const json_t *at = json_object_get(r->json, "at");
    if (!kind)
        return bad(r->error, "kind", "the kind of event is missing");
    r->kind = proto_kind_find((struct proto_slice){kind, (uint32_t)strlen(kind)});
    if (r->kind == PROTO_KIND_UNKNOWN)
        return bad(r->error, "kind", "there is no kind of event \"%.80s\"", kind);
    if (!at)
        return bad(r->error, "at", "the time when it happened is missing");
    if (!read_time(at, &r->at_ms))
        return bad(r->error, "at", "it is neither a time such as 2026-03-01T14:00:00+01:00 nor milliseconds");
    return true;
}

static bool put_id(struct reading *r) {
    const json_t *given = json_object_get(r->json, "id");
    char id[BETONY_ID_TEXT_SIZE];
    if (!given)
        betony_id_from_bytes(r->at_ms, r->line, r->size, id);
    else if (json_is_string(given) && json_string_length(given) == sizeof id - 1)
        (void)snprintf(id, sizeof id, "%s", json_string_value(given));
    else
        id[0] = '\0';
    if (betony_event_set_id(r->event, id) != BETONY_OK)
        return bad(r->error, "id", "it is not a version 7 UUID in lower case");
    return true;
}

/* A registration that names no id gets one from its line; its label stands for it from now on. */
static bool put_patient(struct reading *r) {
    const json_t *given = json_object_get(r->json, "patient");
    char id[BETONY_ID_TEXT_SIZE];
    bool registers = r->kind == PROTO_KIND_patient_registered;
    if (!given && !registers)
        return true; /* the server says whether the kind needs one */
    if (given && !json_is_string(given))
        return bad(r->error, "patient", "it is not a text");
    if (registers && !given) {
        static const char salt[] = "patient:";
        size_t salt_size = sizeof salt - 1;
        uint8_t *salted = malloc(salt_size + r->size);
        if (!salted)
            abort();
        memcpy(salted, salt, salt_size);
        memcpy(salted + salt_size, r->line, r->size);
        betony_id_from_bytes(r->at_ms, salted, salt_size + r->size, id);
        free(salted);
    } else if (registers) {
        (void)snprintf(id, sizeof id, "%s", json_string_value(given));
    } else if (!find_child(r->names, "patient", json_string_value(given), id, r->error)) {
        return false;
    }
    const char *label = json_string_value(json_object_get(json_object_get(r->json, "body"), "label"));
    if (registers && label)
        (void)json_object_set_new(r->names->ids, label, json_string(id));
    betony_event_set(r->event, "patient", id);
    return true;
}

static bool put_head(struct reading *r) {
    static const char *const own[] = {"id", "kind", "patient", "at", "body"};
    const char *key;
    json_t *value;
    json_object_foreach((json_t *)(uintptr_t)r->json, key, value) {
        bool known = false;
        for (size_t i = 0; i < sizeof own / sizeof own[0]; i++)
            known = known || strcmp(key, own[i]) == 0;
        if (known)
            continue;
        for (size_t i = 0; i < cli_head_field_count; i++)
            known = known || strcmp(key, cli_head_fields[i].name) == 0;
        if (!known)
            return bad(r->error, key, "an event has no such field");
        if (!json_is_string(value))
            return bad(r->error, key, "it is not a text");
        betony_event_set(r->event, key, json_string_value(value));
    }
    return true;
}

static bool put_body(struct reading *r) {
    json_t *body = json_object_get(r->json, "body"), *value;
    const char *key;
    char id[BETONY_ID_TEXT_SIZE];
    if (body && !json_is_object(body))
        return bad(r->error, "body", "it is not an object");
    json_object_foreach(body, key, value) {
        const struct proto_field *field = field_find(r->kind, key);
        if (!field)
            return bad(r->error, key, "%s has no such field", proto_kind_get(r->kind)->name);
        if (r->kind == PROTO_KIND_patient_merged && json_is_string(value)) {
            if (!find_child(r->names, key, json_string_value(value), id, r->error))
                return false;
            betony_map_text(betony_event_body(r->event), key, id);
        } else if (!put_value(betony_event_body(r->event), field, value, r->error)) {
            return false;
        }
    }
    return true;
}

bool load_line_read(struct load_names *names, const char *line, size_t size, struct betony_event **out,
                    struct load_error *error) {
    json_error_t json_error;
    json_t *json = json_loadb(line, size, JSON_REJECT_DUPLICATES, &json_error);
    if (!json)
        return bad(error, "", "it is not JSON: %.160s, at byte %d", json_error.text, json_error.position);
    struct reading r = {.names = names, .error = error, .line = line, .size = size, .json = json};
    bool well = json_is_object(json) ? read_kind_and_time(&r) : bad(error, "", "it is not a JSON object");
    if (well) {
        r.event = betony_event_new(proto_kind_get(r.kind)->name, r.at_ms);
        if (!r.event)
            abort();
        well = put_id(&r) && put_patient(&r) && put_head(&r) && put_body(&r);
    }
    if (well)
        *out = r.event;
    else
        betony_event_free(r.event);
    json_decref(json);
    return well;
}
