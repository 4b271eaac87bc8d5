"""The coil's part of an absorber's turn: current and voltage in, what the coil allows out.

Data flow: control.thermal.manager each turn -> `turn` (control.thermal.coil estimates) ->
resistance into control.load_loop.loop, `cap_w` into the absorber's permission, `left` and
`capacity_nm` for people.
"""

from __future__ import annotations

import math

from control.absorber.map import capacity, torque_at
from control.thermal.coil import CoilMemory, CoilObserver, Floats
from control.thermal.rotor_observer import Headroom
from daq.measure.measured import Measured
from daq.readings import Quality
from daq.rig.description import Absorber
from daq.texts.message import Message, say

LONGEST_S = 7 * 86400.0
IDLE_SHARE = 0.01  # of the continuous heating: below it nothing warms the coil
BELIEVED = 10  # readings refused in a row before the voltage no longer counts as measuring
_USABLE = frozenset((Quality.GOOD, Quality.AGING))
_NEVER = Headroom(math.inf, math.inf, math.inf)


class CoilManager:
    """One absorber's coil. Exists only where the rig file describes it."""

    __slots__ = ("_absorber", "_body_k", "_square_a2", "_volts_s", "holds", "left", "observer")

    def __init__(self, absorber: Absorber, ambient_k: float, memory: CoilMemory | None) -> None:
        self.observer = CoilObserver(absorber.heat.coil, absorber.max_current_a, ambient_k, memory)
        self._absorber = absorber
        self._square_a2 = 0.0  # mean square of the current over the last turn
        self._body_k = ambient_k
        self._volts_s = -math.inf  # time of the newest voltage taken
        self.left = _NEVER
        self.holds = False  # this coil, not its rotor, sets the absorber's cap

    def turn(
        self, measured: Measured, place: int, since_s: float, worked_s: float, a2s: float,
        ambient_k: float, body_k: float,
    ) -> None:  # fmt: skip
        """`a2s`: current squared, summed over `worked_s` of the `since_s` seconds gone by."""
        coil = self.observer
        self._body_k = body_k
        self._square_a2 = a2s / worked_s if worked_s > 0.0 else 0.0
        if since_s > 0.0:
            coil.predict(min(since_s, LONGEST_S), a2s / since_s, ambient_k, body_k)
        name = coil.heat.voltage
        reading = measured.slow.get(name) if name else None
        if reading is None or reading.quality not in _USABLE or reading.time_s <= self._volts_s:
            return
        self._volts_s = reading.time_s
        current = measured.absorbers[place].current
        if current.quality in _USABLE:
            coil.hear(reading.value, current.value, self._square_a2)

    def look_everywhere(self, row: Floats, ambient_k: float) -> None:
        """As ThermalManager's, for the warm-up only."""
        amps = self._absorber.max_current_a
        self.observer.headroom(amps**2, ambient_k, ambient_k, 60.0)
        self.observer.hear(amps, amps, amps**2)
        torque_at(row, amps, 100.0, ambient_k)
        capacity(row, 100.0, ambient_k)

    def look_ahead(self, ambient_k: float, horizon_s: float) -> None:
        """Refresh `left`: time to the coil's limit at the present current."""
        self.left = _NEVER
        if self._square_a2 > IDLE_SHARE * self._absorber.max_current_a**2:
            self.left = Headroom(
                *self.observer.headroom(self._square_a2, ambient_k, self._body_k, horizon_s)
            )

    def capacity_nm(self, row: Floats, radps: float, rim_k: float) -> float:
        """Torque at the shaft at the most current that the supply can push through this coil."""
        ceiling_a = self._absorber.forcing_a / self.observer.warm
        if ceiling_a < self._absorber.max_current_a:
            return float(torque_at(row, ceiling_a, radps, rim_k))
        return float(capacity(row, radps, rim_k))

    def cap_w(self, row: Floats, radps: float, rim_k: float, ambient_k: float) -> float:
        """Most power that heat of the coil and ceiling of the supply allow; inf when any."""
        share = self.observer.share(ambient_k, self._body_k)
        ceiling_a = self._absorber.forcing_a / self.observer.warm
        if share >= 1.0 and ceiling_a >= self._absorber.max_current_a:
            return math.inf
        full = float(capacity(row, radps, rim_k))
        return min(full * share, self.capacity_nm(row, radps, rim_k)) * radps

    @property
    def measured(self) -> bool:
        """By its voltage and current, and believed."""
        return self.observer.heard > 0 and self.observer.refused < BELIEVED

    def description(self) -> Message:
        """For a person: which coil and how hot."""
        return say("coil-at", absorber=self._absorber.name, coil_k=self.observer.coil_k)
