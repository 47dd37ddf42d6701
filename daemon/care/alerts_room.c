/*
 * alerts_room.c - who has a place among a child's alerts when there is not room for all.
 *
 * What always holds: a row that is open for now never gives way, and nothing that is open gives way to something that has ended.
 */
#include "care/facts.h"

/* Lower gives way first. */
enum room { ROOM_ENDED, ROOM_NOTE, ROOM_SOON, ROOM_TODAY, ROOM_CALL_NOW, ROOM_NOW };

static bool is_call(const struct care_alert *alert) {
    return alert->alert == PROTO_ALERT_CALL_AGAIN;
}

/* By the most urgent step there ever is: whoever looks, and whenever. */
static enum room room_of(const struct care_alert *alert) {
    if (alert->ended_how != CARE_ENDED_NOT)
        return ROOM_ENDED;
    uint8_t urgency = PROTO_URGENCY_NOTE;
    for (uint8_t k = 0; k < alert->step_count; k++) {
        if (alert->steps[k].urgency < urgency)
            urgency = alert->steps[k].urgency;
    }
    if (urgency == PROTO_URGENCY_NOW)
        return is_call(alert) ? ROOM_CALL_NOW : ROOM_NOW; /* what the call is about is open for now itself */
    if (urgency == PROTO_URGENCY_TODAY)
        return ROOM_TODAY;
    return urgency == PROTO_URGENCY_SOON ? ROOM_SOON : ROOM_NOTE;
}

/* Of equal rows: the ended by age, calls before others; else what was planned later goes. */
static bool goes_before(const struct care_alert *row, const struct care_alert *other) {
    enum room mine = room_of(row), theirs = room_of(other);
    if (mine != theirs)
        return mine < theirs;
    if (mine == ROOM_ENDED)
        return row->ended_at < other->ended_at;
    return is_call(row) || !is_call(other);
}

void care_schedule_add_alert(struct care_schedule *schedule, const struct care_alert *alert) {
    if (schedule->alert_count < PROTO_SCHEDULE_ALERTS_MAX) {
        schedule->alerts[schedule->alert_count++] = *alert;
        return;
    }
    schedule->overflow = true;
    if (alert->ended_how != CARE_ENDED_NOT || is_call(alert))
        return;
    struct care_alert *goes = &schedule->alerts[0];
    for (uint32_t i = 1; i < schedule->alert_count; i++) {
        if (goes_before(&schedule->alerts[i], goes))
            goes = &schedule->alerts[i];
    }
    if (room_of(goes) < room_of(alert))
        *goes = *alert;
}
