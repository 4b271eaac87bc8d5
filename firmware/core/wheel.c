#include "wheel.h"

static void believe(fe_wheel *wheel)
{
    wheel->level = !wheel->level;
    wheel->pending = false;
    if (wheel->level != wheel->falling) {
        wheel->edge[wheel->in_frame % FE_MAX_EDGES] = wheel->pending_tick;
        wheel->in_frame++;
        wheel->total++;
    }
}

void fe_wheel_change(fe_wheel *wheel, uint32_t tick)
{
    wheel->doubt = false;
    if (wheel->pending) {
        if (tick - wheel->pending_tick < wheel->least_ticks) {
            wheel->pending = false; /* back where it was: a glitch */
            wheel->glitches++;
            return;
        }
        believe(wheel);
    }
    wheel->pending = true;
    wheel->pending_tick = tick;
}

void fe_wheel_close(fe_wheel *wheel, uint32_t until)
{
    if (wheel->pending && until - wheel->pending_tick >= wheel->least_ticks) {
        believe(wheel);
    }
}

void fe_wheel_settle(fe_wheel *wheel, bool pin)
{
    bool differs = !wheel->pending && wheel->level != pin;
    if (differs && wheel->doubt) {
        wheel->level = pin;
        wheel->resyncs++;
    }
    wheel->doubt = differs && !wheel->doubt;
}
