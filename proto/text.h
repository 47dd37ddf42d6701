/*
 * text.h - what a text may hold. For proto/ itself. Pure, any thread.
 */
#ifndef PROTO_TEXT_H
#define PROTO_TEXT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Well-formed UTF-8 (Unicode 15, table 3-7): no overlong form, no surrogate, nothing above U+10FFFF. */
bool proto_text_is_utf8(const void *text, size_t size);

/* UTF-8 without control characters (C0, DEL, C1) other than newline and tab. `text` must be UTF-8. */
bool proto_text_is_plain(const void *text, size_t size);

#endif
