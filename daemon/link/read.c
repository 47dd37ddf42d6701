/*
 * read.c - see read.h.
 */
#include "link/read.h"

#include "proto/answer.h"

#include <string.h>

#define TIME_OF(object, out) proto_answer_int(object, PROTO_TIME_MIN, PROTO_TIME_MAX, out)

static bool read_list(const void *object, struct link_list *out) {
    if (!proto_answer_array(object, 0, UINT32_MAX, &out->count))
        return false;
    out->array = object;
    return true;
}

static bool read_bytes(const void *object, void *out, uint32_t size) {
    struct proto_slice bytes;
    if (!proto_answer_bin(object, size, size, &bytes))
        return false;
    memcpy(out, bytes.data, size);
    return true;
}

static bool read_count(const void *object, uint64_t max, uint64_t *out) {
    int64_t n;
    if (!proto_answer_int(object, 0, (int64_t)max, &n))
        return false;
    *out = (uint64_t)n;
    return true;
}

/* Absent: empty. */
static bool read_token(const void *object, char out[LINK_TOKEN_BYTES]) {
    struct proto_slice text;
    out[0] = '\0';
    if (!object)
        return true;
    if (!proto_answer_text(object, LINK_TOKEN_BYTES - 1, &text) || text.size == 0 || memchr(text.data, '\0', text.size))
        return false;
    memcpy(out, text.data, text.size);
    out[text.size] = '\0';
    return true;
}

bool link_read_now(const void *result, int64_t *now) {
    return TIME_OF(proto_answer_get(result, "now"), now);
}

bool link_read_hello(const void *result, struct link_hello *out) {
    const void *known = proto_answer_get(result, "known");
    static const struct proto_id zero;
    out->has_known = known != NULL;
    return proto_answer_id(proto_answer_get(result, "node"), &out->node) &&
           memcmp(&out->node, &zero, sizeof zero) != 0 && link_read_now(result, &out->now) &&
           read_count(proto_answer_get(result, "seq"), INT64_MAX, &out->seq) &&
           (!known || proto_answer_position(known, &out->known));
}

bool link_read_page(const void *result, struct link_page *out) {
    const void *left = proto_answer_get(result, "left"), *seq = proto_answer_get(result, "seq");
    out->left = (struct link_list){0};
    out->more = proto_answer_is_true(proto_answer_get(result, "more"));
    out->within = proto_answer_is_true(proto_answer_get(result, "within"));
    out->reset = proto_answer_is_true(proto_answer_get(result, "reset"));
    if (!proto_answer_position(proto_answer_get(result, "cursor"), &out->cursor) ||
        !read_list(proto_answer_get(result, "events"), &out->events) || (left && !read_list(left, &out->left)))
        return false;
    out->seq = out->cursor.seq;
    out->has_at = link_read_at(result, &out->at);
    return !seq || read_count(seq, INT64_MAX, &out->seq);
}

bool link_read_events(const void *result, struct link_events *out) {
    const void *looked_at = proto_answer_get(result, "looked_at");
    out->looked_at = UINT32_MAX;
    return read_list(proto_answer_get(result, "events"), &out->list) &&
           read_token(proto_answer_get(result, "from"), out->token) &&
           (!looked_at || read_count(looked_at, UINT32_MAX, &out->looked_at));
}

bool link_read_kept(const struct link_list *list, uint32_t index, struct proto_kept *out) {
    return proto_answer_kept(proto_answer_entry(list->array, index), out);
}

bool link_read_id(const struct link_list *list, uint32_t index, struct proto_id *out) {
    return proto_answer_id(proto_answer_entry(list->array, index), out);
}

/* ---- results of an offer --------------------------------------------------------------------------------------- */

bool link_read_results(const void *result, struct link_list *results, uint64_t *seq) {
    return read_list(proto_answer_get(result, "results"), results) &&
           read_count(proto_answer_get(result, "seq"), INT64_MAX, seq);
}

bool link_read_at(const void *result, struct proto_position *at) {
    const void *object = proto_answer_get(result, "at");
    return object && proto_answer_position(object, at);
}

static bool read_receipt(const void *parts, uint32_t first, struct proto_kept *kept) {
    kept->has_receipt = true;
    return TIME_OF(proto_answer_entry(parts, first), &kept->received_at) &&
           read_bytes(proto_answer_entry(parts, first + 1), kept->receipt, PROTO_RECEIPT_BYTES);
}

static bool read_refusal(const void *parts, uint32_t count, struct link_result *out) {
    char code[64];
    struct proto_fault fault;
    struct proto_slice text, message;
    if (!proto_answer_text(proto_answer_entry(parts, 1), sizeof code - 1, &text) ||
        !proto_answer_text(proto_answer_entry(parts, 2), PROTO_TEXT_LONG_MAX, &message))
        return false;
    memcpy(code, text.data, text.size);
    code[text.size] = '\0';
    out->code = proto_error_find(code);
    if (out->code == PROTO_OK)
        return false;
    (void)proto_fault_set(&fault, out->code, NULL, "%.*s", (int)message.size, message.data);
    memcpy(out->message, fault.message, sizeof out->message);
    out->erased = strcmp(code, "erased") == 0 || (count > 3 && proto_answer_is_true(proto_answer_entry(parts, 3)));
    return true;
}

bool link_read_result(const struct link_list *list, uint32_t index, struct link_result *out) {
    const void *parts = proto_answer_entry(list->array, index);
    uint32_t count;
    memset(out, 0, sizeof *out);
    if (!proto_answer_array(parts, 1, UINT32_MAX, &count) ||
        !proto_answer_int(proto_answer_entry(parts, 0), INT64_MIN, INT64_MAX, &out->state))
        return false;
    switch (out->state) {
    case LINK_RESULT_TAKEN:
    case LINK_RESULT_HELD:
        return count >= 3 && read_receipt(parts, 1, &out->kept);
    case LINK_RESULT_REFUSED:
        return count >= 3 && read_refusal(parts, count, out);
    case LINK_RESULT_OTHER:
        return count >= 4 &&
               proto_answer_bin(proto_answer_entry(parts, 1), 1, PROTO_EVENT_BYTES_MAX, &out->kept.bytes) &&
               read_receipt(parts, 2, &out->kept);
    default:
        return false;
    }
}

/* ---- digests ------------------------------------------------------------------------------------------------------ */

bool link_read_digest(const void *result, struct link_digest_page *out) {
    const void *cursor = proto_answer_get(result, "cursor"), *records = proto_answer_get(result, "records");
    out->has_cursor = cursor != NULL;
    return (!cursor || proto_answer_position(cursor, &out->cursor)) &&
           read_list(records ? records : proto_answer_get(result, "events"), &out->rows) &&
           read_token(proto_answer_get(result, "after"), out->token);
}

static bool read_state(const void *object, uint8_t *out) {
    static const char *const names[] = {"unknown", "in", "out", "erased"}; /* as enum work_record_state */
    struct proto_slice text;
    if (!proto_answer_text(object, 16, &text))
        return false;
    for (uint8_t i = 0; i < 4; i++)
        if (proto_slice_is(text, names[i])) {
            *out = i;
            return true;
        }
    return false;
}

bool link_read_digest_row(const struct link_list *list, uint32_t index, bool with_state, struct link_digest_row *out) {
    const void *parts = proto_answer_entry(list->array, index);
    uint32_t count;
    uint64_t events = 0;
    memset(out, 0, sizeof *out);
    if (!proto_answer_array(parts, with_state ? 4 : 3, UINT32_MAX, &count) ||
        !proto_answer_id(proto_answer_entry(parts, 0), &out->record) ||
        !read_count(proto_answer_entry(parts, 1), UINT32_MAX, &events) ||
        !read_bytes(proto_answer_entry(parts, 2), out->sum, sizeof out->sum))
        return false;
    out->count = (uint32_t)events;
    return !with_state || read_state(proto_answer_entry(parts, 3), &out->state);
}

bool link_read_listed(const struct link_list *list, uint32_t index, struct proto_id *id,
                      uint8_t hash[PROTO_HASH_BYTES]) {
    const void *parts = proto_answer_entry(list->array, index);
    uint32_t count;
    return proto_answer_array(parts, 2, UINT32_MAX, &count) && proto_answer_id(proto_answer_entry(parts, 0), id) &&
           read_bytes(proto_answer_entry(parts, 1), hash, PROTO_HASH_BYTES);
}
