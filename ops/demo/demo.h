/*
 * demo.h - the invented Harrowmere caseload: children, six months of routine, and scenes that leave something open.
 *
 * What always holds: the same --now and --children give the same bytes; nothing in here is about a real person, place or
 * device; every time is at or before now, save the one that a clock's doubt is made of.
 */
#ifndef OPS_DEMO_H
#define OPS_DEMO_H

#include <stdbool.h>
#include <stdint.h>

#include "proto/calendar.h"
#include "proto/ids.h"

#define MINUTE_MS INT64_C(60000)
#define HOUR_MS (60 * MINUTE_MS)
#define DAY_MS (24 * HOUR_MS)
#define DATE_UNKNOWN INT32_MIN
#define ID_TEXT (PROTO_ID_TEXT_BYTES + 1)

/* --- numbers that only look like chance (random.c) --------------------------------------------------------------------- */

struct dice {
    uint64_t state;
};
uint32_t dice_below(struct dice *dice, uint32_t bound); /* 0 .. bound - 1 */
const char *dice_pick(struct dice *dice, const char *const *texts, uint32_t count);

/* --- events as lines (lines.c) -------------------------------------------------------------------------------------------- */

struct line {
    int64_t at_ms;
    uint32_t order;
    char *text;
};

struct demo {
    int64_t now_ms;
    int32_t today; /* the day of now, UTC */
    struct dice dice;
    struct line *lines;
    uint32_t line_count, line_cap;
    uint64_t id_count;
    /* the line in the making */
    char *text;
    uint32_t size, cap;
    bool body_begun;
    int64_t at_ms;
    char last_id[ID_TEXT]; /* id of the event begun last */
    char kept_id[ID_TEXT]; /* of a child that another scene speaks of */
};

struct child;

/* An id that follows from the demo's seed. */
void demo_id(struct demo *demo, int64_t at_ms, char out[ID_TEXT]);
/* Begins an event; fields follow, then line_end. `child` NULL: about no child. */
void line_begin(struct demo *demo, const struct child *child, const char *kind, int64_t at_ms);
/* A field beside the body (before the first body field). */
void line_head(struct demo *demo, const char *key, const char *text);
void line_text(struct demo *demo, const char *key, const char *text);
void line_bool(struct demo *demo, const char *key, bool value);
void line_int(struct demo *demo, const char *key, int64_t value);
void line_amount(struct demo *demo, const char *key, int64_t hundredths);
void line_date(struct demo *demo, const char *key, int32_t day);
void line_time(struct demo *demo, const char *key, int64_t at_ms);
void line_list(struct demo *demo, const char *key, const char *const *texts); /* NULL-terminated */
void line_json(struct demo *demo, const char *key, const char *json);
void line_end(struct demo *demo);

/* --- children (children.c) -------------------------------------------------------------------------------------------------- */

struct child {
    uint32_t number; /* 101 for HM-0101 */
    char label[16], id[ID_TEXT], system_number[16];
    const char *team;
    int32_t born_day, registered_day, formed_day; /* formed_day DATE_UNKNOWN: nobody knows */
    int64_t registered_ms;
    const char *how, *retention, *profile, *tip, *feeding;
    int32_t french_fr, length_mm, balloon_ml; /* hundredths */
    char lot[16];
    int32_t device_age_days; /* of the device in place now */
    int32_t visit_age_days;  /* days since the last weekly visit: 1 to 7 when nothing is late */
    int32_t spare_age_days;  /* -1: as the visits have it */
    bool first_device;       /* the device is the stoma's first: young children of the caseload */
    bool active, latex_allergy, has_plan, home_change, has_trained, has_spare, has_supplies;
    int32_t trained_until_day; /* DATE_UNKNOWN: twelve months */
};

/* A child of the caseload by its place, 0 first; a scene may then change it (scenes.c). */
void child_init(struct demo *demo, struct child *child, uint32_t index);
bool child_has_balloon(const struct child *child);
/* A moment of a day so many days before now, in office hours. */
int64_t day_ms(const struct demo *demo, int32_t days_ago, int hour, int minute);
/* Registration, stoma, device, plan, training, spare, supplies, feed. */
void child_arrive(struct demo *demo, const struct child *child);
void device_placed(struct demo *demo, const struct child *child, int64_t at_ms, const char *why, const char *place,
                   const char *placed_by, bool from_spare);
/* Weekly visits and what goes with them, from arrival to the last visit. */
void child_routine(struct demo *demo, const struct child *child);
/* One balloon check; amounts in hundredths. */
void balloon_checked(struct demo *demo, const struct child *child, int64_t at_ms, int32_t withdrawn_ml,
                     int32_t filled_ml, const char *look, const char *fluid);
/* A look at a site with nothing wrong; the caller may add fields before line_end. */
void site_checked_begin(struct demo *demo, const struct child *child, int64_t at_ms);
void site_checked_well(struct demo *demo, const struct child *child, int64_t at_ms);
void spares_counted(struct demo *demo, const struct child *child, int64_t at_ms, int count);

/* --- scenes (scenes.c and the files of its rows) ------------------------------------------------------------------------------- */

struct scene {
    uint32_t number; /* the child it happens to */
    const char *what;
    void (*shape)(struct demo *demo, struct child *child);      /* before arrival; may be NULL */
    void (*play)(struct demo *demo, const struct child *child); /* after the routine; may be NULL */
};
extern const struct scene device_scenes[], balloon_scenes[], site_scenes[], home_scenes[]; /* end with number 0 */

void scenes_shape(struct demo *demo, struct child *child);
void scenes_play(struct demo *demo, const struct child *child);
/* A stoma that young, with its first device. */
void shape_young(struct demo *demo, struct child *child, int32_t stoma_age_days);
void shape_jejunal(struct child *child);
/* Policy and recall. */
void caseload_events(struct demo *demo, int64_t first_ms);

#endif
