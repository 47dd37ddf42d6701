/*
 * sync_oracle.c - when all is delivered: is everybody told the same, is anything missing, is anything where it does not belong?
 *
 * What is asked here is asked of the stores and of the rules alone; of link/ nothing is believed.
 */
#define _GNU_SOURCE
#include "sync_world.h"

#include "care/render.h"
#include "work/patient.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define DAY_MS INT64_C(86400000)
#define RECORDS_MAX 64
#define EVENTS_MAX 4000

static struct proto_id context_id; /* zero: the events of no child */

void sim_text_of_id(const struct proto_id *id, char out[40]) {
    char text[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(id, text);
    (void)snprintf(out, 40, "%s", text);
}

static struct store_txn *read_of(struct sim *sim, struct sim_process *process) {
    struct store_txn *txn = NULL;
    if (store_read_begin(process->store, &txn) != PROTO_OK)
        sim_fail(sim, "%s cannot be read", process->name);
    return txn;
}

/* --- which records ------------------------------------------------------------------------------------------ */

struct records {
    struct store_txn *txn; /* NULL: whatever is held of them */
    struct proto_id ids[RECORDS_MAX];
    uint32_t count;
};

static bool add_record(void *arg, const struct proto_id *record) {
    struct records *records = arg;
    struct work_digest digest = {.count = 1};
    if (records->txn && work_digest_get(records->txn, record, &digest) != PROTO_OK)
        abort();
    if (digest.count == 0) /* only named in an event of another one */
        return true;
    if (records->count == RECORDS_MAX)
        abort();
    records->ids[records->count++] = *record;
    return true;
}

static void records_of(struct sim *sim, struct sim_process *process, struct records *out) {
    struct store_txn *txn = read_of(sim, process);
    *out = (struct records){.txn = txn};
    if (work_records_each(txn, NULL, add_record, out) != PROTO_OK)
        sim_fail(sim, "the records of %s cannot be listed", process->name);
    store_read_end(txn);
}

static bool has_record(const struct records *records, const struct proto_id *id) {
    for (uint32_t i = 0; i < records->count; i++)
        if (proto_id_compare(&records->ids[i], id) == 0)
            return true;
    return false;
}

static enum work_record_state state_of(struct sim *sim, struct sim_process *server, const struct work_scope *scope,
                                       const struct proto_id *record) {
    enum work_record_state state = WORK_RECORD_UNKNOWN;
    struct store_txn *txn = read_of(sim, server);
    if (work_record_state_get(server->work, txn, scope, record, &state) != PROTO_OK)
        sim_fail(sim, "the server does not say whose a record is");
    store_read_end(txn);
    return state;
}

/* --- the same events --------------------------------------------------------------------------------------------- */

struct held {
    struct proto_id id;
    uint8_t hash[PROTO_HASH_BYTES];
};
struct held_list {
    struct held *list;
    uint32_t count;
};

static bool add_held(void *arg, const struct store_event *event) {
    struct held_list *held = arg;
    if (held->count == EVENTS_MAX)
        abort();
    held->list[held->count].id = event->id;
    work_event_hash(event->body, held->list[held->count].hash);
    held->count++;
    return true;
}

static int held_order(const void *a, const void *b) {
    return memcmp(a, b, sizeof(struct held));
}

static void held_of(struct sim *sim, struct sim_process *process, const struct proto_id *record,
                    struct held_list *out) {
    struct store_txn *txn = read_of(sim, process);
    struct work_record_place place = {0};
    out->count = 0;
    if (work_record_events(process->work, txn, record, &place, add_held, out) != PROTO_OK)
        sim_fail(sim, "%s does not list the events of a record", process->name);
    store_read_end(txn);
    qsort(out->list, out->count, sizeof *out->list, held_order);
}

static void say_event(const struct sim *sim, const struct sim_process *process, const struct store_event *stored,
                      const struct proto_event *event) {
    char id[40], via[40], patient[40];
    sim_text_of_id(&stored->id, id);
    sim_text_of_id(&stored->via, via);
    sim_text_of_id(event->has_patient ? &event->patient : &context_id, patient);
    struct proto_slice team = {0};
    if (event->kind == PROTO_KIND_patient_registered)
        team = PROTO_BODY(event, patient_registered, team)->text;
    if (event->kind == PROTO_KIND_patient_moved)
        team = PROTO_BODY(event, patient_moved, team)->text;
    sim_say(sim, "%s %llu: %s %.*s of %s at %lld received %lld via %s %.*s", process->name,
            (unsigned long long)stored->seq, id, (int)event->kind_name.size, event->kind_name.data, patient,
            (long long)event->at, (long long)stored->received_at, via, (int)team.size, team.data ? team.data : "");
}

/* What can take a child from one team to another. */
static bool concerns_teams(const struct proto_event *event) {
    return event->kind == PROTO_KIND_patient_registered || event->kind == PROTO_KIND_patient_moved ||
           event->kind == PROTO_KIND_patient_merged || event->kind == PROTO_KIND_patient_erased ||
           event->kind == PROTO_KIND_event_withdrawn || event->kind == PROTO_KIND_withdrawal_confirmed;
}

/* With --trace: all that a process has of a record, and of what may move any, in the order of its log. */
static void say_record(struct sim *sim, struct sim_process *process, const struct proto_id *record) {
    struct store_txn *txn = read_of(sim, process);
    struct store_event stored;
    for (uint64_t seq = 1; sim->trace && store_read_event(txn, seq, &stored) == PROTO_OK; seq++) {
        struct proto_event event;
        proto_arena_clear(sim->arena);
        if (stored.body.size == 0)
            sim_say(sim, "%s %llu: removed", process->name, (unsigned long long)seq);
        else if (work_entry_is_system(stored.body))
            sim_say(sim, "%s %llu: an entry of its own, type %d", process->name, (unsigned long long)seq,
                    stored.body.data[2]);
        else if (proto_event_decode(stored.body.data, stored.body.size, sim->arena, &event) == PROTO_OK &&
                 (concerns_teams(&event) ||
                  proto_id_compare(event.has_patient ? &event.patient : &context_id, record) == 0))
            say_event(sim, process, &stored, &event);
    }
    store_read_end(txn);
}

static void say_both(struct sim *sim, struct sim_process *node, const struct proto_id *record) {
    say_record(sim, &sim->processes[0], record);
    say_record(sim, node, record);
}

/* Says which events differ, and fails. */
static void fail_events(struct sim *sim, struct sim_process *node, const struct proto_id *record) {
    static struct held list_a[EVENTS_MAX], list_b[EVENTS_MAX];
    struct held_list a = {list_a, 0}, b = {list_b, 0};
    char first[60] = "none", text[40], id[40];
    uint32_t missing = 0, more = 0;
    held_of(sim, &sim->processes[0], record, &a);
    held_of(sim, node, record, &b);
    for (uint32_t i = 0, j = 0; i < a.count || j < b.count;) {
        int order = i == a.count ? 1 : j == b.count ? -1 : held_order(&a.list[i], &b.list[j]);
        if (order != 0) {
            sim_text_of_id(order < 0 ? &a.list[i].id : &b.list[j].id, id);
            sim_say(sim, "record's event %s is only at %s", id, order < 0 ? "the server" : node->name);
            if (missing + more == 0)
                (void)snprintf(first, sizeof first, "%s", id);
        }
        missing += order < 0;
        more += order > 0;
        i += order <= 0;
        j += order >= 0;
    }
    sim_text_of_id(record, text);
    say_both(sim, node, record);
    sim_fail(sim,
             "record %s: %s lacks %u of the server's %u events and has %u that the server has not; the first is %s",
             text, node->name, missing, a.count, more, first);
}

static void same_events(struct sim *sim, struct sim_process *node, const struct proto_id *record) {
    struct work_digest at_server, at_node;
    struct store_txn *txn = read_of(sim, &sim->processes[0]);
    enum proto_error error = work_digest_get(txn, record, &at_server);
    store_read_end(txn);
    if (error == PROTO_OK) {
        txn = read_of(sim, node);
        error = work_digest_get(txn, record, &at_node);
        store_read_end(txn);
    }
    if (error != PROTO_OK)
        sim_fail(sim, "a digest cannot be read");
    if (at_server.count != at_node.count || memcmp(at_server.sum, at_node.sum, sizeof at_node.sum) != 0)
        fail_events(sim, node, record);
    sim->totals->records++;
}

/* --- the same statuses --------------------------------------------------------------------------------------------- */

static uint8_t status_a[PROTO_STATUS_BYTES_MAX], status_b[PROTO_STATUS_BYTES_MAX];

static size_t status_of(struct sim *sim, struct sim_process *process, struct work_child *child,
                        const struct proto_id *patient, int64_t moment, uint8_t *out) {
    struct store_txn *txn = read_of(sim, process);
    enum proto_error error = work_child_get(process->work, txn, patient, moment, child);
    store_read_end(txn);
    if (error == PROTO_UNKNOWN_PATIENT) /* only what is said about it has come, no registration */
        return 0;
    if (error != PROTO_OK)
        sim_fail(sim, "%s does not show a child", process->name);
    struct proto_writer w;
    proto_writer_init(&w, out, PROTO_STATUS_BYTES_MAX);
    care_render_status(&w, &child->shown, &child->state, &child->schedule, &child->context, moment);
    return w.size;
}

/* For whoever looks into a failure: both statuses as files, when BETONY_KEEP names where. */
static void keep_statuses(size_t size_a, size_t size_b) {
    const char *keep = getenv("BETONY_KEEP");
    char path[400];
    for (int i = 0; keep && i < 2; i++) {
        (void)snprintf(path, sizeof path, "%s.%s", keep, i == 0 ? "server" : "node");
        FILE *file = fopen(path, "wb");
        if (!file)
            return;
        (void)fwrite(i == 0 ? status_a : status_b, 1, i == 0 ? size_a : size_b, file);
        (void)fclose(file);
    }
}

static void same_statuses(struct sim *sim, struct sim_process *node, const struct records *records, int64_t moment) {
    struct sim_process *server = &sim->processes[0];
    struct work_child *child_a = work_child_new(server->work), *child_b = work_child_new(node->work);
    for (uint32_t r = 0; r < records->count; r++) {
        const struct proto_id *id = &records->ids[r];
        if (proto_id_compare(id, &context_id) == 0)
            continue;
        size_t size = status_of(sim, server, child_a, id, moment, status_a);
        size_t other = status_of(sim, node, child_b, id, moment, status_b);
        char text[40];
        sim_text_of_id(id, text);
        if (size != other || memcmp(status_a, status_b, size) != 0)
            keep_statuses(size, other);
        if (size != other || memcmp(status_a, status_b, size) != 0)
            sim_fail(sim, "child %s has another status at %s than at the server (%zu and %zu bytes)", text, node->name,
                     other, size);
        if (size > 0 && sim_scope_has(&node->scope, child_a->state.profile.team) !=
                            (state_of(sim, server, &node->scope, id) == WORK_RECORD_IN))
            sim_say(sim, "child %s is of team %s and %s holds it for another reason", text, child_a->state.profile.team,
                    node->name);
        sim->totals->statuses++;
    }
    work_child_free(child_a);
    work_child_free(child_b);
}

/* --- where it belongs ------------------------------------------------------------------------------------------------- */

static void judge_node(struct sim *sim, struct sim_process *node, const struct records *all, int64_t moment) {
    struct sim_process *server = &sim->processes[0];
    struct records held, in = {.count = 0};
    char text[40];
    records_of(sim, node, &held);
    for (uint32_t r = 0; r < all->count; r++)
        if (state_of(sim, server, &node->scope, &all->ids[r]) == WORK_RECORD_IN)
            (void)add_record(&in, &all->ids[r]);
    for (uint32_t r = 0; r < held.count; r++) {
        sim_text_of_id(&held.ids[r], text);
        enum work_record_state state = state_of(sim, server, &node->scope, &held.ids[r]);
        if (!has_record(&in, &held.ids[r]) && state != WORK_RECORD_ERASED)
            say_both(sim, node, &held.ids[r]);
        if (!has_record(&in, &held.ids[r]) && state != WORK_RECORD_ERASED)
            sim_fail(sim, "record %s stays at %s and is not of its teams (state %d)", text, node->name, state);
        if (state == WORK_RECORD_ERASED)
            same_events(sim, node, &held.ids[r]);
    }
    for (uint32_t r = 0; r < in.count; r++)
        same_events(sim, node, &in.ids[r]);
    same_statuses(sim, node, &in, moment);
}

/* A child whose status names a team must be with everyone who is for that team: asked without the server's word on scope. */
static void judge_teams(struct sim *sim, const struct records *all, int64_t moment) {
    struct sim_process *server = &sim->processes[0];
    struct work_child *child = work_child_new(server->work);
    for (uint32_t r = 0; r < all->count; r++) {
        if (proto_id_compare(&all->ids[r], &context_id) == 0 ||
            status_of(sim, server, child, &all->ids[r], moment, status_a) == 0)
            continue;
        for (uint32_t p = 1; p < sim->process_count; p++) {
            struct sim_process *node = &sim->processes[p];
            struct records held;
            char text[40];
            if (!node->exists || !sim_scope_has(&node->scope, child->state.profile.team))
                continue;
            records_of(sim, node, &held);
            sim_text_of_id(&all->ids[r], text);
            if (!has_record(&held, &all->ids[r]))
                sim_fail(sim, "child %s is of team %s and %s does not hold it", text, child->state.profile.team,
                         node->name);
        }
    }
    work_child_free(child);
}

/* --- nothing missing ------------------------------------------------------------------------------------------------------ */

struct search {
    const struct sim_item *item;
    bool found;
};

static bool has_item(const struct sim_item *item, struct store_bytes body) {
    char id[40];
    sim_text_of_id(&item->id, id);
    const char *text = item->mark[0] ? item->mark : id;
    return body.size > 0 && memmem(body.data, body.size, text, strlen(text)) != NULL;
}

static bool look_refused(void *arg, const struct work_system_row *row) {
    struct search *search = arg;
    search->found |= has_item(search->item, row->bytes);
    return !search->found;
}

static bool is_refused_somewhere(struct sim *sim, const struct sim_item *item) {
    struct search search = {.item = item};
    for (uint32_t p = 0; p < sim->process_count && !search.found; p++) {
        if (!sim->processes[p].exists)
            continue;
        struct store_txn *txn = read_of(sim, &sim->processes[p]);
        if (work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, look_refused, &search) != PROTO_OK)
            sim_fail(sim, "the refused list of %s cannot be read", sim->processes[p].name);
        store_read_end(txn);
    }
    return search.found;
}

/* The content that the user sent is at the server: under its id, or, where two had one id, under another. */
static bool is_at_server(struct sim *sim, struct store_txn *txn, const struct sim_item *item) {
    uint64_t seq = 0;
    struct store_event stored;
    struct proto_event sent, kept;
    if (item->mark[0]) {
        for (seq = 1; store_read_event(txn, seq, &stored) == PROTO_OK; seq++)
            if (!work_entry_is_system(stored.body) && has_item(item, stored.body))
                return true;
        return false;
    }
    if (store_read_find(txn, &item->id, &seq) != PROTO_OK || store_read_event(txn, seq, &stored) != PROTO_OK ||
        stored.body.size == 0)
        return false;
    proto_arena_clear(sim->arena);
    return proto_event_decode(item->bytes, item->size, sim->arena, &sent) == PROTO_OK &&
           proto_event_decode(stored.body.data, stored.body.size, sim->arena, &kept) == PROTO_OK &&
           proto_slice_same(sent.content, kept.content);
}

static bool is_erased(struct sim *sim, const struct sim_item *item) {
    struct work_scope all = {.all_teams = true};
    return item->has_patient && item->kind != PROTO_KIND_patient_erased &&
           state_of(sim, &sim->processes[0], &all, &item->patient) == WORK_RECORD_ERASED;
}

/* Refused although its child never left the teams of any laptop. */
static void check_refusal(struct sim *sim, const struct sim_item *item) {
    const struct sim_child *child = item->child == UINT32_MAX ? NULL : &sim->children[item->child];
    bool other_teams = false; /* of a laptop: what it still had for the old ones may be refused */
    for (uint32_t p = 0; p < sim->process_count; p++)
        other_teams |= sim->processes[p].scope_changed;
    char id[40];
    sim->totals->refused++;
    sim_text_of_id(&item->id, id);
    sim_say(sim, "%s is on a refused list", id);
    if (item->lost || item->shares_id || other_teams ||
        (child && (child->moves || child->erased || child->registered_twice)))
        return;
    sim_fail(sim, "event %s, recorded at %s, was refused without a reason", id, sim->processes[item->acked_by].name);
}

/* It came again after the server had lost it: with the time at which it came first. */
static void check_received_at(struct sim *sim, struct store_txn *txn, const struct sim_item *item) {
    uint64_t seq = 0;
    struct store_event stored;
    char id[40];
    if (!item->has_received_at || store_read_find(txn, &item->id, &seq) != PROTO_OK ||
        store_read_event(txn, seq, &stored) != PROTO_OK || stored.body.size == 0)
        return;
    sim->totals->received_again++;
    sim_text_of_id(&item->id, id);
    if (stored.received_at != item->received_at)
        sim_fail(sim, "event %s was first received at %lld, and the restored server says %lld", id,
                 (long long)item->received_at, (long long)stored.received_at);
}

static void judge_items(struct sim *sim) {
    struct store_txn *txn = read_of(sim, &sim->processes[0]);
    for (uint32_t i = 0; i < sim->item_count; i++) {
        const struct sim_item *item = &sim->items[i];
        char id[40];
        check_received_at(sim, txn, item);
        if (!item->acked || is_at_server(sim, txn, item) || is_erased(sim, item))
            continue;
        if (is_refused_somewhere(sim, item)) {
            check_refusal(sim, item);
            continue;
        }
        if (item->lost)
            continue;
        sim_text_of_id(&item->id, id);
        for (uint32_t p = 0; p < sim->process_count && item->has_patient; p++)
            if (sim->processes[p].exists)
                say_record(sim, &sim->processes[p], &item->patient);
        sim_fail(sim, "event %s (%s), acknowledged by %s, is missing at the server", id,
                 item->kind ? proto_kind_get(item->kind)->name : "?", sim->processes[item->acked_by].name);
    }
    store_read_end(txn);
}

/* --- all of it ------------------------------------------------------------------------------------------------------------------ */

static void verify(struct sim *sim, struct sim_process *process) {
    struct proto_fault fault = {0};
    uint64_t bad = 0, children = 0, rows = 0;
    if (store_verify_chain(process->store, &bad, &fault) != PROTO_OK)
        sim_fail(sim, "%s: the chain does not hold at %llu: %s", process->name, (unsigned long long)bad, fault.message);
    if (work_verify(process->store, sim->zones, &children, &rows, &fault) != PROTO_OK)
        sim_fail(sim, "%s: verify: %s", process->name, fault.message);
}

static bool count_row(void *arg, const struct work_system_row *row) {
    (void)row;
    ++*(uint64_t *)arg;
    return true;
}

static void count_system(struct sim *sim, struct sim_process *process) {
    struct store_txn *txn = read_of(sim, process);
    if (work_system_each(txn, WORK_SYSTEM_LEFT, UINT64_MAX, count_row, &sim->totals->left) != PROTO_OK ||
        work_system_each(txn, WORK_SYSTEM_REPLACED, UINT64_MAX, count_row, &sim->totals->replaced) != PROTO_OK)
        sim_fail(sim, "%s does not list what it did", process->name);
    store_read_end(txn);
}

void sim_judge(struct sim *sim) {
    struct records all;
    int64_t moment = sim_wall(&sim->processes[0]);
    records_of(sim, &sim->processes[0], &all);
    for (uint32_t p = 1; p < sim->process_count; p++)
        if (sim->processes[p].exists)
            judge_node(sim, &sim->processes[p], &all, moment);
    judge_teams(sim, &all, moment);
    judge_items(sim);
    for (uint32_t p = 0; p < sim->process_count; p++) {
        if (!sim->processes[p].exists)
            continue;
        verify(sim, &sim->processes[p]);
        count_system(sim, &sim->processes[p]);
    }
    for (uint32_t c = 0; c < sim->child_count; c++)
        sim->totals->erased += sim->children[c].erased;
}
