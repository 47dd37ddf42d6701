/*
 * room.c - how much room there is, what was counted, whether the store is broken, and the fault hook.
 *
 * What always holds: new events are refused while there is still room for the deletes and rewrites that follow from what
 * was taken already.
 */
#define _GNU_SOURCE
#include "store/internal.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <unistd.h>

/* One byte of an event leads to about this many in the view. */
#define VIEW_BYTES_PER_LOG_BYTE 4u

bool store_broken(const struct store *store) {
    return atomic_load(&store->broken);
}

enum proto_error store_note(struct store *store, enum proto_error error) {
    if (error == PROTO_BROKEN)
        atomic_store(&store->broken, true);
    return error;
}

enum proto_error store_fault_at(const struct store *store, enum store_point point) {
    int number = store->fault ? store->fault(store->fault_arg, point) : 0;
    return number == 0 ? PROTO_OK : number == ENOSPC ? PROTO_FULL : PROTO_BROKEN;
}

void store_distrust_view(const struct store *store) {
    if (store->memory || store->read_only)
        return;
    int fd = open(store->distrust_path, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0)
        return;
    (void)fsync(fd);
    (void)close(fd);
}

/* Asking is no change to those who ask; the mutex and the view's count are ours. */
static struct store *writable(const struct store *store) {
    union {
        const struct store *in;
        struct store *out;
    } same = {.in = store};
    return same.out;
}

void store_identity_get(const struct store *store, struct store_identity *out) {
    pthread_mutex_lock(&writable(store)->mutex);
    *out = store->identity;
    pthread_mutex_unlock(&writable(store)->mutex);
}

void store_room_get(const struct store *store, struct store_room *out) {
    struct store_kv_usage log, view;
    struct store_view *held = store_view_hold(writable(store));
    store->log->ops->usage(store->log, &log);
    held->kv->ops->usage(held->kv, &view);
    store_view_release(writable(store), held);
    *out = (struct store_room){.log_used = log.used,
                               .log_map = log.map,
                               .view_used = view.used,
                               .view_map = view.map,
                               .disk_free = log.disk_free < view.disk_free ? log.disk_free : view.disk_free};
}

enum proto_error store_room_check(const struct store *store, uint64_t more_bytes) {
    struct store_room room;
    store_room_get(store, &room);
    uint64_t view_more = more_bytes * VIEW_BYTES_PER_LOG_BYTE;
    if (room.log_used + more_bytes > room.log_map / 10 * 9 || room.view_used + view_more > room.view_map / 10 * 9)
        return PROTO_FULL;
    return room.disk_free < STORE_DISK_RESERVE_BYTES + more_bytes + view_more ? PROTO_FULL : PROTO_OK;
}

void store_counts_get(const struct store *store, struct store_counts *out) {
    const struct store_tally *tally = &store->tally;
    *out = (struct store_counts){.log_events = tally->log_events,
                                 .log_commits = tally->log_commits,
                                 .view_puts = tally->view_puts,
                                 .view_puts_unchanged = tally->view_puts_unchanged,
                                 .view_deletes = tally->view_deletes,
                                 .view_commits = tally->view_commits,
                                 .view_syncs = tally->view_syncs};
}
