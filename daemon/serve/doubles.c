/*
 * doubles.c - children that may be registered twice: beside one child, and as a list.
 *
 * The list walks two indexes, by identifier and then by birth and label, and stops at rows that share what they are found by
 * with the row before or behind. A child is shown where it first has something in common with another that the caller may see,
 * so that it comes once, and those who look alike stand together.
 */
#include "serve/patients.h"

#include "work/patient.h"

#include <string.h>

/* What one child costs that is looked at closely, in rows of a page: its state is read, and its own row. */
#define CLOSE_LOOK_ROWS 100u
#define OTHER_ROWS 4u /* and each other that shares something with it: a row in three tables */

static bool sees_team(void *arg, uint32_t team) {
    const struct serve *serve = arg;
    return serve_team_name(serve, team).data != NULL;
}

struct work_sight serve_sight(struct serve *serve) {
    return (struct work_sight){sees_team, serve};
}

void serve_write_doubles(struct serve_request *r, const struct work_doubles *doubles) {
    struct proto_writer *w = r->w;
    proto_write_array(w, doubles->count);
    for (uint32_t i = 0; i < doubles->count; i++) {
        const struct work_double *other = &doubles->list[i];
        proto_write_map(w, other->closed ? 5 : 4);
        proto_write_text(w, "patient");
        proto_write_id(w, &other->shown);
        proto_write_text(w, "label");
        proto_write_slice(w, other->label);
        proto_write_text(w, "team");
        serve_write_team(r, other->team);
        proto_write_text(w, "why");
        proto_write_text(w, other->why == WORK_DOUBLE_IDENTIFIER ? "identifier" : "born-and-label");
        if (other->closed) {
            proto_write_text(w, "closed");
            proto_write_bool(w, true);
        }
    }
}

/* ---- the list ----------------------------------------------------------------------------------- */

enum { PHASE_IDENTIFIERS, PHASE_BIRTHS };

struct walk {
    struct serve_request *r;
    const struct serve_patient_query *query;
    struct serve_page *page;
    uint8_t phase;
    /* The row before the one in hand: looked at once it is known whether the next one is like it. */
    uint8_t key[STORE_KEY_BYTES_MAX];
    size_t size; /* 0: none */
    bool waits;  /* still to be looked at */
    bool alike;  /* like the row before it */
};

static bool is_alike(const struct walk *walk, struct store_bytes key) {
    return walk->size == key.size && memcmp(walk->key, key.data, key.size - PROTO_ID_BYTES) == 0;
}

static bool label_begins(const struct proto_value *find, struct proto_slice label) {
    char wanted[PROTO_TEXT_SHORT_MAX + 4], folded[PROTO_TEXT_SHORT_MAX + 4];
    if (!find->present)
        return true;
    work_label_fold(find->text, wanted);
    work_label_fold(label, folded);
    return strncmp(folded, wanted, strlen(wanted)) == 0;
}

/* An identifier is a value of any system, or system:value. */
static bool is_known_by(const struct care_profile *profile, const struct proto_value *identifier) {
    struct proto_slice text = identifier->text;
    for (uint32_t i = 0; identifier->present && i < profile->identifier_count; i++) {
        const char *system = profile->identifiers[i].system, *value = profile->identifiers[i].value;
        size_t size = strlen(system);
        if (proto_slice_is(text, value))
            return true;
        if (text.size > size && text.data[size] == ':' && memcmp(text.data, system, size) == 0 &&
            proto_slice_is((struct proto_slice){text.data + size + 1, text.size - (uint32_t)size - 1}, value))
            return true;
    }
    return !identifier->present;
}

/* Whether this row is the first that makes the child look like another. */
static bool is_first(const struct walk *walk, const struct work_doubles *doubles) {
    uint8_t why = walk->phase == PHASE_IDENTIFIERS ? WORK_DOUBLE_IDENTIFIER : WORK_DOUBLE_BORN_AND_LABEL;
    return doubles->count > 0 && doubles->list[0].why == why && doubles->likeness_size == walk->size - PROTO_ID_BYTES &&
           memcmp(doubles->likeness, walk->key, doubles->likeness_size) == 0;
}

static enum proto_error look_closely(struct walk *walk) {
    struct serve_request *r = walk->r;
    struct work_sight sight = serve_sight(r->serve);
    struct care_state *state = &r->serve->child->state;
    struct proto_id root;
    struct work_patient patient;
    struct work_level_row row;
    struct work_doubles doubles;
    memcpy(root.bytes, walk->key + walk->size - PROTO_ID_BYTES, PROTO_ID_BYTES);
    enum proto_error error = work_patient_find(r->txn, &root, &patient);
    if (error == PROTO_OK)
        error = serve_read_level(r, patient.team, &root, walk->query->now, &row);
    if (error != PROTO_OK || !serve_patient_fits(r, walk->query, &row) || !label_begins(walk->query->find, row.label))
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    walk->page->looked_at += CLOSE_LOOK_ROWS;
    error = work_doubles_read(r->txn, &root, state, &sight, &doubles);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    walk->page->looked_at += OTHER_ROWS * doubles.looked_at;
    if (is_first(walk, &doubles) && is_known_by(&state->profile, walk->query->identifier)) {
        serve_write_patient(r, &row, &doubles);
        walk->page->rows++;
    }
    return PROTO_OK;
}

/* The row that waits, now that it is known whether it is like another. False: the page is full. */
static bool judge(struct walk *walk, bool next_alike, enum proto_error *error) {
    if (!walk->waits)
        return true;
    if (!serve_page_has_room(walk->r, walk->page))
        return false;
    serve_page_look(walk->page, (struct store_bytes){walk->key, walk->size});
    walk->page->token.phase = walk->phase;
    walk->waits = false;
    if (walk->alike || next_alike)
        *error = look_closely(walk);
    return true;
}

static enum proto_error walk_index(struct walk *walk, enum store_table table, const struct serve_token *position) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    bool room = true;
    walk->size = 0;
    walk->waits = false;
    enum proto_error error = serve_begin_scan(walk->r, table, NULL, 0, position, &scan);
    if (error == PROTO_OK && position) {
        walk->size = position->position_size;
        memcpy(walk->key, position->position, walk->size);
    }
    while (room && error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        if (key.size <= PROTO_ID_BYTES || key.size > sizeof walk->key) {
            error = PROTO_CORRUPT;
            break;
        }
        bool alike = is_alike(walk, key);
        room = judge(walk, alike, &error);
        if (!room || error != PROTO_OK)
            break;
        memcpy(walk->key, key.data, key.size);
        walk->size = key.size;
        walk->waits = true;
        walk->alike = alike;
    }
    store_scan_end(scan);
    if (error == PROTO_NOT_FOUND) {
        error = PROTO_OK;
        (void)judge(walk, false, &error);
    }
    return error;
}

enum proto_error serve_rows_by_doubles(struct serve_request *r, const struct serve_patient_query *query,
                                       struct serve_page *page, const struct serve_token *position) {
    static const enum store_table tables[] = {[PHASE_IDENTIFIERS] = STORE_IDENTIFIERS, [PHASE_BIRTHS] = STORE_BORN};
    struct walk walk = {.r = r, .query = query, .page = page};
    enum proto_error error = PROTO_OK;
    walk.phase = position && position->phase == PHASE_BIRTHS ? PHASE_BIRTHS : PHASE_IDENTIFIERS;
    for (; walk.phase <= PHASE_BIRTHS && error == PROTO_OK && !page->more; walk.phase++)
        error = walk_index(&walk, tables[walk.phase], position && position->phase == walk.phase ? position : NULL);
    return error;
}
