/*
 * verify.c - `betonyd verify`: is the log what was written, and is everything derived what the log says. Writes nothing, needs no clock.
 */
#include "options.h"

#include "store/store.h"
#include "work/work.h"
#include "work/zones.h"

#include <stdio.h>
#include <string.h>
#include <sysexits.h>

#define DIFFERS 1

static enum proto_error verify_all(struct store *store, const struct care_zones *zones, struct proto_fault *fault) {
    struct store_identity identity;
    uint64_t bad_seq = 0, children = 0, rows = 0;
    store_identity_get(store, &identity);
    enum proto_error error = store_verify_chain(store, &bad_seq, fault);
    if (error == PROTO_OK)
        error = work_verify(store, zones, &children, &rows, fault);
    if (error == PROTO_OK)
        (void)printf("verified: %llu events, %llu children, %llu rows\n", (unsigned long long)identity.log_seq,
                     (unsigned long long)children, (unsigned long long)rows);
    return error;
}

int daemon_verify(const struct daemon_options *options) {
    char boot_id[64];
    struct store_options store_options;
    struct proto_fault fault = {0};
    struct store *store = NULL;
    daemon_boot_id(boot_id);
    daemon_store_options(options, boot_id, &store_options);
    store_options.read_only = true;
    struct care_zones *zones = work_zones_load(&fault);
    enum proto_error error = zones ? store_open(&store_options, &store, &fault) : PROTO_INTERNAL;
    if (error == PROTO_OK)
        error = verify_all(store, zones, &fault);
    store_close(store);
    work_zones_free(zones);
    if (error == PROTO_OK)
        return EX_OK;
    (void)fprintf(stderr, "betonyd: %s\n", fault.message[0] ? fault.message : proto_error_sentence(error));
    return DIFFERS;
}
