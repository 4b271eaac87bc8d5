"""Torque of an eddy-current absorber over current, speed and rotor temperature, and its inverse.

Data flow: rig file -> MapRow (first guess) -> adapted slowly by measured torque (force_loop) ->
`torque_at` for prediction, `current_for` for feed-forward. All numbers SI, torque at the absorber
shaft; functions are compiled scalars so that the loop can afford them at every frame.

Model. Speed: the classic law T = Tmax * 2 / (x + 1/x), x = w / wc (Wouterse, IEE Proc. B 138,
1991); a hot rotor's resistivity ratio r moves the critical speed, wc -> r wc, and leaves the peak
(check value EC-06). Current: s(i) = q(i) / q(rated), q = i^2 / (1 + (i / saturation)^2): squared
when small, bending over at saturation. A learned table over current corrects the shape.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from daq.rig.description import Absorber

Floats = npt.NDArray[np.float64]

SHAPE_NODES = 9  # nodes of the learned correction, evenly from zero to the continuous current
COLD_K = 293.15

# Columns of a map row.
PEAK, CRITICAL, RATED, SATURATION, RESIDUAL, FADE, MAX_A, GAIN = range(8)
SHAPE = 8  # first of SHAPE_NODES columns
MAP_COLUMNS = SHAPE + SHAPE_NODES


def map_row(absorber: Absorber, gain: float = 1.0, shape: tuple[float, ...] = ()) -> Floats:
    """Row of `MAP_COLUMNS` numbers for one absorber: rig file plus what was learned."""
    row = np.ones(MAP_COLUMNS)
    guess = absorber.map
    row[PEAK] = guess.peak_torque_nm
    row[CRITICAL] = guess.critical_speed_radps
    row[RATED] = guess.rated_current_a
    row[SATURATION] = guess.saturation_a
    row[RESIDUAL] = guess.residual_torque_nm
    row[FADE] = guess.hot_fade_per_k
    row[MAX_A] = absorber.max_current_a
    row[GAIN] = gain
    if len(shape) == SHAPE_NODES:
        row[SHAPE:] = shape
    return row


@jit
def speed_factor(speed_radps: float, critical_radps: float) -> float:
    """T / Tmax over speed: 2 / (x + 1/x). Zero at standstill; symmetric in x and 1/x."""
    if speed_radps <= 0.0:
        return 0.0
    x = speed_radps / critical_radps
    return 2.0 * x / (x * x + 1.0)


@jit
def excitation(current_a: float, rated_a: float, saturation_a: float) -> float:
    """s(i): 1 at the rated current, squared well below saturation."""
    if current_a <= 0.0:
        return 0.0
    x = current_a / saturation_a
    r = rated_a / saturation_a
    return (x * x / (1.0 + x * x)) * ((1.0 + r * r) / (r * r))


@jit
def excitation_inverse(s: float, rated_a: float, saturation_a: float) -> float:
    """Current for s; infinite when no current gives it."""
    if s <= 0.0:
        return 0.0
    r = rated_a / saturation_a
    y = s * (r * r) / (1.0 + r * r)  # x^2 / (1 + x^2)
    if y >= 1.0:
        return np.inf
    return saturation_a * float(np.sqrt(y / (1.0 - y)))


@jit
def _shape(row: Floats, current_a: float) -> float:
    position = current_a / row[MAX_A] * (SHAPE_NODES - 1)
    if position <= 0.0:
        return float(row[SHAPE])
    if position >= SHAPE_NODES - 1:
        return float(row[SHAPE + SHAPE_NODES - 1])
    low = int(position)
    part = position - low
    return float(row[SHAPE + low] * (1.0 - part) + row[SHAPE + low + 1] * part)


@jit
def learn_shape(row: Floats, current_a: float, ratio: float, step: float) -> None:
    """Move the correction near `current_a` by `step` (0..1) towards measured / mapped torque."""
    position = min(max(current_a / row[MAX_A] * (SHAPE_NODES - 1), 0.0), SHAPE_NODES - 1.0)
    low = min(int(position), SHAPE_NODES - 2)
    part = position - low
    change = step * (ratio - 1.0)
    for node, weight in ((low, 1.0 - part), (low + 1, part)):
        value = row[SHAPE + node] * (1.0 + change * weight)
        row[SHAPE + node] = min(max(value, 0.4), 2.5)


@jit
def capacity(row: Floats, speed_radps: float, rotor_k: float) -> float:
    """Torque at the continuous current, N.m."""
    hot = 1.0 + row[FADE] * (rotor_k - COLD_K)
    s = excitation(row[MAX_A], row[RATED], row[SATURATION]) * _shape(row, row[MAX_A])
    return float(
        row[PEAK] * row[GAIN] * s * speed_factor(speed_radps, row[CRITICAL] * hot) + row[RESIDUAL]
    )


@jit
def torque_at(row: Floats, current_a: float, speed_radps: float, rotor_k: float) -> float:
    """Braking torque at the absorber shaft, N.m, residual drag included."""
    if speed_radps <= 0.0:
        return 0.0
    hot = 1.0 + row[FADE] * (rotor_k - COLD_K)
    s = excitation(current_a, row[RATED], row[SATURATION]) * _shape(row, current_a)
    return float(
        row[PEAK] * row[GAIN] * s * speed_factor(speed_radps, row[CRITICAL] * hot) + row[RESIDUAL]
    )


@jit
def current_for(row: Floats, torque_nm: float, speed_radps: float, rotor_k: float) -> float:
    """Coil current that gives `torque_nm`, from zero to the continuous current, A.

    Asked for less than the residual drag it is zero, for more than there is it is the continuous
    current: the caller compares with `capacity` to see the shortfall.
    """
    need = torque_nm - row[RESIDUAL]
    if not need > 0.0:
        return 0.0
    hot = 1.0 + row[FADE] * (rotor_k - COLD_K)
    per_s = row[PEAK] * row[GAIN] * speed_factor(speed_radps, row[CRITICAL] * hot)
    if per_s <= 0.0:
        return float(row[MAX_A])
    current = min(excitation_inverse(need / per_s, row[RATED], row[SATURATION]), float(row[MAX_A]))
    for _ in range(3):  # the correction depends on the current: a short fixed-point walk
        s = need / (per_s * _shape(row, current))
        current = min(excitation_inverse(s, row[RATED], row[SATURATION]), float(row[MAX_A]))
    return current
