/*
 * rights.h - the decision: may these roles call this method, record this kind of event.
 *
 * What always holds: pure, constant, any thread; no account, no secret and no store in here. Whoever has no role may nothing.
 */
#ifndef GUARD_RIGHTS_H
#define GUARD_RIGHTS_H

#include "guard/rights_table.h"
#include "proto/methods_table.h"
#include "proto/value.h"

#define GUARD_ROLE_ENUM(name, wire, who) GUARD_ROLE_##name,
enum guard_role { GUARD_ROLES(GUARD_ROLE_ENUM) GUARD_ROLE_COUNT };

/* Sets of roles: bit (1 << enum guard_role). The account `local` of this machine's owner has all of them. */
#define GUARD_ALL_ROLES ((1u << GUARD_ROLE_COUNT) - 1u)

bool guard_may_call(uint32_t roles, enum proto_method method);
/* False for an unknown kind. */
bool guard_may_record(uint32_t roles, enum proto_kind kind);
/* "nurse"; aborts out of range. */
const char *guard_role_name(enum guard_role role);

#endif
