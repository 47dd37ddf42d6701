/*
 * record_test.c - the store's records against golden files, and decoders against bytes that are no records.
 *
 * The golden files were made by another program (struct and hashlib of Python 3) from the layouts in record.c. Files of a
 * past format stay here for good: what was once written must be readable.
 */
#include "help.h"

#include <ctype.h>

struct golden {
    size_t size;
    uint8_t bytes[512];
};

static struct golden read_golden(const char *name) {
    struct golden golden = {0};
    char path[512], line[256];
    (void)snprintf(path, sizeof path, "%s/tests/unit/store/golden/%s.hex", BETONY_SOURCE_DIR, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    while (fgets(line, sizeof line, file)) {
        if (line[0] == '#')
            continue;
        for (char *at = line; isxdigit((unsigned char)at[0]); at += 2 + (at[2] == ' ')) {
            char pair[3] = {at[0], at[1], 0};
            assert_true(golden.size < sizeof golden.bytes);
            golden.bytes[golden.size++] = (uint8_t)strtoul(pair, NULL, 16);
        }
    }
    assert_int_equal(fclose(file), 0);
    assert_true(golden.size > 0);
    return golden;
}

static const uint8_t body[] = {0x92, 0x81, 0xa2, 'i', 'd', 0xa1, 'x', 0x80};

/* The values that the golden files hold. */
static struct store_event golden_event(void) {
    struct store_event event = {.seq = 42,
                                .id = help_id(0x2a),
                                .received_at = 1700000000000,
                                .via = help_id(0x100002a),
                                .body = {body, sizeof body}};
    for (uint8_t i = 0; i < sizeof event.nonce; i++)
        event.nonce[i] = i;
    struct golden chain = read_golden("chain_next_v1");
    memcpy(event.chain, chain.bytes, sizeof event.chain);
    return event;
}

static void header_and_chain(void **state) {
    (void)state;
    struct store_event event = golden_event();
    struct golden header = read_golden("header_v1"), start = read_golden("chain_start_v1");
    struct proto_id log = help_id(0xf00002);
    uint8_t commitment[PROTO_HASH_BYTES], bytes[STORE_HEADER_BYTES], chain[PROTO_HASH_BYTES];
    store_commit_to_body(event.nonce, event.body, commitment);
    store_header_encode(&event, commitment, bytes);
    assert_int_equal(header.size, sizeof bytes);
    assert_memory_equal(bytes, header.bytes, sizeof bytes);
    store_chain_start(&log, chain);
    assert_memory_equal(chain, start.bytes, sizeof chain);
    store_chain_next(chain, bytes, chain);
    assert_memory_equal(chain, event.chain, sizeof chain);
}

static void event_record(void **state) {
    (void)state;
    struct store_event event = golden_event(), back = {0};
    struct golden golden = read_golden("event_v1");
    static uint8_t bytes[STORE_EVENT_RECORD_BYTES_MAX];
    uint8_t commitment[PROTO_HASH_BYTES], read[PROTO_HASH_BYTES];
    store_commit_to_body(event.nonce, event.body, commitment);
    assert_int_equal(store_event_encode(&event, commitment, bytes), golden.size);
    assert_memory_equal(bytes, golden.bytes, golden.size);
    assert_int_equal(store_event_decode(store_bytes_of(golden.bytes, golden.size), &back, read), PROTO_OK);
    assert_memory_equal(&back.id, &event.id, sizeof back.id);
    assert_memory_equal(&back.via, &event.via, sizeof back.via);
    assert_memory_equal(back.nonce, event.nonce, sizeof back.nonce);
    assert_memory_equal(back.chain, event.chain, sizeof back.chain);
    assert_memory_equal(read, commitment, sizeof read);
    assert_true(back.received_at == event.received_at && help_bytes_are(back.body, body, sizeof body));
}

static void joined_event_record(void **state) {
    (void)state;
    struct store_event event = golden_event(), back = {0};
    struct golden golden = read_golden("event_joined_v1");
    static uint8_t bytes[STORE_EVENT_RECORD_BYTES_MAX];
    uint8_t commitment[PROTO_HASH_BYTES];
    event.joined = event.supersedes = true; /* of these two only one is kept */
    store_commit_to_body(event.nonce, event.body, commitment);
    assert_int_equal(store_event_encode(&event, commitment, bytes), golden.size);
    assert_memory_equal(bytes, golden.bytes, golden.size);
    back.supersedes = true;
    assert_int_equal(store_event_decode(store_bytes_of(golden.bytes, golden.size), &back, commitment), PROTO_OK);
    assert_true(back.joined && !back.supersedes && help_bytes_are(back.body, body, sizeof body));
    golden.bytes[1] = 4; /* a flag that nobody knows */
    assert_int_equal(store_event_decode(store_bytes_of(golden.bytes, golden.size), &back, commitment), PROTO_CORRUPT);
}

static void event_record_without_body(void **state) {
    (void)state;
    static const char *const whole[] = {"event_v1", "event_joined_v1"}, *const cut[] = {"event_removed_v1",
                                                                                        "event_joined_removed_v1"};
    for (size_t i = 0; i < 2; i++) {
        struct store_event event = golden_event(), back = {0};
        struct golden golden = read_golden(cut[i]), before = read_golden(whole[i]);
        uint8_t commitment[PROTO_HASH_BYTES], none[STORE_NONCE_BYTES] = {0}, made[STORE_EVENT_FIXED_BYTES];
        store_event_cut(before.bytes, made);
        assert_int_equal(golden.size, sizeof made);
        assert_memory_equal(made, golden.bytes, sizeof made);
        assert_int_equal(store_event_decode(store_bytes_of(golden.bytes, golden.size), &back, commitment), PROTO_OK);
        assert_int_equal(back.joined, i);
        assert_int_equal(back.body.size, 0);
        assert_memory_equal(back.nonce, none, sizeof none);
        assert_memory_equal(&back.id, &event.id, sizeof back.id);
        assert_memory_equal(back.chain, event.chain, sizeof back.chain);
    }
}

static void receipt_record(void **state) {
    (void)state;
    struct golden golden = read_golden("receipt_v1");
    uint8_t word[STORE_RECEIPT_BYTES], back[STORE_RECEIPT_BYTES], bytes[STORE_RECEIPT_RECORD_BYTES];
    int64_t received_at = 0;
    for (uint8_t i = 0; i < sizeof word; i++)
        word[i] = i;
    store_receipt_encode(1700000000000, word, bytes);
    assert_int_equal(golden.size, sizeof bytes);
    assert_memory_equal(bytes, golden.bytes, sizeof bytes);
    assert_int_equal(store_receipt_decode(store_bytes_of(bytes, sizeof bytes), &received_at, back), PROTO_OK);
    assert_true(received_at == 1700000000000);
    assert_memory_equal(back, word, sizeof word);
    for (size_t size = 0; size < sizeof bytes; size++)
        assert_int_equal(store_receipt_decode(store_bytes_of(bytes, size), &received_at, back), PROTO_CORRUPT);
    assert_int_equal(store_receipt_decode(store_bytes_of(golden.bytes, golden.size + 1), &received_at, back),
                     PROTO_CORRUPT);
}

static void stamp(void **state) {
    (void)state;
    struct golden golden = read_golden("stamp_v1"), chain = read_golden("chain_next_v1");
    struct store_stamp made = {.view = help_id(0xf00003), .log = help_id(0xf00002), .seq = 42}, back = {0};
    uint8_t bytes[STORE_STAMP_BYTES];
    memcpy(made.chain, chain.bytes, sizeof made.chain);
    store_stamp_encode(&made, bytes);
    assert_int_equal(golden.size, sizeof bytes);
    assert_memory_equal(bytes, golden.bytes, sizeof bytes);
    assert_int_equal(store_stamp_decode(store_bytes_of(bytes, sizeof bytes), &back), PROTO_OK);
    assert_memory_equal(&back, &made, sizeof back);
}

static void state_mark(void **state) {
    (void)state;
    for (int open = 0; open < 2; open++) {
        struct golden golden = read_golden(open ? "state_open_v1" : "state_clean_v1");
        struct store_state_mark made = {.open = open, .boot_id = HELP_BOOT}, back = {0};
        uint8_t bytes[STORE_STATE_BYTES_MAX];
        assert_int_equal(store_state_encode(&made, bytes), golden.size);
        assert_memory_equal(bytes, golden.bytes, golden.size);
        assert_int_equal(store_state_decode(store_bytes_of(bytes, golden.size), &back), PROTO_OK);
        assert_int_equal(back.open, open);
        assert_string_equal(back.boot_id, HELP_BOOT);
    }
}

/* Every cut and every unknown format of each record is refused; the bytes are on the heap so that a read beyond them shows. */
static void no_record_is_refused(void **state) {
    (void)state;
    static const char *const names[] = {"event_v1", "event_removed_v1", "stamp_v1", "state_open_v1"};
    for (size_t i = 0; i < 4; i++) {
        struct golden golden = read_golden(names[i]);
        for (size_t size = 0; size <= golden.size + 1; size++) {
            uint8_t *bytes = calloc(1, size + 1), commitment[PROTO_HASH_BYTES];
            struct store_event event;
            struct store_stamp stamp_out;
            struct store_state_mark mark;
            assert_non_null(bytes);
            memcpy(bytes, golden.bytes, size < golden.size ? size : golden.size);
            struct store_bytes cut = store_bytes_of(bytes, size);
            bool whole = size == golden.size;
            if (i < 2) /* a longer or shorter body is a record too, only not one whose commitment holds */
                assert_int_equal(store_event_decode(cut, &event, commitment) == PROTO_OK,
                                 i == 0 ? size > STORE_EVENT_FIXED_BYTES + STORE_NONCE_BYTES : whole);
            if (i == 2)
                assert_int_equal(store_stamp_decode(cut, &stamp_out) == PROTO_OK, whole);
            if (i == 3)
                assert_int_equal(store_state_decode(cut, &mark) == PROTO_OK, size >= 2 && size <= golden.size);
            for (uint8_t format = 0; whole && format < 4; format++) {
                bytes[0] = format == 1 ? 2 : format; /* all but the one that is known */
                if (format == 1)
                    continue;
                assert_int_equal(i < 2    ? store_event_decode(cut, &event, commitment)
                                 : i == 2 ? store_stamp_decode(cut, &stamp_out)
                                          : store_state_decode(cut, &mark),
                                 PROTO_CORRUPT);
            }
            free(bytes);
        }
    }
}

static void seqs_sort_as_bytes(void **state) {
    (void)state;
    static const uint64_t seqs[] = {0, 1, 255, 256, 65535, 1ull << 32, UINT64_MAX - 1, UINT64_MAX};
    uint8_t before[8] = {0}, bytes[8];
    uint64_t back;
    for (size_t i = 0; i < sizeof seqs / sizeof *seqs; i++) {
        store_seq_encode(seqs[i], bytes);
        assert_true(i == 0 || memcmp(before, bytes, 8) < 0);
        assert_int_equal(store_seq_decode(store_bytes_of(bytes, 8), &back), PROTO_OK);
        assert_true(back == seqs[i]);
        memcpy(before, bytes, 8);
    }
    assert_int_equal(store_seq_decode(store_bytes_of(bytes, 7), &back), PROTO_CORRUPT);
}

static void backup_mark(void **state) {
    (void)state;
    struct golden golden = read_golden("backup_v1");
    uint8_t bytes[STORE_BACKUP_MARK_BYTES];
    store_backup_mark_encode(1700000000000, bytes);
    assert_int_equal(golden.size, sizeof bytes);
    assert_memory_equal(bytes, golden.bytes, sizeof bytes);
}

/* What the mark holds; a struct has bytes that are nobody's. */
static void assert_same_log(const struct store_identity *a, const struct store_identity *b) {
    assert_memory_equal(&a->node, &b->node, sizeof a->node);
    assert_memory_equal(&a->log, &b->log, sizeof a->log);
    assert_memory_equal(a->chain, b->chain, sizeof a->chain);
    assert_true(a->log_seq == b->log_seq);
}

static void restored_mark(void **state) {
    (void)state;
    struct golden golden = read_golden("restored_v1");
    struct store_identity first = {.node = help_id(0xf00001), .log = help_id(0xf00002), .log_seq = 7};
    struct store_identity second = {.node = help_id(0xf00011), .log = help_id(0xf00012), .log_seq = 42}, back = {0};
    uint8_t once[STORE_RESTORED_BYTES_MAX], twice[STORE_RESTORED_BYTES_MAX];
    size_t size = 0;
    int64_t moment = 0;
    for (int i = 0; i < PROTO_HASH_BYTES; i++) {
        first.chain[i] = (uint8_t)(100 + i);
        second.chain[i] = (uint8_t)i;
    }
    assert_int_equal(store_restored_encode(&first, -5, store_bytes_of(NULL, 0), once, &size), PROTO_OK);
    assert_int_equal(store_restored_encode(&second, 1700000000000, store_bytes_of(once, size), twice, &size), PROTO_OK);
    assert_int_equal(size, golden.size);
    assert_memory_equal(twice, golden.bytes, size);
    struct store_bytes held = store_bytes_of(golden.bytes, golden.size);
    assert_int_equal(store_restored_decode(held, 0, &back, &moment), PROTO_OK);
    assert_same_log(&back, &second);
    assert_true(moment == 1700000000000);
    assert_int_equal(store_restored_decode(held, 1, &back, &moment), PROTO_OK);
    assert_same_log(&back, &first);
    assert_true(moment == -5);
    assert_int_equal(store_restored_decode(held, 2, &back, &moment), PROTO_NOT_FOUND);
    for (size_t cut = 0; cut < golden.size; cut++)
        if (cut == 0 || (cut - 1) % STORE_RESTORED_ENTRY_BYTES != 0)
            assert_int_equal(store_restored_decode(store_bytes_of(golden.bytes, cut), 0, &back, &moment),
                             PROTO_CORRUPT);
    golden.bytes[0] = 2;
    assert_int_equal(store_restored_decode(held, 0, &back, &moment), PROTO_CORRUPT);
    assert_int_equal(store_restored_encode(&first, 0, held, once, &size), PROTO_CORRUPT);
}

/* The oldest fall out; the mark never outgrows what a mark may be. */
static void restored_mark_of_many(void **state) {
    (void)state;
    uint8_t marks[2][STORE_RESTORED_BYTES_MAX];
    struct store_bytes held = {0};
    struct store_identity back = {0};
    size_t size = 0;
    int64_t moment = 0;
    for (uint64_t n = 1; n <= STORE_RESTORED_ENTRIES_MAX + 3; n++) {
        struct store_identity was = {.node = help_id(n), .log = help_id(n + 100), .log_seq = n};
        assert_int_equal(store_restored_encode(&was, (int64_t)n, held, marks[n % 2], &size), PROTO_OK);
        held = store_bytes_of(marks[n % 2], size);
    }
    assert_int_equal(size, STORE_RESTORED_BYTES_MAX);
    assert_int_equal(store_restored_decode(held, 0, &back, &moment), PROTO_OK);
    assert_int_equal(back.log_seq, STORE_RESTORED_ENTRIES_MAX + 3);
    assert_int_equal(store_restored_decode(held, STORE_RESTORED_ENTRIES_MAX - 1, &back, &moment), PROTO_OK);
    assert_int_equal(back.log_seq, 4);
    assert_int_equal(store_restored_decode(held, STORE_RESTORED_ENTRIES_MAX, &back, &moment), PROTO_NOT_FOUND);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(header_and_chain),     cmocka_unit_test(event_record),
        cmocka_unit_test(joined_event_record),  cmocka_unit_test(event_record_without_body),
        cmocka_unit_test(receipt_record),       cmocka_unit_test(stamp),
        cmocka_unit_test(state_mark),           cmocka_unit_test(backup_mark),
        cmocka_unit_test(restored_mark),        cmocka_unit_test(restored_mark_of_many),
        cmocka_unit_test(no_record_is_refused), cmocka_unit_test(seqs_sort_as_bytes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
