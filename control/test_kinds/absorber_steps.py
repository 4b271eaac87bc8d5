"""Identification of the absorbers: step their currents while the rolls run down, then fit.

Data flow: see control.test_kinds.base. One absorber of each roll set at a time, coast after coast;
what `control.load_loop.loop` was given each frame is kept as rows; in the last phase, with no
current asked, the fits of control.absorber.identification go on a little each frame. What they
found is adopted when the test ends. A truck in neutral that coasts is enough; with a gear in and a
foot on the pedal it takes longer and the rows are as good.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import msgspec
import numpy as np

from control.absorber import identification
from control.absorber.identification import (
    COIL,
    ROTOR,
    ROW_COLUMNS,
    SENT,
    SHAFT,
    START,
    TORQUE,
    Fit,
)
from control.absorber.identified import Advice, Identified, date_of
from control.load_loop.loop import Aim, LoadLoop, Output
from control.load_loop.tuning import (
    FREQUENCIES,
    Margins,
    TruckInertia,
    TuneUp,
    derive,
    margins,
    open_loop,
    tune_up_steps,
)
from control.test_kinds.base import Description, Figures, Test, check_speed, tractive
from control.test_kinds.plans import Identification
from daq.errors import Refused
from daq.measure.measured import Measured
from daq.rig.description import Rig
from daq.texts.message import Value, say

# Shares of the continuous current, step by step: large and small in turn, so that every speed of
# the coast meets several currents and the coil's lag shows both ways.
STEPS = (0.0, 0.5, 1.0, 0.25, 0.75, 0.0, 0.9, 0.4, 1.0, 0.6, 0.15, 0.8, 0.3)
LONGEST_COAST_S = 60.0
MOST_ROWS = 12_000  # per absorber; at 500 frames/s two coasts of 12 s
ABOVE_MPS = 0.5
BEHIND = 0.93  # a roll set slower than this share of the fastest waits for it
TRUCK_EVERY = 10  # frames between two that weigh the truck
IDENTIFIED_SPREAD = 0.05  # how far an identified rig may be off


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


class IdentificationTest(Test):
    kind = "identification"
    describe = Description(
        "Absorber identification",
        "Conditions of the plan; a truck strapped down, or rolls that coast on their own.",
        (
            ("drive-up", say("drive-up-then-neutral")),
            ("coast", say("leave-in-neutral")),
            ("evaluate", say("keep-away-from-pedals-figures-are")),
        ),
        "When every absorber has been stepped in each of its coasts and its map is found.",
        "Torque over current, speed and rotor temperature, residual drag, coil and field lag, dead "
        "zone; error of the map before and after.",
        (
            ("not-found", "the rows of an absorber were too few or made no sense"),
            ("ended-early", "eased off before"),
        ),
    )

    def __init__(self, run_id: str, plan: Identification, rig: Rig) -> None:
        super().__init__(run_id, rig)
        check_speed(plan.from_mps + 2.0 * ABOVE_MPS, rig)
        check_speed(plan.to_mps, rig)
        if plan.to_mps >= 0.7 * plan.from_mps:
            raise Refused(
                say("coast-is-too-short-to-tell"),
                say("make-to-mps-at-most-seven"),
                "plan-coast",
            )
        self.plan = plan
        self.unit = "m/s"
        self.set_point = plan.from_mps
        self.found: dict[str, Identified] = {}
        names = [roll_set.name for roll_set in rig.roll_sets]
        owners = [names.index(one.roll_set) for one in rig.absorbers]
        self._owners = owners
        self._groups: list[list[int]] = []
        for i, owner in enumerate(owners):
            place = owners[:i].count(owner)
            if place == len(self._groups):
                self._groups.append([])
            self._groups[place].append(i)
        self._levers = [
            one.gear_ratio / rig.roll_sets[owner].roll_radius_m
            for one, owner in zip(rig.absorbers, owners, strict=True)
        ]
        self._coasts = [group for group in self._groups for _ in range(plan.coasts)]
        self._coast = 0
        self._rows = np.zeros((len(rig.absorbers), MOST_ROWS, ROW_COLUMNS))
        self._n = [0] * len(rig.absorbers)
        self._afresh = True
        self._loads: LoadLoop | None = None
        self._work: Iterator[None] = iter(())
        self._truck = TruckInertia()
        self._every = 0
        self.margins: Margins | None = None  # of the loop as it is tuned
        self.tuning: TuneUp | None = None  # what a tune-up would choose
        self.truck: tuple[float, float] | None = None
        self._none = (0.0,) * len(rig.absorbers)
        self.demand.currents = self._none

    def attach(self, loads: LoadLoop) -> None:
        self._loads = loads

    def follow(self, measured: Measured, speed_mps: float, dt_s: float) -> None:
        self.measured = speed_mps

    def step(self, measured: Measured, output: Output, dt_s: float) -> None:
        plan, v = self.plan, output.speed_mps
        self.elapsed_s += dt_s
        if self.phase == "drive-up":
            if v > plan.from_mps + ABOVE_MPS:
                self._afresh = True
                self.demand.aim = int(Aim.CURRENT)
                self.enter("coast")
            return
        if self.phase == "coast":
            self._keep()
            self._every = (self._every + 1) % TRUCK_EVERY
            if self._every == 0:
                self._weigh(measured)
            number = int(self.phase_s / plan.step_s) + 5 * (self._coast % plan.coasts)
            share = STEPS[number % len(STEPS)]
            group = self._coasts[self._coast]
            speeds = [one.speed.value for one in measured.roll_sets]
            slow = BEHIND * max(speeds)  # rolls that nothing couples must not run apart
            self.demand.currents = tuple(
                share * one.max_current_a if i in group and speeds[owner] >= slow else 0.0
                for i, (one, owner) in enumerate(zip(self.rig.absorbers, self._owners, strict=True))
            )
            if v < plan.to_mps or self.phase_s > LONGEST_COAST_S:
                self._end_coast()
            return
        try:
            next(self._work)
        except StopIteration:
            self.finish()
        except Refused as error:
            self.void("not-found", f"{error.problem} {error.remedy}")
            self.finish("not-found", error.problem, error.remedy)

    def _keep(self) -> None:
        loads = self._loads
        if loads is None:
            return
        for i in self._coasts[self._coast]:
            n = self._n[i]
            if n >= MOST_ROWS:
                continue
            seen, row = loads.absorbers[i], self._rows[i, n]
            coil = seen["measured_a"]
            row[COIL], row[SENT], row[SHAFT] = coil, seen["sent_a"], seen["shaft_radps"]
            row[TORQUE] = seen["cell_n"] / self._levers[i]
            row[ROTOR] = loads.rotor_k(i)
            row[START] = 1.0 if self._afresh else 0.0
            if coil == coil:  # noqa: PLR0124 - a current that is not known ends the row
                self._n[i] = n + 1
        self._afresh = False

    def _weigh(self, measured: Measured) -> None:
        """The truck's part of what turns, by its answer to the steps of the absorbers."""
        sets = measured.roll_sets
        self._truck.add(
            tractive(measured),
            sum(one.speed.value for one in sets) / len(sets),
            sum(one.acceleration.value for one in sets) / len(sets),
        )

    def _end_coast(self) -> None:
        self.demand.currents = self._none
        self.demand.aim = int(Aim.NOTHING)
        self._coast += 1
        if self._coast < len(self._coasts):
            self.enter("drive-up")
            return
        self.enter("evaluate")
        self._work = self._evaluate()

    def _evaluate(self) -> Iterator[None]:
        loads = self._loads
        if loads is None:
            return
        for i, absorber in enumerate(self.rig.absorbers):
            rows = self._rows[i, : self._n[i]]
            fit = Fit(
                absorber,
                rows,
                loads.frame_s,
                self._levers[i],
                loads.cell_frames(i),
                loads.maps[i].copy(),
            )
            yield from fit.steps()
            self.found[absorber.name] = fit.result(self.run_id)
            yield
        self.truck = self._truck.result()
        numbers = loads.plant_parameters(self.truck[0] if self.truck is not None else 0.0)
        coil = max(one.coil_lag_s for one in self.found.values())
        field = max(one.field_lag_s for one in self.found.values())
        numbers = msgspec.structs.replace(numbers, coil_lag_s=coil, field_lag_s=field)
        self.margins = margins(
            open_loop(derive(numbers, loads.observer_share), numbers, numbers, 1j * FREQUENCIES)
        )
        yield
        self.tuning = yield from tune_up_steps(numbers, IDENTIFIED_SPREAD)
        self.advice = self._advise(loads, self.margins, self.tuning)

    def _advise(self, loads: LoadLoop, now: Margins, tuning: TuneUp) -> Advice:
        best, worst = tuning.margins, tuning.worst
        truck_kg, truck_sigma_kg = self.truck or (math.nan, math.nan)
        return Advice(
            self.run_id, date_of(self.run_id),
            loads.observer_share, _known(now.gain), _known(now.phase_deg), _known(now.delay_s),
            tuning.observer_share,
            _known(best.gain), _known(best.phase_deg), _known(best.delay_s),
            _known(worst.gain), _known(worst.phase_deg), tuning.spread,
            _known(truck_kg), _known(truck_sigma_kg),
        )  # fmt: skip

    def figures(self) -> Figures:
        told: Figures = {"coasts": self._coast}
        for name, one in self.found.items():
            told[f"{name}_error_percent"] = one.error_percent
            told[f"{name}_error_before_percent"] = one.error_before_percent
            told[f"{name}_coil_lag_s"] = one.coil_lag_s
            told[f"{name}_residual_nm"] = one.map.residual_torque_nm
        if self.truck is not None:
            told["truck_kg"], told["truck_sigma_kg"] = self.truck
        if self.margins is not None:
            told["gain_margin"] = self.margins.gain
            told["phase_margin_deg"] = self.margins.phase_deg
            told["delay_margin_s"] = self.margins.delay_s
        if self.tuning is not None and self._loads is not None:
            told["observer_share"] = self._loads.observer_share
            told["advised_observer_share"] = self.tuning.observer_share
        return told

    def aims(self) -> dict[str, Value]:
        above = self.plan.from_mps + 2.0 * ABOVE_MPS
        return {"above_mps": above, "stop_mps": self.plan.to_mps}


identification.warm()  # compiled while the program starts, not while the rolls turn

__all__ = ["STEPS", "IdentificationTest"]
