/*
 * feeds.h - the feeds of several teams read as one, seq by seq: for followers and for nodes.
 *
 * What always holds: each seq once, ascending, with everybody's among them; a record that comes from one of the teams to
 * another of them neither arrives nor leaves.
 */
#ifndef SERVE_FEEDS_H
#define SERVE_FEEDS_H

#include "serve/internal.h"
#include "work/feed.h"

#define SERVE_FEEDS_MAX 64u

struct serve_feeds {
    struct serve_merge *merge;
    uint32_t numbers[SERVE_FEEDS_MAX];
    uint32_t count;
    bool has_row; /* read and not yet used */
    uint64_t row_seq;
    struct store_bytes row_value;
};

typedef enum proto_error (*serve_mark_fn)(void *arg, enum work_feed_what what, const struct proto_id *record);

/* Opens the feeds of these teams behind `seq`; {0} before, serve_feeds_close after, also when it failed. A team that no child was ever in is
 * passed over: there may yet be one. At most SERVE_FEEDS_MAX. */
enum proto_error serve_feeds_open(struct serve_feeds *feeds, struct store_txn *txn, const char (*teams)[44],
                                  uint32_t team_count, uint64_t seq) PROTO_MUST_CHECK;
/* The next seq; its marks go to on_mark, whose error ends it. NOT_FOUND at the end. */
enum proto_error serve_feeds_next(struct serve_feeds *feeds, uint64_t *seq_out, serve_mark_fn on_mark,
                                  void *arg) PROTO_MUST_CHECK;
/* Back to {0}. */
void serve_feeds_close(struct serve_feeds *feeds);

#endif
