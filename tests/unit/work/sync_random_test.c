/*
 * sync_random_test.c - all that can be said to a store by other nodes and here, in random sequences, against a model that knows
 * no more than which events there are: a store that went through it all says the same as one that only ever got those.
 *
 *     BETONY_SEED=n  one seed;  BETONY_SEEDS=n  so many
 */
#include "sync_world.h"

#include "support/random_events.h"

enum { RECORDS = 5, PER_RECORD = 26, SEEDS = 200, ROUNDS = 14, CALLS = 4 };

struct item {
    struct made made;
    struct proto_event event; /* of `made`; its texts are gone */
    uint64_t seq;             /* when live */
    bool live;
};

struct listed { /* the refused list */
    struct made made;
    struct proto_id record;
    uint64_t seq;
};

enum op_kind { OP_PAGE, OP_OFFER, OP_LEAVE, OP_OWN, OP_REFUSE, OP_SETTLE, OP_OTHER, OP_KINDS };

struct op {
    enum op_kind kind;
    uint32_t items[80], item_count; /* PAGE, OFFER; REFUSE, OTHER: one */
    uint32_t record;
    bool flag; /* LEAVE: all was pushed; REFUSE: forget; SETTLE: again */
    uint64_t seq;
    struct made made;         /* OTHER */
    struct proto_event event; /* OWN */
    struct carried out;
    struct answer answer;
};

struct play {
    struct world world;
    struct random_source random;
    uint64_t seed;
    struct random_history histories[RECORDS];
    struct proto_id records[RECORDS];
    bool erased[RECORDS];
    struct item *items;
    uint32_t item_count, item_cap;
    struct listed list[200];
    uint32_t list_count;
    struct op ops[CALLS];
    uint32_t op_count;
    uint64_t round_seq;           /* end of the log when the round began */
    struct proto_id went_on[500]; /* ids under which something went on */
    uint32_t went_on_count;
    struct proto_arena *arena;
};

static int forget(void **state) {
    (void)state;
    made_forget();
    return 0;
}

#define SAY(p, ...)                                                                                                    \
    do {                                                                                                               \
        if (getenv("BETONY_TRACE")) {                                                                                  \
            printf("  ");                                                                                              \
            printf(__VA_ARGS__);                                                                                       \
            printf("\n");                                                                                              \
            fflush(stdout);                                                                                            \
        }                                                                                                              \
    } while (0)

/* --- the model ---------------------------------------------------------------------------------------- */

static uint32_t add_item(struct play *p, struct made made) {
    if (p->item_count == p->item_cap) {
        p->item_cap = p->item_cap ? p->item_cap * 2 : 256;
        p->items = realloc(p->items, p->item_cap * sizeof *p->items);
        assert_non_null(p->items);
    }
    struct item *item = &p->items[p->item_count];
    memset(item, 0, sizeof *item);
    item->made = made;
    proto_arena_clear(p->arena);
    assert_int_equal(proto_event_decode(made.bytes, made.size, p->arena, &item->event), PROTO_OK);
    return p->item_count++;
}

static uint32_t record_of(const struct play *p, const struct proto_event *event) {
    for (uint32_t r = 0; r < RECORDS && event->has_patient; r++)
        if (work_id_same(&event->patient, &p->records[r]))
            return r;
    return RECORDS;
}

static bool is_erasure(const struct proto_event *event) {
    return event->kind == PROTO_KIND_patient_erased;
}

static struct item *live_of_id(struct play *p, const struct proto_id *id) {
    for (uint32_t i = 0; i < p->item_count; i++)
        if (p->items[i].live && work_id_same(&p->items[i].made.id, id))
            return &p->items[i];
    return NULL;
}

static struct item *dead_of_erased(struct play *p, const struct proto_id *id) {
    for (uint32_t i = 0; i < p->item_count; i++) {
        uint32_t record = record_of(p, &p->items[i].event);
        if (record < RECORDS && p->erased[record] && work_id_same(&p->items[i].made.id, id))
            return &p->items[i];
    }
    return NULL;
}

static void drop_record(struct play *p, uint32_t record) {
    for (uint32_t i = 0; i < p->item_count; i++)
        if (record_of(p, &p->items[i].event) == record && !is_erasure(&p->items[i].event))
            p->items[i].live = false;
}

static void go_live(struct play *p, uint32_t index, uint64_t seq) {
    struct item *item = &p->items[index];
    uint32_t record = record_of(p, &item->event);
    item->seq = seq;
    item->live = is_erasure(&item->event) || record == RECORDS || !p->erased[record];
    if (!is_erasure(&item->event) || record == RECORDS)
        return;
    p->erased[record] = true;
    drop_record(p, record);
    for (uint32_t i = 0; i < p->list_count;)
        if (work_id_same(&p->list[i].record, &p->records[record]))
            p->list[i] = p->list[--p->list_count];
        else
            i++;
}

/* --- what can be said ------------------------------------------------------------------------------------- */

static void begin(struct play *p, uint64_t seed) {
    memset(p, 0, sizeof *p);
    p->seed = seed;
    p->random = (struct random_source){seed};
    p->arena = proto_arena_new();
    world_init(&p->world, seed);
    for (uint32_t r = 0; r < RECORDS; r++) {
        random_history_init(&p->histories[r], seed * 10 + r, PER_RECORD,
                            RANDOM_PLAUSIBLE | RANDOM_VOIDS | (r == 0 ? RANDOM_CONTEXT : 0));
        p->records[r] = p->histories[r].patient;
        for (uint32_t e = 0; e < p->histories[r].count; e++) {
            struct random_event *sent = &p->histories[r].sent[e];
            bool known = false;
            for (uint32_t i = 0; i < p->item_count && !known; i++)
                known = work_id_same(&p->items[i].made.id, &p->histories[r].events[e].id);
            if (!known)
                (void)add_item(p, (struct made){made_keep(sent->bytes, sent->size), (uint32_t)sent->size,
                                                p->histories[r].events[e].id});
        }
    }
    for (uint32_t m = 0; m < 5; m++) {
        const struct proto_id *a = &p->records[random_below(&p->random, RECORDS)],
                              *b = &p->records[random_below(&p->random, RECORDS)];
        int64_t at = p->world.now - (int64_t)random_below(&p->random, 30) * EV_DAY;
        if (!work_id_same(a, b))
            (void)add_item(p, make(&p->world, merge(a, at, b)));
        (void)add_item(p, make(&p->world, move(a, at, m % 2 ? NORTH : MILL)));
    }
    if (random_chance(&p->random, 60))
        (void)add_item(p, make(&p->world, erasure(&p->records[random_below(&p->random, RECORDS)], p->world.now)));
    if (random_chance(&p->random, 20))
        (void)add_item(p, make(&p->world, erasure(&p->records[random_below(&p->random, RECORDS)], p->world.now)));
}

static void finish(struct play *p) {
    for (uint32_t r = 0; r < RECORDS; r++)
        random_history_deinit(&p->histories[r]);
    proto_arena_free(p->arena);
    free(p->items);
    world_deinit(&p->world);
}

static uint32_t any_item(struct play *p, bool live) {
    for (int tries = 0; tries < 40; tries++) {
        uint32_t i = random_below(&p->random, p->item_count);
        if (p->items[i].live == live && (live || !is_erasure(&p->items[i].event) || random_chance(&p->random, 15)))
            return i;
    }
    return UINT32_MAX;
}

static void choose_items(struct play *p, struct op *op) {
    op->record = random_below(&p->random, RECORDS);
    bool whole = random_chance(&p->random, 40);
    uint32_t most = 1 + random_below(&p->random, 30);
    for (uint32_t n = 0; n < p->item_count && op->item_count < 70; n++) {
        const struct item *item = &p->items[n];
        if (whole && record_of(p, &item->event) == op->record && !is_erasure(&item->event))
            op->items[op->item_count++] = n;
    }
    for (uint32_t n = 0; !whole && n < most; n++) {
        uint32_t i = any_item(p, random_chance(&p->random, 20));
        if (i != UINT32_MAX)
            op->items[op->item_count++] = i;
    }
    random_shuffle(&p->random, op->items, op->item_count);
}

static void send_items(struct play *p, struct op *op) {
    struct work_call *call = op->kind == OP_PAGE ? page_new(&p->world, 0)
                                                 : offer_new(&p->world, random_chance(&p->random, 40) ? NORTH : NULL,
                                                             random_below(&p->random, 50));
    for (uint32_t i = 0; i < op->item_count; i++)
        carry_as(call, &p->items[op->items[i]].made, i && random_chance(&p->random, 30), 0, NULL);
    carry_send(&p->world, call, &op->out);
}

static void choose_own(struct play *p, struct op *op) {
    const struct proto_id *id = &p->records[random_below(&p->random, RECORDS)];
    const struct proto_id *other = &p->records[random_below(&p->random, RECORDS)];
    int64_t at = p->world.now - (int64_t)random_below(&p->random, 5000) * EV_MIN;
    struct proto_event choices[] = {balloon_check(id, at, 300 + (int32_t)random_below(&p->random, 200)),
                                    tube_out(id, at),
                                    move(id, at, MILL),
                                    registration(id, at, NORTH),
                                    merge(id, at, other),
                                    erasure(id, at),
                                    balloon_check(id, p->world.now + EV_MIN, 250)};
    uint32_t choice = random_below(&p->random, 7);
    if (choice == 5 && !random_chance(&p->random, 10))
        choice = 0;
    op->event = choices[choice];
    op->event.has_id = true;
    op->event.id = world_id(&p->world);
    world_send(&p->world, &world_nurse, (enum work_want)random_below(&p->random, 3), &op->event, 1, &op->answer);
}

static bool choose(struct play *p, struct op *op) {
    memset(op, 0, sizeof *op);
    op->kind = (enum op_kind)random_below(&p->random, OP_KINDS);
    struct paged page = {.pushed_seq = UINT64_MAX};
    uint32_t i;
    switch (op->kind) {
    case OP_PAGE:
    case OP_OFFER:
        choose_items(p, op);
        if (op->item_count == 0)
            return false;
        send_items(p, op);
        return true;
    case OP_LEAVE:
        op->record = random_below(&p->random, RECORDS);
        page.leaves = &p->records[op->record];
        page.leave_count = 1;
        op->flag = !random_chance(&p->random, 25);
        if (!op->flag)
            page.pushed_seq = 0;
        break;
    case OP_OWN:
        choose_own(p, op);
        return true;
    case OP_REFUSE:
        i = any_item(p, true);
        if (i == UINT32_MAX)
            return false;
        op->items[0] = i;
        op->flag = random_chance(&p->random, 20);
        op->seq = page.refuse_seq = p->items[i].seq;
        page.forget = op->flag;
        break;
    case OP_SETTLE:
        if (p->list_count == 0)
            return false;
        op->seq = page.settle_seq = p->list[random_below(&p->random, p->list_count)].seq;
        op->flag = page.again = random_chance(&p->random, 60);
        break;
    case OP_OTHER:
        i = any_item(p, true);
        if (i == UINT32_MAX)
            return false;
        op->items[0] = i;
        op->record = random_chance(&p->random, 75) && record_of(p, &p->items[i].event) < RECORDS
                         ? record_of(p, &p->items[i].event)
                         : random_below(&p->random, RECORDS);
        op->made =
            make_with_id(balloon_check(&p->records[op->record],
                                       random_chance(&p->random, 50) ? p->items[i].event.at : p->world.now - EV_HOUR,
                                       200 + (int32_t)random_below(&p->random, 300)),
                         &p->items[i].made.id);
        page.list = &op->made;
        page.count = 1;
        break;
    case OP_KINDS:
        return false;
    }
    send_page(&p->world, &op->out, &page);
    return true;
}

/* --- what came of it ------------------------------------------------------------------------------------------ */

/* Events that the model does not have are what was made anew here: of one round, in order of seq. */
static void find_reissued(struct play *p, uint32_t *out, const struct made *was) {
    struct store_log *log;
    struct store_event stored;
    *out = UINT32_MAX;
    assert_int_equal(store_log_begin(p->world.store, &log), PROTO_OK);
    for (uint64_t seq = 1; *out == UINT32_MAX && store_log_read(log, seq, &stored) == PROTO_OK; seq++) {
        bool known = stored.body.size == 0 || stored.body.size != was->size || work_entry_is_system(stored.body);
        for (uint32_t i = 0; i < p->item_count && !known; i++)
            known = work_id_same(&stored.id, &p->items[i].made.id);
        if (known)
            continue;
        uint32_t differ = 0;
        for (uint32_t i = 0; i < was->size; i++)
            differ += stored.body.data[i] != was->bytes[i];
        if (differ > 32)
            continue;
        *out = add_item(
            p, (struct made){made_keep(stored.body.data, stored.body.size), (uint32_t)stored.body.size, stored.id});
        p->items[*out].seq = seq;
    }
    store_log_abort(log);
}

struct replaced {
    struct play *p;
    struct proto_id id, new_id;
    bool found;
};
static bool find_replaced(void *arg, const struct work_system_row *row) {
    struct replaced *r = arg;
    bool known = row->seq <= r->p->round_seq || proto_id_is_zero(&row->new_event) || !work_id_same(&row->event, &r->id);
    for (uint32_t i = 0; i < r->p->went_on_count && !known; i++)
        known = work_id_same(&row->new_event, &r->p->went_on[i]);
    if (!known) { /* the oldest that is not known yet */
        r->new_id = row->new_event;
        r->found = true;
    }
    return true;
}

/* What was here under the id went on under another one. */
static void replaced(struct play *p, const struct made *was, const struct proto_event *event) {
    struct replaced r = {.p = p, .id = was->id};
    struct store_txn *txn;
    struct store_event stored;
    uint64_t seq = 0;
    uint32_t record = record_of(p, event);
    assert_int_equal(store_read_begin(p->world.store, &txn), PROTO_OK);
    assert_int_equal(work_system_each(txn, WORK_SYSTEM_REPLACED, UINT64_MAX, find_replaced, &r), PROTO_OK);
    if (!r.found)
        fail_msg("seed %llu: it did not go on", (unsigned long long)p->seed);
    assert_true(p->went_on_count < 500);
    p->went_on[p->went_on_count++] = r.new_id;
    assert_int_equal(store_read_find(txn, &r.new_id, &seq), PROTO_OK);
    assert_int_equal(store_read_event(txn, seq, &stored), PROTO_OK);
    struct made made = {NULL, was->size, r.new_id};
    if (stored.body.size)
        made.bytes = made_keep(stored.body.data, stored.body.size);
    assert_true(stored.body.size == was->size || stored.body.size == 0);
    store_read_end(txn);
    if (made.bytes)
        go_live(p, add_item(p, made), seq);
    else /* gone with its record since */
        assert_true(p->op_count > 1 || (record < RECORDS && p->erased[record]));
}

static void reissued(struct play *p, const struct made *was, const struct proto_event *event) {
    uint32_t again, record = record_of(p, event);
    find_reissued(p, &again, was);
    if (again == UINT32_MAX && record < RECORDS && (p->erased[record] || p->op_count > 1))
        return; /* gone with its record since */
    assert_int_not_equal(again, UINT32_MAX);
    go_live(p, again, p->items[again].seq);
}

/* Theirs is here now. */
static void note_taken_over(struct play *p, uint32_t index, struct item *held) {
    struct made was = held->made;
    struct proto_event event = held->event;
    bool same = proto_slice_same(held->event.content, p->items[index].event.content);
    struct store_txn *txn;
    uint64_t seq = 0;
    bool live = held->live;
    held->live = false;
    assert_int_equal(store_read_begin(p->world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, &was.id, &seq), PROTO_OK);
    store_read_end(txn);
    go_live(p, index, seq);
    if (!same && live)
        replaced(p, &was, &event);
}

static void note_items(struct play *p, struct op *op) {
    assert_int_equal(op->out.code, PROTO_OK);
    SAY(p, "%s of %u", op->kind == OP_PAGE ? "page" : "offer", op->item_count);
    for (uint32_t i = 0; i < op->item_count; i++)
        SAY(p, "    %u kind %d of %u: %c at %llu", op->items[i], (int)p->items[op->items[i]].event.kind,
            record_of(p, &p->items[op->items[i]].event), " THRO"[op->out.results[i].state],
            (unsigned long long)op -> out.results[i].seq);
    for (uint32_t i = 0; i < op->item_count; i++) {
        struct item *item = &p->items[op->items[i]];
        const struct work_sync_result *result = &op->out.results[i];
        struct item *held = live_of_id(p, &item->made.id);
        uint32_t record = record_of(p, &item->event);
        bool gone = record < RECORDS && p->erased[record] && !is_erasure(&item->event);
        switch (result->state) {
        case WORK_SYNC_TAKEN:
            assert_null(held);
            go_live(p, op->items[i], result->seq);
            break;
        case WORK_SYNC_HELD:
            if (!gone && !held)
                fail_msg("seed %llu: told that it is held", (unsigned long long)p->seed);
            break;
        case WORK_SYNC_REFUSED:
            for (uint32_t e = 0; e < i; e++) /* the id stood earlier in the call with other bytes */
                gone |= work_id_same(&p->items[op->items[e]].made.id, &item->made.id);
            if (op->kind == OP_PAGE && !gone)
                fail_msg("seed %llu: a page's event was passed over", (unsigned long long)p->seed);
            break;
        case WORK_SYNC_OTHER: /* held under other bytes since it was changed by OTHER */
            if (!held)        /* by one of a record that is erased by this very call */
                held = dead_of_erased(p, &item->made.id);
            assert_non_null(held);
            if (op->kind == OP_PAGE)
                note_taken_over(p, op->items[i], held);
            break;
        }
    }
}

static void note_own(struct play *p, struct op *op) {
    SAY(p, "own kind %d of %u: %d", (int)op->event.kind, record_of(p, &op->event), (int)op->answer.code);
    enum proto_error code = op->answer.code;
    answer_deinit(&op->answer);
    if (code != PROTO_OK)
        return;
    struct store_txn *txn;
    struct store_event stored;
    uint64_t seq = 0;
    assert_int_equal(store_read_begin(p->world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, &op->event.id, &seq), PROTO_OK);
    assert_int_equal(store_read_event(txn, seq, &stored), PROTO_OK);
    struct made made = {NULL, (uint32_t)stored.body.size, op->event.id};
    if (made.size)
        made.bytes = made_keep(stored.body.data, stored.body.size);
    store_read_end(txn);
    if (made.size) /* else it went again in this very round, with its record */
        go_live(p, add_item(p, made), seq);
}

static void note_leave(struct play *p, struct op *op) {
    SAY(p, "leave %u: %d", op->record, (int)op->out.code);
    if (op->out.code == PROTO_OK)
        drop_record(p, op->record);
    else
        assert_int_equal(op->out.code, PROTO_CONFLICT);
    assert_true(op->out.code == PROTO_OK || !op->flag);
}

static bool find_listed(void *arg, const struct work_system_row *row) {
    struct listed *found = arg;
    if (!work_id_same(&row->event, &found->made.id))
        return true;
    found->seq = row->seq > found->seq ? row->seq : found->seq;
    return true;
}

static void note_refused(struct play *p, struct op *op) {
    struct item *item = &p->items[op->items[0]];
    SAY(p, "refuse %u kind %d of %u: %d", op->items[0], (int)item->event.kind, record_of(p, &item->event),
        (int)op->out.code);
    assert_int_equal(op->out.code, PROTO_OK);
    if (!item->live || item->seq != op->seq)
        return; /* it went meanwhile */
    uint32_t record = record_of(p, &item->event);
    if (!is_erasure(&item->event))
        item->live = false;
    if (op->flag)
        return;
    struct listed row = {.made = item->made};
    if (record < RECORDS && !is_erasure(&item->event))
        row.record = p->records[record];
    struct store_txn *txn;
    assert_int_equal(store_read_begin(p->world.store, &txn), PROTO_OK);
    assert_int_equal(work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, find_listed, &row), PROTO_OK);
    store_read_end(txn);
    p->list[p->list_count++] = row; /* seq 0: erased since */
    assert_true(p->list_count < 200);
}

static void note_settled(struct play *p, struct op *op) {
    uint32_t at = 0;
    while (at < p->list_count && p->list[at].seq != op->seq)
        at++;
    SAY(p, "settle %llu again %d: %d", (unsigned long long)op->seq, op->flag, (int)op->out.code);
    if (op->out.code != PROTO_OK) {
        assert_true(op->out.code == PROTO_BAD_VALUE || op->out.code == PROTO_UNKNOWN_PATIENT);
        assert_true(op->out.code == PROTO_UNKNOWN_PATIENT || at == p->list_count);
        return;
    }
    assert_true(at < p->list_count);
    struct listed row = p->list[at];
    p->list[at] = p->list[--p->list_count];
    if (!op->flag)
        return;
    struct item *held = live_of_id(p, &row.made.id);
    if (held && held->made.size == row.made.size && memcmp(held->made.bytes, row.made.bytes, row.made.size) == 0)
        return;
    if (held) {
        proto_arena_clear(p->arena);
        struct proto_event event;
        assert_int_equal(proto_event_decode(row.made.bytes, row.made.size, p->arena, &event), PROTO_OK);
        reissued(p, &row.made, &event);
        return;
    }
    uint32_t index = add_item(p, row.made);
    struct store_txn *txn;
    uint64_t seq = 0;
    assert_int_equal(store_read_begin(p->world.store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, &row.made.id, &seq), PROTO_OK);
    store_read_end(txn);
    go_live(p, index, seq);
}

static void note_other(struct play *p, struct op *op) {
    SAY(p, "other of %u", op->items[0]);
    assert_int_equal(op->out.code, PROTO_OK);
    struct item *held = live_of_id(p, &op->made.id);
    bool gone = p->erased[op->record];
    if (op->out.results[0].state == WORK_SYNC_REFUSED) {
        assert_true(gone);
        return;
    }
    assert_int_equal(op->out.results[0].state, held ? WORK_SYNC_OTHER : WORK_SYNC_TAKEN);
    uint32_t index = add_item(p, op->made); /* may move them */
    held = live_of_id(p, &op->made.id);
    if (held) {
        note_taken_over(p, index, held);
        return;
    }
    go_live(p, index, op->out.results[0].seq);
}

static void note(struct play *p, struct op *op) {
    if (op->kind == OP_OWN)
        assert_true(op->answer.done);
    else
        assert_true(op->out.done);
    if (op->kind == OP_PAGE || op->kind == OP_OFFER)
        note_items(p, op);
    else if (op->kind == OP_OWN)
        note_own(p, op);
    else if (op->kind == OP_LEAVE)
        note_leave(p, op);
    else if (op->kind == OP_REFUSE)
        note_refused(p, op);
    else if (op->kind == OP_SETTLE)
        note_settled(p, op);
    else
        note_other(p, op);
}

/* --- a play --------------------------------------------------------------------------------------------------------- */

static void compare(struct play *p) {
    struct made *live = calloc(p->item_count + 1, sizeof *live);
    uint32_t count = 0, *order = calloc(p->item_count + 1, sizeof *order);
    assert_true(live && order);
    for (uint32_t i = 0; i < p->item_count; i++)
        if (p->items[i].live)
            order[count++] = i;
    random_shuffle(&p->random, order, count);
    for (uint32_t i = 0; i < count; i++)
        live[i] = p->items[order[i]].made;
    const char *fresh = fresh_picture(&p->world, live, count, p->records, RECORDS);
    const char *found = picture_of(&p->world, p->records, RECORDS);
    if (strcmp(found, fresh) != 0) {
        print_error("it says\n%s", found);
        print_error("where only those events give\n%s", fresh);
        fail_msg("seed %llu", (unsigned long long)p->seed);
    }
    if (systems_of(&p->world, WORK_SYSTEM_REFUSED).count != p->list_count)
        fail_msg("seed %llu: the refused list has %u, not %u", (unsigned long long)p->seed,
                 systems_of(&p->world, WORK_SYSTEM_REFUSED).count, p->list_count);
    for (uint32_t r = 0; r < RECORDS; r++) {
        uint32_t bodies = 0;
        for (uint32_t i = 0; i < p->item_count; i++)
            bodies += p->items[i].live && record_of(p, &p->items[i].event) == r && !is_erasure(&p->items[i].event);
        for (uint32_t i = 0; i < p->list_count; i++)
            bodies += work_id_same(&p->list[i].record, &p->records[r]);
        assert_int_equal(bodies_of(&p->world, &p->records[r]), bodies);
    }
    free(live);
    free(order);
}

static void kill_a_copy(struct play *p) {
    struct world copy;
    world_copy(&copy, &p->world, random_chance(&p->random, 50), random_next(&p->random));
    world_deinit(&copy);
}

static void round_of(struct play *p) {
    bool one = random_chance(&p->random, 50); /* what depends on where things stand comes alone */
    uint32_t most = one ? 1 : 1 + random_below(&p->random, CALLS);
    p->op_count = 0;
    p->round_seq = log_seq(&p->world);
    while (p->op_count < most) {
        if (!choose(p, &p->ops[p->op_count]))
            continue;
        p->op_count++;
        for (uint32_t s = random_below(&p->random, 8); s > 0; s--) {
            (void)work_run_one(p->world.work);
            if (random_chance(&p->random, 8))
                kill_a_copy(p);
        }
    }
    while (work_run_one(p->world.work))
        if (random_chance(&p->random, 8))
            kill_a_copy(p);
    for (uint32_t i = 0; i < p->op_count; i++)
        note(p, &p->ops[i]);
    /* Rows that were gone again before they could be looked up. */
    for (uint32_t i = 0; i < p->list_count;)
        if (p->list[i].seq == 0)
            p->list[i] = p->list[--p->list_count];
        else
            i++;
}

static void play(uint64_t seed) {
    static struct play p;
    begin(&p, seed);
    for (int round = 0; round < ROUNDS; round++) {
        SAY(&p, "round %d", round);
        round_of(&p);
        world_verify(&p.world);
        compare(&p);
        if (random_chance(&p.random, 15))
            world_crash(&p.world, random_chance(&p.random, 50), random_next(&p.random));
        if (random_chance(&p.random, 20)) {
            p.world.now += (int64_t)random_below(&p.random, 3000) * EV_MIN;
            work_tick(p.world.work);
            world_run(&p.world);
        }
    }
    finish(&p);
}

static void test_whatever_is_said(void **state) {
    (void)state;
    const char *one = getenv("BETONY_SEED"), *many = getenv("BETONY_SEEDS");
    uint64_t first = one ? strtoull(one, NULL, 10) : 1;
    uint64_t count = one ? 1 : many ? strtoull(many, NULL, 10) : SEEDS;
    for (uint64_t seed = first; seed < first + count; seed++) {
        if (getenv("BETONY_TRACE")) {
            printf("seed %llu\n", (unsigned long long)seed);
            fflush(stdout);
        }
        play(seed);
        made_forget();
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test_teardown(test_whatever_is_said, forget)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
