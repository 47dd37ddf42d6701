/*
 * text.h - sentences made from the wordings: bounded text, numbers, dates, and the placeholders of an alert.
 *
 * Internal to care/. What always holds: a text is NUL-terminated and cut at a
 * character; a sentence needs nothing but its alert, so a stored alert can be
 * shown by any node without the child's record.
 */
#ifndef CARE_TEXT_H
#define CARE_TEXT_H

#include "care/schedule.h"
#include "care/wordings_table.h"
#include "proto/calendar.h"

#define CARE_SENTENCE_BYTES 768 /* any wording with its placeholders filled */

/* Text under way in the caller's memory: what does not fit is cut at a character, and nothing is added after that. */
struct care_text {
    char *out;
    size_t cap, size;
    bool cut;
};
void care_text_init(struct care_text *text, char *out, size_t cap); /* cap > 0 */
void care_text_add(struct care_text *text, const char *part);
void care_text_add_int(struct care_text *text, int64_t number);
void care_text_add_amount(struct care_text *text, int64_t hundredths); /* "4", "3.5" */
void care_text_add_day(struct care_text *text, int32_t day);           /* "7 Mar 2026" */
void care_text_add_local(struct care_text *text,
                         int64_t local_ms); /* "14:05 on 7 Mar 2026"; local: the instant plus its zone's offset */
/* Puts ", " before every part but the first. */
void care_text_add_listed(struct care_text *text, const char *part);

/* The declared parts. Numbers out of range abort. */
const char *care_alert_rule(enum proto_alert alert);
const char *care_alert_basis(enum proto_alert alert);
enum proto_alert care_found_alert(enum care_found found);
enum proto_alert care_next_alert(enum care_next next);
const char *care_found_text(enum care_found found);
const char *care_next_text(enum care_next next, bool home_change);
const char *care_next_call(enum care_next next); /* NULL: nobody to call */
/* True when the two versions of a next step differ. */
bool care_next_depends_on_home(enum care_next next);

/* Sentences of an alert: what was found, and what comes next at one of its steps. */
void care_alert_found(const struct care_alert *alert, char out[CARE_SENTENCE_BYTES]);
void care_alert_next(const struct care_alert *alert, const struct care_alert_step *step, char out[CARE_SENTENCE_BYTES]);

#endif
