/*
 * random.c - chance that is the same every time (SplitMix64).
 */
#include "demo.h"

uint32_t dice_below(struct dice *dice, uint32_t bound) {
    uint64_t z = (dice->state += UINT64_C(0x9e3779b97f4a7c15));
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    z ^= z >> 31;
    return (uint32_t)(z % bound);
}

const char *dice_pick(struct dice *dice, const char *const *texts, uint32_t count) {
    return texts[dice_below(dice, count)];
}
