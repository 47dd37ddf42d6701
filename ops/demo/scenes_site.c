/*
 * scenes_site.c - the site: signs, leaks, fit, and what was said about them.
 *
 * What always holds: each scene leaves open exactly what its line says.
 */
#include "demo.h"

#include <stddef.h>

static void shape_recent(struct demo *demo, struct child *child) {
    (void)demo;
    child->visit_age_days = 4;
    child->device_age_days = 50;
}

static void play_bleeding(struct demo *demo, const struct child *child) {
    site_checked_begin(demo, child, day_ms(demo, 1, 10, 0));
    line_bool(demo, "bleeding", true);
    line_text(demo, "discharge", "blood");
    line_text(demo, "pain", "mild");
    line_end(demo);
}

static void infected(struct demo *demo, const struct child *child, int64_t at_ms) {
    site_checked_begin(demo, child, at_ms);
    line_text(demo, "redness", "red");
    line_bool(demo, "warm", true);
    line_text(demo, "discharge", "green");
    line_amount(demo, "fever_c", 3740);
    line_bool(demo, "spreading", false);
    line_end(demo);
}

static void called(struct demo *demo, const struct child *child, int64_t at_ms, const char *outcome,
                   const char *advice) {
    static const char *const about[] = {"infection-signs", NULL};
    line_begin(demo, child, "contact.made", at_ms);
    line_head(demo, "done_by", "nurse");
    line_text(demo, "to", "surgeon");
    line_list(demo, "about", about);
    line_text(demo, "outcome", outcome);
    if (advice)
        line_text(demo, "advice", advice);
    line_end(demo);
}

static void play_infected_not_reached(struct demo *demo, const struct child *child) {
    infected(demo, child, demo->now_ms - 5 * HOUR_MS);
    called(demo, child, demo->now_ms - 4 * HOUR_MS, "no-answer", NULL);
}

static void play_infected_answered(struct demo *demo, const struct child *child) {
    infected(demo, child, day_ms(demo, 1, 9, 0));
    called(demo, child, day_ms(demo, 1, 9, 30), "answered", "a swab today, clean twice a day, look again on Thursday");
}

static void leak(struct demo *demo, const struct child *child, const char *where) {
    site_checked_begin(demo, child, day_ms(demo, 2, 10, 0));
    line_text(demo, "leak", where);
    line_text(demo, "skin", "sore");
    line_end(demo);
}

static void play_valve_leak(struct demo *demo, const struct child *child) {
    leak(demo, child, "through");
}

static void play_leak_and_dressing(struct demo *demo, const struct child *child) {
    static const char *const items[] = {"dressing", "site-care", NULL};
    leak(demo, child, "around");
    line_begin(demo, child, "plan.set", day_ms(demo, 2, 10, 30));
    line_text(demo, "task", "dressing");
    line_int(demo, "every_days", 1);
    line_text(demo, "reason", "leak around the device, sore skin");
    line_text(demo, "prescriber", "nurse A");
    line_end(demo);
    line_begin(demo, child, "care.done", day_ms(demo, 1, 9, 0));
    line_list(demo, "items", items);
    line_end(demo);
}

static void gap(struct demo *demo, const struct child *child, int64_t gap_mm) {
    site_checked_begin(demo, child, day_ms(demo, 1, 10, 0));
    line_amount(demo, "gap_mm", gap_mm);
    line_end(demo);
}

static void play_tight(struct demo *demo, const struct child *child) {
    gap(demo, child, 50);
}

static void play_loose(struct demo *demo, const struct child *child) {
    gap(demo, child, 650);
}

static void play_overgranulation(struct demo *demo, const struct child *child) {
    site_checked_begin(demo, child, day_ms(demo, 3, 10, 0));
    line_bool(demo, "overgranulation", true);
    line_end(demo);
}

static void play_accepted(struct demo *demo, const struct child *child) {
    play_overgranulation(demo, child);
    line_begin(demo, child, "finding.accepted", day_ms(demo, 2, 10, 0));
    line_text(demo, "alert", "overgranulation");
    line_date(demo, "until", demo->today + 40);
    line_text(demo, "plan", "dry dressing; seen again in six weeks");
    line_text(demo, "prescriber", "surgeon A");
    line_end(demo);
}

const struct scene site_scenes[] = {
    {130, "pain-or-bleeding: blood at the site yesterday", shape_recent, play_bleeding},
    {131, "infection-signs, call-again: the surgeon was not reached", shape_recent, play_infected_not_reached},
    {132, "valve-leak", shape_recent, play_valve_leak},
    {133, "leak-around, dressing: a daily dressing while it leaks", shape_recent, play_leak_and_dressing},
    {134, "fit-tight: a gap of 0.5 mm", shape_recent, play_tight},
    {135, "fit-loose: a gap of 6.5 mm", shape_recent, play_loose},
    {136, "overgranulation", shape_recent, play_overgranulation},
    {137, "overgranulation that the prescriber accepts", shape_recent, play_accepted},
    {138, "infection-signs, answered by the surgeon", shape_recent, play_infected_answered},
    {0, NULL, NULL, NULL}};
