/*
 * lmdb_copy.h - one consistent copy of an LMDB environment that another process may be writing to.
 *
 * What always holds: the copier never holds the lock of a store nor of its writer; it keeps one reader's place while it
 * copies, which the writer clears when the copier dies.
 */
#ifndef STORE_LMDB_COPY_H
#define STORE_LMDB_COPY_H

#include "store/store.h"

/* Copies the environment in directory `path`, as of one commit that was there when the call began or a later one, to the
 * empty file behind `fd`: compact, not synced. Not from a process that has the environment open itself. CORRUPT (not an environment), FULL (nothing is known about the file then; it is refused before the copy
 * begins when it cannot fit, or would leave the environment's own disk without its reserve), BROKEN; *fault has the sentence. */
enum proto_error store_lmdb_copy(const char *path, int fd, struct proto_fault *fault) PROTO_MUST_CHECK;

#endif
