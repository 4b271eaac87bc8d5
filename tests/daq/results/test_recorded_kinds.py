"""Spool-up, stepped map and sweep evaluated from recordings of the simulated rig, over the wire.

The recordings hold wire bytes of a rig whose calibration is perfect; the truth is read beside them.
"""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest

from api.rehearsal.drivers import DRIVERS
from bench.support.recorded import RIG_FILE, RecordedRig, in_scratch
from bench.support.rigs import drawn_setup
from control.test_kinds.plans import Plan, PowerSweep, SpoolUp, SteppedMap
from daq.measure.speed.estimator import DELAY_S
from daq.results.curves import curve
from daq.results.evaluate import evaluate
from daq.results.given import Given
from daq.results.kinds.spoolup import spool_up
from daq.results.result import Result, arrays
from daq.rig.description import load_rig

RPM = 9.549296585513721
GEAR = 4


class Recorded(msgspec.Struct, frozen=True, eq=False):
    """A run as an evaluation gets it, its result, and the truth on the same axis of time."""

    given: Given
    result: Result
    time_s: np.ndarray  # of the frames, as given.time_s
    engine: np.ndarray  # rad/s
    power: np.ndarray  # W
    boost: np.ndarray  # Pa

    def figure(self, name: str) -> float:
        found = self.result.figure(name)
        assert found is not None, name
        assert found.value is not None, name
        return found.value


@pytest.fixture(scope="module")
def rig() -> RecordedRig:
    description = load_rig(RIG_FILE)
    virtual = RecordedRig(description, 905, drawn_setup(description, 905, size=0.0))
    virtual.plant.driver.tell(gear=GEAR)
    virtual.make_ready()
    return virtual


def record(virtual: RecordedRig, plan: Plan) -> Recorded:
    names = virtual.plant.truth_names
    row = virtual.plant.world.truth_row
    at = [names.index(name) for name in ("engine_radps", "power_w", "boost_pa")]
    truth: list[tuple[float, ...]] = []

    def each(running: RecordedRig) -> None:
        truth.append((running.plant.now_s, *(float(row[place]) for place in at)))
        if running.frames % 5 == 0 and running.core.test is not None:
            driver.act(running.core.test)

    driver = DRIVERS[type(plan)](virtual, plan, GEAR, 1.0)
    driver.driver.tell(brake=0.0)
    driver.begin()

    def play(folder: Path) -> None:
        virtual.begin(folder, plan)
        virtual.play(each)

    given = in_scratch(play)
    driver.driver.tell(pedal=0.0, brake=0.15)
    virtual.settle(1.0)
    table = np.array(truth)
    time = table[:, 0] - table[0, 0]
    shared = min(len(time), len(given.time_s))
    return Recorded(given, evaluate(given, "test"), time[:shared], *table[:shared, 1:].T)


def test_a_spool_up_has_the_times_that_were_there(rig: RecordedRig) -> None:
    run = record(rig, SpoolUp(rpm=1700.0, settle_s=1.0, seconds=4.0))
    assert run.result.valid, run.result.void
    torque = run.power / run.engine
    kick = run.time_s[int(np.argmax(np.diff(torque[::25]))) * 25]
    # just before the kick: earlier the speed still comes to rest, and the truth has no noise to
    # hide that in
    windows = ((kick - 0.3, kick - 0.1), (kick + 2.6, kick + 3.9))
    true = spool_up(run.time_s, torque, "torque", *windows)
    boost = spool_up(run.time_s, run.boost, "boost", *windows)
    for name, rise in (("torque", true), ("boost", boost)):
        for share, at in (("t50", rise.t50), ("t90", rise.t90)):
            told = run.result.figure(f"{name}_{share}")
            assert told is not None
            assert told.value is not None
            assert told.low is not None
            assert told.high is not None
            wanted = at.time_s - true.onset.time_s
            assert told.value == pytest.approx(wanted, abs=0.05), (name, share)
            assert told.low <= wanted <= told.high, (name, share)
    # both channels are on one axis: what lies between boost and torque does not hang on the onset
    between = run.figure("boost_t50") - run.figure("torque_t50")
    assert between == pytest.approx(boost.t50.time_s - true.t50.time_s, abs=0.03)


def test_a_stepped_map_has_the_power_of_each_point(rig: RecordedRig) -> None:
    run = record(rig, SteppedMap(points_rpm=(1700.0, 2000.0), settle_s=1.0, average_s=3.0))
    assert run.result.valid, run.result.void
    assert len(run.result.table) == 2
    for row, rpm in zip(run.result.table, (1700.0, 2000.0), strict=True):
        begin = row["settled_after_s"]
        rows = (run.time_s >= begin) & (run.time_s <= begin + 3.0)
        assert row["x"] * RPM == pytest.approx(rpm, rel=1e-3)
        true = float(run.power[rows].mean())
        assert row["power_w"] == pytest.approx(true, rel=1.5e-3)
        assert row["low_w"] < true < row["high_w"]


def test_a_sweep_has_the_curve_that_was_there(rig: RecordedRig) -> None:
    run = record(rig, PowerSweep(from_rpm=1600.0, to_rpm=2400.0, rpm_per_s=250.0, full_pedal_s=1.0))
    assert run.result.valid, run.result.void
    shown = run.result.curve("power")
    assert shown is not None
    bins, value = np.array(shown.x), arrays(shown.value)
    at = run.time_s - DELAY_S  # a row holds DELAY_S before its frame
    engine = np.interp(at, run.time_s, run.engine)
    power = np.interp(at, run.time_s, run.power)
    after = int(np.argmax(engine > 2395.0 / RPM)) or engine.size
    rows = np.arange(max(0, after - 1900), min(engine.size, after + 12))
    rising = rows[engine[rows] > 1590.0 / RPM]
    true = curve(engine[rising], power[rising], bins, 60.0 / RPM).value
    good = np.isfinite(true) & np.isfinite(value) & (bins > 1700.0 / RPM)
    off = value[good] / true[good] - 1.0
    assert good.sum() > 10
    assert abs(off.mean()) < 5e-4
    # the force of a rising torque curve would be too low and that of a falling one too high if
    # force and speed were not aligned: no such slope is left
    slope = np.polyfit(np.linspace(-1.0, 1.0, off.size), off, 1)[0]
    assert abs(slope) < 6e-4
