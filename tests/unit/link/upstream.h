/*
 * upstream.h - an upstream in a hundred lines of rules, with a script of what goes wrong; a node's real work/ and link/ over
 * a line with a delay that is cut where the test says; one thread and virtual time.
 *
 * What always holds: the upstream answers calls in the order they came; its log is a list of bytes; the chain hash at a place
 * names the epoch in which that entry was appended: after it was put back another one begins.
 */
#ifndef TESTS_LINK_UPSTREAM_H
#define TESTS_LINK_UPSTREAM_H

#include "../work/world.h"

#include "link/link.h"
#include "proto/pack.h"
#include "proto/scan.h"

struct up_event {
    uint8_t *bytes; /* NULL: a mark that `record` left */
    size_t size;
    struct proto_id id, record;
    bool joined;
    uint8_t epoch; /* in which it was appended */
    int64_t received_at;
};

struct up_state {
    struct proto_id record;
    enum work_record_state state;
};

struct up {
    struct proto_id node, log;
    uint8_t epoch;
    int64_t clock_skew;
    struct up_event *events;
    uint32_t count, cap;
    struct up_state states[8]; /* in, unless said here */
    uint32_t state_count;
    bool has_known;
    struct proto_position known;
    /* the script */
    const char *fail_method; /* answered with this, so many times */
    enum proto_error fail_code;
    int fail_times;
    uint32_t fail_retry_ms;
    struct proto_id refuse; /* an event, or all of a record */
    bool refuse_erased;
    uint32_t teams_min;   /* offers of a node that speaks for fewer are refused */
    uint32_t results_max; /* 0: all */
    uint32_t page_events, part_events;
    uint32_t digest_gaps; /* pages of digests without a record, before each one with some: others' records in between */
    bool says_at;         /* where it holds what was offered */
    uint64_t mutate;      /* not zero: a seed by which bytes of answers are changed */
    /* the conversation */
    uint32_t hello_teams;
    uint64_t page_at;
    bool paging;
    uint32_t hellos, offers, fetches, nexts, digests, pings, states_asked, wholes, by_ids, offered, in_one_go;
    struct proto_position offered_cursor;
    bool has_offered_cursor;
};

static struct proto_arena *up_arena;

/* --- its log ------------------------------------------------------------------------------------------------ */

static UNUSED struct proto_position up_place(const struct up *up, uint64_t seq) {
    struct proto_position place = {.log = up->log, .seq = seq};
    uint8_t from[16] = {0, (uint8_t)(seq >> 16), (uint8_t)(seq >> 8), (uint8_t)seq};
    if (seq > 0 && seq <= up->count)
        from[0] = up->events[seq - 1].epoch;
    proto_hash(from, sizeof from, place.chain);
    return place;
}

static UNUSED struct up_event *up_push(struct up *up) {
    if (up->count == up->cap) {
        up->cap = up->cap ? up->cap * 2 : 64;
        up->events = realloc(up->events, up->cap * sizeof *up->events);
    }
    struct up_event *event = &up->events[up->count++];
    *event = (struct up_event){.epoch = up->epoch, .received_at = 1700000000000 + up->count};
    return event;
}

static UNUSED struct up_event *up_find(struct up *up, const struct proto_id *id) {
    for (uint32_t i = 0; i < up->count; i++)
        if (up->events[i].bytes && proto_id_compare(&up->events[i].id, id) == 0)
            return &up->events[i];
    return NULL;
}

static UNUSED void up_add(struct up *up, const void *bytes, size_t size, bool joined) {
    struct proto_event event;
    proto_arena_clear(up_arena);
    assert_int_equal(proto_event_decode(bytes, size, up_arena, &event), PROTO_OK);
    struct up_event *made = up_push(up);
    made->bytes = malloc(size);
    memcpy(made->bytes, bytes, size);
    made->size = size;
    made->id = event.id;
    if (event.has_patient)
        made->record = event.patient;
    made->joined = joined;
}

static UNUSED void up_leave(struct up *up, const struct proto_id *record) {
    up_push(up)->record = *record;
    up->states[up->state_count++] = (struct up_state){*record, WORK_RECORD_OUT};
}

/* All that another world recorded. */
static UNUSED void up_take(struct up *up, struct world *from) {
    struct store_txn *txn;
    struct store_event event;
    assert_int_equal(store_read_begin(from->store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &event) == PROTO_OK; seq++)
        if (event.body.size && !work_entry_is_system(event.body) && !up_find(up, &event.id))
            up_add(up, event.body.data, event.body.size, event.joined);
    store_read_end(txn);
}

/* Put back to its first `count` entries. */
static UNUSED void up_restore(struct up *up, uint32_t count) {
    while (up->count > count)
        free(up->events[--up->count].bytes);
    up->epoch++;
}

/* In scope, as far as the test said nothing else. */
static UNUSED bool up_in(const struct up *up, const struct proto_id *record) {
    for (uint32_t i = up->state_count; i > 0; i--)
        if (proto_id_compare(&up->states[i - 1].record, record) == 0)
            return up->states[i - 1].state == WORK_RECORD_IN;
    return true;
}

static UNUSED enum work_record_state up_state(const struct up *up, const struct proto_id *record) {
    for (uint32_t i = up->state_count; i > 0; i--)
        if (proto_id_compare(&up->states[i - 1].record, record) == 0)
            return up->states[i - 1].state;
    for (uint32_t i = 0; i < up->count; i++)
        if (up->events[i].bytes && proto_id_compare(&up->events[i].record, record) == 0)
            return WORK_RECORD_IN;
    return proto_id_is_zero(record) ? WORK_RECORD_IN : WORK_RECORD_UNKNOWN;
}

static UNUSED uint32_t up_digest(const struct up *up, const struct proto_id *record, uint8_t sum[PROTO_HASH_BYTES]) {
    uint32_t count = 0;
    memset(sum, 0, PROTO_HASH_BYTES);
    for (uint32_t i = 0; i < up->count; i++) {
        const struct up_event *event = &up->events[i];
        if (!event->bytes || proto_id_compare(&event->record, record) != 0)
            continue;
        uint8_t both[PROTO_ID_BYTES + PROTO_HASH_BYTES], hash[PROTO_HASH_BYTES];
        memcpy(both, event->id.bytes, PROTO_ID_BYTES);
        proto_hash(event->bytes, event->size, both + PROTO_ID_BYTES);
        proto_hash(both, sizeof both, hash);
        unsigned carry = 0;
        for (int k = PROTO_HASH_BYTES - 1; k >= 0; k--) {
            carry += (unsigned)sum[k] + hash[k];
            sum[k] = (uint8_t)carry;
            carry >>= 8;
        }
        count++;
    }
    return count;
}

/* --- its answers ---------------------------------------------------------------------------------------------- */

static UNUSED void up_receipt(struct proto_writer *w, const struct up_event *event) {
    uint8_t receipt[PROTO_RECEIPT_BYTES] = {0xaa, (uint8_t)event->received_at};
    proto_write_int(w, event->received_at);
    proto_write_bin(w, receipt, sizeof receipt);
}

static UNUSED void up_kept(struct proto_writer *w, const struct up_event *event, bool joined) {
    struct proto_kept kept = {.bytes = {(const char *)event->bytes, (uint32_t)event->size},
                              .joined = joined,
                              .has_receipt = true,
                              .received_at = event->received_at,
                              .receipt = {0xaa, (uint8_t)event->received_at}};
    proto_write_kept(w, &kept);
}

static UNUSED const struct proto_value *up_value(const struct proto_value *values, int param) {
    return values[param].present ? &values[param] : NULL;
}

static UNUSED void up_hello(struct up *up, struct proto_writer *w, const struct proto_value *values, int64_t now) {
    up->hello_teams = values[PROTO_PARAM_hello_teams].present ? (uint32_t)values[PROTO_PARAM_hello_teams].n : 99;
    up->hellos++;
    proto_write_map(w, 3u + up->has_known);
    proto_write_text(w, "node");
    proto_write_id(w, &up->node);
    proto_write_text(w, "now");
    proto_write_int(w, now + up->clock_skew);
    proto_write_text(w, "seq");
    proto_write_int(w, up->count);
    if (up->has_known) {
        proto_write_text(w, "known");
        proto_write_position(w, &up->known);
    }
}

static UNUSED void up_result(struct up *up, struct proto_writer *w, const struct proto_kept *kept, bool joined) {
    struct proto_event event;
    proto_arena_clear(up_arena);
    assert_int_equal(proto_event_decode((const uint8_t *)kept->bytes.data, kept->bytes.size, up_arena, &event),
                     PROTO_OK);
    struct up_event *held = up_find(up, &event.id);
    bool refused = up->hello_teams < up->teams_min || proto_id_compare(&up->refuse, &event.id) == 0 ||
                   (event.has_patient && proto_id_compare(&up->refuse, &event.patient) == 0);
    if (!held && refused) {
        proto_write_array(w, up->refuse_erased ? 4 : 3);
        proto_write_int(w, 3);
        proto_write_text(w, "not-allowed");
        proto_write_text(w, "This node does not serve that child.");
        if (up->refuse_erased)
            proto_write_bool(w, true);
        return;
    }
    bool other = held && (held->size != kept->bytes.size || memcmp(held->bytes, kept->bytes.data, held->size) != 0);
    if (other) {
        proto_write_array(w, 4);
        proto_write_int(w, 4);
        proto_write_bin(w, held->bytes, held->size);
        up_receipt(w, held);
        return;
    }
    proto_write_array(w, 3);
    proto_write_int(w, held ? 2 : 1);
    if (!held) {
        up_add(up, kept->bytes.data, kept->bytes.size, joined);
        held = &up->events[up->count - 1];
        if (kept->has_receipt)
            held->received_at = kept->received_at;
    }
    up_receipt(w, held);
}

static UNUSED void up_offer(struct up *up, struct proto_writer *w, const struct proto_value *values) {
    const struct proto_value *events = &values[PROTO_PARAM_offer_events], *cursor = &values[PROTO_PARAM_offer_cursor];
    uint32_t count = (uint32_t)events->n;
    if (up->results_max && count > up->results_max)
        count = up->results_max;
    up->offers++;
    up->has_offered_cursor = cursor->present;
    if (cursor->present)
        up->offered_cursor = proto_value_position(cursor);
    proto_write_map(w, 2u + up->says_at);
    proto_write_text(w, "results");
    proto_write_array(w, count);
    for (uint32_t i = 0; i < events->n; i++) {
        struct proto_kept kept = proto_list_kept(events, i);
        struct proto_writer nowhere;
        static uint8_t scratch[1 << 16];
        proto_writer_init(&nowhere, scratch, sizeof scratch);
        assert_false(i == 0 && kept.joined);
        up->offered++;
        up_result(up, i < count ? w : &nowhere, &kept, kept.joined);
    }
    proto_write_text(w, "seq");
    proto_write_int(w, up->count);
    if (up->says_at) {
        struct proto_position at = up_place(up, up->count);
        proto_write_text(w, "at");
        proto_write_position(w, &at);
    }
}

static UNUSED void up_write_page(struct up *up, struct proto_writer *w) {
    uint64_t from = up->page_at, end = from, all = up->page_events ? up->page_events : 2000;
    uint64_t page_end = (from / all + 1) * all;
    if (page_end > up->count)
        page_end = up->count;
    uint64_t part = up->part_events ? up->part_events : all;
    end = from + part < page_end ? from + part : page_end;
    bool within = end < page_end;
    uint32_t events = 0, left = 0;
    for (uint64_t i = from; i < end; i++) {
        events += up->events[i].bytes && up_in(up, &up->events[i].record);
        left += !up->events[i].bytes;
    }
    struct proto_position cursor = up_place(up, page_end), looked = up_place(up, up->count);
    proto_write_map(w, 4u + within + up->says_at);
    if (up->says_at) {
        proto_write_text(w, "at");
        proto_write_position(w, &looked);
    }
    proto_write_text(w, "cursor");
    proto_write_position(w, &cursor);
    proto_write_text(w, "events");
    proto_write_array(w, events);
    for (uint64_t i = from; i < end; i++)
        if (up->events[i].bytes && up_in(up, &up->events[i].record))
            up_kept(w, &up->events[i], up->events[i].joined && i > from);
    proto_write_text(w, "left");
    proto_write_array(w, left);
    for (uint64_t i = from; i < end; i++)
        if (!up->events[i].bytes)
            proto_write_id(w, &up->events[i].record);
    proto_write_text(w, "more");
    proto_write_bool(w, page_end < up->count);
    if (within) {
        proto_write_text(w, "within");
        proto_write_bool(w, true);
    }
    up->page_at = end;
}

static UNUSED void up_write_events(struct up *up, struct proto_writer *w, const struct proto_id *record,
                                   const struct proto_value *ids) {
    uint32_t count = 0;
    proto_write_map(w, 1);
    proto_write_text(w, "events");
    size_t mark = proto_write_array_begin(w);
    for (uint32_t i = 0; i < up->count; i++) {
        bool wanted = up->events[i].bytes && record && proto_id_compare(&up->events[i].record, record) == 0;
        for (uint32_t k = 0; ids && up->events[i].bytes && k < ids->n; k++) {
            struct proto_id id = proto_list_id(ids, k);
            wanted |= proto_id_compare(&up->events[i].id, &id) == 0;
        }
        if (wanted) {
            up_kept(w, &up->events[i], false);
            count++;
        }
    }
    proto_write_array_end(w, mark, count);
}

static UNUSED bool up_holds(const struct up *up, const struct proto_position *at) {
    struct proto_position own = up_place(up, at->seq);
    return at->seq <= up->count && memcmp(at, &own, sizeof own) == 0;
}

static UNUSED enum proto_error up_fetch(struct up *up, struct proto_writer *w, const struct proto_value *values) {
    const struct proto_value *after = up_value(values, PROTO_PARAM_fetch_after),
                             *next = up_value(values, PROTO_PARAM_fetch_next),
                             *seen = up_value(values, PROTO_PARAM_fetch_seen),
                             *ids = up_value(values, PROTO_PARAM_fetch_ids),
                             *record = up_value(values, PROTO_PARAM_fetch_record);
    if (ids || record) {
        *(ids ? &up->by_ids : &up->wholes) += 1;
        up_write_events(up, w, record ? &record->id : NULL, ids);
        return PROTO_OK;
    }
    if (next) {
        up->nexts++;
        if (!up->paging)
            return PROTO_CONFLICT;
    } else {
        struct proto_position at = after ? proto_value_position(after) : up_place(up, 0);
        struct proto_position known = seen ? proto_value_position(seen) : at;
        up->fetches++;
        if (!up_holds(up, &at) || !up_holds(up, &known))
            return PROTO_DIVERGED;
        up->page_at = at.seq;
        up->paging = true;
    }
    up_write_page(up, w);
    return PROTO_OK;
}

static UNUSED int up_by_id(const void *a, const void *b) {
    return proto_id_compare(a, b);
}

static UNUSED void up_write_digests(struct up *up, struct proto_writer *w, const struct proto_value *values) {
    static struct proto_id records[32768];
    uint32_t count = 0, written = 0, first = 0;
    const struct proto_value *after = up_value(values, PROTO_PARAM_digest_after);
    for (uint32_t i = 0; i < up->count; i++)
        if (up->events[i].bytes && up_in(up, &up->events[i].record))
            records[count++] = up->events[i].record;
    qsort(records, count, sizeof *records, up_by_id);
    uint32_t gaps = 0;
    if (after) {
        char *rest;
        first = (uint32_t)strtoul(after->text.data, &rest, 10);
        gaps = (uint32_t)strtoul(rest, NULL, 10);
    }
    bool gap = gaps < up->digest_gaps;
    struct proto_position cursor = up_place(up, up->count);
    size_t map = proto_write_map_begin(w);
    proto_write_text(w, "cursor");
    proto_write_position(w, &cursor);
    proto_write_text(w, "records");
    size_t mark = proto_write_array_begin(w);
    uint32_t i = first;
    for (; !gap && i < count && (!up->page_events || written < up->page_events); i++) {
        uint8_t sum[PROTO_HASH_BYTES];
        if (i > 0 && proto_id_compare(&records[i], &records[i - 1]) == 0)
            continue;
        proto_write_array(w, 3);
        proto_write_id(w, &records[i]);
        proto_write_int(w, up_digest(up, &records[i], sum));
        proto_write_bin(w, sum, sizeof sum);
        written++;
    }
    proto_write_array_end(w, mark, written);
    while (!gap && i < count && i > 0 && proto_id_compare(&records[i], &records[i - 1]) == 0)
        i++;
    if (i < count) {
        char token[32];
        (void)snprintf(token, sizeof token, "%u %u ", i, gap ? gaps + 1 : 0);
        proto_write_text(w, "after");
        proto_write_text(w, token);
    }
    proto_write_map_end(w, map, i < count ? 3 : 2);
}

static UNUSED void up_write_list(struct up *up, struct proto_writer *w, const struct proto_id *record) {
    uint32_t count = 0;
    proto_write_map(w, 1);
    proto_write_text(w, "events");
    size_t mark = proto_write_array_begin(w);
    for (uint32_t i = 0; i < up->count; i++) {
        uint8_t hash[PROTO_HASH_BYTES];
        if (!up->events[i].bytes || proto_id_compare(&up->events[i].record, record) != 0)
            continue;
        proto_hash(up->events[i].bytes, up->events[i].size, hash);
        proto_write_array(w, 2);
        proto_write_id(w, &up->events[i].id);
        proto_write_bin(w, hash, sizeof hash);
        count++;
    }
    proto_write_array_end(w, mark, count);
}

static UNUSED void up_digests(struct up *up, struct proto_writer *w, const struct proto_value *values) {
    static const char *const names[] = {"unknown", "in", "out", "erased"};
    const struct proto_value *records = up_value(values, PROTO_PARAM_digest_records),
                             *record = up_value(values, PROTO_PARAM_digest_record);
    *(records ? &up->states_asked : &up->digests) += 1;
    if (record) {
        up_write_list(up, w, &record->id);
        return;
    }
    if (!records) {
        up_write_digests(up, w, values);
        return;
    }
    proto_write_map(w, 1);
    proto_write_text(w, "records");
    proto_write_array(w, (uint32_t)records->n);
    for (uint32_t i = 0; i < records->n; i++) {
        uint8_t sum[PROTO_HASH_BYTES];
        struct proto_id id = proto_list_id(records, i);
        proto_write_array(w, 4);
        proto_write_id(w, &id);
        proto_write_int(w, up_digest(up, &id, sum));
        proto_write_bin(w, sum, sizeof sum);
        proto_write_text(w, names[up_state(up, &id)]);
    }
}

/* Answers one call into w. */
static UNUSED void up_answer(struct up *up, const struct proto_message *call, int64_t now, struct proto_writer *w) {
    static struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    enum proto_method method = proto_method_find(call->method);
    enum proto_error error = proto_params_decode(method, call->params, values, &fault);
    if (error != PROTO_OK)
        fail_msg("%s: %s", proto_method_get(method)->name, fault.message);
    if (up->fail_method && up->fail_times > 0 && proto_slice_is(call->method, up->fail_method)) {
        up->fail_times--;
        (void)proto_fault_set(&fault, up->fail_code, NULL, "%s", proto_error_sentence(up->fail_code));
        fault.retry_ms = up->fail_retry_ms;
        proto_write_fault(w, call->msgid, &fault);
        return;
    }
    proto_write_result_begin(w, call->msgid);
    if (method == PROTO_METHOD_hello)
        up_hello(up, w, values, now);
    else if (method == PROTO_METHOD_offer)
        up_offer(up, w, values);
    else if (method == PROTO_METHOD_fetch)
        error = up_fetch(up, w, values);
    else if (method == PROTO_METHOD_digest)
        up_digests(up, w, values);
    else {
        assert_int_equal(method, PROTO_METHOD_ping);
        up->pings++;
        proto_write_map(w, 1);
        proto_write_text(w, "now");
        proto_write_int(w, now + up->clock_skew);
    }
    if (error != PROTO_OK) {
        w->size = 0;
        (void)proto_fault_set(&fault, error, NULL, "%s", proto_error_sentence(error));
        proto_write_fault(w, call->msgid, &fault);
    }
    assert_int_equal(w->error, PROTO_OK);
}

/* --- the line ----------------------------------------------------------------------------------------------------- */

struct chunk {
    int64_t due;
    size_t size;
    uint8_t *bytes;
};
struct line {
    struct chunk *chunks;
    uint32_t first, count, cap;
};

struct node {
    struct world world;
    struct link *link;
    struct up up;
    int64_t steady, delay_ms, cut_at, connected_at; /* cut_at: bytes that still pass, -1 for all */
    bool connecting, connected, refuse_connection;
    struct line to_up, to_node;
    uint8_t *in; /* at the upstream */
    size_t in_size, in_cap;
    uint32_t connects, closes, drops, ticks;
    uint32_t scope_teams;
    char fault_seen[256]; /* the last one that was shown */
};

static UNUSED void line_put(struct line *line, int64_t due, const void *bytes, size_t size) {
    if (line->count == line->cap) {
        line->cap = line->cap ? line->cap * 2 : 16;
        line->chunks = realloc(line->chunks, line->cap * sizeof *line->chunks);
    }
    struct chunk *chunk = &line->chunks[line->count++];
    *chunk = (struct chunk){due, size, malloc(size)};
    memcpy(chunk->bytes, bytes, size);
}

static UNUSED void line_clear(struct line *line) {
    while (line->first < line->count)
        free(line->chunks[line->first++].bytes);
    line->first = line->count = 0;
}

static UNUSED int64_t node_wall(void *arg) {
    return ((struct node *)arg)->world.now;
}
static UNUSED int64_t node_steady(void *arg) {
    return ((struct node *)arg)->steady;
}
static UNUSED void node_entropy(void *arg, uint8_t *out, size_t n) {
    world_entropy(&((struct node *)arg)->world, out, n);
}
static UNUSED void node_hang_up(struct node *node) {
    line_clear(&node->to_up);
    line_clear(&node->to_node);
    node->in_size = 0;
    node->connected = node->connecting = false;
    node->up.paging = false;
}
static UNUSED void node_connect(void *arg) {
    struct node *node = arg;
    assert_false(node->connected || node->connecting);
    node->connecting = true;
    node->connects++;
}
static UNUSED void node_close(void *arg) {
    struct node *node = arg;
    node->closes++;
    node_hang_up(node);
}
static UNUSED void node_send(void *arg, const uint8_t *bytes, size_t size) {
    struct node *node = arg;
    assert_true(node->connected);
    line_put(&node->to_up, node->steady + node->delay_ms, bytes, size);
}

/* What of the bytes passes before the cut. */
static UNUSED size_t node_pass(struct node *node, size_t size) {
    if (node->cut_at < 0 || (int64_t)size < node->cut_at) {
        node->cut_at -= node->cut_at < 0 ? 0 : (int64_t)size;
        return size;
    }
    return (size_t)node->cut_at;
}

static UNUSED bool node_cut(struct node *node, size_t passed, size_t size) {
    if (passed == size)
        return false;
    node->cut_at = -1;
    node->drops++;
    node_hang_up(node);
    link_lost(node->link, "The line was cut.");
    return true;
}

static UNUSED void up_hear(struct node *node, const uint8_t *bytes, size_t size) {
    static uint8_t answer[PROTO_NODE_MESSAGE_BYTES_MAX];
    if (node->in_size + size > node->in_cap) {
        node->in_cap = 2 * (node->in_size + size);
        node->in = realloc(node->in, node->in_cap);
    }
    memcpy(node->in + node->in_size, bytes, size);
    node->in_size += size;
    size_t at = 0, used;
    uint32_t calls = 0;
    struct proto_arena *arena = proto_arena_new();
    for (;;) {
        struct proto_scan scan = {0};
        struct proto_message call;
        struct proto_fault fault;
        struct proto_writer w;
        bool has_msgid;
        if (at == node->in_size ||
            proto_scan_value(&scan, node->in + at, node->in_size - at, PROTO_NODE_MESSAGE_BYTES_MAX, &used) != PROTO_OK)
            break;
        proto_arena_clear(arena);
        assert_int_equal(proto_message_decode(node->in + at, used, arena, &call, &has_msgid, &fault), PROTO_OK);
        proto_writer_init(&w, answer, sizeof answer);
        up_answer(&node->up, &call, node->world.now, &w);
        if (node->up.mutate) {
            uint8_t random[8];
            world_entropy(&node->world, random, sizeof random);
            if (random[0] < 100)
                answer[((size_t)random[1] << 8 | random[2]) % w.size] = random[3];
        }
        line_put(&node->to_node, node->steady + node->delay_ms, answer, w.size);
        at += used;
        calls++;
    }
    if (calls > node->up.in_one_go)
        node->up.in_one_go = calls;
    proto_arena_free(arena);
    memmove(node->in, node->in + at, node->in_size - at);
    node->in_size -= at;
}

/* Delivers what is due on one side. */
static UNUSED bool line_run(struct node *node, struct line *line, bool up) {
    if (line->first == line->count || line->chunks[line->first].due > node->steady)
        return false;
    struct chunk chunk = line->chunks[line->first++];
    if (line->first == line->count)
        line->first = line->count = 0;
    size_t pass = node_pass(node, chunk.size);
    if (pass > 0 && up)
        up_hear(node, chunk.bytes, pass);
    else if (pass > 0)
        link_feed(node->link, chunk.bytes, pass);
    free(chunk.bytes);
    (void)node_cut(node, pass, chunk.size);
    return true;
}

static UNUSED int64_t line_due(const struct line *line) {
    return line->first < line->count ? line->chunks[line->first].due : INT64_MAX;
}

/* As when the upstream was put back, or either end was started anew. */
static UNUSED void node_lose(struct node *node) {
    if (!node->connected)
        return;
    node->drops++;
    node_hang_up(node);
    link_lost(node->link, "The line was cut.");
}

/* One thing that can happen now; false: nothing can before time passes. */
static UNUSED bool node_step(struct node *node) {
    if (work_run_one(node->world.work))
        return true;
    if (node->connecting) {
        node->connecting = false;
        node->connected = !node->refuse_connection;
        node->connected_at = node->steady;
        if (node->connected)
            link_connected(node->link);
        else
            link_lost(node->link, "Nobody listens there.");
        return true;
    }
    if (line_run(node, &node->to_up, true) || line_run(node, &node->to_node, false))
        return true;
    if (link_next_tick(node->link) > node->steady)
        return false;
    link_tick(node->link);
    node->ticks++;
    return true;
}

static UNUSED struct link_status node_status(struct node *node) {
    struct link_status status;
    link_status_get(node->link, &status);
    if (status.fault[0])
        memcpy(node->fault_seen, status.fault, sizeof status.fault);
    return status;
}

/* Lets time pass to the next thing, at most until. */
static UNUSED bool node_pass_time(struct node *node, int64_t until) {
    int64_t next = link_next_tick(node->link);
    int64_t up = line_due(&node->to_up), down = line_due(&node->to_node);
    next = up < next ? up : next;
    next = down < next ? down : next;
    if (next > until)
        next = until;
    if (next <= node->steady)
        return false;
    node->world.now += next - node->steady;
    node->steady = next;
    return true;
}

/* Runs until the moment; what can be done within one moment is bounded: nothing turns without end. */
static UNUSED void node_run(struct node *node, int64_t until) {
    do {
        uint32_t steps = 0;
        while (node_step(node))
            assert_true(++steps < 2000000);
        (void)node_status(node);
    } while (node_pass_time(node, until));
}

static UNUSED bool node_is_current(struct node *node) {
    struct link_status status = node_status(node);
    return status.state == LINK_CURRENT && status.out_waiting == 0;
}

/* Until all is exchanged; false: not within the time. */
static UNUSED bool node_settle(struct node *node, int64_t within_ms) {
    int64_t until = node->steady + within_ms;
    do {
        uint32_t steps = 0;
        while (node_step(node))
            assert_true(++steps < 2000000);
        if (node_is_current(node))
            return true;
    } while (node_pass_time(node, until));
    return false;
}

static UNUSED void node_link(struct node *node) {
    struct link_options options = {.work = node->world.work,
                                   .store = node->world.store,
                                   .scope = {.all_teams = node->scope_teams == 0, .team_count = node->scope_teams},
                                   .arg = node,
                                   .wall_ms = node_wall,
                                   .steady_ms = node_steady,
                                   .entropy = node_entropy,
                                   .connect = node_connect,
                                   .close = node_close,
                                   .send = node_send};
    for (uint32_t i = 0; i < node->scope_teams; i++)
        (void)snprintf(options.scope.teams[i], sizeof options.scope.teams[i], "team-%u", i);
    node->link = link_new(&options);
    assert_non_null(node->link);
}

static UNUSED void node_init(struct node *node, uint64_t seed) {
    memset(node, 0, sizeof *node);
    world_init(&node->world, seed);
    node->steady = 5000;
    node->cut_at = -1;
    node->up.node = world_id(&node->world);
    node->up.log = world_id(&node->world);
    node_link(node);
}

static UNUSED void node_unlink(struct node *node) {
    link_stop(node->link);
    world_run(&node->world);
    link_free(node->link);
    node->link = NULL;
    node_hang_up(node);
}

static UNUSED void node_deinit(struct node *node) {
    node_unlink(node);
    world_verify(&node->world);
    world_deinit(&node->world);
    up_restore(&node->up, 0);
    free(node->up.events);
    free(node->to_up.chunks);
    free(node->to_node.chunks);
    free(node->in);
}

/* --- what must be so ------------------------------------------------------------------------------------------------ */

static UNUSED bool node_has(struct node *node, const struct proto_id *id, const struct up_event *as) {
    struct store_txn *txn;
    struct store_event event;
    uint64_t seq;
    assert_int_equal(store_read_begin(node->world.store, &txn), PROTO_OK);
    bool has = store_read_find(txn, id, &seq) == PROTO_OK && store_read_event(txn, seq, &event) == PROTO_OK &&
               event.body.size > 0 &&
               (!as || (event.body.size == as->size && memcmp(event.body.data, as->bytes, as->size) == 0));
    store_read_end(txn);
    return has;
}

/* All that is in scope is on both ends, byte for byte, and nothing else. */
static UNUSED void expect_same(struct node *node) {
    uint32_t here = 0, there = 0;
    struct store_txn *txn;
    struct store_event event;
    for (uint32_t i = 0; i < node->up.count; i++) {
        const struct up_event *held = &node->up.events[i];
        if (!held->bytes || !up_in(&node->up, &held->record))
            continue;
        assert_true(node_has(node, &held->id, held));
        there++;
    }
    assert_int_equal(store_read_begin(node->world.store, &txn), PROTO_OK);
    for (uint64_t seq = 1; store_read_event(txn, seq, &event) == PROTO_OK; seq++)
        here += event.body.size > 0 && !work_entry_is_system(event.body);
    store_read_end(txn);
    assert_int_equal(here, there);
}

#endif
