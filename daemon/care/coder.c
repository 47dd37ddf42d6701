/*
 * coder.c - the few forms that every stored value is made of.
 */
#include "care/coder.h"

#include <assert.h>
#include <string.h>

/* The facts themselves are left as they are: none is looked at before it was put there. */
static void begin(struct care_coder *c, uint8_t *out, const uint8_t *in, size_t size) {
    c->writing = out != NULL;
    c->out = out;
    c->in = in;
    c->size = size;
    c->at = 0;
    c->format = 0;
    c->error = PROTO_OK;
    c->group_at = 0;
    c->group_left = c->group_bits = 0;
    c->fact_count = 0;
}

void care_coder_write(struct care_coder *c, uint8_t *out, size_t cap) {
    assert(out);
    begin(c, out, NULL, cap);
    memset(c->slots, 0, sizeof c->slots);
}

void care_coder_read(struct care_coder *c, const uint8_t *in, size_t size) {
    begin(c, NULL, in, size);
}

static void fail(struct care_coder *c) {
    if (c->error == PROTO_OK)
        c->error = c->writing ? PROTO_TOO_LARGE : PROTO_CORRUPT;
}

static void put(struct care_coder *c, uint8_t byte) {
    assert(c->writing);
    if (c->error != PROTO_OK || c->at == c->size)
        fail(c);
    else
        c->out[c->at++] = byte;
}

static uint8_t get(struct care_coder *c) {
    assert(!c->writing);
    if (c->error != PROTO_OK || c->at == c->size) {
        fail(c);
        return 0;
    }
    return c->in[c->at++];
}

void care_coder_flush(struct care_coder *c) {
    if (!c->writing && c->group_left > 0 && (c->group_bits & ((1u << c->group_left) - 1u)) != 0)
        fail(c); /* bits that no field asked for */
    c->group_left = 0;
}

bool care_code_present(struct care_coder *c, bool present) {
    if (c->error != PROTO_OK)
        return false;
    if (c->group_left == 0) {
        c->group_at = c->at;
        c->group_left = 8;
        if (c->writing)
            put(c, 0);
        else
            c->group_bits = get(c);
        if (c->error != PROTO_OK)
            return false;
    }
    c->group_left--;
    uint8_t bit = (uint8_t)(1u << c->group_left);
    if (!c->writing)
        return c->group_bits & bit;
    if (present)
        c->out[c->group_at] |= bit;
    return present;
}

static void put_number(struct care_coder *c, uint64_t n) {
    int shift = 63;
    while (shift > 0 && (n >> shift) == 0)
        shift -= 7;
    for (; shift > 0; shift -= 7)
        put(c, (uint8_t)(0x80u | ((n >> shift) & 0x7fu)));
    put(c, (uint8_t)(n & 0x7fu));
}

static uint64_t get_number(struct care_coder *c) {
    uint64_t n = 0;
    for (int i = 0; i < 10; i++) {
        uint8_t byte = get(c);
        if ((i == 0 && byte == 0x80) || n > UINT64_MAX >> 7) { /* not the shortest form, or too large */
            fail(c);
            return 0;
        }
        n = n << 7 | (byte & 0x7fu);
        if (!(byte & 0x80u))
            return n;
    }
    fail(c);
    return 0;
}

static uint64_t fold(int64_t n) {
    return ((uint64_t)n << 1) ^ (n < 0 ? UINT64_MAX : 0);
}

static int64_t unfold(uint64_t n) {
    return (int64_t)(n >> 1) ^ -(int64_t)(n & 1);
}

/* A number that is not zero, at most `most`. */
static uint64_t code_number(struct care_coder *c, uint64_t value, uint64_t most) {
    if (!care_code_present(c, value != 0))
        return 0;
    if (c->writing) {
        put_number(c, value);
        return value;
    }
    uint64_t n = get_number(c);
    if (n == 0 || n > most) {
        fail(c);
        return 0;
    }
    return n;
}

/* What is written is never touched: it may be shared, or constant. */
#define KEEP_READ(c, value, n)                                                                                         \
    do {                                                                                                               \
        if (!(c)->writing)                                                                                             \
            *(value) = (n);                                                                                            \
    } while (0)

void care_code_bool(struct care_coder *c, bool *value) {
    bool n = care_code_present(c, *value);
    KEEP_READ(c, value, n);
}

void care_code_u8(struct care_coder *c, uint8_t *value, uint32_t most) {
    assert(most <= UINT8_MAX);
    uint64_t n = code_number(c, *value, most);
    KEEP_READ(c, value, (uint8_t)n);
}

void care_code_u16(struct care_coder *c, uint16_t *value, uint32_t most) {
    assert(most <= UINT16_MAX);
    uint64_t n = code_number(c, *value, most);
    KEEP_READ(c, value, (uint16_t)n);
}

void care_code_u32(struct care_coder *c, uint32_t *value, uint32_t most) {
    uint64_t n = code_number(c, *value, most);
    KEEP_READ(c, value, (uint32_t)n);
}

void care_code_set(struct care_coder *c, uint64_t *value) {
    uint64_t n = code_number(c, *value, UINT64_MAX);
    KEEP_READ(c, value, n);
}

static int64_t code_signed(struct care_coder *c, int64_t value, int64_t least, int64_t most) {
    int64_t n = unfold(code_number(c, fold(value), UINT64_MAX));
    if (!c->writing && (n < least || n > most)) {
        fail(c);
        return 0;
    }
    return n;
}

void care_code_i32(struct care_coder *c, int32_t *value) {
    int64_t n = code_signed(c, *value, INT32_MIN, INT32_MAX);
    KEEP_READ(c, value, (int32_t)n);
}

void care_code_i64(struct care_coder *c, int64_t *value) {
    int64_t n = code_signed(c, *value, INT64_MIN, INT64_MAX);
    KEEP_READ(c, value, n);
}

void care_code_day(struct care_coder *c, int32_t *day) {
    int64_t n = code_signed(c, *day, -CARE_DAY_FAR, CARE_DAY_FAR);
    KEEP_READ(c, day, (int32_t)n);
}

void care_code_time(struct care_coder *c, int64_t *at) {
    int64_t n = code_signed(c, *at, 4 * PROTO_TIME_MIN, 4 * PROTO_TIME_MAX);
    KEEP_READ(c, at, n);
}

/* A number that may be zero, behind a bit of its own. */
static int64_t code_or(struct care_coder *c, int64_t value, int64_t absent, int64_t least, int64_t most) {
    if (!care_code_present(c, value != absent))
        return absent;
    if (c->writing) {
        put_number(c, fold(value));
        return value;
    }
    int64_t n = unfold(get_number(c));
    if (n == absent || n < least || n > most)
        fail(c);
    return n;
}

void care_code_day_or(struct care_coder *c, int32_t *day, int32_t absent) {
    int64_t n = code_or(c, *day, absent, -CARE_DAY_FAR, CARE_DAY_FAR);
    KEEP_READ(c, day, c->error == PROTO_OK ? (int32_t)n : absent);
}

void care_code_i64_or(struct care_coder *c, int64_t *value, int64_t absent) {
    int64_t n = code_or(c, *value, absent, INT64_MIN, INT64_MAX);
    KEEP_READ(c, value, n);
}

void care_code_text(struct care_coder *c, char *text, size_t cap) {
    size_t size = c->writing ? strlen(text) : 0;
    assert(size < cap);
    size = (size_t)code_number(c, size, cap - 1);
    if (c->error != PROTO_OK || c->size - c->at < size) {
        if (size > 0 || c->error != PROTO_OK)
            fail(c);
        return;
    }
    if (c->writing) {
        memcpy(c->out + c->at, text, size);
    } else {
        if (size > 0 && memchr(c->in + c->at, 0, size))
            fail(c);
        memcpy(text, c->in + c->at, size);
        memset(text + size, 0, cap - size);
    }
    c->at += size;
}

static void code_bytes(struct care_coder *c, struct proto_id *id) {
    if (c->error != PROTO_OK || c->size - c->at < sizeof id->bytes) {
        fail(c);
        return;
    }
    if (c->writing)
        memcpy(c->out + c->at, id->bytes, sizeof id->bytes);
    else
        memcpy(id->bytes, c->in + c->at, sizeof id->bytes);
    c->at += sizeof id->bytes;
}

void care_code_id(struct care_coder *c, struct proto_id *id) {
    if (!care_code_present(c, !proto_id_is_zero(id))) {
        KEEP_READ(c, id, (struct proto_id){0});
        return;
    }
    code_bytes(c, id);
    if (!c->writing && proto_id_is_zero(id))
        fail(c);
}

static uint64_t load64(const uint8_t *bytes) {
    uint64_t n;
    memcpy(&n, bytes, sizeof n);
    return n;
}

/* Slot of a fact: the one that holds it, or the free one where it belongs. */
static uint16_t *find_slot(struct care_coder *c, const struct care_fact *fact) {
    const uint32_t mask = 2 * CARE_CODER_FACTS - 1;
    uint64_t hash = (load64(fact->id.bytes) ^ load64(fact->id.bytes + 8) ^ (uint64_t)fact->at) * 0x9e3779b97f4a7c15u;
    for (uint32_t i = (uint32_t)(hash >> 40) & mask;; i = (i + 1) & mask) {
        const struct care_fact *held = c->slots[i] ? &c->facts[c->slots[i] - 1] : NULL;
        if (!held || (held->at == fact->at && memcmp(&held->id, &fact->id, sizeof held->id) == 0))
            return &c->slots[i];
    }
}

/* What a version 7 id says about its time: mostly within minutes of the event's own. */
static int64_t id_time(const struct proto_id *id) {
    int64_t ms = 0;
    for (int i = 0; i < 6; i++)
        ms = ms << 8 | id->bytes[i];
    return ms;
}

/* Writes the number of a fact, and its id where it is new; true when it is new. */
static bool write_place(struct care_coder *c, const struct care_fact *fact) {
    uint16_t *slot = find_slot(c, fact);
    if (*slot) {
        put_number(c, *slot - 1u);
        return false;
    }
    assert(c->fact_count < CARE_CODER_FACTS);
    put_number(c, c->fact_count);
    struct proto_id id = fact->id;
    code_bytes(c, &id);
    c->facts[c->fact_count++] = *fact;
    *slot = (uint16_t)c->fact_count;
    return true;
}

static void write_fact(struct care_coder *c, const struct care_fact *fact) {
    if (write_place(c, fact))
        put_number(c, fold(fact->at - id_time(&fact->id)));
}

/* Reads the number of a fact, and its id where it is new; true when it is new. */
static bool read_place(struct care_coder *c, struct care_fact *fact) {
    uint64_t index = get_number(c);
    if (c->error != PROTO_OK || index > c->fact_count || index >= CARE_CODER_FACTS) {
        fail(c);
        return false;
    }
    if (index < c->fact_count) {
        *fact = c->facts[index];
        return false;
    }
    code_bytes(c, &fact->id);
    return c->error == PROTO_OK;
}

/* A new fact of which reading knows all. One that was there already is not what writing makes. */
static void keep_place(struct care_coder *c, const struct care_fact *fact) {
    for (uint32_t i = 0; i < c->fact_count; i++) {
        if (c->facts[i].at == fact->at && memcmp(&c->facts[i].id, &fact->id, sizeof fact->id) == 0)
            fail(c);
    }
    c->facts[c->fact_count++] = *fact;
}

static void read_fact(struct care_coder *c, struct care_fact *fact) {
    if (!read_place(c, fact))
        return;
    int64_t apart = unfold(get_number(c));
    if (c->error != PROTO_OK || apart < 2 * PROTO_TIME_MIN - (1LL << 48) || apart > 2 * PROTO_TIME_MAX) {
        fail(c);
        return;
    }
    fact->at = id_time(&fact->id) + apart;
    if (fact->at < PROTO_TIME_MIN || fact->at > PROTO_TIME_MAX || !care_fact_is(fact))
        fail(c);
    keep_place(c, fact);
}

void care_code_fact(struct care_coder *c, struct care_fact *fact) {
    if (!care_code_present(c, care_fact_is(fact))) {
        KEEP_READ(c, fact, (struct care_fact){0});
        return;
    }
    if (c->writing) {
        write_fact(c, fact);
        return;
    }
    *fact = (struct care_fact){0};
    read_fact(c, fact);
    if (c->error != PROTO_OK)
        *fact = (struct care_fact){0};
}

void care_code_known_id(struct care_coder *c, struct proto_id *id) {
    struct care_fact fact = {0};
    if (c->writing) {
        fact.id = *id;
        (void)write_place(c, &fact);
        return;
    }
    if (read_place(c, &fact))
        keep_place(c, &fact);
    if (fact.at != 0)
        fail(c);
    *id = fact.id;
}

void care_code_near(struct care_coder *c, int64_t *at, int64_t base) {
    if (!care_code_present(c, *at != 0)) {
        KEEP_READ(c, at, 0);
        return;
    }
    if (c->writing) {
        put_number(c, fold((int64_t)((uint64_t)*at - (uint64_t)base)));
        return;
    }
    *at = (int64_t)((uint64_t)unfold(get_number(c)) + (uint64_t)base);
    if (*at == 0)
        fail(c);
}

void care_code_row_fact(struct care_coder *c, struct care_fact *fact) {
    care_code_fact(c, fact);
    if (!c->writing && !care_fact_is(fact))
        fail(c);
}
