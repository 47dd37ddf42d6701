/*
 * scan_test.c - the bounds scan: bombs cost nothing, bytes may come one at a time, and every bound is met from both sides.
 */
#include "sample.h"

#include <stdlib.h>

#define FAR PROTO_MESSAGE_BYTES_MAX

static enum proto_error scan_whole(const void *bytes, size_t size, size_t bytes_max, size_t *used) {
    struct proto_scan scan = {0};
    return proto_scan_value(&scan, bytes, size, bytes_max, used);
}

/* The same bytes, one more each time. Each call gets a copy of just that length, so that a checker of memory sees a read behind
 * its end. */
static enum proto_error scan_by_bytes(const void *bytes, size_t size, size_t bytes_max, size_t *used) {
    struct proto_scan scan = {0};
    enum proto_error error = PROTO_TRUNCATED;
    for (size_t have = 0; have <= size && error == PROTO_TRUNCATED; have++) {
        uint8_t *copy = malloc(have ? have : 1);
        assert_non_null(copy);
        memcpy(copy, bytes, have);
        error = proto_scan_value(&scan, copy, have, bytes_max, used);
        free(copy);
    }
    return error;
}

static void expect(const void *bytes, size_t size, size_t bytes_max, enum proto_error expected) {
    size_t used = 0, used_by_bytes = 0;
    assert_int_equal(scan_whole(bytes, size, bytes_max, &used), expected);
    assert_int_equal(scan_by_bytes(bytes, size, bytes_max, &used_by_bytes), expected);
    assert_int_equal(used, used_by_bytes);
}

#define EXPECT(literal, expected) expect(literal, sizeof(literal) - 1, FAR, expected)

/* Five bytes that claim 2^32 - 1 elements, and the like: refused at the header, whatever would follow. */
static void bombs_cost_nothing(void **state) {
    (void)state;
    EXPECT("\xdd\xff\xff\xff\xff", PROTO_TOO_LARGE); /* array 32 */
    EXPECT("\xdf\xff\xff\xff\xff", PROTO_TOO_LARGE); /* map 32 */
    EXPECT("\xdf\x80\x00\x00\x00", PROTO_TOO_LARGE); /* twice 2^31 must not wrap to nothing */
    EXPECT("\xdb\xff\xff\xff\xff", PROTO_TOO_LARGE); /* str 32 */
    EXPECT("\xc6\xff\xff\xff\xff", PROTO_TOO_LARGE); /* bin 32 */
    EXPECT("\xdb\x00\x0f\xff\xfc", PROTO_TOO_LARGE); /* one byte more than the bound leaves */
    EXPECT("\xdb\x00\x0f\xff\xfb", PROTO_TRUNCATED);
    EXPECT("\xdd\x00\x01\x00\x00", PROTO_TOO_LARGE); /* 65,536 values and the array itself */
    EXPECT("\xdd\x00\x00\xff\xff", PROTO_TRUNCATED);
    EXPECT("\x92\xdd\x00\x00\xff\xff", PROTO_TOO_LARGE); /* claims add up over headers */
    EXPECT("\x92\xdd\x00\x00\xff\xfd", PROTO_TRUNCATED);
    EXPECT("\x91\xdc\xff\xff", PROTO_TOO_LARGE);
    expect("\xdc\x00\x64", 3, 102, PROTO_TOO_LARGE); /* 100 values cannot stand in the 99 bytes left */
    expect("\xdc\x00\x63", 3, 102, PROTO_TRUNCATED);
    expect("\xde\x00\x32", 3, 102, PROTO_TOO_LARGE); /* 50 pairs need 100 bytes */
}

static void what_is_not_taken(void **state) {
    (void)state;
    EXPECT("\xc1", PROTO_BAD_MESSAGE);
    static const char *const extensions[] = {"\xc7", "\xc8", "\xc9", "\xd4", "\xd5", "\xd6", "\xd7", "\xd8"};
    for (size_t i = 0; i < sizeof extensions / sizeof extensions[0]; i++)
        expect(extensions[i], 1, FAR, PROTO_BAD_MESSAGE);
    EXPECT("\xa1\xff", PROTO_BAD_MESSAGE);
    EXPECT("\xa2\xc3\x28", PROTO_BAD_MESSAGE);
    EXPECT("\x92\x01\xd9\x02\xed\xa0", PROTO_BAD_MESSAGE); /* half of a surrogate */
    EXPECT("\xa1\xc3", PROTO_BAD_MESSAGE);                 /* a character does not go on in the next value */
    EXPECT("\xc4\x01\xff", PROTO_OK);                      /* bytes are not text */
}

static void every_form_is_stepped_over(void **state) {
    (void)state;
    EXPECT("\x00", PROTO_OK);
    EXPECT("\x7f", PROTO_OK);
    EXPECT("\xe0", PROTO_OK);
    EXPECT("\xff", PROTO_OK);
    EXPECT("\xc0", PROTO_OK);
    EXPECT("\xc2", PROTO_OK);
    EXPECT("\xc3", PROTO_OK);
    EXPECT("\x80", PROTO_OK);
    EXPECT("\x90", PROTO_OK);
    EXPECT("\xa0", PROTO_OK);
    EXPECT("\xcc\xff", PROTO_OK);
    EXPECT("\xcd\xff\xff", PROTO_OK);
    EXPECT("\xce\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xcf\xff\xff\xff\xff\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xd0\xff", PROTO_OK);
    EXPECT("\xd1\xff\xff", PROTO_OK);
    EXPECT("\xd2\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xd3\xff\xff\xff\xff\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xca\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xcb\xff\xff\xff\xff\xff\xff\xff\xff", PROTO_OK);
    EXPECT("\xd9\x01z", PROTO_OK);
    EXPECT("\xda\x00\x01z", PROTO_OK);
    EXPECT("\xdb\x00\x00\x00\x01z", PROTO_OK);
    EXPECT("\xc5\x00\x01z", PROTO_OK);
    EXPECT("\xc6\x00\x00\x00\x01z", PROTO_OK);
    EXPECT("\xdc\x00\x02\x01\x02", PROTO_OK);
    EXPECT("\xdd\x00\x00\x00\x02\x01\x02", PROTO_OK);
    EXPECT("\xde\x00\x01\x01\x02", PROTO_OK);
    EXPECT("\xdf\x00\x00\x00\x01\x01\x02", PROTO_OK);
    EXPECT("\x93\x91\x90\x81\xa1k\x92\x01\x02\x80", PROTO_OK);
}

/* Cut anywhere, a value asks for more; and what follows it is left alone. */
static void a_value_ends_where_it_ends(void **state) {
    (void)state;
    static const char value[] =
        "\x94\x00\x07\xa5hello\x91\x82\xa1k\xcb\x40\x0c\0\0\0\0\0\0\xc4\x03xyz\xcf\0\0\0\0\0\0\0\1";
    size_t size = sizeof value - 1, used = 0;
    for (size_t have = 0; have < size; have++) {
        assert_int_equal(scan_whole(value, have, FAR, &used), PROTO_TRUNCATED);
        assert_int_equal(used, 0);
        assert_int_equal(scan_whole(value, have, have, &used), PROTO_TOO_LARGE); /* the bound is below the value */
    }
    char with_more[sizeof value + 2];
    memcpy(with_more, value, size);
    memcpy(with_more + size, "\xc1\xc1\xc1", 3);
    assert_int_equal(scan_whole(with_more, size + 3, FAR, &used), PROTO_OK);
    assert_int_equal(used, size);
    assert_int_equal(scan_whole(value, size, size, &used), PROTO_OK);
    /* A scan that is done says so again. */
    struct proto_scan scan = {0};
    assert_int_equal(proto_scan_value(&scan, (const uint8_t *)value, size, FAR, &used), PROTO_OK);
    used = 0;
    assert_int_equal(proto_scan_value(&scan, (const uint8_t *)value, size, FAR, &used), PROTO_OK);
    assert_int_equal(used, size);
}

static void nesting_is_bounded(void **state) {
    (void)state;
    uint8_t arrays[PROTO_NESTING_MAX + 1], maps[2 * (PROTO_NESTING_MAX + 1)];
    memset(arrays, 0x91, sizeof arrays);
    arrays[PROTO_NESTING_MAX - 1] = 0x90;
    expect(arrays, PROTO_NESTING_MAX, FAR, PROTO_OK);
    arrays[PROTO_NESTING_MAX - 1] = 0x91;
    arrays[PROTO_NESTING_MAX] = 0x01;
    expect(arrays, PROTO_NESTING_MAX + 1, FAR, PROTO_OK);
    arrays[PROTO_NESTING_MAX] = 0x90;
    expect(arrays, PROTO_NESTING_MAX + 1, FAR, PROTO_TOO_LARGE);
    for (size_t i = 0; i < sizeof maps; i += 2) {
        maps[i] = 0x81;
        maps[i + 1] = 0x01;
    }
    expect(maps, 2 * PROTO_NESTING_MAX + 1, FAR, PROTO_TOO_LARGE);
    maps[2 * PROTO_NESTING_MAX] = 0x01;
    expect(maps, 2 * PROTO_NESTING_MAX + 1, FAR, PROTO_OK);
}

/* The most values a message may hold, and one more. */
static void values_are_counted(void **state) {
    (void)state;
    static uint8_t bytes[PROTO_NODES_MAX + 16];
    size_t used;
    memset(bytes, 0xc0, sizeof bytes);
    memcpy(bytes, "\xdc\xff\xff", 3);
    assert_int_equal(scan_whole(bytes, sizeof bytes, FAR, &used), PROTO_OK);
    assert_int_equal(used, 3 + 65535);
    bytes[3] = 0x91;
    assert_int_equal(scan_whole(bytes, sizeof bytes, FAR, &used), PROTO_TOO_LARGE);
}

/* Random bytes, whole and in random pieces: the same answer, and never more than is there. */
static void pieces_do_not_matter(void **state) {
    (void)state;
    uint64_t random = 7;
    unsigned seen[PROTO_ERROR_COUNT] = {0};
    for (int round = 0; round < 200000; round++) {
        uint8_t bytes[48];
        for (size_t i = 0; i < sizeof bytes; i++) {
            random = random * 6364136223846793005u + 1442695040888963407u;
            /* Headers of arrays, maps and texts more often than chance has them. */
            bytes[i] = (random >> 33 & 3) ? (uint8_t)(0x80 + (random >> 56) % 0x60) : (uint8_t)(random >> 40);
            if ((random >> 35 & 3) == 0)
                bytes[i] &= 0x7f;
        }
        size_t used = 0, used_in_pieces = 0, have = 0;
        enum proto_error whole = scan_whole(bytes, sizeof bytes, 64, &used), error = PROTO_TRUNCATED;
        struct proto_scan scan = {0};
        while (error == PROTO_TRUNCATED && have < sizeof bytes) {
            random = random * 6364136223846793005u + 1442695040888963407u;
            have += 1 + (random >> 60);
            have = have < sizeof bytes ? have : sizeof bytes;
            error = proto_scan_value(&scan, bytes, have, 64, &used_in_pieces);
        }
        assert_int_equal(error, whole);
        assert_int_equal(used, used_in_pieces);
        assert_true(used <= sizeof bytes);
        seen[whole]++;
    }
    assert_true(seen[PROTO_OK] > 100 && seen[PROTO_TOO_LARGE] > 100 && seen[PROTO_BAD_MESSAGE] > 100 &&
                seen[PROTO_TRUNCATED] > 100);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bombs_cost_nothing),         cmocka_unit_test(what_is_not_taken),
        cmocka_unit_test(every_form_is_stepped_over), cmocka_unit_test(a_value_ends_where_it_ends),
        cmocka_unit_test(nesting_is_bounded),         cmocka_unit_test(values_are_counted),
        cmocka_unit_test(pieces_do_not_matter),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
