/*
 * proto_driver.c - proto/ behind lines of text, for checks that are written in another language.
 *
 * What always holds: one line in, one line out; bytes stand in hex ("-" for none); a line that is not understood answers "what".
 *
 *   int N | float HEX8 | amount N | text HEX | bin HEX | date DAY | array N | map N | nil | true | false   -> HEX
 *   scan HEX BYTES_MAX          -> code used
 *   echo HEX                    -> the value scanned, unpacked and packed again: HEX, or a code
 *   record HEX                  -> a caller's event: ok HEX of its canonical bytes, or code field message
 *   kept HEX                    -> canonical bytes decoded and encoded: ok HEX, or a code
 *   kinds                       -> HEX
 *   add DATE MONTHS | day DATE  -> DATE | day number and day of the week
 *   time TEXT | instant MS      -> ms or "none" | TEXT
 *   id HEX                      -> taken or not
 */
#define _GNU_SOURCE
#include "proto/calendar.h"
#include "proto/ids.h"
#include "proto/message.h"
#include "proto/pack.h"
#include "proto/scan.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint8_t in[1 << 21], out[1 << 21];

static size_t read_hex(const char *hex) {
    static const char digits[] = "0123456789abcdef";
    size_t size = 0;
    for (; size < sizeof in && hex[0] && hex[1]; hex += 2) {
        const char *high = strchr(digits, hex[0]), *low = strchr(digits, hex[1]);
        if (!high || !low)
            break;
        in[size++] = (uint8_t)((high - digits) * 16 + (low - digits));
    }
    return size;
}

static void print_hex(const uint8_t *bytes, size_t size) {
    for (size_t i = 0; i < size; i++)
        printf("%02x", bytes[i]);
    puts(size ? "" : "-");
}

static struct proto_slice slice_of(const char *text) {
    return (struct proto_slice){text, (uint32_t)strlen(text)};
}

/* ---- writing ------------------------------------------------------------------------------------------------ */

static bool write_form(const char *verb, const char *argument) {
    struct proto_writer w;
    long long n = strtoll(argument, NULL, 10);
    proto_writer_init(&w, out, sizeof out);
    if (strcmp(verb, "int") == 0) {
        proto_write_int(&w, n);
    } else if (strcmp(verb, "float") == 0) {
        double value;
        uint64_t bits = strtoull(argument, NULL, 16);
        memcpy(&value, &bits, sizeof value);
        proto_write_float(&w, value);
    } else if (strcmp(verb, "amount") == 0) {
        proto_write_amount(&w, n);
    } else if (strcmp(verb, "text") == 0) {
        size_t size = read_hex(argument);
        proto_write_slice(&w, (struct proto_slice){(const char *)in, (uint32_t)size});
    } else if (strcmp(verb, "bin") == 0) {
        size_t size = read_hex(argument);
        proto_write_bin(&w, in, size);
    } else if (strcmp(verb, "date") == 0) {
        proto_write_date(&w, (int32_t)n);
    } else if (strcmp(verb, "array") == 0) {
        proto_write_array(&w, (uint32_t)n);
    } else if (strcmp(verb, "map") == 0) {
        proto_write_map(&w, (uint32_t)n);
    } else if (strcmp(verb, "nil") == 0) {
        proto_write_nil(&w);
    } else if (strcmp(verb, "true") == 0 || strcmp(verb, "false") == 0) {
        proto_write_bool(&w, *verb == 't');
    } else if (strcmp(verb, "kinds") == 0) {
        proto_write_kinds(&w);
    } else {
        return false;
    }
    print_hex(w.bytes, w.error == PROTO_OK ? w.size : 0);
    return true;
}

/* ---- reading ------------------------------------------------------------------------------------------------ */

static enum proto_error unpack(struct proto_arena *arena, size_t size, const msgpack_object **object) {
    struct proto_scan scan = {0};
    size_t used;
    enum proto_error error = proto_scan_value(&scan, in, size, PROTO_MESSAGE_BYTES_MAX, &used);
    if (error == PROTO_OK && used != size)
        return PROTO_BAD_MESSAGE;
    return error == PROTO_OK ? proto_arena_unpack(arena, in, size, &used, object) : error;
}

static void scan_line(char *hex, const char *bytes_max) {
    struct proto_scan scan = {0};
    size_t size = read_hex(hex), used = 0;
    enum proto_error error = proto_scan_value(&scan, in, size, strtoull(bytes_max, NULL, 10), &used);
    printf("%s %zu\n", proto_error_code(error), used);
}

static void echo_line(struct proto_arena *arena, const char *hex) {
    struct proto_writer w;
    const msgpack_object *object;
    enum proto_error error = unpack(arena, read_hex(hex), &object);
    proto_writer_init(&w, out, sizeof out);
    if (error == PROTO_OK)
        proto_write_object(&w, object);
    if (error == PROTO_OK)
        print_hex(w.bytes, w.size);
    else
        puts(proto_error_code(error));
}

static void print_encoded(const struct proto_event *event) {
    size_t size;
    enum proto_error error = proto_event_encode(event, out, sizeof out, &size);
    if (error != PROTO_OK) {
        puts(proto_error_code(error));
        return;
    }
    fputs("ok ", stdout);
    print_hex(out, size);
}

static void record_line(struct proto_arena *arena, const char *hex) {
    static struct proto_event event;
    struct proto_fault fault = {0};
    const msgpack_object *object;
    enum proto_error error = unpack(arena, read_hex(hex), &object);
    if (error == PROTO_OK)
        error = proto_event_decode_map(object, PROTO_STRICT_RECORD, &event, &fault);
    if (error != PROTO_OK) {
        printf("%s %s %s\n", proto_error_code(error), fault.field[0] ? fault.field : "-", fault.message);
        return;
    }
    event.by = slice_of("local");
    event.node = event.id;
    event.written_at = event.at;
    print_encoded(&event);
}

static void kept_line(struct proto_arena *arena, const char *hex) {
    static struct proto_event event;
    size_t size = read_hex(hex);
    enum proto_error error = proto_event_decode(in, size, arena, &event);
    if (error != PROTO_OK)
        puts(proto_error_code(error));
    else
        print_encoded(&event);
}

/* ---- dates, times, ids ---------------------------------------------------------------------------------------- */

static bool calendar_line(const char *verb, const char *a, const char *b) {
    int32_t day;
    int64_t ms;
    char text[32];
    if (strcmp(verb, "add") == 0 && proto_date_parse(slice_of(a), &day) == PROTO_OK) {
        proto_date_format(proto_day_add_months(day, (int32_t)strtol(b, NULL, 10)), text);
        puts(text);
    } else if (strcmp(verb, "day") == 0) {
        if (proto_date_parse(slice_of(a), &day) == PROTO_OK)
            printf("%d %d\n", day, proto_day_of_week(day));
        else
            puts("none");
    } else if (strcmp(verb, "time") == 0) {
        if (proto_time_parse(slice_of(a), &ms) == PROTO_OK)
            printf("%lld\n", (long long)ms);
        else
            puts("none");
    } else if (strcmp(verb, "instant") == 0) {
        proto_time_format(strtoll(a, NULL, 10), text);
        puts(text);
    } else if (strcmp(verb, "id") == 0) {
        struct proto_id id;
        size_t size = read_hex(a);
        bool taken = proto_id_parse((struct proto_slice){(const char *)in, (uint32_t)size}, &id) == PROTO_OK;
        puts(taken ? "taken" : "not");
    } else {
        return false;
    }
    return true;
}

static void answer(struct proto_arena *arena, char *line) {
    char *rest = NULL, *verb = strtok_r(line, " \n", &rest), *a = strtok_r(NULL, " \n", &rest);
    char *b = strtok_r(NULL, " \n", &rest), nothing[] = "-";
    if (!verb)
        verb = nothing;
    if (!a)
        a = nothing;
    if (!b)
        b = nothing;
    if (strcmp(verb, "scan") == 0)
        scan_line(a, b);
    else if (strcmp(verb, "echo") == 0)
        echo_line(arena, a);
    else if (strcmp(verb, "record") == 0)
        record_line(arena, a);
    else if (strcmp(verb, "kept") == 0)
        kept_line(arena, a);
    else if (!write_form(verb, a) && !calendar_line(verb, a, b))
        puts("what");
}

int main(void) {
    char *line = NULL;
    size_t cap = 0;
    struct proto_arena *arena = proto_arena_new();
    if (!arena)
        return 71;
    while (getline(&line, &cap, stdin) > 0) {
        proto_arena_clear(arena);
        answer(arena, line);
    }
    free(line);
    proto_arena_free(arena);
    return ferror(stdin) || fflush(stdout) ? 74 : 0;
}
