/*
 * rights.c - the table of rights_table.h as two arrays.
 */
#include "guard/rights.h"

#define ONE_METHOD(ident, roles) [PROTO_METHOD_##ident] = (roles),
static const uint32_t method_roles[PROTO_METHOD_COUNT] = {GUARD_METHODS(ONE_METHOD)};
#define ONE_KIND(ident, roles) [PROTO_KIND_##ident] = (roles),
static const uint32_t kind_roles[PROTO_KIND_COUNT] = {GUARD_KINDS(ONE_KIND)};

#define COUNT_ONE(ident, roles) +1
static_assert(0 GUARD_METHODS(COUNT_ONE) == PROTO_METHOD_COUNT - 1, "every method has a line in rights_table.h");
static_assert(0 GUARD_KINDS(COUNT_ONE) == PROTO_KIND_COUNT - 1, "every kind has a line in rights_table.h");

bool guard_may_call(uint32_t roles, enum proto_method method) {
    return method > PROTO_METHOD_UNKNOWN && method < PROTO_METHOD_COUNT && (method_roles[method] & roles) != 0;
}

bool guard_may_record(uint32_t roles, enum proto_kind kind) {
    return kind > PROTO_KIND_UNKNOWN && kind < PROTO_KIND_COUNT && (kind_roles[kind] & roles) != 0;
}

const char *guard_role_name(enum guard_role role) {
#define ONE_NAME(name, wire, who) [GUARD_ROLE_##name] = (wire),
    static const char *const names[GUARD_ROLE_COUNT] = {GUARD_ROLES(ONE_NAME)};
    assert(role < GUARD_ROLE_COUNT);
    return names[role];
}
