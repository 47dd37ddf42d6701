/*
 * errors.h - errors as values: one code for all rooms, and the sentence that goes with it.
 */
#ifndef PROTO_ERRORS_H
#define PROTO_ERRORS_H

#include <stdint.h>

#include "proto/errors_table.h"

#define PROTO_ERROR_ENUM(name, wire, sentence) PROTO_##name,
enum proto_error { PROTO_OK, PROTO_ERRORS(PROTO_ERROR_ENUM) PROTO_ERROR_COUNT };

#define PROTO_MUST_CHECK __attribute__((warn_unused_result))

/* An error on its way to a person: code, an exact sentence, the field and event it is about.
 * {0} means no error. Plain value, owned by whoever holds it. */
struct proto_fault {
    enum proto_error code;
    uint32_t event_index; /* place of the event in the call, when has_event */
    uint32_t retry_ms;    /* with busy; 0: not given */
    uint8_t has_event;
    char field[64];    /* empty: not about one field */
    char message[256]; /* plain sentence, always NUL-terminated */
};

/* The wire code ("bad-value") of an error; "ok" for PROTO_OK. Never NULL. Any thread. */
const char *proto_error_code(enum proto_error error);
/* The plain sentence used when nothing more exact is known. Never NULL. */
const char *proto_error_sentence(enum proto_error error);
/* The error of a wire code; PROTO_INTERNAL for an unknown one. */
enum proto_error proto_error_find(const char *code);
/* Fills `fault` with a printf-like sentence (cut to fit at a character boundary) and returns `code`. `field` may be NULL;
 * so may `fault`, for a caller who has nobody to tell. */
enum proto_error proto_fault_set(struct proto_fault *fault, enum proto_error code, const char *field,
                                 const char *format, ...) __attribute__((format(printf, 4, 5)));

#endif
