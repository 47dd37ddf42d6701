/*
 * answer.h - reading the answer of another server, whose form nobody here controls: every value is asked for by its place,
 * its type and its bounds, and what is not so is simply not there.
 *
 * What always holds: nothing is copied, what is handed out lives as long as the message's arena and bytes; an object may be
 * NULL (missing), and then no value can be read from it; outputs are written on true only. Any thread.
 */
#ifndef PROTO_ANSWER_H
#define PROTO_ANSWER_H

#include "proto/value.h"

/* The value of the map's first pair with that key. NULL: there is none, or `map` is no map. Also for proto_message.result and .params. */
const void *proto_answer_get(const void *map, const char *key);
/* Entries of an array; false when it is none or has fewer than count_min or more than count_max. */
bool proto_answer_array(const void *object, uint32_t count_min, uint32_t count_max, uint32_t *count);
/* Entry of an array; `index` below its count, or it aborts. */
const void *proto_answer_entry(const void *array, uint32_t index);

bool proto_answer_int(const void *object, int64_t min, int64_t max, int64_t *out);
bool proto_answer_bool(const void *object, bool *out);
bool proto_answer_text(const void *object, uint32_t bytes_max, struct proto_slice *out);
bool proto_answer_bin(const void *object, uint32_t bytes_min, uint32_t bytes_max, struct proto_slice *out);
bool proto_answer_id(const void *object, struct proto_id *out);
/* {log, seq, chain}, and pairs of a newer version beside them. */
bool proto_answer_position(const void *object, struct proto_position *out);
bool proto_answer_kept(const void *object, struct proto_kept *out);
/* True when the value is there and true: for marks such as `more`. */
bool proto_answer_is_true(const void *object);

#endif
