"""Steady hold and hand control: one quantity held, changed by hand within limits.

Data flow: see control.test_kinds.base. Changing the quantity in a running hold is bumpless: the
load loop starts from the force that the absorbers give at that moment.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import math
from collections.abc import Callable

from msgspec import structs

from control.load_loop.loop import Aim, Output
from control.telemetry import TestView
from control.test_kinds.base import (
    FORCE_RAMP_S,
    HEAT_MARGIN_K,
    NAN,
    QUANTITIES,
    RADPS_PER_RPM,
    SHORT_N,
    Description,
    Figures,
    Sums,
    Test,
    absorbed,
    aim,
    check_engine_speed,
    check_force,
    check_power,
    check_speed,
    ramp_rate,
    wheel_power,
)
from control.test_kinds.driver_target import DriverTarget
from control.test_kinds.plans import SteadyHold
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig
from daq.texts.message import Message, Value, say

ARRIVED_RELATIVE = 0.01  # close enough to the set point to start the clock
ARRIVED_FOR_S = 0.5
BEYOND_S = 60.0  # all the absorbers have, without a break, and the set point still not reached
NOT_REACHED = say("absorbers-gave-all-they-have-for")
OTHER_GEAR = say("hold-at-higher-roll-speed-higher")
UNITS = {name: QUANTITIES[name] for name in ("rpm", "speed", "force", "power")}
_AIMS = {"rpm": Aim.SPEED, "speed": Aim.SPEED, "force": Aim.FORCE, "power": Aim.POWER}


def set_point_of(plan: SteadyHold) -> tuple[str, float]:
    """Quantity and set point in SI (rad/s for rpm). Raises Refused unless exactly one is given."""
    given = [
        (name, value)
        for name, value in (
            ("rpm", plan.rpm * RADPS_PER_RPM if plan.rpm is not None else None),
            ("speed", plan.speed_mps),
            ("force", plan.force_n),
            ("power", plan.power_w),
        )
        if value is not None
    ]
    if len(given) != 1:
        raise Refused(
            say("steady-hold-needs-one-set-point", count=len(given)),
            say("give-exactly-one-of-rpm-speed"),
            "plan-set-point",
        )
    name, value = given[0]
    assert value is not None  # noqa: S101 - filtered above
    return name, value


class HoldTest(Test):
    kind = "steady-hold"
    whole_in = frozenset({"hold"})
    describe = Description(
        "Steady hold",
        "Conditions of the plan; an engine speed or a learned ratio when rpm is held.",
        (
            ("take-up", say("bring-truck-up-to-and-keep")),
            ("settle", say("keep-pedal-still-load-is-settling")),
            ("hold", say("keep-pedal-still")),
        ),
        "After `seconds` from arrival, or before a rotor reaches its limit if so planned.",
        "Mean and spread of what is held and of wheel power, after settling; share in tolerance.",
        (
            ("stalled", "the rolls all but stopped under load"),
            ("not-reached", "a minute of all the absorbers have did not reach the set point"),
            ("ended-early", "eased off before"),
        ),
    )

    def __init__(
        self, run_id: str, plan: SteadyHold, rig: Rig, ratio_per_m: float | None = None
    ) -> None:
        super().__init__(run_id, rig, ratio_per_m)
        self.plan = plan
        self.total_s = plan.seconds
        self.quantity = ""
        self.parts: list[Figures] = []  # of set points that were held before this one
        self.target = DriverTarget(plan)
        self.target_w = NAN  # what the driver is to give at this speed
        self._engine = False  # an engine speed is measured
        self._use(*set_point_of(plan))

    def _use(self, quantity: str, set_point: float) -> None:
        self.quantity = quantity
        self.by_engine = quantity == "rpm"
        self.unit = UNITS[quantity]
        self.set_point = set_point
        demand = self.demand
        demand.aim = int(_AIMS[quantity])
        demand.target = set_point
        limits = self.rig.limits
        demand.rate = {
            "force": limits.max_force_n / FORCE_RAMP_S,
            "power": limits.max_power_w / FORCE_RAMP_S,
        }.get(quantity, ramp_rate(self.rig))
        self._near_s = 0.0
        self._beyond_s = 0.0
        self.value = Sums(set_point)
        self.power = Sums()
        self.wanted = Sums()
        self.within = 0
        self.tell_set_point(quantity, set_point)

    def adjust(self, set_point: float, quantity: str = "") -> None:
        """A new set point, of another `quantity` (rpm, speed, force, power) if that is given.

        It is arrived at, settled and held as the first was; what was held so far is a part of its
        own. The clock of the hold stands still until it has arrived.
        """
        quantity = quantity or self.quantity
        if quantity not in UNITS:
            raise Refused(
                say("cannot-be-held", quantity=quantity),
                say("use-one-of", choices=UNITS),
                "set-point",
            )
        if not math.isfinite(set_point) or set_point <= 0.0:
            raise Refused(
                say("that-set-point-is-not-usable"), say("give-positive-number"), "set-point"
            )
        if quantity == "rpm":
            if not (self._ratio or self._engine):
                raise Refused(
                    say("there-is-no-engine-speed-to"),
                    say("connect-pickup-or-learn-ratio-first"),
                    "no-engine-speed",
                )
            check_engine_speed(set_point, self.engine)
            if self._ratio:
                check_speed(set_point / self._ratio, self.rig)
        else:
            checks: dict[str, Callable[[float, Rig], None]] = {
                "speed": check_speed, "force": check_force, "power": check_power,
            }  # fmt: skip
            checks[quantity](set_point, self.rig)
        if self.value.n:
            self.parts.append(self._part())
        self._use(quantity, set_point)
        self.enter("take-up")

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        if self.target:
            self.target_w = self.target.power_w(speed_mps)
        self._engine = measured.engine_speed.quality is Quality.GOOD
        if self.plan.until_heat_limit and (self.derated or self.heat_left_k < HEAT_MARGIN_K):
            self.end_in_order(
                "heat-limit",
                say("rotor-is-about-to-reach-its"),
                say("let-rotors-cool-with-fans-running"),
            )
        if self.by_engine:
            self.measured = measured.engine_speed.value
            self.demand.target = self.engine_target(measured, self.set_point, speed_mps, dt_s)
        elif self.quantity == "speed":
            self.measured = speed_mps
        else:
            newton, watts = absorbed(measured)
            self.measured = newton if self.quantity == "force" else watts

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        off = self.measured / self.set_point - 1.0
        if self.phase == "take-up":
            near = -ARRIVED_RELATIVE < off < ARRIVED_RELATIVE
            self._near_s = self._near_s + dt_s if near else 0.0
            if self._near_s >= ARRIVED_FOR_S:
                self.enter("settle")
            beyond = not near and output.shortfall_n > SHORT_N
            self._beyond_s = self._beyond_s + dt_s if beyond else 0.0
            if self._beyond_s >= BEYOND_S:
                self.void("not-reached", NOT_REACHED)
                self.finish("not-reached", NOT_REACHED, OTHER_GEAR)
            return
        self.elapsed_s += dt_s
        if output.speed_mps < self._low:
            self.void("stalled", say("rolls-all-but-stopped-under-load"))
        if self.phase == "settle" and self.phase_s >= self.plan.settle_s:
            self.enter("hold")
        if self.phase == "hold" and off == off:
            self.value.add(self.measured)
            watts = wheel_power(measured)
            if watts == watts:
                self.power.add(watts)
                if self.target_w == self.target_w:
                    self.wanted.add(self.target_w)
            tolerance = self.plan.tolerance.relative
            if -tolerance <= off <= tolerance:
                self.within += 1
        if self.elapsed_s >= self.plan.seconds:
            self.finish()

    def figures(self) -> Figures:
        told = self._part()
        if self.parts:
            for number, part in enumerate((*self.parts, told.copy()), start=1):
                told |= {f"part_{number}_{name}": value for name, value in part.items()}
            told["parts"] = len(self.parts) + 1
        return told

    def _part(self) -> Figures:
        """What was held at the present set point."""
        n = self.value.n
        key, per = {
            "rpm": ("rpm", 1.0 / RADPS_PER_RPM),
            "speed": ("speed_mps", 1.0),
            "force": ("force_n", 1.0),
            "power": ("absorber_power_w", 1.0),
        }[self.quantity]
        told: Figures = {"quantity": self.quantity, "samples": n}
        if n:
            told[f"set_{key}"] = self.set_point * per
            told[f"mean_{key}"] = self.value.mean * per
            told[f"std_{key}"] = self.value.std * per
            told[f"worst_{key}_error"] = self.value.worst * per
            told["in_tolerance"] = self.within / n
        if self.power.n:
            told["mean_power_w"] = self.power.mean
            told["std_power_w"] = self.power.std
            if self.wanted.n:
                told["target_power_w"] = self.wanted.mean
            if self.by_engine:
                told["mean_engine_torque_nm"] = self.power.mean / self.value.mean
        return told

    def instruction(self, phase: str) -> Message:
        if phase == "take-up" or not self.target or not math.isfinite(self.target_w):
            return super().instruction(phase)
        return say("give-at-wheels-and-keep-pedal", target_w=self.target_w)

    def view(self, shortfall_n: float) -> TestView:
        return structs.replace(super().view(shortfall_n), target_power_w=self.target_w)

    def aims(self) -> dict[str, Value]:
        return {"aim": aim(self.quantity, self.set_point)}


__all__ = ["HoldTest", "set_point_of"]
