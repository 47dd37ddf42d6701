/*
 * read.h - what an upstream answers, as values. Whatever is wrong with an answer is said as false, never asserted.
 *
 * What always holds: values point into the answer; an unknown key is passed over.
 */
#ifndef LINK_READ_H
#define LINK_READ_H

#include "proto/value.h"

#define LINK_TOKEN_BYTES 401

struct link_list { /* of an answer */
    const void *array;
    uint32_t count;
};

struct link_hello {
    struct proto_id node;
    int64_t now;
    uint64_t seq;
    bool has_known;
    struct proto_position known;
};
bool link_read_hello(const void *result, struct link_hello *out);
bool link_read_now(const void *result, int64_t *now);

struct link_page {
    struct proto_position cursor;
    struct link_list events, left;
    bool more, within, reset;
    uint64_t seq; /* the upstream's last */
    bool has_at;  /* the place up to which it looked for this: what came may be younger than the cursor */
    struct proto_position at;
};
bool link_read_page(const void *result, struct link_page *out);
struct link_events { /* of fetch by ids or by record */
    struct link_list list;
    char token[LINK_TOKEN_BYTES]; /* empty when it is whole */
    uint64_t looked_at;           /* ids that were looked at; UINT32_MAX when not said */
};
bool link_read_events(const void *result, struct link_events *out);
bool link_read_kept(const struct link_list *list, uint32_t index, struct proto_kept *out);
bool link_read_id(const struct link_list *list, uint32_t index, struct proto_id *out);

/* Of offer; for fewer events than were offered when it would have been too large. */
bool link_read_results(const void *result, struct link_list *results, uint64_t *seq);
/* Of offer and fetch: a place of the upstream's log by which it holds what was offered or came. False: it does not say. */
bool link_read_at(const void *result, struct proto_position *at);
enum { LINK_RESULT_TAKEN = 1, LINK_RESULT_HELD, LINK_RESULT_REFUSED, LINK_RESULT_OTHER };
struct link_result {
    int64_t state;
    enum proto_error code; /* REFUSED, with the sentence */
    char message[256];
    bool erased;            /* REFUSED because the child was erased */
    struct proto_kept kept; /* received_at and receipt; OTHER: its bytes too */
};
bool link_read_result(const struct link_list *list, uint32_t index, struct link_result *out);

struct link_digest_row {
    struct proto_id record;
    uint32_t count;
    uint8_t sum[PROTO_HASH_BYTES];
    uint8_t state; /* enum work_record_state, of digest by ids */
};
struct link_digest_page {
    bool has_cursor;
    struct proto_position cursor;
    struct link_list rows;
    char token[LINK_TOKEN_BYTES];
};
bool link_read_digest(const void *result, struct link_digest_page *out);
bool link_read_digest_row(const struct link_list *list, uint32_t index, bool with_state, struct link_digest_row *out);
bool link_read_listed(const struct link_list *list, uint32_t index, struct proto_id *id,
                      uint8_t hash[PROTO_HASH_BYTES]);

#endif
