"""A wall clock that a test steps, at the one place where the product reads it."""

from __future__ import annotations

import time

import pytest

from daq import wall_clock

YEAR_S = 365 * 86_400.0


class WallClock:
    """The computer's clock, `off_s` from where it was."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.off_s = 0.0
        patch.setattr(wall_clock, "unix_ns", lambda: time.time_ns() + int(self.off_s * 1e9))
