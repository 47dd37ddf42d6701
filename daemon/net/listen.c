/*
 * listen.c - where peers come in: loopback TCP and a Unix socket. Whoever can reach either needs no sign-in, so a TCP address
 * beyond loopback is refused, and the socket belongs to its owner alone.
 */
#define _GNU_SOURCE
#include "net/address.h"
#include "net/transport.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

static void on_tcp_peer(uv_stream_t *listener, int status) {
    struct net_loop *loop = listener->data;
    if (status < 0) /* out of descriptors: libuv has closed the surplus */
        net_hub_counter(loop->options.hub)->turned_away++;
    else
        net_conn_accept(loop, listener, false);
}

static void on_socket_peer(uv_stream_t *listener, int status) {
    struct net_loop *loop = listener->data;
    if (status < 0)
        net_hub_counter(loop->options.hub)->turned_away++;
    else
        net_conn_accept(loop, listener, true);
}

static enum proto_error read_address(const char *text, struct sockaddr_storage *storage, struct proto_fault *fault) {
    struct net_address address;
    if (!net_address_split(text, &address))
        return proto_fault_set(fault, PROTO_BAD_VALUE, "listen", "%s is not an address of the form host:port.", text);
    if (strcmp(address.host, "localhost") == 0)
        memcpy(address.host, "127.0.0.1", sizeof "127.0.0.1");
    if (!net_address_numeric(&address, storage))
        return proto_fault_set(fault, PROTO_BAD_VALUE, "listen",
                               "%s is not a numeric address; write one such as 127.0.0.1:7811.", text);
    if (!net_address_is_loopback(storage))
        return proto_fault_set(
            fault, PROTO_NOT_ALLOWED, "listen",
            "%s is not a loopback address. What goes over a network must be encrypted and signed in, which "
            "this version does not offer; listen on 127.0.0.1 or ::1.",
            address.host);
    return PROTO_OK;
}

static void note_address(struct net_loop *loop) {
    struct sockaddr_storage storage;
    int size = sizeof storage;
    char host[64] = "?";
    if (uv_tcp_getsockname(&loop->tcp.tcp, (struct sockaddr *)&storage, &size) != 0)
        return;
    if (storage.ss_family == AF_INET) {
        struct sockaddr_in in;
        memcpy(&in, &storage, sizeof in);
        (void)uv_ip4_name(&in, host, sizeof host);
        (void)snprintf(loop->tcp_address, sizeof loop->tcp_address, "%s:%u", host, ntohs(in.sin_port));
    } else {
        struct sockaddr_in6 in6;
        memcpy(&in6, &storage, sizeof in6);
        (void)uv_ip6_name(&in6, host, sizeof host);
        (void)snprintf(loop->tcp_address, sizeof loop->tcp_address, "[%s]:%u", host, ntohs(in6.sin6_port));
    }
}

enum proto_error net_loop_listen_tcp(struct net_loop *loop, const char *address, struct proto_fault *fault) {
    struct sockaddr_storage storage;
    enum proto_error error = read_address(address, &storage, fault);
    if (error != PROTO_OK)
        return error;
    int code = uv_tcp_init(&loop->uv, &loop->tcp.tcp);
    if (code == 0) {
        loop->has_tcp = true;
        loop->tcp.handle.data = loop;
        code = uv_tcp_bind(&loop->tcp.tcp, (const struct sockaddr *)&storage, 0);
    }
    if (code == 0)
        code = uv_listen(&loop->tcp.stream, TRANSPORT_BACKLOG, on_tcp_peer);
    if (code != 0)
        return proto_fault_set(fault, code == UV_EADDRINUSE ? PROTO_IN_USE : PROTO_INTERNAL, "listen",
                               "Cannot listen on %s: %s.", address, uv_strerror(code));
    note_address(loop);
    return PROTO_OK;
}

/* A socket that was left behind is removed; one that somebody answers on, or a file that is no socket, is not touched. */
static enum proto_error clear_path(const char *path, struct proto_fault *fault) {
    struct stat info;
    if (lstat(path, &info) != 0)
        return PROTO_OK;
    if (!S_ISSOCK(info.st_mode))
        return proto_fault_set(fault, PROTO_IN_USE, "socket", "%s is there already and is not a socket.", path);
    struct sockaddr_un un = {.sun_family = AF_UNIX};
    memcpy(un.sun_path, path, strlen(path) + 1);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return proto_fault_set(fault, PROTO_INTERNAL, "socket", "Cannot make a socket: %s.", strerror(errno));
    bool alive = connect(fd, (const struct sockaddr *)&un, sizeof un) == 0 || errno == EAGAIN;
    (void)close(fd);
    if (alive)
        return proto_fault_set(fault, PROTO_IN_USE, "socket", "Another server listens on %s.", path);
    (void)unlink(path);
    return PROTO_OK;
}

enum proto_error net_loop_listen_socket(struct net_loop *loop, const char *path, struct proto_fault *fault) {
    if (strlen(path) >= sizeof loop->socket_path)
        return proto_fault_set(
            fault, PROTO_BAD_VALUE, "socket",
            "The path of a socket may have %zu bytes at most; %s is longer. Give a shorter one with --socket.",
            sizeof loop->socket_path - 1, path);
    enum proto_error error = clear_path(path, fault);
    if (error != PROTO_OK)
        return error;
    int code = uv_pipe_init(&loop->uv, &loop->pipe.pipe, 0);
    if (code == 0) {
        loop->has_pipe = true;
        loop->pipe.handle.data = loop;
        mode_t mask = umask(0177);
        code = uv_pipe_bind(&loop->pipe.pipe, path);
        (void)umask(mask);
    }
    if (code == 0) {
        memcpy(loop->socket_path, path, strlen(path) + 1);
        code = uv_listen(&loop->pipe.stream, TRANSPORT_BACKLOG, on_socket_peer);
    }
    if (code != 0)
        return proto_fault_set(fault, code == UV_EADDRINUSE ? PROTO_IN_USE : PROTO_INTERNAL, "socket",
                               "Cannot listen on %s: %s.", path, uv_strerror(code));
    return PROTO_OK;
}

const char *net_loop_tcp_address(const struct net_loop *loop) {
    return loop->tcp_address;
}
