/*
 * rowset.c - rows in memory, their order and their differences.
 */
#define _GNU_SOURCE /* qsort_r */
#include "work/rowset.h"

#include <assert.h>
#include <stdlib.h>

void work_rows_clear(struct work_rows *rows) {
    rows->bytes.size = 0;
    rows->count = 0;
}

void work_rows_free(struct work_rows *rows) {
    work_buffer_free(&rows->bytes);
    free(rows->list);
    *rows = (struct work_rows){0};
}

void work_rows_begin(struct work_rows *rows, enum store_table table) {
    WORK_ARRAY_ROOM(rows->list, rows->count, rows->cap);
    rows->list[rows->count] = (struct work_row){.key = (uint32_t)rows->bytes.size, .table = (uint8_t)table};
}

void work_rows_value(struct work_rows *rows) {
    struct work_row *row = &rows->list[rows->count];
    size_t size = rows->bytes.size - row->key;
    assert(size > 0 && size <= STORE_KEY_BYTES_MAX);
    row->key_size = (uint16_t)size;
    row->value = (uint32_t)rows->bytes.size;
}

void work_rows_end(struct work_rows *rows) {
    struct work_row *row = &rows->list[rows->count];
    row->value_size = (uint32_t)rows->bytes.size - row->value;
    assert(row->key_size > 0 && row->value_size <= STORE_VALUE_BYTES_MAX);
    rows->count++;
}

static int compare_bytes(struct store_bytes a, struct store_bytes b) {
    int order = memcmp(a.data, b.data, a.size < b.size ? a.size : b.size);
    return order ? order : (a.size > b.size) - (a.size < b.size);
}

static int compare_rows(const struct work_rows *as, const struct work_row *a, const struct work_rows *bs,
                        const struct work_row *b) {
    if (a->table != b->table)
        return a->table < b->table ? -1 : 1;
    return compare_bytes(work_row_key(as, a), work_row_key(bs, b));
}

static int by_table_and_key(const void *a, const void *b, void *arg) {
    const struct work_rows *rows = arg;
    const struct work_row *x = a, *y = b;
    int order = compare_rows(rows, x, rows, y);
    return order ? order : (x->key > y->key) - (x->key < y->key); /* the one added first stays first */
}

void work_rows_sort(struct work_rows *rows) {
    if (rows->count < 2)
        return;
    qsort_r(rows->list, rows->count, sizeof *rows->list, by_table_and_key, rows);
    uint32_t kept = 1;
    for (uint32_t i = 1; i < rows->count; i++) {
        const struct work_row *last = &rows->list[kept - 1];
        if (rows->list[i].table == STORE_TALLY || compare_rows(rows, last, rows, &rows->list[i]) != 0)
            rows->list[kept++] = rows->list[i];
    }
    rows->count = kept;
}

/* An op: u8 what | u8 table | u16 key size | u32 value size, or the delta | key | value */
#define OP_HEAD_BYTES 8

static void add_op(struct work_buffer *ops, enum work_op_what what, enum store_table table, struct store_bytes key,
                   uint32_t number) {
    uint8_t *at = work_buffer_reserve(ops, OP_HEAD_BYTES + key.size);
    at[0] = (uint8_t)what;
    at[1] = (uint8_t)table;
    work_put_u16(at + 2, (uint16_t)key.size);
    work_put_u32(at + 4, number);
    memcpy(at + OP_HEAD_BYTES, key.data, key.size);
    ops->size += OP_HEAD_BYTES + key.size;
}

void work_op_put(struct work_buffer *ops, enum store_table table, struct store_bytes key, struct store_bytes value) {
    assert(key.size > 0 && key.size <= STORE_KEY_BYTES_MAX && value.size <= STORE_VALUE_BYTES_MAX);
    add_op(ops, WORK_OP_PUT, table, key, (uint32_t)value.size);
    work_buffer_add(ops, value.data, value.size);
}

void work_op_delete(struct work_buffer *ops, enum store_table table, struct store_bytes key) {
    add_op(ops, WORK_OP_DELETE, table, key, 0);
}

void work_op_count(struct work_buffer *ops, struct store_bytes key, int32_t delta) {
    add_op(ops, WORK_OP_COUNT, STORE_TALLY, key, (uint32_t)delta);
}

bool work_op_next(const struct work_buffer *ops, size_t *at, size_t end, struct work_op *out) {
    assert(*at <= end && end <= ops->size);
    if (*at == end)
        return false;
    const uint8_t *head = ops->data + *at;
    uint32_t number = work_get_u32(head + 4);
    *out = (struct work_op){.what = (enum work_op_what)head[0], .table = (enum store_table)head[1]};
    out->key = (struct store_bytes){head + OP_HEAD_BYTES, work_get_u16(head + 2)};
    *at += OP_HEAD_BYTES + out->key.size;
    if (out->what == WORK_OP_COUNT)
        out->delta = (int32_t)number;
    if (out->what == WORK_OP_PUT) {
        out->value = (struct store_bytes){ops->data + *at, number};
        *at += number;
    }
    assert(*at <= end);
    return true;
}

static void row_gone(const struct work_rows *rows, const struct work_row *row, struct work_buffer *ops) {
    assert(row);
    if (row->table == STORE_TALLY)
        work_op_count(ops, work_row_key(rows, row), -1);
    else
        work_op_delete(ops, (enum store_table)row->table, work_row_key(rows, row));
}

static void row_new(const struct work_rows *rows, const struct work_row *row, struct work_buffer *ops) {
    assert(row);
    if (row->table == STORE_TALLY)
        work_op_count(ops, work_row_key(rows, row), 1);
    else
        work_op_put(ops, (enum store_table)row->table, work_row_key(rows, row), work_row_value(rows, row));
}

void work_rows_diff(const struct work_rows *old_rows, const struct work_rows *new_rows, struct work_buffer *ops) {
    uint32_t o = 0, n = 0;
    while (o < old_rows->count || n < new_rows->count) {
        const struct work_row *was = o < old_rows->count ? &old_rows->list[o] : NULL;
        const struct work_row *is = n < new_rows->count ? &new_rows->list[n] : NULL;
        int order = !was ? 1 : !is ? -1 : compare_rows(old_rows, was, new_rows, is);
        if (order < 0) {
            row_gone(old_rows, was, ops);
        } else if (order > 0) {
            row_new(new_rows, is, ops);
        } else if (compare_bytes(work_row_value(old_rows, was), work_row_value(new_rows, is)) != 0) {
            row_new(new_rows, is, ops); /* TALLY rows have no value and never come here */
        }
        o += order <= 0;
        n += order >= 0;
    }
}
