/* The easing ramp: each output's current falls from where it was to zero in a straight line. */
#ifndef FE_RAMP_H
#define FE_RAMP_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

typedef struct {
    uint32_t left[FE_MAX_OUTPUTS]; /* steps of 10 mA, 16 binary places */
} fe_ramp;

/* Starts each output's ramp at the current in `from` (steps of 10 mA). */
void fe_ramp_begin(fe_ramp *ramp, const fe_config *config, const uint16_t *from);

/* One frame further down. Writes the currents to ask for; false once all are zero. */
bool fe_ramp_step(fe_ramp *ramp, const fe_config *config, uint16_t *set_point);

#endif
