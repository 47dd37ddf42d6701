/*
 * scan.c - the bounds scan, and the check that a text is UTF-8.
 *
 * What always holds: no byte at or after `size` is read; `at` stands between two values, so that a scan can be taken
 * up again when more bytes have come; a string is looked at once, when all of it is there.
 */
#include "proto/scan.h"

#include "proto/text.h"

/* What a first byte says: how many bytes of header follow it, and what they count. */
enum shape { SHAPE_DATA, SHAPE_TEXT, SHAPE_BYTES, SHAPE_ARRAY, SHAPE_MAP, SHAPE_REFUSED };

struct head {
    enum shape shape;
    uint8_t size_bytes; /* bytes of a big-endian count behind the first byte */
    uint32_t count;     /* DATA: bytes that follow; else, when size_bytes is 0, the count itself */
};

/* 0xc0 to 0xdf: the only part of the byte map that is not one long run. */
static const struct head heads[32] = {
    {SHAPE_DATA, 0, 0},    {SHAPE_REFUSED, 0, 0}, {SHAPE_DATA, 0, 0},
    {SHAPE_DATA, 0, 0},                                                  /* nil, never used, false, true */
    {SHAPE_BYTES, 1, 0},   {SHAPE_BYTES, 2, 0},   {SHAPE_BYTES, 4, 0},   /* bin */
    {SHAPE_REFUSED, 0, 0}, {SHAPE_REFUSED, 0, 0}, {SHAPE_REFUSED, 0, 0}, /* ext */
    {SHAPE_DATA, 0, 4},    {SHAPE_DATA, 0, 8},                           /* float */
    {SHAPE_DATA, 0, 1},    {SHAPE_DATA, 0, 2},    {SHAPE_DATA, 0, 4},
    {SHAPE_DATA, 0, 8}, /* uint */
    {SHAPE_DATA, 0, 1},    {SHAPE_DATA, 0, 2},    {SHAPE_DATA, 0, 4},
    {SHAPE_DATA, 0, 8}, /* int */
    {SHAPE_REFUSED, 0, 0}, {SHAPE_REFUSED, 0, 0}, {SHAPE_REFUSED, 0, 0},
    {SHAPE_REFUSED, 0, 0}, /* fixext */
    {SHAPE_REFUSED, 0, 0}, {SHAPE_TEXT, 1, 0},    {SHAPE_TEXT, 2, 0},
    {SHAPE_TEXT, 4, 0}, /* str */
    {SHAPE_ARRAY, 2, 0},   {SHAPE_ARRAY, 4, 0},   {SHAPE_MAP, 2, 0},
    {SHAPE_MAP, 4, 0},
};

static struct head head_of(uint8_t first) {
    if (first < 0x80 || first >= 0xe0)
        return (struct head){SHAPE_DATA, 0, 0};
    if (first >= 0xc0)
        return heads[first - 0xc0];
    if (first >= 0xa0)
        return (struct head){SHAPE_TEXT, 0, first & 0x1fu};
    return (struct head){first >= 0x90 ? SHAPE_ARRAY : SHAPE_MAP, 0, first & 0x0fu};
}

static uint32_t read_count(const uint8_t *bytes, uint8_t size_bytes) {
    uint32_t count = 0;
    for (uint8_t i = 0; i < size_bytes; i++)
        count = count << 8 | bytes[i];
    return count;
}

/* Opens an array or map of `children` values; `room` is what the message bound leaves for them. */
static enum proto_error open_container(struct proto_scan *scan, uint64_t children, size_t room) {
    if (scan->depth == PROTO_NESTING_MAX || children > room || children > PROTO_NODES_MAX - scan->nodes)
        return PROTO_TOO_LARGE;
    scan->nodes += (uint32_t)children; /* counted when claimed, so that a claim is refused before it costs anything */
    scan->left[++scan->depth] = (uint32_t)children;
    return PROTO_OK;
}

/* Scans one header and, of anything but an array or map, all of its value. PROTO_TRUNCATED leaves the scan as it was. */
static enum proto_error scan_one(struct proto_scan *scan, const uint8_t *bytes, size_t size, size_t bytes_max) {
    struct head head = head_of(bytes[scan->at]);
    size_t head_bytes = 1u + head.size_bytes;
    if (head.shape == SHAPE_REFUSED)
        return PROTO_BAD_MESSAGE;
    if (head_bytes > bytes_max - scan->at)
        return PROTO_TOO_LARGE;
    if (head_bytes > size - scan->at)
        return PROTO_TRUNCATED;
    if (head.size_bytes)
        head.count = read_count(bytes + scan->at + 1, head.size_bytes);
    size_t room = bytes_max - scan->at - head_bytes;
    if (head.shape >= SHAPE_ARRAY) {
        enum proto_error error =
            open_container(scan, head.shape == SHAPE_MAP ? 2 * (uint64_t)head.count : head.count, room);
        if (error == PROTO_OK)
            scan->at += head_bytes;
        return error;
    }
    if (head.count > room)
        return PROTO_TOO_LARGE;
    if (head.count > size - scan->at - head_bytes)
        return PROTO_TRUNCATED;
    if (head.shape == SHAPE_TEXT && !proto_text_is_utf8(bytes + scan->at + head_bytes, head.count))
        return PROTO_BAD_MESSAGE;
    scan->at += head_bytes + head.count;
    return PROTO_OK;
}

/* Takes the small numbers and short texts that stand next, which are most of what there is; stops before anything else. */
static void scan_run(struct proto_scan *scan, const uint8_t *bytes, size_t end) {
    uint32_t left = scan->left[scan->depth];
    size_t at = scan->at;
    while (left > 0 && at < end) {
        uint8_t first = bytes[at];
        size_t step = 1;
        if (first >= 0x80 && first < 0xe0) {
            if (first < 0xa0 || first >= 0xc0)
                break;
            step += first & 0x1fu;
            if (step > end - at || !proto_text_is_utf8(bytes + at + 1, step - 1))
                break;
        }
        at += step;
        left--;
    }
    scan->left[scan->depth] = left;
    scan->at = at;
}

enum proto_error proto_scan_value(struct proto_scan *scan, const uint8_t *bytes, size_t size, size_t bytes_max,
                                  size_t *size_out) {
    if (!scan->started)
        *scan = (struct proto_scan){.started = 1, .nodes = 1, .left = {1}};
    for (;;) {
        scan_run(scan, bytes, size < bytes_max ? size : bytes_max);
        while (scan->left[scan->depth] == 0) {
            if (scan->depth == 0) {
                *size_out = scan->at;
                return PROTO_OK;
            }
            scan->depth--;
        }
        if (scan->at >= bytes_max)
            return PROTO_TOO_LARGE;
        if (scan->at >= size)
            return PROTO_TRUNCATED;
        uint32_t *left = &scan->left[scan->depth];
        enum proto_error error = scan_one(scan, bytes, size, bytes_max);
        if (error != PROTO_OK)
            return error;
        --*left;
    }
}
