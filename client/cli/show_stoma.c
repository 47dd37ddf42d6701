/*
 * show_stoma.c - a stoma and the device in it, in a few lines.
 *
 * What always holds: every key that the server sends about them is told, in words or as it came.
 */
#include "cli.h"

#include <stdarg.h>
#include <string.h>

#include "proto/calendar.h"

struct part {
    char text[1200];
    size_t at;
};

/* Adds ", " and the text; nothing when `value` is empty. */
static void add(struct part *part, const char *before, const char *value, const char *behind) {
    if (!value[0])
        return;
    int put = snprintf(part->text + part->at, sizeof part->text - part->at, "%s%s%s%s", part->at ? ", " : "", before,
                       value, behind);
    if (put > 0 && (size_t)put < sizeof part->text - part->at)
        part->at += (size_t)put;
}

static void add_value(struct part *part, const char *before, const struct betony_value *map, const char *key,
                      const char *behind) {
    char text[300];
    words_value(key, betony_value_get(map, key), text, sizeof text);
    add(part, before, text, behind);
}

/* What has no words of its own here, so that nothing the server sends is left out. */
static void add_rest(struct part *part, const struct betony_value *map, const char *const *told) {
    char text[600];
    words_map(map, told, text, sizeof text);
    add(part, "", text, "");
}

/* "13 days", "11 weeks", "9 months", "2 years" */
static void age_words(int64_t days, char out[48]) {
    static const struct {
        int64_t below, unit;
        const char *name;
    } steps[] = {{100, 1, "day"}, {730, 30, "month"}, {INT64_MAX, 365, "year"}};
    size_t i = 0;
    while (days >= steps[i].below)
        i++;
    long long count = (long long)(days / steps[i].unit);
    (void)snprintf(out, 48, "%lld %s%s", count, steps[i].name, count == 1 ? "" : "s");
}

/* --- home change ------------------------------------------------------------------------------------------------------------ */

void show_home_change(const struct cli *cli, FILE *out, const struct betony_value *home) {
    static const char *const words[][2] = {{"young", "the stoma is young"},
                                           {"age-unknown", "the age of the stoma is not known"},
                                           {"first-device", "it is the first device in this stoma"},
                                           {"jejunal", "its tip lies in the jejunum"},
                                           {"no-balloon", "no balloon holds it"},
                                           {"plan-says-no", "the child's plan says no"},
                                           {"no-device", "no device is on record"},
                                           {"keep-open", "a catheter only kept the stoma open"}};
    const struct betony_value *reasons = betony_value_get(home, "reasons");
    struct part part = {{0}, 0};
    for (size_t i = 0; i < betony_value_count(reasons); i++) {
        const char *reason = betony_value_text(betony_value_at(reasons, i), "");
        for (size_t k = 0; k < sizeof words / sizeof words[0]; k++)
            if (strcmp(reason, words[k][0]) == 0)
                reason = words[k][1];
        add(&part, "", reason, "");
    }
    char text[1300];
    if (betony_value_bool(betony_value_get(home, "allowed"), false))
        (void)snprintf(text, sizeof text, "allowed for a trained person");
    else
        (void)snprintf(text, sizeof text, "NOT allowed%s%s", part.at ? ": " : "", part.text);
    show_label(cli, out, "home change", text);
}

/* --- the device ----------------------------------------------------------------------------------------------------------------- */

static void show_placing(const struct cli *cli, FILE *out, const struct betony_value *device) {
    struct part part = {{0}, 0};
    const struct betony_value *position = betony_value_get(device, "position");
    char back[32] = "", placed[32] = "";
    words_value("placed_at", betony_value_get(device, "placed_at"), placed, sizeof placed);
    words_value("put_back_at", betony_value_get(device, "put_back_at"), back, sizeof back);
    add(&part, "", placed, "");
    add(&part, "put back ", back, "");
    add(&part, "at ", words_text(device, "place"), "");
    add(&part, "by ", words_text(device, "placed_by"), "");
    add(&part, "reason: ", words_text(device, "why"), "");
    if (betony_value_bool(betony_value_get(device, "first_in_stoma"), false))
        add(&part, "", "the first in this stoma", "");
    show_label(cli, out, "placed", part.text);
    part = (struct part){{0}, 0};
    add(&part, "by ", words_text(position, "method"), "");
    add_value(&part, "pH ", position, "ph", "");
    add_value(&part, "", position, "at", "");
    show_label(cli, out, "position", part.at ? part.text : "no confirmation on record");
}

static void show_device(const struct cli *cli, FILE *out, const struct betony_value *device) {
    static const char *const told[] = {"retention",    "profile",    "tip",       "french_fr",      "diameter_mm",
                                       "length_mm",    "balloon_ml", "placed_at", "put_back_at",    "place",
                                       "placed_by",    "why",        "position",  "first_in_stoma", "change_due_on",
                                       "change_by_on", "outside_mm", NULL};
    struct part part = {{0}, 0};
    add(&part, "held by a ", words_text(device, "retention"), "");
    add(&part, "", words_text(device, "profile"), " profile");
    add(&part, "tip in the ", words_text(device, "tip"), "");
    show_label(cli, out, "device", part.text);
    part = (struct part){{0}, 0};
    add_value(&part, "", device, "french_fr", "");
    add_value(&part, "", device, "diameter_mm", " across");
    add_value(&part, "", device, "length_mm", " long");
    add_value(&part, "balloon ", device, "balloon_ml", " prescribed");
    add_value(&part, "", device, "outside_mm", " outside the skin when placed");
    show_label(cli, out, "size", part.text);
    part = (struct part){{0}, 0};
    add_rest(&part, device, told);
    show_label(cli, out, "marked", part.text);
    show_placing(cli, out, device);
    part = (struct part){{0}, 0};
    add(&part, "due ", words_text(device, "change_due_on"), "");
    add(&part, "at the latest ", words_text(device, "change_by_on"), "");
    show_label(cli, out, "next change", part.text);
}

void show_device_cell(const struct betony_value *row, char *out, size_t size) {
    struct part part = {{0}, 0};
    add(&part, "", words_text(row, "retention"), "");
    add(&part, "", words_text(row, "profile"), " profile");
    add(&part, "tip in the ", words_text(row, "tip"), "");
    add_value(&part, "", row, "french_fr", "");
    add_value(&part, "", row, "length_mm", "");
    add_value(&part, "balloon ", row, "balloon_ml", "");
    add(&part, "item ", words_text(row, "gtin"), "");
    add(&part, "serial ", words_text(row, "serial"), "");
    add_value(&part, "placed ", row, "placed_at", "");
    (void)snprintf(out, size, "%s", part.text);
}

/* --- the stoma ------------------------------------------------------------------------------------------------------------------ */

static const char *state_words(const char *state) {
    static const char *const words[][2] = {{"in", "device in place"},
                                           {"out", "DEVICE OUT"},
                                           {"none", "no device"},
                                           {"keep-open", "a catheter keeps it open; nothing is given through it"}};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(state, words[i][0]) == 0)
            return words[i][1];
    return state;
}

static void show_formed(const struct cli *cli, FILE *out, const struct betony_value *stoma) {
    static const char *const told[] = {"stoma",     "device",   "state",       "formed_on",  "age_days",        "how",
                                       "mature_on", "hospital", "home_change", "prescribed", "site_checked_at", "skin",
                                       NULL};
    struct part part = {{0}, 0};
    char age[48] = "", mature[80] = "";
    int64_t days = betony_value_int(betony_value_get(stoma, "age_days"), -1);
    if (days >= 0)
        age_words(days, age);
    add(&part, "", words_text(stoma, "formed_on"), "");
    add(&part, "", age, " old");
    add(&part, "", words_text(stoma, "how"), "");
    add(&part, "", words_text(stoma, "hospital"), "");
    add_rest(&part, stoma, told);
    show_label(cli, out, "formed", part.at ? part.text : "date not on record");
    int32_t day;
    const char *on = words_text(stoma, "mature_on");
    if (proto_date_parse((struct proto_slice){on, (uint32_t)strlen(on)}, &day) == PROTO_OK) {
        bool ahead = day * PROTO_DAY_MS > cli->now_ms;
        (void)snprintf(mature, sizeof mature, "%s %s", ahead ? "not before" : "since", on);
    }
    show_label(cli, out, "mature", mature);
}

void show_stoma(const struct cli *cli, FILE *out, const struct betony_value *stoma, bool alone) {
    char text[600], head[128];
    (void)snprintf(head, sizeof head, "STOMA, %s: %s", words_text(stoma, "stoma"),
                   state_words(words_text(stoma, "state")));
    out_heading(cli, out, head);
    show_formed(cli, out, stoma);
    if (!alone) /* the page's own line says it then */
        show_home_change(cli, out, betony_value_get(stoma, "home_change"));
    struct part part = {{0}, 0};
    add_value(&part, "", stoma, "site_checked_at", "");
    add(&part, "skin ", words_text(stoma, "skin"), "");
    show_label(cli, out, "site checked", part.text);
    if (betony_value_get(stoma, "device"))
        show_device(cli, out, betony_value_get(stoma, "device"));
    words_map(betony_value_get(stoma, "prescribed"), NULL, text, sizeof text);
    show_label(cli, out, "prescribed", text);
}
