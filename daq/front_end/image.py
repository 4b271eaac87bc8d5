"""Files for the USB boot drive that the chip itself shows: firmware and configuration as UF2.

UF2 is an open container: blocks of 512 bytes, each with an address and 256 bytes for it. The
numbers of its head are from memory of its description.
"""

from __future__ import annotations

import struct

FLASH_START = 0x1000_0000
RECORD_START = 0x101F_F000  # the last 4 KB of 2 MB; the same number as in firmware/rp2040/board.h
_BLOCK = struct.Struct("<8I476sI")
_FIRST, _SECOND, _LAST = 0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30
_FAMILY_PRESENT = 0x2000
_FAMILY_RP2040 = 0xE48B_FF56
_PAYLOAD = 256


def uf2(data: bytes, address: int) -> bytes:
    """The blocks that put `data` at `address` of flash, the last one filled up with 0xFF."""
    count = -(-len(data) // _PAYLOAD)
    blocks = []
    for number in range(count):
        part = data[number * _PAYLOAD : (number + 1) * _PAYLOAD].ljust(_PAYLOAD, b"\xff")
        blocks.append(
            _BLOCK.pack(
                _FIRST,
                _SECOND,
                _FAMILY_PRESENT,
                address + number * _PAYLOAD,
                _PAYLOAD,
                number,
                count,
                _FAMILY_RP2040,
                part,
                _LAST,
            )
        )
    return b"".join(blocks)
