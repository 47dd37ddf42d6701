/*
 * doubles_test.c - a child that was registered twice is found from both sides: by an identifier, by birth and label; not
 * once the records are joined, and by nobody who may not see the other.
 */
#include "world.h"

#include "work/doubles.h"
#include "work/sync.h"

static const struct work_who all = {.account = "nurse", .all_teams = true};
static const struct work_who north = {.account = "nurse", .team_count = 1, .teams = {"north-shore"}};

/* --- events with identifiers: made as a caller would send them --------------------------------------------------------- */

struct sent {
    struct proto_event event;
    msgpack_unpacked unpacked;
    uint8_t bytes[1024];
};

/* A registration with `team`, else a revision; what is NULL is not said. */
static void make(struct sent *out, struct world *world, const struct proto_id *patient, int64_t at, const char *team,
                 const char *label, const char *system, const char *value) {
    struct proto_writer w;
    struct proto_fault fault = {0};
    struct proto_id id = world_id(world);
    proto_writer_init(&w, out->bytes, sizeof out->bytes);
    proto_write_map(&w, 5);
    proto_write_text(&w, "id");
    proto_write_id(&w, &id);
    proto_write_text(&w, "kind");
    proto_write_text(&w, team ? "patient.registered" : "patient.revised");
    proto_write_text(&w, "patient");
    proto_write_id(&w, patient);
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    proto_write_text(&w, "body");
    proto_write_map(&w, (team ? 3u : 0u) + (label != NULL) + (system != NULL));
    if (label) {
        proto_write_text(&w, "label");
        proto_write_text(&w, label);
    }
    if (team) {
        proto_write_text(&w, "born");
        proto_write_text(&w, "2024-05-01");
        proto_write_text(&w, "zone");
        proto_write_text(&w, "Europe/London");
        proto_write_text(&w, "team");
        proto_write_text(&w, team);
    }
    if (system) {
        proto_write_text(&w, "identifiers");
        proto_write_array(&w, 1);
        proto_write_map(&w, 2);
        proto_write_text(&w, "system");
        proto_write_text(&w, system);
        proto_write_text(&w, "value");
        proto_write_text(&w, value);
    }
    msgpack_unpacked_init(&out->unpacked);
    assert_int_equal(msgpack_unpack_next(&out->unpacked, (const char *)out->bytes, w.size, NULL),
                     MSGPACK_UNPACK_SUCCESS);
    if (proto_event_decode_map(&out->unpacked.data, PROTO_STRICT_RECORD, &out->event, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
}

static void sent_deinit(struct sent *sent) {
    msgpack_unpacked_destroy(&sent->unpacked);
}

/* Records one such event; the answer is the caller's. */
static struct proto_id told(struct world *world, const struct work_who *who, const struct proto_id *patient,
                            const char *team, const char *label, const char *system, const char *value,
                            struct answer *answer) {
    struct sent sent;
    world->now += EV_MIN;
    make(&sent, world, patient, world->now, team, label, system, value);
    if (world_record_as(world, who, WORK_WANT_OPENED, &sent.event, 1, answer) != PROTO_OK)
        fail_msg("%s", answer->fault.message);
    struct proto_id id = sent.event.id;
    sent_deinit(&sent);
    return id;
}

static struct proto_id child(struct world *world, const char *team, const char *label, const char *system,
                             const char *value, uint32_t notes) {
    struct proto_id patient = world_id(world);
    struct answer answer;
    (void)told(world, &all, &patient, team, label, system, value, &answer);
    if (answer_count(&answer, "notes") != notes)
        fail_msg("%s is told %u notes, not %u", label, answer_count(&answer, "notes"), notes);
    answer_deinit(&answer);
    return patient;
}

static void world_on_sync(void *arg, struct work_call *call) {
    struct answer *answer = arg;
    answer->done = true;
    answer->code = work_call_fault(call)->code;
    for (uint32_t i = 0; i < work_sync_count(call); i++) {
        struct work_sync_result result;
        work_sync_result_get(call, i, &result);
        assert_true(result.state == WORK_SYNC_TAKEN || result.state == WORK_SYNC_HELD);
    }
    work_call_free(call);
}

/* --- looking ------------------------------------------------------------------------------------------------------------ */

static bool sees_all(void *arg, uint32_t team) {
    (void)arg;
    assert_int_not_equal(team, 0);
    return true;
}

static bool sees_one(void *arg, uint32_t team) {
    return team == *(const uint32_t *)arg;
}

/* How the child sees the other: 0 not at all, else why. Looks at its root as the view has it. */
static int sees(struct world *world, const struct proto_id *patient, const struct proto_id *other,
                const struct work_sight *sight) {
    static struct care_state state;
    struct store_txn *txn;
    struct work_doubles doubles;
    struct proto_id root, other_root;
    int why = 0;
    assert_int_equal(store_read_begin(world->store, &txn), PROTO_OK);
    assert_int_equal(work_root_find(txn, patient, &root), PROTO_OK);
    assert_int_equal(work_root_find(txn, other, &other_root), PROTO_OK);
    assert_int_equal(work_doubles_read(txn, &root, &state, sight, &doubles), PROTO_OK);
    for (uint32_t i = 0; i < doubles.count; i++)
        if (proto_id_compare(&doubles.list[i].root, &other_root) == 0)
            why = doubles.list[i].why;
    store_read_end(txn);
    return why;
}

/* From both sides the same. */
static void expect(struct world *world, const struct proto_id *a, const struct proto_id *b, int why) {
    const struct work_sight sight = {sees_all, NULL};
    assert_int_equal(sees(world, a, b, &sight), why);
    assert_int_equal(sees(world, b, a, &sight), why);
}

/* 9434765919: valid by modulus 11 (NHS Data Dictionary, as seen in the table of check values). */
static void test_what_looks_like_one(void **state) {
    (void)state;
    struct world world;
    world_init(&world, 1);
    struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0);
    struct proto_id other_system = child(&world, "north-shore", "HM-1", "ward", "9434765919", 0);
    struct proto_id other_value = child(&world, "north-shore", "HM-2", "nhs", "94347659190", 0);
    struct proto_id same = child(&world, "mill-lane", "HM-3", "nhs", "9434765919", 1);
    struct proto_id spelt = child(&world, "mill-lane", " hm-01 42", NULL, NULL, 1);
    struct proto_id longer = child(&world, "mill-lane", "HM-01421", NULL, NULL, 0);
    expect(&world, &a, &other_system, 0);
    expect(&world, &a, &other_value, 0);
    expect(&world, &a, &longer, 0);
    expect(&world, &a, &same, WORK_DOUBLE_IDENTIFIER);
    expect(&world, &a, &spelt, WORK_DOUBLE_BORN_AND_LABEL);
    expect(&world, &same, &spelt, 0);
    struct proto_id both = child(&world, "mill-lane", "HM-0142", "nhs", "9434765919", 3); /* a, same, spelt */
    expect(&world, &a, &both, WORK_DOUBLE_IDENTIFIER);
    world_verify(&world);
    world_crash(&world, true, 2); /* made anew from the log, the rows are the same */
    expect(&world, &a, &same, WORK_DOUBLE_IDENTIFIER);
    world_verify(&world);
    world_deinit(&world);
}

static void test_born_another_day(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 2);
    struct proto_id a = child(&world, "north-shore", "HM-0142", NULL, NULL, 0), b = world_id(&world);
    struct proto_event event = registration(&b, world.now, "north-shore");
    event.body[PROTO_FIELD_patient_registered_label].text = (struct proto_slice){"HM-0142", 7};
    event.body[PROTO_FIELD_patient_registered_born].n = ev_day(2024, 5, 2);
    assert_int_equal(world_record(&world, event), PROTO_OK);
    expect(&world, &a, &b, 0);
    world.now += EV_MIN;
    struct proto_event born =
        of_child(&b, EV(patient_revised, world.now, F(patient_revised, born, ev_day(2024, 5, 1))));
    assert_int_equal(world_record_as(&world, &all, WORK_WANT_OPENED, &born, 1, &answer), PROTO_OK);
    assert_true(answer_has(&answer, "notes", "field", "born"));
    answer_deinit(&answer);
    expect(&world, &a, &b, WORK_DOUBLE_BORN_AND_LABEL);
    world_verify(&world);
    world_deinit(&world);
}

/* --- what the recorder is told -------------------------------------------------------------------------------------------- */

static const char *note_message(const struct answer *answer, const struct proto_id *event, const char *field,
                                char out[700]) {
    const msgpack_object *notes = object_field(&answer->unpacked.data, "notes");
    char id[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(event, id);
    assert_int_equal(notes->via.array.size, 1);
    assert_true(answer_has(answer, "notes", "event", id));
    assert_true(answer_has(answer, "notes", "field", field));
    const msgpack_object *message = object_field(&notes->via.array.ptr[0], "message");
    (void)snprintf(out, 700, "%.*s", (int)message->via.str.size, message->via.str.ptr);
    return out;
}

static void test_notes(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    char message[700];
    world_init(&world, 3);
    struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0);
    struct proto_id b = world_id(&world), c = world_id(&world);
    struct sent again;
    world.now += EV_MIN;
    make(&again, &world, &b, world.now, "mill-lane", "HM-0200", "nhs", "9434765919");
    for (int times = 0; times < 2; times++) { /* the second time the answer was lost, and it is said again */
        assert_int_equal(world_record_as(&world, &all, WORK_WANT_OPENED, &again.event, 1, &answer), PROTO_OK);
        (void)note_message(&answer, &again.event.id, "identifiers", message);
        assert_non_null(strstr(message, "HM-0142 of team north-shore"));
        assert_non_null(strstr(message, "nhs 9434765919"));
        assert_non_null(strstr(message, "patient.merged"));
        assert_null(strstr(message, "closed"));
        answer_deinit(&answer);
    }
    assert_int_equal(world_record_as(&world, &all, WORK_WANT_NONE, &again.event, 1, &answer), PROTO_OK);
    assert_int_equal(answer_count(&answer, "notes"), 0);
    answer_deinit(&answer);
    sent_deinit(&again);
    struct proto_id event = told(&world, &all, &c, "mill-lane", "hm-0142", NULL, NULL, &answer);
    (void)note_message(&answer, &event, "label", message);
    assert_non_null(strstr(message, "born on the same day"));
    answer_deinit(&answer);
    /* A revision that says nothing of who the child is is not answered with it; one that makes it look like another is. */
    (void)told(&world, &all, &a, NULL, NULL, "ward", "7", &answer);
    assert_int_equal(answer_count(&answer, "notes"), 0);
    answer_deinit(&answer);
    event = told(&world, &all, &a, NULL, NULL, "nhs", "9434765919", &answer);
    (void)note_message(&answer, &event, "identifiers", message);
    assert_non_null(strstr(message, "HM-0200 of team mill-lane"));
    answer_deinit(&answer);
    (void)told(&world, &all, &a, NULL, "HM-0999", NULL, NULL, &answer); /* what they share is not in this event */
    assert_int_equal(answer_count(&answer, "notes"), 0);
    answer_deinit(&answer);
    world_verify(&world);
    world_deinit(&world);
}

/* Registered twice at one moment, in one call or in two that come together: both are told. */
static void test_together(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 8; seed++) {
        struct world world;
        struct answer answers[2];
        struct sent sent[2];
        world_init(&world, seed);
        struct proto_id a = world_id(&world), b = world_id(&world);
        make(&sent[0], &world, &a, world.now, "north-shore", "HM-1", "nhs", "9434765919");
        make(&sent[1], &world, &b, world.now, "north-shore", "HM-2", "nhs", "9434765919");
        if (seed % 2) {
            for (int i = 0; i < 2; i++)
                world_send(&world, &all, WORK_WANT_OPENED, &sent[i].event, 1, &answers[i]);
            world_run(&world);
            for (int i = 0; i < 2; i++)
                assert_int_equal(answer_count(&answers[i], "notes"), 1);
            answer_deinit(&answers[1]);
        } else {
            struct proto_event both[] = {sent[0].event, sent[1].event};
            assert_int_equal(world_record_as(&world, &all, WORK_WANT_OPENED, both, 2, &answers[0]), PROTO_OK);
            assert_int_equal(answer_count(&answers[0], "notes"), 2);
        }
        answer_deinit(&answers[0]);
        sent_deinit(&sent[0]);
        sent_deinit(&sent[1]);
        world_deinit(&world);
    }
}

/* --- not any more, not to everybody ------------------------------------------------------------------------------------------ */

static void test_merged_and_parted(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 4);
    struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0);
    struct proto_id b = child(&world, "mill-lane", "HM-0142", "nhs", "9434765919", 1);
    struct proto_event join = merge(&b, world.now, &a);
    join.id = world_id(&world);
    join.has_id = true;
    assert_int_equal(world_record(&world, join), PROTO_OK);
    expect(&world, &a, &b, 0);
    (void)told(&world, &all, &b, NULL, "HM-0142", NULL, NULL, &answer);
    assert_int_equal(answer_count(&answer, "notes"), 0);
    answer_deinit(&answer);
    struct proto_id third = child(&world, "fell-side", "HM-0142", NULL, NULL, 1); /* of the two that are one, once */
    expect(&world, &b, &third, WORK_DOUBLE_BORN_AND_LABEL);
    assert_int_equal(world_record(&world, withdrawal(&b, world.now, &join.id)), PROTO_OK);
    expect(&world, &a, &b, WORK_DOUBLE_IDENTIFIER);
    world_verify(&world);
    world_deinit(&world);
}

static void test_closed_withdrawn_erased(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    char message[700];
    const struct work_sight sight = {sees_all, NULL};
    world_init(&world, 5);
    struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0), b = world_id(&world);
    struct proto_event closed =
        of_child(&a, EV(patient_closed, world.now, F(patient_closed, reason, PROTO_closed_reason_moved_away)));
    assert_int_equal(world_record(&world, closed), PROTO_OK);
    struct proto_id event = told(&world, &all, &b, "north-shore", "HM-0142", "nhs", "9434765919", &answer);
    assert_non_null(strstr(note_message(&answer, &event, "identifiers", message), "patient.reopened"));
    answer_deinit(&answer);
    expect(&world, &a, &b, WORK_DOUBLE_IDENTIFIER);
    /* Whoever's registration was a slip is no child: what a revision said of it makes nobody a double. */
    struct proto_id slip = world_id(&world);
    struct proto_id registered = told(&world, &all, &slip, "mill-lane", "HM-0142", NULL, NULL, &answer);
    answer_deinit(&answer);
    (void)told(&world, &all, &slip, NULL, NULL, "nhs", "9434765919", &answer);
    assert_int_equal(answer_count(&answer, "notes"), 2);
    answer_deinit(&answer);
    struct proto_event says = of_child(&slip, EV(patient_revised, world.now, F_TEXT(patient_revised, label, "HM-0142"),
                                                 F(patient_revised, born, ev_day(2024, 5, 1))));
    assert_int_equal(world_record(&world, says), PROTO_OK);
    struct proto_event moved = of_child(&slip, EV(patient_moved, world.now, F_TEXT(patient_moved, team, "fell-side")));
    assert_int_equal(world_record(&world, moved), PROTO_OK);
    assert_int_equal(world_record(&world, withdrawal(&slip, world.now, &registered)), PROTO_OK);
    expect(&world, &b, &slip, 0);
    expect(&world, &a, &b, WORK_DOUBLE_IDENTIFIER);
    world_verify(&world);
    struct proto_event gone =
        of_child(&a, EV(patient_erased, world.now, F_TEXT(patient_erased, reason, "the family asked"),
                        F_TEXT(patient_erased, approved_by, "Lead nurse")));
    assert_int_equal(world_record(&world, gone), PROTO_OK);
    struct store_txn *txn;
    struct work_doubles doubles;
    static struct care_state scratch;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_doubles_read(txn, &b, &scratch, &sight, &doubles), PROTO_OK);
    assert_int_equal(doubles.count, 0);
    store_read_end(txn);
    world_verify(&world);
    world_deinit(&world);
}

static void test_out_of_sight(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 6);
    struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0);
    struct proto_id b = child(&world, "mill-lane", "HM-0142", "nhs", "9434765919", 1), c = world_id(&world);
    struct store_txn *txn;
    uint32_t number = 0;
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_team_find(txn, (struct proto_slice){"mill-lane", 9}, &number), PROTO_OK);
    store_read_end(txn);
    const struct work_sight mill = {sees_one, &number};
    assert_int_equal(sees(&world, &a, &b, &mill), WORK_DOUBLE_IDENTIFIER);
    assert_int_equal(sees(&world, &b, &a, &mill), 0);
    (void)told(&world, &north, &a, NULL, "HM-0142", "nhs", "9434765919", &answer);
    assert_int_equal(answer_count(&answer, "notes"), 0);
    answer_deinit(&answer);
    (void)told(&world, &north, &c, "north-shore", "HM-0300", "nhs", "9434765919", &answer);
    assert_int_equal(answer_count(&answer, "notes"), 1);
    answer_deinit(&answer);
    world_deinit(&world);
}

/* Two callers of one moment, about one child: each hears of what it may see. */
static void test_each_caller_its_own(void **state) {
    (void)state;
    for (uint64_t seed = 1; seed <= 8; seed++) {
        struct world world;
        struct answer answers[2];
        struct sent sent[2];
        bool first_sees_all = seed % 2;
        world_init(&world, seed);
        struct proto_id a = child(&world, "north-shore", "HM-0142", "nhs", "9434765919", 0);
        (void)child(&world, "mill-lane", "HM-0900", "nhs", "9434765919", 1);
        for (int i = 0; i < 2; i++) {
            make(&sent[i], &world, &a, world.now, NULL, NULL, "nhs", "9434765919");
            world_send(&world, (i == 0) == first_sees_all ? &all : &north, WORK_WANT_OPENED, &sent[i].event, 1,
                       &answers[i]);
        }
        world_run(&world);
        assert_int_equal(answer_count(&answers[!first_sees_all], "notes"), 1);
        assert_int_equal(answer_count(&answers[first_sees_all], "notes"), 0);
        for (int i = 0; i < 2; i++) {
            answer_deinit(&answers[i]);
            sent_deinit(&sent[i]);
        }
        world_deinit(&world);
    }
}

/* A number that means "not known" is shared by many: a few are told, and it costs no more for that. */
static void test_many(void **state) {
    (void)state;
    struct world world;
    struct answer answer;
    world_init(&world, 7);
    struct proto_id last = {{0}};
    for (int i = 0; i < 40; i++) {
        char label[16];
        struct proto_id patient = world_id(&world);
        (void)snprintf(label, sizeof label, "HM-%04d", i);
        (void)told(&world, &all, &patient, "north-shore", label, "nhs", "not known", &answer);
        assert_int_equal(answer_count(&answer, "notes"), i < 3 ? (uint32_t)i : 3);
        answer_deinit(&answer);
        last = patient;
    }
    static struct care_state scratch;
    struct store_txn *txn;
    struct work_doubles doubles;
    const struct work_sight sight = {sees_all, NULL};
    assert_int_equal(store_read_begin(world.store, &txn), PROTO_OK);
    assert_int_equal(work_doubles_read(txn, &last, &scratch, &sight, &doubles), PROTO_OK);
    assert_int_equal(doubles.count, WORK_DOUBLES_MAX);
    store_read_end(txn);
    world_verify(&world);
    world_deinit(&world);
}

/* --- two laptops ------------------------------------------------------------------------------------------------------------------ */

/* Everything that one store holds goes to the other, as events travel between nodes. */
static void pass_on(struct world *from, struct world *to) {
    struct work_sync_from origin = {.node = work_node(from->work), .scope = {.all_teams = true}};
    struct work_call *call = work_sync_new(to->work, WORK_SYNC_OFFER, &origin);
    struct store_event stored;
    struct store_txn *txn;
    struct proto_fault fault = {0};
    struct answer answer = {0};
    assert_non_null(call);
    assert_int_equal(store_read_begin(from->store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &stored) == PROTO_OK; seq++) {
        struct work_sync_event event = {.bytes = {(const char *)stored.body.data, (uint32_t)stored.body.size}};
        assert_int_equal(work_sync_add(call, &event, &fault), PROTO_OK);
    }
    store_read_end(txn);
    work_submit(to->work, call, world_on_sync, &answer);
    world_run(to);
    assert_true(answer.done);
    assert_int_equal(answer.code, PROTO_OK);
}

/* Both registered the same child with no network; each learns of the other's record when both have synced, and one merge ends it for both. */
static void test_two_laptops(void **state) {
    (void)state;
    struct world a, b;
    struct answer answer;
    world_init(&a, 11);
    world_init(&b, 12);
    struct proto_id mine = child(&a, "north-shore", "HM-0142", "nhs", "9434765919", 0);
    struct proto_id theirs = child(&b, "mill-lane", "HM 0142", "nhs", "9434765919", 0);
    pass_on(&a, &b);
    expect(&b, &mine, &theirs, WORK_DOUBLE_IDENTIFIER);
    pass_on(&b, &a);
    expect(&a, &mine, &theirs, WORK_DOUBLE_IDENTIFIER);
    (void)told(&a, &all, &mine, NULL, "HM-0142", "nhs", "9434765919", &answer);
    assert_int_equal(answer_count(&answer, "notes"), 1);
    answer_deinit(&answer);
    a.now += EV_MIN;
    assert_int_equal(world_record(&a, merge(&mine, a.now, &theirs)), PROTO_OK);
    b.now = a.now;
    pass_on(&a, &b);
    expect(&a, &mine, &theirs, 0);
    expect(&b, &mine, &theirs, 0);
    world_verify(&a);
    world_verify(&b);
    world_deinit(&a);
    world_deinit(&b);
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_two_laptops),
                                       cmocka_unit_test(test_what_looks_like_one),
                                       cmocka_unit_test(test_born_another_day),
                                       cmocka_unit_test(test_notes),
                                       cmocka_unit_test(test_together),
                                       cmocka_unit_test(test_merged_and_parted),
                                       cmocka_unit_test(test_closed_withdrawn_erased),
                                       cmocka_unit_test(test_out_of_sight),
                                       cmocka_unit_test(test_each_caller_its_own),
                                       cmocka_unit_test(test_many)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
