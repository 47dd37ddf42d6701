/*
 * reopen_test.c - what a store on disk is after it was closed, killed, moved, mixed up, cut or written to by somebody else.
 */
#define _GNU_SOURCE
#include "help.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include "proto/ids.h"

struct fixture {
    char dir[64], other[64];
};

static int setup(void **state) {
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    help_dir_make(f->dir);
    help_dir_make(f->other);
    *state = f;
    return 0;
}

static int teardown(void **state) {
    struct fixture *f = *state;
    help_dir_remove(f->dir);
    help_dir_remove(f->other);
    free(f);
    return 0;
}

/* --- files -------------------------------------------------------------------------------- */

struct file {
    size_t size;
    uint8_t *bytes;
};

static void data_path(char out[256], const char *dir, const char *name) {
    (void)snprintf(out, 256, "%s/%s/data.mdb", dir, name);
}

static struct file read_data(const char *dir, const char *name) {
    char path[256];
    struct stat stat_of;
    data_path(path, dir, name);
    FILE *in = fopen(path, "rb");
    assert_non_null(in);
    assert_int_equal(fstat(fileno(in), &stat_of), 0);
    struct file file = {.size = (size_t)stat_of.st_size, .bytes = malloc((size_t)stat_of.st_size + 1)};
    assert_non_null(file.bytes);
    assert_int_equal(fread(file.bytes, 1, file.size, in), file.size);
    assert_int_equal(fclose(in), 0);
    return file;
}

static void write_data(const char *dir, const char *name, struct file file) {
    char path[256];
    data_path(path, dir, name);
    FILE *out = fopen(path, "wb");
    assert_non_null(out);
    assert_int_equal(fwrite(file.bytes, 1, file.size, out), file.size);
    assert_int_equal(fclose(out), 0);
}

/* Overwrites every place where `was` stands with `is`; returns how many. */
static size_t replace_all(struct file file, const void *was, const void *is, size_t size) {
    size_t count = 0;
    for (uint8_t *at = file.bytes; (at = memmem(at, file.size - (size_t)(at - file.bytes), was, size)); at += size) {
        memcpy(at, is, size);
        count++;
    }
    return count;
}

static void view_name(const struct store_identity *identity, char out[64]) {
    char text[PROTO_ID_TEXT_BYTES + 1];
    proto_id_format(&identity->view, text);
    (void)snprintf(out, 64, "view-%s", text);
}

/* --- opening ------------------------------------------------------------------------------ */

static enum proto_error try_open(const char *dir, const char *boot_id, bool read_only, struct store **out,
                                 struct proto_fault *fault) {
    struct store_options options = help_options(dir);
    options.boot_id = boot_id;
    options.read_only = read_only;
    options.fresh_ids[2] = help_id(0xf00009); /* a new view is told from the old one by its id */
    memset(fault, 0, sizeof *fault);
    return store_open(&options, out, fault);
}

static void expect_fault(const char *dir, bool read_only, enum proto_error error, const char *words) {
    struct store *store;
    struct proto_fault fault;
    assert_int_equal(try_open(dir, HELP_BOOT, read_only, &store, &fault), error);
    assert_int_equal(fault.code, error);
    if (!strstr(fault.message, words))
        fail_msg("\"%s\" is not in: %s", words, fault.message);
}

/* Opens and says whether the view was kept; closes. */
static struct store_identity reopened(const char *dir, const char *boot_id) {
    struct store *store;
    struct proto_fault fault;
    if (try_open(dir, boot_id, false, &store, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    struct store_identity identity = help_identity(store);
    store_close(store);
    return identity;
}

static void expect_lost(const char *dir, const char *boot_id) {
    struct store_identity identity = reopened(dir, boot_id);
    struct proto_id fresh = help_id(0xf00009);
    assert_true(identity.view_lost);
    assert_int_equal(identity.view_seq, 0);
    assert_memory_equal(&identity.view, &fresh, sizeof fresh);
}

static void expect_kept(const char *dir, const char *boot_id, uint64_t view_seq) {
    struct store_identity identity = reopened(dir, boot_id);
    assert_false(identity.view_lost);
    assert_int_equal(identity.view_seq, view_seq);
}

/* A store of `log_seq` events of which the view reflects `view_seq`, closed. */
static struct store_identity make_store(const char *dir, uint64_t log_seq, uint64_t view_seq) {
    struct store *store = help_open(dir);
    assert_int_equal(help_commit_events(store, 1, log_seq), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, view_seq), PROTO_OK);
    struct store_identity identity = help_identity(store);
    store_close(store);
    return identity;
}

/* The same, left by a process that ended without closing it. */
static void make_store_and_die(const char *dir, uint64_t log_seq, uint64_t view_seq) {
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct store *store = help_open(dir);
        bool good =
            help_commit_events(store, 1, log_seq) == PROTO_OK && help_commit_view(store, 1, view_seq) == PROTO_OK;
        _exit(good ? 0 : 1);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
}

static void closed_and_opened_again(void **state) {
    struct fixture *f = *state;
    struct store_identity before = make_store(f->dir, 10, 10);
    struct store_options options = help_options(f->dir);
    for (int i = 0; i < 3; i++) /* ids for a new store mean nothing to one that exists */
        options.fresh_ids[i] = help_id(0xaa0000 + (uint64_t)i);
    options.boot_id = "another";
    struct store *store = help_open_with(&options);
    struct store_identity after = help_identity(store);
    assert_memory_equal(&before, &after, sizeof before);
    struct store_txn *txn;
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    for (uint64_t n = 1; n <= 10; n++)
        help_check_event(txn, n);
    store_read_end(txn);
    assert_int_equal(help_commit_events(store, 11, 11), PROTO_OK);
    store_close(store);
    assert_int_equal(reopened(f->dir, HELP_BOOT).log_seq, 11);
}

static void earlier_stamp_catches_up(void **state) {
    struct fixture *f = *state;
    make_store(f->dir, 10, 4);
    expect_kept(f->dir, HELP_BOOT, 4);
}

static void killed_process_keeps_the_view(void **state) {
    struct fixture *f = *state;
    make_store_and_die(f->dir, 10, 9);
    expect_kept(f->dir, HELP_BOOT, 9);
}

static void power_cut_loses_the_view(void **state) {
    struct fixture *f = *state;
    make_store_and_die(f->dir, 10, 9);
    expect_lost(f->dir, "after the power cut");
    assert_int_equal(reopened(f->dir, HELP_BOOT).log_seq, 10);
}

static void clean_close_outlives_a_power_cut(void **state) {
    struct fixture *f = *state;
    make_store(f->dir, 10, 9);
    expect_kept(f->dir, "after the power cut", 9);
    /* Opened and left: the mark is there again, although nothing was written to the view. */
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        (void)help_open(f->dir);
        _exit(0);
    }
    assert_int_equal(waitpid(child, NULL, 0), child);
    expect_lost(f->dir, "after another power cut");
}

static void distrusted_view_is_thrown_away(void **state) {
    struct fixture *f = *state;
    struct store *store = help_open(f->dir);
    assert_int_equal(help_commit_events(store, 1, 3), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 3), PROTO_OK);
    store_distrust_view(store);
    store_close(store);
    expect_lost(f->dir, HELP_BOOT);
    struct store_identity identity = reopened(f->dir, HELP_BOOT);
    assert_false(identity.view_lost); /* once is enough */
}

static void missing_or_damaged_view_is_lost(void **state) {
    struct fixture *f = *state;
    char name[64], path[256];
    static uint8_t junk[9000] = {1, 2, 3};
    struct store_identity identity = make_store(f->dir, 3, 3);
    view_name(&identity, name);
    struct file whole = read_data(f->dir, name);
    write_data(f->dir, name, (struct file){sizeof junk, junk});
    expect_lost(f->dir, HELP_BOOT);
    free(whole.bytes);

    identity = make_store(f->other, 3, 3);
    view_name(&identity, name);
    whole = read_data(f->other, name);
    write_data(f->other, name, (struct file){whole.size / 2, whole.bytes}); /* a bus error, if LMDB were let at it */
    expect_lost(f->other, HELP_BOOT);
    free(whole.bytes);
    identity = reopened(f->other, HELP_BOOT);
    view_name(&identity, name);
    data_path(path, f->other, name);
    assert_int_equal(unlink(path), 0);
    struct store *store;
    struct proto_fault fault;
    assert_int_equal(try_open(f->other, HELP_BOOT, false, &store, &fault), PROTO_OK);
    assert_true(help_identity(store).view_lost);
    store_close(store);
}

static void view_of_another_log_is_lost(void **state) {
    struct fixture *f = *state;
    char name[64];
    struct store_options options = help_options(f->other);
    options.fresh_ids[1] = help_id(0xbb0001); /* another log, the same view id */
    struct store *store = help_open_with(&options);
    assert_int_equal(help_commit_events(store, 1, 5), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 5), PROTO_OK);
    store_close(store);
    struct store_identity identity = make_store(f->dir, 5, 5);
    view_name(&identity, name);
    struct file file = read_data(f->other, name);
    write_data(f->dir, name, file);
    free(file.bytes);
    expect_lost(f->dir, HELP_BOOT);
}

/* The same log identity and as many events, but not the same ones: a log that was restored and went on. */
static void view_of_another_chain_is_lost(void **state) {
    struct fixture *f = *state;
    char name[64];
    struct store *store = help_open(f->other);
    assert_int_equal(help_commit_events(store, 2, 6), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 5), PROTO_OK);
    store_close(store);
    struct store_identity identity = make_store(f->dir, 5, 5);
    view_name(&identity, name);
    struct file file = read_data(f->other, name);
    write_data(f->dir, name, file);
    free(file.bytes);
    expect_lost(f->dir, HELP_BOOT);
}

static void view_ahead_of_a_restored_log_is_lost(void **state) {
    struct fixture *f = *state;
    make_store(f->dir, 5, 5);
    struct file backup = read_data(f->dir, "log");
    struct store *store = help_open(f->dir);
    assert_int_equal(help_commit_events(store, 6, 9), PROTO_OK);
    assert_int_equal(help_commit_view(store, 6, 9), PROTO_OK);
    store_close(store);
    write_data(f->dir, "log", backup);
    free(backup.bytes);
    struct store_identity identity = reopened(f->dir, HELP_BOOT);
    assert_true(identity.view_lost);
    assert_int_equal(identity.log_seq, 5);
}

static void second_open_names_the_holder(void **state) {
    struct fixture *f = *state;
    char words[64];
    int ready[2], done[2];
    char byte;
    assert_int_equal(pipe(ready), 0);
    assert_int_equal(pipe(done), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct store *store = help_open(f->dir);
        close(done[1]);
        bool good = write(ready[1], "r", 1) == 1 && read(done[0], &byte, 1) == 0;
        store_close(store);
        _exit(good ? 0 : 1);
    }
    close(done[0]);
    assert_int_equal(read(ready[0], &byte, 1), 1);
    (void)snprintf(words, sizeof words, "(pid %ld)", (long)child);
    expect_fault(f->dir, false, PROTO_IN_USE, words);
    expect_fault(f->dir, true, PROTO_IN_USE, words); /* verify is refused too */
    close(done[1]);
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    close(ready[0]);
    close(ready[1]);
    struct store *store = help_open(f->dir); /* and nothing is left of the lock */
    (void)snprintf(words, sizeof words, "(pid %ld)", (long)getpid());
    expect_fault(f->dir, false, PROTO_IN_USE, words);
    store_close(store);
}

static void read_only_writes_nothing(void **state) {
    struct fixture *f = *state;
    char name[64], path[256];
    struct store_identity identity = make_store(f->dir, 6, 4);
    view_name(&identity, name);
    struct file log = read_data(f->dir, "log"), view = read_data(f->dir, name);
    struct store *store;
    struct proto_fault fault;
    uint64_t bad_seq;
    for (int i = 0; i < 2; i++) {
        assert_int_equal(try_open(f->dir, i ? "another" : HELP_BOOT, true, &store, &fault), PROTO_OK);
        struct store_identity found = help_identity(store);
        assert_memory_equal(&found, &identity, sizeof found);
        assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
        struct store_txn *txn;
        assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
        help_check_event(txn, 4);
        store_read_end(txn);
        store_close(store);
    }
    struct file log_after = read_data(f->dir, "log"), view_after = read_data(f->dir, name);
    assert_true(log.size == log_after.size && memcmp(log.bytes, log_after.bytes, log.size) == 0);
    assert_true(view.size == view_after.size && memcmp(view.bytes, view_after.bytes, view.size) == 0);
    (void)snprintf(path, sizeof path, "%s/lock", f->dir);
    assert_int_equal(unlink(path), 0); /* a copy without its lock file */
    assert_int_equal(try_open(f->dir, HELP_BOOT, true, &store, &fault), PROTO_OK);
    store_close(store);
    assert_int_equal(access(path, F_OK), -1);
    free(log.bytes), free(view.bytes), free(log_after.bytes), free(view_after.bytes);
}

static void read_only_of_a_lost_view(void **state) {
    struct fixture *f = *state;
    make_store_and_die(f->dir, 6, 6);
    struct store *store;
    struct proto_fault fault;
    struct store_txn *txn;
    struct store_event event;
    uint64_t bad_seq;
    assert_int_equal(try_open(f->dir, "after the power cut", true, &store, &fault), PROTO_OK);
    assert_true(help_identity(store).view_lost);
    assert_int_equal(help_identity(store).log_seq, 6);
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
    assert_int_equal(store_read_begin(store, &txn), PROTO_OK);
    assert_int_equal(store_read_event(txn, 1, &event), PROTO_NOT_FOUND); /* nothing is reflected */
    store_read_end(txn);
    store_close(store);
    expect_kept(f->dir, HELP_BOOT, 6); /* and on disk it is as it was */
}

static void no_store_is_no_store(void **state) {
    struct fixture *f = *state;
    char path[128], view[128];
    (void)snprintf(path, sizeof path, "%s/none", f->dir);
    expect_fault(path, true, PROTO_NOT_FOUND, "There is no store");
    assert_int_equal(access(path, F_OK), -1);
    expect_fault(f->dir, true, PROTO_NOT_FOUND, "There is no store");
    expect_fault("", false, PROTO_BAD_VALUE, "path");
    expect_fault("/proc/none/such", false, PROTO_BROKEN, "/proc/none/such");
    (void)snprintf(view, sizeof view, "%s/view-00000000-0000-7000-8000-000000000001", f->dir);
    assert_int_equal(mkdir(view, 0700), 0);
    expect_fault(f->dir, false, PROTO_CORRUPT, "no log");
}

static void leftovers_are_removed(void **state) {
    struct fixture *f = *state;
    static const char *const left[] = {"log.new", "view-00000000-0000-7000-8000-000000000001.new",
                                       "view-00000000-0000-7000-8000-000000000002"};
    char path[128], file[256];
    make_store(f->dir, 2, 2);
    for (size_t i = 0; i < 3; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", f->dir, left[i]);
        assert_int_equal(mkdir(path, 0700), 0);
        data_path(file, f->dir, left[i]);
        assert_int_equal(close(creat(file, 0600)), 0);
    }
    expect_kept(f->dir, HELP_BOOT, 2);
    for (size_t i = 0; i < 3; i++) {
        (void)snprintf(path, sizeof path, "%s/%s", f->dir, left[i]);
        assert_int_equal(access(path, F_OK), -1);
    }
    /* A creation that was cut short, with half a log in it. */
    (void)snprintf(path, sizeof path, "%s/log.new", f->other);
    assert_int_equal(mkdir(path, 0700), 0);
    data_path(file, f->other, "log.new");
    assert_int_equal(close(creat(file, 0600)), 0);
    make_store(f->other, 2, 2);
    expect_kept(f->other, HELP_BOOT, 2);
}

/* The directory's own mode, and descriptors that programs started by us do not get. */
static void private_and_not_inherited(void **state) {
    struct fixture *f = *state;
    char dir[128], path[64], target[256];
    (void)snprintf(dir, sizeof dir, "%s/made", f->dir);
    struct store *store = help_open(dir);
    struct stat stat_of;
    assert_int_equal(stat(dir, &stat_of), 0);
    assert_int_equal(stat_of.st_mode & 0777, 0700);
    int ours = 0;
    for (int fd = 0; fd < 256; fd++) {
        (void)snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
        ssize_t size = readlink(path, target, sizeof target - 1);
        if (size <= 0)
            continue;
        target[size] = '\0';
        if (strncmp(target, dir, strlen(dir)) != 0)
            continue;
        ours++;
        assert_int_equal(fcntl(fd, F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
    }
    assert_true(ours >= 5); /* the lock; data and lock of each environment */
    store_close(store);
}

#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define SHADOWED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define SHADOWED 1
#endif
#ifndef SHADOWED
#define SHADOWED 0
#endif

/* A terabyte each where the machine gives it, less where it does not. */
static void default_maps_fit_the_machine(void **state) {
    struct fixture *f = *state;
    struct store_options options = help_options(f->dir);
    struct store_room room;
    options.log_map_bytes = options.view_map_bytes = 0;
    struct store *store = help_open_with(&options);
    store_room_get(store, &room);
    assert_true(room.log_map >= 4ull << 30 && room.view_map >= 4ull << 30);
    if (!SHADOWED)
        assert_true(room.log_map == 1ull << 40 && room.view_map == 1ull << 40);
    assert_int_equal(help_commit_events(store, 1, 3), PROTO_OK);
    assert_int_equal(help_commit_view(store, 1, 3), PROTO_OK);
    store_close(store);
    if (SHADOWED)
        return;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) { /* 100 GiB of addresses: 64 and 16 fit */
        struct rlimit limit = {100ull << 30, 100ull << 30};
        if (setrlimit(RLIMIT_AS, &limit) != 0)
            _exit(1);
        store = help_open_with(&options);
        store_room_get(store, &room);
        bool good = room.log_map == 64ull << 30 && room.view_map == 16ull << 30 &&
                    help_commit_events(store, 4, 5) == PROTO_OK && help_commit_view(store, 4, 5) == PROTO_OK;
        store_close(store);
        _exit(good ? 0 : 2);
    }
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_int_equal(status, 0);
    expect_kept(f->dir, HELP_BOOT, 5);
}

static void newer_formats_are_refused(void **state) {
    struct fixture *f = *state;
    char name[64];
    static const uint8_t now[] = "store.format\0\0\0\1", next[] = "store.format\0\0\0\2",
                         old[] = "store.format\0\0\0\0";
    struct store_identity identity = make_store(f->dir, 3, 3);
    view_name(&identity, name);
    for (int i = 0; i < 2; i++) {
        const char *which = i ? "log" : name;
        struct file file = read_data(f->dir, which), after;
        assert_true(replace_all(file, now, next, sizeof now - 1) > 0);
        write_data(f->dir, which, file);
        expect_fault(f->dir, false, PROTO_NEWER, "its format is 2 and this version reads up to 1");
        expect_fault(f->dir, true, PROTO_NEWER, which);
        after = read_data(f->dir, which);
        assert_true(after.size == file.size && memcmp(after.bytes, file.bytes, file.size) == 0);
        assert_true(replace_all(file, next, now, sizeof now - 1) > 0);
        write_data(f->dir, which, file);
        free(file.bytes), free(after.bytes);
    }
    expect_kept(f->dir, HELP_BOOT, 3);
    struct file file = read_data(f->dir, "log");
    assert_true(replace_all(file, now, old, sizeof now - 1) > 0); /* no version ever wrote that */
    write_data(f->dir, "log", file);
    free(file.bytes);
    expect_fault(f->dir, false, PROTO_CORRUPT, "log");
}

static void expect_bad_event(const char *dir, uint64_t seq, const char *words) {
    struct store *store;
    struct proto_fault fault;
    uint64_t bad_seq = 0;
    assert_int_equal(try_open(dir, HELP_BOOT, true, &store, &fault), PROTO_OK);
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_CORRUPT);
    assert_int_equal(bad_seq, seq);
    if (!strstr(fault.message, words))
        fail_msg("\"%s\" is not in: %s", words, fault.message);
    store_close(store);
}

static void tampering_is_found(void **state) {
    struct fixture *f = *state;
    make_store(f->dir, 40, 40);
    struct file whole = read_data(f->dir, "log");
    struct file file = {whole.size, malloc(whole.size)};
    assert_non_null(file.bytes);
    uint8_t was[24], is[24];
    struct proto_id id = help_id(23);

    memcpy(file.bytes, whole.bytes, whole.size); /* a word of a body */
    assert_true(replace_all(file, "body of event 17", "body of event 71", 16) > 0);
    write_data(f->dir, "log", file);
    expect_bad_event(f->dir, 17, "its body");

    memcpy(file.bytes, whole.bytes, whole.size); /* the time an event was received: behind its id in the record */
    memcpy(was, id.bytes, 16);
    memcpy(was + 16, "\0\0\0\0\0\0\x46\x50", 8); /* 23 * 1000 - 5000 */
    memcpy(is, was, sizeof is);
    is[23] = 0x51;
    assert_true(replace_all(file, was, is, sizeof was) > 0);
    write_data(f->dir, "log", file);
    expect_bad_event(f->dir, 23, "its header");

    memcpy(file.bytes, whole.bytes, whole.size); /* an id in the index of ids: its seq follows */
    memcpy(was + 16, "\0\0\0\0\0\0\0\x17", 8);
    memcpy(is, was, sizeof is);
    is[23] = 0x18;
    assert_true(replace_all(file, was, is, sizeof was) > 0);
    write_data(f->dir, "log", file);
    expect_bad_event(f->dir, 23, "its id");

    write_data(f->dir, "log", whole);
    struct store *store = help_open(f->dir);
    uint64_t bad_seq;
    struct proto_fault fault;
    assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
    store_close(store);
    free(whole.bytes), free(file.bytes);
}

/* A file without its end is refused, unless nothing of the log was there: then it is whole. */
static void cut_log_is_refused(void **state) {
    struct fixture *f = *state;
    struct store *store;
    struct proto_fault fault;
    uint64_t bad_seq;
    int refused = 0;
    make_store(f->dir, 200, 200);
    struct file whole = read_data(f->dir, "log");
    for (size_t keep = 0; keep < whole.size; keep += whole.size / 16) {
        write_data(f->dir, "log", (struct file){keep, whole.bytes});
        if (try_open(f->dir, HELP_BOOT, true, &store, &fault) == PROTO_OK) {
            assert_int_equal(store_verify_chain(store, &bad_seq, &fault), PROTO_OK);
            store_close(store);
            continue;
        }
        refused++;
        expect_fault(f->dir, false, PROTO_CORRUPT, "log/data.mdb");
        expect_fault(f->dir, true, PROTO_CORRUPT, "log/data.mdb");
    }
    assert_true(refused >= 12);
    write_data(f->dir, "log", whole);
    expect_kept(f->dir, HELP_BOOT, 200);
    free(whole.bytes);
}

/* Damage anywhere in the file: an error or a true answer, and never a crash. */
static void damaged_pages_never_crash_verify(void **state) {
    struct fixture *f = *state;
    make_store(f->dir, 300, 300);
    struct file whole = read_data(f->dir, "log");
    struct file file = {whole.size, malloc(whole.size)};
    assert_non_null(file.bytes);
    uint64_t random = 0x1234567, refused = 0, found = 0;
    for (int i = 0; i < 400; i++) {
        struct store *store;
        struct proto_fault fault;
        uint64_t bad_seq;
        memcpy(file.bytes, whole.bytes, whole.size);
        for (int b = 0; b < 4; b++) {
            size_t page = help_random(&random) % (whole.size / 4096) * 4096;
            size_t within = help_random(&random) % (i % 2 ? 4096 : 64); /* headers of pages half the time */
            file.bytes[page + within] ^= (uint8_t)(1 + help_random(&random) % 255);
        }
        write_data(f->dir, "log", file);
        if (try_open(f->dir, HELP_BOOT, true, &store, &fault) != PROTO_OK) {
            refused++;
            continue;
        }
        found += store_verify_chain(store, &bad_seq, &fault) != PROTO_OK;
        store_close(store);
    }
    assert_true(refused > 50 && found > 10); /* the damage was not in vain */
    free(whole.bytes), free(file.bytes);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(closed_and_opened_again, setup, teardown),
        cmocka_unit_test_setup_teardown(earlier_stamp_catches_up, setup, teardown),
        cmocka_unit_test_setup_teardown(killed_process_keeps_the_view, setup, teardown),
        cmocka_unit_test_setup_teardown(power_cut_loses_the_view, setup, teardown),
        cmocka_unit_test_setup_teardown(clean_close_outlives_a_power_cut, setup, teardown),
        cmocka_unit_test_setup_teardown(distrusted_view_is_thrown_away, setup, teardown),
        cmocka_unit_test_setup_teardown(missing_or_damaged_view_is_lost, setup, teardown),
        cmocka_unit_test_setup_teardown(view_of_another_log_is_lost, setup, teardown),
        cmocka_unit_test_setup_teardown(view_of_another_chain_is_lost, setup, teardown),
        cmocka_unit_test_setup_teardown(view_ahead_of_a_restored_log_is_lost, setup, teardown),
        cmocka_unit_test_setup_teardown(second_open_names_the_holder, setup, teardown),
        cmocka_unit_test_setup_teardown(read_only_writes_nothing, setup, teardown),
        cmocka_unit_test_setup_teardown(read_only_of_a_lost_view, setup, teardown),
        cmocka_unit_test_setup_teardown(no_store_is_no_store, setup, teardown),
        cmocka_unit_test_setup_teardown(leftovers_are_removed, setup, teardown),
        cmocka_unit_test_setup_teardown(private_and_not_inherited, setup, teardown),
        cmocka_unit_test_setup_teardown(default_maps_fit_the_machine, setup, teardown),
        cmocka_unit_test_setup_teardown(newer_formats_are_refused, setup, teardown),
        cmocka_unit_test_setup_teardown(tampering_is_found, setup, teardown),
        cmocka_unit_test_setup_teardown(cut_log_is_refused, setup, teardown),
        cmocka_unit_test_setup_teardown(damaged_pages_never_crash_verify, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
