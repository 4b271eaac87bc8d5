"""What the actuators did: set points and coil currents of a stretch of a run, from the simulator.

Data flow: plant after each frame -> `note` -> figures per absorber, the worst of them. Shares of
set points are of the supply's ceiling, shares of coil currents of the continuous current.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.rig.description import Rig
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at

MEANT_SHARE = 0.1  # of the ceiling: a set point whose mean is above it has no business at zero


class Effort:
    """Set points taken by the front end, and true coil currents, frame by frame."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._set_points: list[npt.NDArray[np.float64]] = []
        self._coils: list[npt.NDArray[np.float64]] = []

    def note(self, plant: Plant) -> None:
        """Call after each frame."""
        self._set_points.append(plant.world.absorbers[:, at.A_SET_POINT].copy())
        self._coils.append(plant.world.absorbers[:, at.A_CURRENT].copy())

    def figures(self) -> dict[str, float]:
        """Of the worst absorber; the stretch should be steady for all but the total variation."""
        asked, coils = np.array(self._set_points), np.array(self._coils)
        ceiling = np.array([one.forcing_a for one in self._rig.absorbers])
        most = np.array([one.max_current_a for one in self._rig.absorbers])
        seconds = len(asked) / self._rig.frame_hz
        meant = asked.mean(axis=0) > MEANT_SHARE * ceiling
        return {
            "set_point_mean_a": float(asked.mean()),
            "set_point_sd_a": float(asked.std(axis=0).max()),
            "set_point_sd_share": float((asked.std(axis=0) / ceiling).max()),
            "set_point_zero_share": float((asked[:, meant] == 0.0).mean()) if meant.any() else 0.0,
            "coil_sd_a": float(coils.std(axis=0).max()),
            "coil_sd_share": float((coils.std(axis=0) / most).max()),
            "total_variation_a_per_s": float(
                np.abs(np.diff(asked, axis=0)).sum(axis=0).max() / seconds
            ),
        }
