/*
 * show_record.c - the parts of a child's page that change seldom: contacts, the child's own plan, the record, what ended.
 *
 * What always holds: every key of the record is told, in words or as it came; a sign that was denied is told as denied.
 */
#include "cli.h"

#include <string.h>

#define COUNT(array) (sizeof(array) / sizeof(array)[0])

void show_contacts(const struct cli *cli, FILE *out, const struct betony_value *contacts) {
    static const struct show_column columns[] = {
        {"role", {"role", false, false}}, {"name", {"name", false, true}}, {"phone", {"phone", false, false}}};
    if (betony_value_count(contacts) == 0)
        return;
    out_heading(cli, out, "CONTACTS");
    show_table(cli, out, contacts, columns, COUNT(columns));
}

/* --- the child's own plan ---------------------------------------------------------------------------------------------------- */

/* "every 5 days on mon, thu; off; value 0.4": what the plan says instead of the rule. */
static void plan_words(const struct betony_value *entry, char *out, size_t size) {
    static const char *const told[] = {"task", "policy",     "accepted", "stoma",  "plan",
                                       "off",  "every_days", "until",    "set_at", NULL};
    char rest[400], every[48];
    words_map(entry, told, rest, sizeof rest);
    words_field(entry, "every_days", every, sizeof every);
    if (betony_value_int(betony_value_get(entry, "every_days"), 0) == 1)
        (void)snprintf(every, sizeof every, "day");
    bool off = betony_value_bool(betony_value_get(entry, "off"), false);
    const char *plan = words_text(entry, "plan");
    (void)snprintf(out, size, "%s%s%s%s%s%s%s", off ? "off" : "", every[0] ? "every " : "", every,
                   rest[0] && (off || every[0]) ? ", " : "", rest, plan[0] && (off || every[0] || rest[0]) ? "; " : "",
                   plan);
}

void show_plan(const struct cli *cli, FILE *out, const struct betony_value *plan) {
    static const struct table_column columns[] = {{"about", false, false},
                                                  {"until", false, false},
                                                  {"set", false, false},
                                                  {"instead of the general rule", false, true}};
    if (betony_value_count(plan) == 0)
        return;
    out_heading(cli, out, "THE CHILD'S PLAN");
    struct table *table = table_new(columns, COUNT(columns));
    for (size_t i = 0; i < betony_value_count(plan); i++) {
        const struct betony_value *entry = betony_value_at(plan, i);
        char text[1200], set[32] = "";
        const char *about = words_text(entry, "task")[0]     ? words_text(entry, "task")
                            : words_text(entry, "policy")[0] ? words_text(entry, "policy")
                                                             : words_text(entry, "accepted");
        bool second = strcmp(words_text(entry, "stoma"), "second") == 0;
        (void)snprintf(text, sizeof text, "%s%s%s", words_text(entry, "accepted")[0] ? "accepted: " : "", about,
                       second ? ", second stoma" : "");
        table_cell(table, text);
        table_cell(table, words_text(entry, "until"));
        int64_t set_at = betony_value_int(betony_value_get(entry, "set_at"), 0);
        if (set_at)
            words_day(set_at, set);
        table_cell(table, set);
        plan_words(entry, text, sizeof text);
        table_cell(table, text);
    }
    table_print(cli, out, table, 2);
    table_free(table);
}

/* --- the record --------------------------------------------------------------------------------------------------------------------- */

/* Entries of a list of maps in one line: "FORMAT of two keys", with ", " between. */
static void show_entries(const struct cli *cli, FILE *out, const char *label, const struct betony_value *list,
                         const char *first, const char *glue, const char *second, const char *behind) {
    char text[1200] = "";
    size_t at = 0;
    for (size_t i = 0; i < betony_value_count(list) && at < sizeof text; i++) {
        char one[300], two[300];
        words_field(betony_value_at(list, i), first, one, sizeof one);
        words_field(betony_value_at(list, i), second, two, sizeof two);
        at += (size_t)snprintf(text + at, sizeof text - at, "%s%s%s%s%s", i ? ", " : "", one, glue, two, behind);
    }
    show_label(cli, out, label, text);
}

static void show_feeding(const struct cli *cli, FILE *out, const struct betony_value *record) {
    static const char *const told[] = {"mode", "ml_day", "prescribed_at", NULL};
    const struct betony_value *feed = betony_value_get(record, "feed");
    char text[600], day[48], rest[300], at[32] = "";
    const char *mode = words_text(feed, "mode")[0] ? words_text(feed, "mode") : words_text(record, "feeding");
    words_field(feed, "ml_day", day, sizeof day);
    words_map(feed, told, rest, sizeof rest);
    if (feed)
        words_day(betony_value_int(betony_value_get(feed, "prescribed_at"), 0), at);
    (void)snprintf(text, sizeof text, "%.80s%s%s%s%s%s%s", mode, day[0] ? ", " : "", day, rest[0] ? ", " : "", rest,
                   at[0] ? ", prescribed " : "", at);
    show_label(cli, out, "feeding", text);
}

static void show_signs(const struct cli *cli, FILE *out, const struct betony_value *record) {
    static const char *const keys[] = {"latex_allergy", "anticoagulant", "immunosuppressed", "active"};
    char text[300] = "";
    size_t at = 0;
    for (size_t i = 0; i < COUNT(keys); i++) {
        char name[64];
        const struct betony_value *said = betony_value_get(record, keys[i]);
        if (!said)
            continue;
        words_key(keys[i], name);
        at += (size_t)snprintf(text + at, sizeof text - at, "%s%s: %s", at ? ", " : "", name,
                               betony_value_bool(said, false) ? "YES" : "no");
    }
    show_label(cli, out, "signs", text);
}

void show_stay(const struct cli *cli, FILE *out, const char *label, const struct betony_value *stay) {
    char text[700], from[32] = "", to[32] = "";
    if (!stay)
        return;
    words_field(stay, "started_at", from, sizeof from);
    words_field(stay, "ended_at", to, sizeof to);
    const char *name = words_text(stay, "name"), *back = words_text(stay, "expected_back");
    (void)snprintf(text, sizeof text, "%s%s%.300s, from %s%s%s%s%s", words_text(stay, "where"), name[0] ? ", " : "",
                   name, from, to[0] ? " to " : "", to, back[0] && !to[0] ? ", expected back " : "", to[0] ? "" : back);
    show_label(cli, out, label, text);
}

void show_record(const struct cli *cli, FILE *out, const struct betony_value *record) {
    static const char *const told[] = {"registered_at",
                                       "born",
                                       "identifiers",
                                       "named_nurse",
                                       "address",
                                       "access",
                                       "contacts",
                                       "feeding",
                                       "feed",
                                       "hours_without_feed_max",
                                       "critical_medicines",
                                       "active",
                                       "latex_allergy",
                                       "anticoagulant",
                                       "immunosuppressed",
                                       "use",
                                       "stay",
                                       "away",
                                       "appointments",
                                       "visit_planned_on",
                                       "last_word_at",
                                       "overflow",
                                       NULL};
    static const struct show_column appointments[] = {{"on", {"booked for", false, false}},
                                                      {"for", {"what", false, false}},
                                                      {"stoma", {"stoma", false, false}},
                                                      {"booked_at", {"booked", false, false}}};
    char text[1200];
    if (betony_value_count(record) == 0)
        return;
    out_heading(cli, out, "RECORD");
    show_label(cli, out, "nurse", words_text(record, "named_nurse"));
    show_label(cli, out, "address", words_text(record, "address"));
    show_label(cli, out, "access", words_text(record, "access"));
    show_entries(cli, out, "known as", betony_value_get(record, "identifiers"), "system", ": ", "value", "");
    show_feeding(cli, out, record);
    show_signs(cli, out, record);
    show_entries(cli, out, "uses", betony_value_get(record, "use"), "item", ": ", "per_day", " a day");
    show_stay(cli, out, "last stay", betony_value_get(record, "stay"));
    show_stay(cli, out, "away", betony_value_get(record, "away"));
    show_label(cli, out, "next visit", words_text(record, "visit_planned_on"));
    show_table(cli, out, betony_value_get(record, "appointments"), appointments, COUNT(appointments));
    words_field(record, "last_word_at", text, sizeof text);
    show_label(cli, out, "last word", text);
    words_field(record, "registered_at", text, sizeof text);
    show_label(cli, out, "registered", text);
    words_map(record, told, text, sizeof text);
    show_label(cli, out, "also", text);
}

void show_ended(const struct cli *cli, FILE *out, const struct betony_value *ended) {
    static const struct show_column columns[] = {{"name", {"alert", false, false}},
                                                 {"stoma", {"stoma", false, false}},
                                                 {"how", {"how", false, false}},
                                                 {"ended_at", {"ended", false, false}}};
    if (betony_value_count(ended) == 0)
        return;
    out_heading(cli, out, "ENDED IN THE LAST DAYS");
    show_table(cli, out, ended, columns, COUNT(columns));
}
