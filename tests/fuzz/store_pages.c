/*
 * store_pages.c - the files of a store with damaged bytes: opening for verification ends in an error or in a store that can be
 * read from end to end, and never in a crash. LMDB itself would follow what a damaged page says.
 *
 *     store_pages --runs N --seed S          (exit 0; a breach aborts, and the seed brings it back)
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "store/store.h"

#define EVENTS 200

static uint64_t state = 1;
static char dir[64], log_path[128];

static uint64_t random_next(void) {
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return state * 0x2545f4914f6cdd1du;
}

static void must(bool good, const char *what) {
    if (good)
        return;
    (void)fprintf(stderr, "store_pages: %s\n", what);
    abort();
}

static enum proto_error open_store(bool read_only, struct store **out) {
    struct proto_fault fault;
    struct store_options options = {.dir = dir,
                                    .boot_id = "fuzz",
                                    .read_only = read_only,
                                    .log_map_bytes = 64 << 20,
                                    .view_map_bytes = 64 << 20,
                                    .fresh_ids = {{{1}}, {{2}}, {{3}}}};
    enum proto_error error = store_open(&options, out, &fault);
    must(error == PROTO_OK || strlen(fault.message) > 20, "an error without a sentence");
    return error;
}

/* Events, some with bodies that take pages of their own, in many commits, so that the file has free pages too. */
static void make_store(void) {
    static uint8_t body[9000];
    struct store *store;
    struct store_log *log;
    memset(body, 0x92, sizeof body);
    must(open_store(false, &store) == PROTO_OK, "open");
    for (uint64_t n = 1; n <= EVENTS;) {
        must(store_log_begin(store, &log) == PROTO_OK, "begin");
        for (int i = 0; i < 10; i++, n++) {
            struct store_event event = {.body = {body, n % 20 == 0 ? sizeof body : 100 + n % 300}};
            for (int b = 0; b < 8; b++)
                event.id.bytes[15 - b] = (uint8_t)(n >> (8 * b));
            must(store_log_append(log, &event) == PROTO_OK, "append");
        }
        must(store_log_commit(log) == PROTO_OK, "commit");
    }
    store_close(store);
}

/* A few bytes anywhere, or in one page's head and list of entries, or the end cut off. */
static void damage(uint8_t *bytes, size_t size, size_t *keep) {
    *keep = random_next() % 10 == 0 ? random_next() % size : size;
    size_t page = random_next() % (size / 4096) * 4096;
    for (uint64_t n = 1 + random_next() % 6; n > 0; n--) {
        size_t at = random_next() % 2 ? page + random_next() % 128 : random_next() % size;
        uint64_t bits = random_next() % 2 ? random_next() : bytes[at] ^ (1u << random_next() % 8);
        bytes[at] = (uint8_t)bits;
    }
}

static void write_log(const uint8_t *bytes, size_t size) {
    FILE *file = fopen(log_path, "wb");
    must(file && fwrite(bytes, 1, size, file) == size && fclose(file) == 0, "writing the damaged file");
}

static int run_all(uint64_t runs) {
    uint64_t refused = 0, found = 0, whole = 0;
    FILE *file = fopen(log_path, "rb");
    struct stat stat_of;
    must(file && fstat(fileno(file), &stat_of) == 0, "stat");
    size_t size = (size_t)stat_of.st_size, keep;
    uint8_t *bytes = malloc(size), *damaged = malloc(size);
    must(bytes && damaged && fread(bytes, 1, size, file) == size && fclose(file) == 0, "read");
    for (uint64_t run = 0; run < runs; run++) {
        struct store *store;
        struct proto_fault fault;
        uint64_t bad_seq = 0;
        memcpy(damaged, bytes, size);
        damage(damaged, size, &keep);
        write_log(damaged, keep);
        if (open_store(true, &store) != PROTO_OK) {
            refused++;
            continue;
        }
        enum proto_error error = store_verify_chain(store, &bad_seq, &fault);
        must(error == PROTO_OK || bad_seq > 0, "an event that does not hold, and nobody says which");
        *(error == PROTO_OK ? &whole : &found) += 1;
        store_close(store);
    }
    printf("store_pages: %llu runs: %llu refused, %llu found by the chain, %llu of no consequence\n",
           (unsigned long long)runs, (unsigned long long)refused, (unsigned long long)found, (unsigned long long)whole);
    free(bytes), free(damaged);
    must(runs < 100 || (refused > 0 && found > 0), "the damage was in vain");
    return 0;
}

int main(int argc, char **argv) {
    char command[128];
    uint64_t runs = 20000;
    for (int i = 1; i + 1 < argc; i += 2) {
        if (strcmp(argv[i], "--runs") == 0)
            runs = strtoull(argv[i + 1], NULL, 10);
        else if (strcmp(argv[i], "--seed") == 0)
            state = strtoull(argv[i + 1], NULL, 10) * 0x9e3779b97f4a7c15u | 1;
    }
    (void)snprintf(dir, sizeof dir, "/tmp/betony-pages-XXXXXX");
    must(mkdtemp(dir) != NULL, "mkdtemp");
    (void)snprintf(log_path, sizeof log_path, "%s/log/data.mdb", dir);
    make_store();
    int code = run_all(runs);
    (void)snprintf(command, sizeof command, "rm -rf '%s'", dir);
    return system(command) == 0 ? code : 1;
}
