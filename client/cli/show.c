/*
 * show.c - lists and plain answers for people.
 *
 * What always holds: every row that came is shown, columns in which no row says anything are not; when --limit ended a
 * list the page says so.
 */
#include "cli.h"

#include <string.h>

/* A list from the wire, or the rows of all pages. */
struct source {
    const struct cli_rows *rows;
    const struct betony_value *list;
};

static size_t source_count(const struct source *source) {
    return source->rows ? source->rows->row_count : betony_value_count(source->list);
}

static const struct betony_value *source_at(const struct source *source, size_t index) {
    return source->rows ? cli_rows_at(source->rows, index) : betony_value_at(source->list, index);
}

static void cell_text(const struct cli *cli, const struct betony_value *row, const char *key, char *out, size_t size) {
    if (strcmp(key, "device") == 0)
        show_device_cell(row, out, size);
    else if (strcmp(key, "doubles") == 0)
        show_doubles_cell(row, out, size);
    else if (!show_task_cell(cli, row, key, out, size))
        words_value(key, betony_value_get(row, key), out, size);
}

/* Does any row tell something in this column? A stoma is told only when there is a second one. */
static bool is_telling(const struct cli *cli, const struct source *source, const char *key) {
    for (size_t r = 0; r < source_count(source); r++) {
        char text[1200];
        cell_text(cli, source_at(source, r), key, text, sizeof text);
        if (text[0] && (strcmp(key, "stoma") != 0 || strcmp(text, "main") != 0))
            return true;
    }
    return false;
}

/* Rows that ask for something at once stand out. */
static bool is_pressing(const struct betony_value *row) {
    static const char *const keys[] = {"state", "level", "urgency"};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++) {
        const char *text = words_text(row, keys[i]);
        if (strcmp(text, "overdue") == 0 || strcmp(text, "now") == 0)
            return true;
    }
    return false;
}

static void show_source(const struct cli *cli, FILE *out, const struct source *source,
                        const struct show_column *columns, size_t count, int indent) {
    struct show_column kept[16];
    struct table_column heads[16];
    size_t kept_count = 0;
    for (size_t c = 0; c < count && c < 16; c++)
        if (is_telling(cli, source, columns[c].key)) {
            heads[kept_count] = columns[c].column;
            kept[kept_count++] = columns[c];
        }
    if (kept_count == 0)
        return;
    struct table *table = table_new(heads, kept_count);
    for (size_t r = 0; r < source_count(source); r++) {
        const struct betony_value *row = source_at(source, r);
        for (size_t c = 0; c < kept_count; c++) {
            char text[1200];
            cell_text(cli, row, kept[c].key, text, sizeof text);
            table_cell(table, text);
        }
        if (is_pressing(row))
            table_strong(table);
    }
    table_print(cli, out, table, indent);
    table_free(table);
}

void show_count(const struct cli *cli, FILE *out, const struct cli_rows *rows, const char *one, const char *many,
                bool times) {
    char zone[48];
    words_zone(cli->now_ms, zone);
    if (rows->row_count == 0)
        (void)fprintf(out, "No %s.\n", many);
    else
        (void)fprintf(out, "\n%zu %s%s%s\n", rows->row_count, rows->row_count == 1 ? one : many,
                      times ? "; times are " : "", times ? zone : "");
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
        (void)fprintf(out, "There are more. For the next: the same line with --after %s\n", rows->after);
}

void show_rows(const struct cli *cli, FILE *out, const struct cli_rows *rows, const struct show_column *columns,
               size_t count) {
    const struct source source = {rows, NULL};
    show_source(cli, out, &source, columns, count, 0);
}

void show_table(const struct cli *cli, FILE *out, const struct betony_value *list, const struct show_column *columns,
                size_t count) {
    const struct source source = {NULL, list};
    show_source(cli, out, &source, columns, count, 2);
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
