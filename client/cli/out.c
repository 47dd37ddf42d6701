/*
 * out.c - plain printing: harmless text, folding, weight, the standing caution.
 *
 * What always holds: no control character from a record reaches the terminal; weight (bold) is the only decoration, says
 * nothing that the words do not say, and is left out when NO_COLOR is set or the output is not a terminal.
 */
#include "cli.h"

#include <string.h>

/* Size of the UTF-8 character at `text`, 1 for a byte that begins none. */
static size_t character_size(const char *text) {
    unsigned char lead = (unsigned char)*text;
    size_t size = lead >= 0xf0 ? 4 : lead >= 0xe0 ? 3 : lead >= 0xc0 ? 2 : 1;
    for (size_t i = 1; i < size; i++)
        if (((unsigned char)text[i] & 0xc0u) != 0x80)
            return 1;
    return size;
}

static bool is_harmless(const char *text, size_t size) {
    unsigned char lead = (unsigned char)*text;
    if (size == 1)
        return lead >= 0x20 && lead < 0x7f;
    if (size == 2 && lead == 0xc2)
        return (unsigned char)text[1] >= 0xa0; /* the second row of control characters */
    /* marks that turn the direction of writing: U+202A to U+202E, U+2066 to U+2069 */
    if (size == 3 && lead == 0xe2 && (unsigned char)text[1] == 0x80)
        return !((unsigned char)text[2] >= 0xaa && (unsigned char)text[2] <= 0xae);
    if (size == 3 && lead == 0xe2 && (unsigned char)text[1] == 0x81)
        return !((unsigned char)text[2] >= 0xa6 && (unsigned char)text[2] <= 0xa9);
    return true;
}

static void put_text(FILE *out, const char *text, size_t size) {
    const char *end = text + size;
    while (text < end) {
        size_t one = character_size(text);
        if (is_harmless(text, one))
            (void)fwrite(text, 1, one, out);
        else
            (void)fputc(*text == '\n' || *text == '\t' || *text == '\r' ? ' ' : '?', out);
        text += one;
    }
}

void out_text(FILE *out, const char *text) {
    put_text(out, text, strlen(text));
}

size_t out_columns(const char *text) {
    size_t columns = 0;
    for (; *text; text += character_size(text))
        columns++;
    return columns;
}

/* Bytes of the text that fit `columns`, ending at a blank where there is one. */
static size_t fit(const char *text, size_t columns) {
    size_t at = 0, used = 0, blank = 0;
    while (text[at] && used < columns) {
        if (text[at] == ' ')
            blank = at;
        at += character_size(text + at);
        used++;
    }
    if (!text[at] || text[at] == ' ' || blank == 0)
        return at;
    return blank;
}

/* One line of the text (it has no line break), folded. */
static void fold_line(const struct cli *cli, FILE *out, int indent, const char *text, size_t size) {
    char line[PROTO_TEXT_LONG_MAX + 1];
    size = size < sizeof line ? size : sizeof line - 1;
    memcpy(line, text, size);
    line[size] = '\0';
    const char *rest = line;
    size_t columns = cli->width > indent + 20 ? (size_t)(cli->width - indent) : 0;
    for (;;) {
        size_t taken = columns ? fit(rest, columns) : strlen(rest);
        put_text(out, rest, taken);
        (void)fputc('\n', out);
        rest += taken;
        while (*rest == ' ')
            rest++;
        if (!*rest)
            return;
        (void)fprintf(out, "%*s", indent, "");
    }
}

void out_folded(const struct cli *cli, FILE *out, int indent, const char *text) {
    for (;;) {
        size_t size = strcspn(text, "\n");
        fold_line(cli, out, indent, text, size);
        text += size;
        if (*text == '\0' || text[1] == '\0')
            return;
        text++;
        (void)fprintf(out, "%*s", indent, "");
    }
}

void out_strong(const struct cli *cli, FILE *out, const char *text) {
    if (cli->bold)
        (void)fputs("\033[1m", out);
    out_text(out, text);
    if (cli->bold)
        (void)fputs("\033[0m", out);
}

void out_heading(const struct cli *cli, FILE *out, const char *text) {
    (void)fputc('\n', out);
    out_strong(cli, out, text);
    (void)fputc('\n', out);
}

void out_caution(const struct cli *cli, FILE *out) {
    static const char *const lines[] = {
        "Wash hands before and after contact. In an emergency call the emergency number (112, or 999 in the UK) first.",
        "This supports and does not replace clinical judgement: the child's own prescribed plan, local policy and "
        "licensed practice come first.",
    };
    (void)fputc('\n', out);
    for (size_t i = 0; i < sizeof lines / sizeof lines[0]; i++)
        out_folded(cli, out, 0, lines[i]);
}
