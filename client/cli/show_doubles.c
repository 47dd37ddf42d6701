/*
 * show_doubles.c - other records that look like a child's own: whether one child was registered twice is for a person to see.
 *
 * What always holds: every one that came is told, with its id, since two that look alike may bear one label.
 */
#include "cli.h"

#include <string.h>

static const char *why_words(const struct betony_value *other) {
    const char *why = words_text(other, "why");
    if (strcmp(why, "identifier") == 0)
        return "the same identifier";
    return strcmp(why, "born-and-label") == 0 ? "the same label and date of birth" : why;
}

/* "HM-0142 of fell-side (id) has the same identifier": what is alike, and whether that record is closed. */
static void other_words(const struct betony_value *other, char *out, size_t size) {
    bool closed = betony_value_bool(betony_value_get(other, "closed"), false);
    (void)snprintf(out, size, "%.100s of %.60s (%.40s%s) has %.60s", words_text(other, "label"),
                   words_text(other, "team"), words_text(other, "patient"), closed ? ", closed" : "", why_words(other));
}

void show_doubles(const struct cli *cli, FILE *out, const struct betony_value *page) {
    const struct betony_value *doubles = betony_value_get(page, "doubles");
    for (size_t i = 0; i < betony_value_count(doubles); i++) {
        const struct betony_value *double_of = betony_value_at(doubles, i);
        bool closed = betony_value_bool(betony_value_get(double_of, "closed"), false);
        char other[320], text[900];
        other_words(double_of, other, sizeof other);
        (void)snprintf(
            text, sizeof text,
            "REGISTERED TWICE? %s. Check both records; when they are one child: betony record patient.merged "
            "--patient %.40s --into %.40s, or the other way about; the child then bears the label of the one "
            "named last.%s",
            other, words_text(page, "patient"), words_text(double_of, "patient"),
            closed ? " One of the two is closed: record patient.reopened for it before they are joined." : "");
        out_folded(cli, out, 0, text);
    }
}

void show_doubles_cell(const struct betony_value *row, char *out, size_t size) {
    const struct betony_value *doubles = betony_value_get(row, "doubles");
    size_t at = 0;
    out[0] = '\0';
    for (size_t i = 0; i < betony_value_count(doubles); i++) {
        char other[320];
        other_words(betony_value_at(doubles, i), other, sizeof other);
        size_t needed = strlen(other) + 2;
        if (at + needed + 40 > size) {
            (void)snprintf(out + at, size - at, "; and %zu more", betony_value_count(doubles) - i);
            return;
        }
        at += (size_t)snprintf(out + at, size - at, "%s%s", at ? "; " : "", other);
    }
}
