"""The fault menu: what can break on the simulated rig, on which channel, when and how badly.

Data flows: Fault -> FaultMenu -> the plant asks each frame what is in force and bends the sample,
the world's parameters or the bytes accordingly. Seeded: the same menu gives the same damage.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum

import numpy as np


class Target(StrEnum):
    """What a fault acts on."""

    WHEEL = "wheel"  # channel: front, rear, engine
    CELL = "cell"  # channel: an absorber's converter
    CURRENT = "current"  # measured current of a supply
    SLOW = "slow"  # a slow channel
    ABSORBER = "absorber"  # the machine itself
    LINE = "line"  # frames to the host
    BOARD = "board"  # the front end
    INPUT = "input"  # digital input
    FAN = "fan"  # channel: a digital output


class FaultKind(StrEnum):
    """How it misbehaves; `MENU` says which kinds a target knows and what `amount` means."""

    OFF = "off"
    STUCK = "stuck"
    GARBAGE = "garbage"
    WRONG = "wrong"
    SLOW = "slow"
    DELAYED = "delayed"
    INTERMITTENT = "intermittent"
    EXTRA = "extra"
    MISSING = "missing"
    DOUBLED = "doubled"
    SHIFTED = "shifted"
    NOISY = "noisy"
    OPEN_BRIDGE = "open-bridge"
    SATURATED = "saturated"
    DRIFT = "drift"
    REVERSED = "reversed"
    DEAD = "dead"
    WEAK = "weak"
    STUCK_ON = "stuck-on"
    NOT_FOLLOWING = "not-following"
    DROPPED = "dropped"
    GARBLED = "garbled"
    REBOOT = "reboot"
    SILENT = "silent"
    OPEN = "open"
    CLOCK_JUMP = "clock-jump"


_SCALAR: dict[FaultKind, str] = {
    FaultKind.OFF: "no value comes (cell: not fresh, slow channel: none, current: zero)",
    FaultKind.STUCK: "the value stays as it was",
    FaultKind.GARBAGE: "random values over the whole range",
    FaultKind.WRONG: "times `amount`",
    FaultKind.SLOW: "a first-order lag of `amount` seconds",
    FaultKind.DELAYED: "late by `amount` seconds",
    FaultKind.INTERMITTENT: "off in a share `amount` of the frames, at random",
    FaultKind.NOISY: "noise of `amount` (cell: N, current: A, slow channel: its unit) rms added",
}

MENU: dict[Target, dict[FaultKind, str]] = {
    Target.WHEEL: {
        FaultKind.OFF: "no edge comes",
        FaultKind.STUCK: "no edge comes (as off: a stuck sensor shows no flank)",
        FaultKind.GARBAGE: "edges at random times, `amount` per second",
        FaultKind.WRONG: "only a share `amount` of the edges comes, evenly (as with fewer teeth)",
        FaultKind.DELAYED: "edges late by `amount` seconds",
        FaultKind.INTERMITTENT: "no edges in a share `amount` of the frames, at random",
        FaultKind.EXTRA: "extra edges at random times, `amount` per second",
        FaultKind.MISSING: "each edge is missed with probability `amount`",
        FaultKind.DOUBLED: "each edge comes twice, 40 us apart, with probability `amount`",
        FaultKind.NOISY: "edge times jitter by `amount` seconds rms more",
        FaultKind.SHIFTED: "a loose wheel has moved in its seat: once per turn its edges come "
        "early and late by `amount` rad, in a direction of chance",
    },
    Target.CELL: {
        **_SCALAR,
        FaultKind.OPEN_BRIDGE: "the bridge is open: random count, flagged",
        FaultKind.SATURATED: "the converter is at its end, flagged",
        FaultKind.DRIFT: "the zero wanders by `amount` N per second",
        FaultKind.REVERSED: "the sign is reversed",
    },
    Target.CURRENT: dict(_SCALAR),
    Target.SLOW: dict(_SCALAR),
    Target.ABSORBER: {
        FaultKind.DEAD: "no torque at all",
        FaultKind.WEAK: "torque times `amount`",
        FaultKind.STUCK_ON: "the coil carries `amount` A whatever is asked",
        FaultKind.NOT_FOLLOWING: "the supply delivers a share `amount` of its set point",
        FaultKind.REVERSED: "the cell pulls the other way (arm mounted reversed)",
    },
    Target.LINE: {
        FaultKind.DROPPED: "each sample is lost with probability `amount`",
        FaultKind.GARBLED: "each burst of bytes is damaged with probability `amount`",
        FaultKind.OFF: "nothing arrives in either direction",
    },
    Target.BOARD: {
        FaultKind.REBOOT: "starts again once, at the start time (watchdog)",
        FaultKind.SILENT: "sends nothing and hears nothing; eases by its own clock",
        FaultKind.CLOCK_JUMP: "its tick jumps by `amount` seconds, once",
    },
    Target.INPUT: {FaultKind.OPEN: "the contact is open"},
    Target.FAN: {FaultKind.MISSING: "the fan does not turn"},
}


@dataclass(frozen=True, slots=True)
class InjectedFault:
    """One entry of the menu, in force from `start_s` to `end_s` (true time)."""

    target: Target
    kind: FaultKind
    channel: str = ""
    amount: float = 0.0
    start_s: float = 0.0
    end_s: float = math.inf

    @staticmethod
    def named(
        target: str, kind: str, channel: str, amount: float, start_s: float, end_s: float
    ) -> InjectedFault:
        """A fault by the menu's words. Raises ValueError, saying what there is, on others."""
        if target not in list(Target):
            raise ValueError(f"Faults are of: {', '.join(Target)}; not '{target}'.")
        known = MENU[Target(target)]
        if kind not in known:
            raise ValueError(f"A fault of {target} is one of: {', '.join(known)}; not '{kind}'.")
        return InjectedFault(Target(target), FaultKind(kind), channel, amount, start_s, end_s)

    def __post_init__(self) -> None:
        known = MENU[Target(self.target)]
        if self.kind not in known:
            kinds = ", ".join(sorted(known))
            raise ValueError(f"A fault of {self.target} is one of: {kinds}; not {self.kind}.")


class FaultMenu:
    """The faults of one plant. Add and clear at any time; `update` says when the set changes."""

    def __init__(self, seed: int) -> None:
        self.random = np.random.default_rng([seed, 4])
        self._planned: list[InjectedFault] = []
        self.active: tuple[InjectedFault, ...] = ()
        self._next_change_s = math.inf

    def add(self, fault: InjectedFault) -> InjectedFault:
        """Plan a fault; it starts at its own time."""
        self._planned.append(fault)
        self._next_change_s = -math.inf
        return fault

    def clear(self, fault: InjectedFault | None = None) -> None:
        """Mend one fault, or all."""
        self._planned = [each for each in self._planned if fault is not None and each != fault]
        self._next_change_s = -math.inf

    @property
    def planned(self) -> tuple[InjectedFault, ...]:
        """Faults in force or to come."""
        return tuple(self._planned)

    def update(self, now_s: float) -> bool:
        """True when the faults in force are others than at the last call."""
        if now_s < self._next_change_s:
            return False
        self._planned = [fault for fault in self._planned if fault.end_s > now_s]
        active = tuple(fault for fault in self._planned if fault.start_s <= now_s)
        times = [fault.start_s for fault in self._planned if fault.start_s > now_s]
        times += [fault.end_s for fault in active]
        self._next_change_s = min(times, default=math.inf)
        changed = active != self.active
        self.active = active
        return changed


class BentValue:
    """One number on its way through one fault, with what that fault has to remember."""

    def __init__(self, fault: InjectedFault, span: float, random: np.random.Generator) -> None:
        self.fault = fault
        self._span = span  # half the range, for garbage
        self._random = random
        self._held: float | None = None
        self._since: float | None = None
        self._past: deque[tuple[float, float]] = deque()

    def bend(self, value: float, now_s: float) -> float | None:
        """What the channel shows for `value` at `now_s`; None: nothing new."""
        kind, amount = self.fault.kind, self.fault.amount
        if self._held is None:
            self._held, self._since = value, now_s
        if kind is FaultKind.OFF:
            return None
        if kind is FaultKind.STUCK:
            return self._held
        if kind is FaultKind.GARBAGE:
            return float(self._random.uniform(-self._span, self._span))
        if kind is FaultKind.WRONG:
            return value * amount
        if kind is FaultKind.REVERSED:
            return -value
        if kind is FaultKind.NOISY:
            return value + amount * float(self._random.standard_normal())
        if kind is FaultKind.INTERMITTENT:
            return None if self._random.random() < amount else value
        if kind is FaultKind.SLOW:
            step = now_s - (self._since or 0.0)
            self._since = now_s
            self._held += (value - self._held) * (1.0 - math.exp(-step / max(amount, 1e-9)))
            return self._held
        if kind is FaultKind.DELAYED:
            self._past.append((now_s, value))
            while len(self._past) > 1 and self._past[1][0] <= now_s - amount + 1e-9:
                self._past.popleft()
            return self._past[0][1]
        return value


class BentEdges:
    """The edges of one wheel on their way through one fault."""

    def __init__(self, fault: InjectedFault, tick_hz: int, random: np.random.Generator) -> None:
        self.fault = fault
        self._tick_hz = tick_hz
        self._random = random
        self._waiting: list[int] = []
        self._share = 0.0

    def bend(self, ticks: list[int], start: int, end: int) -> list[int]:
        """Edge ticks of the frame (`start`, `end`] as the faulty channel shows them."""
        kind, amount, random = self.fault.kind, self.fault.amount, self._random
        if kind in {FaultKind.OFF, FaultKind.STUCK}:
            return []
        if kind is FaultKind.INTERMITTENT:
            return [] if random.random() < amount else ticks
        if kind is FaultKind.MISSING:
            return [tick for tick in ticks if random.random() >= amount]
        if kind is FaultKind.WRONG:
            return [tick for tick in ticks if self._comes(amount)]
        if kind is FaultKind.DELAYED:
            late = round(amount * self._tick_hz)
            self._waiting += [tick + late for tick in ticks]
            ready = [tick for tick in self._waiting if tick <= end]
            self._waiting = [tick for tick in self._waiting if tick > end]
            return [tick for tick in ready if tick > start]
        if kind is FaultKind.DOUBLED:
            twin = max(1, round(40e-6 * self._tick_hz))
            ticks = ticks + [tick + twin for tick in ticks if random.random() < amount]
        elif kind in {FaultKind.EXTRA, FaultKind.GARBAGE}:
            count = int(random.poisson(amount * (end - start) / self._tick_hz))
            extra = random.integers(start + 1, end + 1, count).tolist()
            ticks = extra if kind is FaultKind.GARBAGE else ticks + extra
        elif kind is FaultKind.NOISY:
            noise = random.standard_normal(len(ticks)) * amount * self._tick_hz
            ticks = [tick + round(each) for tick, each in zip(ticks, noise.tolist(), strict=True)]
        return sorted(min(max(tick, start + 1), end) for tick in ticks)

    def _comes(self, share: float) -> bool:
        self._share += share
        if self._share < 1.0:
            return False
        self._share -= 1.0
        return True
