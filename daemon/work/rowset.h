/*
 * rowset.h - rows in memory: what a child's tables should hold, compared with what they held, and the changes that follow.
 *
 * What always holds: nothing is put that has not changed; of rows with one key the first stays; tally rows count.
 */
#ifndef WORK_ROWSET_H
#define WORK_ROWSET_H

#include "work/bytes.h"

struct work_row {
    uint32_t key, value, value_size; /* places in the set's bytes */
    uint16_t key_size;
    uint8_t table; /* enum store_table */
};

struct work_rows {
    struct work_buffer bytes;
    struct work_row *list;
    uint32_t count, cap;
};

void work_rows_clear(struct work_rows *rows);
void work_rows_free(struct work_rows *rows);
/* One row: begin, key fields into rows->bytes, value, value fields into rows->bytes, end. A TALLY row has no value: each counts one. */
void work_rows_begin(struct work_rows *rows, enum store_table table);
void work_rows_value(struct work_rows *rows);
void work_rows_end(struct work_rows *rows);
/* By table and key; drops later rows of the same key, but for TALLY. */
void work_rows_sort(struct work_rows *rows);

static inline struct store_bytes work_row_key(const struct work_rows *rows, const struct work_row *row) {
    return (struct store_bytes){rows->bytes.data + row->key, row->key_size};
}
static inline struct store_bytes work_row_value(const struct work_rows *rows, const struct work_row *row) {
    return (struct store_bytes){rows->bytes.data + row->value, row->value_size};
}

/* Changes to the view, one behind the other in a buffer. */
enum work_op_what { WORK_OP_PUT, WORK_OP_DELETE, WORK_OP_COUNT };
struct work_op {
    enum work_op_what what;
    enum store_table table;
    struct store_bytes key, value;
    int32_t delta; /* COUNT */
};
void work_op_put(struct work_buffer *ops, enum store_table table, struct store_bytes key, struct store_bytes value);
void work_op_delete(struct work_buffer *ops, enum store_table table, struct store_bytes key);
void work_op_count(struct work_buffer *ops, struct store_bytes key, int32_t delta);
/* Reads the op at *at and moves *at behind it; false at `end`. */
bool work_op_next(const struct work_buffer *ops, size_t *at, size_t end, struct work_op *out);
/* What turns the old rows into the new ones. Both must be sorted. */
void work_rows_diff(const struct work_rows *old_rows, const struct work_rows *new_rows, struct work_buffer *ops);

#endif
