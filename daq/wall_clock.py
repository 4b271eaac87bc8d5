"""The computer's date and time: a label for people and files, read here and nowhere else.

Somebody, or the network, may step this clock by a year at any moment. Whatever is decided or
measured goes by monotonic time; what has to be a date (a calibration that is due, a token that
expires) is asked of this module, and its owner says what a step does to it.
"""

from __future__ import annotations

import time
from datetime import UTC, date, datetime


def utc_now() -> datetime:
    """Date and time, in UTC."""
    return datetime.fromtimestamp(unix_ns() * 1e-9, UTC)


def today() -> date:
    """Today's date in UTC, a label."""
    return utc_now().date()


def unix_ns() -> int:
    """Nanoseconds since 1970 in UTC, leap seconds left out."""
    return time.time_ns()
