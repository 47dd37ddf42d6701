/*
 * coder.h - values to bytes and back by one description: each field is named once, and the same line writes and reads it.
 *
 * Internal to care/. The bytes are a stream of fields. A field costs one
 * presence bit; only a field that is not zero has bytes of its own. Presence
 * bits stand in groups of eight, most significant first, each group in a byte
 * just before the first bytes of its fields. Numbers are in groups of seven
 * bits, most significant first, high bit set on all but the last ("number");
 * signed ones are folded first (0 -1 1 -2 2 ... = 0 1 2 3 4 ..., "signed").
 * A fact (time and event) is written once: later it is the number of its first place.
 *
 * What always holds: the first error sticks and nothing is read or written
 * after it; reading accepts only what writing makes, so bytes and value are one to one.
 */
#ifndef CARE_CODER_H
#define CARE_CODER_H

#include "care/facts.h"

#define CARE_CODER_FACTS 1024
#define CARE_DAY_FAR 90000 /* 2216: no date of an event, nor what follows from one, lies further from 1970 */

struct care_coder {
    bool writing;
    uint8_t *out;      /* writing */
    const uint8_t *in; /* reading */
    size_t size, at;
    uint8_t format; /* of the value that is read; writing: the newest. For whoever knows of several */
    enum proto_error error;
    size_t group_at;    /* byte of the open group of presence bits */
    uint8_t group_left; /* presence bits left in it */
    uint8_t group_bits; /* reading: its bits */
    uint32_t fact_count;
    struct care_fact facts[CARE_CODER_FACTS];
    uint16_t slots[2 * CARE_CODER_FACTS]; /* writing: 1 + index of a fact, by hash */
};

void care_coder_write(struct care_coder *c, uint8_t *out, size_t cap);
void care_coder_read(struct care_coder *c, const uint8_t *in, size_t size);
/* The open group ends: what follows starts a new one. Needed once, at the end of a part. */
void care_coder_flush(struct care_coder *c);

/* One presence bit: writing, stores `present`; reading, answers what is stored. */
bool care_code_present(struct care_coder *c, bool present);
void care_code_bool(struct care_coder *c, bool *value);
void care_code_u8(struct care_coder *c, uint8_t *value, uint32_t most);
void care_code_u16(struct care_coder *c, uint16_t *value, uint32_t most);
void care_code_u32(struct care_coder *c, uint32_t *value, uint32_t most);
void care_code_set(struct care_coder *c, uint64_t *value);
void care_code_i32(struct care_coder *c, int32_t *value);
void care_code_i64(struct care_coder *c, int64_t *value);
/* A date; 0 is not given. */
void care_code_day(struct care_coder *c, int32_t *day);
/* A date or number with a value of its own for "not given" (INT32_MIN, INT64_MAX, ...): that one costs the bit alone. */
void care_code_day_or(struct care_coder *c, int32_t *day, int32_t absent);
void care_code_i64_or(struct care_coder *c, int64_t *value, int64_t absent);
/* An instant; 0 is not given. */
void care_code_time(struct care_coder *c, int64_t *at);
void care_code_text(struct care_coder *c, char *text, size_t cap);
void care_code_id(struct care_coder *c, struct proto_id *id);
void care_code_fact(struct care_coder *c, struct care_fact *fact);
/* The same for what a row rests on: one that is not there is refused when reading. */
void care_code_row_fact(struct care_coder *c, struct care_fact *fact);
/* An id that may come again: whole the first time, then the number of its place. Never zero. */
void care_code_known_id(struct care_coder *c, struct proto_id *id);
/* An instant near another; 0 is not given. */
void care_code_near(struct care_coder *c, int64_t *at, int64_t base);

#endif
