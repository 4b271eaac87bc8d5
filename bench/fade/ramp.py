"""What coils and rolls do after a cut, held against the ramp that docs/wire.md promises.

Data flow: the plant's truth at the moment of the cut -> per coil the ramp from what flowed then ->
`look` at each later frame -> how far current and force lie below that ramp, or above what may
remain. The force of a current is the simulator's own law of flux, at the speed of the moment.
"""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.physics import squared_flux

BELOW_A = 1.5  # the band's lower edge under the ramp that begins at the cut, per coil
ABOVE_A = 2.5  # the band's upper edge over the ramp, beside the lag of coil and validity
FADES_S = 4.0  # so long is looked: the longest ramp and the coil's lag
LEAST_SHARE = 0.02  # of the full force: less than this held is judged as this


class Fade(msgspec.Struct):
    """One cut as it went; shares are of the roll set's force at the cut, the worst roll set's."""

    what: str
    test: str
    below_share: float = 0.0
    below_a: float = 0.0
    below_s: float = 0.0  # when it was worst
    above_a: float = 0.0  # over the latest that validity, ramp and lag explain
    left_a: float = 0.0  # at the end
    force_n: float = 0.0  # held at the cut
    current_a: float = 0.0  # the coil that carried most then
    state: str = ""

    @property
    def outside(self) -> bool:
        """It left the band."""
        return self.below_a > BELOW_A or self.above_a > ABOVE_A or self.left_a > 0.5


class RampWatch:
    """The ramp from a cut on, and how far the truth is from it."""

    def __init__(self, plant: Plant, fade: Fade, validity_s: float = 0.1) -> None:
        self.fade = fade
        self._world = plant.world
        self._began_s = plant.now_s
        self._validity_s = validity_s
        setup = plant.setup
        self._slope = np.array(
            [one.max_current_a / setup.front_end.ease_off_s for one in setup.absorbers]
        )
        self._lag_s = np.array([one.coil_lag_s for one in setup.absorbers])
        self._roll = np.array([one.roll for one in setup.absorbers])
        self._held_a = self._world.absorbers[:, at.A_CURRENT].copy()
        self._force = self._forces(self._held_a)
        full = self._forces(np.array([one.max_current_a for one in setup.absorbers]))
        self._measure = np.maximum(self._force, LEAST_SHARE * full)
        fade.force_n = float(self._world.rolls[:, at.R_ABSORBER].sum())
        fade.current_a = float(self._held_a.max())

    def _forces(self, currents_a: Any) -> Any:
        """Per roll set, in proportion to the force that these currents give at any one speed."""
        p = self._world.absorber_parameters
        found = np.zeros(len(self._world.rolls))
        for k, current in enumerate(currents_a):
            flux = squared_flux(float(current), float(p[k, at.P_SATURATION]))
            found[self._roll[k]] += p[k, at.P_PEAK] * flux / p[k, at.P_RATED_FLUX]
        return found

    def look(self) -> None:
        """After a frame."""
        fade = self.fade
        gone_s = self._world.now_s - self._began_s
        now_a = self._world.absorbers[:, at.A_CURRENT]
        ramp_a = np.maximum(self._held_a - self._slope * gone_s, 0.0)
        share = float(np.max((self._forces(ramp_a) - self._forces(now_a)) / self._measure))
        if share > fade.below_share:
            fade.below_share, fade.below_s = share, gone_s
        fade.below_a = max(fade.below_a, float(np.max(ramp_a - now_a)))
        held_s = max(gone_s - self._validity_s, 0.0)
        late_a = self._slope * self._lag_s
        ramp_end_s = np.maximum(self._held_a / self._slope, 0.0)
        rest = np.exp(-np.maximum(held_s - ramp_end_s, 0.0) / self._lag_s)
        most_a = np.maximum(self._held_a - self._slope * held_s, 0.0) + late_a * rest
        fade.above_a = max(fade.above_a, float(np.max(now_a - most_a)))
        fade.left_a = float(np.max(now_a))
