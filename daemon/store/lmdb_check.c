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
 *           branch: low, high, flags are the child's page number, and the first key is not looked at
 *           leaf: low, high are the data's size; big data is a page number, a table's data is its tree
 *   free    the tree of free pages: u64 transaction -> u64 count, page numbers
 *
 * What always holds: reads stay inside the file and inside one page; the walk ends, since it visits no more pages than there
 * are. What passes is what LMDB relies on without looking: all leaves at the depth the tree says, no flags but those of plain
 * tables, as many entries as the tree says, nothing that runs over an end.
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
#define KEY_BYTES_MAX 511u
/* A page that was taken and given back in one transaction is counted and not written; this many fit one transaction. */
#define PAGES_NOT_WRITTEN_MAX 131072u
enum { PAGE_BRANCH = 1, PAGE_LEAF = 2, PAGE_OVERFLOW = 4, PAGE_META = 8 };
enum { ENTRY_BIG = 1, ENTRY_TREE = 2 };
enum { TREE_INTEGER_KEYS = 8 };
enum tree_kind { TREE_FREE, TREE_MAIN, TREE_TABLE };

struct checker {
    const char *path;
    struct proto_fault *fault;
    int fd;
    uint64_t file_bytes, file_pages, visits_left;
    uint32_t page_bytes;
    uint64_t last_page, transaction;
    uint8_t trees[2][TREE_BYTES]; /* of free pages, main */
};

struct tree {
    enum tree_kind kind;
    unsigned depth;
    uint64_t entries; /* met so far */
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
        uint64_t at = offset + done;
        ssize_t got = pread(c->fd, (uint8_t *)bytes + done, size - done, (off_t)at);
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb cannot be read at byte %llu: %s.",
                                   c->path, (unsigned long long)at, got < 0 ? strerror(errno) : "the file ends");
        done += (size_t)got;
    }
    return PROTO_OK;
}

/* Takes the meta page at the offset, the first or the second, when it is newer than what is known. */
static enum proto_error take_meta(struct checker *c, uint64_t offset) {
    uint8_t page[HEADER_BYTES + META_BYTES], *meta = page + HEADER_BYTES;
    enum proto_error error = read_at(c, offset, page, sizeof page);
    if (error != PROTO_OK)
        return error;
    uint32_t page_bytes = u32_at(meta + 0x18);
    uint64_t transaction = u64_at(meta + 0x80);
    bool sound = u32_at(meta) == MAGIC && u32_at(meta + 4) == 1 && page_bytes >= 512 && page_bytes <= PAGE_BYTES_MAX &&
                 (page_bytes & (page_bytes - 1)) == 0 && (c->page_bytes == 0 || c->page_bytes == page_bytes) &&
                 u16_at(page + 0x0a) == PAGE_META && (transaction == 0 || transaction % 2 == (offset > 0));
    if (!sound)
        return proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb does not begin like a store.", c->path);
    if (c->page_bytes > 0 && transaction <= c->transaction)
        return PROTO_OK;
    c->page_bytes = page_bytes;
    c->transaction = transaction;
    memcpy(c->trees[0], meta + 0x18, TREE_BYTES);
    memcpy(c->trees[1], meta + 0x48, TREE_BYTES);
    c->last_page = u64_at(meta + 0x78);
    return PROTO_OK;
}

static enum proto_error walk_tree(struct checker *c, const uint8_t header[TREE_BYTES], enum tree_kind kind);
static enum proto_error walk_page(struct checker *c, struct tree *tree, uint64_t number, unsigned depth);

/* Big data lies on pages of its own, the first of which says how many. `head` gets the first bytes of the data. */
static enum proto_error check_overflow(const struct checker *c, uint64_t number, uint64_t size, uint8_t head[8]) {
    uint8_t header[HEADER_BYTES + 8];
    if (number >= c->file_pages || number > c->last_page)
        return bad_page(c, number, "is missing");
    enum proto_error error = read_at(c, number * c->page_bytes, header, sizeof header);
    if (error != PROTO_OK)
        return error;
    uint64_t pages = u32_at(header + 0x0c);
    memcpy(head, header + HEADER_BYTES, 8);
    if (u64_at(header) != number || u16_at(header + 0x0a) != PAGE_OVERFLOW ||
        pages * c->page_bytes < HEADER_BYTES + size)
        return bad_page(c, number, "does not hold what it should");
    return pages > c->file_pages - number ? bad_page(c, c->file_pages, "is missing") : PROTO_OK;
}

static enum proto_error check_leaf_entry(struct checker *c, struct tree *tree, uint64_t number, const uint8_t *entry,
                                         size_t room) {
    uint8_t head[8] = {0};
    uint16_t flags = u16_at(entry + 4);
    size_t key = u16_at(entry + 6);
    uint64_t size = (uint64_t)u16_at(entry) | (uint64_t)u16_at(entry + 2) << 16;
    uint64_t here = flags == ENTRY_BIG ? sizeof(uint64_t) : size;
    if (key == 0 || key > KEY_BYTES_MAX || key > room - ENTRY_BYTES || here > room - ENTRY_BYTES - key)
        return bad_page(c, number, "has an entry that runs over its end");
    const uint8_t *data = entry + ENTRY_BYTES + key;
    tree->entries++;
    if (flags == ENTRY_TREE && tree->kind == TREE_MAIN && size == TREE_BYTES)
        return walk_tree(c, data, TREE_TABLE);
    if ((flags != 0 && flags != ENTRY_BIG) || tree->kind == TREE_MAIN)
        return bad_page(c, number, "has an entry of an unknown kind");
    enum proto_error error = PROTO_OK;
    if (flags == ENTRY_BIG)
        error = check_overflow(c, u64_at(data), size, head);
    else
        memcpy(head, data, size < sizeof head ? size : sizeof head);
    if (error == PROTO_OK && tree->kind == TREE_FREE &&
        (key != 8 || size % 8 != 0 || size < 8 || u64_at(head) >= size / 8))
        error = bad_page(c, number, "has a list of free pages that cannot be");
    return error;
}

static enum proto_error check_branch_entry(struct checker *c, struct tree *tree, uint64_t number, const uint8_t *entry,
                                           size_t room, bool first, unsigned depth) {
    size_t key = u16_at(entry + 6);
    uint64_t child = (uint64_t)u16_at(entry) | (uint64_t)u16_at(entry + 2) << 16 | (uint64_t)u16_at(entry + 4) << 32;
    if (key > KEY_BYTES_MAX || key > room - ENTRY_BYTES || (!first && key == 0) ||
        (!first && tree->kind == TREE_FREE && key != 8))
        return bad_page(c, number, "has an entry that runs over its end");
    return walk_page(c, tree, child, depth + 1);
}

static enum proto_error check_entries(struct checker *c, struct tree *tree, uint64_t number, const uint8_t *page,
                                      unsigned depth) {
    bool branch = u16_at(page + 0x0a) == PAGE_BRANCH;
    uint32_t lower = u16_at(page + 0x0c), upper = u16_at(page + 0x0e);
    uint32_t fewest = branch && tree->kind != TREE_FREE ? 2 : 1; /* one where LMDB balances the tree of free pages */
    if (lower < HEADER_BYTES + 2 * fewest || lower % 2 != 0 || upper < lower || upper > c->page_bytes)
        return bad_page(c, number, "has a list of entries that cannot be");
    for (uint32_t slot = HEADER_BYTES; slot < lower; slot += 2) {
        uint32_t offset = u16_at(page + slot);
        if (offset < upper || offset > c->page_bytes - ENTRY_BYTES || offset % 2 != 0)
            return bad_page(c, number, "has an entry outside itself");
        const uint8_t *entry = page + offset;
        size_t room = c->page_bytes - offset;
        enum proto_error error = branch ? check_branch_entry(c, tree, number, entry, room, slot == HEADER_BYTES, depth)
                                        : check_leaf_entry(c, tree, number, entry, room);
        if (error != PROTO_OK)
            return error;
    }
    return PROTO_OK;
}

/* `depth` counts from 1 at the root. */
static enum proto_error walk_page(struct checker *c, struct tree *tree, uint64_t number, unsigned depth) {
    if (number >= c->file_pages || number > c->last_page)
        return bad_page(c, number, "is missing");
    if (depth > tree->depth || c->visits_left-- == 0)
        return bad_page(c, number, "is reached in a circle");
    uint8_t *page = malloc(c->page_bytes);
    if (!page)
        return proto_fault_set(c->fault, PROTO_BROKEN, NULL, "There is no memory to check %s.", c->path);
    enum proto_error error = read_at(c, number * c->page_bytes, page, c->page_bytes);
    unsigned wanted = depth == tree->depth ? PAGE_LEAF : PAGE_BRANCH;
    if (error == PROTO_OK)
        error = u64_at(page) != number || u16_at(page + 0x0a) != wanted
                    ? bad_page(c, number, "does not hold what it should")
                    : check_entries(c, tree, number, page, depth);
    free(page);
    return error;
}

static enum proto_error walk_tree(struct checker *c, const uint8_t header[TREE_BYTES], enum tree_kind kind) {
    struct tree tree = {.kind = kind, .depth = u16_at(header + 0x06)};
    uint64_t root = u64_at(header + 0x28);
    bool plain = u16_at(header + 0x04) == (kind == TREE_FREE ? TREE_INTEGER_KEYS : 0) && tree.depth <= DEPTH_MAX &&
                 (root == NO_PAGE) == (tree.depth == 0);
    if (!plain)
        return proto_fault_set(c->fault, PROTO_CORRUPT, NULL,
                               "%s/data.mdb is damaged: a table cannot be as it is said.", c->path);
    enum proto_error error = root == NO_PAGE ? PROTO_OK : walk_page(c, &tree, root, 1);
    if (error == PROTO_OK && tree.entries != u64_at(header + 0x20))
        error =
            proto_fault_set(c->fault, PROTO_CORRUPT, NULL, "%s/data.mdb is damaged: %llu entries of a table of %llu.",
                            c->path, (unsigned long long)tree.entries, (unsigned long long)u64_at(header + 0x20));
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
    assert(c->page_bytes > 0);
    c->file_pages = c->visits_left = c->file_bytes / c->page_bytes;
    if (!all && c->last_page < c->file_pages)
        return PROTO_OK;
    if (c->last_page > c->file_pages + PAGES_NOT_WRITTEN_MAX)
        return bad_page(c, c->file_pages, "is missing");
    error = walk_tree(c, c->trees[0], TREE_FREE);
    return error == PROTO_OK ? walk_tree(c, c->trees[1], TREE_MAIN) : error;
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
