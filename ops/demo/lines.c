/*
 * lines.c - events as lines of NDJSON, kept until they are put in order of time.
 *
 * What always holds: every event has an id that follows from its place, so loading a file twice records nothing twice.
 */
#include "demo.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "proto/event.h"

static void *no_null(void *memory) {
    if (!memory) {
        (void)fputs("harrowmere: there is no memory\n", stderr);
        exit(71);
    }
    return memory;
}

static void put(struct demo *demo, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void put(struct demo *demo, const char *format, ...) {
    va_list arguments;
    if (demo->cap - demo->size < 4096) {
        demo->cap = demo->cap ? demo->cap * 2 : 8192;
        demo->text = no_null(realloc(demo->text, demo->cap));
    }
    va_start(arguments, format);
    int wrote = vsnprintf(demo->text + demo->size, demo->cap - demo->size, format, arguments);
    va_end(arguments);
    if (wrote < 0 || (uint32_t)wrote >= demo->cap - demo->size)
        abort(); /* no text of the demo is that long */
    demo->size += (uint32_t)wrote;
}

void demo_id(struct demo *demo, int64_t at_ms, char out[ID_TEXT]) {
    char seed[64];
    uint8_t hash[PROTO_HASH_BYTES];
    struct proto_id id;
    int size = snprintf(seed, sizeof seed, "harrowmere %" PRIu64, demo->id_count++);
    proto_hash(seed, (size_t)size, hash);
    proto_id_from_hash(at_ms, hash, &id);
    proto_id_format(&id, out);
}

void line_begin(struct demo *demo, const struct child *child, const char *kind, int64_t at_ms) {
    char time[32];
    proto_time_format(at_ms, time);
    demo_id(demo, at_ms, demo->last_id);
    demo->size = 0;
    demo->body_begun = false;
    demo->at_ms = at_ms;
    put(demo, "{\"id\":\"%s\",\"kind\":\"%s\"", demo->last_id, kind);
    if (child)
        put(demo, ",\"patient\":\"%s\"", child->id);
    put(demo, ",\"at\":\"%s\"", time);
}

void line_head(struct demo *demo, const char *key, const char *text) {
    if (demo->body_begun)
        abort();
    put(demo, ",\"%s\":\"%s\"", key, text);
}

static void key_begin(struct demo *demo, const char *key) {
    put(demo, "%s\"%s\":", demo->body_begun ? "," : ",\"body\":{", key);
    demo->body_begun = true;
}

void line_text(struct demo *demo, const char *key, const char *text) {
    key_begin(demo, key);
    put(demo, "\"%s\"", text); /* the demo's texts have nothing to escape */
}

void line_bool(struct demo *demo, const char *key, bool value) {
    key_begin(demo, key);
    put(demo, "%s", value ? "true" : "false");
}

void line_int(struct demo *demo, const char *key, int64_t value) {
    key_begin(demo, key);
    put(demo, "%" PRId64, value);
}

void line_amount(struct demo *demo, const char *key, int64_t hundredths) {
    char text[24];
    (void)proto_amount_format(hundredths, text);
    key_begin(demo, key);
    put(demo, "%s", text);
}

void line_date(struct demo *demo, const char *key, int32_t day) {
    char text[11];
    proto_date_format(day, text);
    line_text(demo, key, text);
}

void line_time(struct demo *demo, const char *key, int64_t at_ms) {
    char text[32];
    proto_time_format(at_ms, text);
    line_text(demo, key, text);
}

void line_list(struct demo *demo, const char *key, const char *const *texts) {
    key_begin(demo, key);
    for (size_t i = 0; texts[i]; i++)
        put(demo, "%s\"%s\"", i ? "," : "[", texts[i]);
    put(demo, "]");
}

void line_json(struct demo *demo, const char *key, const char *json) {
    key_begin(demo, key);
    put(demo, "%s", json);
}

void line_end(struct demo *demo) {
    put(demo, demo->body_begun ? "}}" : ",\"body\":{}}");
    if (demo->line_count == demo->line_cap) {
        demo->line_cap = demo->line_cap ? demo->line_cap * 2 : 1024;
        demo->lines = no_null(realloc(demo->lines, demo->line_cap * sizeof *demo->lines));
    }
    demo->lines[demo->line_count] =
        (struct line){.at_ms = demo->at_ms, .order = demo->line_count, .text = no_null(strdup(demo->text))};
    demo->line_count++;
}
