"""The result of a steady hold: how steady it was, and what the truck gave meanwhile.

Data flows: columns of the run and its plan -> arrival at the set point -> settling left out ->
means and standard deviations over the rest. Pure: numpy arrays in, one struct out.
"""

from __future__ import annotations

import math
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from daq.results.columns import Chunk

ARRIVED_RELATIVE = 0.01  # so close to the set point, for so long, and the hold's clock starts:
ARRIVED_FOR_S = 0.5  # the same rule as in the running test
NEEDED = (
    "time_s",
    "frames_lost",
    "set_point",
    "engine_speed_radps",
    "engine_speed_quality",
    "speed_mps",
    "power_w",
    "torque_nm",
)
_RPM = 60.0 / (2.0 * math.pi)
Floats = npt.NDArray[np.float64]


class HoldResult(msgspec.Struct, frozen=True, kw_only=True):
    """Figures over the settled part; None where nothing could be measured.

    Standard deviations are of the single frames (n - 1), not of the means. Torque is wheel power
    over engine speed: the wheel figure referred to the engine, no driveline loss assumed.
    """

    kind: str = "steady-hold"
    reached: bool  # the set point was reached and settling was over before the end
    set_rpm: float | None = None
    set_speed_mps: float | None = None
    mean_rpm: float | None = None
    std_rpm: float | None = None
    std_rpm_pct: float | None = None
    worst_rpm_error: float | None = None
    mean_speed_mps: float | None = None  # of the fastest roll set
    std_speed_mps: float | None = None
    worst_speed_error_mps: float | None = None
    mean_power_kw: float | None = None  # wheel power
    std_power_kw: float | None = None
    mean_torque_nm: float | None = None
    std_torque_nm: float | None = None
    tolerance: float
    in_tolerance: float | None = None  # share of the settled time
    time_in_tolerance_s: float | None = None
    take_up_s: float | None = None  # from the start to arrival
    settle_s: float
    seconds: float = 0.0  # settled time evaluated
    frames: int = 0  # of the settled part
    frames_lost: int = 0  # in the settled part
    frames_without_value: int = 0  # of what is held; they count as outside the tolerance
    doubtful_share: float | None = None  # of those frames, engine speed worse than good


def hold_result(
    columns: Chunk,
    *,
    rpm: float | None = None,
    speed_mps: float | None = None,
    settle_s: float = 10.0,
    tolerance: float = 0.005,
) -> HoldResult:
    """Evaluate a hold of engine speed (`rpm`) or roll speed (`speed_mps`); exactly one is given.

    `columns` holds NEEDED from the run's start to its end. When the set point was changed on the
    way, what is reported is the hold at the last one.
    """
    if (rpm is None) == (speed_mps is None):
        raise ValueError("a hold has one set point: rpm or speed_mps")
    time = _floats(columns, "time_s")
    held = _floats(columns, "engine_speed_radps" if rpm is not None else "speed_mps")
    asked = rpm / _RPM if rpm is not None else float(speed_mps or 0.0)
    sets = _floats(columns, "set_point")
    since = 0
    if time.size and np.isfinite(sets[-1]):
        asked = float(sets[-1])
        changes = np.flatnonzero(sets != asked)
        since = int(changes[-1]) + 1 if changes.size else 0
    general: dict[str, Any] = {
        "set_rpm": asked * _RPM if rpm is not None else None,
        "set_speed_mps": asked if speed_mps is not None else None,
        "tolerance": tolerance,
        "settle_s": settle_s,
    }
    arrived = _arrival(time[since:], held[since:], asked)
    if arrived is None:
        return HoldResult(reached=False, **general)
    arrived += since
    general["take_up_s"] = float(time[arrived] - time[0])
    first = int(np.searchsorted(time, time[arrived] + settle_s))
    if time.size - first < 2:
        return HoldResult(reached=False, **general)
    return HoldResult(
        reached=True,
        **general,
        **_figures({name: columns[name][first:] for name in NEEDED}, held[first:], asked, rpm),
        **_tolerance(time[first:], held[first:], asked, tolerance),
    )


def _arrival(time: Floats, held: Floats, asked: float) -> int | None:
    """Index of the first frame that ends ARRIVED_FOR_S of nearness in one piece."""
    near = np.abs(held / asked - 1.0) < ARRIVED_RELATIVE  # False for NaN
    if not near.any():
        return None
    place = np.arange(time.size)
    last_off = np.maximum.accumulate(np.where(near, -1, place))
    # Near since the frame after the last one that was not.
    since = time[np.minimum(last_off + 1, time.size - 1)]
    long_enough = np.flatnonzero(near & (time - since >= ARRIVED_FOR_S))
    return int(long_enough[0]) if long_enough.size else None


def _figures(part: Chunk, held: Floats, asked: float, rpm: float | None) -> dict[str, Any]:
    engine = _floats(part, "engine_speed_radps") * _RPM
    speed = _floats(part, "speed_mps")
    mean_rpm, std_rpm = _mean_std(engine)
    mean_speed, std_speed = _mean_std(speed)
    mean_power, std_power = _mean_std(_floats(part, "power_w") / 1e3)
    mean_torque, std_torque = _mean_std(_floats(part, "torque_nm"))
    worst = float(np.nanmax(np.abs(held - asked))) if np.isfinite(held).any() else None
    return {
        "mean_rpm": mean_rpm,
        "std_rpm": std_rpm,
        "std_rpm_pct": 100.0 * std_rpm / mean_rpm if std_rpm is not None and mean_rpm else None,
        "worst_rpm_error": worst * _RPM if worst is not None and rpm is not None else None,
        "mean_speed_mps": mean_speed,
        "std_speed_mps": std_speed,
        "worst_speed_error_mps": worst if rpm is None else None,
        "mean_power_kw": mean_power,
        "std_power_kw": std_power,
        "mean_torque_nm": mean_torque,
        "std_torque_nm": std_torque,
        "frames": int(held.size),
        "frames_lost": int(part["frames_lost"][1:].sum()),
        "frames_without_value": int(held.size - np.isfinite(held).sum()),
        "doubtful_share": float(np.mean(part["engine_speed_quality"] != 0)),
    }


def _tolerance(time: Floats, held: Floats, asked: float, tolerance: float) -> dict[str, Any]:
    """Each frame stands for the usual time between two; what lost frames hid does not count."""
    usual = float(np.median(np.diff(time)))
    within = np.abs(held / asked - 1.0) <= tolerance  # False for NaN
    seconds = float(time[-1] - time[0]) + usual
    good = float(within.sum()) * usual
    return {
        "in_tolerance": min(1.0, good / seconds),
        "time_in_tolerance_s": good,
        "seconds": seconds,
    }


def _mean_std(values: Floats) -> tuple[float | None, float | None]:
    known = values[np.isfinite(values)]
    if known.size < 2:
        return None, None
    return float(known.mean()), float(known.std(ddof=1))


def _floats(columns: Chunk, name: str) -> Floats:
    return np.asarray(columns[name], dtype=np.float64)
