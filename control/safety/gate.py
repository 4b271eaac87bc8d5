"""The gate: the last word before the wire, and the only place that builds a SetPoint.

Data flow: what control asks for (Request) -> limits -> SetPoint and what was cut (Clamp bits).
Default deny: without permission, a session and a known state every current is zero. Pure
functions; the memory of one frame ago goes in and comes out, so each decision can be replayed.

Order of the cuts, each counted: not a number, permission, standstill, speed, force and power
ceilings (no rise, then fall), forcing time, current ceiling, rate up, rate down. Going to zero
without permission is immediate; everything else keeps to the rates.

Taking load off (EASE) is the fade of docs/wire.md section 8, done by the host: each current from
what is measured to zero along `ease_a_per_s`, whatever was asked last. Coils lag behind their set
points, so what flows lies on that ramp or above it. Where measured and modelled current contradict
each other, sensor or supply is wrong, and going on from the model keeps what flows as it is.

A set point far from what flows would go on driving the coil if no other followed it, for as long as
it is valid. So its validity ends when that could have added or taken UNSEEN_A, but not before
`forcing_validity_ms`, which a computer's ordinary lateness does not reach.

The rates are those of the coil current, not of the set point: a supply asked for more than needed
(forcing) changes the coil by (set point - current) / lag. The gate follows the coil by what it has
sent, and keeps every set point within lag x rate of it. It needs no measurement for that.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence

import msgspec

from daq.rig.description import Rig
from daq.wire.frames import CURRENT_STEP_A, SetPoint

UNSEEN_A = 1.0  # most that a coil may gain or lose by a set point that none follows
FORCING_MS = 16  # ... while no validity is shorter than this or FORCING_FRAMES frames
FORCING_FRAMES = 8
FORCING_S = 0.5  # longest uninterrupted time above the continuous current
_STEPS_PER_A = 1.0 / CURRENT_STEP_A
_LARGEST_A = 1e6  # beyond it, and for nan, a number is none
TRACE_A = 1e-6  # less than this that dies away is none: numbers near zero would never get there
LONGEST_STEP_S = 0.02  # a longer gap between frames earns no larger step
# So far measured and modelled current may be apart and both be right.
AGREE_A, AGREE_SHARE = 3.0, 0.15
_READINGS = 3  # a ramp begins at the median of so many


class Mode(enum.IntEnum):
    """What the state allows, decided by the core, enforced here."""

    DENY = 0  # zero, at once
    LOAD = 1  # within limits and rates
    EASE = 2  # down along the easing ramp, whatever is asked


class Clamp(enum.IntFlag):
    """What the gate cut in one frame."""

    NONE = 0
    NOT_A_NUMBER = 1
    DENIED = 2
    STANDSTILL = 8
    FORCE = 16
    SPEED = 32
    POWER = 64
    FORCING = 128
    CURRENT = 256
    RISE = 512
    FALL = 1024


class GateLimits(msgspec.Struct, frozen=True):
    """Limits taken from the rig description, per output where they differ."""

    continuous_a: tuple[float, ...]
    forcing_a: tuple[float, ...]
    lag_s: tuple[float, ...]  # from set point to coil current
    ease_a_per_s: tuple[float, ...]  # slope of the ramp that takes load off
    rise_a_per_s: float
    fall_a_per_s: float
    low_speed_mps: float
    max_speed_mps: float
    max_force_n: float
    max_power_w: float
    validity_ms: int
    forcing_validity_ms: int  # the shortest, while a coil is driven up


class Request(msgspec.Struct, frozen=True, gc=False):
    """Everything the gate looks at. `asked_a` and `speeds_mps` are per output, rig order.

    `force_n` and `power_w` are the measured totals at the roll surface. `permitted` is the one
    sentence "session ours, stop chain closed, front end allows"; anything but True is no.
    """

    mode: Mode
    permitted: bool
    session: int
    asked_a: tuple[float, ...]
    coil_a: tuple[float, ...]
    speeds_mps: tuple[float, ...]
    force_n: float
    power_w: float
    dt_s: float
    digital_out: int = 0


class GateState(msgspec.Struct, frozen=True, gc=False):
    """One frame's memory of the gate."""

    sequence: int
    currents_a: tuple[float, ...]  # set points sent
    coils_a: tuple[float, ...]  # what the coils carry if they obeyed
    ramp_a: tuple[float, ...]  # where the easing ramp is, while easing
    forcing_s: tuple[float, ...]  # time spent above the continuous current
    easing: bool
    readings: tuple[tuple[float, ...], ...] = ()  # measured currents of the last frames, A


class Decision(msgspec.Struct, frozen=True, gc=False):
    set_point: SetPoint | None
    state: GateState
    clamps: int  # Clamp bits


def limits_of(rig: Rig) -> GateLimits:
    """The gate's limits, as the rig file states them."""
    return GateLimits(
        continuous_a=tuple(absorber.max_current_a for absorber in rig.absorbers),
        forcing_a=tuple(
            # What a supply that regulates is asked for is what it lets flow.
            absorber.max_current_a if absorber.supply.regulates else absorber.forcing_a
            for absorber in rig.absorbers
        ),
        lag_s=tuple(absorber.supply.lag_s(absorber.coil_lag_s) for absorber in rig.absorbers),
        ease_a_per_s=tuple(
            absorber.max_current_a / rig.limits.ease_off_s for absorber in rig.absorbers
        ),
        rise_a_per_s=rig.limits.current_rise_a_per_s,
        fall_a_per_s=rig.limits.current_fall_a_per_s,
        low_speed_mps=rig.limits.low_speed_mps,
        max_speed_mps=rig.limits.max_speed_mps,
        max_force_n=rig.limits.max_force_n,
        max_power_w=rig.limits.max_power_w,
        validity_ms=rig.link.set_point_validity_ms,
        forcing_validity_ms=min(
            rig.link.set_point_validity_ms,
            max(FORCING_MS, math.ceil(1e3 * FORCING_FRAMES / rig.frame_hz)),
        ),
    )


def closed(
    limits: GateLimits, sequence: int = 0, coils_a: tuple[float, ...] | None = None
) -> GateState:
    """The gate with nothing let through; coils may still carry `coils_a`."""
    zeros = (0.0,) * len(limits.continuous_a)
    return GateState(sequence, zeros, coils_a or zeros, zeros, zeros, False)


def resynced(state: GateState, coil_a: Sequence[float]) -> GateState:
    """Set points were not taken: the coils carry what is measured, where that is less.

    Without this the loop would go on from what the coils would carry had they obeyed.
    """
    coils = tuple(
        [
            now if 0.0 <= now < model else model
            for now, model in zip(coil_a, state.coils_a, strict=True)
        ]
    )
    return msgspec.structs.replace(state, coils_a=coils)


def handed_over(state: GateState, coil_a: Sequence[float]) -> GateState:
    """The front end takes the load off by itself: the ramp is where the coils are, never above.

    Should set points be taken again before its fade ends, the host's goes on from there.
    """
    readings = (*state.readings[1 - _READINGS :], tuple(coil_a))
    coils = tuple(
        [
            min(seen[(len(seen) - 1) // 2], model) if seen else model
            for seen, model in zip(_sorted(readings), state.coils_a, strict=True)
        ]
    )
    return GateState(state.sequence, coils, coils, coils, state.forcing_s, True, readings)


def woken(state: GateState, coil_a: Sequence[float]) -> GateState:
    """The first coils seen after a gap: the ramp begins there, whatever was seen before it."""
    return handed_over(msgspec.structs.replace(state, readings=()), coil_a)


def _sorted(readings: Sequence[Sequence[float]]) -> list[list[float]]:
    """Per output the readings that are numbers, in order."""
    return [sorted([one for one in each if one >= 0.0]) for each in zip(*readings, strict=True)]


def ramp_start(readings: Sequence[Sequence[float]], coils_a: Sequence[float]) -> tuple[float, ...]:
    """Where the ramp that takes load off begins, A: at the median of the last readings.

    Of readings that are none, or that the model `coils_a` contradicts, the model has the word.
    """
    start: list[float] = []
    for seen, coil in zip(_sorted(readings), coils_a, strict=True):
        middle = seen[(len(seen) - 1) // 2] if seen else coil
        apart = abs(middle - coil)
        agrees = apart <= AGREE_A or apart <= AGREE_SHARE * coil
        start.append(middle if agrees else coil)
    return tuple(start)


def decide(limits: GateLimits, state: GateState, request: Request) -> Decision:
    """What may go to the wire. Never raises, whatever the request holds.

    No session: no set point at all, so that the front end's own clock takes the load off.
    """
    count = len(limits.continuous_a)
    dt_s = 0.0
    if request.dt_s > 0.0:
        dt_s = request.dt_s if request.dt_s < LONGEST_STEP_S else LONGEST_STEP_S
    coils = tuple(
        [
            sent + (coil - sent) * math.exp(-dt_s / lag) if sent > 0.0 or coil > TRACE_A else 0.0
            for sent, coil, lag in zip(state.currents_a, state.coils_a, limits.lag_s, strict=True)
        ]
    )
    if request.session == 0:
        return Decision(None, closed(limits, state.sequence, coils), Clamp.DENIED)
    shaped = (
        len(request.asked_a) == count
        and len(request.coil_a) == count
        and len(request.speeds_mps) == count
    )
    mode = request.mode
    if request.permitted is not True or not shaped or mode not in (Mode.LOAD, Mode.EASE):
        denied = int(Clamp.NONE if shaped and not any(request.asked_a) else Clamp.DENIED)
        sequence = (state.sequence + 1) & 0xFFFF
        zero = closed(limits, sequence, coils)
        set_point = _set_point(limits, sequence, request, zero.currents_a, limits.validity_ms)
        return Decision(set_point, zero, denied)

    readings = (*state.readings[1 - _READINGS :], request.coil_a)
    easing = mode is Mode.EASE
    asked, ramp = request.asked_a, state.ramp_a
    if easing:
        if not state.easing:
            ramp = ramp_start(readings, coils)
        ramp = tuple(
            [
                max(0.0, at - slope * dt_s)
                for at, slope in zip(ramp, limits.ease_a_per_s, strict=True)
            ]
        )
        asked = ramp

    clamps: int = 0
    beyond = 0  # a rig-wide ceiling is reached: no rise anywhere, then fall
    if request.force_n > limits.max_force_n:
        beyond |= 16
    if request.power_w > limits.max_power_w:
        beyond |= 64
    unknown = request.force_n != request.force_n or request.power_w != request.power_w
    low, top = limits.low_speed_mps, limits.max_speed_mps
    rise, fall = limits.rise_a_per_s, limits.fall_a_per_s
    currents: list[float] = []
    forcing: list[float] = []
    validity_ms = limits.validity_ms
    for ask, coil, lag, speed, continuous, most, measured, spent in zip(
        asked, coils, limits.lag_s, request.speeds_mps, limits.continuous_a,
        limits.forcing_a, request.coil_a, state.forcing_s,
        strict=True,
    ):  # fmt: skip
        if not -_LARGEST_A < ask < _LARGEST_A:
            clamps |= 1
            ask = most if ask > 0.0 else 0.0  # noqa: PLW2901 - cut step by step, in the stated order
        if not easing:  # a ramp that takes load off needs no speed: it goes on wherever it is
            if speed < low:
                if ask > 0.0:
                    clamps |= 8
                ask = 0.0  # noqa: PLW2901
            elif not speed <= top and ask > coil:
                # Over-speed, or a speed that is no number: hold what is on. A sudden release would
                # make it worse, and whoever lost the speed takes the load off along the ramp.
                clamps |= 32
                ask = coil  # noqa: PLW2901
            if unknown and ask > coil:
                clamps |= 16
                ask = coil  # noqa: PLW2901
        down = coil - fall * lag
        if beyond and ask > 0.0:
            clamps |= beyond
            ask = min(ask, down)  # noqa: PLW2901
        if ask > continuous and (spent >= FORCING_S or not measured < continuous):
            clamps |= 128
            most = continuous  # noqa: PLW2901
        if ask > most:
            clamps |= 256
            ask = most  # noqa: PLW2901
        if ask < 0.0:
            clamps |= 256
            ask = 0.0  # noqa: PLW2901
        if ask > coil + rise * lag:
            clamps |= 512
            ask = coil + rise * lag  # noqa: PLW2901
        elif ask < down:
            clamps |= 1024
            ask = down  # noqa: PLW2901
        currents.append(ask)
        gains = ask - (measured if measured < coil else coil)
        loses = (measured if measured > coil else coil) - ask
        drives = gains if gains > loses else loses
        if drives > UNSEEN_A:  # it comes that close to UNSEEN_A in lag x ln(...), and no closer
            valid_s = -lag * math.log1p(-UNSEEN_A / drives)
            if 1e3 * valid_s < validity_ms:
                validity_ms = max(int(1e3 * valid_s), limits.forcing_validity_ms)
        if ask > continuous:
            forcing.append(spent + dt_s)
        else:
            forcing.append(spent - dt_s if spent > dt_s else 0.0)
    sequence = (state.sequence + 1) & 0xFFFF
    after = GateState(sequence, tuple(currents), coils, ramp, tuple(forcing), easing, readings)
    set_point = _set_point(limits, sequence, request, currents, validity_ms)
    return Decision(set_point, after, clamps)


def _set_point(
    limits: GateLimits,
    sequence: int,
    request: Request,
    currents_a: Sequence[float],
    validity_ms: int,
) -> SetPoint:
    """Rounded down to the wire's step, so that rounding never exceeds a limit."""
    return SetPoint(
        request.session,
        sequence,
        validity_ms,
        request.digital_out & 0xFF,
        tuple([int(current * _STEPS_PER_A) for current in currents_a]),
    )
