/*
 * client_daemon_test.c - libbetony against the real daemon: calls, errors, many at once, and a daemon that is killed.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#include <betony.h>

#define START_MS 60000

extern char **environ;

static struct {
    char directory[64], store[96], socket[96], where[112];
    pid_t pid;
    struct betony *b;
    char patient[BETONY_ID_TEXT_SIZE];
} world;

static int64_t now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* Reads what the daemon says until it says that it is ready. */
static bool wait_ready(int fd) {
    char said[4096] = "";
    size_t size = 0;
    int64_t deadline = now_ms() + START_MS;
    while (size < sizeof said - 1 && !strstr(said, "ready")) {
        struct pollfd readable = {.fd = fd, .events = POLLIN};
        int64_t left = deadline - now_ms();
        if (left <= 0 || poll(&readable, 1, (int)left) <= 0)
            return false;
        ssize_t got = read(fd, said + size, sizeof said - 1 - size);
        if (got <= 0)
            return false;
        size += (size_t)got;
        said[size] = '\0';
    }
    return strstr(said, "ready") != NULL;
}

static void daemon_start(void) {
    char program[] = BETONY_BUILD_DIR "/bin/betonyd", run[] = "run", store[] = "--store", socket[] = "--socket",
         listen[] = "--listen", nowhere[] = "127.0.0.1:0";
    char *arguments[] = {program, run, store, world.store, socket, world.socket, listen, nowhere, NULL};
    int ends[2];
    assert_int_equal(pipe(ends), 0);
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_adddup2(&actions, ends[1], 2);
    posix_spawn_file_actions_addclose(&actions, ends[0]);
    assert_int_equal(posix_spawn(&world.pid, program, &actions, NULL, arguments, environ), 0);
    posix_spawn_file_actions_destroy(&actions);
    close(ends[1]);
    assert_true(wait_ready(ends[0]));
    /* the pipe stays open, so that a word of the daemon later finds a reader; the process ends with the test */
    (void)fcntl(ends[0], F_SETFD, FD_CLOEXEC);
}

static int daemon_end(int signal) {
    int status = 0;
    kill(world.pid, signal);
    waitpid(world.pid, &status, 0);
    world.pid = 0;
    return status;
}

static struct betony_event *event_of_child(const char *kind, int64_t at_ms) {
    struct betony_event *event = betony_event_new(kind, at_ms);
    assert_non_null(event);
    betony_event_set(event, "patient", world.patient);
    return event;
}

static void record_one(struct betony_event *event) {
    enum betony_error error = betony_record(world.b, &event, 1, NULL, NULL);
    if (error != BETONY_OK)
        print_error("%s\n", betony_last_fault(world.b)->message);
    assert_int_equal(error, BETONY_OK);
    betony_event_free(event);
}

/* A child with a balloon device of three months and a mature stoma. */
static void register_child(void) {
    int64_t at_ms = now_ms() - 30 * INT64_C(86400000);
    betony_id_make(world.b, world.patient);
    struct betony_event *event = event_of_child("patient.registered", at_ms);
    struct betony_map *body = betony_event_body(event);
    betony_map_text(body, "label", "HM-9001");
    betony_map_text(body, "born", "2020-02-29");
    betony_map_text(body, "zone", "Europe/London");
    betony_map_text(body, "team", "mill-lane");
    record_one(event);
    event = event_of_child("device.placed", at_ms + 60000);
    body = betony_event_body(event);
    betony_map_text(body, "retention", "balloon");
    betony_map_text(body, "profile", "low");
    betony_map_text(body, "tip", "stomach");
    betony_map_amount(body, "french_fr", 1400);
    betony_map_amount(body, "balloon_ml", 500);
    betony_map_text(body, "why", "transfer-in");
    betony_map_text(body, "place", "hospital");
    betony_map_text(body, "placed_by", "surgeon");
    betony_map_text(body, "position", "theatre");
    record_one(event);
}

static int world_open(void **state) {
    (void)state;
    signal(SIGPIPE, SIG_DFL); /* the library must not need it ignored */
    strcpy(world.directory, "/tmp/betony-wire.XXXXXX");
    if (!mkdtemp(world.directory))
        return -1;
    snprintf(world.store, sizeof world.store, "%s/store", world.directory);
    snprintf(world.socket, sizeof world.socket, "%s/s", world.directory);
    snprintf(world.where, sizeof world.where, "unix:%s", world.socket);
    daemon_start();
    world.b = betony_new();
    if (!world.b || betony_connect(world.b, world.where) != BETONY_OK)
        return -1;
    register_child();
    return 0;
}

static int world_close(void **state) {
    (void)state;
    char command[128];
    betony_free(world.b);
    if (world.pid > 0)
        daemon_end(SIGTERM);
    snprintf(command, sizeof command, "rm -rf '%s'", world.directory);
    return system(command) == 0 ? 0 : -1;
}

static struct betony_event *check(int64_t withdrawn_ml) {
    struct betony_event *event = event_of_child("balloon.checked", now_ms() - 1000);
    struct betony_map *body = betony_event_body(event);
    betony_event_set(event, "done_by", "nurse");
    betony_map_amount(body, "withdrawn_ml", withdrawn_ml);
    betony_map_amount(body, "filled_ml", 500);
    betony_map_text(body, "fluid", "sterile-water");
    return event;
}

static void test_hello(void **state) {
    (void)state;
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_hello(world.b, &answer), BETONY_OK);
    const struct betony_value *result = betony_answer_result(answer);
    assert_int_equal(strlen(betony_value_text(betony_value_get(result, "node"), "")), 36);
    assert_int_equal(betony_value_int(betony_value_get(result, "protocol"), 0), 1);
    assert_true(llabs(betony_value_int(betony_value_get(result, "now"), 0) - now_ms()) < 60000);
    betony_answer_free(answer);
}

/* Every method answers something that can be read. */
static void test_every_method(void **state) {
    (void)state;
    static const char *const methods[] = {"ping",  "kinds",    "rules",   "due",  "alerts",
                                          "tally", "patients", "devices", "stats"};
    for (size_t i = 0; i < sizeof methods / sizeof methods[0]; i++) {
        struct betony_answer *answer = NULL;
        assert_int_equal(betony_call(world.b, methods[i], NULL, &answer), BETONY_OK);
        assert_int_equal(betony_value_type(betony_answer_result(answer)), BETONY_MAP);
        assert_true(betony_value_count(betony_answer_result(answer)) > 0);
        betony_answer_free(answer);
    }
}

/* 4.4 of 5 mL: more than 0.5 mL missing (SickKids Connected Care, changing balloon G tubes). */
static void test_what_follows(void **state) {
    (void)state;
    struct betony_event *event = check(440);
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_record(world.b, &event, 1, "opened", &answer), BETONY_OK);
    const struct betony_value *opened = betony_value_get(betony_answer_result(answer), "opened");
    assert_true(betony_value_count(opened) >= 1);
    assert_string_equal(betony_value_text(betony_value_get(betony_value_at(opened, 0), "name"), "?"), "balloon-low");
    assert_non_null(betony_value_text(betony_value_get(betony_value_at(opened, 0), "next_step"), NULL));
    betony_answer_free(answer);
    /* the same event again is known, and still says what rests on it */
    assert_int_equal(betony_record(world.b, &event, 1, NULL, &answer), BETONY_OK);
    const struct betony_value *result = betony_answer_result(answer);
    assert_int_equal(betony_value_count(betony_value_get(result, "repeated")), 1);
    assert_string_equal(betony_value_text(betony_value_at(betony_value_get(result, "repeated"), 0), "?"),
                        betony_event_id(event));
    assert_true(betony_value_count(betony_value_get(result, "opened")) >= 1);
    betony_answer_free(answer);
    betony_event_free(event);
    assert_int_equal(betony_patient(world.b, world.patient, NULL, NULL, &answer), BETONY_OK);
    assert_string_equal(betony_value_text(betony_value_get(betony_answer_result(answer), "label"), "?"), "HM-9001");
    betony_answer_free(answer);
}

static void test_errors(void **state) {
    (void)state;
    struct betony_event *events[2] = {check(500), check(500)};
    betony_map_text(betony_event_body(events[1]), "look", "murky");
    assert_int_equal(betony_record(world.b, events, 2, NULL, NULL), BETONY_BAD_VALUE);
    assert_int_equal(betony_last_fault(world.b)->event_index, 1);
    assert_string_equal(betony_last_fault(world.b)->field, "look");
    betony_event_free(events[1]);
    events[1] = betony_event_new("balloon.chekked", now_ms());
    assert_int_equal(betony_record(world.b, events, 2, NULL, NULL), BETONY_UNKNOWN_KIND);
    betony_event_free(events[0]);
    betony_event_free(events[1]);
    struct betony_event *future = event_of_child("note.written", now_ms() + 600000);
    betony_map_text(betony_event_body(future), "text", "x");
    assert_int_equal(betony_record(world.b, &future, 1, NULL, NULL), BETONY_FUTURE_TIME);
    betony_event_free(future);
    assert_int_equal(betony_call(world.b, "frob", NULL, NULL), BETONY_UNKNOWN_METHOD);
    assert_int_equal(betony_patient(world.b, "017f22e2-79b0-7cc3-98c4-dc0c0c07398f", NULL, NULL, NULL),
                     BETONY_UNKNOWN_PATIENT);
    assert_int_equal(betony_ping(world.b, NULL), BETONY_OK);
}

#define MANY 200

static void test_many_at_once(void **state) {
    (void)state;
    uint32_t tickets[MANY];
    bool answered[MANY] = {false};
    for (int i = 0; i < MANY; i++) {
        struct betony_event *event = event_of_child("note.written", now_ms() - 2000);
        betony_map_text(betony_event_body(event), "text", "one of many");
        assert_int_equal(betony_send_record(world.b, &event, 1, "none", &tickets[i]), BETONY_OK);
        betony_event_free(event);
    }
    for (int i = 0; i < MANY; i++) {
        uint32_t ticket = 0;
        assert_int_equal(betony_receive(world.b, &ticket, NULL), BETONY_OK);
        for (int k = 0; k < MANY; k++)
            if (tickets[k] == ticket)
                answered[k] = true;
    }
    for (int i = 0; i < MANY; i++)
        assert_true(answered[i]);
}

/* The daemon is killed between two calls: reading goes on by itself, and an event that was stored is known again. */
static void test_killed_daemon(void **state) {
    (void)state;
    struct betony_event *event = check(480);
    assert_int_equal(betony_record(world.b, &event, 1, NULL, NULL), BETONY_OK);
    daemon_end(SIGKILL);
    betony_set_timeouts_ms(world.b, 1000, 3000);
    assert_int_equal(betony_ping(world.b, NULL), BETONY_UNREACHABLE);
    daemon_start();
    betony_set_timeouts_ms(world.b, 5000, 30000);
    struct betony_answer *answer = NULL;
    enum betony_error error;
    do /* after a kill the view may be rebuilt first */
        error = betony_record(world.b, &event, 1, NULL, &answer);
    while (error == BETONY_REBUILDING);
    assert_int_equal(error, BETONY_OK);
    assert_int_equal(betony_value_count(betony_value_get(betony_answer_result(answer), "repeated")), 1);
    betony_answer_free(answer);
    betony_event_free(event);
    assert_int_equal(betony_ping(world.b, NULL), BETONY_OK);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_hello),  cmocka_unit_test(test_every_method), cmocka_unit_test(test_what_follows),
        cmocka_unit_test(test_errors), cmocka_unit_test(test_many_at_once), cmocka_unit_test(test_killed_daemon),
    };
    return cmocka_run_group_tests(tests, world_open, world_close);
}
