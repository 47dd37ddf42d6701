/* codec_test.c - stored states and schedules: golden bytes, the worst case, and nothing accepted but what encode makes. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "care/coder.h"
#include "support/care_build.h"
#include "support/random_events.h"

#define BYTES_MAX 65536

static uint8_t bytes[BYTES_MAX], again[BYTES_MAX], golden[BYTES_MAX];
static struct care_state state, decoded;
static struct care_schedule schedule, planned;

/* --- golden files: hex, sixteen bytes a line --------------------------------------------------------------- */

static void golden_path(const char *name, char out[512]) {
    (void)snprintf(out, 512, "%s/tests/unit/care/golden/%s.hex", BETONY_SOURCE_DIR, name);
}

static size_t golden_read(const char *name) {
    char path[512];
    size_t size = 0;
    unsigned byte;
    golden_path(name, path);
    FILE *file = fopen(path, "r");
    if (!file)
        fail_msg("%s is missing", path);
    while (size < sizeof golden && fscanf(file, "%2x", &byte) == 1)
        golden[size++] = (uint8_t)byte;
    (void)fclose(file);
    return size;
}

/* BETONY_GOLDEN=write makes the files anew: only when the format byte has changed, or was never released. */
static void golden_check(const char *name, const uint8_t *data, size_t size) {
    const char *write = getenv("BETONY_GOLDEN");
    if (write && strcmp(write, "write") == 0) {
        char path[512];
        golden_path(name, path);
        FILE *file = fopen(path, "w");
        assert_non_null(file);
        for (size_t i = 0; i < size; i++)
            (void)fprintf(file, "%02x%c", data[i], i % 16 == 15 || i + 1 == size ? '\n' : ' ');
        (void)fclose(file);
    }
    size_t held = golden_read(name);
    assert_int_equal(held, size);
    assert_memory_equal(golden, data, size);
}

static const char *const histories[] = {"plain", "rich", "context"};

static void fold_history(int which, struct random_history *h) {
    static const unsigned flavours[] = {RANDOM_PLAUSIBLE | RANDOM_ROUTINE, RANDOM_PLAUSIBLE | RANDOM_VOIDS,
                                        RANDOM_VOIDS | RANDOM_CONTEXT};
    uint32_t order[200];
    random_history_init(h, 42 + (uint64_t)which, 150, flavours[which]);
    care_fold(&state, h->events, h->count, order, which == 2 ? (h->first_at + h->last_at) / 2 : h->last_at);
}

static void plan_state(void) {
    static struct care_policy policy;
    static const struct care_zones zones = {.version = "none"};
    struct care_context context = {.policy = &policy, .zones = &zones};
    care_policy_init(&policy);
    care_plan(&state, &context, &planned);
}

static void test_empty(void **unused) {
    (void)unused;
    size_t size;
    care_state_init(&state);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
    golden_check("state_2_empty", bytes, size);
    plan_state();
    assert_int_equal(care_schedule_encode(&planned, bytes, sizeof bytes, &size), PROTO_OK);
    golden_check("schedule_empty", bytes, size);
}

/* The example that the head of state_codec.c explains. */
static void test_one_event(void **unused) {
    (void)unused;
    struct proto_event event = EV(note_written, ev_time(2026, 3, 1) + 14 * EV_HOUR, F_TEXT(note_written, text, "x"));
    static const uint8_t id[16] = {0x01, 0x9c, 0xa9, 0xb2, 0xe7, 0x00, 0x70, 0, 0x80, 0, 0, 0, 0, 0, 0, 1};
    size_t size;
    memcpy(event.id.bytes, id, sizeof id);
    care_state_init(&state);
    state.folded_to = event.at;
    care_step(&state, &event, NULL);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
    golden_check("state_2_one_event", bytes, size);
}

/* Stored states read as they did when they were written, and are written the same. */
static void test_golden(void **unused) {
    (void)unused;
    char name[64];
    for (int which = 0; which < 3; which++) {
        struct random_history h;
        size_t size = 0;
        fold_history(which, &h);
        assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
        (void)snprintf(name, sizeof name, "state_2_%s", histories[which]);
        golden_check(name, bytes, size);
        assert_int_equal(care_state_decode(golden, size, &decoded), PROTO_OK);
        assert_int_equal(decoded.event_count, state.event_count);
        assert_string_equal(decoded.profile.label, state.profile.label);
        assert_int_equal(care_state_encode(&decoded, again, sizeof again, &size), PROTO_OK);
        assert_memory_equal(golden, again, size);
        random_history_deinit(&h);
    }
}

/* States of format 1 are read: they are those of today but for what that format had no place for. */
static void test_golden_format_1(void **unused) {
    (void)unused;
    char name[64];
    for (int which = 0; which < 3; which++) {
        struct random_history h;
        size_t size = 0, size_now = 0;
        fold_history(which, &h);
        for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
            memset(&state.stomas[i].catheter, 0, sizeof state.stomas[i].catheter);
            memset(&state.stomas[i].catheter_gone, 0, sizeof state.stomas[i].catheter_gone);
        }
        assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size_now), PROTO_OK);
        (void)snprintf(name, sizeof name, "state_%s", histories[which]);
        size = golden_read(name);
        assert_int_equal(golden[0], 1);
        assert_int_equal(care_state_decode(golden, size, &decoded), PROTO_OK);
        assert_int_equal(care_state_encode(&decoded, again, sizeof again, &size), PROTO_OK);
        assert_int_equal(size, size_now);
        assert_memory_equal(bytes, again, size);
        random_history_deinit(&h);
    }
    care_state_init(&state);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &(size_t){0}), PROTO_OK);
    assert_int_equal(care_state_decode(golden, golden_read("state_empty"), &decoded), PROTO_OK);
    assert_int_equal(care_state_decode(golden, golden_read("state_one_event"), &decoded), PROTO_OK);
    assert_int_equal(decoded.event_count, 1);
}

/* A catheter that keeps the stoma open goes through the bytes whole. */
static void test_catheter(void **unused) {
    (void)unused;
    size_t size;
    struct care_device *catheter = &state.stomas[1].catheter;
    struct proto_event placed =
        ev_second(EV(device_placed, ev_time(2026, 3, 1), F(device_placed, purpose, PROTO_purpose_keep_open),
                     F(device_placed, retention, PROTO_retention_other), F(device_placed, french_fr, 1200),
                     F_TEXT(device_placed, lot, "C-7"), F_TEXT(device_placed, gtin, "51022222233336")));
    struct proto_event gone = ev_second(EV(device_removed, ev_time(2026, 3, 2), F(device_removed, for_good, 1)));
    care_state_init(&state);
    care_step(&state, &placed, NULL);
    care_step(&state, &gone, NULL);
    assert_string_equal(catheter->lot, "C-7");
    assert_int_equal(state.stomas[1].catheter_gone.at, gone.at);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
    assert_int_equal(care_state_decode(bytes, size, &decoded), PROTO_OK);
    assert_memory_equal(&decoded.stomas[1].catheter, catheter, sizeof *catheter);
    assert_memory_equal(&decoded.stomas[1].catheter_gone, &state.stomas[1].catheter_gone, sizeof(struct care_fact));
    /* Long after it went nobody would be shown anything about it. */
    struct proto_event later = EV(note_written, ev_time(2027, 3, 2), F_TEXT(note_written, text, "x"));
    care_step(&state, &later, NULL);
    assert_int_equal(catheter->placed.at, 0);
    assert_int_equal(state.stomas[1].catheter_gone.at, 0);
}

static void test_round_trips(void **unused) {
    (void)unused;
    for (uint64_t seed = 1; seed <= 400; seed++) {
        struct random_history h;
        uint32_t order[200];
        size_t size, size_again;
        random_history_init(&h, seed, 1 + (uint32_t)(seed % 200), RANDOM_VOIDS | (seed % 2 ? RANDOM_PLAUSIBLE : 0));
        care_fold(&state, h.events, h.count, order, INT64_MAX);
        assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
        assert_true(size <= PROTO_STATE_BYTES_MAX);
        assert_int_equal(care_state_decode(bytes, size, &decoded), PROTO_OK);
        assert_int_equal(care_state_encode(&decoded, again, sizeof again, &size_again), PROTO_OK);
        assert_int_equal(size, size_again);
        assert_memory_equal(bytes, again, size);
        plan_state();
        assert_int_equal(care_schedule_encode(&planned, bytes, sizeof bytes, &size), PROTO_OK);
        assert_int_equal(care_schedule_decode(bytes, size, &schedule), PROTO_OK);
        assert_int_equal(care_schedule_encode(&schedule, again, sizeof again, &size_again), PROTO_OK);
        assert_int_equal(size, size_again);
        assert_memory_equal(bytes, again, size);
        for (uint32_t i = 0; i < schedule.alert_count; i++) {
            struct care_alert alert;
            assert_int_equal(care_alert_encode(&schedule.alerts[i], bytes, sizeof bytes, &size), PROTO_OK);
            assert_int_equal(care_alert_decode(bytes, size, &alert), PROTO_OK);
            assert_int_equal(alert.step_count, planned.alerts[i].step_count);
            assert_int_equal(care_alert_encode(&alert, again, sizeof again, &size_again), PROTO_OK);
            assert_int_equal(size, size_again);
            assert_memory_equal(bytes, again, size);
        }
        random_history_deinit(&h);
    }
}

/* Every prefix, a byte too many, a newer format, another format: refused. */
static void test_refusals(void **unused) {
    (void)unused;
    struct random_history h;
    size_t size;
    fold_history(0, &h);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
    for (size_t cut = 0; cut < size; cut++)
        assert_int_equal(care_state_decode(bytes, cut, &decoded), PROTO_CORRUPT);
    bytes[size] = 0;
    assert_int_equal(care_state_decode(bytes, size + 1, &decoded), PROTO_CORRUPT);
    bytes[0] = 3;
    assert_int_equal(care_state_decode(bytes, size, &decoded), PROTO_NEWER);
    bytes[0] = 0;
    assert_int_equal(care_state_decode(bytes, size, &decoded), PROTO_CORRUPT);
    for (size_t cap = 0; cap < size; cap++)
        assert_int_equal(care_state_encode(&state, again, cap, &size), PROTO_TOO_LARGE);
    plan_state();
    assert_int_equal(care_schedule_encode(&planned, bytes, sizeof bytes, &size), PROTO_OK);
    for (size_t cut = 0; cut < size; cut++)
        assert_int_equal(care_schedule_decode(bytes, cut, &schedule), PROTO_CORRUPT);
    bytes[0] = 2;
    assert_int_equal(care_schedule_decode(bytes, size, &schedule), PROTO_NEWER);
    for (size_t cap = 0; cap < size; cap++)
        assert_int_equal(care_schedule_encode(&planned, again, cap, &size), PROTO_TOO_LARGE);
    random_history_deinit(&h);
}

static struct care_schedule small_schedule(void) {
    int64_t at = ev_time(2026, 3, 1) + 14 * EV_HOUR;
    struct care_schedule small = {.team = "north-shore", .label = "HM-0142", .task_count = 1, .alert_count = 2};
    small.stomas[0].exists = true;
    small.stomas[0].state = CARE_DEVICE_IN;
    small.stomas[0].age_known_day = ev_day(2026, 1, 10);
    small.stomas[0].mature_day = ev_day(2026, 4, 4);
    small.stomas[0].balloon = (struct care_forecast){true, 10, 20, -5, 45, ev_day(2026, 3, 18), 480};
    small.stomas[1].age_known_day = INT32_MIN;
    small.stomas[1].mature_day = INT32_MAX;
    small.mature_at[0] = ev_time(2026, 4, 4);
    small.mature_at[1] = small.waiting_at = INT64_MAX;
    small.tasks[0] = (struct care_task){.task = PROTO_TASK_BALLOON_CHECK,
                                        .stoma = PROTO_stoma_main,
                                        .given_to = "Sam",
                                        .due_day = ev_day(2026, 3, 8),
                                        .due_at = ev_time(2026, 3, 8),
                                        .overdue_at = ev_time(2026, 3, 9),
                                        .last_done_at = at,
                                        .why = CARE_WHY_DEFERRED,
                                        .deferred_until = ev_day(2026, 3, 8)};
    small.alerts[0] = (struct care_alert){
        .alert = PROTO_ALERT_TUBE_OUT,
        .stoma = PROTO_stoma_main,
        .step_count = 2,
        .found = 3,
        .evidence_count = 2,
        .since = at,
        .aim = at + EV_HOUR,
        .deadline = at + 2 * EV_HOUR,
        .args = {at, -100, 0, 7},
        .text = "lot 7",
        .steps = {{at, PROTO_URGENCY_NOW, 4, true, false}, {at + EV_HOUR / 2, PROTO_URGENCY_NOW, 5, false, true}}};
    memset(small.alerts[0].evidence[0].bytes, 0x11, PROTO_ID_BYTES);
    memset(small.alerts[0].evidence[1].bytes, 0x22, PROTO_ID_BYTES);
    small.alerts[1] = small.alerts[0]; /* the same evidence again: a number each */
    small.alerts[1].ended_how = CARE_ENDED_SETTLED;
    small.alerts[1].ended_at = at + EV_DAY;
    small.alerts[1].until = at + 8 * EV_DAY;
    return small;
}

static void test_small_schedule(void **unused) {
    (void)unused;
    size_t size;
    schedule = small_schedule();
    assert_int_equal(care_schedule_encode(&schedule, bytes, sizeof bytes, &size), PROTO_OK);
    golden_check("schedule_small", bytes, size);
    assert_int_equal(care_schedule_decode(golden, size, &planned), PROTO_OK);
    assert_memory_equal(&planned.tasks[0], &schedule.tasks[0], sizeof planned.tasks[0]);
    assert_int_equal(planned.alerts[1].steps[1].from, schedule.alerts[1].steps[1].from);
    assert_memory_equal(planned.alerts[1].evidence, schedule.alerts[1].evidence, 2 * sizeof(struct proto_id));
    assert_int_equal(care_alert_encode(&schedule.alerts[0], bytes, sizeof bytes, &size), PROTO_OK);
    golden_check("alert_small", bytes, size);
}

/* Flips every bit of a state: what is still accepted encodes to the very same bytes. */
static void test_one_to_one(void **unused) {
    (void)unused;
    struct random_history h;
    size_t size, size_again;
    uint32_t accepted = 0;
    fold_history(1, &h);
    assert_int_equal(care_state_encode(&state, bytes, sizeof bytes, &size), PROTO_OK);
    for (size_t bit = 0; bit < size * 8; bit++) {
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        if (care_state_decode(bytes, size, &decoded) == PROTO_OK) {
            accepted++;
            assert_int_equal(care_state_encode(&decoded, again, sizeof again, &size_again), PROTO_OK);
            assert_int_equal(size, size_again);
            assert_memory_equal(bytes, again, size);
        }
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    assert_true(accepted > 0);
    random_history_deinit(&h);
}

/* --- the worst case fits the limits ------------------------------------------------------------------------- */

static void fill_text(char *out, size_t cap) {
    memset(out, 'x', cap - 1);
    out[cap - 1] = '\0';
}

static struct care_fact next_fact(void) {
    static uint32_t made;
    struct care_fact fact = {PROTO_TIME_MAX - made, {{0}}};
    made++;
    memset(fact.id.bytes, 0, 6); /* an id whose time is far from the event's */
    memcpy(fact.id.bytes + 8, &made, sizeof made);
    fact.id.bytes[6] = 0x70;
    return fact;
}

/* The smallest and largest of all lists in a worst state are what limits.h says. */
static void fill_lists(struct care_state *s) {
    s->contact_count = PROTO_CONTACTS_KEPT;
    for (int i = 0; i < PROTO_CONTACTS_KEPT; i++)
        s->contacts[i] = (struct care_contact){next_fact(), 12, 2, UINT64_MAX, PROTO_TIME_MAX};
    s->carer_count = PROTO_CARERS_MAX;
    for (int i = 0; i < PROTO_CARERS_MAX; i++) {
        fill_text(s->carers[i].name, PROTO_TEXT_SHORT_MAX + 1);
        for (int k = 1; k < 5; k++) {
            s->carers[i].skills[k].fact = next_fact();
            s->carers[i].skills[k].level = 3;
            s->carers[i].skills[k].until_day = PROTO_DAY_MAX;
        }
    }
    s->member_count = CARE_MEMBERS_KEPT;
    for (int i = 0; i < CARE_MEMBERS_KEPT; i++) {
        s->members[i].id = next_fact().id;
        fill_text(s->members[i].label, PROTO_TEXT_SHORT_MAX + 1);
        s->members[i].born_day = PROTO_DAY_MAX;
    }
    s->supply_count = PROTO_SUPPLIES_MAX;
    for (int i = 0; i < PROTO_SUPPLIES_MAX; i++) {
        fill_text(s->supplies[i].item, PROTO_TEXT_SHORT_MAX + 1);
        s->supplies[i].counted = next_fact();
        s->supplies[i].ordered = next_fact();
    }
    s->added_count = s->giving_count = PROTO_ADDED_TASKS_MAX;
    for (int i = 0; i < PROTO_ADDED_TASKS_MAX; i++) {
        fill_text(s->added[i].name, 41);
        fill_text(s->added[i].title, PROTO_TEXT_SHORT_MAX + 1);
        s->added[i].fact = next_fact();
        fill_text(s->givings[i].name, 41);
        fill_text(s->givings[i].to, PROTO_TEXT_SHORT_MAX + 1);
        s->givings[i].fact = next_fact();
    }
    s->finding_count = PROTO_FINDINGS_MAX;
    for (int i = 0; i < PROTO_FINDINGS_MAX; i++) {
        s->findings[i].fact = next_fact();
        fill_text(s->findings[i].plan, PROTO_TEXT_SHORT_MAX + 1);
    }
    s->plan_count = PROTO_PLANS_MAX;
    for (int i = 0; i < PROTO_PLANS_MAX; i++) {
        s->plans[i].fact = next_fact();
        s->plans[i].value = INT64_MAX;
        s->plans[i].pause_count = PROTO_PAUSES_MAX;
    }
    s->spare_count = PROTO_SPARES_MAX;
    for (int i = 0; i < PROTO_SPARES_MAX; i++) {
        s->spares[i].fact = next_fact();
        fill_text(s->spares[i].lot, 41);
    }
}

static void fill_sign(struct care_sign *sign) { /* facts are numbered as they are made: a line each */
    *sign = (struct care_sign){.value = 2, .number = INT64_MAX, .seen_set = UINT64_MAX};
    sign->first = next_fact();
    sign->last = next_fact();
    sign->settled = next_fact();
    sign->denied = next_fact();
}

static void fill_stoma(struct care_stoma *s) {
    s->touched = s->exists = true;
    fill_text(s->hospital, PROTO_TEXT_SHORT_MAX + 1);
    fill_text(s->unsafe_text, PROTO_TEXT_SHORT_MAX + 1);
    fill_text(s->device.lot, 41);
    fill_text(s->device.serial, 41);
    s->device.placed = next_fact();
    s->catheter = s->device;
    s->catheter_gone = next_fact();
    s->check_count = PROTO_CHECKS_KEPT;
    for (int i = 0; i < PROTO_CHECKS_KEPT; i++)
        s->checks[i] = (struct care_check){.fact = next_fact(),
                                           .withdrawn_ml = INT32_MAX,
                                           .filled_ml = INT32_MAX,
                                           .syringe_ml = INT32_MAX,
                                           .prescribed_ml = INT32_MAX,
                                           .before_ml = INT32_MAX,
                                           .before_at = PROTO_TIME_MIN};
    for (int i = 0; i < CARE_SIGN_COUNT; i++)
        fill_sign(&s->signs[i]);
    for (int i = 1; i < PROTO_care_item_count; i++)
        s->care_done[i] = next_fact();
}

static void fill_profile(struct care_profile *p) {
    fill_text(p->label, PROTO_TEXT_SHORT_MAX + 1);
    fill_text(p->named_nurse, PROTO_TEXT_SHORT_MAX + 1);
    fill_text(p->critical_medicines, PROTO_TEXT_LINE_MAX + 1);
    fill_text(p->address, PROTO_TEXT_LINE_MAX + 1);
    fill_text(p->access, PROTO_TEXT_LINE_MAX + 1);
    fill_text(p->plan_steps, PROTO_TEXT_LONG_MAX + 1);
    fill_text(p->plan_when, PROTO_TEXT_LINE_MAX + 1);
    fill_text(p->second_plan.steps, PROTO_TEXT_LONG_MAX + 1);
    fill_text(p->second_plan.when, PROTO_TEXT_LINE_MAX + 1);
    p->identifier_count = PROTO_IDENTIFIERS_MAX;
    for (int i = 0; i < PROTO_IDENTIFIERS_MAX; i++) {
        fill_text(p->identifiers[i].system, PROTO_TEXT_SHORT_MAX + 1);
        fill_text(p->identifiers[i].value, PROTO_TEXT_SHORT_MAX + 1);
    }
    p->contact_count = PROTO_PHONES_MAX;
    for (int i = 0; i < PROTO_PHONES_MAX; i++) {
        fill_text(p->contacts[i].role, 41);
        fill_text(p->contacts[i].name, PROTO_TEXT_SHORT_MAX + 1);
        fill_text(p->contacts[i].phone, 41);
    }
    p->use_count = PROTO_USES_MAX;
    for (int i = 0; i < PROTO_USES_MAX; i++)
        fill_text(p->uses[i].item, PROTO_TEXT_SHORT_MAX + 1);
}

static void test_worst_state_fits(void **unused) {
    (void)unused;
    size_t size;
    care_state_init(&state);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++)
        fill_stoma(&state.stomas[i]);
    fill_lists(&state);
    fill_profile(&state.profile);
    assert_int_equal(care_state_encode(&state, bytes, PROTO_STATE_BYTES_MAX, &size), PROTO_OK);
    assert_int_equal(care_state_decode(bytes, size, &decoded), PROTO_OK);
    assert_true(size > 16000 && size <= PROTO_STATE_BYTES_MAX * 9 / 10); /* room for what later versions add */
}

/* Every row of both lists in use; as many rows with long texts as a state can give. */
static void test_worst_schedule_fits(void **unused) {
    (void)unused;
    size_t size;
    memset(&schedule, 0, sizeof schedule);
    schedule.task_count = PROTO_SCHEDULE_TASKS_MAX;
    for (int i = 0; i < PROTO_SCHEDULE_TASKS_MAX; i++) {
        struct care_task *task = &schedule.tasks[i];
        *task = (struct care_task){.task = PROTO_TASK_TRAINING,
                                   .due_day = PROTO_DAY_MAX,
                                   .due_at = PROTO_TIME_MAX,
                                   .overdue_at = PROTO_TIME_MAX,
                                   .last_done_at = PROTO_TIME_MAX};
        fill_text(task->title, sizeof task->title);
        if (i < PROTO_ADDED_TASKS_MAX) {
            fill_text(task->name, sizeof task->name);
            fill_text(task->given_to, sizeof task->given_to);
        }
    }
    schedule.alert_count = PROTO_SCHEDULE_ALERTS_MAX;
    for (int i = 0; i < PROTO_SCHEDULE_ALERTS_MAX; i++) {
        struct care_alert *alert = &schedule.alerts[i];
        *alert = (struct care_alert){
            .alert = PROTO_ALERT_RECALLED_LOT, .step_count = PROTO_STEPS_MAX, .since = PROTO_TIME_MAX};
        alert->deadline = alert->aim = alert->answered_at = alert->since + EV_DAY;
        alert->args[0] = alert->args[1] = PROTO_TIME_MAX;
        fill_text(alert->text, i < 8 ? sizeof alert->text : 100);
        for (int s = 0; s < PROTO_STEPS_MAX; s++)
            alert->steps[s] =
                (struct care_alert_step){PROTO_TIME_MAX + s * EV_DAY, PROTO_URGENCY_NOTE, 200, true, true};
        alert->evidence_count = PROTO_EVIDENCE_MAX;
        for (int e = 0; e < PROTO_EVIDENCE_MAX; e++)
            alert->evidence[e] = next_fact().id;
    }
    assert_int_equal(care_schedule_encode(&schedule, bytes, PROTO_SCHEDULE_BYTES_MAX, &size), PROTO_OK);
    assert_int_equal(care_schedule_decode(bytes, size, &planned), PROTO_OK);
    assert_memory_equal(&planned.alerts[PROTO_SCHEDULE_ALERTS_MAX - 1].evidence,
                        &schedule.alerts[PROTO_SCHEDULE_ALERTS_MAX - 1].evidence, sizeof schedule.alerts[0].evidence);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_empty),
        cmocka_unit_test(test_one_event),
        cmocka_unit_test(test_golden),
        cmocka_unit_test(test_golden_format_1),
        cmocka_unit_test(test_catheter),
        cmocka_unit_test(test_small_schedule),
        cmocka_unit_test(test_round_trips),
        cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_one_to_one),
        cmocka_unit_test(test_worst_state_fits),
        cmocka_unit_test(test_worst_schedule_fits),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
