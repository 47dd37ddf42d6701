/*
 * rules.h - what must hold between the fields of one event. For proto/ itself.
 */
#ifndef PROTO_RULES_H
#define PROTO_RULES_H

#include "proto/event.h"

/* Checks an event whose fields are each well-formed (RECORD). PROTO_OK, or the error with its sentence. */
enum proto_error proto_rules_check(const struct proto_event *event, struct proto_fault *fault) PROTO_MUST_CHECK;

#endif
