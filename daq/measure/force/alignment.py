"""Delay between force and speed, measured with steps of load on free rolls.

Data flow: edges of a roll set (daq.measure.speed.smoother) and its absorber force as the chain
states it, both in device time -> one least-squares fit -> delay that is left, with its uncertainty,
and the inertia that answered. What is found belongs into `cell.filter_delay_s`.

The rolls must be free, the vehicle lifted off: tyres that lag behind the rolls hold on to them and
look like several milliseconds of delay. While nothing drives the rolls, dv/dt = -(F + loss)/M. With
the force stated `delay` too late, v(t) = c0 + c1 t + c2 t2 - (I(t) + delay F(t))/M, I the integral
of the stated force: linear in 1/M and delay/M. The quadratic takes what losses and residual drag do
over a short test.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np
import numpy.typing as npt

from daq.errors import Refused
from daq.measure.speed.smoother import EdgeTrack, smooth
from daq.texts.message import say

FloatArray = npt.NDArray[np.float64]

MIN_STEP_N = 200.0  # standard deviation of the force; without steps there is nothing to see
SPACING_S = 0.004


class Alignment(msgspec.Struct, frozen=True):
    """`delay_s` is positive when the force is stated later than it acts."""

    delay_s: float
    sigma_s: float
    inertia_kg: float
    residual_mps: float


def measure_alignment(track: EdgeTrack, time_s: FloatArray, force_n: FloatArray) -> Alignment:
    """Delay of a force series (device seconds, N at the surface, rising times) against the edges.

    Raises Refused (code "alignment") when the force hardly changed or the rolls hardly turned.
    """
    if len(time_s) < 100 or len(track.time_s) < 100:
        raise Refused(
            say("there-is-too-little-to-compare"),
            say("record-at-least-two-seconds-of"),
            "alignment",
        )
    if float(np.std(force_n)) < MIN_STEP_N:
        raise Refused(
            say("absorber-force-hardly-changed"),
            say("step-current-up-and-down-few"),
            "alignment",
        )
    start = max(float(time_s[0]), float(track.time_s[0])) + 0.2
    end = min(float(time_s[-1]), float(track.time_s[-1])) - 0.2
    query = np.arange(start, end, SPACING_S)
    speed = smooth(track, query).speed
    finite = np.isfinite(speed)
    query, speed = query[finite], speed[finite]
    if len(query) < 100:
        raise Refused(
            say("rolls-turned-for-too-short-time"),
            say("coast-from-higher-speed-with-steps"),
            "alignment",
        )
    steps = np.diff(time_s, prepend=time_s[0])
    middles = 0.5 * (force_n + np.concatenate([force_n[:1], force_n[:-1]]))
    integral = np.interp(query, time_s, np.cumsum(steps * middles))
    force = np.interp(query, time_s, force_n)
    t = (query - query.mean()) / (query[-1] - query[0])
    design = np.stack([np.ones_like(t), t, t * t, integral, force], axis=1)
    scale = np.abs(design).max(axis=0)
    found, *_ = np.linalg.lstsq(design / scale, speed, rcond=None)
    left = speed - design / scale @ found
    # neighbouring speeds of a smoother are not independent: count one per tenth of a second
    freedom = max(len(t) * SPACING_S / 0.1 - 5.0, 1.0)
    variance = float(left @ left) / len(t)
    covariance = np.linalg.inv((design / scale).T @ (design / scale) / len(t)) * variance / freedom
    per_kg = -found[3] / scale[3]
    delay = float(-found[4] / scale[4] / per_kg)
    return Alignment(
        delay,
        float(math.sqrt(covariance[4, 4]) / scale[4] / abs(per_kg)),
        float(1.0 / per_kg),
        math.sqrt(variance),
    )
