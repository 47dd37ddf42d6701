/*
 * schedule_codec.c - a schedule, and one alert by itself, as bytes.
 *
 *     01              format
 *     fields          one stream as coder.h has them, in the order of the functions below
 *
 * An alert by itself is the same: a format byte and its fields. An instant that
 * belongs to another (a step's to the alert's since, overdue to due) is stored as
 * the distance. The smallest schedule, of a child without events, is
 *
 *     01 00 00 00 00         format; presence of closed, overflow, team, label, and for each of two stomas exists,
 *                            state, reasons, age_known_day, mature_day, change_due_day, change_by_day, forecast,
 *                            mature_at; waiting_at; task_count, alert_count: none of them
 *
 * What always holds: encode(decode(bytes)) is the same bytes; nothing else is accepted.
 */
#include "care/coder.h"

#include <assert.h>
#include <string.h>

#define FORMAT 1

static void code_task(struct care_coder *c, struct care_task *task) {
    care_code_u8(c, &task->task, PROTO_TASK_COUNT - 1);
    care_code_u8(c, &task->stoma, PROTO_stoma_count - 1);
    care_code_text(c, task->name, sizeof task->name);
    care_code_text(c, task->title, sizeof task->title);
    care_code_text(c, task->given_to, sizeof task->given_to);
    care_code_day(c, &task->due_day);
    care_code_near(c, &task->due_at, task->due_day * PROTO_DAY_MS);
    care_code_near(c, &task->overdue_at, task->due_at);
    care_code_time(c, &task->last_done_at);
    care_code_day(c, &task->deferred_until);
    care_code_u8(c, &task->why, CARE_WHY_COUNT - 1);
    care_code_near(c, &task->quiet_until, task->due_at);
}

static void code_step(struct care_coder *c, struct care_alert_step *step, int64_t since) {
    care_code_near(c, &step->from, since);
    care_code_u8(c, &step->urgency, PROTO_URGENCY_COUNT - 1);
    care_code_u8(c, &step->wording, UINT8_MAX);
    care_code_bool(c, &step->home_change);
    care_code_bool(c, &step->answered);
}

static void code_alert(struct care_coder *c, struct care_alert *alert) {
    care_code_u8(c, &alert->alert, PROTO_ALERT_COUNT - 1);
    care_code_u8(c, &alert->stoma, PROTO_stoma_count - 1);
    care_code_u8(c, &alert->found, UINT8_MAX);
    care_code_u8(c, &alert->about, PROTO_ALERT_COUNT - 1);
    care_code_u8(c, &alert->ended_how, CARE_ENDED_WITHDRAWN);
    care_code_i64(c, &alert->since);
    care_code_near(c, &alert->until, alert->since);
    care_code_near(c, &alert->deadline, alert->since);
    care_code_near(c, &alert->aim, alert->since);
    care_code_near(c, &alert->answered_at, alert->since);
    care_code_near(c, &alert->ended_at, alert->since);
    care_code_near(c, &alert->quiet_from, alert->since);
    care_code_near(c, &alert->quiet_until, alert->since);
    for (size_t i = 0; i < sizeof alert->args / sizeof alert->args[0]; i++)
        care_code_i64(c, &alert->args[i]);
    care_code_text(c, alert->text, sizeof alert->text);
    care_code_u8(c, &alert->step_count, PROTO_STEPS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < alert->step_count; i++)
        code_step(c, &alert->steps[i], alert->since);
    care_code_u8(c, &alert->evidence_count, PROTO_EVIDENCE_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < alert->evidence_count; i++)
        care_code_known_id(c, &alert->evidence[i]);
}

static void code_forecast(struct care_coder *c, struct care_forecast *forecast) {
    care_code_bool(c, &forecast->known);
    if (!forecast->known)
        return;
    care_code_i32(c, &forecast->fits);
    care_code_i64(c, &forecast->loss_ml_week);
    care_code_i64(c, &forecast->low);
    care_code_i64(c, &forecast->high);
    care_code_day(c, &forecast->expected_low_day);
    care_code_i64(c, &forecast->next_expected_ml);
}

static void code_schedule(struct care_coder *c, struct care_schedule *schedule) {
    care_code_bool(c, &schedule->closed);
    care_code_bool(c, &schedule->overflow);
    care_code_text(c, schedule->team, sizeof schedule->team);
    care_code_text(c, schedule->label, sizeof schedule->label);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        care_code_bool(c, &schedule->stomas[i].exists);
        care_code_u8(c, &schedule->stomas[i].state, CARE_DEVICE_KEEP_OPEN);
        care_code_u16(c, &schedule->stomas[i].home_change_reasons, (1u << CARE_REASON_COUNT) - 1);
        care_code_day_or(c, &schedule->stomas[i].age_known_day, INT32_MIN);
        care_code_day_or(c, &schedule->stomas[i].mature_day, INT32_MAX);
        care_code_day(c, &schedule->stomas[i].change_due_day);
        care_code_day(c, &schedule->stomas[i].change_by_day);
        code_forecast(c, &schedule->stomas[i].balloon);
        care_code_i64_or(c, &schedule->mature_at[i], INT64_MAX);
    }
    care_code_i64_or(c, &schedule->waiting_at, INT64_MAX);
    care_code_u32(c, &schedule->task_count, PROTO_SCHEDULE_TASKS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < schedule->task_count; i++)
        code_task(c, &schedule->tasks[i]);
    care_code_u32(c, &schedule->alert_count, PROTO_SCHEDULE_ALERTS_MAX);
    for (uint32_t i = 0; c->error == PROTO_OK && i < schedule->alert_count; i++)
        code_alert(c, &schedule->alerts[i]);
}

/* Format byte, one stream, nothing behind it. */
static enum proto_error begin_read(struct care_coder *c, const uint8_t *bytes, size_t size) {
    if (size == 0 || bytes[0] == 0)
        return PROTO_CORRUPT;
    if (bytes[0] > FORMAT)
        return PROTO_NEWER;
    care_coder_read(c, bytes, size);
    c->at = 1;
    return PROTO_OK;
}

static enum proto_error end_read(struct care_coder *c) {
    care_coder_flush(c);
    if (c->error == PROTO_OK && c->at != c->size)
        return PROTO_CORRUPT;
    return c->error;
}

static enum proto_error begin_write(struct care_coder *c, uint8_t *out, size_t cap) {
    if (cap == 0)
        return PROTO_TOO_LARGE;
    care_coder_write(c, out, cap);
    out[0] = FORMAT;
    c->at = 1;
    return PROTO_OK;
}

enum proto_error care_schedule_encode(const struct care_schedule *schedule, uint8_t *out, size_t cap,
                                      size_t *size_out) {
    struct care_coder c;
    enum proto_error error = begin_write(&c, out, cap);
    if (error != PROTO_OK)
        return error;
    code_schedule(&c, (struct care_schedule *)(uintptr_t)schedule); /* writing leaves it as it is */
    care_coder_flush(&c);
    if (c.error == PROTO_OK)
        *size_out = c.at;
    return c.error;
}

enum proto_error care_schedule_decode(const uint8_t *bytes, size_t size, struct care_schedule *schedule) {
    struct care_coder c;
    enum proto_error error = begin_read(&c, bytes, size);
    if (error != PROTO_OK)
        return error;
    memset(schedule, 0, sizeof *schedule);
    code_schedule(&c, schedule);
    error = end_read(&c);
    if (error != PROTO_OK)
        memset(schedule, 0, sizeof *schedule);
    return error;
}

enum proto_error care_alert_encode(const struct care_alert *alert, uint8_t *out, size_t cap, size_t *size_out) {
    struct care_coder c;
    enum proto_error error = begin_write(&c, out, cap);
    if (error != PROTO_OK)
        return error;
    code_alert(&c, (struct care_alert *)(uintptr_t)alert); /* writing leaves it as it is */
    care_coder_flush(&c);
    if (c.error == PROTO_OK)
        *size_out = c.at;
    return c.error;
}

enum proto_error care_alert_decode(const uint8_t *bytes, size_t size, struct care_alert *alert) {
    struct care_coder c;
    enum proto_error error = begin_read(&c, bytes, size);
    if (error != PROTO_OK)
        return error;
    memset(alert, 0, sizeof *alert);
    code_alert(&c, alert);
    error = end_read(&c);
    if (error != PROTO_OK)
        memset(alert, 0, sizeof *alert);
    return error;
}
