/*
 * build_test.c - what the builder writes and the reader reads.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include "fake_server.h"

#include <betony.h>
#include <msgpack.h>

/* Sends the parameters of the request back as the result. */
static bool echo(struct fake *fake, const struct proto_message *request) {
    msgpack_sbuffer bytes;
    msgpack_packer packer;
    msgpack_sbuffer_init(&bytes);
    msgpack_packer_init(&packer, &bytes, msgpack_sbuffer_write);
    msgpack_pack_array(&packer, 4);
    msgpack_pack_int(&packer, 1);
    msgpack_pack_uint32(&packer, request->msgid);
    msgpack_pack_nil(&packer);
    if (request->params)
        msgpack_pack_object(&packer, *(const msgpack_object *)request->params);
    else
        msgpack_pack_nil(&packer);
    fake_send(fake, bytes.data, bytes.size);
    msgpack_sbuffer_destroy(&bytes);
    return true;
}

static int echo_open(void **state) {
    static struct fake fake;
    fake_start(&fake, echo, NULL);
    struct betony *b = betony_new();
    if (!b || betony_connect(b, fake.where) != BETONY_OK)
        return -1;
    static struct {
        struct fake *fake;
        struct betony *b;
    } both;
    both.fake = &fake;
    both.b = b;
    *state = &both;
    return 0;
}

struct both {
    struct fake *fake;
    struct betony *b;
};

static int echo_close(void **state) {
    struct both *both = *state;
    betony_free(both->b);
    fake_stop(both->fake);
    return 0;
}

static void test_every_type(void **state) {
    struct both *both = *state;
    struct betony_map *inner = betony_map_new(), *map = betony_map_new();
    betony_map_int(inner, "n", -5);
    const struct betony_map *twice[2] = {inner, inner};
    const char *const texts[] = {"a", "", "ccc"};
    betony_map_text(map, "text", "gr\xc3\xbc\xc3\x9f");
    betony_map_text_sized(map, "sized", "abcdef", 3);
    betony_map_int(map, "int", INT64_MAX);
    betony_map_bool(map, "yes", true);
    betony_map_bool(map, "no", false);
    betony_map_amount(map, "whole", 400);
    betony_map_amount(map, "part", -345);
    betony_map_texts(map, "texts", texts, 3);
    betony_map_map(map, "map", inner);
    betony_map_maps(map, "maps", twice, 2);
    betony_map_raw(map, "raw", "\x93\x01\xc0\xc3", 4);
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_call(both->b, "echo", map, &answer), BETONY_OK);
    const struct betony_value *r = betony_answer_result(answer);
    assert_int_equal(betony_value_count(r), 11);
    assert_string_equal(betony_value_text(betony_value_get(r, "text"), "?"), "gr\xc3\xbc\xc3\x9f");
    assert_string_equal(betony_value_text(betony_value_get(r, "sized"), "?"), "abc");
    assert_true(betony_value_int(betony_value_get(r, "int"), 0) == INT64_MAX);
    assert_true(betony_value_bool(betony_value_get(r, "yes"), false));
    assert_false(betony_value_bool(betony_value_get(r, "no"), true));
    assert_int_equal(betony_value_type(betony_value_get(r, "whole")), BETONY_INT);
    assert_int_equal(betony_value_amount(betony_value_get(r, "whole"), 0), 400);
    assert_int_equal(betony_value_type(betony_value_get(r, "part")), BETONY_FLOAT);
    assert_int_equal(betony_value_amount(betony_value_get(r, "part"), 0), -345);
    assert_int_equal(betony_value_count(betony_value_get(r, "texts")), 3);
    assert_string_equal(betony_value_text(betony_value_at(betony_value_get(r, "texts"), 2), "?"), "ccc");
    assert_int_equal(betony_value_int(betony_value_get(betony_value_get(r, "map"), "n"), 0), -5);
    assert_int_equal(betony_value_int(betony_value_get(betony_value_at(betony_value_get(r, "maps"), 1), "n"), 0), -5);
    assert_int_equal(betony_value_type(betony_value_at(betony_value_get(r, "raw"), 1)), BETONY_NIL);
    betony_answer_free(answer);
    betony_map_free(inner);
    betony_map_free(map);
}

static void test_what_is_not_there(void **state) {
    struct both *both = *state;
    struct betony_map *map = betony_map_new();
    betony_map_text(map, "text", "5");
    betony_map_raw(map, "whole", "\xcb\x40\x14\0\0\0\0\0\0", 9);            /* 5.0 */
    betony_map_raw(map, "huge", "\xcf\xff\xff\xff\xff\xff\xff\xff\xff", 9); /* 2^64 - 1 */
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_call(both->b, "echo", map, &answer), BETONY_OK);
    const struct betony_value *r = betony_answer_result(answer);
    assert_null(betony_value_get(betony_value_get(r, "none"), "of this"));
    assert_null(betony_value_at(r, 3));
    assert_null(betony_value_key_at(betony_value_get(r, "text"), 0));
    assert_int_equal(betony_value_type(NULL), BETONY_ABSENT);
    assert_int_equal(betony_value_count(NULL), 0);
    assert_int_equal(betony_value_int(betony_value_get(r, "text"), 77), 77);
    assert_int_equal(betony_value_int(betony_value_get(r, "whole"), 77), 5);
    assert_true(betony_value_int(betony_value_get(r, "huge"), 77) == 77);
    assert_int_equal(betony_value_amount(betony_value_get(r, "huge"), 77), 77);
    assert_int_equal(betony_value_amount(betony_value_get(r, "text"), 77), 77);
    assert_null(betony_value_text(betony_value_get(r, "whole"), NULL));
    size_t size = 9;
    assert_null(betony_value_text_sized(betony_value_get(r, "whole"), &size));
    assert_int_equal(size, 0);
    assert_null(betony_answer_result(NULL));
    betony_answer_free(answer);
    betony_map_free(map);
    betony_answer_free(NULL);
    betony_map_free(NULL);
    betony_event_free(NULL);
}

/* The first failure sticks and comes out of the call that uses the map. */
static void test_sticky(void **state) {
    struct both *both = *state;
    struct betony_map *map = betony_map_new();
    betony_map_text(map, "text", NULL);
    betony_map_int(map, "n", 1);
    assert_int_equal(betony_call(both->b, "echo", map, NULL), BETONY_MISUSE);
    betony_map_clear(map);
    betony_map_raw(map, "raw", "\x93\x01", 2); /* not whole */
    assert_int_equal(betony_call(both->b, "echo", map, NULL), BETONY_MISUSE);
    betony_map_clear(map);
    char *long_text = malloc(70001);
    memset(long_text, 'x', 70000);
    long_text[70000] = '\0';
    betony_map_text(map, "text", long_text);
    assert_int_equal(betony_call(both->b, "echo", map, NULL), BETONY_TOO_LARGE);
    betony_map_clear(map);
    long_text[60000] = '\0';
    for (int i = 0; i < 18; i++)
        betony_map_text(map, "text", long_text);
    assert_int_equal(betony_call(both->b, "echo", map, NULL), BETONY_TOO_LARGE); /* over one message */
    assert_int_equal(betony_call(both->b, "echo", NULL, NULL), BETONY_OK);
    free(long_text);
    betony_map_free(map);
}

static void test_events(void **state) {
    struct both *both = *state;
    struct betony_event *event = betony_event_new("balloon.checked", 1700000000123);
    assert_int_equal(betony_event_set_id(event, "not an id"), BETONY_MISUSE);
    assert_int_equal(betony_event_set_id(event, "00000000-0000-4000-8000-000000000000"), BETONY_MISUSE);
    /* RFC 9562 A.6 */
    assert_int_equal(betony_event_set_id(event, "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"), BETONY_OK);
    betony_event_set(event, "done_by", "nurse");
    betony_map_amount(betony_event_body(event), "withdrawn_ml", 450);
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_record(both->b, &event, 1, "none", &answer), BETONY_OK);
    const struct betony_value *r = betony_answer_result(answer);
    const struct betony_value *e = betony_value_at(betony_value_get(r, "events"), 0);
    assert_string_equal(betony_value_text(betony_value_get(r, "want"), "?"), "none");
    assert_string_equal(betony_value_text(betony_value_get(e, "id"), "?"), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
    assert_string_equal(betony_value_text(betony_value_get(e, "kind"), "?"), "balloon.checked");
    assert_string_equal(betony_value_text(betony_value_get(e, "done_by"), "?"), "nurse");
    assert_true(betony_value_int(betony_value_get(e, "at"), 0) == 1700000000123);
    assert_int_equal(betony_value_amount(betony_value_get(betony_value_get(e, "body"), "withdrawn_ml"), 0), 450);
    assert_int_equal(betony_record(both->b, &event, 0, NULL, NULL), BETONY_MISUSE);
    assert_int_equal(betony_record(both->b, &event, 1001, NULL, NULL), BETONY_MISUSE);
    betony_answer_free(answer);
    betony_event_free(event);
}

static void test_ids(void **state) {
    struct both *both = *state;
    char before[BETONY_ID_TEXT_SIZE], after[BETONY_ID_TEXT_SIZE], again[BETONY_ID_TEXT_SIZE];
    betony_id_make(both->b, before);
    for (int i = 0; i < 1000; i++) {
        betony_id_make(both->b, after);
        assert_true(strcmp(before, after) < 0);
        memcpy(before, after, sizeof before);
    }
    betony_id_from_bytes(1645557742000, "line", 4, before);
    betony_id_from_bytes(1645557742000, "line", 4, again);
    betony_id_from_bytes(1645557742000, "line2", 5, after);
    assert_string_equal(before, again);
    assert_string_not_equal(before, after);
    assert_memory_equal(before, "017f22e2-79b0-7", 15); /* RFC 9562 A.6: 1645557742000 ms */
}

/* The codes here and those of the protocol are the same list. */
static void test_codes(void **state) {
    (void)state;
    for (int code = 0; code <= (int)PROTO_OUTCOME_UNKNOWN; code++)
        assert_string_equal(betony_error_code((enum betony_error)code), proto_error_code((enum proto_error)code));
    assert_string_equal(betony_error_code(BETONY_ERROR_COUNT), "unknown");
    assert_string_equal(betony_version(), BETONY_VERSION);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_type), cmocka_unit_test(test_what_is_not_there),
        cmocka_unit_test(test_sticky),     cmocka_unit_test(test_events),
        cmocka_unit_test(test_ids),        cmocka_unit_test(test_codes),
    };
    return cmocka_run_group_tests(tests, echo_open, echo_close);
}
