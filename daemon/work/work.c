/*
 * work.c - one `struct work`: opened, its threads, stepped by one thread, closed; and what others ask of it as a whole.
 */
#define _GNU_SOURCE
#include "work/inside.h"

#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define RETRY_MS 1000 /* a view that found no room is tried again so often, and when a call comes */

/* --- threads ------------------------------------------------------------------------------------- */

static void *log_main(void *arg) {
    struct work *work = arg;
    pthread_mutex_lock(&work->lock);
    for (;;) {
        while (!work_log_has_work(work) && !(work->stop && !work->queue))
            pthread_cond_wait(&work->log_wake, &work->lock);
        if (!work_log_has_work(work))
            break; /* stopped, and nothing is queued any more */
        pthread_mutex_unlock(&work->lock);
        (void)work_log_stage(work);
        pthread_mutex_lock(&work->lock);
    }
    work->log_stopped = true;
    pthread_cond_signal(&work->pipe_wake);
    pthread_mutex_unlock(&work->lock);
    return NULL;
}

static void wait_until(struct work *work, pthread_cond_t *cond, int64_t ms) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    t.tv_sec += ms / 1000;
    t.tv_nsec += (ms % 1000) * 1000000;
    if (t.tv_nsec >= 1000000000) {
        t.tv_nsec -= 1000000000;
        t.tv_sec++;
    }
    (void)pthread_cond_timedwait(cond, &work->lock, &t);
}

/* Replanning, rebuilding and catching up go on after the next start; what was logged is answered first. */
static bool pipe_may_stop(const struct work *work) {
    return work->stop && work->log_stopped && !work->slot;
}

static void *pipe_main(void *arg) {
    struct work *work = arg;
    pthread_mutex_lock(&work->lock);
    while (!pipe_may_stop(work)) {
        if (!work_pipe_has_work(work)) {
            if (atomic_load(&work->phase) == WORK_PHASE_BEHIND) {
                wait_until(work, &work->pipe_wake, RETRY_MS);
                atomic_store(&work->retry, true);
            } else {
                pthread_cond_wait(&work->pipe_wake, &work->lock);
            }
            continue;
        }
        pthread_mutex_unlock(&work->lock);
        (void)work_pipe_unit(work);
        pthread_mutex_lock(&work->lock);
    }
    pthread_mutex_unlock(&work->lock);
    work_rebuild_free(work); /* one that is under way has a write transaction, and that is this thread's */
    return NULL;
}

static void *sync_main(void *arg) {
    struct work *work = arg;
    uint64_t synced = 0;
    pthread_mutex_lock(&work->lock);
    while (!work->stop) {
        wait_until(work, &work->sync_wake, work->options.view_sync_ms);
        uint64_t commits = atomic_load(&work->view_commits);
        bool idle = work->stop || commits == synced || atomic_load(&work->phase) != WORK_PHASE_READY;
        if (idle)
            continue;
        pthread_mutex_unlock(&work->lock);
        enum proto_error error = store_view_sync(work->store);
        if (error != PROTO_OK && store_broken(work->store))
            work_break(work, error, "the view");
        synced = commits;
        pthread_mutex_lock(&work->lock);
    }
    pthread_mutex_unlock(&work->lock);
    return NULL;
}

static bool start_threads(struct work *work) {
    for (uint32_t h = 1; h < work->hand_count; h++) {
        work->hand_starts[h - 1] = (struct work_hand_start){work, &work->hands[h]};
        if (pthread_create(&work->hand_threads[h - 1], NULL, work_hand_main, &work->hand_starts[h - 1]) != 0)
            return false;
        work->hands_started++;
    }
    work->log_started = pthread_create(&work->log_thread, NULL, log_main, work) == 0;
    work->pipe_started = work->log_started && pthread_create(&work->pipe_thread, NULL, pipe_main, work) == 0;
    if (work->pipe_started && work->options.view_sync_ms)
        work->sync_started = pthread_create(&work->sync_thread, NULL, sync_main, work) == 0;
    return work->pipe_started && (work->sync_started || !work->options.view_sync_ms);
}

static void stop_threads(struct work *work) {
    pthread_mutex_lock(&work->lock);
    work->stop = true;
    pthread_cond_broadcast(&work->log_wake);
    pthread_cond_broadcast(&work->pipe_wake);
    pthread_cond_broadcast(&work->sync_wake);
    pthread_mutex_unlock(&work->lock);
    if (work->log_started)
        (void)pthread_join(work->log_thread, NULL);
    if (work->pipe_started)
        (void)pthread_join(work->pipe_thread, NULL);
    if (work->sync_started)
        (void)pthread_join(work->sync_thread, NULL);
    pthread_mutex_lock(&work->lock);
    work->stop_hands = true;
    pthread_cond_broadcast(&work->hand_wake);
    pthread_mutex_unlock(&work->lock);
    for (uint32_t h = 0; h < work->hands_started; h++)
        (void)pthread_join(work->hand_threads[h], NULL);
}

/* --- open and close ---------------------------------------------------------------------------------- */

static void init_shared(struct work *work) {
    pthread_condattr_t steady;
    (void)pthread_condattr_init(&steady);
    (void)pthread_condattr_setclock(&steady, CLOCK_MONOTONIC);
    pthread_cond_t *conds[] = {&work->log_wake,  &work->pipe_wake, &work->hand_wake,
                               &work->hand_done, &work->sync_wake, &work->renew_done};
    for (size_t i = 0; i < sizeof conds / sizeof *conds; i++)
        (void)pthread_cond_init(conds[i], &steady);
    (void)pthread_condattr_destroy(&steady);
    (void)pthread_mutex_init(&work->lock, NULL);
    (void)pthread_mutex_init(&work->id_lock, NULL);
}

static void deinit_shared(struct work *work) {
    pthread_cond_t *conds[] = {&work->log_wake,  &work->pipe_wake, &work->hand_wake,
                               &work->hand_done, &work->sync_wake, &work->renew_done};
    for (size_t i = 0; i < sizeof conds / sizeof *conds; i++)
        (void)pthread_cond_destroy(conds[i]);
    (void)pthread_mutex_destroy(&work->lock);
    (void)pthread_mutex_destroy(&work->id_lock);
}

static bool make_hands(struct work *work) {
    uint32_t workers = work->options.workers < WORK_HANDS_MAX ? work->options.workers : WORK_HANDS_MAX;
    uint32_t wanted = workers ? workers : 2; /* one thread draws one of two memories for each job: neither may matter */
    work->hands = calloc(wanted, sizeof *work->hands);
    work->log_side.hand = calloc(1, sizeof *work->log_side.hand);
    if (!work->hands || !work->log_side.hand || !work_hand_init(work->log_side.hand))
        return false;
    for (; work->hand_count < wanted; work->hand_count++)
        if (!work_hand_init(&work->hands[work->hand_count]))
            return false;
    return true;
}

static void free_all(struct work *work) {
    work_rebuild_free(work);
    work_batch_free(work->current);
    for (uint32_t h = 0; h < work->hand_count; h++)
        work_hand_deinit(&work->hands[h]);
    free(work->hands);
    if (work->log_side.hand)
        work_hand_deinit(work->log_side.hand);
    free(work->log_side.hand);
    for (int f = 0; f < WORK_FLIGHTS; f++) {
        work_map_free(&work->log_side.flights[f].map);
        free(work->log_side.flights[f].rows);
    }
    work_map_free(&work->log_side.in_call);
    work_map_free(&work->log_side.registered_in_call);
    work_map_free(&work->log_side.left);
    work_joined_free(&work->log_side.joined);
    work_teams_free(&work->log_side.teams);
    work_drops_free(&work->removals);
    work_map_free(&work->erased);
    work_teams_free(&work->teams);
    work_context_release(work->context);
    deinit_shared(work);
    free(work);
}

/* Until the view is read there is the default context, which nobody can ask for: reads wait for the phase READY. */
static enum proto_error first_context(struct work *work) {
    return work_context_make(0, &work->hands[0].reading, NULL, 0, &work->context);
}

enum proto_error work_open(const struct work_options *options, struct work **out, struct proto_fault *fault) {
    struct work *work = calloc(1, sizeof *work);
    if (!work)
        return proto_fault_set(fault, PROTO_BUSY, NULL, "There is no memory to start with.");
    work->options = *options;
    work->store = options->store;
    work->log_side.next_number = 1;
    work->random = options->order_seed * 0x9e3779b97f4a7c15ull | 1;
    atomic_store(&work->next_tick, INT64_MAX);
    atomic_store(&work->phase, WORK_PHASE_CHECK);
    init_shared(work);
    struct store_identity identity;
    store_identity_get(work->store, &identity);
    work->node = identity.node;
    atomic_store(&work->log_seq, identity.log_seq);
    enum proto_error error = PROTO_OK;
    if (!make_hands(work))
        error = proto_fault_set(fault, PROTO_BUSY, NULL, "There is no memory to start with.");
    if (error == PROTO_OK)
        error = first_context(work);
    if (error == PROTO_OK) {
        work_rules_mark(work);
        error = work_site_key_load(work);
        if (error != PROTO_OK)
            (void)proto_fault_set(fault, error, NULL, "%s", proto_error_sentence(error));
    }
    if (error == PROTO_OK) {
        error = work_view_check(work, fault);
    }
    if (error == PROTO_OK && options->workers && !start_threads(work))
        error = proto_fault_set(fault, PROTO_BUSY, NULL, "A thread could not be started.");
    if (error == PROTO_OK) {
        *out = work;
        return PROTO_OK;
    }
    stop_threads(work);
    free_all(work);
    return error;
}

void work_close(struct work *work) {
    if (!work)
        return;
    if (work->options.workers) {
        stop_threads(work);
    } else {
        pthread_mutex_lock(&work->lock);
        work->stop = true;
        pthread_mutex_unlock(&work->lock);
        while (work->current || work->slot || work->queue)
            if (!work_run_one(work))
                break;
    }
    work_deliver(work);
    free_all(work);
}

bool work_run_one(struct work *work) {
    assert(work->options.workers == 0);
    bool ran = work_pipe_step(work);
    work_deliver(work);
    return ran;
}

/* --- time ------------------------------------------------------------------------------------------------ */

int64_t work_next_tick(struct work *work) {
    return atomic_load(&work->next_tick);
}

void work_tick(struct work *work) {
    int64_t now = work->options.seams.now_ms(work->options.seams.arg);
    if (atomic_load(&work->phase) == WORK_PHASE_BEHIND)
        atomic_store(&work->retry, true);
    pthread_mutex_lock(&work->lock);
    work->tick_due |= atomic_load(&work->next_tick) <= now;
    pthread_cond_signal(&work->pipe_wake);
    pthread_mutex_unlock(&work->lock);
}

/* --- as a whole ------------------------------------------------------------------------------------------- */

void work_break(struct work *work, enum proto_error error, const char *what) {
    pthread_mutex_lock(&work->lock);
    if (work->broken.code == PROTO_OK)
        (void)proto_fault_set(&work->broken, error, NULL, "%s cannot be used any more: %s", what,
                              proto_error_sentence(error));
    atomic_store(&work->phase, WORK_PHASE_BROKEN);
    pthread_cond_signal(&work->log_wake);
    pthread_mutex_unlock(&work->lock);
    if (error != PROTO_BROKEN) /* what is derived is in doubt, not the log: the next start makes it anew */
        store_distrust_view(work->store);
    work->options.seams.wake(work->options.seams.arg);
}

bool work_broken(const struct work *work, struct proto_fault *fault) {
    struct work *own = (struct work *)(uintptr_t)work; /* a lock is not part of what is asked about */
    enum work_phase phase = (enum work_phase)atomic_load(&own->phase);
    if (phase == WORK_PHASE_BEHIND || atomic_load(&own->full))
        (void)proto_fault_set(fault, PROTO_FULL, NULL, "%s", proto_error_sentence(PROTO_FULL));
    if (phase != WORK_PHASE_BROKEN)
        return false;
    pthread_mutex_lock(&own->lock);
    if (fault)
        *fault = own->broken;
    pthread_mutex_unlock(&own->lock);
    return true;
}

struct work_context *work_context_current(struct work *work) {
    pthread_mutex_lock(&work->lock);
    struct work_context *context = work_context_hold(work->context);
    pthread_mutex_unlock(&work->lock);
    return context;
}

void work_context_publish(struct work *work, struct work_context *context) {
    pthread_mutex_lock(&work->lock);
    struct work_context *old = work->context;
    work->context = work_context_hold(context);
    pthread_mutex_unlock(&work->lock);
    work_context_release(old);
}

void work_progress_get(const struct work *work, struct work_progress *out) {
    enum work_phase phase = (enum work_phase)atomic_load(&work->phase);
    *out = (struct work_progress){.rebuilding = phase == WORK_PHASE_CHECK || phase == WORK_PHASE_REBUILD ||
                                                phase == WORK_PHASE_CATCH_UP,
                                  .rebuild_done = atomic_load(&work->rebuild_done),
                                  .rebuild_of = atomic_load(&work->rebuild_of),
                                  .settling = atomic_load(&work->settling_on),
                                  .settling_done = atomic_load(&work->settling_done),
                                  .settling_of = atomic_load(&work->settling_of)};
}

void work_counts_get(const struct work *work, struct work_counts *out) {
    *out = (struct work_counts){.calls = atomic_load(&work->calls),
                                .events = atomic_load(&work->events),
                                .repeated = atomic_load(&work->repeated),
                                .refused = atomic_load(&work->refused),
                                .batches = atomic_load(&work->batches),
                                .folds = atomic_load(&work->folds),
                                .refolds = atomic_load(&work->refolds),
                                .plans = atomic_load(&work->plans),
                                .replans = atomic_load(&work->replans),
                                .queue_events = atomic_load(&work->queue_events),
                                .view_commits = atomic_load(&work->view_commits),
                                .batch_us_last = atomic_load(&work->batch_us_last)};
}
