/*
 * sync_process.c - one daemon of the simulated region: made on its store, stepped, stopped, killed, made again.
 *
 * What always holds: a killed process has left in its store what was committed at that moment, and nothing it does while it is
 * taken apart is seen by anybody.
 */
#include "sync_world.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* --- seams ------------------------------------------------------------------------------------------- */

int64_t sim_wall(const struct sim_process *process) {
    return process->sim->wall_base + process->sim->now + process->skew_ms;
}

static int64_t on_wall(void *arg) {
    return sim_wall(arg);
}

static int64_t on_steady(void *arg) {
    return ((struct sim_process *)arg)->sim->now;
}

static void on_entropy(void *arg, uint8_t *out, size_t n) {
    struct sim *sim = ((struct sim_process *)arg)->sim;
    for (size_t i = 0; i < n; i += 8) {
        uint64_t bits = random_next(&sim->random);
        memcpy(out + i, &bits, n - i < 8 ? n - i : 8);
    }
}

static void on_wake(void *arg) {
    ((struct sim_process *)arg)->woken = true;
}

static bool on_call(void *arg, struct net_session *session, const struct proto_message *message,
                    struct net_ticket ticket, int64_t waited_ms) {
    return serve_call(((struct sim_process *)arg)->serve, session, message, ticket, waited_ms);
}

static bool on_push(void *arg, struct net_session *session) {
    return serve_push(((struct sim_process *)arg)->serve, session);
}

static void on_gone(void *arg, struct net_session *session) {
    serve_gone(((struct sim_process *)arg)->serve, session);
}

/* --- the link's transport -------------------------------------------------------------------------------- */

enum { CONNECT_OPENS, CONNECT_REFUSED, CONNECT_LATE };

static void on_connect(void *arg) {
    struct sim_process *process = arg;
    struct sim *sim = process->sim;
    if (process->conn || process->connecting)
        sim_fail(sim, "%s connects while it is connected", process->name);
    process->connecting = true;
    process->connect_at = sim->now + sim_some_ms(sim, sim->delay_ms_max * 3);
    process->connect_how = CONNECT_OPENS;
    if (!sim->healing && sim_chance(sim, sim->slow_percent)) {
        process->connect_how = sim_chance(sim, 50) ? CONNECT_REFUSED : CONNECT_LATE;
        process->connect_at += sim_some_ms(sim, 20000);
    }
}

static void on_close(void *arg) {
    struct sim_process *process = arg;
    process->connecting = false;
    if (process->conn)
        sim_conn_client_close(process->conn);
}

static void on_send(void *arg, const uint8_t *bytes, size_t size) {
    struct sim_process *process = arg;
    if (process->conn && !process->dying)
        sim_conn_send(process->conn, bytes, size);
}

static void finish_connecting(struct sim_process *process) {
    struct sim *sim = process->sim;
    struct sim_process *server = &sim->processes[0];
    process->connecting = false;
    bool reached = process->offline_until <= sim->now && server->offline_until <= sim->now;
    if (!reached || !server->up || process->connect_how == CONNECT_REFUSED)
        link_lost(process->link, "Nobody answers there.");
    else
        sim_conn_open(process, server);
}

/* --- stores ------------------------------------------------------------------------------------------------ */

struct store_options sim_store_options(struct sim *sim) {
    struct store_options options = {.memory = true, .boot_id = "boot"};
    for (int i = 0; i < 3; i++)
        options.fresh_ids[i] = random_id(&sim->random, sim->wall_base + sim->now);
    return options;
}

void sim_store_new(struct sim_process *process) {
    struct store_options options = sim_store_options(process->sim);
    struct proto_fault fault = {0};
    if (store_open(&options, &process->store, &fault) != PROTO_OK)
        sim_fail(process->sim, "store_open: %s", fault.message);
    process->exists = true;
}

void sim_process_put_store(struct sim_process *process, struct store *store) {
    if (process->up)
        sim_fail(process->sim, "the store of a running process is exchanged");
    store_close(process->store);
    process->store = store;
}

bool sim_scope_has(const struct work_scope *scope, const char *team) {
    for (uint32_t i = 0; i < scope->team_count; i++)
        if (strcmp(scope->teams[i], team) == 0)
            return true;
    return scope->all_teams;
}

/* --- up and down --------------------------------------------------------------------------------------------- */

struct sim_process *sim_process_new(struct sim *sim, const char *what) {
    if (sim->process_count == SIM_PROCESSES_MAX)
        return NULL;
    struct sim_process *process = &sim->processes[sim->process_count];
    *process = (struct sim_process){.sim = sim, .index = sim->process_count++, .start_at = SIM_NEVER};
    (void)snprintf(process->name, sizeof process->name, "%s%u", what, process->index);
    return process;
}

static void start_link(struct sim_process *process) {
    struct link_options options = {.work = process->work,
                                   .store = process->store,
                                   .scope = process->scope,
                                   .poll_ms = process->poll_ms,
                                   .arg = process,
                                   .wall_ms = on_wall,
                                   .steady_ms = on_steady,
                                   .entropy = on_entropy,
                                   .connect = on_connect,
                                   .close = on_close,
                                   .send = on_send};
    process->link = link_new(&options);
    if (!process->link)
        abort();
}

void sim_process_start(struct sim_process *process) {
    struct sim *sim = process->sim;
    struct proto_fault fault = {0};
    struct net_hub_options hub = {
        .peers_max = 64, .on_call = on_call, .on_push = on_push, .on_gone = on_gone, .arg = process};
    net_limits_init(&hub.limits);
    process->hub = net_hub_new(&hub);
    struct work_options work = {.store = process->store,
                                .seams = {process, on_wall, on_entropy, on_wake},
                                .zones = sim->zones,
                                .order_seed = random_next(&sim->random)};
    if (!process->hub || work_open(&work, &process->work, &fault) != PROTO_OK)
        sim_fail(sim, "%s does not start: %s", process->name, fault.message);
    struct serve_options serve = {.store = process->store,
                                  .work = process->work,
                                  .hub = process->hub,
                                  .zones = sim->zones,
                                  .clock_arg = process,
                                  .wall_ms = on_wall,
                                  .steady_ms = on_steady};
    process->serve = serve_new(&serve);
    if (!process->serve)
        abort();
    process->link = NULL;
    process->conn = NULL;
    process->connecting = process->dying = false;
    process->woken = true;
    process->busy_until = 0;
    process->start_at = SIM_NEVER;
    if (process->index > 0)
        start_link(process);
    process->up = true;
    sim_say(sim, "%s starts", process->name);
}

static void close_sessions(struct sim_process *process, bool orderly) {
    for (uint32_t i = 0; i < SIM_CONNS_MAX; i++) {
        struct sim_conn *conn = &process->sim->conns[i];
        if (conn->used && conn->server == process && conn->session)
            sim_conn_server_close(conn, orderly);
    }
}

bool sim_taking_apart;

static void take_apart(struct sim_process *process, bool orderly) {
    sim_taking_apart = true;
    if (process->link)
        link_stop(process->link);
    on_close(process); /* whatever the link thinks of it, a process that is gone has no connection */
    serve_stop(process->serve);
    if (!orderly)
        close_sessions(process, false);
    work_close(process->work);
    if (orderly) {
        for (uint32_t i = 0; i < SIM_CONNS_MAX; i++) /* what was answered last still goes out */
            if (process->sim->conns[i].used && process->sim->conns[i].server == process)
                sim_conn_turn(&process->sim->conns[i]);
        close_sessions(process, true);
    }
    link_free(process->link);
    net_hub_free(process->hub);
    serve_free(process->serve);
    process->link = NULL;
    process->work = NULL;
    process->serve = NULL;
    process->hub = NULL;
    process->up = process->dying = false;
    sim_taking_apart = false;
}

void sim_process_stop(struct sim_process *process) {
    sim_say(process->sim, "%s stops", process->name);
    take_apart(process, true);
    sim_forget_calls(process);
}

void sim_process_crash(struct sim_process *process, bool lose_view) {
    struct sim *sim = process->sim;
    struct store_options options = sim_store_options(sim);
    struct store *left = store_memory_copy(process->store, &options);
    sim_say(sim, "%s is killed%s", process->name, lose_view ? " and loses its view" : "");
    sim->totals->crashes++;
    process->dying = true;
    sim_forget_calls(process);
    take_apart(process, false);
    if (lose_view)
        store_memory_crash(left, true);
    sim_process_put_store(process, left);
}

/* --- one step --------------------------------------------------------------------------------------------------- */

static bool work_step(struct sim_process *process) {
    struct sim *sim = process->sim;
    bool did = false;
    if (work_next_tick(process->work) <= sim_wall(process))
        work_tick(process->work);
    for (uint32_t n = 1 + sim_below(sim, 5); n > 0 && work_run_one(process->work); n--) {
        did = true;
        if (!sim->healing && sim_chance(sim, sim->stall_percent)) {
            process->busy_until = sim->now + sim_some_ms(sim, 400);
            return true;
        }
    }
    return did;
}

const char *sim_link_state_name(enum link_state state) {
    static const char *const names[] = {"waiting", "connecting", "greeting", "pushing",
                                        "pulling", "comparing",  "current",  "stopped"};
    return names[state];
}

static void say_link(struct sim_process *process) {
    struct link_status status;
    if (!process->sim->trace || !process->link)
        return;
    link_status_get(process->link, &status);
    if (status.state == process->link_state)
        return;
    process->link_state = status.state;
    sim_say(process->sim, "%s is %s at %llu of the server's log, %llu to go out %s", process->name,
            sim_link_state_name(status.state), (unsigned long long)status.cursor.seq,
            (unsigned long long)status.out_waiting, status.fault);
}

bool sim_process_step(struct sim_process *process) {
    struct sim *sim = process->sim;
    if (!process->up) {
        if (process->start_at > sim->now)
            return false;
        sim_process_start(process);
        return true;
    }
    if (process->busy_until > sim->now)
        return false;
    bool did = work_step(process);
    if (process->busy_until > sim->now)
        return true;
    if (process->connecting && process->connect_at <= sim->now) {
        finish_connecting(process);
        did = true;
    }
    if (process->woken) {
        process->woken = false;
        did = true;
        work_deliver(process->work);
        serve_news(process->serve);
        if (process->link)
            link_news(process->link);
    }
    net_hub_release(process->hub, sim->now);
    for (uint32_t n = net_hub_turns(process->hub); n > 0; n--) {
        struct sim_conn *conn = net_hub_turn(process->hub);
        if (!conn)
            break;
        sim_conn_turn(conn);
        did = true;
    }
    if (process->link && link_next_tick(process->link) <= sim->now) {
        link_tick(process->link);
        did = true;
    }
    say_link(process);
    struct proto_fault fault = {0};
    if (work_broken(process->work, &fault))
        sim_fail(sim, "%s is broken: %s", process->name, fault.message);
    return did;
}

int64_t sim_process_next(const struct sim_process *process) {
    const struct sim *sim = process->sim;
    if (!process->exists)
        return SIM_NEVER;
    if (!process->up)
        return process->start_at;
    if (process->busy_until > sim->now)
        return process->busy_until;
    int64_t next = work_next_tick(process->work);
    if (next != SIM_NEVER)
        next -= sim->wall_base + process->skew_ms;
    if (process->connecting && process->connect_at < next)
        next = process->connect_at;
    int64_t tick = process->link ? link_next_tick(process->link) : SIM_NEVER;
    return tick < next ? tick : next;
}
