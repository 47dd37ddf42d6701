/*
 * address.h - HOST:PORT as people write it, and which addresses this version may use at all.
 *
 * What always holds: no I/O; nothing here asks the system for a name.
 */
#ifndef NET_ADDRESS_H
#define NET_ADDRESS_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/socket.h>

#define NET_HOST_SIZE 256 /* the longest name of DNS and the end */

struct net_address {
    char host[NET_HOST_SIZE]; /* without brackets */
    uint16_t port;
};

/* "127.0.0.1:7811", "[::1]:7811", "server.example:7811". False: it has not this form, and *out is not written. */
bool net_address_split(const char *text, struct net_address *out);
/* The socket address of a numeric host; false when the host is a name. */
bool net_address_numeric(const struct net_address *address, struct sockaddr_storage *out);
/* False for any family but those of the internet. */
bool net_address_is_loopback(const struct sockaddr_storage *storage);

#endif
