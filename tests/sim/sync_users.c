/*
 * sync_users.c - who records what and where: random histories dealt out over the processes that hold the child, moves, merges,
 * erasures, policy, recalls, one event sent twice, one id given twice.
 *
 * What always holds: a user of a laptop records only for a child that the laptop shows, or registers one for a team of its
 * scope; what a user was told is recorded is remembered, and only that.
 */
#include "sync_world.h"

#include "proto/ids.h"
#include "proto/writer.h"
#include "support/care_build.h"
#include "work/patient.h"

#include <msgpack.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const sim_teams[SIM_TEAMS] = {"north-shore", "mill-lane", "fell-side"}; /* as random_events.c has them */

/* --- items ------------------------------------------------------------------------------------------------ */

static struct sim_item *item_new(struct sim *sim) {
    if (sim->item_count == sim->item_cap) {
        sim->item_cap = sim->item_cap ? sim->item_cap * 2 : 64;
        sim->items = realloc(sim->items, sim->item_cap * sizeof *sim->items);
        if (!sim->items)
            abort();
    }
    sim->items[sim->item_count] = (struct sim_item){.child = UINT32_MAX};
    return &sim->items[sim->item_count++];
}

static uint32_t item_of(struct sim *sim, const struct proto_event *event, uint32_t child) {
    uint8_t bytes[PROTO_EVENT_BYTES_MAX];
    struct proto_event stamped = *event;
    struct sim_item *item = item_new(sim);
    if (stamped.by.size == 0)
        stamped.by = (struct proto_slice){"local", 5};
    if (proto_event_encode(&stamped, bytes, sizeof bytes, &item->size) != PROTO_OK)
        abort();
    item->bytes = malloc(item->size);
    if (!item->bytes)
        abort();
    memcpy(item->bytes, bytes, item->size);
    item->id = event->id;
    item->kind = event->kind;
    item->has_patient = event->has_patient;
    item->patient = event->patient;
    item->child = child;
    return (uint32_t)(item - sim->items);
}

/* --- children ------------------------------------------------------------------------------------------------ */

static void child_init(struct sim *sim, uint32_t index) {
    static const unsigned flavours[] = {RANDOM_PLAUSIBLE, RANDOM_PLAUSIBLE | RANDOM_VOIDS,
                                        RANDOM_PLAUSIBLE | RANDOM_VOIDS, RANDOM_PLAUSIBLE | RANDOM_ROUTINE};
    struct sim_child *child = &sim->children[index];
    uint32_t count = 3 + sim_below(sim, sim_chance(sim, 20) ? 40 : 12);
    *child = (struct sim_child){0};
    random_history_init(&child->history, random_next(&sim->random), count, flavours[sim_below(sim, 4)]);
    child->first_item = sim->item_count;
    for (uint32_t i = 0; i < count; i++) {
        const struct proto_event *event = &child->history.events[i];
        (void)item_of(sim, event, index);
        if (i > 0)
            continue;
        struct proto_slice team = PROTO_BODY(event, patient_registered, team)->text;
        memcpy(child->team, team.data, team.size < 43 ? team.size : 43);
    }
    if (child->history.last_at > sim->wall_base)
        sim->wall_base = child->history.last_at;
}

void sim_users_init(struct sim *sim) {
    sim->arena = proto_arena_new();
    sim->child_count = 3 + sim_below(sim, SIM_CHILDREN_MAX - 3);
    for (uint32_t i = 0; i < sim->child_count; i++)
        child_init(sim, i);
    sim->wall_base += EV_HOUR;
}

void sim_users_deinit(struct sim *sim) {
    for (uint32_t i = 0; i < sim->child_count; i++)
        random_history_deinit(&sim->children[i].history);
    for (uint32_t i = 0; i < sim->item_count; i++)
        free(sim->items[i].bytes);
    free(sim->items);
    proto_arena_free(sim->arena);
}

/* --- calls ------------------------------------------------------------------------------------------------------ */

const char *sim_item_name(const struct sim_item *item) {
    return item->kind == PROTO_KIND_UNKNOWN ? "?" : proto_kind_get(item->kind)->name;
}

static void on_done(void *arg, struct work_call *call) {
    struct sim_call *sent = arg;
    struct sim_process *process = sent->process;
    const struct proto_fault *fault = work_call_fault(call);
    sent->used = false;
    for (uint32_t i = 0; process && i < sent->count; i++) {
        struct sim *sim = process->sim;
        struct sim_item *item = &sim->items[sent->items[i]];
        char id[40];
        sim_text_of_id(&item->id, id);
        sim_say(sim, "%s answers %s %s: %s", process->name, sim_item_name(item), id,
                fault->code == PROTO_OK ? "recorded" : fault->message);
        if (fault->code != PROTO_OK)
            continue;
        sim->totals->events_acked += !item->acked;
        sim->totals->acked_at_nodes += !item->acked && process->index > 0;
        if (!item->acked)
            item->acked_by = process->index;
        item->acked = true;
        item->lost = false;
    }
    work_call_free(call);
}

void sim_forget_calls(struct sim_process *process) {
    for (uint32_t i = 0; i < sizeof process->sim->calls / sizeof process->sim->calls[0]; i++)
        if (process->sim->calls[i].used && process->sim->calls[i].process == process)
            process->sim->calls[i].process = NULL; /* nobody is there to hear the answer */
}

static void note_sent(struct sim *sim, struct sim_item *item) {
    item->has_received_at = false; /* it may come from here first, and without the server's word */
    struct sim_child *child = item->child == UINT32_MAX ? NULL : &sim->children[item->child];
    if (!child)
        return;
    child->moves |= item->kind == PROTO_KIND_patient_moved || item->kind == PROTO_KIND_patient_merged ||
                    item->kind == PROTO_KIND_event_withdrawn || item->kind == PROTO_KIND_withdrawal_confirmed;
    child->erased |= item->kind == PROTO_KIND_patient_erased;
}

static bool add_items(struct sim *sim, struct work_call *call, const uint32_t *items, uint32_t count) {
    struct proto_fault fault = {0};
    proto_arena_clear(sim->arena);
    for (uint32_t i = 0; i < count; i++) {
        struct proto_event event;
        const struct sim_item *item = &sim->items[items[i]];
        if (proto_event_decode(item->bytes, item->size, sim->arena, &event) != PROTO_OK)
            abort();
        event.clock_offset_ms = 0;
        if (work_call_add(call, &event, &fault) != PROTO_OK)
            return false;
    }
    return true;
}

static bool send_items(struct sim *sim, struct sim_process *process, const uint32_t *items, uint32_t count) {
    static const char *const accounts[] = {"anna", "ben"};
    struct work_who who = {.all_teams = true};
    struct sim_call *sent = NULL;
    for (uint32_t i = 0; i < sizeof sim->calls / sizeof sim->calls[0] && !sent; i++)
        sent = sim->calls[i].used ? NULL : &sim->calls[i];
    if (!sent || !process->up)
        return false;
    (void)snprintf(who.account, sizeof who.account, "%s", accounts[sim_below(sim, 2)]);
    struct work_call *call = work_call_new(process->work, &who, (enum work_want)sim_below(sim, 3));
    if (!call)
        return false;
    if (!add_items(sim, call, items, count)) {
        work_call_free(call);
        return false;
    }
    *sent = (struct sim_call){.used = true, .process = process, .count = count};
    memcpy(sent->items, items, count * sizeof *items);
    for (uint32_t i = 0; i < count; i++) {
        char id[40];
        struct sim_item *item = &sim->items[items[i]];
        sim_text_of_id(&item->id, id);
        sim_say(sim, "a user of %s records %s %s%s of child %d", process->name, sim_item_name(item), id,
                i ? " (same call)" : "", (int)item->child);
        note_sent(sim, item);
    }
    work_submit(process->work, call, on_done, sent);
    return true;
}

/* --- who may record for whom ---------------------------------------------------------------------------------------- */

static bool holds(struct sim_process *process, uint32_t child) {
    struct store_txn *txn;
    struct work_patient patient;
    struct work_progress progress;
    work_progress_get(process->work, &progress);
    if (progress.rebuilding || store_read_begin(process->store, &txn) != PROTO_OK)
        return false;
    bool found = work_patient_find(txn, &process->sim->children[child].history.patient, &patient) == PROTO_OK &&
                 (patient.flags & WORK_PATIENT_REGISTERED);
    store_read_end(txn);
    return found;
}

static struct sim_process *some_process(struct sim *sim) {
    struct sim_process *process = &sim->processes[sim_below(sim, sim->process_count)];
    return process->up && process->busy_until <= sim->now ? process : NULL;
}

/* A process and a child it holds; false when chance does not find them. */
static bool some_pair(struct sim *sim, struct sim_process **process, uint32_t *child) {
    for (int tries = 0; tries < 12; tries++) {
        *process = some_process(sim);
        *child = sim_below(sim, sim->child_count);
        if (*process && holds(*process, *child))
            return true;
    }
    return false;
}

/* --- what they do ------------------------------------------------------------------------------------------------------ */

static void act_register(struct sim *sim) {
    uint32_t index = sim_below(sim, sim->child_count);
    struct sim_child *child = &sim->children[index];
    struct sim_process *process = some_process(sim);
    bool again = child->next > 0;
    if (!process || !child->team[0] || (again && !sim_chance(sim, 3)))
        return;
    if (process->index > 0 && !sim_scope_has(&process->scope, child->team))
        return;
    uint32_t items[3] = {child->first_item, child->first_item + 1, child->first_item + 2};
    if (again) { /* the same child by somebody who does not see that record: another event, the same record */
        struct proto_event event = child->history.events[0];
        event.id = random_id(&sim->random, event.at);
        items[0] = item_of(sim, &event, index);
        child->registered_twice |= send_items(sim, process, items, 1);
        return;
    }
    uint32_t count = 1 + sim_below(sim, 3);
    if (send_items(sim, process, items, count))
        child->next = count;
}

static void act_record(struct sim *sim) {
    struct sim_process *process;
    uint32_t child, items[SIM_CALL_ITEMS_MAX], count = 0;
    if (!some_pair(sim, &process, &child))
        return;
    struct sim_child *of = &sim->children[child];
    uint32_t most = 1 + (sim_chance(sim, 40) ? sim_below(sim, SIM_CALL_ITEMS_MAX) : 0);
    while (count < most && of->next < of->history.count)
        items[count++] = of->first_item + of->next++;
    if (count > 0)
        (void)send_items(sim, process, items, count);
}

/* Somebody sends what was sent before, perhaps elsewhere. */
static void act_again(struct sim *sim) {
    struct sim_process *process = some_process(sim);
    if (!process || sim->item_count == 0)
        return;
    uint32_t index = sim_below(sim, sim->item_count);
    const struct sim_item *item = &sim->items[index];
    if (item->child == UINT32_MAX || holds(process, item->child))
        if (item->child == UINT32_MAX ||
            index < sim->children[item->child].first_item + sim->children[item->child].next)
            (void)send_items(sim, process, &index, 1);
}

static uint32_t note_item(struct sim *sim, uint32_t child, const struct proto_id *id, int64_t at) {
    char text[24];
    (void)snprintf(text, sizeof text, "mark-%u-%04x", ++sim->marks_made, (unsigned)(sim->seed & 0xffff));
    struct proto_event event = EV(note_written, at, F_TEXT(note_written, text, text));
    event.patient = sim->children[child].history.patient;
    event.id = id ? *id : random_id(&sim->random, at);
    uint32_t index = item_of(sim, &event, child);
    memcpy(sim->items[index].mark, text, sizeof text);
    return index;
}

/* One id, two contents, in two places. */
static void act_share_id(struct sim *sim) {
    struct sim_process *a, *b;
    uint32_t child, other;
    if (!some_pair(sim, &a, &child) || !some_pair(sim, &b, &other) || a == b)
        return;
    if (!sim_chance(sim, 25) && holds(b, child))
        other = child;
    uint32_t first = note_item(sim, child, NULL, sim_wall(a) - 1000);
    struct proto_id id = sim->items[first].id;
    uint32_t second = note_item(sim, other, &id, sim_wall(b) - 2000);
    sim->items[first].shares_id = sim->items[second].shares_id = true;
    (void)send_items(sim, a, &first, 1);
    (void)send_items(sim, b, &second, 1);
}

static int64_t about_now(struct sim *sim, const struct sim_process *process) {
    if (sim_chance(sim, 80))
        return sim_wall(process) - sim_below(sim, 600000);
    return sim_wall(process) + (int64_t)sim_below(sim, 280000);
}

static void act_move(struct sim *sim) {
    struct sim_process *process;
    uint32_t child;
    if (!some_pair(sim, &process, &child))
        return;
    const char *team = sim_teams[sim_below(sim, SIM_TEAMS)];
    int64_t at = about_now(sim, process);
    struct proto_event event = EV(patient_moved, at, F_TEXT(patient_moved, team, team));
    event.patient = sim->children[child].history.patient;
    event.id = random_id(&sim->random, at);
    sim_say(sim, "child %u to %s", child, team);
    uint32_t items[3] = {item_of(sim, &event, child), 0, 0}, count = 1;
    if (sim_chance(sim, 40)) /* and something more about it, in the same call */
        items[count++] = note_item(sim, child, NULL, at + 1);
    (void)send_items(sim, process, items, count);
}

static void act_merge(struct sim *sim) {
    struct sim_process *process;
    uint32_t child, other = sim_below(sim, sim->child_count);
    if (!some_pair(sim, &process, &child) || other == child || !holds(process, other))
        return;
    int64_t at = about_now(sim, process);
    struct proto_event event = EV_BARE(patient_merged, at);
    event.patient = sim->children[child].history.patient;
    event.id = random_id(&sim->random, at);
    event.body[PROTO_FIELD_patient_merged_into] =
        (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = sim->children[other].history.patient};
    uint32_t item = item_of(sim, &event, child);
    sim->children[child].moves = sim->children[other].moves = true;
    sim_say(sim, "child %u into %u", child, other);
    (void)send_items(sim, process, &item, 1);
}

/* A merge, or a move, was a mistake. */
static void act_unmerge(struct sim *sim) {
    for (int tries = 0; tries < 20 && sim->item_count > 0; tries++) {
        uint32_t index = sim_below(sim, sim->item_count);
        struct sim_item target = sim->items[index];
        struct sim_process *process = some_process(sim);
        if ((target.kind != PROTO_KIND_patient_merged && target.kind != PROTO_KIND_patient_moved) || !process ||
            target.child == UINT32_MAX || !holds(process, target.child))
            continue;
        int64_t at = sim_wall(process) - 1000;
        struct proto_event event = EV(event_withdrawn, at, F_TEXT(event_withdrawn, reason, "a slip"));
        event.patient = target.patient;
        event.id = random_id(&sim->random, at);
        event.body[PROTO_FIELD_event_withdrawn_event] =
            (struct proto_value){.present = true, .type = PROTO_TYPE_ID, .id = target.id};
        uint32_t item = item_of(sim, &event, target.child);
        (void)send_items(sim, process, &item, 1);
        return;
    }
}

static void act_erase(struct sim *sim) {
    struct sim_process *process;
    uint32_t child;
    if (!some_pair(sim, &process, &child) || (process->index > 0 && !sim_chance(sim, 30)))
        return;
    int64_t at = sim_wall(process) - 1000;
    struct proto_event event = EV(patient_erased, at, F_TEXT(patient_erased, reason, "by request"),
                                  F_TEXT(patient_erased, approved_by, "Steward"));
    event.patient = sim->children[child].history.patient;
    event.id = random_id(&sim->random, at);
    uint32_t item = item_of(sim, &event, child);
    (void)send_items(sim, process, &item, 1);
}

/* Ahead of every clock by hours or days, as a laptop with a wrong clock writes it. */
static void act_future(struct sim *sim) {
    struct sim_process *process;
    uint32_t child;
    if (!some_pair(sim, &process, &child) || process->skew_ms < EV_HOUR)
        return;
    int64_t at = sim_wall(process) + 1000;
    struct proto_event event = EV(weight_measured, at, F(weight_measured, weight_kg, 1200 + sim_below(sim, 300)));
    event.patient = sim->children[child].history.patient;
    event.id = random_id(&sim->random, at);
    uint32_t item = item_of(sim, &event, child);
    (void)send_items(sim, process, &item, 1);
}

static void act_policy(struct sim *sim) {
    uint8_t bytes[512];
    struct proto_writer w;
    struct proto_fault fault = {0};
    struct proto_event event;
    msgpack_unpacked unpacked;
    struct sim_process *process = some_process(sim);
    if (!process)
        return;
    int64_t at = about_now(sim, process);
    struct proto_id id = random_id(&sim->random, at);
    const struct proto_policy_info *info =
        proto_policy_get((enum proto_policy)(1 + sim_below(sim, PROTO_POLICY_COUNT - 1)));
    bool team = sim_chance(sim, 60);
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_map(&w, 4);
    proto_write_text(&w, "id");
    proto_write_id(&w, &id);
    proto_write_text(&w, "kind");
    proto_write_text(&w, "policy.adopted");
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    proto_write_text(&w, "body");
    proto_write_map(&w, team ? 3 : 2);
    if (team) {
        proto_write_text(&w, "team");
        proto_write_text(&w, sim_teams[sim_below(sim, SIM_TEAMS)]);
    }
    proto_write_text(&w, "values");
    proto_write_map(&w, 1);
    proto_write_text(&w, info->name);
    proto_write_amount(&w, sim_chance(sim, 50) ? info->min : info->max);
    proto_write_text(&w, "approved_by");
    proto_write_text(&w, "Lead nurse");
    msgpack_unpacked_init(&unpacked);
    if (msgpack_unpack_next(&unpacked, (const char *)bytes, w.size, NULL) == MSGPACK_UNPACK_SUCCESS &&
        proto_event_decode_map(&unpacked.data, PROTO_STRICT_RECORD, &event, &fault) == PROTO_OK) {
        uint32_t item = item_of(sim, &event, UINT32_MAX);
        (void)send_items(sim, process, &item, 1);
    }
    msgpack_unpacked_destroy(&unpacked);
}

static void act_recall(struct sim *sim) {
    static const char *const gtins[] = {"6291041500213", "7300011000017", "8904000210037"}; /* GS1 check digit pages */
    struct sim_process *process = some_process(sim);
    if (!process)
        return;
    int64_t at = about_now(sim, process);
    struct proto_event event =
        EV(lot_recalled, at, F_TEXT(lot_recalled, notice, "N-7"), F(lot_recalled, urgency, PROTO_URGENCY_NOW),
           F_TEXT(lot_recalled, action, "change it"), F_TEXT(lot_recalled, gtin, gtins[sim_below(sim, 3)]));
    event.id = random_id(&sim->random, at);
    uint32_t item = item_of(sim, &event, UINT32_MAX);
    (void)send_items(sim, process, &item, 1);
}

/* --- what a newer version wrote ------------------------------------------------------------------------------------------- */

/* Canonical bytes with a kind, or a field, that this version does not know. */
static size_t write_newer(struct sim *sim, const struct sim_item *item, int64_t at, uint8_t *out, size_t cap) {
    bool known_kind = sim_chance(sim, 50);
    struct proto_writer w;
    proto_writer_init(&w, out, cap);
    proto_write_array(&w, 2);
    proto_write_map(&w, 5);
    proto_write_text(&w, "id");
    proto_write_id(&w, &item->id);
    proto_write_text(&w, "kind");
    proto_write_text(&w, known_kind ? "note.written" : "gait.watched");
    proto_write_text(&w, "patient");
    proto_write_id(&w, &item->patient);
    proto_write_text(&w, "at");
    proto_write_int(&w, at);
    proto_write_text(&w, "body");
    proto_write_map(&w, 2);
    proto_write_text(&w, "text");
    proto_write_text(&w, "walks well");
    proto_write_text(&w, "steps_min");
    proto_write_int(&w, 80);
    proto_write_map(&w, 3);
    proto_write_text(&w, "by");
    proto_write_text(&w, "anna");
    proto_write_text(&w, "node");
    proto_write_id(&w, &item->id);
    proto_write_text(&w, "written_at");
    proto_write_int(&w, at);
    return w.error == PROTO_OK ? w.size : 0;
}

static bool store_shows(struct sim_process *process, const struct proto_id *patient) {
    struct store_txn *txn;
    struct work_patient found;
    if (store_read_begin(process->store, &txn) != PROTO_OK)
        return false;
    bool shows = work_patient_find(txn, patient, &found) == PROTO_OK && (found.flags & WORK_PATIENT_REGISTERED) &&
                 !(found.flags & WORK_PATIENT_ERASED);
    store_read_end(txn);
    return shows;
}

/* A newer version ran on this store for a while, and recorded something: it is in the log when this one starts again. */
static void act_newer(struct sim *sim) {
    struct sim_process *process = &sim->processes[sim_below(sim, sim->process_count)];
    uint32_t child = sim_below(sim, sim->child_count);
    const struct proto_id *patient = &sim->children[child].history.patient;
    uint8_t bytes[512];
    if (!process->exists || !store_shows(process, patient))
        return;
    if (process->up) {
        sim_process_stop(process);
        process->start_at = sim->now + sim_some_ms(sim, 2000);
    }
    int64_t at = sim_wall(process) - 1000;
    uint32_t index = (uint32_t)(item_new(sim) - sim->items);
    struct sim_item *item = &sim->items[index];
    item->id = random_id(&sim->random, at);
    item->patient = *patient;
    item->has_patient = true;
    item->child = child;
    item->size = write_newer(sim, item, at, bytes, sizeof bytes);
    item->bytes = malloc(item->size);
    if (!item->bytes)
        abort();
    memcpy(item->bytes, bytes, item->size);
    struct store_log *log;
    struct store_event event = {.id = item->id, .received_at = at, .body = {bytes, item->size}};
    uint64_t nonce[2] = {random_next(&sim->random), random_next(&sim->random)};
    memcpy(event.nonce, nonce, sizeof event.nonce);
    if (store_log_begin(process->store, &log) != PROTO_OK || store_log_append(log, &event) != PROTO_OK ||
        store_log_commit(log) != PROTO_OK)
        sim_fail(sim, "%s: an event cannot be put into the log", process->name);
    item->acked = true;
    item->acked_by = process->index;
    char id[40];
    sim_text_of_id(&item->id, id);
    sim_say(sim, "a newer version on %s has recorded %s of child %u", process->name, id, child);
}

/* --- the refused list ------------------------------------------------------------------------------------------------------- */

struct refused {
    struct sim *sim;
    uint64_t seq;
};

static bool choose_refused(void *arg, const struct work_system_row *row) {
    struct refused *refused = arg;
    refused->seq = row->seq;
    return sim_chance(refused->sim, 50);
}

static void on_settled(void *arg, struct work_call *call) {
    (void)arg;
    work_call_free(call);
}

/* Somebody looks at a refused list and sends one of it again. */
static void act_refused(struct sim *sim) {
    static const struct work_sync_from nobody;
    uint32_t first = sim_below(sim, sim->process_count);
    for (uint32_t i = 0; i < sim->process_count; i++) {
        struct sim_process *process = &sim->processes[(first + i) % sim->process_count];
        struct refused refused = {.sim = sim};
        struct store_txn *txn;
        struct work_progress progress;
        if (!process->up || process->busy_until > sim->now)
            continue;
        work_progress_get(process->work, &progress);
        if (progress.rebuilding || store_read_begin(process->store, &txn) != PROTO_OK)
            continue;
        enum proto_error error = work_system_each(txn, WORK_SYSTEM_REFUSED, UINT64_MAX, choose_refused, &refused);
        store_read_end(txn);
        struct work_call *call =
            error == PROTO_OK && refused.seq ? work_sync_new(process->work, WORK_SYNC_PAGE, &nobody) : NULL;
        if (!call)
            continue;
        sim_say(sim, "a user of %s sends what was refused again", process->name);
        work_sync_settle(call, refused.seq, true);
        work_submit(process->work, call, on_settled, NULL);
        return;
    }
}

void sim_user_act(struct sim *sim, enum sim_action action) {
    static void (*const acts[SIM_ACTIONS])(struct sim *) = {
        [SIM_RECORD] = act_record,     [SIM_REGISTER] = act_register, [SIM_AGAIN] = act_again,
        [SIM_SHARE_ID] = act_share_id, [SIM_MOVE] = act_move,         [SIM_MERGE] = act_merge,
        [SIM_UNMERGE] = act_unmerge,   [SIM_POLICY] = act_policy,     [SIM_RECALL] = act_recall,
        [SIM_FUTURE] = act_future,     [SIM_ERASE] = act_erase,       [SIM_NEWER] = act_newer,
        [SIM_REFUSED] = act_refused};
    acts[action](sim);
}
