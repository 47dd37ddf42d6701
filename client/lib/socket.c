/*
 * socket.c - bytes to and from the server, each step against a deadline.
 *
 * What always holds: the descriptor never blocks; a send reads what the server says meanwhile, so that two sides with
 * full buffers cannot wait for one another; a peer that is gone is an error value and never a signal.
 */
#define _GNU_SOURCE
#include "lib.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#define READ_BYTES 65536u

int64_t lib_now_ms(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

void lib_wait_ms(int64_t ms) {
    struct timespec left = {.tv_sec = ms / 1000, .tv_nsec = (ms % 1000) * 1000000};
    while (nanosleep(&left, &left) != 0 && errno == EINTR)
        continue;
}

/* Waits until the descriptor is ready for one of `events`: those it is ready for, 0 at the deadline. */
static short wait_ready(int fd, short events, int64_t deadline_ms) {
    for (;;) {
        int64_t left = deadline_ms - lib_now_ms();
        if (left < 0)
            left = 0;
        struct pollfd poll_fd = {.fd = fd, .events = events};
        int ready = poll(&poll_fd, 1, (int)left);
        if (ready > 0)
            return poll_fd.revents;
        if (ready == 0 || errno != EINTR)
            return 0;
    }
}

/* --- connecting --------------------------------------------------------------------------------------------------- */

/* Finishes a connect that was begun: 0, or the errno. */
static int connect_finish(int fd, const struct sockaddr *address, socklen_t size, int64_t deadline_ms) {
    if (connect(fd, address, size) == 0)
        return 0;
    if (errno != EINPROGRESS && errno != EINTR)
        return errno;
    if (!wait_ready(fd, POLLOUT, deadline_ms))
        return ETIMEDOUT;
    int failure = 0;
    socklen_t failure_size = sizeof failure;
    if (getsockopt(fd, SOL_SOCKET, SO_ERROR, &failure, &failure_size) != 0)
        return errno;
    return failure;
}

static enum betony_error fail_connect(struct betony *b, int failure) {
    if (failure == ETIMEDOUT)
        return lib_fail(b, BETONY_TIMED_OUT, "The server at %.120s did not take the connection in time.", b->where);
    return lib_fail(b, BETONY_UNREACHABLE, "No server answers at %.120s (%s); is betonyd running?", b->where,
                    strerrordesc_np(failure));
}

static enum betony_error open_unix(struct betony *b, const char *path, int64_t deadline_ms) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    size_t size = strlen(path);
    if (size == 0 || size >= sizeof address.sun_path)
        return lib_fail(b, BETONY_MISUSE, "A Unix socket's path has 1 to %zu bytes, not %zu.",
                        sizeof address.sun_path - 1, size);
    memcpy(address.sun_path, path, size);
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return fail_connect(b, errno);
    int failure = connect_finish(fd, (const struct sockaddr *)(const void *)&address, sizeof address, deadline_ms);
    if (failure) {
        (void)close(fd);
        return fail_connect(b, failure);
    }
    b->fd = fd;
    return BETONY_OK;
}

/* "HOST:PORT" or "[HOST]:PORT" into two texts. */
static bool split_host(const char *where, char host[256], char port[16]) {
    const char *colon = strrchr(where, ':');
    if (!colon || colon == where || !colon[1] || strlen(colon + 1) >= 16)
        return false;
    const char *start = where;
    size_t size = (size_t)(colon - where);
    if (where[0] == '[' && size > 2 && colon[-1] == ']') {
        start++;
        size -= 2;
    } else if (memchr(where, ':', size)) {
        return false; /* a bare IPv6 address: which colon ends it cannot be told */
    }
    if (size >= 256)
        return false;
    memcpy(host, start, size);
    host[size] = '\0';
    memcpy(port, colon + 1, strlen(colon + 1) + 1);
    return true;
}

static bool is_loopback(const struct sockaddr *address) {
    if (address->sa_family == AF_INET) {
        struct sockaddr_in v4;
        memcpy(&v4, address, sizeof v4);
        return (ntohl(v4.sin_addr.s_addr) >> 24) == 127;
    }
    if (address->sa_family == AF_INET6) {
        struct sockaddr_in6 v6;
        memcpy(&v6, address, sizeof v6);
        return IN6_IS_ADDR_LOOPBACK(&v6.sin6_addr);
    }
    return false;
}

/* Tries one address: 0, or the errno. */
static int open_address(struct betony *b, const struct addrinfo *address, int64_t deadline_ms) {
    int fd = socket(address->ai_family, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return errno;
    int failure = connect_finish(fd, address->ai_addr, address->ai_addrlen, deadline_ms);
    if (failure) {
        (void)close(fd);
        return failure;
    }
    int on = 1;
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    b->fd = fd;
    return 0;
}

static enum betony_error open_tcp(struct betony *b, int64_t deadline_ms) {
    char host[256], port[16];
    if (!split_host(b->where, host, port))
        return lib_fail(b, BETONY_MISUSE, "\"%.120s\" is neither unix:PATH nor HOST:PORT.", b->where);
    struct addrinfo hints = {.ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICSERV};
    struct addrinfo *found = NULL;
    int looked_up = getaddrinfo(host, port, &hints, &found);
    if (looked_up != 0)
        return lib_fail(b, BETONY_UNREACHABLE, "%.120s cannot be looked up (%s).", b->where, gai_strerror(looked_up));
    int failure = EHOSTUNREACH;
    bool tried = false;
    for (const struct addrinfo *a = found; a && failure != 0; a = a->ai_next) {
        if (!is_loopback(a->ai_addr))
            continue;
        tried = true;
        failure = open_address(b, a, deadline_ms);
    }
    freeaddrinfo(found);
    if (!tried)
        return lib_fail(b, BETONY_MISUSE,
                        "%.120s is another machine, and this version has no TLS: children's records may not cross a "
                        "network in the clear.",
                        b->where);
    return failure ? fail_connect(b, failure) : BETONY_OK;
}

enum betony_error lib_socket_open(struct betony *b, int64_t deadline_ms) {
    if (strncmp(b->where, "unix:", 5) == 0)
        return open_unix(b, b->where + 5, deadline_ms);
    return open_tcp(b, deadline_ms);
}

/* --- bytes -------------------------------------------------------------------------------------------------------- */

static bool make_room(struct betony *b) {
    if (b->input_start > 0 && (b->input_start == b->input_end || b->input_cap - b->input_end < READ_BYTES)) {
        memmove(b->input, b->input + b->input_start, b->input_end - b->input_start);
        b->input_end -= b->input_start;
        b->input_start = 0;
    }
    if (b->input_cap - b->input_end >= READ_BYTES)
        return true;
    size_t cap = b->input_cap ? b->input_cap * 2 : 2 * (size_t)READ_BYTES;
    uint8_t *grown = realloc(b->input, cap);
    if (!grown)
        return false;
    b->input = grown;
    b->input_cap = cap;
    return true;
}

/* Reads what is there: OK also when there was nothing yet. */
static enum betony_error read_some(struct betony *b) {
    if (!make_room(b))
        return lib_fail(b, BETONY_NO_MEMORY, "There is no memory for the server's answer.");
    ssize_t got = recv(b->fd, b->input + b->input_end, READ_BYTES, 0);
    if (got > 0) {
        b->input_end += (size_t)got;
        return BETONY_OK;
    }
    if (got < 0 && (errno == EAGAIN || errno == EINTR))
        return BETONY_OK;
    return lib_fail(b, BETONY_LOST, "The server closed the connection%s%s.", got < 0 ? ": " : "",
                    got < 0 ? strerrordesc_np(errno) : "");
}

enum betony_error lib_socket_read(struct betony *b, int64_t deadline_ms) {
    size_t before = b->input_end - b->input_start;
    do {
        if (!wait_ready(b->fd, POLLIN, deadline_ms))
            return lib_fail(b, BETONY_TIMED_OUT, "The server did not answer in time.");
        enum betony_error error = read_some(b);
        if (error != BETONY_OK)
            return error;
    } while (b->input_end - b->input_start == before);
    return BETONY_OK;
}

enum betony_error lib_socket_write(struct betony *b, const void *bytes, size_t size, int64_t deadline_ms) {
    const uint8_t *next = bytes;
    while (size > 0) {
        ssize_t sent = send(b->fd, next, size, MSG_NOSIGNAL);
        if (sent >= 0) {
            next += sent;
            size -= (size_t)sent;
            continue;
        }
        if (errno == EINTR)
            continue;
        if (errno != EAGAIN)
            return lib_fail(b, BETONY_LOST, "The server closed the connection: %s.", strerrordesc_np(errno));
        bool may_read = b->input_end - b->input_start < LIB_INPUT_BYTES_MAX;
        short ready = wait_ready(b->fd, may_read ? POLLIN | POLLOUT : POLLOUT, deadline_ms);
        if (!ready)
            return lib_fail(b, BETONY_TIMED_OUT, "The server did not take the call in time.");
        enum betony_error error = may_read && (ready & POLLIN) ? read_some(b) : BETONY_OK;
        if (error != BETONY_OK)
            return error;
    }
    return BETONY_OK;
}
