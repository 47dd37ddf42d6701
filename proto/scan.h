/*
 * scan.h - the bounds scan over raw MessagePack bytes, before msgpack-c sees any of them.
 *
 * What always holds: it allocates nothing, reads each byte once, and a header that claims more
 * children or bytes than could still follow within the message bound is refused at once.
 */
#ifndef PROTO_SCAN_H
#define PROTO_SCAN_H

#include "proto/errors.h"
#include "proto/limits.h"

#include <stddef.h>

/* Resumable: {0} is a fresh scan. Feed the whole buffer of one message again with more bytes at its end; done bytes are not read twice. */
struct proto_scan {
    size_t at; /* bytes already scanned */
    uint32_t depth;
    uint32_t nodes;
    uint32_t left[PROTO_NESTING_MAX + 1]; /* values still to come at each depth */
    uint8_t started;
};

/* Scans bytes[0..size) for ONE value of at most bytes_max bytes in all. PROTO_OK: complete, *size_out is its length (bytes may go on
 * behind it). PROTO_TRUNCATED: well so far, more bytes are needed. PROTO_TOO_LARGE: over a bound (bytes, nesting, nodes, or a count that the
 * bytes left cannot hold). PROTO_BAD_MESSAGE: not MessagePack (0xc1), or invalid UTF-8 in a string, or extension types. */
enum proto_error proto_scan_value(struct proto_scan *scan, const uint8_t *bytes, size_t size, size_t bytes_max,
                                  size_t *size_out) PROTO_MUST_CHECK;

#endif
