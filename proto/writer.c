/*
 * writer.c - the bounded writer over msgpack-c's packer.
 *
 * What always holds: `size` is at most `cap`; a value that does not fit leaves PROTO_TOO_LARGE behind and nothing is
 * written after it, so the caller looks at the error once, at the end.
 */
#include "proto/writer.h"

#include "proto/calendar.h"
#include "proto/ids.h"
#include "proto/pack.h"

#include <assert.h>
#include <string.h>

static int append(void *data, const char *bytes, size_t size) {
    struct proto_writer *w = data;
    if (w->error != PROTO_OK)
        return -1;
    if (size > w->cap - w->size) {
        w->error = PROTO_TOO_LARGE;
        return -1;
    }
    if (size)
        memcpy(w->bytes + w->size, bytes, size);
    w->size += size;
    return 0;
}

static msgpack_packer packer_of(struct proto_writer *w) {
    return (msgpack_packer){.data = w, .callback = append};
}

void proto_writer_init(struct proto_writer *w, void *bytes, size_t cap) {
    *w = (struct proto_writer){.bytes = bytes, .cap = cap, .error = PROTO_OK};
}

void proto_write_nil(struct proto_writer *w) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_nil(&pk);
}

void proto_write_bool(struct proto_writer *w, bool value) {
    msgpack_packer pk = packer_of(w);
    (void)(value ? msgpack_pack_true(&pk) : msgpack_pack_false(&pk));
}

void proto_write_int(struct proto_writer *w, int64_t value) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_int64(&pk, value);
}

void proto_write_float(struct proto_writer *w, double value) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_double(&pk, value);
}

void proto_write_amount(struct proto_writer *w, int64_t hundredths) {
    if (hundredths % 100 == 0)
        proto_write_int(w, hundredths / 100);
    else
        proto_write_float(w, (double)hundredths / 100.0); /* rounds once: the float nearest to the decimal */
}

static void write_text(struct proto_writer *w, const char *text, size_t size) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_str_with_body(&pk, text, size);
}

void proto_write_text(struct proto_writer *w, const char *text) {
    write_text(w, text, strlen(text));
}

void proto_write_slice(struct proto_writer *w, struct proto_slice text) {
    write_text(w, text.data, text.size);
}

void proto_write_bin(struct proto_writer *w, const void *bytes, size_t size) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_bin_with_body(&pk, bytes, size);
}

void proto_write_id(struct proto_writer *w, const struct proto_id *id) {
    char text[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(id, text);
    write_text(w, text, PROTO_ID_TEXT_BYTES);
}

void proto_write_position(struct proto_writer *w, const struct proto_position *position) {
    static const char digits[] = "0123456789abcdef";
    char chain[2 * PROTO_HASH_BYTES];
    for (size_t i = 0; i < PROTO_HASH_BYTES; i++) {
        chain[2 * i] = digits[position->chain[i] >> 4];
        chain[2 * i + 1] = digits[position->chain[i] & 15];
    }
    proto_write_map(w, 3);
    proto_write_text(w, "log");
    proto_write_id(w, &position->log);
    proto_write_text(w, "seq");
    proto_write_int(w, (int64_t)position->seq);
    proto_write_text(w, "chain");
    proto_write_slice(w, (struct proto_slice){chain, sizeof chain});
}

void proto_write_kept(struct proto_writer *w, const struct proto_kept *kept) {
    proto_write_array(w, kept->has_receipt ? 4 : 2);
    proto_write_int(w, kept->joined);
    proto_write_bin(w, kept->bytes.data, kept->bytes.size);
    if (!kept->has_receipt)
        return;
    proto_write_int(w, kept->received_at);
    proto_write_bin(w, kept->receipt, sizeof kept->receipt);
}

void proto_write_date(struct proto_writer *w, int32_t day) {
    char text[11];
    proto_date_format(day, text);
    write_text(w, text, sizeof text - 1);
}

void proto_write_array(struct proto_writer *w, uint32_t count) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_array(&pk, count);
}

void proto_write_map(struct proto_writer *w, uint32_t count) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_map(&pk, count);
}

void proto_write_raw(struct proto_writer *w, const void *bytes, size_t size) {
    (void)append(w, bytes, size);
}

void proto_write_object(struct proto_writer *w, const msgpack_object *object) {
    msgpack_packer pk = packer_of(w);
    (void)msgpack_pack_object(&pk, *object);
}

/* The 16-bit headers: one byte that says map or array, two that are known at the end. */
static size_t write_open(struct proto_writer *w, uint8_t kind) {
    const char header[3] = {(char)kind, 0, 0};
    size_t mark = w->size;
    (void)append(w, header, sizeof header);
    return mark;
}

static void write_close(struct proto_writer *w, size_t mark, uint32_t count) {
    if (w->error != PROTO_OK)
        return;
    assert(mark + 3 <= w->size);
    if (count > UINT16_MAX) {
        w->error = PROTO_TOO_LARGE;
        return;
    }
    w->bytes[mark + 1] = (uint8_t)(count >> 8);
    w->bytes[mark + 2] = (uint8_t)(count & 0xff);
}

size_t proto_write_map_begin(struct proto_writer *w) {
    return write_open(w, 0xde);
}
void proto_write_map_end(struct proto_writer *w, size_t mark, uint32_t count) {
    write_close(w, mark, count);
}
size_t proto_write_array_begin(struct proto_writer *w) {
    return write_open(w, 0xdc);
}
void proto_write_array_end(struct proto_writer *w, size_t mark, uint32_t count) {
    write_close(w, mark, count);
}
