"""All rotors run forward through work, each held to its limit less the margin of that moment.

Data flow: rows of work + every rotor's learned model and what is unsure about it -> `run` steps
temperatures and their uncertainty together, shares the power as control.load_loop.loop does, and
caps it as control.thermal.limiter does at that time: the guard keeps far from the limit what is
badly known, and it comes to know nothing better by the work that a plan has yet to do.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from control.absorber import map as absorber_module
from control.absorber.map import capacity
from control.thermal import limiter as limiter_module
from control.thermal import rotor as rotor_module
from control.thermal import rotor_observer as observer_module
from control.thermal.limiter import CAP_HORIZON_S, safety_margin
from control.thermal.rotor import (
    BODY_KG,
    NODES,
    RIM_KG,
    film,
    lost_power,
    specific_heat,
    step_once,
)
from control.thermal.rotor_observer import predict_step
from daq.kernel import jit, refresh_cache

refresh_cache(
    __file__, rotor_module.__file__, observer_module.__file__, limiter_module.__file__,
    absorber_module.__file__,
)  # fmt: skip

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHORT_SHARE = 0.01  # of the power asked for: less is not missed
SHORT_FOR_S = 5.0
LEAST_WEIGHT = 0.05
# How often the uncertainty is carried on: often at first, then more seldom in long even work.
DOUBT_EVERY_S, DOUBT_SELDOM_S, SETTLED_S = 5.0, 20.0, 300.0
# Columns of `per_absorber`.
LEVER, FAN, LIMIT, WARN, SENSED_SIGMA = range(5)


class Outcome(msgspec.Struct, frozen=True):
    """What one forward run found; times NaN when never."""

    limited_after_s: float
    limiting: int  # place of the absorber, -1 when none
    short_after_s: float
    energy_j: float
    peaks_k: tuple[float, ...]
    margins_k: tuple[float, ...]  # kept below the limit when it was hottest
    warm_after_s: tuple[float, ...]

    @property
    def possible(self) -> bool:
        return math.isnan(self.limited_after_s) and math.isnan(self.short_after_s)

    @property
    def stops_after_s(self) -> float:
        """The first of heat and torque that falls short; NaN: neither."""
        times = (self.limited_after_s, self.short_after_s)
        return min((each for each in times if not math.isnan(each)), default=math.nan)


@jit
def run(
    models: Floats,
    described: Floats,
    x: Floats,
    covariance: Floats,
    maps: Floats,
    owner: Ints,
    per_absorber: Floats,
    shares: Floats,
    works: Floats,
    ambient: float,
    dt: float,
    peaks: Floats,
    margins: Floats,
    warm_after: Floats,
    told: Floats,
) -> None:
    """Forward run of all absorbers through `works` (rows of seconds, watts, m/s), in place.

    `x` and `covariance`: state of each rotor's observer, moved on. `per_absorber`: LEVER (rad per
    m), FAN (1 or 0), LIMIT and WARN (K), SENSED_SIGMA (K; 0 without a sensor). `shares`: of the
    power, per roll set. `margins`: kept at each peak. `told` gets [time of the first heat
    shortfall, place that limits, time of the first torque shortfall, joule], times -1 when never.
    Ends at a heat shortfall that lasts.
    """
    count = models.shape[0]
    sets = shares.shape[0]
    rooms = np.empty(count)
    caps = np.empty(count)
    weights = np.empty(count)
    gets = np.empty(count)
    sigmas = np.empty(count)
    begun = np.empty((count, NODES))  # temperatures when the uncertainty was carried on last
    joule = np.zeros(count)
    radian = np.zeros(count)
    since = 0.0
    for i in range(count):
        sigmas[i] = math.sqrt(max(covariance[i, 0, 0], 0.0))
        begun[i] = x[i, :NODES]
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
                shaft = speed * per_absorber[i, LEVER]
                rim, body, hub = x[i, 0], x[i, 1], x[i, 2]
                limit = per_absorber[i, LIMIT]
                sigma = per_absorber[i, SENSED_SIGMA]
                if sigma == 0.0:
                    sigma = sigmas[i]
                margin = safety_margin(rim - ambient, sigma, limit - ambient)
                if rim >= peaks[i]:
                    peaks[i] = rim
                    margins[i] = margin
                rooms[i] = capacity(maps[i], shaft, rim) * shaft
                lost = lost_power(
                    models[i], rim, body, hub, shaft, per_absorber[i, FAN] > 0.0, ambient
                )
                store = (models[i, RIM_KG] + models[i, BODY_KG]) * specific_heat(rim)
                room_k = limit - margin - rim
                caps[i] = max(0.0, lost + store * room_k / CAP_HORIZON_S)
                weights[i] = max(max(room_k, 0.0) / max(limit - ambient, 1.0), LEAST_WEIGHT)
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
                shaft = speed * per_absorber[i, LEVER]
                h = film(models[i], shaft, per_absorber[i, FAN] > 0.0)
                a, b, c = step_once(models[i], x[i, 0], x[i, 1], x[i, 2], step, gets[i], h, ambient)
                x[i, 0], x[i, 1], x[i, 2] = a, b, c
                joule[i] += gets[i] * step
                radian[i] += shaft * step
                told[3] += gets[i] * step
                if a >= per_absorber[i, WARN] and warm_after[i] < 0.0:
                    warm_after[i] = now + step
            since += step
            even = works[w, 0] - left > SETTLED_S
            if since >= (DOUBT_SELDOM_S if even else DOUBT_EVERY_S):
                for i in range(count):
                    if per_absorber[i, SENSED_SIGMA] == 0.0:
                        reached = x[i, :NODES].copy()
                        x[i, :NODES] = begun[i]
                        predict_step(
                            described[i], x[i], covariance[i], since, joule[i] / since,
                            radian[i] / since, per_absorber[i, FAN] > 0.0, ambient, DOUBT_EVERY_S,
                        )  # fmt: skip
                        x[i, :NODES] = reached
                        begun[i] = reached
                        sigmas[i] = math.sqrt(max(covariance[i, 0, 0], 0.0))
                    joule[i] = 0.0
                    radian[i] = 0.0
                since = 0.0
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
    for i in range(count):
        peaks[i] = max(peaks[i], x[i, 0])
