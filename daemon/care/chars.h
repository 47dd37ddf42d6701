/*
 * chars.h - texts of events into the fixed room of a state: cut at a character, always NUL-terminated.
 */
#ifndef CARE_CHARS_H
#define CARE_CHARS_H

#include "proto/value.h"

#include <string.h>

/* Copies a text into out[0..cap), cut to fit at a UTF-8 character, ended by a NUL; what follows a NUL inside the text is left out. */
static inline void care_text_copy(char *out, size_t cap, struct proto_slice text) {
    size_t size = text.size < cap - 1 ? text.size : cap - 1;
    if (size < text.size) {
        while (size > 0 && ((unsigned char)text.data[size] & 0xc0u) == 0x80u)
            size--;
    }
    if (size > 0)
        memcpy(out, text.data, size);
    out[size] = '\0';
    size_t used = strlen(out);
    memset(out + used, 0, cap - used);
}
/* True when `text`, cut as care_text_copy cuts it, is what `held` has. */
static inline bool care_text_is(const char *held, size_t cap, struct proto_slice text) {
    size_t size = strlen(held);
    if (size == text.size)
        return size == 0 || memcmp(held, text.data, size) == 0;
    return size < text.size && text.size >= cap && size + 4 >= cap && memcmp(held, text.data, size) == 0;
}

#endif
