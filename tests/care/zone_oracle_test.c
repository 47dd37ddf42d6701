/*
 * zone_oracle_test.c - local dates, first instants and due dates of the shipped rules over the machine's own zone data.
 *
 * Without arguments: the values that are known beforehand, each with its source.
 * With --answer: reads questions, one a line, and answers each with one line, for
 * check_zones.py to compare with Python's zoneinfo and dateutil.
 *
 *   day ZONE MS                  local date of an instant
 *   midnight ZONE DATE           first instant of a local date, ms
 *   balloon ZONE PLACED_MS       due date, due_at, overdue_at of the balloon check after a placement
 *   checked ZONE CHECKED_MS      the same after a check
 *   change ZONE PLACED_MS        the same of the device change of a balloon device (3 and 4 months)
 *
 * What always holds: the answers come from care_plan over events that took the shipped path, with zones as work/ loads them.
 */
#define _GNU_SOURCE
#include "care/care.h"
#include "scenario_text.h"
#include "work/zones.h"

static const struct care_zones *zones;

static const struct care_zone *zone_of(const char *name) {
    const struct care_zone *zone = care_zone_find(zones, scen_slice(name));
    if (!zone) {
        (void)fprintf(stderr, "no such zone: %s\n", name);
        exit(1);
    }
    return zone;
}

static void add(struct scen_events *events, const char *line) {
    static struct scen_words words;
    char why[256];
    enum proto_error code = PROTO_OK;
    if (!scen_split(line, &words) || !scen_add(events, &words, 0, "", 1, &code, why)) {
        (void)fprintf(stderr, "%s: %s\n", line, why);
        exit(1);
    }
}

/* Plans a child whose device was placed at `placed`, checked at `checked` (0: never), and prints one task's dates. */
static void answer_task(const char *zone, int64_t placed, int64_t checked, enum proto_task task) {
    static struct scen_events events;
    static struct care_state state;
    static struct care_schedule schedule;
    static struct proto_event list[4];
    struct care_policy policy;
    uint32_t order[4];
    char line[512], time[32], date[11];
    scen_events_open(&events);
    proto_time_format(placed, time);
    (void)snprintf(line, sizeof line, "%s patient.registered label=HM-1 born=1960-04-02 zone=%s team=mill-lane", time,
                   zone);
    add(&events, line);
    (void)snprintf(line, sizeof line, "%s stoma.formed formed_on=1960-06-01 how=surgical", time);
    add(&events, line);
    (void)snprintf(line, sizeof line,
                   "%s device.placed retention=balloon profile=low tip=stomach french_fr=14 balloon_ml=5 "
                   "why=scheduled place=hospital placed_by=nurse position=imaging",
                   time);
    add(&events, line);
    if (checked) {
        proto_time_format(checked, time);
        (void)snprintf(line, sizeof line, "%s balloon.checked withdrawn_ml=5 filled_ml=5", time);
        add(&events, line);
    }
    for (uint32_t i = 0; i < events.count; i++)
        list[i] = events.list[i].event;
    care_policy_init(&policy);
    care_fold(&state, list, events.count, order, checked ? checked : placed);
    const struct care_context context = {.policy = &policy, .zones = zones};
    care_plan(&state, &context, &schedule);
    for (uint32_t i = 0; i < schedule.task_count; i++)
        if (schedule.tasks[i].task == task) {
            proto_date_format(schedule.tasks[i].due_day, date);
            printf("%s %lld %lld\n", date, (long long)schedule.tasks[i].due_at,
                   (long long)schedule.tasks[i].overdue_at);
            scen_events_close(&events);
            return;
        }
    printf("none\n");
    scen_events_close(&events);
}

static void answer(const struct scen_words *words) {
    const char *what = words->list[0].value, *zone = words->list[1].value, *value = words->list[2].value;
    int32_t day = 0;
    char date[11];
    if (strcmp(what, "day") == 0) {
        proto_date_format(care_zone_day(zone_of(zone), strtoll(value, NULL, 10)), date);
        printf("%s\n", date);
    } else if (strcmp(what, "midnight") == 0 && scen_date(value, &day)) {
        printf("%lld\n", (long long)care_zone_midnight(zone_of(zone), day));
    } else if (strcmp(what, "balloon") == 0) {
        answer_task(zone, strtoll(value, NULL, 10), 0, PROTO_TASK_BALLOON_CHECK);
    } else if (strcmp(what, "checked") == 0) {
        int64_t at = strtoll(value, NULL, 10);
        answer_task(zone, at - 40 * PROTO_DAY_MS, at, PROTO_TASK_BALLOON_CHECK);
    } else if (strcmp(what, "change") == 0) {
        answer_task(zone, strtoll(value, NULL, 10), 0, PROTO_TASK_DEVICE_CHANGE);
    } else {
        printf("not understood\n");
    }
}

static int answer_all(void) {
    static char line[SCEN_LINE_BYTES_MAX];
    static struct scen_words words;
    while (fgets(line, sizeof line, stdin)) {
        line[strcspn(line, "\n")] = '\0';
        if (!scen_split(line, &words) || words.count != 3)
            return 1;
        answer(&words);
    }
    return 0;
}

static int check_midnight(const char *zone, const char *date, const char *wanted) {
    int32_t day = 0;
    int64_t at = 0;
    char got[32];
    if (!scen_date(date, &day) || !scen_time(wanted, &at))
        abort();
    proto_time_format(care_zone_midnight(zone_of(zone), day), got);
    bool good = care_zone_midnight(zone_of(zone), day) == at;
    printf("%s %s %s begins at %s%s%s\n", good ? "ok    " : "not ok", zone, date, got, good ? "" : ", wanted ",
           good ? "" : wanted);
    return good ? 0 : 1;
}

static int check_day(const char *zone, const char *time, const char *wanted) {
    int64_t at = 0;
    char got[11];
    if (!scen_time(time, &at))
        abort();
    proto_date_format(care_zone_day(zone_of(zone), at), got);
    bool good = strcmp(got, wanted) == 0;
    printf("%s %s in %s is %s%s%s\n", good ? "ok    " : "not ok", time, zone, got, good ? "" : ", wanted ",
           good ? "" : wanted);
    return good ? 0 : 1;
}

/* Source of all: tzdata; calc. */
static int check_known(void) {
    int bad = 0;
    bad += check_midnight("Europe/London", "2026-03-29", "2026-03-29T00:00Z");
    bad += check_midnight("Europe/London", "2026-03-30", "2026-03-29T23:00Z");
    bad += check_midnight("Europe/London", "2026-10-26", "2026-10-26T00:00Z");
    bad += check_midnight("Australia/Lord_Howe", "2026-04-05", "2026-04-04T13:00Z"); /* +11 until 02:00 that day */
    bad += check_midnight("Australia/Lord_Howe", "2026-04-06", "2026-04-05T13:30Z"); /* +10:30: half an hour */
    bad += check_midnight("Africa/Cairo", "2026-04-24", "2026-04-23T22:00Z");        /* midnight is skipped */
    bad += check_midnight("Asia/Beirut", "2026-03-29", "2026-03-28T22:00Z");         /* midnight is skipped */
    bad += check_midnight("Pacific/Apia", "2011-12-30", "2011-12-30T10:00Z");        /* there was no such date */
    bad += check_midnight("Pacific/Apia", "2011-12-31", "2011-12-30T10:00Z");
    bad += check_midnight("Europe/Dublin", "2026-01-15", "2026-01-15T00:00Z"); /* negative DST in winter */
    bad += check_midnight("Europe/Dublin", "2026-07-15", "2026-07-14T23:00Z");
    bad += check_day("Pacific/Apia", "2011-12-30T09:59:59Z", "2011-12-29");
    bad += check_day("Pacific/Apia", "2011-12-30T10:00:00Z", "2011-12-31");
    bad += check_day("Asia/Kathmandu", "2026-01-11T18:14:59Z", "2026-01-11");
    bad += check_day("Asia/Kathmandu", "2026-01-11T18:15:00Z", "2026-01-12");
    bad += check_day("America/St_Johns", "2026-01-12T03:29:59Z", "2026-01-11");
    bad += check_day("America/St_Johns", "2026-01-12T03:30:00Z", "2026-01-12");
    return bad;
}

int main(int argc, char **argv) {
    struct proto_fault fault = {0};
    struct care_zones *loaded = work_zones_load(&fault);
    if (!loaded) {
        (void)fprintf(stderr, "no zone data: %s\n", fault.message);
        return 1;
    }
    zones = loaded;
    int bad = argc > 1 && strcmp(argv[1], "--answer") == 0 ? answer_all() : check_known();
    work_zones_free(loaded);
    return bad ? 1 : 0;
}
