/*
 * The status map: its keys, what stands in them, what is left out; one alert by itself; task lines; and its bound.
 */
#define _GNU_SOURCE
#include "alerts_world.h"

#include <msgpack.h>

#include "care/render.h"

static uint8_t page[PROTO_STATUS_BYTES_MAX + 1];

static size_t render(struct world *w, int64_t now) {
    struct proto_writer writer;
    struct proto_id patient = {{1, 2, 3}};
    world_look(w);
    proto_writer_init(&writer, page, PROTO_STATUS_BYTES_MAX);
    care_render_status(&writer, &patient, &w->state, &w->schedule, &w->context, now);
    assert_int_equal(writer.error, PROTO_OK);
    return writer.size;
}

static const msgpack_object *find(const msgpack_object *map, const char *key) {
    if (map == NULL || map->type != MSGPACK_OBJECT_MAP)
        return NULL;
    for (uint32_t i = 0; i < map->via.map.size; i++) {
        const msgpack_object *k = &map->via.map.ptr[i].key;
        if (k->via.str.size == strlen(key) && memcmp(k->via.str.ptr, key, k->via.str.size) == 0)
            return &map->via.map.ptr[i].val;
    }
    return NULL;
}

static const msgpack_object *entry(const msgpack_object *list, uint32_t index) {
    assert_non_null(list);
    assert_int_equal(list->type, MSGPACK_OBJECT_ARRAY);
    assert_true(index < list->via.array.size);
    return &list->via.array.ptr[index];
}

static bool is_text(const msgpack_object *object, const char *text) {
    return object && object->type == MSGPACK_OBJECT_STR && object->via.str.size == strlen(text) &&
           memcmp(object->via.str.ptr, text, strlen(text)) == 0;
}

static bool has_text(const msgpack_object *list, const char *part) {
    for (uint32_t i = 0; list && i < list->via.array.size; i++) {
        const msgpack_object *o = &list->via.array.ptr[i];
        if (memmem(o->via.str.ptr, o->via.str.size, part, strlen(part)))
            return true;
    }
    return false;
}

/* The entry of a list of maps whose `key` is `value`, or NULL. */
static const msgpack_object *named(const msgpack_object *list, const char *key, const char *value) {
    for (uint32_t i = 0; list && i < list->via.array.size; i++) {
        if (is_text(find(&list->via.array.ptr[i], key), value))
            return &list->via.array.ptr[i];
    }
    return NULL;
}

static msgpack_object *unpack(msgpack_unpacked *unpacked, size_t size) {
    size_t offset = 0;
    msgpack_unpacked_init(unpacked);
    assert_int_equal(msgpack_unpack_next(unpacked, (const char *)page, size, &offset), MSGPACK_UNPACK_SUCCESS);
    assert_int_equal(offset, size);
    return &unpacked->data;
}

static void keys_are(const msgpack_object *map, const char *const *keys) {
    uint32_t i = 0;
    for (; keys[i]; i++) {
        assert_true(i < map->via.map.size);
        if (!is_text(&map->via.map.ptr[i].key, keys[i]))
            fail_msg("key %u is not %s", i, keys[i]);
    }
    assert_int_equal(map->via.map.size, i);
}

static void the_page_has_exactly_its_keys(void **unused) {
    (void)unused;
    static const char *const keys[] = {"patient",   "label",  "team",     "zone",  "level",  "home_change",
                                       "emergency", "record", "stomas",   "tasks", "alerts", "spare",
                                       "carers",    "plan",   "forecast", "trend", "ended",  NULL};
    struct world w;
    msgpack_unpacked unpacked;
    world_init(&w);
    const msgpack_object *map = unpack(&unpacked, render(&w, w.t));
    keys_are(map, keys);
    assert_true(is_text(find(map, "label"), "HM-0142"));
    assert_true(is_text(find(map, "team"), "north-shore"));
    assert_true(find(find(map, "home_change"), "allowed")->via.boolean);
    assert_int_equal(find(find(map, "home_change"), "reasons")->via.array.size, 0);
    const msgpack_object *stoma = entry(find(map, "stomas"), 0);
    assert_true(is_text(find(stoma, "stoma"), "main"));
    assert_true(is_text(find(stoma, "formed_on"), "2025-08-13"));
    assert_int_equal(find(stoma, "age_days")->via.i64, 200);
    assert_true(is_text(find(stoma, "state"), "in"));
    const msgpack_object *device = find(stoma, "device");
    assert_int_equal(find(device, "french_fr")->via.i64, 14);
    assert_true(find(device, "diameter_mm")->via.f64 > 4.669 &&
                find(device, "diameter_mm")->via.f64 < 4.671); /* 14 Fr = 4.67 mm: French catheter scale */
    assert_int_equal(find(device, "balloon_ml")->via.i64, 5);
    assert_true(is_text(find(device, "change_due_on"), "2026-05-09")); /* placed 9 Feb 2026, 3 months */
    assert_true(is_text(find(device, "change_by_on"), "2026-06-09"));
    assert_null(find(device, "lot"));
    msgpack_unpacked_destroy(&unpacked);
}

/* mm = Fr / 3: 12 Fr = 4.00, 14 = 4.67, 16 = 5.33: French catheter scale. */
static void diameters_by_the_catheter_scale(void **unused) {
    (void)unused;
    const struct {
        int64_t fr;
        double mm;
    } sizes[] = {{1200, 4.00}, {1400, 4.67}, {1600, 5.33}};
    for (size_t i = 0; i < 3; i++) {
        struct world w;
        msgpack_unpacked unpacked;
        world_init(&w);
        w.events[2].body[PROTO_FIELD_device_placed_french_fr].n = sizes[i].fr;
        const msgpack_object *mm =
            find(find(entry(find(unpack(&unpacked, render(&w, w.t)), "stomas"), 0), "device"), "diameter_mm");
        double value = mm->type == MSGPACK_OBJECT_POSITIVE_INTEGER ? (double)mm->via.u64 : mm->via.f64;
        assert_true(value > sizes[i].mm - 0.0001 && value < sizes[i].mm + 0.0001);
        msgpack_unpacked_destroy(&unpacked);
    }
}

static void alerts_tasks_and_ended_as_they_stand(void **unused) {
    (void)unused;
    static const char *const with_clock[] = {"name",  "stoma",    "urgency",     "since", "deadline",
                                             "aim",   "found",    "next_step",   "call",  "rule",
                                             "basis", "evidence", "answered_at", NULL};
    struct world w;
    msgpack_unpacked unpacked;
    world_init(&w);
    world_add(&w, EV(site_checked, w.t - EV_DAY, F(site_checked, odour, 1)));
    world_add(&w, EV(site_checked, w.t - EV_HOUR, F(site_checked, odour, 0)));
    world_add(&w, EV(tube_out, w.t, F(tube_out, trained_present, PROTO_yes_no_unknown_no)));
    world_add(&w, world_answered(w.t + EV_MIN, PROTO_ALERT_TUBE_OUT));
    const msgpack_object *map = unpack(&unpacked, render(&w, w.t + EV_MIN));
    assert_true(is_text(find(map, "level"), "now"));
    const msgpack_object *first = entry(find(map, "alerts"), 0); /* the one with a deadline comes first */
    keys_are(first, with_clock);
    assert_true(is_text(find(first, "name"), "tube-out"));
    assert_int_equal(find(first, "deadline")->via.i64, w.t + 120 * EV_MIN);
    assert_int_equal(find(first, "evidence")->via.array.size, 1);
    const msgpack_object *ended = named(find(map, "ended"), "name", "infection-signs");
    assert_non_null(ended);
    assert_true(is_text(find(ended, "how"), "settled"));
    assert_int_equal(find(ended, "ended_at")->via.i64, w.t - EV_HOUR);
    const msgpack_object *weekly = named(find(map, "tasks"), "task", "weekly-contact");
    assert_non_null(weekly);
    assert_true(is_text(find(weekly, "state"), "overdue"));
    assert_non_null(find(weekly, "due_at"));
    assert_null(find(weekly, "stoma")); /* about the child as a whole */
    msgpack_unpacked_destroy(&unpacked);
}

static void what_to_do_when_it_comes_out(void **unused) {
    (void)unused;
    struct world w;
    msgpack_unpacked unpacked;
    world_init(&w);
    const msgpack_object *emergency = find(unpack(&unpacked, render(&w, w.t)), "emergency");
    const msgpack_object *steps = find(emergency, "steps");
    assert_null(find(emergency, "plan"));
    assert_true(has_text(steps, "aim for help within 60 minutes"));
    assert_true(has_text(steps, "the limit is 120 minutes"));
    assert_true(has_text(steps, "No carer is on record as signed off"));
    assert_true(has_text(steps, "No fitting spare, in date, is on record at home"));
    assert_true(has_text(steps, "Only where somebody trained"));
    assert_true(has_text(steps, "Clean hands"));
    assert_true(has_text(steps, "emergency number"));
    msgpack_unpacked_destroy(&unpacked);
    world_add(&w, EV(carer_trained, w.t, F_TEXT(carer_trained, carer, "mother"),
                     F(carer_trained, skill, PROTO_skill_device_change),
                     F(carer_trained, level, PROTO_skill_level_signed_off)));
    world_add(&w, EV(spare_counted, w.t, F(spare_counted, place, PROTO_spare_place_home),
                     F(spare_counted, what, PROTO_spare_what_same), F(spare_counted, count, 1)));
    world_add(&w, EV(emergency_plan_set, w.t, F_TEXT(emergency_plan_set, steps, "Call the ward first"),
                     F_TEXT(emergency_plan_set, hospital, "Fell Royal"),
                     F_TEXT(emergency_plan_set, prescriber, "Dr Alder")));
    emergency = find(unpack(&unpacked, render(&w, w.t)), "emergency");
    steps = find(emergency, "steps");
    assert_true(is_text(find(find(emergency, "plan"), "steps"), "Call the ward first"));
    assert_true(is_text(entry(steps, 0), "First the child's own emergency plan."));
    assert_true(has_text(steps, "In every other case, if the plan does not say otherwise: put nothing into the stoma"));
    assert_false(has_text(steps, "No carer is on record"));
    assert_false(has_text(steps, "No fitting spare"));
    assert_true(has_text(steps, "To Fell Royal if it can be reached"));
    msgpack_unpacked_destroy(&unpacked);
    w.events[2].body[PROTO_FIELD_device_placed_tip].n = PROTO_tip_jejunum; /* not changed at home */
    steps = find(find(unpack(&unpacked, render(&w, w.t)), "emergency"), "steps");
    assert_true(has_text(steps, "If the plan does not say otherwise: put nothing into the stoma; this child's device"));
    assert_false(has_text(steps, "Only where somebody trained"));
    msgpack_unpacked_destroy(&unpacked);
}

static void home_change_on_the_page_by_the_day(void **unused) {
    (void)unused;
    for (int day = 83; day <= 84; day++) {
        struct world w;
        msgpack_unpacked unpacked;
        world_init_bare(&w);
        int64_t formed = ev_time(2026, 3, 1);
        world_add(&w, EV(stoma_formed, formed, F(stoma_formed, formed_on, ev_day(2026, 3, 1)),
                         F(stoma_formed, how, PROTO_how_surgical)));
        world_add(&w, world_device(formed));
        const msgpack_object *change =
            find(unpack(&unpacked, render(&w, formed + day * EV_DAY + EV_HOUR)), "home_change");
        assert_int_equal(find(change, "allowed")->via.boolean, day == 84);
        if (day == 83)
            assert_true(is_text(entry(find(change, "reasons"), 0), "young"));
        msgpack_unpacked_destroy(&unpacked);
    }
}

static void a_closed_child_says_so(void **unused) {
    (void)unused;
    struct world w;
    msgpack_unpacked unpacked;
    world_init(&w);
    world_add(&w, EV(patient_closed, w.t, F(patient_closed, reason, PROTO_closed_reason_moved_away)));
    const msgpack_object *map = unpack(&unpacked, render(&w, w.t));
    assert_true(is_text(find(find(map, "closed"), "reason"), "moved-away"));
    assert_int_equal(find(map, "tasks")->via.array.size, 0);
    msgpack_unpacked_destroy(&unpacked);
}

static void one_alert_alone_takes_more_pairs(void **unused) {
    (void)unused;
    struct world w;
    msgpack_unpacked unpacked;
    struct proto_writer writer;
    world_init(&w);
    world_add(&w, world_check(w.t, 400, 500));
    const struct care_alert *alert = world_alert(&w, PROTO_ALERT_BALLOON_LOW, w.t, NULL);
    assert_non_null(alert);
    proto_writer_init(&writer, page, sizeof page);
    care_render_alert(&writer, alert, w.t, 1);
    proto_write_text(&writer, "label");
    proto_write_text(&writer, "HM-0142");
    const msgpack_object *map = unpack(&unpacked, writer.size);
    assert_true(is_text(find(map, "urgency"), "today"));
    assert_true(is_text(find(map, "found"), "4 mL came out of a prescribed 5 mL: 1 mL is missing."));
    assert_true(is_text(find(map, "next_step"), "Fill the balloon to the prescribed 5 mL with sterile or bottled "
                                                "water, check the taping, recheck tomorrow, and call today."));
    assert_null(find(map, "deadline"));
    assert_null(find(map, "answered_at"));
    assert_true(is_text(find(map, "label"), "HM-0142"));
    msgpack_unpacked_destroy(&unpacked);
}

static void too_small_a_buffer_is_an_error_and_no_overrun(void **unused) {
    (void)unused;
    struct world w;
    struct proto_id patient = {{0}};
    world_init(&w);
    world_look(&w);
    memset(page, 0xee, sizeof page);
    for (size_t cap = 0; cap < 3000; cap += 7) {
        struct proto_writer writer;
        proto_writer_init(&writer, page, cap);
        care_render_status(&writer, &patient, &w.state, &w.schedule, &w.context, w.t);
        assert_int_equal(writer.error, PROTO_TOO_LARGE);
        assert_true(writer.size <= cap);
        assert_int_equal(page[cap], 0xee);
        memset(page, 0xee, cap);
    }
}

/* A schedule and a record filled to their last byte still fit the bound of a status. */
static void the_fullest_page_fits(void **unused) {
    (void)unused;
    static struct world w;
    struct proto_writer writer;
    struct proto_id patient = {{0}};
    world_init(&w);
    world_look(&w);
    struct care_state *state = &w.state;
    struct care_profile *profile = &state->profile;
    memset(profile->plan_steps, 'p', PROTO_TEXT_LONG_MAX);
    memset(profile->address, 'a', PROTO_TEXT_LINE_MAX);
    memset(profile->access, 'a', PROTO_TEXT_LINE_MAX);
    memset(profile->critical_medicines, 'm', PROTO_TEXT_LINE_MAX);
    memset(profile->plan_when, 'w', PROTO_TEXT_LINE_MAX);
    state->plan = state->registered;
    profile->contact_count = PROTO_PHONES_MAX;
    for (uint32_t i = 0; i < PROTO_PHONES_MAX; i++)
        memset(profile->contacts[i].name, 'n', PROTO_TEXT_SHORT_MAX);
    state->carer_count = PROTO_CARERS_MAX;
    for (uint32_t i = 0; i < PROTO_CARERS_MAX; i++) {
        memset(state->carers[i].name, 'c', PROTO_TEXT_SHORT_MAX);
        for (int skill = 1; skill < PROTO_skill_count; skill++) {
            state->carers[i].skills[skill].fact = state->registered;
            state->carers[i].skills[skill].level = PROTO_skill_level_signed_off;
        }
    }
    state->plan_count = PROTO_PLANS_MAX;
    for (uint32_t i = 0; i < PROTO_PLANS_MAX; i++)
        state->plans[i] = (struct care_plan_entry){.fact = state->registered,
                                                   .policy = 3,
                                                   .stoma = 1,
                                                   .weekdays = 127,
                                                   .has_value = true,
                                                   .value = 12345,
                                                   .until_day = 20000,
                                                   .pause_count = PROTO_PAUSES_MAX};
    state->finding_count = PROTO_FINDINGS_MAX;
    for (uint32_t i = 0; i < PROTO_FINDINGS_MAX; i++) {
        state->findings[i] =
            (struct care_finding){.alert = 1, .stoma = 1, .fact = state->registered, .until_day = 20000};
        memset(state->findings[i].plan, 'f', PROTO_TEXT_SHORT_MAX);
    }
    state->supply_count = PROTO_SUPPLIES_MAX;
    for (uint32_t i = 0; i < PROTO_SUPPLIES_MAX; i++)
        memset(state->supplies[i].item, 's', PROTO_TEXT_SHORT_MAX);
    state->spare_count = PROTO_SPARES_MAX;
    w.schedule.task_count = PROTO_SCHEDULE_TASKS_MAX;
    for (uint32_t i = 0; i < PROTO_SCHEDULE_TASKS_MAX; i++) {
        struct care_task *task = &w.schedule.tasks[i];
        *task = (struct care_task){.task = PROTO_TASK_SPARE_CHECK,
                                   .stoma = 1,
                                   .due_day = 20000,
                                   .due_at = w.t,
                                   .overdue_at = w.t,
                                   .last_done_at = w.t,
                                   .deferred_until = 20000,
                                   .why = CARE_WHY_LOW_BEFORE};
        memset(task->title, 't', PROTO_TEXT_SHORT_MAX);
        memset(task->given_to, 'g', PROTO_TEXT_SHORT_MAX);
    }
    w.schedule.alert_count = PROTO_SCHEDULE_ALERTS_MAX;
    for (uint32_t i = 0; i < PROTO_SCHEDULE_ALERTS_MAX; i++) {
        struct care_alert *alert = &w.schedule.alerts[i];
        *alert = (struct care_alert){.alert = PROTO_ALERT_TUBE_OUT,
                                     .stoma = 1,
                                     .step_count = 1,
                                     .found = CARE_FOUND_TUBE_OUT_OUT_BOTH,
                                     .since = w.t,
                                     .deadline = w.t,
                                     .aim = w.t,
                                     .answered_at = w.t,
                                     .evidence_count = PROTO_EVIDENCE_MAX,
                                     .args = {w.t, 72, 30, 0, 0, 1}};
        memset(alert->text, 'x', PROTO_TEXT_LINE_MAX);
        alert->steps[0] = (struct care_alert_step){
            .from = w.t, .urgency = PROTO_URGENCY_NOW, .wording = CARE_NEXT_TUBE_OUT_FAILED, .answered = true};
    }
    proto_writer_init(&writer, page, PROTO_STATUS_BYTES_MAX);
    care_render_status(&writer, &patient, state, &w.schedule, &w.context, w.t);
    assert_int_equal(writer.error, PROTO_OK);
    print_message("the fullest page: %zu of %u bytes\n", writer.size, PROTO_STATUS_BYTES_MAX);
}

static void the_same_page_gives_the_same_bytes(void **unused) {
    (void)unused;
    static uint8_t first[PROTO_STATUS_BYTES_MAX];
    struct world w;
    world_init(&w);
    world_add(&w, world_check(w.t, 400, 500));
    size_t size = render(&w, w.t);
    memcpy(first, page, size);
    assert_int_equal(render(&w, w.t), size);
    assert_memory_equal(first, page, size);
}

static void task_lines_say_what_is_behind_them(void **unused) {
    (void)unused;
    char line[PROTO_TEXT_LINE_MAX + 1];
    struct world w;
    world_init(&w);
    world_add(&w, world_check(w.t, 450, 500));
    world_add(&w, EV(weight_measured, w.t, F(weight_measured, weight_kg, 1265)));
    world_look(&w);
    const struct {
        enum proto_task task;
        const char *line;
    } lines[] = {
        {PROTO_TASK_BALLOON_CHECK, "at the last check 4.5 of 5 mL came out; 5 mL prescribed"},
        {PROTO_TASK_DEVICE_CHANGE, "balloon, low profile, 14 Fr, 20 mm"},
        {PROTO_TASK_SPARE_CHECK, "never counted"},
        {PROTO_TASK_WEIGHT, "last weight 12.65 kg"},
        {PROTO_TASK_TAPING, ""},
    };
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++) {
        struct care_task task = {.task = (uint8_t)lines[i].task, .stoma = PROTO_stoma_main};
        care_task_detail(&w.state, &task, line);
        assert_string_equal(line, lines[i].line);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_page_has_exactly_its_keys),
        cmocka_unit_test(diameters_by_the_catheter_scale),
        cmocka_unit_test(alerts_tasks_and_ended_as_they_stand),
        cmocka_unit_test(what_to_do_when_it_comes_out),
        cmocka_unit_test(home_change_on_the_page_by_the_day),
        cmocka_unit_test(a_closed_child_says_so),
        cmocka_unit_test(one_alert_alone_takes_more_pairs),
        cmocka_unit_test(too_small_a_buffer_is_an_error_and_no_overrun),
        cmocka_unit_test(the_fullest_page_fits),
        cmocka_unit_test(the_same_page_gives_the_same_bytes),
        cmocka_unit_test(task_lines_say_what_is_behind_them),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
