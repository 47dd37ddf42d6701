/*
 * sync_plot.c - what happens in a world: how time goes on, which troubles there are, and how they end.
 *
 * Each world has some of the troubles and not others, so that rare meetings of two of them are not drowned by a third.
 */
#include "sync_world.h"

#include "proto/ids.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HOUR_MS INT64_C(3600000)
#define STEPS_WITHOUT_TIME_MAX 60000
#define SETTLE_MS_MAX (60 * 60000)

int64_t sim_some_ms(struct sim *sim, int64_t most) {
    static const uint32_t parts[] = {1, 1, 4, 20, 100};
    int64_t limit = most / parts[sim_below(sim, 5)];
    return 1 + (limit > 1 ? (int64_t)(random_next(&sim->random) % (uint64_t)limit) : 0);
}

/* --- time ---------------------------------------------------------------------------------------------- */

static bool step_all(struct sim *sim) {
    bool did = false;
    uint32_t n = sim->process_count, first = sim_below(sim, n + SIM_CONNS_MAX);
    for (uint32_t i = 0; i < n + SIM_CONNS_MAX; i++) {
        uint32_t at = (first + i) % (n + SIM_CONNS_MAX);
        if (at >= n)
            did |= sim_conn_step(sim, &sim->conns[at - n]);
        else if (sim->processes[at].exists)
            did |= sim_process_step(&sim->processes[at]);
    }
    return did;
}

static int64_t next_moment(const struct sim *sim) {
    int64_t next = SIM_NEVER;
    for (uint32_t p = 0; p < sim->process_count; p++) {
        int64_t at = sim_process_next(&sim->processes[p]);
        next = at < next ? at : next;
    }
    for (uint32_t c = 0; c < SIM_CONNS_MAX; c++) {
        int64_t at = sim_conn_next(sim, &sim->conns[c]);
        next = at < next ? at : next;
    }
    return next;
}

void sim_run_for(struct sim *sim, int64_t ms) {
    int64_t until = sim->now + ms;
    for (;;) {
        if (step_all(sim)) {
            if (++sim->steps_here > STEPS_WITHOUT_TIME_MAX)
                sim_fail(sim, "the region goes on for ever without time going on");
            continue;
        }
        sim->steps_here = 0;
        int64_t next = next_moment(sim);
        if (next <= sim->now)
            next = sim->now + 1;
        if (next > until)
            break;
        sim->now = next;
    }
    sim->now = until;
}

/* --- troubles ---------------------------------------------------------------------------------------------- */

static struct sim_process *some_node(struct sim *sim, bool up) {
    for (int tries = 0; tries < 10; tries++) {
        struct sim_process *process = &sim->processes[1 + sim_below(sim, sim->process_count - 1)];
        if (process->exists && process->up == up)
            return process;
    }
    return NULL;
}

static int64_t some_pause(struct sim *sim) {
    return sim_some_ms(sim, sim->pace_ms * 40);
}

static void act_cut(struct sim *sim) {
    for (int tries = 0; tries < 10; tries++) {
        struct sim_conn *conn = &sim->conns[sim_below(sim, SIM_CONNS_MAX)];
        if (!conn->used)
            continue;
        sim_conn_cut(sim, conn);
        return;
    }
}

static void act_offline(struct sim *sim) {
    struct sim_process *process = &sim->processes[sim_chance(sim, 20) ? 0 : sim_below(sim, sim->process_count)];
    process->offline_until = sim->now + some_pause(sim) * 2;
    sim_say(sim, "%s is out of reach for %lld ms", process->name, (long long)(process->offline_until - sim->now));
    for (uint32_t c = 0; c < SIM_CONNS_MAX; c++) {
        struct sim_conn *conn = &sim->conns[c];
        if (conn->used && (conn->client == process || conn->server == process))
            sim_conn_cut(sim, conn);
    }
}

static void act_stall(struct sim *sim) {
    struct sim_process *process = &sim->processes[sim_below(sim, sim->process_count)];
    process->busy_until = sim->now + some_pause(sim);
}

static void crash(struct sim *sim, struct sim_process *process) {
    if (!process || !process->up)
        return;
    sim_process_crash(process, sim_chance(sim, 20));
    process->start_at = sim->now + some_pause(sim);
}

static void act_crash_server(struct sim *sim) {
    crash(sim, &sim->processes[0]);
}

static void act_crash_node(struct sim *sim) {
    crash(sim, some_node(sim, true));
}

static void act_stop(struct sim *sim) {
    struct sim_process *process = sim_chance(sim, 30) ? &sim->processes[0] : some_node(sim, true);
    if (!process || !process->up)
        return;
    sim_process_stop(process);
    process->start_at = sim->now + some_pause(sim);
}

static void act_backup(struct sim *sim) {
    struct sim_process *process = sim_chance(sim, 60) ? &sim->processes[0] : some_node(sim, true);
    struct sim_backup *backup = &sim->backups[sim_below(sim, SIM_BACKUPS_MAX)];
    if (!process || !process->exists)
        return;
    struct store_options options = sim_store_options(sim);
    store_close(backup->store);
    *backup = (struct sim_backup){store_memory_copy(process->store, &options), process->index, sim->now};
    sim_say(sim, "a backup of %s is made", process->name);
}

static struct sim_backup *backup_of(struct sim *sim, const struct sim_process *process) {
    uint32_t first = sim_below(sim, SIM_BACKUPS_MAX);
    for (uint32_t i = 0; process && i < SIM_BACKUPS_MAX; i++) {
        struct sim_backup *backup = &sim->backups[(first + i) % SIM_BACKUPS_MAX];
        if (backup->store && backup->process == process->index)
            return backup;
    }
    return NULL;
}

/* A store is about to be gone. Whatever its process has sent is lost with it, and what others are about to do with what it said
 * before they do: only then can be told who holds what. */
static void fall_silent(struct sim *sim, struct sim_process *process) {
    if (process->up)
        sim_process_crash(process, false);
    for (uint32_t c = 0; c < SIM_CONNS_MAX; c++)
        if (sim->conns[c].used && (sim->conns[c].server == process || sim->conns[c].client == process))
            sim_conn_drop(sim, &sim->conns[c]);
    for (uint32_t p = 0; p < sim->process_count; p++)
        sim->processes[p].busy_until = 0;
    int64_t start_at = process->start_at;
    uint32_t stall_percent = sim->stall_percent;
    process->start_at = SIM_NEVER;
    sim->stall_percent = 0;
    sim_run_for(sim, 5);
    process->start_at = start_at;
    sim->stall_percent = stall_percent;
}

static void forget_received_at(struct sim *sim) {
    for (uint32_t i = 0; i < sim->item_count; i++)
        sim->items[i].has_received_at = false;
}

static void put_back(struct sim *sim, struct sim_process *process, bool announced) {
    struct sim_backup *backup = backup_of(sim, process);
    struct store_options options = sim_store_options(sim);
    struct store *store = NULL;
    if (!backup)
        return;
    fall_silent(sim, process);
    if (announced && store_memory_restore(backup->store, &options, sim_wall(process), &store) != PROTO_OK)
        sim_fail(sim, "a backup cannot be restored");
    if (!announced)
        store = store_memory_copy(backup->store, &options);
    if (!announced && sim_chance(sim, 20))
        store_memory_crash(store, true);
    sim_say(sim, "%s is %s from %lld ms ago", process->name, announced ? "restored" : "put back, unannounced,",
            (long long)(sim->now - backup->at));
    if (process->index == 0)
        sim_note_receipts(sim, process->store, store);
    else
        forget_received_at(sim); /* it may hold events again without the server's word */
    sim_process_put_store(process, store);
    process->start_at = sim->now + some_pause(sim);
    sim_note_losses(sim);
}

static void act_restore_announced(struct sim *sim) {
    put_back(sim, &sim->processes[0], true);
}

static void act_restore_server(struct sim *sim) {
    put_back(sim, &sim->processes[0], false);
}

static void act_restore_node(struct sim *sim) {
    put_back(sim, some_node(sim, sim_chance(sim, 80)), sim_chance(sim, 15));
}

static void act_clone(struct sim *sim) {
    struct sim_process *process = some_node(sim, true), *clone = NULL;
    struct store_options options = sim_store_options(sim);
    if (process)
        clone = sim_process_new(sim, "clone");
    if (!clone)
        return;
    clone->store = store_memory_copy(process->store, &options);
    clone->exists = clone->is_clone = true;
    clone->scope = process->scope;
    clone->poll_ms = process->poll_ms;
    clone->skew_ms = process->skew_ms;
    clone->scope_changed = process->scope_changed;
    clone->start_at = sim->now + some_pause(sim);
    sim_say(sim, "%s is cloned as %s", process->name, clone->name);
}

/* Stolen, broken, burnt. */
static void act_lose_node(struct sim *sim) {
    struct sim_process *process = some_node(sim, true);
    if (!process)
        return;
    fall_silent(sim, process);
    store_close(process->store);
    process->store = NULL;
    process->exists = false;
    sim_say(sim, "%s is gone for good", process->name);
    sim_note_losses(sim);
}

/* The server is gone, and the standby takes its place. */
static void act_promote(struct sim *sim) {
    struct sim_process *server = &sim->processes[0];
    for (uint32_t p = 1; p < sim->process_count; p++) {
        struct sim_process *process = &sim->processes[p];
        if (!process->exists || !process->scope.all_teams || process->is_clone)
            continue;
        fall_silent(sim, server);
        if (process->up)
            sim_process_stop(process);
        sim_say(sim, "%s takes the place of the server", process->name);
        store_close(server->store);
        server->store = process->store;
        server->skew_ms = process->skew_ms;
        server->start_at = sim->now + some_pause(sim);
        process->store = NULL;
        process->exists = false;
        process->start_at = SIM_NEVER;
        sim_note_losses(sim);
        forget_received_at(sim); /* the word of the server that is gone is nothing to this one */
        return;
    }
}

static void some_scope(struct sim *sim, struct work_scope *scope) {
    *scope = (struct work_scope){.all_teams = sim_chance(sim, 15)};
    uint32_t set = 1 + sim_below(sim, 7);
    for (uint32_t t = 0; t < SIM_TEAMS && !scope->all_teams; t++)
        if (set & (1u << t))
            (void)snprintf(scope->teams[scope->team_count++], sizeof scope->teams[0], "%s", sim_teams[t]);
}

static void say_scope(const struct sim *sim, const struct sim_process *process) {
    const struct work_scope *scope = &process->scope;
    sim_say(sim, "%s is for%s%s%s%s%s%s%s", process->name, scope->all_teams ? " all teams" : "",
            scope->team_count > 0 ? " " : "", scope->team_count > 0 ? scope->teams[0] : "",
            scope->team_count > 1 ? ", " : "", scope->team_count > 1 ? scope->teams[1] : "",
            scope->team_count > 2 ? ", " : "", scope->team_count > 2 ? scope->teams[2] : "");
}

static void act_scope(struct sim *sim) {
    struct sim_process *process = some_node(sim, true);
    if (!process)
        return;
    sim_process_stop(process);
    some_scope(sim, &process->scope);
    process->scope_changed = true;
    process->start_at = sim->now + 1;
    say_scope(sim, process);
}

/* Nights and weekends: every machine sleeps, clocks go on. */
static void act_skip(struct sim *sim) {
    int64_t ms = (int64_t)(1 + sim_below(sim, 60)) * HOUR_MS * (sim_chance(sim, 20) ? 12 : 1);
    sim->wall_base += ms;
    sim_say(sim, "%lld hours go by", (long long)(ms / HOUR_MS));
}

static int64_t some_skew(struct sim *sim) {
    static const int64_t scales[] = {1000, 60000, 10 * 60000, 3 * HOUR_MS, 72 * HOUR_MS};
    int64_t scale = scales[sim_below(sim, 5)];
    return (int64_t)(random_next(&sim->random) % (uint64_t)(2 * scale)) - scale;
}

static void act_skew(struct sim *sim) {
    struct sim_process *process = &sim->processes[sim_chance(sim, 10) ? 0 : sim_below(sim, sim->process_count)];
    process->skew_ms = some_skew(sim);
    sim_say(sim, "the clock of %s is off by %lld ms", process->name, (long long)process->skew_ms);
}

/* --- a world ----------------------------------------------------------------------------------------------------- */

static void (*const troubles[SIM_ACTIONS])(struct sim *) = {
    [SIM_CUT] = act_cut,
    [SIM_OFFLINE] = act_offline,
    [SIM_STALL] = act_stall,
    [SIM_CRASH_SERVER] = act_crash_server,
    [SIM_CRASH_NODE] = act_crash_node,
    [SIM_STOP] = act_stop,
    [SIM_BACKUP] = act_backup,
    [SIM_RESTORE_ANNOUNCED] = act_restore_announced,
    [SIM_RESTORE_SERVER] = act_restore_server,
    [SIM_RESTORE_NODE] = act_restore_node,
    [SIM_CLONE] = act_clone,
    [SIM_LOSE_NODE] = act_lose_node,
    [SIM_PROMOTE] = act_promote,
    [SIM_SCOPE] = act_scope,
    [SIM_SKIP] = act_skip,
    [SIM_SKEW] = act_skew,
};

static void act(struct sim *sim) {
    uint32_t all = 0, dice;
    for (int a = 0; a < SIM_ACTIONS; a++)
        all += sim->weights[a];
    dice = sim_below(sim, all);
    for (int a = 0; a < SIM_ACTIONS; a++) {
        if (dice >= sim->weights[a]) {
            dice -= sim->weights[a];
            continue;
        }
        sim->totals->actions[a]++;
        if (troubles[a])
            troubles[a](sim);
        else
            sim_user_act(sim, (enum sim_action)a);
        return;
    }
}

static void choose_troubles(struct sim *sim) {
    static const struct {
        uint8_t weight, percent;
    } usual[SIM_ACTIONS] = {
        [SIM_RECORD] = {160, 100},      [SIM_REGISTER] = {60, 100},
        [SIM_AGAIN] = {12, 60},         [SIM_SHARE_ID] = {4, 25},
        [SIM_MOVE] = {16, 65},          [SIM_MERGE] = {8, 45},
        [SIM_UNMERGE] = {6, 45},        [SIM_POLICY] = {5, 40},
        [SIM_RECALL] = {4, 40},         [SIM_FUTURE] = {12, 50},
        [SIM_ERASE] = {4, 25},          [SIM_NEWER] = {6, 40},
        [SIM_REFUSED] = {10, 50},       [SIM_CUT] = {20, 60},
        [SIM_OFFLINE] = {14, 60},       [SIM_STALL] = {8, 30},
        [SIM_CRASH_SERVER] = {8, 45},   [SIM_CRASH_NODE] = {12, 50},
        [SIM_STOP] = {8, 35},           [SIM_BACKUP] = {16, 80},
        [SIM_RESTORE_SERVER] = {6, 30}, [SIM_RESTORE_ANNOUNCED] = {5, 25},
        [SIM_RESTORE_NODE] = {6, 30},   [SIM_CLONE] = {3, 20},
        [SIM_LOSE_NODE] = {2, 12},      [SIM_PROMOTE] = {2, 12},
        [SIM_SCOPE] = {6, 30},          [SIM_SKIP] = {4, 40},
        [SIM_SKEW] = {6, 40},
    };
    for (int a = 0; a < SIM_ACTIONS; a++)
        sim->weights[a] = sim_chance(sim, usual[a].percent) ? usual[a].weight : 0;
    sim->cut_percent = sim_chance(sim, 60) ? sim_below(sim, 80) : 0;
    sim->slow_percent = sim_chance(sim, 60) ? sim_below(sim, 40) : 0;
    sim->stall_percent = sim_chance(sim, 50) ? sim_below(sim, 30) : 0;
    sim->delay_ms_max = sim_chance(sim, 70) ? 60 : 800;
    sim->pace_ms = 100 + sim_below(sim, 1500);
}

static void make_region(struct sim *sim) {
    uint32_t nodes = 2 + sim_below(sim, sim_chance(sim, 25) ? 7 : 3);
    struct sim_process *server = sim_process_new(sim, "server");
    sim_store_new(server);
    server->skew_ms = sim->weights[SIM_SKEW] && sim_chance(sim, 30) ? some_skew(sim) : 0;
    server->start_at = 0;
    for (uint32_t n = 0; n < nodes; n++) {
        struct sim_process *node = sim_process_new(sim, "node");
        sim_store_new(node);
        some_scope(sim, &node->scope);
        node->skew_ms = sim->weights[SIM_SKEW] ? some_skew(sim) : (int64_t)sim_below(sim, 4000) - 2000;
        node->poll_ms = 500 + sim_below(sim, 6000);
        node->start_at = sim_chance(sim, 70) ? 0 : sim_below(sim, 60000);
        if (sim_chance(sim, 10)) /* comes to work without the network, and stays so */
            node->offline_until = sim->now + 10 * HOUR_MS;
        say_scope(sim, node);
    }
}

static bool calls_wait(const struct sim *sim) {
    for (uint32_t i = 0; i < sizeof sim->calls / sizeof sim->calls[0]; i++)
        if (sim->calls[i].used)
            return true;
    return false;
}

/* Nothing waits anywhere, and nothing has come into any log since the last look. */
static bool look_quiet(struct sim *sim) {
    bool quiet = !calls_wait(sim);
    for (uint32_t p = 0; p < sim->process_count; p++) {
        struct sim_process *process = &sim->processes[p];
        struct link_status status;
        struct work_progress progress;
        if (!process->exists)
            continue;
        if (!process->up)
            return false;
        uint64_t seq = work_log_seq(process->work);
        work_progress_get(process->work, &progress);
        quiet &= seq == process->log_seq_seen && !progress.rebuilding && !progress.settling;
        process->log_seq_seen = seq;
        if (!process->link)
            continue;
        link_status_get(process->link, &status);
        quiet &= status.state == LINK_CURRENT && status.out_waiting == 0 && status.in_waiting == 0;
    }
    return quiet;
}

static void fail_unsettled(struct sim *sim) {
    char text[900] = "";
    size_t at = 0;
    for (uint32_t p = 0; p < sim->process_count && at + 120 < sizeof text; p++) {
        struct sim_process *process = &sim->processes[p];
        struct link_status status = {0};
        if (!process->exists)
            continue;
        if (process->link)
            link_status_get(process->link, &status);
        int size =
            snprintf(text + at, sizeof text - at, "; %s log %llu%s%s out %llu in %llu%s%.60s", process->name,
                     (unsigned long long)(process->up ? work_log_seq(process->work) : 0), process->link ? " " : "",
                     process->link ? sim_link_state_name(status.state) : "", (unsigned long long)status.out_waiting,
                     (unsigned long long)status.in_waiting, status.fault[0] ? " " : "", status.fault);
        at += size > 0 ? (size_t)size : 0;
    }
    sim_fail(sim, "did not settle in %d minutes%s", SETTLE_MS_MAX / 60000, text);
}

static void heal(struct sim *sim) {
    sim->healing = true;
    sim->delay_ms_max = 40;
    sim->stall_percent = 0;
    for (uint32_t p = 0; p < sim->process_count; p++) {
        struct sim_process *process = &sim->processes[p];
        process->offline_until = process->busy_until = 0;
        if (process->exists && !process->up && process->start_at > sim->now + 1000)
            process->start_at = sim->now + sim_below(sim, 1000);
    }
    for (uint32_t c = 0; c < SIM_CONNS_MAX; c++)
        if (sim->conns[c].used)
            sim->conns[c].up.break_after = sim->conns[c].down.break_after = UINT64_MAX;
    sim_say(sim, "the troubles are over");
    int64_t began = sim->now;
    uint32_t quiet = 0;
    while (quiet < 4) {
        sim_run_for(sim, 7000); /* longer than any poll */
        quiet = look_quiet(sim) ? quiet + 1 : 0;
        if (sim->now - began > SETTLE_MS_MAX)
            fail_unsettled(sim);
    }
    int64_t took = sim->now - began;
    sim->totals->settle_ms += took;
    if (took > sim->totals->settle_ms_max)
        sim->totals->settle_ms_max = took;
}

/* What is dated ahead has its time, on every node: clocks are put right, and go on until they are beyond every date. */
static void let_time_pass(struct sim *sim) {
    int64_t moment = INT64_MIN;
    for (uint32_t p = 0; p < sim->process_count; p++) {
        if (sim->processes[p].exists && sim_wall(&sim->processes[p]) > moment)
            moment = sim_wall(&sim->processes[p]);
        sim->processes[p].skew_ms = 0;
    }
    for (uint32_t i = 0; i < sim->item_count; i++)
        if (proto_id_time_ms(&sim->items[i].id) > moment)
            moment = proto_id_time_ms(&sim->items[i].id);
    sim->wall_base = moment + (int64_t)(4 + sim_below(sim, 60)) * 24 * HOUR_MS - sim->now;
    for (int tries = 0; tries < 20; tries++) {
        sim_run_for(sim, 7000);
        if (look_quiet(sim))
            return;
    }
    fail_unsettled(sim);
}

void sim_play(struct sim *sim) {
    choose_troubles(sim);
    sim_users_init(sim);
    make_region(sim);
    sim_run_for(sim, 3000);
    for (uint32_t n = 80 + sim_below(sim, 160); n > 0; n--) {
        act(sim);
        sim_run_for(sim, sim_some_ms(sim, sim->pace_ms * 3));
    }
    heal(sim);
    if (!getenv("NOTIME"))
        let_time_pass(sim);
    sim_judge(sim);
}
