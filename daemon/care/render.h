/*
 * render.h - parts of the status map, one file for each half of a page. Internal to care/.
 *
 * What always holds: keys stand in one fixed order; what is absent is left out;
 * the same state, schedule, context and moment give the same bytes.
 */
#ifndef CARE_RENDER_H
#define CARE_RENDER_H

#include "care/alerts.h"
#include "care/text.h"
#include "proto/writer.h"

struct care_page {
    struct proto_writer *w;
    const struct care_facts *facts;
    const struct care_state *state;
    const struct care_schedule *schedule;
    const struct care_view *view;
    int64_t now;
    int32_t today; /* local date of now */
};

/* A map under way: each pair is counted as it is written. */
struct care_map {
    struct proto_writer *w;
    size_t mark;
    uint32_t count;
};
struct care_map care_map_begin(struct proto_writer *w);
void care_map_end(struct care_map *map);
struct proto_writer *care_map_key(struct care_map *map, const char *key);    /* the value follows */
void care_map_text(struct care_map *map, const char *key, const char *text); /* left out when empty or NULL */
void care_map_int(struct care_map *map, const char *key, int64_t value);
void care_map_bool(struct care_map *map, const char *key, bool value);
void care_map_time(struct care_map *map, const char *key, int64_t at);           /* left out when 0 */
void care_map_day(struct care_map *map, const char *key, int32_t day);           /* left out when 0 or not known */
void care_map_amount(struct care_map *map, const char *key, int64_t hundredths); /* left out when 0 */
void care_map_choice(struct care_map *map, const char *key, const char *list, uint32_t number); /* left out when 0 */
void care_map_said(struct care_map *map, const char *key, uint8_t said); /* 0 left out, 1 no, 2 yes */

/* Home change at the page's moment over one stoma, or over all that exist (0): reasons against as bits of enum care_reason. */
uint16_t care_page_home_change(const struct care_page *page, int stoma);
void care_render_home_change(struct care_map *map, uint16_t reasons);

void care_render_record(const struct care_page *page, struct care_map *map);    /* record */
void care_render_emergency(const struct care_page *page, struct care_map *map); /* emergency */
void care_render_stomas(const struct care_page *page, struct care_map *map);    /* stomas */
void care_render_people(const struct care_page *page, struct care_map *map);    /* spare, carers, plan */
void care_render_trend(const struct care_page *page, struct care_map *map);     /* forecast, trend */

#endif
