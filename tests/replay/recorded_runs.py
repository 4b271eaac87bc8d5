"""Recorded runs of every kind, and the set points that the core sends when it is shown them again.

Data flow: core + simulator -> `record` -> frames.xz (wire frames, commands, times; never judged)
-> `replay` through a new core -> set points, compared with set_points.xz (the approved ones).

The frames are what they are: another set point does not change the next frame, so one difference
shows as one difference. To accept an intended change of control:

    python -m tests.replay.recorded_runs accept     # set points of now become the approved ones
    python -m tests.replay.recorded_runs compare    # before that: what differs, run by run

and say in the commit message what changed and why. Only when the wire or a command changes are the
frames themselves recorded anew (`record`, from the simulator; then `accept`).
"""

from __future__ import annotations

import lzma
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import cast

import msgspec
import numpy as np
import numpy.typing as npt

from api.rehearsal.drivers import DRIVERS
from api.rehearsal.virtual_rig import HOLDER, VirtualRig
from control.core.commands import Adjust, AnyCommand, EaseOff, StartTest
from control.core.core import Core, CoreOutput
from control.telemetry import State
from control.test_kinds.plans import (
    Coastdown,
    Grade,
    GradeClimb,
    Identification,
    Plan,
    PowerSweep,
    RoadVehicle,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from daq.rig.description import Rig, load_rig
from daq.wire.codec import encode
from daq.wire.deframer import Deframer, Direction
from daq.wire.frames import FromFrontEnd, Sample

ROOT = Path(__file__).resolve().parents[2]
FRAMES = ROOT / "tests" / "data" / "replay" / "frames.xz"
SET_POINTS = ROOT / "tests" / "data" / "replay" / "set_points.xz"
Ints = npt.NDArray[np.int32]
NONE = -1  # a row of a frame that led to no set point

TRUCK = RoadVehicle(
    a_n=226.0, b_n_per_mps=1.6, c_n_per_mps2=0.95, mass_kg=3600.0, trailer_kg=2400.0
)
STIFF = RoadVehicle(a_n=1500.0, mass_kg=3600.0)  # brakes more than the rolls do by themselves


class Case(msgspec.Struct, frozen=True):
    """What is recorded: a plan, how it is driven, at how many frames a second, for how long."""

    name: str
    plan: Plan
    seconds: float  # after the start of the test
    frame_hz: int = 100
    gear: int | None = None
    adjust: tuple[float, float, str] | None = None  # seconds after the start, set point, quantity
    lift_s: float = math.inf  # seconds after the start: the driver lifts
    ease_s: float = math.inf  # seconds after the start: load off by command


CASES = (
    Case("hold of engine speed", SteadyHold(60.0, rpm=1900.0, settle_s=2.0), 7.0, 250, lift_s=5.0),
    Case("hold of roll speed", SteadyHold(60.0, speed_mps=8.0), 6.0, 500, 5, (3.0, 8.5, "")),
    Case("hold of force", SteadyHold(60.0, force_n=5000.0), 9.0, ease_s=6.0),
    Case("hold of power", SteadyHold(60.0, power_w=60e3), 9.0, adjust=(5.0, 80e3, "")),
    Case("map", SteppedMap(points_rpm=(1500.0, 1700.0), settle_s=1.0, average_s=1.0), 12.0),
    Case("sweep", PowerSweep(from_rpm=1500.0, to_rpm=2500.0, rpm_per_s=150.0), 13.0),
    Case("spool-up", SpoolUp(speed_mps=7.0, settle_s=1.0, seconds=3.0), 10.0, gear=4),
    Case(
        "climb",
        GradeClimb(
            TRUCK,
            Grade(by_time=((0.0, 2.0), (4.0, 2.0), (5.0, 6.0), (90.0, 6.0))),
            target_mps=14.0,
            seconds=60.0,
        ),
        14.0,
        200,
    ),
    Case(
        "trace",
        SpeedTrace(
            TRUCK,
            points=((0.0, 0.0), (4.0, 0.0), (12.0, 9.0), (16.0, 9.0), (22.0, 2.0), (40.0, 2.0)),
            countdown_s=1.0,
            ahead_s=1.0,
        ),
        24.0,
    ),
    Case("coastdown under load", Coastdown(from_mps=16.0, to_mps=8.0, force_n=2500.0), 16.0),
    Case("coastdown on a road", Coastdown(from_mps=14.0, to_mps=8.0, vehicle=STIFF), 20.0),
    Case("snap smoke", SnapSmoke(idle_s=5.0, probe_s=0.0), 14.0),
    Case("identification", Identification(from_mps=14.0, to_mps=5.0, step_s=0.3, coasts=1), 24.0),
)


class Frames(msgspec.Struct):
    """One recorded run."""

    name: str
    frame_hz: int
    received: bytes  # wire frames, each with its 0x00
    times_s: bytes  # float64, the core's time at each frame
    commands: list[tuple[int, AnyCommand]]  # number of the frame they came with


class SetPoints(msgspec.Struct):
    """What the core answered: per sample sequence, validity (ms), outputs, currents (0.01 A)."""

    name: str
    columns: int
    rows: bytes  # int32


def rig_of(frame_hz: int) -> Rig:
    rig = load_rig(ROOT / "rigs" / "tarnhow.toml")
    return msgspec.structs.replace(rig, frame_hz=frame_hz)


class _Recorded(VirtualRig):
    """Notes what its core is shown."""

    def __init__(self, rig: Rig, seed: int) -> None:
        self.notes: list[tuple[bytes, float, Sequence[AnyCommand]]] = []
        super().__init__(rig, seed)
        core_step = self.core.step

        def step(
            frame: FromFrontEnd | None, commands: Sequence[AnyCommand], now_s: float
        ) -> CoreOutput:
            assert frame is not None
            self.notes.append((encode(frame), now_s, commands))
            return core_step(frame, commands, now_s)

        self.core.step = step  # type: ignore[method-assign]


def record(case: Case, seed: int) -> Frames:
    """Run the case against the simulator."""
    virtual = _Recorded(rig_of(case.frame_hz), seed)
    driver = DRIVERS[type(case.plan)](virtual, case.plan, case.gear, 1.0)
    virtual.make_ready()
    driver.begin()
    virtual.ask(StartTest(0, HOLDER, "replay", case.plan))
    began_s, adjust = virtual.plant.now_s, case.adjust
    since_s = 0.0
    while since_s < case.seconds:
        virtual.advance()
        since_s = virtual.plant.now_s - began_s
        test = virtual.core.test
        if test is not None and virtual.core.state is State.LOADED:
            driver.act(test)
        if adjust is not None and since_s >= adjust[0]:
            virtual.ask(Adjust(0, HOLDER, adjust[1], adjust[2]))
            adjust = None
        if case.lift_s <= since_s < case.lift_s + 0.7:
            driver.driver.tell(pedal=0.2)
        elif since_s >= case.lift_s + 0.7:
            driver.driver.tell(pedal=1.0)
        if since_s >= case.ease_s and virtual.core.state is State.LOADED:
            virtual.ask(EaseOff(0, HOLDER))
    return Frames(
        case.name,
        case.frame_hz,
        b"".join(note[0] for note in virtual.notes),
        np.array([note[1] for note in virtual.notes]).tobytes(),
        [(k, one) for k, note in enumerate(virtual.notes) for one in note[2]],
    )


def replay(frames: Frames) -> tuple[Ints, Core]:
    """Show the frames to a new core; its set points (see SetPoints) and the core afterwards."""
    core = Core(rig_of(frames.frame_hz))
    core.step(None, (), 0.0)
    commands: dict[int, list[AnyCommand]] = {}
    for number, command in frames.commands:
        commands.setdefault(number, []).append(command)
    times_s = np.frombuffer(frames.times_s)
    rows: list[list[int]] = []
    width = 3 + len(core.rig.absorbers)
    deframer = Deframer(Direction.FROM_FRONT_END)
    for number, frame in enumerate(deframer.feed(frames.received)):
        now_s = float(times_s[number])
        step = core.step(cast(FromFrontEnd, frame), commands.get(number, ()), now_s)
        if type(frame) is Sample:
            sent = step.set_point
            if sent is None:
                rows.append([NONE] * width)
            else:
                rows.append([sent.sequence, sent.validity_ms, sent.digital_out, *sent.currents])
    return np.array(rows, dtype=np.int32), core


def load_frames() -> list[Frames]:
    return msgspec.msgpack.decode(lzma.decompress(FRAMES.read_bytes()), type=list[Frames])


def load_set_points() -> dict[str, Ints]:
    """The approved set points by name of the run."""
    found = msgspec.msgpack.decode(lzma.decompress(SET_POINTS.read_bytes()), type=list[SetPoints])
    return {
        one.name: np.cumsum(
            np.frombuffer(one.rows, dtype=np.int32).reshape(one.columns, -1), axis=1, dtype=np.int32
        ).T
        for one in found
    }


def difference(now: Ints, approved: Ints) -> str:
    """In words where two runs of set points part; empty when they are the same."""
    if now.shape != approved.shape:
        return f"{len(now)} set points of {now.shape[1]} numbers, approved {approved.shape}"
    frames = np.nonzero((now != approved).any(axis=1))[0]
    if not len(frames):
        return ""
    first = int(frames[0])
    apart = np.abs(now[:, 3:] - approved[:, 3:])
    return (
        f"{len(frames)} of {len(now)} set points differ, the first is frame {first}: "
        f"{now[first].tolist()}, approved {approved[first].tolist()}; "
        f"currents at most {apart.max() / 100:.2f} A, rms {np.sqrt(np.mean(apart**2)) / 100:.3f} A"
    )


def _pack(path: Path, things: object) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(lzma.compress(msgspec.msgpack.encode(things), preset=9))


def main(what: str) -> None:
    if what == "record":
        _pack(FRAMES, [record(case, seed) for seed, case in enumerate(CASES, 1)])
    elif what == "accept":
        kept = []
        for frames in load_frames():
            rows, _core = replay(frames)
            steps = np.diff(rows, axis=0, prepend=np.zeros_like(rows[:1]))  # they pack better
            packed = np.ascontiguousarray(steps.T).tobytes()
            kept.append(SetPoints(frames.name, rows.shape[1], packed))
        _pack(SET_POINTS, kept)
    elif what == "compare":
        approved = load_set_points()
        for frames in load_frames():
            print(
                f"{frames.name}: {difference(replay(frames)[0], approved[frames.name]) or 'same'}"
            )
    else:
        raise SystemExit("record, accept or compare")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) == 2 else "")
