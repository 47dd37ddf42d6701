/*
 * boot.c - what the daemon takes from its machine: the wall clock, entropy, the id of this boot.
 */
#include "options.h"

#include "proto/ids.h"
#include "store/store.h"

#include <assert.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <time.h>

int64_t daemon_wall_ms(void *arg) {
    struct timespec now;
    (void)arg;
    (void)clock_gettime(CLOCK_REALTIME, &now);
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

/* Without entropy no id and no nonce can be made: the process ends. */
void daemon_entropy(void *arg, uint8_t *out, size_t size) {
    (void)arg;
    for (size_t got = 0; got < size;) {
        ssize_t n = getrandom(out + got, size - got, 0);
        if (n < 0 && errno != EINTR) {
            (void)fputs("betonyd: the system gives no random bytes\n", stderr);
            abort();
        }
        got += n > 0 ? (size_t)n : 0;
    }
}

/* Where the system does not say which boot this is, every start counts as another one: the view is then worked out again. */
void daemon_boot_id(char out[64]) {
    FILE *file = fopen("/proc/sys/kernel/random/boot_id", "re");
    out[0] = '\0';
    if (file) {
        if (!fgets(out, 64, file))
            out[0] = '\0';
        (void)fclose(file);
        out[strcspn(out, "\n")] = '\0';
    }
    if (out[0] == '\0') {
        uint8_t bytes[8];
        daemon_entropy(NULL, bytes, sizeof bytes);
        for (size_t i = 0; i < sizeof bytes; i++)
            (void)snprintf(out + 2 * i, 3, "%02x", bytes[i]);
    }
}

void daemon_store_options(const struct daemon_options *options, const char *boot_id, struct store_options *out) {
    struct proto_id_maker maker = {0};
    memset(out, 0, sizeof *out);
    out->dir = options->store;
    out->boot_id = boot_id;
    for (int i = 0; i < 3; i++) {
        uint8_t entropy[10];
        daemon_entropy(NULL, entropy, sizeof entropy);
        proto_id_make(&maker, daemon_wall_ms(NULL), entropy, &out->fresh_ids[i]);
    }
}
