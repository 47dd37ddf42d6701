/*
 * options.h - what the daemon was asked to do: command line over configuration file over defaults. Plain values, handed on; nothing global.
 */
#ifndef BETONYD_OPTIONS_H
#define BETONYD_OPTIONS_H

#include "net/session.h"
#include "work/sync.h"

enum daemon_verb { DAEMON_RUN, DAEMON_VERIFY, DAEMON_BACKUP, DAEMON_RESTORE, DAEMON_VERSION, DAEMON_HELP };

struct daemon_options {
    enum daemon_verb verb;
    char store[4096];
    char place[4096];   /* --to of a backup, --from of a restore */
    char listen[128];   /* "none": no TCP */
    char socket[4096];  /* "none": no socket; empty: betonyd.sock inside the store */
    char config[4096];  /* empty: none */
    uint32_t workers;   /* care workers; 0: one for each processor but one */
    char upstream[512]; /* HOST:PORT of the server that this node syncs with; "none": this is a server; empty: none */
    char teams[1024];   /* as given: names with commas, or "*" */
    struct work_scope scope; /* read from teams; only with an upstream */
    struct net_limits limits;
};

/* Fills *options. On an error the sentence is in *fault and the caller exits with EX_USAGE, or EX_CONFIG when `config` is set in fault->field. */
enum proto_error daemon_options_read(int argc, char **argv, struct daemon_options *options,
                                     struct proto_fault *fault) PROTO_MUST_CHECK;
/* The text of --help. */
const char *daemon_options_help(void);

/* teams.c: "north-shore, mill-lane" or "*". BAD_VALUE with a sentence that names `what`. */
enum proto_error daemon_teams_read(const char *text, struct work_scope *out,
                                   struct proto_fault *fault) PROTO_MUST_CHECK;

/* config.c: lays the file over *options; a key that is not known is refused by name. */
enum proto_error daemon_config_read(const char *path, struct daemon_options *options,
                                    struct proto_fault *fault) PROTO_MUST_CHECK;

/* run.c, verify.c, backup.c: the exit code. */
int daemon_run(const struct daemon_options *options);
int daemon_verify(const struct daemon_options *options);
int daemon_backup(const struct daemon_options *options);
int daemon_restore(const struct daemon_options *options);

/* boot.c: of this boot of the machine, for the store's mark; and the ids a new store gets. */
void daemon_boot_id(char out[64]);
void daemon_entropy(void *arg, uint8_t *out, size_t size);
int64_t daemon_wall_ms(void *arg);
struct store_options;
void daemon_store_options(const struct daemon_options *options, const char *boot_id, struct store_options *out);

#endif
