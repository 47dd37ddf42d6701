/*
 * describe.c - the answer of `kinds`: the tables as data, so that command lines and forms are made from them.
 *
 * What always holds: bounds stand in the field's own form (amounts as amounts, dates as dates); nothing here that is not
 * in a table.
 */
#include "proto/message.h"
#include "proto/tables.h"

static void write_pair(struct proto_writer *w, const char *key, const char *text) {
    proto_write_text(w, key);
    proto_write_text(w, text);
}

/* Whether min and max say something about values of this type. */
static bool has_bounds(const struct proto_field *field) {
    switch (field->type) {
    case PROTO_TYPE_BOOL:
    case PROTO_TYPE_ID:
    case PROTO_TYPE_CHOICE:
    case PROTO_TYPE_CURSOR:
        return false;
    default:
        return true;
    }
}

static void write_bound(struct proto_writer *w, const struct proto_field *field, int64_t bound) {
    if (field->type == PROTO_TYPE_AMOUNT)
        proto_write_amount(w, bound);
    else if (field->type == PROTO_TYPE_DATE)
        proto_write_date(w, (int32_t)bound);
    else
        proto_write_int(w, bound);
}

static void write_choices(struct proto_writer *w, const struct proto_list *list) {
    proto_write_text(w, "choices");
    proto_write_array(w, list->count);
    for (uint32_t i = 0; i < list->count; i++)
        proto_write_text(w, list->names[i].text);
}

static void write_fields(struct proto_writer *w, const struct proto_field *fields, uint32_t count);

static void write_field(struct proto_writer *w, const struct proto_field *field) {
    uint32_t parts_count;
    const struct proto_field *parts = proto_record_fields(field->type, &parts_count);
    bool bounds = has_bounds(field), only_true = field->type == PROTO_TYPE_BOOL && field->min == 1;
    /* A set holds at most all of its choices. */
    bool all = field->type == PROTO_TYPE_CHOICES;
    proto_write_map(w, 4u + (field->unit[0] != '\0') + (bounds ? 2 : 0) + only_true + (field->list != 0) +
                           (parts != NULL));
    write_pair(w, "name", field->name);
    write_pair(w, "type", proto_type_name(field->type));
    if (field->unit[0])
        write_pair(w, "unit", field->unit);
    proto_write_text(w, "required");
    proto_write_bool(w, field->required);
    if (bounds) {
        proto_write_text(w, "min");
        write_bound(w, field, field->min);
        proto_write_text(w, "max");
        write_bound(w, field, all ? proto_list_get(field->list)->count : field->max);
    }
    if (only_true) {
        proto_write_text(w, "only_true");
        proto_write_bool(w, true);
    }
    if (field->list)
        write_choices(w, proto_list_get(field->list));
    if (parts) {
        proto_write_text(w, "of");
        write_fields(w, parts, parts_count);
    }
    write_pair(w, "help", field->help);
}

static void write_fields(struct proto_writer *w, const struct proto_field *fields, uint32_t count) {
    proto_write_array(w, count);
    for (uint32_t i = 0; i < count; i++)
        write_field(w, &fields[i]);
}

static void write_kind_list(struct proto_writer *w) {
    proto_write_text(w, "kinds");
    proto_write_array(w, PROTO_KIND_COUNT - 1);
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        proto_write_map(w, 5);
        write_pair(w, "name", kind->name);
        write_pair(w, "help", kind->help);
        write_pair(w, "scope", proto_scope_name(kind->scope));
        write_pair(w, "rank", proto_rank_name(kind->rank));
        proto_write_text(w, "fields");
        write_fields(w, kind->fields, kind->field_count);
    }
}

static void write_tasks(struct proto_writer *w) {
    proto_write_text(w, "tasks");
    proto_write_array(w, PROTO_TASK_COUNT - 1);
    for (unsigned t = PROTO_TASK_NONE + 1; t < PROTO_TASK_COUNT; t++) {
        enum proto_task task = (enum proto_task)t;
        proto_write_map(w, 4);
        write_pair(w, "name", proto_task_name(task));
        write_pair(w, "title", proto_task_title(task));
        proto_write_text(w, "has_kind");
        proto_write_bool(w, proto_task_has_kind(task));
        proto_write_text(w, "defers_freely");
        proto_write_bool(w, proto_task_defers_freely(task));
    }
}

static void write_alerts(struct proto_writer *w) {
    proto_write_text(w, "alerts");
    proto_write_array(w, PROTO_ALERT_COUNT - 1);
    for (unsigned a = PROTO_ALERT_NONE + 1; a < PROTO_ALERT_COUNT; a++) {
        proto_write_map(w, 2);
        write_pair(w, "name", proto_alert_name((enum proto_alert)a));
        proto_write_text(w, "ends_with_device");
        proto_write_bool(w, proto_alert_ends_with_device((enum proto_alert)a));
    }
}

static void write_urgencies_and_levels(struct proto_writer *w) {
#define MEANING(name, wire, meaning) meaning,
    static const char *const meanings[] = {PROTO_URGENCIES(MEANING)};
    proto_write_text(w, "urgencies");
    proto_write_array(w, PROTO_URGENCY_COUNT - 1);
    for (unsigned u = PROTO_URGENCY_NONE + 1; u < PROTO_URGENCY_COUNT; u++) {
        proto_write_map(w, 2);
        write_pair(w, "name", proto_urgency_name((enum proto_urgency)u));
        write_pair(w, "help", meanings[u - 1]);
    }
    proto_write_text(w, "levels");
    proto_write_array(w, PROTO_LEVEL_COUNT - 1);
    for (unsigned l = PROTO_LEVEL_NONE + 1; l < PROTO_LEVEL_COUNT; l++)
        proto_write_text(w, proto_level_name((enum proto_level)l));
}

static void write_methods(struct proto_writer *w) {
    proto_write_text(w, "methods");
    proto_write_array(w, PROTO_METHOD_COUNT - 1);
    for (unsigned m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++) {
        const struct proto_method_info *method = proto_method_get((enum proto_method)m);
        proto_write_map(w, 4);
        write_pair(w, "name", method->name);
        write_pair(w, "help", method->help);
        proto_write_text(w, "waits");
        proto_write_bool(w, method->waits);
        proto_write_text(w, "params");
        write_fields(w, method->params, method->param_count);
    }
}

void proto_write_kinds(struct proto_writer *w) {
    proto_write_map(w, 8);
    proto_write_text(w, "protocol");
    proto_write_int(w, PROTO_VERSION);
    proto_write_text(w, "event");
    write_fields(w, proto_envelope_fields(), PROTO_ENVELOPE_COUNT);
    write_kind_list(w);
    write_tasks(w);
    write_alerts(w);
    write_urgencies_and_levels(w); /* two pairs */
    write_methods(w);
}
