/*
 * proto_fuzz.c - mutated events and messages against every decoder of proto/.
 *
 *   proto_fuzz [--runs N] [--seed S]
 *
 * What always holds: each input ends in a value or an error; an event that is taken makes canonical bytes that are read
 * again as the same event and written again as the same bytes; what is refused leaves the output as it was. The run is a
 * function of the seed. Any breach aborts and prints the input in hex.
 */
#include "proto/ids.h"
#include "proto/message.h"
#include "proto/pack.h"
#include "proto/scan.h"
#include "proto/tables.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define INPUT_MAX 8192

static uint64_t random_state;
static const uint8_t *current;
static size_t current_size;

static uint32_t random_below(uint32_t bound) {
    random_state = random_state * 6364136223846793005u + 1442695040888963407u;
    return (uint32_t)((random_state >> 32) * bound >> 32);
}

static void breach(const char *what) {
    fprintf(stderr, "breach: %s\n", what);
    for (size_t i = 0; i < current_size; i++)
        fprintf(stderr, "%02x", current[i]);
    fputc('\n', stderr);
    abort();
}

#define MUST(condition)                                                                                                \
    do {                                                                                                               \
        if (!(condition))                                                                                              \
            breach(#condition);                                                                                        \
    } while (0)

/* ---- valid inputs, from the tables -------------------------------------------------------------------------- */

static void put_random_text(struct proto_writer *w, const struct proto_field *f) {
    char text[PROTO_TEXT_LONG_MAX];
    uint32_t low = (uint32_t)f->min, high = (uint32_t)(f->max < 40 ? f->max : 40);
    uint32_t size = low + random_below(high - low + 1);
    for (uint32_t i = 0; i < size; i++)
        text[i] = (char)('a' + random_below(26));
    if (strcmp(f->name, "gtin") == 0)
        proto_write_text(w, "6291041500213");
    else
        proto_write_slice(w, (struct proto_slice){text, size});
}

static int64_t random_number(const struct proto_field *f) {
    uint64_t span = (uint64_t)(f->max - f->min) + 1;
    uint64_t high = random_below(UINT32_MAX);
    uint64_t low = random_below(UINT32_MAX);
    return f->min + (int64_t)((high << 32 | low) % span);
}

static void put_random_value(struct proto_writer *w, const struct proto_field *f);

static void put_random_list(struct proto_writer *w, const struct proto_field *f) {
    uint32_t count = random_below(4), parts;
    const struct proto_field *fields = proto_record_fields(f->type, &parts);
    proto_write_array(w, count);
    for (uint32_t i = 0; i < count; i++) {
        if (!fields) {
            proto_write_text(w, "entry");
            continue;
        }
        if (f->type == PROTO_TYPE_PAUSES)
            proto_write_array(w, parts);
        else
            proto_write_map(w, parts);
        for (uint32_t p = 0; p < parts; p++) {
            if (f->type != PROTO_TYPE_PAUSES)
                proto_write_text(w, fields[p].name);
            put_random_value(w, &fields[p]);
        }
    }
}

static void put_random_choices(struct proto_writer *w, const struct proto_field *f) {
    const struct proto_list *list = proto_list_get(f->list);
    uint32_t count = 1 + random_below(list->count < 3 ? list->count : 3);
    proto_write_array(w, count);
    for (uint32_t i = 0; i < count; i++)
        proto_write_text(w, list->names[i].text);
}

static void put_random_id(struct proto_writer *w) {
    uint8_t hash[PROTO_HASH_BYTES];
    struct proto_id id;
    for (size_t i = 0; i < sizeof hash; i++)
        hash[i] = (uint8_t)random_below(256);
    proto_id_from_hash(1774000000000 + random_below(1000), hash, &id);
    proto_write_id(w, &id);
}

static void put_random_value(struct proto_writer *w, const struct proto_field *f) {
    switch (f->type) {
    case PROTO_TYPE_BOOL:
        proto_write_bool(w, f->min == 1 || random_below(2));
        break;
    case PROTO_TYPE_INT:
    case PROTO_TYPE_TIME:
        proto_write_int(w, random_number(f));
        break;
    case PROTO_TYPE_AMOUNT:
        proto_write_amount(w, random_number(f));
        break;
    case PROTO_TYPE_DATE:
        proto_write_date(w, (int32_t)random_number(f));
        break;
    case PROTO_TYPE_ID:
        put_random_id(w);
        break;
    case PROTO_TYPE_TEXT:
        put_random_text(w, f);
        break;
    case PROTO_TYPE_CHOICE:
        proto_write_text(w, proto_list_get(f->list)->names[random_below(proto_list_get(f->list)->count)].text);
        break;
    case PROTO_TYPE_CHOICES:
        put_random_choices(w, f);
        break;
    case PROTO_TYPE_VALUES:
        proto_write_map(w, 1);
        proto_write_text(w, "ph-limit");
        proto_write_amount(w, 350 + random_below(200));
        break;
    default:
        put_random_list(w, f);
    }
}

static void put_random_fields(struct proto_writer *w, const struct proto_field *fields, uint32_t count) {
    size_t mark = proto_write_map_begin(w);
    uint32_t written = 0;
    for (uint32_t i = 0; i < count; i++)
        if (fields[i].required || random_below(3) == 0) {
            proto_write_text(w, fields[i].name);
            put_random_value(w, &fields[i]);
            written++;
        }
    proto_write_map_end(w, mark, written);
}

static void put_random_event(struct proto_writer *w) {
    const struct proto_kind_info *kind = proto_kind_get((enum proto_kind)(1 + random_below(PROTO_KIND_COUNT - 1)));
    const struct proto_field *envelope = proto_envelope_fields();
    size_t mark = proto_write_map_begin(w);
    uint32_t pairs = 4;
    proto_write_text(w, "id");
    put_random_id(w);
    proto_write_text(w, "kind");
    proto_write_text(w, kind->name);
    if (kind->scope != PROTO_SCOPE_TEAM) {
        proto_write_text(w, "patient");
        put_random_id(w);
        pairs++;
    }
    proto_write_text(w, "at");
    proto_write_int(w, random_below(2) ? PROTO_TIME_MAX : random_number(&envelope[PROTO_ENVELOPE_AT]));
    for (uint32_t key = PROTO_ENVELOPE_DONE_BY; key < PROTO_ENVELOPE_COUNT; key++)
        if (random_below(4) == 0) {
            proto_write_text(w, envelope[key].name);
            put_random_value(w, &envelope[key]);
            pairs++;
        }
    proto_write_text(w, "body");
    put_random_fields(w, kind->fields, kind->field_count);
    proto_write_map_end(w, mark, pairs);
}

static void put_random_stamps(struct proto_writer *w) {
    const struct proto_field *keys = proto_envelope_fields();
    proto_write_map(w, PROTO_KEY_COUNT - PROTO_KEY_BY);
    for (uint32_t key = PROTO_KEY_BY; key < PROTO_KEY_COUNT; key++) {
        proto_write_text(w, keys[key].name);
        put_random_value(w, &keys[key]);
    }
}

static void put_random_message(struct proto_writer *w) {
    const struct proto_method_info *method =
        proto_method_get((enum proto_method)(1 + random_below(PROTO_METHOD_COUNT - 1)));
    switch (random_below(8)) {
    case 0:
        proto_write_result_begin(w, random_below(UINT32_MAX));
        put_random_event(w);
        return;
    case 1: {
        struct proto_fault fault;
        (void)proto_fault_set(&fault, (enum proto_error)(1 + random_below(PROTO_ERROR_COUNT - 1)), "field",
                              "A sentence.");
        proto_write_fault(w, random_below(300), &fault);
        return;
    }
    case 2:
        proto_write_array(w, 3);
        proto_write_int(w, PROTO_NOTIFICATION);
        proto_write_text(w, "change");
        proto_write_array(w, 1);
        put_random_event(w);
        return;
    default:
        proto_write_request(w, random_below(UINT32_MAX), method->name);
    }
    if (method->param_count && method->params[0].type == PROTO_TYPE_EVENTS) {
        uint32_t events = 1 + random_below(3);
        proto_write_map(w, 1);
        proto_write_text(w, "events");
        proto_write_array(w, events);
        for (uint32_t i = 0; i < events; i++)
            put_random_event(w);
    } else {
        put_random_fields(w, method->params, method->param_count);
    }
}

/* ---- mutation ----------------------------------------------------------------------------------------------- */

/* Changes some bytes, cuts or doubles a piece; *size may grow up to `cap`. */
static void mutate(uint8_t *bytes, size_t *size, size_t cap) {
    static const uint8_t heads[] = {0x80, 0x8f, 0x90, 0x9f, 0xa0, 0xbf, 0xc0, 0xc1, 0xc2, 0xc4,
                                    0xc7, 0xca, 0xcb, 0xcc, 0xcf, 0xd0, 0xd3, 0xd4, 0xd9, 0xda,
                                    0xdb, 0xdc, 0xdd, 0xde, 0xdf, 0xe0, 0xff, 0x00, 0x7f};
    for (uint32_t n = random_below(4); n > 0 && *size > 0; n--) {
        uint32_t at = random_below((uint32_t)*size), piece = 1 + random_below(8);
        switch (random_below(6)) {
        case 0:
            bytes[at] = (uint8_t)random_below(256);
            break;
        case 1:
            bytes[at] = heads[random_below(sizeof heads)];
            break;
        case 2:
            bytes[at] = (uint8_t)(bytes[at] ^ 1u << random_below(8));
            break;
        case 3:
            *size = random_below(4) ? *size : at;
            break;
        case 4: /* a piece goes */
            if (at + piece < *size) {
                memmove(bytes + at, bytes + at + piece, *size - at - piece);
                *size -= piece;
            }
            break;
        default: /* a piece comes twice */
            if (at + piece < *size && *size + piece < cap) {
                memmove(bytes + at + piece, bytes + at, *size - at);
                *size += piece;
            }
        }
    }
}

/* ---- what must hold ------------------------------------------------------------------------------------------- */

static unsigned taken[4], refused[4];

/* Canonical bytes of a taken event are a fixed point. */
static void check_canonical(const struct proto_event *event, struct proto_arena *arena) {
    static struct proto_event again;
    static uint8_t first[PROTO_EVENT_BYTES_MAX], second[PROTO_EVENT_BYTES_MAX];
    size_t first_size = 0, second_size = 0;
    enum proto_error error = proto_event_encode(event, first, sizeof first, &first_size);
    MUST(error == PROTO_OK || error == PROTO_TOO_LARGE);
    if (error != PROTO_OK)
        return;
    MUST(proto_event_decode(first, first_size, arena, &again) == PROTO_OK);
    MUST(again.kind == event->kind && again.at == event->at && proto_event_order(&again, event) == 0);
    for (uint32_t i = 0; i < PROTO_BODY_FIELDS_MAX; i++)
        MUST(again.body[i].present == event->body[i].present &&
             (!again.body[i].present ||
              (again.body[i].n == event->body[i].n && again.body[i].set == event->body[i].set)));
    MUST(proto_event_encode(&again, second, sizeof second, &second_size) == PROTO_OK);
    MUST(second_size == first_size && memcmp(first, second, first_size) == 0);
    if (event->content.size)
        return;
    /* What a caller sent is also the same when it is made anew from the values that were read back. */
    again.content = again.raw_body = (struct proto_slice){0};
    MUST(proto_event_encode(&again, second, sizeof second, &second_size) == PROTO_OK);
    MUST(second_size == first_size && memcmp(first, second, first_size) == 0);
}

static void stamp(struct proto_event *event) {
    static const char by[] = "fuzz";
    if (!event->has_id) {
        event->has_id = true;
        event->id.bytes[6] = 0x70;
        event->id.bytes[8] = 0x80;
    }
    event->by = (struct proto_slice){by, sizeof by - 1};
}

static void check_map(const msgpack_object *object, enum proto_strictness strictness, struct proto_arena *arena) {
    static struct proto_event event, before;
    struct proto_fault fault = {0};
    memset(&event, 0x5a, sizeof event);
    memset(&before, 0x5a, sizeof before);
    enum proto_error error = proto_event_decode_map(object, strictness, &event, &fault);
    if (error != PROTO_OK) {
        MUST(fault.code == error && fault.message[0] != '\0');
        MUST(memcmp(&event, &before, sizeof event) == 0);
        refused[strictness]++;
        return;
    }
    taken[strictness]++;
    MUST(event.read_only == (strictness == PROTO_STRICT_KEPT));
    if (event.read_only)
        return;
    stamp(&event);
    check_canonical(&event, arena);
}

static void try_event(const uint8_t *bytes, size_t size, struct proto_arena *arena) {
    struct proto_scan scan = {0};
    size_t used;
    const msgpack_object *object;
    if (proto_scan_value(&scan, bytes, size, size, &used) != PROTO_OK)
        return;
    MUST(used <= size && scan.nodes <= PROTO_NODES_MAX && scan.depth == 0);
    MUST(proto_arena_unpack(arena, bytes, used, &used, &object) == PROTO_OK);
    check_map(object, PROTO_STRICT_RECORD, arena);
    check_map(object, PROTO_STRICT_KEPT, arena);
}

static void try_stored(const uint8_t *bytes, size_t size, struct proto_arena *arena) {
    static struct proto_event event, before;
    memset(&event, 0x5a, sizeof event);
    memset(&before, 0x5a, sizeof before);
    enum proto_error error = proto_event_decode(bytes, size, arena, &event);
    if (error != PROTO_OK) {
        MUST(error == PROTO_CORRUPT);
        MUST(memcmp(&event, &before, sizeof event) == 0);
        refused[2]++;
        return;
    }
    taken[2]++;
    check_canonical(&event, arena);
}

static void try_request(const struct proto_message *message, struct proto_arena *arena) {
    struct proto_value values[PROTO_PARAMS_MAX];
    struct proto_fault fault;
    enum proto_method method = proto_method_find(message->method);
    if (method == PROTO_METHOD_UNKNOWN || proto_params_decode(method, message->params, values, &fault) != PROTO_OK)
        return;
    if (method == PROTO_METHOD_record)
        for (uint32_t i = 0; i < values[PROTO_PARAM_record_events].n; i++)
            check_map(proto_list_object(&values[PROTO_PARAM_record_events], i), PROTO_STRICT_RECORD, arena);
}

static void try_message(const uint8_t *bytes, size_t size, struct proto_arena *arena) {
    struct proto_message message = {0};
    struct proto_fault fault = {0};
    bool has_msgid = false;
    enum proto_error error = proto_message_decode(bytes, size, arena, &message, &has_msgid, &fault);
    if (error != PROTO_OK) {
        MUST(fault.code == error && fault.message[0] != '\0');
        refused[3]++;
        return;
    }
    taken[3]++;
    MUST(has_msgid == (message.type != PROTO_NOTIFICATION));
    if (message.type == PROTO_REQUEST)
        try_request(&message, arena);
    if (message.error) {
        proto_fault_read(message.error, &fault);
        MUST(fault.code != PROTO_OK && fault.message[0] != '\0');
    }
}

/* Feeding byte by byte says the same as feeding all. */
static void check_pieces(const uint8_t *bytes, size_t size) {
    struct proto_scan whole = {0}, pieces = {0};
    size_t used = 0, used_in_pieces = 0;
    enum proto_error expected = proto_scan_value(&whole, bytes, size, INPUT_MAX, &used), error = PROTO_TRUNCATED;
    for (size_t have = 1; have <= size && error == PROTO_TRUNCATED; have++)
        error = proto_scan_value(&pieces, bytes, have, INPUT_MAX, &used_in_pieces);
    MUST(size == 0 || (error == expected && used == used_in_pieces));
}

/* The input stands at the end of a block of its own, so that a checker of memory sees every step behind it. */
static void run_one(struct proto_arena *arena) {
    static uint8_t made[INPUT_MAX];
    struct proto_writer w;
    uint32_t which = random_below(3);
    proto_arena_clear(arena);
    proto_writer_init(&w, made, sizeof made);
    if (which == 1)
        proto_write_array(&w, 2);
    if (which == 2)
        put_random_message(&w);
    else
        put_random_event(&w);
    if (which == 1)
        put_random_stamps(&w);
    if (w.error != PROTO_OK)
        return;
    size_t size = w.size;
    mutate(made, &size, sizeof made);
    uint8_t *block = malloc(size ? size : 1);
    if (!block)
        exit(71);
    memcpy(block, made, size);
    current = block;
    current_size = size;
    check_pieces(block, size);
    if (which == 0)
        try_event(block, size, arena);
    else if (which == 1)
        try_stored(block, size, arena);
    else
        try_message(block, size, arena);
    free(block);
}

int main(int count, char **arguments) {
    unsigned long runs = 20000;
    random_state = 1;
    for (int i = 1; i + 1 < count; i += 2) {
        if (strcmp(arguments[i], "--runs") == 0)
            runs = strtoul(arguments[i + 1], NULL, 10);
        else if (strcmp(arguments[i], "--seed") == 0)
            random_state = strtoull(arguments[i + 1], NULL, 10);
        else
            return 64;
    }
    struct proto_arena *arena = proto_arena_new();
    if (!arena)
        return 71;
    for (unsigned long run = 0; run < runs; run++)
        run_one(arena);
    proto_arena_free(arena);
    static const char *const what[] = {"events sent", "events kept", "events stored", "messages"};
    for (size_t i = 0; i < sizeof what / sizeof what[0]; i++) {
        printf("%s: %u taken, %u refused\n", what[i], taken[i], refused[i]);
        if (runs >= 1000 && (taken[i] < runs / 100 || refused[i] < runs / 100)) {
            fprintf(stderr, "too few of one sort: the inputs no longer test this\n");
            return 1;
        }
    }
    return 0;
}
