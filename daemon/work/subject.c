/*
 * subject.c - rows of the indexes made from a child's state and schedule.
 *
 * Values, after the format byte (01):
 *   tasks    i64 due_at | i32 due_day | i64 last_done_at | i64 quiet_until | id shown | label | name | title | detail | given_to
 *   alerts   id shown | label | alert as care/ encodes it
 *   devices  id shown | u8 retention | u8 profile | u8 tip | i32 french | i32 length | i32 balloon | i32 change_by |
 *            i64 placed_at | label | gtin | lot | serial
 *   lots     u32 team | i32 change_due | the rest as in devices
 *   levels   id shown | u8 closed | i32 born | label | u16 count | count * (i64 from | u8 level)
 *   identifiers   u8 registered
 * A text is a length byte and its bytes.
 */
#include "work/subject.h"
#include "work/rows.h"

#include "proto/ids.h"
#include "proto/lots.h"

#include <assert.h>

#define FORMAT 1

static void begin(struct work_rows *rows, enum store_table table) {
    work_rows_begin(rows, table);
}

static void value(struct work_rows *rows) {
    work_rows_value(rows);
    work_add_u8(&rows->bytes, FORMAT);
}

/* --- tasks and their counters ------------------------------------------------------------- */

enum { COUNT_ALL, COUNT_DUE, COUNT_OVERDUE };
#define QUARTER_MS 900000

/* The quarter of an hour by whose beginning the moment has come. */
static uint32_t quarter_of(int64_t at) {
    if (at <= PROTO_TIME_MIN)
        return 0;
    if (at >= PROTO_TIME_MAX)
        at = PROTO_TIME_MAX;
    return (uint32_t)((at - PROTO_TIME_MIN + QUARTER_MS - 1) / QUARTER_MS);
}

static void add_count(const struct work_subject *s, uint8_t task, uint8_t what, uint32_t quarter,
                      struct work_rows *rows) {
    begin(rows, STORE_TALLY);
    work_add_u32(&rows->bytes, s->team);
    work_add_u8(&rows->bytes, task);
    work_add_u8(&rows->bytes, what);
    work_add_u32(&rows->bytes, quarter);
    work_rows_value(rows);
    work_rows_end(rows);
}

static int64_t later(int64_t a, int64_t b) {
    return a > b ? a : b;
}

static void add_task(const struct work_subject *s, const struct care_task *task, struct work_rows *rows) {
    char detail[PROTO_TEXT_LINE_MAX + 1];
    care_task_detail(s->state, task, detail);
    struct work_buffer *b = &rows->bytes;
    begin(rows, STORE_TASKS);
    work_add_u32(b, s->team);
    work_add_u8(b, task->task);
    work_add_i64(b, task->overdue_at);
    work_add_id(b, &s->root);
    work_add_u8(b, task->stoma);
    /* Several trainings of one child may fall on one day: they differ in their title (who, in what). */
    work_add_hash8(b, task->name[0] ? task->name : task->title);
    value(rows);
    work_add_i64(b, task->due_at);
    work_add_i32(b, task->due_day);
    work_add_i64(b, task->last_done_at);
    work_add_i64(b, task->quiet_until);
    work_add_id(b, &s->shown);
    work_add_text(b, s->schedule->label);
    work_add_text(b, task->name);
    work_add_text(b, task->title);
    work_add_text(b, detail);
    work_add_text(b, task->given_to);
    work_rows_end(rows);
    add_count(s, task->task, COUNT_ALL, 0, rows);
    add_count(s, task->task, COUNT_DUE, quarter_of(later(task->due_at, task->quiet_until)), rows);
    add_count(s, task->task, COUNT_OVERDUE, quarter_of(later(task->overdue_at, task->quiet_until)), rows);
}

enum proto_error work_tally_read(struct store_txn *txn, uint32_t team, int64_t now,
                                 uint64_t tasks[PROTO_TASK_COUNT][3]) {
    uint8_t prefix[4];
    work_put_u32(prefix, team);
    memset(tasks, 0, sizeof tasks[0] * PROTO_TASK_COUNT);
    uint32_t quarter_now = now <= PROTO_TIME_MIN ? 0 : (uint32_t)((now - PROTO_TIME_MIN) / QUARTER_MS);
    struct store_scan *scan = NULL;
    enum proto_error error = store_scan_begin(txn, STORE_TALLY, prefix, 4, prefix, 4, false, &scan);
    struct store_bytes key, bytes;
    while (error == PROTO_OK && (error = store_scan_next(scan, &key, &bytes)) == PROTO_OK) {
        struct work_reader k = work_reader_of(key), v = work_reader_of(bytes);
        (void)work_take_u32(&k);
        uint8_t task = work_take_u8(&k), what = work_take_u8(&k);
        uint32_t quarter = work_take_u32(&k);
        uint8_t format = work_take_u8(&v);
        uint64_t count = work_take_u64(&v);
        if (k.bad || v.bad || format != FORMAT || task >= PROTO_TASK_COUNT || what > COUNT_OVERDUE)
            error = PROTO_CORRUPT;
        else if (what == COUNT_ALL || quarter <= quarter_now)
            tasks[task][what] += count;
    }
    store_scan_end(scan);
    if (error != PROTO_NOT_FOUND)
        return error == PROTO_OK ? PROTO_CORRUPT : error;
    for (int t = 0; t < PROTO_TASK_COUNT; t++) {
        if (tasks[t][COUNT_ALL] < tasks[t][COUNT_DUE] || tasks[t][COUNT_DUE] < tasks[t][COUNT_OVERDUE])
            return PROTO_CORRUPT;
        tasks[t][0] -= tasks[t][COUNT_DUE];
        tasks[t][1] -= tasks[t][COUNT_OVERDUE];
    }
    return PROTO_OK;
}

/* --- alerts ------------------------------------------------------------------------------- */

/* The most urgent that the alert has at any time: a key holds no moment. */
static uint8_t urgency_of(const struct care_alert *alert) {
    uint8_t urgency = PROTO_URGENCY_COUNT;
    for (uint8_t i = 0; i < alert->step_count; i++)
        if (alert->steps[i].urgency && alert->steps[i].urgency < urgency)
            urgency = alert->steps[i].urgency;
    return urgency;
}

#define ALERT_BYTES_MAX 2048

static void add_alert(const struct work_subject *s, const struct care_alert *alert, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    begin(rows, STORE_ALERTS);
    work_add_u32(b, s->team);
    if (alert->deadline)
        work_add_i64(b, alert->deadline);
    else
        work_add_u64(b, UINT64_MAX);
    work_add_u8(b, urgency_of(alert));
    work_add_i64(b, alert->since);
    work_add_id(b, &s->root);
    work_add_u8(b, alert->alert);
    work_add_u8(b, alert->stoma);
    work_add_u8(b, alert->about); /* two of a kind: call-again about two alerts, two supplies that run out */
    work_add_hash8(b, alert->text);
    value(rows);
    work_add_id(b, &s->shown);
    work_add_text(b, s->schedule->label);
    size_t size = 0;
    enum proto_error error = care_alert_encode(alert, work_buffer_reserve(b, ALERT_BYTES_MAX), ALERT_BYTES_MAX, &size);
    assert(error == PROTO_OK);
    (void)error;
    b->size += size;
    work_rows_end(rows);
}

/* --- who the child is --------------------------------------------------------------------- */

void work_label_fold(struct proto_slice label, char out[PROTO_TEXT_SHORT_MAX + 4]) {
    size_t size = 0;
    for (uint32_t i = 0; i < label.size && size < PROTO_TEXT_SHORT_MAX; i++) {
        char c = label.data[i];
        if (c)
            out[size++] = c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
    }
    out[size] = '\0';
}

void work_label_bare(struct proto_slice label, char out[PROTO_TEXT_SHORT_MAX + 4]) {
    size_t size = 0;
    work_label_fold(label, out);
    for (const char *c = out; *c; c++)
        if (*c != ' ')
            out[size++] = *c;
    out[size] = '\0';
}

/* By birth and label, those who are registered; one whose registration was withdrawn looks like nobody. */
static void add_birth(const struct work_subject *s, struct work_rows *rows) {
    char bare[PROTO_TEXT_SHORT_MAX + 4];
    const char *label = s->schedule->label;
    work_label_bare((struct proto_slice){label, (uint32_t)strlen(label)}, bare);
    if (proto_id_is_zero(&s->state->registered.id) || !*bare)
        return;
    begin(rows, STORE_BORN);
    work_add_i32(&rows->bytes, s->state->born_day);
    work_add_hash8(&rows->bytes, bare);
    work_add_id(&rows->bytes, &s->root);
    value(rows);
    work_rows_end(rows);
}

static void add_names(const struct work_subject *s, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    char folded[PROTO_TEXT_SHORT_MAX + 4];
    const char *label = s->schedule->label;
    work_label_fold((struct proto_slice){label, (uint32_t)strlen(label)}, folded);
    begin(rows, STORE_LABELS);
    work_add_key_text(b, folded);
    work_add_id(b, &s->root);
    value(rows);
    work_add_u32(b, s->team);
    work_rows_end(rows);
    const struct care_profile *profile = &s->state->profile;
    for (uint32_t i = 0; i < profile->identifier_count; i++) {
        begin(rows, STORE_IDENTIFIERS);
        work_add_key_text(b, profile->identifiers[i].system);
        work_add_key_text(b, profile->identifiers[i].value);
        work_add_id(b, &s->root);
        value(rows);
        work_add_u8(b, !proto_id_is_zero(&s->state->registered.id));
        work_rows_end(rows);
    }
    add_birth(s, rows);
}

static void add_levels(const struct work_subject *s, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    begin(rows, STORE_LEVELS);
    work_add_u32(b, s->team);
    work_add_id(b, &s->root);
    value(rows);
    work_add_id(b, &s->shown);
    work_add_u8(b, s->schedule->closed);
    work_add_i32(b, s->state->born_day);
    work_add_text(b, s->schedule->label);
    size_t count_at = b->size;
    work_add_u16(b, 0);
    struct care_view view;
    uint8_t level = 0;
    uint16_t count = 0;
    for (int64_t at = INT64_MIN;; at = care_next_crossing(s->schedule, at)) {
        care_view(s->schedule, at, &view);
        if (view.level != level) {
            level = view.level;
            work_add_i64(b, at);
            work_add_u8(b, level);
            count++;
        }
        if (at == INT64_MAX)
            break;
    }
    work_put_u16(b->data + count_at, count);
    work_rows_end(rows);
}

/* --- devices and spares ------------------------------------------------------------------- */

static void add_device_value(const struct work_subject *s, const struct work_device_row *d, const char *gtin,
                             const char *lot, const char *serial, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    work_add_id(b, &s->shown);
    work_add_u8(b, d->retention);
    work_add_u8(b, d->profile);
    work_add_u8(b, d->tip);
    work_add_i32(b, d->french_fr);
    work_add_i32(b, d->length_mm);
    work_add_i32(b, d->balloon_ml);
    work_add_i32(b, d->change_by_day);
    work_add_i64(b, d->placed_at);
    work_add_text(b, s->schedule->label);
    work_add_text(b, gtin);
    work_add_text(b, lot);
    work_add_text(b, serial);
    work_rows_end(rows);
}

static void add_lot(const struct work_subject *s, uint8_t what, const struct work_device_row *d, const char *gtin,
                    const char *lot, const char *serial, struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    char folded[PROTO_LOT_FOLDED_BYTES];
    proto_lot_fold(proto_slice_of(lot), folded);
    begin(rows, STORE_LOTS);
    work_add_u8(b, what);
    work_add_key_text(b, folded);
    work_add_key_text(b, gtin);
    work_add_key_text(b, serial);
    work_add_id(b, &s->root);
    work_add_u8(b, d->stoma);
    value(rows);
    work_add_u32(b, s->team);
    work_add_i32(b, d->change_due_day);
    add_device_value(s, d, gtin, lot, serial, rows);
}

static struct work_device_row row_of(const struct care_device *device, int stoma) {
    return (struct work_device_row){.stoma = (uint8_t)stoma,
                                    .retention = device->retention,
                                    .profile = device->profile,
                                    .tip = device->tip,
                                    .french_fr = device->french_fr,
                                    .length_mm = device->length_mm,
                                    .balloon_ml = device->balloon_ml,
                                    .placed_at = device->placed.at};
}

static void add_in_use(const struct work_subject *s, const struct work_device_row *d, const struct care_device *device,
                       struct work_rows *rows) {
    struct work_buffer *b = &rows->bytes;
    begin(rows, STORE_DEVICES);
    work_add_u32(b, s->team);
    work_add_i32(b, d->change_due_day);
    work_add_id(b, &s->root);
    work_add_u8(b, d->stoma);
    value(rows);
    add_device_value(s, d, device->gtin, device->lot, device->serial, rows);
}

static void add_device(const struct work_subject *s, int index, struct work_rows *rows) {
    const struct care_stoma *stoma = &s->state->stomas[index];
    const struct care_device *device = &stoma->device;
    if (proto_id_is_zero(&device->placed.id) && proto_id_is_zero(&stoma->device_gone.id))
        return; /* one that was only ever seen to go had no lot on record either */
    struct work_device_row d = row_of(device, PROTO_stoma_main + index);
    if (stoma->prescribed_balloon_ml)
        d.balloon_ml = stoma->prescribed_balloon_ml;
    d.change_due_day = s->schedule->stomas[index].change_due_day;
    d.change_by_day = s->schedule->stomas[index].change_by_day;
    bool gone =
        stoma->device_state == CARE_DEVICE_NONE || stoma->device_state == CARE_DEVICE_KEEP_OPEN || s->schedule->closed;
    add_lot(s, gone ? WORK_LOT_GONE : WORK_LOT_DEVICE, &d, device->gtin, device->lot, device->serial, rows);
    if (!gone && stoma->device_state == CARE_DEVICE_IN)
        add_in_use(s, &d, device, rows);
}

/* The catheter that keeps the stoma open is what is in use; when it went it is an old device. */
static void add_catheter(const struct work_subject *s, int index, struct work_rows *rows) {
    const struct care_stoma *stoma = &s->state->stomas[index];
    const struct care_device *device = &stoma->catheter;
    if (proto_id_is_zero(&device->placed.id) || stoma->device_state != CARE_DEVICE_KEEP_OPEN)
        return;
    struct work_device_row d = row_of(device, PROTO_stoma_main + index);
    add_lot(s, s->schedule->closed ? WORK_LOT_GONE : WORK_LOT_DEVICE, &d, device->gtin, device->lot, device->serial,
            rows);
    if (!s->schedule->closed)
        add_in_use(s, &d, device, rows);
}

/* A recall that is learnt late is worked into what ended as well: what it can be about there is in the index, so that it finds the child. */
static void add_old_devices(const struct work_subject *s, struct work_rows *rows) {
    const struct care_device *device = NULL;
    int stoma = 0;
    for (uint32_t place = 0; care_old_device_next(s->state, &place, &device, &stoma);) {
        struct work_device_row d = row_of(device, stoma);
        add_lot(s, WORK_LOT_GONE, &d, device->gtin, device->lot, device->serial, rows);
    }
}

static void add_spares(const struct work_subject *s, struct work_rows *rows) {
    for (uint32_t i = 0; i < s->state->spare_count; i++) {
        const struct care_spare *spare = &s->state->spares[i];
        if (!spare->lot[0])
            continue;
        struct work_device_row d = {.stoma = spare->stoma,
                                    .retention = spare->retention,
                                    .profile = spare->profile,
                                    .french_fr = spare->french_fr,
                                    .length_mm = spare->length_mm,
                                    .placed_at = spare->fact.at};
        add_lot(s, WORK_LOT_SPARE, &d, "", spare->lot, "", rows);
    }
}

void work_subject_rows(const struct work_subject *s, struct work_rows *rows) {
    const struct care_schedule *schedule = s->schedule;
    for (uint32_t i = 0; i < schedule->task_count; i++)
        add_task(s, &schedule->tasks[i], rows);
    for (uint32_t i = 0; i < schedule->alert_count; i++)
        if (schedule->alerts[i].ended_how == CARE_ENDED_NOT)
            add_alert(s, &schedule->alerts[i], rows);
    add_names(s, rows);
    for (int i = 0; i < PROTO_STOMAS_MAX; i++) {
        add_device(s, i, rows);
        add_catheter(s, i, rows);
    }
    add_old_devices(s, rows);
    add_spares(s, rows);
    add_levels(s, rows);
}
