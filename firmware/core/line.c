#include "line.h"

#include "bytes.h"
#include "cobs.h"
#include "crc.h"
#include "limits.h"

/* Frames are cut by their zeros: the oldest ends with the first of them. */
static void drop_oldest(fe_line *line)
{
    uint8_t *data = line->half[line->filling];
    uint16_t end = 0;
    while (end < line->waiting && data[end] != 0u) {
        end++;
    }
    end++;
    line->waiting = (uint16_t)(line->waiting - end);
    for (uint16_t i = 0; i < line->waiting; i++) {
        data[i] = data[i + end];
    }
    line->dropped++;
}

void fe_line_put(fe_line *line, uint8_t *content, size_t n)
{
    size_t size = n + FE_CRC_BYTES;
    (void)fe_put32(content + n, fe_crc(content, n));
    size_t most = size + size / 254u + 2u;
    while (line->waiting + most > FE_HALF_LINE) {
        drop_oldest(line);
    }
    uint8_t *end = line->half[line->filling] + line->waiting;
    line->waiting = (uint16_t)(line->waiting + fe_stuff(end, content, size));
}

void fe_line_open(fe_line *line)
{
    line->half[line->filling][line->waiting] = 0;
    line->waiting++;
}

const uint8_t *fe_line_take(fe_line *line, size_t *n)
{
    const uint8_t *data = line->half[line->filling];
    *n = line->waiting;
    if (line->waiting > 0u) {
        line->filling ^= 1u;
        line->waiting = 0;
    }
    return data;
}
