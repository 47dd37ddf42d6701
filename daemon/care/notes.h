/*
 * notes.h - what is said back to whoever has just recorded an event: that it may tell of the same as another, that an alert
 * it names still stands, that a number is unlikely.
 *
 * What always holds: a note changes nothing; the event is on record as it was sent. Pure, any thread.
 */
#ifndef CARE_NOTES_H
#define CARE_NOTES_H

#include "care/care.h"

#define CARE_NOTE_BYTES 320

/* Whether two events, of one kind and about one stoma, can tell of one happening by what they name: the same task, item, place, carer. Two looks at
 * the site can unless they contradict each other; two revisions when they say the same. Which time lies between them is the caller's to judge. */
bool care_events_alike(const struct proto_event *a, const struct proto_event *b);

struct care_note {
    const char *field; /* of the event's body */
    char message[CARE_NOTE_BYTES];
};
/* True for kinds that care_note_next can have something to say about. */
bool care_note_kind(enum proto_kind kind);
/* The notes on an event that is folded into the state, one at a call; `schedule` is planned from that state, and looked at at `now`. *place begins at
 * 0; false at the end. */
bool care_note_next(const struct care_state *state, const struct care_schedule *schedule,
                    const struct proto_event *event, int64_t now, uint32_t *place, struct care_note *out);

#endif
