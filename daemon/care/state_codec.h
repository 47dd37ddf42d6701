/*
 * state_codec.h - the parts of a stored care state. Internal to care/; the format stands in state_codec.c.
 */
#ifndef CARE_STATE_CODEC_H
#define CARE_STATE_CODEC_H

#include "care/coder.h"

void care_code_stoma(struct care_coder *c, struct care_stoma *stoma); /* state_codec_stoma.c */
/* `last`: the check before it in the same list, or NULL. */
void care_code_check(struct care_coder *c, struct care_check *check, const struct care_check *last);
void care_code_device(struct care_coder *c, struct care_device *device);
void care_code_lists(struct care_coder *c, struct care_state *state); /* state_codec_lists.c */
void care_code_profile(struct care_coder *c, struct care_profile *profile);

#endif
