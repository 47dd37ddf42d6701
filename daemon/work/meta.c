/*
 * meta.c - what the view knows about itself.
 */
#include "work/meta.h"

#include <assert.h>

#include "care/care.h"

#define FORMAT 1
#define LAYOUT                                                                                                         \
    5 /* of the view's rows as a whole: 2 has the feed, 3 the lots of old devices, 4 digests, 5 births by label. A view of another layout is made anew */

static enum proto_error get(struct store_txn *txn, const char *name, struct work_reader *out) {
    struct store_bytes value;
    enum proto_error error = store_get(txn, STORE_META, name, strlen(name), &value);
    if (error != PROTO_OK)
        return error;
    *out = work_reader_of(value);
    return work_take_u8(out) == FORMAT ? PROTO_OK : PROTO_CORRUPT;
}

static enum proto_error get_number(struct store_txn *txn, const char *name, uint64_t *out) {
    struct work_reader v;
    enum proto_error error = get(txn, name, &v);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    *out = work_take_u64(&v);
    return v.bad ? PROTO_CORRUPT : PROTO_OK;
}

enum proto_error work_settling_read(struct store_txn *txn, struct work_settling *out) {
    struct work_reader v;
    *out = (struct work_settling){0};
    enum proto_error error = get(txn, WORK_META_SETTLING, &v);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    struct work_settling job = {.active = true, .scope = work_take_u8(&v)};
    struct proto_slice team = work_take_text(&v);
    job.done = work_take_u64(&v);
    job.of = work_take_u64(&v);
    job.cursor_size = work_take_u8(&v);
    const uint8_t *cursor = work_take(&v, job.cursor_size);
    if (v.bad || team.size >= sizeof job.team)
        return PROTO_CORRUPT;
    if (team.size)
        memcpy(job.team, team.data, team.size);
    if (job.cursor_size)
        memcpy(job.cursor, cursor, job.cursor_size);
    *out = job;
    return PROTO_OK;
}

enum proto_error work_meta_read(struct store_txn *txn, const struct care_zones *zones, struct work_meta *out) {
    struct work_reader v;
    *out = (struct work_meta){0};
    enum proto_error error = get(txn, WORK_META_RULES, &v);
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error != PROTO_OK)
        return error;
    uint32_t rules = work_take_u32(&v);
    struct proto_slice zone_data = work_take_text(&v);
    uint32_t layout = work_take_u32(&v); /* the first one was not written */
    out->known = true;
    out->current =
        !v.bad && layout == LAYOUT && rules == CARE_RULES_VERSION && proto_slice_is(zone_data, zones->version);
    error = get_number(txn, WORK_META_CONTEXT, &out->context_seq);
    if (error == PROTO_OK)
        error = get_number(txn, WORK_META_CHILDREN, &out->children);
    return error == PROTO_OK ? work_settling_read(txn, &out->settling) : error;
}

static void begin(const char *name, struct work_rows *rows) {
    work_rows_begin(rows, STORE_META);
    work_buffer_add(&rows->bytes, name, strlen(name));
    work_rows_value(rows);
    work_add_u8(&rows->bytes, FORMAT);
}

void work_meta_rules_row(const struct care_zones *zones, struct work_rows *rows) {
    begin(WORK_META_RULES, rows);
    work_add_u32(&rows->bytes, CARE_RULES_VERSION);
    work_add_text(&rows->bytes, zones->version);
    work_add_u32(&rows->bytes, LAYOUT);
    work_rows_end(rows);
}

void work_meta_number_row(const char *name, uint64_t number, struct work_rows *rows) {
    begin(name, rows);
    work_add_u64(&rows->bytes, number);
    work_rows_end(rows);
}

void work_meta_settling_row(const struct work_settling *settling, struct work_rows *rows) {
    assert(settling->active);
    begin(WORK_META_SETTLING, rows);
    work_add_u8(&rows->bytes, settling->scope);
    work_add_text(&rows->bytes, settling->team);
    work_add_u64(&rows->bytes, settling->done);
    work_add_u64(&rows->bytes, settling->of);
    work_add_u8(&rows->bytes, settling->cursor_size);
    work_buffer_add(&rows->bytes, settling->cursor, settling->cursor_size);
    work_rows_end(rows);
}
