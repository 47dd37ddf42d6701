/*
 * errors.c - the error table as functions, and faults with their sentences.
 *
 * What always holds: a fault's texts are NUL-terminated, valid UTF-8 when what went in was, and cut between characters.
 */
#include "proto/errors.h"

#include <assert.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct error_row {
    const char *code, *sentence;
};

#define ERROR_ROW(name, wire, sentence) [PROTO_##name] = {wire, sentence},
static const struct error_row error_rows[PROTO_ERROR_COUNT] = {[PROTO_OK] = {"ok", "All is well."},
                                                               PROTO_ERRORS(ERROR_ROW)};

const char *proto_error_code(enum proto_error error) {
    assert((unsigned)error < PROTO_ERROR_COUNT);
    return error_rows[error].code;
}

const char *proto_error_sentence(enum proto_error error) {
    assert((unsigned)error < PROTO_ERROR_COUNT);
    return error_rows[error].sentence;
}

enum proto_error proto_error_find(const char *code) {
    for (unsigned e = PROTO_OK; e < PROTO_ERROR_COUNT; e++)
        if (strcmp(error_rows[e].code, code) == 0)
            return (enum proto_error)e;
    return PROTO_INTERNAL;
}

/* Ends `text`, which has been cut at `size` bytes, before a character that the cut went through. */
static void end_between_characters(char *text, size_t size) {
    size_t at = size;
    while (at > 0 && ((unsigned char)text[at - 1] & 0xc0u) == 0x80)
        at--;
    if (at == 0)
        return;
    unsigned char lead = (unsigned char)text[at - 1];
    size_t whole = lead >= 0xf0 ? 4 : lead >= 0xe0 ? 3 : lead >= 0xc0 ? 2 : 1;
    if (whole > 1 && at - 1 + whole > size)
        text[at - 1] = '\0';
}

enum proto_error proto_fault_set(struct proto_fault *fault, enum proto_error code, const char *field,
                                 const char *format, ...) {
    if (!fault) /* nobody to tell */
        return code;
    struct proto_fault made = {.code = code};
    va_list arguments;
    va_start(arguments, format);
    int wanted = vsnprintf(made.message, sizeof made.message, format, arguments);
    va_end(arguments);
    if (wanted < 0)
        (void)snprintf(made.message, sizeof made.message, "%s", proto_error_sentence(code));
    if (wanted >= (int)sizeof made.message)
        end_between_characters(made.message, sizeof made.message - 1);
    if (field && snprintf(made.field, sizeof made.field, "%s", field) >= (int)sizeof made.field)
        end_between_characters(made.field, sizeof made.field - 1);
    *fault = made;
    return code;
}
