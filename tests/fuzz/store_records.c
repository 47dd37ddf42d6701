/*
 * store_records.c - mutated records of the store: a decoder answers, reads nothing beyond its bytes, and what it takes encodes
 * to the same bytes again.
 *
 *     store_records --runs N --seed S        (exit 0; a breach aborts, and the seed brings it back)
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "store/record.h"

static uint64_t state = 1;

static uint64_t random_next(void) {
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 0x2545f4914f6cdd1du;
}

static void must(bool good, const char *what) {
    if (good)
        return;
    (void)fprintf(stderr, "store_records: %s\n", what);
    abort();
}

static size_t make_event(uint8_t *out) {
    uint8_t body[64], commitment[PROTO_HASH_BYTES] = {7};
    struct store_event event = {.seq = 1};
    event.received_at = (int64_t)random_next();
    event.body = (struct store_bytes){body, 1 + random_next() % 64};
    memset(body, 0x92, sizeof body);
    event.joined = random_next() % 2;
    size_t size = store_event_encode(&event, commitment, out);
    if (random_next() % 4 > 0)
        return size;
    store_event_cut(out, out);
    return STORE_EVENT_FIXED_BYTES;
}

static size_t make_stamp(uint8_t *out) {
    struct store_stamp stamp = {.seq = random_next()};
    store_stamp_encode(&stamp, out);
    return STORE_STAMP_BYTES;
}

static size_t make_state(uint8_t *out) {
    struct store_state_mark mark = {.open = random_next() % 2, .boot_id = "0f0f0f0f-boot"};
    return store_state_encode(&mark, out);
}

static size_t mutate(uint8_t *bytes, size_t size, size_t cap) {
    for (uint64_t n = random_next() % 4; n > 0 && size > 0; n--) {
        size_t at = random_next() % size;
        bytes[at] = (uint8_t)random_next();
    }
    uint64_t how = random_next() % 4;
    if (how == 0)
        return random_next() % (size + 1);
    if (how == 1 && size + 8 <= cap) {
        memset(bytes + size, (int)(random_next() & 0xff), 8);
        return size + random_next() % 9;
    }
    return size;
}

static bool check_event(struct store_bytes bytes) {
    static uint8_t again[STORE_EVENT_RECORD_BYTES_MAX];
    struct store_event event = {0};
    uint8_t commitment[PROTO_HASH_BYTES];
    if (store_event_decode(bytes, &event, commitment) != PROTO_OK)
        return false;
    if (event.body.size == 0) { /* cut from a record, and cut again it stays the same */
        store_event_cut(bytes.data, again);
        must(bytes.size == STORE_EVENT_FIXED_BYTES && memcmp(again, bytes.data, bytes.size) == 0,
             "an event without its body is not what is cut from it");
        return true;
    }
    must(store_event_encode(&event, commitment, again) == bytes.size && memcmp(again, bytes.data, bytes.size) == 0,
         "an event does not encode to what it was decoded from");
    return true;
}

static bool check_stamp(struct store_bytes bytes) {
    uint8_t again[STORE_STAMP_BYTES];
    struct store_stamp stamp;
    if (store_stamp_decode(bytes, &stamp) != PROTO_OK)
        return false;
    store_stamp_encode(&stamp, again);
    must(memcmp(again, bytes.data, sizeof again) == 0, "a stamp does not encode to what it was decoded from");
    return true;
}

static bool check_state(struct store_bytes bytes) {
    uint8_t again[STORE_STATE_BYTES_MAX];
    struct store_state_mark mark;
    if (store_state_decode(bytes, &mark) != PROTO_OK)
        return false;
    must(store_state_encode(&mark, again) == bytes.size && memcmp(again, bytes.data, bytes.size) == 0,
         "a mark does not encode to what it was decoded from");
    return true;
}

int main(int argc, char **argv) {
    static size_t (*const make[])(uint8_t *) = {make_event, make_stamp, make_state};
    static bool (*const check[])(struct store_bytes) = {check_event, check_stamp, check_state};
    uint64_t runs = 20000, taken = 0;
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--runs") == 0)
            runs = strtoull(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--seed") == 0)
            state = strtoull(argv[i + 1], NULL, 10) * 0x9e3779b97f4a7c15u | 1;
    }
    for (uint64_t run = 0; run < runs; run++) {
        uint8_t bytes[512];
        unsigned kind = (unsigned)(run % 3);
        size_t size = mutate(bytes, make[kind](bytes), sizeof bytes);
        uint8_t *copy = malloc(size + (size == 0)); /* exactly as long, so that a sanitizer sees a read beyond */
        must(copy != NULL, "no memory");
        memcpy(copy, bytes, size);
        taken += check[kind]((struct store_bytes){copy, size});
        free(copy);
    }
    printf("store_records: %llu runs, %llu taken\n", (unsigned long long)runs, (unsigned long long)taken);
    must(runs < 100 || (taken > 0 && taken < runs), "nothing was taken, or nothing was refused");
    return 0;
}
