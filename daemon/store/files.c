/*
 * files.c - directories made, synced, renamed and removed.
 *
 * What always holds: a name counts as durable only after its directory was synced.
 */
#define _GNU_SOURCE
#include "store/files.h"

#include <assert.h>
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static enum proto_error error_of(int number) {
    return number == ENOSPC || number == EDQUOT || number == EFBIG ? PROTO_FULL : PROTO_BROKEN;
}

enum proto_error store_dir_make(const char *path) {
    if (mkdir(path, 0700) == 0 || errno == EEXIST)
        return PROTO_OK;
    return error_of(errno);
}

static enum proto_error sync_path(const char *path, int flags) {
    int fd = open(path, flags | O_CLOEXEC);
    if (fd < 0)
        return PROTO_BROKEN;
    int rc = fsync(fd);
    int number = errno;
    close(fd);
    errno = number;
    return rc == 0 ? PROTO_OK : PROTO_BROKEN; /* a failed sync is never a mere lack of room */
}

enum proto_error store_dir_sync(const char *path) {
    return sync_path(path, O_RDONLY | O_DIRECTORY);
}

enum proto_error store_file_sync(const char *path) {
    return sync_path(path, O_RDONLY);
}

enum proto_error store_path_rename(const char *from, const char *to) {
    return rename(from, to) == 0 ? PROTO_OK : error_of(errno);
}

/* A name made in a directory lasts once that directory was synced. */
enum proto_error store_parent_sync(const char *path) {
    char parent[STORE_PATH_BYTES];
    const char *slash = strrchr(path, '/');
    if (!slash)
        return store_dir_sync(".");
    (void)snprintf(parent, sizeof parent, "%.*s", slash == path ? 1 : (int)(slash - path), path);
    return store_dir_sync(parent);
}

bool store_path_exists(const char *path) {
    struct stat file;
    return lstat(path, &file) == 0;
}

enum proto_error store_path_take(char out[STORE_PATH_BYTES], const char *dir, struct proto_fault *fault) {
    size_t size = strlen(dir);
    while (size > 1 && dir[size - 1] == '/')
        size--;
    if (size == 0 || size > STORE_DIR_BYTES_MAX)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "dir", "The path of a store must have 1 to %d bytes.",
                               (int)STORE_DIR_BYTES_MAX);
    memcpy(out, dir, size);
    out[size] = '\0';
    return PROTO_OK;
}

void store_dir_remove(const char *path) {
    DIR *dir = opendir(path);
    if (!dir)
        return;
    for (struct dirent *found; (found = readdir(dir)) != NULL;)
        if (strcmp(found->d_name, ".") != 0 && strcmp(found->d_name, "..") != 0)
            (void)unlinkat(dirfd(dir), found->d_name, 0);
    closedir(dir);
    (void)rmdir(path);
}

void store_path_join(char out[STORE_PATH_BYTES], const char *dir, const char *name) {
    int size = snprintf(out, STORE_PATH_BYTES, "%s/%s", dir, name);
    assert(size > 0 && size < STORE_PATH_BYTES);
}
