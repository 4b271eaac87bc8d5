/* One tooth wheel: changes of its pin, stamped by hardware, to the edges of a frame.
 *
 * A change is believed when the pin then stays for the least pulse width, up or down; shorter
 * pulses and shorter gaps are glitches and leave no trace. The stamp of an edge is that of its
 * change, so the filter delays nothing. */
#ifndef FE_WHEEL_H
#define FE_WHEEL_H

#include <stdbool.h>
#include <stdint.h>

#include "limits.h"

typedef struct {
    uint32_t least_ticks;
    bool falling;       /* the flank that counts */
    bool level;         /* believed */
    bool pending;       /* the pin changed and the change is not yet believed */
    bool doubt;         /* the pin was seen at another level than the one believed */
    uint32_t pending_tick;
    uint32_t in_frame;  /* edges believed since the last frame */
    uint16_t total;     /* edges since boot, modulo 65536 */
    uint32_t edge[FE_MAX_EDGES]; /* ticks; the newest of the frame, a ring */
    uint32_t glitches, resyncs;
} fe_wheel;

/* The pin changed at `tick`. Ticks come in order. */
void fe_wheel_change(fe_wheel *wheel, uint32_t tick);

/* Ends a frame after all changes up to its tick: a change still pending is believed when it has
 * lasted up to `until`, the next change or, with none, now. */
void fe_wheel_close(fe_wheel *wheel, uint32_t until);

/* What the pin itself shows at the end of a frame without a change on its way. Should a change
 * ever have been lost, the second frame in a row that says so brings the two together again. */
void fe_wheel_settle(fe_wheel *wheel, bool pin);

#endif
