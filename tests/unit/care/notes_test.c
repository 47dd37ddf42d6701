/*
 * notes_test.c - what is said back about an event: like events by what they name, alerts that stand, unlikely weights.
 */
#include "alerts_world.h"

#include "care/notes.h"

static void expect_alike(bool alike, struct proto_event a, struct proto_event b) {
    assert_int_equal(care_events_alike(&a, &b), alike);
    assert_int_equal(care_events_alike(&b, &a), alike);
}

static void test_named_things(void **state) {
    (void)state;
#define DEFERRED(name) EV(task_deferred, 1, F_TEXT(task_deferred, task, name), F(task_deferred, until, 20000))
    expect_alike(true, DEFERRED("weight"), DEFERRED("weight"));
    expect_alike(false, DEFERRED("weight"), DEFERRED("spare-check"));
    expect_alike(true, EV(supply_counted, 1, F_TEXT(supply_counted, item, "syringes")),
                 EV(supply_counted, 2, F_TEXT(supply_counted, item, "syringes"), F(supply_counted, count, 4)));
    expect_alike(false, EV(supply_counted, 1, F_TEXT(supply_counted, item, "syringes")),
                 EV(supply_counted, 2, F_TEXT(supply_counted, item, "sets")));
#define SPARE(where, which) EV(spare_counted, 1, F(spare_counted, place, where), F(spare_counted, what, which))
    expect_alike(true, SPARE(PROTO_spare_place_home, PROTO_spare_what_same),
                 SPARE(PROTO_spare_place_home, PROTO_spare_what_same));
    expect_alike(false, SPARE(PROTO_spare_place_home, PROTO_spare_what_same),
                 SPARE(PROTO_spare_place_school, PROTO_spare_what_same));
    expect_alike(false, SPARE(PROTO_spare_place_home, PROTO_spare_what_same),
                 SPARE(PROTO_spare_place_home, PROTO_spare_what_smaller));
#define TRAINED(who, what) EV(carer_trained, 1, F_TEXT(carer_trained, carer, who), F(carer_trained, skill, what))
    expect_alike(true, TRAINED("mother", PROTO_skill_daily_care), TRAINED("mother", PROTO_skill_daily_care));
    expect_alike(false, TRAINED("mother", PROTO_skill_daily_care), TRAINED("father", PROTO_skill_daily_care));
    expect_alike(false, TRAINED("mother", PROTO_skill_daily_care), TRAINED("mother", PROTO_skill_emergency_steps));
    /* One item in common is enough; a call that nobody took and the one that was answered are two. */
#define CARE(set) EV(care_done, 1, F(care_done, items, set))
    expect_alike(true, CARE(EV_BIT(PROTO_care_item_site_care) | EV_BIT(PROTO_care_item_rotate)),
                 CARE(EV_BIT(PROTO_care_item_rotate)));
    expect_alike(false, CARE(EV_BIT(PROTO_care_item_site_care)), CARE(EV_BIT(PROTO_care_item_rotate)));
#define CALL(whom, how) EV(contact_made, 1, F(contact_made, to, whom), F(contact_made, outcome, how))
    expect_alike(true, CALL(PROTO_contact_to_ward, PROTO_outcome_answered),
                 EV(contact_made, 2, F(contact_made, to, PROTO_contact_to_ward),
                    F(contact_made, about, EV_BIT(PROTO_ALERT_BLOCKED)),
                    F(contact_made, outcome, PROTO_outcome_answered)));
    expect_alike(false, CALL(PROTO_contact_to_ward, PROTO_outcome_answered),
                 CALL(PROTO_contact_to_ward, PROTO_outcome_no_answer));
    expect_alike(false, CALL(PROTO_contact_to_ward, PROTO_outcome_answered),
                 CALL(PROTO_contact_to_surgeon, PROTO_outcome_answered));
    /* What names nothing is like all of its kind, whatever was measured. */
    expect_alike(true, EV(balloon_checked, 1, F(balloon_checked, withdrawn_ml, 300)),
                 EV(balloon_checked, 2, F(balloon_checked, withdrawn_ml, 310)));
    expect_alike(true, EV_BARE(tube_out, 1), EV(tube_out, 2, F(tube_out, pain, 1)));
}

static void test_looks_at_the_site(void **state) {
    (void)state;
    struct proto_event red = EV(site_checked, 1, F(site_checked, redness, PROTO_redness_red), F(site_checked, warm, 1));
    expect_alike(true, red, EV(site_checked, 2, F(site_checked, redness, PROTO_redness_red)));
    expect_alike(true, red, EV(site_checked, 2, F(site_checked, leak, PROTO_leak_none)));
    expect_alike(false, red,
                 EV(site_checked, 2, F(site_checked, redness, PROTO_redness_none), F(site_checked, warm, 1)));
    expect_alike(false, red, EV(site_checked, 2, F(site_checked, warm, 0)));
    /* A record is revised twice for two reasons; the same said twice is one. */
    struct proto_event nurse = EV(patient_revised, 1, F_TEXT(patient_revised, named_nurse, "A"));
    expect_alike(true, nurse, EV(patient_revised, 2, F_TEXT(patient_revised, named_nurse, "A")));
    expect_alike(false, nurse, EV(patient_revised, 2, F_TEXT(patient_revised, named_nurse, "B")));
    expect_alike(false, nurse, EV(patient_revised, 2, F_TEXT(patient_revised, address, "B")));
}

/* Every note on the world's event at this place. */
static uint32_t notes_on(struct world *w, uint32_t index, int64_t now, struct care_note *first) {
    struct care_note note;
    uint32_t place = 0, count = 0;
    world_look(w);
    while (care_note_next(&w->state, &w->schedule, &w->events[index], now, &place, &note))
        if (count++ == 0)
            *first = note;
    return count;
}

static void test_alerts_that_stand(void **state) {
    (void)state;
    static struct world w;
    struct care_note note;
    world_init(&w);
    world_add(&w, EV(balloon_checked, w.t, F(balloon_checked, withdrawn_ml, 300), F(balloon_checked, filled_ml, 500)));
#define ABOUT(after, whom)                                                                                             \
    EV(contact_made, w.t + (after), F(contact_made, to, whom),                                                         \
       F(contact_made, about, EV_BIT(PROTO_ALERT_BALLOON_LOW) | EV_BIT(PROTO_ALERT_BLOCKED)),                          \
       F(contact_made, outcome, PROTO_outcome_answered))
    uint32_t family = w.count;
    world_add(&w, ABOUT(EV_MIN, PROTO_contact_to_family));
    assert_int_equal(notes_on(&w, family, w.t + EV_HOUR, &note), 1); /* `blocked` is not open: nothing stands */
    assert_string_equal(note.field, "about");
    assert_string_equal(note.message,
                        "balloon-low still stands: a contact with \"family\" does not answer it. These do: "
                        "surgeon, gastroenterologist, emergency, ward, radiology.");
    uint32_t ward = w.count;
    world_add(&w, ABOUT(2 * EV_MIN, PROTO_contact_to_ward));
    assert_int_equal(notes_on(&w, ward, w.t + EV_HOUR, &note), 0);
    assert_int_equal(notes_on(&w, family, w.t + EV_HOUR, &note), 0); /* answered by now, if not by this contact */
    /* Low again after the answer: the answer does not cover that. */
    world_add(&w, EV(balloon_checked, w.t + 3 * EV_MIN, F(balloon_checked, withdrawn_ml, 290),
                     F(balloon_checked, filled_ml, 500)));
    assert_int_equal(notes_on(&w, ward, w.t + EV_HOUR, &note), 1);
    assert_non_null(strstr(note.message, "after this contact"));
    /* Nobody answered: that is what call-again is for. */
    uint32_t nobody = w.count;
    struct proto_event *call = world_add(&w, ABOUT(4 * EV_MIN, PROTO_contact_to_ward));
    call->body[PROTO_FIELD_contact_made_outcome].n = PROTO_outcome_no_answer;
    assert_int_equal(notes_on(&w, nobody, w.t + EV_HOUR, &note), 0);
}

/* Bounds: common practice, no source. */
static void test_weights(void **state) {
    (void)state;
    static const struct {
        int64_t first, days, second;
        uint32_t notes;
        const char *says;
    } rows[] = {
        {1500, 30, 2000, 0, NULL}, /* exactly a third more */
        {1500, 30, 2001, 1, "20.01 kg differs by more than a third from the 15 kg of 30 days before"},
        {1500, 30, 1000, 0, NULL},
        {1500, 1, 999, 1, "9.99 kg differs by more than a third from the 15 kg of 1 day before"},
        {1500, 90, 2001, 1, "90 days before"},
        {1500, 91, 2001, 0, NULL},
        {1500, 91, 12000, 0, NULL},
        {1500, 91, 12001, 1, "120.01 kg is more than children here weigh"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        static struct world w;
        struct care_note note;
        world_init(&w);
        world_add(&w, EV(weight_measured, w.t, F(weight_measured, weight_kg, rows[i].first)));
        int64_t at = w.t + rows[i].days * EV_DAY;
        uint32_t index = w.count;
        world_add(&w, EV(weight_measured, at, F(weight_measured, weight_kg, rows[i].second)));
        assert_int_equal(notes_on(&w, index, at, &note), rows[i].notes);
        if (!rows[i].notes)
            continue;
        assert_string_equal(note.field, "weight_kg");
        assert_non_null(strstr(note.message, "common practice, no source"));
        if (!strstr(note.message, rows[i].says))
            fail_msg("\"%s\" is not in: %s", rows[i].says, note.message);
    }
}

/* Recorded late, it is compared with the one that comes after it. */
static void test_a_weight_recorded_late(void **state) {
    (void)state;
    static struct world w;
    struct care_note note;
    world_init(&w);
    world_add(&w, EV(weight_measured, w.t, F(weight_measured, weight_kg, 1500)));
    assert_int_equal(notes_on(&w, w.count - 1, w.t, &note), 0);
    uint32_t index = w.count;
    world_add(&w, EV(weight_measured, w.t - 2 * EV_DAY, F(weight_measured, weight_kg, 3300)));
    assert_int_equal(notes_on(&w, index, w.t, &note), 1);
    assert_non_null(strstr(note.message, "33 kg differs by more than a third from the 15 kg of 2 days later"));
}

int main(void) {
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_named_things), cmocka_unit_test(test_looks_at_the_site),
                                       cmocka_unit_test(test_alerts_that_stand), cmocka_unit_test(test_weights),
                                       cmocka_unit_test(test_a_weight_recorded_late)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
