/*
 * token.c - page tokens: where a list goes on, as text that means nothing to the caller.
 *
 *   01           version
 *   mm           method
 *   pp           phase of the list
 *   8 bytes      now of the first page, ms, big-endian
 *   8 bytes      digest of the query: another query cannot go on with this token
 *   n bytes      key of the last row looked at
 *   8 bytes      first bytes of SHA-256 over all before
 *
 * in base64url without padding. The digest at the end finds accidents, not
 * forgers: a forged token can only name another place in the same list of the
 * same query, which the caller may read anyway.
 */
#include "serve/internal.h"

#include <string.h>

#define TOKEN_VERSION 1
#define TOKEN_HEAD_BYTES 19u
#define TOKEN_CHECK_BYTES 8u
#define TOKEN_BYTES_MAX (TOKEN_HEAD_BYTES + STORE_KEY_BYTES_MAX + TOKEN_CHECK_BYTES)

static_assert((TOKEN_BYTES_MAX * 4 + 2) / 3 <= SERVE_TOKEN_TEXT_MAX, "the longest token fits the parameter `after`");

static const char digits[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_";

static size_t encode(const uint8_t *bytes, size_t size, char *text) {
    size_t n = 0;
    uint32_t bits = 0;
    unsigned held = 0;
    for (size_t i = 0; i < size; i++) {
        bits = bits << 8 | bytes[i];
        for (held += 8; held >= 6; held -= 6)
            text[n++] = digits[bits >> (held - 6) & 63];
    }
    if (held)
        text[n++] = digits[bits << (6 - held) & 63];
    return n;
}

/* False for any text that encode would not have made. */
static bool decode(struct proto_slice text, uint8_t *bytes, size_t *size_out) {
    size_t n = 0;
    uint32_t bits = 0;
    unsigned held = 0;
    for (uint32_t i = 0; i < text.size; i++) {
        const char *digit = text.data[i] ? strchr(digits, text.data[i]) : NULL;
        if (!digit)
            return false;
        bits = bits << 6 | (uint32_t)(digit - digits);
        held += 6;
        if (held >= 8) {
            if (n == TOKEN_BYTES_MAX)
                return false;
            held -= 8;
            bytes[n++] = (uint8_t)(bits >> held & 255);
        }
    }
    *size_out = n;
    return held < 6 && (bits & ((1u << held) - 1)) == 0;
}

/* Digest of what is asked: method and every parameter but where the page begins and how long it is. */
static void query_digest(const struct serve_request *r, uint8_t out[8]) {
    uint8_t hash[PROTO_HASH_BYTES];
    uint8_t bytes[4096 + 512];
    size_t n = 0;
    const struct proto_method_info *info = proto_method_get(r->method);
    bytes[n++] = (uint8_t)r->method;
    for (uint32_t i = 0; i < info->param_count; i++) {
        const struct proto_value *value = &r->values[i];
        const char *name = info->params[i].name;
        if (!value->present || strcmp(name, "limit") == 0 || strcmp(name, "after") == 0 || strcmp(name, "from") == 0)
            continue;
        bytes[n++] = (uint8_t)(1 + i);
        n = serve_key_t64(bytes, n, value->n);
        n = serve_key_t64(bytes, n, (int64_t)value->set);
        if (value->type == PROTO_TYPE_ID)
            n = serve_key_id(bytes, n, &value->id);
        if (value->type == PROTO_TYPE_TEXT)
            n = serve_key_text(bytes, n, value->text);
        /* free names: at most 64 of 40 bytes each, so that all of them fit */
        for (uint32_t k = 0; value->type == PROTO_TYPE_NAMES && !info->params[i].choices && k < (uint64_t)value->n;
             k++) {
            struct proto_slice text = proto_list_text(value, k);
            if (n + text.size + 128 > sizeof bytes)
                break;
            n = serve_key_text(bytes, n, text);
        }
    }
    proto_hash(bytes, n, hash);
    memcpy(out, hash, 8);
}

void serve_token_write(struct serve_request *r, const struct serve_token *token) {
    uint8_t bytes[TOKEN_BYTES_MAX];
    char text[SERVE_TOKEN_TEXT_MAX];
    uint8_t hash[PROTO_HASH_BYTES];
    size_t n = 0;
    assert(token->position_size <= STORE_KEY_BYTES_MAX);
    n = serve_key_u8(bytes, n, TOKEN_VERSION);
    n = serve_key_u8(bytes, n, (uint8_t)r->method);
    n = serve_key_u8(bytes, n, token->phase);
    n = serve_key_t64(bytes, n, token->now);
    query_digest(r, bytes + n);
    n += 8;
    memcpy(bytes + n, token->position, token->position_size);
    n += token->position_size;
    proto_hash(bytes, n, hash);
    memcpy(bytes + n, hash, TOKEN_CHECK_BYTES);
    n += TOKEN_CHECK_BYTES;
    proto_write_slice(r->w, (struct proto_slice){text, (uint32_t)encode(bytes, n, text)});
}

enum proto_error serve_token_read(struct serve_request *r, const struct proto_value *after, struct serve_token *token,
                                  bool *has) {
    uint8_t bytes[TOKEN_BYTES_MAX];
    uint8_t hash[PROTO_HASH_BYTES], digest[8];
    size_t size = 0;
    *has = after->present;
    if (!after->present)
        return PROTO_OK;
    if (!decode(after->text, bytes, &size) || size < TOKEN_HEAD_BYTES + TOKEN_CHECK_BYTES)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` is not a token that a page of this list gave.");
    size -= TOKEN_CHECK_BYTES;
    proto_hash(bytes, size, hash);
    if (memcmp(bytes + size, hash, TOKEN_CHECK_BYTES) != 0 || bytes[0] != TOKEN_VERSION)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` is not a token that a page of this list gave.");
    query_digest(r, digest);
    if (bytes[1] != (uint8_t)r->method || memcmp(bytes + 11, digest, sizeof digest) != 0)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` belongs to another query; give the same parameters with every page.");
    int64_t now = serve_key_get_t64(bytes + 3);
    if (now < PROTO_TIME_MIN || now > PROTO_TIME_MAX)
        return proto_fault_set(&r->fault, PROTO_BAD_VALUE, "after",
                               "`after` is not a token that a page of this list gave.");
    *token = (struct serve_token){.phase = bytes[2], .now = now, .position_size = size - TOKEN_HEAD_BYTES};
    memcpy(token->position, bytes + TOKEN_HEAD_BYTES, token->position_size);
    return PROTO_OK;
}
