/*
 * sync_read.c - what link/ and serve/ read by record and cursor; and who this node is.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#include <openssl/evp.h>
#include <openssl/hmac.h>

#include "work/feed.h"

#define SITE_KEY_MARK "work.site-key"
#define SITE_KEY_BYTES 32

bool work_entry_is_system(struct store_bytes body) {
    return work_is_system(body);
}

/* --- where a record is -------------------------------------------------------------------------------- */

static bool scope_has(const struct work_scope *scope, const char *name) {
    for (uint32_t t = 0; t < scope->team_count; t++)
        if (strcmp(scope->teams[t], name) == 0)
            return true;
    return false;
}

static enum proto_error scope_has_number(struct store_txn *txn, const struct work_scope *scope, uint32_t team,
                                         bool *has) {
    *has = false;
    for (uint32_t t = 0; t < scope->team_count && !*has; t++) {
        struct proto_slice name = {scope->teams[t], (uint32_t)strlen(scope->teams[t])};
        uint32_t number = 0;
        enum proto_error error = work_team_find(txn, name, &number);
        if (error != PROTO_OK && error != PROTO_NOT_FOUND)
            return error;
        *has = error == PROTO_OK && number == team;
    }
    return PROTO_OK;
}

struct feed_look {
    struct work_reading reading;
    struct work_voids voids;
    struct work_feed feed;
    struct work_teams teams;
};

static bool know_fact(struct feed_look *look, struct store_txn *txn, const struct work_history_row *row,
                      enum proto_error *error) {
    struct store_event stored;
    struct work_event event;
    *error = store_read_event(txn, row->seq, &stored);
    if (*error != PROTO_OK || stored.body.size == 0)
        return *error == PROTO_OK;
    *error = work_event_load(stored.body, look->reading.arena, &look->reading.event, &event);
    if (*error != PROTO_OK)
        return false;
    event.seq = row->seq;
    event.received_at = stored.received_at;
    work_feed_know(&look->feed, &event);
    return true;
}

/* A record that is in other feeds than the one of its team: they are worked out from its registrations and moves. */
static enum proto_error look_into_feed(struct feed_look *look, struct store_txn *txn,
                                       const struct work_patient *patient, const struct work_scope *scope,
                                       const struct proto_id *record, bool *in) {
    struct proto_id members[WORK_MERGED_MAX];
    uint32_t count = 0;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error = work_voids_load(&look->voids, txn, &patient->super);
    if (error == PROTO_OK)
        error = work_patient_members(txn, patient, members, WORK_MERGED_MAX, &count);
    if (error != PROTO_OK)
        return error;
    if (count == 0)
        members[count++] = *record;
    work_feed_init(&look->feed, &look->teams, &look->voids);
    work_feed_know_members(&look->feed, members, count);
    for (uint32_t i = 0; i < look->voids.count; i++)
        work_feed_know_void(&look->feed, &look->voids.list[i]);
    error = store_scan_begin(txn, STORE_HISTORY, patient->root.bytes, PROTO_ID_BYTES, patient->root.bytes,
                             PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK && (row.kind == PROTO_KIND_patient_registered || row.kind == PROTO_KIND_patient_moved))
            (void)know_fact(look, txn, &row, &error);
    }
    store_scan_end(scan);
    if (error != PROTO_NOT_FOUND)
        return error;
    work_feed_settle(&look->feed);
    for (uint32_t i = 0; i < look->feed.member_count; i++)
        for (uint32_t t = 0; work_id_same(&look->feed.members[i].id, record) && t < look->feed.members[i].teams.count;
             t++)
            *in |= scope_has(scope, look->feed.members[i].teams.names[t]);
    return PROTO_OK;
}

static enum proto_error in_feed(struct store_txn *txn, const struct work_patient *patient,
                                const struct work_scope *scope, const struct proto_id *record, bool *in) {
    struct feed_look *look = work_alloc(sizeof *look);
    enum proto_error error =
        work_reading_init(&look->reading) ? look_into_feed(look, txn, patient, scope, record, in) : PROTO_BUSY;
    work_feed_free(&look->feed);
    work_voids_free(&look->voids);
    work_reading_deinit(&look->reading);
    free(look);
    return error;
}

enum proto_error work_record_state_get(struct work *work, struct store_txn *txn, const struct work_scope *scope,
                                       const struct proto_id *record, enum work_record_state *out) {
    struct work_patient patient;
    bool in = scope->all_teams;
    (void)work;
    *out = WORK_RECORD_IN;
    if (proto_id_is_zero(record))
        return PROTO_OK;
    *out = WORK_RECORD_UNKNOWN;
    enum proto_error error = work_patient_find(txn, record, &patient);
    if (error == PROTO_NOT_FOUND)
        return PROTO_OK;
    if (error == PROTO_OK && (patient.flags & WORK_PATIENT_ERASED)) {
        *out = WORK_RECORD_ERASED;
        return PROTO_OK;
    }
    if (error == PROTO_OK && !(patient.flags & WORK_PATIENT_REGISTERED))
        return PROTO_OK;          /* only named by another record */
    if (error == PROTO_OK && !in) /* by the feed, which time alone does not change: who has left must stay so */
        error = patient.flags & WORK_PATIENT_APART ? in_feed(txn, &patient, scope, record, &in)
                                                   : scope_has_number(txn, scope, patient.team, &in);
    *out = in ? WORK_RECORD_IN : WORK_RECORD_OUT;
    return error;
}

/* --- a record's events ------------------------------------------------------------------------------------ */

enum proto_error work_records_each(struct store_txn *txn, const struct proto_id *after,
                                   bool (*each)(void *arg, const struct proto_id *record), void *arg) {
    static const struct proto_id nobody;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    uint8_t from[PROTO_ID_BYTES + 1] = {0};
    if (!after && !each(arg, &nobody))
        return PROTO_OK;
    if (after)
        memcpy(from, after->bytes, PROTO_ID_BYTES);
    enum proto_error error =
        store_scan_begin(txn, STORE_PATIENTS, NULL, 0, from, after ? sizeof from : 0, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct proto_id record;
        if (key.size != PROTO_ID_BYTES) {
            error = PROTO_CORRUPT;
            break;
        }
        memcpy(record.bytes, key.data, PROTO_ID_BYTES);
        if (!each(arg, &record))
            break;
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

struct record_walk {
    struct store_txn *txn;
    struct work_record_place *place;
    bool (*each)(void *arg, const struct store_event *event);
    void *arg;
    struct proto_id record;
    struct work_reading reading;
    bool ended;
};

/* Gives one event when it is of the record. */
static enum proto_error walk_event(struct record_walk *w, uint64_t seq, const uint8_t *place, size_t place_size) {
    struct store_event stored;
    struct work_event event;
    enum proto_error error = store_read_event(w->txn, seq, &stored);
    if (error == PROTO_OK && stored.body.size && !work_is_system(stored.body)) {
        error = work_event_load(stored.body, w->reading.arena, &w->reading.event, &event);
        if (error == PROTO_OK) {
            struct proto_id record = work_event_record(&event);
            if (work_id_same(&record, &w->record))
                w->ended = !w->each(w->arg, &stored);
        }
    }
    assert(place_size <= sizeof w->place->bytes);
    w->place->size = (uint8_t)place_size;
    memcpy(w->place->bytes, place, place_size);
    return error;
}

/* Of no child: what everybody's feed has. */
static enum proto_error walk_everyone(struct record_walk *w) {
    uint8_t from[WORK_FEED_KEY_BYTES + 1] = {0};
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    size_t size = WORK_FEED_KEY_BYTES;
    work_feed_key(WORK_FEED_EVERYONE, 0, from);
    if (w->place->size) {
        size = sizeof from;
        memcpy(from + 4, w->place->bytes, 8);
    }
    enum proto_error error = store_scan_begin(w->txn, STORE_FEED, from, 4, from, size, false, &scan);
    while (error == PROTO_OK && !w->ended && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
        error = walk_event(w, work_get_u64(key.data + 4), key.data + 4, 8);
    store_scan_end(scan);
    return error;
}

static enum proto_error walk_history(struct record_walk *w) {
    struct proto_id root;
    uint8_t from[PROTO_ID_BYTES + WORK_PLACE_BYTES + 1] = {0};
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    size_t size = PROTO_ID_BYTES;
    enum proto_error error = work_root_find(w->txn, &w->record, &root);
    if (error != PROTO_OK)
        return error;
    memcpy(from, root.bytes, PROTO_ID_BYTES);
    if (w->place->size == WORK_PLACE_BYTES) {
        size = sizeof from;
        memcpy(from + PROTO_ID_BYTES, w->place->bytes, WORK_PLACE_BYTES);
    }
    error = store_scan_begin(w->txn, STORE_HISTORY, root.bytes, PROTO_ID_BYTES, from, size, false, &scan);
    while (error == PROTO_OK && !w->ended && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK)
            error = walk_event(w, row.seq, key.data + PROTO_ID_BYTES, WORK_PLACE_BYTES);
    }
    store_scan_end(scan);
    return error;
}

enum proto_error work_record_events(struct work *work, struct store_txn *txn, const struct proto_id *record,
                                    struct work_record_place *place,
                                    bool (*each)(void *arg, const struct store_event *event), void *arg) {
    struct record_walk *w = work_alloc(sizeof *w);
    (void)work;
    *w = (struct record_walk){.txn = txn, .place = place, .each = each, .arg = arg, .record = *record};
    enum proto_error error = work_reading_init(&w->reading) ? PROTO_OK : PROTO_BUSY;
    if (error == PROTO_OK)
        error = proto_id_is_zero(record) ? walk_everyone(w) : walk_history(w);
    work_reading_deinit(&w->reading);
    free(w);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* --- cursors ---------------------------------------------------------------------------------------------------- */

enum proto_error work_cursor_at(struct work *work, struct store_txn *txn, uint64_t seq, struct proto_position *out) {
    struct store_identity identity;
    store_identity_get(work->store, &identity);
    *out = (struct proto_position){.log = identity.log, .seq = seq};
    return store_read_chain(txn, seq, out->chain);
}

enum proto_error work_cursor_check(struct work *work, struct store_txn *txn, const struct proto_position *cursor) {
    struct proto_position ours;
    enum proto_error error = work_cursor_at(work, txn, cursor->seq, &ours);
    if (error == PROTO_NOT_FOUND)
        return PROTO_DIVERGED;
    if (error != PROTO_OK)
        return error;
    bool same = work_id_same(&ours.log, &cursor->log) && memcmp(ours.chain, cursor->chain, PROTO_HASH_BYTES) == 0;
    return same ? PROTO_OK : PROTO_DIVERGED;
}

/* --- receipts ------------------------------------------------------------------------------------------------------ */

enum proto_error work_site_key_load(struct work *work) {
    struct store_log *log = NULL;
    struct store_bytes held;
    enum proto_error error = store_log_begin(work->store, &log);
    if (error != PROTO_OK)
        return error;
    error = store_log_mark_read(log, SITE_KEY_MARK, &held);
    if (error == PROTO_OK && held.size == SITE_KEY_BYTES) {
        memcpy(work->site_key, held.data, SITE_KEY_BYTES);
        store_log_abort(log);
        return PROTO_OK;
    }
    work->options.seams.entropy(work->options.seams.arg, work->site_key, SITE_KEY_BYTES);
    error = store_log_mark_put(log, SITE_KEY_MARK, work->site_key, SITE_KEY_BYTES);
    if (error == PROTO_OK)
        return store_log_commit(log);
    store_log_abort(log);
    return error;
}

void work_receipt_make(struct work *work, const struct proto_id *id, struct store_bytes bytes, int64_t received_at,
                       uint8_t out[WORK_RECEIPT_BYTES]) {
    uint8_t said[PROTO_ID_BYTES + PROTO_HASH_BYTES + 8], mac[EVP_MAX_MD_SIZE];
    unsigned size = 0;
    memcpy(said, id->bytes, PROTO_ID_BYTES);
    proto_hash(bytes.data, bytes.size, said + PROTO_ID_BYTES);
    work_put_i64(said + PROTO_ID_BYTES + PROTO_HASH_BYTES, received_at);
    const uint8_t *done = HMAC(EVP_sha256(), work->site_key, SITE_KEY_BYTES, said, sizeof said, mac, &size);
    assert(done && size >= WORK_RECEIPT_BYTES);
    memcpy(out, mac, WORK_RECEIPT_BYTES);
}

/* --- the node's own entries --------------------------------------------------------------------------------------- */

enum proto_error work_system_each(struct store_txn *txn, enum work_system_type type, uint64_t before,
                                  bool (*each)(void *arg, const struct work_system_row *row), void *arg) {
    uint8_t prefix[1] = {(uint8_t)type}, from[WORK_SYSTEM_KEY_BYTES + 1] = {0};
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct store_event stored;
    struct work_system_row row;
    work_system_key((uint8_t)type, before, from);
    enum proto_error error = store_scan_begin(txn, STORE_SYSTEM, prefix, 1, from,
                                              before == UINT64_MAX ? sizeof from : WORK_SYSTEM_KEY_BYTES, true, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        bool shown = false;
        uint64_t settles = 0;
        error = store_read_event(txn, work_get_u64(key.data + 1), &stored);
        if (error == PROTO_OK && stored.body.size == 0)
            continue; /* on its way out */
        if (error == PROTO_OK)
            error = work_system_read(stored.body, &row, NULL, &shown, &settles);
        row.seq = stored.seq;
        if (error == PROTO_OK && !each(arg, &row))
            break;
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* --- this node --------------------------------------------------------------------------------------------------------- */

struct proto_id work_node(const struct work *work) {
    struct work *own = (struct work *)(uintptr_t)work; /* a lock is not part of what is asked about */
    pthread_mutex_lock(&own->id_lock);
    struct proto_id node = own->node;
    pthread_mutex_unlock(&own->id_lock);
    return node;
}

void work_node_renew_now(struct work *work) {
    struct store_log *log = NULL;
    struct proto_id node;
    work_make_id(work, work->options.seams.now_ms(work->options.seams.arg), &node);
    enum proto_error error = store_log_begin(work->store, &log);
    if (error == PROTO_OK) {
        error = store_log_renew_node(log, &node);
        if (error == PROTO_OK)
            error = store_log_commit(log);
        else
            store_log_abort(log);
    }
    if (error == PROTO_OK) {
        pthread_mutex_lock(&work->id_lock);
        work->node = node;
        pthread_mutex_unlock(&work->id_lock);
    } else if (error != PROTO_FULL) {
        work_break(work, error, "the log");
    }
    pthread_mutex_lock(&work->lock);
    work->renewing = false;
    work->renewed = error;
    pthread_cond_signal(&work->renew_done);
    pthread_mutex_unlock(&work->lock);
}

enum proto_error work_renew_node(struct work *work) {
    if (atomic_load(&work->phase) != WORK_PHASE_READY)
        return PROTO_REBUILDING;
    if (work->options.workers == 0) {
        work_node_renew_now(work);
        return work->renewed;
    }
    pthread_mutex_lock(&work->lock);
    work->renewing = !work->stop;
    work->renewed = PROTO_STOPPING;
    pthread_cond_signal(&work->log_wake);
    while (work->renewing)
        pthread_cond_wait(&work->renew_done, &work->lock);
    enum proto_error error = work->renewed;
    pthread_mutex_unlock(&work->lock);
    return error;
}

void work_set_clock_offset(struct work *work, int64_t offset_ms) {
    atomic_store(&work->clock_offset, offset_ms);
}

uint64_t work_log_seq(const struct work *work) {
    return atomic_load(&work->log_seq);
}
