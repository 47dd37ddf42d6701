/*
 * hub.c - see hub.h. Slots in one array; turns in a ring that can hold every slot once.
 */
#include "net/hub.h"

#include <assert.h>
#include <stdlib.h>

#define HUB_CALLS_A_TURN 32
#define NO_SLOT UINT32_MAX

struct slot {
    struct net_session session;
    void *transport;
    uint32_t number, generation;
    bool has_turn;
};

struct net_hub {
    struct net_hub_options options;
    struct proto_arena *arena;
    struct slot **slots; /* made when first needed, kept for reuse */
    bool *used;
    uint32_t *vacant; /* a stack of slot numbers */
    uint32_t vacant_count;
    uint32_t *turns; /* ring */
    uint32_t turn_first, turn_count;
    bool any_held;
    const struct slot *running; /* whose calls are handed out just now: it is written to right after */
    struct net_counts counts;
};

struct net_hub *net_hub_new(const struct net_hub_options *options) {
    assert(options->peers_max > 0 && options->on_call);
    struct net_hub *hub = calloc(1, sizeof *hub);
    if (!hub)
        return NULL;
    uint32_t n = options->peers_max;
    hub->options = *options;
    hub->arena = proto_arena_new();
    hub->slots = calloc(n, sizeof(struct slot *));
    hub->used = calloc(n, sizeof *hub->used);
    hub->vacant = calloc(n, sizeof *hub->vacant);
    hub->turns = calloc(n, sizeof *hub->turns);
    if (!hub->arena || !hub->slots || !hub->used || !hub->vacant || !hub->turns) {
        net_hub_free(hub);
        return NULL;
    }
    for (uint32_t i = 0; i < n; i++)
        hub->vacant[hub->vacant_count++] = n - 1 - i;
    return hub;
}

void net_hub_free(struct net_hub *hub) {
    if (!hub)
        return;
    assert(hub->counts.peers == 0);
    if (hub->slots)
        for (uint32_t i = 0; i < hub->options.peers_max; i++)
            free(hub->slots[i]);
    if (hub->arena)
        proto_arena_free(hub->arena);
    free(hub->slots);
    free(hub->used);
    free(hub->vacant);
    free(hub->turns);
    free(hub);
}

static struct slot *slot_of(struct net_session *session) {
    return (struct slot *)(void *)session; /* the session is the slot's first member */
}

static void ask_turn(struct net_hub *hub, struct slot *slot) {
    if (slot->has_turn)
        return;
    uint32_t n = hub->options.peers_max;
    assert(hub->turn_count < n);
    hub->turns[(hub->turn_first + hub->turn_count++) % n] = slot->number;
    slot->has_turn = true;
}

struct net_session *net_hub_open(struct net_hub *hub, void *transport, bool trusted, int64_t now) {
    if (hub->vacant_count == 0) {
        hub->counts.turned_away++;
        return NULL;
    }
    uint32_t number = hub->vacant[hub->vacant_count - 1];
    struct slot *slot = hub->slots[number];
    if (!slot) {
        slot = hub->slots[number] = calloc(1, sizeof *slot);
        if (!slot) {
            hub->counts.turned_away++;
            return NULL;
        }
        slot->number = number;
    }
    hub->vacant_count--;
    hub->used[number] = true;
    slot->generation++;
    slot->transport = transport;
    net_session_init(&slot->session, &hub->options.limits, trusted, now);
    hub->counts.opened++;
    hub->counts.peers++;
    return &slot->session;
}

static void drop_turn(struct net_hub *hub, struct slot *slot) {
    uint32_t n = hub->options.peers_max;
    for (uint32_t i = 0, kept = 0; slot->has_turn && i < hub->turn_count; i++) {
        uint32_t number = hub->turns[(hub->turn_first + i) % n];
        if (number != slot->number)
            hub->turns[(hub->turn_first + kept++) % n] = number;
    }
    if (slot->has_turn)
        hub->turn_count--;
    slot->has_turn = false;
}

void net_hub_close(struct net_hub *hub, struct net_session *session) {
    struct slot *slot = slot_of(session);
    assert(hub->used[slot->number]);
    if (session->follows || session->node)
        hub->options.on_gone(hub->options.arg, session);
    drop_turn(hub, slot);
    hub->counts.calls_in_flight -= session->calls;
    net_session_deinit(session);
    slot->transport = NULL;
    hub->used[slot->number] = false;
    hub->vacant[hub->vacant_count++] = slot->number;
    hub->counts.closed++;
    hub->counts.peers--;
}

static void run_slot(struct net_hub *hub, struct slot *slot, int64_t now) {
    struct net_session *session = &slot->session;
    struct proto_message message;
    size_t size = 0;
    for (int i = 0; i < HUB_CALLS_A_TURN; i++) {
        if (!net_session_next(session, hub->arena, &message, &size, now))
            return;
        uint32_t msgid = message.msgid;
        struct net_ticket ticket = {slot->number, slot->generation, msgid};
        int64_t waited_ms = session->held_since ? now - session->held_since : 0;
        /* In flight before it is handed out, so that an answer given at once finds it. */
        net_session_begin_call(session, msgid);
        hub->counts.calls_in_flight++;
        if (!hub->options.on_call(hub->options.arg, session, &message, ticket, waited_ms)) {
            net_session_undo_call(session, msgid);
            hub->counts.calls_in_flight--;
            net_session_hold(session, true, now);
            hub->any_held = true;
            return;
        }
        hub->counts.calls++;
        net_session_drop_call(session, size, now);
    }
    ask_turn(hub, slot);
}

static void push(struct net_hub *hub, struct slot *slot) {
    struct net_session *session = &slot->session;
    if (!session->follows || !net_session_can_push(session))
        return;
    bool more = hub->options.on_push(hub->options.arg, session);
    session->push_starved = more && !net_session_can_push(session);
    if (more && !session->push_starved)
        ask_turn(hub, slot);
}

void net_hub_run(struct net_hub *hub, struct net_session *session, int64_t now) {
    struct slot *slot = slot_of(session);
    hub->running = slot;
    run_slot(hub, slot, now);
    push(hub, slot);
    hub->running = NULL;
}

void net_hub_ask(struct net_hub *hub, struct net_session *session) {
    assert(session->follows);
    ask_turn(hub, slot_of(session));
}

static struct slot *find(struct net_hub *hub, struct net_ticket ticket) {
    if (ticket.slot >= hub->options.peers_max || !hub->used[ticket.slot])
        return NULL;
    struct slot *slot = hub->slots[ticket.slot];
    return slot->generation == ticket.generation ? slot : NULL;
}

void net_hub_answer(struct net_hub *hub, struct net_ticket ticket, const void *bytes, size_t size, int64_t now) {
    struct slot *slot = find(hub, ticket);
    if (!slot)
        return;
    uint32_t calls = slot->session.calls;
    net_session_answer(&slot->session, ticket.msgid, bytes, size, now);
    hub->counts.calls_in_flight -= calls - slot->session.calls;
    hub->counts.answers++;
    if (slot != hub->running)
        ask_turn(hub, slot);
}

void net_hub_release(struct net_hub *hub, int64_t now) {
    if (!hub->any_held)
        return;
    hub->any_held = false;
    for (uint32_t i = 0; i < hub->options.peers_max; i++)
        if (hub->used[i] && hub->slots[i]->session.held) {
            net_session_hold(&hub->slots[i]->session, false, now);
            ask_turn(hub, hub->slots[i]);
        }
}

void *net_hub_turn(struct net_hub *hub) {
    if (hub->turn_count == 0)
        return NULL;
    struct slot *slot = hub->slots[hub->turns[hub->turn_first]];
    hub->turn_first = (hub->turn_first + 1) % hub->options.peers_max;
    hub->turn_count--;
    slot->has_turn = false;
    assert(slot->transport);
    return slot->transport;
}

uint32_t net_hub_turns(const struct net_hub *hub) {
    return hub->turn_count;
}

void net_hub_wrote(struct net_hub *hub, struct net_session *session, size_t size, int64_t now) {
    net_session_wrote(session, size, now);
    hub->counts.bytes_out += size;
    if (net_session_can_go_on(session) || (session->push_starved && net_session_can_push(session)))
        ask_turn(hub, slot_of(session));
}

void net_hub_counts(const struct net_hub *hub, struct net_counts *out) {
    *out = hub->counts;
}

struct net_counts *net_hub_counter(struct net_hub *hub) {
    return &hub->counts;
}
