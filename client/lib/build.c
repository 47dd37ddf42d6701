/*
 * build.c - maps and events in the making.
 *
 * What always holds: `bytes` of a map holds exactly `count` whole pairs as long as `error` is OK; after the first error
 * nothing is added.
 */
#include "lib.h"

#include <stdlib.h>
#include <string.h>

struct betony_map *betony_map_new(void) {
    struct betony_map *map = calloc(1, sizeof *map);
    if (!map)
        return NULL;
    msgpack_sbuffer_init(&map->bytes);
    msgpack_packer_init(&map->packer, &map->bytes, msgpack_sbuffer_write);
    return map;
}

void betony_map_free(struct betony_map *map) {
    if (!map)
        return;
    msgpack_sbuffer_destroy(&map->bytes);
    free(map);
}

void betony_map_clear(struct betony_map *map) {
    msgpack_sbuffer_clear(&map->bytes);
    map->count = 0;
    map->error = BETONY_OK;
}

enum betony_error lib_map_error(const struct betony_map *map) {
    return map ? map->error : BETONY_MISUSE;
}

/* Keeps the first failure of a packing step. */
static void map_check(struct betony_map *map, int packed) {
    if (packed != 0 && map->error == BETONY_OK)
        map->error = BETONY_NO_MEMORY;
}

static void map_pack_text(struct betony_map *map, const char *text, size_t size) {
    map_check(map, msgpack_pack_str(&map->packer, size));
    map_check(map, msgpack_pack_str_body(&map->packer, text, size));
}

/* Writes the key; false when nothing is to follow. */
static bool map_key(struct betony_map *map, const char *key) {
    if (!map || map->error != BETONY_OK)
        return false;
    if (!key) {
        map->error = BETONY_MISUSE;
        return false;
    }
    size_t size = strlen(key);
    if (size > LIB_KEY_BYTES_MAX || map->count >= LIB_PAIRS_MAX) {
        map->error = BETONY_TOO_LARGE;
        return false;
    }
    map_pack_text(map, key, size);
    map->count++;
    return map->error == BETONY_OK;
}

void betony_map_text_sized(struct betony_map *map, const char *key, const char *text, size_t size) {
    if (map && (!text || size > LIB_KEY_BYTES_MAX)) {
        if (map->error == BETONY_OK)
            map->error = text ? BETONY_TOO_LARGE : BETONY_MISUSE;
        return;
    }
    if (map_key(map, key))
        map_pack_text(map, text, size);
}

void betony_map_text(struct betony_map *map, const char *key, const char *text) {
    betony_map_text_sized(map, key, text, text ? strlen(text) : 0);
}

void betony_map_int(struct betony_map *map, const char *key, int64_t value) {
    if (map_key(map, key))
        map_check(map, msgpack_pack_int64(&map->packer, value));
}

void betony_map_bool(struct betony_map *map, const char *key, bool value) {
    if (map_key(map, key))
        map_check(map, value ? msgpack_pack_true(&map->packer) : msgpack_pack_false(&map->packer));
}

void betony_map_amount(struct betony_map *map, const char *key, int64_t hundredths) {
    if (!map_key(map, key))
        return;
    if (hundredths % 100 == 0)
        map_check(map, msgpack_pack_int64(&map->packer, hundredths / 100));
    else
        map_check(map, msgpack_pack_double(&map->packer, (double)hundredths / 100.0));
}

void betony_map_texts(struct betony_map *map, const char *key, const char *const *texts, size_t count) {
    if (!map_key(map, key))
        return;
    map_check(map, msgpack_pack_array(&map->packer, count));
    for (size_t i = 0; i < count; i++)
        map_pack_text(map, texts[i], strlen(texts[i]));
}

static int pack_bytes(msgpack_packer *out, const msgpack_sbuffer *bytes) {
    return bytes->size ? out->callback(out->data, bytes->data, bytes->size) : 0;
}

int lib_map_pack(const struct betony_map *map, msgpack_packer *out) {
    int failed = msgpack_pack_map(out, map->count);
    return failed ? failed : pack_bytes(out, &map->bytes);
}

void betony_map_maps(struct betony_map *map, const char *key, const struct betony_map *const *inner, size_t count) {
    if (!map_key(map, key))
        return;
    map_check(map, msgpack_pack_array(&map->packer, count));
    for (size_t i = 0; i < count && map->error == BETONY_OK; i++) {
        map->error = lib_map_error(inner[i]);
        if (map->error == BETONY_OK)
            map_check(map, lib_map_pack(inner[i], &map->packer));
    }
}

void betony_map_map(struct betony_map *map, const char *key, const struct betony_map *inner) {
    if (!map_key(map, key))
        return;
    map->error = lib_map_error(inner);
    if (map->error == BETONY_OK)
        map_check(map, lib_map_pack(inner, &map->packer));
}

void betony_map_raw(struct betony_map *map, const char *key, const void *bytes, size_t size) {
    if (!map || map->error != BETONY_OK)
        return;
    struct proto_scan scan = {0};
    size_t taken = 0;
    if (!bytes || proto_scan_value(&scan, bytes, size, PROTO_MESSAGE_BYTES_MAX, &taken) != PROTO_OK || taken != size)
        map->error = BETONY_MISUSE;
    else if (map_key(map, key))
        map_check(map, map->packer.callback(map->packer.data, bytes, size));
}

/* --- events ------------------------------------------------------------------------------------------------------ */

struct betony_event *betony_event_new(const char *kind, int64_t at_ms) {
    if (!kind)
        return NULL;
    struct betony_event *event = calloc(1, sizeof *event);
    if (!event)
        return NULL;
    event->kind = strdup(kind);
    event->at_ms = at_ms;
    event->head = betony_map_new();
    event->body = betony_map_new();
    if (event->kind && event->head && event->body)
        return event;
    betony_event_free(event);
    return NULL;
}

void betony_event_free(struct betony_event *event) {
    if (!event)
        return;
    free(event->kind);
    betony_map_free(event->head);
    betony_map_free(event->body);
    free(event);
}

enum betony_error betony_event_set_id(struct betony_event *event, const char *id) {
    struct proto_id parsed;
    if (!event || !id || strlen(id) != PROTO_ID_TEXT_BYTES)
        return BETONY_MISUSE;
    struct proto_slice text = {id, PROTO_ID_TEXT_BYTES};
    if (proto_id_parse(text, &parsed) != PROTO_OK || !proto_id_is_v7(&parsed))
        return BETONY_MISUSE;
    memcpy(event->id, id, sizeof event->id);
    event->has_id = true;
    return BETONY_OK;
}

const char *betony_event_id(const struct betony_event *event) {
    return event->has_id ? event->id : NULL;
}

void betony_event_set(struct betony_event *event, const char *field, const char *text) {
    betony_map_text(event->head, field, text);
}

struct betony_map *betony_event_body(struct betony_event *event) {
    return event->body;
}

int lib_pack_text(msgpack_packer *out, const char *text) {
    size_t size = strlen(text);
    return msgpack_pack_str(out, size) | msgpack_pack_str_body(out, text, size);
}

enum betony_error lib_event_pack(const struct betony_event *event, msgpack_packer *out) {
    if (event->head->error != BETONY_OK)
        return event->head->error;
    if (event->body->error != BETONY_OK)
        return event->body->error;
    int failed = msgpack_pack_map(out, event->head->count + (event->has_id ? 4u : 3u));
    if (event->has_id)
        failed |= lib_pack_text(out, "id") | lib_pack_text(out, event->id);
    failed |= lib_pack_text(out, "kind") | lib_pack_text(out, event->kind);
    failed |= lib_pack_text(out, "at") | msgpack_pack_int64(out, event->at_ms);
    failed |= pack_bytes(out, &event->head->bytes);
    failed |= lib_pack_text(out, "body") | lib_map_pack(event->body, out);
    return failed ? BETONY_NO_MEMORY : BETONY_OK;
}
