/*
 * answer_test.c - reading answers whose form is the other server's: what is right is read, everything else is not there.
 */
#include "json.h"

#include "proto/answer.h"

static struct sample sample;

static void values_by_key(void **state) {
    (void)state;
    const void *map = json_object(&sample, "{'n': 7, 'low': -3, 'yes': true, 'no': false, 'text': 'abc', 'id': '" ID_A
                                           "', 'list': [1, 'x'], 'nil': null}");
    int64_t n = 0;
    bool flag = false;
    uint32_t count = 0;
    struct proto_slice text;
    struct proto_id id, expected = id_of(ID_A);
    assert_true(proto_answer_int(proto_answer_get(map, "n"), 7, 7, &n));
    assert_int_equal(n, 7);
    assert_true(proto_answer_int(proto_answer_get(map, "low"), INT64_MIN, 0, &n));
    assert_int_equal(n, -3);
    assert_true(proto_answer_bool(proto_answer_get(map, "yes"), &flag));
    assert_true(flag);
    assert_true(proto_answer_bool(proto_answer_get(map, "no"), &flag));
    assert_false(flag);
    assert_true(proto_answer_is_true(proto_answer_get(map, "yes")));
    assert_false(proto_answer_is_true(proto_answer_get(map, "no")));
    assert_true(proto_answer_text(proto_answer_get(map, "text"), 3, &text));
    assert_true(proto_slice_is(text, "abc"));
    assert_true(proto_answer_id(proto_answer_get(map, "id"), &id));
    assert_memory_equal(&id, &expected, sizeof id);
    const void *list = proto_answer_get(map, "list");
    assert_true(proto_answer_array(list, 2, 2, &count));
    assert_int_equal(count, 2);
    assert_true(proto_answer_int(proto_answer_entry(list, 0), 0, 9, &n));
    assert_true(proto_answer_text(proto_answer_entry(list, 1), 1, &text));
    assert_non_null(proto_answer_get(map, "nil"));
    assert_null(proto_answer_get(map, "nothing"));
    assert_null(proto_answer_get(list, "n"));
    assert_null(proto_answer_get(NULL, "n"));
}

/* Each kind of value against each kind of object that is not it, bounds, and what is missing: false, and nothing written. */
static void what_is_not_there(void **state) {
    (void)state;
    static const char *const texts[] = {
        "5", "-5", "1.5", "true", "null", "'abc'", "'" ID_A "x'", "[]", "{}", "[1]", "18446744073709551615.0"};
    int64_t n = 77;
    bool flag = true;
    uint32_t count = 77;
    struct proto_slice slice = {NULL, 77};
    struct proto_id id = {{77}}, id_before = id;
    struct proto_position position, position_before;
    struct proto_kept kept, kept_before;
    memset(&position, 0x5a, sizeof position);
    memset(&kept, 0x5a, sizeof kept);
    memcpy(&position_before, &position, sizeof position);
    memcpy(&kept_before, &kept, sizeof kept);
    for (size_t i = 0; i <= sizeof texts / sizeof texts[0]; i++) {
        const char *text = i ? texts[i - 1] : NULL;
        const void *object = text ? json_object(&sample, text) : NULL;
        bool whole = text && (strcmp(text, "5") == 0 || strcmp(text, "-5") == 0);
        if (!whole)
            assert_false(proto_answer_int(object, INT64_MIN, INT64_MAX, &n));
        assert_false(proto_answer_int(object, 6, INT64_MAX, &n));
        assert_false(proto_answer_int(object, INT64_MIN, -6, &n));
        if (!text || strcmp(text, "true") != 0)
            assert_false(proto_answer_bool(object, &flag) || proto_answer_is_true(object));
        assert_false(proto_answer_text(object, 2, &slice));
        assert_false(proto_answer_bin(object, 0, 100, &slice));
        assert_false(proto_answer_id(object, &id));
        assert_false(proto_answer_array(object, 2, 100, &count));
        assert_false(proto_answer_position(object, &position));
        assert_false(proto_answer_kept(object, &kept));
    }
    assert_false(proto_answer_array(json_object(&sample, "[1, 2, 3]"), 0, 2, &count));
    assert_int_equal(n, 77);
    assert_true(flag);
    assert_int_equal(count, 77);
    assert_int_equal(slice.size, 77);
    assert_memory_equal(&id, &id_before, sizeof id);
    assert_memory_equal(&position, &position_before, sizeof position);
    assert_memory_equal(&kept, &kept_before, sizeof kept);
}

#define CHAIN "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff"

static void places(void **state) {
    (void)state;
    static const struct {
        const char *text;
        bool read;
    } rows[] = {
        {"{'log': '" ID_A "', 'seq': 9, 'chain': '" CHAIN "'}", true},
        {"{'log': '" ID_A "', 'seq': 9, 'chain': '" CHAIN "', 'newer': 1}", true},
        {"{'log': '" ID_A "', 'seq': 9223372036854775807, 'chain': '" CHAIN "'}", true},
        {"{'log': '" ID_A "', 'seq': -1, 'chain': '" CHAIN "'}", false},
        {"{'log': 5, 'seq': 9, 'chain': '" CHAIN "'}", false},
        {"{'log': '" ID_A "', 'chain': '" CHAIN "'}", false},
        {"{'log': '" ID_A "', 'seq': 9}", false},
        {"{'log': '" ID_A "', 'seq': 9, 'chain': '0" CHAIN "'}", false},
        {"{'log': '" ID_A "', 'seq': 9, 'chain': '" ID_A "'}", false},
        {"{'log': '" ID_A "', 'seq': 9, 'chain': "
         "'00112233445566778899aabbccddeeff00112233445566778899AABBCCDDEEFF'}",
         false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_position position = {.seq = 77};
        bool read = proto_answer_position(json_object(&sample, rows[i].text), &position);
        if (read != rows[i].read)
            fail_msg("%s", rows[i].text);
        assert_int_equal(position.seq == 77, !read);
        if (read) {
            assert_int_equal(position.chain[0], 0);
            assert_int_equal(position.chain[31], 0xff);
        }
    }
}

static const void *kept_object(int64_t flags, const char *bytes, uint32_t size, int64_t received_at,
                               uint32_t receipt_size, uint32_t entries) {
    static const char receipt[32] = "receipt";
    sample_begin(&sample);
    proto_write_array(&sample.w, entries);
    for (uint32_t i = 0; i < entries; i++)
        if (i == 0)
            proto_write_int(&sample.w, flags);
        else if (i == 1)
            proto_write_bin(&sample.w, bytes, size);
        else if (i == 2)
            proto_write_int(&sample.w, received_at);
        else
            proto_write_bin(&sample.w, receipt, receipt_size);
    return sample_object(&sample);
}

static void kept_events(void **state) {
    (void)state;
    static const struct {
        int64_t flags;
        uint32_t size;
        int64_t received_at;
        uint32_t receipt_size, entries;
        bool read;
    } rows[] = {
        {0, 3, 0, 16, 2, true},          {1, 3, 0, 16, 2, true},  {1, 3, 5, 16, 4, true},  {2, 3, 5, 16, 4, false},
        {-1, 3, 5, 16, 4, false},        {0, 0, 5, 16, 4, false}, {0, 3, 5, 15, 4, false}, {0, 3, 5, 17, 4, false},
        {0, 3, INT64_MAX, 16, 4, false}, {0, 3, 5, 16, 0, false}, {0, 3, 5, 16, 1, false}, {0, 3, 5, 16, 3, false},
        {0, 3, 5, 16, 5, false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_kept kept = {.received_at = 77};
        const void *object = kept_object(rows[i].flags, "\x92\x01\x02", rows[i].size, rows[i].received_at,
                                         rows[i].receipt_size, rows[i].entries);
        bool read = proto_answer_kept(object, &kept);
        if (read != rows[i].read)
            fail_msg("row %zu", i);
        if (!read) {
            assert_int_equal(kept.received_at, 77);
            continue;
        }
        assert_int_equal(kept.joined, rows[i].flags);
        assert_int_equal(kept.bytes.size, 3);
        assert_int_equal(kept.has_receipt, rows[i].entries == 4);
        assert_int_equal(kept.received_at, rows[i].entries == 4 ? 5 : 0);
    }
    struct proto_slice bytes;
    const void *object = kept_object(0, "abc", 3, 0, 0, 2);
    assert_true(proto_answer_bin(proto_answer_entry(object, 1), 3, 3, &bytes));
    assert_int_equal(bytes.size, 3);
    assert_false(proto_answer_bin(proto_answer_entry(object, 1), 4, 9, &bytes));
    assert_false(proto_answer_bin(proto_answer_entry(object, 1), 0, 2, &bytes));
}

static int close_sample(void **state) {
    (void)state;
    sample_end(&sample);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_by_key),
        cmocka_unit_test(what_is_not_there),
        cmocka_unit_test(places),
        cmocka_unit_test(kept_events),
    };
    return cmocka_run_group_tests(tests, NULL, close_sample);
}
