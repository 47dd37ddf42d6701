/*
 * digest.c - hashes of events, added up by record.
 */
#include "work/digest.h"

#include <assert.h>

#include "work/inside.h"

void work_event_hash(struct store_bytes bytes, uint8_t out[PROTO_HASH_BYTES]) {
    proto_hash(bytes.data, bytes.size, out);
}

void work_digest_add(struct work_digest *digest, const struct work_event *event) {
    uint8_t named[PROTO_ID_BYTES + PROTO_HASH_BYTES], term[PROTO_HASH_BYTES];
    assert(event->size > 0 && digest->count < UINT32_MAX);
    memcpy(named, event->id.bytes, PROTO_ID_BYTES);
    work_event_hash((struct store_bytes){event->bytes, event->size}, named + PROTO_ID_BYTES);
    proto_hash(named, sizeof named, term);
    unsigned carry = 0;
    for (size_t i = PROTO_HASH_BYTES; i-- > 0; carry >>= 8) {
        carry += (unsigned)digest->sum[i] + term[i];
        digest->sum[i] = (uint8_t)carry;
    }
    digest->count++;
}

void work_digest_row(const struct proto_id *record, const struct work_digest *digest, struct work_rows *rows) {
    if (digest->count == 0)
        return;
    work_rows_begin(rows, STORE_DIGESTS);
    work_add_id(&rows->bytes, record);
    work_rows_value(rows);
    work_add_u8(&rows->bytes, WORK_ROW_FORMAT);
    work_add_u32(&rows->bytes, digest->count);
    work_buffer_add(&rows->bytes, digest->sum, sizeof digest->sum);
    work_rows_end(rows);
}

static void add_of(struct work_digest *digest, const struct proto_id *record, struct work_event **events,
                   uint32_t count) {
    for (uint32_t i = 0; i < count; i++) {
        struct proto_id named = work_event_record(events[i]);
        if (work_id_same(&named, record))
            work_digest_add(digest, events[i]);
    }
}

void work_digest_rows(const struct proto_id *records, uint32_t record_count, struct work_event **events, uint32_t count,
                      struct work_rows *rows) {
    for (uint32_t r = 0; r < record_count; r++) {
        struct work_digest digest = {0};
        add_of(&digest, &records[r], events, count);
        work_digest_row(&records[r], &digest, rows);
    }
}

enum proto_error work_digest_more(struct store_txn *txn, const struct proto_id *records, uint32_t record_count,
                                  struct work_event **events, uint32_t count, struct work_rows *old_rows,
                                  struct work_rows *new_rows) {
    for (uint32_t r = 0; r < record_count && count > 0; r++) {
        struct work_digest digest;
        enum proto_error error = work_digest_get(txn, &records[r], &digest);
        if (error != PROTO_OK)
            return error;
        work_digest_row(&records[r], &digest, old_rows);
        add_of(&digest, &records[r], events, count);
        work_digest_row(&records[r], &digest, new_rows);
    }
    return PROTO_OK;
}

/* --- events of no child ------------------------------------------------------------------------------ */

static enum proto_error count_stored(const struct work_batch *batch, struct store_txn *txn,
                                     struct work_reading *reading, uint64_t seq, struct work_digest *digest) {
    struct store_event stored;
    struct work_event event;
    enum proto_error error = store_read_event(txn, seq, &stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (stored.body.size == 0 || work_is_system(stored.body) || work_drops_have(&batch->drops, seq))
        return PROTO_OK;
    error = work_event_load(stored.body, reading->arena, &reading->event, &event);
    if (error == PROTO_OK && work_event_is_common(&event))
        work_digest_add(digest, &event);
    return error;
}

/* From everybody's feed, where all of them are. */
static enum proto_error count_anew(const struct work_batch *batch, struct store_txn *txn, struct work_reading *reading,
                                   struct work_digest *digest) {
    uint8_t from[WORK_FEED_KEY_BYTES];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    work_feed_key(WORK_FEED_EVERYONE, 0, from);
    enum proto_error error = store_scan_begin(txn, STORE_FEED, from, 4, from, 4, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        error = count_stored(batch, txn, reading, work_get_u64(key.data + 4), digest);
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Events and entries that go are in nobody's feed any more; *any says whether there are some. */
static enum proto_error drop_feed_rows(struct work_batch *batch, struct store_txn *txn, bool *any) {
    *any = false;
    for (uint32_t i = 0; i < batch->removed.count; i++) {
        uint8_t key[WORK_FEED_KEY_BYTES];
        struct store_bytes value;
        work_feed_key(WORK_FEED_EVERYONE, batch->removed.list[i].seq, key);
        enum proto_error error = store_get(txn, STORE_FEED, key, sizeof key, &value);
        if (error == PROTO_NOT_FOUND)
            continue;
        if (error != PROTO_OK)
            return error;
        work_op_delete(&batch->ops, STORE_FEED, (struct store_bytes){key, sizeof key});
        *any = true;
    }
    return PROTO_OK;
}

enum proto_error work_digest_common(struct work_batch *batch, struct store_txn *txn, struct work_reading *reading) {
    static const struct proto_id nobody;
    struct work_digest digest = {0};
    bool dropped, more = false;
    enum proto_error error = drop_feed_rows(batch, txn, &dropped);
    if (error != PROTO_OK)
        return error;
    for (uint32_t i = 0; i < batch->new_count; i++)
        more |= work_event_is_common(&batch->new_events[i]->event);
    if (!more && !dropped)
        return PROTO_OK;
    error = dropped ? count_anew(batch, txn, reading, &digest) : work_digest_get(txn, &nobody, &digest);
    for (uint32_t i = 0; i < batch->new_count; i++) {
        const struct work_event *event = &batch->new_events[i]->event;
        if (work_event_is_common(event) && !work_drops_have(&batch->drops, event->seq))
            work_digest_add(&digest, event);
    }
    if (digest.count == 0)
        work_op_delete(&batch->ops, STORE_DIGESTS, (struct store_bytes){nobody.bytes, PROTO_ID_BYTES});
    work_digest_row(&nobody, &digest, &batch->rows);
    return error;
}

/* --- reading ------------------------------------------------------------------------------------------ */

enum proto_error work_digest_get(struct store_txn *txn, const struct proto_id *record, struct work_digest *out) {
    struct store_bytes value;
    *out = (struct work_digest){0};
    enum proto_error error = store_get(txn, STORE_DIGESTS, record->bytes, PROTO_ID_BYTES, &value);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_OK : error;
    struct work_reader r = work_reader_of(value);
    uint8_t format = work_take_u8(&r);
    out->count = work_take_u32(&r);
    const uint8_t *sum = work_take(&r, sizeof out->sum);
    if (!sum || format != WORK_ROW_FORMAT || work_reader_left(&r) > 0)
        return PROTO_CORRUPT;
    memcpy(out->sum, sum, sizeof out->sum);
    return PROTO_OK;
}
