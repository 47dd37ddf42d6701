/*
 * notify.h - tells a service manager that started us how we are: ready, alive, stopping.
 *
 * The protocol is one datagram of lines NAME=VALUE to the socket that the environment names in NOTIFY_SOCKET
 * (sd_notify(3)); without that variable nothing is sent. Nothing of it can fail the daemon.
 */
#ifndef BETONYD_NOTIFY_H
#define BETONYD_NOTIFY_H

#include <stdint.h>

/* "READY=1", "STOPPING=1"; never waits. */
void daemon_notify(const char *state);

/* When the manager asks for it (WATCHDOG_USEC, WATCHDOG_PID): a sign of life at twice the pace it wants. */
struct daemon_watchdog {
    int64_t every_ms; /* 0: nobody asks */
    int64_t next_ms;
};
void daemon_watchdog_init(struct daemon_watchdog *watchdog);
/* Any clock that only goes forward, in ms. */
void daemon_watchdog_tick(struct daemon_watchdog *watchdog, int64_t now_ms);

#endif
