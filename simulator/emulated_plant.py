"""The simulated rig and truck with another front end than ours: an emulated chip, on its pins.

Data flows: World -> tooth edges, cell counts, coil currents, contacts -> the board's pins; what its
pins ask of the supplies and fans -> World; bytes both ways.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from daq.wire.frames import ConverterFlag
from simulator.front_end.emulated_board import TICK_HZ, EmulatedBoard, Firmware
from simulator.plant import Plant
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.setup import Setup

COUNT_HIGH = (1 << 23) - 1


class EmulatedPlant(Plant):
    """A rig and a truck behind an emulated chip. The Python front end only lends its inputs."""

    def __init__(self, setup: Setup, seed: int, firmware: Firmware) -> None:
        board = replace(setup.front_end, tick_hz=TICK_HZ)
        super().__init__(replace(setup, front_end=board), seed)
        self.firmware = firmware
        self.board = EmulatedBoard(firmware, board.frame_hz, seed)
        self._ticks_per_frame = TICK_HZ // board.frame_hz
        self._ticks = self._ticks_per_frame  # of the board, at the world's now
        self._boots = 1
        self._received = bytearray()
        self._sent = b""
        self._values: dict[str, Any] = self._rest_values([0] * 4, [0] * 4, [0] * 4)

    def receive(self, data: bytes, seconds_later: float = 0.0) -> None:
        """Bytes from the host; the chip reads them at the line's rate."""
        if not (self._broken.any and self._broken.deaf):
            self._received += data

    def restart(self, what: str) -> None:
        """Reset the chip: "watchdog", "brown-out", "power-cut"; its ticks begin again."""
        self.board.do(what)

    def advance(self) -> bytes:
        """One frame period: the rest of the chip's last one, the world's next, the chip's tick."""
        world, broken, board = self.world, self._broken, self.board
        now_s = world.now_s
        if self.faults.update(now_s):
            broken.refresh(now_s)
            if broken.booting(now_s):
                self.restart("watchdog")
        self.driver.step(now_s, world.rolls[1, at.R_SPEED], world.period_s, world.inputs)
        data = b""
        if not board.answer["before_tick"]:
            data = board.rest(bytes(self._received), self._values)
            self._received.clear()
        if board.answer["boots"] != self._boots:
            self._boots = board.answer["boots"]
            self._ticks = self._ticks_per_frame
        closed = self.front_end.chain_closed  # the hardwired chain acts on the supplies themselves
        world.supply([each if closed else 0.0 for each in board.answer["asked"]])
        fans = int(board.answer["fans"]) & ~broken.dead_fans
        self.front_end.fans_turning = fans
        world.inputs[at.I_FANS] = fans
        counts, currents, edges = world.advance(self._ticks)
        flags = [0] * len(counts)
        if broken.any:
            self.front_end.ticks = self._ticks
            broken.bend_sample(now_s, edges, counts, flags, currents)
        data += board.tick([list(map(int, each)) for each in edges])
        self._ticks += self._ticks_per_frame
        self._values = self._rest_values(counts, flags, currents)
        if broken.any:
            if broken.mute or broken.loses_sample():
                return b""
            data = broken.bend_line(data)
        return data

    def _rest_values(
        self, counts: list[int], flags: list[int], currents: list[int]
    ) -> dict[str, Any]:
        """What stands at the pins at the end of a period."""
        front_end = self.front_end
        digital = (1 if front_end.chain_closed else 0) | (2 if front_end.tie_downs else 0)
        digital |= (front_end.fans_turning & 3 & ~front_end.fan_switches_open) << 2
        shown = [
            # An open bridge is drawn to the end of the range by the resistors at its inputs.
            COUNT_HIGH if flag & ConverterFlag.BRIDGE_FAULT else int(count)
            for count, flag in zip(counts, flags, strict=True)
        ]
        held = [flag & ConverterFlag.NOT_FRESH for flag in flags]
        slow = self._slow_values(self._slow_random)
        if self._broken.any:
            self._broken.bend_slow(slow, self.world.now_s)
        volts = [
            None if math.isnan(value) else (value - offset) / scale
            for value, (scale, offset) in zip(slow, self.firmware.slow_scale, strict=True)
        ]
        return {
            "counts": shown,
            "fresh": not any(held),  # one chip: all cells or none
            "currents": [each / 100.0 for each in currents],
            "digital": digital,
            "slow": volts,
        }

    def close(self) -> None:
        """End the emulator."""
        self.board.close()
