/*
 * zones.h - the system's zone data, read once through GLib into care/'s plain tables.
 */
#ifndef WORK_ZONES_H
#define WORK_ZONES_H

#include "care/zone.h"

/* Reads every zone that tzdata lists (names in tzdata's own list only), 1900 to 2100, and the data's version. NULL and a sentence when there is no tzdata. */
struct care_zones *work_zones_load(struct proto_fault *fault);
void work_zones_free(struct care_zones *zones);

#endif
