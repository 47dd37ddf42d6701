/*
 * run.c - `betonyd run`: puts the rooms together, and takes them apart in the order in which they hold each other.
 */
#include "options.h"

#include "notify.h"
#include "upstream.h"

#include "net/loop.h"
#include "serve/serve.h"
#include "work/work.h"
#include "work/zones.h"

#include <assert.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define VIEW_SYNC_MS 60000

struct daemon {
    const struct daemon_options *options;
    char boot_id[64];
    struct care_zones *zones;
    struct store *store;
    struct net_hub *hub;
    struct net_loop *loop;
    struct work *work;
    struct serve *serve;
    struct daemon_upstream *upstream; /* NULL: a server */
    struct daemon_watchdog watchdog;
    int exit_code;
    bool said_full;
};

/* After an assert of ours nobody knows what the view was told. */
static const struct store *distrusted; /* for the signal handler alone */

static void on_abort(int number) {
    if (distrusted)
        store_distrust_view(distrusted); /* safe here by its contract. NOLINT(bugprone-signal-handler) */
    (void)signal(number, SIG_DFL);
    (void)raise(number);
}

static void say(const char *sentence) {
    (void)fprintf(stderr, "betonyd: %s\n", sentence);
}

static int exit_code_of(enum proto_error error) {
    switch (error) {
    case PROTO_IN_USE:
        return EX_TEMPFAIL;
    case PROTO_BAD_VALUE:
    case PROTO_NOT_ALLOWED:
        return EX_CONFIG;
    case PROTO_INTERNAL:
        return EX_OSERR;
    default:
        return EX_IOERR;
    }
}

/* ---- seams -------------------------------------------------------------------------------- */

static void wake(void *arg) {
    struct daemon *daemon = arg;
    net_loop_wake(daemon->loop);
}

static int64_t steady_ms(void *arg) {
    struct daemon *daemon = arg;
    return net_loop_now(daemon->loop);
}

static bool on_call(void *arg, struct net_session *session, const struct proto_message *message,
                    struct net_ticket ticket, int64_t waited_ms) {
    struct daemon *daemon = arg;
    return serve_call(daemon->serve, session, message, ticket, waited_ms);
}

static bool on_push(void *arg, struct net_session *session) {
    struct daemon *daemon = arg;
    return serve_push(daemon->serve, session);
}

static void on_gone(void *arg, struct net_session *session) {
    struct daemon *daemon = arg;
    serve_gone(daemon->serve, session);
}

/* As the link has it, in the words of the protocol. */
static bool on_link_status(void *arg, struct serve_link_status *out) {
    static const char *const words[] = {
        [LINK_WAITING] = "waiting", [LINK_CONNECTING] = "connecting", [LINK_GREETING] = "greeting",
        [LINK_PUSHING] = "pushing", [LINK_PULLING] = "pulling",       [LINK_COMPARING] = "comparing",
        [LINK_CURRENT] = "current", [LINK_STOPPED] = "stopped"};
    struct daemon *daemon = arg;
    struct link_status status = {0};
    if (!daemon_upstream_status(daemon->upstream, &status))
        return false;
    assert((size_t)status.state < sizeof words / sizeof words[0]);
    *out = (struct serve_link_status){.state = words[status.state],
                                      .last_contact = status.last_contact,
                                      .clock_offset_ms = status.clock_offset_ms,
                                      .round_trip_ms = status.round_trip_ms,
                                      .out_waiting = status.out_waiting,
                                      .in_waiting = status.in_waiting,
                                      .has_cursor = status.has_cursor,
                                      .cursor = status.cursor,
                                      .upstream = status.upstream,
                                      .scope = daemon->options->scope};
    (void)snprintf(out->address, sizeof out->address, "%.*s", (int)sizeof out->address - 1, daemon->options->upstream);
    static_assert(sizeof out->fault == sizeof status.fault, "one sentence fits the other");
    memcpy(out->fault, status.fault, sizeof out->fault);
    return true;
}

/* The journal is told once that there is no room, and once that there is again. */
static void watch_room(struct daemon *daemon, bool full) {
    if (full != daemon->said_full)
        say(full ? proto_error_sentence(PROTO_FULL) : "There is room again: new events are recorded.");
    daemon->said_full = full;
}

/* A store that is broken acknowledges nothing any more: say why, and stop. */
static void watch_store(struct daemon *daemon) {
    struct proto_fault fault = {0};
    if (daemon->exit_code != EX_OK)
        return;
    if (!work_broken(daemon->work, &fault)) {
        watch_room(daemon, fault.code == PROTO_FULL);
        return;
    }
    say(fault.message[0] ? fault.message : proto_error_sentence(PROTO_BROKEN));
    daemon->exit_code = EX_IOERR;
    net_loop_stop(daemon->loop);
}

static void on_wake(void *arg) {
    struct daemon *daemon = arg;
    work_deliver(daemon->work);
    daemon_upstream_news(daemon->upstream);
    serve_news(daemon->serve);
    watch_store(daemon);
}

static void on_tick(void *arg) {
    struct daemon *daemon = arg;
    daemon_watchdog_tick(&daemon->watchdog, steady_ms(daemon));
    if (work_next_tick(daemon->work) <= daemon_wall_ms(NULL))
        work_tick(daemon->work);
    serve_news(daemon->serve);
    watch_store(daemon);
}

static void on_stop(void *arg) {
    struct daemon *daemon = arg;
    daemon_notify("STOPPING=1");
    serve_stop(daemon->serve);
    daemon_upstream_stop(daemon->upstream);
}

/* ---- up ---------------------------------------------------------------------------------------- */

static uint32_t worker_count(const struct daemon_options *options) {
    long processors = sysconf(_SC_NPROCESSORS_ONLN);
    if (options->workers)
        return options->workers;
    if (processors <= 2)
        return 1;
    return processors > 17 ? 16 : (uint32_t)processors - 1;
}

static enum proto_error open_store(struct daemon *daemon, struct proto_fault *fault) {
    struct store_options options;
    daemon_boot_id(daemon->boot_id);
    daemon_store_options(daemon->options, daemon->boot_id, &options);
    enum proto_error error = store_open(&options, &daemon->store, fault);
    if (error != PROTO_OK)
        return error;
    distrusted = daemon->store;
    (void)signal(SIGABRT, on_abort);
    return PROTO_OK;
}

static enum proto_error open_loop(struct daemon *daemon, struct proto_fault *fault) {
    struct net_hub_options hub = {.limits = daemon->options->limits,
                                  .peers_max = net_peers_max(),
                                  .on_call = on_call,
                                  .on_push = on_push,
                                  .on_gone = on_gone,
                                  .arg = daemon};
    daemon->hub = net_hub_new(&hub);
    if (!daemon->hub)
        return proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory for connections.");
    struct net_loop_options loop = {
        .hub = daemon->hub, .arg = daemon, .on_wake = on_wake, .on_tick = on_tick, .on_stop = on_stop};
    daemon->loop = net_loop_new(&loop, fault);
    return daemon->loop ? PROTO_OK : fault->code;
}

static enum proto_error open_work(struct daemon *daemon, struct proto_fault *fault) {
    struct work_options work = {
        .store = daemon->store,
        .seams = {.arg = daemon, .now_ms = daemon_wall_ms, .entropy = daemon_entropy, .wake = wake},
        .zones = daemon->zones,
        .workers = worker_count(daemon->options),
        .view_sync_ms = VIEW_SYNC_MS,
    };
    enum proto_error error = work_open(&work, &daemon->work, fault);
    if (error != PROTO_OK)
        return error;
    struct serve_options serve = {
        .store = daemon->store,
        .work = daemon->work,
        .hub = daemon->hub,
        .zones = daemon->zones,
        .clock_arg = daemon,
        .wall_ms = daemon_wall_ms,
        .steady_ms = steady_ms,
        .link_arg = daemon,
        .link_status = on_link_status,
    };
    daemon->serve = serve_new(&serve);
    return daemon->serve ? PROTO_OK
                         : proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory to answer calls.");
}

static enum proto_error open_upstream(struct daemon *daemon, struct proto_fault *fault) {
    const struct daemon_options *options = daemon->options;
    if (options->upstream[0] == '\0')
        return PROTO_OK;
    return daemon_upstream_new(options->upstream, &options->scope, daemon->loop, daemon->work, daemon->store,
                               &daemon->upstream, fault);
}

static enum proto_error listen_on(struct daemon *daemon, struct proto_fault *fault) {
    enum proto_error error = PROTO_OK;
    if (strcmp(daemon->options->listen, "none") != 0)
        error = net_loop_listen_tcp(daemon->loop, daemon->options->listen, fault);
    if (error == PROTO_OK && strcmp(daemon->options->socket, "none") != 0)
        error = net_loop_listen_socket(daemon->loop, daemon->options->socket, fault);
    return error;
}

static void say_ready(const struct daemon *daemon) {
    struct store_identity identity;
    const char *tcp = net_loop_tcp_address(daemon->loop);
    const char *path = strcmp(daemon->options->socket, "none") != 0 ? daemon->options->socket : "";
    store_identity_get(daemon->store, &identity);
    const char *upstream = daemon->options->upstream;
    (void)fprintf(stderr, "betonyd ready: store %s, listening on %s%s%s%s%s, log seq %llu\n", daemon->options->store,
                  tcp, *tcp && *path ? " and " : "", path, *upstream ? ", upstream " : "", upstream,
                  (unsigned long long)identity.log_seq);
    (void)fflush(stderr);
}

/* ---- down ---------------------------------------------------------------------------------------- */

/* Whatever was opened is closed, the last first; serve stays until work has answered its last calls. */
static void close_all(struct daemon *daemon) {
    daemon_upstream_stop(daemon->upstream);
    work_close(daemon->work);
    daemon_upstream_free(daemon->upstream);
    net_loop_free(daemon->loop);
    net_hub_free(daemon->hub);
    serve_free(daemon->serve);
    (void)signal(SIGABRT, SIG_DFL);
    distrusted = NULL;
    store_close(daemon->store);
    work_zones_free(daemon->zones);
}

int daemon_run(const struct daemon_options *options) {
    struct proto_fault fault = {0};
    struct daemon *daemon = calloc(1, sizeof *daemon);
    if (!daemon)
        return EX_OSERR;
    daemon->options = options;
    (void)signal(SIGXFSZ, SIG_IGN); /* a file at its limit is an error of that write, not the end */
    daemon->zones = work_zones_load(&fault);
    enum proto_error error = daemon->zones ? PROTO_OK : PROTO_INTERNAL;
    if (error == PROTO_OK)
        error = open_loop(daemon, &fault);
    if (error == PROTO_OK)
        error = open_store(daemon, &fault);
    if (error == PROTO_OK)
        error = open_work(daemon, &fault);
    if (error == PROTO_OK)
        error = open_upstream(daemon, &fault);
    if (error == PROTO_OK)
        error = listen_on(daemon, &fault);
    if (error == PROTO_OK) {
        say_ready(daemon);
        daemon_watchdog_init(&daemon->watchdog);
        daemon_notify("READY=1");
        net_loop_run(daemon->loop);
    } else {
        say(fault.message[0] ? fault.message : proto_error_sentence(error));
        daemon->exit_code = exit_code_of(error);
        if (daemon->serve)
            serve_stop(daemon->serve);
    }
    int code = daemon->exit_code;
    close_all(daemon);
    free(daemon);
    return code;
}
