/*
 * own_task.c - the team's own tasks, looked up among a child's events.
 *
 * The care state keeps a bounded number of them and forgets none that can still be due, but not those whose time has yet to
 * come: so it is the history that is asked.
 */
#include "work/own_task.h"

#include "work/rows.h"

struct proto_slice work_own_task_of(const struct proto_event *event) {
    struct proto_slice name = {NULL, 0};
    if (event->kind == PROTO_KIND_task_done)
        name = PROTO_BODY(event, task_done, task)->text;
    else if (event->kind == PROTO_KIND_task_deferred)
        name = PROTO_BODY(event, task_deferred, task)->text;
    else if (event->kind == PROTO_KIND_task_given)
        name = PROTO_BODY(event, task_given, task)->text;
    enum proto_task task = proto_task_find(name);
    bool own = task == PROTO_TASK_NONE || task == PROTO_TASK_ADDED;
    return own ? name : (struct proto_slice){NULL, 0};
}

static enum proto_error adds(struct work_fold *fold, const struct proto_id *id, struct proto_slice name, bool *known) {
    struct work_event facts;
    const struct proto_event *event;
    bool counted = false;
    enum proto_error error = work_fold_find_counted(fold, id, &event, &facts, &counted);
    if (error == PROTO_OK)
        *known = counted && proto_slice_same(PROTO_BODY(event, task_added, task)->text, name);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error stored_known(struct work_fold *fold, struct proto_slice name, bool *known) {
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_history_row row;
    enum proto_error error = store_scan_begin(fold->txn, STORE_HISTORY, fold->root.bytes, PROTO_ID_BYTES,
                                              fold->root.bytes, PROTO_ID_BYTES, false, &scan);
    while (error == PROTO_OK && !*known && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        error = work_history_row_read(key, value, &row);
        if (error == PROTO_OK && row.kind == PROTO_KIND_task_added)
            error = adds(fold, &row.event, name, known);
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error work_own_task_known(struct work_fold *fold, struct proto_slice name, bool *known) {
    enum proto_error error = PROTO_OK;
    *known = false;
    for (uint32_t i = 0; i < fold->fresh_count && !*known && error == PROTO_OK; i++)
        if (fold->fresh[i]->kind == PROTO_KIND_task_added)
            error = adds(fold, &fold->fresh[i]->id, name, known);
    return error == PROTO_OK && !*known && fold->txn ? stored_known(fold, name, known) : error;
}
