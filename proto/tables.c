/*
 * tables.c - kinds, policy values and choice lists, made from the tables that declare them.
 *
 * What always holds: everything here is constant; a number out of range is our own mistake and aborts.
 */
#include "proto/tables.h"

#include "proto/message.h"

#include <assert.h>

/* ---- choice lists -------------------------------------------------------------------------------------- */

#define NAME_ROW(text)                                                                                                 \
    { text, sizeof(text) - 1 }
#define CHOICE_ROW(l, ident, wire) NAME_ROW(wire),
#define CHOICE_ARRAY(l) static const struct proto_name choices_##l[] = {PROTO_CHOICES_##l(CHOICE_ROW, l)};
PROTO_CHOICE_LISTS(CHOICE_ARRAY)

#define TASK_NAME(name, wire, ...) NAME_ROW(wire),
#define ALERT_NAME(name, wire, ...) NAME_ROW(wire),
#define URGENCY_NAME(name, wire, ...) NAME_ROW(wire),
#define LEVEL_NAME(name, wire) NAME_ROW(wire),
#define POLICY_NAME(name, wire, ...) NAME_ROW(wire),
#define KIND_NAME(ident, wire, ...) NAME_ROW(wire),
static const struct proto_name choices_task[] = {PROTO_TASKS(TASK_NAME)};
static const struct proto_name choices_alert[] = {PROTO_ALERTS(ALERT_NAME)};
static const struct proto_name choices_urgency[] = {PROTO_URGENCIES(URGENCY_NAME)};
static const struct proto_name choices_level[] = {PROTO_LEVELS(LEVEL_NAME)};
static const struct proto_name choices_policy[] = {PROTO_POLICIES(POLICY_NAME)};
static const struct proto_name choices_kind[] = {PROTO_KINDS(KIND_NAME)};
static const struct proto_name choices_want[] = {NAME_ROW("none"), NAME_ROW("opened"), NAME_ROW("statuses")};
static const struct proto_name choices_task_state[] = {NAME_ROW("upcoming"), NAME_ROW("due"), NAME_ROW("overdue")};
static const struct proto_name choices_follow_what[] = {NAME_ROW("events"), NAME_ROW("statuses")};

/* Lists that are made from other tables than kinds_table.h. */
#define OTHER_LISTS(L) L(task) L(alert) L(urgency) L(level) L(policy) L(kind) L(want) L(task_state) L(follow_what)

#define LIST_ENUM(l) LIST_##l,
enum { LIST_NONE, PROTO_CHOICE_LISTS(LIST_ENUM) OTHER_LISTS(LIST_ENUM) LIST_COUNT };

#define LIST_ROW(l) [LIST_##l] = {#l, choices_##l, sizeof choices_##l / sizeof choices_##l[0]},
static const struct proto_list lists[LIST_COUNT] = {PROTO_CHOICE_LISTS(LIST_ROW) OTHER_LISTS(LIST_ROW)};

/* A set of choices is a 64-bit mask. */
_Static_assert(PROTO_KIND_COUNT <= 65 && PROTO_ALERT_COUNT <= 65 && PROTO_TASK_COUNT <= 65, "a choice needs a bit");
_Static_assert(PROTO_POLICY_COUNT <= 64, "a policy value needs a bit of its own number");

const struct proto_list *proto_list_get(uint32_t number) {
    assert(number > LIST_NONE && number < LIST_COUNT);
    return &lists[number];
}

uint32_t proto_list_choice(const struct proto_list *list, struct proto_slice name) {
    for (uint32_t i = 0; i < list->count; i++)
        if (list->names[i].size == name.size && __builtin_memcmp(list->names[i].text, name.data, name.size) == 0)
            return i + 1;
    return 0;
}

static const struct proto_list *list_find(const char *name) {
    for (uint32_t l = LIST_NONE + 1; l < LIST_COUNT; l++)
        if (__builtin_strcmp(lists[l].name, name) == 0)
            return &lists[l];
    return NULL;
}

uint32_t proto_choice_count(const char *list) {
    const struct proto_list *found = list_find(list);
    return found ? found->count : 0;
}

const char *proto_choice_name(const char *list, uint32_t number) {
    const struct proto_list *found = list_find(list);
    return found && number >= 1 && number <= found->count ? found->names[number - 1].text : NULL;
}

uint32_t proto_choice_find(const char *list, struct proto_slice name) {
    const struct proto_list *found = list_find(list);
    return found ? proto_list_choice(found, name) : 0;
}

/* ---- fields -------------------------------------------------------------------------------------------- */

/* The number of a list from the literal in the table, worked out by the compiler, so that decoding never compares the
 * names of lists. A name that is not in this chain stops the build below. */
#define LITERAL(c) __builtin_choose_expr(__builtin_types_compatible_p(__typeof__(c), void *), "", (c))
#define IS(c, l) (__builtin_strcmp(LITERAL(c), #l) == 0 ? (int)LIST_##l : 0)
#define LIST_OF(c)                                                                                                     \
    (IS(c, yes_no_unknown) + IS(c, stoma) + IS(c, done_by) + IS(c, source) + IS(c, feeding) + IS(c, closed_reason) +   \
     IS(c, stay_where) + IS(c, precision) + IS(c, how) + IS(c, retention) + IS(c, profile) + IS(c, tip) +              \
     IS(c, purpose) + IS(c, placed_why) + IS(c, place) + IS(c, placed_by) + IS(c, position) + IS(c, method) +          \
     IS(c, out_balloon) + IS(c, port) + IS(c, look) + IS(c, fluid) + IS(c, redness) + IS(c, discharge) + IS(c, pain) + \
     IS(c, leak) + IS(c, skin) + IS(c, care_item) + IS(c, rotated) + IS(c, contact_to) + IS(c, outcome) +              \
     IS(c, appointment_for) + IS(c, skill) + IS(c, skill_level) + IS(c, spare_place) + IS(c, spare_what) +             \
     IS(c, weekday) + IS(c, task) + IS(c, alert) + IS(c, urgency) + IS(c, level) + IS(c, policy) + IS(c, kind) +       \
     IS(c, want) + IS(c, task_state) + IS(c, follow_what))
#define HAS_CHOICES(c) (__builtin_strcmp(LITERAL(c), "") != 0)

#define NEED_REQUIRED true
#define NEED_OPTIONAL false
#define FIELD_ROW(name, type, need, unit, min, max, choices, help)                                                     \
    {name, PROTO_TYPE_##type, NEED_##need, unit, min, max, choices, help, sizeof(name) - 1, (uint8_t)LIST_OF(choices)},
#define TABLE_FIELD_ROW(k, f, type, need, unit, min, max, choices, help)                                               \
    FIELD_ROW(#f, type, need, unit, min, max, choices, help)
#define TABLE_FIELD_CHECK(k, f, type, need, unit, min, max, choices, help)                                             \
    _Static_assert(!HAS_CHOICES(choices) || LIST_OF(choices) != 0, #k "." #f " has a list that LIST_OF does not "      \
                                                                      "know");

/* Each list of fields ends with an empty row, so that a kind without fields is an array too. */
#define KIND_FIELDS(ident, wire, rank, scope, help)                                                                    \
    PROTO_FIELDS_##ident(TABLE_FIELD_CHECK, ident) static const struct proto_field fields_##ident[] = {                \
        PROTO_FIELDS_##ident(TABLE_FIELD_ROW, ident){0}};                                                              \
    _Static_assert((int)PROTO_FIELDS_END_##ident <= PROTO_BODY_FIELDS_MAX, "a body holds all fields of " wire);
PROTO_KINDS(KIND_FIELDS)

#define METHOD_PARAMS(ident, wire, waits, help)                                                                        \
    PROTO_PARAMS_##ident(TABLE_FIELD_CHECK, ident) static const struct proto_field params_##ident[] = {                \
        PROTO_PARAMS_##ident(TABLE_FIELD_ROW, ident){0}};                                                              \
    _Static_assert((int)PROTO_PARAMS_END_##ident <= PROTO_PARAMS_MAX, "values hold all parameters of " wire);
PROTO_METHODS(METHOD_PARAMS)

static const struct proto_field identifier_fields[] = {
    FIELD_ROW("system", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "whose number it is, for example nhs-number")
        FIELD_ROW("value", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "the number")};
static const struct proto_field contact_fields[] = {
    FIELD_ROW("role", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "who it is to the child")
        FIELD_ROW("name", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "name")
            FIELD_ROW("phone", TEXT, REQUIRED, "", 1, 40, NULL, "number to call")};
static const struct proto_field use_fields[] = {
    FIELD_ROW("item", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "what is used")
        FIELD_ROW("per_day", AMOUNT, REQUIRED, "", 1, 100000, NULL, "how many a day")};
static const struct proto_field pause_fields[] = {
    FIELD_ROW("from", DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "first day of the pause")
        FIELD_ROW("to", DATE, REQUIRED, "", PROTO_DAY_MIN, PROTO_DAY_MAX, NULL, "last day of the pause")};

#define OFFSET_MS_MAX (10LL * 365 * 86400000) /* a clock that is off by more than ten years says nothing */

static const struct proto_field envelope_fields[] = {
    FIELD_ROW("id", ID, OPTIONAL, "", 0, 0, NULL,
              "UUIDv7 made where the event was written; without one the daemon makes it, and a retry is not recognised")
        FIELD_ROW("kind", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "what happened") FIELD_ROW(
            "patient", ID, OPTIONAL, "", 0, 0, NULL, "the child; needed unless the kind is about a team")
            FIELD_ROW("at", TIME, REQUIRED, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL,
                      "when it happened, not when it was typed")
                FIELD_ROW("done_by", CHOICE, OPTIONAL, "", 0, 0, "done_by", "who did it") FIELD_ROW(
                    "source", CHOICE, OPTIONAL, "", 0, 0, "source", "seen by the writer, or told; told when not said")
                    FIELD_ROW("visit", ID, OPTIONAL, "", 0, 0, NULL, "groups what was done on one visit")
                        FIELD_ROW("stoma", CHOICE, OPTIONAL, "", 0, 0, "stoma", "which stoma; main when not said")
                            FIELD_ROW("replaces", ID, OPTIONAL, "", 0, 0, NULL,
                                      "id of an event of the same child and kind that this one states again")
                                FIELD_ROW("same_as", ID, OPTIONAL, "", 0, 0, NULL,
                                          "id of another report of the same happening"){
                                    .name = "body", .name_size = 4, .unit = "", .help = "the kind's own fields"},
    FIELD_ROW("by", TEXT, REQUIRED, "", 1, PROTO_TEXT_SHORT_MAX, NULL, "account that wrote the event")
        FIELD_ROW("node", ID, REQUIRED, "", 0, 0, NULL, "daemon where it was written")
            FIELD_ROW("written_at", TIME, REQUIRED, "", PROTO_TIME_MIN, PROTO_TIME_MAX, NULL,
                      "when it was written, by that daemon's clock")
                FIELD_ROW("clock_offset_ms", INT, OPTIONAL, "ms", -OFFSET_MS_MAX, OFFSET_MS_MAX, NULL,
                          "that clock minus its upstream's, as last measured")};
_Static_assert(sizeof envelope_fields / sizeof envelope_fields[0] == PROTO_KEY_COUNT, "one row for each key");

const struct proto_field *proto_envelope_fields(void) {
    return envelope_fields;
}

const struct proto_field *proto_record_fields(enum proto_type type, uint32_t *count) {
    *count = type == PROTO_TYPE_CONTACTS ? 3 : 2;
    switch (type) {
    case PROTO_TYPE_IDENTIFIERS:
        return identifier_fields;
    case PROTO_TYPE_CONTACTS:
        return contact_fields;
    case PROTO_TYPE_USES:
        return use_fields;
    case PROTO_TYPE_PAUSES:
        return pause_fields;
    default:
        *count = 0;
        return NULL;
    }
}

static bool is_named(const struct proto_field *field, struct proto_slice name) {
    return field->name_size == name.size && __builtin_memcmp(field->name, name.data, name.size) == 0;
}

uint32_t proto_field_find(const struct proto_field *fields, uint32_t count, uint32_t expected,
                          struct proto_slice name) {
    for (uint32_t i = expected; i < count; i++)
        if (is_named(&fields[i], name))
            return i;
    for (uint32_t i = 0; i < expected && i < count; i++)
        if (is_named(&fields[i], name))
            return i;
    return count;
}

/* ---- kinds, methods, policy values --------------------------------------------------------------------- */

#define KIND_ROW(ident, wire, rank, scope, help)                                                                       \
    [PROTO_KIND_##                                                                                                     \
        ident] = {wire, PROTO_RANK_##rank, PROTO_SCOPE_##scope, help, fields_##ident, PROTO_FIELDS_END_##ident},
static const struct proto_kind_info kinds[PROTO_KIND_COUNT] = {PROTO_KINDS(KIND_ROW)};

const struct proto_kind_info *proto_kind_get(enum proto_kind kind) {
    assert(kind > PROTO_KIND_UNKNOWN && kind < PROTO_KIND_COUNT);
    return &kinds[kind];
}

enum proto_kind proto_kind_find(struct proto_slice name) {
    return (enum proto_kind)proto_list_choice(&lists[LIST_kind], name);
}

#define METHOD_ROW(ident, wire, waits, help)                                                                           \
    [PROTO_METHOD_##ident] = {wire, waits, help, params_##ident, PROTO_PARAMS_END_##ident},
static const struct proto_method_info methods[PROTO_METHOD_COUNT] = {PROTO_METHODS(METHOD_ROW)};

const struct proto_method_info *proto_method_get(enum proto_method method) {
    assert(method > PROTO_METHOD_UNKNOWN && method < PROTO_METHOD_COUNT);
    return &methods[method];
}

enum proto_method proto_method_find(struct proto_slice name) {
    for (unsigned m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++)
        if (proto_slice_is(name, methods[m].name))
            return (enum proto_method)m;
    return PROTO_METHOD_UNKNOWN;
}

#define POLICY_ROW(name, wire, unit, min, max, fallback, basis, help)                                                  \
    [PROTO_POLICY_##name] = {wire, unit, min, max, fallback, basis, help},
static const struct proto_policy_info policies[PROTO_POLICY_COUNT] = {PROTO_POLICIES(POLICY_ROW)};

#define POLICY_CHECK(name, wire, unit, min, max, fallback, basis, help)                                                \
    _Static_assert((min) <= (fallback) && (fallback) <= (max), "the default of " wire " lies within its bounds");
PROTO_POLICIES(POLICY_CHECK)

const struct proto_policy_info *proto_policy_get(enum proto_policy policy) {
    assert(policy > PROTO_POLICY_NONE && policy < PROTO_POLICY_COUNT);
    return &policies[policy];
}

enum proto_policy proto_policy_find(struct proto_slice name) {
    return (enum proto_policy)proto_list_choice(&lists[LIST_policy], name);
}

/* ---- names people never type but generated texts show --------------------------------------------------- */

const char *proto_type_name(enum proto_type type) {
    static const char *const names[] = {
        [PROTO_TYPE_BOOL] = "bool",
        [PROTO_TYPE_INT] = "int",
        [PROTO_TYPE_AMOUNT] = "amount",
        [PROTO_TYPE_DATE] = "date",
        [PROTO_TYPE_TIME] = "time",
        [PROTO_TYPE_ID] = "id",
        [PROTO_TYPE_TEXT] = "text",
        [PROTO_TYPE_CHOICE] = "choice",
        [PROTO_TYPE_CHOICES] = "choices",
        [PROTO_TYPE_TEXTS] = "texts",
        [PROTO_TYPE_IDENTIFIERS] = "identifiers",
        [PROTO_TYPE_CONTACTS] = "contacts",
        [PROTO_TYPE_USES] = "uses",
        [PROTO_TYPE_PAUSES] = "pauses",
        [PROTO_TYPE_VALUES] = "values",
        [PROTO_TYPE_EVENTS] = "events",
        [PROTO_TYPE_NAMES] = "names",
        [PROTO_TYPE_CURSOR] = "cursor",
        [PROTO_TYPE_KEPT] = "kept",
        [PROTO_TYPE_IDS] = "ids",
    };
    assert((size_t)type < sizeof names / sizeof names[0]);
    return names[type];
}

const char *proto_rank_name(enum proto_rank rank) {
    static const char *const names[] = {"context",  "registration", "stoma", "out",     "placed", "prescribed",
                                        "position", "check",        "care",  "contact", "rest"};
    assert((size_t)rank < sizeof names / sizeof names[0]);
    return names[rank];
}

const char *proto_scope_name(enum proto_scope scope) {
    static const char *const names[] = {"child", "stoma", "team"};
    assert((size_t)scope < sizeof names / sizeof names[0]);
    return names[scope];
}
