/* A stream of bytes to sound frames: cuts at 0x00, drops what is damaged, counts every loss
 * (docs/wire.md section 11). Holds at most one frame's bytes, whatever arrives. */
#ifndef FE_DEFRAMER_H
#define FE_DEFRAMER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "limits.h"

/* All start at 0, only rise, and wrap at 2^32. */
typedef struct {
    uint32_t frames; /* delivered */
    uint32_t crc_failures;
    uint32_t cobs_failures;
    uint32_t truncated;
    uint32_t oversized;
    uint32_t unknown_type;
    uint32_t malformed;
    uint32_t wrong_direction;
    uint32_t bytes_discarded; /* of all that was not delivered, delimiters left out */
} fe_counters;

typedef struct {
    fe_counters counters;
    bool to_host;  /* which direction is ours to receive: false for a front end */
    bool skipping; /* inside a frame already known to be too long */
    uint16_t held;
    uint8_t buffer[FE_MAX_STUFFED];
} fe_deframer;

/* Takes one byte. Returns the size of the content (type and body) when a sound frame ended with
 * it, which stands in `buffer` until the next call; 0 otherwise. */
size_t fe_deframer_take(fe_deframer *deframer, uint8_t byte);

/* Frames lost to damage of any kind. */
uint32_t fe_damaged(const fe_counters *counters);

#endif
