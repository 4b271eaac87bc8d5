"""The watch at its edges: how much may be lost, jump or last before a fault is raised."""

from __future__ import annotations

import re

import msgspec
import pytest

from control.safety.fault_detection import PERSISTENCE_S, FaultDetector
from control.safety.faults import TABLE
from daq.measure.measured import Measured
from tests.control.control_stand import Stand

FRAME_S = 0.002
UNITS_S = {"ms": 1e-3, "s": 1.0}


class Watched:
    """A watch of its own that sees frame after frame of a calm, unloaded rig."""

    def __init__(self) -> None:
        self.stand = Stand().ready()
        self.watch = FaultDetector(self.stand.rig)
        self.sequence = 0
        self.time_s = 5.0

    def frame(self, lost: int = 0, late_s: float = 0.0) -> dict[str, str]:
        self.sequence += 1 + lost
        self.time_s += FRAME_S * (1 + lost) + late_s
        seen: Measured = msgspec.structs.replace(
            self.stand.measured(self.stand.sample()),
            time_s=self.time_s, sequence=self.sequence, frames_lost=lost,
        )  # fmt: skip
        return self.watch.frame(seen, self.stand.core.loads, False, False, False)


@pytest.mark.parametrize(("lost", "told"), [(50, False), (51, True)])
def test_a_tenth_of_a_second_may_be_lost_at_once_and_no_frame_more(lost: int, told: bool) -> None:
    watched = Watched()
    watched.frame()
    assert ("frames-lost" in watched.frame(lost)) is told


@pytest.mark.parametrize(("every", "told"), [(12, False), (8, True)])
def test_lost_frames_are_forgotten_within_the_second(every: int, told: bool) -> None:
    watched = Watched()
    codes = [watched.frame(lost=n % every == 0) for n in range(3000)]
    assert any("frames-lost" in each for each in codes) is told


@pytest.mark.parametrize(("late_s", "told"), [(0.045, ""), (0.055, "55 ms"), (-0.055, "-55 ms")])
def test_a_clock_may_be_off_by_fifty_milliseconds(late_s: float, told: str) -> None:
    watched = Watched()
    watched.frame()
    assert watched.frame(late_s=late_s).get("clock-jump", "") == told


# (A current stuck on is told with the time that a coil may take to empty.)
@pytest.mark.parametrize("code", sorted(PERSISTENCE_S.keys() - {"current-stuck-on"}))
def test_a_condition_must_last_as_long_as_the_table_says(code: str) -> None:
    stated = re.search(r"for ([0-9.]+) (ms|s)\b", TABLE[code].detection)
    assert stated is not None, TABLE[code].detection
    lasts_s = float(stated[1]) * UNITS_S[stated[2]]
    watched = Watched()
    watched.watch.hot = {code: "here"}
    raised = [code in watched.frame() for _ in range(round(lasts_s / FRAME_S) + 3)]
    first_s = raised.index(True) * FRAME_S
    assert first_s == pytest.approx(lasts_s, abs=1.1 * FRAME_S)


def test_the_surroundings_are_looked_at_five_times_a_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    watched = Watched()
    looks: list[int] = []

    def look(*_: object) -> dict[str, str]:
        looks.append(watched.sequence)
        return {}

    monkeypatch.setattr(watched.watch._surroundings, "look", look)
    for _ in range(301):
        watched.frame()
    assert looks == [1, 101, 201, 301]
