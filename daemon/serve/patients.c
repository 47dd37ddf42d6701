/*
 * patients.c - `patients` and `devices`: who is on the caseload, and who has which device.
 */
#include "serve/patients.h"

#include "proto/lots.h"
#include "work/patient.h"

#include <string.h>

/* ---- patients --------------------------------------------------------------------------------------
 * Those that look like another: doubles.c. With an identifier: by system, value, child. With a team and no `find`: by child, in the order of registration. Else by label. */

void serve_write_patient(struct serve_request *r, const struct work_level_row *row,
                         const struct work_doubles *doubles) {
    struct proto_writer *w = r->w;
    proto_write_map(w, 5u + row->closed + (doubles != NULL));
    proto_write_text(w, "patient");
    proto_write_id(w, &row->shown);
    proto_write_text(w, "label");
    proto_write_slice(w, row->label);
    proto_write_text(w, "team");
    serve_write_team(r, row->team);
    proto_write_text(w, "born");
    proto_write_date(w, row->born_day);
    proto_write_text(w, "level");
    proto_write_text(w, proto_level_name((enum proto_level)row->level));
    if (row->closed) {
        proto_write_text(w, "closed");
        proto_write_bool(w, true);
    }
    if (doubles) {
        proto_write_text(w, "doubles");
        serve_write_doubles(r, doubles);
    }
}

bool serve_patient_fits(const struct serve_request *r, const struct serve_patient_query *query,
                        const struct work_level_row *row) {
    if (query->level && row->level != query->level)
        return false;
    if (query->team->present && row->team != query->team_number)
        return false;
    return serve_team_name(r->serve, row->team).data != NULL; /* else out of the caller's scope */
}

static void take_patient_row(struct serve_request *r, const struct serve_patient_query *query, struct serve_page *page,
                             const struct work_level_row *row) {
    if (!serve_patient_fits(r, query, row))
        return;
    serve_write_patient(r, row, NULL);
    page->rows++;
}

enum proto_error serve_read_level(struct serve_request *r, uint32_t team, const struct proto_id *root, int64_t now,
                                  struct work_level_row *row) {
    uint8_t key[4 + PROTO_ID_BYTES];
    struct store_bytes value;
    size_t size = serve_key_id(key, serve_key_u32(key, 0, team), root);
    enum proto_error error = store_get(r->txn, STORE_LEVELS, key, size, &value);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    return work_level_row_read((struct store_bytes){key, size}, value, now, row);
}

static enum proto_error position_fault(struct serve_request *r) {
    return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                           "`after` is not a token that a page of this list gave.");
}

enum proto_error serve_begin_scan(struct serve_request *r, enum store_table table, const uint8_t *prefix,
                                  size_t prefix_size, const struct serve_token *position, struct store_scan **scan) {
    uint8_t from[STORE_KEY_BYTES_MAX + 1];
    size_t size = prefix_size;
    if (prefix_size)
        memcpy(from, prefix, prefix_size);
    if (position) {
        if (position->position_size < prefix_size || position->position_size >= STORE_KEY_BYTES_MAX ||
            (prefix_size && memcmp(position->position, prefix, prefix_size) != 0))
            return position_fault(r);
        memcpy(from, position->position, position->position_size);
        from[position->position_size] = 0;
        size = position->position_size + 1;
    }
    return store_scan_begin(r->txn, table, prefix, prefix_size, from, size, false, scan);
}

/* By label: the row names the team, the level row has the rest. */
static enum proto_error rows_by_label(struct serve_request *r, const struct serve_patient_query *query,
                                      struct serve_page *page, const struct serve_token *position) {
    char folded[PROTO_TEXT_SHORT_MAX + 4] = "";
    const struct proto_value *find = query->find;
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_level_row row;
    if (find->present)
        work_label_fold(find->text, folded);
    enum proto_error error =
        serve_begin_scan(r, STORE_LABELS, (const uint8_t *)folded, strlen(folded), position, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct proto_id root;
        if (!serve_page_has_room(r, page))
            break;
        if (key.size < PROTO_ID_BYTES || value.size != 5) {
            error = PROTO_CORRUPT;
            break;
        }
        serve_page_look(page, key);
        memcpy(root.bytes, key.data + key.size - PROTO_ID_BYTES, PROTO_ID_BYTES);
        uint32_t team = serve_key_get_u32(value.data + 1);
        if (query->team->present && team != query->team_number)
            continue;
        error = serve_read_level(r, team, &root, query->now, &row);
        if (error == PROTO_OK)
            take_patient_row(r, query, page, &row);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error rows_by_team(struct serve_request *r, const struct serve_patient_query *query,
                                     struct serve_page *page, const struct serve_token *position) {
    uint8_t prefix[4];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_level_row row;
    (void)serve_key_u32(prefix, 0, query->team_number);
    enum proto_error error = serve_begin_scan(r, STORE_LEVELS, prefix, sizeof prefix, position, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        if (!serve_page_has_room(r, page))
            break;
        serve_page_look(page, key);
        error = work_level_row_read(key, value, query->now, &row);
        if (error == PROTO_OK)
            take_patient_row(r, query, page, &row);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* The child of an identifier row. Its team is the one that its rows lie under; none when its registration was withdrawn. */
static enum proto_error take_root(struct serve_request *r, const struct serve_patient_query *query,
                                  struct serve_page *page, const struct proto_id *root) {
    struct work_level_row row;
    struct work_patient patient;
    enum proto_error error = work_patient_find(r->txn, root, &patient);
    if (error == PROTO_OK)
        error = serve_read_level(r, patient.team, root, query->now, &row);
    if (error == PROTO_OK)
        take_patient_row(r, query, page, &row);
    return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
}

/* Which of the two things that an identifier can mean a row was found by. */
enum { IDENTIFIER_VALUE, IDENTIFIER_SYSTEM_AND_VALUE };

/* Rows of one system and value, from the first or behind a position. */
static enum proto_error rows_of_identifier(struct serve_request *r, const struct serve_patient_query *query,
                                           struct serve_page *page, struct proto_slice system, struct proto_slice text,
                                           uint8_t phase, const struct serve_token *position) {
    uint8_t prefix[2 * (PROTO_TEXT_SHORT_MAX + 1)];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    size_t size = serve_key_text(prefix, serve_key_text(prefix, 0, system), text);
    enum proto_error error = serve_begin_scan(r, STORE_IDENTIFIERS, prefix, size, position, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        struct proto_id root;
        if (key.size != size + PROTO_ID_BYTES)
            continue;
        if (!serve_page_has_room(r, page))
            break;
        serve_page_look(page, key);
        page->token.phase = phase;
        memcpy(root.bytes, key.data + size, PROTO_ID_BYTES);
        error = take_root(r, query, page, &root);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Rows of one system: those whose value is the text, then those of the value behind "system:". */
static enum proto_error rows_of_system(struct serve_request *r, const struct serve_patient_query *query,
                                       struct serve_page *page, struct proto_slice system,
                                       const struct serve_token *position) {
    struct proto_slice text = query->identifier->text;
    enum proto_error error = PROTO_OK;
    bool named = text.size > system.size + 1 && text.data[system.size] == ':' &&
                 (system.size == 0 || memcmp(text.data, system.data, system.size) == 0);
    if (!position || position->phase == IDENTIFIER_VALUE)
        error = rows_of_identifier(r, query, page, system, text, IDENTIFIER_VALUE, position);
    if (error != PROTO_OK || !named || page->more)
        return error;
    text = (struct proto_slice){text.data + system.size + 1, text.size - system.size - 1};
    return rows_of_identifier(r, query, page, system, text, IDENTIFIER_SYSTEM_AND_VALUE,
                              position && position->phase == IDENTIFIER_SYSTEM_AND_VALUE ? position : NULL);
}

/* The next system at or behind `from`, by a leap over all its values; its name in *system. */
static enum proto_error next_system(struct serve_request *r, const uint8_t *from, size_t from_size,
                                    struct proto_slice *system, uint8_t kept[STORE_KEY_BYTES_MAX]) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    enum proto_error error = store_scan_begin(r->txn, STORE_IDENTIFIERS, NULL, 0, from, from_size, false, &scan);
    if (error == PROTO_OK)
        error = store_scan_next(scan, &key, &value);
    if (error == PROTO_OK) {
        const uint8_t *end = memchr(key.data, 0, key.size);
        size_t size = end ? (size_t)(end - key.data) : key.size;
        memcpy(kept, key.data, size);
        *system = (struct proto_slice){(const char *)kept, (uint32_t)size};
    }
    store_scan_end(scan);
    return error;
}

/* An identifier is a value of any system, or system:value. There are few systems: each is looked at in turn, from the position's on. */
static enum proto_error rows_by_identifier(struct serve_request *r, const struct serve_patient_query *query,
                                           struct serve_page *page, const struct serve_token *position) {
    struct proto_slice system = {0};
    uint8_t kept[STORE_KEY_BYTES_MAX], from[STORE_KEY_BYTES_MAX + 1] = {0};
    size_t from_size = 0, left_off_size = 0;
    enum proto_error error = PROTO_OK;
    if (position) {
        const uint8_t *end = memchr(position->position, 0, position->position_size);
        if (!end)
            return position_fault(r);
        left_off_size = (size_t)(end - position->position);
        from_size = left_off_size + 1;
        memcpy(from, position->position, from_size);
    }
    while (!page->more && (error = next_system(r, from, from_size, &system, kept)) == PROTO_OK) {
        bool goes_on = position && system.size == left_off_size &&
                       (left_off_size == 0 || memcmp(system.data, position->position, left_off_size) == 0);
        error = rows_of_system(r, query, page, system, goes_on ? position : NULL);
        if (error != PROTO_OK)
            return error;
        memcpy(from, kept, system.size);
        from[system.size] = 1; /* behind every value of this system */
        from_size = system.size + 1;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error serve_patients(struct serve_request *r) {
    struct serve_page page = {0};
    bool goes_on = false;
    const struct proto_value *level = SERVE_VALUE(r, patients, level);
    struct serve_patient_query query = {
        .find = SERVE_VALUE(r, patients, find),
        .identifier = SERVE_VALUE(r, patients, identifier),
        .team = SERVE_VALUE(r, patients, team),
        .level = level->present ? (uint64_t)level->n : 0,
    };
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, patients, after), &page.token, &goes_on);
    if (error == PROTO_OK)
        error = serve_teams_load(r, NULL);
    if (error == PROTO_OK && query.team->present)
        error = serve_team_number(r, query.team->text, &query.team_number);
    if (error != PROTO_OK)
        return error;
    if (!goes_on)
        page.token.now = r->now;
    query.now = page.token.now;
    struct serve_token position = page.token;
    serve_page_begin(r, &page, SERVE_VALUE(r, patients, limit));
    if (SERVE_VALUE(r, patients, doubles)->present)
        error = serve_rows_by_doubles(r, &query, &page, goes_on ? &position : NULL);
    else if (query.identifier->present)
        error = rows_by_identifier(r, &query, &page, goes_on ? &position : NULL);
    else if (query.team->present && !query.find->present)
        error = rows_by_team(r, &query, &page, goes_on ? &position : NULL);
    else
        error = rows_by_label(r, &query, &page, goes_on ? &position : NULL);
    serve_page_end(r, &page);
    return error;
}

/* ---- devices ------------------------------------------------------------------------------------------
 * With a lot: the index of lots, which also has devices that are out just now. Else devices in place, next change first; those whose change
 * is not planned stand at the beginning. */

/* The key of a pair that is only there when it is known. */
static bool write_key(struct proto_writer *w, const char *name, bool known, uint32_t *pairs) {
    if (known) {
        ++*pairs;
        proto_write_text(w, name);
    }
    return known;
}

static void write_choice(struct proto_writer *w, const char *name, const char *list, uint32_t number, uint32_t *pairs) {
    if (write_key(w, name, number != 0, pairs))
        proto_write_text(w, proto_choice_name(list, number));
}

static void write_text(struct proto_writer *w, const char *name, struct proto_slice text, uint32_t *pairs) {
    if (write_key(w, name, text.size != 0, pairs))
        proto_write_slice(w, text);
}

static void write_amount(struct proto_writer *w, const char *name, int32_t hundredths, uint32_t *pairs) {
    if (write_key(w, name, hundredths != 0, pairs))
        proto_write_amount(w, hundredths);
}

static void write_date(struct proto_writer *w, const char *name, int32_t day, uint32_t *pairs) {
    if (write_key(w, name, day != 0, pairs))
        proto_write_date(w, day);
}

static void write_device_row(struct serve_request *r, const struct work_device_row *row) {
    struct proto_writer *w = r->w;
    uint32_t pairs = 4;
    size_t mark = proto_write_map_begin(w);
    proto_write_text(w, "patient");
    proto_write_id(w, &row->shown);
    proto_write_text(w, "label");
    proto_write_slice(w, row->label);
    proto_write_text(w, "team");
    serve_write_team(r, row->team);
    write_choice(w, "stoma", "stoma", row->stoma, &pairs);
    write_choice(w, "retention", "retention", row->retention, &pairs);
    write_choice(w, "profile", "profile", row->profile, &pairs);
    write_choice(w, "tip", "tip", row->tip, &pairs);
    write_amount(w, "french_fr", row->french_fr, &pairs);
    write_amount(w, "length_mm", row->length_mm, &pairs);
    write_amount(w, "balloon_ml", row->balloon_ml, &pairs);
    proto_write_text(w, "placed_at");
    proto_write_int(w, row->placed_at);
    write_date(w, "change_due_on", row->change_due_day, &pairs);
    write_date(w, "change_by_on", row->change_by_day, &pairs);
    write_text(w, "gtin", row->gtin, &pairs);
    write_text(w, "lot", row->lot, &pairs);
    write_text(w, "serial", row->serial, &pairs);
    proto_write_map_end(w, mark, pairs);
}

static bool text_fits(const struct proto_value *wanted, struct proto_slice text) {
    return !wanted->present || proto_slice_same(wanted->text, text);
}

static bool lot_fits(const struct proto_value *wanted, struct proto_slice lot) {
    return !wanted->present || proto_lot_same(wanted->text, lot);
}

static bool gtin_fits(const struct proto_value *wanted, struct proto_slice gtin) {
    return !wanted->present || proto_gtin_same(wanted->text, gtin);
}

static bool choice_fits(const struct proto_value *wanted, uint8_t number) {
    return !wanted->present || wanted->n == number;
}

static void take_device_row(struct serve_request *r, struct serve_page *page, const struct work_device_row *row) {
    const struct proto_value *change_before = SERVE_VALUE(r, devices, change_before);
    if (!lot_fits(SERVE_VALUE(r, devices, lot), row->lot) || !gtin_fits(SERVE_VALUE(r, devices, gtin), row->gtin) ||
        !text_fits(SERVE_VALUE(r, devices, serial), row->serial) ||
        !choice_fits(SERVE_VALUE(r, devices, retention), row->retention) ||
        !choice_fits(SERVE_VALUE(r, devices, tip), row->tip))
        return;
    if (change_before->present && (row->change_due_day == 0 || row->change_due_day >= change_before->n))
        return;
    if (!serve_team_name(r->serve, row->team).data)
        return;
    write_device_row(r, row);
    page->rows++;
}

static enum proto_error devices_by_lot(struct serve_request *r, struct serve_page *page,
                                       const struct serve_token *position) {
    uint8_t prefix[1 + PROTO_LOT_FOLDED_BYTES];
    char folded[PROTO_LOT_FOLDED_BYTES];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_device_row row;
    uint8_t what = 0;
    proto_lot_fold(SERVE_VALUE(r, devices, lot)->text, folded);
    size_t size = serve_key_text(prefix, serve_key_u8(prefix, 0, WORK_LOT_DEVICE), proto_slice_of(folded));
    enum proto_error error = serve_begin_scan(r, STORE_LOTS, prefix, size, position, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        if (!serve_page_has_room(r, page))
            break;
        serve_page_look(page, key);
        error = work_lot_row_read(key, value, &what, &row);
        if (error == PROTO_OK)
            take_device_row(r, page, &row);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error devices_by_change(struct serve_request *r, struct serve_page *page,
                                          const struct serve_token *position) {
    const struct proto_value *change_before = SERVE_VALUE(r, devices, change_before);
    struct serve_merge *merge = NULL;
    struct store_bytes key, value;
    struct work_device_row row;
    enum proto_error error = serve_merge_new(r->txn, STORE_DEVICES, 4, 4, r->serve->team_count, &merge);
    for (uint32_t t = 0; t < r->serve->team_count && error == PROTO_OK; t++) {
        uint8_t prefix[4];
        (void)serve_key_u32(prefix, 0, r->serve->teams[t].number);
        error = serve_merge_add(merge, prefix, position);
    }
    if (error == PROTO_BAD_VALUE)
        (void)position_fault(r);
    while (error == PROTO_OK && (error = serve_merge_next(merge, &key, &value)) == PROTO_OK) {
        if (!serve_page_has_room(r, page))
            break;
        serve_page_look(page, key);
        error = work_device_row_read(key, value, &row);
        if (error == PROTO_OK && change_before->present && row.change_due_day >= change_before->n)
            break; /* every row behind this one is later still */
        if (error == PROTO_OK)
            take_device_row(r, page, &row);
    }
    serve_merge_free(merge);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error serve_devices(struct serve_request *r) {
    struct serve_page page = {0};
    bool goes_on = false;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, devices, after), &page.token, &goes_on);
    if (error == PROTO_OK)
        error = serve_teams_load(r, NULL);
    if (error != PROTO_OK)
        return error;
    if (!goes_on)
        page.token.now = r->now;
    struct serve_token position = page.token;
    serve_page_begin(r, &page, SERVE_VALUE(r, devices, limit));
    if (SERVE_VALUE(r, devices, lot)->present)
        error = devices_by_lot(r, &page, goes_on ? &position : NULL);
    else
        error = devices_by_change(r, &page, goes_on ? &position : NULL);
    serve_page_end(r, &page);
    return error;
}
