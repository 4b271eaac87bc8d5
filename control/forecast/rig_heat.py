"""The rig's rotors as they are now, and what becomes of them through some work.

Data flow: rig file, learned records, ambient -> `RigHeat` -> control.forecast.forward. Between roll
sets power is split as told, else as in the last run, else evenly and that is said; within one by
what each absorber has left, as control.load_loop.loop does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from control.absorber.map import MAP_COLUMNS, capacity, map_row
from control.forecast.duty import DutySegment
from control.forecast.forward import Floats, Ints, Outcome, run
from control.thermal.record import RotorRecord
from control.thermal.rotor import NODES, PARAMETERS, model_of
from control.thermal.rotor_observer import SENSOR_SIGMA_K, SIZE, RotorObserver
from daq.rig.description import Rig

STEP_S = 1.0
START_SIGMA_K = 30.0
UNEVEN_SHARE = 0.65  # of the power on one of two roll sets: common practice, no source
_NAN = math.nan


class RigHeat:
    """The rig's rotors as they are now: learned models, temperatures, their uncertainty."""

    def __init__(
        self,
        rig: Rig,
        records: dict[str, RotorRecord],
        ambient_k: float,
        off_s: float = 0.0,
        gains: dict[str, tuple[float, tuple[float, ...]]] | None = None,
        cold: bool = False,
    ) -> None:
        """`records` from the memory, `off_s` seconds old; `cold`: as if all were at ambient."""
        self.rig = rig
        self.ambient_k = ambient_k
        self.observers: list[RotorObserver] = []
        for absorber in rig.absorbers:
            record = records.get(absorber.name)
            observer = RotorObserver(
                model_of(absorber.heat), ambient_k, record.rotor if record else None,
                absorber.heat.sensor_share, START_SIGMA_K, absorber.heat.mass_relative_sigma,
            )  # fmt: skip
            if record is not None:
                observer.was_off(off_s, ambient_k)
            if cold:
                observer.x[:NODES] = ambient_k
            self.observers.append(observer)
        names = [roll_set.name for roll_set in rig.roll_sets]
        self._owner: Ints = np.array(
            [names.index(absorber.roll_set) for absorber in rig.absorbers], dtype=np.int64
        )
        self._levers = np.array(
            [
                absorber.gear_ratio / rig.roll_sets[int(owner)].roll_radius_m
                for absorber, owner in zip(rig.absorbers, self._owner, strict=True)
            ]
        )
        learned = gains or {}
        count = len(rig.absorbers)
        self._maps = np.zeros((count, MAP_COLUMNS))
        self._models = np.zeros((count, PARAMETERS))
        self._described = np.zeros((count, PARAMETERS))
        self._per_absorber = np.zeros((count, 5))
        for i, (absorber, observer) in enumerate(zip(rig.absorbers, self.observers, strict=True)):
            gain, shape = learned.get(absorber.name, (1.0, ()))
            self._maps[i] = map_row(absorber, gain, shape)
            self._models[i] = observer.vector()
            self._described[i] = observer.described
            self._per_absorber[i] = (
                self._levers[i], 1.0 if absorber.fan else 0.0, absorber.heat.limit_k,
                absorber.heat.warn_k, SENSOR_SIGMA_K if absorber.heat.sensor else 0.0,
            )  # fmt: skip
        self.split = "assumed-even"
        self._shares = np.full(len(names), 1.0 / len(names))
        kept = [records[one.name].run_share for one in rig.absorbers if one.name in records]
        of_run = [share for share in kept if share is not None]
        if len(of_run) == count and sum(of_run) > 0.0:
            found = np.zeros(len(names))
            np.add.at(found, self._owner, np.array(of_run))
            self._shares = found / found.sum()
            self.split = "last-run"

    def share(self, shares: Sequence[float]) -> None:
        """Split between the roll sets, in rig order; scaled to one."""
        self._shares = np.array(shares, dtype=np.float64) / sum(shares)
        self.split = "told"

    @property
    def shares(self) -> tuple[float, ...]:
        return tuple(self._shares.tolist())

    @property
    def start_k(self) -> tuple[float, ...]:
        return tuple(observer.rim_k for observer in self.observers)

    def torque_power(self, speed_mps: float) -> float:
        """Most power at a speed by torque, rotors cold, split as it is, W."""
        per_set = np.zeros(len(self._shares))
        for i, owner in enumerate(self._owner):
            shaft = speed_mps * self._levers[i]
            per_set[owner] += float(capacity(self._maps[i], shaft, self.ambient_k)) * shaft
        return float(np.min(per_set / np.maximum(self._shares, 1e-9)))

    def through(
        self,
        works: Sequence[DutySegment],
        shares: Sequence[float] | None = None,
        dt_s: float = STEP_S,
    ) -> Outcome:
        """Run the work forward from now; `shares` in place of the split that is known."""
        count = len(self.observers)
        x = np.array([observer.x for observer in self.observers]).reshape(count, SIZE)
        covariance = np.array([observer.covariance for observer in self.observers])
        peaks, margins, warm = x[:, 0].copy(), np.zeros(count), np.full(count, -1.0)
        told = np.zeros(4)
        rows = np.array([[work.seconds, work.power_w, work.speed_mps] for work in works])
        split: Floats = self._shares if shares is None else np.array(shares, dtype=np.float64)
        run(
            self._models, self._described, x, covariance, self._maps, self._owner,
            self._per_absorber, split, rows.reshape(-1, 3), self.ambient_k, dt_s, peaks, margins,
            warm, told,
        )  # fmt: skip
        return Outcome(
            _after(told[0]), int(told[1]), _after(told[2]), float(told[3]),
            tuple(peaks.tolist()), tuple(margins.tolist()), tuple(_after(each) for each in warm),
        )  # fmt: skip

    def unevenly(self, works: Sequence[DutySegment]) -> tuple[float, float]:
        """Soonest limit by heat and by torque, s, when a roll set takes UNEVEN_SHARE of the power.

        The later of the two, and what never comes, is NaN; both are where the split is known.
        """
        count = len(self._shares)
        if self.split != "assumed-even" or count < 2:
            return _NAN, _NAN
        found = []
        for heavy in range(count):
            shares = [(1.0 - UNEVEN_SHARE) / (count - 1)] * count
            shares[heavy] = UNEVEN_SHARE
            found.append(self.through(works, shares))
        stopped = [one for one in found if not math.isnan(one.stops_after_s)]
        if not stopped:
            return _NAN, _NAN
        first = min(stopped, key=lambda one: one.stops_after_s)
        if first.short_after_s == first.stops_after_s:
            return _NAN, first.short_after_s
        return first.limited_after_s, _NAN


def _after(value: float) -> float:
    return float(value) if value >= 0.0 else _NAN
