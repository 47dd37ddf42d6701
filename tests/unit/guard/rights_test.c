/*
 * rights_test.c - walks every cell of the table of rights and holds it to sentences that somebody could read out.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <cmocka.h>

#include "guard/rights.h"
#include "proto/message.h"

#define ROLE(name) (1u << GUARD_ROLE_##name)

static void test_total(void **state) {
    (void)state;
    for (enum proto_method m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++) {
        assert_true(guard_may_call(GUARD_ALL_ROLES, m));
        assert_false(guard_may_call(0, m));
    }
    for (enum proto_kind k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        assert_true(guard_may_record(GUARD_ALL_ROLES, k));
        assert_false(guard_may_record(0, k));
    }
}

static void test_unknown_is_refused(void **state) {
    (void)state;
    assert_false(guard_may_call(GUARD_ALL_ROLES, PROTO_METHOD_UNKNOWN));
    assert_false(guard_may_call(GUARD_ALL_ROLES, PROTO_METHOD_COUNT));
    assert_false(guard_may_record(GUARD_ALL_ROLES, PROTO_KIND_UNKNOWN));
    assert_false(guard_may_record(GUARD_ALL_ROLES, PROTO_KIND_COUNT));
}

static void test_an_auditor_writes_nothing(void **state) {
    (void)state;
    assert_false(guard_may_call(ROLE(AUDITOR), PROTO_METHOD_record));
    for (enum proto_kind k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++)
        assert_false(guard_may_record(ROLE(AUDITOR), k));
    for (enum proto_method m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++)
        assert_int_equal(guard_may_call(ROLE(AUDITOR), m), m != PROTO_METHOD_record && m != PROTO_METHOD_offer &&
                                                               m != PROTO_METHOD_fetch && m != PROTO_METHOD_digest);
}

static void test_who_may_what(void **state) {
    (void)state;
    /* care itself is recorded by nurses, coordinators and other systems, and by no other role */
    for (int role = 0; role < GUARD_ROLE_COUNT; role++) {
        bool writes = role <= GUARD_ROLE_INTEGRATION;
        assert_int_equal(guard_may_record(1u << role, PROTO_KIND_balloon_checked), writes);
        assert_int_equal(guard_may_record(1u << role, PROTO_KIND_tube_out), writes);
        assert_int_equal(guard_may_record(1u << role, PROTO_KIND_patient_erased), role == GUARD_ROLE_STEWARD);
    }
    assert_false(guard_may_record(ROLE(NURSE), PROTO_KIND_policy_adopted));
    assert_true(guard_may_record(ROLE(COORDINATOR), PROTO_KIND_policy_adopted));
    /* the second person of a withdrawal is a person */
    assert_false(guard_may_record(ROLE(INTEGRATION), PROTO_KIND_withdrawal_confirmed));
    assert_true(guard_may_record(ROLE(NURSE), PROTO_KIND_withdrawal_confirmed));
    /* a steward looks after the server and does not read records */
    assert_false(guard_may_call(ROLE(STEWARD), PROTO_METHOD_patient));
    assert_false(guard_may_call(ROLE(STEWARD), PROTO_METHOD_history));
    /* what nodes say to each other is no person's business, how they stand is everybody's */
    assert_false(guard_may_call(ROLE(NURSE), PROTO_METHOD_fetch));
    assert_true(guard_may_call(ROLE(NURSE), PROTO_METHOD_sync_state));
    assert_true(guard_may_call(ROLE(NURSE), PROTO_METHOD_refused));
    assert_false(guard_may_call(ROLE(STEWARD), PROTO_METHOD_refused));
    assert_string_equal(guard_role_name(GUARD_ROLE_NURSE), "nurse");
    assert_string_equal(guard_role_name(GUARD_ROLE_STEWARD), "steward");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_total),
        cmocka_unit_test(test_unknown_is_refused),
        cmocka_unit_test(test_an_auditor_writes_nothing),
        cmocka_unit_test(test_who_may_what),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
