/*
 * recall_test.c - a recall is worked into the children whom the lot index names, and into nobody else: are those all?
 *
 * Small worlds, full of devices that come and go, of placements that were mistakes, of spares and of recalls from a few lots,
 * learnt in any order; after every recall each stored schedule must be what planning afresh makes of the child. What always
 * holds: a failure comes again: BETONY_SEED=n BETONY_WORLDS=m tries the seeds from n on and names each.
 */
#include "../unit/work/world.h"

#include "support/random_events.h"

#define CHILDREN 3
#define STEPS 40
#define PLACED_MAX STEPS
#define SPAN_DAYS 30

struct child {
    struct proto_id id;
    struct proto_id placed[PLACED_MAX];
    uint32_t placed_count;
};

struct scene {
    struct world world;
    struct random_source random;
    struct child children[CHILDREN];
    int64_t begin;
};

/* What the worlds together must have shown, or the test shows nothing. */
static struct { uint64_t recalls, spared, ended, open; } seen;

static int64_t some_time(struct scene *scene) {
    uint64_t minutes = random_below(&scene->random, SPAN_DAYS * 24 * 60);
    if (random_chance(&scene->random, 5))
        return scene->world.now + (int64_t)(minutes % 5) * EV_MIN; /* what is dated ahead waits */
    return scene->begin + (int64_t)minutes * EV_MIN;
}

static void say(struct proto_event *event, int field, const char *text) {
    event->body[field] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_TEXT, .n = 1, .text = {text, (uint32_t)strlen(text)}};
}

/* Two lots in two writings each; or none. */
static const char *some_lot(struct scene *scene) {
    static const char *const lots[] = {"A-1", "a1", "B 2", "b2", NULL};
    return lots[random_below(&scene->random, 5)];
}

static const char *some_gtin(struct scene *scene) {
    static const char *const gtins[] = {"6291041500213", "7300011000017", NULL}; /* GS1 check digit pages */
    return gtins[random_below(&scene->random, 3)];
}

static struct proto_event some_placement(struct scene *scene, struct child *child) {
    int64_t at = some_time(scene);
    struct proto_event event = placement(&child->id, at);
    const char *lot = some_lot(scene), *gtin;
    gtin = some_gtin(scene);
    if (lot)
        say(&event, PROTO_FIELD_device_placed_lot, lot);
    if (gtin)
        say(&event, PROTO_FIELD_device_placed_gtin, gtin);
    if (random_chance(&scene->random, 15))
        event.body[PROTO_FIELD_device_placed_purpose] =
            (struct proto_value){.present = true, .type = PROTO_TYPE_CHOICE, .n = PROTO_purpose_keep_open};
    if (child->placed_count && random_chance(&scene->random, 15)) {
        event.has_replaces = true;
        event.replaces = child->placed[random_below(&scene->random, child->placed_count)];
    }
    if (child->placed_count < PLACED_MAX)
        child->placed[child->placed_count++] = event.id;
    return event;
}

static struct proto_event some_spare(struct scene *scene, struct child *child) {
    int64_t at = some_time(scene);
    int64_t count = random_below(&scene->random, 3);
    struct proto_event event =
        of_child(&child->id, EV(spare_counted, at, F(spare_counted, place, PROTO_spare_place_home),
                                F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, count)));
    const char *lot = some_lot(scene);
    if (lot)
        say(&event, PROTO_FIELD_spare_counted_lot, lot);
    return event;
}

static struct proto_event some_end(struct scene *scene, struct child *child) {
    int64_t at = some_time(scene);
    switch (random_below(&scene->random, 4)) {
    case 0:
        return of_child(&child->id, EV_BARE(stoma_closed, at));
    case 1:
        return of_child(&child->id, EV(patient_closed, at, F(patient_closed, reason, PROTO_closed_reason_moved_away)));
    case 2:
        return of_child(&child->id, EV_BARE(patient_reopened, at));
    default:
        return of_child(&child->id, EV(weight_measured, at, F(weight_measured, weight_kg, 1400)));
    }
}

static struct proto_event some_event(struct scene *scene, struct child *child) {
    int64_t at = some_time(scene);
    uint32_t dice = random_below(&scene->random, 100);
    if (dice < 40)
        return some_placement(scene, child);
    if (dice < 55)
        return some_spare(scene, child);
    if (dice < 62)
        return some_end(scene, child);
    if (dice < 72)
        return of_child(&child->id, EV(device_removed, at, F_TEXT(device_removed, why, "due"),
                                       F(device_removed, for_good, dice % 2)));
    if (dice < 78)
        return of_child(&child->id, EV(device_put_back, at, F(device_put_back, place, PROTO_place_home),
                                       F(device_put_back, placed_by, PROTO_placed_by_carer)));
    if (dice < 83)
        return tube_out(&child->id, at);
    if (child->placed_count == 0)
        return some_placement(scene, child);
    return withdrawal(&child->id, at, &child->placed[random_below(&scene->random, child->placed_count)]);
}

static void send_event(struct scene *scene, struct proto_event event) {
    static const struct work_who anna = {.account = "anna", .all_teams = true},
                                 ben = {.account = "ben", .all_teams = true};
    struct answer answer;
    struct proto_id id = event.id;
    bool withdraws = event.kind == PROTO_KIND_event_withdrawn;
    struct proto_id patient = event.patient;
    int64_t at = event.at;
    (void)world_record_as(&scene->world, &anna, WORK_WANT_NONE, &event, 1,
                          &answer); /* what is refused changes nothing */
    answer_deinit(&answer);
    if (!withdraws || !random_chance(&scene->random, 60))
        return;
    struct proto_event confirmed = confirmation(&patient, at + EV_MIN, &id);
    (void)world_record_as(&scene->world, &ben, WORK_WANT_NONE, &confirmed, 1, &answer);
    answer_deinit(&answer);
}

static void recall_something(struct scene *scene) {
    int64_t at = some_time(scene);
    int64_t urgency = PROTO_URGENCY_NOW + random_below(&scene->random, 4);
    struct proto_event event = EV(lot_recalled, at, F_TEXT(lot_recalled, notice, "N-7"),
                                  F(lot_recalled, urgency, urgency), F_TEXT(lot_recalled, action, "change it"));
    const char *lot = some_lot(scene), *gtin;
    gtin = some_gtin(scene);
    if (!lot && !gtin)
        lot = "A1";
    if (lot)
        say(&event, PROTO_FIELD_lot_recalled_lot, lot);
    if (gtin && (random_chance(&scene->random, 40) || !lot))
        say(&event, PROTO_FIELD_lot_recalled_gtin, gtin);
    struct work_counts before, after;
    work_counts_get(scene->world.work, &before);
    assert_int_equal(world_record(&scene->world, event), PROTO_OK);
    work_counts_get(scene->world.work, &after);
    seen.recalls++;
    seen.spared += at <= scene->world.now && after.replans - before.replans < CHILDREN;
}

static void scene_init(struct scene *scene, uint64_t seed) {
    *scene = (struct scene){.random = {seed}};
    world_init(&scene->world, seed);
    scene->begin = scene->world.now;
    scene->world.now += SPAN_DAYS * EV_DAY;
    for (int c = 0; c < CHILDREN; c++) {
        struct child *child = &scene->children[c];
        child->id = world_id(&scene->world);
        send_event(scene, registration(&child->id, scene->begin, "north-shore"));
        send_event(scene, stoma_formed(&child->id, scene->begin + 1));
    }
    static const int64_t days[] = {100, 700, 9000};
    if (random_chance(&scene->random, 50)) {
        struct policy_event adopted;
        struct answer answer;
        int64_t value = days[random_below(&scene->random, 3)];
        policy_adopted(&scene->world, &adopted, scene->begin, NULL, "ended-days", value);
        assert_int_equal(world_record_as(&scene->world, &world_nurse, WORK_WANT_NONE, &adopted.event, 1, &answer),
                         PROTO_OK);
        answer_deinit(&answer);
        msgpack_unpacked_destroy(&adopted.unpacked);
    }
}

static void note_rows(struct scene *scene) {
    struct work_child *child = work_child_new(scene->world.work);
    for (int c = 0; c < CHILDREN; c++) {
        struct store_txn *txn;
        assert_int_equal(store_read_begin(scene->world.store, &txn), PROTO_OK);
        assert_int_equal(work_child_get(scene->world.work, txn, &scene->children[c].id, scene->world.now, child),
                         PROTO_OK);
        store_read_end(txn);
        for (uint32_t i = 0; i < child->schedule.alert_count; i++) {
            const struct care_alert *alert = &child->schedule.alerts[i];
            bool ended = alert->ended_how != CARE_ENDED_NOT;
            seen.ended += alert->alert == PROTO_ALERT_RECALLED_LOT && ended;
            seen.open += alert->alert == PROTO_ALERT_RECALLED_LOT && !ended;
        }
    }
    work_child_free(child);
}

static void play(uint64_t seed) {
    struct scene scene;
    scene_init(&scene, seed);
    uint32_t recall_percent = 3 + random_below(&scene.random, 15);
    for (int step = 0; step < STEPS; step++) {
        if (random_chance(&scene.random, recall_percent)) {
            recall_something(&scene);
            world_verify(&scene.world); /* no replanning is left: every schedule is compared with one planned afresh */
            continue;
        }
        struct child *child = &scene.children[random_below(&scene.random, CHILDREN)];
        struct proto_event event = some_event(&scene, child);
        bool second = random_chance(&scene.random, 15);
        if (second && proto_kind_get(event.kind)->scope == PROTO_SCOPE_STOMA)
            event = ev_second(event);
        send_event(&scene, event);
    }
    note_rows(&scene);
    scene.world.now += EV_HOUR;
    work_tick(scene.world.work);
    world_run(&scene.world);
    world_verify(&scene.world);
    world_deinit(&scene.world);
}

static uint64_t number_from(const char *name, uint64_t fallback) {
    const char *text = getenv(name);
    return text ? strtoull(text, NULL, 10) : fallback;
}

static void test_the_index_names_all_concerned(void **state) {
    (void)state;
    uint64_t worlds = number_from("BETONY_WORLDS", getenv("BETONY_TEST_SHORT") ? 400 : 3000);
    uint64_t first = number_from("BETONY_SEED", 1);
    for (uint64_t seed = first; seed < first + worlds; seed++) {
        if (getenv("BETONY_SEED"))
            print_message("seed %llu\n", (unsigned long long)seed);
        play(seed);
    }
    if (worlds < 100)
        return;
    print_message("%llu recalls, %llu of them not worked into every child; %llu alerts open, %llu ended\n",
                  (unsigned long long)seen.recalls, (unsigned long long)seen.spared, (unsigned long long)seen.open,
                  (unsigned long long)seen.ended);
    assert_true(seen.spared > worlds / 10);
    assert_true(seen.ended > worlds / 10);
    assert_true(seen.open > worlds / 10);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_the_index_names_all_concerned)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
