"""How right is this computer's clock, and how long is it up? Asked of the kernel, nothing is set.

`adjtimex` with no mode reads the state; its return value is TIME_ERROR (5) while the clock is not
synchronised, and the structure holds the largest error that the kernel reckons with, in
microseconds (Linux manual page adjtimex(2)). Elsewhere than on Linux nothing is known.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import math
import struct
import time
from pathlib import Path

TIMEX_BYTES = 512  # struct timex has 208; the kernel writes no more
TIME_ERROR = 5
MAX_ERROR_AT = 24  # of the structure on 64-bit machines: modes, offset, freq, maxerror
UNKNOWN_S = 16.0  # what the kernel reckons with when nothing keeps its clock


def _asked() -> tuple[int, float]:
    """State and largest error, s; (-1, UNKNOWN_S) where nothing can be known."""
    name = ctypes.util.find_library("c")
    if name is None:
        return -1, UNKNOWN_S
    told = ctypes.create_string_buffer(TIMEX_BYTES)
    try:
        state = int(ctypes.CDLL(name).adjtimex(told))
    except (OSError, AttributeError):
        return -1, UNKNOWN_S
    largest_s = 1e-6 * float(struct.unpack_from("q", told, MAX_ERROR_AT)[0])
    return state, largest_s if largest_s > 0.0 else UNKNOWN_S


def clock_disciplined() -> bool:
    """True when the kernel says that something keeps its clock right."""
    return 0 <= _asked()[0] < TIME_ERROR


def clock_sigma_s() -> float:
    """Standard uncertainty of UTC as this computer's clock has it, s: the largest error that the
    kernel reckons with, as a rectangular distribution (JCGM 100, 4.3.7)."""
    return _asked()[1] / math.sqrt(3.0)


def uptime_s() -> float:
    """Seconds since the computer was switched on, asleep or not; no date has a part in it."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def boot_id() -> str:
    """Another one each time the computer is switched on; "" where that cannot be known."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return ""
