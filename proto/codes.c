/*
 * codes.c - check digits.
 */
#include "proto/codes.h"

static bool all_digits(struct proto_slice text) {
    for (uint32_t i = 0; i < text.size; i++)
        if (text.data[i] < '0' || text.data[i] > '9')
            return false;
    return true;
}

char proto_gs1_check_digit(struct proto_slice digits) {
    unsigned sum = 0;
    if (digits.size == 0 || digits.size > 17 || !all_digits(digits))
        return 0;
    for (uint32_t i = 0; i < digits.size; i++) {
        unsigned digit = (unsigned)(digits.data[digits.size - 1 - i] - '0');
        sum += i % 2 == 0 ? 3 * digit : digit;
    }
    return (char)('0' + (10 - sum % 10) % 10);
}

bool proto_gtin_valid(struct proto_slice gtin) {
    if (gtin.size != 8 && gtin.size != 12 && gtin.size != 13 && gtin.size != 14)
        return false;
    return all_digits(gtin) &&
           proto_gs1_check_digit((struct proto_slice){gtin.data, gtin.size - 1}) == gtin.data[gtin.size - 1];
}

bool proto_nhs_number_valid(struct proto_slice number) {
    unsigned sum = 0, any = 0;
    if (number.size != 10 || !all_digits(number))
        return false;
    for (uint32_t i = 0; i < 9; i++) {
        unsigned digit = (unsigned)(number.data[i] - '0');
        sum += digit * (10 - i);
        any |= digit;
    }
    unsigned check = 11 - sum % 11; /* 11 stands for nought; 10 means that the stem has no check digit */
    return any && check % 11 == (unsigned)(number.data[9] - '0') && check != 10;
}
