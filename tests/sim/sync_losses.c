/*
 * sync_losses.c - a store is put back, or gone: what is lost with it and nobody's fault, and what can be proved of the rest.
 *
 * What always holds: an event counts as lost only when no store has its bytes any more, as an event or in a refused list.
 */
#define _GNU_SOURCE
#include "sync_world.h"

#include <stdlib.h>
#include <string.h>

/* --- losses -------------------------------------------------------------------------------------------------------------- */

static bool body_has(struct store_bytes body, const char *text) {
    return body.size > 0 && memmem(body.data, body.size, text, strlen(text)) != NULL;
}

/* Whether the log of a store has the item's bytes in it, as an event or within an entry of its own. */
static bool log_has(struct store_log *log, const struct sim_item *item) {
    uint64_t seq = 0;
    struct store_event stored;
    char id[40];
    if (!item->mark[0] && store_log_find(log, &item->id, &seq) == PROTO_OK &&
        store_log_read(log, seq, &stored) == PROTO_OK && stored.body.size > 0)
        return true;
    sim_text_of_id(&item->id, id);
    for (seq = 1; seq <= store_log_end(log); seq++) {
        if (store_log_read(log, seq, &stored) != PROTO_OK || stored.body.size == 0)
            continue;
        if (item->mark[0] ? body_has(stored.body, item->mark)
                          : work_entry_is_system(stored.body) && body_has(stored.body, id))
            return true;
    }
    return false;
}

void sim_note_losses(struct sim *sim) {
    struct store *copies[SIM_PROCESSES_MAX];
    struct store_log *logs[SIM_PROCESSES_MAX];
    uint32_t count = 0;
    for (uint32_t p = 0; p < sim->process_count; p++) {
        if (!sim->processes[p].exists)
            continue;
        struct store_options options = sim_store_options(sim);
        copies[count] = store_memory_copy(sim->processes[p].store, &options);
        if (store_log_begin(copies[count], &logs[count]) != PROTO_OK)
            abort();
        count++;
    }
    for (uint32_t i = 0; i < sim->item_count; i++) {
        struct sim_item *item = &sim->items[i];
        bool held = !item->acked || item->lost;
        for (uint32_t p = 0; p < count && !held; p++)
            held = log_has(logs[p], item);
        if (held)
            continue;
        char id[40];
        sim_text_of_id(&item->id, id);
        sim_say(sim, "%s %s is held by nobody any more", sim_item_name(item), id);
        item->lost = true;
        sim->totals->events_lost++;
    }
    for (uint32_t p = 0; p < count; p++) {
        store_log_abort(logs[p]);
        store_close(copies[p]);
    }
}

/* --- first received ----------------------------------------------------------------------------------------------------- */

static bool find_event(struct store_txn *txn, const struct proto_id *id, struct store_event *out) {
    uint64_t seq = 0;
    return store_read_find(txn, id, &seq) == PROTO_OK && store_read_event(txn, seq, out) == PROTO_OK &&
           out->body.size > 0;
}

/* Whether every store that holds the item has the server's word for this time; false too when none holds it. */
static bool all_have_receipt(struct sim *sim, const struct sim_item *item, int64_t received_at) {
    bool held = false, all = true;
    for (uint32_t p = 1; p < sim->process_count; p++) {
        struct store_txn *txn;
        struct store_event stored;
        int64_t at = 0;
        uint8_t receipt[STORE_RECEIPT_BYTES];
        if (!sim->processes[p].exists || store_read_begin(sim->processes[p].store, &txn) != PROTO_OK)
            continue;
        struct store_identity identity;
        store_identity_get(sim->processes[p].store, &identity);
        all &= store_txn_seq(txn) == identity.log_seq; /* else there is more than can be seen */
        if (find_event(txn, &item->id, &stored)) {
            held = true;
            all &= store_read_receipt(txn, &item->id, &at, receipt) == PROTO_OK && at == received_at;
        }
        store_read_end(txn);
    }
    return held && all;
}

/* The server is put back from `before` to `after`: what comes again is to say when it came first, where all can prove it. */
void sim_note_receipts(struct sim *sim, struct store *before, struct store *after) {
    struct store_txn *was, *is;
    if (store_read_begin(before, &was) != PROTO_OK || store_read_begin(after, &is) != PROTO_OK)
        abort();
    struct store_identity identity;
    struct store_bytes key, other;
    store_identity_get(after, &identity);
    bool seen =
        store_txn_seq(is) == identity.log_seq && store_read_mark(was, "work.site-key", &key) == PROTO_OK &&
        store_read_mark(is, "work.site-key", &other) == PROTO_OK && key.size == other.size &&
        memcmp(key.data, other.data, key.size) == 0; /* else it is another server, to which that word is nothing */
    for (uint32_t i = 0; i < sim->item_count; i++) {
        struct sim_item *item = &sim->items[i];
        struct store_event stored;
        if (seen && find_event(is, &item->id, &stored))
            continue;
        item->has_received_at = seen && !item->shares_id && find_event(was, &item->id, &stored) &&
                                all_have_receipt(sim, item, stored.received_at);
        item->received_at = item->has_received_at ? stored.received_at : 0;
    }
    store_read_end(was);
    store_read_end(is);
}
