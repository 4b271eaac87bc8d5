"""The gate: the last word before the wire, and the only place that builds a SetPoint.

Data flow: what control asks for (Request) -> limits -> SetPoint and what was cut (Clamp bits).
Default deny: without permission, a session and a known state every current is zero. Pure
functions; the memory of one frame ago goes in and comes out, so each decision can be replayed.

Order of the cuts, each counted: not a number, permission, easing ceiling, standstill, force,
speed and power ceilings (no rise, then fall), forcing time, current ceiling, rate up, rate down.
Going to zero without permission is immediate; everything else keeps to the rates.

A set point above what flows (forcing) would go on driving the coil up if no other followed it, for
as long as it is valid. So its validity ends when that could have added UNSEEN_A, but not before
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

UNSEEN_A = 1.0  # most that a coil may gain from a set point that none follows
FORCING_MS = 16  # ... while no validity is shorter than this or FORCING_FRAMES frames
FORCING_FRAMES = 8
FORCING_S = 0.5  # longest uninterrupted time above the continuous current
_STEPS_PER_A = 1.0 / CURRENT_STEP_A
_LARGEST_A = 1e6  # beyond it, and for nan, a number is none
TRACE_A = 1e-6  # less than this that dies away is none: numbers near zero would never get there
LONGEST_STEP_S = 0.02  # a longer gap between frames earns no larger step


class Mode(enum.IntEnum):
    """What the state allows, decided by the core, enforced here."""

    DENY = 0  # zero, at once
    LOAD = 1  # within limits and rates
    EASE = 2  # no rise; down along the easing ramp
    TRIP = 3  # nothing is asked; down as fast as the fall rate allows


class Clamp(enum.IntFlag):
    """What the gate cut in one frame."""

    NONE = 0
    NOT_A_NUMBER = 1
    DENIED = 2
    EASING = 4
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
    coil_lag_s: tuple[float, ...]
    rise_a_per_s: float
    fall_a_per_s: float
    ease_off_s: float
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
    ceilings_a: tuple[float, ...]  # of the easing ramp
    ramp_a_per_s: tuple[float, ...]  # its slopes, fixed when easing began
    forcing_s: tuple[float, ...]  # time spent above the continuous current
    easing: bool


class Decision(msgspec.Struct, frozen=True, gc=False):
    set_point: SetPoint | None
    state: GateState
    clamps: int  # Clamp bits


def limits_of(rig: Rig) -> GateLimits:
    """The gate's limits, as the rig file states them."""
    return GateLimits(
        continuous_a=tuple(absorber.max_current_a for absorber in rig.absorbers),
        forcing_a=tuple(absorber.forcing_a for absorber in rig.absorbers),
        coil_lag_s=tuple(absorber.coil_lag_s for absorber in rig.absorbers),
        rise_a_per_s=rig.limits.current_rise_a_per_s,
        fall_a_per_s=rig.limits.current_fall_a_per_s,
        ease_off_s=rig.limits.ease_off_s,
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
    return GateState(sequence, zeros, coils_a or zeros, zeros, zeros, zeros, False)


def resynced(state: GateState, coil_a: Sequence[float]) -> GateState:
    """Set points were not taken: the coils carry what is measured, where that is less.

    Without this an easing would begin at what the coils would carry had they obeyed.
    """
    coils = tuple(
        [
            now if 0.0 <= now < model else model
            for now, model in zip(coil_a, state.coils_a, strict=True)
        ]
    )
    return msgspec.structs.replace(state, coils_a=coils)


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
            for sent, coil, lag in zip(
                state.currents_a, state.coils_a, limits.coil_lag_s, strict=True
            )
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
    if request.permitted is not True or not shaped or mode not in (Mode.LOAD, Mode.EASE, Mode.TRIP):
        denied = int(Clamp.NONE if shaped and not any(request.asked_a) else Clamp.DENIED)
        sequence = (state.sequence + 1) & 0xFFFF
        zero = closed(limits, sequence, coils)
        set_point = _set_point(limits, sequence, request, zero.currents_a, limits.validity_ms)
        return Decision(set_point, zero, denied)

    easing = mode is not Mode.LOAD
    ceilings, ramp = state.ceilings_a, state.ramp_a_per_s
    if easing:
        if not state.easing:
            ceilings = coils
            ramp = tuple(current / limits.ease_off_s for current in ceilings)
        if mode is Mode.EASE:
            ceilings = tuple(
                max(0.0, ceiling - slope * dt_s)
                for ceiling, slope in zip(ceilings, ramp, strict=True)
            )
        else:
            ceilings = (0.0,) * count

    clamps: int = 0
    beyond = 0  # a rig-wide ceiling is reached (or unknown): no rise anywhere, then fall
    if not request.force_n <= limits.max_force_n:
        beyond |= 16
    if not request.power_w <= limits.max_power_w:
        beyond |= 64
    low, top = limits.low_speed_mps, limits.max_speed_mps
    rise, fall = limits.rise_a_per_s, limits.fall_a_per_s
    currents: list[float] = []
    forcing: list[float] = []
    surge = 0.0  # fastest rise of a coil that these set points begin, A/s
    for ask, coil, lag, speed, continuous, most, measured, spent, ceiling in zip(
        request.asked_a, coils, limits.coil_lag_s, request.speeds_mps, limits.continuous_a,
        limits.forcing_a, request.coil_a, state.forcing_s, ceilings,
        strict=True,
    ):  # fmt: skip
        if not -_LARGEST_A < ask < _LARGEST_A:
            clamps |= 1
            ask = most if ask > 0.0 else 0.0  # noqa: PLW2901 - cut step by step, in the stated order
        if easing and ask > ceiling:
            clamps |= 4
            ask = ceiling  # noqa: PLW2901
        if not speed >= low:  # also when it is not a number
            if ask > 0.0:
                clamps |= 8
            ask = 0.0  # noqa: PLW2901
        elif speed > top and ask > coil:
            clamps |= 32  # over-speed: hold what is on, a sudden release would make it worse
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
        gains = (ask - (measured if measured < coil else coil)) / lag
        surge = max(surge, gains)
        if ask > continuous:
            forcing.append(spent + dt_s)
        else:
            forcing.append(spent - dt_s if spent > dt_s else 0.0)
    sequence = (state.sequence + 1) & 0xFFFF
    after = GateState(sequence, tuple(currents), coils, ceilings, ramp, tuple(forcing), easing)
    validity_ms = limits.validity_ms
    if surge * validity_ms > 1e3 * UNSEEN_A:
        validity_ms = max(int(1e3 * UNSEEN_A / surge), limits.forcing_validity_ms)
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
