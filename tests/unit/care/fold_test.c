/* fold_test.c - the fold is a function of the set of events: order, repetition, batching and storing in between change nothing. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "care/care.h"
#include "support/care_build.h"
#include "support/random_events.h"

#define HISTORIES 10000
#define EVENTS_MAX 200

static unsigned flavour_of(uint64_t seed) {
    static const unsigned flavours[] = {RANDOM_PLAUSIBLE | RANDOM_VOIDS, RANDOM_VOIDS | RANDOM_CONTEXT,
                                        RANDOM_PLAUSIBLE | RANDOM_VOIDS | RANDOM_CONTEXT, 0};
    return flavours[seed % 4];
}

struct bytes {
    uint8_t data[PROTO_STATE_BYTES_MAX];
    size_t size;
};

static void encode(const struct care_state *state, struct bytes *out) {
    assert_int_equal(care_state_encode(state, out->data, sizeof out->data, &out->size), PROTO_OK);
}

static void assert_same(const struct bytes *a, const struct bytes *b, uint64_t seed, const char *what) {
    if (a->size != b->size || memcmp(a->data, b->data, a->size) != 0)
        fail_msg("history %llu: %s gives another state", (unsigned long long)seed, what);
}

/* The same events shuffled, some of them twice. */
static struct proto_event *shuffled(struct random_source *source, const struct random_history *h, uint32_t *count) {
    struct proto_event *events = malloc((h->count * 2 + 1) * sizeof *events);
    uint32_t *order = malloc((h->count * 2 + 1) * sizeof *order);
    uint32_t n = 0;
    assert_non_null(events);
    assert_non_null(order);
    for (uint32_t i = 0; i < h->count; i++) {
        order[n++] = i;
        if (random_chance(source, 15))
            order[n++] = i;
    }
    random_shuffle(source, order, n);
    for (uint32_t i = 0; i < n; i++)
        events[i] = h->events[order[i]];
    free(order);
    *count = n;
    return events;
}

static void test_any_order_gives_the_same_bytes(void **unused) {
    (void)unused;
    static struct care_state state;
    static struct bytes first, second;
    struct random_source source = {7};
    for (uint64_t seed = 1; seed <= HISTORIES; seed++) {
        struct random_history h;
        uint32_t order[2 * EVENTS_MAX + 1], count;
        random_history_init(&h, seed, 1 + random_below(&source, EVENTS_MAX), flavour_of(seed));
        /* every third history has events that still wait for their time */
        int64_t folded_to = seed % 3 ? INT64_MAX : h.first_at + (h.last_at - h.first_at) * 3 / 4;
        care_fold(&state, h.events, h.count, order, folded_to);
        encode(&state, &first);
        struct proto_event *events = shuffled(&source, &h, &count);
        care_fold(&state, events, count, order, folded_to);
        encode(&state, &second);
        assert_same(&first, &second, seed, "another order, with repeats,");
        free(events);
        random_history_deinit(&h);
    }
}

/* Sorts by the order of the fold, as a store hands events out. */
static int by_order(const void *a, const void *b) {
    return proto_event_order((const struct proto_event *)a, (const struct proto_event *)b);
}

static uint32_t collect_voids(const struct proto_event *events, uint32_t count, struct care_void *voids) {
    uint32_t n = 0;
    for (uint32_t i = 0; i < count; i++) {
        if (!care_void_from_event(&voids[n], &events[i]))
            continue;
        for (uint32_t j = 0; j < count; j++) {
            const struct proto_event *e = &events[j];
            if (e->kind == PROTO_KIND_withdrawal_confirmed && !proto_slice_same(e->by, events[i].by) &&
                proto_id_compare(&PROTO_BODY(e, withdrawal_confirmed, withdrawal)->id, &events[i].id) == 0)
                voids[n].confirmed = true;
        }
        n++;
    }
    return n;
}

static struct care_target replaced(const struct proto_event *events, uint32_t count, const struct proto_event *event) {
    for (uint32_t i = 0; event->has_replaces && i < count; i++) {
        if (proto_id_compare(&events[i].id, &event->replaces) == 0)
            return care_target_of(&events[i]);
    }
    return (struct care_target){0};
}

static const struct proto_event *find_target(const struct proto_event *events, uint32_t count,
                                             const struct care_void *voids, uint32_t void_count,
                                             const struct proto_event *event) {
    struct care_void v;
    if (!care_void_from_event(&v, event))
        return NULL;
    for (uint32_t i = 0; i < count; i++) {
        if (proto_id_compare(&events[i].id, &v.target) == 0 && (!v.replacement || events[i].kind == event->kind) &&
            !care_event_counts(&events[i], replaced(events, count, &events[i]), voids, void_count))
            return &events[i];
    }
    return NULL;
}

/* One event at a time, through stored bytes after each, with a list of voids as a server keeps it. */
static void test_stored_between_steps(void **unused) {
    (void)unused;
    static struct care_state state, again;
    static struct bytes whole, step;
    static struct care_void voids[EVENTS_MAX];
    for (uint64_t seed = 1; seed <= 600; seed++) {
        struct random_history h;
        uint32_t order[EVENTS_MAX];
        random_history_init(&h, seed, 40 + (uint32_t)(seed % 160), flavour_of(seed));
        care_fold(&state, h.events, h.count, order, INT64_MAX);
        encode(&state, &whole);
        qsort(h.events, h.count, sizeof *h.events, by_order);
        uint32_t void_count = collect_voids(h.events, h.count, voids);
        care_state_init(&again);
        again.folded_to = INT64_MAX;
        for (uint32_t i = 0; i < h.count; i++) {
            if (!care_event_counts(&h.events[i], replaced(h.events, h.count, &h.events[i]), voids, void_count))
                continue;
            care_step(&again, &h.events[i], find_target(h.events, h.count, voids, void_count, &h.events[i]));
            encode(&again, &step);
            memset(&again, 0xa5, sizeof again);
            assert_int_equal(care_state_decode(step.data, step.size, &again), PROTO_OK);
        }
        encode(&again, &step);
        assert_same(&whole, &step, seed, "a step at a time, stored in between,");
        random_history_deinit(&h);
    }
}

/* --- a schedule says the same later as one planned then ------------------------------------------------------- */

static const int64_t london_at[] = {1774746000000, 1792890000000}; /* 2026-03-29T01:00Z, 2026-10-25T01:00Z */
static const int32_t london_offset[] = {3600, 0};
static const struct care_zone made_zones[] = {
    {.name = "Europe/London", .count = 2, .at_ms = london_at, .offset_s = london_offset}};
static const struct care_zones zones = {.version = "made", .count = 1, .list = made_zones};

static void assert_views_equal(const struct care_schedule *a, const struct care_schedule *b, int64_t at) {
    struct care_view one, two;
    care_view(a, at, &one);
    care_view(b, at, &two);
    assert_memory_equal(&one, &two, sizeof one);
}

static void test_view_of_stored_is_view_afresh(void **unused) {
    (void)unused;
    static struct care_state state, copy;
    static struct care_schedule schedule, stored, afresh;
    static struct bytes bytes;
    struct care_policy policy;
    struct care_context context = {.policy = &policy, .zones = &zones};
    struct random_source source = {11};
    care_policy_init(&policy);
    for (uint64_t seed = 1; seed <= 1500; seed++) {
        struct random_history h;
        uint32_t order[EVENTS_MAX];
        random_history_init(&h, seed, 1 + (uint32_t)(seed % EVENTS_MAX), flavour_of(seed));
        care_fold(&state, h.events, h.count, order, INT64_MAX);
        care_plan(&state, &context, &schedule);
        assert_int_equal(care_schedule_encode(&schedule, bytes.data, sizeof bytes.data, &bytes.size), PROTO_OK);
        assert_int_equal(care_schedule_decode(bytes.data, bytes.size, &stored), PROTO_OK);
        encode(&state, &bytes);
        assert_int_equal(care_state_decode(bytes.data, bytes.size, &copy), PROTO_OK);
        care_plan(&copy, &context, &afresh);
        for (int i = 0; i < 20; i++) {
            int64_t at =
                h.first_at + (int64_t)(random_next(&source) % (uint64_t)(h.last_at - h.first_at + 200 * EV_DAY));
            assert_views_equal(&stored, &afresh, at);
        }
        random_history_deinit(&h);
    }
}

/* Between one crossing and the next nothing changes. */
static void test_crossings_are_where_views_change(void **unused) {
    (void)unused;
    static struct care_state state;
    static struct care_schedule schedule;
    struct care_policy policy;
    struct care_context context = {.policy = &policy, .zones = &zones};
    uint32_t changes = 0;
    care_policy_init(&policy);
    for (uint64_t seed = 1; seed <= 300; seed++) {
        struct random_history h;
        uint32_t order[EVENTS_MAX];
        random_history_init(&h, seed, 1 + (uint32_t)(seed % 120), RANDOM_PLAUSIBLE);
        care_fold(&state, h.events, h.count, order, INT64_MAX);
        care_plan(&state, &context, &schedule);
        int64_t at = h.first_at;
        for (int i = 0; i < 400; i++) {
            int64_t next = care_next_crossing(&schedule, at);
            assert_true(next > at);
            if (next == INT64_MAX)
                break;
            struct care_view before, now, later;
            care_view(&schedule, at, &now);
            care_view(&schedule, next - 1, &before);
            care_view(&schedule, next, &later);
            assert_memory_equal(&now, &before, sizeof now);
            changes += memcmp(&before, &later, sizeof later) != 0;
            at = next;
        }
        random_history_deinit(&h);
    }
    assert_true(changes > 1000);
}

/* --- withdrawals ------------------------------------------------------------------------------------------------ */

static struct proto_event by(struct proto_event event, const char *account) {
    event.by = (struct proto_slice){account, (uint32_t)strlen(account)};
    return event;
}

static struct proto_event withdraw(const struct proto_event *target, int64_t at) {
    struct proto_event event = EV_BARE(event_withdrawn, at);
    event.body[PROTO_FIELD_event_withdrawn_event] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = target->id};
    return event;
}

static struct proto_event confirm(const struct proto_event *withdrawal, int64_t at) {
    struct proto_event event = EV_BARE(withdrawal_confirmed, at);
    event.body[PROTO_FIELD_withdrawal_confirmed_withdrawal] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = withdrawal->id};
    return event;
}

static uint32_t fold_weight(const struct proto_event *events, uint32_t count) {
    static struct care_state state;
    uint32_t order[16];
    care_fold(&state, events, count, order, INT64_MAX);
    return (uint32_t)state.weight_kg;
}

static void test_withdrawal_and_replacement(void **unused) {
    (void)unused;
    int64_t day = ev_time(2026, 3, 1);
    struct proto_event first = EV(weight_measured, day, F(weight_measured, weight_kg, 1000));
    struct proto_event wrong = EV(weight_measured, day + EV_HOUR, F(weight_measured, weight_kg, 2000));
    struct proto_event right = EV(weight_measured, day + EV_HOUR, F(weight_measured, weight_kg, 1100));
    struct proto_event other = EV(weight_measured, day + EV_HOUR + 1, F(weight_measured, weight_kg, 1200));
    right.has_replaces = other.has_replaces = true;
    right.replaces = other.replaces = wrong.id;
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong}, 2), 2000);
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, withdraw(&wrong, day + EV_DAY)}, 3), 1000);
    assert_int_equal(fold_weight((struct proto_event[]){withdraw(&wrong, day + EV_DAY), wrong, first}, 3), 1000);
    /* a withdrawal from before the event it names */
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, withdraw(&wrong, day - EV_DAY)}, 3), 1000);
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, right}, 3), 1100);
    /* of competing replacements the last in order counts */
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, other, right}, 4), 1200);
    /* a voided replacement competes no more, and what it voided stays void */
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, other, right, withdraw(&other, day + EV_DAY)}, 5),
                     1100);
    assert_int_equal(fold_weight((struct proto_event[]){first, wrong, right, withdraw(&right, day + EV_DAY)}, 4), 1000);
    /* a withdrawal cannot itself be withdrawn */
    struct proto_event withdrawal = withdraw(&wrong, day + EV_DAY);
    assert_int_equal(
        fold_weight((struct proto_event[]){first, wrong, withdrawal, withdraw(&withdrawal, day + 2 * EV_DAY)}, 4),
        1000);
}

/* Ids are made by callers: replacements can name each other, in any order of arrival. */
static void test_ring_of_replacements(void **unused) {
    (void)unused;
    static struct care_state state;
    uint32_t order[16];
    int64_t day = ev_time(2026, 3, 1);
    struct proto_event ring[3] = {EV(tube_blocked, day, F(tube_blocked, cleared, 0)),
                                  EV(tube_blocked, day + 2 * EV_HOUR, F(tube_blocked, cleared, 0)),
                                  EV(tube_blocked, day + EV_HOUR, F(tube_blocked, cleared, 0))};
    for (int i = 0; i < 3; i++) {
        ring[i].has_replaces = true;
        ring[i].replaces = ring[(i + 1) % 3].id;
    }
    for (int first = 0; first < 3; first++) { /* the last in order stands */
        struct proto_event events[3] = {ring[first], ring[(first + 1) % 3], ring[(first + 2) % 3]};
        care_fold(&state, events, 3, order, INT64_MAX);
        assert_int_equal(state.stomas[0].blocked.at, day + 2 * EV_HOUR);
        assert_int_equal(state.stomas[0].blocked_first.at, day + 2 * EV_HOUR);
    }
    /* one that says less is no part of a ring: what is grave stands */
    ring[1] = EV(tube_blocked, day + 2 * EV_HOUR, F(tube_blocked, cleared, 1));
    ring[1].has_replaces = true;
    ring[1].replaces = ring[0].id;
    ring[0].replaces = ring[1].id;
    care_fold(&state, ring, 2, order, INT64_MAX);
    assert_int_equal(state.stomas[0].blocked.at, day);
    assert_int_equal(state.stomas[0].blocked_settled.at, 0);
}

static void test_grave_withdrawal_waits_for_a_second_person(void **unused) {
    (void)unused;
    static struct care_state state;
    uint32_t order[16];
    int64_t day = ev_time(2026, 3, 1);
    struct proto_event out = EV(tube_out, day, F(tube_out, trained_present, PROTO_yes_no_unknown_no));
    struct proto_event withdrawal = by(withdraw(&out, day + EV_HOUR), "nurse.a");
    assert_true(care_event_grave(&out));
    care_fold(&state, (struct proto_event[]){out, withdrawal}, 2, order, INT64_MAX);
    assert_int_equal(state.stomas[0].device_state, CARE_DEVICE_OUT);
    assert_int_equal(state.withdrawn_count, 0);
    /* the same account again does not count */
    struct proto_event same = by(confirm(&withdrawal, day + 2 * EV_HOUR), "nurse.a");
    care_fold(&state, (struct proto_event[]){out, withdrawal, same}, 3, order, INT64_MAX);
    assert_int_equal(state.stomas[0].device_state, CARE_DEVICE_OUT);
    struct proto_event second = by(confirm(&withdrawal, day + 2 * EV_HOUR), "nurse.b");
    care_fold(&state, (struct proto_event[]){second, out, withdrawal}, 3, order, INT64_MAX);
    assert_int_equal(state.stomas[0].device_state, CARE_DEVICE_NONE);
    assert_int_equal(state.withdrawn_count, 1);
    assert_int_equal(state.withdrawn[0].kind, PROTO_KIND_tube_out);
    assert_int_equal(state.withdrawn[0].could, EV_BIT(PROTO_ALERT_TUBE_OUT));
    assert_memory_equal(&state.withdrawn[0].evidence, &out.id, sizeof out.id);
}

static void test_waiting_events(void **unused) {
    (void)unused;
    static struct care_state state;
    uint32_t order[4];
    int64_t day = ev_time(2026, 3, 1);
    struct proto_event now = EV(weight_measured, day, F(weight_measured, weight_kg, 1000));
    struct proto_event soon = EV(weight_measured, day + 1, F(weight_measured, weight_kg, 1100));
    struct proto_event later = EV(weight_measured, day + 2, F(weight_measured, weight_kg, 1200));
    care_fold(&state, (struct proto_event[]){later, soon, now}, 3, order, day);
    assert_int_equal(state.weight_kg, 1000);
    assert_int_equal(state.waiting_count, 2);
    assert_int_equal(state.waiting.at, day + 1);
    care_wait_clear(&state);
    care_step(&state, &soon, NULL);
    care_wait(&state, &later);
    assert_int_equal(state.weight_kg, 1100);
    assert_int_equal(state.waiting_count, 1);
    assert_int_equal(state.waiting.at, day + 2);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_withdrawal_and_replacement),
        cmocka_unit_test(test_ring_of_replacements),
        cmocka_unit_test(test_grave_withdrawal_waits_for_a_second_person),
        cmocka_unit_test(test_waiting_events),
        cmocka_unit_test(test_stored_between_steps),
        cmocka_unit_test(test_view_of_stored_is_view_afresh),
        cmocka_unit_test(test_crossings_are_where_views_change),
        cmocka_unit_test(test_any_order_gives_the_same_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
