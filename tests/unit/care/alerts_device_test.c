/*
 * The device: displaced, not confirmed, placed against the rule, blocked, turning, fit, overdue, recalled.
 */
#include "alerts_world.h"

static struct proto_event device_with(struct proto_event event, int field, int64_t value) {
    event.body[field].present = true;
    event.body[field].n = value;
    event.body[field].type = (uint8_t)proto_kind_get(event.kind)->fields[field].type;
    return event;
}
#define WITH(event, field, value) device_with((event), PROTO_FIELD_device_placed_##field, (value))

static struct proto_event without_position(struct proto_event event) {
    event.body[PROTO_FIELD_device_placed_position] = (struct proto_value){0};
    return event;
}

static struct proto_event imaging(int64_t at) {
    return EV(position_confirmed, at, F(position_confirmed, method, PROTO_method_imaging));
}

/* --- displaced --------------------------------------------------------------------------------------------- */

/* 20 mm from where it was when placed: from memory of the trade. */
static void displaced_by_twenty_millimetres(void **unused) {
    (void)unused;
    const struct {
        int64_t now;
        bool open;
    } cases[] = {{5900, false}, {6000, true}, {2100, false}, {2000, true}}; /* placed at 40 mm */
    for (size_t i = 0; i < 4; i++) {
        struct world w;
        world_init(&w);
        world_add(&w, WITH(world_device(w.t - EV_DAY), outside_mm, 4000));
        world_add(&w, EV(site_checked, w.t, F(site_checked, outside_mm, cases[i].now)));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_TUBE_DISPLACED, w.t), cases[i].open ? PROTO_URGENCY_TODAY : 0);
        world_add(&w, EV(site_checked, w.t + EV_HOUR,
                         F(site_checked, outside_mm, 4000))); /* back by itself settles nothing */
        assert_int_equal(world_open(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + EV_HOUR), cases[i].open);
        world_add(&w, imaging(w.t + 2 * EV_HOUR));
        assert_false(world_open(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + 2 * EV_HOUR));
    }
}

static void any_report_of_displacement_until_imaging(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, WITH(world_device(w.t - EV_DAY), tip, PROTO_tip_jejunum));
    world_add(&w, EV(tube_displaced, w.t, F(tube_displaced, feed_at_gastric_port, 1)));
    assert_int_equal(world_next(&w, PROTO_ALERT_TUBE_DISPLACED, w.t), CARE_NEXT_TUBE_DISPLACED_JEJUNAL);
    world_add(&w, EV(position_confirmed, w.t + EV_HOUR, F(position_confirmed, method, PROTO_method_aspirate_ph),
                     F(position_confirmed, ph, 400)));
    assert_true(world_open(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + EV_HOUR));
    world_add(&w, imaging(w.t + 2 * EV_HOUR));
    assert_false(world_open(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + 2 * EV_HOUR));
    assert_int_equal(world_ended(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + 2 * EV_HOUR), CARE_ENDED_SETTLED);
    world_add(&w, EV(tube_displaced, w.t + 3 * EV_HOUR, F(tube_displaced, vomiting, 1)));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_TUBE_DISPLACED, w.t + 3 * EV_HOUR, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->since, w.t + 3 * EV_HOUR);
    assert_int_equal(alert->found, CARE_FOUND_TUBE_DISPLACED_VOMITING);
}

/* --- position -------------------------------------------------------------------------------------------------- */

static struct proto_event placed_at_home(int64_t at, int position, int64_t ph) {
    struct proto_event event = WITH(world_device(at), place, PROTO_place_home);
    event = position ? WITH(event, position, position) : without_position(event);
    return ph ? WITH(event, ph, ph) : event;
}

/* At most 5.0: Sydney Children's Hospitals Network 2018 (5.5: NPSA 2011); both nasogastric, by extension. */
static void aspirate_up_to_five_confirms(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 500));
    assert_false(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t));
    world_init(&w);
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 510));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_POSITION_UNSURE, w.t), PROTO_URGENCY_NOW);
    assert_int_equal(world_next(&w, PROTO_ALERT_POSITION_UNSURE, w.t), CARE_NEXT_POSITION_UNSURE_PH_AGAIN);
    world_add(&w, EV(position_confirmed, w.t + EV_HOUR, F(position_confirmed, method, PROTO_method_aspirate_ph),
                     F(position_confirmed, ph, 450)));
    assert_false(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t + EV_HOUR));
    assert_int_equal(world_ended(&w, PROTO_ALERT_POSITION_UNSURE, w.t + EV_HOUR), CARE_ENDED_SETTLED);
    world_init(&w); /* the child's own limit */
    world_add(&w, EV(device_prescribed, w.t - EV_DAY, F(device_prescribed, ph_limit, 550),
                     F_TEXT(device_prescribed, prescriber, "Dr Alder")));
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 550));
    assert_false(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t));
}

static void unconfirmed_at_home_now_in_hospital_today(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, placed_at_home(w.t, 0, 0));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_POSITION_UNSURE, w.t), PROTO_URGENCY_NOW);
    assert_int_equal(world_next(&w, PROTO_ALERT_POSITION_UNSURE, w.t), CARE_NEXT_POSITION_UNSURE_CONFIRM);
    world_init(&w);
    world_add(&w, placed_at_home(w.t, PROTO_position_not_confirmed, 0));
    assert_true(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t));
    world_init(&w);
    world_add(&w, without_position(world_device(w.t)));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_POSITION_UNSURE, w.t), PROTO_URGENCY_TODAY);
    assert_int_equal(world_next(&w, PROTO_ALERT_POSITION_UNSURE, w.t), CARE_NEXT_POSITION_UNSURE_ASK_HOSPITAL);
}

static void jejunal_tip_needs_imaging(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, WITH(placed_at_home(w.t, PROTO_position_aspirate_ph, 400), tip, PROTO_tip_jejunum));
    assert_int_equal(world_next(&w, PROTO_ALERT_POSITION_UNSURE, w.t), CARE_NEXT_POSITION_UNSURE_IMAGING);
    world_add(&w, imaging(w.t + EV_HOUR));
    assert_false(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t + EV_HOUR));
}

/* Learnt more than 24 h later: from memory of the trade. */
static void learnt_late_asks_how_the_child_has_been(void **unused) {
    (void)unused;
    for (int64_t over = 0; over <= 1; over++) {
        struct world w;
        world_init(&w);
        world_add(&w, ev_written(placed_at_home(w.t, 0, 0), w.t + 24 * EV_HOUR + over));
        assert_int_equal(world_next(&w, PROTO_ALERT_POSITION_UNSURE, w.t),
                         over ? CARE_NEXT_POSITION_UNSURE_LATE : CARE_NEXT_POSITION_UNSURE_CONFIRM);
    }
}

/* --- against the rule --------------------------------------------------------------------------------------------- */

static void placed_at_home_against_the_rule(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w); /* mature, balloon, stomach, not the first: allowed */
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 400));
    assert_false(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t));
    world_init(&w); /* the one before was the first in the stoma */
    world_add(&w, WITH(world_device(w.t - EV_DAY), why, PROTO_placed_why_first));
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 400));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_PLACED_AGAINST_RULE_FIRST);
    assert_int_equal(world_urgency(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t), PROTO_URGENCY_NOW);
    world_add(&w,
              world_call(w.t + EV_MIN, PROTO_contact_to_gp, PROTO_outcome_answered, PROTO_ALERT_PLACED_AGAINST_RULE));
    world_add(&w, world_call(w.t + 2 * EV_MIN, PROTO_contact_to_surgeon, PROTO_outcome_no_answer,
                             PROTO_ALERT_PLACED_AGAINST_RULE));
    assert_true(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t + 2 * EV_MIN));
    world_add(&w, world_answered(w.t + 3 * EV_MIN, PROTO_ALERT_PLACED_AGAINST_RULE));
    assert_false(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t + 3 * EV_MIN));
    for (int i = 0; i < PROTO_CONTACTS_KEPT + 2;
         i++) /* still settled when the call has left the list of the last ones */
        world_add(&w, world_call(w.t + (10 + i) * EV_MIN, PROTO_contact_to_family, PROTO_outcome_answered,
                                 PROTO_ALERT_NO_WORD));
    assert_false(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t + EV_DAY));
}

static void placed_at_home_by_age_and_plan(void **unused) {
    (void)unused;
    for (int day = 83; day <= 84; day++) {
        struct world w;
        world_init_bare(&w);
        int64_t formed = ev_time(2026, 3, 1);
        world_add(&w, EV(stoma_formed, formed, F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                         F(stoma_formed, how, PROTO_how_surgical)));
        world_add(&w, world_device(formed));
        int64_t at = formed + day * EV_DAY + EV_HOUR;
        world_add(&w, placed_at_home(at, PROTO_position_aspirate_ph, 400));
        assert_int_equal(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, at), day < 84);
        world_add(&w, imaging(at + EV_HOUR));
        assert_false(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, at + EV_HOUR));
    }
    struct world w;
    world_init(&w);
    world_add(&w, EV(emergency_plan_set, w.t - EV_DAY, F_TEXT(emergency_plan_set, steps, "To hospital"),
                     F(emergency_plan_set, home_change, 0), F_TEXT(emergency_plan_set, prescriber, "Dr Alder")));
    world_add(&w, placed_at_home(w.t, PROTO_position_aspirate_ph, 400));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_PLACED_AGAINST_RULE_PLAN);
}

static void catheter_at_home_only_where_the_plan_asks(void **unused) {
    (void)unused;
    for (int asked = 0; asked <= 1; asked++) {
        struct world w;
        world_init_bare(&w);
        world_add(&w, EV(stoma_formed, w.t - 20 * EV_DAY, F(stoma_formed, formed_on, ev_day(2026, 2, 9)),
                         F(stoma_formed, how, PROTO_how_surgical)));
        world_add(&w, world_device(w.t - 20 * EV_DAY));
        if (asked)
            world_add(&w, EV(emergency_plan_set, w.t - EV_DAY,
                             F_TEXT(emergency_plan_set, steps, "Catheter in, then hospital"),
                             F(emergency_plan_set, keep_open, 1), F_TEXT(emergency_plan_set, prescriber, "Dr Alder")));
        world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, PROTO_yes_no_unknown_yes)));
        world_add(&w, WITH(placed_at_home(w.t + EV_MIN, 0, 0), purpose, PROTO_purpose_keep_open));
        assert_int_equal(world_open(&w, PROTO_ALERT_PLACED_AGAINST_RULE, w.t + EV_MIN), !asked);
        assert_false(world_open(&w, PROTO_ALERT_POSITION_UNSURE, w.t + EV_MIN)); /* nothing is fed through it */
    }
}

/* --- blocked ------------------------------------------------------------------------------------------------------- */

static struct proto_event blocked(int64_t at, bool cleared) {
    return EV(tube_blocked, at, F(tube_blocked, water_ml, 1000), F(tube_blocked, warm, 1),
              F(tube_blocked, cleared, cleared));
}

/* Not cleared after 30 min: NHS Scotland. */
static void blocked_until_cleared_and_a_call_after_thirty_minutes(void **unused) {
    (void)unused;
    struct world w;
    const struct care_alert_step *step = NULL;
    world_init(&w);
    world_add(&w, blocked(w.t, false));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_BLOCKED, w.t), PROTO_URGENCY_NOW);
    assert_int_equal(world_next(&w, PROTO_ALERT_BLOCKED, w.t + 30 * EV_MIN - 1), CARE_NEXT_BLOCKED_FLUSH);
    assert_non_null(world_alert(&w, PROTO_ALERT_BLOCKED, w.t + 30 * EV_MIN, &step));
    assert_int_equal(step->wording, CARE_NEXT_BLOCKED_CALL);
    assert_true(step->home_change);
    world_add(&w, blocked(w.t + 40 * EV_MIN, true));
    assert_false(world_open(&w, PROTO_ALERT_BLOCKED, w.t + 40 * EV_MIN));
    assert_int_equal(world_ended(&w, PROTO_ALERT_BLOCKED, w.t + 40 * EV_MIN), CARE_ENDED_SETTLED);
}

static void blocked_and_not_fed_is_for_today(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(feed_prescribed, w.t - EV_DAY, F(feed_prescribed, mode, PROTO_feeding_none),
                     F_TEXT(feed_prescribed, prescriber, "Dr Alder")));
    world_add(&w, blocked(w.t, false));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_BLOCKED, w.t), PROTO_URGENCY_TODAY);
}

static void unsafe_ways_are_a_reminder_for_seven_days(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, EV(tube_blocked, w.t, F(tube_blocked, water_ml, 500), F(tube_blocked, warm, 0),
                     F(tube_blocked, cleared, 1), F_TEXT(tube_blocked, other_tried, "fizzy drink")));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_UNSAFE_UNBLOCKING, w.t, NULL);
    assert_non_null(alert);
    assert_string_equal(alert->text, "fizzy drink");
    assert_int_equal(world_urgency(&w, PROTO_ALERT_UNSAFE_UNBLOCKING, w.t + 7 * EV_DAY - 1), PROTO_URGENCY_NOTE);
    assert_false(world_open(&w, PROTO_ALERT_UNSAFE_UNBLOCKING, w.t + 7 * EV_DAY));
}

/* --- turning, fit ---------------------------------------------------------------------------------------------------- */

static struct proto_event rotated(int64_t at, int how) {
    return EV(care_done, at, F(care_done, items, EV_BIT(PROTO_care_item_rotate)), F(care_done, rotated, how));
}

/* A buried bumper can be early: BMJ 2010 letter. */
static void will_not_rotate_until_it_turns_freely(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, rotated(w.t, PROTO_rotated_stiff));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_WILL_NOT_ROTATE, w.t), PROTO_URGENCY_TODAY);
    world_add(&w, rotated(w.t + EV_DAY, PROTO_rotated_will_not));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_WILL_NOT_ROTATE, w.t + EV_DAY, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->since, w.t);
    assert_int_equal(alert->found, CARE_FOUND_WILL_NOT_ROTATE_WILL_NOT);
    world_add(&w, rotated(w.t + 2 * EV_DAY, PROTO_rotated_free));
    assert_false(world_open(&w, PROTO_ALERT_WILL_NOT_ROTATE, w.t + 2 * EV_DAY));
}

static void turning_a_jejunal_device_is_an_alert_of_its_own(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, WITH(world_device(w.t - EV_DAY), tip, PROTO_tip_jejunum));
    world_add(&w, rotated(w.t, PROTO_rotated_free));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_ROTATED_JEJUNAL, w.t), PROTO_URGENCY_TODAY);
    assert_false(world_open(&w, PROTO_ALERT_WILL_NOT_ROTATE, w.t));
    world_add(&w, imaging(w.t + EV_HOUR));
    assert_false(world_open(&w, PROTO_ALERT_ROTATED_JEJUNAL, w.t + EV_HOUR));
    assert_int_equal(world_ended(&w, PROTO_ALERT_ROTATED_JEJUNAL, w.t + EV_HOUR), CARE_ENDED_SETTLED);
}

/* Usual gap: about a coin, 1.35 mm (US Mint, dime); limits of 1 and 4 mm from memory of the trade. */
static void gap_of_one_to_four_millimetres_fits(void **unused) {
    (void)unused;
    const struct {
        int64_t gap;
        bool tight, loose;
    } cases[] = {{90, true, false}, {100, false, false}, {135, false, false}, {400, false, false}, {410, false, true}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct world w;
        world_init(&w);
        world_add(&w, EV(site_checked, w.t, F(site_checked, gap_mm, cases[i].gap)));
        assert_int_equal(world_urgency(&w, PROTO_ALERT_FIT_TIGHT, w.t), cases[i].tight ? PROTO_URGENCY_SOON : 0);
        assert_int_equal(world_urgency(&w, PROTO_ALERT_FIT_LOOSE, w.t), cases[i].loose ? PROTO_URGENCY_SOON : 0);
        world_add(&w, EV(site_checked, w.t + EV_HOUR, F(site_checked, warm, 0))); /* gap not said */
        assert_int_equal(world_open(&w, PROTO_ALERT_FIT_TIGHT, w.t + EV_HOUR), cases[i].tight);
        world_add(&w, ev_told(EV(site_checked, w.t + 2 * EV_HOUR, F(site_checked, gap_mm, 200)))); /* told, not seen */
        assert_int_equal(world_open(&w, PROTO_ALERT_FIT_TIGHT, w.t + 2 * EV_HOUR), cases[i].tight);
        world_add(&w, EV(site_checked, w.t + 3 * EV_HOUR, F(site_checked, gap_mm, 200)));
        assert_false(world_open(&w, PROTO_ALERT_FIT_TIGHT, w.t + 3 * EV_HOUR));
        assert_false(world_open(&w, PROTO_ALERT_FIT_LOOSE, w.t + 3 * EV_HOUR));
    }
}

/* --- overdue, recalled ------------------------------------------------------------------------------------------------- */

/* Due at 3, overdue at 4 months: common practice, no source; hospitals give 2 to 8. From midnight after that date. */
static void device_overdue_after_four_months(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    world_add(&w, world_device(w.t)); /* 1 March: overdue from midnight after 1 July */
    int64_t from = ev_time(2026, 7, 2);
    assert_false(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, from - 1));
    assert_int_equal(world_urgency(&w, PROTO_ALERT_DEVICE_OVERDUE, from), PROTO_URGENCY_SOON);
    world_add(&w, EV(stay_started, from, F(stay_started, where, PROTO_stay_where_hospital)));
    assert_false(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, from));
    world_add(&w, EV_BARE(stay_ended, from + EV_DAY));
    assert_true(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, from + EV_DAY));
    world_add(&w, world_device(from + 2 * EV_DAY));
    assert_false(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, from + 2 * EV_DAY));
}

static void out_of_date_when_placed_is_overdue_at_once(void **unused) {
    (void)unused;
    for (int days = -1; days <= 0; days++) {
        struct world w;
        world_init(&w);
        world_add(&w, WITH(world_device(w.t), expires, ev_day(2026, 3, 1) + days));
        assert_int_equal(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, w.t), days < 0);
        if (days < 0) { /* quiet while booked inside the window */
            world_add(&w, EV(appointment_booked, w.t + EV_HOUR, F(appointment_booked, for, PROTO_appointment_for_device_change),
                             F(appointment_booked, on, ev_day(2026, 3, 5))));
            assert_false(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, ev_time(2026, 3, 6) - 1));
            assert_true(world_open(&w, PROTO_ALERT_DEVICE_OVERDUE, ev_time(2026, 3, 6)));
        }
    }
}

static void set_text(struct proto_event *event, int field, const char *text) {
    event->body[field] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_TEXT, .text = {text, (uint32_t)strlen(text)}};
}

static void add_recall(struct world *w, int64_t at, const char *gtin, const char *lot, int urgency) {
    struct proto_event event =
        EV(lot_recalled, at, F_TEXT(lot_recalled, notice, "FSN-7"), F(lot_recalled, urgency, urgency),
           F_TEXT(lot_recalled, action, "change it within a week"));
    if (gtin)
        set_text(&event, PROTO_FIELD_lot_recalled_gtin, gtin);
    if (lot)
        set_text(&event, PROTO_FIELD_lot_recalled_lot, lot);
    care_recall_from_event(&w->recalls[w->context.recall_count++], &event);
}

static void recalled_by_lot_and_item(void **unused) {
    (void)unused;
    const struct {
        const char *device_gtin, *device_lot, *gtin, *lot;
        int found; /* -1: not about this device */
    } cases[] = {
        {"05012345678900", "A1", NULL, "A1", CARE_FOUND_RECALLED_LOT_DEVICE},
        {"05012345678900", "A1", NULL, "A2", -1},
        {"05012345678900", "A1", "5012345678900", "A1", CARE_FOUND_RECALLED_LOT_DEVICE},
        {"05012345678900", "A1", "5012345678900", NULL, CARE_FOUND_RECALLED_LOT_DEVICE},
        {"05012345678900", NULL, "5012345678900", "A1", CARE_FOUND_RECALLED_LOT_DEVICE_UNSURE},
        {"05012345678900", NULL, "7300011000017", "A1", -1},
        {NULL, NULL, NULL, "A1", CARE_FOUND_RECALLED_LOT_DEVICE_UNSURE},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct world w;
        world_init(&w);
        struct proto_event device = world_device(w.t - EV_DAY);
        if (cases[i].device_gtin)
            set_text(&device, PROTO_FIELD_device_placed_gtin, cases[i].device_gtin);
        if (cases[i].device_lot)
            set_text(&device, PROTO_FIELD_device_placed_lot, cases[i].device_lot);
        world_add(&w, device);
        add_recall(&w, w.t, cases[i].gtin, cases[i].lot, PROTO_URGENCY_TODAY);
        const struct care_alert *alert = world_alert(&w, PROTO_ALERT_RECALLED_LOT, w.t, NULL);
        assert_int_equal(alert ? alert->found : -1, cases[i].found);
        if (!alert)
            continue;
        assert_int_equal(world_urgency(&w, PROTO_ALERT_RECALLED_LOT, w.t), PROTO_URGENCY_TODAY);
        assert_string_equal(alert->text, "FSN-7, change it within a week");
        struct proto_event fresh = world_device(w.t + EV_DAY);
        set_text(&fresh, PROTO_FIELD_device_placed_lot, "Z9");
        world_add(&w, fresh);
        if (cases[i].lot)
            assert_false(world_open(&w, PROTO_ALERT_RECALLED_LOT, w.t + EV_DAY));
    }
}

static void recalled_spare(void **unused) {
    (void)unused;
    struct world w;
    world_init(&w);
    struct proto_event device = world_device(w.t - EV_DAY);
    set_text(&device, PROTO_FIELD_device_placed_lot, "Z9");
    world_add(&w, device);
    world_add(&w, EV(spare_counted, w.t, F(spare_counted, place, PROTO_spare_place_school),
                     F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1),
                     F_TEXT(spare_counted, lot, "A1")));
    add_recall(&w, w.t, NULL, "A1", PROTO_URGENCY_SOON);
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_RECALLED_LOT, w.t, NULL);
    assert_non_null(alert);
    assert_int_equal(alert->found, CARE_FOUND_RECALLED_LOT_SPARE);
    world_add(&w, EV(spare_counted, w.t + EV_DAY, F(spare_counted, place, PROTO_spare_place_school),
                     F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1),
                     F_TEXT(spare_counted, lot, "B2")));
    assert_false(world_open(&w, PROTO_ALERT_RECALLED_LOT, w.t + EV_DAY));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(displaced_by_twenty_millimetres),
        cmocka_unit_test(any_report_of_displacement_until_imaging),
        cmocka_unit_test(aspirate_up_to_five_confirms),
        cmocka_unit_test(unconfirmed_at_home_now_in_hospital_today),
        cmocka_unit_test(jejunal_tip_needs_imaging),
        cmocka_unit_test(learnt_late_asks_how_the_child_has_been),
        cmocka_unit_test(placed_at_home_against_the_rule),
        cmocka_unit_test(placed_at_home_by_age_and_plan),
        cmocka_unit_test(catheter_at_home_only_where_the_plan_asks),
        cmocka_unit_test(blocked_until_cleared_and_a_call_after_thirty_minutes),
        cmocka_unit_test(blocked_and_not_fed_is_for_today),
        cmocka_unit_test(unsafe_ways_are_a_reminder_for_seven_days),
        cmocka_unit_test(will_not_rotate_until_it_turns_freely),
        cmocka_unit_test(turning_a_jejunal_device_is_an_alert_of_its_own),
        cmocka_unit_test(gap_of_one_to_four_millimetres_fits),
        cmocka_unit_test(device_overdue_after_four_months),
        cmocka_unit_test(out_of_date_when_placed_is_overdue_at_once),
        cmocka_unit_test(recalled_by_lot_and_item),
        cmocka_unit_test(recalled_spare),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
