"""What all test kinds share: clock, phases, voids, shortfall, set points by engine speed.

Data flow: readings and what the load loop did last -> Test.update of the running kind -> Demand;
the core reads `done`, the page reads `view`, the run's end takes `summary`. The test's clock is
device time; it stands still while a fault says hold.
"""

from __future__ import annotations

import math
from typing import ClassVar

import msgspec

from control.absorber.identified import Advice, Identified
from control.load_loop.loop import Aim, LoadLoop, Output
from control.telemetry import TestView
from control.test_kinds.channel_limits import LimitWatch
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.rig.engine_range import EngineRange, engine_range
from daq.texts.message import Message, Text, Value, amount, say

RADPS_PER_RPM = 2.0 * math.pi / 60.0
RATIO_SMOOTHING_S = 0.3  # engine speed over roll speed is averaged over this
RAMP_SHARE = 0.12  # a ramp may use this share of the rig's full force for acceleration
FORCE_RAMP_S = 4.0  # full force, or full power, in this time when a set point changes
SHORT_N = 50.0  # a smaller shortfall is noise of the loop
HEAT_CHECK_S = 0.2
HEAT_MARGIN_K = 5.0  # below the limit: end in order before the heat guard takes load off
SLIP, SLIP_FOR_S = 0.05, 0.3
HELD_FOR_S = 1.0
MISSED_N, MISSED_SHARE, MISSED_FOR_S = 200.0, 0.03, 0.2  # a shortfall that voids a run
NAN = float("nan")
COMPLETE = say("test-is-complete")
COMPLETED = "completed"  # how a test ends that did what was asked
Figures = dict[str, str | float | int | bool]
News = tuple[str, Text, Figures]  # kind of event, text, data
# What a set point is of: SI unit.
QUANTITIES = {"rpm": "rad/s", "speed": "m/s", "force": "N", "power": "W", "grade": "%"}
_USABLE = frozenset((Quality.GOOD, Quality.AGING))


class Demand(msgspec.Struct, gc=False):
    """Mutable, owned by the running test, read by the core each frame."""

    aim: int = int(Aim.NOTHING)
    target: float = 0.0
    rate: float = 1.0  # of the target, per second
    fresh: bool = False  # start again from the present speed and force; the core clears it
    currents: tuple[float, ...] = ()  # A per absorber, for Aim.CURRENT


class Description(msgspec.Struct, frozen=True):
    """A test kind in words, for the page and for docs/plans.md."""

    title: str
    begins: str
    phases: tuple[tuple[str, Message], ...]  # name and instruction to the driver
    ends: str
    measured: str
    void: tuple[tuple[str, str], ...]  # code and meaning


def aim(quantity: str, value: float) -> Message:
    """A set point in SI as the driver is told it."""
    match quantity:
        case "rpm":
            return say("aim-rpm", rpm=value / RADPS_PER_RPM)
        case "speed":
            return say("aim-speed", speed_mps=value)
        case "force":
            return say("aim-force", force_n=value)
        case _:
            return say("aim-power", power_w=value)


def ramp_rate(rig: Rig) -> float:
    """Acceleration of a set-point ramp, m/s2: a share of full force on the base inertia."""
    return RAMP_SHARE * rig.limits.max_force_n / base_inertia(rig)


def base_inertia(rig: Rig) -> float:
    """Mass at the roll surface of all roll sets together, kg."""
    return sum(roll_set.base_inertia_kg for roll_set in rig.roll_sets)


def top_speed(rig: Rig) -> float:
    """The fastest the rig and every roll set may turn, m/s."""
    return min(rig.limits.max_speed_mps, *(one.max_speed_mps for one in rig.roll_sets))


def check_speed(speed_mps: float, rig: Rig) -> None:
    """Raises Refused when the rig cannot hold this roll speed."""
    fastest = top_speed(rig)
    if not math.isfinite(speed_mps) or speed_mps > 0.98 * fastest:
        raise Refused(
            say("speed-is-beyond-rig", speed_mps=speed_mps, fastest_mps=fastest),
            say("choose-lower-set-point-or-lower"),
            "set-point-beyond-rig",
        )
    if speed_mps < 1.5 * rig.limits.low_speed_mps:
        raise Refused(
            say("speed-is-too-slow", speed_mps=speed_mps),
            say("hold-at-or-more", least_mps=1.5 * rig.limits.low_speed_mps),
            "set-point-too-slow",
        )


def check_engine_speed(radps: float, engine: EngineRange) -> None:
    """Raises Refused when the engine cannot turn, or pull, at this speed."""
    rpm = radps / RADPS_PER_RPM
    if engine.idle_rpm - 0.5 <= rpm <= engine.max_rpm + 0.5:
        return
    raise Refused(
        say("engine-speed-is-beyond-vehicle", rpm=rpm, vehicle=engine.vehicle,
            idle_rpm=engine.idle_rpm, max_rpm=engine.max_rpm)
        if engine.vehicle
        else say("engine-speed-is-beyond-default", rpm=rpm,
                 idle_rpm=engine.idle_rpm, max_rpm=engine.max_rpm),
        say("choose-speed-of-engine")
        if engine.vehicle
        else say("choose-speed-of-engine-or-state-it"),
        "engine-speed",
    )  # fmt: skip


def check_force(force_n: float, rig: Rig) -> None:
    """Raises Refused when the rig may not give this force."""
    most = rig.limits.max_force_n
    if not math.isfinite(force_n) or not 0.0 <= force_n <= most:
        raise Refused(
            say("force-is-beyond-rig", force_n=force_n, most_n=most),
            say("choose-smaller-force"),
            "set-point-beyond-rig",
        )


def check_power(power_w: float, rig: Rig) -> None:
    """Raises Refused when the rig may not absorb this power."""
    most = rig.limits.max_power_w
    if not math.isfinite(power_w) or not 0.0 <= power_w <= most:
        raise Refused(
            say("power-is-beyond-rig", power_w=power_w, most_w=most),
            say("choose-less-power"),
            "set-point-beyond-rig",
        )


class Sums:
    """Running mean and standard deviation about a reference: small differences stay exact."""

    __slots__ = ("first", "n", "reference", "second", "worst")

    def __init__(self, reference: float = 0.0) -> None:
        self.reference = reference
        self.n = 0
        self.first = 0.0
        self.second = 0.0
        self.worst = 0.0

    def add(self, value: float) -> None:
        off = value - self.reference
        self.n += 1
        self.first += off
        self.second += off * off
        if off > self.worst or -off > self.worst:
            self.worst = off if off > 0.0 else -off

    @property
    def mean(self) -> float:
        return self.reference + self.first / self.n if self.n else NAN

    @property
    def std(self) -> float:
        if self.n < 2:
            return NAN
        return math.sqrt(max(0.0, (self.second - self.first * self.first / self.n) / (self.n - 1)))


def wheel_power(measured: Measured) -> float:
    """Sum over the roll sets, W; NaN when one is missing."""
    watts = 0.0
    for roll_set in measured.roll_sets:
        watts += roll_set.power.value
    return watts


def tractive(measured: Measured) -> float:
    """Sum over the roll sets, N; as old as daq says, and calm."""
    newton = 0.0
    for roll_set in measured.roll_sets:
        newton += roll_set.tractive_force.value
    return newton


def absorbed(measured: Measured) -> tuple[float, float]:
    """Force (N) and power (W) of the absorbers at the roll surface, summed."""
    newton = watts = 0.0
    for one in measured.roll_sets:
        newton += one.absorber_force.value
        watts += one.absorber_force.value * one.speed.value
    return newton, watts


class Test:
    """One running test. A kind fills in `describe`, `follow` and `step`."""

    __test__ = False  # not a pytest class
    kind: ClassVar[str] = ""
    describe: ClassVar[Description]
    goes_on: ClassVar[bool] = False  # while a fault says hold: a road does not stand still
    whole_in: ClassVar[frozenset[str]] = frozenset()  # phases that may end early and still count

    def __init__(self, run_id: str, rig: Rig, ratio_per_m: float | None = None) -> None:
        self.run_id = run_id
        self.rig = rig
        self.limits = LimitWatch()
        self.engine = engine_range(rig)
        self.plan_kind = self.kind
        self.by_engine = False
        self.set_point = NAN
        self.unit = ""
        self.demand = Demand(rate=ramp_rate(rig))
        self.phase = self.describe.phases[0][0]
        self.phase_s = 0.0
        self.elapsed_s = 0.0
        self.total_s = NAN
        self.done = False
        self.news: list[News] = []  # phases and set points, for the core to tell and record
        self.end: tuple[str, Text, Text] = (COMPLETED, COMPLETE, "")
        self.measured = NAN
        self.voids: dict[str, Text] = {}
        self.shortfall_n = 0.0
        self.short_s = 0.0
        self.short_ns = 0.0
        self.short_worst_n = 0.0
        self.found: dict[str, Identified] = {}  # by absorber; adopted when the test completes
        self.advice: Advice | None = None  # of a tune-up; told, for a person to accept
        self.hottest_k = NAN
        self.heat_left_k = math.inf  # to the limit, of the rotor nearest to it
        self._ratio = ratio_per_m
        self._fastest = top_speed(rig)
        self._low = rig.limits.low_speed_mps
        self._heat_in_s = 0.0
        self._slip_s = 0.0
        self._missed_s = 0.0
        self._held_s = 0.0
        self.derated = False
        self._sensors = [each.heat.sensor for each in rig.absorbers if each.heat.sensor]

    # ---- for the kinds -------------------------------------------------------------------------

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        """Each frame, held or not: what is measured, and the target that belongs to it."""

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        """Each frame that counts: phases, figures, done."""
        raise NotImplementedError

    def figures(self) -> Figures:
        """What this kind adds to the summary."""
        return {}

    def aims(self) -> dict[str, Value]:
        """Values for the instructions."""
        return {}

    def enter(self, phase: str, **more: float | int) -> None:
        """Go into a phase; frames after this one belong to it. `more`: what else to record."""
        self.phase = phase
        self.phase_s = 0.0
        data: Figures = {"phase": phase, "elapsed_s": self.elapsed_s, **more}
        self.news.append(("phase", say("phase-begun", phase=phase), data))

    def tell_set_point(self, quantity: str, value: float) -> None:
        """Record what is asked for from now on, in the SI unit of the quantity."""
        unit = QUANTITIES[quantity]
        told: Figures = {"quantity": quantity, "set_point": value, "unit": unit}
        self.news.append(("set-point", say("set-point", value=amount(value, unit)), told))

    def void(self, code: str, why: Text) -> None:
        """Mark the run as void; the first reason of a kind stays."""
        self.voids.setdefault(code, why)

    def finish(self, code: str = COMPLETED, why: Text = COMPLETE, remedy: Text = "") -> None:
        """End the test; anything but COMPLETED says what to do next."""
        self.done = True
        self.end = (code, why, remedy)

    def end_in_order(self, code: str, why: Text, remedy: Text) -> None:
        """End before the planned end; what was measured counts where the kind says so."""
        if self.phase not in self.whole_in:
            self.void("ended-early", say("test-ended-in-its-phase", phase=self.phase))
        self.finish(code, why, remedy)

    def engine_target(self, measured: Measured, radps: float, speed_mps: float, dt: float) -> float:
        """Roll speed that belongs to an engine speed, by the present ratio of the two, m/s."""
        engine = measured.engine_speed
        if engine.quality is Quality.GOOD and speed_mps > self._low:
            now = engine.value / speed_mps
            if self._ratio is None:
                self._ratio = now
            else:
                self._ratio += (now - self._ratio) * min(1.0, dt / RATIO_SMOOTHING_S)
        target = radps / self._ratio if self._ratio else self._fastest
        return target if target < self._fastest else self._fastest

    def watch_slip(self, measured: Measured, dt_s: float) -> None:
        """Void when the roll sets run apart or the tyres lag behind the engine for a while."""
        apart = measured.roll_difference
        slip = measured.slip
        bad = (apart.quality is Quality.GOOD and abs(apart.value) > SLIP) or (
            slip.quality is Quality.GOOD and abs(slip.value) > SLIP
        )
        self._slip_s = self._slip_s + dt_s if bad else 0.0
        if self._slip_s > SLIP_FOR_S:
            self.void("slip", say("tyres-slipped-on-rolls-or-ratio"))

    def watch_shortfall(self, output: Output, dt_s: float, why: Text) -> None:
        """Void when the absorbers miss a part of the pull for a while."""
        missed = output.shortfall_n > max(MISSED_SHARE * output.drive_n, MISSED_N)
        self._missed_s = self._missed_s + dt_s if missed else 0.0
        if self._missed_s > MISSED_FOR_S:
            self.void("shortfall", why)

    def attach(self, loads: LoadLoop) -> None:
        """Given once, before the first frame: the load loop, for tests that look into it."""

    def opened(self) -> None:
        """Called once as the test begins: its first phase is news too."""
        if not any(kind == "phase" for kind, _, _ in self.news):
            self.enter(self.phase)

    # ---- for the core ----------------------------------------------------------------------------

    def adjust(self, set_point: float, quantity: str = "") -> None:
        """A new set point in the unit of the test. Raises Refused when it cannot be."""
        raise Refused(
            say("has-no-set-point-to-adjust", kind=self.kind),
            say("ease-off-and-start-changed-plan"),
            "not-adjustable",
        )

    def update(self, measured: Measured, output: Output, dt_s: float, held: bool) -> Demand:
        """One frame. `output`: what control.load_loop.loop returned for the frame before."""
        self.follow(measured, output.speed_mps, dt_s)
        self.limits.step(measured, dt_s)
        if self.limits.ending and not self.done:
            self.end_in_order(
                "channel-limit-ended",
                say("limit-of-plan-ends-test", what=self.limits.ending),
                say("let-channel-come-back-inside-before"),
            )
        self._heat_in_s -= dt_s
        if self._heat_in_s <= 0.0:
            self._heat_in_s = HEAT_CHECK_S
            self._feel_heat(measured)
        if held:
            if not self.goes_on:
                return self.demand
            self._held_s += dt_s
            if self._held_s > HELD_FOR_S:
                self.void("held", say("fault-kept-load-from-rising-while"))
        self.phase_s += dt_s
        self.shortfall_n = output.shortfall_n
        self.step(measured, output, dt_s)
        short = self.shortfall_n
        if short > SHORT_N and self.demand.aim:
            self.short_s += dt_s
            self.short_ns += short * dt_s
            self.short_worst_n = max(self.short_worst_n, short)
        return self.demand

    def _feel_heat(self, measured: Measured) -> None:
        for name in self._sensors:
            reading = measured.slow.get(name)
            if reading is None or reading.quality not in _USABLE:
                continue
            if not reading.value <= self.hottest_k:
                self.hottest_k = reading.value

    def on_thermal_state(self, left_k: float, derated: bool) -> None:
        """From the thermal limiter: kelvin left to a rotor's limit, and whether it derates."""
        self.heat_left_k = left_k
        self.derated = derated

    def summary(self) -> Figures:
        """In-core figures; daq.results computes the reported ones from the recording."""
        told: Figures = {
            "run_id": self.run_id,
            "kind": self.kind,
            "phase": self.phase,
            "elapsed_s": self.elapsed_s,
            "valid": self.done and not self.voids,
            "void": ", ".join(self.voids),
        }
        if not self.done:
            told["void"] = ", ".join((*self.voids, "ended-early"))
        told |= self.figures()
        if self.short_s:
            told["shortfall_s"] = self.short_s
            told["shortfall_ns"] = self.short_ns
            told["worst_shortfall_n"] = self.short_worst_n
        if self.hottest_k == self.hottest_k:
            told["hottest_rotor_k"] = self.hottest_k
        return {
            name: value
            for name, value in told.items()
            if not (isinstance(value, float) and not math.isfinite(value))
        }

    def instruction(self, phase: str) -> Message:
        """What the driver should do in a phase."""
        told = dict(self.describe.phases)[phase]
        return msgspec.structs.replace(told, values=self.aims())

    def view(self, shortfall_n: float) -> TestView:
        """The test for people; built on demand."""
        names = [name for name, _ in self.describe.phases]
        later = names[names.index(self.phase) + 1 :]
        error = self.measured / self.set_point - 1.0 if self.set_point else NAN
        return TestView(
            self.run_id, self.kind, self.phase, self.instruction(self.phase), self.elapsed_s,
            self.total_s, self.set_point, self.unit, self.measured, error,
            max(shortfall_n, self.shortfall_n) if self.demand.aim else 0.0,
            next_phases=tuple(self.instruction(name) for name in later),
            void=tuple(self.voids.values()),
            shortfall_ns=self.short_ns,
            shortfall_s=self.short_s,
        )  # fmt: skip
