/*
 * pipe.c - the pipeline behind the log: a batch through prepare, fold, view and answer; ticks, replanning and catching up in
 * between. The same stage functions for threads and for one thread in a drawn order.
 *
 * What always holds: one batch at a time is between prepare and answer, so a job's snapshot is the state its batch builds on;
 * hands touch a batch only while the pipeline waits for them.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>
#include <time.h>

#define SLICE_IDLE 256   /* children replanned at once when nobody waits, */
#define SLICE_BUSY 32    /* and between two batches of calls */
#define JOBS_FOR_HANDS 4 /* fewer are done sooner than others are woken */

static int64_t steady_us(void) {
    struct timespec t;
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000 + t.tv_nsec / 1000;
}

/* --- jobs over hands ------------------------------------------------------------------------------- */

static void run_jobs(struct work *work, struct work_batch *batch, struct work_hand *hand) {
    struct store_txn *txn = NULL;
    enum proto_error error = PROTO_OK;
    for (;;) {
        uint32_t index = atomic_fetch_add(&batch->next_job, 1);
        if (index >= batch->job_count)
            break;
        struct work_job *job = &batch->jobs[index];
        if (!txn && error == PROTO_OK && batch->kind != WORK_BATCH_REBUILD) /* nothing is stored yet then */
            error = store_read_begin(work->store, &txn);
        if (error == PROTO_OK)
            work_job_run(work, batch, job, hand, txn);
        else
            *job = (struct work_job){.hand = hand, .error = error, .supers = job->supers};
    }
    if (txn)
        store_read_end(txn);
}

void *work_hand_main(void *start) {
    struct work *work = ((struct work_hand_start *)start)->work;
    struct work_hand *hand = ((struct work_hand_start *)start)->hand;
    uint64_t round = 0;
    pthread_mutex_lock(&work->lock);
    for (;;) {
        while (!work->stop_hands && (!work->hand_batch || work->hand_round == round))
            pthread_cond_wait(&work->hand_wake, &work->lock);
        if (work->stop_hands)
            break;
        struct work_batch *batch = work->hand_batch;
        round = work->hand_round;
        work->hands_busy++;
        pthread_mutex_unlock(&work->lock);
        run_jobs(work, batch, hand);
        pthread_mutex_lock(&work->lock);
        if (--work->hands_busy == 0)
            pthread_cond_signal(&work->hand_done);
    }
    pthread_mutex_unlock(&work->lock);
    return NULL;
}

void work_fold_stage(struct work *work, struct work_batch *batch) {
    bool shared = work->hands_started > 0 && batch->job_count >= JOBS_FOR_HANDS;
    if (shared) {
        pthread_mutex_lock(&work->lock);
        work->hand_batch = batch;
        work->hand_round++;
        pthread_cond_broadcast(&work->hand_wake);
        pthread_mutex_unlock(&work->lock);
    }
    run_jobs(work, batch, &work->hands[0]);
    if (!shared)
        return;
    pthread_mutex_lock(&work->lock);
    work->hand_batch = NULL;
    while (work->hands_busy > 0)
        pthread_cond_wait(&work->hand_done, &work->lock);
    pthread_mutex_unlock(&work->lock);
}

/* --- after a batch -------------------------------------------------------------------------------------- */

void work_fall_behind(struct work *work) {
    atomic_store(&work->retry, false);
    int phase = atomic_load(&work->phase);
    while (phase != WORK_PHASE_BROKEN && !atomic_compare_exchange_weak(&work->phase, &phase, WORK_PHASE_BEHIND)) {}
}

/* What the batch's end means for what comes next: known before anybody is answered, so that nobody's next call slips in. */
static void conclude(struct work *work, const struct work_batch *batch) {
    if (batch->error == PROTO_FULL || batch->error == PROTO_BUSY) {
        if (!batch->passed)
            work_fall_behind(work);
    } else if (batch->error != PROTO_OK) {
        work_break(work, batch->error, "the view");
    }
}

static void finish(struct work *work, struct work_batch *batch) {
    pthread_mutex_lock(&work->lock);
    if (batch->kind == WORK_BATCH_CALLS && (batch->error == PROTO_OK || batch->passed))
        work->view_number = batch->number;
    if (batch->error == PROTO_OK)
        work_drop_hand_over(work, batch);
    pthread_cond_signal(&work->log_wake);
    pthread_mutex_unlock(&work->lock);
    work_batch_free(batch);
}

static void ready_again(struct work *work) {
    pthread_mutex_lock(&work->lock);
    work->view_number = work->log_side.next_number - 1;
    if (work->slot) /* logged before the view was brought up to the log: it will be found passed */
        work->view_number = work->slot->number - 1;
    atomic_store(&work->phase, WORK_PHASE_READY);
    pthread_cond_signal(&work->log_wake);
    pthread_mutex_unlock(&work->lock);
}

/* --- what comes next --------------------------------------------------------------------------------------- */

enum choice { IDLE, DID, BATCH };

bool work_pipe_has_work(struct work *work) {
    switch ((enum work_phase)atomic_load(&work->phase)) {
    case WORK_PHASE_CHECK:
    case WORK_PHASE_REBUILD:
    case WORK_PHASE_CATCH_UP:
        return true;
    case WORK_PHASE_BEHIND:
        return work->slot || atomic_load(&work->retry);
    case WORK_PHASE_BROKEN:
        return work->slot;
    case WORK_PHASE_READY:
        break;
    }
    return work->slot || work->tick_due || atomic_load(&work->settling_on);
}

static struct work_batch *take_slot(struct work *work) {
    pthread_mutex_lock(&work->lock);
    struct work_batch *batch = work->slot;
    work->slot = NULL;
    pthread_cond_signal(&work->log_wake);
    pthread_mutex_unlock(&work->lock);
    return batch;
}

static bool take_tick(struct work *work) {
    pthread_mutex_lock(&work->lock);
    bool due = work->tick_due;
    work->tick_due = false;
    pthread_mutex_unlock(&work->lock);
    return due;
}

static enum choice catch_up(struct work *work, struct work_batch **out) {
    enum proto_error error = PROTO_OK;
    *out = work_batch_catch_up(work, &error);
    if (error == PROTO_FULL || error == PROTO_BUSY)
        work_fall_behind(work);
    else if (error != PROTO_OK)
        work_break(work, error, "the view");
    else if (!*out)
        ready_again(work);
    return *out ? BATCH : DID;
}

static enum choice check(struct work *work) {
    struct proto_fault fault = {0};
    atomic_store(&work->retry, false);
    enum proto_error error = work_view_check(work, &fault);
    if (error != PROTO_OK)
        work_break(work, error, "the view");
    return DID;
}

/* A batch that cannot be worked in now: answered, and left to catching up. */
static enum choice turn_away(struct work *work, struct work_batch **out) {
    *out = take_slot(work);
    if (!*out)
        return IDLE;
    (*out)->error = PROTO_FULL;
    return BATCH;
}

static enum choice choose(struct work *work, struct work_batch **out) {
    *out = NULL;
    switch ((enum work_phase)atomic_load(&work->phase)) {
    case WORK_PHASE_CHECK:
        return check(work);
    case WORK_PHASE_REBUILD:
        if (!work_rebuild_portion(work) && atomic_load(&work->phase) == WORK_PHASE_REBUILD)
            return check(work);
        return DID;
    case WORK_PHASE_CATCH_UP:
        return catch_up(work, out);
    case WORK_PHASE_BEHIND:
        if (atomic_load(&work->retry) && !work->slot)
            return check(work);
        return turn_away(work, out);
    case WORK_PHASE_BROKEN:
        return turn_away(work, out);
    case WORK_PHASE_READY:
        break;
    }
    bool just_sliced = work->sliced;
    work->sliced = false;
    *out = just_sliced || !work->settling.active ? take_slot(work) : NULL;
    if (!*out && take_tick(work))
        *out = work_batch_tick(work);
    if (!*out &&
        work->settling.active) { /* one slice between any two batches: recording goes on, and so does the job */
        pthread_mutex_lock(&work->lock);
        bool waited_for = work->slot || work->queue;
        pthread_mutex_unlock(&work->lock);
        *out = work_batch_slice(work, waited_for ? SLICE_BUSY : SLICE_IDLE);
        work->sliced = true;
    }
    return *out ? BATCH : IDLE;
}

static void begin_batch(struct work *work, struct work_batch *batch) {
    for (uint32_t h = 0; h < work->hand_count; h++)
        work_hand_clear(&work->hands[h]);
    work_prepare_stage(work, batch);
    if (batch->error != PROTO_OK)
        atomic_store(&batch->next_job, batch->job_count);
}

bool work_pipe_unit(struct work *work) {
    struct work_batch *batch;
    enum choice choice = choose(work, &batch);
    if (choice != BATCH)
        return choice == DID;
    int64_t began = steady_us();
    begin_batch(work, batch);
    work_fold_stage(work, batch);
    work_view_stage(work, batch);
    conclude(work, batch);
    work_answer_stage(work, batch);
    if (batch->kind == WORK_BATCH_CALLS)
        atomic_store(&work->batch_us_last, steady_us() - began);
    finish(work, batch);
    return true;
}

/* --- one thread, drawn order ----------------------------------------------------------------------------------- */

enum { STAGE_FOLD, STAGE_VIEW, STAGE_ANSWER };

static uint64_t draw(struct work *work) {
    uint64_t x = work->random;
    x ^= x << 13;
    x ^= x >> 7;
    x ^= x << 17;
    return work->random = x;
}

static void shuffle_jobs(struct work *work, struct work_batch *batch) {
    batch->order = work_alloc(sizeof *batch->order * (batch->job_count + 1));
    for (uint32_t i = 0; i < batch->job_count; i++)
        batch->order[i] = i;
    for (uint32_t i = batch->job_count; i > 1; i--) {
        uint32_t other = (uint32_t)(draw(work) % i), swap = batch->order[i - 1];
        batch->order[i - 1] = batch->order[other];
        batch->order[other] = swap;
    }
}

static bool begin_step(struct work *work) {
    struct work_batch *batch;
    enum choice choice = choose(work, &batch);
    if (choice != BATCH)
        return choice == DID;
    begin_batch(work, batch);
    shuffle_jobs(work, batch);
    work->current = batch;
    work->stage = STAGE_FOLD;
    return true;
}

static void fold_step(struct work *work, struct work_batch *batch) {
    uint32_t at = atomic_fetch_add(&batch->next_job, 1);
    if (at >= batch->job_count) {
        work->stage = STAGE_VIEW;
        return;
    }
    struct work_job *job = &batch->jobs[batch->order[at]];
    struct work_hand *hand = &work->hands[draw(work) % work->hand_count];
    struct store_txn *txn = NULL;
    job->error = store_read_begin(work->store, &txn);
    job->hand = hand;
    if (job->error != PROTO_OK)
        return;
    work_job_run(work, batch, job, hand, txn);
    store_read_end(txn);
}

static bool current_step(struct work *work) {
    struct work_batch *batch = work->current;
    if (!batch)
        return begin_step(work);
    if (work->stage == STAGE_FOLD) {
        fold_step(work, batch);
    } else if (work->stage == STAGE_VIEW) {
        work_view_stage(work, batch);
        conclude(work, batch);
        work->stage = STAGE_ANSWER;
    } else {
        work_answer_stage(work, batch);
        work->current = NULL;
        finish(work, batch);
    }
    return true;
}

bool work_pipe_step(struct work *work) {
    if (draw(work) & 1)
        return work_log_stage(work) || current_step(work);
    return current_step(work) || work_log_stage(work);
}
