/*
 * json.h - a small reader of JSON-like text into MessagePack, so that tests can be read.
 *
 * What always holds: it is for literals in tests only; anything it does not know ends the test.
 */
#ifndef TESTS_PROTO_JSON_H
#define TESTS_PROTO_JSON_H

#include "sample.h"

#include <stdlib.h>

struct json {
    const char *at;
    struct proto_writer *w;
};

static inline void json_value(struct json *j);

static inline void json_space(struct json *j) {
    while (*j->at == ' ' || *j->at == '\n' || *j->at == ',' || *j->at == ':')
        j->at++;
}

static inline void json_text(struct json *j) {
    const char *from = ++j->at;
    while (*j->at && *j->at != '\'')
        j->at++;
    assert_int_equal(*j->at, '\'');
    proto_write_slice(j->w, (struct proto_slice){from, (uint32_t)(j->at - from)});
    j->at++;
}

static inline void json_container(struct json *j, char end, bool map) {
    size_t mark = map ? proto_write_map_begin(j->w) : proto_write_array_begin(j->w);
    uint32_t count = 0;
    j->at++;
    for (json_space(j); *j->at != end; json_space(j), count++) {
        json_value(j);
        if (map)
            json_value(j);
    }
    j->at++;
    if (map)
        proto_write_map_end(j->w, mark, count);
    else
        proto_write_array_end(j->w, mark, count);
}

static inline bool json_word(struct json *j, const char *word) {
    size_t size = strlen(word);
    if (strncmp(j->at, word, size) != 0)
        return false;
    j->at += size;
    return true;
}

static inline void json_number(struct json *j) {
    char *end;
    size_t size = strspn(j->at, "+-0123456789.e");
    if (size == 0)
        fail_msg("not read: %s", j->at);
    if (memchr(j->at, '.', size) || memchr(j->at, 'e', size))
        proto_write_float(j->w, strtod(j->at, &end));
    else
        proto_write_int(j->w, strtoll(j->at, &end, 10));
    j->at += size;
}

static inline void json_value(struct json *j) {
    json_space(j);
    if (*j->at == '\'')
        json_text(j);
    else if (*j->at == '{')
        json_container(j, '}', true);
    else if (*j->at == '[')
        json_container(j, ']', false);
    else if (json_word(j, "true"))
        proto_write_bool(j->w, true);
    else if (json_word(j, "false"))
        proto_write_bool(j->w, false);
    else if (json_word(j, "null"))
        proto_write_nil(j->w);
    else if (json_word(j, "NaN"))
        proto_write_float(j->w, __builtin_nan(""));
    else if (json_word(j, "Infinity"))
        proto_write_float(j->w, __builtin_inf());
    else
        json_number(j);
}

/* Writes the one value of `text`; texts stand in single quotes, commas and colons are only space. */
static inline void json_write(struct proto_writer *w, const char *text) {
    struct json j = {text, w};
    json_value(&j);
    json_space(&j);
    if (*j.at)
        fail_msg("left over: %s", j.at);
}

static inline const msgpack_object *json_object(struct sample *s, const char *text) {
    sample_begin(s);
    json_write(&s->w, text);
    return sample_object(s);
}

#endif
