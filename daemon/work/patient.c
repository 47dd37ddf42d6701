/*
 * patient.c - rows that say whose record an id belongs to.
 */
#include "work/patient.h"

#define FORMAT 1

enum proto_error work_patient_find(struct store_txn *txn, const struct proto_id *id, struct work_patient *out) {
    struct store_bytes value;
    enum proto_error error = store_get(txn, STORE_PATIENTS, id->bytes, PROTO_ID_BYTES, &value);
    if (error != PROTO_OK)
        return error;
    struct work_reader v = work_reader_of(value);
    uint8_t format = work_take_u8(&v);
    struct work_patient patient = {.root = work_take_id(&v)};
    patient.shown = work_take_id(&v);
    patient.super = work_take_id(&v);
    patient.team = work_take_u32(&v);
    patient.flags = work_take_u8(&v);
    patient.member_count = work_take_u16(&v);
    patient.members = work_take(&v, (size_t)patient.member_count * PROTO_ID_BYTES);
    if (v.bad || format != FORMAT || work_reader_left(&v) != 0)
        return PROTO_CORRUPT;
    *out = patient;
    return PROTO_OK;
}

void work_patient_row(const struct proto_id *id, const struct work_patient *patient, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_rows_begin(rows, STORE_PATIENTS);
    work_add_id(b, id);
    work_rows_value(rows);
    work_add_u8(b, FORMAT);
    work_add_id(b, &patient->root);
    work_add_id(b, &patient->shown);
    work_add_id(b, &patient->super);
    work_add_u32(b, patient->team);
    work_add_u8(b, patient->flags);
    work_add_u16(b, patient->member_count);
    if (patient->member_count)
        work_buffer_add(b, patient->members, (size_t)patient->member_count * PROTO_ID_BYTES);
    work_rows_end(rows);
}

enum proto_error work_patient_members(struct store_txn *txn, const struct work_patient *patient,
                                      struct proto_id *members, uint32_t cap, uint32_t *count) {
    struct work_patient super, member;
    *count = 0;
    enum proto_error error = work_patient_find(txn, &patient->super, &super);
    for (uint32_t i = 0; error == PROTO_OK && i < super.member_count && *count < cap; i++) {
        struct proto_id id = work_patient_member(&super, i);
        error = work_patient_find(txn, &id, &member);
        if (error == PROTO_OK && work_id_same(&member.root, &patient->root))
            members[(*count)++] = id;
    }
    return error == PROTO_NOT_FOUND ? PROTO_CORRUPT : error;
}
