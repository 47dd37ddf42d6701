/*
 * kv_memory.c - the ordered store in memory, for the simulator and for tests: one thread.
 *
 * Each table is a treap whose nodes are shared between versions and counted. A write transaction works on a version of
 * its own and copies what it shares with others; commit makes that version the current one, abort drops it, and a reader
 * keeps the version it began with.
 *
 * What always holds: a node reachable from two versions is never changed; a node's order among keys and its priority
 * (a hash of its key) decide its place, so its depth does not depend on the order of what was put.
 */
#include "store/kv.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

struct entry {
    uint32_t refs, key_size, value_size;
    uint8_t bytes[]; /* key, value */
};

struct node {
    struct node *left, *right;
    struct entry *entry;
    uint32_t refs, priority;
};

struct version {
    uint32_t refs;
    uint64_t used;
    uint64_t *counts;
    struct node **roots;
};

struct memory_kv {
    struct store_kv base;
    unsigned table_count;
    uint64_t map_bytes;
    struct version *current;
    bool writing;
};

struct memory_txn {
    struct store_kv_txn base;
    struct version *version; /* NULL while reset */
    bool writing;
};

struct memory_cursor {
    struct store_kv_cursor base;
    const struct entry *at;
    unsigned table;
};

static struct memory_kv *kv_of(struct store_kv *kv) {
    return (struct memory_kv *)(void *)kv;
}

static struct memory_txn *txn_of(struct store_kv_txn *txn) {
    return (struct memory_txn *)(void *)txn;
}

static struct memory_cursor *cursor_of(struct store_kv_cursor *cursor) {
    return (struct memory_cursor *)(void *)cursor;
}

static void *allocate(size_t size) {
    void *made = calloc(1, size);
    if (!made)
        abort();
    return made;
}

/* --- entries and nodes ------------------------------------------------------------------- */

static struct store_bytes key_of(const struct entry *entry) {
    return (struct store_bytes){entry->bytes, entry->key_size};
}

static struct store_bytes value_of(const struct entry *entry) {
    return (struct store_bytes){entry->bytes + entry->key_size, entry->value_size};
}

static uint64_t entry_bytes(const struct entry *entry) {
    return sizeof(struct node) + sizeof *entry + entry->key_size + entry->value_size;
}

static struct entry *entry_new(struct store_bytes key, struct store_bytes value) {
    struct entry *entry = allocate(sizeof *entry + key.size + value.size);
    entry->refs = 1;
    entry->key_size = (uint32_t)key.size;
    entry->value_size = (uint32_t)value.size;
    memcpy(entry->bytes, key.data, key.size);
    if (value.size > 0)
        memcpy(entry->bytes + key.size, value.data, value.size);
    return entry;
}

static void entry_release(struct entry *entry) {
    if (--entry->refs == 0)
        free(entry);
}

static int compare(struct store_bytes a, struct store_bytes b) {
    size_t common = a.size < b.size ? a.size : b.size;
    int order = common > 0 ? memcmp(a.data, b.data, common) : 0;
    return order != 0 ? order : (a.size > b.size) - (a.size < b.size);
}

static uint32_t priority_of(struct store_bytes key) {
    uint64_t hash = 0xcbf29ce484222325u;
    for (size_t i = 0; i < key.size; i++)
        hash = (hash ^ key.data[i]) * 0x100000001b3u;
    hash ^= hash >> 29;
    hash *= 0xbf58476d1ce4e5b9u;
    return (uint32_t)(hash >> 32);
}

static struct node *node_share(struct node *node) {
    if (node)
        node->refs++;
    return node;
}

static void node_release(struct node *node) {
    if (!node || --node->refs > 0)
        return;
    node_release(node->left);
    node_release(node->right);
    entry_release(node->entry);
    free(node);
}

/* Makes the node in the slot one that only this version has. */
static void node_own(struct node **slot) {
    struct node *node = *slot;
    if (node->refs == 1)
        return;
    struct node *copy = allocate(sizeof *copy);
    *copy = *node;
    copy->refs = 1;
    node_share(copy->left);
    node_share(copy->right);
    copy->entry->refs++;
    node->refs--;
    *slot = copy;
}

static void rotate_up(struct node **slot, bool left_child) {
    struct node *node = *slot, *child = left_child ? node->left : node->right;
    assert(node->refs == 1 && child->refs == 1);
    if (left_child) {
        node->left = child->right;
        child->right = node;
    } else {
        node->right = child->left;
        child->left = node;
    }
    *slot = child;
}

/* Takes the entry over. */
static void tree_insert(struct node **slot, struct entry *entry, uint32_t priority) {
    if (!*slot) {
        *slot = allocate(sizeof **slot);
        **slot = (struct node){.entry = entry, .refs = 1, .priority = priority};
        return;
    }
    node_own(slot);
    struct node *node = *slot;
    int order = compare(key_of(entry), key_of(node->entry));
    if (order == 0) {
        entry_release(node->entry);
        node->entry = entry;
        return;
    }
    struct node **child = order < 0 ? &node->left : &node->right;
    tree_insert(child, entry, priority);
    if ((*child)->priority > node->priority)
        rotate_up(slot, order < 0);
}

/* One tree of two, all of a before all of b; takes both over. */
static struct node *tree_join(struct node *a, struct node *b) {
    if (!a || !b)
        return a ? a : b;
    if (a->priority > b->priority) {
        node_own(&a);
        a->right = tree_join(a->right, b);
        return a;
    }
    node_own(&b);
    b->left = tree_join(a, b->left);
    return b;
}

/* The key must be in the tree. */
static void tree_remove(struct node **slot, struct store_bytes key) {
    assert(*slot);
    node_own(slot);
    struct node *node = *slot;
    int order = compare(key, key_of(node->entry));
    if (order != 0) {
        tree_remove(order < 0 ? &node->left : &node->right, key);
        return;
    }
    *slot = tree_join(node->left, node->right);
    entry_release(node->entry);
    free(node);
}

static const struct entry *tree_find(const struct node *node, struct store_bytes key) {
    while (node) {
        int order = compare(key, key_of(node->entry));
        if (order == 0)
            return node->entry;
        node = order < 0 ? node->left : node->right;
    }
    return NULL;
}

/* The first entry above the bound (or at it, with `equal`); without a bound the first of all. */
static const struct entry *tree_above(const struct node *node, const struct store_bytes *bound, bool equal) {
    const struct entry *best = NULL;
    while (node) {
        int order = bound ? compare(key_of(node->entry), *bound) : 1;
        bool fits = order > 0 || (order == 0 && equal);
        if (fits)
            best = node->entry;
        node = fits ? node->left : node->right;
    }
    return best;
}

/* The last entry below the bound; without a bound the last of all. */
static const struct entry *tree_below(const struct node *node, const struct store_bytes *bound) {
    const struct entry *best = NULL;
    while (node) {
        bool fits = !bound || compare(key_of(node->entry), *bound) < 0;
        if (fits)
            best = node->entry;
        node = fits ? node->right : node->left;
    }
    return best;
}

/* --- versions and transactions ----------------------------------------------------------- */

static struct version *version_new(const struct memory_kv *kv, const struct version *from) {
    struct version *version = allocate(sizeof *version);
    version->refs = 1;
    version->roots = allocate(kv->table_count * sizeof(struct node *));
    version->counts = allocate(kv->table_count * sizeof *version->counts);
    if (!from)
        return version;
    version->used = from->used;
    for (unsigned i = 0; i < kv->table_count; i++) {
        version->roots[i] = node_share(from->roots[i]);
        version->counts[i] = from->counts[i];
    }
    return version;
}

static void version_release(const struct memory_kv *kv, struct version *version) {
    if (--version->refs > 0)
        return;
    for (unsigned i = 0; i < kv->table_count; i++)
        node_release(version->roots[i]);
    free(version->roots);
    free(version->counts);
    free(version);
}

static enum proto_error memory_read_renew(struct store_kv_txn *txn) {
    assert(!txn_of(txn)->version && !txn_of(txn)->writing);
    txn_of(txn)->version = kv_of(txn->kv)->current;
    txn_of(txn)->version->refs++;
    return PROTO_OK;
}

static enum proto_error memory_read_begin(struct store_kv *kv, struct store_kv_txn **out) {
    struct memory_txn *txn = allocate(sizeof *txn);
    txn->base.kv = kv;
    *out = &txn->base;
    return memory_read_renew(&txn->base);
}

static void memory_read_reset(struct store_kv_txn *txn) {
    assert(txn_of(txn)->version);
    version_release(kv_of(txn->kv), txn_of(txn)->version);
    txn_of(txn)->version = NULL;
}

static enum proto_error memory_write_begin(struct store_kv *base, struct store_kv_txn **out) {
    struct memory_kv *kv = kv_of(base);
    assert(!kv->writing); /* one writer; LMDB would wait for ever on the same thread */
    struct memory_txn *txn = allocate(sizeof *txn);
    txn->base.kv = base;
    txn->writing = kv->writing = true;
    txn->version = version_new(kv, kv->current);
    *out = &txn->base;
    return PROTO_OK;
}

static void memory_abort(struct store_kv_txn *base) {
    struct memory_txn *txn = txn_of(base);
    struct memory_kv *kv = kv_of(base->kv);
    if (txn->writing)
        kv->writing = false;
    if (txn->version)
        version_release(kv, txn->version);
    free(txn);
}

static enum proto_error memory_commit(struct store_kv_txn *base) {
    struct memory_kv *kv = kv_of(base->kv);
    assert(txn_of(base)->writing);
    struct version *before = kv->current;
    kv->current = txn_of(base)->version;
    txn_of(base)->version = before; /* which abort drops */
    memory_abort(base);
    return PROTO_OK;
}

/* --- values ------------------------------------------------------------------------------ */

static struct node **root_of(struct store_kv_txn *txn, unsigned table) {
    assert(table < kv_of(txn->kv)->table_count && txn_of(txn)->version);
    return &txn_of(txn)->version->roots[table];
}

static enum proto_error memory_get(struct store_kv_txn *txn, unsigned table, struct store_bytes key,
                                   struct store_bytes *value) {
    const struct entry *entry = tree_find(*root_of(txn, table), key);
    if (!entry)
        return PROTO_NOT_FOUND;
    *value = value_of(entry);
    return PROTO_OK;
}

static enum proto_error memory_put(struct store_kv_txn *txn, unsigned table, struct store_bytes key,
                                   struct store_bytes value, enum store_kv_how how) {
    struct memory_kv *kv = kv_of(txn->kv);
    struct version *version = txn_of(txn)->version;
    struct node **root = root_of(txn, table);
    assert(txn_of(txn)->writing && key.size > 0 && key.size <= STORE_KEY_BYTES_MAX);
    const struct entry *old = tree_find(*root, key);
    if (how == STORE_KV_NEW && old)
        return PROTO_CONFLICT;
    if (how == STORE_KV_APPEND && *root && compare(key, key_of(tree_below(*root, NULL))) <= 0)
        return PROTO_CONFLICT;
    struct entry *entry = entry_new(key, value);
    uint64_t used = version->used + entry_bytes(entry) - (old ? entry_bytes(old) : 0);
    if (kv->map_bytes > 0 && used > kv->map_bytes) {
        entry_release(entry);
        return PROTO_FULL;
    }
    version->used = used;
    version->counts[table] += old ? 0 : 1;
    tree_insert(root, entry, priority_of(key));
    return PROTO_OK;
}

static enum proto_error memory_del(struct store_kv_txn *txn, unsigned table, struct store_bytes key) {
    struct version *version = txn_of(txn)->version;
    struct node **root = root_of(txn, table);
    assert(txn_of(txn)->writing);
    const struct entry *old = tree_find(*root, key);
    if (!old)
        return PROTO_NOT_FOUND;
    version->used -= entry_bytes(old);
    version->counts[table]--;
    tree_remove(root, key);
    return PROTO_OK;
}

static uint64_t memory_count(struct store_kv_txn *txn, unsigned table) {
    (void)root_of(txn, table);
    return txn_of(txn)->version->counts[table];
}

/* --- cursors ----------------------------------------------------------------------------- */

static enum proto_error memory_cursor_open(struct store_kv_txn *txn, unsigned table, struct store_kv_cursor **out) {
    struct memory_cursor *cursor = allocate(sizeof *cursor);
    cursor->base.txn = txn;
    cursor->table = table;
    *out = &cursor->base;
    return PROTO_OK;
}

static enum proto_error cursor_set(struct store_kv_cursor *cursor, const struct entry *entry, struct store_bytes *key,
                                   struct store_bytes *value) {
    if (!entry)
        return PROTO_NOT_FOUND;
    cursor_of(cursor)->at = entry;
    *key = key_of(entry);
    *value = value_of(entry);
    return PROTO_OK;
}

static enum proto_error memory_cursor_seek(struct store_kv_cursor *cursor, const struct store_bytes *bound,
                                           bool backwards, struct store_bytes *key, struct store_bytes *value) {
    const struct node *root = *root_of(cursor->txn, cursor_of(cursor)->table);
    return cursor_set(cursor, backwards ? tree_below(root, bound) : tree_above(root, bound, true), key, value);
}

static enum proto_error memory_cursor_step(struct store_kv_cursor *cursor, bool backwards, struct store_bytes *key,
                                           struct store_bytes *value) {
    assert(cursor_of(cursor)->at);
    const struct node *root = *root_of(cursor->txn, cursor_of(cursor)->table);
    struct store_bytes from = key_of(cursor_of(cursor)->at);
    return cursor_set(cursor, backwards ? tree_below(root, &from) : tree_above(root, &from, false), key, value);
}

static void memory_cursor_close(struct store_kv_cursor *cursor) {
    free(cursor);
}

/* --- the environment --------------------------------------------------------------------- */

static enum proto_error memory_sync(struct store_kv *kv) {
    (void)kv;
    return PROTO_OK;
}

static void memory_usage(struct store_kv *kv, struct store_kv_usage *out) {
    out->used = kv_of(kv)->current->used;
    out->map = kv_of(kv)->map_bytes > 0 ? kv_of(kv)->map_bytes : 1ull << 40;
    out->disk_free = UINT64_MAX / 2;
}

static void memory_close(struct store_kv *kv) {
    assert(!kv_of(kv)->writing && kv_of(kv)->current->refs == 1);
    version_release(kv_of(kv), kv_of(kv)->current);
    free(kv);
}

static const struct store_kv_ops memory_ops = {
    .read_begin = memory_read_begin,
    .read_reset = memory_read_reset,
    .read_renew = memory_read_renew,
    .write_begin = memory_write_begin,
    .commit = memory_commit,
    .abort = memory_abort,
    .get = memory_get,
    .put = memory_put,
    .del = memory_del,
    .cursor_open = memory_cursor_open,
    .cursor_seek = memory_cursor_seek,
    .cursor_step = memory_cursor_step,
    .cursor_close = memory_cursor_close,
    .count = memory_count,
    .sync = memory_sync,
    .usage = memory_usage,
    .close = memory_close,
};

struct store_kv *store_kv_memory_open(unsigned table_count, uint64_t map_bytes) {
    struct memory_kv *kv = allocate(sizeof *kv);
    kv->base.ops = &memory_ops;
    kv->table_count = table_count;
    kv->map_bytes = map_bytes;
    kv->current = version_new(kv, NULL);
    return &kv->base;
}

struct store_kv *store_kv_memory_copy(struct store_kv *from) {
    struct memory_kv *kv = allocate(sizeof *kv);
    kv->base.ops = &memory_ops;
    kv->table_count = kv_of(from)->table_count;
    kv->map_bytes = kv_of(from)->map_bytes;
    kv->current = version_new(kv, kv_of(from)->current);
    return &kv->base;
}
