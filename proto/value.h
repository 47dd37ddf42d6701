/*
 * value.h - what a field holds once it is decoded, and how fields are described.
 *
 * What always holds: a value points into the bytes it was decoded from and owns nothing.
 */
#ifndef PROTO_VALUE_H
#define PROTO_VALUE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "proto/errors.h"
#include "proto/kinds_table.h"
#include "proto/names_table.h"
#include "proto/policy_table.h"

struct proto_slice {
    const char *data; /* not NUL-terminated; NULL when empty */
    uint32_t size;
};

struct proto_id {
    uint8_t bytes[PROTO_ID_BYTES];
};

enum proto_type {
    PROTO_TYPE_BOOL,
    PROTO_TYPE_INT,
    PROTO_TYPE_AMOUNT, /* n in hundredths */
    PROTO_TYPE_DATE,   /* n in days since 1970-01-01 */
    PROTO_TYPE_TIME,   /* n in ms since 1970-01-01T00:00Z */
    PROTO_TYPE_ID,     /* text points at the 36 characters, id at the 16 bytes */
    PROTO_TYPE_TEXT,
    PROTO_TYPE_CHOICE,      /* n is the choice's number, from 1 */
    PROTO_TYPE_CHOICES,     /* set holds bit (number - 1) for each choice */
    PROTO_TYPE_TEXTS,       /* n entries, read with proto_list_text */
    PROTO_TYPE_IDENTIFIERS, /* [{system, value}]     n entries, read with proto_list_record */
    PROTO_TYPE_CONTACTS,    /* [{role, name, phone}] */
    PROTO_TYPE_USES,        /* [{item, per_day}]     per_day in hundredths */
    PROTO_TYPE_PAUSES,      /* [[from, to]]          two dates */
    PROTO_TYPE_VALUES,      /* {policy name: value}  set holds bit (policy); read with proto_list_policy */
    PROTO_TYPE_EVENTS,      /* methods only */
    PROTO_TYPE_NAMES,       /* methods only: a list of choices (set) or of free names (texts) */
    PROTO_TYPE_CURSOR,      /* methods only: {log, seq, chain}, read with proto_value_position */
    PROTO_TYPE_KEPT,        /* methods only: events between nodes; n entries, read with proto_list_kept */
    PROTO_TYPE_IDS          /* methods only: n entries, read with proto_list_id */
};

struct proto_value {
    bool present;
    uint8_t type;            /* enum proto_type */
    int64_t n;               /* see enum proto_type; lists: number of entries */
    uint64_t set;            /* CHOICES, NAMES with choices: bit (choice - 1) */
    struct proto_slice text; /* TEXT, ID */
    struct proto_id id;      /* ID */
    const void *object;      /* lists: the decoded msgpack object, opaque outside proto/ */
};

/* One field as declared; made from kinds_table.h and methods_table.h. */
struct proto_field {
    const char *name;
    enum proto_type type;
    bool required;
    const char *unit;
    int64_t min, max;
    const char *choices; /* name of the list, or NULL */
    const char *help;
    uint8_t name_size; /* length of `name` */
    uint8_t list;      /* number of the list `choices` inside tables.c, 0: none */
};

enum proto_scope { PROTO_SCOPE_CHILD, PROTO_SCOPE_STOMA, PROTO_SCOPE_TEAM };

struct proto_kind_info {
    const char *name;
    enum proto_rank rank;
    enum proto_scope scope;
    const char *help;
    const struct proto_field *fields;
    uint32_t field_count;
};

struct proto_policy_info {
    const char *name, *unit;
    int64_t min, max, fallback; /* hundredths; `fallback` is the default */
    const char *basis, *help;
};

/* Tables. Arguments out of range abort (our own mistake); `find` answers the UNKNOWN/NONE value. All are pure, any thread. */
const struct proto_kind_info *proto_kind_get(enum proto_kind kind);
enum proto_kind proto_kind_find(struct proto_slice name);
const struct proto_policy_info *proto_policy_get(enum proto_policy policy);
enum proto_policy proto_policy_find(struct proto_slice name);
const char *proto_task_name(enum proto_task task);
const char *proto_task_title(enum proto_task task);
bool proto_task_has_kind(enum proto_task task); /* done by an event kind of its own, so `task.done` is a conflict */
bool proto_task_defers_freely(enum proto_task task);
enum proto_task proto_task_find(struct proto_slice name);
const char *proto_alert_name(enum proto_alert alert);
bool proto_alert_ends_with_device(enum proto_alert alert);
/* Whether a contact with `to` (enum proto_choice_contact_to) counts as an answer for the alert at this urgency (names_table.h). */
bool proto_alert_answered_by(enum proto_alert alert, enum proto_urgency urgency, int to);
enum proto_alert proto_alert_find(struct proto_slice name);
const char *proto_urgency_name(enum proto_urgency urgency);
const char *proto_level_name(enum proto_level level);
/* Choice lists by name: also "task", "alert", "urgency", "policy", "kind", "want" (none opened statuses), "level", "task_state" (upcoming due overdue),
 * "follow_what" (events statuses). */
uint32_t proto_choice_count(const char *list);                         /* 0: no such list */
const char *proto_choice_name(const char *list, uint32_t number);      /* NULL when out of range; numbers from 1 */
uint32_t proto_choice_find(const char *list, struct proto_slice name); /* 0: none */

/* Entries of list values. `index` below value->n, or it aborts. */
struct proto_slice proto_list_text(const struct proto_value *value, uint32_t index);
struct
    proto_record { /* IDENTIFIERS: a=system b=value; CONTACTS: a=role b=name c=phone; USES: a=item n=per_day; PAUSES: from, to */
    struct proto_slice a, b, c;
    int64_t n;
    int32_t from, to; /* days, inclusive */
};
struct proto_record proto_list_record(const struct proto_value *value, uint32_t index);
/* A place in a log (CURSOR): all three name it, so that a log that was put back to an earlier state is noticed. */
struct proto_position {
    struct proto_id log;
    uint64_t seq; /* 0: before the first event */
    uint8_t chain[PROTO_HASH_BYTES];
};
struct proto_position proto_value_position(const struct proto_value *value);
/* An event as it travels between nodes (KEPT): [flags, bytes] or [flags, bytes, received_at, receipt]. */
struct proto_kept {
    struct proto_slice bytes; /* canonical when all is well; never empty, at most PROTO_EVENT_BYTES_MAX */
    bool joined;              /* flags, bit 0: recorded in one call with the event before it in the list */
    bool has_receipt;
    int64_t received_at; /* ms, by the clock of the node that gave the receipt */
    uint8_t receipt[PROTO_RECEIPT_BYTES];
};
struct proto_kept proto_list_kept(const struct proto_value *value, uint32_t index);
struct proto_id proto_list_id(const struct proto_value *value, uint32_t index);
/* Policy value of entry `index`: name into *policy (NONE for a name of a newer version), hundredths returned. */
int64_t proto_list_policy(const struct proto_value *value, uint32_t index, enum proto_policy *policy);

static inline bool proto_slice_is(struct proto_slice s, const char *text) {
    size_t n = __builtin_strlen(text);
    return s.size == n && __builtin_memcmp(s.data ? s.data : "", text, n) == 0;
}
static inline bool proto_slice_same(struct proto_slice a, struct proto_slice b) {
    return a.size == b.size && (a.size == 0 || __builtin_memcmp(a.data, b.data, a.size) == 0);
}

#endif
