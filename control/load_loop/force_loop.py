"""One absorber made to give a force: feed-forward through the inverse map, coil lag anticipated,
slow truth from the load cell.

Data flow per frame: measured coil current and cell force, roll-surface force asked a little ahead
of time -> current asked of the supply. Row-based and compiled; `control.load_loop.loop` owns the
rows.

- The coil current is known at the frame's tick; what was sent since is known too. Advancing the
  coil model over those frames gives the current *now*, so the transport delay costs no phase.
- The supply is asked for i + (tau / T) (i_wanted - i): more than needed while rising, less while
  falling, so that the current follows with T instead of the coil's tau. The gate keeps it inside
  the supply's limits.
- The cell is late (converter filter, declared) and rings with its arm, so it does not steer fast:
  the difference between cell and mapped force *of the same moment* is averaged over some multiples
  of that delay and added to the map. No integrator of an unmeetable error: nothing winds up.
- Slower still, the same difference adapts the map's gain and shape.
"""

# ruff: noqa: PLR0124 - x == x tells a number from NaN cheaply

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from control.absorber import map as absorber_module
from control.absorber.map import GAIN, MAX_A, current_for, learn_shape, torque_at
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, absorber_module.__file__)

Floats = npt.NDArray[np.float64]

RING = 64  # frames of history kept for alignment

# Columns of an absorber's fixed row.
LEVER, COIL_LAG, FORCING_A, FOLLOW_S, TRUTH_S, CELL_FRAMES, SENT_FRAMES, LEARN_S, FIELD_S = range(9)
FIXED_COLUMNS = 9

# Columns of an absorber's state row; the two rings follow.
(
    COIL_A,
    FORCE_TICK_N,
    FORCE_NOW_N,
    OFFSET_N,
    ROTOR_K,
    RATE_A,
    SEEN,
    MODEL_A,
    THEN_N,
    FIELD_A,
    COIL_NOW_A,
    FIELD_NOW_A,
) = range(12)
SENT_RING = 12  # first column of what was sent
FORCE_RING = SENT_RING + RING
STATE_COLUMNS = FORCE_RING + RING


@jit
def observe(
    fixed: Floats,
    map_row: Floats,
    state: Floats,
    head: int,
    dt_s: float,
    coil_a: float,
    cell_n: float,
    speed_radps: float,
    sent_a: float,
) -> None:
    """Bring the row's idea of current and force up to date.

    `coil_a` and `cell_n` are NaN when unusable; `sent_a` is what the gate let through last;
    `head` counts frames. Forces at the roll surface, N.
    """
    decay = np.exp(-dt_s / fixed[COIL_LAG])
    state[SENT_RING + head % RING] = sent_a
    late = int(fixed[SENT_FRAMES])
    if coil_a != coil_a:  # no measurement: the model carries on from what was sent
        settled = state[SENT_RING + (head - late) % RING]
        coil_a = settled + (state[COIL_A] - settled) * decay
    applied = state[SENT_RING + (head - late) % RING]
    state[MODEL_A] = applied + (state[MODEL_A] - applied) * decay  # what the coil should carry
    state[RATE_A] = (coil_a - state[COIL_A]) / dt_s if state[SEEN] > 0.0 else 0.0
    state[COIL_A] = coil_a
    state[SEEN] = 1.0

    lever = fixed[LEVER]
    # The field follows the coil a little later; the force is the field's.
    part_field = 1.0 - np.exp(-dt_s / fixed[FIELD_S]) if fixed[FIELD_S] > 0.0 else 1.0
    state[FIELD_A] += (coil_a - state[FIELD_A]) * part_field
    mapped = torque_at(map_row, state[FIELD_A], speed_radps, state[ROTOR_K]) * lever
    state[FORCE_RING + head % RING] = mapped
    back_frames = int(fixed[CELL_FRAMES])
    part = fixed[CELL_FRAMES] - back_frames
    then = (1.0 - part) * state[FORCE_RING + (head - back_frames) % RING] + part * state[
        FORCE_RING + (head - back_frames - 1) % RING
    ]
    state[THEN_N] = then
    if cell_n == cell_n and speed_radps > 0.0:
        miss = cell_n - then
        state[OFFSET_N] += (miss - state[OFFSET_N]) * min(1.0, dt_s / fixed[TRUTH_S])
        bound = 0.5 * mapped + 300.0
        state[OFFSET_N] = min(max(state[OFFSET_N], -bound), bound)
        steady = abs(state[RATE_A]) * fixed[TRUTH_S] < 0.1 * coil_a
        if steady and then > 300.0:
            ratio = min(max(cell_n / then, 0.5), 2.0)
            step = dt_s / fixed[LEARN_S]
            gain = map_row[GAIN] * (1.0 + step * (ratio - 1.0))
            map_row[GAIN] = min(max(gain, 0.3), 2.0)
            learn_shape(map_row, coil_a, ratio, 0.1 * step)
    state[FORCE_TICK_N] = max(0.0, mapped + state[OFFSET_N])

    current = coil_a
    field = state[FIELD_A]
    for back in range(late - 1, -1, -1):  # what was sent and has not shown yet
        settled = state[SENT_RING + (head - back) % RING]
        current = settled + (current - settled) * decay
        field += (current - field) * part_field
    state[FORCE_NOW_N] = state[FORCE_TICK_N]
    if late > 0:
        torque = torque_at(map_row, field, speed_radps, state[ROTOR_K])
        state[FORCE_NOW_N] = max(0.0, torque * lever + state[OFFSET_N])
    state[COIL_NOW_A] = current
    state[FIELD_NOW_A] = field


@jit
def force(fixed: Floats, state: Floats, wanted_a: float) -> float:
    """Current to ask so that the coil goes to `wanted_a` faster than its own lag, A."""
    current = state[COIL_NOW_A]
    asked = current + fixed[COIL_LAG] / fixed[FOLLOW_S] * (wanted_a - current)
    return float(min(max(asked, 0.0), fixed[FORCING_A]))


@jit
def drive(fixed: Floats, map_row: Floats, state: Floats, ask_n: float, speed_radps: float) -> float:
    """Current to ask of the supply so that the force meets `ask_n` (roll surface), A."""
    if not ask_n > 0.0 or speed_radps <= 0.0:
        return 0.0
    torque = (ask_n - state[OFFSET_N]) / fixed[LEVER]
    wanted = current_for(map_row, torque, speed_radps, state[ROTOR_K])
    if fixed[FIELD_S] > 0.0:  # the coil leads, so that the field follows twice as fast
        wanted = min(max(2.0 * wanted - state[FIELD_NOW_A], 0.0), float(map_row[MAX_A]))
    return force(fixed, state, wanted)
