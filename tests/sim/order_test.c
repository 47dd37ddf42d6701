/*
 * order_test.c - the same events in any order, doubled calls aside, in any batches, with crashes and lost views in between,
 * give the same bytes: states, schedules, statuses.
 *
 * Whole histories of every kind, merges and withdrawals among them, are appended to the log as they might come from other
 * nodes, and the view is brought up to it; one instance is the measure, the others go other ways. What always holds: a
 * failure comes again: BETONY_SEED=n BETONY_WORLDS=m tries the seeds from n on and names each.
 */
#include "../unit/work/world.h"

#include "support/random_events.h"
#include "work/inside.h"

#define CHILDREN 25
#define EVENTS_MAX 200
#define WAYS 3

struct sent {
    const uint8_t *bytes;
    size_t size;
    struct proto_id id;
    int64_t at;
};

struct plot {
    struct random_history histories[CHILDREN];
    struct sent *events;
    uint32_t count;
    uint8_t *extra; /* bytes of merges and of withdrawals of merges */
    size_t extra_size;
    struct proto_id *patients;
    uint32_t patient_count;
    int64_t first_at, last_at;
};

static const char *const accounts[] = {"anna", "ben"};

static void add_event(struct plot *plot, const uint8_t *bytes, size_t size, const struct proto_id *id, int64_t at) {
    plot->events[plot->count++] = (struct sent){bytes, size, *id, at};
    if (at < plot->first_at)
        plot->first_at = at;
    if (at > plot->last_at)
        plot->last_at = at;
}

static struct proto_id add_made(struct plot *plot, struct random_source *random, struct proto_event event) {
    const char *by = accounts[random_below(random, 2)];
    event.by = (struct proto_slice){by, (uint32_t)strlen(by)};
    event.id = random_id(random, event.at);
    size_t size = 0;
    uint8_t *out = plot->extra + plot->extra_size;
    assert_int_equal(proto_event_encode(&event, out, PROTO_EVENT_BYTES_MAX, &size), PROTO_OK);
    plot->extra_size += size;
    add_event(plot, out, size, &event.id, event.at);
    return event.id;
}

/* Some of the children turn out to be one, and some of that turns out to be a mistake. */
static void add_merges(struct plot *plot, struct random_source *random) {
    uint32_t merges = random_below(random, 8);
    for (uint32_t i = 0; i < merges; i++) {
        const struct random_history *a = &plot->histories[random_below(random, CHILDREN)];
        const struct random_history *b = &plot->histories[random_below(random, CHILDREN)];
        int64_t at = a->first_at + (int64_t)random_below(random, 1000) * ((a->last_at - a->first_at) / 1000 + 1);
        struct proto_id id = add_made(plot, random, merge(&a->patient, at, &b->patient));
        if (random_chance(random, 40)) {
            const struct random_history *from = random_chance(random, 50) ? a : b;
            struct proto_id void_id = add_made(plot, random, withdrawal(&from->patient, at + EV_HOUR, &id));
            if (random_chance(random, 50))
                (void)add_made(plot, random, confirmation(&from->patient, at + 2 * EV_HOUR, &void_id));
        }
    }
}

static void plot_init(struct plot *plot, uint64_t seed) {
    struct random_source random = {seed};
    *plot = (struct plot){.first_at = INT64_MAX, .last_at = INT64_MIN};
    plot->events = calloc(CHILDREN * (EVENTS_MAX + 1) + 64, sizeof *plot->events);
    plot->extra = calloc(64, PROTO_EVENT_BYTES_MAX);
    plot->patients = calloc(CHILDREN, sizeof *plot->patients);
    for (uint32_t c = 0; c < CHILDREN; c++) {
        static const unsigned flavours[] = {RANDOM_PLAUSIBLE, RANDOM_PLAUSIBLE | RANDOM_VOIDS, RANDOM_VOIDS,
                                            RANDOM_PLAUSIBLE | RANDOM_VOIDS | RANDOM_CONTEXT,
                                            RANDOM_PLAUSIBLE | RANDOM_ROUTINE | RANDOM_VOIDS};
        struct random_history *history = &plot->histories[c];
        uint32_t count = 1 + random_below(&random, random_chance(&random, 30) ? EVENTS_MAX : 40);
        uint64_t history_seed =
            random_next(&random); /* drawn in a line of its own: C leaves the order of arguments open */
        random_history_init(history, history_seed, count, flavours[random_below(&random, 5)]);
        plot->patients[plot->patient_count++] = history->patient;
        for (uint32_t i = 0; i < history->count; i++)
            add_event(plot, history->sent[i].bytes, history->sent[i].size, &history->events[i].id,
                      history->events[i].at);
    }
    if (random_chance(&random, 50))
        add_merges(plot, &random);
}

static void plot_deinit(struct plot *plot) {
    for (uint32_t c = 0; c < CHILDREN; c++)
        random_history_deinit(&plot->histories[c]);
    free(plot->events);
    free(plot->extra);
    free(plot->patients);
}

/* --- the same everywhere ------------------------------------------------------------------------------------------ */

static uint64_t hash_more(uint64_t hash, const uint8_t *bytes, size_t size) { /* FNV-1a */
    for (size_t i = 0; i < size; i++)
        hash = (hash ^ bytes[i]) * 0x100000001b3u;
    return hash;
}

static uint64_t hash_of_plot(uint64_t seed) {
    static struct plot plot;
    uint64_t hash = 0xcbf29ce484222325u;
    plot_init(&plot, seed);
    for (uint32_t i = 0; i < plot.count; i++)
        hash = hash_more(hash, plot.events[i].bytes, plot.events[i].size);
    plot_deinit(&plot);
    return hash;
}

/* A seed names one world, whatever compiler built the test: no two draws stand where C leaves their order open. The numbers change when kinds,
 * fields, choices or the generator do, and must then be those that gcc and clang both print. */
static void test_a_seed_names_one_world(void **state) {
    (void)state;
    static const struct {
        uint64_t seed, hash;
    } pinned[] = {{1, 0x589659b8fcd11c07}, {2, 0xb93fde0e7d76ebc9}, {69, 0xd7580cf89a88a674}};
    bool same = true;
    for (size_t i = 0; i < sizeof pinned / sizeof pinned[0]; i++) {
        uint64_t hash = hash_of_plot(pinned[i].seed);
        if (hash != pinned[i].hash)
            print_message("seed %llu: 0x%016llx\n", (unsigned long long)pinned[i].seed, (unsigned long long)hash);
        same &= hash == pinned[i].hash;
    }
    assert_true(same);
}

/* --- one way through ------------------------------------------------------------------------------ */

/* Appends as a batch from another node; an event that is held already is passed over, as a doubled one. */
static void append(struct world *world, const struct sent *const *events, uint32_t count) {
    struct store_log *log;
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    for (uint32_t i = 0; i < count; i++) {
        struct store_event stored = {
            .id = events[i]->id, .received_at = world->now, .body = {events[i]->bytes, events[i]->size}};
        enum proto_error error = store_log_append(log, &stored);
        if (error != PROTO_OK)
            assert_int_equal(error, PROTO_CONFLICT);
    }
    assert_int_equal(store_log_commit(log), PROTO_OK);
}

static void go(struct world *world, const struct plot *plot, uint64_t seed, bool plain) {
    struct random_source random = {seed};
    uint32_t *order = calloc(plot->count, sizeof *order);
    const struct sent **batch = calloc(plot->count, sizeof *batch);
    for (uint32_t i = 0; i < plot->count; i++)
        order[i] = i;
    if (!plain)
        random_shuffle(&random, order, plot->count);
    world_init(world, seed);
    int64_t end = plot->last_at + EV_DAY;
    world->now = plain ? end : plot->first_at;
    for (uint32_t done = 0; done < plot->count;) {
        uint32_t most = random_chance(&random, 50) ? 8 : 700;
        uint32_t count = plain ? plot->count : 1 + random_below(&random, most);
        count = count < plot->count - done ? count : plot->count - done;
        for (uint32_t i = 0; i < count; i++)
            batch[i] = &plot->events[order[done + i]];
        if (!plain && random_chance(&random, 50)) /* time passes; what is dated ahead of it waits */
            world->now += (int64_t)random_below(&random, 1000) * ((end - world->now) / 2000);
        done += count;
        world_stop(world);
        append(world, batch, count);
        if (!plain && random_chance(&random, 10))
            append(world, batch, count);
        if (!plain && random_chance(&random, 25))
            store_memory_crash(world->store, random_chance(&random, 20));
        world_start(world, random_next(&random));
        if (random_chance(&random, 90))
            world_run(world);
        else /* killed in the middle of it */
            for (uint32_t steps = random_below(&random, 60); steps > 0; steps--)
                (void)work_run_one(world->work);
        if (getenv("BETONY_VERIFY_EACH"))
            world_verify(world);
    }
    world->now = end;
    world_run(world);
    work_tick(world->work);
    world_run(world);
    free(order);
    free(batch);
}

/* --- comparing ----------------------------------------------------------------------------------------- */

static void same_row(struct world *a, struct world *b, enum store_table table, const struct proto_id *root,
                     size_t skip) {
    struct store_txn *x, *y;
    struct store_bytes in_a, in_b;
    assert_int_equal(store_read_begin(a->store, &x), PROTO_OK);
    assert_int_equal(store_read_begin(b->store, &y), PROTO_OK);
    assert_int_equal(store_get(x, table, root->bytes, PROTO_ID_BYTES, &in_a), PROTO_OK);
    assert_int_equal(store_get(y, table, root->bytes, PROTO_ID_BYTES, &in_b), PROTO_OK);
    assert_int_equal(in_a.size, in_b.size);
    assert_memory_equal(in_a.data + skip, in_b.data + skip, in_a.size - skip);
    store_read_end(x);
    store_read_end(y);
}

static size_t status_of(struct world *world, struct work_child *child, const struct proto_id *patient, int64_t now,
                        uint8_t *out) {
    struct store_txn *txn;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    enum proto_error error = work_child_get(world->work, txn, patient, now, child);
    store_read_end(txn);
    if (error == PROTO_UNKNOWN_PATIENT) /* a history without a registration */
        return 0;
    assert_int_equal(error, PROTO_OK);
    struct proto_writer w;
    proto_writer_init(&w, out, PROTO_STATUS_BYTES_MAX);
    care_render_status(&w, &child->shown, &child->state, &child->schedule, &child->context, now);
    assert_int_equal(w.error, PROTO_OK);
    return w.size;
}

/* What is stored says at T what planning afresh at T says. */
static void same_as_afresh(struct work_child *child, int64_t now) {
    static struct care_schedule afresh;
    struct care_view stored_view, view;
    care_plan(&child->state, &child->context, &afresh);
    care_view(&child->schedule, now, &stored_view);
    care_view(&afresh, now, &view);
    assert_memory_equal(&stored_view, &view, sizeof view);
}

static void compare(struct world *a, struct world *b, const struct plot *plot, uint64_t seed) {
    static uint8_t status_a[PROTO_STATUS_BYTES_MAX], status_b[PROTO_STATUS_BYTES_MAX];
    struct random_source random = {seed};
    struct work_child *child_a = work_child_new(a->work), *child_b = work_child_new(b->work);
    for (uint32_t p = 0; p < plot->patient_count; p++) {
        int64_t moment = a->now + (int64_t)random_below(&random, 400) * EV_DAY;
        size_t size = status_of(a, child_a, &plot->patients[p], moment, status_a);
        assert_int_equal(status_of(b, child_b, &plot->patients[p], moment, status_b), size);
        assert_memory_equal(status_a, status_b, size);
        if (size == 0)
            continue;
        assert_memory_equal(&child_a->root, &child_b->root, sizeof child_a->root);
        same_row(a, b, STORE_STATES, &child_a->root, 0);
        same_row(a, b, STORE_SCHEDULES, &child_a->root, 9); /* format and context sequence are each node's own */
        same_as_afresh(child_a, moment);
    }
    work_child_free(child_a);
    work_child_free(child_b);
}

static void same_digests(struct world *a, struct world *b) {
    struct store_txn *x, *y;
    struct store_scan *in_a, *in_b;
    struct store_bytes key_a, key_b, value_a, value_b;
    assert_int_equal(store_read_begin(a->store, &x), PROTO_OK);
    assert_int_equal(store_read_begin(b->store, &y), PROTO_OK);
    assert_int_equal(store_scan_begin(x, STORE_DIGESTS, NULL, 0, NULL, 0, false, &in_a), PROTO_OK);
    assert_int_equal(store_scan_begin(y, STORE_DIGESTS, NULL, 0, NULL, 0, false, &in_b), PROTO_OK);
    while (store_scan_next(in_a, &key_a, &value_a) == PROTO_OK) {
        assert_int_equal(store_scan_next(in_b, &key_b, &value_b), PROTO_OK);
        assert_memory_equal(key_a.data, key_b.data, PROTO_ID_BYTES);
        assert_int_equal(value_a.size, value_b.size);
        assert_memory_equal(value_a.data, value_b.data, value_a.size);
    }
    assert_int_equal(store_scan_next(in_b, &key_b, &value_b), PROTO_NOT_FOUND);
    store_scan_end(in_a);
    store_scan_end(in_b);
    store_read_end(x);
    store_read_end(y);
}

/* Where nothing was merged, the fold of the whole history at once is the measure of the measure. */
static void compare_with_reference(struct world *world, const struct plot *plot) {
    static uint8_t bytes[PROTO_STATE_BYTES_MAX];
    static struct care_state folded;
    for (uint32_t c = 0; c < CHILDREN && plot->extra_size == 0; c++) {
        const struct random_history *history = &plot->histories[c];
        struct proto_event *own = calloc(history->count, sizeof *own);
        uint32_t *order = calloc(history->count, sizeof *order), count = 0;
        int64_t last = INT64_MIN;
        bool erased = false;
        for (uint32_t i = 0; i < history->count; i++)
            erased |= history->events[i].kind == PROTO_KIND_patient_erased;
        for (uint32_t i = 0; i < history->count; i++)
            if (history->events[i].has_patient && !erased) { /* of an erased child there is nothing to compare */
                own[count++] = history->events[i];
                last = last > history->events[i].at ? last : history->events[i].at;
            }
        care_fold(&folded, own, count, order, last);
        struct store_txn *txn;
        struct work_state_head head;
        struct work_patient patient, super = {0};
        size_t size = 0;
        assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
        if (work_patient_find(txn, &history->patient, &patient) == PROTO_OK)
            assert_int_equal(work_patient_find(txn, &patient.super, &super), PROTO_OK);
        else
            assert_int_equal(count, 0);
        assert_true(!erased || (patient.flags & WORK_PATIENT_ERASED));
        if (count && super.member_count == 0) {
            assert_int_equal(work_state_head_find(txn, &history->patient, &head), PROTO_OK);
            assert_int_equal(care_state_encode(&folded, bytes, sizeof bytes, &size), PROTO_OK);
            assert_int_equal(head.state.size, size);
            assert_memory_equal(head.state.data, bytes, size);
        }
        store_read_end(txn);
        free(own);
        free(order);
    }
}

static uint64_t number_from(const char *name, uint64_t fallback) {
    const char *text = getenv(name);
    return text ? strtoull(text, NULL, 10) : fallback;
}

static uint64_t worlds_wanted(void) {
    return number_from("BETONY_WORLDS", getenv("BETONY_TEST_SHORT") ? 100 : 400);
}

static void test_any_way_leads_to_the_same(void **state) {
    (void)state;
    uint64_t first = number_from("BETONY_SEED", 1), worlds = worlds_wanted();
    for (uint64_t seed = first; seed < first + worlds; seed++) {
        static struct plot plot;
        struct world measure, other;
        if (getenv("BETONY_SEED"))
            print_message("seed %llu\n", (unsigned long long)seed);
        plot_init(&plot, seed);
        go(&measure, &plot, seed, true);
        world_verify(&measure);
        compare_with_reference(&measure, &plot);
        for (uint32_t way = 1; way < WAYS; way++) {
            go(&other, &plot, seed * WAYS + way, false);
            world_verify(&other);
            compare(&measure, &other, &plot, seed);
            same_digests(&measure, &other);
            world_deinit(&other);
        }
        world_deinit(&measure);
        plot_deinit(&plot);
    }
}

/* --- recorded by calls ---------------------------------------------------------------------------------- */

#define IN_FLIGHT 40

struct caller {
    struct world *world;
    const struct plot *plot;
    struct random_source random;
    struct proto_arena *arena;
    uint32_t *order, done;
    struct answer answers[IN_FLIGHT];
    uint32_t sizes[IN_FLIGHT], waiting;
};

static bool is_registration(const struct proto_event *event) {
    return event->kind == PROTO_KIND_patient_registered;
}

/* Any order, but most children are registered first: of a child that is not known yet nothing is taken, and nothing else of the same call. (In a wholly
 * random order one event in a hundred was, and in some worlds none: each registration then shares its call with such an event.) */
static void lay_out_order(struct caller *c) {
    uint32_t first = 0, count = c->plot->count;
    for (uint32_t i = 0; i < count; i++)
        c->order[i] = i;
    for (uint32_t h = 0, at = 0; h < CHILDREN; at += c->plot->histories[h++].count) {
        const struct random_history *history = &c->plot->histories[h];
        uint32_t i = 0;
        while (i < history->count && !is_registration(&history->events[i]))
            i++;
        if (i == history->count || random_chance(&c->random, 10))
            continue;
        uint32_t *moved = &c->order[at + i],
                 kept = c->order[first]; /* nothing from `first` up to here has moved but to here */
        c->order[first++] = *moved;
        *moved = kept;
    }
    random_shuffle(&c->random, c->order, first);
    random_shuffle(&c->random, c->order + first, count - first);
}

static void call_once(struct caller *c) {
    struct proto_event events[4];
    uint32_t count = 0, most = 1 + random_below(&c->random, 4);
    proto_arena_clear(c->arena);
    for (; count < most && c->done < c->plot->count; count++, c->done++) {
        uint32_t place = c->done;
        if (random_chance(&c->random, 5)) /* again, or a first time for what is sent again later */
            place = random_below(&c->random, c->done + 1);
        const struct sent *sent = &c->plot->events[c->order[place]];
        assert_int_equal(proto_event_decode(sent->bytes, sent->size, c->arena, &events[count]), PROTO_OK);
    }
    struct work_who who = {.all_teams = true};
    (void)snprintf(who.account, sizeof who.account, "%s", accounts[random_below(&c->random, 2)]);
    enum work_want want = (enum work_want)random_below(&c->random, 3);
    c->sizes[c->waiting] = count;
    world_send(c->world, &who, want, events, count, &c->answers[c->waiting++]);
}

/* Events of the calls that were taken. */
static uint32_t take_answers(struct caller *c) {
    uint32_t taken = 0;
    world_run(c->world);
    for (uint32_t i = 0; i < c->waiting; i++) {
        assert_true(c->answers[i].done);
        taken += c->answers[i].code == PROTO_OK ? c->sizes[i] : 0;
        answer_deinit(&c->answers[i]);
    }
    c->waiting = 0;
    return taken;
}

/* Whatever is taken of these calls, with any wants, answered while others are on their way. */
static uint32_t record_all(struct world *world, const struct plot *plot, uint64_t seed) {
    static struct caller c;
    uint32_t taken = 0;
    c = (struct caller){.world = world, .plot = plot, .random = {seed}, .arena = proto_arena_new()};
    c.order = calloc(plot->count, sizeof *c.order);
    lay_out_order(&c);
    while (c.done < plot->count || c.waiting) {
        while (c.done < plot->count && c.waiting < IN_FLIGHT && random_chance(&c.random, 90))
            call_once(&c);
        for (uint32_t steps = random_below(&c.random, 40); steps > 0; steps--)
            (void)work_run_one(world->work);
        if (random_chance(&c.random, 20) || c.waiting == IN_FLIGHT || c.done == plot->count)
            taken += take_answers(&c);
    }
    free(c.order);
    proto_arena_free(c.arena);
    return taken;
}

/* What a log holds, as something that other nodes may be sent. */
static void take_log(struct world *world, struct plot *plot) {
    struct store_identity identity;
    struct store_log *log;
    store_identity_get(world->store, &identity);
    assert_int_equal(store_log_begin(world->store, &log), PROTO_OK);
    plot->count = 0;
    for (uint64_t seq = 1; seq <= identity.log_seq; seq++) {
        struct store_event stored;
        assert_int_equal(store_log_read(log, seq, &stored), PROTO_OK);
        if (stored.body.size == 0) /* of a child that was erased */
            continue;
        uint8_t *bytes = malloc(stored.body.size);
        memcpy(bytes, stored.body.data, stored.body.size);
        add_event(plot, bytes, stored.body.size, &stored.id, 0);
    }
    store_log_abort(log);
}

static void test_calls_lead_there_too(void **state) {
    (void)state;
    uint64_t first = number_from("BETONY_SEED", 1), worlds = worlds_wanted() / 10;
    for (uint64_t seed = first; seed < first + worlds; seed++) {
        static struct plot plot, held;
        struct world by_calls, by_log;
        plot_init(&plot, seed);
        world_init(&by_calls, seed);
        by_calls.now = plot.last_at + EV_DAY;
        uint32_t taken = record_all(&by_calls, &plot, seed);
        assert_true(taken > plot.count / 20); /* in every world: three in five on average, one in six at the least */
        world_run(&by_calls);
        world_verify(&by_calls);
        held = plot;
        held.events = calloc(plot.count + 1, sizeof *held.events);
        take_log(&by_calls, &held);
        go(&by_log, &held, seed, false);
        world_verify(&by_log);
        compare(&by_calls, &by_log, &held, seed);
        same_digests(&by_calls, &by_log);
        world_deinit(&by_log);
        world_deinit(&by_calls);
        for (uint32_t i = 0; i < held.count; i++)
            free((void *)(uintptr_t)held.events[i].bytes);
        free(held.events);
        plot_deinit(&plot);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_a_seed_names_one_world),
                                       cmocka_unit_test(test_any_way_leads_to_the_same),
                                       cmocka_unit_test(test_calls_lead_there_too)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
