"""Can the rig run this, by heat? The answer before the test, and permitted minutes as a map.

Data flow: plan + expected power -> control.forecast.duty (seconds, power, speed) -> forward run of
every absorber's learned model with sharing, torque limits and the heat guard's cap -> `answer` says
whether, which absorber limits, when, and what would make it possible; `endurance_map` does it for a
grid of power and speed. Pure and quick (milliseconds per run): no simulated rig is needed.

Between roll sets power is split as told, else as in the last run, else evenly and that is said;
within one by what each absorber has left, as control.load_loop.loop does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec
import numpy as np
import numpy.typing as npt

from control.absorber import map as absorber_module
from control.absorber.map import MAP_COLUMNS, capacity, map_row
from control.forecast.duty import Work
from control.thermal import rotor as heat_module
from control.thermal.limiter import CAP_HORIZON_S, safety_margin
from control.thermal.record import RotorRecord
from control.thermal.rotor import (
    BODY_KG,
    NODES,
    PARAMETERS,
    RIM_KG,
    film,
    lost_power,
    model_of,
    specific_heat,
    step_once,
)
from control.thermal.rotor_observer import SENSOR_SIGMA_K, RotorObserver
from daq.kernel import jit, refresh_cache
from daq.rig.description import Rig

refresh_cache(__file__, heat_module.__file__, absorber_module.__file__)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHORT_SHARE = 0.01  # of the power asked for: less is not missed
SHORT_FOR_S = 5.0
STEP_S = 1.0
MAP_STEP_S = 3.0
MAP_HORIZON_S = 3600.0
LEAST_WEIGHT = 0.05
START_SIGMA_K = 30.0
UNEVEN_SHARE = 0.65  # of the power on one of two roll sets: common practice, no source
_NAN = math.nan


class RotorOutlook(msgspec.Struct, frozen=True):
    """One absorber through the plan."""

    name: str
    start_k: float
    peak_k: float
    margin_k: float  # kept below the limit because the estimate is not exact
    limit_k: float
    warm_after_s: float  # until the warning temperature; NaN: never


class Suggestion(msgspec.Struct, frozen=True):
    """Something that would make it possible."""

    kind: str  # shorter | less-power | faster-rolls | slower | split | pauses | cool-first
    text: str
    value: float  # seconds, watts, m/s, share of the first roll set or number of parts, by kind


class HeatAnswer(msgspec.Struct, frozen=True):
    """The answer before the test."""

    possible: bool
    text: str
    seconds: float  # of the plan
    limited_after_s: float  # NaN: not limited by heat
    limiting: str  # absorber that limits, "" when none
    short_of_torque_after_s: float  # NaN: the absorbers can take the power at that speed
    energy_j: float
    highest_power_w: float
    ambient_k: float
    split: str  # of the power between roll sets: told | last-run | assumed-even
    shares: tuple[float, ...]  # by roll set
    # When the split is assumed: the soonest limit with UNEVEN_SHARE on one roll set; NaN: none.
    uneven_limited_after_s: float
    rotors: tuple[RotorOutlook, ...]
    suggestions: tuple[Suggestion, ...]


class EnduranceMap(msgspec.Struct, frozen=True):
    """Permitted seconds at constant work: rows by power, columns by speed.

    0: the absorbers cannot take this power at this speed; `horizon_s`: that long or longer.
    """

    speeds_mps: tuple[float, ...]
    powers_w: tuple[float, ...]
    permitted_s: tuple[tuple[float, ...], ...]
    limiting: tuple[tuple[str, ...], ...]  # absorber that limits, "" when none
    torque_power_w: tuple[float, ...]  # most power at each speed by torque, cold
    horizon_s: float
    ambient_k: float
    start_k: tuple[float, ...]  # rim of each absorber at the start


@jit
def run(
    models: Floats,
    state: Floats,
    maps: Floats,
    owner: Ints,
    levers: Floats,
    shares: Floats,
    fans: Floats,
    ceilings: Floats,
    limits: Floats,
    warns: Floats,
    works: Floats,
    ambient: float,
    dt: float,
    peaks: Floats,
    warm_after: Floats,
    told: Floats,
) -> None:
    """Forward run of all absorbers through `works` (rows of seconds, watts, m/s), in place.

    `ceilings`: limit less margin per absorber; `shares`: of the power, per roll set. `told` gets
    [time of the first heat shortfall, place that limits, time of the first torque shortfall,
    joule], times -1 when never. Ends at a heat shortfall that lasts.
    """
    count = models.shape[0]
    sets = shares.shape[0]
    rooms = np.empty(count)
    caps = np.empty(count)
    weights = np.empty(count)
    gets = np.empty(count)
    now = 0.0
    short_s = 0.0
    told[0] = told[2] = -1.0
    told[1] = -1.0
    told[3] = 0.0
    for w in range(works.shape[0]):
        left, power, speed = works[w, 0], works[w, 1], works[w, 2]
        while left > 1e-9:
            step = min(dt, left)
            left -= step
            missing_heat = 0.0
            tightest = -1
            for i in range(count):
                shaft = speed * levers[i]
                rim, body, hub = state[i, 0], state[i, 1], state[i, 2]
                rooms[i] = capacity(maps[i], shaft, rim) * shaft
                lost = lost_power(models[i], rim, body, hub, shaft, fans[i] > 0.0, ambient)
                store = (models[i, RIM_KG] + models[i, BODY_KG]) * specific_heat(rim)
                caps[i] = max(0.0, lost + store * (ceilings[i] - rim) / CAP_HORIZON_S)
                room_k = max(ceilings[i] - rim, 0.0)
                weights[i] = max(room_k / max(limits[i] - ambient, 1.0), LEAST_WEIGHT)
                gets[i] = 0.0
            for r in range(sets):
                wanted = power * shares[r]
                torque_room = 0.0
                for i in range(count):
                    if owner[i] == r:
                        torque_room += rooms[i]
                if wanted > torque_room * (1.0 + SHORT_SHARE):
                    if told[2] < 0.0:
                        told[2] = now
                    wanted = torque_room
                rest = wanted
                for _ in range(count):
                    total = 0.0
                    for i in range(count):
                        if owner[i] == r and gets[i] < min(rooms[i], caps[i]):
                            total += weights[i] * rooms[i]
                    if total <= 0.0 or rest <= 1e-6 * power:
                        break
                    placed = 0.0
                    for i in range(count):
                        if owner[i] == r and gets[i] < min(rooms[i], caps[i]):
                            part = min(
                                rest * weights[i] * rooms[i] / total,
                                min(rooms[i], caps[i]) - gets[i],
                            )
                            gets[i] += part
                            placed += part
                    rest -= placed
                if rest > SHORT_SHARE * power:
                    missing_heat += rest
                    for i in range(count):
                        bites = owner[i] == r and caps[i] < rooms[i]
                        if bites and (tightest < 0 or caps[i] < caps[tightest]):
                            tightest = i
            for i in range(count):
                shaft = speed * levers[i]
                h = film(models[i], shaft, fans[i] > 0.0)
                a, b, c = step_once(
                    models[i], state[i, 0], state[i, 1], state[i, 2], step, gets[i], h, ambient
                )
                state[i, 0], state[i, 1], state[i, 2] = a, b, c
                told[3] += gets[i] * step
                peaks[i] = max(peaks[i], a)
                if a >= warns[i] and warm_after[i] < 0.0:
                    warm_after[i] = now + step
            if missing_heat > 0.0:
                if short_s == 0.0:
                    told[0] = now
                    told[1] = tightest
                short_s += step
                if short_s >= SHORT_FOR_S:
                    return
            else:
                short_s = 0.0
                told[0] = -1.0
                told[1] = -1.0
            now += step


class Outcome(msgspec.Struct, frozen=True):
    """What one forward run found; times NaN when never."""

    limited_after_s: float
    limiting: int  # place of the absorber, -1 when none
    short_after_s: float
    energy_j: float
    peaks_k: tuple[float, ...]
    warm_after_s: tuple[float, ...]

    @property
    def possible(self) -> bool:
        return math.isnan(self.limited_after_s) and math.isnan(self.short_after_s)


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
        self._maps = np.zeros((len(rig.absorbers), MAP_COLUMNS))
        for i, absorber in enumerate(rig.absorbers):
            gain, shape = learned.get(absorber.name, (1.0, ()))
            self._maps[i] = map_row(absorber, gain, shape)
        self._fans = np.array([1.0 if absorber.fan else 0.0 for absorber in rig.absorbers])
        self._limits = np.array([absorber.heat.limit_k for absorber in rig.absorbers])
        self._warns = np.array([absorber.heat.warn_k for absorber in rig.absorbers])
        self._models = np.zeros((len(rig.absorbers), PARAMETERS))
        for i, observer in enumerate(self.observers):
            self._models[i] = observer.vector()
        self.split = "assumed-even"
        self._shares = np.full(len(names), 1.0 / len(names))
        kept = [records[one.name].run_share for one in rig.absorbers if one.name in records]
        of_run = [share for share in kept if share is not None]
        if len(of_run) == len(rig.absorbers) and sum(of_run) > 0.0:
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

    def shared(
        self, shares: Sequence[float], works: Sequence[Work], margins: Sequence[float], dt_s: float
    ) -> Outcome:
        """As `through`, with the power shared otherwise between the roll sets."""
        before = self._shares
        self._shares = np.array(shares, dtype=np.float64)
        found = self.through(works, margins, dt_s)
        self._shares = before
        return found

    def unevenly(self, works: Sequence[Work], margins: Sequence[float]) -> float:
        """Soonest limit when one roll set takes UNEVEN_SHARE of the power; NaN: none, or known."""
        count = len(self._shares)
        if self.split != "assumed-even" or count < 2:
            return _NAN
        soonest = math.inf
        for heavy in range(count):
            shares = np.full(count, (1.0 - UNEVEN_SHARE) / (count - 1))
            shares[heavy] = UNEVEN_SHARE
            found = self.shared(shares.tolist(), works, margins, STEP_S)
            for seconds in (found.limited_after_s, found.short_after_s):
                if not math.isnan(seconds):
                    soonest = min(soonest, seconds)
        return soonest if math.isfinite(soonest) else _NAN

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

    def margins(self, works: Sequence[Work]) -> tuple[float, ...]:
        """Kelvin that the guard will keep below each limit at the end of this work."""
        found: list[float] = []
        for i, observer in enumerate(self.observers):
            limit_rise = float(self._limits[i]) - self.ambient_k
            if self.rig.absorbers[i].heat.sensor:
                sigma, rise = SENSOR_SIGMA_K, limit_rise
            else:
                sigma, rise = self._sigma_after(i, observer, works)
            found.append(safety_margin(rise, sigma, limit_rise))
        return tuple(found)

    def _sigma_after(
        self, place: int, observer: RotorObserver, works: Sequence[Work]
    ) -> tuple[float, float]:
        """Uncertainty and rise of a rotor without a sensor when it is hottest, K."""
        ahead = RotorObserver(model_of(self.rig.absorbers[place].heat), self.ambient_k)
        ahead.x[:] = observer.x
        ahead.covariance[:] = observer.covariance
        worst = (ahead.sigma_k, max(ahead.rim_k - self.ambient_k, 1.0))
        owner = int(self._owner[place])
        mates = sum(1 for each in self._owner if each == owner)
        for work in works:
            power = work.power_w * float(self._shares[owner]) / mates
            shaft = work.speed_mps * float(self._levers[place])
            steps = max(1, min(200, round(work.seconds / 5.0)))
            for _ in range(steps):
                if ahead.rim_k > float(self._limits[place]):
                    break
                ahead.predict(
                    work.seconds / steps, power, shaft, bool(self._fans[place]), self.ambient_k
                )
                if ahead.rim_k - self.ambient_k > worst[1]:
                    worst = (ahead.sigma_k, ahead.rim_k - self.ambient_k)
        return worst

    def through(
        self, works: Sequence[Work], margins: Sequence[float], dt_s: float = STEP_S
    ) -> Outcome:
        """Run the work forward from now."""
        count = len(self.observers)
        state = np.array([observer.x[:NODES] for observer in self.observers])
        peaks = state[:, 0].copy()
        warm = np.full(count, -1.0)
        told = np.zeros(4)
        rows = np.array([[work.seconds, work.power_w, work.speed_mps] for work in works])
        run(
            self._models, state, self._maps, self._owner, self._levers, self._shares, self._fans,
            self._limits - np.array(margins), self._limits, self._warns, rows.reshape(-1, 3),
            self.ambient_k, dt_s, peaks, warm, told,
        )  # fmt: skip
        return Outcome(
            _after(told[0]), int(told[1]), _after(told[2]), float(told[3]),
            tuple(peaks.tolist()), tuple(_after(each) for each in warm),
        )  # fmt: skip


def _after(value: float) -> float:
    return float(value) if value >= 0.0 else _NAN


def endurance_map(
    heat: RigHeat, speeds_mps: Sequence[float], powers_w: Sequence[float]
) -> EnduranceMap:
    """Permitted seconds over power and speed, from the rotors' present temperature."""
    rows: list[tuple[float, ...]] = []
    names: list[tuple[str, ...]] = []
    for power in powers_w:
        row: list[float] = []
        who: list[str] = []
        for speed in speeds_mps:
            work = (Work(MAP_HORIZON_S, power, speed),)
            if power > heat.torque_power(speed):
                row.append(0.0)
                who.append("")
                continue
            found = heat.through(work, heat.margins(work), MAP_STEP_S)
            never = math.isnan(found.limited_after_s)
            row.append(MAP_HORIZON_S if never else found.limited_after_s)
            who.append("" if never else heat.rig.absorbers[found.limiting].name)
        rows.append(tuple(row))
        names.append(tuple(who))
    return EnduranceMap(
        tuple(speeds_mps), tuple(powers_w), tuple(rows), tuple(names),
        tuple(heat.torque_power(speed) for speed in speeds_mps), MAP_HORIZON_S, heat.ambient_k,
        heat.start_k,
    )  # fmt: skip
