#include "ramp.h"

void fe_ramp_begin(fe_ramp *ramp, const fe_config *config, const uint16_t *from)
{
    for (uint8_t i = 0; i < config->outputs; i++) {
        ramp->left[i] = (uint32_t)from[i] << 16;
    }
}

/* What an output loses in one frame, so that `ramp_from` reaches zero in `ramp_ms`. */
static uint32_t fall_of(const fe_output_config *output, uint16_t frame_hz)
{
    uint64_t slope = ((uint64_t)output->ramp_from << 16) * 1000u; /* over ms and frames a second */
    return (uint32_t)(slope / ((uint32_t)output->ramp_ms * frame_hz));
}

bool fe_ramp_step(fe_ramp *ramp, const fe_config *config, uint16_t *set_point)
{
    bool any = false;
    for (uint8_t i = 0; i < config->outputs; i++) {
        uint32_t fall = fall_of(&config->output[i], config->frame_hz);
        ramp->left[i] = ramp->left[i] > fall ? ramp->left[i] - fall : 0u;
        set_point[i] = (uint16_t)(ramp->left[i] >> 16);
        any = any || ramp->left[i] > 0u;
    }
    return any;
}
