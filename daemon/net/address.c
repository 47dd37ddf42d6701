/*
 * address.c - see address.h.
 */
#define _GNU_SOURCE
#include "net/address.h"

#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <string.h>

bool net_address_split(const char *text, struct net_address *out) {
    const char *colon = strrchr(text, ':');
    if (!colon || colon == text || colon[1] < '0' || colon[1] > '9')
        return false;
    char *end = NULL;
    unsigned long number = strtoul(colon + 1, &end, 10);
    size_t size = (size_t)(colon - text);
    if (*end != '\0' || number > 65535)
        return false;
    if (text[0] == '[') {
        if (size < 3 || text[size - 1] != ']')
            return false;
        text++;
        size -= 2;
    }
    if (size >= sizeof out->host)
        return false;
    memcpy(out->host, text, size);
    out->host[size] = '\0';
    out->port = (uint16_t)number;
    return true;
}

bool net_address_numeric(const struct net_address *address, struct sockaddr_storage *out) {
    struct sockaddr_in in = {.sin_family = AF_INET, .sin_port = htons(address->port)};
    struct sockaddr_in6 in6 = {.sin6_family = AF_INET6, .sin6_port = htons(address->port)};
    memset(out, 0, sizeof *out);
    if (inet_pton(AF_INET, address->host, &in.sin_addr) == 1)
        memcpy(out, &in, sizeof in);
    else if (inet_pton(AF_INET6, address->host, &in6.sin6_addr) == 1)
        memcpy(out, &in6, sizeof in6);
    else
        return false;
    return true;
}

bool net_address_is_loopback(const struct sockaddr_storage *storage) {
    if (storage->ss_family == AF_INET) {
        struct sockaddr_in in;
        memcpy(&in, storage, sizeof in);
        return ntohl(in.sin_addr.s_addr) >> 24 == 127;
    }
    if (storage->ss_family != AF_INET6)
        return false;
    struct sockaddr_in6 in6;
    memcpy(&in6, storage, sizeof in6);
    return IN6_IS_ADDR_LOOPBACK(&in6.sin6_addr);
}
