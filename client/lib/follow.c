/*
 * follow.c - following the log: one call that begins it, and then what the server sends by itself.
 *
 * What always holds: while a handle follows it makes no other call, so that no change can be taken for an answer or be lost
 * behind one.
 */
#include "lib.h"

enum betony_error betony_follow(struct betony *b, const struct betony_map *params, struct betony_answer **out) {
    enum betony_error error = betony_call(b, "follow", params, out);
    b->follows = error == BETONY_OK;
    return error;
}

enum betony_error betony_change(struct betony *b, int wait_ms, struct betony_answer **out) {
    *out = NULL;
    if (!b->follows)
        return lib_fail(b, BETONY_MISUSE, "The handle does not follow; call betony_follow first.");
    int64_t deadline_ms = lib_now_ms() + wait_ms;
    for (;;) {
        struct betony_answer *answer = NULL;
        enum betony_error error = lib_session_notified(b, deadline_ms, &answer);
        if (error != BETONY_OK)
            return error;
        if (proto_slice_is(answer->message.method, "change") && answer->message.result) {
            *out = answer;
            return BETONY_OK;
        }
        betony_answer_free(answer);
    }
}
