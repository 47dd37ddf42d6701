/*
 * table.c - aligned columns that know the terminal's width.
 *
 * What always holds: nothing is cut: a cell too wide for its column goes on in the next line; the last column has no
 * trailing blanks.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <stdlib.h>
#include <string.h>

#define COLUMNS_MAX 16
#define GAP 2
#define FOLD_WIDTH_MIN 12

struct table {
    struct table_column columns[COLUMNS_MAX];
    size_t column_count;
    char **cells; /* row by row; the first row are the titles */
    size_t cell_count, cell_cap;
    bool *strong; /* by row */
};

static void *no_null(void *memory) {
    if (!memory) {
        (void)fputs("betony: there is no memory\n", stderr);
        exit(EX_OSERR);
    }
    return memory;
}

struct table *table_new(const struct table_column *columns, size_t count) {
    if (count < 1 || count > COLUMNS_MAX)
        abort();
    struct table *table = no_null(calloc(1, sizeof *table));
    memcpy(table->columns, columns, count * sizeof *columns);
    table->column_count = count;
    for (size_t i = 0; i < count; i++)
        table_cell(table, columns[i].title);
    return table;
}

void table_cell(struct table *table, const char *text) {
    if (table->cell_count == table->cell_cap) {
        size_t cap = table->cell_cap ? table->cell_cap * 2 : 256;
        table->cells = no_null(realloc(table->cells, cap * sizeof *table->cells));
        table->strong = no_null(realloc(table->strong, cap * sizeof *table->strong));
        memset(table->strong + table->cell_cap, 0, (cap - table->cell_cap) * sizeof *table->strong);
        table->cell_cap = cap;
    }
    char *copy = no_null(strdup(text));
    for (char *c = copy; *c; c++)
        if (*c == '\n' || *c == '\t')
            *c = ' ';
    table->cells[table->cell_count++] = copy;
}

void table_strong(struct table *table) {
    table->strong[(table->cell_count - 1) / table->column_count] = true;
}

static size_t sum(const size_t *widths, size_t count) {
    size_t total = 0;
    for (size_t i = 0; i < count; i++)
        total += widths[i] + (i ? GAP : 0);
    return total;
}

/* Widths that fit: the widest column that may fold gives way, one step at a time. */
static void measure(const struct table *table, size_t room, size_t widths[COLUMNS_MAX]) {
    size_t rows = table->cell_count / table->column_count;
    for (size_t c = 0; c < table->column_count; c++) {
        widths[c] = 0;
        for (size_t r = 0; r < rows; r++) {
            size_t columns = out_columns(table->cells[r * table->column_count + c]);
            widths[c] = columns > widths[c] ? columns : widths[c];
        }
    }
    while (room && sum(widths, table->column_count) > room) {
        size_t widest = COLUMNS_MAX;
        for (size_t c = 0; c < table->column_count; c++)
            if (table->columns[c].folds && widths[c] > FOLD_WIDTH_MIN &&
                (widest == COLUMNS_MAX || widths[c] > widths[widest]))
                widest = c;
        if (widest == COLUMNS_MAX)
            return;
        widths[widest]--;
    }
}

/* Takes from the front of *rest what fits `width`, as text in `line`; returns its columns. */
static size_t take_line(const char **rest, size_t width, char *line, size_t size) {
    const char *text = *rest;
    size_t at = 0, columns = 0, blank = 0, blank_columns = 0;
    while (text[at] && columns < width && at + 4 < size) {
        if (text[at] == ' ') {
            blank = at;
            blank_columns = columns;
        }
        do
            at++;
        while (((unsigned char)text[at] & 0xc0u) == 0x80);
        columns++;
    }
    if (text[at] && text[at] != ' ' && blank > 0) {
        at = blank;
        columns = blank_columns;
    }
    memcpy(line, text, at);
    line[at] = '\0';
    while (text[at] == ' ')
        at++;
    *rest = text + at;
    return columns;
}

/* The next line of one row; false once every cell is told. */
static bool print_line(FILE *out, const struct table *table, const size_t *widths, const char **rest) {
    size_t last = 0;
    bool any = false;
    for (size_t c = 0; c < table->column_count; c++) {
        any = any || *rest[c];
        last = *rest[c] ? c : last;
    }
    for (size_t c = 0; any && c <= last; c++) {
        char line[1024];
        size_t columns = take_line(&rest[c], widths[c], line, sizeof line);
        size_t pad = widths[c] > columns ? widths[c] - columns : 0;
        if (c > 0)
            (void)fprintf(out, "%*s", GAP, "");
        if (table->columns[c].right)
            (void)fprintf(out, "%*s", (int)pad, "");
        out_text(out, line);
        if (!table->columns[c].right && c < last)
            (void)fprintf(out, "%*s", (int)pad, "");
    }
    return any;
}

void table_print(const struct cli *cli, FILE *out, const struct table *table, int indent) {
    size_t widths[COLUMNS_MAX];
    measure(table, cli->width > indent ? (size_t)(cli->width - indent) : 0, widths);
    size_t rows = table->cell_count / table->column_count;
    for (size_t r = 0; r < rows; r++) {
        const char *rest[COLUMNS_MAX];
        bool more = false, strong = cli->bold && (r == 0 || table->strong[r]);
        for (size_t c = 0; c < table->column_count; c++) {
            rest[c] = table->cells[r * table->column_count + c];
            more = more || *rest[c];
        }
        while (more) {
            (void)fprintf(out, "%*s%s", indent, "", strong ? "\033[1m" : "");
            (void)print_line(out, table, widths, rest);
            (void)fprintf(out, "%s\n", strong ? "\033[0m" : "");
            more = false;
            for (size_t c = 0; c < table->column_count; c++)
                more = more || *rest[c];
        }
    }
}

void table_free(struct table *table) {
    for (size_t i = 0; i < table->cell_count; i++)
        free(table->cells[i]);
    free(table->cells);
    free(table->strong);
    free(table);
}
