/*
 * map.c - numbers by id.
 */
#include "work/map.h"

#include <assert.h>
#include <stdlib.h>

static uint32_t slot_of(const struct work_map *map, const struct proto_id *id) {
    /* Ids are the caller's: all 16 bytes are mixed, so that none can crowd the table by choosing them alike by accident. */
    uint64_t a = work_get_u64(id->bytes), b = work_get_u64(id->bytes + 8);
    uint64_t h = (a ^ (b * 0x9e3779b97f4a7c15ull)) * 0xff51afd7ed558ccdull;
    uint32_t at = (uint32_t)(h >> 32) & (map->cap - 1);
    while (map->slots[at].number != WORK_MAP_NONE && !work_id_same(&map->slots[at].id, id))
        at = (at + 1) & (map->cap - 1);
    return at;
}

static void resize(struct work_map *map, uint32_t cap) {
    struct work_map larger = {.slots = work_alloc(sizeof *map->slots * cap), .cap = cap};
    for (uint32_t i = 0; i < cap; i++)
        larger.slots[i].number = WORK_MAP_NONE;
    for (uint32_t i = 0; i < map->cap; i++)
        if (map->slots[i].number != WORK_MAP_NONE)
            larger.slots[slot_of(&larger, &map->slots[i].id)] = map->slots[i];
    larger.count = map->count;
    free(map->slots);
    *map = larger;
}

uint32_t work_map_find(const struct work_map *map, const struct proto_id *id) {
    return map->cap ? map->slots[slot_of(map, id)].number : WORK_MAP_NONE;
}

uint32_t work_map_add(struct work_map *map, const struct proto_id *id, uint32_t number, bool *made) {
    assert(number != WORK_MAP_NONE);
    if (map->count * 2 >= map->cap)
        resize(map, map->cap ? map->cap * 2 : 64);
    uint32_t at = slot_of(map, id);
    *made = map->slots[at].number == WORK_MAP_NONE;
    if (*made) {
        map->slots[at].id = *id;
        map->slots[at].number = number;
        map->count++;
    }
    return map->slots[at].number;
}

#define CAP_KEPT 512 /* clearing a table that was once large would cost more than making a small one anew */

void work_map_clear(struct work_map *map) {
    if (map->cap > CAP_KEPT && map->count * 8 < map->cap) {
        work_map_free(map);
        return;
    }
    for (uint32_t i = 0; i < map->cap; i++)
        map->slots[i].number = WORK_MAP_NONE;
    map->count = 0;
}

void work_map_free(struct work_map *map) {
    free(map->slots);
    *map = (struct work_map){0};
}
