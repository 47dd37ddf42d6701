/*
 * input.c - texts of the command line as values, by the type that the table gives the field.
 *
 * What always holds: a value is written only when all of its text was understood; bounds are the server's to judge.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "proto/calendar.h"
#include "proto/ids.h"

#define HEAD(name, type, choices, help)                                                                                \
    { name, PROTO_TYPE_##type, false, "", PROTO_TIME_MIN, PROTO_TIME_MAX, choices, help, sizeof(name) - 1, 0 }
const struct proto_field cli_head_fields[] = {
    HEAD("at", TIME, NULL, "when it happened; now when not said"),
    HEAD("done_by", CHOICE, "done_by", "who did it"),
    HEAD("source", CHOICE, "source", "seen by the one who records it, or told; told when not said"),
    HEAD("visit", ID, NULL, "id that groups what was done on one visit"),
    HEAD("stoma", CHOICE, "stoma", "which stoma; main when not said"),
    HEAD("replaces", ID, NULL, "id of the event that this one corrects"),
    HEAD("same_as", ID, NULL, "id of an event that reports the same happening"),
};
const size_t cli_head_field_count = sizeof cli_head_fields / sizeof cli_head_fields[0];

static struct proto_slice slice(const char *text, size_t size) {
    return (struct proto_slice){text, (uint32_t)size};
}

bool cli_input_time(const char *text, int64_t now_ms, int64_t *ms_out) {
    if (strcmp(text, "now") == 0) {
        *ms_out = now_ms;
        return true;
    }
    return proto_time_parse(slice(text, strlen(text)), ms_out) == PROTO_OK;
}

/* "a, b or c" of a list; false when that does not fit. */
static bool name_choices(const char *list, char *out, size_t size) {
    uint32_t count = proto_choice_count(list);
    size_t at = 0;
    out[0] = '\0';
    for (uint32_t i = 1; i <= count; i++) {
        const char *glue = i == 1 ? "" : i == count ? " or " : ", ";
        int put = snprintf(out + at, size - at, "%s%s", glue, proto_choice_name(list, i));
        if (put < 0 || (size_t)put >= size - at)
            return false;
        at += (size_t)put;
    }
    return true;
}

static bool check_choice(const char *list, const char *text, size_t size, char why[240]) {
    if (!list || proto_choice_find(list, slice(text, size)))
        return true;
    char names[160], given[44];
    (void)snprintf(given, sizeof given, "%.*s", (int)(size < 40 ? size : 40), text);
    if (name_choices(list, names, sizeof names)) {
        (void)snprintf(why, 240, "\"%s\" is not one of %s", given, names);
        return false;
    }
    struct cli_guess guess = {.text = given};
    for (uint32_t i = 1; i <= proto_choice_count(list); i++)
        cli_guess_try(&guess, proto_choice_name(list, i));
    (void)snprintf(why, 240, "\"%s\" is not one of its names%s%s%s; --help lists them", given,
                   guess.name ? " (did you mean " : "", guess.name ? guess.name : "", guess.name ? "?)" : "");
    return false;
}

/* Names given one by one or with commas between them. */
static bool write_names(const struct proto_field *field, const char *const *texts, size_t count, struct betony_map *map,
                        char why[240]) {
    const char *names[CLI_GIVEN_MAX] = {0};
    char *copies[CLI_GIVEN_MAX];
    size_t name_count = 0, copy_count = 0;
    bool well = true;
    for (size_t i = 0; i < count && well; i++) {
        char *copy = strdup(texts[i]);
        if (!copy)
            break;
        copies[copy_count++] = copy;
        char *rest = copy;
        for (char *name; well && (name = strsep(&rest, ",")) && name_count < CLI_GIVEN_MAX;) {
            well = check_choice(field->choices, name, strlen(name), why);
            names[name_count++] = name;
        }
    }
    if (well)
        betony_map_texts(map, field->name, names, name_count);
    while (copy_count > 0)
        free(copies[--copy_count]);
    return well;
}

/* --- lists whose entries have parts ----------------------------------------------------------------------------------- */

/* Splits `text` at `mark` into the part before and the part behind. */
static bool split(const char *text, const char *mark, bool last, char *before, size_t size, const char **behind) {
    const char *at = last ? strrchr(text, mark[0]) : strstr(text, mark);
    if (!at || (size_t)(at - text) >= size)
        return false;
    memcpy(before, text, (size_t)(at - text));
    before[at - text] = '\0';
    *behind = at + strlen(mark);
    return true;
}

static bool entry_identifier(const char *text, struct betony_map *entry) {
    char system[256];
    const char *value;
    if (!split(text, ":", true, system, sizeof system, &value))
        return false;
    betony_map_text(entry, "system", system);
    betony_map_text(entry, "value", value);
    return true;
}

static bool entry_contact(const char *text, struct betony_map *entry) {
    char role[256], name[256];
    const char *rest, *phone;
    if (!split(text, ",", false, role, sizeof role, &rest) || !split(rest, ",", true, name, sizeof name, &phone))
        return false;
    betony_map_text(entry, "role", role);
    betony_map_text(entry, "name", name);
    betony_map_text(entry, "phone", phone);
    return true;
}

static bool entry_use(const char *text, struct betony_map *entry) {
    char item[256];
    const char *number;
    int64_t per_day;
    if (!split(text, "=", true, item, sizeof item, &number) ||
        proto_amount_parse(slice(number, strlen(number)), &per_day) != PROTO_OK)
        return false;
    betony_map_text(entry, "item", item);
    betony_map_amount(entry, "per_day", per_day);
    return true;
}

static bool write_entries(const struct proto_field *field, const char *const *texts, size_t count,
                          struct betony_map *map, char why[240]) {
    static const struct {
        enum proto_type type;
        bool (*read)(const char *text, struct betony_map *entry);
        const char *form;
    } forms[] = {{PROTO_TYPE_IDENTIFIERS, entry_identifier, "SYSTEM:VALUE"},
                 {PROTO_TYPE_CONTACTS, entry_contact, "ROLE,NAME,PHONE"},
                 {PROTO_TYPE_USES, entry_use, "ITEM=PER-DAY"}};
    size_t form = 0;
    while (forms[form].type != field->type)
        form++;
    struct betony_map *entries[CLI_GIVEN_MAX];
    size_t made = 0;
    bool well = true;
    for (size_t i = 0; i < count && well; i++) {
        entries[made] = betony_map_new();
        well = entries[made] && forms[form].read(texts[i], entries[made]);
        if (!well)
            (void)snprintf(why, 240, "\"%.100s\" is not %s", texts[i], forms[form].form);
        made++;
    }
    const struct betony_map *given[CLI_GIVEN_MAX] = {0};
    for (size_t i = 0; i < made; i++)
        given[i] = entries[i];
    if (well)
        betony_map_maps(map, field->name, given, made);
    while (made > 0)
        betony_map_free(entries[--made]);
    return well;
}

/* [[from, to]] from texts FROM..TO. */
static bool write_pauses(const struct proto_field *field, const char *const *texts, size_t count,
                         struct betony_map *map, char why[240]) {
    uint8_t bytes[PROTO_LIST_MAX * 32];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_array(&w, (uint32_t)count);
    for (size_t i = 0; i < count; i++) {
        char from[16];
        const char *to;
        int32_t from_day, to_day;
        if (!split(texts[i], "..", false, from, sizeof from, &to) ||
            proto_date_parse(slice(from, strlen(from)), &from_day) != PROTO_OK ||
            proto_date_parse(slice(to, strlen(to)), &to_day) != PROTO_OK) {
            (void)snprintf(why, 240, "\"%.100s\" is not two dates, FROM..TO", texts[i]);
            return false;
        }
        proto_write_array(&w, 2);
        proto_write_date(&w, from_day);
        proto_write_date(&w, to_day);
    }
    betony_map_raw(map, field->name, bytes, w.error == PROTO_OK ? w.size : 0);
    return true;
}

/* {name: value} from texts NAME=VALUE. */
static bool write_policy(const struct proto_field *field, const char *const *texts, size_t count,
                         struct betony_map *map, char why[240]) {
    struct betony_map *values = betony_map_new();
    bool well = values != NULL;
    for (size_t i = 0; i < count && well; i++) {
        char name[64];
        const char *number;
        int64_t amount = 0;
        well = split(texts[i], "=", false, name, sizeof name, &number) &&
               proto_amount_parse(slice(number, strlen(number)), &amount) == PROTO_OK;
        if (!well)
            (void)snprintf(why, 240, "\"%.100s\" is not NAME=VALUE", texts[i]);
        else
            betony_map_amount(values, name, amount);
    }
    if (well)
        betony_map_map(map, field->name, values);
    betony_map_free(values);
    return well;
}

/* --- one value ---------------------------------------------------------------------------------------------------------- */

static bool write_int(const struct proto_field *field, const char *text, struct betony_map *map, char why[240]) {
    char *end = NULL;
    errno = 0;
    long long number = strtoll(text, &end, 10);
    if (errno != 0 || end == text || *end != '\0') {
        (void)snprintf(why, 240, "\"%.100s\" is not a whole number", text);
        return false;
    }
    betony_map_int(map, field->name, number);
    return true;
}

/* "before" a date means before the date begins; every other time is a moment. */
static bool write_moment(const struct proto_field *field, const char *text, int64_t now_ms, struct betony_map *map,
                         char why[240]) {
    char midnight[24];
    int32_t day;
    int64_t at_ms;
    if (strcmp(field->name, "before") == 0 && proto_date_parse(slice(text, strlen(text)), &day) == PROTO_OK) {
        (void)snprintf(midnight, sizeof midnight, "%.10s 00:00", text);
        text = midnight;
    }
    if (!cli_input_moment(text, now_ms, &at_ms, why))
        return false;
    betony_map_int(map, field->name, at_ms);
    return true;
}

static bool write_one(const struct proto_field *field, const char *text, int64_t now_ms, struct betony_map *map,
                      char why[240]) {
    struct proto_slice given = slice(text, strlen(text));
    int64_t number;
    int32_t day;
    struct proto_id id;
    switch (field->type) {
    case PROTO_TYPE_INT:
        return write_int(field, text, map, why);
    case PROTO_TYPE_AMOUNT:
        if (proto_amount_parse(given, &number) == PROTO_OK)
            return betony_map_amount(map, field->name, number), true;
        (void)snprintf(why, 240, "\"%.100s\" is not a number with at most two decimals", text);
        return false;
    case PROTO_TYPE_DATE:
        if (proto_date_parse(given, &day) == PROTO_OK)
            return betony_map_text(map, field->name, text), true;
        (void)snprintf(why, 240, "\"%.100s\" is not a date such as 2026-03-01", text);
        return false;
    case PROTO_TYPE_TIME:
        return write_moment(field, text, now_ms, map, why);
    case PROTO_TYPE_ID:
        if (proto_id_parse(given, &id) == PROTO_OK)
            return betony_map_text(map, field->name, text), true;
        (void)snprintf(why, 240, "\"%.100s\" is not an id (36 characters, lower case)", text);
        return false;
    case PROTO_TYPE_CHOICE:
        if (!check_choice(field->choices, text, strlen(text), why))
            return false;
        betony_map_text(map, field->name, text);
        return true;
    default:
        betony_map_text(map, field->name, text);
        return true;
    }
}

bool cli_input_write(const struct proto_field *field, const char *const *texts, size_t count, int64_t now_ms,
                     struct betony_map *map, char why[240]) {
    switch (field->type) {
    case PROTO_TYPE_CHOICES:
    case PROTO_TYPE_NAMES:
        return write_names(field, texts, count, map, why);
    case PROTO_TYPE_TEXTS:
        betony_map_texts(map, field->name, texts, count);
        return true;
    case PROTO_TYPE_IDENTIFIERS:
    case PROTO_TYPE_CONTACTS:
    case PROTO_TYPE_USES:
        return write_entries(field, texts, count, map, why);
    case PROTO_TYPE_PAUSES:
        return write_pauses(field, texts, count, map, why);
    case PROTO_TYPE_VALUES:
        return write_policy(field, texts, count, map, why);
    default:
        if (count > 1) {
            (void)snprintf(why, 240, "it may be given once");
            return false;
        }
        return write_one(field, texts[0], now_ms, map, why);
    }
}
