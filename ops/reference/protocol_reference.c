/*
 * protocol_reference.c - prints the reference part of proto/PROTOCOL.md from the tables of proto/.
 *
 * What always holds: it knows nothing that is not in a table, so the document cannot say other than the server does;
 * tests/wire/check_protocol_doc.py compares the two, and with --write puts this program's output into the document.
 */
#include "proto/calendar.h"
#include "proto/message.h"
#include "proto/tables.h"

#include <stdio.h>
#include <string.h>

static void print_bound(const struct proto_field *field, int64_t bound) {
    char text[32];
    switch (field->type) {
    case PROTO_TYPE_AMOUNT:
        (void)proto_amount_format(bound, text);
        break;
    case PROTO_TYPE_DATE:
        proto_date_format((int32_t)bound, text);
        break;
    case PROTO_TYPE_TIME:
        proto_time_format(bound, text);
        break;
    default:
        (void)snprintf(text, sizeof text, "%lld", (long long)bound);
    }
    fputs(text, stdout);
}

/* Lists that have a part of their own below are named, the others written out. */
static void print_choices(const struct proto_list *list) {
    static const char *const own[][3] = {{"kind", "kinds", "kinds-of-event"},
                                         {"task", "tasks", "names-of-tasks"},
                                         {"alert", "alerts", "names-of-alerts"},
                                         {"policy", "policy values", "policy-values"}};
    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++)
        if (strcmp(list->name, own[i][0]) == 0) {
            printf("of the [%s](#%s)", own[i][1], own[i][2]);
            return;
        }
    for (uint32_t i = 0; i < list->count; i++)
        printf("%s`%s`", i ? " " : "", list->names[i].text);
}

static void print_values(const struct proto_field *field) {
    uint32_t parts;
    const struct proto_field *of = proto_record_fields(field->type, &parts);
    if (field->list) {
        print_choices(proto_list_get(field->list));
        return;
    }
    switch (field->type) {
    case PROTO_TYPE_INT:
    case PROTO_TYPE_AMOUNT:
    case PROTO_TYPE_DATE:
    case PROTO_TYPE_TIME:
        print_bound(field, field->min);
        fputs(" to ", stdout);
        print_bound(field, field->max);
        printf("%s%s", *field->unit ? " " : "", field->unit);
        return;
    case PROTO_TYPE_TEXT:
        printf("%lld to %lld bytes", (long long)field->min, (long long)field->max);
        return;
    case PROTO_TYPE_BOOL:
        fputs(field->min == 1 ? "`true` only" : "", stdout);
        return;
    case PROTO_TYPE_ID:
    case PROTO_TYPE_CURSOR:
        return;
    default:
        printf("at most %lld entries", (long long)field->max);
    }
    for (uint32_t i = 0; i < parts; i++)
        printf("%s`%s`", i ? " " : " of ", of[i].name);
}

static void print_fields(const struct proto_field *fields, uint32_t count) {
    if (count == 0)
        return;
    puts("\n| field | type | needed | values | |\n| --- | --- | --- | --- | --- |");
    for (uint32_t i = 0; i < count; i++) {
        printf("| `%s` | %s | %s | ", fields[i].name, proto_type_name(fields[i].type), fields[i].required ? "yes" : "");
        print_values(&fields[i]);
        printf(" | %s |\n", fields[i].help);
    }
}

static void print_methods(void) {
    puts("\n### Methods");
    for (unsigned m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++) {
        const struct proto_method_info *method = proto_method_get((enum proto_method)m);
        printf("\n#### `%s`\n\n%s%s\n", method->name, method->help,
               method->waits ? " Answers `rebuilding` while the view is rebuilt." : "");
        print_fields(method->params, method->param_count);
    }
}

static void print_kinds(void) {
    static const char *const scopes[] = {"About a child.", "About a stoma of a child.",
                                         "About a team, without a patient."};
    puts("\n### Kinds of event");
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        printf("\n#### `%s`\n\n%s %s Rank at one instant: %s.\n", kind->name, kind->help, scopes[kind->scope],
               proto_rank_name(kind->rank));
        print_fields(kind->fields, kind->field_count);
    }
}

static void print_records(void) {
    static const enum proto_type types[] = {PROTO_TYPE_IDENTIFIERS, PROTO_TYPE_CONTACTS, PROTO_TYPE_USES,
                                            PROTO_TYPE_PAUSES};
    puts("\n### Entries of lists");
    for (size_t i = 0; i < sizeof types / sizeof types[0]; i++) {
        uint32_t count;
        const struct proto_field *fields = proto_record_fields(types[i], &count);
        printf("\n#### %s\n\nEach entry is %s.\n", proto_type_name(types[i]),
               types[i] == PROTO_TYPE_PAUSES ? "a list of these two, in this order" : "a map of these");
        print_fields(fields, count);
    }
}

static void print_tasks_and_alerts(void) {
    puts("\n### Names of tasks\n\n| task | title | done by a kind of its own | may be deferred without limit |\n| --- "
         "| --- | "
         "--- | --- |");
    for (unsigned t = PROTO_TASK_NONE + 1; t < PROTO_TASK_COUNT; t++) {
        enum proto_task task = (enum proto_task)t;
        printf("| `%s` | %s | %s | %s |\n", proto_task_name(task), proto_task_title(task),
               proto_task_has_kind(task) ? "yes" : "no, by `task.done`", proto_task_defers_freely(task) ? "yes" : "no");
    }
    puts("\n### Names of alerts\n\n| alert | ends when the device is gone | answered by, when urgent |\n| --- | --- | "
         "--- |");
    for (unsigned a = PROTO_ALERT_NONE + 1; a < PROTO_ALERT_COUNT; a++) {
        enum proto_alert alert = (enum proto_alert)a;
        printf("| `%s` | %s |", proto_alert_name(alert), proto_alert_ends_with_device(alert) ? "yes" : "no");
        for (int to = PROTO_contact_to_not_said + 1; to < PROTO_contact_to_count; to++)
            if (proto_alert_answered_by(alert, PROTO_URGENCY_NOW, to))
                printf(" %s", proto_choice_name("contact_to", (uint32_t)to));
        puts(" |");
    }
}

#define URGENCY_LINE(name, wire, meaning) printf("| `%s` | %s |\n", wire, meaning);

static void print_urgencies_and_levels(void) {
    puts("\n### Names of urgencies\n\n| urgency | |\n| --- | --- |");
    PROTO_URGENCIES(URGENCY_LINE)
    fputs("\n### Names of levels\n\nThe first that holds:", stdout);
    for (unsigned l = PROTO_LEVEL_NONE + 1; l < PROTO_LEVEL_COUNT; l++)
        printf(" `%s`", proto_level_name((enum proto_level)l));
    puts(".");
}

static void print_policies(void) {
    puts("\n### Policy values\n\n| name | | unit | from | to | default | basis |\n| --- | --- | --- | --- | --- | --- "
         "| --- |");
    for (unsigned p = PROTO_POLICY_NONE + 1; p < PROTO_POLICY_COUNT; p++) {
        const struct proto_policy_info *info = proto_policy_get((enum proto_policy)p);
        char low[24], high[24], fallback[24];
        (void)proto_amount_format(info->min, low);
        (void)proto_amount_format(info->max, high);
        (void)proto_amount_format(info->fallback, fallback);
        printf("| `%s` | %s | %s | %s | %s | %s | %s |\n", info->name, info->help, info->unit, low, high, fallback,
               info->basis);
    }
}

static void print_errors(void) {
    puts("\n### Errors\n\n| code | |\n| --- | --- |");
    for (unsigned e = PROTO_OK + 1; e <= PROTO_OUTCOME_UNKNOWN; e++)
        printf("| `%s` | %s |\n", proto_error_code((enum proto_error)e), proto_error_sentence((enum proto_error)e));
}

int main(void) {
    print_errors();
    print_methods();
    puts("\n### Envelope of an event");
    print_fields(proto_envelope_fields(), PROTO_ENVELOPE_COUNT);
    print_kinds();
    print_records();
    print_tasks_and_alerts();
    print_urgencies_and_levels();
    print_policies();
    return fflush(stdout) == 0 && !ferror(stdout) ? 0 : 74;
}
