/*
 * guess.c - "did you mean": the nearest of a list of names to one that is not among them.
 *
 * What always holds: a guess is only ever shown, never used.
 */
#include "cli.h"

#include <string.h>

#define NAME_MAX_SIZE 48

/* Letters to change, add or leave out to make one of the other (Levenshtein). */
static size_t distance(const char *a, const char *b) {
    size_t row[NAME_MAX_SIZE + 1], a_size = strlen(a), b_size = strlen(b);
    if (a_size > NAME_MAX_SIZE || b_size > NAME_MAX_SIZE)
        return NAME_MAX_SIZE;
    for (size_t j = 0; j <= b_size; j++)
        row[j] = j;
    for (size_t i = 1; i <= a_size; i++) {
        size_t above_left = row[0];
        row[0] = i;
        for (size_t j = 1; j <= b_size; j++) {
            size_t change = above_left + (a[i - 1] != b[j - 1]);
            size_t other = (row[j] < row[j - 1] ? row[j] : row[j - 1]) + 1;
            above_left = row[j];
            row[j] = change < other ? change : other;
        }
    }
    return row[b_size];
}

void cli_guess_try(struct cli_guess *guess, const char *name) {
    size_t far = distance(guess->text, name), most = strlen(guess->text) / 3 + 1;
    if (far <= most && (!guess->name || far < guess->distance)) {
        guess->name = name;
        guess->distance = far;
    }
}
