/*
 * teams.c - whose children a node holds, as it is written in the configuration and on the command line.
 */
#include "options.h"

#include <string.h>

/* As the protocol has names of teams. */
static bool is_name(const char *text, size_t size) {
    if (size < 1 || size > 40)
        return false;
    for (size_t i = 0; i < size; i++)
        if (!((text[i] >= 'a' && text[i] <= 'z') || (text[i] >= '0' && text[i] <= '9') || text[i] == '-'))
            return false;
    return true;
}

static enum proto_error add(struct work_scope *scope, const char *text, size_t size, struct proto_fault *fault) {
    char name[sizeof scope->teams[0]];
    if (!is_name(text, size))
        return proto_fault_set(
            fault, PROTO_BAD_VALUE, "teams",
            "teams takes names of 1 to 40 lower-case letters, digits and hyphens, with commas between "
            "them, or * alone; not \"%.*s\".",
            (int)(size > 60 ? 60 : size), text);
    memcpy(name, text, size);
    name[size] = '\0';
    for (uint32_t i = 0; i < scope->team_count; i++)
        if (strcmp(scope->teams[i], name) == 0)
            return proto_fault_set(fault, PROTO_BAD_VALUE, "teams", "teams names %s twice.", name);
    if (scope->team_count == sizeof scope->teams / sizeof scope->teams[0])
        return proto_fault_set(fault, PROTO_BAD_VALUE, "teams",
                               "teams takes %zu names at most; * stands for all there are.",
                               sizeof scope->teams / sizeof scope->teams[0]);
    memcpy(scope->teams[scope->team_count++], name, size + 1);
    return PROTO_OK;
}

enum proto_error daemon_teams_read(const char *text, struct work_scope *out, struct proto_fault *fault) {
    struct work_scope scope = {0};
    if (strcmp(text, "*") == 0) {
        *out = (struct work_scope){.all_teams = true};
        return PROTO_OK;
    }
    for (bool more = true; more;) {
        size_t size = strcspn(text, ","), begin = strspn(text, " "), end = size;
        begin = begin < size ? begin : size;
        while (end > begin && text[end - 1] == ' ')
            end--;
        enum proto_error error = add(&scope, text + begin, end - begin, fault);
        if (error != PROTO_OK)
            return error;
        more = text[size] == ',';
        text += size + more;
    }
    *out = scope;
    return PROTO_OK;
}
