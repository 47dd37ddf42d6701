/*
 * edits.c - which edits of a child's record were outdone. Values are compared by hash: the page before may have been answered long ago, and
 * all that is newer is looked at again for each page.
 */
#include "serve/edits.h"

#include "proto/ids.h"

#include <assert.h>
#include <string.h>

static_assert(PROTO_BODY_FIELDS_MAX <= 32, "a set of fields is 32 bits");

bool serve_edit_is(uint16_t kind) {
    return kind == PROTO_KIND_patient_registered || kind == PROTO_KIND_patient_revised;
}

/* ---- values ------------------------------------------------------------------------------------- */

/* FNV-1a; common practice. A mark that two values alike by chance would take away misleads nobody. */
static uint64_t mix(uint64_t hash, const void *bytes, size_t size) {
    const uint8_t *at = bytes;
    for (size_t i = 0; i < size; i++)
        hash = (hash ^ at[i]) * UINT64_C(1099511628211);
    return hash;
}

static uint64_t mix_number(uint64_t hash, int64_t number) {
    return mix(hash, &number, sizeof number);
}

static uint64_t mix_text(uint64_t hash, struct proto_slice text) {
    return mix(mix_number(hash, text.size), text.data, text.size);
}

static uint64_t hash_value(const struct proto_value *value) {
    uint64_t hash = mix_number(UINT64_C(14695981039346656037), value->n);
    switch ((enum proto_type)value->type) {
    case PROTO_TYPE_TEXT:
        return mix_text(hash, value->text);
    case PROTO_TYPE_IDENTIFIERS:
    case PROTO_TYPE_CONTACTS:
    case PROTO_TYPE_USES:
        for (uint32_t i = 0; i < (uint64_t)value->n; i++) {
            struct proto_record record = proto_list_record(value, i);
            hash = mix_text(mix_text(mix_text(hash, record.a), record.b), record.c);
            hash = mix_number(hash, record.n);
        }
        return hash;
    default: /* the others of these two kinds are numbers */
        return hash;
    }
}

/* ---- fields -------------------------------------------------------------------------------------- */

/* Number among the fields of a registration, which has all that a revision has. */
static uint32_t number_of(const struct proto_event *event, uint32_t field) {
    const struct proto_kind_info *all = proto_kind_get(PROTO_KIND_patient_registered);
    const char *name = proto_kind_get(event->kind)->fields[field].name;
    uint32_t number = 0;
    while (number < all->field_count && strcmp(all->fields[number].name, name) != 0)
        number++;
    assert(number < all->field_count);
    return number;
}

static uint32_t find_record(const struct serve_edits *edits, const struct proto_id *id) {
    uint32_t at = 0;
    while (at < edits->record_count && proto_id_compare(&edits->records[at].id, id) != 0)
        at++;
    return at;
}

static bool is_own(uint32_t number) {
    return number == PROTO_FIELD_patient_registered_label || number == PROTO_FIELD_patient_registered_born;
}

static const struct serve_edit_field *find_field(const struct serve_edits *edits, const struct proto_event *event,
                                                 uint32_t number) {
    static const struct serve_edit_field nothing;
    if (!is_own(number))
        return &edits->fields[number];
    uint32_t at = find_record(edits, &event->patient);
    if (at == edits->record_count)
        return &nothing;
    return number == PROTO_FIELD_patient_registered_label ? &edits->records[at].label : &edits->records[at].born;
}

uint32_t serve_edits_judge(const struct serve_edits *edits, const struct proto_event *event) {
    uint32_t outdone = 0;
    assert(serve_edit_is((uint16_t)event->kind));
    for (uint32_t f = 0; f < proto_kind_get(event->kind)->field_count; f++) {
        if (!event->body[f].present)
            continue;
        const struct serve_edit_field *later = find_field(edits, event, number_of(event, f));
        if (later->set && (later->mixed || later->value != hash_value(&event->body[f])))
            outdone |= UINT32_C(1) << f;
    }
    return outdone;
}

static void set_field(struct serve_edit_field *field, const struct proto_value *value) {
    uint64_t hash = hash_value(value);
    field->mixed |= field->set && field->value != hash;
    field->value = hash;
    field->set = true;
}

void serve_edits_add(struct serve_edits *edits, const struct proto_event *event) {
    assert(serve_edit_is((uint16_t)event->kind));
    for (uint32_t f = 0; f < proto_kind_get(event->kind)->field_count; f++) {
        uint32_t number = number_of(event, f), at = find_record(edits, &event->patient);
        if (!event->body[f].present || (is_own(number) && at == WORK_MERGED_MAX))
            continue;
        if (!is_own(number)) {
            set_field(&edits->fields[number], &event->body[f]);
            continue;
        }
        if (at == edits->record_count) {
            memset(&edits->records[at], 0, sizeof edits->records[at]);
            edits->records[at].id = event->patient;
            edits->record_count++;
        }
        bool label = number == PROTO_FIELD_patient_registered_label;
        set_field(label ? &edits->records[at].label : &edits->records[at].born, &event->body[f]);
    }
}
