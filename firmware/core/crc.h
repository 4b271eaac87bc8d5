/* CRC-32 of docs/wire.md section 2 (that of Ethernet and zlib). */
#ifndef FE_CRC_H
#define FE_CRC_H

#include <stddef.h>
#include <stdint.h>

/* What the CRC over any content followed by its own CRC, little endian, always is. */
#define FE_CRC_RESIDUE 0x2144DF1Cu

uint32_t fe_crc(const uint8_t *data, size_t n);

#endif
