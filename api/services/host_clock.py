"""Is this computer's clock slewed by network time? Asked of the kernel, nothing is set.

`adjtimex` with no mode reads the state; its return value is TIME_ERROR (5) while the clock is not
synchronised (Linux manual page adjtimex(2)). Elsewhere than on Linux nothing is known: False.
"""

from __future__ import annotations

import ctypes
import ctypes.util

TIMEX_BYTES = 512  # struct timex has 208; the kernel writes no more
TIME_ERROR = 5


def clock_disciplined() -> bool:
    """True when the kernel says that something keeps its clock right."""
    name = ctypes.util.find_library("c")
    if name is None:
        return False
    try:
        state = ctypes.CDLL(name).adjtimex(ctypes.create_string_buffer(TIMEX_BYTES))
    except (OSError, AttributeError):
        return False
    return 0 <= int(state) < TIME_ERROR
