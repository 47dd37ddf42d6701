/*
 * limits.h - every limit of the house, in one place.
 *
 * What always holds: a limit that depends on another is tied to it by a
 * static_assert below, so changing one cannot silently break the other.
 */
#ifndef PROTO_LIMITS_H
#define PROTO_LIMITS_H

#include <assert.h>

/* --- the wire ------------------------------------------------------------ */
#define PROTO_MESSAGE_BYTES_MAX (1u << 20)          /* one MessagePack-RPC message, either direction */
#define PROTO_MESSAGE_BEFORE_SIGN_IN_MAX (1u << 16) /* until `hello` has succeeded */
#define PROTO_NODE_MESSAGE_BYTES_MAX (2u << 20)     /* between nodes: one recorded call with its stamps always fits */
#define PROTO_NESTING_MAX 16                        /* arrays and maps inside one another */
#define PROTO_NODES_MAX 65536                       /* values in one message, counted by the scan */
#define PROTO_EVENTS_PER_CALL_MAX 1000
#define PROTO_METHOD_BYTES_MAX 64
#define PROTO_ROWS_MAX 1000 /* rows of one answer page */
#define PROTO_ROWS_DEFAULT 100
#define PROTO_KEPT_MAX 8000      /* events of one message between nodes */
#define PROTO_IDS_MAX 1000       /* ids that one call names */
#define PROTO_SCOPE_TEAMS_MAX 16 /* teams of one node */
#define PROTO_RECEIPT_BYTES 16

/* --- one event ----------------------------------------------------------- */
#define PROTO_EVENT_BYTES_MAX 16384 /* canonical bytes: content and stamps */
#define PROTO_BODY_FIELDS_MAX 32    /* fields of one kind's body */
#define PROTO_LIST_MAX 16           /* entries of a list inside a body */
#define PROTO_TEXT_SHORT_MAX 80     /* names, labels, identifiers */
#define PROTO_TEXT_LINE_MAX 240     /* one sentence: reasons, addresses */
#define PROTO_TEXT_LONG_MAX 2000    /* steps of an emergency plan, notes */
#define PROTO_ID_BYTES 16
#define PROTO_ID_TEXT_BYTES 36
#define PROTO_HASH_BYTES 32
#define PROTO_TIME_MIN (-2208988800000LL) /* 1900-01-01T00:00Z, ms */
#define PROTO_TIME_MAX 4102444800000LL    /* 2100-01-01T00:00Z: zone data is right until here */
#define PROTO_DAY_MIN (-25567)            /* 1900-01-01, days since 1970-01-01 */
#define PROTO_DAY_MAX 47482               /* 2100-01-01 */
#define PROTO_FUTURE_MS_MAX 300000        /* `at` ahead of this daemon's clock, in `record` */
#define PROTO_ALIKE_MS 3600000            /* like events this near each other are pointed out */
#define PROTO_RECHECK_MS (7 * 86400000LL) /* "look again by" lies at most so long after the call */

/* --- one child's folded state: the first N in order are kept, the rest raise a note --- */
#define PROTO_STOMAS_MAX 2
#define PROTO_CHECKS_KEPT 16   /* last balloon checks of one stoma */
#define PROTO_CONTACTS_KEPT 16 /* last contacts of a child */
#define PROTO_IDENTIFIERS_MAX 4
#define PROTO_PHONES_MAX 6
#define PROTO_USES_MAX 12
#define PROTO_CARERS_MAX 12
#define PROTO_SPARES_MAX 9
#define PROTO_SUPPLIES_MAX 12
#define PROTO_APPOINTMENTS_MAX 4
#define PROTO_ADDED_TASKS_MAX 8
#define PROTO_PLANS_MAX 16
#define PROTO_PAUSES_MAX 4
#define PROTO_FINDINGS_MAX 8
#define PROTO_ZONES_KEPT 4
#define PROTO_EVIDENCE_MAX 6
#define PROTO_STEPS_MAX 6 /* steps of one alert through time */
#define PROTO_SCHEDULE_TASKS_MAX 48
#define PROTO_SCHEDULE_ALERTS_MAX 96
#define PROTO_CHECKPOINT_EVERY 128 /* events of a child between two checkpoints */

/* --- the daemon ---------------------------------------------------------- */
#define PROTO_BATCH_EVENTS_MAX 2000 /* one group commit */
#define PROTO_BATCH_BYTES_MAX (8u << 20)
#define PROTO_CONNECTIONS_MAX 12000
#define PROTO_CALLS_IN_FLIGHT_MAX 256  /* one connection */
#define PROTO_STATE_BYTES_MAX 32768    /* encoded care state, worst case */
#define PROTO_SCHEDULE_BYTES_MAX 49152 /* encoded schedule, worst case */
#define PROTO_STATUS_BYTES_MAX 196608  /* one rendered status, worst case */

static_assert(PROTO_EVENT_BYTES_MAX < PROTO_MESSAGE_BYTES_MAX, "an event must fit a message");
static_assert(PROTO_STATUS_BYTES_MAX < PROTO_MESSAGE_BYTES_MAX, "a status must fit a message");
static_assert(PROTO_EVENT_BYTES_MAX < PROTO_BATCH_BYTES_MAX, "an event must fit a batch");
static_assert(PROTO_EVENTS_PER_CALL_MAX <= PROTO_BATCH_EVENTS_MAX, "one call is never split over batches");
static_assert(PROTO_MESSAGE_BEFORE_SIGN_IN_MAX <= PROTO_MESSAGE_BYTES_MAX, "sign-in bound is the tighter one");
static_assert(PROTO_MESSAGE_BYTES_MAX + PROTO_EVENTS_PER_CALL_MAX * 256u < PROTO_NODE_MESSAGE_BYTES_MAX,
              "a recorded call with its stamps fits a message between nodes");
static_assert(PROTO_KEPT_MAX * 5u + 64u < PROTO_NODES_MAX, "events between nodes are within the count of values");

#endif
