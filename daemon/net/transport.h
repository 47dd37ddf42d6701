/*
 * transport.h - what loop.c and listen.c share. Internal to net/.
 */
#ifndef NET_TRANSPORT_H
#define NET_TRANSPORT_H

#include <uv.h>

#include "net/loop.h"

#define TRANSPORT_BACKLOG 512

union net_stream {
    uv_handle_t handle;
    uv_stream_t stream;
    uv_tcp_t tcp;
    uv_pipe_t pipe;
};

struct net_loop {
    struct net_loop_options options;
    uv_loop_t uv;
    uv_async_t async;
    uv_timer_t sweep;
    uv_idle_t turns;
    uv_signal_t signals[2];
    union net_stream tcp, pipe; /* listeners */
    bool has_tcp, has_pipe, initialized;
    bool stopping, ended;
    int64_t stopping_since;
    char tcp_address[80], socket_path[108];
    struct net_conn *conns; /* all that are not yet freed */
    char read_buffer[65536];
};

/* Takes the connection that waits at the listener, or closes it. */
void net_conn_accept(struct net_loop *loop, uv_stream_t *listener, bool is_pipe);

#endif
