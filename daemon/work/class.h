/*
 * class.h - the events of a super class parted into classes, each folded whole: for merges, rebuilds, verify and looks back.
 *
 * What always holds: which merges count is judged by all voids of the super class; a class is a connected component over the
 * merges that count, its root its smallest id, and it is shown under the `into` of its latest merge by (at, id).
 */
#ifndef WORK_CLASS_H
#define WORK_CLASS_H

#include "work/fold.h"
#include "work/patient.h"

struct work_class {
    struct proto_id root, shown;
    uint32_t first_member, member_count; /* in members */
    struct work_event **events;          /* of the class, in order */
    uint32_t event_count;
};

struct work_classes {
    struct proto_id super;
    struct proto_id *members; /* of the super class, those of one class together, ascending within it */
    uint8_t *flags;           /* enum work_patient_flags of each member; CLOSED is not known here */
    uint32_t member_count;
    struct work_class *list; /* ascending by root */
    uint32_t count;
    struct work_event **sorted;
    struct work_voids voids;
};

/* `events` are all that is held of the super class, in any order. CORRUPT when one cannot be decoded. */
enum proto_error work_classes_make(struct work_classes *classes, struct work_reading *reading,
                                   struct work_event **events, uint32_t count) PROTO_MUST_CHECK;
void work_classes_free(struct work_classes *classes);
/* Folds one class from its first event. The fold uses the classes' voids and must be freed before them. */
enum proto_error work_class_fold(struct work_classes *classes, const struct work_class *class,
                                 struct work_reading *reading, struct care_state *state, int64_t now,
                                 struct work_fold *fold) PROTO_MUST_CHECK;
/* Every row of the class but those of the indexes (subject.h) and the schedule. */
void work_class_rows(const struct work_classes *classes, const struct work_class *class, const struct work_fold *fold,
                     uint32_t team, struct work_rows *rows);

#endif
