/*
 * backup_test.c - the log copied beside a writer, and stores made of such copies: what is kept, what is new, and what is
 * left behind when there is no room, when something is in the way, or when one is cut off in the middle.
 *
 * LMDB lets a process open an environment once, so whoever shares a store with the test is a process of its own.
 */
#define _GNU_SOURCE
#include "help.h"

#include <fcntl.h>
#include <lmdb.h>
#include <signal.h>
#include <sys/file.h>
#include <sys/resource.h>
#include <sys/stat.h>
#include <sys/wait.h>

#define MADE_AT 1700000000000

struct fixture {
    char dir[64], store[96], copy[96], other[96];
};

static int setup(void **state) {
    struct fixture *f = calloc(1, sizeof *f);
    assert_non_null(f);
    help_dir_make(f->dir);
    (void)snprintf(f->store, sizeof f->store, "%s/store", f->dir);
    (void)snprintf(f->copy, sizeof f->copy, "%s/copy", f->dir);
    (void)snprintf(f->other, sizeof f->other, "%s/other", f->dir);
    *state = f;
    return 0;
}

static int teardown(void **state) {
    struct fixture *f = *state;
    help_dir_remove(f->dir);
    free(f);
    return 0;
}

/* --- helpers ------------------------------------------------------------------------------ */

static bool exists(const char *dir, const char *name) {
    char path[256];
    struct stat file;
    (void)snprintf(path, sizeof path, "%s%s", dir, name);
    return lstat(path, &file) == 0;
}

static void make_store(const char *dir, uint64_t events) {
    struct store *store = help_open(dir);
    if (events > 0) {
        assert_int_equal(help_commit_events(store, 1, events), PROTO_OK);
        assert_int_equal(help_commit_view(store, 1, events), PROTO_OK);
    }
    store_close(store);
}

static enum proto_error backup(const char *from, const char *to, struct store_identity *out,
                               struct proto_fault *fault) {
    struct store_options options = help_options(from);
    *fault = (struct proto_fault){0};
    return store_backup(&options, to, MADE_AT, out, fault);
}

/* The nth restore gives ids that no other gives. */
static struct store_options restore_options(const char *dir, uint64_t nth) {
    struct store_options options = help_options(dir);
    for (uint64_t i = 0; i < 3; i++)
        options.fresh_ids[i] = help_id(0xe00000 + 16 * nth + i);
    return options;
}

static enum proto_error restore(const char *from, const char *to, uint64_t nth, struct store_identity *was,
                                struct store_identity *out, struct proto_fault *fault) {
    struct store_options options = restore_options(to, nth);
    *fault = (struct proto_fault){0};
    return store_restore(&options, from, MADE_AT + 1, was, out, fault);
}

static struct store *open_to_read(const char *dir) {
    struct store_options options = help_options(dir);
    options.read_only = true;
    return help_open_with(&options);
}

/* Every event of the log is event n of help_event at seq n, and none is behind the last. */
static void check_events(struct store *store, uint64_t last) {
    struct store_kv_txn *txn;
    struct store_event found;
    assert_int_equal(store->log->ops->read_begin(store->log, &txn), PROTO_OK);
    for (uint64_t n = 1; n <= last; n++) {
        char body[64];
        struct store_event wanted = help_event(n, body);
        assert_int_equal(store_log_get_event(txn, n, &found), PROTO_OK);
        assert_memory_equal(&found.id, &wanted.id, sizeof found.id);
        assert_memory_equal(&found.via, &wanted.via, sizeof found.via);
        assert_memory_equal(found.nonce, wanted.nonce, sizeof found.nonce);
        assert_true(found.received_at == wanted.received_at);
        assert_true(help_bytes_are(found.body, wanted.body.data, wanted.body.size));
    }
    assert_int_equal(store_log_get_event(txn, last + 1, &found), PROTO_NOT_FOUND);
    store->log->ops->abort(txn);
}

static enum proto_error get_mark(struct store *store, const char *name, uint8_t *out, size_t *size) {
    struct store_kv_txn *txn;
    struct store_bytes value = {0};
    assert_int_equal(store->log->ops->read_begin(store->log, &txn), PROTO_OK);
    enum proto_error error = store->log->ops->get(txn, STORE_LOG_MARKS, store_bytes_of(name, strlen(name)), &value);
    if (error == PROTO_OK) {
        assert_true(value.size <= STORE_MARK_BYTES_MAX);
        memcpy(out, value.data, value.size);
        *size = value.size;
    }
    store->log->ops->abort(txn);
    return error;
}

static void check_restored_from(struct store *store, unsigned index, const struct store_identity *was) {
    uint8_t mark[STORE_MARK_BYTES_MAX];
    size_t size = 0;
    int64_t moment = 0;
    struct store_identity found = {0};
    assert_int_equal(get_mark(store, STORE_RESTORED_MARK, mark, &size), PROTO_OK);
    assert_int_equal(store_restored_decode(store_bytes_of(mark, size), index, &found, &moment), PROTO_OK);
    assert_memory_equal(&found.log, &was->log, sizeof found.log);
    assert_memory_equal(&found.node, &was->node, sizeof found.node);
    assert_memory_equal(found.chain, was->chain, sizeof found.chain);
    assert_true(found.log_seq == was->log_seq && moment == MADE_AT + 1);
}

/* Forks; the child ends by _exit, so that nothing of the test's runs twice, and not long after a test that failed. */
static pid_t begin_child(void) {
    (void)fflush(NULL);
    pid_t pid = fork();
    assert_true(pid >= 0);
    if (pid == 0)
        (void)alarm(120);
    return pid;
}

static int end_child(pid_t pid) {
    int status = 0;
    assert_int_equal(waitpid(pid, &status, 0), pid);
    return status;
}

/* --- backup ------------------------------------------------------------------------------- */

/* Commits one event after another until it is killed, and tells the number of each that was acknowledged. */
static void write_for_ever(const char *dir, int tell) {
    struct store_options options = help_options(dir);
    struct store *store = NULL;
    struct proto_fault fault = {0};
    if (store_open(&options, &store, &fault) != PROTO_OK)
        _exit(2);
    for (uint64_t n = 1;; n++)
        if (help_commit_events(store, n, n) != PROTO_OK || write(tell, &n, sizeof n) != sizeof n)
            _exit(3);
}

static uint64_t read_told(int told, uint64_t least) {
    uint64_t n = 0;
    while (n < least)
        assert_int_equal(read(told, &n, sizeof n), sizeof n);
    return n;
}

static void backup_while_it_is_written(void **state) {
    struct fixture *f = *state;
    struct store_identity made;
    struct proto_fault fault;
    int pipe_fds[2];
    assert_int_equal(pipe(pipe_fds), 0);
    pid_t writer = begin_child();
    if (writer == 0)
        write_for_ever(f->store, pipe_fds[1]);
    close(pipe_fds[1]);
    uint64_t before = 0, goal = 10;
    for (int round = 0; round < 6; round++, goal = before + 10) {
        char copy[128];
        (void)snprintf(copy, sizeof copy, "%s-%d", f->copy, round);
        before = read_told(pipe_fds[0], goal);
        if (backup(f->store, copy, &made, &fault) != PROTO_OK)
            fail_msg("%s", fault.message);
        assert_true(made.log_seq >= before);
        struct store *store = open_to_read(copy);
        struct store_identity found = help_identity(store);
        assert_memory_equal(&found.log, &made.log, sizeof found.log);
        assert_memory_equal(found.chain, made.chain, sizeof found.chain);
        assert_true(found.log_seq == made.log_seq);
        check_events(store, made.log_seq);
        store_close(store);
        before = made.log_seq;
    }
    assert_int_equal(kill(writer, SIGKILL), 0);
    assert_true(WIFSIGNALED(end_child(writer)));
    close(pipe_fds[0]);
    struct store *store = help_open(f->store); /* its lock was never anybody else's, and it is whole */
    assert_true(help_identity(store).log_seq >= before);
    help_check_chain(store);
    store_close(store);
}

static void backup_leaves_the_store_alone(void **state) {
    struct fixture *f = *state;
    struct store_identity made;
    struct proto_fault fault;
    make_store(f->store, 20);
    struct store *store = open_to_read(f->store);
    struct store_identity was = help_identity(store);
    store_close(store);
    char lock[128];
    (void)snprintf(lock, sizeof lock, "%s/lock", f->store);
    int held = open(lock, O_RDWR | O_CLOEXEC);
    assert_true(held >= 0 && flock(held, LOCK_EX | LOCK_NB) == 0); /* as a daemon holds it */
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    close(held);
    store = help_open(f->store);
    struct store_identity is = help_identity(store);
    assert_false(is.view_lost);
    assert_memory_equal(&is.log, &was.log, sizeof is.log);
    assert_memory_equal(&is.node, &made.node, sizeof is.node);
    assert_memory_equal(is.chain, made.chain, sizeof is.chain);
    assert_true(is.log_seq == 20 && is.view_seq == 20 && made.log_seq == 20);
    store_close(store);
}

static void backup_is_no_store(void **state) {
    struct fixture *f = *state;
    struct store_identity made;
    struct proto_fault fault;
    uint8_t mark[STORE_MARK_BYTES_MAX];
    size_t size = 0;
    make_store(f->store, 5);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    assert_false(exists(f->copy, ".new"));
    assert_false(exists(f->copy, "/log/lock.mdb"));
    struct store_options options = help_options(f->copy);
    struct store *store = NULL;
    assert_int_equal(store_open(&options, &store, &fault), PROTO_NOT_ALLOWED);
    assert_non_null(strstr(fault.message, "is a backup"));
    store = open_to_read(f->copy);
    assert_int_equal(get_mark(store, STORE_BACKUP_MARK, mark, &size), PROTO_OK);
    assert_int_equal(get_mark(store, "store.view", mark, &size), PROTO_NOT_FOUND);
    assert_int_equal(get_mark(store, "store.state", mark, &size), PROTO_NOT_FOUND);
    help_check_chain(store);
    store_close(store);
}

static void backup_of_nothing_written(void **state) {
    struct fixture *f = *state;
    struct store_identity made, was;
    struct proto_fault fault;
    make_store(f->store, 0);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    assert_int_equal(made.log_seq, 0);
    assert_int_equal(restore(f->copy, f->other, 1, &was, &made, &fault), PROTO_OK);
    struct store *store = help_open(f->other);
    assert_int_equal(help_identity(store).log_seq, 0);
    assert_int_equal(help_commit_events(store, 1, 3), PROTO_OK);
    help_check_chain(store);
    store_close(store);
}

static void backup_goes_to_its_own_place(void **state) {
    struct fixture *f = *state;
    struct store_identity made;
    struct proto_fault fault;
    char path[128];
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_NOT_FOUND);
    assert_false(exists(f->copy, ".new"));
    make_store(f->store, 5);
    assert_int_equal(backup(f->store, "", &made, &fault), PROTO_BAD_VALUE);
    assert_int_equal(mkdir(f->copy, 0700), 0);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK); /* an empty directory is no obstacle */
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_CONFLICT);
    assert_non_null(strstr(fault.message, "is there already"));
    (void)snprintf(path, sizeof path, "%s/none/copy", f->dir);
    assert_int_equal(backup(f->store, path, &made, &fault), PROTO_BROKEN);
    (void)snprintf(path, sizeof path, "%s//", f->other);
    assert_int_equal(backup(f->store, path, &made, &fault), PROTO_OK);
    assert_true(exists(f->other, "/log/data.mdb"));
}

/* Left by a backup that was killed: taken over. Held by one that runs: left alone. */
static void backup_beside_another(void **state) {
    struct fixture *f = *state;
    struct store_identity made;
    struct proto_fault fault;
    char aside[128], file[160];
    make_store(f->store, 5);
    (void)snprintf(aside, sizeof aside, "%s.new", f->copy);
    assert_int_equal(mkdir(aside, 0700), 0);
    (void)snprintf(file, sizeof file, "%s/log", aside);
    assert_int_equal(mkdir(file, 0700), 0);
    (void)snprintf(file, sizeof file, "%s/log/data.mdb", aside);
    int fd = open(file, O_WRONLY | O_CREAT | O_CLOEXEC, 0600);
    assert_true(fd >= 0 && write(fd, "half", 4) == 4 && close(fd) == 0);
    int held = open(aside, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    assert_true(held >= 0 && flock(held, LOCK_EX | LOCK_NB) == 0);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_IN_USE);
    assert_true(exists(aside, "/log/data.mdb") && !exists(f->copy, ""));
    close(held);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    assert_false(exists(aside, ""));
    assert_int_equal(made.log_seq, 5);
}

/* With the file size limited, for all limits: whole or not at all, and one sentence. In a child: limits are for life. */
static int run_out_of_room(const struct fixture *f, bool restoring) {
    struct store_identity made, was;
    struct proto_fault fault;
    int refused = 0;
    (void)signal(SIGXFSZ, SIG_IGN);
    for (rlim_t limit = 4096;; limit += 8192) {
        const struct rlimit room = {.rlim_cur = limit, .rlim_max = RLIM_INFINITY};
        if (setrlimit(RLIMIT_FSIZE, &room) != 0)
            return 2;
        const char *to = restoring ? f->other : f->copy;
        enum proto_error error =
            restoring ? restore(f->copy, to, 1, &was, &made, &fault) : backup(f->store, to, &made, &fault);
        if (error == PROTO_OK)
            return refused > 3 && made.log_seq == 500 ? 0 : 3;
        if (error != PROTO_FULL || !strstr(fault.message, "no room") || exists(to, "") || exists(to, ".new")) {
            (void)fprintf(stderr, "limit %llu: %s: %s\n", (unsigned long long)limit, proto_error_code(error),
                          fault.message);
            return 4;
        }
        refused++;
    }
}

static void no_room(void **state) {
    struct fixture *f = *state;
    make_store(f->store, 500);
    for (int restoring = 0; restoring < 2; restoring++) {
        pid_t child = begin_child();
        if (child == 0)
            _exit(run_out_of_room(f, restoring));
        int status = end_child(child);
        assert_true(WIFEXITED(status));
        assert_int_equal(WEXITSTATUS(status), 0);
    }
    struct store *store = help_open(f->other);
    check_events(store, 500);
    store_close(store);
}

/* A backup that is killed keeps its place among the readers: the writer takes it back. */
static unsigned readers_of(const char *log) {
    MDB_env *env;
    MDB_txn *txn;
    MDB_envinfo info;
    assert_int_equal(mdb_env_create(&env), 0);
    assert_int_equal(mdb_env_open(env, log, MDB_RDONLY | MDB_NOTLS, 0600), 0);
    assert_int_equal(mdb_txn_begin(env, NULL, MDB_RDONLY, &txn), 0); /* takes the first free place */
    assert_int_equal(mdb_env_info(env, &info), 0);
    return info.me_numreaders;
}

static void killed_reader_is_forgotten(void **state) {
    struct fixture *f = *state;
    char log[128];
    int ready[2];
    (void)snprintf(log, sizeof log, "%s/log", f->store);
    struct store *store = help_open(f->store);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(pipe(ready), 0);
        pid_t reader = begin_child();
        if (reader == 0) {
            unsigned readers = readers_of(log);
            _exit(write(ready[1], &readers, sizeof readers) == sizeof readers && pause() ? 0 : 1);
        }
        unsigned places = 0;
        assert_int_equal(read(ready[0], &places, sizeof places), sizeof places);
        assert_int_equal(places, 1); /* the one before us is gone, or there would be two */
        assert_int_equal(kill(reader, SIGKILL), 0);
        assert_true(WIFSIGNALED(end_child(reader)));
        for (uint64_t n = 1; n <= 64; n++)
            assert_int_equal(help_commit_events(store, (uint64_t)i * 64 + n, (uint64_t)i * 64 + n), PROTO_OK);
        close(ready[0]);
        close(ready[1]);
    }
    store_close(store);
}

/* --- restore ------------------------------------------------------------------------------ */

static void restored_store(void **state) {
    struct fixture *f = *state;
    struct store_identity old, was, made;
    struct proto_fault fault;
    uint8_t mark[STORE_MARK_BYTES_MAX];
    size_t size = 0;
    struct store_log *log;
    make_store(f->store, 5000); /* more than one transaction's worth */
    struct store *store = help_open(f->store);
    assert_int_equal(store_log_begin(store, &log), PROTO_OK);
    assert_int_equal(store_log_mark_put(log, "of.others", "kept", 4), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    store_close(store);
    assert_int_equal(backup(f->store, f->copy, &old, &fault), PROTO_OK);
    if (restore(f->copy, f->other, 1, &was, &made, &fault) != PROTO_OK)
        fail_msg("%s", fault.message);
    assert_memory_equal(&was.log, &old.log, sizeof was.log);
    assert_memory_equal(was.chain, old.chain, sizeof was.chain);
    assert_true(was.log_seq == old.log_seq);
    assert_false(exists(f->other, "/restore.new"));
    store = help_open(f->other);
    struct store_identity is = help_identity(store);
    struct store_options options = restore_options(f->other, 1);
    assert_memory_equal(&is.node, &options.fresh_ids[0], sizeof is.node);
    assert_memory_equal(&is.log, &options.fresh_ids[1], sizeof is.log);
    assert_true(memcmp(is.chain, old.chain, sizeof is.chain) != 0);
    assert_memory_equal(is.chain, made.chain, sizeof is.chain);
    assert_true(is.view_lost && is.log_seq == 5000 && is.view_seq == 0);
    help_check_chain(store);
    check_events(store, 5000);
    check_restored_from(store, 0, &old);
    assert_int_equal(get_mark(store, "of.others", mark, &size), PROTO_OK);
    assert_memory_equal(mark, "kept", size);
    assert_int_equal(get_mark(store, STORE_BACKUP_MARK, mark, &size), PROTO_NOT_FOUND);
    assert_int_equal(help_commit_events(store, 5001, 5010), PROTO_OK); /* and it goes on */
    help_check_chain(store);
    store_close(store);
}

static void restored_again(void **state) {
    struct fixture *f = *state;
    struct store_identity first, second, was, made;
    struct proto_fault fault;
    char third[128], copy[128];
    make_store(f->store, 30);
    assert_int_equal(backup(f->store, f->copy, &first, &fault), PROTO_OK);
    assert_int_equal(restore(f->copy, f->other, 1, &was, &second, &fault), PROTO_OK);
    (void)snprintf(copy, sizeof copy, "%s2", f->copy);
    (void)snprintf(third, sizeof third, "%s2", f->other);
    assert_int_equal(backup(f->other, copy, &made, &fault), PROTO_OK);
    assert_int_equal(restore(copy, third, 2, &was, &made, &fault), PROTO_OK);
    struct store *store = help_open(third);
    check_events(store, 30);
    check_restored_from(store, 0, &second);
    check_restored_from(store, 1, &first);
    store_close(store);
}

static void restore_takes_no_place_that_is_taken(void **state) {
    struct fixture *f = *state;
    struct store_identity was, made;
    struct proto_fault fault;
    make_store(f->store, 5);
    assert_int_equal(restore(f->copy, f->other, 1, &was, &made, &fault), PROTO_NOT_FOUND);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    assert_int_equal(restore(f->copy, f->store, 1, &was, &made, &fault), PROTO_CONFLICT);
    struct store *store = help_open(f->store);
    struct store_identity is = help_identity(store);
    assert_false(is.view_lost);
    assert_memory_equal(&is.log, &made.log, sizeof is.log);
    assert_int_equal(restore(f->copy, f->store, 1, &was, &made, &fault), PROTO_CONFLICT);
    assert_int_equal(restore(f->store, f->other, 1, &was, &made, &fault), PROTO_IN_USE); /* not from one that is open */
    store_close(store);
    assert_int_equal(restore(f->store, f->other, 1, &was, &made, &fault), PROTO_OK);
    struct store_options same = help_options(f->dir); /* the ids of the old store: two logs of one name */
    assert_int_equal(store_restore(&same, f->copy, MADE_AT, &was, &made, &fault), PROTO_CONFLICT);
}

/* A restore that was cut off: the daemon does not start there with an empty caseload, and the next restore takes over. */
static void restore_cut_off(void **state) {
    struct fixture *f = *state;
    struct store_identity was, made;
    struct proto_fault fault;
    char path[160];
    make_store(f->store, 5);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    assert_int_equal(mkdir(f->other, 0700), 0);
    (void)snprintf(path, sizeof path, "%s/restore.new", f->other);
    assert_int_equal(mkdir(path, 0700), 0);
    struct store_options options = help_options(f->other);
    struct store *store = NULL;
    assert_int_equal(store_open(&options, &store, &fault), PROTO_CORRUPT);
    assert_non_null(strstr(fault.message, "restore"));
    assert_int_equal(restore(f->copy, f->other, 1, &was, &made, &fault), PROTO_OK);
    assert_int_equal(mkdir(path, 0700), 0); /* cut off after the log was in place */
    store = help_open(f->other);
    assert_false(exists(path, ""));
    check_events(store, 5);
    store_close(store);
}

/* For every 499th byte turned over: a restore says so, or makes the very same events; and it leaves nothing it does not vouch for. */
static void damaged_backup(void **state) {
    struct fixture *f = *state;
    struct store_identity was, made;
    struct proto_fault fault;
    char path[160];
    unsigned refused = 0, made_whole = 0;
    make_store(f->store, 60);
    assert_int_equal(backup(f->store, f->copy, &made, &fault), PROTO_OK);
    (void)snprintf(path, sizeof path, "%s/log/data.mdb", f->copy);
    int fd = open(path, O_RDWR | O_CLOEXEC);
    struct stat file;
    assert_true(fd >= 0 && fstat(fd, &file) == 0);
    for (off_t at = 2 * 4096; at < file.st_size; at += 499) {
        uint8_t byte, turned;
        assert_int_equal(pread(fd, &byte, 1, at), 1);
        turned = (uint8_t)(byte ^ 0x10);
        assert_int_equal(pwrite(fd, &turned, 1, at), 1);
        if (restore(f->copy, f->other, 1, &was, &made, &fault) == PROTO_OK) {
            struct store *store = help_open(f->other);
            check_events(store, 60);
            store_close(store);
            help_dir_remove(f->other);
            made_whole++;
        } else {
            assert_true(fault.message[0] != '\0' && !exists(f->other, ""));
            refused++;
        }
        assert_int_equal(pwrite(fd, &byte, 1, at), 1);
    }
    close(fd);
    assert_true(refused > 10 && made_whole > 0); /* some bytes are nobody's */
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(backup_while_it_is_written, setup, teardown),
        cmocka_unit_test_setup_teardown(backup_leaves_the_store_alone, setup, teardown),
        cmocka_unit_test_setup_teardown(backup_is_no_store, setup, teardown),
        cmocka_unit_test_setup_teardown(backup_of_nothing_written, setup, teardown),
        cmocka_unit_test_setup_teardown(backup_goes_to_its_own_place, setup, teardown),
        cmocka_unit_test_setup_teardown(backup_beside_another, setup, teardown),
        cmocka_unit_test_setup_teardown(no_room, setup, teardown),
        cmocka_unit_test_setup_teardown(killed_reader_is_forgotten, setup, teardown),
        cmocka_unit_test_setup_teardown(restored_store, setup, teardown),
        cmocka_unit_test_setup_teardown(restored_again, setup, teardown),
        cmocka_unit_test_setup_teardown(restore_takes_no_place_that_is_taken, setup, teardown),
        cmocka_unit_test_setup_teardown(restore_cut_off, setup, teardown),
        cmocka_unit_test_setup_teardown(damaged_backup, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
