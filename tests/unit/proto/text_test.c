/*
 * text_test.c - UTF-8 against a decoder written the other way round, and control characters.
 */
#include "sample.h"

#include "proto/text.h"

/* Encodes a code point as Unicode 15, table 3-6 has it; 0 for a surrogate. */
static size_t encode(uint32_t point, uint8_t out[4]) {
    if (point >= 0xd800 && point <= 0xdfff)
        return 0;
    if (point < 0x80) {
        out[0] = (uint8_t)point;
        return 1;
    }
    size_t size = point < 0x800 ? 2 : point < 0x10000 ? 3 : 4;
    for (size_t i = size - 1; i > 0; i--, point >>= 6)
        out[i] = (uint8_t)(0x80 | (point & 0x3f));
    out[0] = (uint8_t)((0xf00u >> size & 0xf0u) | point);
    return size;
}

/* Every sequence of three bytes: well-formed when it is made of encoded characters, and only then. */
static void every_sequence_of_three_bytes(void **state) {
    (void)state;
    static bool two[256 * 256];
    uint8_t bytes[4];
    static uint8_t well[1 << 21];
    memset(well, 0, sizeof well);
    for (uint32_t point = 0x80; point < 0x800; point++)
        if (encode(point, bytes) == 2)
            two[bytes[0] << 8 | bytes[1]] = true;
    for (uint32_t point = 0x800; point < 0x10000; point++)
        if (encode(point, bytes) == 3) {
            uint32_t n = (uint32_t)bytes[0] << 16 | (uint32_t)bytes[1] << 8 | bytes[2];
            well[n >> 3] |= (uint8_t)(1u << (n & 7));
        }
    for (uint32_t n = 0; n < 1u << 24; n++) {
        uint8_t s[3] = {(uint8_t)(n >> 16), (uint8_t)(n >> 8 & 0xff), (uint8_t)(n & 0xff)};
        bool expected = (well[n >> 3] >> (n & 7) & 1) || (s[0] < 0x80 && s[1] < 0x80 && s[2] < 0x80) ||
                        (s[0] < 0x80 && two[s[1] << 8 | s[2]]) || (two[s[0] << 8 | s[1]] && s[2] < 0x80);
        if (proto_text_is_utf8(s, 3) != expected)
            fail_msg("%02x %02x %02x", s[0], s[1], s[2]);
    }
}

/* Four bytes: every lead and second byte, with thirds and fourths at the edges. */
static void sequences_of_four_bytes(void **state) {
    (void)state;
    static const uint8_t edges[] = {0x00, 0x7f, 0x80, 0xbf, 0xc0, 0xff};
    unsigned well = 0;
    for (unsigned lead = 0xf0; lead < 0x100; lead++)
        for (unsigned second = 0; second < 0x100; second++)
            for (size_t i = 0; i < sizeof edges; i++)
                for (size_t j = 0; j < sizeof edges; j++) {
                    uint8_t s[4] = {(uint8_t)lead, (uint8_t)second, edges[i], edges[j]};
                    uint32_t point =
                        (lead & 7u) << 18 | (second & 0x3fu) << 12 | (edges[i] & 0x3fu) << 6 | (edges[j] & 0x3fu);
                    uint8_t made[4];
                    bool expected =
                        point >= 0x10000 && point <= 0x10ffff && encode(point, made) == 4 && memcmp(made, s, 4) == 0;
                    well += expected;
                    assert_int_equal(proto_text_is_utf8(s, 4), expected);
                    assert_false(proto_text_is_utf8(s, 2)); /* cut */
                }
    assert_int_equal(well, (0x40 - 0x10 + 3 * 0x40 + 0x10) * 4);
}

/* A bad byte is found wherever it stands, and nothing behind the end is looked at. */
static void every_length_and_place(void **state) {
    (void)state;
    char text[41];
    for (size_t size = 0; size < sizeof text; size++) {
        memset(text, 'a', sizeof text);
        memset(text + size, 0xff, sizeof text - size);
        assert_true(proto_text_is_utf8(text, size));
        assert_true(proto_text_is_plain(text, size));
        for (size_t place = 0; place < size; place++) {
            text[place] = (char)0xff;
            assert_false(proto_text_is_utf8(text, size));
            text[place] = 0x1f;
            assert_true(proto_text_is_utf8(text, size));
            assert_false(proto_text_is_plain(text, size));
            text[place] = 'a';
        }
    }
}

static void control_characters(void **state) {
    (void)state;
    for (uint32_t point = 0; point < 0x300; point++) {
        uint8_t text[16] = "abcdefghijk";
        size_t size = encode(point, text + 11);
        bool control = point < 0x20 || (point >= 0x7f && point < 0xa0);
        bool expected = !control || point == '\n' || point == '\t';
        assert_int_equal(proto_text_is_plain(text + 11, size), expected);
        assert_int_equal(proto_text_is_plain(text, 11 + size), expected);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_sequence_of_three_bytes),
        cmocka_unit_test(sequences_of_four_bytes),
        cmocka_unit_test(every_length_and_place),
        cmocka_unit_test(control_characters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
