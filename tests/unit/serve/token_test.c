/*
 * token_test.c - page tokens: what was written is read back for the same query and for no other, and nothing hostile is taken.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

#include "serve/internal.h"

static struct serve_request request(struct proto_writer *w) {
    struct serve_request r = {.method = PROTO_METHOD_due, .now = 5000, .w = w};
    return r;
}

/* Writes a token and gives back its text. */
static struct proto_slice written(struct serve_request *r, const struct serve_token *token, uint8_t *memory,
                                  size_t cap) {
    proto_writer_init(r->w, memory, cap);
    serve_token_write(r, token);
    assert_int_equal(r->w->error, PROTO_OK);
    size_t head = memory[0] == 0xd9 ? 2 : memory[0] == 0xda ? 3 : 1;
    return (struct proto_slice){(const char *)memory + head, (uint32_t)(r->w->size - head)};
}

static enum proto_error read_back(struct serve_request *r, struct proto_slice text, struct serve_token *token) {
    struct proto_value after = {.present = true, .type = PROTO_TYPE_TEXT, .text = text};
    bool has = false;
    memset(&r->fault, 0, sizeof r->fault);
    enum proto_error error = serve_token_read(r, &after, token, &has);
    assert_true(has);
    assert_int_equal(r->fault.code, error);
    if (error != PROTO_OK) {
        assert_int_equal(error, PROTO_BAD_VALUE);
        assert_string_equal(r->fault.field, "after");
    }
    return error;
}

static void test_there_and_back(void **state) {
    (void)state;
    uint8_t memory[512];
    struct proto_writer w;
    struct serve_request r = request(&w);
    for (size_t size = 0; size <= STORE_KEY_BYTES_MAX; size++) {
        struct serve_token token = {
            .phase = (uint8_t)(size % 5), .now = 1770000000000 + (int64_t)size, .position_size = size};
        struct serve_token again = {0};
        for (size_t i = 0; i < size; i++)
            token.position[i] = (uint8_t)(i * 37 + size);
        struct proto_slice text = written(&r, &token, memory, sizeof memory);
        assert_true(text.size <= SERVE_TOKEN_TEXT_MAX);
        assert_int_equal(read_back(&r, text, &again), PROTO_OK);
        assert_int_equal(again.phase, token.phase);
        assert_int_equal(again.now, token.now);
        assert_int_equal(again.position_size, size);
        assert_memory_equal(again.position, token.position, size);
    }
}

static void test_absent(void **state) {
    (void)state;
    struct proto_writer w;
    struct serve_request r = request(&w);
    struct proto_value after = {0};
    struct serve_token token;
    bool has = true;
    assert_int_equal(serve_token_read(&r, &after, &token, &has), PROTO_OK);
    assert_false(has);
}

static void test_every_other_query_refuses_it(void **state) {
    (void)state;
    uint8_t memory[512];
    struct proto_writer w;
    struct serve_token token = {.now = 1770000000000, .position_size = 20}, again;
    struct serve_request r = request(&w);
    *SERVE_VALUE(&r, due, tasks) = (struct proto_value){.present = true, .type = PROTO_TYPE_NAMES, .set = 3, .n = 2};
    struct proto_slice text = written(&r, &token, memory, sizeof memory);
    assert_int_equal(read_back(&r, text, &again), PROTO_OK);
    *SERVE_VALUE(&r, due, limit) = (struct proto_value){.present = true, .type = PROTO_TYPE_INT, .n = 7};
    assert_int_equal(read_back(&r, text, &again), PROTO_OK); /* a page may have another length */
    SERVE_VALUE(&r, due, tasks)->set = 5;
    assert_int_equal(read_back(&r, text, &again), PROTO_BAD_VALUE);
    SERVE_VALUE(&r, due, tasks)->set = 3;
    *SERVE_VALUE(&r, due, before) = (struct proto_value){.present = true, .type = PROTO_TYPE_TIME, .n = 1};
    assert_int_equal(read_back(&r, text, &again), PROTO_BAD_VALUE);
    *SERVE_VALUE(&r, due, before) = (struct proto_value){0};
    assert_int_equal(read_back(&r, text, &again), PROTO_OK);
    r.method = PROTO_METHOD_alerts;
    assert_int_equal(read_back(&r, text, &again), PROTO_BAD_VALUE);
}

static void test_hostile(void **state) {
    (void)state;
    uint8_t memory[512];
    char text[SERVE_TOKEN_TEXT_MAX + 8];
    struct proto_writer w;
    struct serve_request r = request(&w);
    struct serve_token token = {.now = 1770000000000, .position_size = 40}, again;
    struct proto_slice good = written(&r, &token, memory, sizeof memory);
    /* every single character changed */
    for (uint32_t i = 0; i < good.size; i++) {
        memcpy(text, good.data, good.size);
        text[i] = text[i] == 'A' ? 'B' : 'A';
        assert_int_equal(read_back(&r, (struct proto_slice){text, good.size}, &again), PROTO_BAD_VALUE);
    }
    /* every length but its own */
    memcpy(text, good.data, good.size);
    text[good.size] = 'A';
    for (uint32_t size = 1; size <= good.size + 1; size++)
        if (size != good.size)
            assert_int_equal(read_back(&r, (struct proto_slice){text, size}, &again), PROTO_BAD_VALUE);
    /* no base64url, all of one kind, too long */
    const char *others[] = {"=", "AAAA=", "\n", "++++", "%00", "\xff\xff\xff\xff", "null"};
    for (size_t i = 0; i < sizeof others / sizeof others[0]; i++)
        assert_int_equal(read_back(&r, (struct proto_slice){others[i], (uint32_t)strlen(others[i])}, &again),
                         PROTO_BAD_VALUE);
    memset(text, 'A', sizeof text);
    assert_int_equal(read_back(&r, (struct proto_slice){text, SERVE_TOKEN_TEXT_MAX}, &again), PROTO_BAD_VALUE);
    assert_int_equal(read_back(&r, (struct proto_slice){"A\0AA", 4}, &again), PROTO_BAD_VALUE);
}

static void test_a_moment_out_of_bounds(void **state) {
    (void)state;
    uint8_t memory[512];
    struct proto_writer w;
    struct serve_request r = request(&w);
    const int64_t moments[] = {INT64_MIN, PROTO_TIME_MIN - 1, PROTO_TIME_MAX + 1, INT64_MAX};
    for (size_t i = 0; i < sizeof moments / sizeof moments[0]; i++) {
        struct serve_token token = {.now = moments[i], .position_size = 3}, again;
        assert_int_equal(read_back(&r, written(&r, &token, memory, sizeof memory), &again), PROTO_BAD_VALUE);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_there_and_back),
        cmocka_unit_test(test_absent),
        cmocka_unit_test(test_every_other_query_refuses_it),
        cmocka_unit_test(test_hostile),
        cmocka_unit_test(test_a_moment_out_of_bounds),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
