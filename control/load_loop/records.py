"""The load loop's memory: one named record for the whole, one per roll set, one per absorber.

The one owner of the layout. Compiled code reads and writes fields by name (`roll_set.speed_mps`);
Python sees the same memory as numpy structured arrays. Each record holds, in this order, what is
written into it every frame, what the rig is, what the loop remembers, and what comes out. SI units,
given in the names; forces and speeds without another word are those at the roll surface.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from control.absorber.map import MAP_COLUMNS

Records = npt.NDArray[np.void]  # of one of the types below
Record = Any  # one of them; compiled code knows its fields

HISTORY = 64  # frames kept of what was sent and of the mapped force, to align the late load cell

_REAL, _INT = "f8", "i8"


def _fields(*groups: str) -> list[tuple[str, str]]:
    return [(name, _REAL) for group in groups for name in group.split()]


# ---- disturbance observers (control.load_loop.disturbance_observer) ------------------------------

FILTER = np.dtype(_fields("speed_mps drive_n drive_rate_nps place_m"))

OBSERVER = np.dtype(
    [
        ("known", _INT),
        ("slow", FILTER), ("fast", FILTER), ("plain", FILTER),
        *_fields("since_edge_s cell_correction_n"),
        # What is used.
        *_fields("speed_mps drive_n drive_rate_nps"),
    ]
)  # fmt: skip

# When the observers of all roll sets switch from slow to fast, and back.
DETECTOR = np.dtype(
    [
        # Tuning: poles of the observers' filters, innovation levels from which the fast one begins
        # to be used, and is.
        *_fields("slow_per_s fast_per_s change_low change_high"),
        # Memory, and out: three poles of the slow filters now, and the fourth as a share of them;
        # share of the fast filters in what is used; how much the force loops hurry (0 to 1).
        *_fields("innovation_level_n change_lasts_s since_change_s pole_per_s rate_part"),
        *_fields("fast_part alertness"),
    ]
)

# ---- the whole rig -------------------------------------------------------------------------------

LOOP = np.dtype(
    [
        # In, every frame. `target` and `target_rate` (per second) are in the unit of the aim;
        # `restart`: begin again from the present speed and force; `shown_delay_s`: age of the
        # reported speeds.
        ("dt_s", _REAL), ("aim", _INT), ("target", _REAL), ("target_rate", _REAL),
        ("restart", _INT), ("shown_delay_s", _REAL),
        # The rig.
        ("low_speed_mps", _REAL),
        # Memory: the shaped reference, and the most force that a start lets build up.
        ("frame", _INT), ("reference_rate", _REAL), ("built_up_n", _REAL),
        ("since_start_s", _REAL),
        ("hold", DETECTOR), ("road", DETECTOR),
        # Signals of this frame: inertia of the roll sets that turn, and over these sets what their
        # absorbers give now, what drives them, and the force asked of all of them.
        ("turning_kg", _REAL), ("given_n", _REAL), ("net_drive_n", _REAL), ("total_n", _REAL),
        # Out.
        ("shortfall_n", _REAL), ("reference", _REAL), ("held_speed_mps", _REAL),
        ("drive_n", _REAL),
    ]
)  # fmt: skip
LOOP_OUTPUTS = ("shortfall_n", "reference", "held_speed_mps", "drive_n")

# ---- a roll set ----------------------------------------------------------------------------------

ROLL_SET = np.dtype(
    [
        # In, every frame; NaN: unknown. `travel_m`: from the tooth edge that was newest before to
        # the newest now, which is `edge_age_s` old; `shown_mps`: the reported speed.
        *_fields("travel_m edge_age_s shown_mps"),
        # The rig.
        ("group", _INT),  # 0: all roll sets share one demand
        *_fields("inertia_kg loss_a loss_b loss_c max_force_n"),
        # Tuning: speed feedback; how far ahead a force acts, calm and alert, and now.
        *_fields("feedback_per_s calm_lookahead_s alert_lookahead_s lookahead_s"),
        ("hold", OBSERVER),  # of a held speed
        ("road", OBSERVER),  # of a simulated road
        # Signals of this frame and what is shared; `speed_mps` is the hold observer's.
        *_fields("speed_mps absorbers_tick_n absorbers_now_n net_drive_n drive_share sync_mps"),
        *_fields("share_weight available_n asked_n"),
    ]
)

# ---- an absorber ---------------------------------------------------------------------------------

ABSORBER = np.dtype(
    [
        # In, every frame; NaN: unusable. `sent_a`: what the gate let through last.
        *_fields("measured_a cell_n shaft_radps sent_a"),
        # The rig: its roll set; shaft speed per surface speed (1/m); the supply's ceiling.
        ("group", _INT),
        *_fields("shaft_per_surface coil_lag_s field_lag_s ceiling_a"),
        # Tuning: time in which a led coil follows, calm and alert; of the load cell's correction
        # and of learning the map; ages of the cell's force and of set points in flight, frames.
        *_fields("calm_follow_s alert_follow_s cell_correction_tau_s map_learning_s"),
        *_fields("cell_delay_frames"),
        ("supply_frames", _INT),  # from a set point taken to the supply's acting on it
        ("measured_part", _REAL),  # of a reading in what the coil is taken to carry; else its model
        ("flight_frames", _INT),  # the same with set points on their way
        ("wanted_a", _REAL),  # of a demand by current
        # Thermal limit (control.thermal.manager): most power; rotor temperature and weight among
        # those of its roll set, as they are to become and are; share of its capacity it may give.
        *_fields("power_limit_w rotor_goal_k weight_goal rotor_k headroom_weight capacity_share"),
        # Work since it was last taken.
        *_fields("work_s work_j work_rad work_a2s"),
        # Force model: coil and field current at the tick and now, the cell's correction to the
        # mapped force, mapped force of the moment the cell tells of.
        ("seen", _INT),
        *_fields("coil_a coil_rate_aps field_a coil_now_a field_now_a cell_correction_n"),
        *_fields("delayed_map_force_n force_tick_n force_now_n"),
        ("sent_history_a", _REAL, (HISTORY,)),
        ("map_force_history_n", _REAL, (HISTORY,)),
        ("map", _REAL, (MAP_COLUMNS,)),  # control.absorber.map
        # What is shared, and out: `model_a` is what the coil should carry if the supply obeys,
        # `unlearned_force_n` what the map promised before learning bent it.
        *_fields("share_weight available_n asked_n"),
        *_fields("current_a model_a unlearned_force_n"),
    ]
)  # fmt: skip


def offsets(records: Records, first_field: str) -> list[int]:
    """Byte offsets of a field in each record of a contiguous array."""
    kind = records.dtype
    if kind.fields is None:
        raise TypeError("records have named fields")
    start = int(kind.fields[first_field][1])
    return [k * kind.itemsize + start for k in range(len(records))]
