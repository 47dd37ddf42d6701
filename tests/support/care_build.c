/*
 * care_build.c - events made from fields; lists of one text as msgpack-c has them.
 */
#include "support/care_build.h"

#include <assert.h>
#include <msgpack.h>
#include <string.h>

static uint32_t made;

static void next_id(int64_t at, struct proto_id *id) {
    uint8_t hash[PROTO_HASH_BYTES] = {0};
    made++;
    for (int i = 0; i < 4; i++)
        hash[i] = (uint8_t)(made >> (24 - 8 * i));
    proto_id_from_hash(at < 0 ? 0 : at, hash, id);
}

/* A list of one text; as many as a test program needs, and they stay until it ends. */
static const void *list_of(const char *text) {
    static struct { msgpack_object list, entry; } lists[64];
    static uint32_t used;
    assert(used < sizeof lists / sizeof lists[0]);
    lists[used].entry.type = MSGPACK_OBJECT_STR;
    lists[used].entry.via.str.ptr = text;
    lists[used].entry.via.str.size = (uint32_t)strlen(text);
    lists[used].list.type = MSGPACK_OBJECT_ARRAY;
    lists[used].list.via.array.size = 1;
    lists[used].list.via.array.ptr = &lists[used].entry;
    return &lists[used++].list;
}

static struct proto_value value_of(enum proto_type type, const struct ev_field *field) {
    struct proto_value value = {.present = true, .type = (uint8_t)type, .n = field->n};
    switch (type) {
    case PROTO_TYPE_CHOICES:
        value.set = (uint64_t)field->n;
        value.n = __builtin_popcountll(value.set);
        break;
    case PROTO_TYPE_TEXT:
        assert(field->text);
        value.text = (struct proto_slice){field->text, (uint32_t)strlen(field->text)};
        break;
    case PROTO_TYPE_TEXTS:
        assert(field->text);
        value.object = list_of(field->text);
        value.n = 1;
        break;
    case PROTO_TYPE_ID:
    case PROTO_TYPE_IDENTIFIERS:
    case PROTO_TYPE_CONTACTS:
    case PROTO_TYPE_USES:
    case PROTO_TYPE_PAUSES:
    case PROTO_TYPE_VALUES:
    case PROTO_TYPE_EVENTS:
    case PROTO_TYPE_NAMES:
    case PROTO_TYPE_CURSOR:
    case PROTO_TYPE_KEPT:
    case PROTO_TYPE_IDS:
        assert(false && "set these fields by hand");
        break;
    case PROTO_TYPE_BOOL:
    case PROTO_TYPE_INT:
    case PROTO_TYPE_AMOUNT:
    case PROTO_TYPE_DATE:
    case PROTO_TYPE_TIME:
    case PROTO_TYPE_CHOICE:
        break;
    }
    return value;
}

struct proto_event ev_make(enum proto_kind kind, int64_t at, const struct ev_field *fields) {
    const struct proto_kind_info *info = proto_kind_get(kind);
    struct proto_event event = {.kind = kind,
                                .kind_name = {info->name, (uint32_t)strlen(info->name)},
                                .has_id = true,
                                .has_patient = info->scope != PROTO_SCOPE_TEAM,
                                .at = at,
                                .source = PROTO_source_seen,
                                .done_by = PROTO_done_by_nurse,
                                .written_at = at,
                                .by = {"local", 5}};
    next_id(at, &event.id);
    for (; fields->field >= 0; fields++) {
        assert((uint32_t)fields->field < info->field_count);
        event.body[fields->field] = value_of(info->fields[fields->field].type, fields);
    }
    return event;
}

struct proto_event ev_told(struct proto_event event) {
    event.source = PROTO_source_told;
    return event;
}

struct proto_event ev_second(struct proto_event event) {
    event.stoma = PROTO_stoma_second;
    return event;
}

struct proto_event ev_written(struct proto_event event, int64_t written_at) {
    event.written_at = written_at;
    return event;
}

int32_t ev_day(int year, int month, int day) {
    return proto_day_from_date((struct proto_date){.year = year, .month = month, .day = day});
}

int64_t ev_time(int year, int month, int day) {
    return ev_day(year, month, day) * PROTO_DAY_MS;
}
