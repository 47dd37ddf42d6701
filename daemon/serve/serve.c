/*
 * serve.c - see serve.h. One call: may it be made, what are its parameters, who answers it, and its answer on the way.
 */
#include "serve/internal.h"

#include "guard/rights.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define REBUILD_RETRY_MS 1000

/* How a method reads: with the view's snapshot open, or without. */
struct method {
    serve_method_fn answer;
    bool reads_view;
};

static const struct method methods[PROTO_METHOD_COUNT] = {
    [PROTO_METHOD_hello] = {serve_hello, false},
    [PROTO_METHOD_ping] = {serve_ping, false},
    [PROTO_METHOD_kinds] = {serve_kinds, false},
    [PROTO_METHOD_rules] = {serve_rules, true},
    [PROTO_METHOD_record] = {serve_record, false},
    [PROTO_METHOD_due] = {serve_due, true},
    [PROTO_METHOD_alerts] = {serve_alerts, true},
    [PROTO_METHOD_tally] = {serve_tally, true},
    [PROTO_METHOD_patients] = {serve_patients, true},
    [PROTO_METHOD_patient] = {serve_patient, true},
    [PROTO_METHOD_history] = {serve_history, true},
    [PROTO_METHOD_devices] = {serve_devices, true},
    [PROTO_METHOD_stats] = {serve_stats, false},
    [PROTO_METHOD_follow] = {serve_follow, true},
    [PROTO_METHOD_unfollow] = {serve_unfollow, false},
    [PROTO_METHOD_offer] = {serve_offer, true},
    [PROTO_METHOD_fetch] = {serve_fetch, true},
    [PROTO_METHOD_digest] = {serve_digest, true},
    [PROTO_METHOD_sync_state] = {serve_sync_state, false},
    [PROTO_METHOD_refused] = {serve_refused, true},
    [PROTO_METHOD_nodes] = {serve_nodes, true},
};

#define COUNT_ONE(ident, wire, waits, help) +1
static_assert(0 PROTO_METHODS(COUNT_ONE) == 21, "a new method needs its line in `methods`");

static struct proto_slice slice_of(const char *text) {
    return (struct proto_slice){text, (uint32_t)strlen(text)};
}

static void look_up_names(struct serve *serve) {
    for (uint32_t i = 1; i < sizeof serve->state_names / sizeof serve->state_names[0]; i++)
        serve->state_names[i] = slice_of(proto_choice_name("task_state", i));
    for (uint32_t i = 1; i < PROTO_stoma_count; i++)
        serve->stoma_names[i] = slice_of(proto_choice_name("stoma", i));
    for (enum proto_task task = PROTO_TASK_NONE + 1; task < PROTO_TASK_COUNT; task++) {
        serve->task_names[task] = slice_of(proto_task_name(task));
        serve->task_titles[task] = slice_of(proto_task_title(task));
    }
}

struct serve *serve_new(const struct serve_options *options) {
    struct serve *serve = calloc(1, sizeof *serve);
    if (!serve)
        return NULL;
    serve->options = *options;
    serve->answer = malloc(PROTO_MESSAGE_BYTES_MAX);
    serve->status = malloc(PROTO_STATUS_BYTES_MAX);
    serve->probe = calloc(1, sizeof *serve->probe);
    serve->arena = proto_arena_new();
    serve->child = work_child_new(options->work);
    look_up_names(serve);
    if (!serve->answer || !serve->status || !serve->probe || !serve->arena || !serve->child) {
        serve_free(serve);
        return NULL;
    }
    return serve;
}

void serve_free(struct serve *serve) {
    if (!serve)
        return;
    if (serve->child)
        work_child_free(serve->child);
    if (serve->arena)
        proto_arena_free(serve->arena);
    free(serve->probe);
    free(serve->status);
    free(serve->answer);
    free(serve->teams);
    assert(!serve->follows && !serve->nodes); /* every peer has gone before */
    free(serve);
}

void serve_stop(struct serve *serve) {
    serve->stopping = true; /* nothing is read any more, and the child holds something of work/ */
    work_child_free(serve->child);
    serve->child = NULL;
}

uint32_t serve_roles(const struct net_session *session) {
    return session->trusted ? GUARD_ALL_ROLES : 0;
}

void serve_who(const struct net_session *session, struct work_who *who) {
    memset(who, 0, sizeof *who);
    static_assert(sizeof who->account >= sizeof session->account, "an account's name fits");
    (void)snprintf(who->account, sizeof who->account, "%s", session->account[0] ? session->account : "local");
    who->all_teams = session->trusted;
}

void serve_translate(struct proto_fault *fault) {
    if (fault->code <= PROTO_OUTCOME_UNKNOWN)
        return;
    (void)fprintf(stderr, "betonyd: %s: %s\n", proto_error_code(fault->code), fault->message);
    (void)proto_fault_set(fault, PROTO_INTERNAL, NULL, "%s", proto_error_sentence(PROTO_INTERNAL));
}

void serve_send_fault(struct serve *serve, struct net_ticket ticket, const struct proto_fault *fault) {
    struct proto_writer w;
    struct proto_fault travels = *fault;
    serve_translate(&travels);
    serve->errors[travels.code]++;
    proto_writer_init(&w, serve->answer, PROTO_MESSAGE_BYTES_MAX);
    proto_write_fault(&w, ticket.msgid, &travels);
    assert(w.error == PROTO_OK);
    net_hub_answer(serve->options.hub, ticket, w.bytes, w.size, serve->options.steady_ms(serve->options.clock_arg));
}

/* What stands before any method: is the server there for it, may the caller call it, are the parameters right. */
static enum proto_error admit(struct serve_request *r, const struct proto_message *message) {
    struct work_progress progress;
    struct proto_fault *fault = &r->fault;
    if (r->method == PROTO_METHOD_UNKNOWN)
        return proto_fault_set(fault, PROTO_UNKNOWN_METHOD, NULL, "There is no method %.*s.", (int)message->method.size,
                               message->method.data ? message->method.data : "");
    if (r->serve->stopping)
        return proto_fault_set(fault, PROTO_STOPPING, NULL, "%s", proto_error_sentence(PROTO_STOPPING));
    if (!r->session->trusted && r->method != PROTO_METHOD_hello && r->method != PROTO_METHOD_ping)
        return proto_fault_set(fault, PROTO_NOT_SIGNED_IN, NULL, "%s", proto_error_sentence(PROTO_NOT_SIGNED_IN));
    if (r->session->trusted && !guard_may_call(serve_roles(r->session), r->method))
        return proto_fault_set(fault, PROTO_NOT_ALLOWED, NULL, "%s", proto_error_sentence(PROTO_NOT_ALLOWED));
    enum proto_error error = proto_params_decode(r->method, message->params, r->values, fault);
    if (error != PROTO_OK)
        return error;
    work_progress_get(r->serve->options.work, &progress);
    if (progress.rebuilding && proto_method_get(r->method)->waits)
        return proto_fault_set(fault, PROTO_REBUILDING, NULL, "%s", proto_error_sentence(PROTO_REBUILDING));
    return PROTO_OK;
}

static enum proto_error answer_method(struct serve_request *r) {
    const struct method *method = &methods[r->method];
    enum proto_error error = PROTO_OK;
    assert(method->answer);
    if (method->reads_view)
        error = store_read_begin(r->serve->options.store, &r->txn);
    if (error == PROTO_OK)
        error = method->answer(r);
    if (r->txn)
        store_read_end(r->txn);
    r->txn = NULL;
    if (error == PROTO_OK && !r->later && r->w->error != PROTO_OK)
        error = r->w->error;
    return error;
}

static void refuse(struct serve_request *r, enum proto_error error) {
    if (r->fault.code == PROTO_OK)
        (void)proto_fault_set(&r->fault, error, NULL, "%s", proto_error_sentence(error));
    if (r->fault.code == PROTO_REBUILDING && r->fault.retry_ms == 0)
        r->fault.retry_ms = REBUILD_RETRY_MS;
    serve_send_fault(r->serve, r->ticket, &r->fault);
}

bool serve_call(void *arg, struct net_session *session, const struct proto_message *message, struct net_ticket ticket,
                int64_t waited_ms) {
    struct serve *serve = arg;
    struct proto_writer w;
    struct serve_request r = {
        .serve = serve,
        .session = session,
        .ticket = ticket,
        .method = proto_method_find(message->method),
        .now = serve->options.wall_ms(serve->options.clock_arg),
        .waited_ms = waited_ms,
        .w = &w,
    };
    proto_writer_init(&w, serve->answer, PROTO_MESSAGE_BYTES_MAX);
    proto_write_result_begin(&w, ticket.msgid);
    enum proto_error error = admit(&r, message);
    if (error == PROTO_OK)
        error = answer_method(&r);
    if (r.put_off)
        return false;
    serve->calls[r.method]++;
    if (error != PROTO_OK)
        refuse(&r, error);
    else if (!r.later)
        net_hub_answer(serve->options.hub, ticket, w.bytes, w.size, serve->options.steady_ms(serve->options.clock_arg));
    return true;
}
