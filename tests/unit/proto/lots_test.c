/* lots_test.c - lots and trade item numbers that are one although they are written differently, and those that are not. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "proto/lots.h"

static bool same(const char *a, const char *b) {
    char left[PROTO_LOT_FOLDED_BYTES], right[PROTO_LOT_FOLDED_BYTES];
    bool is = proto_lot_same(proto_slice_of(a), proto_slice_of(b));
    proto_lot_fold(proto_slice_of(a), left);
    proto_lot_fold(proto_slice_of(b), right);
    assert_int_equal(is, left[0] != '\0' && strcmp(left, right) == 0); /* the index finds what the comparison finds */
    assert_int_equal(is, proto_lot_same(proto_slice_of(b), proto_slice_of(a)));
    return is;
}

static void test_lots(void **unused) {
    (void)unused;
    assert_true(same("Ab12", "ab 12"));
    assert_true(same("AB-12", "ab12"));
    assert_true(same("-A b-1 2 ", "AB12"));
    assert_true(same("A\xe2\x80\x93"
                     "12\xc2\xa0",
                     "a12"));
    assert_false(same("AB12", "AB1"));
    assert_false(same("AB1", "AB12"));
    assert_false(same("A.12", "A12"));
    assert_false(same("\xc3\x84"
                      "1",
                      "\xc3\xa4"
                      "1")); /* letters beyond A to Z are as they are */
    assert_false(same("\xe2\x80", "\xe2"));
    assert_false(same("", ""));
    assert_false(same("-", " "));
    assert_true(proto_lot_is_unsaid(proto_slice_of("")));
    assert_true(proto_lot_is_unsaid(proto_slice_of(" - ")));
    assert_false(proto_lot_is_unsaid(proto_slice_of("-0")));
}

static void test_a_long_text_is_cut(void **unused) {
    (void)unused;
    char text[3 * PROTO_TEXT_SHORT_MAX], out[PROTO_LOT_FOLDED_BYTES];
    memset(text, 'X', sizeof text);
    proto_lot_fold((struct proto_slice){text, sizeof text}, out);
    assert_int_equal(strlen(out), PROTO_TEXT_SHORT_MAX);
}

static void test_trade_item_numbers(void **unused) {
    (void)unused;
    assert_true(proto_gtin_same(proto_slice_of("05102222"), proto_slice_of("5102222")));
    assert_true(proto_gtin_same(proto_slice_of("5102222"), proto_slice_of("00005102222")));
    assert_false(proto_gtin_same(proto_slice_of("51022220"), proto_slice_of("5102222")));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lots),
        cmocka_unit_test(test_a_long_text_is_cut),
        cmocka_unit_test(test_trade_item_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
