/*
 * table.c - aligned columns that know the terminal's width.
 *
 * What always holds: nothing is cut: a cell too wide for its column goes on in the next line, and a last column that
 * would be squeezed goes under its row; no line has trailing blanks.
 */
#define _GNU_SOURCE
#include "cli.h"

#include <stdlib.h>
#include <string.h>

#define COLUMNS_MAX 16
#define GAP 2
#define FOLD_WIDTH_MIN 12
#define FOLD_WORD_MAX 24  /* a word up to this long is never broken */
#define LAST_WIDTH_MIN 30 /* a last column that may fold is told beside the others when it gets so many columns */
#define UNDER_INDENT 4

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

static void measure(const struct table *table, size_t widths[COLUMNS_MAX]) {
    size_t rows = table->cell_count / table->column_count;
    for (size_t c = 0; c < table->column_count; c++) {
        widths[c] = 0;
        for (size_t r = 0; r < rows; r++) {
            size_t columns = out_columns(table->cells[r * table->column_count + c]);
            widths[c] = columns > widths[c] ? columns : widths[c];
        }
    }
}

static size_t longest_word(const char *text) {
    size_t longest = 0, at = 0;
    for (; *text; text++) {
        at = *text == ' ' ? 0 : at + (((unsigned char)*text & 0xc0u) != 0x80);
        longest = at > longest ? at : longest;
    }
    return longest;
}

/* The least width of a column: its longest word, within reason. */
static size_t width_min(const struct table *table, size_t column) {
    size_t least = FOLD_WIDTH_MIN;
    for (size_t i = column; i < table->cell_count; i += table->column_count) {
        size_t word = longest_word(table->cells[i]);
        least = word > least && word <= FOLD_WORD_MAX ? word : least;
    }
    return least;
}

/* Makes the first `count` widths fit: the widest column that may fold gives way, one step at a time. */
static void squeeze(const struct table *table, size_t count, size_t room, size_t widths[COLUMNS_MAX]) {
    size_t least[COLUMNS_MAX];
    for (size_t c = 0; c < count; c++)
        least[c] = width_min(table, c);
    while (room && sum(widths, count) > room) {
        size_t widest = COLUMNS_MAX;
        for (size_t c = 0; c < count; c++)
            if (table->columns[c].folds && widths[c] > least[c] &&
                (widest == COLUMNS_MAX || widths[c] > widths[widest]))
                widest = c;
        if (widest == COLUMNS_MAX)
            return;
        widths[widest]--;
    }
}

/* How many columns stand side by side: all, or all but a last one that would be squeezed. */
static size_t beside(const struct table *table, size_t room, const size_t widths[COLUMNS_MAX]) {
    size_t last = table->column_count - 1;
    size_t needed = widths[last] < LAST_WIDTH_MIN ? widths[last] : LAST_WIDTH_MIN;
    bool fits = !room || last == 0 || !table->columns[last].folds || sum(widths, last) + GAP + needed <= room;
    return fits ? last + 1 : last;
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

/* The next line of one row's first `count` cells. */
static void print_line(FILE *out, const struct table *table, const size_t *widths, size_t count, const char **rest) {
    size_t last = 0;
    for (size_t c = 0; c < count; c++)
        last = *rest[c] ? c : last;
    for (size_t c = 0; c <= last; c++) {
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
}

static bool is_told(const char **rest, size_t count) {
    for (size_t c = 0; c < count; c++)
        if (*rest[c])
            return false;
    return true;
}

void table_print(const struct cli *cli, FILE *out, const struct table *table, int indent) {
    size_t widths[COLUMNS_MAX], room = cli->width > indent ? (size_t)(cli->width - indent) : 0;
    measure(table, widths);
    size_t count = beside(table, room, widths), rows = table->cell_count / table->column_count;
    squeeze(table, count, room, widths);
    for (size_t r = 0; r < rows; r++) {
        const char *rest[COLUMNS_MAX];
        bool strong = cli->bold && (r == 0 || table->strong[r]);
        for (size_t c = 0; c < table->column_count; c++)
            rest[c] = table->cells[r * table->column_count + c];
        while (!is_told(rest, count)) {
            (void)fprintf(out, "%*s%s", indent, "", strong ? "\033[1m" : "");
            print_line(out, table, widths, count, rest);
            (void)fprintf(out, "%s\n", strong ? "\033[0m" : "");
        }
        if (count < table->column_count && r > 0 && *rest[count]) {
            (void)fprintf(out, "%*s", indent + UNDER_INDENT, "");
            out_folded(cli, out, indent + UNDER_INDENT, rest[count]);
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
