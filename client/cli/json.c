/*
 * json.c - answers as JSON, one value a line, through jansson.
 *
 * What always holds: integers stay whole and amounts keep their two decimals; times are the protocol's milliseconds.
 */
#include "cli.h"

#include <jansson.h>
#include <stdlib.h>

static json_t *json_of(const struct betony_value *value);

static json_t *json_of_map(const struct betony_value *value) {
    json_t *object = json_object();
    for (size_t i = 0; i < betony_value_count(value); i++) {
        size_t size;
        const char *key = betony_value_text_sized(betony_value_key_at(value, i), &size);
        if (key)
            (void)json_object_set_new(object, betony_value_text(betony_value_key_at(value, i), ""),
                                      json_of(betony_value_at(value, i)));
    }
    return object;
}

static json_t *json_of(const struct betony_value *value) {
    size_t size;
    const char *text;
    json_t *made = NULL;
    switch (betony_value_type(value)) {
    case BETONY_BOOL:
        return json_boolean(betony_value_bool(value, false));
    case BETONY_INT:
        return json_integer(betony_value_int(value, 0));
    case BETONY_FLOAT:
        made = json_real(betony_value_number(value, 0)); /* NULL for an infinity */
        break;
    case BETONY_TEXT:
        text = betony_value_text_sized(value, &size);
        made = json_stringn(text, size);
        break;
    case BETONY_LIST:
        made = json_array();
        for (size_t i = 0; i < betony_value_count(value); i++)
            (void)json_array_append_new(made, json_of(betony_value_at(value, i)));
        break;
    case BETONY_MAP:
        made = json_of_map(value);
        break;
    case BETONY_BYTES:
    case BETONY_NIL:
    case BETONY_ABSENT:
    default:
        break;
    }
    return made ? made : json_null();
}

static void print(FILE *out, json_t *json) {
    (void)json_dumpf(json, out, JSON_COMPACT | JSON_ENCODE_ANY | JSON_REAL_PRECISION(15));
    (void)fputc('\n', out);
    json_decref(json);
}

void json_print_value(FILE *out, const struct betony_value *value) {
    print(out, json_of(value));
}

bool json_print_answer(const struct cli *cli, const struct betony_answer *answer) {
    if (cli->format == CLI_FORMAT_PEOPLE)
        return false;
    json_print_value(stdout, betony_answer_result(answer));
    return true;
}

bool cli_rows_print_json(const struct cli *cli, const struct cli_rows *rows) {
    if (cli->format == CLI_FORMAT_PEOPLE)
        return false;
    if (cli->format == CLI_FORMAT_NDJSON) /* the rows have been printed as they came */
        return true;
    json_t *all = json_array();
    json_t *whole = rows->page_count ? json_of(betony_answer_result(rows->pages[0])) : json_object();
    for (size_t i = 0; i < rows->row_count; i++)
        (void)json_array_append_new(all, json_of(cli_rows_at(rows, i)));
    (void)json_object_set_new(whole, "rows", all);
    if (rows->after[0])
        (void)json_object_set_new(whole, "after", json_string(rows->after));
    else
        (void)json_object_del(whole, "after");
    print(stdout, whole);
    return true;
}
