/*
 * writer_test.c - the bounded writer: the bytes of each form, and what happens when there is no room, at every length.
 */
#include "sample.h"

#define EXPECT(call, literal)                                                                                          \
    do {                                                                                                               \
        uint8_t bytes[64];                                                                                             \
        struct proto_writer writer, *w = &writer;                                                                      \
        proto_writer_init(w, bytes, sizeof bytes);                                                                     \
        call;                                                                                                          \
        assert_int_equal(w->error, PROTO_OK);                                                                          \
        assert_int_equal(w->size, sizeof(literal) - 1);                                                                \
        assert_memory_equal(bytes, literal, sizeof(literal) - 1);                                                      \
    } while (0)

/* The MessagePack specification's formats, shortest for each value. */
static void every_form(void **state) {
    (void)state;
    const struct proto_id id = id_of(ID_A);
    EXPECT(proto_write_nil(w), "\xc0");
    EXPECT(proto_write_bool(w, true), "\xc3");
    EXPECT(proto_write_bool(w, false), "\xc2");
    EXPECT(proto_write_int(w, 0), "\x00");
    EXPECT(proto_write_int(w, 127), "\x7f");
    EXPECT(proto_write_int(w, 128), "\xcc\x80");
    EXPECT(proto_write_int(w, 65535), "\xcd\xff\xff");
    EXPECT(proto_write_int(w, 65536), "\xce\x00\x01\x00\x00");
    EXPECT(proto_write_int(w, 4294967296), "\xcf\x00\x00\x00\x01\x00\x00\x00\x00");
    EXPECT(proto_write_int(w, -1), "\xff");
    EXPECT(proto_write_int(w, -32), "\xe0");
    EXPECT(proto_write_int(w, -33), "\xd0\xdf");
    EXPECT(proto_write_int(w, INT64_MIN), "\xd3\x80\x00\x00\x00\x00\x00\x00\x00");
    EXPECT(proto_write_float(w, 1.5), "\xcb\x3f\xf8\x00\x00\x00\x00\x00\x00");
    EXPECT(proto_write_amount(w, 400), "\x04");
    EXPECT(proto_write_amount(w, -100), "\xff");
    EXPECT(proto_write_amount(w, 350), "\xcb\x40\x0c\x00\x00\x00\x00\x00\x00");
    EXPECT(proto_write_text(w, "abc"), "\xa3"
                                       "abc");
    EXPECT(proto_write_slice(w, (struct proto_slice){0}), "\xa0");
    EXPECT(proto_write_slice(w, (struct proto_slice){"abcd", 2}), "\xa2"
                                                                  "ab");
    EXPECT(proto_write_bin(w, "\x01\x02", 2), "\xc4\x02\x01\x02");
    EXPECT(proto_write_id(w, &id), "\xd9\x24" ID_A);
    EXPECT(proto_write_date(w, 0), "\xaa"
                                   "1970-01-01");
    EXPECT(proto_write_array(w, 15), "\x9f");
    EXPECT(proto_write_array(w, 16), "\xdc\x00\x10");
    EXPECT(proto_write_map(w, 16), "\xde\x00\x10");
    EXPECT(proto_write_raw(w, "\x93", 1), "\x93");
}

static void counts_are_patched_in(void **state) {
    (void)state;
    uint8_t bytes[64];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    size_t map = proto_write_map_begin(&w);
    proto_write_text(&w, "k");
    size_t array = proto_write_array_begin(&w);
    proto_write_int(&w, 1);
    proto_write_int(&w, 2);
    proto_write_array_end(&w, array, 2);
    proto_write_map_end(&w, map, 1);
    assert_int_equal(w.error, PROTO_OK);
    assert_int_equal(w.size, 10);
    assert_memory_equal(bytes, "\xde\x00\x01\xa1k\xdc\x00\x02\x01\x02", 10);
    proto_write_map_end(&w, map, 65536); /* more than the header can say */
    assert_int_equal(w.error, PROTO_TOO_LARGE);
}

static void write_some(struct proto_writer *w) {
    size_t map = proto_write_map_begin(w);
    proto_write_text(w, "text");
    proto_write_text(w, "a longer text than fits one byte of header, so that it has two");
    proto_write_text(w, "n");
    proto_write_amount(w, 345);
    proto_write_map_end(w, map, 2);
    proto_write_nil(w);
}

/* With any room the error sticks, nothing is written behind the room, and what was written is a beginning of the whole. */
static void every_room(void **state) {
    (void)state;
    uint8_t whole[128], bytes[128];
    struct proto_writer w;
    proto_writer_init(&w, whole, sizeof whole);
    write_some(&w);
    assert_int_equal(w.error, PROTO_OK);
    size_t full = w.size;
    for (size_t cap = 0; cap <= full; cap++) {
        memset(bytes, 0xee, sizeof bytes);
        proto_writer_init(&w, cap ? bytes : NULL, cap);
        write_some(&w);
        assert_int_equal(w.error, cap == full ? PROTO_OK : PROTO_TOO_LARGE);
        assert_true(w.size <= cap);
        size_t size = w.size;
        proto_write_nil(&w); /* one byte would fit now and then, and is not written */
        assert_int_equal(w.error, PROTO_TOO_LARGE);
        assert_int_equal(w.size, size);
        for (size_t i = w.size; i < sizeof bytes; i++)
            assert_int_equal(bytes[i], 0xee);
        if (w.size > 3)
            assert_memory_equal(bytes + 3, whole + 3, w.size - 3); /* the count is patched at the end only */
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_form),
        cmocka_unit_test(counts_are_patched_in),
        cmocka_unit_test(every_room),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
