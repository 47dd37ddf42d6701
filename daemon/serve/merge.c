/*
 * merge.c - many ranges of one table read as one. A binary heap over the heads of the ranges; each range is a scan of its own.
 */
#include "serve/internal.h"

#include <stdlib.h>
#include <string.h>

#define PREFIX_BYTES_MAX 16u

struct range {
    struct store_scan *scan;
    uint8_t prefix[PREFIX_BYTES_MAX];
    struct store_bytes key, value;
};

struct serve_merge {
    struct store_txn *txn;
    enum store_table table;
    size_t sort_at, sort_size;
    uint32_t count, cap; /* ranges[0..count) is a heap, the nearest row first */
    bool begun;          /* ranges[0] is the row that was handed out last */
    bool dropped;
    struct range ranges[];
};

enum proto_error serve_merge_new(struct store_txn *txn, enum store_table table, size_t sort_at, size_t sort_size,
                                 uint32_t ranges_max, struct serve_merge **out) {
    struct serve_merge *merge = calloc(1, sizeof *merge + ranges_max * sizeof merge->ranges[0]);
    if (!merge)
        return PROTO_BUSY;
    merge->txn = txn;
    merge->table = table;
    merge->sort_at = sort_at;
    merge->sort_size = sort_size;
    merge->cap = ranges_max;
    assert(sort_at <= PREFIX_BYTES_MAX);
    *out = merge;
    return PROTO_OK;
}

static int compare(const struct serve_merge *merge, const struct range *a, const struct range *b) {
    int order = memcmp(a->key.data + merge->sort_at, b->key.data + merge->sort_at, merge->sort_size);
    if (order != 0)
        return order;
    size_t size = a->key.size < b->key.size ? a->key.size : b->key.size;
    order = memcmp(a->key.data, b->key.data, size);
    return order != 0 ? order : (a->key.size > b->key.size) - (a->key.size < b->key.size);
}

static void swap(struct range *a, struct range *b) {
    struct range kept = *a;
    *a = *b;
    *b = kept;
}

static void sift_down(struct serve_merge *merge, uint32_t at) {
    for (;;) {
        uint32_t least = at;
        for (uint32_t child = 2 * at + 1; child <= 2 * at + 2 && child < merge->count; child++)
            if (compare(merge, &merge->ranges[child], &merge->ranges[least]) < 0)
                least = child;
        if (least == at)
            return;
        swap(&merge->ranges[at], &merge->ranges[least]);
        at = least;
    }
}

static void sift_up(struct serve_merge *merge, uint32_t at) {
    while (at > 0 && compare(merge, &merge->ranges[at], &merge->ranges[(at - 1) / 2]) < 0) {
        swap(&merge->ranges[at], &merge->ranges[(at - 1) / 2]);
        at = (at - 1) / 2;
    }
}

/* The next head of a range. A key too short to be compared is none of ours. */
static enum proto_error read_head(const struct serve_merge *merge, struct range *range) {
    enum proto_error error = store_scan_next(range->scan, &range->key, &range->value);
    if (error != PROTO_OK)
        return error;
    if (range->key.size < merge->sort_at + merge->sort_size)
        return PROTO_CORRUPT;
    return memcmp(range->key.data, range->prefix, merge->sort_at) == 0 ? PROTO_OK : PROTO_NOT_FOUND;
}

/* Where a range begins behind a position: the ranges before the position's own have given all rows of its sort value, those after it
 * none. Returns the size of the key; 0 when nothing can follow. */
static size_t first_key(const struct serve_merge *merge, const uint8_t *prefix, const struct serve_token *position,
                        uint8_t key[STORE_KEY_BYTES_MAX + 1]) {
    size_t size = merge->sort_at + merge->sort_size;
    int order = memcmp(prefix, position->position, merge->sort_at);
    if (order == 0) {
        memcpy(key, position->position, position->position_size);
        key[position->position_size] = 0;
        return position->position_size + 1;
    }
    memcpy(key, prefix, merge->sort_at);
    memcpy(key + merge->sort_at, position->position + merge->sort_at, merge->sort_size);
    if (order > 0)
        return size;
    for (size_t i = size; i > merge->sort_at; i--)
        if (++key[i - 1] != 0)
            return size;
    return 0;
}

enum proto_error serve_merge_add(struct serve_merge *merge, const uint8_t *prefix, const struct serve_token *position) {
    uint8_t from[STORE_KEY_BYTES_MAX + 1];
    size_t from_size = 0;
    assert(merge->count < merge->cap && !merge->begun);
    if (position) {
        if (position->position_size < merge->sort_at + merge->sort_size ||
            position->position_size >= STORE_KEY_BYTES_MAX)
            return PROTO_BAD_VALUE;
        from_size = first_key(merge, prefix, position, from);
        if (from_size == 0)
            return PROTO_OK;
    }
    struct range *range = &merge->ranges[merge->count];
    memcpy(range->prefix, prefix, merge->sort_at);
    enum proto_error error =
        store_scan_begin(merge->txn, merge->table, prefix, merge->sort_at, from_size ? from : prefix,
                         from_size ? from_size : merge->sort_at, false, &range->scan);
    if (error != PROTO_OK)
        return error;
    error = read_head(merge, range);
    if (error == PROTO_OK) {
        sift_up(merge, merge->count++);
        return PROTO_OK;
    }
    store_scan_end(range->scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* The prefix that follows; false when there is none. */
static bool next_prefix(uint8_t *prefix, size_t size) {
    for (size_t i = size; i > 0; i--)
        if (++prefix[i - 1] != 0)
            return true;
    return false;
}

enum proto_error serve_merge_add_all(struct serve_merge *merge, const uint8_t *cluster, size_t cluster_size) {
    uint8_t from[PREFIX_BYTES_MAX] = {0};
    enum proto_error error = PROTO_OK;
    assert(cluster_size < merge->sort_at && !merge->begun);
    memcpy(from, cluster, cluster_size);
    do {
        if (merge->count == merge->cap)
            return PROTO_CORRUPT; /* more ranges than there are */
        struct range *range = &merge->ranges[merge->count];
        error = store_scan_begin(merge->txn, merge->table, cluster, cluster_size, from, merge->sort_at, false,
                                 &range->scan);
        if (error != PROTO_OK)
            return error;
        error = store_scan_next(range->scan, &range->key, &range->value);
        if (error == PROTO_OK && range->key.size < merge->sort_at + merge->sort_size)
            error = PROTO_CORRUPT;
        if (error != PROTO_OK) {
            store_scan_end(range->scan);
            break;
        }
        memcpy(range->prefix, range->key.data, merge->sort_at);
        memcpy(from, range->prefix, merge->sort_at);
        sift_up(merge, merge->count++);
    } while (next_prefix(from, merge->sort_at));
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static void drop_first(struct serve_merge *merge) {
    store_scan_end(merge->ranges[0].scan);
    merge->ranges[0] = merge->ranges[--merge->count];
    sift_down(merge, 0);
}

enum proto_error serve_merge_next(struct serve_merge *merge, struct store_bytes *key, struct store_bytes *value) {
    if (merge->begun && !merge->dropped) {
        enum proto_error error = read_head(merge, &merge->ranges[0]);
        if (error == PROTO_NOT_FOUND)
            drop_first(merge);
        else if (error != PROTO_OK)
            return error;
        else
            sift_down(merge, 0);
    }
    merge->dropped = false;
    merge->begun = merge->count > 0;
    if (merge->count == 0)
        return PROTO_NOT_FOUND;
    *key = merge->ranges[0].key;
    *value = merge->ranges[0].value;
    return PROTO_OK;
}

void serve_merge_drop(struct serve_merge *merge) {
    assert(merge->begun && !merge->dropped && merge->count > 0);
    drop_first(merge);
    merge->dropped = true;
}

void serve_merge_free(struct serve_merge *merge) {
    for (uint32_t i = 0; merge && i < merge->count; i++)
        store_scan_end(merge->ranges[i].scan);
    free(merge);
}
