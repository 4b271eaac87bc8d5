/* What waits to be sent: whole frames, the oldest dropped when the line does not take them.
 *
 * Two halves: one is being sent by the port while the other fills. */
#ifndef FE_LINE_H
#define FE_LINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { FE_HALF_LINE = 2048 };

typedef struct {
    uint8_t half[2][FE_HALF_LINE];
    uint16_t waiting;  /* bytes in the half that fills */
    uint8_t filling;   /* which half that is */
    uint32_t dropped;  /* whole frames, never sent */
} fe_line;

/* Stuffs a frame whose content (type and body) of n bytes stands at `content`, with room for 4
 * bytes of CRC behind it, and puts it in the queue. */
void fe_line_put(fe_line *line, uint8_t *content, size_t n);

/* One 0x00 that ends whatever half frame the host may hold. */
void fe_line_open(fe_line *line);

/* Hands over all that waits, *n bytes (0: nothing); they stay as they are until the next call,
 * so call it only when the last ones have been sent. */
const uint8_t *fe_line_take(fe_line *line, size_t *n);

#endif
