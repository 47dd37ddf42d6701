/*
 * files.h - the few things the store does to directories, each durable when it returns OK.
 */
#ifndef STORE_FILES_H
#define STORE_FILES_H

#include "store/store.h"

#define STORE_PATH_BYTES 1024
/* Room behind the path of a store, or of a backup, for the longest name inside it. */
#define STORE_DIR_BYTES_MAX (STORE_PATH_BYTES - 96)
/* Kept free on the disk: a full batch, what the view writes for it, and LMDB's own bookkeeping, several times over. */
#define STORE_DISK_RESERVE_BYTES (64ull << 20)

/* All answer FULL for a lack of room and BROKEN for anything else, with errno as it was. */
enum proto_error store_dir_make(const char *path) PROTO_MUST_CHECK; /* one that is there already is fine; mode 0700 */
enum proto_error store_dir_sync(const char *path) PROTO_MUST_CHECK;
enum proto_error store_file_sync(const char *path) PROTO_MUST_CHECK;
enum proto_error store_path_rename(const char *from, const char *to) PROTO_MUST_CHECK;
/* The directory that `path` is a name in. */
enum proto_error store_parent_sync(const char *path) PROTO_MUST_CHECK;
bool store_path_exists(const char *path);
/* Copies a directory's path without the slashes at its end. BAD_VALUE with a sentence when it is empty or too long. */
enum proto_error store_path_take(char out[STORE_PATH_BYTES], const char *dir,
                                 struct proto_fault *fault) PROTO_MUST_CHECK;
/* Removes a directory and the plain files in it; what is not there is fine. Not durable: what comes back is removed again. */
void store_dir_remove(const char *path);
/* The path must fit STORE_PATH_BYTES, which open has made sure of. */
void store_path_join(char out[STORE_PATH_BYTES], const char *dir, const char *name);

#endif
