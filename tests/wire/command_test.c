/*
 * command_test.c - betonyd as a command: what it refuses, with which sentence and exit code.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>
#include <cmocka.h>

#include "support/wire.h"

static char dir[64];

struct refusal {
    const char *arguments[10];
    int code;
    const char *says;
};

static void expect(const struct refusal *refusal) {
    char out[2048];
    int code = wire_run(refusal->arguments, out, sizeof out);
    if (code != refusal->code || !strstr(out, refusal->says))
        fail_msg("exit %d, not %d; \"%s\" is not in: %s", code, refusal->code, refusal->says, out);
    size_t lines = 0;
    for (const char *c = out; *c; c++)
        lines += *c == '\n';
    assert_int_equal(lines, 1); /* one clear line */
}

static void test_usage(void **state) {
    (void)state;
    const struct refusal all[] = {
        {{NULL}, EX_USAGE, "Say what to do"},
        {{"walk", NULL}, EX_USAGE, "\"walk\""},
        {{"run", NULL}, EX_USAGE, "--store DIR"},
        {{"run", "--store", NULL}, EX_USAGE, "--store needs a value"},
        {{"run", "--stor", dir, "--lisp", NULL}, EX_USAGE, "--lisp"},
        {{"run", "--store", dir, "more", NULL}, EX_USAGE, "\"more\""},
        {{"run", "--store", dir, "--workers", "0", NULL}, EX_USAGE, "1 to 64"},
        {{"--store", dir, NULL}, EX_USAGE, "Say what to do first"},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", NULL}, EX_USAGE, "Say whose children"},
        {{"run", "--store", dir, "--teams", "mill-lane", NULL}, EX_USAGE, "no upstream"},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", "--teams", "Mill", NULL}, EX_USAGE, "not \"Mill\""},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", "--teams", "a,*", NULL}, EX_USAGE, "not \"*\""},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", "--teams", "a,", NULL}, EX_USAGE, "not \"\""},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", "--teams", "a, b ,a", NULL}, EX_USAGE, "a twice"},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:1", "--teams", "a,b,c,d,e,f,g,h,i,j,k,l,m,n,o,p,q", NULL},
         EX_USAGE,
         "16 names at most"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
        expect(&all[i]);
}

static void test_addresses(void **state) {
    (void)state;
    const struct refusal all[] = {
        {{"run", "--store", dir, "--listen", "0.0.0.0:0", NULL}, EX_CONFIG, "not a loopback address"},
        {{"run", "--store", dir, "--listen", "192.0.2.1:7811", NULL}, EX_CONFIG, "not a loopback address"},
        {{"run", "--store", dir, "--listen", "[::]:0", NULL}, EX_CONFIG, "not a loopback address"},
        {{"run", "--store", dir, "--listen", "7811", NULL}, EX_CONFIG, "host:port"},
        {{"run", "--store", dir, "--listen", "127.0.0.1:99999", NULL}, EX_CONFIG, "host:port"},
        {{"run", "--store", dir, "--listen", "here:1", NULL}, EX_CONFIG, "numeric"},
        {{"run", "--store", dir, "--upstream", "192.0.2.1:7811", "--teams", "a", NULL},
         EX_CONFIG,
         "not a loopback address"},
        {{"run", "--store", dir, "--upstream", "7811", "--teams", "a", NULL}, EX_CONFIG, "host:port"},
        {{"run", "--store", dir, "--upstream", "127.0.0.1:0", "--teams", "a", NULL}, EX_CONFIG, "host:port"},
        {{"run", "--store", dir, "--listen", "none", "--socket",
          "/tmp/"
          "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
          "aaaaa",
          NULL},
         EX_CONFIG,
         "107 bytes"},
        {{"run", "--store", dir, "--listen", "none", "--socket", "/etc/hostname", NULL}, EX_TEMPFAIL, "not a socket"},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
        expect(&all[i]);
}

static void write_file(const char *path, const char *text) {
    FILE *file = fopen(path, "we");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

static void test_configuration(void **state) {
    (void)state;
    char path[96];
    (void)snprintf(path, sizeof path, "%s/conf", dir);
    const struct {
        const char *text, *says;
    } all[] = {
        {"[betonyd]\nstoer=/x\n", "stoer"},
        {"[betony]\nstore=/x\n", "[betony]"},
        {"store=/x\n", "Cannot read"},
        {"[betonyd]\nworkers=many\n", "workers"},
        {"[betonyd]\nidle-seconds=0\n", "idle-seconds"},
        {"[betonyd]\nlisten=\n", "listen"},
        {"[betonyd]\nupstream=127.0.0.1:1\n", "Say whose children"},
        {"[betonyd]\nteams=mill-lane\n", "no upstream"},
        {"[betonyd]\nupstream=127.0.0.1:1\nteams=mill lane\n", "not \"mill lane\""},
    };
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        write_file(path, all[i].text);
        expect(&(struct refusal){{"run", "--store", dir, "--config", path, NULL}, EX_CONFIG, all[i].says});
    }
    expect(&(struct refusal){{"run", "--store", dir, "--config", "/nowhere/conf", NULL}, EX_CONFIG, "/nowhere/conf"});
}

static void test_the_command_line_is_stronger(void **state) {
    (void)state;
    char path[96], text[256];
    struct wire_daemon daemon = {0};
    struct wire_peer peer;
    (void)snprintf(path, sizeof path, "%s/conf", dir);
    (void)snprintf(text, sizeof text, "[betonyd]\nstore=/nowhere/at/all\nlisten=127.0.0.1:1\nworkers=2\n");
    write_file(path, text);
    wire_daemon_start(&daemon, (const char *const[]){"--config", path, NULL});
    wire_connect_tcp(&peer, daemon.port);
    json_decref(wire_call(&peer, "ping", NULL));
    wire_close(&peer);
    assert_int_equal(wire_daemon_stop(&daemon), 0);
    wire_daemon_end(&daemon);
}

static void test_one_store_one_daemon(void **state) {
    (void)state;
    struct wire_daemon daemon = {0};
    struct stat info;
    wire_daemon_start(&daemon, NULL);
    assert_int_equal(stat(daemon.socket, &info), 0);
    assert_int_equal(info.st_mode & 0777, 0600);
    expect(&(struct refusal){
        {"run", "--store", daemon.dir, "--listen", "none", "--socket", "none", NULL}, EX_TEMPFAIL, daemon.dir});
    expect(&(struct refusal){{"verify", "--store", daemon.dir, NULL}, 1, daemon.dir});
    /* a socket that somebody listens on is not taken away */
    expect(&(struct refusal){
        {"run", "--store", dir, "--listen", "none", "--socket", daemon.socket, NULL}, EX_TEMPFAIL, "Another server"});
    /* a socket that a killed daemon left is */
    wire_daemon_kill(&daemon);
    assert_int_equal(stat(daemon.socket, &info), 0);
    wire_daemon_start(&daemon, NULL);
    assert_int_equal(wire_daemon_stop(&daemon), 0);
    assert_int_not_equal(stat(daemon.socket, &info), 0);
    wire_daemon_end(&daemon);
}

static void test_version_and_help(void **state) {
    (void)state;
    char out[4096];
    const char *version[] = {"--version", NULL}, *help[] = {"run", "--help", NULL};
    assert_int_equal(wire_run(version, out, sizeof out), 0);
    assert_string_equal(out, "betonyd " BETONY_VERSION "\n");
    assert_int_equal(wire_run(help, out, sizeof out), 0);
    assert_non_null(strstr(out, "--listen HOST:PORT"));
    assert_non_null(strstr(out, "does not replace clinical judgement"));
}

static int make_dir(void **state) {
    (void)state;
    memcpy(dir, "/tmp/betony-command-XXXXXX", sizeof "/tmp/betony-command-XXXXXX");
    return mkdtemp(dir) ? 0 : -1;
}

static int remove_dir(void **state) {
    (void)state;
    struct wire_daemon daemon = {0};
    memcpy(daemon.dir, dir, sizeof daemon.dir);
    wire_daemon_end(&daemon);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_usage),
        cmocka_unit_test(test_addresses),
        cmocka_unit_test(test_configuration),
        cmocka_unit_test(test_the_command_line_is_stronger),
        cmocka_unit_test(test_one_store_one_daemon),
        cmocka_unit_test(test_version_and_help),
    };
    return cmocka_run_group_tests(tests, make_dir, remove_dir);
}
