/*
 * own_task.h - whether a task that an event names is one of the team's own that was added for the child.
 *
 * What always holds: only admission asks; an event that comes from another node is kept, in whatever order it comes.
 */
#ifndef WORK_OWN_TASK_H
#define WORK_OWN_TASK_H

#include "work/fold.h"

/* The name of the task that is done, deferred or given, when it is no routine task; empty otherwise. Points into the event. */
struct proto_slice work_own_task_of(const struct proto_event *event);
/* Whether a task.added of that name counts, or waits for its time, among the fold's events, stored or added. */
enum proto_error work_own_task_known(struct work_fold *fold, struct proto_slice name, bool *known) PROTO_MUST_CHECK;

#endif
