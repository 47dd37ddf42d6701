/*
 * apply.c - the one call to work/ in flight, and the marks of the log that the link lives by.
 *
 *   link.cursor     log id 16 | u64 seq | chain 32    the upstream's log, pulled up to here
 *   link.pushed     u64 seq                           our own log, answered up to here
 *   link.seen       log id 16 | u64 seq | chain 32    the upstream's log, which held by then all that was answered, and that came
 *   link.checked    u64 seq                           own events from here on were not asked about; 0: nor anything
 *   link.offset     i64 ms                            own clock minus the upstream's
 *   link.upstreams  ids of 16 bytes, newest last      nodes that what we hold may have come through from above
 *   link.teams      names with a line end each, sorted; "*" for all: what the cursor is good for; with "?" before them: for
 *                   nothing any more, since records came or went for other teams, until a comparison has ended
 * Numbers are big-endian.
 */
#include "link/internal.h"

#include <stdio.h>

#define CURSOR_BYTES (PROTO_ID_BYTES + 8 + PROTO_HASH_BYTES)
#define TEAMS_BYTES (16 * 45)
#define TEAMS_VOID '?'

static void put_u64(uint8_t *out, uint64_t n) {
    for (int i = 0; i < 8; i++)
        out[i] = (uint8_t)(n >> (56 - 8 * i));
}
static uint64_t get_u64(const uint8_t *bytes) {
    uint64_t n = 0;
    for (int i = 0; i < 8; i++)
        n = n << 8 | bytes[i];
    return n;
}

/* ---- what is stored ------------------------------------------------------------------------------------------------- */

static int compare_names(const void *a, const void *b) {
    return strcmp(*(const char *const *)a, *(const char *const *)b);
}

static size_t encode_teams(const struct work_scope *scope, char out[TEAMS_BYTES]) {
    const char *names[16];
    size_t size = 0;
    if (scope->all_teams) {
        out[0] = '*';
        return 1;
    }
    for (uint32_t i = 0; i < scope->team_count; i++)
        names[i] = scope->teams[i];
    qsort(names, scope->team_count, sizeof *names, compare_names);
    for (uint32_t i = 0; i < scope->team_count; i++) {
        size_t n = strlen(names[i]);
        memcpy(out + size, names[i], n);
        size += n;
        out[size++] = '\n';
    }
    return size;
}

/* False: not what encode_teams writes. */
static bool decode_teams(struct store_bytes bytes, struct link_stored *stored) {
    struct work_scope *out = &stored->teams;
    stored->teams_void = bytes.size > 0 && bytes.data[0] == TEAMS_VOID;
    size_t at = stored->teams_void;
    *out = (struct work_scope){.all_teams = bytes.size == at + 1 && bytes.data[at] == '*'};
    while (!out->all_teams && at < bytes.size) {
        const uint8_t *end = memchr(bytes.data + at, '\n', bytes.size - at);
        size_t size = end ? (size_t)(end - bytes.data) - at : 0;
        if (size == 0 || size >= sizeof out->teams[0] || out->team_count == sizeof out->teams / sizeof out->teams[0])
            return false;
        memcpy(out->teams[out->team_count], bytes.data + at, size);
        out->teams[out->team_count++][size] = '\0';
        at += size + 1;
    }
    return out->all_teams || out->team_count > 0;
}

bool link_same_scope(const struct work_scope *a, const struct work_scope *b) {
    char a_teams[TEAMS_BYTES], b_teams[TEAMS_BYTES];
    size_t a_size = encode_teams(a, a_teams), b_size = encode_teams(b, b_teams);
    return a_size == b_size && memcmp(a_teams, b_teams, a_size) == 0;
}

static void match_teams(struct link_stored *stored, const struct work_scope *scope) {
    stored->teams_match = stored->has_teams && !stored->teams_void && link_same_scope(&stored->teams, scope);
}

void link_see(struct proto_position *seen, bool *has_seen, const struct proto_position *at) {
    if (*has_seen && proto_id_compare(&seen->log, &at->log) == 0 && seen->seq >= at->seq)
        return;
    *seen = *at;
    *has_seen = true;
}

static bool read_mark(struct store_txn *txn, const char *name, size_t size, struct store_bytes *out) {
    return store_read_mark(txn, name, out) == PROTO_OK && (size == 0 || out->size == size);
}

static bool load_place(struct store_txn *txn, const char *name, struct proto_position *out) {
    struct store_bytes bytes;
    if (!read_mark(txn, name, CURSOR_BYTES, &bytes))
        return false;
    memcpy(out->log.bytes, bytes.data, PROTO_ID_BYTES);
    out->seq = get_u64(bytes.data + PROTO_ID_BYTES);
    memcpy(out->chain, bytes.data + PROTO_ID_BYTES + 8, PROTO_HASH_BYTES);
    return true;
}

enum proto_error link_load(struct link *link) {
    struct link_stored made = {0};
    struct store_txn *txn;
    struct store_bytes bytes;
    enum proto_error error = store_read_begin(link->options.store, &txn);
    if (error != PROTO_OK)
        return error;
    made.has_cursor = load_place(txn, "link.cursor", &made.cursor);
    made.has_seen = load_place(txn, "link.seen", &made.seen);
    if (read_mark(txn, "link.pushed", 8, &bytes))
        made.pushed = get_u64(bytes.data);
    made.check_from = read_mark(txn, "link.checked", 8, &bytes) ? get_u64(bytes.data) : 1;
    made.check_saved = made.check_from;
    if (read_mark(txn, "link.offset", 8, &bytes)) {
        made.has_offset = true;
        made.offset_saved_ms = (int64_t)get_u64(bytes.data);
    }
    made.has_teams = read_mark(txn, "link.teams", 0, &bytes) && decode_teams(bytes, &made);
    match_teams(&made, &link->scope);
    if (read_mark(txn, "link.upstreams", 0, &bytes) && bytes.size <= sizeof made.upstreams) {
        made.upstream_count = (uint32_t)(bytes.size / PROTO_ID_BYTES);
        memcpy(made.upstreams, bytes.data, (size_t)made.upstream_count * PROTO_ID_BYTES);
    }
    store_read_end(txn);
    link->stored = made;
    return PROTO_OK;
}

/* ---- a call to work/ --------------------------------------------------------------------------------------------------- */

struct work_call *link_apply_begin(struct link *link, enum link_applying what, uint64_t pushed) {
    int64_t now = link_now(link);
    if (link->apply.what != LINK_APPLY_NONE || link->apply.retry_at)
        return NULL;
    struct work_sync_from from = {.node = link->upstream, .scope = link->scope, .pushed_seq = pushed};
    struct work_call *call = work_sync_new(link->options.work, WORK_SYNC_PAGE, &from);
    if (!call) {
        link->apply.retry_at = now + 50;
        return NULL;
    }
    link->apply = (struct link_apply){.what = what, .generation = link->generation};
    return call;
}

void link_apply_give_up(struct link *link, struct work_call *call) {
    work_call_free(call);
    link->apply = (struct link_apply){0};
}

bool link_apply_event(struct link *link, struct work_call *call, const struct proto_kept *kept) {
    struct proto_fault fault = {0};
    struct work_sync_event event = {.bytes = kept->bytes,
                                    .joined = kept->joined,
                                    .has_receipt = kept->has_receipt,
                                    .received_at = kept->received_at};
    static_assert(sizeof event.receipt == sizeof kept->receipt, "one receipt");
    memcpy(event.receipt, kept->receipt, sizeof event.receipt);
    enum proto_error error = work_sync_add(call, &event, &fault);
    if (error == PROTO_OK)
        return true;
    link_apply_give_up(link, call);
    if (error == PROTO_BUSY)
        link_again(link, LINK_RETRY_MS, fault.message);
    else
        link_malformed(link, error == PROTO_TOO_LARGE ? "it is more than can be taken at once"
                                                      : "something in it is not an event");
    return false;
}

bool link_apply_events(struct link *link, struct work_call *call, const struct link_list *events) {
    for (uint32_t i = 0; i < events->count; i++) {
        struct proto_kept kept;
        if (!link_read_kept(events, i, &kept)) {
            link_apply_give_up(link, call);
            link_malformed(link, "something in it is not an event");
            return false;
        }
        if (!link_apply_event(link, call, &kept))
            return false;
    }
    return true;
}

static bool apply_result(struct link *link, struct work_call *call, uint64_t seq, const struct link_result *result) {
    switch (result->state) {
    case LINK_RESULT_REFUSED:
        work_sync_refuse(call, seq, result->code, result->message, result->erased);
        return true;
    case LINK_RESULT_OTHER:
        return link_apply_event(link, call, &result->kept);
    default:
        if (result->kept.has_receipt)
            work_sync_receipt(call, seq, result->kept.received_at, result->kept.receipt);
        return true;
    }
}

bool link_apply_results(struct link *link, struct work_call *call, const uint64_t *seqs, uint32_t count,
                        const struct link_bytes *answer) {
    struct link_list list = {0};
    uint64_t ignored;
    const void *object = link_kept_result(link, answer);
    bool well = object && link_read_results(object, &list, &ignored) && list.count == count;
    for (uint32_t i = 0; well && i < count; i++) {
        struct link_result result;
        well = link_read_result(&list, i, &result);
        if (well && !apply_result(link, call, seqs[i], &result))
            return false;
    }
    if (!well) {
        link_apply_give_up(link, call);
        link_malformed(link, "it does not say what came of each event offered");
    }
    return well;
}

/* ---- its marks ---------------------------------------------------------------------------------------------------------- */

static void mark_place(struct work_call *call, const char *name, const struct proto_position *place) {
    uint8_t bytes[CURSOR_BYTES];
    memcpy(bytes, place->log.bytes, PROTO_ID_BYTES);
    put_u64(bytes + PROTO_ID_BYTES, place->seq);
    memcpy(bytes + PROTO_ID_BYTES + 8, place->chain, PROTO_HASH_BYTES);
    work_sync_mark(call, name, bytes, sizeof bytes);
}

static bool offset_is_news(const struct link *link) {
    int64_t moved = link->offset_ms - link->stored.offset_saved_ms;
    return !link->stored.has_offset || moved > LINK_RETRY_MS || moved < -LINK_RETRY_MS;
}

/* The teams of before are spoken for, and the mark would let them have their cursor back. */
static bool wants_void(const struct link *link) {
    return link->stored.has_teams && !link->stored.teams_void && !link_same_scope(&link->scope, &link->options.scope);
}

/* What is compared, what goes out for other teams, and an erasure, put what is held out of step with the cursor until a comparison ends. */
static void add_teams(struct link *link, struct work_call *call) {
    struct link_apply *apply = &link->apply;
    const struct link_stored *stored = &link->stored;
    char teams[1 + TEAMS_BYTES] = {TEAMS_VOID};
    bool out_of_step = apply->resets || (apply->what == LINK_APPLY_EVEN && stored->has_teams);
    apply->voids = (out_of_step && !stored->teams_void) || wants_void(link);
    apply->scope = apply->has_cursor ? link->scope : stored->teams;
    size_t size = encode_teams(&apply->scope, teams + 1);
    bool is_void = apply->voids || (stored->teams_void && apply->what != LINK_APPLY_END);
    if (apply->has_cursor || apply->voids)
        work_sync_mark(call, "link.teams", teams + !is_void, size + is_void);
}

static void add_marks(struct link *link, struct work_call *call) {
    struct link_apply *apply = &link->apply;
    uint8_t number[8];
    if (apply->what == LINK_APPLY_OFFER || apply->what == LINK_APPLY_PAGE) {
        if (apply->what == LINK_APPLY_PAGE)
            apply->pushed = link->stored.pushed;
        put_u64(number, apply->pushed);
        work_sync_mark(call, "link.pushed", number, sizeof number);
    }
    if (apply->has_cursor)
        mark_place(call, "link.cursor", &apply->cursor);
    add_teams(link, call);
    if (apply->has_seen && apply->what != LINK_APPLY_END && link->stored.has_seen) {
        struct proto_position at = apply->seen; /* an older answer that is applied later takes nothing back */
        apply->seen = link->stored.seen;
        link_see(&apply->seen, &apply->has_seen, &at);
    }
    if (apply->has_seen)
        mark_place(call, "link.seen", &apply->seen);
    apply->check_from = apply->what == LINK_APPLY_END ? 0 : link->stored.check_from;
    apply->has_check = apply->check_from != link->stored.check_saved;
    if (apply->has_check) {
        put_u64(number, apply->check_from);
        work_sync_mark(call, "link.checked", number, sizeof number);
    }
    if (link->stored.upstreams_dirty) {
        apply->upstreams = true;
        work_sync_mark(call, "link.upstreams", link->stored.upstreams,
                       (size_t)link->stored.upstream_count * PROTO_ID_BYTES);
    }
    if (offset_is_news(link)) {
        apply->offset = true;
        apply->offset_ms = link->offset_ms;
        put_u64(number, (uint64_t)link->offset_ms);
        work_sync_mark(call, "link.offset", number, sizeof number);
    }
}

void link_apply_marks(struct link *link) {
    if (!link->stored.upstreams_dirty && !offset_is_news(link) && !wants_void(link))
        return;
    struct work_call *call = link_apply_begin(link, LINK_APPLY_MARKS, link->stored.pushed);
    if (call)
        link_apply_submit(link, call);
}

bool link_apply_void(struct link *link) {
    if (!wants_void(link))
        return true;
    link_apply_marks(link);
    return false;
}

/* ---- what came of it --------------------------------------------------------------------------------------------------- */

static void remember(struct link *link, const struct link_apply *apply) {
    struct link_stored *stored = &link->stored;
    if (apply->what == LINK_APPLY_OFFER && apply->pushed > stored->pushed)
        stored->pushed = apply->pushed;
    if (apply->has_cursor) {
        stored->cursor = apply->cursor;
        stored->has_cursor = stored->has_teams = true;
        stored->teams = apply->scope;
        stored->teams_void = stored->teams_void && apply->what != LINK_APPLY_END;
        link->pull.cursor_stored_at = link_now(link);
    }
    stored->teams_void = stored->teams_void || apply->voids;
    match_teams(stored, &link->scope);
    if (apply->has_seen) {
        stored->seen = apply->seen;
        stored->has_seen = true;
    }
    if (apply->has_check)
        stored->check_saved = apply->check_from;
    if (apply->what == LINK_APPLY_END)
        stored->check_from = 0;
    if (apply->upstreams && apply->generation == link->generation) /* no other was met meanwhile */
        stored->upstreams_dirty = false;
    if (apply->offset) {
        stored->has_offset = true;
        stored->offset_saved_ms = apply->offset_ms;
    }
}

static void go_on(struct link *link, const struct link_apply *apply, bool conflict) {
    if (apply->what == LINK_APPLY_OFFER)
        link_push_applied(link);
    else if (apply->what == LINK_APPLY_PAGE && conflict)
        link_pull_conflict(link);
    else if (apply->what == LINK_APPLY_PAGE && apply->resets)
        link_compare_begin(link);
    else if (apply->what == LINK_APPLY_EVEN)
        link_even_applied(link, apply->even, conflict);
    else if (apply->what == LINK_APPLY_CHECK)
        link_check_applied(link, conflict);
    else if (apply->what == LINK_APPLY_END)
        link_compare_ended(link);
}

static void failed(struct link *link, const struct link_apply *apply, const struct proto_fault *fault) {
    char why[256];
    (void)snprintf(why, sizeof why, "What came from the upstream could not be stored: %.200s", fault->message);
    bool leaves = apply->what == LINK_APPLY_PAGE || apply->what == LINK_APPLY_EVEN || apply->what == LINK_APPLY_CHECK;
    if (fault->code == PROTO_CONFLICT && leaves)
        go_on(link, apply, true);
    else if (fault->code == PROTO_BUSY || fault->code == PROTO_REBUILDING)
        link_again(link, LINK_RETRY_MS, why);
    else if (fault->code == PROTO_FULL)
        link_again(link, LINK_FULL_MS, why);
    else
        link_drop(link, false, why);
}

static void on_done(void *arg, struct work_call *call) {
    struct link *link = arg;
    struct link_apply apply = link->apply;
    struct proto_fault fault = *work_call_fault(call);
    work_call_free(call);
    assert(apply.what != LINK_APPLY_NONE);
    link->apply = (struct link_apply){0};
    if (link->conn == LINK_CONN_STOPPED)
        return;
    if (fault.code == PROTO_OK)
        remember(link, &apply);
    if (apply.generation == link->generation) {
        if (fault.code == PROTO_OK) {
            link_well(link);
            go_on(link, &apply, false);
        } else {
            failed(link, &apply, &fault);
        }
    }
    link_pump(link);
}

void link_apply_submit(struct link *link, struct work_call *call) {
    assert(link->apply.what != LINK_APPLY_NONE);
    add_marks(link, call);
    work_submit(link->options.work, call, on_done, link);
}
