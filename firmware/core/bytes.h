/* Little-endian numbers in byte buffers, whatever the processor's own order and alignment. */
#ifndef FE_BYTES_H
#define FE_BYTES_H

#include <stddef.h>
#include <stdint.h>

static inline uint8_t *fe_put8(uint8_t *at, uint32_t value)
{
    at[0] = (uint8_t)value;
    return at + 1;
}

static inline uint8_t *fe_put16(uint8_t *at, uint32_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    return at + 2;
}

static inline uint8_t *fe_put32(uint8_t *at, uint32_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
    at[2] = (uint8_t)(value >> 16);
    at[3] = (uint8_t)(value >> 24);
    return at + 4;
}

static inline uint8_t *fe_put_bytes(uint8_t *at, const uint8_t *from, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        at[i] = from[i];
    }
    return at + n;
}

static inline uint16_t fe_get16(const uint8_t *at)
{
    return (uint16_t)(at[0] | ((uint32_t)at[1] << 8));
}

static inline uint32_t fe_get32(const uint8_t *at)
{
    return at[0] | ((uint32_t)at[1] << 8) | ((uint32_t)at[2] << 16) | ((uint32_t)at[3] << 24);
}

#endif
