/* Byte stuffing of docs/wire.md section 2 (COBS, Cheshire and Baker 1999). */
#ifndef FE_COBS_H
#define FE_COBS_H

#include <stddef.h>
#include <stdint.h>

/* `in` stuffed into `out`, with its 0x00; `out` has room for n + n / 254 + 2 bytes.
 * Returns the bytes written. n is 1 or more. */
size_t fe_stuff(uint8_t *out, const uint8_t *in, size_t n);

/* Unstuffs n bytes (no zero among them) in place. Returns the bytes left, or -1 when the last
 * block reaches past the end. */
int32_t fe_unstuff(uint8_t *data, size_t n);

#endif
