/*
 * patient.h - whose record an id belongs to.
 *
 * Records joined by merges that count are one class; its root is its smallest id, and everything derived lies under the
 * root. All records joined by any merge ever held, withdrawn or not, are one super class: withdrawals are judged within it,
 * so that withdrawing a merge can part a class and still be seen from both sides. The row of the super class's smallest id
 * lists its members; for a child that was never merged all these are the one id.
 *
 * A row of STORE_PATIENTS: 01 | id root | id shown | id super | u32 team | u8 flags | u16 count | count * id member
 */
#ifndef WORK_PATIENT_H
#define WORK_PATIENT_H

#include "work/bytes.h"
#include "work/rowset.h"

#define WORK_MERGED_MAX 64 /* records of a super class: admission refuses more */

enum work_patient_flags {
    WORK_PATIENT_REGISTERED = 1, /* a registration of this very id is held, withdrawn or not */
    WORK_PATIENT_CLOSED = 2,     /* the class has left the caseload */
    WORK_PATIENT_APART = 4,      /* whose feed it is in is not just the team it is shown in (feed.h) */
    WORK_PATIENT_ERASED = 8      /* a patient.erased names it: nothing of it is kept, and no more is taken */
};

struct work_patient {
    struct proto_id root, shown, super;
    uint32_t team;
    uint8_t flags;
    uint16_t member_count;  /* 0 but in the row of a super class of several */
    const uint8_t *members; /* 16 bytes each; in the stored value */
};

/* NOT_FOUND, CORRUPT. */
enum proto_error work_patient_find(struct store_txn *txn, const struct proto_id *id,
                                   struct work_patient *out) PROTO_MUST_CHECK;
static inline struct proto_id work_patient_member(const struct work_patient *patient, uint32_t index) {
    struct proto_id id;
    memcpy(id.bytes, patient->members + (size_t)index * PROTO_ID_BYTES, PROTO_ID_BYTES);
    return id;
}
/* Records of the patient's class, at most cap; none (count 0) for a child that was never merged. */
enum proto_error work_patient_members(struct store_txn *txn, const struct work_patient *patient,
                                      struct proto_id *members, uint32_t cap, uint32_t *count) PROTO_MUST_CHECK;
struct work_event;
/* A merge with an erased record joins nothing: it loses its target. */
enum proto_error work_event_part_gone(struct store_txn *txn, struct work_event *event) PROTO_MUST_CHECK;
/* The one row of a record that was erased. */
void work_erased_rows(const struct proto_id *record, struct work_rows *rows);
void work_patient_row(const struct proto_id *id, const struct work_patient *patient, struct work_rows *rows);

#endif
