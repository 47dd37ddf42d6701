/*
 * about.c - `hello`, `ping`, `kinds`, `rules`, `stats`: about the server and its rules, not about children.
 */
#include "serve/sync.h"

#include "guard/rights.h"

#include <string.h>

/* ---- hello, ping, kinds ----------------------------------------------------------------------------- */

/* The names of the methods that wait for a rebuild. */
static void write_waiting(struct proto_writer *w) {
    size_t mark = proto_write_array_begin(w);
    uint32_t count = 0;
    for (enum proto_method method = PROTO_METHOD_UNKNOWN + 1; method < PROTO_METHOD_COUNT; method++)
        if (proto_method_get(method)->waits) {
            proto_write_text(w, proto_method_get(method)->name);
            count++;
        }
    proto_write_array_end(w, mark, count);
}

static void write_rebuild(struct proto_writer *w, const struct work_progress *progress) {
    proto_write_text(w, "rebuild");
    proto_write_map(w, 3);
    proto_write_text(w, "done");
    proto_write_int(w, (int64_t)progress->rebuild_done);
    proto_write_text(w, "of");
    proto_write_int(w, (int64_t)progress->rebuild_of);
    proto_write_text(w, "waiting");
    write_waiting(w);
}

/* Teams the caller may see, and the last event that reads reflect. */
static enum proto_error read_teams(struct serve_request *r, uint64_t *seq) {
    enum proto_error error = store_read_begin(r->serve->options.store, &r->txn);
    if (error == PROTO_OK) {
        *seq = store_txn_seq(r->txn);
        error = serve_teams_load(r, NULL);
    }
    if (error != PROTO_OK)
        r->serve->team_count = 0;
    return error;
}

/* On loopback and on the owner's socket `account` is attribution, not authentication: it says whose name events are recorded under, and
 * whoever may open the socket is trusted to say it. */
static enum proto_error sign_in(struct serve_request *r) {
    const struct proto_value *account = SERVE_VALUE(r, hello, account);
    if (SERVE_VALUE(r, hello, secret)->present)
        return proto_fault_set(
            &r->fault, PROTO_NOT_ALLOWED, "secret",
            "This server keeps no accounts, so it cannot check a secret. On its own machine none is needed: "
            "give the account alone.");
    if (account->present) {
        assert(account->text.size < sizeof r->session->account);
        memcpy(r->session->account, account->text.data, account->text.size);
        r->session->account[account->text.size] = '\0';
    }
    return PROTO_OK;
}

static void write_teams(struct serve_request *r) {
    uint32_t count = 0;
    size_t mark = proto_write_array_begin(r->w);
    for (uint32_t i = 0; i < r->serve->team_count && count < PROTO_ROWS_MAX; i++)
        if (r->serve->teams[i].number != 0) {
            proto_write_text(r->w, r->serve->teams[i].name);
            count++;
        }
    proto_write_array_end(r->w, mark, count);
}

enum proto_error serve_hello(struct serve_request *r) {
    struct store_identity identity;
    struct work_progress progress;
    struct proto_writer *w = r->w;
    enum proto_error error = sign_in(r);
    if (error != PROTO_OK)
        return error;
    store_identity_get(r->serve->options.store, &identity);
    work_progress_get(r->serve->options.work, &progress);
    uint64_t seq = identity.log_seq;
    r->serve->team_count = 0;
    if (!progress.rebuilding)
        error = read_teams(r, &seq);
    if (error != PROTO_OK && error != PROTO_REBUILDING)
        return error;
    struct proto_position known;
    bool has_known = false;
    error = SERVE_VALUE(r, hello, node)->present ? serve_node_hello(r, &known, &has_known) : PROTO_OK;
    if (error != PROTO_OK)
        return error;
    r->session->greeted = true;
    proto_write_map(w, 8u + progress.rebuilding + has_known);
    if (has_known) {
        proto_write_text(w, "known");
        proto_write_position(w, &known);
    }
    proto_write_text(w, "node");
    proto_write_id(w, &identity.node);
    proto_write_text(w, "log");
    proto_write_id(w, &identity.log);
    proto_write_text(w, "version");
    proto_write_text(w, BETONY_VERSION);
    proto_write_text(w, "protocol");
    proto_write_int(w, PROTO_VERSION);
    proto_write_text(w, "seq");
    proto_write_int(w, (int64_t)seq);
    proto_write_text(w, "role");
    proto_write_text(w, "all"); /* every role at once: the owner of this machine */
    proto_write_text(w, "teams");
    write_teams(r);
    proto_write_text(w, "now");
    proto_write_int(w, r->now);
    if (progress.rebuilding)
        write_rebuild(w, &progress);
    return PROTO_OK;
}

enum proto_error serve_ping(struct serve_request *r) {
    proto_write_map(r->w, 1);
    proto_write_text(r->w, "now");
    proto_write_int(r->w, r->now);
    return PROTO_OK;
}

enum proto_error serve_kinds(struct serve_request *r) {
    proto_write_kinds(r->w);
    return PROTO_OK;
}

/* ---- rules --------------------------------------------------------------------------------------------- */

struct adopted {
    struct care_policy policy;
    int64_t at[PROTO_POLICY_COUNT];
    char approved_by[PROTO_POLICY_COUNT][PROTO_TEXT_SHORT_MAX + 4];
};

static void write_rule(struct proto_writer *w, enum proto_policy number, const struct adopted *adopted) {
    const struct proto_policy_info *info = proto_policy_get(number);
    bool is_adopted = adopted->at[number] != 0;
    proto_write_map(w, is_adopted ? 10 : 8);
    proto_write_text(w, "name");
    proto_write_text(w, info->name);
    proto_write_text(w, "value");
    proto_write_amount(w, adopted->policy.value[number]);
    proto_write_text(w, "unit");
    proto_write_text(w, info->unit);
    proto_write_text(w, "min");
    proto_write_amount(w, info->min);
    proto_write_text(w, "max");
    proto_write_amount(w, info->max);
    proto_write_text(w, "default");
    proto_write_amount(w, info->fallback);
    proto_write_text(w, "basis");
    proto_write_text(w, info->basis);
    proto_write_text(w, "help");
    proto_write_text(w, info->help);
    if (is_adopted) {
        proto_write_text(w, "adopted_at");
        proto_write_int(w, adopted->at[number]);
        proto_write_text(w, "approved_by");
        proto_write_text(w, adopted->approved_by[number]);
    }
}

enum proto_error serve_rules(struct serve_request *r) {
    const struct proto_value *team = SERVE_VALUE(r, rules, team);
    struct adopted adopted;
    uint32_t number = 0;
    enum proto_error error = PROTO_OK;
    memset(&adopted, 0, sizeof adopted);
    if (team->present)
        error = serve_team_number(r, team->text, &number);
    if (error == PROTO_OK)
        error = work_policy_get(r->serve->options.work, team->text, &adopted.policy, adopted.at, adopted.approved_by);
    if (error != PROTO_OK)
        return error;
    proto_write_map(r->w, team->present ? 2 : 1);
    if (team->present) {
        proto_write_text(r->w, "team");
        proto_write_slice(r->w, team->text);
    }
    proto_write_text(r->w, "rows");
    proto_write_array(r->w, PROTO_POLICY_COUNT - 1);
    for (enum proto_policy policy = PROTO_POLICY_NONE + 1; policy < PROTO_POLICY_COUNT; policy++)
        write_rule(r->w, policy, &adopted);
    return PROTO_OK;
}

/* ---- stats ---------------------------------------------------------------------------------------------- */

struct number {
    const char *name;
    uint64_t value;
};

static void write_numbers(struct proto_writer *w, const char *name, const struct number *numbers, uint32_t count) {
    proto_write_text(w, name);
    proto_write_map(w, count);
    for (uint32_t i = 0; i < count; i++) {
        proto_write_text(w, numbers[i].name);
        proto_write_int(w, (int64_t)numbers[i].value);
    }
}

static void write_counters(struct serve_request *r, const struct net_counts *net) {
    struct work_counts work;
    struct store_counts store;
    work_counts_get(r->serve->options.work, &work);
    store_counts_get(r->serve->options.store, &store);
    const struct number numbers[] = {
        {"peers_opened", net->opened},
        {"peers_closed", net->closed},
        {"peers_turned_away", net->turned_away},
        {"peers_dropped", net->dropped},
        {"bytes_in", net->bytes_in},
        {"bytes_out", net->bytes_out},
        {"calls", net->calls},
        {"record_calls", work.calls},
        {"events_recorded", work.events},
        {"events_repeated", work.repeated},
        {"events_refused", work.refused},
        {"batches", work.batches},
        {"folds", work.folds},
        {"refolds", work.refolds},
        {"plans", work.plans},
        {"replans", work.replans},
        {"log_events", store.log_events},
        {"log_commits", store.log_commits},
        {"view_commits", store.view_commits},
        {"view_puts", store.view_puts},
        {"view_puts_unchanged", store.view_puts_unchanged},
        {"view_deletes", store.view_deletes},
        {"view_syncs", store.view_syncs},
    };
    write_numbers(r->w, "counters", numbers, sizeof numbers / sizeof numbers[0]);
}

static void write_gauges(struct serve_request *r, const struct net_counts *net) {
    struct work_counts work;
    struct store_room room;
    struct store_identity identity;
    struct work_progress progress;
    work_counts_get(r->serve->options.work, &work);
    work_progress_get(r->serve->options.work, &progress);
    store_room_get(r->serve->options.store, &room);
    store_identity_get(r->serve->options.store, &identity);
    const struct number numbers[] = {
        {"peers", net->peers},
        {"calls_in_flight", net->calls_in_flight},
        {"queue_events", work.queue_events},
        {"batch_us_last", (uint64_t)work.batch_us_last},
        {"log_seq", identity.log_seq},
        {"view_seq", identity.view_seq},
        {"log_bytes_used", room.log_used},
        {"log_bytes_map", room.log_map},
        {"view_bytes_used", room.view_used},
        {"view_bytes_map", room.view_map},
        {"disk_bytes_free", room.disk_free},
        {"rebuild_done", progress.rebuilding ? progress.rebuild_done : 0},
        {"rebuild_of", progress.rebuilding ? progress.rebuild_of : 0},
        {"settling_done", progress.settling ? progress.settling_done : 0},
        {"settling_of", progress.settling ? progress.settling_of : 0},
    };
    write_numbers(r->w, "gauges", numbers, sizeof numbers / sizeof numbers[0]);
}

static void write_by_name(struct serve_request *r) {
    struct number numbers[PROTO_METHOD_COUNT + PROTO_ERROR_COUNT];
    uint32_t count = 0;
    for (enum proto_method method = PROTO_METHOD_UNKNOWN + 1; method < PROTO_METHOD_COUNT; method++)
        numbers[count++] = (struct number){proto_method_get(method)->name, r->serve->calls[method]};
    write_numbers(r->w, "calls_by_method", numbers, count);
    count = 0;
    for (enum proto_error error = PROTO_OK + 1; error <= PROTO_OUTCOME_UNKNOWN; error++)
        if (r->serve->errors[error])
            numbers[count++] = (struct number){proto_error_code(error), r->serve->errors[error]};
    write_numbers(r->w, "errors_by_code", numbers, count);
}

enum proto_error serve_stats(struct serve_request *r) {
    struct net_counts net;
    net_hub_counts(r->serve->options.hub, &net);
    proto_write_map(r->w, 4);
    write_counters(r, &net);
    write_gauges(r, &net);
    write_by_name(r);
    return PROTO_OK;
}
