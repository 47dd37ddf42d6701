/*
 * notify.c - the service manager's protocol, without its library.
 *
 * What always holds: a manager that is gone, slow or wrongly named costs nothing but the word it would have got.
 */
#define _GNU_SOURCE
#include "notify.h"

#include <stddef.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

void daemon_notify(const char *state) {
    const char *path = getenv("NOTIFY_SOCKET");
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    size_t size = path ? strlen(path) : 0;
    if (size < 2 || size >= sizeof address.sun_path || (path[0] != '/' && path[0] != '@'))
        return;
    memcpy(address.sun_path, path, size);
    if (path[0] == '@') /* a name that is in no directory */
        address.sun_path[0] = '\0';
    int fd = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return;
    socklen_t length = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + size);
    (void)sendto(fd, state, strlen(state), MSG_NOSIGNAL, (const struct sockaddr *)(const void *)&address, length);
    (void)close(fd);
}

void daemon_watchdog_init(struct daemon_watchdog *watchdog) {
    const char *usec = getenv("WATCHDOG_USEC"), *pid = getenv("WATCHDOG_PID");
    *watchdog = (struct daemon_watchdog){0};
    if (!usec || (pid && strtoll(pid, NULL, 10) != (long long)getpid()))
        return;
    long long span_us = strtoll(usec, NULL, 10);
    if (span_us > 0)
        watchdog->every_ms = span_us / 2000 > 0 ? span_us / 2000 : 1;
}

void daemon_watchdog_tick(struct daemon_watchdog *watchdog, int64_t now_ms) {
    if (watchdog->every_ms == 0 || now_ms < watchdog->next_ms)
        return;
    daemon_notify("WATCHDOG=1");
    watchdog->next_ms = now_ms + watchdog->every_ms;
}
