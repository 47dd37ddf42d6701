/*
 * codes_test.c - check digits against published numbers, and every single wrong digit.
 */
#include "sample.h"

#include "proto/codes.h"

/* GS1, check digit pages. */
static void gs1_check_digits(void **state) {
    (void)state;
    assert_int_equal(proto_gs1_check_digit(slice_of("629104150021")), '3');
    assert_int_equal(proto_gs1_check_digit(slice_of("730001100001")), '7');
    assert_int_equal(proto_gs1_check_digit(slice_of("890400021003")), '7');
    assert_int_equal(proto_gs1_check_digit(slice_of("501234567890")), '0');
    assert_int_equal(proto_gs1_check_digit(slice_of("")), 0);
    assert_int_equal(proto_gs1_check_digit(slice_of("62910415002a")), 0);
    assert_int_equal(proto_gs1_check_digit(slice_of("123456789012345678")), 0);
}

static void trade_item_numbers(void **state) {
    (void)state;
    assert_true(proto_gtin_valid(slice_of("6291041500213")));
    assert_true(proto_gtin_valid(slice_of("7300011000017")));
    assert_true(proto_gtin_valid(slice_of("8904000210037")));
    assert_true(proto_gtin_valid(slice_of("5012345678900")));
    assert_true(proto_gtin_valid(slice_of("51022222233336"))); /* FDA, UDI formats by issuing agency, 2017 */
    char number[] = "6291041500213";
    for (size_t place = 0; place < sizeof number - 1; place++)
        for (char digit = '0'; digit <= '9'; digit++) {
            char changed[sizeof number];
            memcpy(changed, number, sizeof number);
            changed[place] = digit;
            assert_int_equal(proto_gtin_valid(slice_of(changed)), digit == number[place]);
        }
    static const char *const wrong[] = {"", "0", "629104150021", "62910415002130", "629104150021x", "00629104150021 3"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_false(proto_gtin_valid(slice_of(wrong[i])));
}

/* NHS Data Dictionary, NHS number; the last three are calculated, the data dictionary's range for fixtures. */
static void nhs_numbers(void **state) {
    (void)state;
    static const char *const right[] = {"9434765919", "6541003238", "9434765870",
                                        "9990000018", "9990000026", "9990000034"};
    for (size_t i = 0; i < sizeof right / sizeof right[0]; i++) {
        assert_true(proto_nhs_number_valid(slice_of(right[i])));
        for (size_t place = 0; place < 10; place++)
            for (char digit = '0'; digit <= '9'; digit++) {
                char changed[11];
                memcpy(changed, right[i], sizeof changed);
                changed[place] = digit;
                assert_int_equal(proto_nhs_number_valid(slice_of(changed)), digit == right[i][place]);
            }
    }
    for (char digit = '0'; digit <= '9'; digit++) { /* this stem has no check digit */
        char number[] = "1234567890";
        number[9] = digit;
        assert_false(proto_nhs_number_valid(slice_of(number)));
    }
    static const char *const wrong[] = {"0000000000", "", "943476591", "94347659190", "943 476 5919", "943476591x"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_false(proto_nhs_number_valid(slice_of(wrong[i])));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gs1_check_digits),
        cmocka_unit_test(trade_item_numbers),
        cmocka_unit_test(nhs_numbers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
