/*
 * feed_test.c - whose feed an event is in, who arrives and who leaves: written out as a line for each seq.
 *
 * What always holds: whatever is expected here is also what a rebuild makes and what verify finds.
 */
#include "world.h"

#include "work/event.h"
#include "work/feed.h"

#define LETTERS 4
#define LINE_BYTES 400

struct feeds {
    struct world world;
    struct proto_id children[LETTERS]; /* a, b, c, d */
    uint64_t seq;
    struct proto_id last; /* id of the event appended last */
    char text[4000];
};

static void begin(struct feeds *f) {
    world_init(&f->world, 1);
    f->seq = 0;
    for (int i = 0; i < LETTERS; i++) {
        f->world.now += 1000;
        f->children[i] = world_id(&f->world);
    }
}

/* As it comes from another node: nothing is refused. */
static void came(struct feeds *f, struct proto_event event) {
    uint8_t bytes[PROTO_EVENT_BYTES_MAX];
    size_t size = 0;
    f->world.now += 1000;
    event.id = f->last = world_id(&f->world);
    event.by = (struct proto_slice){"anna", 4};
    assert_int_equal(proto_event_encode(&event, bytes, sizeof bytes, &size), PROTO_OK);
    world_stop(&f->world);
    struct store_log *log;
    struct store_event stored = {.id = event.id, .received_at = f->world.now, .body = {bytes, size}};
    assert_int_equal(store_log_begin(f->world.store, &log), PROTO_OK);
    assert_int_equal(store_log_append(log, &stored), PROTO_OK);
    assert_int_equal(store_log_commit(log), PROTO_OK);
    f->seq = stored.seq;
    world_start(&f->world, f->seq);
    world_run(&f->world);
    world_verify(&f->world);
}

static struct proto_event move(const struct proto_id *patient, int64_t at, const char *team) {
    return of_child(patient, EV(patient_moved, at, F_TEXT(patient_moved, team, team)));
}

struct names {
    uint32_t numbers[16];
    char names[16][44];
    uint32_t count;
};

static bool keep_name(void *arg, uint32_t number, struct proto_slice name) {
    struct names *names = arg;
    names->numbers[names->count] = number;
    (void)snprintf(names->names[names->count++], 44, "%.*s", (int)name.size, name.data);
    return true;
}

static const char *name_of(const struct names *names, uint32_t number) {
    if (number == WORK_FEED_EVERYONE)
        return "everyone";
    for (uint32_t i = 0; i < names->count; i++)
        if (names->numbers[i] == number)
            return names->names[i];
    return number == 0 ? "none" : "?";
}

static char letter_of(const struct feeds *f, const struct proto_id *id) {
    for (int i = 0; i < LETTERS; i++)
        if (proto_id_compare(&f->children[i], id) == 0)
            return (char)('a' + i);
    return '?';
}

/* " north +a(south,none) -b(west)": the teams that a record comes from or goes to. */
static void add_row(const struct feeds *f, const struct names *names, uint32_t team, struct store_bytes value,
                    char *line) {
    struct work_feed_mark mark;
    size_t at = 0, size = strlen(line);
    size += (size_t)snprintf(line + size, LINE_BYTES - size, " %s", name_of(names, team));
    enum proto_error error;
    while ((error = work_feed_next_mark(value, &at, &mark)) == PROTO_OK) {
        size += (size_t)snprintf(line + size, LINE_BYTES - size, "%c%c(", mark.what == WORK_FEED_LEFT ? '-' : '+',
                                 letter_of(f, &mark.record));
        for (uint32_t t = 0; t < mark.team_count; t++)
            size +=
                (size_t)snprintf(line + size, LINE_BYTES - size, "%s%s", t ? "," : "", name_of(names, mark.teams[t]));
        size += (size_t)snprintf(line + size, LINE_BYTES - size, ")");
    }
    assert_int_equal(error, PROTO_NOT_FOUND);
}

/* Rows of the last seq in the order of the teams' names' first use. */
static const char *last_rows(struct feeds *f) {
    struct store_txn *txn;
    struct names names = {0};
    struct store_bytes value;
    uint8_t key[WORK_FEED_KEY_BYTES];
    f->text[0] = '\0';
    assert_int_equal(store_read_begin(f->world.store, &txn), PROTO_OK);
    assert_int_equal(work_team_each(txn, keep_name, &names), PROTO_OK);
    for (uint32_t i = 0; i < names.count + 2; i++) {
        uint32_t team = i == 0 ? 0 : i <= names.count ? names.numbers[i - 1] : WORK_FEED_EVERYONE;
        work_feed_key(team, f->seq, key);
        if (store_get(txn, STORE_FEED, key, sizeof key, &value) == PROTO_OK)
            add_row(f, &names, team, value, f->text);
    }
    store_read_end(txn);
    return f->text;
}

#define EXPECT(f, rows) assert_string_equal(last_rows(f), rows)

/* The view is thrown away: what is made anew is the same, row for row. */
static void end(struct feeds *f) {
    char was[sizeof f->text];
    memcpy(was, last_rows(f), sizeof was);
    world_crash(&f->world, true, 7);
    world_verify(&f->world);
    EXPECT(f, was);
    world_deinit(&f->world);
}

static void test_moves(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    int64_t t = f.world.now - EV_DAY;
    const struct proto_id *a = &f.children[0];
    came(&f, registration(a, t, "north"));
    EXPECT(&f, " north");
    came(&f, balloon_check(a, t + 1000, 400));
    EXPECT(&f, " north");
    came(&f, move(a, t + 5000, "south"));
    EXPECT(&f, " north-a(south) south+a(north)");
    struct proto_id to_south = f.last;
    came(&f, balloon_check(a, t + 2000, 400)); /* happened before the move, and came after it */
    EXPECT(&f, " south");
    came(&f, move(a, t + 3000, "west")); /* the move that is later by its date stands */
    EXPECT(&f, " south");
    came(&f, withdrawal(a, t + 6000, &to_south));
    EXPECT(&f, " south-a(west) west+a(south)");
    came(&f, move(a, t + 7000, "west")); /* to where it is */
    EXPECT(&f, " west");
    end(&f);
}

static void test_events_before_the_registration(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    int64_t t = f.world.now - EV_DAY;
    const struct proto_id *a = &f.children[0];
    came(&f, balloon_check(a, t + 1000, 400));
    EXPECT(&f, " none");
    came(&f, registration(a, t, "north")); /* what came before it must be fetched: it arrives */
    EXPECT(&f, " none-a(north) north+a(none)");
    struct proto_id registered = f.last;
    came(&f, withdrawal(a, t + 2000, &registered));
    EXPECT(&f, " none+a(north) north-a(none)");
    end(&f);
}

static void test_a_withdrawal_that_came_first(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    int64_t t = f.world.now - EV_DAY;
    const struct proto_id *a = &f.children[0];
    came(&f, registration(a, t, "north"));
    struct proto_event moved = move(a, t + 2000, "south");
    came(&f, moved);
    struct proto_event instead = move(a, t + 2000, "west");
    instead.has_replaces = true;
    instead.replaces = f.last;
    came(&f, instead);
    EXPECT(&f, " south-a(west) west+a(south)");
    end(&f);
}

/* A clock that is far off takes a child away from nobody. */
static void test_dated_ahead(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    int64_t t = f.world.now - EV_DAY;
    const struct proto_id *a = &f.children[0];
    came(&f, registration(a, t, "north"));
    came(&f, move(a, t + 400 * EV_DAY, "south"));
    EXPECT(&f, " north south+a(north)");
    came(&f, balloon_check(a, t + 1000, 400));
    EXPECT(&f, " north south");
    came(&f, move(a, t + 2000, "west")); /* the one dated ahead is still ahead of this one */
    EXPECT(&f, " north-a(west,south) south west+a(north,south)");
    f.world.now = t + 401 * EV_DAY; /* its time has come: for the feed nothing has changed */
    work_tick(f.world.work);
    world_run(&f.world);
    world_verify(&f.world);
    came(&f, balloon_check(a, t + 3000, 400));
    EXPECT(&f, " south west");
    came(&f, move(a, t + 401 * EV_DAY, "south"));
    EXPECT(&f, " south west-a(south)");
    came(&f, balloon_check(a, t + 4000, 400));
    EXPECT(&f, " south");
    end(&f);
}

static void test_merges(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    int64_t t = f.world.now - EV_DAY;
    const struct proto_id *a = &f.children[0], *b = &f.children[1], *c = &f.children[2];
    came(&f, registration(a, t, "north"));
    came(&f, registration(b, t + 1000, "south"));
    came(&f, merge(a, t + 2000, b)); /* both are in the team that was named last */
    EXPECT(&f, " north-a(south) south+a(north)");
    struct proto_id merged = f.last;
    came(&f, balloon_check(a, t + 3000, 400));
    EXPECT(&f, " south");
    came(&f, move(b, t + 4000, "west")); /* one moves, all of the class move */
    EXPECT(&f, " south-a(west)-b(west) west+a(south)+b(south)");
    came(&f, merge(c, t + 5000, a)); /* a record that nobody knew is no arrival */
    EXPECT(&f, " west");
    came(&f, withdrawal(a, t + 6000, &merged)); /* parted again: each by what was said of it */
    EXPECT(&f, " north+a(west)+c(west) west-a(north)-c(north)");
    came(&f, balloon_check(c, t + 7000, 400));
    EXPECT(&f, " north");
    came(&f, balloon_check(b, t + 7000, 400));
    EXPECT(&f, " west");
    end(&f);
}

static void test_events_of_nobody(void **state) {
    (void)state;
    struct feeds f;
    begin(&f);
    came(&f, registration(&f.children[0], f.world.now - EV_DAY, "north"));
    came(&f, EV(lot_recalled, f.world.now - EV_HOUR, F_TEXT(lot_recalled, lot, "L1"),
                F_TEXT(lot_recalled, notice, "a notice"), F(lot_recalled, urgency, PROTO_URGENCY_SOON),
                F_TEXT(lot_recalled, action, "look at it")));
    EXPECT(&f, " everyone");
    end(&f);
}

static void test_broken_rows_are_refused(void **state) {
    (void)state;
    static const uint8_t rows[][3] = {{2}, {1, 0}, {1, 0, 1}};
    static const size_t sizes[] = {1, 2, 3};
    struct work_feed_mark mark;
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        size_t at = 0;
        struct store_bytes value = {rows[i], sizes[i]};
        assert_int_equal(work_feed_next_mark(value, &at, &mark), PROTO_CORRUPT);
    }
    uint8_t long_row[] = {1, 0, 0, 0, 0, 0};
    size_t at = 0;
    assert_int_equal(work_feed_next_mark((struct store_bytes){long_row, sizeof long_row}, &at, &mark), PROTO_CORRUPT);
    assert_int_equal(work_feed_next_mark((struct store_bytes){long_row, 5}, &at, &mark), PROTO_NOT_FOUND);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_moves),
        cmocka_unit_test(test_events_before_the_registration),
        cmocka_unit_test(test_a_withdrawal_that_came_first),
        cmocka_unit_test(test_dated_ahead),
        cmocka_unit_test(test_merges),
        cmocka_unit_test(test_events_of_nobody),
        cmocka_unit_test(test_broken_rows_are_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
