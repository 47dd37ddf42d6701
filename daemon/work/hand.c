/*
 * hand.c - memory of the care workers, and team numbers.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

bool work_hand_init(struct work_hand *hand) {
    *hand = (struct work_hand){0};
    if (!work_reading_init(&hand->reading))
        return false;
    hand->state = malloc(sizeof *hand->state);
    hand->stored = malloc(sizeof *hand->stored);
    hand->before = malloc(sizeof *hand->before);
    hand->after = malloc(sizeof *hand->after);
    hand->found = malloc(sizeof *hand->found);
    if (hand->state && hand->stored && hand->before && hand->after && hand->found)
        return true;
    work_hand_deinit(hand);
    return false;
}

void work_hand_deinit(struct work_hand *hand) {
    work_reading_deinit(&hand->reading);
    work_voids_free(&hand->voids);
    work_feed_free(&hand->feed);
    free(hand->state);
    free(hand->stored);
    free(hand->before);
    free(hand->after);
    free(hand->found);
    work_rows_free(&hand->old_rows);
    work_rows_free(&hand->new_rows);
    work_buffer_free(&hand->ops);
    work_buffer_free(&hand->answers);
    free(hand->replies);
    work_drops_free(&hand->removed);
    *hand = (struct work_hand){0};
}

void work_hand_clear(struct work_hand *hand) {
    hand->ops.size = 0;
    hand->answers.size = 0;
    hand->reply_count = 0;
    hand->removed.count = 0;
    hand->folds = hand->refolds = hand->plans = 0;
}

/* --- teams ------------------------------------------------------------------------------------- */

bool work_teams_find(const struct work_teams *teams, const char *name, uint32_t *number) {
    if (!*name) {
        *number = 0;
        return true;
    }
    for (uint32_t i = 0; i < teams->count; i++)
        if (strcmp(teams->names[i], name) == 0) {
            *number = teams->numbers[i];
            return true;
        }
    return false;
}

static void keep(struct work_teams *teams, const char *name, size_t size, uint32_t number) {
    if (teams->count == teams->cap) {
        teams->cap = teams->cap ? teams->cap * 2 : 16;
        teams->names = work_grow(teams->names, sizeof *teams->names * teams->cap);
        teams->numbers = work_grow(teams->numbers, sizeof *teams->numbers * teams->cap);
    }
    assert(size < sizeof *teams->names);
    memcpy(teams->names[teams->count], name, size);
    teams->names[teams->count][size] = '\0';
    teams->numbers[teams->count++] = number;
    if (number >= teams->next)
        teams->next = number + 1;
}

uint32_t work_teams_add(struct work_teams *teams, const char *name) {
    uint32_t number = 0;
    if (work_teams_find(teams, name, &number))
        return number;
    number = teams->next ? teams->next : 1;
    keep(teams, name, strlen(name), number);
    return number;
}

static bool keep_each(void *arg, uint32_t number, struct proto_slice name) {
    if (name.size < sizeof *((struct work_teams *)arg)->names)
        keep(arg, name.data ? name.data : "", name.size, number);
    return true;
}

enum proto_error work_teams_load(struct work_teams *teams, struct store_txn *txn) {
    teams->count = teams->next = 0;
    return work_team_each(txn, keep_each, teams);
}

void work_teams_free(struct work_teams *teams) {
    free(teams->names);
    free(teams->numbers);
    *teams = (struct work_teams){0};
}

void work_team_row(const char *name, uint32_t number, struct work_rows *rows) {
    assert(*name && number);
    work_rows_begin(rows, STORE_TEAMS);
    work_buffer_add(&rows->bytes, name, strlen(name));
    work_rows_value(rows);
    work_add_u8(&rows->bytes, WORK_ROW_FORMAT);
    work_add_u32(&rows->bytes, number);
    work_rows_end(rows);
}
