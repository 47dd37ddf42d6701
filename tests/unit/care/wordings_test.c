/*
 * Every alert has its rule, its basis and sentences; every sentence is whole, short, and fills all its placeholders.
 */
#include "alerts_world.h"

#define WORDING_BYTES_MAX 240

static void has_no_brace_left(const char *sentence) {
    assert_null(strchr(sentence, '{'));
    assert_null(strchr(sentence, '}'));
}

static void whole_sentence(const char *sentence, size_t longest) {
    size_t size = strlen(sentence);
    assert_true(size > 10);
    if (size > longest)
        print_message("%zu bytes: %s\n", size, sentence);
    assert_true(size <= longest);
    assert_int_equal(sentence[size - 1], '.');
    assert_true((sentence[0] >= 'A' && sentence[0] <= 'Z') || sentence[0] == '{');
    assert_null(strstr(sentence, "  "));
}

static void every_alert_has_rule_and_basis(void **unused) {
    (void)unused;
    for (int alert = 1; alert < PROTO_ALERT_COUNT; alert++) {
        assert_non_null(care_alert_rule((enum proto_alert)alert));
        assert_non_null(care_alert_basis((enum proto_alert)alert));
        assert_true(strlen(care_alert_rule((enum proto_alert)alert)) > 10);
        assert_true(strlen(care_alert_basis((enum proto_alert)alert)) > 10);
        bool found = false, next = false;
        for (int i = 0; i < CARE_FOUND_COUNT; i++)
            found = found || care_found_alert((enum care_found)i) == (enum proto_alert)alert;
        for (int i = 0; i < CARE_NEXT_COUNT; i++)
            next = next || care_next_alert((enum care_next)i) == (enum proto_alert)alert;
        assert_true(found && next);
    }
}

static void every_wording_is_a_whole_short_sentence(void **unused) {
    (void)unused;
    for (int i = 0; i < CARE_FOUND_COUNT; i++)
        whole_sentence(care_found_text((enum care_found)i), WORDING_BYTES_MAX);
    for (int i = 0; i < CARE_NEXT_COUNT; i++) {
        whole_sentence(care_next_text((enum care_next)i, true), WORDING_BYTES_MAX);
        whole_sentence(care_next_text((enum care_next)i, false), WORDING_BYTES_MAX);
        const char *call = care_next_call((enum care_next)i);
        assert_true(call == NULL || strlen(call) > 5);
    }
    whole_sentence(care_caution(), 320);
}

/* Every found with every next step of its alert, with the largest things that can stand in them. */
static void every_combination_fills_its_placeholders(void **unused) {
    (void)unused;
    char found[CARE_SENTENCE_BYTES], next[CARE_SENTENCE_BYTES];
    for (int f = 0; f < CARE_FOUND_COUNT; f++) {
        for (int n = 0; n < CARE_NEXT_COUNT; n++) {
            enum proto_alert name = care_found_alert((enum care_found)f);
            if (care_next_alert((enum care_next)n) != name)
                continue;
            struct care_alert alert = {
                .alert = (uint8_t)name, .found = (uint8_t)f, .about = PROTO_ALERT_TUBE_OUT, .step_count = 1};
            memset(alert.text, 'x', PROTO_TEXT_LINE_MAX);
            for (int i = 0; i < 6; i++)
                alert.args[i] = 4 + i;
            for (int home = 0; home <= 1; home++) {
                alert.steps[0] = (struct care_alert_step){.wording = (uint8_t)n, .home_change = home};
                care_alert_found(&alert, found);
                care_alert_next(&alert, &alert.steps[0], next);
                has_no_brace_left(found);
                has_no_brace_left(next);
                assert_int_equal(found[strlen(found) - 1], '.');
                assert_int_equal(next[strlen(next) - 1], '.');
            }
        }
    }
}

static bool says(enum care_next next, bool home, const char *part) {
    return strstr(care_next_text(next, home), part) != NULL;
}

static void home_and_hospital_wordings_differ_where_it_matters(void **unused) {
    (void)unused;
    static const enum care_next differ[] = {
        CARE_NEXT_TUBE_OUT_REPLACE,  CARE_NEXT_BALLOON_FAILING_CHANGE, CARE_NEXT_BALLOON_EMPTY_HOLD,
        CARE_NEXT_VALVE_LEAK_CHANGE, CARE_NEXT_BLOCKED_CALL,           CARE_NEXT_FIT_TIGHT_RESIZE,
        CARE_NEXT_FIT_LOOSE_RESIZE,  CARE_NEXT_DEVICE_OVERDUE_BOOK,    CARE_NEXT_RECALLED_LOT_FOLLOW};
    for (size_t i = 0; i < sizeof differ / sizeof differ[0]; i++)
        assert_true(care_next_depends_on_home(differ[i]));
    for (int n = 0; n < CARE_NEXT_COUNT; n++) {
        if (care_next_alert((enum care_next)n) == PROTO_ALERT_TUBE_OUT && n != CARE_NEXT_TUBE_OUT_REPLACE)
            assert_true(says((enum care_next)n, true, "Put nothing into the stoma") &&
                        says((enum care_next)n, true, "can close within hours"));
    }
    assert_true(says(CARE_NEXT_TUBE_OUT_REPLACE, false, "Put nothing into the stoma"));
    assert_true(says(CARE_NEXT_TUBE_OUT_PAST, true, "The limit has passed"));
    assert_true(says(CARE_NEXT_BLOCKED_FLUSH, true, "Never force it"));
    assert_true(says(CARE_NEXT_ROTATED_JEJUNAL_CALL, false, "stop feeds and medicines into the jejunum"));
    assert_true(says(CARE_NEXT_CHECKED_EARLY_LEAVE, true, "Do not draw the balloon again"));
}

/* At night nobody answers at the clinic: what is `now` names who does, and no general practitioner. */
static void what_cannot_wait_names_somebody_out_of_hours(void **unused) {
    (void)unused;
    static const enum care_next at_once[] = {
        CARE_NEXT_TUBE_OUT_REPLACE,         CARE_NEXT_TUBE_OUT_PAST,           CARE_NEXT_TUBE_DISPLACED_JEJUNAL,
        CARE_NEXT_POSITION_UNSURE_CONFIRM,  CARE_NEXT_POSITION_UNSURE_IMAGING, CARE_NEXT_POSITION_UNSURE_PH_AGAIN,
        CARE_NEXT_PLACED_AGAINST_RULE_STOP, CARE_NEXT_EARLY_COMPLICATION_STOP, CARE_NEXT_PAIN_OR_BLEEDING_STOP_FEED,
        CARE_NEXT_INFECTION_SIGNS_URGENT,   CARE_NEXT_BALLOON_EMPTY_HOLD,      CARE_NEXT_BLOCKED_CALL};
    for (size_t i = 0; i < sizeof at_once / sizeof at_once[0]; i++) {
        assert_non_null(strstr(care_next_call(at_once[i]), "out of hours the ward or the emergency department"));
        assert_null(strstr(care_next_call(at_once[i]), "general practitioner"));
    }
}

static void caution_names_hands_and_the_emergency_number(void **unused) {
    (void)unused;
    assert_non_null(strstr(care_caution(), "does not replace clinical judgement"));
    assert_non_null(strstr(care_caution(), "prescribed plan, local policy and licensed practice"));
    assert_non_null(strstr(care_caution(), "Clean hands before and after contact"));
    assert_non_null(strstr(care_caution(), "emergency number"));
}

static void text_is_cut_at_a_character(void **unused) {
    (void)unused;
    char out[8];
    struct care_text text;
    care_text_init(&text, out, sizeof out);
    care_text_add(&text, "abcde\xc3\xa9\xc3\xa9"); /* e acute, twice: the second does not fit whole */
    assert_string_equal(out, "abcde\xc3\xa9");
    assert_true(text.cut);
    care_text_add(&text, "z");
    assert_string_equal(out, "abcde\xc3\xa9"); /* nothing after the cut */
}

static void numbers_and_dates_read_plainly(void **unused) {
    (void)unused;
    char out[128];
    struct care_text text;
    care_text_init(&text, out, sizeof out);
    care_text_add_amount(&text, 350);
    care_text_add(&text, "|");
    care_text_add_int(&text, -7);
    care_text_add(&text, "|");
    care_text_add_day(&text, ev_day(2026, 3, 7));
    care_text_add(&text, "|");
    care_text_add_local(&text, ev_time(2026, 3, 7) + 14 * EV_HOUR + 5 * EV_MIN);
    care_text_add(&text, "|");
    care_text_add_local(&text, ev_time(1969, 12, 31) + 23 * EV_HOUR + 59 * EV_MIN);
    assert_string_equal(out, "3.5|-7|7 Mar 2026|14:05 on 7 Mar 2026|23:59 on 31 Dec 1969");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_alert_has_rule_and_basis),
        cmocka_unit_test(every_wording_is_a_whole_short_sentence),
        cmocka_unit_test(every_combination_fills_its_placeholders),
        cmocka_unit_test(home_and_hospital_wordings_differ_where_it_matters),
        cmocka_unit_test(what_cannot_wait_names_somebody_out_of_hours),
        cmocka_unit_test(caution_names_hands_and_the_emergency_number),
        cmocka_unit_test(text_is_cut_at_a_character),
        cmocka_unit_test(numbers_and_dates_read_plainly),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
