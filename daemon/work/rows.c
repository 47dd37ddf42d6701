/*
 * rows.c - stored rows read back, for whoever answers from the indexes; the layouts stand in subject.c and fold.h.
 */
#include "work/rows.h"
#include "work/bytes.h"

#include <assert.h>

#include "proto/ids.h"
#include "work/event.h"

#define FORMAT 1

static struct work_reader value_of(struct store_bytes bytes) {
    struct work_reader reader = work_reader_of(bytes);
    if (work_take_u8(&reader) != FORMAT)
        reader.bad = true;
    return reader;
}

/* A row is whole when both were read to their end. */
static enum proto_error whole(const struct work_reader *key, const struct work_reader *value) {
    bool ok = !key->bad && !value->bad && work_reader_left(key) == 0 && work_reader_left(value) == 0;
    return ok ? PROTO_OK : PROTO_CORRUPT;
}

enum proto_error work_task_row_read(struct store_bytes key, struct store_bytes value, struct work_task_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    struct work_task_row row = {.team = work_take_u32(&k)};
    row.task = work_take_u8(&k);
    row.overdue_at = work_take_i64(&k);
    row.root = work_take_id(&k);
    row.stoma = work_take_u8(&k);
    (void)work_take_u64(&k);
    row.due_at = work_take_i64(&v);
    row.due_day = work_take_i32(&v);
    row.last_done_at = work_take_i64(&v);
    row.quiet_until = work_take_i64(&v);
    row.shown = work_take_id(&v);
    row.label = work_take_text(&v);
    row.name = work_take_text(&v);
    row.title = work_take_text(&v);
    row.detail = work_take_text(&v);
    row.given_to = work_take_text(&v);
    enum proto_error error = whole(&k, &v);
    if (error == PROTO_OK && row.task < PROTO_TASK_COUNT)
        *out = row;
    return row.task < PROTO_TASK_COUNT ? error : PROTO_CORRUPT;
}

enum proto_error work_alert_row_read(struct store_bytes key, struct store_bytes value, struct work_alert_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    out->team = work_take_u32(&k);
    (void)work_take_i64(&k);
    (void)work_take_u8(&k);
    (void)work_take_i64(&k);
    out->root = work_take_id(&k);
    (void)work_take(&k, 3);
    (void)work_take_u64(&k);
    out->shown = work_take_id(&v);
    out->label = work_take_text(&v);
    if (v.bad || k.bad || work_reader_left(&k) != 0)
        return PROTO_CORRUPT;
    return care_alert_decode(v.at, work_reader_left(&v), &out->alert);
}

static void read_device(struct work_reader *v, struct work_device_row *row) {
    row->shown = work_take_id(v);
    row->retention = work_take_u8(v);
    row->profile = work_take_u8(v);
    row->tip = work_take_u8(v);
    row->french_fr = work_take_i32(v);
    row->length_mm = work_take_i32(v);
    row->balloon_ml = work_take_i32(v);
    row->change_by_day = work_take_i32(v);
    row->placed_at = work_take_i64(v);
    row->label = work_take_text(v);
    row->gtin = work_take_text(v);
    row->lot = work_take_text(v);
    row->serial = work_take_text(v);
}

enum proto_error work_device_row_read(struct store_bytes key, struct store_bytes value, struct work_device_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    struct work_device_row row = {.team = work_take_u32(&k)};
    row.change_due_day = work_take_i32(&k);
    row.root = work_take_id(&k);
    row.stoma = work_take_u8(&k);
    read_device(&v, &row);
    enum proto_error error = whole(&k, &v);
    if (error == PROTO_OK)
        *out = row;
    return error;
}

enum proto_error work_lot_row_read(struct store_bytes key, struct store_bytes value, uint8_t *what,
                                   struct work_device_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    struct work_device_row row = {0};
    uint8_t is = work_take_u8(&k);
    for (int i = 0; i < 3; i++) /* lot as it is compared, gtin, serial: the value has them as they were written */
        (void)work_take_key_text(&k);
    row.root = work_take_id(&k);
    row.stoma = work_take_u8(&k);
    row.team = work_take_u32(&v);
    row.change_due_day = work_take_i32(&v);
    read_device(&v, &row);
    enum proto_error error = whole(&k, &v);
    if (error == PROTO_OK) {
        *what = is;
        *out = row;
    }
    return error;
}

enum proto_error work_history_row_read(struct store_bytes key, struct store_bytes value, struct work_history_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    struct work_history_row row = {.root = work_take_id(&k)};
    row.at = work_take_i64(&k);
    row.rank = work_take_u8(&k);
    row.event = work_take_id(&k);
    row.seq = work_take_u64(&v);
    row.kind = work_take_u16(&v);
    row.stoma = work_take_u8(&v);
    enum proto_error error = whole(&k, &v);
    if (error == PROTO_OK)
        *out = row;
    return error;
}

size_t work_history_key(const struct proto_id *root, int64_t at, uint8_t out[64]) {
    memcpy(out, root->bytes, PROTO_ID_BYTES);
    if (at == INT64_MAX) {
        memset(out + PROTO_ID_BYTES, 0xff, WORK_PLACE_BYTES);
        return PROTO_ID_BYTES + WORK_PLACE_BYTES;
    }
    work_put_i64(out + PROTO_ID_BYTES, at);
    return PROTO_ID_BYTES + 8;
}

enum proto_error work_level_row_read(struct store_bytes key, struct store_bytes value, int64_t now,
                                     struct work_level_row *out) {
    struct work_reader k = work_reader_of(key), v = value_of(value);
    struct work_level_row row = {.team = work_take_u32(&k), .level = PROTO_LEVEL_SETTLED};
    row.root = work_take_id(&k);
    row.shown = work_take_id(&v);
    row.closed = work_take_u8(&v) != 0;
    row.born_day = work_take_i32(&v);
    row.label = work_take_text(&v);
    uint16_t count = work_take_u16(&v);
    for (uint16_t i = 0; i < count && !v.bad; i++) {
        int64_t from = work_take_i64(&v);
        uint8_t level = work_take_u8(&v);
        if (from <= now)
            row.level = level;
    }
    enum proto_error error = whole(&k, &v);
    if (error == PROTO_OK)
        *out = row;
    return error;
}

enum proto_error work_team_find(struct store_txn *txn, struct proto_slice team, uint32_t *number_out) {
    struct store_bytes value;
    if (team.size == 0 || team.size > STORE_KEY_BYTES_MAX)
        return PROTO_NOT_FOUND;
    enum proto_error error = store_get(txn, STORE_TEAMS, team.data, team.size, &value);
    if (error != PROTO_OK)
        return error;
    struct work_reader v = value_of(value);
    uint32_t number = work_take_u32(&v);
    if (v.bad)
        return PROTO_CORRUPT;
    *number_out = number;
    return PROTO_OK;
}

#define TEAMS_AT_ONCE 64

struct team_page {
    uint32_t next; /* the smallest number not shown yet */
    uint32_t count;
    struct {
        uint32_t number;
        struct proto_slice name;
    } list[TEAMS_AT_ONCE];
};

/* Keeps the lowest numbers from page->next on, ascending. */
static void page_add(struct team_page *page, uint32_t number, struct proto_slice name) {
    if (number < page->next || (page->count == TEAMS_AT_ONCE && number > page->list[TEAMS_AT_ONCE - 1].number))
        return;
    uint32_t at = page->count < TEAMS_AT_ONCE ? page->count++ : TEAMS_AT_ONCE - 1;
    for (; at > 0 && page->list[at - 1].number > number; at--)
        page->list[at] = page->list[at - 1];
    page->list[at].number = number;
    page->list[at].name = name;
}

static enum proto_error page_fill(struct store_txn *txn, struct team_page *page) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    page->count = 0;
    enum proto_error error = store_scan_begin(txn, STORE_TEAMS, NULL, 0, NULL, 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct work_reader k = work_reader_of(key), v = value_of(value);
        struct proto_slice name = {(const char *)key.data, (uint32_t)key.size};
        (void)work_take(&k, key.size);
        uint32_t number = work_take_u32(&v);
        error = whole(&k, &v);
        if (error == PROTO_OK)
            page_add(page, number, name);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_team_each(struct store_txn *txn,
                                bool (*each)(void *arg, uint32_t number, struct proto_slice name), void *arg) {
    struct team_page page = {.next = 0};
    do {
        enum proto_error error = page_fill(txn, &page);
        if (error != PROTO_OK)
            return error;
        for (uint32_t i = 0; i < page.count; i++) {
            if (!each(arg, page.list[i].number, page.list[i].name))
                return PROTO_OK;
            page.next = page.list[i].number + 1;
        }
    } while (page.count == TEAMS_AT_ONCE);
    return PROTO_OK;
}
