/* policy_test.c - policy in force, recalls, which values a child has, and when its device may be changed at home. */
#include "tasks_world.h"

#include "care/chars.h"
#include "care/facts.h"
#include <msgpack.h>

static msgpack_unpacked unpacked; /* what the last adopted() points into; {0} holds nothing */

/* A policy.adopted as it comes off the wire; the one before is gone. */
static struct proto_event adopted(const char *name, double value) {
    static uint8_t bytes[256];
    struct proto_writer w;
    size_t used = 0;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_map(&w, 1);
    proto_write_text(&w, name);
    proto_write_float(&w, value);
    msgpack_unpacked_destroy(&unpacked);
    msgpack_unpacked_init(&unpacked);
    assert_int_equal(msgpack_unpack_next(&unpacked, (const char *)bytes, w.size, &used), MSGPACK_UNPACK_SUCCESS);
    struct proto_event event = EV(policy_adopted, NOON(2026, 3, 1), F_TEXT(policy_adopted, approved_by, "the lead"));
    event.body[PROTO_FIELD_policy_adopted_values] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_VALUES, .n = 1, .object = &unpacked.data};
    return event;
}

static void test_policy_is_laid_over(void **unused) {
    (void)unused;
    struct care_policy policy;
    care_policy_init(&policy);
    for (int p = 1; p < PROTO_POLICY_COUNT; p++) {
        const struct proto_policy_info *info = proto_policy_get((enum proto_policy)p);
        assert_int_equal(policy.value[p], info->fallback);
        assert_true(proto_id_is_zero(&policy.adopted_by[p]));
    }
    struct proto_event event = adopted("balloon-check-days", 14);
    care_policy_apply(&policy, &event);
    assert_int_equal(policy.value[PROTO_POLICY_BALLOON_CHECK_DAYS], 1400);
    assert_memory_equal(&policy.adopted_by[PROTO_POLICY_BALLOON_CHECK_DAYS], &event.id, sizeof event.id);
    event = adopted("balloon-check-days", 29); /* out of bounds */
    care_policy_apply(&policy, &event);
    assert_int_equal(policy.value[PROTO_POLICY_BALLOON_CHECK_DAYS], 1400);
    event = adopted("of-a-newer-version", 3);
    care_policy_apply(&policy, &event);
    msgpack_unpacked_destroy(&unpacked);
}

static void test_recall(void **unused) {
    (void)unused;
    struct care_recall recall;
    char action[400];
    memset(action, 'a', sizeof action);
    memcpy(action + 242, "\xc3\xa9", 2); /* a character across the cut */
    struct proto_event event =
        EV(lot_recalled, NOON(2026, 3, 1), F_TEXT(lot_recalled, lot, "L7"), F_TEXT(lot_recalled, notice, "N"),
           F(lot_recalled, urgency, PROTO_URGENCY_SOON), F_TEXT(lot_recalled, action, "x"));
    event.body[PROTO_FIELD_lot_recalled_action].text = (struct proto_slice){action, sizeof action};
    care_recall_from_event(&recall, &event);
    assert_string_equal(recall.lot, "L7");
    assert_string_equal(recall.gtin, "");
    assert_int_equal(recall.urgency, PROTO_URGENCY_SOON);
    assert_int_equal(strlen(recall.action), 242);
}

static void test_texts_are_cut_at_a_character(void **unused) {
    (void)unused;
    char out[6];
    care_text_copy(out, sizeof out, (struct proto_slice){"abc\xe2\x82\xac", 6}); /* the euro sign does not fit */
    assert_string_equal(out, "abc");
    assert_true(care_text_is(out, sizeof out, (struct proto_slice){"abc\xe2\x82\xac", 6}));
    assert_false(care_text_is(out, sizeof out, (struct proto_slice){"ab", 2}));
    care_text_copy(out, sizeof out, (struct proto_slice){"ab\0cd", 5});
    assert_string_equal(out, "ab");
    care_text_copy(out, sizeof out, (struct proto_slice){NULL, 0});
    assert_string_equal(out, "");
}

/* device.prescribed beats plan.set beats the team's policy; a plan's value holds until its date, inclusive. */
static void test_values_in_force(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 1, 1));
    struct care_facts facts;
    add(w, button(NOON(2026, 1, 2)));
    add(w, EV(plan_set, NOON(2026, 2, 1), F(plan_set, policy, PROTO_POLICY_PH_LIMIT), F(plan_set, value, 550),
              F(plan_set, until, DAY(2026, 3, 1))));
    look(w);
    care_facts_init(&facts, &w->state, &w->context);
    assert_int_equal(care_facts_value(&facts, PROTO_POLICY_PH_LIMIT, 1, DAY(2026, 3, 1)), 550);
    assert_int_equal(care_facts_value(&facts, PROTO_POLICY_PH_LIMIT, 1, DAY(2026, 3, 2)), 500);
    assert_int_equal(care_facts_value(&facts, PROTO_POLICY_PH_LIMIT, 2, DAY(2026, 3, 1)), 500);
    add(w, EV(device_prescribed, NOON(2026, 2, 2), F(device_prescribed, ph_limit, 450)));
    add(w, button(NOON(2026, 2, 3))); /* lasts over devices */
    look(w);
    care_facts_init(&facts, &w->state, &w->context);
    assert_int_equal(care_facts_value(&facts, PROTO_POLICY_PH_LIMIT, 1, DAY(2026, 3, 2)), 450);
    assert_int_equal(care_facts_span_ms(&facts, PROTO_POLICY_OUT_AIM_MIN, 1, INT32_MIN), EV_HOUR);
    assert_int_equal(care_facts_span_ms(&facts, PROTO_POLICY_EARLY_HOURS, 1, INT32_MIN), 72 * EV_HOUR);
    assert_int_equal(care_facts_span_ms(&facts, PROTO_POLICY_NO_WORD_DAYS, 0, INT32_MIN), 14 * EV_DAY);
    free(w);
}

static uint16_t reasons(struct world *w, int64_t at) {
    struct care_facts facts;
    look(w);
    care_facts_init(&facts, &w->state, &w->context);
    return care_facts_home_change(&facts, PROTO_stoma_main, at);
}

#define REASON(name) (1u << CARE_REASON_##name)

/* Formed 1 Mar 2026: day 84 is 24 May 2026 (calc). 84 days: common practice, no source; published 2 to 12 weeks. */
static void test_home_change_by_age(void **unused) {
    (void)unused;
    struct world *w = begin(NOON(2026, 3, 1));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    add(w, button(NOON(2026, 3, 5)));
    assert_int_equal(reasons(w, ev_time(2026, 5, 23)), REASON(YOUNG));
    assert_int_equal(reasons(w, ev_time(2026, 5, 24) - 1), REASON(YOUNG));
    assert_int_equal(reasons(w, ev_time(2026, 5, 24)), 0);
    assert_int_equal(reasons(w, ev_time(2026, 5, 25)), 0);
    w->events[1].body[PROTO_FIELD_stoma_formed_precision] =
        (struct proto_value){.present = true, .n = PROTO_precision_month};
    assert_int_equal(reasons(w, ev_time(2026, 6, 23) - 1), REASON(YOUNG)); /* the latest day it can mean: 31 March */
    assert_int_equal(reasons(w, ev_time(2026, 6, 23)), 0);
    w->events[1].body[PROTO_FIELD_stoma_formed_precision].n = PROTO_precision_year;
    assert_int_equal(reasons(w, ev_time(2027, 3, 25) - 1), REASON(YOUNG)); /* 31 December */
    assert_int_equal(reasons(w, ev_time(2027, 3, 25)), 0);
    w->events[1].body[PROTO_FIELD_stoma_formed_mature_on] = (struct proto_value){.present = true, .n = DAY(2026, 4, 1)};
    assert_int_equal(reasons(w, ev_time(2026, 4, 1)), 0); /* the specialist overrides */
    w->events[1].body[PROTO_FIELD_stoma_formed_mature_on].present = false;
    w->events[1].body[PROTO_FIELD_stoma_formed_precision].n = PROTO_precision_unknown;
    assert_int_equal(reasons(w, ev_time(2099, 1, 1)), REASON(AGE_UNKNOWN));
    free(w);
}

static void test_home_change_by_device_and_plan(void **unused) {
    (void)unused;
    int64_t later = ev_time(2026, 9, 1);
    struct world *w = begin(NOON(2026, 3, 1));
    add(w, formed(NOON(2026, 3, 1), DAY(2026, 3, 1)));
    assert_int_equal(reasons(w, later), REASON(NO_DEVICE));
    add(w, button(NOON(2026, 3, 5)));
    struct proto_event *device = &w->events[w->count - 1];
    device->body[PROTO_FIELD_device_placed_why].n = PROTO_placed_why_first;
    assert_int_equal(reasons(w, later), REASON(FIRST_DEVICE));
    device->body[PROTO_FIELD_device_placed_why].n = PROTO_placed_why_scheduled;
    device->body[PROTO_FIELD_device_placed_first_in_stoma] = (struct proto_value){.present = true, .n = 1};
    assert_int_equal(reasons(w, later), REASON(FIRST_DEVICE));
    device->body[PROTO_FIELD_device_placed_first_in_stoma].n = 0;
    device->body[PROTO_FIELD_device_placed_tip].n = PROTO_tip_jejunum;
    assert_int_equal(reasons(w, later), REASON(JEJUNAL));
    device->body[PROTO_FIELD_device_placed_tip].n = PROTO_tip_stomach;
    device->body[PROTO_FIELD_device_placed_retention].n = PROTO_retention_bumper;
    assert_int_equal(reasons(w, later), REASON(NO_BALLOON));
    device->body[PROTO_FIELD_device_placed_retention].n = PROTO_retention_balloon;
    assert_int_equal(reasons(w, later), 0);
    add(w, EV(emergency_plan_set, NOON(2026, 3, 6), F_TEXT(emergency_plan_set, steps, "s"),
              F_TEXT(emergency_plan_set, prescriber, "p"), F(emergency_plan_set, home_change, 0)));
    assert_int_equal(reasons(w, later), REASON(PLAN_SAYS_NO));
    w->events[w->count - 1].body[PROTO_FIELD_emergency_plan_set_home_change].n = 1;
    assert_int_equal(reasons(w, later), 0);
    assert_int_equal(reasons(w, ev_time(2026, 4, 1)), REASON(YOUNG)); /* a plan's yes does not make a stoma older */
    free(w);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_policy_is_laid_over),          cmocka_unit_test(test_recall),
        cmocka_unit_test(test_texts_are_cut_at_a_character), cmocka_unit_test(test_values_in_force),
        cmocka_unit_test(test_home_change_by_age),           cmocka_unit_test(test_home_change_by_device_and_plan),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
