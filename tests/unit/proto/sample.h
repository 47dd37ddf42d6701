/*
 * sample.h - events made from the tables, for the tests of proto/: each field at its least, at its most, and beyond.
 *
 * What always holds: a sample is made of the declared bounds alone, so a field that is added to a table is tested unasked.
 */
#ifndef TESTS_PROTO_SAMPLE_H
#define TESTS_PROTO_SAMPLE_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "proto/calendar.h"
#include "proto/ids.h"
#include "proto/message.h"
#include "proto/pack.h"
#include "proto/scan.h"
#include "proto/tables.h"

#include <stdio.h>
#include <string.h>

/* RFC 9562, appendix A.6: a version 7 id. */
#define ID_A "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"
#define ID_B "017f22e2-79b0-7cc3-98c4-dc0c0c073990"
#define ID_C "017f22e2-79b0-7cc3-98c4-dc0c0c073991"

struct sample {
    uint8_t bytes[1 << 19];
    struct proto_writer w;
    struct proto_arena *arena;
};

static inline struct proto_slice slice_of(const char *text) {
    return (struct proto_slice){text, (uint32_t)strlen(text)};
}

static inline struct proto_id id_of(const char *text) {
    struct proto_id id;
    assert_int_equal(proto_id_parse(slice_of(text), &id), PROTO_OK);
    return id;
}

static inline void sample_begin(struct sample *s) {
    proto_writer_init(&s->w, s->bytes, sizeof s->bytes);
    if (!s->arena)
        s->arena = proto_arena_new();
    assert_non_null(s->arena);
}

static inline void sample_end(struct sample *s) {
    proto_arena_free(s->arena);
    s->arena = NULL;
}

/* What has been written, scanned and unpacked. */
static inline const msgpack_object *sample_object(struct sample *s) {
    const msgpack_object *object = NULL;
    struct proto_scan scan = {0};
    size_t size = 0;
    assert_int_equal(s->w.error, PROTO_OK);
    assert_int_equal(proto_scan_value(&scan, s->bytes, s->w.size, sizeof s->bytes, &size), PROTO_OK);
    assert_int_equal(size, s->w.size);
    assert_int_equal(proto_arena_unpack(s->arena, s->bytes, size, &size, &object), PROTO_OK);
    return object;
}

static inline void pair_text(struct proto_writer *w, const char *key, const char *text) {
    proto_write_text(w, key);
    proto_write_text(w, text);
}

static inline void pair_int(struct proto_writer *w, const char *key, int64_t n) {
    proto_write_text(w, key);
    proto_write_int(w, n);
}

/* ---- values at their bounds ------------------------------------------------------------------------------ */

enum bound { ABSENT, LEAST, MOST, BELOW, ABOVE };

static inline void put_letters(struct proto_writer *w, int64_t size) {
    static char letters[PROTO_TEXT_LONG_MAX + 2];
    assert_true(size >= 0 && (size_t)size < sizeof letters);
    memset(letters, 'x', sizeof letters);
    if (size >= 4)
        memcpy(letters, "\xc3\xa9\t\n", 4); /* an e with an acute accent, a tab and a line break are text too */
    proto_write_slice(w, (struct proto_slice){letters, (uint32_t)size});
}

static inline void put_text(struct proto_writer *w, const struct proto_field *f, enum bound bound) {
    int64_t size = bound == LEAST ? f->min : bound == MOST ? f->max : bound == BELOW ? f->min - 1 : f->max + 1;
    if (strcmp(f->name, "gtin") == 0 && (bound == LEAST || bound == MOST)) {
        proto_write_text(w, bound == LEAST ? "73513537" : "10614141000415"); /* made with the check digit rule */
    } else if (strcmp(f->name, "team") == 0 && (bound == LEAST || bound == MOST)) {
        proto_write_slice(w, (struct proto_slice){"north-shore-0123456789-abcdefghijklmnopqr", (uint32_t)size});
    } else {
        put_letters(w, size);
    }
}

static inline int64_t number_at(const struct proto_field *f, enum bound bound) {
    return bound == LEAST ? f->min : bound == MOST ? f->max : bound == BELOW ? f->min - 1 : f->max + 1;
}

static inline void put_value(struct proto_writer *w, const struct proto_field *f, enum bound bound);

static inline void put_record(struct proto_writer *w, enum proto_type type, enum bound bound) {
    uint32_t count;
    const struct proto_field *fields = proto_record_fields(type, &count);
    if (type == PROTO_TYPE_PAUSES)
        proto_write_array(w, count);
    else
        proto_write_map(w, count);
    for (uint32_t i = 0; i < count; i++) {
        if (type != PROTO_TYPE_PAUSES)
            proto_write_text(w, fields[i].name);
        put_value(w, &fields[i], bound);
    }
}

static inline void put_list(struct proto_writer *w, const struct proto_field *f, enum bound bound) {
    int64_t count = number_at(f, bound);
    proto_write_array(w, (uint32_t)count);
    for (int64_t i = 0; i < count; i++) {
        if (f->type == PROTO_TYPE_TEXTS)
            put_letters(w, bound == LEAST ? 1 : PROTO_TEXT_LINE_MAX);
        else
            put_record(w, f->type, bound == LEAST ? LEAST : MOST);
    }
}

static inline void put_choices(struct proto_writer *w, const struct proto_field *f, enum bound bound) {
    const struct proto_list *list = proto_list_get(f->list);
    uint32_t count = bound == LEAST ? (uint32_t)f->min : bound == MOST ? list->count : 0;
    proto_write_array(w, count);
    for (uint32_t i = count; i > 0; i--) /* backwards: the canonical order is the table's */
        proto_write_text(w, list->names[i - 1].text);
}

static inline void put_values(struct proto_writer *w, enum bound bound) {
    uint32_t count = bound == LEAST ? 1 : PROTO_POLICY_COUNT - 1;
    proto_write_map(w, count);
    for (uint32_t i = count; i > 0; i--) {
        const struct proto_policy_info *info = proto_policy_get((enum proto_policy)i);
        proto_write_text(w, info->name);
        proto_write_amount(w, bound == LEAST ? info->min : info->max);
    }
}

static inline void put_kept_list(struct proto_writer *w, int64_t count, uint32_t size) {
    static const uint8_t bytes[20] = {0x92};
    struct proto_kept kept = {.bytes = {(const char *)bytes, size}, .has_receipt = size > 1, .received_at = 5};
    proto_write_array(w, (uint32_t)count);
    for (int64_t i = 0; i < count; i++, kept.joined = true)
        proto_write_kept(w, &kept);
}

static inline void put_id_list(struct proto_writer *w, int64_t count) {
    proto_write_array(w, (uint32_t)count);
    for (int64_t i = 0; i < count; i++)
        proto_write_text(w, "ffffffff-ffff-ffff-ffff-ffffffffffff");
}

/* A value of the field at that bound; BELOW and ABOVE only where has_beyond says so. */
static inline void put_value(struct proto_writer *w, const struct proto_field *f, enum bound bound) {
    int64_t n = number_at(f, bound);
    switch (f->type) {
    case PROTO_TYPE_BOOL:
        proto_write_bool(w, n != 0);
        break;
    case PROTO_TYPE_INT:
    case PROTO_TYPE_TIME:
        proto_write_int(w, n);
        break;
    case PROTO_TYPE_AMOUNT:
        proto_write_amount(w, n);
        break;
    case PROTO_TYPE_DATE:
        proto_write_date(w, (int32_t)n);
        break;
    case PROTO_TYPE_ID:
        proto_write_text(w, bound == LEAST ? "00000000-0000-0000-0000-000000000000"
                                           : "ffffffff-ffff-ffff-ffff-ffffffffffff");
        break;
    case PROTO_TYPE_TEXT:
        put_text(w, f, bound);
        break;
    case PROTO_TYPE_CHOICE:
        proto_write_text(w,
                         proto_list_get(f->list)->names[bound == LEAST ? 0 : proto_list_get(f->list)->count - 1].text);
        break;
    case PROTO_TYPE_CHOICES:
        put_choices(w, f, bound);
        break;
    case PROTO_TYPE_VALUES:
        put_values(w, bound);
        break;
    case PROTO_TYPE_CURSOR: {
        struct proto_position position = {.seq = bound == LEAST ? 0 : INT64_MAX};
        memset(position.chain, bound == LEAST ? 0 : 0xef, sizeof position.chain);
        proto_write_position(w, &position);
        break;
    }
    case PROTO_TYPE_KEPT:
        put_kept_list(w, bound == LEAST ? f->min : f->max, bound == LEAST ? 1 : 20);
        break;
    case PROTO_TYPE_IDS:
        put_id_list(w, bound == LEAST ? f->min : f->max);
        break;
    default:
        put_list(w, f, bound);
    }
}

static inline bool has_beyond(const struct proto_field *f, enum bound bound) {
    switch (f->type) {
    case PROTO_TYPE_INT:
    case PROTO_TYPE_TIME:
    case PROTO_TYPE_AMOUNT:
    case PROTO_TYPE_DATE:
        return true;
    case PROTO_TYPE_TEXT:
        return bound == ABOVE || f->min >= 1;
    case PROTO_TYPE_BOOL:
        return bound == BELOW && f->min == 1; /* the bound below true is false */
    case PROTO_TYPE_CHOICES:
        return bound == BELOW && f->min >= 1;
    case PROTO_TYPE_TEXTS:
    case PROTO_TYPE_IDENTIFIERS:
    case PROTO_TYPE_CONTACTS:
    case PROTO_TYPE_USES:
    case PROTO_TYPE_PAUSES:
        return bound == ABOVE;
    default:
        return false;
    }
}

/* ---- whole events ------------------------------------------------------------------------------------------ */

/* A bound for each field of a kind's body; fields that the kind's rules ask for are added by plan_complete. */
struct plan {
    enum proto_kind kind;
    int64_t at;
    enum bound field[PROTO_BODY_FIELDS_MAX];
};

static inline void plan_need(struct plan *p, uint32_t field, enum bound bound) {
    if (p->field[field] == ABSENT)
        p->field[field] = bound;
}

#define NEED(k, f, bound) plan_need(p, PROTO_FIELD_##k##_##f, bound)
#define PLANNED(k, f) (p->field[PROTO_FIELD_##k##_##f])

static inline void plan_complete_rules(struct plan *p) {
    switch (p->kind) {
    case PROTO_KIND_patient_revised:
        NEED(patient_revised, label, LEAST);
        break;
    case PROTO_KIND_stoma_formed:
        if (PLANNED(stoma_formed, precision) != ABSENT)
            NEED(stoma_formed, formed_on, LEAST);
        break;
    case PROTO_KIND_device_placed:
        if (PLANNED(device_placed, retention) == LEAST) /* a balloon */
            NEED(device_placed, balloon_ml, LEAST);
        break;
    case PROTO_KIND_device_prescribed:
        NEED(device_prescribed, change_months, LEAST);
        break;
    case PROTO_KIND_balloon_checked:
        if (PLANNED(balloon_checked, stuck) == ABSENT) {
            NEED(balloon_checked, withdrawn_ml, LEAST);
            if (PLANNED(balloon_checked, left_empty) == ABSENT)
                NEED(balloon_checked, filled_ml, MOST);
        }
        break;
    case PROTO_KIND_site_checked:
        NEED(site_checked, warm, LEAST);
        break;
    case PROTO_KIND_plan_set:
        if (PLANNED(plan_set, policy) == ABSENT)
            NEED(plan_set, task, LEAST);
        if (PLANNED(plan_set, off) != ABSENT)
            NEED(plan_set, until, LEAST);
        else if (PLANNED(plan_set, policy) == ABSENT)
            NEED(plan_set, every_days, LEAST);
        break;
    case PROTO_KIND_lot_recalled:
        NEED(lot_recalled, lot, LEAST);
        break;
    case PROTO_KIND_contact_made: /* looking again never lies before the call, nor long after it */
        if (PLANNED(contact_made, recheck_by) == LEAST)
            p->at = PROTO_TIME_MIN;
        else if (PLANNED(contact_made, recheck_by) == MOST)
            p->at = PROTO_TIME_MAX;
        break;
    default:
        break;
    }
}

static inline void plan_complete(struct plan *p) {
    const struct proto_kind_info *kind = proto_kind_get(p->kind);
    for (uint32_t i = 0; i < kind->field_count; i++)
        if (kind->fields[i].required)
            plan_need(p, i, LEAST);
    plan_complete_rules(p);
}

/* The value a plan for a policy needs lies within that policy value's own bounds. */
static inline void put_plan_value(struct proto_writer *w, const struct plan *p) {
    bool first = p->field[PROTO_FIELD_plan_set_policy] == LEAST;
    const struct proto_policy_info *info = proto_policy_get(first ? (enum proto_policy)1 : PROTO_POLICY_COUNT - 1);
    proto_write_amount(w, first ? info->min : info->max);
}

static inline void put_body(struct proto_writer *w, const struct plan *p, bool backwards) {
    const struct proto_kind_info *kind = proto_kind_get(p->kind);
    bool policy = p->kind == PROTO_KIND_plan_set && p->field[PROTO_FIELD_plan_set_policy] != ABSENT;
    uint32_t count = policy;
    for (uint32_t i = 0; i < kind->field_count; i++)
        count += p->field[i] != ABSENT;
    proto_write_map(w, count);
    for (uint32_t i = 0; i < kind->field_count; i++) {
        uint32_t place = backwards ? kind->field_count - 1 - i : i;
        if (p->field[place] == ABSENT)
            continue;
        proto_write_text(w, kind->fields[place].name);
        put_value(w, &kind->fields[place], p->field[place]);
    }
    if (policy) {
        proto_write_text(w, "value");
        put_plan_value(w, p);
    }
}

static inline void put_event(struct proto_writer *w, const struct plan *p, bool backwards) {
    const struct proto_kind_info *kind = proto_kind_get(p->kind);
    bool child = kind->scope != PROTO_SCOPE_TEAM;
    proto_write_map(w, 4u + child);
    if (backwards) {
        proto_write_text(w, "body");
        put_body(w, p, true);
    }
    pair_int(w, "at", p->at);
    if (child)
        pair_text(w, "patient", ID_B);
    pair_text(w, "kind", kind->name);
    pair_text(w, "id", ID_A);
    if (!backwards) {
        proto_write_text(w, "body");
        put_body(w, p, false);
    }
}

static inline void stamp(struct proto_event *e) {
    e->by = slice_of("nurse-a");
    e->node = id_of(ID_C);
    e->written_at = 1774000000000;
    e->clock_offset_ms = -250;
}

/* ---- the same value, however it was decoded -------------------------------------------------------------------- */

static inline void assert_slices_same(struct proto_slice a, struct proto_slice b) {
    assert_int_equal(a.size, b.size);
    if (a.size)
        assert_memory_equal(a.data, b.data, a.size);
}

static inline void assert_entries_same(const struct proto_value *a, const struct proto_value *b) {
    for (uint32_t i = 0; i < a->n; i++) {
        if (a->type == PROTO_TYPE_TEXTS) {
            assert_slices_same(proto_list_text(a, i), proto_list_text(b, i));
            continue;
        }
        struct proto_record one = proto_list_record(a, i), other = proto_list_record(b, i);
        assert_slices_same(one.a, other.a);
        assert_slices_same(one.b, other.b);
        assert_slices_same(one.c, other.c);
        assert_int_equal(one.n, other.n);
        assert_int_equal(one.from, other.from);
        assert_int_equal(one.to, other.to);
    }
}

static inline void assert_values_same(const struct proto_value *a, const struct proto_value *b) {
    assert_int_equal(a->present, b->present);
    if (!a->present)
        return;
    assert_int_equal(a->type, b->type);
    assert_int_equal(a->n, b->n);
    assert_int_equal(a->set, b->set);
    assert_slices_same(a->text, b->text);
    assert_memory_equal(&a->id, &b->id, sizeof a->id);
    if (a->type >= PROTO_TYPE_TEXTS && a->type <= PROTO_TYPE_PAUSES)
        assert_entries_same(a, b);
}

static inline void assert_events_same(const struct proto_event *a, const struct proto_event *b) {
    assert_int_equal(a->kind, b->kind);
    assert_slices_same(a->kind_name, b->kind_name);
    assert_int_equal(a->has_id, b->has_id);
    assert_memory_equal(&a->id, &b->id, sizeof a->id);
    assert_int_equal(a->has_patient, b->has_patient);
    assert_memory_equal(&a->patient, &b->patient, sizeof a->patient);
    assert_int_equal(a->at, b->at);
    assert_int_equal(a->done_by, b->done_by);
    assert_int_equal(a->source, b->source);
    assert_int_equal(a->stoma, b->stoma);
    assert_int_equal(a->has_visit, b->has_visit);
    assert_int_equal(a->has_replaces, b->has_replaces);
    assert_int_equal(a->has_same_as, b->has_same_as);
    assert_memory_equal(&a->visit, &b->visit, sizeof a->visit);
    assert_memory_equal(&a->replaces, &b->replaces, sizeof a->replaces);
    assert_memory_equal(&a->same_as, &b->same_as, sizeof a->same_as);
    assert_slices_same(a->by, b->by);
    assert_memory_equal(&a->node, &b->node, sizeof a->node);
    assert_int_equal(a->written_at, b->written_at);
    assert_int_equal(a->clock_offset_ms, b->clock_offset_ms);
    for (uint32_t i = 0; i < PROTO_BODY_FIELDS_MAX; i++)
        assert_values_same(&a->body[i], &b->body[i]);
}

#endif
