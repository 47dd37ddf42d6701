/*
 * field.h - reading one value by its declared field. For proto/ itself.
 */
#ifndef PROTO_FIELD_H
#define PROTO_FIELD_H

#include "proto/pack.h"
#include "proto/tables.h"

/* Reads `object` as the field says. On success the members of *value that its type has are filled and the others left as they are
 * (so hand in a cleared one); on error it is untouched and *fault (which may be NULL)
 * has the sentence. KEPT is content with well-formed: choices of a newer version are left out of a set, unknown parts of a
 * record are passed over, and check digits are not asked for. */
enum proto_error proto_field_read(const struct proto_field *field, const msgpack_object *object,
                                  enum proto_strictness strictness, struct proto_value *value,
                                  struct proto_fault *fault) PROTO_MUST_CHECK;

/* Sets a MISSING_FIELD or UNKNOWN_FIELD fault that names what `owner` (a kind or method) takes. */
enum proto_error proto_fault_missing(struct proto_fault *fault, const char *owner, const struct proto_field *field);
enum proto_error proto_fault_unknown(struct proto_fault *fault, const char *owner, const msgpack_object *key,
                                     const struct proto_field *fields, uint32_t count);
/* A key given twice. */
enum proto_error proto_fault_twice(struct proto_fault *fault, const char *name);
/* An amount or number outside its bounds. */
enum proto_error proto_fault_bounds(struct proto_fault *fault, const char *name, enum proto_type type, int64_t min,
                                    int64_t max, const char *unit);

/* Values that only parameters of methods have: EVENTS, CURSOR, KEPT, IDS. As proto_field_read, which calls it. */
enum proto_error proto_param_read(const struct proto_field *field, const msgpack_object *object,
                                  struct proto_value *value, struct proto_fault *fault) PROTO_MUST_CHECK;
/* One event as nodes send it; NULL when it is well formed, else what it should be. */
const char *proto_kept_read(const msgpack_object *object, struct proto_kept *kept);

#endif
