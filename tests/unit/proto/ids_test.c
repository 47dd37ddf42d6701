/*
 * ids_test.c - UUIDs: the example of RFC 9562, one text for one id, and ids that only grow.
 */
#include "sample.h"

/* RFC 9562, appendix A.6: 1645557742000 ms. */
static void the_example_of_the_rfc(void **state) {
    (void)state;
    static const uint8_t bytes[PROTO_ID_BYTES] = {0x01, 0x7f, 0x22, 0xe2, 0x79, 0xb0, 0x7c, 0xc3,
                                                  0x98, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, 0x8f};
    struct proto_id id = id_of(ID_A);
    char text[PROTO_ID_TEXT_BYTES + 1];
    assert_memory_equal(id.bytes, bytes, sizeof bytes);
    assert_true(proto_id_is_v7(&id));
    assert_int_equal(proto_id_time_ms(&id), 1645557742000);
    proto_id_format(&id, text);
    assert_string_equal(text, ID_A);
    assert_false(proto_id_is_zero(&id));
    assert_true(proto_id_is_zero(&(struct proto_id){{0}}));
}

/* Every byte at every place of the text: only lower-case hex digits and the four hyphens are taken. */
static void every_byte_at_every_place(void **state) {
    (void)state;
    for (size_t place = 0; place < PROTO_ID_TEXT_BYTES; place++) {
        bool hyphen = place == 8 || place == 13 || place == 18 || place == 23;
        for (int byte = 0; byte < 256; byte++) {
            char text[] = ID_A, back[PROTO_ID_TEXT_BYTES + 1];
            struct proto_id id;
            memset(&id, 0x5a, sizeof id);
            text[place] = (char)byte;
            bool digit = (byte >= '0' && byte <= '9') || (byte >= 'a' && byte <= 'f');
            bool taken = proto_id_parse((struct proto_slice){text, PROTO_ID_TEXT_BYTES}, &id) == PROTO_OK;
            assert_int_equal(taken, hyphen ? byte == '-' : digit);
            if (taken) {
                proto_id_format(&id, back);
                assert_string_equal(back, text);
            } else {
                assert_int_equal(id.bytes[0], 0x5a);
                assert_int_equal(id.bytes[15], 0x5a);
            }
        }
    }
}

static void other_lengths_are_refused(void **state) {
    (void)state;
    struct proto_id id;
    const char text[] = ID_A "0";
    for (uint32_t size = 0; size <= sizeof text - 1; size++)
        assert_int_equal(proto_id_parse((struct proto_slice){text, size}, &id) == PROTO_OK,
                         size == PROTO_ID_TEXT_BYTES);
}

/* The four bits of the version and the two of the variant, all combinations. */
static void version_and_variant(void **state) {
    (void)state;
    struct proto_id id = id_of(ID_A);
    for (unsigned version = 0; version < 16; version++)
        for (unsigned variant = 0; variant < 4; variant++) {
            id.bytes[6] = (uint8_t)(version << 4 | 0x0c);
            id.bytes[8] = (uint8_t)(variant << 6 | 0x18);
            assert_int_equal(proto_id_is_v7(&id), version == 7 && variant == 2);
        }
}

static void made_ids_only_grow(void **state) {
    (void)state;
    static const int64_t clock[] = {1000, 1000, 1001, 900, 0, 1001, 5000, 4999}; /* stands, goes back, jumps */
    struct proto_id_maker maker = {0};
    struct proto_id last = {{0}};
    uint64_t random = 1;
    for (int i = 0; i < 100000; i++) {
        uint8_t entropy[10];
        for (size_t j = 0; j < sizeof entropy; j++) {
            random = random * 6364136223846793005u + 1442695040888963407u;
            entropy[j] = i % 3 ? (uint8_t)(random >> 56) : 0xff;
        }
        struct proto_id id;
        int64_t now = clock[(i / 7000) % 8];
        proto_id_make(&maker, now, entropy, &id);
        assert_true(proto_id_is_v7(&id));
        assert_true(proto_id_compare(&id, &last) > 0);
        assert_true(proto_id_time_ms(&id) >= now);
        last = id;
    }
    /* 100,000 ids on clocks that stood still have carried time on, by at most one millisecond for 2,048 of them. */
    assert_true(proto_id_time_ms(&last) <= 5000 + 100000 / 2048);
}

static void an_id_from_a_hash_is_the_same_again(void **state) {
    (void)state;
    uint8_t hash[PROTO_HASH_BYTES];
    struct proto_id a, b;
    proto_hash("one line", 8, hash);
    proto_id_from_hash(1774000000000, hash, &a);
    proto_id_from_hash(1774000000000, hash, &b);
    assert_int_equal(proto_id_compare(&a, &b), 0);
    assert_true(proto_id_is_v7(&a));
    assert_int_equal(proto_id_time_ms(&a), 1774000000000);
    proto_hash("another line", 12, hash);
    proto_id_from_hash(1774000000000, hash, &b);
    assert_int_not_equal(proto_id_compare(&a, &b), 0);
    proto_id_from_hash(PROTO_TIME_MIN, hash, &b); /* version 7 begins in 1970 */
    assert_true(proto_id_is_v7(&b));
    assert_int_equal(proto_id_time_ms(&b), 0);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_example_of_the_rfc),    cmocka_unit_test(every_byte_at_every_place),
        cmocka_unit_test(other_lengths_are_refused), cmocka_unit_test(version_and_variant),
        cmocka_unit_test(made_ids_only_grow),        cmocka_unit_test(an_id_from_a_hash_is_the_same_again),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
