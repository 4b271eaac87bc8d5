#include "ramp.h"

enum { LEAST_EASED = 10 }; /* 0.1 A: less is the noise of a measurement */

void fe_take_reading(fe_readings *readings, const uint16_t *measured)
{
    for (uint8_t i = 0; i < FE_MAX_OUTPUTS; i++) {
        readings->newest[readings->at][i] = measured[i];
    }
    readings->at = (uint8_t)((readings->at + 1u) % FE_READINGS);
    if (readings->held < FE_READINGS) {
        readings->held++;
    }
}

static uint16_t lower(uint16_t a, uint16_t b)
{
    return a < b ? a : b;
}

static uint16_t higher(uint16_t a, uint16_t b)
{
    return a > b ? a : b;
}

/* The middle one of three readings; of two the lower one; without any, 0 as at boot. */
static uint16_t flowing(const fe_readings *readings, uint8_t output)
{
    uint16_t a = readings->newest[0][output];
    uint16_t b = readings->newest[1][output];
    uint16_t c = readings->newest[2][output];
    if (readings->held == 1u) {
        return a;
    }
    if (readings->held == 2u) {
        return lower(a, b);
    }
    return higher(lower(a, b), lower(higher(a, b), c));
}

bool fe_ramp_begin(fe_ramp *ramp, const fe_config *config, const fe_readings *readings,
                   uint16_t *set_point)
{
    bool any = false;
    for (uint8_t i = 0; i < config->outputs; i++) {
        uint16_t from = lower(flowing(readings, i), config->output[i].ramp_from);
        set_point[i] = from >= LEAST_EASED ? from : 0;
        ramp->left[i] = (uint32_t)set_point[i] << 16;
        any = any || set_point[i] > 0u;
    }
    return any;
}

/* What an output loses in one step, so that `ramp_from` reaches zero in `ramp_ms`. */
static uint32_t fall_of(const fe_output_config *output, uint16_t permit_hz)
{
    uint64_t slope = ((uint64_t)output->ramp_from << 16) * 1000u; /* over ms and steps a second */
    return (uint32_t)(slope / ((uint32_t)output->ramp_ms * permit_hz));
}

bool fe_ramp_step(fe_ramp *ramp, const fe_config *config, uint16_t *set_point)
{
    bool any = false;
    for (uint8_t i = 0; i < config->outputs; i++) {
        uint32_t fall = fall_of(&config->output[i], config->permit_hz);
        ramp->left[i] = ramp->left[i] > fall ? ramp->left[i] - fall : 0u;
        set_point[i] = (uint16_t)(ramp->left[i] >> 16);
        any = any || ramp->left[i] > 0u;
    }
    return any;
}
