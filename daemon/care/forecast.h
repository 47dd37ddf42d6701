/*
 * forecast.h - how much water a balloon loses: a robust rate with its interval, and what a syringe can tell at all.
 *
 * Internal to care/. What always holds: whole numbers throughout, so every machine gives the same forecast to the last digit.
 */
#ifndef CARE_FORECAST_H
#define CARE_FORECAST_H

#include "care/facts.h"

#define CARE_POINTS_MAX (PROTO_CHECKS_KEPT + 1)

struct care_slope {
    int64_t median, low, high;
}; /* y for one x, times `scale`, rounded to nearest */

/* Theil-Sen: median of the slopes between all pairs (x[i] < x[j] counted once, equal x left out), and the 95 % limits by Kendall's
 * variance (Sen, JASA 1968;63:1379-1389). count <= CARE_POINTS_MAX. Returns the number of pairs; 0: *out is untouched. */
uint32_t care_theil_sen(const int64_t *x, const int64_t *y, uint32_t count, int64_t scale, struct care_slope *out);

/* Tolerance on graduated capacity of a syringe when `volume_ml` is drawn or given, in microlitres; amounts in hundredths of mL.
 * ISO 7886-1 as summarised by the Surgical Materials Testing Laboratory (NHS Wales), 2016. syringe_ml 0: the smallest usual size that holds it. */
int64_t care_syringe_error_ul(int32_t syringe_ml, int32_t volume_ml);

#endif
