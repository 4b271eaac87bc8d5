"""From the readings of a frame to the plain numbers that control uses; NaN where it may not.

Data flow: Measured (or the flat row the chain hands over beside it) -> Readout ->
control.core.core. The flat row holds the same numbers and quality codes as the readings; taking
them by place costs a fraction of asking four hundred attributes. A chain without one (a test stand)
is read field by field.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

from collections.abc import Sequence
from operator import itemgetter

from daq.measure import balance as b
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Rig

_NAN = float("nan")
_GOOD = Quality.GOOD
_USABLE = frozenset((Quality.GOOD, Quality.AGING))
_AGE_SHARE = 0.01  # of each new age in the average of the newest edges' ages


class ControllerInputs:
    """The numbers of one frame; `read` overwrites them."""

    def __init__(self, rig: Rig) -> None:
        sets, count = len(rig.roll_sets), len(rig.absorbers)
        first = sets * b.SET_OUTPUTS
        per_set = [r * b.SET_OUTPUTS for r in range(sets)]
        per_absorber = [first + i * b.ABSORBER_OUTPUTS for i in range(count)]
        coils = first + count * b.ABSORBER_OUTPUTS
        self._places = (
            *[at + b.SPEED for at in per_set],
            *[at + b.ABSORBER for at in per_set],
            *[at + b.FORCE for at in per_absorber],
            *[at + b.SHAFT_SPEED for at in per_absorber],
            *range(coils, coils + count),
        )
        self._take = itemgetter(*self._places)
        self._codes = itemgetter(
            *[at + b.SPEED_QUALITY for at in per_set],
            *[at + b.CELL_QUALITY for at in per_absorber],
        )
        self._all_good = (float(b.GOOD),) * (sets + count)
        self._sets, self._count = sets, count
        self._no_travel = [_NAN] * sets
        self.speeds: list[float] = [0.0] * sets
        self.coils: list[float] = [0.0] * count
        self.cells: list[float] = [0.0] * count
        self.shafts: list[float] = [0.0] * count
        self.travels: Sequence[float] = self._no_travel
        self.ages: Sequence[float] = self._no_travel
        self.doubtful = False
        self.force_n = 0.0  # absorbers of the whole rig, at the roll surface
        self.power_w = 0.0
        self.age_s = 0.005  # of the newest tooth edges, averaged

    def read(self, measured: Measured) -> None:
        """Take the numbers of one frame."""
        forces = self._flat(measured) if measured.flat else self._fields(measured)
        force_n = power_w = 0.0
        for newton, speed in zip(forces, self.speeds, strict=True):
            if newton == newton:  # a lost cell is a fault of its own; the others still count
                force_n += newton
                power_w += newton * speed
        self.force_n, self.power_w = force_n, power_w
        if self.doubtful:
            self._drop_doubtful(measured)
        fresh = measured.fresh_travel
        if not fresh:  # a chain without edges: the reported speed has to do
            self.travels = self.ages = self._no_travel
            return
        self.travels = [one[0] for one in fresh]
        self.ages = ages = [one[1] for one in fresh]
        age_s = self.age_s
        for age in ages:
            if age > 0.0:
                age_s += (age - age_s) * _AGE_SHARE
        self.age_s = age_s

    def _flat(self, measured: Measured) -> Sequence[float]:
        flat = measured.flat
        numbers: tuple[float, ...] = self._take(flat)
        sets, count = self._sets, self._count
        self.speeds = list(numbers[:sets])
        at = 2 * sets
        self.cells = list(numbers[at : at + count])
        at += count
        self.shafts = list(numbers[at : at + count])
        self.coils = list(numbers[at + count :])
        self.doubtful = self._codes(flat) != self._all_good
        return numbers[sets : 2 * sets]

    def _fields(self, measured: Measured) -> Sequence[float]:
        sets, absorbers = measured.roll_sets, measured.absorbers
        self.speeds = [one.speed.value for one in sets]
        self.coils = [one.current.value for one in absorbers]
        self.cells = [one.force.value for one in absorbers]
        self.shafts = [one.speed_radps for one in absorbers]
        doubtful = any(one.speed.quality is not _GOOD for one in sets)
        for each in absorbers:
            if each.force.quality is not _GOOD or each.current.quality is not _GOOD:
                doubtful = True
        self.doubtful = doubtful
        return [one.absorber_force.value for one in sets]

    def _drop_doubtful(self, measured: Measured) -> None:
        """Control may not use what is suspect or missing: NaN."""
        for r, roll_set in enumerate(measured.roll_sets):
            if roll_set.speed.quality not in _USABLE:
                self.speeds[r] = _NAN
        for i, absorber in enumerate(measured.absorbers):
            if absorber.current.quality not in _USABLE:
                self.coils[i] = _NAN
            if absorber.force.quality not in _USABLE:
                self.cells[i] = _NAN
