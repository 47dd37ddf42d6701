/*
 * field.c - one value read by its declared field, and the sentences for a value that is not taken.
 *
 * What always holds: a value that is returned lies within its field's bounds; nothing is copied out of the message.
 */
#include "proto/field.h"

#include "proto/calendar.h"
#include "proto/codes.h"
#include "proto/ids.h"
#include "proto/text.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* What one reading is about; handed down so that the readers keep short signatures. */
struct reading {
    const struct proto_field *field;
    const msgpack_object *object;
    enum proto_strictness strictness;
    struct proto_fault *fault;
};

#define REFUSE(r, code, ...) proto_fault_set((r)->fault, code, (r)->field->name, __VA_ARGS__)

/* ---- sentences ----------------------------------------------------------------------------------------- */

static const char *unit_shown(const char *unit) {
    return strcmp(unit, "Cel") == 0 ? "degrees Celsius" : unit;
}

enum proto_error proto_fault_bounds(struct proto_fault *fault, const char *name, enum proto_type type, int64_t min,
                                    int64_t max, const char *unit) {
    char low[32], high[32];
    if (type == PROTO_TYPE_AMOUNT) {
        (void)proto_amount_format(min, low);
        (void)proto_amount_format(max, high);
    } else if (type == PROTO_TYPE_DATE) {
        proto_date_format((int32_t)min, low);
        proto_date_format((int32_t)max, high);
    } else if (type == PROTO_TYPE_TIME) {
        proto_time_format(min, low);
        proto_time_format(max, high);
    } else {
        (void)snprintf(low, sizeof low, "%lld", (long long)min);
        (void)snprintf(high, sizeof high, "%lld", (long long)max);
    }
    unit = unit_shown(unit);
    return proto_fault_set(fault, PROTO_BAD_VALUE, name, "%s must lie between %s and %s%s%s.", name, low, high,
                           *unit ? " " : "", unit);
}

/* Names of a list, joined; what does not fit is counted. */
static void join_names(char *out, size_t cap, const struct proto_list *list) {
    size_t size = 0;
    for (uint32_t i = 0; i < list->count; i++) {
        bool last = i + 1 == list->count;
        if (size + list->names[i].size + (last ? 3 : 48) > cap) {
            (void)snprintf(out + size, cap - size, ", and %u more, which kinds lists", list->count - i);
            return;
        }
        size += (size_t)snprintf(out + size, cap - size, "%s%s", i ? ", " : "", list->names[i].text);
    }
}

static enum proto_error refuse_choice(const struct reading *r) {
    char names[200];
    if (!r->fault)
        return PROTO_BAD_VALUE;
    join_names(names, sizeof names, proto_list_get(r->field->list));
    return REFUSE(r, PROTO_BAD_VALUE, "%s must be one of %s.", r->field->name, names);
}

enum proto_error proto_fault_missing(struct proto_fault *fault, const char *owner, const struct proto_field *field) {
    return proto_fault_set(fault, PROTO_MISSING_FIELD, field->name, "%s needs %s: %s.", owner, field->name,
                           field->help);
}

enum proto_error proto_fault_twice(struct proto_fault *fault, const char *name) {
    return proto_fault_set(fault, PROTO_BAD_VALUE, name, "%s is given twice.", name);
}

/* A name from outside, for a sentence: empty when it is too long or cannot be shown. */
static void show_name(char *out, size_t cap, struct proto_slice name) {
    bool shown = name.size < cap && proto_text_is_utf8(name.data, name.size) &&
                 proto_text_is_plain(name.data, name.size) && !memchr(name.data, '\n', name.size);
    (void)snprintf(out, cap, "%.*s", shown ? (int)name.size : 0, name.data);
}

enum proto_error proto_fault_unknown(struct proto_fault *fault, const char *owner, const msgpack_object *key,
                                     const struct proto_field *fields, uint32_t count) {
    char name[64], takes[160] = "nothing";
    size_t size = 0;
    if (!fault)
        return PROTO_UNKNOWN_FIELD;
    if (!proto_object_is_text(key))
        return proto_fault_set(fault, PROTO_UNKNOWN_FIELD, NULL, "%s: the name of a field must be text.", owner);
    show_name(name, sizeof name, proto_object_text(key));
    for (uint32_t i = 0; i < count; i++) {
        if (size + fields[i].name_size + 16 > sizeof takes) {
            (void)snprintf(takes + size, sizeof takes - size, ", and more");
            break;
        }
        size += (size_t)snprintf(takes + size, sizeof takes - size, "%s%s", i ? ", " : "", fields[i].name);
    }
    return proto_fault_set(fault, PROTO_UNKNOWN_FIELD, name, "%s has no field \"%s\"; it takes %s.", owner, name,
                           takes);
}

/* ---- single values -------------------------------------------------------------------------------------- */

static enum proto_error read_bool(const struct reading *r, struct proto_value *value) {
    if (r->object->type != MSGPACK_OBJECT_BOOLEAN)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be true or false.", r->field->name);
    if (!r->object->via.boolean && r->field->min == 1)
        return REFUSE(r, PROTO_BAD_VALUE, "%s is either true or left out.", r->field->name);
    value->n = r->object->via.boolean;
    return PROTO_OK;
}

static enum proto_error read_int(const struct reading *r, struct proto_value *value) {
    const struct proto_field *f = r->field;
    int64_t n;
    if (r->object->type == MSGPACK_OBJECT_POSITIVE_INTEGER && r->object->via.u64 > INT64_MAX)
        return proto_fault_bounds(r->fault, f->name, f->type, f->min, f->max, f->unit);
    if (!proto_object_int(r->object, &n)) {
        if (f->type == PROTO_TYPE_TIME)
            return REFUSE(r, PROTO_BAD_VALUE, "%s must be a whole number of milliseconds since 1970-01-01T00:00:00Z.",
                          f->name);
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be a whole number.", f->name);
    }
    if (n < f->min || n > f->max)
        return proto_fault_bounds(r->fault, f->name, f->type, f->min, f->max, f->unit);
    value->n = n;
    return PROTO_OK;
}

#define AMOUNT_SIZE_MAX 1e12 /* far above every bound, and exact in hundredths */

/* The decimal hundredths that a float stands for. A float 32 must be the one nearest to them; a float 64 may be off by what
 * a few sums in binary leave behind. */
static bool hundredths_of(const msgpack_object *object, int64_t *hundredths) {
    double x = object->via.f64;
    if (!(x >= -AMOUNT_SIZE_MAX && x <= AMOUNT_SIZE_MAX)) /* also NaN and the infinities */
        return false;
    double scaled = x * 100.0;
    int64_t n = (int64_t)(scaled < 0 ? scaled - 0.5 : scaled + 0.5);
    double off = scaled - (double)n;
    bool near = off >= -1e-7 && off <= 1e-7;
    if (object->type == MSGPACK_OBJECT_FLOAT32)
        near = (float)((double)n / 100.0) == (float)x;
    *hundredths = n;
    return near;
}

static enum proto_error read_amount(const struct reading *r, struct proto_value *value) {
    const struct proto_field *f = r->field;
    const msgpack_object *o = r->object;
    int64_t n;
    if (proto_object_int(o, &n)) {
        if (n < f->min / 100 - 1 || n > f->max / 100)
            return proto_fault_bounds(r->fault, f->name, PROTO_TYPE_AMOUNT, f->min, f->max, f->unit);
        n *= 100;
    } else if (o->type == MSGPACK_OBJECT_FLOAT64 || o->type == MSGPACK_OBJECT_FLOAT32) {
        if (o->via.f64 > AMOUNT_SIZE_MAX || o->via.f64 < -AMOUNT_SIZE_MAX)
            return proto_fault_bounds(r->fault, f->name, PROTO_TYPE_AMOUNT, f->min, f->max, f->unit);
        if (!hundredths_of(o, &n))
            return REFUSE(r, PROTO_BAD_VALUE, "%s must be a number with at most two decimals.", f->name);
    } else if (o->type == MSGPACK_OBJECT_POSITIVE_INTEGER) {
        return proto_fault_bounds(r->fault, f->name, PROTO_TYPE_AMOUNT, f->min, f->max, f->unit);
    } else {
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be a number.", f->name);
    }
    if (n < f->min || n > f->max)
        return proto_fault_bounds(r->fault, f->name, PROTO_TYPE_AMOUNT, f->min, f->max, f->unit);
    value->n = n;
    return PROTO_OK;
}

static enum proto_error read_date(const struct reading *r, struct proto_value *value) {
    const struct proto_field *f = r->field;
    int32_t day;
    if (!proto_object_is_text(r->object) || proto_date_parse(proto_object_text(r->object), &day) != PROTO_OK)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be a date such as 2026-03-01.", f->name);
    if (day < f->min || day > f->max)
        return proto_fault_bounds(r->fault, f->name, PROTO_TYPE_DATE, f->min, f->max, "");
    value->n = day;
    return PROTO_OK;
}

static enum proto_error read_id(const struct reading *r, struct proto_value *value) {
    if (!proto_object_is_text(r->object) || proto_id_parse(proto_object_text(r->object), &value->id) != PROTO_OK)
        return REFUSE(r, PROTO_BAD_VALUE,
                      "%s must be a UUID in lower case, such as 017f22e2-79b0-7cc3-98c4-dc0c0c07398f.", r->field->name);
    value->text = proto_object_text(r->object);
    return PROTO_OK;
}

static bool is_team(struct proto_slice text) {
    for (uint32_t i = 0; i < text.size; i++) {
        char c = text.data[i];
        if (!((c >= 'a' && c <= 'z') || (c >= '0' && c <= '9') || c == '-'))
            return false;
    }
    return true;
}

/* Fields whose text has a form, known by their name wherever they stand. */
static enum proto_error check_form(const struct reading *r, struct proto_slice text) {
    const char *name = r->field->name;
    if (name[0] == 't' && strcmp(name, "team") == 0 && !is_team(text))
        return REFUSE(r, PROTO_BAD_VALUE, "%s takes lower-case letters, digits and hyphens.", name);
    /* What is stored is shown as it is, even with a wrong digit. */
    if (name[0] == 'g' && r->strictness == PROTO_STRICT_RECORD && strcmp(name, "gtin") == 0 && !proto_gtin_valid(text))
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be 8, 12, 13 or 14 digits, the last of them the right check digit.",
                      name);
    return PROTO_OK;
}

static enum proto_error read_text(const struct reading *r, struct proto_value *value) {
    const struct proto_field *f = r->field;
    if (!proto_object_is_text(r->object))
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be text.", f->name);
    struct proto_slice text = proto_object_text(r->object);
    if (text.size > f->max)
        return REFUSE(r, PROTO_TOO_LARGE, "%s may be at most %lld bytes long.", f->name, (long long)f->max);
    if (text.size < f->min && f->min == 1)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must not be empty.", f->name);
    if (text.size < f->min)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be at least %lld bytes long.", f->name, (long long)f->min);
    if (!proto_text_is_plain(text.data, text.size))
        return REFUSE(r, PROTO_BAD_VALUE, "%s holds a control character; only line breaks and tabs are taken.",
                      f->name);
    /* Kept bytes went through the scan, which has looked at this. */
    if (r->strictness == PROTO_STRICT_RECORD && !proto_text_is_utf8(text.data, text.size))
        return REFUSE(r, PROTO_BAD_VALUE, "%s is not valid UTF-8.", f->name);
    enum proto_error error = check_form(r, text);
    if (error == PROTO_OK)
        value->text = text;
    return error;
}

static enum proto_error read_choice(const struct reading *r, struct proto_value *value) {
    uint32_t number = 0;
    if (proto_object_is_text(r->object))
        number = proto_list_choice(proto_list_get(r->field->list), proto_object_text(r->object));
    if (number == 0)
        return refuse_choice(r);
    value->n = number;
    return PROTO_OK;
}

/* ---- lists ---------------------------------------------------------------------------------------------- */

static enum proto_error check_count(const struct reading *r, uint32_t count, int64_t max) {
    if (count < r->field->min)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must name at least one.", r->field->name);
    if (count > max)
        return REFUSE(r, PROTO_TOO_LARGE, "%s may hold at most %lld entries.", r->field->name, (long long)max);
    return PROTO_OK;
}

static enum proto_error check_array(const struct reading *r, int64_t max) {
    if (r->object->type != MSGPACK_OBJECT_ARRAY)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be a list.", r->field->name);
    return check_count(r, r->object->via.array.size, max);
}

static enum proto_error read_choices(const struct reading *r, struct proto_value *value) {
    const struct proto_list *list = proto_list_get(r->field->list);
    enum proto_error error = check_array(r, r->strictness == PROTO_STRICT_KEPT ? PROTO_NODES_MAX : list->count);
    uint64_t set = 0;
    if (error != PROTO_OK)
        return error;
    for (uint32_t i = 0; i < r->object->via.array.size; i++) {
        const msgpack_object *entry = &r->object->via.array.ptr[i];
        uint32_t number = proto_object_is_text(entry) ? proto_list_choice(list, proto_object_text(entry)) : 0;
        if (number == 0 && r->strictness == PROTO_STRICT_KEPT)
            continue; /* of a newer version */
        if (number == 0)
            return refuse_choice(r);
        if (set >> (number - 1) & 1)
            return REFUSE(r, PROTO_BAD_VALUE, "%s names %s twice.", r->field->name, list->names[number - 1].text);
        set |= (uint64_t)1 << (number - 1);
    }
    value->set = set;
    value->n = __builtin_popcountll(set);
    value->object = r->object;
    return PROTO_OK;
}

/* Says in which entry of a list the fault is. */
static enum proto_error in_entry(const struct reading *r, uint32_t index, const struct proto_fault *inner) {
    return REFUSE(r, inner->code, "%s, entry %u: %s", r->field->name, index + 1, inner->message);
}

static enum proto_error read_texts(const struct reading *r, struct proto_value *value) {
    const struct proto_field entry_field = {
        .name = "text", .type = PROTO_TYPE_TEXT, .min = 1, .max = PROTO_TEXT_LINE_MAX};
    struct proto_fault inner;
    enum proto_error error = check_array(r, r->field->max);
    for (uint32_t i = 0; error == PROTO_OK && i < r->object->via.array.size; i++) {
        struct reading entry = {&entry_field, &r->object->via.array.ptr[i], r->strictness, r->fault ? &inner : NULL};
        struct proto_value ignored;
        error = read_text(&entry, &ignored);
        if (error != PROTO_OK)
            return r->fault ? in_entry(r, i, &inner) : error;
    }
    if (error != PROTO_OK)
        return error;
    value->n = r->object->via.array.size;
    value->object = r->object;
    return PROTO_OK;
}

/* One record that stands as a map: its values by the place of their field. */
static enum proto_error read_record_map(const msgpack_object *object, const struct proto_field *fields, uint32_t count,
                                        enum proto_strictness strictness, struct proto_value *values,
                                        struct proto_fault *fault) {
    for (uint32_t i = 0; i < object->via.map.size; i++) {
        const msgpack_object_kv *pair = &object->via.map.ptr[i];
        uint32_t place = count;
        if (proto_object_is_text(&pair->key))
            place = proto_field_find(fields, count, i, proto_object_text(&pair->key));
        if (place == count && strictness == PROTO_STRICT_KEPT)
            continue;
        if (place == count)
            return proto_fault_unknown(fault, "it", &pair->key, fields, count);
        if (values[place].present)
            return proto_fault_twice(fault, fields[place].name);
        enum proto_error error = proto_field_read(&fields[place], &pair->val, strictness, &values[place], fault);
        if (error != PROTO_OK)
            return error;
    }
    for (uint32_t i = 0; i < count; i++)
        if (!values[i].present)
            return proto_fault_missing(fault, "it", &fields[i]);
    return PROTO_OK;
}

static enum proto_error read_pause(const msgpack_object *object, const struct proto_field *fields,
                                   struct proto_value *values, struct proto_fault *fault) {
    if (object->type != MSGPACK_OBJECT_ARRAY || object->via.array.size != 2)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "it must be a list of two dates, from and to.");
    for (uint32_t i = 0; i < 2; i++) {
        enum proto_error error =
            proto_field_read(&fields[i], &object->via.array.ptr[i], PROTO_STRICT_RECORD, &values[i], fault);
        if (error != PROTO_OK)
            return error;
    }
    if (values[1].n < values[0].n)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "to must not lie before from.");
    return PROTO_OK;
}

#define RECORD_FIELDS_MAX 3

static enum proto_error read_record(enum proto_type type, const msgpack_object *object,
                                    enum proto_strictness strictness, struct proto_value *values,
                                    struct proto_fault *fault) {
    uint32_t count;
    const struct proto_field *fields = proto_record_fields(type, &count);
    memset(values, 0, RECORD_FIELDS_MAX * sizeof *values);
    if (type == PROTO_TYPE_PAUSES)
        return read_pause(object, fields, values, fault);
    if (object->type != MSGPACK_OBJECT_MAP)
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL, "it must be a map.");
    enum proto_error error = read_record_map(object, fields, count, strictness, values, fault);
    if (error == PROTO_OK && type == PROTO_TYPE_IDENTIFIERS && strictness == PROTO_STRICT_RECORD &&
        proto_slice_is(values[0].text, "nhs-number") && !proto_nhs_number_valid(values[1].text))
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL,
                               "an nhs-number has ten digits, the last of them the right check digit.");
    return error;
}

static enum proto_error read_records(const struct reading *r, struct proto_value *value) {
    struct proto_value values[RECORD_FIELDS_MAX];
    struct proto_fault inner;
    enum proto_error error = check_array(r, r->field->max);
    if (error != PROTO_OK)
        return error;
    for (uint32_t i = 0; i < r->object->via.array.size; i++) {
        error =
            read_record(r->field->type, &r->object->via.array.ptr[i], r->strictness, values, r->fault ? &inner : NULL);
        if (error != PROTO_OK)
            return r->fault ? in_entry(r, i, &inner) : error;
    }
    value->n = r->object->via.array.size;
    value->object = r->object;
    return PROTO_OK;
}

/* ---- policy values --------------------------------------------------------------------------------------- */

/* Reads one pair of a map of policy values; *policy is set also when the value is not taken, NONE for an unknown name. */
static enum proto_error read_policy(const msgpack_object_kv *pair, enum proto_policy *policy, struct proto_value *value,
                                    struct proto_fault *fault) {
    *policy = proto_object_is_text(&pair->key) ? proto_policy_find(proto_object_text(&pair->key)) : PROTO_POLICY_NONE;
    if (*policy == PROTO_POLICY_NONE) {
        char name[64] = "";
        if (fault && proto_object_is_text(&pair->key))
            show_name(name, sizeof name, proto_object_text(&pair->key));
        return proto_fault_set(fault, PROTO_BAD_VALUE, NULL,
                               "there is no policy value \"%s\"; the method rules lists them.", name);
    }
    const struct proto_policy_info *info = proto_policy_get(*policy);
    const struct proto_field field = {
        .name = info->name, .type = PROTO_TYPE_AMOUNT, .unit = info->unit, .min = info->min, .max = info->max};
    struct reading r = {&field, &pair->val, PROTO_STRICT_RECORD, fault};
    return read_amount(&r, value);
}

static enum proto_error read_values(const struct reading *r, struct proto_value *value) {
    if (r->object->type != MSGPACK_OBJECT_MAP)
        return REFUSE(r, PROTO_BAD_VALUE, "%s must be a map of policy values by name.", r->field->name);
    const msgpack_object_map *map = &r->object->via.map;
    enum proto_error error =
        check_count(r, map->size, r->strictness == PROTO_STRICT_KEPT ? PROTO_NODES_MAX : r->field->max);
    uint64_t set = 0;
    if (error != PROTO_OK)
        return error;
    for (uint32_t i = 0; i < map->size; i++) {
        enum proto_policy policy;
        struct proto_value one;
        struct proto_fault inner;
        error = read_policy(&map->ptr[i], &policy, &one, r->fault ? &inner : NULL);
        if (error != PROTO_OK && r->strictness == PROTO_STRICT_KEPT)
            continue; /* of a newer version; proto_list_policy answers NONE for it */
        if (error != PROTO_OK)
            return r->fault ? REFUSE(r, error, "%s: %s", r->field->name, inner.message) : error;
        if (set >> policy & 1)
            return REFUSE(r, PROTO_BAD_VALUE, "%s names %s twice.", r->field->name, proto_policy_get(policy)->name);
        set |= (uint64_t)1 << policy;
    }
    value->n = map->size;
    value->set = set;
    value->object = r->object;
    return PROTO_OK;
}

/* ---- any value -------------------------------------------------------------------------------------------- */

static enum proto_error read_any(const struct reading *r, struct proto_value *value) {
    switch (r->field->type) {
    case PROTO_TYPE_BOOL:
        return read_bool(r, value);
    case PROTO_TYPE_INT:
    case PROTO_TYPE_TIME:
        return read_int(r, value);
    case PROTO_TYPE_AMOUNT:
        return read_amount(r, value);
    case PROTO_TYPE_DATE:
        return read_date(r, value);
    case PROTO_TYPE_ID:
        return read_id(r, value);
    case PROTO_TYPE_TEXT:
        return read_text(r, value);
    case PROTO_TYPE_CHOICE:
        return read_choice(r, value);
    case PROTO_TYPE_CHOICES:
        return read_choices(r, value);
    case PROTO_TYPE_NAMES:
        return r->field->list ? read_choices(r, value) : read_texts(r, value);
    case PROTO_TYPE_TEXTS:
        return read_texts(r, value);
    case PROTO_TYPE_IDENTIFIERS:
    case PROTO_TYPE_CONTACTS:
    case PROTO_TYPE_USES:
    case PROTO_TYPE_PAUSES:
        return read_records(r, value);
    case PROTO_TYPE_VALUES:
        return read_values(r, value);
    case PROTO_TYPE_EVENTS:
    case PROTO_TYPE_CURSOR:
    case PROTO_TYPE_KEPT:
    case PROTO_TYPE_IDS:
        return proto_param_read(r->field, r->object, value, r->fault);
    }
    abort();
}

enum proto_error proto_field_read(const struct proto_field *field, const msgpack_object *object,
                                  enum proto_strictness strictness, struct proto_value *value,
                                  struct proto_fault *fault) {
    struct reading r = {field, object, strictness, fault};
    enum proto_error error = read_any(&r, value);
    if (error == PROTO_OK) {
        value->present = true;
        value->type = (uint8_t)field->type;
    }
    return error;
}

/* ---- entries of list values ------------------------------------------------------------------------------ */

static const msgpack_object *list_of(const struct proto_value *value, uint32_t index) {
    assert(value->present && value->object && index < value->n);
    return value->object;
}

struct proto_slice proto_list_text(const struct proto_value *value, uint32_t index) {
    const msgpack_object *list = list_of(value, index);
    assert(list->type == MSGPACK_OBJECT_ARRAY && proto_object_is_text(&list->via.array.ptr[index]));
    return proto_object_text(&list->via.array.ptr[index]);
}

struct proto_record proto_list_record(const struct proto_value *value, uint32_t index) {
    const msgpack_object *list = list_of(value, index);
    struct proto_value v[RECORD_FIELDS_MAX];
    /* Read once before, when the list was decoded, so it is well-formed. */
    enum proto_error error =
        read_record((enum proto_type)value->type, &list->via.array.ptr[index], PROTO_STRICT_KEPT, v, NULL);
    assert(error == PROTO_OK);
    (void)error;
    if (value->type == PROTO_TYPE_PAUSES)
        return (struct proto_record){.from = (int32_t)v[0].n, .to = (int32_t)v[1].n};
    return (struct proto_record){.a = v[0].text, .b = v[1].text, .c = v[2].text, .n = v[1].n};
}

int64_t proto_list_policy(const struct proto_value *value, uint32_t index, enum proto_policy *policy) {
    const msgpack_object *list = list_of(value, index);
    struct proto_value one = {0};
    assert(value->type == PROTO_TYPE_VALUES && list->type == MSGPACK_OBJECT_MAP);
    if (read_policy(&list->via.map.ptr[index], policy, &one, NULL) != PROTO_OK)
        *policy = PROTO_POLICY_NONE;
    return one.n;
}
