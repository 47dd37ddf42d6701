/*
 * feed.c - see feed.h. Registrations, moves and merges are few: whenever one comes, or one is taken back, who is where is
 * worked out anew from all of them.
 */
#include "work/feed.h"

#include <assert.h>
#include <stdlib.h>

#include "proto/ids.h"
#include "work/inside.h"

#define FORMAT 1

void work_feed_init(struct work_feed *feed, const struct work_teams *teams, const struct work_voids *voids) {
    *feed = (struct work_feed){.teams = teams, .voids = voids};
}

void work_feed_free(struct work_feed *feed) {
    free(feed->members);
    free(feed->before);
    free(feed->facts);
    free(feed->said);
    free(feed->judging);
    free(feed->sorted);
    *feed = (struct work_feed){0};
}

/* --- members ------------------------------------------------------------------------------------------- */

static uint32_t member_of(struct work_feed *feed, const struct proto_id *id, uint64_t seq) {
    for (uint32_t i = feed->member_count; i > 0; i--)
        if (work_id_same(&feed->members[i - 1].id, id))
            return i - 1;
    WORK_ARRAY_ROOM(feed->members, feed->member_count, feed->member_cap);
    struct work_feed_member *member = &feed->members[feed->member_count];
    memset(member, 0, sizeof *member);
    member->id = *id;
    member->since = seq;
    member->class_parent = member->super_parent = feed->member_count;
    member->teams.count = 1;
    return feed->member_count++;
}

static uint32_t class_root(struct work_feed *feed, uint32_t at) {
    while (feed->members[at].class_parent != at)
        at = feed->members[at].class_parent = feed->members[feed->members[at].class_parent].class_parent;
    return at;
}

static uint32_t super_root(struct work_feed *feed, uint32_t at) {
    while (feed->members[at].super_parent != at)
        at = feed->members[at].super_parent = feed->members[feed->members[at].super_parent].super_parent;
    return at;
}

void work_feed_know_members(struct work_feed *feed, const struct proto_id *members, uint32_t count) {
    assert(feed->member_count == 0);
    for (uint32_t i = 0; i < count; i++) {
        uint32_t member = member_of(feed, &members[i], 0);
        feed->members[member].super_parent = 0;
    }
    feed->fixed = count;
}

/* --- facts ----------------------------------------------------------------------------------------------- */

static bool names_team(const struct work_event *event) {
    return event->kind == PROTO_KIND_patient_registered || event->kind == PROTO_KIND_patient_moved;
}

static bool is_merge(const struct work_event *event) {
    return event->kind == PROTO_KIND_patient_merged && event->has_target &&
           !work_id_same(&event->target, &event->patient);
}

bool work_feed_concerns(const struct work_event *event) {
    return names_team(event) || is_merge(event) || work_event_voids(event);
}

static void add_fact(struct work_feed *feed, const struct work_event *event) {
    if (names_team(event) ? !event->team[0] : !is_merge(event))
        return;
    uint32_t member = member_of(feed, &event->patient, event->seq), into = member;
    if (is_merge(event)) {
        into = member_of(feed, &event->target, event->seq);
        feed->members[super_root(feed, into)].super_parent = super_root(feed, member);
    }
    WORK_ARRAY_ROOM(feed->facts, feed->fact_count, feed->fact_cap);
    struct work_feed_fact *fact = &feed->facts[feed->fact_count++];
    *fact = (struct work_feed_fact){.id = event->id,
                                    .replaces = event->replaces,
                                    .place = event->place,
                                    .at = event->at,
                                    .kind = event->kind,
                                    .rank = event->rank,
                                    .has_replaces = event->has_replaces,
                                    .ahead = event->at - PROTO_FUTURE_MS_MAX > event->received_at,
                                    .member = member,
                                    .into = into};
    memcpy(fact->team, event->team, sizeof fact->team);
}

static bool is_fact(const struct work_feed *feed, const struct proto_id *id) {
    for (uint32_t i = 0; i < feed->fact_count; i++)
        if (work_id_same(&feed->facts[i].id, id))
            return true;
    return false;
}

static struct care_void void_of(const struct work_void *row) {
    return (struct care_void){.target = row->target,
                              .by_event = row->by_event,
                              .at = row->at,
                              .rank = row->rank,
                              .kind = row->kind,
                              .replacement = row->type == WORK_VOID_REPLACEMENT,
                              .grave = row->grave};
}

static void add_said(struct work_feed *feed, const struct work_void *row, uint32_t member) {
    WORK_ARRAY_ROOM(feed->said, feed->said_count, feed->said_cap);
    feed->said[feed->said_count++] = (struct work_feed_void){void_of(row), member};
}

void work_feed_know(struct work_feed *feed, const struct work_event *event) {
    add_fact(feed, event);
}

void work_feed_know_void(struct work_feed *feed, const struct work_void *row) {
    if (row->type != WORK_VOID_CONFIRMATION) /* none of the facts needs a second person to be taken back */
        add_said(feed, row, 0);
}

/* Adds what the event voids; true when that is one of the facts. */
static bool add_void(struct work_feed *feed, const struct work_event *event, uint32_t member) {
    if (!work_event_voids(event))
        return false;
    for (uint32_t i = feed->voids->count; i > 0; i--) {
        const struct work_void *row = &feed->voids->list[i - 1];
        if (row->type == WORK_VOID_CONFIRMATION || !work_id_same(&row->by_event, &event->id))
            continue;
        add_said(feed, row, member);
        return is_fact(feed, &row->target);
    }
    return false;
}

/* --- who is where ------------------------------------------------------------------------------------------ */

/* As care/ judges it, over what was said for records of the same super class. */
static bool counts(struct work_feed *feed, const struct work_feed_fact *fact) {
    uint32_t count = 0, root = super_root(feed, fact->member);
    struct proto_event event;
    if (feed->said_count == 0)
        return true;
    if (feed->judging_cap < feed->said_count) {
        feed->judging_cap = feed->said_cap;
        feed->judging = work_grow(feed->judging, sizeof *feed->judging * feed->judging_cap);
    }
    for (uint32_t i = 0; i < feed->said_count; i++)
        if (super_root(feed, feed->said[i].member) == root)
            feed->judging[count++] = feed->said[i].say;
    memset(&event, 0, sizeof event);
    event.id = fact->id;
    event.kind = (enum proto_kind)fact->kind;
    event.at = fact->at;
    event.has_replaces = fact->has_replaces;
    event.replaces = fact->replaces;
    return care_event_counts(&event, (struct care_target){0}, feed->judging, count); /* none of these kinds is grave */
}

static void join_classes(struct work_feed *feed) {
    for (uint32_t i = 0; i < feed->member_count; i++)
        feed->members[i].class_parent = i < feed->fixed ? 0 : i;
    for (uint32_t i = 0; i < feed->fact_count; i++) {
        const struct work_feed_fact *fact = &feed->facts[i];
        if (fact->kind == PROTO_KIND_patient_merged && counts(feed, fact))
            feed->members[class_root(feed, fact->into)].class_parent = class_root(feed, fact->member);
    }
}

static void add_team(struct work_feed_teams *teams, const char *name) {
    for (uint32_t i = 0; i < teams->count; i++)
        if (strcmp(teams->names[i], name) == 0)
            return;
    if (teams->count < WORK_FEED_TEAMS_MAX)
        memcpy(teams->names[teams->count++], name, sizeof teams->names[0]);
}

static int by_place(const void *a, const void *b) {
    const struct work_feed_fact *const *x = a, *const *y = b;
    return work_place_compare(&(*x)->place, &(*y)->place);
}

/* The teams of one class: the last that names one, and those dated ahead behind it. */
static void place_class(struct work_feed *feed, uint32_t root, struct work_feed_fact **list, uint32_t count) {
    struct work_feed_teams teams = {0};
    uint32_t last = 0;
    qsort(list, count, sizeof *list, by_place);
    for (uint32_t i = 0; i < count; i++)
        if (!list[i]->ahead)
            last = i;
    for (uint32_t i = last; i < count; i++) /* with none but such ahead: all of them */
        add_team(&teams, list[i]->team);
    if (count == 0)
        teams.count = 1;
    for (uint32_t i = 0; i < feed->member_count; i++)
        if (class_root(feed, i) == root)
            feed->members[i].teams = teams;
}

void work_feed_settle(struct work_feed *feed) {
    struct work_feed_fact **list = work_alloc(sizeof *list * (feed->fact_count + 1));
    bool *counting = work_alloc(sizeof *counting * (feed->fact_count + 1));
    join_classes(feed);
    for (uint32_t i = 0; i < feed->fact_count; i++)
        counting[i] = feed->facts[i].kind != PROTO_KIND_patient_merged && counts(feed, &feed->facts[i]);
    for (uint32_t root = 0; root < feed->member_count; root++) {
        uint32_t count = 0;
        if (class_root(feed, root) != root)
            continue;
        for (uint32_t i = 0; i < feed->fact_count; i++)
            if (counting[i] && class_root(feed, feed->facts[i].member) == root)
                list[count++] = &feed->facts[i];
        place_class(feed, root, list, count);
    }
    free(list);
    free(counting);
}

bool work_feed_only(const struct work_feed *feed, const struct proto_id *id, const char *team) {
    for (uint32_t i = 0; i < feed->member_count; i++)
        if (work_id_same(&feed->members[i].id, id))
            return feed->members[i].teams.count == 1 && strcmp(feed->members[i].teams.names[0], team) == 0;
    return *team == '\0';
}

void work_feed_flag(const struct work_feed *feed, struct work_classes *classes, const struct work_class *class,
                    const char *team) {
    bool apart = !work_feed_only(feed, &class->root, team);
    for (uint32_t m = 0; m < class->member_count; m++) {
        uint8_t *flags = &classes->flags[class->first_member + m];
        *flags = (uint8_t)((*flags & ~WORK_PATIENT_APART) | (apart ? WORK_PATIENT_APART : 0));
    }
}

/* --- rows ------------------------------------------------------------------------------------------------------ */

void work_feed_key(uint32_t team, uint64_t seq, uint8_t out[WORK_FEED_KEY_BYTES]) {
    work_put_u32(out, team);
    work_put_u64(out + 4, seq);
}

static void begin_row(uint32_t team, uint64_t seq, struct work_rows *rows) {
    uint8_t key[WORK_FEED_KEY_BYTES];
    work_feed_key(team, seq, key);
    work_rows_begin(rows, STORE_FEED);
    work_buffer_add(&rows->bytes, key, sizeof key);
    work_rows_value(rows);
    work_add_u8(&rows->bytes, FORMAT);
}

void work_feed_row(uint32_t team, uint64_t seq, struct work_rows *rows) {
    begin_row(team, seq, rows);
    work_rows_end(rows);
}

static bool is_in(const struct work_feed_teams *teams, const char *name) {
    for (uint32_t i = 0; i < teams->count; i++)
        if (strcmp(teams->names[i], name) == 0)
            return true;
    return false;
}

static bool moves(const struct work_feed *feed, uint32_t member, const char *team, enum work_feed_what what,
                  uint64_t seq) {
    bool was = is_in(&feed->before[member], team), is = is_in(&feed->members[member].teams, team);
    if (what == WORK_FEED_LEFT)
        return was && !is && feed->members[member].since != seq;
    return is && !was && feed->members[member].since != seq;
}

/* The record with the smallest id above `after` that moves so; member_count when there is none. */
static uint32_t next_moved(const struct work_feed *feed, const char *team, enum work_feed_what what, uint64_t seq,
                           const struct proto_id *after) {
    uint32_t next = feed->member_count;
    for (uint32_t i = 0; i < feed->member_count; i++) {
        const struct proto_id *id = &feed->members[i].id;
        if ((!after || proto_id_compare(id, after) > 0) && moves(feed, i, team, what, seq) &&
            (next == feed->member_count || proto_id_compare(id, &feed->members[next].id) < 0))
            next = i;
    }
    return next;
}

static enum proto_error add_marks(const struct work_feed *feed, const char *team, enum work_feed_what what,
                                  uint64_t seq, struct work_buffer *out) {
    uint16_t count = 0;
    for (uint32_t i = 0; i < feed->member_count; i++)
        count = (uint16_t)(count + moves(feed, i, team, what, seq));
    work_add_u16(out, count);
    const struct proto_id *last = NULL;
    for (uint32_t i; (i = next_moved(feed, team, what, seq, last)) < feed->member_count; last = &feed->members[i].id) {
        const struct work_feed_teams *others = what == WORK_FEED_LEFT ? &feed->members[i].teams : &feed->before[i];
        work_add_id(out, &feed->members[i].id);
        work_add_u8(out, (uint8_t)others->count);
        for (uint32_t t = 0; t < others->count; t++) {
            uint32_t number = 0;
            if (!work_teams_find(feed->teams, others->names[t], &number))
                return PROTO_CORRUPT;
            work_add_u32(out, number);
        }
    }
    return PROTO_OK;
}

static enum proto_error team_row(const struct work_feed *feed, const char *team, uint64_t seq, bool moved,
                                 struct work_rows *rows) {
    uint32_t number = 0;
    enum proto_error error = PROTO_OK;
    bool marks = false;
    if (!work_teams_find(feed->teams, team, &number))
        return PROTO_CORRUPT;
    for (uint32_t i = 0; moved && i < feed->member_count; i++)
        marks |= moves(feed, i, team, WORK_FEED_ARRIVED, seq) || moves(feed, i, team, WORK_FEED_LEFT, seq);
    begin_row(number, seq, rows);
    if (marks)
        error = add_marks(feed, team, WORK_FEED_ARRIVED, seq, &rows->bytes);
    if (marks && error == PROTO_OK)
        error = add_marks(feed, team, WORK_FEED_LEFT, seq, &rows->bytes);
    work_rows_end(rows);
    return error;
}

struct named_teams {
    uint32_t count, cap;
    const char **names;
};

static void name_team(struct named_teams *named, const char *team) {
    for (uint32_t i = 0; i < named->count; i++)
        if (strcmp(named->names[i], team) == 0)
            return;
    WORK_ARRAY_ROOM(named->names, named->count, named->cap);
    named->names[named->count++] = team;
}

/* The teams of a record before and after; of one that is not the event's own only those it leaves or comes into. */
static void name_teams(const struct work_feed *feed, uint32_t member, bool own, uint64_t seq,
                       struct named_teams *named) {
    const struct work_feed_teams *is = &feed->members[member].teams, *was = &feed->before[member];
    for (uint32_t t = 0; t < is->count; t++)
        if (own || moves(feed, member, is->names[t], WORK_FEED_ARRIVED, seq))
            name_team(named, is->names[t]);
    if (feed->members[member].since == seq)
        return; /* it was nowhere before */
    for (uint32_t t = 0; t < was->count; t++)
        if (own || moves(feed, member, was->names[t], WORK_FEED_LEFT, seq))
            name_team(named, was->names[t]);
}

static enum proto_error add_rows(const struct work_feed *feed, uint32_t member, uint64_t seq, bool moved,
                                 struct work_rows *rows) {
    struct named_teams named = {0};
    enum proto_error error = PROTO_OK;
    const struct work_feed_teams *stays = &feed->members[member].teams;
    for (uint32_t t = 0; !moved && t < stays->count; t++)
        name_team(&named, stays->names[t]);
    for (uint32_t i = 0; moved && i < feed->member_count; i++)
        name_teams(feed, i, i == member, seq, &named);
    for (uint32_t i = 0; i < named.count && error == PROTO_OK; i++)
        error = team_row(feed, named.names[i], seq, moved, rows);
    free(named.names);
    return error;
}

static void keep_before(struct work_feed *feed) {
    if (feed->before_cap < feed->member_count) {
        feed->before_cap = feed->member_cap;
        feed->before = work_grow(feed->before, sizeof *feed->before * feed->before_cap);
    }
    for (uint32_t i = 0; i < feed->member_count; i++)
        feed->before[i] = feed->members[i].teams;
}

enum proto_error work_feed_add(struct work_feed *feed, const struct work_event *event, struct work_rows *rows) {
    uint32_t member = member_of(feed, &event->patient, event->seq), facts = feed->fact_count;
    add_fact(feed, event);
    bool moved = add_void(feed, event, member) || feed->fact_count > facts;
    if (moved) {
        keep_before(feed);
        work_feed_settle(feed);
    }
    return rows ? add_rows(feed, member, event->seq, moved, rows) : PROTO_OK;
}

static int by_seq(const void *a, const void *b) {
    const struct work_event *const *x = a, *const *y = b;
    return ((*x)->seq > (*y)->seq) - ((*x)->seq < (*y)->seq);
}

enum proto_error work_feed_all(struct work_feed *feed, struct work_event **events, uint32_t count, uint64_t first,
                               struct work_rows *rows) {
    enum proto_error error = PROTO_OK;
    assert(!feed->sorted);
    feed->sorted = work_alloc(sizeof(struct work_event *) * (count + 1));
    memcpy(feed->sorted, events, sizeof(struct work_event *) * count);
    qsort(feed->sorted, count, sizeof(struct work_event *), by_seq);
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++)
        error = work_feed_add(feed, feed->sorted[i], feed->sorted[i]->seq >= first ? rows : NULL);
    return error;
}

/* --- reading ------------------------------------------------------------------------------------------------------ */

static bool read_mark(struct work_reader *v, struct work_feed_mark *out) {
    out->record = work_take_id(v);
    out->team_count = work_take_u8(v);
    if (out->team_count > WORK_FEED_TEAMS_MAX)
        return false;
    for (uint32_t t = 0; t < out->team_count; t++)
        out->teams[t] = work_take_u32(v);
    return !v->bad;
}

/* *at counts the marks that were read; they are found again by walking, since they are few. */
enum proto_error work_feed_next_mark(struct store_bytes value, size_t *at, struct work_feed_mark *out) {
    struct work_reader v = work_reader_of(value);
    size_t index = 0;
    if (work_take_u8(&v) != FORMAT)
        return PROTO_CORRUPT;
    if (work_reader_left(&v) == 0)
        return PROTO_NOT_FOUND;
    for (int what = WORK_FEED_ARRIVED; what <= WORK_FEED_LEFT; what++) {
        uint16_t count = work_take_u16(&v);
        for (uint16_t i = 0; i < count; i++) {
            if (!read_mark(&v, out))
                return PROTO_CORRUPT;
            if (index++ < *at)
                continue;
            out->what = (enum work_feed_what)what;
            *at = index;
            return PROTO_OK;
        }
    }
    return v.bad || work_reader_left(&v) ? PROTO_CORRUPT : PROTO_NOT_FOUND;
}
