/*
 * codes.h - numbers that carry a check digit. Pure, any thread.
 */
#ifndef PROTO_CODES_H
#define PROTO_CODES_H

#include "proto/value.h"

/* Check digit ('0'..'9') of a GS1 number without it (digits only, at most 17), or 0 when there is none. From the right, digits
 * weigh 3 and 1 in turn and the check digit fills the sum up to a multiple of ten (GS1 General Specifications, check digit). */
char proto_gs1_check_digit(struct proto_slice digits);
/* A trade item number of 8, 12, 13 or 14 digits whose last is the right check digit. */
bool proto_gtin_valid(struct proto_slice gtin);
/* A ten-digit number whose last digit is right by modulus 11 (NHS Data Dictionary, NHS number); all noughts is refused. */
bool proto_nhs_number_valid(struct proto_slice number);

#endif
