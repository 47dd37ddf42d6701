/*
 * loop.c - see loop.h. One turn of a connection: hand out its calls, write what was answered, read on or not, close or not.
 */
#define _GNU_SOURCE
#include "net/transport.h"

#include <assert.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#define SWEEP_MS 250
#define WRITE_CHUNK_BYTES 65536 /* progress of a slow reader is seen at this grain */
#define LINGER_MS 2000          /* after the last byte the peer has so long to read it and close */
#define STOP_GRACE_MS 200       /* quiet peers are told `stopping` for so long */
#define STOP_MS_MAX 10000
#define DESCRIPTORS_KEPT 64 /* for the stores, listeners, standard streams */

struct net_conn {
    union net_stream io;
    uv_write_t write;
    uv_shutdown_t shutdown;
    struct net_loop *loop;
    struct net_session *session;
    struct net_conn *next, **link;
    bool reading, writing, closing, lingering;
    size_t write_bytes;
    int64_t linger_until;
};

uint32_t net_peers_max(void) {
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) != 0)
        return 512;
    if (limit.rlim_cur < limit.rlim_max) {
        struct rlimit raised = {limit.rlim_max, limit.rlim_max};
        if (setrlimit(RLIMIT_NOFILE, &raised) == 0)
            limit = raised;
    }
    rlim_t free_count = limit.rlim_cur > DESCRIPTORS_KEPT + 1 ? limit.rlim_cur - DESCRIPTORS_KEPT : 1;
    return free_count > PROTO_CONNECTIONS_MAX ? PROTO_CONNECTIONS_MAX : (uint32_t)free_count;
}

int64_t net_loop_now(const struct net_loop *loop) {
    (void)loop;
    return (int64_t)(uv_hrtime() / 1000000);
}

/* ---- connections ------------------------------------------------------------------------- */

static void on_conn_closed(uv_handle_t *handle) {
    struct net_conn *conn = handle->data;
    if (conn->session)
        net_hub_close(conn->loop->options.hub, conn->session);
    *conn->link = conn->next;
    if (conn->next)
        conn->next->link = conn->link;
    free(conn);
}

static void conn_close(struct net_conn *conn) {
    if (conn->closing)
        return;
    conn->closing = true;
    uv_close(&conn->io.handle, on_conn_closed);
}

static void on_alloc(uv_handle_t *handle, size_t suggested, uv_buf_t *buffer) {
    struct net_conn *conn = handle->data;
    (void)suggested;
    *buffer = uv_buf_init(conn->loop->read_buffer, sizeof conn->loop->read_buffer);
}

static void conn_turn(struct net_conn *conn);
static void ask_idle(struct net_loop *loop);

static void on_read(uv_stream_t *stream, ssize_t size, const uv_buf_t *buffer) {
    struct net_conn *conn = stream->data;
    if (size == 0)
        return;
    if (size < 0) {
        conn->reading = false;
        (void)uv_read_stop(stream);
        if (size != UV_EOF || conn->lingering) {
            conn_close(conn);
            return;
        }
        net_session_end_input(conn->session);
    } else if (conn->lingering) {
        return;
    } else {
        net_hub_counter(conn->loop->options.hub)->bytes_in += (uint64_t)size;
        net_session_feed(conn->session, buffer->base, (size_t)size, net_loop_now(conn->loop));
    }
    conn_turn(conn);
    ask_idle(conn->loop);
}

static void set_reading(struct net_conn *conn, bool wanted) {
    if (wanted == conn->reading)
        return;
    if (!wanted)
        (void)uv_read_stop(&conn->io.stream);
    else if (uv_read_start(&conn->io.stream, on_alloc, on_read) != 0) {
        conn_close(conn);
        return;
    }
    conn->reading = wanted;
}

static void on_written(uv_write_t *request, int status) {
    struct net_conn *conn = request->data;
    conn->writing = false;
    if (conn->closing)
        return;
    if (status != 0) {
        conn_close(conn);
        return;
    }
    net_hub_wrote(conn->loop->options.hub, conn->session, conn->write_bytes, net_loop_now(conn->loop));
    conn_turn(conn);
    ask_idle(conn->loop);
}

/* Writes as much as the socket takes at once; what is left goes through the loop. */
static void write_output(struct net_conn *conn) {
    const uint8_t *bytes = NULL;
    size_t size = 0;
    struct net_hub *hub = conn->loop->options.hub;
    while (!conn->writing && (size = net_session_output(conn->session, WRITE_CHUNK_BYTES, &bytes)) > 0) {
        uv_buf_t buffer = uv_buf_init((char *)(uintptr_t)bytes, (unsigned)size);
        int written = uv_try_write(&conn->io.stream, &buffer, 1);
        if (written > 0) {
            net_hub_wrote(hub, conn->session, (size_t)written, net_loop_now(conn->loop));
            continue;
        }
        conn->write.data = conn;
        conn->write_bytes = size;
        if (written != UV_EAGAIN || uv_write(&conn->write, &conn->io.stream, &buffer, 1, on_written) != 0) {
            conn_close(conn);
            return;
        }
        conn->writing = true;
    }
}

static void on_shutdown(uv_shutdown_t *request, int status) {
    struct net_conn *conn = request->data;
    if (status != 0)
        conn_close(conn);
}

/* All is said. Our side is shut and what still comes is thrown away for a moment: closing over unread input would make the
 * system take back the last answer. */
static void conn_finish(struct net_conn *conn) {
    if (conn->session->state == NET_SESSION_DEAD || conn->session->input_ended) {
        conn_close(conn);
        return;
    }
    conn->lingering = true;
    conn->linger_until = net_loop_now(conn->loop) + LINGER_MS;
    conn->shutdown.data = conn;
    if (uv_shutdown(&conn->shutdown, &conn->io.stream, on_shutdown) != 0)
        conn_close(conn);
    else
        set_reading(conn, true);
}

static void conn_turn(struct net_conn *conn) {
    if (conn->closing || conn->lingering)
        return;
    net_hub_run(conn->loop->options.hub, conn->session, net_loop_now(conn->loop));
    write_output(conn);
    if (conn->closing)
        return;
    if (net_session_done(conn->session))
        conn_finish(conn);
    else
        set_reading(conn, net_session_wants_input(conn->session));
}

/* Whoever may open the owner's socket is the owner or root; asked of the kernel all the same. */
static bool peer_is_owner(struct net_conn *conn) {
    uv_os_fd_t fd = -1;
    struct ucred peer;
    socklen_t size = sizeof peer;
    return uv_fileno(&conn->io.handle, &fd) == 0 && getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &size) == 0 &&
           (peer.uid == geteuid() || peer.uid == 0);
}

void net_conn_accept(struct net_loop *loop, uv_stream_t *listener, bool is_pipe) {
    struct net_conn *conn = calloc(1, sizeof *conn);
    if (!conn) {
        net_hub_counter(loop->options.hub)->turned_away++;
        return;
    }
    int code = is_pipe ? uv_pipe_init(&loop->uv, &conn->io.pipe, 0) : uv_tcp_init(&loop->uv, &conn->io.tcp);
    if (code != 0) {
        free(conn);
        return;
    }
    conn->loop = loop;
    conn->io.handle.data = conn;
    conn->next = loop->conns;
    conn->link = &loop->conns;
    if (conn->next)
        conn->next->link = &conn->next;
    loop->conns = conn;
    if (uv_accept(listener, &conn->io.stream) != 0 || loop->stopping) {
        conn_close(conn);
        return;
    }
    conn->session = net_hub_open(loop->options.hub, conn, is_pipe ? peer_is_owner(conn) : true, net_loop_now(loop));
    if (!conn->session) {
        conn_close(conn);
        return;
    }
    if (!is_pipe)
        (void)uv_tcp_nodelay(&conn->io.tcp, 1);
    set_reading(conn, true);
}

/* ---- turns, sweep, wake, stop ------------------------------------------------------------------ */

static void take_turns(struct net_loop *loop) {
    for (uint32_t n = net_hub_turns(loop->options.hub); n > 0; n--) {
        struct net_conn *conn = net_hub_turn(loop->options.hub);
        if (!conn)
            break;
        conn_turn(conn);
    }
}

static void on_idle(uv_idle_t *idle) {
    struct net_loop *loop = idle->data;
    take_turns(loop);
    if (net_hub_turns(loop->options.hub) == 0)
        (void)uv_idle_stop(idle);
}

static void ask_idle(struct net_loop *loop) {
    if (!loop->ended && net_hub_turns(loop->options.hub) > 0)
        (void)uv_idle_start(&loop->turns, on_idle);
}

static void end_loop(struct net_loop *loop) {
    if (loop->ended)
        return;
    loop->ended = true;
    for (struct net_conn *conn = loop->conns; conn; conn = conn->next)
        conn_close(conn);
    uv_unref((uv_handle_t *)&loop->async); /* stays for other threads until net_loop_free */
    uv_close((uv_handle_t *)&loop->sweep, NULL);
    uv_close((uv_handle_t *)&loop->turns, NULL);
    uv_close((uv_handle_t *)&loop->signals[0], NULL);
    uv_close((uv_handle_t *)&loop->signals[1], NULL);
}

static void close_listeners(struct net_loop *loop) {
    if (loop->has_tcp)
        uv_close(&loop->tcp.handle, NULL);
    if (loop->has_pipe)
        uv_close(&loop->pipe.handle, NULL); /* libuv removes the path */
    loop->has_tcp = loop->has_pipe = false;
}

/* While stopping: peers leave as soon as nothing is in flight for them. */
static void drain(struct net_loop *loop, int64_t now) {
    int64_t since = now - loop->stopping_since;
    if (since < STOP_GRACE_MS)
        return;
    bool busy = false;
    for (struct net_conn *conn = loop->conns; conn; conn = conn->next) {
        const uint8_t *bytes = NULL;
        if (conn->closing || conn->lingering)
            continue;
        if (conn->session->calls > 0 || conn->writing || net_session_output(conn->session, 1, &bytes) > 0)
            busy = true;
        else
            conn_finish(conn);
    }
    if (!busy || since >= STOP_MS_MAX)
        end_loop(loop);
}

static void on_sweep(uv_timer_t *timer) {
    struct net_loop *loop = timer->data;
    int64_t now = net_loop_now(loop);
    loop->options.on_tick(loop->options.arg);
    net_hub_release(loop->options.hub, now);
    for (struct net_conn *conn = loop->conns; conn; conn = conn->next) {
        if (conn->closing)
            continue;
        if (conn->lingering ? now >= conn->linger_until : net_session_expired(conn->session, now) != NULL) {
            net_hub_counter(loop->options.hub)->dropped += conn->lingering ? 0 : 1;
            conn_close(conn);
        }
    }
    if (loop->stopping)
        drain(loop, now);
    ask_idle(loop);
}

static void on_async(uv_async_t *async) {
    struct net_loop *loop = async->data;
    loop->options.on_wake(loop->options.arg);
    net_hub_release(loop->options.hub, net_loop_now(loop));
    take_turns(loop);
    ask_idle(loop);
}

static void on_signal(uv_signal_t *handle, int number) {
    (void)number;
    net_loop_stop(handle->data);
}

void net_loop_stop(struct net_loop *loop) {
    if (loop->stopping)
        return;
    loop->stopping = true;
    loop->stopping_since = net_loop_now(loop);
    close_listeners(loop);
    loop->options.on_stop(loop->options.arg);
}

void net_loop_wake(struct net_loop *loop) {
    (void)uv_async_send(&loop->async);
}

static int init_handles(struct net_loop *loop) {
    int code = uv_loop_init(&loop->uv);
    if (code != 0)
        return code;
    loop->initialized = true;
    loop->async.data = loop->sweep.data = loop->turns.data = loop;
    loop->signals[0].data = loop->signals[1].data = loop;
    code = uv_async_init(&loop->uv, &loop->async, on_async);
    assert(code == 0 || code == UV_EMFILE || code == UV_ENOMEM || code == UV_ENFILE);
    if (code != 0)
        return code;
    (void)uv_timer_init(&loop->uv, &loop->sweep);
    (void)uv_idle_init(&loop->uv, &loop->turns);
    (void)uv_signal_init(&loop->uv, &loop->signals[0]);
    (void)uv_signal_init(&loop->uv, &loop->signals[1]);
    code = uv_timer_start(&loop->sweep, on_sweep, SWEEP_MS, SWEEP_MS);
    if (code == 0)
        code = uv_signal_start(&loop->signals[0], on_signal, SIGTERM);
    if (code == 0)
        code = uv_signal_start(&loop->signals[1], on_signal, SIGINT);
    return code;
}

struct net_loop *net_loop_new(const struct net_loop_options *options, struct proto_fault *fault) {
    struct net_loop *loop = calloc(1, sizeof *loop);
    if (!loop) {
        (void)proto_fault_set(fault, PROTO_INTERNAL, NULL, "There is no memory for the event loop.");
        return NULL;
    }
    loop->options = *options;
    (void)signal(SIGPIPE, SIG_IGN);
    int code = init_handles(loop);
    if (code != 0) {
        (void)proto_fault_set(fault, PROTO_INTERNAL, NULL, "The event loop cannot start: %s.", uv_strerror(code));
        free(loop); /* the process ends with this */
        return NULL;
    }
    return loop;
}

void net_loop_run(struct net_loop *loop) {
    (void)uv_run(&loop->uv, UV_RUN_DEFAULT);
}

void net_loop_free(struct net_loop *loop) {
    if (!loop)
        return;
    close_listeners(loop);
    end_loop(loop);
    uv_close((uv_handle_t *)&loop->async, NULL);
    (void)uv_run(&loop->uv, UV_RUN_DEFAULT); /* close callbacks */
    int code = uv_loop_close(&loop->uv);
    assert(code == 0);
    (void)code;
    free(loop);
}
