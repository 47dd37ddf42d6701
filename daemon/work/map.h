/*
 * map.h - numbers by id, in memory: open addressing, for one thread.
 */
#ifndef WORK_MAP_H
#define WORK_MAP_H

#include "work/bytes.h"

#define WORK_MAP_NONE UINT32_MAX

struct work_map {
    struct {
        struct proto_id id;
        uint32_t number; /* WORK_MAP_NONE: free */
    } * slots;
    uint32_t count, cap; /* cap: a power of two */
};

uint32_t work_map_find(const struct work_map *map, const struct proto_id *id); /* WORK_MAP_NONE */
/* The number kept for the id, which is `number` when there was none; *made says which. */
uint32_t work_map_add(struct work_map *map, const struct proto_id *id, uint32_t number, bool *made);
void work_map_clear(struct work_map *map);
void work_map_free(struct work_map *map);

#endif
