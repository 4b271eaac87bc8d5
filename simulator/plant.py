"""The whole simulated rig behind its serial line: front end, rolls, truck and driver.

Data flows: host bytes -> `receive`; `advance` moves everything by one frame period and gives the
bytes the front end sends. The same object runs in virtual time and behind a pseudo-terminal.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from daq.wire.codec import encode
from daq.wire.frames import Sample
from simulator.breakage import Breakage
from simulator.faults import FaultMenu, InjectedFault
from simulator.front_end.board import FrontEnd
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.driver import Driver
from simulator.rig_and_truck.physics import ZERO_CELSIUS
from simulator.rig_and_truck.setup import Setup, TrueWeather, tarnhow
from simulator.rig_and_truck.world import World


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
        self._fast_random = np.random.default_rng([seed, 4])
        self._fast_at = self._slow_every // 2
        self._no_flags = np.zeros(len(self.setup.absorbers), np.int64)
        self.truth_names = at.TRUTH_NAMES + tuple(
            f"{absorber.name}_{name}"
            for absorber in self.setup.absorbers
            for name in at.TRUTH_ABSORBER_NAMES
        )
        self.faults = FaultMenu(seed)
        self._broken = Breakage(self.faults, self.world, self.front_end)

    @staticmethod
    def warm_up() -> None:
        """Have everything compiled before time matters; a plant of its own pays for it."""
        Plant(tarnhow(0), 0).advance()

    def break_it(
        self,
        target: str,
        kind: str,
        channel: str = "",
        amount: float = 0.0,
        after_s: float = 0.0,
        for_s: float = math.inf,
    ) -> InjectedFault:
        """Plan a fault from the menu, `after_s` from now and for `for_s` seconds.

        Raises ValueError, saying what there is, when the menu or the rig does not know it.
        """
        start = self.now_s + after_s
        fault = InjectedFault.named(target, kind, channel, amount, start, start + for_s)
        self._broken.check(fault)
        return self.faults.add(fault)

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

    def spin(self, *speeds_mps: float) -> None:
        """Set roll speeds, one per roll set, as a spin-up motor would have left them."""
        self.world.spin(*speeds_mps)

    def put_truck(self, on_rolls: bool) -> None:
        """Let the truck stand on the rolls, or take it off them."""
        self.world.inputs[at.I_ON_ROLLS] = 1.0 if on_rolls else 0.0

    def set_weather(self, weather: TrueWeather) -> None:
        """Change what surrounds the rig; the slow channels follow."""
        self.world.set_weather(weather)

    def receive(self, data: bytes, seconds_later: float = 0.0) -> None:
        """Bytes from the host, `seconds_later` than the last frame (0 in virtual time)."""
        if self._broken.any and (self._broken.deaf or self._broken.booting(self.now_s)):
            return
        self.front_end.receive(data, int(seconds_later * self.setup.front_end.tick_hz))

    def replies(self) -> bytes:
        """Answers that wait (identity, time, notices); `advance` sends them otherwise."""
        data = self.front_end.flush()
        if self._broken.any:
            if self._broken.mute or self._broken.booting(self.now_s):
                return b""
            data = self._broken.bend_line(data)
        return data

    def advance(self) -> bytes:
        """One frame period; gives everything the front end sent in it."""
        sample = self.step()
        if sample is None:
            return b""
        board, broken = self.front_end, self._broken
        data = encode(sample)
        if broken.any and broken.loses_sample():
            data = b""
        if board.out:
            data = board.flush() + data
        if board.sequence % self._slow_every == 0:
            values = self._slow_values(self._slow_random)
            if broken.any:
                broken.bend_slow(values, self.now_s)
            data += encode(board.slow(values))
        elif board.sequence % self._slow_every == self._fast_at:
            values = self._slow_values(self._fast_random)
            if broken.any:
                broken.bend_slow(values, self.now_s)
            data += encode(board.fast(values))
        if broken.any:
            data = b"" if broken.mute else broken.bend_line(data)
        return data

    def step(self) -> Sample | None:
        """One frame period without the coding; the sample frame, None while the board boots."""
        world, board, broken = self.world, self.front_end, self._broken
        inputs = world.inputs
        now_s = world.now_s
        if self.faults.update(now_s):
            broken.refresh(now_s)
        self.driver.step(now_s, world.rolls[1, at.R_SPEED], world.period_s, inputs)
        if broken.booting(now_s):
            world.absorbers[:, at.A_SET_POINT] = 0.0
            inputs[at.I_FANS] = 0
            world.advance(board.ticks)
            return None
        world.supply(board.supplies(world.period_s))
        board.fans_turning = board.digital_out & ~broken.dead_fans
        inputs[at.I_FANS] = board.fans_turning
        if broken.any:
            counts, currents, edges = world.advance(board.ticks)
            flags = [0] * len(counts)
            broken.bend_sample(now_s, edges, counts, flags, currents)
            return board.sample(edges, counts, flags, currents)
        world.step(board.ticks)
        return board.sample_of(world.row, self._no_flags)

    def _slow_values(self, random: np.random.Generator) -> list[float]:
        world = self.world
        weather = world.weather
        noise = random.standard_normal(8).tolist()
        truck = world.truck
        rotor = 0.75 * world.absorbers[:, at.A_SKIN] + 0.25 * world.absorbers[:, at.A_BULK]
        return [
            weather.temperature_k - ZERO_CELSIUS + 0.05 * noise[0],
            weather.pressure_pa / 1000.0 + 0.01 * noise[1],
            100.0 * weather.humidity + 0.3 * noise[2],
            float(truck[at.V_OIL]) - ZERO_CELSIUS + 0.1 * noise[3],
            float(truck[at.V_BOOST]) / 1000.0 + 0.3 * noise[4],
            max(100.0 * float(truck[at.V_SMOKE]) + 0.1 * noise[5], 0.0),
            float(rotor[-2]) - ZERO_CELSIUS + 0.5 * noise[6],
            float(rotor[-1]) - ZERO_CELSIUS + 0.5 * noise[7],
        ]
