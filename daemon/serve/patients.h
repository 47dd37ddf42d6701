/*
 * patients.h - a list of children: which of them are wanted, and how one is shown; for `patients`, and for those among them that look like another.
 */
#ifndef SERVE_PATIENTS_H
#define SERVE_PATIENTS_H

#include "serve/internal.h"
#include "work/doubles.h"

struct serve_patient_query {
    const struct proto_value *find, *identifier, *team;
    uint32_t team_number;
    uint64_t level; /* 0: any */
    int64_t now;
};

/* Whether the child is wanted, by its team and its level, and in the caller's scope. */
bool serve_patient_fits(const struct serve_request *r, const struct serve_patient_query *query,
                        const struct work_level_row *row);
/* One row; with `doubles` when that is not NULL. */
void serve_write_patient(struct serve_request *r, const struct work_level_row *row, const struct work_doubles *doubles);
/* CORRUPT when there is none. */
enum proto_error serve_read_level(struct serve_request *r, uint32_t team, const struct proto_id *root, int64_t now,
                                  struct work_level_row *row) PROTO_MUST_CHECK;
/* Where a scan begins: at its prefix, or behind the page before; BAD_VALUE for a position that is none of this scan's. */
enum proto_error serve_begin_scan(struct serve_request *r, enum store_table table, const uint8_t *prefix,
                                  size_t prefix_size, const struct serve_token *position,
                                  struct store_scan **scan) PROTO_MUST_CHECK;

/* ---- doubles.c: children that may be registered twice ------------------------------------------------------------- */

/* The teams that serve->teams holds. */
struct work_sight serve_sight(struct serve *serve);
/* The list of maps as one value. */
void serve_write_doubles(struct serve_request *r, const struct work_doubles *doubles);
/* Rows of those that look like another, each once. */
enum proto_error serve_rows_by_doubles(struct serve_request *r, const struct serve_patient_query *query,
                                       struct serve_page *page, const struct serve_token *position) PROTO_MUST_CHECK;

#endif
