/*
 * link.c - the link's life: the transport's events, when to connect again, when to be called, and the pump.
 *
 * What always holds: nothing waits without a moment at which it is looked at again, and a call at that moment moves it or
 * names a later one.
 */
#include "link/internal.h"

#include <stdio.h>

int64_t link_now(const struct link *link) {
    return link->options.steady_ms(link->options.arg);
}

struct link *link_new(const struct link_options *options) {
    struct link *link = calloc(1, sizeof *link);
    if (!link)
        return NULL;
    link->options = *options;
    link->scope = options->scope;
    if (link->options.poll_ms == 0)
        link->options.poll_ms = 2000;
    net_caller_init(&link->caller, PROTO_NODE_MESSAGE_BYTES_MAX, LINK_WINDOW);
    link->arena = proto_arena_new();
    link->apply_arena = proto_arena_new();
    link->event_arena = proto_arena_new();
    if (!link->arena || !link->apply_arena || !link->event_arena) {
        link_free(link);
        return NULL;
    }
    link->connect_at = link_now(link);
    link->rows_seq = UINT64_MAX;
    if (link_load(link) == PROTO_OK && link->stored.has_offset) {
        link->offset_ms = link->stored.offset_saved_ms;
        work_set_clock_offset(link->options.work, link->offset_ms);
    }
    link_push_reset(link);
    link_pull_reset(link);
    return link;
}

void link_free(struct link *link) {
    if (!link)
        return;
    link_push_reset(link);
    link_pull_reset(link);
    link_compare_reset(link);
    net_caller_deinit(&link->caller);
    proto_arena_free(link->arena);
    proto_arena_free(link->apply_arena);
    proto_arena_free(link->event_arena);
    free(link);
}

/* ---- ends and new beginnings ---------------------------------------------------------------------------------------------- */

static void forget_all(struct link *link) {
    link->generation++;
    link->started = false;
    link->clock_asked = false;
    link_push_reset(link);
    link_pull_reset(link);
    link_compare_reset(link);
    link_check_reset(link);
}

static int64_t random_below(struct link *link, int64_t bound) {
    uint8_t bytes[4];
    link->options.entropy(link->options.arg, bytes, sizeof bytes);
    uint32_t n = (uint32_t)bytes[0] << 24 | (uint32_t)bytes[1] << 16 | (uint32_t)bytes[2] << 8 | bytes[3];
    return (int64_t)n % bound;
}

/* Between half and the whole of a wait that doubles, so that laptops that lost one server do not come back as one. */
static int64_t backoff(struct link *link, bool slow) {
    int64_t wait_ms = LINK_BACKOFF_FIRST_MS;
    if (slow)
        return LINK_SLOW_MS + random_below(link, LINK_SLOW_MS / 8);
    for (uint32_t i = 0; i < link->failures && wait_ms < LINK_BACKOFF_MAX_MS; i++)
        wait_ms *= 2;
    if (wait_ms > LINK_BACKOFF_MAX_MS)
        wait_ms = LINK_BACKOFF_MAX_MS;
    link->failures++;
    return wait_ms / 2 + random_below(link, wait_ms / 2 + 1);
}

static void say(struct link *link, const char *why) {
    (void)snprintf(link->fault, sizeof link->fault, "%s", why);
}

static void end(struct link *link, bool slow, const char *why) {
    link->conn = LINK_CONN_NONE;
    forget_all(link);
    net_caller_reset(&link->caller);
    link->connect_at = link_now(link) + backoff(link, slow);
    say(link, why);
}

void link_drop(struct link *link, bool slow, const char *why) {
    if (link->conn == LINK_CONN_NONE || link->conn == LINK_CONN_STOPPED)
        return;
    char kept[sizeof link->fault]; /* `why` may live in what is forgotten */
    (void)snprintf(kept, sizeof kept, "%s", why);
    link->options.close(link->options.arg);
    end(link, slow, kept);
}

void link_again(struct link *link, int64_t delay_ms, const char *why) {
    if (link->conn == LINK_CONN_GREETING) {
        link_drop(link, false, why);
        return;
    }
    if (link->conn != LINK_CONN_UP)
        return;
    say(link, why);
    forget_all(link);
    link->paused_until = link_now(link) + delay_ms;
}

void link_well(struct link *link) {
    link->failures = 0;
    link->fault[0] = '\0';
}

/* ---- from the transport ------------------------------------------------------------------------------------------------------- */

void link_stop(struct link *link) {
    if (link->conn != LINK_CONN_NONE && link->conn != LINK_CONN_STOPPED)
        link->options.close(link->options.arg);
    forget_all(link);
    net_caller_reset(&link->caller);
    link->conn = LINK_CONN_STOPPED;
}

void link_connected(struct link *link) {
    if (link->conn != LINK_CONN_BEGUN)
        return;
    link->conn = LINK_CONN_GREETING;
    link->renewed = false;
    link->heard_at = link_now(link);
    link_greet(link);
    link_ask_flush(link);
}

void link_lost(struct link *link, const char *why) {
    if (link->conn == LINK_CONN_NONE || link->conn == LINK_CONN_STOPPED)
        return;
    end(link, false, why && why[0] ? why : "The connection to the upstream ended.");
}

void link_feed(struct link *link, const uint8_t *bytes, size_t size) {
    if (link->conn != LINK_CONN_GREETING && link->conn != LINK_CONN_UP)
        return;
    link->heard_at = link_now(link);
    net_caller_feed(&link->caller, bytes, size);
    link_answers(link);
    link_pump(link);
    link_ask_flush(link);
}

void link_news(struct link *link) {
    link_pump(link);
}

/* ---- the pump -------------------------------------------------------------------------------------------------------------------- */

/* By the feed when this store knows where it stands in it, or holds nothing yet; else by comparing. */
static void start(struct link *link) {
    const struct link_stored *stored = &link->stored;
    link->started = true;
    link_push_reset(link);
    link_pull_reset(link);
    if (stored->has_cursor ? !stored->teams_match : work_log_seq(link->options.work) > 0)
        link_compare_begin(link);
}

/* What waited for the teams of before has gone out, and what they had is here: now for those of today. */
static void change_scope(struct link *link) {
    forget_all(link);
    link->conn = LINK_CONN_GREETING;
    link_greet(link);
}

static void turn(struct link *link) {
    uint32_t generation = link->generation;
    int64_t now = link_now(link);
    if (link->paused_until > now || (link->apply.what != LINK_APPLY_NONE && link->apply.generation != generation))
        return;
    link->paused_until = 0;
    if (link->apply.retry_at && now >= link->apply.retry_at)
        link->apply.retry_at = 0;
    if (!link->started)
        start(link);
    if (link->compare.on) {
        link_compare_pump(link);
        if (generation == link->generation)
            link_compare_apply(link);
        return;
    }
    if (link->pull.begun)
        link_push_pump(link);
    if (generation == link->generation)
        link_pull_pump(link);
    if (generation == link->generation)
        link_push_apply(link);
    if (generation == link->generation)
        link_pull_apply(link);
    bool idle = generation == link->generation && link_push_idle(link) && link_pull_idle(link);
    if (idle && link->apply.what == LINK_APPLY_NONE && !link_same_scope(&link->scope, &link->options.scope)) {
        change_scope(link);
        return;
    }
    if (idle) {
        link_apply_marks(link);
        link_check_pump(link);
    }
    if (generation == link->generation)
        link_check_apply(link);
    if (generation == link->generation && now >= link->clock_at)
        link_ask_clock(link);
}

void link_pump(struct link *link) {
    if (link->pumping) {
        link->pump_again = true;
        return;
    }
    link->pumping = true;
    /* The second look takes up what the first one made room for: a part applied lets the next be asked for. */
    for (int i = 0; i < 2 || link->pump_again; i++) {
        link->pump_again = false;
        if (link->conn == LINK_CONN_UP)
            turn(link);
    }
    link->pumping = false;
    if (net_caller_fault(&link->caller))
        link_answers(link); /* there was no memory to ask */
    link_ask_flush(link);
}

/* ---- time ------------------------------------------------------------------------------------------------------------------------ */

static int64_t silent_at(const struct link *link) {
    int64_t last = link->heard_at > link->asked_at ? link->heard_at : link->asked_at;
    bool offers = link->push.count > 0 || link->compare.on;
    return last + (offers ? LINK_SILENCE_OFFER_MS : LINK_SILENCE_MS);
}

static int64_t earlier(int64_t a, int64_t b) {
    return a < b ? a : b;
}

int64_t link_next_tick(const struct link *link) {
    int64_t now = link_now(link), at = INT64_MAX;
    bool room = net_caller_has_room(&link->caller);
    switch (link->conn) {
    case LINK_CONN_NONE:
        return link->connect_at;
    case LINK_CONN_BEGUN:
        return link->heard_at + LINK_CONNECT_MS;
    case LINK_CONN_STOPPED:
        return INT64_MAX;
    case LINK_CONN_GREETING:
        return silent_at(link);
    case LINK_CONN_UP:
        break;
    }
    if (link_calls(link) > 0)
        at = silent_at(link);
    if (link->apply.what != LINK_APPLY_NONE && link->apply.generation != link->generation)
        return at; /* its end pumps */
    if (link->paused_until)
        return earlier(at, link->paused_until);
    if (link->apply.retry_at)
        at = earlier(at, link->apply.retry_at);
    if (link->compare.on)
        return at;
    if (link->push.more && room)
        at = earlier(at, now);
    else if (link->push.scanned < work_log_seq(link->options.work) && link->push.count < LINK_OFFERS)
        at = earlier(at, now + LINK_RETRY_MS); /* the view is behind */
    if (link->pull.poll_at && room && !link_check_busy(link))
        at = earlier(at, link->pull.poll_at);
    return earlier(at, link->clock_at);
}

static void tick_none(struct link *link, int64_t now) {
    struct work_progress progress;
    if (now < link->connect_at)
        return;
    work_progress_get(link->options.work, &progress);
    if (progress.rebuilding) { /* what is here cannot be told yet */
        link->connect_at = now + LINK_RETRY_MS;
        return;
    }
    link->conn = LINK_CONN_BEGUN;
    link->heard_at = now;
    link->options.connect(link->options.arg);
}

void link_tick(struct link *link) {
    int64_t now = link_now(link);
    if (link->conn == LINK_CONN_NONE)
        tick_none(link, now);
    else if (link->conn == LINK_CONN_BEGUN && now - link->heard_at >= LINK_CONNECT_MS)
        link_drop(link, false, "The upstream could not be reached.");
    else if ((link->conn == LINK_CONN_GREETING || link_calls(link) > 0) && now >= silent_at(link))
        link_drop(link, false, "The upstream does not answer.");
    else
        link_pump(link);
}
