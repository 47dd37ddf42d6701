/*
 * lib.h - what the files of libbetony share: the handle, buffers and faults. Not installed.
 *
 * What always holds: a handle whose fd is -1 has nothing in flight and nothing read; every failure goes through
 * lib_fail, so betony_last_fault always speaks of the last failed call.
 */
#ifndef CLIENT_LIB_H
#define CLIENT_LIB_H

#include <msgpack.h>

#include "betony.h"
#include "proto/ids.h"
#include "proto/message.h"
#include "proto/scan.h"

#define LIB_INPUT_BYTES_MAX (16u << 20) /* answers read ahead while a send waits */
#define LIB_KEY_BYTES_MAX 65535u
#define LIB_PAIRS_MAX 65535u

struct betony {
    char *where, *account, *secret;
    char agent[PROTO_TEXT_SHORT_MAX + 1];
    int connect_ms, call_ms, retries;

    int fd;         /* -1: not connected */
    uint8_t *input; /* bytes read and not yet taken: input[input_start .. input_end) */
    size_t input_start, input_end, input_cap;
    struct proto_scan scan; /* of the message at input_start */

    uint32_t next_msgid;
    uint32_t in_flight[BETONY_IN_FLIGHT_MAX];
    size_t in_flight_count;
    bool follows; /* the connection belongs to betony_change */

    struct proto_id_maker ids;
    struct betony_fault fault;
};

struct betony_map {
    msgpack_sbuffer bytes; /* the pairs, without the map's header */
    msgpack_packer packer;
    uint32_t count;
    enum betony_error error; /* the first failure; sticks */
};

struct betony_event {
    char *kind;
    int64_t at_ms;
    bool has_id;
    char id[BETONY_ID_TEXT_SIZE];
    struct betony_map *head, *body;
};

struct betony_answer {
    uint8_t *bytes; /* one whole response */
    size_t size;
    struct proto_arena *arena;
    struct proto_message message;
};

/* Ways a call may be sent again. */
enum lib_again { LIB_ONCE, LIB_AGAIN_READS, LIB_AGAIN_RECORDS };

/* errors.c */
enum betony_error lib_fail(struct betony *b, enum betony_error error, const char *format, ...)
    __attribute__((format(printf, 3, 4)));
enum betony_error lib_fail_answer(struct betony *b, const struct proto_fault *fault);

/* build.c: the first failure of a map, MISUSE for NULL. */
enum betony_error lib_map_error(const struct betony_map *map);
int lib_map_pack(const struct betony_map *map, msgpack_packer *out); /* 0, or not 0 without memory, as msgpack has it */
int lib_pack_text(msgpack_packer *out, const char *text);
enum betony_error lib_event_pack(const struct betony_event *event, msgpack_packer *out);

/* socket.c: times are CLOCK_MONOTONIC ms. */
int64_t lib_now_ms(void);
void lib_wait_ms(int64_t ms);
enum betony_error lib_socket_open(struct betony *b, int64_t deadline_ms);
enum betony_error lib_socket_write(struct betony *b, const void *bytes, size_t size, int64_t deadline_ms);
enum betony_error lib_socket_read(struct betony *b, int64_t deadline_ms); /* at least one byte more, or why not */

/* session.c */
enum betony_error lib_session_open(struct betony *b);
enum betony_error lib_session_send(struct betony *b, const char *method, const void *params, size_t size,
                                   int64_t deadline_ms, uint32_t *msgid_out);
/* The next response to a call in flight. An error response: *out stays NULL and the fault is set. */
enum betony_error lib_session_receive(struct betony *b, int64_t deadline_ms, uint32_t *msgid_out,
                                      struct betony_answer **out);
/* The next notification; its params stand as `result`. TIMED_OUT leaves the connection as it is, every other failure closes it. */
enum betony_error lib_session_notified(struct betony *b, int64_t deadline_ms, struct betony_answer **out);

#endif
