/*
 * render.c - the status map, its alerts and tasks, and the caution that stands on every page.
 *
 * What always holds: bytes depend on state, schedule, context and moment alone.
 */
#include "care/render.h"

#include <assert.h>

const char *care_caution(void) {
    return "This supports and does not replace clinical judgement: the child's own prescribed plan, local policy and "
           "licensed practice come "
           "first. Clean hands before and after contact. If the child is seriously unwell, call the emergency number: "
           "112, in the United "
           "Kingdom 999.";
}

/* --- maps ------------------------------------------------------------------------------------------- */

struct care_map care_map_begin(struct proto_writer *w) {
    return (struct care_map){w, proto_write_map_begin(w), 0};
}
void care_map_end(struct care_map *map) {
    proto_write_map_end(map->w, map->mark, map->count);
}

struct proto_writer *care_map_key(struct care_map *map, const char *key) {
    map->count++;
    proto_write_text(map->w, key);
    return map->w;
}

void care_map_text(struct care_map *map, const char *key, const char *text) {
    if (text && text[0])
        proto_write_text(care_map_key(map, key), text);
}

void care_map_int(struct care_map *map, const char *key, int64_t value) {
    proto_write_int(care_map_key(map, key), value);
}
void care_map_bool(struct care_map *map, const char *key, bool value) {
    proto_write_bool(care_map_key(map, key), value);
}

void care_map_time(struct care_map *map, const char *key, int64_t at) {
    if (at != 0)
        proto_write_int(care_map_key(map, key), at);
}

void care_map_day(struct care_map *map, const char *key, int32_t day) {
    if (day != 0 && day != INT32_MIN && day != INT32_MAX)
        proto_write_date(care_map_key(map, key), day);
}

void care_map_amount(struct care_map *map, const char *key, int64_t hundredths) {
    if (hundredths != 0)
        proto_write_amount(care_map_key(map, key), hundredths);
}

void care_map_choice(struct care_map *map, const char *key, const char *list, uint32_t number) {
    care_map_text(map, key, number ? proto_choice_name(list, number) : NULL);
}

void care_map_said(struct care_map *map, const char *key, uint8_t said) {
    if (said != 0)
        care_map_bool(map, key, said == 2);
}

/* --- one alert --------------------------------------------------------------------------------------- */

static const struct care_alert_step *step_at(const struct care_alert *alert, int64_t now) {
    uint8_t k = 0;
    assert(alert->step_count > 0 && alert->step_count <= PROTO_STEPS_MAX);
    while (k + 1 < alert->step_count && alert->steps[k + 1].from <= now)
        k++;
    return &alert->steps[k];
}

static void render_evidence(struct proto_writer *w, const struct care_alert *alert) {
    proto_write_array(w, alert->evidence_count);
    for (uint8_t i = 0; i < alert->evidence_count; i++)
        proto_write_id(w, &alert->evidence[i]);
}

void care_render_alert(struct proto_writer *w, const struct care_alert *alert, int64_t now, uint32_t extra) {
    const struct care_alert_step *step = step_at(alert, now);
    const char *call = care_next_call((enum care_next)step->wording);
    char sentence[CARE_SENTENCE_BYTES];
    uint32_t optional =
        (uint32_t)((alert->stoma != 0) + (alert->deadline != 0) + (alert->aim != 0) + (call != NULL) + step->answered);
    proto_write_map(w, 8 + optional + extra);
    struct care_map map = {.w = w};
    care_map_text(&map, "name", proto_alert_name((enum proto_alert)alert->alert));
    care_map_choice(&map, "stoma", "stoma", alert->stoma);
    care_map_text(&map, "urgency", proto_urgency_name((enum proto_urgency)step->urgency));
    care_map_int(&map, "since", alert->since);
    care_map_time(&map, "deadline", alert->deadline);
    care_map_time(&map, "aim", alert->aim);
    care_alert_found(alert, sentence);
    care_map_text(&map, "found", sentence);
    care_alert_next(alert, step, sentence);
    care_map_text(&map, "next_step", sentence);
    care_map_text(&map, "call", call);
    care_map_text(&map, "rule", care_alert_rule((enum proto_alert)alert->alert));
    care_map_text(&map, "basis", care_alert_basis((enum proto_alert)alert->alert));
    render_evidence(care_map_key(&map, "evidence"), alert);
    if (step->answered)
        care_map_int(&map, "answered_at", alert->answered_at);
    assert(map.count == 8 + optional);
}

/* --- the page ------------------------------------------------------------------------------------------ */

static const char *const reason_names[CARE_REASON_COUNT] = {
    [CARE_REASON_YOUNG] = "young",
    [CARE_REASON_AGE_UNKNOWN] = "age-unknown",
    [CARE_REASON_FIRST_DEVICE] = "first-device",
    [CARE_REASON_JEJUNAL] = "jejunal",
    [CARE_REASON_NO_BALLOON] = "no-balloon",
    [CARE_REASON_PLAN_SAYS_NO] = "plan-says-no",
    [CARE_REASON_NO_DEVICE] = "no-device",
    [CARE_REASON_KEEP_OPEN] = "keep-open",
};

uint16_t care_page_home_change(const struct care_page *page, int stoma) {
    uint16_t reasons = 0;
    bool any = false;
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        if (!page->schedule->stomas[i].exists || (stoma != 0 && stoma != i + 1))
            continue;
        any = true;
        reasons |= page->schedule->stomas[i].home_change_reasons;
        if (page->schedule->stomas[i].mature_day != INT32_MAX && page->today < page->schedule->stomas[i].mature_day)
            reasons |= 1u << CARE_REASON_YOUNG;
    }
    return any ? reasons : (uint16_t)(1u << CARE_REASON_NO_DEVICE);
}

void care_render_home_change(struct care_map *map, uint16_t reasons) {
    struct care_map own = care_map_begin(care_map_key(map, "home_change"));
    care_map_bool(&own, "allowed", reasons == 0);
    size_t mark = proto_write_array_begin(care_map_key(&own, "reasons"));
    uint32_t count = 0;
    for (unsigned i = 0; i < CARE_REASON_COUNT; i++) {
        if (reasons >> i & 1) {
            proto_write_text(map->w, reason_names[i]);
            count++;
        }
    }
    proto_write_array_end(map->w, mark, count);
    care_map_end(&own);
}

static const char *const why_words[CARE_WHY_COUNT] = {
    [CARE_WHY_INTERVAL] = NULL,
    [CARE_WHY_FIRST] = "first time",
    [CARE_WHY_LOW_BEFORE] = "expected to be low before the usual date",
    [CARE_WHY_RETURN] = "back from hospital",
    [CARE_WHY_DEFERRED] = "deferred",
    [CARE_WHY_PLAN] = "the child's own plan",
    [CARE_WHY_PRESCRIBED] = "prescribed",
    [CARE_WHY_SPARE_USED] = "the spare was used",
    [CARE_WHY_BOOKED] = "booked",
    [CARE_WHY_EXPIRES] = "in date until then",
};

static const char *const task_states[] = {"hidden", "upcoming", "due", "overdue"};

static void render_task(const struct care_page *page, const struct care_task *task, uint8_t state) {
    char detail[PROTO_TEXT_LINE_MAX + 1];
    struct care_map map = care_map_begin(page->w);
    care_map_text(&map, "task",
                  task->task == PROTO_TASK_ADDED ? task->name : proto_task_name((enum proto_task)task->task));
    care_map_text(&map, "title", task->title[0] ? task->title : proto_task_title((enum proto_task)task->task));
    care_map_choice(&map, "stoma", "stoma", task->stoma);
    care_map_text(&map, "given_to", task->given_to);
    proto_write_date(care_map_key(&map, "due_on"), task->due_day);
    care_map_int(&map, "due_at", task->due_at);
    care_map_int(&map, "overdue_at", task->overdue_at);
    care_map_text(&map, "state", task_states[state]);
    care_map_time(&map, "last_done_at", task->last_done_at);
    care_map_day(&map, "deferred_until", task->deferred_until);
    care_map_text(&map, "why", task->why < CARE_WHY_COUNT ? why_words[task->why] : NULL);
    care_task_detail(page->state, task, detail);
    care_map_text(&map, "detail", detail);
    care_map_end(&map);
}

static void render_tasks(const struct care_page *page, struct care_map *map) {
    size_t mark = proto_write_array_begin(care_map_key(map, "tasks"));
    uint32_t count = 0;
    for (uint32_t i = 0; i < page->schedule->task_count; i++) {
        if (page->view->task_state[i] == CARE_TASK_HIDDEN)
            continue;
        assert(page->view->task_state[i] <= CARE_TASK_OVERDUE);
        render_task(page, &page->schedule->tasks[i], page->view->task_state[i]);
        count++;
    }
    proto_write_array_end(page->w, mark, count);
}

/* Nearest deadline first, those without one last; then urgency, then since, then the order of the schedule. */
static bool comes_before(const struct care_page *page, uint32_t a, uint32_t b) {
    const struct care_alert *one = &page->schedule->alerts[a], *two = &page->schedule->alerts[b];
    if ((one->deadline != 0) != (two->deadline != 0))
        return one->deadline != 0;
    if (one->deadline != two->deadline)
        return one->deadline < two->deadline;
    uint8_t first = one->steps[page->view->alert_step[a] - 1].urgency,
            second = two->steps[page->view->alert_step[b] - 1].urgency;
    if (first != second)
        return first < second;
    return one->since != two->since ? one->since < two->since : a < b;
}

static void render_alerts(const struct care_page *page, struct care_map *map) {
    uint8_t order[PROTO_SCHEDULE_ALERTS_MAX];
    uint32_t count = 0;
    for (uint32_t i = 0; i < page->schedule->alert_count; i++) {
        if (page->view->alert_step[i] == 0)
            continue;
        uint32_t place = count++;
        while (place > 0 && comes_before(page, i, order[place - 1])) {
            order[place] = order[place - 1];
            place--;
        }
        order[place] = (uint8_t)i;
    }
    proto_write_array(care_map_key(map, "alerts"), count);
    for (uint32_t i = 0; i < count; i++)
        care_render_alert(page->w, &page->schedule->alerts[order[i]], page->now, 0);
}

static void render_ended(const struct care_page *page, struct care_map *map) {
    size_t mark = proto_write_array_begin(care_map_key(map, "ended"));
    uint32_t count = 0;
    for (uint32_t i = 0; i < page->schedule->alert_count; i++) {
        const struct care_alert *alert = &page->schedule->alerts[i];
        if (!page->view->alert_ended[i])
            continue;
        struct care_map own = care_map_begin(page->w);
        care_map_text(&own, "name", proto_alert_name((enum proto_alert)alert->alert));
        care_map_choice(&own, "stoma", "stoma", alert->stoma);
        care_map_int(&own, "ended_at", alert->ended_at);
        care_map_text(&own, "how", alert->ended_how == CARE_ENDED_WITHDRAWN ? "withdrawn" : "settled");
        render_evidence(care_map_key(&own, "evidence"), alert);
        care_map_end(&own);
        count++;
    }
    proto_write_array_end(page->w, mark, count);
}

static void render_closed(const struct care_page *page, struct care_map *map) {
    if (!page->schedule->closed)
        return;
    struct care_map own = care_map_begin(care_map_key(map, "closed"));
    care_map_time(&own, "at", page->state->closed.at);
    care_map_choice(&own, "reason", "closed_reason", page->state->closed_reason);
    care_map_end(&own);
}

void care_render_status(struct proto_writer *w, const struct proto_id *patient, const struct care_state *state,
                        const struct care_schedule *schedule, const struct care_context *context, int64_t now) {
    struct care_facts facts;
    struct care_view view;
    care_facts_init(&facts, state, context);
    care_view(schedule, now, &view);
    const struct care_page page = {.w = w,
                                   .facts = &facts,
                                   .state = state,
                                   .schedule = schedule,
                                   .view = &view,
                                   .now = now,
                                   .today = care_zone_day(facts.zone, now)};
    struct care_map map = care_map_begin(w);
    proto_write_id(care_map_key(&map, "patient"), patient);
    proto_write_text(care_map_key(&map, "label"), schedule->label);
    proto_write_text(care_map_key(&map, "team"), schedule->team);
    proto_write_text(care_map_key(&map, "zone"), state->profile.zone);
    care_map_text(&map, "level", proto_level_name((enum proto_level)view.level));
    render_closed(&page, &map);
    care_render_home_change(&map, care_page_home_change(&page, 0));
    care_render_emergency(&page, &map);
    care_render_record(&page, &map);
    care_render_stomas(&page, &map);
    render_tasks(&page, &map);
    render_alerts(&page, &map);
    care_render_people(&page, &map);
    care_render_trend(&page, &map);
    render_ended(&page, &map);
    care_map_end(&map);
}
