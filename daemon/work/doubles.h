/*
 * doubles.h - likely double registrations: two children on record, joined by no merge, that look like one.
 *
 * Two look like one when both are registered and share an identifier (the same value of the same system), or were born on one
 * day and have the same label but for capitals and spaces.
 *
 * What always holds: it reads the view and changes nothing; it is a hint for a person, and says nothing of children whose team
 * the person may not see; what it costs is bounded, whatever was recorded.
 */
#ifndef WORK_DOUBLES_H
#define WORK_DOUBLES_H

#include "care/care.h"
#include "store/store.h"

#define WORK_DOUBLES_MAX 16 /* that are told of one child: a number that stands for "not known" may be shared by many */
#define WORK_DOUBLES_LOOKED_AT_MAX 256 /* others with one identifier, or of one birth and label */
/* Of a row of STORE_IDENTIFIERS or STORE_BORN, without the child's id. */
#define WORK_LIKENESS_BYTES_MAX ((size_t)2 * (PROTO_TEXT_SHORT_MAX + 4))

enum work_double_why { WORK_DOUBLE_IDENTIFIER = 1, WORK_DOUBLE_BORN_AND_LABEL };

struct work_double {
    struct proto_id root, shown;
    uint32_t team;
    uint8_t why;                /* enum work_double_why; IDENTIFIER when both hold */
    bool closed;                /* it has left the caseload */
    const char *system, *value; /* IDENTIFIER: the first that is shared; in the state that was handed in */
    struct proto_slice label;   /* in the transaction */
};

struct work_doubles {
    uint32_t count;     /* those by identifier first */
    uint32_t looked_at; /* rows: what the answer cost */
    struct work_double list[WORK_DOUBLES_MAX];
    /* What the first shares with the child: the beginning of both rows in STORE_IDENTIFIERS or, when it is none by identifier, STORE_BORN. */
    uint8_t likeness[WORK_LIKENESS_BYTES_MAX];
    size_t likeness_size;
};

/* Which teams are looked at. */
struct work_sight {
    bool (*sees)(void *arg, uint32_t team); /* never asked about 0, children in no team */
    void *arg;
};

/* Those that look like the child whose class has this root and this state; none for one that is not registered. CORRUPT. */
enum proto_error work_doubles_find(struct store_txn *txn, const struct proto_id *root, const struct care_state *state,
                                   const struct work_sight *sight, struct work_doubles *out) PROTO_MUST_CHECK;
/* The same with the state as it is stored, read into *state. NOT_FOUND when there is none. */
enum proto_error work_doubles_read(struct store_txn *txn, const struct proto_id *root, struct care_state *state,
                                   const struct work_sight *sight, struct work_doubles *out) PROTO_MUST_CHECK;

#endif
