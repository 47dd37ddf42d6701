/*
 * show_alert.c - one alert as people read it: how urgent, who, since when, the clock, what was found, what comes next.
 *
 * What always holds: the clock says in words whether a limit is ahead or has passed; nothing here judges, it only shows.
 */
#include "cli.h"

#include <ctype.h>
#include <string.h>

#define LABEL_COLUMNS 13

static void line(const struct cli *cli, FILE *out, const char *label, const char *text) {
    if (!text[0])
        return;
    (void)fprintf(out, "  %-*s", LABEL_COLUMNS - 2, label);
    out_folded(cli, out, LABEL_COLUMNS, text);
}

/* "aim 15:00, 40 min left" or "limit 16:00 passed 12 min ago" */
static void clock_part(const char *name, int64_t at, int64_t now_ms, char out[128]) {
    char clock[32], span[48];
    words_clock(at, now_ms, clock);
    words_span(at > now_ms ? at - now_ms : now_ms - at, span);
    if (at > now_ms)
        (void)snprintf(out, 128, "%s %s, %s left", name, clock, span);
    else
        (void)snprintf(out, 128, "%s %s passed %s ago", name, clock, span);
}

static void show_clock(const struct cli *cli, FILE *out, const struct betony_value *alert, int64_t now_ms) {
    int64_t deadline = betony_value_int(betony_value_get(alert, "deadline"), 0);
    int64_t aim = betony_value_int(betony_value_get(alert, "aim"), 0);
    char aim_text[128] = "", limit_text[128] = "", both[264];
    if (aim && aim != deadline)
        clock_part("aim", aim, now_ms, aim_text);
    if (deadline)
        clock_part("deadline", deadline, now_ms, limit_text);
    (void)snprintf(both, sizeof both, "%s%s%s", aim_text, aim_text[0] && limit_text[0] ? "; " : "", limit_text);
    line(cli, out, "clock", both);
}

static void show_head(const struct cli *cli, FILE *out, const struct betony_value *alert, bool with_child) {
    char urgency[16], head[240];
    (void)snprintf(urgency, sizeof urgency, "%s", words_text(alert, "urgency"));
    for (char *c = urgency; *c; c++)
        *c = (char)toupper((unsigned char)*c);
    const char *stoma = words_text(alert, "stoma");
    (void)snprintf(head, sizeof head, "%-6s %s%s%s%s%s%s%s%s", urgency, with_child ? words_text(alert, "label") : "",
                   with_child ? "  " : "", words_text(alert, "name"), with_child ? "  " : "",
                   with_child ? words_text(alert, "team") : "", stoma[0] && strcmp(stoma, "main") != 0 ? "  " : "",
                   strcmp(stoma, "main") != 0 ? stoma : "", stoma[0] && strcmp(stoma, "main") != 0 ? " stoma" : "");
    out_strong(cli, out, head);
    (void)fputc('\n', out);
}

/* "rule (basis)": why it is an alert at all. */
static void show_reason(const struct cli *cli, FILE *out, const struct betony_value *alert) {
    char text[1300];
    const char *basis = words_text(alert, "basis");
    (void)snprintf(text, sizeof text, "%.600s%s%.600s%s", words_text(alert, "rule"), basis[0] ? " (basis: " : "", basis,
                   basis[0] ? ")" : "");
    line(cli, out, "rule", text);
}

void show_alert(const struct cli *cli, FILE *out, const struct betony_value *alert, bool with_child, bool with_rule) {
    char text[1000];
    show_head(cli, out, alert, with_child);
    int64_t since = betony_value_int(betony_value_get(alert, "since"), 0);
    char since_text[96] = "";
    if (since)
        words_since(since, cli->now_ms, since_text);
    line(cli, out, "since", since_text);
    show_clock(cli, out, alert, cli->now_ms);
    line(cli, out, "found", words_text(alert, "found"));
    line(cli, out, "next step", words_text(alert, "next_step"));
    words_value("call", betony_value_get(alert, "call"), text, sizeof text);
    line(cli, out, "call", text);
    int64_t answered = betony_value_int(betony_value_get(alert, "answered_at"), 0);
    if (answered) {
        words_since(answered, cli->now_ms, since_text);
        line(cli, out, "answered", since_text);
    }
    if (with_rule)
        show_reason(cli, out, alert);
}
