/*
 * tables.h - what the rooms need not see of the tables: choice lists by number, fields of records in lists, and the
 * fields of an event's envelope. For proto/ itself and for what is generated from the tables.
 */
#ifndef PROTO_TABLES_H
#define PROTO_TABLES_H

#include "proto/value.h"

struct proto_name {
    const char *text;
    uint32_t size;
};

struct proto_list {
    const char *name;
    const struct proto_name *names;
    uint32_t count;
};

/* The list of a field's `list` number, which must not be 0. Any thread. */
const struct proto_list *proto_list_get(uint32_t number);
/* Number of the choice `name` in the list, from 1; 0: none. */
uint32_t proto_list_choice(const struct proto_list *list, struct proto_slice name);

/* Fields of one entry of a list type (identifiers, contacts, uses, pauses); NULL and 0 for every other type. A pause
 * stands on the wire as an array of its two fields, the others as maps. */
const struct proto_field *proto_record_fields(enum proto_type type, uint32_t *count);

/* Keys of an event, in canonical order: the envelope's fields, the body, and what the origin daemon stamps. */
enum proto_envelope {
    PROTO_ENVELOPE_ID,
    PROTO_ENVELOPE_KIND,
    PROTO_ENVELOPE_PATIENT,
    PROTO_ENVELOPE_AT,
    PROTO_ENVELOPE_DONE_BY,
    PROTO_ENVELOPE_SOURCE,
    PROTO_ENVELOPE_VISIT,
    PROTO_ENVELOPE_STOMA,
    PROTO_ENVELOPE_REPLACES,
    PROTO_ENVELOPE_SAME_AS,
    PROTO_ENVELOPE_COUNT, /* so many are the caller's fields */
    PROTO_KEY_BODY = PROTO_ENVELOPE_COUNT,
    PROTO_KEY_BY,
    PROTO_KEY_NODE,
    PROTO_KEY_WRITTEN_AT,
    PROTO_KEY_CLOCK_OFFSET_MS,
    PROTO_KEY_COUNT
};
/* PROTO_KEY_COUNT rows; the body's has a name only. */
const struct proto_field *proto_envelope_fields(void);

/* Name of a type as `kinds` and PROTOCOL.md write it. */
const char *proto_type_name(enum proto_type type);
const char *proto_rank_name(enum proto_rank rank);
const char *proto_scope_name(enum proto_scope scope);

/* Place of the field `name` among `count` fields, looking from `expected` on first; `count` when there is none. */
uint32_t proto_field_find(const struct proto_field *fields, uint32_t count, uint32_t expected, struct proto_slice name);

#endif
