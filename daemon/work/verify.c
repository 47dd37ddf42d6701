/*
 * verify.c - is every derived row what the log says it must be?
 *
 * What always holds: it reads no clock (each child is folded to where its stored state was folded to, each schedule planned
 * with the context it names) and writes nothing; equal rows and equal numbers of rows in every table mean equal tables.
 */
#include "work/work.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>

#include "work/class.h"
#include "work/gather.h"
#include "work/inside.h"
#include "work/subject.h"

#define COUNT_KEY_BYTES 10

struct verified_count {
    uint8_t key[COUNT_KEY_BYTES];
    uint64_t number;
};

struct verifying {
    struct store_txn *txn;
    const struct care_zones *zones;
    struct proto_fault *fault;
    struct work_hand hand;
    struct work_gather gather;
    struct work_teams teams;
    struct work_meta meta;
    struct work_context **contexts; /* by sequence; made when first asked for */
    struct work_entry *entries;
    struct work_event **events;
    uint32_t entry_cap;
    struct verified_count *counts;
    uint32_t count_count, count_cap;
    uint64_t rows[STORE_TABLE_COUNT], children;
};

static const char *const table_names[STORE_TABLE_COUNT] = {
    "teams",   "patients", "states",      "schedules", "tasks",   "alerts",  "history", "checkpoints",
    "voids",   "labels",   "identifiers", "born",      "lots",    "devices", "context", "tally",
    "waiting", "feed",     "levels",      "meta",      "digests", "system"};

/* --- differences ------------------------------------------------------------------------------------- */

static enum proto_error differs(struct verifying *v, enum store_table table, struct store_bytes key, const char *how) {
    char hex[2 * 48 + 1] = "";
    for (size_t i = 0; i < key.size && i < 48; i++)
        (void)snprintf(hex + 2 * i, 3, "%02x", key.data[i]);
    return proto_fault_set(v->fault, PROTO_CORRUPT, NULL, "A row of %s %s: key %s.", table_names[table], how, hex);
}

static enum proto_error expect(struct verifying *v, enum store_table table, struct store_bytes key,
                               struct store_bytes value) {
    struct store_bytes held;
    enum proto_error error = store_get(v->txn, table, key.data, key.size, &held);
    v->rows[table]++;
    if (error == PROTO_NOT_FOUND)
        return differs(v, table, key, "is missing");
    if (error != PROTO_OK)
        return error;
    if (held.size != value.size || memcmp(held.data, value.data, value.size) != 0)
        return differs(v, table, key, "is not what the log says");
    return PROTO_OK;
}

static void note_count(struct verifying *v, struct store_bytes key) {
    WORK_ARRAY_ROOM(v->counts, v->count_count, v->count_cap);
    assert(key.size == COUNT_KEY_BYTES);
    memcpy(v->counts[v->count_count].key, key.data, COUNT_KEY_BYTES);
    v->counts[v->count_count++].number = 1;
}

static enum proto_error expect_rows(struct verifying *v, struct work_rows *rows) {
    enum proto_error error = PROTO_OK;
    work_rows_sort(rows);
    for (uint32_t i = 0; i < rows->count && error == PROTO_OK; i++) {
        const struct work_row *row = &rows->list[i];
        if (row->table == STORE_TALLY)
            note_count(v, work_row_key(rows, row));
        else
            error = expect(v, (enum store_table)row->table, work_row_key(rows, row), work_row_value(rows, row));
    }
    return error;
}

/* --- contexts ------------------------------------------------------------------------------------------- */

static enum proto_error context_at(struct verifying *v, uint64_t seq, struct work_context **out) {
    if (seq > v->meta.context_seq)
        return proto_fault_set(v->fault, PROTO_CORRUPT, NULL, "A schedule names a context that there never was.");
    enum proto_error error = PROTO_OK;
    if (!v->contexts[seq])
        error = work_context_load(v->txn, &v->hand.reading, seq, &v->contexts[seq]);
    *out = v->contexts[seq];
    return error;
}

/* When a context event took effect is its row's own word: it is checked to be there, and to be possible. */
static enum proto_error expect_context(struct verifying *v) {
    static const struct proto_id nobody;
    struct work_rows rows = {0};
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < v->gather.context.count && error == PROTO_OK; i++) {
        const struct work_event *event = v->gather.context.list[i];
        struct store_bytes held;
        work_context_row(event, 0, &rows);
        struct store_bytes key = work_row_key(&rows, &rows.list[rows.count - 1]);
        error = store_get(v->txn, STORE_CONTEXT, key.data, key.size, &held);
        if (error == PROTO_NOT_FOUND)
            error = differs(v, STORE_CONTEXT, key, "is missing");
        if (error != PROTO_OK)
            break;
        uint64_t seq = held.size >= 8 ? work_get_u64(held.data + held.size - 8) : UINT64_MAX;
        if (seq > v->meta.context_seq)
            error = differs(v, STORE_CONTEXT, key, "names a context that there never was");
        rows.count--;
        work_context_row(event, seq, &rows);
        if (seq == 0)
            work_waiting_row(&nobody, &event->id, event->at, event->seq, &rows);
    }
    if (error == PROTO_OK)
        error = expect_rows(v, &rows);
    work_rows_free(&rows);
    return error;
}

/* --- children --------------------------------------------------------------------------------------------- */

/* With no replanning under way every stored schedule is what the present context makes of the child. */
static enum proto_error expect_settled(struct verifying *v, const struct proto_id *root, uint64_t planned_with) {
    struct work_context *context = NULL;
    struct care_context of_team;
    if (v->meta.settling.active || planned_with == v->meta.context_seq)
        return PROTO_OK;
    enum proto_error error = context_at(v, v->meta.context_seq, &context);
    if (error != PROTO_OK)
        return error;
    work_context_of(context, v->hand.state->profile.team, v->zones, &of_team);
    care_plan(v->hand.state, &of_team, v->hand.before);
    work_rows_clear(&v->hand.old_rows);
    work_schedule_row(root, planned_with, v->hand.before, &v->hand.old_rows);
    error = expect_rows(v, &v->hand.old_rows);
    v->rows[STORE_SCHEDULES]--; /* counted once already */
    return error;
}

static enum proto_error plan_as_stored(struct verifying *v, const struct proto_id *root, uint64_t *planned_with) {
    struct work_context *context = NULL;
    struct care_context of_team;
    enum proto_error error = work_schedule_read(v->txn, root, v->hand.stored, planned_with);
    if (error != PROTO_OK)
        return differs(v, STORE_SCHEDULES, (struct store_bytes){root->bytes, PROTO_ID_BYTES}, "is missing or broken");
    error = context_at(v, *planned_with, &context);
    if (error != PROTO_OK)
        return error;
    work_context_of(context, v->hand.state->profile.team, v->zones, &of_team);
    care_plan(v->hand.state, &of_team, v->hand.after);
    return PROTO_OK;
}

static enum proto_error expect_class(struct verifying *v, struct work_classes *classes,
                                     const struct work_class *class) {
    struct work_hand *hand = &v->hand;
    struct work_state_head head;
    struct work_fold fold;
    uint64_t planned_with = 0;
    enum proto_error error = work_state_head_find(v->txn, &class->root, &head);
    if (error != PROTO_OK)
        return differs(v, STORE_STATES, (struct store_bytes){class->root.bytes, PROTO_ID_BYTES},
                       "is missing or broken");
    error = work_class_fold(classes, class, &hand->reading, hand->state, work_place_at(&head.last), &fold);
    if (error == PROTO_OK)
        error = plan_as_stored(v, &class->root, &planned_with);
    struct work_subject is = {class->root, class->shown, 0, hand->state, hand->after};
    if (error == PROTO_OK && !work_teams_find(&v->teams, hand->after->team, &is.team))
        error = proto_fault_set(v->fault, PROTO_CORRUPT, NULL, "The team %s has no number.", hand->after->team);
    if (error == PROTO_OK) {
        work_rows_clear(&hand->new_rows);
        work_feed_flag(&hand->feed, classes, class, hand->after->team);
        work_class_rows(classes, class, &fold, is.team, &hand->new_rows);
        work_subject_rows(&is, &hand->new_rows);
        work_schedule_row(&class->root, planned_with, hand->after, &hand->new_rows);
        error = expect_rows(v, &hand->new_rows);
    }
    if (error == PROTO_OK)
        error = expect_settled(v, &class->root, planned_with);
    work_fold_free(&fold);
    v->children++;
    return error;
}

static enum proto_error load_events(struct verifying *v, const struct work_gathered *super) {
    if (super->count > v->entry_cap) {
        v->entry_cap = (uint32_t)super->count;
        v->entries = work_grow(v->entries, sizeof *v->entries * v->entry_cap);
        v->events = work_grow(v->events, sizeof *v->events * v->entry_cap);
    }
    for (uint64_t i = 0; i < super->count; i++) {
        struct store_event stored;
        struct work_event *event = &v->entries[i].event;
        enum proto_error error = store_read_event(v->txn, v->gather.seqs[super->first + i], &stored);
        if (error == PROTO_OK)
            error = work_event_load(stored.body, v->hand.reading.arena, &v->hand.reading.event, event);
        if (error != PROTO_OK)
            return error;
        event->seq = stored.seq;
        event->received_at = stored.received_at;
        work_event_part_erased(event, &v->gather.erased);
        v->events[i] = event;
    }
    return PROTO_OK;
}

static enum proto_error expect_feed(struct verifying *v, const struct work_classes *classes,
                                    const struct work_gathered *super) {
    struct work_hand *hand = &v->hand;
    work_rows_clear(&hand->new_rows);
    work_feed_free(&hand->feed);
    work_feed_init(&hand->feed, &v->teams, &classes->voids);
    enum proto_error error = work_feed_all(&hand->feed, v->events, (uint32_t)super->count, 0, &hand->new_rows);
    return error == PROTO_OK ? expect_rows(v, &hand->new_rows) : error;
}

static enum proto_error expect_loose(struct verifying *v) {
    work_rows_clear(&v->hand.new_rows);
    work_gather_system_rows(&v->gather, &v->hand.new_rows);
    for (uint64_t i = 0; i < v->gather.loose_count; i++)
        work_feed_row(WORK_FEED_EVERYONE, v->gather.loose[i], &v->hand.new_rows);
    return expect_rows(v, &v->hand.new_rows);
}

static enum proto_error expect_children(struct verifying *v) {
    enum proto_error error = PROTO_OK;
    for (uint32_t s = 0; s < v->gather.super_count && error == PROTO_OK; s++) {
        struct work_classes classes;
        error = load_events(v, &v->gather.supers[s]);
        if (error == PROTO_OK)
            error = work_classes_make(&classes, &v->hand.reading, v->events, (uint32_t)v->gather.supers[s].count);
        if (error != PROTO_OK)
            break;
        error = expect_feed(v, &classes, &v->gather.supers[s]);
        for (uint32_t c = 0; c < classes.count && error == PROTO_OK; c++)
            error = expect_class(v, &classes, &classes.list[c]);
        work_classes_free(&classes);
    }
    return error;
}

/* --- the rest ------------------------------------------------------------------------------------------------ */

static int by_key(const void *a, const void *b) {
    const struct verified_count *x = a, *y = b;
    return memcmp(x->key, y->key, COUNT_KEY_BYTES);
}

static enum proto_error expect_counts(struct verifying *v) {
    enum proto_error error = PROTO_OK;
    if (v->count_count > 1)
        qsort(v->counts, v->count_count, sizeof *v->counts, by_key);
    for (uint32_t i = 0, next; i < v->count_count && error == PROTO_OK; i = next) {
        uint8_t value[9] = {WORK_ROW_FORMAT};
        for (next = i + 1; next < v->count_count && by_key(&v->counts[i], &v->counts[next]) == 0; next++)
            v->counts[i].number++;
        work_put_u64(value + 1, v->counts[i].number);
        error = expect(v, STORE_TALLY, (struct store_bytes){v->counts[i].key, COUNT_KEY_BYTES},
                       (struct store_bytes){value, sizeof value});
    }
    return error;
}

static enum proto_error expect_teams_and_meta(struct verifying *v) {
    struct work_rows rows = {0};
    enum proto_error error = PROTO_OK;
    for (uint32_t i = 0; i < v->gather.team_count && error == PROTO_OK; i++) {
        uint32_t number = 0;
        if (work_teams_find(&v->teams, v->gather.teams[i], &number))
            work_team_row(v->gather.teams[i], number, &rows);
        else
            error = proto_fault_set(v->fault, PROTO_CORRUPT, NULL, "The team %s has no number.", v->gather.teams[i]);
    }
    for (uint32_t i = 0; i < v->teams.count && error == PROTO_OK; i++)
        for (uint32_t k = 0; k < i && error == PROTO_OK; k++)
            if (v->teams.numbers[i] == v->teams.numbers[k])
                error = proto_fault_set(v->fault, PROTO_CORRUPT, NULL, "The teams %s and %s have one number.",
                                        v->teams.names[i], v->teams.names[k]);
    work_meta_rules_row(v->zones, &rows);
    if (v->meta.context_seq)
        work_meta_number_row(WORK_META_CONTEXT, v->meta.context_seq, &rows);
    if (v->children)
        work_meta_number_row(WORK_META_CHILDREN, v->children, &rows);
    if (v->meta.settling.active)
        work_meta_settling_row(&v->meta.settling, &rows);
    if (error == PROTO_OK)
        error = expect_rows(v, &rows);
    work_rows_free(&rows);
    return error;
}

static enum proto_error count_tables(struct verifying *v) {
    for (int t = 0; t < STORE_TABLE_COUNT; t++) {
        struct store_scan *scan = NULL;
        struct store_bytes key, value;
        uint64_t held = 0;
        enum proto_error error = store_scan_begin(v->txn, (enum store_table)t, NULL, 0, NULL, 0, false, &scan);
        while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK)
            held++;
        store_scan_end(scan);
        if (error != PROTO_NOT_FOUND)
            return error;
        if (t == STORE_TEAMS && v->gather.gone) /* a team keeps its number when the last that named it has gone */
            continue;
        if (held != v->rows[t])
            return proto_fault_set(v->fault, PROTO_CORRUPT, NULL,
                                   "The table %s holds %llu rows where the log makes %llu.", table_names[t],
                                   (unsigned long long)held, (unsigned long long)v->rows[t]);
    }
    return PROTO_OK;
}

static enum proto_error verify_view(struct verifying *v) {
    enum proto_error error = work_meta_read(v->txn, v->zones, &v->meta);
    uint64_t end = store_txn_seq(v->txn);
    if (error != PROTO_OK || end == 0 || !v->meta.known || !v->meta.current)
        return error; /* nothing derived, or by other rules: the next start makes it anew */
    v->contexts = work_alloc(sizeof *v->contexts * (v->meta.context_seq + 1));
    error = work_teams_load(&v->teams, v->txn);
    if (error == PROTO_OK)
        error = work_drop_pending(v->txn, &v->hand.reading, end, &v->gather.dropped);
    for (uint64_t seq = 1; seq <= end && error == PROTO_OK; seq++) {
        struct store_event stored;
        error = store_read_event(v->txn, seq, &stored);
        if (error == PROTO_OK)
            error = work_gather_add(&v->gather, &v->hand.reading, &stored);
    }
    work_gather_finish(&v->gather);
    if (error == PROTO_OK)
        error = expect_context(v);
    if (error == PROTO_OK)
        error = expect_loose(v);
    if (error == PROTO_OK)
        error = expect_children(v);
    if (error == PROTO_OK)
        error = expect_counts(v);
    if (error == PROTO_OK)
        error = expect_teams_and_meta(v);
    return error == PROTO_OK ? count_tables(v) : error;
}

static void free_all(struct verifying *v) {
    for (uint64_t c = 0; v->contexts && c <= v->meta.context_seq; c++)
        work_context_release(v->contexts[c]);
    free(v->contexts);
    free(v->entries);
    free(v->events);
    free(v->counts);
    work_gather_free(&v->gather);
    work_teams_free(&v->teams);
    work_hand_deinit(&v->hand);
}

enum proto_error work_verify(struct store *store, const struct care_zones *zones, uint64_t *children_out,
                             uint64_t *rows_out, struct proto_fault *fault) {
    struct verifying v = {.zones = zones, .fault = fault};
    uint64_t bad_seq = 0, rows = 0;
    *fault = (struct proto_fault){0};
    enum proto_error error = store_verify_chain(store, &bad_seq, fault);
    if (error != PROTO_OK)
        return error;
    if (!work_hand_init(&v.hand))
        return proto_fault_set(fault, PROTO_BUSY, NULL, "There is no memory to verify with.");
    error = store_read_begin(store, &v.txn);
    if (error == PROTO_OK) {
        error = verify_view(&v);
        store_read_end(v.txn);
    }
    for (int t = 0; t < STORE_TABLE_COUNT; t++)
        rows += v.rows[t];
    free_all(&v);
    if (error != PROTO_OK)
        return fault->code ? fault->code : proto_fault_set(fault, error, NULL, "%s", proto_error_sentence(error));
    *children_out = v.children;
    *rows_out = rows;
    return PROTO_OK;
}
