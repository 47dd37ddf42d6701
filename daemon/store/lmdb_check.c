/*
 * lmdb_check.c - a reader of LMDB 0.9's file format that believes nothing.
 *
 * The format, in the byte order of the machine, as LMDB 0.9 on 64 bits has it:
 *   page    00 u64 number | 08 u16 pad | 0a u16 flags | 0c u16 lower | 0e u16 upper   (overflow: 0c u32 pages)
 *           10 u16 offset of each entry, (lower - 16) / 2 of them
 *   meta    page 0 and 1, behind the page header: 00 u32 beefc0de | 04 u32 version 1 | 08 address | 10 map size
 *           18 tree of free pages | 48 main tree | 78 u64 last page | 80 u64 transaction
 *   tree    00 u32 page size (first tree) | 04 u16 flags | 06 u16 depth | 08 u64 x 3 pages | 20 u64 entries | 28 u64 root
 *   entry   00 u16 low | 02 u16 high | 04 u16 flags | 06 u16 key size | 08 key, then data
 *           branch: low, high, flags are the child's page number; leaf: low, high are the data's size
 *
 * What always holds: reads stay inside the file and inside one page; the walk ends, since no page may be met twice more
 * often than there are pages.
 */
#define _GNU_SOURCE
#include "store/lmdb_check.h"

#include <assert.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define HEADER_BYTES 16u
#define ENTRY_BYTES 8u
#define TREE_BYTES 48u
#define META_BYTES 136u
#define MAGIC 0xbeefc0deu
#define PAGE_BYTES_MAX 65536u
#define DEPTH_MAX 32u
#define NO_PAGE UINT64_MAX
enum { PAGE_BRANCH = 1, PAGE_LEAF = 2, PAGE_OVERFLOW = 4 };
enum { ENTRY_BIG = 1, ENTRY_TREE = 2 };

struct checker {
    const char *path;
    struct proto_fault *fault;
    int fd;
    uint64_t file_bytes, file_pages, visits_left;
    uint32_t page_bytes;
    uint64_t roots[2], last_page, transaction;
};

static uint16_t u16_at(const uint8_t *at) {
    uint16_t n;
    memcpy(&n, at, sizeof n);
    return n;
}

static uint32_t u32_at(const uint8_t *at) {
    uint32_t n;
    memcpy(&n, at, sizeof n);
    return n;
}

static uint64_t u64_at(const uint8_t *at) {
    uint64_t n;
    memcpy(&n, at, sizeof n);
    return n;
}

static enum proto_error bad_page(const struct checker *c, uint64_t number, const char *what) {
    return proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb is damaged: page %llu %s.", c->path,
                           (unsigned long long)number, what);
}

static enum proto_error read_at(const struct checker *c, uint64_t offset, void *bytes, size_t size) {
    size_t done = 0;
    while (done < size) {
        ssize_t got = pread(c->fd, (uint8_t *)bytes + done, size - done, (off_t)(offset + done));
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb cannot be read at byte %llu: %s.",
                                   c->path, (unsigned long long)(offset + done),
                                   got < 0 ? strerror(errno) : "the file ends");
        done += (size_t)got;
    }
    return PROTO_OK;
}

/* Takes the meta page at the offset when it is newer than what is known. */
static enum proto_error take_meta(struct checker *c, uint64_t offset) {
    uint8_t meta[META_BYTES];
    enum proto_error error = read_at(c, offset + HEADER_BYTES, meta, sizeof meta);
    if (error != PROTO_OK)
        return error;
    uint32_t page_bytes = u32_at(meta + 0x18);
    bool sound = u32_at(meta) == MAGIC && u32_at(meta + 4) == 1 && page_bytes >= 512 && page_bytes <= PAGE_BYTES_MAX &&
                 (page_bytes & (page_bytes - 1)) == 0 && (c->page_bytes == 0 || c->page_bytes == page_bytes);
    if (!sound)
        return proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb does not begin like a store.", c->path);
    uint64_t transaction = u64_at(meta + 0x80);
    if (c->page_bytes > 0 && transaction <= c->transaction)
        return PROTO_OK;
    c->page_bytes = page_bytes;
    c->transaction = transaction;
    c->roots[0] = u64_at(meta + 0x18 + 0x28);
    c->roots[1] = u64_at(meta + 0x48 + 0x28);
    c->last_page = u64_at(meta + 0x78);
    return PROTO_OK;
}

static enum proto_error walk_page(struct checker *c, uint64_t number, unsigned depth);

/* Big data lies on pages of its own, the first of which says how many. */
static enum proto_error check_overflow(struct checker *c, uint64_t number) {
    uint8_t header[HEADER_BYTES];
    if (number >= c->file_pages)
        return bad_page(c, number, "is missing");
    enum proto_error error = read_at(c, number * c->page_bytes, header, sizeof header);
    if (error != PROTO_OK)
        return error;
    uint64_t pages = u32_at(header + 0x0c);
    if (u64_at(header) != number || !(u16_at(header + 0x0a) & PAGE_OVERFLOW) || pages == 0)
        return bad_page(c, number, "does not hold what it should");
    return pages > c->file_pages - number ? bad_page(c, c->file_pages, "is missing") : PROTO_OK;
}

static enum proto_error check_leaf_entry(struct checker *c, uint64_t number, const uint8_t *entry, size_t room,
                                         unsigned depth) {
    uint16_t flags = u16_at(entry + 4);
    size_t key = u16_at(entry + 6);
    uint64_t data = (uint64_t)u16_at(entry) | (uint64_t)u16_at(entry + 2) << 16;
    uint64_t here = flags & ENTRY_BIG ? sizeof(uint64_t) : data;
    if (key > room - ENTRY_BYTES || here > room - ENTRY_BYTES - key)
        return bad_page(c, number, "has an entry that runs over its end");
    const uint8_t *at = entry + ENTRY_BYTES + key;
    if (flags & ENTRY_BIG)
        return check_overflow(c, u64_at(at));
    if (!(flags & ENTRY_TREE))
        return PROTO_OK;
    if (data != TREE_BYTES)
        return bad_page(c, number, "has a table of the wrong size");
    uint64_t root = u64_at(at + 0x28);
    return root == NO_PAGE ? PROTO_OK : walk_page(c, root, depth + 1);
}

static enum proto_error check_entries(struct checker *c, uint64_t number, const uint8_t *page, unsigned depth) {
    bool branch = (u16_at(page + 0x0a) & PAGE_BRANCH) != 0;
    uint32_t lower = u16_at(page + 0x0c);
    if (lower < HEADER_BYTES || lower > c->page_bytes)
        return bad_page(c, number, "has a list of entries that cannot be");
    for (uint32_t slot = HEADER_BYTES; slot + 2 <= lower; slot += 2) {
        uint32_t offset = u16_at(page + slot);
        if (offset < lower || offset > c->page_bytes - ENTRY_BYTES)
            return bad_page(c, number, "has an entry outside itself");
        const uint8_t *entry = page + offset;
        size_t room = c->page_bytes - offset;
        enum proto_error error;
        if (branch) {
            uint64_t child =
                (uint64_t)u16_at(entry) | (uint64_t)u16_at(entry + 2) << 16 | (uint64_t)u16_at(entry + 4) << 32;
            error = u16_at(entry + 6) > room - ENTRY_BYTES ? bad_page(c, number, "has an entry that runs over its end")
                                                           : walk_page(c, child, depth + 1);
        } else {
            error = check_leaf_entry(c, number, entry, room, depth);
        }
        if (error != PROTO_OK)
            return error;
    }
    return PROTO_OK;
}

static enum proto_error walk_page(struct checker *c, uint64_t number, unsigned depth) {
    if (number >= c->file_pages)
        return bad_page(c, number, "is missing");
    if (depth > DEPTH_MAX || c->visits_left-- == 0)
        return bad_page(c, number, "is reached in a circle");
    uint8_t *page = malloc(c->page_bytes);
    if (!page)
        return proto_fault_set(c->fault, PROTO_BROKEN, NULL, "There is no memory to check %s.", c->path);
    enum proto_error error = read_at(c, number * c->page_bytes, page, c->page_bytes);
    if (error == PROTO_OK) {
        unsigned type = u16_at(page + 0x0a) & (PAGE_BRANCH | PAGE_LEAF | PAGE_OVERFLOW);
        if (u64_at(page) != number || (type != PAGE_BRANCH && type != PAGE_LEAF))
            error = bad_page(c, number, "does not hold what it should");
        else
            error = check_entries(c, number, page, depth);
    }
    free(page);
    return error;
}

static enum proto_error check_open_file(struct checker *c, bool all) {
    struct stat file;
    if (fstat(c->fd, &file) != 0)
        return proto_fault_set(c->fault, PROTO_BROKEN, NULL, "%s/data.mdb: %s.", c->path, strerror(errno));
    c->file_bytes = (uint64_t)file.st_size;
    enum proto_error error = take_meta(c, 0);
    if (error == PROTO_OK)
        error = take_meta(c, c->page_bytes);
    if (error != PROTO_OK)
        return error;
    c->file_pages = c->file_bytes / c->page_bytes;
    c->visits_left = c->file_pages;
    if (!all && c->last_page < c->file_pages)
        return PROTO_OK;
    for (int i = 0; i < 2; i++) {
        error = c->roots[i] == NO_PAGE ? PROTO_OK : walk_page(c, c->roots[i], 0);
        if (error != PROTO_OK)
            return error;
    }
    return PROTO_OK;
}

static enum proto_error check(const char *path, bool all, struct proto_fault *fault) {
    char file[PATH_MAX];
    struct checker c = {.path = path, .fault = fault};
    int size = snprintf(file, sizeof file, "%s/data.mdb", path);
    assert(size > 0 && size < (int)sizeof file);
    c.fd = open(file, O_RDONLY | O_CLOEXEC);
    if (c.fd < 0)
        return proto_fault_set(fault, errno == ENOENT ? PROTO_CORRUPT : PROTO_BROKEN, NULL, "%s cannot be read: %s.",
                               file, strerror(errno));
    enum proto_error error = check_open_file(&c, all);
    close(c.fd);
    return error;
}

enum proto_error store_lmdb_check_size(const char *path, struct proto_fault *fault) {
    return check(path, false, fault);
}

enum proto_error store_lmdb_check_pages(const char *path, struct proto_fault *fault) {
    return check(path, true, fault);
}
