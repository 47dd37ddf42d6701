/*
 * sync_canary.c - faults planted between link/ and work/ by the linker (--wrap), in a build of the simulator of its own: the shipped
 * objects are the same. Each is one that a careful reader could make, and the simulator must catch each.
 *
 *   drop    one event in sixty that was pulled is thrown away, and nobody says so
 *   cursor  the cursor is stored before the page that it stands for, in a call of its own
 *   leave   a child that left stays
 */
#define _GNU_SOURCE
#include "sync_world.h"

#include <stdlib.h>
#include <string.h>

enum fault { FAULT_NONE, FAULT_DROP, FAULT_CURSOR, FAULT_LEAVE };

static enum fault fault;
static uint32_t adds;

bool sim_plant(const char *name) {
    static const char *const names[] = {"none", "drop", "cursor", "leave"};
    for (unsigned i = 1; i < sizeof names / sizeof names[0]; i++)
        if (strcmp(names[i], name) == 0)
            fault = (enum fault)i;
    return fault != FAULT_NONE;
}

/* --- the calls in the making ----------------------------------------------------------------------------------------- */

struct page {
    struct work *work;
    struct work_call *call;
    struct work_sync_from from;
    bool has_cursor;
    uint8_t cursor[256];
    size_t cursor_size;
    work_done_fn on_done;
    void *arg;
};
static struct page pages[SIM_PROCESSES_MAX]; /* page calls that have not been submitted */

static int page_of(const struct work_call *call) {
    for (int i = 0; i < SIM_PROCESSES_MAX; i++)
        if (pages[i].call == call)
            return i;
    return -1;
}

struct work_call *__real_work_sync_new(struct work *work, enum work_sync_what what, const struct work_sync_from *from);
struct work_call *__wrap_work_sync_new(struct work *work, enum work_sync_what what, const struct work_sync_from *from);
struct work_call *__wrap_work_sync_new(struct work *work, enum work_sync_what what, const struct work_sync_from *from) {
    static int next;
    struct work_call *call = __real_work_sync_new(work, what, from);
    int gone = page_of(call); /* a new call where one was that has ended */
    if (call && gone >= 0)
        pages[gone].call = NULL;
    if (!call || what != WORK_SYNC_PAGE)
        return call;
    int at = next++ % SIM_PROCESSES_MAX;
    memset(&pages[at], 0, sizeof pages[at]);
    pages[at].work = work;
    pages[at].call = call;
    pages[at].from = *from;
    return call;
}

enum proto_error __real_work_sync_add(struct work_call *call, const struct work_sync_event *event,
                                      struct proto_fault *why);
enum proto_error __wrap_work_sync_add(struct work_call *call, const struct work_sync_event *event,
                                      struct proto_fault *why);
enum proto_error __wrap_work_sync_add(struct work_call *call, const struct work_sync_event *event,
                                      struct proto_fault *why) {
    if (fault == FAULT_DROP && page_of(call) >= 0 && ++adds % 60 == 0)
        return PROTO_OK;
    return __real_work_sync_add(call, event, why);
}

void __real_work_sync_leave(struct work_call *call, const struct proto_id *record);
void __wrap_work_sync_leave(struct work_call *call, const struct proto_id *record);
void __wrap_work_sync_leave(struct work_call *call, const struct proto_id *record) {
    if (fault != FAULT_LEAVE)
        __real_work_sync_leave(call, record);
}

/* --- the cursor first ---------------------------------------------------------------------------------------------------- */

void __real_work_sync_mark(struct work_call *call, const char *name, const void *bytes, size_t size);
void __wrap_work_sync_mark(struct work_call *call, const char *name, const void *bytes, size_t size);
void __wrap_work_sync_mark(struct work_call *call, const char *name, const void *bytes, size_t size) {
    int at = page_of(call);
    if (fault != FAULT_CURSOR || strcmp(name, "link.cursor") != 0 || at < 0 || size > sizeof pages[at].cursor) {
        __real_work_sync_mark(call, name, bytes, size);
        return;
    }
    memcpy(pages[at].cursor, bytes, size);
    pages[at].cursor_size = size;
    pages[at].has_cursor = true;
}

void __real_work_submit(struct work *work, struct work_call *call, work_done_fn on_done, void *arg);
void __wrap_work_submit(struct work *work, struct work_call *call, work_done_fn on_done, void *arg);

static void on_cursor_done(void *arg, struct work_call *call) {
    struct page page = pages[(intptr_t)arg];
    pages[(intptr_t)arg].call = NULL;
    work_call_free(call);
    if (page.call && !sim_taking_apart)
        __real_work_submit(page.work, page.call, page.on_done, page.arg);
}

void __wrap_work_submit(struct work *work, struct work_call *call, work_done_fn on_done, void *arg) {
    int at = page_of(call);
    struct work_call *first = NULL;
    if (at >= 0 && pages[at].has_cursor)
        first = __real_work_sync_new(work, WORK_SYNC_PAGE, &pages[at].from);
    if (at >= 0 && !first)
        pages[at].call = NULL;
    if (!first) {
        __real_work_submit(work, call, on_done, arg);
        return;
    }
    pages[at].on_done = on_done;
    pages[at].arg = arg;
    __real_work_sync_mark(first, "link.cursor", pages[at].cursor, pages[at].cursor_size);
    __real_work_submit(work, first, on_cursor_done, (void *)(intptr_t)at);
}

void __real_work_call_free(struct work_call *call);
void __wrap_work_call_free(struct work_call *call);
void __wrap_work_call_free(struct work_call *call) {
    int at = page_of(call);
    if (call && at >= 0) /* given up before it was submitted */
        pages[at].call = NULL;
    __real_work_call_free(call);
}
