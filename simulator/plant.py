"""The whole simulated rig behind its serial line: front end, rolls, truck and driver.

Data flows: host bytes -> `receive`; `advance` moves everything by one frame period and gives the
bytes the front end sends. The same object runs in virtual time and behind a pseudo-terminal.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from daq.wire.codec import encode
from daq.wire.frames import Sample
from simulator import layout as at
from simulator.driver import Driver
from simulator.front_end import FrontEnd
from simulator.physics import ZERO_CELSIUS
from simulator.setup import Setup, tarnhow
from simulator.world import World


class Plant:
    """A rig and a truck that speak the wire. `setup` holds the true values, `seed` the noise."""

    def __init__(self, setup: Setup | None = None, seed: int = 1) -> None:
        self.setup = setup if setup is not None else tarnhow(seed)
        self.world = World(self.setup, seed)
        self.front_end = FrontEnd(self.setup, seed)
        self.driver = Driver()
        self._slow_random = np.random.default_rng([seed, 3])
        self._slow_every = max(
            1, round(self.setup.front_end.slow_every_s * self.setup.front_end.frame_hz)
        )
        self._no_flags = (0,) * len(self.setup.absorbers)
        self.truth_names = at.TRUTH_NAMES + tuple(
            f"{absorber.name}_{name}"
            for absorber in self.setup.absorbers
            for name in at.TRUTH_ABSORBER_NAMES
        )
        self.last_sample: Sample | None = None

    @property
    def now_s(self) -> float:
        """True seconds since the start; the front end's own clock differs a little."""
        return self.world.now_s

    def truth(self) -> dict[str, float]:
        """The true state after the last frame, by the names in `truth_names`."""
        return dict(zip(self.truth_names, self.world.truth_row.tolist(), strict=True))

    def truth_row(self) -> npt.NDArray[np.float64]:
        """The same as one array, in the order of `truth_names`; a copy."""
        return self.world.truth_row.copy()

    def receive(self, data: bytes, seconds_later: float = 0.0) -> None:
        """Bytes from the host, `seconds_later` than the last frame (0 in virtual time)."""
        self.front_end.receive(data, int(seconds_later * self.setup.front_end.tick_hz))

    def replies(self) -> bytes:
        """Answers that wait (identity, time, notices); `advance` sends them otherwise."""
        return self.front_end.flush()

    def advance(self) -> bytes:
        """One frame period; gives everything the front end sent in it."""
        sample = self.step()
        self.last_sample = sample
        data = encode(sample)
        if self.front_end.out:
            data = self.front_end.flush() + data
        if self.front_end.sequence % self._slow_every == 0:
            data += encode(self.front_end.slow(self._slow_values()))
        return data

    def step(self) -> Sample:
        """One frame period without the coding; gives the sample frame."""
        world, board = self.world, self.front_end
        inputs = world.inputs
        self.driver.step(world.now_s, world.rolls[1, at.R_SPEED], world.period_s, inputs)
        world.absorbers[:, at.A_SET_POINT] = board.supplies(world.period_s)
        inputs[at.I_FANS] = board.digital_out
        counts, currents, edges = world.advance(board.ticks)
        return board.sample(edges, counts, self._no_flags, currents)

    def _slow_values(self) -> list[float]:
        world, weather = self.world, self.setup.weather
        noise = self._slow_random.standard_normal(8).tolist()
        truck = world.truck
        rotor = 0.75 * world.absorbers[:, at.A_SKIN] + 0.25 * world.absorbers[:, at.A_BULK]
        return [
            float(world.inputs[at.I_AMBIENT]) - ZERO_CELSIUS + 0.05 * noise[0],
            float(world.inputs[at.I_PRESSURE]) / 1000.0 + 0.01 * noise[1],
            100.0 * weather.humidity + 0.3 * noise[2],
            float(truck[at.V_OIL]) - ZERO_CELSIUS + 0.1 * noise[3],
            float(truck[at.V_BOOST]) / 1000.0 + 0.3 * noise[4],
            max(100.0 * float(truck[at.V_SMOKE]) + 0.1 * noise[5], 0.0),
            float(rotor[-2]) - ZERO_CELSIUS + 0.5 * noise[6],
            float(rotor[-1]) - ZERO_CELSIUS + 0.5 * noise[7],
        ]
