/*
 * scenario_expect.h - one line of expectation against what is there at the moment.
 *
 *   expect [no] alert NAME [stoma= urgency= since= deadline= aim= answered=yes|no evidence=@a,@b about= text=]
 *   expect [no] ended NAME [settled|withdrawn] [stoma=]
 *   expect [no] task NAME [stoma= name= title= due=DATE due-at=TIME overdue-from=TIME state=upcoming|due|overdue|hidden
 *                          last-done=TIME deferred-until=DATE given-to= why= detail=]
 *   expect level NAME
 *   expect home-change yes|no [stoma=] [reasons=young,jejunal,...]
 *   expect says NAME "part of what was found, of the next step or of whom to call" [stoma=]
 *   expect [no] emergency "part of what to do when the device comes out"
 *   expect device in|out|none|keep-open [stoma=]
 *   expect forecast low-on=DATE|none [stoma=]
 *
 * Of an alert or task that stands there more than once (one for each carer or
 * item), one that fits is enough; `no` means that none fits.
 */
#ifndef TESTS_CARE_SCENARIO_EXPECT_H
#define TESTS_CARE_SCENARIO_EXPECT_H

#include <ctype.h>

#include "scenario_world.h"

enum scen_answer { SCEN_NO, SCEN_YES, SCEN_BAD };

static int scen_stoma_of(const char *value) {
    return (int)proto_choice_find("stoma", scen_slice(value));
}

/* Stoma 0 (the child as a whole) fits only when the line names none. */
static bool scen_fits_stoma(uint8_t stoma, const char *value) {
    return (int)stoma == scen_stoma_of(value);
}

static enum scen_answer scen_yes(bool fits) {
    return fits ? SCEN_YES : SCEN_NO;
}

static enum scen_answer scen_fits_time(int64_t time, const char *value) {
    int64_t wanted = 0;
    if (strcmp(value, "none") == 0)
        return scen_yes(time == 0);
    if (!scen_time(value, &wanted))
        return SCEN_BAD;
    return scen_yes(time == wanted);
}

static enum scen_answer scen_fits_date(int32_t day, const char *value) {
    int32_t wanted = 0;
    if (strcmp(value, "none") == 0)
        return scen_yes(day == 0);
    if (!scen_date(value, &wanted))
        return SCEN_BAD;
    return scen_yes(day == wanted);
}

static bool scen_has_text(const char *text, size_t size, const char *part) {
    size_t length = strlen(part);
    for (size_t i = 0; i + length <= size; i++) {
        size_t k = 0;
        while (k < length && tolower((unsigned char)text[i + k]) == tolower((unsigned char)part[k]))
            k++;
        if (k == length)
            return true;
    }
    return false;
}

/* Evidence: every event the line names is there (there may be more). */
static enum scen_answer scen_fits_evidence(const struct scen_events *events, const struct care_alert *alert,
                                           const char *value) {
    char copy[256];
    (void)snprintf(copy, sizeof copy, "%s", value);
    char *rest = copy;
    for (const char *name; (name = scen_part(&rest, ',')) != NULL;) {
        const struct scen_event *event = scen_find(events, name);
        bool found = false;
        for (uint32_t i = 0; event && i < alert->evidence_count; i++)
            found = found || proto_id_compare(&alert->evidence[i], &event->event.id) == 0;
        if (!event)
            return SCEN_BAD;
        if (!found)
            return SCEN_NO;
    }
    return SCEN_YES;
}

static enum scen_answer scen_alert_word(const struct scen_events *events, const struct care_alert *alert,
                                        const struct care_alert_step *step, const struct scen_word *word) {
    if (strcmp(word->key, "stoma") == 0)
        return scen_yes(scen_fits_stoma(alert->stoma, word->value));
    if (strcmp(word->key, "urgency") == 0)
        return scen_yes(strcmp(proto_urgency_name(step->urgency), word->value) == 0);
    if (strcmp(word->key, "since") == 0)
        return scen_fits_time(alert->since, word->value);
    if (strcmp(word->key, "deadline") == 0)
        return scen_fits_time(alert->deadline, word->value);
    if (strcmp(word->key, "aim") == 0)
        return scen_fits_time(alert->aim, word->value);
    if (strcmp(word->key, "answered") == 0)
        return scen_yes(step->answered == (strcmp(word->value, "yes") == 0));
    if (strcmp(word->key, "evidence") == 0)
        return scen_fits_evidence(events, alert, word->value);
    if (strcmp(word->key, "about") == 0)
        return scen_yes((uint32_t)proto_alert_find(scen_slice(word->value)) == alert->about);
    if (strcmp(word->key, "text") == 0)
        return scen_yes(scen_has_text(alert->text, strlen(alert->text), word->value));
    return SCEN_BAD;
}

static const char *const scen_why_names[CARE_WHY_COUNT] = {"interval", "first",      "low-before", "return", "deferred",
                                                           "plan",     "prescribed", "spare-used", "booked", "expires"};
static const char *const scen_state_names[] = {"hidden", "upcoming", "due", "overdue"};
static const char *const scen_device_names[] = {"none", "in", "out", "keep-open"};
static const char *const scen_reason_names[CARE_REASON_COUNT] = {
    "young", "age-unknown", "first-device", "jejunal", "no-balloon", "plan-says-no", "no-device", "keep-open"};

static enum scen_answer scen_task_word(const struct scen_world *world, uint32_t row, const struct scen_word *word) {
    const struct care_task *task = &world->schedule.tasks[row];
    if (strcmp(word->key, "stoma") == 0)
        return scen_yes(scen_fits_stoma(task->stoma, word->value));
    if (strcmp(word->key, "name") == 0)
        return scen_yes(strcmp(task->name, word->value) == 0);
    if (strcmp(word->key, "title") == 0)
        return scen_yes(scen_has_text(task->title, strlen(task->title), word->value));
    if (strcmp(word->key, "given-to") == 0)
        return scen_yes(strcmp(task->given_to, word->value) == 0);
    if (strcmp(word->key, "due") == 0)
        return scen_fits_date(task->due_day, word->value);
    if (strcmp(word->key, "due-at") == 0)
        return scen_fits_time(task->due_at, word->value);
    if (strcmp(word->key, "overdue-from") == 0)
        return scen_fits_time(task->overdue_at, word->value);
    if (strcmp(word->key, "last-done") == 0)
        return scen_fits_time(task->last_done_at, word->value);
    if (strcmp(word->key, "deferred-until") == 0)
        return scen_fits_date(task->deferred_until, word->value);
    if (strcmp(word->key, "state") == 0)
        return scen_yes(strcmp(scen_state_names[world->view.task_state[row]], word->value) == 0);
    if (strcmp(word->key, "why") == 0)
        return scen_yes(strcmp(scen_why_names[task->why], word->value) == 0);
    if (strcmp(word->key, "detail") == 0) {
        char detail[PROTO_TEXT_LINE_MAX + 1];
        care_task_detail(&world->state, task, detail);
        return scen_yes(scen_has_text(detail, strlen(detail), word->value));
    }
    return SCEN_BAD;
}

static enum scen_answer scen_expect_alert(const struct scen_world *world, const struct scen_events *events,
                                          const struct scen_words *words, uint32_t first) {
    uint32_t number = (uint32_t)proto_alert_find(scen_slice(words->list[first].value));
    enum scen_answer any = SCEN_NO;
    if (!number)
        return SCEN_BAD;
    for (uint32_t i = 0; i < world->schedule.alert_count; i++) {
        const struct care_alert *alert = &world->schedule.alerts[i];
        uint8_t step = world->view.alert_step[i];
        if (alert->alert != number || !step)
            continue;
        enum scen_answer fits = SCEN_YES;
        for (uint32_t k = first + 1; fits == SCEN_YES && k < words->count; k++)
            fits = words->list[k].key ? scen_alert_word(events, alert, &alert->steps[step - 1], &words->list[k])
                                      : SCEN_BAD;
        any = fits == SCEN_NO ? any : fits;
    }
    return any;
}

static enum scen_answer scen_expect_ended(const struct scen_world *world, const struct scen_words *words,
                                          uint32_t first) {
    uint32_t number = (uint32_t)proto_alert_find(scen_slice(words->list[first].value));
    if (!number)
        return SCEN_BAD;
    for (uint32_t i = 0; i < world->schedule.alert_count; i++) {
        const struct care_alert *alert = &world->schedule.alerts[i];
        bool fits = alert->alert == number && world->view.alert_ended[i];
        for (uint32_t k = first + 1; fits && k < words->count; k++) {
            const struct scen_word *word = &words->list[k];
            const char *how = alert->ended_how == CARE_ENDED_WITHDRAWN ? "withdrawn" : "settled";
            fits = word->key ? scen_fits_stoma(alert->stoma, word->value) : strcmp(how, word->value) == 0;
        }
        if (fits)
            return SCEN_YES;
    }
    return SCEN_NO;
}

static bool scen_task_named(const struct care_task *task, const char *name) {
    return strcmp(proto_task_name(task->task), name) == 0;
}

static enum scen_answer scen_expect_task(const struct scen_world *world, const struct scen_words *words,
                                         uint32_t first) {
    enum scen_answer any = SCEN_NO;
    bool hidden = false;
    if (!proto_task_find(scen_slice(words->list[first].value)))
        return SCEN_BAD;
    for (uint32_t k = first + 1; k < words->count; k++)
        hidden = hidden || strcmp(words->list[k].value, "hidden") == 0;
    for (uint32_t i = 0; i < world->schedule.task_count; i++) {
        if (!scen_task_named(&world->schedule.tasks[i], words->list[first].value) ||
            (!hidden && world->view.task_state[i] == CARE_TASK_HIDDEN))
            continue;
        enum scen_answer fits = SCEN_YES;
        for (uint32_t k = first + 1; fits == SCEN_YES && k < words->count; k++)
            fits = words->list[k].key ? scen_task_word(world, i, &words->list[k]) : SCEN_BAD;
        any = fits == SCEN_NO ? any : fits;
    }
    return any;
}

/* True when any text inside the object holds the part. */
static bool scen_object_says(const msgpack_object *object, const char *part) {
    if (object->type == MSGPACK_OBJECT_STR)
        return scen_has_text(object->via.str.ptr, object->via.str.size, part);
    for (uint32_t i = 0; object->type == MSGPACK_OBJECT_ARRAY && i < object->via.array.size; i++)
        if (scen_object_says(&object->via.array.ptr[i], part))
            return true;
    for (uint32_t i = 0; object->type == MSGPACK_OBJECT_MAP && i < object->via.map.size; i++)
        if (scen_object_says(&object->via.map.ptr[i].val, part))
            return true;
    return false;
}

static const msgpack_object *scen_object_get(const msgpack_object *map, const char *key) {
    for (uint32_t i = 0; map && map->type == MSGPACK_OBJECT_MAP && i < map->via.map.size; i++) {
        const msgpack_object *name = &map->via.map.ptr[i].key;
        if (name->type == MSGPACK_OBJECT_STR && name->via.str.size == strlen(key) &&
            memcmp(name->via.str.ptr, key, name->via.str.size) == 0)
            return &map->via.map.ptr[i].val;
    }
    return NULL;
}

static bool scen_alert_says(const struct scen_world *world, const struct care_alert *alert, const char *part) {
    static const char *const keys[] = {"found", "next_step", "call"};
    static uint8_t bytes[65536];
    struct proto_writer w;
    size_t offset = 0;
    bool says = false;
    proto_writer_init(&w, bytes, sizeof bytes);
    care_render_alert(&w, alert, world->now, 0);
    msgpack_unpacked unpacked;
    msgpack_unpacked_init(&unpacked);
    if (w.error == PROTO_OK &&
        msgpack_unpack_next(&unpacked, (const char *)bytes, w.size, &offset) == MSGPACK_UNPACK_SUCCESS)
        for (size_t i = 0; !says && i < sizeof keys / sizeof keys[0]; i++) {
            const msgpack_object *text = scen_object_get(&unpacked.data, keys[i]);
            says = text && scen_object_says(text, part);
        }
    msgpack_unpacked_destroy(&unpacked);
    return says;
}

static enum scen_answer scen_expect_says(const struct scen_world *world, const struct scen_words *words,
                                         uint32_t first) {
    uint32_t number = (uint32_t)proto_alert_find(scen_slice(words->list[first].value));
    if (!number || words->count < first + 2 || words->list[first + 1].key)
        return SCEN_BAD;
    for (uint32_t i = 0; i < world->schedule.alert_count; i++) {
        const struct care_alert *alert = &world->schedule.alerts[i];
        bool other = words->count > first + 2 && !scen_fits_stoma(alert->stoma, words->list[first + 2].value);
        if (alert->alert == number && world->view.alert_step[i] && !other &&
            scen_alert_says(world, alert, words->list[first + 1].value))
            return SCEN_YES;
    }
    return SCEN_NO;
}

/* The answer to a question about the rendered status. */
static enum scen_answer scen_expect_status(const struct scen_world *world, const char *key, const char *inner,
                                           const char *part) {
    msgpack_unpacked unpacked;
    size_t offset = 0;
    enum scen_answer answer = SCEN_BAD;
    msgpack_unpacked_init(&unpacked);
    if (msgpack_unpack_next(&unpacked, (const char *)world->status, world->status_size, &offset) ==
        MSGPACK_UNPACK_SUCCESS) {
        const msgpack_object *found = scen_object_get(&unpacked.data, key);
        if (found && inner)
            found = scen_object_get(found, inner);
        if (found && found->type == MSGPACK_OBJECT_BOOLEAN)
            answer = scen_yes(found->via.boolean == (strcmp(part, "yes") == 0));
        else
            answer = scen_yes(found && scen_object_says(found, part));
    }
    msgpack_unpacked_destroy(&unpacked);
    return answer;
}

static uint32_t scen_reasons(const struct scen_world *world, int place) {
    uint32_t reasons = world->schedule.stomas[place].home_change_reasons;
    if (world->now < world->schedule.mature_at[place] && !(reasons & (1u << CARE_REASON_AGE_UNKNOWN)))
        reasons |= 1u << CARE_REASON_YOUNG;
    return reasons;
}

static enum scen_answer scen_expect_home_change(const struct scen_world *world, const struct scen_words *words,
                                                uint32_t first) {
    const char *wanted = words->list[first].value;
    int place = 0;
    for (uint32_t k = first + 1; k < words->count; k++)
        if (words->list[k].key && strcmp(words->list[k].key, "stoma") == 0)
            place = scen_stoma_of(words->list[k].value) - 1;
    if (place < 0)
        return SCEN_BAD;
    uint32_t reasons = scen_reasons(world, place);
    if ((reasons == 0) != (strcmp(wanted, "yes") == 0))
        return SCEN_NO;
    for (uint32_t k = first + 1; k < words->count; k++) {
        char copy[256];
        char *rest = copy;
        if (!words->list[k].key || strcmp(words->list[k].key, "reasons") != 0)
            continue;
        (void)snprintf(copy, sizeof copy, "%s", words->list[k].value);
        uint32_t set = 0;
        for (const char *name; (name = scen_part(&rest, ',')) != NULL;)
            for (uint32_t i = 0; i < CARE_REASON_COUNT; i++)
                set |= strcmp(name, scen_reason_names[i]) == 0 ? 1u << i : 0;
        if (set != reasons)
            return SCEN_NO;
    }
    /* the status has one answer for the child: with two stomas it is the careful one of both */
    bool one = !world->schedule.stomas[0].exists || !world->schedule.stomas[1].exists;
    return one ? scen_expect_status(world, "home_change", "allowed", wanted) : SCEN_YES;
}

static enum scen_answer scen_expect_level(const struct scen_world *world, const char *wanted) {
    if (!proto_choice_find("level", scen_slice(wanted)))
        return SCEN_BAD;
    if (strcmp(proto_level_name(world->view.level), wanted) != 0)
        return SCEN_NO;
    return scen_expect_status(world, "level", NULL, wanted);
}

static enum scen_answer scen_expect_stoma(const struct scen_world *world, const struct scen_words *words,
                                          uint32_t first, bool forecast) {
    int place = words->count > first + 1 ? scen_stoma_of(words->list[first + 1].value) - 1 : 0;
    const struct scen_word *word = &words->list[first];
    if (place < 0)
        return SCEN_BAD;
    if (!forecast)
        return scen_yes(strcmp(scen_device_names[world->schedule.stomas[place].state], word->value) == 0);
    if (!word->key || strcmp(word->key, "low-on") != 0)
        return SCEN_BAD;
    return scen_fits_date(world->schedule.stomas[place].balloon.expected_low_day, word->value);
}

/* The words after `expect`. */
static enum scen_answer scen_expect(const struct scen_world *world, const struct scen_events *events,
                                    const struct scen_words *words) {
    uint32_t first = 1;
    bool no = words->count > 1 && strcmp(words->list[1].value, "no") == 0;
    first += no ? 1 : 0;
    if (words->count < first + 2)
        return SCEN_BAD;
    const char *what = words->list[first].value;
    enum scen_answer answer = SCEN_BAD;
    first++;
    if (strcmp(what, "alert") == 0)
        answer = scen_expect_alert(world, events, words, first);
    else if (strcmp(what, "ended") == 0)
        answer = scen_expect_ended(world, words, first);
    else if (strcmp(what, "task") == 0)
        answer = scen_expect_task(world, words, first);
    else if (strcmp(what, "says") == 0)
        answer = scen_expect_says(world, words, first);
    else if (strcmp(what, "emergency") == 0)
        answer = scen_expect_status(world, "emergency", NULL, words->list[first].value);
    else if (strcmp(what, "level") == 0)
        answer = scen_expect_level(world, words->list[first].value);
    else if (strcmp(what, "home-change") == 0)
        answer = scen_expect_home_change(world, words, first);
    else if (strcmp(what, "device") == 0)
        answer = scen_expect_stoma(world, words, first, false);
    else if (strcmp(what, "forecast") == 0)
        answer = scen_expect_stoma(world, words, first, true);
    if (no && answer != SCEN_BAD)
        answer = answer == SCEN_YES ? SCEN_NO : SCEN_YES;
    return answer;
}

/* What is there, for a failure's message. */
static void scen_show(const struct scen_world *world, const struct scen_events *events) {
    char a[32], b[32], date[11];
    proto_time_format(world->now, a);
    printf("      there is at %s: level %s, device %s", a, proto_level_name(world->view.level),
           scen_device_names[world->schedule.stomas[0].state]);
    for (uint32_t i = 0; i < CARE_REASON_COUNT; i++)
        if (scen_reasons(world, 0) & (1u << i))
            printf(", %s", scen_reason_names[i]);
    printf("\n");
    for (uint32_t i = 0; i < world->schedule.alert_count; i++) {
        const struct care_alert *alert = &world->schedule.alerts[i];
        uint8_t step = world->view.alert_step[i];
        proto_time_format(alert->since, a);
        proto_time_format(alert->deadline, b);
        printf("      %s %s stoma %d %s since %s deadline %s%s%s", step ? "alert" : "  not open",
               proto_alert_name(alert->alert), alert->stoma,
               step ? proto_urgency_name(alert->steps[step - 1].urgency) : "-", a, alert->deadline ? b : "none",
               step && alert->steps[step - 1].answered ? " answered" : "",
               world->view.alert_ended[i] ? (alert->ended_how == CARE_ENDED_WITHDRAWN ? " withdrawn" : " settled")
                                          : "");
        for (uint32_t k = 0; k < alert->evidence_count; k++)
            for (uint32_t e = 0; e < events->count; e++)
                if (proto_id_compare(&events->list[e].event.id, &alert->evidence[k]) == 0)
                    printf(" line %d", events->list[e].line);
        printf("%s%s\n", alert->text[0] ? " " : "", alert->text);
    }
    for (uint32_t i = 0; i < world->schedule.task_count; i++) {
        const struct care_task *task = &world->schedule.tasks[i];
        proto_date_format(task->due_day, date);
        proto_time_format(task->overdue_at, b);
        printf("      task %s%s%s stoma %d due %s overdue-from %s %s why %s\n", proto_task_name(task->task),
               task->name[0] ? " " : "", task->name, task->stoma, date, b, scen_state_names[world->view.task_state[i]],
               scen_why_names[task->why]);
    }
}

#endif
