/*
 * lmdb_check.h - looks at an LMDB file with plain reads before LMDB maps it: LMDB itself follows whatever a damaged page says,
 * and a file that was cut short is a bus error in the middle of a read.
 */
#ifndef STORE_LMDB_CHECK_H
#define STORE_LMDB_CHECK_H

#include "store/store.h"

/* Of the data file in directory `path`, which nobody may be writing. CORRUPT with a sentence. Cheap unless the file is shorter
 * than its header says, which is legitimate as long as no page that is in use is missing: then it does what the next does. */
enum proto_error store_lmdb_check_size(const char *path, struct proto_fault *fault) PROTO_MUST_CHECK;
/* Reads every page in use: places, types, bounds of every entry. Takes as long as reading the file. */
enum proto_error store_lmdb_check_pages(const char *path, struct proto_fault *fault) PROTO_MUST_CHECK;

#endif
