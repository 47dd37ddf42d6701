/*
 * due.c - `due`, `alerts` and `tally`: what waits, over all children of some teams.
 *
 * What always holds: rows of one list come in one order over all pages, judged
 * at the moment of the first page; a page looks at a bounded number of rows and
 * may be empty and still go on.
 */
#include "serve/internal.h"
#include "serve/quick.h"

#include <string.h>

#define TASK_PREFIX_BYTES 5u /* u32 team | u8 task */
#define TEAM_PREFIX_BYTES 4u
#define DAY_MS 86400000LL

/* ---- due --------------------------------------------------------------------------------------- */

static const enum proto_policy grace_of[PROTO_TASK_COUNT] = {
    [PROTO_TASK_WEEKLY_CONTACT] = PROTO_POLICY_WEEKLY_CONTACT_GRACE_DAYS,
    [PROTO_TASK_TRAINING] = PROTO_POLICY_TRAINING_GRACE_DAYS,
    [PROTO_TASK_SPARE_CHECK] = PROTO_POLICY_SPARE_CHECK_GRACE_DAYS,
    [PROTO_TASK_WEIGHT] = PROTO_POLICY_WEIGHT_GRACE_DAYS,
};

/* The longest that any policy lets a task of this kind be due before it is overdue: the rows of a range stand in the order of
 * overdue_at, so behind now and this none is due yet. Three days on top for zones and midnights. */
static int64_t due_window_ms(enum proto_task task) {
    if (task == PROTO_TASK_DEVICE_CHANGE) /* months of the table's largest limit, and a prescribed change's grace */
        return (proto_policy_get(PROTO_POLICY_BUMPER_LONG_CHANGE_OVERDUE_MONTHS)->max +
                proto_policy_get(PROTO_POLICY_PRESCRIBED_CHANGE_GRACE_MONTHS)->max) /
                   100 * 31 * DAY_MS +
               3 * DAY_MS;
    enum proto_policy grace = grace_of[task];
    return (grace ? proto_policy_get(grace)->max / 100 : 0) * DAY_MS + 3 * DAY_MS;
}

struct due_query {
    uint64_t states, tasks; /* bit (number - 1) */
    int64_t before;         /* INT64_MAX: no bound */
    int64_t now;
};

/* The state of a row at a moment, asked of the rules themselves. */
static enum care_task_state state_at(struct serve *serve, const struct work_task_row *row, int64_t now) {
    struct care_task *task = &serve->probe->tasks[0];
    task->task = row->task;
    task->stoma = row->stoma;
    task->due_at = row->due_at;
    task->overdue_at = row->overdue_at;
    task->quiet_until = row->quiet_until;
    serve->probe->task_count = 1;
    serve->probe->alert_count = 0;
    care_view(serve->probe, now, &serve->view);
    return (enum care_task_state)serve->view.task_state[0];
}

static void write_due_row(struct serve_request *r, const struct work_task_row *row, enum care_task_state state) {
    struct proto_writer *w = r->w;
    const struct serve *serve = r->serve;
    bool has_stoma = row->stoma && row->stoma < PROTO_stoma_count;
    size_t mark = proto_write_map_begin(w);
    QUICK_KEY(w, "patient");
    proto_write_id(w, &row->shown);
    QUICK_KEY(w, "label");
    quick_slice(w, row->label);
    QUICK_KEY(w, "team");
    quick_slice(w, serve_team_name(serve, row->team));
    if (has_stoma) {
        QUICK_KEY(w, "stoma");
        quick_slice(w, serve->stoma_names[row->stoma]);
    }
    QUICK_KEY(w, "task");
    quick_slice(w, row->name.size ? row->name : serve->task_names[row->task]);
    QUICK_KEY(w, "title");
    quick_slice(w, row->title.size ? row->title : serve->task_titles[row->task]);
    QUICK_KEY(w, "state");
    quick_slice(w, serve->state_names[state]);
    QUICK_KEY(w, "due_on");
    proto_write_date(w, row->due_day);
    QUICK_KEY(w, "due_at");
    quick_time(w, row->due_at);
    QUICK_KEY(w, "overdue_at");
    quick_time(w, row->overdue_at);
    if (row->last_done_at) {
        QUICK_KEY(w, "last_done_at");
        quick_time(w, row->last_done_at);
    }
    if (row->detail.size) {
        QUICK_KEY(w, "detail");
        quick_slice(w, row->detail);
    }
    if (row->given_to.size) {
        QUICK_KEY(w, "given_to");
        quick_slice(w, row->given_to);
    }
    proto_write_map_end(
        w, mark, 9u + has_stoma + (row->last_done_at != 0) + (row->detail.size != 0) + (row->given_to.size != 0));
}

/* True when no later row of this row's range can be asked for. */
static bool range_is_over(const struct due_query *query, const struct work_task_row *row) {
    bool wants_upcoming = (query->states & 1u) != 0, wants_due = (query->states & 2u) != 0;
    int64_t window = due_window_ms((enum proto_task)row->task);
    if (query->before != INT64_MAX && row->overdue_at > query->before && row->overdue_at - query->before > window)
        return true;
    if (wants_upcoming || row->overdue_at <= query->now)
        return false;
    return !wants_due || row->overdue_at - query->now > window;
}

/* All tasks of a team lie together: without a choice of tasks only those that have rows are looked for. */
static enum proto_error team_ranges(const struct serve_team *team, const struct due_query *query,
                                    const struct serve_token *position, struct serve_merge *merge) {
    uint8_t prefix[TASK_PREFIX_BYTES];
    enum proto_error error = PROTO_OK;
    size_t size = serve_key_u32(prefix, 0, team->number);
    if (query->tasks == UINT64_MAX && !position)
        return serve_merge_add_all(merge, prefix, size);
    for (enum proto_task task = PROTO_TASK_NONE + 1; task < PROTO_TASK_COUNT && error == PROTO_OK; task++)
        if (query->tasks >> (task - 1) & 1) {
            (void)serve_key_u8(prefix, size, (uint8_t)task);
            error = serve_merge_add(merge, prefix, position);
        }
    return error;
}

static enum proto_error due_ranges(struct serve_request *r, const struct due_query *query,
                                   const struct serve_token *position, struct serve_merge *merge) {
    enum proto_error error = PROTO_OK;
    for (uint32_t t = 0; t < r->serve->team_count && error == PROTO_OK; t++)
        error = team_ranges(&r->serve->teams[t], query, position, merge);
    return error;
}

static enum proto_error due_rows(struct serve_request *r, const struct due_query *query, struct serve_merge *merge,
                                 struct serve_page *page) {
    struct store_bytes key, value;
    struct work_task_row row;
    enum proto_error error;
    while ((error = serve_merge_next(merge, &key, &value)) == PROTO_OK && serve_page_has_room(r, page)) {
        serve_page_look(page, key);
        error = work_task_row_read(key, value, &row);
        if (error != PROTO_OK)
            return error;
        if (range_is_over(query, &row)) {
            serve_merge_drop(merge);
            continue;
        }
        enum care_task_state state = state_at(r->serve, &row, query->now);
        if (state == CARE_TASK_HIDDEN || !(query->states >> (state - 1) & 1) || row.due_at >= query->before)
            continue;
        write_due_row(r, &row, state);
        page->rows++;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

/* Opens the merge of a list: begins a new page or goes on behind a token. */
static enum proto_error begin_list(struct serve_request *r, const struct proto_value *after, struct serve_page *page,
                                   bool *has_position) {
    page->token = (struct serve_token){0};
    enum proto_error error = serve_token_read(r, after, &page->token, has_position);
    if (!*has_position)
        page->token.now = r->now;
    return error;
}

static enum proto_error position_fault(struct serve_request *r, enum proto_error error) {
    if (error != PROTO_BAD_VALUE)
        return error;
    return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                           "`after` is not a token that a page of this list gave.");
}

enum proto_error serve_due(struct serve_request *r) {
    const struct proto_value *states = SERVE_VALUE(r, due, states), *tasks = SERVE_VALUE(r, due, tasks);
    const struct proto_value *before = SERVE_VALUE(r, due, before);
    struct serve_page page = {0};
    struct serve_merge *merge = NULL;
    bool goes_on = false;
    enum proto_error error = begin_list(r, SERVE_VALUE(r, due, after), &page, &goes_on);
    if (error == PROTO_OK)
        error = serve_teams_load(r, SERVE_VALUE(r, due, teams));
    if (error != PROTO_OK)
        return error;
    struct due_query query = {
        .states = states->present && states->set ? states->set : 6u, /* due and overdue */
        .tasks = tasks->present && tasks->set ? tasks->set : UINT64_MAX,
        .before = before->present ? before->n : INT64_MAX,
        .now = page.token.now,
    };
    uint64_t ranges = (uint64_t)r->serve->team_count * (PROTO_TASK_COUNT - 1);
    if (ranges > SERVE_RANGES_MAX)
        return proto_fault_set(&r->fault, PROTO_TOO_LARGE, "teams",
                               "There are too many teams to list at once; name some.");
    error = serve_merge_new(r->txn, STORE_TASKS, TASK_PREFIX_BYTES, 8, (uint32_t)ranges + 1, &merge);
    if (error != PROTO_OK)
        return error;
    struct serve_token position = page.token;
    error = position_fault(r, due_ranges(r, &query, goes_on ? &position : NULL, merge));
    if (error == PROTO_OK) {
        serve_page_begin(r, &page, SERVE_VALUE(r, due, limit));
        error = due_rows(r, &query, merge, &page);
        serve_page_end(r, &page);
    }
    serve_merge_free(merge);
    return error;
}

/* ---- alerts ---------------------------------------------------------------------------------------
 * Phase 0: alerts with a deadline, by deadline. Phases 1 to 4: those without, by urgency now, then since. The key holds the most urgent that
 * an alert can be at any time, so a phase reads the ranges of that urgency and of every more urgent one. */

#define ALERT_SORT_BYTES 17u        /* t64 deadline | u8 urgency | t64 since */
#define ALERT_PREFIX_NONE_BYTES 13u /* u32 team | no deadline | u8 urgency */

struct alert_query {
    uint64_t urgencies, names;
    bool asks_answered, answered;
    int64_t now;
};

/* The step that holds now, or NULL when the alert does not show. */
static const struct care_alert_step *step_at(struct serve *serve, const struct care_alert *alert, int64_t now) {
    assert(serve->probe);
    serve->probe->task_count = 0;
    serve->probe->alert_count = 1;
    serve->probe->alerts[0] = *alert;
    care_view(serve->probe, now, &serve->view);
    uint8_t step = serve->view.alert_step[0];
    assert(step <= alert->step_count);
    return step ? &serve->probe->alerts[0].steps[step - 1] : NULL;
}

static void write_alert_row(struct serve_request *r, const struct work_alert_row *row, int64_t now) {
    care_render_alert(r->w, &row->alert, now, 3);
    proto_write_text(r->w, "patient");
    proto_write_id(r->w, &row->shown);
    proto_write_text(r->w, "label");
    proto_write_slice(r->w, row->label);
    proto_write_text(r->w, "team");
    serve_write_team(r, row->team);
}

static enum proto_error alert_merge(struct serve_request *r, uint8_t phase, const struct serve_token *position,
                                    struct serve_merge **out) {
    size_t prefix_size = phase == 0 ? TEAM_PREFIX_BYTES : ALERT_PREFIX_NONE_BYTES;
    size_t sort_size = phase == 0 ? ALERT_SORT_BYTES : 8;
    uint32_t ranges = r->serve->team_count * (phase == 0 ? 1u : phase);
    enum proto_error error = serve_merge_new(r->txn, STORE_ALERTS, prefix_size, sort_size, ranges, out);
    for (uint32_t t = 0; t < r->serve->team_count && error == PROTO_OK; t++)
        for (uint8_t urgency = 1; urgency <= (phase ? phase : 1) && error == PROTO_OK; urgency++) {
            uint8_t prefix[ALERT_PREFIX_NONE_BYTES];
            (void)serve_key_u32(prefix, 0, r->serve->teams[t].number);
            memset(prefix + TEAM_PREFIX_BYTES, 0xff, 8);
            prefix[12] = urgency;
            error = serve_merge_add(*out, prefix, position);
        }
    return error;
}

static enum proto_error alert_rows(struct serve_request *r, const struct alert_query *query, uint8_t phase,
                                   struct serve_merge *merge, struct serve_page *page) {
    static const uint8_t none[8] = {255, 255, 255, 255, 255, 255, 255, 255};
    struct store_bytes key, value;
    struct work_alert_row row;
    enum proto_error error;
    while ((error = serve_merge_next(merge, &key, &value)) == PROTO_OK) {
        if (phase == 0 && memcmp(key.data + TEAM_PREFIX_BYTES, none, sizeof none) == 0) {
            serve_merge_drop(merge); /* from here on without a deadline */
            continue;
        }
        if (!serve_page_has_room(r, page))
            return PROTO_OK;
        serve_page_look(page, key);
        page->token.phase = phase;
        error = work_alert_row_read(key, value, &row);
        if (error != PROTO_OK)
            return error;
        if (!(query->names >> (row.alert.alert - 1) & 1))
            continue;
        const struct care_alert_step *step = step_at(r->serve, &row.alert, query->now);
        if (!step || (phase && step->urgency != phase) || !(query->urgencies >> (step->urgency - 1) & 1) ||
            (query->asks_answered && step->answered != query->answered))
            continue;
        write_alert_row(r, &row, query->now);
        page->rows++;
    }
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static enum proto_error alert_phases(struct serve_request *r, const struct alert_query *query, bool goes_on,
                                     struct serve_page *page) {
    struct serve_token position = page->token;
    enum proto_error error = PROTO_OK;
    for (uint8_t phase = position.phase; phase < PROTO_URGENCY_COUNT && error == PROTO_OK && !page->more; phase++) {
        struct serve_merge *merge = NULL;
        if (phase && !(query->urgencies >> (phase - 1) & 1))
            continue;
        error = alert_merge(r, phase, goes_on && phase == position.phase ? &position : NULL, &merge);
        if (error == PROTO_OK)
            error = alert_rows(r, query, phase, merge, page);
        serve_merge_free(merge);
    }
    return error;
}

enum proto_error serve_alerts(struct serve_request *r) {
    const struct proto_value *urgency = SERVE_VALUE(r, alerts, urgency), *names = SERVE_VALUE(r, alerts, names);
    const struct proto_value *answered = SERVE_VALUE(r, alerts, answered);
    struct serve_page page = {0};
    bool goes_on = false;
    enum proto_error error = begin_list(r, SERVE_VALUE(r, alerts, after), &page, &goes_on);
    if (error == PROTO_OK)
        error = serve_teams_load(r, SERVE_VALUE(r, alerts, teams));
    if (error != PROTO_OK)
        return error;
    if (page.token.phase >= PROTO_URGENCY_COUNT)
        return position_fault(r, PROTO_BAD_VALUE);
    struct alert_query query = {
        .urgencies = urgency->present && urgency->set ? urgency->set : UINT64_MAX,
        .names = names->present && names->set ? names->set : UINT64_MAX,
        .asks_answered = answered->present,
        .answered = answered->present && answered->n,
        .now = page.token.now,
    };
    serve_page_begin(r, &page, SERVE_VALUE(r, alerts, limit));
    error = position_fault(r, alert_phases(r, &query, goes_on, &page));
    serve_page_end(r, &page);
    return error;
}

/* ---- tally ------------------------------------------------------------------------------------------ */

#define TALLY_ALERTS_MAX 200000u

struct tally {
    uint32_t rows, alerts_looked_at;
    bool truncated; /* there are more alerts than are looked at */
};

/* Alerts of a team by urgency now. */
static enum proto_error count_alerts(struct serve_request *r, uint32_t team, struct tally *tally,
                                     uint64_t counts[PROTO_URGENCY_COUNT]) {
    uint8_t prefix[TEAM_PREFIX_BYTES];
    struct store_scan *scan = NULL;
    struct store_bytes key, value;
    struct work_alert_row row;
    (void)serve_key_u32(prefix, 0, team);
    memset(counts, 0, PROTO_URGENCY_COUNT * sizeof counts[0]);
    enum proto_error error =
        store_scan_begin(r->txn, STORE_ALERTS, prefix, sizeof prefix, prefix, sizeof prefix, false, &scan);
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &value)) == PROTO_OK) {
        if (++tally->alerts_looked_at > TALLY_ALERTS_MAX) {
            tally->truncated = true;
            break;
        }
        error = work_alert_row_read(key, value, &row);
        const struct care_alert_step *step = error == PROTO_OK ? step_at(r->serve, &row.alert, r->now) : NULL;
        if (step)
            counts[step->urgency]++;
    }
    store_scan_end(scan);
    return error == PROTO_NOT_FOUND ? PROTO_OK : error;
}

static void write_task_counts(struct proto_writer *w, uint64_t tasks[PROTO_TASK_COUNT][3]) {
    proto_write_text(w, "tasks");
    size_t mark = proto_write_map_begin(w);
    uint32_t pairs = 0;
    for (enum proto_task task = PROTO_TASK_NONE + 1; task < PROTO_TASK_COUNT; task++) {
        if (tasks[task][0] + tasks[task][1] + tasks[task][2] == 0)
            continue;
        pairs++;
        proto_write_text(w, proto_task_name(task));
        proto_write_map(w, 3);
        for (uint32_t state = 0; state < 3; state++) {
            proto_write_text(w, proto_choice_name("task_state", state + 1));
            proto_write_int(w, (int64_t)tasks[task][state]);
        }
    }
    proto_write_map_end(w, mark, pairs);
}

static bool is_empty(uint64_t tasks[PROTO_TASK_COUNT][3], const uint64_t alerts[PROTO_URGENCY_COUNT]) {
    uint64_t sum = 0;
    for (int task = 0; task < PROTO_TASK_COUNT; task++)
        sum += tasks[task][0] + tasks[task][1] + tasks[task][2];
    for (int urgency = 0; urgency < PROTO_URGENCY_COUNT; urgency++)
        sum += alerts[urgency];
    return sum == 0;
}

static enum proto_error tally_team(struct serve_request *r, const struct serve_team *team, struct tally *tally) {
    uint64_t tasks[PROTO_TASK_COUNT][3], alerts[PROTO_URGENCY_COUNT];
    enum proto_error error = work_tally_read(r->txn, team->number, r->now, tasks);
    if (error == PROTO_OK)
        error = count_alerts(r, team->number, tally, alerts);
    if (error != PROTO_OK || (team->number == 0 && is_empty(tasks, alerts)))
        return error;
    tally->rows++;
    proto_write_map(r->w, 3);
    proto_write_text(r->w, "team");
    proto_write_text(r->w, team->name);
    write_task_counts(r->w, tasks);
    proto_write_text(r->w, "alerts");
    proto_write_map(r->w, PROTO_URGENCY_COUNT - 1);
    for (enum proto_urgency urgency = PROTO_URGENCY_NONE + 1; urgency < PROTO_URGENCY_COUNT; urgency++) {
        proto_write_text(r->w, proto_urgency_name(urgency));
        proto_write_int(r->w, (int64_t)alerts[urgency]);
    }
    return PROTO_OK;
}

enum proto_error serve_tally(struct serve_request *r) {
    struct work_progress progress;
    struct tally tally = {0};
    uint32_t pairs = 2;
    enum proto_error error = serve_teams_load(r, SERVE_VALUE(r, tally, teams));
    if (error != PROTO_OK)
        return error;
    size_t mark = proto_write_map_begin(r->w);
    proto_write_text(r->w, "now");
    proto_write_int(r->w, r->now);
    proto_write_text(r->w, "rows");
    size_t rows_mark = proto_write_array_begin(r->w);
    for (uint32_t t = 0; t < r->serve->team_count && error == PROTO_OK; t++)
        error = tally_team(r, &r->serve->teams[t], &tally);
    proto_write_array_end(r->w, rows_mark, tally.rows);
    if (tally.truncated) {
        pairs++;
        proto_write_text(r->w, "truncated");
        proto_write_bool(r->w, true);
    }
    if (serve_settling(r, &progress)) {
        pairs++;
        serve_write_settling(r->w, &progress);
    }
    proto_write_map_end(r->w, mark, pairs);
    return error;
}
