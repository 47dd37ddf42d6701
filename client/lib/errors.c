/*
 * errors.c - errors of the library: codes, and faults with their sentences.
 *
 * What always holds: a fault says what the person in front of the program can do or check, in one sentence.
 */
#include "lib.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define CODE_ROW(name, code) [BETONY_##name] = code,
static const char *const codes[BETONY_ERROR_COUNT] = {[BETONY_OK] = "ok", BETONY_ERRORS(CODE_ROW)};

const char *betony_error_code(enum betony_error error) {
    return (unsigned)error < BETONY_ERROR_COUNT ? codes[error] : "unknown";
}

const struct betony_fault *betony_last_fault(const struct betony *b) {
    return &b->fault;
}

const char *betony_version(void) {
    return BETONY_VERSION;
}

enum betony_error lib_fail(struct betony *b, enum betony_error error, const char *format, ...) {
    struct betony_fault fault = {.error = error, .event_index = -1};
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(fault.message, sizeof fault.message, format, arguments);
    va_end(arguments);
    b->fault = fault;
    return error;
}

/* A code of a newer server that this library does not know is INTERNAL; its sentence is kept. */
static enum betony_error error_find(const char *code) {
    for (unsigned e = BETONY_OK + 1; e < BETONY_UNREACHABLE; e++)
        if (strcmp(codes[e], code) == 0)
            return (enum betony_error)e;
    return BETONY_INTERNAL;
}

enum betony_error lib_fail_answer(struct betony *b, const struct proto_fault *answered) {
    struct betony_fault fault = {.error = error_find(proto_error_code(answered->code)), .event_index = -1};
    const char *sentence = answered->message[0] ? answered->message : proto_error_sentence(answered->code);
    (void)snprintf(fault.message, sizeof fault.message, "%s", sentence);
    (void)snprintf(fault.field, sizeof fault.field, "%s", answered->field);
    if (answered->has_event && answered->event_index <= INT32_MAX)
        fault.event_index = (int32_t)answered->event_index;
    fault.retry_ms = answered->retry_ms;
    b->fault = fault;
    return fault.error;
}
