/*
 * rights_table.h - who may do what, declared once: one line for each method and each kind of event.
 *
 * What always holds: total. A method or kind without a line does not compile in
 * (rights.c counts them), so nothing new is open, or closed, by accident.
 * Scope (which teams) is decided beside this table, by the caller's teams.
 *
 * M(method, roles)   K(kind, roles)   roles: letters of the roles that may
 */
#ifndef GUARD_RIGHTS_TABLE_H
#define GUARD_RIGHTS_TABLE_H

/* R(NAME, "wire-name", "who that is") */
#define GUARD_ROLES(R)                                                      \
    R(NURSE, "nurse", "cares for children and records it")                  \
    R(COORDINATOR, "coordinator", "plans for a team, adopts its policy")    \
    R(INTEGRATION, "integration", "another system")                         \
    R(AUDITOR, "auditor", "reads everything, writes nothing")               \
    R(STEWARD, "steward", "looks after the server and its accounts")

#define GUARD_N (1u << GUARD_ROLE_NURSE)
#define GUARD_C (1u << GUARD_ROLE_COORDINATOR)
#define GUARD_I (1u << GUARD_ROLE_INTEGRATION)
#define GUARD_A (1u << GUARD_ROLE_AUDITOR)
#define GUARD_S (1u << GUARD_ROLE_STEWARD)
#define GUARD_EVERYBODY (GUARD_N | GUARD_C | GUARD_I | GUARD_A | GUARD_S)
#define GUARD_READERS (GUARD_N | GUARD_C | GUARD_I | GUARD_A)
#define GUARD_WRITERS (GUARD_N | GUARD_C | GUARD_I)

#define GUARD_METHODS(M)                           \
    M(hello, GUARD_EVERYBODY)                      \
    M(ping, GUARD_EVERYBODY)                       \
    M(kinds, GUARD_EVERYBODY)                      \
    M(rules, GUARD_EVERYBODY)                      \
    M(record, GUARD_WRITERS | GUARD_S)             \
    M(due, GUARD_READERS)                          \
    M(alerts, GUARD_READERS)                       \
    M(tally, GUARD_READERS | GUARD_S)              \
    M(patients, GUARD_READERS | GUARD_S)           \
    M(patient, GUARD_READERS)                      \
    M(history, GUARD_READERS)                      \
    M(devices, GUARD_READERS)                      \
    M(follow, GUARD_READERS)                       \
    M(unfollow, GUARD_READERS)                     \
    M(offer, GUARD_S)                              \
    M(fetch, GUARD_S)                              \
    M(digest, GUARD_S)                             \
    M(sync_state, GUARD_EVERYBODY)                 \
    M(refused, GUARD_READERS)                      \
    M(nodes, GUARD_A | GUARD_S)                    \
    M(stats, GUARD_EVERYBODY)

#define GUARD_KINDS(K)                             \
    K(patient_registered, GUARD_WRITERS)           \
    K(patient_revised, GUARD_WRITERS)              \
    K(patient_moved, GUARD_WRITERS)                \
    K(patient_closed, GUARD_WRITERS)               \
    K(patient_reopened, GUARD_WRITERS)             \
    K(patient_merged, GUARD_C | GUARD_S)           \
    K(stay_started, GUARD_WRITERS)                 \
    K(stay_ended, GUARD_WRITERS)                   \
    K(stoma_formed, GUARD_WRITERS)                 \
    K(stoma_closed, GUARD_WRITERS)                 \
    K(device_placed, GUARD_WRITERS)                \
    K(device_put_back, GUARD_WRITERS)              \
    K(device_prescribed, GUARD_WRITERS)            \
    K(device_removed, GUARD_WRITERS)               \
    K(placement_failed, GUARD_WRITERS)             \
    K(position_confirmed, GUARD_WRITERS)           \
    K(tube_out, GUARD_WRITERS)                     \
    K(tube_displaced, GUARD_WRITERS)               \
    K(tube_blocked, GUARD_WRITERS)                 \
    K(balloon_checked, GUARD_WRITERS)              \
    K(site_checked, GUARD_WRITERS)                 \
    K(finding_accepted, GUARD_N | GUARD_C)         \
    K(care_done, GUARD_WRITERS)                    \
    K(contact_made, GUARD_WRITERS)                 \
    K(hospital_reached, GUARD_WRITERS)             \
    K(visit_planned, GUARD_WRITERS)                \
    K(visit_missed, GUARD_WRITERS)                 \
    K(appointment_booked, GUARD_WRITERS)           \
    K(carer_trained, GUARD_WRITERS)                \
    K(carer_left, GUARD_WRITERS)                   \
    K(emergency_plan_set, GUARD_WRITERS)           \
    K(spare_counted, GUARD_WRITERS)                \
    K(supply_counted, GUARD_WRITERS)               \
    K(supply_ordered, GUARD_WRITERS)               \
    K(feed_prescribed, GUARD_WRITERS)              \
    K(weight_measured, GUARD_WRITERS)              \
    K(plan_set, GUARD_N | GUARD_C)                 \
    K(task_added, GUARD_WRITERS)                   \
    K(task_done, GUARD_WRITERS)                    \
    K(task_deferred, GUARD_N | GUARD_C)            \
    K(task_given, GUARD_WRITERS)                   \
    K(note_written, GUARD_WRITERS)                 \
    K(event_withdrawn, GUARD_WRITERS)              \
    K(withdrawal_confirmed, GUARD_N | GUARD_C)     \
    K(policy_adopted, GUARD_C | GUARD_S)           \
    K(patient_erased, GUARD_S)                     \
    K(lot_recalled, GUARD_C | GUARD_I | GUARD_S)

#endif
