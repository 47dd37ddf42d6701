/*
 * voids.c - withdrawals, replacements and confirmations of a child.
 */
#include "work/voids.h"

#include <assert.h>
#include <stdlib.h>

#include "work/patient.h"
#include "work/rows.h"

#define FORMAT 2

void work_voids_clear(struct work_voids *voids) {
    voids->count = 0;
    voids->care_count = 0;
    voids->stale = false;
}

void work_voids_free(struct work_voids *voids) {
    free(voids->list);
    free(voids->care);
    *voids = (struct work_voids){0};
}

static struct work_void *add(struct work_voids *voids) {
    WORK_ARRAY_ROOM(voids->list, voids->count, voids->cap);
    voids->stale = true;
    struct work_void *row = &voids->list[voids->count++];
    memset(row, 0, sizeof *row);
    return row;
}

static void copy_by(struct work_void *row, struct proto_slice by) {
    size_t size = by.size < sizeof row->by ? by.size : sizeof row->by - 1;
    if (size)
        memcpy(row->by, by.data, size);
    row->by[size] = '\0';
}

bool work_voids_add(struct work_voids *voids, const struct proto_event *event) {
    struct care_void made;
    struct work_void *row = NULL;
    if (care_void_from_event(&made, event)) {
        row = add(voids);
        row->target = made.target;
        row->type = made.replacement ? WORK_VOID_REPLACEMENT : WORK_VOID_WITHDRAWAL;
        row->kind = made.kind;
        row->grave = made.grave;
    } else if (event->kind == PROTO_KIND_withdrawal_confirmed &&
               PROTO_BODY(event, withdrawal_confirmed, withdrawal)->present) {
        row = add(voids);
        row->target = PROTO_BODY(event, withdrawal_confirmed, withdrawal)->id;
        row->type = WORK_VOID_CONFIRMATION;
    }
    if (!row)
        return false;
    row->by_event = event->id;
    row->at = event->at;
    enum proto_rank rank = proto_event_rank(event);
    row->rank = (uint8_t)rank;
    copy_by(row, event->by);
    return true;
}

static enum proto_error read_row(struct store_bytes key, struct store_bytes value, struct work_void *row) {
    struct work_reader k = work_reader_of(key), v = work_reader_of(value);
    (void)work_take_id(&k);
    row->target = work_take_id(&k);
    row->by_event = work_take_id(&k);
    uint8_t format = work_take_u8(&v);
    row->type = work_take_u8(&v);
    row->at = work_take_i64(&v);
    row->rank = work_take_u8(&v);
    row->kind = work_take_u8(&v);
    row->grave = work_take_u8(&v);
    copy_by(row, work_take_text(&v));
    bool ok = !k.bad && !v.bad && format == FORMAT && work_reader_left(&k) == 0 && work_reader_left(&v) == 0;
    return ok ? PROTO_OK : PROTO_CORRUPT;
}

enum proto_error work_voids_load(struct work_voids *voids, struct store_txn *txn, const struct proto_id *super) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error =
        store_scan_begin(txn, STORE_VOIDS, super->bytes, PROTO_ID_BYTES, super->bytes, PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        error = read_row(key, value, add(voids));
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

bool work_voids_name(const struct work_voids *voids, const struct proto_id *id) {
    for (uint32_t i = 0; i < voids->count; i++)
        if (work_id_same(&voids->list[i].target, id))
            return true;
    return false;
}

/* A confirmation of the row by another account. */
static bool is_confirmed(const struct work_voids *voids, const struct work_void *row) {
    for (uint32_t i = 0; i < voids->count; i++) {
        const struct work_void *c = &voids->list[i];
        if (c->type == WORK_VOID_CONFIRMATION && work_id_same(&c->target, &row->by_event) &&
            strcmp(c->by, row->by) != 0)
            return true;
    }
    return false;
}

void work_voids_settle(struct work_voids *voids) {
    if (!voids->stale)
        return;
    voids->stale = false;
    voids->care_count = 0;
    for (uint32_t i = 0; i < voids->count; i++) {
        const struct work_void *row = &voids->list[i];
        if (row->type == WORK_VOID_CONFIRMATION)
            continue;
        WORK_ARRAY_ROOM(voids->care, voids->care_count, voids->care_cap);
        voids->care[voids->care_count++] = (struct care_void){.target = row->target,
                                                              .by_event = row->by_event,
                                                              .at = row->at,
                                                              .rank = row->rank,
                                                              .kind = row->kind,
                                                              .replacement = row->type == WORK_VOID_REPLACEMENT,
                                                              .confirmed = is_confirmed(voids, row),
                                                              .grave = row->grave};
    }
}

bool work_voids_counts(struct work_voids *voids, const struct proto_event *event, struct care_target target) {
    if (voids->count == 0)
        return true;
    work_voids_settle(voids);
    return care_event_counts(event, target, voids->care, voids->care_count);
}

void work_void_row(const struct proto_id *super, const struct work_void *row, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_VOIDS);
    work_add_id(b, super);
    work_add_id(b, &row->target);
    work_add_id(b, &row->by_event);
    work_rows_value(rows);
    work_add_u8(b, FORMAT);
    work_add_u8(b, row->type);
    work_add_i64(b, row->at);
    work_add_u8(b, row->rank);
    work_add_u8(b, row->kind);
    work_add_u8(b, row->grave);
    work_add_text(b, row->by);
    work_rows_end(rows);
}

enum proto_error work_root_find(struct store_txn *txn, const struct proto_id *patient, struct proto_id *root_out) {
    struct work_patient found;
    enum proto_error error = work_patient_find(txn, patient, &found);
    if (error == PROTO_OK)
        *root_out = found.root;
    return error;
}

enum proto_error work_voids_read(struct store_txn *txn, const struct proto_id *patient, struct care_void *out,
                                 uint32_t cap, uint32_t *count_out) {
    struct work_patient found;
    enum proto_error error = work_patient_find(txn, patient, &found);
    if (error != PROTO_OK)
        return error;
    struct work_voids voids = {0};
    error = work_voids_load(&voids, txn, &found.super);
    if (error == PROTO_OK) {
        work_voids_settle(&voids);
        for (uint32_t i = 0; i < voids.care_count && i < cap; i++)
            out[i] = voids.care[i];
        *count_out = voids.care_count;
    }
    work_voids_free(&voids);
    return error;
}
