"""All test kinds: plan in, aim and target out, frame by frame.

Data flow: accepted plan -> `make_test` -> Test (phases, clock, summary) -> Demand for
control.load_loop.loop. `check_plan` says what this rig cannot do, before anything changes.
"""

from __future__ import annotations

import math

import msgspec

from control.test_kinds.absorber_steps import IdentificationTest
from control.test_kinds.base import (
    Test,
    check_engine_speed,
    check_force,
    check_power,
    check_speed,
)
from control.test_kinds.channel_limits import LimitWatch, check_limits
from control.test_kinds.climb import ClimbTest
from control.test_kinds.coast import CoastTest
from control.test_kinds.plans import (
    Coastdown,
    GradeClimb,
    Identification,
    Plan,
    PowerSweep,
    SnapSmoke,
    SpeedTrace,
    SpoolUp,
    SteadyHold,
    SteppedMap,
)
from control.test_kinds.snap import SnapTest
from control.test_kinds.spoolup import SpoolUpTest, speed_of
from control.test_kinds.steady_hold import HoldTest, set_point_of
from control.test_kinds.stepped import SteppedTest, points_of
from control.test_kinds.sweep import SweepTest, sweep_of
from control.test_kinds.trace import TraceTest
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.rig.engine_range import EngineRange, engine_range
from daq.texts.message import say

KINDS: dict[str, type[Test]] = {
    one.kind: one
    for one in (
        HoldTest, SteppedTest, SweepTest, SpoolUpTest, ClimbTest, TraceTest, CoastTest, SnapTest,
        IdentificationTest,
    )
}  # fmt: skip
_USABLE = frozenset((Quality.GOOD, Quality.AGING))


def make_test(
    run_id: str,
    plan: Plan,
    rig: Rig,
    ratio_per_m: float | None = None,
    engine: EngineRange | None = None,
) -> Test:
    """The test of a plan. Raises Refused when the plan cannot be run on this rig."""
    test = _of_kind(run_id, plan, rig, ratio_per_m)
    test.limits = LimitWatch(plan.limits, rig)
    if engine is not None:
        test.engine = engine
    return test


def _of_kind(run_id: str, plan: Plan, rig: Rig, ratio_per_m: float | None) -> Test:
    match plan:
        case SteadyHold():
            return HoldTest(run_id, plan, rig, ratio_per_m)
        case SteppedMap():
            return SteppedTest(run_id, plan, rig, ratio_per_m)
        case PowerSweep():
            return SweepTest(run_id, plan, rig, ratio_per_m)
        case SpoolUp():
            return SpoolUpTest(run_id, plan, rig, ratio_per_m)
        case GradeClimb():
            return ClimbTest(run_id, plan, rig)
        case SpeedTrace():
            return TraceTest(run_id, plan, rig)
        case Coastdown():
            return CoastTest(run_id, plan, rig)
        case SnapSmoke():
            return SnapTest(run_id, plan, rig, ratio_per_m)
        case Identification():
            return IdentificationTest(run_id, plan, rig)


def _finite(value: object) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, msgspec.Struct):
        return all(_finite(getattr(value, name)) for name in value.__struct_fields__)
    if isinstance(value, tuple):
        return all(_finite(each) for each in value)
    return True


def _speeds(plan: Plan) -> tuple[bool, tuple[float, ...]]:
    """(by the engine, speeds that a plan holds in one gear): rad/s of the engine, or roll m/s."""
    if isinstance(plan, SteadyHold):
        name, value = set_point_of(plan)
        return name == "rpm", (value,) if name in ("rpm", "speed") else ()
    if isinstance(plan, SteppedMap):
        return points_of(plan)
    if isinstance(plan, PowerSweep):
        by_engine, start, stop, _ = sweep_of(plan)
        return by_engine, (start, stop)
    if isinstance(plan, SpoolUp):
        by_engine, speed = speed_of(plan)
        return by_engine, (speed,)
    return False, ()


def check_plan(
    plan: Plan,
    rig: Rig,
    ratio_per_m: float | None,
    engine_speed: bool,
    engine: EngineRange | None = None,
) -> None:
    """Raises Refused when this rig, or the vehicle's engine, cannot do the plan.

    `ratio_per_m`: engine rad/s per roll m/s if known; `engine_speed`: one is measured now;
    `engine`: what the vehicle's engine can, by default that of the rig file.
    """
    if not _finite(plan):
        raise Refused(
            say("number-of-plan-is-not-usable"), say("use-finite-numbers-only"), "plan-number"
        )
    if isinstance(plan, SteadyHold):
        quantity, value = set_point_of(plan)
        if plan.settle_s >= plan.seconds:
            raise Refused(
                say("settling-takes-whole-hold"),
                say("make-seconds-longer-than-settle-s"),
                "plan-settle",
            )
        _check_quantity(quantity, value, rig)
    by_engine, speeds = _speeds(plan)
    engine = engine or engine_range(rig)
    if by_engine or isinstance(plan, SnapSmoke):
        if isinstance(plan, SnapSmoke) and not engine_speed:
            raise Refused(
                say("no-engine-speed-is-measured-and"),
                say("connect-pickup"),
                "no-engine-speed",
            )
        if ratio_per_m is None and not engine_speed:
            raise Refused(
                say("there-is-no-engine-speed-to"),
                say("connect-pickup-or-drive-in-gear"),
                "no-engine-speed",
            )
        for radps in speeds:
            check_engine_speed(radps, engine)
            if ratio_per_m is not None:
                check_speed(radps / ratio_per_m, rig)
    elif ratio_per_m is not None:
        for mps in speeds:
            check_speed(mps, rig)
            check_engine_speed(mps * ratio_per_m, engine)
    make_test("check", plan, rig, ratio_per_m)  # each kind checks the rest


def _check_quantity(quantity: str, value: float, rig: Rig) -> None:
    if quantity == "speed":
        check_speed(value, rig)
    elif quantity == "force":
        check_force(value, rig)
    elif quantity == "power":
        check_power(value, rig)


def check_begin(plan: Plan, measured: Measured, rig: Rig) -> None:
    """Raises Refused while a condition to begin is not met, or not measured."""
    begin = plan.begin
    check_limits(plan.limits, measured, rig)
    if isinstance(plan, SnapSmoke) and any(
        one.speed.value > rig.limits.low_speed_mps for one in measured.roll_sets
    ):
        raise Refused(
            say("rolls-turn-snaps-are-done-in"),
            say("bring-rolls-to-stop-put-truck"),
            "rolls-turning",
        )
    rotors = [absorber.heat.sensor for absorber in rig.absorbers if absorber.heat.sensor]
    by_meaning = {channel.meaning: channel.name for channel in rig.slow}
    oil = [by_meaning["oil-temperature"]] if "oil-temperature" in by_meaning else []
    intake = next(
        ([by_meaning[m]] for m in ("intake-temperature", "ambient-temperature") if m in by_meaning),
        [],
    )
    for limit, names, above, what in (
        (begin.rotor_below_k, rotors, False, "hottest rotor"),
        (begin.oil_above_k, oil, True, "oil"),
        (begin.oil_below_k, oil, False, "oil"),
        (begin.intake_below_k, intake, False, "intake air"),
    ):
        if limit is None:
            continue
        readings = [measured.slow[name] for name in names if name in measured.slow]
        values = [one.value for one in readings if one.quality in _USABLE]
        if not values:
            raise Refused(
                say("plan-asks-for-temperature", what=what),
                say("connect-sensor-or-leave-condition-out"),
                "condition-unknown",
            )
        value = max(values)
        if (value <= limit) if above else (value >= limit):
            raise Refused(
                say(
                    "plan-begins-otherwise",
                    what=what,
                    now_k=value,
                    side="above" if above else "below",
                    limit_k=limit,
                ),
                say("warm-up-first") if above else say("let-it-cool-first"),
                "condition-not-met",
            )
