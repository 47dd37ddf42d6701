/*
 * session_test.c - connecting, calling, reconnecting and time limits, against a server that misbehaves.
 */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>
#include <cmocka.h>

#include "fake_server.h"

#include <betony.h>

static int64_t now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

static struct betony *client_open(struct fake *fake) {
    struct betony *b = betony_new();
    assert_non_null(b);
    betony_set_timeouts_ms(b, 5000, 5000);
    assert_int_equal(betony_connect(b, fake->where), BETONY_OK);
    return b;
}

/* --- answers ------------------------------------------------------------------------------------------------------ */

static bool answer_now(struct fake *fake, const struct proto_message *request) {
    fake_answer(fake, request->msgid, "now", "then");
    return true;
}

static void test_ping(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, answer_now, NULL);
    struct betony *b = client_open(&fake);
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_ping(b, &answer), BETONY_OK);
    assert_string_equal(betony_value_text(betony_value_get(betony_answer_result(answer), "now"), "?"), "then");
    assert_int_equal(betony_ping(b, NULL), BETONY_OK);
    assert_int_equal(fake.connections, 1);
    betony_free(b);
    /* an answer outlives its handle */
    assert_string_equal(betony_value_text(betony_value_at(betony_answer_result(answer), 0), "?"), "then");
    betony_answer_free(answer);
    fake_stop(&fake);
}

static bool answer_in_pieces(struct fake *fake, const struct proto_message *request) {
    uint8_t bytes[256];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_result_begin(&w, request->msgid);
    proto_write_map(&w, 2);
    proto_write_text(&w, "last");
    proto_write_text(&w, "piece");
    proto_write_text(&w, "list");
    proto_write_array(&w, 2);
    proto_write_text(&w, "");
    proto_write_text(&w, "z");
    for (size_t i = 0; i < w.size; i++)
        fake_send(fake, bytes + i, 1);
    return true;
}

static void test_split_bytes(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, answer_in_pieces, NULL);
    struct betony *b = client_open(&fake);
    struct betony_answer *answer = NULL;
    for (int i = 0; i < 3; i++) {
        assert_int_equal(betony_ping(b, &answer), BETONY_OK);
        const struct betony_value *result = betony_answer_result(answer);
        const struct betony_value *list = betony_value_get(result, "list");
        assert_string_equal(betony_value_text(betony_value_get(result, "last"), "?"), "piece");
        assert_int_equal(betony_value_count(list), 2);
        assert_string_equal(betony_value_text(betony_value_at(list, 0), "?"), "");
        assert_string_equal(betony_value_text(betony_value_at(list, 1), "?"), "z");
        assert_string_equal(betony_value_text(betony_value_key_at(result, 1), "?"), "list");
        betony_answer_free(answer);
    }
    betony_free(b);
    fake_stop(&fake);
}

/* --- time limits ---------------------------------------------------------------------------------------------------- */

static bool say_nothing(struct fake *fake, const struct proto_message *request) {
    (void)fake, (void)request;
    return true;
}

static void test_time_limit(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, say_nothing, NULL);
    struct betony *b = client_open(&fake);
    betony_set_timeouts_ms(b, 5000, 150);
    int64_t began = now_ms();
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_ping(b, &answer), BETONY_TIMED_OUT);
    int64_t took = now_ms() - began;
    assert_true(took >= 150 && took < 5000);
    assert_null(answer);
    assert_int_equal(betony_last_fault(b)->error, BETONY_TIMED_OUT);
    struct betony_event *event = betony_event_new("note.written", 1000);
    assert_int_equal(betony_record(b, &event, 1, NULL, NULL), BETONY_OUTCOME_UNKNOWN);
    assert_non_null(betony_event_id(event));
    betony_event_free(event);
    betony_free(b);
    fake_stop(&fake);
}

static void test_no_hello(void **state) {
    (void)state;
    /* a listener that nobody accepts from: the connection is made and hello is never answered */
    struct fake fake;
    fake_start(&fake, say_nothing, NULL);
    struct betony *first = client_open(&fake); /* the server's one connection is taken */
    struct betony *b = betony_new();
    betony_set_timeouts_ms(b, 100, 100);
    assert_int_equal(betony_connect(b, fake.where), BETONY_TIMED_OUT);
    betony_free(b);
    betony_free(first);
    fake_stop(&fake);
}

/* --- lost connections ------------------------------------------------------------------------------------------------ */

static bool close_first(struct fake *fake, const struct proto_message *request) {
    if (fake->requests == 1)
        return false;
    fake_answer(fake, request->msgid, "now", "then");
    return true;
}

static void test_reads_are_sent_again(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, close_first, NULL);
    struct betony *b = client_open(&fake);
    assert_int_equal(betony_due(b, NULL, NULL), BETONY_OK);
    assert_int_equal(fake.connections, 2);
    assert_int_equal(fake.requests, 2);
    betony_free(b);
    fake_stop(&fake);
}

struct seen {
    char ids[2][BETONY_ID_TEXT_SIZE];
};

static bool close_first_record(struct fake *fake, const struct proto_message *request) {
    struct seen *seen = fake->arg;
    int nth = fake->requests - 1;
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    struct proto_event event;
    if (nth < 2 && proto_params_decode(PROTO_METHOD_record, request->params, values, &fault) == PROTO_OK &&
        proto_event_decode_map(proto_list_object(&values[PROTO_PARAM_record_events], 0), PROTO_STRICT_RECORD, &event,
                               &fault) == PROTO_OK)
        proto_id_format(&event.id, seen->ids[nth]);
    return close_first(fake, request);
}

static void test_records_keep_their_ids(void **state) {
    (void)state;
    struct fake fake;
    struct seen seen = {0};
    fake_start(&fake, close_first_record, &seen);
    struct betony *b = client_open(&fake);
    struct betony_event *event = betony_event_new("note.written", 1700000000000);
    char patient[BETONY_ID_TEXT_SIZE];
    betony_id_make(b, patient);
    betony_event_set(event, "patient", patient);
    betony_map_text(betony_event_body(event), "text", "The carer will ring on Friday.");
    assert_null(betony_event_id(event));
    assert_int_equal(betony_record(b, &event, 1, "opened", NULL), BETONY_OK);
    assert_int_equal(fake.requests, 2);
    assert_string_equal(seen.ids[0], seen.ids[1]);
    assert_string_equal(seen.ids[0], betony_event_id(event));
    betony_event_free(event);
    betony_free(b);
    fake_stop(&fake);
}

static void test_raw_record_is_sent_once(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, close_first, NULL);
    struct betony *b = client_open(&fake);
    assert_int_equal(betony_call_raw(b, "record", "\x80", 1, NULL), BETONY_OUTCOME_UNKNOWN);
    assert_int_equal(fake.requests, 1);
    assert_int_equal(betony_call_raw(b, "ping", "\x80\x80", 2, NULL), BETONY_MISUSE);
    assert_int_equal(betony_call_raw(b, "ping", "\xdf\xff\xff\xff\xff", 5, NULL), BETONY_MISUSE);
    betony_free(b);
    fake_stop(&fake);
}

static bool close_always(struct fake *fake, const struct proto_message *request) {
    (void)fake, (void)request;
    return false;
}

static void test_retries_end(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, close_always, NULL);
    struct betony *b = client_open(&fake);
    betony_set_retries(b, 2);
    assert_int_equal(betony_ping(b, NULL), BETONY_LOST);
    assert_int_equal(fake.requests, 3);
    struct betony_event *event = betony_event_new("note.written", 1000);
    assert_int_equal(betony_record(b, &event, 1, NULL, NULL), BETONY_OUTCOME_UNKNOWN);
    betony_event_free(event);
    betony_free(b);
    fake_stop(&fake);
}

/* --- busy, faults ----------------------------------------------------------------------------------------------------- */

static bool busy_first(struct fake *fake, const struct proto_message *request) {
    if (fake->requests == 1) {
        struct proto_fault fault = {.code = PROTO_BUSY, .retry_ms = 40, .message = "Busy."};
        fake_answer_fault(fake, request->msgid, &fault);
        return true;
    }
    return answer_now(fake, request);
}

static void test_busy(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, busy_first, NULL);
    struct betony *b = client_open(&fake);
    int64_t began = now_ms();
    assert_int_equal(betony_ping(b, NULL), BETONY_OK);
    assert_true(now_ms() - began >= 40);
    assert_int_equal(fake.connections, 1);
    betony_free(b);
    fake_stop(&fake);
}

static bool refuse_by_turn(struct fake *fake, const struct proto_message *request) {
    struct proto_fault fault = {.code = (enum proto_error)(int)fake->requests, .has_event = 1, .event_index = 7};
    strcpy(fault.field, "filled_ml");
    strcpy(fault.message, "A sentence.");
    fake_answer_fault(fake, request->msgid, &fault);
    return true;
}

/* Every code of the protocol has its own error here, with field, event and sentence. */
static void test_every_fault(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, refuse_by_turn, NULL);
    struct betony *b = client_open(&fake);
    betony_set_timeouts_ms(b, 5000, 1);
    for (int code = 1; code <= (int)PROTO_OUTCOME_UNKNOWN; code++) {
        betony_set_timeouts_ms(b, 5000, code == (int)PROTO_BUSY ? 20 : 5000);
        const char *wire = proto_error_code((enum proto_error)code);
        enum betony_error error = betony_ping(b, NULL);
        const struct betony_fault *fault = betony_last_fault(b);
        assert_string_equal(betony_error_code(error), wire);
        assert_int_equal(fault->error, error);
        assert_string_equal(fault->message, "A sentence.");
        assert_string_equal(fault->field, "filled_ml");
        assert_int_equal(fault->event_index, 7);
    }
    betony_free(b);
    fake_stop(&fake);
}

/* --- garbage ---------------------------------------------------------------------------------------------------------- */

static bool answer_garbage(struct fake *fake, const struct proto_message *request) {
    static const struct {
        const char *bytes;
        size_t size;
    } garbage[] = {
        {"\xc1", 1},                 /* never used in MessagePack */
        {"\xdd\xff\xff\xff\xff", 5}, /* claims four thousand million entries */
        {"HTTP/1.1 400 Bad Request\r\n", 26},
        {"\x93\x01\x01\xc0", 4},         /* a response of three */
        {"\x94\x01\x01\xa1\xff\xc0", 6}, /* a text that is not UTF-8 */
    };
    (void)request;
    int nth = (fake->requests - 1) % 5;
    fake_send(fake, garbage[nth].bytes, garbage[nth].size);
    return true;
}

static void test_garbage(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, answer_garbage, NULL);
    struct betony *b = client_open(&fake);
    for (int i = 0; i < 5; i++) {
        struct betony_answer *answer = NULL;
        assert_int_equal(betony_ping(b, &answer), BETONY_GARBLED);
        assert_null(answer);
    }
    assert_int_equal(fake.connections, 5); /* the stream is closed after each */
    betony_free(b);
    fake_stop(&fake);
}

/* A whole answer with some of its bytes changed, or cut short. */
static bool answer_mutated(struct fake *fake, const struct proto_message *request) {
    uint64_t *seed = fake->arg;
    uint8_t bytes[256];
    struct proto_writer w;
    proto_writer_init(&w, bytes, sizeof bytes);
    proto_write_result_begin(&w, request->msgid);
    proto_write_map(&w, 2);
    proto_write_text(&w, "rows");
    proto_write_array(&w, 3);
    proto_write_text(&w, "a text");
    proto_write_amount(&w, -345);
    proto_write_int(&w, 1772370000000);
    proto_write_text(&w, "after");
    proto_write_nil(&w);
    for (int changes = 0; changes < 3; changes++) {
        *seed = *seed * UINT64_C(6364136223846793005) + 1442695040888963407;
        bytes[(*seed >> 33) % w.size] = (uint8_t)(*seed >> 56);
    }
    fake_send(fake, bytes, (*seed >> 20) % 4 ? w.size : (*seed >> 40) % w.size);
    return (*seed >> 10) % 2; /* half of them close the connection behind it */
}

/* Reads everything that a value says, as a program would that trusts the library. */
static size_t read_all(const struct betony_value *value, int depth) {
    size_t size = 0, seen = strlen(betony_value_text(value, ""));
    const char *text = betony_value_text_sized(value, &size);
    assert_true(depth <= PROTO_NESTING_MAX && (size == 0 || text));
    for (size_t i = 0; i < betony_value_count(value); i++)
        seen += read_all(betony_value_key_at(value, i), depth + 1) + read_all(betony_value_at(value, i), depth + 1);
    return seen + (size_t)(betony_value_amount(value, 0) != 0) + (size_t)(betony_value_int(value, 0) != 0);
}

static void test_mutated(void **state) {
    (void)state;
    struct fake fake;
    uint64_t seed = 1;
    int outcomes[BETONY_ERROR_COUNT] = {0};
    fake_start(&fake, answer_mutated, &seed);
    struct betony *b = client_open(&fake);
    betony_set_retries(b, 0);
    betony_set_timeouts_ms(b, 5000, 3);
    for (int i = 0; i < 3000; i++) {
        struct betony_answer *answer = NULL;
        enum betony_error error = betony_ping(b, &answer);
        assert_true((error == BETONY_OK) == (answer != NULL));
        outcomes[error]++;
        (void)read_all(betony_answer_result(answer), 0);
        betony_answer_free(answer);
    }
    assert_true(outcomes[BETONY_OK] > 0 && outcomes[BETONY_GARBLED] > 0 && outcomes[BETONY_LOST] > 0);
    betony_free(b);
    fake_stop(&fake);
}

static bool answer_after_others(struct fake *fake, const struct proto_message *request) {
    fake_answer(fake, request->msgid + 1000, "now", "wrong");
    fake_send(fake,
              "\x93\x02\xa6"
              "change"
              "\x91\x80",
              11); /* a notification */
    return answer_now(fake, request);
}

static void test_strangers_are_passed_over(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, answer_after_others, NULL);
    struct betony *b = client_open(&fake);
    struct betony_answer *answer = NULL;
    assert_int_equal(betony_ping(b, &answer), BETONY_OK);
    assert_string_equal(betony_value_text(betony_value_get(betony_answer_result(answer), "now"), "?"), "then");
    betony_answer_free(answer);
    betony_free(b);
    fake_stop(&fake);
}

/* --- many at once ------------------------------------------------------------------------------------------------------ */

#define MANY 50

/* Keeps the numbers and answers them in the opposite order once all are there. */
static bool answer_backwards(struct fake *fake, const struct proto_message *request) {
    uint32_t *numbers = fake->arg;
    numbers[fake->requests - 1] = request->msgid;
    for (int i = MANY - 1; fake->requests == MANY && i >= 0; i--) {
        char text[16];
        snprintf(text, sizeof text, "%u", numbers[i]);
        fake_answer(fake, numbers[i], "number", text);
    }
    return true;
}

static void test_pipeline(void **state) {
    (void)state;
    struct fake fake;
    uint32_t numbers[MANY] = {0};
    fake_start(&fake, answer_backwards, numbers);
    struct betony *b = client_open(&fake);
    uint32_t tickets[MANY];
    for (int i = 0; i < MANY; i++)
        assert_int_equal(betony_send(b, "ping", NULL, &tickets[i]), BETONY_OK);
    assert_int_equal(betony_in_flight(b), MANY);
    assert_int_equal(betony_ping(b, NULL), BETONY_MISUSE);
    for (int i = MANY - 1; i >= 0; i--) {
        uint32_t ticket = 0;
        struct betony_answer *answer = NULL;
        assert_int_equal(betony_receive(b, &ticket, &answer), BETONY_OK);
        assert_int_equal(ticket, tickets[i]);
        betony_answer_free(answer);
    }
    uint32_t ticket = 1;
    assert_int_equal(betony_receive(b, &ticket, NULL), BETONY_MISUSE);
    assert_int_equal(ticket, 0);
    betony_free(b);
    fake_stop(&fake);
}

static void test_pipeline_lost(void **state) {
    (void)state;
    struct fake fake;
    fake_start(&fake, close_always, NULL);
    struct betony *b = client_open(&fake);
    uint32_t ticket = 0;
    assert_int_equal(betony_send(b, "ping", NULL, &ticket), BETONY_OK);
    assert_int_equal(betony_receive(b, &ticket, NULL), BETONY_LOST);
    assert_int_equal(ticket, 0);
    assert_int_equal(betony_in_flight(b), 0);
    betony_free(b);
    fake_stop(&fake);
}

/* --- addresses --------------------------------------------------------------------------------------------------------- */

static void test_addresses(void **state) {
    (void)state;
    struct betony *b = betony_new();
    assert_int_equal(betony_ping(b, NULL), BETONY_MISUSE);
    assert_int_equal(betony_connect(b, NULL), BETONY_MISUSE);
    assert_int_equal(betony_connect(b, "unix:"), BETONY_MISUSE);
    assert_int_equal(betony_connect(b, "unix:/nowhere/at/all"), BETONY_UNREACHABLE);
    assert_int_equal(betony_connect(b, "no-port"), BETONY_MISUSE);
    assert_int_equal(betony_connect(b, "::1:7811"), BETONY_MISUSE);
    assert_int_equal(betony_connect(b, "127.0.0.1:1"), BETONY_UNREACHABLE);
    /* another machine: an address for documentation, RFC 5737 */
    assert_int_equal(betony_connect(b, "192.0.2.1:7811"), BETONY_MISUSE);
    assert_non_null(strstr(betony_last_fault(b)->message, "TLS"));
    betony_free(b);
    betony_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_ping),
        cmocka_unit_test(test_split_bytes),
        cmocka_unit_test(test_time_limit),
        cmocka_unit_test(test_no_hello),
        cmocka_unit_test(test_reads_are_sent_again),
        cmocka_unit_test(test_records_keep_their_ids),
        cmocka_unit_test(test_raw_record_is_sent_once),
        cmocka_unit_test(test_retries_end),
        cmocka_unit_test(test_busy),
        cmocka_unit_test(test_every_fault),
        cmocka_unit_test(test_garbage),
        cmocka_unit_test(test_mutated),
        cmocka_unit_test(test_strangers_are_passed_over),
        cmocka_unit_test(test_pipeline),
        cmocka_unit_test(test_pipeline_lost),
        cmocka_unit_test(test_addresses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
