/*
 * system.c - see system.h.
 */
#include "work/system.h"

#include <assert.h>
#include <stdlib.h>

#include "proto/ids.h"

#define FORMAT 1
#define MESSAGE_BYTES_MAX 255

/* --- drops ------------------------------------------------------------------------------------------ */

void work_drops_add(struct work_drops *drops, uint64_t seq, const struct proto_id *record) {
    WORK_ARRAY_ROOM(drops->list, drops->count, drops->cap);
    drops->list[drops->count++] = (struct work_drop){seq, *record};
}

static int by_seq(const void *a, const void *b) {
    const struct work_drop *x = a, *y = b;
    return (x->seq > y->seq) - (x->seq < y->seq);
}

void work_drops_sort(struct work_drops *drops) {
    if (drops->count > 1)
        qsort(drops->list, drops->count, sizeof *drops->list, by_seq);
}

bool work_drops_have(const struct work_drops *drops, uint64_t seq) {
    struct work_drop wanted = {.seq = seq};
    return drops->count > 0 && bsearch(&wanted, drops->list, drops->count, sizeof *drops->list, by_seq) != NULL;
}

void work_drops_free(struct work_drops *drops) {
    free(drops->list);
    *drops = (struct work_drops){0};
}

/* --- entries ----------------------------------------------------------------------------------------- */

static void begin(struct work_buffer *out, enum work_system_type type, int64_t at) {
    work_add_u8(out, WORK_SYSTEM_BYTE);
    work_add_u8(out, FORMAT);
    work_add_u8(out, (uint8_t)type);
    work_add_i64(out, at);
}

void work_system_left(struct work_buffer *out, int64_t at, uint32_t in_all, const struct proto_id *record,
                      const uint64_t *seqs, uint32_t count) {
    assert(count <= WORK_LEFT_SEQS_MAX);
    begin(out, WORK_SYSTEM_LEFT, at);
    work_add_u32(out, in_all);
    work_add_id(out, record);
    work_add_u32(out, count);
    for (uint32_t i = 0; i < count; i++)
        work_add_u64(out, seqs[i]);
}

void work_system_refused(struct work_buffer *out, const struct work_system_row *row, uint64_t seq) {
    begin(out, WORK_SYSTEM_REFUSED, row->at);
    work_add_id(out, &row->record);
    work_add_id(out, &row->event);
    work_add_u64(out, seq);
    work_add_text(out, proto_error_code(row->code));
    uint32_t size = row->message.size < MESSAGE_BYTES_MAX ? row->message.size : MESSAGE_BYTES_MAX;
    work_add_u8(out, (uint8_t)size);
    work_buffer_add(out, row->message.data, size);
    work_buffer_add(out, row->bytes.data, row->bytes.size);
}

void work_system_replaced(struct work_buffer *out, int64_t at, const struct proto_id *record, uint64_t seq,
                          const struct proto_id *event, const struct proto_id *new_event) {
    begin(out, WORK_SYSTEM_REPLACED, at);
    work_add_id(out, record);
    work_add_u64(out, seq);
    work_add_id(out, event);
    work_add_id(out, new_event);
}

void work_system_settled(struct work_buffer *out, int64_t at, uint64_t refused_seq, bool again) {
    begin(out, WORK_SYSTEM_SETTLED, at);
    work_add_u64(out, refused_seq);
    work_add_u8(out, again);
}

/* --- reading -------------------------------------------------------------------------------------------- */

static void read_left(struct work_reader *r, struct work_system_row *row, struct work_drops *drops, bool *shown) {
    row->event_count = work_take_u32(r);
    *shown = row->event_count > 0;
    row->record = work_take_id(r);
    uint32_t count = work_take_u32(r);
    if (count > WORK_LEFT_SEQS_MAX)
        r->bad = true;
    for (uint32_t i = 0; i < count && !r->bad; i++) {
        uint64_t seq = work_take_u64(r);
        if (drops && !r->bad)
            work_drops_add(drops, seq, &row->record);
    }
}

static void read_refused(struct work_reader *r, struct work_system_row *row, struct work_drops *drops) {
    char code[64] = "";
    row->record = work_take_id(r);
    row->event = work_take_id(r);
    uint64_t seq = work_take_u64(r);
    struct proto_slice wire = work_take_text(r);
    if (wire.size < sizeof code && wire.size)
        memcpy(code, wire.data, wire.size);
    row->code = proto_error_find(code);
    row->message = work_take_text(r);
    row->bytes = (struct store_bytes){r->at, work_reader_left(r)};
    r->at = r->end;
    if (drops && !r->bad)
        work_drops_add(drops, seq, &row->record);
}

static void read_replaced(struct work_reader *r, struct work_system_row *row, struct work_drops *drops) {
    row->record = work_take_id(r);
    uint64_t seq = work_take_u64(r);
    row->event = work_take_id(r);
    row->new_event = work_take_id(r);
    if (drops && !r->bad)
        work_drops_add(drops, seq, &row->record);
}

enum proto_error work_system_read(struct store_bytes body, struct work_system_row *row, struct work_drops *drops,
                                  bool *shown, uint64_t *settles) {
    static const struct proto_id nobody;
    struct work_reader r = work_reader_of(body);
    uint8_t byte = work_take_u8(&r), format = work_take_u8(&r), type = work_take_u8(&r);
    *row = (struct work_system_row){.type = (enum work_system_type)type, .at = work_take_i64(&r)};
    *shown = true;
    *settles = 0;
    if (r.bad || byte != WORK_SYSTEM_BYTE || format != FORMAT)
        return PROTO_CORRUPT;
    switch ((enum work_system_type)type) {
    case WORK_SYSTEM_LEFT:
        read_left(&r, row, drops, shown);
        break;
    case WORK_SYSTEM_REFUSED:
        read_refused(&r, row, drops);
        break;
    case WORK_SYSTEM_REPLACED:
        read_replaced(&r, row, drops);
        break;
    case WORK_SYSTEM_SETTLED:
        *shown = false;
        *settles = work_take_u64(&r);
        row->event_count = work_take_u8(&r);
        if (drops && !r.bad)
            work_drops_add(drops, *settles, &nobody);
        break;
    default:
        return PROTO_CORRUPT;
    }
    return r.bad || work_reader_left(&r) ? PROTO_CORRUPT : PROTO_OK;
}

/* --- rows -------------------------------------------------------------------------------------------------- */

void work_system_key(uint8_t type, uint64_t seq, uint8_t out[WORK_SYSTEM_KEY_BYTES]) {
    out[0] = type;
    work_put_u64(out + 1, seq);
}

void work_system_seq_row(uint8_t type, uint64_t seq, struct work_rows *rows) {
    uint8_t key[WORK_SYSTEM_KEY_BYTES];
    work_system_key(type, seq, key);
    work_rows_begin(rows, STORE_SYSTEM);
    work_buffer_add(&rows->bytes, key, sizeof key);
    work_rows_value(rows);
    work_add_u8(&rows->bytes, 1);
    work_rows_end(rows);
}
