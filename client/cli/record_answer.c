/*
 * record_answer.c - what `betony record` says: what is on record now, of whom and when, and what follows from it.
 *
 * What always holds: every alert that opened is told with its next step, and so is every alert for now that was open
 * before; the caution stands under them; while a device is out, the child's own emergency plan is told first.
 */
#include "cli.h"

#include <string.h>

static void show_recorded(const struct cli *cli, const struct record_answer *told, bool repeated) {
    char at[32], zone[48];
    words_time(told->at_ms, at);
    words_zone(cli->now_ms, zone);
    (void)printf("%s %s", repeated ? "already on record:" : "recorded:", proto_kind_get(told->kind)->name);
    if (told->child->label[0]) {
        (void)fputs(" of ", stdout);
        out_text(stdout, told->child->label);
        (void)fputs(" (", stdout);
        out_text(stdout, told->child->team);
        (void)fputc(')', stdout);
    }
    (void)printf(", %s %s, event %s\n", at, zone, told->id);
}

static void show_settled(const struct betony_value *settled) {
    for (size_t i = 0; i < betony_value_count(settled); i++) {
        const struct betony_value *alert = betony_value_at(settled, i);
        (void)fputs("settled: ", stdout);
        out_text(stdout, betony_value_text(alert, betony_value_text(betony_value_get(alert, "name"), "?")));
        (void)fputc('\n', stdout);
    }
}

static void show_alike(const struct cli *cli, const struct betony_value *alike, const struct record_answer *told) {
    for (size_t i = 0; i < betony_value_count(alike); i++) {
        const struct betony_value *one = betony_value_at(alike, i);
        char text[500], at[32];
        words_time(betony_value_int(betony_value_get(one, "at"), 0), at);
        (void)snprintf(text, sizeof text,
                       "alike: a like event of this child, of %s, is on record: %.40s. If both tell of one happening, "
                       "repeat this line with --replaces %s --same-as %.40s",
                       at, words_text(one, "like"), told->id, words_text(one, "like"));
        out_folded(cli, stdout, 0, text);
    }
}

/* What the person who recorded it must know, though it is on record as it was said. */
static void show_notes(const struct cli *cli, const struct betony_value *notes) {
    for (size_t i = 0; i < betony_value_count(notes); i++) {
        char text[700];
        (void)snprintf(text, sizeof text, "NOTE: %.640s", words_text(betony_value_at(notes, i), "message"));
        out_folded(cli, stdout, 0, text);
    }
}

/* --- what follows ---------------------------------------------------------------------------------------------------------- */

/* The child's page as it is now; NULL when the kind is about no child or the page cannot be had: what was recorded is
 * told without it. */
static struct betony_answer *ask_page(struct cli *cli, const char *child) {
    struct betony_map *params = child[0] ? betony_map_new() : NULL;
    struct betony_answer *answer = NULL;
    if (!params)
        return NULL;
    betony_map_text(params, "patient", child);
    if (betony_call(cli->b, "patient", params, &answer) != BETONY_OK)
        answer = NULL;
    betony_map_free(params);
    return answer;
}

static bool is_same_alert(const struct betony_value *a, const struct betony_value *b) {
    return strcmp(words_text(a, "name"), words_text(b, "name")) == 0 &&
           strcmp(words_text(a, "stoma"), words_text(b, "stoma")) == 0;
}

static bool is_among(const struct betony_value *alerts, const struct betony_value *alert) {
    for (size_t i = 0; i < betony_value_count(alerts); i++)
        if (is_same_alert(betony_value_at(alerts, i), alert))
            return true;
    return false;
}

static bool is_device_out(const struct betony_value *alerts) {
    for (size_t i = 0; i < betony_value_count(alerts); i++)
        if (strcmp(words_text(betony_value_at(alerts, i), "name"), "tube-out") == 0)
            return true;
    return false;
}

/* The next step of a device that is out begins with the child's own plan: here it is. */
static void show_plan_of(const struct cli *cli, const struct betony_value *page) {
    const struct betony_value *emergency = betony_value_get(page, "emergency");
    out_heading(cli, stdout, "THE CHILD'S OWN EMERGENCY PLAN");
    show_own_plan(cli, stdout, betony_value_get(emergency, "plan"));
    if (betony_value_get(emergency, "second_plan")) {
        (void)fputs("  For the second stoma:\n", stdout);
        show_own_plan(cli, stdout, betony_value_get(emergency, "second_plan"));
    }
}

/* Alerts that were open before and are still: those for now in full, the others by name. Gives how many. */
static size_t show_still_open(const struct cli *cli, const struct betony_value *alerts,
                              const struct betony_value *opened) {
    char others[1200] = "";
    size_t at = 0, count = 0;
    for (size_t i = 0; i < betony_value_count(alerts); i++) {
        const struct betony_value *alert = betony_value_at(alerts, i);
        if (is_among(opened, alert))
            continue;
        count++;
        if (strcmp(words_text(alert, "urgency"), "now") == 0) {
            out_heading(cli, stdout, "STILL OPEN");
            show_alert(cli, stdout, alert, false, false);
        } else if (at < sizeof others) {
            at += (size_t)snprintf(others + at, sizeof others - at, "%s%s (%s)", at ? ", " : "",
                                   words_text(alert, "name"), words_text(alert, "urgency"));
        }
    }
    if (others[0]) {
        (void)fputs("\nstill open: ", stdout);
        out_folded(cli, stdout, 12, others);
    }
    return count;
}

static void show_what_next(const struct record_answer *told, const struct betony_value *alert) {
    const char *child = told->child->label[0] ? told->child->label : told->child->id;
    if (!child[0])
        return;
    (void)fputs("\nthe whole page: betony patient ", stdout);
    out_text(stdout, child);
    (void)fputs("\nafter a call:   betony record contact.made --patient ", stdout);
    out_text(stdout, child);
    (void)printf(" --to WHOM --outcome answered --about %s\n", words_text(alert, "name"));
}

static void show_consequences(struct cli *cli, const struct betony_value *opened, bool repeated,
                              const struct record_answer *told) {
    struct betony_answer *answer = ask_page(cli, told->child->id);
    const struct betony_value *page = betony_answer_result(answer), *alerts = betony_value_get(page, "alerts");
    size_t count = betony_value_count(opened);
    if (page && (is_device_out(opened) || is_device_out(alerts)))
        show_plan_of(cli, page);
    if (count > 0)
        out_heading(cli, stdout, repeated ? "OPEN ALERTS THAT REST ON IT" : "WHAT FOLLOWS FROM IT");
    for (size_t i = 0; i < count; i++)
        show_alert(cli, stdout, betony_value_at(opened, i), true, true);
    size_t still = show_still_open(cli, alerts, opened);
    if (count + still > 0) {
        show_what_next(told, count > 0 ? betony_value_at(opened, 0) : betony_value_at(alerts, 0));
        out_caution(cli, stdout);
    }
    betony_answer_free(answer);
}

void record_show_answer(struct cli *cli, const struct betony_value *result, const struct record_answer *told) {
    const struct betony_value *opened = betony_value_get(result, "opened");
    bool repeated = betony_value_count(betony_value_get(result, "repeated")) > 0;
    show_recorded(cli, told, repeated);
    show_settled(betony_value_get(result, "settled"));
    show_alike(cli, betony_value_get(result, "alike"), told);
    show_notes(cli, betony_value_get(result, "notes"));
    if (told->kind == PROTO_KIND_event_withdrawn)
        (void)printf("If an alert for now rests on that event, the alert stays until a second account records\n"
                     "withdrawal.confirmed --withdrawal %s\n",
                     told->id);
    if (!told->quiet)
        show_consequences(cli, opened, repeated, told);
    if (betony_value_bool(betony_value_get(result, "truncated"), false))
        (void)puts("The answer is not complete; see `betony patient'.");
    const struct betony_value *statuses = betony_value_get(result, "statuses");
    for (size_t i = 0; i < betony_value_count(statuses); i++) {
        (void)fputc('\n', stdout);
        show_patient(cli, stdout, betony_value_at(statuses, i));
    }
}
