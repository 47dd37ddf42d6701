/*
 * show_patient.c - one child's page, in the order in which it is needed at night: what to mind, what to do if the device
 * comes out, what is open and whom to call, what is overdue; then the rest.
 *
 * What always holds: the child's own emergency plan stands before everything the rules say; while a device is out, its
 * alert with the clock stands before the steps in general.
 */
#include "cli.h"

#include <string.h>

static bool is_said(const struct betony_value *map, const char *key) {
    return betony_value_bool(betony_value_get(map, key), false);
}

void show_label(const struct cli *cli, FILE *out, const char *label, const char *text) {
    if (!text[0])
        return;
    (void)fprintf(out, "  %-13s", label);
    out_folded(cli, out, 15, text);
}

static void label_value(const struct cli *cli, FILE *out, const char *label, const struct betony_value *map,
                        const char *key) {
    char text[2100];
    words_value(key, betony_value_get(map, key), text, sizeof text);
    show_label(cli, out, label, text);
}

/* --- head ------------------------------------------------------------------------------------------------------------------------- */

/* What a hand at the child has to know before it does anything. */
static void show_mind(const struct cli *cli, FILE *out, const struct betony_value *record) {
    static const struct {
        const char *key, *words;
    } signs[] = {{"latex_allergy", "LATEX ALLERGY"},
                 {"anticoagulant", "takes an anticoagulant"},
                 {"immunosuppressed", "immunosuppressed"},
                 {"active", "pulls at the device or is very active"}};
    char text[700];
    size_t at = 0;
    text[0] = '\0';
    for (size_t i = 0; i < sizeof signs / sizeof signs[0]; i++)
        if (is_said(record, signs[i].key))
            at += (size_t)snprintf(text + at, sizeof text - at, "%s%s", at ? ", " : "", signs[i].words);
    int64_t hours = betony_value_int(betony_value_get(record, "hours_without_feed_max"), -1);
    if (hours >= 0)
        at += (size_t)snprintf(text + at, sizeof text - at, "%snot without feed for more than %lld h", at ? ", " : "",
                               (long long)hours);
    const char *medicines = words_text(record, "critical_medicines");
    if (medicines[0])
        (void)snprintf(text + at, sizeof text - at, "%smedicines that cannot wait: %.400s", at ? "; " : "", medicines);
    show_label(cli, out, "mind", text);
}

/* What is unusual about this page itself. */
static void show_reservations(const struct cli *cli, FILE *out, const struct betony_value *status) {
    const struct betony_value *closed = betony_value_get(status, "closed");
    char text[300], at[32];
    if (closed) {
        words_value("at", betony_value_get(closed, "at"), at, sizeof at);
        (void)snprintf(text, sizeof text, "THE RECORD IS CLOSED since %s: %s. Nothing is due for this child.", at,
                       words_text(closed, "reason"));
        out_folded(cli, out, 0, text);
    }
    if (betony_value_get(status, "other_rules"))
        out_folded(cli, out, 0,
                   "Other rules or zone data were in use then: this page is worked out by those of today.");
    if (betony_value_get(status, "settling"))
        out_folded(cli, out, 0, "A policy change is being worked in; this page has it already.");
    if (betony_value_get(status, "rebuild"))
        out_folded(cli, out, 0, "The server is rebuilding; this page may not be complete.");
    if (is_said(betony_value_get(status, "record"), "overflow"))
        out_folded(cli, out, 0, "Some list of this record was full: only its first entries are kept.");
}

/* A stay that goes on: routine tasks wait while it is one in hospital. */
static void show_absence(const struct cli *cli, FILE *out, const struct betony_value *record) {
    const struct betony_value *stay = betony_value_get(record, "stay"), *away = betony_value_get(record, "away");
    if (stay && !betony_value_get(stay, "ended_at")) {
        show_stay(cli, out, "AWAY NOW", stay);
        if (strcmp(words_text(stay, "where"), "hospital") == 0)
            show_label(cli, out, " ", "routine tasks wait until the return");
    }
    if (away && !betony_value_get(away, "ended_at"))
        show_stay(cli, out, "AWAY NOW", away);
}

static void show_head(const struct cli *cli, FILE *out, const struct betony_value *status) {
    char at[32], zone[48], line[300];
    words_time(cli->now_ms, at);
    words_zone(cli->now_ms, zone);
    (void)snprintf(line, sizeof line, "%s  %s  born %s  level %s", words_text(status, "label"),
                   words_text(status, "team"), words_text(betony_value_get(status, "record"), "born"),
                   words_text(status, "level"));
    out_strong(cli, out, line);
    (void)fprintf(out, "\nas of %s %s, id ", at, zone);
    out_text(out, words_text(status, "patient"));
    (void)fputc('\n', out);
    show_reservations(cli, out, status);
    show_doubles(cli, out, status);
    show_absence(cli, out, betony_value_get(status, "record"));
    show_mind(cli, out, betony_value_get(status, "record"));
}

/* --- when the device comes out ------------------------------------------------------------------------------------------------------ */

/* Texts of a list, numbered. The standing caution is one of them for those who read the answer without this page; here
 * it stands at the foot. */
static void show_steps(const struct cli *cli, FILE *out, const struct betony_value *steps) {
    size_t number = 0;
    for (size_t i = 0; i < betony_value_count(steps); i++) {
        const char *step = betony_value_text(betony_value_at(steps, i), "");
        char label[24];
        if (strstr(step, "does not replace clinical judgement"))
            continue;
        (void)snprintf(label, sizeof label, "%zu.", ++number);
        show_label(cli, out, label, step);
    }
}

void show_own_plan(const struct cli *cli, FILE *out, const struct betony_value *plan) {
    if (betony_value_type(plan) != BETONY_MAP) {
        show_label(cli, out, "own plan", "NONE ON RECORD for this child");
        return;
    }
    label_value(cli, out, "own plan", plan, "steps");
    label_value(cli, out, "applies", plan, "when");
    label_value(cli, out, "hospital", plan, "hospital");
    label_value(cli, out, "phone", plan, "phone");
    char keep[8], change[8], says[120];
    words_value("", betony_value_get(plan, "keep_open"), keep, sizeof keep);
    words_value("", betony_value_get(plan, "home_change"), change, sizeof change);
    (void)snprintf(says, sizeof says, "%s%s%s%s%s", change[0] ? "change at home: " : "", change,
                   change[0] && keep[0] ? ", " : "", keep[0] ? "a catheter to keep the stoma open: " : "", keep);
    show_label(cli, out, "plan says", says);
    label_value(cli, out, "spares", plan, "spares");
    label_value(cli, out, "prescriber", plan, "prescriber");
    label_value(cli, out, "set", plan, "set_at");
    label_value(cli, out, "review by", plan, "review_by");
}

static bool is_out(const struct betony_value *stomas) {
    for (size_t i = 0; i < betony_value_count(stomas); i++)
        if (strcmp(words_text(betony_value_at(stomas, i), "state"), "out") == 0)
            return true;
    return false;
}

static void show_alerts(const struct cli *cli, FILE *out, const struct betony_value *alerts) {
    char head[40];
    size_t count = betony_value_count(alerts);
    (void)snprintf(head, sizeof head, count ? "OPEN ALERTS (%zu)" : "NO OPEN ALERTS", count);
    out_heading(cli, out, head);
    for (size_t i = 0; i < count; i++)
        show_alert(cli, out, betony_value_at(alerts, i), false, true);
}

static void show_emergency(const struct cli *cli, FILE *out, const struct betony_value *status) {
    const struct betony_value *emergency = betony_value_get(status, "emergency");
    bool now_out = is_out(betony_value_get(status, "stomas"));
    out_heading(cli, out, now_out ? "THE DEVICE IS OUT" : "IF THE DEVICE COMES OUT");
    show_own_plan(cli, out, betony_value_get(emergency, "plan"));
    if (betony_value_get(emergency, "second_plan")) {
        (void)fputs("  For the second stoma:\n", out);
        show_own_plan(cli, out, betony_value_get(emergency, "second_plan"));
    }
    if (now_out) {
        show_alerts(cli, out, betony_value_get(status, "alerts"));
        out_heading(cli, out, "IN GENERAL, WHEN A DEVICE IS OUT (what the alert says comes first)");
    }
    show_steps(cli, out, betony_value_get(emergency, "steps"));
    show_home_change(cli, out, betony_value_get(status, "home_change"));
    if (!now_out)
        show_alerts(cli, out, betony_value_get(status, "alerts"));
}

/* --- the page ----------------------------------------------------------------------------------------------------------------------- */

void show_patient(const struct cli *cli, FILE *out, const struct betony_value *status) {
    struct cli then = *cli; /* what is overdue, left or passed is told from the page's own moment */
    then.now_ms = betony_value_int(betony_value_get(status, "at"), cli->now_ms);
    const struct betony_value *stomas = betony_value_get(status, "stomas"),
                              *record = betony_value_get(status, "record");
    show_head(&then, out, status);
    show_emergency(&then, out, status);
    show_contacts(&then, out, betony_value_get(record, "contacts"));
    show_tasks(&then, out, betony_value_get(status, "tasks"));
    for (size_t i = 0; i < betony_value_count(stomas); i++)
        show_stoma(&then, out, betony_value_at(stomas, i), betony_value_count(stomas) == 1);
    show_trend(&then, out, betony_value_get(status, "trend"));
    show_forecast(&then, out, betony_value_get(status, "forecast"));
    show_spares(&then, out, betony_value_get(status, "spare"));
    show_carers(&then, out, betony_value_get(status, "carers"));
    show_plan(&then, out, betony_value_get(status, "plan"));
    show_record(&then, out, record);
    show_ended(&then, out, betony_value_get(status, "ended"));
    out_caution(&then, out);
}
