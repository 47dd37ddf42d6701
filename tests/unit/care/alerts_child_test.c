/*
 * What is missing around the child, and what all alerts share: answers, calls to make again, accepted findings, withdrawals, closed children.
 */
#include "alerts_world.h"

/* --- records, carers ------------------------------------------------------------------------------------------ */

static void stoma_date_and_emergency_plan_until_given(void **unused) {
    (void)unused;
    struct world w;
    world_init_bare(&w);
    assert_false(world_open(&w, PROTO_ALERT_STOMA_DATE_MISSING, w.t));
    assert_false(world_open(&w, PROTO_ALERT_EMERGENCY_PLAN_MISSING, w.t)); /* no stoma yet */
    world_add(&w, world_device(w.t));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_STOMA_DATE_MISSING, w.t), PROTO_URGENCY_SOON);
    assert_int_equal(world_urgency(&w, PROTO_ALERT_EMERGENCY_PLAN_MISSING, w.t), PROTO_URGENCY_SOON);
    world_add(&w, EV(stoma_formed, w.t + EV_HOUR, F(stoma_formed, how, PROTO_how_unknown),
                     F(stoma_formed, precision, PROTO_precision_unknown)));
    assert_true(world_open(&w, PROTO_ALERT_STOMA_DATE_MISSING, w.t + EV_HOUR));
    world_add(&w,
              EV(stoma_formed, w.t + 2 * EV_HOUR, F(stoma_formed, how, PROTO_how_surgical),
                 F(stoma_formed, formed_on, ev_day(2025, 6, 1)), F(stoma_formed, precision, PROTO_precision_month)));
    assert_false(world_open(&w, PROTO_ALERT_STOMA_DATE_MISSING, w.t + 2 * EV_HOUR));
    world_add(&w, EV(emergency_plan_set, w.t + 3 * EV_HOUR, F_TEXT(emergency_plan_set, steps, "To hospital"),
                     F_TEXT(emergency_plan_set, prescriber, "Dr Alder")));
    assert_false(world_open(&w, PROTO_ALERT_EMERGENCY_PLAN_MISSING, w.t + 3 * EV_HOUR));
}

static struct proto_event trained(int64_t at, const char *who, int skill, int level, int32_t until) {
    struct proto_event event = EV(carer_trained, at, F_TEXT(carer_trained, carer, who), F(carer_trained, skill, skill),
                                  F(carer_trained, level, level), F(carer_trained, until, until));
    if (until == 0)
        event.body[PROTO_FIELD_carer_trained_until] = (struct proto_value){0};
    return event;
}

static void trained_carers_in_date(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_TRAINED_CARER, w.t), CARE_NEXT_NO_TRAINED_CARER_BOTH);
    world_add(&w, trained(w.t, "mother", PROTO_skill_emergency_steps, PROTO_skill_level_shown, ev_day(2026, 5, 31)));
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_TRAINED_CARER, w.t), CARE_NEXT_NO_TRAINED_CARER_CHANGE);
    world_add(&w, trained(w.t, "father", PROTO_skill_device_change, PROTO_skill_level_supervised, 0));
    assert_true(world_open(&w, PROTO_ALERT_NO_TRAINED_CARER, w.t)); /* supervised is not signed off */
    world_add(&w, trained(w.t + EV_HOUR, "father", PROTO_skill_device_change, PROTO_skill_level_signed_off, 0));
    assert_false(world_open(&w, PROTO_ALERT_NO_TRAINED_CARER, ev_time(2026, 6, 1) - 1)); /* in date through 31 May */
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_TRAINED_CARER, ev_time(2026, 6, 1)),
                     CARE_NEXT_NO_TRAINED_CARER_EMERGENCY);
    /* twelve months after 1 Mar 2026 the other skill ends as well: from memory of the trade */
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_TRAINED_CARER, ev_time(2027, 3, 2) - 1),
                     CARE_NEXT_NO_TRAINED_CARER_EMERGENCY);
    assert_int_equal(world_next(&w, PROTO_ALERT_NO_TRAINED_CARER, ev_time(2027, 3, 2)),
                     CARE_NEXT_NO_TRAINED_CARER_BOTH);
    world_add(&w, EV(carer_left, w.t + EV_DAY, F_TEXT(carer_left, carer, "mother")));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_NO_TRAINED_CARER, w.t + EV_DAY, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->since, w.t + EV_DAY);
}

/* --- spares, supplies -------------------------------------------------------------------------------------------- */

static struct proto_event counted(int64_t at, int what, int64_t count) {
    return EV(spare_counted, at, F(spare_counted, place, PROTO_spare_place_home), F(spare_counted, what, what),
              F(spare_counted, count, count));
}

/* Carers without a spare device: NPSA Signal, 28 Feb 2012; 30 days and 7 of grace: from memory of the trade. */
static void spare_never_counted_is_missing_after_the_grace(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_device(w.t)); /* 1 March: due on 31 March, overdue after 7 April */
    assert_false(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 4, 8) - 1));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 4, 8), NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_SPARE_MISSING_NEVER);
}

static void spare_counted_and_wanting(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, counted(w.t, PROTO_spare_what_same, 0));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_SPARE_MISSING, w.t), PROTO_URGENCY_SOON);
    world_add(&w, EV(supply_ordered, w.t + EV_HOUR, F_TEXT(supply_ordered, item, "spare device"),
                     F(supply_ordered, expected, ev_day(2026, 3, 4))));
    assert_false(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 3, 5) - 1));
    assert_true(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 3, 5)));
    world_add(&w, counted(w.t + EV_DAY, PROTO_spare_what_same, 1));
    assert_false(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2027, 3, 5)));
    struct proto_event wrong = counted(w.t + 2 * EV_DAY, PROTO_spare_what_same, 1);
    wrong.body[PROTO_FIELD_spare_counted_french_fr] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_AMOUNT, .n = 1200};
    world_add(&w, wrong);
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_SPARE_MISSING, w.t + 2 * EV_DAY, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_SPARE_MISSING_UNFIT);
}

static void spare_out_of_date_and_required_by_the_plan(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    struct proto_event spare = counted(w.t, PROTO_spare_what_same, 2);
    spare.body[PROTO_FIELD_spare_counted_expires] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_DATE, .n = ev_day(2026, 3, 20)};
    world_add(&w, spare);
    assert_false(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 3, 21) - 1));
    assert_true(world_open(&w, PROTO_ALERT_SPARE_MISSING, ev_time(2026, 3, 21)));
    world_add(&w, EV(emergency_plan_set, w.t + EV_HOUR, F_TEXT(emergency_plan_set, steps, "Smaller one first"),
                     F_TEXT(emergency_plan_set, prescriber, "Dr Alder"),
                     F(emergency_plan_set, spares, EV_BIT(PROTO_spare_what_smaller))));
    world_add(&w, counted(w.t + EV_HOUR, PROTO_spare_what_smaller, 0));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_SPARE_MISSING, w.t + EV_HOUR, NULL);
    assert_non_null(alert);
    assert_string_equal(alert->text, "smaller spare");
}

static void supply_low_seven_days_before_it_runs_out(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_look(&w);
    world_add(&w, EV(supply_counted, w.t, F_TEXT(supply_counted, item, "syringe"), F(supply_counted, count, 20)));
    assert_false(world_open(&w, PROTO_ALERT_SUPPLY_LOW, w.t + 365 * EV_DAY)); /* how many are used is not known */
    struct care_facts facts;
    world_look(&w);
    w.state.profile.use_count = 1;
    strcpy(w.state.profile.uses[0].item, "syringe");
    w.state.profile.uses[0].per_day = 200; /* two a day: 20 last ten days, to 11 March */
    care_facts_init(&facts, &w.state, &w.context);
    assert_int_equal(care_supply_until(&facts, &w.state.supplies[0]), ev_day(2026, 3, 11));
    care_plan(&w.state, &w.context, &w.schedule);
    const struct care_alert *alert = NULL;
    for (uint32_t i = 0; i < w.schedule.alert_count; i++) {
        if (w.schedule.alerts[i].alert == PROTO_ALERT_SUPPLY_LOW)
            alert = &w.schedule.alerts[i];
    }
    assert_non_null(alert);
    assert_int_equal(alert->steps[0].from, ev_time(2026, 3, 4));
    assert_string_equal(alert->text, "syringe");
}

/* --- no word, clocks ----------------------------------------------------------------------------------------------- */

/* 14 days; two missed visits running make it a matter for today: from memory of the trade. */
static void no_word_for_fourteen_days(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_check(w.t, 500, 500));
    assert_false(world_open(&w, PROTO_ALERT_NO_WORD, ev_time(2026, 3, 15) - 1));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_NO_WORD, ev_time(2026, 3, 15)), PROTO_URGENCY_SOON);
    world_add(&w, EV(visit_missed, w.t + 2 * EV_DAY, F_TEXT(visit_missed, reason, "nobody in")));
    assert_false(world_open(&w, PROTO_ALERT_NO_WORD, w.t + 2 * EV_DAY));
    world_add(&w, EV(visit_missed, w.t + 4 * EV_DAY, F_TEXT(visit_missed, reason, "nobody in")));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_NO_WORD, w.t + 4 * EV_DAY), PROTO_URGENCY_TODAY);
    world_add(&w, world_call(w.t + 5 * EV_DAY, PROTO_contact_to_family, PROTO_outcome_answered, PROTO_ALERT_NO_WORD));
    assert_false(world_open(&w, PROTO_ALERT_NO_WORD, w.t + 5 * EV_DAY)); /* that was word */
}

static void no_word_waits_while_the_child_is_in_hospital(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(stay_started, w.t, F(stay_started, where, PROTO_stay_where_hospital)));
    assert_false(world_open(&w, PROTO_ALERT_NO_WORD, w.t + 100 * EV_DAY));
    world_add(&w, EV_BARE(stay_ended, w.t + 30 * EV_DAY));
    assert_false(world_open(&w, PROTO_ALERT_NO_WORD, ev_time(2026, 4, 14) - 1)); /* back on 31 March */
    assert_true(world_open(&w, PROTO_ALERT_NO_WORD, ev_time(2026, 4, 14)));
}

static void clock_off_by_more_than_ten_minutes(void **unused) {
    (void)unused;
    for (int64_t over = 0; over <= 1; over++) {
        struct world w;
        world_init(&w);
        world_add(&w, world_check(w.t, 500, 500))->clock_offset_ms = -(10 * EV_MIN + over);
        assert_int_equal(world_urgency(&w, PROTO_ALERT_CLOCK_DOUBT, w.t), over ? PROTO_URGENCY_NOTE : 0);
        assert_int_equal(world_urgency(&w, PROTO_ALERT_CLOCK_DOUBT, w.t + 14 * EV_DAY - 1),
                         over ? PROTO_URGENCY_NOTE : 0);
        assert_false(world_open(&w, PROTO_ALERT_CLOCK_DOUBT, w.t + 14 * EV_DAY));
    }
}

static void an_event_ahead_of_its_time_is_seen_to_wait(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_look(&w);
    struct proto_event ahead = ev_written(world_check(w.t + 2 * EV_DAY, 500, 500), w.t);
    care_wait(&w.state, &ahead);
    care_plan(&w.state, &w.context, &w.schedule);
    const struct care_alert *alert = NULL;
    for (uint32_t i = 0; i < w.schedule.alert_count; i++) {
        if (w.schedule.alerts[i].alert == PROTO_ALERT_CLOCK_DOUBT)
            alert = &w.schedule.alerts[i];
    }
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_CLOCK_DOUBT_WAITING);
    assert_int_equal(alert->since, w.t);
}

/* --- answered ---------------------------------------------------------------------------------------------------------- */

static bool answered(struct world *w, enum proto_alert name, int64_t now) {
    const struct care_alert_step *step = NULL;
    return world_alert(w, name, now, &step) && step->answered;
}

static void answered_by_the_roles_that_may(void **unused) {
    (void)unused;
    const struct {
        int to;
        bool low, infection; /* balloon-low is for today; infection also by the general practitioner */
    } roles[] = {
        {PROTO_contact_to_surgeon, true, true},    {PROTO_contact_to_gastroenterologist, true, true},
        {PROTO_contact_to_emergency, true, true},  {PROTO_contact_to_ward, true, true},
        {PROTO_contact_to_radiology, true, true},  {PROTO_contact_to_gp, false, true},
        {PROTO_contact_to_nurse, false, false},    {PROTO_contact_to_dietitian, false, false},
        {PROTO_contact_to_supplier, false, false}, {PROTO_contact_to_family, false, false},
        {PROTO_contact_to_other, false, false},
    };
    for (size_t i = 0; i < sizeof roles / sizeof roles[0]; i++) {
        struct world w;
        world_init(&w);
        world_add(&w, world_check(w.t, 400, 500));
        world_add(&w, EV(site_checked, w.t, F(site_checked, odour, 1)));
        world_add(&w, world_call(w.t + EV_HOUR, roles[i].to, PROTO_outcome_answered, PROTO_ALERT_BALLOON_LOW));
        world_add(&w, world_call(w.t + EV_HOUR, roles[i].to, PROTO_outcome_answered, PROTO_ALERT_INFECTION_SIGNS));
        assert_int_equal(answered(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR), roles[i].low);
        assert_int_equal(answered(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + EV_HOUR), roles[i].infection);
        assert_int_equal(world_urgency(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR), PROTO_URGENCY_TODAY);
    }
}

static void answered_only_when_named_and_not_before_the_evidence(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_answered(w.t - EV_HOUR, PROTO_ALERT_BALLOON_LOW));
    world_add(&w, world_check(w.t, 400, 500));
    assert_false(answered(&w, PROTO_ALERT_BALLOON_LOW, w.t));
    world_add(&w, world_answered(w.t + EV_HOUR, PROTO_ALERT_FIT_TIGHT));
    assert_false(answered(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR));
    world_add(&w, world_answered(w.t + 2 * EV_HOUR, PROTO_ALERT_BALLOON_LOW));
    assert_true(answered(&w, PROTO_ALERT_BALLOON_LOW, w.t + 2 * EV_HOUR));
    world_add(&w, world_check(w.t + EV_DAY, 400, 500)); /* low again: new evidence clears it */
    assert_false(answered(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_DAY));
}

static void answered_until_looked_at_again(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, pain_on_feeding, 1)));
    world_add(&w, EV(contact_made, w.t + EV_HOUR, F(contact_made, to, PROTO_contact_to_ward),
                     F(contact_made, outcome, PROTO_outcome_answered),
                     F(contact_made, about, EV_BIT(PROTO_ALERT_PAIN_OR_BLEEDING)),
                     F(contact_made, recheck_by, w.t + 5 * EV_HOUR)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 5 * EV_HOUR - 1), PROTO_URGENCY_SOON);
    assert_true(answered(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 5 * EV_HOUR - 1));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 5 * EV_HOUR), PROTO_URGENCY_NOW);
    assert_false(answered(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + 5 * EV_HOUR));
}

static void a_note_answered_by_a_nurse_is_not_when_it_is_for_today(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(balloon_checked, w.t, F(balloon_checked, stuck, 1)));
    world_add(&w, world_call(w.t + EV_MIN, PROTO_contact_to_nurse, PROTO_outcome_answered, PROTO_ALERT_BALLOON_STUCK));
    assert_true(answered(&w, PROTO_ALERT_BALLOON_STUCK, w.t + EV_MIN));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_BALLOON_STUCK, w.t + EV_HOUR), PROTO_URGENCY_TODAY);
    assert_false(answered(&w, PROTO_ALERT_BALLOON_STUCK, w.t + EV_HOUR));
}

/* --- calls to make again --------------------------------------------------------------------------------------------------- */

/* 10 minutes and 2 hours: from memory of the trade. */
static void call_again_when_nobody_answered(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, pain_on_feeding, 1)));
    world_add(
        &w, world_call(w.t + EV_MIN, PROTO_contact_to_surgeon, PROTO_outcome_no_answer, PROTO_ALERT_PAIN_OR_BLEEDING));
    assert_false(world_open(&w, PROTO_ALERT_CALL_AGAIN, w.t + 11 * EV_MIN - 1));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_CALL_AGAIN, w.t + 11 * EV_MIN, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->about, PROTO_ALERT_PAIN_OR_BLEEDING);
    assert_int_equal(world_urgency(&w, PROTO_ALERT_CALL_AGAIN, w.t + 11 * EV_MIN), PROTO_URGENCY_NOW);
    char found[CARE_SENTENCE_BYTES];
    care_alert_found(alert, found);
    assert_string_equal(found, "Nobody answered the call (surgeon) about pain-or-bleeding.");
    world_add(&w, world_call(w.t + 15 * EV_MIN, PROTO_contact_to_family, PROTO_outcome_answered,
                             PROTO_ALERT_PAIN_OR_BLEEDING));
    assert_true(world_open(&w, PROTO_ALERT_CALL_AGAIN, w.t + 15 * EV_MIN)); /* not somebody who may answer it */
    world_add(&w, world_answered(w.t + 20 * EV_MIN, PROTO_ALERT_PAIN_OR_BLEEDING));
    assert_false(world_open(&w, PROTO_ALERT_CALL_AGAIN, w.t + 20 * EV_MIN));
    assert_int_equal(world_ended(&w, PROTO_ALERT_CALL_AGAIN, w.t + 20 * EV_MIN), CARE_ENDED_SETTLED);
    world_init(&w);
    world_add(&w, world_check(w.t, 400, 500));
    world_add(&w, world_call(w.t, PROTO_contact_to_surgeon, PROTO_outcome_no_answer, PROTO_ALERT_BALLOON_LOW));
    assert_false(world_open(&w, PROTO_ALERT_CALL_AGAIN, w.t + 2 * EV_HOUR - 1));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_CALL_AGAIN, w.t + 2 * EV_HOUR), PROTO_URGENCY_TODAY);
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, gap_mm, 0)));
    world_add(&w, world_call(w.t, PROTO_contact_to_surgeon, PROTO_outcome_no_answer, PROTO_ALERT_FIT_TIGHT));
    assert_false(world_open(&w, PROTO_ALERT_CALL_AGAIN, w.t + EV_DAY)); /* soon: no clock for it */
}

/* --- accepted, withdrawn, closed --------------------------------------------------------------------------------------------- */

static struct proto_event accepted(int64_t at, int alert, int32_t until) {
    return EV(finding_accepted, at, F(finding_accepted, alert, alert), F(finding_accepted, until, until),
              F_TEXT(finding_accepted, plan, "barrier cream"), F_TEXT(finding_accepted, prescriber, "Dr Alder"));
}

static void accepted_findings_are_quiet_until_their_date(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, overgranulation, 1)));
    world_add(&w, accepted(w.t + EV_HOUR, PROTO_ALERT_OVERGRANULATION, ev_day(2026, 4, 1)));
    assert_false(world_open(&w, PROTO_ALERT_OVERGRANULATION, w.t + EV_HOUR));
    assert_false(world_open(&w, PROTO_ALERT_OVERGRANULATION, ev_time(2026, 4, 2) - 1));
    assert_true(world_open(&w, PROTO_ALERT_OVERGRANULATION, ev_time(2026, 4, 2)));
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, pain_on_feeding, 1)));
    world_add(&w, accepted(w.t + EV_HOUR, PROTO_ALERT_PAIN_OR_BLEEDING, ev_day(2026, 4, 1)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + EV_HOUR),
                     PROTO_URGENCY_NOW); /* never a `now` */
}

static void withdrawn_evidence_ends_the_alert_visibly(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    struct proto_event low = world_check(w.t, 400, 500);
    world_add(&w, low);
    assert_true(world_open(&w, PROTO_ALERT_BALLOON_LOW, w.t));
    struct proto_event withdrawal = EV_BARE(event_withdrawn, w.t + EV_HOUR);
    withdrawal.body[PROTO_FIELD_event_withdrawn_event] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = low.id};
    withdrawal.body[PROTO_FIELD_event_withdrawn_reason] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_TEXT, .text = {"other child", 11}};
    world_add(&w, withdrawal);
    assert_false(world_open(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR));
    assert_int_equal(world_ended(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR), CARE_ENDED_WITHDRAWN);
    assert_int_equal(world_ended(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR + 7 * EV_DAY - 1), CARE_ENDED_WITHDRAWN);
    assert_int_equal(world_ended(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR + 7 * EV_DAY), CARE_ENDED_NOT);
}

static void a_closed_child_keeps_only_what_is_for_now(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_check(w.t, 400, 500));
    world_add(&w, EV(site_checked, w.t, F(site_checked, pain_on_feeding, 1)));
    world_add(&w, EV(patient_closed, w.t + EV_HOUR, F(patient_closed, reason, PROTO_closed_reason_moved_away)));
    assert_false(world_open(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_HOUR));
    assert_true(world_open(&w, PROTO_ALERT_PAIN_OR_BLEEDING, w.t + EV_HOUR));
    assert_false(world_open(&w, PROTO_ALERT_EMERGENCY_PLAN_MISSING, w.t + EV_HOUR));
}

static void a_closed_stoma_ends_what_was_about_its_device(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(site_checked, w.t, F(site_checked, odour, 1)));
    world_add(&w, world_check(w.t, 400, 500));
    world_add(&w, EV_BARE(stoma_closed, w.t + EV_DAY));
    assert_true(world_open(&w, PROTO_ALERT_INFECTION_SIGNS, w.t + EV_DAY)); /* the skin is still there */
    assert_false(world_open(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_DAY));
    assert_int_equal(world_ended(&w, PROTO_ALERT_BALLOON_LOW, w.t + EV_DAY), CARE_ENDED_SETTLED);
}

static void two_stomas_have_alerts_of_their_own(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, ev_second(EV(stoma_formed, w.t - 100 * EV_DAY, F(stoma_formed, formed_on, ev_day(2026, 3, 1) - 100),
                               F(stoma_formed, how, PROTO_how_surgical))));
    world_add(&w, ev_second(world_device(w.t - 10 * EV_DAY)));
    world_add(&w, ev_second(world_check(w.t, 400, 500)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_BALLOON_LOW, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->stoma, PROTO_stoma_second);
    world_add(&w, world_check(w.t, 500, 500)); /* in range, in the other one */
    assert_true(world_open(&w, PROTO_ALERT_BALLOON_LOW, w.t));
}

/* The wording for a change at home holds from the day the stoma turns mature, also while the alert is open. */
static void wording_changes_when_the_stoma_turns_mature(void **unused) {
    (void)unused;
    struct world w;
    const struct care_alert_step *step = NULL;
    world_init_bare(&w);
    int64_t formed = ev_time(2026, 3, 1);
    world_add(&w, EV(stoma_formed, formed, F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                     F(stoma_formed, how, PROTO_how_surgical)));
    world_add(&w, world_device(formed));
    world_add(&w, EV(site_checked, formed + 80 * EV_DAY, F(site_checked, leak, PROTO_leak_through)));
    assert_non_null(world_alert(&w, PROTO_ALERT_VALVE_LEAK, ev_time(2026, 5, 24) - 1,
                                &step)); /* day 84 is 24 May 2026 (calculated) */
    assert_false(step->home_change);
    assert_non_null(world_alert(&w, PROTO_ALERT_VALVE_LEAK, ev_time(2026, 5, 24), &step));
    assert_true(step->home_change);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stoma_date_and_emergency_plan_until_given),
        cmocka_unit_test(trained_carers_in_date),
        cmocka_unit_test(spare_never_counted_is_missing_after_the_grace),
        cmocka_unit_test(spare_counted_and_wanting),
        cmocka_unit_test(spare_out_of_date_and_required_by_the_plan),
        cmocka_unit_test(supply_low_seven_days_before_it_runs_out),
        cmocka_unit_test(no_word_for_fourteen_days),
        cmocka_unit_test(no_word_waits_while_the_child_is_in_hospital),
        cmocka_unit_test(clock_off_by_more_than_ten_minutes),
        cmocka_unit_test(an_event_ahead_of_its_time_is_seen_to_wait),
        cmocka_unit_test(answered_by_the_roles_that_may),
        cmocka_unit_test(answered_only_when_named_and_not_before_the_evidence),
        cmocka_unit_test(answered_until_looked_at_again),
        cmocka_unit_test(a_note_answered_by_a_nurse_is_not_when_it_is_for_today),
        cmocka_unit_test(call_again_when_nobody_answered),
        cmocka_unit_test(accepted_findings_are_quiet_until_their_date),
        cmocka_unit_test(withdrawn_evidence_ends_the_alert_visibly),
        cmocka_unit_test(a_closed_child_keeps_only_what_is_for_now),
        cmocka_unit_test(a_closed_stoma_ends_what_was_about_its_device),
        cmocka_unit_test(two_stomas_have_alerts_of_their_own),
        cmocka_unit_test(wording_changes_when_the_stoma_turns_mature),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
