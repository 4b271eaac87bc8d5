"""One absorber made to give a force: feed-forward through the inverse map, coil lag compensated,
slow truth from the load cell.

Data flow per frame: measured coil current and cell force -> `update_force_model` -> force at the
tick and now; force asked a little ahead of time -> `current_for_force` -> current asked of the
supply. Works on the absorber's record.

- The coil current is known at the frame's tick; what was sent since is known too. Advancing the
  coil model over those frames gives the current *now*, so the transport delay costs no phase.
- Behind a supply that acts once a half wave the current ripples at that pace. The lead would
  amplify it, and the supply would act on one chance value of each wave: there the coil model
  carries the current and the readings correct it over some waves.
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

from control.absorber import map as absorber_module
from control.absorber.map import GAIN, MAX_A, current_for, learn_shape, torque_at
from control.load_loop import constants as c
from control.load_loop.records import HISTORY, Record
from daq.kernel import jit, refresh_cache

refresh_cache(__file__, absorber_module.__file__, c.__file__)


@jit
def update_force_model(absorber: Record, frame: int, dt_s: float) -> None:
    """Bring the record's idea of current and force up to date; `frame` counts frames."""
    decay = np.exp(-dt_s / absorber.coil_lag_s)
    absorber.sent_history_a[frame % HISTORY] = absorber.sent_a
    late = absorber.flight_frames
    coil_a = absorber.measured_a
    applied = absorber.sent_history_a[(frame - late) % HISTORY]
    predicted = applied + (absorber.coil_a - applied) * decay
    if coil_a != coil_a:  # no measurement: the model carries on from what was sent
        coil_a = predicted
    elif absorber.measured_part < 1.0:  # the ripple of the supply is not to be led
        coil_a = predicted + absorber.measured_part * (coil_a - predicted)
    absorber.model_a = applied + (absorber.model_a - applied) * decay
    absorber.coil_rate_aps = (coil_a - absorber.coil_a) / dt_s if absorber.seen > 0 else 0.0
    absorber.coil_a = coil_a
    absorber.seen = 1

    # The field follows the coil a little later; the force is the field's.
    field_part = 1.0 - np.exp(-dt_s / absorber.field_lag_s) if absorber.field_lag_s > 0.0 else 1.0
    absorber.field_a += (coil_a - absorber.field_a) * field_part
    shaft = absorber.shaft_radps
    mapped = torque_at(absorber.map, absorber.field_a, shaft, absorber.rotor_k)
    mapped = mapped * absorber.shaft_per_surface
    absorber.map_force_history_n[frame % HISTORY] = mapped
    _correct_by_cell(absorber, frame, dt_s, mapped)
    absorber.force_tick_n = max(0.0, mapped + absorber.cell_correction_n)

    current = coil_a
    field = absorber.field_a
    for back in range(late - 1, -1, -1):  # what was sent and has not shown yet
        applied = absorber.sent_history_a[(frame - back) % HISTORY]
        current = applied + (current - applied) * decay
        field += (current - field) * field_part
    absorber.force_now_n = absorber.force_tick_n
    if late > 0:
        torque = torque_at(absorber.map, field, shaft, absorber.rotor_k)
        absorber.force_now_n = max(
            0.0, torque * absorber.shaft_per_surface + absorber.cell_correction_n
        )
    absorber.coil_now_a = current
    absorber.field_now_a = field


@jit
def _correct_by_cell(absorber: Record, frame: int, dt_s: float, mapped_n: float) -> None:
    """Cell against mapped force of the same moment: correction, then slower gain and shape."""
    whole = int(absorber.cell_delay_frames)
    part = absorber.cell_delay_frames - whole
    history = absorber.map_force_history_n
    then = (1.0 - part) * history[(frame - whole) % HISTORY]
    then = then + part * history[(frame - whole - 1) % HISTORY]
    absorber.delayed_map_force_n = then
    cell = absorber.cell_n
    if cell != cell or not absorber.shaft_radps > 0.0:
        return
    tau_s = absorber.cell_correction_tau_s
    miss = cell - then
    absorber.cell_correction_n += (miss - absorber.cell_correction_n) * min(1.0, dt_s / tau_s)
    bound = c.CORRECTION_SHARE_OF_MAP * mapped_n + c.CORRECTION_BEYOND_N
    absorber.cell_correction_n = min(max(absorber.cell_correction_n, -bound), bound)
    steady = abs(absorber.coil_rate_aps) * tau_s < c.LEARN_BELOW_RATE * absorber.coil_a
    if steady and then > c.LEARN_ABOVE_N:
        ratio = min(max(cell / then, 0.5), 2.0)
        step = dt_s / absorber.map_learning_s
        gain = absorber.map[GAIN] * (1.0 + step * (ratio - 1.0))
        absorber.map[GAIN] = min(max(gain, c.LEAST_LEARNED_GAIN), c.MOST_LEARNED_GAIN)
        learn_shape(absorber.map, absorber.coil_a, ratio, c.SHAPE_PER_GAIN * step)


@jit
def lead_compensate(absorber: Record, wanted_a: float, alertness: float) -> float:
    """Current to ask so that the coil goes to `wanted_a` faster than its own lag, A."""
    current = absorber.coil_now_a
    follow_s = absorber.calm_follow_s
    follow_s += alertness * (absorber.alert_follow_s - follow_s)
    asked = current + absorber.coil_lag_s / follow_s * (wanted_a - current)
    return float(min(max(asked, 0.0), absorber.ceiling_a))


@jit
def current_for_force(absorber: Record, shaft_radps: float, alertness: float) -> float:
    """Current to ask of the supply so that the force meets `asked_n`, A."""
    ask_n = absorber.asked_n
    if not ask_n > 0.0 or shaft_radps <= 0.0:
        return 0.0
    torque = (ask_n - absorber.cell_correction_n) / absorber.shaft_per_surface
    wanted = current_for(absorber.map, torque, shaft_radps, absorber.rotor_k)
    if absorber.field_lag_s > 0.0:  # alert, the coil leads: the field follows twice as fast
        led = wanted + alertness * (wanted - absorber.field_now_a)
        wanted = min(max(led, 0.0), float(absorber.map[MAX_A]))
    return lead_compensate(absorber, wanted, alertness)
