/*
 * event_test.c - every kind and every field, at the least and at the most its table allows: read, made canonical, read
 * again, and the same; and one step beyond either bound refused with the field's name.
 */
#include "sample.h"

static struct sample sample;
static uint8_t canonical[PROTO_EVENT_BYTES_MAX], again[PROTO_EVENT_BYTES_MAX];

static enum proto_error decode(const struct plan *p, bool backwards, struct proto_event *e, struct proto_fault *fault) {
    sample_begin(&sample);
    proto_arena_clear(sample.arena);
    put_event(&sample.w, p, backwards);
    return proto_event_decode_map(sample_object(&sample), PROTO_STRICT_RECORD, e, fault);
}

static size_t check_round_trip(const struct plan *p) {
    static struct proto_event sent, stored;
    struct proto_fault fault = {0};
    size_t size = 0, size_again = 0;
    enum proto_error error = decode(p, false, &sent, &fault);
    if (error != PROTO_OK)
        fail_msg("%s: %s", proto_kind_get(p->kind)->name, fault.message);
    stamp(&sent);
    assert_int_equal(proto_event_encode(&sent, canonical, sizeof canonical, &size), PROTO_OK);
    assert_int_equal(proto_event_decode(canonical, size, sample.arena, &stored), PROTO_OK);
    assert_events_same(&sent, &stored);
    /* Stored bytes go out again as they are, and content made anew from its values is the same. */
    assert_int_equal(proto_event_encode(&stored, again, sizeof again, &size_again), PROTO_OK);
    assert_int_equal(size_again, size);
    assert_memory_equal(again, canonical, size);
    stored.content = stored.raw_body = (struct proto_slice){0};
    assert_int_equal(proto_event_encode(&stored, again, sizeof again, &size_again), PROTO_OK);
    assert_int_equal(size_again, size);
    assert_memory_equal(again, canonical, size);
    return size;
}

/* The order in which a caller writes its keys changes nothing. */
static void check_order(const struct plan *p, size_t size) {
    static struct proto_event sent;
    struct proto_fault fault = {0};
    size_t size_again = 0;
    assert_int_equal(decode(p, true, &sent, &fault), PROTO_OK);
    stamp(&sent);
    assert_int_equal(proto_event_encode(&sent, again, sizeof again, &size_again), PROTO_OK);
    assert_int_equal(size_again, size);
    assert_memory_equal(again, canonical, size);
}

static void every_kind_with_what_it_needs(void **state) {
    (void)state;
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        struct plan p = {.kind = (enum proto_kind)k, .at = PROTO_TIME_MAX};
        plan_complete(&p);
        check_order(&p, check_round_trip(&p));
    }
}

/* Of a plan only a policy's own bounds hold for its value; rules_test looks at those. */
static bool is_plan_value(unsigned kind, uint32_t field) {
    return kind == PROTO_KIND_plan_set && field == PROTO_FIELD_plan_set_value;
}

static void every_field_at_its_bounds(void **state) {
    (void)state;
    unsigned fields = 0;
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        for (uint32_t f = 0; f < proto_kind_get((enum proto_kind)k)->field_count; f++) {
            if (is_plan_value(k, f))
                continue;
            for (enum bound bound = LEAST; bound <= MOST; bound++) {
                struct plan p = {.kind = (enum proto_kind)k, .at = PROTO_TIME_MAX};
                p.field[f] = bound;
                plan_complete(&p);
                check_order(&p, check_round_trip(&p));
            }
            fields++;
        }
    }
    assert_true(fields > 190);
}

static void one_step_beyond_is_refused(void **state) {
    (void)state;
    unsigned refused = 0;
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        for (uint32_t f = 0; f < kind->field_count; f++) {
            for (enum bound bound = BELOW; bound <= ABOVE; bound++) {
                if (!has_beyond(&kind->fields[f], bound))
                    continue;
                struct plan p = {.kind = (enum proto_kind)k, .at = PROTO_TIME_MAX};
                struct proto_event untouched, event;
                struct proto_fault fault = {0};
                memset(&untouched, 0x5a, sizeof untouched);
                memset(&event, 0x5a, sizeof event);
                p.field[f] = bound;
                plan_complete(&p);
                enum proto_error error = decode(&p, false, &event, &fault);
                bool text_or_list = bound == ABOVE && kind->fields[f].type >= PROTO_TYPE_TEXT;
                if (error != (text_or_list ? PROTO_TOO_LARGE : PROTO_BAD_VALUE))
                    fail_msg("%s.%s %d: %s", kind->name, kind->fields[f].name, (int)bound, proto_error_code(error));
                assert_string_equal(fault.field, kind->fields[f].name);
                assert_non_null(strstr(fault.message, kind->fields[f].name));
                assert_memory_equal(&event, &untouched, sizeof event);
                refused++;
            }
        }
    }
    assert_true(refused > 200);
}

static void every_required_field_is_asked_for(void **state) {
    (void)state;
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        for (uint32_t f = 0; f < kind->field_count; f++) {
            if (!kind->fields[f].required)
                continue;
            struct plan p = {.kind = (enum proto_kind)k, .at = PROTO_TIME_MAX};
            static struct proto_event event;
            struct proto_fault fault = {0};
            plan_complete(&p);
            p.field[f] = ABSENT;
            assert_int_equal(decode(&p, false, &event, &fault), PROTO_MISSING_FIELD);
            assert_string_equal(fault.field, kind->fields[f].name);
        }
    }
}

/* Every part of the envelope, and the bytes that event.h and PROTOCOL.md show. */
static void canonical_bytes_are_as_documented(void **state) {
    (void)state;
    struct proto_event e;
    struct proto_fault fault = {0};
    size_t size = 0;
    sample_begin(&sample);
    struct proto_writer *w = &sample.w;
    proto_write_map(w, 11);
    pair_text(w, "same_as", ID_B);
    pair_text(w, "replaces", ID_C);
    pair_text(w, "stoma", "second");
    pair_text(w, "visit", ID_C);
    pair_text(w, "source", "seen");
    pair_text(w, "done_by", "nurse");
    pair_int(w, "at", 1);
    pair_text(w, "patient", ID_B);
    pair_text(w, "kind", "weight.measured");
    pair_text(w, "id", ID_A);
    proto_write_text(w, "body");
    proto_write_map(w, 1);
    proto_write_text(w, "weight_kg");
    proto_write_float(w, 12.5);
    assert_int_equal(proto_event_decode_map(sample_object(&sample), PROTO_STRICT_RECORD, &e, &fault), PROTO_OK);
    stamp(&e);
    e.clock_offset_ms = 0;
    assert_int_equal(proto_event_encode(&e, canonical, sizeof canonical, &size), PROTO_OK);
    static const char whole[] = "\x92\x8b"
                                "\xa2id\xd9\x24" ID_A "\xa4kind\xafweight.measured"
                                "\xa7patient\xd9\x24" ID_B "\xa2"
                                "at\x01"
                                "\xa7"
                                "done_by\xa5nurse\xa6source\xa4seen"
                                "\xa5visit\xd9\x24" ID_C "\xa5stoma\xa6second"
                                "\xa8replaces\xd9\x24" ID_C "\xa7same_as\xd9\x24" ID_B "\xa4"
                                "body\x81\xa9weight_kg\xcb\x40\x29\0\0\0\0\0\0"
                                "\x83\xa2"
                                "by\xa7nurse-a\xa4node\xd9\x24" ID_C "\xaawritten_at\xcf\0\0\x01\x9d\x0a\xa3\xcc\0";
    assert_int_equal(size, sizeof whole - 1);
    assert_memory_equal(canonical, whole, size);
    /* Content first, and its length is what sameness is judged on. */
    assert_int_equal(proto_event_decode(canonical, size, sample.arena, &e), PROTO_OK);
    assert_ptr_equal(e.content.data, canonical + 1);
    assert_ptr_equal(e.raw_body.data + e.raw_body.size, e.content.data + e.content.size);
    assert_int_equal(e.raw_body.size, 20);
    assert_int_equal(proto_event_stoma(&e), PROTO_stoma_second);
}

static void an_event_that_does_not_fit_is_too_large(void **state) {
    (void)state;
    struct plan p = {.kind = PROTO_KIND_patient_registered, .at = PROTO_TIME_MAX};
    static struct proto_event e;
    struct proto_fault fault;
    size_t size = 0, full = 0;
    plan_complete(&p);
    assert_int_equal(decode(&p, false, &e, &fault), PROTO_OK);
    stamp(&e);
    assert_int_equal(proto_event_encode(&e, canonical, sizeof canonical, &full), PROTO_OK);
    for (size_t cap = 0; cap < full; cap++)
        assert_int_equal(proto_event_encode(&e, again, cap, &size), PROTO_TOO_LARGE);
    assert_int_equal(size, 0);
    assert_int_equal(proto_event_encode(&e, again, full, &size), PROTO_OK);
}

/* All fields at their most still fit one event. */
static void the_largest_event_of_each_kind_fits(void **state) {
    (void)state;
    for (unsigned k = PROTO_KIND_UNKNOWN + 1; k < PROTO_KIND_COUNT; k++) {
        struct plan p = {.kind = (enum proto_kind)k, .at = PROTO_TIME_MAX};
        for (uint32_t f = 0; f < proto_kind_get(p.kind)->field_count; f++)
            p.field[f] = MOST;
        if (p.kind == PROTO_KIND_device_placed)
            p.field[PROTO_FIELD_device_placed_retention] = LEAST;
        if (p.kind == PROTO_KIND_balloon_checked)
            p.field[PROTO_FIELD_balloon_checked_stuck] = p.field[PROTO_FIELD_balloon_checked_left_empty] = ABSENT;
        if (p.kind == PROTO_KIND_plan_set)
            p.field[PROTO_FIELD_plan_set_policy] = p.field[PROTO_FIELD_plan_set_value] =
                p.field[PROTO_FIELD_plan_set_off] = ABSENT;
        (void)check_round_trip(&p);
    }
}

static void order_is_by_time_rank_and_id(void **state) {
    (void)state;
    struct proto_event placed = {.kind = PROTO_KIND_device_placed, .at = 5, .id = id_of(ID_A)};
    struct proto_event out = {.kind = PROTO_KIND_tube_out, .at = 5, .id = id_of(ID_B)};
    struct proto_event later = {.kind = PROTO_KIND_tube_out, .at = 6, .id = id_of(ID_A)};
    struct proto_event unknown = {.kind = PROTO_KIND_UNKNOWN, .at = 5, .id = id_of(ID_A)};
    struct proto_event other = placed;
    other.id = id_of(ID_C);
    assert_true(proto_event_order(&out, &placed) < 0); /* what comes out comes out before what goes in */
    assert_true(proto_event_order(&placed, &out) > 0);
    assert_true(proto_event_order(&placed, &later) < 0);
    assert_true(proto_event_order(&later, &placed) > 0);
    assert_true(proto_event_order(&placed, &unknown) < 0);
    assert_true(proto_event_order(&placed, &other) < 0);
    assert_int_equal(proto_event_order(&placed, &placed), 0);
    assert_int_equal(proto_event_rank(&unknown), PROTO_RANK_REST);
}

/* "abc" and the empty message: NIST, FIPS 180-2, appendix B.1, and the published hash of no bytes (from memory). */
static void the_hash_is_sha_256(void **state) {
    (void)state;
    static const uint8_t abc[] = {0xba, 0x78, 0x16, 0xbf, 0x8f, 0x01, 0xcf, 0xea, 0x41, 0x41, 0x40,
                                  0xde, 0x5d, 0xae, 0x22, 0x23, 0xb0, 0x03, 0x61, 0xa3, 0x96, 0x17,
                                  0x7a, 0x9c, 0xb4, 0x10, 0xff, 0x61, 0xf2, 0x00, 0x15, 0xad};
    uint8_t made[PROTO_HASH_BYTES];
    proto_hash("abc", 3, made);
    assert_memory_equal(made, abc, sizeof abc);
    proto_hash(NULL, 0, made);
    assert_int_equal(made[0], 0xe3);
    assert_int_equal(made[31], 0x55);
}

static int close_sample(void **state) {
    (void)state;
    sample_end(&sample);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_kind_with_what_it_needs),
        cmocka_unit_test(every_field_at_its_bounds),
        cmocka_unit_test(one_step_beyond_is_refused),
        cmocka_unit_test(every_required_field_is_asked_for),
        cmocka_unit_test(canonical_bytes_are_as_documented),
        cmocka_unit_test(an_event_that_does_not_fit_is_too_large),
        cmocka_unit_test(the_largest_event_of_each_kind_fits),
        cmocka_unit_test(order_is_by_time_rank_and_id),
        cmocka_unit_test(the_hash_is_sha_256),
    };
    return cmocka_run_group_tests(tests, NULL, close_sample);
}
