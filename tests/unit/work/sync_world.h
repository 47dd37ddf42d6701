/*
 * sync_world.h - calls that carry events between nodes, over world.h: made in a line each, what came of them kept, and all that
 * a store says of some records written out as text.
 *
 * What always holds: `sync_settle` runs a world to its end and, after every single step on the way, opens a copy of what was
 * committed by then, with and without its view, as a node that was killed there would be opened.
 */
#ifndef TESTS_WORK_SYNC_WORLD_H
#define TESTS_WORK_SYNC_WORLD_H

#ifndef _GNU_SOURCE
#define _GNU_SOURCE /* memmem */
#endif

#include "world.h"

#include "work/inside.h"

/* --- events as bytes ------------------------------------------------------------------------ */

struct made {
    uint8_t *bytes; /* canonical; kept until made_forget */
    uint32_t size;
    struct proto_id id;
};

static struct {
    void **list;
    uint32_t count, cap;
} made_kept;

static UNUSED void *made_keep(const void *bytes, size_t size) {
    if (made_kept.count == made_kept.cap) {
        made_kept.cap = made_kept.cap ? made_kept.cap * 2 : 256;
        made_kept.list = realloc(made_kept.list, made_kept.cap * sizeof *made_kept.list);
        assert_non_null(made_kept.list);
    }
    void *copy = malloc(size + 1);
    assert_non_null(copy);
    memcpy(copy, bytes, size);
    ((uint8_t *)copy)[size] = 0;
    return made_kept.list[made_kept.count++] = copy;
}

static UNUSED void made_forget(void) {
    for (uint32_t i = 0; i < made_kept.count; i++)
        free(made_kept.list[i]);
    free(made_kept.list);
    memset(&made_kept, 0, sizeof made_kept);
}

/* As another node made it. */
static UNUSED struct made make_with_id(struct proto_event event, const struct proto_id *id) {
    static uint8_t bytes[PROTO_EVENT_BYTES_MAX];
    size_t size = 0;
    event.has_id = true;
    event.id = *id;
    event.by = (struct proto_slice){"anna", 4};
    event.node = (struct proto_id){{1, 2, 3, 4, 5, 6, 0x70, 7, 0x80, 8, 9, 10, 11, 12, 13, 14}};
    event.written_at = event.at;
    assert_int_equal(proto_event_encode(&event, bytes, sizeof bytes, &size), PROTO_OK);
    return (struct made){made_keep(bytes, size), (uint32_t)size, event.id};
}

static UNUSED struct made make(struct world *world, struct proto_event event) {
    struct proto_id id = world_id(world);
    return make_with_id(event, &id);
}

/* Canonical bytes written out by hand, for what this version does not know: `content` writes the pairs behind id, kind and at. */
static UNUSED struct made make_strange(struct world *world, const char *kind, const struct proto_id *patient,
                                       int64_t at, const char *field, const char *text) {
    uint8_t bytes[2000];
    struct proto_writer w;
    struct proto_id id = world_id(world);
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_array(&w, 2);
    proto_write_map(&w, patient ? 5 : 4);
    proto_write_text(&w, "id");
    proto_write_id(&w, &id);
    proto_write_text(&w, "kind");
    proto_write_text(&w, kind);
    if (patient) {
        proto_write_text(&w, "patient");
        proto_write_id(&w, patient);
    }
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    proto_write_text(&w, "body");
    proto_write_map(&w, 1);
    proto_write_text(&w, field);
    proto_write_text(&w, text);
    proto_write_map(&w, 3);
    proto_write_text(&w, "by");
    proto_write_text(&w, "anna");
    proto_write_text(&w, "node");
    proto_write_id(&w, &id);
    proto_write_text(&w, "written_at");
    proto_write_int(&w, at);
    return (struct made){made_keep(bytes, w.size), (uint32_t)w.size, id};
}

static UNUSED struct made make_policy(struct world *world, int64_t at, const char *name, int64_t hundredths) {
    struct policy_event policy;
    policy_adopted(world, &policy, at, NULL, name, hundredths);
    struct made made = make(world, policy.event);
    msgpack_unpacked_destroy(&policy.unpacked);
    return made;
}

static UNUSED struct proto_event move(const struct proto_id *patient, int64_t at, const char *team) {
    return of_child(patient, EV(patient_moved, at, F_TEXT(patient_moved, team, team)));
}

static UNUSED struct proto_event erasure(const struct proto_id *patient, int64_t at) {
    return of_child(patient, EV(patient_erased, at, F_TEXT(patient_erased, reason, "asked for"),
                                F_TEXT(patient_erased, approved_by, "Data protection")));
}

/* --- calls ------------------------------------------------------------------------------------- */

struct carried {
    enum proto_error code;
    struct proto_fault fault;
    uint32_t count;
    struct work_sync_result *results; /* messages and theirs are kept as made_keep has them */
    bool done;
};

static UNUSED void carried_on_done(void *arg, struct work_call *call) {
    struct carried *carried = arg;
    carried->done = true;
    carried->fault = *work_call_fault(call);
    carried->code = carried->fault.code;
    carried->count = work_sync_count(call);
    carried->results = NULL;
    if (carried->code == PROTO_OK && carried->count) {
        struct work_sync_result *results = calloc(carried->count, sizeof *results);
        for (uint32_t i = 0; i < carried->count; i++) {
            work_sync_result_get(call, i, &results[i]);
            if (results[i].state == WORK_SYNC_REFUSED)
                results[i].message = made_keep(results[i].message, strlen(results[i].message));
            if (results[i].state == WORK_SYNC_OTHER)
                results[i].theirs.data = made_keep(results[i].theirs.data, results[i].theirs.size);
        }
        carried->results = made_keep(results, carried->count * sizeof *results);
        free(results);
    }
    work_call_free(call);
}

static const struct proto_id upstream_node = {{9, 9, 9, 9, 9, 9, 0x79, 9, 0x89, 9, 9, 9, 9, 9, 9, 1}};
static const struct proto_id laptop_node = {{8, 8, 8, 8, 8, 8, 0x78, 8, 0x88, 8, 8, 8, 8, 8, 8, 1}};

static UNUSED struct work_call *page_new(struct world *world, uint64_t pushed_seq) {
    struct work_sync_from from = {.node = upstream_node, .pushed_seq = pushed_seq};
    struct work_call *call = work_sync_new(world->work, WORK_SYNC_PAGE, &from);
    assert_non_null(call);
    return call;
}

/* teams: NULL for all, else one name. */
static UNUSED struct work_call *offer_new(struct world *world, const char *team, uint64_t cursor_seq) {
    struct work_sync_from from = {.node = laptop_node, .cursor_seq = cursor_seq};
    from.scope.all_teams = !team;
    if (team) {
        from.scope.team_count = 1;
        (void)snprintf(from.scope.teams[0], sizeof from.scope.teams[0], "%s", team);
    }
    struct work_call *call = work_sync_new(world->work, WORK_SYNC_OFFER, &from);
    assert_non_null(call);
    return call;
}

static UNUSED void carry_as(struct work_call *call, const struct made *made, bool joined, int64_t received_at,
                            const uint8_t *receipt) {
    struct proto_fault fault = {0};
    struct work_sync_event event = {.bytes = {(const char *)made->bytes, made->size}, .joined = joined};
    if (receipt) {
        event.has_receipt = true;
        event.received_at = received_at;
        memcpy(event.receipt, receipt, sizeof event.receipt);
    }
    if (work_sync_add(call, &event, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
}

static UNUSED void carry(struct work_call *call, struct made made) {
    carry_as(call, &made, false, 0, NULL);
}
static UNUSED void carry_joined(struct work_call *call, struct made made) {
    carry_as(call, &made, true, 0, NULL);
}

static UNUSED void carry_send(struct world *world, struct work_call *call, struct carried *out) {
    *out = (struct carried){0};
    work_submit(world->work, call, carried_on_done, out);
}

/* Run to the end. */
static UNUSED struct carried carried(struct world *world, struct work_call *call) {
    static struct carried out;
    carry_send(world, call, &out);
    world_run(world);
    assert_true(out.done);
    return out;
}

static UNUSED void expect_states(const struct carried *carried, const char *states) {
    char found[64] = "";
    if (carried->code != PROTO_OK)
        fail_msg("the call failed: %s", carried->fault.message);
    for (uint32_t i = 0; i < carried->count && i < sizeof found - 1; i++)
        found[i] = " THRO"[carried->results[i].state];
    assert_string_equal(found, states);
}

/* A page of events that must all be taken or held. */
static UNUSED void page_of(struct world *world, const struct made *list, uint32_t count) {
    struct work_call *call = page_new(world, 0);
    for (uint32_t i = 0; i < count; i++)
        carry(call, list[i]);
    struct carried out = carried(world, call);
    if (out.code != PROTO_OK)
        fail_msg("a page: %s", out.fault.message);
    for (uint32_t i = 0; i < count; i++)
        if (out.results[i].state == WORK_SYNC_REFUSED)
            fail_msg("event %u of a page: %s", i, out.results[i].message);
}

static UNUSED uint64_t log_seq(struct world *world) {
    return work_log_seq(world->work);
}

/* --- what a store says ------------------------------------------------------------------------------ */

struct picture {
    char *text;
    size_t size, cap;
};

static UNUSED void picture_add(struct picture *p, const char *format, ...) __attribute__((format(printf, 2, 3)));
static UNUSED void picture_add(struct picture *p, const char *format, ...) {
    va_list args;
    char line[600];
    va_start(args, format);
    int size = vsnprintf(line, sizeof line, format, args);
    va_end(args);
    assert_true(size >= 0 && (size_t)size < sizeof line);
    if (p->size + (size_t)size + 1 > p->cap) {
        p->cap = (p->cap + (size_t)size + 1) * 2;
        p->text = realloc(p->text, p->cap);
        assert_non_null(p->text);
    }
    memcpy(p->text + p->size, line, (size_t)size + 1);
    p->size += (size_t)size;
}

static UNUSED void picture_hash(struct picture *p, const char *name, const void *bytes, size_t size) {
    uint8_t hash[PROTO_HASH_BYTES];
    proto_hash(bytes, size, hash);
    picture_add(p, " %s=%02x%02x%02x%02x", name, hash[0], hash[1], hash[2], hash[3]);
}

static UNUSED bool picture_event(void *arg, const struct store_event *event) {
    struct picture *p = arg;
    assert_true(event->body.size > 0);
    picture_add(p, " %02x%02x%02x%02x", event->id.bytes[6], event->id.bytes[7], event->id.bytes[14],
                event->id.bytes[15]);
    return true;
}

static UNUSED void picture_care(struct picture *p, struct world *world, struct store_txn *txn,
                                const struct proto_id *record) {
    static uint8_t bytes[PROTO_STATE_BYTES_MAX + 65536];
    struct work_child *child = work_child_new(world->work);
    size_t size = 0;
    assert_non_null(child);
    enum proto_error error = work_child_get(world->work, txn, record, world->now, child);
    if (error == PROTO_UNKNOWN_PATIENT) {
        picture_add(p, " nobody");
    } else {
        assert_int_equal(error, PROTO_OK);
        assert_int_equal(care_state_encode(&child->state, bytes, sizeof bytes, &size), PROTO_OK);
        picture_hash(p, "state", bytes, size);
        assert_int_equal(care_schedule_encode(&child->schedule, bytes, sizeof bytes, &size), PROTO_OK);
        picture_hash(p, "schedule", bytes, size);
        picture_add(p, " %s under %02x%02x", child->schedule.team, child->shown.bytes[14], child->shown.bytes[15]);
    }
    work_child_free(child);
}

/* Everything that a store says of these records; of no record too. */
static UNUSED char *picture_of(struct world *world, const struct proto_id *records, uint32_t count) {
    static const struct work_scope all = {.all_teams = true};
    static const struct proto_id nobody;
    static const char *const words[] = {"unknown", "in", "out", "erased"};
    struct picture p = {0};
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    for (uint32_t i = 0; i <= count; i++) {
        const struct proto_id *record = i ? &records[i - 1] : &nobody;
        enum work_record_state state;
        struct work_digest digest;
        assert_int_equal(work_record_state_get(world->work, txn, &all, record, &state), PROTO_OK);
        assert_int_equal(work_digest_get(txn, record, &digest), PROTO_OK);
        picture_add(&p, "%02x%02x: %s %u", record->bytes[14], record->bytes[15], words[state], digest.count);
        picture_hash(&p, "digest", digest.sum, digest.count ? sizeof digest.sum : 0);
        if (i)
            picture_care(&p, world, txn, record);
        if (i) {
            struct work_record_place place = {0};
            picture_add(&p, " events");
            assert_int_equal(work_record_events(world->work, txn, record, &place, picture_event, &p), PROTO_OK);
        }
        picture_add(&p, "\n");
    }
    store_read_end(txn);
    struct care_policy policy;
    static int64_t adopted_at[PROTO_POLICY_COUNT];
    static char approved_by[PROTO_POLICY_COUNT][PROTO_TEXT_SHORT_MAX + 4];
    memset(adopted_at, 0, sizeof adopted_at);
    assert_int_equal(
        work_policy_get(world->work, (struct proto_slice){"north-shore", 11}, &policy, adopted_at, approved_by),
        PROTO_OK);
    picture_hash(&p, "policy", adopted_at, sizeof adopted_at);
    picture_add(&p, "\n");
    char *kept = made_keep(p.text, p.size);
    free(p.text);
    return kept;
}

struct system_count {
    uint32_t count, events;
    struct work_system_row last; /* without its bytes */
    char message[200];
};
static UNUSED bool count_system(void *arg, const struct work_system_row *row) {
    struct system_count *c = arg;
    if (c->count++ == 0) {
        c->last = *row;
        assert_true(row->message.size < sizeof c->message);
        if (row->message.size)
            memcpy(c->message, row->message.data, row->message.size);
        c->message[row->message.size] = 0;
    }
    c->events += row->event_count;
    return true;
}
static UNUSED struct system_count systems_of(struct world *world, enum work_system_type type) {
    struct system_count c = {0};
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_system_each(txn, type, UINT64_MAX, count_system, &c), PROTO_OK);
    store_read_end(txn);
    return c;
}

/* Bodies in the log that are of a record, refused ones included, its erasure not. */
static UNUSED uint32_t bodies_of(struct world *world, const struct proto_id *record) {
    struct work_reading reading = {0};
    struct store_log *log;
    struct store_event stored;
    uint32_t found = 0;
    assert_true(work_reading_init(&reading));
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    for (uint64_t seq = 1; store_log_read(log, seq, &stored) == PROTO_OK; seq++) {
        struct work_event event;
        struct work_system_row row;
        bool shown;
        uint64_t settles;
        if (stored.body.size == 0)
            continue;
        if (work_entry_is_system(stored.body)) {
            assert_int_equal(work_system_read(stored.body, &row, NULL, &shown, &settles), PROTO_OK);
            found += row.type == WORK_SYSTEM_REFUSED && work_id_same(&row.record, record);
            continue;
        }
        assert_int_equal(work_event_load(stored.body, reading.arena, &reading.event, &event), PROTO_OK);
        found += event.has_patient && work_id_same(&event.patient, record) && event.kind != PROTO_KIND_patient_erased;
    }
    store_log_abort(log);
    work_reading_deinit(&reading);
    return found;
}

static UNUSED bool has_mark(struct world *world, const char *name) {
    struct store_log *log;
    struct store_bytes value;
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    enum proto_error error = store_log_mark_read(log, name, &value);
    store_log_abort(log);
    return error == PROTO_OK;
}

/* --- killed at every step ---------------------------------------------------------------------------- */

/* A world of its own, opened from what another has committed. */
static UNUSED void world_copy(struct world *copy, const struct world *from, bool lose_view, uint64_t seed) {
    *copy = (struct world){.now = from->now, .random = from->random + seed};
    struct store_options options = {.memory = true, .boot_id = "boot", .fault = world_fault, .fault_arg = copy};
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = world_id(copy);
    copy->store = store_memory_copy(from->store, &options);
    if (lose_view)
        store_memory_crash(copy->store, true);
    world_start(copy, seed);
    world_run(copy);
    world_verify(copy);
}

typedef void (*after_crash_fn)(struct world *copy, void *arg);

/* Runs all that is to be run; after every step a copy of what is committed is opened, brought up, verified and handed to `after`. */
static UNUSED void sync_settle(struct world *world, after_crash_fn after, void *arg) {
    uint64_t seed = 1;
    bool more = true;
    for (; more; more = work_run_one(world->work))
        for (int lose = 0; lose < 2; lose++) {
            struct world copy;
            world_copy(&copy, world, lose, seed++);
            if (after)
                after(&copy, arg);
            world_deinit(&copy);
        }
    world_verify(world);
}

/* A call that is sent, killed at every step on the way, and sent again by whoever came up: it ends the same. */
struct again {
    void (*send)(struct world *world, struct carried *out, void *arg);
    void *arg;
    const struct proto_id *records;
    uint32_t count;
    const char *before, *after; /* pictures */
    uint32_t had_before, had_after;
};

/* And what is listed of the node's own entries. */
static UNUSED const char *picture_whole(struct world *world, const struct proto_id *records, uint32_t count) {
    const char *records_text = picture_of(world, records, count);
    char line[100];
    int size =
        snprintf(line, sizeof line, "left %u refused %u replaced %u\n", systems_of(world, WORK_SYSTEM_LEFT).count,
                 systems_of(world, WORK_SYSTEM_REFUSED).count, systems_of(world, WORK_SYSTEM_REPLACED).count);
    char *whole = calloc(1, strlen(records_text) + (size_t)size + 1);
    assert_non_null(whole);
    memcpy(whole, records_text, strlen(records_text));
    memcpy(whole + strlen(records_text), line, (size_t)size);
    const char *kept = made_keep(whole, strlen(whole));
    free(whole);
    return kept;
}

static UNUSED void send_again(struct world *copy, void *arg) {
    struct again *again = arg;
    struct carried out;
    const char *found = picture_whole(copy, again->records, again->count);
    if (strcmp(found, again->before) == 0)
        again->had_before++;
    else if (strcmp(found, again->after) == 0)
        again->had_after++;
    else
        fail_msg("half of it:\n%s\nbefore:\n%s\nafter:\n%s", found, again->before, again->after);
    again->send(copy, &out, again->arg);
    world_run(copy);
    assert_true(out.done);
    world_verify(copy);
    assert_string_equal(picture_whole(copy, again->records, again->count), again->after);
}

/* Sends it in a copy first, to know how it ends; then here, killed at every step. */
static UNUSED void sync_send(struct world *world, void (*send)(struct world *world, struct carried *out, void *arg),
                             void *arg, const struct proto_id *records, uint32_t count, struct carried *out) {
    struct again again = {.send = send, .arg = arg, .records = records, .count = count};
    struct world ahead;
    again.before = picture_whole(world, records, count);
    world_copy(&ahead, world, false, 77);
    send(&ahead, out, arg);
    world_run(&ahead);
    assert_true(out->done);
    world_verify(&ahead);
    again.after = picture_whole(&ahead, records, count);
    world_deinit(&ahead);
    send(world, out, arg);
    sync_settle(world, send_again, &again);
    assert_true(out->done);
    assert_string_equal(picture_whole(world, records, count), again.after);
    assert_true(again.had_before + again.had_after > 2);
}

/* --- children ----------------------------------------------------------------------------------------- */

#define NORTH "north-shore"
#define MILL "mill-lane"

/* The events of one child: registered, with a stoma, a device and some checks. */
#define CHILD_EVENTS 7
static UNUSED void make_child(struct world *world, const struct proto_id *id, const char *team, struct made *out) {
    int64_t at = world->now - 40 * EV_DAY;
    out[0] = make(world, registration(id, at, team));
    out[1] = make(world, stoma_formed(id, at + 1));
    out[2] = make(world, placement(id, at + 2));
    out[3] = make(world, balloon_check(id, at + 20 * EV_DAY, 480));
    out[4] = make(world, tube_out(id, at + 25 * EV_DAY));
    out[5] = make(world, balloon_check(id, at + 30 * EV_DAY, 300));
    out[6] = make(world, balloon_check(id, world->now + 30 * EV_DAY, 250)); /* waits */
}

/* A picture of a store that got these events and never anything else. */
static UNUSED const char *fresh_picture(const struct world *like, const struct made *list, uint32_t count,
                                        const struct proto_id *records, uint32_t record_count) {
    struct world world;
    world_init(&world, 900);
    world.now = like->now;
    if (count)
        page_of(&world, list, count);
    world_verify(&world);
    const char *picture = picture_of(&world, records, record_count);
    world_deinit(&world);
    return picture;
}

static UNUSED uint64_t seq_of(struct world *world, const struct proto_id *id) {
    struct store_txn *txn;
    uint64_t seq = 0;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(store_read_find(txn, id, &seq), PROTO_OK);
    store_read_end(txn);
    return seq;
}

static UNUSED struct made own_bytes(struct world *world, const struct proto_id *id) {
    struct store_txn *txn;
    struct store_event stored;
    uint64_t seq = seq_of(world, id);
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(store_read_event(txn, seq, &stored), PROTO_OK);
    struct made made = {made_keep(stored.body.data, stored.body.size), (uint32_t)stored.body.size, *id};
    store_read_end(txn);
    return made;
}

/* Recorded here; as it stands in the log. */
static UNUSED struct made own(struct world *world, struct proto_event event) {
    struct answer answer;
    event.has_id = true;
    event.id = world_id(world);
    if (world_record_as(world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer) != PROTO_OK)
        fail_msg("an own event: %s", answer.fault.message);
    answer_deinit(&answer);
    return own_bytes(world, &event.id);
}

/* What one page says. */
struct paged {
    const struct made *list;
    uint32_t count;
    const struct proto_id *leaves;
    uint32_t leave_count;
    uint64_t pushed_seq;
    uint64_t refuse_seq;
    bool forget;
    uint64_t settle_seq;
    bool again;
    const char *mark;
};

static UNUSED struct work_call *paged_call(struct world *world, const struct paged *p) {
    struct work_call *call = page_new(world, p->pushed_seq);
    for (uint32_t i = 0; i < p->leave_count; i++)
        work_sync_leave(call, &p->leaves[i]);
    for (uint32_t i = 0; i < p->count; i++)
        carry(call, p->list[i]);
    if (p->refuse_seq)
        work_sync_refuse(call, p->refuse_seq, PROTO_NOT_ALLOWED, "The child is not in your care.", p->forget);
    if (p->settle_seq)
        work_sync_settle(call, p->settle_seq, p->again);
    if (p->mark)
        work_sync_mark(call, "link.cursor", p->mark, strlen(p->mark));
    return call;
}

static UNUSED void send_page(struct world *world, struct carried *out, void *arg) {
    carry_send(world, paged_call(world, arg), out);
}

static UNUSED struct carried paged(struct world *world, struct paged page) {
    return carried(world, paged_call(world, &page));
}

/* In no table of the view is a row that names the record, but those of what left, was refused or erased. */
static UNUSED void expect_unnamed(struct world *world, const struct proto_id *record) {
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    for (int t = 0; t < STORE_TABLE_COUNT; t++) {
        struct store_scan *scan;
        struct store_bytes key, value;
        assert_int_equal(store_scan_begin(txn, (enum store_table)t, NULL, 0, NULL, 0, false, &scan), PROTO_OK);
        while (store_scan_next(scan, &key, &value) == PROTO_OK)
            if (memmem(key.data, key.size, record->bytes, PROTO_ID_BYTES) ||
                memmem(value.data, value.size, record->bytes, PROTO_ID_BYTES))
                fail_msg("table %d still names it", t);
        store_scan_end(scan);
    }
    store_read_end(txn);
}

static UNUSED void expect_unknown(struct world *world, const struct proto_id *record) {
    struct store_txn *txn;
    struct work_digest digest;
    struct work_child *child = work_child_new(world->work);
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_child_get(world->work, txn, record, world->now, child), PROTO_UNKNOWN_PATIENT);
    assert_int_equal(work_digest_get(txn, record, &digest), PROTO_OK);
    assert_int_equal(digest.count, 0);
    store_read_end(txn);
    work_child_free(child);
    expect_unnamed(world, record);
}

#endif
