/*
 * doubles.c - likely double registrations, found by the rows that two such children share in the indexes.
 */
#include "work/doubles.h"

#include <assert.h>

#include "proto/ids.h"
#include "work/fold.h"
#include "work/patient.h"
#include "work/rows.h"

struct likeness {
    uint8_t key[WORK_LIKENESS_BYTES_MAX];
    size_t size;
    uint32_t identifier; /* of the profile */
};

struct looking {
    struct store_txn *txn;
    const struct proto_id *root;
    const struct care_state *state;
    const struct work_sight *sight;
    char bare[PROTO_TEXT_SHORT_MAX + 4]; /* the child's label as it is compared */
    struct work_doubles *out;
};

static size_t add_text(uint8_t *key, size_t at, const char *text) {
    size_t size = strlen(text) + 1;
    memcpy(key + at, text, size);
    return at + size;
}

static int compare_likeness(const struct likeness *a, const struct likeness *b) {
    size_t size = a->size < b->size ? a->size : b->size;
    int order = memcmp(a->key, b->key, size);
    return order ? order : (a->size > b->size) - (a->size < b->size);
}

/* Identifiers of the child in the order of their keys, so that the first double is the first in the index too. */
static uint32_t list_identifiers(const struct care_profile *profile, struct likeness out[PROTO_IDENTIFIERS_MAX]) {
    static_assert(sizeof profile->identifiers[0] <= WORK_LIKENESS_BYTES_MAX, "system and value fit");
    assert(profile->identifier_count <= PROTO_IDENTIFIERS_MAX);
    for (uint32_t i = 0; i < profile->identifier_count; i++) {
        struct likeness one = {.identifier = i};
        one.size = add_text(one.key, 0, profile->identifiers[i].system);
        one.size = add_text(one.key, one.size, profile->identifiers[i].value);
        uint32_t at = i;
        for (; at > 0 && compare_likeness(&out[at - 1], &one) > 0; at--)
            out[at] = out[at - 1];
        out[at] = one;
    }
    return profile->identifier_count;
}

static struct likeness birth_of(const struct looking *l) {
    struct likeness birth = {.size = 4 + 8};
    uint8_t hash[PROTO_HASH_BYTES];
    work_put_i32(birth.key, l->state->born_day);
    proto_hash(l->bare, strlen(l->bare), hash);
    memcpy(birth.key + 4, hash, 8);
    return birth;
}

static bool is_listed(const struct work_doubles *doubles, const struct proto_id *root) {
    for (uint32_t i = 0; i < doubles->count; i++)
        if (work_id_same(&doubles->list[i].root, root))
            return true;
    return false;
}

/* What a list of children shows of the other. */
static enum proto_error read_other(struct looking *l, struct work_double *other) {
    uint8_t key[4 + PROTO_ID_BYTES];
    struct store_bytes value;
    struct work_level_row row;
    work_put_u32(key, other->team);
    memcpy(key + 4, other->root.bytes, PROTO_ID_BYTES);
    enum proto_error error = store_get(l->txn, STORE_LEVELS, key, sizeof key, &value);
    if (error == PROTO_OK)
        error = work_level_row_read((struct store_bytes){key, sizeof key}, value, 0, &row);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    other->shown = row.shown;
    other->label = row.label;
    other->closed = row.closed;
    return PROTO_OK;
}

static bool has_same_label(const struct looking *l, struct proto_slice label) {
    char bare[PROTO_TEXT_SHORT_MAX + 4];
    work_label_bare(label, bare);
    return strcmp(bare, l->bare) == 0;
}

static enum proto_error take_row(struct looking *l, const struct likeness *like, enum work_double_why why,
                                 const struct proto_id *root) {
    struct work_doubles *out = l->out;
    struct work_patient patient;
    struct work_double other = {.root = *root, .why = (uint8_t)why};
    if (work_id_same(root, l->root) || is_listed(out, root))
        return PROTO_OK;
    enum proto_error error = work_patient_find(l->txn, root, &patient);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    other.team = patient.team;
    if (other.team == 0 || !l->sight->sees(l->sight->arg, other.team))
        return PROTO_OK;
    error = read_other(l, &other);
    if (error != PROTO_OK || (why == WORK_DOUBLE_BORN_AND_LABEL && !has_same_label(l, other.label)))
        return error;
    if (why == WORK_DOUBLE_IDENTIFIER) {
        other.system = l->state->profile.identifiers[like->identifier].system;
        other.value = l->state->profile.identifiers[like->identifier].value;
    }
    if (out->count == 0) {
        memcpy(out->likeness, like->key, like->size);
        out->likeness_size = like->size;
    }
    out->list[out->count++] = other;
    return PROTO_OK;
}

/* Whether a row of STORE_IDENTIFIERS is of a child that is registered; one of STORE_BORN always is. */
static bool is_registered(enum work_double_why why, struct store_bytes value) {
    return why == WORK_DOUBLE_BORN_AND_LABEL || (value.size == 2 && value.data[1]);
}

static enum proto_error look(struct looking *l, const struct likeness *like, enum work_double_why why) {
    enum store_table table = why == WORK_DOUBLE_IDENTIFIER ? STORE_IDENTIFIERS : STORE_BORN;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    uint32_t looked_at = 0;
    enum proto_error error =
        store_scan_begin(l->txn, table, like->key, like->size, like->key, like->size, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct proto_id root;
        if (looked_at++ == WORK_DOUBLES_LOOKED_AT_MAX || l->out->count == WORK_DOUBLES_MAX)
            break;
        l->out->looked_at++;
        if (key.size != like->size + PROTO_ID_BYTES)
            error = PROTO_CORRUPT;
        if (error != PROTO_OK || !is_registered(why, value))
            continue;
        memcpy(root.bytes, key.data + like->size, PROTO_ID_BYTES);
        error = take_row(l, like, why, &root);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_doubles_find(struct store_txn *txn, const struct proto_id *root, const struct care_state *state,
                                   const struct work_sight *sight, struct work_doubles *out) {
    struct looking l = {.txn = txn, .root = root, .state = state, .sight = sight, .out = out};
    struct likeness identifiers[PROTO_IDENTIFIERS_MAX];
    enum proto_error error = PROTO_OK;
    out->count = out->looked_at = 0;
    out->likeness_size = 0;
    if (proto_id_is_zero(&state->registered.id))
        return PROTO_OK;
    const char *label = state->profile.label;
    work_label_bare((struct proto_slice){label, (uint32_t)strlen(label)}, l.bare);
    uint32_t count = list_identifiers(&state->profile, identifiers);
    for (uint32_t i = 0; i < count && error == PROTO_OK; i++)
        error = look(&l, &identifiers[i], WORK_DOUBLE_IDENTIFIER);
    if (error == PROTO_OK && l.bare[0]) {
        struct likeness birth = birth_of(&l);
        error = look(&l, &birth, WORK_DOUBLE_BORN_AND_LABEL);
    }
    return error;
}

enum proto_error work_doubles_read(struct store_txn *txn, const struct proto_id *root, struct care_state *state,
                                   const struct work_sight *sight, struct work_doubles *out) {
    struct work_state_head head;
    enum proto_error error = work_state_head_find(txn, root, &head);
    if (error == PROTO_OK)
        error = care_state_decode(head.state.data, head.state.size, state);
    return error == PROTO_OK ? work_doubles_find(txn, root, state, sight, out) : error;
}
