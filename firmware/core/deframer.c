#include "deframer.h"

#include "cobs.h"
#include "crc.h"
#include "layout.h"

/* Judges the frame held. Returns the size of its content, or 0 with *counter at what it was. */
static size_t judge(fe_deframer *deframer, uint32_t **counter)
{
    fe_counters *counters = &deframer->counters;
    uint8_t *data = deframer->buffer;
    int32_t size = fe_unstuff(data, deframer->held);
    if (size < 0) {
        *counter = &counters->cobs_failures;
        return 0;
    }
    if (size < FE_SHORTEST_FRAME) {
        *counter = &counters->truncated;
        return 0;
    }
    if (size > FE_MAX_FRAME) {
        *counter = &counters->oversized;
        return 0;
    }
    if (fe_crc(data, (size_t)size) != FE_CRC_RESIDUE) {
        *counter = &counters->crc_failures;
        return 0;
    }
    size_t content = (size_t)size - FE_CRC_BYTES;
    switch (fe_layout_of(data, content)) {
    case FE_LAYOUT_UNKNOWN:
        *counter = &counters->unknown_type;
        return 0;
    case FE_LAYOUT_MALFORMED:
        *counter = &counters->malformed;
        return 0;
    case FE_LAYOUT_SOUND:
    default:
        break;
    }
    bool to_host = data[0] < 0x80u;
    if (to_host != deframer->to_host) {
        *counter = &counters->wrong_direction;
        return 0;
    }
    return content;
}

size_t fe_deframer_take(fe_deframer *deframer, uint8_t byte)
{
    fe_counters *counters = &deframer->counters;
    size_t content = 0;
    if (byte != 0u) {
        if (deframer->skipping) {
            counters->bytes_discarded++;
        } else if (deframer->held == FE_MAX_STUFFED) {
            counters->oversized++;
            counters->bytes_discarded += FE_MAX_STUFFED + 1u;
            deframer->skipping = true;
        } else {
            deframer->buffer[deframer->held++] = byte;
        }
        return 0;
    }
    if (!deframer->skipping && deframer->held > 0u) {
        uint32_t *counter = &counters->frames;
        content = judge(deframer, &counter);
        (*counter)++;
        if (content == 0u) {
            counters->bytes_discarded += deframer->held;
        }
    }
    deframer->skipping = false;
    deframer->held = 0;
    return content;
}

uint32_t fe_damaged(const fe_counters *counters)
{
    return counters->crc_failures + counters->cobs_failures + counters->truncated
           + counters->oversized + counters->unknown_type + counters->malformed
           + counters->wrong_direction;
}
