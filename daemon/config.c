/*
 * config.c - the configuration file: a key file with one group, [betonyd]. A key or group that is not known is refused, so that a
 * misspelt setting cannot be believed to hold.
 */
#include "options.h"

#include <string.h>

#include <glib.h>

#define GROUP "betonyd"

/* Settings that are a span in seconds, and where each goes. */
static const struct seconds_key {
    const char *key;
    size_t at;
} seconds_keys[] = {
    {"first-message-seconds", offsetof(struct net_limits, first_ms)},
    {"message-seconds", offsetof(struct net_limits, message_ms)},
    {"write-seconds", offsetof(struct net_limits, write_ms)},
    {"idle-seconds", offsetof(struct net_limits, idle_ms)},
};
#define SECONDS_MAX 86400

static enum proto_error read_text(GKeyFile *file, const char *key, char *out, size_t cap, struct proto_fault *fault) {
    gchar *text = g_key_file_get_string(file, GROUP, key, NULL);
    size_t size = text ? strlen(text) : 0;
    enum proto_error error = PROTO_OK;
    if (size == 0 || size >= cap)
        error = proto_fault_set(fault, PROTO_BAD_VALUE, "config", "%s in the configuration needs 1 to %zu bytes.", key,
                                cap - 1);
    else
        memcpy(out, text, size + 1);
    g_free(text);
    return error;
}

static enum proto_error read_number(GKeyFile *file, const char *key, int min, int max, int *out,
                                    struct proto_fault *fault) {
    GError *wrong = NULL;
    int number = g_key_file_get_integer(file, GROUP, key, &wrong);
    bool bad = wrong != NULL || number < min || number > max;
    g_clear_error(&wrong);
    if (bad)
        return proto_fault_set(fault, PROTO_BAD_VALUE, "config",
                               "%s in the configuration takes a number from %d to %d.", key, min, max);
    *out = number;
    return PROTO_OK;
}

static enum proto_error read_key(GKeyFile *file, const char *key, struct daemon_options *options,
                                 struct proto_fault *fault) {
    int number = 0;
    if (strcmp(key, "store") == 0)
        return read_text(file, key, options->store, sizeof options->store, fault);
    if (strcmp(key, "listen") == 0)
        return read_text(file, key, options->listen, sizeof options->listen, fault);
    if (strcmp(key, "socket") == 0)
        return read_text(file, key, options->socket, sizeof options->socket, fault);
    if (strcmp(key, "upstream") == 0)
        return read_text(file, key, options->upstream, sizeof options->upstream, fault);
    if (strcmp(key, "teams") == 0)
        return read_text(file, key, options->teams, sizeof options->teams, fault);
    if (strcmp(key, "workers") == 0) {
        enum proto_error error = read_number(file, key, 1, 64, &number, fault);
        options->workers = (uint32_t)number;
        return error;
    }
    for (size_t i = 0; i < sizeof seconds_keys / sizeof seconds_keys[0]; i++)
        if (strcmp(key, seconds_keys[i].key) == 0) {
            enum proto_error error = read_number(file, key, 1, SECONDS_MAX, &number, fault);
            int64_t ms = (int64_t)number * 1000;
            if (error == PROTO_OK)
                memcpy((char *)&options->limits + seconds_keys[i].at, &ms, sizeof ms);
            return error;
        }
    return proto_fault_set(fault, PROTO_UNKNOWN_FIELD, "config",
                           "The configuration has %s, which is no setting of betonyd.", key);
}

static enum proto_error read_file(GKeyFile *file, struct daemon_options *options, struct proto_fault *fault) {
    enum proto_error error = PROTO_OK;
    gchar **groups = g_key_file_get_groups(file, NULL);
    for (gsize i = 0; groups[i] && error == PROTO_OK; i++)
        if (strcmp(groups[i], GROUP) != 0)
            error = proto_fault_set(fault, PROTO_UNKNOWN_FIELD, "config",
                                    "The configuration has a group [%s]; betonyd reads [" GROUP "] alone.", groups[i]);
    g_strfreev(groups);
    gchar **keys = error == PROTO_OK ? g_key_file_get_keys(file, GROUP, NULL, NULL) : NULL;
    for (gsize i = 0; keys && keys[i] && error == PROTO_OK; i++)
        error = read_key(file, keys[i], options, fault);
    g_strfreev(keys);
    return error;
}

enum proto_error daemon_config_read(const char *path, struct daemon_options *options, struct proto_fault *fault) {
    GError *wrong = NULL;
    GKeyFile *file = g_key_file_new();
    enum proto_error error = PROTO_OK;
    if (!g_key_file_load_from_file(file, path, G_KEY_FILE_NONE, &wrong))
        error = proto_fault_set(fault, PROTO_BAD_VALUE, "config", "Cannot read %s: %s.", path, wrong->message);
    else
        error = read_file(file, options, fault);
    g_clear_error(&wrong);
    g_key_file_free(file);
    return error;
}
