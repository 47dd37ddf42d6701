/*
 * feeds.c - see feeds.h.
 */
#include "serve/feeds.h"

#include <string.h>

static enum proto_error find_numbers(struct serve_feeds *feeds, struct store_txn *txn, const char (*teams)[44],
                                     uint32_t team_count) {
    assert(team_count <= SERVE_FEEDS_MAX);
    for (uint32_t i = 0; i < team_count; i++) {
        struct proto_slice name = {teams[i], (uint32_t)strlen(teams[i])};
        uint32_t number;
        bool again = false;
        enum proto_error error = work_team_find(txn, name, &number);
        if (error == PROTO_NOT_FOUND)
            continue;
        if (error != PROTO_OK)
            return error;
        for (uint32_t n = 0; n < feeds->count; n++)
            again |= feeds->numbers[n] == number;
        if (!again)
            feeds->numbers[feeds->count++] = number;
    }
    return PROTO_OK;
}

enum proto_error serve_feeds_open(struct serve_feeds *feeds, struct store_txn *txn, const char (*teams)[44],
                                  uint32_t team_count, uint64_t seq) {
    struct serve_token position = {.position_size = WORK_FEED_KEY_BYTES};
    enum proto_error error = find_numbers(feeds, txn, teams, team_count);
    if (error == PROTO_OK)
        error = serve_merge_new(txn, STORE_FEED, 4, 8, SERVE_FEEDS_MAX + 1, &feeds->merge);
    for (uint32_t n = 0; error == PROTO_OK && n <= feeds->count; n++) {
        work_feed_key(n < feeds->count ? feeds->numbers[n] : WORK_FEED_EVERYONE, seq, position.position);
        error = serve_merge_add(feeds->merge, position.position, &position);
    }
    return error;
}

void serve_feeds_close(struct serve_feeds *feeds) {
    serve_merge_free(feeds->merge);
    *feeds = (struct serve_feeds){0};
}

static enum proto_error read_row(struct serve_feeds *feeds) {
    struct store_bytes key;
    enum proto_error error = serve_merge_next(feeds->merge, &key, &feeds->row_value);
    if (error != PROTO_OK)
        return error;
    if (key.size != WORK_FEED_KEY_BYTES)
        return PROTO_CORRUPT;
    feeds->row_seq = (uint64_t)serve_key_get_u32(key.data + 4) << 32 | serve_key_get_u32(key.data + 8);
    feeds->has_row = true;
    return PROTO_OK;
}

static bool have(const struct serve_feeds *feeds, const uint32_t *teams, uint32_t count) {
    for (uint32_t t = 0; t < count; t++)
        for (uint32_t n = 0; n < feeds->count; n++)
            if (teams[t] == feeds->numbers[n])
                return true;
    return false;
}

static enum proto_error tell_marks(const struct serve_feeds *feeds, serve_mark_fn on_mark, void *arg) {
    struct work_feed_mark mark;
    size_t at = 0;
    enum proto_error error;
    while ((error = work_feed_next_mark(feeds->row_value, &at, &mark)) == PROTO_OK) {
        if (!have(feeds, mark.teams, mark.team_count))
            error = on_mark(arg, mark.what, &mark.record);
        if (error != PROTO_OK)
            return error;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

enum proto_error serve_feeds_next(struct serve_feeds *feeds, uint64_t *seq_out, serve_mark_fn on_mark, void *arg) {
    enum proto_error error = feeds->has_row ? PROTO_OK : read_row(feeds);
    if (error != PROTO_OK)
        return error;
    uint64_t seq = feeds->row_seq;
    while (error == PROTO_OK && feeds->has_row && feeds->row_seq == seq) {
        feeds->has_row = false;
        error = tell_marks(feeds, on_mark, arg);
        if (error == PROTO_OK && (error = read_row(feeds)) == PROTO_NOT_FOUND)
            error = PROTO_OK;
    }
    if (error == PROTO_OK)
        *seq_out = seq;
    return error;
}
