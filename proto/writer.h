/*
 * writer.h - MessagePack into a bounded buffer, with a sticky error: write all, check once. Shortest forms (through msgpack-c's packer).
 *
 * What always holds: after the first error nothing more is written and `size` stays; {0}-size is a valid writer over no memory.
 */
#ifndef PROTO_WRITER_H
#define PROTO_WRITER_H

#include "proto/value.h"

struct proto_writer {
    uint8_t *bytes;
    size_t cap, size;
    enum proto_error error; /* PROTO_TOO_LARGE once it did not fit */
};

void proto_writer_init(struct proto_writer *w, void *bytes, size_t cap);
void proto_write_nil(struct proto_writer *w);
void proto_write_bool(struct proto_writer *w, bool value);
void proto_write_int(struct proto_writer *w, int64_t value);
void proto_write_float(struct proto_writer *w, double value);
void proto_write_amount(struct proto_writer *w, int64_t hundredths); /* int when whole, else float 64 */
void proto_write_text(struct proto_writer *w, const char *text);     /* NUL-terminated */
void proto_write_slice(struct proto_writer *w, struct proto_slice text);
void proto_write_bin(struct proto_writer *w, const void *bytes, size_t size);
void proto_write_id(struct proto_writer *w, const struct proto_id *id);                   /* as text */
void proto_write_position(struct proto_writer *w, const struct proto_position *position); /* {log, seq, chain} */
void proto_write_kept(struct proto_writer *w, const struct proto_kept *kept);             /* as an entry of KEPT */
void proto_write_date(struct proto_writer *w, int32_t day);
void proto_write_array(struct proto_writer *w, uint32_t count);
void proto_write_map(struct proto_writer *w, uint32_t count);
void proto_write_raw(struct proto_writer *w, const void *bytes, size_t size); /* already encoded */
/* Maps whose count is known only at the end: begin writes a 32-bit... header of fixed width 3 (map 16); end patches the count. */
size_t proto_write_map_begin(struct proto_writer *w);
void proto_write_map_end(struct proto_writer *w, size_t mark, uint32_t count);
size_t proto_write_array_begin(struct proto_writer *w);
void proto_write_array_end(struct proto_writer *w, size_t mark, uint32_t count);

#endif
