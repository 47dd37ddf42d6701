/*
 * answer.c - what every call of a batch gets: its one encoded map, or the fault that holds for all of the batch.
 *
 * What always holds: an answer stays under one message; what does not fit is left out at the end of the lists, alerts that
 * opened first in, and `truncated` says so. Once the log has the batch no fault says that nothing was changed.
 */
#include "work/inside.h"

#include <assert.h>
#include <stdlib.h>

#define ENVELOPE_BYTES 256 /* of the message around it */
#define RESULT_BYTES_MAX (PROTO_MESSAGE_BYTES_MAX - ENVELOPE_BYTES)
#define TAIL_BYTES 128 /* names and headers of the lists still to come, and `truncated` */

/* A call's replies in order, linked through `next` of each. */
struct reply_link {
    const struct work_reply *reply;
    const struct work_hand *hand;
    uint32_t next;
};

static void write_seqs(struct proto_writer *w, const struct work_call *call) {
    uint32_t repeated = 0;
    proto_write_text(w, "seqs");
    proto_write_array(w, call->count);
    for (uint32_t i = 0; i < call->count; i++) {
        proto_write_int(w, (int64_t)call->entries[i].event.seq);
        repeated += call->entries[i].repeated;
    }
    proto_write_text(w, "repeated");
    proto_write_array(w, repeated);
    for (uint32_t i = 0; i < call->count; i++)
        if (call->entries[i].repeated)
            proto_write_id(w, &call->entries[i].event.id);
}

/* One list; true when something did not fit. */
static bool write_list(struct proto_writer *w, const struct reply_link *links, uint32_t first,
                       enum work_reply_what what, const char *name) {
    bool cut = false;
    uint32_t count = 0;
    proto_write_text(w, name);
    size_t mark = proto_write_array_begin(w);
    for (uint32_t at = first; at; at = links[at - 1].next) {
        const struct work_reply *reply = links[at - 1].reply;
        if (reply->what != (uint8_t)what)
            continue;
        if (w->size + reply->size + TAIL_BYTES > w->cap || count == UINT16_MAX) {
            cut = true;
            continue;
        }
        proto_write_raw(w, links[at - 1].hand->answers.data + reply->at, reply->size);
        count++;
    }
    proto_write_array_end(w, mark, count);
    return cut;
}

static size_t result_size(const struct work_call *call, const struct reply_link *links) {
    size_t size = 64 + 2 * TAIL_BYTES + (size_t)call->count * (9 + PROTO_ID_TEXT_BYTES + 2);
    for (uint32_t at = call->reply_first; at; at = links[at - 1].next)
        size += links[at - 1].reply->size;
    return size < RESULT_BYTES_MAX ? size : RESULT_BYTES_MAX;
}

static void write_result(struct work_call *call, const struct reply_link *links, bool cut) {
    struct proto_writer w;
    if (call->sync) /* asked event by event (work_sync_result_get): it may have more of them than a message holds */
        return;
    size_t cap = result_size(call, links);
    proto_writer_init(&w, work_buffer_reserve(&call->result, cap), cap);
    size_t mark = proto_write_map_begin(&w);
    uint32_t fields = 6;
    write_seqs(&w, call);
    cut |= write_list(&w, links, call->reply_first, WORK_REPLY_OPENED, "opened");
    cut |= write_list(&w, links, call->reply_first, WORK_REPLY_SETTLED, "settled");
    cut |= write_list(&w, links, call->reply_first, WORK_REPLY_ALIKE, "alike");
    cut |= write_list(&w, links, call->reply_first, WORK_REPLY_NOTE, "notes");
    if (call->want == WORK_WANT_STATUSES) {
        fields++;
        cut |= write_list(&w, links, call->reply_first, WORK_REPLY_STATUS, "statuses");
    }
    if (cut) {
        fields++;
        proto_write_text(&w, "truncated");
        proto_write_bool(&w, true);
    }
    proto_write_map_end(&w, mark, fields);
    assert(w.error == PROTO_OK);
    call->result.size = w.size;
}

static uint32_t link_range(struct reply_link *links, uint32_t at, const struct work_hand *hand, uint32_t first,
                           uint32_t end) {
    for (uint32_t r = first; r < end; r++) {
        const struct work_reply *reply = &hand->replies[r];
        links[at++] = (struct reply_link){reply, hand, 0};
        if (reply->call->reply_last)
            links[reply->call->reply_last - 1].next = at;
        else
            reply->call->reply_first = at;
        reply->call->reply_last = at;
    }
    return at;
}

/* Those of the jobs, then what `hand` has from `later` on. */
static struct reply_link *link_replies(struct work_batch *batch, const struct work_hand *hand, uint32_t later) {
    uint32_t count = hand->reply_count - later, at = 0;
    for (uint32_t j = 0; j < batch->job_count; j++)
        count += batch->jobs[j].reply_end - batch->jobs[j].reply_at;
    struct reply_link *links = work_alloc(sizeof *links * (count + 1));
    for (uint32_t j = 0; j < batch->job_count; j++) {
        const struct work_job *job = &batch->jobs[j];
        at = link_range(links, at, job->hand, job->reply_at, job->reply_end);
    }
    (void)link_range(links, at, hand, later, hand->reply_count);
    return links;
}

static void set_fault(struct work_call *call, enum proto_error error) {
    bool logged = call->sync != NULL; /* its entries and marks are in the log, whatever its events are */
    for (uint32_t i = 0; i < call->count; i++)
        logged |= !call->entries[i].repeated;
    enum proto_error code = logged ? PROTO_OUTCOME_UNKNOWN : error == PROTO_FULL ? PROTO_FULL : PROTO_OUTCOME_UNKNOWN;
    (void)proto_fault_set(&call->fault, code, NULL, "%s", proto_error_sentence(code));
}

void work_answer_stage(struct work *work, struct work_batch *batch) {
    const struct work_hand *hand = &work->hands[0];
    uint32_t later = hand->reply_count;
    bool cut = batch->error == PROTO_OK && work_reply_doubles(work, batch) != PROTO_OK; /* said to be incomplete */
    struct reply_link *links = batch->error == PROTO_OK ? link_replies(batch, hand, later) : NULL;
    for (struct work_call *call = batch->calls, *next; call; call = next) {
        next = call->next;
        if (batch->error == PROTO_OK)
            write_result(call, links, cut);
        else
            set_fault(call, batch->error);
        work_call_done(work, call);
    }
    batch->calls = batch->calls_last = NULL;
    free(links);
}
