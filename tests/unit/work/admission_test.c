/*
 * admission_test.c - what is refused, with which code, and that nothing of a refused call is stored.
 */
#include "world.h"

#include "work/patient.h"

static uint64_t log_end(struct world *world) {
    struct store_identity identity;
    store_identity_get(world->store, &identity);
    return identity.log_seq;
}

/* Refused with the code, about the event at `index`; the log has not grown. */
static void refused(struct world *world, const struct work_who *who, const struct proto_event *events, uint32_t count,
                    enum proto_error code, uint32_t index) {
    struct answer answer;
    uint64_t before = log_end(world);
    assert_int_equal(world_record_as(world, who, WORK_WANT_OPENED, events, count, &answer), code);
    assert_int_equal(answer.fault.has_event, 1);
    assert_int_equal(answer.fault.event_index, index);
    assert_true(strlen(answer.fault.message) > 10);
    assert_int_equal(log_end(world), before);
    if (answer.code == PROTO_OK)
        answer_deinit(&answer);
    world_verify(world);
}

static void refused_one(struct world *world, struct proto_event event, enum proto_error code) {
    refused(world, &world_nurse, &event, 1, code, 0);
}

static void taken(struct world *world, struct proto_event event) {
    struct answer answer;
    if (world_record_as(world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer) != PROTO_OK)
        fail_msg("%s", answer.fault.message);
    answer_deinit(&answer);
}

static void test_unknown_children(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id child = world_child(&world, "north-shore"), nobody = world_id(&world);
    refused_one(&world, balloon_check(&nobody, world.now, 450), PROTO_UNKNOWN_PATIENT);
    refused_one(&world, merge(&child, world.now, &nobody), PROTO_UNKNOWN_PATIENT);
    /* Out of scope is answered like one that does not exist; another team's child may be registered by nobody else. */
    struct work_who other = {.account = "cal", .team_count = 1, .teams = {"fell-side"}};
    struct proto_event event = balloon_check(&child, world.now, 450);
    refused(&world, &other, &event, 1, PROTO_UNKNOWN_PATIENT, 0);
    event = registration(&nobody, world.now, "north-shore");
    refused(&world, &other, &event, 1, PROTO_NOT_ALLOWED, 0);
    event = registration(&child, world.now, "fell-side");
    refused(&world, &other, &event, 1, PROTO_NOT_ALLOWED, 0);
    struct work_who own = {.account = "dee", .team_count = 2, .teams = {"fell-side", "north-shore"}};
    struct answer answer;
    event = balloon_check(&child, world.now, 450);
    assert_int_equal(world_record_as(&world, &own, WORK_WANT_NONE, &event, 1, &answer), PROTO_OK);
    answer_deinit(&answer);
    /* The scope follows the child to its new team. */
    taken(&world, of_child(&child, EV(patient_moved, world.now, F_TEXT(patient_moved, team, "mill-lane"))));
    event = balloon_check(&child, world.now, 440);
    refused(&world, &own, &event, 1, PROTO_UNKNOWN_PATIENT, 0);
    world_deinit(&world);
}

static void test_a_call_is_whole(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 2);
    struct proto_id child = world_child(&world, "north-shore"), nobody = world_id(&world), fresh = world_id(&world);
    struct proto_event events[] = {balloon_check(&child, world.now, 450), balloon_check(&nobody, world.now, 450)};
    refused(&world, &world_nurse, events, 2, PROTO_UNKNOWN_PATIENT, 1);
    /* A call counts as a whole for itself: the registration may stand behind what needs it. */
    struct proto_event both[] = {placement(&fresh, world.now), registration(&fresh, world.now, "mill-lane")};
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, both, 2, &answer), PROTO_OK);
    answer_deinit(&answer);
    struct proto_id twice = world_id(&world);
    struct proto_event doubled[] = {registration(&twice, world.now, "mill-lane"),
                                    registration(&twice, world.now, "mill-lane")};
    refused(&world, &world_nurse, doubled, 2, PROTO_CONFLICT, 1);
    refused_one(&world, registration(&child, world.now, "north-shore"), PROTO_CONFLICT);
    world_deinit(&world);
}

static void test_the_same_id(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 3);
    struct proto_id child = world_child(&world, "north-shore");
    struct proto_event event = balloon_check(&child, world.now, 300), other = event;
    other.body[PROTO_FIELD_balloon_checked_withdrawn_ml].n = 310;
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answer), PROTO_OK);
    assert_true(answer_has(&answer, "opened", "name", "balloon-low"));
    int64_t seq = object_field(&answer.unpacked.data, "seqs")->via.array.ptr[0].via.i64;
    answer_deinit(&answer);
    uint64_t end = log_end(&world);
    /* Again, by another account even: repeated, with the seq it is held under and what rests on it. */
    struct work_who other_nurse = {.account = "other", .all_teams = true};
    world.now += 1000;
    assert_int_equal(world_record_as(&world, &other_nurse, WORK_WANT_OPENED, &event, 1, &answer), PROTO_OK);
    assert_int_equal(answer_count(&answer, "repeated"), 1);
    assert_int_equal(object_field(&answer.unpacked.data, "seqs")->via.array.ptr[0].via.i64, seq);
    assert_true(answer_has(&answer, "opened", "name", "balloon-low"));
    answer_deinit(&answer);
    assert_int_equal(log_end(&world), end);
    refused_one(&world, other, PROTO_ID_REUSED);
    /* Twice in one call: once new, once repeated, one seq. */
    struct proto_event again = balloon_check(&child, world.now, 400), pair[] = {again, again};
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_OPENED, pair, 2, &answer), PROTO_OK);
    const msgpack_object *seqs = object_field(&answer.unpacked.data, "seqs");
    assert_int_equal(seqs->via.array.ptr[0].via.i64, seqs->via.array.ptr[1].via.i64);
    assert_int_equal(answer_count(&answer, "repeated"), 1);
    answer_deinit(&answer);
    assert_int_equal(log_end(&world), end + 1);
    pair[0] = pair[1] = balloon_check(&child, world.now, 400);
    pair[1].body[PROTO_FIELD_balloon_checked_withdrawn_ml].n = 410;
    refused(&world, &world_nurse, pair, 2, PROTO_ID_REUSED, 1);
    world_verify(&world);
    world_deinit(&world);
}

/* Two calls with one id on their way at once. */
static void test_overlapping_calls(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct world world;
        world_init(&world, seed);
        struct proto_id child = world_child(&world, "north-shore"), fresh = world_id(&world);
        struct proto_event event = balloon_check(&child, world.now, 300), other = event;
        other.body[PROTO_FIELD_balloon_checked_withdrawn_ml].n = 310;
        struct proto_event arrival = registration(&fresh, world.now, "mill-lane"),
                           second = registration(&fresh, world.now, "mill-lane"),
                           check = balloon_check(&fresh, world.now, 450);
        struct answer answers[6];
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answers[0]);
        for (uint64_t steps = seed % 7; steps > 0; steps--)
            (void)work_run_one(world.work);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &event, 1, &answers[1]);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &other, 1, &answers[2]);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &arrival, 1, &answers[3]);
        for (uint64_t steps = seed % 5; steps > 0; steps--)
            (void)work_run_one(world.work);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &second, 1, &answers[4]);
        world_send(&world, &world_nurse, WORK_WANT_OPENED, &check, 1, &answers[5]);
        world_run(&world);
        static const enum proto_error expected[] = {PROTO_OK, PROTO_OK,       PROTO_ID_REUSED,
                                                    PROTO_OK, PROTO_CONFLICT, PROTO_OK};
        for (int i = 0; i < 6; i++) {
            assert_true(answers[i].done);
            assert_int_equal(answers[i].code, expected[i]);
        }
        assert_true(answer_has(&answers[0], "opened", "name", "balloon-low"));
        assert_true(answer_has(&answers[1], "opened", "name", "balloon-low"));
        assert_int_equal(answer_count(&answers[1], "repeated"), 1);
        for (int i = 0; i < 6; i++)
            if (answers[i].code == PROTO_OK)
                answer_deinit(&answers[i]);
        world_verify(&world);
        world_deinit(&world);
    }
}

static void test_what_stands_in_the_way(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id child = world_child(&world, "north-shore"), other = world_child(&world, "north-shore");
    struct proto_event closing = of_child(&child, EV(patient_closed, world.now, F(patient_closed, reason, 1)));
    struct proto_event out = tube_out(&child, world.now - EV_MIN);
    /* Together in one call, in either order, and one after the other. */
    struct proto_event pair[] = {out, closing}, reversed[] = {closing, out};
    refused(&world, &world_nurse, pair, 2, PROTO_CONFLICT, 1);
    refused(&world, &world_nurse, reversed, 2, PROTO_CONFLICT, 0);
    struct answer answers[2];
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &out, 1, &answers[0]);
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &closing, 1, &answers[1]);
    world_run(&world);
    assert_int_equal(answers[0].code, PROTO_OK);
    assert_int_equal(answers[1].code, PROTO_CONFLICT);
    answer_deinit(&answers[0]);
    refused_one(&world, merge(&child, world.now, &other), PROTO_CONFLICT);
    refused_one(&world, merge(&other, world.now, &other), PROTO_CONFLICT);
    /* The one that stays may have an alert open; settled, the other may be merged away and closed. */
    taken(&world, of_child(&child, EV(device_put_back, world.now, F(device_put_back, place, PROTO_place_hospital),
                                      F(device_put_back, placed_by, PROTO_placed_by_surgeon),
                                      F(device_put_back, position, PROTO_position_imaging))));
    closing.at = world.now;
    taken(&world, closing);
    taken(&world, balloon_check(&child, world.now, 450)); /* late facts about a closed child are kept */
    world_verify(&world);
    world_deinit(&world);
}

/* Joined to a record that was closed, a child would leave the caseload and nobody would be told to check its balloon. */
static void test_a_closed_record_takes_no_child_along(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id child = world_child(&world, "north-shore"), twin = world_child(&world, "north-shore");
    struct proto_event closing = of_child(&twin, EV(patient_closed, world.now, F(patient_closed, reason, 1)));
    struct proto_event reopening = of_child(&twin, EV_BARE(patient_reopened, world.now + 1));
    struct proto_event into_child = merge(&twin, world.now + 2, &child),
                       into_twin = merge(&child, world.now + 2, &twin);
    /* In one call, closed on the way, and closed. */
    struct proto_event pair[] = {closing, into_child};
    refused(&world, &world_nurse, pair, 2, PROTO_CONFLICT, 1);
    struct answer answers[2];
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &closing, 1, &answers[0]);
    world_send(&world, &world_nurse, WORK_WANT_OPENED, &into_child, 1, &answers[1]);
    world_run(&world);
    assert_int_equal(answers[0].code, PROTO_OK);
    assert_int_equal(answers[1].code, PROTO_CONFLICT);
    answer_deinit(&answers[0]);
    refused_one(&world, into_child, PROTO_CONFLICT);
    refused_one(&world, into_twin, PROTO_CONFLICT);
    /* Reopened first, in the same call: one child, on the caseload. */
    struct proto_event call[] = {reopening, into_child};
    struct answer answer;
    world.now += 10;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_OPENED, call, 2, &answer), PROTO_OK);
    answer_deinit(&answer);
    struct store_txn *txn;
    struct work_patient patient;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_patient_find(txn, &child, &patient), PROTO_OK);
    assert_false(patient.flags & WORK_PATIENT_CLOSED);
    store_read_end(txn);
    world_verify(&world);
    world_deinit(&world);
}

/* Somebody answered and the alert rests until it is looked at again: it is for now all the same. */
static void test_answered_is_not_settled(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id child = world_child(&world, "north-shore");
    taken(&world, of_child(&child, EV(site_checked, world.now - EV_HOUR, F(site_checked, pain_on_feeding, 1))));
    struct proto_event answered = of_child(
        &child, EV(contact_made, world.now - EV_MIN, F(contact_made, to, PROTO_contact_to_surgeon),
                   F(contact_made, outcome, PROTO_outcome_answered), F(contact_made, recheck_by, world.now + EV_DAY)));
    answered.body[PROTO_FIELD_contact_made_about] = (struct proto_value){
        .present = true,
        .type = PROTO_TYPE_CHOICES,
        .set = UINT64_C(1) << (PROTO_ALERT_PAIN_OR_BLEEDING - 1) | UINT64_C(1) << (PROTO_ALERT_EARLY_COMPLICATION - 1)};
    taken(&world, answered);
    struct proto_event closing = of_child(&child, EV(patient_closed, world.now, F(patient_closed, reason, 1)));
    refused_one(&world, closing, PROTO_CONFLICT);
    world_deinit(&world);
}

/* A replacement that leaves out what a `now` rests on is confirmed like a withdrawal. */
static void test_replacement_is_confirmed(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 4);
    struct proto_id child = world_child(&world, "north-shore");
    struct proto_event blocked = of_child(&child, EV(tube_blocked, world.now - EV_HOUR, F(tube_blocked, water_ml, 1000),
                                                     F(tube_blocked, warm, 1), F(tube_blocked, cleared, 0)));
    struct proto_event milder = of_child(&child, EV(tube_blocked, world.now - EV_HOUR, F(tube_blocked, water_ml, 1000),
                                                    F(tube_blocked, warm, 1), F(tube_blocked, cleared, 1)));
    milder.has_replaces = true;
    milder.replaces = blocked.id;
    taken(&world, blocked);
    taken(&world, milder);
    struct proto_event closing = of_child(&child, EV(patient_closed, world.now, F(patient_closed, reason, 1)));
    refused_one(&world, closing, PROTO_CONFLICT);
    refused_one(&world, confirmation(&child, world.now, &blocked.id), PROTO_CONFLICT);
    refused_one(&world, confirmation(&child, world.now, &milder.id), PROTO_CONFLICT); /* the same account */
    struct work_who second = {.account = "second", .all_teams = true};
    struct proto_event confirmed = confirmation(&child, world.now, &milder.id);
    struct answer answer;
    assert_int_equal(world_record_as(&world, &second, WORK_WANT_NONE, &confirmed, 1, &answer), PROTO_OK);
    answer_deinit(&answer);
    taken(&world, closing);
    world_verify(&world);
    world_deinit(&world);
}

static struct proto_event deferral(const struct proto_id *child, int64_t at, const char *task, int32_t until) {
    return of_child(child, EV(task_deferred, at, F_TEXT(task_deferred, task, task), F(task_deferred, until, until),
                              F_TEXT(task_deferred, reason, "away")));
}

static void test_deferrals(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 5);
    struct proto_id child = world_child(&world, "north-shore");
    taken(&world, balloon_check(&child, world.now, 480)); /* due 9 March */
    int32_t due = ev_day(2026, 3, 9);
    refused_one(&world, deferral(&child, world.now, "balloon-check", due + 8),
                PROTO_CONFLICT); /* 7 days at most: from memory */
    taken(&world, deferral(&child, world.now, "balloon-check", due + 3));
    world.now += EV_MIN;
    taken(&world, deferral(&child, world.now, "balloon-check", due + 6));
    world.now += EV_MIN;
    refused_one(&world, deferral(&child, world.now, "balloon-check", due + 7), PROTO_CONFLICT); /* twice: from memory */
    refused_one(&world, deferral(&child, world.now, "balloon-recheck", due), PROTO_CONFLICT);
    taken(&world, deferral(&child, world.now, "weight", due + 100)); /* others are free */
    struct proto_event done = of_child(&child, EV(task_done, world.now, F_TEXT(task_done, task, "balloon-check")));
    refused_one(&world, done, PROTO_CONFLICT);
    world_deinit(&world);
}

static struct proto_event task_added(const struct proto_id *child, int64_t at, const char *name) {
    return of_child(child, EV(task_added, at, F_TEXT(task_added, task, name),
                              F_TEXT(task_added, title, "A talk at school"), F(task_added, due, ev_day(2026, 3, 9))));
}

static struct proto_event task_done(const struct proto_id *child, int64_t at, const char *name) {
    return of_child(child, EV(task_done, at, F_TEXT(task_done, task, name)));
}

/* A task of the team's own is done, deferred or given under the name it was added by: another is a slip. */
static void test_own_tasks(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 9);
    struct proto_id child = world_child(&world, "north-shore"), other = world_child(&world, "north-shore");
    struct proto_event given = of_child(
        &child, EV(task_given, world.now, F_TEXT(task_given, task, "school-talk"), F_TEXT(task_given, to, "nurse-b")));
    refused_one(&world, task_done(&child, world.now, "school-talk"), PROTO_BAD_VALUE);
    refused_one(&world, task_done(&child, world.now, "added"), PROTO_BAD_VALUE); /* the table's word for all of them */
    refused_one(&world, deferral(&child, world.now, "school-talk", ev_day(2026, 3, 20)), PROTO_BAD_VALUE);
    refused_one(&world, given, PROTO_BAD_VALUE);
    taken(&world, task_done(&child, world.now, "stitches-out"));
    /* In the call itself, before or after; a second of another child's name is none of this one's. */
    struct proto_event both[] = {task_done(&child, world.now, "school-talk"),
                                 task_added(&child, world.now, "school-talk"),
                                 task_done(&other, world.now, "school-talk")};
    refused(&world, &world_nurse, both, 3, PROTO_BAD_VALUE, 2);
    struct answer answer;
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, both, 2, &answer), PROTO_OK);
    answer_deinit(&answer);
    /* Of the view; also long done, and one whose time has yet to come. */
    taken(&world, task_done(&child, world.now + 1, "school-talk"));
    taken(&world, deferral(&child, world.now, "school-talk", ev_day(2026, 3, 20)));
    taken(&world, given);
    refused_one(&world, task_done(&child, world.now, "school-walk"), PROTO_BAD_VALUE);
    taken(&world, task_added(&child, world.now + EV_MIN, "early"));
    taken(&world, task_done(&child, world.now + EV_MIN, "early"));
    /* Taken back, it is not there. */
    struct proto_event slip = task_added(&child, world.now, "slip");
    taken(&world, slip);
    taken(&world, task_done(&child, world.now, "slip"));
    taken(&world, withdrawal(&child, world.now, &slip.id));
    refused_one(&world, task_done(&child, world.now + 1, "slip"), PROTO_BAD_VALUE);
    /* Records that are one child have each other's tasks, also when the call itself joins them. */
    struct proto_event joined[] = {merge(&other, world.now, &child), task_done(&other, world.now, "school-talk")};
    assert_int_equal(world_record_as(&world, &world_nurse, WORK_WANT_NONE, joined, 2, &answer), PROTO_OK);
    answer_deinit(&answer);
    taken(&world, task_done(&other, world.now + 1, "early"));
    world_verify(&world);
    world_deinit(&world);
}

/* On its way into the view: the call waits until it can be told. */
static void test_own_tasks_in_flight(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct world world;
        struct answer answers[2];
        world_init(&world, seed);
        struct proto_id child = world_child(&world, "north-shore");
        struct proto_event added = task_added(&child, world.now, "school-talk"),
                           done = task_done(&child, world.now, "school-talk");
        world_send(&world, &world_nurse, WORK_WANT_NONE, &added, 1, &answers[0]);
        for (uint64_t i = 0; i < seed % 4 && work_run_one(world.work); i++) {}
        world_send(&world, &world_nurse, WORK_WANT_NONE, &done, 1, &answers[1]);
        world_run(&world);
        for (int i = 0; i < 2; i++) {
            assert_int_equal(answers[i].code, PROTO_OK);
            answer_deinit(&answers[i]);
        }
        world_deinit(&world);
    }
}

static void test_what_one_event_names(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 6);
    struct proto_id child = world_child(&world, "north-shore"), other = world_child(&world, "north-shore");
    struct proto_event check = balloon_check(&child, world.now, 300);
    taken(&world, check);
    struct proto_event replacing = balloon_check(&other, world.now, 300);
    replacing.has_replaces = true;
    replacing.replaces = check.id;
    refused_one(&world, replacing, PROTO_CONFLICT);
    replacing = of_child(&child, EV_BARE(stoma_closed, world.now));
    replacing.has_replaces = true;
    replacing.replaces = check.id;
    refused_one(&world, replacing, PROTO_CONFLICT);
    refused_one(&world, withdrawal(&other, world.now, &check.id), PROTO_CONFLICT);
    struct proto_event slip = withdrawal(&child, world.now, &check.id);
    taken(&world, slip);
    refused_one(&world, withdrawal(&child, world.now, &slip.id), PROTO_CONFLICT);
    refused_one(&world, confirmation(&child, world.now, &check.id), PROTO_CONFLICT);
    refused_one(&world, confirmation(&child, world.now, &slip.id), PROTO_CONFLICT); /* the same account */
    struct work_who second = {.account = "second", .all_teams = true};
    struct proto_event confirmed = confirmation(&child, world.now, &slip.id);
    struct answer answer;
    assert_int_equal(world_record_as(&world, &second, WORK_WANT_NONE, &confirmed, 1, &answer), PROTO_OK);
    answer_deinit(&answer);
    struct proto_id ahead = world_id(&world);
    taken(&world, withdrawal(&child, world.now, &ahead)); /* before its target, if that ever comes */
    world_verify(&world);
    world_deinit(&world);
}

static void test_one_event_by_itself(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 7);
    struct proto_id child = world_child(&world, "north-shore"), fresh = world_id(&world);
    refused_one(&world, balloon_check(&child, world.now + PROTO_FUTURE_MS_MAX + 1, 450), PROTO_FUTURE_TIME);
    taken(&world, balloon_check(&child, world.now + PROTO_FUTURE_MS_MAX, 450));
    struct proto_event event = registration(&fresh, world.now, "mill-lane");
    event.body[PROTO_FIELD_patient_registered_zone].text = (struct proto_slice){"Nowhere/Town", 12};
    refused_one(&world, event, PROTO_BAD_VALUE);
    event = of_child(&child, EV(patient_erased, world.now, F_TEXT(patient_erased, reason, "asked for"),
                                F_TEXT(patient_erased, approved_by, "Lead")));
    taken(&world, event);
    refused_one(&world, balloon_check(&child, world.now, 450), PROTO_UNKNOWN_PATIENT);
    refused_one(&world, registration(&child, world.now, "mill-lane"), PROTO_CONFLICT);
    /* Policy for all teams is not for one who has one team. */
    struct work_who own = {.account = "dee", .team_count = 1, .teams = {"fell-side"}};
    struct policy_event all, mine;
    policy_adopted(&world, &all, world.now, NULL, "balloon-loss-ml", 60);
    policy_adopted(&world, &mine, world.now, "fell-side", "balloon-loss-ml", 60);
    refused(&world, &own, &all.event, 1, PROTO_NOT_ALLOWED, 0);
    struct answer answer;
    assert_int_equal(world_record_as(&world, &own, WORK_WANT_NONE, &mine.event, 1, &answer), PROTO_OK);
    answer_deinit(&answer);
    msgpack_unpacked_destroy(&all.unpacked);
    msgpack_unpacked_destroy(&mine.unpacked);
    world_verify(&world);
    world_deinit(&world);
}

static void test_the_queue_has_an_end(void **state) {
    (void)state;
    struct world world;
    struct proto_fault fault;
    world_init(&world, 8);
    struct proto_id child = world_child(&world, "north-shore");
    static struct answer answers[9000];
    uint32_t sent = 0;
    while (work_has_room(world.work) && sent < 9000) {
        struct proto_event event = balloon_check(&child, world.now - sent, 450);
        world_send(&world, &world_nurse, WORK_WANT_NONE, &event, 1, &answers[sent++]);
    }
    assert_true(sent < 9000);
    assert_null(work_call_new(world.work, &world_nurse, WORK_WANT_NONE));
    world_run(&world);
    assert_true(work_has_room(world.work));
    for (uint32_t i = 0; i < sent; i++) {
        assert_int_equal(answers[i].code, PROTO_OK);
        answer_deinit(&answers[i]);
    }
    world_verify(&world);
    struct work_call *call = work_call_new(world.work, &world_nurse, WORK_WANT_NONE);
    for (int i = 0; i < PROTO_EVENTS_PER_CALL_MAX; i++) {
        struct proto_event event = balloon_check(&child, world.now, 450);
        assert_int_equal(work_call_add(call, &event, &fault), PROTO_OK);
    }
    struct proto_event event = balloon_check(&child, world.now, 450);
    assert_int_equal(work_call_add(call, &event, &fault), PROTO_TOO_LARGE);
    work_call_free(call);
    world_deinit(&world);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_unknown_children),
                                       cmocka_unit_test(test_a_call_is_whole),
                                       cmocka_unit_test(test_the_same_id),
                                       cmocka_unit_test(test_overlapping_calls),
                                       cmocka_unit_test(test_what_stands_in_the_way),
                                       cmocka_unit_test(test_a_closed_record_takes_no_child_along),
                                       cmocka_unit_test(test_answered_is_not_settled),
                                       cmocka_unit_test(test_replacement_is_confirmed),
                                       cmocka_unit_test(test_deferrals),
                                       cmocka_unit_test(test_own_tasks),
                                       cmocka_unit_test(test_own_tasks_in_flight),
                                       cmocka_unit_test(test_what_one_event_names),
                                       cmocka_unit_test(test_one_event_by_itself),
                                       cmocka_unit_test(test_the_queue_has_an_end)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
