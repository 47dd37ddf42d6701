/*
 * refusals_test.c - what `record` refuses, each with its code, its field and its sentence; and the nearest that is taken.
 */
#include "json.h"

static struct sample sample;

/* An event for patient ID_B at `at` with the given kind and body, and more pairs before them. */
static enum proto_error record(const char *more, const char *kind, const char *body, struct proto_event *e,
                               struct proto_fault *fault) {
    char text[8192];
    bool team = strcmp(kind, "policy.adopted") == 0 || strcmp(kind, "lot.recalled") == 0;
    assert_true(snprintf(text, sizeof text, "{%s %s 'kind': '%s', 'body': %s}", more,
                         team ? "" : "'patient': '" ID_B "'", kind, body) < (int)sizeof text);
    return proto_event_decode_map(json_object(&sample, text), PROTO_STRICT_RECORD, e, fault);
}

#define AT "'id': '" ID_A "', 'at': 1774000000000" /* 2026-03-20 */

struct row {
    const char *kind, *body;
    enum proto_error expected; /* PROTO_OK: taken */
    const char *field, *sentence;
};

static void check_rows(const struct row *rows, size_t count) {
    for (size_t i = 0; i < count; i++) {
        struct proto_event before, e;
        struct proto_fault fault = {0};
        memset(&e, 0x5a, sizeof e);
        memset(&before, 0x5a, sizeof before);
        enum proto_error error = record(AT, rows[i].kind, rows[i].body, &e, &fault);
        if (error != rows[i].expected)
            fail_msg("%s %s: %s %s", rows[i].kind, rows[i].body, proto_error_code(error), fault.message);
        if (error == PROTO_OK)
            continue;
        assert_int_equal(fault.code, error);
        assert_memory_equal(&e, &before, sizeof e); /* nothing was changed */
        assert_string_equal(fault.field, rows[i].field);
        assert_string_equal(fault.message, rows[i].sentence);
    }
}
#define CHECK(rows) check_rows(rows, sizeof(rows) / sizeof((rows)[0]))

static void balloon_checks(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"balloon.checked", "{'withdrawn_ml': 4, 'filled_ml': 5}", PROTO_OK, "", ""},
        {"balloon.checked", "{'withdrawn_ml': 4, 'left_empty': true}", PROTO_OK, "", ""},
        {"balloon.checked", "{'stuck': true}", PROTO_OK, "", ""},
        {"balloon.checked", "{}", PROTO_MISSING_FIELD, "withdrawn_ml",
         "balloon.checked needs withdrawn_ml, or stuck when nothing could be drawn."},
        {"balloon.checked", "{'withdrawn_ml': 4}", PROTO_MISSING_FIELD, "filled_ml",
         "balloon.checked needs filled_ml, or left_empty when no water was put back."},
        {"balloon.checked", "{'withdrawn_ml': 4, 'stuck': true, 'filled_ml': 5}", PROTO_BAD_VALUE, "stuck",
         "balloon.checked takes one of withdrawn_ml and stuck, not both."},
        {"balloon.checked", "{'withdrawn_ml': 4, 'filled_ml': 5, 'left_empty': true}", PROTO_BAD_VALUE, "left_empty",
         "balloon.checked takes one of filled_ml and left_empty, not both."},
        {"balloon.checked", "{'stuck': true, 'filled_ml': 5}", PROTO_BAD_VALUE, "filled_ml",
         "filled_ml goes with withdrawn_ml only, not with stuck."},
        {"balloon.checked", "{'stuck': true, 'left_empty': true}", PROTO_BAD_VALUE, "left_empty",
         "left_empty goes with withdrawn_ml only, not with stuck."},
        {"balloon.checked", "{'stuck': false}", PROTO_BAD_VALUE, "stuck", "stuck is either true or left out."},
        {"balloon.checked", "{'withdrawn_ml': 50.01, 'filled_ml': 5}", PROTO_BAD_VALUE, "withdrawn_ml",
         "withdrawn_ml must lie between 0 and 50 mL."},
        {"balloon.checked", "{'withdrawn_ml': -0.01, 'filled_ml': 5}", PROTO_BAD_VALUE, "withdrawn_ml",
         "withdrawn_ml must lie between 0 and 50 mL."},
        {"balloon.checked", "{'withdrawn_ml': 4, 'filled_ml': 5, 'look': 'milky'}", PROTO_BAD_VALUE, "look",
         "look must be one of clear, cloudy, discoloured."},
        {"balloon.checked", "{'withdrawn_ml': 4, 'filled_ml': 5, 'volume': 3}", PROTO_UNKNOWN_FIELD, "volume",
         "balloon.checked has no field \"volume\"; it takes withdrawn_ml, stuck, filled_ml, left_empty, look, fluid, "
         "syringe_ml."},
        {"balloon.checked", "{'withdrawn_ml': 4, 'withdrawn_ml': 4, 'filled_ml': 5}", PROTO_BAD_VALUE, "withdrawn_ml",
         "withdrawn_ml is given twice."},
        {"balloon.checked", "[]", PROTO_BAD_VALUE, "body", "body must be a map."},
        {"balloon.checked", "null", PROTO_BAD_VALUE, "body", "body must be a map."},
    };
    CHECK(rows);
}

static void amounts(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"weight.measured", "{'weight_kg': 12}", PROTO_OK, "", ""},
        {"weight.measured", "{'weight_kg': 12.0}", PROTO_OK, "", ""},
        {"weight.measured", "{'weight_kg': 12.340000000001}", PROTO_OK, "", ""}, /* what sums in binary leave behind */
        {"weight.measured", "{'weight_kg': 12.345}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must be a number with at most two decimals."},
        {"weight.measured", "{'weight_kg': 12.34000001}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must be a number with at most two decimals."},
        {"weight.measured", "{'weight_kg': NaN}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must be a number with at most two decimals."},
        {"weight.measured", "{'weight_kg': Infinity}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must lie between 0.3 and 300 kg."},
        {"weight.measured", "{'weight_kg': 1e300}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must lie between 0.3 and 300 kg."},
        {"weight.measured", "{'weight_kg': -1e300}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must lie between 0.3 and 300 kg."},
        {"weight.measured", "{'weight_kg': 9223372036854775807}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must lie between 0.3 and 300 kg."},
        {"weight.measured", "{'weight_kg': -9223372036854775807}", PROTO_BAD_VALUE, "weight_kg",
         "weight_kg must lie between 0.3 and 300 kg."},
        {"weight.measured", "{'weight_kg': '12'}", PROTO_BAD_VALUE, "weight_kg", "weight_kg must be a number."},
        {"weight.measured", "{'weight_kg': true}", PROTO_BAD_VALUE, "weight_kg", "weight_kg must be a number."},
        {"weight.measured", "{'weight_kg': null}", PROTO_BAD_VALUE, "weight_kg", "weight_kg must be a number."},
        {"site.checked", "{'fever_c': 45.01}", PROTO_BAD_VALUE, "fever_c",
         "fever_c must lie between 30 and 45 degrees Celsius."},
    };
    CHECK(rows);
}

/* A float 32 is taken when it is the nearest to a decimal with two places, and not otherwise. */
static void amounts_in_single_precision(void **state) {
    (void)state;
    for (int64_t hundredths = 30; hundredths <= 30000; hundredths++) {
        struct proto_event e;
        struct proto_fault fault;
        float value = (float)((double)hundredths / 100.0);
        for (int off = 0; off < 2; off++) {
            sample_begin(&sample);
            proto_arena_clear(sample.arena);
            struct proto_writer *w = &sample.w;
            uint32_t bits;
            if (off)
                value += 0.003f;
            memcpy(&bits, &value, sizeof bits);
            proto_write_map(w, 5);
            pair_text(w, "id", ID_A);
            pair_text(w, "kind", "weight.measured");
            pair_text(w, "patient", ID_B);
            pair_int(w, "at", 0);
            proto_write_text(w, "body");
            proto_write_map(w, 1);
            proto_write_text(w, "weight_kg");
            uint8_t raw[5] = {0xca, (uint8_t)(bits >> 24), (uint8_t)(bits >> 16 & 0xff), (uint8_t)(bits >> 8 & 0xff),
                              (uint8_t)(bits & 0xff)};
            proto_write_raw(w, raw, sizeof raw);
            enum proto_error error = proto_event_decode_map(sample_object(&sample), PROTO_STRICT_RECORD, &e, &fault);
            assert_int_equal(error, off ? PROTO_BAD_VALUE : PROTO_OK);
            if (!off)
                assert_int_equal(PROTO_BODY(&e, weight_measured, weight_kg)->n, hundredths);
        }
    }
}

/* Each amount of hundredths goes out and comes back as itself. */
static void amounts_come_back(void **state) {
    (void)state;
    for (int64_t hundredths = 30; hundredths <= 30000; hundredths++) {
        static struct proto_event e, back;
        struct proto_fault fault;
        uint8_t bytes[512];
        size_t size = 0;
        sample_begin(&sample);
        proto_arena_clear(sample.arena);
        json_write(&sample.w, "{'id': '" ID_A "', 'kind': 'weight.measured', 'patient': '" ID_B
                              "', 'at': 0, 'body': {'weight_kg': 1}}");
        sample.w.size--; /* the one, which is its last byte */
        proto_write_amount(&sample.w, hundredths);
        assert_int_equal(proto_event_decode_map(sample_object(&sample), PROTO_STRICT_RECORD, &e, &fault), PROTO_OK);
        stamp(&e);
        assert_int_equal(proto_event_encode(&e, bytes, sizeof bytes, &size), PROTO_OK);
        assert_int_equal(proto_event_decode(bytes, size, sample.arena, &back), PROTO_OK);
        assert_int_equal(PROTO_BODY(&back, weight_measured, weight_kg)->n, hundredths);
    }
}

static void numbers_texts_and_choices(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"supply.counted", "{'item': 'gauze', 'count': 3.0}", PROTO_BAD_VALUE, "count",
         "count must be a whole number."},
        {"supply.counted", "{'item': 'gauze', 'count': -1}", PROTO_BAD_VALUE, "count",
         "count must lie between 0 and 100000."},
        {"supply.counted", "{'item': '', 'count': 1}", PROTO_BAD_VALUE, "item", "item must not be empty."},
        {"supply.counted", "{'item': 7, 'count': 1}", PROTO_BAD_VALUE, "item", "item must be text."},
        {"supply.counted", "{'item': 'a\x01', 'count': 1}", PROTO_BAD_VALUE, "item",
         "item holds a control character; only line breaks and tabs are taken."},
        {"supply.counted", "{'item': 'a\xc2\x85', 'count': 1}", PROTO_BAD_VALUE, "item",
         "item holds a control character; only line breaks and tabs are taken."},
        {"note.written", "{'text': 'one\ntwo\tthree'}", PROTO_OK, "", ""},
        {"note.written", "{'text': ' '}", PROTO_OK, "", ""}, /* kept as sent */
        {"visit.planned", "{'on': '2026-02-29'}", PROTO_BAD_VALUE, "on", "on must be a date such as 2026-03-01."},
        {"visit.planned", "{'on': '1899-12-31'}", PROTO_BAD_VALUE, "on",
         "on must lie between 1900-01-01 and 2100-01-01."},
        {"visit.planned", "{'on': 20260301}", PROTO_BAD_VALUE, "on", "on must be a date such as 2026-03-01."},
        {"patient.merged", "{'into': '017F22E2-79B0-7CC3-98C4-DC0C0C07398F'}", PROTO_BAD_VALUE, "into",
         "into must be a UUID in lower case, such as 017f22e2-79b0-7cc3-98c4-dc0c0c07398f."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'about': ['no-such']}", PROTO_BAD_VALUE, "about",
         "about must be one of tube-out, no-device, tube-displaced, position-unsure, placed-against-rule, "
         "early-complication, "
         "pain-or-bleeding, infection-signs, balloon-low, and 27 more, which kinds lists."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'about': 'tube-out'}", PROTO_BAD_VALUE, "about",
         "about must be a list."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'about': ['tube-out', 'tube-out']}", PROTO_BAD_VALUE,
         "about", "about names tube-out twice."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'recheck_by': 1773999999999}", PROTO_BAD_VALUE,
         "recheck_by", "recheck_by must not lie before the call."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'recheck_by': 1774000000000}", PROTO_OK, "", ""},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'recheck_by': 1774604800000}", PROTO_OK, "", ""},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'recheck_by': 1774604800001}", PROTO_BAD_VALUE,
         "recheck_by", "recheck_by must lie at most 7 days after the call: look again by then at the latest."},
        {"contact.made", "{'to': 'ward', 'outcome': 'answered', 'recheck_by': '2026-03-21'}", PROTO_BAD_VALUE,
         "recheck_by", "recheck_by must be a whole number of milliseconds since 1970-01-01T00:00:00Z."},
        {"care.done", "{'items': []}", PROTO_BAD_VALUE, "items", "items must name at least one."},
        {"tube.out", "{'trained_present': 'yes', 'pain': 1}", PROTO_BAD_VALUE, "pain", "pain must be true or false."},
        {"tube.blocked", "{'water_ml': 10, 'warm': true, 'cleared': false, 'other_tried': ['']}", PROTO_BAD_VALUE,
         "other_tried", "other_tried, entry 1: text must not be empty."},
    };
    CHECK(rows);
}

#define PERSON "'label': 'HM-0142', 'born': '2020-01-01', 'zone': 'Europe/London'"

static void registrations(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"patient.registered", "{" PERSON " 'team': 'north-shore'}", PROTO_OK, "", ""},
        {"patient.registered", "{" PERSON " 'team': 'North Shore'}", PROTO_BAD_VALUE, "team",
         "team takes lower-case letters, digits and hyphens."},
        {"patient.registered", "{" PERSON " 'team': 'caf\xc3\xa9'}", PROTO_BAD_VALUE, "team",
         "team takes lower-case letters, digits and hyphens."},
        {"patient.moved", "{'team': 'a_b'}", PROTO_BAD_VALUE, "team",
         "team takes lower-case letters, digits and hyphens."},
        {"patient.registered",
         "{" PERSON " 'team': 'a', 'identifiers': [{'system': 'nhs-number', 'value': '9434765919'}]}", PROTO_OK, "",
         ""}, /* NHS Data Dictionary */
        {"patient.registered",
         "{" PERSON " 'team': 'a', 'identifiers': [{'system': 'nhs-number', 'value': '9434765918'}]}", PROTO_BAD_VALUE,
         "identifiers", "identifiers, entry 1: an nhs-number has ten digits, the last of them the right check digit."},
        {"patient.registered",
         "{" PERSON " 'team': 'a', 'identifiers': [{'system': 'clinic', 'value': '1'}, {'system': 'x'}]}",
         PROTO_MISSING_FIELD, "identifiers", "identifiers, entry 2: it needs value: the number."},
        {"patient.registered",
         "{" PERSON " 'team': 'a', 'contacts': [{'role': 'mother', 'name': 'M', 'phone': '1', 'fax': '2'}]}",
         PROTO_UNKNOWN_FIELD, "contacts", "contacts, entry 1: it has no field \"fax\"; it takes role, name, phone."},
        {"patient.registered",
         "{" PERSON " 'team': 'a', 'contacts': [{'role': 'mother', 'role': 'm', 'name': 'M', 'phone': '1'}]}",
         PROTO_BAD_VALUE, "contacts", "contacts, entry 1: role is given twice."},
        {"patient.registered", "{" PERSON " 'team': 'a', 'contacts': ['mother']}", PROTO_BAD_VALUE, "contacts",
         "contacts, entry 1: it must be a map."},
        {"patient.registered", "{" PERSON " 'team': 'a', 'use': [{'item': 'gauze', 'per_day': 0}]}", PROTO_BAD_VALUE,
         "use", "use, entry 1: per_day must lie between 0.01 and 1000."},
        {"patient.registered", "{" PERSON " 'team': 'a', 'born': '2020-01-01'}", PROTO_BAD_VALUE, "born",
         "born is given twice."},
        {"patient.registered", "{'label': 'a', 'born': '2026-03-22', 'zone': 'Z', 'team': 'a'}", PROTO_BAD_VALUE,
         "born", "born must not lie after the registration."},
        {"patient.registered", "{'label': 'a', 'born': '2026-03-20', 'zone': 'Z', 'team': 'a'}", PROTO_OK, "", ""},
        {"site.checked", "{}", PROTO_MISSING_FIELD, "",
         "site.checked needs at least one finding: what was seen or measured, or what was not there."},
        {"site.checked", "{'warm': false}", PROTO_OK, "", ""},
        {"patient.revised", "{}", PROTO_MISSING_FIELD, "", "patient.revised needs at least one field that changes."},
        {"patient.revised", "{'active': false}", PROTO_OK, "", ""},
        {"patient.revised", "{'team': 'a'}", PROTO_UNKNOWN_FIELD, "team",
         "patient.revised has no field \"team\"; it takes label, born, zone, identifiers, active, feeding, "
         "hours_without_feed_max, "
         "critical_medicines, latex_allergy, anticoagulant, immunosuppressed, and more."},
        {"patient.revised", "{'born': '2026-03-22'}", PROTO_BAD_VALUE, "born", "born must not lie after the revision."},
        {"patient.merged", "{'into': '" ID_B "'}", PROTO_BAD_VALUE, "into",
         "into must be another record than the patient's own."},
    };
    CHECK(rows);
}

#define DEVICE                                                                                                         \
    "'profile': 'low', 'tip': 'stomach', 'french_fr': 14, 'why': 'scheduled', 'place': 'home', 'placed_by': 'nurse'"

static void stomas_and_devices(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"stoma.formed", "{'how': 'unknown'}", PROTO_OK, "", ""},
        {"stoma.formed", "{'how': 'unknown', 'precision': 'unknown'}", PROTO_OK, "", ""},
        {"stoma.formed", "{'how': 'unknown', 'precision': 'month'}", PROTO_MISSING_FIELD, "formed_on",
         "stoma.formed needs formed_on when its precision is month."},
        {"stoma.formed", "{'how': 'surgical', 'formed_on': '2026-03-22'}", PROTO_BAD_VALUE, "formed_on",
         "formed_on must not lie after the event's own time."},
        {"stoma.formed", "{'how': 'surgical', 'formed_on': '2026-03-01', 'mature_on': '2026-02-28'}", PROTO_BAD_VALUE,
         "mature_on", "mature_on must not lie before formed_on."},
        {"stoma.formed",
         "{'how': 'surgical', 'formed_on': '2026-03-31', 'precision': 'month', 'mature_on': '2026-02-28'}",
         PROTO_BAD_VALUE, "formed_on", "formed_on must not lie after the event's own time."},
        {"stoma.formed",
         "{'how': 'surgical', 'formed_on': '2026-03-15', 'precision': 'month', 'stitches_out_on': '2026-03-10'}",
         PROTO_OK, "", ""},
        {"stoma.formed",
         "{'how': 'surgical', 'formed_on': '2026-03-15', 'precision': 'day', 'stitches_out_on': '2026-03-10'}",
         PROTO_BAD_VALUE, "stitches_out_on", "stitches_out_on must not lie before formed_on."},
        {"device.placed", "{" DEVICE " 'retention': 'balloon', 'balloon_ml': 5}", PROTO_OK, "", ""},
        {"device.placed", "{" DEVICE " 'retention': 'balloon'}", PROTO_MISSING_FIELD, "balloon_ml",
         "device.placed needs balloon_ml when a balloon holds the device."},
        {"device.placed", "{" DEVICE " 'retention': 'bumper', 'balloon_ml': 5}", PROTO_BAD_VALUE, "balloon_ml",
         "balloon_ml goes with a balloon only."},
        {"device.placed", "{" DEVICE " 'retention': 'bumper', 'gtin': '6291041500213'}", PROTO_OK, "", ""}, /* GS1 */
        {"device.placed", "{" DEVICE " 'retention': 'bumper', 'gtin': '6291041500214'}", PROTO_BAD_VALUE, "gtin",
         "gtin must be 8, 12, 13 or 14 digits, the last of them the right check digit."},
        {"device.placed", "{" DEVICE " 'retention': 'bumper', 'gtin': '629104'}", PROTO_BAD_VALUE, "gtin",
         "gtin must be at least 8 bytes long."},
        {"device.prescribed", "{'prescriber': 'Dr A'}", PROTO_MISSING_FIELD, "",
         "device.prescribed needs balloon_ml, change_months or ph_limit."},
        {"device.prescribed", "{'prescriber': 'Dr A', 'ph_limit': 5.5}", PROTO_OK, "", ""},
        {"tube.out", "{'trained_present': 'yes', 'last_seen_at': 1774000000001}", PROTO_BAD_VALUE, "last_seen_at",
         "last_seen_at must not lie after at."},
        {"tube.out", "{'trained_present': 'yes', 'last_seen_at': 1774000000000}", PROTO_OK, "", ""},
        {"care.done", "{'items': ['rotate'], 'since': '2026-03-22'}", PROTO_BAD_VALUE, "since",
         "since must not lie after the event's own time."},
        {"care.done", "{'items': ['rotate'], 'since': '2026-03-13', 'rotated': 'free'}", PROTO_OK, "", ""},
    };
    CHECK(rows);
}

#define WHO "'reason': 'r', 'prescriber': 'Dr A'"

static void plans_tasks_and_policies(void **state) {
    (void)state;
    static const struct row rows[] = {
        {"plan.set", "{" WHO " 'task': 'rotate', 'every_days': 1}", PROTO_OK, "", ""},
        {"plan.set", "{" WHO " 'every_days': 1}", PROTO_MISSING_FIELD, "task", "plan.set needs task or policy."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'policy': 'ph-limit', 'value': 5}", PROTO_BAD_VALUE, "policy",
         "plan.set takes one of task and policy, not both."},
        {"plan.set", "{" WHO " 'task': 'rotate'}", PROTO_MISSING_FIELD, "every_days",
         "plan.set needs every_days, weekdays, pauses or off for a task."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'off': true}", PROTO_MISSING_FIELD, "until",
         "plan.set needs until when it turns a task off."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'off': true, 'until': '2026-05-01'}", PROTO_OK, "", ""},
        {"plan.set", "{" WHO " 'task': 'rotate', 'off': true, 'until': '2026-05-01', 'every_days': 2}", PROTO_BAD_VALUE,
         "off", "off cannot go with every_days, weekdays or pauses."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'every_days': 1, 'value': 5}", PROTO_BAD_VALUE, "value",
         "value goes with policy, not with task."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'weekdays': ['mon', 'fri'], 'pauses': [['2026-04-01', '2026-04-05']]}",
         PROTO_OK, "", ""},
        {"plan.set", "{" WHO " 'task': 'rotate', 'pauses': [['2026-04-05', '2026-04-01']]}", PROTO_BAD_VALUE, "pauses",
         "pauses, entry 1: to must not lie before from."},
        {"plan.set", "{" WHO " 'task': 'rotate', 'pauses': [['2026-04-05']]}", PROTO_BAD_VALUE, "pauses",
         "pauses, entry 1: it must be a list of two dates, from and to."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit'}", PROTO_MISSING_FIELD, "value",
         "plan.set needs value when it names a policy value."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 6}", PROTO_OK, "", ""},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 6.01}", PROTO_BAD_VALUE, "value",
         "value must lie between 3 and 6 (pH) for ph-limit."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 2.99}", PROTO_BAD_VALUE, "value",
         "value must lie between 3 and 6 (pH) for ph-limit."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 5, 'every_days': 2}", PROTO_BAD_VALUE, "every_days",
         "every_days goes with task, not with policy."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 5, 'weekdays': ['mon']}", PROTO_BAD_VALUE, "weekdays",
         "weekdays goes with task, not with policy."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 5, 'off': true}", PROTO_BAD_VALUE, "off",
         "off goes with task, not with policy."},
        {"plan.set", "{" WHO " 'policy': 'ph-limit', 'value': 5, 'pauses': []}", PROTO_BAD_VALUE, "pauses",
         "pauses goes with task, not with policy."},
        {"task.added", "{'task': 'rotate', 'title': 'T', 'due': '2026-04-01'}", PROTO_BAD_VALUE, "task",
         "task is the name of a routine task; a team's own task needs another."},
        {"task.added", "{'task': 'swab', 'title': 'T', 'due': '2026-04-01'}", PROTO_OK, "", ""},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': {'ph-limit': 5.5}}", PROTO_OK, "", ""},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': {}}", PROTO_BAD_VALUE, "values",
         "values must name at least one."},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': []}", PROTO_BAD_VALUE, "values",
         "values must be a map of policy values by name."},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': {'ph': 5}}", PROTO_BAD_VALUE, "values",
         "values: there is no policy value \"ph\"; the method rules lists them."},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': {'ph-limit': 7}}", PROTO_BAD_VALUE, "values",
         "values: ph-limit must lie between 3 and 6 pH."},
        {"policy.adopted", "{'approved_by': 'Lead', 'values': {'ph-limit': 5, 'ph-limit': 5}}", PROTO_BAD_VALUE,
         "values", "values names ph-limit twice."},
        {"lot.recalled", "{'notice': 'n', 'urgency': 'soon', 'action': 'a'}", PROTO_MISSING_FIELD, "lot",
         "lot.recalled needs lot or gtin."},
        {"lot.recalled", "{'notice': 'n', 'urgency': 'soon', 'action': 'a', 'gtin': '5012345678900'}", PROTO_OK, "",
         ""},
        {"event.withdrawn", "{'event': '" ID_A "', 'reason': 'r'}", PROTO_BAD_VALUE, "event",
         "event must be the id of another event."},
        {"withdrawal.confirmed", "{'withdrawal': '" ID_A "'}", PROTO_BAD_VALUE, "withdrawal",
         "withdrawal must be the id of another event."},
    };
    CHECK(rows);
}

/* ---- the envelope ---------------------------------------------------------------------------------------------- */

static void envelopes(void **state) {
    (void)state;
    static const struct {
        const char *event;
        enum proto_error expected;
        const char *field, *sentence;
    } rows[] = {
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5}", PROTO_OK, "", ""}, /* no fields, no body needed */
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'body': {}}", PROTO_OK, "", ""},
        {"[]", PROTO_BAD_VALUE, "", "An event must be a map."},
        {"{}", PROTO_MISSING_FIELD, "kind", "An event needs kind: what happened."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "'}", PROTO_MISSING_FIELD, "at",
         "An event needs at: when it happened, not when it was typed."},
        {"{'kind': 'stoma.closed', 'at': 5}", PROTO_MISSING_FIELD, "patient",
         "stoma.closed needs patient: the child it is about."},
        {"{'kind': 'stoma.lost', 'patient': '" ID_B "', 'at': 5}", PROTO_UNKNOWN_KIND, "kind",
         "There is no kind of event named \"stoma.lost\"; the method kinds lists them."},
        {"{'kind': 7, 'patient': '" ID_B "', 'at': 5}", PROTO_BAD_VALUE, "kind", "kind must be text."},
        {"{'kind': 'policy.adopted', 'patient': '" ID_B "', 'at': 5}", PROTO_BAD_VALUE, "patient",
         "policy.adopted is not about one child and takes no patient."},
        {"{'kind': 'stoma.closed', 'patient': 'HM-0142', 'at': 5}", PROTO_BAD_VALUE, "patient",
         "patient must be a UUID in lower case, such as 017f22e2-79b0-7cc3-98c4-dc0c0c07398f."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 4102444800001}", PROTO_BAD_VALUE, "at",
         "at must lie between 1900-01-01T00:00:00Z and 2100-01-01T00:00:00Z."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': '2026-03-01T00:00Z'}", PROTO_BAD_VALUE, "at",
         "at must be a whole number of milliseconds since 1970-01-01T00:00:00Z."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'stoma': 'third'}", PROTO_BAD_VALUE, "stoma",
         "stoma must be one of main, second."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'done_by': 'robot'}", PROTO_BAD_VALUE, "done_by",
         "done_by must be one of nurse, carer, school, hospital, other."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'id': 'f47ac10b-58cc-4372-a567-0e02b2c3d479'}",
         PROTO_BAD_VALUE, "id", "id must be a version 7 UUID."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'id': '" ID_A "', 'replaces': '" ID_A "'}",
         PROTO_BAD_VALUE, "replaces", "replaces must be the id of another event."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'id': '" ID_A "', 'same_as': '" ID_A "'}",
         PROTO_BAD_VALUE, "same_as", "same_as must be the id of another event."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'at': 5}", PROTO_BAD_VALUE, "at",
         "at is given twice."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'body': {}, 'body': {}}", PROTO_BAD_VALUE, "body",
         "body is given twice."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'by': 'me'}", PROTO_UNKNOWN_FIELD, "by",
         "by is written by the server and cannot be sent."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'clock_offset_ms': 5}", PROTO_UNKNOWN_FIELD,
         "clock_offset_ms", "clock_offset_ms is written by the server and cannot be sent."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'seq': 5}", PROTO_UNKNOWN_FIELD, "seq",
         "An event has no field \"seq\"; it takes id, kind, patient, at, done_by, source, visit, stoma, replaces, "
         "same_as."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 7: 5}", PROTO_UNKNOWN_FIELD, "",
         "An event: the name of a field must be text."},
        {"{'kind': 'stoma.closed', 'patient': '" ID_B "', 'at': 5, 'a\x01': 5}", PROTO_UNKNOWN_FIELD, "",
         "An event has no field \"\"; it takes id, kind, patient, at, done_by, source, visit, stoma, replaces, "
         "same_as."},
        {"{'kind': 'patient.registered', 'patient': 'f47ac10b-58cc-4372-a567-0e02b2c3d479', 'at': 5, "
         "'body': {'label': 'a', 'born': '1969-01-01', 'zone': 'Z', 'team': 'a'}}",
         PROTO_BAD_VALUE, "patient", "patient must be a version 7 UUID that the caller made for the child."},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct proto_event e;
        struct proto_fault fault = {0};
        enum proto_error error =
            proto_event_decode_map(json_object(&sample, rows[i].event), PROTO_STRICT_RECORD, &e, &fault);
        if (error != rows[i].expected)
            fail_msg("%s: %s %s", rows[i].event, proto_error_code(error), fault.message);
        if (error == PROTO_OK)
            continue;
        assert_string_equal(fault.field, rows[i].field);
        assert_string_equal(fault.message, rows[i].sentence);
    }
}

/* Texts that are no UTF-8 do not pass the scan; a caller inside the house who skips it is refused too. */
static void invalid_utf_8_is_refused(void **state) {
    (void)state;
    const msgpack_object *object;
    struct proto_event e;
    struct proto_fault fault;
    size_t used;
    sample_begin(&sample);
    json_write(&sample.w, "{'kind': 'note.written', 'patient': '" ID_B "', 'at': 5, 'body': {'text': 'a\xff'}}");
    assert_int_equal(proto_arena_unpack(sample.arena, sample.bytes, sample.w.size, &used, &object), PROTO_OK);
    assert_int_equal(proto_event_decode_map(object, PROTO_STRICT_RECORD, &e, &fault), PROTO_BAD_VALUE);
    assert_string_equal(fault.message, "text is not valid UTF-8.");
}

static int close_sample(void **state) {
    (void)state;
    sample_end(&sample);
    return 0;
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(balloon_checks),
        cmocka_unit_test(amounts),
        cmocka_unit_test(amounts_in_single_precision),
        cmocka_unit_test(amounts_come_back),
        cmocka_unit_test(numbers_texts_and_choices),
        cmocka_unit_test(registrations),
        cmocka_unit_test(stomas_and_devices),
        cmocka_unit_test(plans_tasks_and_policies),
        cmocka_unit_test(envelopes),
        cmocka_unit_test(invalid_utf_8_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, close_sample);
}
