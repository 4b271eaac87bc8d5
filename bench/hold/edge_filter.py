"""What tooth edges alone can tell of a roll set: a Kalman filter for the bound of bench.hold.

Data flow: place and age of the newest edge, true force of absorbers and losses -> place, speed,
drive force and its rate. Everything else is known exactly: inertia, tooth angles, timing noise. The
rate of the drive force is driven by white noise of one intensity, which whoever asks chooses. It
shares nothing with the observers of `control`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.kernel import jit
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at

Floats = npt.NDArray[np.float64]


@jit
def advance(x: Floats, p: Floats, dt_s: float, braked_mps2: float, intensity: float) -> None:
    """State `x` (place, speed, drive per mass, its rate) and covariance `p` over one frame."""
    step = np.eye(4)
    step[0, 1] = step[1, 2] = step[2, 3] = dt_s
    step[0, 2] = step[1, 3] = 0.5 * dt_s * dt_s
    step[0, 3] = dt_s**3 / 6.0
    x[:] = step @ x
    x[0] -= 0.5 * braked_mps2 * dt_s * dt_s
    x[1] -= braked_mps2 * dt_s
    p[:] = step @ p @ step.T
    p[3, 3] += intensity * dt_s
    p[2, 3] += 0.5 * intensity * dt_s * dt_s
    p[3, 2] += 0.5 * intensity * dt_s * dt_s
    p[2, 2] += intensity * dt_s**3 / 3.0


@jit
def take(
    x: Floats, p: Floats, place_m: float, age_s: float, braked_mps2: float, sigma_m: float
) -> None:
    """Correct by an edge that passed `age_s` ago at `place_m`."""
    seen = np.array([1.0, -age_s, 0.5 * age_s * age_s, -(age_s**3) / 6.0])
    miss = place_m - (seen @ x - 0.5 * braked_mps2 * age_s * age_s)
    reach = p @ seen
    gain = reach / (seen @ reach + sigma_m * sigma_m)
    x += gain * miss
    p -= np.outer(gain, reach)


def warm() -> None:
    """Compile now what `EdgeFilter.update` uses."""
    x, p = np.zeros(4), np.eye(4)
    advance(x, p, 0.002, 0.0, 1.0)
    take(x, p, 0.0, 0.001, 0.0, 1e-5)


class EdgeFilter:
    """One roll set of a simulated rig; `update` once per frame."""

    def __init__(self, plant: Plant, roll: int, intensity: float) -> None:
        self._plant, self._roll, self._intensity = plant, roll, intensity
        one = plant.setup.rolls[roll]
        self._mass, self._radius, self._jitter = one.mass_kg, one.radius_m, one.jitter_s
        row = plant.world.rolls[roll]
        self._braked = self._braking(row)
        self._x = np.array(
            [0.0, row[at.R_SPEED], float(row[at.R_TRACTIVE]) / self._mass, 0.0], dtype=np.float64
        )
        self._p = np.diag([1e-6, 1e-4, 1e-2, 1.0])
        self._angle = self._newest()
        self._begun = False

    def _braking(self, row: Floats) -> float:
        return float(row[at.R_ABSORBER] + row[at.R_LOSS]) / self._mass

    def _newest(self) -> float:
        """Exact angle of the tooth that passed last."""
        world = self._plant.world
        teeth = world.teeth[self._roll]
        return float(teeth[(int(world._next_tooth[self._roll]) - 1) % len(teeth)])

    def update(self, edges: int, age_s: float) -> tuple[float, float, float]:
        """Speed (m/s), drive force (N) and its rate after a frame with so many new edges."""
        row = self._plant.world.rolls[self._roll]
        now = self._braking(row)
        advance(self._x, self._p, self._plant.world.period_s, 0.5 * (self._braked + now),
                self._intensity)  # fmt: skip
        self._braked = now
        if edges > 0:
            angle = self._newest()
            moved = (angle - self._angle) % (2.0 * np.pi) * self._radius
            self._angle = angle
            if self._begun:
                sigma = self._jitter * max(float(self._x[1]), 0.1)
                take(self._x, self._p, moved, age_s, now, sigma)
                self._x[0] -= moved
            else:  # the first edge is where its place is counted from
                self._x[0] = self._x[1] * age_s
                self._begun = True
        x = self._x
        return float(x[1]), float(x[2]) * self._mass, float(x[3]) * self._mass
