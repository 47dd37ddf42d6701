/*
 * message_test.c - the envelope both ways, parameters of every method, and faults on the wire.
 */
#include "json.h"

static struct sample sample;

static enum proto_error decode(const char *text, struct proto_message *m, bool *has_msgid, struct proto_fault *fault) {
    sample_begin(&sample);
    proto_arena_clear(sample.arena);
    json_write(&sample.w, text);
    assert_int_equal(sample.w.error, PROTO_OK);
    return proto_message_decode(sample.bytes, sample.w.size, sample.arena, m, has_msgid, fault);
}

static void messages(void **state) {
    (void)state;
    static const struct {
        const char *text;
        enum proto_error expected;
        bool has_msgid;
    } rows[] = {
        {"[0, 7, 'ping', []]", PROTO_OK, true},
        {"[0, 7, 'ping', [{}]]", PROTO_OK, true},
        {"[0, 4294967295, 'ping', [{'a': 1}]]", PROTO_OK, true},
        {"[1, 7, null, 5]", PROTO_OK, true},
        {"[1, 7, {'code': 'busy'}, null]", PROTO_OK, true},
        {"[2, 'change', [{}]]", PROTO_OK, false},
        {"[2, 'change', []]", PROTO_OK, false},
        {"[0, 7, 'ping', {}]", PROTO_BAD_PARAMS, true},
        {"[0, 7, 'ping', null]", PROTO_BAD_PARAMS, true},
        {"[0, 7, 'ping', [{}, {}]]", PROTO_BAD_PARAMS, true},
        {"[0, 7, 'ping', [5]]", PROTO_BAD_PARAMS, true},
        {"[0, 7, 'ping', [[]]]", PROTO_BAD_PARAMS, true},
        {"[2, 'change', {}]", PROTO_BAD_PARAMS, false},
        {"[0, 7, 'ping']", PROTO_BAD_MESSAGE, false},
        {"[0, 7, 'ping', [], 1]", PROTO_BAD_MESSAGE, false},
        {"[0, 7, 5, []]", PROTO_BAD_MESSAGE, true},
        {"[0, 7, '12345678901234567890123456789012345678901234567890123456789012345', []]", PROTO_BAD_MESSAGE, true},
        {"[0, 7, '1234567890123456789012345678901234567890123456789012345678901234', []]", PROTO_OK, true},
        {"[0, -1, 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[0, 4294967296, 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[0, 'x', 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[0, 7.0, 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[3, 7, 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[-1, 7, 'ping', []]", PROTO_BAD_MESSAGE, false},
        {"[1, 7, null]", PROTO_BAD_MESSAGE, false},
        {"[1, 'x', null, 5]", PROTO_BAD_MESSAGE, false},
        {"[2, 'change']", PROTO_BAD_MESSAGE, false},
        {"[]", PROTO_BAD_MESSAGE, false},
        {"{}", PROTO_BAD_MESSAGE, false},
        {"5", PROTO_BAD_MESSAGE, false},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_message before, m;
        struct proto_fault fault = {0};
        bool has_msgid = !rows[i].has_msgid;
        memset(&m, 0x5a, sizeof m);
        memset(&before, 0x5a, sizeof before);
        enum proto_error error = decode(rows[i].text, &m, &has_msgid, &fault);
        if (error != rows[i].expected || has_msgid != rows[i].has_msgid)
            fail_msg("%s: %s %d", rows[i].text, proto_error_code(error), has_msgid);
        if (error == PROTO_OK)
            continue;
        assert_int_equal(fault.code, error);
        assert_true(strlen(fault.message) > 10);
        if (has_msgid)
            assert_int_equal(m.msgid, 7);
        before.msgid = m.msgid; /* the only thing that may be told */
        assert_memory_equal(&m, &before, sizeof m);
    }
}

static void what_a_message_holds(void **state) {
    (void)state;
    struct proto_message m;
    struct proto_fault fault;
    bool has_msgid;
    assert_int_equal(decode("[0, 9, 'due', [{'limit': 5}]]", &m, &has_msgid, &fault), PROTO_OK);
    assert_int_equal(m.type, PROTO_REQUEST);
    assert_int_equal(m.msgid, 9);
    assert_true(proto_slice_is(m.method, "due"));
    assert_non_null(m.params);
    assert_null(m.result);
    assert_int_equal(decode("[0, 9, 'due', [{}]]", &m, &has_msgid, &fault), PROTO_OK);
    assert_null(m.params);
    assert_int_equal(decode("[0, 9, 'due', []]", &m, &has_msgid, &fault), PROTO_OK);
    assert_null(m.params);
    assert_int_equal(decode("[1, 9, null, null]", &m, &has_msgid, &fault), PROTO_OK);
    assert_int_equal(m.type, PROTO_RESPONSE);
    assert_null(m.error);
    assert_null(m.result);
    assert_int_equal(decode("[1, 9, {'code': 'full'}, [1]]", &m, &has_msgid, &fault), PROTO_OK);
    assert_non_null(m.error);
    assert_non_null(m.result);
    assert_int_equal(decode("[2, 'change', [{'a': 1}]]", &m, &has_msgid, &fault), PROTO_OK);
    assert_int_equal(m.type, PROTO_NOTIFICATION);
    assert_true(proto_slice_is(m.method, "change"));
    assert_non_null(m.params);
}

/* A request over a bound, or broken behind its head, is answered by its msgid. */
static void broken_requests_can_be_answered(void **state) {
    (void)state;
    static const struct {
        const char *bytes;
        size_t size;
        enum proto_error expected;
        bool has_msgid;
        uint32_t msgid;
    } rows[] = {
        {"\x94\x00\x07\xa4ping\xdd\xff\xff\xff\xff", 13, PROTO_TOO_LARGE, true, 7},
        {"\x94\x00\xcc\xc8\xa4ping\xc1", 9, PROTO_BAD_MESSAGE, true, 200},
        {"\x94\x00\xcd\x12\x34\xa4ping\xd4\x01\x02", 13, PROTO_BAD_MESSAGE, true, 0x1234},
        {"\x94\x00\xce\x12\x34\x56\x78\xa1\xff\x90", 10, PROTO_BAD_MESSAGE, true, 0x12345678},
        {"\x94\x00\xce\x12\x34\x56", 6, PROTO_BAD_MESSAGE, false, 0},
        {"\x94\x00\xc1", 3, PROTO_BAD_MESSAGE, false, 0},
        {"\x94\x01\x07\xc1", 4, PROTO_BAD_MESSAGE, false, 0},
        {"\x94\x00", 2, PROTO_BAD_MESSAGE, false, 0},
        {"", 0, PROTO_BAD_MESSAGE, false, 0},
        {"\x94\x00\x07\xa4ping\x90\x00", 10, PROTO_BAD_MESSAGE, true, 7}, /* something behind it */
    };
    sample_begin(&sample);
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_message m = {0};
        struct proto_fault fault = {0};
        bool has_msgid = !rows[i].has_msgid;
        enum proto_error error =
            proto_message_decode((const uint8_t *)rows[i].bytes, rows[i].size, sample.arena, &m, &has_msgid, &fault);
        assert_int_equal(error, rows[i].expected);
        assert_int_equal(has_msgid, rows[i].has_msgid);
        assert_int_equal(m.msgid, rows[i].msgid);
    }
}

/* ---- parameters -------------------------------------------------------------------------------------------------- */

static enum proto_error params(enum proto_method method, const char *text, struct proto_value *values,
                               struct proto_fault *fault) {
    return proto_params_decode(method, text ? json_object(&sample, text) : NULL, values, fault);
}

static void every_method_and_parameter(void **state) {
    (void)state;
    for (unsigned m = PROTO_METHOD_UNKNOWN + 1; m < PROTO_METHOD_COUNT; m++) {
        const struct proto_method_info *info = proto_method_get((enum proto_method)m);
        assert_int_equal(proto_method_find(slice_of(info->name)), m);
        assert_true(strlen(info->help) > 10);
        for (uint32_t p = 0; p < info->param_count; p++) {
            if (info->params[p].type == PROTO_TYPE_EVENTS || info->params[p].type == PROTO_TYPE_NAMES)
                continue;
            for (enum bound bound = LEAST; bound <= MOST; bound++) {
                struct proto_value values[PROTO_PARAMS_MAX];
                struct proto_fault fault = {0};
                bool patient = info->params[0].required && info->params[0].type == PROTO_TYPE_ID && p != 0;
                if (info->params[0].type == PROTO_TYPE_EVENTS || (info->params[0].type == PROTO_TYPE_KEPT && p != 0))
                    continue;
                sample_begin(&sample);
                proto_arena_clear(sample.arena);
                proto_write_map(&sample.w, 1u + patient);
                if (patient)
                    pair_text(&sample.w, info->params[0].name, ID_B);
                proto_write_text(&sample.w, info->params[p].name);
                put_value(&sample.w, &info->params[p], bound);
                enum proto_error error =
                    proto_params_decode((enum proto_method)m, sample_object(&sample), values, &fault);
                if (error != PROTO_OK)
                    fail_msg("%s %s: %s", info->name, info->params[p].name, fault.message);
                for (uint32_t i = 0; i < PROTO_PARAMS_MAX; i++)
                    assert_int_equal(values[i].present, i == p || (patient && i == 0));
            }
        }
    }
    assert_int_equal(proto_method_find(slice_of("nothing")), PROTO_METHOD_UNKNOWN);
    assert_int_equal(proto_method_find(slice_of("")), PROTO_METHOD_UNKNOWN);
}

static void parameters_that_are_refused(void **state) {
    (void)state;
    static const struct {
        enum proto_method method;
        const char *params;
        enum proto_error expected;
        const char *field, *sentence;
    } rows[] = {
        {PROTO_METHOD_ping, NULL, PROTO_OK, "", ""},
        {PROTO_METHOD_ping, "{}", PROTO_OK, "", ""},
        {PROTO_METHOD_ping, "{'x': 1}", PROTO_UNKNOWN_FIELD, "x", "ping has no field \"x\"; it takes nothing."},
        {PROTO_METHOD_patient, NULL, PROTO_MISSING_FIELD, "patient", "patient needs patient: the child."},
        {PROTO_METHOD_due, "{'limit': 0}", PROTO_BAD_VALUE, "limit", "limit must lie between 1 and 1000."},
        {PROTO_METHOD_due, "{'limit': 1001}", PROTO_BAD_VALUE, "limit", "limit must lie between 1 and 1000."},
        {PROTO_METHOD_due, "{'limit': 5, 'limit': 5}", PROTO_BAD_VALUE, "limit", "limit is given twice."},
        {PROTO_METHOD_due, "{'states': ['late']}", PROTO_BAD_VALUE, "states",
         "states must be one of upcoming, due, overdue."},
        {PROTO_METHOD_due, "{'teams': 'north-shore'}", PROTO_BAD_VALUE, "teams", "teams must be a list."},
        {PROTO_METHOD_due, "{'teams': [7]}", PROTO_BAD_VALUE, "teams", "teams, entry 1: text must be text."},
        {PROTO_METHOD_record, NULL, PROTO_MISSING_FIELD, "events", "record needs events: the events."},
        {PROTO_METHOD_record, "{'events': []}", PROTO_BAD_VALUE, "events", "events must name at least one."},
        {PROTO_METHOD_record, "{'events': [{}, 5]}", PROTO_BAD_VALUE, "events", "Each of the events must be a map."},
        {PROTO_METHOD_record, "{'events': [{}], 'want': 'all'}", PROTO_BAD_VALUE, "want",
         "want must be one of none, opened, statuses."},
        {PROTO_METHOD_devices, "{'gtin': '6291041500214'}", PROTO_BAD_VALUE, "gtin",
         "gtin must be 8, 12, 13 or 14 digits, the last of them the right check digit."},
        {PROTO_METHOD_offer, NULL, PROTO_MISSING_FIELD, "events",
         "offer needs events: the events, whole calls of them."},
        {PROTO_METHOD_offer, "{'events': []}", PROTO_BAD_VALUE, "events", "events must name at least one."},
        {PROTO_METHOD_offer, "{'events': {}}", PROTO_BAD_VALUE, "events", "events must be a list."},
        {PROTO_METHOD_offer, "{'events': [5]}", PROTO_BAD_VALUE, "events",
         "events, entry 1: it must be a list of flags and bytes, and when there is a receipt, of received_at and "
         "receipt."},
        {PROTO_METHOD_offer, "{'events': [[0, 'text']]}", PROTO_BAD_VALUE, "events",
         "events, entry 1: its bytes must be binary, and not empty."},
        {PROTO_METHOD_fetch, "{'ids': []}", PROTO_BAD_VALUE, "ids", "ids must name at least one."},
        {PROTO_METHOD_fetch, "{'ids': ['" ID_A "', 'x']}", PROTO_BAD_VALUE, "ids",
         "ids, entry 2: it must be a UUID in lower case."},
        {PROTO_METHOD_fetch, "{'ids': [7]}", PROTO_BAD_VALUE, "ids", "ids, entry 1: it must be a UUID in lower case."},
        {PROTO_METHOD_fetch, "{'next': false}", PROTO_BAD_VALUE, "next", "next is either true or left out."},
        {PROTO_METHOD_digest, "{'records': '" ID_A "'}", PROTO_BAD_VALUE, "records", "records must be a list."},
        {PROTO_METHOD_hello, "{'node': 'x'}", PROTO_BAD_VALUE, "node",
         "node must be a UUID in lower case, such as 017f22e2-79b0-7cc3-98c4-dc0c0c07398f."},
        {PROTO_METHOD_hello, "{'place': 5}", PROTO_BAD_VALUE, "place",
         "place must be a map of log, seq and chain, as the server gave it."},
        {PROTO_METHOD_sync_state, "{'x': 1}", PROTO_UNKNOWN_FIELD, "x",
         "sync-state has no field \"x\"; it takes nothing."},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_value before[PROTO_PARAMS_MAX], values[PROTO_PARAMS_MAX];
        struct proto_fault fault = {0};
        memset(before, 0x5a, sizeof before);
        memset(values, 0x5a, sizeof values);
        assert_int_equal(params(rows[i].method, rows[i].params, values, &fault), rows[i].expected);
        if (rows[i].expected == PROTO_OK)
            continue;
        assert_string_equal(fault.field, rows[i].field);
        assert_string_equal(fault.message, rows[i].sentence);
        assert_memory_equal(values, before, sizeof before);
    }
}

/* A place in a log comes back as it was written. */
static void cursors(void **state) {
    (void)state;
    struct proto_position position = {.seq = 42};
    for (size_t i = 0; i < sizeof position.chain; i++)
        position.chain[i] = (uint8_t)(7 * i + 3);
    assert_int_equal(proto_id_parse(slice_of(ID_B), &position.log), PROTO_OK);
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    sample_begin(&sample);
    proto_arena_clear(sample.arena);
    proto_write_map(&sample.w, 1);
    proto_write_text(&sample.w, "after");
    proto_write_position(&sample.w, &position);
    assert_int_equal(proto_params_decode(PROTO_METHOD_follow, sample_object(&sample), values, &fault), PROTO_OK);
    struct proto_position back = proto_value_position(&values[PROTO_PARAM_follow_after]);
    assert_memory_equal(&back.log, &position.log, sizeof back.log);
    assert_int_equal(back.seq, 42);
    assert_memory_equal(back.chain, position.chain, sizeof back.chain);
}

/* Events between nodes come back as they were written; each thing that can be wrong with one is said of that one. */
static void kept_events(void **state) {
    (void)state;
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    static const char long_bytes[PROTO_EVENT_BYTES_MAX + 1] = {0};
    struct proto_kept sent[2] = {{.bytes = {"\x92\x01", 2}},
                                 {.bytes = {long_bytes, PROTO_EVENT_BYTES_MAX},
                                  .joined = true,
                                  .has_receipt = true,
                                  .received_at = PROTO_TIME_MAX,
                                  .receipt = "fifteen and zero"}};
    for (uint32_t size = PROTO_EVENT_BYTES_MAX; size <= PROTO_EVENT_BYTES_MAX + 1; size++) {
        sent[1].bytes.size = size;
        sample_begin(&sample);
        proto_write_map(&sample.w, 1);
        proto_write_text(&sample.w, "events");
        proto_write_array(&sample.w, 2);
        proto_write_kept(&sample.w, &sent[0]);
        proto_write_kept(&sample.w, &sent[1]);
        enum proto_error error = proto_params_decode(PROTO_METHOD_offer, sample_object(&sample), values, &fault);
        assert_int_equal(error, PROTO_OK); /* whether it is an event is judged of each by itself */
        for (uint32_t i = 0; i < 2; i++) {
            struct proto_kept back = proto_list_kept(&values[PROTO_PARAM_offer_events], i);
            assert_true(proto_slice_same(back.bytes, sent[i].bytes));
            assert_int_equal(back.joined, sent[i].joined);
            assert_int_equal(back.has_receipt, sent[i].has_receipt);
            assert_int_equal(back.received_at, sent[i].received_at);
            assert_memory_equal(back.receipt, sent[i].receipt, sizeof back.receipt);
        }
    }
}

static void ids_in_parameters(void **state) {
    (void)state;
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    assert_int_equal(params(PROTO_METHOD_fetch, "{'ids': ['" ID_A "', '" ID_B "']}", values, &fault), PROTO_OK);
    assert_int_equal(values[PROTO_PARAM_fetch_ids].n, 2);
    struct proto_id expected = id_of(ID_B), read = proto_list_id(&values[PROTO_PARAM_fetch_ids], 1);
    assert_memory_equal(&read, &expected, sizeof read);
    for (int64_t count = PROTO_IDS_MAX; count <= PROTO_IDS_MAX + 1; count++) {
        sample_begin(&sample);
        proto_write_map(&sample.w, 1);
        proto_write_text(&sample.w, "records");
        put_id_list(&sample.w, count);
        assert_int_equal(proto_params_decode(PROTO_METHOD_digest, sample_object(&sample), values, &fault),
                         count > PROTO_IDS_MAX ? PROTO_TOO_LARGE : PROTO_OK);
    }
    assert_string_equal(fault.message, "records may hold at most 1000 entries.");
}

static void lists_in_parameters(void **state) {
    (void)state;
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault = {0};
    assert_int_equal(params(PROTO_METHOD_due,
                            "{'teams': ['mill-lane', 'fell-side'], 'tasks': ['rotate', 'weight'], 'states': []}",
                            values, &fault),
                     PROTO_OK);
    assert_int_equal(values[PROTO_PARAM_due_teams].n, 2);
    assert_true(proto_slice_is(proto_list_text(&values[PROTO_PARAM_due_teams], 1), "fell-side"));
    assert_int_equal(values[PROTO_PARAM_due_tasks].set, 1u << (PROTO_TASK_ROTATE - 1) | 1u << (PROTO_TASK_WEIGHT - 1));
    assert_true(values[PROTO_PARAM_due_states].present);
    assert_int_equal(values[PROTO_PARAM_due_states].n, 0);
    assert_int_equal(params(PROTO_METHOD_record, "{'events': [{'kind': 'a'}, {}], 'want': 'none'}", values, &fault),
                     PROTO_OK);
    assert_int_equal(values[PROTO_PARAM_record_events].n, 2);
    const msgpack_object *first = proto_list_object(&values[PROTO_PARAM_record_events], 0);
    assert_int_equal(first->via.map.size, 1);
    assert_int_equal(values[PROTO_PARAM_record_want].n, 1);
    /* The event that is no map is named by its place. */
    assert_int_equal(params(PROTO_METHOD_record, "{'events': [{}, {}, 5]}", values, &fault), PROTO_BAD_VALUE);
    assert_int_equal(fault.has_event, 1);
    assert_int_equal(fault.event_index, 2);
    /* 1,000 events are taken, one more is too many. */
    for (uint32_t count = PROTO_EVENTS_PER_CALL_MAX; count <= PROTO_EVENTS_PER_CALL_MAX + 1; count++) {
        sample_begin(&sample);
        proto_write_map(&sample.w, 1);
        proto_write_text(&sample.w, "events");
        proto_write_array(&sample.w, count);
        for (uint32_t i = 0; i < count; i++)
            proto_write_map(&sample.w, 0);
        assert_int_equal(proto_params_decode(PROTO_METHOD_record, sample_object(&sample), values, &fault),
                         count > PROTO_EVENTS_PER_CALL_MAX ? PROTO_TOO_LARGE : PROTO_OK);
    }
    assert_string_equal(fault.message, "events may hold at most 1000 entries.");
}

/* ---- faults ------------------------------------------------------------------------------------------------------ */

static void faults_travel(void **state) {
    (void)state;
    for (unsigned code = PROTO_OK + 1; code < PROTO_ERROR_COUNT; code++) {
        for (unsigned more = 0; more < 8; more++) {
            struct proto_fault sent, read;
            struct proto_message m;
            bool has_msgid;
            (void)proto_fault_set(&sent, (enum proto_error)code, more & 1 ? "withdrawn_ml" : NULL, "A %s.", "sentence");
            sent.has_event = (more & 2) != 0;
            sent.event_index = more & 2 ? 12 : 0;
            sent.retry_ms = more & 4 ? 250 : 0;
            sample_begin(&sample);
            proto_arena_clear(sample.arena);
            proto_write_fault(&sample.w, 31, &sent);
            assert_int_equal(proto_message_decode(sample.bytes, sample.w.size, sample.arena, &m, &has_msgid, &read),
                             PROTO_OK);
            assert_int_equal(m.type, PROTO_RESPONSE);
            assert_int_equal(m.msgid, 31);
            assert_null(m.result);
            proto_fault_read(m.error, &read);
            assert_memory_equal(&read, &sent, sizeof sent);
        }
    }
}

static void unreadable_faults_are_internal(void **state) {
    (void)state;
    static const char *const texts[] = {
        "5",
        "[]",
        "{}",
        "'busy'",
        "{'code': 5}",
        "{'code': 'ok'}",
        "{'code': 'from-tomorrow'}",
        "{'code': 'internal', 'message': '', 'event': -1, 'retry_ms': 'x', 'field': 7}"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        struct proto_fault fault;
        memset(&fault, 0x5a, sizeof fault);
        proto_fault_read(json_object(&sample, texts[i]), &fault);
        assert_int_equal(fault.code, PROTO_INTERNAL);
        assert_string_equal(fault.message, proto_error_sentence(PROTO_INTERNAL));
        assert_string_equal(fault.field, "");
        assert_int_equal(fault.has_event, 0);
        assert_int_equal(fault.retry_ms, 0);
    }
    struct proto_fault fault;
    proto_fault_read(NULL, &fault);
    assert_int_equal(fault.code, PROTO_INTERNAL);
    /* A sentence longer than a fault holds is cut between characters. */
    char text[1200] = "{'code': 'busy', 'message': '";
    while (strlen(text) < 700)
        strcat(text, "\xc3\xa9");
    strcat(text, "'}");
    proto_fault_read(json_object(&sample, text), &fault);
    assert_int_equal(strlen(fault.message), 254);
    assert_int_equal((unsigned char)fault.message[253], 0xa9);
}

static void requests_and_results(void **state) {
    (void)state;
    struct proto_message m;
    struct proto_fault fault;
    bool has_msgid;
    sample_begin(&sample);
    proto_write_request(&sample.w, 4294967295u, "patient");
    json_write(&sample.w, "{'patient': '" ID_A "'}");
    assert_int_equal(proto_message_decode(sample.bytes, sample.w.size, sample.arena, &m, &has_msgid, &fault), PROTO_OK);
    assert_int_equal(m.type, PROTO_REQUEST);
    assert_int_equal(m.msgid, 4294967295u);
    assert_true(proto_slice_is(m.method, "patient"));
    assert_int_equal(((const msgpack_object *)m.params)->via.map.size, 1);
    sample_begin(&sample);
    proto_write_result_begin(&sample.w, 3);
    json_write(&sample.w, "{'now': 5}");
    assert_int_equal(proto_message_decode(sample.bytes, sample.w.size, sample.arena, &m, &has_msgid, &fault), PROTO_OK);
    assert_int_equal(m.type, PROTO_RESPONSE);
    assert_null(m.error);
    assert_non_null(m.result);
}

static int close_sample(void **state) {
    (void)state;
    sample_end(&sample);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(messages),
        cmocka_unit_test(what_a_message_holds),
        cmocka_unit_test(broken_requests_can_be_answered),
        cmocka_unit_test(every_method_and_parameter),
        cmocka_unit_test(parameters_that_are_refused),
        cmocka_unit_test(lists_in_parameters),
        cmocka_unit_test(cursors),
        cmocka_unit_test(kept_events),
        cmocka_unit_test(ids_in_parameters),
        cmocka_unit_test(faults_travel),
        cmocka_unit_test(unreadable_faults_are_internal),
        cmocka_unit_test(requests_and_results),
    };
    return cmocka_run_group_tests(tests, NULL, close_sample);
}
