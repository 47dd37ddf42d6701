/*
 * tables_test.c - names, numbers and choices find each other; who may answer an alert; the answer of `kinds` says what the
 * tables say; faults keep their shape.
 */
#include "sample.h"

static void kinds_policies_tasks_and_alerts(void **state) {
    (void)state;
    for (unsigned k = 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        assert_int_equal(proto_kind_find(slice_of(kind->name)), k);
        assert_string_equal(proto_choice_name("kind", k), kind->name);
        assert_true(kind->help[strlen(kind->help) - 1] == '.');
    }
    for (unsigned p = 1; p < PROTO_POLICY_COUNT; p++) {
        const struct proto_policy_info *info = proto_policy_get((enum proto_policy)p);
        assert_int_equal(proto_policy_find(slice_of(info->name)), p);
        assert_true(info->min <= info->fallback && info->fallback <= info->max);
        assert_true(strlen(info->basis) > 5 && strlen(info->help) > 5 && strlen(info->unit) > 0);
    }
    for (unsigned t = 1; t < PROTO_TASK_COUNT; t++) {
        assert_int_equal(proto_task_find(slice_of(proto_task_name((enum proto_task)t))), t);
        assert_true(strlen(proto_task_title((enum proto_task)t)) > 5);
    }
    for (unsigned a = 1; a < PROTO_ALERT_COUNT; a++)
        assert_int_equal(proto_alert_find(slice_of(proto_alert_name((enum proto_alert)a))), a);
    assert_int_equal(proto_kind_find(slice_of("balloon")), PROTO_KIND_UNKNOWN);
    assert_int_equal(proto_kind_find((struct proto_slice){0}), PROTO_KIND_UNKNOWN);
    assert_int_equal(proto_policy_find(slice_of("")), PROTO_POLICY_NONE);
    assert_int_equal(proto_task_find(slice_of("Rotate")), PROTO_TASK_NONE);
    assert_int_equal(proto_alert_find(slice_of("tube-out ")), PROTO_ALERT_NONE);
    assert_true(proto_task_has_kind(PROTO_TASK_BALLOON_CHECK));
    assert_false(proto_task_has_kind(PROTO_TASK_STITCHES_OUT));
    assert_false(proto_task_defers_freely(PROTO_TASK_DEVICE_CHANGE));
    assert_true(proto_task_defers_freely(PROTO_TASK_WEIGHT));
    assert_true(proto_alert_ends_with_device(PROTO_ALERT_BALLOON_LOW));
    assert_false(proto_alert_ends_with_device(PROTO_ALERT_INFECTION_SIGNS));
    assert_string_equal(proto_urgency_name(PROTO_URGENCY_NOW), "now");
    assert_string_equal(proto_level_name(PROTO_LEVEL_SETTLED), "settled");
}

static void choices(void **state) {
    (void)state;
    static const char *const names[] = {"retention", "weekday",        "task",      "alert", "urgency",
                                        "policy",    "kind",           "want",      "level", "task_state",
                                        "fluid",     "yes_no_unknown", "spare_what"};
    static const uint32_t counts[] = {
        3, 7, PROTO_TASK_COUNT - 1, PROTO_ALERT_COUNT - 1, 4, PROTO_POLICY_COUNT - 1, PROTO_KIND_COUNT - 1, 3, 7, 3, 8,
        3, 3};
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        assert_int_equal(proto_choice_count(names[i]), counts[i]);
        for (uint32_t n = 1; n <= counts[i]; n++)
            assert_int_equal(proto_choice_find(names[i], slice_of(proto_choice_name(names[i], n))), n);
        assert_null(proto_choice_name(names[i], 0));
        assert_null(proto_choice_name(names[i], counts[i] + 1));
        assert_int_equal(proto_choice_find(names[i], slice_of("no such")), 0);
    }
    assert_int_equal(proto_choice_count("no such"), 0);
    assert_null(proto_choice_name("no such", 1));
    assert_int_equal(proto_choice_find("no such", slice_of("main")), 0);
    assert_string_equal(proto_choice_name("contact_to", PROTO_contact_to_gp), "gp");
}

/* A field's list number is the list of its name, in every table. */
static void fields_know_their_list(void **state) {
    (void)state;
    for (unsigned k = 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        for (uint32_t f = 0; f < kind->field_count; f++) {
            const struct proto_field *field = &kind->fields[f];
            assert_int_equal(field->list != 0, field->choices != NULL);
            if (field->list)
                assert_string_equal(proto_list_get(field->list)->name, field->choices);
            assert_int_equal(field->name_size, strlen(field->name));
            for (uint32_t expected = 0; expected <= kind->field_count + 1; expected++)
                assert_int_equal(proto_field_find(kind->fields, kind->field_count, expected, slice_of(field->name)), f);
        }
        assert_int_equal(proto_field_find(kind->fields, kind->field_count, 0, slice_of("no such")), kind->field_count);
    }
}

/* Care rules, "Answered": who counts, by urgency. */
static void who_answers_an_alert(void **state) {
    (void)state;
    static const bool senior[PROTO_contact_to_count] = {[PROTO_contact_to_surgeon] = true,
                                                        [PROTO_contact_to_gastroenterologist] = true,
                                                        [PROTO_contact_to_emergency] = true,
                                                        [PROTO_contact_to_ward] = true,
                                                        [PROTO_contact_to_radiology] = true};
    for (int to = PROTO_contact_to_not_said; to <= PROTO_contact_to_count; to++) {
        bool anybody = to > PROTO_contact_to_not_said && to < PROTO_contact_to_count && to != PROTO_contact_to_other;
        bool family = to == PROTO_contact_to_family, gp = to == PROTO_contact_to_gp;
        bool is_senior = anybody && senior[to];
        for (unsigned a = 1; a < PROTO_ALERT_COUNT; a++) {
            enum proto_alert alert = (enum proto_alert)a;
            bool skin = alert == PROTO_ALERT_INFECTION_SIGNS || alert == PROTO_ALERT_OVERGRANULATION ||
                        alert == PROTO_ALERT_LEAK_AROUND;
            for (unsigned u = 1; u < PROTO_URGENCY_COUNT; u++) {
                bool expected = u >= PROTO_URGENCY_SOON ? anybody && !family : is_senior || (skin && gp);
                if (alert == PROTO_ALERT_NO_WORD)
                    expected = anybody;
                if (proto_alert_answered_by(alert, (enum proto_urgency)u, to) != expected)
                    fail_msg("%s at %s by %d", proto_alert_name(alert), proto_urgency_name((enum proto_urgency)u), to);
            }
        }
    }
}

static void errors_and_faults(void **state) {
    (void)state;
    struct proto_fault fault;
    char long_text[400];
    for (unsigned e = PROTO_OK; e < PROTO_ERROR_COUNT; e++) {
        assert_int_equal(proto_error_find(proto_error_code((enum proto_error)e)), e);
        const char *sentence = proto_error_sentence((enum proto_error)e);
        assert_int_equal(sentence[strlen(sentence) - 1], '.');
    }
    assert_int_equal(proto_error_find("no such"), PROTO_INTERNAL);
    assert_int_equal(proto_fault_set(&fault, PROTO_BUSY, "x", "%d of %s", 3, "y"), PROTO_BUSY);
    assert_string_equal(fault.message, "3 of y");
    assert_string_equal(fault.field, "x");
    assert_int_equal(fault.has_event, 0);
    assert_int_equal(proto_fault_set(NULL, PROTO_FULL, NULL, "nobody is told"), PROTO_FULL);
    /* Cut between characters of one to four bytes, at every place. */
    static const char *const characters[] = {"x", "\xc3\xa9", "\xe2\x82\xac", "\xf0\x9f\x8d\x80"};
    for (size_t c = 0; c < 4; c++)
        for (size_t shift = 0; shift < 4; shift++) {
            memset(long_text, 'a', sizeof long_text);
            for (size_t at = shift; at + 4 < sizeof long_text; at += c + 1)
                memcpy(long_text + at, characters[c], c + 1);
            long_text[shift + (sizeof long_text - 8 - shift) / (c + 1) * (c + 1)] = '\0';
            (void)proto_fault_set(&fault, PROTO_INTERNAL, long_text, "%s", long_text);
            size_t message = sizeof fault.message - 1, field = sizeof fault.field - 1;
            assert_int_equal(strlen(fault.message), shift + (message - shift) / (c + 1) * (c + 1));
            assert_int_equal(strlen(fault.field), shift + (field - shift) / (c + 1) * (c + 1));
        }
}

/* ---- the answer of `kinds` ------------------------------------------------------------------------------------------ */

static const msgpack_object *at_key(const msgpack_object *map, const char *key) {
    const msgpack_object *found = proto_object_find(map, key);
    if (!found)
        fail_msg("no %s", key);
    return found;
}

static void assert_text(const msgpack_object *map, const char *key, const char *text) {
    const msgpack_object *found = at_key(map, key);
    assert_true(proto_object_is_text(found) && proto_slice_is(proto_object_text(found), text));
}

static void check_fields(const msgpack_object *list, const struct proto_field *fields, uint32_t count) {
    assert_int_equal(list->via.array.size, count);
    for (uint32_t i = 0; i < count; i++) {
        const msgpack_object *map = &list->via.array.ptr[i], *bound;
        uint32_t parts;
        assert_text(map, "name", fields[i].name);
        assert_text(map, "type", proto_type_name(fields[i].type));
        assert_text(map, "help", fields[i].help);
        assert_int_equal(at_key(map, "required")->via.boolean, fields[i].required);
        assert_int_equal(proto_object_find(map, "unit") != NULL, fields[i].unit[0] != '\0');
        bound = proto_object_find(map, "max");
        if (fields[i].type == PROTO_TYPE_AMOUNT)
            assert_true(bound->type == MSGPACK_OBJECT_FLOAT64 || (int64_t)bound->via.u64 * 100 == fields[i].max);
        if (fields[i].type == PROTO_TYPE_INT)
            assert_int_equal(bound->via.u64, fields[i].max);
        assert_int_equal(proto_object_find(map, "only_true") != NULL,
                         fields[i].type == PROTO_TYPE_BOOL && fields[i].min == 1);
        const msgpack_object *names = proto_object_find(map, "choices");
        assert_int_equal(names != NULL, fields[i].list != 0);
        if (names)
            assert_int_equal(names->via.array.size, proto_list_get(fields[i].list)->count);
        const struct proto_field *of = proto_record_fields(fields[i].type, &parts);
        assert_int_equal(proto_object_find(map, "of") != NULL, of != NULL);
        if (of)
            check_fields(at_key(map, "of"), of, parts);
    }
}

static void kinds_says_what_the_tables_say(void **state) {
    (void)state;
    static struct sample s;
    sample_begin(&s);
    proto_write_kinds(&s.w);
    const msgpack_object *all = sample_object(&s), *list = at_key(all, "kinds");
    assert_true(s.w.size < PROTO_STATUS_BYTES_MAX);
    assert_int_equal(at_key(all, "protocol")->via.u64, PROTO_VERSION);
    assert_int_equal(list->via.array.size, PROTO_KIND_COUNT - 1);
    for (unsigned k = 1; k < PROTO_KIND_COUNT; k++) {
        const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)k);
        const msgpack_object *map = &list->via.array.ptr[k - 1];
        assert_text(map, "name", kind->name);
        assert_text(map, "help", kind->help);
        assert_text(map, "scope", proto_scope_name(kind->scope));
        assert_text(map, "rank", proto_rank_name(kind->rank));
        check_fields(at_key(map, "fields"), kind->fields, kind->field_count);
    }
    list = at_key(all, "methods");
    assert_int_equal(list->via.array.size, PROTO_METHOD_COUNT - 1);
    for (unsigned m = 1; m < PROTO_METHOD_COUNT; m++) {
        const struct proto_method_info *method = proto_method_get((enum proto_method)m);
        assert_text(&list->via.array.ptr[m - 1], "name", method->name);
        check_fields(at_key(&list->via.array.ptr[m - 1], "params"), method->params, method->param_count);
    }
    check_fields(at_key(all, "event"), proto_envelope_fields(), PROTO_ENVELOPE_COUNT);
    assert_int_equal(at_key(all, "tasks")->via.array.size, PROTO_TASK_COUNT - 1);
    assert_int_equal(at_key(all, "alerts")->via.array.size, PROTO_ALERT_COUNT - 1);
    assert_int_equal(at_key(all, "urgencies")->via.array.size, PROTO_URGENCY_COUNT - 1);
    assert_int_equal(at_key(all, "levels")->via.array.size, PROTO_LEVEL_COUNT - 1);
    sample_end(&s);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(kinds_policies_tasks_and_alerts),
        cmocka_unit_test(choices),
        cmocka_unit_test(fields_know_their_list),
        cmocka_unit_test(who_answers_an_alert),
        cmocka_unit_test(errors_and_faults),
        cmocka_unit_test(kinds_says_what_the_tables_say),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
