/*
 * even.c - one record that the two ends hold differently: who lacks what, and that it gets there.
 *
 *   differs              their ids and hashes are listed; what they lack is offered, what is missing here is fetched by id
 *   only there           fetched whole; so is an erased one, which is then its erasure
 *   only here: unknown   all is offered
 *              in        as differs: it came meanwhile
 *              out       all is offered unless they hold the same; then the record leaves this node
 *
 * What always holds: of one record all that came is applied in one call; a record leaves when the upstream has answered for
 * every event that was here when they were listed, and nothing was recorded since (else it is looked at again).
 */
#include "link/internal.h"

static void forget(struct link_even *even) {
    for (uint32_t i = 0; i < even->got_count; i++)
        link_bytes_free(&even->got[i].answer);
    free(even->got);
    free(even->theirs);
    free(even->offers);
    free(even->fetches);
}

void link_even_reset(struct link_even *even) {
    forget(even);
    *even = (struct link_even){0};
}

static bool is_out(const struct link_even *even) {
    return even->todo.differs == LINK_DIFFERS_HERE && even->todo.state == WORK_RECORD_OUT;
}

/* ---- what is here --------------------------------------------------------------------------------------------------------- */

struct own {
    struct proto_id id;
    uint8_t hash[PROTO_HASH_BYTES];
    uint64_t seq;
    bool later; /* not a registration: those go first, without them the rest would be refused */
};

struct listing {
    struct link *link;
    struct own *own;
    uint32_t count, cap;
    bool failed;
};

static bool list_own(void *arg, const struct store_event *event) {
    struct listing *listing = arg;
    struct proto_event read;
    if (event->body.size == 0)
        return true;
    if (listing->count == listing->cap) {
        uint32_t cap = listing->cap ? listing->cap * 2 : 256;
        struct own *grown = realloc(listing->own, cap * sizeof *grown);
        if (!grown) {
            listing->failed = true;
            return false;
        }
        listing->own = grown;
        listing->cap = cap;
    }
    struct own *own = &listing->own[listing->count++];
    *own = (struct own){.id = event->id, .seq = event->seq, .later = true};
    work_event_hash(event->body, own->hash);
    proto_arena_clear(listing->link->event_arena);
    if (proto_event_decode(event->body.data, event->body.size, listing->link->event_arena, &read) == PROTO_OK)
        own->later = read.kind != PROTO_KIND_patient_registered;
    return true;
}

static int by_id(const void *a, const void *b) {
    return proto_id_compare(&((const struct own *)a)->id, &((const struct own *)b)->id);
}
static int by_turn(const void *a, const void *b) {
    const struct own *x = a, *y = b;
    if (x->later != y->later)
        return x->later ? 1 : -1;
    return x->seq < y->seq ? -1 : x->seq > y->seq;
}
static int listed_by_id(const void *a, const void *b) {
    return proto_id_compare(&((const struct link_listed *)a)->id, &((const struct link_listed *)b)->id);
}

static void sort(void *entries, size_t count, size_t size, int (*compare)(const void *, const void *)) {
    if (count > 0)
        qsort(entries, count, size, compare);
}

/* Splits what both hold: own[] becomes what they lack, fetches[] what is missing here or reads otherwise there. */
static void tell_apart(struct link_even *even, struct listing *own) {
    uint32_t kept = 0, at = 0;
    sort(own->own, own->count, sizeof *own->own, by_id);
    sort(even->theirs, even->theirs_count, sizeof *even->theirs, listed_by_id);
    for (uint32_t i = 0; i < own->count; i++) {
        const struct own *mine = &own->own[i];
        while (at < even->theirs_count && proto_id_compare(&even->theirs[at].id, &mine->id) < 0)
            even->fetches[even->fetch_count++] = even->theirs[at++].id;
        bool both = at < even->theirs_count && proto_id_compare(&even->theirs[at].id, &mine->id) == 0;
        if (!both)
            own->own[kept++] = *mine;
        else if (memcmp(even->theirs[at].hash, mine->hash, PROTO_HASH_BYTES) != 0)
            even->fetches[even->fetch_count++] = mine->id;
        at += both;
    }
    while (at < even->theirs_count)
        even->fetches[even->fetch_count++] = even->theirs[at++].id;
    own->count = kept;
}

static bool keep_lists(struct link_even *even, struct listing *own) {
    even->fetches = calloc(even->theirs_count + 1u, sizeof *even->fetches);
    even->offers = calloc(own->count + 1u, sizeof *even->offers);
    if (!even->fetches || !even->offers)
        return false;
    tell_apart(even, own);
    sort(own->own, own->count, sizeof *own->own, by_turn);
    for (uint32_t i = 0; i < own->count; i++)
        even->offers[i] = own->own[i].seq;
    even->offer_count = own->count;
    return true;
}

/* Lists what is here against `theirs`, which may be none. False: the connection begins again. */
static bool split(struct link *link, struct link_even *even) {
    struct listing own = {.link = link};
    struct work_record_place place = {0};
    struct store_txn *txn;
    enum proto_error error = store_read_begin(link->options.store, &txn);
    if (error == PROTO_OK) {
        even->listed_seq = store_txn_seq(txn);
        error = work_record_events(link->options.work, txn, &even->todo.record, &place, list_own, &own);
        store_read_end(txn);
    }
    bool well = error == PROTO_OK && !own.failed && keep_lists(even, &own);
    free(own.own);
    free(even->theirs);
    even->theirs = NULL;
    even->theirs_count = even->theirs_cap = 0;
    if (!well)
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
    return well;
}

/* ---- stages -------------------------------------------------------------------------------------------------------------------- */

static void next_stage(struct link_even *even) {
    if (even->offer_at < even->offer_count)
        even->stage = LINK_STAGE_OFFER;
    else if (even->fetch_at < even->fetch_count)
        even->stage = LINK_STAGE_FETCH;
    else if (even->got_count > 0)
        even->stage = LINK_STAGE_APPLY;
    else if (is_out(even))
        even->stage = LINK_STAGE_LEAVE;
    else
        link_even_reset(even);
}

/* What is out and held there just as here; listed_seq is then set. */
static bool is_same(struct link *link, struct link_even *even) {
    struct store_txn *txn;
    struct work_digest own;
    if (store_read_begin(link->options.store, &txn) != PROTO_OK)
        return false;
    even->listed_seq = store_txn_seq(txn);
    bool same = work_digest_get(txn, &even->todo.record, &own) == PROTO_OK && own.count == even->todo.digest.count &&
                memcmp(own.sum, even->todo.digest.sum, sizeof own.sum) == 0;
    store_read_end(txn);
    return same;
}

void link_even_begin(struct link *link, struct link_even *even, const struct link_todo *todo) {
    *even = (struct link_even){.todo = *todo};
    bool here = todo->differs == LINK_DIFFERS_HERE;
    if (todo->differs == LINK_DIFFERS_THERE || (here && todo->state == WORK_RECORD_ERASED))
        even->stage = LINK_STAGE_WHOLE;
    else if (!here || todo->state == WORK_RECORD_IN)
        even->stage = LINK_STAGE_LIST;
    else if ((is_out(even) && is_same(link, even)) || split(link, even))
        next_stage(even);
}

/* ---- asking ---------------------------------------------------------------------------------------------------------------------- */

static bool write_offer(struct link_even *even, struct store_txn *txn, struct proto_writer *w) {
    uint32_t asked = 0;
    for (uint32_t i = even->offer_at; i < even->offer_count && asked < LINK_OFFER_EVENTS; i++) {
        struct store_event event;
        size_t size = w->size;
        if (store_read_event(txn, even->offers[i], &event) != PROTO_OK)
            return false;
        if (event.body.size == 0) { /* removed since */
            memmove(&even->offers[i], &even->offers[i + 1], (even->offer_count - i - 1) * sizeof *even->offers);
            even->offer_count--;
            i--;
            continue;
        }
        bool joined = event.joined && asked > 0 && even->offers[i - 1] + 1 == even->offers[i];
        if (link_write_kept(txn, w, &event, joined) != PROTO_OK)
            return false;
        if (asked > 0 && (w->error != PROTO_OK || (!joined && w->size > LINK_OFFER_BYTES))) {
            w->error = PROTO_OK;
            w->size = size;
            break;
        }
        asked++;
    }
    even->offer_asked = asked;
    return true;
}

static void ask_offer(struct link *link, struct link_even *even, uint32_t number) {
    struct store_txn *txn;
    size_t mark;
    if (store_read_begin(link->options.store, &txn) != PROTO_OK) {
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
        return;
    }
    uint32_t generation = link->generation;
    struct proto_writer *w = link_offer_begin(link, txn, false, &mark);
    bool well = w && write_offer(even, txn, w);
    store_read_end(txn);
    if (!w || generation != link->generation)
        return;
    if (!well) {
        link_again(link, LINK_RETRY_MS, "The own log cannot be read just now.");
    } else if (even->offer_asked == 0) {
        next_stage(even);
    } else {
        proto_write_array_end(w, mark, even->offer_asked);
        even->busy = link_ask_end(link, LINK_ASK_EVEN, number);
    }
}

static void ask_ids(struct link *link, struct link_even *even, uint32_t number) {
    uint32_t left = even->fetch_count - even->fetch_at;
    struct proto_writer *w = link_ask_begin(link, "fetch");
    if (!w)
        return;
    even->fetch_asked = left < LINK_FETCH_IDS ? left : LINK_FETCH_IDS;
    proto_write_map(w, 1);
    proto_write_text(w, "ids");
    proto_write_array(w, even->fetch_asked);
    for (uint32_t i = 0; i < even->fetch_asked; i++)
        proto_write_id(w, &even->fetches[even->fetch_at + i]);
    even->busy = link_ask_end(link, LINK_ASK_EVEN, number);
}

static void ask_record(struct link *link, struct link_even *even, uint32_t number, const char *method,
                       const char *token) {
    struct proto_writer *w = link_ask_begin(link, method);
    if (!w)
        return;
    proto_write_map(w, 1u + (even->token[0] != '\0'));
    proto_write_text(w, "record");
    proto_write_id(w, &even->todo.record);
    if (even->token[0]) {
        proto_write_text(w, token);
        proto_write_text(w, even->token);
    }
    even->busy = link_ask_end(link, LINK_ASK_EVEN, number);
}

void link_even_pump(struct link *link, uint32_t number) {
    struct link_even *even = &link->compare.evens[number];
    if (even->busy)
        return;
    if (even->stage == LINK_STAGE_LIST)
        ask_record(link, even, number, "digest", "after");
    else if (even->stage == LINK_STAGE_WHOLE)
        ask_record(link, even, number, "fetch", "from");
    else if (even->stage == LINK_STAGE_OFFER)
        ask_offer(link, even, number);
    else if (even->stage == LINK_STAGE_FETCH)
        ask_ids(link, even, number);
}

/* ---- answers ------------------------------------------------------------------------------------------------------------------------ */

static bool keep_got(struct link *link, struct link_even *even, const struct net_answer *answer, uint32_t offer_count) {
    if (even->got_count == even->got_cap) {
        uint32_t cap = even->got_cap ? even->got_cap * 2 : 4;
        struct link_got *grown = realloc(even->got, cap * sizeof *grown);
        if (!grown) {
            link_again(link, LINK_RETRY_MS, "There is no memory to compare with the upstream.");
            return false;
        }
        even->got = grown;
        even->got_cap = cap;
    }
    if (even->got_bytes + answer->size > (size_t)WORK_SYNC_BYTES_MAX * 2) {
        link_malformed(link, "one record is more than can be taken at once");
        return false;
    }
    struct link_bytes kept = link_keep(link, answer);
    if (!kept.data)
        return false;
    even->got[even->got_count++] =
        (struct link_got){.answer = kept, .offer_first = even->offer_at, .offer_count = offer_count};
    even->got_bytes += kept.size;
    return true;
}

static void hear_list(struct link *link, struct link_even *even, const void *result) {
    struct link_digest_page page;
    bool well = link_read_digest(result, &page) && even->theirs_count + page.rows.count <= WORK_SYNC_EVENTS_MAX &&
                (page.rows.count > 0 || !page.token[0]);
    if (well && even->theirs_count + page.rows.count > even->theirs_cap) {
        uint32_t cap = 2 * (even->theirs_count + page.rows.count);
        struct link_listed *grown = realloc(even->theirs, cap * sizeof *grown);
        if (!grown) {
            link_again(link, LINK_RETRY_MS, "There is no memory to compare with the upstream.");
            return;
        }
        even->theirs = grown;
        even->theirs_cap = cap;
    }
    for (uint32_t i = 0; well && i < page.rows.count; i++) {
        struct link_listed *listed = &even->theirs[even->theirs_count + i];
        well = link_read_listed(&page.rows, i, &listed->id, listed->hash);
    }
    if (!well) {
        link_malformed(link, "it does not list a record's events");
        return;
    }
    even->theirs_count += page.rows.count;
    memcpy(even->token, page.token, sizeof even->token);
    if (!even->token[0] && split(link, even))
        next_stage(even);
}

static void see(struct link *link, const void *result) {
    struct proto_position at;
    if (link_read_at(result, &at))
        link_see(&link->compare.seen, &link->compare.has_seen, &at);
}

static void hear_offer(struct link *link, struct link_even *even, const struct net_answer *answer) {
    struct link_list results;
    uint64_t seq;
    if (!link_read_results(answer->result, &results, &seq) || results.count == 0 || results.count > even->offer_asked) {
        link_malformed(link, "it does not say what came of each event offered");
        return;
    }
    if (!keep_got(link, even, answer, results.count))
        return;
    see(link, answer->result);
    even->offer_at += results.count;
    next_stage(even);
}

static void hear_events(struct link *link, struct link_even *even, const struct net_answer *answer) {
    struct link_events events;
    bool whole = even->stage == LINK_STAGE_WHOLE;
    if (!link_read_events(answer->result, &events) || events.looked_at == 0 ||
        (whole && events.token[0] && events.list.count == 0)) {
        link_malformed(link, "there are no events in it");
        return;
    }
    if (events.list.count > 0 && !keep_got(link, even, answer, 0))
        return;
    see(link, answer->result);
    even->fetch_at += events.looked_at < even->fetch_asked ? (uint32_t)events.looked_at : even->fetch_asked;
    if (whole)
        memcpy(even->token, events.token, sizeof even->token);
    if (!whole || !events.token[0])
        next_stage(even);
}

void link_even_answered(struct link *link, uint32_t number, const struct net_answer *answer) {
    if (!link->compare.on || number >= LINK_WINDOW || !link->compare.evens[number].busy)
        return;
    struct link_even *even = &link->compare.evens[number];
    even->busy = false;
    if (even->stage == LINK_STAGE_LIST)
        hear_list(link, even, answer->result);
    else if (even->stage == LINK_STAGE_OFFER)
        hear_offer(link, even, answer);
    else
        hear_events(link, even, answer);
}

/* ---- applying ------------------------------------------------------------------------------------------------------------------------- */

static bool apply_got(struct link *link, struct link_even *even, struct work_call *call) {
    for (uint32_t i = 0; i < even->got_count; i++) {
        const struct link_got *got = &even->got[i];
        if (got->offer_count > 0) {
            if (!link_apply_results(link, call, even->offers + got->offer_first, got->offer_count, &got->answer))
                return false;
            continue;
        }
        struct link_events events;
        const void *result = link_kept_result(link, &got->answer);
        if (!result || !link_read_events(result, &events)) {
            link_apply_give_up(link, call);
            link_again(link, LINK_RETRY_MS, "There is no memory to compare with the upstream.");
            return false;
        }
        if (!link_apply_events(link, call, &events.list))
            return false;
    }
    return true;
}

bool link_even_apply(struct link *link, uint32_t number) {
    struct link_even *even = &link->compare.evens[number];
    if (even->busy || (even->stage != LINK_STAGE_APPLY && even->stage != LINK_STAGE_LEAVE))
        return false;
    struct work_call *call = link_apply_begin(link, LINK_APPLY_EVEN, even->listed_seq);
    if (!call)
        return true;
    if (even->stage == LINK_STAGE_LEAVE)
        work_sync_leave(call, &even->todo.record);
    else if (!apply_got(link, even, call))
        return true;
    even->busy = true;
    link->apply.even = number;
    link_apply_submit(link, call);
    return true;
}

void link_even_applied(struct link *link, uint32_t number, bool conflict) {
    struct link_even *even = &link->compare.evens[number];
    struct link_todo todo = even->todo;
    bool leave = even->stage == LINK_STAGE_APPLY && is_out(even);
    uint64_t listed_seq = even->listed_seq;
    assert(even->busy);
    link_even_reset(even);
    if (conflict) { /* events were recorded since: they go out first */
        link_even_begin(link, even, &todo);
    } else if (leave) {
        even->todo = todo;
        even->listed_seq = listed_seq;
        even->stage = LINK_STAGE_LEAVE;
    }
}
