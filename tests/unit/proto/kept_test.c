#define _GNU_SOURCE /* memmem */
/*
 * kept_test.c - stored events and those that come by sync: what a newer version wrote is kept byte for byte, what is known is
 * read, and only what is no event at all is refused.
 */
#include "json.h"

static struct sample sample;
static uint8_t out[PROTO_EVENT_BYTES_MAX];

#define STAMPS "{'by': 'nurse-a', 'node': '" ID_C "', 'written_at': 1774000000000, 'clock_offset_ms': -250}"

/* Canonical bytes of the content and stamps, written out. The sample's 16-bit map headers are no shortest forms, as another
 * implementation might write them: bytes from elsewhere are kept as they are. */
static enum proto_error decode(const char *content, const char *stamps, struct proto_event *e) {
    sample_begin(&sample);
    proto_arena_clear(sample.arena);
    proto_write_array(&sample.w, 2);
    json_write(&sample.w, content);
    json_write(&sample.w, stamps);
    return proto_event_decode(sample.bytes, sample.w.size, sample.arena, e);
}

static void check_kept(const char *content, struct proto_event *e) {
    size_t size = 0;
    if (decode(content, STAMPS, e) != PROTO_OK)
        fail_msg("refused: %s", content);
    assert_int_equal(proto_event_encode(e, out, sizeof out, &size), PROTO_OK);
    /* The stamps are ours; the content goes out as it came. */
    assert_int_equal(out[0], 0x92);
    assert_ptr_equal(e->content.data, sample.bytes + 1);
    assert_memory_equal(out + 1, e->content.data, e->content.size);
    struct proto_event again;
    assert_int_equal(proto_event_decode(out, size, sample.arena, &again), PROTO_OK);
    assert_events_same(e, &again);
    /* With another id, everything else is still as it came. */
    struct proto_id old = again.id;
    again.id.bytes[15] ^= 1;
    static uint8_t renamed[PROTO_EVENT_BYTES_MAX];
    struct proto_event third;
    size_t made = 0;
    assert_int_equal(proto_event_encode(&again, renamed, sizeof renamed, &made), PROTO_OK);
    assert_int_equal(made, size);
    size_t different = 0;
    for (size_t i = 0; i < size; i++)
        different += renamed[i] != out[i];
    assert_int_equal(different, 1);
    assert_int_equal(proto_event_decode(renamed, made, sample.arena, &third), PROTO_OK);
    assert_int_equal(proto_id_compare(&third.id, &again.id), 0);
    assert_int_not_equal(proto_id_compare(&third.id, &old), 0);
}

#define HEAD "'id': '" ID_A "', 'patient': '" ID_B "', 'at': 1774000000000"

static void unknown_kinds_are_kept(void **state) {
    (void)state;
    struct proto_event e;
    check_kept("{" HEAD "'kind': 'moon.seen', 'body': {'phase': 'full', 'list': [1, [2.5, null]]}}", &e);
    assert_int_equal(e.kind, PROTO_KIND_UNKNOWN);
    assert_true(proto_slice_is(e.kind_name, "moon.seen"));
    assert_true(e.has_patient);
    for (uint32_t i = 0; i < PROTO_BODY_FIELDS_MAX; i++)
        assert_false(e.body[i].present);
    check_kept("{" HEAD "'kind': 'moon.seen', 'body': 7}", &e);
    check_kept("{" HEAD "'kind': 'moon.seen'}", &e);
    assert_int_equal(e.raw_body.size, 0);
    check_kept("{'id': '" ID_A "', 'at': 1, 'kind': 'moon.seen', 'body': {}}", &e);
    assert_false(e.has_patient);
}

static void unknown_fields_are_kept(void **state) {
    (void)state;
    struct proto_event e;
    check_kept("{" HEAD "'kind': 'balloon.checked', 'colour': 'blue', 'body': {'withdrawn_ml': 3.5, 'new': {'a': [1]}, "
               "'filled_ml': 5, 9: 9, 'look': 'clear'}, 'after': [[1]]}",
               &e);
    assert_int_equal(PROTO_BODY(&e, balloon_checked, withdrawn_ml)->n, 350);
    assert_int_equal(PROTO_BODY(&e, balloon_checked, filled_ml)->n, 500);
    assert_int_equal(PROTO_BODY(&e, balloon_checked, look)->n, PROTO_look_clear);
    assert_false(PROTO_BODY(&e, balloon_checked, fluid)->present);
    check_kept("{'colour': 'blue', 'body': {'filled_ml': 5, 'withdrawn_ml': 3.5}, 'kind': 'balloon.checked', " HEAD "}",
               &e);
    assert_int_equal(PROTO_BODY(&e, balloon_checked, withdrawn_ml)->n, 350);
}

static void malformed_fields_are_not_present(void **state) {
    (void)state;
    struct proto_event e;
    check_kept("{" HEAD "'kind': 'balloon.checked', 'body': {'withdrawn_ml': 51, 'filled_ml': '5', 'look': 'milky', "
               "'fluid': 'saline', 'stuck': 0, 'syringe_ml': 1.234}}",
               &e);
    assert_false(PROTO_BODY(&e, balloon_checked, withdrawn_ml)->present);
    assert_false(PROTO_BODY(&e, balloon_checked, filled_ml)->present);
    assert_false(PROTO_BODY(&e, balloon_checked, look)->present);
    assert_false(PROTO_BODY(&e, balloon_checked, stuck)->present);
    assert_false(PROTO_BODY(&e, balloon_checked, syringe_ml)->present);
    assert_int_equal(PROTO_BODY(&e, balloon_checked, fluid)->n, PROTO_fluid_saline);
    /* What only `record` asks for is not asked for here: rules between fields, check digits, fields that are needed. */
    check_kept(
        "{" HEAD "'kind': 'device.placed', 'body': {'retention': 'bumper', 'balloon_ml': 5, 'gtin': '12345678'}}", &e);
    assert_true(PROTO_BODY(&e, device_placed, balloon_ml)->present);
    assert_true(proto_slice_is(PROTO_BODY(&e, device_placed, gtin)->text, "12345678"));
    check_kept("{" HEAD "'kind': 'patient.moved', 'body': {'team': 'North Shore'}}", &e);
    assert_false(PROTO_BODY(&e, patient_moved, team)->present);
    check_kept("{" HEAD "'kind': 'patient.moved'}", &e);
    check_kept(
        "{" HEAD
        "'kind': 'note.written', 'done_by': 'robot', 'source': 7, 'visit': 'x', 'same_as': 1, 'body': {'text': 'a'}}",
        &e);
    assert_int_equal(e.done_by, 0);
    assert_int_equal(e.source, 0);
    assert_false(e.has_visit);
    assert_false(e.has_same_as);
    assert_true(PROTO_BODY(&e, note_written, text)->present);
}

static void lists_of_a_newer_version(void **state) {
    (void)state;
    struct proto_event e;
    check_kept("{" HEAD "'kind': 'care.done', 'body': {'items': ['rotate', 'sing', 'taping', 7]}}", &e);
    const struct proto_value *items = PROTO_BODY(&e, care_done, items);
    assert_int_equal(items->n, 2);
    assert_int_equal(items->set, 1u << (PROTO_care_item_rotate - 1) | 1u << (PROTO_care_item_taping - 1));
    check_kept(
        "{" HEAD
        "'kind': 'patient.revised', 'body': {'contacts': [{'role': 'r', 'name': 'n', 'phone': 'p', 'fax': 'f'}], "
        "'identifiers': [{'system': 'nhs-number', 'value': '1'}, {'value': '2', 'system': 's'}]}}",
        &e);
    const struct proto_value *contacts = PROTO_BODY(&e, patient_revised, contacts);
    assert_true(contacts->present);
    assert_true(proto_slice_is(proto_list_record(contacts, 0).c, "p"));
    struct proto_record second = proto_list_record(PROTO_BODY(&e, patient_revised, identifiers), 1);
    assert_true(proto_slice_is(second.a, "s") && proto_slice_is(second.b, "2"));
    check_kept("{'id': '" ID_A "', 'at': 1, 'kind': 'policy.adopted', 'body': {'approved_by': 'x', "
               "'values': {'moon-phase': 3, 'ph-limit': 5.5, 'fever-c': 99}}}",
               &e);
    const struct proto_value *values = PROTO_BODY(&e, policy_adopted, values);
    enum proto_policy policy;
    assert_int_equal(values->n, 3);
    assert_int_equal(values->set, (uint64_t)1 << PROTO_POLICY_PH_LIMIT);
    (void)proto_list_policy(values, 0, &policy);
    assert_int_equal(policy, PROTO_POLICY_NONE);
    assert_int_equal(proto_list_policy(values, 1, &policy), 550);
    assert_int_equal(policy, PROTO_POLICY_PH_LIMIT);
    (void)proto_list_policy(values, 2, &policy);
    assert_int_equal(policy, PROTO_POLICY_NONE); /* out of this version's bounds */
}

/* An event about a stoma that this version does not know must not count for the main one. */
static void an_unknown_stoma_is_not_the_main_one(void **state) {
    (void)state;
    struct proto_event e;
    check_kept("{" HEAD "'kind': 'balloon.checked', 'stoma': 'third', 'body': {'withdrawn_ml': 1, 'filled_ml': 5}}",
               &e);
    assert_int_equal(e.kind, PROTO_KIND_UNKNOWN);
    assert_false(e.body[0].present);
    check_kept("{" HEAD "'kind': 'balloon.checked', 'stoma': 'second', 'body': {'withdrawn_ml': 1, 'filled_ml': 5}}",
               &e);
    assert_int_equal(e.kind, PROTO_KIND_balloon_checked);
    assert_int_equal(proto_event_stoma(&e), PROTO_stoma_second);
}

static void what_is_no_event(void **state) {
    (void)state;
    static const struct {
        const char *content, *stamps;
    } rows[] = {
        {"[]", STAMPS},
        {"{}", STAMPS},
        {"{'patient': '" ID_B "', 'at': 1, 'kind': 'stoma.closed'}", STAMPS}, /* no id */
        {"{'id': 'f47ac10b-58cc-4372-a567-0e02b2c3d479', 'patient': '" ID_B "', 'at': 1, 'kind': 'stoma.closed'}",
         STAMPS},
        {"{'id': '" ID_A "', 'at': 1, 'kind': 'stoma.closed'}", STAMPS}, /* no patient */
        {"{'id': '" ID_A "', 'patient': 'x', 'at': 1, 'kind': 'moon.seen'}", STAMPS},
        {"{'id': '" ID_A "', 'patient': '" ID_B "', 'at': 1, 'kind': 'policy.adopted'}", STAMPS},
        {"{'id': '" ID_A "', 'patient': '" ID_B "', 'kind': 'stoma.closed'}", STAMPS}, /* no time */
        {"{'id': '" ID_A "', 'patient': '" ID_B "', 'at': 4102444800001, 'kind': 'stoma.closed'}", STAMPS},
        {"{'id': '" ID_A "', 'patient': '" ID_B "', 'at': 1.5, 'kind': 'stoma.closed'}", STAMPS},
        {"{" HEAD "}", STAMPS}, /* no kind */
        {"{" HEAD "'kind': ''}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed', 'kind': 'stoma.closed'}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed', 'replaces': 'x'}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed', 'body': []}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed', 'body': {}, 'body': {}}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed', 'body': {}, 'body': {}, 'x': 1}", STAMPS},
        {"{" HEAD "'kind': 'note.written', 'body': {'text': 'a', 'text': 'a'}}", STAMPS},
        {"{" HEAD "'kind': 'stoma.closed'}", "{}"},
        {"{" HEAD "'kind': 'stoma.closed'}", "[]"},
        {"{" HEAD "'kind': 'stoma.closed'}", "{'by': '', 'node': '" ID_C "', 'written_at': 1}"},
        {"{" HEAD "'kind': 'stoma.closed'}", "{'by': 'a', 'node': 'x', 'written_at': 1}"},
        {"{" HEAD "'kind': 'stoma.closed'}", "{'by': 'a', 'node': '" ID_C "'}"},
        {"{" HEAD "'kind': 'stoma.closed'}", "{'by': 'a', 'by': 'a', 'node': '" ID_C "', 'written_at': 1}"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_event before, e;
        memset(&e, 0x5a, sizeof e);
        memset(&before, 0x5a, sizeof before);
        if (decode(rows[i].content, rows[i].stamps, &e) != PROTO_CORRUPT)
            fail_msg("taken: %s %s", rows[i].content, rows[i].stamps);
        assert_memory_equal(&e, &before, sizeof e);
    }
}

/* Cut at any byte, with a byte more, with any one byte lost, the bytes are refused or another well-formed event. */
static void damaged_bytes(void **state) {
    (void)state;
    struct proto_event e;
    assert_int_equal(decode("{" HEAD "'kind': 'note.written', 'body': {'text': 'abc'}}", STAMPS, &e), PROTO_OK);
    static uint8_t whole[1024], damaged[1024];
    size_t size = sample.w.size, again = 0;
    memcpy(whole, sample.bytes, size);
    for (size_t cut = 0; cut < size; cut++)
        assert_int_equal(proto_event_decode(whole, cut, sample.arena, &e), PROTO_CORRUPT);
    memcpy(damaged, whole, size);
    damaged[size] = 0;
    assert_int_equal(proto_event_decode(damaged, size + 1, sample.arena, &e), PROTO_CORRUPT);
    for (size_t place = 0; place < size; place++)
        for (unsigned byte = 0; byte < 256; byte++) {
            memcpy(damaged, whole, size);
            damaged[place] = (uint8_t)byte;
            proto_arena_clear(sample.arena);
            enum proto_error error = proto_event_decode(damaged, size, sample.arena, &e);
            assert_true(error == PROTO_OK || error == PROTO_CORRUPT);
            if (error == PROTO_OK)
                assert_int_equal(proto_event_encode(&e, out, sizeof out, &again), PROTO_OK);
        }
}

static void too_large_an_event_is_refused(void **state) {
    (void)state;
    static char text[PROTO_EVENT_BYTES_MAX];
    struct proto_event e;
    for (size_t size = PROTO_EVENT_BYTES_MAX - 400; size < PROTO_EVENT_BYTES_MAX; size++) {
        memset(text, 'x', sizeof text);
        sample_begin(&sample);
        proto_arena_clear(sample.arena);
        proto_write_array(&sample.w, 2);
        proto_write_map(&sample.w, 4);
        pair_text(&sample.w, "id", ID_A);
        pair_text(&sample.w, "kind", "moon.seen");
        pair_int(&sample.w, "at", 5);
        proto_write_text(&sample.w, "body");
        proto_write_bin(&sample.w, text, size);
        json_write(&sample.w, STAMPS);
        bool fits = sample.w.size <= PROTO_EVENT_BYTES_MAX;
        enum proto_error error = proto_event_decode(sample.bytes, sample.w.size, sample.arena, &e);
        assert_int_equal(error, fits ? PROTO_OK : PROTO_CORRUPT);
    }
}

/* A row of `history` is an event with its stamps beside and more pairs behind; a client reads it as a kept map. */
static void a_row_of_history_is_read_back(void **state) {
    (void)state;
    static struct proto_event e, row;
    struct proto_fault fault = {0};
    static struct sample answer;
    assert_int_equal(decode("{" HEAD
                            "'kind': 'note.written', 'source': 'seen', 'new': 5, 'body': {'text': 'abc', 'x': 1}}",
                            STAMPS, &e),
                     PROTO_OK);
    sample_begin(&answer);
    proto_write_event(&answer.w, &e, 2);
    pair_int(&answer.w, "seq", 17);
    pair_int(&answer.w, "received_at", 1774000000001);
    const msgpack_object *object = sample_object(&answer);
    assert_int_equal(object->via.map.size, 7 + 4 + 2);
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_KEPT, &row, &fault), PROTO_OK);
    assert_events_same(&e, &row);
    assert_true(row.read_only);
    assert_false(e.read_only);
    sample_end(&answer);
}

static void a_fresh_event_is_shown_the_same_way(void **state) {
    (void)state;
    static struct proto_event e, row;
    struct proto_fault fault = {0};
    static struct sample answer;
    const msgpack_object *object =
        json_object(&sample, "{" HEAD "'kind': 'stoma.formed', 'stoma': 'second', 'body': {'how': 'surgical'}}");
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_RECORD, &e, &fault), PROTO_OK);
    stamp(&e);
    sample_begin(&answer);
    proto_write_event(&answer.w, &e, 0);
    assert_int_equal(proto_event_decode_map(sample_object(&answer), PROTO_STRICT_KEPT, &row, &fault), PROTO_OK);
    assert_events_same(&e, &row);
    sample_end(&answer);
}

static void a_kept_map_needs_no_stamps(void **state) {
    (void)state;
    static struct proto_event e;
    struct proto_fault fault = {0};
    const msgpack_object *object = json_object(&sample, "{'patient': '" ID_B "', 'at': 5, 'kind': 'stoma.closed'}");
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_KEPT, &e, &fault), PROTO_OK);
    assert_false(e.has_id);
    assert_int_equal(e.by.size, 0);
    object = json_object(&sample, "{'patient': '" ID_B "', 'kind': 'stoma.closed'}");
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_KEPT, &e, &fault), PROTO_MISSING_FIELD);
    object = json_object(&sample, "{'patient': '" ID_B "', 'at': 5, 'kind': 'stoma.closed', 'body': 7}");
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_KEPT, &e, &fault), PROTO_BAD_VALUE);
}

static int close_sample(void **state) {
    (void)state;
    sample_end(&sample);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(unknown_kinds_are_kept),
        cmocka_unit_test(unknown_fields_are_kept),
        cmocka_unit_test(malformed_fields_are_not_present),
        cmocka_unit_test(lists_of_a_newer_version),
        cmocka_unit_test(an_unknown_stoma_is_not_the_main_one),
        cmocka_unit_test(what_is_no_event),
        cmocka_unit_test(damaged_bytes),
        cmocka_unit_test(too_large_an_event_is_refused),
        cmocka_unit_test(a_row_of_history_is_read_back),
        cmocka_unit_test(a_fresh_event_is_shown_the_same_way),
        cmocka_unit_test(a_kept_map_needs_no_stamps),
    };
    return cmocka_run_group_tests(tests, NULL, close_sample);
}
