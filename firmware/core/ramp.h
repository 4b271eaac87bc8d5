/* The fade of docs/wire.md section 8: each output falls from the current that flowed when permission
 * ended to zero in a straight line, whatever was asked last. */
#ifndef FE_RAMP_H
#define FE_RAMP_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

enum { FE_READINGS = 3 };

typedef struct {
    uint32_t left[FE_MAX_OUTPUTS]; /* steps of 10 mA, 16 binary places */
} fe_ramp;

/* The newest readings of the coils' currents, steps of 10 mA; the fade begins at their median, so
 * that one wrong reading is none. */
typedef struct {
    uint16_t newest[FE_READINGS][FE_MAX_OUTPUTS];
    uint8_t at;   /* where the next one goes */
    uint8_t held;
} fe_readings;

void fe_take_reading(fe_readings *readings, const uint16_t *measured);

/* Starts the fade: writes the currents to ask for now; false when there is nothing to fade. */
bool fe_ramp_begin(fe_ramp *ramp, const fe_config *config, const fe_readings *readings,
                   uint16_t *set_point);

/* One step further down. Writes the currents to ask for; false once all are zero. */
bool fe_ramp_step(fe_ramp *ramp, const fe_config *config, uint16_t *set_point);

#endif
