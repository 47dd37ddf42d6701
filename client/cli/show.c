/*
 * show.c - lists and plain answers for people.
 *
 * What always holds: every row that came is shown; when --limit ended a list the page says so.
 */
#include "cli.h"

#include <string.h>

static void cell_of(struct table *table, const struct betony_value *row, const char *key) {
    char text[1200];
    if (strcmp(key, "due_at") == 0) /* tasks are dated: a due time is the midnight that the date begins with */
        words_date(betony_value_int(betony_value_get(row, key), 0), text);
    else
        words_value(key, betony_value_get(row, key), text, sizeof text);
    table_cell(table, text);
}

/* Rows that ask for something at once stand out. */
static bool is_pressing(const struct betony_value *row) {
    static const char *const keys[] = {"state", "level", "urgency"};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const char *text = betony_value_text(betony_value_get(row, keys[i]), "");
        if (strcmp(text, "overdue") == 0 || strcmp(text, "now") == 0)
            return true;
    }
    return false;
}

static void say_count(const struct cli *cli, FILE *out, const struct cli_rows *rows) {
    char zone[48];
    words_zone(cli->now_ms, zone);
    (void)fprintf(out, "\n%zu row%s; times are %s\n", rows->row_count, rows->row_count == 1 ? "" : "s", zone);
    const struct betony_value *first = rows->page_count ? betony_answer_result(rows->pages[0]) : NULL;
    const struct betony_value *settling = betony_value_get(first, "settling");
    if (settling)
        (void)fprintf(
            out,
            "A policy change is being worked in: %lld of %lld children are done, the others are listed by the "
            "values before.\n",
            (long long)betony_value_int(betony_value_get(settling, "done"), 0),
            (long long)betony_value_int(betony_value_get(settling, "of"), 0));
    if (rows->after[0])
        (void)fprintf(out, "There are more; the next begin with --after %s\n", rows->after);
}

void show_rows(const struct cli *cli, FILE *out, const struct cli_rows *rows, const struct show_column *columns,
               size_t count) {
    struct table_column heads[16];
    for (size_t c = 0; c < count; c++)
        heads[c] = columns[c].column;
    struct table *table = table_new(heads, count);
    for (size_t r = 0; r < rows->row_count; r++) {
        const struct betony_value *row = cli_rows_at(rows, r);
        for (size_t c = 0; c < count; c++)
            cell_of(table, row, columns[c].key);
        if (is_pressing(row))
            table_strong(table);
    }
    if (rows->row_count > 0)
        table_print(cli, out, table, 0);
    table_free(table);
    say_count(cli, out, rows);
}

void show_table(const struct cli *cli, FILE *out, const struct betony_value *list, const struct show_column *columns,
                size_t count) {
    struct table_column heads[16];
    if (betony_value_count(list) == 0)
        return;
    for (size_t c = 0; c < count; c++)
        heads[c] = columns[c].column;
    struct table *table = table_new(heads, count);
    for (size_t r = 0; r < betony_value_count(list); r++)
        for (size_t c = 0; c < count; c++)
            cell_of(table, betony_value_at(list, r), columns[c].key);
    table_print(cli, out, table, 2);
    table_free(table);
}

/* --- any value --------------------------------------------------------------------------------------------------------------- */

static bool is_flat(const struct betony_value *value) {
    enum betony_type type = betony_value_type(value);
    if (type == BETONY_MAP)
        return false;
    for (size_t i = 0; type == BETONY_LIST && i < betony_value_count(value); i++) {
        enum betony_type entry = betony_value_type(betony_value_at(value, i));
        if (entry == BETONY_MAP || entry == BETONY_LIST)
            return false;
    }
    return true;
}

static void show_pair(const struct cli *cli, FILE *out, const struct betony_value *key,
                      const struct betony_value *value, int indent) {
    const char *name = betony_value_text(key, "?");
    char label[64];
    words_key(name, label);
    (void)fprintf(out, "%*s", indent, "");
    out_text(out, label);
    if (!is_flat(value)) {
        (void)fputc('\n', out);
        show_value(cli, out, value, indent + 2);
        return;
    }
    char text[4096];
    words_value(name, value, text, sizeof text);
    size_t columns = out_columns(label);
    (void)fprintf(out, "%*s", (int)(columns < 24 ? 24 - columns : 1), "");
    out_folded(cli, out, indent + 24, text);
}

void show_value(const struct cli *cli, FILE *out, const struct betony_value *value, int indent) {
    enum betony_type type = betony_value_type(value);
    for (size_t i = 0; i < betony_value_count(value); i++) {
        if (type == BETONY_MAP) {
            show_pair(cli, out, betony_value_key_at(value, i), betony_value_at(value, i), indent);
        } else if (betony_value_type(betony_value_at(value, i)) == BETONY_MAP) {
            char text[4096];
            words_map(betony_value_at(value, i), NULL, text, sizeof text);
            (void)fprintf(out, "%*s", indent, "");
            out_folded(cli, out, indent + 2, text);
        } else {
            show_value(cli, out, betony_value_at(value, i), indent);
        }
    }
    if (type != BETONY_MAP && type != BETONY_LIST) {
        char text[4096];
        words_value("", value, text, sizeof text);
        (void)fprintf(out, "%*s", indent, "");
        out_folded(cli, out, indent, text);
    }
}
