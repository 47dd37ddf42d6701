/*
 * patient.c - `patient` and `history`: one child, as it stands or stood, and what was recorded.
 */
#include "serve/edits.h"
#include "serve/patients.h"

#include "proto/ids.h"

#include <string.h>

/* ---- patient ----------------------------------------------------------------------------------- */

/* A rendered map: number of its pairs, and where they begin. */
static bool open_map(const uint8_t *bytes, size_t size, uint32_t *pairs, size_t *begin) {
    if (size >= 1 && (bytes[0] & 0xf0) == 0x80) {
        *pairs = bytes[0] & 0x0f;
        *begin = 1;
        return true;
    }
    if (size >= 3 && bytes[0] == 0xde) {
        *pairs = (uint32_t)bytes[1] << 8 | bytes[2];
        *begin = 3;
        return true;
    }
    return false;
}

/* Others that look like the child, as both are now. */
static enum proto_error write_doubles(struct serve_request *r) {
    const struct work_child *child = r->serve->child;
    struct work_sight sight = serve_sight(r->serve);
    struct work_doubles doubles;
    enum proto_error error = serve_teams_load(r, NULL);
    if (error == PROTO_OK)
        error = work_doubles_find(r->txn, &child->root, &child->state, &sight, &doubles);
    if (error != PROTO_OK)
        return error;
    proto_write_text(r->w, "doubles");
    serve_write_doubles(r, &doubles);
    return PROTO_OK;
}

/* The status is a function of events, context and moment alone; what is said beside it is of this node. */
static enum proto_error write_status(struct serve_request *r, int64_t at, bool is_now) {
    const struct work_child *child = r->serve->child;
    struct proto_writer status;
    struct work_progress progress;
    uint32_t pairs = 0;
    size_t begin = 0;
    proto_writer_init(&status, r->serve->status, PROTO_STATUS_BYTES_MAX);
    care_render_status(&status, &child->shown, &child->state, &child->schedule, &child->context, at);
    if (status.error != PROTO_OK || !open_map(status.bytes, status.size, &pairs, &begin))
        return PROTO_INTERNAL;
    bool settling = serve_settling(r, &progress);
    proto_write_map(r->w, pairs + 4 + settling + child->other_rules + is_now);
    proto_write_raw(r->w, status.bytes + begin, status.size - begin);
    proto_write_text(r->w, "seq");
    proto_write_int(r->w, (int64_t)store_txn_seq(r->txn));
    proto_write_text(r->w, "at");
    proto_write_int(r->w, at);
    proto_write_text(r->w, "rules_version");
    proto_write_int(r->w, CARE_RULES_VERSION);
    proto_write_text(r->w, "zone_data");
    proto_write_text(r->w, r->serve->options.zones->version);
    if (settling)
        serve_write_settling(r->w, &progress);
    if (child->other_rules) { /* today's rules or zone data differ from those in use then */
        proto_write_text(r->w, "other_rules");
        proto_write_bool(r->w, true);
    }
    return is_now ? write_doubles(r) : PROTO_OK;
}

/* False when the child is in a team beyond the caller's scope. */
static enum proto_error check_scope(struct serve_request *r) {
    struct work_who who;
    serve_who(r->session, &who);
    for (uint32_t i = 0; !who.all_teams && i < who.team_count; i++)
        if (strcmp(who.teams[i], r->serve->child->schedule.team) == 0)
            return PROTO_OK;
    return who.all_teams ? PROTO_OK : PROTO_UNKNOWN_PATIENT;
}

enum proto_error serve_patient(struct serve_request *r) {
    const struct proto_value *patient = SERVE_VALUE(r, patient, patient);
    const struct proto_value *at = SERVE_VALUE(r, patient, at), *known_at = SERVE_VALUE(r, patient, known_at);
    struct work *work = r->serve->options.work;
    enum proto_error error;
    bool then = at->present || known_at->present;
    if (then)
        error = work_child_get_then(work, r->txn, &patient->id, at->present ? at->n : INT64_MAX,
                                    known_at->present ? known_at->n : INT64_MAX, r->now, r->serve->child);
    else
        error = work_child_get(work, r->txn, &patient->id, r->now, r->serve->child);
    if (error == PROTO_OK)
        error = check_scope(r);
    if (error == PROTO_UNKNOWN_PATIENT)
        return proto_fault_set(&r->fault, error, "patient", "%s",
                               then ? "No child on this caseload is known by that, or none was known then."
                                    : proto_error_sentence(error));
    return error == PROTO_OK ? write_status(r, at->present ? at->n : r->now, !then) : error;
}

/* ---- history ------------------------------------------------------------------------------------- */

#define VOIDS_MAX 4096u

static bool void_is_later(const struct care_void *a, const struct care_void *b) {
    if (a->at != b->at)
        return a->at > b->at;
    return a->rank != b->rank ? a->rank > b->rank : proto_id_compare(&a->by_event, &b->by_event) > 0;
}

/* The event that voids this one or, for a replacement that lost, the one that won; NULL when nothing speaks against it. */
static const struct care_void *void_of(const struct proto_event *event, const struct care_void *voids, uint32_t count) {
    const struct care_void *found = NULL;
    for (uint32_t i = 0; i < count; i++) {
        bool aims_at_it = proto_id_compare(&voids[i].target, &event->id) == 0;
        bool competes = event->has_replaces && voids[i].replacement &&
                        proto_id_compare(&voids[i].target, &event->replaces) == 0 &&
                        proto_id_compare(&voids[i].by_event, &event->id) != 0;
        if (voids[i].replacement && voids[i].kind != event->kind)
            continue; /* it takes the place of nothing but its own kind */
        if ((aims_at_it || competes) && (!found || void_is_later(&voids[i], found)))
            found = &voids[i];
    }
    return found;
}

/* What the rows of one answer are judged by. */
struct history {
    struct care_void *voids;
    uint32_t void_count;
    struct serve_edits edits;
};

static void write_outdone(struct proto_writer *w, const struct proto_event *event, uint32_t outdone) {
    const struct proto_kind_info *kind = proto_kind_get(event->kind);
    proto_write_text(w, "outdone");
    proto_write_array(w, (uint32_t)__builtin_popcount(outdone));
    for (uint32_t f = 0; f < kind->field_count; f++)
        if (outdone >> f & 1)
            proto_write_text(w, kind->fields[f].name);
}

static void write_history_row(struct serve_request *r, const struct store_event *stored,
                              const struct proto_event *event, struct care_target target, const struct history *history,
                              uint32_t outdone) {
    struct proto_writer *w = r->w;
    const struct care_void *voids = history->voids;
    uint32_t void_count = history->void_count;
    bool counts = care_event_counts(event, target, voids, void_count);
    const struct care_void *against = void_of(event, voids, void_count);
    bool waits = counts && against && care_event_grave(event) && !against->confirmed &&
                 proto_id_compare(&against->target, &event->id) == 0;
    bool itself_waits = !counts && care_event_waits(event, target, voids, void_count);
    bool came_through = !proto_id_is_zero(&stored->via);
    proto_write_event(w, event, 3u + came_through + (!counts && against) + waits + itself_waits + (outdone != 0));
    proto_write_text(w, "seq");
    proto_write_int(w, (int64_t)stored->seq);
    proto_write_text(w, "received_at");
    proto_write_int(w, stored->received_at);
    if (came_through) {
        proto_write_text(w, "via");
        proto_write_id(w, &stored->via);
    }
    proto_write_text(w, "withdrawn");
    proto_write_bool(w, !counts);
    if (itself_waits) { /* it leaves out something grave that it replaces: a second person confirms it */
        proto_write_text(w, "waits");
        proto_write_bool(w, true);
    }
    if (!counts && against) {
        proto_write_text(w, "withdrawn_by");
        proto_write_id(w, &against->by_event);
    }
    if (waits) { /* for a second person, who confirms this withdrawal */
        proto_write_text(w, "withdrawal_waits");
        proto_write_id(w, &against->by_event);
    }
    if (outdone)
        write_outdone(w, event, outdone);
}

static enum proto_error read_event(struct serve_request *r, uint64_t seq, struct store_event *stored,
                                   struct proto_event *event) {
    enum proto_error error = store_read_event(r->txn, seq, stored);
    if (error != PROTO_OK)
        return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
    if (stored->body.size == 0)
        return PROTO_NOT_FOUND; /* it has just left */
    proto_arena_clear(r->serve->arena);
    return proto_event_decode(stored->body.data, stored->body.size, r->serve->arena, event);
}

/* What a replacement names, when it is held and of the child that is shown. */
static enum proto_error find_target(struct serve_request *r, const struct proto_id *id, struct care_target *out) {
    uint64_t seq = 0;
    struct store_event stored;
    struct proto_event event;
    struct proto_id root;
    enum proto_error error = store_read_find(r->txn, id, &seq);
    if (error == PROTO_OK && seq > store_txn_seq(r->txn))
        error = PROTO_NOT_FOUND;
    if (error == PROTO_OK)
        error = read_event(r, seq, &stored, &event);
    if (error == PROTO_OK && !event.has_patient)
        error = PROTO_NOT_FOUND;
    if (error == PROTO_OK)
        error = work_root_find(r->txn, &event.patient, &root);
    if (error == PROTO_OK && proto_id_compare(&root, &r->serve->child->root) == 0)
        *out = care_target_of(&event);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* ---- edits that were outdone ---- */

#define EDITS_LOOKED_AT_MAX 2000u /* newer than a page; nobody's record was revised so often by hand */

/* An edit that counts, and whose time has come, is what the older ones are judged by. */
static bool edit_holds(const struct serve_request *r, const struct history *history, const struct proto_event *event) {
    struct care_target nothing_grave = {0}; /* no edit is */
    return event->at <= r->now && care_event_counts(event, nothing_grave, history->voids, history->void_count);
}

static enum proto_error note_edit(struct serve_request *r, struct history *history,
                                  const struct work_history_row *row) {
    struct store_event stored;
    struct proto_event event;
    enum proto_error error = read_event(r, row->seq, &stored, &event);
    if (error == PROTO_OK && serve_edit_is((uint16_t)event.kind) && edit_holds(r, history, &event))
        serve_edits_add(&history->edits, &event);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Every edit that is newer than the page, which begins below the key `from`. */
static enum proto_error note_newer_edits(struct serve_request *r, struct history *history, const struct proto_id *root,
                                         const uint8_t *from, size_t from_size) {
    uint8_t newest[64];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    uint32_t looked_at = 0, edits = 0;
    size_t size = work_history_key(root, INT64_MAX, newest);
    enum proto_error error =
        store_scan_begin(r->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, newest, size, true, &scan);
    while (error == PROTO_OK && looked_at++ < SERVE_ROWS_LOOKED_AT_MAX && edits < EDITS_LOOKED_AT_MAX &&
           (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        int order = memcmp(key.data, from, key.size < from_size ? key.size : from_size);
        if (order < 0 || (order == 0 && key.size < from_size))
            break;
        error = work_history_row_read(key, value, &row);
        if (error != PROTO_OK || !serve_edit_is(row.kind))
            continue;
        edits++;
        error = note_edit(r, history, &row);
    }
    store_scan_end(scan);
    history->edits.begun = true;
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* ---- rows ---- */

static enum proto_error take_history_row(struct serve_request *r, const struct work_history_row *row,
                                         struct history *history) {
    struct store_event stored;
    struct proto_event event;
    struct care_target target = {0};
    uint32_t outdone = 0;
    enum proto_error error = read_event(r, row->seq, &stored, &event);
    if (error == PROTO_OK && event.has_replaces) {
        struct proto_id id = event.replaces;
        error = find_target(r, &id, &target);
        if (error == PROTO_OK) /* the arena held the other one */
            error = read_event(r, row->seq, &stored, &event);
    }
    if (error == PROTO_OK && serve_edit_is((uint16_t)event.kind) && edit_holds(r, history, &event)) {
        outdone = serve_edits_judge(&history->edits, &event);
        serve_edits_add(&history->edits, &event);
    }
    if (error == PROTO_OK)
        write_history_row(r, &stored, &event, target, history, outdone);
    return error;
}

static bool is_wanted(const struct proto_value *kinds, uint16_t kind) {
    return !kinds->present || !kinds->set || (kind != 0 && (kinds->set >> (kind - 1) & 1) != 0);
}

static enum proto_error history_rows(struct serve_request *r, const struct proto_id *root, struct serve_page *page,
                                     const struct serve_token *position, struct history *history) {
    const struct proto_value *before = SERVE_VALUE(r, history, before), *kinds = SERVE_VALUE(r, history, kinds);
    bool edits = is_wanted(kinds, PROTO_KIND_patient_registered) || is_wanted(kinds, PROTO_KIND_patient_revised);
    uint8_t from[64];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    size_t size = work_history_key(root, before->present ? before->n : INT64_MAX, from);
    if (position) { /* backwards: the first key before the last row */
        if (position->position_size > sizeof from || position->position_size < PROTO_ID_BYTES ||
            memcmp(position->position, root->bytes, PROTO_ID_BYTES) != 0)
            return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                                   "`after` is not a token that a page of this list gave.");
        size = position->position_size;
        memcpy(from, position->position, size);
    }
    enum proto_error error =
        store_scan_begin(r->txn, STORE_HISTORY, root->bytes, PROTO_ID_BYTES, from, size, true, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        if (!serve_page_has_room(r, page))
            break;
        serve_page_look(page, key);
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK && edits && serve_edit_is(row.kind) && !history->edits.begun)
            error = note_newer_edits(r, history, root, from, size);
        if (error != PROTO_OK)
            continue;
        if (is_wanted(kinds, row.kind)) {
            error = take_history_row(r, &row, history);
            page->rows++;
        } else if (edits && serve_edit_is(row.kind)) {
            error = note_edit(r, history, &row);
        }
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error serve_history(struct serve_request *r) {
    static struct care_void voids[VOIDS_MAX]; /* the loop's thread only */
    struct history history = {.voids = voids};
    const struct proto_value *patient = SERVE_VALUE(r, history, patient);
    struct serve_page page = {0};
    uint32_t void_count = 0;
    bool goes_on = false;
    enum proto_error error = serve_token_read(r, SERVE_VALUE(r, history, after), &page.token, &goes_on);
    if (error == PROTO_OK)
        error = work_child_get(r->serve->options.work, r->txn, &patient->id, r->now, r->serve->child);
    if (error == PROTO_OK)
        error = check_scope(r);
    if (error == PROTO_UNKNOWN_PATIENT)
        return proto_fault_set(&r->fault, error, "patient", "%s", proto_error_sentence(error));
    if (error == PROTO_OK)
        error = work_voids_read(r->txn, &patient->id, voids, VOIDS_MAX, &void_count);
    if (error != PROTO_OK)
        return error;
    history.void_count = void_count < VOIDS_MAX ? void_count : VOIDS_MAX;
    if (!goes_on)
        page.token.now = r->now;
    struct serve_token position = page.token;
    struct proto_id root = r->serve->child->root;
    serve_page_begin(r, &page, SERVE_VALUE(r, history, limit));
    error = history_rows(r, &root, &page, goes_on ? &position : NULL, &history);
    serve_page_end(r, &page);
    return error;
}
