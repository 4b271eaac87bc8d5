"""Puts the faults in force to work: on the machine, on the board's inputs, on samples, on the line.

Data flows: FaultMenu -> `refresh` (only when the set changes) -> `bend_sample`, `bend_slow`,
`bend_line` at each frame. With no fault in force none of this is called.
"""

from __future__ import annotations

import math

import numpy as np

from daq.wire.frames import ConverterFlag, ResetCause
from simulator.faults import BentEdges, BentValue, FaultKind, FaultMenu, InjectedFault, Target
from simulator.front_end.board import SLOW_CHANNELS, FrontEnd
from simulator.rig_and_truck import layout as at
from simulator.rig_and_truck.world import World

COUNT_LOW, COUNT_HIGH = -(1 << 23), (1 << 23) - 1


class Breakage:
    """What is broken now on one plant."""

    def __init__(self, menu: FaultMenu, world: World, board: FrontEnd) -> None:
        self._menu = menu
        self._world = world
        self._board = board
        setup = world.setup
        self._wheels = [roll.name for roll in setup.rolls] + ["engine"]
        self._absorbers = [absorber.name for absorber in setup.absorbers]
        self._slow_names = [name for name, _ in SLOW_CHANNELS]
        self._edges: list[tuple[int, BentEdges]] = []
        self._cells: list[tuple[int, BentValue]] = []
        self._currents: list[tuple[int, BentValue]] = []
        self._slow: list[tuple[int, BentValue]] = []
        self._seats: dict[InjectedFault, float] = {}  # rad, where a loose wheel went
        self._last_counts = [0] * len(self._absorbers)
        self._done: set[InjectedFault] = set()  # faults that happen once and have happened
        self.any = False
        self.dead_fans = 0
        self.deaf = False  # nothing from the host arrives
        self.mute = False  # nothing reaches the host
        self.lost_share = 0.0
        self.garbled_share = 0.0
        self._reboot_until_s = -math.inf

    def _index(self, fault: InjectedFault, names: list[str] | tuple[str, ...]) -> int:
        if fault.channel in names:
            return list(names).index(fault.channel)
        raise ValueError(
            f"There is no {fault.target} '{fault.channel}'; there is: {', '.join(names)}."
        )

    def check(self, fault: InjectedFault) -> None:
        """Raises ValueError when the fault names a channel that this rig does not have."""
        names = {
            Target.WHEEL: self._wheels,
            Target.CELL: self._absorbers,
            Target.CURRENT: self._absorbers,
            Target.ABSORBER: self._absorbers,
            Target.SLOW: self._slow_names,
            Target.INPUT: self._board.board.digital_in,
            Target.FAN: self._board.board.digital_out,
        }.get(fault.target)
        if names is not None:
            self._index(fault, list(names))
        if fault.kind is FaultKind.SHIFTED and fault.channel == self._wheels[-1]:
            raise ValueError("The engine's pickup has no wheel of its own that could move.")

    def refresh(self, now_s: float) -> None:
        """Take over the set of faults in force; what is mended works again."""
        world, board, random = self._world, self._board, self._menu.random
        p = world.absorber_parameters
        p[:, at.P_TORQUE_GAIN] = 1.0
        p[:, at.P_FORCED_CURRENT] = math.nan
        p[:, at.P_FOLLOW_GAIN] = 1.0
        board.chain_closed = board.tie_downs = True
        board.fan_switches_open = 0
        kept_edges = {bent.fault: bent for _, bent in self._edges}
        kept_values = {bent.fault: bent for _, bent in (*self._cells, *self._currents, *self._slow)}
        self._edges, self._cells, self._currents, self._slow = [], [], [], []
        self.dead_fans = 0
        self.deaf = self.mute = False
        self.lost_share = self.garbled_share = 0.0
        if not self.any:  # a converter that stops repeats its last sound count
            self._last_counts = world.row[: len(self._absorbers)].tolist()
        self.any = bool(self._menu.active)
        for wheel, even in enumerate(world.setup.teeth):
            world.teeth[wheel] = even
        for fault in self._menu.active:
            kind, amount = fault.kind, fault.amount
            if fault.kind is FaultKind.SHIFTED:
                self._shift_wheel(fault)
            elif fault.target is Target.WHEEL:
                edges = kept_edges.get(fault) or BentEdges(fault, board.board.tick_hz, random)
                self._edges.append((self._index(fault, self._wheels), edges))
            elif fault.target in {Target.CELL, Target.CURRENT, Target.SLOW}:
                self._bend_value(fault, kept_values.get(fault))
            elif fault.target is Target.ABSORBER:
                self._break_absorber(fault)
            elif fault.target is Target.LINE:
                if kind is FaultKind.DROPPED:
                    self.lost_share = amount
                elif kind is FaultKind.GARBLED:
                    self.garbled_share = amount
                else:
                    self.deaf = self.mute = True
            elif fault.target is Target.BOARD:
                self._break_board(fault, now_s)
            elif fault.target is Target.INPUT:
                place = self._index(fault, board.board.digital_in)
                if place == 0:
                    board.chain_closed = False
                elif place == 1:
                    board.tie_downs = False
                else:
                    board.fan_switches_open |= 1 << (place - 2)
            elif fault.target is Target.FAN:
                self.dead_fans |= 1 << self._index(fault, board.board.digital_out)

    def _bend_value(self, fault: InjectedFault, kept: BentValue | None) -> None:
        random = self._menu.random
        if fault.target is Target.CELL:
            self._cells.append(
                (self._index(fault, self._absorbers), kept or BentValue(fault, 2.0**23, random))
            )
        elif fault.target is Target.CURRENT:
            self._currents.append(
                (self._index(fault, self._absorbers), kept or BentValue(fault, 6000.0, random))
            )
        else:
            self._slow.append(
                (self._index(fault, self._slow_names), kept or BentValue(fault, 1000.0, random))
            )

    def _shift_wheel(self, fault: InjectedFault) -> None:
        if fault not in self._seats:
            self._seats[fault] = float(self._menu.random.uniform(0.0, 2.0 * math.pi))
        wheel = self._index(fault, self._wheels)
        even = self._world.setup.teeth[wheel]
        self._world.teeth[wheel] += fault.amount * np.sin(even + self._seats[fault])

    def _break_absorber(self, fault: InjectedFault) -> None:
        row = self._world.absorber_parameters[self._index(fault, self._absorbers)]
        if fault.kind is FaultKind.DEAD:
            row[at.P_TORQUE_GAIN] = 0.0
        elif fault.kind is FaultKind.WEAK:
            row[at.P_TORQUE_GAIN] = fault.amount
        elif fault.kind is FaultKind.STUCK_ON:
            row[at.P_FORCED_CURRENT] = fault.amount
        elif fault.kind is FaultKind.NOT_FOLLOWING:
            row[at.P_FOLLOW_GAIN] = fault.amount
        else:
            turned = InjectedFault(Target.CELL, FaultKind.REVERSED, fault.channel)
            self._cells.append(
                (self._index(fault, self._absorbers), BentValue(turned, 1.0, self._menu.random))
            )

    def _break_board(self, fault: InjectedFault, now_s: float) -> None:
        if fault.kind is FaultKind.SILENT:
            self.deaf = self.mute = True
        elif fault not in self._done:
            self._done.add(fault)
            if fault.kind is FaultKind.CLOCK_JUMP:
                self._board.ticks += round(fault.amount * self._board.board.tick_hz)
            else:
                self._board.boot(ResetCause.WATCHDOG)
                self._reboot_until_s = now_s + self._board.board.boot_s

    def booting(self, now_s: float) -> bool:
        """The board is starting: it neither hears nor speaks and its supplies are off."""
        return now_s < self._reboot_until_s

    def bend_sample(
        self,
        now_s: float,
        edges: list[list[int]],
        counts: list[int],
        flags: list[int],
        currents: list[int],
    ) -> None:
        """Change the contents of one sample in place, as the faults in force show them."""
        board = self._board
        start = board.ticks
        end = start + board.board.tick_hz // board.board.frame_hz
        for wheel, bent_edges in self._edges:
            edges[wheel] = bent_edges.bend(edges[wheel], start, end)
        for index, bent in self._cells:
            counts[index], flags[index] = self._bend_count(index, bent, counts[index], now_s)
        for index, bent in self._currents:
            shown = bent.bend(currents[index] * 0.01, now_s)
            currents[index] = min(max(round((shown or 0.0) * 100.0), 0), 0xFFFF)
        self._last_counts = list(counts)

    def _bend_count(self, index: int, bent: BentValue, count: int, now_s: float) -> tuple[int, int]:
        fault = bent.fault
        row = self._world.absorber_parameters[index]
        per_n, zero = float(row[at.P_COUNTS_PER_N]), float(row[at.P_ZERO])
        if fault.kind is FaultKind.OPEN_BRIDGE:
            wild = int(self._menu.random.integers(COUNT_LOW, COUNT_HIGH + 1))
            return wild, int(ConverterFlag.BRIDGE_FAULT)
        if fault.kind is FaultKind.SATURATED:
            return COUNT_HIGH if per_n > 0.0 else COUNT_LOW, int(ConverterFlag.SATURATED)
        if fault.kind is FaultKind.DRIFT:
            shown: float | None = count + fault.amount * (now_s - fault.start_s) * per_n
        elif fault.kind is FaultKind.NOISY:
            shown = count + fault.amount * float(self._menu.random.standard_normal()) * per_n
        elif fault.kind in {FaultKind.WRONG, FaultKind.REVERSED}:  # of the force, the zero stays
            shown = zero + (bent.bend(count - zero, now_s) or 0.0)
        else:
            shown = bent.bend(count, now_s)
        if shown is None:
            return self._last_counts[index], int(ConverterFlag.NOT_FRESH)
        rounded = round(shown)
        if not COUNT_LOW < rounded < COUNT_HIGH:
            return min(max(rounded, COUNT_LOW), COUNT_HIGH), int(ConverterFlag.SATURATED)
        return rounded, 0

    def bend_slow(self, values: list[float], now_s: float) -> None:
        """Change slow values in place; a channel that is off shows no value."""
        for index, bent in self._slow:
            shown = bent.bend(values[index], now_s)
            values[index] = math.nan if shown is None else shown

    def bend_line(self, data: bytes) -> bytes:
        """One burst of bytes as it arrives at the other end."""
        random = self._menu.random
        if data and self.garbled_share > 0.0 and random.random() < self.garbled_share:
            spoiled = bytearray(data)
            for place in random.integers(0, len(spoiled), 1 + int(random.integers(0, 4))).tolist():
                spoiled[place] = int(random.integers(0, 256))
            cut = int(random.integers(0, 4))
            data = bytes(spoiled[:-cut] if cut else spoiled)
        return data

    def loses_sample(self) -> bool:
        """Whether this frame's sample gets lost on the line."""
        return self.lost_share > 0.0 and self._menu.random.random() < self.lost_share
