/*
 * ask.c - requests to the upstream and to whom their answers belong; what is done about each of its errors.
 */
#include "link/internal.h"

#include "proto/pack.h"

#include <stdio.h>

uint32_t link_calls(const struct link *link) {
    return link->caller.calls;
}

struct proto_writer *link_ask_begin(struct link *link, const char *method) {
    if ((link->conn != LINK_CONN_UP && link->conn != LINK_CONN_GREETING) || !net_caller_has_room(&link->caller))
        return NULL;
    return net_caller_begin(&link->caller, method);
}

bool link_ask_end(struct link *link, enum link_ask ask, uint32_t number) {
    uint64_t tag = (uint64_t)(link->generation & 0xffffffu) << 40 | (uint64_t)ask << 32 | number;
    if (net_caller_end(&link->caller, tag) == PROTO_OK) {
        link->asked_at = link_now(link);
        return true;
    }
    link_drop(link, false, "A message to the upstream would be larger than agreed, or there is no memory for it.");
    return false;
}

void link_write_scope(const struct work_scope *scope, struct proto_writer *w) {
    proto_write_text(w, scope->all_teams ? "all_teams" : "teams");
    if (scope->all_teams) {
        proto_write_bool(w, true);
        return;
    }
    proto_write_array(w, scope->team_count);
    for (uint32_t i = 0; i < scope->team_count; i++)
        proto_write_text(w, scope->teams[i]);
}

void link_ask_flush(struct link *link) {
    size_t size;
    const uint8_t *bytes = net_caller_output(&link->caller, &size);
    if (!bytes || link->conn == LINK_CONN_NONE || link->conn == LINK_CONN_STOPPED)
        return;
    link->options.send(link->options.arg, bytes, size);
    net_caller_sent(&link->caller, size);
}

/* ---- answers that are kept ---------------------------------------------------------------------------------------- */

struct link_bytes link_keep(struct link *link, const struct net_answer *answer) {
    struct link_bytes kept = {malloc(answer->size), answer->size};
    if (!kept.data) {
        link_drop(link, false, "There is no memory for what the upstream answered.");
        return (struct link_bytes){0};
    }
    memcpy(kept.data, answer->bytes, answer->size);
    return kept;
}

const void *link_kept_result(struct link *link, const struct link_bytes *bytes) {
    const msgpack_object *object = NULL;
    size_t used;
    proto_arena_clear(link->apply_arena);
    if (proto_arena_unpack(link->apply_arena, bytes->data, bytes->size, &used, &object) != PROTO_OK)
        return NULL;
    assert(object->type == MSGPACK_OBJECT_ARRAY && object->via.array.size == 4); /* looked at when it came */
    return &object->via.array.ptr[3];
}

void link_bytes_free(struct link_bytes *bytes) {
    free(bytes->data);
    *bytes = (struct link_bytes){0};
}

/* ---- answers -------------------------------------------------------------------------------------------------------- */

void link_malformed(struct link *link, const char *what) {
    char why[200];
    (void)snprintf(why, sizeof why, "The upstream's answer cannot be used: %s.", what);
    link_drop(link, false, why);
}

static void told(struct link *link, const struct proto_fault *fault) {
    char why[256];
    int64_t wait_ms = fault->retry_ms ? fault->retry_ms : LINK_RETRY_MS;
    (void)snprintf(why, sizeof why, "The upstream says: %.230s", fault->message);
    switch (fault->code) {
    case PROTO_BUSY:
        link_again(link, wait_ms < LINK_BACKOFF_MAX_MS ? wait_ms : LINK_BACKOFF_MAX_MS, why);
        break;
    case PROTO_REBUILDING:
    case PROTO_UNKNOWN_PATIENT: /* a record that was there a moment ago */
        link_again(link, LINK_REBUILD_MS, why);
        break;
    case PROTO_FULL:
        link_again(link, LINK_FULL_MS, why);
        break;
    case PROTO_UNKNOWN_METHOD:
    case PROTO_UNKNOWN_FIELD:
    case PROTO_BAD_PARAMS:
    case PROTO_BAD_VALUE:
    case PROTO_MISSING_FIELD:
    case PROTO_NOT_ALLOWED:
    case PROTO_NOT_SIGNED_IN:
        link->not_before |= !link_same_scope(&link->scope, &link->options.scope);
        link_drop(link, true, why);
        break;
    default:
        link_drop(link, false, why);
    }
}

static void hear_fault(struct link *link, enum link_ask ask, const void *error) {
    struct proto_fault fault;
    proto_fault_read(error, &fault);
    if (ask == LINK_ASK_CLOCK) /* only the clocks: the next time, then */
        link->clock_asked = false;
    else if (ask == LINK_ASK_PAGE && fault.code == PROTO_DIVERGED)
        link_compare_begin(link);
    else if (ask == LINK_ASK_HELLO && (fault.code == PROTO_BUSY || fault.code == PROTO_FULL))
        link_drop(link, false, fault.message);
    else
        told(link, &fault);
}

static void hear(struct link *link, const struct net_answer *answer) {
    enum link_ask ask = (enum link_ask)(answer->tag >> 32 & 0xff);
    uint32_t number = (uint32_t)answer->tag;
    if (answer->tag >> 40 != (link->generation & 0xffffffu))
        return; /* asked before something failed: it is asked again */
    if (answer->error) {
        hear_fault(link, ask, answer->error);
        return;
    }
    switch (ask) {
    case LINK_ASK_HELLO:
        link_greeted(link, answer->result);
        break;
    case LINK_ASK_CLOCK:
        link_clock_answered(link, answer->result);
        break;
    case LINK_ASK_OFFER:
        link_push_answered(link, number, answer);
        break;
    case LINK_ASK_PAGE:
        link_pull_answered(link, number, answer);
        break;
    case LINK_ASK_DIGEST:
        link_compare_digest(link, answer->result);
        break;
    case LINK_ASK_STATES:
        link_compare_states(link, answer->result);
        break;
    case LINK_ASK_EVEN:
        link_even_answered(link, number, answer);
        break;
    case LINK_ASK_CHECK:
        link_check_answered(link, answer->result);
        break;
    }
}

void link_answers(struct link *link) {
    struct net_answer answer;
    while ((link->conn == LINK_CONN_UP || link->conn == LINK_CONN_GREETING) &&
           net_caller_next(&link->caller, link->arena, &answer)) {
        link->last_contact = link->options.wall_ms(link->options.arg);
        hear(link, &answer);
    }
    const struct proto_fault *fault = net_caller_fault(&link->caller);
    if (fault && (link->conn == LINK_CONN_UP || link->conn == LINK_CONN_GREETING)) {
        struct proto_fault said = *fault;
        link_drop(link, false, said.message);
    }
}
