/*
 * feed.h - which team's feed an event belongs to, and who arrives in a team's feed or leaves it by that event.
 *
 * A feed is for those who follow the log by team: a laptop, a mirror. What it says about a seq must never change once it
 * was read, so it is a function of the log up to that seq alone: no clock, no batch, nothing that came later.
 *
 * What always holds:
 *  - a child is in the feed of the team named by its latest registration or move that counts. One dated further ahead than
 *    `record` takes (it came by sync from a clock that is far off) does not take the child away from the team it is in: it is
 *    in both until a later one settles it;
 *  - an event goes to every team its child is in before it or after it, and to every team that it moves anybody into or out of;
 *  - events of no child, policy and recalls among them, go to WORK_FEED_EVERYONE; children in no team to the team number 0;
 *  - one row for each team and seq; `arrived` names records that were known before and come in, not new ones; marks stand in
 *    the order of their ids.
 *
 * A row of STORE_FEED: 01, and when it marks anything | u16 count of arrived | those | u16 count of left | those
 *   each: id record | u8 count | so many u32 teams that it was in before (arrived) or is in after (left)
 */
#ifndef WORK_FEED_H
#define WORK_FEED_H

#include "work/patient.h"
#include "work/voids.h"

#define WORK_FEED_EVERYONE UINT32_MAX /* a team number that no team has */
#define WORK_FEED_TEAMS_MAX 8         /* that one record can be in at once */

struct work_teams;

struct work_feed_fact { /* a registration, a move, or a merge */
    struct proto_id id, replaces;
    struct work_place place;
    int64_t at;
    uint16_t kind;
    uint8_t rank;
    bool has_replaces;
    bool ahead;            /* dated further ahead of its receipt than record takes */
    uint32_t member, into; /* into: merges */
    char team[44];
};

struct work_feed_void {
    struct care_void say;
    uint32_t member; /* of the record it was written for */
};

struct work_feed_teams {
    uint32_t count; /* at least 1: the empty name is no team */
    char names[WORK_FEED_TEAMS_MAX][44];
};

struct work_feed_member {
    struct proto_id id;
    uint32_t class_parent, super_parent;
    uint64_t since; /* seq of the event that named it first */
    struct work_feed_teams teams;
};

struct work_feed {
    const struct work_teams *teams;
    const struct work_voids *voids; /* holds what every event that voids says */
    struct work_feed_member *members;
    struct work_feed_teams *before;
    uint32_t member_count, member_cap, before_cap, fixed; /* the first `fixed` are one class whatever the facts */
    struct work_feed_fact *facts;
    uint32_t fact_count, fact_cap;
    struct work_feed_void *said;
    uint32_t said_count, said_cap;
    struct care_void *judging;
    uint32_t judging_cap;
    struct work_event **sorted; /* by work_feed_all */
};

/* `voids` may grow while the feed is in use. */
void work_feed_init(struct work_feed *feed, const struct work_teams *teams, const struct work_voids *voids);
void work_feed_free(struct work_feed *feed);
/* What is stored of one class: its records, its registrations and moves, and what voids; then work_feed_settle. */
void work_feed_know_members(struct work_feed *feed, const struct proto_id *members, uint32_t count);
void work_feed_know(struct work_feed *feed, const struct work_event *event);
void work_feed_know_void(struct work_feed *feed, const struct work_void *row);
void work_feed_settle(struct work_feed *feed);
/* The next event of the super class, ascending by seq. With `rows` its feed rows. CORRUPT when a team has no number. */
enum proto_error work_feed_add(struct work_feed *feed, const struct work_event *event,
                               struct work_rows *rows) PROTO_MUST_CHECK;
/* Adds all events of a super class, in whatever order they come; rows for those from seq `first` on. */
enum proto_error work_feed_all(struct work_feed *feed, struct work_event **events, uint32_t count, uint64_t first,
                               struct work_rows *rows) PROTO_MUST_CHECK;
/* True when the record is in the feed of `team` and no other. */
bool work_feed_only(const struct work_feed *feed, const struct proto_id *id, const char *team);
/* True for what can change whose feed a child is in, as far as the event alone can tell. */
bool work_feed_concerns(const struct work_event *event);

struct work_classes;
struct work_class;
/* Notes in the class's records (classes->flags) whether they are in the feed of `team` alone. */
void work_feed_flag(const struct work_feed *feed, struct work_classes *classes, const struct work_class *class,
                    const char *team);

void work_feed_row(uint32_t team, uint64_t seq, struct work_rows *rows);

/* --- reading ------------------------------------------------------------------------------------- */

#define WORK_FEED_KEY_BYTES 12
void work_feed_key(uint32_t team, uint64_t seq, uint8_t out[WORK_FEED_KEY_BYTES]);
enum work_feed_what { WORK_FEED_ARRIVED, WORK_FEED_LEFT };
struct work_feed_mark {
    enum work_feed_what what;
    struct proto_id record;
    uint32_t team_count;
    uint32_t teams[WORK_FEED_TEAMS_MAX]; /* in before it arrived, in after it left */
};
/* The marks of a row's value, one after the other: *at is 0 at first. NOT_FOUND behind the last, CORRUPT. */
enum proto_error work_feed_next_mark(struct store_bytes value, size_t *at, struct work_feed_mark *out) PROTO_MUST_CHECK;

#endif
