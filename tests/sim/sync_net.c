/*
 * sync_net.c - connections of the simulated network: two ordered pipes of bytes, late, in pieces, cut anywhere.
 *
 * What always holds: what comes out of a pipe is a prefix of what went in; bytes under way when a connection breaks arrive up to
 * some byte and no further, and each end learns of it in its own time, perhaps long after the other has connected again.
 */
#include "sync_world.h"

#include <stdlib.h>
#include <string.h>

/* --- pipes ----------------------------------------------------------------------------------------- */

static void *grown(void *memory, size_t size) {
    void *made = realloc(memory, size);
    if (!made)
        abort();
    return made;
}

static size_t pipe_size(const struct sim_pipe *pipe) {
    return pipe->end - pipe->begin;
}

static void pipe_init(struct sim_pipe *pipe, uint64_t break_after) {
    pipe->begin = pipe->end = 0;
    pipe->first = pipe->count = 0;
    pipe->written = 0;
    pipe->break_after = break_after;
    pipe->last_at = 0;
    pipe->end_at = SIM_NEVER;
    pipe->closed = false;
}

static void pipe_append(struct sim_pipe *pipe, const uint8_t *bytes, size_t size, int64_t at) {
    if (size == 0)
        return;
    if (pipe->begin == pipe->end)
        pipe->begin = pipe->end = 0;
    if (pipe->first == pipe->count)
        pipe->first = pipe->count = 0;
    if (pipe->end + size > pipe->cap) {
        pipe->cap = (pipe->end + size) * 2;
        pipe->bytes = grown(pipe->bytes, pipe->cap);
    }
    if (pipe->count == pipe->segment_cap) {
        pipe->segment_cap = pipe->segment_cap ? pipe->segment_cap * 2 : 16;
        pipe->segments = grown(pipe->segments, pipe->segment_cap * sizeof *pipe->segments);
    }
    pipe->last_at = at > pipe->last_at ? at : pipe->last_at;
    memcpy(pipe->bytes + pipe->end, bytes, size);
    pipe->end += size;
    pipe->written += size;
    pipe->segments[pipe->count++] = (struct sim_segment){pipe->last_at, size};
}

/* Of what is under way only `size` bytes arrive. */
static void pipe_keep(struct sim_pipe *pipe, size_t size) {
    size_t kept = 0;
    for (uint32_t i = pipe->first; i < pipe->count; i++) {
        if (kept + pipe->segments[i].size > size)
            pipe->segments[i].size = size - kept;
        kept += pipe->segments[i].size;
    }
    while (pipe->count > pipe->first && pipe->segments[pipe->count - 1].size == 0)
        pipe->count--;
    pipe->end = pipe->begin + kept;
}

static void pipe_end(struct sim *sim, struct sim_pipe *pipe, int64_t notice_ms) {
    int64_t last = pipe->count > pipe->first ? pipe->last_at : sim->now;
    pipe->closed = true;
    pipe->end_at = (last > sim->now ? last : sim->now) + notice_ms;
}

/* How long an end may go on believing in a connection that is no more. */
static int64_t some_notice(struct sim *sim) {
    if (sim->healing)
        return sim_below(sim, 100);
    return sim_chance(sim, sim->slow_percent) ? sim_some_ms(sim, 40000) : sim_below(sim, 200);
}

static size_t some_part(struct sim *sim, size_t size) {
    if (size == 0 || sim_chance(sim, 30))
        return sim_chance(sim, 50) ? 0 : size;
    return (size_t)(random_next(&sim->random) % (size + 1));
}

/* The next piece that is due, copied out; 0 when there is none. */
static size_t pipe_take(struct sim *sim, struct sim_pipe *pipe, uint8_t *out, size_t cap) {
    if (pipe->first == pipe->count || pipe->segments[pipe->first].at > sim->now)
        return 0;
    struct sim_segment *segment = &pipe->segments[pipe->first];
    size_t size = segment->size < cap ? segment->size : cap;
    if (size > 1 && sim_chance(sim, 12))
        size = 1 + (size_t)(random_next(&sim->random) % (size - 1));
    memcpy(out, pipe->bytes + pipe->begin, size);
    pipe->begin += size;
    segment->size -= size;
    if (segment->size == 0)
        pipe->first++;
    return size;
}

static bool pipe_ended(const struct sim *sim, const struct sim_pipe *pipe) {
    return pipe->first == pipe->count && pipe->end_at <= sim->now;
}

/* --- connections --------------------------------------------------------------------------------------- */

static uint64_t some_length(struct sim *sim) {
    if (sim->healing || !sim_chance(sim, sim->cut_percent))
        return UINT64_MAX;
    static const uint32_t scales[] = {40, 400, 3000, 20000, 60000};
    return 1 + sim_below(sim, scales[sim_below(sim, 5)]);
}

void sim_conn_open(struct sim_process *client, struct sim_process *server) {
    struct sim *sim = client->sim;
    struct sim_conn *conn = NULL;
    for (uint32_t i = 0; i < SIM_CONNS_MAX && !conn; i++)
        conn = sim->conns[i].used ? NULL : &sim->conns[i];
    if (!conn) {
        link_lost(client->link, "No port is free.");
        return;
    }
    conn->used = true;
    conn->number = ++sim->conns_made;
    conn->client = client;
    conn->server = server;
    conn->delay_ms = 1 + (sim->delay_ms_max > 1 ? sim_below(sim, (uint32_t)sim->delay_ms_max) : 0);
    conn->jitter_ms = 1 + sim_below(sim, (uint32_t)conn->delay_ms + 1);
    conn->window_bytes = sim_chance(sim, 20) ? 300 + sim_below(sim, 4000) : 1 << 20;
    pipe_init(&conn->up, some_length(sim));
    pipe_init(&conn->down, some_length(sim));
    conn->session = net_hub_open(server->hub, conn, true, sim->now);
    if (!conn->session)
        sim_conn_cut(sim, conn);
    client->conn = conn;
    sim->totals->connects++;
    sim_say(sim, "%s connects to %s (connection %u, %lld ms)", client->name, server->name, conn->number,
            (long long)conn->delay_ms);
    link_connected(client->link);
}

static void conn_write(struct sim *sim, struct sim_conn *conn, struct sim_pipe *pipe, const uint8_t *bytes,
                       size_t size) {
    if (pipe->closed)
        return;
    uint64_t room = pipe->break_after - pipe->written;
    bool breaks = size > room;
    pipe_append(pipe, bytes, breaks ? (size_t)room : size,
                sim->now + conn->delay_ms + sim_below(sim, (uint32_t)conn->jitter_ms));
    sim->totals->bytes += size;
    if (breaks)
        sim_conn_cut(sim, conn);
}

void sim_conn_send(struct sim_conn *conn, const uint8_t *bytes, size_t size) {
    conn_write(conn->server->sim, conn, &conn->up, bytes, size);
}

void sim_conn_cut(struct sim *sim, struct sim_conn *conn) {
    if (conn->up.closed && conn->down.closed)
        return;
    sim_say(sim, "connection %u is cut, %zu bytes up and %zu down under way", conn->number, pipe_size(&conn->up),
            pipe_size(&conn->down));
    sim->totals->cuts++;
    pipe_keep(&conn->up, some_part(sim, pipe_size(&conn->up)));
    pipe_keep(&conn->down, some_part(sim, pipe_size(&conn->down)));
    pipe_end(sim, &conn->up, some_notice(sim));
    pipe_end(sim, &conn->down, some_notice(sim));
}

void sim_conn_drop(struct sim *sim, struct sim_conn *conn) {
    pipe_keep(&conn->up, 0);
    pipe_keep(&conn->down, 0);
    pipe_end(sim, &conn->up, 0);
    pipe_end(sim, &conn->down, 0);
}

void sim_conn_client_close(struct sim_conn *conn) {
    struct sim *sim = conn->server->sim;
    if (conn->client)
        conn->client->conn = NULL;
    conn->client = NULL;
    pipe_keep(&conn->down, 0);
    pipe_end(sim, &conn->down, 0);
    if (sim_chance(sim, 30))
        pipe_keep(&conn->up, some_part(sim, pipe_size(&conn->up)));
    pipe_end(sim, &conn->up, some_notice(sim));
}

void sim_conn_server_close(struct sim_conn *conn, bool orderly) {
    struct sim *sim = conn->server->sim;
    net_hub_close(conn->server->hub, conn->session);
    conn->session = NULL;
    pipe_keep(&conn->up, 0);
    pipe_end(sim, &conn->up, 0);
    if (!orderly)
        pipe_keep(&conn->down, some_part(sim, pipe_size(&conn->down)));
    pipe_end(sim, &conn->down, some_notice(sim));
}

/* One turn of the server's end, as the loop of the daemon takes it. */
void sim_conn_turn(struct sim_conn *conn) {
    struct sim *sim = conn->server->sim;
    struct sim_process *server = conn->server;
    const uint8_t *bytes = NULL;
    size_t size = 0;
    if (!conn->session)
        return;
    net_hub_run(server->hub, conn->session, sim->now);
    while (pipe_size(&conn->down) < conn->window_bytes &&
           (size = net_session_output(conn->session, 65536, &bytes)) > 0) {
        conn_write(sim, conn, &conn->down, bytes, size);
        net_hub_wrote(server->hub, conn->session, size, sim->now);
    }
    if (net_session_done(conn->session))
        sim_conn_server_close(conn, conn->session->state != NET_SESSION_DEAD);
}

static bool server_step(struct sim *sim, struct sim_conn *conn) {
    uint8_t piece[65536];
    size_t size = 0;
    const uint8_t *bytes = NULL;
    if (!conn->session || conn->server->busy_until > sim->now)
        return false;
    if (net_session_wants_input(conn->session))
        size = pipe_take(sim, &conn->up, piece, sizeof piece);
    if (size > 0)
        net_session_feed(conn->session, piece, size, sim->now);
    bool writes = pipe_size(&conn->down) < conn->window_bytes && net_session_output(conn->session, 1, &bytes) > 0;
    if (size > 0 || writes) {
        sim_conn_turn(conn);
        return true;
    }
    const char *why = net_session_expired(conn->session, sim->now);
    if (!why && !pipe_ended(sim, &conn->up))
        return false;
    if (why)
        sim_say(sim, "%s drops connection %u: %s", conn->server->name, conn->number, why);
    if (!why && sim_chance(sim, 50)) { /* what was asked is still worked on, for nobody */
        net_session_end_input(conn->session);
        sim_conn_turn(conn);
    }
    if (conn->session)
        sim_conn_server_close(conn, false);
    return true;
}

static bool client_step(struct sim *sim, struct sim_conn *conn) {
    uint8_t piece[65536];
    struct sim_process *client = conn->client;
    if (!client || client->busy_until > sim->now)
        return false;
    size_t size = pipe_take(sim, &conn->down, piece, sizeof piece);
    if (size > 0) {
        link_feed(client->link, piece, size);
        return true;
    }
    if (!pipe_ended(sim, &conn->down))
        return false;
    conn->client = NULL;
    client->conn = NULL;
    pipe_end(sim, &conn->up, some_notice(sim));
    link_lost(client->link, "The connection was lost.");
    return true;
}

bool sim_conn_step(struct sim *sim, struct sim_conn *conn) {
    if (!conn->used)
        return false;
    bool did = server_step(sim, conn);
    did |= client_step(sim, conn);
    if (!conn->client && !conn->session)
        conn->used = false;
    return did;
}

static int64_t pipe_next(const struct sim_pipe *pipe) {
    return pipe->first < pipe->count ? pipe->segments[pipe->first].at : pipe->end_at;
}

int64_t sim_conn_next(const struct sim *sim, const struct sim_conn *conn) {
    int64_t next = SIM_NEVER;
    if (!conn->used)
        return next;
    if (conn->client)
        next = pipe_next(&conn->down);
    if (conn->session) {
        int64_t up = net_session_wants_input(conn->session) ? pipe_next(&conn->up) : SIM_NEVER;
        int64_t sweep = sim->now + 5000; /* deadlines of a session are looked at now and then */
        next = up < next ? up : next;
        next = sweep < next ? sweep : next;
    }
    return next;
}

void sim_conns_free(struct sim *sim) {
    for (uint32_t i = 0; i < SIM_CONNS_MAX; i++) {
        free(sim->conns[i].up.bytes);
        free(sim->conns[i].up.segments);
        free(sim->conns[i].down.bytes);
        free(sim->conns[i].down.segments);
    }
}
