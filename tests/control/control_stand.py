"""A stand for the core: a front end, rolls and a truck of a few lines, every part breakable.

Not the project's simulator: a second, much simpler model, so that the core is not only tested
against the physics it may have been tuned on. Readings go in as daq would hand them over.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path

from control.core.commands import (
    Acknowledge,
    Answer,
    AnyCommand,
    KeepHelm,
    MakeReady,
    StartTest,
    TakeHelm,
)
from control.core.core import Core, CoreOutput
from control.core.memory import AbsorberMemory, Memory
from control.telemetry import Event, State
from control.test_kinds.plans import SteadyHold
from daq.measure.force.load_cell import FAULT_TEXTS, FROZEN
from daq.measure.measured import AbsorberReadings, Measured, RollSetReadings
from daq.measure.speed.tooth_errors import ToothTable
from daq.readings import Quality, Reading, Unit
from daq.rig.description import Rig, load_rig
from daq.wire.frames import (
    AskIdentity,
    Channel,
    ChannelKind,
    Hello,
    Notice,
    Permission,
    ResetCause,
    Sample,
    SetPoint,
)

ROOT = Path(__file__).resolve().parents[2]
PITCH_M = 2.0 * math.pi * 0.5 / 60
HOLDER = "token:tablet"
HOLD_20 = SteadyHold(seconds=60.0, settle_s=1.0, speed_mps=20.0)


def tarnhow() -> Rig:
    return load_rig(ROOT / "rigs" / "tarnhow.toml")


def zeroed(rig: Rig) -> Memory:
    """A memory that knows the zeros of all load cells."""
    counts = (100.0, -200.0, 300.0, -400.0)
    return Memory(
        absorbers={
            each.name: AbsorberMemory(zero_count=count)
            for each, count in zip(rig.absorbers, counts, strict=True)
        }
    )


class StandChain:
    """Takes daq's place: hands over whatever the stand says."""

    def __init__(self, stand: Stand) -> None:
        self._stand = stand
        self.learned_ratio = float("nan")
        self.zeros: dict[str, float] = {}
        self.learning = True
        self.tables: dict[str, ToothTable] = {}
        self.fed: list[tuple[str, float, float]] = []

    @property
    def now_s(self) -> float:
        return self._stand.time_s

    def update(self, sample: Sample) -> Measured:
        return self._stand.measured(sample)

    def slow(self, frame: object) -> None: ...

    def feed_slow(self, name: str, value: float, time_s: float) -> None:
        self.fed.append((name, value, time_s))

    def learn_teeth(self, on: bool) -> None:
        self.learning = on

    def tooth_tables(self) -> dict[str, ToothTable]:
        return dict(self.tables)

    def restore_tooth_tables(self, tables: dict[str, ToothTable]) -> None:
        self.tables = dict(tables)

    def learn_ratio(self) -> float:
        self.learned_ratio = self._stand.engine_ratio
        return self.learned_ratio

    def take_zeros(self) -> dict[str, float]:
        raise AssertionError("zeros are tested with the real chain: tests/control/core/test_zeros")

    def restore_zeros(self, counts: Mapping[str, float]) -> None:
        self.zeros = dict(counts)


class Stand:
    """Rolls of the Tarnhow rig, a truck that pushes with `drive_n`, and levers to break things."""

    def __init__(self, memory: Memory | None = None, rig: Rig | None = None) -> None:
        self.rig = rig or tarnhow()
        kept = zeroed(self.rig) if memory is None else memory
        self.core = Core(self.rig, kept, make_chain=lambda _rig, _hello: StandChain(self))
        self.dt = 1.0 / self.rig.frame_hz
        self.time_s = 5.0
        self.host_s = 100.0
        self.sequence = 0
        self.boot_id = 77
        self.keep_helm = True
        self.speeds = [0.0, 0.0]
        self.drive_n = 0.0  # tractive force of the truck, shared between the roll sets
        self.coils = [0.0] * 4
        self.sent = [0.0] * 4
        self.engine_ratio = 9.5  # rad/s per m/s
        # Breakables.
        self.speed_quality = [Quality.GOOD, Quality.GOOD]
        self.cell_quality = [Quality.GOOD] * 4
        self.engine_quality = Quality.GOOD
        self.stop_chain = True
        self.tie_downs = True
        self.digital: dict[str, bool] = {}
        self.slip = 0.0
        self.permission = Permission.HELD
        self.frames_lost = 0
        self.cell_gain = [1.0] * 4
        self.cell_bias_n = [0.0] * 4
        self.cells_stuck_at: float | None = None
        self.cells_jump_n = 0.0
        self.speed_stuck_at: float | None = None
        self.supply_follows = [1.0] * 4
        self.coil_stuck_a: list[float | None] = [None] * 4
        self.pinned: list[float | None] = [None, None]
        self.slow: dict[str, Reading] = {}
        self.set_point: SetPoint | None = None
        self.taken = 0
        self.set_points: list[SetPoint | None] = []
        self.events: list[Event] = []
        self.answers: dict[int, Answer] = {}
        self._wiggle = 0
        self.places = [0.0, 0.0]
        self._edges = [0, 0]
        self._id = 0

    # ---- what daq would say ----------------------------------------------------------------

    def measured(self, sample: Sample) -> Measured:
        self._wiggle += 1
        tremble = 1e-6 * math.sin(self._wiggle)
        absorbers = []
        forces = [0.0, 0.0]
        for i, absorber in enumerate(self.rig.absorbers):
            roll = 0 if absorber.roll_set == "front" else 1
            shaft = self.speeds[roll] / 0.5 * absorber.gear_ratio
            torque = self.torque(self.coils[i], shaft)
            cell = torque / absorber.arm_m * self.cell_gain[i] + self.cell_bias_n[i] + tremble
            cell += self.cells_jump_n * (1.0 if self._wiggle % 2 else -1.0)
            condition = ""
            if self.cells_stuck_at is not None:
                cell, condition = self.cells_stuck_at, FAULT_TEXTS[FROZEN]
            newton = cell * absorber.arm_m * absorber.gear_ratio / 0.5
            forces[roll] += newton
            quality = Quality.SUSPECT if condition else self.cell_quality[i]
            absorbers.append(
                AbsorberReadings(
                    absorber.name,
                    Reading(cell, Unit.NEWTON, self.time_s, quality, 0.3),
                    Reading(cell * absorber.arm_m, Unit.NEWTON_METRE, self.time_s, quality, 0.2),
                    Reading(newton, Unit.NEWTON, self.time_s, quality, 1.0),
                    Reading(self.coils[i], Unit.AMPERE, self.time_s, Quality.GOOD, 0.01),
                    shaft,
                    0.0,
                    condition,
                )
            )
        roll_sets = []
        for r, roll_set in enumerate(self.rig.roll_sets):
            v = self.speeds[r] + tremble
            if self.speed_stuck_at is not None:
                v = self.speed_stuck_at
            q = self.speed_quality[r]
            roll_sets.append(
                RollSetReadings(
                    roll_set.name,
                    Reading(v, Unit.METRE_PER_SECOND, self.time_s, q, 1e-3),
                    Reading(0.0, Unit.METRE_PER_SECOND_2, self.time_s, q),
                    Reading(forces[r], Unit.NEWTON, self.time_s, Quality.GOOD),
                    Reading(self.loss(r), Unit.NEWTON, self.time_s, q),
                    Reading(0.0, Unit.NEWTON, self.time_s, q),
                    Reading(forces[r] + self.loss(r), Unit.NEWTON, self.time_s, q),
                    Reading((forces[r] + self.loss(r)) * v, Unit.WATT, self.time_s, q),
                    0.0,
                )
            )
        return Measured(
            self.time_s,
            sample.sequence,
            self.frames_lost,
            tuple(roll_sets),
            tuple(absorbers),
            Reading(
                max(self.speeds) * self.engine_ratio,
                Unit.RADIAN_PER_SECOND,
                self.time_s,
                self.engine_quality,
            ),
            "pickup",
            self.slow,
            self.stop_chain,
            self.tie_downs,
            self.digital,
            self.permission,
            0.1,
            sample.last_set_point,
            overall_ratio=Reading(self.engine_ratio, Unit.PER_METRE, self.time_s, Quality.GOOD),
            slip=Reading(self.slip, Unit.RATIO, self.time_s, Quality.GOOD),
            fresh_travel=[self._newest_edge(r) for r in range(2)],
        )

    def _newest_edge(self, roll: int) -> list[float]:
        """Travel up to the newest tooth edge since the one before, and its age."""
        edge = math.floor(self.places[roll] / PITCH_M)
        travel = (edge - self._edges[roll]) * PITCH_M
        if travel <= 0.0 or self.speeds[roll] <= 0.0:
            return [math.nan, 0.0]
        self._edges[roll] = edge
        return [travel, (self.places[roll] - edge * PITCH_M) / self.speeds[roll]]

    def torque(self, coil_a: float, shaft_radps: float) -> float:
        """A brake of another shape than the core's map: tanh saturation, 6 % weaker."""
        if shaft_radps <= 0.0:
            return 0.0
        x = shaft_radps / 128.0
        squared = math.tanh((coil_a / 26.0) ** 2) / math.tanh((30.0 / 26.0) ** 2)
        return 940.0 * squared * 2.0 / (x + 1.0 / x) + 4.0

    def loss(self, roll: int) -> float:
        a, b, c = self.rig.roll_sets[roll].loss_n
        v = self.speeds[roll]
        return a + b * v + c * v * v if v > 0.0 else 0.0

    # ---- time passes -----------------------------------------------------------------------

    def hello(
        self, session: int | None = None, boot_id: int | None = None, major: int = 1
    ) -> CoreOutput:
        channels = [Channel(ChannelKind.WHEEL, name) for name in ("front", "rear", "engine")]
        for absorber in self.rig.absorbers:
            channels.append(Channel(ChannelKind.CONVERTER, absorber.cell.converter))
        for absorber in self.rig.absorbers:
            channels.append(Channel(ChannelKind.OUTPUT, absorber.output))
        channels += [Channel(ChannelKind.DIGITAL_OUT, name) for name in ("fan-front", "fan-rear")]
        hello = Hello(
            major=major,
            minor=0,
            reset_cause=ResetCause.POWER_ON,
            tick_hz=1_000_000,
            frame_hz=self.rig.frame_hz,
            boot_id=self.boot_id if boot_id is None else boot_id,
            session=self.core.session.number if session is None else session,
            config_hash=1,
            tick=0,
            firmware="stand",
            channels=tuple(channels),
        )
        if not self.core.session.live:  # it answers to a new session, of which it has taken none
            self.taken = 0
        return self._take(self.core.step(hello, (), self.host_s))

    def sample(self) -> Sample:
        self.sequence += 1
        if self.set_point is not None and self.permission is not Permission.EASING:
            self.taken = self.set_point.sequence  # while it eases it takes none
        return Sample(
            sequence=self.sequence,
            tick=int(self.time_s * 1e6) & 0xFFFFFFFF,
            permission=int(self.permission),
            permission_left_ms=100 if self.permission is Permission.HELD else 0,
            last_set_point=self.taken,
            digital=1,
            edge_totals=(0, 0, 0),
            edges=((), (), ()),
            counts=(100, -200, 300, -400),
            flags=(0, 0, 0, 0),
            currents=tuple(int(coil * 100) for coil in self.coils),
        )

    def frame(self, *commands: AnyCommand) -> CoreOutput:
        """One frame period: rolls move, the core answers."""
        self._physics()
        each_s = self.rig.frame_hz
        if self.keep_helm and self.core.helm.holder == HOLDER and self.sequence % each_s == 0:
            commands = (*commands, KeepHelm(0, HOLDER))
        return self._take(self.core.step(self.sample(), commands, self.host_s))

    def frames(self, seconds: float) -> None:
        for _ in range(round(seconds / self.dt)):
            self.frame()

    def silence(self, seconds: float, step_s: float = 0.01) -> None:
        """Nothing arrives; the loop steps the core by its timer."""
        for _ in range(round(seconds / step_s)):
            self.host_s += step_s
            self.time_s += step_s
            self.sequence += round(step_s / self.dt)
            self._take(self.core.step(None, (), self.host_s))

    def notice(self, code: int, detail: int = 0) -> None:
        self._take(self.core.step(Notice(0, code, detail), (), self.host_s))

    def ask(self, command: AnyCommand) -> Answer:
        """Send one command and wait for its answer (zeros take half a second)."""
        self._id += 1
        command = type(command)(
            **{
                **{name: getattr(command, name) for name in command.__struct_fields__},
                "id": self._id,
            }
        )
        self.frame(command)
        for _ in range(1000):
            if self._id in self.answers:
                return self.answers[self._id]
            self.frame()
        raise AssertionError("no answer within 2 s")

    def _physics(self) -> None:
        self.time_s += self.dt
        self.host_s += self.dt
        decay = math.exp(-self.dt / 0.15)
        if self.set_point is not None:
            self.sent = [current / 100.0 for current in self.set_point.currents]
        for i in range(4):
            goal = self.sent[i] * self.supply_follows[i]
            self.coils[i] = goal + (self.coils[i] - goal) * decay
            stuck = self.coil_stuck_a[i]
            if stuck is not None:
                self.coils[i] = stuck
        for r, roll_set in enumerate(self.rig.roll_sets):
            force = 0.0
            for i, absorber in enumerate(self.rig.absorbers):
                if absorber.roll_set == roll_set.name:
                    shaft = self.speeds[r] / 0.5 * absorber.gear_ratio
                    force += self.torque(self.coils[i], shaft) * absorber.gear_ratio / 0.5
            push = self.drive_n * (0.45 if r == 0 else 0.55)
            accel = (push - force - self.loss(r)) / roll_set.base_inertia_kg
            before = self.speeds[r]
            self.speeds[r] = max(0.0, before + accel * self.dt)
            self.places[r] += 0.5 * (before + self.speeds[r]) * self.dt
            pinned = self.pinned[r]
            if pinned is not None:
                self.speeds[r] = pinned

    def _take(self, step: CoreOutput) -> CoreOutput:
        self.set_point = step.set_point
        self.set_points.append(step.set_point)
        self.events.extend(step.events)
        for answer in step.answers:
            self.answers[answer.id] = answer
        return step

    # ---- ways people go ----------------------------------------------------------------------

    def connect(self) -> Stand:
        step = self._take(self.core.step(None, (), self.host_s))
        assert step.send == (AskIdentity(self.core.session.number),)
        self.hello()
        self.frames(0.1)
        return self

    def at_helm(self) -> Stand:
        self.connect()
        assert self.ask(TakeHelm(0, HOLDER, "Ada")).accepted
        return self

    def ready(self) -> Stand:
        self.at_helm()
        assert self.ask(Acknowledge(0, HOLDER)).accepted
        answer = self.ask(MakeReady(0, HOLDER))
        assert answer.accepted, answer
        return self

    def loaded(self, plan: SteadyHold = HOLD_20, drive_n: float = 9000.0) -> Stand:
        """Ready, rolling at the set point, and under load long enough to be steady."""
        self.ready()
        self.speeds = [19.5, 19.5]
        self.frames(0.2)
        self.drive_n = drive_n
        answer = self.ask(StartTest(0, HOLDER, "run-1", plan))
        assert answer.accepted, answer
        self.frames(3.0)
        assert self.core.state is State.LOADED
        return self

    def kinds(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]

    def fault_codes(self) -> set[str]:
        return {view.code for view in self.core.telemetry().faults if view.active}
